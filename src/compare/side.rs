//! One side of a comparison: the band powers of its captures, and how sure their mean is.

use ndarray::{Array2, Axis};
use serde::Serialize;

use crate::uncertainty::{COVERAGE, Character, Estimate, student_factor, welch_satterthwaite};

/// What counts as one observation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Observation {
    /// A mains period within a capture.
    MainsPeriod,
    /// A capture.
    Capture,
    /// A pair of captures, one of each side.
    Pair,
}

/// From this many captures on, the capture is the observation.
pub(super) const CAPTURES_SPEAK_FOR_THEMSELVES: usize = 3;

/// The captures of one side of a comparison, for one channel: each an array of mains periods by bands, powers.
#[derive(Debug, Clone, Default)]
pub struct Side {
    captures: Vec<Array2<f64>>,
}

impl Side {
    /// Adds a capture: mains periods by bands. A capture without a whole period adds nothing.
    pub fn push(&mut self, periods_by_bands: Array2<f64>) {
        if periods_by_bands.nrows() > 0 {
            self.captures.push(periods_by_bands);
        }
    }

    /// How many captures there are.
    pub fn captures(&self) -> usize {
        self.captures.len()
    }

    /// How many mains periods there are in all.
    pub fn periods(&self) -> usize {
        self.captures.iter().map(Array2::nrows).sum()
    }

    /// The mean power in a band, its variance, and what the variance was judged from; `None` without captures.
    ///
    /// From three captures on, the capture is the observation. With one, its mains periods are, their
    /// correlation allowed for. With two, whichever of the two ways gives the wider interval.
    ///
    /// # Panics
    /// When there is no such band.
    pub fn power(&self, band: usize) -> Option<(Estimate, Observation)> {
        let means = self.means(band);
        match means.len() {
            0 => None,
            1 => Some((self.by_periods(band, |power| power), Observation::MainsPeriod)),
            count if count < CAPTURES_SPEAK_FOR_THEMSELVES => {
                let (periods, captures) = (self.by_periods(band, |power| power), Estimate::of_independent(&means));
                Some(if half_width(&periods) >= half_width(&captures) {
                    (periods, Observation::MainsPeriod)
                } else {
                    (captures, Observation::Capture)
                })
            }
            _ => Some((Estimate::of_independent(&means), Observation::Capture)),
        }
    }

    /// The mean level in a band, the natural logarithm of the power of each observation; `None` without captures.
    ///
    /// # Panics
    /// When there is no such band.
    pub fn level(&self, band: usize, observation: Observation) -> Option<Estimate> {
        let means = self.means(band);
        (!means.is_empty()).then(|| match observation {
            Observation::MainsPeriod => self.by_periods(band, f64::ln),
            _ => Estimate::of_independent(&means.iter().map(|power| power.ln()).collect::<Vec<f64>>()),
        })
    }

    /// The mean power in a band of each capture, in the order they were added.
    ///
    /// # Panics
    /// When there is no such band.
    pub fn means(&self, band: usize) -> Vec<f64> {
        self.captures.iter().map(|capture| capture.index_axis(Axis(1), band).mean().unwrap_or(0.0)).collect()
    }

    /// What there is to know of each capture's mains periods in a band, where they are enough to tell.
    ///
    /// # Panics
    /// When there is no such band.
    pub fn characters(&self, band: usize) -> Vec<Character> {
        let of = |capture: &Array2<f64>| Character::of_series(&capture.index_axis(Axis(1), band).to_vec());
        self.captures.iter().filter_map(of).collect()
    }

    /// Every capture by its own periods, of whose powers something is taken, then the plain mean of the captures.
    fn by_periods(&self, band: usize, of: impl Fn(f64) -> f64) -> Estimate {
        let series =
            |capture: &Array2<f64>| capture.index_axis(Axis(1), band).iter().map(|p| of(*p)).collect::<Vec<f64>>();
        let each: Vec<Estimate> = self.captures.iter().map(|capture| Estimate::of_series(&series(capture))).collect();
        let count = each.len() as f64;
        let terms: Vec<(f64, f64)> = each.iter().filter_map(|e| Some((e.variance, e.degrees?))).collect();
        Estimate {
            mean: each.iter().map(|e| e.mean).sum::<f64>() / count,
            variance: each.iter().map(|e| e.variance).sum::<f64>() / (count * count),
            degrees: (terms.len() == each.len()).then(|| welch_satterthwaite(&terms)),
        }
    }
}

fn half_width(estimate: &Estimate) -> f64 {
    estimate.degrees.map_or(0.0, |degrees| student_factor(COVERAGE, degrees) * estimate.variance.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn side(captures: &[&[f64]]) -> Side {
        let mut side = Side::default();
        for capture in captures {
            side.push(Array2::from_shape_vec((capture.len(), 1), capture.to_vec()).unwrap());
        }
        side
    }

    #[test]
    fn three_captures_are_three_observations() {
        let (power, observation) = side(&[&[1.0, 3.0], &[4.0, 4.0], &[6.0, 6.0]]).power(0).unwrap();
        assert_eq!(observation, Observation::Capture);
        // Means 2, 4, 6: mean 4, variance of the mean 4/3, two degrees of freedom.
        assert_eq!((power.mean, power.degrees), (4.0, Some(2.0)));
        assert!((power.variance - 4.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn one_capture_speaks_through_its_periods_and_one_period_says_nothing() {
        let (power, observation) = side(&[&[1.0, 2.0, 3.0]]).power(0).unwrap();
        assert_eq!((power.mean, observation), (2.0, Observation::MainsPeriod));
        assert!((power.variance - 1.0 / 3.0).abs() < 1e-12);
        assert_eq!(side(&[&[1.0]]).power(0).unwrap().0.degrees, None);
        assert!(side(&[&[]]).power(0).is_none());
    }

    #[test]
    fn two_captures_that_disagree_are_not_trusted_by_their_periods() {
        let (_, observation) = side(&[&[1.0, 1.1, 0.9], &[5.0, 5.1, 4.9]]).power(0).unwrap();
        assert_eq!(observation, Observation::Capture);
    }
}
