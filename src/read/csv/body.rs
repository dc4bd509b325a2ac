//! The rows themselves: once over all of them for the clock, then block after block for the samples.

use ndarray::{Array2, Axis, Slice};

use super::cells::{Dialect, Printed, Separator, is_blank, leading_number, number, shown, split};
use super::labels::{Taken, Time};
use super::text::{Head, Line, Lines, decode};
use super::timing::{Fineness, Ruler};
use crate::capture::{Block, Header, Recording};
use crate::error::{Error, Finding};
use crate::read::{ReadOptions, Source, rows_per_block};

/// What both passes know of the rows.
#[derive(Debug, Clone)]
pub(super) struct Rows {
    pub(super) source: Source,
    pub(super) dialect: Dialect,
    /// Lines before the first row.
    pub(super) before: u64,
    pub(super) taken: Vec<Taken>,
    /// Whether rows go on behind the last cell that is read.
    pub(super) goes_on: bool,
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

/// What the first pass found.
#[derive(Debug)]
pub(super) struct Survey {
    pub(super) ruler: Ruler,
    /// The line of the last row.
    pub(super) last_line: u64,
    /// The first line behind the last row that is no row, and how it starts.
    pub(super) footer: Option<(u64, String)>,
    /// Remarks between the rows.
    pub(super) comments: u64,
    /// Whether the last row was cut off.
    pub(super) cut: bool,
}

/// A line among the rows that is none.
struct Odd {
    line: u64,
    column: u64,
    shown: String,
}

impl Rows {
    /// Goes over all rows once: how many, and what their times say.
    ///
    /// Without a time column the first channel takes its place for the count.
    ///
    /// # Errors
    /// A line among the rows that is none, a second time column that differs, or what the system answers.
    pub(super) fn survey(&self, head: &Head, time: Option<&Time>, options: &ReadOptions) -> Result<Survey, Error> {
        let key = time.map_or(self.taken[0].cell, |time| time.cell);
        let fineness = time.map_or_else(|| Fineness::of(std::iter::empty()), |time| time.fineness);
        let twins = time.map_or(&[][..], |time| &time.twins);
        let mut survey = Survey { ruler: Ruler::new(fineness), last_line: 0, footer: None, comments: 0, cut: false };
        let mut odd: Option<Odd> = None;
        let mut lines = self.lines(head, options)?;
        while let Some(line) = lines.next()? {
            if !line.ended && self.is_cut(line.bytes) {
                survey.cut = true;
                break;
            }
            let Some(printed) = Printed::read(self.cell(line.bytes, key), self.dialect.decimal) else {
                if self.is_comment(line.bytes) {
                    survey.comments += 1;
                } else if !is_blank(line.bytes, self.dialect.separator) {
                    odd.get_or_insert_with(|| self.odd(line, key));
                }
                continue;
            };
            if let Some(odd) = &odd {
                return Err(self.odd_row(odd, time));
            }
            if !twins.is_empty() {
                self.compare(line, key, twins)?;
            }
            survey.ruler.push(printed, line.number);
            survey.last_line = line.number;
        }
        survey.footer = odd.map(|odd| (odd.line, odd.shown));
        Ok(survey)
    }

    /// The rows as lines, from the first one on.
    fn lines(&self, head: &Head, options: &ReadOptions) -> Result<Lines, Error> {
        let mut lines = head.stream(&self.source, options.max_memory)?;
        for _ in 0..self.before {
            lines.next()?;
        }
        Ok(lines)
    }

