//! Where one text holds more than one table: records one behind the other, channels one below the other, pages.
//!
//! The first pass cuts the rows into stretches wherever something odd stands between them or the time goes back. Here
//! it is decided what that means, by evidence: the same start and other names are further channels, a time that
//! starts over is a further record, a few rows behind a word are a summary, and all else is damage.

use std::io::{self, Read};
use std::sync::Arc;

use ndarray::{Array2, Axis};

use super::body::{Rows, Stretch, Survey};
use super::text::{Head, Lines};
use super::timing::{Column, twelve_digits};
use crate::capture::{Account, Block, Header, Recording, Role};
use crate::error::{Error, Finding};
use crate::read::{Open, Origin, ReadOptions, Source};

/// What the stretches of a text are.
#[derive(Debug)]
pub(super) enum Verdict {
    /// One table; the chosen stretch is the record, and the sentence says what was left out.
    One(Option<String>),
    /// The table begins further down.
    Below {
        /// Lines to skip.
        skip: u64,
    },
    /// Each stretch is a channel of one record.
    Channels,
}

/// A few rows behind a word, at most so many, are a summary.
const SUMMARY: u64 = 12;

/// Decides what the stretches are.
///
/// # Errors
/// Records of which none is chosen, with the list of them; damage, with its place.
pub(super) fn judge(
    survey: &mut Survey,
    rows: &Rows,
    timed: bool,
    options: &ReadOptions,
    is_part: bool,
) -> Result<Verdict, Error> {
    let count = survey.stretches.len();
    let most = (0..count).max_by_key(|&at| (survey.stretches[at].ruler.count(), count - at)).unwrap_or(0);
    let main = survey.stretches[most].ruler.count();
    let others = |range: std::ops::Range<usize>| survey.stretches[range].iter().map(|s| s.ruler.count()).sum::<u64>();
    if count == 1 {
        return match options.record {
            Some(record) if record > 1 => Err(no_such_record(record, 1)),
            _ => Ok(Verdict::One(None)),
        };
    }
    // Numbers above the header that look like rows.
    if most > 0
        && most + 1 == count
        && others(0..most) <= 8
        && main >= 16
        && options.record.is_none()
        && survey.stretches[most].has_odd()
        && !continues(&survey.stretches[most - 1], &survey.stretches[most])
    {
        return Ok(Verdict::Below { skip: survey.stretches[most - 1].last_line });
    }
    // A table of settings above the record, which alone has a time.
    if most == 1
        && count == 2
        && !timed
        && main >= 4 * others(0..1)
        && options.record.is_none()
        && survey.stretches[1].is_headed_by_time()
    {
        return Ok(Verdict::Below { skip: survey.stretches[0].last_line });
    }
    // A summary below the rows.
    if most == 0
        && others(1..count) <= SUMMARY
        && main >= 2 * others(1..count)
        && survey.stretches[1].has_odd()
        && !continues(&survey.stretches[0], &survey.stretches[1])
        && options.record.is_none()
        && !starts_over(&survey.stretches)
    {
        let line = survey.stretches[1].first_odd_line();
        survey.chosen = 0;
        return Ok(Verdict::One(Some(format!(
            "From line {line} on the file holds a few rows under other words, such as a summary; they were left out."
        ))));
    }
    let interrupted = survey.stretches.windows(2).any(|pair| pair[1].has_odd() && continues(&pair[0], &pair[1]));
    if interrupted || !starts_over(&survey.stretches) {
        return Err(damage(survey, rows));
    }
    if let Some(record) = options.record {
        let at = usize::try_from(record).unwrap_or(usize::MAX).wrapping_sub(1);
        if at >= count {
            return Err(no_such_record(record, count));
        }
        survey.chosen = at;
        return Ok(Verdict::One(Some(format!("Record {record} of {count} was taken, as the option says."))));
    }
    let headed = survey.stretches[1..].iter().all(Stretch::has_odd);
    if headed && count <= 64 && !is_part {
        return Ok(Verdict::Channels);
    }
    Err(records(survey, rows))
}

/// Whether the second stretch goes on where the first one ends, with up to ten rows lost between.
fn continues(first: &Stretch, second: &Stretch) -> bool {
    let (start, end) = first.ruler.ends();
    let step = (end - start) / (first.ruler.count().max(2) - 1) as f64;
    let jump = second.ruler.ends().0 - end;
    step > 0.0 && jump > 0.0 && jump < 12.0 * step
}

