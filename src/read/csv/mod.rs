//! Text captures, read by their structure and not by a template of any instrument.
//!
//! The way of a file: its beginning as lines (`text`), the block of numbers in it and the separator that makes it
//! one (`structure`), the keys around it (`preamble`), the names and units of its columns (`labels`), one pass over
//! all rows for the clock (`timing`), then the samples block after block (`body`), the fast way where rows are plain
//! (`plain`). `beginning` spares looking at every line, `cells` is strict about what a number is. Nothing is guessed in silence: what was taken as what stands in [`Header::reading`], and what cannot
//! be told is an error that names the option.

mod apart;
mod beginning;
mod body;
mod cells;
mod label;
mod labels;
pub(super) mod named;
mod number;
mod plain;
mod preamble;
mod resampled;
mod sections;
mod structure;
mod text;
mod timing;
mod turned;

use body::{Ending, Form, Rows, Survey, Text};
use cells::{cells, is_blank, scaled};
use labels::{Columns, Time};
use preamble::{Preamble, time_unit};
use resampled::Resampled;
use sections::Verdict;
use structure::Table;
pub(super) use text::ENCODINGS;
use text::{Encoding, Head};
use timing::{Column, Stated, Timing};

use super::{Format, ReadOptions, Source};
use crate::capture::{Account, Block, Clock, DataBlock, Doubt, Header, RateCandidate, RateSource, Recording};
use crate::error::{Error, Finding, printable};

/// So many rows must end alike before a last row that ends otherwise counts as cut.
const ENOUGH_ROWS: usize = 8;

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "csv",
    about: "text tables from recorders: commas, semicolons, tabs or blanks",
    extensions: &["csv", "txt", "tsv", "dat", "asc"],
    score,
    beside: super::by_itself,
    open,
};

/// Text is taken by this reader where no other knows it; a digit somewhere makes it likely.
fn score(head: &[u8]) -> Option<u8> {
    let wide = !matches!(Encoding::of(head), Encoding::Bytes | Encoding::Marked);
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
    read_text(source, options, false)
}

/// Reads a text, or one of the tables in a text.
fn read_text(source: &Source, options: &ReadOptions, is_part: bool) -> Result<Box<dyn Recording>, Error> {
    let unit = given_time_unit(options)?;
    let head = Head::read(source, options.encoding.as_deref())?;
    if let Some(upright) = turned::turned(source, &head, options)? {
        let options = ReadOptions { encoding: None, ..options.clone() };
        let placed = upright.placed();
        let inner = read_text(&upright.source, &options, true).map_err(&placed)?;
        let told = Told::new(inner, "The table lies on its side: a line is a channel.");
        return Ok(Box::new(Told { placed: Box::new(placed), ..told }));
    }
    let table = structure::find(&head, options)?;
    let mut preamble = Preamble::collect(&table)?;
    let mut columns = labels::read(&table, &preamble, options)?;
    let mut header_file = None;
    let apart = columns.time.is_none() && options.sample_rate.is_none() && preamble.stated()?.is_none();
    if apart && let Some((found, name)) = apart::header_of(source)? {
        found.into_preamble(&mut preamble, &name);
        header_file = Some(name);
        columns = labels::read(&table, &preamble, options)?;
    }
    if let Some(time) = columns.time.as_mut() {
        time.unit = unit.or(time.unit);
    }
    let mut rows = rows(source, &table, &columns);
    let mut survey = rows.survey(&head, options.memory())?;
    let mut skipped = Vec::new();
    match sections::judge(&mut survey, &rows, columns.time.is_some(), options, is_part)? {
        Verdict::One(sentence) => skipped.extend(sentence),
        Verdict::Below { skip } => {
            let below = ReadOptions { skip_lines: Some(skip), ..options.clone() };
            return read_text(source, &below, is_part);
        }
        Verdict::Channels => {
            return sections::channels(&survey, &rows, head, options, |source, options| {
                read_text(source, options, true)
            });
        }
    }
    if columns.time.is_none() && preamble.stated()?.is_none() {
        preamble.take_below(&survey.below, table.dialect)?;
    }
    rows.strict = survey.comments + survey.repeats + survey.voids > 0;
    refuse_segments(&preamble, &columns, options)?;
    let timing = clock(&table, &preamble, &columns, &survey, options)?;
    let uneven = timing.uneven.map(|uneven| (uneven, timing.unit));
    let (header, account) =
        header(source, &head, &table, &preamble, columns, &survey, timing, skipped, header_file, options);
    let Some((uneven, unit)) = uneven else {
        return Ok(Box::new(Text::open(header, account, rows, &head, survey, options)?));
    };
    let time = rows.take_time(unit)?;
    let count = survey.ruler().count();
    let text = Text::open(header, account, rows, &head, survey.without_kept(), options)?;
    Ok(Box::new(Resampled::read(text, time, uneven, count, options)?))
}

