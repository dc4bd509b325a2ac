//! The test suite: one binary, one module a subject.

#![allow(
    clippy::float_cmp,
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::print_stdout,
    reason = "tests compare exact values on purpose, a panic is how they fail, figures show with --nocapture"
)]

mod coverage;
mod dsp_figures;
mod dsp_reference;
mod reading_hostile;
mod reading_layouts;
mod reading_outside;
mod reading_properties;
mod readme;
mod statistics_reference;
