//! The tables beside a setup: text with a header row that names quantity and unit of each column.

use crate::capture::chain::{Row, Table};
use crate::error::{Error, printable};
use crate::read::Source;
use crate::read::fields::MOST_DECIBELS;

/// A table is some kilobytes; more than this is no response.
const LONGEST: usize = 1 << 24;

/// The columns of values: the kind of the part, the header, the unit that it leads to, how a cell becomes decibels.
struct Column {
    kind: &'static str,
    header: &'static str,
    unit: &'static str,
    to_db: fn(f64) -> f64,
}

const fn plain(kind: &'static str, header: &'static str, unit: &'static str) -> Column {
    Column { kind, header, unit, to_db: |db| db }
}

const COLUMNS: &[Column] = &[
    plain("response", "gain_db", "V"),
    plain("cable-loss", "loss_db", "V"),
    plain("antenna-factor", "factor_db_per_m", "V/m"),
    plain("antenna-factor", "factor_db_s_per_m", "A/m"),
    plain("antenna-factor", "factor_db_t_per_v", "T"),
    plain("transfer-impedance", "impedance_db_ohm", "A"),
    Column { kind: "noise", header: "noise_v_per_sqrt_hz", unit: "V", to_db: |volts| 20.0 * volts.log10() },
];

const FREQUENCIES: [(&str, f64); 2] = [("frequency_hz", 1.0), ("frequency_khz", 1e3)];

/// Which column holds what.
struct Layout {
    separator: char,
    frequency: (usize, f64),
    value: (usize, &'static Column),
    phase: Option<usize>,
    uncertainty: Option<usize>,
    count: usize,
}

/// Reads the table of a kind of part, and the unit that it leads to.
pub(super) fn read(source: &Source, kind: &'static str) -> Result<(Table, &'static str), Error> {
    let name = printable(source.name());
    let bytes = source.bytes_at(0, LONGEST + 1)?;
    if bytes.len() > LONGEST {
        return Err(Error::input("is longer than 16 MB").in_file(name).expected("a table over frequency"));
    }
    let text = String::from_utf8(bytes)
        .map_err(|_| Error::input("is no text in UTF-8").in_file(name.clone()).expected("a table over frequency"))?;
    let mut lines = (1u64..)
        .zip(text.trim_start_matches('\u{feff}').lines())
        .filter(|(_, line)| !line.trim().is_empty() && !line.trim_start().starts_with('#'));
    let (line, header) = lines
        .next()
        .ok_or_else(|| Error::input("is empty").in_file(name.clone()).expected("a table over frequency"))?;
    let layout = Layout::of(header, kind).map_err(|(column, error)| error.in_file(&*name).at_line(line, column))?;
    let mut places = Vec::new();
    let mut rows = Vec::new();
    for (line, text) in lines {
        rows.push(layout.row(text).map_err(|(column, error)| error.in_file(&*name).at_line(line, column))?);
        places.push(line);
    }
    let table = Table::new(source.name(), rows).map_err(|(number, error)| {
        let error = error.in_file(name);
        match places.get(number) {
            Some(&line) => error.at_line(line, None),
            None => error,
        }
    })?;
    Ok((table, layout.value.1.unit))
}

/// An error with the column of the text where it is, counted from 1.
type Misfit = (Option<u64>, Error);

impl Layout {
    fn of(header: &str, kind: &'static str) -> Result<Self, Misfit> {
        let separator = [';', '\t'].into_iter().find(|&c| header.contains(c)).unwrap_or(',');
        let values: Vec<&'static Column> = COLUMNS.iter().filter(|column| column.kind == kind).collect();
        let wanted = || {
            let values: Vec<&str> = values.iter().map(|column| column.header).collect();
            format!("the columns frequency_hz, {}, and where known phase_deg and uncertainty_db", values.join(" or "))
        };
        let (mut frequency, mut value, mut phase, mut uncertainty) = (None, None, None, None);
        let cells = cells(header, separator);
        for (at, (column, cell)) in cells.iter().enumerate() {
            let word = cell.to_ascii_lowercase();
            let known_frequency = FREQUENCIES.iter().find(|(name, _)| *name == word);
            let known_value = values.iter().find(|column| column.header == word);
            let taken = match (known_frequency, known_value, word.as_str()) {
                (Some((_, factor)), _, _) => frequency.replace((at, *factor)).is_some(),
                (_, Some(column), _) => value.replace((at, *column)).is_some(),
                (_, _, "phase_deg") => phase.replace(at).is_some(),
                (_, _, "uncertainty_db") => uncertainty.replace(at).is_some(),
                _ => {
                    let error = Error::input(format!("a column \"{}\"", printable(cell))).expected(wanted());
                    return Err((Some(*column), error.remedy("name each column with its unit in the first row")));
                }
            };
            if taken {
                let error = Error::input(format!("a second column of what \"{}\" is", printable(cell)));
                return Err((Some(*column), error.expected(wanted())));
            }
        }
        match (frequency, value) {
            (Some(frequency), Some(value)) => {
                Ok(Self { separator, frequency, value, phase, uncertainty, count: cells.len() })
            }
            _ => Err((None, Error::input(format!("the header \"{}\"", printable(header))).expected(wanted()))),
        }
    }

    fn row(&self, line: &str) -> Result<Row, Misfit> {
        let cells = cells(line, self.separator);
        if cells.len() != self.count {
            let error =
                Error::input(format!("{} values", cells.len())).expected(format!("{} as in the header", self.count));
            return Err((None, error));
        }
        let number = |at: usize| {
            let (column, cell) = cells[at];
            let refuse = |expected: &str| {
                Err((Some(column), Error::input(format!("\"{}\"", printable(cell))).expected(expected)))
            };
            // A comma can be a decimal mark only where it separates nothing.
            let plain = if self.separator == ',' { cell.to_owned() } else { cell.replace(',', ".") };
            match plain.parse::<f64>() {
                Ok(number) if number.is_finite() => Ok(number),
                _ => refuse("a finite number"),
            }
        };
        let value = (self.value.1.to_db)(number(self.value.0)?);
        if !(-MOST_DECIBELS..=MOST_DECIBELS).contains(&value) {
            let (column, cell) = cells[self.value.0];
            let error = Error::input(format!("\"{}\" as {}", printable(cell), self.value.1.header));
            return Err((Some(column), error.expected("a value that a real part can have")));
        }
        Ok(Row {
            frequency_hz: number(self.frequency.0)? * self.frequency.1,
            value_db: value,
            phase_deg: self.phase.map(number).transpose()?,
            uncertainty_db: self.uncertainty.map(number).transpose()?,
        })
    }
}

/// The cells of a line without blanks and quotes, each with its column counted from 1.
fn cells(line: &str, separator: char) -> Vec<(u64, &str)> {
    let mut column = 1;
    line.split(separator)
        .map(|cell| {
            let at = column + cell.chars().take_while(|c| c.is_whitespace()).count() as u64;
            column += cell.chars().count() as u64 + 1;
            (at, cell.trim().trim_matches('"').trim())
        })
        .collect()
}
