//! Measured levels against published ones: a margin between like and like, and a reason everywhere else.
//!
//! A margin is formed only where detector, bandwidth, unit and port of the reading are those that the level is stated
//! for. What differs in detector, bandwidth or port may be drawn beside the reading, with the reason why there is no
//! margin; a level of another quantity is refused. Levels on exposure of people know no margin of a single band: the
//! guideline adds up the ratios over all frequencies, and that plain sum is all that is given.

use serde::{Serialize, Serializer};

use crate::capture::{Port, Quantity, Role};
use crate::levels::{Curve, Detector, Kind};
use crate::units::{Band, Level};

/// What is said wherever a reading stands beside a published level.
pub const INDICATION: &str = "An indication from a field capture, not a conformity assessment.";
/// What is said of exposure levels besides.
pub const NOT_EXPOSURE: &str = "Exposure levels are stated for the undisturbed field over all frequencies of the \
                                guideline; nothing here says anything on health.";
/// What the sum is and is not.
pub const SUM_OF_BANDS: &str = "The sum holds the bands analysed and nothing outside them, such as the mains frequency and its harmonics; lines \
     that share a band enter together by their RMS, a line on the edge of two bands enters up to 1.4 times.";

/// Bandwidths count as the same within this share: 0.2 dB for noise, nothing for a line.
const SAME_BANDWIDTH: f64 = 0.05;

/// What was measured, and how.
#[derive(Debug, Clone)]
pub struct Measured<'a> {
    /// The channel.
    pub role: Role,
    /// Its unit U.
    pub unit: &'a Quantity,
    /// Where it is taken, as far as the measuring chain says.
    pub port: Option<Port>,
    /// How a reading is formed.
    pub detector: Detector,
    /// The bandwidth in hertz, or why there is no single one.
    pub bandwidth: Result<f64, String>,
    /// The frequencies of the readings in hertz, rising.
    pub frequency_hz: &'a [f64],
    /// The readings; one that does not exist is not a number, one of nothing minus infinity.
    pub level_db: &'a [Level],
    /// The bands of the readings, where each is all that lies in a band, and no two bands overlap.
    pub bands: Option<&'a [Band]>,
}

/// What could be done with a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// The margins are formed.
    Margin,
    /// The sum of ratios is formed.
    Sum,
    /// It may be drawn; there is no margin, with the reason.
    Drawn,
    /// It is a level of something else, with the reason.
    Refused,
}

impl Status {
    /// The word of tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Status::Margin => "margin",
            Status::Sum => "sum of ratios",
            Status::Drawn => "no margin",
            Status::Refused => "refused",
        }
    }
}

impl Serialize for Status {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

/// One reading against the level at its frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Point {
    /// The frequency.
    pub frequency_hz: f64,
    /// The reading.
    pub level_db: Level,
    /// The published level there.
    pub allowed_db: f64,
    /// How far the reading lies below it; less than nothing where it lies above.
    pub margin_db: f64,
}

/// A published level and what a channel's readings are against it.
#[derive(Debug, Clone, Serialize)]
pub struct Against {
    /// The level with document, edition and all that it is stated for.
    #[serde(flatten)]
    pub curve: Curve,
    /// What could be done.
    pub status: Status,
    /// Why there is no margin.
    pub reason: Option<String>,
    /// The smallest margin.
    pub margin_db: Option<f64>,
    /// Where it is.
    pub frequency_hz: Option<f64>,
    /// From which reading on there are margins.
    pub margins_from_hz: Option<f64>,
    /// Up to which.
    pub margins_to_hz: Option<f64>,
    /// The sum over the bands of RMS over level, plain, for exposure levels.
    pub sum_of_ratios: Option<f64>,
    /// All margins, by frequency.
    pub points: Vec<Point>,
    /// What the figures are.
    pub statement: &'static str,
}

impl Against {
    /// Whether the curve belongs into a picture of the channel.
    pub fn is_drawn(&self) -> bool {
        self.status != Status::Refused
    }
}

