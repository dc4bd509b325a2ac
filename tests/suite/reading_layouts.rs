//! Every layout of text captures: rate, start, names, units, roles and every sample to the last digit.
//!
//! The numbers of the fixtures follow a rule (see fixtures/README.md), so that the expectation is computed here and
//! never copied from what the reader gives.

use std::io::{self, Read};
use std::sync::Arc;

use linewake::capture::{Header, Quantity, RateSource, Recording, Role};
use linewake::error::Error;
use linewake::read::{Bytes, Origin, ReadOptions, Source, find_partner, open, open_pair};
use linewake::units::Hertz;

/// The reader's rate against the rate that the fixture was made with.
const RATE_TOLERANCE: f64 = 1e-9;

const ROWS: i64 = 20;

fn fixture(name: &str) -> Source {
    let path = format!("{}/fixtures/{name}", env!("CARGO_MANIFEST_DIR"));
    Source::new(Bytes::new(name, std::fs::read(path).unwrap()))
}

/// All samples of a recording, one vector a channel, and its header at the end.
pub(crate) fn drain(mut recording: Box<dyn Recording>) -> Result<(Header, Vec<Vec<f64>>), Error> {
    let mut samples = vec![Vec::new(); recording.header().channels.len()];
    let mut count = 0;
    while let Some(block) = recording.next_block()? {
        assert_eq!(block.first, count, "blocks follow one another");
        assert!(!block.is_empty(), "blocks are never empty");
        count += block.len() as u64;
        for (channel, all) in samples.iter_mut().enumerate() {
            all.extend_from_slice(block.channel(channel));
        }
    }
    Ok((recording.header().clone(), samples))
}

/// Sample k of the first channel, in units of 20 mV.
fn wire(k: i64) -> f64 {
    format!("{}e-2", (7 * k % 11 - 5) * 2).parse().unwrap()
}

/// Sample k of the second channel, in units of 4 mV.
fn air(k: i64) -> f64 {
    format!("{}e-3", (5 * k % 13 - 6) * 4).parse().unwrap()
}

struct Case {
    file: &'static str,
    rate: f64,
    /// Relative; the rounding of the column where that is coarser than the usual tolerance.
    tolerance: f64,
    start: f64,
    source: RateSource,
    names: [&'static str; 2],
}

fn case(file: &'static str, rate: f64, start: f64, source: RateSource, names: [&'static str; 2]) -> Case {
    Case { file, rate, tolerance: RATE_TOLERANCE, start, source, names }
}

fn check(case: &Case, options: &ReadOptions) {
    let file = case.file;
    let (header, samples) =
        open(&fixture(&format!("captures/{file}")), options).and_then(drain).unwrap_or_else(|e| panic!("{file}: {e}"));
    let clock = header.clock;
    assert!((clock.rate.get() / case.rate - 1.0).abs() <= case.tolerance, "{file}: {} Hz", clock.rate.get());
    assert!((clock.start_s - case.start).abs() <= 1e-9, "{file}: starts at {}", clock.start_s);
    assert_eq!(clock.source, case.source, "{file}: {:?}", header.reading);
    let count = case.names.iter().filter(|name| !name.is_empty()).count();
    let known: Vec<_> = header.channels.iter().filter(|channel| channel.role != Role::Other).collect();
    assert_eq!(known.len(), count, "{file}: {:?}", header.channels);
    for ((channel, name), role) in known.iter().zip(case.names).zip([Role::Wire, Role::Air]) {
        assert_eq!((channel.name.as_str(), channel.role), (name, role), "{file}");
        assert_eq!(channel.quantity, Quantity::Unit("V".into()), "{file}");
    }
    let truth: [fn(i64) -> f64; 2] = [wire, air];
    for (channel, truth) in samples.iter().zip(truth).take(count) {
        assert_eq!(*channel, (0..ROWS).map(truth).collect::<Vec<_>>(), "{file}");
    }
}

