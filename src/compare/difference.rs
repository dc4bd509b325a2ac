//! The difference of two mean powers: its ratio in decibels with an interval, and its probability by chance.
//!
//! Whether two means differ by a factor is one and the same question for the verdict (factor 1) and for the ends
//! of the interval (the factors at which the answer turns), so both come from one test. Its normal
//! approximation is that of the mean powers themselves, which holds better than that of their logarithms where a
//! few loud periods carry most of the power.

use std::f64::consts::LN_10;

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::power::{
    LEVELS_TELL_MORE, Levels, Term, median_unbiased, or_by_levels, smallest_rise, smallest_shown, together,
};
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
    /// The standard error of the difference of the powers; `None` when the record says nothing of scatter.
    pub standard_error: Option<f64>,
    from: f64,
    scatter: Option<Scatter>,
    levels: Levels,
}

/// How two mean powers scatter, each variance over the square of the power that a difference starts from or leads to.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Scatter {
    /// Each by itself: from, to.
    Apart([Term; 2]),
    /// The variance of `factor · one − other` of pairs: its terms without the factor, with it, with its square.
    InPairs([f64; 3], f64),
}

impl Scatter {
    /// Each side by itself; a side that is nothing scatters as the other one does.
    fn apart(from: &Estimate, to: &Estimate) -> Option<Self> {
        let relative = |side: &Estimate| Some((side.variance / (side.mean * side.mean), side.degrees?.min(1e9)));
        let (from, to) = (relative(from)?, relative(to)?);
        from.0.is_finite().then(|| Self::Apart([from, if to.0.is_finite() { to } else { from }]))
    }

    /// From the standard errors of `to − factor · from` at the factors 0, 1 and −1, which settle a quadratic.
    fn in_pairs(spread: impl Fn(f64) -> (f64, f64), from: f64) -> Option<Self> {
        let [none, plus, minus] = [0.0, 1.0, -1.0].map(|factor| (spread(factor).0 / from).powi(2));
        let terms = [none, (plus - minus) / 2.0, (plus + minus) / 2.0 - none];
        terms.iter().all(|term| term.is_finite()).then(|| Self::InPairs(terms, spread(1.0).1))
    }
}

/// The relative variances of two sides for a test of captures like these.
///
/// What scatters alike, as far as F tells, is taken together, because few captures hardly tell how they scatter; and
/// a variance that was found is made as likely too large as too small.
fn of_captures_like_these([from, to]: [Term; 2]) -> [Term; 2] {
    let found = |(variance, degrees): Term| (median_unbiased(variance, degrees), degrees);
    let by_chance = (1.0 - COVERAGE) / 2.0..=(1.0 + COVERAGE) / 2.0;
    let as_f_tells = |ratio: f64| FisherSnedecor::new(to.1, from.1).is_ok_and(|f| by_chance.contains(&f.cdf(ratio)));
    let alike = from.0.total_cmp(&to.0).is_eq() || (from.0 > 0.0 && to.0 > 0.0 && as_f_tells(to.0 / from.0));
    if !alike {
        return [found(from), found(to)];
    }
    let degrees = from.1 + to.1;
    let (both, _) = found(((from.0 * from.1 + to.0 * to.1) / degrees, degrees));
    [(both, from.1), (both, to.1)]
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
    // The ends far out rest on the last digits of a probability, so both directions are one computation.
    if from.mean > to.mean && to.mean > 0.0 { one_way(to, from).reversed(from.mean) } else { one_way(from, to) }
}

fn one_way(from: &Estimate, to: &Estimate) -> Difference {
    let spread = from.degrees.zip(to.degrees).map(|(from_degrees, to_degrees)| {
        move |factor: f64| {
            let terms = [(factor * factor * from.variance, from_degrees), (to.variance, to_degrees)];
            ((terms[0].0 + terms[1].0).sqrt(), welch_satterthwaite(&terms))
        }
    });
    Difference { scatter: Scatter::apart(from, to), ..invert(from.mean, to.mean, spread) }
}

/// Compares powers taken in pairs: what both of a pair share, such as a slow change of the mains, drops out.
///
/// The same question as in [`difference`], with Student's t of the differences `toₖ − factor · fromₖ`.
///
/// # Panics
/// When there are no pairs, or not as many of one kind as of the other.
pub fn difference_of_pairs(from: &[f64], to: &[f64]) -> Difference {
    assert_eq!(from.len(), to.len(), "pairs have two sides");
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let spread = (from.len() > 1).then_some(|factor: f64| {
        let gaps: Vec<f64> = from.iter().zip(to).map(|(from, to)| to - factor * from).collect();
        let gaps = Estimate::of_independent(&gaps);
        (gaps.variance.sqrt(), gaps.degrees.unwrap_or(1.0))
    });
    let scatter = spread.and_then(|spread| Scatter::in_pairs(spread, mean(from)));
    Difference { scatter, ..invert(mean(from), mean(to), spread) }
}

