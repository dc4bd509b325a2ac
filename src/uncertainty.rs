//! How sure a number is: means of correlated blocks, intervals, and verdicts over many bands at once.
//!
//! Everything here works on plain numbers and cites its source; what the numbers mean is decided in `compare`.

pub mod budget;
pub mod cubic;
pub mod linear_range;
pub mod regression;
mod twofold;

use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, Normal, StudentsT};

/// The share of true values that an interval is to hold.
pub const COVERAGE: f64 = 0.95;

/// Student's t for a two-sided interval of the given coverage.
///
/// `degrees` may be fractional and must be above zero; below 1 the interval of 1 is not narrowed.
///
/// ```
/// // GUM (JCGM 100:2008) table G.2, 95 %: 12.71 for 1 degree of freedom, 2.23 for 10.
/// use linewake::uncertainty::student_factor;
/// assert!((student_factor(0.95, 1.0) - 12.706).abs() < 1e-3);
/// assert!((student_factor(0.95, 10.0) - 2.228).abs() < 1e-3);
/// ```
///
/// # Panics
/// When `degrees` is not above zero or `coverage` does not lie between 0 and 1.
pub fn student_factor(coverage: f64, degrees: f64) -> f64 {
    assert!(coverage > 0.0 && coverage < 1.0, "a coverage of {coverage}");
    let tail = (1.0 - coverage) / 2.0;
    let normal = Normal::standard().inverse_cdf(1.0 - tail);
    if degrees > NEARLY_NORMAL {
        return nearly_normal(normal, degrees);
    }
    // The library's own inverse does not end for some arguments. Far out the logarithm of the tail is nearly a straight
    // line over that of t, so Newton's steps are taken there; what leaves the bracket is halved instead.
    let distribution = student(degrees);
    let (mut low, mut high) = (normal, 2.0 * normal + 2.0);
    while distribution.sf(high) > tail {
        (low, high) = (high, 2.0 * high);
    }
    let mut t = nearly_normal(normal, degrees).clamp(low, high);
    loop {
        let beyond = distribution.sf(t);
        if beyond > tail {
            low = t
        } else {
            high = t
        }
        let next = t * ((beyond / tail).ln() * beyond / (t * distribution.pdf(t))).exp();
        let next = if low < next && next < high { next } else { low + (high - low) / 2.0 };
        if (next - t).abs() <= 1e-12 * t || high - low <= 1e-13 * high {
            return next;
        }
        t = next;
    }
}

/// Beyond so many degrees of freedom Student's t is expanded about the normal distribution, where the library's
/// continued fraction loses digits.
const NEARLY_NORMAL: f64 = 1e3;

/// Student's t from the normal quantile, four terms of the expansion.
///
/// Source: M. Abramowitz, I. Stegun, Handbook of Mathematical Functions, 26.7.5 (from memory).
fn nearly_normal(z: f64, degrees: f64) -> f64 {
    let terms = [
        (z.powi(3) + z) / 4.0,
        (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0,
        (3.0 * z.powi(7) + 19.0 * z.powi(5) + 17.0 * z.powi(3) - 15.0 * z) / 384.0,
        (79.0 * z.powi(9) + 776.0 * z.powi(7) + 1482.0 * z.powi(5) - 1920.0 * z.powi(3) - 945.0 * z) / 92160.0,
    ];
    // Horner's scheme in 1/ν, the smallest term first.
    z + terms.iter().rev().fold(0.0, |sum, term| (sum + term) / degrees)
}

/// The two-sided probability that a t value this large arises by chance.
///
/// # Panics
/// When `degrees` is not above zero.
pub fn student_probability(t: f64, degrees: f64) -> f64 {
    let t = t.abs();
    if degrees > NEARLY_NORMAL {
        // Abramowitz and Stegun, 26.7.8 (from memory).
        2.0 * Normal::standard().sf(t * (1.0 - 0.25 / degrees) / (1.0 + t * t / (2.0 * degrees)).sqrt())
    } else {
        2.0 * student(degrees).sf(t)
    }
}

fn student(degrees: f64) -> StudentsT {
    StudentsT::new(0.0, 1.0, degrees).expect("degrees of freedom are above zero")
}

/// The factors on an averaged power that bound the true one: `degrees / chi²`, lower then upper.
///
/// Source: any text on spectral estimates, for example Bendat and Piersol, chapter 8 (from memory).
///
/// # Panics
/// When `degrees` is not above zero or `coverage` does not lie between 0 and 1.
pub fn chi_square_factors(coverage: f64, degrees: f64) -> (f64, f64) {
    let chi = ChiSquared::new(degrees).expect("degrees of freedom are above zero");
    let tail = (1.0 - coverage) / 2.0;
    (degrees / chi.inverse_cdf(1.0 - tail), degrees / chi.inverse_cdf(tail))
}

/// A mean with the variance of that mean and the degrees of freedom behind the variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The mean.
    pub mean: f64,
    /// The variance of the mean.
    pub variance: f64,
    /// Degrees of freedom of the variance; `None` when a single observation says nothing of scatter.
    pub degrees: Option<f64>,
}