/// A recording with a sentence more on how it was read.
struct Told {
    header: Header,
    inner: Box<dyn Recording>,
    sentence: &'static str,
    /// Where the places that errors name stand in the file.
    placed: Box<dyn Fn(Error) -> Error + Send>,
}

impl Told {
    fn new(inner: Box<dyn Recording>, sentence: &'static str) -> Self {
        let mut header = inner.header().clone();
        header.reading.insert(0, sentence.to_owned());
        Self { header, inner, sentence, placed: Box::new(|error| error) }
    }
}

impl Recording for Told {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        let mut account = self.inner.account();
        account.doubts.insert(0, Doubt { what: self.sentence.to_owned(), option: "--separator".to_owned() });
        account
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let block = self.inner.next_block().map_err(&self.placed)?;
        self.header.findings.clone_from(&self.inner.header().findings);
        Ok(block)
    }
}

fn given_time_unit(options: &ReadOptions) -> Result<Option<f64>, Error> {
    let Some(text) = options.time_unit.as_deref() else { return Ok(None) };
    time_unit(text).map(Some).ok_or_else(|| {
        Error::usage(format!("--time-unit {}: no unit of time", printable(text))).expected("s, ms, us or ns")
    })
}

/// Segments that the header promises and nothing in the rows shows.
fn refuse_segments(preamble: &Preamble, columns: &Columns, options: &ReadOptions) -> Result<(), Error> {
    match preamble.segments {
        // A time that rises all the way through is one record, whatever was taken besides.
        Some(count) if count > 1 && columns.time.is_none() && options.record.is_none() => Err(Error::input(format!(
            "holds {count} segments, records one behind the other, and no time that tells them apart"
        ))
        .expected("one record")
        .remedy("export each segment to a file of its own, or with a time column")),
        _ => Ok(()),
    }
}

fn rows(source: &Source, table: &Table<'_>, columns: &Columns) -> Rows {
    let behind = columns.taken.iter().map(|taken| taken.cell + 1).max().unwrap_or(0);
    let cells_behind = |line| cells(line, table.dialect.separator).skip(behind);
    let goes_on = table.beginning.ask(|line| cells_behind(line).any(|cell| !cell.is_empty()));
    let goes_on = table.rows.iter().filter(|&&row| *goes_on.of(row)).count();
    // Metadata right of the data is a word with its value, in the first rows only.
    let metadata = table.beginning.ask(|line| cells_behind(line).any(|cell| cell.iter().any(u8::is_ascii_alphabetic)));
    let metadata = table.rows.iter().filter(|&&row| *metadata.of(row));
    // The last row is the one that may be cut, so it does not say how rows end.
    let sound = &table.rows[..table.rows.len().saturating_sub(1)];
    let endings = table.beginning.ask(|line| Ending::of(line, table.dialect));
    let mut endings = sound.iter().map(|&row| *endings.of(row));
    let ending = endings.next().filter(|first| sound.len() >= ENOUGH_ROWS && endings.all(|other| other == *first));
    Rows {
        source: source.clone(),
        dialect: table.dialect,
        key: columns.key.clone(),
        before: table.first as u64,
        taken: columns.taken.clone(),
        goes_on: 2 * goes_on > table.rows.len(),
        free_until: metadata.max().map_or(0, |&row| row as u64 + 1),
        strict: false,
        repeats: {
            let words = table.above().iter().filter(|line| !line.trim_ascii().is_empty());
            words.map(|line| line.to_vec()).collect()
        },
        ending,
    }
}

