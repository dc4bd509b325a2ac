//! What is built in: every number of the studio, and the emissions made of them.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use crate::synth::{
    Envelope, Harmonic, KeyedTone, MainsWave, ModulatedTone, Quantiser, Random, Ring, RingTrain, Section, Source,
    Swing, Tone, WhiteNoise,
};

/// Samples a second, of each channel.
pub const RATE_HZ: f64 = 500e3;
/// Samples in a capture: 0.2 s.
pub const SAMPLES: usize = 100_000;
/// The frequency of the mains.
pub const MAINS_HZ: f64 = 49.98;
/// Bits of the converter.
pub(super) const BITS: u32 = 12;
/// The steps of the converter on the wire and in the air, in volts: ranges of ±40.96 mV and ±4.096 mV.
pub(super) const STEPS_V: [f64; 2] = [20e-6, 2e-6];
/// The noise of the recorder itself on both channels, white from 0 to half the rate, in volts RMS.
pub(super) const RECORDER_NOISE_V: [f64; 2] = [40e-6, 6e-6];

/// The noise on the wire at low frequencies, one-sided, in V²/Hz: 2 µV/√Hz ...
const WIRE_NOISE: f64 = 4e-12;
/// ... and the two corners between which it falls to its value at high frequencies, 0.3 µV/√Hz.
const WIRE_NOISE_CORNERS_HZ: [f64; 2] = [6e3, 40e3];
/// The white noise of the surroundings in the air, one-sided, in V²/Hz: 40 nV/√Hz.
const AIR_NOISE: f64 = 1.6e-15;

/// What is left of the mains behind the coupling network and in the air: order, volts RMS. Below 2 kHz.
const RESIDUES: [&[(u32, f64)]; 2] =
    [&[(1, 3e-3), (3, 1.2e-3), (5, 0.8e-3), (7, 0.5e-3), (11, 0.2e-3)], &[(1, 0.3e-3), (3, 0.1e-3), (5, 0.05e-3)]];

/// The shunt filter: a capacitor with a resistor in series, across a line that is a resistance and an inductance.
///
/// Values of a plausible order for a low-voltage line and a plug-in capacitor; common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shunt {
    /// The resistance of the line, in ohms.
    pub line_ohm: f64,
    /// The inductance of the line, in henries.
    pub line_h: f64,
    /// The capacitance, in farads.
    pub capacitance_f: f64,
    /// The resistance in series with the capacitor, in ohms.
    pub series_ohm: f64,
}

/// The shunt filter of the studio.
pub const SHUNT: Shunt = Shunt { line_ohm: 0.4, line_h: 50e-6, capacitance_f: 4.7e-6, series_ohm: 1.0 };

/// The voltage ratio that the shunt filter makes: polynomials in s of numerator and denominator.
///
/// A voltage divider, H = Z_C / (Z_C + Z_line), with Z_C = R_C + 1/(sC) and Z_line = R + sL.
fn shunt_circuit() -> ([f64; 3], [f64; 3]) {
    let Shunt { line_ohm, line_h, capacitance_f, series_ohm } = SHUNT;
    let both_ohm = line_ohm + series_ohm;
    ([1.0, series_ohm * capacitance_f, 0.0], [1.0, both_ohm * capacitance_f, line_h * capacitance_f])
}

/// The gain from wire to air at low frequencies ...
const TRANSFER_LOW_DB: f64 = -26.5;
/// ... and the two corners between which it rises with frequency.
const TRANSFER_CORNERS_HZ: [f64; 2] = [25e3, 120e3];

/// The voltage ratio from wire to air: polynomials in s.
fn transfer_circuit() -> ([f64; 3], [f64; 3]) {
    let low = libm::pow(10.0, TRANSFER_LOW_DB / 20.0);
    let [zero, pole] = TRANSFER_CORNERS_HZ.map(|corner| 1.0 / (TAU * corner));
    ([low, low * zero, 0.0], [1.0, pole, 0.0])
}