/// Whether every stretch is a record by itself, all of one interval.
fn starts_over(stretches: &[Stretch]) -> bool {
    let columns: Option<Vec<Column>> = stretches.iter().map(|stretch| stretch.ruler.read().ok()).collect();
    let timeless = stretches.iter().all(|stretch| stretch.ruler.ends() == (0.0, 0.0));
    match columns {
        _ if timeless => false,
        Some(columns) => columns.windows(2).all(|pair| {
            let apart = (pair[1].interval - pair[0].interval).abs();
            apart <= pair[0].interval * (pair[0].relative + pair[1].relative + 1e-9)
        }),
        None => false,
    }
}

/// The first thing that is wrong between the stretches.
fn damage(survey: &Survey, rows: &Rows) -> Error {
    let second = &survey.stretches[1];
    if second.has_odd() {
        return rows.odd_row(second);
    }
    let (_, end) = survey.stretches[0].ruler.ends();
    super::timing::goes_back(end - second.ruler.ends().0, second.first_line)
}

/// The list of records, so that one can be chosen.
fn records(survey: &Survey, rows: &Rows) -> Error {
    const SHOWN: usize = 6;
    let count = survey.stretches.len();
    let list: Vec<String> = survey
        .stretches
        .iter()
        .take(SHOWN)
        .enumerate()
        .map(|(at, stretch)| {
            let (start, _) = stretch.ruler.ends();
            let rows = stretch.ruler.count();
            format!(
                "{}: lines {} to {}, {rows} rows from {} on",
                at + 1,
                stretch.first_line,
                stretch.last_line,
                twelve_digits(start)
            )
        })
        .collect();
    let more = if count > SHOWN { "; ..." } else { "" };
    Error::input(format!("holds {count} records one behind the other ({}{more})", list.join("; ")))
        .in_file(rows.source.name())
        .at_line(survey.stretches[1].first_line, None)
        .expected("one record")
        .remedy(format!("--record N takes one of them, 1 to {count}"))
}

fn no_such_record(record: u64, count: usize) -> Error {
    Error::usage(format!("--record {record}: the file holds {count}")).remedy("--record takes a number from 1 on")
}

/// A run of lines of a text, as a source of its own.
struct Part {
    name: String,
    whole: Source,
    head: Arc<Head>,
    /// The first and the last line, counted from 1.
    lines: (u64, u64),
}

impl Part {
    fn lines(&self) -> io::Result<Lines> {
        let mut lines = self.head.stream(&self.whole).map_err(io::Error::other)?;
        for _ in 1..self.lines.0 {
            lines.next().map_err(io::Error::other)?;
        }
        Ok(lines)
    }
}

impl Origin for Part {
    fn name(&self) -> &str {
        &self.name
    }

    fn byte_count(&self) -> io::Result<u64> {
        io::copy(&mut self.open_at(0)?, &mut io::sink())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let mut stream = PartStream { lines: self.lines()?, last: self.lines.1, ready: Vec::new(), given: 0 };
        io::copy(&mut (&mut stream).take(position), &mut io::sink())?;
        Ok(Box::new(stream))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}

/// The lines of a part as bytes.
struct PartStream {
    lines: Lines,
    last: u64,
    ready: Vec<u8>,
    given: usize,
}

impl Read for PartStream {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.given == self.ready.len() {
            self.ready.clear();
            self.given = 0;
            if let Some(line) = self.lines.next().map_err(io::Error::other)?.filter(|line| line.number <= self.last) {
                self.ready.extend_from_slice(line.bytes);
                if line.ended {
                    self.ready.push(b'\n');
                }
            }
        }
        let count = out.len().min(self.ready.len() - self.given);
        out[..count].copy_from_slice(&self.ready[self.given..self.given + count]);
        self.given += count;
        Ok(count)
    }
}

