//! Can these samples carry a result? Statistics of the samples as read, and what is wrong with them.

use std::collections::HashMap;

use ndarray::Axis;
use serde::Serialize;

use crate::capture::Block;

/// How many values at either end of a channel's range are counted one by one.
const END_VALUES: usize = 3;
/// A top is clipped when its value is this many times as frequent as either of the next two inwards. A sine that
/// just reaches its highest code dwells there at most 2.41 times as long as on the next (from the arcsine law).
const CLIPPED_DWELL: u64 = 3;
/// Shorter runs at an end are no sign of clipping.
const CLIPPED_RUN: u64 = 3;

/// What the samples of one channel are, as read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelStatistics {
    /// The smallest sample.
    pub min: f64,
    /// The largest sample.
    pub max: f64,
    /// The mean.
    pub mean: f64,
    /// The root of the mean square, mean included.
    pub rms: f64,
    /// The step between neighbouring converter codes, where the samples show one.
    pub resolution: Option<f64>,
    /// The share of samples that stand at a limit of the range because they would have gone beyond it.
    pub clipped_fraction: f64,
    /// How many codes lie between the smallest and the largest sample, both included; `None` without a resolution.
    pub codes_spanned: Option<u64>,
}

impl ChannelStatistics {
    /// The bits that the record really uses: log₂ of the codes spanned.
    pub fn effective_bits(&self) -> Option<f64> {
        self.codes_spanned.map(|codes| (codes as f64).log2())
    }

    /// The mean square of the converter's rounding, q²/12, spread evenly from 0 to half the sampling rate.
    ///
    /// Source: W. R. Bennett, "Spectra of quantized signals", Bell Syst. Tech. J. 27 (1948) 446-472.
    pub fn rounding_mean_square(&self) -> Option<f64> {
        self.resolution.map(|step| step * step / 12.0)
    }

    /// Whether the channel carries nothing: constant, or flickering between two neighbouring codes.
    pub fn is_dead(&self) -> bool {
        self.min >= self.max || self.codes_spanned.is_some_and(|codes| codes <= 2)
    }
}

/// What a whole record shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Statistics {
    /// One for each channel.
    pub channels: Vec<ChannelStatistics>,
    /// Samples in each channel.
    pub samples: u64,
    /// Pairs of channels that are equal sample by sample, by number from 0.
    pub identical: Vec<(usize, usize)>,
    /// A stretch that repeats an earlier one exactly: (how many samples later, at least how many samples long).
    pub repeated: Option<(u64, u64)>,
}

/// Accumulates the statistics of all channels of a recording.
#[derive(Debug, Clone, Default)]
pub struct Quality {
    channels: Vec<Tally>,
    differing: Vec<(usize, usize, bool)>,
    repeats: Vec<Repeats>,
    samples: u64,
}

impl Quality {
    /// Takes the next block of samples as read.
    pub fn push(&mut self, block: &Block) {
        let count = block.samples.len_of(Axis(0));
        if self.channels.is_empty() {
            self.channels = vec![Tally::default(); count];
            self.repeats = vec![Repeats::default(); count];
            self.differing = (0..count).flat_map(|a| (a + 1..count).map(move |b| (a, b, false))).collect();
        }
        for (number, (tally, repeats)) in self.channels.iter_mut().zip(&mut self.repeats).enumerate() {
            tally.push(block.channel(number));
            repeats.push(block.channel(number));
        }
        for (a, b, differ) in self.differing.iter_mut().filter(|(_, _, differ)| !differ) {
            *differ = block.channel(*a) != block.channel(*b);
        }
        self.samples += block.len() as u64;
    }

    /// The result; `None` before any sample.
    pub fn finish(&self) -> Option<Statistics> {
        if self.samples == 0 {
            return None;
        }
        Some(Statistics {
            channels: self.channels.iter().map(Tally::finish).collect(),
            samples: self.samples,
            identical: self.differing.iter().filter(|(_, _, differ)| !differ).map(|&(a, b, _)| (a, b)).collect(),
            repeated: self.repeats.iter().filter_map(Repeats::finish).max_by_key(|&(_, length)| length),
        })
    }
}

/// The running figures of one channel.
#[derive(Debug, Clone, Default)]
struct Tally {
    count: u64,
    sum: Compensated,
    squares: Compensated,
    top: End,
    bottom: End,
    last: Option<f64>,
    steps: Steps,
}

