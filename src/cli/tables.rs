//! Tables for the terminal, from results.

use crate::analysis::bands::ChannelBands;
use crate::analysis::batch::{Batch, Status};
use crate::analysis::compare::ChannelComparison;
use crate::analysis::inspect::Inspection;
use crate::analysis::spectrum::ChannelSpectrum;
use crate::capture::{Quantity, Role};
use crate::compare::added::BandAddition;
use crate::compare::before_after::BandChange;
use crate::compare::load::BandLoad;
use crate::compare::side::Observation;
use crate::measure::bands::BandValue;
use crate::report::sentences::{ends, signed, signed_within};
use crate::report::table::{Column, Table};
use crate::survey::studio::check::Found;
use crate::survey::studio::{BuiltIn, Kind};
use crate::units::{Band, Level, engineering};

/// How many of the strongest lines a spectrum's table shows.
const STRONGEST: usize = 12;

fn khz(band: Band) -> String {
    band.to_string().trim_end_matches(" kHz").to_owned()
}

fn level(rms: f64) -> String {
    decimal(Level::of_rms(rms).get())
}

fn decimal(db: f64) -> String {
    if db.is_finite() { format!("{db:.1}").replace('-', "−") } else { "none".to_owned() }
}

fn interval(ci: Option<[f64; 2]>) -> String {
    ci.map_or("none".into(), ends)
}

fn change(db: Option<f64>, ci: Option<[f64; 2]>) -> String {
    match (db, ci) {
        (Some(db), Some(ci)) => signed_within(db, ci),
        (Some(db), None) => signed(db),
        (None, _) => "none".into(),
    }
}

fn floor_mark(near_floor: bool) -> String {
    if near_floor { "at the floor".into() } else { String::new() }
}

fn heading(role: Role, name: &str, what: &str) -> String {
    let role = match role {
        Role::Wire => "Wire",
        Role::Air => "Air",
        Role::Other => "Other",
    };
    if name.is_empty() { format!("{role}: {what}") } else { format!("{role} ({name}): {what}") }
}

/// The channels of a capture as they are in the file.
pub(super) fn inspection(capture: &Inspection) -> Table {
    let columns = vec![
        Column::text("channel"),
        Column::text("role"),
        Column::text("unit"),
        Column::number("smallest", ""),
        Column::number("largest", ""),
        Column::number("mean", ""),
        Column::number("rms", ""),
        Column::number("step", ""),
        Column::number("bits used", ""),
        Column::number("clipped", "%"),
    ];
    let mut table = Table::new("", columns);
    for channel in &capture.channels {
        let unit = channel.unit.symbol();
        let in_unit = |value: f64| match channel.unit {
            Quantity::Unit(_) => engineering(value, unit).replace('-', "−"),
            _ => format!("{value:.4}").replace('-', "−"),
        };
        table.rows.push(vec![
            channel.name.clone(),
            channel.role.name().into(),
            unit.into(),
            in_unit(channel.min),
            in_unit(channel.max),
            in_unit(channel.mean),
            in_unit(channel.rms),
            channel.resolution.map_or("not seen".into(), in_unit),
            channel.effective_bits.map_or(String::new(), |bits| format!("{bits:.1}")),
            format!("{:.2}", 100.0 * channel.clipped_fraction),
        ]);
    }
    table
}

/// The strongest lines of a spectrum: local maxima, the strongest first.
pub(super) fn spectrum(channel: &ChannelSpectrum) -> Table {
    let rms = &channel.rms;
    let is_peak = |k: usize| (k == 0 || rms[k - 1] < rms[k]) && rms.get(k + 1).is_none_or(|next| *next <= rms[k]);
    let mut peaks: Vec<usize> = (0..rms.len()).filter(|&k| is_peak(k)).collect();
    peaks.sort_by(|&a, &b| rms[b].total_cmp(&rms[a]));
    let reference = channel.unit.level_reference();
    let columns = vec![
        Column::number("frequency", "kHz"),
        Column::number("RMS", ""),
        Column::number("level", reference.clone()),
        Column::number("largest segment", reference.clone()),
        Column::number("smallest segment", reference),
    ];
    let mut table = Table::new(heading(channel.role, &channel.name, "the strongest lines"), columns);
    for k in peaks.into_iter().take(STRONGEST) {
        table.rows.push(vec![
            format!("{:.3}", channel.frequency_hz[k] / 1e3),
            engineering(rms[k], channel.unit.symbol()),
            decimal(channel.level_db[k].get()),
            decimal(channel.max_level_db[k].get()),
            decimal(channel.min_level_db[k].get()),
        ]);
    }
    table
}

