//! High-frequency noise on mains wiring, 2 to 150 kHz.
//!
//! The main flow is read, measure, compare, report. Below, two captures of a wire: noise of 1 µV/√Hz, then the same
//! with a load that adds 1 mV at 68 kHz.
//!
//! ```
//! use linewake::analysis::compare::{Order, what_is_added};
//! use linewake::analysis::settings::Settings;
//! use linewake::compare::added::Verdict;
//! use linewake::measure::bands::Scheme;
//! use linewake::read::{Bytes, Source};
//! use linewake::report::{columns, sentences};
//! use linewake::synth::{Random, Source as _, Tone, WhiteNoise};
//!
//! // A recorder's export: rows of time and volts at 500 kS/s. A file is read into bytes in the same way.
//! let capture = |seed, load_v| {
//!     let mut samples = vec![0.0; 60_000];
//!     WhiteNoise { density: 1e-12 }.add_to(&mut samples, 500e3, &mut Random::new(seed, 0));
//!     Tone { frequency_hz: 68.4e3, rms: load_v, phase_rad: 0.0 }.add_to(&mut samples, 500e3);
//!     let rows = samples.iter().enumerate().map(|(n, volt)| format!("{:.6},{volt}\n", n as f64 * 2e-6));
//!     format!("Time (s),Wire (V)\n{}", rows.collect::<String>())
//! };
//! let off = Source::new(Bytes::new("off.csv", capture(1, 0.0).into_bytes()));
//! let on = Source::new(Bytes::new("on.csv", capture(2, 1e-3).into_bytes()));
//!
//! // Each file is read block by block, the mains taken out, band powers measured in each mains period, the two
//! // sides compared; the defaults are those of the command line.
//! let (inputs, result) = what_is_added(&[off], &[on], &Settings::default(), &Scheme::TwoKilohertz, Order::Apart)?;
//! assert_eq!(inputs.len(), 2);
//! let band = result.channels[0].bands.iter().find(|band| band.band.low() == 68e3).unwrap();
//! assert_eq!(band.verdict, Verdict::Adds);
//! assert!((band.added_rms.unwrap() / 1e-3 - 1.0).abs() < 0.01);
//!
//! // The same values in words, as rows, as JSON, as pictures.
//! assert!(sentences::of_addition(&result)[0].starts_with("On the wire the load adds"));
//! assert!(columns::additions(&result)?.starts_with(b"role,unit,low_hz,high_hz,off_rms"));
//! # Ok::<(), linewake::error::Error>(())
//! ```
//!
//! Rooms use rooms of lower rank only. From the bottom: [`error`]; [`units`], [`spread`]; [`uncertainty`], [`synth`];
//! [`dsp`], [`capture`], [`circuit`]; [`read`], [`measure`]; [`levels`]; [`compare`]; [`analysis`]; [`survey`]; [`report`]; and at the top the
//! command line, which alone knows files and the terminal.

#![cfg_attr(test, allow(clippy::float_cmp, reason = "tests compare exact values on purpose"))]

pub mod analysis;
#[cfg(not(target_family = "wasm"))]
pub mod browser;
pub mod capture;
pub mod circuit;
#[cfg(feature = "cli")]
pub mod cli;
pub mod compare;
pub mod dsp;
pub mod error;
pub mod guide;
pub mod lanes;
pub mod levels;
pub mod measure;
pub mod read;
pub mod report;
pub mod spread;
pub mod survey;
pub mod synth;
pub mod uncertainty;
pub mod units;
pub mod write;
