//! How much energy sits in each band?

use serde::Serialize;

use super::budget::{Seen, of_level};
use super::findings;
use super::observe::{Input, Observed, Wants, observe};
use super::pipeline::Spectral;
use super::pipeline::{peek, range_of};
use super::settings::Settings;
use crate::capture::{Port, Quantity, Role};
use crate::compare::margin::Against;
use crate::compare::side::Side;
use crate::error::{Error, Finding};
use crate::measure::bands::{BandValue, Scheme};
use crate::measure::mains::Mains;
use crate::measure::periods::of_channel;
use crate::read::Source;
use crate::uncertainty::budget::Budget;

/// The bands of one channel.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelBands {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// Where it is taken, as far as the measuring chain says.
    pub port: Option<Port>,
    /// The bands.
    pub bands: Vec<BandValue>,
    /// The whole range.
    pub total: BandValue,
    /// The RMS of the time derivative within the range, in U/s.
    pub slew_rms: f64,
    /// The mean absolute time derivative within the range, in U/s.
    pub slew_mean_abs: Option<f64>,
    /// How sure the total is, where it was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub budget: Option<Budget>,
    /// The published levels that were asked for.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub against: Vec<Against>,
}

/// The bands of one capture.
#[derive(Debug, Clone, Serialize)]
pub struct CaptureBands {
    /// The file.
    pub path: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// How the estimate was made.
    pub analysis: Spectral,
    /// The mains.
    pub mains: Mains,
    /// The channels, the wire first.
    pub channels: Vec<ChannelBands>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// The bands of a capture, with its input.
///
/// # Errors
/// Whatever is wrong with the file, or no band within the range.
pub fn bands(source: &Source, settings: &Settings, scheme: &Scheme) -> Result<(Vec<Input>, CaptureBands), Error> {
    let (inputs, observed) = observe(source, settings, Wants { slew: true, periods: None })?;
    Ok((inputs, of_observed(&observed, scheme)?))
}

/// The same with the uncertainty budget of each channel's total.
///
/// # Errors
/// As [`bands`].
pub fn bands_with_budget(
    source: &Source,
    settings: &Settings,
    scheme: &Scheme,
) -> Result<(Vec<Input>, CaptureBands), Error> {
    let range = range_of(&peek(source, settings)?, settings)?;
    let (inputs, observed) = observe(source, settings, Wants { slew: true, periods: Some(&[range]) })?;
    let mut found = of_observed(&observed, scheme)?;
    for (channel, bands) in found.channels.iter_mut().enumerate() {
        let mut side = Side::default();
        if let Some(periods) = &observed.periods {
            side.push(of_channel(periods, channel));
        }
        bands.budget =
            side.power(0).map(|(power, _)| of_level(&Seen { name: "", observed: &observed, channel, power }, range));
    }
    Ok((inputs, found))
}

/// The bands of what was observed.
///
/// # Errors
/// No band within the range.
pub fn of_observed(observed: &Observed, scheme: &Scheme) -> Result<CaptureBands, Error> {
    Ok(CaptureBands {
        path: observed.path().to_owned(),
        sample_rate_hz: observed.rate().get(),
        analysis: observed.spectral,
        mains: observed.mains,
        channels: (0..observed.channels.len())
            .map(|channel| channel_bands(observed, channel, scheme))
            .collect::<Result<_, _>>()?,
        warnings: findings::of_observed(observed),
    })
}

fn channel_bands(observed: &Observed, channel: usize, scheme: &Scheme) -> Result<ChannelBands, Error> {
    Ok(ChannelBands {
        name: observed.channels[channel].name.clone(),
        role: observed.channels[channel].role,
        unit: observed.channels[channel].quantity.clone(),
        port: observed.port(channel),
        bands: scheme.bands(observed.range)?.into_iter().map(|band| observed.band(channel, band)).collect(),
        total: observed.band(channel, observed.range),
        slew_rms: observed.densities[channel].mean.slew_rms_in(observed.range),
        slew_mean_abs: observed.slew.as_ref().and_then(|slew| slew[channel]),
        budget: None,
        against: Vec::new(),
    })
}
