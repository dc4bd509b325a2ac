//! Emissions set beside each other: on the wire and in the air, before and after.

use serde::Serialize;

use super::difference::{Difference, FAMILY_ERROR, difference};
use crate::measure::emissions::Emission;
use crate::uncertainty::{Estimate, holm};

/// Where an emission shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Whereabouts {
    /// On the wire and in the air.
    #[serde(rename = "both")]
    Both,
    /// On the wire only.
    #[serde(rename = "wire only")]
    WireOnly,
    /// In the air only.
    #[serde(rename = "air only")]
    AirOnly,
}

impl Whereabouts {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Whereabouts::Both => "both",
            Whereabouts::WireOnly => "wire only",
            Whereabouts::AirOnly => "air only",
        }
    }
}

/// What became of an emission.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Fate {
    /// Not there before.
    #[serde(rename = "new")]
    New,
    /// Not there any more.
    #[serde(rename = "gone")]
    Gone,
    /// At another frequency.
    #[serde(rename = "moved")]
    Moved,
    /// At the same frequency, stronger.
    #[serde(rename = "higher")]
    Higher,
    /// At the same frequency, weaker.
    #[serde(rename = "lower")]
    Lower,
    /// At the same frequency; no change of the level is shown.
    #[serde(rename = "no change shown")]
    NoChangeShown,
    /// Found on one side only, but the floor of the other one would hide it.
    #[serde(rename = "cannot be told (below the floor)")]
    CannotTell,
}

impl Fate {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Fate::New => "new",
            Fate::Gone => "gone",
            Fate::Moved => "moved",
            Fate::Higher => "higher",
            Fate::Lower => "lower",
            Fate::NoChangeShown => "no change shown",
            Fate::CannotTell => "cannot be told (below the floor)",
        }
    }
}

/// An emission of a side of captures.
#[derive(Debug, Clone, PartialEq)]
pub struct SideEmission {
    /// The mean frequency over the captures that show it.
    pub frequency_hz: f64,
    /// The mean square over all captures that show it, with its variance.
    pub power: Estimate,
    /// In how many captures it shows.
    pub captures: usize,
    /// The one of the first capture that shows it.
    pub example: Emission,
}

/// What became of one emission.
#[derive(Debug, Clone, PartialEq)]
pub struct EmissionChange {
    /// Before; `None` where it is new.
    pub before: Option<SideEmission>,
    /// After; `None` where it is gone.
    pub after: Option<SideEmission>,
    /// What became of it.
    pub fate: Fate,
    /// The change of the level, where it is on both sides.
    pub change_db: Option<f64>,
    /// Its 95 % interval; infinite ends where the captures set none.
    pub ci95_db: Option<[f64; 2]>,
}

/// A quarter of the width of an emission that is spread, nothing for a line.
fn spread(emission: &Emission) -> f64 {
    if emission.bandwidth_hz > 1.5 * emission.resolution_hz { emission.bandwidth_hz / 2.0 } else { 0.0 }
}

/// How far two frequencies may differ and still be the same.
fn tolerance(a: &Emission, b: &Emission) -> f64 {
    /// Shapes of lines differ a little from record to record.
    const OF_RESOLUTION: f64 = 0.05;
    (1.5 * (a.frequency_half_hz + b.frequency_half_hz))
        .max(OF_RESOLUTION * a.resolution_hz.max(b.resolution_hz))
        .max(spread(a))
        .max(spread(b))
}

/// Pairs of emissions at the same frequency, each in one pair at most, the nearest first.
pub fn same(first: &[Emission], second: &[Emission]) -> Vec<(usize, usize)> {
    let close = |a: &Emission, b: &Emission| (a.frequency_hz - b.frequency_hz).abs() <= tolerance(a, b);
    nearest(first, second, close)
}

/// The same for captures of different times, between which any oscillator moves a little.
fn same_later(first: &[Emission], second: &[Emission]) -> Vec<(usize, usize)> {
    /// Less than this share of the frequency is not worth calling a move.
    const UNREST: f64 = 2e-3;
    nearest(first, second, |a, b| {
        (a.frequency_hz - b.frequency_hz).abs() <= tolerance(a, b).max(UNREST * a.frequency_hz)
    })
}

fn nearest(first: &[Emission], second: &[Emission], may: impl Fn(&Emission, &Emission) -> bool) -> Vec<(usize, usize)> {
    let mut pairs: Vec<(usize, usize, f64)> = Vec::new();
    for (i, a) in first.iter().enumerate() {
        let close = second.iter().enumerate().filter(|(_, b)| may(a, b));
        pairs.extend(close.map(|(j, b)| (i, j, (a.frequency_hz - b.frequency_hz).abs())));
    }
    pairs.sort_by(|a, b| a.2.total_cmp(&b.2));
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (i, j, _) in pairs {
        if found.iter().all(|(a, b)| *a != i && *b != j) {
            found.push((i, j));
        }
    }
    found.sort_unstable();
    found
}