#[test]
fn every_layout_reads_right() {
    use RateSource::{Header as Stated, TimeColumn};
    let both = ["CH1", "CH2"];
    let one = ["CH1", ""];
    let cases = [
        case("a-left-metadata.csv", 250e3, -4e-5, Stated, one),
        case("b-index-start-increment.csv", 200e3, -2.4e-3, Stated, both),
        case("c-start-increment.csv", 500e3, -1.2e-3, Stated, both),
        case("d-bare-numbers.csv", 2e6, -250e-6, TimeColumn, ["1", "2"]),
        case("f-preamble.csv", 1e6, 0.0, Stated, one),
        case("g-marker-line.csv", 500e3, -8e-3, Stated, one),
        case("h-comment-preamble.csv", 500e3, -4e-3, Stated, ["Channel 1", "Channel 2"]),
        case("i-semicolon-comments.csv", 1e6, -2e-3, Stated, both),
        case("j-long-preamble.csv", 25e6, -2e-4, Stated, both),
        case("m-in-units.csv", 1e6, -1e-3, TimeColumn, ["C1", "C2"]),
        case("n-units-row.csv", 500e3, -10.00012e-3, TimeColumn, ["Channel A", "Channel B"]),
        case("n-decimal-comma.csv", 500e3, -10.5e-6, TimeColumn, ["Kanal A", "Kanal B"]),
        case("o-sections.txt", 250e3, 0.0, Stated, ["Wire", "Air"]),
        case("p-quoted.csv", 500e3, 0.0, TimeColumn, ["WIRE", "AIR"]),
        case("q-tabs.tsv", 250e3, 0.0, TimeColumn, ["lamp off", "lamp off, air"]),
        case("q-wide.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-byte-order-mark.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-crlf.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-cr.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-crcrlf.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-utf16.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-latin1-micro.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-blank-lines.csv", 250e3, 0.0, TimeColumn, both),
        case("odd-trailing-separators.csv", 250e3, 0.0, TimeColumn, both),
    ];
    for case in &cases {
        check(case, &ReadOptions::default());
    }
}

#[test]
fn coarse_times_give_the_rate_within_their_rounding() {
    let both = ["CH1", "CH2"];
    // Single precision near 0.01 s moves a time by 5e-10 s; the record spans 38 µs.
    let single = Case { tolerance: 3e-5, ..case("e-single-precision.csv", 500e3, -0.01, RateSource::TimeColumn, both) };
    // Five decimals: 5 µs at either end of 57 µs.
    let rounded = Case { tolerance: 0.2, ..case("q-rounded-times.csv", 1e6 / 3.0, 0.0, RateSource::TimeColumn, both) };
    for case in [single, rounded] {
        check(&case, &ReadOptions::default());
    }
}

#[test]
fn options_settle_what_the_file_leaves_open() {
    let both = ["CH1", "CH2"];
    let rate = Some(Hertz::new(250e3).unwrap());
    check(
        &case("q-no-time.csv", 250e3, 0.0, RateSource::Option, both),
        &ReadOptions { sample_rate: rate, ..Default::default() },
    );
    let unit = Some("V".to_owned());
    let unnamed = case("q-no-header.csv", 250e3, 0.0, RateSource::TimeColumn, ["channel 1", "channel 2"]);
    check(&unnamed, &ReadOptions { unit: unit.clone(), ..Default::default() });
    let names = case("q-blanks.dat", 250e3, 0.0, RateSource::TimeColumn, ["one", "two"]);
    check(&names, &ReadOptions { unit: unit.clone(), ..Default::default() });
    let segment = case("l-segment.csv", 1e7, -0.001000041, RateSource::TimeColumn, ["Ampl", ""]);
    check(&segment, &ReadOptions { unit, ..Default::default() });
    let whole = case("q-whole-times.csv", 100e3, 0.0, RateSource::TimeColumn, both);
    check(&whole, &ReadOptions { time_unit: Some("ns".into()), ..Default::default() });
    // A rate leaves only one unit for whole times: 10000 ns.
    let option = case("q-whole-times.csv", 100e3, 0.0, RateSource::Option, both);
    check(&option, &ReadOptions { sample_rate: Some(Hertz::new(100e3).unwrap()), ..Default::default() });
}

#[test]
fn names_between_blanks_are_never_shifted() {
    let cases = [
        ("Time (s)  one (V)  two (V)", ["one", "two"]),
        ("# time, one, two", ["one", "two"]),
        ("time my lamp my air", ["channel 1", "channel 2"]),
    ];
    for (names, expected) in cases {
        let text = format!("{names}\n0.000 1.5 2.5\n0.001 2.5 3.5\n0.002 2.5 3.5\n");
        let source = Source::new(Bytes::new("blanks.txt", text.into_bytes()));
        let (header, samples) = open(&source, &ReadOptions::default()).and_then(drain).unwrap();
        assert_eq!(
            header.channels.iter().map(|channel| channel.name.as_str()).collect::<Vec<_>>(),
            expected,
            "{names}"
        );
        assert_eq!(samples, [vec![1.5, 2.5, 2.5], vec![2.5, 3.5, 3.5]]);
        assert_eq!(header.clock.rate.get(), 1e3);
    }
}

#[test]
fn two_blocks_side_by_side_are_two_channels() {
    let (header, samples) =
        open(&fixture("captures/a-two-blocks.csv"), &ReadOptions::default()).and_then(drain).unwrap();
    assert_eq!(samples, [(0..ROWS).map(wire).collect::<Vec<_>>(), (0..ROWS).map(air).collect()]);
    assert_eq!(header.clock.rate.get(), 250e3);
    assert!(header.reading.iter().any(|s| s.contains("second time column")), "{:?}", header.reading);
}

