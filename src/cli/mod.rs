//! The command line: arguments to a checked plan, one file a command. The only room that prints, and the only one
//! that knows the file system.

mod added;
mod artefacts;
mod bands;
mod batch;
mod calibrate;
mod campaign;
mod captures;
mod compare;
#[cfg(not(target_family = "wasm"))]
mod completions;
mod convert;
mod coupling;
mod demo;
mod doctor;
mod emissions;
mod files;
mod guide;
mod held;
mod inspect;
mod journal;
mod levels;
#[cfg(not(target_family = "wasm"))]
mod manual;
mod mitigate;
mod options;
mod output;
mod over_time;
#[cfg(not(target_family = "wasm"))]
mod page;
mod phase_map;
mod plan;
mod publication;
mod receiver;
mod response;
#[cfg_attr(target_family = "wasm", path = "in_browser/screen.rs")]
mod screen;
mod setup;
mod spectrum;
mod survey;
#[cfg_attr(target_family = "wasm", path = "in_browser/temporary.rs")]
mod temporary;
mod terminal;
mod transients;
#[cfg(not(target_family = "wasm"))]
mod watch;
mod waveform;
mod whole;

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{ArgMatches, Args};
use serde::Serialize;
use serde_json::{Map, Value};

use terminal::Console;

use crate::analysis::compare::Order;
use crate::analysis::pipeline::Spectral;
use crate::analysis::settings::Settings;
use crate::error::Error;
use crate::read::Source;
use crate::report::tables;
use crate::spread;

/// How a command ended when it did not fail as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// All done.
    Done,
    /// Done, but some inputs failed; each was named.
    Partly,
    /// Done, and a value is over what `--fail-on` allows; each was named.
    Over,
}

/// A command line, and what it answers: a question, or what the line is for.
struct Example {
    answers: &'static str,
    line: &'static str,
}

/// A command: its arguments, and what it does with them.
trait Run: Args {
    /// Two or three command lines, shown below the options.
    const EXAMPLES: &'static [Example];

    /// Does the work. What it finds goes to standard output, what it has to say besides to standard error.
    fn run(self, console: &mut Console) -> Result<Outcome, Error>;
}

/// A row of the table of commands.
struct Command {
    name: &'static str,
    arguments: fn(clap::Command) -> clap::Command,
    examples: &'static [Example],
    run: fn(&ArgMatches, &mut Console) -> Result<Outcome, Error>,
}

impl Command {
    const fn of<T: Run>(name: &'static str) -> Self {
        Self {
            name,
            arguments: T::augment_args,
            examples: T::EXAMPLES,
            run: |matches, console| T::from_arg_matches(matches).map_err(|e| Error::usage(e.to_string()))?.run(console),
        }
    }

    /// What the parser knows of it.
    fn parser(&self) -> clap::Command {
        let examples = self.examples.iter().map(|Example { answers, line }| format!("  {answers}\n      {line}"));
        let examples = format!("Examples:\n{}\n\n{CAUTION}", examples.collect::<Vec<_>>().join("\n"));
        (self.arguments)(clap::Command::new(self.name)).after_help(examples)
    }
}

/// All commands, in the order of the work.
const COMMANDS: &[Command] = &[
    Command::of::<inspect::Inspect>("inspect"),
    Command::of::<waveform::Waveform>("waveform"),
    Command::of::<spectrum::Spectrum>("spectrum"),
    Command::of::<bands::Bands>("bands"),
    Command::of::<compare::Compare>("compare"),
    Command::of::<added::Added>("added"),
    Command::of::<coupling::Coupling>("coupling"),
    Command::of::<phase_map::PhaseMap>("phase-map"),
    Command::of::<emissions::Emissions>("emissions"),
    Command::of::<transients::Transients>("transients"),
    Command::of::<receiver::Receiver>("receiver"),
    Command::of::<batch::Batch>("batch"),
    Command::of::<over_time::Merge>("merge"),
    Command::of::<survey::Survey>("survey"),
    // A page has no shell, no manual and no other page, and nothing comes into its folder by itself.
    #[cfg(not(target_family = "wasm"))]
    Command::of::<watch::Watch>("watch"),
    Command::of::<convert::Convert>("convert"),
    Command::of::<levels::Levels>("levels"),
    Command::of::<setup::Setup>("setup"),
    Command::of::<plan::Plan>("plan"),
    Command::of::<calibrate::Calibrate>("calibrate"),
    Command::of::<response::Response>("response"),
    Command::of::<mitigate::Mitigate>("mitigate"),
    Command::of::<demo::Demo>("demo"),
    Command::of::<guide::Guide>("guide"),
    #[cfg(not(target_family = "wasm"))]
    Command::of::<page::Page>("page"),
    Command::of::<doctor::Doctor>("doctor"),
    #[cfg(not(target_family = "wasm"))]
    Command::of::<completions::Completions>("completions"),
    #[cfg(not(target_family = "wasm"))]
    Command::of::<manual::Manual>("manual"),
];

