//! Recordings to bytes: one file a container, and the table that names them all.
//!
//! A writer is given what is known of a recording, its blocks and a [`Folder`] in which it may make files; it never
//! opens one by itself and never holds more than some blocks. Which types of samples lose nothing is found in a pass of
//! its own ([`Survey`]). What a container cannot say of a recording goes into a [`sidecar`] that the reader takes up.

mod comtrade;
mod csv;
mod npy;
#[cfg(feature = "columnar")]
mod parquet;
mod raw;
mod samples;
mod sidecar;
mod survey;
mod wav;

pub use samples::Samples;
pub use sidecar::sidecar;
pub use survey::{ChannelSurvey, Survey};

use std::io::{self, Seek, Write};

use crate::capture::{Block, Channel, Header, Quantity, Recording};
use crate::error::Error;

/// What a writer writes into.
pub trait Sink: Write + Seek + Send {}

impl<T: Write + Seek + Send> Sink for T {}

/// Where files come into being: a folder of the command line, or memory.
pub trait Folder {
    /// Makes a file by its bare name.
    ///
    /// # Errors
    /// Whatever the system answers.
    fn create(&mut self, name: &str) -> io::Result<Box<dyn Sink>>;
}

/// A container: what it is called, what it holds, how it is written.
#[derive(Debug, Clone, Copy)]
pub struct Writer {
    /// The word for options, tables and JSON; the reader of the same container has the same name.
    pub name: &'static str,
    /// What it is, in a few words.
    pub about: &'static str,
    /// The endings of file names that ask for it, without the dot.
    pub extensions: &'static [&'static str],
    /// The types that its samples can have; the first that loses nothing is taken.
    pub samples: &'static [Samples],
    /// Whether whole numbers are the first choice for such a quantity; otherwise they are written when asked for.
    whole: fn(quantity: &Quantity) -> bool,
    /// What one unit of a whole number is worth, as a power of two.
    step: fn(samples: Samples, channel: &ChannelSurvey) -> i32,
    /// Numbers above this amount would be read as something else.
    largest: f64,
    /// The most channels that it, or its reader, holds.
    most_channels: usize,
    /// The files that it makes for a name.
    files: fn(name: &str) -> Vec<String>,
    /// What its sidecar says besides, from within the section `[read]` on.
    explains: fn(job: &Job<'_>) -> String,
    /// Writes the files.
    write: fn(job: &Job<'_>, blocks: &mut Blocks<'_>, folder: &mut dyn Folder) -> Result<(), Error>,
}

/// All containers. A new one is a file and a line here.
pub const WRITERS: &[Writer] = &[
    comtrade::WRITER,
    csv::WRITER,
    npy::WRITER,
    #[cfg(feature = "columnar")]
    parquet::WRITER,
    raw::WRITER,
    wav::WRITER,
];

/// A file that a recording came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin {
    /// Its name as the user gave it.
    pub name: String,
    /// Its length.
    pub bytes: u64,
    /// The SHA-256 of its bytes.
    pub sha256: String,
}

/// How a recording came to be what is written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct History {
    /// The files that it came from.
    pub origins: Vec<Origin>,
    /// The command line.
    pub command: String,
}

/// What is to be written.
#[derive(Debug, Clone, Copy)]
pub struct Job<'a> {
    /// The bare name of the file.
    pub name: &'a str,
    /// What is known of the recording.
    pub header: &'a Header,
    /// What its samples need.
    pub survey: &'a Survey,
    /// The type of the samples.
    pub samples: Samples,
    /// The nominal mains frequency, where it is known.
    pub mains_hz: Option<f64>,
    /// How it came to be.
    pub history: &'a History,
}

