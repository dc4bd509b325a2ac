//! From a description to results: every capture looked at once, then case by case all that can be asked of it.
//!
//! What cannot be made says why where it would stand; nothing that fails stops the rest.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use serde::Serialize;

use super::description::{Ask, Case, State, Survey};
use crate::analysis::bands::{self, CaptureBands};
use crate::analysis::batch::{self, BatchRow};
use crate::analysis::compare::{Comparison, Off, Order, what_changed_of_the_load, what_is_added};
use crate::analysis::coupling::{self, Coupling, CouplingChange, change_of, of_observed};
use crate::analysis::emissions::{CaptureEmissions, EmissionComparison, emission_changes, emissions};
use crate::analysis::inspect::{self, Inspection};
use crate::analysis::observe::{Input, Periods, Wants, observe};
use crate::analysis::phase_map::{CapturePhaseMap, Fineness, phase_map};
use crate::analysis::receiver::{CaptureReadings, Request, receive};
use crate::analysis::settings::Settings;
use crate::analysis::spectrum::{self, CaptureSpectrum};
use crate::analysis::transients::{CaptureTransients, transients};
use crate::analysis::waveform::{CaptureWaveform, Stretch, waveform};
use crate::capture::Role;
use crate::compare::added::BandAddition;
use crate::compare::before_after::BandChange;
use crate::error::Error;
use crate::levels::{Curve, Curves};
use crate::measure::bands::Scheme;
use crate::measure::emissions::Criteria as EmissionCriteria;
use crate::measure::transients::Criteria as TransientCriteria;
use crate::read::Source;
use crate::read::setup::setup;
use crate::spread;

/// Opens a file by its name relative to the description.
pub type Open<'a> = &'a (dyn Fn(&str) -> Source + Sync);

/// A survey that is ready to run: its settings are known, its setups and levels are read.
pub struct Job<'a> {
    /// The description.
    pub survey: &'a Survey,
    /// The bands of comparisons.
    pub scheme: Scheme,
    /// The levels that spectra are held against.
    pub curves: Vec<Curve>,
    /// Files besides captures that were read: setups with their tables, levels.
    pub files: Vec<Input>,
    open: Open<'a>,
    /// Without an instrument, then one entry for each instrument.
    settings: Vec<Settings>,
}

impl std::fmt::Debug for Job<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Job").field("survey", &self.survey.title).finish_non_exhaustive()
    }
}

/// A capture that was looked at.
#[derive(Debug)]
pub struct Looked {
    /// The instrument, by its place in the description.
    pub instrument: Option<usize>,
    /// The name relative to the description.
    pub name: String,
    /// The files that make it up, with their hashes; empty where there is no such file.
    pub inputs: Vec<Input>,
    /// What was seen, or why nothing was.
    pub seen: Result<Seen, String>,
}

/// What was seen of a capture.
#[derive(Debug)]
pub struct Seen {
    /// How it was read, what it can carry.
    pub inspection: Inspection,
    /// Its levels in the bands of comparisons, with the interval of the total.
    pub row: BatchRow,
    /// The slew of each channel, where a reading of an indicator is to be set beside it.
    pub slews: Option<Vec<Slew>>,
}

/// How fast a channel changes within the range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Slew {
    /// The channel.
    pub role: Role,
    /// The RMS of the time derivative, in U/s.
    pub rms: f64,
    /// The mean absolute time derivative, in U/s.
    pub mean_abs: Option<f64>,
}

/// All captures of a survey, as they were looked at.
#[derive(Debug)]
pub struct Captures {
    /// In the order of the description.
    pub all: Vec<Looked>,
    places: HashMap<(Option<usize>, String), usize>,
}

/// Something that a report shows of a case.
#[derive(Debug)]
pub enum View<T> {
    /// Here it is.
    Made(T),
    /// It should have been here, and why it is not.
    Failed(String),
    /// Nobody asked for it, or the case has no captures for it.
    NotAsked,
}

