//! Band powers mains period by mains period: the observations on which comparisons rest.
//!
//! Segments start at equal steps of the mains phase, a whole number of them in each period, so that every
//! period sees the same phases and noise that swells with the mains does not look like scatter.

use ndarray::{Array2, Array3, Axis};

use crate::dsp::periodograms::Periodograms;
use crate::dsp::segment::Hop;
use crate::dsp::window::Taper;
use crate::error::Error;
use crate::lanes::{Kernel, widest};
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
        widest(Weighted { density: inside, weights: &self.weights })
    }
}

/// The sum of products in eight strands, so that none waits for the one before.
struct Weighted<'a> {
    density: &'a [f64],
    weights: &'a [f64],
}

impl Kernel for Weighted<'_> {
    type Output = f64;

    #[inline(always)]
    fn run(self) -> f64 {
        let mut strands = [0.0; 8];
        let (density, last_density) = self.density.as_chunks::<8>();
        let (weights, last_weights) = self.weights.as_chunks::<8>();
        for (density, weights) in density.iter().zip(weights) {
            for n in 0..8 {
                strands[n] += density[n] * weights[n];
            }
        }
        for (strand, (density, weight)) in strands.iter_mut().zip(last_density.iter().zip(last_weights)) {
            *strand += density * weight;
        }
        strands.iter().sum()
    }
}

/// More observations than this are not kept: then two neighbours become one.
const MOST: usize = 2048;

