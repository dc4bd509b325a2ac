//! One execution, and what it must not do: panic, take too long or too much memory, give more than the file can hold,
//! give two answers, or say what a terminal would obey.

use std::any::Any;
use std::cell::RefCell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use linewake::error::{Error, Kind};
use linewake::read::Source;

use super::targets::{Reading, Target};

/// The bound that readers are told (`--max-memory`).
pub const MAX_MEMORY: u64 = 1 << 20;
/// With this bound blocks are a few rows, and the samples must be the same.
const LITTLE_MEMORY: u64 = 256;
/// What may be held at once, all buffers and the answer counted: a stretch that a decoder looks back on is a quarter of
/// the least bound (`LEAST_MEMORY`), and all else is less.
pub const MOST_HELD: u64 = 24 << 20;
/// What an execution may last, and what each byte of the file may add. Machines are busy, so it is generous.
const PATIENCE: Duration = Duration::from_millis(250);
const PATIENCE_A_BYTE: Duration = Duration::from_micros(100);
/// Unpacked, a file is not larger than this (`read/packed.rs`).
const GROWTH: u64 = 2000;
const SMALL: u64 = 1 << 20;
/// Messages are for people.
const LONGEST_MESSAGE: usize = 4000;

thread_local! {
    /// Where the last panic of this thread was, if a hook tells.
    pub static PANIC: RefCell<String> = const { RefCell::new(String::new()) };
}

/// What is wrong, by a word and in a sentence.
#[derive(Debug, Clone)]
pub struct Fault {
    /// `panic`, `memory`, `time` and so on.
    pub word: &'static str,
    /// What was seen.
    pub what: String,
}

/// What a sound execution came to.
#[derive(Debug, Clone)]
pub struct Verdict {
    /// Whether the file was read.
    pub read: bool,
    /// The way through the reader, as far as its answer tells: inputs of the same kind teach little.
    pub kind: u64,
    /// The most bytes held at once.
    pub peak: u64,
    /// How long it took.
    pub took: Duration,
}

/// Reads an input and judges what comes of it; with `twice` it is read again in small blocks.
///
/// # Errors
/// What must not happen.
pub fn judge(target: &Target, input: &[u8], twice: bool) -> Result<Verdict, Fault> {
    let source = target.source(input);
    let (first, peak, mut took) = once(target, &source, input, MAX_MEMORY)?;
    if peak > MOST_HELD {
        return Err(Fault { word: "memory", what: format!("{peak} bytes were held at once") });
    }
    let patience = PATIENCE + PATIENCE_A_BYTE * u32::try_from(input.len()).unwrap_or(u32::MAX);
    for _ in 0..3 {
        if took > patience {
            // Another program may have had the processor.
            took = took.min(once(target, &source, input, MAX_MEMORY)?.2);
        }
    }
    if took > patience {
        return Err(Fault { word: "time", what: format!("it took {took:?}") });
    }
    let kind = match &first {
        Ok(reading) => of_reading(reading, input)?,
        Err(error) => of_error(error, input)?,
    };
    if twice {
        let (second, ..) = once(target, &source, input, LITTLE_MEMORY)?;
        same(&first, &second, is_packed(input))?;
    }
    Ok(Verdict { read: first.is_ok(), kind, peak, took })
}

type Once = (Result<Reading, Error>, u64, Duration);

fn once(target: &Target, source: &Source, input: &[u8], max_memory: u64) -> Result<Once, Fault> {
    let mut result = None;
    let start = Instant::now();
    let info = allocation_counter::measure(|| {
        result = Some(catch_unwind(AssertUnwindSafe(|| (target.run)(source, input, max_memory))));
    });
    let took = start.elapsed();
    match result {
        Some(Ok(reading)) => Ok((reading, info.bytes_max, took)),
        Some(Err(payload)) => Err(Fault { word: "panic", what: panic_text(payload.as_ref()) }),
        None => Err(Fault { word: "panic", what: "nothing was run".to_owned() }),
    }
}

