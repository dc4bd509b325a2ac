//! WAV: whole numbers of 8 to 32 bits as fractions of full scale, floating point of 32 or 64 bits as it stands.
//!
//! ```text
//! "RIFF" size "WAVE"   then chunks: name (4 bytes) size (4 bytes, low byte first) content
//! "fmt "               format, channels, rate, bytes a second, bytes a frame, bits a sample
//! "data"               the frames
//! ```
//!
//! `RIFX` is the same with the high byte first. `RF64` and `BW64` are for more than four gigabytes: sizes of all ones,
//! and the true ones in a chunk `ds64`. A recorder that lost power leaves sizes that promise more than the file holds,
//! or none; no size is trusted, and what is there is read.
//!
//! # Sources
//! Multimedia Programming Interface and Data Specifications 1.0 (1991); EBU Tech 3306 (RF64); Recommendation
//! ITU-R BS.2088 (BW64); all from memory.

use std::io::ErrorKind;

use super::numbers::{Number, Worth};
use super::streams::{Fault, Form, Frames};
use super::{Format, ReadOptions, Source, rows_per_block};
use crate::capture::{Block, Channel, Clock, Header, Quantity, RateSource, Recording, Role};
use crate::error::{Error, Finding};
use crate::units::Hertz;

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "wav",
    about: "WAV, RF64 and BW64, 8 to 64 bits, fractions of full scale",
    extensions: &["wav", "wave", "rf64", "bw64"],
    score,
    beside: super::by_itself,
    open,
};

/// More channels than this are no capture.
const MOST_CHANNELS: u16 = 64;

/// More chunks than this before the data are no capture.
const MOST_CHUNKS: usize = 256;

fn score(head: &[u8]) -> Option<u8> {
    let names = [&b"RIFF"[..], b"RF64", b"BW64", b"RIFX"];
    let wave = head.len() >= 12 && names.contains(&&head[..4]) && &head[8..12] == b"WAVE";
    wave.then_some(100)
}

/// What a sample is.
#[derive(Debug, Clone, Copy)]
struct Sample {
    number: Number,
    /// Bits that count, as the header says; the others are zero and lie below.
    bits: u16,
    /// What a code is worth as a fraction of full scale.
    worth: Worth,
}

/// What the format chunk says.
#[derive(Debug, Clone, Copy)]
struct Frame {
    channels: u16,
    bytes: u64,
    rate: u32,
    sample: Sample,
}

/// What the chunks say, and what is there.
struct Chunks {
    frame: Frame,
    big_endian: bool,
    /// Where the frames begin.
    data_at: u64,
    /// How many bytes of frames the header promises.
    promised: u64,
    /// Whether it promises none at all, as a recording does that was never closed.
    unfinished: bool,
    /// How many whole frames are there.
    frames: u64,
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let chunks = chunks(source)?;
    if chunks.frames == 0 {
        return Err(refuse(source, "no whole frame of samples", chunks.data_at));
    }
    let mut header = header(source, options, &chunks)?;
    header.findings.extend(below_the_top(source, &chunks)?);
    let Frame { channels, sample, .. } = chunks.frame;
    let form = Form {
        number: sample.number,
        big_endian: chunks.big_endian,
        at: chunks.data_at,
        samples: chunks.frames,
        planar: false,
        worths: vec![sample.worth; usize::from(channels)],
    };
    let frames = Frames::open(source, form, rows_per_block(usize::from(channels), options))?;
    Ok(Box::new(Wav { header, frames, source: source.clone() }))
}

fn refuse(source: &Source, what: &str, byte: u64) -> Error {
    Error::input(format!("the WAV header holds {what}"))
        .in_file(source.name())
        .at_byte(byte)
        .expected("a sound WAV file")
        .remedy("export the capture once more")
}

