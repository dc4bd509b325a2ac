//! Chains drawn at random, calibrated by simulated captures, and used again: does the correction hold the truth?

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{self, Cursor, Read};
use std::sync::Arc;

use linewake::analysis::calibrate::calibrate;
use linewake::analysis::settings::Settings;
use linewake::capture::Role;
use linewake::read::calibration::calibration;
use linewake::read::setup::setup;
use linewake::read::{Bytes, Origin, ReadOptions, Source};
use linewake::report::calibrate::setup_files;
use linewake::synth::{Random, Section, Source as _, Tone, WhiteNoise};
use linewake::units::Hertz;

const RATE: f64 = 400e3;
/// 30 ms: 60 periods of the lowest step.
const SAMPLES: usize = 12_000;
/// So many more settle the filter and are thrown away.
const SETTLING: usize = 1_500;
const STEPS: [f64; 9] = [2e3, 3e3, 5e3, 10e3, 20e3, 50e3, 80e3, 120e3, 150e3];
/// The level of the steps at the input, in volts RMS.
const LEVEL: f64 = 0.1;

/// What limits a calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Case {
    /// The generator, 0.1 dB standard, stated as normal.
    Generator,
    /// The generator, anywhere within 0.2 dB, stated as rectangular.
    Rectangular,
    /// Noise of the recorder: 0.1 dB standard for a capture.
    Scatter,
    /// The contact: 0.1 dB standard from capture to capture, three of each step.
    Repeats,
    /// As the generator, the correction taken anywhere between steps.
    Between,
    /// A good generator and little noise, the correction taken anywhere between steps: what is left is interpolation.
    Bends,
    /// A comb with lines every 10 kHz, noise and generator alike.
    Comb,
    /// White noise of known density, in the middle of its bands.
    Noise,
}

pub(crate) const CASES: &[Case] = &[
    Case::Generator,
    Case::Rectangular,
    Case::Scatter,
    Case::Repeats,
    Case::Between,
    Case::Bends,
    Case::Comb,
    Case::Noise,
];

impl Case {
    /// What it is, for the table.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Case::Generator => "generator 0.1 dB, normal",
            Case::Rectangular => "generator within 0.2 dB, rectangular",
            Case::Scatter => "noise, 0.1 dB a capture",
            Case::Repeats => "contact 0.1 dB, three captures a step",
            Case::Between => "generator 0.1 dB, between steps",
            Case::Bends => "nothing but interpolation, between steps",
            Case::Comb => "comb, generator 0.1 dB and noise",
            Case::Noise => "white noise, 0.2 s, generator 0.1 dB",
        }
    }

    /// Whether the share of intervals that hold is to be 95 %, or may be more: where a rectangular half-width rules.
    pub(crate) fn is_exact(self) -> bool {
        !matches!(self, Case::Rectangular | Case::Bends | Case::Between)
    }

    fn stated(self) -> &'static str {
        match self {
            Case::Rectangular => "uncertainty_db = 0.2\ndistribution = \"rectangular\"\n",
            Case::Scatter | Case::Repeats | Case::Bends => {
                "uncertainty_db = 0.002\ndistribution = \"normal\"\ncoverage_factor = 2\n"
            }
            _ => "uncertainty_db = 0.2\ndistribution = \"normal\"\ncoverage_factor = 2\n",
        }
    }

    /// The generator's own error in decibels.
    fn error_db(self, random: &mut Random) -> f64 {
        match self {
            Case::Rectangular => random.between(-0.2, 0.2),
            Case::Scatter | Case::Repeats | Case::Bends => 0.001 * random.normal(),
            _ => 0.1 * random.normal(),
        }
    }

    /// The recorder's noise in volts RMS, for a level at the recorder.
    fn noise_v(self, recorded: f64) -> f64 {
        match self {
            // 0.1 dB is 1.16 % of the level; a mean over the stretches has the noise of twice the inverse record.
            Case::Scatter => 0.0116 * recorded * (SAMPLES as f64 / 2.0).sqrt(),
            Case::Comb => 0.005 * recorded * (SAMPLES as f64 / 2.0).sqrt(),
            _ => 1e-4 * recorded,
        }
    }
}

/// A coupling network: its gain, and the corners below and above which it falls.
struct Network(Section);

impl Network {
    fn drawn(random: &mut Random) -> Self {
        let gain = 10f64.powf(random.between(-30.0, -10.0) / 20.0);
        let [low, high] =
            [random.between(300.0, 2e3), random.between(200e3, 1e6)].map(|f| 1.0 / (std::f64::consts::TAU * f));
        Self(Section::of_circuit([0.0, gain * low, 0.0], [1.0, low + high, low * high], RATE))
    }

    fn gain_db(&self, frequency: f64) -> f64 {
        10.0 * self.0.power_gain(frequency, RATE).log10()
    }

    /// What the recorder sees.
    fn recorded(&self, mut samples: Vec<f64>, noise_v: f64, random: &mut Random) -> Vec<f64> {
        self.0.apply(&mut samples);
        let mut samples = samples.split_off(SETTLING);
        WhiteNoise::of_rms(noise_v, RATE).add_to(&mut samples, RATE, random);
        samples
    }
}

