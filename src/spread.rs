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

/// Applies a function to every item and hands each result on as soon as it is there, in any order and one at a time.
/// So results need not be held. The first error that `done` answers ends the work.
///
/// # Errors
/// What `done` answers.
#[cfg(feature = "parallel")]
pub fn each<T: Send, R: Send, E: Send>(
    items: Vec<T>,
    work: impl Fn(T) -> R + Sync + Send,
    done: impl FnMut(R) -> Result<(), E> + Send,
) -> Result<(), E> {
    use rayon::prelude::*;
    let done = std::sync::Mutex::new(done);
    items.into_par_iter().try_for_each(|item| {
        let result = work(item);
        let mut done = done.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        done(result)
    })
}

/// Applies a function to every item and hands each result on; the first error that `done` answers ends the work.
///
/// # Errors
/// What `done` answers.
#[cfg(not(feature = "parallel"))]
pub fn each<T: Send, R: Send, E: Send>(
    items: Vec<T>,
    work: impl Fn(T) -> R + Sync + Send,
    mut done: impl FnMut(R) -> Result<(), E> + Send,
) -> Result<(), E> {
    items.into_iter().try_for_each(|item| done(work(item)))
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
