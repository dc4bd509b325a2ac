//! Which sample rate, record length, range and captures does the job need, and what can it show?
//!
//! The converter's steps spread their noise q²/12 evenly up to half the rate; a band
//! of width B in a record of length T has a power known to 1/√(BT); and the smallest difference is what the test of
//! `compare` shows of captures that scatter so.

use std::f64::consts::SQRT_2;

use serde::Serialize;

use super::inspect::Inspection;
use crate::compare::power::{Levels, smallest_shown};
use crate::dsp::segment::segment_length;
use crate::dsp::window::{Taper, Window};
use crate::error::{Error, Finding};
use crate::measure::bands::Scheme;
use crate::units::{Band, Hertz, Level, engineering};

/// The rate is at least so many times the highest frequency: room for the recorder's own low-pass.
const RATE_OVER_TOP: f64 = 2.5;
/// What is to be shown stands above the floor by so much: half of the power of a level read there is its own.
const ABOVE_FLOOR_DB: f64 = 3.0;
/// A range has so many divisions, and room for a quarter more than is expected.
///
/// Common practice, no source.
const DIVISIONS: f64 = 8.0;
const HEADROOM: f64 = 1.25;
/// Noise has peaks of so many times its RMS value, one in some thousand samples aside; common practice, no source.
const CREST: f64 = 4.0;
/// A quasi-peak detector needs so long to settle: 1.49 s for pulses at 25 Hz (worked out with the detectors of `receiver`).
const QUASI_PEAK_S: f64 = 1.5;
/// The strict groups take 0.2 s, ten or twelve mains cycles; the rest is room for the high-pass to settle.
const LEAST_RECORD_S: f64 = 0.25;
/// Ten or twelve mains cycles: less is too short.
const SHORTEST_RECORD_S: f64 = 0.2;
/// More records are averaged by nobody.
const MOST_AVERAGES: f64 = 1000.0;
/// More bits has no recorder of the trade.
const MOST_BITS: f64 = 24.0;
/// So many times a load that comes and goes has to be seen doing so.
const TIMES_SEEN: f64 = 10.0;
/// Bytes of a row of time and two channels as text, and of two samples as whole numbers.
const TEXT_BYTES: f64 = 40.0;
const BINARY_BYTES: f64 = 4.0;

/// How the load's noise goes with time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Pattern {
    /// The same all the time, or in step with the mains.
    Steady,
    /// It comes and goes, about every so many seconds.
    ComesAndGoes {
        /// The time from one start to the next.
        every_s: f64,
    },
}

/// What is wanted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Wanted {
    /// The range of frequencies.
    pub range: Band,
    /// The bands that comparing will have.
    pub bands: Scheme,
    /// The smallest RMS value to be shown in one resolution bandwidth, in volts on the line.
    pub smallest_v: f64,
    /// The largest RMS value expected on the line, mains aside.
    pub largest_v: f64,
    /// The RMS value of the mains where it is still in the signal.
    pub mains_v: Option<f64>,
    /// The mains frequency.
    pub mains_hz: f64,
    /// The bits of the converter.
    pub bits: u32,
    /// The samples that the recorder holds for each channel.
    pub memory: f64,
    /// The highest sample rate of the recorder.
    pub highest_rate_hz: f64,
    /// The resolution bandwidth.
    pub resolution: Hertz,
    /// The window.
    #[serde(skip)]
    pub window: Window,
    /// Whether quasi-peak readings are wanted.
    pub quasi_peak: bool,
    /// How the load goes with time.
    pub pattern: Pattern,
    /// Captures of each state.
    pub captures: usize,
    /// Volts on the line for a volt at the recorder: the probe.
    pub probe: f64,
    /// The standard deviation of the power from capture to capture besides that of noise, as a fraction.
    pub scatter: f64,
}

/// A conflict between what is wanted and what the recorder can do.
pub type Conflict = Finding;