/// |H(f)| of a circuit.
fn circuit_gain((numerator, denominator): ([f64; 3], [f64; 3]), frequency_hz: f64) -> f64 {
    let w = TAU * frequency_hz;
    let magnitude = |p: [f64; 3]| libm::hypot(p[0] - p[2] * w * w, p[1] * w);
    magnitude(numerator) / magnitude(denominator)
}

/// The factor that the shunt filter puts on the voltage of an emission.
///
/// ```
/// use linewake::survey::studio::shunt_gain;
/// // Above its resonance at 10.4 kHz it takes away, below it adds.
/// assert!(shunt_gain(68e3) < 0.06 && shunt_gain(6e3) > 1.4);
/// ```
pub fn shunt_gain(frequency_hz: f64) -> f64 {
    circuit_gain(shunt_circuit(), frequency_hz)
}

/// The factor from the voltage on the wire to the voltage at the antenna.
pub fn air_gain(frequency_hz: f64) -> f64 {
    circuit_gain(transfer_circuit(), frequency_hz)
}

/// The converters of the two channels.
pub(super) fn converters() -> [Quantiser; 2] {
    STEPS_V.map(|step| Quantiser::new(BITS, step))
}

/// The filters that shape the noise of the wire: its colour, the shunt filter, the way into the air.
///
/// They are the bilinear transforms of the circuits, and the truths count their own exact responses. Below
/// 50 kHz they agree with the circuits; at 150 kHz the shunt filter takes away 3.4 dB more than its circuit,
/// of noise that is then far below the recorder's.
pub(super) struct NoiseFilters {
    pub(super) colour: Section,
    pub(super) shunt: Section,
    pub(super) transfer: Section,
}

impl NoiseFilters {
    pub(super) fn new() -> Self {
        let [corner, level] = WIRE_NOISE_CORNERS_HZ.map(|corner| 1.0 / (TAU * corner));
        let section = |(numerator, denominator)| Section::of_circuit(numerator, denominator, RATE_HZ);
        Self {
            colour: section(([1.0, level, 0.0], [1.0, corner, 0.0])),
            shunt: section(shunt_circuit()),
            transfer: section(transfer_circuit()),
        }
    }
}

/// The noise of the wire before its colour, and the noise of the surroundings in the air.
pub(super) fn noises() -> [WhiteNoise; 2] {
    [WIRE_NOISE, AIR_NOISE].map(|density| WhiteNoise { density })
}

/// What stands on both channels below the range: the rest of the mains.
///
/// The fundamental keeps the phase of the mains, so that a mains phase read from it is the true one.
pub(super) fn residue(channel: usize, mains_phase: f64, random: &mut Random) -> MainsWave {
    let harmonics = RESIDUES[channel].iter().map(|&(order, rms)| Harmonic {
        order,
        rms: rms * random.between(0.85, 1.15),
        phase_rad: 0.7 * f64::from(order - 1),
    });
    MainsWave { fundamental_hz: MAINS_HZ, phase_rad: mains_phase, harmonics: harmonics.collect() }
}

/// How an emission sounds.
#[derive(Debug, Clone, Copy)]
pub(super) enum Sound {
    /// A switching frequency and multiples of it, each a factor and volts RMS.
    Switching { frequency_hz: f64, multiples: &'static [(u32, f64)], wander: &'static [(f64, f64)], envelope: Shape },
    /// Two frequencies that send bits.
    Keyed { frequencies_hz: [f64; 2], rms: f64, bit_s: f64 },
    /// A damped ring after every zero crossing of the mains, at the given angle behind it.
    Commutation { ring: Ring, angle_rad: f64 },
}

