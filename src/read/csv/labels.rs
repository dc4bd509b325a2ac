//! Which column is what: time, count, marker, channel; names and units from the rows above the data.

use super::cells::{Dialect, Printed, Separator, is_blank, number, split};
use super::preamble::{Preamble, split_unit, time_unit};
use super::structure::Table;
use super::text::decode;
use super::timing::{Fineness, Ruler, in_pairs};
use crate::capture::{Channel, Quantity, Role};
use crate::error::{Error, Finding, printable};
use crate::read::ReadOptions;

const TIMES: &[&str] = &[
    "time",
    "t",
    "x-axis",
    "x axis",
    "x",
    "second",
    "seconds",
    "sec",
    "timestamp",
    "time stamp",
    "elapsed time",
    "x_value",
    "x value",
    "zeit",
    "temps",
    "tiempo",
    "tempo",
];
const COUNTERS: &[&str] = &[
    "index",
    "sample",
    "samples",
    "sample number",
    "sample no",
    "no",
    "no.",
    "nr",
    "nr.",
    "n",
    "#",
    "point",
    "points",
    "sequence",
    "row",
    "number",
    "x",
];
const MARKERS: &[&str] = &["event", "events", "marker", "markers", "trigger", "flag"];

/// Numbers beyond this are no codes of a converter.
const LARGEST_CODE: f64 = 32_767.0;

/// Rows that are looked at to tell a count from a signal.
const SAMPLE: usize = 512;

/// A column's label: the name without its unit, the unit, and the whole as the file writes it.
#[derive(Debug, Clone, Default, PartialEq)]
struct Label {
    name: String,
    unit: Option<String>,
    written: String,
}

impl Label {
    fn read(name: &str, unit: &str) -> Self {
        let (bare, bracket) = split_unit(name);
        let known = bracket.as_deref().is_some_and(is_unit);
        let (bare, bracket) = if known { (bare, bracket) } else { (name.trim(), None) };
        let unit = Some(unit.trim().to_owned()).filter(|unit| !unit.is_empty()).or(bracket);
        // A label that is nothing but a unit names no channel.
        if unit.is_none() && Quantity::parse(bare).is_some() {
            return Self { name: String::new(), unit: Some(bare.to_owned()), written: bare.to_owned() };
        }
        Self { name: bare.to_owned(), unit, written: name.trim().to_owned() }
    }

    fn is_one_of(&self, words: &[&str]) -> bool {
        words.contains(&self.name.to_lowercase().as_str())
    }

    fn has_time_unit(&self) -> bool {
        self.unit.as_deref().is_some_and(|unit| time_unit(unit).is_some())
    }

    fn is_amplitude(&self) -> bool {
        self.unit.as_deref().is_some_and(|unit| Quantity::parse(unit).is_some())
    }

    fn is_time(&self) -> bool {
        let counts = self.unit.as_deref().is_some_and(is_counter_unit);
        !counts && !self.is_amplitude() && (self.has_time_unit() || self.is_one_of(TIMES))
    }

    /// A name that only channels have: "CH2", "channel 1", "C3".
    fn names_a_channel(&self) -> bool {
        let name = self.name.to_lowercase();
        let rest = ["channel", "ch", "c"].iter().find_map(|word| name.strip_prefix(word));
        rest.is_some_and(|rest| rest.trim().len() <= 2 && rest.trim().starts_with(|c: char| c.is_ascii_alphanumeric()))
    }

    fn is_frequency(&self) -> bool {
        let unit = self.unit.as_deref().unwrap_or("").to_lowercase();
        self.name.to_lowercase().starts_with("freq") || matches!(unit.as_str(), "hz" | "khz" | "mhz")
    }

    fn is_response(&self) -> bool {
        self.unit.as_deref().is_some_and(is_response_unit)
    }

    fn is_math(&self) -> bool {
        let name = self.name.to_lowercase();
        let numbered = |letter: char| {
            let rest = name.strip_prefix(letter);
            rest.is_some_and(|rest| !rest.is_empty() && rest.bytes().all(|byte| byte.is_ascii_digit()))
        };
        name.starts_with("math") || name.starts_with("ref") || numbered('m') || numbered('f') || numbered('r')
    }

    fn is_digital(&self) -> bool {
        let name = self.name.to_lowercase();
        let rest = name.strip_prefix('d');
        name.starts_with("digital")
            || name.starts_with("logic")
            || rest.is_some_and(|rest| !rest.is_empty() && rest.bytes().all(|byte| byte.is_ascii_digit()))
    }
}

