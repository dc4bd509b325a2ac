//! Published reference levels as data: curves over frequency with all that they are stated for.
//!
//! A level is a number only together with its detector, bandwidth, unit, port and scope; a [`Curve`] carries them all,
//! with the document and how sure our copy of it is. The curves stand as text in `data/`, in the very format in which
//! users write their own. Nothing here measures, and nothing here judges: what may be held against what is decided
//! in `compare`.

mod file;
mod table;

pub use file::{EXAMPLE, read, to_toml};
pub use table::{Curves, published};

use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

use crate::capture::Port;
use crate::units::Band;

/// How near to the end of a segment counts as the end: frequencies of bins carry rounding.
const SAME_FREQUENCY: f64 = 1e-9;

/// What kind of level it is; decides which words are used of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// What an appliance may send out, in its test set-up.
    EmissionLimit,
    /// What a network is planned to carry.
    CompatibilityLevel,
    /// The most that signalling on the mains may use.
    SignallingMaximum,
    /// A level of a guideline on exposure of people. It is held against a field as it is, never as a verdict.
    ExposureReference,
    /// A level that the user has set.
    Own,
}

/// How a reading is formed from what passes the bandwidth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detector {
    /// The largest.
    Peak,
    /// Charged and discharged with the time constants of CISPR 16-1-1.
    QuasiPeak,
    /// The mean of the envelope.
    Average,
    /// RMS over a short time, then the average.
    RmsAverage,
    /// RMS.
    Rms,
    /// Our copy of the document does not say.
    NotKnown,
}

/// How sure our copy of the figures is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Confidence {
    /// Held against the text of the document, or a text that quotes it.
    Verified,
    /// From memory.
    FromMemory,
    /// From memory, and another figure would be no surprise.
    MemoryUnsure,
    /// The user's own.
    Own,
}

/// A closed set of meanings, each with the word of files, tables and JSON.
macro_rules! words {
    ($name:ident: $($variant:ident $word:literal),+ $(,)?) => {
        impl $name {
            /// All of them with their words.
            pub const ALL: &'static [($name, &'static str)] = &[$(($name::$variant, $word)),+];

            /// The word of files, tables and JSON.
            pub fn word(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }

            /// The one that files call by a word.
            pub fn named(word: &str) -> Option<Self> {
                Self::ALL.iter().find(|(_, other)| *other == word).map(|(found, _)| *found)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(self.word())
            }
        }
    };
}

words!(Kind:
    EmissionLimit "emission limit",
    CompatibilityLevel "compatibility level",
    SignallingMaximum "signalling maximum",
    ExposureReference "exposure reference level",
    Own "own level",
);
words!(Detector:
    Peak "peak",
    QuasiPeak "quasi-peak",
    Average "average",
    RmsAverage "rms-average",
    Rms "rms",
    NotKnown "not known",
);
words!(Confidence:
    Verified "verified",
    FromMemory "from memory",
    MemoryUnsure "from memory, unsure",
    Own "own",
);

/// How the document writes the levels of a segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Form {
    /// Decibels over one millionth of the unit, at both ends.
    Decibels {
        /// At the lower end.
        low: f64,
        /// At the upper end.
        high: f64,
    },
    /// Percent of a voltage, at both ends.
    Percent {
        /// At the lower end.
        low: f64,
        /// At the upper end.
        high: f64,
        /// The voltage.
        of: f64,
    },
    /// coefficient · f^exponent in the unit, f in hertz.
    Power {
        /// The coefficient.
        coefficient: f64,
        /// The exponent.
        exponent: f64,
    },
}

/// A stretch of a curve: in decibels a straight line over the logarithm of the frequency, whatever its form.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Where it begins in hertz, itself included.
    pub low_hz: f64,
    /// Where it ends in hertz, itself included.
    pub high_hz: f64,
    /// The levels as the document writes them.
    pub form: Form,
}

impl Segment {
    /// The levels at both ends in decibels over one millionth of the unit.
    pub fn ends_db(&self) -> (f64, f64) {
        let db = |value: f64| 20.0 * (value / 1e-6).log10();
        match self.form {
            Form::Decibels { low, high } => (low, high),
            Form::Percent { low, high, of } => (db(low / 100.0 * of), db(high / 100.0 * of)),
            Form::Power { coefficient, exponent } => {
                let at = |frequency: f64| db(coefficient) + 20.0 * exponent * frequency.log10();
                (at(self.low_hz), at(self.high_hz))
            }
        }
    }

    /// The level at a frequency in hertz; `None` outside.
    fn at(&self, frequency: f64) -> Option<f64> {
        let (from, to) = (self.low_hz * (1.0 - SAME_FREQUENCY), self.high_hz * (1.0 + SAME_FREQUENCY));
        if !(from..=to).contains(&frequency) {
            return None;
        }
        let (low, high) = self.ends_db();
        let share = (frequency / self.low_hz).ln() / (self.high_hz / self.low_hz).ln();
        Some(low + share.clamp(0.0, 1.0) * (high - low))
    }
}

