//! A fundamental with harmonics fitted to a short record by least squares: how the mains frequency is found.
//!
//! For a given frequency the fit is linear, a constant and a cosine and a sine for each harmonic. Only the
//! frequency is searched: on a grid that cannot step over a peak, then by Brent's method. Whether there is anything
//! at all is judged against what the fit leaves beside each harmonic, because noise at these frequencies is rarely
//! white: drift and flicker alone would explain a fit well.

use std::f64::consts::PI;

use super::Complex;
use super::golden_section::highest_from;
use crate::lanes::{Kernel, widest};
use crate::units::Hertz;

/// Samples are averaged down to at least this rate in units of the highest harmonic, which makes the work small.
const SAMPLES_PER_CYCLE: f64 = 16.0;
/// No more averaged samples are used: a second of a record with seven harmonics is far more than enough.
const MOST_SAMPLES: usize = 8192;
/// The grid has so many points in 1/T, divided by the order of the highest harmonic.
const POINTS_PER_BIN: f64 = 4.0;
const MOST_POINTS: f64 = 4096.0;
/// Noise beside a harmonic is looked for at 1.5, 2.5, … times 1/T on both sides, no further than this and no
/// further than halfway to the next odd harmonic.
const FARTHEST_NEIGHBOUR: f64 = 9.0;
/// How sure a find must be: the sum over the harmonics of −ln p, p the chance that noise alone would rise so far
/// above its neighbours. Noise gives 1 for each harmonic in the mean; 2 for each are asked for, besides this and
/// the logarithm of the number of independent frequencies that are tried.
const SUREST_NOISE: f64 = 10.0;

/// What a fit found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SineFit {
    /// The frequency of the fundamental in hertz.
    pub frequency_hz: f64,
    /// Its standard uncertainty in hertz, from the noise beside the harmonics.
    pub uncertainty_hz: f64,
    /// The peak amplitude of the fundamental in units of the samples; small where only harmonics are left.
    pub amplitude: f64,
    /// The share of the alternating power that the fit explains, 0 to 1.
    pub explained: f64,
}

