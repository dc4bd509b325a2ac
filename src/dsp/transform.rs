//! From a segment of samples to its tapered transform; plan and buffers are made once.

use std::cell::{Cell, RefCell};
use std::f64::consts::PI;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

use super::Complex;
use super::lane_transform::{LANES, LaneTransform, WIDE};
use super::window::Taper;
use crate::lanes::{Kernel, aligned, widest};

/// The transform of segments of one length with one window.
///
/// ```
/// use linewake::dsp::{transform::Transform, window::{Taper, Window}};
/// let mut transform = Transform::new(&Taper::new(&"rectangular".parse::<Window>()?, 4));
/// let bins = transform.run(&[1.0, 2.0, 1.0, 0.0]); // mean 1, then a sine of amplitude 1
/// assert!((bins[1].im + 2.0).abs() < 1e-15 && bins[0].norm() < 1e-15);
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Clone)]
pub struct Transform {
    plan: Arc<dyn RealToComplex<f64>>,
    taper: Taper,
    tapered: Vec<f64>,
    bins: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl Transform {
    /// Plans transforms of the length of the taper.
    pub fn new(taper: &Taper) -> Self {
        let plan = plan_of(taper.len());
        Self {
            taper: taper.clone(),
            tapered: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        }
    }

    /// The length of a segment in samples.
    #[expect(clippy::len_without_is_empty, reason = "a segment is never empty")]
    pub fn len(&self) -> usize {
        self.taper.len()
    }

    /// Removes the mean of a segment, applies the taper and transforms: N/2 + 1 bins, not scaled.
    ///
    /// # Panics
    /// When the segment has another length than the taper.
    pub fn run(&mut self, segment: &[f64]) -> &[Complex<f64>] {
        assert_eq!(segment.len(), self.taper.len(), "a segment is as long as its taper");
        let mean = widest(Sum(segment)) / segment.len() as f64;
        widest(Tapered { segment, mean, weights: self.taper.values(), out: &mut self.tapered });
        self.plan
            .process_with_scratch(&mut self.tapered, &mut self.bins, &mut self.scratch)
            .expect("the buffers were made by the plan");
        &self.bins
    }
}

impl fmt::Debug for Transform {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transform").field("len", &self.len()).finish_non_exhaustive()
    }
}

thread_local! {
    /// The plan used last: captures of a batch mostly ask for the same one, and planning takes as long as some
    /// transforms. It decides nothing but the time taken.
    static LAST: RefCell<Option<Arc<dyn RealToComplex<f64>>>> = const { RefCell::new(None) };
}

fn plan_of(length: usize) -> Arc<dyn RealToComplex<f64>> {
    let last = LAST.with_borrow(|last| last.clone().filter(|plan| plan.len() == length));
    last.unwrap_or_else(|| {
        let plan = RealFftPlanner::new().plan_fft_forward(length);
        LAST.set(Some(Arc::clone(&plan)));
        plan
    })
}

/// The transforms of [`LANES`] segments side by side, for lengths that are even, without prime factors above five and
/// not too long for the memory next to a core.
///
/// Even and odd samples are the real and imaginary parts of a complex signal of half the length. Each segment gives the
/// same bits in any place and beside any others.
#[derive(Debug, Clone)]
pub(super) struct SideBySide {
    half: Arc<LaneTransform>,
    /// Half of the taper, which makes the halves of the sums that follow.
    weights: Arc<[f64]>,
    /// −i·exp(−2πik/N) for the bins up to half the length.
    turns: Arc<[Complex<f64>]>,
}

/// What is made of the bins of some segments: a row a segment.
#[derive(Debug)]
pub(super) struct Rows<'a> {
    /// |X|².
    pub(super) powers: &'a mut [f64],
    /// X; empty where it is not wanted.
    pub(super) bins: &'a mut [Complex<f64>],
}

/// Beyond so many samples the working memory of [`LANES`] segments is more than half a megabyte.
const LONGEST_BESIDE: usize = 8192;

thread_local! {
    /// The working memory of this thread.
    static BESIDE: Cell<Vec<f64>> = Cell::default();
}

