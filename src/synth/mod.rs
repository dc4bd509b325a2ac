//! Samples with a known answer, for tests, examples, benches and the demo.
//!
//! Every generator states in closed form the power it puts into a range of frequencies, so that a measured
//! figure can be set beside the one built in. All of it is deterministic: random numbers come from a seeded
//! stream cipher, sines and logarithms from `libm` (plain Rust), so one seed gives the same bytes on every
//! platform. Generators add to what is already in a buffer; amplitudes are in the unit of the buffer, and
//! time zero is its first sample.
//!
//! ```
//! use linewake::synth::{Source, Tone};
//! use linewake::units::Band;
//! let tone = Tone { frequency_hz: 20e3, rms: 3e-3, phase_rad: 0.4 };
//! let mut samples = vec![0.0; 1000];
//! tone.add_to(&mut samples, 500e3);
//! let mean_square = samples.iter().map(|v| v * v).sum::<f64>() / 1000.0;
//! assert!((mean_square - tone.power_in(Band::new(2e3, 150e3)?)).abs() < 1e-15);
//! # Ok::<(), linewake::error::Error>(())
//! ```

mod filter;
mod noise;
mod quantiser;
mod random;
mod ring;
mod tone;

pub use filter::Section;
pub use noise::WhiteNoise;
pub use quantiser::Quantiser;
pub use random::Random;
pub use ring::{Ring, RingTrain};
pub use tone::{Envelope, Harmonic, KeyedTone, MainsWave, ModulatedTone, Swing, Tone};

use crate::units::Band;

/// A signal without chance once it is made: phases and bits are its fields.
pub trait Source {
    /// The frequency in hertz that names it: a carrier, a ring, a fundamental.
    fn frequency_hz(&self) -> f64;

    /// Adds the signal to samples taken at `rate_hz`.
    fn add_to(&self, samples: &mut [f64], rate_hz: f64);

    /// The mean square that it puts into a range of frequencies, averaged over its phases.
    fn power_in(&self, band: Band) -> f64;
}

/// The time in seconds of a sample.
fn time_s(index: usize, rate_hz: f64) -> f64 {
    index as f64 / rate_hz
}

/// The sine of a phase given in cycles, the whole ones taken off first: exact and fast however long the record.
fn sine_of_cycles(cycles: f64) -> f64 {
    libm::sin(std::f64::consts::TAU * (cycles - cycles.trunc()))
}