fn is_unit(text: &str) -> bool {
    let text = text.trim();
    time_unit(text).is_some()
        || Quantity::parse(text).is_some()
        || is_response_unit(text)
        || is_counter_unit(text)
        || matches!(text.to_lowercase().as_str(), "hz" | "khz" | "mhz")
}

fn is_counter_unit(text: &str) -> bool {
    matches!(text.trim().to_lowercase().as_str(), "sequence" | "samples" | "points")
}

fn is_response_unit(text: &str) -> bool {
    let text = text.trim().to_lowercase();
    text.starts_with("db") || matches!(text.as_str(), "deg" | "degree" | "degrees" | "\u{b0}" | "rad")
}

/// The time column.
#[derive(Debug, Clone)]
pub(super) struct Time {
    /// The cell, counted from 0.
    pub(super) cell: usize,
    /// As the file writes it, or the column's number.
    pub(super) name: String,
    /// The factor to seconds, where the unit is known.
    pub(super) unit: Option<f64>,
    /// Whether the times are whole numbers.
    pub(super) whole: bool,
    pub(super) fineness: Fineness,
    /// Cells that repeat the time.
    pub(super) twins: Vec<usize>,
}

/// A column that is taken as a channel.
#[derive(Debug, Clone)]
pub(super) struct Taken {
    pub(super) cell: usize,
    pub(super) channel: Channel,
    /// The factor from the file's numbers to the channel's unit.
    pub(super) factor: f64,
}

/// What the columns are.
#[derive(Debug)]
pub(super) struct Columns {
    pub(super) time: Option<Time>,
    pub(super) taken: Vec<Taken>,
    /// Lines with names and units.
    pub(super) header_lines: usize,
    pub(super) reading: Vec<String>,
    pub(super) findings: Vec<Finding>,
}

/// The columns' labels and the numbers of the first rows.
struct Sight<'a> {
    cells: &'a [usize],
    labels: Vec<Label>,
    sample: Vec<Vec<Printed>>,
    fineness: Vec<Fineness>,
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
    let (labels, header_lines) = labels(lines, table);
    let column = |at: usize, most: usize| -> Vec<Printed> {
        let cell = table.columns[at];
        let rows = table.rows.iter().take(most);
        rows.filter_map(|&row| Printed::read(split(lines[row], table.dialect.separator)[cell], table.dialect.decimal))
            .collect()
    };
    let sample: Vec<Vec<Printed>> = (0..table.columns.len()).map(|at| column(at, SAMPLE)).collect();
    let fineness = sample.iter().map(|column| Fineness::of(column.iter().copied())).collect();
    let sight = Sight { cells: &table.columns, labels, sample, fineness };

    let mut columns =
        Columns { time: None, taken: Vec::new(), header_lines, reading: Vec::new(), findings: Vec::new() };
    refuse_spectra(&sight, preamble, options)?;
    refuse_pairs(&sight)?;
    let time = time_column(&sight, options, &mut columns)?;
    let kinds = kinds(&sight, time, lines, table, &mut columns);
    columns.time = time.map(|at| {
        let twins = kinds.iter().enumerate().filter(|(_, kind)| **kind == Kind::Twin).map(|(at, _)| table.columns[at]);
        Time {
            cell: table.columns[at],
            name: sight.name(at),
            unit: sight.labels[at].unit.as_deref().and_then(time_unit),
            whole: sight.is_whole(at),
            fineness: Fineness::of(column(at, usize::MAX).into_iter()),
            twins: twins.collect(),
        }
    });
    channels(&sight, &kinds, preamble, options, &mut columns)?;
    Ok(columns)
}

/// The labels of the number columns, and how many lines they take.
fn labels(lines: &[&[u8]], table: &Table) -> (Vec<Label>, usize) {
    let above = lines[..table.first].iter().rev().filter(|line| !is_blank(line, table.dialect.separator)).take(2);
    let rows: Vec<Vec<String>> = above.map(|line| header_cells(line, table.dialect)).collect();
    let pick = |row: &[String]| -> Vec<String> {
        table.columns.iter().map(|&cell| row.get(cell).cloned().unwrap_or_default()).collect()
    };
    let none = vec![String::new(); table.columns.len()];
    let names_row = |row: Option<&Vec<String>>| row.filter(|row| is_names(row, table)).map(|row| pick(row));
    let (names, units, count) = match rows.first().map(|row| pick(row)) {
        Some(units) if is_units(&units) => match names_row(rows.get(1)) {
            Some(names) => (names, units, 2),
            None => (none, units, 1),
        },
        _ => match names_row(rows.first()) {
            Some(names) => (names, none, 1),
            None => (none.clone(), none, 0),
        },
    };
    (names.iter().zip(&units).map(|(name, unit)| Label::read(name, unit)).collect(), count)
}

