//! A bank of Gaussian band-pass filters: the envelopes at any number of frequencies from one long transform.
//!
//! A segment is transformed once. For each centre frequency the few bins about it are weighted with the filter's
//! response and transformed back on their own, which gives the complex envelope on a coarse grid of time directly.
//! The centre need not lie on a bin: the response is taken at the exact distance, and what is left of the offset
//! only turns the phase of the envelope, never its magnitude.

use std::f64::consts::{LN_2, PI, SQRT_2};
use std::fmt;
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};

use super::Complex;
use crate::lanes::{Kernel, widest};
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
    inverse: Arc<dyn Fft<f64>>,
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
}

impl FilterBank {
    /// Plans for segments of `length` samples at a rate, envelopes at `steps` equally spaced instants of a segment,
    /// the first one at its first sample, and these centre frequencies in hertz.
    ///
    /// # Panics
    /// When length or steps are zero, or when there are fewer steps than bins within the reach of a filter: the
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
            inverse: FftPlanner::new().plan_fft_inverse(steps),
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

    /// The complex envelope at one centre frequency, by its number, on all instants of the segment.
    ///
    /// # Panics
    /// When there is no such centre, or the spectrum is not of this bank.
    pub fn envelope<'a>(
        &self,
        spectrum: &[Complex<f64>],
        centre: usize,
        work: &'a mut Workspace,
    ) -> &'a [Complex<f64>] {
        let Slice { bin, weight, count } = self.slices[centre];
        work.bins.resize(self.steps(), Complex::default());
        work.scratch.resize(self.inverse.get_inplace_scratch_len().max(work.scratch.len()), Complex::default());
        let (used, rest) = work.bins.split_at_mut(count);
        let weights = &self.weights[weight..weight + count];
        widest(Weighted { spectrum: &spectrum[bin..bin + count], weights, out: used });
        rest.fill(Complex::default());
        self.inverse.process_with_scratch(&mut work.bins, &mut work.scratch);
        &work.bins
    }
}

/// Bins times the response of a filter.
struct Weighted<'a> {
    spectrum: &'a [Complex<f64>],
    weights: &'a [f64],
    out: &'a mut [Complex<f64>],
}

impl Kernel for Weighted<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for ((out, bin), weight) in self.out.iter_mut().zip(self.spectrum).zip(self.weights) {
            *out = Complex::new(bin.re * weight, bin.im * weight);
        }
    }
}

impl fmt::Debug for FilterBank {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "FilterBank({} samples, {} steps, {} centres)", self.length(), self.steps(), self.centres())
    }
}
