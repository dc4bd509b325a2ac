//! What a case shows, view by view: sentences, tables, a figure, and the same as data.

use serde::Serialize;
use serde_json::{Map, Value};

use crate::analysis::compare::{Comparison, Warning};
use crate::analysis::coupling::Coupling;
use crate::analysis::observe::Input;
use crate::analysis::settings::Settings;
use crate::capture::Role;
use crate::compare::added::BandAddition;
use crate::compare::margin::Against;
use crate::error::{Error, Finding, Severity};
use crate::measure::bands::Scheme;
use crate::report::document::{Captures, Document};
use crate::report::figure::Figure;
use crate::report::table::Table;
use crate::report::{columns, pictures, sentences, tables};
use crate::survey::description::Case;
use crate::survey::run::{self, CaseResult, Job, View};

/// How many of a receiver's highest readings a table shows.
const READINGS: usize = 12;

/// One view of a case.
#[derive(Debug)]
pub(super) struct Part {
    /// The name in addresses and file names.
    pub(super) slug: &'static str,
    /// The question it answers.
    pub(super) title: &'static str,
    /// What it shows, or why it is not there.
    pub(super) shown: Result<Shown, String>,
}

/// What a view shows.
#[derive(Debug)]
pub(super) struct Shown {
    pub(super) sentences: Vec<String>,
    pub(super) figure: Figure,
    pub(super) tables: Vec<Table>,
    /// What contributes to its uncertainty.
    pub(super) budgets: Vec<Table>,
    /// What limits it.
    pub(super) warnings: Vec<String>,
    /// The rows that the command of the same name writes.
    pub(super) columns: Vec<u8>,
    /// The document that the command of the same name prints.
    pub(super) document: String,
}

/// What all views of a case share.
struct Frame<'a> {
    settings: &'a Settings,
    scheme: &'a Scheme,
    captures: &'a run::Captures,
    case: &'a Case,
}

