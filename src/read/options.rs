//! What the user settles where a file leaves something open, and the words for it.

use std::str::FromStr;

use crate::units::Hertz;

/// What a reader may hold at once where no option says otherwise, in bytes: 512 MiB.
pub const DEFAULT_MEMORY: u64 = 1 << 29;

/// What the buffers of a reader may come to under the smallest bound, in bytes: 64 MiB.
///
/// A bound below makes blocks smaller, but does not take away what is needed to see the structure of a file.
pub const LEAST_MEMORY: u64 = 1 << 26;

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
    /// The columns of a text table that are channels, by name or 1-based number; the reader's choice where empty.
    pub channels: Vec<String>,
    /// What a unit of the file's numbers is worth.
    pub scale: Vec<Scale>,
    /// Which of several records in one file, counted from 1.
    pub record: Option<u64>,
    /// The encoding of a text file: `utf-8`, `latin-1`, `utf-16le` and so on.
    pub encoding: Option<String>,
    /// The side of the measuring transformers that the values are wanted for, where a record states both ratings.
    pub side: Option<Winding>,
    /// Whether samples at uneven times are laid on an even grid.
    pub resample: bool,
    /// The largest number of bytes that a reader may hold at once, whatever a file claims of itself;
    /// [`DEFAULT_MEMORY`] where it is not given, and never below [`LEAST_MEMORY`].
    pub max_memory: Option<u64>,
}

/// A winding of a measuring transformer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Winding {
    /// The side of the line.
    Primary,
    /// The side of the recorder.
    Secondary,
}

impl Winding {
    /// The word of the option.
    pub fn word(self) -> &'static str {
        match self {
            Winding::Primary => "primary",
            Winding::Secondary => "secondary",
        }
    }
}

impl FromStr for Winding {
    type Err = String;

    /// Reads the word of the option.
    fn from_str(text: &str) -> Result<Self, String> {
        let sides = [Winding::Primary, Winding::Secondary];
        sides.into_iter().find(|side| side.word() == text).ok_or_else(|| "expected primary or secondary".into())
    }
}

impl ReadOptions {
    /// The largest number of bytes that a reader may hold at once.
    pub(in crate::read) fn memory(&self) -> u64 {
        self.max_memory.unwrap_or(DEFAULT_MEMORY).max(LEAST_MEMORY)
    }

    /// These options, and others where these leave something open.
    pub(super) fn or(self, others: Self) -> Self {
        Self {
            sample_rate: self.sample_rate.or(others.sample_rate),
            separator: self.separator.or(others.separator),
            decimal_mark: self.decimal_mark.or(others.decimal_mark),
            time_column: self.time_column.or(others.time_column),
            time_unit: self.time_unit.or(others.time_unit),
            unit: self.unit.or(others.unit),
            skip_lines: self.skip_lines.or(others.skip_lines),
            channels: if self.channels.is_empty() { others.channels } else { self.channels },
            scale: if self.scale.is_empty() { others.scale } else { self.scale },
            record: self.record.or(others.record),
            encoding: self.encoding.or(others.encoding),
            side: self.side.or(others.side),
            resample: self.resample || others.resample,
            max_memory: self.max_memory.or(others.max_memory),
        }
    }

    /// The keys of what is given, as files beside a capture write them.
    pub(super) fn keys(&self) -> Vec<&'static str> {
        let given = [
            ("sample-rate", self.sample_rate.is_some()),
            ("separator", self.separator.is_some()),
            ("decimal-mark", self.decimal_mark.is_some()),
            ("time-column", self.time_column.is_some()),
            ("time-unit", self.time_unit.is_some()),
            ("unit", self.unit.is_some()),
            ("skip-lines", self.skip_lines.is_some()),
            ("channels", !self.channels.is_empty()),
            ("scale", !self.scale.is_empty()),
            ("record", self.record.is_some()),
            ("encoding", self.encoding.is_some()),
            ("side", self.side.is_some()),
            ("resample", self.resample),
        ];
        given.into_iter().filter(|(_, is_given)| *is_given).map(|(key, _)| key).collect()
    }
}

/// What one unit of the file's numbers is worth, such as the volts of a code.
#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    /// The channel by name or 1-based number; all channels where `None`.
    pub channel: Option<String>,
    /// The factor.
    pub factor: f64,
}

impl FromStr for Scale {
    type Err = String;

    /// Reads a factor, or a channel with its factor: `0.01`, `CH1=0.01`.
    fn from_str(text: &str) -> Result<Self, String> {
        let (channel, factor) =
            text.rsplit_once('=').map_or((None, text), |(name, factor)| (Some(name.to_owned()), factor));
        match factor.trim().parse::<f64>() {
            Ok(factor) if factor.is_finite() && factor.abs() > 0.0 => Ok(Scale { channel, factor }),
            _ => Err("expected a factor such as 0.01, or CHANNEL=0.01".into()),
        }
    }
}

/// Reads a separator: a word or the character.
///
/// # Errors
/// What was expected, for anything else.
pub fn separator(text: &str) -> Result<char, String> {
    match text {
        "comma" => Ok(','),
        "semicolon" => Ok(';'),
        "tab" | "\\t" => Ok('\t'),
        "blank" | "space" => Ok(' '),
        _ => single(text).ok_or_else(|| "expected comma, semicolon, tab, blank, or one character".into()),
    }
}

/// Reads a decimal mark: a word or the character.
///
/// # Errors
/// What was expected, for anything else.
pub fn decimal_mark(text: &str) -> Result<char, String> {
    match text {
        "point" | "." => Ok('.'),
        "comma" | "," => Ok(','),
        _ => Err("expected point or comma".into()),
    }
}

fn single(text: &str) -> Option<char> {
    let mut chars = text.chars();
    chars.next().filter(|c| chars.next().is_none() && !c.is_alphanumeric() && !"+-.".contains(*c))
}
