//! What the words of text tables say where an array carries a name: the same keys, the same clock, the same units.
//!
//! A number that stands alone is a key with its value; an array is a column with its label. Nothing here knows
//! where the numbers come from.

use super::cells::Printed;
use super::label::{COUNTERS, Label, TIMES};
use super::preamble::{Preamble, time_unit};
use super::timing::{self, Column, Fineness, Ruler, Stated};
use crate::capture::{Clock, Quantity, RateCandidate, RateSource};
use crate::error::{Error, Finding, printable};
use crate::read::ReadOptions;

/// What an array is by its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::read) enum Meaning {
    /// A name that only times have.
    Time,
    /// A name that times, counts and signals have: `x`, `k`, `samples`.
    Perhaps,
    /// Any other.
    Signal,
}

/// A name with the unit in it, as `wire_mV` or `time (us)` has it.
#[derive(Debug, Clone)]
pub(in crate::read) struct Name(Label);

impl Name {
    /// Reads a name; `unit` is what the container says besides, or empty.
    pub(in crate::read) fn read(name: &str, unit: &str) -> Self {
        Self(Label::read(name, unit))
    }

    pub(in crate::read) fn meaning(&self) -> Meaning {
        if self.0.is_one_of(COUNTERS) {
            Meaning::Perhaps
        } else if self.0.is_time() && self.0.is_one_of(TIMES) || self.0.has_time_unit() || self.0.begins_with_time() {
            Meaning::Time
        } else {
            Meaning::Signal
        }
    }

    /// Whether it is the axis of a spectrum.
    pub(in crate::read) fn is_frequency(&self) -> bool {
        self.0.is_frequency()
    }

    /// The factor of the unit to seconds.
    pub(in crate::read) fn seconds(&self) -> Option<f64> {
        self.0.unit.as_deref().and_then(time_unit)
    }

    /// The unit of amplitude and its factor, with the name that is left.
    pub(in crate::read) fn amplitude(&self) -> Option<(Quantity, f64, &str)> {
        let (quantity, factor) = self.0.unit.as_deref().and_then(Quantity::parse)?;
        Some((quantity, factor, &self.0.name))
    }
}

/// Keys with their values: numbers that stand alone, and remarks.
#[derive(Debug, Default)]
pub(in crate::read) struct Facts(Preamble);

/// Keys of programs that write arrays, in the words of text tables.
const KEYS: [(&str, &str); 9] = [
    ("sample rate hz", "sample rate"),
    ("sr", "sample rate"),
    ("samp rate", "sample rate"),
    ("fsamp", "sample rate"),
    ("interval", "sampling interval"),
    ("tinterval", "sampling interval"),
    ("ts", "sampling interval"),
    ("tstart", "t0"),
    ("start s", "t0"),
];

impl Facts {
    /// Takes a key with its value; gives whether it says something of the clock.
    ///
    /// # Errors
    /// A second value that contradicts the first.
    pub(in crate::read) fn take(&mut self, key: &str, value: &str) -> Result<bool, Error> {
        let words = key.replace('_', " ");
        let bare = words.to_lowercase();
        let words = KEYS.iter().find(|(word, _)| *word == bare).map_or(words.as_str(), |(_, known)| known);
        let (known, start) = (self.0.candidates.len(), self.0.start);
        self.0.take_pair(words, key, value)?;
        Ok(self.0.candidates.len() > known || self.0.start.is_some() && start.is_none())
    }

    /// The clock from the options, the keys and the times, with the rates that were weighed.
    ///
    /// # Errors
    /// Nobody says anything, or they contradict each other.
    pub(in crate::read) fn settle(&self, times: Option<&Times>, options: &ReadOptions) -> Result<Settled, Error> {
        let stated = self.0.stated()?;
        let mut reading = Vec::new();
        let column = match times {
            None => None,
            Some(times) => {
                let column = times.ruler.read().map_err(|error| error.in_array(&times.name))?;
                let (unit, sentence) = times.unit(&column, stated, options)?;
                reading.push(sentence);
                Some((column.scaled(unit), unit))
            }
        };
        let start = match &column {
            Some((_, unit)) => (times.map_or(0.0, |times| times.ruler.ends().0)) * unit,
            None => self.0.start.unwrap_or(0.0),
        };
        let start = start + times.map_or(0.0, |times| times.epoch_s);
        let column = column.map(|(column, _)| column);
        let timing = timing::settle(options, stated, column.as_ref(), start)?;
        reading.extend(timing.reading);
        Ok(Settled {
            rates: self.rates(&timing.clock, column.as_ref(), times.map(|times| times.name.as_str())),
            clock: timing.clock,
            reading,
            findings: timing.findings,
        })
    }

    fn rates(&self, clock: &Clock, column: Option<&Column>, time: Option<&str>) -> Vec<RateCandidate> {
        let mut rates = Vec::new();
        if clock.source == RateSource::Option {
            rates.push((
                RateSource::Option.words().to_owned(),
                "--sample-rate".to_owned(),
                clock.interval_s(),
                0.0,
                true,
            ));
        }
        let mut used = clock.source == RateSource::Header;
        for stated in &self.0.candidates {
            let taken = used && (stated.interval * clock.rate.get() - 1.0).abs() < 1e-9;
            used &= !taken;
            rates.push((
                "a number that stands alone".to_owned(),
                stated.written.clone(),
                stated.interval,
                stated.relative,
                taken,
            ));
        }
        if let (Some(column), Some(name)) = (column, time) {
            let source = "the end points of the times".to_owned();
            let taken = clock.source == RateSource::TimeColumn;
            rates.push((source, format!("\"{}\"", printable(name)), column.interval, column.relative, taken));
        }
        let candidate = |(source, written, interval, relative, used): (String, String, f64, f64, bool)| RateCandidate {
            source,
            written,
            rate_hz: timing::twelve_digits(1.0 / interval),
            relative_uncertainty: relative,
            agrees: (interval * clock.rate.get() - 1.0).abs() <= relative + clock.relative_uncertainty + 1e-9,
            used,
        };
        rates.into_iter().map(candidate).collect()
    }
}