/// The clock from the options, the header and the time column.
fn clock(
    table: &Table<'_>,
    preamble: &Preamble,
    columns: &Columns,
    survey: &Survey,
    options: &ReadOptions,
) -> Result<Timing, Error> {
    let stated = preamble.stated()?;
    let Some(time) = &columns.time else {
        if let Some(count) = &columns.counter {
            survey.ruler().read().map_err(|error| {
                let line = error.place().line.unwrap_or(survey.record().first_line);
                Error::input(format!("the count in {count} does not rise evenly here: rows are missing or doubled"))
                    .at_line(line, None)
                    .expected("a row for every sample")
                    .remedy("export the record once more, or leave the count out with --channels")
            })?;
        }
        let stated = match (stated, options.sample_rate) {
            (None, None) => preamble.settled(None)?,
            _ => stated,
        };
        let mut timing = timing::settle(options, stated, None, preamble.start.unwrap_or(0.0))?;
        // Rows with empty cells at the start are cut, so the record starts later.
        let complete = table.rows.first().copied().unwrap_or(table.first);
        let is_row = |line: &&&[u8]| !is_blank(line, table.dialect.separator) && columns.counter.is_none();
        let cut = table.beginning.lines[table.first..complete].iter().filter(is_row).count();
        timing.clock.start_s += cut as f64 * timing.clock.interval_s();
        return Ok(timing);
    };
    let (column, uneven) = match survey.ruler().read() {
        Err(_) if options.resample => survey.ruler().uneven().map(|(column, uneven)| (column, Some(uneven)))?,
        column => (column?, None),
    };
    if uneven.is_some() && options.sample_rate.is_some() {
        return Err(Error::usage("--resample takes the rate from the uneven times, and --sample-rate gives another")
            .remedy("give one of the two"));
    }
    let (unit, how) = unit_of(time, &column, preamble, stated, options)?;
    twins_agree(time, &column.scaled(unit), survey)?;
    let stated = match (stated, options.sample_rate) {
        (None, None) if uneven.is_none() => preamble.settled(Some(&column.scaled(unit)))?,
        _ => stated,
    };
    let first =
        table.rows.first().and_then(|&row| cells(table.beginning.lines[row], table.dialect.separator).nth(time.cell));
    let first = first.filter(|_| survey.chosen == 0).and_then(|cell| columns.key.form.read(cell, table.dialect));
    let mut start = first.map_or(column.start, |printed| printed.value);
    if let Form::Epoch(base) | Form::Clock(base) = columns.key.form {
        start += base as f64;
    }
    let stated = stated.filter(|_| uneven.is_none());
    let mut timing = timing::settle(options, stated, Some(&column.scaled(unit)), scaled(start, unit))?;
    timing.unit = unit;
    timing.uneven = uneven.map(|uneven| uneven.scaled(unit));
    timing.reading.insert(0, how);
    if survey.midnights > 0 {
        timing.reading.push("Midnight passed within the record.".to_owned());
    }
    Ok(timing)
}

/// Further time columns tell the same interval, or the channels do not belong together.
fn twins_agree(time: &Time, column: &Column, survey: &Survey) -> Result<(), Error> {
    for (ruler, (name, unit)) in survey.twins.iter().zip(&time.twins) {
        let twin = ruler.read().map_err(|error| {
            Error::input(format!("two time columns differ: {} rises in equal steps and {name} does not", time.name))
                .at_line(error.place().line.unwrap_or(survey.record().first_line), None)
                .expected("one time base for all channels")
                .remedy("export each channel to a file of its own, or choose with --time-column and --channels")
        })?;
        let factors = unit.map_or_else(|| vec![1.0, 1e-3, 1e-6, 1e-9], |unit| vec![unit]);
        let agrees = factors.into_iter().map(|factor| twin.scaled(factor)).any(|twin| {
            let apart = (twin.interval - column.interval).abs();
            apart <= column.interval * (column.relative + twin.relative + 1e-9)
        });
        if !agrees {
            return Err(Error::input(format!(
                "two time columns differ: {} steps by {} s, {name} by {}",
                time.name,
                timing::six_digits(column.interval),
                timing::six_digits(twin.interval)
            ))
            .at_line(survey.record().first_line, None)
            .expected("one time base for all channels")
            .remedy("export each channel to a file of its own, or choose with --time-column and --channels"));
        }
        let same_scale =
            unit.is_some_and(|unit| (twin.scaled(unit).start - column.start).abs() > 0.5 * column.interval);
        if same_scale && time.unit == *unit && name.split(' ').next() == time.name.split(' ').next() {
            return Err(Error::input(format!(
                "two time columns differ: {} starts at {} s, {name} at {} s",
                time.name,
                timing::six_digits(column.start),
                timing::six_digits(twin.scaled(unit.unwrap_or(1.0)).start)
            ))
            .at_line(survey.record().first_line, None)
            .expected("one time base for all channels")
            .remedy("export each channel to a file of its own, or choose with --time-column and --channels"));
        }
    }
    Ok(())
}

