//! Narrowband emissions: what stands out of the floor of a spectrum as a line, steady or wandering.
//!
//! A record is looked at twice in one pass: at the resolution bandwidth asked for, and, where its length allows, at a
//! finer one ([`fine_length`]). Lines that the finer one resolves are taken from it; what is spread there (a frequency
//! that wanders, a keyed signal, bursts) is taken as one emission from the coarser one. The steps:
//!
//! 1. the floor: a running median over [`FLOOR_BINS`] bins, divided by the ratio of median to mean of the chi-square
//!    distribution that averaged noise follows;
//! 2. peaks over the floor with the prominence asked for, and higher than noise would rise anywhere in the range in
//!    one of a thousand spectra (chi-square, Bonferroni), nor explained by the side lobes of a stronger line;
//! 3. frequency and level by fitting the window's shape to the bins of the peak, noise taken off;
//! 4. width at −6 dB, behaviour over stretches of the record, swelling at twice the mains frequency;
//! 5. pairs of equal lines to both sides of a stronger one are its sidebands, not emissions of their own.

mod family;
mod gather;
mod line;
mod search;
mod signalling;

pub use family::{Member, families};
pub use gather::{Gathering, Shape, Stretch, Swell, View};
pub use search::{BroadRise, Criteria, Emission, Found, Locked, Manner, Sideband, search};
pub use signalling::{SIGNALLING, SignallingBand, signalling_band};

use crate::dsp::segment::segment_length;
use crate::dsp::window::Window;
use crate::units::Hertz;

/// The floor at a bin is the median of so many bins around it.
pub const FLOOR_BINS: usize = 61;
/// The finer resolution is at most so many times finer ...
const FINEST: f64 = 10.0;
/// ... and leaves so many segments without overlap in the record.
const FINE_SEGMENTS: f64 = 4.0;
/// It is worth the work from this ratio on.
const WORTH: f64 = 2.0;

/// The length of the longer segments for a record of at least so many samples; `None` where the record is too short
/// for anything finer than what is asked for.
pub fn fine_length(window: &Window, rate: Hertz, coarse: usize, at_least_samples: u64) -> Option<usize> {
    let longest = (at_least_samples as f64 / FINE_SEGMENTS).min(FINEST * coarse as f64);
    if longest < WORTH * coarse as f64 {
        return None;
    }
    let resolution = Hertz::new(rate.get() * window.noise_bandwidth_bins() / longest).ok()?;
    // The next longer length that transforms fast may be a few percent longer; that is no harm.
    Some(segment_length(window, rate, resolution))
}
