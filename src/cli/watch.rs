use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant, SystemTime};

use clap::Args;

use super::captures::{captures_in, sort};
use super::files::{FileOrigin, sources};
use super::options::{CaptureOptions, seconds};
use super::publication::Publication;
use super::survey::PAGE;
use super::terminal::Console;
use super::{Example, Outcome, Run};
use crate::analysis::batch::{self, Status};
use crate::analysis::compare::{Order, what_changed};
use crate::analysis::observe::{Periods, Wants, observe};
use crate::analysis::settings::Settings;
use crate::analysis::spectrum;
use crate::capture::Role;
use crate::error::{Error, printable};
use crate::measure::bands::Scheme;
use crate::read::Source;
use crate::report::page::html;
use crate::report::survey::{About, DataFile, package};
use crate::report::watched::{PLOTTED, Watched, cells, report};
use crate::spread;
use crate::survey::description::compared_with;

/// Results while captures come in.
///
/// Looks at a folder again and again. A capture counts as complete when its size and time are the same at two looks.
/// Each new one is analysed, is a row on the terminal, and renews the report. It is compared with the captures of
/// --reference, or with those that its name belongs to: "lamp-on-filter" or "lamp-after" with "lamp-on" or
/// "lamp-before", "lamp-on" with "lamp-off", else with "background" or "off".
#[derive(Debug, Args)]
pub(super) struct Watch {
    /// The folder that captures come into
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Captures that all others are compared with, such as those from before a change
    #[arg(long, value_name = "FILE", num_args = 1..)]
    reference: Vec<PathBuf>,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "wide")]
    bands: Scheme,
    /// How long to wait between two looks
    #[arg(long, value_name = "TIME", default_value = "2s", value_parser = seconds)]
    every: f64,
    /// End when all captures that are there are done
    #[arg(long)]
    once: bool,
    /// End after this time, such as 90s, 10m, 1.5h
    #[arg(long, value_name = "TIME", value_parser = seconds)]
    r#for: Option<f64>,
    #[command(flatten)]
    capture: CaptureOptions,
    /// The page, which ends in .html; its data go into the folder of the same name without the ending
    /// [default: report.html in the folder]
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    output: Option<PathBuf>,
    /// Replace the page even if something else made it
    #[arg(long, help_heading = "Output")]
    force: bool,
}

/// What tells that a file has changed.
type Stamp = (u64, Option<SystemTime>);

/// A capture with what it was when it was analysed.
struct Entry {
    stamp: Stamp,
    watched: Watched,
}

/// The columns of the rows on the terminal: name, wire, its change, air, its change.
const WIDTHS: [usize; 5] = [36, 12, 26, 12, 26];

impl Run for Watch {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "What do the captures say that are in the folder by now?",
            line: "linewake watch demo/captures --once -o watched.html",
        },
        Example {
            answers: "The same as they come in, for a quarter of an hour",
            line: "linewake watch demo/captures --for 15m",
        },
        Example {
            answers: "How does each differ from what was there before?",
            line: "linewake watch demo/captures --reference demo/captures/background-1.csv --once -o watched.html",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        if !self.folder.is_dir() {
            return Err(Error::input("is no folder")
                .in_file(self.folder.display().to_string())
                .remedy("check the path"));
        }
        if !(0.05..=3600.0).contains(&self.every) {
            return Err(Error::usage(format!("a look every {} s", self.every)).expected("0.05 s to an hour"));
        }
        let settings = self.capture.settings()?;
        let page = self.output.clone().unwrap_or_else(|| self.folder.join(PAGE));
        // What cannot be written is to be known before anybody waits for it.
        drop(Publication::prepare("watch", &page, &self.reference, self.force)?);
        let (begin, pause) = (Instant::now(), Duration::from_secs_f64(self.every));
        let mut watching = Watching { command: &self, settings, page, entries: BTreeMap::new(), order: Vec::new() };
        let mut before: HashMap<String, Stamp> = HashMap::new();
        console.print(&line(["capture", "wire", "change, dB", "air", "change, dB"].map(str::to_owned)))?;
        loop {
            let now = watching.look()?;
            let is_complete = |name: &String, stamp: &Stamp| stamp.0 > 0 && before.get(name) == Some(stamp);
            let ready: Vec<(String, Stamp)> = now
                .iter()
                .filter(|(name, stamp)| is_complete(name, stamp) && watching.is_new(name, **stamp))
                .map(|(name, stamp)| (name.clone(), *stamp))
                .collect();
            let settled = !now.is_empty() && now.iter().all(|(name, stamp)| is_complete(name, stamp));
            watching.take(console, ready, &now)?;
            if self.once && (settled || (now.is_empty() && !before.is_empty())) {
                break;
            }
            if self.once && now.is_empty() {
                return Err(Error::input("holds no capture").in_file(self.folder.display().to_string()));
            }
            let over = self.r#for.is_some_and(|most| begin.elapsed().as_secs_f64() + self.every > most);
            if over {
                break;
            }
            before = now;
            thread::sleep(pause);
        }
        watching.outcome()
    }
}

