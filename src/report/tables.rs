//! Tables from results, for the terminal and for reports.

use std::collections::HashMap;

use super::sentences::{
    self, ends, of_against, of_statements, share, signed, signed_within, stands_out, stated_for, time_of,
    where_in_cycle,
};
use super::table::{Column, Table};
use crate::analysis::bands::{ChannelBands, ChannelGroups, GroupValue};
use crate::analysis::batch::{Batch, BatchChannel, Status};
use crate::analysis::compare::ChannelComparison;
use crate::analysis::coupling::{Coupling, CouplingChange};
use crate::analysis::emissions::{ChannelEmissionChange, ChannelEmissions, SideRow};
use crate::analysis::inspect::Inspection;
use crate::analysis::levels::Listed;
use crate::analysis::over_time::{Interval, OverTime, Whole, WholeChannel};
use crate::analysis::phase_map::{BandInCycle, ChannelPhaseMap, PhaseReference};
use crate::analysis::receiver::{ChannelReadings, Reception};
use crate::analysis::self_test::{Check, Installation};
use crate::analysis::setup::ChannelChain;
use crate::analysis::spectrum::ChannelSpectrum;
use crate::analysis::transients::{ChannelTransients, EventRow};
use crate::capture::{Quantity, Role};
use crate::compare::added::{BandAddition, Verdict as Added};
use crate::compare::before_after::{BandChange, Verdict as Changed};
use crate::compare::coupling::{BandCause, BandCoupling, Verdict as Coupled};
use crate::compare::load::BandLoad;
use crate::compare::margin::{Against, INDICATION, NOT_EXPOSURE};
use crate::compare::ranking::Rank;
use crate::compare::side::Observation;
use crate::levels::{Curve, Form, Kind as LevelKind};
use crate::measure::bands::BandValue;
use crate::measure::detector::{DETECTORS, Detector};
use crate::survey::studio::check::Found;
use crate::survey::studio::{BuiltIn, Kind};
use crate::uncertainty::budget::{Budget, Contribution, Evaluation};
use crate::units::{Band, Level, engineering};