/// Fits a constant, a fundamental and the given harmonics to uniform samples.
///
/// `search` is the range of the fundamental in hertz, `harmonics` the orders beside 1. The record should hold
/// two periods; of a long record the beginning is used. `None` where the record is too short, holds samples that
/// are not finite, or shows no such periodic part within the range that stands out of the noise beside it. With two
/// periods only there is little beside it to compare with, so such a record must be clean.
///
/// ```
/// use linewake::dsp::sine_fit::fit_fundamental;
/// use linewake::units::Hertz;
/// let mains = |n| 325.0 * (std::f64::consts::TAU * 49.97 * f64::from(n) / 10e3).sin();
/// let record: Vec<f64> = (0..400).map(mains).collect(); // 40 ms
/// let fit = fit_fundamental(&record, Hertz::new(10e3)?, (45.0, 65.0), &[3, 5, 7]).unwrap();
/// assert!((fit.frequency_hz - 49.97).abs() < 0.01 && (fit.amplitude - 325.0).abs() < 0.1);
/// # Ok::<(), linewake::error::Error>(())
/// ```
///
/// # Sources
/// A relative of the four-parameter sine fit of IEEE Std 1057 (from memory). The uncertainty is the Cramér-Rao
/// bound √6·σ/(πT·A·√N) (Rife and Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591-598, from memory), carried over
/// to harmonics of amplitudes Aₕ in noise that differs between them: σ/A becomes √(Σh²Aₕ²σₕ²)/Σh²Aₕ². The chances
/// are combined as by Fisher, Statistical Methods for Research Workers, 4th edition 1932 (from memory).
pub fn fit_fundamental(samples: &[f64], rate: Hertz, search: (f64, f64), harmonics: &[u32]) -> Option<SineFit> {
    let (low, high) = search;
    if !(low > 0.0 && high > low && 2.0 * high < rate.get()) || samples.iter().any(|sample| !sample.is_finite()) {
        return None;
    }
    let orders = orders(harmonics, high, rate);
    let top = f64::from(*orders.last()?) * high;
    let record = Record::new(samples, rate, top)?;
    if record.samples.len() < 4 * orders.len() + 4 || record.power <= 0.0 {
        return None;
    }
    let explained = |frequency: f64| record.fit(frequency, &orders).map_or(0.0, |fit| fit.explained);
    let points = ((high - low) * POINTS_PER_BIN * record.duration() * f64::from(*orders.last()?))
        .clamp(16.0, MOST_POINTS)
        .ceil();
    let step = (high - low) / points;
    let grid = (0u32..).map(|n| low + step * f64::from(n)).take_while(|frequency| *frequency <= high);
    let (best, _) = grid.map(|frequency| (frequency, explained(frequency))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (left, right) = ((best - step).max(low), (best + step).min(high));
    let frequency = highest_from(best, left, right, explained);
    // A peak at the end of the range lies outside of it: nothing periodic was found within.
    let inside = frequency - low > 1e-3 * step && high - frequency > 1e-3 * step;
    let fit = record.fit(frequency, &orders).filter(|_| inside)?;
    conclude(&record, &fit, frequency, &orders, high - low)
}

/// The orders to fit, rising, the fundamental always among them, none beyond half the sample rate.
fn orders(harmonics: &[u32], high: f64, rate: Hertz) -> Vec<u32> {
    let mut orders: Vec<u32> = harmonics.iter().copied().filter(|order| *order > 1).chain([1]).collect();
    orders.sort_unstable();
    orders.dedup();
    orders.retain(|&order| 2.0 * f64::from(order) * high < rate.get());
    orders
}

/// The samples as they are fitted: averaged in groups, without their mean.
struct Record {
    samples: Vec<f64>,
    folded: Folded,
    rate: f64,
    /// How many original samples are averaged into one.
    group: usize,
    /// The sum of squares.
    power: f64,
}

impl Record {
    fn new(samples: &[f64], rate: Hertz, top: f64) -> Option<Self> {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and it saturates")]
        let group = ((rate.get() / (SAMPLES_PER_CYCLE * top)) as usize).clamp(1, samples.len().max(1));
        let groups = samples.chunks_exact(group).take(MOST_SAMPLES);
        let mut averaged: Vec<f64> = groups.map(|group| group.iter().sum::<f64>() / group.len() as f64).collect();
        let mean = averaged.iter().sum::<f64>() / averaged.len() as f64;
        averaged.iter_mut().for_each(|sample| *sample -= mean);
        let power = averaged.iter().map(|x| x * x).sum::<f64>();
        let rate = rate.get() / group as f64;
        power.is_finite().then(|| Self { folded: Folded::new(&averaged), samples: averaged, rate, group, power })
    }

    /// In seconds.
    fn duration(&self) -> f64 {
        self.samples.len() as f64 / self.rate
    }

    /// How much smaller a sine has become by averaging.
    fn droop(&self, frequency: f64) -> f64 {
        let half_angle = PI * frequency / self.rate;
        half_angle.sin() / (self.group as f64 * (half_angle / self.group as f64).sin())
    }

    /// The linear fit at one frequency. Time is counted from the middle of the record, where cosines and sines
    /// are orthogonal to one another, so that two small systems remain, with sums in closed form.
    fn fit(&self, frequency: f64, orders: &[u32]) -> Option<LinearFit> {
        let count = self.samples.len() as f64;
        let omega = 2.0 * PI * frequency / self.rate;
        // The sums of cosines over all times: sin(count·φ)/sin φ for the multiples φ of half the angle of a step.
        let (half, whole) = (Complex::cis(0.5 * omega), Complex::cis(0.5 * count * omega));
        let kernel = |multiple: u32| {
            let sine = half.powu(multiple).im;
            if sine.abs() < 1e-12 { count } else { whole.powu(multiple).im / sine }
        };
        let kernels: Vec<f64> = (0..=2 * orders.last()?).map(kernel).collect();
        let entry =
            |a: u32, b: u32, sign: f64| 0.5 * (kernels[a.abs_diff(b) as usize] + sign * kernels[(a + b) as usize]);
        let (start, turn) = (Complex::cis(self.folded.start * omega), half * half);
        let projection = |&order: &u32| self.folded.projection(start.powu(order), turn.powu(order));
        let projections: Vec<Complex<f64>> = orders.iter().map(projection).collect();
        let with_constant: Vec<u32> = [0].into_iter().chain(orders.iter().copied()).collect();
        let right: Vec<f64> = [0.0].into_iter().chain(projections.iter().map(|p| p.re)).collect();
        let cosines = solve(&right, |i, j| entry(with_constant[i], with_constant[j], 1.0))?;
        let imaginary: Vec<f64> = projections.iter().map(|p| p.im).collect();
        let sines = solve(&imaginary, |i, j| entry(orders[i], orders[j], -1.0))?;
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let explained = (dot(&cosines, &right) + dot(&sines, &imaginary)) / self.power;
        let parts = cosines[1..].iter().zip(&sines).map(|(a, b)| Complex::new(*a, *b)).collect();
        Some(LinearFit { explained: explained.clamp(0.0, 1.0), constant: cosines[0], parts })
    }

    /// The samples less a fit.
    fn residual(&self, fit: &LinearFit, frequency: f64, orders: &[u32]) -> Vec<f64> {
        let mut left: Vec<f64> = self.samples.iter().map(|sample| sample - fit.constant).collect();
        let omega = 2.0 * PI * frequency / self.rate;
        let start = -0.5 * (left.len() as f64 - 1.0) * omega;
        for (order, part) in orders.iter().copied().map(f64::from).zip(&fit.parts) {
            let (mut now, turn) = (Complex::cis(order * start), Complex::cis(order * omega));
            for sample in &mut left {
                *sample -= part.re * now.re + part.im * now.im;
                now *= turn;
            }
        }
        left
    }
}

struct LinearFit {
    /// The share of the power.
    explained: f64,
    constant: f64,
    /// The cosine and sine parts of each order, of the averaged samples.
    parts: Vec<Complex<f64>>,
}

/// Samples folded about their middle: cosines see what is even about it and sines what is odd, so that half of the
/// angles do for both.
struct Folded {
    /// The sample in the middle, 0 where there is none.
    middle: f64,
    /// The distance of the innermost other samples from the middle, in samples.
    start: f64,
    /// Sums of two samples equally far from the middle, from the inside out.
    even: Vec<f64>,
    /// The later one less the earlier one.
    odd: Vec<f64>,
}

impl Folded {
    fn new(samples: &[f64]) -> Self {
        let half = samples.len() / 2;
        let pairs = || samples[samples.len() - half..].iter().zip(samples[..half].iter().rev());
        let (middle, start) = if samples.len().is_multiple_of(2) { (0.0, 0.5) } else { (samples[half], 1.0) };
        Self { middle, start, even: pairs().map(|(a, b)| a + b).collect(), odd: pairs().map(|(a, b)| a - b).collect() }
    }

    /// The sums of the samples times cosine and sine of an angle, time counted from the middle: `start` is the angle
    /// of the innermost pair, `turn` what comes with each further one.
    fn projection(&self, start: Complex<f64>, turn: Complex<f64>) -> Complex<f64> {
        let (even, odd) = widest(Projection { folded: self, start, turn });
        Complex::new(self.middle + even, odd)
    }
}

/// The angles turn in strands, all at once, so that no step waits for the one before.
struct Projection<'a> {
    folded: &'a Folded,
    start: Complex<f64>,
    turn: Complex<f64>,
}

