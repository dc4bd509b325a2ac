//! The fast way through rows of one plain form: numbers, one separator of one byte, line feeds.
//!
//! Lines are read range by range, each range on its own, and a range ends at the first line that has not that form:
//! that line is then read with care (`body`). So a line either means here what it means there, or is not read here.
//! Within a range the places of all separators and line ends are found first (`marks`), so that each number has its
//! end before it is read and none waits for the one before; the times go to the ruler some hundreds at once.

use super::body::{Form, Rows};
use super::cells::{Scale, Separator};
use super::marks::{Marks, STRETCH};
use super::number::{Number, without_blanks};
use super::timing::Ruler;
use crate::spread;

/// A shorter range is not worth a thread of its own; the tests are to see many borders.
const SHORTEST_RANGE: usize = if cfg!(test) { 1 << 7 } else { 1 << 14 };

/// What of a row is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Columns {
    /// The column that tells a row from other lines.
    Key,
    /// The channels.
    Channels,
    /// Both.
    All,
}

/// The form of plain rows, and what is read of them.
#[derive(Debug, Clone)]
pub(super) struct Plain {
    separator: u8,
    decimal: u8,
    cells: Vec<Cell>,
    /// How many of the cells are channels.
    channels: usize,
    /// Whether cells follow that are not looked at.
    goes_on: bool,
    /// Separators before the end of the last cell that is read.
    separators: usize,
}

/// A cell that is read.
#[derive(Debug, Clone, Copy)]
struct Cell {
    /// Cells before it, from the last one that is read.
    skipped: usize,
    is_key: bool,
    channel: Option<(usize, Scale)>,
}

/// What a range of lines gave, up to its end or to the first line that is not plain.
#[derive(Debug)]
pub(super) struct Part {
    /// Bytes and lines passed, blank lines among them.
    pub(super) bytes: usize,
    pub(super) lines: u64,
    pub(super) rows: usize,
    /// The lines of the first and the last row, counted from 1.
    pub(super) first_row: u64,
    pub(super) last_row: u64,
    /// The samples in their basic unit, channel after channel.
    pub(super) samples: Vec<f64>,
    /// What the key column says.
    pub(super) ruler: Option<Ruler>,
    /// Whether all of the range was plain.
    pub(super) whole: bool,
}

impl Plain {
    /// The plain form of rows; `None` where they have none.
    pub(super) fn of(rows: &Rows, columns: Columns) -> Option<Self> {
        #[cfg(test)]
        if tests::NEVER.get() {
            return None;
        }
        let Separator::Byte(separator) = rows.dialect.separator else { return None };
        let decimal = rows.dialect.decimal;
        let plain = rows.key.form == Form::Number && rows.key.twins.is_empty() && !rows.dialect.united;
        if !plain || separator == decimal || separator.is_ascii_alphanumeric() || b" +-.\"\r\n".contains(&separator) {
            return None;
        }
        let (key, channels) = (columns != Columns::Channels, columns != Columns::Key);
        let mut wanted: Vec<(usize, Option<(usize, Scale)>)> = Vec::new();
        if channels {
            wanted.extend(
                rows.taken.iter().enumerate().map(|(n, taken)| (taken.cell, Some((n, Scale::of(taken.factor))))),
            );
        }
        if key && wanted.iter().all(|(cell, _)| *cell != rows.key.cell) {
            wanted.push((rows.key.cell, None));
        }
        wanted.sort_by_key(|(cell, _)| *cell);
        let distinct = wanted.windows(2).all(|pair| pair[0].0 < pair[1].0);
        let mut next = 0;
        let mut cells = Vec::new();
        for (cell, channel) in wanted {
            cells.push(Cell { skipped: cell.checked_sub(next)?, is_key: key && cell == rows.key.cell, channel });
            next = cell + 1;
        }
        let count = if channels { rows.taken.len() } else { 0 };
        let goes_on = !channels || rows.goes_on;
        let separators = next.checked_sub(1)?;
        distinct.then_some(Self { separator, decimal, cells, channels: count, goes_on, separators })
    }

