//! Which column is what: time, count, marker, channel; names and units from the rows above the data.

use super::body::{Form, Key};
use super::cells::{CellUnit, Dialect, Mark, Printed, Separator, TimeOfDay, is_blank, shown, split};
use super::label::{COUNTERS, Label, MARKERS, TIMES, is_counter_unit, is_response_unit, is_unit};
use super::preamble::{Preamble, time_unit};
use super::structure::Table;
use super::text::decode;
use super::timing::{Fineness, Ruler, in_pairs};
use crate::capture::{Channel, ColumnAccount, Quantity, Role};
use crate::error::{Error, Finding, printable};
use crate::read::ReadOptions;

/// Numbers beyond this are no codes of a converter.
const LARGEST_CODE: f64 = 32_767.0;

/// Rows that are looked at to tell a count from a signal.
const SAMPLE: usize = 512;

/// The time column.
#[derive(Debug, Clone)]
pub(super) struct Time {
    /// The cell, counted from 0.
    pub(super) cell: usize,
    /// As the file writes it, or the column's number.
    pub(super) name: String,
    /// The factor to seconds, where the unit is known.
    pub(super) unit: Option<f64>,
    /// Whether a unit is named that is not known here.
    pub(super) other_unit: bool,
    /// Whether the times are whole numbers.
    pub(super) whole: bool,
    /// Further time columns: their names and factors to seconds.
    pub(super) twins: Vec<(String, Option<f64>)>,
}

/// A column that is taken as a channel.
#[derive(Debug, Clone)]
pub(super) struct Taken {
    pub(super) cell: usize,
    pub(super) channel: Channel,
    /// The factor from the file's numbers to the channel's unit.
    pub(super) factor: f64,
    /// The unit within the cells.
    pub(super) unit: Option<CellUnit>,
}

/// What the columns are.
#[derive(Debug)]
pub(super) struct Columns {
    pub(super) time: Option<Time>,
    /// The column that the first pass looks at.
    pub(super) key: Key,
    /// A count of rows that stands in for a missing time column.
    pub(super) counter: Option<String>,
    pub(super) taken: Vec<Taken>,
    /// Lines with names and units, counted from 0.
    pub(super) header_lines: Vec<usize>,
    pub(super) reading: Vec<String>,
    pub(super) findings: Vec<Finding>,
    pub(super) account: Vec<ColumnAccount>,
}

/// The columns' labels and the numbers of the first rows.
struct Sight<'a> {
    cells: &'a [usize],
    labels: Vec<Label>,
    sample: Vec<Vec<Printed>>,
    fineness: Vec<Fineness>,
    forms: Vec<Form>,
    /// The cells as they are written.
    texts: Vec<Vec<Vec<u8>>>,
    /// The unit within the cells.
    units: Vec<Option<CellUnit>>,
}

impl Sight<'_> {
    fn is_whole(&self, column: usize) -> bool {
        self.sample[column].iter().all(|printed| printed.is_whole())
    }

    /// Whether the column counts rows: 0, 1, 2 ...
    fn counts(&self, column: usize) -> bool {
        let values = &self.sample[column];
        self.is_whole(column)
            && values.len() > 1
            && values.windows(2).all(|pair| (pair[1].value - pair[0].value - 1.0).abs() < 1e-9)
    }

    fn is_logic(&self, column: usize) -> bool {
        self.sample[column].iter().all(|printed| printed.value.abs() < 0.5 || (printed.value - 1.0).abs() < 0.5)
            && self.is_whole(column)
    }

    fn is_codes(&self, column: usize) -> bool {
        self.is_whole(column) && self.sample[column].iter().all(|printed| printed.value.abs() <= LARGEST_CODE)
    }

    /// Whether the column rises like a clock. A record long enough that rises all the way is a clock even when its
    /// steps differ; the ruler says later what is wrong with it.
    fn rises(&self, column: usize) -> bool {
        const LONG: usize = 8;
        let values = &self.sample[column];
        let mut ruler = Ruler::new(self.fineness[column]);
        for &printed in values {
            ruler.push(printed, 0);
        }
        let strictly = values.windows(2).all(|pair| pair[1].value > pair[0].value);
        values.len() > 2 && (ruler.read().is_ok() || (strictly && values.len() >= LONG))
    }

    /// Whether the column is a digital word in binary: as many zeros and ones in every cell.
    fn is_bits(&self, column: usize) -> bool {
        let Some(first) = self.texts[column].first() else { return false };
        let bits = |text: &&Vec<u8>| text.len() == first.len() && text.iter().all(|byte| matches!(byte, b'0' | b'1'));
        first.len() >= 4
            && self.texts[column].iter().all(|text| bits(&text))
            && self.texts[column].iter().any(|text| text[0] == b'0')
    }

    /// Whether the column rises by equal whole steps other than one.
    fn counts_by_steps(&self, column: usize) -> bool {
        let values = &self.sample[column];
        let step = values.get(1).zip(values.first()).map_or(0.0, |(second, first)| second.value - first.value);
        self.is_whole(column)
            && step > 1.5
            && values.windows(2).all(|pair| (pair[1].value - pair[0].value - step).abs() < 0.5)
    }

    /// Whether the column holds times of day.
    fn is_clock(&self, column: usize) -> bool {
        matches!(self.forms[column], Form::Clock(_))
    }

    /// Whether the column rises in whole numbers, as a count does, even one with holes.
    fn rises_in_whole(&self, column: usize) -> bool {
        self.is_whole(column) && self.sample[column].windows(2).all(|pair| pair[1].value > pair[0].value)
    }

    /// Whether the column rises and its steps are equal.
    fn is_straight(&self, column: usize) -> bool {
        let mut ruler = Ruler::new(self.fineness[column]);
        for &printed in &self.sample[column] {
            ruler.push(printed, 0);
        }
        ruler.read().is_ok()
    }

    /// A column without a name whose cells hold seconds is the time.
    fn label_by_cells(&mut self) {
        for (label, unit) in self.labels.iter_mut().zip(&self.units) {
            if *unit == Some(CellUnit::Time) && label.unit.is_none() && label.written.is_empty() {
                label.unit = Some("s".to_owned());
            }
        }
    }

    fn name(&self, column: usize) -> String {
        let written = &self.labels[column].written;
        if written.is_empty() {
            format!("column {}", self.cells[column] + 1)
        } else {
            format!("\"{}\"", printable(written))
        }
    }
}

