//! MAT level 5: variables with names, as numerical programs save them, compressed or not, either byte order.
//!
//! ```text
//! text (116 bytes)   subsystem (8)   version 0x0100 (2)   "IM" low byte first, or "MI" (2)
//! for each variable:  type 14 (4)   length (4)   flags   lengths of the axes   name   numbers
//!                or:  type 15 (4)   length (4)   the same, by zlib
//! each part:          type (4)   length (4)   bytes, padded to eight
//!                or:  length (2) and type (2) in one word   bytes, padded to four
//! ```
//!
//! Matrices lie column by column. The class says what the numbers are; they may be stored in a smaller type where
//! they fit. Structures, cells, sparse and complex matrices hold no channel and are left out with a sentence.
//!
//! # Sources
//! MAT-File Format, level 5, as published for other programs to read (from memory).

use std::io::{self, BufReader, Read};

use flate2::bufread::ZlibDecoder;

use super::arrays::{Array, Container, Dense, Kind, Layout, recording};
use super::numbers::Number;
use super::{Format, Origin, ReadOptions, Source};
use crate::capture::Recording;
use crate::error::{Error, printable};

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "mat",
    about: "MAT files of level 5 with named matrices, with the rate or the times among them",
    extensions: &["mat"],
    score,
    beside: super::by_itself,
    open,
};

const HEADER: u64 = 128;
const MATRIX: u32 = 14;
const COMPRESSED: u32 = 15;
/// A file of more variables is no capture.
const MOST_VARIABLES: usize = 4096;
/// The parts before the numbers of a variable are shorter than this.
const LONGEST_START: usize = 8192;
/// Deflate unpacks to at most 1032 times the size.
const MOST_GROWTH: u64 = 1032;
/// What a few bytes may unpack to besides.
const SMALL: u64 = 1 << 12;

const HDF5: &[u8] = b"\x89HDF\r\n\x1a\n";

fn score(head: &[u8]) -> Option<u8> {
    let level_5 = matches!(head.get(124..128), Some([0..=2, _, b'I', b'M'] | [_, 0..=2, b'M', b'I']));
    (level_5 || is_hdf5(head)).then_some(95)
}

/// Level 7.3, and other files of HDF5.
fn is_hdf5(head: &[u8]) -> bool {
    head.starts_with(HDF5) || head.get(512..).is_some_and(|rest| rest.starts_with(HDF5))
}

fn refuse(source: &Source, found: impl Into<String>) -> Error {
    Error::input(found)
        .in_file(source.name())
        .expected("a MAT file of level 5")
        .remedy("save or copy the file once more")
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let head = source.bytes_at(0, 1024)?;
    if is_hdf5(&head) {
        return Err(refuse(source, "is an HDF5 file, such as MAT of level 7.3, which is not read here")
            .expected("MAT of level 5, CSV, NPZ, WAV or another format of the list")
            .remedy("save it as level 5 (-v7 or -v6), as NPZ or as CSV"));
    }
    let Some(&[a, b, first, _]) = head.get(124..128) else {
        return Err(refuse(source, "ends within its header"));
    };
    let big_endian = first == b'M';
    let version = if big_endian { [a, b] } else { [b, a] };
    if version != [1, 0] {
        return Err(refuse(source, format!("is a MAT file of version {}.{}", version[0], version[1])));
    }
    let variables = Variables { source, big_endian, length: source.byte_count()? };
    let (arrays, skipped) = variables.all()?;
    let order = if big_endian { "high" } else { "low" };
    let layout = format!("MAT level 5, {order} byte first, {} matrices", arrays.len());
    recording(Container { source, format: FORMAT.name, layout, arrays, remarks: Vec::new(), skipped }, options)
}

/// A part of a variable.
#[derive(Debug, Clone, Copy)]
struct Part {
    kind: u32,
    size: u64,
    /// Its first byte, and the first byte behind it with its padding.
    data_at: usize,
    next: usize,
}

/// The parts before the numbers of a variable, low byte first or not.
struct Parts<'a> {
    bytes: &'a [u8],
    big_endian: bool,
}

