//! A bank of Gaussian band-pass filters: the envelopes at any number of frequencies from one long transform.
//!
//! A segment is transformed once. For each centre frequency the few bins about it are weighted with the filter's
//! response and transformed back on their own, which gives the envelope on a coarse grid of time directly. The centre
//! need not lie on a bin: the response is taken at the exact distance, and what is left of the offset only turns the
//! phase of the envelope, never its magnitude. Several centres are transformed back side by side.

use std::f64::consts::{LN_2, PI, SQRT_2};
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

use super::Complex;
use super::lane_transform::{LANES, LaneTransform, WIDE};
use crate::lanes::{Kernel, aligned, widest};
use crate::units::Hertz;

/// The response and the impulse response are cut so many standard deviations from their middle, where they have
/// fallen to 1.5e-8 of it.
const REACH: f64 = 6.0;

/// A band-pass filter of Gaussian shape: |H| = exp(−Δf²/2s²), without delay.
///
/// ```
/// use linewake::dsp::filter_bank::Gaussian;
/// use linewake::units::Hertz;
/// let filter = Gaussian::new(Hertz::new(200.0)?);
/// assert!((filter.response(100.0) - 0.5).abs() < 1e-12); // 6 dB down, half of the width from the middle
/// assert!((filter.impulse_bandwidth() - 212.9).abs() < 0.05);
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gaussian {
    deviation: f64,
}

impl Gaussian {
    /// A filter whose response is down to one half, which is 6.02 dB, at half of this width to either side.
    pub fn new(width_6_db: Hertz) -> Self {
        Self { deviation: width_6_db.get() / (2.0 * (2.0 * LN_2).sqrt()) }
    }

    /// The response at a distance in hertz from the centre; one there.
    pub fn response(self, distance: f64) -> f64 {
        (-0.5 * (distance / self.deviation).powi(2)).exp()
    }

    /// The width in hertz between the two frequencies at which the response is down by so many decibels.
    pub fn width(self, decibels: f64) -> f64 {
        2.0 * self.deviation * (2.0 * decibels / 20.0 * std::f64::consts::LN_10).sqrt()
    }

    /// The peak of the envelope of an impulse over twice its spectral amplitude: s·√(2π), in hertz.
    pub fn impulse_bandwidth(self) -> f64 {
        self.deviation * (2.0 * PI).sqrt()
    }

    /// The width in hertz of a rectangular filter that passes as much white noise: s·√π.
    pub fn noise_bandwidth(self) -> f64 {
        self.deviation * PI.sqrt()
    }

    /// Beyond this distance in hertz the response counts as nothing.
    pub fn reach_hz(self) -> f64 {
        REACH * self.deviation
    }

    /// Beyond this time in seconds, to either side, the impulse response counts as nothing.
    pub fn reach_s(self) -> f64 {
        REACH / (2.0 * PI * self.deviation)
    }
}

/// The bins of one filter: where they begin in the cut-out of the spectrum and in the table of weights, how many.
#[derive(Debug, Clone, Copy)]
struct Slice {
    bin: usize,
    weight: usize,
    count: usize,
}

/// A bank of equal filters at many centre frequencies, for segments of one length.
///
/// The envelopes come out in the RMS of the equivalent sine: a sine of RMS V at a centre frequency gives V. The first
/// and the last [`Gaussian::reach_s`] of a segment see what lies on its other side and are for the caller to leave out.
#[derive(Clone)]
pub struct FilterBank {
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: LaneTransform,
    bin_hz: f64,
    first: usize,
    bins: usize,
    slices: Vec<Slice>,
    weights: Vec<f64>,
}

/// The buffers of one user of a bank.
#[derive(Debug, Clone, Default)]
pub struct Workspace {
    bins: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    wide: Vec<f64>,
}

