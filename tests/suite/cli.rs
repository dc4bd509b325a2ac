//! The real program: documents, tables, files, exit status; numbers against closed forms.

use std::sync::LazyLock;

use linewake::survey::studio::{State, Studio};
use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::program::{Bench, holds_leavings};
use crate::signals::{RATE, samples_in, sine, sum, table, white};

/// 200 ms, ten mains periods at 50 Hz.
const SECONDS: f64 = 0.2;

/// A file of the invented studio: the first capture of a load in a state.
fn studio(load: Option<&str>, state: State) -> Vec<u8> {
    let studio = Studio::new(7);
    let captures = studio.captures();
    let found = captures.iter().find(|c| c.state == state && c.load.map(|load| load.slug) == load);
    studio.csv(found.unwrap())
}

static OFF: LazyLock<Vec<u8>> = LazyLock::new(|| studio(None, State::Background));
static ON: LazyLock<Vec<u8>> = LazyLock::new(|| studio(Some("led-panel"), State::On));
static FILTERED: LazyLock<Vec<u8>> = LazyLock::new(|| studio(Some("led-panel"), State::OnWithFilter));

/// The three captures that a job begins with.
fn studio_bench() -> Bench {
    Bench::with(&[("off.csv", &*OFF), ("on.csv", &*ON), ("filtered.csv", &*FILTERED)])
}

/// Every analysing command with inputs of the studio.
const COMMANDS: &[(&str, &str)] = &[
    ("inspect", "inspect off.csv on.csv"),
    ("waveform", "waveform off.csv on.csv"),
    ("spectrum", "spectrum on.csv"),
    ("bands", "bands on.csv"),
    ("compare", "compare --before on.csv --after filtered.csv"),
    ("added", "added --off off.csv --on on.csv"),
    ("coupling", "coupling on.csv"),
    ("phase-map", "phase-map on.csv"),
    ("receiver", "receiver on.csv --range 60k:70k"),
    ("batch", "batch off.csv on.csv filtered.csv"),
];

/// The options that every command reading captures shares, and those of its output.
const SHARED_OPTIONS: &[&str] = &[
    "--wire",
    "--air",
    "--air-file",
    "--sample-rate",
    "--mains",
    "--high-pass",
    "--range",
    "--rbw",
    "--window",
    "--overlap",
    "--segment",
    "--max-memory",
    "--json",
    "--output",
    "--force",
];

fn has(value: &Value, fields: &[&str]) {
    for field in fields {
        assert!(value.get(field).is_some(), "no \"{field}\" in {}", short(value));
    }
}

fn short(value: &Value) -> String {
    value.to_string().chars().take(400).collect()
}

/// The members of an array, of which there is at least one.
fn each<'a>(value: &'a Value, field: &str) -> impl Iterator<Item = &'a Value> {
    let array = value[field].as_array().unwrap_or_else(|| panic!("no array \"{field}\" in {}", short(value)));
    assert!(!array.is_empty(), "\"{field}\" is empty");
    array.iter()
}

/// The channel with a role of the only capture, or of a comparison.
fn channel<'a>(document: &'a Value, role: &str) -> &'a Value {
    let holder = if document["channels"].is_array() { document } else { &document["captures"][0] };
    each(holder, "channels").find(|channel| channel["role"] == role).unwrap()
}

fn error_db(found: &Value, expected: f64) -> f64 {
    20.0 * (found.as_f64().unwrap() / expected).log10()
}

