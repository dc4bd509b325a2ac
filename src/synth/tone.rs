//! Tones: pure, modulated, keyed, and the harmonics of the mains.

use std::f64::consts::TAU;

use super::{Source, sine_of_cycles, time_s};
use crate::units::Band;

/// A sine: rms · √2 · sin(2πft + φ).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// The frequency in hertz.
    pub frequency_hz: f64,
    /// The RMS value, in the unit of the buffer.
    pub rms: f64,
    /// The phase φ at the first sample, in radians.
    pub phase_rad: f64,
}

impl Source for Tone {
    fn frequency_hz(&self) -> f64 {
        self.frequency_hz
    }

    fn add_to(&self, samples: &mut [f64], rate_hz: f64) {
        let amplitude = self.rms * 2.0_f64.sqrt();
        for (index, sample) in samples.iter_mut().enumerate() {
            *sample += amplitude * sine_of_cycles(self.frequency_hz * time_s(index, rate_hz) + self.phase_rad / TAU);
        }
    }

    fn power_in(&self, band: Band) -> f64 {
        if band.contains(self.frequency_hz) { self.rms * self.rms } else { 0.0 }
    }
}

/// A slow swing of a frequency: deviation · cos(2π · rate · t + φ).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Swing {
    /// How far it swings to either side, in hertz.
    pub deviation_hz: f64,
    /// How often it swings, in hertz; above zero.
    pub rate_hz: f64,
    /// The phase φ at the first sample, in radians.
    pub phase_rad: f64,
}

/// The envelope of a modulated tone, scaled so that its mean square is one.
#[derive(Debug, Clone, PartialEq)]
pub enum Envelope {
    /// Always one.
    Steady,
    /// 1 + Σ depth · cos(2πft + φ), with depths that keep it from turning negative.
    Cosines(
        /// Each term is a frequency in hertz, a depth and a phase in radians; the frequencies all differ.
        Vec<(f64, f64, f64)>,
    ),
    /// A burst of the shape cos² that comes back; nothing in between.
    Bursts {
        /// Bursts a second.
        repeat_hz: f64,
        /// The length of a burst in seconds, from nothing to nothing.
        width_s: f64,
        /// The middle of one burst, in seconds.
        centre_s: f64,
    },
}

impl Envelope {
    /// The value at a time.
    pub fn at(&self, time_s: f64) -> f64 {
        match self {
            Envelope::Steady => 1.0,
            Envelope::Cosines(terms) => {
                let wave =
                    |(f, depth, phase): &(f64, f64, f64)| depth * sine_of_cycles(f * time_s + phase / TAU + 0.25);
                (1.0 + terms.iter().map(wave).sum::<f64>()) / cosine_mean_square(terms).sqrt()
            }
            Envelope::Bursts { repeat_hz, width_s, centre_s } => {
                let cycles = (time_s - centre_s) * repeat_hz;
                let distance_s = (cycles - cycles.round()) / repeat_hz;
                if 2.0 * distance_s.abs() >= *width_s {
                    return 0.0;
                }
                let cosine = sine_of_cycles(distance_s / (2.0 * width_s) + 0.25);
                cosine * cosine / (3.0 / 8.0 * width_s * repeat_hz).sqrt()
            }
        }
    }

    /// The lines that it makes of a tone: distance from the tone in hertz and share of the power, together one.
    fn lines(&self) -> Vec<(f64, f64)> {
        match self {
            Envelope::Steady => vec![(0.0, 1.0)],
            Envelope::Cosines(terms) => {
                let whole = cosine_mean_square(terms);
                let sides = terms.iter().flat_map(|&(f, depth, _)| [-f, f].map(|f| (f, depth * depth / 4.0 / whole)));
                std::iter::once((0.0, 1.0 / whole)).chain(sides).collect()
            }
            Envelope::Bursts { repeat_hz, width_s, .. } => {
                let duty = width_s * repeat_hz;
                // The Fourier series of repeated cos² pulses; its terms fall with the cube of the number, so
                // that the lines beyond sixty-four widths hold less than 1e-11 of the power.
                let line = |order: i32| {
                    let x = f64::from(order) * duty;
                    let term = duty / 2.0 * (sinc(x) + (sinc(x - 1.0) + sinc(x + 1.0)) / 2.0);
                    (f64::from(order) * repeat_hz, term * term / (3.0 / 8.0 * duty))
                };
                let reach = (1..).take_while(|&order| f64::from(order) * duty < 64.0).last().unwrap_or(1);
                (-reach..=reach).map(line).collect()
            }
        }
    }
}