/// Walks over the chunks up to the frames.
fn chunks(source: &Source) -> Result<Chunks, Error> {
    const ALL_ONES: u64 = 0xffff_ffff;
    let total = source.byte_count()?;
    let head = source.bytes_at(0, 4)?;
    let (big_endian, wide) = (head == b"RIFX", head == b"RF64" || head == b"BW64");
    let word = |bytes: [u8; 4]| if big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) };
    let (mut at, mut format, mut size_of_data) = (12, None, None);
    for _ in 0..MOST_CHUNKS {
        let head = source.bytes_at(at, 8)?;
        let Ok([a, b, c, d, size @ ..]) = <[u8; 8]>::try_from(head) else { break };
        let size = u64::from(word(size));
        match &[a, b, c, d] {
            b"fmt " => format = Some(frame(source, at + 8, size, big_endian)?),
            b"ds64" if wide => {
                let sizes = source.bytes_at(at + 16, 8)?;
                size_of_data = <[u8; 8]>::try_from(sizes).ok().map(u64::from_le_bytes);
            }
            b"data" => {
                let frame: Frame = format.ok_or_else(|| refuse(source, "no format before the data", at))?;
                let data_at = at + 8;
                let there = total.saturating_sub(data_at);
                let size = size_of_data.filter(|_| wide && size == ALL_ONES).unwrap_or(size);
                // A size of zero or of all ones is what a stream leaves behind that was never closed.
                let none = matches!(size, 0 | ALL_ONES | u64::MAX);
                let unfinished = none && !ends_with_a_chunk(source, data_at, there, word)?;
                let promised = if unfinished { there } else { size };
                let frames = promised.min(there) / frame.bytes;
                return Ok(Chunks { frame, big_endian, data_at, promised, unfinished, frames });
            }
            _ => {}
        }
        at = at.saturating_add(8 + size);
        // Chunks have an even length by the rule; writers that forget the padding byte exist. No name begins with
        // a zero.
        if size % 2 == 1 && source.bytes_at(at, 1)? == [0] {
            at += 1;
        }
        if at >= total {
            break;
        }
    }
    Err(refuse(source, "no data", at.min(total)))
}

/// Whether what follows an empty data chunk is one more chunk that ends with the file, and so no samples.
fn ends_with_a_chunk(source: &Source, at: u64, there: u64, word: impl Fn([u8; 4]) -> u32) -> Result<bool, Error> {
    let head = source.bytes_at(at, 8)?;
    let Ok([a, b, c, d, size @ ..]) = <[u8; 8]>::try_from(head) else { return Ok(false) };
    let size = 8 + u64::from(word(size));
    let name = [a, b, c, d].iter().all(|byte| byte.is_ascii_alphanumeric() || *byte == b' ');
    Ok(name && (size == there || size + 1 == there))
}

/// The format chunk, checked.
fn frame(source: &Source, at: u64, size: u64, big_endian: bool) -> Result<Frame, Error> {
    const WHOLE: u16 = 1;
    const FLOATING: u16 = 3;
    const EXTENSIBLE: u16 = 0xfffe;
    let bytes = source.bytes_at(at, usize::try_from(size.min(26)).unwrap_or(26))?;
    if bytes.len() < 16 {
        return Err(refuse(source, "a format cut short", at));
    }
    let short = |at: usize| {
        let pair = [bytes[at], bytes[at + 1]];
        if big_endian { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) }
    };
    let (channels, frame_bytes, bits) = (short(2), short(12), short(14));
    match channels {
        0 => return Err(refuse(source, "zero channels", at + 2)),
        channels if channels > MOST_CHANNELS => {
            return Err(refuse(source, &format!("{channels} channels"), at + 2));
        }
        channels if frame_bytes < channels || frame_bytes % channels != 0 => {
            let what = format!("frames of {frame_bytes} bytes for {channels} channels");
            return Err(refuse(source, &what, at + 12));
        }
        _ => {}
    }
    let rate = [bytes[4], bytes[5], bytes[6], bytes[7]];
    let rate = if big_endian { u32::from_be_bytes(rate) } else { u32::from_le_bytes(rate) };
    // An extensible format has the bits that count at 18 and begins its own number with the plain one at 24.
    let (kind, bits) = match short(0) {
        EXTENSIBLE if bytes.len() >= 26 => (short(24), if short(18) == 0 { bits } else { short(18) }),
        kind => (kind, bits),
    };
    let width = frame_bytes / channels;
    let number = match (kind, width) {
        (WHOLE, 1) => Number::U8,
        (WHOLE, 2) => Number::I16,
        (WHOLE, 3) => Number::I24,
        (WHOLE, 4) => Number::I32,
        (FLOATING, 4) => Number::F32,
        (FLOATING, 8) => Number::F64,
        _ => {
            return Err(Error::input(format!(
                "cannot be decoded as WAV: samples of {width} bytes in the format {kind}"
            ))
            .in_file(source.name())
            .at_byte(at)
            .expected("whole numbers of 8, 16, 24 or 32 bits, or floating point of 32 or 64 bits")
            .remedy("convert the file to one of these"));
        }
    };
    let worth = match number {
        // Silence is 128. All of this is exact in binary.
        Number::U8 => Worth { scale: 1.0 / 128.0, offset: -1.0 },
        number if number.is_whole() => Worth::of(2f64.powi(1 - 8 * i32::from(width))),
        _ => Worth::of(1.0),
    };
    Ok(Frame { channels, bytes: u64::from(frame_bytes), rate, sample: Sample { number, bits, worth } })
}