#[test]
fn every_document_has_the_common_frame() {
    let bench = studio_bench();
    for (command, arguments) in COMMANDS {
        let answer = bench.done(&format!("{arguments} --json"));
        for word in ["NaN", "Infinity", "inf"] {
            assert!(!answer.out.contains(&format!(": {word}")), "{command}: {word}");
        }
        let document = answer.json();
        assert_eq!(document["tool"], "linewake");
        assert_eq!(document["version"], env!("CARGO_PKG_VERSION"));
        assert_eq!(document["command"], *command);
        has(
            &document["settings"],
            &[
                "wire",
                "air",
                "sample_rate_hz",
                "mains_hz",
                "high_pass_hz",
                "range_low_hz",
                "range_high_hz",
                "rbw_hz",
                "window",
                "overlap",
                "segment",
            ],
        );
        assert_eq!(document["settings"]["rbw_hz"], 200.0);
        for input in each(&document, "inputs") {
            let bytes = bench.read(input["path"].as_str().unwrap());
            assert_eq!(input["bytes"], bytes.len());
            let hash: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
            assert_eq!(input["sha256"], hash);
        }
        let named = arguments.split(' ').filter(|word| word.ends_with(".csv")).count();
        assert_eq!(document["inputs"].as_array().unwrap().len(), named, "{command}");
    }
}

#[test]
fn documents_hold_the_fields_that_scripts_rely_on() {
    let bench = studio_bench();
    let inspect = bench.json("inspect on.csv");
    let capture = &inspect["captures"][0];
    has(
        capture,
        &["path", "sha256", "bytes", "format", "layout", "sample_rate_hz", "samples", "duration_s", "start_s"],
    );
    has(&each(capture, "warnings").next().unwrap().clone(), &["code", "message"]);
    for channel in each(capture, "channels") {
        has(channel, &["name", "role", "unit", "min", "max", "mean", "rms", "resolution", "clipped_fraction"]);
    }

    let spectrum = bench.json("spectrum on.csv");
    has(
        &spectrum["settings"],
        &["window", "segment_samples", "bin_hz", "enbw_hz", "overlap", "segments", "high_pass_hz"],
    );
    has(&spectrum["captures"][0], &["path", "sample_rate_hz"]);
    for channel in each(&spectrum["captures"][0], "channels") {
        has(channel, &["name", "role", "unit"]);
        let bins = channel["frequency_hz"].as_array().unwrap().len();
        assert!(["psd", "rms", "level_db"].iter().all(|field| channel[field].as_array().unwrap().len() == bins));
    }

    let value = ["low_hz", "high_hz", "rms", "level_db"];
    let bands = bench.json("bands on.csv");
    for channel in each(&bands["captures"][0], "channels") {
        has(channel, &["slew_rms", "slew_mean_abs"]);
        each(channel, "bands").chain([&channel["total"]]).for_each(|band| has(band, &value));
    }

    let change = ["low_hz", "high_hz", "before_rms", "after_rms", "change_db", "ci95_db", "verdict"];
    let addition = ["low_hz", "high_hz", "off_rms", "on_rms", "added_rms", "rise_db", "ci95_db", "verdict"];
    for (arguments, fields) in
        [("compare --before on.csv --after filtered.csv", &change[..]), ("added --off off.csv --on on.csv", &addition)]
    {
        for channel in each(&bench.json(arguments), "channels") {
            has(channel, &["role", "unit"]);
            each(channel, "bands").chain([&channel["total"]]).for_each(|band| has(band, fields));
        }
    }

    let batch = bench.json("batch off.csv on.csv");
    for capture in each(&batch, "captures") {
        has(capture, &["path", "status", "error"]);
        each(capture, "channels").for_each(|channel| has(channel, &["role", "total", "bands"]));
    }
    each(&batch, "ranking").for_each(|rank| has(rank, &["path", "role", "total_db", "rank"]));
}

