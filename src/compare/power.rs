//! What a test would have shown: the smallest rise that Welch's t shows in four cases of five.
//!
//! With few captures the scatter itself is hardly known, and the louder side scatters more and then stands nearly alone
//! in the degrees of freedom. So no closed form holds: the power of the test is an average over what the two sample
//! variances may turn out to be, and with few degrees of freedom a larger rise may even be shown less often.

use statrs::distribution::{ContinuousCDF, Normal};

use super::difference::{FAMILY_ERROR, POWER};
use crate::uncertainty::{student_factor, welch_satterthwaite};

/// A term of a variance: its true value, and the degrees of freedom with which a sample tells it.
pub type Term = (f64, f64);

/// Places in the square of two probabilities: the lattice of Fibonacci's numbers 89 and 55, whose places are all
/// different in either direction (any text on quasi-random numbers).
const PLACES: u32 = 89;
const STRIDE: u32 = 55;
/// Critical values between which others are interpolated, in the logarithm over one over the degrees of freedom.
const CRITICAL_VALUES: usize = 9;
/// From a rise to the next one that is tried, as a factor on its decibels; and how often the last step is divided where
/// the straight line through its ends meets the power: twice leaves less than a thousandth of the rise.
const STEP: f64 = 1.1;
const DIVISIONS: u32 = 2;
/// Rounds in which a first rise is sought.
const ROUNDS: u32 = 6;
const LEAST_DB: f64 = 1e-4;
/// A larger rise than this is not looked for: no capture has the range to show it.
const MOST_DB: f64 = 60.0;

/// Welch's t at the strictest step of Holm's procedure, for sides with so many degrees of freedom.
struct Test {
    degrees: [f64; 2],
    /// Logarithms of critical values at equal steps from the most degrees of freedom to the fewest, as their inverses.
    critical: Vec<f64>,
    inverse: [f64; 2],
    /// Sample variances over the true ones, in pairs.
    draws: Vec<[f64; 2]>,
    normal: Normal,
}

impl Test {
    fn new(degrees: [f64; 2], hypotheses: usize) -> Self {
        let degrees = degrees.map(|degrees| degrees.min(1e6));
        let inverse = [1.0 / (degrees[0] + degrees[1]), 1.0 / degrees[0].min(degrees[1])];
        let coverage = 1.0 - FAMILY_ERROR / hypotheses.max(1) as f64;
        let at = |k: usize| inverse[0] + (inverse[1] - inverse[0]) * k as f64 / (CRITICAL_VALUES - 1) as f64;
        let critical = (0..CRITICAL_VALUES).map(|k| student_factor(coverage, 1.0 / at(k)).ln()).collect();
        let normal = Normal::standard();
        let ratio = |place: u32, degrees: f64| {
            chi_square_over_degrees(normal.inverse_cdf((f64::from(place) + 0.5) / f64::from(PLACES)), degrees)
        };
        let draws = (0..PLACES).map(|k| [ratio(k, degrees[0]), ratio(k * STRIDE % PLACES, degrees[1])]).collect();
        Self { degrees, critical, inverse, draws, normal }
    }

    fn critical(&self, degrees: f64) -> f64 {
        let place = (1.0 / degrees - self.inverse[0]) / (self.inverse[1] - self.inverse[0]);
        let place = (place * (CRITICAL_VALUES - 1) as f64).clamp(0.0, (CRITICAL_VALUES - 1) as f64 - 1e-9);
        let (whole, part) = (place.floor(), place.fract());
        // Between 0 and the last value but one.
        #[expect(clippy::cast_possible_truncation, reason = "clamped to the places of the table")]
        #[expect(clippy::cast_sign_loss, reason = "clamped to the places of the table")]
        let before = whole as usize;
        (self.critical[before] + part * (self.critical[before + 1] - self.critical[before])).exp()
    }

    /// How often a gap between two means is shown whose difference has these variances.
    fn share(&self, gap: f64, variances: [f64; 2]) -> f64 {
        let error = (variances[0] + variances[1]).sqrt();
        if error <= 0.0 {
            return 1.0;
        }
        let shown = |draw: &[f64; 2]| {
            let terms = [0, 1].map(|k| (variances[k] * draw[k], self.degrees[k]));
            let sample = (terms[0].0 + terms[1].0).sqrt();
            self.normal.cdf((gap - self.critical(welch_satterthwaite(&terms)) * sample) / error)
        };
        self.draws.iter().map(shown).sum::<f64>() / f64::from(PLACES)
    }
}

