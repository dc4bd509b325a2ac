//! Pairs of records with a known answer, from samples to intervals.
//!
//! Every record is made sample by sample and goes through the same segments, window and mains periods as a capture,
//! so that neighbouring periods share samples through the window as they do in use. A low rate and one band of 2 kHz
//! keep thousands of pairs within minutes.

use linewake::compare::difference::difference;
use linewake::compare::side::Side;
use linewake::dsp::segment::segment_length;
use linewake::dsp::window::{Taper, Window};
use linewake::measure::periods::{PeriodPowers, of_channel};
use linewake::spread;
use linewake::synth::{Random, Source, Tone, WhiteNoise};
use linewake::units::{Band, Hertz};
use ndarray::Array2;

const RATE_HZ: f64 = 12.8e3;
/// One period of 50 Hz.
const PERIOD: usize = 256;
const BAND_HZ: (f64, f64) = (2e3, 4e3);
/// What the filter does to the amplitude: 6 dB less.
const FILTER: f64 = 0.5;

/// What the load puts on the line, beside a steady white background.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Load {
    White,
    Coloured,
    Tones,
    TonesInNoise,
    TwiceMains,
    Bursts,
    RareBursts,
    Drift,
    Wander,
}

/// All loads, in the order of the table.
pub const LOADS: &[Load] = &[
    Load::White,
    Load::Coloured,
    Load::Tones,
    Load::TonesInNoise,
    Load::TwiceMains,
    Load::Bursts,
    Load::RareBursts,
    Load::Drift,
    Load::Wander,
];

impl Load {
    /// The words of the table.
    pub fn name(self) -> &'static str {
        match self {
            Load::White => "white noise",
            Load::Coloured => "coloured noise",
            Load::Tones => "tones, 60 dB above the noise",
            Load::TonesInNoise => "tones in noise",
            Load::TwiceMains => "noise modulated at twice mains",
            Load::Bursts => "bursts in 10 % of periods",
            Load::RareBursts => "bursts in 3 % of periods",
            Load::Drift => "slow drift, up to 2 dB",
            Load::Wander => "level wandering over 5 periods",
        }
    }

    /// Mean square of the background in the band; that of the load is about 1.
    fn background(self) -> f64 {
        if self == Load::Tones { 1e-6 } else { 1.0 }
    }

    /// Adds the load to samples.
    fn add_to(self, samples: &mut [f64], random: &mut Random) {
        let white = WhiteNoise { density: 1.0 / (BAND_HZ.1 - BAND_HZ.0) };
        match self {
            Load::White | Load::Drift => white.add_to(samples, RATE_HZ, random),
            Load::Coloured => {
                // A first-order process: 9.5 dB from the lower to the upper edge of its spectrum.
                let mut value = 0.0;
                for sample in samples {
                    value = 0.7 * value + 1.6 * random.normal();
                    *sample += value;
                }
            }
            Load::Tones | Load::TonesInNoise => {
                for frequency_hz in [2507.0, 3501.0] {
                    let tone = Tone { frequency_hz, rms: 0.5f64.sqrt(), phase_rad: random.phase() };
                    tone.add_to(samples, RATE_HZ);
                }
            }
            Load::TwiceMains => {
                let mut noise = vec![0.0; samples.len()];
                white.add_to(&mut noise, RATE_HZ, random);
                let shift = random.phase();
                for (k, (sample, noise)) in samples.iter_mut().zip(noise).enumerate() {
                    let phase = std::f64::consts::TAU * 2.0 * k as f64 / PERIOD as f64;
                    *sample += noise * (1.0 + (phase + shift).cos());
                }
            }
            Load::Bursts | Load::RareBursts => {
                let share = if self == Load::Bursts { 0.1 } else { 0.03 };
                // A quarter of a period long, 20 dB above the background.
                let length = PERIOD / 4;
                for start in (0..samples.len()).step_by(PERIOD) {
                    if random.uniform() < share {
                        let from = start + (random.uniform() * (PERIOD - length) as f64) as usize;
                        let end = (from + length).min(samples.len());
                        if from < end {
                            WhiteNoise { density: 100.0 * white.density }.add_to(
                                &mut samples[from..end],
                                RATE_HZ,
                                random,
                            );
                        }
                    }
                }
            }
            Load::Wander => {
                let keep = (-1.0f64 / 5.0).exp();
                let mut level_db = random.normal();
                for period in samples.chunks_mut(PERIOD) {
                    level_db = keep * level_db + (1.0 - keep * keep).sqrt() * random.normal();
                    let density = white.density * 10f64.powf(level_db / 10.0);
                    WhiteNoise { density }.add_to(period, RATE_HZ, random);
                }
            }
        }
    }
}

/// One record's band powers, and by how much its own mean power differs from that of all such records.
struct Record {
    periods: Array2<f64>,
    factor: f64,
}

