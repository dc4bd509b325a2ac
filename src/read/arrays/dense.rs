//! Arrays whose numbers lie one behind the other, by rows or by columns.

use std::io::{BufReader, ErrorKind, Read};
use std::sync::Arc;

use super::super::Source;
use super::super::numbers::Number;
use super::{Kind, MOST_CHANNELS, Rows};
use crate::error::Error;

/// How an array of one or two axes lies in its file, read with the longer axis as time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::read) struct Layout {
    pub(in crate::read) rows: u64,
    pub(in crate::read) columns: usize,
    /// Whether the numbers of a column lie one behind the other.
    planar: bool,
}

impl Layout {
    /// From the lengths of the axes; `None` for more than two of them, or none.
    ///
    /// `first_fastest`: whether neighbours in the file differ in the first axis.
    pub(in crate::read) fn of(shape: &[u64], first_fastest: bool) -> Option<Self> {
        let (rows, columns, turned) = match *shape {
            [] => (1, 1, false),
            [rows] => (rows, 1, false),
            [a, b] if a >= b => (a, b, false),
            [a, b] => (b, a, true),
            _ => return None,
        };
        let columns = usize::try_from(columns).ok()?;
        Some(Self { rows, columns, planar: columns == 1 || turned != first_fastest })
    }
}

/// Such an array: where its numbers are and how they are written.
#[derive(Debug, Clone)]
pub(in crate::read) struct Dense {
    pub(in crate::read) source: Source,
    /// The first byte of the first number.
    pub(in crate::read) at: u64,
    pub(in crate::read) number: Number,
    pub(in crate::read) big_endian: bool,
    pub(in crate::read) layout: Layout,
    /// What is taken off whole numbers of 64 bits that are times: a double could not hold them.
    pub(in crate::read) epoch: Option<i64>,
}

impl Dense {
    /// What opens it.
    pub(in crate::read) fn opener(self) -> super::Opener {
        Arc::new(move || self.open())
    }

    /// Counts times by their type from the first one on.
    ///
    /// # Errors
    /// What the system answers.
    pub(in crate::read) fn timed(mut self, kind: Kind) -> Result<(Self, Kind), Error> {
        let Kind::Time { seconds, .. } = kind else { return Ok((self, kind)) };
        let first = self.source.bytes_at(self.at, 8)?;
        let first = <[u8; 8]>::try_from(first).map_or(0, |bytes| whole(bytes, self.big_endian));
        self.epoch = Some(first);
        Ok((self, Kind::Time { seconds, epoch_s: first as f64 * seconds }))
    }

    fn open(&self) -> Result<Box<dyn Rows>, Error> {
        let Layout { rows, columns, planar } = self.layout;
        let stride = rows * self.number.bytes() as u64;
        let count = if planar { columns.min(MOST_CHANNELS + 1) } else { 1 };
        let stream = |column: usize| {
            let at = self.at + column as u64 * stride;
            Ok(BufReader::with_capacity(1 << 16, self.source.open_at(at)?))
        };
        let streams = (0..count).map(stream).collect::<Result<_, Error>>()?;
        Ok(Box::new(Streams { dense: self.clone(), streams, bytes: Vec::new() }))
    }
}

fn whole(bytes: [u8; 8], big_endian: bool) -> i64 {
    if big_endian { i64::from_be_bytes(bytes) } else { i64::from_le_bytes(bytes) }
}

struct Streams {
    dense: Dense,
    /// One, or one for each column.
    streams: Vec<BufReader<Box<dyn Read + Send>>>,
    bytes: Vec<u8>,
}

impl Rows for Streams {
    fn fill(&mut self, numbers: &mut [f64]) -> Result<(), Error> {
        let Dense { number, big_endian, epoch, ref source, .. } = self.dense;
        let (width, count) = (number.bytes(), self.streams.len());
        self.bytes.resize(numbers.len() / count * width, 0);
        for (first, stream) in self.streams.iter_mut().enumerate() {
            stream.read_exact(&mut self.bytes).map_err(|error| match error.kind() {
                ErrorKind::UnexpectedEof => Error::input("ends within the numbers that its header promises")
                    .in_file(source.name())
                    .expected("the whole of each array")
                    .remedy("save or copy the file once more"),
                _ => source.failed(&error),
            })?;
            let own = numbers.iter_mut().skip(first).step_by(count);
            for (number_out, bytes) in own.zip(self.bytes.chunks_exact(width)) {
                let value = match (epoch, <[u8; 8]>::try_from(bytes)) {
                    (Some(epoch), Ok(bytes)) => whole(bytes, big_endian).checked_sub(epoch).map(|since| since as f64),
                    _ => number.read(bytes, big_endian),
                };
                *number_out = value.unwrap_or(f64::NAN);
            }
        }
        Ok(())
    }
}