/// Where each emission of the wire and of the air shows.
pub fn whereabouts(wire: &[Emission], air: &[Emission]) -> (Vec<Whereabouts>, Vec<Whereabouts>) {
    let mut on_wire = vec![Whereabouts::WireOnly; wire.len()];
    let mut in_air = vec![Whereabouts::AirOnly; air.len()];
    for (i, j) in same(wire, air) {
        on_wire[i] = Whereabouts::Both;
        in_air[j] = Whereabouts::Both;
    }
    (on_wire, in_air)
}

/// The emissions of several captures of one side taken together: those that more than half of the captures show.
pub fn of_side(captures: &[&[Emission]]) -> Vec<SideEmission> {
    let mut groups: Vec<Vec<&Emission>> = Vec::new();
    for capture in captures {
        let heads: Vec<Emission> = groups.iter().map(|group| group[0].clone()).collect();
        let pairs = same_later(&heads, capture);
        for (j, emission) in capture.iter().enumerate() {
            match pairs.iter().find(|(_, second)| *second == j) {
                Some((i, _)) => groups[*i].push(emission),
                None => groups.push(vec![emission]),
            }
        }
    }
    let mut side: Vec<SideEmission> =
        groups.iter().filter(|group| 2 * group.len() > captures.len()).map(|group| together(group)).collect();
    side.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    side
}

fn together(group: &[&Emission]) -> SideEmission {
    let count = group.len() as f64;
    let powers: Vec<f64> = group.iter().map(|e| e.rms * e.rms).collect();
    // Each capture's own interval, as the standard deviation of a power.
    let own: f64 = group
        .iter()
        .map(|e| ((e.rms_interval[1].powi(2) - e.rms_interval[0].powi(2)) / (2.0 * 1.96)).powi(2))
        .sum::<f64>()
        / (count * count);
    let mean = powers.iter().sum::<f64>() / count;
    let power = match group.len() {
        1 | 2 => Estimate { mean, variance: own, degrees: Some(1e3) },
        _ => {
            let between = Estimate::of_independent(&powers);
            // Captures do not agree better than each of them is known.
            if between.variance > own { between } else { Estimate { mean, variance: own, degrees: Some(1e3) } }
        }
    };
    SideEmission {
        frequency_hz: group.iter().map(|e| e.frequency_hz).sum::<f64>() / count,
        power,
        captures: group.len(),
        example: group[0].clone(),
    }
}