fn panic_text(payload: &(dyn Any + Send)) -> String {
    let text = payload.downcast_ref::<&str>().map(|text| (*text).to_owned());
    let text = text.or_else(|| payload.downcast_ref::<String>().cloned()).unwrap_or_default();
    PANIC.with_borrow(|place| format!("{place}: {text}"))
}

fn of_reading(reading: &Reading, input: &[u8]) -> Result<u64, Fault> {
    if let Some(what) = &reading.fault {
        return Err(Fault { word: "samples", what: what.clone() });
    }
    let most = input.len() as u64 * GROWTH + SMALL;
    if reading.samples > if is_packed(input) { most } else { input.len() as u64 } {
        let what = format!("{} samples out of {} bytes", reading.samples, input.len());
        return Err(Fault { word: "samples", what });
    }
    for sentence in &reading.said {
        if sentence.chars().any(char::is_control) || sentence.len() > LONGEST_MESSAGE {
            return Err(Fault { word: "sentence", what: format!("{:?}", clipped(sentence)) });
        }
    }
    Ok(skeleton(&reading.kind))
}

fn of_error(error: &Error, input: &[u8]) -> Result<u64, Fault> {
    let text = error.to_string();
    let steers = text.chars().any(|c| c.is_control() && c != '\n');
    if steers || text.len() > LONGEST_MESSAGE || !matches!(error.kind(), Kind::Input | Kind::Usage) {
        return Err(Fault { word: "sentence", what: format!("{:?}", clipped(&text)) });
    }
    if error.place().file.is_none() && error.kind() == Kind::Input {
        return Err(Fault { word: "place", what: format!("no file is named: {text:?}") });
    }
    // Inside the file, one line behind its end at most.
    let lines = 2 + input.iter().filter(|byte| matches!(byte, b'\n' | b'\r')).count() as u64;
    if error.place().line.is_some_and(|line| line > lines) && !is_packed(input) && !input.starts_with(&[0xff, 0xfe]) {
        return Err(Fault { word: "place", what: format!("of {lines} lines: {text:?}") });
    }
    Ok(skeleton(&text))
}

/// Whether a file may hold more samples than bytes: gzip, zstd, and containers that pack their arrays.
fn is_packed(input: &[u8]) -> bool {
    let is_mat = matches!(input.get(126..128), Some(b"IM" | b"MI"));
    matches!(input, [0x1f, 0x8b, ..] | [0x28 | 0x50..=0x5f, ..] | [b'A', b'R', ..] | [0xff, 0xff, 0xff, ..]) || is_mat
}

fn clipped(text: &str) -> String {
    text.chars().take(300).collect()
}

/// The same samples, or the same refusal. Where arrays lie one behind the other, which of two faults is met first depends
/// on the size of the blocks.
fn same(first: &Result<Reading, Error>, second: &Result<Reading, Error>, arrays: bool) -> Result<(), Fault> {
    let differs = |what: String| Err(Fault { word: "twice", what });
    match (first, second) {
        (Ok(first), Ok(second)) if first.digest != second.digest => {
            differs(format!("{} and {} samples differ in small blocks", first.samples, second.samples))
        }
        (Ok(_), Err(error)) => differs(format!("read at once, refused in small blocks: {error}")),
        (Err(error), Ok(_)) => differs(format!("refused at once, read in small blocks: {error}")),
        (Err(first), Err(second)) if !arrays && first.to_string() != second.to_string() => {
            differs(format!("{first} and {second}"))
        }
        _ => Ok(()),
    }
}

/// A digest of a text without its numbers and what it quotes.
fn skeleton(text: &str) -> u64 {
    let (mut digest, mut quoted) = (0xcbf2_9ce4_8422_2325_u64, false);
    for byte in text.bytes().take(400) {
        if byte == b'"' {
            quoted = !quoted;
        }
        if !quoted && !byte.is_ascii_digit() && !matches!(byte, b'.' | b'-' | b'e') {
            digest = (digest ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3);
        }
    }
    digest
}
