//! Where in the mains cycle is there noise? Mean power by frequency and mains phase: a spectrogram folded on the cycle.
//!
//! Short segments are centred on equally spaced phases of every cycle, and the densities of one phase are averaged over
//! all cycles. What repeats with the mains stands out; what comes and goes by itself evens out. The mean over all phases
//! is Welch's estimate with the same segments.

use ndarray::Array2;

use super::cycles::{Cycles, Stretch};
use super::mains::Mains;
use super::periods::{Weights, weights_of};
use crate::dsp::transform::Transform;
use crate::dsp::window::Taper;
use crate::uncertainty::student_factor;
use crate::units::{Band, Hertz};

/// A loudest phase is claimed wrongly in at most this share of captures, over all phases and bands together.
const CLAIM_ERROR: f64 = 0.05;
/// Stretches of so many cycles, each with its own mains frequency.
const STRETCH_CYCLES: u32 = 10;

/// Accumulates mean densities by mains phase and frequency, in constant memory.
#[derive(Debug)]
pub struct PhaseMap {
    cycles: Cycles,
    fold: Fold,
}

#[derive(Debug)]
struct Fold {
    transform: Transform,
    /// 1/(fs·S2).
    scale: f64,
    columns: usize,
    /// The bins kept, and the power correction of each by channel.
    bins: std::ops::Range<usize>,
    factors: Vec<Vec<f64>>,
    bands: Vec<Vec<Weights>>,
    density: Vec<f64>,
    /// How many segments each column has.
    counts: Vec<u64>,
    channels: Vec<Sums>,
    periods: f64,
    stretches: u64,
    read: u64,
}

#[derive(Debug)]
struct Sums {
    /// Columns by bins.
    density: Array2<f64>,
    /// Bands by columns: the sums of the mean squares, and of their squares.
    power: Array2<f64>,
    power_squared: Array2<f64>,
}

/// How the power of a band moves with the mains phase.
#[derive(Debug, Clone, PartialEq)]
pub struct BandPhase {
    /// The band.
    pub band: Band,
    /// The mean square over the whole cycle.
    pub mean_square: f64,
    /// The mean square at each phase.
    pub columns: Vec<f64>,
    /// The mean square of the loudest column.
    pub largest: f64,
    /// The middle of the loud part in cycles from 0 to 1; where it swells twice in a cycle that of the first half.
    pub loudest: f64,
    /// How much of a cycle the loud part takes: the stretch around the maximum where the power lies above the middle
    /// between maximum and mean. Where it swells twice in a cycle, one of both.
    pub width: f64,
    /// Whether the maximum stands out of the mean by more than chance does, at 5 % over all phases and bands.
    pub is_shown: bool,
    /// Whether it swells twice in a cycle rather than once.
    pub twice: bool,
    /// The share of the ups and downs of the power, segment by segment, that repeats with the mains phase: 0 nothing of
    /// it, 1 all of it. `None` with fewer than two cycles.
    pub lock_share: Option<f64>,
}

/// The map of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelMap {
    /// One-sided densities, corrected: phases by frequencies.
    pub density: Array2<f64>,
    /// The bands.
    pub bands: Vec<BandPhase>,
}

/// What a recording's cycles come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Mapped {
    /// The frequencies of the bins.
    pub frequency_hz: Vec<f64>,
    /// How many mains cycles were folded.
    pub cycles: f64,
    /// How many segments there were.
    pub segments: u64,
    /// The share of the stretches in which the mains frequency was read rather than carried on.
    pub read_share: f64,
    /// The channels.
    pub channels: Vec<ChannelMap>,
}