/// How many of the strongest lines a spectrum's table shows.
const STRONGEST: usize = 12;
/// How many rows of a ranking a table shows.
const MOST_RANKED: usize = 60;
/// How many of the highest captures of a campaign are shown.
const MOST_LEADERS: usize = 20;

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
pub fn inspection(capture: &Inspection) -> Table {
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
pub fn spectrum(channel: &ChannelSpectrum) -> Table {
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

/// What a channel is against published levels.
pub fn against(role: Role, against: &[Against]) -> Table {
    let columns = vec![
        Column::text("level"),
        Column::text("our copy"),
        Column::number("margin", "dB"),
        Column::number("at", "kHz"),
        Column::number("reading", ""),
        Column::number("level there", ""),
    ];
    let mut table = Table::new(heading(role, "", "against published levels"), columns);
    for row in against {
        let reference = row.curve.level_reference();
        let point = row.points.iter().min_by(|a, b| a.margin_db.total_cmp(&b.margin_db));
        table.rows.push(vec![
            row.curve.name.clone(),
            row.curve.confidence.word().into(),
            row.margin_db.map_or_else(|| row.status.word().into(), signed),
            row.frequency_hz.map_or(String::new(), |hertz| format!("{:.3}", hertz / 1e3)),
            point.map_or(String::new(), |point| format!("{} {reference}", decimal(point.level_db.get()))),
            point.map_or(String::new(), |point| format!("{} {reference}", decimal(point.allowed_db))),
        ]);
    }
    table.notes = against.iter().map(|row| of_against(role, row)).collect();
    table.notes.extend(of_statements(against).into_iter().map(str::to_owned));
    table
}

/// The levels that are known.
pub fn levels(levels: &[Listed]) -> Table {
    let columns = vec![
        Column::text("level"),
        Column::text("document"),
        Column::text("edition"),
        Column::text("stated for"),
        Column::text("at"),
        Column::text("our copy"),
    ];
    let mut table = Table::new("Reference levels", columns);
    for Listed { curve, .. } in levels {
        table.rows.push(vec![
            curve.name.clone(),
            curve.document.clone(),
            curve.edition.clone(),
            stated_for(curve),
            format!("{}, {}", curve.unit, curve.port.word()),
            curve.confidence.word().into(),
        ]);
    }
    table.notes = vec![
        "\"levels NAME\" shows one in full with scope and figures; \"levels --new\" how to write your own.".into(),
        INDICATION.into(),
    ];
    table
}

/// The figures of a level.
pub fn stretches(curve: &Curve) -> Table {
    let reference = curve.level_reference();
    let columns = vec![
        Column::number("from", "kHz"),
        Column::number("to", "kHz"),
        Column::number("at the lower end", reference.clone()),
        Column::number("at the upper end", reference),
        Column::text("as the document has it"),
    ];
    let mut table = Table::new("", columns);
    for segment in &curve.segments {
        let (low, high) = segment.ends_db();
        let written = match segment.form {
            Form::Decibels { low, high } if low.to_bits() == high.to_bits() => "constant".into(),
            Form::Decibels { .. } => "straight in dB over log f".into(),
            Form::Percent { low, high, of } => format!("{low} % to {high} % of {of} V"),
            Form::Power { coefficient, exponent } if exponent.abs() < f64::EPSILON => {
                engineering(coefficient, curve.unit)
            }
            Form::Power { coefficient, exponent } => {
                let plain = if coefficient < 1e-4 { format!("{coefficient:e}") } else { coefficient.to_string() };
                format!("{plain} · f^{exponent} {}, f in Hz", curve.unit).replace('-', "−")
            }
        };
        table.rows.push(vec![
            format!("{}", segment.low_hz / 1e3),
            format!("{}", segment.high_hz / 1e3),
            decimal(low),
            decimal(high),
            written,
        ]);
    }
    table.notes = vec![
        "Between the ends straight in dB over log f; where two stretches meet, the lower value holds.".into(),
        INDICATION.into(),
    ];
    if curve.kind == LevelKind::ExposureReference {
        table.notes.push(NOT_EXPOSURE.into());
    }
    table
}

/// Levels at frequencies.
pub fn level_values(levels: &[Listed]) -> Table {
    let columns = vec![
        Column::text("level"),
        Column::number("frequency", "kHz"),
        Column::number("level", ""),
        Column::number("RMS", ""),
    ];
    let mut table = Table::new("At the frequencies asked for", columns);
    for Listed { curve, values } in levels {
        for value in values {
            table.rows.push(vec![
                curve.name.clone(),
                format!("{}", value.frequency_hz / 1e3),
                value
                    .level_db
                    .map_or("none".into(), |db| format!("{db:.3} {}", curve.level_reference()).replace('-', "−")),
                value.value.map_or(String::new(), |value| engineering(value, curve.unit)),
            ]);
        }
    }
    table
}

/// The bands of a channel, then the whole range.
pub fn bands(channel: &ChannelBands) -> Table {
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

/// The bands of a channel over a long recording.
pub fn whole(channel: &WholeChannel) -> Table {
    let reference = channel.unit.level_reference();
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("RMS", ""),
        Column::number("level", reference.clone()),
        Column::number("highest", reference.clone()),
        Column::number("from", "h:min:s"),
        Column::number("lowest", reference),
        Column::number("from", "h:min:s"),
    ];
    let mut table = Table::new(heading(channel.role, &channel.name, "all intervals together"), columns);
    let level = |db: Option<f64>| decimal(db.unwrap_or(f64::NAN));
    let row = |whole: &Whole| {
        let band = Band::new(whole.mean.low_hz, whole.mean.high_hz).map_or_else(|_| String::new(), khz);
        vec![
            band,
            engineering(whole.mean.rms, channel.unit.symbol()),
            level(whole.mean.level_db),
            level(whole.highest_db),
            time_of(whole.highest_at_s),
            level(whole.lowest_db),
            time_of(whole.lowest_at_s),
        ]
    };
    table.rows = channel.bands.iter().chain([&channel.total]).map(row).collect();
    table.notes = vec!["The last row is the whole range.".into()];
    table
}

/// The level of the whole range in each interval, as many intervals as a screen takes.
pub fn over_time(capture: &OverTime) -> Table {
    const MOST_ROWS: usize = 48;
    let mut columns = vec![Column::number("from", "h:min:s"), Column::number("to", "h:min:s")];
    for channel in &capture.channels {
        columns.push(Column::number(channel.role.name(), channel.unit.level_reference()));
        columns.push(Column::number("95 % interval", channel.unit.level_reference()));
    }
    columns.push(Column::text(""));
    let mut table = Table::new("The whole range in each interval", columns);
    let row = |interval: &Interval| {
        let times = [time_of(interval.from_s), time_of(interval.to_s)];
        let levels = interval.channels.iter().flat_map(|channel| {
            let ends = channel
                .ci95_db
                .map_or("none".to_owned(), |[low, high]| format!("{} to {}", decimal(low), decimal(high)));
            [decimal(channel.total.level_db.unwrap_or(f64::NAN)), ends]
        });
        let limits: Vec<&str> = interval.warnings.iter().map(|limit| limit.code.as_str()).collect();
        times.into_iter().chain(levels).chain([limits.join(", ")]).collect()
    };
    table.rows = capture.intervals.iter().take(MOST_ROWS).map(row).collect();
    if capture.intervals.len() > MOST_ROWS {
        let more = capture.intervals.len() - MOST_ROWS;
        table.notes.push(format!("{more} more intervals are in the JSON document and the CSV file."));
    }
    table
}

/// The groups of a published method of a channel.
pub fn groups(channel: &ChannelBands, grouped: &ChannelGroups) -> Table {
    let reference = channel.unit.level_reference();
    let windows = grouped.groups.iter().any(|group| group.min_rms.is_some());
    // A single interval of a single window has no spread.
    let spread = windows || grouped.groups.iter().any(|group| group.lowest_interval_rms < group.highest_interval_rms);
    let mut columns =
        vec![Column::number("centre", "kHz"), Column::number("RMS", ""), Column::number("level", reference.clone())];
    if spread {
        let of = if windows { "window" } else { "interval" };
        columns.extend(["smallest", "largest"].map(|end| Column::number(format!("{end} {of}"), reference.clone())));
    }
    let long = grouped.groups.iter().any(|group| group.highest_long_rms.is_some());
    if long {
        columns.push(Column::number("largest 150/180 cycles", reference));
    }
    columns.push(Column::text(""));
    let mut table = Table::new(heading(channel.role, &channel.name, "groups"), columns);
    let row = |group: &GroupValue| {
        let (least, most) =
            group.min_rms.zip(group.max_rms).unwrap_or((group.lowest_interval_rms, group.highest_interval_rms));
        let mut cells = vec![
            format!("{}", group.centre_hz / 1e3),
            engineering(group.value.rms, channel.unit.symbol()),
            decimal(group.value.level_db.get()),
        ];
        if spread {
            cells.extend([level(least), level(most)]);
        }
        if long {
            cells.push(group.highest_long_rms.map_or(String::new(), level));
        }
        cells.push(floor_mark(group.value.near_floor));
        cells
    };
    table.rows = grouped.groups.iter().map(row).collect();
    table
}

/// How the bands of a channel move with the mains phase.
pub fn cycle(channel: &ChannelPhaseMap, reference: PhaseReference) -> Table {
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("level", channel.unit.level_reference()),
        Column::text("strongest"),
        Column::number("width", "°"),
        Column::number("over the mean", "dB"),
        Column::number("weakest below", "dB"),
        Column::number("follows the mains", ""),
    ];
    let mut table = Table::new(heading(channel.role, &channel.name, "where in the mains cycle"), columns);
    let row = |band: &BandInCycle| {
        vec![
            khz(band.band),
            decimal(band.level_db.get()),
            if stands_out(band) { where_in_cycle(band, reference) } else { "no phase stands out".into() },
            if stands_out(band) { format!("{:.0}", band.loud_width_deg) } else { String::new() },
            decimal(band.crest_db),
            band.dip_db.map_or("none".into(), decimal),
            band.lock_share.map_or("not known".into(), |locked| share(locked, None)),
        ]
    };
    table.rows = channel.bands.iter().chain([&channel.total]).map(row).collect();
    table.notes = vec!["The last row is the whole range.".into()];
    table
}

/// The highest readings of a receiver.
pub fn readings(channel: &ChannelReadings, analysis: &Reception, count: usize) -> Table {
    const SHOWN: [&str; 5] = ["peak", "quasi_peak", "rms_average", "average", "rms"];
    let shown: Vec<&Detector> = SHOWN.iter().filter_map(|name| Some(&DETECTORS[Detector::place(name)?])).collect();
    let reference = channel.unit.level_reference();
    let mut columns = vec![Column::number("frequency", "kHz")];
    columns.extend(shown.iter().map(|detector| Column::number(detector.words, reference.clone())));
    let held: Vec<&Against> = channel.against.iter().filter(|against| !against.points.is_empty()).collect();
    columns.extend(held.iter().map(|against| Column::number(format!("margin, {}", against.curve.name), "dB")));
    columns.push(Column::text(""));
    let (leading, _) = channel.leading();
    let title = format!("the highest readings by {}", leading.words);
    let mut table = Table::new(heading(channel.role, &channel.name, &title), columns);
    for place in channel.highest(count, analysis.bandwidth_hz) {
        let frequency = channel.frequency_hz[place];
        let mut row = vec![format!("{:.2}", frequency / 1e3)];
        row.extend(shown.iter().map(|detector| {
            channel.of(detector.name).map_or("not given".into(), |levels| decimal(levels[place].get()))
        }));
        row.extend(held.iter().map(|against| {
            let point = against.points.iter().find(|point| (point.frequency_hz - frequency).abs() < 1e-6);
            point.map_or(String::new(), |point| decimal(point.margin_db))
        }));
        let floor = channel.floor_db.as_ref().map(|floor| floor[place].get());
        let rms = channel.of("rms").map(|levels| levels[place].get());
        let at_floor = floor.zip(rms).is_some_and(|(floor, rms)| rms <= floor + 10.0 * 2f64.log10());
        let below = analysis.extension_below_hz.is_some_and(|low| frequency < low);
        let marks = [(below, "extension, no part of the band"), (at_floor, "at the floor")];
        row.push(marks.into_iter().filter(|(is, _)| *is).map(|(_, mark)| mark).collect::<Vec<_>>().join(", "));
        table.rows.push(row);
    }
    table.notes = sentences::of_reception(analysis);
    table.notes.extend(channel.reason.iter().map(|reason| format!("No quasi-peak: {reason}.")));
    table
}

/// What changed in a channel, band by band.
pub fn changes(channel: &ChannelComparison<BandChange>) -> Table {
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
    let is_beyond = |row: &&BandChange| row.verdict == Changed::NoChangeShown && row.smallest_shown_rms.is_none();
    let beyond = channel.bands.iter().chain([&channel.total]).filter(is_beyond).count();
    table.notes = comparison_notes(&observations).into_iter().chain(beyond_note(beyond)).collect();
    table
}

/// `, by at least 8.6 dB` where the quieter side may be the floor's.
fn at_least(row: &BandChange) -> String {
    let surely = row.ci95_db.map(|[low, high]| if high.is_finite() { -high } else { low });
    surely.filter(|_| row.at_least).map_or(String::new(), |db| format!(", by at least {db:.1} dB"))
}

/// What the filter changes of the load's own noise in a channel, where captures with the load off tell.
pub fn loads(channel: &ChannelComparison<BandChange>) -> Option<Table> {
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
        "What is on the line with the load off is taken off on both sides.".into(),
        "Each interval holds at 95 %; whether the load adds is judged at 5 % over the whole table.".into(),
    ];
    Some(table)
}