/// The plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// What it is made for.
    pub wanted: Wanted,
    /// The sample rate.
    pub sample_rate_hz: f64,
    /// The length of a record.
    pub record_s: f64,
    /// Its samples.
    pub samples: f64,
    /// The full scale at the recorder, from the lowest to the highest code.
    pub full_scale_v: f64,
    /// The same as volts for each of eight divisions.
    pub volts_per_division: f64,
    /// The noise bandwidth of the analysis at that rate.
    pub enbw_hz: f64,
    /// The level of the converter's noise on the line in one noise bandwidth.
    pub floor_db: f64,
    /// The level that is to be shown.
    pub smallest_db: f64,
    /// Whether quasi-peak readings can be had.
    pub quasi_peak_possible: bool,
    /// The narrowest of the bands, in which the smallest rise is largest.
    pub narrowest: Band,
    /// The smallest rise in that band that comparing would show with a probability of 80 %; none where no rise would.
    pub smallest_difference_db: Option<f64>,
    /// The bands that a table of the whole range has.
    pub bands: usize,
    /// The captures in the order in which they are taken: the states that follow one another, again and again.
    pub order: Vec<&'static str>,
    /// How often the order is gone through.
    pub rounds: usize,
    /// The bytes of all captures as text, and as whole numbers of two bytes.
    pub text_bytes: f64,
    /// The same in a binary container.
    pub binary_bytes: f64,
    /// What cannot be had, each with a remedy.
    pub conflicts: Vec<Conflict>,
    /// What to do and to look at, in order.
    pub checklist: Vec<String>,
}

/// The smallest of 1, 2, 5 times a power of ten that is not below a value.
fn round_up(least: f64) -> f64 {
    let power = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|step| *step >= least * (1.0 - 1e-9)).unwrap_or(least)
}

/// The level on the line of the converter's noise in one noise bandwidth: q/√12 spread evenly up to half the rate.
///
/// ```
/// use linewake::analysis::plan::floor_db;
/// // 8 bits over 2 V at 2.5 MS/s: 67.06 dBµV in all, 29.1 dBµV in 200 Hz.
/// assert!((floor_db(2.0, 8, 1.0, 2.5e6, 200.0) - 29.1).abs() < 0.05);
/// ```
///
/// # Sources
/// W. R. Bennett, Bell Syst. Tech. J. 27 (1948) 446; noise bandwidth: F. J. Harris, Proc. IEEE 66 (1978) 51.
pub fn floor_db(full_scale_v: f64, bits: u32, probe: f64, rate_hz: f64, enbw_hz: f64) -> f64 {
    let step = probe * full_scale_v / 2f64.powf(f64::from(bits));
    Level::of_rms((step * step / 12.0 * enbw_hz / (rate_hz / 2.0)).sqrt()).get()
}

/// The smallest rise in decibels that comparing captures of noise shows in a band with a probability of 80 %: the power of
/// a band of width B in a record of length T scatters by 1/√(BT) besides what captures scatter by themselves.
///
/// `rows` is the number of rows over which verdicts are taken together; the strictest step of Holm's procedure counts.
/// The test is that of `compare`; `None` where no rise below 60 dB would be shown so often. See [`smallest_shown`].
pub fn smallest_difference_db(
    width_hz: f64,
    record_s: f64,
    captures: usize,
    scatter: f64,
    mains_hz: f64,
    rows: usize,
) -> Option<f64> {
    let count = captures.max(1) as f64;
    let by_captures = captures >= 3;
    let variance = (1.0 / (width_hz * record_s) + if by_captures { scatter * scatter } else { 0.0 }) / count;
    // Below three captures a side `compare` judges by mains periods; a straight line and the correlation of neighbours
    // take some of their degrees of freedom.
    let periods = (record_s * mains_hz).max(4.0);
    let degrees = if by_captures { count - 1.0 } else { count / (1.0 / (periods - 2.0) + 0.4 / periods) };
    let levels = if by_captures { Levels::OfFewCaptures } else { Levels::Beside };
    let rise = smallest_shown([(variance, degrees); 2], levels, rows)?;
    Some(10.0 * rise.log10())
}