/// On a bin, half a bin and a third of a bin beside it: 0.02 dB with the flat top, 0.05 dB in the total.
#[test]
fn a_sine_reads_its_own_rms() {
    let count = samples_in(0.1);
    let air = white(1e-14, count, 3);
    for frequency in [10_000.0, 31_013.0, 68_037.7, 140_061.0] {
        let bench =
            Bench::with(&[("tone.csv", &table(&["Wire (V)", "Air (V)"], &[&sine(frequency, 3e-3, count), &air]))]);
        let spectrum = bench.json("spectrum tone.csv --window hft95");
        let wire = channel(&spectrum, "wire");
        let peak = each(wire, "rms").max_by(|a, b| a.as_f64().unwrap().total_cmp(&b.as_f64().unwrap())).unwrap();
        assert!(error_db(peak, 3e-3).abs() < 0.02, "{frequency} Hz: {peak}");

        let bands = bench.json("bands tone.csv");
        let wire = channel(&bands, "wire");
        assert!(error_db(&wire["total"]["rms"], 3e-3).abs() < 0.05, "{frequency} Hz: {}", wire["total"]);
        // A sine of RMS value V at f: 2πfV and 4√2·fV.
        let slew = [("slew_rms", std::f64::consts::TAU), ("slew_mean_abs", 4.0 * 2.0_f64.sqrt())];
        for (field, factor) in slew {
            let error = error_db(&wire[field], factor * frequency * 3e-3);
            assert!(error.abs() < 0.05, "{field} at {frequency} Hz: {error} dB");
        }
    }
}

/// 2 to 150 kHz of 0.2 s hold 2·B·T = 59 200 degrees of freedom, so the total scatters by 0.025 dB; five of them.
#[test]
fn white_noise_has_its_density() {
    const DENSITY: f64 = 4e-12;
    let noise = white(DENSITY, samples_in(SECONDS), 11);
    let bench = Bench::with(&[("noise.csv", &table(&["Wire (V)"], &[&noise]))]);
    let bands = bench.json("bands noise.csv --bands wide");
    let wire = channel(&bands, "wire");
    assert!(error_db(&wire["total"]["rms"], (DENSITY * 148e3).sqrt()).abs() < 0.125, "{}", wire["total"]);
    let spectrum = bench.json("spectrum noise.csv");
    let psd: Vec<f64> = each(channel(&spectrum, "wire"), "psd").map(|value| value.as_f64().unwrap()).collect();
    let mean = psd.iter().sum::<f64>() / psd.len() as f64;
    assert!((10.0 * (mean / DENSITY).log10()).abs() < 0.125, "{mean}");
}

/// Noise of 2 µV/√Hz, and the same with a tone of 3 mV at 68.4 kHz.
fn quiet_and_loud() -> Bench {
    let count = samples_in(0.5);
    let tone = sine(68.4e3, 3e-3, count);
    let [off, on] = [21, 22].map(|seed| white(4e-12, count, seed));
    Bench::with(&[("off.csv", &table(&["Wire (V)"], &[&off])), ("on.csv", &table(&["Wire (V)"], &[&sum(&on, &tone)]))])
}

#[test]
fn what_is_built_in_comes_out() {
    let bench = quiet_and_loud();
    let added = bench.json("added --off off.csv --on on.csv");
    let wire = channel(&added, "wire");
    let band = |low: f64| each(wire, "bands").find(|band| band["low_hz"] == low).unwrap();
    for value in [band(68e3), &wire["total"]] {
        assert_eq!(value["verdict"], "adds");
        assert!(error_db(&value["added_rms"], 3e-3).abs() < 0.05, "{value}");
    }
    assert_eq!(band(90e3)["verdict"], "no difference shown");
    for band in each(wire, "bands").chain([&wire["total"]]) {
        assert_eq!(band["added_rms"].is_null(), band["verdict"] != "adds", "{band}");
    }

    // The other way round, the tone falls by (9 + 0.008)/0.008 mV² in its band.
    let change = bench.json("compare --before on.csv --after off.csv");
    let fall = each(channel(&change, "wire"), "bands").find(|band| band["low_hz"] == 68e3).unwrap();
    assert_eq!(fall["verdict"], "lower");
    // The noise in 2 kHz and 0.5 s has some 2000 degrees of freedom: a standard deviation of 0.14 dB.
    assert!((fall["change_db"].as_f64().unwrap() + 10.0 * (9.008f64 / 0.008).log10()).abs() < 1.0, "{fall}");
}

