//! NPZ: arrays with names, each an NPY file, in one zip archive, stored or deflated.
//!
//! ```text
//! for each array:  "PK\3\4" ... name lengths ...   name   extra   the NPY file, stored or deflated
//! the directory:   "PK\1\2" ... method, CRC, sizes, lengths, place ...   name   extra   comment
//! the end:         "PK\5\6" ... count, size and place of the directory ...   comment
//! ```
//!
//! The directory is walked here, because nothing of it is to be believed: sizes are held against the file, against
//! what deflate can do and against the shape of the array. Each array is a [`Source`] of its own, which unpacks
//! anew for every stream, in constant memory, and whose checksum is compared when a stream comes to its end.
//!
//! # Sources
//! APPNOTE.TXT, .ZIP File Format Specification 6.3, 4.3 to 4.5 (from memory); the NPY format, NumPy's documentation.

use std::io::{self, Read};

use flate2::Crc;
use flate2::read::DeflateDecoder;

use super::arrays::{Array, Container, Dense, Kind, Layout, recording};
use super::numbers::Number;
use super::{Format, Origin, ReadOptions, Source, npy};
use crate::capture::Recording;
use crate::error::{Error, printable};

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "npz",
    about: "NPZ archives of named arrays, with the rate or the times among them",
    extensions: &["npz"],
    score: |head| head.starts_with(b"PK\x03\x04").then_some(100),
    beside: super::by_itself,
    open,
};

/// An archive of more files is no capture.
const MOST_MEMBERS: u64 = 4096;
/// The end of the directory may have a comment of so many bytes.
const LONGEST_END: u64 = 22 + 0xffff;
/// Deflate unpacks to at most 1032 times the size.
const MOST_GROWTH: u64 = 1032;

fn refuse(source: &Source, found: impl Into<String>) -> Error {
    Error::input(found)
        .in_file(source.name())
        .expected("a zip archive of NPY arrays")
        .remedy("save the arrays once more, or copy the file once more")
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let members = members(source)?;
    let (mut arrays, mut skipped) = (Vec::new(), Vec::new());
    for member in members {
        let Some(name) = member.name.strip_suffix(".npy").map(str::to_owned) else {
            skipped.push(format!("\"{}\" is no NPY array", printable(&member.name)));
            continue;
        };
        let array = member.as_source(source).map_err(Trouble::from).and_then(|own| array(&name, &own, member.size));
        match array {
            Ok(array) => arrays.push(array),
            Err(Trouble::Skip(why)) => skipped.push(format!("\"{}\" {why}", printable(&name))),
            Err(Trouble::Refuse(error)) => return Err(error.in_file(source.name())),
        }
    }
    let layout = format!("NPZ, {} arrays", arrays.len());
    recording(Container { source, format: FORMAT.name, layout, arrays, remarks: Vec::new(), skipped }, options)
}

/// Why an array cannot be used.
enum Trouble {
    /// It cannot be a channel, and others may.
    Skip(String),
    /// The file is not sound.
    Refuse(Error),
}

impl From<Error> for Trouble {
    fn from(error: Error) -> Self {
        Trouble::Refuse(error)
    }
}

fn array(name: &str, source: &Source, size: u64) -> Result<Array, Trouble> {
    let start = npy::start(source)?;
    let (number, kind) = match (start.number, start.seconds) {
        (_, Some(seconds)) => (Number::I64, Kind::Time { seconds, epoch_s: 0.0 }),
        (Ok(number), _) if number.is_whole() => (number, Kind::Whole),
        (Ok(number), _) => (number, Kind::Floating),
        (Err(why), _) => return Err(Trouble::Skip(why)),
    };
    let layout = Layout::of(&start.shape, start.fortran)
        .ok_or_else(|| Trouble::Skip(format!("has {} axes", start.shape.len())))?;
    let numbers = start.shape.iter().try_fold(number.bytes() as u64, |product, &n| product.checked_mul(n));
    let there = size.saturating_sub(start.data_at);
    if numbers != Some(there) {
        let found = format!("\"{}\" has the shape {:?} and {there} bytes of numbers", printable(name), start.shape);
        return Err(Trouble::Refuse(refuse(source, found)));
    }
    if there == 0 {
        return Err(Trouble::Skip("is empty".to_owned()));
    }
    let about = format!("{}, shape {:?}", start.about, start.shape);
    let dense =
        Dense { source: source.clone(), at: start.data_at, number, big_endian: start.big_endian, layout, epoch: None };
    let (dense, kind) = dense.timed(kind)?;
    let (name, unit) = (name.to_owned(), String::new());
    Ok(Array { name, unit, kind, rows: layout.rows, columns: layout.columns, about, open: dense.opener() })
}

