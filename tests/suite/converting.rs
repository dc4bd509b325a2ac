//! `convert`: what is written reads back the same, in every container, and by readers that are not ours.

use std::collections::HashMap;
use std::fs;
use std::io::{self, Cursor, Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Arc, Mutex};

use linewake::analysis::convert::{Conversion, Wanted, convert};
use linewake::analysis::settings::Settings;
use linewake::capture::Header;
use linewake::error::Error;
use linewake::read::{FORMATS, Origin, ReadOptions, Source, open};
use linewake::write::{Folder, Samples, Sink, WRITERS, Writer};
use proptest::prelude::*;

/// A folder in memory: files are written into it and read from it.
#[derive(Debug, Clone, Default)]
struct Shelf(Arc<Mutex<HashMap<String, Vec<u8>>>>);

/// A file of the shelf while it is written.
struct Leaf {
    shelf: Shelf,
    name: String,
    cursor: Cursor<Vec<u8>>,
}

impl Write for Leaf {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.cursor.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.shelf.put(&self.name, self.cursor.get_ref());
        Ok(())
    }
}

impl Seek for Leaf {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.cursor.seek(to)
    }
}

impl Folder for Shelf {
    fn create(&mut self, name: &str) -> io::Result<Box<dyn Sink>> {
        Ok(Box::new(Leaf { shelf: self.clone(), name: name.to_owned(), cursor: Cursor::default() }))
    }
}

/// A file of the shelf while it is read.
struct Book {
    shelf: Shelf,
    name: String,
}

impl Origin for Book {
    fn name(&self) -> &str {
        &self.name
    }

    fn byte_count(&self) -> io::Result<u64> {
        self.shelf.get(&self.name).map(|bytes| bytes.len() as u64).ok_or(io::ErrorKind::NotFound.into())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let mut cursor = Cursor::new(self.shelf.get(&self.name).ok_or(io::ErrorKind::NotFound)?);
        cursor.set_position(position);
        Ok(Box::new(cursor))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        self.shelf.get(name).map(|_| self.shelf.source(name))
    }
}

impl Shelf {
    fn put(&self, name: &str, bytes: &[u8]) {
        self.0.lock().unwrap().insert(name.to_owned(), bytes.to_owned());
    }

    fn get(&self, name: &str) -> Option<Vec<u8>> {
        self.0.lock().unwrap().get(name).cloned()
    }

    fn text(&self, name: &str) -> String {
        String::from_utf8(self.get(name).unwrap()).unwrap()
    }

    fn source(&self, name: &str) -> Source {
        Source::new(Book { shelf: self.clone(), name: name.to_owned() })
    }

    /// Converts one file of the shelf into another.
    fn convert(&self, from: &str, to: &str, settings: &Settings) -> Result<Conversion, Error> {
        self.convert_to(from, to, settings, None, false)
    }

    fn convert_to(
        &self,
        from: &str,
        to: &str,
        settings: &Settings,
        samples: Option<Samples>,
        lossy: bool,
    ) -> Result<Conversion, Error> {
        let writer = Writer::of_ending(to.rsplit('.').next().unwrap()).unwrap();
        let wanted = Wanted { writer, name: to, samples, lossy, command: "linewake convert" };
        convert(&self.source(from), settings, &wanted, &mut self.clone(), || self.source(to), &|_| {})
    }
}

/// All that is kept of a capture, to the bit.
#[derive(Debug, PartialEq)]
struct Kept {
    channels: Vec<linewake::capture::Channel>,
    clock: [u64; 3],
    rate_source: linewake::capture::RateSource,
    samples: Vec<Vec<u64>>,
}

fn kept(source: &Source, options: &ReadOptions) -> Result<Kept, Error> {
    let mut recording = open(source, options)?;
    let mut samples = vec![Vec::new(); recording.header().channels.len()];
    while let Some(block) = recording.next_block()? {
        for (at, channel) in samples.iter_mut().enumerate() {
            channel.extend(block.channel(at).iter().map(|sample| sample.to_bits()));
        }
    }
    let Header { channels, clock, .. } = recording.header().clone();
    let numbers = [clock.rate.get(), clock.relative_uncertainty, clock.start_s];
    Ok(Kept { channels, clock: numbers.map(f64::to_bits), rate_source: clock.source, samples })
}

