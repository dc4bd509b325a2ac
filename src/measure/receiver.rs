//! A measuring receiver tuned to all frequencies at once: the filter bank, and the detectors down its envelopes.
//!
//! Samples are cut into long segments that overlap by the reach of the filter; the stretch at either end in which
//! the filter sees beyond the segment is left out, and so are the two ends of the record. The envelopes go to
//! detectors of [`LANES`] frequencies at a time and are forgotten, so memory does not grow with the record.

use crate::dsp::Complex;
use crate::dsp::filter_bank::{FilterBank, Gaussian, Workspace};
use crate::error::Error;
use crate::lanes::{Kernel, widest};
use crate::measure::detector::{DETECTORS, Detector, LANES, Lanes, ReceiverBand, Weighting};
use crate::spread;
use crate::units::Hertz;

/// The steps of an envelope are so many of the filter's own times 1/(2πs) apart at most: 0.5 ms at 200 Hz. The peak
/// then errs by less than 0.001 dB and the quasi-peak by less than 0.01 dB (`fixtures/reference/receiver.json`).
const STEP: f64 = 0.267;
/// Steps in a segment: the ends that are left out are then a tenth of it.
const STEPS: usize = 512;
/// Steps that all detectors of a group go down one after the other, so that they stay in the fastest memory.
const STRETCH: usize = 64;
/// Frequencies that one thread works on at a time.
const TOGETHER: usize = 4 * LANES;
/// A period is repeated until the slowest detector has forgotten its start: e^−14, 0.00001 dB.
const SETTLING: f64 = 14.0;
/// The time course is given at these steps, in seconds.
const COURSE_S: f64 = 10e-3;

/// What the detectors read at all frequencies of one channel, in the RMS of the equivalent sine.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    /// A row a detector, in the order of [`DETECTORS`]; in each a value a frequency.
    pub rows: Vec<Vec<f64>>,
    /// The course of time at one frequency, where it was asked for.
    pub course: Option<Course>,
}

impl Readings {
    /// The values of a detector by its name.
    pub fn of(&self, detector: &str) -> Option<&[f64]> {
        Some(&self.rows[Detector::place(detector)?])
    }
}

/// How the reading at one frequency came about.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Course {
    /// The frequency.
    pub frequency_hz: f64,
    /// The end of each step, counted from the first sample that was pushed.
    pub time_s: Vec<f64>,
    /// The largest envelope in the step.
    pub envelope: Vec<f64>,
    /// The needle of the quasi-peak detector at the end of the step.
    pub quasi_peak: Vec<f64>,
    /// The needle of the average detector.
    pub average: Vec<f64>,
}

/// What a receiver is set to.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuning {
    /// The constants of its band.
    pub band: ReceiverBand,
    /// The frequencies in hertz.
    pub frequencies: Vec<f64>,
    /// The number of the frequency whose course of time is wanted.
    pub course: Option<usize>,
}

impl Tuning {
    /// The filter.
    ///
    /// # Panics
    /// When the bandwidth of the band is not above zero.
    pub fn filter(&self) -> Gaussian {
        Gaussian::new(Hertz::new(self.band.bandwidth_hz).expect("a row of the table of bands"))
    }

    fn longest_step_s(&self) -> f64 {
        STEP * self.filter().reach_s() / 6.0
    }
}

/// Accumulates the readings of all channels of a recording.
///
/// ```
/// use linewake::dsp::Complex;
/// use linewake::measure::detector::BANDS;
/// use linewake::measure::receiver::{Receiver, Tuning};
/// use linewake::units::{Hertz, Level};
/// let tuning = Tuning { band: BANDS[0], frequencies: vec![50e3], course: None };
/// let mut receiver = Receiver::new(Hertz::new(250e3)?, &tuning, &[|_| Complex::new(1.0, 0.0)])?;
/// let sine: Vec<f64> = (0..25_000).map(|n| 2e-3 * 2f64.sqrt() * (std::f64::consts::TAU * 0.2 * f64::from(n)).sin()).collect();
/// receiver.push(&[&sine]);
/// let readings = receiver.finish().unwrap();
/// assert!((Level::of_rms(readings[0].of("peak").unwrap()[0]).get() - 66.02).abs() < 0.01); // 2 mV are 66.02 dBµV
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug)]
pub struct Receiver {
    bank: FilterBank,
    /// Samples in a step.
    stride: usize,
    /// Steps left out at either end of a segment.
    edge: usize,
    channels: Vec<Channel>,
    /// The samples of each channel from the start of the next segment on.
    held: Vec<Vec<f64>>,
    /// Where the next segment starts.
    start: u64,
    step_s: f64,
}

