//! How much energy sits in each band: band schemes, and band values from a density.

use std::str::FromStr;

use serde::Serialize;

use crate::error::Error;
use crate::units::{Band, Hertz, Level};

/// The edges of the wide bands in hertz: the range below the receiver's, then those within which published
/// compatibility levels keep one slope, the last but one cut where signalling for consumers begins (EN 50065-1).
const WIDE: [f64; 6] = [2e3, 9e3, 30e3, 50e3, 95e3, 150e3];
/// The range of the 200 Hz groups, as in IEC 61000-4-7 annex B.
const GROUPS: (f64, f64) = (2e3, 9e3);
/// More bands than this are refused; no table holds them.
const MOST_BANDS: f64 = 10_000.0;

/// A way of cutting a range into bands.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Scheme {
    /// 2 kHz wide, from 2 kHz on: the width used by IEC 61000-4-30 (informative annex).
    #[default]
    TwoKilohertz,
    /// 200 Hz wide, 2 to 9 kHz: the groups of IEC 61000-4-7 annex B.
    TwoHundredHertz,
    /// 2-9, 9-30, 30-50, 50-95, 95-150 kHz.
    Wide,
    /// Edges given by the user, in hertz, rising.
    Edges(Vec<f64>),
}

impl Scheme {
    /// The bands of the scheme that lie in a range, cut at its edges.
    ///
    /// # Errors
    /// When none does.
    pub fn bands(&self, range: Band) -> Result<Vec<Band>, Error> {
        let edges: Vec<f64> = match self {
            Scheme::TwoKilohertz => ladder(0.0, range.high(), 2e3)?,
            Scheme::TwoHundredHertz => ladder(GROUPS.0, GROUPS.1, 200.0)?,
            Scheme::Wide => WIDE.to_vec(),
            Scheme::Edges(edges) => edges.clone(),
        };
        let bands: Vec<Band> =
            edges.windows(2).filter_map(|pair| Band::new(pair[0], pair[1]).ok()?.within(range)).collect();
        if bands.is_empty() {
            return Err(Error::usage(format!("no band of \"{self}\" lies within {range}"))
                .remedy("choose other bands with --bands or another range with --range"));
        }
        Ok(bands)
    }
}

/// Edges from `low` in equal steps until `high` is reached or passed.
fn ladder(low: f64, high: f64, step: f64) -> Result<Vec<f64>, Error> {
    let count = ((high - low) / step).ceil();
    if count > MOST_BANDS {
        return Err(Error::usage(format!("{count} bands of {step} Hz up to {high} Hz"))
            .expected(format!("at most {MOST_BANDS} bands"))
            .remedy("narrow the range with --range"));
    }
    Ok((0u32..).map(|k| low + f64::from(k) * step).take_while(|edge| *edge < high + step).collect())
}

impl FromStr for Scheme {
    type Err = Error;

    /// Reads `2k`, `200`, `wide` or rising edges such as `2k,9k,150k`.
    fn from_str(text: &str) -> Result<Self, Error> {
        match text.trim() {
            "2k" => Ok(Scheme::TwoKilohertz),
            "200" => Ok(Scheme::TwoHundredHertz),
            "wide" => Ok(Scheme::Wide),
            edges if edges.contains(',') => {
                let edges: Vec<f64> = edges
                    .split(',')
                    .map(|edge| if edge.trim() == "0" { Ok(0.0) } else { edge.parse::<Hertz>().map(Hertz::get) })
                    .collect::<Result<_, _>>()?;
                if edges.windows(2).all(|pair| pair[0] < pair[1]) {
                    Ok(Scheme::Edges(edges))
                } else {
                    Err(Error::usage(format!("the band edges \"{}\" do not rise", crate::error::printable(text)))
                        .remedy("write them from low to high, such as 2k,9k,30k,150k"))
                }
            }
            other => Err(Error::usage(format!("\"{}\" names no bands", crate::error::printable(other)))
                .expected("2k, 200, wide, or edges joined by commas such as 2k,9k,30k,150k")),
        }
    }
}

impl std::fmt::Display for Scheme {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Scheme::TwoKilohertz => write!(f, "2k"),
            Scheme::TwoHundredHertz => write!(f, "200"),
            Scheme::Wide => write!(f, "wide"),
            Scheme::Edges(edges) => {
                write!(f, "{}", edges.iter().map(|edge| edge.to_string()).collect::<Vec<_>>().join(","))
            }
        }
    }
}

impl Serialize for Scheme {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// What a band holds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandValue {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// The RMS value of what lies in it, in the channel's unit.
    pub rms: f64,
    /// The level of that.
    pub level_db: Level,
    /// The RMS value that the converter's rounding alone would give here, where the resolution is known.
    pub floor_rms: Option<f64>,
    /// Whether the band lies within 3 dB of that floor, so that its value may be the converter's own.
    pub near_floor: bool,
}

impl BandValue {
    /// From a mean square and the density of the converter's rounding.
    pub fn new(band: Band, mean_square: f64, floor_density: Option<f64>) -> Self {
        let floor = floor_density.map(|density| density * band.width());
        Self {
            band,
            rms: mean_square.sqrt(),
            level_db: Level::of_rms(mean_square.sqrt()),
            floor_rms: floor.map(f64::sqrt),
            near_floor: floor.is_some_and(|floor| is_near_floor(mean_square, floor)),
        }
    }
}

/// Whether a mean square lies within 3 dB, a factor of two, of the floor's.
pub fn is_near_floor(mean_square: f64, floor: f64) -> bool {
    mean_square <= 2.0 * floor
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_range_holds_74_bands_of_2_khz() {
        let bands = Scheme::TwoKilohertz.bands(Band::new(2e3, 150e3).unwrap()).unwrap();
        assert_eq!(bands.len(), 74);
        assert_eq!((bands[0].low(), bands[73].high()), (2e3, 150e3));
    }

    #[test]
    fn the_published_200_hz_groups_are_35() {
        // IEC 61000-4-7 annex B: centres 2.1, 2.3, ... 8.9 kHz (from memory).
        let bands = Scheme::TwoHundredHertz.bands(Band::new(2e3, 150e3).unwrap()).unwrap();
        assert_eq!(bands.len(), 35);
        assert_eq!((bands[0].low() + bands[0].high()) / 2.0, 2100.0);
        assert_eq!((bands[34].low() + bands[34].high()) / 2.0, 8900.0);
    }

    #[test]
    fn a_cut_range_cuts_the_last_band() {
        let bands = Scheme::Wide.bands(Band::new(2e3, 125e3).unwrap()).unwrap();
        assert_eq!(bands.last().map(|band| (band.low(), band.high())), Some((95e3, 125e3)));
        assert!(Scheme::TwoHundredHertz.bands(Band::new(20e3, 125e3).unwrap()).is_err());
    }

    #[test]
    fn schemes_are_read_from_words() {
        assert_eq!("2k,9k,150k".parse::<Scheme>().unwrap(), Scheme::Edges(vec![2e3, 9e3, 150e3]));
        for text in ["", "narrow", "9k,2k", "2k,2k", "2k,x"] {
            assert!(text.parse::<Scheme>().is_err(), "{text}");
        }
        assert!("1,2G".parse::<Scheme>().unwrap().bands(Band::new(1.0, 2e9).unwrap()).is_ok());
        assert!(Scheme::TwoKilohertz.bands(Band::new(1.0, 2e9).unwrap()).is_err());
    }
}
