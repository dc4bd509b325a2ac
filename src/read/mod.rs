//! Bytes to recordings: one file a format, and the table that names them all.
//!
//! A reader works from a [`Source`] (bytes, a file, its siblings by name) and never opens a file by itself.
//! Which reader takes a file is decided by its first bytes or by a file beside it, never by its name alone.

mod arrays;
mod arrow;
mod beside;
pub mod calibration;
mod comtrade;
mod csv;
pub(crate) mod fields;
pub mod impedance;
mod labels;
mod mat;
mod npy;
mod npz;
mod numbers;
mod options;
mod packed;
mod pair;
mod parquet;
mod picked;
mod raw;
pub mod readings;
mod scaled;
pub mod setup;
mod small_table;
mod source;
mod streams;
mod wav;

pub use beside::FOLDER_FILE;
pub use options::{DEFAULT_MEMORY, LEAST_MEMORY, ReadOptions, Scale, Winding, decimal_mark, separator};
pub use pair::{Pair, find_partner, open_pair};
pub use source::{Bytes, Origin, Source};

use crate::capture::{Clock, Recording};
use crate::error::{Error, printable};

/// A format: how sure it is of a file, and how it opens one.
#[derive(Debug, Clone, Copy)]
pub struct Format {
    /// The word for tables and JSON.
    pub name: &'static str,
    /// What it holds, in a few words.
    pub about: &'static str,
    /// Usual endings of file names, without the dot; a hint only.
    pub extensions: &'static [&'static str],
    /// How sure, from the first bytes (0 to 100); `None`: not mine.
    pub score: fn(head: &[u8]) -> Option<u8>,
    /// Whether a file beside it says that it is of this format, whatever its bytes look like.
    pub beside: fn(source: &Source) -> Result<bool, Error>,
    /// Reads the header now and gives the blocks on demand.
    pub open: Open,
}

/// Opens a recording: reads the header now, gives the blocks on demand.
pub type Open = fn(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error>;

/// All formats. A new one is a file and a line here.
pub const FORMATS: &[Format] = &[
    arrow::FORMAT,
    comtrade::FORMAT,
    csv::FORMAT,
    mat::FORMAT,
    npy::FORMAT,
    npz::FORMAT,
    parquet::FORMAT,
    raw::FORMAT,
    wav::FORMAT,
];

/// How many bytes at the beginning decide on the format.
const FIRST_BYTES: usize = 4096;

/// No file beside it says what it is.
fn by_itself(_source: &Source) -> Result<bool, Error> {
    Ok(false)
}

/// The format that a file beside it names, else the one that is surest of the first bytes.
///
/// # Errors
/// An empty file, bytes that no format knows, or what the system answers.
pub fn detect(source: &Source) -> Result<&'static Format, Error> {
    format_of(&packed::unpacked(source, options::DEFAULT_MEMORY)?)
}

/// The format of a source that is not packed.
fn format_of(source: &Source) -> Result<&'static Format, Error> {
    let head = source.bytes_at(0, FIRST_BYTES)?;
    if head.is_empty() {
        return Err(Error::input("is empty").in_file(source.name()).expected("a capture"));
    }
    for format in FORMATS {
        if (format.beside)(source)? {
            return Ok(format);
        }
    }
    let scored = FORMATS.iter().filter_map(|format| Some(((format.score)(&head)?, format)));
    scored.max_by_key(|(score, _)| *score).map(|(_, format)| format).ok_or_else(|| {
        let names: Vec<&str> = FORMATS.iter().map(|format| format.name).collect();
        Error::input("is binary data of no known format")
            .in_file(source.name())
            .expected(format!("one of: {}", names.join(", ")))
            .remedy("export the capture as text (comma separated)")
    })
}

/// Opens a recording in whatever format it is, packed by gzip or zstd or not.
///
/// What the options leave open is taken from the files beside the capture: `<file>.toml` with a section `[read]`, then
/// `linewake.toml` with sections `[[read]]` ([`FOLDER_FILE`]).
///
/// ```
/// use linewake::read::{Bytes, ReadOptions, Source, open};
/// let text = "Time (ms),CH1 (mV)\n0.000,1.5\n0.004,2.5\n0.008,3.5\n";
/// let source = Source::new(Bytes::new("lamp.csv", text.as_bytes().to_vec()));
/// let mut recording = open(&source, &ReadOptions::default())?;
/// assert_eq!(recording.header().clock.rate.get(), 250e3);
/// assert_eq!(recording.next_block()?.unwrap().channel(0), [1.5e-3, 2.5e-3, 3.5e-3]);
/// # Ok::<(), linewake::error::Error>(())
/// ```
///
/// # Errors
/// What is wrong with the file, with its place; what is ambiguous, with the option that settles it.
pub fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let mut beside = beside::Beside::of(source)?;
    let options = &beside.completed(options);
    let source = &packed::unpacked(source, options.memory())?;
    let format = format_of(source)?;
    let recording = (format.open)(source, options).map_err(|error| error.in_file(printable(source.name())))?;
    believe(&recording.header().clock).map_err(|error| error.in_file(source.name()))?;
    // Options name channels as the files beside the capture call them.
    let mut recording = beside.labelled(recording)?;
    // A text picks its columns itself: those that are left out need not hold numbers.
    if format.name != csv::FORMAT.name {
        recording = picked::picked(recording, options)?;
    }
    beside.told(scaled::scaled(recording, options)?)
}

/// Refuses a rate that no recorder has: what lies behind is a damaged header, not a capture.
fn believe(clock: &Clock) -> Result<(), Error> {
    /// From one sample in three years to ten in a picosecond.
    const RATES: std::ops::RangeInclusive<f64> = 1e-8..=1e13;
    let rate = clock.rate.get();
    if RATES.contains(&rate) && clock.start_s.is_finite() {
        return Ok(());
    }
    Err(Error::input(format!("has a rate of {rate:e} samples a second, from {}", clock.source.words()))
        .expected("a rate that a recorder has")
        .remedy("--sample-rate HZ sets it"))
}

/// How many rows a block holds: a fixed number, fewer where channels are many or memory is short.
fn rows_per_block(channels: usize, options: &ReadOptions) -> usize {
    const ROWS: usize = 1 << 15;
    const BYTES: u64 = 1 << 24;
    let bytes = options.max_memory.map_or(BYTES, |most| (most / 4).min(BYTES));
    let rows = bytes / (8 * channels.max(1) as u64);
    usize::try_from(rows).unwrap_or(ROWS).clamp(1, ROWS)
}