/// The errors of the corrections of one run, each with half the width of its 95 % interval, in decibels.
///
/// # Panics
/// When the calibration fails: the simulation is at fault then.
#[expect(clippy::unwrap_used, reason = "a simulation that does not run has nothing to say")]
pub(crate) fn errors(case: Case, seed: u64) -> Vec<(f64, f64)> {
    let random = &mut Random::new(seed, 7);
    let network = Network::drawn(random);
    let factor = |db: f64| 10f64.powf(db / 20.0);
    let error = factor(case.error_db(random));
    let mut files: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    let mut text = format!("[generator]\n{}level_is = \"at-input\"\n", case.stated());
    let noise_v = |frequency: f64| case.noise_v(LEVEL * factor(network.gain_db(frequency)));
    let sine = |frequency_hz: f64, rms: f64, random: &mut Random, samples: &mut [f64]| {
        Tone { frequency_hz, rms, phase_rad: random.phase() }.add_to(samples, RATE);
    };
    let mut captures = Vec::new();
    match case {
        Case::Comb => {
            let mut samples = vec![0.0; SETTLING + SAMPLES];
            (1..=15).for_each(|k| sine(10e3 * f64::from(k), error * LEVEL, random, &mut samples));
            captures.push(network.recorded(samples, noise_v(20e3), random));
            write!(text, "[[comb]]\nchannel=\"wire\"\nspacing_hz=10e3\nhighest_hz=150e3\nlevel_v={LEVEL}\n").unwrap();
        }
        Case::Noise => {
            let mut samples = vec![0.0; SETTLING + 80_000];
            WhiteNoise { density: (error * 1e-4).powi(2) }.add_to(&mut samples, RATE, random);
            captures.push(network.recorded(samples, 1e-6, random));
            text.push_str("[[noise]]\nchannel=\"wire\"\ndensity_v_per_sqrt_hz=1e-4\nlow_hz=2e3\nhigh_hz=150e3\n");
        }
        _ => {
            let times = if case == Case::Repeats { 3 } else { 1 };
            let places: Vec<f64> = STEPS.iter().flat_map(|&f| std::iter::repeat_n(f, times)).collect();
            for &frequency in &places {
                let contact = if case == Case::Repeats { factor(0.1 * random.normal()) } else { 1.0 };
                let mut samples = vec![0.0; SETTLING + SAMPLES];
                sine(frequency, error * contact * LEVEL, random, &mut samples);
                captures.push(network.recorded(samples, noise_v(frequency), random));
            }
            write!(text, "[[sine]]\nchannel=\"wire\"\nfrequency_hz={places:?}\nlevel_v={LEVEL}\n").unwrap();
        }
    }
    let names: Vec<String> = (0..captures.len()).map(|k| format!("{k}.npy")).collect();
    writeln!(text, "captures={names:?}").unwrap();
    files.extend(names.into_iter().zip(captures.iter().map(|samples| array(samples))));

    let description = calibration(&Source::new(Bytes::new("calibration.toml", text.into_bytes()))).unwrap();
    let read =
        ReadOptions { unit: Some("V".into()), sample_rate: Some(Hertz::new(RATE).unwrap()), ..ReadOptions::default() };
    let settings = Settings { read, fingerprints: false, ..Settings::default() };
    let folder = Arc::new(files);
    let (inputs, found) = calibrate(&description, |name| file(&folder, name), &settings).unwrap();
    let written = setup_files(&found, &inputs, "chain").unwrap();
    let written = Arc::new(written.into_iter().map(|(name, text)| (name, text.into_bytes())).collect());
    let setup = setup(&file(&written, "chain.toml")).unwrap();
    let chain = setup.chain(Role::Wire).unwrap();
    let steps: Vec<f64> =
        found.channels[0].gains.iter().filter(|g| g.observations > 0).map(|g| g.frequency_hz).collect();
    let places: Vec<f64> = match case {
        Case::Between | Case::Bends => {
            let (low, high) = (steps[0], steps[steps.len() - 1]);
            (0..9).map(|_| low * (high / low).powf(random.uniform())).collect()
        }
        _ => steps,
    };
    let error = |&frequency: &f64| {
        let correction = 20.0 * chain.correction(frequency).unwrap().norm().log10();
        let half = 1.96 * chain.relative_standard_uncertainty(frequency) * 20.0 / std::f64::consts::LN_10;
        (correction + network.gain_db(frequency), half)
    };
    places.iter().map(error).collect()
}

/// The share of corrections that hold the truth, each frequency of each run by itself.
pub(crate) fn coverage(case: Case, seeds: std::ops::Range<u64>) -> f64 {
    let all = linewake::spread::map(seeds.collect(), |seed| errors(case, seed)).concat();
    all.iter().filter(|(error, half)| error.abs() <= *half).count() as f64 / all.len() as f64
}

/// One channel as an NPY file of doubles.
fn array(samples: &[f64]) -> Vec<u8> {
    let head = format!("{{'descr': '<f8', 'fortran_order': False, 'shape': ({},), }}", samples.len());
    let head = format!("{head:117}\n");
    let mut bytes = b"\x93NUMPY\x01\x00\x76\x00".to_vec();
    bytes.extend_from_slice(head.as_bytes());
    samples.iter().for_each(|sample| bytes.extend_from_slice(&sample.to_le_bytes()));
    bytes
}

/// A folder in memory.
struct File {
    folder: Arc<BTreeMap<String, Vec<u8>>>,
    name: String,
}

fn file(folder: &Arc<BTreeMap<String, Vec<u8>>>, name: &str) -> Source {
    Source::new(File { folder: Arc::clone(folder), name: name.to_owned() })
}

impl Origin for File {
    fn name(&self) -> &str {
        &self.name
    }

    fn byte_count(&self) -> io::Result<u64> {
        self.folder.get(&self.name).map(|bytes| bytes.len() as u64).ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let bytes = self.folder.get(&self.name).ok_or(io::ErrorKind::NotFound)?;
        let mut cursor = Cursor::new(bytes.clone());
        cursor.set_position(position);
        Ok(Box::new(cursor))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        self.folder.contains_key(name).then(|| file(&self.folder, name))
    }
}

/// A file that is not there.
#[cfg(test)]
pub(crate) fn missing() -> impl Origin {
    File { folder: Arc::default(), name: "missing".into() }
}