/// All views of a case that there are to show, in the order of the page.
///
/// # Errors
/// None for the types of this crate: rows and documents that cannot be written.
pub(super) fn of_case(job: &Job<'_>, captures: &run::Captures, result: &CaseResult) -> Result<Vec<Part>, Error> {
    let case = &job.survey.cases[result.place];
    let settings = job.settings(case.instrument);
    let frame = Frame { settings, scheme: &job.scheme, captures, case };
    let parts = [
        part("waveform", "In time", &result.waveforms, |made| {
            let paths = made.iter().map(|capture| &capture.path);
            Ok(Shown {
                sentences: sentences::of_waveform(made),
                figure: pictures::waveform(made, settings),
                tables: Vec::new(),
                budgets: Vec::new(),
                warnings: told(made.iter().flat_map(|capture| &capture.warnings)),
                columns: columns::waveforms(made)?,
                document: frame.document("waveform", None, paths, Captures { captures: made })?,
            })
        })?,
        part("spectrum", "Spectrum", &result.spectrum, |made| {
            let all = std::slice::from_ref(made);
            let against = made.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
            Ok(Shown {
                sentences: [sentences::of_spectrum(made), in_short(against.clone())].concat(),
                figure: pictures::spectrum(made, settings),
                tables: made.channels.iter().map(tables::spectrum).chain(beside_levels(against)).collect(),
                budgets: Vec::new(),
                warnings: told(&made.warnings),
                columns: columns::spectra(all)?,
                document: frame.document("spectrum", None, [&made.path], Captures { captures: all })?,
            })
        })?,
        part("standby", "What it adds when off but plugged in", &result.standby, |made| frame.addition("added", made))?,
        part("added", "What it adds", &result.added, |made| frame.addition("added", made))?,
        part("filter", "What the filter changes", &result.change, |made| {
            let rows = |channel| std::iter::once(tables::changes(channel)).chain(tables::loads(channel));
            let budgets = |channel| tables::budgets(channel, "uncertainty of the change");
            let sides = [Some(&made.first), Some(&made.second), made.off.as_ref(), made.off_after.as_ref()];
            let paths = sides.into_iter().flatten().flat_map(|side| &side.paths);
            Ok(Shown {
                sentences: sentences::of_change(made),
                figure: pictures::changes(made, settings),
                tables: made.channels.iter().flat_map(rows).collect(),
                budgets: made.channels.iter().flat_map(budgets).collect(),
                warnings: of_comparison(&made.warnings),
                columns: columns::changes(made)?,
                document: frame.document("compare", Some(frame.scheme), paths, made)?,
            })
        })?,
        part("bands", "Bands", &result.bands, |made| {
            let all = std::slice::from_ref(made);
            Ok(Shown {
                sentences: sentences::of_bands(made),
                figure: pictures::bands(made, settings),
                tables: made.channels.iter().map(tables::bands).collect(),
                budgets: Vec::new(),
                warnings: told(&made.warnings),
                columns: columns::bands(all)?,
                document: frame.document(
                    "bands",
                    Some(&Scheme::TwoKilohertz),
                    [&made.path],
                    Captures { captures: all },
                )?,
            })
        })?,
        part("coupling", "Wire and air", &result.coupling, |made| {
            let all = std::slice::from_ref(made);
            Ok(Shown {
                sentences: sentences::of_coupling(made),
                figure: pictures::coupling(made, settings),
                tables: with_ambient(vec![tables::coupling(made)], made),
                budgets: Vec::new(),
                warnings: told(&made.warnings),
                columns: columns::couplings(all)?,
                document: frame.document("coupling", Some(frame.scheme), &made.paths, Captures { captures: all })?,
            })
        })?,
        part("coupling-change", "Does the air follow the wire?", &result.coupling_change, |made| {
            Ok(Shown {
                sentences: sentences::of_coupling_change(made),
                figure: pictures::coupling_change(made, settings),
                tables: with_ambient(vec![tables::causes(made)], &made.after),
                budgets: Vec::new(),
                warnings: told(made.before.warnings.iter().chain(&made.after.warnings)),
                columns: columns::causes(made)?,
                document: frame.document(
                    "coupling",
                    Some(frame.scheme),
                    made.before.paths.iter().chain(&made.after.paths),
                    made,
                )?,
            })
        })?,
        part("phase-map", "Where in the mains cycle", &result.phase_map, |made| {
            let all = std::slice::from_ref(made);
            let table = |channel| tables::cycle(channel, made.phase_reference);
            Ok(Shown {
                sentences: sentences::of_phase_map(made),
                figure: pictures::phase_map(made, settings),
                tables: made.channels.iter().map(table).collect(),
                budgets: Vec::new(),
                warnings: told(&made.warnings),
                columns: columns::phase_maps(all)?,
                document: frame.document("phase-map", Some(frame.scheme), [&made.path], Captures { captures: all })?,
            })
        })?,
        part("emissions", "Narrowband emissions", &result.emissions, |made| {
            let all = std::slice::from_ref(made);
            Ok(Shown {
                sentences: sentences::of_emissions(made),
                figure: pictures::emissions(made, settings),
                tables: made.channels.iter().map(tables::emissions).collect(),
                budgets: Vec::new(),
                warnings: told(&made.warnings),
                columns: columns::emissions(all)?,
                document: frame.document("emissions", None, [&made.path], Captures { captures: all })?,
            })
        })?,
        part("emission-changes", "What became of the emissions", &result.emission_changes, |made| {
            let all = made.before.iter().chain(&made.after);
            Ok(Shown {
                sentences: sentences::of_emission_changes(made),
                figure: pictures::emission_changes(made, settings),
                tables: made.channels.iter().map(tables::emission_changes).collect(),
                budgets: Vec::new(),
                warnings: told(all.clone().flat_map(|capture| &capture.warnings)),
                columns: columns::emission_changes(made)?,
                document: frame.document("emissions", None, all.map(|capture| &capture.path), made)?,
            })
        })?,
        part("transients", "Impulses", &result.transients, |made| {
            let all = std::slice::from_ref(made);
            Ok(Shown {
                sentences: sentences::of_transients(made),
                figure: pictures::transients(made, settings),
                tables: made.channels.iter().filter(|channel| channel.count > 0).map(tables::transients).collect(),
                budgets: Vec::new(),
                warnings: told(&made.warnings),
                columns: columns::transients(all)?,
                document: frame.document("transients", None, [&made.path], Captures { captures: all })?,
            })
        })?,
        part("receiver", "What a measuring receiver would read", &result.receiver, |made| {
            let all = std::slice::from_ref(made);
            let against = made.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
            let rows = made.channels.iter().map(|channel| tables::readings(channel, &made.analysis, READINGS));
            Ok(Shown {
                sentences: [sentences::of_readings(made), in_short(against.clone())].concat(),
                figure: pictures::receiver(made, settings),
                tables: rows.chain(beside_levels(against)).collect(),
                budgets: Vec::new(),
                warnings: told(&made.warnings),
                columns: columns::readings(all)?,
                document: frame.document("receiver", None, [&made.path], Captures { captures: all })?,
            })
        })?,
    ];
    Ok(parts.into_iter().flatten().collect())
}