impl Serialize for Segment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let (low, high) = self.ends_db();
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("low_hz", &self.low_hz)?;
        map.serialize_entry("high_hz", &self.high_hz)?;
        map.serialize_entry("low_level_db", &low)?;
        map.serialize_entry("high_level_db", &high)?;
        map.end()
    }
}

/// A published level over frequency with all that it is stated for.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Curve {
    /// The name that commands take.
    pub name: String,
    /// What it is, in a few words.
    pub title: String,
    /// The document.
    pub document: String,
    /// Its edition.
    pub edition: String,
    /// Where in it.
    pub clause: String,
    /// What kind of level it is.
    pub kind: Kind,
    /// The detector.
    pub detector: Detector,
    /// The bandwidth in hertz; `None` where the level is for each frequency by itself, or where our copy does not say.
    pub bandwidth_hz: Option<f64>,
    /// The unit U; levels are in decibels over one millionth of it.
    pub unit: &'static str,
    /// Where it holds.
    pub port: Port,
    /// What it applies to and what not.
    pub scope: String,
    /// How sure our copy is.
    pub confidence: Confidence,
    /// What is to be known besides, doubts among it.
    pub note: String,
    /// The file that it was read from; `None` for those that come with the program.
    pub file: Option<String>,
    /// The stretches from low to high, each beginning where the one before ends.
    pub segments: Vec<Segment>,
}

impl Curve {
    /// The range in hertz that the curve covers.
    pub fn covers(&self) -> (f64, f64) {
        let first = self.segments.first().map_or(f64::INFINITY, |segment| segment.low_hz);
        let last = self.segments.last().map_or(f64::NEG_INFINITY, |segment| segment.high_hz);
        (first, last)
    }

    /// The level at a frequency in hertz, in decibels over one millionth of the unit; `None` outside the curve.
    ///
    /// Linear in decibels over the logarithm of the frequency; where two stretches meet, the tighter value.
    ///
    /// ```
    /// use linewake::levels::published;
    /// let limit = published().iter().find(|curve| curve.name == "induction-us").unwrap();
    /// // 47 CFR 18.307(a) and (g): 110 dBµV up to 50 kHz, 90 from there on, the lower one at the boundary.
    /// assert_eq!(limit.at(49e3), Some(110.0));
    /// assert_eq!(limit.at(50e3), Some(90.0));
    /// assert_eq!(limit.at(8e3), None);
    /// ```
    pub fn at(&self, frequency: f64) -> Option<f64> {
        self.segments.iter().filter_map(|segment| segment.at(frequency)).reduce(f64::min)
    }

    /// The tightest value within a band, both edges included; `None` unless the curve covers the whole band.
    pub fn tightest_in(&self, band: Band) -> Option<f64> {
        let (low, high) = (self.at(band.low())?, self.at(band.high())?);
        // Between breaks the curve is monotonic.
        let breaks = self.segments.iter().map(|segment| segment.low_hz).filter(|&edge| band.contains(edge));
        Some(breaks.filter_map(|edge| self.at(edge)).fold(low.min(high), f64::min))
    }

    /// The corners of the curve within a range, `(hertz, decibels)`, cut at the edges of the range.
    pub fn corners(&self, range: Band) -> Vec<(f64, f64)> {
        let within = |segment: &Segment| {
            let (from, to) = (segment.low_hz.max(range.low()), segment.high_hz.min(range.high()));
            Some([(from, segment.at(from)?), (to, segment.at(to)?)]).filter(|_| from < to)
        };
        self.segments.iter().filter_map(within).flatten().collect()
    }

