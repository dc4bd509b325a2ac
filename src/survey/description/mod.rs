//! The description of a survey: what was measured where, when, by whom, with what, and what is to be made of it.
//!
//! A [`Survey`] is plain data. It is read from TOML ([`read`]), where every fault has its line and column, or proposed
//! from the names of captures ([`propose`]). Nothing here opens a capture.

mod propose;
mod read;
#[cfg(test)]
mod tests;

use serde::Serialize;

use crate::dsp::window::Window;
use crate::measure::bands::Scheme;
use crate::units::{Band, Hertz};

pub use propose::{Candidate, compared_with, propose};
pub use read::read;

/// A survey as its description has it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Survey {
    /// What the survey is about, in a few words.
    pub title: String,
    /// The day, as `2026-11-25`; `None` where the description does not say.
    pub date: Option<String>,
    /// The language of what was written in the description, such as `en`.
    pub language: String,
    /// Where it was.
    pub site: Option<String>,
    /// What else is to be said of the whole.
    pub remarks: Option<String>,
    /// Who took part.
    pub people: Vec<Person>,
    /// What was measured with.
    pub instruments: Vec<Instrument>,
    /// The places within the site.
    pub locations: Vec<Location>,
    /// How captures are read and analysed, where that is not as usual.
    pub analysis: Analysis,
    /// The levels that spectra are held against.
    pub levels: Levels,
    /// What is to be replaced before anything is shown.
    pub anonymise: Anonymise,
    /// The cases, in the order of the description.
    pub cases: Vec<Case>,
    /// Cases that differ in the distance of the antenna.
    pub fall_offs: Vec<FallOff>,
}

/// Somebody, by what they did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Person {
    /// What they did, such as `measured`.
    pub role: String,
    /// Their name.
    pub name: String,
}

/// Something that was measured with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Instrument {
    /// Its name within the description.
    pub name: String,
    /// What it is.
    pub about: Option<String>,
    /// Its serial number.
    pub serial: Option<String>,
    /// The setup file of its measuring chain, relative to the description.
    pub setup: Option<String>,
}

/// A place within the site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Location {
    /// Its name.
    pub name: String,
    /// What is to be known of it.
    pub about: Option<String>,
}

/// Settings that are not as usual; `None` stands for the usual.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Analysis {
    /// The range of frequencies.
    pub range: Option<Band>,
    /// The resolution bandwidth.
    pub rbw: Option<Hertz>,
    /// The window.
    pub window: Option<Window>,
    /// The cutoff of the mains removal; `Some(None)` leaves the samples as they are.
    pub high_pass: Option<Option<Hertz>>,
    /// The nominal mains frequency.
    pub mains_hz: Option<f64>,
    /// The bands of comparisons; wide where `None`.
    pub bands: Option<Scheme>,
    /// The wire channel by name or number.
    pub wire: Option<String>,
    /// The air channel by name or number.
    pub air: Option<String>,
    /// The sampling rate of files that state none.
    pub sample_rate: Option<Hertz>,
    /// The unit of channels that state none.
    pub unit: Option<String>,
    /// Whether the receiver takes a short record for one period of a repeating signal.
    pub repeat: bool,
}

/// The levels that spectra are held against.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Levels {
    /// Their names.
    pub draw: Vec<String>,
    /// Files of levels of one's own, relative to the description.
    pub files: Vec<String>,
}

/// What is to be replaced before anything is shown.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Anonymise {
    /// The name of the site.
    pub site: bool,
    /// The names of people.
    pub people: bool,
    /// The names of locations.
    pub locations: bool,
    /// The names and folders of files.
    pub paths: bool,
}

impl Anonymise {
    /// Whether anything is to be replaced at all.
    pub fn any(self) -> bool {
        self.site || self.people || self.locations || self.paths
    }
}

/// What was switched on during a capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Everything off, the surroundings alone.
    Background,
    /// The load off.
    Off,
    /// The load off, the filter in place.
    OffWithFilter,
    /// The load on.
    On,
    /// The load on, the filter in place.
    OnWithFilter,
}

impl State {
    /// All states, as a case lists them.
    pub const ALL: [Self; 5] = [Self::Background, Self::Off, Self::OffWithFilter, Self::On, Self::OnWithFilter];