impl Kernel for Projection<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn run(self) -> (f64, f64) {
        const POWER: u32 = 8;
        const STRANDS: usize = POWER as usize;
        let Self { folded, start, turn } = self;
        let (mut cosine, mut sine) = ([start.re; STRANDS], [start.im; STRANDS]);
        let mut turned = start;
        for n in 1..STRANDS {
            turned *= turn;
            (cosine[n], sine[n]) = (turned.re, turned.im);
        }
        let turn = turn.powu(POWER);
        let (mut even, mut odd) = ([0.0; STRANDS], [0.0; STRANDS]);
        let (sums, last_sums) = folded.even.as_chunks::<STRANDS>();
        let (differences, last_differences) = folded.odd.as_chunks::<STRANDS>();
        for (sums, differences) in sums.iter().zip(differences) {
            for n in 0..STRANDS {
                even[n] += sums[n] * cosine[n];
                odd[n] += differences[n] * sine[n];
                let turned = cosine[n] * turn.re - sine[n] * turn.im;
                sine[n] = cosine[n] * turn.im + sine[n] * turn.re;
                cosine[n] = turned;
            }
        }
        for (n, (sum, difference)) in last_sums.iter().zip(last_differences).enumerate() {
            even[n] += sum * cosine[n];
            odd[n] += difference * sine[n];
        }
        (even.iter().sum(), odd.iter().sum())
    }
}