/// A file in the archive.
#[derive(Debug, Clone)]
struct Member {
    name: String,
    deflated: bool,
    checksum: u32,
    packed: u64,
    size: u64,
    /// Where its own header stands.
    header_at: u64,
}

fn word(bytes: &[u8], at: usize) -> u64 {
    bytes.get(at..at + 2).map_or(0, |b| u64::from(u16::from_le_bytes([b[0], b[1]])))
}

fn long(bytes: &[u8], at: usize) -> u64 {
    word(bytes, at) | word(bytes, at + 2) << 16
}

fn huge(bytes: &[u8], at: usize) -> u64 {
    long(bytes, at) | long(bytes, at + 4) << 32
}

/// All files of the archive, held against its length.
fn members(source: &Source) -> Result<Vec<Member>, Error> {
    let length = source.byte_count()?;
    let (count, mut at, end) = directory(source, length)?;
    if count > MOST_MEMBERS {
        return Err(refuse(source, format!("is an archive of {count} files")));
    }
    let mut members = Vec::new();
    let mut packed = 0u64;
    for _ in 0..count {
        /// The fixed part of a row, and the longest name and extra field that are looked at.
        const ROW: usize = 46;
        let row = source.bytes_at(at, ROW + 0x2_0000)?;
        if !row.starts_with(b"PK\x01\x02") || at >= end {
            return Err(refuse(source, "has a damaged directory").at_byte(at));
        }
        let sizes = [28, 30, 32].map(|at| word(&row, at));
        let name = usize::try_from(sizes[0]).unwrap_or(0);
        let extra = usize::try_from(sizes[1]).unwrap_or(0);
        let (Some(name), Some(extra)) = (row.get(ROW..ROW + name), row.get(ROW + name..ROW + name + extra)) else {
            return Err(refuse(source, "ends within its directory").at_byte(at));
        };
        let name = String::from_utf8_lossy(name).into_owned();
        let mut fields = [long(&row, 24), long(&row, 20), long(&row, 42)];
        large_fields(extra, &mut fields);
        let [size, in_archive, header_at] = fields;
        let method = word(&row, 10);
        if word(&row, 8) & 1 != 0 || !matches!(method, 0 | 8) {
            let how =
                if method == 0 || method == 8 { "encrypted".to_owned() } else { format!("packed by method {method}") };
            return Err(refuse(source, format!("\"{}\" is {how}", printable(&name)))
                .expected("arrays that are stored or deflated")
                .remedy("save with savez or savez_compressed"));
        }
        let plausible = if method == 0 { size == in_archive } else { size / MOST_GROWTH <= in_archive };
        packed = packed.saturating_add(in_archive);
        if !plausible || packed > length || header_at >= length {
            let found = format!("\"{}\" claims {in_archive} bytes here and {size} unpacked", printable(&name));
            return Err(refuse(source, found).at_byte(at));
        }
        let checksum = u32::try_from(long(&row, 16)).unwrap_or(0);
        members.push(Member { name, deflated: method == 8, checksum, packed: in_archive, size, header_at });
        at += ROW as u64 + sizes.iter().sum::<u64>();
    }
    Ok(members)
}

