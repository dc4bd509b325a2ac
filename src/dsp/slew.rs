//! The mean rate of change of a band-limited signal.
//!
//! The mean of |dv/dt| is the way the signal goes up and down, divided by the time it takes. So each segment is
//! limited to the range in the frequency domain, brought back to the time domain together with its derivative on
//! a grid that is fine against the highest frequency, and the way between the turning points is added up. Taking
//! the mean of |dv/dt| at the samples instead would err by up to a fifth where a tone has few samples a cycle.

use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner};

use super::Complex;
use super::segment::{Hop, Segmenter, even_smooth};
use super::transform::Transform;
use super::window::Taper;
use crate::error::Error;
use crate::lanes::{Kernel, widest};
use crate::spread;
use crate::units::{Band, Hertz};

/// A segment spans so many cycles of the lowest frequency, so that its taper blurs the edge little.
const CYCLES: f64 = 64.0;
const SHORTEST: f64 = 8192.0;
const LONGEST: f64 = 524_288.0;
/// The fine grid has at least so many points in a cycle of the highest frequency. The quintic through the values of
/// four neighbours and the slopes of the inner two then misses a turning point by less than 9/64·(2π/6)⁶/6!, three
/// parts in ten thousand.
const POINTS_PER_CYCLE: f64 = 6.0;
/// Segments in work at a time; each needs buffers on the fine grid.
const ROUND: usize = 4;

/// Accumulates the mean of |dv/dt| of one channel within a range of frequencies, in units per second.
///
/// A sine of RMS value V and frequency f gives 4√2·f·V, within 0.1 % from five bins inside an edge on. The edges
/// are sharp: a sine right on one is passed in part only. A bin is the sample rate over the length of a segment,
/// a 64th of the low edge as a rule. The first and the last quarter of a segment are not used.
///
/// ```
/// use linewake::dsp::slew::Slew;
/// use linewake::units::{Band, Hertz};
/// let (rate, frequency) = (500e3, 125e3);
/// let sine: Vec<f64> = (0..40_000).map(|n| (0.3 + std::f64::consts::TAU * frequency / rate * f64::from(n)).sin()).collect();
/// let mut slew = Slew::new(Hertz::new(rate)?, Band::new(2e3, 150e3)?, |_| 1.0, None);
/// slew.push(&sine);
/// let expected = 4.0 * frequency; // 4√2·f times the RMS value 1/√2
/// assert!((slew.finish().unwrap() / expected - 1.0).abs() < 1e-3);
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Clone)]
pub struct Slew {
    rate: Hertz,
    segmenter: Segmenter,
    /// One for each segment in work at a time.
    limiters: Vec<Limiter>,
    /// The way up and down so far, and the samples it took.
    way: f64,
    samples: u64,
}

/// Limits a segment to the range, on the fine grid.
#[derive(Clone)]
struct Limiter {
    transform: Transform,
    /// The first bin within the range.
    first: usize,
    /// What to multiply each bin within the range with: correction and scale.
    factors: Vec<Complex<f64>>,
    /// The same for the slope in a step of the fine grid.
    slope_factors: Vec<Complex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    bins: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    values: Vec<f64>,
    slopes: Vec<f64>,
}

impl Slew {
    /// Starts with nothing, for a sample rate and a range.
    ///
    /// `correction` gives for a frequency in hertz within the range the factor, real or complex, that the
    /// signal's amplitude is to be multiplied with: 1/H of a filter before it. It must be finite.
    /// `expected_length` is the number of samples of the record where it is known: a record shorter than the
    /// usual segment is then measured with one segment of its own length.
    pub fn new<C: Into<Complex<f64>>>(
        rate: Hertz,
        band: Band,
        correction: impl Fn(f64) -> C,
        expected_length: Option<u64>,
    ) -> Self {
        let length = segment_length(rate, band, expected_length);
        let limiter = Limiter::new(rate, band, length, correction);
        let segmenter = Segmenter::new(1, length, Hop::Samples(length / 2));
        Self { rate, segmenter, limiters: vec![limiter], way: 0.0, samples: 0 }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        let Self { segmenter, limiters, way, samples: count, .. } = self;
        let half = segmenter.length() as u64 / 2;
        segmenter.push_rounds(&[samples], ROUND, |_, round| {
            while limiters.len() < round.len() {
                limiters.push(limiters[0].clone());
            }
            let work = limiters.iter_mut().zip(0..round.len()).collect();
            // Added up in the order of time, however many there were at a time.
            for part in spread::map(work, |(limiter, place): (&mut Limiter, _)| limiter.way(round.segment(place, 0))) {
                *way += part;
                *count += half;
            }
        });
    }

