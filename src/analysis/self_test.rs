//! Does this installation compute what it should? Known signals in, errors out.
//!
//! The signals are made here, as text of a recorder, and go the way of any capture: reader, mains taken out, spectra,
//! comparison. Each check names what must come out by the closed form, what came out, and how far it may be off.

use serde::Serialize;

use super::compare::{Order, what_changed, what_is_added};
use super::settings::Settings;
use super::spectrum::spectrum;
use crate::capture::Role;
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::read::{Bytes, Source};
use crate::synth::{Random, Source as _, Tone, WhiteNoise};
use crate::units::Level;

const RATE_HZ: f64 = 500e3;
const SAMPLES: usize = 200_000;
/// A tone in the middle of a bin and of a band; its level by definition is 60 dBµV.
const TONE_HZ: f64 = 68e3;
const TONE_V: f64 = 1e-3;
/// The one-sided density of the noise in V²/Hz: 1 µV/√Hz.
const DENSITY: f64 = 1e-12;
/// So many decibels are allowed: the noise under the tone makes ±0.013 dB (one sigma: 200 Hz of it are 14 µV beside
/// 1 mV, spread over the 106 segments), and the mean of 300 bins over as many segments ±0.03 dB.
const LEVEL_DB: f64 = 0.05;
const NOISE_DB: f64 = 0.2;
/// The tone halved stands twice as near to the noise.
const CHANGE_DB: f64 = 0.1;

/// One known figure beside what was found.
#[derive(Debug, Clone, Serialize)]
pub struct Check {
    /// What is looked at.
    pub what: &'static str,
    /// What must come out.
    pub expected: f64,
    /// What came out.
    pub found: f64,
    /// How far it may be off.
    pub allowed: f64,
    /// The unit of all three.
    pub unit: &'static str,
    /// Whether it is within.
    pub passed: bool,
}

impl Check {
    fn new(what: &'static str, expected: f64, found: f64, allowed: f64) -> Self {
        Self { what, expected, found, allowed, unit: "dB", passed: (found - expected).abs() <= allowed }
    }
}

/// What is known of the program and of the machine that it runs on.
#[derive(Debug, Clone, Serialize)]
pub struct Installation {
    /// The version of the program; a document has it already.
    #[serde(skip)]
    pub version: &'static str,
    /// The operating system.
    pub system: &'static str,
    /// The kind of processor.
    pub processor: &'static str,
    /// The optional parts that the program was built with.
    pub features: Vec<&'static str>,
    /// The threads that work is spread over.
    pub threads: usize,
    /// The memory of the machine where it tells.
    pub memory_bytes: Option<u64>,
    /// The folder that results are to be written in.
    pub folder: String,
    /// Whether it can be written.
    pub folder_can_be_written: bool,
    /// The size of a small picture with words in it.
    pub picture_bytes: usize,
    /// Known signals and what came out.
    pub self_test: Vec<Check>,
    /// Whether all is as it must be.
    pub sound: bool,
}

fn capture(name: &str, seed: u64, tone_v: f64) -> Source {
    let mut samples = vec![0.0; SAMPLES];
    WhiteNoise { density: DENSITY }.add_to(&mut samples, RATE_HZ, &mut Random::new(seed, 0));
    Tone { frequency_hz: TONE_HZ, rms: tone_v, phase_rad: 0.3 }.add_to(&mut samples, RATE_HZ);
    // Mains that is to be taken out again.
    Tone { frequency_hz: 50.0, rms: 0.1, phase_rad: 1.0 }.add_to(&mut samples, RATE_HZ);
    let rows = samples.iter().enumerate().map(|(n, volt)| format!("{:.6},{volt:e}\n", n as f64 / RATE_HZ));
    let text = format!("Time (s),Wire (V)\n{}", rows.collect::<String>());
    Source::new(Bytes::new(name, text.into_bytes()))
}

/// All checks, in order.
///
/// # Errors
/// Whatever the analysis says; none of it is expected.
pub fn self_test() -> Result<Vec<Check>, Error> {
    let settings = Settings::default();
    let (off, on, halved) = (capture("off", 1, 0.0), capture("on", 2, TONE_V), capture("halved", 3, TONE_V / 2.0));
    let (_, levels) = spectrum(&on, &settings)?;
    let wire = levels.channels.iter().find(|channel| channel.role == Role::Wire);
    let wire = wire.ok_or_else(|| Error::input("no wire channel came out"))?;
    let bins = || wire.frequency_hz.iter().zip(&wire.psd);
    let strongest = wire.level_db.iter().map(|level| level.get()).fold(f64::NEG_INFINITY, f64::max);
    let quiet = |frequency: f64| (20e3..60e3).contains(&frequency);
    let (sum, count) = bins().filter(|(f, _)| quiet(**f)).fold((0.0, 0.0), |(sum, n), (_, psd)| (sum + psd, n + 1.0));

    let band = Scheme::Edges(vec![66e3, 70e3]);
    let sources = |source: &Source| [source.clone()];
    let (_, added) = what_is_added(&sources(&off), &sources(&on), &settings, &band, Order::Apart)?;
    let (_, changed) = what_changed(&sources(&on), &sources(&halved), &settings, &band, Order::Apart)?;
    let nothing = || Error::input("a comparison came out empty");
    let added = &added.channels.first().and_then(|channel| channel.bands.first()).ok_or_else(nothing)?;
    let changed = &changed.channels.first().and_then(|channel| channel.bands.first()).ok_or_else(nothing)?;
    // Over the band of 4 kHz the noise of both sides counts.
    let noise = DENSITY * 4e3;
    let power = |tone: f64| tone * tone + noise;
    let change_db = 10.0 * (power(TONE_V / 2.0) / power(TONE_V)).log10();
    Ok(vec![
        Check::new("a tone of 1 mV at 68 kHz, level in dBµV", Level::of_rms(TONE_V).get(), strongest, LEVEL_DB),
        Check::new(
            "noise of 1 µV/√Hz, density in dB re 1 µV²/Hz",
            0.0,
            10.0 * (sum / count / DENSITY).log10(),
            NOISE_DB,
        ),
        Check::new(
            "what that tone adds, in dBµV",
            Level::of_rms(TONE_V).get(),
            added.added_rms.map_or(f64::NEG_INFINITY, |rms| Level::of_rms(rms).get()),
            LEVEL_DB,
        ),
        Check::new(
            "the tone halved, its noise left: change in dB",
            change_db,
            changed.change_db.unwrap_or(f64::NAN),
            CHANGE_DB,
        ),
    ])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sound_installation_passes_and_an_error_would_show() {
        let checks = self_test().unwrap();
        assert_eq!(checks.len(), 4);
        assert!(checks.iter().all(|check| check.passed), "{checks:?}");
        assert!(!Check::new("a level", 60.0, 60.06, LEVEL_DB).passed);
        assert!(!Check::new("a level", 60.0, f64::NAN, LEVEL_DB).passed);
    }
}
