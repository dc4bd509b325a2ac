//! Samples at places between the samples: band-limited interpolation on to any uniform grid.
//!
//! A windowed sinc stands around each wanted place and weighs the samples near it. The same kernel is the low-pass that a
//! slower grid needs: what lies up to the pass frequency is kept, what lies beyond the stop frequency is taken away,
//! the images that a finer grid would show included. Places are computed one by one, so that a grid may begin anywhere
//! and change its step from one stretch to the next, as a grid that follows the mains does.

use std::f64::consts::PI;

use super::window::bessel_i0;
use crate::error::Error;
use crate::units::Hertz;

/// How far the kernel keeps down what lies beyond its stop frequency, in decibels; its ripple below the pass frequency
/// is the same fraction of one: three parts in a million.
const ATTENUATION_DB: f64 = 110.0;
/// The kernel is tabled so finely that a straight line between two rows misses it by less than this.
const TABLE_ERROR: f64 = 1e-6;
/// Longer kernels are refused; they would belong to a transition too narrow to be of use.
const MOST_TAPS: f64 = 4e6;

/// A windowed-sinc kernel for one sampling rate.
///
/// ```
/// use linewake::dsp::resample::Resampler;
/// use linewake::units::Hertz;
/// let sine = |position: f64| (std::f64::consts::TAU * 0.2 * position).sin(); // 100 kHz at 500 kS/s
/// let samples: Vec<f64> = (0..200).map(|n| sine(f64::from(n))).collect();
/// let resampler = Resampler::new(Hertz::new(500e3)?, 150e3, 250e3)?;
/// assert!((resampler.at(&samples, 100.3) - sine(100.3)).abs() < 1e-5);
/// # Ok::<(), linewake::error::Error>(())
/// ```
///
/// # Sources
/// Band-limited interpolation with a Kaiser window: J. O. Smith, "Digital Audio Resampling Home Page" (from memory);
/// β and length from attenuation and transition: Kaiser 1974, as in Oppenheim and Schafer, Discrete-Time Signal
/// Processing (from memory).
#[derive(Debug, Clone)]
pub struct Resampler {
    /// Samples that a place needs on either side.
    reach: usize,
    /// Rows of the table between two samples.
    phases: usize,
    /// `phases` + 1 rows of 2·`reach` weights: row p for a place p/phases after a sample.
    table: Vec<f64>,
}

impl Resampler {
    /// A kernel that keeps what lies up to `pass_hz` and takes away what lies from `stop_hz` on.
    ///
    /// Of a record whose content ends at half the rate, images begin at the rate less the highest frequency kept;
    /// `stop_hz` should not lie above that.
    ///
    /// # Errors
    /// Frequencies that do not rise from 0, or lie so close together that the kernel would not end.
    pub fn new(rate: Hertz, pass_hz: f64, stop_hz: f64) -> Result<Self, Error> {
        let transition = (stop_hz - pass_hz) / rate.get();
        let taps = (ATTENUATION_DB - 8.0) / (2.285 * 2.0 * PI * transition);
        if !(pass_hz > 0.0 && transition > 0.0 && taps <= MOST_TAPS) {
            return Err(Error::usage(format!(
                "resampling that keeps {pass_hz} Hz and takes away {stop_hz} Hz at {rate}"
            ))
            .expected("two frequencies that rise, well apart"));
        }
        let cutoff = (pass_hz + stop_hz) / 2.0 / rate.get();
        let beta = 0.1102 * (ATTENUATION_DB - 8.7);
        let half = (taps / 2.0).max(2.0);
        let (reach, phases) =
            (whole(half.ceil()), whole((2.0 * PI * cutoff / (8.0 * TABLE_ERROR).sqrt()).ceil().max(8.0)));
        let kernel = |t: f64| {
            let root = 1.0 - (t / half) * (t / half);
            if root <= 0.0 {
                return 0.0;
            }
            2.0 * cutoff * sinc(2.0 * cutoff * t) * bessel_i0(beta * root.sqrt()) / bessel_i0(beta)
        };
        let weight = |row: usize, tap: usize| kernel(row as f64 / phases as f64 + reach as f64 - 1.0 - tap as f64);
        let table = (0..=phases).flat_map(|row| (0..2 * reach).map(move |tap| (row, tap)));
        let table = table.map(|(row, tap)| weight(row, tap)).collect();
        Ok(Self { reach, phases, table })
    }