impl PhaseMap {
    /// Starts with nothing: segments as long as the taper, so many phases in a cycle, bins and bands within the range.
    ///
    /// `corrections` give for each channel the factor on a power at a frequency in hertz; `unsettled` is how many
    /// samples of the recording went before the first one pushed.
    ///
    /// # Panics
    /// When there is no channel or no column.
    pub fn new<C: Fn(f64) -> f64>(
        rate: Hertz,
        mains: &Mains,
        unsettled: u64,
        taper: &Taper,
        columns: usize,
        (range, bands): (Band, &[Band]),
        corrections: &[C],
    ) -> Self {
        assert!(columns > 0, "a map has columns");
        let length = taper.len();
        let bin = rate.get() / length as f64;
        let inside = |k: &usize| range.low() <= *k as f64 * bin && *k as f64 * bin <= range.high();
        let first = (1..=length / 2).find(inside).unwrap_or(0);
        let end = (first..=length / 2).take_while(inside).last().map_or(first, |last| last + 1);
        let weights = |correction: &C| {
            bands.iter().map(|band| weights_of(*band, bin, length / 2, rate.get() / 2.0, correction)).collect()
        };
        let sums = || Sums {
            density: Array2::zeros((columns, end - first)),
            power: Array2::zeros((bands.len(), columns)),
            power_squared: Array2::zeros((bands.len(), columns)),
        };
        Self {
            cycles: Cycles::new(rate, mains, unsettled, corrections.len(), STRETCH_CYCLES, length / 2 + 2),
            fold: Fold {
                transform: Transform::new(taper),
                scale: 1.0 / (rate.get() * taper.sum_of_squares()),
                columns,
                bins: first..end,
                factors: corrections.iter().map(|c| (first..end).map(|k| c(k as f64 * bin)).collect()).collect(),
                bands: corrections.iter().map(weights).collect(),
                density: vec![0.0; length / 2 + 1],
                counts: vec![0; columns],
                channels: corrections.iter().map(|_| sums()).collect(),
                periods: 0.0,
                stretches: 0,
                read: 0,
            },
        }
    }

    /// Takes the next samples of all channels, as read and settled.
    ///
    /// # Panics
    /// When there are not as many channels as corrections, or not of equal length.
    pub fn push(&mut self, raw: &[&[f64]], settled: &[&[f64]]) {
        let Self { cycles, fold } = self;
        cycles.push(raw, settled, |stretch| fold.add(stretch));
    }

    /// The map; `None` where the record holds no whole cycle.
    pub fn finish(mut self, rate: Hertz, bands: &[Band]) -> Option<Mapped> {
        let Self { cycles, fold } = &mut self;
        cycles.rest(1, |stretch| fold.add(stretch));
        if fold.counts.contains(&0) {
            return None;
        }
        let bin = rate.get() / fold.transform.len() as f64;
        Some(Mapped {
            frequency_hz: fold.bins.clone().map(|k| k as f64 * bin).collect(),
            cycles: fold.periods,
            segments: fold.counts.iter().sum(),
            read_share: fold.read as f64 / fold.stretches.max(1) as f64,
            channels: fold.channels.iter().map(|sums| fold.channel(sums, bands)).collect(),
        })
    }
}

impl Fold {
    /// Adds the segments of a stretch: those whose middle lies within it at the middle of a column.
    fn add(&mut self, stretch: &Stretch<'_>) {
        let columns = self.columns as f64;
        let half = self.transform.len() as f64 / 2.0;
        let mut column = (stretch.phase * columns - 0.5).ceil();
        loop {
            let middle = stretch.start + ((column + 0.5) / columns - stretch.phase) * stretch.period;
            if middle >= stretch.start + stretch.length() {
                break;
            }
            self.segment(stretch, place(stretch.within(middle - half).round()), place(column.rem_euclid(columns)));
            column += 1.0;
        }
        self.periods += f64::from(stretch.cycles);
        self.stretches += 1;
        self.read += u64::from(stretch.is_read);
    }

    fn segment(&mut self, stretch: &Stretch<'_>, at: usize, column: usize) {
        let length = self.transform.len();
        self.counts[column] += 1;
        for (channel, sums) in self.channels.iter_mut().enumerate() {
            let bins = self.transform.run(&stretch.channels[channel][at..at + length]);
            for (density, bin) in self.density.iter_mut().zip(bins) {
                *density = 2.0 * self.scale * bin.norm_sqr();
            }
            // 0 and half the rate stand for one frequency each.
            self.density[0] *= 0.5;
            if length.is_multiple_of(2) {
                self.density[length / 2] *= 0.5;
            }
            for (sum, density) in sums.density.row_mut(column).iter_mut().zip(&self.density[self.bins.clone()]) {
                *sum += density;
            }
            for (number, band) in self.bands[channel].iter().enumerate() {
                let power = band.mean_square(&self.density);
                sums.power[[number, column]] += power;
                sums.power_squared[[number, column]] += power * power;
            }
        }
    }

