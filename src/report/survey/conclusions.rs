//! What a client reads first: what each case adds, what the filter does to it, whether the air follows.

use crate::analysis::compare::{ChannelComparison, Comparison};
use crate::capture::Role;
use crate::compare::added::{BandAddition, Verdict as Added};
use crate::compare::before_after::{BandChange, Verdict as Changed};
use crate::compare::coupling::{BandCause, Cause, Verdict as Coupled};
use crate::report::sentences::{NONE_SHOWN, place, share};
use crate::survey::fall_off::FallOffResult;
use crate::survey::run::CaseResult;
use crate::units::{Band, engineering, prefix_of};

/// The conclusions of a case, the most important one first.
pub(super) fn of_case(name: &str, result: &CaseResult) -> Vec<String> {
    let mut sentences = Vec::new();
    if let Some(added) = result.added.made() {
        sentences.push(of_addition(name, added, result));
        sentences.extend(air_alone(name, added));
    } else if let Some(change) = result.change.made() {
        sentences.extend(filter_alone(name, change, result));
    }
    sentences.extend(result.change.made().and_then(|change| what_rises(name, change)));
    sentences.extend(result.standby.made().and_then(|standby| of_standby(name, standby)));
    if sentences.is_empty() {
        sentences.extend(what_is_there(name, result));
    }
    sentences
}

fn channel<Row>(comparison: &Comparison<Row>, role: Role) -> Option<&ChannelComparison<Row>> {
    comparison.channels.iter().find(|channel| channel.role == role)
}

/// The band in which most is added, and the row of it.
pub(super) fn strongest(channel: &ChannelComparison<BandAddition>) -> Option<&BandAddition> {
    let adds = |row: &&BandAddition| row.verdict == Added::Adds && row.added_rms.is_some();
    let strength = |row: &BandAddition| row.added_rms.unwrap_or(0.0);
    channel
        .bands
        .iter()
        .filter(adds)
        .max_by(|a, b| strength(a).total_cmp(&strength(b)))
        .or(Some(&channel.total).filter(adds))
}

fn of_addition(name: &str, added: &Comparison<BandAddition>, result: &CaseResult) -> String {
    let Some(wire) = channel(added, Role::Wire).or(added.channels.first()) else {
        return format!("{name}: no channel to compare.");
    };
    let unit = wire.unit.symbol();
    let Some(row) = strongest(wire) else {
        let least = wire.total.smallest_shown_rms.map_or(format!("; {NONE_SHOWN}"), |rms| {
            format!("; an addition of {} in the whole range would have been", engineering(rms, unit))
        });
        return format!("{name}: no addition is shown {}{least}.", place(wire.role));
    };
    let mut sentence = format!("{name} adds {} {} {}", amount(row, unit), between(row.band), place(wire.role));
    let more = wire.bands.iter().filter(|other| other.verdict == Added::Adds).count().saturating_sub(1);
    if more > 0 {
        sentence.push_str(&format!(" and less in {more} more {}", if more == 1 { "band" } else { "bands" }));
    }
    if let Some(filter) = result.change.made().and_then(|change| channel(change, wire.role)?.row(row.band)) {
        sentence.push_str(&format!("; {}", of_filter(filter)));
    }
    if let Some(air) = of_air(row.band, result) {
        sentence.push_str(&format!("; {air}"));
    }
    sentence + "."
}

/// A row of a comparison by its band.
trait Rows<Row> {
    fn row(&self, band: Band) -> Option<&Row>;
}

impl Rows<BandChange> for ChannelComparison<BandChange> {
    fn row(&self, band: Band) -> Option<&BandChange> {
        self.bands.iter().chain([&self.total]).find(|row| row.band == band)
    }
}

/// `3.00 mV (2.86 to 3.14 mV)`.
pub(super) fn amount(row: &BandAddition, unit: &str) -> String {
    let value = row.added_rms.unwrap_or(0.0);
    match row.added_ci95_rms {
        Some([low, high]) if low.is_finite() && high.is_finite() => {
            let (factor, _) = prefix_of(high);
            let decimals = decimals((high - low) / factor);
            let plain = |rms: f64| format!("{:.decimals$}", rms / factor);
            let words = engineering(high, unit);
            let unit = words.split_once(' ').map_or("", |(_, unit)| unit);
            if words.contains('e') {
                return format!("{} ({} to {words})", engineering(value, unit), engineering(low, unit));
            }
            format!("{} {unit} ({} to {} {unit})", plain(value), plain(low), plain(high))
        }
        Some([low, _]) if low.is_finite() => {
            format!("{} (at least {})", engineering(value, unit), engineering(low, unit))
        }
        _ => engineering(value, unit),
    }
}

