//! The one clock of a capture: its rate, where the rate came from, when it started.

use serde::Serialize;

use crate::units::Hertz;

/// Where the sampling rate came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RateSource {
    /// An interval or a rate that the file's header states.
    Header,
    /// The end points of the time column: (last − first) / (n − 1).
    TimeColumn,
    /// The user's option.
    Option,
}

impl RateSource {
    /// All of them.
    pub const ALL: [RateSource; 3] = [RateSource::Header, RateSource::TimeColumn, RateSource::Option];

    /// The word that JSON and sidecars use.
    pub fn name(self) -> &'static str {
        match self {
            RateSource::Header => "header",
            RateSource::TimeColumn => "time_column",
            RateSource::Option => "option",
        }
    }

    /// In words, for tables and captions.
    pub fn words(self) -> &'static str {
        match self {
            RateSource::Header => "the file's header",
            RateSource::TimeColumn => "the end points of the time column",
            RateSource::Option => "the option given",
        }
    }
}

/// A uniform clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Samples in a second.
    pub rate: Hertz,
    /// Where the rate came from.
    pub source: RateSource,
    /// The relative uncertainty of the rate that its source leaves: half a unit of the last digit printed.
    pub relative_uncertainty: f64,
    /// The time of the first sample in seconds, on the file's own scale.
    pub start_s: f64,
}

impl Clock {
    /// The sampling interval in seconds.
    pub fn interval_s(&self) -> f64 {
        1.0 / self.rate.get()
    }
}
