//! The high-pass that takes the mains away before anything is measured.
//!
//! A Butterworth filter of fourth order as two biquads. It runs forward only; its gain is known exactly and is
//! divided out of the spectra again.

use std::f64::consts::PI;

use biquad::{Biquad, Coefficients, DirectForm2Transposed, Type};

use super::Complex;
use crate::error::Error;
use crate::units::Hertz;

/// A Butterworth high-pass of fourth order, stateful from block to block.
///
/// It starts in the steady state of the first sample ever seen, so a DC offset makes no transient. Samples must
/// be finite: one that is not would stay in the filter for ever.
///
/// ```
/// use linewake::dsp::filter::HighPass;
/// use linewake::units::Hertz;
/// let mut filter = HighPass::new(Hertz::new(1e3)?, Hertz::new(500e3)?)?;
/// assert!((filter.power_response(1e3) - 0.5).abs() < 1e-12); // −3 dB at the cutoff
/// let mut offset = [325.0; 100];
/// filter.process(&mut offset);
/// assert!(offset.iter().all(|sample| sample.abs() < 1e-9));
/// # Ok::<(), linewake::error::Error>(())
/// ```
///
/// # Sources
/// Q of the sections: 1/(2 sin((2k − 1)π/8)), the classical Butterworth table. Bilinear transform with
/// prewarping by the crate `biquad`.
#[derive(Debug, Clone)]
pub struct HighPass {
    cutoff: Hertz,
    rate: Hertz,
    coefficients: [Coefficients<f64>; 2],
    sections: [DirectForm2Transposed<f64>; 2],
    started: bool,
}

impl HighPass {
    /// Makes a high-pass whose gain is −3 dB at the cutoff.
    ///
    /// # Errors
    /// A cutoff that is not below half the sample rate.
    pub fn new(cutoff: Hertz, rate: Hertz) -> Result<Self, Error> {
        let section = |k: f64| {
            let quality = 0.5 / ((2.0 * k - 1.0) * PI / 8.0).sin();
            let cutoff = biquad::Hertz::from_hz(cutoff.get())?;
            Coefficients::from_params(Type::HighPass, biquad::Hertz::from_hz(rate.get())?, cutoff, quality)
        };
        let refuse = |_: biquad::Errors| {
            Error::usage(format!("a high-pass at {cutoff} for samples at {rate}"))
                .expected("a cutoff below half the sample rate")
        };
        // The section with the low quality comes first, so that the other one has less to ring on.
        let coefficients = [section(2.0).map_err(refuse)?, section(1.0).map_err(refuse)?];
        let sections = coefficients.map(DirectForm2Transposed::new);
        Ok(Self { cutoff, rate, coefficients, sections, started: false })
    }

    /// The cutoff.
    pub fn cutoff(&self) -> Hertz {
        self.cutoff
    }

    /// Filters the next samples in place.
    pub fn process(&mut self, samples: &mut [f64]) {
        self.start(samples);
        let [first, second] = &mut self.sections;
        for sample in samples {
            *sample = second.run(first.run(*sample));
        }
    }

    /// Filters the next samples of two channels, each as by itself. A filter mostly waits for what it gave a sample
    /// before; the other one runs meanwhile.
    ///
    /// # Panics
    /// When the channels differ in length.
    pub fn process_two(filters: [&mut Self; 2], channels: [&mut [f64]; 2]) {
        let ([one, other], [x, y]) = (filters, channels);
        assert_eq!(x.len(), y.len(), "channels of equal length");
        one.start(x);
        other.start(y);
        // Copies of their own, so that the compiler sees that nothing else points to them.
        let ([mut first, mut second], [mut third, mut fourth]) = (one.sections, other.sections);
        for (x, y) in x.iter_mut().zip(y) {
            *x = second.run(first.run(*x));
            *y = fourth.run(third.run(*y));
        }
        (one.sections, other.sections) = ([first, second], [third, fourth]);
    }

    fn start(&mut self, samples: &[f64]) {
        if let Some(first) = samples.first().filter(|_| !self.started) {
            self.started = true;
            self.settle(*first);
        }
    }

    /// The state after an endless constant: the first section gives zero, so the second one rests.
    fn settle(&mut self, constant: f64) {
        let Coefficients { b0, b2, .. } = self.coefficients[0];
        self.sections[0].s1 = -b0 * constant;
        self.sections[0].s2 = b2 * constant;
    }

