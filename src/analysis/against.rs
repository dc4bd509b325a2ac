//! Results held against published levels: what a spectrum and what bands are, in the terms that levels are stated in.

use super::bands::CaptureBands;
use super::receiver::CaptureReadings;
use super::spectrum::CaptureSpectrum;
use crate::compare::margin::{Measured, hold_against};
use crate::levels::{Curve, Detector};
use crate::measure::bands::BandValue;
use crate::measure::detector::{self, DETECTORS};
use crate::units::{Band, Level};

/// A band is as wide as its edges only where it is so many times as wide as the resolution: a line in its middle then
/// keeps 99.9 % of its power within (Hann window, main lobe of ±2 bins).
const FINE_ENOUGH: f64 = 4.0;

impl CaptureSpectrum {
    /// Holds every channel against levels. A spectrum reads RMS in its noise bandwidth.
    pub fn hold_against(&mut self, curves: &[Curve]) {
        for channel in &mut self.channels {
            let measured = Measured {
                role: channel.role,
                unit: &channel.unit,
                port: channel.port,
                detector: Detector::Rms,
                bandwidth: Ok(self.analysis.enbw_hz),
                frequency_hz: &channel.frequency_hz,
                level_db: &channel.level_db,
                bands: None,
            };
            channel.against = curves.iter().map(|curve| hold_against(curve, &measured)).collect();
        }
    }
}

impl CaptureBands {
    /// Holds every channel against levels. A band reads RMS over its width, and stands at its middle.
    pub fn hold_against(&mut self, curves: &[Curve]) {
        for channel in &mut self.channels {
            let bands: Vec<Band> = channel.bands.iter().map(|value| value.band).collect();
            let middles: Vec<f64> = bands.iter().map(|band| (band.low() + band.high()) / 2.0).collect();
            let levels: Vec<Level> = channel.bands.iter().map(|value| value.level_db).collect();
            let measured = Measured {
                role: channel.role,
                unit: &channel.unit,
                port: channel.port,
                detector: Detector::Rms,
                bandwidth: bandwidth_of(&channel.bands, self.analysis.enbw_hz),
                frequency_hz: &middles,
                level_db: &levels,
                bands: Some(&bands),
            };
            channel.against = curves.iter().map(|curve| hold_against(curve, &measured)).collect();
        }
    }
}

impl CaptureReadings {
    /// Holds every channel against levels, each with the readings of the detector that it is stated for.
    ///
    /// Where the record does not carry that detector, or the receiver has none like it, the level is held against the
    /// leading one, and so drawn without a margin.
    pub fn hold_against(&mut self, curves: &[Curve]) {
        for channel in &mut self.channels {
            let held = |curve: &Curve| {
                let stated = DETECTORS.iter().find(|detector| detector_of(detector) == Some(curve.detector));
                let own = stated.and_then(|detector| Some((curve.detector, channel.of(detector.name)?)));
                let leading = || {
                    let (detector, levels) = channel.leading();
                    (detector_of(detector).unwrap_or(Detector::NotKnown), levels)
                };
                let (detector, level_db) = own.unwrap_or_else(leading);
                let measured = Measured {
                    role: channel.role,
                    unit: &channel.unit,
                    port: channel.port,
                    detector,
                    bandwidth: Ok(self.analysis.bandwidth_hz),
                    frequency_hz: &channel.frequency_hz,
                    level_db,
                    bands: None,
                };
                hold_against(curve, &measured)
            };
            let against = curves.iter().map(held).collect();
            channel.against = against;
        }
    }
}

/// What levels call a detector of the receiver; `None` for those that no level is stated for.
fn detector_of(detector: &detector::Detector) -> Option<Detector> {
    match detector.name {
        "peak" => Some(Detector::Peak),
        "quasi_peak" => Some(Detector::QuasiPeak),
        "average" => Some(Detector::Average),
        "rms_average" => Some(Detector::RmsAverage),
        "rms" => Some(Detector::Rms),
        _ => None,
    }
}

/// The width that all bands share, or why it is not their bandwidth.
fn bandwidth_of(bands: &[BandValue], resolution_hz: f64) -> Result<f64, String> {
    let width = bands.first().map_or(f64::NAN, |value| value.band.width());
    if !bands.iter().all(|value| (value.band.width() / width - 1.0).abs() < 1e-9) {
        return Err("the bands differ in width".into());
    }
    if resolution_hz * FINE_ENOUGH > width * (1.0 + 1e-9) {
        return Err(format!(
            "a resolution of {resolution_hz:.1} Hz spreads a line beyond bands of {width:.0} Hz (try --rbw {:.0})",
            (width / FINE_ENOUGH).floor()
        ));
    }
    Ok(width)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_have_a_bandwidth_only_where_the_resolution_leaves_them_one() {
        let bands = |edges: &[f64]| -> Vec<BandValue> {
            let pairs = edges.windows(2).map(|pair| Band::new(pair[0], pair[1]).unwrap());
            pairs.map(|band| BandValue::new(band, 1.0, None)).collect()
        };
        assert_eq!(bandwidth_of(&bands(&[2e3, 2.2e3, 2.4e3]), 50.0), Ok(200.0));
        assert!(bandwidth_of(&bands(&[2e3, 2.2e3, 2.4e3]), 51.0).unwrap_err().contains("--rbw 50"));
        assert!(bandwidth_of(&bands(&[2e3, 9e3, 30e3]), 50.0).unwrap_err().contains("differ"));
    }
}