    /// The key in the description.
    pub fn key(self) -> &'static str {
        match self {
            Self::Background => "background",
            Self::Off => "off",
            Self::OffWithFilter => "off_with_filter",
            Self::On => "on",
            Self::OnWithFilter => "on_with_filter",
        }
    }

    /// The words in tables and sentences.
    pub fn words(self) -> &'static str {
        match self {
            Self::Background => "background",
            Self::Off => "load off",
            Self::OffWithFilter => "load off, with filter",
            Self::On => "load on",
            Self::OnWithFilter => "load on, with filter",
        }
    }
}

/// A comparison that can be asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Ask {
    /// What the load adds when it is off but plugged in: background against load off.
    Standby,
    /// What the load adds.
    Added,
    /// What the filter changes.
    Filter,
    /// Whether the air follows the wire.
    Coupling,
}

impl Ask {
    /// All comparisons.
    pub const ALL: [Self; 4] = [Self::Standby, Self::Added, Self::Filter, Self::Coupling];

    /// The word in the description.
    pub fn word(self) -> &'static str {
        match self {
            Self::Standby => "standby",
            Self::Added => "added",
            Self::Filter => "filter",
            Self::Coupling => "coupling",
        }
    }
}

/// Captures of one state, by their names relative to the description.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Side {
    /// What was switched on.
    pub state: State,
    /// The names of the files.
    pub captures: Vec<String>,
}

/// Readings of a plug-in indicator; set beside the slew, never equated with it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Indicator {
    /// What it is.
    pub about: Option<String>,
    /// The unit on its display.
    pub unit: Option<String>,
    /// The readings by state.
    pub readings: Vec<(State, Vec<f64>)>,
}

/// One case: a load at a place, with the captures of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Case {
    /// Its name, which sentences use.
    pub name: String,
    /// The location, by its place in the list.
    pub location: Option<usize>,
    /// The instrument, by its place in the list.
    pub instrument: Option<usize>,
    /// The captures, one entry for each state that has any, in the order of [`State::ALL`].
    pub sides: Vec<Side>,
    /// Whether captures off and on, or without and with the filter, were taken alternately and belong in pairs.
    pub alternating: bool,
    /// The captures in the order in which they were taken, where that is told.
    pub taken: Vec<String>,
    /// The name of the filter.
    pub filter: Option<String>,
    /// The distance of the antenna in metres.
    pub antenna_distance_m: Option<f64>,
    /// How the antenna was held.
    pub antenna_orientation: Option<String>,
    /// Photographs, by their names relative to the description.
    pub photographs: Vec<String>,
    /// Readings of a plug-in indicator.
    pub indicator: Option<Indicator>,
    /// What else is to be said.
    pub remarks: Option<String>,
    /// The comparisons asked for; all that make sense where `None`.
    pub compare: Option<Vec<Ask>>,
}

impl Case {
    /// The captures of a state; none where it has none.
    pub fn captures(&self, state: State) -> &[String] {
        self.sides.iter().find(|side| side.state == state).map_or(&[], |side| &side.captures)
    }

    /// The state whose captures stand for the load off: those with the load off, else the background.
    pub fn reference(&self) -> Option<State> {
        [State::Off, State::Background].into_iter().find(|&state| !self.captures(state).is_empty())
    }

    /// Whether a comparison was asked for, or is made unless others are asked for.
    pub fn asks(&self, ask: Ask) -> bool {
        self.compare.as_ref().is_none_or(|asked| asked.contains(&ask))
    }

    /// Whether a comparison was asked for by name.
    pub fn insists(&self, ask: Ask) -> bool {
        self.compare.as_ref().is_some_and(|asked| asked.contains(&ask))
    }
}

/// Cases that differ in the distance of the antenna: how does the level fall?
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FallOff {
    /// Its name.
    pub name: String,
    /// The cases, by their places in the list.
    pub cases: Vec<usize>,
}

impl Survey {
    /// All captures, each once for each instrument it was taken with, in the order of the description.
    pub fn captures(&self) -> Vec<(Option<usize>, &str)> {
        let mut seen = std::collections::HashSet::new();
        let mut captures = Vec::new();
        for case in &self.cases {
            for name in case.sides.iter().flat_map(|side| &side.captures) {
                if seen.insert((case.instrument, name.as_str())) {
                    captures.push((case.instrument, name.as_str()));
                }
            }
        }
        captures
    }
}