impl SideBySide {
    /// Plans for the length of a taper; `None` where it is not of that kind.
    pub(super) fn new(taper: &Taper) -> Option<Self> {
        let length = taper.len();
        let fits = length.is_multiple_of(2) && length <= LONGEST_BESIDE;
        let half = LaneTransform::new(length / 2).filter(|_| fits)?;
        let turn = |bin: usize| Complex::cis(-PI * bin as f64 / half.len() as f64) * Complex::new(0.0, -1.0);
        Some(Self {
            turns: (0..=half.len()).map(turn).collect(),
            weights: taper.values().iter().map(|weight| 0.5 * weight).collect(),
            half: Arc::new(half),
        })
    }

    /// Does for each of at most [`LANES`] segments what [`Transform::run`] does, and keeps some bins.
    ///
    /// # Panics
    /// When there are none or more, one has another length, or the rows do not fit.
    pub(super) fn run(&self, segments: &[&[f64]], bins: Range<usize>, rows: Rows<'_>) {
        let count = segments.len();
        assert!((1..=LANES).contains(&count) && rows.powers.len() >= count * bins.len(), "{count} segments");
        // Lanes without a segment repeat the first one; nobody looks at them.
        let mut lanes = [segments[0]; LANES];
        lanes[..count].copy_from_slice(segments);
        let mut means = [0.0; LANES];
        for (mean, segment) in means.iter_mut().zip(lanes) {
            assert_eq!(segment.len(), self.weights.len(), "a segment is as long as its taper");
            *mean = widest(Sum(segment)) / segment.len() as f64;
        }
        let mut buffer = BESIDE.take();
        let wide = aligned(&mut buffer, WIDE * self.half.len());
        widest(Packed { segments: lanes, means, weights: &self.weights, wide });
        self.half.run(wide);
        widest(Unpacked { plan: self, wide, bins, count, rows });
        BESIDE.set(buffer);
    }
}

/// Tapers the segments and lays them side by side.
struct Packed<'a> {
    segments: [&'a [f64]; LANES],
    means: [f64; LANES],
    weights: &'a [f64],
    wide: &'a mut [f64],
}

impl Kernel for Packed<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self { segments, means, weights, wide } = self;
        // A square of samples by segments at a time, turned on its side.
        let (squares, rest) = wide.as_chunks_mut::<{ LANES * LANES }>();
        for (number, square) in squares.iter_mut().enumerate() {
            let first = number * LANES;
            let weights = &weights[first..first + LANES];
            let mut tapered = [[0.0; LANES]; LANES];
            for lane in 0..LANES {
                let samples = &segments[lane][first..first + LANES];
                for n in 0..LANES {
                    tapered[lane][n] = (samples[n] - means[lane]) * weights[n];
                }
            }
            for n in 0..LANES {
                for lane in 0..LANES {
                    square[n * LANES + lane] = tapered[lane][n];
                }
            }
        }
        let first = squares.len() * LANES;
        let (rest, _) = rest.as_chunks_mut::<LANES>();
        for (row, n) in rest.iter_mut().zip(first..) {
            for lane in 0..LANES {
                row[lane] = (segments[lane][n] - means[lane]) * weights[n];
            }
        }
    }
}

/// Takes the bins of the real segments out of those of the complex signals, and turns them to a row a segment.
struct Unpacked<'a> {
    plan: &'a SideBySide,
    wide: &'a [f64],
    bins: Range<usize>,
    count: usize,
    rows: Rows<'a>,
}

impl Kernel for Unpacked<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let Self { plan, wide, bins, count, rows } = self;
        let half = plan.half.len();
        let (samples, _) = wide.as_chunks::<WIDE>();
        let places = plan.half.places();
        let (mut re, mut im) = ([[0.0; LANES]; LANES], [[0.0; LANES]; LANES]);
        let mut at = bins.start;
        while at < bins.end {
            let width = LANES.min(bins.end - at);
            for n in 0..width {
                let bin = at + n;
                let here = &samples[places[if bin == half { 0 } else { bin }] as usize];
                let there = &samples[places[if bin == 0 { 0 } else { half - bin }] as usize];
                let turn = plan.turns[bin];
                for lane in 0..LANES {
                    let (sum, difference) = (here[lane] + there[lane], here[lane] - there[lane]);
                    let imaginary_sum = here[LANES + lane] + there[LANES + lane];
                    let imaginary_difference = here[LANES + lane] - there[LANES + lane];
                    re[n][lane] = sum + (turn.re * difference - turn.im * imaginary_sum);
                    im[n][lane] = imaginary_difference + (turn.re * imaginary_sum + turn.im * difference);
                }
            }
            for lane in 0..count {
                let first = lane * bins.len() + at - bins.start;
                let powers = &mut rows.powers[first..first + width];
                for n in 0..width {
                    powers[n] = re[n][lane] * re[n][lane] + im[n][lane] * im[n][lane];
                }
                if !rows.bins.is_empty() {
                    let kept = &mut rows.bins[first..first + width];
                    for n in 0..width {
                        kept[n] = Complex::new(re[n][lane], im[n][lane]);
                    }
                }
            }
            at += width;
        }
    }
}

