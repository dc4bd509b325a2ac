//! Which impulses, how often, where in the mains cycle?

use serde::Serialize;

use super::observe::{Input, with_inputs};
use super::pipeline::Pipeline;
use super::settings::Settings;
use crate::capture::{Quantity, Recording, Role};
use crate::dsp::filter::{HighPass, LowPass};
use crate::dsp::peaks::median;
use crate::error::{Error, Finding};
use crate::measure::mains::{Mains, MainsSource};
use crate::measure::transients::{Criteria, Detected, Detector, Event, Filters, MainsPhase};
use crate::read::Source;
use crate::units::Hertz;

/// The histogram over the mains phase has so many bins.
pub const PHASE_BINS: usize = 36;
/// Impulses of wire and air that begin within this time of each other are one.
const TOGETHER_S: f64 = 200e-6;

/// One impulse.
#[derive(Debug, Clone, Serialize)]
pub struct EventRow {
    /// The onset, in seconds after the first sample of the record.
    pub time_s: f64,
    /// The largest magnitude of the high-passed samples.
    pub peak: f64,
    /// The largest magnitude of their rate of change, in U/s.
    pub slew: f64,
    /// The frequency of the ring; `None` where it is none.
    pub ring_hz: Option<f64>,
    /// The time constant of its decay.
    pub decay_s: Option<f64>,
    /// Its amplitude at the onset, before the high-pass and the low-pass.
    pub ring_amplitude: Option<f64>,
    /// The share of the energy that the ring explains.
    pub ring_share: Option<f64>,
    /// From the onset to the last sample above half the threshold.
    pub duration_s: f64,
    /// The integral of the square, the noise taken off, in U²s.
    pub energy: f64,
    /// The phase of the mains at the onset.
    pub mains_phase_deg: Option<f64>,
    /// How much later the same impulse begins in the other channel; `None` where that shows none.
    pub other_delay_s: Option<f64>,
}

/// The strongest impulse with its samples, for a picture.
#[derive(Debug, Clone, Serialize)]
pub struct Strongest {
    /// Times in seconds after the onset.
    pub time_s: Vec<f64>,
    /// The high-passed samples.
    pub samples: Vec<f64>,
    /// The fitted ring at the same times; empty where there is none.
    pub ring: Vec<f64>,
}

/// The impulses of one channel.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelTransients {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit of the samples: that of the recorder.
    pub unit: Quantity,
    /// How many impulses there were.
    pub count: u64,
    /// How many in each mains period, in the mean.
    pub per_mains_cycle: f64,
    /// How many in each second.
    pub per_second: f64,
    /// The noise that the threshold is counted from: the median over the stretches.
    pub noise_rms: f64,
    /// All impulses by the mains phase of their onset, in bins of ten degrees from 0 on; `None` without a phase.
    pub phase_histogram: Option<Vec<u64>>,
    /// The median ring frequency of those that ring.
    pub ring_hz: Option<f64>,
    /// The median time constant of their decay.
    pub decay_s: Option<f64>,
    /// How many of those listed ring.
    pub ringing: usize,
    /// How many of those listed begin in the other channel as well.
    pub matched: Option<usize>,
    /// The median delay of the other channel.
    pub other_delay_s: Option<f64>,
    /// The impulses in order of time; the strongest where there are too many.
    pub events: Vec<EventRow>,
    /// The strongest one.
    pub strongest: Option<Strongest>,
}