impl<T> View<T> {
    /// The value, where it was made.
    pub fn made(&self) -> Option<&T> {
        match self {
            View::Made(value) => Some(value),
            _ => None,
        }
    }

    /// Why it is not there, where it should be.
    pub fn failed(&self) -> Option<&str> {
        match self {
            View::Failed(why) => Some(why),
            _ => None,
        }
    }

    fn of(result: Result<T, Error>) -> Self {
        result.map_or_else(|error| View::Failed(told(&error)), View::Made)
    }
}

/// All that was made of a case.
#[derive(Debug)]
pub struct CaseResult {
    /// The case, by its place in the description.
    pub place: usize,
    /// The capture that views of one capture show.
    pub shown: Option<String>,
    /// One capture of each state in time.
    pub waveforms: View<Vec<CaptureWaveform>>,
    /// The spectrum of the capture shown.
    pub spectrum: View<CaptureSpectrum>,
    /// Its bands, 2 kHz wide.
    pub bands: View<CaptureBands>,
    /// What the load adds when it is off but plugged in.
    pub standby: View<Comparison<BandAddition>>,
    /// What the load adds.
    pub added: View<Comparison<BandAddition>>,
    /// What the filter changes.
    pub change: View<Comparison<BandChange>>,
    /// Wire and air with the load on, all captures together.
    pub coupling: View<Coupling>,
    /// Whether the air follows the wire when the filter comes.
    pub coupling_change: View<CouplingChange>,
    /// Where in the mains cycle the noise of the capture shown sits.
    pub phase_map: View<CapturePhaseMap>,
    /// The emissions of the capture shown.
    pub emissions: View<CaptureEmissions>,
    /// What became of the emissions with the filter.
    pub emission_changes: View<EmissionComparison>,
    /// The impulses of the capture shown.
    pub transients: View<CaptureTransients>,
    /// What a receiver would read of it.
    pub receiver: View<CaptureReadings>,
    /// Captures of this case that could not be used, with the reason.
    pub lost: Vec<(State, String, String)>,
}

/// Reads what the description refers to besides captures.
///
/// # Errors
/// What is wrong with a setup or a level, or settings that do not go together.
pub fn prepare<'a>(survey: &'a Survey, open: Open<'a>) -> Result<Job<'a>, Error> {
    let analysis = &survey.analysis;
    let usual = Settings::default();
    let base = Settings {
        wire: analysis.wire.clone(),
        air: analysis.air.clone(),
        mains: analysis.mains_hz,
        high_pass: analysis.high_pass.unwrap_or(usual.high_pass),
        range: analysis.range.unwrap_or(usual.range),
        resolution: analysis.rbw.unwrap_or(usual.resolution),
        window: analysis.window.unwrap_or(usual.window),
        read: crate::read::ReadOptions {
            sample_rate: analysis.sample_rate,
            unit: analysis.unit.clone(),
            ..usual.read.clone()
        },
        ..usual
    };
    base.check()?;
    let scheme = analysis.bands.clone().unwrap_or(Scheme::Wide);
    scheme.bands(base.range)?;
    let mut files: Vec<Input> = Vec::new();
    let mut settings = vec![base.clone()];
    for instrument in &survey.instruments {
        let setup = instrument.setup.as_deref().map(|name| setup(&open(name))).transpose()?;
        for file in setup.iter().flat_map(|setup| &setup.files) {
            let input = Input { sha256: Some(file.sha256.clone()), ..Input::unread(&open(&file.path))? };
            if !files.contains(&input) {
                files.push(input);
            }
        }
        settings.push(Settings { setup: setup.map(Arc::new), ..base.clone() });
    }
    let own: Vec<Source> = survey.levels.files.iter().map(|name| open(name)).collect();
    let known = Curves::with(&own)?;
    let mut curves: Vec<Curve> = Vec::new();
    for name in &survey.levels.draw {
        let curve = known.named(name)?;
        if !curves.iter().any(|other| other.name == curve.name) {
            curves.push(curve.clone());
        }
    }
    files.extend(own.iter().map(Input::of).collect::<Result<Vec<_>, _>>()?);
    Ok(Job { survey, scheme, curves, files, open, settings })
}