/// What a load adds in a channel, band by band.
pub fn additions(channel: &ChannelComparison<BandAddition>) -> Table {
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
    let is_beyond = |row: &&BandAddition| row.verdict == Added::NoDifferenceShown && row.smallest_shown_rms.is_none();
    let beyond = channel.bands.iter().chain([&channel.total]).filter(is_beyond).count();
    table.notes = comparison_notes(&observations).into_iter().chain(beyond_note(beyond)).collect();
    table
}

/// Rows in which no rise, however large, would be shown, and what helps.
fn beyond_note(rows: usize) -> Option<String> {
    (rows > 0).then(|| {
        format!(
            "In {rows} of the rows no rise, however large, would be shown in four cases of five, because so little hardly tells \
             how captures scatter. More captures of each state help (plan says how many)."
        )
    })
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
        "Each interval holds at 95 %; the verdicts of all rows together err in at most 5 % of tables.".into(),
    ]
}

/// What wire and air have in common, band by band.
pub fn coupling(capture: &Coupling) -> Table {
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("air", capture.air_unit.level_reference()),
        Column::number("coherence", ""),
        Column::number("explained by the wire", ""),
        Column::number("gain", "dB"),
        Column::number("95 % interval", "dB"),
        Column::number("phase", "°"),
        Column::number("delay", ""),
        Column::text("verdict"),
    ];
    let mut table = Table::new("Wire and air: what they have in common", columns);
    let row = |row: &BandCoupling| {
        vec![
            khz(row.band),
            level(row.air_rms),
            format!("{:.2}", row.coherence),
            match row.verdict {
                Coupled::NotShown => "none shown".into(),
                _ => share(row.coherent_share, row.share_ci95),
            },
            row.gain_db.map_or(String::new(), |db| change(Some(db), row.ci95_db)),
            row.ci95_db.map_or(String::new(), ends),
            row.phase_deg.map_or(String::new(), |degrees| format!("{:.0}", degrees.round() + 0.0).replace('-', "−")),
            row.group_delay_s.map_or(String::new(), |delay| engineering(delay, "s").replace('-', "−")),
            row.verdict.words().into(),
        ]
    };
    table.rows = capture.bands.iter().map(row).chain([row(&capture.total)]).collect();
    table.notes = vec![
        format!(
            "The last row is the whole range. Gain is {} in the air for each {} on the wire, over the coherent bins.",
            capture.air_unit.symbol(),
            capture.wire_unit.symbol()
        ),
        format!(
            "{} segments, worth {:.1} independent ones: unrelated noise exceeds a coherence of {:.3} in 5 % of bins, of \
             {:.3} anywhere in 5 % of captures.",
            capture.segments, capture.effective_segments, capture.significance_threshold, capture.family_threshold
        ),
        "The verdicts of all rows together err in at most 5 % of tables.".into(),
    ];
    table
}

