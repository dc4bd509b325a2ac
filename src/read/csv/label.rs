//! One label of a column: its name, its unit, and what the words in it give away.

use super::preamble::{split_unit, time_unit};
use crate::capture::Quantity;

pub(super) const TIMES: &[&str] = &[
    "time",
    "t",
    "x-axis",
    "x axis",
    "x",
    "second",
    "seconds",
    "sec",
    "timestamp",
    "time stamp",
    "elapsed time",
    "x_value",
    "x value",
    "zeit",
    "temps",
    "tiempo",
    "tempo",
    "tijd",
    "tid",
    "czas",
    "time base",
    "timebase",
    "elapsed",
    "elapsed seconds",
    "relative time",
    "rel. time",
    "rel time",
    "absolute time",
    "abs time",
    "datetime",
    "date time",
    "date/time",
    "clock",
    "secs",
    "epoch",
    "unix time",
];
pub(super) const COUNTERS: &[&str] = &[
    "index",
    "sample",
    "samples",
    "sample number",
    "sample no",
    "no",
    "no.",
    "nr",
    "nr.",
    "n",
    "#",
    "point",
    "points",
    "sequence",
    "row",
    "number",
    "x",
    "idx",
    "i",
    "k",
    "count",
    "counter",
    "sample index",
    "sample #",
    "sample nr",
    "sample_index",
    "sample_no",
    "sample_number",
    "record number",
    "line",
];
pub(super) const MARKERS: &[&str] = &[
    "event",
    "events",
    "marker",
    "markers",
    "trigger",
    "trig",
    "flag",
    "segment",
    "segment no",
    "segment number",
    "record",
    "frame",
    "block",
    "burst",
    "capture",
    "shot",
    "sweep",
    "page",
    "comment",
    "note",
    "status",
    "quality",
];

/// A column's label: the name without its unit, the unit, and the whole as the file writes it.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Label {
    pub(super) name: String,
    pub(super) unit: Option<String>,
    pub(super) written: String,
}

impl Label {
    pub(super) fn read(name: &str, unit: &str) -> Self {
        let (bare, bracket) = split_unit(name);
        if let Some(inner) = bracket.as_deref()
            && Quantity::parse(bare).is_some_and(|(quantity, _)| quantity.symbol() == "V")
        {
            // "V(CH1)" is the voltage of a channel.
            let channel = Self { name: inner.to_owned(), unit: Some(bare.to_owned()), written: name.trim().to_owned() };
            if channel.names_a_channel() {
                return channel;
            }
        }
        let known = bracket.as_deref().is_some_and(is_unit);
        let (bare, bracket) = if known { (bare, bracket) } else { (name.trim(), None) };
        let unit = Some(unit.trim().to_owned()).filter(|unit| !unit.is_empty()).or(bracket);
        // A label that is nothing but a unit names no channel.
        let is_only_unit = Quantity::parse(bare).is_some() || (time_unit(bare).is_some() && bare.len() < 3);
        if unit.is_none() && is_only_unit {
            return Self { name: String::new(), unit: Some(bare.to_owned()), written: bare.to_owned() };
        }
        Self { name: bare.to_owned(), unit, written: name.trim().to_owned() }
    }

    pub(super) fn is_one_of(&self, words: &[&str]) -> bool {
        words.contains(&self.name.to_lowercase().as_str())
    }

    pub(super) fn has_time_unit(&self) -> bool {
        self.unit.as_deref().is_some_and(|unit| time_unit(unit).is_some())
    }

    pub(super) fn is_amplitude(&self) -> bool {
        self.unit.as_deref().is_some_and(|unit| Quantity::parse(unit).is_some())
    }

    pub(super) fn is_time(&self) -> bool {
        let counts = self.unit.as_deref().is_some_and(is_counter_unit);
        !counts && !self.is_amplitude() && (self.has_time_unit() || self.is_one_of(TIMES) || self.begins_with_time())
    }

