//! A stretch of a recording as a recording of its own, and a long recording as one stretch after the other.

use std::sync::{Arc, Mutex, PoisonError};

use ndarray::{Axis, Slice, concatenate};

use super::{Account, Block, Header, Recording};
use crate::error::{Error, Finding};

/// An open recording from which stretches are taken in the order of time, in one pass.
///
/// A stretch may begin some samples before the end of the one before it, as far as `kept` says: a filter can then
/// settle on what lies before the stretch.
///
/// ```
/// use linewake::capture::{Channel, Clock, Memory, Quantity, RateSource, Recording, Reel, Role};
/// use linewake::units::Hertz;
/// let clock = Clock { rate: Hertz::new(1e3)?, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
/// let wire = Channel { name: "wire".into(), quantity: Quantity::Unit("V".into()), role: Role::Wire };
/// let samples = (0..100).map(f64::from).collect();
/// let reel = Reel::new(Box::new(Memory::new("own samples", clock, vec![(wire, samples)], 64)?), 5);
/// let mut first = reel.section(10, Some(20))?;
/// assert_eq!(first.next_block()?.unwrap().channel(0)[0], 10.0);
/// let mut second = reel.section(15, Some(30))?;
/// assert_eq!(second.header().clock.start_s, 0.015);
/// assert_eq!(second.next_block()?.unwrap().channel(0), [15.0, 16.0, 17.0, 18.0, 19.0]);
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Clone)]
pub struct Reel(Arc<Mutex<Feed>>);

impl std::fmt::Debug for Reel {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let feed = self.feed();
        write!(f, "Reel({:?} at {})", feed.recording.header().path, feed.position)
    }
}

/// The recording and the samples that were read already and are wanted again.
struct Feed {
    recording: Box<dyn Recording>,
    kept: usize,
    /// The samples before the position, at most `kept` of them.
    behind: Option<Block>,
    /// Samples that were read and not yet given.
    ahead: Option<Block>,
    /// The number of the next sample to be given.
    position: u64,
}

impl Reel {
    /// Takes an open recording; `kept` samples before the end of a stretch can be had again.
    pub fn new(recording: Box<dyn Recording>, kept: u64) -> Self {
        let kept = usize::try_from(kept).unwrap_or(usize::MAX);
        Self(Arc::new(Mutex::new(Feed { recording, kept, behind: None, ahead: None, position: 0 })))
    }

    /// What is known of the whole recording.
    pub fn header(&self) -> Header {
        self.feed().recording.header().clone()
    }

    /// Whether nothing is left behind the last stretch.
    ///
    /// # Errors
    /// What is wrong with the data, with its place.
    pub fn is_at_end(&self) -> Result<bool, Error> {
        let mut feed = self.feed();
        feed.fill()?;
        Ok(feed.ahead.is_none())
    }

    /// The number of the sample behind the last one that was given.
    pub fn position(&self) -> u64 {
        self.feed().position
    }

    /// The stretch from a sample on, up to one that no longer belongs to it or to the end of the recording.
    ///
    /// # Errors
    /// What is wrong with the data before it.
    ///
    /// # Panics
    /// When it begins more than `kept` samples before the end of the stretch before.
    pub fn section(&self, from: u64, to: Option<u64>) -> Result<Section, Error> {
        let (run_in, header) = {
            let mut feed = self.feed();
            let run_in = if from < feed.position { Some(feed.again(from)) } else { None };
            feed.go_to(from)?;
            let mut header = feed.recording.header().clone();
            header.clock.start_s += from as f64 * header.clock.interval_s();
            let end = match (header.promised_samples, to) {
                (Some(all), Some(to)) => Some(all.min(to)),
                (all, _) => all,
            };
            header.promised_samples = end.map(|end| end.saturating_sub(from));
            (run_in, header)
        };
        Ok(Section { reel: self.clone(), header, run_in, from, to })
    }

