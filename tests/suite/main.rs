//! The test suite: one binary, one module a subject.

#![allow(
    clippy::float_cmp,
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::print_stdout,
    reason = "tests compare exact values on purpose, a panic is how they fail, figures show with --nocapture"
)]

mod architecture;
mod chain;
#[cfg(feature = "cli")]
mod cli;
#[cfg(feature = "cli")]
mod cli_bad_input;
mod contracts;
mod coupling;
mod coverage;
mod dsp_figures;
mod dsp_reference;
mod examples;
mod load_and_filter;
#[cfg(feature = "cli")]
mod program;
mod properties;
mod reading_hostile;
mod reading_layouts;
mod reading_outside;
mod reading_properties;
mod reading_structure;
#[cfg(feature = "cli")]
mod readme;
mod signals;
mod statistics;
mod statistics_reference;