/// Holds a channel's readings against a level.
pub fn hold_against(curve: &Curve, measured: &Measured<'_>) -> Against {
    let answer = |status: Status, reason: Option<String>| Against {
        curve: curve.clone(),
        status,
        reason,
        margin_db: None,
        frequency_hz: None,
        margins_from_hz: None,
        margins_to_hz: None,
        sum_of_ratios: None,
        points: Vec::new(),
        statement: INDICATION,
    };
    if let Some(reason) = other_quantity(curve, measured) {
        return answer(Status::Refused, Some(reason));
    }
    let unlike = differences(curve, measured);
    if !unlike.is_empty() {
        return answer(Status::Drawn, Some(unlike.join("; ")));
    }
    if curve.kind == Kind::ExposureReference {
        return match sum_of_ratios(curve, measured) {
            Ok(sum) => Against { sum_of_ratios: Some(sum), ..answer(Status::Sum, None) },
            Err(reason) => answer(Status::Drawn, Some(reason)),
        };
    }
    let missing = |(&frequency, level): (&f64, &Level)| level.get().is_nan() && curve.at(frequency).is_some();
    if measured.frequency_hz.iter().zip(measured.level_db).any(missing) {
        return answer(Status::Drawn, Some("readings are missing within its range".into()));
    }
    let points = points(curve, measured);
    let Some(smallest) = points.iter().min_by(|a, b| a.margin_db.total_cmp(&b.margin_db)).copied() else {
        let (low, high) = curve.covers();
        let reason = format!("no reading lies within {} to {} kHz, for which it is stated", low / 1e3, high / 1e3);
        return answer(Status::Drawn, Some(reason));
    };
    Against {
        margin_db: Some(smallest.margin_db),
        frequency_hz: Some(smallest.frequency_hz),
        margins_from_hz: points.first().map(|point| point.frequency_hz),
        margins_to_hz: points.last().map(|point| point.frequency_hz),
        points,
        ..answer(Status::Margin, None)
    }
}

/// Why the level is one of something else altogether.
fn other_quantity(curve: &Curve, measured: &Measured<'_>) -> Option<String> {
    let is_field = curve.port == Port::Field;
    if is_field && measured.role == Role::Air && measured.port != Some(Port::Field) {
        return Some(format!(
            "it is a level in {}, and nothing leads from the antenna's {} to a field: describe the antenna in a setup \
             file (--setup)",
            curve.unit,
            measured.unit.symbol()
        ));
    }
    if measured.role != curve.port.role() {
        let channel = match measured.role {
            Role::Wire => "the channel on the wire",
            Role::Air => "the channel in the air",
            Role::Other => "another channel",
        };
        return Some(format!("it is stated for {}, and this is {channel}", curve.port.about()));
    }
    if measured.unit.symbol() != curve.unit {
        return Some(format!("it is a level in {}, and the reading is in {}", curve.unit, measured.unit.symbol()));
    }
    None
}

/// All that differs between what the level is stated for and what was measured.
fn differences(curve: &Curve, measured: &Measured<'_>) -> Vec<String> {
    let mut unlike = Vec::new();
    if curve.detector == Detector::NotKnown {
        unlike.push("our copy does not say for which detector it is stated".to_owned());
    } else if curve.detector != measured.detector {
        unlike.push(format!(
            "it is stated for the {} detector, and the reading is {}",
            curve.detector.word(),
            measured.detector.word()
        ));
    }
    match (curve.kind, curve.bandwidth_hz, &measured.bandwidth) {
        // Levels on exposure are for each frequency by itself.
        (Kind::ExposureReference, ..) => {}
        (_, None, _) => unlike.push("it states no bandwidth".to_owned()),
        (_, Some(stated), Err(reason)) => unlike.push(format!("it is stated for {stated:.0} Hz, and {reason}")),
        (_, Some(stated), Ok(own)) if (own / stated - 1.0).abs() > SAME_BANDWIDTH => {
            unlike.push(format!("it is stated for a bandwidth of {stated:.0} Hz, and the reading has {own:.1} Hz"));
        }
        _ => {}
    }
    match measured.port {
        Some(port) if port == curve.port => {}
        Some(port) => {
            unlike.push(format!("it is stated for {}, and the reading is of {}", curve.port.about(), port.about()))
        }
        None => unlike.push(format!(
            "it is stated for {}, and nothing says that the line as it is was measured there (port in the setup file)",
            curve.port.about()
        )),
    }
    unlike
}

fn points(curve: &Curve, measured: &Measured<'_>) -> Vec<Point> {
    let readings = measured.frequency_hz.iter().zip(measured.level_db).filter(|(_, level)| level.get().is_finite());
    let point = |(&frequency_hz, &level_db): (&f64, &Level)| {
        let allowed_db = curve.at(frequency_hz)?;
        Some(Point { frequency_hz, level_db, allowed_db, margin_db: allowed_db - level_db.get() })
    };
    readings.filter_map(point).collect()
}

