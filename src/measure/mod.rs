//! Blocks to numbers: each measure is an accumulator that takes blocks of samples and gives its result at the end.
//!
//! This is the first room that sees both captures and signal processing. A measure never asks how many blocks
//! there were: one block or a thousand give the same numbers.

pub mod bands;
pub mod coherence;
pub mod condition;
pub mod cycles;
pub mod detector;
pub mod emissions;
pub mod groups;
pub mod mains;
pub mod periods;
pub mod phase_map;
pub mod quality;
pub mod receiver;
pub mod trace;
pub mod transients;
