//! What is in this capture, and can it carry a 2 to 150 kHz result?

use serde::Serialize;

use super::findings;
use super::observe::{Input, Observed, Wants, observe};
use super::pipeline;
use super::settings::Settings;
use crate::capture::{Account, Doubt, Quantity, RateSource, Role};
use crate::error::{Error, Finding, Severity};
use crate::measure::mains::Mains;
use crate::read::Source;
use crate::units::{Band, Level};

/// Whether a capture can carry what is asked of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Fitness {
    /// It can.
    #[serde(rename = "fit")]
    Fit,
    /// It can within the limits that are named.
    #[serde(rename = "fit with limits")]
    FitWithLimits,
    /// It cannot.
    #[serde(rename = "not fit")]
    NotFit,
}

impl Fitness {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Fitness::Fit => "fit",
            Fitness::FitWithLimits => "fit with limits",
            Fitness::NotFit => "not fit",
        }
    }

    /// What findings leave.
    pub fn of(findings: &[Finding]) -> Self {
        match findings.iter().map(|finding| finding.severity).max() {
            Some(Severity::Unfit) => Fitness::NotFit,
            Some(Severity::Limit) => Fitness::FitWithLimits,
            _ => Fitness::Fit,
        }
    }
}

/// A channel as it is in the file.
#[derive(Debug, Clone, Serialize)]
pub struct InspectedChannel {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit.
    pub unit: Quantity,
    /// The smallest sample.
    pub min: f64,
    /// The largest sample.
    pub max: f64,
    /// The mean.
    pub mean: f64,
    /// The root of the mean square, mean included.
    pub rms: f64,
    /// The step between converter codes, where the samples show one.
    pub resolution: Option<f64>,
    /// The bits that the record uses.
    pub effective_bits: Option<f64>,
    /// The level of the converter's rounding in one resolution bandwidth.
    pub floor_level_db: Option<Level>,
    /// The share of samples at the limit of the range.
    pub clipped_fraction: f64,
}

/// A capture as it is in the file.
#[derive(Debug, Clone, Serialize)]
pub struct Inspection {
    /// Path, length, fingerprint.
    #[serde(flatten)]
    pub input: Input,
    /// The second file, where the capture lies in two.
    pub companion: Option<Input>,
    /// The verdict.
    pub fitness: Fitness,
    /// The verdict in one line.
    pub summary: String,
    /// The format that read it.
    pub format: &'static str,
    /// How it was understood.
    pub layout: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// Where it came from.
    pub sample_rate_source: RateSource,
    /// The relative uncertainty that its source leaves.
    pub sample_rate_relative_uncertainty: f64,
    /// Samples in each channel.
    pub samples: u64,
    /// The length of the record.
    pub duration_s: f64,
    /// The time of the first sample.
    pub start_s: f64,
    /// The mains.
    pub mains: Mains,
    /// The channels.
    pub channels: Vec<InspectedChannel>,
    /// What was taken as what.
    pub reading: Vec<String>,
    /// How the file was read, and why.
    pub explanation: Account,
    /// What to know.
    pub warnings: Vec<Finding>,
}

impl Inspection {
    /// The files of the capture.
    pub fn inputs(&self) -> Vec<Input> {
        [self.input.clone()].into_iter().chain(self.companion.clone()).collect()
    }
}

/// Looks at a capture.
///
/// # Errors
/// Whatever is wrong with the file.
pub fn inspect(source: &Source, settings: &Settings) -> Result<Inspection, Error> {
    let (inputs, observed) = observe(source, settings, Wants::default())?;
    of_observed(source, settings, &inputs, &observed)
}

