//! Spreads independent work over the cores where there are threads, and runs it in order where there are none.
//!
//! Results come back in the order of the inputs, so nothing downstream can depend on the number of threads.

#[cfg(feature = "parallel")]
use std::cell::Cell;

#[cfg(feature = "parallel")]
thread_local! {
    /// Whether this thread works on one of as many items as there are threads.
    static BUSY: Cell<bool> = const { Cell::new(false) };
}

/// How many pieces of work run at the same time if they are handed over here and now.
#[cfg(feature = "parallel")]
pub fn width() -> usize {
    if BUSY.get() { 1 } else { rayon::current_num_threads() }
}

/// How many pieces of work run at the same time if they are handed over here and now.
#[cfg(not(feature = "parallel"))]
pub fn width() -> usize {
    1
}

/// Applies a function to every item and keeps the order.
///
/// Within an item of a list that fills all threads it runs in order: there is nobody to help, and a thread that waited
/// would begin another item of the outer list and hold the memory of both.
#[cfg(feature = "parallel")]
pub fn map<T: Send, R: Send>(items: Vec<T>, work: impl Fn(T) -> R + Sync + Send) -> Vec<R> {
    use rayon::prelude::*;
    let width = width();
    if width == 1 || items.len() < 2 {
        return items.into_iter().map(work).collect();
    }
    let full = items.len() >= width;
    let work = |item| {
        let before = BUSY.replace(full);
        let done = work(item);
        BUSY.set(before);
        done
    };
    // One by one, because items are few and differ in size.
    items.into_par_iter().with_max_len(1).map(work).collect()
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