/// A doubt where bits are set below those that count: some writers put fewer bits at the bottom of the width, where the
/// format has them at the top.
fn below_the_top(source: &Source, chunks: &Chunks) -> Result<Option<Finding>, Error> {
    const BYTES: usize = 1 << 16;
    let Sample { number, bits, .. } = chunks.frame.sample;
    let (width, bits) = (8 * number.bytes(), usize::from(bits));
    if !number.is_whole() || bits == 0 || bits >= width {
        return Ok(None);
    }
    let step = 2f64.powi(i32::try_from(width - bits).unwrap_or(0));
    let bytes = chunks.frames.saturating_mul(chunks.frame.bytes);
    let head = source.bytes_at(chunks.data_at, usize::try_from(bytes).unwrap_or(BYTES).min(BYTES))?;
    let mut codes = head.chunks_exact(number.bytes()).filter_map(|code| number.read(code, chunks.big_endian));
    let message = format!(
        "The header states {bits} bits, which belong at the top of {width}, but lower bits are set as well: they may lie at \
         the bottom, and all levels {:.0} dB too low; --scale puts that right.",
        20.0 * step.log10()
    );
    Ok(codes.any(|code| code % step != 0.0).then(|| Finding::limit("bits_at_the_bottom", message)))
}

fn header(source: &Source, options: &ReadOptions, chunks: &Chunks) -> Result<Header, Error> {
    let Frame { channels, bytes, rate: stated, sample } = chunks.frame;
    let mut findings = Vec::new();
    let clock = match options.sample_rate {
        Some(rate) => {
            if (rate.get() - f64::from(stated)).abs() > 0.0 {
                findings.push(Finding::limit(
                    "rate_overridden",
                    format!("The option sets {} Hz, the header states {stated} Hz; the option was taken.", rate.get()),
                ));
            }
            Clock { rate, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 }
        }
        None => {
            let rate = Hertz::new(f64::from(stated)).map_err(|_| refuse(source, "a sampling rate of zero", 24))?;
            // The header holds whole hertz.
            Clock { rate, source: RateSource::Header, relative_uncertainty: 0.5 / rate.get(), start_s: 0.0 }
        }
    };
    let promised = chunks.promised / bytes;
    if chunks.unfinished {
        let message = format!(
            "The recording was never closed: its header promises no length. All {} samples a channel were read.",
            chunks.frames
        );
        findings.push(Finding::limit("unfinished", message));
    }
    if promised > chunks.frames || !chunks.promised.is_multiple_of(bytes) {
        let message = format!(
            "The header promises {promised} samples a channel, the file holds {}; these were read.",
            chunks.frames
        );
        findings.push(Finding::limit("cut_short", message));
    }
    let role = |number: u16| [Role::Wire, Role::Air].get(usize::from(number)).copied().unwrap_or(Role::Other);
    let channel =
        |number| Channel { name: format!("channel {}", number + 1), quantity: Quantity::FullScale, role: role(number) };
    let width = 8 * sample.number.bytes();
    let kind = if !sample.number.is_whole() {
        format!("floating point of {width} bits")
    } else if usize::from(sample.bits) == width {
        format!("{width} bits")
    } else {
        format!("{} bits at the top of {width}", sample.bits)
    };
    Ok(Header {
        path: source.name().to_owned(),
        format: FORMAT.name,
        layout: format!("WAV, {kind}, {channels} channels"),
        channels: (0..channels).map(channel).collect(),
        clock,
        faithful_to_hz: None,
        promised_samples: Some(promised),
        reading: vec![
            format!("The samples are {kind}; 1 is full scale."),
            format!("The rate of {} samples a second is from {}.", clock.rate.get(), clock.source.words()),
        ],
        findings,
    })
}

struct Wav {
    header: Header,
    frames: Frames,
    source: Source,
}

impl Recording for Wav {
    fn header(&self) -> &Header {
        &self.header
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        self.frames.next().map_err(|fault| match fault {
            Fault::NoSample { sample, channel, byte, found } => {
                let found = found.unwrap_or(f64::NAN);
                Error::input(format!("sample {sample} of channel {} is {found}", channel + 1))
                    .in_file(self.source.name())
                    .at_byte(byte)
                    .expected("finite numbers")
                    .remedy("export the capture once more")
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
