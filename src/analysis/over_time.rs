//! How do the levels of a long recording move over time? A row an interval, in one pass, by one machine or many.
//!
//! Each interval is an observation of its own: the high-pass settles on what lies before it, and segments lie within
//! it. So it does not matter where a pass began, and the rows that several machines made of parts of one recording are
//! to the bit those of one pass.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::batch::level_interval;
use super::findings;
use super::observe::{Observed, Periods, Wants, observe_recording};
use super::pipeline::{open, range_of};
use super::settings::{SEGMENT_LIMITS, Settings};
use crate::capture::{Quantity, Recording, Reel, Role, sample_at};
use crate::dsp::segment::segment_length;
use crate::error::{Error, Severity};
use crate::measure::bands::Scheme;
use crate::measure::condition::Conditioner;
use crate::read::Source;
use crate::spread::{self, Shard};
use crate::units::{Band, Level};

/// More intervals than this are refused; no table holds them.
const MOST_INTERVALS: u64 = 1_000_000;
/// So much of the beginning and of the end of a recording tells it from others, where the whole is too long to be read
/// for that alone.
const END_BYTES: usize = 1 << 20;

/// The RMS value of a band, as a document carries it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Value {
    /// The lower edge.
    pub low_hz: f64,
    /// The upper edge.
    pub high_hz: f64,
    /// The RMS value in the channel's unit.
    pub rms: f64,
    /// The level; `None` for no power at all.
    pub level_db: Option<f64>,
}

impl Value {
    fn new(band: Band, rms: f64) -> Self {
        let level = Level::of_rms(rms).get();
        Self { low_hz: band.low(), high_hz: band.high(), rms, level_db: level.is_finite().then_some(level) }
    }
}

/// One channel in an interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct IntervalChannel {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// The whole range.
    pub total: Value,
    /// The 95 % interval of its level from the scatter of the mains periods, where there are two or more.
    pub ci95_db: Option<[f64; 2]>,
    /// The bands.
    pub bands: Vec<Value>,
}

/// What limits an interval.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Limit {
    /// The stable word.
    pub code: String,
    /// The sentence.
    pub message: String,
}

/// One interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Its number, from 0.
    pub number: u64,
    /// When it begins, in seconds from the first sample of the recording.
    pub from_s: f64,
    /// When it ends.
    pub to_s: f64,
    /// Segments averaged.
    pub segments: u64,
    /// The channels, the wire first.
    pub channels: Vec<IntervalChannel>,
    /// What limits it.
    pub warnings: Vec<Limit>,
}

/// A band of a channel over all intervals.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Whole {
    /// Mean power over all segments.
    #[serde(flatten)]
    pub mean: Value,
    /// The highest level of an interval.
    pub highest_db: Option<f64>,
    /// When that interval begins.
    pub highest_at_s: f64,
    /// The lowest level of an interval.
    pub lowest_db: Option<f64>,
    /// When that interval begins.
    pub lowest_at_s: f64,
}

/// A channel over all intervals.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WholeChannel {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// The whole range.
    pub total: Whole,
    /// The bands.
    pub bands: Vec<Whole>,
}

/// What limits some intervals.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Limited {
    /// The stable word.
    pub code: String,
    /// In how many intervals.
    pub intervals: u64,
    /// The number of the first of them.
    pub first: u64,
    /// What was said there.
    pub message: String,
}

/// What tells one recording from others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Identity {
    /// The file as it was named.
    pub path: String,
    /// Its length.
    pub bytes: u64,
    /// The SHA-256 of its first and its last megabyte.
    pub ends_sha256: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// The length of an interval.
    pub every_s: f64,
}

/// The levels of one recording over time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OverTime {
    /// Which recording, cut how.
    #[serde(flatten)]
    pub identity: Identity,
    /// How many intervals the whole recording holds; `None` where a part of the work cannot tell.
    pub interval_count: Option<u64>,
    /// The intervals that were looked at, in the order of time.
    pub intervals: Vec<Interval>,
    /// All of these together, channel by channel.
    pub channels: Vec<WholeChannel>,
    /// What limits some of them.
    pub warnings: Vec<Limited>,
}

