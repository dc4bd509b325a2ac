//! Results to one: what changed, what a load adds, what ranks above what, each with its interval.
//!
//! Nothing here reads samples; it works on the band powers of mains periods that `measure` gives.

pub mod acceptance;
pub mod added;
pub mod before_after;
pub mod coupling;
pub mod difference;
pub mod emissions;
pub mod fall_off;
pub mod load;
pub mod margin;
pub mod power;
pub mod ranking;
pub mod side;
