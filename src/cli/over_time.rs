//! The levels of a long recording over time: `bands --every`, and `merge`, which joins what several machines made.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Deserialize;
use serde_json::{Map, Value};

use super::files::{Output, source};
use super::options::OutputOptions;
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, tables};
use crate::analysis::observe::Input;
use crate::analysis::over_time::{OverTime, Part, merged, over_time};
use crate::analysis::settings::Settings;
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::read::Source;
use crate::report::document::{Captures, Document};
use crate::report::{columns, pictures, sentences};
use crate::spread::Shard;

/// The command whose documents these are, whoever puts them together.
const COMMAND: &str = "bands";

/// How a long recording is cut.
#[derive(Debug, Clone, Args)]
pub(super) struct TimeOptions {
    /// A row for every stretch of this length, such as 10m: levels over time; table, picture and CSV file then hold
    /// these
    #[arg(
        long,
        value_name = "TIME",
        value_parser = super::options::seconds,
        conflicts_with_all = ["budget", "grouping", "against", "fail_on"],
        help_heading = "Long recordings"
    )]
    pub(super) every: Option<f64>,
    /// Only every Nth stretch from the Kth on: one part of work that N machines share; see "merge"
    #[arg(long, value_name = "K/N", requires = "every", help_heading = "Long recordings")]
    shard: Option<Shard>,
    /// Write the JSON document of this part of the work to a file, for "merge"
    #[arg(long, value_name = "FILE", requires = "every", help_heading = "Long recordings")]
    partial: Option<PathBuf>,
}

/// What `bands` does when it is given `--every`.
pub(super) fn run(
    console: &mut Console,
    files: &[PathBuf],
    settings: &Settings,
    scheme: &Scheme,
    (time, every_s): (&TimeOptions, f64),
    output: &OutputOptions,
) -> Result<Outcome, Error> {
    let delivery = Delivery::prepare(COMMAND, output, true)?;
    let partial = time.partial.as_deref().map(|path| Output::prepare(path, COMMAND, output.force)).transpose()?;
    let shard = time.shard.unwrap_or(Shard::WHOLE);
    let (done, outcome) = super::each_file(console, files, |source| {
        let found = over_time(source, settings, scheme, every_s, shard)?;
        let input = if shard == Shard::WHOLE { Input::of(source) } else { Input::unread(source) };
        Ok((input?, found))
    })?;
    let (inputs, captures): (Vec<_>, Vec<_>) = done.into_iter().unzip();
    let mut in_force = super::with(settings, "bands", scheme)?;
    in_force.insert("every_s".into(), every_s.into());
    in_force.insert("shard".into(), time.shard.map(|shard| format!("{}/{}", shard.number, shard.of)).into());
    if let Some(partial) = partial {
        let body = Captures { captures: &captures };
        let document = Document::new(COMMAND, &in_force, &inputs, body);
        partial.write(document.to_text()?.as_bytes())?;
    }
    deliver(console, delivery, in_force, &inputs, &captures)?;
    Ok(outcome)
}

/// Put together what several runs found of one recording
///
/// Takes the JSON documents that "bands --every 10m --shard 1/4 --partial part-1.json" and its like wrote. The result is
/// that of one run over the whole recording. With parts missing, what is there is shown, the missing intervals are
/// named, and the status is 1.
#[derive(Debug, Args)]
pub(super) struct Merge {
    /// Documents of parts of one work
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Merge {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Half of the work on one machine",
            line: "linewake bands demo/captures/led-panel-on-1.csv --every 50ms --shard 1/2 --partial part-1.json",
        },
        Example {
            answers: "The other half on another one",
            line: "linewake bands demo/captures/led-panel-on-1.csv --every 50ms --shard 2/2 --partial part-2.json",
        },
        Example { answers: "What is that together?", line: "linewake merge part-1.json part-2.json -o over-time.csv" },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let delivery = Delivery::prepare(COMMAND, &self.output, true)?;
        let mut first: Option<(PathBuf, Map<String, Value>)> = None;
        let mut inputs: Vec<Input> = Vec::new();
        let mut parts: Vec<(String, Vec<(String, Part)>)> = Vec::new();
        for path in &self.files {
            let PartialDocument { settings, inputs: of_part, captures } = PartialDocument::read(path)?;
            let mut in_force = settings;
            in_force.insert("shard".into(), Value::Null);
            match &first {
                None => first = Some((path.clone(), in_force)),
                Some((other, expected)) => same_settings(path, &in_force, other, expected)?,
            }
            inputs.extend(
                of_part
                    .into_iter()
                    .filter(|input| !inputs.iter().any(|other| other.path == input.path))
                    .collect::<Vec<_>>(),
            );
            for part in captures {
                let name = path.display().to_string();
                match parts.iter_mut().find(|(recording, _)| *recording == part.identity.path) {
                    Some((_, parts)) => parts.push((name, part)),
                    None => parts.push((part.identity.path.clone(), vec![(name, part)])),
                }
            }
        }
        let captures = parts.into_iter().map(|(_, parts)| merged(parts)).collect::<Result<Vec<OverTime>, Error>>()?;
        let in_force = first.map(|(_, settings)| settings).unwrap_or_default();
        let mut outcome = Outcome::Done;
        for capture in &captures {
            let missing = capture.missing();
            if let Some(first) = missing.first() {
                let sentence = format!(
                    "{}: {} intervals are missing, the first of them number {first}",
                    crate::error::printable(&capture.identity.path),
                    missing.len()
                );
                console.remark("error", &sentence);
                outcome = Outcome::Partly;
            } else if capture.interval_count.is_none() {
                let sentence = "no part tells how many intervals there are; the last ones may be missing";
                console.remark("warning", sentence);
            }
        }
        deliver(console, delivery, in_force, &inputs, &captures)?;
        Ok(outcome)
    }
}

