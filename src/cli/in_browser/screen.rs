//! In place of a terminal, where there is none but a page that asks: how far work has come, as lines on standard error.
//!
//! A line is `progress: DONE of WHOLE NAME`, at most ten in a second.

use std::io::{Write, stderr};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Lines come no faster.
const PAUSE: Duration = Duration::from_millis(100);
/// Reading that takes less shows nothing.
pub(super) const LONG: Duration = PAUSE;

/// Results go into no terminal.
pub(super) fn width() -> Option<u16> {
    None
}

/// Somebody always asks how far work has come.
pub(super) fn shows_progress() -> bool {
    true
}

/// How far work has come.
pub(super) struct Bar {
    name: String,
    done: AtomicU64,
    whole: AtomicU64,
    /// When the last line came.
    said: Mutex<Instant>,
}

impl Bar {
    fn new(whole: u64, name: &str) -> Self {
        let (done, whole) = (AtomicU64::new(0), AtomicU64::new(whole));
        Self { name: name.to_owned(), done, whole, said: Mutex::new(Instant::now()) }
    }

    /// For steps of which the number is known.
    pub(super) fn of_steps(steps: usize, name: &str) -> Self {
        Self::new(steps as u64, name)
    }

    /// For samples, of which the number comes later.
    pub(super) fn of_samples() -> Self {
        Self::new(0, "samples")
    }

    /// For reading in several passes.
    pub(super) fn of_passes() -> Self {
        Self::new(0, "bytes")
    }

    /// One step more is done.
    pub(super) fn step(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        self.say(done, self.whole.load(Ordering::Relaxed), "");
    }

    /// So much is done, of so much where that is known.
    pub(super) fn at(&self, done: u64, of: Option<u64>) {
        self.say(done, of.unwrap_or(0), "");
    }

    /// A pass, counted from 1, has come to a position.
    pub(super) fn pass(&self, pass: u64, position: u64, whole: u64, _left: Duration) {
        self.say(position, whole, &format!(", pass {pass}"));
    }

    fn say(&self, done: u64, whole: u64, more: &str) {
        let Ok(mut said) = self.said.lock() else { return };
        if said.elapsed() < PAUSE {
            return;
        }
        *said = Instant::now();
        // Without anybody who listens there is nobody to tell.
        let _ = writeln!(stderr(), "progress: {done} of {} {}{more}", whole.max(done), self.name);
    }
}