/// The bands of a channel, then the whole range.
pub(super) fn bands(channel: &ChannelBands) -> Table {
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("RMS", ""),
        Column::number("level", channel.unit.level_reference()),
        Column::number("share", "%"),
        Column::text(""),
    ];
    let mut table = Table::new(heading(channel.role, &channel.name, "energy by band"), columns);
    let unit = channel.unit.symbol();
    let row = |value: &BandValue| {
        vec![
            khz(value.band),
            engineering(value.rms, unit),
            decimal(value.level_db.get()),
            format!("{:.1}", 100.0 * (value.rms / channel.total.rms).powi(2)),
            floor_mark(value.near_floor),
        ]
    };
    table.rows = channel.bands.iter().map(row).chain([row(&channel.total)]).collect();
    let slew = channel
        .slew_mean_abs
        .map_or("not known: the record is too short".into(), |slew| engineering(slew, &format!("{unit}/s")));
    table.notes = vec![
        "The last row is the whole range.".into(),
        format!(
            "Slew within the range: {} RMS, {slew} mean absolute. It says nothing on health.",
            engineering(channel.slew_rms, &format!("{unit}/s"))
        ),
    ];
    table
}

/// What changed in a channel, band by band.
pub(super) fn changes(channel: &ChannelComparison<BandChange>) -> Table {
    let reference = channel.unit.level_reference();
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("before", reference.clone()),
        Column::number("after", reference),
        Column::number("change", "dB"),
        Column::number("95 % interval", "dB"),
        Column::text("verdict"),
        Column::text(""),
    ];
    let mut table = Table::new(heading(channel.role, "", "what changed"), columns);
    let row = |row: &BandChange| {
        let seen =
            row.smallest_shown_db.map_or(String::new(), |db| format!(" (from {db:.1} dB on it would have been)"));
        vec![
            khz(row.band),
            level(row.before_rms),
            level(row.after_rms),
            change(row.change_db, row.ci95_db),
            interval(row.ci95_db),
            format!("{}{}{seen}", row.verdict.words(), at_least(row)),
            floor_mark(row.near_floor),
        ]
    };
    table.rows = channel.bands.iter().map(row).chain([row(&channel.total)]).collect();
    let observations: Vec<_> = channel.bands.iter().chain([&channel.total]).map(|row| row.observation).collect();
    table.notes = comparison_notes(&observations);
    table
}

/// `, by at least 8.6 dB` where the quieter side may be the floor's.
fn at_least(row: &BandChange) -> String {
    let surely = row.ci95_db.map(|[low, high]| if high.is_finite() { -high } else { low });
    surely.filter(|_| row.at_least).map_or(String::new(), |db| format!(", by at least {db:.1} dB"))
}

/// What the filter changes of the load's own noise in a channel, where captures with the load off tell.
pub(super) fn loads(channel: &ChannelComparison<BandChange>) -> Option<Table> {
    let load = channel.load.as_ref()?;
    let unit = channel.unit.symbol();
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("load adds before", ""),
        Column::number("load adds after", ""),
        Column::number("change of the load", "dB"),
        Column::number("95 % interval", "dB"),
        Column::text(""),
    ];
    let mut table = Table::new(heading(channel.role, "", "what the filter changes of the load's own noise"), columns);
    let adds = |row: &BandAddition| match row.added_rms {
        Some(rms) => engineering(rms, unit),
        None => row.verdict.words().to_owned(),
    };
    let row = |row: &BandLoad| {
        vec![
            khz(row.before.band),
            adds(&row.before),
            adds(&row.after),
            change(row.change_db, row.ci95_db),
            interval(row.ci95_db),
            if row.below_off { "less than with the load off, here or in a part".to_owned() } else { String::new() },
        ]
    };
    table.rows = load.bands.iter().chain([&load.total]).map(row).collect();
    table.notes = vec![
        "What is on the line with the load off is taken to be there after the filter as well.".into(),
        "Each interval holds at 95 %; whether the load adds is judged at 5 % over the whole table.".into(),
    ];
    Some(table)
}

