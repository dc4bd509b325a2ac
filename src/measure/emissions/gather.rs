//! What is gathered of every bin while a record passes: mean power, powers by stretches of time, swelling with the
//! mains, and how much of the power stands in single lines.

use crate::dsp::Complex;
use crate::dsp::cross::effective_averages;
use crate::dsp::segment::{Hop, Segmenter};
use crate::dsp::transform::Transform;
use crate::dsp::window::{Taper, Window};
use crate::units::{Band, Hertz};

/// Segments overlap by this much: enough to follow a swelling at twice the mains frequency with segments of 7.5 ms.
const OVERLAP: f64 = 0.75;
/// The record is kept in at most so many stretches of equal length; then they are joined in pairs.
const STRETCHES: usize = 16;
/// A line is looked for within so many bins to each side, and holds at least this share of the power there.
const AROUND: usize = 7;
const LINE_HALF: usize = 2;
const LINE_SHARE: f64 = 0.7;

/// A stretch of the record.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// How many segments it holds.
    pub segments: u64,
    /// The time of its middle in seconds, counted from the first sample pushed.
    pub centre_s: f64,
    /// The mean power of each bin.
    pub power: Vec<f64>,
}

/// One channel at one resolution: what the segments gave for each bin within the range.
#[derive(Debug, Clone)]
pub struct View {
    /// The frequency of the first bin.
    pub first_hz: f64,
    /// The distance of bins.
    pub bin_hz: f64,
    /// The noise bandwidth.
    pub noise_bandwidth_hz: f64,
    /// The mean square in one noise bandwidth of each bin.
    pub power: Vec<f64>,
    /// The share of each bin's power that came in segments in which it was part of a narrow line.
    pub line_share: Vec<f64>,
    /// The swelling of the power around each bin.
    pub swell: Vec<Swell>,
    /// Stretches of the record, in order.
    pub stretches: Vec<Stretch>,
    /// How many segments.
    pub segments: u64,
    /// What the segments know of the window.
    pub shape: Shape,
}

/// How the power in five bins goes with the mains.
#[derive(Debug, Clone, Copy, Default)]
pub struct Swell {
    /// The mean power in the five bins.
    pub mean: f64,
    /// The mean of its square.
    pub square: f64,
    /// Its Fourier coefficient at twice the mains frequency, the mean taken off: mean of (Q − mean) · e^(−jθ).
    pub coefficient: Complex<f64>,
}

/// What follows from window, length and overlap.
#[derive(Debug, Clone)]
pub struct Shape {
    /// The window.
    pub window: Window,
    /// The noise bandwidth in bins.
    pub noise_bandwidth_bins: f64,
    /// How many independent segments there are for noise alone.
    pub averages: f64,
    /// How many there are for what noise does to a steady line, whose overlapping segments are more alike.
    pub line_averages: f64,
    /// The same for what noise does to the place of a line, where overlapping segments partly cancel.
    pub place_averages: f64,
    /// The correlation of the noise of bins so many apart, about the middle of the segment.
    pub correlation: Vec<f64>,
    /// What a segment leaves of a swelling at twice the mains frequency, 0 to 1.
    pub swell_response: f64,
    /// How many independent values of the swelling there are.
    pub swell_averages: f64,
}

/// Gathers channels at one resolution.
#[derive(Debug, Clone)]
pub struct Gathering {
    rate: Hertz,
    window: Window,
    taper: Taper,
    hop: usize,
    segmenter: Segmenter,
    transform: Transform,
    first: usize,
    /// Twice the mains frequency in cycles a sample.
    swell_cycles: f64,
    /// Σ e^(−jθ) over the segments.
    turning: Complex<f64>,
    channels: Vec<Sums>,
    segments: u64,
    per_stretch: u64,
}

#[derive(Debug, Clone)]
struct Sums {
    /// Sum of power by stretch: segments, then bins.
    stretches: Vec<(u64, Vec<f64>)>,
    lines: Vec<f64>,
    five: Vec<(f64, f64, Complex<f64>)>,
    /// Scratch: power of this segment, then its running sums.
    now: Vec<f64>,
    running: Vec<f64>,
}

