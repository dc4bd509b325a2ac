//! A fundamental with harmonics fitted to a short record by least squares: how the mains frequency is found.
//!
//! For a given frequency the fit is linear, a constant and a cosine and a sine for each harmonic. Only the
//! frequency is searched: on a grid that cannot step over a peak, then by golden section. Whether there is anything
//! at all is judged against what the fit leaves beside each harmonic, because noise at these frequencies is rarely
//! white: drift and flicker alone would explain a fit well.

use std::f64::consts::PI;

use super::Complex;
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
    let top = *orders.last()? * high;
    let record = Record::new(samples, rate, top)?;
    if record.samples.len() < 4 * orders.len() + 4 || record.power <= 0.0 {
        return None;
    }
    let explained = |frequency: f64| record.fit(frequency, &orders).map_or(0.0, |fit| fit.explained);
    let points = ((high - low) * POINTS_PER_BIN * record.duration() * orders.last()?).clamp(16.0, MOST_POINTS).ceil();
    let step = (high - low) / points;
    let grid = (0u32..).map(|n| low + step * f64::from(n)).take_while(|frequency| *frequency <= high);
    let (best, _) = grid.map(|frequency| (frequency, explained(frequency))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (left, right) = ((best - step).max(low), (best + step).min(high));
    let frequency = golden_section(left, right, explained);
    // A peak at the end of the range lies outside of it: nothing periodic was found within.
    let inside = frequency - low > 1e-3 * step && high - frequency > 1e-3 * step;
    let fit = record.fit(frequency, &orders).filter(|_| inside)?;
    conclude(&record, &fit, frequency, &orders, high - low)
}

/// The orders to fit, rising, the fundamental always among them, none beyond half the sample rate.
fn orders(harmonics: &[u32], high: f64, rate: Hertz) -> Vec<f64> {
    let mut orders: Vec<u32> = harmonics.iter().copied().filter(|order| *order > 1).chain([1]).collect();
    orders.sort_unstable();
    orders.dedup();
    orders.into_iter().map(f64::from).filter(|order| 2.0 * order * high < rate.get()).collect()
}

/// The samples as they are fitted: averaged in groups, without their mean.
struct Record {
    samples: Vec<f64>,
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
        power.is_finite().then_some(Self { samples: averaged, rate, group, power })
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
    fn fit(&self, frequency: f64, orders: &[f64]) -> Option<LinearFit> {
        let count = self.samples.len() as f64;
        let omega = 2.0 * PI * frequency / self.rate;
        let kernel = |order: f64| {
            let half_angle = 0.5 * order * omega;
            if half_angle.sin().abs() < 1e-12 { count } else { (count * half_angle).sin() / half_angle.sin() }
        };
        let projections = projections(&self.samples, omega, orders);
        let with_constant: Vec<f64> = [0.0].into_iter().chain(orders.iter().copied()).collect();
        let right: Vec<f64> = [0.0].into_iter().chain(projections.iter().map(|p| p.re)).collect();
        let cosines = solve(&with_constant, &right, |a, b| 0.5 * (kernel(a - b) + kernel(a + b)))?;
        let imaginary: Vec<f64> = projections.iter().map(|p| p.im).collect();
        let sines = solve(orders, &imaginary, |a, b| 0.5 * (kernel(a - b) - kernel(a + b)))?;
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let explained = (dot(&cosines, &right) + dot(&sines, &imaginary)) / self.power;
        let parts = cosines[1..].iter().zip(&sines).map(|(a, b)| Complex::new(*a, *b)).collect();
        Some(LinearFit { explained: explained.clamp(0.0, 1.0), constant: cosines[0], parts })
    }

