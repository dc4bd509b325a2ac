//! The test suite: one binary, one module a subject.

#![allow(clippy::unwrap_used, reason = "a test that meets nothing has failed")]
#![allow(clippy::print_stdout, reason = "figures measured are shown with --nocapture")]

mod architecture;
#[cfg(feature = "cli")]
mod cli;
#[cfg(feature = "cli")]
mod cli_bad_input;
mod contracts;
mod dsp_figures;
mod dsp_reference;
mod examples;
#[cfg(feature = "cli")]
mod program;
mod properties;
mod signals;
mod statistics;