/// The factor of the time column to seconds, and how it was told.
fn unit_of(
    time: &Time,
    column: &Column,
    preamble: &Preamble,
    stated: Option<&Stated>,
    options: &ReadOptions,
) -> Result<(f64, String), Error> {
    const UNITS: [(&str, f64); 4] = [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)];
    /// Below this rate a column of seconds is not believed without its unit.
    const SLOW_HZ: f64 = 1e3;
    let name = &time.name;
    let word_of = |unit: f64| {
        UNITS.iter().find(|(_, factor)| (factor / unit - 1.0).abs() < 1e-9).map_or("its unit", |(word, _)| word)
    };
    if let Some(unit) = time.unit {
        return Ok((unit, format!("The time is {name} in {}.", word_of(unit))));
    }
    let given = options.sample_rate.map(Stated::given);
    let known = given.as_ref().or(stated);
    let fits: Vec<f64> =
        UNITS.iter().map(|(_, f)| *f).filter(|f| known.is_some_and(|known| column.scaled(*f).agrees(known))).collect();
    match fits[..] {
        [unit] => {
            return Ok((unit, format!("The time is {name} in {}, as only this agrees with the rate.", word_of(unit))));
        }
        _ if time.other_unit => return Err(timing::other_time_unit(name)),
        _ if time.whole && preamble.axis_factor.is_some() => {
            let unit = preamble.axis_factor.unwrap_or(1.0);
            return Ok((
                unit,
                format!("The time is {name} in {}, the unit that the header gives for the axis.", word_of(unit)),
            ));
        }
        _ if time.whole => return Err(timing::no_time_unit(name)),
        _ => {}
    }
    let slow = known.is_none() && 1.0 / column.interval < SLOW_HZ * (1.0 - 1e-9);
    if slow {
        return Err(timing::doubtful_time_unit(name, 1.0 / column.interval));
    }
    Ok((1.0, format!("The time is {name}; it names no unit and is taken in seconds.")))
}

#[expect(clippy::too_many_arguments, reason = "the one place where everything that was learnt comes together")]
fn header(
    source: &Source,
    head: &Head,
    table: &Table<'_>,
    preamble: &Preamble,
    columns: Columns,
    survey: &Survey,
    timing: Timing,
    mut skipped: Vec<String>,
    apart: Option<String>,
    options: &ReadOptions,
) -> (Header, Account) {
    let mut reading = vec![format!("{}.", capital(&table.dialect.words()))];
    reading.extend(head.encoding.words().map(|words| format!("The text is {words}.")));
    if let Some(count) = options.skip_lines.filter(|&count| count > 0) {
        let lines = if count == 1 { "line" } else { "lines" };
        reading.push(format!("{count} {lines} at the top skipped, as the option says."));
    }
    let header_lines = columns.header_lines.len();
    reading.push(match (table.first, header_lines) {
        (0, _) => "The first line is data.".to_owned(),
        (first, 0) => format!("Data from line {} on; no line above names the columns.", first + 1),
        (first, 1) => format!("Data from line {} on; one line above names the columns.", first + 1),
        (first, _) => format!("Data from line {} on; {header_lines} lines above name the columns.", first + 1),
    });
    reading.extend(columns.reading);
    reading.extend(preamble.notes.iter().cloned());
    reading.extend(timing.reading);
    let counted = [
        (survey.comments, "remarks between the rows"),
        (survey.repeats, "lines between the rows that repeat the header or mark a page"),
        (survey.voids, "rows of words for nothing recorded"),
    ];
    skipped.extend(
        counted.iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("Not taken: {count} {what}.")),
    );
    reading.extend(skipped.iter().cloned());
    let mut findings = columns.findings;
    findings.extend(timing.findings);
    findings.extend(remarks(preamble, survey, &timing.clock));
    findings.extend(
        skipped.iter().filter(|s| s.starts_with("From line")).map(|s| Finding::note("lines_left_out", s.clone())),
    );
    let time = columns.time.as_ref().map_or("no time column".to_owned(), |time| format!("time in {}", time.name));
    let layout = format!(
        "{}, data from line {}, {time}, {} {}",
        table.dialect.words(),
        table.first + 1,
        columns.taken.len(),
        if columns.taken.len() == 1 { "channel" } else { "channels" }
    );
    let record = survey.record();
    let block = DataBlock {
        encoding: head.encoding.words().unwrap_or("UTF-8 or Latin-1").to_owned(),
        line_ends: head.line_end_words().to_owned(),
        separator: table.dialect.separator_word(),
        decimal_mark: table.dialect.decimal_word().to_owned(),
        header_lines: header_lines as u64,
        first_line: record.first_line,
        last_line: record.last_line,
        rows: record.ruler.count(),
        option: "--separator, --decimal-mark, --skip-lines, --record, --encoding".to_owned(),
    };
    skipped.extend(findings.iter().filter(|f| f.code == "lines_left_out").map(|f| f.message.clone()));
    skipped.dedup();
    let mut told = columns.account;
    told.iter_mut().filter(|column| column.role == "time").for_each(|column| column.scale = timing.unit);
    // See `unit_of`: nothing told the unit, and nothing could confirm it.
    let nothing_known = options.sample_rate.is_none() && preamble.candidates.is_empty();
    let assumed = columns.time.as_ref().filter(|time| time.unit.is_none() && !time.whole && nothing_known);
    let assumed = assumed.map(|time| Doubt {
        what: format!("No unit is named for the time in {}; it was taken in seconds.", time.name),
        option: "--time-unit, --sample-rate".to_owned(),
    });
    let account = Account {
        files: apart.into_iter().collect(),
        beside: Vec::new(),
        block: Some(block),
        columns: told,
        rates: rates(preamble, &columns.time, survey, &timing.clock, timing.unit),
        skipped,
        doubts: assumed.into_iter().chain(findings.iter().filter_map(Doubt::of)).collect(),
    };
    let channels: Vec<_> = columns.taken.into_iter().map(|taken| taken.channel).collect();
    let header = Header {
        path: source.name().to_owned(),
        format: FORMAT.name,
        layout,
        channels,
        clock: timing.clock,
        faithful_to_hz: None,
        promised_samples: preamble.count,
        reading,
        findings,
    };
    (header, account)
}

