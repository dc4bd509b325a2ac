//! Linear circuits at one frequency: elements between nodes, and the voltages that follow.
//!
//! The one idea: nodal analysis. Every element is an admittance between two nodes, node 0 is the reference, sources
//! are currents into nodes, and the dense complex system is solved with partial pivoting. What is plugged into a
//! supply, and how sure that is, stands in [`supply`]. Knows no files and no captures.

pub mod supply;

use std::f64::consts::TAU;

use rustfft::num_complex::Complex;

/// The reference of all voltages: the neutral.
pub const REFERENCE: usize = 0;

/// An impedance over frequency.
#[derive(Debug, Clone, PartialEq)]
pub enum Impedance {
    /// A resistance, an inductance and, where there is one, a capacitance in series.
    Series {
        /// Ohms, not below zero.
        ohm: f64,
        /// Henries, not below zero.
        henry: f64,
        /// Farads, above zero; `None` for no capacitor.
        farad: Option<f64>,
    },
    /// Measured.
    Table(Table),
}

/// What is wrong with an impedance: what was found, and what was expected.
pub type Unfit = (String, &'static str);

impl Impedance {
    /// Elements in series.
    ///
    /// # Errors
    /// Values below zero or not finite, a capacitance of zero, and no impedance at all.
    pub fn series(ohm: f64, henry: f64, farad: Option<f64>) -> Result<Self, Unfit> {
        for (value, unit) in [(ohm, "ohm"), (henry, "H")] {
            if !(value.is_finite() && value >= 0.0) {
                return Err((format!("{value} {unit}"), "a value that is not below zero"));
            }
        }
        if let Some(farad) = farad.filter(|farad| !(farad.is_finite() && *farad > 0.0)) {
            return Err((format!("a capacitor of {farad} F"), "a capacitance above zero"));
        }
        if ohm == 0.0 && henry == 0.0 && farad.is_none() {
            return Err(("an impedance of zero".into(), "a resistance, an inductance or a capacitance above zero"));
        }
        Ok(Self::Series { ohm, henry, farad })
    }

    /// The impedance at a frequency above zero; `None` where a table does not reach.
    pub fn at(&self, frequency_hz: f64) -> Option<Complex<f64>> {
        let omega = TAU * frequency_hz;
        match self {
            Self::Series { ohm, henry, farad } => {
                let reactance = omega * henry - farad.map_or(0.0, |farad| 1.0 / (omega * farad));
                Some(Complex::new(*ohm, reactance))
            }
            Self::Table(table) => table.at(frequency_hz),
        }
    }

    /// The same with resistance, inductance and capacitance multiplied; a table takes the first factor as a whole.
    #[must_use]
    pub fn times(&self, [ohms, henries, farads]: [f64; 3]) -> Self {
        match self {
            Self::Series { ohm, henry, farad } => {
                Self::Series { ohm: ohms * ohm, henry: henries * henry, farad: farad.map(|farad| farads * farad) }
            }
            Self::Table(table) => Self::Table(table.times(ohms)),
        }
    }
}

/// A measured impedance: linear over the logarithm of the frequency in ln |Z| and in phase, never beyond its ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    rows: Vec<(f64, f64, f64)>,
}

impl Table {
    /// Takes rows of frequency in hertz and impedance in ohms.
    ///
    /// # Errors
    /// No row, frequencies that do not rise from above zero, an impedance that is zero or not finite; with the number
    /// of the row, counted from 0.
    pub fn new(rows: &[(f64, Complex<f64>)]) -> Result<Self, (usize, Unfit)> {
        let mut polar: Vec<(f64, f64, f64)> = Vec::with_capacity(rows.len());
        for (number, &(frequency, impedance)) in rows.iter().enumerate() {
            let refuse = |found: String, expected| Err((number, (found, expected)));
            if !(frequency.is_finite() && frequency > polar.last().map_or(0.0, |row| row.0)) {
                return refuse(format!("a frequency of {frequency} Hz"), "frequencies above zero that rise");
            }
            let (size, angle) = impedance.to_polar();
            if !(size.is_finite() && size > 0.0) {
                return refuse(format!("an impedance of {size} ohm"), "an impedance above zero");
            }
            // The turn nearest to the row before.
            let turns = polar.last().map_or(0.0, |row| ((row.2 - angle) / TAU).round());
            polar.push((frequency, size.ln(), angle + TAU * turns));
        }
        if polar.is_empty() {
            Err((0, ("no row".into(), "an impedance over frequency")))
        } else {
            Ok(Self { rows: polar })
        }
    }