/// The samples less a mean, times the taper.
struct Tapered<'a> {
    segment: &'a [f64],
    mean: f64,
    weights: &'a [f64],
    out: &'a mut [f64],
}

impl Kernel for Tapered<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for ((out, sample), weight) in self.out.iter_mut().zip(self.segment).zip(self.weights) {
            *out = (sample - self.mean) * weight;
        }
    }
}

/// The sum in sixteen strands: faster than one strand, and with smaller rounding errors.
struct Sum<'a>(&'a [f64]);

impl Kernel for Sum<'_> {
    type Output = f64;

    #[inline(always)]
    fn run(self) -> f64 {
        let mut strands = [0.0; 16];
        let (chunks, rest) = self.0.as_chunks::<16>();
        for chunk in chunks {
            for (strand, sample) in strands.iter_mut().zip(chunk) {
                *strand += sample;
            }
        }
        strands.iter().sum::<f64>() + rest.iter().sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::super::window::Window;
    use super::*;

    #[test]
    fn power_in_the_samples_is_power_in_the_bins() {
        let segment: Vec<f64> = (0..50).map(|n| f64::from(n * n % 17)).collect();
        let mean = segment.iter().sum::<f64>() / 50.0;
        let expected: f64 = segment.iter().map(|x| (x - mean).powi(2)).sum();
        let mut transform = Transform::new(&Taper::new(&"rectangular".parse::<Window>().unwrap(), 50));
        let bins = transform.run(&segment);
        let ends = bins[0].norm_sqr() + bins[25].norm_sqr();
        let power = (2.0 * bins.iter().map(|x| x.norm_sqr()).sum::<f64>() - ends) / 50.0;
        assert!((power / expected - 1.0).abs() < 1e-13);
    }

    /// Against the transform by itself, which is the library's; and the same bits in any place.
    #[test]
    fn segments_side_by_side_are_those_by_themselves() {
        for (length, bins) in [(2, 0..2), (6, 0..4), (16, 0..9), (30, 3..11), (240, 0..121), (3750, 7..1100)] {
            let taper = Taper::new(&"hann".parse::<Window>().unwrap(), length);
            let beside = SideBySide::new(&taper).unwrap();
            let mut alone = Transform::new(&taper);
            let samples: Vec<f64> = (0..length + 11).map(|n| ((n * n + 3 * n) % 101) as f64).collect();
            let segments: Vec<&[f64]> = (0..LANES).map(|lane| &samples[lane..lane + length]).collect();
            let mut powers = vec![0.0; LANES * bins.len()];
            let mut found = vec![Complex::default(); LANES * bins.len()];
            beside.run(&segments, bins.clone(), Rows { powers: &mut powers, bins: &mut found });
            for (segment, (powers, found)) in
                segments.iter().zip(powers.chunks(bins.len()).zip(found.chunks(bins.len())))
            {
                for ((expected, found), power) in alone.run(segment)[bins.clone()].iter().zip(found).zip(powers) {
                    assert!((expected - found).norm() < 1e-12 * length as f64, "{length}: {expected} {found}");
                    assert!((found.norm_sqr() - power).abs() <= 1e-15 * power);
                }
            }
            let mut again = vec![0.0; 3 * bins.len()];
            let some = [segments[6], segments[2], segments[5]];
            beside.run(&some, bins.clone(), Rows { powers: &mut again, bins: &mut [] });
            for (row, place) in again.chunks(bins.len()).zip([6, 2, 5]) {
                assert_eq!(row, &powers[place * bins.len()..][..bins.len()]);
            }
        }
        let other = |length| Taper::new(&Window::default(), length);
        assert!([7, 14, 8194, 10_000].into_iter().all(|length| SideBySide::new(&other(length)).is_none()));
    }

    #[test]
    fn an_offset_leaves_nothing() {
        let mut transform = Transform::new(&Taper::new(&Window::default(), 30));
        assert!(transform.run(&[325.0; 30]).iter().all(|x| x.norm() < 1e-10));
    }
}
