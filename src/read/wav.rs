//! WAV: whole numbers of 8, 16, 24 or 32 bits, or floating point of 32 bits, as fractions of full scale.
//!
//! ```text
//! "RIFF" size "WAVE"   then chunks: name (4 bytes) size (4 bytes, low byte first) content
//! "fmt "               format, channels, rate, bytes a second, bytes a frame, bits a sample
//! "data"               the frames
//! ```
//!
//! The header is looked over here first, because a recorder that lost power leaves sizes that promise more than
//! the file holds; the decoder then gets sizes that are true.

use std::io::{BufReader, Cursor, Read};

use hound::{SampleFormat, WavReader};
use ndarray::Array2;

use super::{Format, ReadOptions, Source, rows_per_block};
use crate::capture::{Block, Channel, Clock, Header, Quantity, RateSource, Recording, Role};
use crate::error::{Error, Finding};
use crate::units::Hertz;

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "wav",
    about: "WAV, 8 to 32 bits, fractions of full scale",
    extensions: &["wav", "wave"],
    score,
    open,
};

/// More channels than this are no capture.
const MOST_CHANNELS: u16 = 64;

/// More chunks than this before the data are no capture.
const MOST_CHUNKS: usize = 256;

/// The header up to the frames is not longer than this in any sound file.
const LONGEST_HEADER: u64 = 1 << 20;

fn score(head: &[u8]) -> Option<u8> {
    let wave = head.len() >= 12 && [&b"RIFF"[..], b"RF64", b"RIFX"].contains(&&head[..4]) && &head[8..12] == b"WAVE";
    wave.then_some(100)
}

/// What the chunks say before any of it is trusted.
struct Chunks {
    channels: u16,
    frame_bytes: u16,
    /// Where the frames begin.
    data_at: u64,
    /// How many bytes of frames the header promises.
    promised: u64,
    /// How many whole frames are there.
    frames: u64,
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let chunks = chunks(source)?;
    let mut head = source.bytes_at(0, usize::try_from(chunks.data_at).unwrap_or(usize::MAX))?;
    let bytes = chunks.frames * u64::from(chunks.frame_bytes);
    // The size of the data, put right. Frames beyond four gigabytes cannot be promised and are not looked for.
    let size = u32::try_from(bytes).map_err(|_| refuse(source, "more than four gigabytes of frames", 0))?;
    let end = head.len();
    head[end - 4..].copy_from_slice(&size.to_le_bytes());
    let stream = Cursor::new(head).chain(BufReader::with_capacity(1 << 16, source.open_at(chunks.data_at)?));
    let reader = WavReader::new(Box::new(stream) as Stream).map_err(|error| not_decoded(source, &error))?;
    let spec = reader.spec();
    if spec.channels != chunks.channels || reader.duration() == 0 {
        return Err(refuse(source, "no whole frame of samples", chunks.data_at));
    }
    let header = header(source, options, &chunks, spec)?;
    let block = rows_per_block(usize::from(spec.channels), options);
    Ok(Box::new(Wav { header, reader, source: source.clone(), chunks, given: 0, block }))
}

type Stream = Box<dyn Read + Send>;

fn refuse(source: &Source, what: &str, byte: u64) -> Error {
    Error::input(format!("the WAV header holds {what}"))
        .in_file(source.name())
        .at_byte(byte)
        .expected("a sound WAV file")
        .remedy("export the capture once more")
}

fn not_decoded(source: &Source, error: &hound::Error) -> Error {
    Error::input(format!("cannot be decoded as WAV: {error}"))
        .in_file(source.name())
        .expected("whole numbers of 8, 16, 24 or 32 bits, or floating point of 32 bits")
        .remedy("convert the file to one of these")
}

/// Walks over the chunks up to the frames.
fn chunks(source: &Source) -> Result<Chunks, Error> {
    let total = source.byte_count()?;
    if source.bytes_at(0, 4)? != b"RIFF" {
        return Err(refuse(source, "another byte order or 64-bit sizes", 0));
    }
    let (mut at, mut format) = (12, None);
    for _ in 0..MOST_CHUNKS {
        let head = source.bytes_at(at, 8)?;
        let Ok([a, b, c, d, size @ ..]) = <[u8; 8]>::try_from(head) else { break };
        let size = u64::from(u32::from_le_bytes(size));
        match &[a, b, c, d] {
            b"fmt " => format = Some(frame(source, at + 8)?),
            b"data" => {
                let (channels, frame_bytes) = format.ok_or_else(|| refuse(source, "no format before the data", at))?;
                let data_at = at + 8;
                let there = total.saturating_sub(data_at);
                // A size of zero or of all ones is what a stream leaves behind that was never closed.
                let promised = if matches!(size, 0 | 0xffff_ffff) { there } else { size };
                let frames = promised.min(there) / u64::from(frame_bytes);
                return Ok(Chunks { channels, frame_bytes, data_at, promised, frames });
            }
            _ => {}
        }
        // Chunks have an even length by the rule; writers that forget the padding byte exist, and the decoder
        // does not skip it either.
        at += 8 + size;
        if at > LONGEST_HEADER {
            break;
        }
    }
    Err(refuse(source, "no data", at.min(total)))
}

