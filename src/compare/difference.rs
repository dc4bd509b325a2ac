//! The difference of two mean powers: its ratio in decibels with an interval, and its probability by chance.
//!
//! Whether two means differ by a factor is one and the same question for the verdict (factor 1) and for the ends
//! of the interval (the factors at which the answer turns), so both come from one test. Its normal
//! approximation is that of the mean powers themselves, which holds better than that of their logarithms where a
//! few loud periods carry most of the power.

use std::f64::consts::LN_10;

use crate::uncertainty::{COVERAGE, Estimate, student_factor, student_probability, welch_satterthwaite};

/// The share of tables without any true difference that may claim one.
pub const FAMILY_ERROR: f64 = 0.05;
/// The probability with which the smallest difference stated would have been shown.
pub const POWER: f64 = 0.8;
/// An end of an interval farther than this from the ratio found, as a logarithm, counts as no end: 139 dB.
const FARTHEST: f64 = 32.0;
/// Steps of the search for an end; each halves the distance.
const HALVINGS: u32 = 48;

/// A change of power from one side to the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The ratio of the mean powers in decibels; `None` when one of them is zero.
    pub change_db: Option<f64>,
    /// The 95 % interval of that; an end is infinite where the captures set none. `None` when the record says
    /// nothing of scatter.
    pub interval_db: Option<[f64; 2]>,
    /// The 95 % interval of the difference of the powers.
    pub interval_power: Option<[f64; 2]>,
    /// The probability that chance alone gives a difference as large; not a number where it cannot be judged.
    pub probability: f64,
    /// The standard error of the difference of the powers, and its degrees of freedom.
    error: Option<(f64, f64)>,
}

/// Natural logarithm of a power ratio to decibels.
fn decibels(log_ratio: f64) -> f64 {
    10.0 * log_ratio / LN_10
}

/// Compares two mean powers.
///
/// For any factor, Student's t of `to − factor · from` with the degrees of freedom of Welch and Satterthwaite gives
/// a probability. At factor 1 it is that of no difference; the factors at which it falls to 5 % are the ends of
/// the interval.
///
/// # Sources
/// E. C. Fieller, "Some problems in interval estimation", J. R. Stat. Soc. B 16 (1954) 175-185; B. L. Welch,
/// Biometrika 34 (1947) 28-35; JCGM 100:2008, G.4.
pub fn difference(from: &Estimate, to: &Estimate) -> Difference {
    if from.mean <= 0.0 || to.mean <= 0.0 {
        return Difference {
            change_db: None,
            interval_db: None,
            interval_power: None,
            probability: f64::NAN,
            error: None,
        };
    }
    let change = (to.mean / from.mean).ln();
    let Some((from_degrees, to_degrees)) = from.degrees.zip(to.degrees) else {
        return Difference {
            change_db: Some(decibels(change)),
            interval_db: None,
            interval_power: None,
            probability: f64::NAN,
            error: None,
        };
    };
    let spread = |factor: f64| {
        let terms = [(factor * factor * from.variance, from_degrees), (to.variance, to_degrees)];
        ((terms[0].0 + terms[1].0).sqrt(), welch_satterthwaite(&terms))
    };
    let probability = |factor: f64| {
        let (error, degrees) = spread(factor);
        let gap = (to.mean - factor * from.mean).abs();
        match (error > 0.0, gap > 0.0) {
            (true, _) => student_probability(gap / error, degrees),
            // Two sides without any scatter: the same number, or surely not.
            (false, differs) => f64::from(!differs),
        }
    };
    let end = |direction: f64| {
        let inside = |distance: f64| probability((change + direction * distance).exp()) > 1.0 - COVERAGE;
        if inside(FARTHEST) {
            return direction * f64::INFINITY;
        }
        let (mut near, mut far) = (0.0, FARTHEST);
        for _ in 0..HALVINGS {
            let middle = (near + far) / 2.0;
            if inside(middle) { near = middle } else { far = middle }
        }
        decibels(change + direction * near)
    };
    let (error, degrees) = spread(1.0);
    let half = student_factor(COVERAGE, degrees.min(1e9)) * error;
    Difference {
        change_db: Some(decibels(change)),
        interval_db: Some([end(-1.0), end(1.0)]),
        interval_power: Some([to.mean - from.mean - half, to.mean - from.mean + half]),
        probability: probability(1.0),
        error: Some(spread(1.0)),
    }
}

