//! The difference of two mean powers, in decibels, with its interval and its probability by chance.

use std::f64::consts::LN_10;

use crate::uncertainty::{COVERAGE, Estimate, student_factor, student_probability, welch_satterthwaite};

/// The share of tables without any true difference that may claim one.
pub const FAMILY_ERROR: f64 = 0.05;
/// The probability with which the smallest difference stated would have been shown.
pub const POWER: f64 = 0.8;

/// A change of power from one side to the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The ratio of the mean powers in decibels; `None` when one of them is zero.
    pub change_db: Option<f64>,
    /// The 95 % interval of that; `None` when the record says nothing of scatter.
    pub interval_db: Option<[f64; 2]>,
    /// The probability that chance alone gives a difference as large; not a number where it cannot be judged.
    pub probability: f64,
    /// The standard error of the natural logarithm of the ratio, and its degrees of freedom.
    error: Option<(f64, f64)>,
}

/// Natural logarithm of a power ratio to decibels.
fn decibels(log_ratio: f64) -> f64 {
    10.0 * log_ratio / LN_10
}

/// Compares two mean powers.
///
/// The logarithm of the ratio is taken as normal with variance Σ (variance/mean²) (delta method), its degrees of
/// freedom by Welch–Satterthwaite, its interval by Student's t.
///
/// Source: JCGM 100:2008, 5.1.2 and G.4; B. L. Welch, Biometrika 34 (1947) 28-35.
pub fn difference(from: &Estimate, to: &Estimate) -> Difference {
    if from.mean <= 0.0 || to.mean <= 0.0 {
        return Difference { change_db: None, interval_db: None, probability: f64::NAN, error: None };
    }
    let change = (to.mean / from.mean).ln();
    let relative = |estimate: &Estimate| Some((estimate.variance / estimate.mean.powi(2), estimate.degrees?));
    let error = relative(from).zip(relative(to)).map(|(from, to)| {
        let degrees = welch_satterthwaite(&[from, to]).min(1e9);
        ((from.0 + to.0).sqrt(), degrees)
    });
    let interval = error.map(|(error, degrees)| {
        let half = student_factor(COVERAGE, degrees) * error;
        [decibels(change - half), decibels(change + half)]
    });
    let probability = match error {
        None => f64::NAN,
        Some((error, degrees)) if error > 0.0 => student_probability(change / error, degrees),
        // Two sides without any scatter: the same number, or surely not.
        Some(_) => f64::from(change == 0.0),
    };
    Difference { change_db: Some(decibels(change)), interval_db: interval, probability, error }
}

impl Difference {
    /// The smallest rise in decibels that a table of `hypotheses` would have shown with a probability of 80 %.
    ///
    /// The critical t of the strictest step of Holm's procedure plus the t of the power, times the standard error
    /// (the usual normal-theory approximation; Cohen 1988, from memory).
    pub fn smallest_shown_db(&self, hypotheses: usize) -> Option<f64> {
        let (error, degrees) = self.error?;
        let critical = student_factor(1.0 - FAMILY_ERROR / hypotheses.max(1) as f64, degrees);
        let power = student_factor(2.0 * POWER - 1.0, degrees);
        Some(decibels((critical + power) * error))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(mean: f64, variance: f64, degrees: f64) -> Estimate {
        Estimate { mean, variance, degrees: Some(degrees) }
    }

    #[test]
    fn a_doubled_power_is_three_decibels() {
        let found = difference(&estimate(1.0, 0.01, 10.0), &estimate(2.0, 0.04, 10.0));
        assert!((found.change_db.unwrap() - 3.010_299_956_639_812).abs() < 1e-12);
        // Relative variances 0.01 each: standard error √0.02 on 20 degrees of freedom, t = 2.086 (GUM table G.2).
        let half = 2.086 * 0.02f64.sqrt() * 10.0 / LN_10;
        let [low, high] = found.interval_db.unwrap();
        assert!(((high - low) / 2.0 - half).abs() < 1e-3 * half);
    }

    #[test]
    fn sides_without_scatter_are_equal_or_surely_not() {
        let steady = |mean| estimate(mean, 0.0, 5.0);
        assert_eq!(difference(&steady(1.0), &steady(1.0)).probability, 1.0);
        assert_eq!(difference(&steady(1.0), &steady(1.1)).probability, 0.0);
    }

    #[test]
    fn a_single_observation_gives_no_interval() {
        let single = Estimate { mean: 1.0, variance: 0.0, degrees: None };
        let found = difference(&single, &estimate(2.0, 0.1, 4.0));
        assert!(found.interval_db.is_none() && found.probability.is_nan() && found.change_db.is_some());
        assert!(difference(&estimate(0.0, 0.0, 4.0), &estimate(1.0, 0.1, 4.0)).change_db.is_none());
    }
}
