//! Is this measuring chain sound, and what does it correct?

use std::f64::consts::LN_10;

use serde::Serialize;

use crate::capture::chain::{Chain, Part, Setup};
use crate::capture::{Port, Role};
use crate::units::Band;

/// A picture has so many points of a correction.
const POINTS: u32 = 400;
/// The frequencies in hertz that a table shows.
const SHOWN_HZ: [f64; 8] = [2e3, 5e3, 9e3, 10e3, 20e3, 50e3, 100e3, 150e3];

/// The correction at one frequency; nothing where a table does not reach.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Correction {
    /// The frequency.
    pub frequency_hz: f64,
    /// What is added to a level in dBµV at the recorder.
    pub correction_db: Option<f64>,
    /// The phase of the factor.
    pub phase_deg: Option<f64>,
    /// The combined standard uncertainty of the parts and the recorder.
    pub standard_uncertainty_db: Option<f64>,
}

/// The chain of one channel.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelChain {
    /// The channel that it is for.
    pub role: Role,
    /// What it is, in the words of the setup file.
    pub about: String,
    /// The unit that it leads to.
    pub unit: &'static str,
    /// Where that is taken, as far as parts or setup say.
    pub port: Option<Port>,
    /// The parts in the order of the signal.
    pub parts: Vec<Part>,
    /// From where on all tables reach; `None` without any.
    pub low_hz: Option<f64>,
    /// Up to where.
    pub high_hz: Option<f64>,
    /// The total correction at some round frequencies.
    pub corrections: Vec<Correction>,
    /// The same closely spaced, for pictures and CSV.
    #[serde(skip)]
    pub curve: Vec<Correction>,
}

/// The chains of a setup with their total correction over a range.
pub fn chains(setup: &Setup, range: Band) -> Vec<ChannelChain> {
    let both = [Role::Wire, Role::Air];
    both.into_iter().filter_map(|role| Some(channel_chain(role, setup.chain(role)?, range))).collect()
}

fn channel_chain(role: Role, chain: &Chain, range: Band) -> ChannelChain {
    let (low, high) = chain.covers();
    let ratio = (range.high() / range.low().max(1.0)).ln();
    let step = |k: u32| range.low().max(1.0) * (ratio * f64::from(k) / f64::from(POINTS - 1)).exp();
    ChannelChain {
        role,
        about: chain.about.clone(),
        unit: chain.unit,
        port: chain.port,
        parts: chain.parts.clone(),
        low_hz: Some(low).filter(|&low| low > 0.0),
        high_hz: Some(high).filter(|high| high.is_finite()),
        corrections: SHOWN_HZ.into_iter().map(|frequency| correction(chain, frequency)).collect(),
        curve: (0..POINTS).map(|k| correction(chain, step(k).min(range.high()))).collect(),
    }
}

fn correction(chain: &Chain, frequency_hz: f64) -> Correction {
    let factor = chain.correction(frequency_hz);
    Correction {
        frequency_hz,
        correction_db: factor.map(|factor| 20.0 * factor.norm().log10()),
        phase_deg: factor.map(|factor| factor.arg().to_degrees()),
        standard_uncertainty_db: factor.map(|_| chain.relative_standard_uncertainty(frequency_hz) * 20.0 / LN_10),
    }
}