/// The endings of all containers that this build can read back.
fn endings() -> Vec<&'static str> {
    let readable = WRITERS.iter().filter(|writer| FORMATS.iter().any(|format| format.name == writer.name));
    readable.flat_map(|writer| writer.extensions).copied().collect()
}

fn settings(rate: Option<&str>) -> Settings {
    let read = ReadOptions { sample_rate: rate.map(|rate| rate.parse().unwrap()), ..ReadOptions::default() };
    Settings { read, ..Settings::default() }
}

/// Every fixture that can be read goes into every container and reads back the same to the last bit.
#[test]
fn every_fixture_survives_every_container() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/captures");
    let shelf = Shelf::default();
    let mut names: Vec<String> = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        // Beside its partner the other one is converted as a part of the pair, and would not be what `open` gives.
        if name == "pair-CH2.csv" {
            continue;
        }
        shelf.put(&name, &fs::read(entry.path()).unwrap());
        names.push(name);
    }
    names.sort();
    let (mut captures, mut families) = (0, HashMap::new());
    for name in &names {
        // One word for all: files that state a rate get it from the option as well.
        let settings = [settings(None), settings(Some("250k"))]
            .into_iter()
            .find(|settings| kept(&shelf.source(name), &settings.read).is_ok());
        let Some(settings) = settings else { continue };
        let before = kept(&shelf.source(name), &settings.read).unwrap();
        captures += 1;
        *families.entry(open(&shelf.source(name), &settings.read).unwrap().header().format).or_insert(0) += 1;
        for ending in endings() {
            let to = format!("{name}.out.{ending}");
            let most = Writer::of_ending(ending).unwrap();
            match shelf.convert(name, &to, &settings) {
                Ok(conversion) => {
                    assert!(conversion.read_back, "{to}");
                    assert_eq!(kept(&shelf.source(&to), &ReadOptions::default()).unwrap(), before, "{to}");
                }
                // More channels than a container holds, or an array that would lie on its side.
                Err(error) => {
                    let wide = before.channels.len() > 20 && most.name != "csv" && most.name != "comtrade";
                    assert!(wide, "{to}: {error}");
                }
            }
        }
    }
    assert!(captures > 50, "only {captures} captures read");
    for family in ["csv", "npy", "wav", "comtrade"] {
        assert!(families.get(family).is_some_and(|count| *count >= 4), "{family}: {families:?}");
    }
}

/// There and back through one container after the other: text, array, wave, record, raw, text.
#[test]
fn a_long_way_ends_where_it_began() {
    let shelf = Shelf::default();
    let text =
        "Time (s),Wire (V),Air (V/m)\n-0.0000040,0.1,-0\n0.0000000,0.30000000000000004,5e-324\n0.0000040,9e37,-2e-8\n";
    shelf.put("a.csv", text.as_bytes());
    let before = kept(&shelf.source("a.csv"), &ReadOptions::default()).unwrap();
    let way = ["a.csv", "b.npy", "c.wav", "d.cff", "e.raw", "f.cfg", "g.csv"];
    for pair in way.windows(2) {
        shelf.convert(pair[0], pair[1], &settings(None)).unwrap();
        assert_eq!(kept(&shelf.source(pair[1]), &ReadOptions::default()).unwrap(), before, "{}", pair[1]);
    }
    assert!(shelf.text("g.csv").starts_with("Time (s),Wire (V),Air (V/m)\n"));
}