/// What a load adds in a channel, band by band.
pub(super) fn additions(channel: &ChannelComparison<BandAddition>) -> Table {
    let unit = channel.unit.symbol();
    let reference = channel.unit.level_reference();
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("off", reference.clone()),
        Column::number("on", reference),
        Column::number("rise", "dB"),
        Column::number("95 % interval", "dB"),
        Column::text("verdict"),
        Column::number("adds", ""),
        Column::text(""),
    ];
    let mut table = Table::new(heading(channel.role, "", "what the load adds"), columns);
    let row = |row: &BandAddition| {
        let adds = match (row.added_rms, row.added_ci95_rms, row.smallest_shown_rms) {
            (Some(rms), Some([low, high]), _) => {
                format!("{} ({} to {})", engineering(rms, unit), engineering(low, unit), engineering(high, unit))
            }
            (Some(rms), None, _) => engineering(rms, unit),
            (None, _, Some(smallest)) => format!("shown from {}", engineering(smallest, unit)),
            _ => String::new(),
        };
        vec![
            khz(row.band),
            level(row.off_rms),
            level(row.on_rms),
            change(row.rise_db, row.ci95_db),
            interval(row.ci95_db),
            row.verdict.words().into(),
            adds,
            floor_mark(row.near_floor),
        ]
    };
    table.rows = channel.bands.iter().map(row).chain([row(&channel.total)]).collect();
    let observations: Vec<_> = channel.bands.iter().chain([&channel.total]).map(|row| row.observation).collect();
    table.notes = comparison_notes(&observations);
    table
}

fn comparison_notes(observations: &[Observation]) -> Vec<String> {
    let kinds = [
        (Observation::MainsPeriod, "mains periods (neighbours may be correlated; that is allowed for)"),
        (Observation::Capture, "captures"),
        (Observation::Pair, "pairs of captures"),
    ];
    let count = |kind| observations.iter().filter(|&&observation| observation == kind).count();
    let parts: Vec<String> =
        kinds
            .into_iter()
            .filter(|(kind, _)| count(*kind) > 0)
            .map(|(kind, words)| {
                if count(kind) == observations.len() {
                    words.into()
                } else {
                    format!("{words} in {} rows", count(kind))
                }
            })
            .collect();
    vec![
        format!("The last row is the whole range. Scatter judged from {}.", parts.join(", ")),
        "Each interval holds at 95 %; the verdicts of all rows of all channels together err in at most 5 % of tables."
            .into(),
    ]
}

