//! The fuzzing of `examples/fuzz`, in small: the same damage to the same files, a few hundred times a reader.

#[path = "../../examples/fuzz/main.rs"]
#[allow(dead_code, reason = "a program of its own, with a main")]
mod fuzz;

use fuzz::judge::judge;
use fuzz::targets::TARGETS;
use fuzz::{Fuzz, cases};

/// Damaged files a reader, besides its cases as they are.
const DAMAGED: usize = 300;

#[test]
fn damaged_files_of_every_reader_harm_nothing() {
    for target in TARGETS {
        let cases = cases(target);
        let count = cases.len() + DAMAGED;
        let mut fuzz = Fuzz::new(target, cases, 1);
        for _ in 0..count {
            if let Err((input, fault)) = fuzz.step(|_| {}) {
                panic!("{}: {}: {}: {:?}", target.name, fault.word, fault.what, String::from_utf8_lossy(&input));
            }
        }
        assert!(fuzz.tally.read > 0 && fuzz.tally.read < fuzz.tally.executions, "{}: {:?}", target.name, fuzz.tally);
        assert!(fuzz.tally.kinds > 3, "{}: {} answers", target.name, fuzz.tally.kinds);
    }
}

#[test]
fn the_corpus_is_small() {
    for target in TARGETS {
        let bytes: usize = cases(target).iter().map(Vec::len).sum();
        assert!(bytes < 100_000, "{}: {bytes} bytes", target.name);
    }
}

#[test]
fn the_judge_sees_what_is_wrong() {
    use fuzz::targets::{Reading, Target};
    use linewake::error::Error;
    use linewake::read::Source;

    fn panics(_: &Source, input: &[u8], _: u64) -> Result<Reading, Error> {
        panic!("{}", input.len());
    }
    fn hoards(_: &Source, _: &[u8], _: u64) -> Result<Reading, Error> {
        Err(Error::input(format!("{}", vec![1u8; 40 << 20].len())).in_file("f"))
    }
    fn invents(_: &Source, input: &[u8], _: u64) -> Result<Reading, Error> {
        let samples = 1 + input.len() as u64;
        Ok(Reading { kind: String::new(), said: Vec::new(), samples, digest: 0, fault: None })
    }
    fn steers(_: &Source, _: &[u8], _: u64) -> Result<Reading, Error> {
        Err(Error::input("\u{1b}[31m").in_file("f"))
    }
    fn wavers(_: &Source, _: &[u8], max_memory: u64) -> Result<Reading, Error> {
        Ok(Reading { kind: String::new(), said: Vec::new(), samples: 0, digest: max_memory, fault: None })
    }
    type Run = fn(&Source, &[u8], u64) -> Result<Reading, Error>;
    let runs: [(&str, Run); 5] =
        [("panic", panics), ("memory", hoards), ("samples", invents), ("sentence", steers), ("twice", wavers)];
    for (word, run) in runs {
        let target = Target { run, ..TARGETS[0] };
        let fault = judge(&target, b"1,2", true).unwrap_err();
        assert_eq!(fault.word, word, "{fault:?}");
    }
}
