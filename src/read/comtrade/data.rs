//! The rows of a record, one sample of all channels each, whatever they are coded in.

use std::io::{BufRead, BufReader, ErrorKind, Read};

use super::super::Source;
use super::super::numbers::Number;
use super::Kind;
use super::config::Config;
use crate::error::{Error, printable};

/// Where the data lie: a file, or the part of a file behind a byte.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) source: Source,
    pub(super) at: u64,
    /// Where the data begin as text, so that errors count the lines of the whole file.
    pub(super) line: u64,
}

/// A line longer than this is none: thousands of channels stay below it.
const LONGEST_LINE: u64 = 1 << 17;

/// One sample of all channels.
#[derive(Debug, Clone, Default)]
pub(super) struct Row {
    /// The number that the row gives itself.
    pub(super) number: Option<f64>,
    /// The time stamp, in its own unit.
    pub(super) stamp: Option<f64>,
    /// The analog values as coded; not a number where the row marks one as missing.
    pub(super) codes: Vec<f64>,
}

/// The rows, from the first one on.
pub(super) struct Rows {
    place: Place,
    kind: Kind,
    analog: usize,
    digital: usize,
    /// What 99999 would be: a value where a channel's stated range reaches it.
    reaches: Vec<bool>,
    /// Channels that are left out; what marks a missing value is none for them.
    left_out: Vec<usize>,
    stream: BufReader<Box<dyn Read + Send>>,
    buffer: Vec<u8>,
    /// The number of the line read last, or the byte behind the frame read last.
    line: u64,
    byte: u64,
    /// A last row that is cut.
    pub(super) cut: bool,
}

impl Rows {
    pub(super) fn open(place: &Place, config: &Config) -> Result<Self, Error> {
        let stream = BufReader::with_capacity(1 << 16, place.source.open_at(place.at)?);
        let reaches = config.analog.iter().map(|channel| channel.largest.is_some_and(|most| most >= 99_999.0));
        Ok(Self {
            kind: config.kind,
            analog: config.analog.len(),
            digital: config.digital,
            reaches: reaches.collect(),
            left_out: config.analog.iter().enumerate().filter(|(_, c)| !c.wanted).map(|(at, _)| at).collect(),
            stream,
            buffer: Vec::new(),
            line: place.line,
            byte: place.at,
            cut: false,
            place: place.clone(),
        })
    }

    /// The next row; `false` at the end.
    pub(super) fn next(&mut self, row: &mut Row) -> Result<bool, Error> {
        let more = match self.kind.number() {
            None => self.next_line(row),
            Some(number) => self.next_frame(row, number),
        }?;
        for &channel in self.left_out.iter().filter(|_| more) {
            row.codes[channel] = 0.0;
        }
        Ok(more)
    }

    /// An error at the row read last.
    pub(super) fn wrong(&self, channel: usize, found: String, expected: &str) -> Error {
        let error = Error::input(found).in_file(self.place.source.name()).expected(expected);
        match self.kind.number() {
            None => {
                let text = String::from_utf8_lossy(&self.buffer);
                let before: usize = text.split(',').take(channel + 2).map(|cell| cell.chars().count() + 1).sum();
                error.at_line(self.line, Some(before as u64 + 1))
            }
            Some(number) => error.at_byte(self.byte - self.frame_bytes(number) + (8 + channel * number.bytes()) as u64),
        }
    }

    fn frame_bytes(&self, number: Number) -> u64 {
        (8 + self.analog * number.bytes() + 2 * self.digital.div_ceil(16)) as u64
    }

    /// A frame: number and time stamp of 32 bits, the analog values, the digital channels in words of 16 bits.
    fn next_frame(&mut self, row: &mut Row, number: Number) -> Result<bool, Error> {
        let length = self.frame_bytes(number);
        self.buffer.clear();
        (&mut self.stream)
            .take(length)
            .read_to_end(&mut self.buffer)
            .map_err(|error| self.place.source.failed(&error))?;
        self.byte += self.buffer.len() as u64;
        if (self.buffer.len() as u64) < length {
            // The line end behind the data of a single file is no cut sample.
            self.cut = self.buffer.len() > 2;
            return Ok(false);
        }
        row.number = Number::U32.read(&self.buffer, false);
        row.stamp = Number::U32.read(&self.buffer[4..], false).filter(|stamp| *stamp < 4_294_967_295.0);
        row.codes.clear();
        let frames = self.buffer[8..].chunks_exact(number.bytes()).take(self.analog);
        row.codes.extend(frames.map(|bytes| match number.read(bytes, false) {
            Some(code) if code.is_finite() && Some(code) != self.kind.missing() => code,
            _ => f64::NAN,
        }));
        Ok(true)
    }

    fn next_line(&mut self, row: &mut Row) -> Result<bool, Error> {
        loop {
            self.buffer.clear();
            let read = (&mut self.stream).take(LONGEST_LINE).read_until(b'\n', &mut self.buffer);
            match read {
                Ok(0) => return Ok(false),
                Ok(count) if count as u64 == LONGEST_LINE => {
                    self.line += 1;
                    return Err(self.wrong(0, format!("a line of more than {LONGEST_LINE} bytes"), "rows of text"));
                }
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                Err(error) => return Err(self.place.source.failed(&error)),
            }
            self.line += 1;
            // Old recorders end the file with a control character, and empty lines follow the data of some.
            if self.buffer.iter().any(|byte| !byte.is_ascii_whitespace() && *byte != 0x1a) {
                return self.cells(row);
            }
        }
    }

    /// A line: number, time stamp, the analog values, the digital channels.
    fn cells(&mut self, row: &mut Row) -> Result<bool, Error> {
        let whole = self.buffer.ends_with(b"\n");
        let line = std::str::from_utf8(&self.buffer).map_err(|_| {
            self.wrong(0, "bytes that are no text".to_owned(), "rows of text, as the configuration says")
        })?;
        let cells: Vec<&str> = line.trim().split(',').map(str::trim).collect();
        let wanted = 2 + self.analog + self.digital;
        let enough = cells.len() == wanted || cells.len() == wanted + 1 && cells.last() == Some(&"");
        if !enough {
            // The last line may have been cut while it was written.
            if !whole && cells.len() < wanted {
                self.cut = true;
                return Ok(false);
            }
            let found = format!("a row of {} cells", cells.len());
            return Err(self.wrong(
                0,
                found,
                &format!("{wanted}: number, time stamp, {} analog and {} digital channels", self.analog, self.digital),
            ));
        }
        let number = |text: &str| text.parse::<f64>().ok().filter(|number| number.is_finite());
        row.number = number(cells[0]);
        row.stamp = number(cells[1]);
        row.codes.clear();
        for (channel, text) in cells[2..2 + self.analog].iter().enumerate() {
            match number(text) {
                Some(code) if (code - 99_999.0).abs() < 0.5 && !self.reaches[channel] => row.codes.push(f64::NAN),
                Some(code) => row.codes.push(code),
                None if text.is_empty() => row.codes.push(f64::NAN),
                None => return Err(self.wrong(channel, format!("found \"{}\"", printable(text)), "a number")),
            }
        }
        Ok(true)
    }
}
