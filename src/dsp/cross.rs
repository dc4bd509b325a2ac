//! What two channels have in common: coherence and transfer function, from densities of the same segments, and
//! how far chance alone takes them.

use super::Complex;
use super::segment::Hop;
use super::window::Taper;

/// The magnitude-squared coherence γ² = |Gxy|²/(Gxx·Gyy) of each bin, 0 to 1; 0 where a channel has no power.
///
/// It is an estimate: K independent segments of unrelated noise give 1/K in the mean, a single segment gives 1.
///
/// ```
/// use linewake::dsp::{Complex, cross::coherence};
/// assert_eq!(coherence(&[4.0], &[9.0], &[Complex::new(0.0, 3.0)]), [0.25]);
/// ```
///
/// # Panics
/// When the spectra differ in length.
///
/// # Sources
/// Bendat and Piersol, Random Data, 4th edition 2010, chapter 6 (from memory).
pub fn coherence(gxx: &[f64], gyy: &[f64], gxy: &[Complex<f64>]) -> Vec<f64> {
    assert!(gxx.len() == gyy.len() && gxx.len() == gxy.len(), "the spectra have the same bins");
    let bin = |((xx, yy), xy): ((&f64, &f64), &Complex<f64>)| {
        // Divided one after the other: the product of two small densities could vanish.
        if *xx > 0.0 && *yy > 0.0 { ((xy.norm() / xx) * (xy.norm() / yy)).min(1.0) } else { 0.0 }
    };
    gxx.iter().zip(gyy).zip(gxy).map(bin).collect()
}

/// The transfer function H1 = Gxy/Gxx of each bin: how y follows x, in units of y per unit of x, with the phase
/// of y over x. Not a number where x has no power.
///
/// H1 is right where the noise is on y; noise on x makes it too small.
///
/// ```
/// use linewake::dsp::{Complex, cross::transfer};
/// assert_eq!(transfer(&[4.0], &[Complex::new(0.0, 3.0)]), [Complex::new(0.0, 0.75)]);
/// ```
///
/// # Panics
/// When the spectra differ in length.
///
/// # Sources
/// Bendat and Piersol, Random Data, 4th edition 2010, chapter 6 (from memory).
pub fn transfer(gxx: &[f64], gxy: &[Complex<f64>]) -> Vec<Complex<f64>> {
    assert_eq!(gxx.len(), gxy.len(), "the spectra have the same bins");
    gxx.iter().zip(gxy).map(|(xx, xy)| xy / xx).collect()
}

/// How many independent segments a number of overlapping ones is worth: half of Welch's degrees of freedom.
///
/// ```
/// use linewake::dsp::{cross::effective_averages, segment::Hop, window::{Taper, Window}};
/// let taper = Taper::new(&Window::default(), 4096);
/// // Hann, half overlap, 15 segments: 28.52 degrees of freedom.
/// assert!((effective_averages(&taper, Hop::Samples(2048), 15) - 28.52 / 2.0).abs() < 0.01);
/// ```
///
/// # Sources
/// Welch, IEEE Trans. Audio Electroacoustics 15 (1967) 70-73: Var/P² = (1/K) [1 + 2 Σ (1 − j/K) ρ(j)] with
/// ρ(j) = [Σ w(n) w(n + jD) / Σ w(n)²]² (from memory).
pub fn effective_averages(taper: &Taper, hop: Hop, segments: u64) -> f64 {
    let weights = taper.values();
    let count = segments as f64;
    let correlation = |shift: usize| {
        let products: f64 = weights.iter().zip(&weights[shift..]).map(|(a, b)| a * b).sum();
        (products / taper.sum_of_squares()).powi(2)
    };
    let shifts = (1..segments).map(|j| (j, usize::try_from(hop.start(j)).unwrap_or(usize::MAX)));
    let overlapping = shifts.take_while(|(_, shift)| *shift < weights.len());
    let excess: f64 = overlapping.map(|(j, shift)| (1.0 - j as f64 / count) * correlation(shift)).sum();
    count / (1.0 + 2.0 * excess)
}

/// The probability that unrelated noise shows a coherence as high as this in a single bin, from so many
/// independent segments: (1 − γ²)^(L − 1).
///
/// # Sources
/// Distribution of the sample coherence for a true coherence of zero: Goodman 1957; Carter, Knapp and Nuttall,
/// IEEE Trans. Audio Electroacoustics 21 (1973) 337-344 (from memory).
pub fn chance_of_coherence(coherence: f64, averages: f64) -> f64 {
    if averages > 1.0 { (1.0 - coherence).clamp(0.0, 1.0).powf(averages - 1.0) } else { 1.0 }
}

