//! Which measuring chain do these known signals show?
//!
//! Captures of known signals give gains at single frequencies (`seen`); repeats, levels and neighbouring frequencies
//! make of them a gain over frequency with its uncertainty (`gain`). What a chain can carry (gain, phase, floor)
//! becomes its part and recorder; delay and crosstalk are reported only.

mod gain;
mod seen;

use serde::Serialize;

use self::gain::{channel, delay, unwrapped};
use self::seen::{Seen, seen};
use super::compare::Warning;
use super::observe::Input;
use super::settings::Settings;
use crate::capture::chain::Uncertainty;
use crate::capture::{Port, Role};
use crate::error::{Error, Finding, printable};
use crate::read::Source;
use crate::read::calibration::{Calibration, LevelIs};
use crate::spread;
use crate::uncertainty::budget::Budget;
use crate::units::{Band, engineering};

/// The uncertainties of the chain are stated as so many standard uncertainties: 95 % of a normal distribution.
pub const STATED_FACTOR: f64 = 1.959_963_984_540_054;

/// The gain that one capture shows at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// The number of the signal within the description.
    #[serde(skip)]
    pub signal: usize,
    /// The capture.
    pub capture: String,
    /// The kind of the signal: `sine` or `comb`.
    pub kind: &'static str,
    /// The channel.
    pub role: Role,
    /// The frequency as stated, or as found where that is something else.
    pub frequency_hz: f64,
    /// The frequency by the recorder's clock.
    pub found_hz: f64,
    /// The RMS value at the input of the chain.
    pub level_v: f64,
    /// The RMS value at the recorder.
    pub recorded_v: f64,
    /// Recorder over input.
    pub gain_db: f64,
    /// The standard uncertainty of that from the scatter of stretches of the capture.
    pub scatter_db: f64,
    /// Its degrees of freedom.
    pub degrees: f64,
    /// How far the sine stands out of the noise of a stretch.
    pub above_floor_db: f64,
    /// Whether the gain rests on it; not where it lies beyond the linear range.
    pub is_used: bool,
}

/// The phase of the wire against the air, where both saw the same signal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Phase {
    /// The capture.
    pub capture: String,
    /// The frequency.
    pub frequency_hz: f64,
    /// The phase of the wire less that of the air, with the whole turns that the phases at lower frequencies lead to.
    pub phase_deg: f64,
    /// Its standard uncertainty from the scatter of stretches.
    #[serde(skip)]
    pub uncertainty_deg: f64,
    /// Half the width of its 95 % interval.
    pub expanded_deg: f64,
}

/// What of one input's signal appears at the other input.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Crosstalk {
    /// The capture.
    pub capture: String,
    /// The channel that was fed.
    pub from: Role,
    /// The frequency.
    pub frequency_hz: f64,
    /// The other channel over the one that was fed, both as recorded.
    pub crosstalk_db: f64,
    /// Whether noise hides it, so that it lies below the figure.
    pub is_bound: bool,
}

/// The floor at the recorder.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Floor {
    /// The frequency.
    pub frequency_hz: f64,
    /// The density of the noise with the input shorted.
    pub density_v_per_sqrt_hz: f64,
}

/// What the gain of a channel rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Sines, or lines of a comb.
    Sines,
    /// Bands of white noise.
    Noise,
}

/// The gain at a frequency of the chain's table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Gain {
    /// The frequency.
    pub frequency_hz: f64,
    /// Recorder over input.
    pub gain_db: f64,
    /// The phase against the other channel, where the chain carries one.
    pub phase_deg: Option<f64>,
    /// How many observations it rests on; none between steps.
    pub observations: usize,
    /// What contributes to its uncertainty, and what that comes to; `expanded` is half the width of the 95 % interval.
    pub budget: Budget,
}

/// The gain over the level at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Linearity {
    /// The frequency.
    pub frequency_hz: f64,
    /// Level at the input in volts RMS, and gain in decibels, from the smallest on.
    pub levels: Vec<(f64, f64)>,
    /// The level at which the recorder's reading leaves proportion by 0.1 dB; `None` where none does.
    pub linear_up_to_v: Option<f64>,
    /// From the last level surely within to the first surely beyond.
    pub linear_up_to_interval_v: Option<[Option<f64>; 2]>,
    /// The highest level that agrees.
    pub linear_through_v: f64,
    /// The gain at the highest level less that of the linear part.
    pub at_highest_db: f64,
}