    /// Adds what another accumulator for the same rate, range and correction has gathered from other samples.
    ///
    /// # Errors
    /// Another rate, range, correction or length of the segments.
    pub fn merge(&mut self, other: &Self) -> Result<(), Error> {
        let (mine, theirs) = (&self.limiters[0], &other.limiters[0]);
        let same = self.rate == other.rate
            && mine.transform.len() == theirs.transform.len()
            && mine.first == theirs.first
            && mine.factors == theirs.factors;
        if !same {
            return Err(Error::usage("rates of change with different settings cannot be averaged")
                .expected("the same sample rate, range, correction and segment length"));
        }
        self.way += other.way;
        self.samples += other.samples;
        Ok(())
    }

    /// The mean of |dv/dt| so far, in units per second; `None` before the first segment is complete.
    pub fn finish(&self) -> Option<f64> {
        (self.samples > 0).then(|| self.way * self.rate.get() / self.samples as f64)
    }
}

impl fmt::Debug for Slew {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { rate, way, samples, .. } = self;
        f.debug_struct("Slew").field("rate", rate).field("way", way).field("samples", samples).finish_non_exhaustive()
    }
}

impl Limiter {
    fn new<C: Into<Complex<f64>>>(rate: Hertz, band: Band, length: usize, correction: impl Fn(f64) -> C) -> Self {
        let bin_width = rate.get() / length as f64;
        let bins = (0..=length / 2).map(|bin| bin as f64 * bin_width);
        let first = bins.clone().take_while(|frequency| *frequency < band.low()).count();
        let inside = bins.skip(first).take_while(|frequency| band.contains(*frequency));
        let factors: Vec<_> = inside.map(|frequency| correction(frequency).into() / length as f64).collect();
        let points = fine_length(length, POINTS_PER_CYCLE * band.high().min(0.5 * rate.get()) / rate.get());
        let slope = |(n, factor): (usize, &Complex<f64>)| {
            factor * Complex::new(0.0, 2.0 * PI * (first + n) as f64 / points as f64)
        };
        let inverse = RealFftPlanner::new().plan_fft_inverse(points);
        Self {
            transform: Transform::new(&Taper::of(flat_middle(length))),
            first,
            slope_factors: factors.iter().enumerate().map(slope).collect(),
            factors,
            bins: inverse.make_input_vec(),
            scratch: inverse.make_scratch_vec(),
            values: inverse.make_output_vec(),
            slopes: inverse.make_output_vec(),
            inverse,
        }
    }

    /// The way up and down over the middle half of a segment.
    fn way(&mut self, segment: &[f64]) -> f64 {
        let Self { transform, first, factors, slope_factors, inverse, bins, scratch, values, slopes } = self;
        let inside = &transform.run(segment)[*first..*first + factors.len()];
        let mut invert = |factors: &[Complex<f64>], out: &mut [f64]| {
            bins.fill(Complex::default());
            let limited = &mut bins[*first..*first + factors.len()];
            limited.iter_mut().zip(inside).zip(factors).for_each(|((bin, x), factor)| *bin = x * factor);
            // A real signal has real values at 0 and at half the rate; the plan insists on it.
            bins[0].im = 0.0;
            if let Some(last) = bins.last_mut() {
                last.im = 0.0;
            }
            inverse.process_with_scratch(bins, out, scratch).expect("the buffers were made by the plan");
        };
        invert(factors, values);
        invert(slope_factors, slopes);
        let quarter = values.len() / 4;
        // One point more on the left and two on the right of the steps looked at.
        widest(Way { values: &values[quarter - 1..3 * quarter + 2], slopes: &slopes[quarter - 1..3 * quarter + 2] })
    }
}

