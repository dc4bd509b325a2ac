//! The studio's measuring chain on the bench: captures of known signals, for `calibrate`.
//!
//! An invented coupling network stands before the wire's input: a tenth of the line, less below 2 kHz and a little less
//! towards 150 kHz. The air's input is bare and comes a little later. The generator is off by an amount of its own,
//! within what its description states.

use std::f64::consts::TAU;

use super::scene::{RATE_HZ, RECORDER_NOISE_V, converters};
use super::{Studio, table};
use crate::synth::{Random, Section, Source, Tone, WhiteNoise};

/// The network: its gain in the middle, and the corners below and above which it falls.
const MIDDLE_GAIN: f64 = 0.1;
const CORNERS_HZ: [f64; 2] = [1.5e3, 300e3];
/// By how much the air's input comes later, in seconds: the two converters take turns.
pub const DELAY_S: f64 = 0.35e-6;
/// From the wire's input into the air's, as recorded.
pub const CROSSTALK_DB: f64 = -76.0;
/// The generator: the standard uncertainty that its description states, in decibels.
const GENERATOR_DB: f64 = 0.05;
/// The frequencies of the steps, in hertz.
const STEPS_HZ: [f64; 9] = [2e3, 3e3, 5e3, 9e3, 20e3, 50e3, 80e3, 120e3, 150e3];
/// What is fed into the wire alone, and into both, in volts RMS.
const WIRE_V: f64 = 0.1;
const BOTH_V: f64 = 2e-3;
/// Further levels at 20 kHz.
const LEVELS_V: [f64; 3] = [0.02, 0.05, 0.2];
/// The density of the noise generator, in V/√Hz.
const NOISE: f64 = 100e-6;
/// Samples of a step (50 ms) and of the other captures (0.2 s); so many more settle the network and are thrown away.
const STEP_SAMPLES: usize = 25_000;
const SAMPLES: usize = 100_000;
const SETTLING: usize = 2_000;

/// The network as a filter whose response is known exactly.
fn network() -> Section {
    let [low, high] = CORNERS_HZ.map(|corner| 1.0 / (TAU * corner));
    Section::of_circuit([0.0, MIDDLE_GAIN * low, 0.0], [1.0, low + high, low * high], RATE_HZ)
}

/// The gain that is built in before the wire's input, in decibels.
///
/// ```
/// // A tenth in the middle, and 3 dB less near its lower corner.
/// let db = linewake::survey::studio::bench::gain_db;
/// assert!((db(20e3) + 20.0).abs() < 0.1 && (db(1.5e3) + 23.0).abs() < 0.1);
/// ```
pub fn gain_db(frequency_hz: f64) -> f64 {
    10.0 * libm::log10(network().power_gain(frequency_hz, RATE_HZ))
}

/// What is fed.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fed {
    /// A sine into the wire, the air's input terminated.
    Wire(f64, f64),
    /// A sine into both.
    Both(f64, f64),
    /// White noise into the wire.
    Noise,
    /// Both inputs shorted.
    Nothing,
}

fn captures() -> Vec<(String, Fed)> {
    let khz = |frequency: f64| format!("{:03.0}k", frequency / 1e3);
    let wire = STEPS_HZ.map(|f| (format!("wire-{}.csv", khz(f)), Fed::Wire(f, WIRE_V)));
    let levels = LEVELS_V.map(|volts| (format!("wire-{:.0}mv.csv", 1e3 * volts), Fed::Wire(20e3, volts)));
    let both = STEPS_HZ.map(|f| (format!("both-{}.csv", khz(f)), Fed::Both(f, BOTH_V)));
    let others = [("noise.csv".to_owned(), Fed::Noise), ("shorted.csv".to_owned(), Fed::Nothing)];
    wire.into_iter().chain(levels).chain(both).chain(others).collect()
}

impl Studio {
    /// The files of the calibration: the description first, then its captures, by name.
    ///
    /// The same seed gives the same bytes on every platform.
    pub fn bench(&self) -> Vec<(String, Vec<u8>)> {
        // The generator's own error is one for all captures.
        let error_db = GENERATOR_DB * Random::new(self.seed, 90_000).normal().clamp(-2.0, 2.0);
        let generator = libm::pow(10.0, error_db / 20.0);
        let description = [("calibration.toml".to_owned(), description().into_bytes())];
        let captures = (90_001u64..).zip(captures()).map(|(stream, (name, fed))| {
            let random = &mut Random::new(self.seed, stream);
            (name, table::write(&analogue(fed, generator, random), converters()))
        });
        description.into_iter().chain(captures).collect()
    }
}