/// Decides what each column is.
///
/// # Errors
/// A spectrum or an envelope in the clothes of a capture, an option that names no column, no channel at all.
pub(super) fn read(
    lines: &[&[u8]],
    table: &Table,
    preamble: &Preamble,
    options: &ReadOptions,
) -> Result<Columns, Error> {
    let Headings { labels, lines: header_lines, findings } = headings(lines, table);
    let cells = |at: usize, most: usize| {
        let cell = table.columns[at];
        table.rows.iter().take(most).map(move |&row| split(lines[row], table.dialect.separator)[cell])
    };
    let forms: Vec<Form> = (0..table.columns.len()).map(|at| form_of(cells(at, SAMPLE), table.dialect)).collect();
    let column = |at: usize, most: usize| -> Vec<Printed> {
        cells(at, most).filter_map(|cell| forms[at].read(cell, table.dialect)).collect()
    };
    let sample: Vec<Vec<Printed>> = (0..table.columns.len()).map(|at| column(at, SAMPLE)).collect();
    let fine = |at: usize, column: &[Printed]| {
        let fineness = Fineness::of(column.iter().copied());
        if let Form::Epoch(base) = forms[at] { fineness.behind(base as f64) } else { fineness }
    };
    let fineness = sample.iter().enumerate().map(|(at, column)| fine(at, column)).collect();
    let texts = (0..table.columns.len()).map(|at| cells(at, SAMPLE).map(<[u8]>::to_vec).collect()).collect();
    let units =
        (0..table.columns.len()).map(|at| cells(at, SAMPLE).find_map(|cell| table.dialect.unit(cell))).collect();
    let mut sight = Sight { cells: &table.columns, labels, sample, fineness, forms: forms.clone(), texts, units };
    sight.label_by_cells();

    let mut columns = Draft { reading: Vec::new(), findings, account: Vec::new(), taken: Vec::new() };
    let below = &lines[table.first..];
    let time_below = below.iter().any(|line| {
        const LONGEST: usize = 4096;
        let first = |line| header_cells(line, table.dialect).into_iter().next().unwrap_or_default();
        let is_header = line.len() <= LONGEST && line.first().is_some_and(u8::is_ascii_alphabetic);
        is_header && Label::read(&first(line), "").is_time()
    });
    refuse_spectra(&sight, preamble, options, time_below)?;
    refuse_pairs(&sight)?;
    if options.channels.is_empty() {
        refuse_turns(&sight)?;
    }
    let mut time = time_column(&sight, preamble, options, &mut columns)?;
    if let Some(at) = time.filter(|&at| is_bare_count(&sight, at, preamble, options)) {
        columns.reading.push(format!(
            "{} counts rows and is no time: no unit of time agrees with the rate that the header states.",
            sight.name(at)
        ));
        sight.labels[at].unit = Some("samples".to_owned());
        time = None;
    }
    let kinds = kinds(&sight, time, lines, table, options, &mut columns)?;
    let twins: Vec<usize> = (0..kinds.len()).filter(|&at| kinds[at] == Kind::Twin).collect();
    let whole = |at: usize| fine(at, &column(at, usize::MAX));
    let unit_of = |at: usize| match (sight.forms[at], sight.units[at].as_ref()) {
        (Form::Clock(_), _) | (_, Some(CellUnit::Time)) => Some(1.0),
        _ => sight.labels[at].unit.as_deref().and_then(time_unit),
    };
    let counter = (0..kinds.len()).find(|&at| kinds[at] == Kind::Count && sight.rises_in_whole(at));
    channels(&sight, &kinds, preamble, options, &mut columns)?;
    let first = columns.taken[0].cell;
    let key = match (time, counter) {
        (Some(at), _) => Key {
            cell: table.columns[at],
            form: sight.forms[at],
            fineness: whole(at),
            rises: true,
            what: format!("a time in {}", sight.name(at)),
            twins: twins.iter().map(|&at| (table.columns[at], sight.forms[at], whole(at))).collect(),
        },
        (None, Some(at)) => Key {
            cell: table.columns[at],
            form: sight.forms[at],
            fineness: Fineness::of_a_count(),
            rises: true,
            what: format!("a count in {}", sight.name(at)),
            twins: Vec::new(),
        },
        (None, None) => Key {
            cell: first,
            form: Form::Number,
            fineness: Fineness::of(std::iter::empty()),
            rises: false,
            what: format!("a number in column \"{}\"", columns.taken[0].channel.name),
            twins: Vec::new(),
        },
    };
    let counter = counter.filter(|_| time.is_none());
    if let Some(at) = counter.filter(|&at| sight.counts_by_steps(at)) {
        columns.findings.push(Finding::limit(
            "count_in_steps",
            format!(
                "{} rises by more than one from row to row: rows may have been left out, and then the rate of the rows is lower \
                 than that of the recorder; --sample-rate HZ settles it",
                sight.name(at)
            ),
        ));
    }
    Ok(Columns {
        time: time.map(|at| Time {
            cell: table.columns[at],
            name: sight.name(at),
            unit: unit_of(at),
            other_unit: unit_of(at).is_none() && sight.labels[at].has_other_time_unit(),
            whole: sight.is_whole(at) && !sight.is_clock(at),
            twins: twins.iter().map(|&at| (sight.name(at), unit_of(at))).collect(),
        }),
        key,
        counter: counter.map(|at| sight.name(at)),
        taken: columns.taken,
        header_lines,
        reading: columns.reading,
        findings: columns.findings,
        account: columns.account,
    })
}

