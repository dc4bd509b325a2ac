//! Bytes to recordings: one file a format, and the table that names them all.
//!
//! A reader works from a [`Source`] (bytes, a file, its siblings by name) and never opens a file by itself.
//! Which reader takes a file is decided by its first bytes, never by its name alone.

mod source;

pub use source::{Bytes, Origin, Source};

use crate::capture::Recording;
use crate::error::Error;
use crate::units::Hertz;

/// What the user settles where a file leaves something open.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    /// The sampling rate, for files that do not say or say it wrongly.
    pub sample_rate: Option<Hertz>,
    /// The separator of a text table.
    pub separator: Option<char>,
    /// The decimal mark of a text table.
    pub decimal_mark: Option<char>,
    /// The column that is time, by name or 1-based number, or `none`.
    pub time_column: Option<String>,
    /// The unit of the time column: `s`, `ms`, `us`, `ns`.
    pub time_unit: Option<String>,
    /// The unit of all channels that state none.
    pub unit: Option<String>,
    /// Lines to skip at the top of a text file.
    pub skip_lines: Option<u64>,
    /// The largest number of bytes that a reader may hold at once.
    pub max_memory: Option<u64>,
}

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
    /// Reads the header now and gives the blocks on demand.
    pub open: Open,
}

/// Opens a recording: reads the header now, gives the blocks on demand.
pub type Open = fn(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error>;