/// The plain sum over the bands of RMS over the tightest level in the band.
///
/// # Errors
/// The reason why the sum cannot be formed.
///
/// # Sources
/// ICNIRP 2010, "simultaneous exposure to multiple frequency fields": Σ E_j / E_R,j and Σ B_j / B_R,j, electric and
/// magnetic each by itself (from memory).
fn sum_of_ratios(curve: &Curve, measured: &Measured<'_>) -> Result<f64, String> {
    let bands = measured.bands.ok_or(
        "the guideline adds up over frequencies, and in a spectrum a window spreads each line over several bins, so \
         that a sum over bins would count it more than once: see \"bands\"",
    )?;
    let ratio = |(band, level): (&Band, &Level)| {
        let allowed = curve.tightest_in(*band).ok_or_else(|| format!("it does not cover {band}"))?;
        Ok::<f64, String>(10f64.powf((level.get() - allowed) / 20.0))
    };
    bands.iter().zip(measured.level_db).map(ratio).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::levels::{Confidence, Form, Segment, published};

    fn curve(name: &str) -> Curve {
        published().iter().find(|curve| curve.name == name).unwrap().clone()
    }

    fn volts() -> Quantity {
        Quantity::Unit("V".into())
    }

    /// Quasi-peak in 200 Hz at a V-network: what lighting limits are stated for.
    fn receiver<'a>(unit: &'a Quantity, frequency_hz: &'a [f64], level_db: &'a [Level]) -> Measured<'a> {
        Measured {
            role: Role::Wire,
            unit,
            port: Some(Port::VNetwork),
            detector: Detector::QuasiPeak,
            bandwidth: Ok(200.0),
            frequency_hz,
            level_db,
            bands: None,
        }
    }

    fn level(db: f64) -> Level {
        Level::of_rms(1e-6 * 10f64.powf(db / 20.0))
    }

    #[test]
    fn like_against_like_gives_the_margin() {
        // CISPR 15 (from memory; verified in 47 CFR 18.307): 83.691 dBµV at 100 kHz by arithmetic, 90 at 50 kHz.
        let levels = [level(100.0), level(85.0), level(90.0), level(70.0), Level::of_rms(0.0)];
        let unit = volts();
        let measured = receiver(&unit, &[20e3, 50e3, 100e3, 200e3, 250e3], &levels);
        let found = hold_against(&curve("lighting-mains"), &measured);
        assert_eq!((found.status, found.points.len()), (Status::Margin, 3));
        assert!((found.points[0].margin_db - 10.0).abs() < 1e-9 && (found.points[1].margin_db - 5.0).abs() < 1e-9);
        assert!((found.margin_db.unwrap() - (83.691 - 90.0)).abs() < 5e-4);
        assert_eq!(found.frequency_hz, Some(100e3));
        assert_eq!((found.margins_from_hz, found.margins_to_hz), (Some(20e3), Some(100e3)));
        // Nothing at all lies far below every level; a reading that does not exist stands in the way of all margins.
        let nothing = [level(100.0), Level::of_rms(0.0)];
        assert_eq!(hold_against(&curve("lighting-mains"), &receiver(&unit, &[20e3, 60e3], &nothing)).points.len(), 1);
        let missing = [level(100.0), Level::of_rms(f64::NAN)];
        let missing = hold_against(&curve("lighting-mains"), &receiver(&unit, &[20e3, 60e3], &missing));
        assert!(missing.status == Status::Drawn && missing.reason.unwrap().contains("missing"));
        assert!(found.reason.is_none() && found.sum_of_ratios.is_none());
    }

    #[test]
    fn unlike_is_drawn_or_refused_with_the_reason() {
        let (volts, tesla, unknown) = (volts(), Quantity::Unit("T".into()), Quantity::Unknown);
        let levels = [level(60.0)];
        let like = receiver(&volts, &[100e3], &levels);
        let cases = [
            (Measured { detector: Detector::Rms, ..like.clone() }, Status::Drawn, "quasi-peak detector"),
            (Measured { detector: Detector::Peak, ..like.clone() }, Status::Drawn, "the reading is peak"),
            (Measured { bandwidth: Ok(9e3), ..like.clone() }, Status::Drawn, "the reading has 9000.0 Hz"),
            (Measured { bandwidth: Ok(180.0), ..like.clone() }, Status::Drawn, "the reading has 180.0 Hz"),
            (Measured { bandwidth: Err("bands differ".into()), ..like.clone() }, Status::Drawn, "bands differ"),
            (Measured { port: None, ..like.clone() }, Status::Drawn, "the line as it is"),
            (Measured { port: Some(Port::LineToNeutral), ..like.clone() }, Status::Drawn, "line and neutral"),
            (Measured { port: Some(Port::VNetworkWithoutResistor), ..like.clone() }, Status::Drawn, "50 µH"),
            (Measured { frequency_hz: &[5e3], ..like.clone() }, Status::Drawn, "9 to 150 kHz"),
            (Measured { unit: &unknown, ..like.clone() }, Status::Refused, "the reading is in unknown"),
            (Measured { unit: &tesla, ..like.clone() }, Status::Refused, "in T"),
            (Measured { role: Role::Air, ..like.clone() }, Status::Refused, "the channel in the air"),
        ];
        for (measured, status, words) in cases {
            let found = hold_against(&curve("lighting-mains"), &measured);
            assert_eq!(found.status, status, "{words}");
            assert!(
                found.reason.as_deref().is_some_and(|reason| reason.contains(words)),
                "{words}: {:?}",
                found.reason
            );
            assert!(found.margin_db.is_none() && found.points.is_empty() && found.sum_of_ratios.is_none(), "{words}");
        }
        // Near enough: 195 Hz is within 5 % of 200 Hz.
        let near = Measured { bandwidth: Ok(195.0), ..like.clone() };
        assert_eq!(hold_against(&curve("lighting-mains"), &near).status, Status::Margin);
        // A level of which our copy does not know the detector never has a margin, nor has that of another network.
        for (name, words) in [("signalling-consumers", "does not say"), ("induction-us", "50 Ω ∥ 50 µH")] {
            let found = hold_against(&curve(name), &like);
            assert!(found.status == Status::Drawn && found.reason.unwrap().contains(words), "{name}");
        }
        for name in ["icnirp-public-magnetic", "icnirp-public-contact", "lighting-loop-2m"] {
            assert_eq!(hold_against(&curve(name), &like).status, Status::Refused, "{name}");
        }
    }

    #[test]
    fn every_reason_is_named_and_not_only_the_first() {
        let (unit, levels) = (volts(), [level(60.0)]);
        let far =
            Measured { detector: Detector::Rms, bandwidth: Ok(2e3), port: None, ..receiver(&unit, &[100e3], &levels) };
        let reason = hold_against(&curve("compatibility-low-voltage"), &far).reason.unwrap();
        assert_eq!(reason.split("; ").count(), 3, "{reason}");
    }

    #[test]
    fn ratios_add_up_plainly_over_the_bands() {
        // Worked example: 5, 3 and 2 µT against 27 µT (ICNIRP 2010, public) at 20, 40 and 60 kHz give 10/27.
        let bands = [20e3, 40e3, 60e3].map(|middle| Band::new(middle - 1e3, middle + 1e3).unwrap());
        let levels = [5e-6, 3e-6, 2e-6].map(Level::of_rms);
        let unit = Quantity::Unit("T".into());
        let field = Measured {
            role: Role::Air,
            unit: &unit,
            port: Some(Port::Field),
            detector: Detector::Rms,
            bandwidth: Ok(2e3),
            frequency_hz: &[20e3, 40e3, 60e3],
            level_db: &levels,
            bands: Some(&bands),
        };
        let found = hold_against(&curve("icnirp-public-magnetic"), &field);
        assert_eq!((found.status, found.margin_db), (Status::Sum, None));
        assert!((found.sum_of_ratios.unwrap() - 10.0 / 27.0).abs() < 1e-9);
        // A spectrum has no sum, a field that no chain leads to is none, and an electric level is no magnetic one.
        let lines = hold_against(&curve("icnirp-public-magnetic"), &Measured { bands: None, ..field.clone() });
        assert!(lines.status == Status::Drawn && lines.reason.unwrap().contains("more than once"));
        let bare = hold_against(&curve("icnirp-public-magnetic"), &Measured { port: None, ..field.clone() });
        assert!(bare.status == Status::Refused && bare.reason.unwrap().contains("--setup"));
        assert_eq!(hold_against(&curve("icnirp-public-electric"), &field).status, Status::Refused);
        // Bands beyond the curve leave the sum out rather than short.
        let ends = Curve {
            segments: vec![Segment { low_hz: 2e3, high_hz: 50e3, form: Form::Decibels { low: 20.0, high: 20.0 } }],
            confidence: Confidence::Own,
            ..curve("icnirp-public-magnetic")
        };
        let short = hold_against(&ends, &field);
        assert!(short.status == Status::Drawn && short.reason.unwrap().contains("59 to 61 kHz"));
    }
}