/// What became of each emission; the `floor`s give the mean square in one noise bandwidth of a side at a frequency.
///
/// The verdicts of all levels together err in at most 5 % of tables (Holm). With fewer than three captures a side
/// they rest on the scatter within the captures alone.
pub fn changes(
    before: &[SideEmission],
    after: &[SideEmission],
    floor_before: impl Fn(f64) -> f64,
    floor_after: impl Fn(f64) -> f64,
) -> Vec<EmissionChange> {
    /// An emission that moves by more than this share of its frequency is another one.
    const FARTHEST: f64 = 0.03;
    /// Within this of the floor it would not have been found, as a ratio of powers.
    const VISIBLE: f64 = 4.0;
    let example = |side: &[SideEmission]| -> Vec<Emission> {
        side.iter().map(|s| Emission { frequency_hz: s.frequency_hz, ..s.example.clone() }).collect()
    };
    let (first, second) = (example(before), example(after));
    let pairs = same_later(&first, &second);
    let left = |count: usize, taken: Vec<usize>| (0..count).filter(|i| !taken.contains(i)).collect::<Vec<_>>();
    let lonely_before = left(first.len(), pairs.iter().map(|p| p.0).collect());
    let lonely_after = left(second.len(), pairs.iter().map(|p| p.1).collect());
    let pick = |all: &[Emission], places: &[usize]| places.iter().map(|&i| all[i].clone()).collect::<Vec<_>>();
    // What is only moved has about the same level: an order of magnitude either way.
    let may_be = |a: &Emission, b: &Emission| {
        (a.frequency_hz - b.frequency_hz).abs() <= FARTHEST * a.frequency_hz && (a.rms / b.rms).log10().abs() <= 0.5
    };
    let moved = nearest(&pick(&first, &lonely_before), &pick(&second, &lonely_after), may_be);
    let moved: Vec<(usize, usize)> = moved.into_iter().map(|(i, j)| (lonely_before[i], lonely_after[j])).collect();

    let mut rows = Vec::new();
    let differences: Vec<Difference> =
        pairs.iter().map(|&(i, j)| difference(&before[i].power, &after[j].power)).collect();
    let probabilities: Vec<f64> = differences.iter().map(|d| d.probability).collect();
    let shown = holm(&probabilities, FAMILY_ERROR);
    let both = |i: usize, j: usize, fate, difference: &Difference| EmissionChange {
        before: Some(before[i].clone()),
        after: Some(after[j].clone()),
        fate,
        change_db: difference.change_db,
        ci95_db: difference.interval_db,
    };
    for ((&(i, j), difference), shown) in pairs.iter().zip(&differences).zip(shown) {
        let fate = match (shown, difference.change_db) {
            (true, Some(db)) if db > 0.0 => Fate::Higher,
            (true, Some(_)) => Fate::Lower,
            _ => Fate::NoChangeShown,
        };
        rows.push(both(i, j, fate, difference));
    }
    for &(i, j) in &moved {
        rows.push(both(i, j, Fate::Moved, &difference(&before[i].power, &after[j].power)));
    }
    let lonely = |side: &SideEmission, fate: Fate, floor: f64| {
        let fate = if side.power.mean < VISIBLE * floor { Fate::CannotTell } else { fate };
        let (before, after) = if fate == Fate::New { (None, Some(side.clone())) } else { (Some(side.clone()), None) };
        EmissionChange { before, after, fate, change_db: None, ci95_db: None }
    };
    for i in lonely_before.into_iter().filter(|i| moved.iter().all(|(b, _)| b != i)) {
        rows.push(lonely(&before[i], Fate::Gone, floor_after(before[i].frequency_hz)));
    }
    for j in lonely_after.into_iter().filter(|j| moved.iter().all(|(_, a)| a != j)) {
        let mut row = lonely(&after[j], Fate::New, floor_before(after[j].frequency_hz));
        if row.after.is_none() {
            row.after = row.before.take();
        }
        rows.push(row);
    }
    let frequency = |row: &EmissionChange| row.before.as_ref().or(row.after.as_ref()).map_or(0.0, |s| s.frequency_hz);
    rows.sort_by(|a, b| frequency(a).total_cmp(&frequency(b)));
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::emissions::Manner;

    fn line(frequency_hz: f64, rms: f64) -> Emission {
        Emission {
            frequency_hz,
            frequency_half_hz: 1.0,
            rms,
            rms_interval: [0.99 * rms, 1.01 * rms],
            prominence_db: 20.0,
            bandwidth_hz: 40.0,
            resolution_hz: 30.0,
            manner: Manner::Steady,
            drift_hz: None,
            level_scatter: None,
            locked: None,
            sidebands: Vec::new(),
        }
    }

    #[test]
    fn wire_and_air_are_matched_one_to_one() {
        let wire = [line(10e3, 1.0), line(20e3, 1.0), line(20_002.0, 1.0)];
        let air = [line(20_001.8, 0.1), line(120e3, 0.1)];
        let (on_wire, in_air) = whereabouts(&wire, &air);
        assert_eq!(on_wire, [Whereabouts::WireOnly, Whereabouts::WireOnly, Whereabouts::Both]);
        assert_eq!(in_air, [Whereabouts::Both, Whereabouts::AirOnly]);
    }

    #[test]
    fn each_fate_is_told() {
        let before = [line(10e3, 1.0), line(20e3, 1.0), line(30e3, 1.0), line(47e3, 1.0), line(60e3, 0.015)];
        let after = [line(10e3, 1.0), line(20e3, 0.1), line(47.3e3, 1.1), line(90e3, 1.0)];
        let (before, after) = (of_side(&[&before]), of_side(&[&after]));
        let rows = changes(&before, &after, |_| 1e-8, |_| 1e-4);
        let fates: Vec<Fate> = rows.iter().map(|row| row.fate).collect();
        assert_eq!(fates, [Fate::NoChangeShown, Fate::Lower, Fate::Gone, Fate::Moved, Fate::CannotTell, Fate::New]);
        assert!((rows[1].change_db.unwrap() + 20.0).abs() < 1e-9);
        let [low, high] = rows[1].ci95_db.unwrap();
        assert!(-20.3 < low && low < -20.0 && -20.0 < high && high < -19.7, "{low} {high}");
        assert!(rows[5].before.is_none() && rows[4].after.is_none());
    }

    #[test]
    fn a_side_keeps_what_most_of_its_captures_show() {
        let captures = [vec![line(10e3, 1.0), line(63e3, 1.0)], vec![line(10_010.0, 1.2)], vec![line(9_999.0, 0.8)]];
        let side = of_side(&captures.each_ref().map(Vec::as_slice));
        assert_eq!(side.len(), 1);
        assert_eq!(side[0].captures, 3);
        assert!((side[0].power.mean - (1.0 + 1.44 + 0.64) / 3.0).abs() < 1e-12);
    }
}
