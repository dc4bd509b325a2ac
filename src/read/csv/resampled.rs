//! A text capture whose times are uneven, laid on an even grid.
//!
//! The record is held in memory, samples and grid, because the widest band that its times allow is known only when
//! all of them are. How it is done is [`crate::dsp::uneven`].

use super::Text;
use super::timing::{Uneven as Column, six_digits};
use crate::capture::{Account, Block, Channel, Clock, Header, Memory, Recording};
use crate::dsp::uneven::{LARGEST_ERROR, REACH, Uneven};
use crate::error::{Error, Finding, printable};
use crate::read::{DEFAULT_MEMORY, ReadOptions, rows_per_block};
use crate::spread;

/// A record on its even grid.
pub(super) struct Resampled {
    header: Header,
    account: Account,
    inner: Memory,
}

impl Resampled {
    /// Reads all of a text whose row `time` is the time in seconds, and lays the other rows on the grid.
    ///
    /// # Errors
    /// What is wrong with the text, more than may be held in memory, or times too uneven or too coarse.
    pub(super) fn read(
        mut text: Text,
        time: usize,
        column: Column,
        rows: u64,
        options: &ReadOptions,
    ) -> Result<Self, Error> {
        let bytes = rows.saturating_mul(16).saturating_mul(text.header().channels.len() as u64 + 1);
        let most = options.max_memory.unwrap_or(DEFAULT_MEMORY);
        if bytes > most {
            return Err(Error::input(format!("--resample holds the record in memory and needs {bytes} bytes for it"))
                .expected(format!("at most {most}"))
                .remedy("--max-memory SIZE allows more; or cut the record"));
        }
        let mut samples: Vec<Vec<f64>> = Vec::new();
        while let Some(block) = text.next_block()? {
            samples.resize(block.samples.nrows(), Vec::new());
            for (channel, row) in samples.iter_mut().zip(block.samples.rows()) {
                channel.extend(row);
            }
        }
        let times = if time < samples.len() { samples.remove(time) } else { Vec::new() };
        if times.windows(2).any(|pair| pair[0] >= pair[1]) {
            return Err(refuse(&column));
        }
        let mut header = text.header().clone();
        let rate = header.clock.rate;
        let uneven = Uneven::new(&times, rate.get(), column.half_unit).ok_or_else(|| refuse(&column))?;
        let found = finding(&uneven, &header.channels, &samples, &column, rate.get());
        header.findings.push(found);
        header.reading.push(format!(
            "The samples lie on an even grid of {} points instead of {} uneven times; {} samples at either end only help.",
            uneven.len(),
            times.len(),
            REACH - 1
        ));
        header.layout.push_str(", resampled");
        header.clock = Clock { start_s: uneven.start(), ..header.clock };
        header.faithful_to_hz = Some(uneven.band_hz());
        header.promised_samples = None;

        const PIECE: usize = 4096;
        let pieces = (0..uneven.len()).step_by(PIECE).map(|first| first..(first + PIECE).min(uneven.len())).collect();
        let mut grid = vec![Vec::with_capacity(uneven.len()); samples.len()];
        for piece in spread::map(pieces, |points| uneven.resample(&samples, points)) {
            grid.iter_mut().zip(piece).for_each(|(grid, piece)| grid.extend(piece));
        }
        let block = rows_per_block(header.channels.len(), options);
        let channels = header.channels.iter().cloned().zip(grid).collect();
        let account = text.account();
        let inner = Memory::new(&header.path, header.clock, channels, block)?;
        Ok(Self { header, account, inner })
    }
}

fn refuse(column: &Column) -> Error {
    Error::input(format!(
        "the samples lie too unevenly for an even grid that keeps tones within {} dB: steps between {} and {} s, the longest \
         here, times printed to \u{b1}{} s",
        20.0 * LARGEST_ERROR.log10(),
        six_digits(column.smallest),
        six_digits(column.largest),
        six_digits(column.half_unit)
    ))
    .at_line(column.line, None)
    .expected(format!("at least {} samples, steps of some kind of order, times printed finely", 4 * REACH))
    .remedy("cut the file at the longest step, or export the record with a fixed time step or with finer times")
}

fn finding(uneven: &Uneven<'_>, channels: &[Channel], samples: &[Vec<f64>], column: &Column, rate: f64) -> Finding {
    let accuracy = uneven.accuracy();
    let unexplained: Vec<String> = channels
        .iter()
        .zip(samples)
        .map(|(channel, samples)| {
            let count = samples.len() as f64;
            let mean = samples.iter().sum::<f64>() / count;
            let rms = (samples.iter().map(|sample| (sample - mean).powi(2)).sum::<f64>() / count).sqrt();
            let share = if rms > 0.0 { 100.0 * uneven.unexplained(samples).rms / rms } else { 0.0 };
            format!("{share:.2} % of \"{}\"", printable(&channel.name))
        })
        .collect();
    let count = uneven.unexplained(&samples[0]).count;
    Finding::limit(
        "resampled",
        format!(
            "The times are uneven, with steps of {} to {} s; the samples were laid on an even grid of {rate} samples a second, \
             each point from the {} nearest. Up to {} Hz, where the range ends, a tone is off by {:.1} dB of its amplitude \
             (RMS over the record; {:.1} dB at the worst place), and noise grows {:.2} times ({:.1} at the worst place). Estimating {count} samples from \
             their neighbours leaves {} unexplained: the recorder's noise, and whatever lies above that frequency and folds \
             into the range.",
            six_digits(column.smallest),
            six_digits(column.largest),
            2 * REACH,
            six_digits(uneven.band_hz()),
            20.0 * accuracy.tone_rms.log10(),
            20.0 * accuracy.tone_worst.log10(),
            accuracy.noise_gain,
            accuracy.noise_worst,
            unexplained.join(", ")
        ),
    )
}

impl Recording for Resampled {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        self.account.clone()
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        self.inner.next_block()
    }
}