/// The mean square of 1 + Σ depth · cos.
fn cosine_mean_square(terms: &[(f64, f64, f64)]) -> f64 {
    1.0 + terms.iter().map(|(_, depth, _)| depth * depth / 2.0).sum::<f64>()
}

/// sin(πx)/(πx).
fn sinc(x: f64) -> f64 {
    let angle = std::f64::consts::PI * x;
    if angle == 0.0 { 1.0 } else { libm::sin(angle) / angle }
}

/// A tone under an envelope, with a frequency that may swing.
///
/// The mean square is rms² whatever envelope and swings are, the envelope being scaled. [`Source::power_in`]
/// places the lines of the envelope exactly, and the swings at their middle: it holds where no line comes
/// nearer to an edge than the sum of the deviations.
#[derive(Debug, Clone, PartialEq)]
pub struct ModulatedTone {
    /// The tone without envelope and swings.
    pub tone: Tone,
    /// The swings of its frequency.
    pub swings: Vec<Swing>,
    /// Its envelope.
    pub envelope: Envelope,
}

impl ModulatedTone {
    /// The phase in cycles at a time: the integral of the swinging frequency.
    fn cycles(&self, time_s: f64) -> f64 {
        let swing =
            |s: &Swing| s.deviation_hz / s.rate_hz / TAU * sine_of_cycles(s.rate_hz * time_s + s.phase_rad / TAU);
        self.tone.frequency_hz * time_s + self.tone.phase_rad / TAU + self.swings.iter().map(swing).sum::<f64>()
    }
}

impl Source for ModulatedTone {
    fn frequency_hz(&self) -> f64 {
        self.tone.frequency_hz
    }

    fn add_to(&self, samples: &mut [f64], rate_hz: f64) {
        let amplitude = self.tone.rms * 2.0_f64.sqrt();
        for (index, sample) in samples.iter_mut().enumerate() {
            let t = time_s(index, rate_hz);
            let envelope = self.envelope.at(t);
            if envelope != 0.0 {
                *sample += amplitude * envelope * sine_of_cycles(self.cycles(t));
            }
        }
    }

    fn power_in(&self, band: Band) -> f64 {
        let within = |(distance, _): &(f64, f64)| band.contains(self.tone.frequency_hz + distance);
        let share: f64 = self.envelope.lines().iter().filter(|line| within(line)).map(|(_, share)| share).sum();
        self.tone.rms * self.tone.rms * share
    }
}

/// A signal that sends bits as one of two frequencies, its phase unbroken.
///
/// Adding it to samples panics when a bit is shorter than a sample.
///
/// The mean square is rms². [`Source::power_in`] gives each frequency half of it; the keying spreads a part
/// of it around them that falls with the fourth power of the distance (frequency keying without a break of
/// phase): a band edge two shifts away sees less than 1e-4 of it.
#[derive(Debug, Clone, PartialEq)]
pub struct KeyedTone {
    /// The frequencies of a zero and of a one, in hertz.
    pub frequencies_hz: [f64; 2],
    /// The RMS value, in the unit of the buffer.
    pub rms: f64,
    /// The length of a bit in seconds; at least that of a sample.
    pub bit_s: f64,
    /// How much of the first bit has passed at the first sample, in seconds.
    pub passed_s: f64,
    /// The phase at the first sample, in radians.
    pub phase_rad: f64,
    /// The bits, sent over and over; none at all is a row of zeros.
    pub bits: Vec<bool>,
}

