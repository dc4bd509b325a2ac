//! Readings of an indicator taken with a generator: a table of voltage, frequency and reading.
//!
//! The first row names quantity and unit of each column: `voltage_mv`, `Voltage (mV)`, `frequency in kHz`, `reading`.
//! A voltage is that of a sine, RMS unless its name says `peak` or `pp`. Cells are separated by semicolons, tabs or
//! commas; where commas separate nothing, or within quotes, a comma may be the decimal mark.

use std::f64::consts::SQRT_2;

use super::Source;
use super::small_table::{cells, lines, separator, text_of};
use crate::error::{Error, printable};

/// An invented table, ready to be changed.
pub const EXAMPLE: &str = include_str!("readings.example.csv");

/// More rows than anybody reads off an indicator.
const MOST_ROWS: usize = 20_000;
/// No generator reaches beyond these, in volts and hertz.
const MOST_VOLTS: f64 = 1e6;
const MOST_HERTZ: f64 = 1e12;
/// No indicator shows more.
const MOST_READING: f64 = 1e15;

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The RMS value of the generator's sine in volts; zero with the generator off.
    pub voltage_v: f64,
    /// Its frequency in hertz, above zero.
    pub frequency_hz: f64,
    /// What the indicator showed, in its own unit.
    pub reading: f64,
    /// Its standard uncertainty in the same unit, where the table states one; above zero.
    pub uncertainty: Option<f64>,
    /// The line in the file, counted from 1.
    pub line: u64,
}

/// All readings of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    /// The file.
    pub name: String,
    /// The unit of the readings as the header names it; empty where it names none.
    pub unit: String,
    /// The readings in the order of the file; at least one.
    pub rows: Vec<Reading>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Quantity {
    Voltage,
    Frequency,
    Reading,
    Uncertainty,
}

/// Words that name a quantity, in lower case, the longer ones first.
const WORDS: &[(&str, Quantity)] = &[
    ("uncertainty", Quantity::Uncertainty),
    ("indication", Quantity::Reading),
    ("frequency", Quantity::Frequency),
    ("voltage", Quantity::Voltage),
    ("reading", Quantity::Reading),
    ("display", Quantity::Reading),
    ("freq", Quantity::Frequency),
    ("f", Quantity::Frequency),
    ("u", Quantity::Voltage),
    ("v", Quantity::Voltage),
];
const VOLTS: &[(&str, f64)] = &[("v", 1.0), ("mv", 1e-3), ("uv", 1e-6), ("µv", 1e-6), ("μv", 1e-6), ("kv", 1e3)];
const HERTZ: &[(&str, f64)] = &[("hz", 1.0), ("khz", 1e3), ("mhz", 1e6)];
/// What a sine's voltage may be stated as, and its RMS value over that.
const FORMS: &[(&str, f64)] = &[("rms", 1.0), ("peak", 1.0 / SQRT_2), ("pp", 0.5 / SQRT_2)];

const EXPECTED: &str = "the columns voltage, frequency and reading, and where known uncertainty";
const REMEDY: &str = "name each column with its unit in the first row: voltage_mv,frequency_khz,reading";

/// A column: its place, and what its numbers are multiplied by.
#[derive(Debug, Clone, Copy)]
struct Column {
    at: usize,
    factor: f64,
}

struct Layout {
    separator: char,
    voltage: Column,
    frequency: Column,
    reading: usize,
    uncertainty: Option<usize>,
    count: usize,
    unit: String,
}

/// An error with the column of the text where it is, counted from 1.
type Misfit = (Option<u64>, Error);

/// Reads a table of readings.
///
/// # Errors
/// What is no such table, a cell that is no number, a voltage below zero, a frequency that is not above zero; each with
/// its line and column.
pub fn readings(source: &Source) -> Result<Readings, Error> {
    let name = printable(source.name());
    let wrong = |what: &str| Error::input(what).in_file(name.clone()).expected("a table of readings").remedy(REMEDY);
    let text = text_of(source, &wrong)?;
    let mut lines = lines(&text);
    let (line, header) = lines.next().ok_or_else(|| wrong("is empty"))?;
    let placed = |line: u64| {
        let name = name.clone();
        move |(column, error): Misfit| error.in_file(name).at_line(line, column)
    };
    let layout = Layout::of(header).map_err(placed(line))?;
    let mut rows = Vec::new();
    for (line, text) in lines {
        if rows.len() == MOST_ROWS {
            return Err(wrong("has more than 20,000 rows").at_line(line, None));
        }
        rows.push(layout.row(text, line).map_err(placed(line))?);
    }
    if rows.is_empty() {
        return Err(wrong("has a header and no reading"));
    }
    Ok(Readings { name: source.name().to_owned(), unit: layout.unit, rows })
}

