//! Quantities that cannot be mixed up: frequencies, frequency ranges, decibels and levels.
//!
//! Text becomes these types once, at the edge; inner rooms have nothing left to check.

use std::fmt;
use std::ops::{Add, Sub};
use std::str::FromStr;

use serde::{Serialize, Serializer};

use crate::error::Error;

/// A frequency in hertz: finite and above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Hertz(f64);

impl Hertz {
    /// Makes a frequency.
    ///
    /// # Errors
    /// Zero, negative and not finite values are refused.
    pub fn new(value: f64) -> Result<Self, Error> {
        if value.is_finite() && value > 0.0 {
            Ok(Self(value))
        } else {
            Err(Error::usage(format!("{value} Hz is no frequency")).expected("a finite number above zero"))
        }
    }

    /// The number of hertz.
    pub fn get(self) -> f64 {
        self.0
    }
}

impl FromStr for Hertz {
    type Err = Error;

    /// Reads `2k`, `150k`, `1.5M`, `200`, `200Hz`, `2 kHz`.
    fn from_str(text: &str) -> Result<Self, Error> {
        let refuse = || {
            Error::usage(format!("\"{}\" is no frequency", crate::error::printable(text)))
                .expected("a number above zero in hertz, with k, M or G for thousands, millions or thousand millions")
                .remedy("write 150k for 150 kHz")
        };
        let bare = text.trim();
        let bare = bare.strip_suffix("Hz").or_else(|| bare.strip_suffix("hz")).unwrap_or(bare).trim_end();
        let (number, factor) = match bare.char_indices().next_back() {
            Some((at, 'k' | 'K')) => (&bare[..at], 1e3),
            Some((at, 'M')) => (&bare[..at], 1e6),
            Some((at, 'G')) => (&bare[..at], 1e9),
            _ => (bare, 1.0),
        };
        let value: f64 = number.trim().parse().map_err(|_| refuse())?;
        Self::new(value * factor).map_err(|_| refuse())
    }
}

impl fmt::Display for Hertz {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, unit) = match self.0 {
            v if v >= 1e6 => (v / 1e6, "MHz"),
            v if v >= 1e3 => (v / 1e3, "kHz"),
            v if v < 1e-3 => return write!(f, "{v:e} Hz"),
            v => (v, "Hz"),
        };
        let rounded = format!("{value:.3}");
        write!(f, "{} {unit}", rounded.trim_end_matches('0').trim_end_matches('.'))
    }
}

impl Serialize for Hertz {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.0)
    }
}

/// A range of frequencies, low edge included, high edge excluded; 0 ≤ low < high.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Band {
    #[serde(rename = "low_hz")]
    low: f64,
    #[serde(rename = "high_hz")]
    high: f64,
}

impl Band {
    /// Makes a range from its edges in hertz.
    ///
    /// # Errors
    /// The edges must be finite, not negative and rising.
    pub fn new(low: f64, high: f64) -> Result<Self, Error> {
        if low.is_finite() && high.is_finite() && low >= 0.0 && high > low {
            Ok(Self { low, high })
        } else {
            Err(Error::usage(format!("{low} Hz to {high} Hz is no range"))
                .expected("two frequencies, the lower one first")
                .remedy("write 2k:150k"))
        }
    }

    /// The low edge in hertz, which belongs to the range.
    pub fn low(self) -> f64 {
        self.low
    }

    /// The high edge in hertz, which does not belong to the range.
    pub fn high(self) -> f64 {
        self.high
    }

    /// The width in hertz.
    pub fn width(self) -> f64 {
        self.high - self.low
    }

    /// Whether a frequency in hertz lies within.
    pub fn contains(self, frequency: f64) -> bool {
        self.low <= frequency && frequency < self.high
    }

    /// The part of this range that lies within another; `None` where they do not meet.
    pub fn within(self, other: Band) -> Option<Band> {
        Band::new(self.low.max(other.low), self.high.min(other.high)).ok()
    }
}

impl FromStr for Band {
    type Err = Error;

    /// Reads `2k:150k`.
    fn from_str(text: &str) -> Result<Self, Error> {
        let (low, high) = text.split_once(':').ok_or_else(|| {
            Error::usage(format!("\"{}\" is no range of frequencies", crate::error::printable(text)))
                .expected("two frequencies joined by a colon")
                .remedy("write 2k:150k")
        })?;
        let low = if low.trim() == "0" { 0.0 } else { low.parse::<Hertz>()?.get() };
        Self::new(low, high.parse::<Hertz>()?.get())
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = |hertz: f64| {
            let text = format!("{:.3}", hertz / 1e3);
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        };
        write!(f, "{} to {} kHz", number(self.low), number(self.high))
    }
}

/// A ratio of powers in decibels: a change, a rise, a gain.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Decibels(f64);

impl Decibels {
    /// A number of decibels.
    pub fn new(value: f64) -> Self {
        Self(value)
    }

    /// The ratio of two powers. A power of zero below gives minus infinity, above infinity.
    pub fn of_power_ratio(numerator: f64, denominator: f64) -> Self {
        Self(10.0 * (numerator / denominator).log10())
    }

    /// The number of decibels.
    pub fn get(self) -> f64 {
        self.0
    }
}

impl Add for Decibels {
    type Output = Decibels;
    fn add(self, other: Decibels) -> Decibels {
        Decibels(self.0 + other.0)
    }
}

/// A level: 20 log₁₀ of an RMS value over one millionth of the channel's unit, as in dBµV.
///
/// Two levels differ by [`Decibels`]; a level may be shifted by decibels. Levels are not added: adding
/// levels is not adding powers, so add the squares of the RMS values instead.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Level(f64);

