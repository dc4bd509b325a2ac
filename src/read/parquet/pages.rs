//! The pages of one column in one group of rows: their headers, and their bytes unpacked within a bound.
//!
//! ```text
//! header (thrift): 1 kind   2 size unpacked   3 size here   5, 7, 8 one of: data, dictionary, data of version 2
//! the bytes, packed by the column's codec; in version 2 the levels stand in front, never packed
//! ```
//!
//! The crate's own reader of pages believes their sizes; this one holds them against a bound, and packs without C.
//!
//! # Sources
//! Apache Parquet format, PageHeader (from memory).

use std::io::Read;

use bytes::Bytes;
use flate2::read::MultiGzDecoder;
use parquet::basic::{Compression, Encoding};
use parquet::column::page::{Page, PageMetadata, PageReader};
use parquet::errors::{ParquetError, Result};
use ruzstd::decoding::StreamingDecoder;

use super::thrift::{I32, STRUCT, Thrift};
use crate::read::Source;

/// Pages are a megabyte or so; a header beyond this is none.
const LONGEST_HEADER: usize = 1 << 14;

/// The pages of a column chunk, one after the other.
pub(super) struct Pages {
    pub(super) source: Source,
    pub(super) codec: Compression,
    /// The next byte, and the end of the chunk.
    pub(super) at: u64,
    pub(super) end: u64,
    /// The largest page that is unpacked.
    pub(super) most: usize,
    /// Bytes of a value, for dictionaries.
    pub(super) width: usize,
    /// Values that are still to come.
    pub(super) left: u64,
    /// Whether values may be missing, so that levels stand in front of them.
    pub(super) has_gaps: bool,
    /// Whether the page that others refer to has come.
    pub(super) has_dictionary: bool,
}

fn wrong(what: impl Into<String>) -> ParquetError {
    ParquetError::General(what.into())
}

#[derive(Debug, Default)]
struct PageHeader {
    kind: i64,
    unpacked: i64,
    packed: i64,
    /// The fields 1 to 7 of the header within, as far as they are numbers; a truth value is 0 or 1.
    inner: [Option<i64>; 8],
}

impl PageHeader {
    fn read(thrift: &mut Thrift<'_>) -> Option<Self> {
        let mut header = Self::default();
        let mut last = 0;
        while let Some((number, kind)) = thrift.field(&mut last)? {
            match (number, kind) {
                (1, I32) => header.kind = thrift.number()?,
                (2, I32) => header.unpacked = thrift.number()?,
                (3, I32) => header.packed = thrift.number()?,
                (5 | 7 | 8, STRUCT) => header.inner(thrift)?,
                _ => thrift.skip(kind)?,
            }
        }
        Some(header)
    }

    fn inner(&mut self, thrift: &mut Thrift<'_>) -> Option<()> {
        let mut last = 0;
        while let Some((number, kind)) = thrift.field(&mut last)? {
            let value = match kind {
                1 | 2 => Some(i64::from(kind == 1)),
                I32 => Some(thrift.number()?),
                _ => {
                    thrift.skip(kind)?;
                    None
                }
            };
            let place = usize::try_from(number).ok().and_then(|number| self.inner.get_mut(number));
            if let (Some(place), Some(value)) = (place, value) {
                *place = Some(value);
            }
        }
        Some(())
    }

    fn count(&self, field: usize) -> Result<u32> {
        let value = self.inner.get(field).copied().flatten().unwrap_or(0);
        u32::try_from(value).map_err(|_| wrong("a page with a count below zero"))
    }

    fn encoding(&self, field: usize) -> Result<Encoding> {
        Ok(match self.inner.get(field).copied().flatten() {
            Some(0) => Encoding::PLAIN,
            Some(2) => Encoding::PLAIN_DICTIONARY,
            Some(3) => Encoding::RLE,
            Some(5) => Encoding::DELTA_BINARY_PACKED,
            Some(8) => Encoding::RLE_DICTIONARY,
            Some(9) => Encoding::BYTE_STREAM_SPLIT,
            other => return Err(wrong(format!("the encoding {other:?} is none of those for numbers"))),
        })
    }
}