/// What becomes of the columns while they are looked at.
struct Draft {
    reading: Vec<String>,
    findings: Vec<Finding>,
    account: Vec<ColumnAccount>,
    taken: Vec<Taken>,
}

/// How the times of a column are written.
fn form_of<'a>(cells: impl Iterator<Item = &'a [u8]> + Clone, dialect: Dialect) -> Form {
    // A double holds fifteen digits for sure.
    const DIGITS: i32 = 15;
    let mut cells = cells.peekable();
    let Some(first) = cells.peek().copied() else { return Form::Number };
    if let Some(time) = TimeOfDay::read(first) {
        #[expect(clippy::cast_possible_truncation, reason = "a day has 86400 seconds")]
        return Form::Clock(time.second as i64);
    }
    let whole = first.split(|&byte| byte == dialect.decimal).next().unwrap_or_default();
    let base = std::str::from_utf8(whole).ok().and_then(|text| text.trim_start_matches('+').parse::<i64>().ok());
    let long = cells.clone().any(|cell| dialect.printed(cell).is_some_and(|printed| printed.significant >= DIGITS));
    let form = base.filter(|base| base.abs() >= 1_000_000).map_or(Form::Number, Form::Epoch);
    if long && cells.all(|cell| form.read(cell, dialect).is_some()) { form } else { Form::Number }
}

/// Whether a column that is called a time merely counts rows: it does so, no unit is named, and the rate that the
/// header states agrees with no unit of time.
fn is_bare_count(sight: &Sight<'_>, at: usize, preamble: &Preamble, options: &ReadOptions) -> bool {
    let known = options.sample_rate.map(|rate| 1.0 / rate.get()).or_else(|| Some(preamble.stated().ok()??.interval));
    let near = |known: f64| [1.0, 1e-3, 1e-6, 1e-9].iter().any(|unit| (unit / known - 1.0).abs() < 1e-3);
    let chosen = options.time_column.is_some() || options.time_unit.is_some();
    !chosen
        && sight.counts(at)
        && sight.forms[at] == Form::Number
        && !sight.labels[at].has_time_unit()
        && sight.units[at].is_none()
        && preamble.axis_factor.is_none()
        && known.is_some_and(|known| !near(known))
}

/// What stands above the columns.
struct Headings {
    labels: Vec<Label>,
    /// The lines that say it, counted from 0.
    lines: Vec<usize>,
    findings: Vec<Finding>,
}

/// The labels of the number columns, from the rows of names and units above the data.
///
/// Nearest first; over rules of dashes, and over a damaged row right above the data, which would hide the names.
fn headings(lines: &[&[u8]], table: &Table) -> Headings {
    const FAR: usize = 8;
    let none = vec![String::new(); table.columns.len()];
    let (mut names, mut units): (Option<Vec<String>>, Option<Vec<String>>) = (None, None);
    let (mut taken, mut damaged) = (Vec::new(), Vec::new());
    let above = (0..table.first).rev().filter(|&at| !is_blank(lines[at], table.dialect.separator));
    for at in above.take(FAR) {
        let row = header_cells(lines[at], table.dialect);
        let row = shifted(row, table);
        let picked: Vec<String> =
            table.columns.iter().map(|&cell| row.get(cell).cloned().unwrap_or_default()).collect();
        let nothing = row.iter().all(|cell| Mark::read(cell.as_bytes()) == Some(Mark::Missing));
        if is_rule(lines[at]) || nothing {
            continue;
        }
        if is_units(&picked) && units.is_none() {
            units = Some(picked);
        } else if is_names(&row, table) {
            match &mut names {
                None => names = Some(picked),
                // Names in two rows: the upper one tells apart what the lower one leaves alike or empty.
                Some(lower) if are_alike(lower) && row.len() >= table.columns.len() && !is_pair(&row) => {
                    for (lower, upper) in lower.iter_mut().zip(&picked) {
                        if !upper.is_empty() && upper != lower {
                            *lower = format!("{upper} {lower}").trim().to_owned();
                        }
                    }
                }
                Some(_) => break,
            }
        } else if names.is_none() && units.is_none() && damaged.len() < 2 && is_damaged(&row, table) {
            damaged.push(at);
            continue;
        } else {
            break;
        }
        taken.push(at);
    }
    let mut findings = Vec::new();
    if names.is_some() || units.is_some() {
        for at in damaged {
            let message = format!(
                "Line {} between the header and the first row holds {}: no row of samples; it was left out.",
                at + 1,
                shown(lines[at].trim_ascii())
            );
            findings.push(Finding::limit("lines_left_out", message));
        }
    }
    taken.reverse();
    let (names, units) = (names.unwrap_or_else(|| none.clone()), units.unwrap_or(none));
    let mut labels: Vec<Label> = names.iter().zip(&units).map(|(name, unit)| Label::read(name, unit)).collect();
    // Beside true names a single letter is a name as well: "A,B" are two channels and no amperes.
    if labels.iter().any(|label| !label.name.is_empty() && !label.is_time()) {
        for label in labels.iter_mut().filter(|label| label.name.is_empty() && label.written.len() == 1) {
            *label = Label { name: label.written.clone(), unit: None, written: std::mem::take(&mut label.written) };
        }
    }
    Headings { labels, lines: taken, findings }
}