/// How noise held against sines comes out where it differs most.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AgainstNoise {
    /// The middle of the band.
    pub frequency_hz: f64,
    /// The gain by noise less that by sines.
    pub difference_db: f64,
    /// Half the width of the 95 % interval of that difference, all bands taken together.
    pub expanded_db: f64,
}

/// The chain of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelCalibration {
    /// The channel.
    pub role: Role,
    /// What it is, in the words of the description.
    pub about: String,
    /// Where the quantity at its beginning is taken.
    pub port: Option<Port>,
    /// What the gain rests on; `None` without a gain.
    pub basis: Option<Basis>,
    /// The gain at steps and, between them, interpolated.
    pub gains: Vec<Gain>,
    /// Linearity, where a frequency was fed at three levels or more.
    pub linearity: Vec<Linearity>,
    /// The standard deviation of repeats of a step, where there are any, and its degrees of freedom.
    pub repeatability_db: Option<(f64, f64)>,
    /// Where noise and sines differ most, where there are both.
    pub against_noise: Option<AgainstNoise>,
    /// The floor.
    pub floor: Vec<Floor>,
}

impl ChannelCalibration {
    /// From where to where the gain is known; `None` with fewer than two frequencies.
    pub fn covers(&self) -> Option<Band> {
        let (first, last) = (self.gains.first()?, self.gains.last()?);
        Band::new(first.frequency_hz, last.frequency_hz).ok()
    }
}

/// The delay between the channels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Delay {
    /// By how much the air comes later than the wire.
    pub delay_s: f64,
    /// Its 95 % interval; `None` with a single frequency.
    pub ci95_s: Option<[f64; 2]>,
    /// The largest phase that the delay leaves.
    pub left_deg: f64,
    /// Whether a delay explains the phases: what it leaves is within their uncertainty, or within a degree; one frequency
    /// alone says nothing of that.
    pub explains: bool,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Calibrated {
    /// The description.
    #[serde(skip)]
    pub path: String,
    /// What was calibrated, in words.
    pub about: String,
    /// How far the generator's levels may be off, as stated.
    pub generator_uncertainty_db: Option<f64>,
    /// The chains, wire first.
    pub channels: Vec<ChannelCalibration>,
    /// What single captures show.
    pub steps: Vec<Step>,
    /// The phases of the wire against the air.
    pub phases: Vec<Phase>,
    /// The delay between the channels.
    pub delay: Option<Delay>,
    /// Crosstalk.
    pub crosstalk: Vec<Crosstalk>,
    /// What to know.
    #[serde(rename = "warnings")]
    pub findings: Vec<Warning>,
}

