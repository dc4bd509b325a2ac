//! What part each column plays, and why.

use super::super::cells::CellUnit;
use super::super::label::{COUNTERS, MARKERS, TIMES, is_counter_unit};
use super::Draft;
use super::sight::Sight;
use super::time::chosen;
use crate::capture::ColumnAccount;
use crate::error::{Error, printable};
use crate::read::ReadOptions;

/// What a number column is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
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

pub(super) fn kinds(
    sight: &Sight<'_>,
    time: Option<usize>,
    options: &ReadOptions,
    columns: &mut Draft,
) -> Result<Vec<Kind>, Error> {
    let repeats = |at: usize, time: usize| sight.texts[at] == sight.texts[time];
    let wanted =
        options.channels.iter().map(|name| chosen(sight, name, "--channels")).collect::<Result<Vec<_>, _>>()?;
    let fractional = (0..sight.labels.len()).any(|at| Some(at) != time && !sight.is_whole(at));
    let mut kinds = Vec::new();
    for (at, label) in sight.labels.iter().enumerate() {
        let steps = label.is_one_of(COUNTERS) && sight.rises_in_whole(at);
        let bare = label.unit.is_none() && !label.names_a_channel();
        let (kind, why) = if Some(at) == time {
            (Kind::Time, why_time(sight, at, options))
        } else if wanted.contains(&at) {
            (Kind::Signal, String::from("--channels names it"))
        } else if label.unit.as_deref().is_some_and(is_counter_unit) || counter(sight, at) || steps {
            (Kind::Count, String::from("a count of rows"))
        } else if time.is_some() && (label.is_time() || sight.is_clock(at)) {
            if sight.rises(at) || label.is_one_of(TIMES) || label.begins_with_time() {
                (Kind::Twin, String::from("a second time column"))
            } else {
                (Kind::Aside, String::from("a time that does not rise with the rows"))
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
            (Kind::Aside, String::from("a time column that --time-column leaves out"))
        } else if sight.units[at] == Some(CellUnit::Time) {
            (Kind::Aside, String::from("a column of durations"))
        } else if !wanted.is_empty() {
            (Kind::Aside, String::from("not among the channels that --channels names"))
        } else if label.is_slow() {
            (Kind::Math, String::from("a slow quantity such as a temperature"))
        } else if label.is_math() {
            (Kind::Math, String::from("a math or reference trace"))
        } else {
            (Kind::Signal, why_signal(sight, at))
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
            Kind::Twin => ("second time", "--time-column, --channels"),
            Kind::Count => ("count", "--channels, --time-column"),
            Kind::Aside => ("left out", "--channels"),
            Kind::Math => ("channel, not analysed", "--wire, --air, --channels"),
            Kind::Signal => ("channel", "--channels, --scale"),
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

/// What makes a column the time.
fn why_time(sight: &Sight<'_>, at: usize, options: &ReadOptions) -> String {
    let label = &sight.labels[at];
    let unit = label.unit.as_deref().filter(|_| label.has_time_unit());
    match unit {
        _ if options.time_column.is_some() => "--time-column names it".to_owned(),
        _ if sight.is_clock(at) => "it holds times of day".to_owned(),
        _ if sight.units[at] == Some(CellUnit::Time) => "its cells carry a unit of time".to_owned(),
        Some(unit) => format!("its unit \"{}\" is one of time", printable(unit)),
        None if label.is_time() => "it is named as a time".to_owned(),
        None => "it is not named as a time, but rises in equal steps, as no signal does".to_owned(),
    }
}

/// What makes a column a channel.
fn why_signal(sight: &Sight<'_>, at: usize) -> String {
    let label = &sight.labels[at];
    match label.unit.as_deref().filter(|_| label.is_amplitude()) {
        Some(unit) => format!("its unit \"{}\" is that of a signal", printable(unit)),
        None if label.names_a_channel() => "it is named as a channel".to_owned(),
        None => "its numbers are no time, no count of rows, no marker and no logic line".to_owned(),
    }
}

/// Whether a column counts rows: it says so and does so, or it is the first of several without a name and does so.
fn counter(sight: &Sight<'_>, at: usize) -> bool {
    let label = &sight.labels[at];
    let nameless = at == 0 && sight.labels.len() > 1 && label.written.is_empty();
    sight.counts(at) && (label.is_one_of(COUNTERS) || nameless || (at == 0 && label.unit.is_none() && label.is_time()))
}