/// A header that names no index column: one name less than cells, and the first column counts.
fn shifted(mut row: Vec<String>, table: &Table) -> Vec<String> {
    let named = row.iter().rposition(|cell| !cell.is_empty()).map_or(0, |last| last + 1);
    let cells = table.columns.last().map_or(0, |last| last + 1);
    if table.counts && named + 1 == cells && row.first().is_some_and(|first| !first.is_empty()) {
        row.insert(0, String::new());
    }
    row
}

/// Whether labels leave columns alike or without a name.
fn are_alike(names: &[String]) -> bool {
    names.iter().enumerate().any(|(at, name)| name.is_empty() || names[..at].contains(name))
}

/// A key with its value: two words and no more.
fn is_pair(row: &[String]) -> bool {
    row.iter().filter(|cell| !cell.is_empty()).count() == 2
}

/// A rule of dashes under a header.
fn is_rule(line: &[u8]) -> bool {
    line.iter().all(|byte| {
        matches!(byte, b'-' | b'=' | b'_' | b'+' | b'|' | b'*' | b':' | b'.' | b',' | b';' | b' ' | b'\t' | b'#' | b'%')
    })
}

/// A row of data that is damaged: numbers in half of its columns at least, and as many cells.
fn is_damaged(row: &[String], table: &Table) -> bool {
    let number = |cell: &&String| table.dialect.number(cell.as_bytes()).is_some();
    let numbers = table.columns.iter().filter_map(|&cell| row.get(cell)).filter(number).count();
    numbers > 0 && 2 * numbers >= table.columns.len() && row.len() >= table.columns.len() && table.columns.len() > 1
}

/// The cells of a header line; a comment sign in front of names is no name.
fn header_cells(line: &[u8], dialect: Dialect) -> Vec<String> {
    let line = line.trim_ascii_start();
    let bare = [&b"#"[..], b"%", b"//"].iter().find_map(|sign| line.strip_prefix(*sign)).map(<[u8]>::trim_ascii_start);
    let bare = match (bare, dialect.separator) {
        (None, Separator::Byte(separator)) if separator != b';' => {
            line.strip_prefix(b";").map(<[u8]>::trim_ascii_start)
        }
        (bare, _) => bare,
    };
    let line = bare.unwrap_or(line);
    let cells = |separator| split(line, separator).into_iter().map(|cell| decode(cell).into_owned());
    if dialect.separator == Separator::Blanks {
        // A comment line of names may have its own separator.
        let other = [b'\t', b',', b';'].into_iter().find(|byte| bare.is_some() && line.contains(byte));
        return match other {
            Some(byte) => cells(Separator::Byte(byte)).collect(),
            None => joined_units(cells(dialect.separator)),
        };
    }
    cells(dialect.separator).collect()
}

/// Between blanks, a unit in brackets belongs to the name before it; commas in such a header are no part of names.
fn joined_units(cells: impl Iterator<Item = String>) -> Vec<String> {
    let mut joined: Vec<String> = Vec::new();
    for cell in cells {
        let cell = cell.trim_end_matches([',', ';']);
        match joined.last_mut() {
            Some(name) if cell.starts_with(['(', '[']) && !name.ends_with([')', ']']) => {
                name.push(' ');
                name.push_str(cell);
            }
            _ => joined.push(cell.to_owned()),
        }
    }
    joined
}

/// A row of units: every word a unit, in all columns or nearly so.
fn is_units(cells: &[String]) -> bool {
    let filled = cells.iter().filter(|cell| !cell.is_empty()).count();
    let bracketed = |cell: &str| cell.starts_with(['(', '[']) && cell.ends_with([')', ']']);
    2 * filled > cells.len() && cells.iter().all(|cell| cell.is_empty() || is_unit(cell) || bracketed(cell))
}

/// A row of names: a word in most columns, and not a key with its value.
fn is_names(row: &[String], table: &Table) -> bool {
    let cells: Vec<&String> = table.columns.iter().filter_map(|&cell| row.get(cell)).collect();
    let filled = cells.iter().filter(|cell| !cell.is_empty()).count();
    let is_number = |cell: &&&String| table.dialect.number(cell.as_bytes()).is_some();
    let numbers = cells.iter().filter(is_number).count();
    let time_first = cells.first().is_some_and(|cell| Label::read(cell, "").is_time());
    // Names that hold blanks cannot be told apart between blanks, and a wrong name is worse than none.
    let misaligned = table.dialect.separator == Separator::Blanks && row.len() != table.columns.len();
    let remark = misaligned || row.len() == 1 && table.columns.len() == 1 && row[0].contains([':', '=']);
    !remark && 2 * filled > table.columns.len() && filled > numbers && (numbers == 0 || time_first)
}

