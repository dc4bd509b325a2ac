//! Bad input through the real program: an answer that helps, quickly, and nothing on standard output. Files that no
//! reader takes stand in the catalogue (`hostile`); here are those that a command refuses, and options.

use std::fmt::Write as _;
use std::time::Duration;

use crate::program::{Answer, Bench};
use crate::signals::{samples_in, sine, table, white};

/// Even unoptimised on a busy machine a refusal comes within seconds.
const QUICK: Duration = Duration::from_secs(10);

/// What is wrong with a refusal, which is: exit status 2, every word on standard error, a remedy or an expectation,
/// nothing on standard output, quickly.
fn faults(answer: &Answer, what: &str, words: &[&str]) -> Vec<String> {
    let helps = ["remedy", "expected", "Usage", "try '--help'"].iter().any(|word| answer.err.contains(word));
    let panic = ["panicked", "unwrap", "RUST_BACKTRACE"].iter().any(|word| answer.err.contains(word));
    let missing = words.iter().filter(|word| !answer.err.contains(**word)).map(|word| format!("no \"{word}\""));
    let rules = [
        (answer.status != 2, "the wrong exit status"),
        (!answer.out.is_empty(), "something on standard output"),
        (!helps, "no help"),
        (panic, "a panic"),
        (answer.took > QUICK, "too slow"),
    ];
    let broken = rules.into_iter().filter(|(broken, _)| *broken).map(|(_, rule)| rule.to_owned());
    let said = |fault| format!("{what}: {fault} (status {}, {:?}):\n{}", answer.status, answer.took, answer.err);
    missing.chain(broken).map(said).collect()
}

fn none(faults: &[String]) {
    assert!(faults.is_empty(), "{} faults\n{}", faults.len(), faults.join("\n"));
}

fn refused(answer: &Answer, what: &str, words: &[&str]) {
    none(&faults(answer, what, words));
}

/// Rows of a text table at 500 kS/s, the time printed in full.
fn rows(count: u32, row: impl Fn(u32) -> String) -> Vec<u8> {
    let mut text = String::from("Time (s),Wire (V),Air (V)\n");
    for n in 0..count {
        writeln!(text, "{}", row(n)).unwrap();
    }
    text.into_bytes()
}

/// A row without fault.
fn sound(n: u32) -> String {
    format!("{:.6},{},{}", f64::from(n) * 2e-6, f64::from(n % 37) * 1e-3, f64::from(n % 23) * 1e-4)
}

fn faulty(count: u32, at: u32, row: &str) -> Vec<u8> {
    rows(count, |n| if n == at { row.to_owned() } else { sound(n) })
}

/// A WAV file whose header promises what the rest does not hold.
fn wav(rate: u32, bits: u16, data: &[u8]) -> Vec<u8> {
    let mut bytes = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x02\0".to_vec();
    let frame = 2 * u32::from(bits / 8);
    for number in [rate, rate.wrapping_mul(frame)] {
        bytes.extend(number.to_le_bytes());
    }
    bytes.extend([4, 0]);
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data\xff\xff\xff\x0f");
    bytes.extend(data);
    bytes
}

#[test]
fn bad_files_are_refused_with_their_place() {
    const COUNT: u32 = 20_000;
    let utf16 = |text: &[u8]| -> Vec<u8> { text.iter().flat_map(|&byte| [byte, 0]).collect() };
    let mut zeros = rows(100, sound);
    zeros.extend([0; 4000]);
    // Name of the file, its bytes, and what the answer must hold besides the name.
    let cases: Vec<(&str, Vec<u8>, &[&str])> = vec![
        ("three_rows.csv", rows(3, sound), &["less than one segment"]),
        ("short.csv", rows(2000, sound), &["less than one segment", "record longer"]),
        ("cut_off_then_zeros.csv", zeros, &[]),
        ("overload.csv", faulty(COUNT, 700, "0.0014,0.001,OVERLOAD"), &[":702", "OVERLOAD"]),
        ("two_marks_first.csv", faulty(COUNT, 0, "0,1.2.3,0.001"), &[]),
        ("backwards.csv", rows(COUNT, |n| sound(COUNT - n)), &[]),
        ("utf16_odd.csv", [b"\xff\xfe".to_vec(), utf16(&rows(50, sound)), vec![7]].concat(), &[]),
        ("few_samples.wav", wav(48_000, 16, &[0; 400]), &[]),
    ];
    let bench = Bench::with(&[]);
    let mut found = Vec::new();
    for (name, bytes, words) in &cases {
        bench.put(name, bytes);
        for command in ["bands", "inspect"] {
            found.extend(faults(&bench.run(&format!("{command} {name}")), name, &[&[*name], *words].concat()));
        }
    }
    none(&found);
}

