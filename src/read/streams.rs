//! Frames of fixed length in a file: a number of each channel, decoded block by block, entered at any sample.

use std::io::{self, BufReader, ErrorKind, Read};

use ndarray::Array2;

use super::Source;
use super::numbers::{Number, Worth};
use crate::capture::Block;
use crate::error::Error;

/// How frames lie in a file and what their numbers are worth.
#[derive(Debug, Clone)]
pub(super) struct Form {
    pub(super) number: Number,
    pub(super) big_endian: bool,
    /// The byte where the first sample begins.
    pub(super) at: u64,
    /// How many samples of each channel there are.
    pub(super) samples: u64,
    /// Whether the channels lie behind each other.
    pub(super) planar: bool,
    /// What a number is worth, channel by channel.
    pub(super) worths: Vec<Worth>,
}

/// Why there is no block.
#[derive(Debug)]
pub(super) enum Fault {
    /// The file ends before its last sample.
    Ended,
    /// What the system answers.
    System(io::Error),
    /// A number that is none, or becomes none by what it is worth.
    NoSample {
        /// The number of the sample, the channel, and the byte where it stands.
        sample: u64,
        channel: usize,
        byte: u64,
        /// The number as it stands; `None`: a whole one beyond 2⁵³.
        found: Option<f64>,
    },
}

/// The samples of a file of such frames.
pub(super) struct Frames {
    source: Source,
    form: Form,
    /// One stream for all channels, or one for each where they lie behind each other.
    streams: Vec<BufReader<Box<dyn Read + Send>>>,
    given: u64,
    /// Samples of a channel in a block.
    block: usize,
    bytes: Vec<u8>,
}

impl Frames {
    /// Opens the file at its first sample.
    ///
    /// # Errors
    /// What the system answers.
    pub(super) fn open(source: &Source, form: Form, block: usize) -> Result<Self, Error> {
        let mut frames = Self { source: source.clone(), form, streams: Vec::new(), given: 0, block, bytes: Vec::new() };
        frames.go_to(0)?;
        Ok(frames)
    }

    /// Goes on at a sample.
    ///
    /// # Errors
    /// What the system answers.
    pub(super) fn go_to(&mut self, sample: u64) -> Result<(), Error> {
        self.given = sample.min(self.form.samples);
        let count = if self.form.planar { self.form.worths.len() } else { 1 };
        let open =
            |stream| Ok(BufReader::with_capacity(1 << 16, self.source.open_at(self.byte_of(self.given, stream))?));
        self.streams = (0..count).map(open).collect::<Result<_, Error>>()?;
        Ok(())
    }

    /// Where a sample of a channel stands.
    fn byte_of(&self, sample: u64, channel: usize) -> u64 {
        let Form { number, at, samples, planar, ref worths, .. } = self.form;
        let (channel, channels) = (channel as u64, worths.len() as u64);
        let before = if planar { channel * samples + sample } else { sample * channels + channel };
        at + before * number.bytes() as u64
    }

    /// The next block; `None` after the last one.
    ///
    /// # Errors
    /// A file that became shorter, numbers that are none, what the system answers.
    pub(super) fn next(&mut self) -> Result<Option<Block>, Fault> {
        let Form { number, big_endian, samples, ref worths, .. } = self.form;
        let rows = self.block.min(usize::try_from(samples - self.given).unwrap_or(usize::MAX));
        if rows == 0 {
            return Ok(None);
        }
        let within = worths.len() / self.streams.len();
        self.bytes.resize(rows * within * number.bytes(), 0);
        let mut decoded = Vec::with_capacity(worths.len() * rows);
        let mut sound = true;
        for (stream, worths) in self.streams.iter_mut().zip(worths.chunks(within)) {
            stream.read_exact(&mut self.bytes).map_err(|error| match error.kind() {
                ErrorKind::UnexpectedEof => Fault::Ended,
                _ => Fault::System(error),
            })?;
            sound &= number.decode(big_endian, &mut self.bytes, worths, &mut decoded);
        }
        if !sound {
            return Err(self.first_fault(&decoded, rows));
        }
        let first = self.given;
        self.given += rows as u64;
        let samples = Array2::from_shape_vec((worths.len(), rows), decoded).expect("so many numbers were decoded");
        Ok(Some(Block { first, samples }))
    }

    /// The first sample of a block, as the file has them, that is no finite number.
    fn first_fault(&self, decoded: &[f64], rows: usize) -> Fault {
        let faults = decoded.iter().enumerate().filter(|(_, value)| !value.is_finite());
        let place = |(at, _)| (self.byte_of(self.given + (at % rows) as u64, at / rows), at);
        let (byte, at) = faults.map(place).min().unwrap_or_default();
        let Form { number, big_endian, .. } = self.form;
        let found = match self.source.bytes_at(byte, number.bytes()) {
            Ok(bytes) if bytes.len() == number.bytes() => number.read(&bytes, big_endian),
            _ => return Fault::Ended,
        };
        Fault::NoSample { sample: self.given + (at % rows) as u64, channel: at / rows, byte, found }
    }
}
