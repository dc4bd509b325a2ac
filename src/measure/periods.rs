//! Band powers mains period by mains period: the observations on which comparisons rest.
//!
//! Segments start at equal steps of the mains phase, a whole number of them in each period, so that every
//! period sees the same phases and noise that swells with the mains does not look like scatter.

use ndarray::{Array2, Array3, Axis};

use crate::dsp::periodograms::Periodograms;
use crate::dsp::segment::Hop;
use crate::dsp::window::Taper;
use crate::error::Error;
use crate::units::{Band, Hertz};

/// Segments overlap by at least three quarters, so that what swells within a period is followed closely.
const LEAST_SHIFTS: f64 = 4.0;

/// The share of each transform bin that belongs to a band, with the power correction of that bin.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Weights {
    first: usize,
    weights: Vec<f64>,
}

impl Weights {
    /// The mean square that a density has in the band.
    pub(super) fn mean_square(&self, density: &[f64]) -> f64 {
        self.mean_square_from(0, density)
    }

    /// The same of a density that begins at a bin, at or below the first one of the band.
    fn mean_square_from(&self, start: usize, density: &[f64]) -> f64 {
        let inside = &density[self.first - start..][..self.weights.len()];
        inside.iter().zip(&self.weights).map(|(density, weight)| density * weight).sum()
    }
}

/// Accumulates band powers for each mains period of a recording.
#[derive(Debug)]
pub struct PeriodPowers {
    periodograms: Periodograms,
    /// The first bin that any band needs.
    start: usize,
    /// How many segments are complete.
    segments: u64,
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
        let bands: Vec<Vec<Weights>> = (0..channels).map(weights).collect();
        let used = bands.iter().flatten().map(|band| band.first..band.first + band.weights.len());
        let (start, end) = used.fold((length / 2, 0), |(start, end), band| (start.min(band.start), end.max(band.end)));
        let hop = Hop::Period { samples: period, per_period };
        Self {
            periodograms: Periodograms::new(rate, taper, hop, channels, start..end.max(start), false),
            start,
            segments: 0,
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
        let Self { periodograms, start: first_bin, segments, bands, sums, channels: count, per_period } = self;
        periodograms.push(channels, |segment, row| {
            let block = usize::try_from(segment / *per_period).expect("periods fit in memory");
            for (channel, (bands, periodogram)) in bands.iter().zip(row).enumerate() {
                let start = (block * *count + channel) * bands.len();
                if sums.len() < start + bands.len() {
                    sums.resize(start + bands.len(), 0.0);
                }
                for (sum, band) in sums[start..].iter_mut().zip(bands) {
                    *sum += band.mean_square_from(*first_bin, periodogram.density);
                }
            }
            *segments = segment + 1;
        });
    }

    /// Appends the whole periods that another accumulator with the same settings has gathered from later samples.
    ///
    /// What either holds of a period that is not complete is left out, and no segment spans both. Where the later
    /// samples begin with a period and the earlier reach as far beyond its start as their last segment needs, the
    /// periods are those of one pass: bit for bit where a period is a whole number of samples, since otherwise
    /// segments may begin a sample earlier or later.
    ///
    /// # Errors
    /// Other bands, channels, segments or periods.
    pub fn merge(&mut self, other: &Self) -> Result<(), Error> {
        let (mine, theirs) = (&self.periodograms, &other.periodograms);
        let same = self.per_period == other.per_period
            && self.bands == other.bands
            && mine.taper() == theirs.taper()
            && mine.hop() == theirs.hop();
        if !same {
            return Err(Error::usage("mains periods with different settings cannot be joined")
                .expected("the same sample rate, window, mains period, channels and bands"));
        }
        let (mine, theirs) = (self.values(), other.values());
        self.sums.truncate(mine);
        self.sums.extend_from_slice(&other.sums[..theirs]);
        self.segments = (self.segments / self.per_period + other.segments / other.per_period) * self.per_period;
        Ok(())
    }

    /// How many sums belong to complete periods.
    fn values(&self) -> usize {
        let complete = usize::try_from(self.segments / self.per_period).expect("periods fit in memory");
        complete * self.channels * self.bands.first().map_or(0, Vec::len)
    }

    /// The mean square in each band, channel and whole mains period: periods by channels by bands.
    ///
    /// # Panics
    /// Never: each complete period has its sums.
    pub fn finish(&self) -> Array3<f64> {
        let per_channel = self.bands.first().map_or(0, Vec::len);
        let complete = usize::try_from(self.segments / self.per_period).expect("periods fit in memory");
        let values = self.sums[..self.values()].iter().map(|sum| sum / self.per_period as f64).collect();
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::window::Window;

    #[test]
    fn periods_of_two_halves_are_those_of_the_whole() {
        let (rate, period, length) = (Hertz::new(10e3).unwrap(), 200usize, 80);
        let samples: Vec<f64> = (0..20 * period + length).map(|n| (n * n % 211) as f64).collect();
        let bands = [Band::new(500.0, 1e3).unwrap(), Band::new(1e3, 4e3).unwrap()];
        let gather = |samples: &[f64]| {
            let taper = Taper::new(&Window::default(), length);
            let mut powers = PeriodPowers::new(rate, taper, period as f64, 1, &bands, |_, _| 1.0);
            powers.push(&[samples]);
            powers
        };
        let mut first = gather(&samples[..7 * period + length]);
        first.merge(&gather(&samples[7 * period..])).unwrap();
        let whole = gather(&samples).finish();
        assert_eq!(first.finish(), whole);
        assert_eq!(whole.len_of(Axis(0)), 20);
        let taper = Taper::new(&Window::default(), length);
        let others = PeriodPowers::new(rate, taper, period as f64, 1, &bands[..1], |_, _| 1.0);
        assert!(first.merge(&others).is_err());
    }
}
