//! The names and units of the columns, from the rows above the data.

use super::super::cells::{Dialect, Mark, Separator, is_blank, shown, split};
use super::super::label::{Label, is_unit};
use super::super::structure::Table;
use super::super::text::decode;
use crate::error::Finding;

/// What stands above the columns.
pub(super) struct Headings {
    pub(super) labels: Vec<Label>,
    /// The lines that say it, counted from 0.
    pub(super) lines: Vec<usize>,
    pub(super) findings: Vec<Finding>,
}

/// The labels of the number columns, from the rows of names and units above the data.
///
/// Nearest first; over rules of dashes, and over a damaged row right above the data, which would hide the names.
pub(super) fn headings(table: &Table<'_>) -> Headings {
    let lines = &table.beginning.lines;
    const FAR: usize = 8;
    let none = vec![String::new(); table.columns.len()];
    let (mut names, mut units): (Option<Vec<String>>, Option<Vec<String>>) = (None, None);
    let (mut taken, mut damaged) = (Vec::new(), Vec::new());
    let above = (0..table.first).rev().filter(|&at| !is_blank(lines[at], table.dialect.separator));
    for at in above.take(FAR) {
        let row = header_cells(lines[at], table.dialect);
        let row = shifted(row, table);
        let picked: Vec<String> =
            table.columns.iter().map(|&cell| row.get(cell).cloned().unwrap_or_default()).collect();
        let nothing = row.iter().all(|cell| Mark::read(cell.as_bytes()) == Some(Mark::Missing));
        if is_rule(lines[at]) || nothing {
            continue;
        }
        if is_units(&picked) && units.is_none() {
            units = Some(picked);
        } else if is_names(&row, table) {
            match &mut names {
                None => names = Some(picked),
                // Names in two rows: the upper one tells apart what the lower one leaves alike or empty.
                Some(lower) if are_alike(lower) && row.len() >= table.columns.len() && !is_pair(&row) => {
                    for (lower, upper) in lower.iter_mut().zip(&picked) {
                        if !upper.is_empty() && upper != lower {
                            *lower = format!("{upper} {lower}").trim().to_owned();
                        }
                    }
                }
                Some(_) => break,
            }
        } else if names.is_none() && units.is_none() && damaged.len() < 2 && is_damaged(&row, table) {
            damaged.push(at);
            continue;
        } else {
            break;
        }
        taken.push(at);
    }
    let mut findings = Vec::new();
    if names.is_some() || units.is_some() {
        for at in damaged {
            let message = format!(
                "Line {} between the header and the first row holds {}: no row of samples; it was left out.",
                at + 1,
                shown(lines[at].trim_ascii())
            );
            findings.push(Finding::limit("lines_left_out", message));
        }
    }
    taken.reverse();
    let (names, units) = (names.unwrap_or_else(|| none.clone()), units.unwrap_or(none));
    let mut labels: Vec<Label> = names.iter().zip(&units).map(|(name, unit)| Label::read(name, unit)).collect();
    // Beside true names a single letter is a name as well: "A,B" are two channels and no amperes.
    if labels.iter().any(|label| !label.name.is_empty() && !label.is_time()) {
        for label in labels.iter_mut().filter(|label| label.name.is_empty() && label.written.len() == 1) {
            *label = Label { name: label.written.clone(), unit: None, written: std::mem::take(&mut label.written) };
        }
    }
    Headings { labels, lines: taken, findings }
}

/// A header that names no index column: one name less than cells, and the first column counts.
fn shifted(mut row: Vec<String>, table: &Table<'_>) -> Vec<String> {
    let named = row.iter().rposition(|cell| !cell.is_empty()).map_or(0, |last| last + 1);
    let cells = table.columns.last().map_or(0, |last| last + 1);
    if table.counts && named + 1 == cells && row.first().is_some_and(|first| !first.is_empty()) {
        row.insert(0, String::new());
    }
    row
}

/// Whether labels leave columns alike or without a name.
fn are_alike(names: &[String]) -> bool {
    names.iter().enumerate().any(|(at, name)| name.is_empty() || names[..at].contains(name))
}

/// A key with its value: two words and no more.
fn is_pair(row: &[String]) -> bool {
    row.iter().filter(|cell| !cell.is_empty()).count() == 2
}