/// Makes the chains out of the captures that a description names, which `open` opens.
///
/// # Errors
/// A capture that is not there or cannot be read, with its place in the description; a load that is not stated where
/// the generator's level needs it; channels that are missing or not in volts; nothing that a chain could be made of.
pub fn calibrate(
    calibration: &Calibration,
    open: impl Fn(&str) -> Source + Sync + Send,
    settings: &Settings,
) -> Result<(Vec<Input>, Calibrated), Error> {
    loads_are_stated(calibration)?;
    // The samples as they are: what the mains removal would take away is not there on a bench.
    let settings =
        Settings { high_pass: None, setup: None, range: Band::new(0.0, 1e15)?, mains: Some(50.0), ..settings.clone() };
    let look = |number: usize| {
        let signal = &calibration.signals[number];
        let source = open(&signal.capture);
        if let Err(error) = source.byte_count() {
            let found = format!("the capture \"{}\" {}", printable(&signal.capture), error.found());
            let remedy = "check the name; it counts from the folder of the description";
            return Err(calibration.at(signal, Error::input(found).expected("a capture").remedy(remedy)));
        }
        seen(&source, number, calibration, &settings)
    };
    let all = spread::map((0..calibration.signals.len()).collect(), look);
    let mut seen = Seen::default();
    let mut rates: Vec<(f64, &str)> = Vec::new();
    for (result, signal) in all.into_iter().zip(&calibration.signals) {
        let one = result?;
        rates.push((one.rate_hz, signal.capture.as_str()));
        seen.inputs.extend(one.inputs);
        seen.steps.extend(one.steps);
        seen.phases.extend(one.phases);
        seen.crosstalk.extend(one.crosstalk);
        seen.noise.extend(one.noise);
        seen.floors.extend(one.floors);
        seen.warnings.extend(one.warnings);
    }
    let mut findings: Vec<Finding> = Vec::new();
    findings.extend(of_generator(calibration));
    findings.extend(of_rates(&rates));
    let delay = delay(&seen.phases);
    let both = [Role::Wire, Role::Air];
    let channels: Vec<ChannelCalibration> = both
        .into_iter()
        .filter_map(|role| channel(role, calibration, &mut seen, delay.as_ref(), &mut findings))
        .collect();
    if channels.is_empty() {
        return Err(Error::input("no capture shows anything that a chain could be made of")
            .in_file(calibration.name.clone())
            .expected("sines, combs, noise or a shorted input that can be told from the floor")
            .remedy(seen.warnings.first().map_or_else(
                || "see \"calibrate --new\"".to_owned(),
                |warning| format!("the first of the reasons: {}", warning.finding.message),
            )));
    }
    let warnings = findings.into_iter().map(|finding| Warning { path: None, finding });
    seen.steps
        .sort_by(|a, b| a.role.name().cmp(b.role.name()).reverse().then(a.frequency_hz.total_cmp(&b.frequency_hz)));
    seen.phases.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let turned = unwrapped(&seen.phases);
    seen.phases.iter_mut().zip(turned).for_each(|(phase, (_, turned, _))| phase.phase_deg = turned);
    seen.crosstalk.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let found = Calibrated {
        path: calibration.name.clone(),
        about: calibration.about.clone(),
        generator_uncertainty_db: calibration.generator.uncertainty.map(|stated| stated.db),
        channels,
        steps: seen.steps,
        phases: seen.phases,
        delay,
        crosstalk: seen.crosstalk,
        findings: seen.warnings.into_iter().chain(warnings).collect(),
    };
    Ok((seen.inputs, found))
}

fn loads_are_stated(calibration: &Calibration) -> Result<(), Error> {
    let needs = !matches!(calibration.generator.level_is, None | Some(LevelIs::AtInput));
    for role in [Role::Wire, Role::Air] {
        let fed = calibration
            .signals
            .iter()
            .find(|signal| signal.fed.holds(role) && signal.kind != crate::read::calibration::Kind::Shorted);
        if let (true, Some(signal), None) = (needs, fed, calibration.input(role).ohm) {
            let found = format!("the load of the generator at the input of the {} is not stated", role.name());
            let error = Error::input(found)
                .expected(format!("input_ohm in [{}]", role.name()))
                .remedy("state it, or measure the level across the input and say level_is = \"at-input\"");
            return Err(calibration.at(signal, error));
        }
    }
    Ok(())
}

/// What is not known of the generator.
fn of_generator(calibration: &Calibration) -> Vec<Finding> {
    use crate::read::calibration::Kind;
    let fed = || calibration.signals.iter().filter(|signal| signal.kind != Kind::Shorted);
    let mut findings = Vec::new();
    if calibration.generator.level_is.is_none() && fed().next().is_some() {
        findings.push(Finding::limit(
            "generator_impedance",
            "the description does not say where the generator's levels hold (level_is), so they are taken as those across \
             the input of the chain; a generator that shows its level into its own resistance gives up to 6.02 dB more into a \
             high impedance",
        ));
    }
    let unstated = fed().filter(|signal| calibration.uncertainty_of(signal).is_none_or(is_nothing)).count();
    if unstated > 0 {
        findings.push(Finding::limit(
            "generator_uncertainty",
            format!(
                "no uncertainty of the generator's level is stated for {unstated} captures, so it is taken as exact there; the \
                 intervals hold what the captures show and nothing of that"
            ),
        ));
    }
    findings
}

fn is_nothing(stated: Uncertainty) -> bool {
    stated.db <= 0.0
}

/// Captures at other rates.
fn of_rates(rates: &[(f64, &str)]) -> Option<Finding> {
    let &(first, _) = rates.first()?;
    let (other, capture) = rates.iter().find(|(rate, _)| (rate / first - 1.0).abs() > 1e-3)?;
    Some(Finding::note(
        "rates_differ",
        format!(
            "captures have different sampling rates ({} and, in {capture}, {}); a recorder's own low-pass may differ between \
             them, so use the chain at the rate of the job",
            engineering(first, "S/s"),
            engineering(*other, "S/s"),
            capture = printable(capture)
        ),
    ))
}