/// The impulses of one capture.
#[derive(Debug, Clone, Serialize)]
pub struct CaptureTransients {
    /// The file.
    pub path: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// The mains.
    pub mains: Mains,
    /// Why there is no mains phase, where there is none.
    pub no_phase: Option<&'static str>,
    /// The cutoff of the low-pass, where there was one.
    pub low_pass_hz: Option<Hertz>,
    /// How much of the record was judged.
    pub duration_s: f64,
    /// The channels, the wire first.
    pub channels: Vec<ChannelTransients>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// The impulses of a capture, with its input. A low-pass keeps out what would hide slower rings, such as the tone of a
/// switching frequency.
///
/// # Errors
/// Whatever is wrong with the file, a record too short to know its noise.
pub fn transients(
    source: &Source,
    settings: &Settings,
    criteria: Criteria,
    low_pass: Option<Hertz>,
) -> Result<(Vec<Input>, CaptureTransients), Error> {
    with_inputs(source, settings, |pipeline| of_pipeline(pipeline, settings, criteria, low_pass))
}

/// The same for a recording that is open already.
///
/// # Errors
/// As [`transients`].
pub fn transients_of_recording(
    recording: Box<dyn Recording>,
    settings: &Settings,
    criteria: Criteria,
    low_pass: Option<Hertz>,
) -> Result<CaptureTransients, Error> {
    of_pipeline(Pipeline::new(recording, settings)?, settings, criteria, low_pass)
}

fn of_pipeline(
    pipeline: Pipeline,
    settings: &Settings,
    criteria: Criteria,
    low_pass: Option<Hertz>,
) -> Result<CaptureTransients, Error> {
    let rate = pipeline.rate();
    let mains = pipeline.mains;
    let unsettled = pipeline.unsettled();
    let channels = pipeline.channels().to_vec();
    let selected = pipeline.selected().to_vec();
    let high_pass = settings.high_pass.map(|cutoff| HighPass::new(cutoff, rate)).transpose()?;
    let filters = Filters { high_pass, low_pass: low_pass.map(|cutoff| LowPass::new(cutoff, rate)).transpose()? };
    let mut phase = mains.phase_deg.map(|degrees| MainsPhase::new(rate, mains.frequency_hz, degrees, channels.len()));
    let mut detectors: Vec<(Detector, Histogram)> = channels
        .iter()
        .map(|_| (Detector::new(rate, mains.frequency_hz, criteria, filters.clone()), Histogram::default()))
        .collect();
    let from_start = |seconds: f64| seconds + unsettled as f64 / rate.get();
    let passed = pipeline.run(|block, settled| {
        if let Some(phase) = &mut phase {
            let rows: Vec<&[f64]> = selected.iter().map(|&index| block.channel(index)).collect();
            phase.push(&rows);
        }
        let Some(settled) = settled else { return };
        for (number, (detector, histogram)) in detectors.iter_mut().enumerate() {
            detector.push(settled.channel(number), |at| histogram.waiting.push(from_start(at) * rate.get()));
            match &phase {
                Some(phase) => histogram.count(phase, |at| phase.is_settled_at(at)),
                None => histogram.waiting.clear(),
            }
        }
    })?;
    let path = passed.header.path.clone();
    let mut found: Vec<(Detected, Vec<u64>)> = Vec::new();
    for (detector, mut histogram) in detectors {
        let detected = detector.finish(|at| histogram.waiting.push(from_start(at) * rate.get()));
        if let Some(phase) = &phase {
            histogram.count(phase, |_| true);
        }
        let detected = detected.ok_or_else(|| {
            Error::input("is too short to tell impulses from noise")
                .in_file(path.clone())
                .expected("some milliseconds once the high-pass has settled")
                .remedy("record longer")
        })?;
        found.push((detected, histogram.counts.to_vec()));
    }
    let duration_s = found.first().map_or(0.0, |(detected, _)| detected.samples as f64 / rate.get());
    let mut warnings = super::findings::of_samples(&passed);
    warnings.extend(findings(&found, criteria, settings));
    let no_phase = match (mains.phase_deg, mains.source) {
        (Some(_), _) => None,
        (None, MainsSource::NoiseEnvelope) => {
            Some("the mains shows in the swelling of the noise only, which has the frequency but no phase")
        }
        (None, _) => Some("the record does not show the mains"),
    };
    let delays = delays(&channels.iter().map(|c| c.role).collect::<Vec<_>>(), &found);
    let channels = channels
        .into_iter()
        .zip(found)
        .zip(delays)
        .map(|((channel, (detected, histogram)), delays)| {
            let degrees = |at: f64| Some(phase.as_ref()?.degrees_at(from_start(at) * rate.get()));
            let rows: Vec<EventRow> = detected
                .events
                .iter()
                .zip(&delays.each)
                .map(|(event, delay)| EventRow {
                    time_s: from_start(event.time_s),
                    peak: event.peak,
                    slew: event.slew,
                    ring_hz: event.ring.map(|ring| ring.frequency_hz),
                    decay_s: event.ring.map(|ring| ring.decay_s),
                    ring_amplitude: event.ring.map(|ring| ring.amplitude),
                    ring_share: event.ring.map(|ring| ring.explained),
                    duration_s: event.duration_s,
                    energy: event.energy,
                    mains_phase_deg: degrees(event.time_s),
                    other_delay_s: *delay,
                })
                .collect();
            let middle = |of: &dyn Fn(&EventRow) -> Option<f64>| -> Option<f64> {
                let mut values: Vec<f64> = rows.iter().filter_map(of).collect();
                (!values.is_empty()).then(|| median(&mut values))
            };
            let cycles = duration_s * mains.frequency_hz;
            ChannelTransients {
                name: channel.name,
                role: channel.role,
                unit: channel.quantity,
                count: detected.count,
                per_mains_cycle: detected.count as f64 / cycles,
                per_second: detected.count as f64 / duration_s,
                noise_rms: detected.noise,
                phase_histogram: no_phase.is_none().then_some(histogram),
                ring_hz: middle(&|row| row.ring_hz),
                decay_s: middle(&|row| row.decay_s),
                ringing: rows.iter().filter(|row| row.ring_hz.is_some()).count(),
                matched: delays.is_matched.then(|| rows.iter().filter(|row| row.other_delay_s.is_some()).count()),
                other_delay_s: middle(&|row| row.other_delay_s),
                strongest: detected
                    .events
                    .iter()
                    .max_by(|a, b| a.peak.total_cmp(&b.peak))
                    .map(|e| strongest(e, rate.get())),
                events: rows,
            }
        })
        .collect();
    Ok(CaptureTransients {
        path,
        sample_rate_hz: rate.get(),
        mains,
        no_phase,
        low_pass_hz: low_pass,
        duration_s,
        channels,
        warnings,
    })
}

/// Impulses counted by the mains phase; those whose phase may still change wait.
#[derive(Debug)]
struct Histogram {
    counts: [u64; PHASE_BINS],
    /// Onsets in samples of the record.
    waiting: Vec<f64>,
}

impl Default for Histogram {
    fn default() -> Self {
        Self { counts: [0; PHASE_BINS], waiting: Vec::new() }
    }
}

impl Histogram {
    fn count(&mut self, phase: &MainsPhase, is_settled: impl Fn(f64) -> bool) {
        let counts = &mut self.counts;
        self.waiting.retain(|&at| {
            let counted = is_settled(at);
            if counted {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to the last bin")]
                let bin = (phase.degrees_at(at) / 360.0 * PHASE_BINS as f64) as usize;
                counts[bin.min(PHASE_BINS - 1)] += 1;
            }
            !counted
        });
    }
}

/// How much later each event begins in the other channel.
struct Delays {
    each: Vec<Option<f64>>,
    is_matched: bool,
}

fn delays(roles: &[Role], found: &[(Detected, Vec<u64>)]) -> Vec<Delays> {
    let mut delays: Vec<Delays> = found
        .iter()
        .map(|(detected, _)| Delays { each: vec![None; detected.events.len()], is_matched: false })
        .collect();
    let of = |role| roles.iter().position(|other| *other == role);
    let (Some(wire), Some(air)) = (of(Role::Wire), of(Role::Air)) else { return delays };
    let events = |channel: usize| &found[channel].0.events;
    let mut from = 0;
    for (i, event) in events(wire).iter().enumerate() {
        while events(air).get(from).is_some_and(|other| other.time_s < event.time_s - TOGETHER_S) {
            from += 1;
        }
        let near = events(air)[from..].iter().take_while(|other| other.time_s <= event.time_s + TOGETHER_S);
        let nearest = near
            .enumerate()
            .min_by(|(_, a), (_, b)| (a.time_s - event.time_s).abs().total_cmp(&(b.time_s - event.time_s).abs()));
        if let Some((offset, other)) = nearest {
            let delay = other.time_s - event.time_s;
            delays[wire].each[i] = Some(delay);
            delays[air].each[from + offset] = Some(-delay);
        }
    }
    delays[wire].is_matched = true;
    delays[air].is_matched = true;
    delays
}

fn strongest(event: &Event, rate: f64) -> Strongest {
    let time = |n: usize| n as f64 / rate + event.first_s - event.time_s;
    let count = event.samples.len();
    Strongest { time_s: (0..count).map(time).collect(), samples: event.samples.clone(), ring: event.fitted.clone() }
}

fn findings(found: &[(Detected, Vec<u64>)], criteria: Criteria, settings: &Settings) -> Vec<Finding> {
    let mut findings = Vec::new();
    let most = found.iter().map(|(detected, _)| detected.count).max().unwrap_or(0);
    if most > criteria.keep as u64 {
        findings.push(Finding::note(
            "events_capped",
            format!(
                "{most} impulses in one channel: counts, rate and histogram are of all of them, the list holds the {} \
                 strongest (--keep)",
                criteria.keep
            ),
        ));
    }
    if settings.setup.is_some() {
        findings.push(Finding::note(
            "chain_not_applied",
            "impulses are measured in time, where the measuring chain is not undone: values are those at the recorder",
        ));
    }
    if settings.high_pass.is_none() {
        findings.push(Finding::limit(
            "no_high_pass",
            "without the high-pass what is left of the mains counts as noise and hides smaller impulses",
        ));
    }
    findings
}
