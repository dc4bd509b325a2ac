//! Frames of fixed length in a file: streams that can be entered at any sample.

use std::io::{BufReader, Read};

use super::Source;
use crate::error::Error;

/// A stream of bytes from a file.
pub(super) type Stream = BufReader<Box<dyn Read + Send>>;

/// One stream for all channels, or one for each where they lie behind each other.
pub(super) struct Streams {
    source: Source,
    /// Where each begins.
    starts: Vec<u64>,
    /// Bytes of a sample in each.
    frame: u64,
    streams: Vec<Stream>,
}

impl Streams {
    /// Opens a stream at each of these places; in each a sample takes `frame` bytes.
    ///
    /// # Errors
    /// What the system answers.
    pub(super) fn open(source: &Source, starts: Vec<u64>, frame: u64) -> Result<Self, Error> {
        let mut streams = Self { source: source.clone(), starts, frame, streams: Vec::new() };
        streams.go_to(0)?;
        Ok(streams)
    }

    /// Goes on at a sample in all of them.
    ///
    /// # Errors
    /// What the system answers.
    pub(super) fn go_to(&mut self, sample: u64) -> Result<(), Error> {
        let open = |start: &u64| {
            let at = start + sample * self.frame;
            Ok(BufReader::with_capacity(1 << 16, self.source.open_at(at)?))
        };
        self.streams = self.starts.iter().map(open).collect::<Result<_, Error>>()?;
        Ok(())
    }

    /// The streams, in the order of the channels.
    pub(super) fn each(&mut self) -> &mut [Stream] {
        &mut self.streams
    }
}
