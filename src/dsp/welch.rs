//! Welch's method as an accumulator: averaged densities and cross densities of segments.
//!
//! The density of a segment is 2|X|²/(fs·S2), not doubled at 0 and at half the sample rate. Segments are added
//! in the order of time, so the result is the same, bit for bit, for any size of the blocks.
//!
//! # Sources
//! Welch, IEEE Trans. Audio Electroacoustics 15 (1967) 70-73 (from memory).

use super::Complex;
use super::periodograms::{Periodogram, Periodograms};
use super::segment::Hop;
use super::spectrum::{Density, Spectrum};
use super::window::Taper;
use crate::error::Error;
use crate::lanes::{Kernel, widest};
use crate::units::Hertz;

/// Accumulates densities of one or more channels, and cross densities of all their pairs where asked.
///
/// ```
/// use linewake::dsp::{segment::Hop, welch::Welch, window::{Taper, Window}};
/// use linewake::units::Hertz;
/// let rate = Hertz::new(1000.0)?;
/// let taper = Taper::new(&Window::default(), 100);
/// let mut welch = Welch::new(rate, taper, Hop::Samples(50), 1, false);
/// let sine: Vec<f64> = (0..1000).map(|n| (2.0 * std::f64::consts::PI * 0.1 * f64::from(n)).sin()).collect();
/// welch.push(&[&sine]);
/// let result = welch.finish().unwrap();
/// assert!((result.channels[0].mean.rms_at(10) - 0.5f64.sqrt()).abs() < 1e-12); // bin 10 is 100 Hz
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Welch {
    rate: Hertz,
    periodograms: Periodograms,
    sums: Sums,
}

/// What is added up.
#[derive(Debug, Clone)]
struct Sums {
    segments: u64,
    channels: Vec<ChannelSums>,
    pairs: Vec<PairSum>,
    /// For pairs, the factor on the product of two transforms, bin by bin.
    scales: Vec<f64>,
}

#[derive(Debug, Clone)]
struct ChannelSums {
    sum: Vec<f64>,
    max: Vec<f64>,
    min: Vec<f64>,
}

#[derive(Debug, Clone)]
struct PairSum {
    first: usize,
    second: usize,
    sum: Vec<Complex<f64>>,
}

/// The densities of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Densities {
    /// The mean over all segments.
    pub mean: Spectrum<Density>,
    /// The largest value that each bin had in any segment.
    pub max_hold: Spectrum<Density>,
    /// The smallest value that each bin had in any segment.
    pub min_hold: Spectrum<Density>,
}

/// The mean one-sided cross density of two channels.
///
/// It is the mean of conj(X)·Y with X of the first and Y of the second channel, so Gxy/Gxx has the phase of the
/// second over the first. SciPy's `csd(x, y)` has the same convention.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossDensity {
    /// The number of channel x.
    pub first: usize,
    /// The number of channel y.
    pub second: usize,
    /// Gxy of each bin, in the product of both units per hertz.
    pub values: Vec<Complex<f64>>,
}

/// What Welch's method gives.
#[derive(Debug, Clone, PartialEq)]
pub struct WelchResult {
    /// The densities of each channel.
    pub channels: Vec<Densities>,
    /// The cross densities of the pairs (0, 1), (0, 2), … (1, 2), …; empty unless asked for.
    pub cross: Vec<CrossDensity>,
    /// How many segments there were.
    pub segments: u64,
}

impl Welch {
    /// Starts with nothing. `cross` asks for the cross densities of all pairs of channels.
    ///
    /// # Panics
    /// When there is no channel, or when the hop is shorter than one sample.
    pub fn new(rate: Hertz, taper: Taper, hop: Hop, channels: usize, cross: bool) -> Self {
        let bins = taper.len() / 2 + 1;
        let channel = ChannelSums { sum: vec![0.0; bins], max: vec![0.0; bins], min: vec![f64::INFINITY; bins] };
        let pairs = (0..channels).flat_map(|first| (first + 1..channels).map(move |second| (first, second)));
        let pairs: Vec<_> = pairs
            .filter(|_| cross)
            .map(|(first, second)| PairSum { first, second, sum: vec![Complex::default(); bins] })
            .collect();
        let periodograms = Periodograms::new(rate, taper, hop, channels, 0..bins, !pairs.is_empty());
        let scaled = if pairs.is_empty() { 0 } else { bins };
        let scales = (0..scaled).map(|bin| periodograms.scale(bin)).collect();
        Self { rate, periodograms, sums: Sums { segments: 0, channels: vec![channel; channels], pairs, scales } }
    }