    /// The reference of its levels: `dBµV`, `dBµT`, `dBµV/m`.
    pub fn level_reference(&self) -> String {
        format!("dBµ{}", self.unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(name: &str) -> &'static Curve {
        published().iter().find(|curve| curve.name == name).unwrap()
    }

    /// Values within so many decibels of those stated.
    fn check(name: &str, within: f64, expected: &[(f64, f64)]) {
        for &(frequency, level) in expected {
            let found = curve(name).at(frequency).unwrap_or_else(|| panic!("{name}: nothing at {frequency} Hz"));
            assert!((found - level).abs() <= within, "{name} at {frequency} Hz: {found}, not {level}");
        }
    }

    /// The level of a value in the unit.
    fn db(value: f64) -> f64 {
        20.0 * (value / 1e-6).log10()
    }

    #[test]
    fn compatibility_levels_are_interpolated_over_log_f() {
        // IEC 61000-2-2 with amendments 1 and 2, from memory; interpolated by hand as L1 + (L2 − L1) log(f/f1)/log(f2/f1).
        let between =
            |(f1, l1): (f64, f64), (f2, l2): (f64, f64), f: f64| l1 + (l2 - l1) * (f / f1).ln() / (f2 / f1).ln();
        assert!((between((9e3, 129.5), (30e3, 122.0), 10e3) - 128.844).abs() < 5e-4);
        check(
            "compatibility-low-voltage",
            5e-4,
            &[
                (9e3, 129.5),
                (10e3, 128.844),
                (20e3, 124.526),
                (30e3, 122.0),
                (40e3, 120.310),
                (60e3, 109.017),
                (100e3, 97.858),
                (120e3, 93.875),
                (150e3, 89.0),
            ],
        );
        // Percent of 230 V: 1.4 % is 3.22 V, 130.2 dBµV; 0.65 % is 1.495 V, 123.5 dBµV (arithmetic).
        check("compatibility-low-voltage-rms", 5e-3, &[(2e3, 130.157), (3e3, 130.157), (9e3, 123.493)]);
    }

    #[test]
    fn emission_limits_have_their_published_values() {
        // 47 CFR 18.307(a), verified; interpolated by arithmetic. CISPR 15 from memory, the same figures.
        let slope = [(60e3, 88.340), (80e3, 85.722), (100e3, 83.691), (120e3, 82.031), (140e3, 80.628)];
        let ends = [(9e3, 110.0), (49_999.0, 110.0), (150e3, 80.0)];
        for name in ["induction-us", "lighting-mains"] {
            check(name, 5e-4, &slope);
            check(name, 1e-12, &ends);
        }
        // CISPR 15, loop antenna system, from memory: 88 dBµA to 70 kHz, 58 at 150 kHz.
        check("lighting-loop-2m", 1e-9, &[(9e3, 88.0), (70e3, 88.0), (150e3, 58.0)]);
    }

    #[test]
    fn signalling_falls_along_its_slope() {
        // EN 50065-1, 134 dBµV at 9 kHz to 120 dBµV at 95 kHz (verified), interpolated by arithmetic.
        let slope = [(9e3, 134.0), (15e3, 130.97), (20e3, 129.26), (30e3, 126.85), (50e3, 123.81), (80e3, 121.02)];
        check("signalling-suppliers-narrow", 5e-3, &slope);
        check("signalling-consumers", 1e-12, &[(100e3, 122.0), (132.5e3, 122.0), (148.5e3, 122.0)]);
    }

    #[test]
    fn exposure_levels_have_their_check_points() {
        // ICNIRP 2010, tables 3 and 4 (verified); 4167 and 8333 V/m at 60 Hz are in a second text.
        check(
            "icnirp-public-electric",
            1e-9,
            &[(50.0, db(5e3)), (2e3, db(125.0)), (10e3, db(83.0)), (150e3, db(83.0))],
        );
        check("icnirp-public-electric", 1e-3, &[(60.0, db(4167.0))]);
        check("icnirp-occupational-electric", 1e-3, &[(60.0, db(8333.0)), (2e3, db(250.0)), (100e3, db(170.0))]);
        check(
            "icnirp-public-magnetic",
            1e-9,
            &[(50.0, db(200e-6)), (60.0, db(200e-6)), (2e3, db(40e-6)), (9e3, db(27e-6))],
        );
        check("icnirp-occupational-magnetic", 1e-9, &[(50.0, db(1e-3)), (2e3, db(150e-6)), (150e3, db(100e-6))]);
        // 1/f² between 1 and 8 Hz: 0.04/4 T at 2 Hz.
        check("icnirp-public-magnetic", 1e-9, &[(2.0, db(0.01))]);
        // 0.4 mA per kHz.
        check("icnirp-occupational-contact", 1e-9, &[(10e3, db(4e-3)), (100e3, db(40e-3))]);
        // IEEE C95.1-2019, from memory: 0.205 mT and 614 V/m.
        check("ieee-unrestricted-magnetic", 1e-9, &[(10e3, db(0.205e-3))]);
        check("ieee-unrestricted-electric", 1e-9, &[(10e3, db(614.0))]);
    }

    #[test]
    fn at_a_break_the_tighter_value_holds() {
        // 47 CFR 18.307(g): the more stringent limit applies at the boundary.
        check("induction-us", 1e-12, &[(50e3, 90.0)]);
        // A bin that rounding has put beside the break is at the break.
        check("induction-us", 1e-9, &[(50e3 * (1.0 - 1e-12), 90.0), (50e3 * (1.0 + 1e-12), 90.0)]);
        let band = Band::new(48e3, 52e3).unwrap();
        let limit = curve("induction-us");
        assert_eq!(limit.tightest_in(band), limit.at(52e3));
        assert_eq!(limit.tightest_in(Band::new(8e3, 10e3).unwrap()), None);
        let rising = curve("icnirp-public-contact");
        assert_eq!(rising.tightest_in(band), rising.at(48e3));
    }

    #[test]
    fn corners_are_cut_at_the_range() {
        let limit = curve("induction-us");
        let corners = limit.corners(Band::new(20e3, 100e3).unwrap());
        assert_eq!(corners.iter().map(|corner| corner.0).collect::<Vec<_>>(), [20e3, 50e3, 50e3, 100e3]);
        assert_eq!(corners[1..3].iter().map(|corner| corner.1).collect::<Vec<_>>(), [110.0, 90.0]);
        assert!(limit.corners(Band::new(1e3, 2e3).unwrap()).is_empty());
    }
}
