//! The one error of the house, and the remark that is not an error.
//!
//! An [`Error`] always says where it happened, what was found, what was expected and what to try.
//! A [`Finding`] is a remark on data that could still be used; it travels with the results.

use std::fmt;

use serde::Serialize;

/// A place in an input: a file, and where it applies a line, a column or a byte.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Location {
    /// The file or stream, as the user named it.
    pub file: Option<String>,
    /// The line, counted from 1.
    pub line: Option<u64>,
    /// The column within the line in characters, counted from 1.
    pub column: Option<u64>,
    /// The byte from the start of the file, counted from 0; for binary files.
    pub byte: Option<u64>,
}

impl fmt::Display for Location {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(file) = &self.file {
            write!(f, "{}", printable(file))?;
        }
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
            if let Some(column) = self.column {
                write!(f, ":{column}")?;
            }
        } else if let Some(byte) = self.byte {
            write!(f, ":byte {byte}")?;
        }
        Ok(())
    }
}

/// What kind of thing went wrong; decides the exit status, never the wording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The request itself cannot be met: an option, a value, a combination.
    Usage,
    /// An input cannot be read or cannot carry what was asked.
    Input,
    /// An output cannot be written.
    Output,
}

/// An error with its place, what was found, what was expected and what to try.
///
/// ```
/// use linewake::error::Error;
/// let error = Error::input("found \"****\"")
///     .in_file("before.csv").at_line(14, Some(23))
///     .expected("a voltage in column \"CH2\"")
///     .remedy("record again on a larger range");
/// assert_eq!(
///     error.to_string(),
///     "before.csv:14:23: found \"****\"; expected a voltage in column \"CH2\"\n  remedy: record again on a larger range"
/// );
/// ```
#[derive(Debug, Clone)]
pub struct Error(Box<Details>);

#[derive(Debug, Clone)]
struct Details {
    kind: Kind,
    place: Location,
    found: String,
    expected: Option<String>,
    remedy: Option<String>,
}

impl Error {
    fn new(kind: Kind, found: String) -> Self {
        Self(Box::new(Details { kind, place: Location::default(), found, expected: None, remedy: None }))
    }

    /// The request cannot be met.
    pub fn usage(found: impl Into<String>) -> Self {
        Self::new(Kind::Usage, found.into())
    }

    /// An input cannot be read or cannot carry what was asked.
    pub fn input(found: impl Into<String>) -> Self {
        Self::new(Kind::Input, found.into())
    }

    /// An output cannot be written.
    pub fn output(found: impl Into<String>) -> Self {
        Self::new(Kind::Output, found.into())
    }

    /// Names the file, unless one is named already.
    #[must_use]
    pub fn in_file(mut self, file: impl Into<String>) -> Self {
        self.0.place.file.get_or_insert_with(|| file.into());
        self
    }

    /// Names the line and, where known, the column; both counted from 1.
    #[must_use]
    pub fn at_line(mut self, line: u64, column: Option<u64>) -> Self {
        self.0.place.line = Some(line);
        self.0.place.column = column;
        self
    }

    /// Names the cell of a table on its side, where each line is a channel: the first of these lines, and the cell.
    pub(crate) fn in_cell(mut self, line: u64, cell: u64) -> Self {
        self.0.found = format!("in cell {cell} of the line of a channel: {}", self.0.found);
        self.at_line(line, None)
    }

    /// Names the byte, counted from 0.
    #[must_use]
    pub fn at_byte(mut self, byte: u64) -> Self {
        self.0.place.byte = Some(byte);
        self
    }

    /// Says that the line is a row of an array with this name: arrays in binary files have no lines.
    #[must_use]
    pub(crate) fn in_array(mut self, name: &str) -> Self {
        self.0.found = match self.0.place.line.take() {
            Some(row) => format!("\"{}\", row {row}: {}", printable(name), self.0.found),
            None => format!("\"{}\": {}", printable(name), self.0.found),
        };
        self.0.place.column = None;
        self
    }

    /// Says what would have been right.
    #[must_use]
    pub fn expected(mut self, expected: impl Into<String>) -> Self {
        self.0.expected = Some(expected.into());
        self
    }

    /// Says what to try.
    #[must_use]
    pub fn remedy(mut self, remedy: impl Into<String>) -> Self {
        self.0.remedy = Some(remedy.into());
        self
    }

    /// What kind of thing went wrong.
    pub fn kind(&self) -> Kind {
        self.0.kind
    }

    /// Where it went wrong.
    pub fn place(&self) -> &Location {
        &self.0.place
    }

    /// What was found, without its place.
    pub(crate) fn found(&self) -> &str {
        &self.0.found
    }

    /// What to try, where there is advice.
    pub fn advice(&self) -> Option<&str> {
        self.0.remedy.as_deref()
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let details = &*self.0;
        let place = details.place.to_string();
        if !place.is_empty() {
            write!(f, "{place}: ")?;
        }
        write!(f, "{}", details.found)?;
        if let Some(expected) = &details.expected {
            write!(f, "; expected {expected}")?;
        }
        if let Some(remedy) = &details.remedy {
            write!(f, "\n  remedy: {remedy}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {}

/// How far a finding limits what the data can carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing; limits nothing.
    Note,
    /// The result holds within stated limits.
    Limit,
    /// The data cannot carry a result of the kind that the command gives.
    Unfit,
}

impl Severity {
    /// The word before a finding on a terminal.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Limit => "warning",
            Severity::Unfit => "not fit",
        }
    }
}

/// A remark on data that could still be read: a stable code, a plain sentence.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize)]
pub struct Finding {
    /// A stable word for scripts, in snake_case.
    pub code: &'static str,
    /// How far it limits the result.
    pub severity: Severity,
    /// A plain sentence that says what was seen and what follows.
    pub message: String,
}

impl Finding {
    /// Worth knowing; limits nothing.
    pub fn note(code: &'static str, message: impl Into<String>) -> Self {
        Self { code, severity: Severity::Note, message: message.into() }
    }

    /// The result holds within stated limits.
    pub fn limit(code: &'static str, message: impl Into<String>) -> Self {
        Self { code, severity: Severity::Limit, message: message.into() }
    }

    /// The data cannot carry a result.
    pub fn unfit(code: &'static str, message: impl Into<String>) -> Self {
        Self { code, severity: Severity::Unfit, message: message.into() }
    }
}

/// Whether a character steers a terminal instead of being shown: controls, and marks of direction.
pub(crate) fn steers(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// Text from outside, made safe to print: control characters become `?`, and what is longer than a line is cut.
///
/// Direction marks go too, because they could reorder a message on the terminal.
pub fn printable(text: &str) -> String {
    const LONGEST: usize = 120;
    let mut out: String = text.chars().take(LONGEST).map(|c| if steers(c) { '?' } else { c }).collect();
    if text.chars().nth(LONGEST).is_some() {
        out.push('…');
    }
    out
}
