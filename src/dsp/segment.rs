//! Segments: how long they are, where they start, and how they are cut from blocks of any size.

use super::window::Window;
use crate::units::Hertz;

/// No segment is longer: 2³⁰ samples are minutes of record at the fastest rates and gigabytes of memory.
const LONGEST: u64 = 1 << 30;

/// The length of a segment for a resolution bandwidth: the smallest even length without prime factors above
/// five whose equivalent noise bandwidth does not exceed it.
///
/// Such lengths transform fast. Absurd requests end at the shortest segment that shows the window, or at 2³⁰
/// samples; the caller says what is still sensible for the record.
///
/// ```
/// use linewake::dsp::{segment::segment_length, window::Window};
/// use linewake::units::Hertz;
/// let length = segment_length(&Window::default(), Hertz::new(500e3)?, Hertz::new(200.0)?);
/// assert_eq!(length, 3750); // 1.5 bins of 500 kHz / 3750 are 200 Hz
/// # Ok::<(), linewake::error::Error>(())
/// ```
pub fn segment_length(window: &Window, rate: Hertz, resolution: Hertz) -> usize {
    // Rounding must not push a length that fits exactly to the next one.
    const ROUNDING: f64 = 1.0 + 1e-12;
    let ratio = rate.get() / resolution.get();
    let limit = |length: usize| length as f64 * ROUNDING / ratio;
    // The bandwidth of a short Kaiser window in bins may lie slightly below its limit, hence the margin.
    let guess = (0.98 * ratio * window.noise_bandwidth_bins()).min(LONGEST as f64);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive and bounded by LONGEST")]
    let mut length = even_smooth((guess as usize).max(window.shortest()));
    while (length as u64) < LONGEST && window.noise_bandwidth_bins_at(length) > limit(length) {
        length = even_smooth(length + 1);
    }
    length
}

/// The smallest even number, not below a given one, without prime factors above five.
pub(super) fn even_smooth(at_least: usize) -> usize {
    let at_least = at_least.clamp(2, 1 << 30);
    let powers = |base: usize| std::iter::successors(Some(1), move |power: &usize| power.checked_mul(base));
    let odd = powers(5)
        .take_while(|five| *five <= at_least)
        .flat_map(|five| powers(3).take_while(move |three| *three <= at_least / five).map(move |three| three * five));
    // Behind the last odd part follows a power of two, at least 2 and at most 2³⁰.
    odd.map(|odd| odd * at_least.div_ceil(odd).max(2).next_power_of_two())
        .min()
        .expect("1 is always among the odd parts")
}

/// How far apart segments start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Hop {
    /// Segment `k` starts at sample `k` times this number.
    Samples(usize),
    /// Segment `k` starts at round(`k` · `samples` / `per_period`): so many segments a period, without drift.
    Period {
        /// The length of a period in samples; not a whole number as a rule.
        samples: f64,
        /// Segments in each period.
        per_period: usize,
    },
}

impl Hop {
    /// The sample that a segment starts at.
    pub fn start(self, segment: u64) -> u64 {
        match self {
            Hop::Samples(samples) => segment.saturating_mul(samples as u64),
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and it saturates")]
            Hop::Period { samples, per_period } => (segment as f64 * samples / per_period as f64).round() as u64,
        }
    }

    fn moves_on(self) -> bool {
        match self {
            Hop::Samples(samples) => samples > 0,
            Hop::Period { samples, per_period } => {
                samples.is_finite() && per_period > 0 && samples >= per_period as f64
            }
        }
    }
}

/// Cuts overlapping segments from blocks of samples of several channels; segments may cross the borders of blocks.
///
/// It holds at most one segment and one block. The same segments come out for any size of the blocks.
///
/// ```
/// use linewake::dsp::segment::{Hop, Segmenter};
/// let mut segmenter = Segmenter::new(1, 4, Hop::Samples(2));
/// let mut seen = Vec::new();
/// for block in [&[0.0, 1.0, 2.0][..], &[3.0, 4.0, 5.0]] {
///     segmenter.push(&[block], |number, channels| seen.push((number, channels[0].to_vec())));
/// }
/// assert_eq!(seen, [(0, vec![0.0, 1.0, 2.0, 3.0]), (1, vec![2.0, 3.0, 4.0, 5.0])]);
/// ```
#[derive(Debug, Clone)]
pub struct Segmenter {
    length: usize,
    hop: Hop,
    /// What is not yet used up, a row a channel.
    held: Vec<Vec<f64>>,
    /// The number of the first sample held, or of the first one wanted where none is held yet.
    first: u64,
    /// How many samples were pushed.
    seen: u64,
    /// The number of the next segment.
    next: u64,
}