/// Decides whether there is something, and how well its frequency is known.
fn conclude(record: &Record, fit: &LinearFit, frequency: f64, orders: &[u32], span: f64) -> Option<SineFit> {
    let count = record.samples.len() as f64;
    let residual = Folded::new(&record.residual(fit, frequency, orders));
    let omega = 2.0 * PI * frequency / record.rate;
    let periods = frequency * record.duration();
    // Rounding leaves something even where a fit explains all.
    let least = f64::EPSILON * record.power / count;
    let (mut surprise, mut steepness, mut spread) = (0.0, 0.0, 0.0);
    for (order, part) in orders.iter().copied().map(f64::from).zip(&fit.parts) {
        let neighbours = neighbours(order, periods);
        let power = |multiple: &f64| {
            let angle = multiple * omega;
            residual.projection(Complex::cis(residual.start * angle), Complex::cis(angle)).norm_sqr()
        };
        let powers = neighbours.iter().map(power).sum::<f64>();
        let neighbours = neighbours.len() as f64;
        let noise = (powers / (neighbours * count)).max(least);
        let rise = 0.25 * count * part.norm_sqr() / noise;
        surprise += neighbours * (rise / neighbours).ln_1p();
        steepness += order * order * part.norm_sqr();
        spread += order * order * part.norm_sqr() * noise;
    }
    let uncertainty_hz = 6.0_f64.sqrt() / (PI * record.duration() * count.sqrt()) * spread.sqrt() / steepness;
    let amplitude = fit.parts[0].norm() / record.droop(frequency);
    let found = SineFit { frequency_hz: frequency, uncertainty_hz, amplitude, explained: fit.explained };
    // A frequency known no better than a tenth of the range is not known.
    let trials = 1.0 + span * record.duration() * f64::from(orders[orders.len() - 1]);
    let needed = SUREST_NOISE + 2.0 * orders.len() as f64 + trials.ln();
    let sure = surprise > needed && uncertainty_hz < 0.1 * span;
    sure.then_some(found)
}

/// Where to look for noise beside a harmonic, as multiples of the fundamental.
fn neighbours(order: f64, periods: f64) -> Vec<f64> {
    let offsets = (0u32..).map(|n| f64::from(n) + 1.5).take_while(|offset| *offset < periods.min(FARTHEST_NEIGHBOUR));
    let both = offsets.flat_map(|offset| [order - offset / periods, order + offset / periods]);
    // Below 1/T the constant has taken the noise away.
    both.filter(|multiple| multiple * periods >= 1.0).collect()
}

