//! Every table keeps its promises: names that are unique, words that help, figures that hold.

use std::collections::HashSet;

use linewake::analysis::acceptance::OFFERS;
use linewake::compare::acceptance::Condition;
use linewake::dsp::window::{Taper, WINDOWS, Window};
use linewake::levels::{Confidence, Detector, Kind, published};
use linewake::read::{Bytes, FORMATS, ReadOptions, Source, open};
use linewake::units::{Band, Hertz};
use npyz::WriterBuilder;

/// Names that are lower case, not empty, and none twice.
fn are_names<'a>(what: &str, names: impl IntoIterator<Item = &'a str>) {
    let mut seen = HashSet::new();
    for name in names {
        assert!(!name.is_empty() && !name.chars().any(char::is_uppercase), "{what}: \"{name}\"");
        assert!(seen.insert(name.to_owned()), "{what}: \"{name}\" stands twice");
    }
    assert!(seen.len() > 1, "{what}: nothing to check");
}

#[test]
fn windows_have_unique_names_and_a_source() {
    are_names("windows", WINDOWS.iter().flat_map(|kind| [kind.name].into_iter().chain(kind.aliases.iter().copied())));
    for kind in WINDOWS {
        assert!(kind.source.len() > 20, "{}: \"{}\"", kind.name, kind.source);
        for name in [kind.name].iter().chain(kind.aliases) {
            let window: Window = name.parse().unwrap();
            assert_eq!(window.name().split(':').next(), Some(kind.name), "{name}");
        }
    }
}

/// N·S2/S1² of the very samples, against the figure that the window's source publishes (four decimals).
#[test]
fn windows_have_the_noise_bandwidth_that_their_source_states() {
    const LENGTH: u32 = 4096;
    for kind in WINDOWS {
        let window: Window = kind.name.parse().unwrap();
        let samples = window.coefficients(LENGTH as usize);
        let (sum, squares) = samples.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
        let bins = f64::from(LENGTH) * squares / (sum * sum);
        // The figures are printed with four decimals or computed to as many.
        assert!((bins - kind.figures.noise_bandwidth_bins).abs() < 1.5e-4, "{}: {bins}", kind.name);
        // At a rate equal to the length a bin is one hertz wide.
        let taper = Taper::new(&window, LENGTH as usize);
        let hertz = taper.noise_bandwidth(Hertz::new(f64::from(LENGTH)).unwrap()).get();
        assert!((hertz - bins).abs() < 1e-9, "{}: {hertz}", kind.name);
        assert!((0.0..1.0).contains(&window.recommended_overlap()), "{}", kind.name);
    }
}

#[test]
fn levels_have_unique_names_and_say_what_they_are() {
    are_names("levels", published().iter().map(|curve| curve.name.as_str()));
    for curve in published() {
        let texts = [&curve.title, &curve.document, &curve.edition, &curve.scope];
        assert!(texts.iter().all(|text| text.len() > 3), "{}", curve.name);
        assert!(
            curve.kind != Kind::Own && curve.confidence != Confidence::Own && curve.file.is_none(),
            "{}",
            curve.name
        );
        // Nothing that is from memory may sound like a verdict, and nothing here is one.
        let said = format!("{} {} {}", curve.title, curve.scope, curve.note).to_lowercase();
        assert!(!["pass", "fail", "safe", "harm"].iter().any(|word| said.contains(word)), "{}: {said}", curve.name);
        let edges: Vec<f64> = curve.segments.iter().flat_map(|s| [s.low_hz, s.high_hz]).collect();
        assert!(edges.windows(2).all(|pair| pair[0] <= pair[1]) && edges[0] < edges[1], "{}: {edges:?}", curve.name);
        let covered = Band::new(edges[0], edges[edges.len() - 1]).unwrap();
        for share in 0..=20 {
            let frequency = covered.low() * (covered.high() / covered.low()).powf(f64::from(share) / 20.0);
            assert!(curve.at(frequency).is_some_and(f64::is_finite), "{} at {frequency} Hz", curve.name);
        }
        // An exposure level is for each frequency by itself; of all others the bandwidth is stated, or not known.
        let has_bandwidth = curve.bandwidth_hz.is_some();
        match curve.kind {
            Kind::ExposureReference => assert!(!has_bandwidth, "{}", curve.name),
            _ => assert!(has_bandwidth || curve.detector == Detector::NotKnown, "{}", curve.name),
        }
    }
}