    /// Takes the next samples of every channel.
    ///
    /// # Panics
    /// When the number of channels is another one, or when they differ in length.
    pub fn push(&mut self, channels: &[&[f64]]) {
        let Self { periodograms, sums, .. } = self;
        periodograms.push(channels, |_, row| sums.add(row));
    }

    /// Adds what another accumulator with the same settings has gathered from other samples.
    ///
    /// Samples that wait for the end of their segment are not joined: no segment spans two accumulators.
    ///
    /// # Errors
    /// Another rate, window, length, hop, number of channels or choice of cross densities.
    pub fn merge(&mut self, other: &Self) -> Result<(), Error> {
        let same = self.rate == other.rate
            && self.periodograms.taper() == other.periodograms.taper()
            && self.periodograms.hop() == other.periodograms.hop()
            && self.periodograms.channels() == other.periodograms.channels()
            && self.sums.pairs.len() == other.sums.pairs.len();
        if !same {
            return Err(Error::usage("spectra with different settings cannot be averaged")
                .expected("the same sample rate, window, segment length, overlap and number of channels"));
        }
        self.sums.merge(&other.sums);
        Ok(())
    }

    /// How many segments are complete.
    pub fn segments(&self) -> u64 {
        self.sums.segments
    }

    /// The means so far; `None` before the first segment is complete.
    pub fn finish(&self) -> Option<WelchResult> {
        let segments = self.sums.segments;
        (segments > 0).then(|| WelchResult {
            channels: self.sums.channels.iter().map(|channel| self.densities(channel)).collect(),
            cross: self.sums.pairs.iter().map(|pair| pair.mean(segments)).collect(),
            segments,
        })
    }

    fn densities(&self, channel: &ChannelSums) -> Densities {
        let taper = self.periodograms.taper();
        let bandwidth = taper.noise_bandwidth(self.rate);
        let count = self.sums.segments as f64;
        let spectrum = |values| Spectrum::new(values, self.rate, taper.len(), bandwidth, self.sums.segments);
        Densities {
            mean: spectrum(channel.sum.iter().map(|sum| sum / count).collect()),
            max_hold: spectrum(channel.max.clone()),
            min_hold: spectrum(channel.min.clone()),
        }
    }
}

impl Sums {
    /// Adds one segment of all channels.
    fn add(&mut self, row: &[Periodogram<'_>]) {
        for (channel, periodogram) in self.channels.iter_mut().zip(row) {
            widest(Add { channel, density: periodogram.density });
        }
        for PairSum { first, second, sum } in &mut self.pairs {
            let (x, y) = (row[*first].transform, row[*second].transform);
            widest(AddCross { x, y, scales: &self.scales, sum });
        }
        self.segments += 1;
    }

    fn merge(&mut self, other: &Self) {
        self.segments += other.segments;
        for (mine, theirs) in self.channels.iter_mut().zip(&other.channels) {
            join(&mut mine.sum, &theirs.sum, |a, b| a + b);
            join(&mut mine.max, &theirs.max, f64::max);
            join(&mut mine.min, &theirs.min, f64::min);
        }
        for (mine, theirs) in self.pairs.iter_mut().zip(&other.pairs) {
            join(&mut mine.sum, &theirs.sum, |a, b| a + b);
        }
    }
}

/// The density of one more segment.
struct Add<'a> {
    channel: &'a mut ChannelSums,
    density: &'a [f64],
}

impl Kernel for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let ChannelSums { sum, max, min } = self.channel;
        for (((density, sum), max), min) in self.density.iter().zip(sum).zip(max).zip(min) {
            *sum += density;
            *max = if *density > *max { *density } else { *max };
            *min = if *density < *min { *density } else { *min };
        }
    }
}

/// The product conj(X)·Y of one more segment.
struct AddCross<'a> {
    x: &'a [Complex<f64>],
    y: &'a [Complex<f64>],
    scales: &'a [f64],
    sum: &'a mut [Complex<f64>],
}

impl Kernel for AddCross<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for (((sum, x), y), scale) in self.sum.iter_mut().zip(self.x).zip(self.y).zip(self.scales) {
            sum.re += (x.re * y.re + x.im * y.im) * scale;
            sum.im += (x.re * y.im - x.im * y.re) * scale;
        }
    }
}