    #[inline]
    fn cell<'a>(&self, line: &'a [u8], at: usize) -> &'a [u8] {
        match self.dialect.separator {
            Separator::Byte(byte) if at == 0 && line.first() != Some(&b'"') => {
                line[..memchr::memchr(byte, line).unwrap_or(line.len())].trim_ascii()
            }
            separator => split(line, separator).get(at).copied().unwrap_or_default(),
        }
    }

    fn is_comment(&self, line: &[u8]) -> bool {
        matches!(line.first(), Some(b'#' | b'%'))
            || (line.first() == Some(&b';') && self.dialect.separator != Separator::Byte(b';'))
    }

    /// Whether the last line, which has no end, is less than a row.
    fn is_cut(&self, line: &[u8]) -> bool {
        if is_blank(line, self.dialect.separator) || self.is_comment(line) {
            return false;
        }
        let cells = split(line, self.dialect.separator);
        let whole = |taken: &Taken| {
            cells.get(taken.cell).is_some_and(|cell| cell.is_empty() || number(cell, self.dialect.decimal).is_some())
        };
        // A line without a single number is a remark and handled as such.
        let any = cells.iter().any(|cell| number(cell, self.dialect.decimal).is_some());
        any && (!self.taken.iter().all(whole)
            || self.ending.is_some_and(|form| shorter(Ending::of(line, self.dialect), form)))
    }

    fn odd(&self, line: Line<'_>, key: usize) -> Odd {
        let cell = self.cell(line.bytes, key);
        Odd { line: line.number, column: column_of(line.bytes, cell), shown: shown(cell) }
    }

    fn odd_row(&self, odd: &Odd, time: Option<&Time>) -> Error {
        let what = match time {
            Some(time) => format!("a time in {}", time.name),
            None => format!("a number in column \"{}\"", self.taken[0].channel.name),
        };
        self.bad(odd.line, odd.column, &odd.shown, &what)
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

    /// A second time column must repeat the first.
    fn compare(&self, line: Line<'_>, key: usize, twins: &[usize]) -> Result<(), Error> {
        let cells = split(line.bytes, self.dialect.separator);
        let time = cells.get(key).copied().unwrap_or_default();
        for &twin in twins {
            let other = cells.get(twin).copied().unwrap_or_default();
            if !other.is_empty() && number(other, self.dialect.decimal) != number(time, self.dialect.decimal) {
                return Err(Error::input(format!("two time columns differ: {} and {}", shown(time), shown(other)))
                    .in_file(self.source.name())
                    .at_line(line.number, Some(column_of(line.bytes, other)))
                    .expected("one time base for all channels")
                    .remedy("export each channel to a file of its own"));
            }
        }
        Ok(())
    }

    /// Reads the channels of a row into `out`; `false` when a cell is empty.
    #[inline]
    fn parse(&self, line: Line<'_>, out: &mut [f64]) -> Result<bool, Error> {
        if self.parse_plain(line.bytes, out).is_some() {
            return Ok(true);
        }
        self.parse_with_care(line, out)
    }

    /// The fast way: plain cells with decimal points. `None`: look with care.
    #[inline]
    fn parse_plain(&self, line: &[u8], out: &mut [f64]) -> Option<()> {
        let Separator::Byte(separator) = self.dialect.separator else { return None };
        if self.dialect.decimal != b'.' {
            return None;
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

    /// The slow way: any dialect, quotes, and errors with their place.
    fn parse_with_care(&self, line: Line<'_>, out: &mut [f64]) -> Result<bool, Error> {
        let cells = split(line.bytes, self.dialect.separator);
        let mut complete = true;
        for (taken, value) in self.taken.iter().zip(out) {
            let cell = cells.get(taken.cell).copied().unwrap_or_default();
            match number(cell, self.dialect.decimal) {
                Some(number) => *value = number,
                None if cell.is_empty() => complete = false,
                None => {
                    let expected = format!("a number in column \"{}\"", taken.channel.name);
                    return Err(self.bad(line.number, column_of(line.bytes, cell), &shown(cell), &expected));
                }
            }
        }
        let last = self.taken.last().map_or(0, |taken| taken.cell + 1);
        match cells.iter().skip(last).find(|cell| !cell.is_empty()) {
            Some(cell) if !self.goes_on => {
                let expected = format!("the line to end after {last} cells");
                Err(self.bad(line.number, column_of(line.bytes, cell), &shown(cell), &expected))
            }
            _ => Ok(complete),
        }
    }
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

/// From the file's number to the channel's unit: a division where the prefix is small, because 1/1000 is no double
/// but 1000 is.
#[inline]
pub(super) fn scaled(value: f64, factor: f64) -> f64 {
    if factor < 1.0 { value / (1.0 / factor).round() } else { value * factor }
}

/// An open text capture.
pub(super) struct Text {
    header: Header,
    rows: Rows,
    lines: Lines,
    last_line: u64,
    /// Rows that may still come.
    left: u64,
    given: u64,
    block: usize,
    finished: bool,
    /// Where rows with empty cells began, and how many there were so far.
    holes: u64,
}

impl Text {
    pub(super) fn open(
        header: Header,
        rows: Rows,
        head: &Head,
        survey: &Survey,
        options: &ReadOptions,
    ) -> Result<Self, Error> {
        let lines = rows.lines(head, options)?;
        let block = rows_per_block(rows.taken.len(), options);
        Ok(Self {
            header,
            lines,
            last_line: survey.last_line,
            left: survey.ruler.count(),
            given: 0,
            block,
            finished: false,
            holes: 0,
            rows,
        })
    }

    /// Fills rows until the block is full or the record ends; gives the number of rows filled.
    fn fill(&mut self, samples: &mut [f64], length: usize) -> Result<usize, Error> {
        let factors: Vec<f64> = self.rows.taken.iter().map(|taken| taken.factor).collect();
        let mut row = vec![0.0; factors.len()];
        let mut filled = 0;
        while filled < length {
            let Some(line) = self.lines.next()?.filter(|line| line.number <= self.last_line) else {
                self.finished = true;
                break;
            };
            if is_blank(line.bytes, self.rows.dialect.separator) || self.rows.is_comment(line.bytes) {
                continue;
            }
            self.left = self.left.saturating_sub(1);
            if self.rows.parse(line, &mut row)? {
                if self.given == 0 && filled == 0 && self.holes > 0 {
                    self.remark_cut(self.holes, "start");
                }
                for (channel, (value, factor)) in row.iter().zip(&factors).enumerate() {
                    samples[channel * length + filled] = scaled(*value, *factor);
                }
                filled += 1;
            } else if self.given == 0 && filled == 0 {
                self.holes += 1;
            } else {
                let first = line.number;
                self.only_holes_follow(first)?;
                break;
            }
        }
        Ok(filled)
    }

    /// A row with empty cells ends the record, unless complete rows follow: then it is a hole in the middle.
    fn only_holes_follow(&mut self, first: u64) -> Result<(), Error> {
        self.finished = true;
        let mut row = vec![0.0; self.rows.taken.len()];
        let mut count = 1;
        while let Some(line) = self.lines.next()?.filter(|line| line.number <= self.last_line) {
            if is_blank(line.bytes, self.rows.dialect.separator) || self.rows.is_comment(line.bytes) {
                continue;
            }
            if self.rows.parse(line, &mut row)? {
                return Err(Error::input("found an empty cell in the middle of the record")
                    .in_file(self.rows.source.name())
                    .at_line(first, None)
                    .expected("a number for every channel, except at the start and the end")
                    .remedy("cut the file at this line, or export the record once more"));
            }
            count += 1;
        }
        self.remark_cut(count, "end");
        Ok(())
    }

    fn remark_cut(&mut self, count: u64, place: &str) {
        let message = format!("{count} rows at the {place} have empty cells and were cut off for all channels.");
        self.header.findings.push(Finding::note("rows_cut", message));
    }
}

impl Recording for Text {
    fn header(&self) -> &Header {
        &self.header
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        if self.finished {
            return Ok(None);
        }
        let channels = self.rows.taken.len();
        let length = self.block.min(usize::try_from(self.left).unwrap_or(usize::MAX));
        let mut samples = vec![0.0; channels * length];
        let filled = self.fill(&mut samples, length)?;
        let first = self.given;
        self.given += filled as u64;
        if filled == 0 {
            self.finished = true;
            return Ok(None);
        }
        let whole = Array2::from_shape_vec((channels, length), samples).expect("the buffer was made for this shape");
        let samples = if filled == length {
            whole
        } else {
            whole.slice_axis(Axis(1), Slice::from(..filled)).as_standard_layout().into_owned()
        };
        Ok(Some(Block { first, samples }))
    }
}
