//! A damped sine fitted to the samples of an impulse.

use serde::Serialize;

use realfft::RealFftPlanner;

use super::Filters;
use crate::dsp::{Complex, golden_section};

/// A fitted ring.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RingFit {
    /// The onset in seconds after the first sample of the window that was fitted.
    pub onset_s: f64,
    /// The frequency.
    pub frequency_hz: f64,
    /// The time constant of the decay.
    pub decay_s: f64,
    /// The amplitude at the onset, before the filters.
    pub amplitude: f64,
    /// The phase at the onset, in radians.
    pub phase_rad: f64,
    /// The share of the energy above the noise that it explains.
    pub explained: f64,
}

impl RingFit {
    /// Its samples in a window of so many, as the filters leave them.
    pub(super) fn samples(&self, count: usize, rate: f64, filters: &Filters) -> Vec<f64> {
        let value = |n: usize| {
            let t = n as f64 / rate - self.onset_s;
            let angle = std::f64::consts::TAU * self.frequency_hz * t + self.phase_rad;
            if t < -0.5 / rate { 0.0 } else { self.amplitude * (-t / self.decay_s).exp() * angle.cos() }
        };
        let mut samples: Vec<f64> = (0..count).map(value).collect();
        filters.apply(&mut samples);
        samples
    }
}

/// Less than this share explained is no ring.
const LEAST_EXPLAINED: f64 = 0.5;
/// A ring has at least so many samples a cycle.
const LEAST_SAMPLES: f64 = 2.5;
/// What rings below this many hertz is what the high-pass makes of a step.
const LOWEST_HZ: f64 = 1500.0;
/// No more samples are fitted.
const MOST: usize = 1 << 14;
/// Sections of a search: to a six-thousandth of the stretch.
const SECTIONS: u32 = 18;

/// Fits a damped sine that begins near the sample `start` of a window.
///
/// Frequency from the largest line of the spectrum, onset from a filter matched to the ring run backwards in time, then
/// onset, frequency and decay in turn by the energy they explain. `None` where a damped sine explains less than half
/// of the energy above the noise.
pub fn fit_ring(window: &[f64], start: usize, rate: f64, noise: f64, filters: &Filters) -> Option<RingFit> {
    let window = &window[..window.len().min(start.saturating_add(MOST))];
    let body = window.get(start..).filter(|body| body.len() >= 8)?;
    let frequency = strongest_frequency(body, rate)?;
    let mut fit = Fit { window, filters, onset: start, omega: frequency / rate, rate: 3.0 / body.len() as f64 };
    fit.find_onset(start);
    for _ in 0..3 {
        // Half a bin of the window, or half the width of the ring's own line, 1/(πτ).
        let span = (0.5 / (window.len() - fit.onset).max(8) as f64).max(0.5 * fit.rate / std::f64::consts::PI);
        let (low, high) = ((fit.omega - span).max(LOWEST_HZ / rate), (fit.omega + span).min(1.0 / LEAST_SAMPLES));
        fit.omega = golden_section::highest(low, high, SECTIONS, |omega| Fit { omega, ..fit }.energy());
        // Decays from a third of a cycle to many times the window.
        let (slowest, fastest) = ((0.05 / window.len() as f64).ln(), (3.0 * fit.omega).min(1.0).ln());
        fit.rate = golden_in_steps(slowest, fastest, |rate| Fit { rate: rate.exp(), ..fit }.energy()).exp();
        fit.refine_onset();
    }
    fit.conclude(rate, noise)
}

/// A damped sine of frequency `omega` (cycles a sample) and decay `rate` (a sample) from a sample on.
#[derive(Clone, Copy)]
struct Fit<'a> {
    window: &'a [f64],
    filters: &'a Filters,
    onset: usize,
    omega: f64,
    rate: f64,
}

