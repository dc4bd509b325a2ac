//! Spreads independent work over the cores where there are threads, and runs it in order where there are none.
//!
//! Results come back in the order of the inputs, so nothing downstream can depend on the number of threads.

/// Applies a function to every item and keeps the order.
#[cfg(feature = "parallel")]
pub fn map<T: Send, R: Send>(items: Vec<T>, work: impl Fn(T) -> R + Sync + Send) -> Vec<R> {
    use rayon::prelude::*;
    items.into_par_iter().map(work).collect()
}

/// Applies a function to every item and keeps the order.
#[cfg(not(feature = "parallel"))]
pub fn map<T: Send, R: Send>(items: Vec<T>, work: impl Fn(T) -> R + Sync + Send) -> Vec<R> {
    items.into_iter().map(work).collect()
}

/// Runs two pieces of work, at the same time where there are threads.
#[cfg(feature = "parallel")]
pub fn join<A: Send, B: Send>(first: impl FnOnce() -> A + Send, second: impl FnOnce() -> B + Send) -> (A, B) {
    rayon::join(first, second)
}

/// Runs two pieces of work, at the same time where there are threads.
#[cfg(not(feature = "parallel"))]
pub fn join<A: Send, B: Send>(first: impl FnOnce() -> A + Send, second: impl FnOnce() -> B + Send) -> (A, B) {
    (first(), second())
}
