//! Bytes to lines: encoding, line ends, and a stream of lines in bounded memory.
//!
//! Everything behind this file sees text whose ASCII characters are single bytes: UTF-16 is turned into UTF-8
//! on the way in, and so is Latin-1 where the user names it. Else UTF-8 and Latin-1 pass as they are and are told
//! apart only where a word is shown.

use std::borrow::Cow;
use std::io::{self, Read};

use crate::error::{Error, printable};
use crate::read::Source;
use crate::spread;

/// How much of a file is looked at to find its structure.
const HEAD: usize = 1 << 18;

/// The longest line that is still taken as a line.
const LONGEST_LINE: usize = 1 << 20;

/// The names of encodings, as options write them.
pub(in crate::read) const ENCODINGS: [&str; 6] = ["auto", "utf-8", "latin-1", "utf-16", "utf-16le", "utf-16be"];

/// How the characters are coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    /// UTF-8 or Latin-1, told apart word by word.
    Bytes,
    /// Latin-1, as the user says, even where the bytes could be UTF-8.
    Latin1,
    /// UTF-8 with a byte-order mark.
    Marked,
    /// UTF-16, low byte first, with a byte-order mark.
    Utf16Le,
    /// UTF-16, high byte first, with a byte-order mark.
    Utf16Be,
    /// UTF-16, low byte first, without a mark.
    Utf16LeBare,
    /// UTF-16, high byte first, without a mark.
    Utf16BeBare,
}

/// Zero bytes in even and in odd places.
fn zeros(head: &[u8]) -> [usize; 2] {
    let count = |from: usize| head.iter().skip(from).step_by(2).filter(|&&byte| byte == 0).count();
    [count(0), count(1)]
}

impl Encoding {
    /// The encoding that the first bytes announce, or that zeros in every second place give away.
    pub(super) fn of(head: &[u8]) -> Self {
        match head {
            [0xef, 0xbb, 0xbf, ..] => Encoding::Marked,
            [0xff, 0xfe, ..] => Encoding::Utf16Le,
            [0xfe, 0xff, ..] => Encoding::Utf16Be,
            _ => match zeros(head) {
                [0, odd] if 3 * odd > head.len() => Encoding::Utf16LeBare,
                [even, 0] if 3 * even > head.len() => Encoding::Utf16BeBare,
                _ => Encoding::Bytes,
            },
        }
    }

    /// The encoding that the user names.
    ///
    /// # Errors
    /// A name that is not known.
    pub(super) fn named(name: &str, head: &[u8]) -> Result<Self, Error> {
        let announced = Self::of(head);
        Ok(match name.to_lowercase().replace(['-', '_', ' '], "").as_str() {
            "auto" => announced,
            "latin1" | "iso88591" | "windows1252" => Encoding::Latin1,
            "utf8" | "ascii" => match announced {
                Encoding::Marked => Encoding::Marked,
                _ => Encoding::Bytes,
            },
            "utf16" if announced != Encoding::Bytes => announced,
            "utf16" | "utf16le" => {
                if announced == Encoding::Utf16Le {
                    announced
                } else {
                    Encoding::Utf16LeBare
                }
            }
            "utf16be" => {
                if announced == Encoding::Utf16Be {
                    announced
                } else {
                    Encoding::Utf16BeBare
                }
            }
            _ => {
                return Err(Error::usage(format!("--encoding {}: no encoding that is known here", printable(name)))
                    .expected(format!("one of: {}", ENCODINGS.join(", "))));
            }
        })
    }

    /// In words, where it is worth a word.
    pub(super) fn words(self) -> Option<&'static str> {
        match self {
            Encoding::Bytes => None,
            Encoding::Latin1 => Some("Latin-1"),
            Encoding::Marked => Some("UTF-8 with a byte-order mark"),
            Encoding::Utf16Le | Encoding::Utf16Be => Some("UTF-16"),
            Encoding::Utf16LeBare | Encoding::Utf16BeBare => Some("UTF-16 without a byte-order mark"),
        }
    }

    /// A stream of the text from its beginning, without the byte-order mark.
    fn open(self, source: &Source) -> Result<Box<dyn Read + Send>, Error> {
        Ok(match self {
            Encoding::Bytes => source.open_at(0)?,
            Encoding::Latin1 => Box::new(Latin1 { stream: source.open_at(0)?, waiting: None }),
            Encoding::Marked => source.open_at(3)?,
            Encoding::Utf16Le => Box::new(Utf16::new(source.open_at(2)?, u16::from_le_bytes)),
            Encoding::Utf16Be => Box::new(Utf16::new(source.open_at(2)?, u16::from_be_bytes)),
            Encoding::Utf16LeBare => Box::new(Utf16::new(source.open_at(0)?, u16::from_le_bytes)),
            Encoding::Utf16BeBare => Box::new(Utf16::new(source.open_at(0)?, u16::from_be_bytes)),
        })
    }
}