/// The coherence that unrelated noise exceeds in a single bin with a given probability: 1 − α^(1/(L − 1)).
///
/// ```
/// use linewake::dsp::cross::significance_threshold;
/// assert!((significance_threshold(0.05, 32.0) - 0.09211).abs() < 5e-6);
/// assert_eq!(significance_threshold(0.05, 1.0), 1.0); // a single segment says nothing
/// ```
///
/// # Sources
/// As [`chance_of_coherence`].
pub fn significance_threshold(probability: f64, averages: f64) -> f64 {
    if averages > 1.0 { 1.0 - probability.powf(1.0 / (averages - 1.0)) } else { 1.0 }
}

/// A coherence without its bias: the γ² for which γ² + (1 − γ²)²/L is what was found. Below zero where chance gave
/// less than the 1/L that it gives unrelated noise in the mean, so that sums over many bins stay right.
///
/// ```
/// use linewake::dsp::cross::without_bias;
/// assert!(without_bias(1.0 / 20.0, 20.0).abs() < 1e-12);
/// assert!((without_bias(0.5 + 0.25 / 64.0, 64.0) - 0.5).abs() < 1e-12);
/// ```
///
/// # Sources
/// The bias (1 − γ²)²/L: Bendat and Piersol, Random Data, 4th edition 2010, chapter 9 (from memory).
pub fn without_bias(coherence: f64, averages: f64) -> f64 {
    // With u = 1 − γ²: u²/L − u + (1 − found) = 0, the root that is 0 for full coherence.
    let root = (1.0 - 4.0 * (1.0 - coherence) / averages).max(0.0).sqrt();
    1.0 - 0.5 * averages * (1.0 - root)
}

/// The relative random error (one standard deviation) of |H1|, and that of its phase in radians:
/// √(1 − γ²) / (|γ| √(2L)). Infinite without coherence.
///
/// ```
/// use linewake::dsp::cross::transfer_error;
/// assert!((transfer_error(0.5, 64.0) - 0.0884).abs() < 5e-5);
/// ```
///
/// # Sources
/// Bendat and Piersol, Random Data, 4th edition 2010, chapter 9 (from memory).
pub fn transfer_error(coherence: f64, averages: f64) -> f64 {
    (1.0 - coherence).max(0.0).sqrt() / (coherence.max(0.0).sqrt() * (2.0 * averages).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::window::Window;

    #[test]
    fn thresholds_and_averages_are_those_of_the_tables() {
        // 1 − 0.05^(1/(L − 1)), confirmed elsewhere by simulation of 60,000 to 200,000 trials.
        for (averages, five, one) in [
            (10.0, 0.283_129, 0.400_516),
            (20.0, 0.145_87, 0.215_24),
            (32.0, 0.092_11, 0.138_05),
            (100.0, 0.029_81, 0.045_45),
        ] {
            assert!((significance_threshold(0.05, averages) - five).abs() < 5.1e-6, "{averages}");
            assert!((significance_threshold(0.01, averages) - one).abs() < 5.1e-6, "{averages}");
            assert!((chance_of_coherence(five, averages) - 0.05).abs() < 1e-4);
        }
        // Degrees of freedom by Welch's formula, computed independently: Hann, half overlap.
        let taper = Taper::new(&Window::default(), 3750);
        for (segments, degrees) in [(15, 28.52), (63, 119.47), (255, 483.26)] {
            assert!((2.0 * effective_averages(&taper, Hop::Samples(1875), segments) - degrees).abs() < 0.006);
        }
        let plain = Taper::new(&"rectangular".parse::<Window>().unwrap(), 100);
        assert!((effective_averages(&plain, Hop::Samples(100), 9) - 9.0).abs() < 1e-12);
    }

    #[test]
    fn silence_has_no_coherence_and_no_transfer() {
        let nothing = [Complex::new(0.0, 0.0)];
        assert_eq!(coherence(&[0.0], &[1.0], &nothing), [0.0]);
        assert!(transfer(&[0.0], &nothing)[0].re.is_nan());
    }

    #[test]
    fn tiny_densities_do_not_vanish() {
        let gxy = [Complex::new(1e-200, 0.0)];
        assert!((coherence(&[1e-200], &[1e-200], &gxy)[0] - 1.0).abs() < 1e-15);
    }
}