#[test]
fn missing_cells_at_the_ends_are_cut_for_all_channels() {
    let source = fixture("captures/d-missing-at-the-ends.csv");
    let (header, samples) = open(&source, &ReadOptions::default()).and_then(drain).unwrap();
    assert_eq!(samples, [(2..17).map(wire).collect::<Vec<_>>(), (2..17).map(air).collect()]);
    assert!((header.clock.start_s - -249e-6).abs() < 1e-15, "{}", header.clock.start_s);
    let said: Vec<_> = header.findings.iter().filter(|f| f.code == "rows_cut").map(|f| f.message.as_str()).collect();
    assert!(said[0].starts_with("2 rows at the start") && said[1].starts_with("3 rows at the end"), "{said:?}");
}

#[test]
fn a_row_cut_in_its_middle_is_left_out() {
    let (header, samples) =
        open(&fixture("captures/odd-cut-short.csv"), &ReadOptions::default()).and_then(drain).unwrap();
    assert_eq!(samples[1], (0..ROWS - 1).map(air).collect::<Vec<_>>());
    assert!(header.findings.iter().any(|finding| finding.code == "cut_short"), "{:?}", header.findings);
}

#[test]
fn codes_stay_codes() {
    let (header, samples) = open(&fixture("captures/g-codes.csv"), &ReadOptions::default()).and_then(drain).unwrap();
    assert_eq!(header.channels[0].quantity, Quantity::Codes);
    assert_eq!(header.channels[0].name, "CH1");
    assert_eq!(samples[0], (0..ROWS).map(|k| (7 * k % 11 - 5) as f64).collect::<Vec<_>>());
    assert!(header.findings.iter().any(|finding| finding.code == "codes_without_volts"));
}

/// Rule 6 of the layouts: whole numbers far beyond what the screen can show are codes, whatever unit the header names.
#[test]
fn codes_under_a_unit_are_codes() {
    let rows: String = (0..40).map(|k| format!("{},\n", (k * 37) % 201 - 100)).collect();
    let text = |scale: &str, rows: &str| {
        let preamble = format!("Source,CH1,\nVertical Units,V,\nVertical Scale,{scale},\nSampling Period,2.000E-06,\n");
        Source::new(Bytes::new("fast.csv", format!("{preamble}Waveform Data,\n{rows}").into_bytes()))
    };
    let quantity = |source: Source| {
        let header = open(&source, &ReadOptions::default()).and_then(drain).unwrap().0;
        header.channels[0].quantity.clone()
    };
    assert_eq!(quantity(text("5.000E-02", &rows)), Quantity::Codes);
    assert_eq!(quantity(text("2.000E+01", &rows)), Quantity::Unit("V".into()));
    assert_eq!(quantity(text("5.000E-02", &rows.replace(",\n", ".5e-3,\n"))), Quantity::Unit("V".into()));
}

#[test]
fn what_is_no_capture_in_time_is_refused_with_the_reason() {
    let cases = [
        ("k-peak-detect.csv", "minimum and maximum"),
        ("k-pairs-in-rows.csv", "minimum and maximum"),
        ("s-frequency.csv", "spectrum"),
        ("s-magnitude.csv", "spectrum"),
        ("s-unit-in-cells.csv", "spectrum"),
        ("r-simulator.txt", "equal steps"),
        ("l-two-segments.csv", "--record N takes one of them, 1 to 2"),
        ("q-no-time.csv", "--sample-rate"),
        ("q-whole-times.csv", "--time-unit"),
    ];
    for (file, reason) in cases {
        let error = open(&fixture(&format!("captures/{file}")), &ReadOptions::default()).and_then(drain).err();
        let message = error.unwrap_or_else(|| panic!("{file} was read")).to_string();
        assert!(message.contains(reason) && message.contains(file), "{message}");
    }
}

#[test]
fn the_result_does_not_depend_on_the_block_size() {
    for file in ["d-missing-at-the-ends.csv", "odd-trailing-separators.csv", "n-decimal-comma.csv"] {
        let source = fixture(&format!("captures/{file}"));
        let whole = open(&source, &ReadOptions::default()).and_then(drain).unwrap();
        let small = ReadOptions { max_memory: Some(256), ..Default::default() };
        let parts = open(&source, &small).and_then(drain).unwrap();
        assert_eq!(whole.1, parts.1, "{file}");
        assert_eq!(whole.0.findings, parts.0.findings, "{file}");
    }
}

/// A folder in memory.
#[derive(Clone)]
struct Folder {
    name: String,
    files: Arc<Vec<(String, Vec<u8>)>>,
}