/// What stands out in the air and is not explained by the wire.
pub fn ambient(capture: &Coupling) -> Table {
    let columns = vec![
        Column::number("frequency", "kHz"),
        Column::number("RMS", ""),
        Column::number("level", capture.air_unit.level_reference()),
        Column::number("stands out by", "dB"),
        Column::number("explained", "%"),
        Column::text(""),
    ];
    let mut table = Table::new("In the air, and not explained by the wire", columns);
    for line in &capture.ambient {
        let told = line.cannot_be_told.then_some("cannot be told (a steady tone)");
        table.rows.push(vec![
            format!("{:.2}", line.frequency_hz / 1e3),
            engineering(line.rms, capture.air_unit.symbol()),
            level(line.rms),
            decimal(line.prominence_db),
            format!("{:.0}", 100.0 * line.coherent_share),
            told.into_iter().chain(line.note).collect::<Vec<_>>().join("; "),
        ]);
    }
    table
}

/// What the wire explains of a change in the air, band by band.
pub fn causes(coupled: &CouplingChange) -> Table {
    let columns = vec![
        Column::number("band", "kHz"),
        Column::number("wire", "dB"),
        Column::number("air", "dB"),
        Column::number("95 % interval", "dB"),
        Column::number("explained", "dB"),
        Column::number("95 % interval", "dB"),
        Column::number("left", "dB"),
        Column::text("verdict"),
    ];
    let mut table = Table::new("Did the air change because the wire changed?", columns);
    let row = |row: &BandCause| {
        vec![
            khz(row.band),
            change(row.wire_change_db, row.wire_ci95_db),
            change(row.air_change_db, row.air_ci95_db),
            interval(row.air_ci95_db),
            row.explained_db.map_or(String::new(), |db| change(Some(db), row.explained_ci95_db)),
            row.explained_ci95_db.map_or(String::new(), ends),
            row.remaining_db.map_or(String::new(), |db| change(Some(db), row.remaining_ci95_db)),
            row.verdict.words().into(),
        ]
    };
    table.rows = coupled.bands.iter().map(row).chain([row(&coupled.total)]).collect();
    table.notes = vec![
        "The last row is the whole range. Explained: what the wire's change makes in the air by the coupling before; \
         left: the rest."
            .into(),
    ];
    table
}

