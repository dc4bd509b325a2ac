//! The shape of a record in time: smallest and largest sample for each column of a picture, so that no impulse is lost.

use crate::capture::Block;

/// Accumulates the smallest and the largest sample of every channel over columns of equal width.
///
/// Columns start one sample wide and are joined in pairs whenever there are twice as many as asked for, so a
/// record of any length needs the same memory.
#[derive(Debug, Clone)]
pub struct Trace {
    columns: usize,
    width: u64,
    filled: u64,
    extremes: Vec<Vec<(f64, f64)>>,
}

impl Trace {
    /// Keeps between `columns` and twice as many columns once the record is long enough.
    pub fn new(columns: usize) -> Self {
        Self { columns: columns.max(1), width: 1, filled: 0, extremes: Vec::new() }
    }

    /// Takes the next block.
    pub fn push(&mut self, block: &Block) {
        if self.extremes.is_empty() {
            self.extremes = vec![Vec::new(); block.samples.nrows()];
        }
        let mut start = 0;
        while start < block.len() {
            let room = usize::try_from(self.width - self.filled).unwrap_or(usize::MAX);
            let end = block.len().min(start.saturating_add(room));
            for (number, columns) in self.extremes.iter_mut().enumerate() {
                if self.filled == 0 {
                    columns.push((f64::INFINITY, f64::NEG_INFINITY));
                }
                let Some((low, high)) = columns.last_mut() else { continue };
                for &x in &block.channel(number)[start..end] {
                    *low = low.min(x);
                    *high = high.max(x);
                }
            }
            self.filled = (self.filled + (end - start) as u64) % self.width;
            start = end;
            if self.filled == 0 && self.extremes[0].len() == 2 * self.columns {
                self.join();
            }
        }
    }

    fn join(&mut self) {
        for columns in &mut self.extremes {
            *columns =
                columns.chunks(2).map(|p| (p[0].0.min(p[p.len() - 1].0), p[0].1.max(p[p.len() - 1].1))).collect();
        }
        self.width *= 2;
    }

    /// How many samples a column holds.
    pub fn column_width(&self) -> u64 {
        self.width
    }

    /// (smallest, largest) for each column of a channel.
    ///
    /// # Panics
    /// When there is no such channel.
    pub fn channel(&self, number: usize) -> &[(f64, f64)] {
        &self.extremes[number]
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    #[test]
    fn a_single_impulse_survives_any_number_of_joins() {
        let mut samples = vec![0.0; 100_003];
        samples[77_777] = 5.0;
        for size in [100_003, 1000, 13] {
            let mut trace = Trace::new(100);
            for (number, chunk) in samples.chunks(size).enumerate() {
                let samples = Array2::from_shape_vec((1, chunk.len()), chunk.to_vec()).unwrap();
                trace.push(&Block { first: (number * size) as u64, samples });
            }
            let hit = trace.channel(0).iter().position(|&(_, high)| high > 4.0).unwrap() as u64;
            assert_eq!(hit, 77_777 / trace.column_width(), "blocks of {size}");
            assert!((100..=200).contains(&trace.channel(0).len()));
        }
    }
}