#[test]
fn conditions_name_what_their_commands_offer() {
    for (command, offers) in OFFERS {
        are_names(command, offers.iter().map(|offer| offer.name));
        assert!(offers.iter().all(|offer| offer.about.len() > 10), "{command}");
        for offer in *offers {
            let condition: Condition = format!("{}>1", offer.name).parse().unwrap();
            assert_eq!(condition.quantity(), offer.name);
        }
    }
}

#[test]
fn formats_have_unique_names_and_endings() {
    are_names("formats", FORMATS.iter().map(|format| format.name));
    are_names("endings", FORMATS.iter().flat_map(|format| format.extensions).copied());
    assert!(FORMATS.iter().all(|format| format.about.len() > 10));
}

/// Bytes of each format as small as they come, made by the libraries that define the format.
fn specimen(format: &str) -> Vec<u8> {
    let ramp = (0..500u16).map(|n| n % 91);
    match format {
        "comtrade" => {
            let head = "--- file type: CFG ---\nStudio,Recorder,2013\n1,1A,0D\n1,Wire,,,V,0.5,0,0,-9999,9999,1,1,S\n50\n1\n\
                        500000,500\n01/02/2031,10:11:12\n01/02/2031,10:11:12\nASCII\n1\n--- file type: DAT ASCII ---\n";
            let rows = ramp.enumerate().map(|(n, value)| format!("{},{},{value}\n", n + 1, 2 * n));
            format!("{head}{}", rows.collect::<String>()).into_bytes()
        }
        "csv" => {
            let rows = ramp.enumerate().map(|(n, value)| format!("{:.6},{value}\n", n as f64 * 2e-6));
            format!("Time (s),Wire (V)\n{}", rows.collect::<String>()).into_bytes()
        }
        "npy" => {
            let mut bytes = Vec::new();
            let options = npyz::WriteOptions::new().default_dtype().shape(&[500]);
            let mut writer = options.writer(&mut bytes).begin_nd().unwrap();
            writer.extend(ramp.map(f64::from)).unwrap();
            writer.finish().unwrap();
            bytes
        }
        "wav" => {
            let spec = hound::WavSpec {
                channels: 1,
                sample_rate: 48_000,
                bits_per_sample: 16,
                sample_format: hound::SampleFormat::Int,
            };
            let mut file = std::io::Cursor::new(Vec::new());
            let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
            ramp.for_each(|value| writer.write_sample(i16::try_from(value).unwrap()).unwrap());
            writer.finalize().unwrap();
            file.into_inner()
        }
        "arrow" | "mat" | "npz" | "parquet" => {
            std::fs::read(format!("{}/fixtures/arrays/specimen.{format}", env!("CARGO_MANIFEST_DIR"))).unwrap()
        }
        other => panic!("a specimen of {other} is missing here"),
    }
}

fn count_samples(bytes: Vec<u8>, options: &ReadOptions) -> Result<usize, linewake::error::Error> {
    let mut recording = open(&Source::new(Bytes::new("specimen", bytes)), options)?;
    let mut count = 0;
    while let Some(block) = recording.next_block()? {
        assert!(!block.is_empty() && block.first == count as u64);
        count += block.len();
    }
    Ok(count)
}