#[derive(Debug)]
struct Channel {
    correction: Vec<Complex<f64>>,
    work: Workspace,
    segment: Vec<f64>,
    spectrum: Vec<Complex<f64>>,
    chunks: Vec<Chunk>,
}

/// Some neighbouring frequencies with their detectors.
#[derive(Debug)]
struct Chunk {
    first: usize,
    count: usize,
    /// For each group of lanes its detectors.
    groups: Vec<Vec<Box<dyn Weighting>>>,
    work: Workspace,
    /// The powers of the envelopes of a group, a row a lane.
    powers: Vec<f64>,
    tile: Vec<Lanes>,
    course: Option<Tap>,
}

impl Receiver {
    /// Tunes a receiver for as many channels as there are corrections: factors on amplitudes by frequency in hertz.
    ///
    /// # Errors
    /// No frequency, or one that the rate cannot carry together with the reach of the filter.
    pub fn new(rate: Hertz, tuning: &Tuning, corrections: &[impl Fn(f64) -> Complex<f64>]) -> Result<Self, Error> {
        check(rate, tuning)?;
        let stride = smooth_at_most(rate.get() * tuning.longest_step_s());
        let step_s = stride as f64 / rate.get();
        let edge = whole((tuning.filter().reach_s() / step_s).ceil());
        let bank = FilterBank::new(rate, stride * STEPS, STEPS, tuning.filter(), &tuning.frequencies);
        let channels: Vec<_> =
            corrections.iter().map(|response| Channel::new(&bank, tuning, step_s, response)).collect();
        let held = vec![Vec::new(); channels.len()];
        Ok(Self { bank, stride, edge, channels, held, start: 0, step_s })
    }

    /// The step of the envelopes in seconds.
    pub fn step_s(&self) -> f64 {
        self.step_s
    }

    /// How many samples are left out at either end of the record.
    pub fn edge_samples(&self) -> usize {
        self.edge * self.stride
    }

    /// Takes the next samples of all channels.
    ///
    /// # Panics
    /// When there are not as many channels as corrections were given, or when they differ in length.
    pub fn push(&mut self, channels: &[&[f64]]) {
        assert_eq!(channels.len(), self.held.len(), "as many channels as corrections");
        assert!(channels.iter().all(|channel| channel.len() == channels[0].len()), "channels of equal length");
        for (held, channel) in self.held.iter_mut().zip(channels) {
            held.extend_from_slice(channel);
        }
        let length = self.bank.length();
        let hop = (STEPS - 2 * self.edge) * self.stride;
        let mut at = 0;
        while self.held[0].len() - at >= length {
            self.segment(at, STEPS - self.edge);
            at += hop;
            self.start += hop as u64;
        }
        // Held samples move rarely: only when a segment was used up.
        if at > 0 {
            for held in &mut self.held {
                held.drain(..at);
            }
        }
    }

    /// Runs a segment that begins at a held sample: its steps from the edge to an end. What lies behind the record is
    /// silence, which no step in use sees.
    fn segment(&mut self, at: usize, end: usize) {
        let Self { bank, channels, held, edge, stride, start, step_s, .. } = self;
        let bank = &*bank;
        let work: Vec<_> = channels.iter_mut().zip(held.iter()).collect();
        spread::map(work, |(channel, held)| {
            let Channel { correction, work, segment, spectrum, .. } = channel;
            let length = bank.length().min(held.len() - at);
            segment.clear();
            segment.extend_from_slice(&held[at..at + length]);
            segment.resize(bank.length(), 0.0);
            bank.transform(segment, correction, work, spectrum);
        });
        let steps = *edge..end;
        let clock = Clock { first_s: (*start as f64 / *stride as f64 + *edge as f64) * *step_s, step_s: *step_s };
        let chunks: Vec<_> = channels
            .iter_mut()
            .flat_map(|Channel { chunks, spectrum, .. }| chunks.iter_mut().map(|chunk| (chunk, spectrum.as_slice())))
            .collect();
        spread::map(chunks, |(chunk, spectrum)| chunk.run(bank, spectrum, steps.clone(), |run| run.push(clock)));
    }

