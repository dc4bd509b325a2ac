//! NPY: arrays of numbers, floating or whole (codes of a converter), of one axis (time) or two (time and channel).
//!
//! ```text
//! "\x93NUMPY" major minor   header length (2 bytes, from version 2 on 4 bytes, low byte first)
//! {'descr': '<f8', 'fortran_order': False, 'shape': (20000, 2), }   padded with blanks
//! the numbers
//! ```
//!
//! The header is checked here before the decoder sees it: its length, its depth and the product of the shape, which
//! a hostile file could choose beyond all bounds. The format has no rate, so the options must give it.

use npyz::{DType, Endianness, NpyHeader, Order, TimeUnits, TypeChar};

use super::numbers::{Number, Worth};
use super::streams::{Fault, Form, Frames};
use super::{Format, ReadOptions, Source, rows_per_block};
use crate::capture::{Block, Channel, Clock, Header, Quantity, RateSource, Recording, Role};
use crate::error::{Error, Finding, printable};

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "npy",
    about: "NPY arrays, floating or whole numbers; the rate comes from an option",
    extensions: &["npy"],
    score,
    beside: super::by_itself,
    open,
};

const MAGIC: &[u8] = b"\x93NUMPY";

/// More channels than this are no capture.
const MOST_CHANNELS: u64 = 64;

/// The format's own readers refuse longer headers as well.
const LONGEST_HEADER: usize = 10_000;

fn score(head: &[u8]) -> Option<u8> {
    head.starts_with(MAGIC).then_some(100)
}

fn refuse(source: &Source, found: impl Into<String>) -> Error {
    Error::input(found)
        .in_file(source.name())
        .expected("an array of floating point numbers of 16, 32 or 64 bits or of whole numbers, time by channel")
        .remedy("save it as array.astype(float) with the shape (samples, channels)")
}

/// The header as text and where the numbers begin.
fn header_text(source: &Source) -> Result<(String, u64), Error> {
    let head = source.bytes_at(0, 12 + LONGEST_HEADER)?;
    let (length, start) = match head.get(6..12) {
        Some([1, _, low, high, ..]) => (usize::from(u16::from_le_bytes([*low, *high])), 10),
        Some(&[2 | 3, _, a, b, c, d]) => (usize::try_from(u32::from_le_bytes([a, b, c, d])).unwrap_or(usize::MAX), 12),
        _ => return Err(refuse(source, "is an NPY file of an unknown version or cut short")),
    };
    if length > LONGEST_HEADER {
        return Err(refuse(source, format!("has an NPY header of {length} bytes")));
    }
    let bytes = head.get(start..start + length).ok_or_else(|| refuse(source, "ends within its NPY header"))?;
    let text = std::str::from_utf8(bytes).map_err(|_| refuse(source, "has an NPY header that is no text"))?;
    Ok((text.to_owned(), (start + length) as u64))
}

/// Guards the decoder against nesting without end and a shape whose product overflows.
fn check_text(source: &Source, text: &str) -> Result<(), Error> {
    const DEEPEST: i32 = 4;
    let mut depth = 0;
    for byte in text.bytes() {
        depth += i32::from(matches!(byte, b'(' | b'[' | b'{')) - i32::from(matches!(byte, b')' | b']' | b'}'));
        if depth > DEEPEST {
            return Err(refuse(source, "has an NPY header of nested parts"));
        }
    }
    // Every number in the header counts, wherever it stands: only the shape and small item sizes are legitimate.
    let numbers = text.split(|c: char| !c.is_ascii_digit()).filter(|digits| !digits.is_empty());
    let product = numbers
        .filter(|digits| !digits.trim_start_matches('0').is_empty())
        .try_fold(1u64, |product, digits| product.checked_mul(digits.parse().ok()?));
    match product {
        Some(_) => Ok(()),
        None => Err(refuse(source, format!("has a shape beyond all bounds: {}", printable(text.trim())))),
    }
}