/// A view that was made, or that failed; nothing where nobody asked for it.
fn part<T>(
    slug: &'static str,
    title: &'static str,
    view: &View<T>,
    show: impl FnOnce(&T) -> Result<Shown, Error>,
) -> Result<Option<Part>, Error> {
    let shown = match view {
        View::NotAsked => return Ok(None),
        View::Failed(why) => Err(why.clone()),
        View::Made(value) => Ok(show(value)?),
    };
    Ok(Some(Part { slug, title, shown }))
}

impl Frame<'_> {
    fn addition(&self, command: &str, made: &Comparison<BandAddition>) -> Result<Shown, Error> {
        let budgets = |channel| tables::budgets(channel, "uncertainty of the rise");
        Ok(Shown {
            sentences: sentences::of_addition(made),
            figure: pictures::additions(made, self.settings),
            tables: made.channels.iter().map(tables::additions).collect(),
            budgets: made.channels.iter().flat_map(budgets).collect(),
            warnings: of_comparison(&made.warnings),
            columns: columns::additions(made)?,
            document: self.document(
                command,
                Some(self.scheme),
                made.first.paths.iter().chain(&made.second.paths),
                made,
            )?,
        })
    }

    /// The document of a command, with the hashes that the first look took.
    fn document<'p>(
        &self,
        command: &str,
        scheme: Option<&Scheme>,
        paths: impl IntoIterator<Item = &'p String>,
        body: impl Serialize,
    ) -> Result<String, Error> {
        let mut seen = std::collections::HashSet::new();
        let mut inputs: Vec<Input> = Vec::new();
        for path in paths {
            let looked = self.captures.of(self.case, path);
            inputs.extend(
                looked.into_iter().flat_map(|looked| looked.inputs.clone()).filter(|i| seen.insert(i.path.clone())),
            );
        }
        let mut settings = settings_of(self.settings)?;
        if let Some(scheme) = scheme {
            settings.insert("bands".to_owned(), scheme.to_string().into());
        }
        Document::new(command, settings, &inputs, body).to_text()
    }
}

/// The settings in force as an object.
pub(super) fn settings_of(settings: &Settings) -> Result<Map<String, Value>, Error> {
    match serde_json::to_value(settings) {
        Ok(Value::Object(map)) => Ok(map),
        other => Err(Error::output(format!("settings are an object, not {other:?}"))),
    }
}

fn with_ambient(mut found: Vec<Table>, coupling: &Coupling) -> Vec<Table> {
    if !coupling.ambient.is_empty() {
        found.push(tables::ambient(coupling));
    }
    found
}

fn in_short<'a>(channels: impl Iterator<Item = (Role, &'a [Against])>) -> Vec<String> {
    channels.flat_map(|(role, against)| against.iter().filter_map(move |one| sentences::in_short(role, one))).collect()
}

fn beside_levels<'a>(channels: impl Iterator<Item = (Role, &'a [Against])>) -> impl Iterator<Item = Table> {
    channels.filter(|(_, against)| !against.is_empty()).map(|(role, against)| tables::against(role, against))
}

/// Findings that limit something, each sentence once.
fn told<'a>(findings: impl IntoIterator<Item = &'a Finding>) -> Vec<String> {
    let mut told: Vec<String> = Vec::new();
    for finding in findings {
        let sentence = format!("{}: {}", finding.severity.word(), finding.message);
        if finding.severity != Severity::Note && !told.contains(&sentence) {
            told.push(sentence);
        }
    }
    told
}

fn of_comparison(warnings: &[Warning]) -> Vec<String> {
    told(warnings.iter().map(|warning| &warning.finding))
}
