//! Which column is what: time, count, marker, channel; names and units from the rows above the data.

mod channels;
mod headings;
mod parts;
mod refusals;
mod sight;
mod time;

use super::body::{Form, Key};
use super::cells::{CellUnit, Printed};
use super::preamble::{Preamble, time_unit};
use super::structure::Table;
use super::timing::Fineness;
use crate::capture::{Channel, ColumnAccount};
use crate::error::{Error, Finding};
use crate::read::ReadOptions;
use channels::channels;
use headings::{Headings, headings};
use parts::{Kind, kinds};
pub(super) use refusals::refuse_spectrum;
use refusals::{refuse_pairs, refuse_spectra, refuse_turns};
use sight::{Sight, form_of};
use time::{is_bare_count, time_column};

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

/// Decides what each column is.
///
/// # Errors
/// A spectrum or an envelope in the clothes of a capture, an option that names no column, no channel at all.
pub(super) fn read(table: &Table<'_>, preamble: &Preamble, options: &ReadOptions) -> Result<Columns, Error> {
    let Headings { labels, lines: header_lines, findings } = headings(table);
    let texts: Vec<Vec<&[u8]>> = (0..table.columns.len()).map(|at| table.column(at).take(SAMPLE).collect()).collect();
    let forms: Vec<Form> = texts.iter().map(|cells| form_of(cells, table.dialect)).collect();
    let printed = |at: usize, cell: &[u8]| forms[at].read(cell, table.dialect);
    let sample: Vec<Vec<Printed>> = texts
        .iter()
        .enumerate()
        .map(|(at, cells)| cells.iter().filter_map(|cell| printed(at, cell)).collect())
        .collect();
    let behind = |at: usize, fineness: Fineness| {
        if let Form::Epoch(base) = forms[at] { fineness.behind(base as f64) } else { fineness }
    };
    let fineness =
        sample.iter().enumerate().map(|(at, column)| behind(at, Fineness::of(column.iter().copied()))).collect();
    let units = texts.iter().map(|cells| cells.iter().find_map(|cell| table.dialect.unit(cell))).collect();
    let mut sight = Sight { cells: &table.columns, labels, sample, fineness, forms: forms.clone(), texts, units };
    sight.label_by_cells();

    let mut columns = Draft { reading: Vec::new(), findings, account: Vec::new(), taken: Vec::new() };
    let below = &table.beginning.lines[table.first..];
    refuse_spectra(&sight, preamble, options, headings::time_follows(below, table.dialect))?;
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
    let kinds = kinds(&sight, time, options, &mut columns)?;
    let twins: Vec<usize> = (0..kinds.len()).filter(|&at| kinds[at] == Kind::Twin).collect();
    let whole = |at: usize| behind(at, Fineness::of(table.column(at).filter_map(|cell| printed(at, cell))));
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