/// The type of the numbers and whether the high byte comes first.
fn number(source: &Source, header: &NpyHeader) -> Result<(Number, bool), Error> {
    let dtype = header.dtype();
    let DType::Plain(kind) = &dtype else {
        return Err(refuse(source, format!("holds records of the type {}", printable(&dtype.descr()))));
    };
    let number = match (kind.type_char(), kind.size_field()) {
        (TypeChar::Float, 2) => Number::F16,
        (TypeChar::Float, 4) => Number::F32,
        (TypeChar::Float, 8) => Number::F64,
        (TypeChar::Int, 1) => Number::I8,
        (TypeChar::Int, 2) => Number::I16,
        (TypeChar::Int, 4) => Number::I32,
        (TypeChar::Int, 8) => Number::I64,
        (TypeChar::Uint | TypeChar::Bool, 1) => Number::U8,
        (TypeChar::Uint, 2) => Number::U16,
        (TypeChar::Uint, 4) => Number::U32,
        (TypeChar::Uint, 8) => Number::U64,
        (TypeChar::Object, _) => {
            return Err(refuse(source, "holds Python objects, which could run code when read"));
        }
        _ => return Err(refuse(source, format!("holds numbers of the type {kind}"))),
    };
    Ok((number, kind.endianness() == Endianness::Big))
}

/// The beginning of an NPY file in an archive.
pub(super) struct Start {
    /// Where the numbers begin.
    pub(super) data_at: u64,
    pub(super) shape: Vec<u64>,
    pub(super) fortran: bool,
    /// The type of the numbers, or why they are none.
    pub(super) number: Result<Number, String>,
    pub(super) big_endian: bool,
    /// The seconds of a unit, where the numbers are times by their type.
    pub(super) seconds: Option<f64>,
    /// The type as the header writes it.
    pub(super) about: String,
}

/// Reads and checks a header.
///
/// # Errors
/// No sound header.
pub(super) fn start(source: &Source) -> Result<Start, Error> {
    let (text, data_at) = header_text(source)?;
    check_text(source, &text)?;
    let npy = sound_header(source, data_at)?;
    let (number, big_endian) = match number(source, &npy) {
        Ok((number, big_endian)) => (Ok(number), big_endian),
        Err(error) => (Err(error.found().to_owned()), false),
    };
    let dtype = npy.dtype();
    let (seconds, big_endian) = match &dtype {
        DType::Plain(kind) if kind.size_field() == 8 => {
            (kind.time_units().and_then(seconds_of), kind.endianness() == Endianness::Big)
        }
        _ => (None, big_endian),
    };
    let about = printable(&npy.dtype().descr());
    Ok(Start {
        data_at,
        shape: npy.shape().to_vec(),
        fortran: npy.order() == Order::Fortran,
        number,
        big_endian,
        seconds,
        about,
    })
}

fn seconds_of(unit: TimeUnits) -> Option<f64> {
    Some(match unit {
        TimeUnits::Second => 1.0,
        TimeUnits::Millisecond => 1e-3,
        TimeUnits::Microsecond => 1e-6,
        TimeUnits::Nanosecond => 1e-9,
        _ => return None,
    })
}

/// How the array lies in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Layout {
    samples: u64,
    channels: u64,
    /// Whether a channel's samples lie one behind the other.
    planar: bool,
    /// Whether the channel axis comes first.
    turned: bool,
}

fn layout(source: &Source, header: &NpyHeader) -> Result<Layout, Error> {
    let shape = header.shape();
    let (samples, channels, turned) = match *shape {
        [samples] => (samples, 1, false),
        [a, b] if a >= b => (a, b, false),
        [a, b] => (b, a, true),
        _ => return Err(refuse(source, format!("has the shape {shape:?}"))),
    };
    if samples == 0 || channels == 0 || channels > MOST_CHANNELS {
        return Err(refuse(source, format!("has the shape {shape:?}")));
    }
    let planar = channels == 1 || (turned == (header.order() == Order::C));
    Ok(Layout { samples, channels, planar, turned })
}