impl Estimate {
    /// The mean of observations in their order in time, whose neighbours may be correlated.
    ///
    /// Three rules turn the scatter of a series into that of its mean; the table of coverage in DEVELOPERS.md needs
    /// each of them. From eight observations on:
    ///
    /// 1. A straight line through the series is taken off first: a level that drifts is no scatter about the mean
    ///    of the record.
    /// 2. What is left is worth [`effective_count`] independent observations.
    /// 3. The degrees of freedom are those of the scatter itself: the variance of a variance follows from the
    ///    fourth moment, so that a scatter that comes from k loud observations has about 2k of them, however many
    ///    quiet ones there are. That the correlation is estimated as well makes them fewer.
    ///
    /// ```
    /// use linewake::uncertainty::Estimate;
    /// let mut one_loud = [1.0, 1.1, 0.9, 1.0, 1.1, 0.9, 1.0, 1.1, 0.9, 1.0].repeat(5);
    /// one_loud[20] = 30.0;
    /// assert!(Estimate::of_series(&one_loud).degrees.unwrap() < 2.2);
    /// ```
    ///
    /// # Panics
    /// When there is none.
    ///
    /// # Sources
    /// Satterthwaite, Biometrics Bull. 2 (1946) 110-114: degrees of freedom 2 s⁴ / Var(s²); Var(s²) = σ⁴ (κ − 1)/n
    /// for many observations, H. Cramér, Mathematical Methods of Statistics (1946), 27.4 (from memory).
    pub fn of_series(observations: &[f64]) -> Self {
        if observations.len() < SHORTEST_SERIES {
            return Self::of_independent(observations);
        }
        let count = observations.len() as f64;
        let mean = observations.iter().sum::<f64>() / count;
        let rest = about_line(observations);
        let square = moment(&rest, 2);
        let effective = effective_of_residuals(&rest);
        let spread = square / (1.0 - LINE_PARAMETERS / effective).max(LEAST_SHARE);
        let kurtosis = if square > 0.0 { moment(&rest, 4) / (square * square) } else { 0.0 };
        let of_scatter = 2.0 * effective / (kurtosis - 1.0).max(f64::MIN_POSITIVE);
        let degrees = (effective - LINE_PARAMETERS).min(of_scatter).max(1.0);
        let degrees = 1.0 / (1.0 / degrees + OF_CORRELATION / count);
        Self { mean, variance: spread / effective, degrees: Some(degrees) }
    }

    /// The mean of independent observations.
    ///
    /// # Panics
    /// When there is none.
    pub fn of_independent(observations: &[f64]) -> Self {
        assert!(!observations.is_empty(), "a mean needs an observation");
        let count = observations.len() as f64;
        let mean = observations.iter().sum::<f64>() / count;
        if observations.len() < 2 {
            return Self { mean, variance: 0.0, degrees: None };
        }
        let squares: f64 = observations.iter().map(|x| (x - mean).powi(2)).sum();
        Self { mean, variance: squares / (count * (count - 1.0)), degrees: Some(count - 1.0) }
    }
}

/// Shorter series are too short to tell drift and correlation from chance.
const SHORTEST_SERIES: usize = 8;
/// A straight line has a level and a slope.
const LINE_PARAMETERS: f64 = 2.0;
/// What an estimated correlation coefficient adds to the variance of a variance, in the place of 1/ν, times n: half of
/// 4 Var((z − 0.4)⁺) = 0.80 for normal z, as the coefficient has the variance 1/n and is taken below zero by nobody.
const OF_CORRELATION: f64 = 0.4;
/// However correlated a series is, its line is not taken to have hidden more than 70 % of the scatter.
const LEAST_SHARE: f64 = 0.3;