/// What a document holds of [`OverTime`] that is not made from the rest.
#[derive(Debug, Clone, Deserialize)]
pub struct Part {
    /// Which recording, cut how.
    #[serde(flatten)]
    pub identity: Identity,
    /// How many intervals the whole recording holds.
    pub interval_count: Option<u64>,
    /// The intervals that were looked at.
    pub intervals: Vec<Interval>,
}

/// The levels of a recording over time: a row for each interval of so many seconds.
///
/// Rows are worked on at the same time where the recording can be entered anywhere, else one after the other in one
/// pass. Both give the same rows.
///
/// # Errors
/// Whatever is wrong with the file, intervals shorter than the settling and one segment, or too many of them.
pub fn over_time(
    source: &Source,
    settings: &Settings,
    scheme: &Scheme,
    every_s: f64,
    shard: Shard,
) -> Result<OverTime, Error> {
    let recording = fresh(source, settings)?;
    let header = recording.header().clone();
    let rate = header.clock.rate.get();
    let every = sample_at(every_s, rate);
    if every == 0 {
        return Err(Error::usage(format!("intervals of {every_s} s hold no sample at {}", header.clock.rate))
            .expected("--every 10s, 10m, 1h"));
    }
    let bands = scheme.bands(range_of(&header, settings)?)?;
    let segment =
        settings.segment.unwrap_or_else(|| segment_length(&settings.window, header.clock.rate, settings.resolution));
    let run_in = Conditioner::new(Vec::new(), settings.high_pass, header.clock.rate)
        .map_err(|e| e.in_file(header.path.clone()))?
        .unsettled();
    let shortest = run_in + segment.max(SEGMENT_LIMITS.0) as u64;
    let work = Work { source, settings, bands, every, run_in, shortest };
    let (interval_count, intervals) = work.intervals(recording, shard)?;
    let identity = Identity {
        path: header.path,
        bytes: source.byte_count()?,
        ends_sha256: source.sha256_of_ends(END_BYTES)?,
        sample_rate_hz: rate,
        every_s,
    };
    if intervals.is_empty() && shard == Shard::WHOLE {
        return Err(Error::input("holds no interval with a whole segment")
            .in_file(identity.path)
            .remedy("record longer, or leave --every out"));
    }
    Ok(together(identity, interval_count, intervals))
}

/// Puts parts of the work on one recording together.
///
/// # Errors
/// Parts of different recordings or cuts, and parts that hold the same interval with different values.
pub fn merged(parts: Vec<(String, Part)>) -> Result<OverTime, Error> {
    let mut parts = parts.into_iter();
    let Some((first_name, first)) = parts.next() else {
        return Err(Error::usage("there is nothing to merge").expected("documents of bands --every"));
    };
    let mut intervals: BTreeMap<u64, (Interval, String)> = BTreeMap::new();
    let mut interval_count = None;
    let (identity, rest) = (first.identity.clone(), parts);
    for (name, part) in std::iter::once((first_name.clone(), first)).chain(rest) {
        if part.identity != identity {
            let (what, found, expected) = differing(&part.identity, &identity);
            return Err(Error::input(format!("is a part of another work: {what} is {found}"))
                .in_file(name)
                .expected(format!("{expected}, as in {first_name}")));
        }
        if let (Some(count), Some(other)) = (part.interval_count, interval_count)
            && count != other
        {
            return Err(Error::input(format!("counts {count} intervals"))
                .in_file(name)
                .expected(format!("{other}, as the other parts do"))
                .remedy("the recording changed between the parts: make them again"));
        }
        interval_count = interval_count.or(part.interval_count);
        for interval in part.intervals {
            let number = interval.number;
            match intervals.get(&number) {
                Some((other, _)) if *other == interval => {}
                Some((_, other)) => {
                    return Err(Error::input(format!("holds interval {number} with other values than {other}"))
                        .in_file(name)
                        .remedy("the recording changed between the parts: make them again"));
                }
                None => drop(intervals.insert(number, (interval, name.clone()))),
            }
        }
    }
    if intervals.is_empty() {
        return Err(Error::input("the parts hold no interval").in_file(first_name));
    }
    Ok(together(identity, interval_count, intervals.into_values().map(|(interval, _)| interval).collect()))
}

impl OverTime {
    /// The numbers of the intervals that are missing, as far as that can be told.
    pub fn missing(&self) -> Vec<u64> {
        let last = self.intervals.last().map(|interval| interval.number + 1);
        let held: std::collections::BTreeSet<u64> = self.intervals.iter().map(|interval| interval.number).collect();
        (0..self.interval_count.or(last).unwrap_or(0)).filter(|number| !held.contains(number)).collect()
    }
}

