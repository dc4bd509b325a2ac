//! From a segment of samples to its tapered transform; plan and buffers are made once.

use std::cell::RefCell;
use std::fmt;
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

use super::Complex;
use super::window::Taper;
use crate::lanes::{Kernel, widest};

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

    #[test]
    fn an_offset_leaves_nothing() {
        let mut transform = Transform::new(&Taper::new(&Window::default(), 30));
        assert!(transform.run(&[325.0; 30]).iter().all(|x| x.norm() < 1e-10));
    }
}
