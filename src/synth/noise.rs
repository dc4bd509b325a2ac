//! White noise of known density; shaped noise is white noise through [`Section`](super::Section)s.

use super::Random;

/// Normal white noise, flat from 0 to half the sampling rate.
///
/// Its mean square is density × rate / 2, its power in a range density × width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WhiteNoise {
    /// One-sided power spectral density, in the square of the buffer's unit per hertz.
    pub density: f64,
}

impl WhiteNoise {
    /// The noise whose RMS value at a sampling rate is given.
    pub fn of_rms(rms: f64, rate_hz: f64) -> Self {
        Self { density: 2.0 * rms * rms / rate_hz }
    }

    /// The RMS value of its samples at a sampling rate.
    ///
    /// ```
    /// use linewake::synth::WhiteNoise;
    /// // 1.41 µV/√Hz over 250 kHz.
    /// assert!((WhiteNoise { density: 2e-12 }.rms(500e3) - 707.1e-6).abs() < 1e-7);
    /// ```
    pub fn rms(&self, rate_hz: f64) -> f64 {
        (self.density * rate_hz / 2.0).sqrt()
    }

    /// Adds noise to samples taken at `rate_hz`.
    pub fn add_to(&self, samples: &mut [f64], rate_hz: f64, random: &mut Random) {
        let rms = self.rms(rate_hz);
        for sample in samples {
            *sample += rms * random.normal();
        }
    }
}
