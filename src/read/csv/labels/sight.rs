//! The columns as they are seen before anything is decided: their labels, and the numbers of the first rows.

use super::super::body::Form;
use super::super::cells::{CellUnit, Dialect, Printed, TimeOfDay};
use super::super::label::Label;
use super::super::timing::{Fineness, Ruler};
use crate::error::printable;

/// Numbers beyond this are no codes of a converter.
const LARGEST_CODE: f64 = 32_767.0;

/// The columns' labels and the numbers of the first rows.
pub(super) struct Sight<'a> {
    pub(super) cells: &'a [usize],
    pub(super) labels: Vec<Label>,
    pub(super) sample: Vec<Vec<Printed>>,
    pub(super) fineness: Vec<Fineness>,
    pub(super) forms: Vec<Form>,
    /// The cells as they are written.
    pub(super) texts: Vec<Vec<&'a [u8]>>,
    /// The unit within the cells.
    pub(super) units: Vec<Option<CellUnit>>,
}

impl Sight<'_> {
    pub(super) fn is_whole(&self, column: usize) -> bool {
        self.sample[column].iter().all(|printed| printed.is_whole())
    }

    /// Whether the column counts rows: 0, 1, 2 ...
    pub(super) fn counts(&self, column: usize) -> bool {
        let values = &self.sample[column];
        self.is_whole(column)
            && values.len() > 1
            && values.windows(2).all(|pair| (pair[1].value - pair[0].value - 1.0).abs() < 1e-9)
    }

    pub(super) fn is_logic(&self, column: usize) -> bool {
        self.sample[column].iter().all(|printed| printed.value.abs() < 0.5 || (printed.value - 1.0).abs() < 0.5)
            && self.is_whole(column)
    }

    pub(super) fn is_codes(&self, column: usize) -> bool {
        self.is_whole(column) && self.sample[column].iter().all(|printed| printed.value.abs() <= LARGEST_CODE)
    }

    /// Whether the column rises like a clock. A record long enough that rises all the way is a clock even when its
    /// steps differ; the ruler says later what is wrong with it.
    pub(super) fn rises(&self, column: usize) -> bool {
        const LONG: usize = 8;
        let values = &self.sample[column];
        let mut ruler = Ruler::new(self.fineness[column]);
        for &printed in values {
            ruler.push(printed, 0);
        }
        let strictly = values.windows(2).all(|pair| pair[1].value > pair[0].value);
        values.len() > 2 && (ruler.read().is_ok() || (strictly && values.len() >= LONG))
    }

    /// Whether the column is a digital word in binary: as many zeros and ones in every cell.
    pub(super) fn is_bits(&self, column: usize) -> bool {
        let Some(first) = self.texts[column].first() else { return false };
        let bits = |text: &[u8]| text.len() == first.len() && text.iter().all(|byte| matches!(byte, b'0' | b'1'));
        first.len() >= 4
            && self.texts[column].iter().all(|text| bits(text))
            && self.texts[column].iter().any(|text| text[0] == b'0')
    }

    /// Whether the column rises by equal whole steps other than one.
    pub(super) fn counts_by_steps(&self, column: usize) -> bool {
        let values = &self.sample[column];
        let step = values.get(1).zip(values.first()).map_or(0.0, |(second, first)| second.value - first.value);
        self.is_whole(column)
            && step > 1.5
            && values.windows(2).all(|pair| (pair[1].value - pair[0].value - step).abs() < 0.5)
    }

    /// Whether the column holds times of day.
    pub(super) fn is_clock(&self, column: usize) -> bool {
        matches!(self.forms[column], Form::Clock(_))
    }

    /// Whether the column rises in whole numbers, as a count does, even one with holes.
    pub(super) fn rises_in_whole(&self, column: usize) -> bool {
        self.is_whole(column) && self.sample[column].windows(2).all(|pair| pair[1].value > pair[0].value)
    }

    /// Whether the column rises and its steps are equal.
    pub(super) fn is_straight(&self, column: usize) -> bool {
        let mut ruler = Ruler::new(self.fineness[column]);
        for &printed in &self.sample[column] {
            ruler.push(printed, 0);
        }
        ruler.read().is_ok()
    }

    /// A column without a name whose cells hold seconds is the time.
    pub(super) fn label_by_cells(&mut self) {
        for (label, unit) in self.labels.iter_mut().zip(&self.units) {
            if *unit == Some(CellUnit::Time) && label.unit.is_none() && label.written.is_empty() {
                label.unit = Some("s".to_owned());
            }
        }
    }

    pub(super) fn name(&self, column: usize) -> String {
        let written = &self.labels[column].written;
        if written.is_empty() {
            format!("column {}", self.cells[column] + 1)
        } else {
            format!("\"{}\"", printable(written))
        }
    }
}

/// How the times of a column are written.
pub(super) fn form_of(cells: &[&[u8]], dialect: Dialect) -> Form {
    // A double holds fifteen digits for sure.
    const DIGITS: i32 = 15;
    let Some(first) = cells.first() else { return Form::Number };
    if let Some(time) = TimeOfDay::read(first) {
        #[expect(clippy::cast_possible_truncation, reason = "a day has 86400 seconds")]
        return Form::Clock(time.second as i64);
    }
    let whole = first.split(|&byte| byte == dialect.decimal).next().unwrap_or_default();
    let base = std::str::from_utf8(whole).ok().and_then(|text| text.trim_start_matches('+').parse::<i64>().ok());
    let Some(base) = base.filter(|base| base.abs() >= 1_000_000) else { return Form::Number };
    let is_long = |cell: &&[u8]| dialect.printed(cell).is_some_and(|printed| printed.significant >= DIGITS);
    let form = Form::Epoch(base);
    let fits = cells.iter().any(is_long) && cells.iter().all(|cell| form.read(cell, dialect).is_some());
    if fits { form } else { Form::Number }
}
