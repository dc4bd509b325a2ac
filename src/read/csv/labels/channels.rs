//! Names, units and roles of the channels, and what to remark on them.

use super::super::cells::CellUnit;
use super::super::preamble::Preamble;
use super::parts::Kind;
use super::sight::Sight;
use super::{Draft, Taken};
use crate::capture::{Channel, Quantity, Role};
use crate::error::{Error, Finding, printable};
use crate::read::ReadOptions;

/// Names, units and roles of the channels.
pub(super) fn channels(
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
        let is_above = label.unit.as_deref().and_then(Quantity::parse).is_none() && stated.is_some();
        let whence = match (&within, &stated, &given) {
            (Some(_), _, _) => "; the unit stands in the cells",
            (None, Some(_), _) if is_above => "; the unit stands above the table",
            (None, None, Some(_)) => "; the unit is that of --unit",
            (None, None, None) if codes => "; whole numbers without a unit are codes of the converter",
            _ => "",
        };
        let stated = within.or(stated);
        let is_stated = stated.is_some();
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
            account.why.push_str(whence);
            if is_only_renamed(&account.name, &channel.name) {
                account.why.push_str(&format!("; called \"{}\" from here on", channel.name));
            }
            if !is_stated {
                account.option = format!("--unit, {}", account.option);
            }
        }
        columns.taken.push(Taken { cell: sight.cells[at], channel, factor, unit: sight.units[at].clone() });
    }
    let analysed: Vec<usize> = (0..signals.len()).filter(|&n| kinds[signals[n]] == Kind::Signal).collect();
    let roles = assign_roles(&mut columns.taken, &analysed, &mut columns.reading);
    for (n, why) in roles {
        let number = columns.taken[n].cell + 1;
        if let Some(account) = columns.account.iter_mut().find(|account| account.number == number) {
            account.why.push_str(&format!("; {why}"));
            account.option.push_str(", --wire, --air");
        }
    }
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

/// Whether a channel goes by a name that its column does not bear.
fn is_only_renamed(written: &str, name: &str) -> bool {
    !printable(written).contains(name)
}

/// The first two voltages are wire and air, else the first two channels; channels that carry these names keep them.
///
/// Gives the channels that got a role, and why.
fn assign_roles(taken: &mut [Taken], analysed: &[usize], reading: &mut Vec<String>) -> Vec<(usize, String)> {
    let volts = Quantity::Unit("V".to_owned());
    let voltages: Vec<usize> = analysed.iter().copied().filter(|&n| taken[n].channel.quantity == volts).collect();
    // Power, resistance and the like are what other columns made, where a column is left that is none of them.
    let derived = |&n: &usize| matches!(&taken[n].channel.quantity, Quantity::Unit(unit) if ["W", "Pa", "m/s", "Ohm"].contains(&unit.as_str()));
    let plain: Vec<usize> = analysed.iter().copied().filter(|n| !derived(n)).collect();
    let kind = if voltages.len() > 1 { "voltage" } else { "channel" };
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
    let (wire, air, is_named) = match (named("wire"), named("air")) {
        (Some(wire), Some(air)) => (Some(wire), Some(air), true),
        _ => (candidates.first().copied(), candidates.get(1).copied(), false),
    };
    let mut reasons = Vec::new();
    for (place, role, order) in [(wire, Role::Wire, "first"), (air, Role::Air, "second")] {
        if let Some(n) = place {
            let why = if is_named { "by its name".to_owned() } else { format!("as the {order} {kind}") };
            reasons.push((n, format!("{why} the {} channel, unless an option says otherwise", role.name())));
            taken[n].channel.role = role;
            reading.push(format!("\"{}\" is the {} channel.", taken[n].channel.name, role.name()));
        }
    }
    reasons
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
