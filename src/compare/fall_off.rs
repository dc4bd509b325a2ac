//! How does the level fall with the distance of the antenna? A power of the distance, fitted band by band.

use serde::Serialize;

use crate::uncertainty::{COVERAGE, student_factor};

/// A level at a distance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AtDistance {
    /// The distance in metres, above zero.
    pub distance_m: f64,
    /// The level in decibels.
    pub level_db: f64,
}

/// A line through levels over the logarithm of the distance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fit {
    /// The exponent n of level ∝ 1/distanceⁿ: 1 falls by 6.02 dB when the distance doubles, 2 by 12.04 dB.
    pub exponent: f64,
    /// Its 95 % interval; `None` from two points, which lie on their line whatever they are.
    pub ci95: Option<[f64; 2]>,
    /// The level of the line at one metre.
    pub level_at_1_m_db: f64,
    /// The standard deviation of the levels about the line; `None` from two points.
    pub scatter_db: Option<f64>,
}

impl Fit {
    /// The level of the line at a distance in metres.
    pub fn level_db(&self, distance_m: f64) -> f64 {
        self.level_at_1_m_db - self.exponent * 20.0 * distance_m.log10()
    }
}

/// Fits level = a − n · 20 lg(distance) by least squares; `None` where all points have one distance.
///
/// The interval takes the scatter about the line as independent and alike at all distances, which holds for readings
/// that were taken anew at each of them; it does not know of a bend, such as between near and far field.
///
/// ```
/// use linewake::compare::fall_off::{AtDistance, fit};
/// // A field that falls with the cube of the distance, as that of a small coil does close to it.
/// let points = [0.25, 0.5, 1.0].map(|distance_m: f64| AtDistance { distance_m, level_db: 40.0 - 60.0 * distance_m.log10() });
/// let fit = fit(&points).unwrap();
/// assert!((fit.exponent - 3.0).abs() < 1e-12 && (fit.level_at_1_m_db - 40.0).abs() < 1e-12);
/// ```
///
/// # Sources
/// N. R. Draper, H. Smith: Applied Regression Analysis, 3rd edition, chapter 1: slope, its standard error, Student's t
/// with n − 2 degrees of freedom.
pub fn fit(points: &[AtDistance]) -> Option<Fit> {
    let count = points.len() as f64;
    let x = |point: &AtDistance| 20.0 * point.distance_m.log10();
    let mean_x = points.iter().map(x).sum::<f64>() / count;
    let mean_y = points.iter().map(|point| point.level_db).sum::<f64>() / count;
    let square: f64 = points.iter().map(|point| (x(point) - mean_x).powi(2)).sum();
    if points.len() < 2 || square <= 1e-12 {
        return None;
    }
    let product: f64 = points.iter().map(|point| (x(point) - mean_x) * (point.level_db - mean_y)).sum();
    let slope = product / square;
    let level_at_1_m_db = mean_y - slope * mean_x;
    let degrees = count - 2.0;
    let scatter_db = (points.len() > 2).then(|| {
        let rest = |point: &AtDistance| (point.level_db - level_at_1_m_db - slope * x(point)).powi(2);
        (points.iter().map(rest).sum::<f64>() / degrees).sqrt()
    });
    let half = scatter_db.map(|scatter| student_factor(COVERAGE, degrees) * scatter / square.sqrt());
    Some(Fit { exponent: -slope, ci95: half.map(|half| [-slope - half, -slope + half]), level_at_1_m_db, scatter_db })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(of: &[(f64, f64)]) -> Vec<AtDistance> {
        of.iter().map(|&(distance_m, level_db)| AtDistance { distance_m, level_db }).collect()
    }

    #[test]
    fn an_exact_power_law_gives_its_exponent_without_scatter() {
        // Closed form: 1/dⁿ in decibels is −20 n lg d.
        for exponent in [0.0, 1.0, 2.0, 2.7, 3.0] {
            let law = |d: f64| (d, 55.0 - 20.0 * exponent * d.log10());
            let fit = fit(&points(&[law(0.1), law(0.3), law(0.7), law(1.5)])).unwrap();
            assert!((fit.exponent - exponent).abs() < 1e-12, "{fit:?}");
            assert!(fit.scatter_db.unwrap() < 1e-10);
            assert!(fit.ci95.unwrap().iter().all(|end| (end - exponent).abs() < 1e-10));
            assert!((fit.level_db(0.3) - law(0.3).1).abs() < 1e-10);
        }
    }

    #[test]
    fn slope_and_interval_are_those_of_scipy() {
        // SciPy 1.17.1, scipy.stats.linregress over x = 20 lg d; interval: slope ± t.ppf(0.975, 3) · stderr.
        let fit = fit(&points(&[(0.1, 81.2), (0.2, 69.9), (0.5, 54.6), (1.0, 41.1), (2.0, 31.0)])).unwrap();
        assert!((fit.exponent - 1.957_329_097_366_461_2).abs() < 1e-9, "{fit:?}");
        assert!((fit.level_at_1_m_db - 42.258_226_299_841_155).abs() < 1e-9);
        let [low, high] = fit.ci95.unwrap();
        assert!(
            (low - 1.831_512_032_462_372_8).abs() < 1e-6 && (high - 2.083_146_162_270_549_6).abs() < 1e-6,
            "{fit:?}"
        );
        assert!((fit.scatter_db.unwrap() - 0.826_453_950_843_633_8).abs() < 1e-9);
    }

    #[test]
    fn two_points_have_no_interval_and_one_distance_no_line() {
        let two = fit(&points(&[(1.0, 40.0), (2.0, 34.0)])).unwrap();
        assert_eq!((two.ci95, two.scatter_db), (None, None));
        assert_eq!(fit(&points(&[(1.0, 40.0), (1.0, 34.0)])), None);
        assert_eq!(fit(&points(&[(1.0, 40.0)])), None);
        assert_eq!(fit(&[]), None);
    }
}
