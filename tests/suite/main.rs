//! The test suite: one binary, one module a subject.

#![allow(clippy::unwrap_used, reason = "a test that meets nothing has failed")]
#![allow(clippy::print_stdout, reason = "figures measured are shown with --nocapture")]

mod dsp_figures;
mod dsp_reference;
