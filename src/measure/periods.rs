//! Band powers mains period by mains period: the observations on which comparisons rest.
//!
//! Segments start at equal steps of the mains phase, a whole number of them in each period, so that every
//! period sees the same phases and noise that swells with the mains does not look like scatter.

use ndarray::{Array2, Array3, Axis};

use crate::dsp::segment::Hop;
use crate::dsp::welch::Welch;
use crate::dsp::window::Taper;
use crate::units::{Band, Hertz};

/// Segments overlap by at least three quarters, so that what swells within a period is followed closely.
const LEAST_SHIFTS: f64 = 4.0;

/// The share of each transform bin that belongs to a band, with the power correction of that bin.
#[derive(Debug, Clone)]
pub(super) struct Weights {
    first: usize,
    weights: Vec<f64>,
}

impl Weights {
    /// The mean square that a density has in the band.
    pub(super) fn mean_square(&self, density: &[f64]) -> f64 {
        let inside = &density[self.first..self.first + self.weights.len()];
        inside.iter().zip(&self.weights).map(|(density, weight)| density * weight).sum()
    }
}

/// Accumulates band powers for each mains period of a recording.
#[derive(Debug)]
pub struct PeriodPowers {
    welch: Welch,
    channels: usize,
    per_period: u64,
    /// By channel, then by band.
    bands: Vec<Vec<Weights>>,
    sums: Vec<f64>,
}

impl PeriodPowers {
    /// Prepares for channels at a rate, a mains period in samples (may be fractional), and bands.
    ///
    /// `correction` gives the factor on a power of a channel, by its number, at a frequency in hertz.
    pub fn new(
        rate: Hertz,
        taper: Taper,
        period: f64,
        channels: usize,
        bands: &[Band],
        correction: impl Fn(usize, f64) -> f64,
    ) -> Self {
        let length = taper.len();
        let per_period = shifts_per_period(period, length);
        let bin = rate.get() / length as f64;
        let weights = |channel: usize| {
            let correction = |frequency: f64| correction(channel, frequency);
            bands.iter().map(|band| weights_of(*band, bin, length / 2, rate.get() / 2.0, &correction)).collect()
        };
        let bands = (0..channels).map(weights).collect();
        let hop = Hop::Period { samples: period, per_period };
        Self {
            welch: Welch::new(rate, taper, hop, channels, false),
            channels,
            per_period: per_period as u64,
            bands,
            sums: Vec::new(),
        }
    }

    /// How many segments each period holds.
    pub fn segments_per_period(&self) -> u64 {
        self.per_period
    }

    /// Takes the next samples of all channels.
    ///
    /// # Panics
    /// When there are not as many channels as were announced, or not of equal length.
    pub fn push(&mut self, channels: &[&[f64]]) {
        let Self { welch, bands, sums, channels: count, per_period } = self;
        welch.push_each(channels, |segment, channel, density| {
            let block = usize::try_from(segment / *per_period).expect("periods fit in memory");
            let bands = &bands[channel];
            let start = (block * *count + channel) * bands.len();
            if sums.len() < start + bands.len() {
                sums.resize(start + bands.len(), 0.0);
            }
            for (sum, band) in sums[start..].iter_mut().zip(bands.iter()) {
                *sum += band.mean_square(density);
            }
        });
    }

    /// The mean square in each band, channel and whole mains period: periods by channels by bands.
    ///
    /// # Panics
    /// Never: each complete period has its sums.
    pub fn finish(&self) -> Array3<f64> {
        let per_channel = self.bands.first().map_or(0, Vec::len);
        let row = self.channels * per_channel;
        let complete = usize::try_from(self.welch.segments() / self.per_period).expect("periods fit in memory");
        let values = self.sums[..complete * row].iter().map(|sum| sum / self.per_period as f64).collect();
        Array3::from_shape_vec((complete, self.channels, per_channel), values)
            .expect("a row was made for each complete period")
    }
}

/// One channel's periods by bands, out of what [`PeriodPowers::finish`] gives.
///
/// # Panics
/// When there is no such channel.
pub fn of_channel(powers: &Array3<f64>, channel: usize) -> Array2<f64> {
    powers.index_axis(Axis(1), channel).to_owned()
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a float cast saturates; the ratio is positive"
)]
fn shifts_per_period(period: f64, length: usize) -> usize {
    ((LEAST_SHIFTS * period / length as f64).ceil() as usize).clamp(1, 1 << 20)
}

/// The shares of a band of bins so far apart, `last` the number of the bin at or below half the rate.
pub(super) fn weights_of(band: Band, bin: f64, last: usize, nyquist: f64, correction: &impl Fn(f64) -> f64) -> Weights {
    let share = |k: usize| {
        let low = ((k as f64 - 0.5) * bin).max(0.0);
        let high = ((k as f64 + 0.5) * bin).min(nyquist);
        (high.min(band.high()) - low.max(band.low())).max(0.0)
    };
    let shares: Vec<f64> = (0..=last).map(share).collect();
    let first = shares.iter().position(|&s| s > 0.0).unwrap_or(0);
    let end = shares.iter().rposition(|&s| s > 0.0).map_or(first, |k| k + 1);
    let weights = (first..end).map(|k| shares[k] * correction(k as f64 * bin)).collect();
    Weights { first, weights }
}
