//! What the user settled, the defaults included.

use std::sync::Arc;

use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

use crate::capture::chain::Setup;
use crate::dsp::window::Window;
use crate::error::Error;
use crate::read::{ReadOptions, Source, Winding};
use crate::units::{Band, Hertz};

/// The shortest and the longest segment that may be asked for, in samples.
pub const SEGMENT_LIMITS: (usize, usize) = (16, 1 << 24);

/// The settings that every command reading captures shares.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The wire channel by name or 1-based number; the reader's choice where `None`.
    pub wire: Option<String>,
    /// The air channel by name or 1-based number; the reader's choice where `None`.
    pub air: Option<String>,
    /// A second file that holds the air channel.
    pub air_file: Option<Source>,
    /// The nominal mains frequency in hertz; found in the record where `None`.
    pub mains: Option<f64>,
    /// The cutoff of the mains removal; `None` leaves the samples as they are.
    pub high_pass: Option<Hertz>,
    /// The range of frequencies looked at.
    pub range: Band,
    /// The resolution bandwidth, from which the segment length follows.
    pub resolution: Hertz,
    /// The window.
    pub window: Window,
    /// The overlap of segments as a fraction.
    pub overlap: f64,
    /// The segment length in samples; overrides the resolution bandwidth.
    pub segment: Option<usize>,
    /// Where the analysis begins, in seconds from the first sample of a recording.
    pub from_s: f64,
    /// Where it ends; the end of the recording where `None`.
    pub to_s: Option<f64>,
    /// The measuring chains; without them levels are those at the recorder's input.
    pub setup: Option<Arc<Setup>>,
    /// What readers are told.
    pub read: ReadOptions,
    /// Whether the fingerprints of the files are taken, which only documents state; costs a pass over each file.
    pub fingerprints: bool,
}

impl Default for Settings {
    /// 2 to 150 kHz, 200 Hz, Hann, half overlap, high-pass at 1 kHz.
    fn default() -> Self {
        let hertz = |value| Hertz::new(value).expect("a constant above zero");
        Self {
            wire: None,
            air: None,
            air_file: None,
            mains: None,
            high_pass: Some(hertz(1e3)),
            range: Band::new(2e3, 150e3).expect("constants that rise"),
            resolution: hertz(200.0),
            window: Window::default(),
            overlap: 0.5,
            segment: None,
            from_s: 0.0,
            to_s: None,
            setup: None,
            read: ReadOptions::default(),
            fingerprints: true,
        }
    }
}

impl Settings {
    /// Checks what no single option can check by itself.
    ///
    /// # Errors
    /// An overlap outside 0 to 0.95, a stretch that ends before it begins, a segment outside [`SEGMENT_LIMITS`], the same channel in two roles.
    pub fn check(&self) -> Result<(), Error> {
        if !(0.0..=0.95).contains(&self.overlap) {
            return Err(Error::usage(format!("an overlap of {}", self.overlap)).expected("a fraction from 0 to 0.95"));
        }
        if let Some(segment) = self.segment
            && !(SEGMENT_LIMITS.0..=SEGMENT_LIMITS.1).contains(&segment)
        {
            return Err(Error::usage(format!("a segment of {segment} samples"))
                .expected(format!("{} to {} samples", SEGMENT_LIMITS.0, SEGMENT_LIMITS.1)));
        }
        if let Some(to_s) = self.to_s
            && to_s <= self.from_s
        {
            return Err(
                Error::usage(format!("a stretch from {} s to {to_s} s", self.from_s)).expected("--to behind --from")
            );
        }
        if self.wire.is_some() && self.wire == self.air {
            return Err(Error::usage("the same channel is named as wire and as air").remedy("name two channels"));
        }
        Ok(())
    }
}

impl Serialize for Settings {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("wire", &self.wire)?;
        map.serialize_entry("air", &self.air)?;
        map.serialize_entry("air_file", &self.air_file.as_ref().map(Source::name))?;
        map.serialize_entry("sample_rate_hz", &self.read.sample_rate)?;
        map.serialize_entry("mains_hz", &self.mains)?;
        map.serialize_entry("high_pass_hz", &self.high_pass)?;
        map.serialize_entry("range_low_hz", &self.range.low())?;
        map.serialize_entry("range_high_hz", &self.range.high())?;
        map.serialize_entry("rbw_hz", &self.resolution)?;
        map.serialize_entry("window", &self.window)?;
        map.serialize_entry("overlap", &self.overlap)?;
        map.serialize_entry("segment", &self.segment)?;
        map.serialize_entry("from_s", &self.from_s)?;
        map.serialize_entry("to_s", &self.to_s)?;
        map.serialize_entry("setup", &self.setup.as_ref().map(|setup| &setup.files))?;
        map.serialize_entry("side", &self.read.side.map(Winding::word))?;
        map.serialize_entry("resample", &self.read.resample)?;
        map.serialize_entry("max_memory_bytes", &self.read.max_memory)?;
        map.end()
    }
}