impl Job<'_> {
    /// The settings for what was taken with an instrument.
    pub fn settings(&self, instrument: Option<usize>) -> &Settings {
        &self.settings[instrument.map_or(0, |place| place + 1)]
    }

    /// Looks at every capture, each once, over the cores; `done` is called after each.
    pub fn look(&self, done: &(dyn Fn() + Sync)) -> Captures {
        let with_indicator: std::collections::HashSet<(Option<usize>, &str)> = self
            .survey
            .cases
            .iter()
            .filter(|case| case.indicator.is_some())
            .flat_map(|case| {
                case.sides.iter().flat_map(|side| &side.captures).map(|name| (case.instrument, name.as_str()))
            })
            .collect();
        let all = spread::map(self.survey.captures(), |(instrument, name)| {
            let looked = self.look_at(instrument, name, with_indicator.contains(&(instrument, name)));
            done();
            looked
        });
        let places = all.iter().enumerate().map(|(place, looked)| ((looked.instrument, looked.name.clone()), place));
        Captures { places: places.collect(), all }
    }

    fn look_at(&self, instrument: Option<usize>, name: &str, slew: bool) -> Looked {
        let (source, settings) = ((self.open)(name), self.settings(instrument));
        let look = || -> Result<(Vec<Input>, Seen), Error> {
            let (inputs, observed) =
                observe(&source, settings, Wants { slew, periods: Some(Periods::Range), grouping: None })?;
            let slews = slew.then(|| bands::of_observed(&observed, &self.scheme)).transpose()?.map(|bands| {
                let of = |channel: &bands::ChannelBands| Slew {
                    role: channel.role,
                    rms: channel.slew_rms,
                    mean_abs: channel.slew_mean_abs,
                };
                bands.channels.iter().map(of).collect()
            });
            let seen = Seen {
                inspection: inspect::of_observed(&source, settings, &inputs, &observed)?,
                row: batch::of_observed(&inputs, &observed, &self.scheme)?,
                slews,
            };
            Ok((inputs, seen))
        };
        let name = name.to_owned();
        match look() {
            Ok((inputs, seen)) => Looked { instrument, name, inputs, seen: Ok(seen) },
            Err(error) => {
                let inputs = Input::of(&source).into_iter().collect();
                Looked { instrument, name, inputs, seen: Err(told(&error)) }
            }
        }
    }

    /// All that can be asked of a case.
    pub fn case(&self, place: usize, captures: &Captures) -> CaseResult {
        let case = &self.survey.cases[place];
        // Hashes are known from the first look.
        let settings = Settings { fingerprints: false, ..self.settings(case.instrument).clone() };
        let sides = self.sides(case, captures);
        let lost = case.sides.iter().flat_map(|side| {
            let lost =
                |name: &String| Some((side.state, name.clone(), captures.of(case, name)?.seen.as_ref().err()?.clone()));
            side.captures.iter().filter_map(lost)
        });
        let work = CaseWork { job: self, case, settings, sides };
        let order = [State::On, State::OnWithFilter, State::Off, State::OffWithFilter, State::Background];
        let shown = order.into_iter().find_map(|state| work.side(state).first());
        let spectral = shown.map(|source| work.spectrum_and_bands(source));
        let (spectrum, bands) = spectral.unwrap_or((View::NotAsked, View::NotAsked));
        CaseResult {
            place,
            shown: shown.map(|source| source.name().to_owned()),
            waveforms: work.waveforms(),
            spectrum,
            bands,
            standby: work.standby(),
            added: work.added(),
            change: work.change(),
            coupling: work.coupling(),
            coupling_change: work.coupling_change(),
            phase_map: work.of_shown(shown, |source, settings| {
                Ok(phase_map(source, settings, &self.scheme, Fineness::default())?.1)
            }),
            emissions: work
                .of_shown(shown, |source, settings| Ok(emissions(source, settings, EmissionCriteria::default())?.1)),
            emission_changes: work.emission_changes(),
            transients: work.of_shown(shown, |source, settings| {
                Ok(transients(source, settings, TransientCriteria::default(), None)?.1)
            }),
            receiver: work.of_shown(shown, |source, settings| {
                let request = Request { repeat: self.survey.analysis.repeat, ..Request::default() };
                let mut readings = receive(source, settings, &request)?.1;
                readings.hold_against(&self.curves);
                Ok(readings)
            }),
            lost: lost.collect(),
        }
    }

    /// The captures of a case that can be used, by state. Of captures in pairs both go when one is lost.
    fn sides(&self, case: &Case, captures: &Captures) -> BTreeMap<State, Vec<Source>> {
        let usable = |name: &str| captures.of(case, name).is_some_and(|looked| looked.seen.is_ok());
        let mut paired: Vec<State> = Vec::new();
        if case.alternating {
            paired.extend(case.reference());
            paired.extend([State::On, State::OnWithFilter]);
        }
        let whole_pair =
            |at: usize| paired.iter().all(|&state| case.captures(state).get(at).is_none_or(|name| usable(name)));
        let of_side = |side: &super::description::Side| {
            let in_pairs = paired.contains(&side.state);
            let kept =
                side.captures.iter().enumerate().filter(|(at, name)| usable(name) && (!in_pairs || whole_pair(*at)));
            (side.state, kept.map(|(_, name)| (self.open)(name)).collect())
        };
        case.sides.iter().map(of_side).collect()
    }
}

