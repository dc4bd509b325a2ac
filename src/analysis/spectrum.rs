//! Which frequencies, how strong, on the wire and in the air?

use serde::Serialize;

use super::findings;
use super::observe::{Input, Observed, Wants, observe};
use super::pipeline::Spectral;
use super::settings::Settings;
use crate::capture::{Port, Quantity, Role};
use crate::compare::margin::Against;
use crate::error::{Error, Finding};
use crate::measure::mains::Mains;
use crate::read::Source;
use crate::units::{Band, Level};

/// The spectrum of one channel within the range.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelSpectrum {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// Where it is taken, as far as the measuring chain says.
    pub port: Option<Port>,
    /// The frequencies of the bins.
    pub frequency_hz: Vec<f64>,
    /// The one-sided power spectral density in U²/Hz.
    pub psd: Vec<f64>,
    /// The RMS value in one noise bandwidth; a tone reads its own RMS.
    pub rms: Vec<f64>,
    /// The level of that.
    pub level_db: Vec<Level>,
    /// The level of the largest of all segments.
    pub max_level_db: Vec<Level>,
    /// The level of the smallest of all segments.
    pub min_level_db: Vec<Level>,
    /// The level of the recorder's own noise in one noise bandwidth, mean over the range, where it is known.
    pub floor_level_db: Option<Level>,
    /// The same at each frequency; behind a measuring chain it is not flat. Empty where it is not known.
    pub floor_levels_db: Vec<Level>,
    /// The published levels that were asked for.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub against: Vec<Against>,
}

/// The spectra of one capture.
#[derive(Debug, Clone, Serialize)]
pub struct CaptureSpectrum {
    /// The file.
    pub path: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// How the estimate was made.
    pub analysis: Spectral,
    /// The mains.
    pub mains: Mains,
    /// The channels, the wire first.
    pub channels: Vec<ChannelSpectrum>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// The spectrum of a capture, with its input.
///
/// # Errors
/// Whatever is wrong with the file.
pub fn spectrum(source: &Source, settings: &Settings) -> Result<(Vec<Input>, CaptureSpectrum), Error> {
    let (inputs, observed) = observe(source, settings, Wants::default())?;
    Ok((inputs, of_observed(&observed)))
}

/// The spectrum of what was observed.
pub fn of_observed(observed: &Observed) -> CaptureSpectrum {
    CaptureSpectrum {
        path: observed.path().to_owned(),
        sample_rate_hz: observed.rate().get(),
        analysis: observed.spectral,
        mains: observed.mains,
        channels: (0..observed.channels.len()).map(|channel| channel_spectrum(observed, channel)).collect(),
        warnings: findings::of_observed(observed),
    }
}

/// The bins of a channel that lie in the range, both edges included.
pub(super) fn channel_spectrum(observed: &Observed, channel: usize) -> ChannelSpectrum {
    let densities = &observed.densities[channel];
    let enbw = observed.spectral.enbw_hz;
    let bins: Vec<usize> = bins_within(observed.range, observed.spectral.bin_hz, densities.mean.values().len());
    let level = |psd: f64| Level::of_rms((psd * enbw).sqrt());
    let levels = |values: &[f64]| bins.iter().map(|&k| level(values[k])).collect();
    let psd: Vec<f64> = bins.iter().map(|&k| densities.mean.values()[k]).collect();
    ChannelSpectrum {
        name: observed.channels[channel].name.clone(),
        role: observed.channels[channel].role,
        unit: observed.channels[channel].quantity.clone(),
        port: observed.port(channel),
        frequency_hz: bins.iter().map(|&k| densities.mean.frequency(k)).collect(),
        rms: psd.iter().map(|psd| (psd * enbw).sqrt()).collect(),
        psd,
        level_db: levels(densities.mean.values()),
        max_level_db: levels(densities.max.values()),
        min_level_db: levels(densities.min.values()),
        floor_level_db: observed.floor_density(channel).map(level),
        floor_levels_db: bins
            .iter()
            .filter_map(|&k| observed.floor_density_at(channel, densities.mean.frequency(k)).map(level))
            .collect(),
        against: Vec::new(),
    }
}

/// The bins whose frequency lies in a range, both edges included; rounding does not lose a bin on an edge.
fn bins_within(range: Band, bin: f64, count: usize) -> Vec<usize> {
    let slack = 1e-9 * bin;
    (0..count)
        .filter(|&k| {
            let frequency = k as f64 * bin;
            range.low() - slack <= frequency && frequency <= range.high() + slack
        })
        .collect()
}