impl Pages {
    fn size(&self, claimed: i64) -> Result<usize> {
        usize::try_from(claimed).ok().filter(|&size| size <= self.most).ok_or_else(|| {
            wrong(format!("a page of {claimed} bytes, more than the {} that --max-memory leaves for one", self.most))
        })
    }

    /// The size of a page unpacked, where its codec can make so much of so few bytes.
    fn unpacked_size(&self, claimed: i64, packed: usize) -> Result<usize> {
        const SMALL: usize = 1 << 12;
        // Copies of 64 bytes take three in snappy, runs of 255 one in LZ4; deflate reaches 1032, zstd more, which no
        // samples do.
        let growth = match self.codec {
            Compression::UNCOMPRESSED => 1,
            Compression::SNAPPY => 32,
            Compression::LZ4_RAW => 256,
            _ => 2000,
        };
        let size = self.size(claimed)?;
        let believed = size <= packed.saturating_mul(growth).saturating_add(SMALL);
        if believed { Ok(size) } else { Err(wrong(format!("a page of {packed} bytes that claims {size} unpacked"))) }
    }

    fn next_page(&mut self) -> Result<Option<Page>> {
        while self.at < self.end && self.left > 0 {
            let start = self.at;
            let room = usize::try_from(self.end - start).unwrap_or(usize::MAX);
            let bytes = |at, most| self.source.bytes_at(at, most).map_err(|error| wrong(error.to_string()));
            let head = bytes(start, LONGEST_HEADER.min(room))?;
            let mut thrift = Thrift::new(&head);
            let header = PageHeader::read(&mut thrift).ok_or_else(|| wrong("a page without a sound header"))?;
            let data_at = start + thrift.position() as u64;
            let packed = self.size(header.packed)?;
            let unpacked = self.unpacked_size(header.unpacked, packed)?;
            let next = data_at + packed as u64;
            if next > self.end {
                return Err(wrong("a page that reaches beyond its column"));
            }
            let body = bytes(data_at, packed)?;
            if body.len() != packed {
                return Err(wrong("the file ends within a page"));
            }
            self.at = next;
            let page = match header.kind {
                2 if self.has_dictionary => return Err(wrong("a column with two dictionaries")),
                0 => self.data(&header, &body, unpacked)?,
                2 => self.dictionary(&header, &body, unpacked)?,
                3 => self.data_of_version_2(&header, &body, unpacked)?,
                _ => continue,
            };
            if matches!(page, Page::DictionaryPage { .. }) {
                self.has_dictionary = true;
            } else {
                let by_dictionary = matches!(page.encoding(), Encoding::RLE_DICTIONARY | Encoding::PLAIN_DICTIONARY);
                if by_dictionary && !self.has_dictionary {
                    return Err(wrong("a page that refers to a dictionary where there is none"));
                }
                self.left = self.left.saturating_sub(u64::from(page.num_values()));
            }
            return Ok(Some(page));
        }
        Ok(None)
    }

    fn data(&self, header: &PageHeader, body: &[u8], unpacked: usize) -> Result<Page> {
        let mut buf = self.unpack(body, unpacked)?;
        let levels = match (self.has_gaps, buf.first_chunk()) {
            (false, _) => 0,
            (true, Some(length)) => 4usize.saturating_add(u32::from_le_bytes(*length) as usize),
            (true, None) => return Err(wrong("a page without the levels of its column")),
        };
        let encoding = self.joined(header.encoding(2)?, &mut buf, levels)?;
        Ok(Page::DataPage {
            buf: Bytes::from(buf),
            num_values: header.count(1)?,
            encoding,
            def_level_encoding: Encoding::RLE,
            rep_level_encoding: Encoding::RLE,
            statistics: None,
        })
    }

    fn dictionary(&self, header: &PageHeader, body: &[u8], unpacked: usize) -> Result<Page> {
        let num_values = header.count(1)?;
        let buf = Bytes::from(self.unpack(body, unpacked)?);
        if num_values as usize * self.width != buf.len() {
            return Err(wrong(format!("a dictionary of {num_values} values in {} bytes", buf.len())));
        }
        Ok(Page::DictionaryPage { buf, num_values, encoding: Encoding::PLAIN, is_sorted: false })
    }

