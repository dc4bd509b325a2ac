//! What does this load add? What did the filter change? Two sides of captures, one table.

use serde::Serialize;

use super::budget::{Seen, chain_half_width, of_addition, of_change};
use super::findings;
use super::findings::FEWEST_PERIODS;
use super::observe::{Input, Observed, Periods, Wants, observe_within};
use super::pipeline::{outside_chain, range_of};
use super::settings::Settings;
use crate::capture::{Quantity, Role};
use crate::compare::added::{BandAddition, added};
use crate::compare::before_after::{BandChange, Pair, compare};
use crate::compare::load::{BandLoad, loads};
use crate::compare::side::Side;
use crate::error::{Error, Finding};
use crate::measure::bands::Scheme;
use crate::measure::periods::of_channel;
use crate::read::Source;
use crate::spread;
use crate::uncertainty::Estimate;
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
    pub mains_periods: u64,
}

/// The mean spectrum of a side, for pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct SideSpectrum {
    /// The frequencies of the bins within the range.
    pub frequency_hz: Vec<f64>,
    /// The levels in one noise bandwidth, mean over the captures.
    pub level_db: Vec<Level>,
}

/// How the captures of the two sides were taken.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Order {
    /// Each side by itself.
    #[default]
    Apart,
    /// Alternately: the first of one side belongs to the first of the other, and so on.
    InPairs,
}

/// What the load adds before and after, and what the filter changes of that.
#[derive(Debug, Clone, Serialize)]
pub struct LoadChange {
    /// The bands.
    pub bands: Vec<BandLoad>,
    /// The whole range.
    pub total: BandLoad,
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
    /// What changed of the load's own noise, where captures with the load off are there to tell.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load: Option<LoadChange>,
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
    /// The captures with the load off, where a filter's effect on the load is asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub off: Option<SideSummary>,
    /// The captures with the load off and the filter in place, where there are any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub off_after: Option<SideSummary>,
    /// How the captures were taken.
    pub order: Order,
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
    order: Order,
) -> Result<(Vec<Input>, Comparison<BandAddition>), Error> {
    let request = Request { first: off, second: on, names: ("off", "on"), order };
    let (inputs, comparison, _) = comparison(&request, Off::default(), settings, scheme, added)?;
    Ok((inputs, comparison))
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
    order: Order,
) -> Result<(Vec<Input>, Comparison<BandChange>), Error> {
    what_changed_of_the_load(Off::default(), before, after, settings, scheme, order)
}

/// Captures with the load off.
#[derive(Debug, Clone, Copy, Default)]
pub struct Off<'a> {
    /// Without the filter.
    pub before: &'a [Source],
    /// With the filter in place; without them, those before stand for both.
    pub after: &'a [Source],
}

/// What changed, and what of that is the load's own noise: captures with the load off and no filter, with the load
/// on before and after the filter came in.
///
/// Without captures with the load off and the filter in place, what is on the line with the load off is taken to be
/// there with the filter as well. Without captures with the load off it is [`what_changed`].
///
/// # Errors
/// As [`what_is_added`]; captures with the load off and the filter, but none without it.
pub fn what_changed_of_the_load(
    off: Off<'_>,
    before: &[Source],
    after: &[Source],
    settings: &Settings,
    scheme: &Scheme,
    order: Order,
) -> Result<(Vec<Input>, Comparison<BandChange>), Error> {
    let request = Request { first: before, second: after, names: ("before", "after"), order };
    if off.before.is_empty() && !off.after.is_empty() {
        return Err(Error::usage(
            "captures with the load off are named with the filter (--off-after), none without it",
        )
        .remedy("name captures with the load off and without the filter (--off)"));
    }
    let (inputs, mut comparison, measured) = comparison(&request, off, settings, scheme, compare)?;
    comparison.channels.iter_mut().for_each(|channel| channel.added_budget = None);
    if !off.before.is_empty() {
        let off_after = (!off.after.is_empty()).then_some(measured.off_after.as_slice());
        let told = loads(&measured.off, off_after, &measured.pairs, &measured.bands);
        for (channel, mut rows) in comparison.channels.iter_mut().zip(told) {
            // A range holds its bands: where the filter acts on the line in one of them, it does in the whole.
            let below = rows.iter().any(|row| row.below_off);
            let total = rows.pop().map(|total| if below { total.untold() } else { total });
            channel.load = total.map(|total| LoadChange { bands: rows, total });
        }
        comparison.warnings.extend(load_warnings(&comparison.channels, off_after.is_none()));
    }
    Ok((inputs, comparison))
}