/// The way up and down of all steps between the second and the last but one of some points.
struct Way<'a> {
    values: &'a [f64],
    slopes: &'a [f64],
}

impl Kernel for Way<'_> {
    type Output = f64;

    #[inline(always)]
    fn run(self) -> f64 {
        const STRANDS: usize = 16;
        let Self { values, slopes } = self;
        let steps = values.len() - 3;
        let mut strands = [0.0; STRANDS];
        let whole = steps - steps % STRANDS;
        for first in (0..whole).step_by(STRANDS) {
            let (values, slopes) = (&values[first..first + STRANDS + 3], &slopes[first..first + STRANDS + 3]);
            for n in 0..STRANDS {
                let near = [values[n], values[n + 1], values[n + 2], values[n + 3]];
                strands[n] += way_of_step(near, slopes[n + 1], slopes[n + 2]);
            }
        }
        for (n, strand) in (whole..steps).zip(&mut strands) {
            let near = [values[n], values[n + 1], values[n + 2], values[n + 3]];
            *strand += way_of_step(near, slopes[n + 1], slopes[n + 2]);
        }
        strands.iter().sum()
    }
}

/// The way from the second to the third of four values one step apart, with the slopes there.
///
/// Where it turns is where the cubic through both values and slopes does; how high it is there, what the quintic
/// through all six numbers says. A turn that is missed a little along the way is missed far less in height.
#[inline(always)]
fn way_of_step(values: [f64; 4], slope: f64, end_slope: f64) -> f64 {
    let (before, end, after) = (values[0] - values[1], values[2] - values[1], values[3] - values[1]);
    // The cubic is slope·t + bt² + at³/3, its slope therefore slope + 2bt + at².
    let a = 3.0 * (slope + end_slope - 2.0 * end);
    let b = 3.0 * end - 2.0 * slope - end_slope;
    let square = b * b - a * slope;
    let q = -(b + square.max(0.0).sqrt().copysign(b));
    // A turn outside of the step, and one that is no number, is put to its start, where it counts nothing.
    let (one, other) = (slope / q, q / a);
    let one = if (square > 0.0) & (one > 0.0) & (one < 1.0) { one } else { 0.0 };
    let other = if (square > 0.0) & (other > 0.0) & (other < 1.0) { other } else { 0.0 };
    let (first, second) = if one < other { (one, other) } else { (other, one) };
    // What the cubic lacks at the outer values, a step to the left and two to the right of the start; t²(1 − t)² is 4
    // at both.
    let left = before - (b - slope - a / 3.0);
    let right = after - (2.0 * slope + 4.0 * b + 8.0 / 3.0 * a);
    let (first, second) = (height(first, [slope, b, a], [left, right]), height(second, [slope, b, a], [left, right]));
    first.abs() + (second - first).abs() + (end - second).abs()
}

/// The quintic at a time from 0 to 1: the cubic, and what it lacks at the outer values.
#[inline(always)]
fn height(t: f64, [slope, b, a]: [f64; 3], [left, right]: [f64; 2]) -> f64 {
    let bump = t * (1.0 - t);
    t * (slope + t * (b + t * a / 3.0)) + bump * bump * (left * (2.0 - t) + right * (1.0 + t)) / 12.0
}

/// The points of a fine grid over a segment: a multiple of four without prime factors above five, so many times its
/// length at least.
fn fine_length(length: usize, finer: f64) -> usize {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and bounded by LONGEST")]
    let half = (0.5 * finer * length as f64).ceil() as usize;
    2 * even_smooth(half.max(8))
}

