//! The messages of a stream, and the bytes of one column in one batch, held against the length of the file.
//!
//! The crate's own readers make room for whatever a message claims; here only its headers are used, which it checks
//! before anything is read from them, and the bodies are streamed.
//!
//! # Sources
//! Apache Arrow columnar format, serialization and inter-process communication, through the crate `arrow-ipc` where it
//! describes headers, else from memory; LZ4 frame format 1.6 for the size of its blocks (from memory).

use std::io::{self, BufReader, Read};

use arrow_ipc::{Buffer, CompressionType, Message, MessageHeader, RecordBatch, root_as_message_with_opts};
use flatbuffers::VerifierOptions;
use lz4_flex::frame::FrameDecoder;

use super::MAGIC;
use crate::error::Error;
use crate::read::{Origin, Source, packed};

/// A header beyond this describes no capture.
const LONGEST_HEADER: u64 = 1 << 24;
/// Packed, values take at least one byte in so many (`packed.rs` has the same bound), and so many bytes are always
/// believed.
const MOST_GROWTH: u64 = 2000;
const SMALL: u64 = 1 << 16;

pub(super) fn refuse(source: &Source, found: impl Into<String>) -> Error {
    Error::input(found)
        .in_file(source.name())
        .expected("an Arrow IPC file or stream of plain columns")
        .remedy("save or copy the file once more")
}

/// A header of a message, checked by the crate before anything is read from it.
pub(super) fn message(bytes: &[u8]) -> Option<Message<'_>> {
    // A header may name one part of itself many times over; what all of it comes to is bounded.
    let bounds = VerifierOptions { max_tables: 1 << 16, max_apparent_size: 1 << 26, ..VerifierOptions::default() };
    root_as_message_with_opts(&bounds, bytes).ok()
}

/// Where a batch of rows lies.
#[derive(Debug, Clone, Copy)]
pub(super) struct Batch {
    header_at: u64,
    header: usize,
    body_at: u64,
    body: u64,
    pub(super) rows: u64,
}

/// The header of the schema, and all batches.
pub(super) struct Stream {
    pub(super) schema: Vec<u8>,
    pub(super) batches: Vec<Batch>,
    pub(super) is_file: bool,
}

impl Stream {
    /// Walks over the messages.
    ///
    /// # Errors
    /// Messages that are not sound, or reach beyond the file.
    pub(super) fn of(source: &Source) -> Result<Self, Error> {
        let length = source.byte_count()?;
        let is_file = source.bytes_at(0, MAGIC.len())? == MAGIC;
        let (mut at, mut end) = (0, length);
        if is_file {
            at = 8;
            end = length.saturating_sub(MAGIC.len() as u64);
            if end < at || source.bytes_at(end, MAGIC.len())? != MAGIC {
                return Err(refuse(source, "does not end as an Arrow file does: it was cut short"));
            }
        }
        let (mut schema, mut batches) = (None, Vec::new());
        while at < end {
            let prefix = source.bytes_at(at, 8)?;
            let word = |at: usize| prefix.get(at..at + 4).and_then(|four| <[u8; 4]>::try_from(four).ok());
            // Before version 0.15 there was no mark in front of the length.
            let (mark, size) = match (word(0), word(4)) {
                (Some([0xff, 0xff, 0xff, 0xff]), size) => (8, size),
                (size, _) => (4, size),
            };
            let cut = |what: &str| refuse(source, format!("is cut short {what}")).at_byte(at);
            let size = u64::from(u32::from_le_bytes(size.ok_or_else(|| cut("between its messages"))?));
            if size == 0 {
                break;
            }
            let header_at = at + mark;
            let body_at = header_at + size;
            if body_at > end || size > LONGEST_HEADER {
                return Err(cut(&format!("or damaged: a header of {size} bytes begins here")));
            }
            let header = source.bytes_at(header_at, usize::try_from(size).unwrap_or(usize::MAX))?;
            let message =
                message(&header).ok_or_else(|| refuse(source, "has a message without a sound header").at_byte(at))?;
            let body = u64::try_from(message.bodyLength()).ok();
            let next = body.and_then(|body| body_at.checked_add(body)).filter(|&next| next <= end);
            let next = next.ok_or_else(|| cut(&format!("within a body of {} bytes", message.bodyLength())))?;
            let body = next - body_at;
            if message.header_type() == MessageHeader::Schema && schema.is_none() {
                schema = Some(header);
            } else if let Some(batch) = message.header_as_record_batch().filter(|_| schema.is_some()) {
                let rows = u64::try_from(batch.length()).ok().filter(|&rows| rows / MOST_GROWTH <= body + SMALL);
                let claims = || format!("claims {} rows in {body} bytes", batch.length());
                let rows = rows.ok_or_else(|| refuse(source, claims()).at_byte(at))?;
                batches.push(Batch { header_at, header: header.len(), body_at, body, rows });
            } else if message.header_type() != MessageHeader::DictionaryBatch {
                let found = "has a message that is neither a schema in front nor a batch of rows";
                return Err(refuse(source, found).at_byte(at));
            }
            at = next;
        }
        let schema = schema.ok_or_else(|| refuse(source, "has no schema"))?;
        Ok(Self { schema, batches, is_file })
    }
}

/// The values of a column in a batch, and the bits that say where there is one.
pub(super) struct Values {
    pub(super) numbers: Box<dyn Read + Send>,
    pub(super) present: Option<Box<dyn Read + Send>>,
}