/// The fields of files beyond four gigabytes stand in an extra field with the number 1, in this order.
fn large_fields(extra: &[u8], fields: &mut [u64; 3]) {
    let mut at = 0;
    while at + 4 <= extra.len() {
        let (kind, size) = (word(extra, at), usize::try_from(word(extra, at + 2)).unwrap_or(0));
        let own = extra.get(at + 4..at + 4 + size).unwrap_or_default();
        if kind == 1 {
            let large = fields.iter_mut().filter(|field| **field == 0xffff_ffff);
            large.zip(own.chunks_exact(8)).for_each(|(field, bytes)| *field = huge(bytes, 0));
        }
        at += 4 + size;
    }
}

/// How many files the directory lists, where it begins and where it ends.
fn directory(source: &Source, length: u64) -> Result<(u64, u64, u64), Error> {
    let from = length.saturating_sub(LONGEST_END + 20);
    let tail = source.bytes_at(from, usize::try_from(LONGEST_END + 20).unwrap_or(usize::MAX))?;
    let is_end = |&at: &usize| {
        tail[at..].starts_with(b"PK\x05\x06")
            && at + 22 + usize::try_from(word(&tail, at + 20)).unwrap_or(0) <= tail.len()
    };
    let at = (0..tail.len().saturating_sub(21)).rev().find(is_end);
    let at = at.ok_or_else(|| refuse(source, "is a zip archive without its directory: it was cut short"))?;
    let (mut count, mut begin) = (word(&tail, at + 10), long(&tail, at + 16));
    if let Some(pointer) = at.checked_sub(20).map(|at| &tail[at..]).filter(|tail| tail.starts_with(b"PK\x06\x07")) {
        let large = source.bytes_at(huge(pointer, 8).min(length), 56)?;
        if large.len() == 56 && large.starts_with(b"PK\x06\x06") {
            (count, begin) = (huge(&large, 32), huge(&large, 48));
        }
    }
    Ok((count, begin, from + at as u64))
}

impl Member {
    /// Its bytes, unpacked on the way.
    fn as_source(&self, archive: &Source) -> Result<Source, Error> {
        let header = archive.bytes_at(self.header_at, 30)?;
        if header.len() < 30 || !header.starts_with(b"PK\x03\x04") {
            return Err(refuse(archive, format!("\"{}\" is not where the directory says", printable(&self.name)))
                .at_byte(self.header_at));
        }
        let at = self.header_at + 30 + word(&header, 26) + word(&header, 28);
        Ok(Source::new(Unpacked { archive: archive.clone(), member: self.clone(), at }))
    }
}

struct Unpacked {
    archive: Source,
    member: Member,
    /// The first byte in the archive.
    at: u64,
}

impl Origin for Unpacked {
    fn name(&self) -> &str {
        self.archive.name()
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.member.size)
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        /// What lies further back in a stored array is gone to at once, without a look at what is before it.
        const NEAR: u64 = 1 << 16;
        let Member { deflated, packed, size, checksum, .. } = self.member;
        let open = |at| self.archive.open_at(at).map_err(|error| io::Error::other(error.to_string()));
        if !deflated && position > NEAR {
            return Ok(Box::new(open(self.at + position)?.take(size.saturating_sub(position))));
        }
        let stored = open(self.at)?.take(packed);
        let inner: Box<dyn Read + Send> =
            if deflated { Box::new(DeflateDecoder::new(stored)) } else { Box::new(stored) };
        let mut stream = Checked { inner, left: size, sum: Crc::new(), checksum };
        io::copy(&mut (&mut stream).take(position), &mut io::sink())?;
        Ok(Box::new(stream))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}

/// A stream of a stated length and checksum.
struct Checked {
    inner: Box<dyn Read + Send>,
    left: u64,
    sum: Crc,
    checksum: u32,
}

impl Read for Checked {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let most = usize::try_from(self.left).unwrap_or(usize::MAX).min(buffer.len());
        if most == 0 {
            return Ok(0);
        }
        let count = self.inner.read(&mut buffer[..most])?;
        self.sum.update(&buffer[..count]);
        self.left -= count as u64;
        if self.left == 0 && self.sum.sum() != self.checksum {
            return Err(io::Error::other("an array does not have the checksum that the archive states: it is damaged"));
        }
        Ok(count)
    }
}