#[test]
fn the_smallest_type_that_keeps_every_bit_is_taken() {
    let shelf = Shelf::default();
    let csv = |values: [f64; 4]| {
        let rows = values.iter().enumerate().map(|(k, value)| format!("{k}e-6,{value}\n"));
        format!("Time (s),Wire (V)\n{}", rows.collect::<String>())
    };
    let types = |values: [f64; 4], expected: [&str; 4]| {
        shelf.put("x.csv", csv(values).as_bytes());
        for (ending, expected) in ["npy", "wav", "cfg", "csv"].into_iter().zip(expected) {
            let done = shelf.convert("x.csv", &format!("x.{ending}.{ending}"), &settings(None)).unwrap();
            assert_eq!(done.sample_type, expected, "{values:?} as {ending}");
        }
    };
    // Quarters are whole numbers of a record's own step; volts are no codes, so that other containers float.
    types([0.25, -0.5, 3.0, 100.0], ["f32", "f32", "i16", "text"]);
    // One and 2^-30 need 31 bits of a whole number, but 24 of each floating point.
    types([1.0, 2f64.powi(-30), -1.0, 0.0], ["f32", "f32", "f32", "text"]);
    types([0.1, 0.2, 0.3, -0.4], ["f64", "f64", "text", "text"]);
    // 2^24 + 1 is the first whole number that 24 bits of mantissa miss.
    types([16_777_217.0, 1.0, 2.0, 3.0], ["f64", "f64", "i32", "text"]);
    let record = shelf.text("x.cfg.cfg");
    assert!(record.contains("\r\n1,Wire,,,V,1,0,0,-2147483647,2147483647,1,1,P\r\n"), "{record}");
}

#[test]
fn rounding_is_refused_unless_it_is_asked_for() {
    let shelf = Shelf::default();
    shelf.put("x.csv", b"Time (s),Wire (V)\n0e-6,0.1\n1e-6,0.7\n2e-6,-0.3\n");
    let to = |name: &str, samples, lossy| shelf.convert_to("x.csv", name, &settings(None), Some(samples), lossy);
    let refused = to("x.npy", Samples::F32, false).unwrap_err().to_string();
    assert!(refused.contains("rounding") && refused.contains("--lossy"), "{refused}");
    // Half a unit in the last place of 24 bits, for a number between one half and one.
    let rounded = to("x.npy", Samples::F32, true).unwrap();
    let deviation = rounded.channels[0].largest_deviation;
    assert!(deviation > 0.0 && deviation <= 2f64.powi(-25), "{deviation}");
    // 16 bits over ±1: half a step of 2^-15.
    let rounded = to("x.cfg", Samples::I16, true).unwrap();
    assert!(rounded.channels[0].largest_deviation <= 2f64.powi(-16), "{:?}", rounded.channels);
    let refused = to("y.csv", Samples::F32, true).unwrap_err().to_string();
    assert!(refused.contains("csv has no such samples"), "{refused}");
    // A text would stand for infinity there.
    shelf.put("x.raw", [1e300f64, 0.7, -0.3].map(f64::to_le_bytes).as_flattened());
    shelf.put("x.raw.toml", b"[raw]\ntype = \"f64\"\nrate = 1e6\n");
    let refused = shelf.convert_to("x.raw", "y.npy", &settings(None), Some(Samples::F32), true).unwrap_err();
    assert!(refused.to_string().contains("beyond what npy holds"), "{refused}");
}