    fn channel(&self, sums: &Sums, bands: &[Band]) -> ChannelMap {
        let number = self.channels.iter().position(|other| std::ptr::eq(other, sums)).unwrap_or(0);
        let mut density = sums.density.clone();
        for (mut row, count) in density.rows_mut().into_iter().zip(&self.counts) {
            for (value, factor) in row.iter_mut().zip(&self.factors[number]) {
                *value *= factor / *count as f64;
            }
        }
        let bands = (0..bands.len()).map(|band| self.band(sums, band, bands)).collect();
        ChannelMap { density, bands }
    }

    fn band(&self, sums: &Sums, number: usize, bands: &[Band]) -> BandPhase {
        let counts: Vec<f64> = self.counts.iter().map(|count| *count as f64).collect();
        let columns: Vec<f64> = sums.power.row(number).iter().zip(&counts).map(|(sum, count)| sum / count).collect();
        let squares = sums.power_squared.row(number);
        let mean = columns.iter().sum::<f64>() / columns.len() as f64;
        // The scatter within a column, from cycle to cycle.
        let within = |k: usize| (squares[k] - counts[k] * columns[k] * columns[k]).max(0.0);
        let loudest = (0..columns.len()).max_by(|&a, &b| columns[a].total_cmp(&columns[b])).unwrap_or(0);
        let is_shown = counts[loudest] > 2.5 && {
            let degrees = counts[loudest] - 1.0;
            let error = (within(loudest) / degrees / counts[loudest]).sqrt();
            let tests = (columns.len() * bands.len()) as f64;
            columns[loudest] - mean > error * student_factor(1.0 - 2.0 * CLAIM_ERROR / tests, degrees)
        };
        let twice = component(&columns, 2.0) > component(&columns, 1.0);
        let (middle, width) = loud_part(&columns, twice);
        let all: f64 = counts.iter().sum();
        let free = all - columns.len() as f64;
        let lock_share = (free > 0.5).then(|| {
            let between: f64 = columns.iter().zip(&counts).map(|(m, n)| n * (m - mean) * (m - mean)).sum();
            let inside: f64 = (0..columns.len()).map(within).sum();
            // Omega squared: the share of the variance that the groups explain, less what chance explains (Hays,
            // Statistics, from memory).
            let chance = inside / free;
            let share = (between - (columns.len() - 1) as f64 * chance) / (between + inside + chance);
            if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 }
        });
        BandPhase {
            band: bands[number],
            mean_square: mean,
            largest: columns[loudest],
            loudest: middle,
            width,
            is_shown,
            twice,
            lock_share,
            columns,
        }
    }
}

/// How strongly something swells so many times a cycle.
fn component(columns: &[f64], times: f64) -> f64 {
    let angle = |k: usize| std::f64::consts::TAU * times * k as f64 / columns.len() as f64;
    let (re, im) = columns
        .iter()
        .enumerate()
        .fold((0.0, 0.0), |(re, im), (k, value)| (re + value * angle(k).cos(), im + value * angle(k).sin()));
    re.hypot(im)
}