/// The folder as it is known so far.
struct Watching<'a> {
    command: &'a Watch,
    settings: Settings,
    page: PathBuf,
    entries: BTreeMap<String, Entry>,
    /// The names in the order in which they were analysed; the latest comes last.
    order: Vec<String>,
}

impl Watching<'_> {
    /// The captures in the folder by their names in it, with their stamps.
    fn look(&self) -> Result<HashMap<String, Stamp>, Error> {
        let folder = &self.command.folder;
        if !folder.is_dir() {
            return Err(Error::input("is gone").in_file(folder.display().to_string()));
        }
        // A folder without captures is one that they are still to come into.
        let (found, _) =
            captures_in(std::slice::from_ref(folder), Some(&self.page.with_extension(""))).unwrap_or_default();
        let stamp = |path: PathBuf| {
            let name = path.strip_prefix(folder).ok()?.to_str()?.to_owned();
            let hidden = name.split(['/', '\\']).any(|part| part.starts_with('.'));
            let about = fs::metadata(&path).ok().filter(|about| about.is_file() && !hidden)?;
            Some((name, (about.len(), about.modified().ok())))
        };
        Ok(found.into_iter().filter_map(stamp).collect())
    }

    fn is_new(&self, name: &str, stamp: Stamp) -> bool {
        self.entries.get(name).is_none_or(|entry| entry.stamp != stamp)
    }

    fn source(&self, name: &str) -> Source {
        Source::new(FileOrigin::named(&self.command.folder.join(name), name))
    }

    /// Analyses what is new, compares what has new references, and renews the report if anything came of it.
    fn take(
        &mut self,
        console: &mut Console,
        ready: Vec<(String, Stamp)>,
        now: &HashMap<String, Stamp>,
    ) -> Result<(), Error> {
        let count = self.entries.len();
        self.entries.retain(|name, _| now.contains_key(name));
        let mut changed = self.entries.len() != count;
        let mut ready = ready;
        ready.sort_by(|a, b| alphanumeric_sort::compare_str(&a.0, &b.0));
        let fresh: Vec<String> = ready.iter().map(|(name, _)| name.clone()).collect();
        for (name, entry) in spread::map(ready, |(name, stamp)| {
            let watched = self.analysed(&name);
            (name, Entry { stamp, watched })
        }) {
            self.order.retain(|other| *other != name);
            self.order.push(name.clone());
            self.entries.insert(name, entry);
        }
        let entries = &self.entries;
        self.order.retain(|name| entries.contains_key(name));
        let compared = self.compare(&fresh);
        changed |= !fresh.is_empty() || !compared.is_empty();
        for name in self.order.clone() {
            if fresh.contains(&name) || compared.contains(&name) {
                self.row(console, &name)?;
            }
        }
        if changed && !self.entries.is_empty() { self.renew() } else { Ok(()) }
    }

    fn analysed(&self, name: &str) -> Watched {
        let source = self.source(name);
        let wants = Wants { periods: Some(Periods::Range), ..Wants::default() };
        let made = observe(&source, &self.settings, wants).and_then(|(inputs, observed)| {
            let row = batch::of_observed(&inputs, &observed, &self.command.bands)?;
            Ok((inputs, row, spectrum::of_observed(&observed)))
        });
        let (inputs, row, spectrum) = match made {
            Ok((inputs, row, spectrum)) => (inputs, row, Some(spectrum)),
            // Read again for the row that says what is wrong.
            Err(_) => {
                let (inputs, row) = batch::row(&source, &self.settings, &self.command.bands);
                (inputs, row, None)
            }
        };
        Watched { inputs, row, spectrum, references: Vec::new(), change: None }
    }

    /// Compares captures whose references are others than before, or have changed; gives their names.
    fn compare(&mut self, fresh: &[String]) -> Vec<String> {
        let mut done: Vec<String> = self
            .entries
            .iter()
            .filter(|(_, entry)| entry.watched.row.status == Status::Done)
            .map(|(name, _)| name.clone())
            .collect();
        sort(&mut done);
        let outside: Vec<String> = self.command.reference.iter().map(|path| path.display().to_string()).collect();
        let inside: Vec<PathBuf> = self.command.reference.iter().filter_map(|path| path.canonicalize().ok()).collect();
        let is_reference =
            |name: &str| self.command.folder.join(name).canonicalize().is_ok_and(|path| inside.contains(&path));
        let mut work: Vec<(String, Vec<String>)> = Vec::new();
        for name in &done {
            let references = match outside.is_empty() {
                true => compared_with(name, &done).into_iter().map(str::to_owned).collect(),
                false if is_reference(name) => Vec::new(),
                false => outside.clone(),
            };
            let old = &self.entries[name].watched.references;
            let renewed = fresh.contains(name) || references.iter().any(|reference| fresh.contains(reference));
            if *old != references || (renewed && !references.is_empty()) {
                work.push((name.clone(), references));
            }
        }
        let compared = spread::map(work, |(name, references)| {
            let from = if outside.is_empty() {
                references.iter().map(|reference| self.source(reference)).collect()
            } else {
                sources(&self.command.reference)
            };
            let settings = Settings { fingerprints: false, ..self.settings.clone() };
            let change = (!references.is_empty()).then(|| {
                what_changed(&from, &[self.source(&name)], &settings, &self.command.bands, Order::Apart)
                    .map(|made| made.1)
                    .map_err(|error| error.to_string().replace("\n  remedy: ", ". Remedy: "))
            });
            (name, references, change)
        });
        let mut names = Vec::new();
        for (name, references, change) in compared {
            if let Some(entry) = self.entries.get_mut(&name) {
                entry.watched.references = references;
                entry.watched.change = change;
                names.push(name);
            }
        }
        names
    }

    fn row(&self, console: &mut Console, name: &str) -> Result<(), Error> {
        let Some(entry) = self.entries.get(name) else { return Ok(()) };
        if let Some(error) = &entry.watched.row.error {
            console.failed(name, error);
        }
        if let Some(Err(why)) = &entry.watched.change {
            console.remark("not compared", &format!("{}: {why}", printable(name)));
        }
        let [wire, wire_change] = cells(&entry.watched, Role::Wire);
        let [air, air_change] = cells(&entry.watched, Role::Air);
        let status = if entry.watched.row.status == Status::Failed { "failed".to_owned() } else { wire.text };
        console.print(&line([printable(name), status, wire_change.text, air.text, air_change.text]))
    }

    /// Makes the report anew.
    fn renew(&mut self) -> Result<(), Error> {
        let keep = self.order.len().saturating_sub(PLOTTED);
        for name in &self.order[..keep] {
            if let Some(entry) = self.entries.get_mut(name) {
                entry.watched.spectrum = None;
            }
        }
        let watched: Vec<Watched> =
            self.order.iter().filter_map(|name| self.entries.get(name)).map(|entry| entry.watched.clone()).collect();
        let folder = self.command.folder.canonicalize().ok();
        let name = folder.as_deref().and_then(Path::file_name).map(|name| name.to_string_lossy().into_owned());
        let made = report(&name.unwrap_or_else(|| "a folder".to_owned()), &watched, &self.settings)?;
        let publication = Publication::prepare("watch", &self.page, &self.command.reference, self.command.force)?;
        made.files.iter().try_for_each(|file| publication.put(file))?;
        let bytes = html(&made.page)?;
        publication.put(&DataFile { path: PAGE.to_owned(), title: "The page".to_owned(), bytes: bytes.clone() })?;
        let about = About { title: made.page.title.clone(), date: None, contributors: Vec::new() };
        publication.finish(&bytes, &package(&about, &publication.entries())?)
    }

    fn outcome(&self) -> Result<Outcome, Error> {
        let failed =
            |entry: &Entry| entry.watched.row.status == Status::Failed || matches!(entry.watched.change, Some(Err(_)));
        let failures = self.entries.values().filter(|entry| failed(entry)).count();
        let all = self.entries.values().filter(|entry| entry.watched.row.status == Status::Failed).count();
        if all > 0 && all == self.entries.len() {
            return Err(Error::input("none of the captures could be analysed").remedy("see the reasons above"));
        }
        Ok(if failures == 0 { Outcome::Done } else { Outcome::Partly })
    }
}

/// A row on the terminal; a name that is too long for its column pushes the others.
fn line(texts: [String; 5]) -> String {
    let padded = texts.into_iter().zip(WIDTHS).map(|(text, width)| {
        let blanks = width.saturating_sub(text.chars().count());
        format!("{text}{}", " ".repeat(blanks))
    });
    format!("{}\n", padded.collect::<Vec<_>>().join("  ").trim_end())
}