    /// Reads whole lines, the first of which has this number, over the threads; the parts are in order, and all but
    /// the last one are whole.
    pub(super) fn read(&self, text: &[u8], first_line: u64, ruler: Option<&Ruler>) -> Vec<Part> {
        // The first row of all is where the ruler begins.
        let begins = ruler.is_some_and(|ruler| ruler.count() == 0);
        let count = if begins { 1 } else { spread::width().min(text.len() / SHORTEST_RANGE).max(1) };
        let mut before = 0;
        let work: Vec<_> = ranges(text, count)
            .into_iter()
            .map(|range| {
                let lines = memchr::memchr_iter(b'\n', range).count();
                let at = before;
                before += lines as u64;
                (range, lines, first_line + at, ruler.map(|ruler| ruler.ahead(at)))
            })
            .collect();
        let mut parts = spread::map(work, |(range, lines, first, ruler)| self.range(range, lines, first, ruler));
        if let Some(end) = parts.iter().position(|part| !part.whole) {
            parts.truncate(end + 1);
        }
        parts
    }

    /// Reads a range of so many lines.
    fn range(&self, text: &[u8], lines: usize, first_line: u64, mut ruler: Option<Ruler>) -> Part {
        let mut samples = vec![0.0; self.channels * lines];
        let (mut rest, mut line, mut rows) = (text, first_line, 0);
        let (mut first_row, mut last_row) = (0, 0);
        let mut marks = Marks::default();
        let mut decimals = vec![0; self.cells.len()];
        let mut times = Times::default();
        while !rest.is_empty() {
            // The rows of a stretch of which all separators and ends are known.
            marks.find(&rest[..rest.len().min(STRETCH)], self.separator);
            let stretch = rest;
            let (mut at, mut start) = (0, 0);
            while let Some(end) =
                self.marked_row(stretch, &marks.places()[at..], start, &mut decimals, |channel, value| {
                    samples[channel * lines + rows] = value;
                })
            {
                if let Some((key, ruler)) = end.key.zip(ruler.as_mut()) {
                    times.push(key, line, ruler);
                }
                if rows == 0 {
                    first_row = line;
                }
                last_row = line;
                rows += 1;
                line += 1;
                at += end.marks;
                start = end.next;
            }
            if let Some(ruler) = &mut ruler {
                times.measure(ruler);
            }
            rest = &stretch[start..];
            if start > STRETCH / 2 {
                // What is left is the beginning of a row.
                continue;
            }
            let row = self.row(rest, |cell, number| {
                if let Some((channel, scale)) = cell.channel {
                    samples[channel * lines + rows] = scale.of_number(number.value);
                }
                if cell.is_key
                    && let Some(ruler) = &mut ruler
                {
                    ruler.push(number.printed(), line);
                }
            });
            if let Some(length) = row {
                rest = &rest[length..];
                if rows == 0 {
                    first_row = line;
                }
                last_row = line;
                rows += 1;
            } else if let Some(length) = line_end(rest) {
                // A blank line.
                rest = &rest[length..];
            } else {
                break;
            }
            line += 1;
        }
        if rows < lines {
            for channel in 1..self.channels {
                samples.copy_within(channel * lines..channel * lines + rows, channel * rows);
            }
            samples.truncate(self.channels * rows);
        }
        let (bytes, lines) = (text.len() - rest.len(), line - first_line);
        Part { bytes, lines, rows, first_row, last_row, samples, ruler, whole: rest.is_empty() }
    }

    /// Reads the row that begins at `start`, where the places of the marks from there on are known; `None` where it is
    /// not plain or its end is not among them. `take` is given each channel's sample.
    #[inline]
    fn marked_row(
        &self,
        text: &[u8],
        places: &[u32],
        start: usize,
        decimals: &mut [usize],
        mut take: impl FnMut(usize, f64),
    ) -> Option<RowEnd> {
        let (before, last) = places.get(..=self.separators)?.split_at(self.separators);
        let is = |place: u32, byte: u8| text.get(place as usize) == Some(&byte);
        if !before.iter().all(|&place| is(place, self.separator)) {
            return None;
        }
        let mut marks = self.separators + 1;
        let mut end = last[0] as usize;
        if self.goes_on {
            while !is(places[marks - 1], b'\n') {
                marks += 1;
                if marks > places.len() {
                    return None;
                }
            }
            end = places[marks - 1] as usize;
            if !is(last[0], self.separator) && !is(last[0], b'\n') {
                return None;
            }
        } else if !is(last[0], b'\n') {
            return None;
        }
        let (mut key, mut number) = (None, 0);
        for (cell, decimals) in self.cells.iter().zip(decimals) {
            number += cell.skipped;
            let from = if number == 0 { start } else { places[number - 1] as usize + 1 };
            let mut to = places[number] as usize;
            if is(places[number], b'\n') {
                while to > from && text[to - 1] == b'\r' {
                    to -= 1;
                }
            }
            let read = Number::of_decimals(text, from, to, *decimals, self.decimal);
            let read = read.or_else(|| {
                let number = Number::alone(text.get(from..to)?, self.decimal)?;
                *decimals = usize::try_from(-number.last_digit).unwrap_or(0);
                Some(number)
            })?;
            if cell.is_key {
                key = Some(read);
            }
            if let Some((channel, scale)) = cell.channel {
                take(channel, scale.of_number(read.value));
            }
            number += 1;
        }
        Some(RowEnd { marks, next: end + 1, key })
    }

