//! Impulses in time: found over a robust estimate of the noise, each with its peak, slew, ring, energy and mains phase.
//!
//! The high-passed samples are judged in stretches of five mains periods, each by itself, so that the memory does not
//! grow with the record. A sample belongs to an impulse when
//!
//! - it is larger than the threshold times the noise of its stretch, the median of the magnitudes over 0.6745 (the
//!   standard deviation where the noise is normal, whatever a few impulses add), or
//! - the RMS value of the last 100 µs is larger than its own median by as many of its robust standard deviations:
//!   so a ring is found whose single samples drown.
//!
//! Samples that follow within the quiet time belong to the same impulse. Its ring is fitted by least squares: a damped
//! sine that begins at the onset, A · e^(−t/τ) · cos(2πft + φ), sent through the filters that the samples have passed, so
//! that what a high-pass at 1 kHz makes of the beginning of a ring of some kilohertz does no harm.
//!
//! # Sources
//! The median of magnitudes: Hampel, J. Am. Stat. Assoc. 69 (1974) 383-393 (from memory). Amplitude and phase follow
//! linearly for a given onset, frequency and decay (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10
//! (1973) 413-432, from memory).

mod phase;
mod ring;

pub use phase::MainsPhase;
pub use ring::{RingFit, fit_ring};

use serde::Serialize;

use crate::dsp::filter::{HighPass, LowPass};
use crate::dsp::peaks::median;
use crate::units::Hertz;

/// The filters that the samples have passed; a ring is fitted through the same ones.
#[derive(Debug, Clone, Default)]
pub struct Filters {
    /// The mains removal.
    pub high_pass: Option<HighPass>,
    /// The low-pass, where one was asked for.
    pub low_pass: Option<LowPass>,
}

impl Filters {
    /// What they make of samples that begin after rest.
    pub(super) fn apply(&self, samples: &mut [f64]) {
        if let Some(filter) = &self.high_pass {
            // It starts in the steady state of the first sample it sees; that is to be rest.
            let mut filter = filter.clone();
            filter.process(&mut [0.0]);
            filter.process(samples);
        }
        if let Some(filter) = &self.low_pass {
            filter.clone().process(samples);
        }
    }
}

/// What counts as an impulse.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Criteria {
    /// How many robust standard deviations of the noise it exceeds.
    pub threshold: f64,
    /// Impulses closer than this are one.
    pub quiet_s: f64,
    /// How many are kept in full, the strongest; all are counted.
    pub keep: usize,
}

impl Default for Criteria {
    /// Six standard deviations (of normal noise one sample of 500 million), 0.3 ms, a thousand.
    fn default() -> Self {
        Self { threshold: 6.0, quiet_s: 300e-6, keep: 1000 }
    }
}

/// One impulse; times in seconds after the first settled sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// The onset.
    pub time_s: f64,
    /// The largest magnitude.
    pub peak: f64,
    /// The largest magnitude of the rate of change from sample to sample, a second.
    pub slew: f64,
    /// From the onset to the last sample above half the threshold.
    pub duration_s: f64,
    /// The integral of the square over that time and what follows while it rings, the noise taken off.
    pub energy: f64,
    /// The ring, where a damped sine explains at least half of the energy.
    pub ring: Option<RingFit>,
    /// The samples around it, from `first_s` on; kept of the strongest one only.
    pub samples: Vec<f64>,
    /// The ring as it is fitted to these samples, through the filters; empty where there is none.
    pub fitted: Vec<f64>,
    /// The time of the first of these samples.
    pub first_s: f64,
    /// The noise of its stretch.
    pub noise: f64,
}

/// What was found in one channel.
#[derive(Debug, Clone)]
pub struct Detected {
    /// How many impulses there were.
    pub count: u64,
    /// The strongest of them in order of time, at most as many as were to be kept.
    pub events: Vec<Event>,
    /// The median over the stretches of the noise.
    pub noise: f64,
    /// How many samples were judged.
    pub samples: u64,
}

/// The RMS value is taken over this time.
const RMS_S: f64 = 100e-6;
/// Context that is held before an impulse.
const BEFORE_S: f64 = 1e-3;
/// An impulse that does not end is cut after this time.
const LONGEST_S: f64 = 0.1;
/// Stretches shorter than this say too little of the noise.
const SHORTEST_STRETCH: usize = 1024;

