//! The rows themselves: once over all of them for the clock, then block after block for the samples.

use std::collections::VecDeque;

use ndarray::{Array2, Axis, Slice};

use super::cells::{
    Dialect, Mark, Printed, Scale, Separator, TimeOfDay, comma_number, is_blank, leading_number, scaled, shown, split,
};
use super::label::Label;
use super::labels::Taken;
use super::number::LARGEST_PLAIN;
use super::plain::{Columns, Part, Plain};
use super::text::{Head, Line, Lines, Place, decode};
use super::timing::{Fineness, Ruler};
use crate::capture::{Account, Block, Channel, Header, Quantity, Recording, Role};
use crate::error::{Error, Finding};
use crate::read::{ReadOptions, Source, rows_per_block};

/// What both passes know of the rows.
#[derive(Debug, Clone)]
pub(super) struct Rows {
    pub(super) source: Source,
    pub(super) dialect: Dialect,
    pub(super) key: Key,
    /// Lines before the first row.
    pub(super) before: u64,
    pub(super) taken: Vec<Taken>,
    /// Whether rows go on behind the last cell that is read.
    pub(super) goes_on: bool,
    /// The last line of which the cells behind may hold metadata.
    pub(super) free_until: u64,
    /// Whether lines stand among the rows that are none, so that each must be looked at.
    pub(super) strict: bool,
    /// The header lines, which some repeat at every page.
    pub(super) repeats: Vec<Vec<u8>>,
    /// How every sampled row ends, where they all end alike.
    pub(super) ending: Option<Ending>,
}

/// How a row ends: enough to see that the last one was cut within its last number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ending {
    cells: usize,
    decimals: usize,
    exponent: usize,
}

impl Ending {
    /// The form of a row's end.
    pub(super) fn of(line: &[u8], dialect: Dialect) -> Self {
        let cells = split(line, dialect.separator);
        let last = cells.iter().rev().find(|cell| !cell.is_empty()).copied().unwrap_or_default();
        let exponent = memchr::memchr2(b'e', b'E', last).map_or(0, |at| last.len() - at);
        let mantissa = &last[..last.len() - exponent];
        let decimals = memchr::memchr(dialect.decimal, mantissa).map_or(0, |at| mantissa.len() - at);
        Self { cells: cells.len(), decimals, exponent }
    }
}

/// The column that the first pass looks at: the time, else a count of rows, else the first channel.
#[derive(Debug, Clone)]
pub(super) struct Key {
    pub(super) cell: usize,
    pub(super) form: Form,
    pub(super) fineness: Fineness,
    /// Whether the column must rise: a time or a count.
    pub(super) rises: bool,
    /// What stands in it, for messages.
    pub(super) what: String,
    /// Cells of further time columns, with how they are read.
    pub(super) twins: Vec<(usize, Form, Fineness)>,
}

/// How a time is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// A number.
    Number,
    /// A number of so many digits that a double holds it only without these whole seconds.
    Epoch(i64),
    /// A time of day, from this full second on.
    Clock(i64),
}

impl Form {
    /// Reads a cell.
    #[inline]
    pub(super) fn read(self, cell: &[u8], dialect: Dialect) -> Option<Printed> {
        match self {
            Form::Number => dialect.printed(cell),
            Form::Epoch(base) => {
                let printed = dialect.printed(cell)?;
                let at = memchr::memchr(dialect.decimal, cell).unwrap_or(cell.len());
                let whole: i64 = std::str::from_utf8(&cell[..at]).ok()?.trim_start_matches('+').parse().ok()?;
                let mut fraction = 0.0;
                if at < cell.len() {
                    let digits = std::str::from_utf8(&cell[at + 1..]).ok()?;
                    fraction = format!("0.{digits}").parse().ok()?;
                }
                let value = whole.checked_sub(base)? as f64 + if whole < 0 { -fraction } else { fraction };
                Some(Printed { value, ..printed })
            }
            // Full seconds first, so that the digits behind them keep the precision of a double.
            Form::Clock(base) => TimeOfDay::read(cell)
                .map(|time| Printed { value: (time.second - base as f64) + time.printed.value, ..time.printed }),
        }
    }
}

/// Rows without anything odd between them, whose time rises.
#[derive(Debug, Clone)]
pub(super) struct Stretch {
    pub(super) first_line: u64,
    pub(super) last_line: u64,
    pub(super) ruler: Ruler,
    /// Lines before it that are no rows.
    odd: Vec<Odd>,
}

impl Stretch {
    /// Whether lines that are no rows stand before it.
    pub(super) fn has_odd(&self) -> bool {
        !self.odd.is_empty()
    }

