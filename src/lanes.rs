//! The same arithmetic on many neighbouring numbers, compiled for each width of vectors a processor may have and
//! chosen when it runs.
//!
//! Nothing is contracted or reordered for it, so the results are the same bits at any width.

/// A loop that gains from wide vectors.
///
/// `run` has to carry `#[inline(always)]`: only what is compiled into the place that calls it becomes wide.
pub trait Kernel {
    /// What comes out.
    type Output;

    /// Does the work.
    fn run(self) -> Self::Output;
}

/// Runs a kernel with the widest vectors that this processor has.
#[cfg(target_family = "wasm")]
pub fn widest<K: Kernel>(kernel: K) -> K::Output {
    // One width, which the whole program is compiled for.
    kernel.run()
}

/// Runs a kernel with the widest vectors that this processor has.
#[cfg(not(target_family = "wasm"))]
pub fn widest<K: Kernel>(kernel: K) -> K::Output {
    pulp::Arch::new().dispatch(Widened(kernel))
}

#[cfg(not(target_family = "wasm"))]
struct Widened<K>(K);

#[cfg(not(target_family = "wasm"))]
impl<K: Kernel> pulp::WithSimd for Widened<K> {
    type Output = K::Output;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> K::Output {
        self.0.run()
    }
}