/// Finds impulses in one channel as its samples pass.
#[derive(Debug)]
pub struct Detector {
    rate: f64,
    criteria: Criteria,
    filters: Filters,
    /// The low-pass on its way.
    low_pass: Option<LowPass>,
    stretch: usize,
    rms_samples: usize,
    before: usize,
    /// Samples not yet let go, and the number of the first of them.
    held: Vec<f64>,
    first: u64,
    /// The next sample to judge.
    next: u64,
    open: Option<Open>,
    count: u64,
    events: Vec<Event>,
    /// What an event has to exceed to be kept.
    least_kept: f64,
    noises: Vec<f64>,
}

#[derive(Debug, Clone, Copy)]
struct Open {
    start: u64,
    last: u64,
    threshold: f64,
    noise: f64,
}

impl Detector {
    /// Starts with nothing; `mains_hz` sets the length of the stretches. The samples pushed have passed the high-pass;
    /// the low-pass is applied here. Both must be as new.
    pub fn new(rate: Hertz, mains_hz: f64, criteria: Criteria, filters: Filters) -> Self {
        let rate = rate.get();
        Self {
            rate,
            criteria,
            low_pass: filters.low_pass.clone(),
            filters,
            stretch: samples_in(5.0 / mains_hz, rate).max(SHORTEST_STRETCH),
            rms_samples: samples_in(RMS_S, rate).max(4),
            before: samples_in(BEFORE_S, rate).max(16),
            held: Vec::new(),
            first: 0,
            next: 0,
            open: None,
            count: 0,
            events: Vec::new(),
            least_kept: 0.0,
            noises: Vec::new(),
        }
    }

    /// Takes the next samples; `each` is told the onset of every impulse that ends, in seconds.
    pub fn push(&mut self, samples: &[f64], mut each: impl FnMut(f64)) {
        let mut rest = samples;
        while !rest.is_empty() {
            // The second half of the next stretch waits, so that a short rest at the end joins the last one.
            let wanted = (self.stretch + self.stretch / 2).saturating_sub(self.waiting());
            let (now, later) = rest.split_at(wanted.min(rest.len()));
            let from = self.held.len();
            self.held.extend_from_slice(now);
            if let Some(filter) = &mut self.low_pass {
                filter.process(&mut self.held[from..]);
            }
            rest = later;
            if self.waiting() >= self.stretch + self.stretch / 2 {
                self.judge(self.stretch, &mut each);
            }
        }
    }

    /// Judges what is left; `None` where there were too few samples to know the noise.
    pub fn finish(mut self, mut each: impl FnMut(f64)) -> Option<Detected> {
        let left = self.waiting();
        if left > 0 && (left >= SHORTEST_STRETCH || !self.noises.is_empty()) {
            self.judge(left, &mut each);
        }
        if let Some(open) = self.open.take() {
            self.close(open, &mut each);
        }
        if self.noises.is_empty() {
            return None;
        }
        self.trim();
        self.events.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        self.keep_samples_of_the_strongest();
        Some(Detected { count: self.count, events: self.events, noise: median(&mut self.noises), samples: self.next })
    }

    fn waiting(&self) -> usize {
        self.held.len() - self.offset(self.next)
    }

    #[expect(clippy::cast_possible_truncation, reason = "within what is held in memory")]
    fn offset(&self, sample: u64) -> usize {
        sample.saturating_sub(self.first) as usize
    }

    fn judge(&mut self, count: usize, each: &mut impl FnMut(f64)) {
        let from = self.offset(self.next);
        let noise = robust_deviation(&self.held[from..from + count]);
        let rms = self.running_rms(from, count);
        let (middle, scatter) = robust_spread(&rms);
        let limit = self.criteria.threshold * noise;
        let rms_limit = middle + self.criteria.threshold * scatter;
        self.noises.push(noise);
        let quiet = (self.criteria.quiet_s * self.rate).max(1.0);
        let longest = LONGEST_S * self.rate;
        for (i, rms) in rms.iter().enumerate() {
            let at = self.next + i as u64;
            let value = self.held[from + i].abs();
            let is_active = (value > limit || *rms > rms_limit) && value.max(*rms) > 0.0;
            match &mut self.open {
                Some(open) if (at - open.last) as f64 > quiet || (at - open.start) as f64 > longest => {
                    let ended = *open;
                    self.open = None;
                    self.close(ended, each);
                    if is_active {
                        self.open = Some(Open { start: at, last: at, threshold: limit, noise });
                    }
                }
                Some(open) => {
                    if is_active {
                        open.last = at;
                    }
                }
                None => {
                    if is_active {
                        self.open = Some(Open { start: at, last: at, threshold: limit, noise });
                    }
                }
            }
        }
        self.next += count as u64;
        let needed = self.open.map_or(self.next, |open| open.start).saturating_sub(self.before as u64);
        let gone = self.offset(needed).min(self.held.len());
        self.held.drain(..gone);
        self.first += gone as u64;
    }