#[test]
fn tables_say_the_conclusion_first() {
    let bench = studio_bench();
    for (command, conclusion) in [
        ("inspect on.csv", "on.csv: fit"),
        ("added --off off.csv --on on.csv", "On the wire "),
        ("compare --before on.csv --after filtered.csv", "On the wire "),
        ("batch off.csv on.csv", "2 captures analysed."),
        ("waveform on.csv", "On the wire the peak"),
    ] {
        let answer = bench.done(command);
        assert!(answer.out.starts_with(conclusion), "{command}: {}", answer.out);
    }
    for (command, conclusion) in
        [("bands on.csv", "On the wire"), ("spectrum on.csv", "On the wire the strongest line is at 68")]
    {
        let answer = bench.done(command);
        assert!(answer.out.lines().nth(1).unwrap().starts_with(conclusion), "{command}: {}", answer.out);
    }
}

#[test]
fn what_to_know_goes_to_standard_error_only() {
    let clipped: Vec<f64> = white(4e-12, samples_in(0.1), 4).iter().map(|v| v.clamp(-1e-3, 1e-3)).collect();
    let bench = Bench::with(&[("clipped.csv", &table(&["Wire (V)"], &[&clipped]))]);
    let commands = [
        "bands clipped.csv",
        "spectrum clipped.csv",
        "waveform clipped.csv",
        "phase-map clipped.csv",
        "emissions clipped.csv",
        "transients clipped.csv",
        "receiver clipped.csv",
        "compare --before clipped.csv --after clipped.csv",
    ];
    for command in commands {
        let answer = bench.done(command);
        assert!(answer.err.contains("warning: clipped.csv") && answer.err.contains("[clipped]"), "{}", answer.err);
        assert!(!answer.out.contains("warning") && !answer.out.contains("[clipped]"), "{}", answer.out);
        let document = bench.done(&format!("{command} --json"));
        assert_eq!(document.err, answer.err);
        let document = document.json();
        let holder = if document["warnings"].is_array() { &document } else { &document["captures"][0] };
        assert!(each(holder, "warnings").any(|warning| warning["code"] == "clipped"), "{command}");
    }
}

#[test]
fn the_exit_status_tells_how_it_went() {
    let bench = studio_bench();
    bench.put("broken.csv", b"\x00\x01\x02 nothing");
    assert_eq!(bench.run("bands off.csv").status, 0);
    assert_eq!(bench.run("bands off.csv broken.csv").status, 1);
    assert_eq!(bench.run("bands broken.csv").status, 2);
    assert_eq!(bench.run("bands").status, 2);
    assert_eq!(bench.run("--version").status, 0);
}

#[test]
fn a_batch_goes_on_past_a_broken_file() {
    let bench = Bench::with(&[("day/2.csv", &*ON), ("day/10.csv", &*OFF), ("day/deep/3.csv", b"words, only\n")]);
    let answer = bench.run("batch day --json");
    assert_eq!(answer.status, 1);
    let named = if cfg!(windows) { "day\\deep\\3.csv" } else { "day/deep/3.csv" };
    assert!(answer.err.contains(named), "{}", answer.err);
    let document = answer.json();
    let broken = each(&document, "captures").find(|row| row["status"] == "failed").unwrap();
    assert!(
        broken["path"] == named && broken["error"].is_string() && broken["channels"].as_array().unwrap().is_empty()
    );
    let done: Vec<_> = each(&document, "captures").filter(|row| row["status"] == "done").collect();
    // Natural order: 2 before 10.
    assert!(done.len() == 2 && done[0]["path"].as_str().unwrap().ends_with("2.csv") && done[0]["error"].is_null());
    let first = each(&document, "ranking").find(|rank| rank["role"] == "wire").unwrap();
    assert!(first["rank"] == 1 && first["path"] == done[0]["path"], "{first}");
    assert!(bench.run("batch day").out.contains("Not analysed"));

    let empty = Bench::with(&[("day/readme.md", b"no capture")]);
    let answer = empty.run("batch day");
    assert_eq!(answer.status, 2);
    assert!(answer.err.contains("holds no capture") && answer.out.is_empty(), "{}", answer.err);
}

