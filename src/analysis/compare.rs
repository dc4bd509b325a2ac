//! What does this load add? What did the filter change? Two sides of captures, one table.

use serde::Serialize;

use super::budget::{Seen, of_addition, of_change};
use super::inspect::FEWEST_PERIODS;
use super::observe::{Input, Observed, Wants, observe};
use super::pipeline::{outside_chain, peek, range_of};
use super::settings::Settings;
use crate::capture::{Quantity, Role};
use crate::compare::added::{BandAddition, added};
use crate::compare::before_after::{BandChange, Pair, compare};
use crate::compare::side::Side;
use crate::error::{Error, Finding};
use crate::measure::bands::Scheme;
use crate::measure::periods::of_channel;
use crate::read::Source;
use crate::spread;
use crate::uncertainty::budget::Budget;
use crate::units::{Band, Level};

/// A finding and the capture that it belongs to; without a path it belongs to the comparison.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Warning {
    /// The capture.
    pub path: Option<String>,
    /// The finding.
    #[serde(flatten)]
    pub finding: Finding,
}

/// What a side rests on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideSummary {
    /// The files.
    pub paths: Vec<String>,
    /// How many captures.
    pub captures: usize,
    /// How many whole mains periods in all.
    pub mains_periods: usize,
}

/// The mean spectrum of a side, for pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct SideSpectrum {
    /// The frequencies of the bins within the range.
    pub frequency_hz: Vec<f64>,
    /// The levels in one noise bandwidth, mean over the captures.
    pub level_db: Vec<Level>,
}

/// One channel of a comparison; `Row` is a band's result.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelComparison<Row> {
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// The bands.
    pub bands: Vec<Row>,
    /// The whole range.
    pub total: Row,
    /// How sure the change of the whole range is; the chain is on both sides and cancels.
    pub budget: Option<Budget>,
    /// How sure the level of what the second side has more in the whole range is; the chain counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub added_budget: Option<Budget>,
    /// The spectrum of the first side (off, before).
    #[serde(skip)]
    pub first: SideSpectrum,
    /// The spectrum of the second side (on, after).
    #[serde(skip)]
    pub second: SideSpectrum,
    /// The level of the recorder's own noise in one noise bandwidth, mean over the range, the coarsest of all
    /// captures.
    pub floor_level_db: Option<Level>,
    /// The same over frequency, where it is known.
    #[serde(skip)]
    pub floor: Option<SideSpectrum>,
}

/// A whole comparison.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison<Row> {
    /// The side compared from: off, before.
    pub first: SideSummary,
    /// The side compared to: on, after.
    pub second: SideSummary,
    /// The noise bandwidth of the analysis.
    pub enbw_hz: f64,
    /// The range compared.
    pub range_low_hz: f64,
    /// Its upper edge.
    pub range_high_hz: f64,
    /// The channels, the wire first.
    pub channels: Vec<ChannelComparison<Row>>,
    /// What to know.
    pub warnings: Vec<Warning>,
}

/// What a load adds: captures with it off, captures with it on.
///
/// # Errors
/// A side without captures, a file that cannot be read, captures that cannot be compared.
pub fn what_is_added(
    off: &[Source],
    on: &[Source],
    settings: &Settings,
    scheme: &Scheme,
) -> Result<(Vec<Input>, Comparison<BandAddition>), Error> {
    comparison(off, on, settings, scheme, ("off", "on"), added)
}

/// What changed: captures before, captures after.
///
/// # Errors
/// As [`what_is_added`].
pub fn what_changed(
    before: &[Source],
    after: &[Source],
    settings: &Settings,
    scheme: &Scheme,
) -> Result<(Vec<Input>, Comparison<BandChange>), Error> {
    let (inputs, mut changed) = comparison(before, after, settings, scheme, ("before", "after"), compare)?;
    changed.channels.iter_mut().for_each(|channel| channel.added_budget = None);
    Ok((inputs, changed))
}

