//! A batch that survives: rows go to a journal as captures finish, and the results are made from the journal.
//!
//! So there is one way out for Ctrl-C, kill -9, a full disk and a loss of power, and one way back in.

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use super::artefacts::Artefacts;
use super::held::{Fate, Watched, fate};
use super::journal::{self, Entry, Head, Journal};
use super::terminal::Console;
use super::{Outcome, tables};
use crate::analysis::batch::row;
use crate::analysis::settings::Settings;
use crate::capture::Role;
use crate::compare::ranking::{Candidate, rank};
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::report::rows::Record;
use crate::spread::{self, Shard};

/// A capture that fails and was changed less than this ago may still be being written.
const YOUNG: Duration = Duration::from_secs(5);
/// The wait before captures that may have been incomplete are looked at again.
const PAUSE: Duration = Duration::from_secs(1);
/// So many failures are named one by one.
const MOST_NAMED: usize = 20;

/// Where a campaign goes and how.
#[derive(Debug)]
pub(super) struct Campaign {
    pub(super) results: PathBuf,
    pub(super) resume: bool,
    pub(super) retries: u32,
}

/// How captures are analysed.
pub(super) struct Method<'a> {
    pub(super) settings: &'a Settings,
    pub(super) scheme: &'a Scheme,
}

/// What was done with one capture.
enum Tried {
    Done(Entry),
    /// It may still be being written.
    Unsettled(String),
}

/// What a run did, in counts.
#[derive(Debug, Default)]
struct Counts {
    now: usize,
    again: usize,
    kept: usize,
    gone: usize,
}

impl Campaign {
    /// Does what is left to do, and makes the results.
    ///
    /// `captures` are all captures in natural order, those of other shards included.
    ///
    /// # Errors
    /// A results folder that holds something else, a full disk.
    pub(super) fn run(
        &self,
        console: &mut Console,
        head: Head,
        captures: Vec<String>,
        method: &Method<'_>,
    ) -> Result<Outcome, Error> {
        let shard = head.shard();
        let mut journal = Journal::open(&self.results, head, self.resume)?;
        if journal.damaged > 0 {
            console.remark(
                "note",
                &format!(
                    "{} damaged lines of the journal were passed over; their captures are done again",
                    journal.damaged
                ),
            );
        }
        let mut counts = Counts::default();
        let mut work = Vec::new();
        for name in captures.iter().filter(|name| shard.holds_name(name)) {
            match self.left_to_do(&mut journal, name)? {
                Left::Nothing => counts.kept += 1,
                Left::Gone => counts.gone += 1,
                Left::Again => {
                    counts.again += 1;
                    work.push(name.clone());
                }
                Left::All => {
                    counts.now += 1;
                    work.push(name.clone());
                }
            }
        }
        let all: HashSet<&str> = captures.iter().map(String::as_str).collect();
        self.work(console, &mut journal, work, &all, method)?;
        journal.sync()?;
        let mut said = vec![format!("{} analysed now", captures_in_words(counts.now + counts.again))];
        if counts.again > 0 {
            said.push(format!("{} of them again, because their files have changed", counts.again));
        }
        if counts.kept > 0 {
            said.push(format!("{} were in the journal already", counts.kept));
        }
        if counts.gone > 0 {
            said.push(format!("{} of the journal are not there any more, and their rows stay", counts.gone));
        }
        console.sentences(&[format!("{}.", said.join("; "))])?;
        make(console, &self.results, &mut journal)
    }

    fn left_to_do(&self, journal: &mut Journal, name: &str) -> Result<Left, Error> {
        let Some(entry) = journal.entry(name)? else { return Ok(Left::All) };
        match fate(Path::new(name), &entry.files) {
            Ok(Fate::Same) => Ok(Left::Nothing),
            Ok(Fate::Touched(files)) => {
                journal.append(&Entry { files, ..entry })?;
                Ok(Left::Nothing)
            }
            Ok(Fate::Gone) => Ok(Left::Gone),
            // What cannot be read is said by the analysis.
            Ok(Fate::Changed) | Err(_) => Ok(Left::Again),
        }
    }

    /// Analyses captures and adds them to the journal as they finish. Those that may still be being written are tried
    /// again when all others are done.
    fn work(
        &self,
        console: &mut Console,
        journal: &mut Journal,
        mut work: Vec<String>,
        all: &HashSet<&str>,
        method: &Method<'_>,
    ) -> Result<(), Error> {
        for round in 0..=self.retries {
            if work.is_empty() {
                break;
            }
            if round > 0 {
                console.remark(
                    "note",
                    &format!("{} may still be being written; looking again", captures_in_words(work.len())),
                );
                thread::sleep(PAUSE);
            }
            let is_last = round == self.retries;
            let progress = console.progress(work.len());
            let mut unsettled = Vec::new();
            let done = |tried| {
                progress.step();
                match tried {
                    Tried::Done(entry) => journal.append(&entry),
                    Tried::Unsettled(name) => {
                        unsettled.push(name);
                        Ok(())
                    }
                }
            };
            let ended = spread::each(work, |name| method.entry(name, all, is_last), done);
            drop(progress);
            ended?;
            work = unsettled;
        }
        Ok(())
    }
}

/// What is left to do for a capture.
enum Left {
    Nothing,
    All,
    Again,
    Gone,
}