impl Segmenter {
    /// Cuts segments of `length` samples.
    ///
    /// # Panics
    /// When there is no channel, when the length is zero, or when the hop is shorter than one sample.
    pub fn new(channels: usize, length: usize, hop: Hop) -> Self {
        assert!(channels > 0 && length > 0 && hop.moves_on(), "{channels} channels, {length} samples, {hop:?}");
        Self { length, hop, held: vec![Vec::new(); channels], first: 0, seen: 0, next: 0 }
    }

    /// The length of a segment in samples.
    pub fn length(&self) -> usize {
        self.length
    }

    /// How far apart segments start.
    pub fn hop(&self) -> Hop {
        self.hop
    }

    /// How many channels there are.
    pub fn channels(&self) -> usize {
        self.held.len()
    }

    /// Takes the next samples of every channel and hands over each segment that is complete: its number,
    /// counted from 0, and its samples, a slice a channel.
    ///
    /// # Panics
    /// When the number of channels is another one, or when they differ in length.
    pub fn push(&mut self, channels: &[&[f64]], mut each: impl FnMut(u64, &[&[f64]])) {
        let count = channels.len();
        self.push_rounds(channels, usize::MAX, |first, round| {
            let mut row = Vec::with_capacity(count);
            for (number, segment) in (first..).zip(0..round.len()) {
                row.clear();
                row.extend((0..count).map(|channel| round.segment(segment, channel)));
                each(number, &row);
            }
        });
    }

    /// The same, but several segments at a time, at most so many: the number of the first one, and all of them.
    ///
    /// # Panics
    /// When the number of channels is another one, or when they differ in length.
    pub fn push_rounds(&mut self, channels: &[&[f64]], at_most: usize, mut each: impl FnMut(u64, Round<'_>)) {
        self.hold(channels);
        let mut starts = Vec::new();
        loop {
            let start = self.hop.start(self.next + starts.len() as u64);
            let complete = start.saturating_add(self.length as u64) <= self.seen;
            if complete {
                starts.push(offset(start, self.first));
            }
            if !complete || starts.len() == at_most {
                if !starts.is_empty() {
                    each(self.next, Round { held: &self.held, starts: &starts, length: self.length });
                    self.next += starts.len() as u64;
                    starts.clear();
                }
                if !complete {
                    self.first = start;
                    break;
                }
            }
        }
        let kept = self.first.min(self.seen);
        let count = offset(self.seen, kept);
        for held in &mut self.held {
            held.drain(..held.len() - count);
        }
    }

    /// Appends a block, less what lies before the next segment.
    fn hold(&mut self, channels: &[&[f64]]) {
        assert_eq!(channels.len(), self.held.len(), "a block has as many channels as the segmenter");
        let length = channels[0].len();
        assert!(channels.iter().all(|channel| channel.len() == length), "the channels of a block are equally long");
        let unwanted = self.first.saturating_sub(self.seen).min(length as u64);
        let unwanted = offset(unwanted, 0);
        for (held, channel) in self.held.iter_mut().zip(channels) {
            held.extend_from_slice(&channel[unwanted..]);
        }
        self.seen += length as u64;
    }
}

/// Some segments that follow each other.
#[derive(Debug, Clone, Copy)]
pub struct Round<'a> {
    held: &'a [Vec<f64>],
    starts: &'a [usize],
    length: usize,
}

impl<'a> Round<'a> {
    /// How many segments there are.
    #[expect(clippy::len_without_is_empty, reason = "a round is never empty")]
    pub fn len(&self) -> usize {
        self.starts.len()
    }

    /// The samples of one segment, counted from 0 within the round, in one channel.
    ///
    /// # Panics
    /// When there is no such segment or channel.
    pub fn segment(&self, segment: usize, channel: usize) -> &'a [f64] {
        let start = self.starts[segment];
        &self.held[channel][start..start + self.length]
    }
}

