use std::path::{Path, PathBuf};

use clap::Args;

use super::files::{Together, source};
use super::options::{Mains, ReadingOptions, mains};
use super::terminal::Console;
use super::{Example, Outcome, Run};
use crate::analysis::convert::{Conversion, Wanted, convert};
use crate::error::{Error, printable};
use crate::report::document::Document;
use crate::write::{Samples, WRITERS, Writer};

/// The same samples in another open container.
///
/// The ending of OUT picks it: .csv, .npy, .wav, .cfg (COMTRADE, with .dat beside it), .cff, .raw, .parquet where this
/// build has it. What is written is what is read with the options given. Samples keep every bit, or the work is refused;
/// what is written is read back and compared before it is put in its place. A file OUT.toml beside it holds what the
/// container cannot say: names, units, roles, clock, history.
#[derive(Debug, Args)]
pub(super) struct Convert {
    /// The capture
    #[arg(value_name = "IN")]
    input: PathBuf,
    /// The file to write
    #[arg(value_name = "OUT")]
    output: PathBuf,
    /// The container, whatever OUT ends in: comtrade, csv, npy, parquet, raw, wav
    #[arg(long, value_name = "NAME", help_heading = "Writing")]
    format: Option<String>,
    /// The type of the samples: i16, i24, i32, f32, f64, text [default: the smallest that keeps every bit]
    #[arg(long, value_name = "TYPE", help_heading = "Writing")]
    samples: Option<Samples>,
    /// Let samples be rounded to the type asked for, and say by how much
    #[arg(long, requires = "samples", help_heading = "Writing")]
    lossy: bool,
    /// The nominal mains frequency for containers that state it: 50, 60, or auto for not known
    #[arg(long, value_name = "50|60|auto", default_value = "auto", value_parser = mains, help_heading = "Writing")]
    mains: Mains,
    #[command(flatten)]
    reading: ReadingOptions,
    /// Print one JSON document instead of sentences
    #[arg(long, help_heading = "Output")]
    json: bool,
    /// Replace files that are there already
    #[arg(long, help_heading = "Output")]
    force: bool,
}

/// What was asked for, as a document shows it.
#[derive(serde::Serialize)]
struct Asked {
    format: &'static str,
    samples: Option<&'static str>,
    lossy: bool,
    command_line: String,
}

/// What was written, as a document shows it.
#[derive(serde::Serialize)]
struct Body<'a> {
    files: &'a [String],
    #[serde(flatten)]
    conversion: &'a Conversion,
}

impl Run for Convert {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "The same samples for an audio program",
            line: "linewake convert demo/captures/led-panel-on-1.csv led-panel.wav",
        },
        Example {
            answers: "In single precision, and how much is lost by that?",
            line: "linewake convert demo/captures/led-panel-on-1.csv led-panel.npy --samples f32 --lossy",
        },
        Example {
            answers: "For a program that reads COMTRADE",
            line: "linewake convert demo/captures/led-panel-on-1.csv led-panel.cff --mains 50",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let writer = self.writer()?;
        let name = self.output.file_name().and_then(|name| name.to_str()).ok_or_else(|| {
            Error::usage("is no name of a file").in_file(self.output.display().to_string()).expected("a name in UTF-8")
        })?;
        let mut settings = self.reading.settings();
        settings.mains = self.mains.0;
        let inputs: Vec<&Path> = [Some(&*self.input), self.reading.air_file()].into_iter().flatten().collect();
        let names = writer.files(name);
        let mut together = Together::prepare(&self.output, &names, &inputs, self.force)?;
        let command = command_line();
        let wanted = Wanted { writer, name, samples: self.samples, lossy: self.lossy, command: &command };
        let progress = console.samples();
        let staged = together.staged(name);
        let conversion =
            convert(&source(&self.input), &settings, &wanted, &mut together.folder(), || source(&staged), &|step| {
                progress.at(step.done, step.of)
            });
        drop(progress);
        let conversion = conversion?;
        together.put()?;
        let files: Vec<String> =
            names.iter().map(|name| self.output.with_file_name(name).display().to_string()).collect();
        if self.json {
            let samples = self.samples.map(Samples::name);
            let settings = Asked { format: writer.name, samples, lossy: self.lossy, command_line: command.clone() };
            let body = Body { files: &files, conversion: &conversion };
            console.print(&Document::new("convert", settings, &conversion.inputs, body).to_text()?)?;
        } else {
            console.sentences(&sentences(&files, &conversion))?;
        }
        Ok(Outcome::Done)
    }
}

impl Convert {
    /// The container asked for.
    fn writer(&self) -> Result<&'static Writer, Error> {
        let ending = self.output.extension().map(|ending| ending.to_string_lossy().into_owned()).unwrap_or_default();
        let (found, asked) = match &self.format {
            Some(name) => (Writer::named(name), format!("--format {}", printable(name))),
            None => (Writer::of_ending(&ending), format!("the ending \".{}\" of the output", printable(&ending))),
        };
        found.ok_or_else(|| {
            let known: Vec<String> =
                WRITERS.iter().map(|writer| format!("{} (.{})", writer.name, writer.extensions.join(", ."))).collect();
            let error = Error::usage(format!("{asked} names no container that this build writes"))
                .expected(format!("one of: {}", known.join(", ")));
            let columnar = asked.contains("parquet");
            if columnar { error.remedy("Parquet comes with a build with --features columnar") } else { error }
        })
    }
}

/// The command line as it was given, parts with blanks in quotes.
fn command_line() -> String {
    let quoted = |part: String| if part.contains(char::is_whitespace) { format!("'{part}'") } else { part };
    let given = std::env::args_os().skip(1).map(|part| quoted(part.to_string_lossy().into_owned()));
    std::iter::once(env!("CARGO_PKG_NAME").to_owned()).chain(given).collect::<Vec<_>>().join(" ")
}

fn sentences(files: &[String], conversion: &Conversion) -> Vec<String> {
    let Conversion { format, sample_type, samples, channels, sample_rate_hz, read_back, .. } = conversion;
    let names: Vec<String> = files.iter().map(|file| printable(file)).collect();
    let named: Vec<String> =
        channels.iter().map(|channel| format!("\"{}\" in {}", printable(&channel.name), channel.unit)).collect();
    let mut sentences = vec![
        format!("{samples} samples of {} at {sample_rate_hz} Hz, as {format} ({sample_type}).", named.join(", ")),
        format!("Written: {}. Keep them together.", names.join(", ")),
    ];
    let rounded: Vec<String> = channels
        .iter()
        .filter(|channel| channel.largest_deviation > 0.0)
        .map(|channel| {
            format!("\"{}\" by at most {:e} {}", printable(&channel.name), channel.largest_deviation, channel.unit)
        })
        .collect();
    sentences.push(match (read_back, rounded.is_empty()) {
        (false, _) => "This build has no reader for it, so that it was not read back.".to_owned(),
        (true, true) => "Read back and compared: every sample has the same bits.".to_owned(),
        (true, false) => format!("Read back and compared; rounded: {}.", rounded.join(", ")),
    });
    sentences
}
