//! Raw samples: numbers without a header, which a sidecar explains.
//!
//! The sidecar is `<file>.toml` beside the file, with one section:
//!
//! ```text
//! [raw]
//! type = "i16"              u8 i8 u16 i16 i24 u32 i32 u64 i64 f32 f64
//! rate = 250000             samples a second of a channel; "250k" as well
//! channels = 2              1 where it is left out
//! byte_order = "little"     or "big"
//! order = "interleaved"     or "planar": a channel behind the other
//! skip = 512                bytes before the samples
//! scale = [0.001, 0.02]     a unit a code, one for all or one for each channel
//! offset = 0.0              added after the scale
//! unit = "V"
//! ```
//!
//! Nothing in the samples themselves says that they are any, so that this format is chosen by its sidecar only.

use std::io::ErrorKind;

use super::fields::{Fields, FileKind, Text};
use super::numbers::{NUMBERS, Number, Worth};
use super::streams::{Fault, Form, Frames};
use super::{Format, ReadOptions, Source, rows_per_block};
use crate::capture::{Block, Channel, Clock, Header, Quantity, RateSource, Recording, Role};
use crate::error::{Error, Finding, printable};
use crate::units::Hertz;

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "raw",
    about: "raw samples, explained by a sidecar FILE.toml with a section [raw]",
    extensions: &["raw", "bin"],
    score: |_head| None,
    beside: has_sidecar,
    open,
};

const SIDECAR: FileKind =
    FileKind { name: "a description of raw samples", remedy: "see \"What it reads\" in the README for its keys" };

/// More channels than this are no capture.
const MOST_CHANNELS: u32 = 64;

fn sidecar(source: &Source) -> Option<Source> {
    let bare = source.name().rsplit(['/', '\\']).next()?;
    source.sibling(&format!("{bare}.toml"))
}

/// A sidecar of this kind has a section `[raw]`; others may lie beside a file as well.
fn has_sidecar(source: &Source) -> Result<bool, Error> {
    let Some(sidecar) = sidecar(source) else { return Ok(false) };
    Ok(SIDECAR.text_of(&sidecar)?.lines().any(|line| line.trim_start().starts_with("[raw]")))
}

/// What the sidecar says.
struct Description {
    number: Number,
    big_endian: bool,
    channels: usize,
    planar: bool,
    rate: Option<Hertz>,
    skip: u64,
    /// One for each channel.
    scales: Vec<f64>,
    offset: f64,
    quantity: Quantity,
}