    /// Reads the row at the start of `text`; how many bytes its line has, or `None` where it is not plain. The key comes
    /// last, and only when all of the row is plain.
    #[inline]
    fn row(&self, text: &[u8], mut take: impl FnMut(&Cell, Number)) -> Option<usize> {
        let mut rest = text;
        let (mut key, mut ended) = (None, false);
        for cell in &self.cells {
            for _ in 0..cell.skipped {
                let at = memchr::memchr3(self.separator, b'\n', b'"', rest)?;
                if rest[at] != self.separator {
                    return None;
                }
                rest = &rest[at + 1..];
            }
            rest = without_blanks(rest);
            let (number, length) = Number::read(rest, self.decimal)?;
            rest = without_blanks(&rest[length..]);
            if cell.is_key {
                key = Some((cell, number));
            } else {
                take(cell, number);
            }
            ended = rest.first() != Some(&self.separator);
            if !ended {
                rest = &rest[1..];
            }
        }
        if self.goes_on && !ended {
            rest = &rest[memchr::memchr(b'\n', rest)?..];
        }
        let length = line_end(rest)?;
        if let Some((cell, number)) = key {
            take(cell, number);
        }
        Some(text.len() - rest.len() + length)
    }
}

/// Where a row ended.
struct RowEnd {
    /// How many marks it has.
    marks: usize,
    /// The first byte behind its line.
    next: usize,
    /// What its key column says.
    key: Option<Number>,
}

/// Times of rows in neighbouring lines, printed alike, that wait to be measured together.
#[derive(Debug, Default)]
struct Times {
    values: Vec<f64>,
    last_digit: i32,
    first_line: u64,
}

impl Times {
    #[inline]
    fn push(&mut self, number: Number, line: u64, ruler: &mut Ruler) {
        if number.last_digit != self.last_digit || !ruler.is_fine(number.last_digit) {
            self.measure(ruler);
            if !ruler.is_fine(number.last_digit) {
                ruler.push(number.printed(), line);
                return;
            }
        }
        if self.values.is_empty() {
            (self.last_digit, self.first_line) = (number.last_digit, line);
        }
        self.values.push(number.value);
    }

    fn measure(&mut self, ruler: &mut Ruler) {
        ruler.push_all(&self.values, self.last_digit, self.first_line);
        self.values.clear();
    }
}

/// Cuts whole lines into about so many ranges of whole lines.
fn ranges(text: &[u8], count: usize) -> Vec<&[u8]> {
    let mut ranges = Vec::with_capacity(count);
    let mut rest = text;
    for left in (2..=count).rev() {
        let Some(at) = memchr::memchr(b'\n', &rest[rest.len() / left..]) else { break };
        let (range, more) = rest.split_at(rest.len() / left + at + 1);
        ranges.push(range);
        rest = more;
    }
    if !rest.is_empty() {
        ranges.push(rest);
    }
    ranges
}

