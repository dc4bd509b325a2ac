//! How much energy sits in each band?

use serde::Serialize;

use super::budget::{Seen, of_level};
use super::findings;
use super::observe::{Input, Observed, Periods, Wants, observe};
use super::pipeline::Spectral;
use super::settings::Settings;
use crate::capture::{Port, Quantity, Role};
use crate::compare::margin::Against;
use crate::compare::side::Side;
use crate::error::{Error, Finding};
use crate::measure::bands::{BandValue, Scheme};
use crate::measure::groups::{Formed, GroupSquares, Grouping, LEAST_RATE_HZ};
use crate::measure::mains::{Mains, MainsSource};
use crate::measure::periods::of_channel;
use crate::read::Source;
use crate::uncertainty::budget::Budget;
use crate::units::Level;

/// A group of a published method.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GroupValue {
    /// Its centre, or the frequency of its line.
    pub centre_hz: f64,
    /// The range it stands for, and the root mean square over all intervals.
    #[serde(flatten)]
    pub value: BandValue,
    /// The smallest of the 32 windows of an interval, root mean square over the intervals; 2 kHz bands only.
    pub min_rms: Option<f64>,
    /// The level of that.
    pub min_level_db: Option<Level>,
    /// The largest of the 32 windows, likewise.
    pub max_rms: Option<f64>,
    /// The level of that.
    pub max_level_db: Option<Level>,
    /// The smallest RMS value of an interval of 10/12 cycles.
    pub lowest_interval_rms: f64,
    /// The largest.
    pub highest_interval_rms: f64,
    /// The largest RMS value of 150/180 cycles; `None` where the record holds none.
    pub highest_long_rms: Option<f64>,
}

/// The groups of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelGroups {
    /// The groups.
    pub groups: Vec<GroupValue>,
    /// The root mean square of all groups together.
    pub sum_rms: f64,
    /// The level of that.
    pub sum_level_db: Level,
    /// The RMS values of each 150/180 cycles in the order of time, group by group.
    pub long_rms: Vec<Vec<f64>>,
}

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
    /// The groups of a published method, where they were asked for.
    #[serde(flatten)]
    pub grouped: Option<ChannelGroups>,
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
    /// How the groups of a published method were formed, where they were asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grouping: Option<Formed>,
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
    let (inputs, observed) = observe(source, settings, Wants { slew: true, ..Wants::default() })?;
    Ok((inputs, of_observed(&observed, scheme)?))
}

/// The same with the groups of a published method beside the bands.
///
/// # Errors
/// As [`bands`], a record that holds no interval of the method, or no group within the range.
pub fn bands_with_groups(
    source: &Source,
    settings: &Settings,
    scheme: &Scheme,
    grouping: Grouping,
) -> Result<(Vec<Input>, CaptureBands), Error> {
    let (inputs, observed) = observe(source, settings, Wants { slew: true, grouping: Some(grouping), periods: None })?;
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
    let wants = Wants { slew: true, periods: Some(Periods::Range), grouping: None };
    let (inputs, observed) = observe(source, settings, wants)?;
    let range = observed.range;
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
        grouping: observed.groups.as_ref().map(|(_, formed)| *formed),
        channels: (0..observed.channels.len())
            .map(|channel| channel_bands(observed, channel, scheme))
            .collect::<Result<_, _>>()?,
        warnings: findings::of_observed(observed).into_iter().chain(of_formed(observed)).collect(),
    })
}

/// What to know of the groups of a published method.
fn of_formed(observed: &Observed) -> Vec<Finding> {
    let Some((_, formed)) = &observed.groups else { return Vec::new() };
    let mut findings = Vec::new();
    if !formed.full_intervals {
        findings.push(Finding::limit(
            "short_interval",
            format!(
                "the record holds no interval of the method's length, and the groups are those of one interval of {} \
                 cycles; record at least a tenth longer",
                formed.interval_cycles
            ),
        ));
    }
    if matches!(observed.mains.source, MainsSource::Option | MainsSource::Assumed) {
        findings.push(Finding::limit(
            "not_synchronised",
            format!(
                "the record does not show the mains frequency, so the intervals are cut at {} Hz and not synchronised \
                 with the mains",
                observed.mains.frequency_hz
            ),
        ));
    }
    if formed.grouping == Grouping::TwoKilohertz && observed.rate().get() < LEAST_RATE_HZ {
        findings.push(Finding::limit(
            "too_slow_for_grouping",
            format!(
                "the bands of 2 kHz reach to 150 kHz from {:.0} kS/s on; at {} the highest lines are left out",
                LEAST_RATE_HZ / 1e3,
                observed.rate()
            ),
        ));
    }
    findings
}

fn grouped(observed: &Observed, channel: usize) -> Option<ChannelGroups> {
    let (channels, _) = observed.groups.as_ref()?;
    let found = &channels[channel];
    let group = |squares: &GroupSquares| GroupValue {
        centre_hz: squares.group.centre,
        value: observed.value(channel, squares.group.band, squares.mean),
        min_rms: squares.extremes.map(|(least, _)| least.sqrt()),
        min_level_db: squares.extremes.map(|(least, _)| Level::of_rms(least.sqrt())),
        max_rms: squares.extremes.map(|(_, most)| most.sqrt()),
        max_level_db: squares.extremes.map(|(_, most)| Level::of_rms(most.sqrt())),
        lowest_interval_rms: squares.intervals.0.sqrt(),
        highest_interval_rms: squares.intervals.1.sqrt(),
        highest_long_rms: squares.highest_long.map(f64::sqrt),
    };
    let sum_rms = found.values.iter().map(|value| value.mean).sum::<f64>().sqrt();
    Some(ChannelGroups {
        groups: found.values.iter().map(group).collect(),
        sum_rms,
        sum_level_db: Level::of_rms(sum_rms),
        long_rms: found.long_rms.clone(),
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
        grouped: grouped(observed, channel),
        against: Vec::new(),
    })
}
