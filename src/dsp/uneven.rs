//! Samples at uneven times onto an even grid: the best straight estimate from the nearest samples.
//!
//! Each point of the grid is a weighted sum of the [`REACH`] samples on either side. The weights are those with the
//! least mean square error for signals whose power is spread evenly over a band: `(R + λ I) w = r` with
//! `R[i][j] = sinc(2 B (t[i] - t[j]))` and `r[i] = sinc(2 B (t - t[i]))`. What they make of a tone of any frequency is
//! known exactly, `w[i] exp(2πi f t[i])` summed, so the error is computed from the times alone ([`Accuracy`]). Where a
//! sample is missing the weights grow and with them the noise; the band is made narrower until both stay small.
//!
//! # Sources
//! J. L. Yen, On nonuniform sampling of bandwidth-limited signals, IRE Transactions on Circuit Theory 3 (1956) 251,
//! for the estimate of least mean square error (from memory).

use std::f64::consts::TAU;
use std::ops::Range;

/// Samples on either side of a point of the grid.
pub const REACH: usize = 16;
const COUNT: usize = 2 * REACH;

/// Noise that is assumed within the samples, relative to the power of the signal: it keeps weights from growing
/// without bounds, and the error of a tone well below the largest that is allowed.
const NOISE: f64 = 1e-8;

/// The most that a tone within the band may be off, as a fraction of its amplitude, root mean square over the grid:
/// 60 dB below.
pub const LARGEST_ERROR: f64 = 1e-3;

/// The most that noise may grow, root mean square over the grid.
const LARGEST_GAIN: f64 = 1.25;

/// The most that a tone may be off, and that noise may grow, at any one place: a longer gap is not bridged.
const WORST_ERROR: f64 = 0.1;
const WORST_GAIN: f64 = 5.0;

/// Bands that are tried, as fractions of the rate, widest first.
const BANDS: [f64; 7] = [0.4, 0.36, 0.32, 0.28, 0.24, 0.2, 0.16];

/// Frequencies at which the error is computed, evenly over the band.
const TONES: usize = 20;

/// Points of the grid at which it is computed, and gaps that are looked at besides.
const POINTS: usize = 1024;
const GAPS: usize = 64;

/// How far the grid is off what was between the samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// The error of a tone within the band as a fraction of its amplitude: root mean square over the grid at the worst
    /// frequency.
    pub tone_rms: f64,
    /// The same at the worst place.
    pub tone_worst: f64,
    /// The factor on white noise, root mean square over the grid.
    pub noise_gain: f64,
    /// The same at the worst place.
    pub noise_worst: f64,
}

/// What of the samples the band does not explain, by leaving samples out and estimating them from the others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unexplained {
    /// Its root mean square in a sample, in the unit of the samples.
    pub rms: f64,
    /// The samples left out.
    pub count: usize,
}

/// Samples at uneven times, the rate of the grid and the band.
#[derive(Debug, Clone, Copy)]
pub struct Uneven<'a> {
    times: &'a [f64],
    rate: f64,
    band: f64,
    accuracy: Accuracy,
}

impl<'a> Uneven<'a> {
    /// Finds the widest band, from 0.4 of the rate down, in which tones are met within [`LARGEST_ERROR`].
    ///
    /// `times` in seconds rise and are known to within `±half_unit` (how finely they are printed). `None` where there
    /// is no such band: gaps too long, times too coarse, or fewer than four times [`REACH`] samples.
    ///
    /// # Panics
    /// When times do not rise.
    pub fn new(times: &'a [f64], rate: f64, half_unit: f64) -> Option<Self> {
        if times.len() < 2 * COUNT {
            return None;
        }
        assert!(times.windows(2).all(|pair| pair[0] < pair[1]), "times must rise");
        BANDS.iter().find_map(|fraction| {
            let band = fraction * rate;
            let silent = Accuracy { tone_rms: 0.0, tone_worst: 0.0, noise_gain: 0.0, noise_worst: 0.0 };
            let mut uneven = Self { times, rate, band, accuracy: silent };
            uneven.accuracy = uneven.measure(half_unit);
            let Accuracy { tone_rms, tone_worst, noise_gain, noise_worst } = uneven.accuracy;
            let everywhere = tone_rms <= LARGEST_ERROR && noise_gain <= LARGEST_GAIN;
            (everywhere && tone_worst <= WORST_ERROR && noise_worst <= WORST_GAIN).then_some(uneven)
        })
    }

