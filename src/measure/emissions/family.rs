//! Families: a switching frequency and its multiples.

use super::search::Emission;

/// The place of an emission in a family.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Member {
    /// The number of the family, from 1 in order of frequency.
    pub family: u32,
    /// Which multiple of the fundamental it is; 1 for the fundamental itself.
    pub harmonic: u32,
}

/// The highest multiple that is looked for.
const HIGHEST: u32 = 30;

/// Sorts emissions, low to high, into families: the lowest that others are whole multiples of is a fundamental.
///
/// A frequency is a multiple when it differs from it by less than both intervals allow, and for emissions that wander
/// by less than a quarter of their widths. Whoever is in one family is in no other.
pub fn families(emissions: &[Emission]) -> Vec<Option<Member>> {
    let mut members: Vec<Option<Member>> = vec![None; emissions.len()];
    let mut family = 0;
    for fundamental in 0..emissions.len() {
        if members[fundamental].is_some() {
            continue;
        }
        let multiples: Vec<(usize, u32)> = (fundamental + 1..emissions.len())
            .filter(|&i| members[i].is_none())
            .filter_map(|i| Some((i, multiple(&emissions[fundamental], &emissions[i])?)))
            .collect();
        if multiples.is_empty() {
            continue;
        }
        family += 1;
        members[fundamental] = Some(Member { family, harmonic: 1 });
        for (i, harmonic) in multiples {
            members[i] = Some(Member { family, harmonic });
        }
    }
    members
}

fn multiple(fundamental: &Emission, other: &Emission) -> Option<u32> {
    /// However well two lines are known, the frequency of a record is not better than this.
    const RELATIVE: f64 = 1e-6;
    let order = (2..=HIGHEST).min_by(|a, b| {
        let off = |n: &u32| (other.frequency_hz - f64::from(*n) * fundamental.frequency_hz).abs();
        off(a).total_cmp(&off(b))
    })?;
    let n = f64::from(order);
    let own = |emission: &Emission| {
        let is_wide = emission.bandwidth_hz > 1.5 * emission.resolution_hz;
        let width = if is_wide { emission.bandwidth_hz / 4.0 } else { 0.0 };
        (1.5 * emission.frequency_half_hz).max(width)
    };
    // One who knows neither well may not claim to be a multiple of anything.
    let tolerance =
        (n * own(fundamental) + own(other) + RELATIVE * other.frequency_hz).min(0.1 * fundamental.frequency_hz);
    ((other.frequency_hz - n * fundamental.frequency_hz).abs() <= tolerance).then_some(order)
}
