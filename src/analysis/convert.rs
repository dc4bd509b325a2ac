//! The same samples in another container, read back before they count.
//!
//! The capture is passed three times: once to find what its samples need, once to write them, once beside what was
//! written. What does not read back with the same bits, names, units, roles and clock is an error.

use serde::Serialize;

use super::observe::Input;
use super::pipeline::{open, select};
use super::settings::Settings;
use crate::capture::{Block, Header, Recording, Role};
use crate::error::{Error, printable};
use crate::read::{self, FORMATS, ReadOptions, Source};
use crate::write::{Folder, History, Job, Origin, Samples, Survey, Writer};

/// What is wanted.
#[derive(Debug, Clone)]
pub struct Wanted<'a> {
    /// The container.
    pub writer: &'static Writer,
    /// The bare name of the file.
    pub name: &'a str,
    /// The type of the samples; one that loses nothing where `None`.
    pub samples: Option<Samples>,
    /// Whether samples may be rounded to that type.
    pub lossy: bool,
    /// The command line, for the history.
    pub command: &'a str,
}

/// What was written.
#[derive(Debug, Clone, Serialize)]
pub struct Conversion {
    /// The files that the capture came from.
    #[serde(skip)]
    pub inputs: Vec<Input>,
    /// The container.
    pub format: &'static str,
    /// The type of the samples.
    pub sample_type: &'static str,
    /// Samples of each channel.
    pub samples: u64,
    /// The channels: name, largest deviation of what was written from what was read.
    pub channels: Vec<Written>,
    /// Samples a second.
    pub sample_rate_hz: f64,
    /// Whether it was read back and compared; not where this build has no reader for the container.
    pub read_back: bool,
}

/// A channel as it was written.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Written {
    /// Its name.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// The largest deviation from what was read, in that unit; zero where every bit is the same.
    pub largest_deviation: f64,
}

/// A stretch of the work, for whoever shows how far it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// Samples of a channel that are done, over all passes.
    pub done: u64,
    /// How many there are, once it is known.
    pub of: Option<u64>,
}

/// How often the samples are passed.
const PASSES: u64 = 3;

/// Writes a capture into another container.
///
/// `written` gives what lies in the folder under the name wanted, so that it can be read back.
///
/// # Errors
/// What is wrong with the capture; a container that cannot hold it without loss; what does not read back the same.
pub fn convert(
    source: &Source,
    settings: &Settings,
    wanted: &Wanted<'_>,
    folder: &mut dyn Folder,
    written: impl Fn() -> Source,
    progress: &dyn Fn(Step),
) -> Result<Conversion, Error> {
    let (mut recording, partner) = open(source, settings)?;
    let promised = recording.header().promised_samples;
    let of = promised.map(|samples| PASSES * samples);
    let survey = Survey::of(&mut *recording, &|done| progress(Step { done, of }))?;
    let header = with_roles(recording.header().clone(), settings)?;
    let samples = match wanted.samples {
        None => wanted.writer.choose(&header, &survey),
        Some(samples) => wanted.writer.check_samples(samples, wanted.lossy, &header, &survey).map(|()| samples),
    }
    .map_err(|error| error.in_file(wanted.name))?;
    let inputs =
        [Some(source), partner.as_ref()].into_iter().flatten().map(Input::of).collect::<Result<Vec<_>, _>>()?;
    let origin = |input: &Input| Origin { name: input.path.clone(), bytes: input.bytes, sha256: input.sha256.clone().unwrap_or_default() };
    let history = History { origins: inputs.iter().map(origin).collect(), command: wanted.command.to_owned() };
    let job = Job {
        name: wanted.name,
        header: &header,
        survey: &survey,
        samples,
        mains_hz: settings.mains,
        history: &history,
    };
    let after = |passes: u64| {
        let of = Some(PASSES * survey.samples);
        move |done: u64| progress(Step { done: passes * survey.samples + done, of })
    };
    wanted.writer.write(&job, &mut *open(source, settings)?.0, folder, &after(1))?;
    let readable = FORMATS.iter().any(|format| format.name == wanted.writer.name);
    let deviations = if readable {
        let options = ReadOptions { max_memory: settings.read.max_memory, ..ReadOptions::default() };
        let back = read::open(&written(), &options).and_then(|mut back| {
            same_header(&header, back.header())?;
            deviations(&mut *open(source, settings)?.0, &mut *back, &after(2))
        });
        let deviations = back.map_err(|error| not_the_same(wanted, &error))?;
        if let Some(at) = deviations.iter().position(|deviation| !(wanted.lossy || deviation.is_none())) {
            let name = printable(&header.channels[at].name);
            return Err(not_the_same(wanted, &Error::input(format!("samples of \"{name}\" differ"))));
        }
        deviations
    } else {
        vec![None; header.channels.len()]
    };
    let channels = header.channels.iter().zip(deviations).map(|(channel, deviation)| Written {
        name: channel.name.clone(),
        unit: channel.quantity.symbol().to_owned(),
        largest_deviation: deviation.unwrap_or(0.0),
    });
    Ok(Conversion {
        format: wanted.writer.name,
        sample_type: samples.name(),
        samples: survey.samples,
        channels: channels.collect(),
        sample_rate_hz: header.clock.rate.get(),
        read_back: readable,
        inputs,
    })
}

