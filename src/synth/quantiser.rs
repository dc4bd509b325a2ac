//! The converter: volts to codes.

/// A converter with steps of equal size around zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantiser {
    bits: u32,
    step: f64,
}

impl Quantiser {
    /// A converter of 2 to 24 bits with a step `q` in the unit of the samples.
    ///
    /// # Panics
    /// With other numbers of bits or a step that is not above zero.
    pub fn new(bits: u32, step: f64) -> Self {
        assert!((2..=24).contains(&bits) && step.is_finite() && step > 0.0, "{bits} bits with a step of {step}");
        Self { bits, step }
    }

    /// The step between neighbouring codes.
    pub fn step(&self) -> f64 {
        self.step
    }

    /// The lowest and the highest code.
    pub fn codes(&self) -> (i32, i32) {
        let half = 1 << (self.bits - 1);
        (-half, half - 1)
    }

    /// The code nearest to a value; the end codes beyond the range, 0 for what is not a number.
    ///
    /// ```
    /// use linewake::synth::Quantiser;
    /// let converter = Quantiser::new(12, 20e-6);
    /// assert_eq!(converter.code(51e-6), 3);
    /// assert_eq!(converter.code(1.0), 2047);
    /// ```
    #[expect(clippy::cast_possible_truncation, reason = "a float beyond an integer becomes its end, which is clipping")]
    pub fn code(&self, value: f64) -> i32 {
        let (low, high) = self.codes();
        ((value / self.step).round() as i32).clamp(low, high)
    }

    /// The value that a code stands for.
    pub fn value(&self, code: i32) -> f64 {
        f64::from(code) * self.step
    }

    /// The samples as the converter leaves them.
    pub fn quantised(&self, mut samples: Vec<f64>) -> Vec<f64> {
        for sample in &mut samples {
            *sample = self.value(self.code(*sample));
        }
        samples
    }

    /// The mean square of the rounding error of a busy signal, q²/12, spread evenly from 0 to half the rate.
    ///
    /// # Sources
    /// W. R. Bennett, Spectra of quantized signals, Bell Syst. Tech. J. 27 (1948) 446.
    pub fn noise_power(&self) -> f64 {
        self.step * self.step / 12.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::{Random, WhiteNoise};

    #[test]
    fn rounding_leaves_q_over_root_twelve() {
        let converter = Quantiser::new(12, 0.5);
        let mut samples = vec![0.0; 100_000];
        WhiteNoise::of_rms(3.0, 1.0).add_to(&mut samples, 1.0, &mut Random::new(3, 0));
        let error = |v: &f64| converter.value(converter.code(*v)) - v;
        let power = samples.iter().map(|v| error(v) * error(v)).sum::<f64>() / 100_000.0;
        // Variance of e² is q⁴/180: five standard deviations of the mean are 1.5 % here.
        assert!((power / converter.noise_power() - 1.0).abs() < 0.015, "{power}");
    }

    #[test]
    fn the_ends_clip() {
        let converter = Quantiser::new(12, 1.0);
        assert_eq!([f64::NEG_INFINITY, -3e3, 3e3, f64::NAN].map(|v| converter.code(v)), [-2048, -2048, 2047, 0]);
    }
}