/// What is left of a series when the straight line through it (least squares) is taken off.
fn about_line(series: &[f64]) -> Vec<f64> {
    let count = series.len() as f64;
    let mean = series.iter().sum::<f64>() / count;
    let time = |k: usize| k as f64 - (count - 1.0) / 2.0;
    let slope = slope(series);
    series.iter().enumerate().map(|(k, x)| x - mean - slope * time(k)).collect()
}

/// The slope of the straight line through a series, a step.
fn slope(series: &[f64]) -> f64 {
    let count = series.len() as f64;
    let time = |k: usize| k as f64 - (count - 1.0) / 2.0;
    let product: f64 = series.iter().enumerate().map(|(k, x)| x * time(k)).sum();
    product / (0..series.len()).map(|k| time(k).powi(2)).sum::<f64>()
}

/// The mean of a power of values whose mean is zero.
fn moment(values: &[f64], power: i32) -> f64 {
    values.iter().map(|x| x.powi(power)).sum::<f64>() / values.len() as f64
}

/// The number of independent observations that a correlated series is worth, a straight drift left aside.
///
/// n / (1 + 2 Σ ρₖ) with the autocorrelation coefficients of the series about its straight line, corrected for
/// their bias. The first always counts, so that neighbours sharing samples are seen, less what chance alone gives
/// where it does not stand out; the sum goes on while the coefficients stand out from chance. Negative correlation is not used to claim more than n, no less than two
/// are claimed, and series of fewer than eight observations are too short to tell.
///
/// # Sources
/// Variance of the mean of a correlated series: G. V. Bayley and J. M. Hammersley, J. R. Stat. Soc. Suppl. 8 (1946);
/// bias of the coefficients: F. H. C. Marriott and J. A. Pope, Biometrika 41 (1954); stopping once the
/// coefficients are lost in chance: common practice, limits set by the table of coverage.
pub fn effective_count(series: &[f64]) -> f64 {
    if series.len() < SHORTEST_SERIES { series.len() as f64 } else { effective_of_residuals(&about_line(series)) }
}

fn effective_of_residuals(rest: &[f64]) -> f64 {
    /// Standard errors by which the first coefficient must stand out for more of them to be looked at (5 %).
    const STANDS_OUT: f64 = 1.64;
    /// The same for those that follow.
    const GOES_ON: f64 = 0.5;
    /// A coefficient that is never taken below zero lies above it by chance: the mean of a normal distribution's
    /// positive half, in standard errors.
    const BY_CHANCE: f64 = 0.4;
    let count = rest.len() as f64;
    let squares: f64 = rest.iter().map(|x| x * x).sum();
    if squares <= 0.0 {
        return count;
    }
    let error = 1.0 / count.sqrt();
    let coefficient = |lag: usize| rest.iter().zip(&rest[lag..]).map(|(a, b)| a * b).sum::<f64>() / squares;
    let raw = coefficient(1);
    let first = ((count * raw + LINE_PARAMETERS) / (count - 2.0 - LINE_PARAMETERS)).clamp(0.0, 0.9);
    let mut sum = 1.0 + 2.0 * first;
    if raw > STANDS_OUT * error {
        for lag in 2..=rest.len() / 3 {
            let next = coefficient(lag);
            if next + LINE_PARAMETERS / count <= GOES_ON * error {
                break;
            }
            sum += 2.0 * (next + LINE_PARAMETERS * sum / count);
        }
    } else {
        sum -= 2.0 * BY_CHANCE * error;
    }
    (count / sum.max(1.0)).max(2.0)
}

/// What a reader should know of a series before its mean is taken for the level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Character {
    /// How many loud observations carry more than half of the scatter; 0 where it comes from all of them.
    pub loud: usize,
    /// The last over the first level of the straight line through the series, where it is no chance (one in 10 000,
    /// so that a table of many bands has none by luck).
    pub drift: Option<f64>,
    /// How many observations there are.
    pub count: usize,
    /// How many independent ones the series is worth.
    pub effective: f64,
}