impl Fit<'_> {
    /// Projections on both quadratures, and the three sums of their products.
    fn sums(&self) -> ([f64; 2], [f64; 3]) {
        let step = Complex::from_polar((-self.rate).exp(), std::f64::consts::TAU * self.omega);
        let samples = &self.window[self.onset..];
        let mut now = Complex::new(1.0, 0.0);
        let (mut cosine, mut sine): (Vec<f64>, Vec<f64>) = samples
            .iter()
            .map(|_| {
                let value = (now.re, now.im);
                now *= step;
                value
            })
            .unzip();
        self.filters.apply(&mut cosine);
        self.filters.apply(&mut sine);
        let (mut along, mut norm) = ([0.0; 2], [0.0; 3]);
        for (x, (c, s)) in samples.iter().zip(cosine.iter().zip(&sine)) {
            along[0] += x * c;
            along[1] += x * s;
            norm[0] += c * c;
            norm[1] += c * s;
            norm[2] += s * s;
        }
        (along, norm)
    }

    /// The factors of cosine and sine.
    fn solve(&self) -> Option<([f64; 2], f64)> {
        let ([c, s], [cc, cs, ss]) = self.sums();
        let determinant = cc * ss - cs * cs;
        if determinant <= 1e-12 * cc * cc {
            return None;
        }
        let factors = [(ss * c - cs * s) / determinant, (cc * s - cs * c) / determinant];
        Some((factors, factors[0] * c + factors[1] * s))
    }

    /// The energy that it explains, in squares of samples.
    fn energy(&self) -> f64 {
        self.solve().map_or(0.0, |(_, energy)| energy)
    }

    /// The sample before which a filter matched to the ring, run backwards, gives most.
    fn find_onset(&mut self, start: usize) {
        let step = Complex::from_polar((-self.rate).exp(), -std::f64::consts::TAU * self.omega);
        let mut state = Complex::default();
        let mut best = (0.0, self.onset);
        let last = start + (self.window.len() - start) / 2;
        for (n, x) in self.window.iter().enumerate().rev() {
            state = step * state + x;
            if n <= last && state.norm_sqr() > best.0 {
                best = (state.norm_sqr(), n);
            }
        }
        self.onset = best.1;
    }

    /// The onset within a cycle that explains most, exactly.
    fn refine_onset(&mut self) {
        let reach = bounded(1.0 / self.omega, 1, 512);
        let from = self.onset.saturating_sub(reach);
        let until = (self.onset + reach).min(self.window.len().saturating_sub(8));
        let energy = |onset: usize| Fit { onset, ..*self }.energy();
        let stride = (reach / 24).max(1);
        let Some(best) = (from..=until).step_by(stride).max_by(|&a, &b| energy(a).total_cmp(&energy(b))) else {
            return;
        };
        let near = best.saturating_sub(stride)..=(best + stride).min(until.max(best));
        if let Some(best) = near.max_by(|&a, &b| energy(a).total_cmp(&energy(b))) {
            self.onset = best;
        }
    }

    fn conclude(&self, rate: f64, noise: f64) -> Option<RingFit> {
        let ([cosine, sine], energy) = self.solve()?;
        let all: f64 = self.window[self.onset..].iter().map(|x| x * x).sum();
        let above = all - noise * noise * (self.window.len() - self.onset) as f64;
        let explained = if above > 0.0 { (energy / above).min(1.0) } else { 0.0 };
        // At an end of the search the ring lies beyond it.
        let is_inside = self.omega * rate > 1.02 * LOWEST_HZ && self.omega * LEAST_SAMPLES < 0.98;
        (is_inside && explained >= LEAST_EXPLAINED).then(|| RingFit {
            onset_s: self.onset as f64 / rate,
            frequency_hz: self.omega * rate,
            decay_s: 1.0 / (self.rate * rate),
            amplitude: cosine.hypot(sine),
            phase_rad: (-sine).atan2(cosine),
            explained,
        })
    }
}

/// The frequency of the largest line of a padded spectrum, in hertz.
fn strongest_frequency(body: &[f64], rate: f64) -> Option<f64> {
    let length = (4 * body.len()).next_power_of_two().max(256);
    let plan = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let mut input = plan.make_input_vec();
    input[..body.len()].copy_from_slice(body);
    let mut bins = plan.make_output_vec();
    plan.process(&mut input, &mut bins).ok()?;
    let hertz = |k: usize| k as f64 * rate / length as f64;
    let within = (0..bins.len()).filter(|&k| hertz(k) >= LOWEST_HZ && hertz(k) <= rate / LEAST_SAMPLES);
    within.max_by(|&a, &b| bins[a].norm_sqr().total_cmp(&bins[b].norm_sqr())).map(hertz)
}

/// The maximum in a wide range: the best of some steps, then golden section around it.
fn golden_in_steps(low: f64, high: f64, value: impl Fn(f64) -> f64) -> f64 {
    const STEPS: u32 = 12;
    let at = |n: u32| low + (high - low) * f64::from(n) / f64::from(STEPS);
    let best = (0..=STEPS).max_by(|&a, &b| value(at(a)).total_cmp(&value(at(b)))).unwrap_or(0);
    golden_section::highest(at(best.saturating_sub(1)), at((best + 1).min(STEPS)), SECTIONS, value)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
fn bounded(value: f64, low: usize, high: usize) -> usize {
    (value.round().max(0.0) as usize).clamp(low, high)
}