impl Layout {
    fn of(header: &str) -> Result<Self, Misfit> {
        let separator = separator(header);
        let (mut voltage, mut frequency, mut reading, mut uncertainty) = (None, None, None, None);
        let mut unit = String::new();
        let cells = cells(header, separator);
        for (at, (column, cell)) in cells.iter().enumerate() {
            let refuse = |found: String, expected: &str| {
                (Some(*column), Error::input(found).expected(expected.to_owned()).remedy(REMEDY))
            };
            let Some((quantity, rest)) = named(cell) else {
                return Err(refuse(format!("a column \"{}\"", printable(cell)), EXPECTED));
            };
            let unknown = |known: &str| {
                let found = match rest.as_str() {
                    "" => format!("\"{}\" without a unit", printable(cell)),
                    _ => format!("\"{}\" in \"{}\"", printable(cell), printable(&rest)),
                };
                refuse(found, known)
            };
            let again = match quantity {
                Quantity::Voltage => {
                    let factor = volts(&rest).ok_or_else(|| unknown("V, mV or µV, and rms, peak or pp"))?;
                    voltage.replace(Column { at, factor }).is_some()
                }
                Quantity::Frequency => {
                    let factor = factor(&rest, HERTZ).ok_or_else(|| unknown("Hz, kHz or MHz"))?;
                    frequency.replace(Column { at, factor }).is_some()
                }
                Quantity::Reading => {
                    unit = printable(&rest);
                    reading.replace(at).is_some()
                }
                Quantity::Uncertainty => uncertainty.replace(at).is_some(),
            };
            if again {
                return Err(refuse(format!("\"{}\", the second column of its kind", printable(cell)), EXPECTED));
            }
        }
        match (voltage, frequency, reading) {
            (Some(voltage), Some(frequency), Some(reading)) => {
                Ok(Self { separator, voltage, frequency, reading, uncertainty, count: cells.len(), unit })
            }
            _ => {
                let found = format!("the header \"{}\"", printable(header));
                Err((None, Error::input(found).expected(EXPECTED).remedy(REMEDY)))
            }
        }
    }

    fn row(&self, text: &str, line: u64) -> Result<Reading, Misfit> {
        let cells = cells(text, self.separator);
        if cells.len() != self.count {
            let found = format!("{} cells", cells.len());
            let error = Error::input(found).expected(format!("{} as in the header", self.count));
            return Err((None, error.remedy("where commas are decimal marks, separate the cells by semicolons")));
        }
        let number = |at: usize, expected: &str, fits: &dyn Fn(f64) -> bool| {
            let (column, cell) = cells[at];
            let refuse = |remedy: &str| {
                let error = Error::input(format!("\"{}\"", printable(cell))).expected(expected.to_owned());
                Err((Some(column), error.remedy(remedy)))
            };
            let both = cell.contains(',') && cell.contains('.');
            match cell.replace(',', ".").parse::<f64>() {
                Ok(number) if !both && number.is_finite() && fits(number) => Ok(number),
                Ok(_) => refuse("correct the cell, or leave the row out"),
                Err(_) => {
                    refuse("a row without a number, such as an overflow of the display, is left out of the table")
                }
            }
        };
        let volts = |value: f64| value >= 0.0 && value * self.voltage.factor <= MOST_VOLTS;
        let hertz = |value: f64| value > 0.0 && value * self.frequency.factor <= MOST_HERTZ;
        let shown = |value: f64| value.abs() <= MOST_READING;
        let sure = |value: f64| value > 0.0 && value <= MOST_READING;
        Ok(Reading {
            voltage_v: self.voltage.factor * number(self.voltage.at, "a voltage, not below zero", &volts)?,
            frequency_hz: self.frequency.factor * number(self.frequency.at, "a frequency above zero", &hertz)?,
            reading: number(self.reading, "a reading as a number", &shown)?,
            uncertainty: self.uncertainty.map(|at| number(at, "an uncertainty above zero", &sure)).transpose()?,
            line,
        })
    }
}

