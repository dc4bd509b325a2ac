//! One-sided spectra that know how they were scaled, so that densities and powers cannot be mixed.
//!
//! The value at 0 and, for even lengths, at half the sample rate belongs to a bin of half the width and is not
//! doubled; a bin's mean square is its density times the full bin width everywhere. That makes the sum over all
//! bins the mean square of the samples (Parseval).

use std::f64::consts::PI;
use std::marker::PhantomData;

use crate::units::{Band, Hertz};

mod sealed {
    pub trait Sealed {}
    impl Sealed for super::Density {}
    impl Sealed for super::Power {}
}

/// How the values of a spectrum are scaled: [`Density`] or [`Power`].
pub trait Scaling: sealed::Sealed {}

/// Mean square per hertz: V²/Hz for volts. Right for noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Density;

/// Mean square in one noise bandwidth: V² for volts. Right for sines.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Power;

impl Scaling for Density {}
impl Scaling for Power {}

/// A one-sided spectrum, bins 0 to N/2.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum<S: Scaling> {
    values: Vec<f64>,
    bin_width: Hertz,
    noise_bandwidth: Hertz,
    /// Half the sample rate in hertz.
    top: f64,
    averages: u64,
    scaling: PhantomData<S>,
}

impl<S: Scaling> Spectrum<S> {
    /// Takes one-sided values of segments of `length` samples, not doubled at 0 and at half the sample rate.
    ///
    /// # Panics
    /// When there are not `length / 2 + 1` values, or when the rate is so small that its bins have no width.
    pub fn new(values: Vec<f64>, rate: Hertz, length: usize, noise_bandwidth: Hertz, averages: u64) -> Self {
        assert_eq!(values.len(), length / 2 + 1, "segments of {length} samples have one value for each bin");
        let bin_width = Hertz::new(rate.get() / length as f64).expect("a rate over a length is above zero");
        Self { values, bin_width, noise_bandwidth, top: 0.5 * rate.get(), averages, scaling: PhantomData }
    }

    /// The values, in the unit of the scaling.
    pub fn values(&self) -> &[f64] {
        &self.values
    }

    /// The frequency of a bin in hertz.
    pub fn frequency(&self, bin: usize) -> f64 {
        bin as f64 * self.bin_width.get()
    }

    /// The distance of two bins.
    pub fn bin_width(&self) -> Hertz {
        self.bin_width
    }

    /// The equivalent noise bandwidth of the window that was used.
    pub fn noise_bandwidth(&self) -> Hertz {
        self.noise_bandwidth
    }

    /// How many segments were averaged. Overlapped segments are not independent.
    pub fn averages(&self) -> u64 {
        self.averages
    }

    /// The same spectrum with each value replaced by a function of its frequency in hertz and itself: for
    /// corrections of the measuring chain.
    #[must_use]
    pub fn map(mut self, mut change: impl FnMut(f64, f64) -> f64) -> Self {
        let width = self.bin_width.get();
        for (bin, value) in self.values.iter_mut().enumerate() {
            *value = change(bin as f64 * width, *value);
        }
        self
    }

    /// The bins that reach into a range, each with the share of it that lies within.
    fn shares(&self, band: Band) -> impl Iterator<Item = (usize, f64)> + '_ {
        let width = self.bin_width.get();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and it saturates")]
        let index = |frequency: f64| (frequency / width).round() as usize;
        let (first, last) = (index(band.low()), index(band.high()).min(self.values.len() - 1));
        (first..=last).filter_map(move |bin| {
            // Well within the range a bin is its own whole.
            if first + 1 < bin && bin + 1 < last {
                return Some((bin, 1.0));
            }
            let centre = self.frequency(bin);
            let (low, high) = ((centre - 0.5 * width).max(0.0), (centre + 0.5 * width).min(self.top));
            let overlap = band.high().min(high) - band.low().max(low);
            (overlap > 0.0).then(|| (bin, overlap / (high - low)))
        })
    }
}

impl Spectrum<Density> {
    /// The mean square in a range: V² for volts. A bin that straddles an edge is shared out by its overlap.
    ///
    /// ```
    /// use linewake::dsp::spectrum::{Density, Spectrum};
    /// use linewake::units::{Band, Hertz};
    /// let flat = Spectrum::<Density>::new(vec![2.0; 6], Hertz::new(100.0)?, 10, Hertz::new(15.0)?, 1);
    /// assert_eq!(flat.mean_square_in(Band::new(12.0, 32.0)?), 40.0);
    /// # Ok::<(), linewake::error::Error>(())
    /// ```
    pub fn mean_square_in(&self, band: Band) -> f64 {
        self.weighted_mean_square_in(band, |_| 1.0)
    }