/// So many decimals that an interval of this width keeps two digits, three at most.
fn decimals(width: f64) -> usize {
    [2.0, 0.2, 0.02].iter().filter(|&&step| width < step).count()
}

/// `between 50 and 95 kHz`.
fn between(band: Band) -> String {
    format!("between {}", band.to_string().replacen(" to ", " and ", 1))
}

/// `the filter lowers the level there by 25.4 dB (24.9 to 25.9 dB)`.
fn of_filter(row: &BandChange) -> String {
    let verb = match row.verdict {
        Changed::Lower => "lowers",
        Changed::Higher => "raises",
        Changed::NoChangeShown => {
            let least =
                row.smallest_shown_db.map_or(format!(" ({NONE_SHOWN})"), |db| format!(" ({db:.1} dB would have been)"));
            return format!("with the filter no change is shown there{least}");
        }
    };
    format!("the filter {verb} the level there by {}", by(row))
}

/// How much a level rises or falls, without its sign.
fn by(row: &BandChange) -> String {
    let sign = if row.verdict == Changed::Lower { -1.0 } else { 1.0 };
    let (Some(db), Some(interval)) = (row.change_db, row.ci95_db) else {
        return "an amount that the captures do not bound".to_owned();
    };
    let mut ends = interval.map(|end| sign * end);
    ends.sort_by(f64::total_cmp);
    let [low, high] = ends;
    let decimals = if high - low < 0.25 { 2 } else { 1 };
    let number = |db: f64| format!("{db:.decimals$}").replace('-', "−");
    let within = match (low.is_finite(), high.is_finite()) {
        (true, true) => format!("{} to {} dB", number(low), number(high)),
        (true, false) => format!("at least {} dB", number(low)),
        (false, true) => format!("at most {} dB", number(high)),
        (false, false) => "without bounds".to_owned(),
    };
    format!("{} dB ({within})", number(sign * db))
}

/// What the air does where most is added.
fn of_air(band: Band, result: &CaseResult) -> Option<String> {
    if let Some(change) = result.coupling_change.made() {
        let row = change.bands.iter().chain([&change.total]).find(|row| row.band == band)?;
        return Some(of_cause(row));
    }
    let coupling = result.coupling.made()?;
    let row = coupling.bands.iter().chain([&coupling.total]).find(|row| row.band == band)?;
    Some(match row.verdict {
        Coupled::Coherent => {
            format!("the wire explains {} of what is in the air there", share(row.coherent_share, row.share_ci95))
        }
        _ => "no coherence of wire and air is shown there".to_owned(),
    })
}

fn of_cause(row: &BandCause) -> String {
    match row.verdict {
        Cause::Explained => "the air follows the wire there",
        Cause::InPart => "the air follows the wire there in part",
        Cause::NotExplained => "the air does not follow the wire there",
        Cause::NoChange => "no change is shown in the air there",
        Cause::Unknown => "whether the air follows the wire there cannot be told",
    }
    .to_owned()
}

/// What is added in the air, where that is shown.
fn air_alone(name: &str, added: &Comparison<BandAddition>) -> Option<String> {
    let air = channel(added, Role::Air)?;
    let row = strongest(air)?;
    Some(format!("{name} adds {} {} in the air.", amount(row, air.unit.symbol()), between(row.band)))
}

/// What a filter changes where nothing is known of the load off.
fn filter_alone(name: &str, change: &Comparison<BandChange>, result: &CaseResult) -> Option<String> {
    let wire = channel(change, Role::Wire).or(change.channels.first())?;
    let shown = |row: &&BandChange| row.verdict != Changed::NoChangeShown;
    let size = |row: &BandChange| row.change_db.unwrap_or(0.0).abs();
    let row = wire.bands.iter().filter(shown).max_by(|a, b| size(a).total_cmp(&size(b))).unwrap_or(&wire.total);
    let verb = match row.verdict {
        Changed::Lower => "lowers",
        Changed::Higher => "raises",
        Changed::NoChangeShown => {
            return Some(format!("{name}: no change is shown with the filter {}.", place(wire.role)));
        }
    };
    let air = of_air(row.band, result).map_or(String::new(), |air| format!("; {air}"));
    Some(format!("{name}: the filter {verb} the level {} {} by {}{air}.", between(row.band), place(wire.role), by(row)))
}

