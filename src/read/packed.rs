//! Packed files: gzip and zstd, as a source of what is in them.
//!
//! Nothing is unpacked to memory or disk: every stream unpacks anew from the beginning, in constant memory, and what
//! lies before its position is thrown away. What a header says of its length is not believed; it is counted.
//!
//! # Sources
//! RFC 1952 (gzip) and RFC 8878 (zstd) for the first bytes, skippable frames and windows; the decoders are crates.

use std::io::{self, BufRead, BufReader, Read};
use std::sync::OnceLock;

use flate2::bufread::MultiGzDecoder;
use ruzstd::decoding::errors::{FrameDecoderError, ReadFrameHeaderError};
use ruzstd::decoding::{BlockDecodingStrategy, FrameDecoder};

use super::{DEFAULT_MEMORY, Origin, Source};
use crate::error::Error;

/// Unpacked, a file is not more than so many times its size: deflate cannot do more than 1032, and no capture comes
/// near. It keeps a file that is made to unpack without end from taking for ever.
const MOST_GROWTH: u64 = 2000;

/// And so many bytes more, for files of a few bytes.
const SMALL: u64 = 1 << 20;

/// How a file is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Packing {
    Gzip,
    Zstd,
}

impl Packing {
    /// By the first bytes.
    fn of(head: &[u8]) -> Option<Self> {
        match head {
            [0x1f, 0x8b, 8, ..] => Some(Packing::Gzip),
            // The second is a frame to be skipped, which may come first.
            [0x28, 0xb5, 0x2f, 0xfd, ..] | [0x50..=0x5f, 0x2a, 0x4d, 0x18, ..] => Some(Packing::Zstd),
            _ => None,
        }
    }
}

/// The endings that packing puts behind a name.
const ENDINGS: [&str; 2] = [".gz", ".zst"];

/// A name without the ending of its packing.
pub(super) fn bare(name: &str) -> &str {
    let ending = |ending: &&&str| {
        let at = name.len().checked_sub(ending.len());
        at.and_then(|at| name.get(at..)).is_some_and(|own| own.eq_ignore_ascii_case(ending))
    };
    ENDINGS.iter().find(ending).map_or(name, |ending| &name[..name.len() - ending.len()])
}

/// Another file of the same folder, packed or not, as a source of what is in it.
///
/// # Errors
/// What the system answers.
pub(super) fn sibling(source: &Source, name: &str) -> Result<Option<Source>, Error> {
    let names = [name.to_owned()].into_iter().chain(ENDINGS.map(|ending| format!("{name}{ending}")));
    names.into_iter().find_map(|name| source.sibling(&name)).map(|sibling| unpacked(&sibling, DEFAULT_MEMORY)).transpose()
}

/// What is in a packed source; the source itself where it is not packed. Of the memory a quarter may be the stretch
/// that a decoder looks back on.
///
/// # Errors
/// What the system answers.
pub(super) fn unpacked(source: &Source, memory: u64) -> Result<Source, Error> {
    Ok(match Packing::of(&source.bytes_at(0, 4)?) {
        Some(packing) => {
            let most = source.byte_count()?.saturating_mul(MOST_GROWTH).saturating_add(SMALL);
            let window = memory / 4;
            Source::new(Packed { source: source.clone(), packing, most, window, count: OnceLock::new() })
        }
        None => source.clone(),
    })
}

struct Packed {
    source: Source,
    packing: Packing,
    most: u64,
    /// The longest stretch that a decoder may look back on.
    window: u64,
    /// The unpacked length, once it was counted.
    count: OnceLock<u64>,
}

impl Origin for Packed {
    fn name(&self) -> &str {
        self.source.name()
    }

    fn byte_count(&self) -> io::Result<u64> {
        if let Some(count) = self.count.get() {
            return Ok(*count);
        }
        let count = io::copy(&mut self.open_at(0)?, &mut io::sink())?;
        Ok(*self.count.get_or_init(|| count))
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let packed = self.source.open_at(0).map_err(|error| io::Error::other(error.to_string()))?;
        let packed = BufReader::with_capacity(1 << 16, packed);
        let inner: Box<dyn Read + Send> = match self.packing {
            Packing::Gzip => Box::new(MultiGzDecoder::new(packed)),
            Packing::Zstd => {
                let mut decoder = FrameDecoder::new();
                decoder.set_max_window_size(self.window);
                Box::new(Frames { packed, decoder, within: false })
            }
        };
        let mut stream = Bounded { inner, left: self.most };
        io::copy(&mut (&mut stream).take(position), &mut io::sink())?;
        Ok(Box::new(stream))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        self.source.sibling(name)
    }
}

/// A stream that ends in an error where it gives more than is believed.
struct Bounded {
    inner: Box<dyn Read + Send>,
    left: u64,
}

impl Read for Bounded {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(buffer).map_err(|error| match error.kind() {
            io::ErrorKind::Interrupted => error,
            _ => io::Error::other(format!("the packed data are damaged or cut short: {error}")),
        })?;
        self.left = self.left.checked_sub(count as u64).ok_or_else(|| {
            io::Error::other(format!("it unpacks to more than {MOST_GROWTH} times its size, which no capture does"))
        })?;
        Ok(count)
    }
}

type Bytes = BufReader<Box<dyn Read + Send>>;

/// The frames of a zstd file, one behind the other. Frames that hold something else are skipped, as they are meant to
/// be; a checksum behind a frame is compared.
struct Frames {
    packed: Bytes,
    decoder: FrameDecoder,
    /// Whether a frame was begun and not yet given to its end.
    within: bool,
}

impl Frames {
    /// Begins the next frame; `false` at the end of the file.
    fn begin(&mut self) -> io::Result<bool> {
        loop {
            if self.packed.fill_buf()?.is_empty() {
                return Ok(false);
            }
            match self.decoder.init(&mut self.packed) {
                Ok(()) => return Ok(true),
                Err(FrameDecoderError::ReadFrameHeaderError(ReadFrameHeaderError::SkipFrame { length, .. })) => {
                    let length = u64::from(length);
                    if io::copy(&mut (&mut self.packed).take(length), &mut io::sink())? < length {
                        return Err(io::ErrorKind::UnexpectedEof.into());
                    }
                }
                Err(error) => return Err(io::Error::other(error)),
            }
        }
    }

    /// Compares what the frame says of its content with what came out of it.
    fn check(&self) -> io::Result<()> {
        match (self.decoder.get_checksum_from_data(), self.decoder.get_calculated_checksum()) {
            (Some(said), Some(found)) if said != found => Err(io::Error::other("the checksum does not fit")),
            _ => Ok(()),
        }
    }
}

impl Read for Frames {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if buffer.is_empty() {
            return Ok(0);
        }
        loop {
            if !self.within && !self.begin()? {
                return Ok(0);
            }
            self.within = true;
            while self.decoder.can_collect() == 0 && !self.decoder.is_finished() {
                let one = BlockDecodingStrategy::UptoBlocks(1);
                self.decoder.decode_blocks(&mut self.packed, one).map_err(io::Error::other)?;
            }
            match self.decoder.read(buffer)? {
                0 => {
                    self.check()?;
                    self.within = false;
                }
                count => return Ok(count),
            }
        }
    }
}
