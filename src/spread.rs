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

use std::fmt;
use std::str::FromStr;

use sha2::{Digest, Sha256};

use crate::error::Error;

/// The share of one machine of a work that several do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Which share this is, counted from 1.
    pub number: u32,
    /// How many there are.
    pub of: u32,
}

impl Shard {
    /// All of the work.
    pub const WHOLE: Self = Self { number: 1, of: 1 };

    /// Whether a piece of the work, counted from 0, belongs to this share: every `of`-th does.
    pub fn holds(self, piece: u64) -> bool {
        piece % u64::from(self.of) == u64::from(self.number - 1)
    }

    /// Whether what has this name belongs to this share. The name alone decides, so that what comes later moves nothing
    /// that is there.
    pub fn holds_name(self, name: &str) -> bool {
        let hash = Sha256::digest(name.as_bytes());
        self.holds(hash.iter().take(8).fold(0u64, |number, &byte| number << 8 | u64::from(byte)))
    }
}

impl FromStr for Shard {
    type Err = Error;

    /// Reads `2/8`.
    fn from_str(text: &str) -> Result<Self, Error> {
        let numbers = text.split_once('/');
        let numbers = numbers.and_then(|(number, of)| Some((number.trim().parse().ok()?, of.trim().parse().ok()?)));
        match numbers {
            Some((number, of)) if (1..=of).contains(&number) => Ok(Self { number, of }),
            _ => Err(Error::usage(format!("\"{}\" names no share", crate::error::printable(text)))
                .expected("K/N with K from 1 to N, such as 3/8")),
        }
    }
}

impl fmt::Display for Shard {
    /// As names of files carry it: `3-of-8`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-of-{}", self.number, self.of)
    }
}

/// The same work, known to be one of so many pieces.
#[cfg(feature = "parallel")]
fn among<T, R>(pieces: usize, work: impl Fn(T) -> R + Sync + Send) -> impl Fn(T) -> R + Sync + Send {
    let full = pieces >= width();
    move |item| {
        let before = BUSY.replace(full);
        let done = work(item);
        BUSY.set(before);
        done
    }
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
    let work = among(items.len(), work);
    // One by one, because items are few and differ in size.
    items.into_par_iter().with_max_len(1).map(work).collect()
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
    let work = among(items.len(), work);
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

/// Runs two pieces of work, at the same time where there are threads and nobody else needs them.
#[cfg(feature = "parallel")]
pub fn join<A: Send, B: Send>(first: impl FnOnce() -> A + Send, second: impl FnOnce() -> B + Send) -> (A, B) {
    if width() == 1 { (first(), second()) } else { rayon::join(first, second) }
}

/// Runs two pieces of work, at the same time where there are threads.
#[cfg(not(feature = "parallel"))]
pub fn join<A: Send, B: Send>(first: impl FnOnce() -> A + Send, second: impl FnOnce() -> B + Send) -> (A, B) {
    (first(), second())
}

/// Works on things in their order while the next one is made ready: reading on one core, reckoning on the other. Two
/// are held at a time. An error ends it, once all that came before is worked on.
///
/// # Errors
/// What `next` answers.
pub fn ahead<T: Send, E: Send>(
    mut next: impl FnMut() -> Result<Option<T>, E> + Send,
    mut work: impl FnMut(T) + Send,
) -> Result<(), E> {
    let mut ready = next()?;
    while let Some(thing) = ready {
        let (following, ()) = join(&mut next, || work(thing));
        ready = following?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_capture_is_in_one_shard() {
        let names: Vec<String> = (0..1000).map(|n| format!("street/{n}.csv")).collect();
        for of in [1, 2, 3, 7] {
            let shares: Vec<usize> = (1..=of)
                .map(|number| names.iter().filter(|name| Shard { number, of }.holds_name(name)).count())
                .collect();
            assert_eq!(shares.iter().sum::<usize>(), names.len());
            // Five standard deviations of a share.
            let mean = 1000.0 / f64::from(of);
            assert!(shares.iter().all(|&share| (share as f64 - mean).abs() < 5.0 * mean.sqrt()), "{shares:?}");
        }
    }

    #[test]
    fn things_are_worked_on_in_order_up_to_the_error() {
        let mut made = 0;
        let mut seen = Vec::new();
        let next = || {
            made += 1;
            if made > 100 { Err("out of things") } else { Ok(Some(made)) }
        };
        assert_eq!(ahead(next, |thing| seen.push(thing)), Err("out of things"));
        assert_eq!(seen, (1..=100).collect::<Vec<_>>());
        assert_eq!(ahead(|| Ok::<Option<u8>, ()>(None), |_| unreachable!()), Ok(()));
    }

    #[test]
    fn shards_out_of_range_are_refused() {
        assert_eq!("2/3".parse::<Shard>().unwrap(), Shard { number: 2, of: 3 });
        for text in ["0/3", "4/3", "1/0", "1", "a/b", "-1/3", "1/3/5", ""] {
            assert!(text.parse::<Shard>().is_err(), "{text}");
        }
    }
}