/// The cells of a header line; a comment sign in front of names is no name.
fn header_cells(line: &[u8], dialect: Dialect) -> Vec<String> {
    let line = line.trim_ascii_start();
    let bare = line.strip_prefix(b"#").or_else(|| line.strip_prefix(b"%")).map(<[u8]>::trim_ascii_start);
    let cells = split(bare.unwrap_or(line), dialect.separator).into_iter().map(|cell| decode(cell).into_owned());
    if dialect.separator == Separator::Blanks { joined_units(cells) } else { cells.collect() }
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
    let is_number = |cell: &&&String| number(cell.as_bytes(), table.dialect.decimal).is_some();
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

fn refuse_spectra(sight: &Sight<'_>, preamble: &Preamble, options: &ReadOptions) -> Result<(), Error> {
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
    let timeless = !sight.labels.iter().any(Label::is_time);
    let telling = ["magnitude", "phase", "dbm", "amplitude spectrum"];
    let label = sight.labels.iter().find(|l| telling.iter().any(|w| l.name.to_lowercase().contains(w)));
    match label.filter(|label| timeless && !label.is_amplitude()) {
        Some(label) => refuse(format!("column \"{}\" without a time column", printable(&label.written))),
        None => Ok(()),
    }
}

fn refuse_pairs(sight: &Sight<'_>) -> Result<(), Error> {
    let names: Vec<String> = sight.labels.iter().map(|label| label.name.to_lowercase()).collect();
    for name in &names {
        let is_pair = name.ends_with("peak detect")
            || name.strip_suffix("min").is_some_and(|stem| names.contains(&format!("{stem}max")));
        if is_pair {
            return Err(in_pairs());
        }
    }
    Ok(())
}

/// The index of the time column among the number columns.
fn time_column(sight: &Sight<'_>, options: &ReadOptions, columns: &mut Columns) -> Result<Option<usize>, Error> {
    if let Some(wanted) = options.time_column.as_deref() {
        if wanted.eq_ignore_ascii_case("none") {
            columns.reading.push("No column was taken as time, as the option says.".to_owned());
            return Ok(None);
        }
        let at = chosen(sight, wanted)?;
        columns.reading.push(format!("The time is {}, as the option says.", sight.name(at)));
        return Ok(Some(at));
    }
    let labelled = |&at: &usize| {
        let label = &sight.labels[at];
        // "x" may head a time or a count; what counts rows and names no unit is a count.
        let count = sight.counts(at) && !label.has_time_unit();
        label.is_time() && !(count && (label.is_one_of(COUNTERS) || has_other_time(sight, at)))
    };
    if let Some(at) = (0..sight.labels.len()).find(labelled) {
        return Ok(Some(at));
    }
    let could_be = |at: usize| {
        let label = &sight.labels[at];
        let counter = label.unit.as_deref().is_some_and(is_counter_unit) || label.is_one_of(COUNTERS);
        !counter && !label.is_amplitude() && !label.names_a_channel() && !sight.counts(at) && sight.rises(at)
    };
    // Behind an index column the time may stand second.
    let first = usize::from(sight.labels.len() > 2 && sight.counts(0));
    if sight.labels.len() > 1 && could_be(first) {
        columns.reading.push(format!("{} is taken as time: it rises in equal steps.", sight.name(first)));
        return Ok(Some(first));
    }
    Ok(None)
}

fn has_other_time(sight: &Sight<'_>, but: usize) -> bool {
    (0..sight.labels.len()).any(|at| at != but && sight.labels[at].has_time_unit())
}

/// The column that the user names, by its number or its name.
fn chosen(sight: &Sight<'_>, wanted: &str) -> Result<usize, Error> {
    let by_number = wanted.parse::<usize>().ok().and_then(|number| sight.cells.iter().position(|&c| c + 1 == number));
    let same = |label: &&Label| {
        label.name.eq_ignore_ascii_case(wanted.trim()) || label.written.eq_ignore_ascii_case(wanted.trim())
    };
    let by_name = || sight.labels.iter().position(|label| same(&label));
    by_number.or_else(by_name).ok_or_else(|| {
        let names: Vec<String> = (0..sight.labels.len()).take(8).map(|at| sight.name(at)).collect();
        Error::usage(format!("--time-column {}: there is no such column of numbers", printable(wanted)))
            .expected(format!("one of: {}", names.join(", ")))
            .remedy("--time-column takes a name, a number counted from 1, or none")
    })
}

/// What a number column is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Time,
    /// Repeats the time.
    Twin,
    /// Read by nobody: a count, a marker, a logic line.
    Aside,
    Math,
    Signal,
}