impl Source for KeyedTone {
    fn frequency_hz(&self) -> f64 {
        (self.frequencies_hz[0] + self.frequencies_hz[1]) / 2.0
    }

    fn add_to(&self, samples: &mut [f64], rate_hz: f64) {
        // Shorter bits would not end, or never get on.
        assert!(self.bit_s * rate_hz >= 1.0, "a bit of {} s is shorter than a sample", self.bit_s);
        let amplitude = self.rms * 2.0_f64.sqrt();
        let (mut cycles, mut left_s) = (self.phase_rad / TAU, self.bit_s - self.passed_s);
        let mut bits = self.bits.iter().cycle();
        let mut frequency = self.frequency_of(bits.next());
        for sample in samples {
            *sample += amplitude * sine_of_cycles(cycles);
            let mut step_s = 1.0 / rate_hz;
            while left_s <= step_s {
                cycles += left_s * frequency;
                step_s -= left_s;
                left_s = self.bit_s;
                frequency = self.frequency_of(bits.next());
            }
            left_s -= step_s;
            cycles += step_s * frequency;
            cycles -= cycles.trunc();
        }
    }

    fn power_in(&self, band: Band) -> f64 {
        let halves = self.frequencies_hz.iter().filter(|f| band.contains(**f)).map(|_| 0.5);
        self.rms * self.rms * halves.sum::<f64>()
    }
}

impl KeyedTone {
    fn frequency_of(&self, bit: Option<&bool>) -> f64 {
        self.frequencies_hz[usize::from(bit.copied().unwrap_or(false))]
    }
}

/// One harmonic of the mains.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Harmonic {
    /// 1 is the fundamental.
    pub order: u32,
    /// The RMS value, in the unit of the buffer.
    pub rms: f64,
    /// The phase in radians, counted in cycles of the harmonic from the rising zero of the fundamental.
    pub phase_rad: f64,
}

/// The mains: a fundamental and its harmonics.
#[derive(Debug, Clone, PartialEq)]
pub struct MainsWave {
    /// The frequency of the fundamental in hertz.
    pub fundamental_hz: f64,
    /// The phase of the fundamental at the first sample, in radians; zero is its rising zero crossing.
    pub phase_rad: f64,
    /// The harmonics, orders all different.
    pub harmonics: Vec<Harmonic>,
}

impl MainsWave {
    fn tones(&self) -> impl Iterator<Item = Tone> + '_ {
        self.harmonics.iter().map(|harmonic| {
            let order = f64::from(harmonic.order);
            Tone {
                frequency_hz: order * self.fundamental_hz,
                rms: harmonic.rms,
                phase_rad: order * self.phase_rad + harmonic.phase_rad,
            }
        })
    }
}

impl Source for MainsWave {
    fn frequency_hz(&self) -> f64 {
        self.fundamental_hz
    }

    fn add_to(&self, samples: &mut [f64], rate_hz: f64) {
        self.tones().for_each(|tone| tone.add_to(samples, rate_hz));
    }

