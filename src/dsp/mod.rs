//! Pure signal processing on slices of samples. Knows nothing of files, captures or roles.
//!
//! The way of a sample: [`filter`] takes the mains away, [`segment`] cuts what is left into overlapping
//! segments, [`window`] tapers and [`transform`] transforms them, and [`welch`] averages them into a
//! [`spectrum`], from which [`cross`] forms coherence and transfer. [`slew`], [`sine_fit`],
//! [`golden_section`], [`peaks`], [`resample`], [`uneven`] and [`filter_bank`] stand beside.
//! Everything that takes blocks gives the same result, bit for bit, for any size of the blocks.
//!
//! Work is serial in here. A segment of one channel is about 16 µs of work (3750 samples, `benches/dsp.rs`), too
//! little to hand to another thread; spread whole recordings or whole measurements instead.

pub mod cross;
pub mod filter;
pub mod filter_bank;
pub mod golden_section;
pub mod peaks;
pub mod periodograms;
pub mod resample;
pub mod segment;
pub mod sine_fit;
pub mod slew;
pub mod spectrum;
pub mod steady_sine;
pub mod transform;
pub mod uneven;
pub mod welch;
pub mod window;

pub use rustfft::num_complex::Complex;
