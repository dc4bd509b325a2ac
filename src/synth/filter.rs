//! A digital filter made of a circuit, whose exact response is known.

use std::f64::consts::TAU;

/// A recursive filter of first or second order.
///
/// ```
/// use linewake::synth::Section;
/// // A resistance and a capacitance with a corner at 1 kHz: half the power is left.
/// let corner = std::f64::consts::TAU * 1e3;
/// let low_pass = Section::of_circuit([1.0, 0.0, 0.0], [1.0, 1.0 / corner, 0.0], 500e3);
/// assert!((low_pass.power_gain(1e3, 500e3) - 0.5).abs() < 1e-4);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    forward: [f64; 3],
    back: [f64; 2],
}

impl Section {
    /// The bilinear transform of a circuit, without prewarping.
    ///
    /// Both polynomials are given by their coefficients of s⁰, s¹, s², s in rad/s. The response of the
    /// circuit at F appears at f with πF/rate = tan(πf/rate), so that the two part near half the sampling
    /// rate; [`Section::power_gain`] is that of the digital filter and holds everywhere.
    ///
    /// # Sources
    /// A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing, section on the bilinear transformation.
    pub fn of_circuit(numerator: [f64; 3], denominator: [f64; 3], rate_hz: f64) -> Self {
        let c = 2.0 * rate_hz;
        // A first-order circuit keeps a first-order section: carried along as second order it would have a
        // pole on the unit circle, cancelled only on paper.
        let second_order = numerator[2] != 0.0 || denominator[2] != 0.0;
        let transform = |p: [f64; 3]| match second_order {
            false => [p[0] + p[1] * c, p[0] - p[1] * c, 0.0],
            true => [p[0] + p[1] * c + p[2] * c * c, 2.0 * (p[0] - p[2] * c * c), p[0] - p[1] * c + p[2] * c * c],
        };
        let (b, a) = (transform(numerator), transform(denominator));
        Self { forward: b.map(|v| v / a[0]), back: [a[1] / a[0], a[2] / a[0]] }
    }

    /// Filters samples in place, from rest.
    pub fn apply(&self, samples: &mut [f64]) {
        let ([b0, b1, b2], [a1, a2]) = (self.forward, self.back);
        let (mut s1, mut s2) = (0.0, 0.0);
        for sample in samples {
            let input = *sample;
            let output = b0 * input + s1;
            s1 = b1 * input - a1 * output + s2;
            s2 = b2 * input - a2 * output;
            *sample = output;
        }
    }

    /// The factor by which it changes power at a frequency: |H(f)|².
    pub fn power_gain(&self, frequency_hz: f64, rate_hz: f64) -> f64 {
        let (sine, cosine) = libm::sincos(TAU * frequency_hz / rate_hz);
        let (sine_2, cosine_2) = (2.0 * sine * cosine, cosine * cosine - sine * sine);
        let square = |p: [f64; 3]| {
            let (re, im) = (p[0] + p[1] * cosine + p[2] * cosine_2, p[1] * sine + p[2] * sine_2);
            re * re + im * im
        };
        square(self.forward) / square([1.0, self.back[0], self.back[1]])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_high_pass_of_the_handbook_comes_out() {
        // Second-order Butterworth high-pass, 2 kHz at 1 MS/s: K = tan(πfc/fs), b0 = 1/(1 + K/Q + K²)
        // (Oppenheim and Schafer, bilinear transformation with prewarping).
        let k = (std::f64::consts::PI * 2e3 / 1e6).tan();
        let corner = 2.0 * 1e6 * k;
        let quality = std::f64::consts::FRAC_1_SQRT_2;
        let section = Section::of_circuit([0.0, 0.0, 1.0], [corner * corner, corner / quality, 1.0], 1e6);
        let b0 = 1.0 / (1.0 + k / quality + k * k);
        for (found, expected) in section.forward.iter().zip([b0, -2.0 * b0, b0]) {
            assert!((found - expected).abs() < 1e-12, "{found} {expected}");
        }
        assert!((section.back[0] - 2.0 * (k * k - 1.0) * b0).abs() < 1e-12);
        assert!((section.power_gain(2e3, 1e6) - 0.5).abs() < 1e-10);
    }

    #[test]
    fn a_tone_leaves_with_the_stated_gain() {
        let section = Section::of_circuit([1.0, 2e-5, 0.0], [1.0, 1e-5, 1e-9], 500e3);
        let mut samples: Vec<f64> = (0..20_000).map(|n| libm::sin(TAU * 0.03 * f64::from(n))).collect();
        section.apply(&mut samples);
        let tail = &samples[10_000..];
        let mean_square = tail.iter().map(|v| v * v).sum::<f64>() / 10_000.0;
        assert!((2.0 * mean_square / section.power_gain(0.03 * 500e3, 500e3) - 1.0).abs() < 1e-9);
    }
}