impl Folder {
    fn source(files: &[(&str, Vec<u8>)], name: &str) -> Source {
        let files = files.iter().map(|(name, bytes)| ((*name).to_owned(), bytes.clone())).collect();
        Source::new(Folder { name: name.to_owned(), files: Arc::new(files) })
    }

    fn bytes(&self) -> Vec<u8> {
        self.files.iter().find(|(name, _)| *name == self.name).unwrap().1.clone()
    }
}

impl Origin for Folder {
    fn name(&self) -> &str {
        &self.name
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.bytes().len() as u64)
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let bytes = self.bytes();
        Ok(Box::new(io::Cursor::new(bytes[bytes.len().min(position as usize)..].to_vec())))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        self.files
            .iter()
            .any(|(own, _)| own == name)
            .then(|| Source::new(Folder { name: name.to_owned(), ..self.clone() }))
    }
}

fn captured(name: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    fixture(&format!("captures/{name}")).open_at(0).unwrap().read_to_end(&mut bytes).unwrap();
    bytes
}

#[test]
fn the_file_of_the_other_channel_is_found() {
    let files = [("lamp-CH1.csv", captured("pair-CH1.csv")), ("lamp-CH2.csv", captured("pair-CH2.csv"))];
    // From either file the first channel is the wire.
    for name in ["lamp-CH1.csv", "lamp-CH2.csv"] {
        let pair = find_partner(&Folder::source(&files, name), &ReadOptions::default()).unwrap().unwrap();
        let (header, samples) = pair.open(&ReadOptions::default()).and_then(drain).unwrap();
        assert_eq!(samples, [(0..ROWS).map(wire).collect::<Vec<_>>(), (0..ROWS).map(air).collect()]);
        assert_eq!(header.channels.iter().map(|c| c.role).collect::<Vec<_>>(), [Role::Wire, Role::Air]);
        assert!(header.reading[0].contains("recognised"), "{:?}", header.reading);
    }
}

#[test]
fn bare_numbers_pair_only_what_names_its_sources() {
    let nameless = |name: &str| {
        let text = String::from_utf8(captured(name)).unwrap();
        let rows = text.lines().filter(|line| line.starts_with(|c: char| c.is_ascii_digit() || c == '-' || c == ' '));
        rows.map(|line| format!("{line}\n")).collect::<String>().into_bytes()
    };
    // Two repeats of one channel look just like that.
    let files = [("lamp_1.csv", nameless("pair-CH1.csv")), ("lamp_2.csv", nameless("pair-CH2.csv"))];
    assert!(find_partner(&Folder::source(&files, "lamp_1.csv"), &ReadOptions::default()).unwrap().is_none());
}

#[test]
fn files_that_do_not_belong_together_are_no_pair() {
    let own = captured("pair-CH1.csv");
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let other = text(&captured("pair-CH2.csv"));
    let shorter: String = other.lines().take(15).map(|line| format!("{line}\n")).collect();
    let slower = other.replace("0.0000", "0.0001");
    let cases = [("the same channel twice", own.clone()), ("shorter", shorter.into()), ("slower", slower.into())];
    for (what, sibling) in cases {
        let files = [("a_CH1.csv", own.clone()), ("a_CH2.csv", sibling)];
        let pair = find_partner(&Folder::source(&files, "a_CH1.csv"), &ReadOptions::default()).unwrap();
        assert!(pair.is_none(), "{what}");
    }
}

#[test]
fn a_pair_that_differs_prints_both_values() {
    let own = fixture("captures/pair-CH1.csv");
    let other = String::from_utf8(captured("pair-CH2.csv")).unwrap();
    let shorter: String = other.lines().take(15).map(|line| format!("{line}\n")).collect();
    let later = other.lines().filter(|line| !line.starts_with("0.000000")).map(|line| format!("{line}\n")).collect();
    let faster =
        format!("Second,Volt\n{}", (0..20).map(|k| format!("{:.7},0.5\n", k as f64 * 2e-6)).collect::<String>());
    let cases: [(String, [&str; 3]); 3] = [
        (shorter, ["length", "20 samples", "13 samples"]),
        (later, ["start", "0e0 s", "4e-6 s"]),
        (faster, ["interval", "4e-6 s", "2e-6 s"]),
    ];
    for (text, wanted) in cases {
        let air = Source::new(Bytes::new("air.csv", text.into_bytes()));
        let error = open_pair(&own, &air, &ReadOptions::default()).and_then(drain).unwrap_err().to_string();
        assert!(wanted.iter().all(|word| error.contains(word)), "{error}");
    }
    let two = fixture("captures/q-tabs.tsv");
    let error = open_pair(&own, &two, &ReadOptions::default()).err().unwrap().to_string();
    assert!(error.contains("2 channels"), "{error}");
}
