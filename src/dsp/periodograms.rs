//! The density of each segment by itself: what Welch's method and the powers of mains periods are made of.
//!
//! Segments are transformed several at a time over the cores and handed on in the order of time. So nothing that is
//! added up from them depends on threads or on the size of blocks. Each channel has a transform of its own: two real
//! channels in one complex transform would take the same operations and would leak the rounding of a large channel
//! into a small one.

use std::ops::Range;

use super::Complex;
use super::segment::{Hop, Segmenter};
use super::transform::Transform;
use super::window::Taper;
use crate::lanes::{Kernel, widest};
use crate::spread;
use crate::units::Hertz;

/// Segments in work at a time: enough for the cores, few enough to stay in their own memory.
const ROUND: usize = 16;
/// Segments of one channel that a thread takes at a time.
const TASK: usize = 4;

/// Makes the one-sided density of every segment of some channels: 2|X|²/(fs·S2), not doubled at 0 and at half the
/// sample rate.
#[derive(Debug, Clone)]
pub struct Periodograms {
    taper: Taper,
    segmenter: Segmenter,
    /// 1/(fs·S2).
    scale: f64,
    /// The bins in use.
    bins: Range<usize>,
    keeps_transforms: bool,
    workers: Vec<Worker>,
}

/// What one segment of one channel gave; both slices begin at the first bin in use.
#[derive(Debug, Clone, Copy)]
pub struct Periodogram<'a> {
    /// The density of each bin in use.
    pub density: &'a [f64],
    /// The transform there, not scaled; empty unless it was asked for.
    pub transform: &'a [Complex<f64>],
}

/// The buffers of one thread for some segments of one channel.
#[derive(Debug, Clone)]
struct Worker {
    transform: Transform,
    densities: Vec<f64>,
    transforms: Vec<Complex<f64>>,
}

impl Periodograms {
    /// For channels at a rate. Only the bins asked for are made into densities; `keeps_transforms` hands over their
    /// transforms as well.
    ///
    /// # Panics
    /// When there is no channel, the hop is shorter than one sample, or a bin lies beyond half the rate.
    pub fn new(
        rate: Hertz,
        taper: Taper,
        hop: Hop,
        channels: usize,
        bins: Range<usize>,
        keeps_transforms: bool,
    ) -> Self {
        assert!(bins.end <= taper.len() / 2 + 1, "{bins:?} of a segment of {}", taper.len());
        Self {
            segmenter: Segmenter::new(channels, taper.len(), hop),
            scale: 1.0 / (rate.get() * taper.sum_of_squares()),
            taper,
            bins,
            keeps_transforms,
            workers: Vec::new(),
        }
    }

    /// The window.
    pub fn taper(&self) -> &Taper {
        &self.taper
    }

    /// How far apart segments start.
    pub fn hop(&self) -> Hop {
        self.segmenter.hop()
    }

    /// How many channels there are.
    pub fn channels(&self) -> usize {
        self.segmenter.channels()
    }

    /// The factor that makes |X|², or the product of two transforms, a density: of 0 and of half the rate once, of
    /// the bins between them twice.
    pub fn scale(&self, bin: usize) -> f64 {
        if doubled(self.taper.len()).contains(&bin) { 2.0 * self.scale } else { self.scale }
    }