    /// The highest frequency that is kept, in hertz.
    pub fn band_hz(&self) -> f64 {
        self.band
    }

    /// The error within the band.
    pub fn accuracy(&self) -> Accuracy {
        self.accuracy
    }

    /// The time of the first point of the grid: the first sample with enough others on either side.
    pub fn start(&self) -> f64 {
        self.times[REACH - 1]
    }

    /// How many points the grid has.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "below the number of samples")]
    pub fn len(&self) -> usize {
        ((self.times[self.times.len() - REACH] - self.start()) * self.rate).floor() as usize + 1
    }

    /// Never: there are samples enough.
    pub fn is_empty(&self) -> bool {
        false
    }

    /// The samples of all channels at these points of the grid.
    ///
    /// # Panics
    /// When a channel has not as many samples as there are times.
    pub fn resample(&self, channels: &[Vec<f64>], points: Range<usize>) -> Vec<Vec<f64>> {
        assert!(channels.iter().all(|channel| channel.len() == self.times.len()), "a sample for each time");
        let mut weights = Weights::default();
        let mut grid = vec![Vec::with_capacity(points.len()); channels.len()];
        for point in points {
            let at = self.start() + point as f64 / self.rate;
            let from = self.window(at);
            weights.solve(&self.times[from..from + COUNT], at, self.band);
            for (channel, grid) in channels.iter().zip(&mut grid) {
                grid.push(weights.apply(&channel[from..from + COUNT]));
            }
        }
        grid
    }

    /// Leaves samples out, evenly over the record, and estimates each from those around it.
    ///
    /// The estimate carries noise of its own, the sum of the squared weights, which is divided out.
    ///
    /// # Panics
    /// When there is not a sample for each time.
    pub fn unexplained(&self, samples: &[f64]) -> Unexplained {
        assert_eq!(samples.len(), self.times.len(), "a sample for each time");
        let mut weights = Weights::default();
        let (mut square, mut gain, mut count) = (0.0, 0.0, 0);
        let places = REACH..samples.len() - REACH;
        for at in places.clone().step_by((places.len() / POINTS).max(1)) {
            let around = |all: &[f64]| [&all[at - REACH..at], &all[at + 1..=at + REACH]].concat();
            weights.solve(&around(self.times), self.times[at], self.band);
            square += (weights.apply(&around(samples)) - samples[at]).powi(2);
            gain += 1.0 + weights.gain();
            count += 1;
        }
        Unexplained { rms: (square / gain).sqrt(), count }
    }

    /// The first of the samples around a time.
    fn window(&self, at: f64) -> usize {
        let behind = self.times.partition_point(|time| *time <= at);
        behind.saturating_sub(REACH).min(self.times.len() - COUNT)
    }

    /// The error from the times alone.
    fn measure(&self, half_unit: f64) -> Accuracy {
        let mut weights = Weights::default();
        let mut squares = [0.0; TONES];
        let (mut worst, mut gain, mut worst_gain) = (0.0f64, 0.0, 0.0f64);
        let tone = |number: usize| self.band * (number + 1) as f64 / TONES as f64;
        let mut look = |at: f64| {
            let from = self.window(at);
            let times = &self.times[from..from + COUNT];
            weights.solve(times, at, self.band);
            let errors: [f64; TONES] = std::array::from_fn(|number| weights.tone_error(times, at, tone(number)));
            worst = errors.iter().fold(worst, |worst, error| worst.max(error.sqrt()));
            worst_gain = worst_gain.max(weights.gain().sqrt());
            (errors, weights.gain())
        };
        let count = self.len().min(POINTS);
        for number in 0..count {
            let point = number as f64 * (self.len() - 1) as f64 / count as f64;
            let (errors, more) = look(self.start() + point / self.rate);
            squares.iter_mut().zip(errors).for_each(|(square, error)| *square += error);
            gain += more;
        }
        for gap in self.gaps() {
            look(0.5 * (self.times[gap] + self.times[gap + 1]));
        }
        // Times that are rounded are off by up to half a unit, evenly spread.
        let rounding = |number: usize| (TAU * tone(number) * half_unit).powi(2) / 3.0;
        let total = |(number, square): (usize, &f64)| (square / count as f64 + rounding(number)).sqrt();
        Accuracy {
            tone_rms: squares.iter().enumerate().map(total).fold(0.0, f64::max),
            tone_worst: worst,
            noise_gain: (gain / count as f64).sqrt(),
            noise_worst: worst_gain,
        }
    }