/// Latin-1 on the way to UTF-8.
struct Latin1 {
    stream: Box<dyn Read + Send>,
    /// The second byte of a character that found no room.
    waiting: Option<u8>,
}

impl Read for Latin1 {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if out.is_empty() {
            return Ok(0);
        }
        if let Some(byte) = self.waiting.take() {
            out[0] = byte;
            return Ok(1);
        }
        // A character takes two bytes at most.
        let mut chunk = [0; 1 << 13];
        let room = out.len().div_ceil(2).min(chunk.len());
        let count = self.stream.read(&mut chunk[..room])?;
        let mut given = 0;
        for &byte in &chunk[..count] {
            let mut utf8 = [0; 2];
            for &byte in char::from(byte).encode_utf8(&mut utf8).as_bytes() {
                match out.get_mut(given) {
                    Some(place) => *place = byte,
                    None => self.waiting = Some(byte),
                }
                given += 1;
            }
        }
        Ok(given.min(out.len()))
    }
}

/// UTF-16 on the way to UTF-8. What is no character becomes the replacement character.
struct Utf16 {
    stream: Box<dyn Read + Send>,
    unit: fn([u8; 2]) -> u16,
    /// Bytes that do not yet make a character: at most an odd byte behind half a surrogate pair.
    waiting: Vec<u8>,
    ready: Vec<u8>,
    given: usize,
}

impl Utf16 {
    fn new(stream: Box<dyn Read + Send>, unit: fn([u8; 2]) -> u16) -> Self {
        Self { stream, unit, waiting: Vec::new(), ready: Vec::new(), given: 0 }
    }

    /// Decodes the next stretch; at the end of the stream nothing is ready.
    fn refill(&mut self) -> io::Result<()> {
        self.ready.clear();
        self.given = 0;
        let mut chunk = [0; 1 << 14];
        while self.ready.is_empty() {
            let count = self.stream.read(&mut chunk)?;
            self.waiting.extend_from_slice(&chunk[..count]);
            let mut units: Vec<u16> =
                self.waiting.chunks_exact(2).map(|pair| (self.unit)([pair[0], pair[1]])).collect();
            let half = count > 0 && units.last().is_some_and(|unit| (0xd800..0xdc00).contains(unit));
            if half {
                units.pop();
            }
            self.waiting.drain(..2 * units.len());
            for character in char::decode_utf16(units) {
                let mut utf8 = [0; 4];
                let character = character.unwrap_or(char::REPLACEMENT_CHARACTER);
                self.ready.extend_from_slice(character.encode_utf8(&mut utf8).as_bytes());
            }
            if count == 0 {
                break;
            }
        }
        Ok(())
    }
}

impl Read for Utf16 {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.given == self.ready.len() {
            self.refill()?;
        }
        let count = out.len().min(self.ready.len() - self.given);
        out[..count].copy_from_slice(&self.ready[self.given..self.given + count]);
        self.given += count;
        Ok(count)
    }
}

/// Blanks that no keyboard has, as plain ones: the no-break blank of UTF-8 and of Latin-1, thin and narrow ones.
///
/// Only put before a text whose beginning holds such blanks.
struct PlainBlanks {
    stream: Box<dyn Read + Send>,
    /// The beginning of a character that the last stretch cut.
    waiting: Vec<u8>,
    ready: Vec<u8>,
    given: usize,
}

impl PlainBlanks {
    /// How many bytes such a blank takes at the start of `text`; `None`: there is none.
    fn length(text: &[u8]) -> Option<usize> {
        match text {
            // A byte of 0xa0 begins no character of UTF-8, so alone it is Latin-1.
            [0xc2, 0xa0, ..] => Some(2),
            [0xe2, 0x80, 0x80..=0x8a | 0xaf, ..] | [0xe2, 0x81, 0x9f, ..] | [0xe3, 0x80, 0x80, ..] => Some(3),
            _ => None,
        }
    }

    fn are_in(text: &[u8], latin: bool) -> bool {
        (latin && memchr::memchr(0xa0, text).is_some())
            || memchr::memchr3_iter(0xc2, 0xe2, 0xe3, text).any(|at| Self::length(&text[at..]).is_some())
    }
}

