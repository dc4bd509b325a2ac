//! WAV: whole numbers as fractions of full scale, floating point as it stands.
//!
//! `hound` writes what it knows: whole numbers of 16 to 32 bits and floating point of 32 bits, up to four gigabytes.
//! Floating point of 64 bits, RF64 for more than four gigabytes, and more than 2^32 bytes a second are written here:
//!
//! ```text
//! "RIFF" size "WAVE"                      or "RF64" ones "WAVE" "ds64" 28 riff size, data size, frames (8 bytes each) 0
//! "fmt " 18 format channels rate bytes a second, bytes a frame, bits a sample, 0
//! "fact" 4 frames
//! "data" size                             or ones
//! the frames                              and a zero where they are odd
//! ```
//!
//! The header holds the rate in whole hertz; the sidecar has it to the last bit.
//!
//! # Sources
//! Multimedia Programming Interface and Data Specifications 1.0 (1991); EBU Tech 3306 (RF64); both from memory.

use std::io;

use hound::{SampleFormat, WavSpec, WavWriter};

use super::{Blocks, Folder, Job, Samples, Sink, Writer, failed, fill, interleaved, one_file};
use crate::capture::Quantity;
use crate::error::Error;

/// The row of this container.
pub(super) const WRITER: Writer = Writer {
    name: "wav",
    about: "WAV, beyond four gigabytes RF64",
    extensions: &["wav", "wave", "rf64"],
    samples: &[Samples::I16, Samples::I24, Samples::I32, Samples::F32, Samples::F64],
    whole: |quantity| *quantity == Quantity::FullScale,
    step: |samples, _| 1 - i32::from(samples.bits().unwrap_or(1)),
    largest: f64::INFINITY,
    // As many as the reader takes.
    most_channels: 64,
    files: one_file,
    explains: |_| String::new(),
    write,
};

/// The headers of both writers are shorter than this, so that a RIFF file of this much data stays below 2^32 bytes.
const MOST_RIFF_DATA: u64 = (1 << 32) - 1024;

fn write(job: &Job<'_>, blocks: &mut Blocks<'_>, folder: &mut dyn Folder) -> Result<(), Error> {
    let frame = job.header.channels.len() as u64 * u64::from(job.samples.bytes());
    let wide = job.survey.samples.saturating_mul(frame) > MOST_RIFF_DATA;
    // More bytes a second than its header counts are too much for hound; here the field stays at its end.
    let fast = u64::from(whole_rate(job)?).saturating_mul(frame) > u64::from(u32::MAX);
    fill(folder, job.name, |sink| {
        if wide || fast || job.samples == Samples::F64 {
            written_here(job, blocks, sink, wide)
        } else {
            by_hound(job, blocks, sink)
        }
    })
}

/// The rate as the header holds it.
fn whole_rate(job: &Job<'_>) -> Result<u32, Error> {
    let rate = job.header.clock.rate.get();
    #[expect(clippy::cast_possible_truncation, reason = "checked to lie within")]
    match rate.round().max(1.0) {
        whole if whole <= f64::from(u32::MAX) => Ok(whole as u32),
        _ => Err(Error::usage(format!("a rate of {rate} Hz is beyond what a WAV header holds"))
            .in_file(job.name)
            .remedy("write npy or csv")),
    }
}

fn by_hound(job: &Job<'_>, blocks: &mut Blocks<'_>, sink: &mut dyn Sink) -> Result<(), Error> {
    let refuse = |error: hound::Error| match error {
        hound::Error::IoError(error) => failed(job.name, &error),
        other => failed(job.name, &io::Error::other(other)),
    };
    let whole = job.samples.bits();
    let spec = WavSpec {
        channels: u16::try_from(job.header.channels.len()).unwrap_or(u16::MAX),
        sample_rate: whole_rate(job)?,
        bits_per_sample: whole.map_or(32, u16::from),
        sample_format: if whole.is_some() { SampleFormat::Int } else { SampleFormat::Float },
    };
    let mut wave = WavWriter::new(sink, spec).map_err(refuse)?;
    while let Some(block) = blocks.next()? {
        for value in block.samples.columns().into_iter().flatten() {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "the survey has shown that it fits, or rounding is asked for"
            )]
            let put = match whole {
                Some(_) => {
                    wave.write_sample(job.samples.code(*value, (WRITER.step)(job.samples, &job.survey.channels[0])))
                }
                None => wave.write_sample(*value as f32),
            };
            put.map_err(refuse)?;
        }
    }
    wave.finalize().map_err(refuse)
}

