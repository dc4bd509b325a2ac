//! Samples and captures with known answers.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use linewake::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
use linewake::synth::{Random, WhiteNoise};
use linewake::units::Hertz;

/// The sampling rate of all of them.
pub(crate) const RATE: f64 = 500e3;

/// Samples in a number of seconds.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a short record")]
pub(crate) fn samples_in(seconds: f64) -> usize {
    (seconds * RATE).round() as usize
}

/// A sine of an RMS value.
pub(crate) fn sine(frequency: f64, rms: f64, count: usize) -> Vec<f64> {
    let amplitude = rms * 2.0_f64.sqrt();
    (0..count).map(|n| amplitude * (TAU * (frequency / RATE * n as f64).fract() + 0.4).sin()).collect()
}

/// White noise of a one-sided density in V²/Hz.
pub(crate) fn white(density: f64, count: usize, seed: u64) -> Vec<f64> {
    let mut samples = vec![0.0; count];
    WhiteNoise { density }.add_to(&mut samples, RATE, &mut Random::new(seed, 0));
    samples
}

/// The sum of two signals.
pub(crate) fn sum(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a + b).collect()
}

/// A text table of one or two channels in volts under a short header, with all digits.
#[cfg_attr(not(feature = "cli"), allow(dead_code, reason = "files are for the program"))]
pub(crate) fn table(names: &[&str], channels: &[&[f64]]) -> Vec<u8> {
    let mut text = format!("Sample Interval,{:e},s\n\nTime (s),{}\n", 1.0 / RATE, names.join(","));
    for n in 0..channels[0].len() {
        write!(text, "{:.6}", n as f64 / RATE).unwrap();
        for channel in channels {
            write!(text, ",{:e}", channel[n]).unwrap();
        }
        text.push('\n');
    }
    text.into_bytes()
}

/// A recording in memory of one or two channels in volts, given out in blocks.
pub(crate) fn memory(channels: &[&[f64]], block: usize) -> Box<Memory> {
    let clock =
        Clock { rate: Hertz::new(RATE).unwrap(), source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let named = [("wire", Role::Wire), ("air", Role::Air)];
    let channels = named.into_iter().zip(channels).map(|((name, role), samples)| {
        (Channel { name: name.into(), quantity: Quantity::Unit("V".into()), role }, samples.to_vec())
    });
    Box::new(Memory::new("own samples", clock, channels.collect(), block).unwrap())
}
