//! What is in this capture, and can it carry a 2 to 150 kHz result?

use serde::Serialize;

use super::observe::{FloorShare, Input, Observed, Wants, observe};
use super::settings::Settings;
use crate::capture::{Quantity, RateSource, Role};
use crate::error::{Error, Finding, Severity};
use crate::measure::mains::Mains;
use crate::read::Source;
use crate::units::{Band, Level, engineering};

/// Below this many bits a record counts as coarse.
const FEW_BITS: f64 = 6.0;
/// A mean beyond this share of the half span counts as an offset worth telling.
const OFFSET_SHARE: f64 = 0.25;
/// A comparison of single captures wants at least this many mains periods.
pub const FEWEST_PERIODS: u64 = 8;
/// A quasi-peak value needs about this long to settle, by simulation of the detector of CISPR 16-1-1.
const QUASI_PEAK_SECONDS: f64 = 1.5;
/// Half a per cent of a period: beyond it a record is not a whole number of periods.
const WHOLE_PERIODS: f64 = 0.02;

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
    let warnings = observed.findings();
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
        warnings,
    })
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
fn in_short(code: &str) -> &str {
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
        "unit_unknown" => "no unit in the file",
        other => other,
    }
}

/// What the samples show, besides what reader and pipeline found.
pub(super) fn sample_findings(observed: &Observed) -> Vec<Finding> {
    let mut findings = Vec::new();
    length_findings(observed, &mut findings);
    for channel in 0..observed.channels.len() {
        channel_findings(observed, channel, &mut findings);
    }
    let name = |index: usize| observed.header().channels[index].name.as_str();
    let statistics = &observed.passed.statistics;
    for &(a, b) in &statistics.identical {
        if !statistics.channels[a].is_dead() {
            findings.push(Finding::limit(
                "identical_channels",
                format!("channels {} and {} are equal sample by sample: the same signal twice", name(a), name(b)),
            ));
        }
    }
    if let Some((distance, length)) = statistics.repeated {
        findings.push(Finding::limit(
            "repeated_samples",
            format!(
                "at least {length} samples in a row repeat those {distance} samples earlier exactly, which no real signal \
                 with noise does: a buffer written twice, or a synthetic signal"
            ),
        ));
    }
    findings
}

fn length_findings(observed: &Observed, findings: &mut Vec<Finding>) {
    let rate = observed.rate().get();
    let duration = observed.passed.statistics.samples as f64 / rate;
    let mains = observed.mains;
    let cycles = duration * mains.frequency_hz;
    let wanted = if mains.nominal_hz > 55.0 { 12.0 } else { 10.0 };
    // A record of 0.2 s at 49.95 Hz is as long as intended though it holds 9.99 periods.
    if cycles < wanted - 0.1 {
        findings.push(Finding::limit(
            "too_short",
            format!(
                "{cycles:.1} mains periods; measurements after IEC 61000-4-7 and 61000-4-30 rest on {wanted} of them"
            ),
        ));
    }
    let settled = duration - observed.spectral.settling_samples as f64 / rate;
    let periods = (settled * mains.frequency_hz).floor();
    if periods < FEWEST_PERIODS as f64 {
        findings.push(Finding::limit(
            "few_periods",
            format!(
                "{periods} whole mains {} once the high-pass has settled: a single pair of such captures hardly shows a \
                 difference; take three or more captures a side",
                if periods < 2.0 { "period" } else { "periods" }
            ),
        ));
    }
    let whole = cycles.round();
    if whole >= 1.0 && (cycles - whole).abs() > WHOLE_PERIODS {
        findings.push(Finding::note("not_whole_periods", format!("{cycles:.2} mains periods, not a whole number")));
    }
    if duration < QUASI_PEAK_SECONDS {
        findings.push(Finding::note(
            "no_quasi_peak",
            format!("{duration:.3} s: a settled quasi-peak value takes about {QUASI_PEAK_SECONDS} s"),
        ));
    }
}

