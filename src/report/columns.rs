//! Results as columns of a CSV file: one row a value, plain headers, numbers in full precision.

use std::collections::HashMap;

use crate::analysis::bands::CaptureBands;
use crate::analysis::batch::Batch;
use crate::analysis::compare::Comparison;
use crate::analysis::coupling::{Coupling, CouplingChange};
use crate::analysis::emissions::{CaptureEmissions, EmissionComparison};
use crate::analysis::inspect::Inspection;
use crate::analysis::levels::Listed;
use crate::analysis::over_time::OverTime;
use crate::analysis::phase_map::CapturePhaseMap;
use crate::analysis::receiver::{CaptureReadings, CourseLevels};
use crate::analysis::setup::ChannelChain;
use crate::analysis::spectrum::CaptureSpectrum;
use crate::analysis::transients::CaptureTransients;
use crate::analysis::waveform::CaptureWaveform;
use crate::capture::{Quantity, Role};
use crate::compare::added::BandAddition;
use crate::compare::before_after::BandChange;
use crate::compare::coupling::Verdict;
use crate::compare::ranking::Rank;
use crate::error::Error;
use crate::survey::studio::check::Found;
use crate::uncertainty::budget::Budget;
use crate::units::Level;

/// The header of each command's file; by it a command knows a file that it made.
const HEADERS: &[(&str, &[&str])] = &[
    ("plan", &["what", "value", "unit"]),
    (
        "calibrate",
        &[
            "part",
            "channel",
            "frequency_hz",
            "value",
            "unit",
            "expanded_uncertainty",
            "phase_deg",
            "level_v",
            "capture",
        ],
    ),
    (
        "mitigate",
        &[
            "row",
            "frequency_hz",
            "loss_db",
            "loss_low_db",
            "loss_high_db",
            "low_hz",
            "high_hz",
            "unit",
            "before_rms",
            "predicted_rms",
            "predicted_change_db",
            "predicted_low_db",
            "predicted_high_db",
            "after_rms",
            "change_db",
            "ci95_low_db",
            "ci95_high_db",
            "agreement",
        ],
    ),
    (
        "response",
        &[
            "fixed",
            "value",
            "readings",
            "points",
            "slope",
            "slope_low",
            "slope_high",
            "intercept",
            "intercept_low",
            "intercept_high",
            "r_squared",
            "residual_deviation",
            "lack_of_fit_probability",
            "linear_up_to",
            "linear_up_to_low",
            "linear_up_to_high",
            "linear_through",
        ],
    ),
    (
        "inspect",
        &[
            "path",
            "fitness",
            "summary",
            "sample_rate_hz",
            "samples",
            "duration_s",
            "channel",
            "role",
            "unit",
            "min",
            "max",
            "mean",
            "rms",
            "resolution",
            "clipped_fraction",
        ],
    ),
    ("waveform", &["path", "channel", "role", "unit", "time_s", "min", "max", "settled_min", "settled_max"]),
    (
        "spectrum",
        &["path", "channel", "role", "unit", "frequency_hz", "psd", "rms", "level_db", "max_level_db", "min_level_db"],
    ),
    (
        "bands",
        &[
            "path",
            "channel",
            "role",
            "unit",
            "low_hz",
            "high_hz",
            "rms",
            "level_db",
            "floor_rms",
            "near_floor",
            "whole_range",
        ],
    ),
    (
        "groups",
        &[
            "path",
            "channel",
            "role",
            "unit",
            "grouping",
            "centre_hz",
            "low_hz",
            "high_hz",
            "rms",
            "level_db",
            "min_rms",
            "max_rms",
            "lowest_interval_rms",
            "highest_interval_rms",
            "highest_long_rms",
            "floor_rms",
            "near_floor",
        ],
    ),
    ("phase-map", &["path", "channel", "role", "unit", "phase_deg", "frequency_hz", "level_db", "mean_level_db"]),
    (
        "compare",
        &[
            "role",
            "unit",
            "low_hz",
            "high_hz",
            "before_rms",
            "after_rms",
            "change_db",
            "ci95_low_db",
            "ci95_high_db",
            "verdict",
            "smallest_shown_db",
            "near_floor",
            "load_before_rms",
            "load_after_rms",
            "load_change_db",
            "load_ci95_low_db",
            "load_ci95_high_db",
            "whole_range",
        ],
    ),
    (
        "added",
        &[
            "role",
            "unit",
            "low_hz",
            "high_hz",
            "off_rms",
            "on_rms",
            "added_rms",
            "added_ci95_low_rms",
            "added_ci95_high_rms",
            "rise_db",
            "ci95_low_db",
            "ci95_high_db",
            "verdict",
            "smallest_shown_rms",
            "near_floor",
            "whole_range",
        ],
    ),
    (
        "coupling",
        &[
            "part",
            "path",
            "low_hz",
            "high_hz",
            "coherence",
            "coherent_share",
            "share_ci95_low",
            "share_ci95_high",
            "gain_db",
            "ci95_low_db",
            "ci95_high_db",
            "phase_deg",
            "wire_change_db",
            "air_change_db",
            "explained_db",
            "explained_ci95_low_db",
            "explained_ci95_high_db",
            "remaining_db",
            "level_db",
            "verdict",
        ],
    ),
    (
        "receiver",
        &[
            "path",
            "channel",
            "role",
            "unit",
            "frequency_hz",
            "peak_db",
            "quasi_peak_db",
            "average_db",
            "rms_average_db",
            "rms_db",
            "mean_db",
            "min_db",
            "floor_db",
            "extension",
            "repeated",
        ],
    ),
    (
        "course",
        &[
            "path",
            "channel",
            "role",
            "unit",
            "frequency_hz",
            "time_s",
            "envelope_db",
            "quasi_peak_db",
            "average_db",
            "repeated",
        ],
    ),
    (
        "over_time",
        &[
            "path",
            "channel",
            "role",
            "unit",
            "interval",
            "from_s",
            "to_s",
            "segments",
            "low_hz",
            "high_hz",
            "rms",
            "level_db",
            "level_low_db",
            "level_high_db",
            "whole_range",
        ],
    ),
    (
        "batch",
        &[
            "path",
            "status",
            "error",
            "role",
            "unit",
            "low_hz",
            "high_hz",
            "rms",
            "level_db",
            "ci95_low_db",
            "ci95_high_db",
            "near_floor",
            "rank",
            "tied",
            "whole_range",
        ],
    ),
    (
        "emissions",
        &[
            "path",
            "channel",
            "role",
            "unit",
            "number",
            "frequency_hz",
            "frequency_ci95_low_hz",
            "frequency_ci95_high_hz",
            "level_db",
            "level_ci95_low_db",
            "level_ci95_high_db",
            "rms",
            "prominence_db",
            "bandwidth_hz",
            "resolution_hz",
            "family",
            "harmonic",
            "manner",
            "drift_hz",
            "mains_modulation",
            "mains_locked",
            "whereabouts",
            "signalling_band",
            "after_frequency_hz",
            "after_level_db",
            "change_db",
            "change_ci95_low_db",
            "change_ci95_high_db",
            "verdict",
            "note",
        ],
    ),
    (
        "transients",
        &[
            "path",
            "channel",
            "role",
            "unit",
            "time_s",
            "peak",
            "slew",
            "ring_hz",
            "decay_s",
            "ring_amplitude",
            "ring_share",
            "duration_s",
            "energy",
            "mains_phase_deg",
            "other_delay_s",
        ],
    ),
    (
        "levels",
        &[
            "name",
            "document",
            "edition",
            "kind",
            "detector",
            "bandwidth_hz",
            "unit",
            "port",
            "confidence",
            "frequency_hz",
            "level_db",
            "value",
        ],
    ),
    ("setup", &["role", "unit", "frequency_hz", "correction_db", "phase_deg", "standard_uncertainty_db"]),
    (
        "budget",
        &[
            "path",
            "role",
            "result",
            "contribution",
            "evaluation",
            "distribution",
            "standard_uncertainty_db",
            "sensitivity",
            "degrees_of_freedom",
            "cancelled",
        ],
    ),
    (
        "demo",
        &[
            "what",
            "load",
            "role",
            "low_hz",
            "high_hz",
            "unit",
            "built_in",
            "found",
            "interval_low",
            "interval_high",
            "agrees",
        ],
    ),
];

