//! Parquet: columns of a table, in groups of rows, packed page by page.
//!
//! ```text
//! "PAR1"   pages of the first column of the first group, of the second column ...   of the next group ...
//! description of all columns, groups and keys (thrift)   its length (4 bytes, low byte first)   "PAR1"
//! ```
//!
//! Without the feature `columnar` such files are only recognised.

#[cfg(feature = "columnar")]
mod columns;
#[cfg(feature = "columnar")]
mod pages;
#[cfg(feature = "columnar")]
mod thrift;

use super::{Format, ReadOptions, Source};
use crate::capture::Recording;
use crate::error::Error;

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "parquet",
    about: "Parquet tables of plain columns, with the rate or the times among them",
    extensions: &["parquet", "pq"],
    score: |head| head.starts_with(b"PAR1").then_some(100),
    beside: super::by_itself,
    open,
};

#[cfg(feature = "columnar")]
fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    columns::open(source, options)
}

#[cfg(not(feature = "columnar"))]
fn open(source: &Source, _options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    Err(Error::input("is a Parquet file, which this build does not read")
        .in_file(source.name())
        .expected("a build with the feature \"columnar\"")
        .remedy("build with --features columnar, or save the table as NPZ or CSV"))
}