    /// The power gain |H|² at a frequency in hertz, from 0 to half the sample rate.
    ///
    /// It is the gain of the filter as it runs, with its coefficients rounded to doubles, and holds far below the
    /// cutoff as well: only differences that are exact in doubles are formed.
    pub fn power_response(&self, frequency: f64) -> f64 {
        let squared_sine = (PI * frequency / self.rate.get()).sin().powi(2);
        self.coefficients.iter().map(|section| section_power(section, squared_sine)).product()
    }

    /// The complex gain H at a frequency in hertz: magnitude and phase.
    pub fn response(&self, frequency: f64) -> Complex<f64> {
        let half_angle = PI * frequency / self.rate.get();
        self.coefficients.iter().map(|section| section_response(section, half_angle)).product()
    }

    /// After so many samples the slowest part of a transient has decayed to one millionth.
    pub fn settling(&self) -> usize {
        let slowest = self.coefficients.iter().map(|section| section.a2.sqrt()).fold(0.0, f64::max);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and it saturates")]
        let samples = (1e-6_f64.ln() / slowest.ln()).ceil() as usize;
        samples
    }
}

/// A Butterworth low-pass of fourth order, stateful from block to block, at rest before the first sample.
///
/// ```
/// use linewake::dsp::filter::LowPass;
/// use linewake::units::Hertz;
/// let mut filter = LowPass::new(Hertz::new(9e3)?, Hertz::new(500e3)?)?;
/// let mut step = [1.0; 1000];
/// filter.process(&mut step);
/// assert!((step[999] - 1.0).abs() < 1e-6); // it settles at the constant
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct LowPass {
    sections: [DirectForm2Transposed<f64>; 2],
}

impl LowPass {
    /// Makes a low-pass whose gain is −3 dB at the cutoff.
    ///
    /// # Errors
    /// A cutoff that is not below half the sample rate.
    pub fn new(cutoff: Hertz, rate: Hertz) -> Result<Self, Error> {
        let section = |k: f64| {
            let quality = 0.5 / ((2.0 * k - 1.0) * PI / 8.0).sin();
            let cutoff = biquad::Hertz::from_hz(cutoff.get())?;
            Coefficients::from_params(Type::LowPass, biquad::Hertz::from_hz(rate.get())?, cutoff, quality)
                .map(DirectForm2Transposed::new)
        };
        let refuse = |_: biquad::Errors| {
            Error::usage(format!("a low-pass at {cutoff} for samples at {rate}"))
                .expected("a cutoff below half the sample rate")
        };
        Ok(Self { sections: [section(2.0).map_err(refuse)?, section(1.0).map_err(refuse)?] })
    }

    /// Filters the next samples in place.
    pub fn process(&mut self, samples: &mut [f64]) {
        let [first, second] = &mut self.sections;
        for sample in samples {
            *sample = second.run(first.run(*sample));
        }
    }
}

/// |H|² of one section from s = sin²(ω/2).
///
/// The numerator is b0(1 − z⁻¹)², whose power is b0²·16s². The denominator's power is written with
/// d = 1 + a1 + a2, e = 1 − a2 and u = d − 4s as u² + 4es(u + e), which does not cancel near ω = 0.
fn section_power(section: &Coefficients<f64>, s: f64) -> f64 {
    let (d, e) = (1.0 + section.a1 + section.a2, 1.0 - section.a2);
    let u = d - 4.0 * s;
    (4.0 * section.b0 * s).powi(2) / (u * u + 4.0 * e * s * (u + e))
}