    /// Whether the line right above the rows heads a time.
    pub(super) fn is_headed_by_time(&self) -> bool {
        self.odd.last().is_some_and(|odd| Label::read(odd.shown.trim_matches('"'), "").is_time())
    }

    /// The first of them.
    pub(super) fn first_odd_line(&self) -> u64 {
        self.odd.first().map_or(self.first_line, |odd| odd.line)
    }
}

/// What the first pass found.
#[derive(Debug)]
pub(super) struct Survey {
    /// The stretches of rows, one in a sound file.
    pub(super) stretches: Vec<Stretch>,
    /// Which of them is the record.
    pub(super) chosen: usize,
    /// The first line behind the last row that is no row, and how it starts.
    pub(super) footer: Option<(u64, String)>,
    /// The first lines below the last row, each only so far as it may be a key with its value.
    pub(super) below: Vec<Vec<u8>>,
    /// Remarks between the rows.
    pub(super) comments: u64,
    /// Lines between the rows that say once more what stands above them.
    pub(super) repeats: u64,
    /// Rows of words for nothing recorded.
    pub(super) voids: u64,
    /// Whether the last row was cut off.
    pub(super) cut: bool,
    /// How often midnight passed.
    pub(super) midnights: u32,
    pub(super) twins: Vec<Ruler>,
    /// The samples of the first rows, where they are plain.
    kept: Kept,
}

/// Samples that the first pass has read already, so that no second one is needed for them.
#[derive(Debug, Default)]
struct Kept {
    parts: VecDeque<Part>,
    /// Where they end.
    place: Place,
    /// How many values may still be kept.
    left: usize,
}

impl Kept {
    /// So many values are kept at most, half a million rows of two channels: as many as are held anyway until the mains
    /// is known.
    const MOST: usize = 1 << 20;

    fn within(memory: u64) -> Self {
        let most = usize::try_from(memory / 32).unwrap_or(Self::MOST);
        Self { left: most.min(Self::MOST), ..Self::default() }
    }

    fn add(&mut self, part: Part, place: Place) {
        self.left = self.left.saturating_sub(part.samples.len());
        self.place = place;
        self.parts.push_back(part);
    }
}

/// When rows are read the fast way, and when with care.
#[derive(Debug)]
struct Pace {
    /// Lines to read with care before the fast way is tried again.
    careful: u64,
    /// How many it will be after the next stumble.
    next: u64,
}

impl Pace {
    const FEWEST: u64 = 1 << 8;
    const MOST: u64 = 1 << 15;

    fn new(fast: bool) -> Self {
        Self { careful: if fast { 0 } else { u64::MAX }, next: Self::FEWEST }
    }

    fn is_fast(&self) -> bool {
        self.careful == 0
    }

    /// A line was read with care.
    fn one(&mut self) {
        self.careful = self.careful.saturating_sub(1);
    }

    /// The fast way came to a line that is not plain: where it comes to such lines at once, it waits longer each time.
    fn stumble(&mut self, rows: usize) {
        self.next = if rows > 0 { Self::FEWEST } else { (2 * self.next).min(Self::MOST) };
        self.careful = self.next;
    }

    /// All that follows is read with care.
    fn stop(&mut self) {
        self.careful = u64::MAX;
    }
}

impl Survey {
    /// The rows of the record.
    pub(super) fn record(&self) -> &Stretch {
        &self.stretches[self.chosen]
    }

    /// The same for rows of which other columns are taken than were kept.
    pub(super) fn without_kept(self) -> Self {
        Self { kept: Kept::default(), ..self }
    }

    /// The ruler of the record.
    pub(super) fn ruler(&self) -> &Ruler {
        &self.record().ruler
    }
}

/// A line among the rows that is none.
#[derive(Debug, Clone)]
pub(super) struct Odd {
    pub(super) line: u64,
    column: u64,
    pub(super) shown: String,
}

/// So many lines below the rows are looked at for a rate, and so many bytes of each.
const MOST_BELOW: usize = 64;
const LONGEST_KEY: usize = 256;

/// Lines between rows that are still taken together as one break.
const MOST_ODD: usize = 200;
/// More stretches than this are no segments but a broken time.
const MOST_STRETCHES: usize = 10_000;

/// A line that is no row and means nothing wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Skipped {
    Blank,
    Comment,
    Repeat,
    Void,
}

