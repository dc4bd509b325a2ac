//! Complex transforms of [`LANES`] signals side by side: each number of the arithmetic is a vector, one lane a signal.
//!
//! No number ever crosses from one lane to another, so that a signal gives the same bits in any lane, beside any
//! others. The passes work in place, by decimation in frequency; the bins come out in the order of reversed digits,
//! and [`LaneTransform::place`] says where each one is.
//!
//! # Sources
//! Mixed radix by decimation in frequency: Singleton, IEEE Trans. Audio Electroacoustics 17 (1969) 93-103 (from memory).

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use super::Complex;
use crate::lanes::{Simd, VectorKernel, in_vectors};

/// How many signals lie side by side: the widest vectors hold so many numbers.
pub const LANES: usize = 8;
/// Numbers of one complex sample of all signals: the real parts, then the imaginary parts.
pub const WIDE: usize = 2 * LANES;
/// So many complex samples of all signals stay in the fastest memory; they go through all further passes at once.
const NEAR: usize = 256;

/// A plan for the forward transforms of signals of one length.
///
/// ```
/// use linewake::dsp::lane_transform::{LANES, LaneTransform, WIDE};
/// let transform = LaneTransform::new(6).unwrap();
/// let mut data = [0.0; 6 * WIDE];
/// data[2 * WIDE + 3] = 1.0; // a pulse at sample 2 of the signal in lane 3
/// transform.run(&mut data);
/// let bin = &data[WIDE * transform.place(1)..][..WIDE]; // exp(−2πi·2/6)
/// assert!((bin[3] + 0.5).abs() < 1e-15 && (bin[LANES + 3] + 0.75f64.sqrt()).abs() < 1e-15);
/// ```
#[derive(Debug, Clone)]
pub struct LaneTransform {
    stages: Vec<Stage>,
    places: Vec<u32>,
}

/// One pass: blocks of `radix` times `apart` samples become `radix` blocks of `apart` samples.
#[derive(Debug, Clone)]
struct Stage {
    radix: usize,
    apart: usize,
    /// For each of the samples of a part, the factors on all parts but the first.
    factors: Vec<Complex<f64>>,
}

impl LaneTransform {
    /// Plans for a length without prime factors above five; `None` for others, for 0, and beyond 2³⁰.
    pub fn new(length: usize) -> Option<Self> {
        let radices = radices(length)?;
        let mut stages = Vec::with_capacity(radices.len());
        let mut block = length;
        for &radix in &radices {
            let apart = block / radix;
            let turn = |n: usize| Complex::cis(-2.0 * PI * (n % block) as f64 / block as f64);
            let factors = (0..apart).flat_map(|n| (1..radix).map(move |part| turn(n * part))).collect();
            stages.push(Stage { radix, apart, factors });
            block = apart;
        }
        let place = |bin: usize| {
            let (mut place, mut rest, mut block) = (0, bin, length);
            for radix in &radices {
                block /= radix;
                place += rest % radix * block;
                rest /= radix;
            }
            u32::try_from(place).ok()
        };
        Some(Self { stages, places: (0..length).map(place).collect::<Option<_>>()? })
    }

    /// The length of the signals.
    #[expect(clippy::len_without_is_empty, reason = "a signal is never empty")]
    pub fn len(&self) -> usize {
        self.places.len()
    }

    /// Where a bin is when the transforms are done.
    ///
    /// # Panics
    /// When there is no such bin.
    pub fn place(&self, bin: usize) -> usize {
        self.places[bin] as usize
    }

    /// Where each bin is.
    pub fn places(&self) -> &[u32] {
        &self.places
    }

    /// Transforms all signals in place: [`WIDE`] numbers a sample.
    ///
    /// # Panics
    /// When there are not as many numbers.
    pub fn run(&self, data: &mut [f64]) {
        assert_eq!(data.len(), WIDE * self.len(), "{WIDE} numbers a sample");
        in_vectors(Passes { stages: &self.stages, data });
    }
}

/// The factors of a length in the order in which they are passed, eights behind the others; `None` where more is left.
fn radices(length: usize) -> Option<Vec<usize>> {
    if !(1..=1 << 30).contains(&length) {
        return None;
    }
    let twos = length.trailing_zeros() as usize;
    let mut rest = length >> twos;
    let mut radices = match twos % 3 {
        1 if twos > 3 => vec![4, 4],
        1 => vec![2],
        2 => vec![4],
        _ => vec![],
    };
    let left = twos - radices.iter().map(|radix: &usize| radix.trailing_zeros() as usize).sum::<usize>();
    for prime in [3, 5] {
        while rest.is_multiple_of(prime) {
            rest /= prime;
            radices.push(prime);
        }
    }
    radices.extend(std::iter::repeat_n(8, left / 3));
    (rest == 1).then_some(radices)
}

struct Passes<'a> {
    stages: &'a [Stage],
    data: &'a mut [f64],
}

