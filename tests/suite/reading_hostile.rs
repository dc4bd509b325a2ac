//! Broken and hostile inputs: a clear error with its place and a remedy, or the right reading. Never a crash.

use std::io::{self, Read};
use std::time::{Duration, Instant};

use linewake::error::{Error, Kind};
use linewake::read::{Bytes, Origin, ReadOptions, Source, detect, open};
use linewake::units::Hertz;

use super::reading_layouts::drain;

/// Reading any of these takes milliseconds; this bound only catches what does not end.
const PATIENCE: Duration = Duration::from_secs(2);

fn read(bytes: Vec<u8>, options: &ReadOptions) -> Result<Vec<Vec<f64>>, Error> {
    let start = Instant::now();
    let result = open(&Source::new(Bytes::new("broken.csv", bytes)), options).and_then(drain);
    assert!(start.elapsed() < PATIENCE, "took {:?}", start.elapsed());
    result.map(|(_, samples)| samples)
}

/// A sound table with one thing replaced.
fn table(from: &str, to: &str) -> Vec<u8> {
    let rows: String = (0..30).map(|k| format!("{:.6},{}.5,0.25\n", k as f64 * 4e-6, k % 7)).collect();
    let text = format!("Time (s),CH1 (V),CH2 (V)\n{rows}");
    assert!(text.contains(from), "{from}");
    text.replacen(from, to, 1).into_bytes()
}

fn with(change: impl FnOnce(&mut ReadOptions)) -> ReadOptions {
    let mut options = ReadOptions::default();
    change(&mut options);
    options
}