/// The header line of a command's CSV file, without line break.
pub fn header_of(command: &str) -> Option<String> {
    HEADERS.iter().find(|(name, _)| *name == command).map(|(_, header)| header.join(","))
}

/// Rows under a command's header.
pub(super) struct Columns {
    writer: csv::Writer<Vec<u8>>,
}

impl Columns {
    pub(super) fn of(command: &str) -> Result<Self, Error> {
        let header = HEADERS.iter().find(|(name, _)| *name == command).map(|(_, header)| *header).unwrap_or_default();
        let mut columns = Self { writer: csv::Writer::from_writer(Vec::new()) };
        columns.row(header.iter().map(|name| (*name).to_owned()))?;
        Ok(columns)
    }

    pub(super) fn row(&mut self, cells: impl IntoIterator<Item = String>) -> Result<(), Error> {
        self.writer.write_record(cells).map_err(|e| Error::output(format!("a row cannot be written: {e}")))
    }

    pub(super) fn finish(self) -> Result<Vec<u8>, Error> {
        self.writer.into_inner().map_err(|e| Error::output(format!("the rows cannot be written: {e}")))
    }
}

/// A number in the fewest digits that read back to the same; empty where there is none.
pub(super) fn number(value: impl Into<Option<f64>>) -> String {
    value.into().filter(|value| value.is_finite()).map(|value| value.to_string()).unwrap_or_default()
}