/// Accumulates band powers for each mains period of a recording.
///
/// Of a long recording two neighbouring periods are taken together, and again two of those, so that there are never
/// more than 2048 observations and memory does not grow. The mean of the powers is the same, and what is known of its
/// scatter as well: neighbours in a series of such means are no more correlated than before, and what correlation is
/// left is allowed for as it is for single periods.
///
/// # Sources
/// The method of batch means: P. Bratley, B. L. Fox, L. E. Schrage, A Guide to Simulation, 2nd edition, 3.3 (from
/// memory).
#[derive(Debug)]
pub struct PeriodPowers {
    periodograms: Periodograms,
    /// The first bin that any band needs.
    start: usize,
    /// How many segments are complete.
    segments: u64,
    channels: usize,
    per_period: u64,
    /// How many periods an observation covers.
    pooled: u64,
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
            pooled: 1,
            bands,
            sums: Vec::new(),
        }
    }

    /// How many neighbouring mains periods an observation covers; one in a record of up to 2048 periods.
    pub fn pooled(&self) -> u64 {
        self.pooled
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
        let Self { periodograms, start: first_bin, segments, bands, sums, channels: count, per_period, pooled } = self;
        let row_length = *count * bands.first().map_or(0, Vec::len);
        periodograms.push(channels, |segment, row| {
            if segment / (*per_period * *pooled) == MOST as u64 {
                pool(sums, row_length);
                *pooled *= 2;
            }
            let observation = place(segment / (*per_period * *pooled));
            for (channel, (bands, periodogram)) in bands.iter().zip(row).enumerate() {
                let start = observation * row_length + channel * bands.len();
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
    /// What either holds of an observation that is not complete is left out, and no segment spans both. Where the later
    /// samples begin with a period and the earlier reach as far beyond its start as their last segment needs, the
    /// periods are those of one pass: bit for bit where a period is a whole number of samples, since otherwise
    /// segments may begin a sample earlier or later, and while both together are not more than are kept one by one.
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
        let row_length = self.row_length();
        let mut later = other.sums.clone();
        let (mut covered, pooled) = (other.pooled, self.pooled.max(other.pooled));
        while covered < pooled {
            pool(&mut later, row_length);
            covered *= 2;
        }
        while self.pooled < pooled {
            pool(&mut self.sums, row_length);
            self.pooled *= 2;
        }
        let (mine, theirs) = (self.observations(self.segments), self.observations(other.segments));
        self.sums.truncate(mine * row_length);
        self.sums.extend_from_slice(&later[..theirs * row_length]);
        self.segments = (mine + theirs) as u64 * self.per_period * self.pooled;
        while self.observations(self.segments) > MOST {
            pool(&mut self.sums, row_length);
            self.pooled *= 2;
        }
        Ok(())
    }

    /// How many observations so many segments complete.
    fn observations(&self, segments: u64) -> usize {
        place(segments / (self.per_period * self.pooled))
    }

    /// How many sums an observation has.
    fn row_length(&self) -> usize {
        self.channels * self.bands.first().map_or(0, Vec::len)
    }

    /// The mean square in each band, channel and observation, which is a whole mains period or, in a long record, a few
    /// of them: observations by channels by bands.
    ///
    /// # Panics
    /// Never: each complete observation has its sums.
    pub fn finish(&self) -> Array3<f64> {
        let complete = self.observations(self.segments);
        let segments = (self.per_period * self.pooled) as f64;
        let values = self.sums[..complete * self.row_length()].iter().map(|sum| sum / segments).collect();
        Array3::from_shape_vec((complete, self.channels, self.bands.first().map_or(0, Vec::len)), values)
            .expect("a row was made for each complete observation")
    }
}

/// Makes one row of two neighbouring ones; a last one without a neighbour stays as the beginning of the next.
fn pool(sums: &mut Vec<f64>, row_length: usize) {
    if row_length == 0 {
        return;
    }
    let rows = (sums.len() / row_length).div_ceil(2);
    for to in 0..rows {
        for n in 0..row_length {
            let second = sums.get((2 * to + 1) * row_length + n).copied().unwrap_or(0.0);
            sums[to * row_length + n] = sums[2 * to * row_length + n] + second;
        }
    }
    sums.truncate(rows * row_length);
}

/// A number of observations as a place in memory.
fn place(observations: u64) -> usize {
    usize::try_from(observations).expect("there are few observations")
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

    /// Five thousand periods are pooled by fours; their mean is that of the single ones, for any size of the blocks.
    #[test]
    fn a_long_record_is_pooled() {
        let (rate, period, length) = (Hertz::new(10e3).unwrap(), 40usize, 16);
        let samples: Vec<f64> = (0..5000 * period + length).map(|n| ((n * n + n / 997) % 211) as f64).collect();
        let bands = [Band::new(500.0, 4e3).unwrap(), Band::new(1e3, 3e3).unwrap()];
        let gather = |samples: &[f64], block: usize| {
            let taper = Taper::new(&Window::default(), length);
            let mut powers = PeriodPowers::new(rate, taper, period as f64, 1, &bands, |_, _| 1.0);
            samples.chunks(block).for_each(|samples| powers.push(&[samples]));
            powers
        };
        let whole = gather(&samples, samples.len());
        let found = whole.finish();
        assert_eq!((whole.pooled(), found.shape()), (4, &[1250, 1, 2][..]));
        assert_eq!(gather(&samples, 7777).finish(), found);
        // Thirteen stretches of 400 periods are kept one by one.
        let mut joined = gather(&samples[..400 * period + length], 5000);
        for first in (400..5000).step_by(400) {
            let end = (first + 400).min(5000);
            let part = gather(&samples[first * period..end * period + length], 5000);
            let single = part.finish();
            assert_eq!((part.pooled(), single.len_of(Axis(0))), (1, end - first));
            for (observation, four) in (first / 4..).zip(single.axis_chunks_iter(Axis(0), 4)) {
                for band in 0..2 {
                    let expected = four.index_axis(Axis(2), band).mean().unwrap();
                    assert!((found[[observation, 0, band]] / expected - 1.0).abs() < 1e-12);
                }
            }
            joined.merge(&part).unwrap();
        }
        assert_eq!(joined.pooled(), 4);
        assert!((joined.finish() - &found).iter().all(|difference| difference.abs() < 1e-9));
    }

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
