//! What wire and air have in common: cross spectra of the same segments, and of segments moved against each other.
//!
//! Two steady tones of one frequency look coherent however little they have to do with each other, because each
//! repeats itself. So the wire is also set beside the air of another time ([`Lag`]): what is as coherent then
//! proves nothing. Only the last segments are kept for that, so that a record of any length runs in constant memory.

use std::collections::VecDeque;

use crate::dsp::Complex;
use crate::dsp::cross::{coherence, effective_averages};
use crate::dsp::segment::{Hop, Segmenter};
use crate::dsp::transform::Transform;
use crate::dsp::window::Taper;
use crate::error::Error;
use crate::units::{Band, Hertz};

/// How many times the shortest shift without overlap the segments are moved: up to 240 ms at 200 Hz and half overlap.
const SHIFTS: [usize; 6] = [1, 2, 4, 8, 16, 32];
/// Blocks of segments kept for judging scatter: at most this many, at least half of it in a long record.
const BLOCKS: usize = 32;
/// Segments in the first blocks: neighbours that overlap by half hardly correlate the blocks then.
const FIRST_BLOCK: u64 = 4;

/// Sums over segments, a value a bin: the densities of wire and air and their cross density.
#[derive(Debug, Clone, PartialEq)]
pub struct Sums {
    /// How many segments.
    pub segments: u64,
    /// How many independent segments they are worth.
    pub averages: f64,
    /// The wire's density times the number of segments.
    pub wire: Vec<f64>,
    /// The air's.
    pub air: Vec<f64>,
    /// The cross density conj(wire)·air times the number of segments.
    pub cross: Vec<Complex<f64>>,
}

/// The same sums for segments that lie apart in time.
#[derive(Debug, Clone, PartialEq)]
pub struct Lag {
    /// How many segments the air is later than the wire; negative where it is earlier.
    pub shift: i64,
    /// The sums.
    pub sums: Sums,
}

/// What one capture, or several taken together, gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// The frequencies of the bins in hertz.
    pub frequency_hz: Vec<f64>,
    /// The distance of bins in hertz.
    pub bin_hz: f64,
    /// The noise bandwidth in hertz.
    pub enbw_hz: f64,
    /// All segments.
    pub whole: Sums,
    /// Σ|X|²|Y|² over the segments, in the unit of the product of both densities: where wire and air are loud at
    /// the same time there are fewer independent segments than it seems.
    pub together: Vec<f64>,
    /// Segments moved against each other.
    pub lags: Vec<Lag>,
    /// The record in blocks of segments, for judging scatter.
    pub blocks: Vec<Sums>,
    /// Each capture by itself.
    pub captures: Vec<Sums>,
}

impl Sums {
    fn new(bins: usize) -> Self {
        Self {
            segments: 0,
            averages: 0.0,
            wire: vec![0.0; bins],
            air: vec![0.0; bins],
            cross: vec![Complex::default(); bins],
        }
    }

    fn add(&mut self, wire: &[Complex<f64>], air: &[Complex<f64>]) {
        self.segments += 1;
        for (k, (x, y)) in wire.iter().zip(air).enumerate() {
            self.wire[k] += x.norm_sqr();
            self.air[k] += y.norm_sqr();
            self.cross[k] += x.conj() * y;
        }
    }

    fn combine(&mut self, other: &Self, sign: f64) {
        self.averages += sign * other.averages;
        for (mine, theirs) in [(&mut self.wire, &other.wire), (&mut self.air, &other.air)]
            .into_iter()
            .flat_map(|(a, b)| a.iter_mut().zip(b))
        {
            *mine += sign * theirs;
        }
        for (mine, theirs) in self.cross.iter_mut().zip(&other.cross) {
            *mine += theirs * sign;
        }
    }

    /// Adds the sums of other segments.
    pub fn join(&mut self, other: &Self) {
        self.segments += other.segments;
        self.combine(other, 1.0);
    }

    /// The sums without those of some of the segments.
    #[must_use]
    pub fn without(&self, other: &Self) -> Self {
        let mut rest = self.clone();
        rest.segments -= other.segments;
        rest.combine(other, -1.0);
        rest
    }

    /// The coherence of each bin, 0 to 1.
    pub fn coherence(&self) -> Vec<f64> {
        coherence(&self.wire, &self.air, &self.cross)
    }

