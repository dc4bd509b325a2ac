//! One test binary; the list of modules is the overview.

#![allow(
    clippy::float_cmp,
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    reason = "tests compare exact values on purpose, and a panic is how they fail"
)]

mod reading_hostile;
mod reading_layouts;
mod reading_outside;
mod reading_properties;
