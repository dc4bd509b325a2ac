//! A measured impedance over frequency: a table beside a what-if.
//!
//! The header names each column with its unit: `frequency_hz` (or `frequency_khz`), then `ohm` and `phase_deg`, or
//! `resistance_ohm` and `reactance_ohm`. Separators, decimal marks and remarks as in tables of readings.

use rustfft::num_complex::Complex;

use super::Source;
use super::small_table::{cells, lines, separator, text_of};
use crate::circuit::Table;
use crate::error::{Error, printable};

const EXPECTED: &str = "frequency_hz with ohm and phase_deg, or with resistance_ohm and reactance_ohm";
const REMEDY: &str = "name each column with its unit in the first row: frequency_hz,ohm,phase_deg";

/// Reads a table of impedance.
///
/// # Errors
/// What is no such table, a cell that is no number, frequencies that do not rise, an impedance of zero; with its place.
pub fn impedance(source: &Source) -> Result<Table, Error> {
    let name = printable(source.name());
    let wrong = |what: &str| Error::input(what).in_file(name.clone()).expected(EXPECTED).remedy(REMEDY);
    let text = text_of(source, &wrong)?;
    let mut lines = lines(&text);
    let (line, header) = lines.next().ok_or_else(|| wrong("is empty"))?;
    let separator = separator(header);
    let names: Vec<String> = cells(header, separator).iter().map(|(_, cell)| cell.to_lowercase()).collect();
    let at = |name: &str| names.iter().position(|other| other == name);
    let frequency = at("frequency_hz").map(|at| (at, 1.0)).or(at("frequency_khz").map(|at| (at, 1e3)));
    let polar = at("ohm").zip(at("phase_deg"));
    let parts = at("resistance_ohm").zip(at("reactance_ohm"));
    let (Some(frequency), Some(value), true) = (frequency, polar.or(parts), names.len() == 3) else {
        return Err(wrong(&format!("the header \"{}\"", printable(header))).at_line(line, None));
    };
    let (mut rows, mut places) = (Vec::new(), Vec::new());
    for (line, text) in lines {
        let cells = cells(text, separator);
        if cells.len() != names.len() {
            return Err(wrong(&format!("{} cells", cells.len())).at_line(line, None));
        }
        let number = |at: usize| {
            let (column, cell) = cells[at];
            let parsed = cell.replace(',', ".").parse::<f64>().ok().filter(|number| number.is_finite());
            parsed.ok_or_else(|| {
                let error = Error::input(format!("\"{}\"", printable(cell))).in_file(name.clone());
                error
                    .at_line(line, Some(column))
                    .expected("a finite number")
                    .remedy("correct the cell, or leave the row out")
            })
        };
        let (a, b) = (number(value.0)?, number(value.1)?);
        let impedance = if polar.is_some() { Complex::from_polar(a, b.to_radians()) } else { Complex::new(a, b) };
        // Beyond what rounding of a phase near 90° leaves.
        if impedance.re < -1e-6 * impedance.norm() {
            return Err(Error::input(format!("a resistance of {} ohm", impedance.re))
                .in_file(name.clone())
                .at_line(line, None)
                .expected("zero or more: a line, a supply or a load takes power, it gives none")
                .remedy("look at the sign of the phase, and at the reference of the measurement"));
        }
        rows.push((frequency.1 * number(frequency.0)?, impedance));
        places.push(line);
    }
    Table::new(&rows).map_err(|(number, (found, expected))| {
        let error = Error::input(found).in_file(name.clone()).expected(expected).remedy(REMEDY);
        match places.get(number) {
            Some(&line) => error.at_line(line, None),
            None => error,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::Impedance;
    use crate::read::Bytes;

    fn read(text: &str) -> Result<Table, Error> {
        impedance(&Source::new(Bytes::new("mains.csv", text.as_bytes().to_vec())))
    }

    #[test]
    fn both_forms_are_one_impedance() {
        let polar = Impedance::Table(read("frequency_khz,ohm,phase_deg\n2,5,53.13010235415598\n").unwrap());
        let parts = Impedance::Table(read("frequency_hz;resistance_ohm;reactance_ohm\n2000;3,0;4,0\n").unwrap());
        assert!((polar.at(2e3).unwrap() - parts.at(2e3).unwrap()).norm() < 1e-12);
    }

    #[test]
    fn faults_have_their_place() {
        for (text, said) in [
            ("", "is empty"),
            ("frequency_hz,ohm\n", "the header"),
            ("frequency_hz,ohm,phase_deg\n2000,zero,1\n", "mains.csv:2:6: \"zero\""),
            ("frequency_hz,ohm,phase_deg\n2000,1,1\n2000,1,1\n", "mains.csv:3: a frequency of 2000 Hz"),
            ("frequency_hz,resistance_ohm,reactance_ohm\n2000,-1,3\n", "mains.csv:2: a resistance of -1 ohm"),
            ("frequency_hz,ohm,phase_deg\n2000,1,120\n", "mains.csv:2: a resistance of -0.4999"),
            ("frequency_hz,ohm,phase_deg\n2000,0,1\n", "mains.csv:2: an impedance of 0 ohm"),
            ("frequency_hz,ohm,phase_deg\n2000,0\n", "mains.csv:2: 2 cells"),
            ("frequency_hz,ohm,phase_deg\n", "no row"),
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(said), "{text:?}: {error}");
        }
    }
}
