//! Linear least squares: coefficients with their uncertainty, plain, weighted or robust.
//!
//! The one idea: readings are few, so the triangle is made in twice the usual digits (`Twofold`) by Householder's
//! reflections on columns of unit length. What is left of the error is that of the columns themselves, as doubles; and
//! a column counts as dependent on those before it where no more is left of it than the rounding of doubles would
//! leave. So a polynomial of the tenth degree is solved, and a column that repeats another one is refused by number.
//!
//! # Sources
//! G. H. Golub, "Numerical methods for solving linear least squares problems", Numer. Math. 7 (1965) 206-216;
//! N. R. Draper, H. Smith, Applied Regression Analysis, chapters 1 and 2 (from memory).

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::twofold::Twofold;
use super::{COVERAGE, student_factor};

/// Why there is no fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unsolved {
    /// Fewer points than coefficients.
    TooFew {
        /// How many points there are.
        points: usize,
        /// How many coefficients are asked for.
        coefficients: usize,
    },
    /// A column is a combination of those before it, as far as doubles can tell.
    Dependent {
        /// Its number, counted from 0.
        column: usize,
    },
    /// A number that is not finite, a weight that is not above zero, or a size that cannot be squared.
    NotFinite,
}

/// A value with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fitted {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty; `None` where there are no more points than coefficients.
    pub standard_uncertainty: Option<f64>,
    /// The interval that holds the true value in 95 %.
    pub ci95: Option<[f64; 2]>,
}

impl Fitted {
    /// A value with its standard uncertainty and the degrees of freedom behind that.
    pub fn new(value: f64, standard_uncertainty: Option<f64>, degrees: f64) -> Self {
        let half = standard_uncertainty.filter(|_| degrees > 0.0).map(|u| student_factor(COVERAGE, degrees) * u);
        Self { value, standard_uncertainty, ci95: half.map(|half| [value - half, value + half]) }
    }

    /// The same times a factor.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        let turned = |[low, high]: [f64; 2]| if factor < 0.0 { [high, low] } else { [low, high] };
        Self {
            value: factor * self.value,
            standard_uncertainty: self.standard_uncertainty.map(|u| factor.abs() * u),
            ci95: self.ci95.map(|ends| turned(ends.map(|end| factor * end))),
        }
    }
}

/// A solved linear model.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The coefficients in the order of the columns.
    pub coefficients: Vec<f64>,
    /// Observed less fitted, in the unit of the observations.
    pub residuals: Vec<f64>,
    /// The sum of the squares of the residuals times their weights.
    pub residual_sum: f64,
    /// Points less coefficients.
    pub degrees: f64,
    /// The variance of a residual of weight 1 that the uncertainties rest on; `None` without degrees of freedom.
    pub variance: Option<f64>,
    /// The inverse of XᵀWX, row by row.
    inverse: Vec<Vec<f64>>,
    /// The weighted sum of squares of the observations, about zero and about their mean.
    total: (f64, f64),
}

impl Fit {
    /// A coefficient with its uncertainty.
    ///
    /// # Panics
    /// When there is no such coefficient.
    pub fn coefficient(&self, number: usize) -> Fitted {
        let error = self.variance.map(|variance| (variance * self.inverse[number][number]).sqrt());
        Fitted::new(self.coefficients[number], error, self.degrees)
    }

    /// The fitted value for a row of the columns.
    pub fn value(&self, row: &[f64]) -> f64 {
        self.coefficients.iter().zip(row).map(|(coefficient, x)| coefficient * x).sum()
    }

    /// The variance of that fitted value over the variance of an observation of weight 1.
    pub fn leverage(&self, row: &[f64]) -> f64 {
        let across = |line: &Vec<f64>| line.iter().zip(row).map(|(a, x)| a * x).sum::<f64>();
        self.inverse.iter().map(across).zip(row).map(|(sum, x)| sum * x).sum::<f64>().max(0.0)
    }

    /// The share of the scatter about the mean that the model explains; `None` where there is no scatter.
    pub fn r_squared(&self) -> Option<f64> {
        share(self.residual_sum, self.total.1)
    }

    /// The share of the sum of squares that the model explains, for models without a constant.
    pub fn r_squared_about_zero(&self) -> Option<f64> {
        share(self.residual_sum, self.total.0)
    }
}

