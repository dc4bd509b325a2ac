//! Where the data lies: separator and decimal mark, the columns that hold numbers, the first row.
//!
//! The one idea: the data block is what repeats. The separator is the one under which the most rows have the same
//! cells filled with numbers and nothing else; everything above, and what stands left of it in its first rows, is
//! looked at afterwards.

use std::collections::HashMap;

use super::cells::{Dialect, MOST_COLUMNS, Separator, is_blank, number, shown, split};
use crate::error::Error;
use crate::read::ReadOptions;

/// How many lines are looked at; a preamble is never that long.
const LINES: usize = 3000;

/// Where the data lies in the lines at the beginning of a file.
#[derive(Debug)]
pub(super) struct Table {
    pub(super) dialect: Dialect,
    /// The cells that hold numbers, counted from 0, rising.
    pub(super) columns: Vec<usize>,
    /// The index of the first row among the lines.
    pub(super) first: usize,
    /// The indices of the complete rows.
    pub(super) rows: Vec<usize>,
}

/// One line under one dialect.
struct Shape {
    numbers: Vec<usize>,
    words: bool,
}

impl Shape {
    fn of(line: &[u8], dialect: Dialect) -> Self {
        let mut shape = Shape { numbers: Vec::new(), words: false };
        for (at, cell) in split(line, dialect.separator).into_iter().enumerate() {
            if number(cell, dialect.decimal).is_some() {
                shape.numbers.push(at);
            } else {
                shape.words |= !cell.is_empty();
            }
        }
        shape
    }
}

/// Finds the data block.
///
/// # Errors
/// No rows of numbers, only one, too many columns, or two ways to read them.
pub(super) fn find(lines: &[&[u8]], options: &ReadOptions) -> Result<Table, Error> {
    let skip = usize::try_from(options.skip_lines.unwrap_or(0)).unwrap_or(usize::MAX).min(lines.len());
    let seen = &lines[..lines.len().min(skip.saturating_add(LINES))];
    let mut found: Vec<(usize, Dialect, Vec<usize>)> = Vec::new();
    for dialect in candidates(seen, options)? {
        if let Some((count, columns)) = most_frequent(&seen[skip..], dialect) {
            found.push((count, dialect, columns));
        }
    }
    // The first of equals: the candidates stand in the order of preference.
    let Some(best) = found.iter().rev().max_by_key(|(count, _, columns)| (*count, columns.len())) else {
        return Err(nothing(&seen[skip..]));
    };
    let (count, dialect, columns) = best.clone();
    if columns.last().is_some_and(|&last| last >= MOST_COLUMNS) {
        return Err(
            Error::input(format!("has more than {MOST_COLUMNS} columns")).expected("a capture of a few channels")
        );
    }
    if count < 2 {
        return Err(Error::input("holds one row of numbers").expected("a table with at least two rows of samples"));
    }
    let first = first_row(seen, skip, dialect, &columns);
    let complete = |&at: &usize| is_complete(&split(seen[at], dialect.separator), &columns, dialect.decimal);
    let rows = (first..seen.len()).filter(complete).collect();
    let table = Table { dialect, columns, first, rows };
    if let Some((_, _, other)) = found.iter().find(|(n, other, _)| *n == count && other.decimal != dialect.decimal)
        && other.len() < table.columns.len()
        && !commas_separate(seen, &table)
    {
        return Err(two_ways(seen[first]));
    }
    Ok(table)
}

/// The dialects that are worth a look, in the order of preference.
fn candidates(lines: &[&[u8]], options: &ReadOptions) -> Result<Vec<Dialect>, Error> {
    let holds = |byte: u8| lines.iter().any(|line| memchr::memchr(byte, line).is_some());
    let separators = match options.separator {
        Some(given) => vec![given_separator(given)?],
        None => [Separator::Byte(b','), Separator::Byte(b';'), Separator::Byte(b'\t'), Separator::Blanks]
            .into_iter()
            .filter(|separator| match separator {
                Separator::Byte(byte) => holds(*byte) || *byte == b',',
                Separator::Blanks => holds(b' '),
            })
            .collect(),
    };
    let decimals: &[u8] = match options.decimal_mark {
        Some('.') => b".",
        Some(',') => b",",
        Some(other) => {
            return Err(
                Error::usage(format!("{other:?} is no decimal mark")).remedy("--decimal-mark . or --decimal-mark ,")
            );
        }
        None if holds(b',') => b".,",
        None => b".",
    };
    let mut dialects = Vec::new();
    for &separator in &separators {
        for &decimal in decimals {
            // Without other separators, decimal commas in a single column are a semicolon table of one column.
            if separator != Separator::Byte(decimal) {
                dialects.push(Dialect { separator, decimal });
            }
        }
    }
    if options.separator.is_none() && decimals.contains(&b',') && !holds(b';') {
        dialects.push(Dialect { separator: Separator::Byte(b';'), decimal: b',' });
    }
    if dialects.is_empty() {
        return Err(Error::usage("separator and decimal mark are the same character")
            .remedy("--separator ';' --decimal-mark ,"));
    }
    Ok(dialects)
}

