//! Tables: one plain description, drawn for a terminal.

#[cfg(feature = "cli")]
use super::plain::plain;

/// A table of texts.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Table {
    /// What the table shows; stands above it.
    pub title: String,
    /// The columns from left to right.
    pub columns: Vec<Column>,
    /// The rows from top to bottom, one text per column; missing texts stay empty.
    pub rows: Vec<Vec<String>>,
    /// What a reader has to know; stands below the table, one line each.
    pub notes: Vec<String>,
}

/// A column: its name, the unit of its values, the side they are aligned to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// What the values are.
    pub name: String,
    /// Their unit; empty where there is none.
    pub unit: String,
    /// Where they line up.
    pub align: Align,
}

/// Where the texts of a column line up.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Align {
    /// At the left; for words.
    #[default]
    Left,
    /// At the right; for numbers.
    Right,
}

impl Column {
    /// A column of words.
    pub fn text(name: impl Into<String>) -> Self {
        Self { name: name.into(), unit: String::new(), align: Align::Left }
    }

    /// A column of numbers in a unit; an empty unit stands for none.
    pub fn number(name: impl Into<String>, unit: impl Into<String>) -> Self {
        Self { name: name.into(), unit: unit.into(), align: Align::Right }
    }
}

impl Table {
    /// A table without rows.
    pub fn new(title: impl Into<String>, columns: Vec<Column>) -> Self {
        Self { title: title.into(), columns, rows: Vec::new(), notes: Vec::new() }
    }

    /// The table for a terminal so many characters wide; `None` leaves every row on one line. Columns break their
    /// texts where the table would be too wide.
    #[cfg(feature = "cli")]
    pub fn to_text(&self, width: Option<u16>) -> String {
        use comfy_table::{Cell, CellAlignment, ContentArrangement, LineStyle, TableStyle};

        let mut grid = comfy_table::Table::new();
        grid.load_style(TableStyle::new().header_separator(LineStyle::none().fill('─')));
        match width {
            Some(width) => grid.set_content_arrangement(ContentArrangement::Dynamic).set_width(width),
            None => grid.set_content_arrangement(ContentArrangement::Disabled),
        };
        let cell = |column: &Column, text: &str| {
            Cell::new(plain(text)).set_alignment(match column.align {
                Align::Left => CellAlignment::Left,
                Align::Right => CellAlignment::Right,
            })
        };
        let head = |column: &Column| match column.unit.as_str() {
            "" => cell(column, &column.name),
            unit => cell(column, &format!("{}, {unit}", column.name)),
        };
        grid.set_header(self.columns.iter().map(head).collect::<Vec<_>>());
        for row in &self.rows {
            let texts = row.iter().map(String::as_str).chain(std::iter::repeat(""));
            grid.add_row(self.columns.iter().zip(texts).map(|(column, text)| cell(column, text)).collect::<Vec<_>>());
        }
        for (place, column) in grid.column_iter_mut().enumerate() {
            column.set_padding((0, if place + 1 < self.columns.len() { 2 } else { 0 }));
        }
        let mut lines = Vec::new();
        if !self.title.is_empty() {
            lines.extend([plain(&self.title), String::new()]);
        }
        if !self.columns.is_empty() {
            lines.extend(grid.lines().map(|line| line.trim_end().to_owned()));
        }
        if !self.notes.is_empty() {
            lines.push(String::new());
            lines.extend(self.notes.iter().map(|note| plain(note)));
        }
        lines.iter().map(|line| format!("{line}\n")).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        let columns = vec![Column::text("capture"), Column::number("level", "dB re 1 µV"), Column::text("verdict")];
        let mut table = Table::new("Levels on the wire", columns);
        table.rows = [["LED panel, dimmed", "82.4", "adds"], ["mixing desk", "9.1", "no difference shown"]]
            .map(|row| row.map(String::from).to_vec())
            .to_vec();
        table.notes = vec!["2 kHz to 150 kHz, 200 Hz".into()];
        table
    }

    #[cfg(feature = "cli")]
    #[test]
    fn words_line_up_left_and_numbers_right() {
        let expected = "\
Levels on the wire

capture            level, dB re 1 µV  verdict
─────────────────────────────────────────────────────────
LED panel, dimmed               82.4  adds
mixing desk                      9.1  no difference shown

2 kHz to 150 kHz, 200 Hz
";
        assert_eq!(table().to_text(None), expected);
    }

    #[cfg(feature = "cli")]
    #[test]
    fn a_narrow_terminal_breaks_texts_and_loses_none() {
        let text = table().to_text(Some(44));
        let grid: Vec<&str> = text.lines().skip(2).take_while(|line| !line.is_empty()).collect();
        assert!(grid.iter().all(|line| line.chars().count() <= 44), "{text}");
        assert!(["difference", "82.4", "dimmed"].iter().all(|word| text.contains(word)), "{text}");
    }

    #[cfg(feature = "cli")]
    #[test]
    fn nothing_in_a_table_steers_the_terminal() {
        let mut table = table();
        table.rows = vec![vec!["a\u{1b}[2Jb\nc".into()], Vec::new()];
        table.title = "\u{202e}title".into();
        let text = table.to_text(Some(80));
        assert!(text.starts_with("title\n") && text.contains("a [2Jb c"), "{text}");
        assert_eq!(Table::default().to_text(Some(80)), "");
    }
}
