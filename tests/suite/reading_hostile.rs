//! Odd inputs that are read right, and as far as they go. What is refused stands in the catalogue (`hostile`).

use std::io::{self, Read};
use std::time::{Duration, Instant};

use linewake::error::Error;
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
fn broken_wav_files_are_read_as_far_as_they_go() {
    let data = [1, 0, 2, 0, 3, 0, 4, 0];
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

/// A line of the table once it is turned is a cell of the file; a place beyond the file's lines was found by fuzzing.
#[test]
fn faults_of_a_table_on_its_side_have_a_place_in_the_file() {
    let row = |hole: usize| {
        (0..40).map(|k| if k == hole { "Null".into() } else { format!("{}.5", k % 7) }).collect::<Vec<_>>()
    };
    let text = format!("Rate;x\nCH1 (V),{}\nCH2 (V),{}\n", row(99).join(","), row(20).join(","));
    let error = read(text.into_bytes(), &with(|o| o.sample_rate = Some(Hertz::new(1e6).unwrap()))).unwrap_err();
    assert_eq!(error.place().line, Some(2), "{error}");
    assert!(error.to_string().contains("in cell 22 of the line of a channel: found \"Null\""), "{error}");
}

#[test]
fn a_short_npy_file_is_read_as_far_as_it_goes() {
    let rate = with(|o| o.sample_rate = Some(Hertz::new(1e3).unwrap()));
    let eight = 1.5f64.to_le_bytes();
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

#[test]
fn a_scale_beyond_doubles_is_refused() {
    let scale = with(|o| o.scale = vec!["CH1=1e308".parse().unwrap()]);
    let error = read(table("CH1", "CH1"), &scale).unwrap_err().to_string();
    assert!(error.contains("broken.csv") && error.contains("\"CH1\" times 1e308"), "{error}");
}

#[test]
fn what_an_npy_header_holds_does_not_steer_a_terminal() {
    let rate = with(|o| o.sample_rate = Some(Hertz::new(1e3).unwrap()));
    let error = read(npy_of("\u{1b}[31m", "(1,)", &[0; 8]), &rate).unwrap_err().to_string();
    assert!(error.contains("NPY header") && !error.contains('\u{1b}'), "{error:?}");
}