/// The emissions of a channel, low to high.
pub fn emissions(channel: &ChannelEmissions) -> Table {
    let reference = channel.unit.level_reference();
    let columns = vec![
        Column::number("no.", ""),
        Column::number("frequency", "kHz"),
        Column::number("±", "Hz"),
        Column::number("level", reference.clone()),
        Column::number("95 % interval", reference),
        Column::number("over the floor", "dB"),
        Column::number("width", "Hz"),
        Column::text("family"),
        Column::number("swing with mains", ""),
        Column::text("shows"),
        Column::text("what"),
    ];
    let mut table = Table::new(heading(channel.role, &channel.name, "narrowband emissions"), columns);
    for row in &channel.emissions {
        let half = row.frequency_ci95_hz[1] - row.frequency_hz;
        let [low, high] = row.level_ci95_db.map(|level| decimal(level.get()));
        let family = row.family.zip(row.harmonic);
        table.rows.push(vec![
            row.number.to_string(),
            format!("{:.3}", row.frequency_hz / 1e3),
            if half < 0.995 { format!("{half:.2}") } else { format!("{half:.0}") },
            decimal(row.level_db.get()),
            format!("{low} to {high}"),
            decimal(row.prominence_db),
            format!("{:.0}", row.bandwidth_hz),
            family.map_or(String::new(), |(family, harmonic)| format!("{family}, {harmonic} ×")),
            row.mains_modulation.filter(|_| row.mains_locked).map_or(String::new(), |depth| format!("{depth:.2}")),
            row.whereabouts.map_or("", |place| place.words()).into(),
            row.note.clone(),
        ]);
    }
    if channel.emissions.is_empty() {
        table.notes.push("Nothing stands out of the floor as a line.".into());
    }
    table
}

