//! The uncertainty budget: what contributes to a result, how it was judged, and what all of it comes to.
//!
//! A budget is the law of propagation of uncertainty on plain numbers: standard uncertainties, sensitivities,
//! degrees of freedom, correlations. What the numbers mean is decided by those who make one.
//!
//! # Sources
//! JCGM 100:2008 (GUM), clauses 4.3, 5.1, 5.2 and annex G.

use serde::{Serialize, Serializer};

use super::{COVERAGE, student_factor};

/// How a standard uncertainty was judged (GUM 3.3.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Evaluation {
    /// From the scatter of observations.
    A,
    /// From anything else: a data sheet, a certificate, experience.
    B,
}

/// What is known of where a value lies about its estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Distribution {
    /// Normal; the stated uncertainty is `coverage_factor` standard uncertainties.
    Normal {
        /// The factor k of the statement, above zero.
        coverage_factor: f64,
    },
    /// Anywhere between two limits alike.
    Rectangular,
    /// Between two limits, most likely in the middle.
    Triangular,
    /// Between two limits, most likely at them, as of a mismatch with unknown phase.
    UShaped,
}

impl Distribution {
    /// What a stated uncertainty or half-width is divided by to give the standard uncertainty.
    ///
    /// ```
    /// use linewake::uncertainty::budget::Distribution;
    /// assert_eq!(Distribution::Rectangular.divisor(), 3f64.sqrt());
    /// ```
    ///
    /// # Sources
    /// JCGM 100:2008, 4.3.3 (normal), 4.3.7 (rectangular, √3), 4.3.9 (triangular, √6); U-shaped, √2: the arcsine
    /// distribution.
    pub fn divisor(self) -> f64 {
        match self {
            Distribution::Normal { coverage_factor } => coverage_factor,
            Distribution::Rectangular => 3f64.sqrt(),
            Distribution::Triangular => 6f64.sqrt(),
            Distribution::UShaped => 2f64.sqrt(),
        }
    }

    /// The word that setup files, tables and JSON use.
    pub fn word(self) -> &'static str {
        match self {
            Distribution::Normal { .. } => "normal",
            Distribution::Rectangular => "rectangular",
            Distribution::Triangular => "triangular",
            Distribution::UShaped => "u-shaped",
        }
    }
}

impl Serialize for Distribution {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

/// One line of a budget.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contribution {
    /// What contributes.
    pub quantity: String,
    /// How it was judged.
    pub evaluation: Evaluation,
    /// What was taken for its distribution.
    pub distribution: Distribution,
    /// Its standard uncertainty, in its own unit.
    pub standard_uncertainty: f64,
    /// How the result follows it: the derivative, in units of the result per unit of the quantity.
    pub sensitivity: f64,
    /// How well the standard uncertainty is known; without limit (null in JSON) where it is taken as exact.
    pub degrees_of_freedom: f64,
    /// Whether it is common to both sides of a difference, so that it cancels and counts nothing.
    pub cancelled: bool,
}

impl Contribution {
    /// A contribution of type B with unlimited degrees of freedom and a sensitivity of one.
    pub fn stated(quantity: impl Into<String>, distribution: Distribution, standard_uncertainty: f64) -> Self {
        Self {
            quantity: quantity.into(),
            evaluation: Evaluation::B,
            distribution,
            standard_uncertainty,
            sensitivity: 1.0,
            degrees_of_freedom: f64::INFINITY,
            cancelled: false,
        }
    }

    /// A contribution of type A with a sensitivity of one.
    pub fn observed(quantity: impl Into<String>, standard_uncertainty: f64, degrees_of_freedom: f64) -> Self {
        Self {
            evaluation: Evaluation::A,
            degrees_of_freedom,
            ..Self::stated(quantity, Distribution::Normal { coverage_factor: 1.0 }, standard_uncertainty)
        }
    }

    /// The same with another sensitivity.
    #[must_use]
    pub fn times(self, sensitivity: f64) -> Self {
        Self { sensitivity, ..self }
    }

    /// What it contributes to the result, with its sign; nothing when it cancels.
    pub fn part(&self) -> f64 {
        if self.cancelled { 0.0 } else { self.sensitivity * self.standard_uncertainty }
    }
}

/// Two inputs of a budget, by their place, and their correlation coefficient.
pub type Correlation = (usize, usize, f64);

