//! What does the filter change of the load's own noise? Captures with the load off tell it from what is on the line
//! anyway.
//!
//! Without captures with the load off and the filter in place it is assumed that what is on the line anyway is the
//! same with and without the filter. Where there is less after the filter than with the load off, that does not hold,
//! and the row says so.

use serde::Serialize;

use super::added::{BandAddition, Verdict, added};
use super::before_after::Pair;
use super::difference::{Background, difference_above};
use super::side::Side;
use crate::units::Band;

/// A band of what the load adds, before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandLoad {
    /// What the load adds before.
    pub before: BandAddition,
    /// What it adds after.
    pub after: BandAddition,
    /// The change of the power that the load adds; `None` unless it is shown to add before, and adds something after.
    pub change_db: Option<f64>,
    /// Its 95 % interval; an end is infinite (null in JSON) where the captures set none.
    pub ci95_db: Option<[f64; 2]>,
    /// Whether there is less after than with the load off, in the band or in a part of it: the filter acts on what is on the line anyway, and the
    /// change of the load's own noise cannot be told.
    pub below_off: bool,
}

impl BandLoad {
    /// The same without a change of the load, for a band in a part of which there is less after than with the load off.
    #[must_use]
    pub fn untold(self) -> Self {
        Self { change_db: None, ci95_db: None, below_off: true, ..self }
    }
}

/// What a load adds before and after, channel by channel and band by band; the verdicts of each column of a channel
/// together err in at most 5 % of tables.
///
/// Each entry of `off` belongs to the pair at the same place, and so does each entry of `off_after`, the captures with
/// the load off and the filter in place; without them `off` stands for both.
///
/// # Panics
/// When a side has fewer bands than `bands` names, or when there are not as many off sides as pairs.
pub fn loads(off: &[Side], off_after: Option<&[Side]>, pairs: &[Pair], bands: &[Band]) -> Vec<Vec<BandLoad>> {
    let below_after = off_after.unwrap_or(off);
    assert_eq!(off.len(), pairs.len(), "each pair has its captures with the load off");
    assert_eq!(below_after.len(), pairs.len(), "each pair has its captures with the load off and the filter");
    let from_off = |off: &[Side], side: fn(&Pair) -> &Side| {
        let off = off.to_vec();
        pairs.iter().zip(off).map(move |(pair, off)| Pair {
            before: off,
            after: side(pair).clone(),
            floor_density: pair.floor_density.clone(),
            chain_db: None,
            in_pairs: false,
        })
    };
    let family: Vec<Pair> =
        from_off(off, |pair| &pair.before).chain(from_off(below_after, |pair| &pair.after)).collect();
    let mut before = added(&family, bands);
    let after = before.split_off(pairs.len());
    let channels = before.into_iter().zip(after).zip(off.iter().zip(below_after).zip(pairs));
    channels
        .map(|((before, after), ((off, below_after), pair))| {
            let background = |band| {
                let (from, to) = (off.power(band)?.0, below_after.power(band)?.0);
                Some(if off_after.is_some() { Background::Own { from, to } } else { Background::Same(from) })
            };
            let rows = before.into_iter().zip(after).enumerate();
            rows.map(|(band, (before, after))| row(before, after, background(band), pair, band)).collect()
        })
        .collect()
}

fn row(
    before: BandAddition,
    after: BandAddition,
    background: Option<Background>,
    pair: &Pair,
    band: usize,
) -> BandLoad {
    let below_off = after.verdict == Verdict::Lower;
    let is_told = before.verdict == Verdict::Adds && !below_off;
    let estimates = || Some((background?, pair.before.power(band)?.0, pair.after.power(band)?.0));
    let found = is_told.then(estimates).flatten();
    let found = found.map(|(background, from, to)| difference_above(&background, &from, &to));
    BandLoad {
        before,
        after,
        change_db: found.and_then(|found| found.change_db),
        ci95_db: found.and_then(|found| found.interval_db),
        below_off,
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    fn side(mean: f64) -> Side {
        let mut side = Side::default();
        for factor in [0.99, 1.0, 1.01, 1.0] {
            side.push(Array2::from_elem((1, 1), mean * factor));
        }
        side
    }

    fn one(off: f64, before: f64, after: f64) -> BandLoad {
        let pair = Pair { before: side(before), after: side(after), ..Pair::default() };
        loads(&[side(off)], None, &[pair], &[Band::new(2e3, 4e3).unwrap()]).remove(0).remove(0)
    }

    #[test]
    fn the_change_of_the_load_is_deeper_than_that_of_the_sum() {
        // 10 above 1 falls to 1 above 1: the sum by 7.4 dB, the load by 10.
        let row = one(1.0, 11.0, 2.0);
        assert!((row.change_db.unwrap() + 10.0).abs() < 1e-9);
        let [low, high] = row.ci95_db.unwrap();
        assert!(low < -10.0 && -10.0 < high && !row.below_off);
        assert_eq!((row.before.verdict, row.after.verdict), (Verdict::Adds, Verdict::Adds));
    }

    #[test]
    fn less_than_with_the_load_off_is_a_filter_that_acts_on_the_line() {
        let row = one(1.0, 11.0, 0.5);
        assert!(row.below_off && row.change_db.is_none() && row.ci95_db.is_none());
    }

    #[test]
    fn a_line_that_the_filter_calms_as_well_is_taken_off_as_it_is() {
        // The load falls from 10 to 5 (3.01 dB), the line under it from 1 to 0.2.
        let pair = Pair { before: side(11.0), after: side(5.2), ..Pair::default() };
        let row = loads(&[side(1.0)], Some(&[side(0.2)]), &[pair], &[Band::new(2e3, 4e3).unwrap()]).remove(0).remove(0);
        assert!((row.change_db.unwrap() + 3.010_299_956_639_812).abs() < 1e-9);
        let [low, high] = row.ci95_db.unwrap();
        assert!(low < -3.01 && -3.01 < high && !row.below_off);
    }

    #[test]
    fn a_load_that_adds_nothing_has_no_change() {
        assert_eq!(one(1.0, 1.001, 0.999).change_db, None);
    }
}