#[test]
fn each_format_knows_its_own_and_survives_being_cut() {
    let options = ReadOptions { sample_rate: Some(Hertz::new(500e3).unwrap()), ..ReadOptions::default() };
    // Raw samples say nothing of themselves; their sidecar is tested in `reading_containers`.
    // Parquet and Arrow are only recognised without their features.
    let without = |name: &str| {
        name == "raw" || !cfg!(feature = "columnar") && name == "parquet" || !cfg!(feature = "arrow") && name == "arrow"
    };
    for format in FORMATS.iter().filter(|format| !without(format.name)) {
        let bytes = specimen(format.name);
        let own = (format.score)(&bytes).unwrap();
        for other in FORMATS.iter().filter(|other| other.name != format.name) {
            assert!((other.score)(&bytes).is_none_or(|score| score < own), "{} taken for {}", format.name, other.name);
        }
        assert_eq!(count_samples(bytes.clone(), &options).unwrap(), 500, "{}", format.name);
        // Whatever is left is read or refused, never more than there was.
        for cut in (0..bytes.len()).step_by(3) {
            match count_samples(bytes[..cut].to_vec(), &options) {
                Ok(count) => assert!(count <= 500, "{} cut at {cut}", format.name),
                Err(error) => assert!(error.to_string().contains("specimen"), "{} cut at {cut}: {error}", format.name),
            }
        }
    }
}

#[cfg(feature = "cli")]
#[test]
fn commands_have_unique_names_and_help() {
    let mut parser = linewake::cli::parser();
    parser.build();
    parser.clone().debug_assert();
    let commands: Vec<_> = parser.get_subcommands().filter(|command| command.get_name() != "help").collect();
    are_names("commands", commands.iter().map(|command| command.get_name()));
    for command in commands {
        let name = command.get_name();
        let about = command.get_about().map(ToString::to_string).unwrap_or_default();
        assert!(about.len() > 10, "{name}: \"{about}\"");
        for argument in command.get_arguments() {
            let help = argument.get_help().map(ToString::to_string).unwrap_or_default();
            assert!(help.len() > 5, "{name}: {} has no help", argument.get_id());
        }
    }
}

/// What a command's help shows as examples, as a shell hands them over but for its patterns of file names.
#[cfg(feature = "cli")]
pub(crate) fn examples(command: &clap::Command) -> Vec<Vec<String>> {
    let shown = command.get_after_help().map(ToString::to_string).unwrap_or_default();
    let arguments = |line: &str| line.split_whitespace().map(|word| word.trim_matches('\'').to_owned()).collect();
    shown.lines().map(str::trim).filter(|line| line.starts_with("linewake ")).map(arguments).collect()
}

#[cfg(feature = "cli")]
#[test]
fn the_parser_takes_every_example_of_the_help() {
    let parser = linewake::cli::parser();
    for command in parser.get_subcommands() {
        let (name, lines) = (command.get_name(), examples(command));
        assert!((2..=3).contains(&lines.len()), "{name}: {} examples", lines.len());
        let shown = command.get_after_help().unwrap().to_string();
        let (shown, caution) = shown.split_once("\n\n").unwrap();
        assert!(caution.starts_with("Mains can kill."), "{name}: {caution}");
        assert_eq!(shown.lines().count(), 1 + 2 * lines.len(), "{name}: a line that says what each answers\n{shown}");
        for line in &lines {
            if let Err(error) = parser.clone().try_get_matches_from(line) {
                panic!("{}\n{error}", line.join(" "));
            }
        }
        assert!(lines.iter().any(|line| line[1] == name), "{name}: none of its examples is one of it");
    }
}

/// Every analysing command that gives its result as a document and as a file writes CSV under a header of its own:
/// snake_case, a name once.
#[cfg(feature = "cli")]
#[test]
fn csv_headers_are_the_commands_own() {
    use linewake::report::columns::header_of;
    let parser = linewake::cli::parser();
    let mut headers = HashSet::new();
    for command in parser.get_subcommands() {
        let takes = |name: &str| command.get_arguments().any(|argument| argument.get_id() == name);
        let header = header_of(command.get_name());
        let is_analysis = ["rbw", "json", "output"].into_iter().all(takes);
        assert!(!is_analysis || header.is_some(), "{}: no header", command.get_name());
        let Some(header) = header else { continue };
        are_names(command.get_name(), header.split(','));
        assert!(header.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || "_,".contains(c)), "{header}");
        assert!(headers.insert(header), "{}: the header of another", command.get_name());
    }
    assert!(headers.len() >= 7);
    assert_eq!(header_of("no such command"), None);
}