    fn power_in(&self, band: Band) -> f64 {
        self.tones().map(|tone| tone.power_in(band)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 500e3;

    fn mean_square(source: &impl Source) -> f64 {
        let mut samples = vec![0.0; 50_000];
        source.add_to(&mut samples, RATE);
        samples.iter().map(|v| v * v).sum::<f64>() / 50_000.0
    }

    fn everything() -> Band {
        Band::new(0.0, RATE / 2.0).unwrap()
    }

    fn modulated(envelope: Envelope) -> ModulatedTone {
        ModulatedTone { tone: Tone { frequency_hz: 70e3, rms: 2.0, phase_rad: 0.5 }, swings: Vec::new(), envelope }
    }

    #[test]
    fn every_mean_square_is_the_stated_one() {
        let swings = vec![Swing { deviation_hz: 200.0, rate_hz: 10.0, phase_rad: 1.0 }];
        let sources: [(&str, Box<dyn Source>); 6] = [
            ("tone", Box::new(Tone { frequency_hz: 20e3, rms: 2.0, phase_rad: 1.0 })),
            ("swinging", Box::new(ModulatedTone { swings, ..modulated(Envelope::Steady) })),
            ("cosines", Box::new(modulated(Envelope::Cosines(vec![(100.0, 0.5, 0.3), (200.0, 0.2, 2.0)])))),
            ("bursts", Box::new(modulated(Envelope::Bursts { repeat_hz: 100.0, width_s: 2e-3, centre_s: 1e-3 }))),
            (
                "keyed",
                Box::new(KeyedTone {
                    frequencies_hz: [59e3, 63e3],
                    rms: 2.0,
                    bit_s: 5e-3,
                    passed_s: 1e-3,
                    phase_rad: 0.2,
                    bits: vec![true, false, false, true, true],
                }),
            ),
            (
                "mains",
                Box::new(MainsWave {
                    fundamental_hz: 50.0,
                    phase_rad: 1.0,
                    harmonics: vec![
                        Harmonic { order: 1, rms: 1.9, phase_rad: 0.0 },
                        Harmonic { order: 5, rms: (4.0_f64 - 1.9 * 1.9).sqrt(), phase_rad: 0.7 },
                    ],
                }),
            ),
        ];
        for (name, source) in &sources {
            let mut samples = vec![0.0; 50_000];
            source.add_to(&mut samples, RATE);
            let found = samples.iter().map(|v| v * v).sum::<f64>() / 50_000.0;
            assert!((found - 4.0).abs() < 1e-3, "{name}: {found}");
            assert!((source.power_in(everything()) - 4.0).abs() < 1e-9, "{name}");
        }
    }

    #[test]
    fn the_lines_of_an_envelope_are_where_the_samples_have_them() {
        let envelopes = [
            Envelope::Cosines(vec![(100.0, 0.5, 0.3), (200.0, 0.2, 2.0)]),
            Envelope::Bursts { repeat_hz: 100.0, width_s: 2e-3, centre_s: 1e-3 },
        ];
        for envelope in envelopes {
            let source = modulated(envelope);
            let mut samples = vec![0.0; 50_000];
            source.add_to(&mut samples, RATE);
            // Every line is whole cycles long, so that a plain Fourier sum reads it alone.
            for frequency in [69_800.0, 69_900.0, 70_000.0, 70_200.0, 70_500.0] {
                let (mut re, mut im) = (0.0, 0.0);
                for (index, sample) in samples.iter().enumerate() {
                    let (sine, cosine) = (TAU * frequency * time_s(index, RATE)).sin_cos();
                    re += sample * cosine;
                    im += sample * sine;
                }
                let power = 2.0 * (re * re + im * im) / 50_000.0_f64.powi(2);
                let stated = source.power_in(Band::new(frequency - 50.0, frequency + 50.0).unwrap());
                // The far lines of the bursts that pass zero and come back from below add some 1e-8.
                assert!((power - stated).abs() < 1e-7, "{frequency} Hz: {power} {stated}");
            }
        }
    }

    #[test]
    fn keying_follows_the_bits() {
        let keyed = |bits: Vec<bool>| KeyedTone {
            frequencies_hz: [59e3, 63e3],
            rms: 1.0,
            bit_s: 10e-3,
            passed_s: 0.0,
            phase_rad: 0.0,
            bits,
        };
        let (mut sent, mut plain) = (vec![0.0; 5_000], vec![0.0; 5_000]);
        keyed(vec![true]).add_to(&mut sent, RATE);
        Tone { frequency_hz: 63e3, rms: 1.0, phase_rad: 0.0 }.add_to(&mut plain, RATE);
        assert!(sent.iter().zip(&plain).all(|(a, b)| (a - b).abs() < 1e-8));
        assert!((mean_square(&keyed(vec![true, false])) - 1.0).abs() < 1e-3);
    }
}