    /// "Time 2", "Time CH1", "time_b".
    pub(super) fn begins_with_time(&self) -> bool {
        let name = self.name.to_lowercase();
        name.strip_prefix("time").is_some_and(|rest| rest.starts_with(|c: char| !c.is_alphabetic()))
    }

    /// A name that only channels have: "CH2", "channel 1", "C3".
    pub(super) fn names_a_channel(&self) -> bool {
        let name = self.name.to_lowercase();
        let rest = ["channel", "ch", "c"].iter().find_map(|word| name.strip_prefix(word));
        rest.is_some_and(|rest| rest.trim().len() <= 2 && rest.trim().starts_with(|c: char| c.is_ascii_alphanumeric()))
    }

    pub(super) fn is_frequency(&self) -> bool {
        let unit = self.unit.as_deref().unwrap_or("").to_lowercase();
        let name = self.name.to_lowercase();
        ["freq", "frekv", "fréq", "frec"].iter().any(|word| name.starts_with(word))
            || matches!(unit.as_str(), "hz" | "khz" | "mhz")
    }

    pub(super) fn is_response(&self) -> bool {
        self.unit.as_deref().is_some_and(is_response_unit)
    }

    pub(super) fn is_math(&self) -> bool {
        let name = self.name.to_lowercase();
        let numbered = |letter: char| {
            let rest = name.strip_prefix(letter);
            rest.is_some_and(|rest| !rest.is_empty() && rest.bytes().all(|byte| byte.is_ascii_digit()))
        };
        name.starts_with("math") || name.starts_with("ref") || numbered('m') || numbered('f') || numbered('r')
    }

    /// What no line and no antenna carries.
    pub(super) fn is_slow(&self) -> bool {
        let name = self.name.to_lowercase();
        ["temp", "humid", "pressure"].iter().any(|word| name.starts_with(word) && !name.starts_with("tempo"))
    }

    /// A time in a unit that is no second and no part of one: minutes, hours, "x10 us".
    pub(super) fn has_other_time_unit(&self) -> bool {
        const OTHERS: [&str; 12] =
            ["min", "mins", "minute", "minutes", "minuten", "h", "hr", "hrs", "hour", "hours", "day", "days"];
        split_unit(&self.written).1.is_some_and(|unit| {
            let unit = unit.to_lowercase();
            OTHERS.contains(&unit.as_str())
                || unit.starts_with(|c: char| c.is_ascii_digit())
                || unit
                    .strip_prefix(['x', '*', '\u{d7}'])
                    .is_some_and(|rest| rest.trim().starts_with(|c: char| c.is_ascii_digit()))
        })
    }

    pub(super) fn is_digital(&self) -> bool {
        let name = self.name.to_lowercase();
        let rest = name.strip_prefix('d');
        let words = ["digital", "logic", "bus", "pod", "port", "word", "bit", "dio", "din", "dig"];
        words.iter().any(|word| name.starts_with(word))
            || name.strip_prefix("d").is_some_and(|rest| rest.contains("-d") || rest.contains(".."))
            || rest.is_some_and(|rest| !rest.is_empty() && rest.bytes().all(|byte| byte.is_ascii_digit()))
    }
}

pub(super) fn is_unit(text: &str) -> bool {
    let text = text.trim();
    time_unit(text).is_some()
        || Quantity::parse(text).is_some()
        || is_response_unit(text)
        || is_counter_unit(text)
        || matches!(text.to_lowercase().as_str(), "hz" | "khz" | "mhz")
}

pub(super) fn is_counter_unit(text: &str) -> bool {
    matches!(text.trim().to_lowercase().as_str(), "sequence" | "samples" | "points" | "counts" | "index")
}

pub(super) fn is_response_unit(text: &str) -> bool {
    let text = text.trim().to_lowercase();
    let density = text.contains("hz")
        && (text.starts_with('v') || text.starts_with('a') || text.contains("v/") || text.contains("v\u{b2}/"));
    text.starts_with("db") || density || matches!(text.as_str(), "deg" | "degree" | "degrees" | "\u{b0}" | "rad")
}
