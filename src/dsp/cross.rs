//! What two channels have in common: coherence and transfer function, from densities of the same segments.

use super::Complex;

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

#[cfg(test)]
mod tests {
    use super::*;

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