/// A number of the chi square distribution over its degrees of freedom, at a place of the normal one.
///
/// Source: E. B. Wilson, M. M. Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684-688 (from memory).
fn chi_square_over_degrees(normal: f64, degrees: f64) -> f64 {
    let spread = 2.0 / (9.0 * degrees);
    (1.0 - spread + spread.sqrt() * normal).max(0.0).powi(3)
}

/// A variance found with so many degrees of freedom, made as likely too large as too small.
pub fn median_unbiased(variance: f64, degrees: f64) -> f64 {
    variance / chi_square_over_degrees(0.0, degrees).max(f64::MIN_POSITIVE)
}

/// With more degrees of freedom on both sides a rise is told by powers as well as by their levels.
pub const LEVELS_TELL_MORE: f64 = 6.0;

/// How levels are asked, the logarithms of powers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Levels {
    /// Not at all.
    Not,
    /// Beside powers, each side with its own scatter (Welch's t): mains periods, or pairs.
    Beside,
    /// Beside powers where a side is few captures: with the scatter of both sides together (Student's t).
    OfFewCaptures,
}

/// The variance of a gap between two mean levels where both sides scatter alike, with its degrees of freedom; each side by
/// the variance of its mean and its degrees of freedom, one fewer than its captures.
pub fn together([a, b]: [Term; 2]) -> Term {
    let degrees = a.1 + b.1;
    let single = [a, b].iter().map(|(variance, degrees)| degrees * variance * (degrees + 1.0)).sum::<f64>() / degrees;
    (single * ((a.1 + 1.0).recip() + (b.1 + 1.0).recip()), degrees)
}

/// The smallest rise, as a ratio of powers, that a table of `hypotheses` shows with a probability of 80 % where two sides
/// have these relative variances. `None` where no rise below 60 dB is shown so often.
pub fn smallest_shown([quiet, loud]: [Term; 2], levels: Levels, hypotheses: usize) -> Option<f64> {
    let by_powers = |rows| smallest_rise(|rise| [quiet, (rise * rise * loud.0, loud.1)], rows);
    let are_many = quiet.1.min(loud.1) > LEVELS_TELL_MORE;
    match levels {
        Levels::OfFewCaptures if !are_many => {
            let (variance, degrees) = together([quiet, loud]);
            let of_table = smallest(f64::ln, f64::exp, |_| [(0.0, degrees), (variance, degrees)], hypotheses);
            // And the levels have to differ by themselves, each side with its own scatter.
            let alone = smallest(f64::ln, f64::exp, |_| [quiet, loud], 1);
            let by_levels = of_table.zip(alone).map(|(table, alone)| table.max(alone));
            [by_powers(hypotheses), by_levels].into_iter().flatten().min_by(f64::total_cmp)
        }
        Levels::Beside => or_by_levels(by_powers, [quiet, loud], hypotheses),
        Levels::Not | Levels::OfFewCaptures => by_powers(hypotheses),
    }
}

/// The smaller of the rises that powers show, and that levels show with these variances, where powers alone would as well.
pub fn or_by_levels(by_powers: impl Fn(usize) -> Option<f64>, levels: [Term; 2], hypotheses: usize) -> Option<f64> {
    let found = by_powers(hypotheses);
    if levels.iter().all(|level| level.1 > LEVELS_TELL_MORE) {
        return found;
    }
    let by_levels = smallest(f64::ln, f64::exp, |_| levels, hypotheses).zip(by_powers(1)).map(|(a, b)| a.max(b));
    [found, by_levels].into_iter().flatten().min_by(f64::total_cmp)
}

