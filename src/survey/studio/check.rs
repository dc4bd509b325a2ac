//! What was found set beside what is built in: the studio's captures through the same analyses as any capture.

use serde::Serialize;

use super::{CaptureSpec, Kind, LOADS, Load, State, Studio, Truth};
use crate::analysis::bands::{CaptureBands, bands};
use crate::analysis::compare::{
    ChannelComparison, Comparison, Off, Order, SideSpectrum, what_changed_of_the_load, what_is_added,
};
use crate::analysis::settings::Settings;
use crate::capture::Role;
use crate::compare::added::{BandAddition, Verdict};
use crate::compare::before_after::BandChange;
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::read::Source;
use crate::uncertainty::{COVERAGE, Estimate, student_factor};
use crate::units::Band;

/// A figure that is built in, beside what the captures show.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Found {
    /// What is built in.
    #[serde(flatten)]
    pub truth: Truth,
    /// What the captures show; `None` where they show nothing.
    pub found: Option<f64>,
    /// The interval stated with it.
    pub interval: Option<[f64; 2]>,
    /// Whether the figure built in lies within the interval, or nothing was rightly found where nothing is; `None`
    /// where the captures say that they cannot judge it.
    pub agrees: Option<bool>,
}

/// Everything that is compared for one load.
#[derive(Debug, Clone)]
pub struct LoadResult {
    /// The load.
    pub load: &'static Load,
    /// Off against on.
    pub added: Comparison<BandAddition>,
    /// On against on with the filter.
    pub filter: Comparison<BandChange>,
}

/// The whole survey, analysed.
#[derive(Debug, Clone)]
pub struct Checked {
    /// Load by load.
    pub loads: Vec<LoadResult>,
    /// Built in beside found.
    pub rows: Vec<Found>,
}

impl Checked {
    /// How many figures agree.
    pub fn agreeing(&self) -> usize {
        self.rows.iter().filter(|row| row.agrees == Some(true)).count()
    }

    /// How many figures the captures can judge.
    pub fn judged(&self) -> usize {
        self.rows.iter().filter(|row| row.agrees.is_some()).count()
    }
}

/// Analyses the captures of a studio and sets what is found beside what is built in.
///
/// `source` gives the file of a capture.
///
/// # Errors
/// Whatever is wrong with a file.
pub fn check(studio: &Studio, source: impl Fn(&CaptureSpec) -> Source, settings: &Settings) -> Result<Checked, Error> {
    let captures = studio.captures();
    let files = |load: Option<&Load>, state: State| -> Vec<Source> {
        captures
            .iter()
            .filter(|c| c.load.map(|l| l.slug) == load.map(|l| l.slug) && c.state == state)
            .map(&source)
            .collect()
    };
    let [off, off_filtered] = [State::Background, State::OnWithFilter].map(|state| files(None, state));
    let without_load = Off { before: &off, after: &off_filtered };
    let loads = LOADS
        .iter()
        .map(|load| {
            let (on, filtered) = (files(Some(load), State::On), files(Some(load), State::OnWithFilter));
            Ok(LoadResult {
                load,
                added: what_is_added(&off, &on, settings, &Scheme::Wide, Order::Apart)?.1,
                filter: what_changed_of_the_load(without_load, &on, &filtered, settings, &Scheme::Wide, Order::Apart)?
                    .1,
            })
        })
        .collect::<Result<Vec<_>, Error>>()?;
    let background: Vec<CaptureBands> =
        off.iter().map(|file| Ok(bands(file, settings, &Scheme::Wide)?.1)).collect::<Result<_, Error>>()?;
    let rows = studio.truths().into_iter().map(|truth| beside(truth, &loads, &background)).collect();
    Ok(Checked { loads, rows })
}

fn beside(truth: Truth, loads: &[LoadResult], background: &[CaptureBands]) -> Found {
    let load = loads.iter().find(|result| result.load.name == truth.load);
    let (found, interval) = match truth.kind {
        Kind::BackgroundRms => background_rms(background, truth.role, truth.band),
        Kind::AddedRms | Kind::AddsNothing => load.map_or((None, None), |load| added_rms(load, &truth)),
        Kind::FilterChangeDb => load.map_or((None, None), |load| filter_change(load, &truth)),
        Kind::LoadChangeDb => load.map_or((None, None), |load| load_change(load, &truth)),
        Kind::EmissionFrequency => frequency(load.or(loads.first()), &truth),
        Kind::CouplingGainDb => load.map_or((None, None), |load| coupling_gain(load, &truth)),
    };
    let agrees = match truth.kind {
        Kind::AddsNothing => Some(found.is_none()),
        // An interval without any end is no statement.
        _ => interval
            .filter(|[low, high]| low.is_finite() || high.is_finite())
            .map(|[low, high]| low - truth.wander <= truth.value && truth.value <= high + truth.wander),
    };
    Found { truth, found, interval, agrees }
}

