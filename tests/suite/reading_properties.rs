//! Random bytes, random damage to sound files, random tables: nothing panics, nothing grows without bound, and what
//! was written is what is read.

use std::sync::LazyLock;

use linewake::read::{Bytes, FORMATS, ReadOptions, Source, open};
use linewake::units::Hertz;
use proptest::prelude::*;

use super::reading_layouts::drain;

fn options() -> ReadOptions {
    ReadOptions { sample_rate: Some(Hertz::new(1e3).unwrap()), ..Default::default() }
}

/// Reads whatever it is; the samples of a reading are finite and no more than the bytes can hold.
fn survive(bytes: &[u8], options: &ReadOptions) -> Result<(), TestCaseError> {
    let source = Source::new(Bytes::new("random", bytes.to_vec()));
    let openers = FORMATS.iter().map(|format| format.open).chain([open as linewake::read::Open]);
    for opener in openers {
        if let Ok((header, samples)) = opener(&source, options).and_then(drain) {
            prop_assert!(header.clock.rate.get() > 0.0 && header.clock.start_s.is_finite());
            prop_assert!(samples.iter().flatten().all(|sample| sample.is_finite()));
            prop_assert!(samples.iter().map(Vec::len).sum::<usize>() <= bytes.len());
            prop_assert!(samples.iter().all(|channel| channel.len() == samples[0].len()));
        }
    }
    Ok(())
}

/// Every fixture: the sound, the refused, and the sample files from outside.
static SEEDS: LazyLock<Vec<Vec<u8>>> = LazyLock::new(|| {
    let mut seeds = Vec::new();
    for folder in ["captures", "outside"] {
        let path = format!("{}/fixtures/{folder}", env!("CARGO_MANIFEST_DIR"));
        let mut files: Vec<_> = std::fs::read_dir(path).unwrap().map(|entry| entry.unwrap().path()).collect();
        files.sort();
        seeds.extend(files.into_iter().map(|file| std::fs::read(file).unwrap()));
    }
    seeds
});

/// A piece of text that readers stumble over.
fn piece() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        prop::collection::vec(any::<u8>(), 0..12),
        "[0-9eE+.,;\t \"\r\n#:-]{0,12}".prop_map(String::into_bytes),
        prop::sample::select(vec![
            "Sample Interval,",
            "1e308",
            "-1e-308",
            "nan",
            "Time (s)",
            "\u{feff}",
            "∞",
            "(dB)",
            "Segments,2\n"
        ])
        .prop_map(|text| text.as_bytes().to_vec()),
    ]
}

/// A fixture with pieces cut out and put in.
fn damaged() -> impl Strategy<Value = Vec<u8>> {
    let change = (any::<prop::sample::Index>(), 0..40usize, piece());
    (any::<prop::sample::Index>(), prop::collection::vec(change, 1..4)).prop_map(|(seed, changes)| {
        let mut bytes = seed.get(&SEEDS).clone();
        for (place, cut, put) in changes {
            let at = place.index(bytes.len().max(1)).min(bytes.len());
            let end = (at + cut).min(bytes.len());
            bytes.splice(at..end, put);
        }
        bytes
    })
}

/// A number with its text, as a recorder may print it.
fn printed(value: i32, decimals: usize, form: u8) -> (f64, String) {
    let text = match form {
        0 => format!("{:.decimals$}", f64::from(value) / 1e4),
        1 => format!("{:.*e}", decimals, f64::from(value) / 1e4),
        _ => format!("{}{:.decimals$}", if value < 0 { "" } else { "+" }, f64::from(value) / 1e4),
    };
    (text.parse().unwrap(), text)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..2000), magic in 0..4usize) {
        let magic: &[u8] = [&b""[..], b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0", b"\x93NUMPY\x01\0\x40\0", b"\xff\xfe"][magic];
        survive(&[magic, &bytes].concat(), &options())?;
    }

    #[test]
    fn random_text_never_panics(text in "([-+0-9eE.]{0,6}[,;\t \r\n\"#:]{0,2}){0,200}") {
        survive(text.as_bytes(), &options())?;
        survive(text.as_bytes(), &ReadOptions { max_memory: Some(1), ..Default::default() })?;
    }

    #[test]
    fn damaged_files_never_panic(bytes in damaged()) {
        survive(&bytes, &ReadOptions::default())?;
        survive(&bytes, &options())?;
    }

    #[test]
    fn what_was_written_is_read(
        rows in prop::collection::vec(prop::collection::vec(-99_999..99_999i32, 3), 3..60),
        decimals in 1..6usize,
        form in 0..3u8,
        dialect in 0..5usize,
        end in prop::sample::select(vec!["\n", "\r\n", "\r", "\r\r\n"]),
        step in 1..1000u32,
    ) {
        let (separator, mark) = [(",", "."), (";", ","), (";", "."), ("\t", ","), ("  ", ".")][dialect];
        let mut text = ["Time/s", "a", "b", "c"].join(separator) + end;
        let mut expected = vec![Vec::new(); 3];
        for (k, row) in rows.iter().enumerate() {
            let mut line = vec![format!("{:.6}", k as f64 * f64::from(step) * 1e-6)];
            for (channel, &value) in expected.iter_mut().zip(row) {
                let (value, cell) = printed(value, decimals, form);
                channel.push(value);
                line.push(cell);
            }
            text += &(line.join(separator).replace('.', mark) + end);
        }
        let given = ReadOptions { time_column: Some("1".into()), time_unit: Some("s".into()), ..Default::default() };
        let source = Source::new(Bytes::new("written.csv", text.into_bytes()));
        let (header, samples) = open(&source, &given).and_then(drain).unwrap();
        prop_assert_eq!(samples, expected);
        prop_assert!((header.clock.rate.get() * f64::from(step) * 1e-6 - 1.0).abs() < 1e-9);
    }
}