/// What names and numbers can be is kept in every container, or refused; never changed.
#[test]
fn odd_names_units_and_clocks_are_kept() {
    let shelf = Shelf::default();
    let doubles = |values: &[f64]| values.iter().flat_map(|value| value.to_le_bytes()).collect::<Vec<u8>>();
    shelf.put("x.raw", &doubles(&[0.1, -0.0, 5e-324, 9e37, -1e-310, 99_999.0, 99_998.7, -1e37]));
    for names in [["a,b", "c\\\"d"], ["2", "1"], ["same", "same"], ["Zeile\\n2", "µ Ω"], ["Frequency", "Time"]] {
        let sidecar = format!(
            "[raw]\ntype = \"f64\"\nchannels = 2\n[read]\nsample-rate = 96000.00000000001\nrate-source = \"time_column\"\n\
             rate-uncertainty = 2.5e-7\nstart = -0.125\nnames = [\"{}\", \"{}\"]\nunits = [\"V/m\", \"full scale\"]\n\
             roles = [\"air\", \"other\"]\n",
            names[0], names[1]
        );
        shelf.put("x.raw.toml", sidecar.as_bytes());
        let before = kept(&shelf.source("x.raw"), &ReadOptions::default()).unwrap();
        assert_eq!(f64::from_bits(before.clock[0]), 96000.00000000001);
        assert_eq!(before.samples[1][0], (-0.0f64).to_bits());
        for ending in endings() {
            let to = format!("y.{ending}");
            shelf.convert("x.raw", &to, &settings(None)).unwrap_or_else(|error| panic!("{names:?} {to}: {error}"));
            assert_eq!(kept(&shelf.source(&to), &ReadOptions::default()).unwrap(), before, "{names:?} {to}");
        }
    }
}

#[test]
fn lists_that_do_not_fit_the_channels_are_refused_with_their_place() {
    let shelf = Shelf::default();
    shelf.put("x.csv", b"Time (s),Wire (V)\n0e-6,0.1\n1e-6,0.7\n2e-6,-0.3\n");
    for (line, told) in [
        ("names = [\"a\", \"b\"]", "x.csv.toml:2:9: names of [read]: 2 entries; expected 1, one for each channel"),
        ("units = [\"mV\"]", "x.csv.toml:2:9: units of [read]: \"mV\""),
        ("roles = \"hum\"", "x.csv.toml:2:9: roles of [read]: \"hum\"; expected roles out of: wire, air, other"),
        ("rate-uncertainty = -1", "rate-uncertainty of [read]: -1; expected zero or more"),
        ("alone = 1", "alone of [read]: a value of the kind integer; expected true or false"),
    ] {
        shelf.put("x.csv.toml", format!("[read]\n{line}\n").as_bytes());
        let error = kept(&shelf.source("x.csv"), &ReadOptions::default()).unwrap_err().to_string();
        assert!(error.contains(told), "{line}: {error}");
    }
}

/// Options of the folder do not touch what was converted: they have been put on it already.
#[test]
fn a_converted_file_stands_alone() {
    let shelf = Shelf::default();
    shelf.put("x.csv", b"Time (s),Wire (V)\n0e-6,0.1\n1e-6,0.7\n2e-6,-0.3\n");
    shelf.put("linewake.toml", b"[[read]]\nscale = 0.5\n");
    let before = kept(&shelf.source("x.csv"), &ReadOptions::default()).unwrap();
    assert_eq!(f64::from_bits(before.samples[0][0]), 0.05);
    shelf.convert("x.csv", "y.csv", &settings(None)).unwrap();
    assert_eq!(kept(&shelf.source("y.csv"), &ReadOptions::default()).unwrap(), before);
    assert!(shelf.text("y.csv.toml").contains("multiplied by 0.5"));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any finite bits, in every container.
    #[test]
    fn any_bits_survive(
        bits in prop::collection::vec(any::<u64>(), 6..60),
        single in any::<bool>(),
        small in any::<bool>(),
        rate in 1e-3f64..1e9,
    ) {
        let value = |bits: u64| {
            let value = f64::from_bits(bits);
            let value = if small && value.abs() > 1e37 { 1.0 / value } else { value };
            let value = if single { f64::from(value as f32) } else { value };
            if value.is_finite() { value } else { -0.0 }
        };
        // Two channels: a value without its partner is no sample.
        let bits = &bits[..bits.len() / 2 * 2];
        let shelf = Shelf::default();
        let bytes = bits.iter().flat_map(|bits| value(*bits).to_le_bytes()).collect::<Vec<u8>>();
        shelf.put("x.raw", &bytes);
        let sidecar = format!("[raw]\ntype = \"f64\"\nchannels = 2\n[read]\nsample-rate = {rate:e}\nnames = [\"a\", \"b\"]\nunits = [\"V\", \"V\"]\n");
        shelf.put("x.raw.toml", sidecar.as_bytes());
        let before = kept(&shelf.source("x.raw"), &ReadOptions::default()).unwrap();
        for ending in ["csv", "npy", "wav", "cfg", "cff", "raw"] {
            let to = format!("y.{ending}");
            // Text has numbers that stand for infinity, so that the largest ones are refused there.
            if ending == "csv" && bits.iter().any(|bits| value(*bits).abs() > 9.8e37) {
                let refused = shelf.convert("x.raw", &to, &settings(None)).unwrap_err().to_string();
                prop_assert!(refused.contains("csv cannot hold these samples without loss"), "{refused}");
                continue;
            }
            shelf.convert("x.raw", &to, &settings(None)).map_err(|error| TestCaseError::fail(format!("{to}: {error}")))?;
            prop_assert_eq!(&kept(&shelf.source(&to), &ReadOptions::default()).unwrap(), &before);
        }
    }
}