impl Parts<'_> {
    fn word(&self, at: usize) -> Option<u32> {
        let four = <[u8; 4]>::try_from(self.bytes.get(at..at.checked_add(4)?)?).ok()?;
        Some(if self.big_endian { u32::from_be_bytes(four) } else { u32::from_le_bytes(four) })
    }

    fn part(&self, at: usize) -> Option<Part> {
        let first = self.word(at)?;
        let small = first >> 16;
        if small > 0 {
            return (small <= 4).then_some(Part {
                kind: first & 0xffff,
                size: u64::from(small),
                data_at: at + 4,
                next: at + 8,
            });
        }
        let size = self.word(at + 4)?;
        let next = at + 8 + usize::try_from(size).ok()?.checked_next_multiple_of(8)?;
        Some(Part { kind: first, size: u64::from(size), data_at: at + 8, next })
    }

    /// A variable's name, class, flags and axes, and the part with its numbers.
    fn matrix(&self) -> Option<Matrix> {
        let whole = self.part(0).filter(|part| part.kind == MATRIX)?;
        if whole.size == 0 {
            return None;
        }
        let flags = self.part(8).filter(|part| part.size == 8)?;
        let word = self.word(flags.data_at)?;
        let (class, complex, logical) = (word & 0xff, word >> 8 & 8 != 0, word >> 8 & 2 != 0);
        // Objects of later programs have no axes.
        let axes = self.part(flags.next)?;
        let plain = axes.kind == 5 && axes.size % 4 == 0 && (8..=256).contains(&axes.size);
        let count = if plain { axes.size / 4 } else { 0 };
        let shape = (0..count).map(|axis| self.word(axes.data_at + 4 * usize::try_from(axis).ok()?).map(u64::from));
        let shape: Vec<u64> = shape.collect::<Option<_>>()?;
        let name = if plain { self.part(axes.next)? } else { axes };
        let bytes = self.bytes.get(name.data_at..name.data_at + usize::try_from(name.size).ok()?)?;
        let name_text = String::from_utf8_lossy(bytes).into_owned();
        Some(Matrix {
            name: name_text,
            class,
            complex,
            logical,
            shape,
            numbers: self.part(name.next),
            size: whole.size,
        })
    }
}

struct Matrix {
    name: String,
    class: u32,
    complex: bool,
    logical: bool,
    shape: Vec<u64>,
    numbers: Option<Part>,
    size: u64,
}

impl Matrix {
    /// Why it can be no channel.
    fn is_no_channel(&self) -> Option<&'static str> {
        Some(match self.class {
            1 => "is a cell array; save what it holds as matrices of their own",
            2 => "is a structure; save its fields as matrices of their own (save with -struct)",
            4 => "is text",
            5 => "is a sparse matrix; save it as a full one",
            6..=15 if self.complex => "is complex; save the real part",
            6..=15 if self.logical => "holds true and false only",
            6..=15 if self.shape.contains(&0) => "is empty",
            6..=15 if self.shape.len() != 2 => "has more than two axes",
            6..=15 => return None,
            _ => "is an object; save its numbers as matrices of their own",
        })
    }
}

/// The type that numbers are stored in.
fn number(kind: u32) -> Option<Number> {
    Some(match kind {
        1 => Number::I8,
        2 => Number::U8,
        3 => Number::I16,
        4 => Number::U16,
        5 => Number::I32,
        6 => Number::U32,
        7 => Number::F32,
        9 => Number::F64,
        12 => Number::I64,
        13 => Number::U64,
        _ => return None,
    })
}

struct Variables<'a> {
    source: &'a Source,
    big_endian: bool,
    length: u64,
}