/// What became of the emissions of a channel.
pub fn emission_changes(channel: &ChannelEmissionChange) -> Table {
    let reference = channel.unit.level_reference();
    let columns = vec![
        Column::number("before", "kHz"),
        Column::number("after", "kHz"),
        Column::number("before", reference.clone()),
        Column::number("after", reference),
        Column::number("change", "dB"),
        Column::number("95 % interval", "dB"),
        Column::text("verdict"),
        Column::text(""),
    ];
    let mut table = Table::new(heading(channel.role, "", "what became of the emissions"), columns);
    let frequency =
        |side: &Option<SideRow>| side.as_ref().map_or(String::new(), |s| format!("{:.3}", s.frequency_hz / 1e3));
    let level = |side: &Option<SideRow>| side.as_ref().map_or(String::new(), |s| decimal(s.level_db.get()));
    for row in &channel.emissions {
        table.rows.push(vec![
            frequency(&row.before),
            frequency(&row.after),
            level(&row.before),
            level(&row.after),
            row.change_db.map_or(String::new(), |db| change(Some(db), row.ci95_db)),
            row.ci95_db.map_or(String::new(), ends),
            row.verdict.words().into(),
            row.note.clone(),
        ]);
    }
    table.notes = vec![
        "The verdicts on levels err together in at most 5 % of tables. With fewer than three captures a side they rest on \
         the scatter within each capture, not between captures."
            .into(),
    ];
    table
}

/// The strongest impulses of a channel, in order of time.
pub fn transients(channel: &ChannelTransients) -> Table {
    const SHOWN: usize = 20;
    let unit = channel.unit.symbol();
    let columns = vec![
        Column::number("time", "s"),
        Column::number("phase", "°"),
        Column::number("peak", ""),
        Column::number("slew", ""),
        Column::number("ring", "kHz"),
        Column::number("decay", ""),
        Column::number("duration", ""),
        Column::number("energy", ""),
        Column::number("other channel", ""),
    ];
    let mut table = Table::new(heading(channel.role, &channel.name, "impulses"), columns);
    let mut shown: Vec<&EventRow> = channel.events.iter().collect();
    shown.sort_by(|a, b| b.peak.total_cmp(&a.peak));
    shown.truncate(SHOWN);
    shown.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    for event in &shown {
        table.rows.push(vec![
            format!("{:.6}", event.time_s),
            event.mains_phase_deg.map_or("none".into(), |degrees| format!("{degrees:.1}")),
            engineering(event.peak, unit),
            engineering(event.slew, &format!("{unit}/s")),
            event.ring_hz.map_or("none".into(), |hz| format!("{:.2}", hz / 1e3)),
            event.decay_s.map_or(String::new(), |s| engineering(s, "s")),
            engineering(event.duration_s, "s"),
            format!("{:.2e} {unit}²s", event.energy).replace('-', "−"),
            event.other_delay_s.map_or(String::new(), |s| engineering(s, "s").replace('-', "−")),
        ]);
    }
    if channel.count > shown.len() as u64 {
        table.notes.push(format!(
            "The {} strongest of {}; --json and -o FILE.csv give {}.",
            shown.len(),
            channel.count,
            channel.events.len()
        ));
    }
    table
        .notes
        .push("Peak, slew and energy are of the filtered samples; the ring is fitted through the filters.".into());
    table
}