impl Character {
    /// Looks at observations in their order in time; `None` where there are fewer than eight.
    ///
    /// Loud is what lies more than five robust standard deviations above the median (Hampel's rule with five for
    /// three: chi-square distributed powers have a tail of their own).
    pub fn of_series(series: &[f64]) -> Option<Self> {
        /// From the median of absolute deviations to the standard deviation of a normal distribution.
        const TO_DEVIATION: f64 = 1.4826;
        const LOUD: f64 = 5.0;
        const NO_CHANCE: f64 = 1e-4;
        if series.len() < SHORTEST_SERIES {
            return None;
        }
        let count = series.len() as f64;
        let mean = series.iter().sum::<f64>() / count;
        let rest = about_line(series);
        let effective = effective_of_residuals(&rest);
        let middle = median(rest.clone());
        let deviation = TO_DEVIATION * median(rest.iter().map(|x| (x - middle).abs()).collect());
        let loud: Vec<f64> = rest.iter().copied().filter(|x| x - middle > LOUD * deviation).collect();
        let carried: f64 = loud.iter().map(|x| x * x).sum();
        let squares = count * moment(&rest, 2);
        let slope = slope(series);
        // The standard error of a slope, the correlation counted as fewer observations.
        let degrees = (effective - LINE_PARAMETERS).max(1.0);
        let error = (squares / count / degrees * 12.0 / (count * count - 1.0)).sqrt();
        let is_drift = error > 0.0 && student_probability(slope / error, degrees) < NO_CHANCE;
        let half = slope * (count - 1.0) / 2.0;
        Some(Self {
            loud: if 2.0 * carried > squares { loud.len() } else { 0 },
            drift: (is_drift && mean > half.abs()).then(|| (mean + half) / (mean - half)),
            count: series.len(),
            effective,
        })
    }
}

/// The middle value; of an even number of values the mean of the two in the middle.
///
/// # Panics
/// Without a value.
pub fn median_of_two(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let upper = values.len() / 2;
    if values.len().is_multiple_of(2) { (values[upper - 1] + values[upper]) / 2.0 } else { values[upper] }
}

/// The middle value; the upper one of two.
fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Degrees of freedom of a sum of variances: (Σv)² / Σ(v²/ν).
///
/// Terms without variance count nothing; without any variance there is no limit and the answer is infinite.
///
/// Source: Welch–Satterthwaite, JCGM 100:2008, G.4.1.
pub fn welch_satterthwaite(terms: &[(f64, f64)]) -> f64 {
    let total: f64 = terms.iter().map(|(variance, _)| variance).sum();
    let weighted: f64 = terms.iter().map(|(variance, degrees)| variance * variance / degrees).sum();
    if weighted > 0.0 { total * total / weighted } else { f64::INFINITY }
}