/// The distance of two sample numbers that lie within what is held in memory.
#[expect(clippy::cast_possible_truncation, reason = "both lie within one buffer")]
fn offset(later: u64, earlier: u64) -> usize {
    (later - earlier) as usize
}

#[cfg(test)]
mod tests {
    use super::super::window::WINDOWS;
    use super::*;

    fn hertz(value: f64) -> Hertz {
        Hertz::new(value).unwrap()
    }

    fn is_even_smooth(mut n: usize) -> bool {
        let even = n.is_multiple_of(2);
        for prime in [2, 3, 5] {
            while n.is_multiple_of(prime) {
                n /= prime;
            }
        }
        even && n == 1
    }

    #[test]
    fn smooth_lengths_by_hand() {
        for (at_least, expected) in [(0, 2), (3, 4), (7, 8), (11, 12), (13, 16), (3749, 3750), (3751, 3840)] {
            assert_eq!(even_smooth(at_least), expected, "{at_least}");
        }
        let mut previous = 2;
        for n in 3..5000 {
            let found = even_smooth(n);
            assert!(found >= n && is_even_smooth(found) && found >= previous, "{n} {found}");
            assert!((n..found).all(|between| !is_even_smooth(between)), "{n} {found}");
            previous = found;
        }
        assert_eq!(even_smooth(usize::MAX), 1 << 30);
    }

    #[test]
    fn no_shorter_segment_would_do() {
        for kind in WINDOWS {
            let window: Window = kind.name.parse().unwrap();
            for (rate, resolution) in [(500e3, 200.0), (1e6, 9e3), (96e3, 10.0), (1e6, 33e3)] {
                let length = segment_length(&window, hertz(rate), hertz(resolution));
                let bandwidth = |n: usize| window.noise_bandwidth_bins_at(n) * rate / n as f64;
                assert!(bandwidth(length) <= resolution * (1.0 + 1e-9), "{window} {length}");
                let shorter = (window.shortest()..length).rev().find(|n| is_even_smooth(*n));
                assert!(shorter.is_none_or(|n| bandwidth(n) > resolution), "{window} {length}");
            }
        }
    }

    #[test]
    fn absurd_requests_end_somewhere() {
        for window in ["rectangular", "hft248d", "kaiser:100"] {
            let window: Window = window.parse().unwrap();
            assert_eq!(segment_length(&window, hertz(1e300), hertz(1e-300)), 1 << 30);
            assert!(segment_length(&window, hertz(1e-300), hertz(1e300)) <= 24);
        }
    }

    /// The segments of a ramp, cut from blocks of the given size.
    fn cut(total: usize, block: usize, length: usize, hop: Hop) -> Vec<(u64, Vec<f64>)> {
        let ramp: Vec<f64> = (0..total).map(|n| n as f64).collect();
        let mut segmenter = Segmenter::new(1, length, hop);
        let mut seen = Vec::new();
        for block in ramp.chunks(block) {
            segmenter.push(&[block], |number, channels| seen.push((number, channels[0].to_vec())));
            assert!(segmenter.held[0].len() <= length + block.len());
        }
        seen
    }

    #[test]
    fn blocks_of_any_size_give_the_same_segments() {
        for hop in [
            Hop::Samples(1),
            Hop::Samples(5),
            Hop::Samples(16),
            Hop::Samples(37),
            Hop::Period { samples: 33.3, per_period: 2 },
            Hop::Period { samples: 41.7, per_period: 1 },
        ] {
            let whole = cut(400, 400, 16, hop);
            assert!(whole.iter().all(|(number, segment)| segment[0] == hop.start(*number) as f64));
            let last = whole.last().unwrap().0;
            assert!(hop.start(last) + 16 <= 400 && hop.start(last + 1) + 16 > 400, "{hop:?}");
            for block in [1, 2, 7, 16, 61, 399] {
                assert_eq!(cut(400, block, 16, hop), whole, "{hop:?} {block}");
            }
        }
    }

    #[test]
    fn periods_do_not_drift() {
        let hop = Hop::Period { samples: 10_006.004, per_period: 10 };
        assert_eq!(hop.start(10_000), 10_006_004);
        assert_eq!(hop.start(3), 3002);
    }
}
