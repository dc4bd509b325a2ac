//! Text captures, read by their structure and not by a template of any instrument.
//!
//! The way of a file: its beginning as lines (`text`), the block of numbers in it and the separator that makes it
//! one (`structure`), the keys around it (`preamble`), the names and units of its columns (`labels`), one pass over
//! all rows for the clock (`timing`), then the samples block after block (`body`). `cells` is strict about what a
//! number is. Nothing is guessed in silence: what was taken as what stands in [`Header::reading`], and what cannot
//! be told is an error that names the option.

mod body;
mod cells;
mod labels;
mod preamble;
mod structure;
mod text;
mod timing;

use body::{Ending, Rows, Survey, Text, scaled};
use cells::{Printed, split};
use labels::{Columns, Time};
use preamble::{Preamble, time_unit};
use structure::Table;
use text::{Encoding, Head};
use timing::{Column, Stated, Timing};

use super::{Format, ReadOptions, Source};
use crate::capture::{Header, Recording};
use crate::error::{Error, Finding, printable};

/// So many rows must end alike before a last row that ends otherwise counts as cut.
const ENOUGH_ROWS: usize = 8;

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "csv",
    about: "text tables from recorders: commas, semicolons, tabs or blanks",
    extensions: &["csv", "txt", "tsv", "dat", "asc"],
    score,
    open,
};

/// Text is taken by this reader where no other knows it; a digit somewhere makes it likely.
fn score(head: &[u8]) -> Option<u8> {
    let wide = matches!(Encoding::of(head), Encoding::Utf16Le | Encoding::Utf16Be);
    let control = |byte: &&u8| byte.is_ascii_control() && !byte.is_ascii_whitespace();
    let controls = head.iter().filter(control).count();
    if wide {
        return Some(40);
    }
    if 50 * controls > head.len() || head.contains(&0) {
        return None;
    }
    Some(if head.iter().any(u8::is_ascii_digit) { 40 } else { 10 })
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    open_text(source, options).map_err(|error| error.in_file(source.name()))
}

fn open_text(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let unit = given_time_unit(options)?;
    let head = Head::read(source)?;
    let lines = head.lines()?;
    let table = structure::find(&lines, options)?;
    let preamble = Preamble::collect(&lines, table.first, table.dialect, &table.columns)?;
    refuse_segments(&preamble)?;
    let mut columns = labels::read(&lines, &table, &preamble, options)?;
    if let Some(time) = columns.time.as_mut() {
        time.unit = unit.or(time.unit);
    }
    let rows = rows(source, &lines, &table, &columns);
    let survey = rows.survey(&head, columns.time.as_ref(), options)?;
    let timing = clock(&lines, &table, &preamble, &columns, &survey, options)?;
    let header = header(source, &head, &table, &preamble, columns, &survey, timing, options);
    Ok(Box::new(Text::open(header, rows, &head, &survey, options)?))
}

fn given_time_unit(options: &ReadOptions) -> Result<Option<f64>, Error> {
    let Some(text) = options.time_unit.as_deref() else { return Ok(None) };
    time_unit(text).map(Some).ok_or_else(|| {
        Error::usage(format!("--time-unit {}: no unit of time", printable(text))).expected("s, ms, us or ns")
    })
}

fn refuse_segments(preamble: &Preamble) -> Result<(), Error> {
    match preamble.segments {
        Some(count) if count > 1 => Err(Error::input(format!("holds {count} segments, records one behind the other"))
            .expected("one record")
            .remedy("export each segment to a file of its own")),
        _ => Ok(()),
    }
}

fn rows(source: &Source, lines: &[&[u8]], table: &Table, columns: &Columns) -> Rows {
    let behind = columns.taken.last().map_or(0, |taken| taken.cell + 1);
    let goes_on =
        |&&row: &&usize| split(lines[row], table.dialect.separator).iter().skip(behind).any(|c| !c.is_empty());
    // The last row is the one that may be cut, so it does not say how rows end.
    let sound = &table.rows[..table.rows.len().saturating_sub(1)];
    let mut endings = sound.iter().map(|&row| Ending::of(lines[row], table.dialect));
    let ending = endings.next().filter(|first| sound.len() >= ENOUGH_ROWS && endings.all(|other| other == *first));
    Rows {
        source: source.clone(),
        dialect: table.dialect,
        before: table.first as u64,
        taken: columns.taken.clone(),
        goes_on: 2 * table.rows.iter().filter(goes_on).count() > table.rows.len(),
        ending,
    }
}