    fn scale(&mut self, wire: &[Complex<f64>], air: &[Complex<f64>]) {
        for k in 0..self.wire.len() {
            self.wire[k] *= wire[k].norm_sqr();
            self.air[k] *= air[k].norm_sqr();
            self.cross[k] *= wire[k].conj() * air[k];
        }
    }
}

impl Joint {
    /// Multiplies the amplitudes of wire and air, with their phase, by a factor that depends on the frequency in hertz:
    /// corrections of high-pass and measuring chain. Coherence stays as it is.
    #[must_use]
    pub fn corrected(mut self, wire: impl Fn(f64) -> Complex<f64>, air: impl Fn(f64) -> Complex<f64>) -> Self {
        let factors = |of: &dyn Fn(f64) -> Complex<f64>| self.frequency_hz.iter().map(|f| of(*f)).collect::<Vec<_>>();
        let (wire, air) = (factors(&wire), factors(&air));
        let Self { whole, lags, blocks, captures, together, .. } = &mut self;
        let all = std::iter::once(whole).chain(lags.iter_mut().map(|lag| &mut lag.sums)).chain(blocks).chain(captures);
        all.for_each(|sums| sums.scale(&wire, &air));
        together
            .iter_mut()
            .zip(wire.iter().zip(&air))
            .for_each(|(value, (x, y))| *value *= x.norm_sqr() * y.norm_sqr());
        self
    }

    /// Adds another capture of the same case.
    ///
    /// # Errors
    /// Another clock or other settings: the bins are not the same.
    pub fn merge(&mut self, other: &Self) -> Result<(), Error> {
        if self.frequency_hz != other.frequency_hz {
            return Err(Error::usage("captures with different bins cannot be taken together")
                .expected("captures of one sampling rate")
                .remedy("analyse them one by one"));
        }
        self.whole.join(&other.whole);
        self.together.iter_mut().zip(&other.together).for_each(|(mine, theirs)| *mine += theirs);
        for theirs in &other.lags {
            match self.lags.iter_mut().find(|mine| mine.shift == theirs.shift) {
                Some(mine) => mine.sums.join(&theirs.sums),
                None => self.lags.push(theirs.clone()),
            }
        }
        self.blocks.extend_from_slice(&other.blocks);
        self.captures.extend_from_slice(&other.captures);
        Ok(())
    }
}

/// Accumulates a [`Joint`] from samples of wire and air.
///
/// ```
/// use linewake::dsp::{segment::Hop, window::{Taper, Window}};
/// use linewake::measure::coherence::JointSpectra;
/// use linewake::units::{Band, Hertz};
/// let wire: Vec<f64> = (0..4000).map(|n| f64::from(n * n % 101)).collect();
/// let air: Vec<f64> = wire.iter().map(|v| 0.1 * v).collect();
/// let taper = Taper::new(&Window::default(), 200);
/// let mut joint = JointSpectra::new(Hertz::new(10e3)?, taper, Hop::Samples(100), Band::new(1e3, 2e3)?);
/// joint.push(&wire, &air);
/// let joint = joint.finish().unwrap();
/// assert!((joint.whole.coherence()[3] - 1.0).abs() < 1e-12);
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct JointSpectra {
    rate: Hertz,
    taper: Taper,
    hop: Hop,
    segmenter: Segmenter,
    sums: Gathered,
}

/// What is added up, and the segments of the recent past.
#[derive(Debug, Clone)]
struct Gathered {
    transform: Transform,
    first: usize,
    shifts: Vec<usize>,
    past: VecDeque<[Vec<Complex<f64>>; 2]>,
    together: Vec<f64>,
    lags: Vec<Lag>,
    blocks: Vec<Sums>,
    per_block: u64,
}

impl JointSpectra {
    /// Starts with nothing; keeps the bins that reach into a range.
    ///
    /// # Panics
    /// When the hop is shorter than one sample.
    pub fn new(rate: Hertz, taper: Taper, hop: Hop, range: Band) -> Self {
        let segmenter = Segmenter::new(2, taper.len(), hop);
        let width = rate.get() / taper.len() as f64;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and it saturates")]
        let index = |frequency: f64| (frequency / width + 1e-9).floor() as usize;
        // The bins at 0 and at half the sampling rate stand for half a bin each and carry no phase.
        let last = index(range.high()).min((taper.len() - 1) / 2);
        let first = index(range.low() + width * (1.0 - 1e-6)).clamp(1, last.max(1));
        let bins = (last + 1).saturating_sub(first);
        let clear = (1..).find(|j| hop.start(*j) >= taper.len() as u64).unwrap_or(1);
        let clear = usize::try_from(clear).unwrap_or(1);
        let shifts: Vec<usize> = SHIFTS.iter().map(|shift| shift * clear).collect();
        let signed = |shift: &usize| i64::try_from(*shift).unwrap_or(i64::MAX);
        let lags = shifts.iter().flat_map(|s| [signed(s), -signed(s)]);
        let sums = Gathered {
            transform: Transform::new(&taper),
            first,
            past: VecDeque::new(),
            together: vec![0.0; bins],
            lags: lags.map(|shift| Lag { shift, sums: Sums::new(bins) }).collect(),
            blocks: Vec::new(),
            per_block: FIRST_BLOCK,
            shifts,
        };
        Self { rate, hop, segmenter, taper, sums }
    }