fn share(left: f64, total: f64) -> Option<f64> {
    (total > 0.0).then(|| 1.0 - left / total)
}

/// Fits observations by a linear combination of columns; `weights` are inverse variances but for a common factor.
///
/// ```
/// use linewake::uncertainty::regression::linear;
/// // NIST StRD NoInt2: y = B1·x, certified 0.727272727272727 with 0.0420827318078432.
/// let fit = linear(&[vec![4.0, 5.0, 6.0]], &[3.0, 4.0, 4.0], None).unwrap();
/// assert!((fit.coefficients[0] - 0.727272727272727).abs() < 1e-15);
/// assert!((fit.coefficient(0).standard_uncertainty.unwrap() - 0.0420827318078432).abs() < 1e-16);
/// ```
///
/// # Errors
/// Fewer points than columns, a column that depends on others, numbers that are not finite.
///
/// # Panics
/// When columns, observations and weights are not of one length.
pub fn linear(columns: &[Vec<f64>], observed: &[f64], weights: Option<&[f64]>) -> Result<Fit, Unsolved> {
    let count = observed.len();
    assert!(columns.iter().all(|column| column.len() == count), "columns are as long as the observations");
    assert!(weights.is_none_or(|weights| weights.len() == count), "a weight for each observation");
    if count < columns.len() || columns.is_empty() {
        return Err(Unsolved::TooFew { points: count, coefficients: columns.len() });
    }
    let weight = |row: usize| weights.map_or(1.0, |weights| weights[row]);
    let usable = |row: usize| weight(row) > 0.0 && weight(row).is_finite() && observed[row].is_finite();
    if !(0..count).all(usable) || columns.iter().flatten().any(|x| !x.is_finite()) {
        return Err(Unsolved::NotFinite);
    }
    let roots: Vec<Twofold> = (0..count).map(|row| Twofold::from(weight(row)).sqrt()).collect();
    let weighted = |values: &[f64]| -> Vec<Twofold> {
        values.iter().zip(&roots).map(|(&value, &root)| Twofold::from(value) * root).collect()
    };
    let triangle = Triangle::of(columns.iter().map(|column| weighted(column)).collect())?;
    let coefficients = triangle.solve(weighted(observed));
    let residual = |row: usize| {
        let terms = coefficients.iter().zip(columns).map(|(&c, column)| c * Twofold::from(column[row]));
        Twofold::from(observed[row]) - terms.sum()
    };
    let residuals: Vec<Twofold> = (0..count).map(residual).collect();
    let sum_of = |values: &mut dyn Iterator<Item = Twofold>| {
        values.zip(&roots).map(|(value, &root)| value * root * (value * root)).sum::<Twofold>().get()
    };
    let whole: f64 = (0..count).map(weight).sum();
    let mean = (0..count).map(|row| Twofold::from(weight(row)) * Twofold::from(observed[row])).sum::<Twofold>();
    let mean = mean / Twofold::from(whole);
    let residual_sum = sum_of(&mut residuals.iter().copied());
    let degrees = (count - columns.len()) as f64;
    let fit = Fit {
        coefficients: coefficients.iter().map(|c| c.get()).collect(),
        residuals: residuals.iter().map(|r| r.get()).collect(),
        residual_sum,
        degrees,
        variance: (degrees > 0.0).then_some(residual_sum / degrees),
        inverse: triangle.inverse(),
        total: (
            sum_of(&mut observed.iter().map(|&y| Twofold::from(y))),
            sum_of(&mut observed.iter().map(|&y| Twofold::from(y) - mean)),
        ),
    };
    let sound = fit.coefficients.iter().chain([&fit.residual_sum, &fit.total.0]).all(|number| number.is_finite());
    if sound { Ok(fit) } else { Err(Unsolved::NotFinite) }
}

/// The triangle of a design with the reflections that made it.
struct Triangle {
    /// Lengths of the columns before they were made one.
    lengths: Vec<Twofold>,
    /// Columns of the triangle, the diagonal last.
    columns: Vec<Vec<Twofold>>,
    /// Each reflection: its vector from its row on.
    reflections: Vec<Vec<Twofold>>,
}

