//! Pairs of records with a known answer, from samples to intervals.
//!
//! Every record is made sample by sample and goes through the same segments, window and mains periods as a capture,
//! so that neighbouring periods share samples through the window as they do in use. A low rate and one band of 2 kHz
//! keep thousands of pairs within minutes.

use std::ops::Range;

use linewake::compare::before_after::{Pair as BeforeAfter, Verdict, compare};
use linewake::compare::difference::{Background, FAMILY_ERROR, difference, difference_above};
use linewake::compare::side::Side;
use linewake::dsp::segment::segment_length;
use linewake::dsp::window::{Taper, Window};
use linewake::measure::periods::{PeriodPowers, of_channel};
use linewake::spread;
use linewake::synth::{Random, Source, Tone, WhiteNoise};
use linewake::uncertainty::{Character, Estimate};
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
pub(crate) enum Load {
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
pub(crate) const LOADS: &[Load] = &[
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
    pub(crate) fn name(self) -> &'static str {
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

    /// Adds the load to samples; says how many bursts they hold where it comes in bursts.
    fn add_to(self, samples: &mut [f64], random: &mut Random) -> Option<usize> {
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
                let mut bursts = 0;
                for start in (0..samples.len()).step_by(PERIOD) {
                    if random.uniform() < share {
                        let from = start + (random.uniform() * (PERIOD - length) as f64) as usize;
                        let end = (from + length).min(samples.len());
                        if from < end {
                            bursts += usize::from(end + PERIOD <= samples.len());
                            WhiteNoise { density: 100.0 * white.density }.add_to(
                                &mut samples[from..end],
                                RATE_HZ,
                                random,
                            );
                        }
                    }
                }
                return Some(bursts);
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
        None
    }
}

/// One record's band powers, and by how much its own mean power differs from that of all such records.
struct Record {
    periods: Array2<f64>,
    factor: f64,
    /// How many bursts the load made; `None` where it is always on.
    bursts: Option<usize>,
}

/// A record of the background, with the load at so much of its amplitude where there is one.
fn record(load: Load, gain: Option<f64>, periods: usize, random: &mut Random) -> Record {
    let rate = Hertz::new(RATE_HZ).expect("a constant above zero");
    let band = Band::new(BAND_HZ.0, BAND_HZ.1).expect("constants that rise");
    let window = Window::default();
    let length = segment_length(&window, rate, Hertz::new(200.0).expect("a constant above zero"));
    let mut samples = vec![0.0; periods * PERIOD + length];
    let background = WhiteNoise { density: load.background() / band.width() };
    background.add_to(&mut samples, RATE_HZ, random);
    let (mut factor, mut bursts) = (1.0, None);
    if let Some(gain) = gain {
        let mut added = vec![0.0; samples.len()];
        bursts = load.add_to(&mut added, random);
        for (sample, added) in samples.iter_mut().zip(added) {
            *sample += gain * added;
        }
        if load == Load::Drift {
            factor = drift(&mut samples, periods, random);
        }
    }
    let mut powers = PeriodPowers::new(rate, Taper::new(&window, length), PERIOD as f64, 1, &[band], |_, _| 1.0);
    powers.push(&[&samples]);
    let powers = of_channel(&powers.finish(), 0);
    assert_eq!(powers.nrows(), periods, "the samples hold so many periods");
    Record { periods: powers, factor, bursts }
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
pub(crate) struct Tally {
    /// Pairs whose interval held the truth, of those that gave one.
    pub(crate) covered: usize,
    /// Pairs that gave an interval with at least one end.
    pub(crate) judged: usize,
    /// All pairs whose records hold at least one burst of a load that comes in bursts.
    pub(crate) pairs: usize,
    /// The median width over that of a normal interval of known variance.
    pub(crate) width: f64,
}

/// One interval beside the truth.
struct Trial {
    interval: Option<[f64; 2]>,
    estimate: f64,
    truth: f64,
    /// Whether the records hold anything of the load.
    holds: bool,
}

impl Tally {
    /// The share of intervals that hold the truth.
    pub(crate) fn coverage(&self) -> f64 {
        self.covered as f64 / self.judged as f64
    }

    fn of(trials: &[Trial]) -> Self {
        let square: f64 = trials.iter().map(|trial| (trial.estimate - trial.truth).powi(2)).sum();
        let ideal = 2.0 * 1.959_964 * (square / trials.len() as f64).sqrt();
        let seen: Vec<&Trial> = trials.iter().filter(|trial| trial.holds).collect();
        let judged: Vec<([f64; 2], f64)> = seen
            .iter()
            .filter_map(|trial| Some((trial.interval?, trial.truth)))
            .filter(|(ends, _)| ends.iter().any(|end| end.is_finite()))
            .collect();
        let covered = judged.iter().filter(|(ends, truth)| (ends[0]..=ends[1]).contains(truth)).count();
        let mut widths: Vec<f64> = judged.iter().map(|(ends, _)| ends[1] - ends[0]).collect();
        widths.sort_by(f64::total_cmp);
        let width = widths.get(widths.len() / 2).map_or(f64::NAN, |width| width / ideal);
        Self { covered, judged: judged.len(), pairs: seen.len(), width }
    }
}

/// What many pairs of one kind gave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outcome {
    /// The change by the filter, in decibels.
    pub(crate) change: Tally,
    /// What the load adds, as power.
    pub(crate) added: Tally,
    /// The change of what the load adds, in decibels, where the line under it falls as well and was taken on both
    /// sides of the filter; `None` for a load whose drift takes the line along.
    pub(crate) load: Option<Tally>,
    /// The same where the line under it stays, taken once with the load off.
    pub(crate) load_alone: Option<Tally>,
    /// Records with one to four bursts.
    pub(crate) few: usize,
    /// How many of those were recognised.
    pub(crate) recognised: usize,
}

/// What one pair of records gave.
struct Pair {
    off: Estimate,
    off_after: Estimate,
    before: (Estimate, f64),
    after: (Estimate, f64),
    after_alone: Estimate,
    bursts: [Option<usize>; 3],
    recognised: bool,
}

/// Simulates pairs of records of so many mains periods.
///
/// Background alone is `off`; background and load are `on` and `before`; the same, made anew and 6 dB lower, is
/// `after`, and the background alone so low `off_after`. The true powers are the means over all pairs, in which chance
/// is a hundredth of that of one pair. Each number of `pairs` is a seed.
pub(crate) fn outcome(load: Load, periods: usize, pairs: Range<u64>) -> Outcome {
    let simulated = spread::map(pairs.collect(), |number| pair(load, periods, number));
    let count = simulated.len() as f64;
    let off_truth = simulated.iter().map(|pair| pair.off.mean).sum::<f64>() / count;
    let on_sum: f64 = simulated.iter().map(|pair| pair.before.0.mean + pair.after.0.mean / FILTER.powi(2)).sum();
    let on_truth = on_sum / simulated.iter().map(|pair| pair.before.1 + pair.after.1).sum::<f64>();
    let decibels = |ratio: f64| 10.0 * ratio.log10();
    let holds = |bursts: Option<usize>| bursts != Some(0);
    let change = |pair: &Pair| Trial {
        interval: difference(&pair.before.0, &pair.after.0).interval_db,
        estimate: decibels(pair.after.0.mean / pair.before.0.mean),
        truth: decibels(FILTER.powi(2) * pair.after.1 / pair.before.1),
        holds: pair.bursts[..2].iter().copied().all(holds),
    };
    let above = |background: Background, pair: &Pair, after: &Estimate, bursts: [Option<usize>; 2]| {
        let found = difference_above(&background, &pair.before.0, after);
        let truth = decibels(FILTER.powi(2));
        Trial {
            interval: found.interval_db,
            estimate: found.change_db.unwrap_or(truth),
            truth,
            holds: bursts.into_iter().all(holds),
        }
    };
    let load_change = |pair: &Pair| {
        let background = Background::Own { from: pair.off, to: pair.off_after };
        above(background, pair, &pair.after.0, [pair.bursts[0], pair.bursts[1]])
    };
    let alone =
        |pair: &Pair| above(Background::Same(pair.off), pair, &pair.after_alone, [pair.bursts[0], pair.bursts[2]]);
    let of_load = |trial: &dyn Fn(&Pair) -> Trial| {
        (load != Load::Drift).then(|| Tally::of(&simulated.iter().map(trial).collect::<Vec<_>>()))
    };
    let added = |pair: &Pair| Trial {
        interval: difference(&pair.off, &pair.before.0).interval_power,
        estimate: pair.before.0.mean - pair.off.mean,
        truth: on_truth * pair.before.1 - off_truth,
        holds: holds(pair.bursts[0]),
    };
    let few: Vec<&Pair> =
        simulated.iter().filter(|pair| pair.bursts[0].is_some_and(|bursts| (1..5).contains(&bursts))).collect();
    Outcome {
        change: Tally::of(&simulated.iter().map(change).collect::<Vec<_>>()),
        added: Tally::of(&simulated.iter().map(added).collect::<Vec<_>>()),
        load: of_load(&load_change),
        load_alone: of_load(&alone),
        few: few.len(),
        recognised: few.iter().filter(|pair| pair.recognised).count(),
    }
}

fn pair(load: Load, periods: usize, number: u64) -> Pair {
    let mut random = Random::new(1 + load as u64, number);
    let gains = [None, Some(1.0), Some(1.0), None, Some(FILTER)];
    let [off, before, after, off_after, after_alone] = gains.map(|gain| record(load, gain, periods, &mut random));
    let loud = Character::of_series(&before.periods.iter().copied().collect::<Vec<_>>()).map_or(0, |c| c.loud);
    Pair {
        off: estimate(off.periods),
        before: (estimate(before.periods), before.factor),
        after: (estimate(after.periods * FILTER.powi(2)), after.factor),
        off_after: estimate(off_after.periods * FILTER.powi(2)),
        after_alone: estimate(after_alone.periods),
        bursts: [before.bursts, after.bursts, after_alone.bursts],
        recognised: loud > 0,
    }
}

/// What `compare` makes of one capture.
fn estimate(periods: Array2<f64>) -> Estimate {
    let mut side = Side::default();
    side.push(periods);
    side.power(0).expect("a capture was pushed").0
}

/// The share of cases in which white noise that is stronger by what `smallest_shown` states is shown.
pub(crate) fn power_of_smallest(periods: usize, hypotheses: usize, pairs: Range<u64>) -> f64 {
    let sides = spread::map(pairs.collect(), |number| {
        let mut random = Random::new(101, number);
        [(); 2].map(|()| record(Load::White, Some(1.0), periods, &mut random).periods)
    });
    let judge = |gain: f64| {
        sides
            .iter()
            .map(move |[from, to]| difference(&estimate(from.clone()), &estimate(to * gain)))
            .collect::<Vec<_>>()
    };
    let mean: f64 = sides.iter().map(|[from, _]| from.mean().unwrap_or(0.0)).sum::<f64>() / sides.len() as f64;
    let smallest = judge(1.0).iter().filter_map(|d| d.smallest_shown(hypotheses)).sum::<f64>() / sides.len() as f64;
    let shown = judge(1.0 + smallest / mean);
    let shown = shown.iter().filter(|d| d.probability <= FAMILY_ERROR / hypotheses as f64).count();
    shown as f64 / sides.len() as f64
}

/// Tables of 74 bands of 2 kHz and one of 20 kHz from records of one second, white noise with or without bursts:
/// the share that claims a change where there is none, and the share that shows 1 dB in the wide band.
pub(crate) fn tables(bursts: bool, tables: Range<u64>) -> (f64, f64) {
    let rate = Hertz::new(320e3).expect("a constant above zero");
    let period = 6400;
    let window = Window::default();
    let length = segment_length(&window, rate, Hertz::new(200.0).expect("a constant above zero"));
    let edges = (0..74).map(|k| (2e3 + 2e3 * f64::from(k), 4e3 + 2e3 * f64::from(k))).chain([(20e3, 40e3)]);
    let bands: Vec<Band> = edges.filter_map(|(low, high)| Band::new(low, high).ok()).collect();
    let side = |random: &mut Random, gain: f64| {
        let mut samples = vec![0.0; 50 * period + length];
        WhiteNoise { density: 1.0 }.add_to(&mut samples, rate.get(), random);
        for burst in samples.chunks_mut(period).filter(|_| bursts) {
            if random.uniform() < 0.1 {
                let end = burst.len().min(period / 4);
                WhiteNoise { density: 100.0 }.add_to(&mut burst[..end], rate.get(), random);
            }
        }
        let mut powers = PeriodPowers::new(rate, Taper::new(&window, length), period as f64, 1, &bands, |_, _| gain);
        powers.push(&[&samples]);
        let mut side = Side::default();
        side.push(of_channel(&powers.finish(), 0));
        side
    };
    let outcomes = spread::map(tables.collect(), |number| {
        let claims = |gain: f64| {
            let mut random = Random::new(201 + u64::from(bursts), number);
            let pair = BeforeAfter {
                before: side(&mut random, 1.0),
                after: side(&mut random, gain),
                ..BeforeAfter::default()
            };
            compare(&[pair], &bands).remove(0).into_iter().map(|row| row.verdict != Verdict::NoChangeShown).collect()
        };
        let (none, one_decibel): (Vec<bool>, Vec<bool>) = (claims(1.0), claims(10f64.powf(0.1)));
        (none.contains(&true), one_decibel[74])
    });
    let share = |which: fn(&(bool, bool)) -> bool| {
        outcomes.iter().filter(|outcome| which(outcome)).count() as f64 / outcomes.len() as f64
    };
    (share(|outcome| outcome.0), share(|outcome| outcome.1))
}