/// Which of many hypotheses may be rejected so that all of them together err in at most `family` of tables.
///
/// Source: S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Stat. 6 (1979) 65-70.
///
/// ```
/// use linewake::uncertainty::holm;
/// assert_eq!(holm(&[0.01, 0.04, 0.03, 0.005], 0.05), [true, false, false, true]);
/// ```
pub fn holm(probabilities: &[f64], family: f64) -> Vec<bool> {
    let mut order: Vec<usize> = (0..probabilities.len()).collect();
    order.sort_by(|&a, &b| probabilities[a].total_cmp(&probabilities[b]));
    let mut rejected = vec![false; probabilities.len()];
    for (step, &index) in order.iter().enumerate() {
        let left = (probabilities.len() - step) as f64;
        // Written so that a probability that is not a number rejects nothing.
        if probabilities[index] <= family / left {
            rejected[index] = true;
        } else {
            break;
        }
    }
    rejected
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected}");
    }

    const SCIPY_T: &[(f64, f64, f64)] = &[
        (0.6, 0.5, 2.5127179536659203),
        (0.6, 1.0, 1.3763819204711738),
        (0.6, 2.0, 1.0606601717798214),
        (0.6, 3.7, 0.9498778242960849),
        (0.6, 17.0, 0.863279017420053),
        (0.6, 999.0, 0.8419811822589467),
        (0.6, 1001.0, 0.8419804627856796),
        (0.6, 99999.0, 0.8416248280328457),
        (0.6, 1000000000.0, 0.8416212339323552),
        (0.95, 0.5, 164.55767348048818),
        (0.95, 1.0, 12.706204736174694),
        (0.95, 2.0, 4.302652729749462),
        (0.95, 3.7, 2.8675207071911895),
        (0.95, 17.0, 2.1098155778333156),
        (0.95, 999.0, 1.9623414611334493),
        (0.95, 1001.0, 1.9623367052808798),
        (0.95, 99999.0, 1.9599877077718442),
        (0.95, 1000000000.0, 1.959963986912325),
        (0.9997, 0.5, 4571071.805851374),
        (0.9997, 1.0, 2122.0657508125364),
        (0.9997, 2.0, 57.72203572592492),
        (0.9997, 3.7, 13.223648775143069),
        (0.9997, 17.0, 4.5239383576329395),
        (0.9997, 999.0, 3.628070243581188),
        (0.9997, 1001.0, 3.6280446480074957),
        (0.9997, 99999.0, 3.615427183952305),
        (0.9997, 1000000000.0, 3.6153000196418654),
    ];

    #[test]
    fn student_factors_are_those_of_the_gum() {
        // JCGM 100:2008 table G.2, columns 95 % and 95.45 %, to the digits printed there (from memory, and
        // recomputed with an independent library).
        for (degrees, factor) in [(1.0, 12.71), (2.0, 4.30), (3.0, 3.18), (5.0, 2.57), (20.0, 2.09), (50.0, 2.01)] {
            close(student_factor(0.95, degrees), factor, 0.005);
        }
        for (degrees, factor) in [(1.0, 13.97), (2.0, 4.53), (5.0, 2.65), (10.0, 2.28), (50.0, 2.05)] {
            close(student_factor(0.9545, degrees), factor, 0.005);
        }
        close(student_probability(12.7062, 1.0), 0.05, 1e-5);
        // scipy.stats.t.ppf of SciPy 1.17, far tails and many degrees of freedom included.
        for (coverage, degrees, factor) in SCIPY_T {
            close(student_factor(*coverage, *degrees) / factor, 1.0, 1e-9);
            // Abramowitz and Stegun's approximation is good to some 1e-4 in the far tail at 1000 degrees.
            close(student_probability(*factor, *degrees) / (1.0 - coverage), 1.0, 2e-4);
        }
    }

    #[test]
    fn chi_square_factors_are_the_tabulated_ones() {
        // Quantiles of chi² as any table of statistics prints them: for 2 degrees 0.0506 and 7.378, for 10
        // degrees 3.247 and 20.483 (NIST/SEMATECH e-Handbook 1.3.6.7.4, from memory).
        let (low, high) = chi_square_factors(0.95, 10.0);
        close(low, 10.0 / 20.483, 1e-4);
        close(high, 10.0 / 3.247, 1e-3);
    }

    #[test]
    fn welch_satterthwaite_gives_the_gum_example() {
        // JCGM 100:2008 example H.1: contributions in nm and their degrees of freedom, 16.7 truncated to 16.
        let nm = [(25.0, 18.0), (5.8, 24.0), (3.9, 5.0), (6.7, 8.0), (2.9, 50.0), (16.6, 2.0)];
        let terms: Vec<_> = nm.iter().map(|&(u, degrees): &(f64, f64)| (u * u, degrees)).collect();
        close(welch_satterthwaite(&terms), 16.75, 0.01);
    }

    #[test]
    fn a_correlated_series_is_worth_fewer_observations() {
        // Closed form: a first-order process with coefficient 0.5 is worth a third of its length.
        let mut state = 1u64;
        let mut uniform = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        let mut value = 0.0;
        let series: Vec<f64> = (0..20_000)
            .map(|_| {
                value = 0.5 * value + uniform();
                value
            })
            .collect();
        close(effective_count(&series) / 20_000.0, 1.0 / 3.0, 0.02);
    }

    #[test]
    fn holm_stops_at_the_first_that_stands() {
        assert_eq!(holm(&[], 0.05), Vec::<bool>::new());
        assert_eq!(holm(&[f64::NAN, 0.001], 0.05), [false, true]);
        assert_eq!(holm(&[0.03, 0.03], 0.05), [false, false]);
    }
}