impl Rows {
    /// Goes over all rows once: how many, and what their times say.
    ///
    /// # Errors
    /// A broken time, or what the system answers.
    pub(super) fn survey(&self, head: &Head, memory: u64) -> Result<Survey, Error> {
        let key = &self.key;
        let stretch = |odd| Stretch { first_line: 0, last_line: 0, ruler: Ruler::new(key.fineness), odd };
        let twins = key.twins.iter().map(|(_, _, fineness)| Ruler::new(*fineness)).collect();
        let mut survey = Survey {
            stretches: Vec::new(),
            chosen: 0,
            footer: None,
            below: Vec::new(),
            comments: 0,
            repeats: 0,
            voids: 0,
            cut: false,
            midnights: 0,
            twins,
            kept: Kept::within(memory),
        };
        let plain = |columns| Plain::of(self, columns).filter(|_| head.ends_with_line_feed());
        let (all, keys) = (plain(Columns::All), plain(Columns::Key));
        let mut pace = Pace::new(keys.is_some());
        let mut now = stretch(Vec::new());
        let mut odd: Vec<Odd> = Vec::new();
        let (mut day, mut before) = (0.0, f64::NEG_INFINITY);
        let mut lines = self.lines(head)?;
        loop {
            if pace.is_fast()
                && odd.is_empty()
                && let Some(plain) = all.as_ref().filter(|_| survey.kept.left > 0).or(keys.as_ref())
            {
                let first_line = lines.place().lines + 1;
                let parts = plain.read(lines.ahead()?, first_line, Some(&now.ruler));
                if parts.iter().any(|part| part.rows > 0) {
                    survey.below.clear();
                }
                self.take_plain(parts, &mut lines, &mut now, &mut survey.kept, &mut pace);
                continue;
            }
            let Some(line) = lines.next()? else { break };
            pace.one();
            if !line.ended && self.is_cut(line.bytes) {
                survey.cut = true;
                break;
            }
            let Some(mut printed) = self.key_of(line.bytes) else {
                if survey.below.len() < MOST_BELOW {
                    survey.below.push(line.bytes[..line.bytes.len().min(LONGEST_KEY)].to_vec());
                }
                match self.skipped(line.bytes) {
                    Some(Skipped::Blank) => {}
                    Some(Skipped::Comment) => survey.comments += 1,
                    Some(Skipped::Repeat) => survey.repeats += 1,
                    Some(Skipped::Void) => survey.voids += 1,
                    _ if odd.len() < MOST_ODD => odd.push(self.odd(line, key.cell)),
                    _ => {}
                }
                continue;
            };
            // What is kept are the first rows without a gap.
            survey.kept.left = 0;
            survey.below.clear();
            if matches!(key.form, Form::Clock(_)) {
                // Midnight, and no step back.
                if printed.value + day < before - 43_200.0 {
                    day += 86_400.0;
                    survey.midnights += 1;
                }
                printed.value += day;
                before = printed.value;
            }
            let breaks = !odd.is_empty() || (key.rises && now.ruler.goes_back_to(printed));
            if breaks && now.ruler.count() > 0 {
                if survey.stretches.len() >= MOST_STRETCHES {
                    let (_, last) = now.ruler.ends();
                    return Err(super::timing::goes_back(last - printed.value, line.number).in_file(self.source.name()));
                }
                let done = std::mem::replace(&mut now, stretch(std::mem::take(&mut odd)));
                survey.stretches.push(done);
            } else if breaks {
                now.odd = std::mem::take(&mut odd);
            }
            if now.ruler.count() == 0 {
                now.first_line = line.number;
            }
            now.ruler.push(printed, line.number);
            now.last_line = line.number;
            if survey.stretches.is_empty() && !key.twins.is_empty() {
                self.measure_twins(line, &mut survey.twins);
            }
        }
        survey.footer = odd.into_iter().next().map(|odd| (odd.line, odd.shown));
        survey.stretches.push(now);
        Ok(survey)
    }

    /// Takes the time in seconds as one more channel; gives its place among them.
    ///
    /// # Errors
    /// Times that are no plain numbers.
    pub(super) fn take_time(&mut self, unit: f64) -> Result<usize, Error> {
        if self.key.form != Form::Number || self.dialect.united {
            return Err(Error::input("the times are uneven and no plain numbers, so that --resample cannot take them")
                .expected("a number of seconds, milliseconds, microseconds or nanoseconds for each row")
                .remedy("export the record with a fixed time step, or with times as numbers"));
        }
        let cell = self.key.cell;
        let at = self.taken.partition_point(|taken| taken.cell < cell);
        let channel =
            Channel { name: self.key.what.clone(), quantity: Quantity::Unit("s".to_owned()), role: Role::Other };
        self.taken.insert(at, Taken { cell, channel, factor: unit, unit: None });
        Ok(at)
    }