/// The roles that the options give, where they give any.
fn with_roles(mut header: Header, settings: &Settings) -> Result<Header, Error> {
    if settings.wire.is_some() || settings.air.is_some() {
        let selected = select(&header, settings)?;
        for (at, channel) in header.channels.iter_mut().enumerate() {
            channel.role = selected.iter().find(|(index, _)| *index == at).map_or(Role::Other, |(_, role)| *role);
        }
    }
    Ok(header)
}

fn not_the_same(wanted: &Wanted<'_>, error: &Error) -> Error {
    Error::output(format!("does not read back as it was read, so it was not kept: {error}"))
        .in_file(wanted.name)
        .remedy("choose another container with --format, or other --samples")
}

/// Compares what is known of two recordings besides their samples.
fn same_header(before: &Header, after: &Header) -> Result<(), Error> {
    let differ = |what: &str, before: String, after: String| {
        Err(Error::input(format!("{what}: {}", printable(&after))).expected(printable(&before)))
    };
    let (old, new) = (&before.clock, &after.clock);
    let numbers = [
        ("the rate", old.rate.get(), new.rate.get()),
        ("the start", old.start_s, new.start_s),
        ("the uncertainty of the rate", old.relative_uncertainty, new.relative_uncertainty),
    ];
    if let Some((what, old, new)) = numbers.into_iter().find(|(_, old, new)| old.to_bits() != new.to_bits()) {
        return differ(what, old.to_string(), new.to_string());
    }
    if old.source != new.source {
        return differ("the source of the rate", old.source.name().to_owned(), new.source.name().to_owned());
    }
    if before.channels != after.channels {
        return differ("the channels", format!("{:?}", before.channels), format!("{:?}", after.channels));
    }
    Ok(())
}

/// The largest deviation of each channel; `None` where every bit is the same.
fn deviations(
    before: &mut dyn Recording,
    after: &mut dyn Recording,
    progress: &dyn Fn(u64),
) -> Result<Vec<Option<f64>>, Error> {
    let mut found = vec![None; before.header().channels.len()];
    let mut done = 0;
    let (mut old, mut new) = (Stream::default(), Stream::default());
    loop {
        let count = old.filled(before)?.min(new.filled(after)?);
        if count == 0 {
            break;
        }
        for (at, largest) in found.iter_mut().enumerate() {
            for (x, y) in old.ahead(at, count).iter().zip(new.ahead(at, count)) {
                if x.to_bits() != y.to_bits() {
                    let deviation = (x - y).abs();
                    *largest = Some(largest.map_or(deviation, |most: f64| most.max(deviation)));
                }
            }
        }
        (old.used, new.used) = (old.used + count, new.used + count);
        done += count as u64;
        progress(done);
    }
    if old.left() == new.left() {
        return Ok(found);
    }
    Err(Error::input(format!("the two part after {done} samples, where one of them ends")))
}

/// A recording's blocks, of which some samples are used.
#[derive(Default)]
struct Stream {
    block: Option<Block>,
    used: usize,
}

impl Stream {
    fn left(&self) -> usize {
        self.block.as_ref().map_or(0, |block| block.len() - self.used)
    }

    /// How many samples are at hand; the next block is fetched where there are none.
    fn filled(&mut self, recording: &mut dyn Recording) -> Result<usize, Error> {
        if self.left() == 0 {
            (self.block, self.used) = (recording.next_block()?, 0);
        }
        Ok(self.left())
    }

    fn ahead(&self, channel: usize, count: usize) -> &[f64] {
        self.block.as_ref().map_or(&[], |block| &block.channel(channel)[self.used..self.used + count])
    }
}