#[test]
fn the_ending_of_the_output_picks_its_kind() {
    let bench = studio_bench();
    for (command, arguments) in COMMANDS {
        let header = linewake::report::columns::header_of(command).unwrap();
        bench.done(&format!("{arguments} -o {command}.csv"));
        let bytes = bench.read(&format!("{command}.csv"));
        let text = String::from_utf8(bytes).unwrap();
        assert_eq!(text.lines().next(), Some(header.as_str()));
        let mut rows = csv::Reader::from_reader(text.as_bytes());
        // The reader refuses rows that are not as long as the header.
        assert!(rows.records().map(Result::unwrap).count() > 0, "{command}");

        let printed = bench.done(&format!("{arguments} --json -o {command}.json")).out;
        assert_eq!(String::from_utf8(bench.read(&format!("{command}.json"))).unwrap(), printed);
        let printed = bench.done(&format!("{arguments} -o {command}.html")).out;
        let page = String::from_utf8(bench.read(&format!("{command}.html"))).unwrap();
        assert!(page.starts_with("<!DOCTYPE html>") && page.trim_end().ends_with("</html>"), "{command}");
        assert_eq!(page.contains("<figure class=\"plot\""), *command != "inspect", "{command}");
        // What it says first on the terminal stands in the page, but for the name of the file.
        let sentence = printed.lines().find(|line| !line.is_empty() && !line.ends_with(".csv")).unwrap();
        assert!(page.contains(&sentence.trim().replace('\'', "&#39;")), "{command}: {sentence}");
        assert!(page.contains("nothing about health") && page.contains("SHA-256"), "{command}");
        if *command == "inspect" {
            let answer = bench.run("inspect on.csv -o inspect.png");
            assert!(answer.status == 2 && answer.err.contains(".csv, .json or .html"), "{}", answer.err);
            continue;
        }
        bench.done(&format!("{arguments} -o {command}.png"));
        let bytes = bench.read(&format!("{command}.png"));
        let mut picture = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; picture.output_buffer_size().unwrap()];
        let frame = picture.next_frame(&mut pixels).unwrap();
        assert!(frame.width >= 600 && frame.height >= 300, "{command}: {frame:?}");
        assert!(pixels.iter().any(|&byte| byte != pixels[0]), "{command}: an empty picture");

        bench.done(&format!("{arguments} -o {command}.svg"));
        let text = String::from_utf8(bench.read(&format!("{command}.svg"))).unwrap();
        assert!(text.contains("<svg") && text.trim_end().ends_with("</svg>"), "{command}");
        for (open, close) in [("<text", "</text>"), ("<g", "</g>")] {
            let opened = text.matches(&format!("{open} ")).count() + text.matches(&format!("{open}>")).count();
            assert_eq!(opened, text.matches(close).count(), "{command}: {open}");
        }
    }
    let answer = bench.run("bands on.csv -o bands.docx");
    assert!(
        answer.status == 2 && answer.err.contains("bands.docx") && answer.err.contains(".png, .svg"),
        "{}",
        answer.err
    );
    assert!(!bench.names().contains(&"bands.docx".to_owned()) && !holds_leavings(&bench.path("")));
}

#[test]
fn a_stretch_of_a_waveform_is_shown_sample_by_sample() {
    // Shorter than a mains period, so it cannot wait for a zero of the mains; 500 kS/s.
    let bench = studio_bench();
    let printed = bench.done("waveform on.csv --from 0.0912s --to 0.0925s --cycles 1000 --columns 16000 --json").out;
    let document: serde_json::Value = serde_json::from_str(&printed).unwrap();
    let capture = &document["captures"][0];
    let of = |key: &str| capture[key].as_f64().unwrap();
    assert!((of("start_s") - 0.0912).abs() < 1e-9 && (of("column_s") - 2e-6).abs() < 1e-15, "{capture}");
    let channel = &capture["channels"][0];
    assert_eq!((channel["min"].as_array().unwrap().len(), &channel["min"]), (650, &channel["max"]));
    let refused = bench.run("waveform on.csv --columns 99");
    assert!(refused.status == 2 && refused.err.contains("100 to 100000"), "{}", refused.err);
}