fn product(a: &[Twofold], b: &[Twofold]) -> Twofold {
    a.iter().zip(b).map(|(&a, &b)| a * b).sum()
}

/// Reflects a vector from a row on.
fn reflect(vector: &mut [Twofold], mirror: &[Twofold]) {
    let factor = product(mirror, vector) * Twofold::from(2.0) / product(mirror, mirror);
    vector.iter_mut().zip(mirror).for_each(|(value, &m)| *value = *value - factor * m);
}

impl Triangle {
    fn of(design: Vec<Vec<Twofold>>) -> Result<Self, Unsolved> {
        // Each entry of a unit column is known to half a unit in its last place; of a column that is a combination of
        // others so much may be left by rounding. Sixteen times that has room for powers that were multiplied up.
        let rounding = 16.0 * design.len() as f64 * f64::EPSILON;
        let mut triangle = Self { lengths: Vec::new(), columns: Vec::new(), reflections: Vec::new() };
        for (number, mut column) in design.into_iter().enumerate() {
            let length = product(&column, &column).sqrt();
            if !length.get().is_finite() {
                return Err(Unsolved::NotFinite);
            }
            if length.get() <= 0.0 {
                return Err(Unsolved::Dependent { column: number });
            }
            column.iter_mut().for_each(|value| *value = *value / length);
            for (row, mirror) in triangle.reflections.iter().enumerate() {
                reflect(&mut column[row..], mirror);
            }
            let (done, rest) = column.split_at(number);
            let left = product(rest, rest).sqrt();
            if left.get() <= rounding {
                return Err(Unsolved::Dependent { column: number });
            }
            let diagonal = if rest[0].get() > 0.0 { -left } else { left };
            let mut mirror = rest.to_vec();
            mirror[0] = mirror[0] - diagonal;
            triangle.columns.push(done.iter().copied().chain([diagonal]).collect());
            triangle.reflections.push(mirror);
            triangle.lengths.push(length);
        }
        Ok(triangle)
    }

    /// The coefficients for observations that were weighted like the columns.
    fn solve(&self, mut observed: Vec<Twofold>) -> Vec<Twofold> {
        for (row, mirror) in self.reflections.iter().enumerate() {
            reflect(&mut observed[row..], mirror);
        }
        observed.truncate(self.columns.len());
        self.back(observed)
    }

    /// Solves the triangle from its last row up, the lengths put back.
    fn back(&self, mut right: Vec<Twofold>) -> Vec<Twofold> {
        for k in (0..right.len()).rev() {
            let value = right[k] / self.columns[k][k];
            right[k] = value;
            for (row, &entry) in self.columns[k][..k].iter().enumerate() {
                right[row] = right[row] - entry * value;
            }
        }
        right.iter().zip(&self.lengths).map(|(&value, &length)| value / length).collect()
    }

    /// (RᵀR)⁻¹ = R⁻¹R⁻ᵀ.
    fn inverse(&self) -> Vec<Vec<f64>> {
        let size = self.columns.len();
        let unit = |k: usize| (0..size).map(|row| Twofold::from(if row == k { 1.0 } else { 0.0 })).collect();
        let columns: Vec<Vec<Twofold>> = (0..size).map(|k| self.back(unit(k))).collect();
        let entry = |a: usize, b: usize| columns.iter().map(|column| column[a] * column[b]).sum::<Twofold>().get();
        (0..size).map(|a| (0..size).map(|b| entry(a, b)).collect()).collect()
    }
}

/// Where Huber's function turns from square to straight, in standard deviations: 95 % efficient with normal errors.
const TURN: f64 = 1.345;
/// The standard deviation of normal errors over the median of their absolute values.
pub(crate) const OVER_MEDIAN: f64 = 1.482_602_218_505_602;
/// More rounds than any fit of sound data takes.
const MOST_ROUNDS: usize = 500;

