//! Small tables beside captures, as text: one header row, remarks behind `#`, cells apart by semicolons, tabs or commas.
//!
//! What the columns mean is told apart by those who read them; here is what all such tables have in common.

use super::Source;
use crate::error::Error;

/// Such a table is some kilobytes; more than this is something else.
const LONGEST: usize = 1 << 24;

/// The text of a table. `wrong` makes the error out of what was found.
///
/// # Errors
/// A file that cannot be read, is longer than 16 MB, or is no text in UTF-8.
pub(super) fn text_of(source: &Source, wrong: &impl Fn(&str) -> Error) -> Result<String, Error> {
    let bytes = source.bytes_at(0, LONGEST + 1)?;
    if bytes.len() > LONGEST {
        return Err(wrong("is longer than 16 MB"));
    }
    String::from_utf8(bytes).map_err(|_| wrong("is no text in UTF-8"))
}

/// The lines that hold cells, the header first, each with its number counted from 1.
pub(super) fn lines(text: &str) -> impl Iterator<Item = (u64, &str)> {
    (1u64..)
        .zip(text.trim_start_matches('\u{feff}').lines())
        .filter(|(_, line)| !line.trim().is_empty() && !line.trim_start().starts_with('#'))
}

/// What separates the cells of a table with this header.
pub(super) fn separator(header: &str) -> char {
    [';', '\t'].into_iter().find(|&c| header.contains(c)).unwrap_or(',')
}

/// The cells of a line without blanks and quotes, each with its column counted from 1. A separator within quotes
/// separates nothing.
pub(super) fn cells(line: &str, separator: char) -> Vec<(u64, &str)> {
    let mut cells = Vec::new();
    let (mut from, mut column, mut quoted) = (0, 1, false);
    let mut push = |from: usize, to: usize, column: u64| {
        let cell = &line[from..to];
        let blanks = cell.chars().take_while(|c| c.is_whitespace()).count() as u64;
        cells.push((column + blanks, cell.trim().trim_matches('"').trim()));
    };
    for (place, (at, c)) in (1u64..).zip(line.char_indices()) {
        quoted ^= c == '"';
        if c == separator && !quoted {
            push(from, at, column);
            (from, column) = (at + c.len_utf8(), place + 1);
        }
    }
    push(from, line.len(), column);
    cells
}
