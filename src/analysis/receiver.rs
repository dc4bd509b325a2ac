//! What does a measuring receiver read: peak, quasi-peak, average, RMS-average, at all frequencies of a band?

use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

use super::budget::of_reading;
use super::findings;
use super::observe::{Input, floor_density, with_inputs};
use super::pipeline::{Passed, Pipeline, rows};
use super::settings::Settings;
use crate::capture::{Channel, Port, Quantity, Recording, Role};
use crate::compare::margin::Against;
use crate::error::{Error, Finding};
use crate::measure::detector::{BANDS, DETECTORS, Detector, QUASI_PEAK_SECONDS, ReceiverBand};
use crate::measure::mains::{Mains, MainsSource};
use crate::measure::receiver::{Course, Readings, Receiver, Tuning, repeated};
use crate::read::Source;
use crate::uncertainty::budget::{Budget, Contribution, Distribution};
use crate::units::{Band, Hertz, Level};

/// From here on with [`Request::extend`]; the levels below band A belong to no band of the standard.
pub const EXTENSION_HZ: f64 = 2e3;
/// The distance of frequencies may be so many times smaller than the bandwidth at most.
const FINEST: f64 = 20.0;
/// A record that is to be repeated is held in memory: so many samples of each channel at most, 4 s at 1 MS/s.
const LONGEST_REPEATED: u64 = 1 << 22;
/// Bounds in decibels of what the receiver itself adds: filter and steps (`tests/suite/receiver_reference.rs`), the
/// circuit of the quasi-peak detector beside the published figures of the standard (reading of the pulse of
/// calibration; the table of pulses is closer).
const FILTER_DB: f64 = 0.03;
const CIRCUIT_DB: f64 = 0.6;
/// What is missing after [`QUASI_PEAK_SECONDS`] of pulses at 25 Hz; it falls with the discharge time.
const UNSETTLED_DB: f64 = 0.1;

/// What is asked of a receiver.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// The band.
    pub band: &'static ReceiverBand,
    /// The distance of the frequencies; the band's own where `None`.
    pub step: Option<Hertz>,
    /// Whether to begin at [`EXTENSION_HZ`], below band A.
    pub extend: bool,
    /// Whether to take the record, cut to whole mains cycles, for one period of a repeating signal.
    pub repeat: bool,
    /// The frequency whose course of time is wanted.
    pub course: Option<Hertz>,
    /// Whether the uncertainty of the highest reading is wanted.
    pub budget: bool,
}

impl Default for Request {
    /// Band A, every 100 Hz, the record as it is.
    fn default() -> Self {
        Self { band: &BANDS[0], step: None, extend: false, repeat: false, course: None, budget: false }
    }
}

/// The period that was taken from a record.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Period {
    /// Its length.
    pub period_s: f64,
    /// How many mains cycles it holds.
    pub mains_cycles: u64,
}

/// How the readings came about.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reception {
    /// The letter of the band whose constants were used.
    pub band: &'static str,
    /// The width of the filter at 6 dB.
    pub bandwidth_hz: f64,
    /// The distance of the frequencies.
    pub step_hz: f64,
    /// The lowest frequency looked at.
    pub first_hz: f64,
    /// The highest frequency looked at.
    pub last_hz: f64,
    /// Frequencies below this one are an extension and no part of the band; `None` where there are none.
    pub extension_below_hz: Option<f64>,
    /// The charge time.
    pub charge_s: f64,
    /// The discharge time.
    pub discharge_s: f64,
    /// The time constant of the meter.
    pub meter_s: f64,
    /// The corner of the RMS-average detector.
    pub corner_hz: f64,
    /// The step between envelopes.
    pub envelope_step_s: f64,
    /// How long the record is.
    pub duration_s: f64,
    /// Samples left out at the start while the high-pass settled.
    pub settling_samples: u64,
    /// Samples left out at either end of the rest, where the filter would see beyond it.
    pub edge_samples: u64,
    /// The period, where the record was taken for one of a repeating signal.
    pub repeated: Option<Period>,
}