impl Read for PlainBlanks {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.given == self.ready.len() {
            self.ready.clear();
            self.given = 0;
            let mut chunk = [0; 1 << 14];
            while self.ready.is_empty() {
                let count = self.stream.read(&mut chunk)?;
                self.waiting.extend_from_slice(&chunk[..count]);
                let mut at = 0;
                while at < self.waiting.len() {
                    let rest = &self.waiting[at..];
                    if count > 0 && rest.len() < 3 && matches!(rest[0], 0xc2 | 0xe2 | 0xe3) {
                        break;
                    }
                    match Self::length(rest) {
                        Some(length) => {
                            self.ready.push(b' ');
                            at += length;
                        }
                        None => {
                            let alone = rest[0] == 0xa0 && self.ready.last().is_none_or(u8::is_ascii);
                            self.ready.push(if alone { b' ' } else { rest[0] });
                            at += 1;
                        }
                    }
                }
                self.waiting.drain(..at);
                if count == 0 {
                    break;
                }
            }
        }
        let count = out.len().min(self.ready.len() - self.given);
        out[..count].copy_from_slice(&self.ready[self.given..self.given + count]);
        self.given += count;
        Ok(count)
    }
}

/// A word for people: UTF-8 where it is, else Latin-1, which every byte string is.
pub(super) fn decode(bytes: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => Cow::Owned(bytes.iter().map(|&byte| char::from(byte)).collect()),
    }
}

/// The beginning of a text, enough to see its structure.
#[derive(Debug)]
pub(super) struct Head {
    pub(super) encoding: Encoding,
    /// The byte that ends a line: LF, or CR where there is no LF. CR before LF is trimmed.
    line_end: u8,
    text: Vec<u8>,
    /// Whether this is the whole text.
    pub(super) whole: bool,
    /// Whether it holds blanks that no keyboard has.
    odd_blanks: bool,
}

impl Head {
    /// Reads the beginning.
    ///
    /// # Errors
    /// An empty file, NUL bytes, or what the system answers.
    pub(super) fn read(source: &Source, named: Option<&str>) -> Result<Self, Error> {
        let first = source.bytes_at(0, 512)?;
        let encoding = named.map_or_else(|| Ok(Encoding::of(&first)), |name| Encoding::named(name, &first))?;
        let mut text = Vec::with_capacity(HEAD + 1);
        encoding.open(source)?.take(HEAD as u64 + 1).read_to_end(&mut text).map_err(|e| source.failed(&e))?;
        let odd_blanks = PlainBlanks::are_in(&text, std::str::from_utf8(&text[..text.len().min(HEAD)]).is_err());
        if odd_blanks {
            text.clear();
            let stream = Self::blanked(encoding.open(source)?, odd_blanks);
            stream.take(HEAD as u64 + 1).read_to_end(&mut text).map_err(|e| source.failed(&e))?;
        }
        let whole = text.len() <= HEAD;
        text.truncate(HEAD);
        if text.iter().all(u8::is_ascii_whitespace) && whole {
            return Err(Error::input("is empty").in_file(source.name()).expected("a table of samples"));
        }
        if let Some(byte) = memchr::memchr(0, &text) {
            return Err(Error::input("holds NUL bytes, so it is no text")
                .in_file(source.name())
                .at_byte(byte as u64)
                .expected("a text table of samples")
                .remedy("export the capture as text (comma separated) once more"));
        }
        let count = |byte: u8| memchr::memchr_iter(byte, &text).count();
        // A preamble may end its lines otherwise than the data; the many decide. CR CR LF makes twice as many CR.
        let line_end = if count(b'\r') > 4 * count(b'\n') { b'\r' } else { b'\n' };
        Ok(Self { encoding, line_end, text, whole, odd_blanks })
    }

    fn blanked(stream: Box<dyn Read + Send>, odd_blanks: bool) -> Box<dyn Read + Send> {
        if !odd_blanks {
            return stream;
        }
        Box::new(PlainBlanks { stream, waiting: Vec::new(), ready: Vec::new(), given: 0 })
    }

    /// What it takes to read the text once more, without its beginning.
    pub(super) fn bare(&self) -> Self {
        Self { text: Vec::new(), ..*self }
    }