type Shown = (Option<f64>, Option<[f64; 2]>);

fn channel<Row>(comparison: &Comparison<Row>, role: Role) -> Option<&ChannelComparison<Row>> {
    comparison.channels.iter().find(|channel| channel.role == role)
}

/// The mean power of the background captures with Student's interval.
fn background_rms(background: &[CaptureBands], role: Role, band: Band) -> Shown {
    let powers: Vec<f64> = background
        .iter()
        .filter_map(|capture| {
            let channel = capture.channels.iter().find(|channel| channel.role == role)?;
            let value = channel.bands.iter().chain([&channel.total]).find(|value| value.band == band)?;
            Some(value.rms * value.rms)
        })
        .collect();
    if powers.is_empty() {
        return (None, None);
    }
    let estimate = Estimate::of_independent(&powers);
    let interval = estimate.degrees.map(|degrees| {
        let half = student_factor(COVERAGE, degrees) * estimate.variance.sqrt();
        [(estimate.mean - half).max(0.0).sqrt(), (estimate.mean + half).sqrt()]
    });
    (Some(estimate.mean.sqrt()), interval)
}

fn addition(load: &LoadResult, role: Role, band: Band) -> Option<&BandAddition> {
    let channel = channel(&load.added, role)?;
    channel.bands.iter().chain([&channel.total]).find(|row| row.band == band)
}

fn added_rms(load: &LoadResult, truth: &Truth) -> Shown {
    match addition(load, truth.role, truth.band) {
        Some(row) if row.verdict == Verdict::Adds => (row.added_rms, row.added_ci95_rms),
        // Not shown: then the addition lies between nothing and what its interval of the rise allows.
        Some(row) => {
            let most = row.ci95_db.map(|[_, high]| row.off_rms * (10f64.powf(high / 10.0) - 1.0).max(0.0).sqrt());
            (None, most.map(|most| [0.0, most]))
        }
        None => (None, None),
    }
}

fn filter_change(load: &LoadResult, truth: &Truth) -> Shown {
    let row = channel(&load.filter, truth.role)
        .and_then(|channel| channel.bands.iter().chain([&channel.total]).find(|row| row.band == truth.band));
    row.map_or((None, None), |row| (row.change_db, row.ci95_db))
}

fn load_change(load: &LoadResult, truth: &Truth) -> Shown {
    let row = channel(&load.filter, truth.role)
        .and_then(|channel| channel.load.as_ref())
        .and_then(|load| load.bands.iter().chain([&load.total]).find(|row| row.before.band == truth.band));
    row.map_or((None, None), |row| (row.change_db, row.ci95_db))
}

/// The strongest bin near the frequency built in, half a noise bandwidth to each side.
fn frequency(load: Option<&LoadResult>, truth: &Truth) -> Shown {
    const NEAR_HZ: f64 = 1e3;
    let Some(load) = load else { return (None, None) };
    let Some(channel) = channel(&load.added, truth.role) else { return (None, None) };
    let spectrum: &SideSpectrum = if load.load.name == truth.load { &channel.second } else { &channel.first };
    let near = (0..spectrum.frequency_hz.len()).filter(|&k| (spectrum.frequency_hz[k] - truth.value).abs() < NEAR_HZ);
    let strongest = near.max_by(|&a, &b| spectrum.level_db[a].get().total_cmp(&spectrum.level_db[b].get()));
    strongest.map_or((None, None), |k| {
        let (at, half) = (spectrum.frequency_hz[k], load.added.enbw_hz / 2.0);
        (Some(at), Some([at - half, at + half]))
    })
}

/// What the load adds in the air over what it adds on the wire, where both are shown.
fn coupling_gain(load: &LoadResult, truth: &Truth) -> Shown {
    let shown = |role| {
        let row = addition(load, role, truth.band)?;
        Some((row.added_rms?, row.added_ci95_rms?))
    };
    let Some(((wire, [wire_low, wire_high]), (air, [air_low, air_high]))) = shown(Role::Wire).zip(shown(Role::Air))
    else {
        return (None, None);
    };
    let db = |ratio: f64| 20.0 * ratio.log10();
    // Two independent intervals: their half widths in decibels add as squares.
    let below = db(air_low / air).hypot(db(wire_high / wire));
    let above = db(air_high / air).hypot(db(wire_low / wire));
    let gain = db(air / wire);
    (Some(gain), Some([gain - below, gain + above]))
}
