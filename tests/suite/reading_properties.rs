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

/// A table of fixed decimals with known samples.
fn sound(rows: usize) -> (Vec<String>, [Vec<f64>; 2]) {
    let mut lines = vec!["Time (s),CH1 (V),CH2 (V)".to_owned()];
    let mut samples = [Vec::new(), Vec::new()];
    for k in 0..rows {
        let cells = [format!("{:.2}", (7 * k % 11) as f64 - 5.0), format!("{:.3}", (5 * k % 13) as f64 * 0.5 - 3.0)];
        for (channel, cell) in samples.iter_mut().zip(&cells) {
            channel.push(cell.parse().unwrap());
        }
        lines.push(format!("{:.6},{},{}", k as f64 * 4e-6, cells[0], cells[1]));
    }
    (lines, samples)
}

/// What a reading of damaged lines gives; an error is always a right answer.
fn reading(lines: &[String]) -> Option<Vec<Vec<f64>>> {
    let text = lines.iter().map(|line| format!("{line}\n")).collect::<String>();
    read_text(text.as_bytes())
}

fn read_text(text: &[u8]) -> Option<Vec<Vec<f64>>> {
    let source = Source::new(Bytes::new("damaged.csv", text.to_vec()));
    open(&source, &ReadOptions::default()).and_then(drain).ok().map(|(_, samples)| samples)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: proptest::test_runner::RngSeed::Fixed(1), ..ProptestConfig::default() })]

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

    #[test]
    fn a_file_cut_at_any_byte_gives_whole_rows_only(rows in 12..60usize, cut in any::<prop::sample::Index>()) {
        let (lines, samples) = sound(rows);
        let text = lines.join("\n") + "\n";
        // From the tenth row on, so that the way rows end is known.
        let least = lines[..11].iter().map(|line| line.len() + 1).sum::<usize>();
        let cut = least + cut.index(text.len() - least);
        if let Some(read) = read_text(&text.as_bytes()[..cut]) {
            prop_assert!(read[0].len() + 1 >= text[..cut].lines().count() - 1);
            for (part, whole) in read.iter().zip(&samples) {
                prop_assert_eq!(&part[..], &whole[..part.len()]);
            }
        }
    }

    #[test]
    fn a_lost_or_doubled_row_is_never_silent(rows in 5..200usize, at in any::<prop::sample::Index>(), doubled in any::<bool>()) {
        let (mut lines, samples) = sound(rows);
        let at = 1 + at.index(rows);
        let at_an_end = at == 1 || at == rows;
        if doubled {
            lines.insert(at, lines[at].clone());
        } else {
            lines.remove(at);
        }
        let read = reading(&lines);
        // A row that is missing at an end leaves a shorter record, and that is all there is to see.
        let shorter = read.as_ref().is_some_and(|read| read[0].len() == rows - 1);
        prop_assert!(read.is_none() || (!doubled && at_an_end && shorter), "{at} of {rows}, {:?}", samples[0].len());
    }

    #[test]
    fn a_damaged_cell_is_never_silent(
        rows in 5..200usize,
        at in any::<prop::sample::Index>(),
        cell in 0..3usize,
        junk in prop::sample::select(vec!["", "****", "nan", "lamp", "1,5", "1.2.3", "--", "inf", "\"", "0x1", "1e", "5 V"]),
    ) {
        let (mut lines, samples) = sound(rows);
        let at = 1 + at.index(rows);
        let mut cells: Vec<&str> = lines[at].split(',').collect();
        cells[cell] = junk;
        lines[at] = cells.join(",");
        if let Some(read) = reading(&lines).filter(|_| junk != "inf") {
            // Only at an end may a row go, and then nothing else changes.
            prop_assert!(at == 1 || at == rows, "{junk:?} in cell {cell} of row {at} of {rows}");
            prop_assert_eq!(read[0].len(), rows - 1);
            let from = usize::from(at == 1);
            for (part, whole) in read.iter().zip(&samples) {
                prop_assert_eq!(&part[..], &whole[from..from + rows - 1]);
            }
        }
    }
}