    /// The readings of all channels; `None` where the record is shorter than the filter reaches to both sides.
    pub fn finish(mut self) -> Option<Vec<Readings>> {
        let (mut at, hop) = (0, (STEPS - 2 * self.edge) * self.stride);
        let mut steps = self.start > 0;
        loop {
            // The last step that sees no further than the record.
            let end = ((self.held[0].len() - at) / self.stride + 1).saturating_sub(self.edge).min(STEPS - self.edge);
            if end <= self.edge {
                break;
            }
            self.segment(at, end);
            steps = true;
            if end < STEPS - self.edge || self.held[0].len() < at + hop {
                break;
            }
            at += hop;
            self.start += hop as u64;
        }
        steps.then(|| self.channels.into_iter().map(Channel::readings).collect())
    }
}

/// The readings of a record taken as one period of a signal that repeats for ever.
///
/// The period is a whole number of samples from the middle of the record. What the filter sees beyond the ends of
/// the record is taken from one period further on. The detectors run until they have forgotten their start, then
/// over one period more, which is read.
///
/// # Errors
/// As [`Receiver::new`].
///
/// # Panics
/// When a record is shorter than the period, the period is empty, or there are not as many channels as corrections.
pub fn repeated(
    rate: Hertz,
    tuning: &Tuning,
    channels: &[&[f64]],
    corrections: &[impl Fn(f64) -> Complex<f64>],
    period: usize,
) -> Result<Vec<Readings>, Error> {
    check(rate, tuning)?;
    assert_eq!(channels.len(), corrections.len(), "a correction for each channel");
    assert!(period > 0 && channels.iter().all(|record| record.len() >= period), "records of at least a period");
    let period_s = period as f64 / rate.get();
    let steps = whole((period_s / tuning.longest_step_s()).ceil()).max(1);
    let step_s = period_s / steps as f64;
    let edge = whole((tuning.filter().reach_s() / step_s).ceil());
    let periods = (steps + 2 * edge).div_ceil(steps);
    let bank = FilterBank::new(rate, periods * period, periods * steps, tuning.filter(), &tuning.frequencies);
    let before = whole((edge as f64 * period as f64 / steps as f64).round());
    let settling = whole((SETTLING * tuning.band.discharge_s.max(tuning.band.meter_s) / period_s).ceil());
    let work: Vec<_> =
        channels.iter().zip(corrections.iter().map(|response| Channel::new(&bank, tuning, step_s, response))).collect();
    let readings = work.into_iter().map(|(record, mut channel)| {
        let first = (record.len() - period) / 2;
        let mut extended: Vec<f64> =
            (0..bank.length()).map(|n| record[within(first + n, before, record.len(), period)]).collect();
        let Channel { correction, work, spectrum, chunks, .. } = &mut channel;
        bank.transform(&mut extended, correction, work, spectrum);
        let clock = Clock { first_s: 0.0, step_s };
        spread::map(chunks.iter_mut().collect(), |chunk: &mut Chunk| {
            chunk.run(&bank, spectrum, edge..edge + steps, |run| {
                for _ in 0..settling {
                    run.push_quietly();
                }
                run.restart();
                run.push(clock);
            });
        });
        channel.readings()
    });
    Ok(readings.collect())
}

/// The sample `before` samples earlier than a place, moved by whole periods into the record.
fn within(place: usize, before: usize, length: usize, period: usize) -> usize {
    match place.checked_sub(before) {
        Some(place) if place < length => place,
        Some(place) => length - period + (place - length) % period,
        None => (period - (before - place) % period) % period,
    }
}