#[test]
fn what_is_no_file_is_refused() {
    let bench = Bench::with(&[("folder/inside.csv", &rows(100, sound))]);
    refused(&bench.run("batch missing.csv"), "missing in a batch", &["missing.csv"]);
    refused(&bench.run("added --off missing.csv --on missing.csv"), "missing on both sides", &["missing.csv"]);
    refused(&bench.run("bands folder/inside.csv --air-file missing.csv"), "missing air file", &["missing.csv"]);
}

#[test]
fn options_that_make_no_sense_are_refused() {
    let count = samples_in(0.05);
    let wire = sine(20e3, 1e-3, count);
    let air = white(1e-12, count, 1);
    let bench = Bench::with(&[("good.csv", &table(&["Wire (V)", "Air (V)"], &[&wire, &air]))]);
    assert_eq!(bench.run("bands good.csv").status, 0);
    // The options, and what the answer must name.
    let cases: &[(&str, &[&str])] = &[
        ("--rbw 0", &["--rbw"]),
        ("--rbw -5", &["-5"]),
        ("--rbw 1e-9", &["resolution bandwidth", "--rbw"]),
        ("--rbw nan", &["--rbw"]),
        ("--rbw inf", &["--rbw"]),
        ("--rbw 200V", &["200V"]),
        ("--rbw 1", &["less than one segment"]),
        ("--segment 0", &["segment of 0"]),
        ("--segment 1", &["segment of 1"]),
        ("--segment -4", &["-4"]),
        ("--segment 99999999999", &["99999999999"]),
        ("--segment 1000000", &["good.csv", "less than one segment"]),
        ("--overlap 1", &["overlap"]),
        ("--overlap 1.5", &["overlap of 1.5"]),
        ("--overlap=-0.1", &["overlap"]),
        ("--overlap nan", &["overlap"]),
        ("--overlap most", &["--overlap", "most"]),
        ("--range 150k:2k", &["--range"]),
        ("--range 2k", &["--range"]),
        ("--range 2k:2k", &["--range"]),
        ("--range a:b", &["--range"]),
        ("--range 300k:400k", &["good.csv", "250 kHz"]),
        ("--range 0:inf", &["--range"]),
        ("--window nonsense", &["nonsense", "hann"]),
        ("--window kaiser:-1", &["kaiser"]),
        ("--window kaiser:x", &["kaiser"]),
        ("--window hann:3", &["hann"]),
        ("--mains 55", &["55", "50, 60 or auto"]),
        ("--mains fifty", &["fifty"]),
        ("--bands nonsense", &["nonsense", "2k, 200, wide"]),
        ("--bands 9k,2k", &["do not rise"]),
        ("--bands 2k,", &["--bands"]),
        ("--bands 200k,300k", &["no band"]),
        ("--bands 200 --range 20k:100k", &["no band"]),
        ("--high-pass 1G", &["1000 MHz", "half the sample rate"]),
        ("--high-pass 250k", &["250 kHz"]),
        ("--high-pass 0", &["--high-pass"]),
        ("--high-pass never", &["never"]),
        ("--sample-rate 0", &["--sample-rate"]),
        ("--sample-rate fast", &["fast"]),
        ("--sample-rate 1k", &["good.csv"]),
        ("--max-memory 0", &["--max-memory"]),
        ("--max-memory much", &["much"]),
        ("--wire 7", &["\"7\"", "good.csv"]),
        ("--wire Nobody", &["Nobody", "\"Wire\""]),
        ("--wire 1 --air 1", &["same channel"]),
        ("--wire Wire --air 1", &["same channel"]),
        ("--time-column Nobody", &["Nobody"]),
        ("--time-unit weeks", &["weeks"]),
        ("--separator ab", &["--separator"]),
        ("--decimal-mark x", &["--decimal-mark"]),
        ("--unit lightyears", &["lightyears"]),
        ("--skip-lines 1000000", &["good.csv"]),
        ("--frobnicate", &["--frobnicate"]),
        ("-o", &["--output"]),
        ("-o result", &["result", ".png"]),
        ("-o result.docx", &["result.docx", ".png"]),
        ("-o missing/result.png", &["missing/result.png"]),
    ];
    let mut found = Vec::new();
    for (options, words) in cases {
        found.extend(faults(&bench.run(&format!("bands good.csv {options}")), options, words));
    }
    for (arguments, words) in [
        ("compare --before good.csv", &["--after"][..]),
        ("added --on good.csv", &["--off"]),
        ("spectrum", &["FILE"]),
        ("waveform good.csv --cycles 0", &["--cycles"]),
        ("waveform good.csv --from 5", &["--from", "good.csv"]),
        ("waveform good.csv --from nan", &["--from"]),
        ("waveform good.csv --from=-1", &["--from"]),
        ("bands good.csv good.csv --air-file good.csv", &["good.csv"]),
        ("", &["Usage"]),
        ("band", &["band"]),
    ] {
        found.extend(faults(&bench.run(arguments), arguments, words));
    }
    none(&found);
    assert_eq!(bench.names(), ["good.csv"]);
}