fn deliver(
    console: &mut Console,
    delivery: Delivery,
    settings: Map<String, Value>,
    inputs: &[Input],
    captures: &[OverTime],
) -> Result<(), Error> {
    for capture in captures {
        for limited in &capture.warnings {
            let sentence = format!(
                "{}: in {} of {} intervals, first in number {}: {} [{}]",
                crate::error::printable(&capture.identity.path),
                limited.intervals,
                capture.intervals.len(),
                limited.first,
                limited.message,
                limited.code
            );
            console.remark("warning", &sentence);
        }
    }
    let forms = Forms {
        settings,
        inputs,
        body: Captures { captures },
        figure: Some(&|| pictures::over_time(&captures[0])),
        columns: &|| columns::over_time(captures),
    };
    delivery.deliver(console, forms, |console| {
        for capture in captures {
            console.capture(&capture.identity.path)?;
            console.sentences(&sentences::of_over_time(capture))?;
            capture.channels.iter().try_for_each(|channel| console.table(&tables::whole(channel)))?;
            console.table(&tables::over_time(capture))?;
        }
        Ok(())
    })
}

/// What a document holds that is to be merged.
#[derive(Debug, Deserialize)]
struct PartialDocument {
    settings: Map<String, Value>,
    inputs: Vec<Input>,
    captures: Vec<Part>,
}

/// What every document begins with.
#[derive(Debug, Deserialize)]
struct Heading {
    tool: String,
    version: String,
    command: String,
}

impl PartialDocument {
    fn read(path: &Path) -> Result<Self, Error> {
        let file: Source = source(path);
        let bytes = file.bytes_at(0, usize::MAX)?;
        let refuse = |error: &serde_json::Error| {
            Error::input(format!("is no document of \"bands --every\": {error}"))
                .in_file(file.name())
                .at_line(error.line() as u64, Some(error.column() as u64))
                .remedy("make it with bands --every TIME --partial FILE")
        };
        let heading: Heading = serde_json::from_slice(&bytes).map_err(|e| refuse(&e))?;
        if heading.tool != env!("CARGO_PKG_NAME") || heading.command != COMMAND {
            return Err(Error::input(format!(
                "is a document of \"{} {}\"",
                crate::error::printable(&heading.tool),
                crate::error::printable(&heading.command)
            ))
            .in_file(file.name())
            .expected("one of \"bands --every\""));
        }
        if heading.version != env!("CARGO_PKG_VERSION") {
            return Err(Error::input(format!("was made by version {}", crate::error::printable(&heading.version)))
                .in_file(file.name())
                .expected(format!("version {}, as this program is", env!("CARGO_PKG_VERSION")))
                .remedy("make all parts with one version, and merge them with the same"));
        }
        serde_json::from_slice(&bytes).map_err(|e| refuse(&e))
    }
}

fn same_settings(
    path: &Path,
    found: &Map<String, Value>,
    other: &Path,
    expected: &Map<String, Value>,
) -> Result<(), Error> {
    let keys = found.keys().chain(expected.keys());
    let Some(key) = keys.into_iter().find(|key| found.get(*key) != expected.get(*key)) else { return Ok(()) };
    let shown = |settings: &Map<String, Value>| settings.get(key).unwrap_or(&Value::Null).to_string();
    Err(Error::input(format!(
        "was made with {} = {}",
        crate::error::printable(key),
        crate::error::printable(&shown(found))
    ))
    .in_file(path.display().to_string())
    .expected(format!("{}, as in {}", crate::error::printable(&shown(expected)), other.display()))
    .remedy("make all parts with the same settings"))
}