    /// Where the longest steps are.
    fn gaps(&self) -> Vec<usize> {
        let mut steps: Vec<usize> = (REACH - 1..self.times.len() - REACH).collect();
        let size = |at: &usize| self.times[at + 1] - self.times[*at];
        let most = GAPS.min(steps.len() - 1);
        steps.select_nth_unstable_by(most, |a, b| size(b).total_cmp(&size(a)).then(a.cmp(b)));
        steps.truncate(most);
        steps
    }
}

/// The weights of one point, and the memory to find them.
#[derive(Debug, Clone)]
struct Weights {
    matrix: [[f64; COUNT]; COUNT],
    weights: [f64; COUNT],
}

impl Default for Weights {
    fn default() -> Self {
        Self { matrix: [[0.0; COUNT]; COUNT], weights: [0.0; COUNT] }
    }
}

impl Weights {
    /// Solves `(R + λ I) w = r` by the factors of Cholesky.
    fn solve(&mut self, times: &[f64], at: f64, band: f64) {
        let (w, l) = (&mut self.weights, &mut self.matrix);
        let phase = |time: f64| TAU * band * (time - at);
        // sin(a - b) from the sines and cosines of both saves most of the work.
        let sines: [(f64, f64); COUNT] = std::array::from_fn(|i| phase(times[i]).sin_cos());
        for i in 0..COUNT {
            let own = phase(times[i]);
            w[i] = if own.abs() < 1e-6 { 1.0 } else { sines[i].0 / own };
            for j in 0..i {
                let apart = own - phase(times[j]);
                l[i][j] = (sines[i].0 * sines[j].1 - sines[i].1 * sines[j].0) / apart;
            }
            l[i][i] = 1.0 + NOISE;
        }
        for i in 0..COUNT {
            let (before, rest) = l.split_at_mut(i);
            let row = &mut rest[0];
            for (j, other) in before.iter().enumerate() {
                let sum: f64 = row[..j].iter().zip(&other[..j]).map(|(a, b)| a * b).sum();
                row[j] = (row[j] - sum) / other[j];
            }
            let sum: f64 = row[..i].iter().map(|a| a * a).sum();
            // Rounding may take the smallest of them below zero; the noise is their least in exact numbers.
            row[i] = (row[i] - sum).max(0.01 * NOISE).sqrt();
        }
        for i in 0..COUNT {
            let sum: f64 = (0..i).map(|j| l[i][j] * w[j]).sum();
            w[i] = (w[i] - sum) / l[i][i];
        }
        for i in (0..COUNT).rev() {
            let sum: f64 = (i + 1..COUNT).map(|j| l[j][i] * w[j]).sum();
            w[i] = (w[i] - sum) / l[i][i];
        }
    }

    fn apply(&self, samples: &[f64]) -> f64 {
        self.weights.iter().zip(samples).map(|(weight, sample)| weight * sample).sum()
    }

    /// The factor on the power of white noise.
    fn gain(&self) -> f64 {
        self.weights.iter().map(|weight| weight * weight).sum()
    }