/// The first thing in which two works differ, as found and as expected.
fn differing(found: &Identity, expected: &Identity) -> (&'static str, String, String) {
    let pairs = [
        ("the file", found.path.clone(), expected.path.clone()),
        ("its length", format!("{} bytes", found.bytes), format!("{} bytes", expected.bytes)),
        ("its sampling rate", format!("{} Hz", found.sample_rate_hz), format!("{} Hz", expected.sample_rate_hz)),
        ("the interval", format!("{} s", found.every_s), format!("{} s", expected.every_s)),
    ];
    let contents = ("the content of the file", found.ends_sha256.clone(), expected.ends_sha256.clone());
    pairs.into_iter().find(|(_, found, expected)| found != expected).unwrap_or(contents)
}

fn fresh(source: &Source, settings: &Settings) -> Result<Box<dyn Recording>, Error> {
    Ok(open(source, settings)?.0)
}

/// What is the same for all intervals of a recording.
struct Work<'a> {
    source: &'a Source,
    settings: &'a Settings,
    bands: Vec<Band>,
    /// Samples in an interval.
    every: u64,
    /// Samples before an interval on which the high-pass settles.
    run_in: u64,
    /// The samples, run-in included, that one segment takes.
    shortest: u64,
}

impl Work<'_> {
    /// The intervals of a part of the work, and how many there are in all, where that is known.
    fn intervals(
        &self,
        mut recording: Box<dyn Recording>,
        shard: Shard,
    ) -> Result<(Option<u64>, Vec<Interval>), Error> {
        let path = recording.header().path.clone();
        let promised = recording.header().promised_samples;
        let count = promised.map(|samples| samples.div_ceil(self.every));
        if count.is_some_and(|count| count > MOST_INTERVALS) {
            return Err(Error::usage(format!("{} intervals", count.unwrap_or_default()))
                .in_file(path)
                .expected(format!("at most {MOST_INTERVALS}"))
                .remedy("give a longer --every"));
        }
        let found = match count {
            Some(count) if recording.seek(0)? => {
                drop(recording);
                let numbers: Vec<u64> = (0..count).filter(|&number| shard.holds(number)).collect();
                let done = spread::map(numbers, |number| {
                    let reel = Reel::new(fresh(self.source, self.settings)?, self.run_in);
                    self.interval(&reel, number, promised)
                });
                done.into_iter().collect::<Result<Vec<_>, _>>()?
            }
            _ => self.one_after_the_other(&Reel::new(recording, self.run_in), shard)?,
        };
        // A rest without a whole segment is no interval.
        let rest = found.last().is_some_and(|(_, interval)| interval.is_none());
        let rest_number = found.last().map(|(number, _)| *number);
        let mut intervals = Vec::with_capacity(found.len());
        for (number, interval) in found {
            match interval {
                Some(interval) => intervals.push(interval),
                None if Some(number) == rest_number => {}
                None => return Err(Error::input(format!("interval {number} holds no whole segment")).in_file(path)),
            }
        }
        let count = match (count, rest) {
            (Some(count), true) if rest_number == Some(count - 1) => Some(count - 1),
            // Whoever did not look at the last interval cannot tell whether it is long enough to count.
            (Some(count), _) if !shard.holds(count - 1) => None,
            (count, _) => count,
        };
        Ok((count, intervals))
    }

    fn one_after_the_other(&self, reel: &Reel, shard: Shard) -> Result<Vec<(u64, Option<Interval>)>, Error> {
        let mut found = Vec::new();
        for number in 0..MOST_INTERVALS {
            if shard.holds(number) {
                found.push(self.interval(reel, number, None)?);
            } else {
                // What lies between is read past with the next interval of this part.
                drop(reel.section((number + 1) * self.every - self.run_in.min(self.every), None)?);
            }
            if reel.is_at_end()? {
                break;
            }
        }
        Ok(found)
    }

    /// One interval; `None` for a rest without a whole segment.
    fn interval(&self, reel: &Reel, number: u64, promised: Option<u64>) -> Result<(u64, Option<Interval>), Error> {
        let from = number * self.every;
        let to = promised.map_or(from + self.every, |all| all.min(from + self.every));
        let begin = from.saturating_sub(self.run_in);
        let section = reel.section(begin, Some(to))?;
        let wants = Wants { periods: Some(Periods::Range), ..Wants::default() };
        let observed = match observe_recording(Box::new(section), self.settings, wants) {
            Ok(observed) => observed,
            Err(error) => {
                let rest = number > 0 && reel.position() - begin < self.shortest && reel.is_at_end()?;
                return if rest { Ok((number, None)) } else { Err(error) };
            }
        };
        let interval_s = observed.header().clock.interval_s();
        let samples = observed.passed.statistics.samples + begin;
        let channel = |channel: usize| self.channel(&observed, channel);
        let limits = findings::of_observed(&observed).into_iter().filter(|f| f.severity > Severity::Note);
        let interval = Interval {
            number,
            from_s: from as f64 * interval_s,
            to_s: samples as f64 * interval_s,
            segments: observed.spectral.segments,
            channels: (0..observed.channels.len()).map(channel).collect(),
            warnings: limits.map(|f| Limit { code: f.code.to_owned(), message: f.message }).collect(),
        };
        Ok((number, Some(interval)))
    }

    fn channel(&self, observed: &Observed, channel: usize) -> IntervalChannel {
        let total = observed.band(channel, observed.range);
        IntervalChannel {
            name: observed.channels[channel].name.clone(),
            role: observed.channels[channel].role,
            unit: observed.channels[channel].quantity.clone(),
            total: Value::new(observed.range, total.rms),
            ci95_db: level_interval(observed, channel, total.level_db.get()),
            bands: self.bands.iter().map(|&band| Value::new(band, observed.band(channel, band).rms)).collect(),
        }
    }
}