/// The envelope of a switching emission.
#[derive(Debug, Clone, Copy)]
pub(super) enum Shape {
    /// Depths at even multiples of the mains frequency, with the phase that makes them smallest at its zeros.
    Mains(&'static [(u32, f64)]),
    /// Depths at audio frequencies in hertz.
    Audio(&'static [(f64, f64)]),
    /// A burst of this many seconds at each crest of the mains.
    Crests(f64),
}

impl Sound {
    /// The generators of this emission for one capture, phases and wander drawn at random.
    pub(super) fn sources(&self, mains_phase: f64, random: &mut Random) -> Vec<Box<dyn Source>> {
        match *self {
            Sound::Switching { frequency_hz, multiples, wander, envelope } => {
                let swings: Vec<Swing> = wander
                    .iter()
                    .map(|&(deviation_hz, rate_hz)| Swing { deviation_hz, rate_hz, phase_rad: random.phase() })
                    .collect();
                let envelope = envelope.of_capture(mains_phase, random);
                let source = |&(factor, rms): &(u32, f64)| {
                    let factor = f64::from(factor);
                    let tone = Tone { frequency_hz: factor * frequency_hz, rms, phase_rad: random.phase() };
                    let swing = |s: &Swing| Swing { deviation_hz: factor * s.deviation_hz, ..*s };
                    let swings = swings.iter().map(swing).collect();
                    Box::new(ModulatedTone { tone, swings, envelope: envelope.clone() }) as Box<dyn Source>
                };
                multiples.iter().map(source).collect()
            }
            Sound::Keyed { frequencies_hz, rms, bit_s } => {
                let (passed_s, phase_rad) = (bit_s * random.uniform(), random.phase());
                let bits = (0..64).map(|_| random.bit()).collect();
                vec![Box::new(KeyedTone { frequencies_hz, rms, bit_s, passed_s, phase_rad, bits })]
            }
            Sound::Commutation { ring, angle_rad } => {
                // A capture is not quite twenty half cycles long; the first rings start before it.
                let start = |half_cycle: u32| {
                    let angle = PI * (f64::from(half_cycle) - 2.0) + angle_rad - mains_phase % PI;
                    angle / (TAU * MAINS_HZ)
                };
                let events = (0..24).map(|half_cycle| (start(half_cycle), random.phase())).collect();
                vec![Box::new(RingTrain { ring, rings_per_second: 2.0 * MAINS_HZ, events })]
            }
        }
    }

    /// The frequencies that it is built of, in hertz.
    pub(super) fn frequencies_hz(&self) -> Vec<f64> {
        match *self {
            Sound::Switching { frequency_hz, multiples, .. } => {
                multiples.iter().map(|&(factor, _)| f64::from(factor) * frequency_hz).collect()
            }
            Sound::Keyed { frequencies_hz, .. } => frequencies_hz.to_vec(),
            Sound::Commutation { ring, .. } => vec![ring.frequency_hz],
        }
    }

    /// How far a capture may find it from the frequency built in, as a share of that frequency.
    pub(super) fn wander(&self) -> f64 {
        match *self {
            Sound::Switching { frequency_hz, wander, .. } => {
                wander.iter().fold(0.0, |sum, (hz, _)| sum + hz) / frequency_hz
            }
            Sound::Keyed { .. } | Sound::Commutation { .. } => 0.0,
        }
    }
}

impl Shape {
    fn of_capture(self, mains_phase: f64, random: &mut Random) -> Envelope {
        match self {
            Shape::Mains(terms) => {
                // cos(nθ + φ) is −1 at θ = 0 and least at both zeros for even n.
                let term = |&(order, depth): &(u32, f64)| {
                    let order = f64::from(order);
                    (order * MAINS_HZ, depth, order * mains_phase + PI)
                };
                Envelope::Cosines(terms.iter().map(term).collect())
            }
            Shape::Audio(terms) => {
                Envelope::Cosines(terms.iter().map(|&(hz, depth)| (hz, depth, random.phase())).collect())
            }
            Shape::Crests(width_s) => {
                let centre_s = (FRAC_PI_2 - mains_phase) / (TAU * MAINS_HZ);
                Envelope::Bursts { repeat_hz: 2.0 * MAINS_HZ, width_s, centre_s }
            }
        }
    }
}

/// A load of the studio.
#[derive(Debug)]
pub struct Load {
    /// The name in words.
    pub name: &'static str,
    /// The name in file names.
    pub slug: &'static str,
    /// What it does to the line, one sentence.
    pub about: &'static str,
    pub(super) sounds: &'static [Sound],
    /// The frequency in hertz of its main emission.
    pub main_hz: f64,
}

impl PartialEq for Load {
    fn eq(&self, other: &Self) -> bool {
        self.slug == other.slug
    }
}

/// The loads, in the order in which they were switched on.
pub static LOADS: [Load; 4] = [
    Load {
        name: "LED panel",
        slug: "led-panel",
        about: "on its dimmer; switches at 68 kHz, with the multiples 136 and 204 kHz, and follows the mains: \
                strongest at its crests, silent at its zeros",
        sounds: &[Sound::Switching {
            frequency_hz: 68e3,
            multiples: &[(1, 3e-3), (2, 0.7e-3), (3, 0.3e-3)],
            wander: &[(80.0, 1.7), (40.0, 6.1)],
            envelope: Shape::Mains(&[(2, 1.0)]),
        }],
        main_hz: 68e3,
    },
    Load {
        name: "e-bike charger",
        slug: "e-bike-charger",
        about: "switches at 47 kHz, wandering by up to 0.3 kHz, with the third multiple at 141 kHz",
        sounds: &[Sound::Switching {
            frequency_hz: 47e3,
            multiples: &[(1, 4e-3), (3, 0.6e-3)],
            wander: &[(200.0, 0.9), (100.0, 3.7)],
            envelope: Shape::Mains(&[(2, 0.1)]),
        }],
        main_hz: 47e3,
    },
    Load {
        name: "laptop adapter",
        slug: "laptop-adapter",
        about: "sends bursts of 113 kHz, 2.4 ms long, at the crests of the mains and rests in between",
        sounds: &[Sound::Switching {
            frequency_hz: 113e3,
            multiples: &[(1, 1e-3)],
            wander: &[(150.0, 2.3)],
            envelope: Shape::Crests(2.4e-3),
        }],
        main_hz: 113e3,
    },
    Load {
        name: "heat-pump fan",
        slug: "heat-pump-fan",
        about: "an inverter at 16 kHz and 32 kHz with sidebands at multiples of the mains, and a ring of 6 kHz at \
                each commutation, twice in a cycle of the mains",
        sounds: &[
            Sound::Switching {
                frequency_hz: 16e3,
                multiples: &[(1, 4e-3), (2, 0.5e-3)],
                wander: &[(5.0, 1.1)],
                envelope: Shape::Mains(&[(2, 0.3), (6, 0.15)]),
            },
            Sound::Commutation {
                ring: Ring { amplitude: 6e-3, frequency_hz: 6e3, decay_s: 3e-4, rise_s: 5e-5 },
                angle_rad: 0.6,
            },
        ],
        main_hz: 16e3,
    },
];

/// The neighbour's solar inverter: on the wire in every capture.
pub(super) const SOLAR: Sound = Sound::Switching {
    frequency_hz: 17.5e3,
    multiples: &[(1, 2e-3)],
    wander: &[(10.0, 0.7)],
    envelope: Shape::Mains(&[(2, 0.2)]),
};

/// Meter signalling: on the wire through the whole of replicate [`TELEGRAM_REPLICATE`] of every case.
pub(super) const METER: Sound = Sound::Keyed { frequencies_hz: [59e3, 63e3], rms: 0.8e-3, bit_s: 10e-3 };

/// The replicate that falls into a telegram of the meters.
pub const TELEGRAM_REPLICATE: u32 = 2;
/// Captures of every case.
pub const REPLICATES: u32 = 3;

/// Two long-wave stations, in the air only; volts are those at the antenna.
pub(super) const STATIONS: [Sound; 2] = [
    Sound::Switching {
        frequency_hz: 120e3,
        multiples: &[(1, 80e-6)],
        wander: &[],
        envelope: Shape::Audio(&[(400.0, 0.4), (1_000.0, 0.3)]),
    },
    Sound::Keyed { frequencies_hz: [137.95e3, 138.05e3], rms: 50e-6, bit_s: 10e-3 },
];
