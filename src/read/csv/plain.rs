//! The fast way through rows of one plain form: numbers, one separator of one byte, line feeds.
//!
//! Lines are read range by range, each range on its own, and a range ends at the first line that has not that form:
//! that line is then read with care (`body`). So a line either means here what it means there, or is not read here.
//! Each number is first taken to be laid out as the one above it ([`Layout`]), which then says where it ends without a
//! search; the times go to the ruler some hundreds at once.

use super::body::{Form, Rows};
use super::cells::{Scale, Separator};
use super::number::{Layout, Number, without_blanks};
use super::timing::Ruler;
use crate::spread;

/// A shorter range is not worth a thread of its own; the tests are to see many borders.
const SHORTEST_RANGE: usize = if cfg!(test) { 1 << 7 } else { 1 << 14 };

/// So many times go to the ruler at once: few enough to stay in the fastest memory.
const MOST_TIMES: usize = 1 << 9;

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
    /// All cells up to the last one that is read.
    cells: Vec<Cell>,
    /// How many of the cells are channels.
    channels: usize,
    /// Whether cells follow that are not looked at.
    goes_on: bool,
}

/// A cell, and what is made of it: the key, a sample, both, or nothing.
#[derive(Debug, Clone, Copy, Default)]
struct Cell {
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
        let mut cells = vec![Cell::default(); wanted.last()?.0 + 1];
        for (cell, channel) in wanted {
            cells[cell] = Cell { is_key: key && cell == rows.key.cell, channel };
        }
        let count = if channels { rows.taken.len() } else { 0 };
        let goes_on = !channels || rows.goes_on;
        distinct.then_some(Self { separator, decimal, cells, channels: count, goes_on })
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
        let (mut at, mut line, mut rows) = (0, first_line, 0);
        let (mut first_row, mut last_row) = (0, 0);
        let mut layouts = vec![Layout::default(); self.cells.len()];
        let mut times = Times::default();
        while at < text.len() {
            let row = self.row(text, at, &mut layouts, |channel, value| samples[channel * lines + rows] = value);
            if let Some(row) = row {
                if let (Some(key), Some(ruler)) = (row.key, ruler.as_mut()) {
                    times.push(key, line, ruler);
                }
                if rows == 0 {
                    first_row = line;
                }
                last_row = line;
                rows += 1;
                at = row.next;
            } else if let Some(length) = line_end(&text[at..]) {
                // A blank line.
                if let Some(ruler) = &mut ruler {
                    times.measure(ruler);
                }
                at += length;
            } else {
                break;
            }
            line += 1;
        }
        if let Some(ruler) = &mut ruler {
            times.measure(ruler);
        }
        if rows < lines {
            for channel in 1..self.channels {
                samples.copy_within(channel * lines..channel * lines + rows, channel * rows);
            }
            samples.truncate(self.channels * rows);
        }
        Part { bytes: at, lines: line - first_line, rows, first_row, last_row, samples, ruler, whole: at == text.len() }
    }

    /// Reads the row that begins at a place of the text; `None` where it is not plain. `take` is given each channel's
    /// sample.
    #[inline]
    fn row(&self, text: &[u8], start: usize, layouts: &mut [Layout], mut take: impl FnMut(usize, f64)) -> Option<Row> {
        let (mut at, mut key) = (start, None);
        let last = self.cells.len() - 1;
        for (n, cell) in self.cells.iter().enumerate() {
            let ends = |end: usize| match text.get(end) {
                Some(b'\n' | b'\r') => n == last,
                byte => byte == Some(&self.separator),
            };
            let number = match Number::of_layout(text, at, &layouts[n], self.decimal) {
                Some((number, end)) if ends(end) => {
                    at = end;
                    Some(number)
                }
                _ => {
                    let (number, end) = self.cell(text, at, cell, &mut layouts[n])?;
                    if !ends(end) {
                        return None;
                    }
                    at = end;
                    number
                }
            };
            if cell.is_key {
                key = number;
            }
            if let (Some((channel, scale)), Some(number)) = (cell.channel, number) {
                take(channel, scale.of_number(number.value));
            }
            at += 1;
        }
        // The end of the last cell: a line end, or a separator with nothing behind it that is looked at.
        at -= 1;
        if text[at] == self.separator {
            at += if self.goes_on { memchr::memchr(b'\n', &text[at..])? } else { 1 };
        }
        Some(Row { next: at + line_end(&text[at..])?, key })
    }

    /// Reads a cell that is laid out in a way of its own, or passes it where it is not wanted; where it ends.
    fn cell(&self, text: &[u8], at: usize, cell: &Cell, layout: &mut Layout) -> Option<(Option<Number>, usize)> {
        let begun = without_blanks(&text[at..]);
        let begin = text.len() - begun.len();
        let is_wanted = cell.is_key || cell.channel.is_some();
        if let Some((number, length)) = Number::read(begun, self.decimal) {
            let end = text.len() - without_blanks(&begun[length..]).len();
            if is_wanted || text.get(end) == Some(&self.separator) {
                if let Some(found) = Layout::of(&begun[..length], self.decimal).filter(|_| begin == at) {
                    *layout = found;
                }
                return Some((Some(number), end));
            }
        }
        let end = at + memchr::memchr3(self.separator, b'\n', b'"', &text[at..])?;
        (!is_wanted).then_some((None, end))
    }
}

/// A row that was read.
struct Row {
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
        } else if self.values.len() == MOST_TIMES {
            self.measure(ruler);
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