#[test]
fn broken_tables_say_what_is_wrong_and_where() {
    let huge = |byte: u8, count: usize| vec![byte; count];
    let numbers = |count: usize| "1,".repeat(count).into_bytes();
    let line12 = "0.000040,3.5,0.25";
    let cases: Vec<(&str, Vec<u8>, &[&str])> = vec![
        ("empty file", vec![], &["is empty"]),
        ("blanks only", b" \n\r\n \n".to_vec(), &["is empty"]),
        ("a mark only", b"\xef\xbb\xbf".to_vec(), &["is empty"]),
        ("words only", b"dear reader\nthis is a letter\n".to_vec(), &["no table of numbers"]),
        ("header only", b"Time (s),CH1 (V)\n".to_vec(), &["no table of numbers"]),
        ("one row", b"Time (s),CH1 (V)\n0,1\n".to_vec(), &["one row"]),
        ("one number", b"1".to_vec(), &["one row"]),
        ("binary", (0..=255).cycle().take(5000).collect(), &["binary"]),
        ("NUL bytes late", [table("CH1", "CH1"), huge(b'\n', 5000), vec![0; 9]].concat(), &["NUL"]),
        ("a line of 50 megabytes", huge(b'1', 50_000_000), &["first line is longer"]),
        ("a row of a million cells", numbers(1_000_000), &["first line is longer"]),
        (
            "too many columns",
            [numbers(5000), b"\n".to_vec(), numbers(5000), b"\n".to_vec()].concat(),
            &["4096 columns"],
        ),
        (
            "a huge line later",
            [table("CH1", "CH1"), huge(b'7', 3_000_000)].concat(),
            &["longer than 1048576 bytes", ":32"],
        ),
        ("asterisks", table(line12, "0.000040,****,0.25"), &[":12:10", "\"****\"", "CH1", "larger range"]),
        ("asterisks in the first row", table("0.000000,0.5", "0.000000,****"), &[":2:10", "\"****\"", "CH1"]),
        ("a letter between the rows", table("0.000040,", "dear reader\n0.000040,"), &[":12:1", "\"dear reader\""]),
        ("a word", table(line12, "0.000040,3.5,lamp"), &[":12:14", "\"lamp\"", "CH2"]),
        ("not a number", table(line12, "0.000040,nan,0.25"), &[":12", "\"nan\"", "middle of the record"]),
        ("infinity of a time", table("0.000040,", "inf,"), &[":12:1", "\"inf\""]),
        ("overflow", table(line12, "0.000040,1e999,0.25"), &[":12:10", "\"1e999\""]),
        ("hexadecimal", table(line12, "0.000040,0x10,0.25"), &[":12:10", "0x10"]),
        ("a unit in a cell", table(line12, "0.000040,3.5V,0.25"), &[":12:10", "3.5V"]),
        ("two points", table(line12, "0.000040,3.5.1,0.25"), &[":12:10", "3.5.1"]),
        ("two signs", table(line12, "0.000040,+-3,0.25"), &[":12:10", "+-3"]),
        ("decimal comma once", table(line12, "0.000040,3,5,0.25"), &[":12", "0.25"]),
        ("an empty cell", table(line12, "0.000040,,0.25"), &[":12", "empty cell"]),
        ("a cell too few", table(line12, "0.000040,3.5"), &[":12", "empty cell"]),
        ("a cell too many", table(line12, "0.000040,3.5,0.25,9"), &[":12", "\"9\""]),
        ("two rows in one", table("0.25\n0.000040", "0.250.000040"), &[":12", "gap", "8e-6"]),
        ("a word for a time", table("0.000040,", "later,"), &[":12:1", "\"later\"", "a time"]),
        ("no time", table("0.000040,", ","), &[":12:1", "empty cell"]),
        ("a gap", table("0.000040,3.5,0.25\n", ""), &[":12", "gap", "8e-6", "4e-6"]),
        ("backwards", table("0.000040,", "0.000008,"), &[":12", "back"]),
        ("a jump", table("0.000116,", "5.000000,"), &[":31", "gap"]),
        ("a time twice", table("0.000040,", "0.000036,"), &[":12", "equal steps"]),
        (
            "rows of another record",
            [table("CH1", "CH1"), table("CH1", "CH1")].concat(),
            &[":33", "2 records", "--record N"],
        ),
        (
            "a configuration of another format",
            b"studio,1,1999\n2,2A,0D\n1,A,,,V,0.1,0\n2,B,,,V,0.1,0\n50\n".to_vec(),
            &[".dat"],
        ),
        ("counts with codes", b"1,0,12\n2,250,13\n3,500,11\n4,750,17\n".to_vec(), &["--time-unit"]),
        ("standing still", b"Time (s),CH1\n1.0,2\n1.0,3\n1.0,4\n".to_vec(), &["still", "--time-column none"]),
        ("falling", b"Time (s),CH1\n3.0,2\n2.0,3\n1.0,4\n".to_vec(), &["goes back"]),
        (
            "rate zero",
            [b"Sample rate: 0 Hz\n".to_vec(), b"CH1,CH2\n1.5,2\n2.5,4\n".to_vec()].concat(),
            &["--sample-rate"],
        ),
        ("rate negative", b"Sample rate,-5\nCH1 (V),CH2 (V)\n1.5,2\n2.5,4\n".to_vec(), &["--sample-rate"]),
        ("interval absurd", b"Sample Interval,1e-400\nCH1,CH2\n1.5,2\n2.5,4\n".to_vec(), &["--sample-rate"]),
        (
            "two intervals",
            b"Sample Interval,1e-6,,2e-6\nCH1 (V),CH2 (V)\n1.5,2\n2.5,4\n".to_vec(),
            &[":1", "1e-6", "2e-6"],
        ),
        (
            "rate and interval at odds",
            b"Sample Interval,1e-6\nSample Rate,5e5\nCH1 (V),CH2 (V)\n1.5,2\n2.5,4\n".to_vec(),
            &["1e-6", "5e5", "--sample-rate"],
        ),
        (
            "header and column at odds",
            [b"Sample rate: 300000 Hz\n".to_vec(), table("CH1", "CH1")].concat(),
            &["300000 Hz", "250000", "--sample-rate"],
        ),
        ("no rate", b"CH1 (V),CH2 (V)\n0.5,1\n0.25,2\n0.125,0\n".to_vec(), &["--sample-rate", "--time-column"]),
        ("whole times", b"Time,CH1 (V)\n0,1.5\n10000,2.5\n20000,3.5\n".to_vec(), &["\"Time\"", "--time-unit"]),
        ("two ways to read a comma", b"12,5\n3,25\n7,5\n12,0\n".to_vec(), &["12,5", "--separator", "--decimal-mark"]),
        ("time only", b"Time (s)\n0.0\n0.1\n0.2\n".to_vec(), &["no column that is a channel"]),
        ("decibels", b"Time (s),CH1 (dBm)\n0.0,-10.5\n0.1,-10.25\n".to_vec(), &["dBm", "spectrum"]),
        ("segments", b"Segments,3\nSample Interval,1e-6\nCH1 (V),CH2 (V)\n0.5,1\n0.1,2\n".to_vec(), &["3 segments"]),
        ("minimum and maximum", b"Time (s),CH1 Min,CH1 Max\n0.0,1.5,2\n0.1,2.5,3\n".to_vec(), &["minimum and maximum"]),
        (
            "two time bases",
            b"Time (s),A (V),Time (s),B (V)\n0.0,1,0.0,1\n0.1,2,0.2,2\n".to_vec(),
            &["two time columns"],
        ),
    ];
    assert!(cases.len() >= 40);
    for (what, bytes, wanted) in cases {
        let error = read(bytes, &ReadOptions::default()).err().unwrap_or_else(|| panic!("{what} was read"));
        let message = error.to_string();
        assert_eq!(error.kind(), Kind::Input, "{what}: {message}");
        assert!(message.starts_with("broken.csv"), "{what}: {message}");
        for word in wanted {
            assert!(message.contains(word), "{what}: no {word:?} in: {message}");
        }
        assert!(message.len() < 1000, "{what}: {message}");
    }
}

