//! What does this load add? The same comparison, read as power on minus power off.

use serde::Serialize;

use super::before_after::{Pair, Verdict as Change, compare};
use super::side::Observation;
use crate::units::Band;

/// What may be said of a load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Verdict {
    /// It adds.
    #[serde(rename = "adds")]
    Adds,
    /// There is less with it on.
    #[serde(rename = "lower")]
    Lower,
    /// The captures do not show a difference.
    #[serde(rename = "no difference shown")]
    NoDifferenceShown,
}

impl Verdict {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Adds => "adds",
            Verdict::Lower => "lower",
            Verdict::NoDifferenceShown => "no difference shown",
        }
    }
}

/// A band with the load off and on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandAddition {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// RMS with the load off, in the channel's unit.
    pub off_rms: f64,
    /// RMS with the load on.
    pub on_rms: f64,
    /// √(P_on − P_off), only where an addition is shown.
    pub added_rms: Option<f64>,
    /// The 95 % interval of what is added, as RMS, with the uncertainty of the chain; only where an addition is shown.
    pub added_ci95_rms: Option<[f64; 2]>,
    /// The ratio of the powers.
    pub rise_db: Option<f64>,
    /// Its 95 % interval.
    pub ci95_db: Option<[f64; 2]>,
    /// What may be said, at 5 % over the whole table.
    pub verdict: Verdict,
    /// The probability that chance alone gives as much.
    pub p_value: Option<f64>,
    /// Where no difference is shown: the smallest addition, as RMS, that would have been shown in 80 % of cases.
    pub smallest_shown_rms: Option<f64>,
    /// Whether either side lies within 3 dB of the converter's floor.
    pub near_floor: bool,
    /// Taken in pairs: the standard error without the pairs over that with them.
    pub pairing_gain: Option<f64>,
    /// What the scatter was judged from.
    pub observation: Observation,
}

/// What a load adds, band by band; `before` of each pair is off, `after` is on. See [`compare`].
///
/// # Panics
/// When a side has fewer bands than `bands` names.
pub fn added(pairs: &[Pair], bands: &[Band]) -> Vec<Vec<BandAddition>> {
    let changes = compare(pairs, bands);
    let addition = |(pair, rows): (&Pair, Vec<super::before_after::BandChange>)| {
        // Either every band has a row or, on a side without captures, none.
        rows.into_iter()
            .enumerate()
            .map(|(index, row)| {
                let verdict = match row.verdict {
                    Change::Higher => Verdict::Adds,
                    Change::Lower => Verdict::Lower,
                    Change::NoChangeShown => Verdict::NoDifferenceShown,
                };
                let adds = verdict == Verdict::Adds;
                let power = row.after_rms.powi(2) - row.before_rms.powi(2);
                BandAddition {
                    band: row.band,
                    off_rms: row.before_rms,
                    on_rms: row.after_rms,
                    added_rms: adds.then(|| power.sqrt()),
                    added_ci95_rms: if adds { interval(pair, index, power.sqrt()) } else { None },
                    rise_db: row.change_db,
                    ci95_db: row.ci95_db,
                    verdict,
                    p_value: row.p_value,
                    smallest_shown_rms: row.smallest_shown_rms,
                    near_floor: row.near_floor,
                    pairing_gain: row.pairing_gain,
                    observation: row.observation,
                }
            })
            .collect()
    };
    pairs.iter().zip(changes).map(addition).collect()
}

/// The 95 % interval of the difference of two mean powers, as RMS; its lower end is never below zero.
fn interval(pair: &Pair, band: usize, added: f64) -> Option<[f64; 2]> {
    let chain_db = pair.chain_db.as_ref().map_or(0.0, |bands| bands[band]);
    pair.interval_power(band).map(|[low, high]| widened([low.max(0.0).sqrt(), high.sqrt()], added, chain_db))
}

