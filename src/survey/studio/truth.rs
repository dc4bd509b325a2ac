//! What is built in, computed from the model: powers of lines, rings and noises by closed form or by
//! integration of their exact spectra.

use serde::Serialize;

use super::scene::{self, LOADS, Load, NoiseFilters, RATE_HZ, RECORDER_NOISE_V, REPLICATES, Sound};
use super::{Emission, Studio, emissions};
use crate::capture::Role;
use crate::synth::{Random, Section, Source};
use crate::units::{Band, Decibels};

/// The edges of the ranges in which truths are stated, in hertz: the scheme `wide`.
const EDGES_HZ: [f64; 6] = [2e3, 9e3, 30e3, 50e3, 95e3, 150e3];

/// Which figure a truth is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// The RMS value of what stands there with every load off, in volts.
    BackgroundRms,
    /// The RMS value that the load adds: √(P_on − P_off), in volts.
    AddedRms,
    /// The load adds nothing here: the right answer is that no difference is shown. Zero volts.
    AddsNothing,
    /// The change by the filter with the load on, 10 log₁₀(P_with / P_without), in decibels.
    FilterChangeDb,
    /// The change by the filter of what the load adds, in decibels.
    LoadChangeDb,
    /// The frequency of an emission in hertz.
    EmissionFrequency,
    /// The gain from wire to air at the frequency of an emission, in decibels.
    CouplingGainDb,
}

impl Kind {
    /// The unit of its figure.
    pub fn unit(self) -> &'static str {
        match self {
            Kind::BackgroundRms | Kind::AddedRms | Kind::AddsNothing => "V",
            Kind::FilterChangeDb | Kind::LoadChangeDb | Kind::CouplingGainDb => "dB",
            Kind::EmissionFrequency => "Hz",
        }
    }
}

/// One figure that is known because it was built in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// What it is, in words.
    pub what: String,
    /// The load's name in words, or `background`.
    pub load: String,
    /// The channel.
    pub role: Role,
    /// The range of frequencies that the figure is about, or that holds the emission.
    pub band: Band,
    /// Which figure.
    pub kind: Kind,
    /// The figure.
    pub value: f64,
    /// Its unit: `V`, `dB`, `Hz`.
    pub unit: &'static str,
    /// How far a single capture may lie from it because it was built to wander; zero for all but frequencies.
    pub wander: f64,
}

impl Studio {
    /// Every figure of the survey that is known, the same for every seed.
    ///
    /// Powers are those of the population: the mean over all captures that could be made, with meter signalling
    /// in one capture of three, both noises of the recorder and the rounding of the converter.
    pub fn truths(&self) -> Vec<Truth> {
        let model = Model::new();
        background(&model).into_iter().chain(LOADS.iter().flat_map(|load| of_load(&model, load))).collect()
    }
}

/// The ranges of the scheme `wide`, low to high.
pub(super) fn bands() -> Vec<Band> {
    EDGES_HZ.windows(2).filter_map(|edges| Band::new(edges[0], edges[1]).ok()).collect()
}

/// The whole range.
pub(super) fn total() -> Option<Band> {
    Band::new(EDGES_HZ[0], EDGES_HZ[5]).ok()
}

/// The range of the scheme that holds a frequency.
fn band_of(frequency_hz: f64) -> Option<Band> {
    bands().into_iter().find(|band| band.contains(frequency_hz))
}

const ROLES: [Role; 2] = [Role::Wire, Role::Air];

/// The five ranges, then the whole.
fn all_ranges() -> impl Iterator<Item = Band> {
    bands().into_iter().chain(total())
}

impl Truth {
    fn new(load: &str, what: String, role: Role, band: Band, kind: Kind, value: f64) -> Self {
        Self { what, load: load.to_owned(), role, band, kind, value, unit: kind.unit(), wander: 0.0 }
    }

    /// The frequency of one emission; `None` above the range.
    fn frequency(load: &str, name: &str, role: Role, hz: f64, wander: f64) -> Option<Self> {
        let frequency = Self::new(load, format!("{name}, frequency"), role, band_of(hz)?, Kind::EmissionFrequency, hz);
        Some(Self { wander: hz * wander, ..frequency })
    }
}

fn background(model: &Model) -> Vec<Truth> {
    const NAME: &str = "background";
    let mut truths = Vec::new();
    for role in ROLES {
        truths.extend(all_ranges().map(|band| {
            let rms = model.power(None, false, role, band).sqrt();
            Truth::new(NAME, format!("background, {band}"), role, band, Kind::BackgroundRms, rms)
        }));
    }
    let stations = scene::STATIONS.map(|sound| ("long-wave station", Role::Air, sound));
    for (name, role, sound) in [("solar inverter", Role::Wire, scene::SOLAR)].into_iter().chain(stations) {
        // The generators name a station that is keyed by 50 Hz to each side by its middle: it is one emission.
        let sources = sound.sources(0.0, &mut Random::new(0, 0));
        truths.extend(
            sources
                .into_iter()
                .filter_map(|source| Truth::frequency(NAME, name, role, source.frequency_hz(), sound.wander())),
        );
    }
    truths
}

