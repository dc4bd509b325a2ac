//! Which column is the time.

use super::super::body::Form;
use super::super::label::{COUNTERS, Label, is_counter_unit};
use super::super::preamble::Preamble;
use super::Draft;
use super::sight::Sight;
use crate::error::{Error, printable};
use crate::read::ReadOptions;

/// Whether a column that is called a time merely counts rows: it does so, no unit is named, and the rate that the
/// header states agrees with no unit of time.
pub(super) fn is_bare_count(sight: &Sight<'_>, at: usize, preamble: &Preamble, options: &ReadOptions) -> bool {
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

/// The index of the time column among the number columns.
pub(super) fn time_column(
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
pub(super) fn chosen(sight: &Sight<'_>, wanted: &str, option: &str) -> Result<usize, Error> {
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