    fn feed(&self) -> std::sync::MutexGuard<'_, Feed> {
        // A panic elsewhere leaves no half-done samples here.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Feed {
    /// The samples from one on that were given already.
    fn again(&self, from: u64) -> Block {
        let behind = self.behind.as_ref().filter(|behind| behind.first <= from);
        part(behind.expect("a stretch begins within what is kept of the one before"), from, self.position)
    }

    /// Sees to it that samples are ready, unless the recording has ended.
    fn fill(&mut self) -> Result<(), Error> {
        if self.ahead.is_none() {
            self.ahead = self.recording.next_block()?;
        }
        Ok(())
    }

    /// Leaves samples out up to one.
    fn go_to(&mut self, sample: u64) -> Result<(), Error> {
        let near = sample.saturating_sub(self.kept as u64);
        let read_to = self.ahead.as_ref().map_or(self.position, |block| block.first + block.len() as u64);
        if near > read_to && self.recording.seek(near)? {
            (self.ahead, self.behind, self.position) = (None, None, near);
        }
        while self.position < sample {
            if self.take(Some(sample))?.is_none() {
                break;
            }
        }
        Ok(())
    }

    /// The next samples, none of them at or behind `to`.
    fn take(&mut self, to: Option<u64>) -> Result<Option<Block>, Error> {
        self.fill()?;
        let Some(block) = self.ahead.take() else { return Ok(None) };
        let end = block.first + block.len() as u64;
        let cut = to.map_or(end, |to| to.min(end));
        if cut <= block.first {
            self.ahead = Some(block);
            return Ok(None);
        }
        let given = if cut < end {
            self.ahead = Some(part(&block, cut, end));
            part(&block, block.first, cut)
        } else {
            block
        };
        self.position = cut;
        self.keep(&given);
        Ok(Some(given))
    }

    /// Keeps the end of what was given.
    fn keep(&mut self, given: &Block) {
        if self.kept == 0 {
            return;
        }
        let joined = match self.behind.take() {
            Some(behind) if given.len() < self.kept => {
                let samples = concatenate(Axis(1), &[behind.samples.view(), given.samples.view()])
                    .expect("blocks of one recording have the same channels");
                Block { first: behind.first, samples: samples.as_standard_layout().into_owned() }
            }
            _ => given.clone(),
        };
        let from = self.position.saturating_sub(self.kept as u64).max(joined.first);
        self.behind = Some(part(&joined, from, self.position));
    }
}

/// The samples of a block from one number to another.
fn part(block: &Block, from: u64, to: u64) -> Block {
    let index = |sample: u64| usize::try_from(sample - block.first).unwrap_or(usize::MAX);
    let range = Slice::from(index(from)..index(to));
    Block { first: from, samples: block.samples.slice_axis(Axis(1), range).as_standard_layout().into_owned() }
}

/// A stretch of a recording; its samples count from its own beginning.
#[derive(Debug)]
pub struct Section {
    reel: Reel,
    header: Header,
    run_in: Option<Block>,
    from: u64,
    to: Option<u64>,
}

impl Recording for Section {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        self.reel.feed().recording.account()
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let block = match self.run_in.take() {
            Some(block) => Some(block),
            None => {
                let mut feed = self.reel.feed();
                let block = feed.take(self.to)?;
                self.header.findings.clone_from(&feed.recording.header().findings);
                block
            }
        };
        Ok(block.map(|block| Block { first: block.first - self.from, ..block }))
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        let to = self.from + sample;
        let mut feed = self.reel.feed();
        if !feed.recording.seek(to)? {
            return Ok(false);
        }
        (feed.ahead, feed.behind, feed.position) = (None, None, to);
        self.run_in = None;
        Ok(true)
    }
}