/// The same for a capture that has been observed.
///
/// # Errors
/// Whatever is wrong with the file when it is opened again for its account.
pub fn of_observed(
    source: &Source,
    settings: &Settings,
    inputs: &[Input],
    observed: &Observed,
) -> Result<Inspection, Error> {
    let warnings = findings::of_observed(observed);
    let header = observed.header();
    let enbw = observed.spectral.enbw_hz;
    let rate = observed.rate().get();
    let role = |index: usize| {
        observed
            .selected
            .iter()
            .position(|&selected| selected == index)
            .map_or(Role::Other, |at| observed.channels[at].role)
    };
    let channels = header
        .channels
        .iter()
        .zip(&observed.passed.statistics.channels)
        .enumerate()
        .map(|(index, (channel, statistics))| InspectedChannel {
            name: channel.name.clone(),
            role: role(index),
            unit: channel.quantity.clone(),
            min: statistics.min,
            max: statistics.max,
            mean: statistics.mean,
            rms: statistics.rms,
            resolution: statistics.resolution,
            effective_bits: statistics.effective_bits(),
            floor_level_db: statistics
                .rounding_mean_square()
                .map(|square| Level::of_rms((square / (rate / 2.0) * enbw).sqrt())),
            clipped_fraction: statistics.clipped_fraction,
        })
        .collect();
    let fitness = Fitness::of(&warnings);
    let samples = observed.passed.statistics.samples;
    let mut explanation = pipeline::open(source, settings)?.0.account();
    // What only reading to the end shows.
    let cut = warnings.iter().filter(|finding| finding.code == "rows_cut").map(|finding| finding.message.clone());
    explanation.skipped.extend(cut);
    explanation.doubts.extend(warnings.iter().filter(|finding| finding.code == "marked_clipped").filter_map(Doubt::of));
    Ok(Inspection {
        summary: summary(fitness, settings.range, &warnings),
        input: inputs[0].clone(),
        companion: inputs.get(1).cloned(),
        fitness,
        format: header.format,
        layout: header.layout.clone(),
        sample_rate_hz: rate,
        sample_rate_source: header.clock.source,
        sample_rate_relative_uncertainty: header.clock.relative_uncertainty,
        samples,
        duration_s: samples as f64 / rate,
        start_s: header.clock.start_s,
        mains: observed.mains,
        channels,
        reading: header.reading.clone(),
        explanation,
        warnings,
    })
}

/// How a capture was read, where nothing more can be said of it: a sentence each, and the account.
///
/// # Errors
/// Whatever is wrong with the file.
pub fn how_read(source: &Source, settings: &Settings) -> Result<(Vec<String>, Account), Error> {
    let (recording, _) = pipeline::open(source, settings)?;
    Ok((recording.header().reading.clone(), recording.account()))
}

fn summary(fitness: Fitness, range: Band, findings: &[Finding]) -> String {
    let verdict = match fitness {
        Fitness::Fit => return format!("fit for {range}"),
        Fitness::FitWithLimits => format!("fit with limits for {range}"),
        Fitness::NotFit => format!("not fit for {range}"),
    };
    let worst = findings.iter().map(|finding| finding.severity).max();
    let reasons: Vec<&str> = findings
        .iter()
        .filter(|finding| Some(finding.severity) == worst)
        .map(|finding| in_short(finding.code))
        .fold(Vec::new(), |mut seen, reason| {
            if !seen.contains(&reason) {
                seen.push(reason);
            }
            seen
        });
    format!("{verdict}: {}", reasons.join("; "))
}

/// A code in a few words, for the one line that answers first.
pub fn in_short(code: &str) -> &str {
    match code {
        "too_slow" => "sampled too slowly for the whole range",
        "too_short" => "a short record",
        "few_periods" => "few mains periods to compare",
        "clipped" => "clipped samples",
        "coarse" => "few converter codes used",
        "at_floor" => "mostly the converter's own floor",
        "offset" => "a large offset",
        "dead_channel" => "a dead channel",
        "identical_channels" => "the same signal in two channels",
        "repeated_samples" => "samples that repeat exactly",
        "aliasing_suspected" => "folded-back signals suspected",
        "outside_chain" => "a measuring chain that is not known over the whole range",
        "below_high_pass" => "the range begins below the high-pass",
        "codes_without_volts" => "converter codes without volts",
        "steps_differ" => "steps that contradict the setup",
        "unit_unknown" => "no unit in the file",
        "marked_clipped" => "samples marked as beyond the range",
        "bits_at_the_bottom" => "bits that may lie at the wrong end of the samples",
        "resampled" => "uneven times laid on an even grid",
        "rate_uncertain" => "times printed too coarsely for a sure rate",
        "count_in_steps" => "a count of rows that leaves some out",
        "lines_left_out" => "lines that are no rows",
        "cut_short" => "fewer samples than promised",
        "more_than_promised" => "more samples than promised",
        "unfinished" => "a recording that was never closed",
        "missing_at_the_end" => "missing samples at the end",
        "time_stamps_disagree" => "time stamps that contradict the rate",
        "time_stamps_uneven" => "uneven time stamps",
        "skew" => "channels sampled at different instants",
        "rows_cut" => "rows cut off where a channel has no samples",
        other => other,
    }
}