impl Gathering {
    /// Starts with nothing; keeps the bins within a range.
    ///
    /// # Panics
    /// When there is no channel.
    pub fn new(rate: Hertz, window: Window, length: usize, range: Band, channels: usize, mains_hz: f64) -> Self {
        let taper = Taper::new(&window, length);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a length that fits")]
        let hop = ((length as f64 * (1.0 - OVERLAP)).round() as usize).max(1);
        let width = rate.get() / length as f64;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and it saturates")]
        let index = |frequency: f64| (frequency / width + 1e-9).floor() as usize;
        let last = index(range.high()).min((length - 1) / 2);
        let first = index(range.low() + width * (1.0 - 1e-6)).clamp(1, last.max(1));
        let bins = (last + 1).saturating_sub(first);
        let sums = Sums {
            stretches: Vec::new(),
            lines: vec![0.0; bins],
            five: vec![(0.0, 0.0, Complex::default()); bins],
            now: vec![0.0; bins],
            running: vec![0.0; bins + 1],
        };
        Self {
            rate,
            window,
            hop,
            segmenter: Segmenter::new(channels, length, Hop::Samples(hop)),
            transform: Transform::new(&taper),
            taper,
            first,
            swell_cycles: 2.0 * mains_hz / rate.get(),
            turning: Complex::default(),
            channels: vec![sums; channels],
            segments: 0,
            per_stretch: 1,
        }
    }

    /// The length of a segment in samples.
    pub fn length(&self) -> usize {
        self.taper.len()
    }

    /// How many segments are complete.
    pub fn segments(&self) -> u64 {
        self.segments
    }

    /// Takes the next samples of all channels.
    ///
    /// # Panics
    /// When there are not as many channels as announced, or not of equal length.
    pub fn push(&mut self, rows: &[&[f64]]) {
        let Self { segmenter, transform, channels, first, hop, swell_cycles, turning, segments, per_stretch, .. } =
            self;
        segmenter.push(rows, |number, segment| {
            let cycles = (number as f64 * *hop as f64 + 0.5 * segment[0].len() as f64) * *swell_cycles;
            let turn = Complex::cis(-std::f64::consts::TAU * cycles.fract());
            *turning += turn;
            if channels[0].stretches.last().is_none_or(|(count, _)| *count >= *per_stretch) {
                if channels[0].stretches.len() == STRETCHES {
                    *per_stretch *= 2;
                    channels.iter_mut().for_each(Sums::join_pairs);
                }
                channels.iter_mut().for_each(Sums::open);
            }
            for (sums, samples) in channels.iter_mut().zip(segment) {
                sums.add(&transform.run(samples)[*first..], turn);
            }
            *segments += 1;
        });
    }

    /// One view a channel; `correct` gives the factor on a power of a channel at a frequency. `None` before the first
    /// segment is complete.
    pub fn finish(self, correct: impl Fn(usize, f64) -> f64) -> Option<Vec<View>> {
        let Self { rate, window, taper, hop, first, turning, segments, .. } = self;
        if segments == 0 {
            return None;
        }
        let width = rate.get() / taper.len() as f64;
        let shape = Shape::new(window, &taper, hop, segments, self.swell_cycles);
        // A tone of RMS value 1 has a power of 1 in its bin.
        let scale = 2.0 / (taper.sum() * taper.sum());
        let empty = View {
            first_hz: first as f64 * width,
            bin_hz: width,
            noise_bandwidth_hz: taper.noise_bandwidth(rate).get(),
            power: Vec::new(),
            line_share: Vec::new(),
            swell: Vec::new(),
            stretches: Vec::new(),
            segments,
            shape,
        };
        let centre_s = |segment: f64| (segment * hop as f64 + 0.5 * taper.len() as f64) / rate.get();
        let view = |(channel, sums): (usize, Sums)| {
            let factor: Vec<f64> =
                (0..sums.lines.len()).map(|k| scale * correct(channel, (first + k) as f64 * width)).collect();
            sums.view(&factor, turning, centre_s, empty.clone())
        };
        Some(self.channels.into_iter().enumerate().map(view).collect())
    }
}

impl Sums {
    fn open(&mut self) {
        self.stretches.push((0, vec![0.0; self.lines.len()]));
    }

    fn join_pairs(&mut self) {
        let mut joined = Vec::with_capacity(STRETCHES);
        let mut stretches = std::mem::take(&mut self.stretches).into_iter();
        while let Some((mut count, mut power)) = stretches.next() {
            if let Some((other, more)) = stretches.next() {
                count += other;
                power.iter_mut().zip(more).for_each(|(sum, value)| *sum += value);
            }
            joined.push((count, power));
        }
        self.stretches = joined;
    }