/// A recording from one time on and up to another, in seconds from its first sample.
///
/// # Errors
/// A stretch that is empty or begins behind the end.
pub fn between(recording: Box<dyn Recording>, from_s: f64, to_s: Option<f64>) -> Result<Box<dyn Recording>, Error> {
    if from_s <= 0.0 && to_s.is_none() {
        return Ok(recording);
    }
    let path = recording.header().path.clone();
    let rate = recording.header().clock.rate.get();
    let reel = Reel::new(recording, 0);
    let to = to_s.map(|to_s| sample_at(to_s, rate));
    let mut section = reel.section(sample_at(from_s, rate), to)?;
    if reel.is_at_end()? {
        return Err(Error::usage(format!("nothing of the recording lies from {from_s} s on"))
            .in_file(path)
            .remedy("give an earlier --from"));
    }
    let stretch = to_s.map_or_else(|| "its end".to_owned(), |to_s| format!("{to_s} s"));
    section.header.reading.push(format!("Of the recording the stretch from {from_s} s to {stretch} was taken."));
    section.header.findings.push(Finding::note("stretch", format!("only {from_s} s to {stretch} was looked at")));
    Ok(Box::new(section))
}

/// The number of the sample at a time; a sample belongs to the stretch that begins with it.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a time in samples is below 2^63")]
pub fn sample_at(time_s: f64, rate_hz: f64) -> u64 {
    (time_s * rate_hz).round() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
    use crate::units::Hertz;

    fn counting(count: u32, block: usize) -> Box<dyn Recording> {
        let clock = Clock {
            rate: Hertz::new(1e3).unwrap(),
            source: RateSource::Option,
            relative_uncertainty: 0.0,
            start_s: 1.0,
        };
        let channel = |name: &str, role| Channel { name: name.into(), quantity: Quantity::Unit("V".into()), role };
        let wire: Vec<f64> = (0..count).map(f64::from).collect();
        let air = wire.iter().map(|value| -value).collect();
        let channels = vec![(channel("wire", Role::Wire), wire), (channel("air", Role::Air), air)];
        Box::new(Memory::new("count", clock, channels, block).unwrap())
    }

    fn drained(mut recording: impl Recording) -> Vec<f64> {
        let mut samples = Vec::new();
        while let Some(block) = recording.next_block().unwrap() {
            assert_eq!(block.first, samples.len() as u64);
            assert!(block.channel(0).iter().zip(block.channel(1)).all(|(wire, air)| *wire == -air));
            samples.extend_from_slice(block.channel(0));
        }
        samples
    }

    #[test]
    fn stretches_hold_their_samples_whatever_the_blocks() {
        for block in [1, 7, 64, 1000] {
            for kept in [0, 3, 20] {
                let reel = Reel::new(counting(100, block), kept);
                for (from, to) in [(0, 10), (10, 55), (60, 61), (61, 100)] {
                    let begin = from - kept.min(from);
                    // Only what was given before or lies ahead can be had.
                    let begin = if from == 60 { begin.max(55 - kept) } else { begin };
                    let expected: Vec<f64> = (begin..to).map(|n| n as f64).collect();
                    let section = reel.section(begin, Some(to)).unwrap();
                    assert_eq!(section.header().promised_samples, Some(to - begin));
                    assert!((section.header().clock.start_s - 1.0 - begin as f64 * 1e-3).abs() < 1e-12);
                    assert_eq!(drained(section), expected, "blocks of {block}, {kept} kept, from {from}");
                }
                assert!(reel.is_at_end().unwrap());
            }
        }
    }

    #[test]
    fn a_stretch_by_times_ends_with_the_recording() {
        let taken = |from, to| drained_box(between(counting(100, 33), from, to).unwrap());
        assert_eq!(taken(0.0, None).len(), 100);
        assert_eq!(taken(0.04, Some(0.05)), (40..50).map(f64::from).collect::<Vec<_>>());
        assert_eq!(taken(0.09, Some(7.0)).len(), 10);
        assert!(between(counting(100, 33), 0.1, None).is_err());
        assert!(between(counting(100, 33), 5.0, Some(6.0)).is_err());
    }

    fn drained_box(mut recording: Box<dyn Recording>) -> Vec<f64> {
        let mut samples = Vec::new();
        while let Some(block) = recording.next_block().unwrap() {
            samples.extend_from_slice(block.channel(0));
        }
        samples
    }
}