/// Middle and width of the stretch around the maximum, in cycles. The middle is that of what rises out of its edges, so
/// that a flat top has its middle and not the place where chance put the maximum.
fn loud_part(columns: &[f64], twice: bool) -> (f64, f64) {
    let all = columns.len();
    let count = if twice && all.is_multiple_of(2) { all / 2 } else { all };
    let folded: Vec<f64> = (0..count).map(|k| columns[k..].iter().step_by(count).sum()).collect();
    let at = |k: usize| folded[k % count];
    let top = (0..count).max_by(|&a, &b| folded[a].total_cmp(&folded[b])).unwrap_or(0);
    let edge = (at(top) + folded.iter().sum::<f64>() / count as f64) / 2.0;
    let right = (1..count).take_while(|k| at(top + k) >= edge).count();
    let left = (1..count - right).take_while(|k| at(top + count - k) >= edge).count();
    let (mut sum, mut moment) = (0.0, 0.0);
    for k in 0..=left + right {
        let over = at(top + count - left + k) - edge;
        sum += over;
        moment += over * (k as f64 - left as f64);
    }
    let off = if sum > 0.0 { moment / sum } else { 0.0 };
    let middle = (top as f64 + 0.5 + off).rem_euclid(count as f64);
    (middle / all as f64, (left + right + 1) as f64 / all as f64)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and within a buffer")]
fn place(value: f64) -> usize {
    value as usize
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::dsp::segment::Hop;
    use crate::dsp::welch::Welch;
    use crate::dsp::window::Window;
    use crate::measure::mains::MainsSource;

    const RATE: f64 = 200e3;

    fn rate() -> Hertz {
        Hertz::new(RATE).unwrap()
    }

    fn noise(seed: u64) -> impl Iterator<Item = f64> {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        std::iter::from_fn(move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            Some(((state >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 12.0_f64.sqrt())
        })
    }

    fn mains(frequency_hz: f64, phase_deg: f64) -> Mains {
        let source = MainsSource::Fundamental;
        Mains { frequency_hz, uncertainty_hz: None, nominal_hz: 50.0, source, phase_deg: Some(phase_deg) }
    }

    const BANDS: [(f64, f64); 2] = [(2e3, 20e3), (20e3, 80e3)];

    /// The map of a signal over a mains of 100 V that begins at a phase, in blocks.
    fn map(signal: &[f64], frequency: f64, phase_deg: f64, block: usize) -> Mapped {
        let bands = BANDS.map(|(low, high)| Band::new(low, high).unwrap());
        let taper = Taper::new(&Window::default(), 200);
        let range = Band::new(2e3, 80e3).unwrap();
        let one = |_: f64| 1.0;
        let mut map = PhaseMap::new(rate(), &mains(frequency, phase_deg), 0, &taper, 72, (range, &bands), &[one]);
        let wave = |n: usize| 100.0 * (TAU * (frequency * n as f64 / RATE + phase_deg / 360.0)).sin();
        let raw: Vec<f64> = signal.iter().enumerate().map(|(n, v)| v + wave(n)).collect();
        for (raw, settled) in raw.chunks(block).zip(signal.chunks(block)) {
            map.push(&[raw], &[settled]);
        }
        map.finish(rate(), &bands).unwrap()
    }

    /// Noise where the mains phase lies within a range of degrees, and a hundredth of its power elsewhere.
    fn gated(frequency: f64, phase_deg: f64, gate: (f64, f64), times: f64, count: usize) -> Vec<f64> {
        noise(5)
            .take(count)
            .enumerate()
            .map(|(n, v)| {
                let phase = (times * (360.0 * frequency * n as f64 / RATE + phase_deg)).rem_euclid(360.0);
                if (gate.0..gate.1).contains(&phase) { v } else { 0.1 * v }
            })
            .collect()
    }

    #[test]
    fn noise_is_found_at_the_phase_it_is_gated_to() {
        for (frequency, phase) in [(50.0, 0.0), (49.9, 130.0), (60.0, 300.0)] {
            let map = map(&gated(frequency, phase, (80.0, 110.0), 1.0, 100_000), frequency, phase, 4096);
            for band in &map.channels[0].bands {
                let (loudest, width) = (360.0 * band.loudest, 360.0 * band.width);
                assert!((loudest - 95.0).abs() < 3.0, "{frequency} Hz: {loudest}");
                assert!((25.0..36.0).contains(&width), "{frequency} Hz: {width}");
                assert!(band.is_shown && !band.twice && band.lock_share.unwrap() > 0.6, "{band:?}");
                // Far from the gate a hundredth of the power is left, and a column there sees nothing else.
                let quiet = band.columns[50] / band.largest;
                assert!((0.005..0.02).contains(&quiet), "{quiet}");
            }
            let cycles = (100_000.0 / RATE * frequency - 0.5).floor();
            assert!((map.cycles - cycles).abs() <= 1.0, "{} {cycles}", map.cycles);
        }
    }

    #[test]
    fn what_swells_at_both_crests_swells_twice() {
        let map = map(&gated(50.0, 0.0, (150.0, 210.0), 2.0, 60_000), 50.0, 0.0, 60_000);
        let band = &map.channels[0].bands[1];
        assert!(band.twice && band.is_shown);
        assert!((360.0 * band.loudest - 90.0).abs() < 3.0, "{}", band.loudest);
        assert!((25.0..36.0).contains(&(360.0 * band.width)), "{}", band.width);
    }

    #[test]
    fn the_loud_part_may_lie_across_the_zero() {
        let columns: Vec<f64> = (0..36).map(|k| if !(2..=32).contains(&k) { 9.0 } else { 1.0 }).collect();
        // Columns 33 to 35 and 0 to 1: from 330 to 20 degrees.
        let (middle, width) = loud_part(&columns, false);
        assert!((360.0 * middle - 355.0).abs() < 1e-9 && (360.0 * width - 50.0).abs() < 1e-9, "{middle} {width}");
        assert_eq!(loud_part(&[1.0; 8], false).1, 1.0);
        assert_eq!(loud_part(&[0.0; 9], true).1, 1.0);
    }

    #[test]
    fn steady_noise_is_locked_to_nothing() {
        let mut shown = 0;
        for seed in 0..20 {
            let steady: Vec<f64> = noise(seed).take(60_000).collect();
            let map = map(&steady, 50.0, 10.0, 60_000);
            for band in &map.channels[0].bands {
                shown += u32::from(band.is_shown);
                assert!(band.lock_share.unwrap() < 0.1, "{band:?}");
            }
        }
        assert!(shown <= 3, "{shown} of 20");
    }

    #[test]
    fn the_mean_over_all_phases_is_welchs() {
        // A period of whole samples, a column each 50 of them: the same segments as Welch's, cut with a hop of 50.
        let taper = Taper::new(&Window::default(), 200);
        let one = |_: f64| 1.0;
        let bands = [Band::new(2e3, 80e3).unwrap()];
        let silent = Mains { source: MainsSource::Option, phase_deg: None, ..mains(50.0, 0.0) };
        let mut map = PhaseMap::new(rate(), &silent, 0, &taper, 80, (bands[0], &bands), &[one]);
        let signal: Vec<f64> = noise(9).take(40_204).collect();
        map.push(&[&signal], &[&signal]);
        let map = map.finish(rate(), &bands).unwrap();
        assert_eq!((map.cycles, map.segments), (10.0, 800));
        // The first middle behind the margin of 102 samples is 125; its segment begins at 25.
        let mut welch = Welch::new(rate(), taper, Hop::Samples(50), 1, false);
        welch.push(&[&signal[25..25 + 799 * 50 + 200]]);
        let welch = welch.finish().unwrap();
        assert_eq!(welch.segments, 800);
        let density = &map.channels[0].density;
        for (k, frequency) in map.frequency_hz.iter().enumerate() {
            let mean = density.column(k).sum() / 80.0;
            let expected = welch.channels[0].mean.values()[2 + k];
            assert!((mean / expected - 1.0).abs() < 1e-12, "{frequency} Hz: {mean} {expected}");
        }
        let whole = welch.channels[0].mean.mean_square_in(bands[0]);
        assert!((map.channels[0].bands[0].mean_square / whole - 1.0).abs() < 1e-12);
    }

    #[test]
    fn blocks_of_any_size_give_the_same_map() {
        let signal = gated(49.97, 20.0, (80.0, 110.0), 1.0, 30_000);
        let whole = map(&signal, 49.97, 20.0, 30_000);
        for block in [97, 5000] {
            assert_eq!(map(&signal, 49.97, 20.0, block), whole);
        }
    }
}