/// Where a filter makes more of it, which a client must not miss.
fn what_rises(name: &str, change: &Comparison<BandChange>) -> Option<String> {
    let wire = channel(change, Role::Wire)?;
    let rises = |row: &&BandChange| row.verdict == Changed::Higher;
    let size = |row: &BandChange| row.change_db.unwrap_or(0.0);
    let row = wire.bands.iter().filter(rises).max_by(|a, b| size(a).total_cmp(&size(b)))?;
    Some(format!("{name}: the filter raises the level {} on the wire by {}.", between(row.band), by(row)))
}

fn of_standby(name: &str, standby: &Comparison<BandAddition>) -> Option<String> {
    let wire = channel(standby, Role::Wire)?;
    let row = strongest(wire)?;
    let amount = amount(row, wire.unit.symbol());
    Some(format!("{name}, off but plugged in, adds {amount} {} on the wire.", between(row.band)))
}

/// The level of a case without anything to compare.
fn what_is_there(name: &str, result: &CaseResult) -> Option<String> {
    let bands = result.bands.made()?;
    let wire = bands.channels.iter().find(|channel| channel.role == Role::Wire).or(bands.channels.first())?;
    let rms = engineering(wire.total.rms, wire.unit.symbol());
    Some(format!("{name}: {rms} {} {}; nothing to compare it with.", between(wire.total.band), place(wire.role)))
}

/// How a level falls with the distance, of the whole range or the band with the narrowest interval.
pub(super) fn of_fall_off(result: &FallOffResult) -> String {
    let told = result.bands.iter().filter_map(|band| Some((band.band, band.fit?)));
    let width = |ci95: Option<[f64; 2]>| ci95.map_or(f64::INFINITY, |[low, high]| high - low);
    let surest = told.min_by(|(_, a), (_, b)| width(a.ci95).total_cmp(&width(b.ci95)));
    match surest {
        None => format!("{}: at fewer than two distances a level is shown; no fall-off can be told.", result.name),
        Some((band, fit)) => {
            let within = fit.ci95.map_or(", from two distances, so without an interval".to_owned(), |[low, high]| {
                format!(" ({low:.2} to {high:.2})")
            });
            format!(
                "{}: in the air the level {} falls with the distance to the power of {:.2}{within}.",
                result.name,
                between(band),
                fit.exponent
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::side::Observation;

    fn row(added: f64, interval: Option<[f64; 2]>) -> BandAddition {
        BandAddition {
            band: Band::new(50e3, 95e3).unwrap(),
            off_rms: 0.0,
            on_rms: added,
            added_rms: Some(added),
            added_ci95_rms: interval,
            rise_db: None,
            ci95_db: None,
            verdict: Added::Adds,
            p_value: None,
            smallest_shown_rms: None,
            near_floor: false,
            pairing_gain: None,
            observation: Observation::Capture,
        }
    }

    #[test]
    fn an_amount_keeps_the_digits_that_its_interval_allows() {
        for (added, interval, text) in [
            (3.1e-3, Some([2.9e-3, 3.4e-3]), "3.1 mV (2.9 to 3.4 mV)"),
            (3.0e-3, Some([2.86e-3, 3.14e-3]), "3.0 mV (2.9 to 3.1 mV)"),
            (700e-6, Some([698e-6, 702e-6]), "700 µV (698 to 702 µV)"),
            (0.9996e-3, Some([0.998e-3, 1.002e-3]), "1.000 mV (0.998 to 1.002 mV)"),
            (4.04e-3, None, "4.04 mV"),
        ] {
            assert_eq!(amount(&row(added, interval), "V"), text);
        }
        assert_eq!(between(Band::new(50e3, 95e3).unwrap()), "between 50 and 95 kHz");
    }
}
