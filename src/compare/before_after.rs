//! What did the filter change? Band by band, before against after.

use std::f64::consts::LN_10;

use serde::Serialize;

use super::difference::{FAMILY_ERROR, difference};
use super::side::{Observation, Side};
use crate::measure::bands::is_near_floor;
use crate::uncertainty::holm;
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
    /// Its 95 % interval; an end is infinite (null in JSON) where the captures set none.
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
}

/// Compares channels band by band; the verdicts of all of them together err in at most 5 % of tables.
///
/// Every pair's sides must hold the same bands in the same order; `bands` names them, the whole range last.
/// The result has one list of rows for each pair.
///
/// # Panics
/// When a side has fewer bands than `bands` names.
pub fn compare(pairs: &[Pair], bands: &[Band]) -> Vec<Vec<BandChange>> {
    let raw: Vec<Vec<_>> = pairs
        .iter()
        .map(|pair| {
            (0..bands.len())
                .filter_map(|band| {
                    let ((before, seen), (after, seen_after)) = pair.before.power(band).zip(pair.after.power(band))?;
                    let observation = if seen == seen_after { seen } else { Observation::MainsPeriod };
                    Some((bands[band], before.mean, after.mean, difference(&before, &after), observation))
                })
                .collect()
        })
        .collect();
    let probabilities: Vec<f64> = raw.iter().flatten().map(|(_, _, _, difference, _)| difference.probability).collect();
    let mut shown = holm(&probabilities, FAMILY_ERROR).into_iter();
    let hypotheses = probabilities.len();
    raw.into_iter()
        .zip(pairs)
        .map(|(rows, pair)| {
            rows.into_iter()
                .zip(shown.by_ref())
                .map(|((band, before, after, difference, observation), shown)| {
                    let place = bands.iter().position(|other| *other == band);
                    let floor =
                        pair.floor_density.as_ref().zip(place).map(|(densities, at)| densities[at] * band.width());
                    let smallest = if shown { None } else { difference.smallest_shown(hypotheses) };
                    BandChange {
                        band,
                        before_rms: before.sqrt(),
                        after_rms: after.sqrt(),
                        change_db: difference.change_db,
                        ci95_db: difference.interval_db,
                        verdict: match (shown, after < before) {
                            (false, _) => Verdict::NoChangeShown,
                            (true, true) => Verdict::Lower,
                            (true, false) => Verdict::Higher,
                        },
                        p_value: Some(difference.probability).filter(|p| p.is_finite()),
                        smallest_shown_db: smallest.map(|power| 10.0 * (power / before).ln_1p() / LN_10),
                        smallest_shown_rms: smallest.map(f64::sqrt),
                        near_floor: floor.is_some_and(|floor| is_near_floor(before.min(after), floor)),
                        observation,
                    }
                })
                .collect()
        })
        .collect()
}
