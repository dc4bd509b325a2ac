//! A sine of known frequency, stretch by stretch: its complex RMS value, and the noise beside it.
//!
//! The record is cut into stretches, each weighted with a window of low side lobes and turned back by the sine's
//! frequency. Every stretch gives one observation, so that their scatter says how sure the mean is; the same at
//! frequencies beside the sine gives the noise that each observation holds.

use std::f64::consts::{SQRT_2, TAU};

use super::Complex;
use super::window::{Taper, Window};
use crate::units::Hertz;

/// No more stretches are made.
const MOST_STRETCHES: usize = 24;
/// Fewer say too little of their scatter.
const FEWEST_STRETCHES: usize = 4;
/// A stretch holds at least so many periods of the sine and of what lies beside it: three widths of the window's main
/// lobe to either side.
const FEWEST_PERIODS: f64 = 12.0;
/// The window: side lobes below −92 dB.
const WINDOW: &str = "blackman_harris";
/// Where the noise is looked for, in inverse lengths of a stretch: beyond the main lobe.
const BESIDE: [f64; 4] = [-7.5, -6.0, 6.0, 7.5];

/// What a record holds at one frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct SteadySine {
    /// The frequency in hertz that the observations are made at.
    pub frequency_hz: f64,
    /// The complex RMS values by channel and stretch, in the unit of the samples; phases count from the first sample.
    pub values: Vec<Vec<Complex<f64>>>,
    /// The mean square of the noise that each of them holds, by channel.
    pub noise: Vec<f64>,
}

impl SteadySine {
    /// Looks at channels of equal length. `apart` is the distance in hertz to the nearest other line.
    ///
    /// `None` where the record is too short for four stretches of twelve periods, or the frequency lies so near to half
    /// the sampling rate that the window would reach over it.
    ///
    /// ```
    /// use linewake::dsp::steady_sine::SteadySine;
    /// use linewake::units::Hertz;
    /// let sine: Vec<f64> = (0..20_000).map(|n| (std::f64::consts::TAU * 0.0313 * f64::from(n)).sin()).collect();
    /// let found = SteadySine::of(&[&sine], Hertz::new(1e6)?, 31.3e3, f64::INFINITY).unwrap();
    /// // A sine of amplitude 1 has an RMS value of 1/√2.
    /// assert!((found.values[0][3].norm() - 0.5f64.sqrt()).abs() < 1e-5);
    /// # Ok::<(), linewake::error::Error>(())
    /// ```
    ///
    /// # Sources
    /// F. J. Harris, Proc. IEEE 66 (1978) 51-83, for the window; the rest is the definition of a Fourier coefficient.
    pub fn of(channels: &[&[f64]], rate: Hertz, frequency_hz: f64, apart: f64) -> Option<Self> {
        let Stretches { taper, count } = Stretches::of(channels.first()?.len(), rate, frequency_hz, apart)?;
        let length = taper.len();
        let at = |samples: &[f64], frequency: f64| values(samples, &taper, count, frequency / rate.get());
        let mean_square = |values: &[Complex<f64>]| values.iter().map(Complex::norm_sqr).sum::<f64>() / count as f64;
        let beside = |samples: &[f64]| {
            let width = rate.get() / length as f64;
            let powers = BESIDE.map(|bins| mean_square(&at(samples, frequency_hz + bins * width)));
            powers.iter().sum::<f64>() / powers.len() as f64
        };
        Some(Self {
            frequency_hz,
            values: channels.iter().map(|samples| at(samples, frequency_hz)).collect(),
            noise: channels.iter().map(|samples| beside(samples)).collect(),
        })
    }

    /// The frequency in hertz of a sine that is known to half the inverse length of a stretch, from the turn of its phase
    /// from stretch to stretch. `None` as in [`SteadySine::of`].
    ///
    /// # Sources
    /// S. Tretter, IEEE Trans. Inf. Theory 31 (1985) 832-835, in spirit: the slope of the phase (from memory).
    pub fn frequency_hz(samples: &[f64], rate: Hertz, near: f64, apart: f64) -> Option<f64> {
        let Stretches { taper, count } = Stretches::of(samples.len(), rate, near, apart)?;
        let values = values(samples, &taper, count, near / rate.get());
        let turn: Complex<f64> = values.windows(2).map(|pair| pair[1] * pair[0].conj()).sum();
        Some(near + turn.arg() / TAU * rate.get() / taper.len() as f64)
    }

    /// The mean square of a channel's sine, its noise taken off, for each stretch.
    pub fn powers(&self, channel: usize) -> Vec<f64> {
        self.values[channel].iter().map(|value| value.norm_sqr() - self.noise[channel]).collect()
    }
}

/// How a record is cut.
struct Stretches {
    taper: Taper,
    count: usize,
}