/// The two sides that are compared.
struct Request<'a> {
    first: &'a [Source],
    second: &'a [Source],
    names: (&'a str, &'a str),
    order: Order,
}

/// The band powers behind a comparison, channel by channel.
struct Measured {
    pairs: Vec<Pair>,
    off: Vec<Side>,
    off_after: Vec<Side>,
    bands: Vec<Band>,
}

fn comparison<Row>(
    request: &Request<'_>,
    off: Off<'_>,
    settings: &Settings,
    scheme: &Scheme,
    judge: impl Fn(&[Pair], &[Band]) -> Vec<Vec<Row>>,
) -> Result<(Vec<Input>, Comparison<Row>, Measured), Error> {
    let Request { first, second, names, order } = *request;
    for (side, name) in [(first, names.0), (second, names.1)] {
        if side.is_empty() {
            return Err(
                Error::usage(format!("no capture is named for --{}", name)).expected("at least one file a side")
            );
        }
    }
    if order == Order::InPairs && (first.len() != second.len() || first.len() < 2) {
        return Err(Error::usage(format!(
            "{} and {} captures cannot be taken in pairs (--paired)",
            first.len(),
            second.len()
        ))
        .expected("two or more captures a side, as many on one as on the other, in the order they were taken")
        .remedy("name as many on both sides, or leave --paired out"));
    }
    let named = || first.iter().chain(second).chain(off.before).chain(off.after);
    let wants = Wants { periods: Some(Periods::Scheme(scheme)), ..Wants::default() };
    let observe_all = |settings: &Settings, range: Option<Band>| -> Result<(Vec<Vec<Input>>, Vec<Observed>), Error> {
        let work: Vec<&Source> = named().collect();
        let observed = spread::map(work, |source| observe_within(source, settings, wants, range));
        Ok(observed.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().unzip())
    };
    // Nearly always all captures carry the same range, and no two are the same file: then each is opened once.
    let (mut inputs, mut observed) = observe_all(settings, None)?;
    let range = common_range(&observed, settings)?;
    let twice = !settings.fingerprints && some_twice(&observed);
    if twice || observed.iter().any(|one| one.range != range) {
        let settings = Settings { fingerprints: settings.fingerprints || twice, ..settings.clone() };
        (inputs, observed) = observe_all(&settings, Some(range))?;
    }
    let mut bands = scheme.bands(range)?;
    bands.push(range);
    let (before, others) = observed.split_at(first.len());
    let (after, beside) = others.split_at(second.len());
    let (off_before, off_after) = beside.split_at(off.before.len());

    let roles = shared_channels(before, others)?;
    let in_pairs = order == Order::InPairs;
    let pairs: Vec<Pair> =
        roles.iter().map(|(role, _)| Pair { in_pairs, ..pair_of(before, after, *role, &bands) }).collect();
    if in_pairs
        && pairs.iter().any(|pair| (pair.before.captures(), pair.after.captures()) != (first.len(), second.len()))
    {
        return Err(Error::input("a capture of a pair holds no whole mains period").remedy("leave the pair out"));
    }
    let sides = |observed: &[Observed]| roles.iter().map(|(role, _)| side_of(observed, *role)).collect::<Vec<_>>();
    let empty = |observed: &[Observed]| !observed.is_empty() && sides(observed).iter().any(|s| s.captures() == 0);
    if empty(off_before) || empty(off_after) {
        return Err(Error::input("no capture with the load off holds a whole mains period").remedy("record longer"));
    }
    let rows = judge(&pairs, &bands);
    let roles_in_chain: Vec<Role> = before[0].channels.iter().map(|channel| channel.role).collect();
    let enbw = observed[0].spectral.enbw_hz;
    let channels: Vec<ChannelComparison<Row>> = roles
        .iter()
        .cloned()
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
                load: None,
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
        mains_periods: side.iter().map(Observed::mains_periods).sum(),
    };
    let names_of: Vec<Role> = roles.iter().map(|(role, _)| *role).collect();
    let mut warnings = warnings(before, after, &inputs, names, order);
    let outside = outside_chain(settings, roles_in_chain.into_iter());
    warnings.extend(outside.map(|finding| Warning { path: None, finding }));
    warnings.extend(series_warnings(&names_of, &pairs, bands.len(), before.len().min(after.len())));
    let comparison = Comparison {
        first: summary(before),
        second: summary(after),
        off: (!off_before.is_empty()).then(|| summary(off_before)),
        off_after: (!off_after.is_empty()).then(|| summary(off_after)),
        order,
        enbw_hz: enbw,
        range_low_hz: range.low(),
        range_high_hz: range.high(),
        channels,
        warnings,
    };
    Ok((inputs.concat(), comparison, Measured { pairs, off: sides(off_before), off_after: sides(off_after), bands }))
}