    /// The RMS value over the last samples, at each sample of a stretch.
    fn running_rms(&self, from: usize, count: usize) -> Vec<f64> {
        let width = self.rms_samples;
        let mut sum = 0.0;
        let start = from.saturating_sub(width);
        let squares: Vec<f64> = self.held[start..from + count].iter().map(|x| x * x).collect();
        let mut out = Vec::with_capacity(count);
        for i in 0..squares.len() {
            sum += squares[i];
            if i >= width {
                sum -= squares[i - width];
            }
            if start + i >= from {
                out.push((sum.max(0.0) / width as f64).sqrt());
            }
        }
        out
    }

    fn close(&mut self, open: Open, each: &mut impl FnMut(f64)) {
        self.count += 1;
        let lead = self.rms_samples as u64;
        let begin = self.offset(open.start.saturating_sub(lead).max(self.first));
        let end = (self.offset(open.last) + 1).min(self.held.len());
        let body = &self.held[begin..end];
        let peak = body.iter().fold(0.0f64, |most, x| most.max(x.abs()));
        let half = open.threshold / 2.0;
        let loud = body.iter().position(|x| x.abs() > half).unwrap_or(0);
        let coarse_onset = (self.first + (begin + loud) as u64) as f64 / self.rate;
        let is_kept = self.events.len() < 2 * self.criteria.keep && peak > self.least_kept;
        if !is_kept {
            each(coarse_onset);
            return;
        }
        let from = begin.saturating_sub(self.before);
        // The tail of a ring says most of its decay; the quiet time holds no other impulse.
        let after = self.rms_samples.max(samples_in(self.criteria.quiet_s, self.rate));
        let until = (end + after).min(self.held.len());
        let window = &self.held[from..until];
        let ring = fit_ring(window, begin - from, self.rate, open.noise, &self.filters);
        let first_s = (self.first + from as u64) as f64 / self.rate;
        let time_s = ring.map_or(coarse_onset, |ring| first_s + ring.onset_s);
        let onset = samples_in((time_s - first_s).max(0.0), self.rate).min(window.len() - 1);
        let loud_end = window[..end - from].iter().rposition(|x| x.abs() > half).unwrap_or(onset).max(onset);
        let square: f64 = window[onset..].iter().map(|x| x * x).sum();
        let noise = open.noise * open.noise * (window.len() - onset) as f64;
        let steps = window[onset.saturating_sub(1)..].windows(2).map(|pair| (pair[1] - pair[0]).abs());
        self.events.push(Event {
            time_s,
            peak,
            slew: steps.fold(0.0, f64::max) * self.rate,
            duration_s: (loud_end + 1 - onset) as f64 / self.rate,
            energy: (square - noise).max(0.0) / self.rate,
            ring,
            fitted: ring.map_or(Vec::new(), |ring| ring.samples(window.len(), self.rate, &self.filters)),
            samples: window.to_vec(),
            first_s,
            noise: open.noise,
        });
        each(time_s);
        self.keep_samples_of_the_strongest();
        if self.events.len() >= 2 * self.criteria.keep {
            self.trim();
        }
    }

    /// Only the strongest event shows its samples: the others let theirs go.
    fn keep_samples_of_the_strongest(&mut self) {
        let with_samples = self.events.iter().filter(|event| !event.samples.is_empty());
        let most = with_samples.map(|event| event.peak).fold(0.0, f64::max);
        for event in self.events.iter_mut().filter(|event| event.peak < most) {
            event.samples = Vec::new();
            event.fitted = Vec::new();
        }
    }

    /// Keeps the strongest.
    fn trim(&mut self) {
        let keep = self.criteria.keep.max(1);
        if self.events.len() > keep {
            self.events.sort_by(|a, b| b.peak.total_cmp(&a.peak));
            self.events.truncate(keep);
            self.least_kept = self.events.last().map_or(0.0, |event| event.peak);
        }
    }
}

/// The standard deviation of normal noise from the median of its magnitudes.
fn robust_deviation(samples: &[f64]) -> f64 {
    let mut magnitudes: Vec<f64> = samples.iter().map(|x| x.abs()).collect();
    median(&mut magnitudes) / 0.674_489_75
}

/// The median and the robust standard deviation about it.
fn robust_spread(values: &[f64]) -> (f64, f64) {
    let mut sorted = values.to_vec();
    let middle = median(&mut sorted);
    let distances: Vec<f64> = values.iter().map(|value| value - middle).collect();
    (middle, robust_deviation(&distances))
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and it saturates")]
fn samples_in(seconds: f64, rate: f64) -> usize {
    (seconds * rate).round() as usize
}