/// The readings of one channel.
#[derive(Debug, Clone)]
pub struct ChannelReadings {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// The frequencies.
    pub frequency_hz: Vec<f64>,
    /// A row a detector, in the order of [`DETECTORS`]; `None` where the record does not carry it.
    pub levels: Vec<Option<Vec<Level>>>,
    /// Why detectors are missing.
    pub reason: Option<String>,
    /// The level of the recorder's own noise in the filter, where it is known.
    pub floor_db: Option<Vec<Level>>,
    /// The course of time at one frequency, where it was asked for.
    pub course: Option<Course>,
    /// How sure the highest reading is, where it was asked for.
    pub budget: Option<Budget>,
    /// Where the quantity is taken, as far as the measuring chain says.
    pub port: Option<Port>,
    /// The published levels that were asked for.
    pub against: Vec<Against>,
}

impl ChannelReadings {
    /// The levels of a detector by its name; `None` where the record does not carry it.
    pub fn of(&self, detector: &str) -> Option<&[Level]> {
        self.levels[Detector::place(detector)?].as_deref()
    }

    /// The detector by which readings are ranked: quasi-peak, or peak where there is none.
    pub fn leading(&self) -> (&'static Detector, &[Level]) {
        let row = |name| {
            let place = Detector::place(name)?;
            Some((&DETECTORS[place], self.levels[place].as_deref()?))
        };
        row("quasi_peak").or_else(|| row("peak")).unwrap_or((&DETECTORS[0], &[]))
    }

    /// The places of the highest readings, the highest first: local maxima, none within a bandwidth of a higher one.
    pub fn highest(&self, count: usize, apart_hz: f64) -> Vec<usize> {
        let (_, levels) = self.leading();
        let at = |k: usize| levels[k].get();
        let is_top = |k: usize| (k == 0 || at(k - 1) < at(k)) && (k + 1 == levels.len() || at(k + 1) <= at(k));
        let mut tops: Vec<usize> = (0..levels.len()).filter(|&k| at(k).is_finite() && is_top(k)).collect();
        tops.sort_by(|&a, &b| at(b).total_cmp(&at(a)));
        let mut kept: Vec<usize> = Vec::new();
        for k in tops {
            if kept.len() == count {
                break;
            }
            if kept.iter().all(|&other| (self.frequency_hz[k] - self.frequency_hz[other]).abs() > apart_hz) {
                kept.push(k);
            }
        }
        kept
    }
}

impl Serialize for ChannelReadings {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("name", &self.name)?;
        map.serialize_entry("role", &self.role)?;
        map.serialize_entry("unit", &self.unit)?;
        map.serialize_entry("frequency_hz", &self.frequency_hz)?;
        for (detector, levels) in DETECTORS.iter().zip(&self.levels) {
            map.serialize_entry(&format!("{}_db", detector.name), levels)?;
            if detector.needs_s > 0.0 {
                let reason = self.reason.as_ref().filter(|_| levels.is_none());
                map.serialize_entry(&format!("{}_reason", detector.name), &reason)?;
            }
        }
        map.serialize_entry("floor_db", &self.floor_db)?;
        if let Some(course) = &self.course {
            map.serialize_entry("course", &CourseLevels::of(course))?;
        }
        if let Some(budget) = &self.budget {
            map.serialize_entry("budget", budget)?;
        }
        map.serialize_entry("port", &self.port)?;
        if !self.against.is_empty() {
            map.serialize_entry("against", &self.against)?;
        }
        map.end()
    }
}

/// A course of time as levels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CourseLevels {
    /// The frequency.
    pub frequency_hz: f64,
    /// The end of each step.
    pub time_s: Vec<f64>,
    /// The largest envelope in the step.
    pub envelope_db: Vec<Level>,
    /// The needle of the quasi-peak detector.
    pub quasi_peak_db: Vec<Level>,
    /// The needle of the average detector.
    pub average_db: Vec<Level>,
}

impl CourseLevels {
    /// The same course in decibels.
    pub fn of(course: &Course) -> Self {
        let levels = |values: &[f64]| values.iter().map(|&rms| Level::of_rms(rms)).collect();
        Self {
            frequency_hz: course.frequency_hz,
            time_s: course.time_s.clone(),
            envelope_db: levels(&course.envelope),
            quasi_peak_db: levels(&course.quasi_peak),
            average_db: levels(&course.average),
        }
    }
}