/// The range that every capture can carry.
fn common_range(observed: &[Observed], settings: &Settings) -> Result<Band, Error> {
    observed.iter().try_fold(settings.range, |range, one| {
        let carried = range_of(one.header(), settings)?;
        range.within(carried).ok_or_else(|| {
            Error::input(format!("carries {carried} only, and no other capture here does"))
                .in_file(one.path())
                .expected(format!("a capture that reaches into {range}"))
        })
    })
}

/// Whether two captures may be the same file: then their samples have the same statistics.
fn some_twice(observed: &[Observed]) -> bool {
    let same = |at: usize| observed[..at].iter().any(|other| other.passed.statistics == observed[at].passed.statistics);
    (1..observed.len()).any(same)
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

fn side_of(observed: &[Observed], role: Role) -> Side {
    let mut side = Side::default();
    for o in observed {
        if let Some((channel, periods)) = channel_of(o, role).zip(o.periods.as_ref()) {
            side.push(of_channel(periods, channel));
        }
    }
    side
}

fn pair_of(before: &[Observed], after: &[Observed], role: Role, bands: &[Band]) -> Pair {
    Pair {
        before: side_of(before, role),
        after: side_of(after, role),
        floor_density: bands.iter().map(|band| floor_density(before, after, role, *band)).collect(),
        chain_db: chain_db(after, role, bands),
        in_pairs: false,
    }
}

/// How unsure the chain of the captures of a side makes the level in each band.
fn chain_db(side: &[Observed], role: Role, bands: &[Band]) -> Option<Vec<f64>> {
    let observed = side.first()?;
    let channel = channel_of(observed, role)?;
    observed.chains[channel].as_ref()?;
    let seen = Seen { name: "", observed, channel, power: Estimate { mean: 0.0, variance: 0.0, degrees: None } };
    Some(bands.iter().map(|band| chain_half_width(&seen, *band)).collect())
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

fn warnings(
    before: &[Observed],
    after: &[Observed],
    inputs: &[Vec<Input>],
    names: (&str, &str),
    order: Order,
) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut tell = |finding| warnings.push(Warning { path: None, finding });
    let (inputs_before, others) = inputs.split_at(before.len());
    let inputs_after = &others[..after.len()];
    for a in inputs_before.iter().flatten() {
        for b in inputs_after.iter().flatten().filter(|b| b.sha256.is_some() && b.sha256 == a.sha256) {
            tell(Finding::limit(
                "identical_files",
                format!("{} ({}) and {} ({}) are the same file, byte by byte", a.path, names.0, b.path, names.1),
            ));
        }
    }
    let fewest = before.len().min(after.len());
    if fewest < 3 && order == Order::Apart {
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
        warnings.extend(
            findings::of_observed(o).into_iter().map(|finding| Warning { path: Some(o.path().to_owned()), finding }),
        );
    }
    warnings
}

/// Fewer loud periods than this say little of how loud such periods are.
const ENOUGH_LOUD: usize = 5;
/// Fewer independent stretches than this, and a wandering level is not judged well: see the table of coverage.
const ENOUGH_STRETCHES: f64 = 10.0;

/// What the mains periods themselves warn of, where they are what the scatter is judged from.
fn series_warnings(roles: &[Role], pairs: &[Pair], bands: usize, fewest: usize) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut tell = |finding| warnings.push(Warning { path: None, finding });
    for (role, pair) in roles.iter().zip(pairs).filter(|(_, pair)| fewest < 3 && !pair.in_pairs) {
        let in_bands = |is: &dyn Fn(&Side, usize) -> bool| {
            (0..bands).filter(|&band| is(&pair.before, band) || is(&pair.after, band)).count()
        };
        let channel = role.name();
        let loud =
            in_bands(&|side, band| side.characters(band).iter().any(|series| (1..ENOUGH_LOUD).contains(&series.loud)));
        if loud > 0 {
            tell(Finding::limit(
                "few_loud_periods",
                format!(
                    "{channel}: in {loud} of {bands} rows fewer than five loud mains periods carry most of the scatter; those intervals are wide, and a record without such a period would say nothing of them; record longer"
                ),
            ));
        }
        let drifts = in_bands(&|side, band| side.characters(band).iter().any(|series| series.drift.is_some()));
        if drifts > 0 {
            tell(Finding::note(
                "level_drifts",
                format!(
                    "{channel}: in {drifts} of {bands} rows the level drifts through a capture; the interval holds for the mean of the records and says nothing of other times"
                ),
            ));
        }
        let wanders = in_bands(&|side, band| {
            side.characters(band)
                .iter()
                .any(|series| series.effective < ENOUGH_STRETCHES && 3.0 * series.effective < series.count as f64)
        });
        if wanders > 0 {
            tell(Finding::limit(
                "wandering_level",
                format!(
                    "{channel}: in {wanders} of {bands} rows the level wanders over many mains periods, so that a capture is worth fewer than ten independent stretches; those intervals may be too narrow; record longer or three captures a side"
                ),
            ));
        }
    }
    for (role, pair) in roles.iter().zip(pairs).filter(|(_, pair)| pair.in_pairs) {
        tell(Finding::note("paired", pairing(*role, pair, bands)));
    }
    warnings
}