impl VectorKernel for Passes<'_> {
    #[inline(always)]
    fn run<S: Simd>(self, simd: S) {
        let (data, _) = S::as_mut_simd_f64s(self.data);
        // Blocks that are near together take all that is left of the passes before the next one comes.
        let near = self.stages.iter().position(|stage| stage.radix * stage.apart <= NEAR);
        let (far, near) = self.stages.split_at(near.unwrap_or(self.stages.len()));
        passes(simd, far, data);
        if let Some(stage) = near.first() {
            for block in data.chunks_exact_mut(stage.radix * stage.apart * WIDE / S::F64_LANES) {
                passes(simd, near, block);
            }
        }
    }
}

#[inline(always)]
fn passes<S: Simd>(simd: S, stages: &[Stage], data: &mut [S::f64s]) {
    for stage in stages {
        for block in data.chunks_exact_mut(stage.radix * stage.apart * WIDE / S::F64_LANES) {
            match stage.radix {
                8 => eight(simd, stage, block),
                5 => five(simd, stage, block),
                4 => four(simd, stage, block),
                3 => three(simd, stage, block),
                _ => two(simd, stage, block),
            }
        }
    }
}

/// Real and imaginary parts.
type Pair<S> = (<S as Simd>::f64s, <S as Simd>::f64s);

#[inline(always)]
fn add<S: Simd>(simd: S, a: Pair<S>, b: Pair<S>) -> Pair<S> {
    (simd.add_f64s(a.0, b.0), simd.add_f64s(a.1, b.1))
}

#[inline(always)]
fn sub<S: Simd>(simd: S, a: Pair<S>, b: Pair<S>) -> Pair<S> {
    (simd.sub_f64s(a.0, b.0), simd.sub_f64s(a.1, b.1))
}

/// a + i·b.
#[inline(always)]
fn add_turned<S: Simd>(simd: S, a: Pair<S>, b: Pair<S>) -> Pair<S> {
    (simd.sub_f64s(a.0, b.1), simd.add_f64s(a.1, b.0))
}

/// a − i·b.
#[inline(always)]
fn sub_turned<S: Simd>(simd: S, a: Pair<S>, b: Pair<S>) -> Pair<S> {
    (simd.add_f64s(a.0, b.1), simd.sub_f64s(a.1, b.0))
}

#[inline(always)]
fn times<S: Simd>(simd: S, a: Pair<S>, factor: f64) -> Pair<S> {
    let factor = simd.splat_f64s(factor);
    (simd.mul_f64s(a.0, factor), simd.mul_f64s(a.1, factor))
}

#[inline(always)]
fn product<S: Simd>(simd: S, a: Pair<S>, factor: Complex<f64>) -> Pair<S> {
    let (re, im) = (simd.splat_f64s(factor.re), simd.splat_f64s(factor.im));
    (
        simd.sub_f64s(simd.mul_f64s(a.0, re), simd.mul_f64s(a.1, im)),
        simd.add_f64s(simd.mul_f64s(a.0, im), simd.mul_f64s(a.1, re)),
    )
}

#[inline(always)]
fn of_two<S: Simd>(simd: S, a: [Pair<S>; 2]) -> [Pair<S>; 2] {
    [add(simd, a[0], a[1]), sub(simd, a[0], a[1])]
}

#[inline(always)]
fn of_three<S: Simd>(simd: S, a: [Pair<S>; 3]) -> [Pair<S>; 3] {
    const SINE: f64 = 0.866_025_403_784_438_6;
    let sum = add(simd, a[1], a[2]);
    let turned = times(simd, sub(simd, a[1], a[2]), SINE);
    let middle = sub(simd, a[0], times(simd, sum, 0.5));
    [add(simd, a[0], sum), sub_turned(simd, middle, turned), add_turned(simd, middle, turned)]
}

#[inline(always)]
fn of_four<S: Simd>(simd: S, a: [Pair<S>; 4]) -> [Pair<S>; 4] {
    let (even, odd) = (add(simd, a[0], a[2]), add(simd, a[1], a[3]));
    let (across, turned) = (sub(simd, a[0], a[2]), sub(simd, a[1], a[3]));
    [add(simd, even, odd), sub_turned(simd, across, turned), sub(simd, even, odd), add_turned(simd, across, turned)]
}

#[inline(always)]
fn of_five<S: Simd>(simd: S, a: [Pair<S>; 5]) -> [Pair<S>; 5] {
    // Cosine and sine of 2π/5 and of twice that.
    const C1: f64 = 0.309_016_994_374_947_45;
    const C2: f64 = -0.809_016_994_374_947_5;
    const S1: f64 = 0.951_056_516_295_153_5;
    const S2: f64 = 0.587_785_252_292_473_1;
    let (outer, outer_odd) = (add(simd, a[1], a[4]), sub(simd, a[1], a[4]));
    let (inner, inner_odd) = (add(simd, a[2], a[3]), sub(simd, a[2], a[3]));
    let one = add(simd, a[0], add(simd, times(simd, outer, C1), times(simd, inner, C2)));
    let two = add(simd, a[0], add(simd, times(simd, outer, C2), times(simd, inner, C1)));
    let one_odd = add(simd, times(simd, outer_odd, S1), times(simd, inner_odd, S2));
    let two_odd = sub(simd, times(simd, outer_odd, S2), times(simd, inner_odd, S1));
    [
        add(simd, a[0], add(simd, outer, inner)),
        sub_turned(simd, one, one_odd),
        sub_turned(simd, two, two_odd),
        add_turned(simd, two, two_odd),
        add_turned(simd, one, one_odd),
    ]
}