#[test]
fn harmless_oddities_are_read_right() {
    let expected = read(table("CH1", "CH1"), &ReadOptions::default()).unwrap();
    let cases = [
        ("a footer", [table("CH1", "CH1"), b"end of record\n".to_vec()].concat()),
        ("a remark between rows", table("0.000040,", "# the lamp flickers\n0.000040,")),
        ("quotes around cells", table("0.000040,3.5,0.25", "\"0.000040\",\"3.5\",\"0.25\"")),
        ("blanks and plus signs", table("0.000040,3.5,0.25", " 0.000040 , +3.5 ,\t0.25 ")),
        ("zeros in front", table("0.000040,3.5,0.25", "00.000040,003.5,000.25")),
        ("exponents", table("0.000040,3.5,0.25", "0.000040,35E-001,2.5e-1")),
        ("no last line end", table("0.000116,1.5,0.25\n", "0.000116,1.5,0.25")),
        ("a name with a comma", table("CH1 (V)", "\"CH1, the wire (V)\"")),
        ("direction marks in a name", table("CH1", "CH\u{202e}1")),
        ("a long preamble", ["remark\n".repeat(900).into_bytes(), table("CH1", "CH1")].concat()),
    ];
    for (what, bytes) in cases {
        let samples = read(bytes, &ReadOptions::default()).unwrap_or_else(|e| panic!("{what}: {e}"));
        assert_eq!(samples, expected, "{what}");
    }
}

#[test]
fn silly_options_are_answered() {
    let rate = Some(Hertz::new(1e3).unwrap());
    let cases: [(&str, ReadOptions, Kind, &str); 10] = [
        ("separator a digit", with(|o| o.separator = Some('3')), Kind::Usage, "separator"),
        ("separator a letter", with(|o| o.separator = Some('µ')), Kind::Usage, "separator"),
        ("decimal mark a star", with(|o| o.decimal_mark = Some('*')), Kind::Usage, "--decimal-mark"),
        ("both commas", with(|o| (o.separator, o.decimal_mark) = (Some(','), Some(','))), Kind::Usage, "--separator"),
        ("a wrong separator", with(|o| o.separator = Some('|')), Kind::Input, "--separator"),
        ("a column that is not", with(|o| o.time_column = Some("9".into())), Kind::Usage, "--time-column"),
        ("column zero", with(|o| o.time_column = Some("0".into())), Kind::Usage, "--time-column"),
        ("a strange time unit", with(|o| o.time_unit = Some("weeks".into())), Kind::Usage, "--time-unit"),
        ("a strange unit", with(|o| o.unit = Some("smoots".into())), Kind::Usage, "--unit"),
        ("skip everything", with(|o| (o.skip_lines, o.sample_rate) = (Some(u64::MAX), rate)), Kind::Input, "no table"),
    ];
    for (what, options, kind, wanted) in cases {
        let error = read(table("CH1", "CH1"), &options).err().unwrap_or_else(|| panic!("{what} was taken"));
        assert_eq!(error.kind(), kind, "{what}: {error}");
        assert!(error.to_string().contains(wanted), "{what}: {error}");
    }
}