impl Writer {
    /// The container that an ending of a name asks for.
    pub fn of_ending(ending: &str) -> Option<&'static Writer> {
        WRITERS.iter().find(|writer| writer.extensions.iter().any(|own| own.eq_ignore_ascii_case(ending)))
    }

    /// The container of a name.
    pub fn named(name: &str) -> Option<&'static Writer> {
        WRITERS.iter().find(|writer| writer.name.eq_ignore_ascii_case(name))
    }

    /// The files that come into being for a name, the one to be read first, the sidecar last.
    pub fn files(&self, name: &str) -> Vec<String> {
        let mut files = (self.files)(name);
        files.push(format!("{name}.toml"));
        files
    }

    /// The type of samples that loses nothing.
    ///
    /// # Errors
    /// None does, or there are more channels than the container holds.
    pub fn choose(&self, header: &Header, survey: &Survey) -> Result<Samples, Error> {
        let wanted = |samples: &&Samples| {
            let whole = header.channels.iter().all(|channel| (self.whole)(&channel.quantity));
            (samples.bits().is_none() || whole) && self.keeps(**samples, survey)
        };
        self.check(header)?;
        self.samples.iter().find(wanted).copied().ok_or_else(|| {
            Error::usage(format!("{} cannot hold these samples without loss", self.name))
                .expected(format!("a container that can: {}", containers(survey)))
        })
    }

    /// Checks a type of samples that the user asks for.
    ///
    /// # Errors
    /// A type that the container has not; one that loses something, unless `lossy`; one that cannot reach the values.
    pub fn check_samples(&self, samples: Samples, lossy: bool, header: &Header, survey: &Survey) -> Result<(), Error> {
        self.check(header)?;
        let wanted = format!("--samples {}", samples.name());
        if !self.samples.contains(&samples) {
            let names: Vec<&str> = self.samples.iter().map(|samples| samples.name()).collect();
            return Err(Error::usage(format!("{wanted}: {} has no such samples", self.name))
                .expected(format!("one of: {}", names.join(", "))));
        }
        if self.keeps(samples, survey) {
            return Ok(());
        }
        let beyond = |(at, channel): (usize, &ChannelSurvey)| {
            let reaches = channel.size() <= self.largest && channel.reaches(samples, (self.step)(samples, channel));
            (!reaches).then(|| &header.channels[at])
        };
        if let Some(Channel { name, .. }) = survey.channels.iter().enumerate().find_map(beyond) {
            let name = crate::error::printable(name);
            return Err(Error::usage(format!(
                "{wanted}: samples of \"{name}\" are beyond what {} holds in it",
                self.name
            ))
            .remedy(format!("leave --samples out, or take one of: {}", containers(survey))));
        }
        if lossy {
            return Ok(());
        }
        Err(Error::usage(format!("{wanted} would change samples by rounding"))
            .remedy("leave --samples out, or give --lossy to have them rounded"))
    }

    fn check(&self, header: &Header) -> Result<(), Error> {
        let count = header.channels.len();
        if count <= self.most_channels {
            return Ok(());
        }
        Err(Error::usage(format!("{count} channels, where {} holds {}", self.name, self.most_channels))
            .remedy("pick some with --channels, or write csv"))
    }

    /// Whether a type of samples keeps every bit.
    fn keeps(&self, samples: Samples, survey: &Survey) -> bool {
        survey
            .channels
            .iter()
            .all(|channel| channel.size() <= self.largest && channel.keeps(samples, (self.step)(samples, channel)))
    }

    /// Writes a recording with its sidecar. `progress` hears how many samples a channel are done.
    ///
    /// # Errors
    /// What the reader finds wrong; what the system answers; a recording that has changed since it was surveyed.
    pub fn write(
        &self,
        job: &Job<'_>,
        recording: &mut dyn Recording,
        folder: &mut dyn Folder,
        progress: &dyn Fn(u64),
    ) -> Result<(), Error> {
        let mut blocks = Blocks { recording, given: 0, promised: job.survey.samples, progress };
        (self.write)(job, &mut blocks, folder)?;
        let name = format!("{}.toml", job.name);
        let text = sidecar(job, &(self.explains)(job));
        fill(folder, &name, |sink| sink.write_all(text.as_bytes()).map_err(|error| failed(&name, &error)))
    }
}

/// The containers that keep every bit.
fn containers(survey: &Survey) -> String {
    let keeps = |writer: &&Writer| writer.samples.iter().any(|samples| writer.keeps(*samples, survey));
    let names: Vec<&str> = WRITERS.iter().filter(keeps).map(|writer| writer.name).collect();
    names.join(", ")
}

/// A recording on its way into a file: its blocks, counted.
pub(crate) struct Blocks<'a> {
    recording: &'a mut dyn Recording,
    given: u64,
    promised: u64,
    progress: &'a dyn Fn(u64),
}

impl Blocks<'_> {
    /// The next block; `None` after the last one.
    fn next(&mut self) -> Result<Option<Block>, Error> {
        let block = self.recording.next_block()?;
        self.given += block.as_ref().map_or(0, |block| block.len() as u64);
        (self.progress)(self.given);
        if self.given > self.promised || block.is_none() && self.given < self.promised {
            return Err(Error::input("changed while it was converted")
                .in_file(self.recording.header().path.clone())
                .expected(format!("{} samples a channel, as before", self.promised)));
        }
        Ok(block)
    }
}

/// A system error as an [`Error`] that names the file.
fn failed(name: &str, error: &io::Error) -> Error {
    Error::output(format!("cannot be written: {error}"))
        .in_file(name)
        .remedy("check the folder, its permissions and the free space")
}

/// Makes a file and fills it; what the system answers names the file.
fn fill(
    folder: &mut dyn Folder,
    name: &str,
    fill: impl FnOnce(&mut dyn Sink) -> Result<(), Error>,
) -> Result<(), Error> {
    let mut sink = folder.create(name).map_err(|error| failed(name, &error))?;
    fill(&mut *sink)?;
    sink.flush().map_err(|error| failed(name, &error))
}

/// Writes the samples of all blocks interleaved: for each instant one number of each channel.
fn interleaved(job: &Job<'_>, writer: &Writer, blocks: &mut Blocks<'_>, sink: &mut dyn Sink) -> Result<(), Error> {
    let steps: Vec<i32> = job.survey.channels.iter().map(|channel| (writer.step)(job.samples, channel)).collect();
    let mut bytes = Vec::new();
    while let Some(block) = blocks.next()? {
        bytes.clear();
        for instant in block.samples.columns() {
            for (value, step) in instant.iter().zip(&steps) {
                job.samples.put(*value, *step, &mut bytes);
            }
        }
        sink.write_all(&bytes).map_err(|error| failed(job.name, &error))?;
    }
    Ok(())
}

/// One file of the very name.
fn one_file(name: &str) -> Vec<String> {
    vec![name.to_owned()]
}

/// The quantity of a converter's own numbers.
fn is_codes(quantity: &Quantity) -> bool {
    *quantity == Quantity::Codes
}
