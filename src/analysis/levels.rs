//! Which published levels are there, and what are they at these frequencies?

use serde::Serialize;

use crate::levels::Curve;
use crate::units::Hertz;

/// A level at a frequency; nothing where the curve does not reach.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Value {
    /// The frequency.
    pub frequency_hz: f64,
    /// The level in decibels over one millionth of the unit.
    pub level_db: Option<f64>,
    /// The same in the unit, RMS.
    pub value: Option<f64>,
}

/// A level with its values at the frequencies asked for.
#[derive(Debug, Clone, Serialize)]
pub struct Listed {
    /// The level.
    #[serde(flatten)]
    pub curve: Curve,
    /// Its values.
    pub values: Vec<Value>,
}

/// Curves with their values at some frequencies.
pub fn listed(curves: &[Curve], frequencies: &[Hertz]) -> Vec<Listed> {
    let values = |curve: &Curve| frequencies.iter().map(|frequency| value(curve, frequency.get())).collect();
    curves.iter().map(|curve| Listed { curve: curve.clone(), values: values(curve) }).collect()
}

fn value(curve: &Curve, frequency_hz: f64) -> Value {
    let level_db = curve.at(frequency_hz);
    Value { frequency_hz, level_db, value: level_db.map(|db| 1e-6 * 10f64.powf(db / 20.0)) }
}