    /// The lowest and the highest frequency.
    pub fn covers(&self) -> (f64, f64) {
        (self.rows[0].0, self.rows[self.rows.len() - 1].0)
    }

    fn at(&self, frequency: f64) -> Option<Complex<f64>> {
        let (low, high) = self.covers();
        // An end that was rounded on its way is still an end.
        let inside = low * (1.0 - 1e-9) <= frequency && frequency <= high * (1.0 + 1e-9);
        let above = self.rows.partition_point(|row| row.0 < frequency).clamp(1, (self.rows.len() - 1).max(1));
        let below = self.rows[above - 1];
        let above = *self.rows.get(above).unwrap_or(&below);
        let share = if above.0 > below.0 { (frequency / below.0).ln() / (above.0 / below.0).ln() } else { 0.0 };
        let share = share.clamp(0.0, 1.0);
        let between = |a: f64, b: f64| a + share * (b - a);
        inside.then(|| Complex::from_polar(between(below.1, above.1).exp(), between(below.2, above.2)))
    }

    fn times(&self, factor: f64) -> Self {
        Self { rows: self.rows.iter().map(|&(f, size, angle)| (f, size + factor.ln(), angle)).collect() }
    }
}

/// Elements between nodes.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Network {
    branches: Vec<(usize, usize, Impedance)>,
}

/// Why there are no voltages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unsolved {
    /// A node that nothing ties to the reference.
    Floating {
        /// Its number.
        node: usize,
    },
    /// A measured impedance that does not reach this frequency.
    OutsideTable,
}

impl Network {
    /// Puts an impedance between two nodes.
    pub fn connect(&mut self, from: usize, to: usize, impedance: Impedance) {
        self.branches.push((from, to, impedance));
    }

    /// The voltages of all nodes over the reference for currents into nodes.
    ///
    /// ```
    /// use linewake::circuit::{Impedance, Network, REFERENCE};
    /// use rustfft::num_complex::Complex;
    /// // 10 mA through 50 ohm beside 1 µF at 20 kHz: 0.5 V / |1 + jωRC| = 0.5 V / |1 + j6.2832|.
    /// let mut network = Network::default();
    /// network.connect(1, REFERENCE, Impedance::series(50.0, 0.0, None).unwrap());
    /// network.connect(1, REFERENCE, Impedance::series(0.0, 0.0, Some(1e-6)).unwrap());
    /// let volts = network.voltages(20e3, &[(1, Complex::new(0.01, 0.0))]).unwrap();
    /// assert!((volts[1].norm() - 0.5 / (1.0 + 6.283185307179586f64.powi(2)).sqrt()).abs() < 1e-12);
    /// ```
    ///
    /// # Errors
    /// A node that nothing ties to the reference, a table that does not reach the frequency.
    pub fn voltages(
        &self,
        frequency_hz: f64,
        currents: &[(usize, Complex<f64>)],
    ) -> Result<Vec<Complex<f64>>, Unsolved> {
        let named = self.branches.iter().flat_map(|(from, to, _)| [*from, *to]).chain(currents.iter().map(|c| c.0));
        let count = named.max().unwrap_or(0);
        let zero = Complex::new(0.0, 0.0);
        // Node n stands in row n − 1; the last column holds the currents.
        let mut rows = vec![vec![zero; count + 1]; count];
        for (from, to, impedance) in &self.branches {
            let impedance = impedance.at(frequency_hz).ok_or(Unsolved::OutsideTable)?;
            // A lossless resonance hit to the last digit is a short all but for this.
            let admittance = if impedance.norm() > 1e-12 { impedance.inv() } else { Complex::new(1e12, 0.0) };
            for (a, b) in [(*from, *to), (*to, *from)] {
                if a != REFERENCE && a != b {
                    rows[a - 1][a - 1] += admittance;
                    if b != REFERENCE {
                        rows[a - 1][b - 1] -= admittance;
                    }
                }
            }
        }
        for &(node, current) in currents {
            if node != REFERENCE {
                rows[node - 1][count] += current;
            }
        }
        let mut voltages = vec![zero];
        voltages.extend(solved(rows)?);
        Ok(voltages)
    }
}