/// The covariance of two results that depend on the same inputs in the same order; pairs that are not named are
/// not correlated. Of a result with itself it is the variance.
///
/// # Panics
/// When the results have different numbers of inputs, or a pair names one that does not exist.
///
/// # Sources
/// JCGM 100:2008, equation (16), and H.2.3, equation (H.9).
pub fn covariance(a: &[Contribution], b: &[Contribution], correlations: &[Correlation]) -> f64 {
    assert_eq!(a.len(), b.len(), "both results depend on the same inputs");
    let own: f64 = a.iter().zip(b).map(|(a, b)| a.part() * b.part()).sum();
    let crossed = |&(i, j, r): &Correlation| r * (a[i].part() * b[j].part() + a[j].part() * b[i].part());
    own + correlations.iter().map(crossed).sum::<f64>()
}

/// What all contributions come to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Budget {
    /// The contributions.
    pub rows: Vec<Contribution>,
    /// The unit of the combined and the expanded uncertainty.
    pub unit: String,
    /// The combined standard uncertainty.
    pub combined: f64,
    /// The effective degrees of freedom; without limit (null in JSON) where no row has one.
    pub effective_degrees_of_freedom: f64,
    /// The factor from the combined to the expanded uncertainty.
    pub coverage_factor: f64,
    /// The coverage that the factor is for.
    pub coverage: f64,
    /// The expanded uncertainty, half the width of the interval.
    pub expanded: f64,
}

impl Budget {
    /// Combines independent contributions; expanded at 95 %.
    pub fn new(unit: impl Into<String>, rows: Vec<Contribution>) -> Self {
        Self::correlated(unit, rows, &[], COVERAGE)
    }

    /// Combines contributions of which some are correlated, for any coverage.
    ///
    /// The effective degrees of freedom are cut to the next lower whole number before Student's t is taken.
    ///
    /// # Panics
    /// When `coverage` does not lie between 0 and 1, or a correlation names a row that does not exist.
    ///
    /// # Sources
    /// JCGM 100:2008, equation (16) and G.4.1, equation (G.2b) with its note on truncation.
    pub fn correlated(
        unit: impl Into<String>,
        rows: Vec<Contribution>,
        correlations: &[Correlation],
        coverage: f64,
    ) -> Self {
        // Rounding may leave a tiny negative sum where everything cancels.
        let variance = covariance(&rows, &rows, correlations).max(0.0);
        let weighted: f64 = rows.iter().map(|row| row.part().powi(4) / row.degrees_of_freedom).sum();
        let degrees = if weighted > 0.0 { variance * variance / weighted } else { f64::INFINITY };
        let coverage_factor = student_factor(coverage, degrees.floor().clamp(1.0, MANY));
        let combined = variance.sqrt();
        Self {
            rows,
            unit: unit.into(),
            combined,
            effective_degrees_of_freedom: degrees,
            coverage_factor,
            coverage,
            expanded: coverage_factor * combined,
        }
    }
}

/// Degrees of freedom beyond which Student's t is the normal distribution to all digits.
const MANY: f64 = 1e12;

#[cfg(test)]
mod tests {
    use statrs::distribution::{ContinuousCDF, FisherSnedecor};

    use super::*;
    use crate::uncertainty::Estimate;