impl Tally {
    fn push(&mut self, samples: &[f64]) {
        /// So few samples mostly hold none of the largest and none of the smallest ones.
        const TOGETHER: usize = 64;
        for together in samples.chunks(TOGETHER) {
            let (mut sum, mut squares) = (self.sum, self.squares);
            for &x in together {
                sum.add(x);
                squares.add(x * x);
            }
            (self.sum, self.squares) = (sum, squares);
            self.top.push(together, 1.0);
            self.bottom.push(together, -1.0);
            let steps = together.windows(2).map(|pair| (pair[1] - pair[0]).abs());
            let first = self.last.map(|last| (together[0] - last).abs());
            first.into_iter().chain(steps).for_each(|step| self.steps.push(step));
            self.last = together.last().copied();
        }
        self.count += samples.len() as u64;
    }

    fn finish(&self) -> ChannelStatistics {
        let count = self.count as f64;
        let (min, max) = (-self.bottom.extreme(), self.top.extreme());
        let resolution = self.steps.resolution(self.count);
        let clipped = self.top.clipped() + self.bottom.clipped();
        ChannelStatistics {
            min,
            max,
            mean: self.sum.value() / count,
            rms: (self.squares.value() / count).sqrt(),
            resolution,
            clipped_fraction: clipped as f64 / count,
            codes_spanned: resolution.map(|step| whole((max - min) / step) + 1),
        }
    }
}

/// The nearest whole number of a ratio that is not negative.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float cast saturates; not negative here")]
fn whole(ratio: f64) -> u64 {
    ratio.round() as u64
}

/// A sum that does not lose small terms beside large ones.
///
/// Source: A. Neumaier, Z. Angew. Math. Mech. 54 (1974) 39-51 (from memory).
#[derive(Debug, Clone, Copy, Default)]
struct Compensated {
    sum: f64,
    lost: f64,
}

impl Compensated {
    #[inline]
    fn add(&mut self, x: f64) {
        let sum = self.sum + x;
        // What the addition lost, exactly, whichever of the two is larger (D. E. Knuth, The Art of Computer
        // Programming, volume 2, 4.2.2, theorem B; from memory).
        let added = sum - self.sum;
        self.lost += (self.sum - (sum - added)) + (x - added);
        self.sum = sum;
    }

    fn value(self) -> f64 {
        self.sum + self.lost
    }
}

/// The upper end of a channel's range: the largest values, how often each occurred, the longest run on the largest.
///
/// A value that ends among the largest few was never pushed out by larger ones, so its count is complete.
#[derive(Debug, Clone, Default)]
struct End {
    values: Vec<(f64, u64)>,
    run: u64,
    longest: u64,
}

impl End {
    /// Takes the next samples times a sign.
    fn push(&mut self, samples: &[f64], sign: f64) {
        if let Some(&(least, _)) = self.values.get(END_VALUES - 1)
            && samples.iter().all(|x| sign * x < least)
        {
            self.run = 0;
            return;
        }
        samples.iter().for_each(|x| self.push_one(sign * x));
    }

    fn push_one(&mut self, x: f64) {
        if self.values.len() == END_VALUES && x < self.values[END_VALUES - 1].0 {
            self.run = 0;
            return;
        }
        let at = self.values.partition_point(|&(value, _)| value > x);
        match self.values.get_mut(at) {
            // All before are larger, so what is not smaller is equal.
            Some((value, count)) if *value >= x => *count += 1,
            _ => {
                self.values.insert(at, (x, 1));
                self.values.truncate(END_VALUES);
                if at == 0 {
                    (self.run, self.longest) = (0, 0);
                }
            }
        }
        self.run = if at == 0 { self.run + 1 } else { 0 };
        self.longest = self.longest.max(self.run);
    }

    fn extreme(&self) -> f64 {
        self.values.first().map_or(f64::NAN, |&(value, _)| value)
    }

    /// How many samples are clipped at this end; none unless the record shows that it was clipped.
    fn clipped(&self) -> u64 {
        match self.values.as_slice() {
            [(_, count), inwards @ ..] if !inwards.is_empty() => {
                let common = inwards.iter().map(|&(_, count)| count).max().unwrap_or(0);
                if self.longest >= CLIPPED_RUN && *count >= CLIPPED_DWELL * common { *count } else { 0 }
            }
            _ => 0,
        }
    }
}