impl Difference {
    /// The smallest difference of the powers that a table of `hypotheses` would have shown with a probability of
    /// 80 %.
    ///
    /// The critical t of the strictest step of Holm's procedure plus the t of the power, times the standard error
    /// (the usual normal-theory approximation; Cohen 1988, from memory).
    pub fn smallest_shown(&self, hypotheses: usize) -> Option<f64> {
        let (error, degrees) = self.error?;
        let degrees = degrees.min(1e9);
        let critical = student_factor(1.0 - FAMILY_ERROR / hypotheses.max(1) as f64, degrees);
        let power = student_factor(2.0 * POWER - 1.0, degrees);
        Some((critical + power) * error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(mean: f64, variance: f64, degrees: f64) -> Estimate {
        Estimate { mean, variance, degrees: Some(degrees) }
    }

    #[test]
    fn a_doubled_power_is_three_decibels_within_the_ends_of_fiellers_theorem() {
        // Fieller's closed form for many degrees of freedom, t = 1.96: the roots ρ of
        // (m₁² − t² v₁) ρ² − 2 m₁ m₂ ρ + (m₂² − t² v₂) = 0.
        let found = difference(&estimate(1.0, 0.01, 1e8), &estimate(2.0, 0.04, 1e8));
        assert!((found.change_db.unwrap() - 3.010_299_956_639_812).abs() < 1e-12);
        let t2 = 1.959_963_984_540_054f64.powi(2);
        let (a, b, c) = (1.0 - t2 * 0.01, 2.0, 4.0 - t2 * 0.04);
        let root = (b * b - a * c).sqrt();
        for (end, factor) in found.interval_db.unwrap().into_iter().zip([(b - root) / a, (b + root) / a]) {
            assert!((end - 10.0 * factor.log10()).abs() < 1e-6, "{end}");
        }
    }

    #[test]
    fn a_side_that_may_be_nothing_sets_no_upper_end() {
        // One loud capture among three: the mean is as large as its standard error.
        let loud_once = estimate(1.0, 1.0, 2.0);
        let found = difference(&loud_once, &estimate(40.0, 1.0, 2.0));
        let [low, high] = found.interval_db.unwrap();
        assert!(high.is_infinite() && low > 0.0, "{low} {high}");
        assert!(found.probability < 0.01);
    }

    #[test]
    fn exchanged_sides_change_the_sign_and_nothing_else() {
        let (a, b) = (estimate(3.0, 0.2, 4.0), estimate(5.0, 0.1, 9.0));
        let (there, back) = (difference(&a, &b), difference(&b, &a));
        let ([low, high], [back_low, back_high]) = (there.interval_db.unwrap(), back.interval_db.unwrap());
        assert!((low + back_high).abs() < 1e-9 && (high + back_low).abs() < 1e-9);
        assert!((there.probability - back.probability).abs() < 1e-12);
    }

    #[test]
    fn sides_without_scatter_are_equal_or_surely_not() {
        let steady = |mean| estimate(mean, 0.0, 5.0);
        assert_eq!(difference(&steady(1.0), &steady(1.0)).probability, 1.0);
        let found = difference(&steady(1.0), &steady(1.1));
        assert_eq!(found.probability, 0.0);
        let [low, high] = found.interval_db.unwrap();
        assert!(high - low < 1e-9);
    }

    #[test]
    fn a_single_observation_gives_no_interval() {
        let single = Estimate { mean: 1.0, variance: 0.0, degrees: None };
        let found = difference(&single, &estimate(2.0, 0.1, 4.0));
        assert!(found.interval_db.is_none() && found.probability.is_nan() && found.change_db.is_some());
        assert!(difference(&estimate(0.0, 0.0, 4.0), &estimate(1.0, 0.1, 4.0)).change_db.is_none());
    }
}