fn written_here(job: &Job<'_>, blocks: &mut Blocks<'_>, sink: &mut dyn Sink, wide: bool) -> Result<(), Error> {
    let channels = u16::try_from(job.header.channels.len()).unwrap_or(u16::MAX);
    let header = header(job.samples, channels, whole_rate(job)?, job.survey.samples, wide);
    sink.write_all(&header.bytes).map_err(|error| failed(job.name, &error))?;
    interleaved(job, &WRITER, blocks, sink)?;
    sink.write_all(&[0][..header.padding]).map_err(|error| failed(job.name, &error))
}

/// What stands before the frames, and how many bytes behind them.
struct Header {
    bytes: Vec<u8>,
    padding: usize,
}

fn header(samples: Samples, channels: u16, rate: u32, frames: u64, wide: bool) -> Header {
    const ONES: u32 = u32::MAX;
    let short = |number: u64| u32::try_from(number).unwrap_or(ONES);
    let width = u16::from(samples.bytes());
    let frame = channels * width;
    let data = frames * u64::from(frame);
    let (ds64, before) = if wide { (36, 4 + 36 + 26 + 12 + 8) } else { (0, 4 + 26 + 12 + 8) };
    let riff = before + data + data % 2;
    let mut bytes = Vec::new();
    bytes.extend(if wide { b"RF64" } else { b"RIFF" });
    bytes.extend(if wide { ONES } else { short(riff) }.to_le_bytes());
    bytes.extend(b"WAVE");
    if ds64 > 0 {
        bytes.extend(b"ds64");
        bytes.extend(28u32.to_le_bytes());
        [riff, data, frames].iter().for_each(|size| bytes.extend(size.to_le_bytes()));
        bytes.extend(0u32.to_le_bytes());
    }
    bytes.extend(b"fmt ");
    bytes.extend(18u32.to_le_bytes());
    let format: u16 = if samples.bits().is_some() { 1 } else { 3 };
    bytes.extend(format.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend(rate.saturating_mul(u32::from(frame)).to_le_bytes());
    bytes.extend(frame.to_le_bytes());
    bytes.extend((8 * width).to_le_bytes());
    bytes.extend(0u16.to_le_bytes());
    bytes.extend(b"fact");
    bytes.extend(4u32.to_le_bytes());
    bytes.extend(short(frames).to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(if wide { ONES } else { short(data) }.to_le_bytes());
    Header { bytes, padding: usize::from(data % 2 == 1) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::{Bytes, ReadOptions, Source, open};

    /// The house's own reader, which knows RF64 from fixtures that were not written here, takes header and frames.
    #[test]
    fn own_headers_are_read() {
        for wide in [false, true] {
            for (samples, step) in [(Samples::F64, 0), (Samples::I24, -23)] {
                let values = [0.5, -0.25, 0.75];
                let mut bytes = header(samples, 1, 250_000, 3, wide).bytes;
                values.iter().for_each(|value| samples.put(*value, step, &mut bytes));
                bytes.extend(&[0][..header(samples, 1, 250_000, 3, wide).padding]);
                let riff = if wide { &bytes[20..28] } else { &bytes[4..8] };
                let riff = riff.iter().rev().fold(0, |size, byte| size << 8 | usize::from(*byte));
                assert_eq!(riff + 8, bytes.len(), "{samples:?} {wide}");
                let mut wave = open(&Source::new(Bytes::new("x.wav", bytes)), &ReadOptions::default()).unwrap();
                assert_eq!(wave.header().clock.rate.get(), 250e3);
                assert!(wave.header().findings.is_empty(), "{:?}", wave.header().findings);
                assert_eq!(wave.next_block().unwrap().unwrap().channel(0), values);
            }
        }
    }

    #[test]
    fn five_gigabytes_stand_in_the_wide_header() {
        let frames = 5 * (1u64 << 30) / 8;
        let bytes = header(Samples::F64, 1, 1_000_000, frames, true).bytes;
        assert!(bytes.starts_with(b"RF64\xff\xff\xff\xffWAVEds64"));
        assert_eq!(bytes[28..36], (5 * (1u64 << 30)).to_le_bytes());
        assert_eq!(bytes[36..44], frames.to_le_bytes());
    }
}