#[test]
fn files_of_others_are_left_alone() {
    let bench = studio_bench();
    for (name, content) in [
        ("a.csv", &b"my,own,table\n1,2,3\n"[..]),
        ("a.json", b"{}"),
        ("a.svg", b"<svg></svg>"),
        ("a.png", b"\x89PNG"),
        ("a.html", b"<!DOCTYPE html>"),
    ] {
        bench.put(name, content);
        let answer = bench.run(&format!("bands on.csv -o {name}"));
        assert!(answer.status == 2 && answer.err.contains(name) && answer.err.contains("--force"), "{}", answer.err);
        assert!(answer.out.is_empty() && bench.read(name) == content);
        bench.done(&format!("bands on.csv -o {name} --force"));
        assert_ne!(bench.read(name), content);
        // Now it is its own, and the same command may replace it, another may not.
        bench.done(&format!("bands off.csv -o {name}"));
        assert_eq!(bench.run(&format!("spectrum on.csv -o {name}")).status, 2);
    }
}

#[test]
fn a_failure_leaves_nothing_half_written() {
    let bench = studio_bench();
    bench.put("broken.csv", b"words, only\n");
    let before = bench.names();
    assert_eq!(bench.run("bands broken.csv -o out.png").status, 2);
    assert_eq!(bench.run("compare --before on.csv --after broken.csv -o out.csv").status, 2);
    assert_eq!(bench.run("bands on.csv -o nowhere/out.png").status, 2);
    assert_eq!(bench.names(), before);
    // An output that is there already stays as it was.
    bench.done("bands on.csv -o out.json");
    let own = bench.read("out.json");
    assert_eq!(bench.run("bands broken.csv -o out.json").status, 2);
    assert_eq!(bench.read("out.json"), own);
    assert!(!holds_leavings(&bench.path("")));
}

#[test]
fn the_same_file_on_both_sides_is_said() {
    let bench = studio_bench();
    bench.put("copy.csv", &OFF);
    for arguments in ["added --off off.csv --on copy.csv", "compare --before off.csv --after copy.csv"] {
        let answer = bench.done(&format!("{arguments} --json"));
        assert!(answer.err.contains("byte by byte [identical_files]"), "{}", answer.err);
        let document = answer.json();
        assert!(each(&document, "warnings").any(|warning| warning["code"] == "identical_files"));
        for channel in each(&document, "channels") {
            let verdict = &channel["total"]["verdict"];
            assert!(verdict == "no difference shown" || verdict == "no change shown", "{verdict}");
        }
    }
}

#[test]
fn other_units_are_not_compared() {
    let noise = white(1e-12, samples_in(0.1), 5);
    let bench = Bench::with(&[
        ("volts.csv", &table(&["Wire (V)"], &[&noise])),
        ("amperes.csv", &table(&["Wire (A)"], &[&noise])),
    ]);
    let answer = bench.run("compare --before volts.csv --after amperes.csv");
    assert!(answer.status == 2 && answer.out.is_empty());
    for word in ["amperes.csv", "in A", "expected V", "remedy"] {
        assert!(answer.err.contains(word), "{word}: {}", answer.err);
    }
}

#[test]
fn every_command_has_help_that_names_the_shared_options() {
    let bench = Bench::with(&[]);
    let help = bench.done("--help").out;
    assert!(help.contains("Exit status") && help.contains("no conformity assessment"));
    for (command, _) in COMMANDS {
        assert!(help.contains(command), "{command} in {help}");
        let own = bench.done(&format!("{command} --help")).out;
        for option in SHARED_OPTIONS {
            assert!(own.contains(&format!("{option} ")) || own.contains(&format!("{option}\n")), "{command}: {option}");
        }
    }
    assert_eq!(bench.run("frobnicate").status, 2);
}

