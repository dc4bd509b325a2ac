//! Damped rings: what a switching edge leaves on a line.

use std::f64::consts::TAU;

use super::{Source, time_s};
use crate::units::Band;

/// A damped ring: A · (e^(−t/decay) − e^(−t/rise)) · cos(2πft + φ) from its start on.
///
/// A rise of zero gives the classical ring that starts with a step, whose skirts fall with 1/f in amplitude;
/// with a rise they fall with 1/f² (the double exponential of surge waveforms).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ring {
    /// The amplitude A, in the unit of the buffer.
    pub amplitude: f64,
    /// The ring frequency in hertz.
    pub frequency_hz: f64,
    /// The time constant of the decay in seconds, longer than the rise.
    pub decay_s: f64,
    /// The time constant of the rise in seconds, or zero.
    pub rise_s: f64,
}

impl Ring {
    /// The energy within a range of frequencies, averaged over the phase φ, in the unit's square times seconds.
    ///
    /// The energy spectrum averaged over φ is A²/4 (|E(f − f₀)|² + |E(f + f₀)|²), doubled for one side, with
    /// |E|² = (b − a)/(b + a) · [1/(a² + ω²) − 1/(b² + ω²)], a = 1/decay, b = 1/rise.
    ///
    /// ```
    /// use linewake::{synth::Ring, units::Band};
    /// let ring = Ring { amplitude: 2.0, frequency_hz: 10e3, decay_s: 1e-3, rise_s: 0.0 };
    /// // A² τ / 4 in all.
    /// assert!((ring.energy_in(Band::new(0.0, 1e12)?) - 1e-3).abs() < 1e-10);
    /// # Ok::<(), linewake::error::Error>(())
    /// ```
    pub fn energy_in(&self, band: Band) -> f64 {
        let a = 1.0 / self.decay_s;
        let primitive = |f: f64, rate: f64| libm::atan(TAU * f / rate) / (TAU * rate);
        let envelope = |f: f64| match self.rise_s {
            0.0 => primitive(f, a),
            rise => {
                let b = 1.0 / rise;
                (b - a) / (b + a) * (primitive(f, a) - primitive(f, b))
            }
        };
        let both = |f: f64| envelope(f - self.frequency_hz) + envelope(f + self.frequency_hz);
        self.amplitude * self.amplitude / 2.0 * (both(band.high()) - both(band.low()))
    }

    /// Adds one ring that starts at a time with a phase; nothing where it starts behind the last sample.
    pub fn add_to(&self, samples: &mut [f64], rate_hz: f64, start_s: f64, phase_rad: f64) {
        // After forty time constants a ring is below the last bit of any other sample.
        let end_s = start_s + 40.0 * self.decay_s;
        let first = first_sample_at(start_s, rate_hz).min(samples.len());
        let last = first_sample_at(end_s, rate_hz).min(samples.len());
        for (offset, sample) in samples[first..last].iter_mut().enumerate() {
            let t = time_s(first + offset, rate_hz) - start_s;
            let rise = if self.rise_s > 0.0 { libm::exp(-t / self.rise_s) } else { 0.0 };
            let envelope = libm::exp(-t / self.decay_s) - rise;
            *sample += self.amplitude * envelope * libm::cos(TAU * self.frequency_hz * t + phase_rad);
        }
    }
}

/// The number of the first sample at a time or after it; 0 for times before the first.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float beyond usize becomes its end")]
fn first_sample_at(time_s: f64, rate_hz: f64) -> usize {
    (time_s * rate_hz).ceil() as usize
}

/// One ring after another, each with its own start and phase.
///
/// With phases drawn evenly and independently the rings add in power: energy of one times rings a second.
#[derive(Debug, Clone, PartialEq)]
pub struct RingTrain {
    /// What every ring looks like.
    pub ring: Ring,
    /// How many there are in a second, for the stated power.
    pub rings_per_second: f64,
    /// Start in seconds and phase in radians of each.
    pub events: Vec<(f64, f64)>,
}

impl Source for RingTrain {
    fn frequency_hz(&self) -> f64 {
        self.ring.frequency_hz
    }

    fn add_to(&self, samples: &mut [f64], rate_hz: f64) {
        for &(start_s, phase_rad) in &self.events {
            self.ring.add_to(samples, rate_hz, start_s, phase_rad);
        }
    }

    fn power_in(&self, band: Band) -> f64 {
        self.rings_per_second * self.ring.energy_in(band)
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    #[test]
    fn the_energy_of_the_samples_is_the_stated_one() {
        let ring = Ring { amplitude: 6.0, frequency_hz: 6e3, decay_s: 3e-4, rise_s: 2e-5 };
        let energy = |phase: f64| {
            let mut samples = vec![0.0; 10_000];
            ring.add_to(&mut samples, 1e6, 1e-4, phase);
            samples.iter().map(|v| v * v).sum::<f64>() / 1e6
        };
        // Two phases a quarter apart average to all phases. The samples hold what aliases, too: 1e-4 at most.
        let mean = (energy(0.3) + energy(0.3 + PI / 2.0)) / 2.0;
        let expected = ring.energy_in(Band::new(0.0, 1e9).unwrap());
        assert!((mean / expected - 1.0).abs() < 1e-4, "{mean} {expected}");
    }

    #[test]
    fn the_parts_of_a_band_add_up() {
        let ring = Ring { amplitude: 1.0, frequency_hz: 6e3, decay_s: 3e-4, rise_s: 2e-5 };
        let energy = |low: f64, high: f64| ring.energy_in(Band::new(low, high).unwrap());
        assert!((energy(0.0, 9e3) + energy(9e3, 5e4) - energy(0.0, 5e4)).abs() < 1e-18);
        // A line half as wide as 1/(2πτ) each side: two thirds and a bit lie within ±1 kHz.
        assert!((0.6..0.8).contains(&(energy(5e3, 7e3) / energy(0.0, 1e9))));
    }

    #[test]
    fn rings_beyond_the_record_add_nothing() {
        let mut samples = [0.0; 4];
        let ring = Ring { amplitude: 1.0, frequency_hz: 1.0, decay_s: 1.0, rise_s: 0.0 };
        ring.add_to(&mut samples, 1.0, 9.0, 0.0);
        ring.add_to(&mut samples, 1.0, -1e9, 0.0);
        assert_eq!(samples, [0.0; 4]);
    }
}