impl Variables<'_> {
    /// The matrices, and why others are none.
    fn all(&self) -> Result<(Vec<Array>, Vec<String>), Error> {
        let (mut arrays, mut skipped) = (Vec::new(), Vec::new());
        let mut at = HEADER;
        while at < self.length {
            if arrays.len() + skipped.len() == MOST_VARIABLES {
                return Err(refuse(self.source, format!("holds more than {MOST_VARIABLES} variables")));
            }
            let tag = self.source.bytes_at(at, 8)?;
            let tag = Parts { bytes: &tag, big_endian: self.big_endian };
            let (Some(kind), Some(size)) = (tag.word(0), tag.word(4).map(u64::from)) else {
                return Err(refuse(self.source, "ends between its variables").at_byte(at));
            };
            let next = at + 8 + size;
            if next > self.length {
                let found = format!("is cut short: a variable of {size} bytes begins here");
                return Err(refuse(self.source, found).at_byte(at));
            }
            let (own, base, bound) = match kind {
                MATRIX => (self.source.clone(), at, size + 8),
                COMPRESSED => {
                    let inflated = Inflated { file: self.source.clone(), at: at + 8, packed: size };
                    (Source::new(inflated), 0, size.saturating_mul(MOST_GROWTH).saturating_add(SMALL))
                }
                // Parts that later programs add; none of them holds a variable.
                _ => {
                    at = next;
                    continue;
                }
            };
            let start = own.bytes_at(base, LONGEST_START).map_err(|error| error.at_byte(at))?;
            match (Parts { bytes: &start, big_endian: self.big_endian }).matrix() {
                None => skipped.push(format!("the variable at byte {at} is not sound or empty")),
                Some(matrix) if matrix.size + 8 > bound => {
                    let found = format!("\"{}\" claims {} bytes", printable(&matrix.name), matrix.size);
                    return Err(refuse(self.source, found).at_byte(at));
                }
                Some(matrix) => match matrix.is_no_channel() {
                    Some(why) => skipped.push(format!("\"{}\" {why}", printable(&matrix.name))),
                    None => arrays.push(self.array(matrix, own, base).map_err(|error| error.at_byte(at))?),
                },
            }
            at = next;
        }
        Ok((arrays, skipped))
    }

    fn array(&self, matrix: Matrix, source: Source, base: u64) -> Result<Array, Error> {
        let name = printable(&matrix.name);
        let part = matrix.numbers;
        let numbers = part.and_then(|part| Some((part, number(part.kind)?)));
        let (part, number) = numbers.ok_or_else(|| refuse(self.source, format!("\"{name}\" has no numbers")))?;
        let bytes = matrix.shape.iter().try_fold(number.bytes() as u64, |product, &n| product.checked_mul(n));
        if bytes != Some(part.size) || part.data_at as u64 + part.size > matrix.size + 8 {
            let found = format!("\"{name}\" has the shape {:?} and {} bytes of numbers", matrix.shape, part.size);
            return Err(refuse(self.source, found));
        }
        let layout = Layout::of(&matrix.shape, true)
            .ok_or_else(|| refuse(self.source, format!("\"{name}\" has the shape {:?}", matrix.shape)))?;
        const CLASSES: [&str; 10] =
            ["double", "single", "int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64"];
        let class = usize::try_from(matrix.class).ok().and_then(|class| CLASSES.get(class.checked_sub(6)?));
        let about = format!("{}, {} by {}", class.unwrap_or(&"numbers"), matrix.shape[0], matrix.shape[1]);
        let kind = if matrix.class > 7 { Kind::Whole } else { Kind::Floating };
        let at = base + part.data_at as u64;
        let open = Dense { source, at, number, big_endian: self.big_endian, layout, epoch: None }.opener();
        let (rows, columns) = (layout.rows, layout.columns);
        Ok(Array { name: matrix.name, unit: String::new(), kind, rows, columns, about, open })
    }
}

/// A compressed variable as a source: each stream unpacks from its beginning.
struct Inflated {
    file: Source,
    at: u64,
    packed: u64,
}

impl Origin for Inflated {
    fn name(&self) -> &str {
        self.file.name()
    }

    fn byte_count(&self) -> io::Result<u64> {
        io::copy(&mut self.open_at(0)?, &mut io::sink())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let packed = self.file.open_at(self.at).map_err(|error| io::Error::other(error.to_string()))?;
        let mut stream = ZlibDecoder::new(BufReader::with_capacity(1 << 16, packed.take(self.packed)));
        io::copy(&mut (&mut stream).take(position), &mut io::sink())?;
        Ok(Box::new(stream))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}