/// The values of a document that do not name the input.
fn values(document: &Value) -> (Value, Value) {
    let wire_and_air: Vec<Value> = each(&document["captures"][0], "channels")
        .map(|channel| {
            let mut channel = channel.clone();
            channel.as_object_mut().unwrap().remove("name");
            channel
        })
        .collect();
    (Value::from(wire_and_air), document["captures"][0]["analysis"].clone())
}

#[test]
fn two_files_of_one_channel_give_the_same_numbers_as_one_of_two() {
    let count = samples_in(0.1);
    let wire = sum(&sine(40e3, 2e-3, count), &white(1e-12, count, 8));
    let air = sum(&sine(40e3, 1e-4, count), &white(1e-14, count, 9));
    let one = |name: &str, samples: &[f64]| table(&[name], &[samples]);
    let bench = Bench::with(&[
        ("both.csv", &table(&["Wire (V)", "Air (V)"], &[&wire, &air])),
        ("line.csv", &one("A (V)", &wire)),
        ("antenna.csv", &one("B (V)", &air)),
        ("hum_CH1.csv", &one("CH1 (V)", &wire)),
        ("hum_CH2.csv", &one("CH2 (V)", &air)),
    ]);
    for command in ["bands", "spectrum"] {
        let expected = values(&bench.json(&format!("{command} both.csv")));
        for named in ["line.csv --air-file antenna.csv", "hum_CH1.csv", "hum_CH2.csv"] {
            let document = bench.json(&format!("{command} {named}"));
            assert!(values(&document) == expected, "{command} {named}");
            assert_eq!(document["inputs"].as_array().unwrap().len(), 2, "{command} {named}");
        }
    }
    // A pair named by both its files is one capture of the batch.
    let batch = bench.json("batch hum_CH1.csv hum_CH2.csv");
    for (field, count) in [("captures", 1), ("ranking", 2), ("inputs", 2)] {
        assert_eq!(batch[field].as_array().unwrap().len(), count, "{field}");
    }
}

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    let [one, two] = [1, 2].map(|threads| studio_bench().threads(threads));
    for (command, arguments) in COMMANDS {
        let [first, second] = [&one, &two].map(|bench| bench.done(&format!("{arguments} --json")));
        assert!(first.out == second.out, "{command}");
        assert_eq!(first.err, second.err, "{command}");
    }
}

#[test]
fn settings_given_are_the_settings_in_force() {
    let bench = studio_bench();
    let document = bench.json("bands on.csv --rbw 1k --window hft95 --overlap 0.75 --range 9k:100k --high-pass off --mains 50 --wire 2 --air 1 --bands 9k,30k,100k");
    let settings = &document["settings"];
    for (field, value) in
        [("rbw_hz", 1e3), ("overlap", 0.75), ("range_low_hz", 9e3), ("range_high_hz", 100e3), ("mains_hz", 50.0)]
    {
        assert_eq!(settings[field], value, "{field}");
    }
    assert!(settings["high_pass_hz"].is_null() && settings["window"] == "hft95" && settings["wire"] == "2");
    assert!(settings["enbw_hz"].as_f64().unwrap() <= 1e3 && settings["bands"] == "9000,30000,100000");
    let channels: Vec<_> = each(&document["captures"][0], "channels").collect();
    assert!(channels[0]["role"] == "wire" && channels[0]["name"] == "Air" && channels[1]["name"] == "Wire");
    assert_eq!(document["captures"][0]["sample_rate_hz"], RATE);
}

/// The rows of a CSV artefact, each a map from the header's names.
fn rows(bytes: &[u8]) -> Vec<std::collections::HashMap<String, String>> {
    csv::Reader::from_reader(bytes).deserialize().map(Result::unwrap).collect()
}

