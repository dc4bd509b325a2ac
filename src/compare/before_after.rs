//! What did the filter change? Band by band, before against after.

use std::f64::consts::LN_10;

use serde::Serialize;

use super::difference::{Difference, FAMILY_ERROR, difference, difference_of_pairs};
use super::side::{Observation, Side};
use crate::measure::bands::is_near_floor;
use crate::spread;
use crate::uncertainty::{Estimate, holm};
use crate::units::Band;

/// What may be said of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Verdict {
    /// It fell.
    #[serde(rename = "lower")]
    Lower,
    /// It rose.
    #[serde(rename = "higher")]
    Higher,
    /// The captures do not show a change.
    #[serde(rename = "no change shown")]
    NoChangeShown,
}

impl Verdict {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Lower => "lower",
            Verdict::Higher => "higher",
            Verdict::NoChangeShown => "no change shown",
        }
    }
}

/// A band before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandChange {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// RMS before, in the channel's unit.
    pub before_rms: f64,
    /// RMS after.
    pub after_rms: f64,
    /// The change of the mean power.
    pub change_db: Option<f64>,
    /// Its 95 % interval; an end is infinite (null in JSON) where the captures set none, or where the quieter side
    /// lies at the floor, so that the true change is at least the one found.
    pub ci95_db: Option<[f64; 2]>,
    /// What may be said, at 5 % over the whole table.
    pub verdict: Verdict,
    /// The probability that chance alone gives as much.
    pub p_value: Option<f64>,
    /// Where no change is shown: the smallest rise that would have been, with a probability of 80 %.
    pub smallest_shown_db: Option<f64>,
    /// The same as an RMS value: what would have had to be added.
    pub smallest_shown_rms: Option<f64>,
    /// Whether either side lies within 3 dB of the converter's floor.
    pub near_floor: bool,
    /// Whether a change is shown whose quieter side may be the floor's: then it is at least as large as found.
    pub at_least: bool,
    /// Taken in pairs: the standard error without the pairs over that with them.
    pub pairing_gain: Option<f64>,
    /// What the scatter was judged from.
    pub observation: Observation,
}

/// One channel before and after: its bands, then the whole range.
#[derive(Debug, Clone, Default)]
pub struct Pair {
    /// The captures before.
    pub before: Side,
    /// The captures after.
    pub after: Side,
    /// The mean density in each band of the recorder's own noise in the capture where it is highest, where known.
    pub floor_density: Option<Vec<f64>>,
    /// Half the width of the 95 % interval that the chain gives to a level in each band, in decibels, where there is one.
    pub chain_db: Option<Vec<f64>>,
    /// Whether the captures were taken alternately: the first before belongs to the first after, and so on.
    pub in_pairs: bool,
}

impl Pair {
    /// Taken in pairs: the standard error in a band without the pairs over that with them.
    ///
    /// # Panics
    /// When there is no such band.
    pub fn pairing_gain(&self, band: usize) -> Option<f64> {
        self.difference(band)?.pairing_gain
    }

    /// The 95 % interval of the difference of the mean powers in a band.
    ///
    /// # Panics
    /// When there is no such band.
    pub(super) fn interval_power(&self, band: usize) -> Option<[f64; 2]> {
        self.difference(band)?.difference.interval_power
    }

    /// The difference in a band, and what stands behind it.
    fn difference(&self, band: usize) -> Option<Found> {
        let ((before, seen), (after, seen_after)) = self.before.power(band).zip(self.after.power(band))?;
        let (before_power, after_power) = (before.mean, after.mean);
        if self.in_pairs && self.before.captures() == self.after.captures() {
            let [before, after] = [&self.before, &self.after].map(|side| side.means(band));
            let together = difference_of_pairs(&before, &after).and_levels_of_pairs(&before, &after);
            let [from, to] = [before, after].map(|means| Estimate::of_independent(&means));
            let apart = difference(&from, &to).standard_error;
            let gain = apart.zip(together.standard_error).map(|(apart, together)| apart / together);
            let pairing_gain = gain.filter(|gain| gain.is_finite());
            let observation = Observation::Pair;
            return Some(Found { before_power, after_power, difference: together, observation, pairing_gain });
        }
        let (level, level_after) = self.before.level(band, seen).zip(self.after.level(band, seen_after))?;
        let by_powers = difference(&before, &after);
        let difference = if seen == Observation::Capture && seen_after == Observation::Capture {
            by_powers.and_levels_of_captures(&level, &level_after)
        } else {
            by_powers.and_levels(&level, &level_after)
        };
        let observation = if seen == seen_after { seen } else { Observation::MainsPeriod };
        Some(Found { before_power, after_power, difference, observation, pairing_gain: None })
    }
}

/// A band's two mean powers and their difference.
struct Found {
    before_power: f64,
    after_power: f64,
    difference: Difference,
    observation: Observation,
    pairing_gain: Option<f64>,
}

impl Found {
    /// The row of the table, once the family of verdicts has decided whether it is shown.
    fn row(self, band: Band, floor_density: Option<f64>, shown: bool, hypotheses: usize) -> BandChange {
        let Found { before_power: before, after_power: after, difference, observation, pairing_gain } = self;
        let near_floor = floor_density.is_some_and(|density| is_near_floor(before.min(after), density * band.width()));
        let at_least = shown && near_floor;
        let open = |[low, high]: [f64; 2]| match (at_least, after < before) {
            (false, _) => [low, high],
            (true, true) => [f64::NEG_INFINITY, high],
            (true, false) => [low, f64::INFINITY],
        };
        let smallest = if shown { None } else { difference.smallest_shown(hypotheses) };
        BandChange {
            band,
            before_rms: before.sqrt(),
            after_rms: after.sqrt(),
            change_db: difference.change_db,
            ci95_db: difference.interval_db.map(open),
            verdict: match (shown, after < before) {
                (false, _) => Verdict::NoChangeShown,
                (true, true) => Verdict::Lower,
                (true, false) => Verdict::Higher,
            },
            p_value: Some(difference.probability).filter(|p| p.is_finite()),
            smallest_shown_db: smallest.map(|power| 10.0 * (power / before).ln_1p() / LN_10),
            smallest_shown_rms: smallest.map(f64::sqrt),
            near_floor,
            at_least,
            pairing_gain,
            observation,
        }
    }
}