    /// The samples less a fit.
    fn residual(&self, fit: &LinearFit, frequency: f64, orders: &[f64]) -> Vec<f64> {
        let mut left: Vec<f64> = self.samples.iter().map(|sample| sample - fit.constant).collect();
        let omega = 2.0 * PI * frequency / self.rate;
        let start = -0.5 * (left.len() as f64 - 1.0) * omega;
        for (order, part) in orders.iter().zip(&fit.parts) {
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

/// The sums of the samples times cosine and sine of each multiple of a frequency, time counted from the middle.
///
/// Cosines see what is even about the middle and sines what is odd, so that half of the angles do for both; and the
/// angles turn in strands, each by all strands at once, so that no step waits for the one before.
fn projections(samples: &[f64], omega: f64, multiples: &[f64]) -> Vec<Complex<f64>> {
    const STRANDS: usize = 8;
    let half = samples.len() / 2;
    let (early, late) = (&samples[..half], &samples[samples.len() - half..]);
    // The distance of the innermost samples from the middle, in samples.
    let start = if samples.len().is_multiple_of(2) { 0.5 } else { 1.0 };
    let middle = if samples.len().is_multiple_of(2) { 0.0 } else { samples[half] };
    let pairs: Vec<(f64, f64)> = late.iter().zip(early.iter().rev()).map(|(a, b)| (a + b, a - b)).collect();
    let (chunks, rest) = pairs.as_chunks::<STRANDS>();
    let one = |multiple: &f64| {
        let angle = multiple * omega;
        let strand = |n: usize| Complex::cis((start + n as f64) * angle);
        let mut cosine: [f64; STRANDS] = std::array::from_fn(|n| strand(n).re);
        let mut sine: [f64; STRANDS] = std::array::from_fn(|n| strand(n).im);
        let turn = Complex::cis(STRANDS as f64 * angle);
        let (mut even, mut odd) = ([0.0; STRANDS], [0.0; STRANDS]);
        for chunk in chunks {
            for n in 0..STRANDS {
                let (sum, difference) = chunk[n];
                even[n] += sum * cosine[n];
                odd[n] += difference * sine[n];
                let turned = cosine[n] * turn.re - sine[n] * turn.im;
                sine[n] = cosine[n] * turn.im + sine[n] * turn.re;
                cosine[n] = turned;
            }
        }
        for (n, (sum, difference)) in rest.iter().enumerate() {
            even[n] += sum * cosine[n];
            odd[n] += difference * sine[n];
        }
        Complex::new(middle + even.iter().sum::<f64>(), odd.iter().sum::<f64>())
    };
    multiples.iter().map(one).collect()
}

/// Decides whether there is something, and how well its frequency is known.
fn conclude(record: &Record, fit: &LinearFit, frequency: f64, orders: &[f64], span: f64) -> Option<SineFit> {
    let count = record.samples.len() as f64;
    let residual = record.residual(fit, frequency, orders);
    let omega = 2.0 * PI * frequency / record.rate;
    let periods = frequency * record.duration();
    // Rounding leaves something even where a fit explains all.
    let least = f64::EPSILON * record.power / count;
    let (mut surprise, mut steepness, mut spread) = (0.0, 0.0, 0.0);
    for (order, part) in orders.iter().zip(&fit.parts) {
        let neighbours = neighbours(*order, periods);
        let beside = projections(&residual, omega, &neighbours);
        let neighbours = beside.len() as f64;
        let noise = (beside.iter().map(|x| x.norm_sqr()).sum::<f64>() / (neighbours * count)).max(least);
        let rise = 0.25 * count * part.norm_sqr() / noise;
        surprise += neighbours * (rise / neighbours).ln_1p();
        steepness += order * order * part.norm_sqr();
        spread += order * order * part.norm_sqr() * noise;
    }
    let uncertainty_hz = 6.0_f64.sqrt() / (PI * record.duration() * count.sqrt()) * spread.sqrt() / steepness;
    let amplitude = fit.parts[0].norm() / record.droop(frequency);
    let found = SineFit { frequency_hz: frequency, uncertainty_hz, amplitude, explained: fit.explained };
    // A frequency known no better than a tenth of the range is not known.
    let trials = 1.0 + span * record.duration() * orders[orders.len() - 1];
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
fn solve(orders: &[f64], right: &[f64], entry: impl Fn(f64, f64) -> f64) -> Option<Vec<f64>> {
    let size = orders.len();
    let mut lower = vec![vec![0.0; size]; size];
    for i in 0..size {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
            let rest = entry(orders[i], orders[j]) - known;
            lower[i][j] = if i != j {
                rest / lower[j][j]
            } else if rest > 1e-10 * entry(orders[i], orders[i]) {
                rest.sqrt()
            } else {
                return None;
            };
        }
    }
    let mut solution = right.to_vec();
    for i in 0..size {
        let known: f64 = (0..i).map(|k| lower[i][k] * solution[k]).sum();
        solution[i] = (solution[i] - known) / lower[i][i];
    }
    for i in (0..size).rev() {
        let known: f64 = (i + 1..size).map(|k| lower[k][i] * solution[k]).sum();
        solution[i] = (solution[i] - known) / lower[i][i];
    }
    Some(solution)
}

/// The place of the maximum of a function with one peak between two points.
fn golden_section(mut left: f64, mut right: f64, function: impl Fn(f64) -> f64) -> f64 {
    let ratio = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut a, mut b) = (right - ratio * (right - left), left + ratio * (right - left));
    let (mut at_a, mut at_b) = (function(a), function(b));
    for _ in 0..40 {
        if at_a > at_b {
            (right, b, at_b) = (b, a, at_a);
            a = right - ratio * (right - left);
            at_a = function(a);
        } else {
            (left, a, at_a) = (a, b, at_b);
            b = left + ratio * (right - left);
            at_b = function(b);
        }
    }
    0.5 * (left + right)
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