#[test]
fn a_budget_is_a_table_of_its_own() {
    let bench = studio_bench();
    bench.done("setup --new -o chain.toml");
    let setup = bench.json("setup chain.toml");
    let wire = each(&setup, "channels").find(|channel| channel["role"] == "wire").unwrap();
    has(wire, &["about", "unit", "parts", "low_hz", "high_hz"]);
    for correction in each(wire, "corrections") {
        has(correction, &["frequency_hz", "correction_db", "standard_uncertainty_db"]);
    }

    for (command, result) in [
        ("bands on.csv", "level"),
        ("compare --before on.csv --after filtered.csv", "change"),
        ("added --off off.csv --on on.csv", "added"),
    ] {
        bench.done(&format!("{command} --setup chain.toml --budget -o budget.csv --force"));
        let found = rows(&bench.read("budget.csv"));
        let of_wire: Vec<_> = found.iter().filter(|row| row["role"] == "wire" && row["result"] == result).collect();
        let value =
            |row: &&std::collections::HashMap<String, String>| row["standard_uncertainty_db"].parse::<f64>().unwrap();
        let parts = of_wire.iter().filter(|row| !row["evaluation"].is_empty() && row["cancelled"] == "false");
        // JCGM 100:2008, 5.1.2: the combined uncertainty is the root of the sum of squares of sensitivity times uncertainty.
        let squares: f64 = parts.map(|row| (value(row) * row["sensitivity"].parse::<f64>().unwrap()).powi(2)).sum();
        let combined = of_wire.iter().find(|row| row["contribution"] == "combined").map(value).unwrap();
        assert!((squares.sqrt() - combined).abs() < 1e-9 * combined.max(1e-3), "{command}: {squares} {combined}");
        let probe = of_wire.iter().find(|row| row["contribution"] == "probe").unwrap();
        assert_eq!(probe["cancelled"] == "true", result == "change", "{command}");
    }
}

#[test]
fn a_comparison_with_the_load_off_says_what_the_filter_does_to_the_load() {
    let bench = studio_bench();
    let arguments = "compare --off off.csv --before on.csv --after filtered.csv --bands wide";
    let document = bench.json(arguments);
    let load = &channel(&document, "wire")["load"]["bands"];
    bench.done(&format!("{arguments} -o three.csv"));
    let table = rows(&bench.read("three.csv"));
    let told: Vec<_> = table.iter().filter(|row| row["role"] == "wire" && !row["load_change_db"].is_empty()).collect();
    assert!(!told.is_empty());
    for (row, band) in table.iter().filter(|row| row["role"] == "wire").zip(load.as_array().unwrap()) {
        assert_eq!(row["load_change_db"].parse::<f64>().ok(), band["change_db"].as_f64());
    }
    let text = bench.done(arguments).out;
    assert!(text.contains("On the wire what the load itself adds in") || text.contains("load's own noise"), "{text}");
}

#[test]
fn standard_input_is_a_capture_like_any_file() {
    let bench = Bench::with(&[("lamp.csv", &*ON), ("off.csv", &*OFF)]);
    for command in ["inspect", "bands", "batch"] {
        let piped = bench.run_fed("lamp.csv", &format!("{command} - --json"));
        assert_eq!(piped.status, 0, "{command}: {}", piped.err);
        let (piped, named) = (piped.json(), bench.json(&format!("{command} lamp.csv")));
        let captures = |document: &serde_json::Value| document["captures"][0]["channels"].clone();
        assert_eq!(captures(&piped), captures(&named), "{command}");
        assert_eq!(piped["inputs"][0]["path"], "standard input", "{command}");
        assert_eq!(piped["inputs"][0]["sha256"], named["inputs"][0]["sha256"], "{command}");
    }
    assert_eq!(bench.run_fed("lamp.csv", "compare --before off.csv --after -").status, 0);
    let twice = bench.run_fed("lamp.csv", "compare --before - --after -");
    assert!(twice.status == 2 && twice.err.contains("2 times") && twice.out.is_empty(), "{}", twice.err);
    let empty = bench.run("inspect -");
    assert!(empty.status == 2 && empty.err.contains("standard input: is empty"), "{}", empty.err);
}