    /// How many samples a place needs on either side of it.
    pub fn reach(&self) -> usize {
        self.reach
    }

    /// The value at a place, counted in samples from the first one given.
    ///
    /// # Panics
    /// When the samples do not reach [`Resampler::reach`] beyond the place on both sides.
    pub fn at(&self, samples: &[f64], position: f64) -> f64 {
        let before = position.floor();
        let fine = (position - before) * self.phases as f64;
        let row = whole(fine).min(self.phases - 1);
        let share = fine - row as f64;
        let width = 2 * self.reach;
        let near = &samples[whole(before) + 1 - self.reach..][..width];
        let (low, high) = (&self.table[row * width..][..width], &self.table[(row + 1) * width..][..width]);
        let (mut at_low, mut at_high) = (0.0, 0.0);
        for ((sample, low), high) in near.iter().zip(low).zip(high) {
            at_low += sample * low;
            at_high += sample * high;
        }
        at_low + share * (at_high - at_low)
    }

    /// Values at `start`, `start + step`, … until `out` is full; places count in samples from the first one given.
    ///
    /// # Panics
    /// As [`Resampler::at`].
    pub fn fill(&self, samples: &[f64], start: f64, step: f64, out: &mut [f64]) {
        for (n, out) in out.iter_mut().enumerate() {
            *out = self.at(samples, start + n as f64 * step);
        }
    }
}

fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and bounded by a length")]
fn whole(value: f64) -> usize {
    value as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tones_are_kept_and_images_are_not() {
        // 100 kHz and 260 kHz at 600 kS/s, on to a finer grid.
        let resampler = Resampler::new(Hertz::new(600e3).unwrap(), 150e3, 250e3).unwrap();
        let tone = |frequency: f64, position: f64| (2.0 * PI * frequency / 600e3 * position).cos();
        let error = |frequency: f64, gain: f64| {
            let samples: Vec<f64> = (0..400).map(|n| tone(frequency, f64::from(n))).collect();
            let misses = (0..500)
                .map(|n| 150.0 + 0.217 * f64::from(n))
                .map(|place| (resampler.at(&samples, place) - gain * tone(frequency, place)).abs());
            misses.fold(0.0, f64::max)
        };
        assert!(error(100e3, 1.0) < 1e-5 && error(150e3, 1.0) < 1e-5, "{} {}", error(100e3, 1.0), error(150e3, 1.0));
        assert!(error(260e3, 0.0) < 1e-5, "{}", error(260e3, 0.0));
    }

    #[test]
    fn a_grid_is_its_places() {
        let resampler = Resampler::new(Hertz::new(1e3).unwrap(), 100.0, 400.0).unwrap();
        let samples: Vec<f64> = (0..100).map(|n| f64::from(n * n % 17)).collect();
        let mut grid = [0.0; 20];
        resampler.fill(&samples, 30.25, 1.5, &mut grid);
        assert_eq!(grid[7], resampler.at(&samples, 30.25 + 7.0 * 1.5));
        assert!(2 * resampler.reach() < 60);
    }

    #[test]
    fn impossible_kernels_are_refused() {
        let rate = Hertz::new(1e6).unwrap();
        for (pass, stop) in [(0.0, 1e3), (2e3, 1e3), (1e3, 1e3), (1e3, 1e3 + 1e-3), (f64::NAN, 1e3)] {
            assert!(Resampler::new(rate, pass, stop).is_err(), "{pass} {stop}");
        }
    }
}