/// The header, whose text was checked before.
fn sound_header(source: &Source, data_at: u64) -> Result<NpyHeader, Error> {
    let mut bytes = source.bytes_at(0, usize::try_from(data_at).unwrap_or(usize::MAX))?;
    // Python 2 wrote long numbers as 2L. Where it stands in a field's name, the array is refused in any case.
    for at in 1..bytes.len() {
        if bytes[at] == b'L' && bytes[at - 1].is_ascii_digit() {
            bytes[at] = b' ';
        }
    }
    NpyHeader::from_reader(&bytes[..])
        .map_err(|error| refuse(source, format!("has no sound NPY header: {}", printable(&error.to_string()))))
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let (text, data_at) = header_text(source)?;
    check_text(source, &text)?;
    let npy = sound_header(source, data_at)?;
    let (number, big_endian) = number(source, &npy)?;
    let size = number.bytes() as u64;
    let layout = layout(source, &npy)?;
    let (there, mut findings) = samples_there(source, layout, data_at, size)?;
    let rate = options.sample_rate.ok_or_else(|| {
        Error::input("is an NPY array, which holds no sampling rate")
            .in_file(source.name())
            .remedy("--sample-rate HZ gives it")
    })?;
    let (quantity, factor) = quantity(options, number, &mut findings)?;
    let clock = Clock { rate, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let header = describe(source, &npy, layout, clock, &quantity, findings);
    let channels = usize::try_from(layout.channels).unwrap_or(usize::MAX);
    let form = Form {
        number,
        big_endian,
        at: data_at,
        samples: there,
        planar: layout.planar,
        worths: vec![Worth::of(factor); channels],
    };
    let frames = Frames::open(source, form, rows_per_block(channels, options))?;
    Ok(Box::new(Npy { header, source: source.clone(), frames }))
}

/// How many samples a channel has in the file, which may be shorter than its header says.
fn samples_there(source: &Source, layout: Layout, data_at: u64, size: u64) -> Result<(u64, Vec<Finding>), Error> {
    let bytes = source.byte_count()?.saturating_sub(data_at);
    let frame = layout.channels * size;
    let there = bytes / frame;
    if there >= layout.samples {
        return Ok((layout.samples, Vec::new()));
    }
    let promised = layout.samples;
    if layout.planar && layout.channels > 1 || there == 0 {
        return Err(refuse(
            source,
            format!("is cut short: {bytes} bytes of numbers where {} are promised", promised * frame),
        ));
    }
    let message = format!("The header promises {promised} samples a channel, the file holds {there}; these were read.");
    Ok((there, vec![Finding::limit("cut_short", message)]))
}

fn quantity(options: &ReadOptions, number: Number, findings: &mut Vec<Finding>) -> Result<(Quantity, f64), Error> {
    let Some(text) = options.unit.as_deref() else {
        if number.is_whole() {
            let message = "The array holds whole numbers, taken as codes; --scale gives the volts of a code.";
            findings.push(Finding::limit("codes_without_volts", message));
            return Ok((Quantity::Codes, 1.0));
        }
        let message = "An NPY array states no unit; --unit V sets it.";
        findings.push(Finding::limit("unit_unknown", message));
        return Ok((Quantity::Unknown, 1.0));
    };
    Quantity::parse(text).ok_or_else(|| {
        Error::usage(format!("--unit {}: no unit that is known here", printable(text)))
            .expected("V, mV, A, V/m, A/m, T or another unit of amplitude")
    })
}

fn describe(
    source: &Source,
    npy: &NpyHeader,
    layout: Layout,
    clock: Clock,
    quantity: &Quantity,
    findings: Vec<Finding>,
) -> Header {
    let role = |number: u64| match number {
        0 => Role::Wire,
        1 => Role::Air,
        _ => Role::Other,
    };
    let channel = |number: u64| Channel {
        name: format!("channel {}", number + 1),
        quantity: quantity.clone(),
        role: role(number),
    };
    let shape = npy.shape();
    let mut reading = vec![format!("The rate of {} samples a second is the option given.", clock.rate.get())];
    if layout.turned {
        reading.push(format!("The shape {shape:?} is read with the longer axis as time: one row a channel."));
    }
    Header {
        path: source.name().to_owned(),
        format: FORMAT.name,
        layout: format!("NPY, {}, shape {shape:?}, {:?} order", npy.dtype().descr(), npy.order()),
        channels: (0..layout.channels).map(channel).collect(),
        clock,
        faithful_to_hz: None,
        promised_samples: Some(layout.samples),
        reading,
        findings,
    }
}

struct Npy {
    header: Header,
    source: Source,
    frames: Frames,
}

impl Recording for Npy {
    fn header(&self) -> &Header {
        &self.header
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        self.frames.next().map_err(|fault| match fault {
            Fault::NoSample { sample, channel, found, .. } => {
                let found = found.map_or_else(|| "a whole number beyond 2^53".to_owned(), |number| number.to_string());
                Error::input(format!("sample {sample} of channel {} is {found}", channel + 1))
                    .in_file(self.source.name())
                    .expected("finite numbers")
                    .remedy("cut the record there, or record again on a larger range")
            }
            Fault::System(error) => self.source.failed(&error),
            Fault::Ended => refuse(&self.source, "ends before its promised end"),
        })
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        self.frames.go_to(sample)?;
        Ok(true)
    }
}