/// An interval about an RMS value, as records show it, with what the chain makes unsure: half-widths in decibels add as
/// squares on either side. What reaches down to nothing still does.
pub fn widened([low, high]: [f64; 2], value: f64, chain_db: f64) -> [f64; 2] {
    let away = |end: f64| (20.0 * (end / value).log10()).hypot(chain_db);
    let beyond = |db: f64| value * 10f64.powf(db / 20.0);
    if chain_db > 0.0 && value > 0.0 && low <= value && value <= high {
        [if low > 0.0 { beyond(-away(low)) } else { 0.0 }, beyond(away(high))]
    } else {
        [low, high]
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::compare::side::Side;

    fn side(values: &[f64]) -> Side {
        let mut side = Side::default();
        for &value in values {
            side.push(Array2::from_elem((1, 1), value));
        }
        side
    }

    fn one(off: &[f64], on: &[f64]) -> BandAddition {
        let band = Band::new(2e3, 4e3).unwrap();
        let pair = Pair { before: side(off), after: side(on), ..Pair::default() };
        added(&[pair], &[band]).remove(0).remove(0)
    }

    #[test]
    fn three_decibels_above_the_background_is_a_load_as_strong_as_the_background() {
        // Exact: P_on = 2 P_off means P_load = P_off.
        let row = one(&[1.0, 1.01, 0.99], &[2.0, 2.01, 1.99]);
        assert_eq!(row.verdict, Verdict::Adds);
        assert!((row.added_rms.unwrap() - 1.0).abs() < 1e-12);
        assert!((row.rise_db.unwrap() - 3.0103).abs() < 1e-4);
        let [low, high] = row.added_ci95_rms.unwrap();
        assert!(low < 1.0 && 1.0 < high);
    }

    #[test]
    fn a_level_carries_its_chain_and_a_rise_does_not() {
        let band = Band::new(2e3, 4e3).unwrap();
        let sides = || (side(&[1.0, 1.0, 1.0 + 1e-9]), side(&[2.0, 2.0, 2.0 + 1e-9]));
        let row = |chain_db: Option<f64>| {
            let (before, after) = sides();
            let pair = Pair { before, after, chain_db: chain_db.map(|db| vec![db]), ..Pair::default() };
            added(&[pair], &[band]).remove(0).remove(0)
        };
        let (alone, with) = (row(None), row(Some(1.5)));
        // Nothing scatters: ± 1.5 dB of an RMS value of 1 is 0.8414 to 1.1885.
        let [low, high] = with.added_ci95_rms.unwrap();
        assert!((low - 0.841_395_1).abs() < 1e-6 && (high - 1.188_502_2).abs() < 1e-6, "{low} {high}");
        assert_eq!((alone.ci95_db, alone.verdict), (with.ci95_db, with.verdict));
        // As squares: 0.8 dB and 0.6 dB are 1 dB.
        let [low, high] = widened([1.0, 10f64.powf(0.04)], 1.0, 0.6);
        assert!((20.0 * high.log10() - 1.0).abs() < 1e-12 && (20.0 * low.log10() + 0.6).abs() < 1e-12);
        assert_eq!(widened([0.0, 1.0], 1.0, 0.6)[0], 0.0);
    }

    #[test]
    fn nothing_added_is_said_with_what_would_have_been_seen() {
        let row = one(&[1.0, 1.1, 0.9], &[1.0, 1.05, 0.97]);
        assert_eq!((row.verdict, row.added_rms), (Verdict::NoDifferenceShown, None));
        assert!(row.smallest_shown_rms.unwrap() > 0.3);
    }

    #[test]
    fn the_family_is_the_whole_table_of_a_channel() {
        // A probability of 0.02 is shown alone and not among ten.
        let shown = |others: usize| {
            let table = |first: [f64; 3]| {
                let mut side = Side::default();
                for (capture, value) in first.into_iter().enumerate() {
                    let rest = [1.0, 1.1, 0.9][capture];
                    side.push(Array2::from_shape_fn((1, 1 + others), |(_, row)| if row == 0 { value } else { rest }));
                }
                side
            };
            let edge = |row: usize| Band::new(2e3 + row as f64, 3e3 + row as f64).unwrap();
            let bands: Vec<Band> = (0..=others).map(edge).collect();
            let pair = Pair { before: table([1.0, 1.1, 0.9]), after: table([1.4, 1.6, 1.5]), ..Pair::default() };
            added(&[pair], &bands)[0][0].verdict == Verdict::Adds
        };
        assert!(shown(0) && !shown(30));
    }
}
