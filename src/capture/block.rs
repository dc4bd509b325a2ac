//! Samples on their way: a recording yields blocks of all its channels.

use ndarray::{Array2, Axis, Slice};

use super::{Account, Channel, Clock};
use crate::error::{Error, Finding};

/// A stretch of samples of all channels, one row a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// The number of the first sample of this block within the recording, counted from 0.
    pub first: u64,
    /// Channels by samples, in the channel's own unit.
    pub samples: Array2<f64>,
}

impl Block {
    /// The samples of one channel.
    ///
    /// # Panics
    /// When the recording has no such channel.
    pub fn channel(&self, index: usize) -> &[f64] {
        self.samples.index_axis(Axis(0), index).to_slice().expect("rows of a standard array are contiguous")
    }

    /// How many samples each channel has here.
    pub fn len(&self) -> usize {
        self.samples.ncols()
    }

    /// Whether there are no samples.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// What is known of a recording besides its samples.
#[derive(Debug, Clone)]
pub struct Header {
    /// The input as the user named it.
    pub path: String,
    /// The name of the format that read it, from the table of formats.
    pub format: &'static str,
    /// How the file was understood, one line: separator, decimal mark, header rows, columns.
    pub layout: String,
    /// The channels, in the order of the file.
    pub channels: Vec<Channel>,
    /// The clock.
    pub clock: Clock,
    /// The highest frequency that the samples hold faithfully, in hertz, where that is less than half of the rate.
    pub faithful_to_hz: Option<f64>,
    /// How many samples the header promises, where it does.
    pub promised_samples: Option<u64>,
    /// What was taken as what and what was skipped, a sentence each.
    pub reading: Vec<String>,
    /// Remarks on the data; grows while blocks are read, complete after the last block.
    pub findings: Vec<Finding>,
}

/// An open recording: the header now, the blocks on demand, in order, without holding the whole.
pub trait Recording: Send {
    /// What is known so far. Findings are complete only after the last block.
    fn header(&self) -> &Header;

    /// How the file was read and why; what the header tells, where a reader has no more to say.
    fn account(&self) -> Account {
        Account::of(self.header())
    }

    /// The next block; `None` after the last one. Blocks are never empty.
    ///
    /// # Errors
    /// What is wrong with the data, with its place.
    fn next_block(&mut self) -> Result<Option<Block>, Error>;

    /// Goes on at a sample, counted from the first of the recording, where that costs no reading of what lies before;
    /// `false`: it does, and nothing was done. The next block then begins with that sample, or there is none.
    ///
    /// # Errors
    /// What the system answers.
    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        let _ = sample;
        Ok(false)
    }
}

/// A recording that lies in memory: own samples in, the same results out.
///
/// ```
/// use linewake::capture::{Channel, Clock, Memory, Quantity, RateSource, Recording, Role};
/// use linewake::units::Hertz;
/// let clock = Clock { rate: Hertz::new(1e6)?, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
/// let wire = Channel { name: "wire".into(), quantity: Quantity::Unit("V".into()), role: Role::Wire };
/// let mut recording = Memory::new("own samples", clock, vec![(wire, vec![0.0; 100])], 64)?;
/// assert_eq!(recording.next_block()?.unwrap().len(), 64);
/// assert_eq!(recording.next_block()?.unwrap().len(), 36);
/// assert!(recording.next_block()?.is_none());
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Memory {
    header: Header,
    samples: Array2<f64>,
    block: usize,
    next: usize,
}

impl Memory {
    /// Takes channels of equal length; yields blocks of at most `block` samples.
    ///
    /// # Errors
    /// Channels of different length, no channel, no sample, or a block of zero.
    ///
    /// # Panics
    /// Never: the lengths are checked first.
    pub fn new(name: &str, clock: Clock, channels: Vec<(Channel, Vec<f64>)>, block: usize) -> Result<Self, Error> {
        let count = channels.len();
        let length = channels.first().map_or(0, |(_, samples)| samples.len());
        if length == 0 || block == 0 || channels.iter().any(|(_, samples)| samples.len() != length) {
            return Err(Error::input(format!("{count} channels of {length} samples in blocks of {block}"))
                .in_file(name)
                .expected("at least one channel, all of the same length, at least one sample"));
        }
        let (channels, rows): (Vec<_>, Vec<_>) = channels.into_iter().unzip();
        let samples = Array2::from_shape_vec((count, length), rows.concat()).expect("the lengths were checked above");
        let header = Header {
            path: name.to_owned(),
            format: "memory",
            layout: format!("{count} channels of {length} samples in memory"),
            channels,
            clock,
            faithful_to_hz: None,
            promised_samples: Some(length as u64),
            reading: Vec::new(),
            findings: Vec::new(),
        };
        Ok(Self { header, samples, block, next: 0 })
    }
}

impl Recording for Memory {
    fn header(&self) -> &Header {
        &self.header
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let first = self.next;
        let end = (first + self.block).min(self.samples.ncols());
        if first == end {
            return Ok(None);
        }
        self.next = end;
        let samples = self.samples.slice_axis(Axis(1), Slice::from(first..end)).as_standard_layout().into_owned();
        Ok(Some(Block { first: first as u64, samples }))
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        self.next = usize::try_from(sample).unwrap_or(usize::MAX).min(self.samples.ncols());
        Ok(true)
    }
}
