//! A record cut into stretches of whole mains cycles that follow the mains as it drifts.
//!
//! The pipeline reads the mains frequency from the first stretch of a record. Over a long record that is not enough:
//! a hundredth of a hertz is half a cycle after fifty seconds. So the frequency is read again in every stretch, from
//! what showed it at first: the fundamental in the samples as read, or the swelling of the conditioned samples' power.
//! Where a stretch does not show it well, the last frequency goes on.

use std::f64::consts::{PI, TAU};

use crate::dsp::sine_fit::fit_fundamental;
use crate::measure::mains::{Mains, MainsSource};
use crate::units::Hertz;

/// A stretch's own frequency is taken where its relative standard uncertainty is no larger than this: a third of the
/// 0.03 % of the window length that IEC 61000-4-7 permits as an error of synchronisation (from memory).
const SUREST: f64 = 1e-4;
/// Up to this uncertainty its phase is still good, to some degrees, and steers the frequency from stretch to stretch.
const SURE_OF_PHASE: f64 = 2.5e-3;
/// How much of the difference between the phase found and the phase expected is followed at once, and how much of it
/// is laid to the frequency: a tracking loop that settles within some ten stretches (common practice, no source).
const FOLLOWED_AT_ONCE: f64 = 0.5;
const LAID_TO_FREQUENCY: f64 = 0.1;
/// The frequency of a stretch is looked for this far from that of the stretch before, in hertz.
const FARTHEST_STEP_HZ: f64 = 0.4;
/// Samples are averaged down to about this rate before a fit.
const SERIES_RATE: f64 = 4000.0;
/// Shorter stretches keep the frequency they came with: a fit would be less sure than that.
const FEWEST_CYCLES: u32 = 5;

/// A stretch of whole mains cycles, with samples beyond it on both sides.
#[derive(Debug)]
pub struct Stretch<'a> {
    /// Its number, counted from 0.
    pub number: u64,
    /// Where it begins, in samples from the first one settled; not a whole number as a rule.
    pub start: f64,
    /// The length of a mains cycle in samples.
    pub period: f64,
    /// How many cycles it holds.
    pub cycles: u32,
    /// The mains phase at its beginning, in cycles from 0 to 1.
    pub phase: f64,
    /// Whether frequency and phase were read from this stretch, rather than carried on.
    pub is_read: bool,
    /// The number of the first sample in `channels`.
    pub first: u64,
    /// The settled samples, a slice a channel.
    pub channels: Vec<&'a [f64]>,
}

impl Stretch<'_> {
    /// A place, in samples from the first one settled, as a place in the slices of this stretch.
    pub fn within(&self, place: f64) -> f64 {
        place - self.first as f64
    }

    /// Its length in samples.
    pub fn length(&self) -> f64 {
        f64::from(self.cycles) * self.period
    }
}

/// Cuts a recording into stretches of so many cycles, one after the other without a gap.
#[derive(Debug, Clone)]
pub struct Cycles {
    rate: Hertz,
    cycles: u32,
    margin: usize,
    /// The cycle at the beginning of the next stretch, as far as it is known before that stretch is read.
    period: f64,
    phase: f64,
    start: f64,
    number: u64,
    show: Option<Show>,
    held: Vec<Vec<f64>>,
    first: u64,
    /// The next stretch, once it is read.
    read: Option<Read>,
}

/// Frequency and phase of a stretch.
#[derive(Debug, Clone, Copy)]
struct Read {
    period: f64,
    phase: f64,
    is_read: bool,
}

/// What shows the mains: means over groups of samples, a row a channel.
#[derive(Debug, Clone)]
struct Show {
    /// 1 for the fundamental, 2 for the swelling of the power.
    multiple: f64,
    group: usize,
    filled: usize,
    series: Vec<Vec<f64>>,
    /// The number of the first mean held.
    first: u64,
    /// The channel that is followed, once it is chosen.
    channel: Option<usize>,
}

impl Cycles {
    /// Cuts stretches of `cycles`, each with at least `margin` samples before and behind it.
    ///
    /// `unsettled` is how many samples of the recording went before the first one pushed.
    ///
    /// # Panics
    /// When there is no channel, or a stretch of no cycle is asked for.
    pub fn new(rate: Hertz, mains: &Mains, unsettled: u64, channels: usize, cycles: u32, margin: usize) -> Self {
        assert!(channels > 0 && cycles > 0, "{channels} channels, {cycles} cycles");
        let period = mains.period_samples(rate);
        let at_first_sample = mains.phase_deg.unwrap_or(0.0) / 360.0;
        let start = margin as f64;
        let multiple = match mains.source {
            MainsSource::Fundamental => Some(1.0),
            MainsSource::NoiseEnvelope => Some(2.0),
            MainsSource::Option | MainsSource::Assumed => None,
        };
        Self {
            rate,
            cycles,
            margin,
            period,
            phase: (at_first_sample + (unsettled as f64 + start) / period).rem_euclid(1.0),
            start,
            number: 0,
            show: multiple.map(|multiple| Show::new(multiple, rate, channels)),
            held: vec![Vec::new(); channels],
            first: 0,
            read: None,
        }
    }