/// Makes the plan.
///
/// # Errors
/// Figures that no plan can be made for: a smallest level above the largest, a range without bands.
pub fn plan(wanted: Wanted) -> Result<Plan, Error> {
    if wanted.smallest_v >= wanted.largest_v {
        return Err(Error::usage(format!(
            "a smallest level of {} and a largest of {}",
            engineering(wanted.smallest_v, "V"),
            engineering(wanted.largest_v, "V")
        ))
        .expected("the smallest below the largest"));
    }
    let mut conflicts = Vec::new();
    let record_s = record_length(&wanted);
    let slowest = RATE_OVER_TOP * wanted.range.high();
    let fastest = wanted.highest_rate_hz.min(wanted.memory / record_s);
    let rates: Vec<f64> = rates().filter(|rate| (slowest..=fastest * (1.0 + 1e-9)).contains(rate)).collect();
    let full_scale_v = full_scale(&wanted);
    let enbw = |rate: f64| -> Result<f64, Error> {
        let rate = Hertz::new(rate)?;
        let length = segment_length(&wanted.window, rate, wanted.resolution);
        Ok(Taper::new(&wanted.window, length).noise_bandwidth(rate).get())
    };
    let smallest_db = Level::of_rms(wanted.smallest_v).get();
    let floor_at = |rate: f64| Ok::<_, Error>(floor_db(full_scale_v, wanted.bits, wanted.probe, rate, enbw(rate)?));
    let needed = smallest_db - ABOVE_FLOOR_DB;
    let mut rate = None;
    for &candidate in &rates {
        rate = Some(candidate);
        if floor_at(candidate)? <= needed {
            break;
        }
    }
    let sample_rate_hz = rate.unwrap_or_else(|| rates_at_least(slowest));
    let floor_db = floor_at(sample_rate_hz)?;
    conflicts.extend(probe_conflict(&wanted));
    conflicts.extend(rate_conflict(&wanted, sample_rate_hz, record_s));
    conflicts.extend(floor_conflict(&wanted, full_scale_v, floor_db, smallest_db));
    // What the memory holds at that rate, but no longer than is needed where it does not suffice.
    let record_s = record_s.min(wanted.memory / sample_rate_hz);
    let bands = wanted.bands.bands(wanted.range)?;
    let narrower = |one: Band, other: &Band| if other.width() < one.width() { *other } else { one };
    let (narrowest, bands) = (bands.iter().fold(wanted.range, narrower), bands.len());
    let smallest_difference_db = smallest_difference_db(
        narrowest.width(),
        record_s,
        wanted.captures,
        wanted.scatter,
        wanted.mains_hz,
        bands + 1,
    );
    let quasi_peak_possible = record_s >= QUASI_PEAK_S;
    if wanted.quasi_peak && !quasi_peak_possible {
        conflicts.push(Finding::limit(
            "no_quasi_peak",
            format!(
                "Quasi-peak readings need {QUASI_PEAK_S} s of record, and at {} the memory of {:.0} samples ends after {}; \
                 take more memory or a lower rate, or give them up (receiver --repeat repeats a short record and says so).",
                engineering(sample_rate_hz, "S/s"),
                wanted.memory,
                engineering(record_s, "s")
            ),
        ));
    }
    if wanted.captures < 3 {
        conflicts.push(Finding::limit(
            "few_captures",
            "Fewer than three captures of a state cannot tell the load from the time of day; take three or more.",
        ));
    }
    if smallest_difference_db.is_none() {
        conflicts.push(no_difference(&wanted, record_s, narrowest, bands + 1));
    }
    let order = order();
    let count = (order.len() * wanted.captures) as f64;
    let samples = (record_s * sample_rate_hz).round();
    let mut plan = Plan {
        sample_rate_hz,
        record_s,
        samples,
        full_scale_v,
        volts_per_division: full_scale_v / DIVISIONS,
        enbw_hz: enbw(sample_rate_hz)?,
        floor_db,
        smallest_db,
        quasi_peak_possible,
        narrowest,
        smallest_difference_db,
        bands,
        order,
        rounds: wanted.captures,
        text_bytes: TEXT_BYTES * samples * count,
        binary_bytes: BINARY_BYTES * samples * count,
        conflicts,
        checklist: Vec::new(),
        wanted,
    };
    plan.checklist = checklist(&plan);
    Ok(plan)
}