/// The filters must lie within what the rate carries.
fn check(rate: Hertz, tuning: &Tuning) -> Result<(), Error> {
    let reach = tuning.filter().reach_hz();
    let carried = reach..=rate.get() / 2.0 - reach;
    if tuning.frequencies.is_empty() {
        return Err(Error::usage("a receiver without a frequency").expected("at least one frequency"));
    }
    if let Some(frequency) = tuning.frequencies.iter().find(|frequency| !carried.contains(frequency)) {
        return Err(Error::usage(format!("a receiver at {frequency} Hz for samples at {rate}"))
            .expected(format!("frequencies from {reach:.0} Hz up, and as far below half the sampling rate")));
    }
    Ok(())
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and it saturates")]
fn whole(value: f64) -> usize {
    value as usize
}

/// The largest number up to a limit without prime factors above five, at least 1; such lengths transform fast.
fn smooth_at_most(limit: f64) -> usize {
    let is_smooth = |n: &usize| {
        let rest = [2, 3, 5].into_iter().fold(*n, |n, prime| {
            std::iter::successors(Some(n), |n| n.is_multiple_of(prime).then(|| n / prime)).last().unwrap_or(n)
        });
        rest == 1
    };
    (1..=whole(limit).max(1)).rev().find(is_smooth).unwrap_or(1)
}

/// The time of the first step of a stretch, and of each further one.
#[derive(Debug, Clone, Copy)]
struct Clock {
    first_s: f64,
    step_s: f64,
}

impl Channel {
    fn new(bank: &FilterBank, tuning: &Tuning, step_s: f64, response: impl Fn(f64) -> Complex<f64>) -> Self {
        let chunk = |first: usize| Chunk::new(tuning, first, step_s);
        Self {
            correction: bank.correction(response),
            work: Workspace::default(),
            segment: Vec::new(),
            spectrum: Vec::new(),
            chunks: (0..tuning.frequencies.len()).step_by(TOGETHER).map(chunk).collect(),
        }
    }

    fn readings(self) -> Readings {
        let mut rows = vec![Vec::new(); DETECTORS.len()];
        let mut course = None;
        for chunk in self.chunks {
            for (number, group) in chunk.groups.iter().enumerate() {
                let lanes = LANES.min(chunk.count - number * LANES);
                for (row, detector) in rows.iter_mut().zip(group) {
                    row.extend_from_slice(&detector.reading()[..lanes]);
                }
            }
            course = course.or(chunk.course.map(|tap| tap.course));
        }
        Readings { rows, course }
    }
}

impl Chunk {
    fn new(tuning: &Tuning, first: usize, step_s: f64) -> Self {
        let count = TOGETHER.min(tuning.frequencies.len() - first);
        let group = |_| DETECTORS.iter().map(|detector| detector.at_rest(&tuning.band, step_s)).collect();
        let course = tuning.course.filter(|wanted| (first..first + count).contains(wanted));
        Self {
            first,
            count,
            groups: (0..count.div_ceil(LANES)).map(group).collect(),
            work: Workspace::default(),
            powers: Vec::new(),
            tile: Vec::new(),
            course: course.map(|wanted| Tap::new(wanted - first, tuning, wanted, step_s)),
        }
    }

    /// Makes the envelopes of some steps, group by group, and lets detectors run.
    fn run(
        &mut self,
        bank: &FilterBank,
        spectrum: &[Complex<f64>],
        steps: std::ops::Range<usize>,
        each: impl Fn(&mut Run<'_>),
    ) {
        let Self { first, count, groups, work, powers, tile, course } = self;
        powers.clear();
        powers.resize(steps.len() * LANES, 0.0);
        for (number, detectors) in groups.iter_mut().enumerate() {
            let lanes = LANES.min(*count - number * LANES);
            powers[lanes * steps.len()..].fill(0.0);
            for (lane, powers) in powers.chunks_exact_mut(steps.len()).take(lanes).enumerate() {
                let envelope = bank.envelope(spectrum, *first + number * LANES + lane, work);
                widest(Powers { envelope: &envelope[steps.clone()], powers });
            }
            let course = course.as_mut().filter(|tap| tap.place / LANES == number);
            each(&mut Run { envelopes: Envelopes { powers, steps: steps.len() }, tile, detectors, course });
        }
    }
}

/// The envelopes of a group, as powers in a row a lane.
#[derive(Clone, Copy)]
struct Envelopes<'a> {
    powers: &'a [f64],
    steps: usize,
}

impl Envelopes<'_> {
    /// Turns some steps to a row a step, and powers to magnitudes.
    fn turn(self, steps: std::ops::Range<usize>, tile: &mut Vec<Lanes>) {
        tile.resize(steps.len(), [0.0; LANES]);
        for (lane, powers) in self.powers.chunks_exact(self.steps).enumerate() {
            tile.iter_mut().zip(&powers[steps.clone()]).for_each(|(row, power)| row[lane] = *power);
        }
        widest(Roots(tile));
    }
}