    /// Takes the next samples of wire and air.
    ///
    /// # Panics
    /// When they differ in length.
    pub fn push(&mut self, wire: &[f64], air: &[f64]) {
        let Self { segmenter, sums, .. } = self;
        segmenter.push(&[wire, air], |_, segment| sums.add(segment));
    }

    /// What the segments gave; `None` before the first one is complete.
    pub fn finish(self) -> Option<Joint> {
        let Self { rate, taper, hop, sums, .. } = self;
        let bins = sums.together.len();
        let Gathered { first, together, lags, mut blocks, per_block, .. } = sums;
        let scale = 2.0 / (rate.get() * taper.sum_of_squares());
        // A short last block would scatter more than the others.
        if let [.., before, last] = blocks.as_mut_slice()
            && 2 * last.segments < per_block
        {
            before.join(last);
            blocks.pop();
        }
        let mut whole = Sums::new(bins);
        blocks.iter().for_each(|block| whole.join(block));
        if whole.segments == 0 {
            return None;
        }
        whole.averages = effective_averages(&taper, hop, whole.segments);
        // Blocks share out what the whole is worth.
        for block in &mut blocks {
            block.averages = whole.averages * block.segments as f64 / whole.segments as f64;
        }
        let mut lags: Vec<Lag> = lags.into_iter().filter(|lag| lag.sums.segments > 1).collect();
        for lag in &mut lags {
            lag.sums.averages = effective_averages(&taper, hop, lag.sums.segments);
        }
        let width = rate.get() / taper.len() as f64;
        let joint = Joint {
            frequency_hz: (0..bins).map(|k| (first + k) as f64 * width).collect(),
            bin_hz: width,
            enbw_hz: taper.noise_bandwidth(rate).get(),
            captures: vec![whole.clone()],
            whole,
            together,
            lags,
            blocks,
        };
        let amplitude = Complex::new(scale.sqrt(), 0.0);
        Some(joint.corrected(|_| amplitude, |_| amplitude))
    }
}

impl Gathered {
    fn add(&mut self, segment: &[&[f64]]) {
        let bins = self.together.len();
        let mut of = |samples: &[f64]| self.transform.run(samples)[self.first..self.first + bins].to_vec();
        let (wire, air) = (of(segment[0]), of(segment[1]));
        if self.blocks.last().is_none_or(|block| block.segments >= self.per_block) {
            self.make_room();
            self.blocks.push(Sums::new(bins));
        }
        if let Some(block) = self.blocks.last_mut() {
            block.add(&wire, &air);
        }
        for (sum, (x, y)) in self.together.iter_mut().zip(wire.iter().zip(&air)) {
            *sum += x.norm_sqr() * y.norm_sqr();
        }
        for (place, shift) in self.shifts.iter().enumerate() {
            // The latest segment of the past lies at the end.
            let Some([earlier_wire, earlier_air]) = self.past.len().checked_sub(*shift).map(|at| &self.past[at]) else {
                break;
            };
            self.lags[2 * place].sums.add(earlier_wire, &air);
            self.lags[2 * place + 1].sums.add(&wire, earlier_air);
        }
        if self.past.len() == self.shifts.last().copied().unwrap_or(0) {
            self.past.pop_front();
        }
        self.past.push_back([wire, air]);
    }

    /// Joins blocks in pairs when there are enough of them.
    fn make_room(&mut self) {
        if self.blocks.len() < BLOCKS {
            return;
        }
        self.per_block *= 2;
        let pairs = std::mem::take(&mut self.blocks);
        self.blocks = pairs
            .chunks(2)
            .map(|pair| {
                let mut joined = pair[0].clone();
                pair[1..].iter().for_each(|other| joined.join(other));
                joined
            })
            .collect();
    }
}