/// What contributes to an uncertainty, and what it comes to.
pub fn budget(role: Role, what: &str, budget: &Budget) -> Table {
    let columns = vec![
        Column::text("contribution"),
        Column::text("type"),
        Column::text("distribution"),
        Column::number("standard uncertainty", budget.unit.clone()),
        Column::number("sensitivity", ""),
        Column::number("degrees of freedom", ""),
        Column::text(""),
    ];
    let degrees = |degrees: f64| if degrees < 1e6 { format!("{degrees:.1}") } else { "unlimited".into() };
    let mut table = Table::new(heading(role, "", what), columns);
    let row = |row: &Contribution| {
        vec![
            row.quantity.clone(),
            if row.evaluation == Evaluation::A { "A" } else { "B" }.into(),
            row.distribution.word().into(),
            format!("{:.3}", row.standard_uncertainty),
            format!("{:.2}", row.sensitivity).replace('-', "−"),
            degrees(row.degrees_of_freedom),
            if row.cancelled { "cancels: common to both sides".into() } else { String::new() },
        ]
    };
    table.rows = budget.rows.iter().map(row).collect();
    let unit = &budget.unit;
    table.notes = vec![format!(
        "Combined {:.3} {unit}, {} effective degrees of freedom; expanded ±{:.2} {unit} at {:.0} % (k = {:.2}).",
        budget.combined,
        degrees(budget.effective_degrees_of_freedom),
        budget.expanded,
        100.0 * budget.coverage,
        budget.coverage_factor
    )];
    table
}

/// The budgets of a comparison: of the difference in decibels, and of what is added where that was asked.
pub fn budgets<Row>(channel: &ChannelComparison<Row>, what: &str) -> Vec<Table> {
    let of_change = channel.budget.iter().map(|found| budget(channel.role, what, found));
    let of_added = channel
        .added_budget
        .iter()
        .map(|found| budget(channel.role, "uncertainty of the level of what is added", found));
    of_change.chain(of_added).collect()
}

/// The parts of a chain.
pub fn parts(chain: &ChannelChain) -> Table {
    let columns = vec![
        Column::text("part"),
        Column::text("kind"),
        Column::number("uncertainty", "dB"),
        Column::text("distribution"),
        Column::text("where it comes from"),
    ];
    let mut table =
        Table::new(heading(chain.role, &chain.about, "the parts, from the source to the recorder"), columns);
    for part in &chain.parts {
        let stated = part.uncertainty;
        table.rows.push(vec![
            part.name.clone(),
            part.kind.word().into(),
            stated.map_or("not stated".into(), |stated| match part.kind.table() {
                Some(table) if table.states_uncertainty() => "by its table".into(),
                _ => format!("{:.2}", stated.db),
            }),
            stated.map_or(String::new(), |stated| stated.distribution.word().into()),
            part.note.clone(),
        ]);
    }
    if chain.parts.iter().any(|part| part.kind.is_ideal()) {
        table.notes.push("An ideal part is a formula, not a measurement of the part at hand.".into());
    }
    if chain.parts.iter().any(|part| part.uncertainty.is_none()) {
        table.notes.push("A part whose uncertainty is not stated counts in no budget.".into());
    }
    table
}

/// The total correction of a chain.
pub fn corrections(chain: &ChannelChain) -> Table {
    let columns = vec![
        Column::number("frequency", "kHz"),
        Column::number("correction", crate::report::sentences::correction_unit(chain.unit)),
        Column::number("phase", "°"),
        Column::number("standard uncertainty", "dB"),
    ];
    let mut table = Table::new(heading(chain.role, "", "the total correction"), columns);
    let written = |value: Option<f64>, decimals: usize| {
        value.map_or("not known".into(), |value| format!("{value:.decimals$}").replace('-', "−"))
    };
    for row in &chain.corrections {
        table.rows.push(vec![
            format!("{}", row.frequency_hz / 1e3),
            written(row.correction_db, 2),
            written(row.phase_deg, 1),
            written(row.standard_uncertainty_db, 2),
        ]);
    }
    table
}