/// What taking the captures in pairs gained, over the rows.
fn pairing(role: Role, pair: &Pair, bands: usize) -> String {
    let mut gains: Vec<f64> = (0..bands).filter_map(|band| pair.pairing_gain(band)).collect();
    gains.sort_by(f64::total_cmp);
    let channel = role.name();
    match (gains.get(gains.len() / 2), gains.first(), gains.last()) {
        (Some(middle), Some(least), Some(most)) => format!(
            "{channel}: the pairs make the standard error of the difference smaller by a factor of {middle:.2} (median of the rows, {least:.2} to {most:.2}; below 1 they cost), with {} degrees of freedom instead of up to {}",
            pair.before.captures() - 1,
            2 * (pair.before.captures() - 1)
        ),
        _ => format!("{channel}: the pairs show no scatter, so what they gained cannot be told"),
    }
}

fn load_warnings(channels: &[ChannelComparison<BandChange>], taken_as_constant: bool) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if taken_as_constant {
        warnings.push(Finding::limit(
            "line_taken_as_constant",
            "what is on the line with the load off is taken to be there after the filter as well, so a filter that calms \
             the line too is credited to the load; captures with the load off and the filter in place (--off-after) \
             settle it",
        ));
    }
    for channel in channels {
        let rows = channel.load.iter().flat_map(|load| load.bands.iter().chain([&load.total]));
        let below = rows.filter(|row| row.below_off).count();
        if below > 0 {
            warnings.push(Finding::limit(
                "below_off",
                format!("{}: in {below} rows there is less after the filter than with the load off; there it acts on what is on the line anyway, and the load's own change cannot be told", channel.role.name()),
            ));
        }
    }
    warnings.into_iter().map(|finding| Warning { path: None, finding }).collect()
}