#[test]
fn options_are_obeyed() {
    let text = table("CH1", "CH1");
    let none = with(|o| (o.time_column, o.sample_rate) = (Some("none".into()), Some(Hertz::new(1e3).unwrap())));
    assert_eq!(read(text.clone(), &none).unwrap().len(), 2);
    let skip = with(|o| (o.skip_lines, o.unit) = (Some(11), Some("V".into())));
    assert_eq!(read(text.clone(), &skip).unwrap()[0].len(), 20);
    let rate = with(|o| o.sample_rate = Some(Hertz::new(1e3).unwrap()));
    let recording = open(&Source::new(Bytes::new("t.csv", text)), &rate).unwrap();
    assert_eq!(recording.header().clock.rate.get(), 1e3);
    assert!(recording.header().findings.iter().any(|finding| finding.code == "rate_overridden"));
}

#[test]
fn more_or_fewer_rows_than_promised_are_told_with_both_numbers() {
    let text = [b"Record Length,25\n".to_vec(), table("CH1", "CH1")].concat();
    let recording = open(&Source::new(Bytes::new("t.csv", text)), &ReadOptions::default()).unwrap();
    let finding = recording.header().findings.iter().find(|finding| finding.code == "row_count").unwrap();
    assert!(finding.message.contains("25") && finding.message.contains("30"), "{}", finding.message);
}