/// What is taken off two mean powers before they are compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Background {
    /// The same estimate on both sides.
    Same(Estimate),
    /// One of its own for each side.
    Own {
        /// Taken off the power that is compared from.
        from: Estimate,
        /// Taken off the power that is compared to.
        to: Estimate,
    },
}

/// Compares what is left of two mean powers when a background is taken off each.
///
/// The same question as in [`difference`] for `(to − background) − factor · (from − background)`. A background that
/// is the same estimate on both sides counts once, by (1 − factor)².
pub fn difference_above(background: &Background, from: &Estimate, to: &Estimate) -> Difference {
    let (below_from, below_to) = match background {
        Background::Same(same) => (same, same),
        Background::Own { from, to } => (from, to),
    };
    let degrees = from.degrees.zip(to.degrees).zip(below_from.degrees.zip(below_to.degrees));
    invert(
        from.mean - below_from.mean,
        to.mean - below_to.mean,
        degrees.map(|((from_degrees, to_degrees), (below_from_degrees, below_to_degrees))| {
            move |factor: f64| {
                let [first, second] = match background {
                    Background::Same(same) => [(1.0 - factor).powi(2) * same.variance, 0.0],
                    Background::Own { from, to } => [factor * factor * from.variance, to.variance],
                };
                let terms = [
                    (factor * factor * from.variance, from_degrees),
                    (to.variance, to_degrees),
                    (first, below_from_degrees),
                    (second, below_to_degrees),
                ];
                (terms.iter().map(|term| term.0).sum::<f64>().sqrt(), welch_satterthwaite(&terms))
            }
        }),
    )
}

/// Asks at which factors `to − factor · from` may be chance; `spread` gives its standard error and the degrees of
/// freedom of that.
fn invert(from: f64, to: f64, spread: Option<impl Fn(f64) -> (f64, f64)>) -> Difference {
    // With nothing left on the other side there is no ratio, but still one that it cannot exceed.
    let change = if to > 0.0 { (to / from).ln() } else { -FARTHEST };
    let change_db = (from > 0.0 && to > 0.0).then(|| decibels(change));
    let Some(spread) = spread.filter(|_| from > 0.0) else {
        return Difference {
            change_db,
            interval_db: None,
            interval_power: None,
            probability: f64::NAN,
            standard_error: None,
            from,
            scatter: None,
            levels: Levels::Not,
        };
    };
    let probability = |factor: f64| {
        let (error, degrees) = spread(factor);
        let gap = (to - factor * from).abs();
        match (error > 0.0, gap > 0.0) {
            (true, _) => student_probability(gap / error, degrees),
            // Two sides without any scatter: the same number, or surely not.
            (false, differs) => f64::from(!differs),
        }
    };
    let end = |direction: f64| {
        let inside = |distance: f64| probability((change + direction * distance).exp()) > 1.0 - COVERAGE;
        let farthest = FARTHEST + change.abs();
        if inside(farthest) || (to <= 0.0 && direction < 0.0) {
            return direction * f64::INFINITY;
        }
        let (mut near, mut far) = (0.0, farthest);
        for _ in 0..HALVINGS {
            let middle = (near + far) / 2.0;
            if inside(middle) { near = middle } else { far = middle }
        }
        decibels(change + direction * near)
    };
    // So far below nothing that no ratio fits: what was taken off was not the same on both sides.
    let fits = to > 0.0 || probability(change.exp()) > 1.0 - COVERAGE;
    let (error, degrees) = spread(1.0);
    let half = student_factor(COVERAGE, degrees.min(1e9)) * error;
    Difference {
        change_db,
        interval_db: fits.then(|| [end(-1.0), end(1.0)]),
        interval_power: Some([to - from - half, to - from + half]),
        probability: probability(1.0),
        standard_error: Some(error),
        from,
        scatter: None,
        levels: Levels::Not,
    }
}