/// A rule of dashes under a header.
fn is_rule(line: &[u8]) -> bool {
    line.iter().all(|byte| {
        matches!(byte, b'-' | b'=' | b'_' | b'+' | b'|' | b'*' | b':' | b'.' | b',' | b';' | b' ' | b'\t' | b'#' | b'%')
    })
}

/// A row of data that is damaged: numbers in half of its columns at least, and as many cells.
fn is_damaged(row: &[String], table: &Table<'_>) -> bool {
    let number = |cell: &&String| table.dialect.number(cell.as_bytes()).is_some();
    let numbers = table.columns.iter().filter_map(|&cell| row.get(cell)).filter(number).count();
    numbers > 0 && 2 * numbers >= table.columns.len() && row.len() >= table.columns.len() && table.columns.len() > 1
}

/// Whether a header with a time stands in one of these lines.
pub(super) fn time_follows(lines: &[&[u8]], dialect: Dialect) -> bool {
    const LONGEST: usize = 4096;
    let first = |line| header_cells(line, dialect).into_iter().next().unwrap_or_default();
    lines.iter().any(|line| {
        let is_header = line.len() <= LONGEST && line.first().is_some_and(u8::is_ascii_alphabetic);
        is_header && Label::read(&first(line), "").is_time()
    })
}

/// The cells of a header line; a comment sign in front of names is no name.
fn header_cells(line: &[u8], dialect: Dialect) -> Vec<String> {
    let line = line.trim_ascii_start();
    let bare = [&b"#"[..], b"%", b"//"].iter().find_map(|sign| line.strip_prefix(*sign)).map(<[u8]>::trim_ascii_start);
    let bare = match (bare, dialect.separator) {
        (None, Separator::Byte(separator)) if separator != b';' => {
            line.strip_prefix(b";").map(<[u8]>::trim_ascii_start)
        }
        (bare, _) => bare,
    };
    let line = bare.unwrap_or(line);
    let cells = |separator| split(line, separator).into_iter().map(|cell| decode(cell).into_owned());
    if dialect.separator == Separator::Blanks {
        // A comment line of names may have its own separator.
        let other = [b'\t', b',', b';'].into_iter().find(|byte| bare.is_some() && line.contains(byte));
        return match other {
            Some(byte) => cells(Separator::Byte(byte)).collect(),
            None => joined_units(cells(dialect.separator)),
        };
    }
    cells(dialect.separator).collect()
}

/// Between blanks, a unit in brackets belongs to the name before it; commas in such a header are no part of names.
fn joined_units(cells: impl Iterator<Item = String>) -> Vec<String> {
    let mut joined: Vec<String> = Vec::new();
    for cell in cells {
        let cell = cell.trim_end_matches([',', ';']);
        match joined.last_mut() {
            Some(name) if cell.starts_with(['(', '[']) && !name.ends_with([')', ']']) => {
                name.push(' ');
                name.push_str(cell);
            }
            _ => joined.push(cell.to_owned()),
        }
    }
    joined
}

/// A row of units: every word a unit, in all columns or nearly so.
fn is_units(cells: &[String]) -> bool {
    let filled = cells.iter().filter(|cell| !cell.is_empty()).count();
    let bracketed = |cell: &str| cell.starts_with(['(', '[']) && cell.ends_with([')', ']']);
    2 * filled > cells.len() && cells.iter().all(|cell| cell.is_empty() || is_unit(cell) || bracketed(cell))
}

/// A row of names: a word in most columns, and not a key with its value.
fn is_names(row: &[String], table: &Table<'_>) -> bool {
    let cells: Vec<&String> = table.columns.iter().filter_map(|&cell| row.get(cell)).collect();
    let filled = cells.iter().filter(|cell| !cell.is_empty()).count();
    let is_number = |cell: &&&String| table.dialect.number(cell.as_bytes()).is_some();
    let numbers = cells.iter().filter(is_number).count();
    let time_first = cells.first().is_some_and(|cell| Label::read(cell, "").is_time());
    // Names that hold blanks cannot be told apart between blanks, and a wrong name is worse than none.
    let misaligned = table.dialect.separator == Separator::Blanks && row.len() != table.columns.len();
    let remark = misaligned || row.len() == 1 && table.columns.len() == 1 && row[0].contains([':', '=']);
    !remark && 2 * filled > table.columns.len() && filled > numbers && (numbers == 0 || time_first)
}