/// Fits as [`linear`] does, with Huber's function in the place of the square: a few readings that went wrong count
/// less, the more they are off. The scale is the median of the absolute residuals, made anew in each round.
///
/// # Errors
/// As [`linear`].
///
/// # Panics
/// As [`linear`].
///
/// # Sources
/// P. J. Huber, Robust Statistics (1981), 6.7 and 7.6, equation 6.5 for the covariance (from memory, held against the
/// package statsmodels); 1.345: P. W. Holland, R. E. Welsch, Commun. Stat. A6 (1977) 813-827 (from memory).
pub fn robust(columns: &[Vec<f64>], observed: &[f64], weights: Option<&[f64]>) -> Result<Fit, Unsolved> {
    let given = |row: usize| weights.map_or(1.0, |weights| weights[row]);
    let mut fit = linear(columns, observed, weights)?;
    let plain = fit.clone();
    let in_units = |fit: &Fit| -> (Vec<f64>, f64) {
        let residuals: Vec<f64> = fit.residuals.iter().enumerate().map(|(row, r)| r * given(row).sqrt()).collect();
        let scale = OVER_MEDIAN * super::median_of_two(residuals.iter().map(|r| r.abs()).collect());
        (residuals, scale)
    };
    for _ in 0..MOST_ROUNDS {
        let (residuals, scale) = in_units(&fit);
        if scale <= 0.0 {
            break;
        }
        let reweighted: Vec<f64> =
            residuals.iter().enumerate().map(|(row, r)| given(row) * (TURN * scale / r.abs()).min(1.0)).collect();
        let next = linear(columns, observed, Some(&reweighted))?;
        let moved = next.coefficients.iter().zip(&fit.coefficients).any(|(a, b)| (a - b).abs() > 1e-13 * b.abs());
        fit = next;
        if !moved {
            break;
        }
    }
    let (residuals, scale) = in_units(&fit);
    let count = observed.len() as f64;
    let variance = (fit.degrees > 0.0 && scale > 0.0).then(|| {
        let inside = residuals.iter().filter(|r| r.abs() <= TURN * scale).count() as f64 / count;
        let scatter: f64 = residuals.iter().map(|r| r.abs().min(TURN * scale).powi(2)).sum();
        let small = 1.0 + columns.len() as f64 / count * (1.0 - inside) / inside;
        small * small * scatter / fit.degrees / (inside * inside)
    });
    // Sums of squares are those of the readings as weighted by the user, not by the rounds.
    let residual_sum = residuals.iter().map(|r| r * r).sum();
    Ok(Fit { variance: variance.or(fit.variance), residual_sum, inverse: plain.inverse, total: plain.total, ..fit })
}

/// Whether a model misses more than the scatter of repeated readings explains.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LackOfFit {
    /// The mean square of what the model misses of the means, over that of the repeats about their means.
    pub f: f64,
    /// The degrees of freedom of both.
    pub degrees: [f64; 2],
    /// The probability that chance alone gives a ratio as large.
    pub probability: f64,
}

/// The test for lack of fit; `None` without repeats that scatter, or with no more places than coefficients.
///
/// `places` tells repeats: readings with the same number were taken at the same settings. `weights` as for the fit.
///
/// # Sources
/// Draper and Smith, 1.5 (from memory); ISO 11095 uses the same test for calibration lines (from memory).
pub fn lack_of_fit(fit: &Fit, places: &[usize], observed: &[f64], weights: Option<&[f64]>) -> Option<LackOfFit> {
    let count = places.iter().max().map_or(0, |last| last + 1);
    let mut sums = vec![(0.0, 0.0); count];
    let weight = |row: usize| weights.map_or(1.0, |weights| weights[row]);
    for (row, &place) in places.iter().enumerate() {
        sums[place].0 += weight(row);
        sums[place].1 += weight(row) * observed[row];
    }
    let about = |row: usize| {
        let (whole, sum) = sums[places[row]];
        weight(row) * (observed[row] - sum / whole).powi(2)
    };
    let pure: f64 = (0..places.len()).map(about).sum();
    let used = sums.iter().filter(|sum| sum.0 > 0.0).count();
    let degrees = [(used as f64) - fit.coefficients.len() as f64, (places.len() - used) as f64];
    if degrees.iter().any(|degrees| *degrees < 1.0) || pure <= 0.0 {
        return None;
    }
    let f = ((fit.residual_sum - pure).max(0.0) / degrees[0]) / (pure / degrees[1]);
    let distribution = FisherSnedecor::new(degrees[0], degrees[1]).ok()?;
    Some(LackOfFit { f, degrees, probability: distribution.sf(f) })
}
