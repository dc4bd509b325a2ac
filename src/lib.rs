//! High-frequency noise on mains wiring, 2 to 150 kHz.

#![cfg_attr(test, allow(clippy::float_cmp, reason = "tests compare exact values on purpose"))]

pub mod analysis;
pub mod capture;
#[cfg(feature = "cli")]
pub mod cli;
pub mod compare;
pub mod dsp;
pub mod error;
pub mod measure;
pub mod read;
pub mod report;
pub mod spread;
pub mod survey;
pub mod synth;
pub mod uncertainty;
pub mod units;