/// How long the line end at the start of `text` is: carriage returns and a line feed.
#[inline]
fn line_end(text: &[u8]) -> Option<usize> {
    let returns = text.iter().take_while(|&&byte| byte == b'\r').count();
    (text.get(returns) == Some(&b'\n')).then_some(returns + 1)
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;
    use std::fmt::Write;

    use super::super::number::tests::Dice;
    use super::*;
    use crate::read::{Bytes, ReadOptions, Source};

    thread_local! {
        /// Whether rows are never read the fast way.
        pub(super) static NEVER: Cell<bool> = const { Cell::new(false) };
    }

    #[test]
    fn ranges_are_whole_lines() {
        let text = b"a\nbb\n\ncccccccccc\nd\n";
        for count in 1..9 {
            let ranges = ranges(text, count);
            assert_eq!(ranges.concat(), text);
            assert!(ranges.len() <= count && ranges.iter().all(|range| range.ends_with(b"\n")), "{count}");
        }
    }

    /// All that comes out of a text: header, findings, samples bit by bit, or the error.
    fn outcome(text: &[u8], options: &ReadOptions, careful: bool) -> Result<(String, Vec<Vec<u64>>), String> {
        NEVER.set(careful);
        let read = || {
            let mut recording = super::super::open(&Source::new(Bytes::new("t", text.to_vec())), options)?;
            let mut samples = vec![Vec::new(); recording.header().channels.len()];
            while let Some(block) = recording.next_block()? {
                assert_eq!(block.first, samples[0].len() as u64);
                for (channel, samples) in samples.iter_mut().enumerate() {
                    samples.extend(block.channel(channel).iter().map(|sample| sample.to_bits()));
                }
            }
            Ok::<_, crate::error::Error>((format!("{:?} {:?}", recording.header(), recording.account()), samples))
        };
        let outcome = read().map_err(|error| format!("{error:?}"));
        NEVER.set(false);
        outcome
    }

    /// A table with odd lines now and then.
    fn table(dice: &mut Dice) -> String {
        let comma = dice.below(4) == 0;
        let timeless = dice.below(6) == 0;
        let end = ["\n", "\n", "\r\n"][usize::try_from(dice.below(3)).unwrap()];
        let rows = 20 + dice.below(900);
        let odd = if dice.below(3) == 0 { 0 } else { 1 + dice.below(3) };
        let odd_rows: Vec<u64> = (0..odd).map(|_| dice.below(rows + 10)).collect();
        let mut text = String::from(if timeless { "CH1 (mV),CH2 (V)" } else { "Time (ms),CH1 (mV),CH2 (V)" });
        text += end;
        let kind = dice.below(14);
        for n in 0..rows {
            let time = if timeless { String::new() } else { format!("{:.3},", n as f64 * 0.004) };
            let (a, b) = ((n * n % 1013) as f64 / 8.0 - 60.0, (7 * n % 997) as f64 * 1e-7);
            let plain = format!("{time}{a:.3},{b:.5e}");
            let line = match kind {
                _ if !odd_rows.contains(&n) => plain,
                0 => format!("{plain}{end}"),
                1 => format!("# a remark{end}{plain}"),
                2 => format!("{time},{b}"),
                3 => format!("{time}\"{a}\",{b}"),
                4 => format!("{time}{a},****"),
                5 => format!("0.000,{a},{b}"),
                6 => format!("{plain},7"),
                7 => "Time (ms),CH1 (mV),CH2 (V)".to_owned(),
                8 => "and so on".to_owned(),
                9 => format!("{time}{a},9.9E37"),
                10 => format!(" {time} {a} , {b} "),
                11 => format!("{plain},"),
                12 => format!("{time}{a}\r,{b}"),
                _ => format!("{end}{end}{plain}"),
            };
            text += &line;
            text += end;
        }
        match dice.below(5) {
            0 => text.truncate(text.len() - usize::try_from(dice.below(12)).unwrap()),
            1 => text += "End of record",
            2 => text += end,
            _ => {}
        }
        if comma { text.replace(',', ";").replace('.', ",") } else { text }
    }

    #[test]
    fn the_fast_way_is_the_careful_way() {
        let mut dice = Dice(5);
        let mut sound = 0;
        for _ in 0..400 {
            let text = table(&mut dice);
            // The smallest buffer and the usual one.
            let max_memory = (dice.below(2) == 0).then_some(1 << 14);
            let sample_rate = crate::units::Hertz::new(250e3).ok().filter(|_| !text.starts_with("Time"));
            let options = ReadOptions { max_memory, sample_rate, ..ReadOptions::default() };
            let fast = outcome(text.as_bytes(), &options, false);
            assert_eq!(fast, outcome(text.as_bytes(), &options, true), "{text}");
            sound += u32::from(fast.is_ok());
        }
        assert!(sound > 100, "{sound}");
    }

    #[test]
    fn plain_rows_are_read_the_fast_way() {
        let mut text = String::from("Time (ms),CH1 (mV),CH2 (V)\n");
        for n in 0..40_000 {
            writeln!(text, "{:.3},{},{:.5e}", f64::from(n) * 0.004, n % 100, f64::from(n % 7) * 1e-7).unwrap();
        }
        let source = Source::new(Bytes::new("t", text.into_bytes()));
        let mut recording = super::super::open(&source, &ReadOptions::default()).unwrap();
        // With care a block holds 2^15 rows, the fast way it is what the buffer holds.
        assert_ne!(recording.next_block().unwrap().unwrap().len(), 1 << 15);
    }
}