fn channel_findings(observed: &Observed, channel: usize, findings: &mut Vec<Finding>) {
    let statistics = observed.statistics(channel);
    let Channel { name, unit, role } = Channel::of(observed, channel);
    if statistics.is_dead() {
        let severity = if role == Role::Wire { Finding::unfit } else { Finding::limit };
        findings.push(severity(
            "dead_channel",
            format!("channel {name} carries nothing: {} all along", engineering(statistics.max, unit)),
        ));
        return;
    }
    if statistics.clipped_fraction > 0.0 {
        findings.push(Finding::limit(
            "clipped",
            format!(
                "channel {name}: {:.2} % of the samples stand at the limit of the range ({} to {}); cut tops make harmonics \
                 that are not on the line, so record again on a larger range",
                100.0 * statistics.clipped_fraction,
                engineering(statistics.min, unit),
                engineering(statistics.max, unit)
            ),
        ));
    }
    let half_span = (statistics.max - statistics.min) / 2.0;
    if statistics.mean.abs() > OFFSET_SHARE * half_span {
        findings.push(Finding::note(
            "offset",
            format!(
                "channel {name}: a mean of {} beside a half span of {}",
                engineering(statistics.mean, unit),
                engineering(half_span, unit)
            ),
        ));
    }
    coarse_finding(observed, channel, name, unit, findings);
    floor_finding(observed, channel, name, findings);
    aliasing_finding(observed, channel, name, findings);
}

/// Name, unit and role of an analysed channel.
struct Channel<'a> {
    name: &'a str,
    unit: &'a str,
    role: Role,
}

impl<'a> Channel<'a> {
    fn of(observed: &'a Observed, channel: usize) -> Self {
        let unit = observed.recorded_unit(channel);
        let channel = &observed.channels[channel];
        Self { name: &channel.name, unit, role: channel.role }
    }
}

fn coarse_finding(observed: &Observed, channel: usize, name: &str, unit: &str, findings: &mut Vec<Finding>) {
    let statistics = observed.statistics(channel);
    let (Some(step), Some(codes), Some(bits)) =
        (statistics.resolution, statistics.codes_spanned, statistics.effective_bits())
    else {
        return;
    };
    if bits < FEW_BITS {
        let enbw = observed.spectral.enbw_hz;
        let floor =
            observed.floor_density(channel).map_or(f64::NAN, |density| Level::of_rms((density * enbw).sqrt()).get());
        findings.push(Finding::limit(
            "coarse",
            format!(
                "channel {name} spans {codes} codes of the converter ({bits:.1} bits): steps of {} make a floor of {floor:.1} {} \
                 in {enbw:.0} Hz, q/√12 spread over half the sampling rate",
                engineering(step, unit),
                observed.channels[channel].quantity.level_reference()
            ),
        ));
    }
}

fn floor_finding(observed: &Observed, channel: usize, name: &str, findings: &mut Vec<Finding>) {
    let Some(share) = observed.floor_share(channel).filter(FloorShare::is_most) else { return };
    let statistics = observed.statistics(channel);
    let unit = observed.recorded_unit(channel);
    let step = statistics.resolution.unwrap_or(f64::NAN);
    let floor = statistics.rounding_mean_square().unwrap_or(f64::NAN).sqrt();
    findings.push(Finding::limit(
        "at_floor",
        format!(
            "channel {name}: above 9 kHz the level in {} of {} bands of 2 kHz lies within 6 dB ({} within 3 dB) of what the \
             converter's steps alone make ({}, {} RMS over 0 to half the sampling rate), and converters are commonly \
             somewhat worse than their steps (common practice, no source): what is seen there is most likely the \
             recorder's own, and a ranking by it would rank noise",
            share.within_6_db,
            share.bands,
            share.within_3_db,
            engineering(step, unit),
            engineering(floor, unit)
        ),
    ));
}

/// Energy that rises towards half the sampling rate has not been taken out before sampling.
fn aliasing_finding(observed: &Observed, channel: usize, name: &str, findings: &mut Vec<Finding>) {
    let nyquist = observed.rate().get() / 2.0;
    let density = |from: f64, to: f64| {
        let band = Band::new(from * nyquist, to * nyquist).ok()?;
        Some(observed.densities[channel].mean.mean_square_in(band) / band.width())
    };
    let (Some(top), Some(below)) = (density(0.9, 1.0), density(0.6, 0.8)) else { return };
    let floor = observed.floor_density(channel).unwrap_or(0.0);
    // A factor of two is 3 dB; ten times the rounding floor cannot be the converter.
    if top > 2.0 * below && top > 10.0 * floor {
        findings.push(Finding::limit(
            "aliasing_suspected",
            format!(
                "channel {name}: the density in the last tenth below half the sampling rate is {:.0} dB above that further down; \
                 a recorder with a low-pass shows a fall there, so signals beyond {:.0} kHz may have folded back into the range",
                10.0 * (top / below).log10(),
                nyquist / 1e3
            ),
        ));
    }
}
