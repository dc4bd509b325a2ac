//! A table of the house as the page has it.

use super::{Align, Cell, Column, Table};
use crate::report::table;

impl From<table::Table> for Table {
    /// The same table; cells of numbers are sorted by what they say.
    fn from(table: table::Table) -> Self {
        let cell = |column: &Column, text: String| {
            let sort = if column.align == Align::Right { numeric(&text) } else { None };
            Cell { text, sort, ..Cell::default() }
        };
        let row = |row: Vec<String>| {
            let texts = row.into_iter().chain(std::iter::repeat(String::new()));
            table.columns.iter().zip(texts).map(|(column, text)| cell(column, text)).collect()
        };
        Self {
            caption: table.title,
            rows: table.rows.into_iter().map(row).collect(),
            columns: table.columns.clone(),
            sortable: true,
            notes: table.notes,
        }
    }
}

/// The number at the beginning of a cell, with the prefix of its unit: `−3.5`, `3.14 mV`, `50 to 95`.
fn numeric(text: &str) -> Option<f64> {
    let text = text.replace('−', "-");
    let mut words = text.split_whitespace();
    let number: f64 = words.next()?.trim_start_matches('+').trim_end_matches([',', '%']).parse().ok()?;
    let unit = words.next().unwrap_or_default();
    let factor = match unit.chars().next().filter(|_| unit.chars().count() > 1) {
        Some('G') => 1e9,
        Some('M') => 1e6,
        Some('k') => 1e3,
        Some('m') if !unit.starts_with("min") => 1e-3,
        Some('µ') => 1e-6,
        Some('n') => 1e-9,
        Some('p') => 1e-12,
        _ => 1.0,
    };
    Some(number * factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_sorted_by_what_they_say() {
        for (text, number) in [
            ("−3.5", Some(-3.5)),
            ("+2.90", Some(2.9)),
            ("3.14 mV", Some(3.14e-3)),
            ("870 µV", Some(870e-6)),
            ("50 to 95", Some(50.0)),
            ("97 %", Some(97.0)),
            ("0 V", Some(0.0)),
            ("adds", None),
            ("", None),
        ] {
            match (numeric(text), number) {
                (Some(found), Some(number)) => {
                    assert!((found - number).abs() <= 1e-12 * number.abs(), "{text}: {found}")
                }
                (found, number) => assert_eq!(found, number, "{text}"),
            }
        }
    }
}
