//! Arrow IPC, as a file or as a stream: columns of a table in batches of rows.
//!
//! ```text
//! file:     "ARROW1" and two zeros   a stream   its description once more   length (4)   "ARROW1"
//! stream:   message: the schema   message: a batch of rows ...   message of length zero, or the end
//! message:  ff ff ff ff   length of its header (4, low byte first)   header (flatbuffer)   body
//! body:     for each column: bits that say where a value is, the values, each packed by LZ4 or zstd or not
//! ```
//!
//! A file is read as the stream that it holds. Without the feature `arrow` such files are only recognised.

#[cfg(feature = "arrow")]
mod batches;
#[cfg(feature = "arrow")]
mod columns;

use super::{Format, ReadOptions, Source};
use crate::capture::Recording;
use crate::error::Error;

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "arrow",
    about: "Arrow IPC files and streams of plain columns, with the rate or the times among them",
    extensions: &["arrow", "arrows", "feather"],
    score,
    beside: super::by_itself,
    open,
};

/// What a file begins and ends with.
const MAGIC: &[u8] = b"ARROW1";

/// A stream begins with the mark of a message, the length of a header in eights, and an offset into it.
fn score(head: &[u8]) -> Option<u8> {
    if head.starts_with(MAGIC) {
        return Some(100);
    }
    let &[0xff, 0xff, 0xff, 0xff, a, b, c, d, e, f, g, h, ..] = head else { return None };
    let (length, offset) = (u32::from_le_bytes([a, b, c, d]), u32::from_le_bytes([e, f, g, h]));
    (length % 8 == 0 && offset < length && length < 1 << 24).then_some(90)
}

#[cfg(feature = "arrow")]
fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    columns::open(source, options)
}

#[cfg(not(feature = "arrow"))]
fn open(source: &Source, _options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    Err(Error::input("is an Arrow IPC file or stream, which this build does not read")
        .in_file(source.name())
        .expected("a build with the feature \"arrow\"")
        .remedy("build with --features arrow, or save the table as Parquet, NPZ or CSV"))
}