/// Opens stretches that lie one below the other as the channels of one record.
///
/// # Errors
/// Names that do not tell the channels apart: then they may be records, and the list of them is the answer.
pub(super) fn channels(
    survey: &Survey,
    rows: &Rows,
    head: Head,
    options: &ReadOptions,
    open: Open,
) -> Result<Box<dyn Recording>, Error> {
    let head = Arc::new(head);
    let mut parts: Vec<Box<dyn Recording>> = Vec::new();
    let mut first_line = 1;
    for stretch in &survey.stretches {
        let part = Part {
            name: rows.source.name().to_owned(),
            whole: rows.source.clone(),
            head: Arc::clone(&head),
            lines: (first_line, stretch.last_line),
        };
        first_line = stretch.last_line + 1;
        let mut options = options.clone();
        options.encoding = None;
        if let Some(first) = parts.first().filter(|_| !rows.key.rises) {
            options.sample_rate = Some(first.header().clock.rate);
        }
        parts.push(open(&Source::new(part), &options).map_err(|_| records(survey, rows))?);
    }
    let names: Vec<&str> =
        parts.iter().flat_map(|part| &part.header().channels).map(|channel| channel.name.as_str()).collect();
    let told_apart =
        names.iter().enumerate().all(|(at, name)| !name.starts_with("channel ") && !names[..at].contains(name));
    let clock = parts[0].header().clock;
    let together = parts.iter().all(|part| {
        let other = part.header().clock;
        let give = clock.relative_uncertainty + other.relative_uncertainty + 1e-9;
        (other.start_s - clock.start_s).abs() <= 0.5 * clock.interval_s()
            && (other.rate.get() / clock.rate.get() - 1.0).abs() <= give
    });
    if !told_apart || !together {
        return Err(records(survey, rows));
    }
    Ok(Box::new(Stack::new(parts)))
}

/// Blocks of channels one below the other, as one record; cut to the shortest.
struct Stack {
    header: Header,
    account: Account,
    parts: Vec<Box<dyn Recording>>,
    /// What of each part was read and not yet given.
    waiting: Vec<Array2<f64>>,
    given: u64,
    finished: bool,
}

impl Stack {
    fn new(parts: Vec<Box<dyn Recording>>) -> Self {
        let first = parts[0].header();
        let mut header = Header { channels: Vec::new(), ..first.clone() };
        let mut account = Account::default();
        for part in &parts {
            header.channels.extend(part.header().channels.clone());
            let told = part.account();
            account.columns.extend(told.columns);
            account.rates.extend(told.rates);
            account.skipped.extend(told.skipped);
            account.doubts.extend(told.doubts);
            account.block = account.block.or(told.block);
        }
        for (at, channel) in header.channels.iter_mut().enumerate() {
            channel.role = match at {
                0 => Role::Wire,
                1 => Role::Air,
                _ => Role::Other,
            };
        }
        header.layout = format!("{} blocks one below the other; {}", parts.len(), first.layout);
        header.reading.insert(
            0,
            format!(
                "{} blocks lie one below the other; their names differ and rate and start agree, so they are channels of one \
                 record.",
                parts.len()
            ),
        );
        for part in &parts[1..] {
            header.findings.extend(part.header().findings.iter().filter(|f| !first.findings.contains(f)).cloned());
        }
        let waiting = parts.iter().map(|part| Array2::zeros((part.header().channels.len(), 0))).collect();
        Self { header, account, parts, waiting, given: 0, finished: false }
    }

    /// Says how much of the longer blocks was cut.
    fn finish(&mut self) -> Result<(), Error> {
        self.finished = true;
        let mut longest = self.given;
        for (part, waiting) in self.parts.iter_mut().zip(&self.waiting) {
            let mut length = self.given + waiting.ncols() as u64;
            while let Some(block) = part.next_block()? {
                length += block.len() as u64;
            }
            longest = longest.max(length);
        }
        if longest > self.given {
            let message = format!(
                "The blocks differ in length: all channels were cut to the {} rows of the shortest; the longest has {longest}.",
                self.given
            );
            self.header.findings.push(Finding::limit("rows_cut", message));
        }
        Ok(())
    }
}

impl Recording for Stack {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        self.account.clone()
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        if self.finished {
            return Ok(None);
        }
        for at in 0..self.parts.len() {
            if self.waiting[at].ncols() == 0 {
                match self.parts[at].next_block()? {
                    Some(block) => self.waiting[at] = block.samples,
                    None => {
                        self.finish()?;
                        return Ok(None);
                    }
                }
            }
        }
        let count = self.waiting.iter().map(Array2::ncols).min().unwrap_or(0);
        let mut pieces = Vec::new();
        for waiting in &mut self.waiting {
            let (now, later) = waiting.view().split_at(Axis(1), count);
            pieces.push(now.to_owned());
            let later = later.to_owned();
            *waiting = later;
        }
        let views: Vec<_> = pieces.iter().map(|piece| piece.view()).collect();
        let samples = ndarray::concatenate(Axis(0), &views).expect("all pieces have the same number of columns");
        let first = self.given;
        self.given += count as u64;
        Ok(Some(Block { first, samples: samples.as_standard_layout().into_owned() }))
    }
}