impl Captures {
    /// A capture of a case.
    pub fn of(&self, case: &Case, name: &str) -> Option<&Looked> {
        self.places.get(&(case.instrument, name.to_owned())).map(|&place| &self.all[place])
    }

    /// How many could be used.
    pub fn usable(&self) -> usize {
        self.all.iter().filter(|looked| looked.seen.is_ok()).count()
    }
}

/// An error on one line.
fn told(error: &Error) -> String {
    error.to_string().replace("\n  remedy: ", ". Remedy: ")
}

/// A case at work.
struct CaseWork<'a> {
    job: &'a Job<'a>,
    case: &'a Case,
    settings: Settings,
    sides: BTreeMap<State, Vec<Source>>,
}

impl CaseWork<'_> {
    fn side(&self, state: State) -> &[Source] {
        self.sides.get(&state).map_or(&[], Vec::as_slice)
    }

    /// The captures that stand for the load off.
    fn off(&self) -> &[Source] {
        self.case.reference().map_or(&[], |state| self.side(state))
    }

    fn order(&self) -> Order {
        if self.case.alternating { Order::InPairs } else { Order::Apart }
    }

    fn of_shown<T>(
        &self,
        shown: Option<&Source>,
        made: impl FnOnce(&Source, &Settings) -> Result<T, Error>,
    ) -> View<T> {
        shown.map_or(View::NotAsked, |source| View::of(made(source, &self.settings)))
    }

    /// Whether a comparison of two states is to be made: not where it was not asked for or the case has no such
    /// captures, and not where none of them can be used.
    fn ready<T>(&self, ask: Ask, from: Option<State>, to: State) -> Result<(), View<T>> {
        let named = |state: State| !self.case.captures(state).is_empty();
        let lacking = match from {
            None => Some("the load off".to_owned()),
            Some(state) if !named(state) => Some(format!("the state \"{}\"", state.words())),
            Some(_) if !named(to) => Some(format!("the state \"{}\"", to.words())),
            Some(_) => None,
        };
        if let Some(lacking) = lacking {
            return Err(if self.case.insists(ask) {
                View::Failed(format!("\"{}\" is asked for, but the case has no captures of {lacking}", ask.word()))
            } else {
                View::NotAsked
            });
        }
        if !self.case.asks(ask) {
            return Err(View::NotAsked);
        }
        let empty = [from, Some(to)].into_iter().flatten().find(|&state| self.side(state).is_empty());
        empty.map_or(Ok(()), |state| {
            Err(View::Failed(format!("no capture of the state \"{}\" can be used", state.words())))
        })
    }

    fn waveforms(&self) -> View<Vec<CaptureWaveform>> {
        let states = [self.case.reference().unwrap_or(State::Off), State::On, State::OnWithFilter];
        let first: Vec<&Source> = states.iter().filter_map(|&state| self.side(state).first()).collect();
        if first.is_empty() {
            return View::NotAsked;
        }
        let made = first.into_iter().map(|source| Ok(waveform(source, &self.settings, Stretch::default())?.1));
        View::of(made.collect())
    }

    fn spectrum_and_bands(&self, source: &Source) -> (View<CaptureSpectrum>, View<CaptureBands>) {
        let observed = observe(source, &self.settings, Wants { slew: true, ..Wants::default() });
        match observed {
            Err(error) => (View::Failed(told(&error)), View::Failed(told(&error))),
            Ok((_, observed)) => {
                let mut spectrum = spectrum::of_observed(&observed);
                spectrum.hold_against(&self.job.curves);
                (View::Made(spectrum), View::of(bands::of_observed(&observed, &Scheme::TwoKilohertz)))
            }
        }
    }

    fn addition(&self, ask: Ask, from: Option<State>, to: State) -> View<Comparison<BandAddition>> {
        if let Err(view) = self.ready(ask, from, to) {
            return view;
        }
        let order = if ask == Ask::Added { self.order() } else { Order::Apart };
        let off = from.map_or(&[][..], |state| self.side(state));
        View::of(what_is_added(off, self.side(to), &self.settings, &self.job.scheme, order).map(|made| made.1))
    }

    fn standby(&self) -> View<Comparison<BandAddition>> {
        self.addition(Ask::Standby, Some(State::Background), State::Off)
    }

    fn added(&self) -> View<Comparison<BandAddition>> {
        self.addition(Ask::Added, self.case.reference(), State::On)
    }

    fn change(&self) -> View<Comparison<BandChange>> {
        if let Err(view) = self.ready(Ask::Filter, Some(State::On), State::OnWithFilter) {
            return view;
        }
        let before = self.off();
        let after = if before.is_empty() { &[] } else { self.side(State::OffWithFilter) };
        let (on, filtered) = (self.side(State::On), self.side(State::OnWithFilter));
        let off = Off { before, after };
        let made = what_changed_of_the_load(off, on, filtered, &self.settings, &self.job.scheme, self.order());
        View::of(made.map(|made| made.1))
    }

    fn coupling(&self) -> View<Coupling> {
        let sources = self.side(State::On);
        let sources = if sources.is_empty() { self.off() } else { sources };
        if sources.is_empty() || !self.case.asks(Ask::Coupling) {
            return View::NotAsked;
        }
        View::of(self.observe_coupled(sources).and_then(|observed| of_observed(&observed, &self.job.scheme)))
    }

    fn observe_coupled(&self, sources: &[Source]) -> Result<Vec<coupling::Observed>, Error> {
        let observe = |source: &Source| Ok(coupling::observe(source, &self.settings)?.1);
        sources.iter().map(observe).collect()
    }

    fn coupling_change(&self) -> View<CouplingChange> {
        if self.ready::<()>(Ask::Coupling, Some(State::On), State::OnWithFilter).is_err() {
            return View::NotAsked;
        }
        let sides = [State::On, State::OnWithFilter].map(|state| self.observe_coupled(self.side(state)));
        let [before, after] = sides;
        View::of(before.and_then(|before| change_of(&before, &after?, &self.job.scheme)))
    }

    fn emission_changes(&self) -> View<EmissionComparison> {
        if self.ready::<()>(Ask::Filter, Some(State::On), State::OnWithFilter).is_err() {
            return View::NotAsked;
        }
        let (on, filtered) = (self.side(State::On), self.side(State::OnWithFilter));
        View::of(emission_changes(on, filtered, &self.settings, EmissionCriteria::default()).map(|made| made.1))
    }
}