    /// The squared distance of a tone from what the weights make of it.
    fn tone_error(&self, times: &[f64], at: f64, frequency: f64) -> f64 {
        let (mut real, mut imaginary) = (-1.0, 0.0);
        for (weight, time) in self.weights.iter().zip(times) {
            let (sin, cos) = (TAU * frequency * (time - at)).sin_cos();
            real += weight * cos;
            imaginary += weight * sin;
        }
        real * real + imaginary * imaginary
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::Random;

    const RATE: f64 = 1e6;

    fn jittered(count: usize, jitter: f64, missing: usize) -> Vec<f64> {
        let mut random = Random::new(3, 0);
        let mut times: Vec<f64> = (0..count).map(|k| (k as f64 + random.between(-jitter, jitter)) / RATE).collect();
        for gap in 0..missing {
            times.remove((gap + 1) * count / (missing + 2));
        }
        times
    }

    /// The closed form: tones at the jittered times against the same tones at the times of the grid.
    #[test]
    fn tones_are_met_within_the_error_stated() {
        for (jitter, missing) in [(0.3, 0), (0.05, 0), (0.2, 5), (0.0, 3)] {
            let times = jittered(3000, jitter, missing);
            let rate = (times.len() - 1) as f64 / (times[times.len() - 1] - times[0]);
            let uneven = Uneven::new(&times, rate, 0.0).unwrap();
            assert!(missing > 0 || uneven.band_hz() == 0.4 * rate, "{jitter} {missing}: {}", uneven.band_hz());
            for share in [0.03, 0.4, 0.7, 0.98] {
                let wave = |time: f64| (TAU * share * uneven.band_hz() * time + 0.3).sin();
                let tone: Vec<f64> = times.iter().map(|time| wave(*time)).collect();
                let grid = &uneven.resample(std::slice::from_ref(&tone), 0..uneven.len())[0];
                assert_eq!(grid.len(), uneven.len());
                let off = |(point, value): (usize, &f64)| value - wave(uneven.start() + point as f64 / rate);
                let square = grid.iter().enumerate().map(off).map(|off| off * off).sum::<f64>() / grid.len() as f64;
                // The tone has half of its amplitude squared as power, and so has its error.
                assert!((2.0 * square).sqrt() < 1.5 * LARGEST_ERROR, "{jitter} {missing} {share}: {}", square.sqrt());
                assert!(uneven.unexplained(&tone).rms < LARGEST_ERROR, "{jitter} {missing} {share}");
            }
        }
    }

    #[test]
    fn what_lies_above_the_band_is_not_explained() {
        let times = jittered(3000, 0.3, 0);
        let uneven = Uneven::new(&times, RATE, 0.0).unwrap();
        let tone: Vec<f64> = times.iter().map(|time| (TAU * 0.48 * RATE * time).sin()).collect();
        let unexplained = uneven.unexplained(&tone).rms;
        assert!(unexplained > 0.2, "{unexplained}");
        let mut random = Random::new(5, 0);
        let noise: Vec<f64> = times.iter().map(|_| 0.01 * random.normal()).collect();
        let unexplained = uneven.unexplained(&noise).rms / 0.01;
        assert!((0.6..1.4).contains(&unexplained), "{unexplained}");
    }

    #[test]
    fn coarse_times_and_long_gaps_have_no_band() {
        let times = jittered(3000, 0.3, 0);
        assert!(Uneven::new(&times, RATE, 0.01 / RATE).is_none());
        assert!(Uneven::new(&times[..60], RATE, 0.0).is_none());
        // Of eight samples two are left, a density that reaches to an eighth of the rate at most.
        let holed: Vec<f64> = times.chunks(8).flat_map(|eight| &eight[..2]).copied().collect();
        assert!(Uneven::new(&holed, RATE, 0.0).is_none());
    }

    #[test]
    fn half_of_the_samples_in_pairs_reach_to_a_quarter_of_the_rate_at_most() {
        let times = jittered(3000, 0.3, 0);
        let holed: Vec<f64> = times.chunks(4).flat_map(|four| &four[..2]).copied().collect();
        // Landau's bound: no band wider than half the density of the samples can be had.
        assert!(Uneven::new(&holed, RATE, 0.0).is_none_or(|uneven| uneven.band_hz() <= 0.25 * RATE));
    }
}
