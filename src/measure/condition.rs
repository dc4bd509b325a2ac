//! From samples as read to samples without the mains: the step from block to block that every measure shares.

use ndarray::Array2;

use crate::capture::Block;
use crate::dsp::Complex;
use crate::dsp::filter::HighPass;
use crate::error::Error;
use crate::units::Hertz;

/// Picks the channels to analyse and takes the mains out of them.
///
/// The same fourth-order Butterworth high-pass runs over all channels. The stretch in which it settles is left
/// out, so that the blocks that come out count from the first settled sample. Levels are put right afterwards by
/// [`Conditioner::power_correction`].
#[derive(Debug, Clone)]
pub struct Conditioner {
    channels: Vec<usize>,
    filters: Option<Vec<HighPass>>,
    unsettled: u64,
}

impl Conditioner {
    /// Takes the channels by their number in the recording; `None` for a cutoff leaves the samples as they are.
    ///
    /// # Errors
    /// A cutoff that the sampling rate cannot carry.
    pub fn new(channels: Vec<usize>, cutoff: Option<Hertz>, rate: Hertz) -> Result<Self, Error> {
        let filter = cutoff.map(|cutoff| HighPass::new(cutoff, rate)).transpose()?;
        let unsettled = filter.as_ref().map_or(0, |filter| filter.settling() as u64);
        let filters = filter.map(|filter| vec![filter; channels.len()]);
        Ok(Self { channels, filters, unsettled })
    }

    /// How many samples at the start are left out while the high-pass settles.
    pub fn unsettled(&self) -> u64 {
        self.unsettled
    }

    /// The settled part of a block, channel by channel in the order asked for; `None` while all of it settles.
    ///
    /// Blocks must come in order, the first one from the first sample of the recording.
    ///
    /// # Panics
    /// When the recording has no channel of a number that was asked for.
    pub fn apply(&mut self, block: &Block) -> Option<Block> {
        let settling = usize::try_from(self.unsettled.saturating_sub(block.first)).unwrap_or(usize::MAX);
        let (settling, settled) = (settling.min(block.len()), block.len() - settling.min(block.len()));
        // What settles passes as well, and is dropped.
        let mut dropped = self.picked(block, 0, settling);
        self.filter(&mut dropped);
        let mut samples = self.picked(block, settling, settled);
        self.filter(&mut samples);
        let samples = Array2::from_shape_vec((self.channels.len(), settled), samples).ok().filter(|_| settled > 0)?;
        Some(Block { first: block.first.max(self.unsettled) - self.unsettled, samples })
    }

    /// So many samples of each channel from a place of the block on, channel after channel.
    fn picked(&self, block: &Block, from: usize, count: usize) -> Vec<f64> {
        let channels = self.channels.iter().map(|&channel| &block.channel(channel)[from..from + count]);
        channels.collect::<Vec<_>>().concat()
    }

    /// Filters the next samples, channel after channel, in place.
    fn filter(&mut self, samples: &mut [f64]) {
        let Some(filters) = self.filters.as_mut().filter(|_| !samples.is_empty()) else { return };
        let mut rows: Vec<&mut [f64]> = samples.chunks_mut(samples.len() / filters.len()).collect();
        for (filters, rows) in filters.chunks_mut(2).zip(rows.chunks_mut(2)) {
            match (filters, rows) {
                ([one, other], [x, y]) => HighPass::process_two([one, other], [x, y]),
                (filters, rows) => filters.iter_mut().zip(rows).for_each(|(filter, row)| filter.process(row)),
            }
        }
    }

    /// The factor on a power that divides the high-pass out again at a frequency in hertz.
    ///
    /// Below the cutoff, where the filter has taken more than half of the power, nothing is put back.
    pub fn power_correction(&self, frequency: f64) -> f64 {
        match self.filters.as_deref() {
            Some([filter, ..]) if frequency >= filter.cutoff().get() => 1.0 / filter.power_response(frequency),
            _ => 1.0,
        }
    }

    /// The same for an amplitude with its phase: 1/H.
    pub fn amplitude_correction(&self, frequency: f64) -> Complex<f64> {
        match self.filters.as_deref() {
            Some([filter, ..]) if frequency >= filter.cutoff().get() => 1.0 / filter.response(frequency),
            _ => Complex::new(1.0, 0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_of_any_size_give_the_same_settled_samples() {
        let rate = Hertz::new(100e3).unwrap();
        let samples: Vec<f64> = (0..3000).map(|n| f64::from(n % 17) + 5.0).collect();
        let run = |size: usize| {
            let mut conditioner = Conditioner::new(vec![0], Some(Hertz::new(1e3).unwrap()), rate).unwrap();
            let mut out = Vec::new();
            for (number, chunk) in samples.chunks(size).enumerate() {
                let samples = Array2::from_shape_vec((1, chunk.len()), chunk.to_vec()).unwrap();
                if let Some(block) = conditioner.apply(&Block { first: (number * size) as u64, samples }) {
                    assert_eq!(block.first, out.len() as u64);
                    out.extend_from_slice(block.channel(0));
                }
            }
            (out, conditioner.unsettled())
        };
        let (whole, unsettled) = run(3000);
        assert_eq!(whole.len() as u64, 3000 - unsettled);
        for size in [1, 7, 640, 2999] {
            assert_eq!(run(size).0, whole, "blocks of {size}");
        }
    }
}