/// A reader that is not ours takes the records: the crate `comtrade` by its own rules, of the data those in text; the
/// others are read by the Python package of that name (`fixtures/reference/check_converted.py`).
#[test]
fn another_reader_takes_the_records() {
    use comtrade::ComtradeParserBuilder;
    let shelf = Shelf::default();
    for (values, kind) in [([0.25, -0.5, 3.0], "i16"), ([1.0, 0.1, -7.5e-9], "text")] {
        let rows = values.iter().enumerate().map(|(k, value)| format!("{k}e-6,{value},{}\n", -value));
        let text = format!("Time (s),Wire (V),Air (V)\n{}", rows.collect::<String>());
        shelf.put("x.csv", text.as_bytes());
        assert_eq!(shelf.convert("x.csv", "x.cfg", &settings(None)).unwrap().sample_type, kind);
        // The standard ends lines with CR LF (from memory); this crate takes the CR for a part of the number before it.
        let configuration = shelf.text("x.cfg").replace("\r\n", "\n").into_bytes();
        let data = match kind {
            "text" => shelf.text("x.dat").replace("\r\n", "\n").into_bytes(),
            _ => shelf.get("x.dat").unwrap(),
        };
        let record = ComtradeParserBuilder::new()
            .cfg_file(Cursor::new(configuration))
            .dat_file(Cursor::new(data))
            .build()
            .parse()
            .unwrap();
        assert_eq!(record.sampling_rates[0].rate_hz, 1e6);
        assert_eq!(record.analog_channels.len(), 2);
        for (channel, sign) in record.analog_channels.iter().zip([1.0, -1.0]) {
            // Quarters are whole numbers of a quarter.
            assert_eq!((channel.multiplier, channel.offset_adder), (if kind == "i16" { 0.25 } else { 1.0 }, 0.0));
            if kind == "text" {
                assert_eq!(channel.data, values.map(|value| sign * value));
            }
        }
    }
}

/// `hound` itself reads what it did not write: floating point of 32 bits and whole numbers by its own decoder.
#[test]
fn hound_reads_whole_numbers_and_floats() {
    let shelf = Shelf::default();
    shelf.put("x.csv", b"Time (s),Wire (V)\n0e-6,0.5\n1e-6,-0.25\n2e-6,0.75\n");
    for (samples, bits) in [(Samples::I16, 16), (Samples::I24, 24), (Samples::I32, 32)] {
        shelf.convert_to("x.csv", "x.wav", &settings(None), Some(samples), false).unwrap();
        let mut wave = hound::WavReader::new(Cursor::new(shelf.get("x.wav").unwrap())).unwrap();
        assert_eq!((wave.spec().bits_per_sample, wave.spec().sample_rate), (bits, 1_000_000));
        let full = 2f64.powi(i32::from(bits) - 1);
        let codes: Vec<f64> = wave.samples::<i32>().map(|code| f64::from(code.unwrap()) / full).collect();
        assert_eq!(codes, [0.5, -0.25, 0.75]);
    }
}