    /// Whether the text has so few lines, and lines so long, that it may be a table on its side.
    pub(super) fn may_be_turned(&self, most_lines: usize) -> bool {
        const LONG: usize = 80;
        memchr::memchr_iter(self.line_end, &self.text).nth(most_lines - 1).is_none()
            && self.split(&self.text).iter().any(|line| line.len() > LONG)
    }

    /// A text as lines without their ends.
    pub(super) fn split<'a>(&self, text: &'a [u8]) -> Vec<&'a [u8]> {
        text.split(|&byte| byte == self.line_end).map(without_returns).collect()
    }

    /// The whole text as a stream of bytes.
    pub(super) fn open(&self, source: &Source) -> Result<Box<dyn Read + Send>, Error> {
        Ok(Self::blanked(self.encoding.open(source)?, self.odd_blanks))
    }

    /// Which ends the lines have, in words.
    pub(super) fn line_end_words(&self) -> &'static str {
        match self.line_end {
            b'\r' => "CR",
            _ if memchr::memmem::find(&self.text, b"\r\r\n").is_some() => "CR CR LF",
            _ if memchr::memmem::find(&self.text, b"\r\n").is_some() => "CR LF",
            _ => "LF",
        }
    }

    /// The complete lines of the beginning without their ends, at most so many.
    ///
    /// # Errors
    /// Not even the first line ends within the beginning.
    pub(super) fn lines(&self, most: usize) -> Result<Vec<&[u8]>, Error> {
        let (mut lines, mut rest) = (Vec::new(), Some(&self.text[..]));
        while lines.len() < most
            && let Some(text) = rest
        {
            let end = memchr::memchr(self.line_end, text);
            let line = without_returns(&text[..end.unwrap_or(text.len())]);
            // What follows the last line end is no line: nothing at the end of a file, a cut line elsewhere.
            if end.is_none() && (!self.whole || line.is_empty()) {
                break;
            }
            lines.push(line);
            rest = end.map(|end| &text[end + 1..]);
        }
        if lines.is_empty() {
            return Err(Error::input(format!("the first line is longer than {HEAD} bytes"))
                .at_line(1, None)
                .expected("a text table with a row of samples in each line")
                .remedy("check that this is the exported capture and not some other file"));
        }
        Ok(lines)
    }

    /// The whole text as a stream of lines.
    pub(super) fn stream(&self, source: &Source) -> Result<Lines, Error> {
        self.stream_from(source, Place::default())
    }

    /// The rest of a text as a stream of lines, from a place on that another stream has reached.
    pub(super) fn stream_from(&self, source: &Source, place: Place) -> Result<Lines, Error> {
        let stream = match self.encoding {
            Encoding::Bytes if !self.odd_blanks => source.open_at(place.bytes)?,
            _ => {
                let mut stream = self.open(source)?;
                io::copy(&mut (&mut stream).take(place.bytes), &mut io::sink()).map_err(|e| source.failed(&e))?;
                stream
            }
        };
        Ok(Lines {
            stream,
            source: source.clone(),
            // A small file is read at once, and the end is seen by asking for one more byte.
            room: if self.whole { self.text.len() + 1 } else { (HEAD * spread::width()).min(LONGEST_LINE) },
            buffer: Vec::new(),
            start: 0,
            end: 0,
            finished: false,
            line_end: self.line_end,
            place,
        })
    }

    /// Whether a line feed ends a line.
    pub(super) fn ends_with_line_feed(&self) -> bool {
        self.line_end == b'\n'
    }
}

/// Without what is left of a line end of several characters.
fn without_returns(mut line: &[u8]) -> &[u8] {
    while let [rest @ .., b'\r'] | [b'\n', rest @ ..] = line {
        line = rest;
    }
    line
}

/// A line, its number counted from 1, and whether its end was seen.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) number: u64,
    pub(super) ended: bool,
}

/// How far a stream has come.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Place {
    /// Bytes of decoded text.
    bytes: u64,
    /// Lines.
    pub(super) lines: u64,
}

/// The lines of a text, one after the other, in bounded memory.
pub(super) struct Lines {
    stream: Box<dyn Read + Send>,
    source: Source,
    /// How long the buffer is at first; it is made when it is needed.
    room: usize,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    finished: bool,
    line_end: u8,
    place: Place,
}

impl Lines {
    /// How far it has come.
    pub(super) fn place(&self) -> Place {
        self.place
    }