/// The smallest steps between neighbouring samples, from which the converter's resolution shows.
///
/// Steps are sorted into classes of less than a hundredth. Classes above four times the smallest step are
/// dropped: whatever is within a factor of two of the final smallest step was never dropped on the way.
#[derive(Debug, Clone, Default)]
struct Steps {
    classes: Vec<(u64, u64, f64)>,
    smallest: Option<f64>,
}

impl Steps {
    #[inline]
    fn push(&mut self, step: f64) {
        let large = self.smallest.is_some_and(|smallest| step > 4.0 * smallest);
        if step > 0.0 && !large {
            self.sort(step);
        }
    }

    fn sort(&mut self, step: f64) {
        if self.smallest.is_none_or(|smallest| step < smallest) {
            self.smallest = Some(step);
            let class = Self::class(4.0 * step);
            self.classes.retain(|&(other, _, _)| other <= class);
        }
        let class = Self::class(step);
        match self.classes.binary_search_by_key(&class, |&(class, _, _)| class) {
            Ok(at) => {
                self.classes[at].1 += 1;
                self.classes[at].2 += step;
            }
            Err(at) => self.classes.insert(at, (class, 1, step)),
        }
    }

    /// Exponent and the first seven bits of the mantissa.
    fn class(step: f64) -> u64 {
        step.to_bits() >> 45
    }

    /// The mean of the steps up to half as large again as the smallest, where they are frequent enough to be the
    /// grid of a converter rather than chance.
    fn resolution(&self, samples: u64) -> Option<f64> {
        const FEWEST: u64 = 8;
        let limit = Self::class(1.5 * self.smallest?);
        let (count, sum) = self
            .classes
            .iter()
            .filter(|&&(class, _, _)| class <= limit)
            .fold((0, 0.0), |(count, sum), &(_, n, steps)| (count + n, sum + steps));
        (count >= FEWEST.max(samples / 10_000)).then(|| sum / count as f64)
    }
}

/// Finds stretches of samples that repeat earlier ones exactly, as a recorder does that hands out a buffer twice.
///
/// A fingerprint rolls over the last samples; one in some hundred fingerprints, chosen by its own value, is
/// remembered. Several remembered in a row that come back at the same distance mark a repeated stretch.
#[derive(Debug, Clone, Default)]
struct Repeats {
    recent: Vec<u64>,
    next: usize,
    hash: u64,
    position: u64,
    seen: HashMap<u64, u64>,
    changes: u32,
    distance: u64,
    run: u64,
    run_start: u64,
    longest: Option<(u64, u64)>,
}

impl Repeats {
    const WINDOW: usize = 64;
    const FACTOR: u64 = 0x9E37_79B9_7F4A_7C15;
    const REMEMBERED: usize = 1 << 14;

    fn push(&mut self, samples: &[f64]) {
        if self.recent.is_empty() {
            self.recent = vec![0; Self::WINDOW];
        }
        // The weight with which the oldest sample leaves the window: FACTOR to the power of the window's length.
        let leaving = (0..Self::WINDOW).fold(1u64, |weight, _| weight.wrapping_mul(Self::FACTOR));
        let mut recent = std::mem::take(&mut self.recent);
        let (mut next, mut rest) = (self.next, samples);
        let (mut hash, mut changes) = (self.hash, self.changes);
        while !rest.is_empty() {
            let (samples, more) = rest.split_at(rest.len().min(Self::WINDOW - next));
            // The sample before is the one that the window took last.
            let mut last = recent[(next + Self::WINDOW - 1) % Self::WINDOW];
            for (place, (&x, slot)) in samples.iter().zip(&mut recent[next..]).enumerate() {
                let bits = x.to_bits().wrapping_add(1).wrapping_mul(0xD6E8_FEB8_6659_FD93);
                let mixed = bits ^ (bits >> 32);
                let oldest = std::mem::replace(slot, mixed);
                hash = hash.wrapping_mul(Self::FACTOR).wrapping_add(mixed.wrapping_sub(oldest.wrapping_mul(leaving)));
                changes = if last == mixed { changes.saturating_sub(1) } else { (changes + 2).min(128) };
                last = mixed;
                // The upper bits of the product choose, because the lower ones see only the latest samples. A stretch
                // that hardly changes repeats itself by nature and proves nothing.
                if hash.wrapping_mul(Self::FACTOR) >> 57 == 0 && changes >= 64 {
                    self.remember(hash, self.position + place as u64 + 1);
                }
            }
            self.position += samples.len() as u64;
            next = (next + samples.len()) % Self::WINDOW;
            rest = more;
        }
        (self.recent, self.next, self.hash, self.changes) = (recent, next, hash, changes);
    }