    /// The mean square in a range with the density of each bin weighted by a function of the bin's frequency in
    /// hertz.
    pub fn weighted_mean_square_in(&self, band: Band, mut weight: impl FnMut(f64) -> f64) -> f64 {
        let width = self.bin_width.get();
        self.shares(band).map(|(bin, share)| self.values[bin] * width * share * weight(self.frequency(bin))).sum()
    }

    /// The RMS value of the time derivative within a range, √∫(2πf)² PSD df: V/s for volts.
    ///
    /// For a sine of RMS value V it is 2πfV.
    pub fn slew_rms_in(&self, band: Band) -> f64 {
        self.weighted_mean_square_in(band, |frequency| (2.0 * PI * frequency).powi(2)).sqrt()
    }

    /// The RMS value in one noise bandwidth about a bin: for a sine on the bin it is the sine's RMS value.
    ///
    /// # Panics
    /// When there is no such bin.
    pub fn rms_at(&self, bin: usize) -> f64 {
        (self.values[bin] * self.noise_bandwidth.get()).sqrt()
    }

    /// The same spectrum as mean square in one noise bandwidth.
    pub fn into_power(self) -> Spectrum<Power> {
        let bandwidth = self.noise_bandwidth.get();
        Spectrum {
            values: self.values.into_iter().map(|density| density * bandwidth).collect(),
            bin_width: self.bin_width,
            noise_bandwidth: self.noise_bandwidth,
            top: self.top,
            averages: self.averages,
            scaling: PhantomData,
        }
    }
}

impl Spectrum<Power> {
    /// The RMS value in one noise bandwidth about a bin: for a sine on the bin it is the sine's RMS value.
    ///
    /// # Panics
    /// When there is no such bin.
    pub fn rms_at(&self, bin: usize) -> f64 {
        self.values[bin].sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hertz(value: f64) -> Hertz {
        Hertz::new(value).unwrap()
    }

    fn band(low: f64, high: f64) -> Band {
        Band::new(low, high).unwrap()
    }

    /// Bins at 0, 10, … 50 Hz with values 1, 2, … 6.
    fn steps() -> Spectrum<Density> {
        Spectrum::new((1..=6).map(f64::from).collect(), hertz(100.0), 10, hertz(15.0), 4)
    }

    #[test]
    fn edges_share_a_bin_by_overlap() {
        let cases = [
            (0.0, 50.0, 210.0),
            (0.0, 1e9, 210.0),
            (15.0, 25.0, 30.0),
            (15.0, 20.0, 15.0),
            (12.0, 18.0, 2.0 * 3.0 + 3.0 * 3.0),
            (0.0, 5.0, 10.0),
            (45.0, 50.0, 60.0),
            (47.5, 60.0, 30.0),
            (60.0, 70.0, 0.0),
        ];
        for (low, high, expected) in cases {
            let found = steps().mean_square_in(band(low, high));
            assert!((found - expected).abs() < 1e-12, "{low} to {high}: {found}");
        }
    }

    #[test]
    fn neighbouring_ranges_add_up() {
        let edges = [0.0, 3.3, 7.0, 21.0, 44.9, 50.0];
        let sum: f64 = edges.windows(2).map(|pair| steps().mean_square_in(band(pair[0], pair[1]))).sum();
        assert!((sum - 210.0).abs() < 1e-12);
    }

    #[test]
    fn an_odd_length_ends_half_a_bin_early() {
        let flat = Spectrum::<Density>::new(vec![1.0; 3], hertz(50.0), 5, hertz(10.0), 1);
        assert!((flat.mean_square_in(band(0.0, 25.0)) - 30.0).abs() < 1e-12);
        assert!((flat.mean_square_in(band(20.0, 25.0)) - 5.0).abs() < 1e-12);
    }

    #[test]
    fn densities_become_powers() {
        let power = steps().into_power();
        assert_eq!(power.values()[1], 30.0);
        assert_eq!(power.rms_at(1), steps().rms_at(1));
        assert_eq!(power.averages(), 4);
        assert_eq!(power.map(|frequency, value| frequency * value).values()[2], 20.0 * 45.0);
    }

    #[test]
    fn slew_weighs_by_frequency() {
        let found = steps().slew_rms_in(band(15.0, 25.0));
        assert!((found - (30.0_f64).sqrt() * 2.0 * PI * 20.0).abs() < 1e-10);
    }
}