/// The refusal of what is no record in time, with the evidence.
pub(super) fn refuse_spectrum(evidence: &str) -> Error {
    Error::input(format!("{evidence} means a spectrum or a response, not a capture in time"))
        .expected("samples over time")
        .remedy("export the waveform, not the spectrum")
}

/// Refuses what is no record in time; `time_below` says that a header with a time follows further down, so that
/// these rows may be a table of settings.
fn refuse_spectra(
    sight: &Sight<'_>,
    preamble: &Preamble,
    options: &ReadOptions,
    time_below: bool,
) -> Result<(), Error> {
    let refuse = |evidence: String| Err(refuse_spectrum(&evidence));
    let user_knows = options.time_column.is_some() && options.time_unit.is_some();
    if let Some(label) = sight.labels.iter().take(1).find(|label| label.is_frequency() && !user_knows) {
        return refuse(format!("column \"{}\"", printable(&label.written)));
    }
    if let Some(label) = sight.labels.iter().find(|label| label.is_response()) {
        let unit = label.unit.as_deref().unwrap_or_default();
        return refuse(format!("column \"{}\" in {}", printable(&label.written), printable(unit)));
    }
    if let Some(unit) = preamble.units.iter().find(|unit| is_response_unit(unit)) {
        return refuse(format!("the vertical unit {}", printable(unit)));
    }
    if let Some(axis) = preamble.axis.as_ref().filter(|axis| axis.to_lowercase().ends_with("hz") && !user_knows) {
        return refuse(format!("the horizontal unit {}", printable(axis)));
    }
    const TRANSFORMS: [&str; 5] = ["fft", "psd", "correlation", "quefrency", "cepstrum"];
    let transform = |label: &&Label| TRANSFORMS.iter().any(|word| label.name.to_lowercase().contains(word));
    if let Some(label) = sight.labels.iter().find(transform).filter(|_| !user_knows) {
        return refuse(format!("column \"{}\"", printable(&label.written)));
    }
    let clocked = (0..sight.forms.len()).any(|at| sight.is_clock(at));
    let timeless = !sight.labels.iter().any(Label::is_time) && !clocked;
    if let Some(key) = preamble.spectral.as_ref().filter(|_| timeless && !user_knows) {
        return refuse(format!("\"{}\" without a time column", printable(key)));
    }
    let frequency = sight.labels.iter().find(|label| label.is_frequency() && timeless && !user_knows);
    if let Some(label) = frequency {
        return refuse(format!("column \"{}\" without a time column", printable(&label.written)));
    }
    let telling = ["magnitude", "phase", "dbm", "spectrum", "gain"];
    let label = sight.labels.iter().find(|l| telling.iter().any(|w| l.name.to_lowercase().contains(w)));
    match label.filter(|label| timeless && !time_below && !label.is_amplitude()) {
        Some(label) => refuse(format!("column \"{}\" without a time column", printable(&label.written))),
        None => Ok(()),
    }
}

/// Refuses rows that take turns between channels: a column without a name that runs 1, 2, 1, 2.
fn refuse_turns(sight: &Sight<'_>) -> Result<(), Error> {
    const MOST_TURNS: usize = 16;
    let count = sight.labels.len();
    for at in (0..count.min(2)).filter(|&at| count > 1 && sight.labels[at].written.is_empty() && sight.is_whole(at)) {
        let values: Vec<f64> = sight.sample[at].iter().map(|printed| printed.value).collect();
        let Some(period) = (1..values.len()).find(|&row| values[row] <= values[0]) else { continue };
        let rises = values[..period].windows(2).all(|pair| (pair[1] - pair[0] - 1.0).abs() < 1e-9);
        let repeats = values.iter().zip(&values[period..]).all(|(one, other)| (one - other).abs() < 1e-9);
        let from = values[0].abs() < 1e-9 || (values[0] - 1.0).abs() < 1e-9;
        if (2..=MOST_TURNS).contains(&period) && values.len() >= 4 * period && rises && repeats && from {
            return Err(Error::input(format!(
                "the rows take turns: {} runs through {period} numbers again and again, as if it told the channel",
                sight.name(at)
            ))
            .expected("a column for each channel")
            .remedy("export the channels side by side, or leave the column out with --channels"));
        }
    }
    Ok(())
}

fn refuse_pairs(sight: &Sight<'_>) -> Result<(), Error> {
    // The words, and whether the numbers must bear them out because they also occur as plain names.
    const WORDS: [(&str, &str, bool); 7] = [
        ("minimum", "maximum", false),
        ("minimalwert", "maximalwert", false),
        ("min", "max", false),
        ("lower", "upper", true),
        ("low", "high", true),
        ("lo", "hi", true),
        ("neg", "pos", true),
    ];
    let names: Vec<String> = sight.labels.iter().map(|label| label.name.to_lowercase()).collect();
    for (at, name) in names.iter().enumerate() {
        if name.ends_with("peak detect") || name.contains("envelope") {
            return Err(in_pairs());
        }
        for (low, high, uncertain) in WORDS {
            let parts: Vec<&str> = name.split(|c: char| !c.is_alphanumeric()).collect();
            let ends = name.ends_with(low) && !uncertain;
            if !parts.contains(&low) && !ends {
                continue;
            }
            let Some(place) = name.rfind(low) else { continue };
            let other = format!("{}{high}{}", &name[..place], &name[place + low.len()..]);
            let Some(above) = names.iter().position(|name| *name == other) else { continue };
            let never_below =
                sight.sample[at].iter().zip(&sight.sample[above]).all(|(low, high)| low.value <= high.value);
            if !uncertain || never_below {
                return Err(in_pairs());
            }
        }
    }
    Ok(())
}