/// Channels and bytes a frame, checked.
fn frame(source: &Source, at: u64) -> Result<(u16, u16), Error> {
    let bytes = source.bytes_at(at, 16)?;
    let Ok(bytes) = <[u8; 16]>::try_from(bytes) else { return Err(refuse(source, "a format cut short", at)) };
    let channels = u16::from_le_bytes([bytes[2], bytes[3]]);
    let frame_bytes = u16::from_le_bytes([bytes[12], bytes[13]]);
    match channels {
        0 => Err(refuse(source, "zero channels", at + 2)),
        channels if channels > MOST_CHANNELS => Err(refuse(source, &format!("{channels} channels"), at + 2)),
        channels if frame_bytes < channels || frame_bytes % channels != 0 => {
            Err(refuse(source, &format!("frames of {frame_bytes} bytes for {channels} channels"), at + 12))
        }
        channels => Ok((channels, frame_bytes)),
    }
}

fn header(source: &Source, options: &ReadOptions, chunks: &Chunks, spec: hound::WavSpec) -> Result<Header, Error> {
    let stated = Hertz::new(f64::from(spec.sample_rate)).map_err(|_| refuse(source, "a sampling rate of zero", 24));
    let mut findings = Vec::new();
    let clock = match options.sample_rate {
        Some(rate) => {
            if (rate.get() - f64::from(spec.sample_rate)).abs() > 0.0 {
                findings.push(Finding::limit(
                    "rate_overridden",
                    format!(
                        "The option sets {} Hz, the header states {} Hz; the option was taken.",
                        rate.get(),
                        spec.sample_rate
                    ),
                ));
            }
            Clock { rate, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 }
        }
        None => {
            let rate = stated?;
            // The header holds whole hertz.
            Clock { rate, source: RateSource::Header, relative_uncertainty: 0.5 / rate.get(), start_s: 0.0 }
        }
    };
    let promised = chunks.promised / u64::from(chunks.frame_bytes);
    if promised > chunks.frames || !chunks.promised.is_multiple_of(u64::from(chunks.frame_bytes)) {
        findings.push(Finding::limit(
            "cut_short",
            format!(
                "The header promises {promised} samples a channel, the file holds {}; these were read.",
                chunks.frames
            ),
        ));
    }
    let role = |number: u16| [Role::Wire, Role::Air].get(usize::from(number)).copied().unwrap_or(Role::Other);
    let channel =
        |number| Channel { name: format!("channel {}", number + 1), quantity: Quantity::FullScale, role: role(number) };
    let kind = match spec.sample_format {
        SampleFormat::Int => format!("{} bits", spec.bits_per_sample),
        SampleFormat::Float => format!("floating point of {} bits", spec.bits_per_sample),
    };
    Ok(Header {
        path: source.name().to_owned(),
        format: FORMAT.name,
        layout: format!("WAV, {kind}, {} channels", spec.channels),
        channels: (0..spec.channels).map(channel).collect(),
        clock,
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
    reader: WavReader<Stream>,
    source: Source,
    chunks: Chunks,
    given: u64,
    block: usize,
}

impl Wav {
    /// The samples of the next frames, channel after channel.
    fn frames(&mut self, frames: usize) -> Result<Array2<f64>, Error> {
        let spec = self.reader.spec();
        let channels = usize::from(spec.channels);
        let mut samples = Array2::zeros((channels, frames));
        let count = frames * channels;
        let failed = |error: hound::Error| not_decoded(&self.source, &error);
        match spec.sample_format {
            SampleFormat::Int => {
                let full = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
                for (at, sample) in self.reader.samples::<i32>().take(count).enumerate() {
                    samples[[at % channels, at / channels]] = f64::from(sample.map_err(failed)?) / full;
                }
            }
            SampleFormat::Float => {
                for (at, sample) in self.reader.samples::<f32>().take(count).enumerate() {
                    let value = f64::from(sample.map_err(failed)?);
                    if !value.is_finite() {
                        let number = self.given + (at / channels) as u64;
                        let byte =
                            self.chunks.data_at + self.given * u64::from(self.chunks.frame_bytes) + 4 * at as u64;
                        return Err(Error::input(format!(
                            "sample {number} of channel {} is {value}",
                            at % channels + 1
                        ))
                        .in_file(self.source.name())
                        .at_byte(byte)
                        .expected("finite numbers")
                        .remedy("export the capture once more"));
                    }
                    samples[[at % channels, at / channels]] = value;
                }
            }
        }
        Ok(samples)
    }
}

impl Recording for Wav {
    fn header(&self) -> &Header {
        &self.header
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let left = usize::try_from(self.chunks.frames - self.given).unwrap_or(usize::MAX);
        let frames = self.block.min(left);
        if frames == 0 {
            return Ok(None);
        }
        let samples = self.frames(frames)?;
        let first = self.given;
        self.given += frames as u64;
        Ok(Some(Block { first, samples }))
    }
}