/// The clock of a container, and how it was found.
#[derive(Debug)]
pub(in crate::read) struct Settled {
    pub(in crate::read) clock: Clock,
    pub(in crate::read) rates: Vec<RateCandidate>,
    pub(in crate::read) reading: Vec<String>,
    pub(in crate::read) findings: Vec<Finding>,
}

/// An array of times, laid against a ruler number by number.
#[derive(Debug)]
pub(in crate::read) struct Times {
    name: String,
    /// The factor to seconds, where it is stated.
    seconds: Option<f64>,
    whole: bool,
    /// What was taken off all times, in seconds.
    epoch_s: f64,
    ruler: Ruler,
    /// Whether the numbers have no decimal ends: they are computed, and exact to a double.
    computed: bool,
    row: u64,
}

impl Times {
    /// Begins with the first numbers, which tell how finely the times were meant.
    pub(in crate::read) fn new(name: &str, seconds: Option<f64>, whole: bool, first: &[f64]) -> Self {
        /// Doubles that were typed or read from text have fewer digits than this.
        const COMPUTED_DIGITS: i32 = 15;
        let printed = || first.iter().filter_map(|&time| printed(time));
        let computed = printed().any(|time| time.significant > COMPUTED_DIGITS);
        let fineness = if computed || whole { Fineness::of_a_count() } else { Fineness::of(printed()) };
        let ruler = Ruler::new(fineness);
        Self { name: name.to_owned(), seconds, whole, epoch_s: 0.0, ruler, computed: computed || whole, row: 0 }
    }

    /// The same times, counted from so many seconds behind the epoch on.
    pub(in crate::read) fn behind(self, epoch_s: f64) -> Self {
        Self { epoch_s, ..self }
    }

    /// The next time.
    ///
    /// # Errors
    /// A time that is no number.
    pub(in crate::read) fn push(&mut self, time: f64) -> Result<(), Error> {
        self.row += 1;
        let exact = Printed { value: time, last_digit: EXACT, significant: 1 };
        let printed = if self.computed { time.is_finite().then_some(exact) } else { printed(time) };
        let printed = printed.ok_or_else(|| {
            Error::input(format!("the time in row {} of \"{}\" is missing or no finite number", self.row, self.name))
                .expected("times that rise in equal steps")
                .remedy("--time-column none leaves the times out, --sample-rate then gives the rate")
        })?;
        self.ruler.push(printed, self.row);
        Ok(())
    }

    /// Whether they rise in equal steps.
    pub(in crate::read) fn are_even(&self) -> bool {
        self.ruler.read().is_ok()
    }

    /// The factor to seconds, and how it was told.
    fn unit(&self, column: &Column, stated: Option<&Stated>, options: &ReadOptions) -> Result<(f64, String), Error> {
        const UNITS: [(&str, f64); 4] = [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)];
        /// As in text tables: below this rate times in seconds are not believed without their unit.
        const SLOW_HZ: f64 = 1e3;
        let name = format!("\"{}\"", printable(&self.name));
        let word =
            |unit: f64| UNITS.iter().find(|(_, factor)| (factor / unit - 1.0).abs() < 1e-9).map_or("its unit", |u| u.0);
        let given = options.time_unit.as_deref().map(|text| {
            time_unit(text).ok_or_else(|| {
                Error::usage(format!("--time-unit {}: no unit of time", printable(text))).expected("s, ms, us or ns")
            })
        });
        if let Some(unit) = given.transpose()?.or(self.seconds) {
            return Ok((unit, format!("The time is {name} in {}.", word(unit))));
        }
        let option = options.sample_rate.map(Stated::given);
        let known = option.as_ref().or(stated);
        let agrees = |factor: &f64| known.is_some_and(|known| column.scaled(*factor).agrees(known));
        let fits: Vec<f64> = UNITS.iter().map(|unit| unit.1).filter(agrees).collect();
        if let [unit] = fits[..] {
            return Ok((unit, format!("The time is {name} in {}, as only this agrees with the rate.", word(unit))));
        }
        if self.whole {
            return Err(timing::no_time_unit(&name));
        }
        if known.is_none() && 1.0 / column.interval < SLOW_HZ * (1.0 - 1e-9) {
            return Err(timing::doubtful_time_unit(&name, 1.0 / column.interval));
        }
        Ok((1.0, format!("The time is {name}; it names no unit and is taken in seconds.")))
    }
}

/// A last digit so fine that it leaves no doubt.
const EXACT: i32 = -18;

/// A double as the shortest text that gives it back.
fn printed(time: f64) -> Option<Printed> {
    Printed::read(format!("{time:e}").as_bytes(), b'.').filter(|printed| printed.value.is_finite())
}

/// A number that stands alone, in so many digits that nothing is lost.
pub(in crate::read) fn in_full(value: f64) -> String {
    format!("{value:.16e}")
}