/// Sample rates of recorders: 1, 2, 2.5, 5 times powers of ten.
fn rates() -> impl Iterator<Item = f64> {
    (3..11).flat_map(|power| [1.0, 2.0, 2.5, 5.0].map(|m| m * 10f64.powi(power)))
}

fn rates_at_least(least: f64) -> f64 {
    rates().find(|rate| *rate >= least).unwrap_or(least)
}

/// How long a record has to be.
fn record_length(wanted: &Wanted) -> f64 {
    let of_detector = if wanted.quasi_peak { QUASI_PEAK_S } else { 0.0 };
    let of_load = match wanted.pattern {
        Pattern::Steady => 0.0,
        Pattern::ComesAndGoes { every_s } => TIMES_SEEN * every_s,
    };
    LEAST_RECORD_S.max(of_detector).max(of_load)
}

/// The smallest range that holds what is expected, with room.
fn full_scale(wanted: &Wanted) -> f64 {
    let peak = CREST * wanted.largest_v + SQRT_2 * wanted.mains_v.unwrap_or(0.0);
    DIVISIONS * round_up(2.0 * HEADROOM * peak / wanted.probe / DIVISIONS)
}

/// Mains that would go into a recorder without a probe.
fn probe_conflict(wanted: &Wanted) -> Option<Conflict> {
    /// Inputs of oscilloscopes bear some hundred volts at most; common practice, no source.
    const AT_INPUT_V: f64 = 50.0;
    let volts = wanted.mains_v.filter(|volts| volts / wanted.probe > AT_INPUT_V)?;
    Some(Finding::unfit(
        "no_probe",
        format!(
            "With a probe of {}:1 the mains of {} would put {} on the recorder's input; take an isolated or differential probe of \
             the right measurement category (--probe 100), or a coupling network that removes the mains.",
            wanted.probe,
            engineering(volts, "V"),
            engineering(volts / wanted.probe, "V")
        ),
    ))
}

fn rate_conflict(wanted: &Wanted, rate: f64, record_s: f64) -> Option<Conflict> {
    if rate > wanted.highest_rate_hz {
        return Some(Finding::unfit(
            "too_slow",
            format!(
                "{} needs {} and the recorder reaches {}; take a faster one, or end the range at {}.",
                wanted.range,
                engineering(rate, "S/s"),
                engineering(wanted.highest_rate_hz, "S/s"),
                engineering(wanted.highest_rate_hz / RATE_OVER_TOP, "Hz")
            ),
        ));
    }
    let held = wanted.memory / rate;
    (held < record_s * (1.0 - 1e-9)).then(|| {
        Finding::limit(
            "memory_too_small",
            format!(
                "A record of {} at {} needs {:.0} samples, and the memory holds {:.0}: it ends after {}; take more memory, or \
                 more captures one after the other.",
                engineering(record_s, "s"),
                engineering(rate, "S/s"),
                record_s * rate,
                wanted.memory,
                engineering(held, "s")
            ),
        )
    })
}