    fn data_of_version_2(&self, header: &PageHeader, body: &[u8], unpacked: usize) -> Result<Page> {
        let (def, rep) = (header.count(5)?, header.count(6)?);
        let levels = def as usize + rep as usize;
        let (Some((front, rest)), Some(values)) = (body.split_at_checked(levels), unpacked.checked_sub(levels)) else {
            return Err(wrong("a page whose levels are longer than itself"));
        };
        let is_compressed = header.inner.get(7).copied().flatten() != Some(0);
        let mut buf = front.to_vec();
        if is_compressed && values > 0 {
            buf.extend(self.unpack(rest, values)?);
        } else {
            buf.extend(rest);
        }
        let encoding = self.joined(header.encoding(4)?, &mut buf, levels)?;
        Ok(Page::DataPageV2 {
            buf: Bytes::from(buf),
            num_values: header.count(1)?,
            encoding,
            num_nulls: header.count(2)?,
            num_rows: header.count(3)?,
            def_levels_byte_len: def,
            rep_levels_byte_len: rep,
            is_compressed: false,
            statistics: None,
        })
    }

    /// Puts the bytes of each value together where they lie apart, stream by stream: the crate's decoder panics where
    /// there are fewer than the page claims.
    fn joined(&self, encoding: Encoding, page: &mut [u8], levels: usize) -> Result<Encoding> {
        if encoding != Encoding::BYTE_STREAM_SPLIT {
            return Ok(encoding);
        }
        let values = page.get_mut(levels..).filter(|values| values.len() % self.width == 0);
        let values = values.ok_or_else(|| wrong("a page that holds no whole number of values"))?;
        let apart = values.to_vec();
        let count = apart.len() / self.width;
        for (at, value) in values.chunks_exact_mut(self.width).enumerate() {
            value.iter_mut().zip(apart.iter().skip(at).step_by(count)).for_each(|(byte, apart)| *byte = *apart);
        }
        Ok(Encoding::PLAIN)
    }

    /// So many bytes, no more and no less.
    fn unpack(&self, body: &[u8], size: usize) -> Result<Vec<u8>> {
        let failed = |what: &str| wrong(format!("a page that does not unpack: {what}"));
        let read = |reader: &mut dyn Read| {
            let mut out = Vec::new();
            reader.take(size as u64 + 1).read_to_end(&mut out).map_err(|error| failed(&error.to_string()))?;
            Ok::<_, ParquetError>(out)
        };
        let out = match self.codec {
            Compression::UNCOMPRESSED => body.to_vec(),
            Compression::SNAPPY => match snap::raw::decompress_len(body) {
                Ok(length) if length == size => {
                    snap::raw::Decoder::new().decompress_vec(body).map_err(|error| failed(&error.to_string()))?
                }
                _ => return Err(failed("it states another length")),
            },
            Compression::GZIP(_) => read(&mut MultiGzDecoder::new(body))?,
            Compression::ZSTD(_) => {
                read(&mut StreamingDecoder::new(body).map_err(|error| failed(&error.to_string()))?)?
            }
            Compression::LZ4_RAW => {
                lz4_flex::block::decompress(body, size).map_err(|error| failed(&error.to_string()))?
            }
            other => return Err(wrong(format!("its pages are packed by {other}, which is not read here"))),
        };
        if out.len() == size { Ok(out) } else { Err(failed("it has another length")) }
    }
}

impl Iterator for Pages {
    type Item = Result<Page>;

    fn next(&mut self) -> Option<Self::Item> {
        self.next_page().transpose()
    }
}

impl PageReader for Pages {
    fn get_next_page(&mut self) -> Result<Option<Page>> {
        self.next_page()
    }

    /// Never needed: nothing is skipped, and no column has repeated values.
    fn peek_next_page(&mut self) -> Result<Option<PageMetadata>> {
        Err(wrong("pages are read in order"))
    }

    fn skip_next_page(&mut self) -> Result<()> {
        self.next_page().map(|_| ())
    }

    fn at_record_boundary(&mut self) -> Result<bool> {
        Ok(true)
    }
}
