//! How does what the antenna hears fall with its distance? Cases that differ in it, taken together.

use serde::Serialize;

use super::description::{Case, FallOff, State, Survey};
use super::run::{Captures, CaseResult};
use crate::analysis::batch::{BatchChannel, BatchRow};
use crate::capture::{Quantity, Role};
use crate::compare::fall_off::{AtDistance, Fit, fit};
use crate::units::{Band, Level};

/// How the level of a band falls with the distance of the antenna.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandFall {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// The levels that were shown.
    pub points: Vec<AtDistance>,
    /// The line through them; `None` from fewer than two.
    pub fit: Option<Fit>,
}

/// The fall-off of some cases.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FallOffResult {
    /// Its name.
    pub name: String,
    /// The unit of the air channel.
    pub unit: Option<Quantity>,
    /// Whether the levels are those that the load adds; else those with the load on.
    pub of_added: bool,
    /// The bands, then the whole range.
    pub bands: Vec<BandFall>,
    /// Cases that gave nothing.
    pub without: Vec<String>,
}

/// What a fall-off needs of a case; taken while its results are at hand.
#[derive(Debug, Clone)]
pub struct Air {
    /// The case, by its place in the description.
    place: usize,
    unit: Quantity,
    /// Whether the values are those that the load adds; else those with the load on.
    of_added: bool,
    /// The RMS value of each band, then of the whole range, where one is shown.
    bands: Vec<(Band, Option<f64>)>,
}

impl Air {
    /// What a case shows in the air: what the load adds, or without captures of the load off what is there with it on.
    pub fn of(result: &CaseResult, case: &Case, captures: &Captures) -> Option<Self> {
        if case.reference().is_none() { Self::with_load_on(result.place, case, captures) } else { Self::added(result) }
    }

    fn added(result: &CaseResult) -> Option<Self> {
        let air = result.added.made()?.channels.iter().find(|channel| channel.role == Role::Air)?;
        let rows = air.bands.iter().chain([&air.total]);
        Some(Self {
            place: result.place,
            unit: air.unit.clone(),
            of_added: true,
            bands: rows.map(|row| (row.band, row.added_rms)).collect(),
        })
    }

    /// The mean power over the captures that could be used.
    fn with_load_on(place: usize, case: &Case, captures: &Captures) -> Option<Self> {
        let names = case.captures(State::On).iter();
        let rows = names.filter_map(|name| Some(&captures.of(case, name)?.seen.as_ref().ok()?.row));
        let air = |row: &'_ BatchRow| row.channels.iter().find(|channel| channel.role == Role::Air).cloned();
        let channels: Vec<BatchChannel> = rows.filter_map(air).collect();
        let values = |channel: &BatchChannel| -> Vec<_> {
            channel.bands.iter().chain([&channel.total.value]).map(|value| (value.band, value.rms)).collect()
        };
        let first = channels.first()?;
        let mean = |(band, _): (Band, f64)| {
            let of = |channel| values(channel).into_iter().find(|(other, _)| *other == band).map(|(_, rms)| rms * rms);
            let powers: Option<Vec<f64>> = channels.iter().map(of).collect();
            (band, powers.map(|powers| (powers.iter().sum::<f64>() / powers.len() as f64).sqrt()))
        };
        let bands = values(first).into_iter().map(mean).collect();
        Some(Self { place, unit: first.unit.clone(), of_added: false, bands })
    }

    fn level(&self, band: Band) -> Option<f64> {
        let rms = self.bands.iter().find(|(other, _)| *other == band)?.1?;
        Some(Level::of_rms(rms).get()).filter(|db| db.is_finite())
    }
}

/// How levels fall with the distance of the antenna, for each fall-off of the description.
pub fn fall_offs(survey: &Survey, air: &[Air]) -> Vec<FallOffResult> {
    survey.fall_offs.iter().map(|fall_off| one(survey, fall_off, air)).collect()
}

fn one(survey: &Survey, fall_off: &FallOff, air: &[Air]) -> FallOffResult {
    let mut without = Vec::new();
    let mut found: Vec<(f64, &Air)> = Vec::new();
    for &member in &fall_off.cases {
        let case = &survey.cases[member];
        // Like with like: the same unit, the same kind of level.
        let alike = |air: &&Air| {
            found.first().is_none_or(|(_, first)| first.unit == air.unit && first.of_added == air.of_added)
        };
        let levels = air.iter().find(|air| air.place == member).filter(alike);
        match case.antenna_distance_m.zip(levels) {
            Some(at) => found.push(at),
            None => without.push(case.name.clone()),
        }
    }
    let first = found.first().map(|(_, air)| *air);
    let fall = |band: Band| {
        let point = |&(distance_m, air): &(f64, &Air)| Some(AtDistance { distance_m, level_db: air.level(band)? });
        let mut points: Vec<AtDistance> = found.iter().filter_map(point).collect();
        points.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m));
        BandFall { band, fit: fit(&points), points }
    };
    FallOffResult {
        name: fall_off.name.clone(),
        unit: first.map(|air| air.unit.clone()),
        of_added: first.is_some_and(|air| air.of_added),
        bands: first.map_or(Vec::new(), |air| air.bands.iter().map(|&(band, _)| fall(band)).collect()),
        without,
    }
}