/// Gauss's elimination with partial pivoting; the right side is the last column.
fn solved(mut rows: Vec<Vec<Complex<f64>>>) -> Result<Vec<Complex<f64>>, Unsolved> {
    let count = rows.len();
    let largest: Vec<f64> =
        rows.iter().map(|row| row[..count].iter().map(|entry| entry.norm()).fold(0.0, f64::max)).collect();
    let mut scale = largest;
    for column in 0..count {
        let size = |row: usize| rows[row][column].norm();
        let pivot = (column..count).max_by(|&a, &b| size(a).total_cmp(&size(b))).unwrap_or(column);
        // What rounding leaves of a row whose entries cancel.
        if size(pivot) <= 1e-14 * scale[pivot] || scale[pivot] == 0.0 {
            return Err(Unsolved::Floating { node: column + 1 });
        }
        rows.swap(column, pivot);
        scale.swap(column, pivot);
        let (done, below) = rows.split_at_mut(column + 1);
        for row in below {
            let factor = row[column] / done[column][column];
            for (entry, above) in row[column..].iter_mut().zip(&done[column][column..]) {
                *entry -= factor * above;
            }
        }
    }
    let mut voltages = vec![Complex::new(0.0, 0.0); count];
    for row in (0..count).rev() {
        let known: Complex<f64> = (row + 1..count).map(|k| rows[row][k] * voltages[k]).sum();
        voltages[row] = (rows[row][count] - known) / rows[row][row];
    }
    Ok(voltages)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(ohm: f64, henry: f64, farad: Option<f64>) -> Impedance {
        Impedance::series(ohm, henry, farad).map_err(|unfit| format!("{unfit:?}")).unwrap()
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert!(Impedance::series(-1.0, 0.0, None).is_err() && Impedance::series(0.0, f64::NAN, None).is_err());
        assert!(Impedance::series(0.0, 0.0, None).unwrap_err().0.contains("zero"));
        assert!(Impedance::series(1.0, 0.0, Some(-1e-6)).unwrap_err().0.contains("capacitor of -0.000001 F"));
        assert!(Table::new(&[]).is_err());
        let one = Complex::new(1.0, 0.0);
        assert_eq!(Table::new(&[(2e3, one), (2e3, one)]).unwrap_err().0, 1);
        assert_eq!(Table::new(&[(2e3, Complex::new(0.0, 0.0))]).unwrap_err().0, 0);
    }

    #[test]
    fn an_island_is_named() {
        let mut network = Network::default();
        network.connect(1, REFERENCE, series(50.0, 0.0, None));
        network.connect(2, 3, series(1.0, 0.0, None));
        let found = network.voltages(1e3, &[(1, Complex::new(1.0, 0.0))]);
        assert!(matches!(found, Err(Unsolved::Floating { node: 2 | 3 })), "{found:?}");
    }

    #[test]
    fn a_table_of_a_circuit_is_that_circuit() {
        // 5 ohm + 50 µH from 1 to 200 kHz in steps of 1 %: interpolation is good to some 1e-5.
        let circuit = series(5.0, 50e-6, None);
        let rows: Vec<_> = (0..540).map(|k| 1e3 * 1.01f64.powi(k)).map(|f| (f, circuit.at(f).unwrap())).collect();
        let table = Impedance::Table(Table::new(&rows).unwrap());
        for f in [1e3, 2.34e3, 17e3, 149e3] {
            assert!((table.at(f).unwrap() - circuit.at(f).unwrap()).norm() < 1e-4 * circuit.at(f).unwrap().norm());
        }
        assert!(table.at(999.0).is_none() && table.at(300e3).is_none());
        assert!((table.times([2.0, 1.0, 1.0]).at(5e3).unwrap() / table.at(5e3).unwrap() - 2.0).norm() < 1e-12);
    }

    #[test]
    fn a_ladder_has_the_voltage_of_the_continued_fraction() {
        // 1 A into a ladder of 1 ohm rungs and 1 ohm rails with three meshes: 1 ∥ (1 + 1 ∥ (1 + 1)) = 5/8 ohm.
        let mut network = Network::default();
        for node in 1..=3 {
            network.connect(node, REFERENCE, series(1.0, 0.0, None));
        }
        network.connect(1, 2, series(1.0, 0.0, None));
        network.connect(2, 3, series(1.0, 0.0, None));
        let volts = network.voltages(50.0, &[(1, Complex::new(1.0, 0.0))]).unwrap();
        let expected = [0.0, 5.0 / 8.0, 2.0 / 8.0, 1.0 / 8.0];
        assert!(volts.iter().zip(expected).all(|(volt, expected)| (volt - expected).norm() < 1e-15), "{volts:?}");
    }
}