#[cfg(feature = "cli")]
mod program {
    use crate::program::Bench;

    const TEXT: &[u8] = b"Time (s),Wire (V)\n0e-6,0.5\n1e-6,-0.25\n2e-6,0.75\n";

    #[test]
    fn both_files_appear_or_none() {
        let bench = Bench::with(&[("x.csv", TEXT)]);
        let told = bench.done("convert x.csv y.cfg").out;
        assert!(told.contains("every sample has the same bits"), "{told}");
        assert_eq!(bench.names(), ["x.csv", "y.cfg", "y.cfg.toml", "y.dat"]);
        assert!(
            String::from_utf8(bench.read("y.cfg.toml")).unwrap().contains("command = \"linewake convert x.csv y.cfg\"")
        );
        // A record whose configuration cannot be what it was leaves nothing behind.
        let refused = bench.run("convert x.csv z.npy --samples i16");
        assert!(refused.status == 2 && refused.err.contains("--lossy"), "{}", refused.err);
        assert_eq!(bench.names(), ["x.csv", "y.cfg", "y.cfg.toml", "y.dat"]);
        let document = bench.json("convert y.cfg back.wav");
        assert_eq!((&document["sample_type"], &document["read_back"]), (&"f32".into(), &true.into()));
        assert_eq!(document["files"], serde_json::json!(["back.wav", "back.wav.toml"]));
    }

    /// There and back by the program; and the table alone, without its sidecar, says the same of itself.
    #[cfg(feature = "columnar")]
    #[test]
    fn a_table_in_columns_comes_back_the_same() {
        let text = b"Time (s),Lamp (mV),Air (V/m)\n-0.000004,0.1,-0\n0.000000,0.3,2e-8\n0.000004,99,-7\n";
        let bench = Bench::with(&[("x.csv", text)]);
        bench.done("convert x.csv y.parquet");
        let samples = |name: &str| {
            use linewake::read::{Bytes, ReadOptions, Source, open};
            let mut recording =
                open(&Source::new(Bytes::new(name, bench.read(name))), &ReadOptions::default()).unwrap();
            let (channels, clock) = (recording.header().channels.clone(), recording.header().clock);
            let bits = |x: f64| x.to_bits();
            let mut samples = Vec::new();
            while let Some(block) = recording.next_block().unwrap() {
                samples.extend(block.samples.iter().map(|sample| sample.to_bits()));
            }
            let clock = [clock.rate.get(), clock.start_s, clock.relative_uncertainty].map(bits);
            (channels, clock, samples)
        };
        // Read from memory there is no sidecar.
        assert_eq!(samples("y.parquet"), samples("x.csv"));
        bench.done("convert y.parquet z.csv");
        let document = bench.json("convert z.csv w.parquet");
        assert_eq!((&document["read_back"], &document["sample_type"]), (&true.into(), &"f64".into()));
        assert_eq!(samples("w.parquet"), samples("x.csv"));
    }

    #[test]
    fn nothing_is_replaced_unasked() {
        let bench = Bench::with(&[("x.csv", TEXT), ("y.dat", b"precious")]);
        for (arguments, told) in [
            ("convert x.csv x.csv --force", "is the capture itself"),
            ("convert x.csv ./x.csv --force", "is the capture itself"),
            ("convert x.csv y.cfg", "y.dat: is there already"),
            ("convert x.csv y.txt", "the ending \".txt\" of the output names no container"),
            ("convert x.csv nowhere/y.npy", "there is no folder"),
            ("convert x.csv y.foo --format comtrade", "ends in .cfg"),
        ] {
            let refused = bench.run(arguments);
            assert!(refused.status == 2 && refused.err.contains(told), "{arguments}: {}", refused.err);
            assert_eq!(bench.names(), ["x.csv", "y.dat"], "{arguments}");
        }
        bench.done("convert x.csv y.cfg --force");
        assert_ne!(bench.read("y.dat"), b"precious");
        assert_eq!(bench.read("x.csv"), TEXT);
    }
}