fn wav(channels: u16, rate: u32, frame_bytes: u16, bits: u16, promised: u32, data: &[u8]) -> Vec<u8> {
    let mut bytes = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0".to_vec();
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend(rate.wrapping_mul(u32::from(frame_bytes)).to_le_bytes());
    bytes.extend(frame_bytes.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(promised.to_le_bytes());
    bytes.extend(data);
    bytes
}

#[test]
fn broken_wav_files_are_refused_or_read_as_far_as_they_go() {
    let data = [1, 0, 2, 0, 3, 0, 4, 0];
    let refused = [
        ("zero channels", wav(0, 1000, 2, 16, 8, &data), "zero channels"),
        ("too many channels", wav(9999, 1000, 9999, 8, 8, &data), "9999 channels"),
        ("frames too small", wav(4, 1000, 2, 16, 8, &data), "frames of 2 bytes"),
        ("rate zero", wav(1, 0, 2, 16, 8, &data), "rate of zero"),
        ("five bytes a sample", wav(1, 1000, 5, 40, 8, &data), "5 bytes"),
        ("no frame", wav(1, 1000, 2, 16, 8, &[]), "no whole frame"),
        ("no data", b"RIFF\0\0\0\0WAVE".to_vec(), "no data"),
        ("format missing", b"RIFF\0\0\0\0WAVEdata\x04\0\0\0abcd".to_vec(), "no format"),
        ("format cut", b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0".to_vec(), "format cut short"),
        ("a chunk without end", b"RIFF\0\0\0\0WAVEjunk\xff\xff\xff\xff".to_vec(), "no data"),
        ("big-endian, cut", b"RIFX\0\0\0\0WAVEfmt ".to_vec(), "no data"),
    ];
    for (what, bytes, wanted) in refused {
        let error = read(bytes, &ReadOptions::default()).err().unwrap_or_else(|| panic!("{what} was read"));
        assert!(error.to_string().contains(wanted) && error.kind() == Kind::Input, "{what}: {error}");
    }
    let expected = [vec![1.0 / 32768.0, 3.0 / 32768.0], vec![2.0 / 32768.0, 4.0 / 32768.0]];
    // Cut in the middle of the third frame, a size of a stream that was never closed, a size that is no whole number of frames.
    for promised in [400, 0, u32::MAX, 9] {
        let bytes = wav(2, 45_146, 4, 16, promised, &[&data[..], &[9]].concat());
        let (header, samples) =
            open(&Source::new(Bytes::new("t.wav", bytes)), &ReadOptions::default()).and_then(drain).unwrap();
        assert_eq!(samples, expected, "{promised}");
        assert_eq!(header.clock.rate.get(), 45_146.0);
        assert!(header.findings.iter().any(|finding| finding.code == "cut_short"), "{promised}");
    }
}

fn npy(header: &str, data: &[u8]) -> Vec<u8> {
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend(u16::try_from(header.len()).unwrap().to_le_bytes());
    bytes.extend(header.as_bytes());
    bytes.extend(data);
    bytes
}

fn npy_of(descr: &str, shape: &str, data: &[u8]) -> Vec<u8> {
    npy(&format!("{{'descr': {descr}, 'fortran_order': False, 'shape': {shape}, }}\n"), data)
}

#[test]
fn broken_npy_files_are_refused_with_the_reason() {
    let rate = with(|o| o.sample_rate = Some(Hertz::new(1e3).unwrap()));
    let eight = 1.5f64.to_le_bytes();
    let cases = [
        ("magic only", b"\x93NUMPY".to_vec(), "cut short"),
        ("unknown version", b"\x93NUMPY\x09\x00\x01\x00{}".to_vec(), "unknown version"),
        ("a header of gigabytes", b"\x93NUMPY\x02\x00\xff\xff\xff\xff{}".to_vec(), "header of 4294967295 bytes"),
        ("a header cut", b"\x93NUMPY\x01\x00\x80\x00{'descr'".to_vec(), "ends within"),
        ("no dictionary", npy("(1, 2)", &[]), "no sound NPY header"),
        ("nesting without end", npy(&"(".repeat(9000), &[]), "nested"),
        ("objects", npy_of("'|O'", "(2,)", &eight), "objects"),
        ("quadruple precision", npy_of("'<f16'", "(2,)", &eight), "f16"),
        ("complex numbers", npy_of("'<c16'", "(2,)", &eight), "c16"),
        ("records", npy_of("[('a', '<f8')]", "(2,)", &eight), "records"),
        ("a shape beyond all", npy_of("'<f8'", "(9999999999, 9999999999)", &eight), "beyond all bounds"),
        ("a number beyond all", npy_of("'<f8'", "(99999999999999999999999,)", &eight), "beyond all bounds"),
        ("three axes", npy_of("'<f8'", "(1, 1, 1)", &eight), "[1, 1, 1]"),
        ("no axis", npy_of("'<f8'", "()", &eight), "[]"),
        ("no samples", npy_of("'<f8'", "(0, 2)", &eight), "[0, 2]"),
        ("too many channels", npy_of("'<f8'", "(100, 100)", &eight), "[100, 100]"),
        ("no numbers", npy_of("'<f8'", "(2,)", &[]), "cut short"),
        ("not a number", npy_of("'<f8'", "(1,)", &f64::NAN.to_le_bytes()), "NaN"),
    ];
    for (what, bytes, wanted) in cases {
        let error = read(bytes, &rate).err().unwrap_or_else(|| panic!("{what} was read"));
        assert!(error.to_string().contains(wanted) && error.kind() == Kind::Input, "{what}: {error}");
    }
    let no_rate = read(npy_of("'<f8'", "(1,)", &eight), &ReadOptions::default()).unwrap_err();
    assert!(no_rate.to_string().contains("--sample-rate"), "{no_rate}");
    let short = npy_of("'<f8'", "(3,)", &[eight, eight].concat());
    let (header, samples) = open(&Source::new(Bytes::new("t.npy", short)), &rate).and_then(drain).unwrap();
    assert_eq!(samples, [vec![1.5, 1.5]]);
    assert!(header.findings.iter().any(|finding| finding.code == "cut_short"));
}

/// A file whose system answers with an error half way.
struct Failing;

impl Origin for Failing {
    fn name(&self) -> &str {
        "failing.csv"
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(1000)
    }

    fn open_at(&self, _position: u64) -> io::Result<Box<dyn Read + Send>> {
        let start = io::Cursor::new(b"Time (s),CH1 (V)\n0.0,1\n".to_vec());
        struct Broken;
        impl Read for Broken {
            fn read(&mut self, _buffer: &mut [u8]) -> io::Result<usize> {
                Err(io::Error::other("the disk went away"))
            }
        }
        Ok(Box::new(start.chain(Broken)))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}

#[test]
fn an_error_of_the_system_names_the_file() {
    let message = detect(&Source::new(Failing)).unwrap_err().to_string();
    assert!(message.contains("failing.csv") && message.contains("the disk went away"), "{message}");
}