#[inline(always)]
fn of_eight<S: Simd>(simd: S, a: [Pair<S>; 8]) -> [Pair<S>; 8] {
    let even = of_four(simd, [a[0], a[2], a[4], a[6]]);
    let odd = of_four(simd, [a[1], a[3], a[5], a[7]]);
    // By an eighth of a turn, (1 − i)/√2, and by three, (−1 − i)/√2.
    let (x, y) = odd[1];
    let first = times(simd, (simd.add_f64s(x, y), simd.sub_f64s(y, x)), FRAC_1_SQRT_2);
    let (x, y) = odd[3];
    let third = times(simd, (simd.sub_f64s(y, x), simd.add_f64s(x, y)), FRAC_1_SQRT_2);
    let third = (third.0, simd.neg_f64s(third.1));
    [
        add(simd, even[0], odd[0]),
        add(simd, even[1], first),
        sub_turned(simd, even[2], odd[2]),
        add(simd, even[3], third),
        sub(simd, even[0], odd[0]),
        sub(simd, even[1], first),
        add_turned(simd, even[2], odd[2]),
        sub(simd, even[3], third),
    ]
}

/// A pass over one block: parts of the block are taken together sample by sample, and turned by their factors.
macro_rules! pass {
    ($name:ident, $radix:literal, $butterfly:ident) => {
        #[inline(always)]
        fn $name<S: Simd>(simd: S, stage: &Stage, block: &mut [S::f64s]) {
            let width = LANES / S::F64_LANES;
            let mut parts: [&mut [S::f64s]; $radix] = Default::default();
            let mut rest = block;
            for part in &mut parts {
                (*part, rest) = rest.split_at_mut(stage.apart * 2 * width);
            }
            let zero = simd.splat_f64s(0.0);
            for (n, factors) in stage.factors.chunks_exact($radix - 1).enumerate() {
                for vector in 0..width {
                    let (re, im) = (2 * width * n + vector, 2 * width * n + width + vector);
                    let mut values = [(zero, zero); $radix];
                    for part in 0..$radix {
                        values[part] = (parts[part][re], parts[part][im]);
                    }
                    let values = $butterfly(simd, values);
                    (parts[0][re], parts[0][im]) = values[0];
                    for part in 1..$radix {
                        let turned = if stage.apart == 1 {
                            values[part]
                        } else {
                            product(simd, values[part], factors[part - 1])
                        };
                        (parts[part][re], parts[part][im]) = turned;
                    }
                }
            }
        }
    };
}

pass!(two, 2, of_two);
pass!(three, 3, of_three);
pass!(four, 4, of_four);
pass!(five, 5, of_five);
pass!(eight, 8, of_eight);

#[cfg(test)]
mod tests {
    use rustfft::FftPlanner;

    use super::*;
    use crate::synth::Random;

    /// Against `rustfft`, for lengths that need each radix; each lane by itself.
    #[test]
    fn bins_are_those_of_the_library() {
        let mut random = Random::new(3, 0);
        for length in [1usize, 2, 3, 4, 5, 6, 8, 10, 16, 32, 60, 64, 125, 250, 480, 512, 1875, 2048] {
            let transform = LaneTransform::new(length).unwrap();
            let signals: Vec<Vec<Complex<f64>>> = (0..LANES)
                .map(|_| (0..length).map(|_| Complex::new(random.uniform() - 0.5, random.uniform() - 0.5)).collect())
                .collect();
            let mut data = vec![0.0; WIDE * length];
            for (sample, wide) in data.chunks_exact_mut(WIDE).enumerate() {
                for (lane, signal) in signals.iter().enumerate() {
                    (wide[lane], wide[LANES + lane]) = (signal[sample].re, signal[sample].im);
                }
            }
            transform.run(&mut data);
            let library = FftPlanner::new().plan_fft_forward(length);
            for (lane, mut expected) in signals.into_iter().enumerate() {
                library.process(&mut expected);
                for (bin, expected) in expected.iter().enumerate() {
                    let wide = &data[WIDE * transform.place(bin)..][..WIDE];
                    let found = Complex::new(wide[lane], wide[LANES + lane]);
                    assert!((found - expected).norm() < 1e-14 * length as f64, "{length} {lane} {bin}");
                }
            }
        }
    }

    #[test]
    fn other_lengths_are_refused() {
        assert!([0, 7, 22, 1 << 31].into_iter().all(|length| LaneTransform::new(length).is_none()));
    }
}