fn of_load(model: &Model, load: &Load) -> Vec<Truth> {
    let mut truths = Vec::new();
    for role in ROLES {
        truths.extend(all_ranges().filter_map(|band| addition(model, load, role, band)));
        truths.extend(all_ranges().map(|band| filter_change(model, load, role, band)));
        truths.extend(all_ranges().filter_map(|band| load_change(model, load, role, band)));
    }
    // Rings are impulses in time, no line whose frequency one would look for.
    for sound in load.sounds.iter().filter(|sound| !matches!(sound, Sound::Commutation { .. })) {
        let frequency = |hz| Truth::frequency(load.name, load.name, Role::Wire, hz, sound.wander());
        truths.extend(sound.frequencies_hz().into_iter().filter_map(frequency));
    }
    truths.extend(band_of(load.main_hz).map(|band| {
        let gain_db = 20.0 * scene::air_gain(load.main_hz).log10();
        let what = format!("{}, air over wire at {} kHz", load.name, load.main_hz / 1e3);
        Truth::new(load.name, what, Role::Air, band, Kind::CouplingGainDb, gain_db)
    }));
    truths
}

/// What a load adds in a range, or that it adds nothing; `None` where it is neither.
///
/// Skirts that raise the range by less than 0.001 dB are nothing: no capture of this length shows them. From
/// 0.1 dB on the addition is a figure worth finding. In between nothing is claimed.
fn addition(model: &Model, load: &Load, role: Role, band: Band) -> Option<Truth> {
    let (off, on) = (model.power(None, false, role, band), model.power(Some(load), false, role, band));
    let name = load.name;
    match Decibels::of_power_ratio(on, off).get() {
        rise if rise < 1e-3 => {
            Some(Truth::new(name, format!("{name} adds nothing, {band}"), role, band, Kind::AddsNothing, 0.0))
        }
        rise if rise > 0.1 => {
            let added = (on - off).sqrt();
            Some(Truth::new(name, format!("{name} adds, {band}"), role, band, Kind::AddedRms, added))
        }
        _ => None,
    }
}

fn filter_change(model: &Model, load: &Load, role: Role, band: Band) -> Truth {
    let [without, with] = [false, true].map(|filtered| model.power(Some(load), filtered, role, band));
    let change_db = Decibels::of_power_ratio(with, without).get();
    Truth::new(load.name, format!("filter at the {}, {band}", load.name), role, band, Kind::FilterChangeDb, change_db)
}

/// What the filter changes of what the load adds; `None` where that is too little to be a figure worth finding.
fn load_change(model: &Model, load: &Load, role: Role, band: Band) -> Option<Truth> {
    addition(model, load, role, band).filter(|addition| addition.kind == Kind::AddedRms)?;
    let added = |filtered| {
        let [off, on] = [None, Some(load)].map(|load| model.power(load, filtered, role, band));
        on - off
    };
    let change_db = Decibels::of_power_ratio(added(true), added(false)).get();
    let what = format!("filter on what the {} adds, {band}", load.name);
    Some(Truth::new(load.name, what, role, band, Kind::LoadChangeDb, change_db))
}

/// The model of the population.
pub(super) struct Model {
    filters: NoiseFilters,
}

impl Model {
    pub(super) fn new() -> Self {
        Self { filters: NoiseFilters::new() }
    }

    /// The mean square in a range, in V².
    pub(super) fn power(&self, load: Option<&Load>, filtered: bool, role: Role, band: Band) -> f64 {
        let telegrams = 1.0 / f64::from(REPLICATES);
        let quiet: f64 = emissions(load, false).iter().map(|e| emission_power(e, filtered, role, band)).sum();
        let loud: f64 = emissions(load, true).iter().map(|e| emission_power(e, filtered, role, band)).sum();
        quiet + telegrams * (loud - quiet) + self.noise_power(filtered, role, band)
    }

    /// The noises in a range: wire, surroundings, recorder, rounding.
    pub(super) fn noise_power(&self, filtered: bool, role: Role, band: Band) -> f64 {
        let [wire, surroundings] = scene::noises();
        let channel = usize::from(role == Role::Air);
        let own = RECORDER_NOISE_V[channel].powi(2) + scene::converters()[channel].noise_power();
        let flat = own / (RATE_HZ / 2.0) + if role == Role::Air { surroundings.density } else { 0.0 };
        let mut path: Vec<&Section> = vec![&self.filters.colour];
        if filtered {
            path.push(&self.filters.shunt);
        }
        if role == Role::Air {
            path.push(&self.filters.transfer);
        }
        let shape = |hz: f64| path.iter().map(|section| section.power_gain(hz, RATE_HZ)).product::<f64>();
        flat * band.width() + wire.density * integral(band, shape)
    }
}

/// The mean square of an emission in a range of a channel, every part of it at its own gain.
fn emission_power(emission: &Emission, filtered: bool, role: Role, band: Band) -> f64 {
    // Powers do not depend on the phases, so that any stream of random numbers gives the same.
    let sources = emission.sound.sources(0.0, &mut Random::new(0, 0));
    let power =
        |source: &dyn Source| source.power_in(band) * emission.gain(source.frequency_hz(), role, filtered).powi(2);
    sources.iter().map(|source| power(source.as_ref())).sum()
}

/// The integral over a range by Simpson's rule, in steps far finer than any resonance here.
fn integral(band: Band, value: impl Fn(f64) -> f64) -> f64 {
    const STEPS: u32 = 2_000;
    let width = band.width() / f64::from(STEPS);
    let weight = |step: u32| match step {
        0 | STEPS => 1.0,
        odd if odd % 2 == 1 => 4.0,
        _ => 2.0,
    };
    let sum: f64 = (0..=STEPS).map(|step| weight(step) * value(band.low() + width * f64::from(step))).sum();
    sum * width / 3.0
}