const ABOUT: &str = "High-frequency noise on mains wiring, 2 to 150 kHz: what is there, what a load adds, what a filter \
                     changed, each difference with its uncertainty";

const AFTER_HELP: &str = "\
FILE may be - for standard input, once. Frequencies take k or M: 2k, 150k, 1.5M. Levels are 20 log10(rms / 1e-6 U), as in dBµV.
Exit status: 0 all done; 1 done, but some inputs failed; 2 nothing done, or --fail-on could not be judged;
3 a value is over what --fail-on allows.";

/// Below the help of every command, for each of them may be the only one that is read.
const CAUTION: &str = "\
Mains can kill. Use isolated or differential probes of the right measurement category; never float the scope;
plug-in capacitors carry mains current; work is for qualified persons, and local codes come first. What this
program prints is an indication from a field capture: no conformity assessment, and nothing about health.";

/// The whole command line as the parser sees it; completions and manual pages can be made from it.
pub fn parser() -> clap::Command {
    let base = clap::Command::new(env!("CARGO_PKG_NAME"))
        .version(env!("CARGO_PKG_VERSION"))
        .about(ABOUT)
        .after_help(format!("{AFTER_HELP}\n\n{CAUTION}"))
        .subcommand_required(true)
        .arg_required_else_help(true);
    COMMANDS.iter().fold(base, |base, command| base.subcommand(command.parser()))
}

/// Runs the program with its arguments (the first one is the program's own name) and gives its exit status.
pub fn main(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let from_standard_input = arguments.iter().filter(|argument| *argument == files::STANDARD_INPUT).count();
    let matches = match parser().try_get_matches_from(arguments) {
        Ok(matches) => matches,
        Err(error) => {
            // Help and version are no errors; they come this way all the same. A closed pipe is nobody's loss.
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    let mut console = Console::new();
    if from_standard_input > 1 {
        let error = Error::usage(format!("\"-\" stands for standard input and is given {from_standard_input} times"))
            .expected("it once: what was read is gone")
            .remedy("save the captures as files");
        console.error(&error);
        return ExitCode::from(2);
    }
    let outcome = matches
        .subcommand()
        .and_then(|(name, matches)| Some((COMMANDS.iter().find(|command| command.name == name)?, matches)))
        .map(|(command, matches)| (command.run)(matches, &mut console));
    match outcome {
        Some(Ok(Outcome::Done)) => ExitCode::SUCCESS,
        Some(Ok(Outcome::Partly)) => ExitCode::from(1),
        Some(Ok(Outcome::Over)) => ExitCode::from(3),
        Some(Err(error)) => {
            console.error(&error);
            ExitCode::from(2)
        }
        None => ExitCode::from(2),
    }
}

/// Works on each file by itself: what fails is named and left out; when all fail, nothing was done.
fn each_file<T: Send>(
    console: &mut Console,
    files: &[PathBuf],
    work: impl Fn(&Source) -> Result<T, Error> + Sync + Send,
) -> Result<(Vec<T>, Outcome), Error> {
    let results = spread::map(console.captures(files), |source| work(&source));
    let count = results.len();
    let mut done = Vec::with_capacity(count);
    for result in results {
        match result {
            Ok(value) => done.push(value),
            Err(error) if count == 1 => return Err(error),
            Err(error) => console.error(&error),
        }
    }
    match done.len() {
        0 => Err(Error::input("none of the files could be analysed").remedy("see the reasons above")),
        all if all == count => Ok((done, Outcome::Done)),
        _ => Ok((done, Outcome::Partly)),
    }
}

/// The settings in force as a JSON object with one more entry.
fn with(settings: &Settings, name: &str, value: &impl Serialize) -> Result<Map<String, Value>, Error> {
    let mut map = json_object(settings)?;
    map.insert(name.to_owned(), json(value)?);
    Ok(map)
}

/// The settings in force with what follows from them for the first capture: segment, bins, bandwidth, averages.
fn with_spectral(settings: &Settings, spectral: &Spectral) -> Result<Map<String, Value>, Error> {
    let mut map = json_object(settings)?;
    map.extend(json_object(spectral)?);
    Ok(map)
}

fn json_object(value: &impl Serialize) -> Result<Map<String, Value>, Error> {
    match json(value)? {
        Value::Object(map) => Ok(map),
        other => Err(Error::output(format!("settings are an object, not {other}"))),
    }
}

fn json(value: &impl Serialize) -> Result<Value, Error> {
    serde_json::to_value(value).map_err(|e| Error::output(format!("the settings cannot be put into JSON: {e}")))
}

/// What `--paired` says of how the captures were taken.
fn order(paired: bool) -> Order {
    if paired { Order::InPairs } else { Order::Apart }
}