impl Method<'_> {
    fn entry(&self, name: String, all: &HashSet<&str>, is_last: bool) -> Tried {
        let watched = Watched::new(Path::new(&name));
        let (inputs, row) = row(&watched.source, self.settings, self.scheme);
        let stamps = watched.stamps(&inputs);
        if !is_last && (stamps.is_none() || row.error.is_some() && watched.is_younger_than(YOUNG)) {
            return Tried::Unsettled(name);
        }
        let mut record = Record::of(&inputs, &row);
        // A file of a pair may stand for the other one; rows go by the name that was asked for.
        record.path = name;
        let input = inputs.iter().find(|input| input.path == watched.source.name());
        record.sha256 = input.and_then(|input| input.sha256.clone());
        record.bytes = input.map(|input| input.bytes);
        if stamps.is_none() {
            let error = Error::input("changed while it was read").in_file(record.path.clone());
            record.error = Some(error.remedy("wait until it is complete, then give --resume").to_string());
            record.channels.clear();
        }
        let companion = inputs.iter().map(|input| input.path.as_str()).find(|path| *path != watched.source.name());
        record.companion = companion.filter(|_| self.settings.air_file.is_none()).map(str::to_owned);
        let is_second =
            record.companion.as_deref().is_some_and(|other| all.contains(other) && comes_first(other, &record.path));
        Tried::Done(Entry { record, is_second, files: stamps.unwrap_or_default() })
    }
}

fn captures_in_words(count: usize) -> String {
    if count == 1 { "1 capture".to_owned() } else { format!("{count} captures") }
}

fn comes_first(one: &str, other: &str) -> bool {
    let mut names = [one.to_owned(), other.to_owned()];
    super::captures::sort(&mut names);
    names[0] == one
}

/// Makes the results of all shards of a folder again, from their journals alone.
///
/// # Errors
/// A folder without a journal, a full disk.
pub(super) fn remake(console: &mut Console, results: &Path) -> Result<Outcome, Error> {
    let journals = journal::all_in(results);
    if journals.is_empty() {
        return Err(Error::usage("holds no journal of a campaign")
            .in_file(results.display().to_string())
            .remedy("name the captures to begin one"));
    }
    let mut outcome = Outcome::Done;
    for path in journals {
        if make(console, results, &mut Journal::found(&path)?)? != Outcome::Done {
            outcome = Outcome::Partly;
        }
    }
    Ok(outcome)
}

/// Makes the results of a journal, and says what is in them.
fn make(console: &mut Console, results: &Path, journal: &mut Journal) -> Result<Outcome, Error> {
    let shard = journal.head.shard();
    let fingerprint = journal.head.fingerprint.clone();
    let mut artefacts = Artefacts::begin(results, shard, &fingerprint)?;
    let mut summary = Summary::default();
    for name in journal.names() {
        let Some(Entry { record, is_second, .. }) = journal.entry(&name)? else { continue };
        let first_is_here =
            record.companion.as_deref().is_some_and(|other| journal.holds(other) && comes_first(other, &name));
        if is_second || first_is_here {
            continue;
        }
        artefacts.push(&record)?;
        summary.add(console, record);
    }
    let paths = artefacts.finish()?;
    summary.say(console, shard, &paths)
}

/// What the rows of a campaign come to.
#[derive(Debug, Default)]
struct Summary {
    captures: usize,
    failed: usize,
    warnings: BTreeMap<String, usize>,
    candidates: Vec<Candidate>,
    units: BTreeMap<Role, String>,
}

impl Summary {
    fn add(&mut self, console: &mut Console, record: Record) {
        self.captures += 1;
        if let Some(error) = &record.error {
            self.failed += 1;
            if self.failed <= MOST_NAMED {
                console.failed(&record.path, error);
            }
        }
        for code in &record.warnings {
            *self.warnings.entry(code.clone()).or_default() += 1;
        }
        for channel in record.channels {
            let role = [Role::Wire, Role::Air].into_iter().find(|role| role.name() == channel.role);
            let Some((role, total_db)) = role.zip(channel.bands.last().and_then(|total| total.level_db)) else {
                continue;
            };
            let [low, high] = channel.ci95_db;
            let ci95_db = (low.is_some() || high.is_some())
                .then(|| [low.unwrap_or(f64::NEG_INFINITY), high.unwrap_or(f64::INFINITY)]);
            let path = record.path.clone();
            self.candidates.push(Candidate { path, role, total_db, ci95_db, mostly_floor: channel.mostly_floor });
            self.units.entry(role).or_insert(channel.unit);
        }
    }

    fn say(self, console: &mut Console, shard: Shard, paths: &[PathBuf]) -> Result<Outcome, Error> {
        if self.failed > MOST_NAMED {
            console.remark("error", &format!("{} more captures failed; their rows say why", self.failed - MOST_NAMED));
        }
        let of_shard = if shard.of > 1 { format!(" in shard {} of {}", shard.number, shard.of) } else { String::new() };
        let mut sentences = vec![match self.failed {
            0 => format!("{}{of_shard}, all analysed.", captures_in_words(self.captures)),
            failed => format!("{}{of_shard}; {failed} could not be analysed.", captures_in_words(self.captures)),
        }];
        if !self.warnings.is_empty() {
            let counts: Vec<String> = self.warnings.iter().map(|(code, count)| format!("{code} {count}")).collect();
            sentences.push(format!("Captures by finding: {}.", counts.join(", ")));
        }
        for path in paths {
            sentences.push(format!("Rows: {}", path.display()));
        }
        console.sentences(&sentences)?;
        let ranks = rank(self.candidates);
        for (role, unit) in &self.units {
            console.table(&tables::leaders(*role, unit, ranks.iter().filter(|rank| rank.role == *role)))?;
        }
        Ok(if self.failed == 0 { Outcome::Done } else { Outcome::Partly })
    }
}