    /// Takes what the fast way gave, as far as it goes on from the rows before.
    fn take_plain(&self, parts: Vec<Part>, lines: &mut Lines, now: &mut Stretch, kept: &mut Kept, pace: &mut Pace) {
        if parts.iter().all(|part| part.bytes == 0 && part.whole) {
            // Nothing is left but a last line without an end.
            return pace.stop();
        }
        for mut part in parts {
            if let Some(ruler) = part.ruler.take().filter(|_| part.rows > 0) {
                if !now.ruler.is_followed_by(&ruler) {
                    // Blank lines before it: its rows have other numbers, so it is read again.
                    return;
                }
                if self.key.rises && now.ruler.goes_back_with(&ruler) {
                    pace.careful = part.lines;
                    return;
                }
                if now.ruler.count() == 0 {
                    now.first_line = part.first_row;
                }
                now.ruler.join(&ruler);
                now.last_line = part.last_row;
            }
            lines.pass(part.bytes, part.lines);
            if !part.whole {
                pace.stumble(part.rows);
            }
            if part.rows > 0 && kept.left > 0 {
                kept.add(part, lines.place());
            }
        }
    }

    /// The key of a row; `None` for a line that is no row.
    #[inline]
    fn key_of(&self, line: &[u8]) -> Option<Printed> {
        let cell = self.cell(line, self.key.cell);
        let printed = self.key.form.read(cell, self.dialect);
        if printed.is_some() || self.key.rises || self.key.cell > 0 && is_blank(line, self.dialect.separator) {
            return printed;
        }
        // Without a column that rises, a row is what has a number or a word for nothing recorded in each channel.
        let cells = split(line, self.dialect.separator);
        let fits = |taken: &Taken| {
            let cell = cells.get(taken.cell).copied().unwrap_or_default();
            self.dialect.number(cell).is_some() || Mark::read(cell).is_some()
        };
        let row = self.taken.iter().all(fits) && !is_blank(line, self.dialect.separator) && !is_page_mark(line);
        row.then_some(Printed { value: 0.0, last_digit: 0, significant: 0 })
    }

    /// Lays the rulers of further time columns.
    fn measure_twins(&self, line: Line<'_>, rulers: &mut [Ruler]) {
        let cells = split(line.bytes, self.dialect.separator);
        for ((cell, form, _), ruler) in self.key.twins.iter().zip(rulers) {
            if let Some(printed) = cells.get(*cell).and_then(|cell| form.read(cell, self.dialect)) {
                ruler.push(printed, line.number);
            }
        }
    }

    /// The rows as lines, from the first one on.
    fn lines(&self, head: &Head) -> Result<Lines, Error> {
        let mut lines = head.stream(&self.source)?;
        for _ in 0..self.before {
            lines.next()?;
        }
        Ok(lines)
    }