impl Difference {
    /// Judges few captures of each side by their levels as well, the mean logarithms of their powers; the estimates are those
    /// of independent captures.
    ///
    /// Student's t of few captures, at the level that one row of a large table is judged by, lets a power go below zero:
    /// three captures whose power scatters by a tenth would show no rise at all, not even one of 40 dB. A level has no such
    /// bound. Where nothing has changed both sides are drawn alike, so their scatter is taken together; that the mean powers
    /// lie the same way is asked for, and that powers or levels, each side with its own scatter, differ by themselves. The
    /// smaller probability counts.
    ///
    /// Where the louder side scatters so much that its power may be nothing, the levels set the end of the interval that the
    /// powers leave open: a mean power lies above the mean level by half the variance of the levels (of normal ones), so what
    /// the quieter side has more of that is taken off, and what the louder side has more is left.
    ///
    /// # Sources
    /// Student's t with a common variance: W. S. Gosset, Biometrika 6 (1908) 1-25; R. A. Fisher, Metron 5 (1925) 90-104.
    pub fn and_levels_of_captures(self, from: &Estimate, to: &Estimate) -> Self {
        let Some((from_degrees, to_degrees)) = from.degrees.zip(to.degrees) else { return self };
        let terms = [(from.variance, from_degrees), (to.variance, to_degrees)];
        let (variance, degrees) = together(terms);
        if from_degrees.min(to_degrees) > LEVELS_TELL_MORE || variance.is_nan() || variance <= 0.0 {
            return self;
        }
        let gap = to.mean - from.mean;
        let half = student_factor(COVERAGE, welch_satterthwaite(&terms)) * (from.variance + to.variance).sqrt();
        let probability = student_probability(gap.abs() / variance.sqrt(), degrees);
        let same_way = self.change_db.is_some_and(|db| db * gap > 0.0);
        let differ = self.probability <= 1.0 - COVERAGE || half < gap.abs();
        let probability = if same_way && differ { probability.min(self.probability) } else { self.probability };
        // What a mean power has over the mean level, at most as much more on the quieter side as these captures show.
        let [own, other] = terms.map(|(variance, degrees)| variance * (degrees + 1.0) / 2.0);
        let (low, high) = (gap - half + (other - own).min(0.0), gap + half - (own - other).min(0.0));
        let (mut interval_db, mut interval_power) = (self.interval_db, self.interval_power);
        if let (Some([end, _]), Some([least, _])) = (&mut interval_db, &mut interval_power)
            && gap > 0.0
            && *end == f64::NEG_INFINITY
        {
            (*end, *least) = (decibels(low), self.from * low.exp_m1());
        }
        if let Some([_, end]) = &mut interval_db
            && gap < 0.0
            && *end == f64::INFINITY
        {
            *end = decibels(high);
        }
        Self { probability, interval_db, interval_power, levels: Levels::OfFewCaptures, ..self }
    }

    /// Asks the levels as well: a mean level may move where the mean power does not, so only where the powers, judged alone,
    /// differ the same way. The smaller probability counts.
    pub fn and_levels(self, from: &Estimate, to: &Estimate) -> Self {
        let Some((from_degrees, to_degrees)) = from.degrees.zip(to.degrees) else { return self };
        let terms = [(from.variance, from_degrees), (to.variance, to_degrees)];
        self.and_gap(to.mean - from.mean, (from.variance + to.variance).sqrt(), welch_satterthwaite(&terms))
    }

    /// The same for powers taken in pairs.
    pub fn and_levels_of_pairs(self, from: &[f64], to: &[f64]) -> Self {
        let gaps: Vec<f64> = from.iter().zip(to).map(|(from, to)| (to / from).ln()).collect();
        let gaps = Estimate::of_independent(&gaps);
        gaps.degrees.map_or(self, |degrees| self.and_gap(gaps.mean, gaps.variance.sqrt(), degrees))
    }

    /// A gap between levels with its standard error and the degrees of freedom of that.
    fn and_gap(self, gap: f64, error: f64, degrees: f64) -> Self {
        let agrees = self.probability <= 1.0 - COVERAGE && self.change_db.is_some_and(|db| db * gap > 0.0);
        let levels = Levels::Beside;
        if !agrees || error.is_nan() || error <= 0.0 {
            return Self { levels, ..self };
        }
        Self { probability: self.probability.min(student_probability(gap.abs() / error, degrees)), levels, ..self }
    }

    /// The same difference seen from the other side, which starts from another mean power.
    fn reversed(self, from: f64) -> Self {
        let turned = |[low, high]: [f64; 2]| [-high, -low];
        let scatter = self.scatter.map(|scatter| match scatter {
            Scatter::Apart([from, to]) => Scatter::Apart([to, from]),
            pairs @ Scatter::InPairs(..) => pairs,
        });
        Self {
            change_db: self.change_db.map(|db| -db),
            interval_db: self.interval_db.map(turned),
            interval_power: self.interval_power.map(turned),
            from,
            scatter,
            ..self
        }
    }

