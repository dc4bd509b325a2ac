//! The mains phase along a record, followed as it passes: a frequency known to a thousandth of a hertz is a third of a
//! turn wrong after five minutes.

use crate::dsp::Complex;
use crate::units::Hertz;

/// The phase is read anew from so many periods, weighted as by a Hann window.
const PERIODS: f64 = 5.0;

/// Follows the phase of the fundamental in the channels as read.
#[derive(Debug, Clone)]
pub struct MainsPhase {
    /// Cycles of the mains a sample.
    cycles: f64,
    length: u64,
    seen: u64,
    /// One a channel.
    sums: Vec<Complex<f64>>,
    /// Where the fundamental stands at the next sample.
    turn: Complex<f64>,
    /// The channel whose fundamental is strongest, known after the first window.
    channel: Option<usize>,
    /// The phase in cycles at the first sample as the search for the mains gave it.
    first: f64,
    /// The same by each window; eight bytes for every five periods of the record.
    windows: Vec<f64>,
}

impl MainsPhase {
    /// Starts from what the first stretch of the record showed.
    pub fn new(rate: Hertz, frequency_hz: f64, phase_deg: f64, channels: usize) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and it saturates")]
        let length = (PERIODS * rate.get() / frequency_hz).round().max(1.0) as u64;
        Self {
            cycles: frequency_hz / rate.get(),
            length,
            seen: 0,
            sums: vec![Complex::default(); channels],
            turn: Complex::new(1.0, 0.0),
            channel: None,
            first: phase_deg / 360.0,
            windows: Vec::new(),
        }
    }

    /// Takes the next samples of all channels as read.
    pub fn push(&mut self, rows: &[&[f64]]) {
        let count = rows.first().map_or(0, |row| row.len());
        let mut at = 0;
        while at < count {
            let within = self.seen % self.length;
            let take = usize::try_from(self.length - within).unwrap_or(usize::MAX).min(count - at);
            if within == 0 {
                // Only here, so that the borders of blocks leave no trace.
                self.turn = Complex::cis(-std::f64::consts::TAU * (self.seen as f64 * self.cycles).fract());
            }
            let step = Complex::cis(-std::f64::consts::TAU * self.cycles);
            let angle = std::f64::consts::TAU / self.length as f64;
            let mut after = self.turn;
            for (sum, row) in self.sums.iter_mut().zip(rows) {
                let mut turn = self.turn;
                for (n, x) in row[at..at + take].iter().enumerate() {
                    let weight = 1.0 - ((within as f64 + n as f64) * angle).cos();
                    *sum += turn * (weight * x);
                    turn *= step;
                }
                after = turn;
            }
            self.turn = after;
            self.seen += take as u64;
            at += take;
            if self.seen.is_multiple_of(self.length) {
                self.read();
            }
        }
    }

    fn read(&mut self) {
        let strongest = |sums: &[Complex<f64>]| {
            (0..sums.len()).max_by(|&a, &b| sums[a].norm_sqr().total_cmp(&sums[b].norm_sqr())).unwrap_or(0)
        };
        let channel = *self.channel.get_or_insert_with(|| strongest(&self.sums));
        let sum = self.sums[channel];
        // A sine of phase φ gives a sum of the argument φ − 90°.
        let read = sum.arg() / std::f64::consts::TAU + 0.25;
        self.windows.push(if sum.norm_sqr() > 0.0 { read } else { self.windows.last().copied().unwrap_or(self.first) });
        self.sums.fill(Complex::default());
    }

    /// Whether the windows to both sides of a sample have passed, so that its phase will not change any more.
    pub fn is_settled_at(&self, sample: f64) -> bool {
        sample / self.length as f64 + 0.5 < self.windows.len() as f64
    }

    /// The phase in degrees at a number of samples after the first one, from 0 to 360: between the middles of two
    /// windows by a straight line, beyond the first and the last as there.
    pub fn degrees_at(&self, sample: f64) -> f64 {
        let place = (sample / self.length as f64 - 0.5).max(0.0);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and it saturates")]
        let index = place as usize;
        let last = self.windows.len().saturating_sub(1);
        let at = |index: usize| self.windows.get(index.min(last)).copied().unwrap_or(self.first);
        let turn = at(index + 1) - at(index);
        let offset = at(index) + place.fract() * (turn - turn.round());
        360.0 * (sample * self.cycles + offset).rem_euclid(1.0)
    }
}