/// The smallest rise, as a ratio of powers, that Welch's t of the powers shows with a probability of 80 % in a table of
/// `hypotheses`; `None` where no rise below 60 dB is shown so often.
///
/// The mean of the side that stays is 1. `terms` gives the variances of `rise · one − other` and their degrees of
/// freedom for a rise; the degrees must be those of rise 1. A term without variance counts nothing.
///
/// ```
/// use linewake::compare::power::smallest_rise;
/// // Two means of known scatter, 1 %: 1.96 + 0.84 standard errors of their difference, 0.01 √(1 + g²).
/// let rise = smallest_rise(|rise| [(1e-4, 1e6), (rise * rise * 1e-4, 1e6)], 1).unwrap();
/// assert!((rise - 1.0404).abs() < 2e-4);
/// ```
///
/// # Sources
/// B. L. Welch, Biometrika 34 (1947) 28-35; S. Holm, Scand. J. Stat. 6 (1979) 65-70.
pub fn smallest_rise(terms: impl Fn(f64) -> [Term; 2], hypotheses: usize) -> Option<f64> {
    smallest(|rise| rise - 1.0, |gap| 1.0 + gap, terms, hypotheses)
}

/// The smallest rise that Welch's t shows of a gap which a rise makes; `rise_of` is the inverse of `gap_of`.
fn smallest(
    gap_of: impl Fn(f64) -> f64,
    rise_of: impl Fn(f64) -> f64,
    terms: impl Fn(f64) -> [Term; 2],
    hypotheses: usize,
) -> Option<f64> {
    let test = Test::new(terms(1.0).map(|term| term.1), hypotheses);
    let gain = |db: f64| 10f64.powf(db / 10.0);
    // How much more often than asked for a rise is shown.
    let excess = |db: f64| test.share(gap_of(gain(db)), terms(gain(db)).map(|term| term.0)) - POWER;
    // A test with its scatter known shows less than this; each round comes nearer to that from below.
    let errors = test.critical(f64::INFINITY) + test.normal.inverse_cdf(POWER);
    let error = |rise: f64| terms(rise).iter().map(|term| term.0).sum::<f64>().sqrt();
    let known = (0..ROUNDS).fold(1.0, |rise, _| rise_of(errors * error(rise)));
    let first = (10.0 * known.log10()).max(LEAST_DB) / STEP;
    // Nothing is shown of no rise at all.
    let (mut low, mut high) = ((0.0, -POWER), (first, excess(first)));
    while high.0 <= MOST_DB && high.1 < 0.0 {
        let next = high.0 * STEP;
        (low, high) = (high, (next, excess(next)));
    }
    // Also where nothing at all can be told of the first rise.
    if high.0.is_nan() || high.0 > MOST_DB {
        return None;
    }
    let crossing = |low: (f64, f64), high: (f64, f64)| low.0 - low.1 * (high.0 - low.0) / (high.1 - low.1);
    for _ in 0..DIVISIONS {
        let between = crossing(low, high);
        let middle = (between, excess(between));
        if middle.1 >= 0.0 { high = middle } else { low = middle }
    }
    Some(gain(crossing(low, high)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::Random;

    #[test]
    fn chi_square_has_its_mean_and_variance() {
        let mut random = Random::new(3, 0);
        for (degrees, within) in [(2.0, 0.1), (30.0, 0.1), (200.0, 0.1)] {
            let values: Vec<f64> = (0..20_000).map(|_| chi_square_over_degrees(random.normal(), degrees)).collect();
            let mean = values.iter().sum::<f64>() / 20_000.0;
            let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 20_000.0;
            // Mean 1 and variance 2/ν of a chi square over its degrees of freedom.
            assert!((mean - 1.0).abs() < 0.03, "{degrees}: {mean}");
            assert!((variance * degrees / 2.0 - 1.0).abs() < within, "{degrees}: {variance}");
        }
    }

    #[test]
    fn critical_values_are_those_of_student() {
        // Between the values of the table as well: 0.05/75, 2 to 4 degrees of freedom.
        let test = Test::new([2.0, 2.0], 75);
        for degrees in [2.0, 2.3, 2.9, 3.5, 4.0] {
            let exact = student_factor(1.0 - FAMILY_ERROR / 75.0, degrees);
            assert!((test.critical(degrees) / exact - 1.0).abs() < 0.005, "{degrees}: {}", test.critical(degrees));
        }
        assert!((test.critical(2.0) - 38.7).abs() < 0.05);
    }
}