/// The quantity that a header names, and what follows it: its unit.
fn named(header: &str) -> Option<(Quantity, String)> {
    let is_apart = |c: char| c.is_whitespace() || matches!(c, '_' | '(' | ')' | '[' | ']' | '/' | ',' | '.' | '-');
    let lower = header.to_lowercase();
    let (word, quantity) = WORDS
        .iter()
        .find(|(word, _)| lower.strip_prefix(word).is_some_and(|rest| rest.chars().next().is_none_or(is_apart)))?;
    // Lower case may have another length only in words that are none of these.
    let rest = header.get(word.len()..)?.trim_matches(is_apart);
    let rest = rest.strip_prefix("in ").unwrap_or(rest);
    Some((*quantity, rest.to_owned()))
}

fn factor(unit: &str, known: &[(&str, f64)]) -> Option<f64> {
    let unit = unit.to_lowercase();
    known.iter().find(|(name, _)| *name == unit).map(|(_, factor)| *factor)
}

/// What turns a voltage stated in these words into volts RMS: `mV`, `peak_v`, `mV pp`.
fn volts(words: &str) -> Option<f64> {
    let mut parts = words.split(|c: char| !c.is_alphanumeric() && c != 'µ' && c != 'μ').filter(|part| !part.is_empty());
    let (mut unit, mut form) = (None, None);
    parts.try_for_each(|part| match (factor(part, VOLTS), factor(part, FORMS)) {
        (Some(factor), _) => unit.replace(factor).is_none().then_some(()),
        (_, Some(factor)) => form.replace(factor).is_none().then_some(()),
        _ => None,
    })?;
    Some(unit? * form.unwrap_or(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::Bytes;

    fn read(text: &str) -> Result<Readings, Error> {
        readings(&Source::new(Bytes::new("readings.csv", text.as_bytes().to_vec())))
    }

    #[test]
    fn units_stand_in_the_header_in_many_ways() {
        for header in
            ["voltage_mv,frequency_khz,reading", "U (mV), f [kHz], Reading", "Voltage in mV,Freq. kHz,display"]
        {
            let found = read(&format!("# a remark\n{header}\n20,50,123.4\n")).unwrap();
            let row = found.rows[0];
            assert!(
                (row.voltage_v - 20e-3).abs() < 1e-12 && (row.frequency_hz - 50e3).abs() < 1e-9,
                "{header}: {row:?}"
            );
            assert_eq!((row.reading, row.line, found.unit.as_str()), (123.4, 3, ""), "{header}");
        }
        // 1 V from peak to peak is 0.353553 V RMS.
        let found = read("voltage_pp_v;frequency_hz;reading (units);uncertainty\n1,0;2000;12,5;0,1\n").unwrap();
        assert!((found.rows[0].voltage_v - 0.353_553_390_593_273_8).abs() < 1e-15);
        assert_eq!((found.rows[0].reading, found.rows[0].uncertainty, &*found.unit), (12.5, Some(0.1), "units"));
        assert_eq!(read("voltage_v,frequency_hz,reading\n\"0,5\",100,\"7,25\"\n").unwrap().rows[0].reading, 7.25);
    }

    #[test]
    fn faults_are_named_with_line_and_column() {
        let head = "voltage_mv,frequency_khz,reading";
        for (text, said) in [
            (String::new(), "is empty"),
            (format!("{head}\n"), "no reading"),
            (format!("{head}\n20,50,OL\n"), "readings.csv:2:7: \"OL\"; expected a reading as a number"),
            (format!("{head}\n20,50,1\n-3,50,1\n"), "readings.csv:3:1: \"-3\"; expected a voltage, not below zero"),
            (format!("{head}\n20,0,1\n"), "readings.csv:2:4: \"0\"; expected a frequency above zero"),
            (format!("{head}\n20,50\n"), "readings.csv:2: 2 cells; expected 3"),
            (format!("{head}\n1,5,50,1\n"), "separate the cells by semicolons"),
            (format!("{head}\n20,50,nan\n"), "readings.csv:2:7"),
            ("voltage,frequency_khz,reading\n".into(), "readings.csv:1:1: \"voltage\" without a unit"),
            ("voltage_mv,frequency_furlongs,reading\n".into(), "readings.csv:1:12: "),
            ("voltage_mv,frequency_khz,mood\n".into(), "readings.csv:1:26: a column \"mood\""),
            ("voltage_mv,frequency_khz\n".into(), "the header"),
            ("u_v,v_v,f_hz,reading\n".into(), "the second column of its kind"),
        ] {
            let error = read(&text).unwrap_err().to_string();
            assert!(error.contains(said), "{text:?}: {error}");
        }
    }
}