fn describe(sidecar: &Source) -> Result<Description, Error> {
    let text = SIDECAR.text_of(sidecar)?;
    let text = Text { file: sidecar.name(), text: &text, kind: SIDECAR };
    let parsed = text.parse()?;
    let whole = Fields::new(text, "the file", parsed.get_ref(), parsed.span());
    let raw = whole.table("raw")?.ok_or_else(|| whole.missing("raw", "a section [raw]"))?;
    raw.only(&["type", "rate", "channels", "byte_order", "order", "skip", "scale", "offset", "unit", "note"])?;
    let names: Vec<&str> = NUMBERS.iter().map(|(name, _)| *name).collect();
    let name = raw.choice("type", &names)?.ok_or_else(|| raw.missing("type", "\"i16\" or another type"))?;
    let number = NUMBERS.iter().find(|(known, _)| *known == name).map_or(Number::U8, |(_, number)| *number);
    let channels = raw.whole("channels", 1..=MOST_CHANNELS)?.unwrap_or(1) as usize;
    let scales = raw.numbers("scale")?.unwrap_or_else(|| vec![1.0]);
    let scales = match scales.len() {
        1 => vec![scales[0]; channels],
        count if count == channels => scales,
        count => return Err(raw.wrong("scale", format!("{count} factors"), &format!("one, or {channels}"))),
    };
    let offset = match raw.numbers("offset")?.as_deref() {
        // What changes nothing when it is added, not even the sign of a zero.
        None => -0.0,
        Some([offset]) => *offset,
        Some(_) => return Err(raw.wrong("offset", "several numbers".to_owned(), "one number")),
    };
    let (quantity, prefix) = match raw.text("unit")? {
        None if number.is_whole() => (Quantity::Codes, 1.0),
        None => (Quantity::Unknown, 1.0),
        Some(unit) => Quantity::parse(unit).ok_or_else(|| {
            raw.wrong("unit", format!("\"{}\"", printable(unit)), "V, mV, A or another unit of amplitude")
        })?,
    };
    Ok(Description {
        number,
        big_endian: raw.choice("byte_order", &["little", "big"])? == Some("big"),
        channels,
        planar: raw.choice("order", &["interleaved", "planar"])? == Some("planar"),
        rate: raw.rate("rate")?,
        skip: u64::from(raw.whole("skip", 0..=1 << 20)?.unwrap_or(0)),
        scales: scales.iter().map(|scale| scale * prefix).collect(),
        offset: offset * prefix,
        quantity,
    })
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let sidecar = sidecar(source).ok_or_else(|| {
        Error::input("are raw samples that nothing explains")
            .in_file(source.name())
            .expected("a file of the same name with .toml behind it")
    })?;
    let form = describe(&sidecar)?;
    let given = options.sample_rate.map(|rate| (rate, RateSource::Option));
    let (rate, from) = given.or(form.rate.map(|rate| (rate, RateSource::Header))).ok_or_else(|| {
        Error::input("has no rate")
            .in_file(sidecar.name())
            .expected("rate = samples a second")
            .remedy("--sample-rate HZ gives it")
    })?;
    let bytes = source.byte_count()?.saturating_sub(form.skip);
    let width = form.number.bytes() as u64;
    let frame = width * form.channels as u64;
    let samples = bytes / frame;
    if samples == 0 {
        return Err(Error::input("holds no whole sample of each channel").in_file(source.name()).expected("samples"));
    }
    let mut findings = Vec::new();
    if bytes % frame != 0 {
        if form.planar {
            let what = format!("holds {bytes} bytes of samples, no multiple of {frame}");
            return Err(Error::input(what).in_file(source.name()).expected("channels of the same length"));
        }
        let message = format!("The last {} bytes are no whole sample and were left out.", bytes % frame);
        findings.push(Finding::limit("cut_short", message));
    }
    match form.quantity {
        Quantity::Codes => findings.push(Finding::limit(
            "codes_without_volts",
            "The sidecar states no unit; the numbers are codes. --scale gives the volts of a code.",
        )),
        Quantity::Unknown => {
            findings.push(Finding::limit("unit_unknown", "The sidecar states no unit; unit = \"V\" sets it."));
        }
        _ => {}
    }
    let clock = Clock { rate, source: from, relative_uncertainty: 0.0, start_s: 0.0 };
    let role = |at: usize| [Role::Wire, Role::Air].get(at).copied().unwrap_or(Role::Other);
    let channel =
        |at: usize| Channel { name: format!("channel {}", at + 1), quantity: form.quantity.clone(), role: role(at) };
    let header = Header {
        path: source.name().to_owned(),
        format: FORMAT.name,
        layout: format!("raw samples, {:?}, {} channels", form.number, form.channels),
        channels: (0..form.channels).map(channel).collect(),
        clock,
        faithful_to_hz: None,
        promised_samples: None,
        reading: vec![
            format!("The samples are explained by {}.", printable(sidecar.name())),
            format!("The rate of {} samples a second is from {}.", rate.get(), from.words()),
        ],
        findings,
    };
    let scale = |&scale: &f64| Worth { scale, offset: form.offset };
    let block = rows_per_block(form.channels, options);
    let form = Form {
        number: form.number,
        big_endian: form.big_endian,
        at: form.skip,
        samples,
        planar: form.planar,
        worths: form.scales.iter().map(scale).collect(),
    };
    Ok(Box::new(Raw { header, source: source.clone(), frames: Frames::open(source, form, block)? }))
}

struct Raw {
    header: Header,
    source: Source,
    frames: Frames,
}

impl Recording for Raw {
    fn header(&self) -> &Header {
        &self.header
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        self.frames.next().map_err(|fault| match fault {
            Fault::NoSample { sample, channel, .. } => {
                let place = format!("sample {sample} of channel {}", channel + 1);
                Error::input(format!("{place} is no finite number, or a whole one beyond 2^53"))
                    .in_file(self.source.name())
                    .expected("finite numbers")
                    .remedy("check the type and the byte order in the sidecar")
            }
            Fault::System(error) => self.source.failed(&error),
            Fault::Ended => self.source.failed(&ErrorKind::UnexpectedEof.into()),
        })
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        self.frames.go_to(sample)?;
        Ok(true)
    }
}