    /// Takes the next samples of all channels, as read and settled, and hands over each stretch that is complete.
    ///
    /// # Panics
    /// When there are not as many channels as were announced, or not of equal length.
    pub fn push(&mut self, raw: &[&[f64]], settled: &[&[f64]], mut each: impl FnMut(&Stretch<'_>)) {
        assert!(raw.len() == self.held.len() && settled.len() == self.held.len(), "as many channels as announced");
        let length = settled[0].len();
        assert!(raw.iter().chain(settled).all(|channel| channel.len() == length), "channels of equal length");
        if let Some(show) = &mut self.show {
            show.push(raw, settled);
        }
        for (held, settled) in self.held.iter_mut().zip(settled) {
            held.extend_from_slice(settled);
        }
        while self.next(self.cycles, &mut each) {}
    }

    /// Hands over what is left as one more stretch of fewer whole cycles, if there are at least so many.
    pub fn rest(&mut self, least: u32, mut each: impl FnMut(&Stretch<'_>)) {
        self.read = None;
        let room = self.seen() as f64 - self.margin as f64 - self.start;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float cast saturates")]
        let whole = (room / self.period).floor() as u32;
        // The frequency read from the rest itself may take a cycle more than it was thought to.
        for cycles in (least.max(1)..=whole.min(self.cycles)).rev() {
            if self.next(cycles, &mut each) {
                return;
            }
            self.read = None;
        }
    }

    /// How many stretches there were.
    pub fn stretches(&self) -> u64 {
        self.number
    }

    /// How many settled samples were pushed.
    pub fn seen(&self) -> u64 {
        self.first + self.held[0].len() as u64
    }

    /// Hands over the next stretch if all of it is there.
    fn next(&mut self, cycles: u32, each: &mut impl FnMut(&Stretch<'_>)) -> bool {
        let has = |end: f64, seen: u64| end + self.margin as f64 <= seen as f64;
        if !has(self.start + f64::from(cycles) * self.period, self.seen()) {
            return false;
        }
        let read = *self.read.get_or_insert_with(|| {
            let before = Read { period: self.period, phase: self.phase, is_read: false };
            let range = (self.start, self.start + f64::from(cycles) * self.period);
            self.show.as_mut().and_then(|show| show.read(range, cycles, before, self.rate)).unwrap_or(before)
        });
        let end = self.start + f64::from(cycles) * read.period;
        if !has(end, self.seen()) {
            return false;
        }
        each(&Stretch {
            number: self.number,
            start: self.start,
            period: read.period,
            cycles,
            phase: read.phase,
            is_read: read.is_read,
            first: self.first,
            channels: self.held.iter().map(Vec::as_slice).collect(),
        });
        self.number += 1;
        (self.start, self.period, self.phase) = (end, read.period, read.phase);
        self.read = None;
        self.forget();
        true
    }

    /// Drops what no later stretch needs.
    fn forget(&mut self) {
        let wanted = floor(self.start) - self.margin as u64;
        let count = usize::try_from(wanted - self.first).expect("within what is held");
        for held in &mut self.held {
            held.drain(..count);
        }
        self.first = wanted;
        if let Some(show) = &mut self.show {
            show.forget(self.start);
        }
    }
}

impl Show {
    fn new(multiple: f64, rate: Hertz, channels: usize) -> Self {
        let group = usize::try_from(floor(rate.get() / SERIES_RATE)).unwrap_or(usize::MAX).max(1);
        Self { multiple, group, filled: 0, series: vec![vec![0.0]; channels], first: 0, channel: None }
    }

    fn push(&mut self, raw: &[&[f64]], settled: &[&[f64]]) {
        let start = self.filled;
        for (number, series) in self.series.iter_mut().enumerate() {
            self.filled = start;
            let fundamental = self.multiple < 2.0;
            let samples = if fundamental { raw[number] } else { settled[number] };
            for sample in samples {
                // The last mean held is the one in work.
                if let Some(last) = series.last_mut() {
                    *last += if fundamental { *sample } else { sample * sample };
                }
                self.filled += 1;
                if self.filled == self.group {
                    self.filled = 0;
                    series.push(0.0);
                }
            }
        }
    }

    /// The place of a mean, in samples: the middle of its group.
    fn place(&self, index: usize) -> f64 {
        (self.first + index as u64) as f64 * self.group as f64 + (self.group as f64 - 1.0) / 2.0
    }

    /// Reads frequency and phase of a stretch; `None` where it does not show them well.
    fn read(&mut self, (start, end): (f64, f64), cycles: u32, before: Read, rate: Hertz) -> Option<Read> {
        if cycles < FEWEST_CYCLES {
            return None;
        }
        let from = index_of(ceil(start / self.group as f64), self.first);
        let to = index_of(floor(end / self.group as f64), self.first);
        let channel = self.channel.or_else(|| {
            let strength = |c: &usize| self.phasor(*c, from..to, before.period, start).0;
            (0..self.series.len()).max_by(|a, b| strength(a).total_cmp(&strength(b)))
        })?;
        let series: Vec<f64> = self.series[channel].get(from..to)?.iter().map(|sum| sum / self.group as f64).collect();
        let slow = Hertz::new(rate.get() / self.group as f64).ok()?;
        let middle = rate.get() / before.period * self.multiple;
        let step = FARTHEST_STEP_HZ * self.multiple;
        let harmonics: &[u32] = if self.multiple < 2.0 { &[1, 2, 3, 5, 7] } else { &[1, 2, 3] };
        let fit = fit_fundamental(&series, slow, (middle - step, middle + step), harmonics)?;
        let uncertainty = fit.uncertainty_hz / fit.frequency_hz;
        if uncertainty > SURE_OF_PHASE {
            return None;
        }
        let is_first = self.channel.replace(channel).is_none();
        let sure = uncertainty <= SUREST;
        let period = if sure { rate.get() * self.multiple / fit.frequency_hz } else { before.period };
        let phase = self.phase(self.phasor(channel, from..to, period, start).1, before.phase);
        if sure || is_first {
            return Some(Read { period, phase, is_read: true });
        }
        let ahead = (phase - before.phase + 0.5).rem_euclid(1.0) - 0.5;
        Some(Read {
            period: period / (1.0 + LAID_TO_FREQUENCY * ahead / f64::from(cycles)),
            phase: (before.phase + FOLLOWED_AT_ONCE * ahead).rem_euclid(1.0),
            is_read: true,
        })
    }

    /// Size and angle of the component of a period at the place `start`, the stretch weighted with a Hann window.
    fn phasor(&self, channel: usize, range: std::ops::Range<usize>, period: f64, start: f64) -> (f64, f64) {
        let Some(series) = self.series[channel].get(range.clone()) else { return (0.0, 0.0) };
        let count = series.len() as f64;
        let weight = |n: usize| 1.0 - (TAU * (n as f64 + 0.5) / count).cos();
        let mean = series.iter().enumerate().map(|(n, v)| weight(n) * v).sum::<f64>() / count;
        let (mut re, mut im) = (0.0, 0.0);
        for (n, value) in series.iter().enumerate() {
            let angle = TAU * self.multiple * (self.place(range.start + n) - start) / period;
            re += weight(n) * (value - mean) * angle.cos();
            im -= weight(n) * (value - mean) * angle.sin();
        }
        (re.hypot(im), im.atan2(re))
    }

    /// The mains phase in cycles, 0 where the fundamental rises through zero or where the power is largest. The latter
    /// says it but for half a cycle; of both the one is taken that is nearer to what was expected.
    fn phase(&self, angle: f64, expected: f64) -> f64 {
        if self.multiple < 2.0 {
            return ((angle + PI / 2.0) / TAU).rem_euclid(1.0);
        }
        let one = angle / TAU / 2.0;
        let apart = |phase: f64| ((phase - expected + 0.5).rem_euclid(1.0) - 0.5).abs();
        let other = one + 0.5;
        (if apart(one) <= apart(other) { one } else { other }).rem_euclid(1.0)
    }

    /// Drops what lies before a place in samples.
    fn forget(&mut self, start: f64) {
        let wanted = floor(start / self.group as f64).max(self.first);
        let count = index_of(wanted, self.first);
        for series in &mut self.series {
            series.drain(..count.min(series.len() - 1));
        }
        self.first = wanted;
    }
}

fn index_of(number: u64, first: u64) -> usize {
    usize::try_from(number.saturating_sub(first)).unwrap_or(usize::MAX)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and it saturates")]
fn floor(value: f64) -> u64 {
    value.floor() as u64
}

fn ceil(value: f64) -> u64 {
    floor(value.ceil())
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 50e3;

    fn mains(frequency_hz: f64, source: MainsSource, phase_deg: Option<f64>) -> Mains {
        Mains { frequency_hz, uncertainty_hz: Some(0.01), nominal_hz: 50.0, source, phase_deg }
    }

    /// start, period, phase, read of every stretch.
    fn cut(raw: &[f64], settled: &[f64], mains: &Mains, block: usize) -> Vec<(f64, f64, f64, bool)> {
        let mut cycles = Cycles::new(Hertz::new(RATE).unwrap(), mains, 0, 1, 10, 20);
        let mut seen = Vec::new();
        let mut each = |s: &Stretch<'_>| {
            assert!(s.within(s.start) >= 20.0 && s.within(s.start + s.length()) + 20.0 <= s.channels[0].len() as f64);
            seen.push((s.start, s.period, s.phase, s.is_read));
        };
        for (raw, settled) in raw.chunks(block).zip(settled.chunks(block)) {
            cycles.push(&[raw], &[settled], &mut each);
        }
        cycles.rest(1, &mut each);
        seen
    }

    /// A mains whose frequency rises from 49.9 Hz by a hundredth of a hertz a second.
    fn drifting(count: u32) -> (Vec<f64>, impl Fn(f64) -> f64) {
        let turns = |place: f64| {
            let t = place / RATE;
            49.9 * t + 0.005 * t * t + 0.2
        };
        let wave = move |n: u32| {
            let angle = TAU * turns(f64::from(n));
            325.0 * (angle.sin() + 0.04 * (3.0 * angle + 1.0).sin()) + 3.0
        };
        ((0..count).map(wave).collect(), turns)
    }

    #[test]
    fn a_drifting_fundamental_is_followed() {
        let (raw, turns) = drifting(500_000);
        let found = cut(&raw, &raw, &mains(49.9, MainsSource::Fundamental, Some(72.0)), 4096);
        assert_eq!(found.len(), 50);
        for (start, period, phase, is_read) in &found {
            assert!(is_read);
            let frequency = 49.9 + 0.01 * (start + 5.0 * period) / RATE;
            assert!((RATE / period / frequency - 1.0).abs() < 2e-5, "{} {frequency}", RATE / period);
            let apart = (phase - turns(*start) + 0.5).rem_euclid(1.0) - 0.5;
            assert!(apart.abs() < 1e-3, "{apart} cycles");
        }
        // Without being followed the phase would be off by half a cycle after ten seconds.
        assert!((turns(500_000.0) - 49.9 * 10.0 - 0.2).abs() > 0.4);
    }

    #[test]
    fn blocks_of_any_size_give_the_same_stretches() {
        let (raw, _) = drifting(60_000);
        let mains = mains(49.9, MainsSource::Fundamental, Some(72.0));
        let whole = cut(&raw, &raw, &mains, 60_000);
        for block in [1, 777, 10_021] {
            assert_eq!(cut(&raw, &raw, &mains, block), whole, "{block}");
        }
    }

    #[test]
    fn the_swelling_of_the_noise_is_followed_without_a_slip() {
        // Noise whose power is largest twice a cycle, at a frequency a little off the first guess.
        let mut state = 7u64;
        let settled: Vec<f64> = (0..500_000u32)
            .map(|n| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let white = (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
                let turns = 50.02 * f64::from(n) / RATE;
                white * if (TAU * 2.0 * turns).cos() > 0.6 { 3.0 } else { 1.0 }
            })
            .collect();
        let found = cut(&settled, &settled, &mains(50.0, MainsSource::NoiseEnvelope, None), 4096);
        assert!(found.iter().filter(|s| s.3).count() > 40, "{found:?}");
        for (start, _, phase, _) in &found {
            let apart = (phase - 50.02 * start / RATE + 0.5).rem_euclid(1.0) - 0.5;
            assert!(apart.abs() < 0.03, "{apart} cycles at {start}");
        }
    }

    #[test]
    fn without_a_sign_of_the_mains_the_frequency_goes_on() {
        let silence = vec![0.0; 25_000];
        let found = cut(&silence, &silence, &mains(50.0, MainsSource::Assumed, None), 1000);
        // Two whole stretches, and four cycles that are left.
        assert_eq!(found.len(), 3);
        assert!(found.iter().all(|s| s.1 == 1000.0 && !s.3));
    }
}