/// The index of the time column among the number columns.
fn time_column(
    sight: &Sight<'_>,
    preamble: &Preamble,
    options: &ReadOptions,
    columns: &mut Draft,
) -> Result<Option<usize>, Error> {
    if let Some(wanted) = options.time_column.as_deref() {
        if wanted.eq_ignore_ascii_case("none") {
            columns.reading.push("No column was taken as time, as the option says.".to_owned());
            return Ok(None);
        }
        let at = chosen(sight, wanted, "--time-column")?;
        columns.reading.push(format!("The time is {}, as the option says.", sight.name(at)));
        return Ok(Some(at));
    }
    let count = sight.labels.len();
    let labelled = |&at: &usize| {
        let label = &sight.labels[at];
        // "x" may head a time or a count; what counts rows and names no unit is a count.
        let count = sight.counts(at) && !label.has_time_unit();
        label.is_time() && !(count && (label.is_one_of(COUNTERS) || has_other_time(sight, at)))
    };
    let called: Vec<usize> = (0..count).filter(labelled).collect();
    // A delay or a period is also given in seconds; the time is what rises. Where none does, the first one is
    // meant, and what is wrong with it comes out later.
    let best = called.iter().copied().find(|&at| sight.rises(at)).or(called.first().copied());
    let clock = (0..count).find(|&at| sight.is_clock(at));
    if let Some(at) = best.filter(|&at| sight.rises(at) || clock.is_none()).or(clock) {
        return Ok(Some(at));
    }
    let could_be = |at: usize| {
        let label = &sight.labels[at];
        let counter = label.unit.as_deref().is_some_and(is_counter_unit) || label.is_one_of(COUNTERS);
        !counter && !label.is_amplitude() && !label.names_a_channel() && !sight.counts(at) && sight.rises(at)
    };
    // Behind an index column the time may stand second.
    let first = usize::from(count > 2 && sight.counts(0));
    if count > 1 && could_be(first) {
        columns.reading.push(format!("{} is taken as time: it rises in equal steps.", sight.name(first)));
        return Ok(Some(first));
    }
    // Elsewhere only what lies on a straight line for a good while, and only where nothing else tells the rate.
    const LONG: usize = 16;
    let straight = |&at: &usize| could_be(at) && sight.is_straight(at) && sight.sample[at].len() >= LONG;
    let others: Vec<usize> = (0..count).filter(straight).collect();
    if let ([at], true) =
        (others.as_slice(), count > 1 && options.sample_rate.is_none() && preamble.candidates.is_empty())
    {
        columns.reading.push(format!("{} is taken as time: it alone rises in equal steps.", sight.name(*at)));
        return Ok(Some(*at));
    }
    Ok(None)
}

fn has_other_time(sight: &Sight<'_>, but: usize) -> bool {
    (0..sight.labels.len()).any(|at| at != but && (sight.labels[at].has_time_unit() || sight.is_clock(at)))
}

/// The column that the user names, by its number or its name.
fn chosen(sight: &Sight<'_>, wanted: &str, option: &str) -> Result<usize, Error> {
    let by_number = wanted.parse::<usize>().ok().and_then(|number| sight.cells.iter().position(|&c| c + 1 == number));
    let same = |label: &&Label| {
        label.name.eq_ignore_ascii_case(wanted.trim()) || label.written.eq_ignore_ascii_case(wanted.trim())
    };
    let by_name = || sight.labels.iter().position(|label| same(&label));
    by_number.or_else(by_name).ok_or_else(|| {
        let names: Vec<String> = (0..sight.labels.len()).take(8).map(|at| sight.name(at)).collect();
        let takes = if option == "--time-column" {
            "a name, a number counted from 1, or none"
        } else {
            "names, or numbers counted from 1"
        };
        Error::usage(format!("{option} {}: there is no such column of numbers", printable(wanted)))
            .expected(format!("one of: {}", names.join(", ")))
            .remedy(format!("{option} takes {takes}"))
    })
}

/// What a number column is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Time,
    /// Repeats the time.
    Twin,
    /// Counts rows.
    Count,
    /// Read by nobody: a marker, a logic line.
    Aside,
    Math,
    Signal,
}