impl PairSum {
    fn mean(&self, segments: u64) -> CrossDensity {
        let values = self.sum.iter().map(|sum| sum / segments as f64).collect();
        CrossDensity { first: self.first, second: self.second, values }
    }
}

fn join<T: Copy>(mine: &mut [T], theirs: &[T], how: impl Fn(T, T) -> T) {
    for (mine, theirs) in mine.iter_mut().zip(theirs) {
        *mine = how(*mine, *theirs);
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::super::window::Window;
    use super::*;
    use crate::units::Band;

    const LENGTH: usize = 120;

    fn welch(channels: usize, cross: bool) -> Welch {
        let taper = Taper::new(&Window::default(), LENGTH);
        Welch::new(Hertz::new(12e3).unwrap(), taper, Hop::Samples(50), channels, cross)
    }

    fn ripple(count: usize, seed: usize) -> Vec<f64> {
        (0..count).map(|n| ((n * n + seed * n) % 101) as f64 - 50.0).collect()
    }

    #[test]
    fn blocks_of_any_size_give_the_same_bits() {
        let (x, y) = (ripple(1000, 3), ripple(1000, 7));
        let mut whole = welch(2, true);
        whole.push(&[&x, &y]);
        for block in [1, 13, 120, 999] {
            let mut pieces = welch(2, true);
            for (x, y) in x.chunks(block).zip(y.chunks(block)) {
                pieces.push(&[x, y]);
            }
            assert_eq!(pieces.finish(), whole.finish(), "{block}");
        }
    }

    #[test]
    fn a_tone_reads_its_rms_and_its_phase() {
        let tone = |phase: f64| -> Vec<f64> {
            (0..1000).map(|n| 3.0 * (2.0 * PI * f64::from(n) / 12.0 + phase).cos()).collect()
        };
        let mut welch = welch(2, true);
        welch.push(&[&tone(0.0), &tone(0.7)]);
        let result = welch.finish().unwrap();
        let bin = LENGTH / 12;
        assert!((result.channels[0].mean.rms_at(bin) - 3.0 / 2.0_f64.sqrt()).abs() < 1e-12);
        assert!((result.cross[0].values[bin].arg() - 0.7).abs() < 1e-12);
        assert_eq!(result.segments, 18);
    }

    #[test]
    fn the_whole_range_holds_the_mean_square() {
        let x = ripple(LENGTH, 5);
        let mean = x.iter().sum::<f64>() / LENGTH as f64;
        let expected = x.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / LENGTH as f64;
        for length in [LENGTH, LENGTH - 1] {
            let taper = Taper::new(&"rectangular".parse::<Window>().unwrap(), length);
            let mut welch = Welch::new(Hertz::new(12e3).unwrap(), taper, Hop::Samples(1), 1, false);
            welch.push(&[&x[..length]]);
            let found = welch.finish().unwrap().channels[0].mean.mean_square_in(Band::new(0.0, 6e3).unwrap());
            let mean = x[..length].iter().sum::<f64>() / length as f64;
            let expected = if length == LENGTH {
                expected
            } else {
                x[..length].iter().map(|x| (x - mean).powi(2)).sum::<f64>() / length as f64
            };
            assert!((found / expected - 1.0).abs() < 1e-12, "{length}");
        }
    }

    #[test]
    fn merged_halves_are_the_mean_of_both() {
        let (x, y) = (ripple(500, 1), ripple(700, 2));
        let (mut first, mut second) = (welch(1, false), welch(1, false));
        first.push(&[&x]);
        let alone = first.finish().unwrap();
        second.push(&[&y]);
        let other = second.finish().unwrap();
        first.merge(&second).unwrap();
        let both = first.finish().unwrap();
        assert_eq!(both.segments, alone.segments + other.segments);
        for bin in 0..=LENGTH / 2 {
            let sum = alone.channels[0].mean.values()[bin] * alone.segments as f64
                + other.channels[0].mean.values()[bin] * other.segments as f64;
            assert!((both.channels[0].mean.values()[bin] * both.segments as f64 / sum - 1.0).abs() < 1e-12);
            let max = alone.channels[0].max_hold.values()[bin].max(other.channels[0].max_hold.values()[bin]);
            assert_eq!(both.channels[0].max_hold.values()[bin], max);
        }
        assert!(first.merge(&welch(2, false)).is_err());
    }

    #[test]
    fn nothing_in_nothing_out() {
        let mut welch = welch(1, false);
        welch.push(&[&[1.0; LENGTH - 1]]);
        assert!(welch.finish().is_none());
    }
}
