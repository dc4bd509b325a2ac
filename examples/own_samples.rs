//! The library without files: own samples in, bands out.
//!
//! `cargo run --example own_samples`

#![allow(clippy::print_stdout, reason = "an example shows what it found")]

use std::error::Error;

use linewake::analysis::bands::{CaptureBands, of_observed};
use linewake::analysis::observe::{Wants, observe_recording};
use linewake::analysis::settings::Settings;
use linewake::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
use linewake::measure::bands::Scheme;
use linewake::units::Hertz;

/// Samples in a block: any number gives the same result.
const BLOCK: usize = 4096;

/// Samples of a wire in volts to the energy in its bands.
///
/// # Errors
/// No samples, a rate that is none, or a record shorter than a segment.
pub fn run(samples: Vec<f64>, rate_hz: f64) -> Result<CaptureBands, linewake::error::Error> {
    let rate = Hertz::new(rate_hz)?;
    let clock = Clock { rate, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let wire = Channel { name: "wire".into(), quantity: Quantity::Unit("V".into()), role: Role::Wire };
    // Anything that implements `Recording` may stand here: a driver, a socket, a generator.
    let recording = Memory::new("own samples", clock, vec![(wire, samples)], BLOCK)?;
    let wants = Wants { slew: true, ..Wants::default() };
    of_observed(&observe_recording(Box::new(recording), &Settings::default(), wants)?, &Scheme::Wide)
}

/// 2 mV RMS at 40 kHz beside 230 V of mains, a tenth of a second at 500 kS/s.
pub fn samples() -> Vec<f64> {
    let sine =
        |rms: f64, frequency: f64, time: f64| rms * 2f64.sqrt() * (std::f64::consts::TAU * frequency * time).sin();
    let times = (0..50_000u32).map(|n| f64::from(n) / 500e3);
    times.map(|time| sine(230.0, 50.0, time) + sine(2e-3, 40e3, time)).collect()
}

fn main() -> Result<(), Box<dyn Error>> {
    let bands = run(samples(), 500e3)?;
    let wire = &bands.channels[0];
    // The mains is taken out, the tone stays: 2 mV are 66 dBµV.
    assert!((wire.total.rms - 2e-3).abs() < 1e-5);
    for band in &wire.bands {
        println!("{}: {:.2} mV, {:.1} dBµV", band.band, 1e3 * band.rms, band.level_db.get());
    }
    println!("slew {:.0} V/s RMS", wire.slew_rms);
    Ok(())
}