/// The readings of one capture.
#[derive(Debug, Clone, Serialize)]
pub struct CaptureReadings {
    /// The file.
    pub path: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// How the readings came about.
    pub analysis: Reception,
    /// The mains.
    pub mains: Mains,
    /// The channels, the wire first.
    pub channels: Vec<ChannelReadings>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// The readings of a capture, with its input.
///
/// # Errors
/// Whatever is wrong with the file, a band or a step that does not fit, a record shorter than the filter needs, or a
/// period that is to be repeated but not known.
pub fn receive(
    source: &Source,
    settings: &Settings,
    request: &Request,
) -> Result<(Vec<Input>, CaptureReadings), Error> {
    with_inputs(source, settings, |pipeline| of_pipeline(pipeline, settings, request))
}

/// The same for a recording that is open already, such as one that lies in memory.
///
/// # Errors
/// As [`receive`].
pub fn receive_recording(
    recording: Box<dyn Recording>,
    settings: &Settings,
    request: &Request,
) -> Result<CaptureReadings, Error> {
    of_pipeline(Pipeline::new(recording, settings)?, settings, request)
}

/// The frequencies: from the lower end of the band (or of its extension) in equal steps, as far as the range and the
/// clock reach.
fn frequencies(request: &Request, range: Band, rate: Hertz, path: &str) -> Result<Vec<f64>, Error> {
    let band = request.band;
    let step = request.step.map_or(band.spacing_hz, Hertz::get);
    let (finest, coarsest) = (band.bandwidth_hz / FINEST, band.high_hz - band.low_hz);
    if !(finest..=coarsest).contains(&step) {
        return Err(Error::usage(format!("a --step of {step} Hz"))
            .expected(format!("{finest} to {coarsest} Hz in band {}", band.name)));
    }
    let low = if request.extend { EXTENSION_HZ } else { band.low_hz };
    if low > band.low_hz {
        return Err(Error::usage(format!("--extend beside band {}", band.name))
            .expected("band A")
            .remedy("leave --extend out"));
    }
    let reach = Tuning { band: *band, frequencies: Vec::new(), course: None }.filter().reach_hz();
    let (from, to) = (low.max(range.low()), band.high_hz.min(range.high()).min(rate.get() / 2.0 - reach));
    // Rounding must not lose the last one.
    let place = |frequency: f64| (frequency - low) / step;
    let (first, last) = ((place(from) - 1e-6).ceil(), (place(to) + 1e-6).floor());
    if last < first || from < reach {
        return Err(Error::input(format!("sampled at {rate}, looked at in {range}"))
            .in_file(path)
            .expected(format!(
                "some of {} to {} kHz, band {}, and {reach:.0} Hz to either side",
                low / 1e3,
                band.high_hz / 1e3,
                band.name
            ))
            .remedy("record with a higher sampling rate, or give another --range or --band"));
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, bounded by the step")]
    let count = (last - first) as u32 + 1;
    Ok((0..count).map(|k| low + (first + f64::from(k)) * step).collect())
}

/// What the period of a repeated record is made of.
struct Repeat {
    samples: usize,
    cycles: u64,
    seen_across: bool,
}

fn period_of(settled: usize, rate: Hertz, mains: &Mains, edge: f64, path: &str) -> Result<Repeat, Error> {
    let cycle = mains.period_samples(rate);
    let whole = (settled as f64 / cycle).floor();
    let clear = ((settled as f64 - 2.0 * edge) / cycle).floor();
    if whole < 1.0 {
        return Err(Error::input(format!("{:.2} mains cycles once the high-pass has settled", settled as f64 / cycle))
            .in_file(path)
            .expected("at least one whole cycle to repeat")
            .remedy("record longer, or give --high-pass off where a coupling network removes the mains"));
    }
    let cycles = clear.max(1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the record")]
    let (samples, cycles) = (((cycles * cycle).round() as usize).min(settled), cycles as u64);
    Ok(Repeat { samples, cycles, seen_across: clear < 1.0 })
}

fn of_pipeline(pipeline: Pipeline, settings: &Settings, request: &Request) -> Result<CaptureReadings, Error> {
    let (rate, range, mains) = (pipeline.rate(), pipeline.range, pipeline.mains);
    let path = pipeline.header().path.clone();
    let chains = pipeline.chains().to_vec();
    let channels: Vec<Channel> = pipeline.channels_behind_chains();
    let frequencies = frequencies(request, range, rate, &path)?;
    let nearest = |wanted: Hertz| {
        let off = |k: &usize| (frequencies[*k] - wanted.get()).abs();
        (0..frequencies.len()).min_by(|a, b| off(a).total_cmp(&off(b)))
    };
    let course = request.course.and_then(nearest);
    let tuning = Tuning { band: *request.band, frequencies: frequencies.clone(), course };
    let corrections: Vec<_> = (0..channels.len()).map(|channel| pipeline.amplitude_correction(channel)).collect();
    let settling_samples = pipeline.unsettled();
    if request.repeat && mains.source == MainsSource::Assumed {
        return Err(Error::input(
            "nothing in the record shows the mains frequency, so the period of --repeat is not known",
        )
        .in_file(path)
        .expected("a mains frequency")
        .remedy("give --mains 50 or --mains 60"));
    }

    let mut receiver = Receiver::new(rate, &tuning, &corrections)?;
    let (envelope_step_s, edge_samples) = (receiver.step_s(), receiver.edge_samples());
    let mut record = vec![Vec::new(); channels.len()];
    let mut settled: u64 = 0;
    let passed = pipeline.run(|_, block| {
        let Some(block) = block else { return };
        settled += block.len() as u64;
        if !request.repeat {
            receiver.push(&rows(block));
        } else if settled <= LONGEST_REPEATED {
            record
                .iter_mut()
                .zip(rows(block))
                .for_each(|(record, row): (&mut Vec<f64>, _)| record.extend_from_slice(row));
        }
    })?;
    let (readings, period) = if request.repeat {
        if settled > LONGEST_REPEATED {
            return Err(Error::input(format!("{settled} samples to repeat"))
                .in_file(path)
                .expected(format!("at most {LONGEST_REPEATED}"))
                .remedy("leave --repeat out: the record is long enough by itself"));
        }
        let record: Vec<&[f64]> = record.iter().map(Vec::as_slice).collect();
        let repeat = period_of(record[0].len(), rate, &mains, edge_samples as f64, &path)?;
        (repeated(rate, &tuning, &record, &corrections, repeat.samples)?, Some(repeat))
    } else {
        let short = || {
            let needed = 2 * edge_samples as u64 + settling_samples;
            Error::input(format!("holds {settled} settled samples, fewer than the filter reaches to both sides"))
                .in_file(path.clone())
                .expected(format!("more than {:.1} ms", 1e3 * needed as f64 / rate.get()))
                .remedy("record longer, or give --high-pass off where a coupling network removes the mains")
        };
        (receiver.finish().ok_or_else(short)?, None)
    };

    let (first_hz, last_hz) = (frequencies[0], frequencies[frequencies.len() - 1]);
    let analysis = Reception {
        band: request.band.name,
        bandwidth_hz: request.band.bandwidth_hz,
        step_hz: request.step.map_or(request.band.spacing_hz, Hertz::get),
        first_hz,
        last_hz,
        extension_below_hz: (first_hz < request.band.low_hz).then_some(request.band.low_hz),
        charge_s: request.band.charge_s,
        discharge_s: request.band.discharge_s,
        meter_s: request.band.meter_s,
        corner_hz: request.band.corner_hz,
        envelope_step_s,
        duration_s: passed.statistics.samples as f64 / rate.get(),
        settling_samples,
        edge_samples: edge_samples as u64,
        repeated: period
            .as_ref()
            .map(|period| Period { period_s: period.samples as f64 / rate.get(), mains_cycles: period.cycles }),
    };
    let warnings = warnings(&passed, settings, &analysis, period.as_ref());
    let noise_bandwidth = tuning.filter().noise_bandwidth();
    let floor = |channel: usize, frequency: f64| {
        let seen = passed.statistics.channels[passed.selected[channel]].rounding_mean_square();
        floor_density(seen, chains[channel].as_ref(), rate, range, frequency).map(|density| density * noise_bandwidth)
    };
    let mut done = Vec::with_capacity(channels.len());
    for (number, (channel, readings)) in channels.iter().zip(readings).enumerate() {
        let mut of_channel = channel_readings(channel, readings, &frequencies, &analysis, |at| floor(number, at));
        of_channel.port = chains[number].as_ref().and_then(|chain| chain.port);
        if request.budget
            && let Some(&place) = of_channel.highest(1, 0.0).first()
        {
            let (detector, levels) = of_channel.leading();
            let chain = chains[number].as_ref();
            let own = receiver_rows(detector, &analysis);
            let at = frequencies[place];
            let power = 10f64.powf(levels[place].get() / 10.0) * 1e-12;
            of_channel.budget = Some(of_reading(power, chain, at, floor(number, at), own));
        }
        done.push(of_channel);
    }
    Ok(CaptureReadings { path, sample_rate_hz: rate.get(), analysis, mains, channels: done, warnings })
}

fn channel_readings(
    channel: &Channel,
    readings: Readings,
    frequencies: &[f64],
    analysis: &Reception,
    floor: impl Fn(f64) -> Option<f64>,
) -> ChannelReadings {
    let Readings { rows, course } = readings;
    let carries = |detector: &Detector| analysis.repeated.is_some() || analysis.duration_s >= detector.needs_s;
    let levels = DETECTORS
        .iter()
        .zip(rows)
        .map(|(detector, row)| carries(detector).then(|| row.into_iter().map(Level::of_rms).collect()))
        .collect::<Vec<Option<Vec<Level>>>>();
    let reason = levels.contains(&None).then(|| {
        format!(
            "{:.3} s: a settled quasi-peak value takes about {QUASI_PEAK_SECONDS} s; --repeat takes the record for one \
             period of a repeating signal",
            analysis.duration_s
        )
    });
    ChannelReadings {
        name: channel.name.clone(),
        role: channel.role,
        unit: channel.quantity.clone(),
        frequency_hz: frequencies.to_vec(),
        levels,
        reason,
        floor_db: frequencies.iter().map(|&at| Some(Level::of_rms(floor(at)?.sqrt()))).collect(),
        course,
        budget: None,
        port: None,
        against: Vec::new(),
    }
}

fn receiver_rows(detector: &Detector, analysis: &Reception) -> Vec<Contribution> {
    let bound = |quantity: &str, db: f64| {
        let distribution = Distribution::Rectangular;
        Contribution::stated(quantity, distribution, db / distribution.divisor())
    };
    let mut rows = vec![bound("filter and steps of the receiver", FILTER_DB)];
    if detector.needs_s > 0.0 {
        rows.push(bound("circuit of the quasi-peak detector", CIRCUIT_DB));
        if analysis.repeated.is_none() {
            let longer = analysis.duration_s - QUASI_PEAK_SECONDS;
            rows.push(bound("needle not yet settled", UNSETTLED_DB * (-longer / analysis.discharge_s).exp()));
        }
    }
    rows
}

fn warnings(passed: &Passed, settings: &Settings, analysis: &Reception, period: Option<&Repeat>) -> Vec<Finding> {
    let mut warnings = findings::of_samples(passed);
    let band = ReceiverBand::named(analysis.band).unwrap_or(&BANDS[0]);
    let wanted = band.high_hz.min(settings.range.high());
    if analysis.last_hz + analysis.step_hz <= wanted {
        warnings.push(Finding::limit(
            "receiver_range",
            format!(
                "the receiver reaches {} kHz of {} kHz: the filter has to stay below half the sampling rate and within \
                 the measuring chain",
                analysis.last_hz / 1e3,
                wanted / 1e3
            ),
        ));
    }
    if let Some(low) = analysis.extension_below_hz {
        warnings.push(Finding::note(
            "extension",
            format!("readings below {} kHz are an extension: no part of band {}", low / 1e3, analysis.band),
        ));
    }
    match (analysis.repeated, period) {
        (Some(Period { period_s, mains_cycles }), Some(period)) => {
            let cycles = if mains_cycles == 1 { "mains cycle" } else { "mains cycles" };
            warnings.push(Finding::limit(
                "repeated",
                format!(
                    "all readings take {mains_cycles} {cycles} ({:.2} ms) of the record for one period of a signal that \
                     repeats for ever; what was on the line before and after is not known",
                    1e3 * period_s
                ),
            ));
            if period.seen_across {
                warnings.push(Finding::limit(
                    "repeated_across",
                    "the record is too short for the filter to stay within it: where the end meets the beginning, a step of \
                     the signal reads as an impulse; record longer",
                ));
            }
        }
        _ if analysis.duration_s < QUASI_PEAK_SECONDS => warnings.push(Finding::limit(
            "no_quasi_peak",
            format!(
                "{:.3} s: a settled quasi-peak value takes about {QUASI_PEAK_SECONDS} s, so none is given; --repeat takes \
                 the record for one period of a repeating signal",
                analysis.duration_s
            ),
        )),
        _ => {}
    }
    warnings
}
