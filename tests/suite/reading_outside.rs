//! Binary files against independent readers: numbers from scipy.io.wavfile and numpy.
//!
//! The expectation is fixtures/reference/reading_vectors.csv, made by make_reading_vectors.py beside it.

use std::collections::BTreeMap;

use linewake::capture::Quantity;
use linewake::read::{Bytes, FORMATS, Origin, ReadOptions, Source, detect, open};
use linewake::units::Hertz;

use super::reading_layouts::drain;

fn file(path: &str) -> Vec<u8> {
    std::fs::read(format!("{}/{path}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

/// The number of a sample and its value.
type Sample = (usize, f64);

/// A file of the project with those beside it.
#[derive(Clone)]
struct Beside(Bytes);

impl Origin for Beside {
    fn name(&self) -> &str {
        self.0.name()
    }
    fn byte_count(&self) -> std::io::Result<u64> {
        self.0.byte_count()
    }
    fn open_at(&self, position: u64) -> std::io::Result<Box<dyn std::io::Read + Send>> {
        self.0.open_at(position)
    }
    fn sibling(&self, name: &str) -> Option<Source> {
        let (folder, _) = self.name().rsplit_once('/')?;
        let path = format!("{folder}/{name}");
        let bytes = std::fs::read(format!("{}/{path}", env!("CARGO_MANIFEST_DIR"))).ok()?;
        Some(Source::new(Beside(Bytes::new(path, bytes))))
    }
}

#[test]
fn samples_equal_those_of_independent_readers() {
    let table = String::from_utf8(file("fixtures/reference/reading_vectors.csv")).unwrap();
    // By file and rate: the channels, each with the numbers of the samples and their values.
    let mut expected: BTreeMap<(&str, &str), Vec<Vec<Sample>>> = BTreeMap::new();
    for line in table.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let channels = expected.entry((cells[0], cells[1])).or_default();
        channels.resize(channels.len().max(cells[2].parse::<usize>().unwrap() + 1), Vec::new());
        channels.last_mut().unwrap().push((cells[3].parse().unwrap(), cells[4].parse().unwrap()));
    }
    assert_eq!(expected.len(), 64);
    for ((path, rate), channels) in expected {
        let options =
            ReadOptions { sample_rate: rate.is_empty().then(|| Hertz::new(250e3).unwrap()), ..Default::default() };
        let source = Source::new(Beside(Bytes::new(path, file(path))));
        let (header, read) = open(&source, &options).and_then(drain).unwrap();
        assert_eq!(read.len(), channels.len(), "{path}");
        for (read, expected) in read.iter().zip(&channels) {
            assert_eq!(read.len(), expected.last().unwrap().0 + 1, "{path}");
            for (number, value) in expected {
                assert_eq!(read[*number].to_bits(), value.to_bits(), "{path}, sample {number}");
            }
        }
        let whole = ["bool", "-i1", "-i2", "-i4", "-i8", "-u1", "-u2", "-u4", "-u8"].iter().any(|k| path.contains(k));
        let (format, quantity) = match path.rsplit_once('.').unwrap().1 {
            "wav" => ("wav", Quantity::FullScale),
            "npy" if whole => ("npy", Quantity::Codes),
            "npy" => ("npy", Quantity::Unknown),
            _ if path.contains("float32") => ("comtrade", Quantity::Unknown),
            _ if path.contains("iso8859") => ("comtrade", Quantity::Unit("A".into())),
            _ => ("comtrade", Quantity::Unit("V".into())),
        };
        assert_eq!((header.format, &header.channels[0].quantity), (format, &quantity), "{path}");
        assert_eq!(header.clock.rate.get(), rate.parse().unwrap_or(250e3), "{path}");
    }
}

/// scipy reads no companded wave either; 64 whole bits do not fit a double.
#[test]
fn waves_of_other_kinds_are_refused_with_the_reason() {
    for (name, reason) in [("1ch-1byte-ulaw", "1 bytes in the format 7"), ("3ch-5S-64bit", "8 bytes in the format 1")] {
        let path = format!("fixtures/outside/test-8000Hz-le-{name}.wav");
        let source = Source::new(Bytes::new(path.clone(), file(&path)));
        let error = open(&source, &ReadOptions::default()).err().unwrap().to_string();
        assert!(error.contains(reason), "{error}");
    }
}

/// hound puts 24 bits at the bottom of 32 here; the format, in scipy's words too, has them at the top.
#[test]
fn bits_at_the_wrong_end_are_a_doubt() {
    let read = |path: &str| open(&Source::new(Bytes::new(path, file(path))), &ReadOptions::default()).unwrap();
    let doubtful = read("fixtures/outside/waveformatextensible-24bit-4byte-48kHz-stereo.wav");
    let finding = &doubtful.header().findings[0];
    assert!(finding.code == "bits_at_the_bottom" && finding.message.contains("48 dB"), "{finding:?}");
    assert!(read("fixtures/captures/wave-extensible-i4-24bit.wav").header().findings.is_empty());
}

#[test]
fn arrays_of_other_kinds_are_refused_with_the_reason() {
    let options = ReadOptions { sample_rate: Some(Hertz::new(1e3).unwrap()), ..Default::default() };
    for (name, reason) in [("pickle.npy", "objects"), ("structured.npy", "records"), ("f-order.npy", "shape [2, 3, 4]")]
    {
        let source = Source::new(Bytes::new(name, file(&format!("fixtures/outside/{name}"))));
        let error = open(&source, &options).err().unwrap().to_string();
        assert!(error.contains(reason), "{error}");
    }
}

/// Written by numpy: whole numbers of 16 bits, high byte first, a hundred times the rule's codes.
#[test]
fn whole_numbers_are_codes() {
    let options = ReadOptions { sample_rate: Some(Hertz::new(1e3).unwrap()), ..Default::default() };
    let name = "fixtures/captures/codes-high-byte-first.npy";
    let (header, samples) = open(&Source::new(Bytes::new(name, file(name))), &options).and_then(drain).unwrap();
    assert_eq!(header.channels[0].quantity, Quantity::Codes);
    assert_eq!(header.findings[0].code, "codes_without_volts");
    assert_eq!(samples[0][..3], [-500.0, 200.0, -200.0]);
}

#[test]
fn a_unit_given_scales_an_array() {
    let name = "fixtures/captures/array-one-axis.npy";
    let options =
        ReadOptions { sample_rate: Some(Hertz::new(1e3).unwrap()), unit: Some("mV".into()), ..Default::default() };
    let (header, samples) = open(&Source::new(Bytes::new(name, file(name))), &options).and_then(drain).unwrap();
    assert_eq!(header.channels[0].quantity, Quantity::Unit("V".into()));
    assert!((samples[0][0] - -0.1e-3).abs() < 1e-18, "{}", samples[0][0]);
    assert!(header.findings.is_empty());
}

#[test]
fn every_format_knows_its_own_files_and_survives_truncation() {
    let own: Vec<(&str, &str)> = [
        ("comtrade", "fixtures/captures/comtrade-single-binary.cff"),
        ("csv", "fixtures/captures/h-comment-preamble.csv"),
        ("mat", "fixtures/arrays/specimen.mat"),
        ("npy", "fixtures/captures/array-c-order.npy"),
        ("npz", "fixtures/arrays/specimen.npz"),
        ("parquet", "fixtures/arrays/specimen.parquet"),
        ("wav", "fixtures/outside/waveformatex-16bit-44100Hz-stereo.wav"),
    ]
    .into_iter()
    .filter(|(name, _)| cfg!(feature = "columnar") || *name != "parquet")
    .collect();
    let formats = FORMATS.iter().map(|format| format.name).filter(|name| !["arrow", "raw"].contains(name));
    assert_eq!(own.iter().map(|(name, _)| *name).collect::<Vec<_>>(), formats.collect::<Vec<_>>());
    let options = ReadOptions { sample_rate: Some(Hertz::new(500e3).unwrap()), ..Default::default() };
    for (name, path) in own {
        let bytes = file(path);
        assert_eq!(detect(&Source::new(Bytes::new("no ending", bytes.clone()))).unwrap().name, name);
        let whole = open(&Source::new(Bytes::new(path, bytes.clone())), &options).and_then(drain).unwrap().1;
        for length in 0..bytes.len() {
            let source = Source::new(Bytes::new(path, bytes[..length].to_vec()));
            let Ok((_, samples)) = open(&source, &options).and_then(drain) else { continue };
            // What is left of the last row may be a sound number; all before must be the same.
            for (part, whole) in samples.iter().zip(&whole) {
                let sure = part.len().saturating_sub(1);
                assert_eq!(part[..sure], whole[..sure], "{path} cut at {length}");
            }
        }
    }
}