impl FilterBank {
    /// Plans for segments of `length` samples at a rate, envelopes at `steps` equally spaced instants of a segment,
    /// the first one at its first sample, and these centre frequencies in hertz.
    ///
    /// # Panics
    /// When length or steps are zero, when the steps have a prime factor above five, or when there are fewer than bins within the reach of a filter: the
    /// instants would lie too far apart for its envelope.
    pub fn new(rate: Hertz, length: usize, steps: usize, filter: Gaussian, centres: &[f64]) -> Self {
        assert!(length > 0 && steps > 0, "{length} samples, {steps} steps");
        let bin_hz = rate.get() / length as f64;
        let last_bin = length / 2;
        let reach = filter.reach_hz().min(0.5 * steps as f64 * bin_hz);
        assert!(filter.response(reach) < 1e-6, "{steps} steps of {} s are too few", length as f64 / rate.get());
        let bin = |frequency: f64| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held within the spectrum")]
            let bin = (frequency / bin_hz).clamp(0.0, last_bin as f64) as usize;
            bin
        };
        let lowest = centres.iter().copied().fold(f64::MAX, f64::min);
        let first = bin(lowest - reach);
        let mut slices = Vec::with_capacity(centres.len());
        let mut weights = Vec::new();
        let mut end = first;
        for &centre in centres {
            let from = bin(centre - reach + bin_hz);
            let count = (bin(centre + reach) + 1 - from).min(steps);
            slices.push(Slice { bin: from - first, weight: weights.len(), count });
            weights.extend((from..from + count).map(|bin| filter.response(bin as f64 * bin_hz - centre)));
            end = end.max(from + count);
        }
        Self {
            forward: RealFftPlanner::new().plan_fft_forward(length),
            inverse: LaneTransform::new(steps).expect("steps without prime factors above five"),
            bin_hz,
            first,
            bins: end - first,
            slices,
            weights,
        }
    }

    /// The length of a segment in samples.
    pub fn length(&self) -> usize {
        self.forward.len()
    }

    /// How many instants of a segment the envelopes are given at.
    pub fn steps(&self) -> usize {
        self.inverse.len()
    }

    /// How many centre frequencies there are.
    pub fn centres(&self) -> usize {
        self.slices.len()
    }

    /// The factor on each bin in use that a response by frequency in hertz asks for.
    pub fn correction(&self, response: impl Fn(f64) -> Complex<f64>) -> Vec<Complex<f64>> {
        // Twice a bin over the length is the amplitude of a sine, and 1/√2 of that its RMS.
        let scale = SQRT_2 / self.length() as f64;
        (self.first..self.first + self.bins).map(|bin| response(bin as f64 * self.bin_hz) * scale).collect()
    }

    /// Transforms a segment, which serves as scratch, and leaves its bins in use, times the correction, in `spectrum`.
    ///
    /// # Panics
    /// When the segment has another length than was planned for, or the correction is not of this bank.
    pub fn transform(
        &self,
        segment: &mut [f64],
        correction: &[Complex<f64>],
        work: &mut Workspace,
        spectrum: &mut Vec<Complex<f64>>,
    ) {
        assert_eq!(correction.len(), self.bins, "a factor for each bin");
        work.bins.resize(self.length() / 2 + 1, Complex::default());
        work.scratch.resize(self.forward.get_scratch_len().max(work.scratch.len()), Complex::default());
        let scratch = &mut work.scratch[..self.forward.get_scratch_len()];
        self.forward
            .process_with_scratch(segment, &mut work.bins, scratch)
            .expect("the segment and the buffers are as long as the plan says");
        spectrum.clear();
        spectrum.extend(work.bins[self.first..].iter().zip(correction).map(|(bin, factor)| bin * factor));
    }

    /// The magnitudes of the envelopes at some centre frequencies, by their numbers, at some instants: a row an instant,
    /// in each a value a centre, and zeros behind.
    ///
    /// # Panics
    /// When there are no such centres or instants, more centres than a row holds, rows that do not fit, or when the
    /// spectrum is not of this bank.
    pub fn magnitudes<const ROW: usize>(
        &self,
        spectrum: &[Complex<f64>],
        centres: Range<usize>,
        instants: Range<usize>,
        work: &mut Workspace,
        rows: &mut [[f64; ROW]],
    ) {
        assert!(centres.len() <= ROW && ROW.is_multiple_of(LANES), "{centres:?} in rows of {ROW}");
        assert_eq!(rows.len(), instants.len(), "a row for each instant");
        let wide = aligned(&mut work.wide, WIDE * self.steps());
        for column in (0..ROW).step_by(LANES) {
            let slices = &self.slices[(centres.start + column).min(centres.end)..centres.end];
            wide.fill(0.0);
            for (lane, &Slice { bin, weight, count }) in slices.iter().take(LANES).enumerate() {
                let (bins, weights) = (&spectrum[bin..bin + count], &self.weights[weight..weight + count]);
                widest(Weighted { bins, weights, lane, wide });
            }
            self.inverse.run(wide);
            let places = &self.inverse.places()[instants.clone()];
            widest(Magnitudes { wide, places, column, rows });
        }
    }
}

/// Bins times the response of a filter, into one lane. They are conjugated, so that the forward transform gives the
/// conjugate of the inverse one.
struct Weighted<'a> {
    bins: &'a [Complex<f64>],
    weights: &'a [f64],
    lane: usize,
    wide: &'a mut [f64],
}

impl Kernel for Weighted<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let lane = self.lane % LANES;
        let (samples, _) = self.wide.as_chunks_mut::<WIDE>();
        for ((sample, bin), weight) in samples.iter_mut().zip(self.bins).zip(self.weights) {
            sample[lane] = bin.re * weight;
            sample[LANES + lane] = -(bin.im * weight);
        }
    }
}

/// The magnitudes of some samples, in their order, into some columns of rows.
struct Magnitudes<'a, const ROW: usize> {
    wide: &'a [f64],
    places: &'a [u32],
    column: usize,
    rows: &'a mut [[f64; ROW]],
}

impl<const ROW: usize> Kernel for Magnitudes<'_, ROW> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let (samples, _) = self.wide.as_chunks::<WIDE>();
        for (row, &place) in self.rows.iter_mut().zip(self.places) {
            let sample = &samples[place as usize];
            let row = &mut row[self.column..self.column + LANES];
            for lane in 0..LANES {
                let (re, im) = (sample[lane], sample[LANES + lane]);
                row[lane] = (re * re + im * im).sqrt();
            }
        }
    }
}

impl fmt::Debug for FilterBank {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "FilterBank({} samples, {} steps, {} centres)", self.length(), self.steps(), self.centres())
    }
}
