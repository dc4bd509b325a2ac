use std::collections::HashSet;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Map, Value};

use super::campaign::{Campaign, Method, remake};
use super::captures::{captures_in, in_order, listed};
use super::files::{STANDARD_INPUT, capture};
use super::held::Watched;
use super::journal::Head;
use super::options::{AcceptanceOptions, CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, tables};
use crate::analysis::acceptance;
use crate::analysis::batch::{Status, batch, row};
use crate::analysis::observe::Input;
use crate::analysis::settings::Settings;
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::read::ReadOptions;
use crate::report::{columns, pictures, sentences};
use crate::spread::{self, Shard};

/// How do many captures rank?
///
/// Files and folders (with all folders within, in natural order); one row a capture, ranked by the total in the
/// range. Captures whose intervals overlap share a rank. A broken file is a row with its error.
///
/// With --into it is a campaign: each capture goes into a journal as soon as it is done, whatever ends the run,
/// --resume goes on where it stopped, and the rows are written as CSV, JSON lines and Parquet.
#[derive(Debug, Args)]
pub(super) struct Batch {
    /// Captures and folders of captures
    #[arg(required_unless_present_any = ["files_from", "into"], value_name = "FILE|DIR")]
    paths: Vec<PathBuf>,
    /// A list of captures and folders, one a line; - reads it from the standard input
    #[arg(long, value_name = "FILE|-")]
    files_from: Option<PathBuf>,
    /// Only the K-th of N shares of the captures, for one of N machines
    #[arg(long, value_name = "K/N", default_value = "1/1", hide_default_value = true)]
    shard: Shard,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "wide")]
    bands: Scheme,
    /// The folder for journal and rows; without captures its rows are made again from the journal
    #[arg(long, value_name = "DIR", help_heading = "Campaign", conflicts_with_all = ["json", "output", "fail_on"])]
    into: Option<PathBuf>,
    /// Go on with the campaign in the folder, if it holds one
    #[arg(long, requires = "into", help_heading = "Campaign")]
    resume: bool,
    /// How often captures that may still be being written are tried again, 1 s apart, after all others are done
    #[arg(long, value_name = "N", default_value_t = 3, requires = "into", help_heading = "Campaign",
          value_parser = clap::value_parser!(u32).range(..=1000))]
    retries: u32,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    acceptance: AcceptanceOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Batch {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "How do all captures of a folder rank?",
            line: "linewake batch demo/captures -o ranking.png",
        },
        Example {
            answers: "A campaign that can be stopped at any time and goes on where it was",
            line: "linewake batch demo/captures --into campaign --resume",
        },
        Example {
            answers: "One of four shares of the work",
            line: "linewake batch demo/captures --shard 1/4 -o share.csv",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        keep_what_is_freed();
        match &self.into {
            None => self.rank(console),
            Some(results) if self.paths.is_empty() && self.files_from.is_none() => remake(console, results),
            Some(results) => self.campaign(console, results),
        }
    }
}

impl Batch {
    /// All captures asked for, those of other shards included, and whether they are all that lie there; what could not
    /// be looked into is named.
    fn captures(&self, console: &mut Console) -> Result<(Vec<PathBuf>, Outcome), Error> {
        let mut paths = self.paths.clone();
        if let Some(list) = &self.files_from {
            paths.extend(listed(list)?);
        }
        let (captures, unseen) = captures_in(&paths, self.into.as_deref())?;
        unseen.iter().for_each(|error| console.error(error));
        Ok((captures, if unseen.is_empty() { Outcome::Done } else { Outcome::Partly }))
    }

    fn campaign(&self, console: &mut Console, results: &Path) -> Result<Outcome, Error> {
        let settings = self.capture.settings()?;
        let (captures, seen) = self.captures(console)?;
        let captures = in_order(&captures)?;
        let more = beyond(&settings)?;
        let head = Head::new(self.shard, super::with(&settings, "bands", &self.bands)?, &more);
        let campaign = Campaign { results: results.to_owned(), resume: self.resume, retries: self.retries };
        let outcome = campaign.run(console, head, captures, &Method { settings: &settings, scheme: &self.bands })?;
        Ok(if outcome == Outcome::Done { seen } else { outcome })
    }

    fn rank(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("batch", None)?;
        let settings = self.capture.settings()?;
        let delivery = Delivery::prepare("batch", &self.output, true)?;
        let (mut captures, seen) = self.captures(console)?;
        captures.retain(|path| self.shard.holds_name(&path.to_string_lossy()));
        let progress = console.progress(captures.len());
        let done = spread::map(captures, |path| {
            let done = if path == Path::new(STANDARD_INPUT) {
                row(&capture(&path), &settings, &self.bands)
            } else {
                row(&Watched::new(&path).source, &settings, &self.bands)
            };
            progress.step();
            done
        });
        drop(progress);
        let (inputs, rows): (Vec<_>, Vec<_>) = done.into_iter().unzip();
        let mut inputs = inputs.concat();
        // Both files of a pair name each other.
        let mut named = HashSet::new();
        inputs.retain(|input| named.insert(input.path.clone()));
        let result = batch(rows);
        let captures = result.captures.iter();
        console
            .findings(captures.flat_map(|row| row.warnings.iter().map(|finding| (Some(row.path.as_str()), finding))));
        let failed = result.captures.iter().filter(|row| row.status == Status::Failed).count();
        for row in result.captures.iter().filter(|row| row.status == Status::Failed) {
            console.failed(&row.path, row.error.as_deref().unwrap_or_default());
        }
        if failed == result.captures.len() {
            return Err(Error::input("none of the captures could be analysed").remedy("see the reasons above"));
        }
        let mut in_force: Map<String, Value> = super::with(&settings, "bands", &self.bands)?;
        self.acceptance.put_into(&mut in_force);
        let forms = Forms {
            settings: in_force,
            inputs: &inputs,
            body: &result,
            figure: Some(&|| pictures::ranking(&result, &settings)),
            columns: &|| columns::batch(&result),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&sentences::of_batch(&result))?;
            tables::ranking(&result).iter().try_for_each(|table| console.table(table))
        })?;
        let outcome = if failed == 0 { seen } else { Outcome::Partly };
        self.acceptance.judge(console, "batch", outcome, || acceptance::of_batch(&result))
    }
}

/// Keeps the memory that one capture gives back for the next one: to return it to the system and to have it back, page by
/// page, takes a quarter of the time of a small capture.
///
/// The C library of Linux learns from the largest block given back so far, where that one came from the system directly,
/// how much it may keep: twice as much. Elsewhere this is a block that is never touched.
fn keep_what_is_freed() {
    const LARGEST: usize = 4 << 20;
    drop(std::hint::black_box(Vec::<u8>::with_capacity(LARGEST)));
}

/// What decides on the results and is not among the settings of a document: how captures are read, and the bytes of
/// the file with the air channel.
fn beyond(settings: &Settings) -> Result<String, Error> {
    let read = ReadOptions { max_memory: None, ..settings.read.clone() };
    let air = settings.air_file.as_ref().map(Input::of).transpose()?;
    Ok(format!("{read:?} {:?}", air.map(|air| air.sha256)))
}