/// A multiple of four without prime factors above five; not longer than the record where that is known.
fn segment_length(rate: Hertz, band: Band, expected_length: Option<u64>) -> usize {
    let usual = (CYCLES * rate.get() / band.low()).clamp(SHORTEST, LONGEST);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped above")]
    let usual = 2 * even_smooth((0.5 * usual).ceil() as usize);
    let fits = expected_length.and_then(|length| usize::try_from(length).ok()).filter(|length| *length < usual);
    let longest = fits.and_then(|length| (2..=length / 2).rev().find(|half| even_smooth(*half) == *half));
    longest.map_or(usual, |half| 2 * half)
}

/// One over the middle half, half a cosine on either side.
fn flat_middle(length: usize) -> Vec<f64> {
    let quarter = length / 4;
    let rise = |n: usize| 0.5 - 0.5 * (PI * n as f64 / quarter as f64).cos();
    (0..length).map(|n| if n < quarter { rise(n) } else { rise((length - n).min(quarter)) }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hertz(value: f64) -> Hertz {
        Hertz::new(value).unwrap()
    }

    fn sine(rate: f64, frequency: f64, count: u32) -> Vec<f64> {
        (0..count).map(|n| (2.0 * PI * frequency / rate * f64::from(n) + 0.4).sin()).collect()
    }

    /// The figure for a sine over its closed form.
    fn ratio(rate: f64, frequency: f64, band: (f64, f64), samples: u32, expected: Option<u64>) -> f64 {
        let mut slew = Slew::new(hertz(rate), Band::new(band.0, band.1).unwrap(), |_| 1.0, expected);
        slew.push(&sine(rate, frequency, samples));
        slew.finish().unwrap() / (4.0 * frequency)
    }

    #[test]
    fn sines_give_their_closed_form() {
        for rate in [500e3, 1e6] {
            for frequency in [2e3, 2.5e3, 9e3, 31_234.5, 50e3, 62.5e3, 99e3, 125e3, 140e3, 150e3] {
                let found = ratio(rate, frequency, (1.5e3, 155e3), 90_000, None);
                assert!((found - 1.0).abs() < 1e-3, "{rate} {frequency}: {found}");
            }
        }
    }

    #[test]
    fn what_lies_outside_the_range_is_left_out() {
        let both: Vec<f64> =
            sine(500e3, 1e3, 60_000).iter().zip(sine(500e3, 20e3, 60_000)).map(|(a, b)| 300.0 * a + b).collect();
        let mut slew = Slew::new(hertz(500e3), Band::new(2e3, 150e3).unwrap(), |_| 1.0, None);
        slew.push(&both);
        assert!((slew.finish().unwrap() / 80e3 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_correction_is_applied_at_its_frequency() {
        let correction = |frequency: f64| if frequency < 30e3 { 2.0 } else { 1.0 };
        let mut slew = Slew::new(hertz(500e3), Band::new(2e3, 150e3).unwrap(), correction, None);
        slew.push(&sine(500e3, 20e3, 20_000));
        assert!((slew.finish().unwrap() / 160e3 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_short_record_is_one_segment() {
        assert!((ratio(500e3, 20e3, (2e3, 150e3), 5000, Some(5000)) - 1.0).abs() < 1e-3);
        let mut slew = Slew::new(hertz(500e3), Band::new(2e3, 150e3).unwrap(), |_| 1.0, None);
        slew.push(&sine(500e3, 20e3, 5000));
        assert_eq!(slew.finish(), None);
    }

    #[test]
    fn blocks_and_halves_give_the_same() {
        let samples = sine(500e3, 33e3, 50_000);
        let new = || Slew::new(hertz(500e3), Band::new(2e3, 150e3).unwrap(), |_| 1.0, None);
        let (mut whole, mut pieces, mut other) = (new(), new(), new());
        whole.push(&samples);
        samples.chunks(777).for_each(|block| pieces.push(block));
        assert_eq!(whole.finish(), pieces.finish());
        other.push(&samples.iter().map(|x| 3.0 * x).collect::<Vec<_>>());
        whole.merge(&other).unwrap();
        assert!((whole.finish().unwrap() / (2.0 * 4.0 * 33e3) - 1.0).abs() < 1e-3);
        let wider = Slew::new(hertz(500e3), Band::new(2e3, 160e3).unwrap(), |_| 1.0, None);
        assert!(whole.merge(&wider).is_err());
    }

    #[test]
    fn the_way_of_polynomials_by_hand() {
        let of = |f: &dyn Fn(f64) -> f64, slope: &dyn Fn(f64) -> f64| {
            way_of_step([f(-1.0), f(0.0), f(1.0), f(2.0)], slope(0.0), slope(1.0))
        };
        // t − t² turns a quarter high.
        assert!((of(&|t| t - t * t, &|t| 1.0 - 2.0 * t) - 0.5).abs() < 1e-15);
        // A straight line.
        assert!((of(&|t| 1.0 + 2.0 * t, &|_| 2.0) - 2.0).abs() < 1e-15);
        // A constant.
        assert!(of(&|_| 3.0, &|_| 0.0).abs() < 1e-15);
        // Up and down and up again within the step: t³/3 − t²/2 + 0.21t turns at 0.3 and 0.7.
        let wave = |t: f64| t * t * t / 3.0 - t * t / 2.0 + 0.21 * t;
        let expected = wave(1.0) + 2.0 * (wave(0.3) - wave(0.7));
        assert!((of(&wave, &|t| (t - 0.3) * (t - 0.7)) - expected).abs() < 1e-15);
        // t²(1 − t)²·… where the cubic sees the turn exactly, by symmetry: the quintic gives the height, 1/4 + 1/16.
        let quartic = |t: f64| t - t * t + (t - t * t).powi(2);
        let slope = |t: f64| (1.0 - 2.0 * t) * (1.0 + 2.0 * (t - t * t));
        assert!((of(&quartic, &slope) - 0.625).abs() < 1e-15);
    }

    /// Of Gaussian noise the slope is Gaussian as well, and its mean magnitude √(2/π) of its standard deviation.
    /// The reference is the mean over the samples of the derivative of tones of random phase, far oversampled.
    #[test]
    fn noise_gives_the_mean_magnitude_of_its_slope() {
        let mut state = 5u64;
        let mut phase = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            2.0 * PI * (state >> 11) as f64 / (1u64 << 53) as f64
        };
        // Tones on every eighth bin of 16384 samples at 500 kS/s from 5 to 145 kHz; they repeat after 2048 samples.
        let tones: Vec<(usize, f64)> = (21..594).map(|bin| (bin, phase())).collect();
        let at =
            |n: usize, bin: usize, per: usize, phase: f64| 2.0 * PI * ((n * bin) % per) as f64 / per as f64 + phase;
        let period: Vec<f64> =
            (0..2048).map(|n| tones.iter().map(|(bin, phase)| at(n, *bin, 2048, *phase).sin()).sum()).collect();
        const FINER: usize = 64;
        let slope = |n: usize| {
            let sum: f64 = tones.iter().map(|(bin, phase)| *bin as f64 * at(n, *bin, FINER * 2048, *phase).cos()).sum();
            (2.0 * PI * 500e3 / 2048.0 * sum).abs()
        };
        // Every 61st point: the slopes in between say nothing new.
        let points: Vec<f64> = (0..FINER * 2048).step_by(61).map(slope).collect();
        let expected = points.iter().sum::<f64>() / points.len() as f64;
        let samples: Vec<f64> = (0..40_960).map(|n| period[n % 2048]).collect();
        let mut slew = Slew::new(hertz(500e3), Band::new(2e3, 150e3).unwrap(), |_| 1.0, Some(40_960));
        slew.push(&samples);
        let found = slew.finish().unwrap();
        assert!((found / expected - 1.0).abs() < 2e-3, "{found} {expected}");
    }
}