fn comparison<Row>(
    first: &[Source],
    second: &[Source],
    settings: &Settings,
    scheme: &Scheme,
    names: (&str, &str),
    judge: impl Fn(&[Pair], &[Band]) -> Vec<Vec<Row>>,
) -> Result<(Vec<Input>, Comparison<Row>), Error> {
    for (side, name) in [(first, names.0), (second, names.1)] {
        if side.is_empty() {
            return Err(
                Error::usage(format!("no capture is named for --{}", name)).expected("at least one file a side")
            );
        }
    }
    let range = common_range(first.iter().chain(second), settings)?;
    let asked = settings;
    let settings = &Settings { range, ..settings.clone() };
    let mut bands = scheme.bands(range)?;
    bands.push(range);
    let wants = Wants { slew: false, periods: Some(&bands) };
    let work: Vec<&Source> = first.iter().chain(second).collect();
    let observed: Vec<(Vec<Input>, Observed)> =
        spread::map(work, |source| observe(source, settings, wants)).into_iter().collect::<Result<_, _>>()?;
    let (inputs, observed): (Vec<Vec<Input>>, Vec<Observed>) = observed.into_iter().unzip();
    let (before, after) = observed.split_at(first.len());

    let roles = shared_channels(before, after)?;
    let pairs: Vec<Pair> = roles.iter().map(|(role, _)| pair_of(before, after, *role, &bands)).collect();
    let rows = judge(&pairs, &bands);
    let roles_in_chain: Vec<Role> = before[0].channels.iter().map(|channel| channel.role).collect();
    let enbw = observed[0].spectral.enbw_hz;
    let channels = roles
        .into_iter()
        .zip(&pairs)
        .zip(rows)
        .map(|(((role, unit), pair), mut rows)| {
            let total = rows.pop().ok_or_else(|| {
                Error::input("no capture holds a whole mains period").remedy("record longer: ten mains periods or more")
            })?;
            let seen = sides_seen(before, after, pair, (role, bands.len() - 1), names);
            Ok(ChannelComparison {
                role,
                unit,
                bands: rows,
                total,
                budget: seen.map(|(from, to)| of_change(&from, &to, range)),
                added_budget: seen.and_then(|(from, to)| of_addition(&from, &to, range)),
                first: side_spectrum(before, role),
                second: side_spectrum(after, role),
                floor_level_db: floor_density(before, after, role, range)
                    .map(|density| Level::of_rms((density * enbw).sqrt())),
                floor: floor_spectrum(before, after, role, enbw),
            })
        })
        .collect::<Result<_, Error>>()?;
    let summary = |side: &[Observed]| SideSummary {
        paths: side.iter().map(|o| o.path().to_owned()).collect(),
        captures: side.len(),
        mains_periods: side.iter().filter_map(|o| o.periods.as_ref()).map(|periods| periods.shape()[0]).sum(),
    };
    let comparison = Comparison {
        first: summary(before),
        second: summary(after),
        enbw_hz: enbw,
        range_low_hz: range.low(),
        range_high_hz: range.high(),
        channels,
        warnings: outside_chain(asked, roles_in_chain.into_iter())
            .map(|finding| Warning { path: None, finding })
            .into_iter()
            .chain(warnings(before, after, &inputs, names))
            .collect(),
    };
    Ok((inputs.concat(), comparison))
}

/// The range that every capture can carry.
fn common_range<'a>(sources: impl Iterator<Item = &'a Source>, settings: &Settings) -> Result<Band, Error> {
    sources.into_iter().try_fold(settings.range, |range, source| {
        let header = peek(source, settings)?;
        let carried = range_of(&header, settings)?;
        range.within(carried).ok_or_else(|| {
            Error::input(format!("carries {carried} only, and no other capture here does"))
                .in_file(header.path)
                .expected(format!("a capture that reaches into {range}"))
        })
    })
}

/// The roles that all captures have, with their unit.
fn shared_channels(before: &[Observed], after: &[Observed]) -> Result<Vec<(Role, Quantity)>, Error> {
    let all = || before.iter().chain(after);
    let reference = &before[0];
    let mut shared = Vec::new();
    for channel in &reference.channels {
        if !all().all(|o| o.channels.iter().any(|other| other.role == channel.role)) {
            continue;
        }
        for (other, found) in
            all().flat_map(|o| o.channels.iter().map(move |c| (o, c))).filter(|(_, c)| c.role == channel.role)
        {
            if found.quantity != channel.quantity {
                return Err(Error::input(format!(
                    "the {} channel is in {}",
                    channel.role.name(),
                    found.quantity.symbol()
                ))
                .in_file(other.path())
                .expected(format!("{}, as in {}", channel.quantity.symbol(), reference.path()))
                .remedy("compare captures of the same kind, or name the channels with --wire and --air"));
            }
        }
        shared.push((channel.role, channel.quantity.clone()));
    }
    if shared.is_empty() {
        return Err(
            Error::input("the captures have no channel in common").remedy("name the channels with --wire and --air")
        );
    }
    Ok(shared)
}

/// The number of the channel with a role among those analysed.
fn channel_of(observed: &Observed, role: Role) -> Option<usize> {
    observed.channels.iter().position(|channel| channel.role == role)
}

fn pair_of(before: &[Observed], after: &[Observed], role: Role, bands: &[Band]) -> Pair {
    let mut pair = Pair::default();
    for (side, observed) in [(&mut pair.before, before), (&mut pair.after, after)] {
        for o in observed {
            if let Some((channel, periods)) = channel_of(o, role).zip(o.periods.as_ref()) {
                side.push(of_channel(periods, channel));
            }
        }
    }
    pair.floor_density = bands.iter().map(|band| floor_density(before, after, role, *band)).collect();
    pair
}