/// The ranking of a batch, role by role; failed captures last.
pub(super) fn ranking(batch: &Batch) -> Vec<Table> {
    let mut tables = Vec::new();
    for role in [Role::Wire, Role::Air] {
        let ranked: Vec<_> = batch.ranking.iter().filter(|rank| rank.role == role).collect();
        if ranked.is_empty() {
            continue;
        }
        let channels: Vec<_> = batch
            .captures
            .iter()
            .flat_map(|row| row.channels.iter().map(move |channel| (&row.path, channel)))
            .filter(|(_, channel)| channel.role == role)
            .collect();
        let find = |path: &String| channels.iter().find(|(other, _)| *other == path).map(|(_, channel)| *channel);
        let unit = channels.first().map(|(_, channel)| channel.unit.clone()).unwrap_or(Quantity::Unknown);
        let columns = vec![
            Column::number("rank", ""),
            Column::text("capture"),
            Column::number("RMS", ""),
            Column::number("level", unit.level_reference()),
            Column::number("95 % interval", "dB"),
            Column::number("strongest band", "kHz"),
            Column::text(""),
        ];
        let mut table = Table::new(heading(role, "", "ranked by the total in the range"), columns);
        for rank in ranked {
            let channel = find(&rank.path);
            let strongest = channel.and_then(|c| c.bands.iter().max_by(|a, b| a.rms.total_cmp(&b.rms)));
            let mark = [(rank.tied, "tie"), (rank.mostly_floor, "mostly the floor")];
            table.rows.push(vec![
                rank.rank.to_string(),
                rank.path.clone(),
                channel.map_or(String::new(), |c| engineering(c.total.value.rms, c.unit.symbol())),
                decimal(rank.total_db),
                rank.ci95_db.map_or("none".into(), |[low, high]| format!("{} to {}", decimal(low), decimal(high))),
                strongest.map_or(String::new(), |value| khz(value.band)),
                mark.into_iter().filter(|(is, _)| *is).map(|(_, word)| word).collect::<Vec<_>>().join(", "),
            ]);
        }
        table.notes = vec!["Captures that share a rank cannot be told apart: their intervals overlap.".into()];
        if batch.ranking.iter().any(|rank| rank.role == role && rank.ci95_db.is_none()) {
            table.notes.push(
                "A capture with fewer than two whole mains periods has no interval; its rank says little.".into(),
            );
        }
        tables.push(table);
    }
    let failed: Vec<_> = batch.captures.iter().filter(|row| row.status == Status::Failed).collect();
    if !failed.is_empty() {
        let mut table = Table::new("Not analysed", vec![Column::text("capture"), Column::text("why")]);
        for row in failed {
            let why = row.error.as_deref().and_then(|error| error.lines().next()).unwrap_or_default();
            let why = why.strip_prefix(&format!("{}: ", row.path)).unwrap_or(why);
            table.rows.push(vec![row.path.clone(), why.to_owned()]);
        }
        tables.push(table);
    }
    tables
}

/// What is built into the invented survey.
pub(super) fn built_in(rows: &[BuiltIn]) -> Table {
    let columns = vec![
        Column::text("built in"),
        Column::number("frequency", "kHz"),
        Column::number("on the wire", ""),
        Column::number("in the air", ""),
        Column::number("by the filter", "dB"),
        Column::text("when"),
    ];
    let mut table = Table::new("", columns);
    let volts = |rms: f64| if rms > 0.0 { engineering(rms, "V") } else { "none".into() };
    for row in rows {
        table.rows.push(vec![
            row.source.into(),
            format!("{:.1}", row.frequency_hz / 1e3),
            volts(row.wire_v),
            volts(row.air_v),
            row.filter_db.map_or("none".into(), signed),
            row.when.into(),
        ]);
    }
    table
}

/// What is built in beside what was found.
pub(super) fn found(rows: &[Found]) -> Table {
    let columns = vec![
        Column::text("figure"),
        Column::text(""),
        Column::number("built in", ""),
        Column::number("found", ""),
        Column::number("interval", ""),
        Column::text(""),
    ];
    let mut table = Table::new("Built in / found", columns);
    for row in rows {
        let value = |value: f64| match row.truth.unit {
            "dB" => format!("{} dB", row.interval.map_or_else(|| signed(value), |ends| signed_within(value, ends))),
            "Hz" => format!("{:.2} kHz", value / 1e3),
            unit => engineering(value, unit),
        };
        let nothing = row.truth.kind == Kind::AddsNothing;
        let ends = row.interval.filter(|_| !nothing).map(|[low, high]| match (low.is_finite(), high.is_finite()) {
            (true, true) => format!("{} to {}", value(low), value(high)),
            (true, false) => format!("at least {}", value(low)),
            (false, true) => format!("at most {}", value(high)),
            (false, false) => String::new(),
        });
        table.rows.push(vec![
            row.truth.what.clone(),
            row.truth.role.name().into(),
            if nothing { "nothing".into() } else { value(row.truth.value) },
            row.found.map_or("nothing shown".into(), value),
            ends.unwrap_or_default(),
            match row.agrees {
                Some(true) => "agrees",
                Some(false) => "outside",
                None => "cannot be judged",
            }
            .into(),
        ]);
    }
    table
}