    #[inline]
    fn cell<'a>(&self, line: &'a [u8], at: usize) -> &'a [u8] {
        match self.dialect.separator {
            Separator::Byte(byte) if at == 0 && !matches!(line.first(), Some(b'"' | b'=')) => {
                line[..memchr::memchr(byte, line).unwrap_or(line.len())].trim_ascii()
            }
            separator => split(line, separator).get(at).copied().unwrap_or_default(),
        }
    }

    fn is_comment(&self, line: &[u8]) -> bool {
        matches!(line.first(), Some(b'#' | b'%'))
            || (line.first() == Some(&b';') && self.dialect.separator != Separator::Byte(b';'))
            || line.starts_with(b"//")
    }

    /// Why a line that is no row means nothing wrong, if it does not.
    fn skipped(&self, line: &[u8]) -> Option<Skipped> {
        if is_blank(line, self.dialect.separator) {
            Some(Skipped::Blank)
        } else if self.is_comment(line) {
            Some(Skipped::Comment)
        } else if self.repeats.iter().any(|header| header == line) || is_page_mark(line) {
            Some(Skipped::Repeat)
        } else if split(line, self.dialect.separator).iter().all(|cell| Mark::read(cell) == Some(Mark::Missing)) {
            Some(Skipped::Void)
        } else {
            None
        }
    }

    /// Whether the last line, which has no end, is less than a row.
    fn is_cut(&self, line: &[u8]) -> bool {
        if is_blank(line, self.dialect.separator) || self.is_comment(line) {
            return false;
        }
        let cells = split(line, self.dialect.separator);
        let whole = |taken: &Taken| {
            cells.get(taken.cell).is_some_and(|cell| self.dialect.number(cell).is_some() || Mark::read(cell).is_some())
        };
        // A line without a single number is a remark and handled as such.
        let any = cells.iter().any(|cell| self.dialect.is_value(cell));
        any && (!self.taken.iter().all(whole)
            || self.ending.is_some_and(|form| shorter(Ending::of(line, self.dialect), form)))
    }

    fn odd(&self, line: Line<'_>, key: usize) -> Odd {
        let cell = self.cell(line.bytes, key);
        Odd { line: line.number, column: column_of(line.bytes, cell), shown: shown(cell) }
    }

    /// The error for the first odd line before a stretch.
    pub(super) fn odd_row(&self, stretch: &Stretch) -> Error {
        match stretch.odd.first() {
            Some(odd) => self.bad(odd.line, odd.column, &odd.shown, &self.key.what),
            None => Error::input("the rows break off").in_file(self.source.name()).at_line(stretch.first_line, None),
        }
    }

    fn bad(&self, line: u64, column: u64, shown: &str, expected: &str) -> Error {
        let low = shown.to_lowercase();
        let clipped = ["*", "inf", "\u{221e}", "over", "clip", "\u{e2}\u{2c6}\u{17e}", "\u{e2}\u{88}\u{9e}"];
        let remedy = if clipped.iter().any(|sign| low.contains(sign)) {
            "recorders write such signs for samples outside their range: record again on a larger range"
        } else {
            "mend or remove the line, or start below it with --skip-lines"
        };
        let found = if shown == "\"\"" { "found an empty cell".to_owned() } else { format!("found {shown}") };
        Error::input(found).in_file(self.source.name()).at_line(line, Some(column)).expected(expected).remedy(remedy)
    }

    /// Reads the channels of a row into `out`.
    #[inline]
    fn parse(&self, line: Line<'_>, out: &mut [f64]) -> Result<Row, Error> {
        // A header that is repeated, or a row behind a comment sign, may hold numbers in the channels' cells.
        if self.strict && self.key_of(line.bytes).is_none() {
            return Ok(Row::None);
        }
        if self.parse_plain(line.bytes, out).is_some() {
            return Ok(Row::Complete);
        }
        self.parse_with_care(line, out)
    }

    /// The fast way: plain cells with decimal points. `None`: look with care.
    #[inline]
    fn parse_plain(&self, line: &[u8], out: &mut [f64]) -> Option<()> {
        let Separator::Byte(separator) = self.dialect.separator else { return None };
        if self.dialect.decimal != b'.' {
            return self.parse_commas(line, separator, out);
        }
        let (mut rest, mut at) = (line, 0);
        for (taken, value) in self.taken.iter().zip(out) {
            while at < taken.cell {
                if rest.first() == Some(&b'"') {
                    return None;
                }
                rest = &rest[memchr::memchr(separator, rest)? + 1..];
                at += 1;
            }
            while let [b' ', more @ ..] = rest {
                rest = more;
            }
            let (number, length) = leading_number(rest)?;
            if number.abs() > LARGEST_PLAIN {
                return None;
            }
            rest = &rest[length..];
            while let [b' ', more @ ..] = rest {
                rest = more;
            }
            if !rest.is_empty() {
                if rest[0] != separator {
                    return None;
                }
                rest = &rest[1..];
            }
            at += 1;
            *value = number;
        }
        (self.goes_on || rest.is_empty()).then_some(())
    }

    /// The same with decimal commas: the cell first, because its end is the end of the number.
    #[inline]
    fn parse_commas(&self, line: &[u8], separator: u8, out: &mut [f64]) -> Option<()> {
        if separator == self.dialect.decimal {
            return None;
        }
        let (mut rest, mut at, mut ended) = (line, 0, false);
        for (taken, value) in self.taken.iter().zip(out) {
            let mut cell = &line[..0];
            while at <= taken.cell {
                if ended || rest.first() == Some(&b'"') {
                    return None;
                }
                let end = memchr::memchr(separator, rest);
                ended = end.is_none();
                let end = end.unwrap_or(rest.len());
                cell = &rest[..end];
                rest = rest.get(end + 1..).unwrap_or_default();
                at += 1;
            }
            *value = comma_number(cell.trim_ascii()).filter(|number| number.abs() <= LARGEST_PLAIN)?;
        }
        (self.goes_on || rest.is_empty()).then_some(())
    }

    /// The slow way: any dialect, quotes, marks instead of numbers, and errors with their place.
    fn parse_with_care(&self, line: Line<'_>, out: &mut [f64]) -> Result<Row, Error> {
        if let Some(skipped) = self.skipped(line.bytes)
            && (skipped != Skipped::Void || self.key.rises)
        {
            return Ok(Row::None);
        }
        let cells = split(line.bytes, self.dialect.separator);
        let mut row = Row::Complete;
        for (taken, value) in self.taken.iter().zip(out) {
            let cell = cells.get(taken.cell).copied().unwrap_or_default();
            let refuse =
                |expected: String| Err(self.bad(line.number, column_of(line.bytes, cell), &shown(cell), &expected));
            let number = self.dialect.number(cell);
            let mark = number.map_or_else(|| Mark::read(cell), Mark::of_number);
            match (number, mark) {
                (_, Some(Mark::Missing)) => row = Row::Holes,
                (_, Some(Mark::Above | Mark::Below)) => {
                    *value = if mark == Some(Mark::Above) { f64::INFINITY } else { f64::NEG_INFINITY };
                    row = if row == Row::Complete { Row::Marked } else { row };
                }
                (Some(number), None) if self.unit_fits(taken, cell, number) => *value = number,
                (Some(_), None) => {
                    return refuse(format!("the unit that column \"{}\" has elsewhere", taken.channel.name));
                }
                _ => return refuse(format!("a number in column \"{}\"", taken.channel.name)),
            }
        }
        let last = self.taken.iter().map(|taken| taken.cell + 1).max().unwrap_or(0);
        let beyond = cells.iter().skip(last).find(|cell| self.dialect.is_value(cell));
        match beyond {
            Some(cell) if !self.goes_on && line.number > self.free_until => {
                let expected = format!("the line to end after {last} cells");
                Err(self.bad(line.number, column_of(line.bytes, cell), &shown(cell), &expected))
            }
            _ => Ok(row),
        }
    }

    /// What stands where a number is missing.
    fn missing(&self, line: &[u8]) -> String {
        let cells = split(line, self.dialect.separator);
        let cell = |taken: &Taken| cells.get(taken.cell).copied().unwrap_or_default();
        let missing = self
            .taken
            .iter()
            .map(cell)
            .find(|cell| self.dialect.number(cell).is_none_or(|n| Mark::of_number(n).is_some()));
        missing.filter(|cell| !cell.is_empty()).map_or_else(|| "an empty cell".to_owned(), shown)
    }

    /// Where units stand in the cells, every cell must have that of its column; nothing needs none.
    fn unit_fits(&self, taken: &Taken, cell: &[u8], number: f64) -> bool {
        !self.dialect.united || number == 0.0 || self.dialect.unit(cell) == taken.unit
    }
}