    fn add(&mut self, bins: &[Complex<f64>], turn: Complex<f64>) {
        let Self { stretches, lines, five, now, running } = self;
        for (power, bin) in now.iter_mut().zip(bins) {
            *power = bin.norm_sqr();
        }
        for (k, power) in now.iter().enumerate() {
            running[k + 1] = running[k] + power;
        }
        let count = now.len();
        let around =
            |k: usize, half: usize| (running[(k + half + 1).min(count)] - running[k.saturating_sub(half)]).max(0.0);
        for (k, sums) in five.iter_mut().enumerate() {
            let power = around(k, LINE_HALF);
            sums.0 += power;
            sums.1 += power * power;
            sums.2 += turn * power;
        }
        for k in 1..count.saturating_sub(1) {
            let is_top = now[k] >= now[k - 1] && now[k] > now[k + 1];
            if is_top && around(k, LINE_HALF) >= LINE_SHARE * around(k, AROUND) {
                let (from, to) = (k.saturating_sub(LINE_HALF), (k + LINE_HALF + 1).min(count));
                lines[from..to].iter_mut().zip(&now[from..to]).for_each(|(sum, power)| *sum += power);
            }
        }
        if let Some((count, power)) = stretches.last_mut() {
            *count += 1;
            power.iter_mut().zip(now.iter()).for_each(|(sum, value)| *sum += value);
        }
    }

    /// Fills an empty view.
    fn view(self, factor: &[f64], turning: Complex<f64>, centre_s: impl Fn(f64) -> f64, empty: View) -> View {
        let count = empty.segments as f64;
        let mut total = vec![0.0; factor.len()];
        let mut passed = 0;
        let mut stretches = Vec::with_capacity(self.stretches.len());
        for (segments, power) in self.stretches {
            total.iter_mut().zip(&power).for_each(|(sum, value)| *sum += value);
            let centre_s = centre_s(passed as f64 + (segments as f64 - 1.0) / 2.0);
            passed += segments;
            let power = power.iter().zip(factor).map(|(sum, factor)| sum / segments as f64 * factor).collect();
            stretches.push(Stretch { segments, centre_s, power });
        }
        let line_share = self.lines.iter().zip(&total).map(|(line, all)| if *all > 0.0 { line / all } else { 0.0 });
        let swell = self.five.iter().zip(factor).map(|((sum, square, turned), factor)| Swell {
            mean: sum / count * factor,
            square: square / count * factor * factor,
            coefficient: (turned - turning * (sum / count)) * (factor / count),
        });
        View {
            line_share: line_share.collect(),
            swell: swell.collect(),
            power: total.iter().zip(factor).map(|(sum, factor)| sum / count * factor).collect(),
            stretches,
            ..empty
        }
    }
}

impl Shape {
    fn new(window: Window, taper: &Taper, hop: usize, segments: u64, swell_cycles: f64) -> Self {
        let weights = taper.values();
        let middle = 0.5 * weights.len() as f64;
        let squares = taper.sum_of_squares();
        let turned = |cycles_a_sample: f64| {
            let angle = std::f64::consts::TAU * cycles_a_sample;
            let sum = |(n, w): (usize, &f64)| w * w * (angle * (n as f64 - middle)).cos();
            weights.iter().enumerate().map(sum).sum::<f64>() / squares
        };
        let lags = 0..=2 * half_width(window.noise_bandwidth_bins());
        let averages = |weights: &[f64]| {
            let squares: f64 = weights.iter().map(|w| w * w).sum();
            let overlaps = |(j, shift): (u64, usize)| {
                let products: f64 = weights.iter().zip(&weights[shift..]).map(|(a, b)| a * b).sum();
                (1.0 - j as f64 / segments as f64) * products / squares
            };
            let shifts = (1..segments).map(|j| (j, hop.saturating_mul(usize::try_from(j).unwrap_or(usize::MAX))));
            let excess: f64 = shifts.take_while(|(_, shift)| *shift < weights.len()).map(overlaps).sum();
            segments as f64 / (1.0 + 2.0 * excess).max(0.5)
        };
        // The difference of the bins to both sides weighs the samples like this.
        let turn = std::f64::consts::TAU / weights.len() as f64;
        let uneven: Vec<f64> =
            weights.iter().enumerate().map(|(n, w)| w * (turn * (n as f64 - middle)).sin()).collect();
        Self {
            window,
            noise_bandwidth_bins: window.noise_bandwidth_bins(),
            averages: effective_averages(taper, Hop::Samples(hop), segments),
            line_averages: averages(weights),
            place_averages: averages(&uneven),
            correlation: lags.map(|lag| turned(lag as f64 / weights.len() as f64)).collect(),
            swell_response: turned(swell_cycles),
            swell_averages: (segments as f64 * hop as f64 / weights.len() as f64 * 2.0).clamp(1.0, segments as f64),
        }
    }
}

/// How many bins to each side belong to a line: two for Hann, four for a flat top.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few bins")]
pub(super) fn half_width(noise_bandwidth_bins: f64) -> usize {
    noise_bandwidth_bins.round().max(1.0) as usize
}