    /// The smallest rise of the power that a table of `hypotheses` would have shown with a probability of 80 % in
    /// captures that scatter like these; `None` also where no rise, however large, would be shown so often.
    ///
    /// A side that is g times as strong scatters g times as much. See [`smallest_shown`].
    pub fn smallest_shown(&self, hypotheses: usize) -> Option<f64> {
        let rise = match self.scatter? {
            Scatter::Apart(sides) => smallest_shown(of_captures_like_these(sides), self.levels, hypotheses),
            Scatter::InPairs([other, crossed, own], degrees) => {
                let variance = |rise: f64| (other + rise * crossed + rise * rise * own).max(0.0);
                let terms = |rise: f64| [(0.0, degrees), (median_unbiased(variance(rise), degrees), degrees)];
                let by_powers = |rows| smallest_rise(terms, rows);
                match self.levels {
                    Levels::Not => by_powers(hypotheses),
                    Levels::Beside | Levels::OfFewCaptures => or_by_levels(by_powers, terms(1.0), hypotheses),
                }
            }
        };
        Some((rise? - 1.0) * self.from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::Random;

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
    fn pairs_take_out_what_both_share() {
        // Worked by hand: differences 0.9, 1.0, 1.1 give mean 1 and standard error 0.1/√3.
        let found = difference_of_pairs(&[10.0, 20.0, 30.0], &[10.9, 21.0, 31.1]);
        assert!((found.standard_error.unwrap() - 0.1 / 3f64.sqrt()).abs() < 1e-12);
        assert!(found.probability < 0.004);
        let apart =
            difference(&Estimate::of_independent(&[10.0, 20.0, 30.0]), &Estimate::of_independent(&[10.9, 21.0, 31.1]));
        assert!(apart.probability > 0.5 && (apart.change_db.unwrap() - found.change_db.unwrap()).abs() < 1e-12);
        assert!(difference_of_pairs(&[1.0], &[2.0]).interval_db.is_none());
    }

    /// Mean powers of captures about 1 that scatter so, as many as there are gains: the gain times 1.
    fn captures(gain: f64, scatter: f64, count: usize, random: &mut Random) -> Vec<f64> {
        (0..count).map(|_| gain * (1.0 + scatter * random.normal())).collect()
    }

    /// As captures are compared: by their powers and by their levels.
    fn compared(from: &[f64], to: &[f64]) -> Difference {
        let [powers, other] = [from, to].map(Estimate::of_independent);
        let [level, other_level] =
            [from, to].map(|side| Estimate::of_independent(&side.iter().map(|p| p.ln()).collect::<Vec<f64>>()));
        difference(&powers, &other).and_levels_of_captures(&level, &other_level)
    }

    fn compared_in_pairs(from: &[f64], to: &[f64]) -> Difference {
        difference_of_pairs(from, to).and_levels_of_pairs(from, to)
    }

    /// The share of tables that show a rise of a power of 1, at the strictest step.
    fn share_shown(rise: f64, count: usize, scatter: f64, rows: usize, in_pairs: bool) -> f64 {
        const TABLES: usize = 1000;
        let mut random = Random::new(77, 0);
        let is_shown = |_: &usize| {
            let [from, to] = [1.0, 1.0 + rise].map(|gain| captures(gain, scatter, count, &mut random));
            let found = if in_pairs { compared_in_pairs(&from, &to) } else { compared(&from, &to) };
            found.probability <= FAMILY_ERROR / rows as f64
        };
        (0..TABLES).filter(is_shown).count() as f64 / TABLES as f64
    }

    #[test]
    fn the_smallest_rise_stated_is_that_which_is_shown_in_four_cases_of_five() {
        // Of captures without a difference, their scatter known from themselves alone: half of the statements lie above
        // and half below the rise that the same test shows in 80 % of simulated tables, to a fifth of it.
        for (count, scatter, rows, in_pairs) in [
            (3, 0.05, 6, false),
            (3, 0.01, 75, false),
            (4, 0.05, 51, false),
            (6, 0.2, 75, false),
            (12, 0.05, 75, false),
            (4, 0.05, 6, true),
            (6, 0.05, 75, true),
        ] {
            let mut random = Random::new(9, 0);
            let mut stated: Vec<f64> = (0..201)
                .map(|_| {
                    let [from, to] = [(); 2].map(|()| captures(1.0, scatter, count, &mut random));
                    let found = if in_pairs { compared_in_pairs(&from, &to) } else { compared(&from, &to) };
                    found.smallest_shown(rows).unwrap_or(f64::INFINITY)
                })
                .collect();
            stated.sort_by(f64::total_cmp);
            let median = stated[100];
            let [less, at, more] =
                [0.8, 1.0, 1.2].map(|factor| share_shown(factor * median, count, scatter, rows, in_pairs));
            println!(
                "{count} captures, scatter {scatter}, {rows} rows, in pairs: {in_pairs}: {median:.4}; {less} {at} {more}"
            );
            assert!(less < POWER && POWER < more, "{count} {scatter} {rows} {in_pairs}: {median} {less} {at} {more}");
        }
    }

    #[test]
    fn three_captures_a_side_show_a_loud_rise_among_many_rows_by_their_levels() {
        // Student's t of 2 degrees of freedom at 0.05/75 is 38.7 (any table of it): three powers that scatter by a fifth
        // are never so many standard errors from zero, and a level of 30 dB more is 69 of its own.
        let (from, to) = ([1.0, 1.1, 0.9], [1000.0, 1200.0, 800.0]);
        let strictest = FAMILY_ERROR / 75.0;
        let [powers, other] = [from, to].map(|side| Estimate::of_independent(&side));
        assert!(difference(&powers, &other).probability > strictest);
        assert!(compared(&from, &to).probability < strictest);
        // Levels that rise where the powers fall claim nothing: one loud capture of three.
        let found = compared(&[1.0, 1.0, 31.0], &[9.0, 10.0, 11.0]);
        assert!(found.probability > 0.05 && found.change_db.unwrap() < 0.0);
        // A load whose level wanders by itself: by powers it may be nothing, by levels it is some 40 dB.
        let (from, to) = ([1.0, 1.02, 0.98], [3e3, 2e4, 1e4]);
        let [powers, other] = [from, to].map(|side| Estimate::of_independent(&side));
        assert_eq!(difference(&powers, &other).interval_db.unwrap()[0], f64::NEG_INFINITY);
        let found = compared(&from, &to);
        let [low, high] = found.interval_db.unwrap();
        // ln 3000, ln 20000, ln 10000: 9.0401 less ln of the background, ± 4.30 (t, two degrees of freedom) · 0.5543:
        // 6.657 nepers of power.
        assert!((low - 28.91).abs() < 0.02 && high > 40.0, "{low} {high}");
        assert!(found.probability < strictest && found.interval_power.unwrap()[0] > 500.0, "{found:?}");
        // Nothing of that where the levels fall.
        let back = compared(&to, &from);
        assert!((back.interval_db.unwrap()[1] + low).abs() < 1e-9 && back.probability < strictest);
    }

    #[test]
    fn above_a_background_the_ratio_is_that_of_what_is_left() {
        // 11 and 2 above a background of 1: 10 and 1 are left, 10 dB.
        let found = difference_above(
            &Background::Same(estimate(1.0, 1e-6, 50.0)),
            &estimate(11.0, 1e-4, 50.0),
            &estimate(2.0, 1e-6, 50.0),
        );
        assert!((found.change_db.unwrap() + 10.0).abs() < 1e-12);
        let [low, high] = found.interval_db.unwrap();
        assert!(low < -10.0 && -10.0 < high && high - low < 0.1, "{low} {high}");
        // A little less than the background may still be a load of nothing; much less fits no load at all.
        let after = |mean| {
            let (background, from) = (estimate(1.0, 1e-4, 50.0), estimate(11.0, 1e-4, 50.0));
            difference_above(&Background::Same(background), &from, &estimate(mean, 1e-4, 50.0))
        };
        let [low, high] = after(0.99).interval_db.unwrap();
        assert!(low == f64::NEG_INFINITY && (-40.0..-20.0).contains(&high), "{low} {high}");
        assert_eq!((after(0.9).change_db, after(0.9).interval_db), (None, None));
        // Without a background it is the plain comparison.
        let (a, b) = (estimate(3.0, 0.2, 4.0), estimate(5.0, 0.1, 9.0));
        let plain = difference(&a, &b).interval_db.unwrap();
        let above = difference_above(&Background::Same(estimate(0.0, 0.0, 4.0)), &a, &b).interval_db.unwrap();
        assert!((plain[0] - above[0]).abs() < 1e-9 && (plain[1] - above[1]).abs() < 1e-9);
    }

    #[test]
    fn a_single_observation_gives_no_interval() {
        let single = Estimate { mean: 1.0, variance: 0.0, degrees: None };
        let found = difference(&single, &estimate(2.0, 0.1, 4.0));
        assert!(found.interval_db.is_none() && found.probability.is_nan() && found.change_db.is_some());
        assert!(difference(&estimate(0.0, 0.0, 4.0), &estimate(1.0, 0.1, 4.0)).change_db.is_none());
    }
}