/// Everything that says a rate, and whether it agrees with the one that was taken.
fn rates(preamble: &Preamble, time: &Option<Time>, survey: &Survey, clock: &Clock, unit: f64) -> Vec<RateCandidate> {
    let agrees = |interval: f64, relative: f64| {
        let own = clock.interval_s();
        (interval - own).abs() <= own * (relative + clock.relative_uncertainty + 1e-9)
    };
    let mut rates: Vec<RateCandidate> = Vec::new();
    for stated in &preamble.candidates {
        let used = clock.source == RateSource::Header
            && (stated.interval - clock.interval_s()).abs() <= 1e-12 * stated.interval;
        rates.push(RateCandidate {
            source: "the file's header".to_owned(),
            written: stated.written.trim_matches('"').to_owned(),
            rate_hz: timing::twelve_digits(1.0 / stated.interval),
            relative_uncertainty: stated.relative,
            agrees: agrees(stated.interval, stated.relative),
            used: used && !rates.iter().any(|other| other.used),
        });
    }
    let column = survey.ruler().read().or_else(|_| survey.ruler().uneven().map(|(column, _)| column));
    if let (Some(time), Ok(column)) = (time, column) {
        let column = column.scaled(unit);
        rates.push(RateCandidate {
            source: "the end points of the time column".to_owned(),
            written: time.name.trim_matches('"').to_owned(),
            rate_hz: timing::twelve_digits(1.0 / column.interval),
            relative_uncertainty: column.relative,
            agrees: agrees(column.interval, column.relative),
            used: clock.source == RateSource::TimeColumn,
        });
    }
    if clock.source == RateSource::Option {
        rates.push(RateCandidate {
            source: "the option given".to_owned(),
            written: "--sample-rate".to_owned(),
            rate_hz: clock.rate.get(),
            relative_uncertainty: 0.0,
            agrees: true,
            used: true,
        });
    }
    rates
}

fn remarks(preamble: &Preamble, survey: &Survey, clock: &Clock) -> Vec<Finding> {
    let mut findings = Vec::new();
    let rows = survey.ruler().count();
    // A part in a thousand moves a line at 150 kHz by a whole band of 200 Hz.
    if clock.source == RateSource::TimeColumn && clock.relative_uncertainty > 1e-3 {
        let percent = 100.0 * clock.relative_uncertainty;
        let message = format!(
            "The times are printed so coarsely that the rate, and with it every frequency, is only known to \u{b1}{percent:.1} %; \
             --sample-rate HZ sets it."
        );
        findings.push(Finding::limit("rate_uncertain", message));
    }
    if let Some(count) = preamble.segments.filter(|&count| count > 1 && survey.stretches.len() == 1) {
        let message =
            format!("The header names {count} segments, and one time rises through all rows: one record was read.");
        findings.push(Finding::limit("segments_not_seen", message));
    }
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