/// The samples before the converter.
fn analogue(fed: Fed, generator: f64, random: &mut Random) -> [Vec<f64>; 2] {
    let phase_rad = random.phase();
    let count = SETTLING + if matches!(fed, Fed::Wire(..) | Fed::Both(..)) { STEP_SAMPLES } else { SAMPLES };
    let sine = |frequency_hz: f64, rms: f64, late_s: f64| {
        let mut samples = vec![0.0; count];
        let phase_rad = phase_rad - TAU * frequency_hz * late_s;
        Tone { frequency_hz, rms: generator * rms, phase_rad }.add_to(&mut samples, RATE_HZ);
        samples
    };
    let mut wire = match fed {
        Fed::Wire(frequency, rms) | Fed::Both(frequency, rms) => sine(frequency, rms, 0.0),
        Fed::Noise => {
            let mut samples = vec![0.0; count];
            let density = (generator * NOISE).powi(2);
            WhiteNoise { density }.add_to(&mut samples, RATE_HZ, random);
            samples
        }
        Fed::Nothing => vec![0.0; count],
    };
    network().apply(&mut wire);
    let crosstalk = libm::pow(10.0, CROSSTALK_DB / 20.0);
    let air = match fed {
        Fed::Both(frequency, rms) => sine(frequency, rms, DELAY_S),
        _ => wire.iter().map(|sample| crosstalk * sample).collect(),
    };
    let mut channels = [wire, air].map(|mut samples| samples.split_off(SETTLING));
    for (samples, rms) in channels.iter_mut().zip(RECORDER_NOISE_V) {
        WhiteNoise::of_rms(rms, RATE_HZ).add_to(samples, RATE_HZ, random);
    }
    channels
}

fn description() -> String {
    let all = captures();
    let named = |is: &dyn Fn(&Fed) -> bool| {
        let names: Vec<String> = all.iter().filter(|(_, fed)| is(fed)).map(|(name, _)| format!("\"{name}\"")).collect();
        format!("[{}]", names.join(", "))
    };
    let numbers = |values: &[f64]| format!("{values:?}");
    let step = |fed: &Fed, volts: f64| matches!(fed, Fed::Wire(_, rms) if (rms - volts).abs() < 1e-9);
    format!(
        "# The studio's measuring chain on the bench; invented, as the studio is.\n\
         #   linewake calibrate calibration.toml -o chain.toml\n\
         # makes the chain, which every command takes by --setup chain.toml.\n\
         about = \"Coupling network, its cable, and the recorder\"\n\n\
         [generator]\nuncertainty_db = {}\ndistribution = \"normal\"\ncoverage_factor = 2\nlevel_is = \"at-input\"\n\n\
         [wire]\nabout = \"coupling network, plug to recorder\"\nport = \"line-to-neutral\"\n\n\
         [air]\nabout = \"antenna connector to recorder\"\n\n\
         [[sine]]\nchannel = \"wire\"\nother_input = \"terminated\"\nlevel_v = {WIRE_V}\nfrequency_hz = {}\ncaptures = {}\n\n\
         # Further levels: is it linear?\n\
         [[sine]]\nchannel = \"wire\"\nfrequency_hz = 20e3\nlevel_v = {}\ncaptures = {}\n\n\
         # The same signal at both inputs: the air's gain, and the phase between the channels.\n\
         [[sine]]\nchannel = \"both\"\nlevel_v = {BOTH_V}\nfrequency_hz = {}\ncaptures = {}\n\n\
         [[noise]]\nchannel = \"wire\"\ndensity_v_per_sqrt_hz = {NOISE}\nlow_hz = 2e3\nhigh_hz = 150e3\ncaptures = {}\n\n\
         [[shorted]]\nchannel = \"both\"\ncaptures = {}\n",
        2.0 * GENERATOR_DB,
        numbers(&STEPS_HZ),
        named(&|fed| step(fed, WIRE_V)),
        numbers(&LEVELS_V),
        named(&|fed| LEVELS_V.iter().any(|volts| step(fed, *volts))),
        numbers(&STEPS_HZ),
        named(&|fed| matches!(fed, Fed::Both(..))),
        named(&|fed| *fed == Fed::Noise),
        named(&|fed| *fed == Fed::Nothing),
    )
}