/// The squares of the magnitudes of an envelope.
struct Powers<'a> {
    envelope: &'a [Complex<f64>],
    powers: &'a mut [f64],
}

impl Kernel for Powers<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for (power, value) in self.powers.iter_mut().zip(self.envelope) {
            *power = value.re * value.re + value.im * value.im;
        }
    }
}

/// From powers to magnitudes.
struct Roots<'a>(&'a mut [Lanes]);

impl Kernel for Roots<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for row in self.0 {
            for value in row {
                *value = value.sqrt();
            }
        }
    }
}

/// The envelopes of a group on their way through its detectors.
struct Run<'a> {
    envelopes: Envelopes<'a>,
    tile: &'a mut Vec<Lanes>,
    detectors: &'a mut [Box<dyn Weighting>],
    course: Option<&'a mut Tap>,
}

impl Run<'_> {
    fn push_quietly(&mut self) {
        self.pass(None);
    }

    fn push(&mut self, clock: Clock) {
        self.pass(Some(clock));
    }

    fn pass(&mut self, clock: Option<Clock>) {
        let Self { envelopes, tile, detectors, course } = self;
        for first in (0..envelopes.steps).step_by(STRETCH) {
            envelopes.turn(first..envelopes.steps.min(first + STRETCH), tile);
            detectors.iter_mut().for_each(|detector| detector.push(tile));
        }
        if let Some(tap) = course {
            envelopes.turn(0..envelopes.steps, tile);
            tap.push(tile, clock);
        }
    }

    fn restart(&mut self) {
        for detector in self.detectors.iter_mut() {
            detector.restart();
        }
    }
}

/// Follows the needles at one frequency.
#[derive(Debug)]
struct Tap {
    place: usize,
    steps: usize,
    quasi_peak: Box<dyn Weighting>,
    average: Box<dyn Weighting>,
    course: Course,
}

impl Tap {
    fn new(place: usize, tuning: &Tuning, frequency: usize, step_s: f64) -> Self {
        let detector = |name: &str| {
            let place = Detector::place(name).expect("a row of the table of detectors");
            DETECTORS[place].at_rest(&tuning.band, step_s)
        };
        Self {
            place,
            steps: whole(COURSE_S / step_s).max(1),
            quasi_peak: detector("quasi_peak"),
            average: detector("average"),
            course: Course { frequency_hz: tuning.frequencies[frequency], ..Course::default() },
        }
    }

    /// Runs the detectors; writes down where they stand when there is a clock.
    fn push(&mut self, tile: &[Lanes], clock: Option<Clock>) {
        let lane = self.place % LANES;
        for (number, steps) in tile.chunks(self.steps).enumerate() {
            self.quasi_peak.push(steps);
            self.average.push(steps);
            let Some(Clock { first_s, step_s }) = clock else { continue };
            let last = (number * self.steps + steps.len() - 1) as f64;
            self.course.time_s.push(first_s + last * step_s);
            self.course.envelope.push(steps.iter().fold(0.0, |most, row| most.max(row[lane])));
            self.course.quasi_peak.push(self.quasi_peak.indication()[lane]);
            self.course.average.push(self.average.indication()[lane]);
        }
    }
}