fn floor_conflict(wanted: &Wanted, full_scale_v: f64, floor_db: f64, smallest_db: f64) -> Option<Conflict> {
    let missing = floor_db + ABOVE_FLOOR_DB - smallest_db;
    (missing > 0.0).then(|| {
        let mut remedies = Vec::new();
        if wanted.mains_v.is_some() {
            remedies.push("take a coupling network that removes the mains".to_owned());
        }
        // Each bit is worth 6.02 dB; averages of captures that start at one phase of the mains lower the floor by 10 log N.
        let bits = (missing / (20.0 * 2f64.log10())).ceil();
        if f64::from(wanted.bits) + bits <= MOST_BITS {
            remedies.push(format!("take {bits:.0} bits more"));
        }
        let averages = 10f64.powf(missing / 10.0).ceil();
        if averages <= MOST_AVERAGES {
            remedies.push(format!("let the recorder average {averages:.0} records of what is in step with the mains"));
        }
        if remedies.is_empty() {
            remedies.push("expect less (--largest), so that a smaller range does, or ask for less (--smallest)".to_owned());
        }
        Finding::limit(
            "floor_too_high",
            format!(
                "{} bits on a range of {} cannot show {} in {}: the floor is {floor_db:.1} dBµV, {missing:.1} dB too high; {}.",
                wanted.bits,
                engineering(wanted.probe * full_scale_v, "V"),
                engineering(wanted.smallest_v, "V"),
                wanted.resolution,
                remedies.join(", or ")
            ),
        )
    })
}

/// That no rise would be shown in four of five cases, and what would change that.
fn no_difference(wanted: &Wanted, record_s: f64, narrowest: Band, rows: usize) -> Conflict {
    let shown =
        |captures| smallest_difference_db(narrowest.width(), record_s, captures, wanted.scatter, wanted.mains_hz, rows);
    let more = (wanted.captures + 1..=wanted.captures + 12).find_map(|captures| Some((captures, shown(captures)?)));
    Finding::limit(
        "no_difference",
        format!(
            "With {} captures of each state and {rows} rows in a table no rise in {narrowest} alone, however large, would be \
             shown in four of five cases, because so few captures hardly tell how they scatter; {}.",
            wanted.captures,
            more.map_or("take far more captures, or longer ones".to_owned(), |(captures, db)| {
                format!("take {captures} captures of each state ({db:.1} dB)")
            })
        ),
    )
}

/// The states of a survey with a filter; alternating, so that a slow change of the mains falls on all alike.
fn order() -> Vec<&'static str> {
    vec!["load off", "load on", "load on with the filter", "load off with the filter"]
}

fn checklist(plan: &Plan) -> Vec<String> {
    let wanted = &plan.wanted;
    let mut list = vec![
        "Mains can kill: probe and network of the right measurement category, scope never floated, qualified persons."
            .to_owned(),
    ];
    list.push(match wanted.mains_v {
        Some(volts) => format!(
            "Channel 1: differential probe {}:1 rated for {} and its peaks; the mains stays in the signal.",
            wanted.probe,
            engineering(volts, "V")
        ),
        None => format!(
            "Channel 1: coupling network that removes the mains, its response known (setup), then {}:1 into the recorder.",
            wanted.probe
        ),
    });
    list.push("Channel 2: pickup antenna at a distance that is measured and kept.".into());
    list.push(format!(
        "Range {} a division ({} in all), both channels on {} bits without a bandwidth limit below {}.",
        engineering(plan.volts_per_division, "V"),
        engineering(plan.full_scale_v, "V"),
        wanted.bits,
        engineering(wanted.range.high(), "Hz")
    ));
    list.push(format!(
        "Sample rate {}, record {} ({:.0} samples), plain sampling: no peak detect, no envelope.",
        engineering(plan.sample_rate_hz, "S/s"),
        engineering(plan.record_s, "s"),
        plan.samples
    ));
    list.push("One capture with the inputs shorted: its noise is the floor; write it down.".into());
    list.push(format!(
        "{} rounds of: {}; always in this order, so that a change of the mains falls on all alike.",
        plan.rounds,
        plan.order.join(", ")
    ));
    if let Pattern::ComesAndGoes { every_s } = wanted.pattern {
        let held = plan.record_s / every_s;
        list.push(if held >= TIMES_SEEN * (1.0 - 1e-9) {
            format!("The load comes and goes every {}: each record holds {TIMES_SEEN:.0} of that.", engineering(every_s, "s"))
        } else {
            format!(
                "The load comes and goes every {}, and a record holds {held:.1} of that: take captures while it is on, and say so.",
                engineering(every_s, "s")
            )
        });
    }
    list.push("After the first capture: inspect it (clipped? coarse? too short? floor?) before the next.".into());
    list.push("Write down: place, time, loads running, cable lengths, distance, settings, file names.".into());
    list.push("Hold the files against this plan with plan --check before leaving.".into());
    list
}

