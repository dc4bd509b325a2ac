//! What do wire and air look like in time, with the mains removed?

use serde::Serialize;

use super::findings;
use super::observe::{Input, with_inputs};
use super::pipeline::Pipeline;
use super::settings::Settings;
use crate::capture::{Block, Quantity, Role};
use crate::error::{Error, Finding};
use crate::measure::mains::Mains;
use crate::measure::trace::Trace;
use crate::read::Source;

use ndarray::{Axis, Slice};

/// Columns of a picture; a screen has about as many for one panel.
pub const COLUMNS: usize = 700;

/// Which stretch of a record is shown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stretch {
    /// How many whole mains periods, at most what the record holds.
    pub cycles: u32,
    /// From this time on, in seconds after the first sample.
    pub from_s: f64,
    /// So many columns at least, where there are as many samples; at most twice as many.
    pub columns: usize,
}

impl Default for Stretch {
    fn default() -> Self {
        Self { cycles: 3, from_s: 0.0, columns: COLUMNS }
    }
}

/// One channel in time: the smallest and the largest sample of each column.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelWaveform {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit.
    pub unit: Quantity,
    /// The smallest sample of each column, as captured.
    pub min: Vec<f64>,
    /// The largest sample of each column, as captured.
    pub max: Vec<f64>,
    /// The smallest of each column with the mains removed.
    pub settled_min: Vec<f64>,
    /// The largest of each column with the mains removed.
    pub settled_max: Vec<f64>,
}

/// One capture in time.
#[derive(Debug, Clone, Serialize)]
pub struct CaptureWaveform {
    /// The file.
    pub path: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// The mains.
    pub mains: Mains,
    /// The mains phase of the first column in degrees; 0 at the start of the stretch where the phase is not known.
    pub start_phase_deg: f64,
    /// Whether that phase was read from the record.
    pub phase_known: bool,
    /// The time of the first column in seconds after the first sample.
    pub start_s: f64,
    /// The width of a column.
    pub column_s: f64,
    /// How many mains periods the stretch holds.
    pub cycles: f64,
    /// The channels, the wire first.
    pub channels: Vec<ChannelWaveform>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// A capture in time, with its input.
///
/// The stretch begins where the high-pass has settled and, where the record shows the mains phase and is long enough,
/// at a rising zero of the fundamental.
///
/// # Errors
/// Whatever is wrong with the file, or a stretch that lies outside the record.
pub fn waveform(
    source: &Source,
    settings: &Settings,
    stretch: Stretch,
) -> Result<(Vec<Input>, CaptureWaveform), Error> {
    with_inputs(source, settings, |pipeline| trace(pipeline, stretch, settings.to_s))
}

fn trace(pipeline: Pipeline, stretch: Stretch, to_s: Option<f64>) -> Result<CaptureWaveform, Error> {
    let rate = pipeline.rate().get();
    let mains = pipeline.mains;
    let path = pipeline.header().path.clone();
    let unsettled = pipeline.unsettled();
    let period = rate / mains.frequency_hz;
    let earliest = (stretch.from_s * rate).max(unsettled as f64);
    let length = f64::from(stretch.cycles) * period;
    let record = pipeline.expected_samples().map_or(f64::INFINITY, |settled| (settled + unsettled) as f64);
    // What is asked for ends the record, also where nobody knows its length.
    let record = to_s.map_or(record, |to| record.min(to * rate));
    // The phase at the first sample, so the first rising zero comes (360 − phase) of a period later.
    let zero = mains.phase_deg.map(|phase| {
        let first = period * (1.0 - phase / 360.0).rem_euclid(1.0);
        first + ((earliest - first) / period).ceil().max(0.0) * period
    });
    // A record too short to wait for that zero is shown as early as it can be.
    let start = sample(zero.filter(|zero| zero + length <= record).unwrap_or(earliest));
    let end = start + sample(length).max(2);
    let channels = pipeline.channels().to_vec();
    let selected = pipeline.selected().to_vec();
    let (mut raw, mut settled) = (Trace::new(stretch.columns), Trace::new(stretch.columns));
    let mut shown = 0;
    let passed = pipeline.run(|block, conditioned| {
        if let Some(part) = part_of(block, start, end) {
            shown += part.len() as u64;
            let rows = part.samples.select(Axis(0), &selected);
            raw.push(&Block { first: part.first, samples: rows });
        }
        if let Some(part) = conditioned.and_then(|block| part_of(block, start - unsettled, end - unsettled)) {
            settled.push(&part);
        }
    })?;
    if shown == 0 {
        return Err(Error::usage(format!("the stretch from {:.4} s on lies beyond the record", start as f64 / rate))
            .in_file(path)
            .expected(format!("a start before {:.4} s", passed.statistics.samples as f64 / rate))
            .remedy("give an earlier --from"));
    }
    let split = |columns: &[(f64, f64)]| columns.iter().copied().unzip();
    let channels = channels
        .into_iter()
        .enumerate()
        .map(|(number, channel)| {
            let (min, max) = split(raw.channel(number));
            let (settled_min, settled_max) = split(settled.channel(number));
            ChannelWaveform {
                name: channel.name,
                role: channel.role,
                unit: channel.quantity,
                min,
                max,
                settled_min,
                settled_max,
            }
        })
        .collect();
    let warnings = findings::of_samples(&passed);
    let turned = |phase: f64| (phase + 360.0 * start as f64 / period).rem_euclid(360.0);
    Ok(CaptureWaveform {
        path,
        sample_rate_hz: rate,
        mains,
        // A start at a rising zero is 0 degrees but for the sample that it falls on.
        start_phase_deg: mains.phase_deg.map_or(0.0, |phase| (turned(phase) + 180.0).rem_euclid(360.0) - 180.0),
        phase_known: mains.phase_deg.is_some(),
        start_s: start as f64 / rate,
        column_s: raw.column_width() as f64 / rate,
        cycles: shown as f64 / period,
        channels,
        warnings,
    })
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float cast saturates; not negative here")]
fn sample(position: f64) -> u64 {
    position.round() as u64
}

/// The part of a block between two samples of the recording.
fn part_of(block: &Block, start: u64, end: u64) -> Option<Block> {
    let last = block.first + block.len() as u64;
    let (from, to) = (start.max(block.first), end.min(last));
    (from < to).then(|| {
        let offset = |at: u64| usize::try_from(at - block.first).expect("within a block");
        let samples = block.samples.slice_axis(Axis(1), Slice::from(offset(from)..offset(to)));
        Block { first: from, samples: samples.as_standard_layout().into_owned() }
    })
}