/// Compares channels band by band; each channel is a table, and all verdicts of a table together err in at most 5 %
/// of tables.
///
/// Every pair's sides must hold the same bands in the same order; `bands` names them, the whole range last.
/// The result has one list of rows for each pair.
///
/// # Panics
/// When a side has fewer bands than `bands` names.
pub fn compare(pairs: &[Pair], bands: &[Band]) -> Vec<Vec<BandChange>> {
    let table = |pair: &Pair| {
        // The ends of an interval are searched for, which takes its time.
        let found = |band: usize| Some((band, pair.difference(band)?));
        let rows: Vec<(usize, Found)> = spread::map((0..bands.len()).collect(), found).into_iter().flatten().collect();
        let probabilities: Vec<f64> = rows.iter().map(|(_, found)| found.difference.probability).collect();
        let row = |((band, found), shown): ((usize, Found), bool)| {
            let floor_density = pair.floor_density.as_ref().map(|densities| densities[band]);
            found.row(bands[band], floor_density, shown, probabilities.len())
        };
        spread::map(rows.into_iter().zip(holm(&probabilities, FAMILY_ERROR)).collect(), row)
    };
    pairs.iter().map(table).collect()
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::synth::Random;

    fn side(values: &[f64]) -> Side {
        let mut side = Side::default();
        for &value in values {
            side.push(Array2::from_elem((1, 1), value));
        }
        side
    }

    fn one(pair: Pair) -> BandChange {
        compare(&[pair], &[Band::new(2e3, 4e3).unwrap()]).remove(0).remove(0)
    }

    #[test]
    fn a_fall_to_the_floor_is_at_least_as_deep() {
        let pair = |floor_density| Pair {
            before: side(&[10.0, 10.1, 9.9]),
            after: side(&[1.0, 1.01, 0.99]),
            floor_density,
            ..Pair::default()
        };
        // A floor of 0.6 in the band: 1.0 is within 3 dB of it, 10 is not.
        let at_floor = one(pair(Some(vec![0.6 / 2e3])));
        let [low, high] = at_floor.ci95_db.unwrap();
        assert!(at_floor.at_least && low == f64::NEG_INFINITY && (-10.2..-9.5).contains(&high), "{high}");
        let clear = one(pair(Some(vec![0.4 / 2e3])));
        assert!(!clear.at_least && clear.ci95_db.unwrap()[0].is_finite());
    }

    #[test]
    fn tables_without_a_change_claim_one_in_one_of_twenty_at_most() {
        /// So many tables; by chance one in twenty would be 20 ± 4 of them.
        const TABLES: u64 = 400;
        let bands: Vec<Band> = (1u8..=75).map(|k| Band::new(f64::from(k), f64::from(k) + 1.0).unwrap()).collect();
        // Captures whose levels scatter by so much (nepers of power), in one of ten loud.
        let claims = |captures: usize, scatter: f64, loud: bool| {
            let side = |random: &mut Random| {
                let mut side = Side::default();
                for _ in 0..captures {
                    let power = |_| {
                        let burst = if loud && random.uniform() < 0.1 { 30.0 } else { 1.0 };
                        burst * (scatter * random.normal()).exp()
                    };
                    side.push(Array2::from_shape_fn((1, bands.len()), power));
                }
                side
            };
            let claims = |table: &u64| {
                let mut random = Random::new(31, *table);
                let [before, after] = [side(&mut random), side(&mut random)];
                let rows = compare(&[Pair { before, after, ..Pair::default() }], &bands).remove(0);
                rows.iter().any(|row| row.verdict != Verdict::NoChangeShown)
            };
            (0..TABLES).filter(claims).count()
        };
        for captures in [3, 4, 8] {
            for (scatter, loud) in [(0.05, false), (0.5, false), (0.1, true)] {
                let found = claims(captures, scatter, loud);
                println!("{captures} captures, scatter {scatter}, loud {loud}: {found} of {TABLES} tables claim");
                // Three captures of three are all loud by chance, on one side, in one of seven such tables.
                assert!(found <= if loud && captures == 3 { 60 } else { 20 }, "{captures} {scatter} {loud}: {found}");
            }
        }
    }

    #[test]
    fn pairs_show_what_a_drifting_line_hides() {
        let pair = |in_pairs| Pair {
            before: side(&[1.0, 2.0, 3.0, 4.0]),
            after: side(&[0.8, 1.61, 2.39, 3.2]),
            in_pairs,
            ..Pair::default()
        };
        let (together, apart) = (one(pair(true)), one(pair(false)));
        assert_eq!((together.verdict, together.observation), (Verdict::Lower, Observation::Pair));
        assert_eq!((apart.verdict, apart.pairing_gain), (Verdict::NoChangeShown, None));
        // By hand: differences −0.2, −0.39, −0.61, −0.8 have standard deviation 0.2611; apart √(1.6667 + 1.0620).
        assert!((together.pairing_gain.unwrap() - 6.33).abs() < 0.02, "{:?}", together.pairing_gain);
    }
}