/// What a line gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Row {
    /// No row: a blank line, a remark, a header once more.
    None,
    /// A number for every channel.
    Complete,
    /// Numbers, and marks for samples above or below the range as infinities.
    Marked,
    /// At least one channel has nothing.
    Holes,
}

/// A page number or a rule of dashes between pages.
fn is_page_mark(line: &[u8]) -> bool {
    let text = line.trim_ascii();
    let rule = |byte: &u8| matches!(byte, b'-' | b'=' | b'_' | b'*' | b'+' | b'|' | b' ' | b'\t' | b',' | b';' | 0x0c);
    let page = text.len() < 40 && text.get(..4).is_some_and(|word| word.eq_ignore_ascii_case(b"page"));
    page || (text.len() >= 3 && text.iter().all(rule) && !text.contains(&b'*'))
}

/// Whether the end of a row stops short of the usual form.
fn shorter(end: Ending, usual: Ending) -> bool {
    end.cells < usual.cells
        || (end.cells == usual.cells && (end.decimals < usual.decimals || end.exponent < usual.exponent))
}

/// The column of a cell within its line in characters, counted from 1.
fn column_of(line: &[u8], cell: &[u8]) -> u64 {
    let offset = (cell.as_ptr() as usize).wrapping_sub(line.as_ptr() as usize);
    // A cell that is not there has no place in the line; then the end of the line is meant.
    decode(&line[..offset.min(line.len())]).chars().count() as u64 + 1
}

/// An open text capture.
pub(super) struct Text {
    header: Header,
    account: Account,
    rows: Rows,
    lines: Lines,
    plain: Option<Plain>,
    pace: Pace,
    /// What was read the fast way and is not yet given.
    ready: VecDeque<Part>,
    last_line: u64,
    /// Rows that may still come.
    left: u64,
    /// All rows.
    total: u64,
    given: u64,
    block: usize,
    finished: bool,
    /// Where rows with empty cells began, and how many there were so far.
    holes: u64,
    /// What stands for samples above and below the range, by channel; found when the first such sample comes.
    extremes: Option<Vec<(f64, f64)>>,
    /// Samples marked as above and below the range, by channel.
    marked: Vec<[u64; 2]>,
    /// For a further run over the text, for the extremes.
    head: Head,
}