    /// The whole lines that come next, with their ends, as many as are at hand; empty where no line ends any more.
    ///
    /// # Errors
    /// As [`Lines::next`].
    pub(super) fn ahead(&mut self) -> Result<&[u8], Error> {
        loop {
            // A buffer that is far from full is filled up, so that there is enough to share.
            if self.finished || self.end - self.start > self.buffer.len() / 2 {
                if let Some(at) = memchr::memrchr(self.line_end, &self.buffer[self.start..self.end]) {
                    return Ok(&self.buffer[self.start..=self.start + at]);
                }
                if self.finished {
                    return Ok(&[]);
                }
            }
            self.fill()?;
        }
    }

    /// Leaves out what [`Lines::ahead`] gave: so many bytes, so many lines.
    pub(super) fn pass(&mut self, bytes: usize, lines: u64) {
        self.start += bytes;
        self.place = Place { bytes: self.place.bytes + bytes as u64, lines: self.place.lines + lines };
    }

    /// The next line; `None` at the end.
    ///
    /// # Errors
    /// A line beyond all bounds, or what the system answers.
    #[inline]
    pub(super) fn next(&mut self) -> Result<Option<Line<'_>>, Error> {
        let mut seen = self.start;
        loop {
            if let Some(at) = memchr::memchr(self.line_end, &self.buffer[seen..self.end]) {
                let line = self.start..seen + at;
                self.pass(line.len() + 1, 1);
                let bytes = without_returns(&self.buffer[line]);
                return Ok(Some(Line { bytes, number: self.place.lines, ended: true }));
            }
            if self.finished {
                let line = self.start..self.end;
                let empty = without_returns(&self.buffer[line.clone()]).is_empty();
                self.pass(line.len(), u64::from(!empty));
                let bytes = without_returns(&self.buffer[line]);
                return Ok((!empty).then_some(Line { bytes, number: self.place.lines, ended: false }));
            }
            seen = self.end - self.start;
            self.fill()?;
        }
    }

    /// Moves the rest to the front and reads on behind it.
    fn fill(&mut self) -> Result<(), Error> {
        if self.start > 0 {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.start = 0;
        }
        if self.end >= LONGEST_LINE {
            return Err(Error::input(format!("a line is longer than {LONGEST_LINE} bytes"))
                .in_file(self.source.name())
                .at_line(self.place.lines + 1, None)
                .expected("a text table with a row of samples in each line")
                .remedy("check that this is the exported capture and not some other file"));
        }
        if self.end == self.buffer.len() {
            self.buffer.resize((2 * self.end).clamp(self.room, LONGEST_LINE), 0);
        }
        match self.stream.read(&mut self.buffer[self.end..]) {
            Ok(0) => self.finished = true,
            Ok(count) => self.end += count,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(self.source.failed(&e)),
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::Bytes;

    fn lines_of(bytes: &[u8]) -> Vec<(String, bool)> {
        let source = Source::new(Bytes::new("t", bytes.to_vec()));
        let mut lines = Head::read(&source, None).unwrap().stream(&source).unwrap();
        let mut all = Vec::new();
        while let Some(line) = lines.next().unwrap() {
            all.push((decode(line.bytes).into_owned(), line.ended));
        }
        all
    }

    #[test]
    fn every_line_end_ends_a_line() {
        let expected = vec![("a".to_owned(), true), (String::new(), true), ("b".to_owned(), false)];
        for text in ["a\n\nb", "a\r\n\r\nb", "a\r\r\n\r\r\nb", "a\r\rb", "\u{feff}a\n\nb"] {
            assert_eq!(lines_of(text.as_bytes()), expected, "{text:?}");
        }
    }

    #[test]
    fn utf16_is_read_with_its_mark() {
        let text = "1,µ\r\n😀\r\n";
        let little: Vec<u8> = [0xfeff].into_iter().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
        let big: Vec<u8> = [0xfeff].into_iter().chain(text.encode_utf16()).flat_map(u16::to_be_bytes).collect();
        for bytes in [little, big] {
            assert_eq!(lines_of(&bytes), [("1,µ".to_owned(), true), ("😀".to_owned(), true)]);
        }
    }

    #[test]
    fn latin_1_is_the_fallback() {
        assert_eq!(decode(b"20 \xb5s"), "20 µs");
        assert_eq!(decode("20 µs".as_bytes()), "20 µs");
    }

    #[test]
    fn a_line_beyond_the_bound_is_an_error() {
        let source = Source::new(Bytes::new("t", vec![b'1'; LONGEST_LINE + 1]));
        let mut lines = Head::read(&source, None).unwrap().stream(&source).unwrap();
        assert!(lines.next().unwrap_err().to_string().contains("longer than 1048576 bytes"));
    }
}