impl Stretches {
    fn of(samples: usize, rate: Hertz, frequency: f64, apart: f64) -> Option<Self> {
        let room = rate.get() / 2.0 - frequency;
        // The mirror image beyond half the rate counts as a neighbour, as does the one beyond zero.
        let nearest = frequency.min(apart).min(2.0 * room);
        let most = samples as f64 / (FEWEST_PERIODS * rate.get() / nearest);
        let count = (FEWEST_STRETCHES..=MOST_STRETCHES).rev().find(|&count| count as f64 <= most)?;
        let window: Window = WINDOW.parse().ok()?;
        Some(Self { taper: Taper::new(&window, samples / count), count })
    }
}

/// The complex RMS values of all stretches; `turn` is the frequency in units of the rate.
fn values(samples: &[f64], taper: &Taper, count: usize, turn: f64) -> Vec<Complex<f64>> {
    let stretches = samples.chunks_exact(taper.len()).take(count).enumerate();
    stretches.map(|(k, stretch)| value(stretch, taper, k * taper.len(), turn)).collect()
}

/// The complex RMS value of one stretch; `turn` is the frequency in units of the rate, `first` the number of the
/// stretch's first sample.
fn value(stretch: &[f64], taper: &Taper, first: usize, turn: f64) -> Complex<f64> {
    let mean = stretch.iter().sum::<f64>() / stretch.len() as f64;
    let weighted = stretch.iter().zip(taper.values()).enumerate().map(|(n, (sample, weight))| {
        Complex::cis(-TAU * ((first + n) as f64 * turn).fract()) * ((sample - mean) * weight)
    });
    weighted.sum::<Complex<f64>>() * (SQRT_2 / taper.sum())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::{Random, WhiteNoise};

    const RATE: f64 = 500e3;

    fn rate() -> Hertz {
        Hertz::new(RATE).unwrap()
    }

    fn sine(frequency: f64, rms: f64, phase: f64, count: u32) -> Vec<f64> {
        let at = |n: u32| rms * SQRT_2 * (TAU * (frequency / RATE * f64::from(n)).fract() + phase).cos();
        (0..count).map(at).collect()
    }

    #[test]
    fn level_phase_and_frequency_are_those_built_in() {
        // Two channels 30° apart, with an offset and a second line far enough away.
        let mut wire = sine(20_013.7, 0.2, 0.5, 50_000);
        wire.iter_mut().zip(sine(50e3, 1.0, 0.0, 50_000)).for_each(|(sample, other)| *sample += other + 3.0);
        let air = sine(20_013.7, 0.1, 0.5 - TAU / 12.0, 50_000);
        let near = SteadySine::frequency_hz(&wire, rate(), 20_010.0, f64::INFINITY).unwrap();
        assert!((near - 20_013.7).abs() < 1e-3);
        let found = SteadySine::of(&[&wire, &air], rate(), 20_013.7, f64::INFINITY).unwrap();
        for (wire, air) in found.values[0].iter().zip(&found.values[1]) {
            assert!((wire.norm() / 0.2 - 1.0).abs() < 1e-4 && (air.norm() / 0.1 - 1.0).abs() < 1e-4);
            assert!(((wire * air.conj()).arg().to_degrees() - 30.0).abs() < 0.01);
        }
        assert!(found.noise[0] < 1e-9 * 0.04);
    }

    #[test]
    fn noise_is_its_density_in_the_noise_bandwidth_of_a_stretch() {
        // 24 stretches of 0.2 s: ENBW 2.0044 bins of 120 Hz (Harris, table 1: 2.00).
        let mut samples = vec![0.0; 100_000];
        WhiteNoise { density: 1e-9 }.add_to(&mut samples, RATE, &mut Random::new(3, 0));
        let found = SteadySine::of(&[&samples], rate(), 30e3, f64::INFINITY).unwrap();
        let expected = 1e-9 * 2.0 * 24.0 / 0.2;
        assert!((found.noise[0] / expected - 1.0).abs() < 0.35, "{} {expected}", found.noise[0]);
        let mean = found.powers(0).iter().sum::<f64>() / 24.0;
        assert!(mean.abs() < 0.6 * expected, "{mean} {expected}");
    }

    #[test]
    fn what_a_record_cannot_carry_gives_nothing() {
        let short = vec![0.0; 1000];
        assert!(SteadySine::of(&[&short], rate(), 2e3, f64::INFINITY).is_none());
        for frequency in [250e3, 249_999.0, 300e3] {
            assert!(SteadySine::of(&[&short], rate(), frequency, f64::INFINITY).is_none());
        }
        assert!(SteadySine::of(&[], rate(), 2e3, f64::INFINITY).is_none());
    }
}