impl Text {
    pub(super) fn open(
        header: Header,
        account: Account,
        rows: Rows,
        head: &Head,
        mut survey: Survey,
        options: &ReadOptions,
    ) -> Result<Self, Error> {
        let kept = std::mem::take(&mut survey.kept);
        let keeps = survey.chosen == 0 && !kept.parts.is_empty();
        let lines = if keeps {
            head.stream_from(&rows.source, kept.place)?
        } else {
            let mut lines = rows.lines(head)?;
            for _ in rows.before + 1..survey.record().first_line {
                lines.next()?;
            }
            lines
        };
        // Lines that only look like rows are told from them by the key.
        let columns = if rows.strict { Columns::All } else { Columns::Channels };
        let plain = Plain::of(&rows, columns).filter(|_| head.ends_with_line_feed());
        let block = rows_per_block(rows.taken.len(), options);
        let mut text = Self {
            header,
            account,
            lines,
            pace: Pace::new(plain.is_some()),
            plain,
            ready: VecDeque::new(),
            last_line: survey.record().last_line,
            left: survey.ruler().count(),
            total: survey.ruler().count(),
            given: 0,
            block,
            finished: false,
            holes: 0,
            extremes: None,
            marked: vec![[0; 2]; rows.taken.len()],
            head: head.bare(),
            rows,
        };
        for part in kept.parts.into_iter().filter(|_| keeps) {
            text.lay_ready(part);
        }
        Ok(text)
    }

    fn lay_ready(&mut self, part: Part) {
        if part.rows > 0 {
            self.left = self.left.saturating_sub(part.rows as u64);
            self.ready.push_back(part);
        }
    }

    /// Reads on the fast way, as far as it goes.
    fn read_ahead(&mut self) -> Result<(), Error> {
        let first_line = self.lines.place().lines + 1;
        let text = self.lines.ahead()?;
        let Some(plain) = self.plain.as_ref().filter(|_| !text.is_empty()) else {
            self.pace.stop();
            return Ok(());
        };
        for part in plain.read(text, first_line, None) {
            if part.last_row > self.last_line {
                self.pace.stop();
                return Ok(());
            }
            self.lines.pass(part.bytes, part.lines);
            if !part.whole {
                self.pace.stumble(part.rows);
            }
            self.lay_ready(part);
        }
        Ok(())
    }

    /// A block of what was read the fast way.
    fn block_of(&mut self, part: Part) -> Block {
        if self.given == 0 && self.holes > 0 {
            self.remark_cut(self.holes, "start");
        }
        let first = self.given;
        self.given += part.rows as u64;
        let samples = Array2::from_shape_vec((self.rows.taken.len(), part.rows), part.samples)
            .expect("a part has so many samples of each channel");
        Block { first, samples }
    }

    /// Fills rows until the block is full or the record ends; gives the number of rows filled.
    fn fill(&mut self, samples: &mut [f64], length: usize) -> Result<usize, Error> {
        let scales: Vec<Scale> = self.rows.taken.iter().map(|taken| Scale::of(taken.factor)).collect();
        let mut row = vec![0.0; scales.len()];
        let mut filled = 0;
        while filled < length && !self.pace.is_fast() {
            let Some(line) = self.lines.next()? else {
                self.finished = true;
                if self.lines.place().lines < self.last_line {
                    return Err(self.became_shorter());
                }
                break;
            };
            if line.number > self.last_line {
                self.finished = true;
                break;
            }
            self.pace.one();
            let parsed = self.rows.parse(line, &mut row)?;
            if parsed == Row::None {
                continue;
            }
            self.left = self.left.saturating_sub(1);
            if parsed == Row::Holes {
                if self.given == 0 && filled == 0 {
                    self.holes += 1;
                    continue;
                }
                let (first, what) = (line.number, self.rows.missing(line.bytes));
                self.only_holes_follow(first, &what)?;
                break;
            }
            if self.given == 0 && filled == 0 && self.holes > 0 {
                self.remark_cut(self.holes, "start");
            }
            if parsed == Row::Marked {
                self.put_extremes(&mut row)?;
            }
            for (channel, (value, scale)) in row.iter().zip(&scales).enumerate() {
                samples[channel * length + filled] = scale.of_number(*value);
            }
            filled += 1;
        }
        Ok(filled)
    }

    /// The rows were counted before; now there are fewer.
    fn became_shorter(&self) -> Error {
        Error::input("the file became shorter while it was read")
            .in_file(self.rows.source.name())
            .at_line(self.lines.place().lines, None)
            .expected(format!("rows up to line {}", self.last_line))
            .remedy("read it when nothing writes to it any more")
    }

    /// The next block with care; `None` where no row came.
    fn block_with_care(&mut self) -> Result<Option<Block>, Error> {
        let channels = self.rows.taken.len();
        let length = self.block.min(usize::try_from(self.left).unwrap_or(usize::MAX));
        let mut samples = vec![0.0; channels * length];
        let filled = self.fill(&mut samples, length)?;
        if filled == 0 {
            return Ok(None);
        }
        let first = self.given;
        self.given += filled as u64;
        let whole = Array2::from_shape_vec((channels, length), samples).expect("the buffer was made for this shape");
        let samples = if filled == length {
            whole
        } else {
            whole.slice_axis(Axis(1), Slice::from(..filled)).as_standard_layout().into_owned()
        };
        Ok(Some(Block { first, samples }))
    }