    /// Takes the next samples of every channel and hands over each segment that is complete: its number counted
    /// from 0, and a periodogram a channel.
    ///
    /// # Panics
    /// When the number of channels is another one, or when they differ in length.
    pub fn push(&mut self, channels: &[&[f64]], mut each: impl FnMut(u64, &[Periodogram<'_>])) {
        let Self { taper, segmenter, scale, bins, keeps_transforms, workers } = self;
        let count = channels.len();
        segmenter.push_rounds(channels, ROUND, |first, round| {
            let tasks = round.len().div_ceil(TASK) * count;
            while workers.len() < tasks {
                let planned = workers.first().map_or_else(|| Transform::new(taper), |worker| worker.transform.clone());
                workers.push(Worker::new(planned, bins.len(), *keeps_transforms));
            }
            spread::map(workers[..tasks].iter_mut().enumerate().collect(), |(task, worker)| {
                let start = task / count * TASK;
                for (place, segment) in (start..round.len().min(start + TASK)).enumerate() {
                    worker.run(place, round.segment(segment, task % count), bins.clone(), *scale);
                }
            });
            let mut row = Vec::with_capacity(count);
            for (number, segment) in (first..).zip(0..round.len()) {
                row.clear();
                let workers = &workers[segment / TASK * count..][..count];
                row.extend(workers.iter().map(|worker| worker.periodogram(segment % TASK, bins.len())));
                each(number, &row);
            }
        });
    }
}

impl Worker {
    fn new(transform: Transform, bins: usize, keeps_transforms: bool) -> Self {
        let kept = if keeps_transforms { TASK * bins } else { 0 };
        Self { transform, densities: vec![0.0; TASK * bins], transforms: vec![Complex::default(); kept] }
    }

    fn run(&mut self, place: usize, segment: &[f64], bins: Range<usize>, scale: f64) {
        let Self { transform, densities, transforms } = self;
        let (own, doubled) = (place * bins.len()..(place + 1) * bins.len(), doubled(transform.len()));
        let spectrum = &transform.run(segment)[bins.clone()];
        let density = &mut densities[own.clone()];
        widest(Density { spectrum, scale: 2.0 * scale, density });
        // Only the first and the last bin in use can be at an end of the spectrum.
        for place in [0, bins.len().saturating_sub(1)] {
            if let Some(density) = density.get_mut(place).filter(|_| !doubled.contains(&(bins.start + place))) {
                *density = scale * spectrum[place].norm_sqr();
            }
        }
        if !transforms.is_empty() {
            transforms[own].copy_from_slice(spectrum);
        }
    }

    fn periodogram(&self, place: usize, bins: usize) -> Periodogram<'_> {
        let own = place * bins..(place + 1) * bins;
        Periodogram { density: &self.densities[own.clone()], transform: self.transforms.get(own).unwrap_or_default() }
    }
}

/// |X|² times a factor.
struct Density<'a> {
    spectrum: &'a [Complex<f64>],
    scale: f64,
    density: &'a mut [f64],
}

impl Kernel for Density<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for (density, bin) in self.density.iter_mut().zip(self.spectrum) {
            *density = self.scale * (bin.re * bin.re + bin.im * bin.im);
        }
    }
}

/// The bins that stand for a negative frequency as well: all but 0 and half the sample rate.
fn doubled(length: usize) -> Range<usize> {
    1..length.div_ceil(2)
}

#[cfg(test)]
mod tests {
    use super::super::welch::Welch;
    use super::super::window::Window;
    use super::*;

    const LENGTH: usize = 120;

    #[test]
    fn their_mean_is_what_welch_says_and_a_part_of_the_bins_is_the_same_part() {
        let rate = Hertz::new(12e3).unwrap();
        let x: Vec<f64> = (0..4000).map(|n| f64::from(n * n % 101) - 50.0).collect();
        let y: Vec<f64> = x.iter().rev().copied().collect();
        for length in [LENGTH, LENGTH - 1] {
            let taper = Taper::new(&Window::default(), length);
            let mut welch = Welch::new(rate, taper.clone(), Hop::Samples(50), 2, false);
            welch.push(&[&x, &y]);
            let result = welch.finish().unwrap();
            for bins in [0..length / 2 + 1, 0..1, 7..31, length / 2..length / 2 + 1, 9..9] {
                let mut periodograms = Periodograms::new(rate, taper.clone(), Hop::Samples(50), 2, bins.clone(), false);
                let mut sums = vec![vec![0.0; bins.len()]; 2];
                let mut numbers = Vec::new();
                for (x, y) in x.chunks(777).zip(y.chunks(777)) {
                    periodograms.push(&[x, y], |number, row| {
                        numbers.push(number);
                        for (sum, periodogram) in sums.iter_mut().zip(row) {
                            sum.iter_mut().zip(periodogram.density).for_each(|(sum, density)| *sum += density);
                        }
                    });
                }
                assert_eq!(numbers, (0..result.segments).collect::<Vec<_>>());
                for (sum, channel) in sums.iter().zip(&result.channels) {
                    let means: Vec<f64> = sum.iter().map(|sum| sum / result.segments as f64).collect();
                    assert_eq!(means, channel.mean.values()[bins.clone()], "{bins:?}");
                }
            }
        }
    }
}
