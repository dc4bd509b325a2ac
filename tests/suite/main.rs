//! The test suite: one binary, one module a subject.

#![allow(
    clippy::float_cmp,
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::print_stdout,
    reason = "tests compare exact values on purpose, a panic is how they fail, figures show with --nocapture"
)]

mod architecture;
mod calibrate;
mod calibration_reference;
#[cfg(feature = "cli")]
mod campaign;
mod chain;
mod circuit_reference;
#[cfg(feature = "cli")]
mod cli;
#[cfg(feature = "cli")]
mod cli_bad_input;
mod contracts;
mod converting;
mod coupling;
mod coverage;
mod dsp_figures;
mod dsp_reference;
mod emissions;
mod examples;
#[cfg(feature = "cli")]
mod explaining;
mod fuzzing;
mod hostile;
#[cfg(feature = "cli")]
mod levels;
mod load_and_filter;
#[cfg(feature = "cli")]
mod methods;
mod methods_reference;
#[cfg(feature = "cli")]
mod mitigate;
#[cfg(feature = "cli")]
mod new_user;
#[cfg(feature = "cli")]
mod over_time;
mod page;
mod plan;
#[cfg(feature = "cli")]
mod program;
mod properties;
mod reading_arrays;
#[cfg(feature = "cli")]
mod reading_beside;
mod reading_containers;
mod reading_exports;
mod reading_hostile;
mod reading_layouts;
mod reading_outside;
mod reading_properties;
mod reading_structure;
mod reading_uneven;
#[cfg(feature = "cli")]
mod readme;
mod receiver;
mod receiver_reference;
mod regression_reference;
mod response;
mod signals;
mod statistics;
mod statistics_reference;
#[cfg(feature = "cli")]
mod survey;
mod transients;
#[cfg(feature = "cli")]
mod watch;