/// Joins intervals, in the order of their numbers.
fn together(identity: Identity, interval_count: Option<u64>, intervals: Vec<Interval>) -> OverTime {
    let channels = intervals.first().map_or_else(Vec::new, |first| {
        (0..first.channels.len()).map(|channel| whole_channel(&intervals, channel)).collect()
    });
    let mut warnings: Vec<Limited> = Vec::new();
    for interval in &intervals {
        for Limit { code, message } in &interval.warnings {
            match warnings.iter_mut().find(|limited| limited.code == *code) {
                Some(limited) => limited.intervals += 1,
                None => warnings.push(Limited {
                    code: code.clone(),
                    intervals: 1,
                    first: interval.number,
                    message: message.clone(),
                }),
            }
        }
    }
    OverTime { identity, interval_count, intervals, channels, warnings }
}

fn whole_channel(intervals: &[Interval], channel: usize) -> WholeChannel {
    let first = &intervals[0].channels[channel];
    let whole = |value: &dyn Fn(&IntervalChannel) -> Option<Value>| {
        let of =
            |interval: &Interval| Some((interval.from_s, interval.segments, value(interval.channels.get(channel)?)?));
        let values: Vec<(f64, u64, Value)> = intervals.iter().filter_map(of).collect();
        let segments: u64 = values.iter().map(|(_, segments, _)| segments).sum();
        let power: f64 = values.iter().map(|(_, segments, value)| *segments as f64 * value.rms.powi(2)).sum();
        let by_level = |a: &&(f64, u64, Value), b: &&(f64, u64, Value)| a.2.rms.total_cmp(&b.2.rms);
        let (highest, lowest) = (values.iter().max_by(by_level), values.iter().min_by(by_level));
        let (band, at) = (values[0].2, |found: Option<&(f64, u64, Value)>| found.map_or(0.0, |(from_s, ..)| *from_s));
        let band = Band::new(band.low_hz, band.high_hz).ok();
        Whole {
            mean: band.map_or(values[0].2, |band| Value::new(band, (power / segments as f64).sqrt())),
            highest_db: highest.and_then(|(_, _, value)| value.level_db),
            highest_at_s: at(highest),
            lowest_db: lowest.and_then(|(_, _, value)| value.level_db),
            lowest_at_s: at(lowest),
        }
    };
    WholeChannel {
        name: first.name.clone(),
        role: first.role,
        unit: first.unit.clone(),
        total: whole(&|channel| Some(channel.total)),
        bands: (0..first.bands.len()).map(|band| whole(&|channel| channel.bands.get(band).copied())).collect(),
    }
}