fn kinds(sight: &Sight<'_>, time: Option<usize>, lines: &[&[u8]], table: &Table, columns: &mut Columns) -> Vec<Kind> {
    let text = |row: usize, at: usize| split(lines[row], table.dialect.separator)[table.columns[at]];
    let repeats = |at: usize, time: usize| table.rows.iter().take(SAMPLE).all(|&row| text(row, at) == text(row, time));
    let mut kinds = Vec::new();
    for (at, label) in sight.labels.iter().enumerate() {
        let aside = if label.unit.as_deref().is_some_and(is_counter_unit) || counter(sight, at) {
            Some("a count of rows")
        } else if label.is_one_of(MARKERS) && sight.is_whole(at) {
            Some("an event marker")
        } else if label.is_digital() && sight.is_logic(at) {
            Some("a logic line")
        } else if time.is_none() && label.is_time() {
            Some("a time column that the options leave out")
        } else {
            None
        };
        kinds.push(match (time, aside) {
            (Some(time), _) if at == time => Kind::Time,
            (Some(time), _) if label.is_time() || (!label.is_amplitude() && repeats(at, time)) => {
                columns.reading.push(format!("{} is a second time column.", sight.name(at)));
                Kind::Twin
            }
            (_, Some(what)) => {
                columns.reading.push(format!("{} is {what} and no channel.", sight.name(at)));
                Kind::Aside
            }
            _ if label.is_math() => {
                columns.reading.push(format!("{} is a math or reference trace; its role is other.", sight.name(at)));
                Kind::Math
            }
            _ => Kind::Signal,
        });
    }
    kinds
}

/// Whether a column counts rows: it says so and does so, or it is the first of several without a name and does so.
fn counter(sight: &Sight<'_>, at: usize) -> bool {
    let label = &sight.labels[at];
    let nameless = at == 0 && sight.labels.len() > 1 && label.written.is_empty();
    sight.counts(at) && (label.is_one_of(COUNTERS) || nameless)
}

/// Names, units and roles of the channels.
fn channels(
    sight: &Sight<'_>,
    kinds: &[Kind],
    preamble: &Preamble,
    options: &ReadOptions,
    columns: &mut Columns,
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
        let stated = [label.unit.as_deref(), above.map(String::as_str)].into_iter().flatten().find_map(Quantity::parse);
        let unstated = if codes { Quantity::Codes } else { Quantity::Unknown };
        let (quantity, factor) = stated.or_else(|| given.clone()).unwrap_or((unstated, 1.0));
        let source = preamble.source.clone().filter(|_| signals.len() == 1);
        let own = Some(&label.name).filter(|name| !name.is_empty()).cloned();
        // The line above a single column without a unit may be a mere marker; the source key is sure.
        let name = if label.unit.is_none() { source.or(own) } else { own.or(source) };
        let name = printable(&name.unwrap_or_else(|| format!("channel {}", number + 1)));
        let channel = Channel { name, quantity, role: Role::Other };
        columns.taken.push(Taken { cell: sight.cells[at], channel, factor });
    }
    let analysed: Vec<usize> = (0..signals.len()).filter(|&n| kinds[signals[n]] == Kind::Signal).collect();
    assign_roles(&mut columns.taken, &analysed, &mut columns.reading);
    remark_on_units(columns);
    Ok(())
}

/// The first two voltages are wire and air, else the first two channels; channels that carry these names keep them.
fn assign_roles(taken: &mut [Taken], analysed: &[usize], reading: &mut Vec<String>) {
    let volts = Quantity::Unit("V".to_owned());
    let voltages: Vec<usize> = analysed.iter().copied().filter(|&n| taken[n].channel.quantity == volts).collect();
    let candidates = if voltages.len() >= 2 { voltages } else { analysed.to_vec() };
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

fn remark_on_units(columns: &mut Columns) {
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