/// Both sides of a channel as budgets take them, by the power in the band that is the whole range.
fn sides_seen<'a>(
    before: &'a [Observed],
    after: &'a [Observed],
    pair: &Pair,
    (role, whole): (Role, usize),
    names: (&'a str, &'a str),
) -> Option<(Seen<'a>, Seen<'a>)> {
    let seen = |name: &'a str, observed: &'a Observed, side: &Side| {
        Some(Seen { name, observed, channel: channel_of(observed, role)?, power: side.power(whole)?.0 })
    };
    seen(names.0, &before[0], &pair.before).zip(seen(names.1, &after[0], &pair.after))
}

/// The mean density of the recorder's own noise in a band, the highest of all captures.
fn floor_density(before: &[Observed], after: &[Observed], role: Role, band: Band) -> Option<f64> {
    let all = before.iter().chain(after);
    all.filter_map(|o| o.floor_density_in(channel_of(o, role)?, band)).reduce(f64::max)
}

/// The level of the recorder's own noise at each bin of the first capture, the highest of all captures.
fn floor_spectrum(before: &[Observed], after: &[Observed], role: Role, enbw: f64) -> Option<SideSpectrum> {
    let frequency_hz = side_spectrum(before, role).frequency_hz;
    let at = |&frequency: &f64| {
        let all = before.iter().chain(after);
        let density = all.filter_map(|o| o.floor_density_at(channel_of(o, role)?, frequency)).reduce(f64::max)?;
        Some(Level::of_rms((density * enbw).sqrt()))
    };
    let level_db = frequency_hz.iter().map(at).collect::<Option<_>>()?;
    Some(SideSpectrum { frequency_hz, level_db })
}

fn side_spectrum(side: &[Observed], role: Role) -> SideSpectrum {
    let spectra: Vec<_> =
        side.iter().filter_map(|o| Some(super::spectrum::channel_spectrum(o, channel_of(o, role)?))).collect();
    // Captures of another rate have other bins; the picture shows those that share the first one's.
    let Some(first) = spectra.first() else { return SideSpectrum { frequency_hz: Vec::new(), level_db: Vec::new() } };
    let alike: Vec<_> = spectra.iter().filter(|s| s.frequency_hz == first.frequency_hz).collect();
    let level_db = (0..first.rms.len())
        .map(|k| {
            let square = alike.iter().map(|s| s.rms[k] * s.rms[k]).sum::<f64>() / alike.len() as f64;
            Level::of_rms(square.sqrt())
        })
        .collect();
    SideSpectrum { frequency_hz: first.frequency_hz.clone(), level_db }
}

fn warnings(before: &[Observed], after: &[Observed], inputs: &[Vec<Input>], names: (&str, &str)) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut tell = |finding| warnings.push(Warning { path: None, finding });
    let (inputs_before, inputs_after) = inputs.split_at(before.len());
    for a in inputs_before.iter().flatten() {
        for b in inputs_after.iter().flatten().filter(|b| b.sha256 == a.sha256) {
            tell(Finding::limit(
                "identical_files",
                format!("{} ({}) and {} ({}) are the same file, byte by byte", a.path, names.0, b.path, names.1),
            ));
        }
    }
    let fewest = before.len().min(after.len());
    if fewest < 3 {
        let how = if fewest == 1 {
            "one capture a side: the scatter between captures cannot be judged, only that between mains periods"
        } else {
            "two captures a side say little of the scatter between captures: the wider of the two ways to judge it is taken"
        };
        tell(Finding::note("few_captures", format!("{how}; three or more captures a side settle it")));
    }
    let all = || before.iter().chain(after);
    let rate = before[0].rate();
    if all().any(|o| o.rate() != rate) {
        tell(Finding::note(
            "different_rates",
            "the captures are sampled at different rates; the range is what all of them carry",
        ));
    }
    let samples = before[0].passed.statistics.samples;
    if all().any(|o| o.passed.statistics.samples != samples) {
        tell(Finding::note(
            "different_lengths",
            "the captures are of different length; each counts by its own scatter",
        ));
    }
    if fewest < 3 && all().any(|o| o.periods.as_ref().is_some_and(|p| (p.shape()[0] as u64) < FEWEST_PERIODS)) {
        tell(Finding::limit("few_observations", "too few mains periods in a capture for a narrow interval"));
    }
    for o in all() {
        warnings.extend(o.findings().into_iter().map(|finding| Warning { path: Some(o.path().to_owned()), finding }));
    }
    warnings
}