/// H of one section, in the same terms, from ω/2. Both polynomials are multiplied by z, which leaves −4s·b0
/// above and u + e(1 − z⁻¹) below.
fn section_response(section: &Coefficients<f64>, half_angle: f64) -> Complex<f64> {
    let (d, e) = (1.0 + section.a1 + section.a2, 1.0 - section.a2);
    let (sin, cos) = half_angle.sin_cos();
    let u = d - 4.0 * sin * sin;
    let one_less_delay = Complex::new(2.0 * sin * sin, 2.0 * sin * cos);
    Complex::from(-4.0 * sin * sin * section.b0) / (one_less_delay * e + u)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn high_pass(cutoff: f64, rate: f64) -> HighPass {
        HighPass::new(Hertz::new(cutoff).unwrap(), Hertz::new(rate).unwrap()).unwrap()
    }

    /// The analogue prototype with prewarped frequencies: |H|² = 1/(1 + (tan(πfc/fs)/tan(πf/fs))⁸).
    fn analytic(cutoff: f64, rate: f64, frequency: f64) -> f64 {
        let warped = |f: f64| (PI * f / rate).tan();
        1.0 / (1.0 + (warped(cutoff) / warped(frequency)).powi(8))
    }

    #[test]
    fn gain_is_the_prewarped_butterworth() {
        for (cutoff, rate) in [(1e3, 500e3), (1e3, 1e6), (1e3, 10e6), (1e3, 44.1e3), (100.0, 2e6)] {
            let filter = high_pass(cutoff, rate);
            for ratio in [0.001, 0.05, 0.5, 1.0, 2.0, 15.0] {
                let frequency = ratio * cutoff;
                let (found, expected) = (filter.power_response(frequency), analytic(cutoff, rate, frequency));
                assert!((found / expected - 1.0).abs() < 1e-7, "{cutoff} {rate} {frequency}: {found} {expected}");
                assert!((filter.response(frequency).norm_sqr() / expected - 1.0).abs() < 1e-7);
            }
        }
    }

    #[test]
    fn a_sine_comes_out_with_the_gain_and_phase_of_the_response() {
        let (mut filter, frequency) = (high_pass(1e3, 100e3), 2e3);
        let omega = 2.0 * PI * frequency / 100e3;
        let mut samples: Vec<f64> = (0..5000).map(|n| (omega * f64::from(n)).cos()).collect();
        filter.process(&mut samples);
        let response = filter.response(frequency);
        for (n, sample) in samples.iter().enumerate().skip(filter.settling() * 2) {
            let expected = response.norm() * (omega * n as f64 + response.arg()).cos();
            assert!((sample - expected).abs() < 1e-9, "{n}");
        }
    }

    #[test]
    fn blocks_of_any_size_give_the_same_bits() {
        let samples: Vec<f64> = (0..500).map(|n| f64::from(n * n % 97)).collect();
        let mut whole = samples.clone();
        high_pass(1e3, 50e3).process(&mut whole);
        for block in [1, 7, 499] {
            let (mut filter, mut pieces) = (high_pass(1e3, 50e3), samples.clone());
            pieces.chunks_mut(block).for_each(|block| filter.process(block));
            assert_eq!(pieces, whole);
        }
    }

    #[test]
    fn two_channels_are_filtered_as_each_by_itself() {
        let channel = |step: i32| -> Vec<f64> { (0..300).map(|n| f64::from(n * n * step % 97)).collect() };
        let (mut x, mut y) = (channel(1), channel(5));
        let (mut one, mut other) = (high_pass(1e3, 50e3), high_pass(1e3, 50e3));
        for (x, y) in x.chunks_mut(70).zip(y.chunks_mut(70)) {
            HighPass::process_two([&mut one, &mut other], [x, y]);
        }
        for (found, mut alone) in [(x, channel(1)), (y, channel(5))] {
            high_pass(1e3, 50e3).process(&mut alone);
            assert_eq!(found, alone);
        }
    }

    #[test]
    fn an_impulse_is_gone_after_settling() {
        let mut filter = high_pass(1e3, 500e3);
        let settling = filter.settling();
        // The slowest poles lie at −ωc·sin(π/8): ln(10⁶)/(2π·1000·0.38268) s are 2873 samples.
        assert!((2865..2880).contains(&settling), "{settling}");
        let mut samples = vec![0.0; settling + 1000];
        samples[1] = 1.0;
        filter.process(&mut samples);
        assert!(samples[settling..].iter().all(|sample| sample.abs() < 1e-6 * samples[1]));
    }

    #[test]
    fn a_cutoff_above_half_the_rate_is_refused() {
        let hertz = |value| Hertz::new(value).unwrap();
        let message = HighPass::new(hertz(1e3), hertz(2e3)).unwrap_err().to_string();
        assert!(message.contains("below half the sample rate"), "{message}");
    }
}
