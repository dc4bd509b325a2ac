//! One line in a spectrum: its frequency and level by fitting the window's own shape, with their uncertainties.

use super::gather::{Shape, half_width};
use crate::dsp::golden_section;

/// How far the shape of a line in the record may differ from the window's, as a share of its height: it keeps the
/// wings of a strong line from ruling the fit.
const SHAPE_ERROR: f64 = 0.02;

/// A fitted line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// Its place in bins, counted from the first bin of the view.
    pub(super) place: f64,
    /// Standard uncertainty of the place, from noise.
    pub(super) place_error: f64,
    /// Its mean square without the noise.
    pub(super) power: f64,
    /// Standard uncertainty of the power, from noise.
    pub(super) power_error: f64,
}

/// Fits a line of the window's shape on a floor around the bin of a peak.
///
/// The squares of the differences are weighted with what noise does to a line, F · P; the line's place is found by
/// golden section, its power follows linearly. `share` is the share of the record that the powers stand for.
pub(super) fn fit(power: &[f64], peak: usize, floor: f64, shape: &Shape, share: f64) -> Option<Line> {
    let half = half_width(shape.noise_bandwidth_bins);
    let from = peak.checked_sub(half)?;
    let bins = power.get(from..=peak + half)?;
    let top = bins[half];
    if !(top > 0.0 && floor > 0.0) {
        return None;
    }
    let variance: Vec<f64> = bins.iter().map(|p| p.max(floor) * floor + (SHAPE_ERROR * top).powi(2)).collect();
    let scale = shape.window.kernel(0.0);
    let amplitudes = |offset: f64| -> Vec<f64> {
        (0..bins.len()).map(|i| shape.window.kernel(i as f64 - half as f64 - offset) / scale).collect()
    };
    // The sums of response times value and of response squared.
    let sums = |offset: f64| {
        amplitudes(offset).iter().zip(bins.iter().zip(&variance)).fold((0.0, 0.0), |(along, norm), (a, (p, v))| {
            let response = a * a;
            (along + response * (p - floor) / v, norm + response * response / v)
        })
    };
    let explained = |offset: f64| {
        let (along, norm) = sums(offset);
        along * along.abs() / norm
    };
    let offset = golden_section::highest(-1.0, 1.0, 24, explained);
    let (along, norm) = sums(offset);
    let line_power = along / norm;
    if line_power.is_nan() || line_power <= 0.0 {
        return None;
    }
    let now = amplitudes(offset);
    let step = 1e-4;
    let slope: Vec<f64> = amplitudes(offset + step)
        .iter()
        .zip(&amplitudes(offset - step))
        .map(|(a, b)| (a * a - b * b) / (2.0 * step))
        .collect();
    let weights: Vec<f64> = now.iter().zip(&variance).map(|(a, v)| a * a / v / norm).collect();
    // The slope, less what a change of the power would do.
    let mixed: f64 = slope.iter().zip(&weights).map(|(s, w)| s * w).sum();
    let slope: Vec<f64> = slope.iter().zip(&now).map(|(s, a)| s - mixed * a * a).collect();
    let slope_norm: f64 = slope.iter().zip(&variance).map(|(s, v)| s * s / v).sum::<f64>() * line_power;
    let place_weights: Vec<f64> = slope.iter().zip(&variance).map(|(s, v)| s / v / slope_norm).collect();
    let noise = Noise { amplitudes: &now, floor, power: line_power, shape, share };
    Some(Line {
        place: peak as f64 + offset,
        place_error: noise.error(&place_weights, shape.place_averages),
        power: line_power,
        power_error: noise.error(&weights, shape.line_averages),
    })
}

/// Noise of a floor on a line: how the powers of its bins scatter together.
struct Noise<'a> {
    amplitudes: &'a [f64],
    floor: f64,
    power: f64,
    shape: &'a Shape,
    share: f64,
}

impl Noise<'_> {
    /// The standard deviation of a weighted sum of the bins.
    ///
    /// `line_averages` is how many segments the first part counts for. With a line of amplitude a and noise n in a bin, |a + n|² scatters by 2 Re(a*n) and by |n|²; the noises of
    /// neighbouring bins are correlated through the window.
    fn error(&self, weights: &[f64], line_averages: f64) -> f64 {
        let Self { amplitudes, floor, power, shape, share } = self;
        let (noise, line) = ((shape.averages * share).max(0.5), (line_averages * share).max(0.5));
        let mut variance = 0.0;
        for (i, wi) in weights.iter().enumerate() {
            for (j, wj) in weights.iter().enumerate() {
                let correlation = shape.correlation.get(i.abs_diff(j)).copied().unwrap_or(0.0);
                let both = (correlation * floor).powi(2) / noise
                    + 2.0 * floor * power * amplitudes[i] * amplitudes[j] * correlation / line;
                variance += wi * wj * both;
            }
        }
        variance.max(0.0).sqrt()
    }
}