/// The ranking of a batch, role by role; failed captures last.
pub fn ranking(batch: &Batch) -> Vec<Table> {
    let mut tables = Vec::new();
    for role in [Role::Wire, Role::Air] {
        let ranked: Vec<_> = batch.ranking.iter().filter(|rank| rank.role == role).collect();
        if ranked.is_empty() {
            continue;
        }
        let channels = || {
            let rows = batch.captures.iter();
            rows.flat_map(|row| row.channels.iter().map(move |channel| (row.path.as_str(), channel)))
                .filter(|(_, channel)| channel.role == role)
        };
        let by_path: HashMap<&str, &BatchChannel> = channels().collect();
        let unit = channels().next().map(|(_, channel)| channel.unit.clone()).unwrap_or(Quantity::Unknown);
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
        for rank in ranked.iter().take(MOST_RANKED) {
            let channel = by_path.get(rank.path.as_str());
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
        table.notes = and_more(ranked.len());
        table.notes.push("Captures that share a rank cannot be told apart: their intervals overlap.".into());
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
        for row in failed.iter().take(MOST_RANKED) {
            let why = row.error.as_deref().and_then(|error| error.lines().next()).unwrap_or_default();
            let why = why.strip_prefix(&format!("{}: ", row.path)).unwrap_or(why);
            table.rows.push(vec![row.path.clone(), why.to_owned()]);
        }
        table.notes = and_more(failed.len());
        tables.push(table);
    }
    tables
}

/// The highest captures of a campaign on one channel.
pub fn leaders<'a>(role: Role, unit: &str, ranks: impl Iterator<Item = &'a Rank>) -> Table {
    let columns = vec![
        Column::number("rank", ""),
        Column::text("capture"),
        Column::number("level", Quantity::Unit(unit.to_owned()).level_reference()),
        Column::number("95 % interval", "dB"),
        Column::text(""),
    ];
    let mut table = Table::new(heading(role, "", "ranked by the total in the range"), columns);
    let mut all = 0;
    for rank in ranks {
        all += 1;
        if all > MOST_LEADERS {
            continue;
        }
        let mark = [(rank.tied, "tie"), (rank.mostly_floor, "mostly the floor")];
        table.rows.push(vec![
            rank.rank.to_string(),
            rank.path.clone(),
            decimal(rank.total_db),
            rank.ci95_db.map_or("none".into(), |[low, high]| format!("{} to {}", decimal(low), decimal(high))),
            mark.into_iter().filter(|(is, _)| *is).map(|(_, word)| word).collect::<Vec<_>>().join(", "),
        ]);
    }
    if all > MOST_LEADERS {
        table.notes = vec![format!("and {} more in the rows", all - MOST_LEADERS)];
    }
    table
}

/// What a table that is cut says.
fn and_more(count: usize) -> Vec<String> {
    let more = count.saturating_sub(MOST_RANKED);
    if more == 0 { Vec::new() } else { vec![format!("and {more} more; --json and -o hold all")] }
}

/// What is built into the invented survey.
pub fn built_in(rows: &[BuiltIn]) -> Table {
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
pub fn found(rows: &[Found]) -> Table {
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
            match row.truth.wander {
                _ if nothing => "nothing".into(),
                wander if wander > 0.0 => format!("{:.2} ± {:.2} kHz", row.truth.value / 1e3, wander / 1e3),
                _ => value(row.truth.value),
            },
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

/// The program and the machine.
pub fn installation(installation: &Installation) -> Table {
    let mut table = Table::new("Installation", vec![Column::text("what"), Column::text("found")]);
    let memory =
        installation.memory_bytes.map_or("not known".to_owned(), |bytes| format!("{:.1} GB", bytes as f64 / 1e9));
    let writable = if installation.folder_can_be_written { "can be written" } else { "cannot be written" };
    let rows = [
        ("version", installation.version.to_owned()),
        ("system", format!("{}, {}", installation.system, installation.processor)),
        ("built with", installation.features.join(", ")),
        ("threads", installation.threads.to_string()),
        ("memory", memory),
        ("fonts", format!("in the program; a test picture has {} bytes", installation.picture_bytes)),
        ("folder", format!("{}: {writable}", installation.folder)),
    ];
    table.rows = rows.into_iter().map(|(what, found)| vec![what.to_owned(), found]).collect();
    table
}

/// Known signals beside what came out.
pub fn self_test(checks: &[Check]) -> Table {
    let columns = vec![
        Column::text("known signal"),
        Column::number("must be", "dB"),
        Column::number("found", "dB"),
        Column::number("error", "dB"),
        Column::number("allowed", "dB"),
        Column::text("verdict"),
    ];
    let mut table = Table::new("Self-test", columns);
    let row = |check: &Check| {
        vec![
            check.what.to_owned(),
            format!("{:.3}", check.expected),
            format!("{:.3}", check.found),
            format!("{:+.3}", check.found - check.expected),
            format!("±{:.2}", check.allowed),
            if check.passed { "as it must be" } else { "wrong" }.to_owned(),
        ]
    };
    table.rows = checks.iter().map(row).collect();
    table
}