impl Batch {
    /// Opens a column: the node and the first buffer that its field has, the bytes of a number.
    ///
    /// # Errors
    /// Buffers that are missing, reach beyond the body, or are shorter than the rows need.
    pub(super) fn open(
        &self,
        source: &Source,
        [node, buffer]: [usize; 2],
        width: usize,
        memory: u64,
    ) -> Result<Values, Error> {
        let unsound = |what: &str| refuse(source, format!("has a batch of rows {what}")).at_byte(self.header_at);
        let header = source.bytes_at(self.header_at, self.header)?;
        let batch = message(&header).and_then(|message| message.header_as_record_batch());
        let batch = batch.ok_or_else(|| unsound("that changed while it was read"))?;
        let node = batch.nodes().filter(|nodes| node < nodes.len()).map(|nodes| *nodes.get(node));
        let node = node.filter(|node| u64::try_from(node.length()) == Ok(self.rows));
        let node = node.ok_or_else(|| unsound("with a column of another length"))?;
        let buffers = batch.buffers().filter(|buffers| buffer + 1 < buffers.len());
        let buffers = buffers.map(|buffers| [*buffers.get(buffer), *buffers.get(buffer + 1)]);
        let [present, numbers] = buffers.ok_or_else(|| unsound("with too few buffers"))?;
        let bytes = self.rows.checked_mul(width as u64).ok_or_else(|| unsound("beyond all bounds"))?;
        let stream = |buffer: &Buffer, bytes: u64| {
            let stretch = self.stretch(source, buffer).ok_or_else(|| unsound("with a buffer outside its body"))?;
            unpacked(stretch, codec(&batch), bytes, memory)?
                .ok_or_else(|| unsound(&format!("with a buffer that cannot hold its {} rows", self.rows)))
        };
        let has_gaps = node.null_count() != 0 && present.length() != 0;
        let present = has_gaps.then(|| stream(&present, self.rows.div_ceil(8))).transpose()?;
        Ok(Values { numbers: stream(&numbers, bytes)?, present })
    }

    fn stretch(&self, source: &Source, buffer: &Buffer) -> Option<Stretch> {
        let (offset, length) = (u64::try_from(buffer.offset()).ok()?, u64::try_from(buffer.length()).ok()?);
        let fits = offset.checked_add(length)? <= self.body;
        fits.then(|| Stretch { source: source.clone(), at: self.body_at + offset, length })
    }
}

fn codec(batch: &RecordBatch<'_>) -> Option<CompressionType> {
    batch.compression().map(|compression| compression.codec())
}

/// A stream of at least so many bytes out of a buffer; `None` where it cannot hold them.
fn unpacked(
    stretch: Stretch,
    codec: Option<CompressionType>,
    bytes: u64,
    memory: u64,
) -> Result<Option<Box<dyn Read + Send>>, Error> {
    let source = stretch.source.clone();
    let buffered = |stretch: &Stretch| -> Result<BufReader<_>, Error> {
        Ok(BufReader::with_capacity(1 << 16, source.open_at(stretch.at)?.take(stretch.length)))
    };
    let Some(codec) = codec else {
        let fits = bytes <= stretch.length;
        return Ok(if fits { Some(Box::new(buffered(&stretch)?)) } else { None });
    };
    // In front of packed values stands their length; minus one where they were left as they are.
    let claimed = <[u8; 8]>::try_from(source.bytes_at(stretch.at, 8)?).map(i64::from_le_bytes);
    let (Ok(claimed), Some(length)) = (claimed, stretch.length.checked_sub(8)) else { return Ok(None) };
    let packed = Stretch { at: stretch.at + 8, length, ..stretch };
    if claimed == -1 {
        let fits = bytes <= length;
        return Ok(if fits { Some(Box::new(buffered(&packed)?)) } else { None });
    }
    let believed =
        u64::try_from(claimed).is_ok_and(|claimed| bytes <= claimed) && bytes / MOST_GROWTH <= length + SMALL;
    let head = source.bytes_at(packed.at, 6)?;
    Ok(match (codec, &head[..]) {
        _ if !believed => None,
        (CompressionType::LZ4_FRAME, [0x04, 0x22, 0x4d, 0x18, _, sizes]) => {
            // 64 KiB, and four times as much with each step; the decoder holds three of them.
            let block = 1u64 << (8 + 2 * u32::from(sizes >> 4 & 7));
            if 3 * block > memory / 4 {
                return Err(refuse(&source, format!("is packed in blocks of {block} bytes"))
                    .remedy("allow more with --max-memory, or save the table with smaller blocks"));
            }
            Some(Box::new(FrameDecoder::new(buffered(&packed)?)))
        }
        (CompressionType::ZSTD, [0x28, 0xb5, 0x2f, 0xfd, ..]) => {
            Some(packed::unpacked(&Source::new(packed), memory)?.open_at(0)?)
        }
        _ => None,
    })
}

/// A stretch of a file as a source of its own.
struct Stretch {
    source: Source,
    at: u64,
    length: u64,
}

impl Origin for Stretch {
    fn name(&self) -> &str {
        self.source.name()
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.length)
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let inner = self.source.open_at(self.at + position).map_err(|error| io::Error::other(error.to_string()))?;
        Ok(Box::new(inner.take(self.length.saturating_sub(position))))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}