fn head(path: &str, channel: &str, role: Role, unit: &Quantity) -> [String; 4] {
    [path.to_owned(), channel.to_owned(), role.name().to_owned(), unit.symbol().to_owned()]
}

/// The channels of inspected captures.
///
/// # Errors
/// None but for a lack of memory.
pub fn inspections(captures: &[Inspection]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("inspect")?;
    for capture in captures {
        for channel in &capture.channels {
            columns.row([
                capture.input.path.clone(),
                capture.fitness.words().to_owned(),
                capture.summary.clone(),
                number(capture.sample_rate_hz),
                capture.samples.to_string(),
                number(capture.duration_s),
                channel.name.clone(),
                channel.role.name().to_owned(),
                channel.unit.symbol().to_owned(),
                number(channel.min),
                number(channel.max),
                number(channel.mean),
                number(channel.rms),
                number(channel.resolution),
                number(channel.clipped_fraction),
            ])?;
        }
    }
    columns.finish()
}

/// Waveforms column by column of the picture.
///
/// # Errors
/// None but for a lack of memory.
pub fn waveforms(captures: &[CaptureWaveform]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("waveform")?;
    for capture in captures {
        for channel in &capture.channels {
            let settled = |values: &[f64], k: usize| number(values.get(k).copied());
            for k in 0..channel.min.len() {
                let time = capture.start_s + k as f64 * capture.column_s;
                columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain([
                    number(time),
                    number(channel.min[k]),
                    number(channel.max[k]),
                    settled(&channel.settled_min, k),
                    settled(&channel.settled_max, k),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// Spectra bin by bin.
///
/// # Errors
/// None but for a lack of memory.
pub fn spectra(captures: &[CaptureSpectrum]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("spectrum")?;
    for capture in captures {
        for channel in &capture.channels {
            for k in 0..channel.frequency_hz.len() {
                columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain([
                    number(channel.frequency_hz[k]),
                    number(channel.psd[k]),
                    number(channel.rms[k]),
                    number(channel.level_db[k].get()),
                    number(channel.max_level_db[k].get()),
                    number(channel.min_level_db[k].get()),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// Emissions, one row each.
///
/// # Errors
/// None but for a lack of memory.
pub fn emissions(captures: &[CaptureEmissions]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("emissions")?;
    for capture in captures {
        for channel in &capture.channels {
            for row in &channel.emissions {
                columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain([
                    row.number.to_string(),
                    number(row.frequency_hz),
                    number(row.frequency_ci95_hz[0]),
                    number(row.frequency_ci95_hz[1]),
                    number(row.level_db.get()),
                    number(row.level_ci95_db[0].get()),
                    number(row.level_ci95_db[1].get()),
                    number(row.rms),
                    number(row.prominence_db),
                    number(row.bandwidth_hz),
                    number(row.resolution_hz),
                    row.family.map(|n| n.to_string()).unwrap_or_default(),
                    row.harmonic.map(|n| n.to_string()).unwrap_or_default(),
                    row.manner.word().to_owned(),
                    number(row.drift_hz),
                    number(row.mains_modulation),
                    row.mains_locked.to_string(),
                    row.whereabouts.map(|place| place.words().to_owned()).unwrap_or_default(),
                    row.signalling_band.unwrap_or_default().to_owned(),
                    String::new(),
                    String::new(),
                    String::new(),
                    String::new(),
                    String::new(),
                    String::new(),
                    row.note.clone(),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// What became of emissions, one row each; the columns of a single capture that do not apply stay empty.
///
/// # Errors
/// None but for a lack of memory.
pub fn emission_changes(comparison: &EmissionComparison) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("emissions")?;
    for channel in &comparison.channels {
        for (index, row) in channel.emissions.iter().enumerate() {
            let before = row.before.as_ref();
            let after = row.after.as_ref();
            let [low, high] = ends(row.ci95_db);
            let [path, name, role, unit] = head("", "", channel.role, &channel.unit);
            let gap = || String::new();
            columns.row([
                path,
                name,
                role,
                unit,
                (index + 1).to_string(),
                number(before.map(|side| side.frequency_hz)),
                gap(),
                gap(),
                number(before.map(|side| side.level_db.get())),
                gap(),
                gap(),
                number(before.map(|side| side.rms)),
                gap(),
                gap(),
                gap(),
                gap(),
                gap(),
                before.or(after).map(|side| side.manner.word().to_owned()).unwrap_or_default(),
                gap(),
                gap(),
                gap(),
                gap(),
                gap(),
                number(after.map(|side| side.frequency_hz)),
                number(after.map(|side| side.level_db.get())),
                number(row.change_db),
                low,
                high,
                row.verdict.words().to_owned(),
                row.note.clone(),
            ])?;
        }
    }
    columns.finish()
}

/// Levels at the frequencies asked for, or else at the ends of their stretches; where two meet there are two rows.
///
/// # Errors
/// None but for a lack of memory.
pub fn levels(levels: &[Listed]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("levels")?;
    for level in levels {
        let curve = &level.curve;
        let ends = curve.segments.iter().flat_map(|segment| {
            let (low, high) = segment.ends_db();
            [(segment.low_hz, Some(low)), (segment.high_hz, Some(high))]
        });
        let values: Vec<(f64, Option<f64>)> = match level.values.as_slice() {
            [] => ends.collect(),
            asked => asked.iter().map(|value| (value.frequency_hz, value.level_db)).collect(),
        };
        for (frequency, db) in values {
            columns.row([
                curve.name.clone(),
                curve.document.clone(),
                curve.edition.clone(),
                curve.kind.word().to_owned(),
                curve.detector.word().to_owned(),
                number(curve.bandwidth_hz),
                curve.unit.to_owned(),
                curve.port.word().to_owned(),
                curve.confidence.word().to_owned(),
                number(frequency),
                number(db),
                number(db.map(|db| 1e-6 * 10f64.powf(db / 20.0))),
            ])?;
        }
    }
    columns.finish()
}

/// Impulses, one row each.
///
/// # Errors
/// None but for a lack of memory.
pub fn transients(captures: &[CaptureTransients]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("transients")?;
    for capture in captures {
        for channel in &capture.channels {
            for event in &channel.events {
                columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain([
                    number(event.time_s),
                    number(event.peak),
                    number(event.slew),
                    number(event.ring_hz),
                    number(event.decay_s),
                    number(event.ring_amplitude),
                    number(event.ring_share),
                    number(event.duration_s),
                    number(event.energy),
                    number(event.mains_phase_deg),
                    number(event.other_delay_s),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// The total correction of each chain, closely spaced.
///
/// # Errors
/// None but for a lack of memory.
pub fn chains(chains: &[ChannelChain]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("setup")?;
    for chain in chains {
        for row in &chain.curve {
            columns.row([
                chain.role.name().to_owned(),
                chain.unit.to_owned(),
                number(row.frequency_hz),
                number(row.correction_db),
                number(row.phase_deg),
                number(row.standard_uncertainty_db),
            ])?;
        }
    }
    columns.finish()
}

/// The budgets of the totals of every channel.
///
/// # Errors
/// None but for a lack of memory.
pub fn band_budgets(captures: &[CaptureBands]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("budget")?;
    for capture in captures {
        for channel in &capture.channels {
            budget_rows(&mut columns, [&capture.path, channel.role.name(), "level"], channel.budget.as_ref())?;
        }
    }
    columns.finish()
}

/// The budgets of the differences of every channel.
///
/// # Errors
/// None but for a lack of memory.
pub fn comparison_budgets<Row>(comparison: &Comparison<Row>) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("budget")?;
    for channel in &comparison.channels {
        budget_rows(&mut columns, ["", channel.role.name(), "change"], channel.budget.as_ref())?;
        budget_rows(&mut columns, ["", channel.role.name(), "added"], channel.added_budget.as_ref())?;
    }
    columns.finish()
}

/// The readings of a receiver, frequency by frequency.
///
/// # Errors
/// None but for a lack of memory.
pub fn readings(captures: &[CaptureReadings]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("receiver")?;
    for capture in captures {
        let analysis = &capture.analysis;
        for channel in &capture.channels {
            for (k, &frequency) in channel.frequency_hz.iter().enumerate() {
                let level = |levels: Option<&Vec<Level>>| number(levels.map(|levels| levels[k].get()));
                let below = analysis.extension_below_hz.is_some_and(|low| frequency < low);
                let place = head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter();
                let rows = channel.levels.iter().map(|row| level(row.as_ref()));
                columns.row(place.chain([number(frequency)]).chain(rows).chain([
                    level(channel.floor_db.as_ref()),
                    below.to_string(),
                    analysis.repeated.is_some().to_string(),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// The course of time of a receiver at one frequency.
///
/// # Errors
/// None but for a lack of memory.
pub fn courses(captures: &[CaptureReadings]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("course")?;
    for capture in captures {
        for channel in &capture.channels {
            let Some(course) = channel.course.as_ref().map(CourseLevels::of) else { continue };
            for (k, &time) in course.time_s.iter().enumerate() {
                columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain([
                    number(course.frequency_hz),
                    number(time),
                    number(course.envelope_db[k].get()),
                    number(course.quasi_peak_db[k].get()),
                    number(course.average_db[k].get()),
                    capture.analysis.repeated.is_some().to_string(),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// The budgets of the highest reading of every channel.
///
/// # Errors
/// None but for a lack of memory.
pub fn receiver_budgets(captures: &[CaptureReadings]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("budget")?;
    for capture in captures {
        for channel in &capture.channels {
            budget_rows(&mut columns, [&capture.path, channel.role.name(), "reading"], channel.budget.as_ref())?;
        }
    }
    columns.finish()
}

/// The contributions, then what they come to: the combined and the expanded uncertainty.
fn budget_rows(columns: &mut Columns, place: [&str; 3], budget: Option<&Budget>) -> Result<(), Error> {
    let Some(budget) = budget else { return Ok(()) };
    let place = || place.into_iter().map(str::to_owned);
    for row in &budget.rows {
        columns.row(place().chain([
            row.quantity.clone(),
            format!("{:?}", row.evaluation),
            row.distribution.word().to_owned(),
            number(row.standard_uncertainty),
            number(row.sensitivity),
            number(row.degrees_of_freedom),
            row.cancelled.to_string(),
        ]))?;
    }
    let degrees = number(budget.effective_degrees_of_freedom);
    for (name, value) in [("combined", budget.combined), ("expanded, 95 %", budget.expanded)] {
        let cells = [name.to_owned(), String::new(), String::new(), number(value), String::new(), degrees.clone()];
        columns.row(place().chain(cells).chain([String::new()]))?;
    }
    Ok(())
}

/// Bands, then the whole range, of every channel.
///
/// # Errors
/// None but for a lack of memory.
pub fn bands(captures: &[CaptureBands]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("bands")?;
    for capture in captures {
        for channel in &capture.channels {
            let rows = channel.bands.iter().map(|band| (band, false)).chain([(&channel.total, true)]);
            for (value, whole) in rows {
                columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain([
                    number(value.band.low()),
                    number(value.band.high()),
                    number(value.rms),
                    number(value.level_db.get()),
                    number(value.floor_rms),
                    value.near_floor.to_string(),
                    whole.to_string(),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// The bands of every interval of a long recording, then the whole range, of every channel.
///
/// # Errors
/// None but for a lack of memory.
pub fn over_time(captures: &[OverTime]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("over_time")?;
    for capture in captures {
        for interval in &capture.intervals {
            for channel in &interval.channels {
                let rows = channel.bands.iter().map(|band| (band, None, false));
                for (value, ends, whole) in rows.chain([(&channel.total, channel.ci95_db, true)]) {
                    let place = head(&capture.identity.path, &channel.name, channel.role, &channel.unit);
                    columns.row(place.into_iter().chain([
                        interval.number.to_string(),
                        number(interval.from_s),
                        number(interval.to_s),
                        interval.segments.to_string(),
                        number(value.low_hz),
                        number(value.high_hz),
                        number(value.rms),
                        number(value.level_db),
                        number(ends.map(|[low, _]| low)),
                        number(ends.map(|[_, high]| high)),
                        whole.to_string(),
                    ]))?;
                }
            }
        }
    }
    columns.finish()
}

/// The groups of a published method, of every channel.
///
/// # Errors
/// None but for a lack of memory.
pub fn groups(captures: &[CaptureBands]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("groups")?;
    for capture in captures {
        let name = capture.grouping.map_or("", |formed| formed.grouping.name());
        for channel in &capture.channels {
            for group in channel.grouped.iter().flat_map(|grouped| &grouped.groups) {
                let value = &group.value;
                columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain([
                    name.to_owned(),
                    number(group.centre_hz),
                    number(value.band.low()),
                    number(value.band.high()),
                    number(value.rms),
                    number(value.level_db.get()),
                    number(group.min_rms),
                    number(group.max_rms),
                    number(group.lowest_interval_rms),
                    number(group.highest_interval_rms),
                    number(group.highest_long_rms),
                    number(value.floor_rms),
                    value.near_floor.to_string(),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// Levels by mains phase and frequency, of every channel.
///
/// # Errors
/// None but for a lack of memory.
pub fn phase_maps(captures: &[CapturePhaseMap]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("phase-map")?;
    for capture in captures {
        for channel in &capture.channels {
            for (phase, levels) in capture.phase_deg.iter().zip(&channel.map_level_db) {
                for (k, frequency) in capture.frequency_hz.iter().enumerate() {
                    columns.row(head(&capture.path, &channel.name, channel.role, &channel.unit).into_iter().chain(
                        [
                            number(*phase),
                            number(*frequency),
                            number(levels[k].get()),
                            number(channel.mean_level_db[k].get()),
                        ],
                    ))?;
                }
            }
        }
    }
    columns.finish()
}

fn ends(interval: Option<[f64; 2]>) -> [String; 2] {
    [number(interval.map(|i| i[0])), number(interval.map(|i| i[1]))]
}

/// A before/after comparison.
///
/// # Errors
/// None but for a lack of memory.
pub fn changes(comparison: &Comparison<BandChange>) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("compare")?;
    for channel in &comparison.channels {
        let load = |place: usize| {
            let load = channel.load.as_ref()?;
            Some(load.bands.get(place).unwrap_or(&load.total))
        };
        let rows = channel.bands.iter().map(|row| (row, false)).chain([(&channel.total, true)]);
        for (place, (row, whole)) in rows.enumerate() {
            let [low, high] = ends(row.ci95_db);
            let load = load(place);
            let [load_low, load_high] = ends(load.and_then(|load| load.ci95_db));
            columns.row([
                channel.role.name().to_owned(),
                channel.unit.symbol().to_owned(),
                number(row.band.low()),
                number(row.band.high()),
                number(row.before_rms),
                number(row.after_rms),
                number(row.change_db),
                low,
                high,
                row.verdict.words().to_owned(),
                number(row.smallest_shown_db),
                row.near_floor.to_string(),
                number(load.and_then(|load| load.before.added_rms)),
                number(load.and_then(|load| load.after.added_rms)),
                number(load.and_then(|load| load.change_db)),
                load_low,
                load_high,
                whole.to_string(),
            ])?;
        }
    }
    columns.finish()
}

/// What a load adds.
///
/// # Errors
/// None but for a lack of memory.
pub fn additions(comparison: &Comparison<BandAddition>) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("added")?;
    for channel in &comparison.channels {
        for (row, whole) in channel.bands.iter().map(|row| (row, false)).chain([(&channel.total, true)]) {
            let [added_low, added_high] = ends(row.added_ci95_rms);
            let [low, high] = ends(row.ci95_db);
            columns.row([
                channel.role.name().to_owned(),
                channel.unit.symbol().to_owned(),
                number(row.band.low()),
                number(row.band.high()),
                number(row.off_rms),
                number(row.on_rms),
                number(row.added_rms),
                added_low,
                added_high,
                number(row.rise_db),
                low,
                high,
                row.verdict.words().to_owned(),
                number(row.smallest_shown_rms),
                row.near_floor.to_string(),
                whole.to_string(),
            ])?;
        }
    }
    columns.finish()
}

/// The rows of a coupling: `band` and `total` for bands, `bin` for bins, `ambient` for lines that stand out in the air.
fn coupling_rows(columns: &mut Columns, capture: &Coupling) -> Result<(), Error> {
    const CHANGES: [(); 6] = [(); 6];
    let no_change = || CHANGES.map(|()| String::new());
    let path = capture.paths.join(" ");
    for (row, part) in capture.bands.iter().map(|row| (row, "band")).chain([(&capture.total, "total")]) {
        let ([share_low, share_high], [low, high]) = (ends(row.share_ci95), ends(row.ci95_db));
        let level = Level::of_rms(row.air_rms).get();
        columns.row(
            [
                part.to_owned(),
                path.clone(),
                number(row.band.low()),
                number(row.band.high()),
                number(row.coherence),
                number(row.coherent_share),
                share_low,
                share_high,
                number(row.gain_db),
                low,
                high,
                number(row.phase_deg),
            ]
            .into_iter()
            .chain(no_change())
            .chain([number(level), row.verdict.words().to_owned()]),
        )?;
    }
    for line in &capture.ambient {
        let verdict = if line.cannot_be_told { Verdict::SteadyTone } else { Verdict::NotShown };
        let mut cells = vec!["ambient".to_owned(), path.clone(), number(line.frequency_hz), number(line.frequency_hz)];
        cells.extend([String::new(), number(line.coherent_share)]);
        cells.extend(std::iter::repeat_n(String::new(), 12));
        cells.extend([number(Level::of_rms(line.rms).get()), verdict.words().to_owned()]);
        columns.row(cells)?;
    }
    for k in 0..capture.frequency_hz.len() {
        let error_db = 20.0 / std::f64::consts::LN_10 * 1.96 * capture.random_error[k];
        let verdict = match (capture.coherent[k], capture.steady[k]) {
            (true, _) => Verdict::Coherent,
            (false, true) => Verdict::SteadyTone,
            (false, false) => Verdict::NotShown,
        };
        let mut cells = vec!["bin".to_owned(), path.clone()];
        cells.extend([number(capture.frequency_hz[k]), number(capture.frequency_hz[k])]);
        cells.extend([number(capture.coherence[k]), String::new(), String::new(), String::new()]);
        cells.extend([number(capture.gain_db[k]), number(capture.gain_db[k] - error_db)]);
        cells.extend([number(capture.gain_db[k] + error_db), number(capture.phase_deg[k])]);
        cells.extend(no_change());
        cells.extend([number(capture.air_level_db[k].get()), verdict.words().to_owned()]);
        columns.row(cells)?;
    }
    Ok(())
}

/// Couplings: bands, the whole range, ambient lines, bins.
///
/// # Errors
/// None but for a lack of memory.
pub fn couplings(captures: &[Coupling]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("coupling")?;
    captures.iter().try_for_each(|capture| coupling_rows(&mut columns, capture))?;
    columns.finish()
}

/// What the wire explains of a change in the air: bands and the whole range, then both sides by themselves.
///
/// # Errors
/// None but for a lack of memory.
pub fn causes(change: &CouplingChange) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("coupling")?;
    for (row, part) in
        change.bands.iter().map(|row| (row, "change in band")).chain([(&change.total, "change in total")])
    {
        let [low, high] = ends(row.explained_ci95_db);
        let mut cells = vec![part.to_owned(), String::new(), number(row.band.low()), number(row.band.high())];
        cells.extend(std::iter::repeat_n(String::new(), 8));
        cells.extend([number(row.wire_change_db), number(row.air_change_db), number(row.explained_db), low, high]);
        cells.extend([number(row.remaining_db), String::new(), row.verdict.words().to_owned()]);
        columns.row(cells)?;
    }
    [&change.before, &change.after].into_iter().try_for_each(|side| coupling_rows(&mut columns, side))?;
    columns.finish()
}

/// A batch: for each channel of each capture the bands and the whole range, for a failed capture its error.
///
/// # Errors
/// None but for a lack of memory.
pub fn batch(batch: &Batch) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("batch")?;
    let places: HashMap<(&str, Role), &Rank> =
        batch.ranking.iter().map(|rank| ((rank.path.as_str(), rank.role), rank)).collect();
    for row in &batch.captures {
        let status = match &row.error {
            None => ["done".to_owned(), String::new()],
            Some(error) => ["failed".to_owned(), error.clone()],
        };
        if row.channels.is_empty() {
            let empty = std::iter::repeat_n(String::new(), 12);
            columns.row([row.path.clone()].into_iter().chain(status.clone()).chain(empty))?;
        }
        for channel in &row.channels {
            let place = places.get(&(row.path.as_str(), channel.role)).copied();
            let values = channel.bands.iter().map(|value| (value, None, None, false));
            let total = (&channel.total.value, channel.total.ci95_db, place, true);
            for (value, interval, place, whole) in values.chain([total]) {
                let [low, high] = ends(interval);
                columns.row([row.path.clone()].into_iter().chain(status.clone()).chain([
                    channel.role.name().to_owned(),
                    channel.unit.symbol().to_owned(),
                    number(value.band.low()),
                    number(value.band.high()),
                    number(value.rms),
                    number(value.level_db.get()),
                    low,
                    high,
                    value.near_floor.to_string(),
                    place.map(|rank| rank.rank.to_string()).unwrap_or_default(),
                    place.map(|rank| rank.tied.to_string()).unwrap_or_default(),
                    whole.to_string(),
                ]))?;
            }
        }
    }
    columns.finish()
}

/// What is built into the invented survey beside what was found.
///
/// # Errors
/// None but for a lack of memory.
pub fn found(rows: &[Found]) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("demo")?;
    for row in rows {
        let [low, high] = ends(row.interval);
        columns.row([
            row.truth.what.clone(),
            row.truth.load.clone(),
            row.truth.role.name().to_owned(),
            number(row.truth.band.low()),
            number(row.truth.band.high()),
            row.truth.unit.to_owned(),
            number(row.truth.value),
            number(row.found),
            low,
            high,
            row.agrees.map(|agrees| agrees.to_string()).unwrap_or_default(),
        ])?;
    }
    columns.finish()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::detector::DETECTORS;

    #[test]
    fn each_detector_has_its_column() {
        let header = header_of("receiver").unwrap();
        let detectors: Vec<String> = DETECTORS.iter().map(|detector| format!("{}_db", detector.name)).collect();
        assert!(header.contains(&format!("frequency_hz,{},floor_db", detectors.join(","))), "{header}");
    }
}