    /// Puts the extreme of the record in the place of samples marked as beyond the range, and counts them.
    fn put_extremes(&mut self, row: &mut [f64]) -> Result<(), Error> {
        if self.extremes.is_none() {
            self.extremes = Some(self.find_extremes()?);
        }
        let extremes = self.extremes.as_deref().unwrap_or_default();
        for ((value, extreme), marked) in row.iter_mut().zip(extremes).zip(&mut self.marked) {
            if value.is_infinite() {
                let above = *value > 0.0;
                marked[usize::from(!above)] += 1;
                *value = if above { extreme.1 } else { extreme.0 };
            }
        }
        Ok(())
    }

    /// The smallest and the largest finite sample of each channel, over the whole record.
    fn find_extremes(&mut self) -> Result<Vec<(f64, f64)>, Error> {
        let mut extremes = vec![(f64::INFINITY, f64::NEG_INFINITY); self.rows.taken.len()];
        let mut row = vec![0.0; extremes.len()];
        let mut again = self.rows.lines(&self.head)?;
        while let Some(line) = again.next()?.filter(|line| line.number <= self.last_line) {
            // A row that is none is an error when its turn comes.
            if matches!(self.rows.parse(line, &mut row), Ok(Row::Complete | Row::Marked)) {
                for (value, extreme) in row.iter().zip(&mut extremes).filter(|(value, _)| value.is_finite()) {
                    *extreme = (extreme.0.min(*value), extreme.1.max(*value));
                }
            }
        }
        match extremes.iter().position(|(low, high)| low > high) {
            None => Ok(extremes),
            Some(at) => Err(Error::input(format!(
                "every sample of column \"{}\" is marked as beyond the range",
                self.rows.taken[at].channel.name
            ))
            .in_file(self.rows.source.name())
            .expected("samples within the range")
            .remedy("record again on a larger range, or leave the channel out with --channels")),
        }
    }

    /// Says how many samples were marked, once the record is through.
    fn remark_marked(&mut self) {
        let marked = std::mem::take(&mut self.marked);
        for ((taken, [above, below]), extreme) in
            self.rows.taken.iter().zip(&marked).zip(self.extremes.as_deref().unwrap_or_default())
        {
            if above + below > 0 {
                let (low, high) = (scaled(extreme.0, taken.factor), scaled(extreme.1, taken.factor));
                let message = format!(
                    "{above} samples of \"{}\" are marked as above the recorder's range and {below} as below it; {high} and \
                     {low}, the extremes of the record, stand in their place, so that peaks are cut off: record again on a \
                     larger range.",
                    taken.channel.name
                );
                self.header.findings.push(Finding::limit("marked_clipped", message));
            }
        }
    }

    /// A row with empty cells ends the record, unless complete rows follow: then it is a hole in the middle.
    fn only_holes_follow(&mut self, first: u64, what: &str) -> Result<(), Error> {
        self.finished = true;
        let mut row = vec![0.0; self.rows.taken.len()];
        let mut count = 1;
        while let Some(line) = self.lines.next()?.filter(|line| line.number <= self.last_line) {
            match self.rows.parse(line, &mut row)? {
                Row::None => {}
                Row::Holes => count += 1,
                Row::Complete | Row::Marked => {
                    return Err(Error::input(format!("found {what} in the middle of the record"))
                        .in_file(self.rows.source.name())
                        .at_line(first, None)
                        .expected("a number for every channel, except at the start and the end")
                        .remedy("cut the file at this line, or leave the channel out with --channels"));
                }
            }
        }
        self.remark_cut(count, "end");
        Ok(())
    }

    fn remark_cut(&mut self, count: u64, place: &str) {
        let message = format!("{count} rows at the {place} have empty cells and were cut off for all channels.");
        // Where one of two blocks side by side is far shorter, most of the other goes.
        let most = 2 * count > self.total;
        let finding = if most { Finding::limit("rows_cut", message) } else { Finding::note("rows_cut", message) };
        self.header.findings.push(finding);
    }
}

impl Recording for Text {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        self.account.clone()
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        loop {
            if let Some(part) = self.ready.pop_front() {
                return Ok(Some(self.block_of(part)));
            }
            if self.finished || self.left == 0 {
                self.finished = true;
                self.remark_marked();
                return Ok(None);
            }
            if self.pace.is_fast() {
                self.read_ahead()?;
            } else if let Some(block) = self.block_with_care()? {
                return Ok(Some(block));
            }
        }
    }
}