fn kinds(
    sight: &Sight<'_>,
    time: Option<usize>,
    lines: &[&[u8]],
    table: &Table,
    options: &ReadOptions,
    columns: &mut Draft,
) -> Result<Vec<Kind>, Error> {
    let text = |row: usize, at: usize| split(lines[row], table.dialect.separator)[table.columns[at]];
    let repeats = |at: usize, time: usize| table.rows.iter().take(SAMPLE).all(|&row| text(row, at) == text(row, time));
    let wanted =
        options.channels.iter().map(|name| chosen(sight, name, "--channels")).collect::<Result<Vec<_>, _>>()?;
    let fractional = (0..sight.labels.len()).any(|at| Some(at) != time && !sight.is_whole(at));
    let mut kinds = Vec::new();
    for (at, label) in sight.labels.iter().enumerate() {
        let steps = label.is_one_of(COUNTERS) && sight.rises_in_whole(at);
        let bare = label.unit.is_none() && !label.names_a_channel();
        let (kind, why) = if Some(at) == time {
            (Kind::Time, String::from("its name, its unit or its equal steps say so"))
        } else if wanted.contains(&at) {
            (Kind::Signal, String::from("the option names it"))
        } else if label.unit.as_deref().is_some_and(is_counter_unit) || counter(sight, at) || steps {
            (Kind::Count, String::from("a count of rows"))
        } else if time.is_some() && (label.is_time() || sight.is_clock(at)) {
            if sight.rises(at) || label.is_one_of(TIMES) || label.begins_with_time() {
                (Kind::Twin, String::from("a second time column"))
            } else {
                (Kind::Aside, String::from("a time, but none that rises with the rows,"))
            }
        } else if time.is_some_and(|time| !label.is_amplitude() && repeats(at, time)) {
            (Kind::Twin, String::from("a second time column"))
        } else if label.is_one_of(MARKERS) && sight.is_whole(at) {
            (Kind::Aside, String::from("an event marker"))
        } else if (label.is_digital() && sight.is_whole(at)) || sight.is_bits(at) {
            (Kind::Aside, String::from("a logic line"))
        } else if bare && fractional && sight.is_logic(at) {
            (Kind::Aside, String::from("a logic line of zeros and ones beside numbers with fractions"))
        } else if time.is_none() && label.is_time() {
            (Kind::Aside, String::from("a time column that the options leave out"))
        } else if sight.units[at] == Some(CellUnit::Time) {
            (Kind::Aside, String::from("a column of durations"))
        } else if !wanted.is_empty() {
            (Kind::Aside, String::from("not among the channels that the option names"))
        } else if label.is_slow() {
            (Kind::Math, String::from("a slow quantity such as a temperature"))
        } else if label.is_math() {
            (Kind::Math, String::from("a math or reference trace"))
        } else {
            (Kind::Signal, String::from("a column of numbers that is nothing else"))
        };
        let name = sight.name(at);
        match kind {
            Kind::Twin => columns.reading.push(format!("{name} is {why}.")),
            Kind::Count | Kind::Aside => columns.reading.push(format!("{name} is {why} and no channel.")),
            Kind::Math => columns.reading.push(format!("{name} is {why}; its role is other.")),
            Kind::Time | Kind::Signal => {}
        }
        let (role, option) = match kind {
            Kind::Time => ("time", "--time-column, --time-unit"),
            Kind::Twin => ("second time", "--time-column"),
            Kind::Count => ("count", "--channels, --time-column"),
            Kind::Aside => ("left out", "--channels"),
            Kind::Math => ("channel, not analysed", "--wire, --air"),
            Kind::Signal => ("channel", "--channels, --unit, --scale"),
        };
        let unit = if kind == Kind::Time { "s" } else { "" };
        columns.account.push(ColumnAccount {
            number: sight.cells[at] + 1,
            name: label.written.clone(),
            role: role.to_owned(),
            unit: unit.to_owned(),
            scale: 1.0,
            why,
            option: option.to_owned(),
        });
        kinds.push(kind);
    }
    Ok(kinds)
}

/// Whether a column counts rows: it says so and does so, or it is the first of several without a name and does so.
fn counter(sight: &Sight<'_>, at: usize) -> bool {
    let label = &sight.labels[at];
    let nameless = at == 0 && sight.labels.len() > 1 && label.written.is_empty();
    sight.counts(at) && (label.is_one_of(COUNTERS) || nameless || (at == 0 && label.unit.is_none() && label.is_time()))
}

/// Names, units and roles of the channels.
fn channels(
    sight: &Sight<'_>,
    kinds: &[Kind],
    preamble: &Preamble,
    options: &ReadOptions,
    columns: &mut Draft,
) -> Result<(), Error> {
    let given = match options.unit.as_deref() {
        Some(text) => Some(Quantity::parse(text).ok_or_else(|| {
            Error::usage(format!("--unit {}: no unit that is known here", printable(text)))
                .expected("V, mV, A, V/m, A/m, T or another unit of amplitude")
        })?),
        None => None,
    };
    let signals: Vec<usize> = (0..kinds.len()).filter(|&at| matches!(kinds[at], Kind::Signal | Kind::Math)).collect();
    if signals.is_empty() {
        return Err(Error::input("has no column that is a channel")
            .expected("a time column and at least one channel, or channels alone")
            .remedy("--time-column none takes every column as a channel"));
    }
    let codes = signals.iter().all(|&at| sight.is_codes(at));
    for (number, &at) in signals.iter().enumerate() {
        let label = &sight.labels[at];
        let above = match preamble.units.as_slice() {
            [one] => Some(one),
            several => several.get(number).filter(|_| several.len() == signals.len()),
        };
        let within = match &sight.units[at] {
            Some(CellUnit::Amplitude(symbol)) => Some((Quantity::Unit(symbol.clone()), 1.0)),
            _ => None,
        };
        let stated = [label.unit.as_deref(), above.map(String::as_str)].into_iter().flatten().find_map(Quantity::parse);
        let stated = within.or(stated);
        let unstated = if codes { Quantity::Codes } else { Quantity::Unknown };
        let (quantity, factor) = stated.or_else(|| given.clone()).unwrap_or((unstated, 1.0));
        let source = preamble.source.clone().filter(|_| signals.len() == 1);
        let own = Some(&label.name).filter(|name| !name.is_empty()).cloned();
        // The line above a single column without a unit may be a mere marker; the source key is sure.
        let name = if label.unit.is_none() { source.or(own) } else { own.or(source) };
        let name = printable(&name.unwrap_or_else(|| format!("channel {}", number + 1)));
        let channel = Channel { name, quantity, role: Role::Other };
        if let Some(account) = columns.account.iter_mut().find(|account| account.number == sight.cells[at] + 1) {
            account.unit = channel.quantity.symbol().to_owned();
            account.scale = factor;
        }
        columns.taken.push(Taken { cell: sight.cells[at], channel, factor, unit: sight.units[at].clone() });
    }
    let analysed: Vec<usize> = (0..signals.len()).filter(|&n| kinds[signals[n]] == Kind::Signal).collect();
    assign_roles(&mut columns.taken, &analysed, &mut columns.reading);
    remark_on_units(columns);
    remark_on_readings(columns);
    let analysed: Vec<usize> = analysed.iter().map(|&n| signals[n]).collect();
    remark_on_kinds(sight, &analysed, columns);
    Ok(())
}