    /// Takes a fingerprint of the samples up to a position.
    fn remember(&mut self, hash: u64, position: u64) {
        if position < Self::WINDOW as u64 {
            return;
        }
        let earlier = self.seen.get(&hash).copied();
        if let Some(distance) = earlier.map(|earlier| position - earlier) {
            if distance == self.distance && self.run > 0 {
                self.run += 1;
            } else {
                (self.distance, self.run, self.run_start) = (distance, 1, position);
            }
            let length = position - self.run_start + Self::WINDOW as u64;
            if self.run >= 3 && self.longest.is_none_or(|(_, longest)| length > longest) {
                self.longest = Some((distance, length));
            }
        } else {
            self.run = 0;
        }
        if self.seen.len() < Self::REMEMBERED {
            self.seen.entry(hash).or_insert(position);
        }
    }

    fn finish(&self) -> Option<(u64, u64)> {
        self.longest
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    fn statistics(samples: &[f64]) -> ChannelStatistics {
        record(&[samples]).channels.remove(0)
    }

    fn record(channels: &[&[f64]]) -> Statistics {
        let mut quality = Quality::default();
        let length = channels[0].len();
        for start in (0..length).step_by(977) {
            let end = (start + 977).min(length);
            let rows: Vec<f64> = channels.iter().flat_map(|channel| channel[start..end].iter().copied()).collect();
            let samples = Array2::from_shape_vec((channels.len(), end - start), rows).unwrap();
            quality.push(&Block { first: start as u64, samples });
        }
        quality.finish().unwrap()
    }

    fn sine(amplitude: f64, step: f64) -> Vec<f64> {
        (0..10_000).map(|n| (amplitude * (f64::from(n) * 0.001_234_5 * 6.0).sin() / step).round() * step).collect()
    }

    #[test]
    fn mean_and_rms_are_those_of_the_closed_form() {
        let samples: Vec<f64> = (0..1000).map(f64::from).collect();
        let found = statistics(&samples);
        assert_eq!((found.min, found.max, found.mean), (0.0, 999.0, 499.5));
        // Sum of squares of 0..n−1 is (n−1) n (2n−1) / 6.
        assert!((found.rms - (999.0 * 1999.0 / 6.0f64).sqrt()).abs() < 1e-9);
    }

    #[test]
    fn the_grid_of_the_converter_shows_as_resolution() {
        for step in [0.02, 0.008, 1.0 / 2048.0] {
            let found = statistics(&sine(1.0, step));
            assert!((found.resolution.unwrap() / step - 1.0).abs() < 1e-9, "{step}: {:?}", found.resolution);
        }
        let smooth: Vec<f64> = (0..10_000).map(|n| (f64::from(n) * 0.7).sin()).collect();
        assert_eq!(statistics(&smooth).resolution, None);
    }

    #[test]
    fn a_sine_that_reaches_its_top_is_not_clipped_and_one_cut_off_is() {
        for step in [0.02, 0.002] {
            assert_eq!(statistics(&sine(1.0, step)).clipped_fraction, 0.0, "{step}");
            let cut: Vec<f64> = sine(1.25, step).iter().map(|x| x.clamp(-1.0, 1.0)).collect();
            // A sine of 1.25 stands beyond 1 for acos(0.8)/(π/2) of the time.
            let share = 0.8f64.acos() / std::f64::consts::FRAC_PI_2;
            assert!((statistics(&cut).clipped_fraction - share).abs() < 0.02, "{step}");
        }
    }

    #[test]
    fn dead_identical_and_repeated_are_seen() {
        assert!(statistics(&[0.5; 100]).is_dead());
        let mut state = 3u64;
        let mut code = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 52) as f64
        };
        let noise: Vec<f64> = (0..6000).map(|_| code()).collect();
        assert_eq!(record(&[&noise, &noise]).identical, [(0, 1)]);
        assert_eq!(record(&[&noise]).repeated, None);
        let mut stuck = noise.clone();
        stuck.copy_within(1000..3000, 3500);
        let (distance, length) = record(&[&stuck]).repeated.unwrap();
        assert_eq!(distance, 2500);
        assert!((1000..=2000).contains(&length), "{length}");
    }
}