fn given_separator(given: char) -> Result<Separator, Error> {
    match u8::try_from(given) {
        Ok(b' ') => Ok(Separator::Blanks),
        Ok(byte @ (b'\t' | b'!'..=b'~')) if !byte.is_ascii_alphanumeric() && !b"+-.\"".contains(&byte) => {
            Ok(Separator::Byte(byte))
        }
        _ => Err(Error::usage(format!("{given:?} is no separator"))
            .expected("one character that no number holds: a comma, a semicolon, a tab, a blank, a bar")
            .remedy("--separator ';'")),
    }
}

/// The set of number columns that most lines share, among lines that hold nothing but numbers.
fn most_frequent(lines: &[&[u8]], dialect: Dialect) -> Option<(usize, Vec<usize>)> {
    let mut counts: HashMap<Vec<usize>, usize> = HashMap::new();
    for line in lines {
        let shape = Shape::of(line, dialect);
        if !shape.words && !shape.numbers.is_empty() {
            *counts.entry(shape.numbers).or_default() += 1;
        }
    }
    // Equal counts happen in tiny files: then the wider rows, then the leftmost, so that the answer is one.
    counts
        .into_iter()
        .map(|(columns, count)| (count, columns))
        .max_by(|a, b| (a.0, a.1.len()).cmp(&(b.0, b.1.len())).then_with(|| b.1.cmp(&a.1)))
}

/// The first row: the first line with numbers in all columns, then up over rows with empty cells or damaged ones.
///
/// Not the longest run: a remark or a damaged line in the middle of the data must not hide the rows above it.
fn first_row(lines: &[&[u8]], skip: usize, dialect: Dialect, columns: &[usize]) -> usize {
    let cells = |at: usize| split(lines[at], dialect.separator);
    let mut first = (skip..lines.len()).find(|&at| is_complete(&cells(at), columns, dialect.decimal)).unwrap_or(skip);
    for at in (skip..first).rev() {
        if is_row(&cells(at), columns, dialect.decimal) {
            first = at;
        } else if !is_blank(lines[at], dialect.separator) {
            break;
        }
    }
    first
}

/// Whether a line that lacks numbers is still a row: its first number is there, or all that is there are numbers.
/// A header line starts with a word.
fn is_row(cells: &[&[u8]], columns: &[usize], decimal: u8) -> bool {
    let is_number = |&column: &usize| cells.get(column).is_some_and(|cell| number(cell, decimal).is_some());
    let is_word = |&column: &usize| cells.get(column).is_some_and(|cell| !cell.is_empty()) && !is_number(&column);
    // Words left of the data are metadata; beside a row with holes they are a preamble line.
    let left = cells.iter().take(columns[0]).any(|cell| !cell.is_empty());
    !left && columns.iter().any(is_number) && (is_number(&columns[0]) || !columns.iter().any(is_word))
}

fn is_complete(cells: &[&[u8]], columns: &[usize], decimal: u8) -> bool {
    columns.iter().all(|&column| cells.get(column).is_some_and(|cell| number(cell, decimal).is_some()))
}

/// Whether commas in a table of whole numbers stand between cells: a header with a comma says so, or a first
/// column that counts.
fn commas_separate(lines: &[&[u8]], table: &Table) -> bool {
    let header = lines[..table.first].iter().rev().find(|line| !is_blank(line, table.dialect.separator));
    let header = header.is_some_and(|line| split(line, table.dialect.separator).len() >= table.columns.len());
    let column: Vec<f64> = table
        .rows
        .iter()
        .filter_map(|&row| number(split(lines[row], table.dialect.separator)[table.columns[0]], table.dialect.decimal))
        .collect();
    let step = column.get(1).zip(column.first()).map(|(second, first)| second - first);
    header
        || step.is_some_and(|step| step > 0.0 && column.windows(2).all(|pair| (pair[1] - pair[0] - step).abs() < 0.5))
}

fn two_ways(row: &[u8]) -> Error {
    Error::input(format!("the comma in {} may separate two columns or be a decimal mark", shown(row)))
        .remedy("--separator , or --decimal-mark , settles it")
}

/// Why there is no table: the words that most often stand among numbers say it best.
fn nothing(lines: &[&[u8]]) -> Error {
    let comma = Separator::Byte(b',');
    let mixed = lines.iter().enumerate().rev().find_map(|(at, line)| {
        let cells = split(line, comma);
        let has_number = cells.iter().any(|cell| number(cell, b'.').is_some());
        let word = cells.iter().position(|cell| !cell.is_empty() && number(cell, b'.').is_none())?;
        (has_number && cells.len() > 1).then(|| (at as u64 + 1, word as u64 + 1, shown(cells[word])))
    });
    if let Some((line, _, word)) = mixed.as_ref().filter(|(_, _, word)| is_response(word)) {
        return super::labels::refuse_spectrum(word).at_line(*line, None);
    }
    let error = match mixed {
        Some((line, cell, word)) => {
            Error::input(format!("found {word} in cell {cell} among numbers")).at_line(line, None)
        }
        None => Error::input(format!("no table of numbers in the first {} lines", lines.len())),
    };
    error
        .expected("rows of numbers, a cell for each channel")
        .remedy("--separator, --decimal-mark and --skip-lines help where the layout is unusual")
}

/// Units that only spectra and responses have.
fn is_response(word: &str) -> bool {
    let word = word.trim_matches('"').to_lowercase();
    word.starts_with("db") || word.ends_with("hz")
}
