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
    /// The frequency of an emission in hertz.
    EmissionFrequency,
    /// The gain from wire to air at the frequency of an emission, in decibels.
    CouplingGainDb,
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

fn background(model: &Model) -> Vec<Truth> {
    let make = |what: String, role, band, kind, value, unit, wander| Truth {
        what,
        load: "background".to_owned(),
        role,
        band,
        kind,
        value,
        unit,
        wander,
    };
    let levels = ROLES.into_iter().flat_map(|role| {
        bands().into_iter().chain(total()).map(move |band| {
            let rms = model.power(None, false, role, band).sqrt();
            make(format!("background, {band}"), role, band, Kind::BackgroundRms, rms, "V", 0.0)
        })
    });
    let always = [("solar inverter", Role::Wire, scene::SOLAR)]
        .into_iter()
        .chain(scene::STATIONS.map(|sound| ("long-wave station", Role::Air, sound)));
    let frequencies = always.flat_map(|(name, role, sound)| {
        let frequencies = match sound {
            // Keyed by 50 Hz to each side it is one emission.
            Sound::Keyed { frequencies_hz: [low, high], .. } => vec![(low + high) / 2.0],
            _ => sound.frequencies_hz(),
        };
        frequencies.into_iter().filter_map(move |hz| {
            let wander = hz * sound.wander();
            Some(make(format!("{name}, frequency"), role, band_of(hz)?, Kind::EmissionFrequency, hz, "Hz", wander))
        })
    });
    levels.chain(frequencies).collect()
}

fn of_load(model: &Model, load: &Load) -> Vec<Truth> {
    let make = |what: String, role, band, kind, value, unit| Truth {
        what,
        load: load.name.to_owned(),
        role,
        band,
        kind,
        value,
        unit,
        wander: 0.0,
    };
    let name = load.name;
    let mut truths = Vec::new();
    for role in ROLES {
        for band in bands().into_iter().chain(total()) {
            truths.extend(model.addition(load, role, band).map(|(kind, added)| {
                let verb = if kind == Kind::AddedRms { "adds" } else { "adds nothing" };
                make(format!("{name} {verb}, {band}"), role, band, kind, added, "V")
            }));
        }
        for band in bands().into_iter().chain(total()) {
            let with = model.power(Some(load), true, role, band);
            let change = Decibels::of_power_ratio(with, model.power(Some(load), false, role, band)).get();
            let what = format!("filter at the {name}, {band}");
            truths.push(make(what, role, band, Kind::FilterChangeDb, change, "dB"));
        }
    }
    for sound in load.sounds {
        // Rings are impulses in time, no line whose frequency one would look for.
        if matches!(sound, Sound::Commutation { .. }) {
            continue;
        }
        for hz in sound.frequencies_hz() {
            let Some(band) = band_of(hz) else { continue };
            let frequency = make(format!("{name}, frequency"), Role::Wire, band, Kind::EmissionFrequency, hz, "Hz");
            truths.push(Truth { wander: hz * sound.wander(), ..frequency });
        }
    }
    if let Some(band) = band_of(load.main_hz) {
        let gain = 20.0 * scene::air_gain(load.main_hz).log10();
        let what = format!("{name}, air over wire at {} kHz", load.main_hz / 1e3);
        truths.push(make(what, Role::Air, band, Kind::CouplingGainDb, gain, "dB"));
    }
    truths
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

    /// What a load adds in a range, in volts RMS, or that it adds nothing; `None` where it is neither.
    ///
    /// Skirts that raise the range by less than 0.001 dB are nothing: no capture of this length shows them.
    /// From 0.1 dB on the addition is a figure worth finding. In between nothing is claimed.
    fn addition(&self, load: &Load, role: Role, band: Band) -> Option<(Kind, f64)> {
        let (off, on) = (self.power(None, false, role, band), self.power(Some(load), false, role, band));
        match Decibels::of_power_ratio(on, off).get() {
            rise if rise < 1e-3 => Some((Kind::AddsNothing, 0.0)),
            rise if rise > 0.1 => Some((Kind::AddedRms, (on - off).sqrt())),
            _ => None,
        }
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