/// The clock from the options, the header and the time column.
fn clock(
    lines: &[&[u8]],
    table: &Table,
    preamble: &Preamble,
    columns: &Columns,
    survey: &Survey,
    options: &ReadOptions,
) -> Result<Timing, Error> {
    let stated = preamble.stated()?;
    let Some(time) = &columns.time else {
        let mut timing = timing::settle(options, stated, None, preamble.start.unwrap_or(0.0))?;
        // Rows with empty cells at the start are cut, so the record starts later.
        let complete = table.rows.first().copied().unwrap_or(table.first);
        let is_row = |line: &&&[u8]| !cells::is_blank(line, table.dialect.separator);
        let cut = lines[table.first..complete].iter().filter(is_row).count();
        timing.clock.start_s += cut as f64 * timing.clock.interval_s();
        return Ok(timing);
    };
    let column = survey.ruler.read()?;
    let (unit, how) = unit_of(time, &column, stated, options)?;
    let first = table.rows.first().map(|&row| split(lines[row], table.dialect.separator)[time.cell]);
    let first = first.and_then(|cell| Printed::read(cell, table.dialect.decimal));
    let start = first.map_or(column.start, |printed| printed.value);
    let mut timing = timing::settle(options, stated, Some(&column.scaled(unit)), scaled(start, unit))?;
    timing.reading.insert(0, how);
    Ok(timing)
}

/// The factor of the time column to seconds, and how it was told.
fn unit_of(
    time: &Time,
    column: &Column,
    stated: Option<&Stated>,
    options: &ReadOptions,
) -> Result<(f64, String), Error> {
    const UNITS: [(&str, f64); 4] = [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)];
    let name = &time.name;
    if let Some(unit) = time.unit {
        let word = UNITS.iter().find(|(_, factor)| (factor / unit - 1.0).abs() < 1e-9).map_or("s", |(word, _)| word);
        return Ok((unit, format!("The time is {name} in {word}.")));
    }
    if !time.whole {
        return Ok((1.0, format!("The time is {name}; it names no unit and is taken in seconds.")));
    }
    // Whole numbers without a unit: a rate from elsewhere may leave only one unit.
    let given = options.sample_rate.map(Stated::given);
    let fits = |(_, factor): &&(&str, f64)| {
        given.as_ref().or(stated).is_some_and(|known| column.scaled(*factor).agrees(known))
    };
    match UNITS.iter().find(fits) {
        Some((word, factor)) => {
            Ok((*factor, format!("The time is {name} in {word}, as only this agrees with the rate.")))
        }
        None => Err(timing::no_time_unit(name)),
    }
}

#[expect(clippy::too_many_arguments, reason = "the one place where everything that was learnt comes together")]
fn header(
    source: &Source,
    head: &Head,
    table: &Table,
    preamble: &Preamble,
    columns: Columns,
    survey: &Survey,
    timing: Timing,
    options: &ReadOptions,
) -> Header {
    let mut reading = vec![format!("{}.", capital(&table.dialect.words()))];
    reading.extend(head.encoding.words().map(|words| format!("The text is {words}.")));
    if let Some(count) = options.skip_lines.filter(|&count| count > 0) {
        reading.push(format!("{count} lines at the top were skipped, as the option says."));
    }
    reading.push(match table.first {
        0 => "The first line is data.".to_owned(),
        first => format!("Data from line {} on; {} lines with names and units above.", first + 1, columns.header_lines),
    });
    reading.extend(columns.reading);
    reading.extend(preamble.notes.iter().cloned());
    reading.extend(timing.reading);
    if survey.comments > 0 {
        reading.push(format!("Not taken: {} remarks between the rows.", survey.comments));
    }
    let mut findings = columns.findings;
    findings.extend(timing.findings);
    findings.extend(remarks(preamble, survey));
    let channels: Vec<_> = columns.taken.into_iter().map(|taken| taken.channel).collect();
    let time = columns.time.map_or("no time column".to_owned(), |time| format!("time in {}", time.name));
    let layout = format!(
        "{}, data from line {}, {time}, {} {}",
        table.dialect.words(),
        table.first + 1,
        channels.len(),
        if channels.len() == 1 { "channel" } else { "channels" }
    );
    Header {
        path: source.name().to_owned(),
        format: FORMAT.name,
        layout,
        channels,
        clock: timing.clock,
        promised_samples: preamble.count,
        reading,
        findings,
    }
}

fn remarks(preamble: &Preamble, survey: &Survey) -> Vec<Finding> {
    let mut findings = Vec::new();
    let rows = survey.ruler.count();
    if survey.cut {
        let message = "The file ends in the middle of a row; this last row was left out.";
        findings.push(Finding::limit("cut_short", message));
    }
    if let Some(promised) = preamble.count.filter(|&promised| promised != rows) {
        let message = format!("The header promises {promised} rows, the file holds {rows}; all {rows} were read.");
        findings.push(Finding::note("row_count", message));
    }
    if let Some((line, shown)) = &survey.footer {
        let message = format!("Line {line} starts with {shown}, no row of samples; it and all below it were left out.");
        findings.push(Finding::note("lines_left_out", message));
    }
    if let Some(mode) = &preamble.envelope {
        let message = format!("The header says \"{}\": an envelope has no spectrum.", printable(mode));
        findings.push(Finding::unfit("envelope", message));
    }
    findings
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