/// A record of the background, with the load where there is one.
fn record(load: Load, on: bool, periods: usize, random: &mut Random) -> Record {
    let rate = Hertz::new(RATE_HZ).expect("a constant above zero");
    let band = Band::new(BAND_HZ.0, BAND_HZ.1).expect("constants that rise");
    let window = Window::default();
    let length = segment_length(&window, rate, Hertz::new(200.0).expect("a constant above zero"));
    let mut samples = vec![0.0; periods * PERIOD + length];
    let background = WhiteNoise { density: load.background() / band.width() };
    background.add_to(&mut samples, RATE_HZ, random);
    let mut factor = 1.0;
    if on {
        load.add_to(&mut samples, random);
        if load == Load::Drift {
            factor = drift(&mut samples, periods, random);
        }
    }
    let mut powers = PeriodPowers::new(rate, Taper::new(&window, length), PERIOD as f64, 1, &[band], |_| 1.0);
    powers.push(&[&samples]);
    let powers = of_channel(&powers.finish(), 0);
    assert_eq!(powers.nrows(), periods, "the samples hold so many periods");
    Record { periods: powers, factor }
}

/// A level that rises or falls evenly through the record, by up to 2 dB.
fn drift(samples: &mut [f64], periods: usize, random: &mut Random) -> f64 {
    let total_db = random.between(-2.0, 2.0);
    let end = (periods * PERIOD) as f64;
    let mut sum = 0.0;
    for (k, sample) in samples.iter_mut().enumerate() {
        let power = 10f64.powf(total_db * (k as f64 / end - 0.5) / 10.0);
        *sample *= power.sqrt();
        if (k as f64) < end {
            sum += power;
        }
    }
    sum / end
}

/// How the intervals of many pairs did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tally {
    /// Pairs whose interval held the truth, of those that gave one.
    pub covered: usize,
    /// Pairs that gave an interval with at least one end.
    pub judged: usize,
    /// All pairs.
    pub pairs: usize,
    /// The median width over that of a normal interval of known variance.
    pub width: f64,
}

impl Tally {
    /// The share of intervals that hold the truth.
    pub fn coverage(&self) -> f64 {
        self.covered as f64 / self.judged as f64
    }

    fn of(intervals: &[Option<[f64; 2]>], estimates: &[f64], truths: &[f64]) -> Self {
        let given: Vec<(usize, [f64; 2])> = intervals
            .iter()
            .enumerate()
            .filter_map(|(k, ends)| Some((k, (*ends)?)))
            .filter(|(_, ends)| ends.iter().any(|end| end.is_finite()))
            .collect();
        let covered = given.iter().filter(|(k, ends)| (ends[0]..=ends[1]).contains(&truths[*k])).count();
        let mut widths: Vec<f64> = given.iter().map(|(_, ends)| ends[1] - ends[0]).collect();
        widths.sort_by(f64::total_cmp);
        let count = truths.len() as f64;
        let scatter = estimates.iter().zip(truths).map(|(x, truth)| (x - truth).powi(2)).sum::<f64>() / count;
        let width = widths.get(widths.len() / 2).map_or(f64::NAN, |width| width / (2.0 * 1.959_964 * scatter.sqrt()));
        Self { covered, judged: given.len(), pairs: truths.len(), width }
    }
}

/// What many pairs of one kind gave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// The change by the filter, in decibels.
    pub change: Tally,
    /// What the load adds, as power.
    pub added: Tally,
}

/// Simulates pairs of records of so many mains periods.
///
/// Background alone is `off`; background and load are `on` and `before`; the same, made anew and 6 dB lower, is
/// `after`. The true powers are the means over all pairs, in which chance is a hundredth of that of one pair.
pub fn outcome(load: Load, periods: usize, pairs: usize) -> Outcome {
    let numbers: Vec<u64> = (0..pairs as u64).collect();
    let simulated = spread::map(numbers, |number| {
        let mut random = Random::new(1 + load as u64, number);
        let [off, before, after] = [false, true, true].map(|on| record(load, on, periods, &mut random));
        let side = |record: &Record, gain: f64| {
            let mut side = Side::default();
            side.push(&record.periods * gain);
            side.power(0).expect("a capture was pushed").0
        };
        let (off, on) = (side(&off, 1.0), (side(&before, 1.0), before.factor));
        let after = (side(&after, FILTER * FILTER), after.factor);
        let changed = difference(&on.0, &after.0);
        let added = difference(&off, &on.0);
        (off.mean, (on.0.mean, on.1), (after.0.mean, after.1), changed, added)
    });
    let count = pairs as f64;
    let off_truth = simulated.iter().map(|s| s.0).sum::<f64>() / count;
    let on_sum: f64 = simulated.iter().map(|s| s.1.0 + s.2.0 / (FILTER * FILTER)).sum();
    let on_truth = on_sum / simulated.iter().map(|s| s.1.1 + s.2.1).sum::<f64>();
    let decibels = |ratio: f64| 10.0 * ratio.log10();
    let change_truths: Vec<f64> = simulated.iter().map(|s| decibels(FILTER * FILTER * s.2.1 / s.1.1)).collect();
    let added_truths: Vec<f64> = simulated.iter().map(|s| on_truth * s.1.1 - off_truth).collect();
    Outcome {
        change: Tally::of(
            &simulated.iter().map(|s| s.3.interval_db).collect::<Vec<_>>(),
            &simulated.iter().map(|s| decibels(s.2.0 / s.1.0)).collect::<Vec<_>>(),
            &change_truths,
        ),
        added: Tally::of(
            &simulated.iter().map(|s| s.4.interval_power).collect::<Vec<_>>(),
            &simulated.iter().map(|s| s.1.0 - s.0).collect::<Vec<_>>(),
            &added_truths,
        ),
    }
}