/// Channels of mere zeros and ones, and one channel over the other.
fn remark_on_kinds(sight: &Sight<'_>, analysed: &[usize], columns: &mut Draft) {
    const FEW: usize = 16;
    let logic = |&at: &usize| sight.is_logic(at) && sight.sample[at].len() >= FEW;
    if !analysed.is_empty() && analysed.iter().all(logic) {
        columns.findings.push(Finding::unfit(
            "logic",
            "The channels hold nothing but zeros and ones: logic lines, and no samples of a voltage.",
        ));
    }
    let called = |at: usize, name: &str| sight.labels[at].name.eq_ignore_ascii_case(name);
    if matches!(analysed, [x, y] if called(*x, "x") && called(*y, "y")) {
        columns.findings.push(Finding::limit(
            "one_over_the_other",
            "\"X\" and \"Y\" may be one channel drawn over the other; they are taken as two channels at the stated rate.",
        ));
    }
}

/// The first two voltages are wire and air, else the first two channels; channels that carry these names keep them.
fn assign_roles(taken: &mut [Taken], analysed: &[usize], reading: &mut Vec<String>) {
    let volts = Quantity::Unit("V".to_owned());
    let voltages: Vec<usize> = analysed.iter().copied().filter(|&n| taken[n].channel.quantity == volts).collect();
    // Power, resistance and the like are what other columns made, where a column is left that is none of them.
    let derived = |&n: &usize| matches!(&taken[n].channel.quantity, Quantity::Unit(unit) if ["W", "Pa", "m/s", "Ohm"].contains(&unit.as_str()));
    let plain: Vec<usize> = analysed.iter().copied().filter(|n| !derived(n)).collect();
    let mut candidates = match (voltages.len(), plain.len()) {
        (2.., _) => voltages,
        (_, 0) => analysed.to_vec(),
        _ => plain,
    };
    // One name in two units is one channel.
    if let Some(&first) = candidates.first() {
        let (first, factor) = (taken[first].channel.name.clone(), taken[first].factor);
        let again = |n: usize| taken[n].channel.name == first && (taken[n].factor / factor - 1.0).abs() > 1e-9;
        candidates.retain(|&n| !again(n));
    }
    let named = |word: &str| analysed.iter().copied().find(|&n| taken[n].channel.name.eq_ignore_ascii_case(word));
    let (wire, air) = match (named("wire"), named("air")) {
        (Some(wire), Some(air)) => (Some(wire), Some(air)),
        _ => (candidates.first().copied(), candidates.get(1).copied()),
    };
    for (place, role) in [(wire, Role::Wire), (air, Role::Air)] {
        if let Some(n) = place {
            taken[n].channel.role = role;
            reading.push(format!("\"{}\" is the {} channel.", taken[n].channel.name, role.name()));
        }
    }
}

/// Readings of a meter over some time, such as an RMS value, are no samples.
fn remark_on_readings(columns: &mut Draft) {
    const WORDS: [&str; 15] = [
        "rms",
        "trms",
        "vrms",
        "vpp",
        "pkpk",
        "thd",
        "avg",
        "average",
        "mean",
        "median",
        "std",
        "stdev",
        "mittelwert",
        "peak to peak",
        "pk-pk",
    ];
    let is_reading = |name: &str| {
        let name = name.to_lowercase();
        let mut parts = name.split(|c: char| !c.is_alphanumeric());
        parts.any(|part| WORDS.contains(&part)) || WORDS[13..].iter().any(|words| name.contains(words))
    };
    let analysed = columns.taken.iter().map(|taken| &taken.channel).filter(|channel| channel.role != Role::Other);
    if let Some(channel) = analysed.into_iter().find(|channel| is_reading(&channel.name)) {
        let message = format!(
            "\"{}\" is named as a reading over some time, such as an RMS value, and no sample: readings have no spectrum.",
            channel.name
        );
        columns.findings.push(Finding::unfit("envelope", message));
    }
}

fn remark_on_units(columns: &mut Draft) {
    let names = |wanted: &Quantity| -> Option<String> {
        let of_kind = columns.taken.iter().filter(|taken| taken.channel.quantity == *wanted);
        let names: Vec<String> = of_kind.map(|taken| format!("\"{}\"", taken.channel.name)).collect();
        (!names.is_empty()).then(|| names.join(", "))
    };
    let (unknown, codes) = (names(&Quantity::Unknown), names(&Quantity::Codes));
    if let Some(names) = unknown {
        let message = format!("The file states no unit for {names}; --unit V sets it.");
        columns.findings.push(Finding::limit("unit_unknown", message));
    }
    if let Some(names) = codes {
        let message = format!(
            "{names}: whole numbers without a unit are codes of the converter; how many volts a code is, the file does not say."
        );
        columns.findings.push(Finding::limit("codes_without_volts", message));
    }
}