/// A capture held against the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Checked {
    /// The file.
    pub path: String,
    /// What was asked of it.
    pub points: Vec<CheckedPoint>,
}

impl Checked {
    /// Whether it keeps to the plan in every point.
    pub fn is_met(&self) -> bool {
        self.points.iter().all(|point| point.met)
    }
}

/// One point of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckedPoint {
    /// What it is about.
    pub what: String,
    /// As planned.
    pub planned: String,
    /// As found.
    pub found: String,
    /// Whether that will do.
    pub met: bool,
}

/// Holds a capture against the plan: rate, length, floor and clipping of each channel.
pub fn check(plan: &Plan, capture: &Inspection) -> Checked {
    let point =
        |what: &str, planned: String, found: String, met: bool| CheckedPoint { what: what.into(), planned, found, met };
    let slowest = RATE_OVER_TOP * plan.wanted.range.high();
    let shortest = if plan.record_s > LEAST_RECORD_S { plan.record_s } else { plan.record_s.min(SHORTEST_RECORD_S) };
    let mut points = vec![
        point(
            "sample rate",
            format!("at least {}", engineering(slowest, "S/s")),
            engineering(capture.sample_rate_hz, "S/s"),
            capture.sample_rate_hz >= slowest * (1.0 - 1e-6),
        ),
        point(
            "record",
            format!("at least {}", engineering(shortest, "s")),
            engineering(capture.duration_s, "s"),
            capture.duration_s >= shortest * (1.0 - 1e-3),
        ),
    ];
    let enbw = plan.enbw_hz;
    for channel in &capture.channels {
        let name = &channel.name;
        if channel.min >= channel.max {
            points.push(point(&format!("signal, {name}"), "present".into(), "none: a dead channel".into(), false));
        }
        points.push(point(
            &format!("clipped, {name}"),
            "0 %".into(),
            format!("{:.2} %", 100.0 * channel.clipped_fraction),
            channel.clipped_fraction == 0.0,
        ));
        if let Some(step) = channel.resolution.filter(|_| channel.role == crate::capture::Role::Wire) {
            let floor = Level::of_rms((step * step / 12.0 * enbw / (capture.sample_rate_hz / 2.0)).sqrt()).get();
            let most = plan.smallest_db - ABOVE_FLOOR_DB - 20.0 * plan.wanted.probe.log10();
            points.push(point(
                &format!("floor of the steps, {name}"),
                format!("at most {most:.1} dBµV").replace('-', "−"),
                format!("{floor:.1} dBµV").replace('-', "−"),
                floor <= most,
            ));
        }
    }
    Checked { path: capture.input.path.clone(), points }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_captures_show_less_and_three_show_loud_rises_only() {
        let smallest = |captures, rows| smallest_difference_db(2e3, 0.25, captures, 0.0, 50.0, rows);
        // Student's t of 2 degrees of freedom at 0.05/75 is 38.7 (any table of it); the mean of three captures of 0.25 s
        // over its standard error is √1500 = 38.7 as well, so that by powers the loudest rise is a toss of a coin.
        let rises = [3, 4, 5, 6, 12].map(|captures| smallest(captures, 75).unwrap());
        assert!(rises.windows(2).all(|pair| pair[1] < pair[0]), "{rises:?}");
        assert!(smallest(3, 6).is_some());
        let scattered = smallest_difference_db(2e3, 0.25, 6, 0.2, 50.0, 75);
        assert!(scattered.is_none_or(|db| db > 2.0 * rises[3]), "{scattered:?}");
    }
}
