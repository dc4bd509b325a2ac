//! Whole analyses: captures and settings in, results out; one file for each question that a user asks.
//!
//! A result is a plain value that tables, figures and JSON are drawn from. The way of a capture through the
//! house is the same for all of them and stands in [`pipeline`].

pub mod acceptance;
mod against;
pub mod bands;
pub mod batch;
pub mod budget;
pub mod calibrate;
pub mod compare;
pub mod convert;
pub mod coupling;
pub mod emissions;
pub mod findings;
pub mod inspect;
pub mod levels;
pub mod mitigate;
pub mod observe;
pub mod over_time;
pub mod phase_map;
pub mod pipeline;
pub mod plan;
pub mod receiver;
pub mod response;
pub mod self_test;
pub mod settings;
pub mod setup;
pub mod spectrum;
pub mod transients;
pub mod waveform;