impl Level {
    /// The level of an RMS value in the channel's unit. Zero gives minus infinity, which JSON shows as null.
    ///
    /// ```
    /// use linewake::units::Level;
    /// assert!((Level::of_rms(1e-3).get() - 60.0).abs() < 1e-12);
    /// ```
    pub fn of_rms(rms: f64) -> Self {
        Self(20.0 * (rms / 1e-6).log10())
    }

    /// The number of decibels over one millionth of the unit.
    pub fn get(self) -> f64 {
        self.0
    }
}

impl Sub for Level {
    type Output = Decibels;
    fn sub(self, other: Level) -> Decibels {
        Decibels(self.0 - other.0)
    }
}

impl Add<Decibels> for Level {
    type Output = Level;
    fn add(self, shift: Decibels) -> Level {
        Level(self.0 + shift.0)
    }
}

/// Reads a value with an SI prefix and, if it is written, its unit: `4.7u`, `4.7 µF`, `50uH`, `0.4`, `1M`.
///
/// ```
/// use linewake::units::with_prefix;
/// assert!((with_prefix("4.7 µF", "F").unwrap() - 4.7e-6).abs() < 1e-18);
/// assert_eq!(with_prefix("1M", "ohm").unwrap(), 1e6);
/// ```
///
/// # Errors
/// What is no finite number with such a unit; the value may be below zero.
pub fn with_prefix(text: &str, unit: &str) -> Result<f64, Error> {
    const FACTORS: [(char, f64); 9] = [
        ('p', 1e-12),
        ('n', 1e-9),
        ('u', 1e-6),
        ('µ', 1e-6),
        ('μ', 1e-6),
        ('m', 1e-3),
        ('k', 1e3),
        ('M', 1e6),
        ('G', 1e9),
    ];
    let bare = text.trim();
    let bare = bare.strip_suffix(unit).unwrap_or(bare).trim_end();
    let last = bare.chars().next_back();
    let prefix = FACTORS.iter().find(|(letter, _)| Some(*letter) == last);
    let (number, factor) =
        prefix.map_or((bare, 1.0), |(letter, factor)| (&bare[..bare.len() - letter.len_utf8()], *factor));
    let value = number.trim().parse::<f64>().ok().map(|value| value * factor).filter(|value| value.is_finite());
    value.ok_or_else(|| {
        Error::usage(format!("\"{}\" is no value in {unit}", crate::error::printable(text)))
            .expected("a number with p, n, u, m, k, M or G where it needs one")
            .remedy(format!("write 4.7u for 4.7 µ{unit}"))
    })
}

/// The factor and the letter of the SI prefix that makes a value readable.
pub fn prefix_of(value: f64) -> (f64, &'static str) {
    const PREFIXES: [(f64, &str); 8] =
        [(1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p")];
    if value == 0.0 || !value.is_finite() {
        return (1.0, "");
    }
    // A value that three digits round up to a thousand takes the next prefix.
    PREFIXES.into_iter().find(|(factor, _)| value.abs() >= 0.9995 * factor).unwrap_or((1e-12, "p"))
}

/// A quantity with the SI prefix that makes it readable, three significant digits: `3.14 mV`, `870 µV`.
///
/// Words that stand in for a unit (`codes`, `full scale`, `unknown`) take no prefix: `1.80e-2 full scale`.
pub fn engineering(value: f64, unit: &str) -> String {
    if value == 0.0 {
        return format!("0 {unit}");
    }
    let numerator = unit.split('/').next().unwrap_or_default();
    if numerator.len() > 2 && numerator.chars().all(|c| c.is_ascii_lowercase() || c == ' ') {
        return format!("{value:.2e} {unit}");
    }
    let (factor, prefix) = prefix_of(value);
    let scaled = value / factor;
    let decimals = match scaled.abs() {
        s if s >= 99.95 => 0,
        s if s >= 9.995 => 1,
        _ => 2,
    };
    format!("{scaled:.decimals$} {prefix}{unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_take_no_prefix() {
        assert_eq!(engineering(0.018, "V"), "18.0 mV");
        assert_eq!(engineering(3.0, "m/s"), "3.00 m/s");
        for (unit, text) in [("unknown", "1.80e-2 unknown"), ("full scale/s", "1.80e-2 full scale/s")] {
            assert_eq!(engineering(0.018, unit), text);
        }
    }

    #[test]
    fn frequencies_are_read_with_their_prefix() {
        for (text, hertz) in [("2k", 2e3), ("150k", 150e3), ("1.5M", 1.5e6), ("200", 200.0), ("9 kHz", 9e3)] {
            assert_eq!(text.parse::<Hertz>().unwrap().get(), hertz, "{text}");
        }
        for text in ["", "k", "-2k", "0", "nan", "inf", "2kk", "1e999", "µ"] {
            assert!(text.parse::<Hertz>().is_err(), "{text}");
        }
    }

    #[test]
    fn ranges_must_rise() {
        assert_eq!("2k:150k".parse::<Band>().unwrap(), Band::new(2e3, 150e3).unwrap());
        assert_eq!("0:2k".parse::<Band>().unwrap().low(), 0.0);
        for text in ["2k", "150k:2k", "2k:2k", "a:b", ":"] {
            assert!(text.parse::<Band>().is_err(), "{text}");
        }
    }

    #[test]
    fn engineering_keeps_three_digits() {
        for (value, text) in [(3.14159e-3, "3.14 mV"), (870.4e-6, "870 µV"), (0.99996, "1.00 V"), (12.34, "12.3 V")] {
            assert_eq!(engineering(value, "V"), text);
        }
    }
}