/// Solves a symmetric positive system by Cholesky's method; `None` where it is singular.
fn solve(right: &[f64], entry: impl Fn(usize, usize) -> f64) -> Option<Vec<f64>> {
    let size = right.len();
    // Row by row in one piece.
    let mut lower = vec![0.0; size * size];
    for i in 0..size {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| lower[i * size + k] * lower[j * size + k]).sum();
            let rest = entry(i, j) - known;
            lower[i * size + j] = if i != j {
                rest / lower[j * size + j]
            } else if rest > 1e-10 * entry(i, i) {
                rest.sqrt()
            } else {
                return None;
            };
        }
    }
    let mut solution = right.to_vec();
    for i in 0..size {
        let known: f64 = (0..i).map(|k| lower[i * size + k] * solution[k]).sum();
        solution[i] = (solution[i] - known) / lower[i * size + i];
    }
    for i in (0..size).rev() {
        let known: f64 = (i + 1..size).map(|k| lower[k * size + i] * solution[k]).sum();
        solution[i] = (solution[i] - known) / lower[i * size + i];
    }
    Some(solution)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 500e3;

    /// Equally spread numbers with standard deviation 1.
    fn noise(seed: u64) -> impl Iterator<Item = f64> {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        std::iter::from_fn(move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            Some(((state >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 12.0_f64.sqrt())
        })
    }

    fn mains(frequency: f64, duration: f64, noise_rms: f64, seed: u64) -> Vec<f64> {
        let phase = 2.0 * PI * (seed % 17) as f64 / 17.0;
        noise(seed)
            .zip(0u32..)
            .map(|(noise, n)| {
                let angle = |order: f64| order * (2.0 * PI * frequency * f64::from(n) / RATE + phase);
                let distortion =
                    8.0 * (angle(3.0) + 1.0).sin() + 5.0 * angle(5.0).sin() + 3.0 * (angle(7.0) + 2.0).sin();
                (n, 2.0 + 325.0 * angle(1.0).sin() + distortion + noise_rms * noise)
            })
            .take_while(|(n, _)| f64::from(*n) < duration * RATE)
            .map(|(_, sample)| sample)
            .collect()
    }

    fn fit(samples: &[f64]) -> Option<SineFit> {
        fit_fundamental(samples, Hertz::new(RATE).unwrap(), (45.0, 65.0), &[3, 5, 7])
    }

    #[test]
    fn a_clean_short_record_gives_the_frequency() {
        for (frequency, seed) in [(49.97, 1), (49.97, 9), (50.02, 5), (60.03, 2), (59.96, 13)] {
            let fit = fit(&mains(frequency, 0.04, 0.0, seed)).unwrap();
            assert!((fit.frequency_hz - frequency).abs() < 1e-4, "{frequency}: {fit:?}");
            assert!((fit.amplitude - 325.0).abs() < 0.01 && fit.explained > 1.0 - 1e-9, "{fit:?}");
        }
    }

    #[test]
    fn the_stated_uncertainty_is_the_scatter() {
        let fits: Vec<_> = (0..40).map(|seed| fit(&mains(49.97, 0.2, 50.0, seed)).unwrap()).collect();
        let scatter = fits.iter().map(|fit| (fit.frequency_hz - 49.97).powi(2)).sum::<f64>() / fits.len() as f64;
        let stated = fits.iter().map(|fit| fit.uncertainty_hz.powi(2)).sum::<f64>() / fits.len() as f64;
        // 40 runs give the scatter to about 11 %; three times that is allowed.
        assert!((0.65..1.35).contains(&(scatter / stated).sqrt()), "{scatter} {stated}");
        assert!(fits.iter().all(|fit| (fit.frequency_hz - 49.97).abs() < 0.01), "{scatter}");
    }

    #[test]
    fn noise_alone_gives_nothing() {
        for (seed, count) in (0..40).zip((20_000..).step_by(500)) {
            let samples: Vec<f64> = noise(seed).take(count).collect();
            assert_eq!(fit(&samples), None, "{seed}");
        }
    }

    /// Noise through a one-pole low-pass, and summed up without end: flicker and drift.
    #[test]
    fn red_noise_alone_gives_nothing() {
        for corner in [0.0, 10.0, 60.0, 300.0] {
            for (seed, count) in (0..12).zip([20_000, 50_000, 100_000].into_iter().cycle()) {
                let mut state = 0.0;
                let red = noise(seed).take(count).map(|sample| {
                    state += sample - 2.0 * PI * corner / RATE * state;
                    state
                });
                assert_eq!(fit(&red.collect::<Vec<_>>()), None, "{corner} Hz, seed {seed}");
            }
        }
    }

    /// Eight bits over somewhat more than the mains, without any harmonic.
    #[test]
    fn a_coarse_pure_mains_is_found() {
        const CODE: f64 = 2.0 * 400.0 / 256.0;
        let coarse = |n: u32| (325.0 * (2.0 * PI * 49.97 * f64::from(n) / RATE + 0.2).sin() / CODE).round() * CODE;
        let found = fit(&(0..20_000).map(coarse).collect::<Vec<_>>()).unwrap();
        assert!((found.frequency_hz - 49.97).abs() < 0.01, "{found:?}");
    }

    #[test]
    fn drift_silence_and_short_records_give_nothing() {
        let ramp: Vec<f64> = (0..100_000).map(f64::from).collect();
        assert_eq!(fit(&ramp), None);
        assert_eq!(fit(&[1.0; 100_000]), None);
        assert_eq!(fit(&mains(50.0, 0.01, 0.0, 1)), None);
        assert_eq!(fit(&[]), None);
        assert_eq!(fit(&[f64::NAN; 100_000]), None);
        let outside = mains(80.0, 0.2, 1.0, 3);
        assert_eq!(fit(&outside), None);
    }
}