    #[track_caller]
    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected}");
    }

    #[test]
    fn the_end_gauge_of_the_gum() {
        // JCGM 100:2008, H.1: contributions in nm and their degrees of freedom (table H.1); combined 32 nm, 16
        // effective degrees of freedom, t99 = 2.92, expanded 93 nm.
        let nm = [(25.0, 18.0), (5.8, 24.0), (3.9, 5.0), (6.7, 8.0), (2.9, 50.0), (16.6, 2.0)];
        let rows = nm.iter().map(|&(u, degrees)| Contribution::observed("", u, degrees)).collect();
        let budget = Budget::correlated("nm", rows, &[], 0.99);
        close(budget.combined, 32.0, 0.5);
        assert_eq!(budget.effective_degrees_of_freedom.floor(), 16.0);
        close(budget.coverage_factor, 2.92, 0.005);
        close(budget.expanded, 93.0, 0.6);
        close(budget.coverage_factor * 32.0, 93.0, 0.5);
    }

    /// The correlation coefficient of the means of simultaneous observations.
    fn correlation(x: &[f64], y: &[f64]) -> f64 {
        let (a, b) = (Estimate::of_independent(x), Estimate::of_independent(y));
        let n = x.len() as f64;
        let products: f64 = x.iter().zip(y).map(|(x, y)| (x - a.mean) * (y - b.mean)).sum();
        products / (n * (n - 1.0)) / (a.variance * b.variance).sqrt()
    }

    #[test]
    fn simultaneous_resistance_and_reactance_of_the_gum() {
        // JCGM 100:2008, H.2, tables H.2 to H.4: five simultaneous readings. Printed to a thousandth: for u(X) 0.295,
        // where full precision gives 0.2956.
        let volts = [5.007, 4.994, 5.005, 4.990, 4.999];
        let amperes = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
        let radians = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
        let [v, i, phi] = [&volts, &amperes, &radians].map(|readings| Estimate::of_independent(readings));
        let correlations = [
            (0, 1, correlation(&volts, &amperes)),
            (0, 2, correlation(&volts, &radians)),
            (1, 2, correlation(&amperes, &radians)),
        ];
        for ((_, _, found), expected) in correlations.iter().zip([-0.36, 0.86, -0.65]) {
            close(*found, expected, 0.006);
        }
        let rows = |sensitivities: [f64; 3]| -> Vec<Contribution> {
            [v, i, phi]
                .iter()
                .zip(sensitivities)
                .map(|(estimate, c)| Contribution::observed("", estimate.variance.sqrt(), 4.0).times(c))
                .collect()
        };
        let impedance = v.mean / i.mean;
        let (sine, cosine) = phi.mean.sin_cos();
        let r = rows([cosine / i.mean, -impedance * cosine / i.mean, -impedance * sine]);
        let x = rows([sine / i.mean, -impedance * sine / i.mean, impedance * cosine]);
        let z = rows([1.0 / i.mean, -impedance / i.mean, 0.0]);
        let combined = |rows: &[Contribution]| Budget::correlated("ohm", rows.to_vec(), &correlations, 0.95).combined;
        for (value, rows, expected, uncertainty) in [
            (impedance * cosine, &r, 127.732, 0.071),
            (impedance * sine, &x, 219.847, 0.295),
            (impedance, &z, 254.260, 0.236),
        ] {
            close(value, expected, 5e-4);
            close(combined(rows), uncertainty, 1e-3);
        }
        let between =
            |a: &[Contribution], b: &[Contribution]| covariance(a, b, &correlations) / (combined(a) * combined(b));
        close(between(&r, &x), -0.588, 5e-4);
        close(between(&r, &z), -0.485, 5e-4);
        close(between(&x, &z), 0.993, 5e-4);
    }

    #[test]
    fn the_voltage_standard_of_the_gum_day_by_day() {
        // JCGM 100:2008, H.5, table H.9: ten days of five readings; daily means over 10 V and daily standard
        // deviations in µV (from memory, every figure recomputed). s of the means 57 µV, u of the mean 18 µV with
        // 9 degrees of freedom, pooled 85 µV, F = 2.25 between the 95 % and 97.5 % points 2.12 and 2.45, 13 µV
        // with 49 degrees of freedom where the days are taken as alike.
        let means = [172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0];
        let daily = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
        let days = Estimate::of_independent(&means);
        close(days.mean, 97.0, 0.5);
        close((10.0 * days.variance).sqrt(), 57.0, 0.5);
        let kept = Budget::new("µV", vec![Contribution::observed("days", days.variance.sqrt(), 9.0)]);
        close(kept.combined, 18.0, 0.5);
        assert_eq!(kept.effective_degrees_of_freedom, 9.0);
        // The mean of the ten daily means by the scatter within each day alone.
        let within: Vec<_> =
            daily.iter().map(|s: &f64| Contribution::observed("", s / 5f64.sqrt(), 4.0).times(0.1)).collect();
        let within = Budget::new("µV", within).combined;
        close(within * 50f64.sqrt(), 85.0, 0.5);
        let f = days.variance / within.powi(2);
        close(f, 2.25, 0.02);
        let fisher = FisherSnedecor::new(9.0, 40.0).unwrap();
        close(fisher.inverse_cdf(0.95), 2.12, 0.005);
        close(fisher.inverse_cdf(0.975), 2.45, 0.005);
        close((5.0 * (days.variance * 10.0) / 5.0 - (50.0 * within.powi(2)) / 5.0).sqrt(), 43.0, 0.5);
        close(((9.0 * days.variance + 40.0 * within.powi(2)) / 49.0).sqrt(), 13.0, 0.5);
    }

    #[test]
    fn what_is_common_to_both_sides_of_a_difference_cancels() {
        // A part in both sides is the same input twice, fully correlated, with opposite sensitivities; leaving it
        // out is the same.
        let probe = |c: f64| Contribution::stated("probe", Distribution::Rectangular, 0.5).times(c);
        let scatter = Contribution::observed("scatter", 0.2, 7.0);
        let exact = Budget::correlated("dB", vec![scatter.clone(), probe(1.0), probe(-1.0)], &[(1, 2, 1.0)], 0.95);
        let cancelled = Contribution { cancelled: true, ..probe(1.0) };
        let short = Budget::new("dB", vec![scatter, cancelled]);
        close(exact.combined, short.combined, 1e-12);
        close(short.combined, 0.2, 1e-15);
        assert_eq!(short.effective_degrees_of_freedom, 7.0);
    }
}
