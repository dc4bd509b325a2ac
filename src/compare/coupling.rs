//! How much of what the antenna hears is what the wire carries? Bin by bin, band by band, before and after.
//!
//! Every bin is first judged by itself: is its coherence more than chance gives, and is it more than a tone that
//! merely repeats itself gives? Bands add up what their bins hold. Coherence is not cause: a common source
//! outside both gives it as well.

use std::f64::consts::TAU;

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::difference::FAMILY_ERROR;
use super::side::CAPTURES_SPEAK_FOR_THEMSELVES;
use crate::dsp::Complex;
use crate::dsp::cross::{chance_of_coherence, coherence, transfer_error, without_bias};
use crate::measure::coherence::{Joint, Sums};
use crate::uncertainty::{COVERAGE, holm, student_factor, welch_satterthwaite};
use crate::units::Band;

/// The probability with which noise alone may make a repeating tone look as if it changed.
const CHANGE_BY_CHANCE: f64 = 0.01;
/// How many bins to each side a line reaches: the half width of the main lobe of common windows.
const LOBE: usize = 2;
/// An ambient line stands out by this much from the median of the bins around it, in decibels.
const PROMINENCE_DB: f64 = 10.0;
/// How many bins to each side that median is taken over.
const AROUND: usize = 20;
/// Group delay needs so many coherent bins, and this share of those of its band.
const DELAY_BINS: usize = 8;
const DELAY_SHARE: f64 = 0.5;
/// The phase counts as straight while it scatters about its slope with at most this many times the variance of noise.
const STRAIGHT: f64 = 2.0;
/// From this share of the air's power in steady tones on, nothing is said of what explains a change.
const UNDECIDED: f64 = 0.05;

/// What may be said of a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Verdict {
    /// Wire and air have something in common here.
    #[serde(rename = "coherent")]
    Coherent,
    /// Nothing in common is shown.
    #[serde(rename = "no coherence shown")]
    NotShown,
    /// What looks common is a steady tone; two tones of one frequency would look the same.
    #[serde(rename = "cannot be told (a steady tone)")]
    SteadyTone,
}

impl Verdict {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Coherent => "coherent",
            Verdict::NotShown => "no coherence shown",
            Verdict::SteadyTone => "cannot be told (a steady tone)",
        }
    }
}

/// A bin judged by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    /// The frequency in hertz.
    pub frequency_hz: f64,
    /// The magnitude-squared coherence as estimated, 0 to 1.
    pub coherence: f64,
    /// How many independent segments the estimate is worth.
    pub averages: f64,
    /// The probability that unrelated signals give as much.
    pub chance: f64,
    /// H1, air over wire.
    pub transfer: Complex<f64>,
    /// The relative standard deviation of its magnitude, and that of its phase in radians.
    pub error: f64,
    /// The density in the air.
    pub air_density: f64,
    /// The part of that which the wire explains; a little below zero by chance where it is nothing.
    pub explained_density: f64,
    /// Whether the coherence is that of a tone that repeats itself, and proves nothing.
    pub steady: bool,
    /// Whether the bin by itself is shown to be coherent, at 5 % over all bins.
    pub is_coherent: bool,
}

/// What a band holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandCoupling {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// The mean coherence of the bins, each weighted with its power in the air, less its bias.
    pub coherence: f64,
    /// The share of the air's power that the wire explains linearly; steady tones that cannot be told count as
    /// not explained.
    pub coherent_share: f64,
    /// Its 95 % interval.
    pub share_ci95: Option<[f64; 2]>,
    /// The share of the air's power in steady tones that cannot be told.
    pub undecided_share: f64,
    /// Air over wire in the bins that are coherent, power for power.
    pub gain_db: Option<f64>,
    /// Its 95 % interval.
    pub ci95_db: Option<[f64; 2]>,
    /// The phase of air over wire in those bins.
    pub phase_deg: Option<f64>,
    /// Its 95 % interval.
    pub phase_ci95_deg: Option<[f64; 2]>,
    /// The delay of air behind wire by the slope of the phase, where most of the band is coherent.
    pub group_delay_s: Option<f64>,
    /// Its 95 % interval.
    pub group_delay_ci95_s: Option<[f64; 2]>,
    /// What may be said, at 5 % over the whole table.
    pub verdict: Verdict,
    /// The probability that unrelated signals give as much.
    pub p_value: f64,
    /// The RMS value in the air.
    pub air_rms: f64,
    /// The RMS value of the part that the wire explains.
    pub explained_rms: f64,
}

/// A line that stands out in the air and that the wire does not explain.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ambient {
    /// The frequency of its strongest bin.
    pub frequency_hz: f64,
    /// The RMS value of the line.
    pub rms: f64,
    /// How far it stands out of what is around it.
    pub prominence_db: f64,
    /// The share of its power that the wire explains.
    pub coherent_share: f64,
    /// Whether it is a steady tone of which it cannot be told.
    pub cannot_be_told: bool,
    /// What sends there by published allocation, where that is known.
    pub note: Option<&'static str>,
}

/// Carriers of standard-frequency and time signals in hertz (ITU-R TF.768, annex; from memory).
const TIME_SIGNALS_HZ: [f64; 5] = [40e3, 60e3, 66.667e3, 68.5e3, 77.5e3];

/// The bins of a case, judged.
#[derive(Debug, Clone)]
pub struct Judged {
    bins: Vec<Bin>,
    bin_hz: f64,
    whole: Sums,
    groups: Vec<Sums>,
}

/// Judges every bin of a capture, or of captures taken together.
///
/// A bin whose wire is as coherent with the air of another time repeats itself. It counts as steady unless the
/// coherence at the same time is higher than at any other, by more than noise makes it: then what the two share
/// also changes with time. Of several captures taken together, each is one observation of a steady tone, for its
/// phase is another one each time.
pub fn judge(joint: &Joint) -> Judged {
    let count = joint.frequency_hz.len();
    let gamma = joint.whole.coherence();
    let lagged: Vec<(Vec<f64>, f64)> =
        joint.lags.iter().map(|lag| (lag.sums.coherence(), lag.sums.averages)).filter(|(_, l)| *l >= 2.0).collect();
    let segments = joint.whole.segments as f64;
    let family = FAMILY_ERROR / count.max(1) as f64;
    let swell = |k: usize| {
        let product = joint.whole.wire[k] * joint.whole.air[k];
        if product > 0.0 { segments * joint.together[k] / product } else { 1.0 }
    };
    // For unrelated signals Σ|X|²|Y|² says how few segments carry the powers; for coherent noise it is 1 + γ² times
    // as large by itself.
    let unrelated: Vec<f64> = (0..count).map(|k| joint.whole.averages / swell(k).max(1.0)).collect();
    let averages: Vec<f64> =
        (0..count).map(|k| joint.whole.averages / (swell(k) / (1.0 + gamma[k])).max(1.0)).collect();
    let steady: Vec<bool> = (0..count)
        .map(|k| {
            let shifted: Vec<(f64, f64)> =
                lagged.iter().map(|(c, l)| (c[k], l * unrelated[k] / joint.whole.averages)).collect();
            repeats(gamma[k], unrelated[k], &shifted)
        })
        .collect();
    let bins = (0..count)
        .map(|k| {
            // The skirts of a line are judged with its peak.
            let near = k.saturating_sub(LOBE)..(k + LOBE + 1).min(count);
            let peak = near.max_by(|a, b| joint.whole.cross[*a].norm().total_cmp(&joint.whole.cross[*b].norm()));
            let steady = peak.is_some_and(|peak| steady[peak]) || steady[k];
            let observations = if steady { joint.captures.len() as f64 } else { unrelated[k] };
            let chance = chance_of_coherence(gamma[k], observations);
            // A steady tone that several captures confirm is no longer in doubt.
            let confirmed = steady && chance <= family;
            let air_density = joint.whole.air[k] / segments;
            Bin {
                frequency_hz: joint.frequency_hz[k],
                coherence: gamma[k],
                averages: averages[k],
                chance: chance_of_coherence(gamma[k], unrelated[k]),
                transfer: joint.whole.cross[k] / joint.whole.wire[k],
                error: transfer_error(gamma[k], averages[k]),
                air_density,
                explained_density: air_density * without_bias(gamma[k], averages[k].max(1.0)),
                steady: steady && !confirmed,
                is_coherent: (!steady && chance <= family) || confirmed,
            }
        })
        .collect();
    let groups = if joint.captures.len() >= CAPTURES_SPEAK_FOR_THEMSELVES { &joint.captures } else { &joint.blocks };
    Judged { bins, bin_hz: joint.bin_hz, whole: joint.whole.clone(), groups: groups.clone() }
}

/// Whether coherence is that of something that repeats itself.
fn repeats(coherence: f64, averages: f64, shifted: &[(f64, f64)]) -> bool {
    let many = shifted.len() as f64;
    if chance_of_coherence(coherence, averages) > FAMILY_ERROR {
        return false;
    }
    if shifted.is_empty() {
        // The record is too short to move segments against each other.
        return true;
    }
    // Chance makes one shift in twenty look coherent; what repeats itself is so at most of them.
    let coherent_still = shifted.iter().filter(|(c, l)| chance_of_coherence(*c, *l) <= FAMILY_ERROR).count();
    if 2 * coherent_still < shifted.len() {
        return false;
    }
    let falls = |&(c, l): &(f64, f64)| {
        let (above, below) = (2.0 * (l - 1.0), 2.0 * (averages - 1.0));
        let ratio = (1.0 - c) / (1.0 - coherence).max(f64::MIN_POSITIVE);
        // What the two leave unexplained is a power; their ratio follows Fisher's distribution or is closer to one,
        // for both leave out the same noise.
        above > 0.0
            && below > 0.0
            && FisherSnedecor::new(above, below).is_ok_and(|f| f.sf(ratio.min(1e9)) < CHANGE_BY_CHANCE / many)
    };
    let highest = shifted.iter().all(|(c, _)| *c < coherence);
    !(highest && shifted.iter().any(falls))
}

/// What a set of sums says of a band; the statistics of which an interval is made.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    air: f64,
    explained: f64,
    undecided: f64,
    coherent_wire: f64,
    coherent_explained: f64,
    coherent_cross: Complex<f64>,
}

impl Judged {
    /// The bins.
    pub fn bins(&self) -> &[Bin] {
        &self.bins
    }

    /// How many segments there are.
    pub fn segments(&self) -> u64 {
        self.whole.segments
    }

    /// How many independent segments they are worth.
    pub fn averages(&self) -> f64 {
        self.whole.averages
    }

    /// The share of a bin that lies in a band.
    fn share(&self, bin: usize, band: Band) -> f64 {
        let (centre, half) = (self.bins[bin].frequency_hz, self.bin_hz / 2.0);
        let overlap = band.high().min(centre + half) - band.low().max(centre - half);
        (overlap / self.bin_hz).clamp(0.0, 1.0)
    }

    /// The bins that reach into a band, with their share.
    fn within(&self, band: Band) -> Members {
        (0..self.bins.len()).map(|k| (k, self.share(k, band))).filter(|(_, share)| *share > 0.0).collect()
    }

    fn tally(&self, sums: &Sums, members: &[(usize, f64)]) -> Tally {
        let mut tally = Tally::default();
        let scale = self.bin_hz / sums.segments.max(1) as f64;
        for &(k, share) in members {
            let gamma = coherence(&sums.wire[k..=k], &sums.air[k..=k], &sums.cross[k..=k])[0];
            let (air, weight) = (sums.air[k] * scale * share, scale * share);
            let worth = sums.averages * self.bins[k].averages / self.whole.averages;
            let explained = air * without_bias(gamma, worth.max(1.0));
            tally.air += air;
            if self.bins[k].steady {
                tally.undecided += explained;
            } else {
                tally.explained += explained;
            }
            if self.bins[k].is_coherent {
                tally.coherent_wire += sums.wire[k] * weight;
                tally.coherent_explained += explained;
                tally.coherent_cross += sums.cross[k] * weight;
            }
        }
        tally
    }

    /// A statistic of a band with its interval by the jackknife over blocks or captures.
    fn with_interval(
        &self,
        members: &[(usize, f64)],
        statistic: impl Fn(&Tally) -> Option<f64>,
    ) -> (Option<f64>, Option<[f64; 2]>) {
        let value = statistic(&self.tally(&self.whole, members));
        let left_out: Option<Vec<f64>> = self
            .groups
            .iter()
            .map(|group| statistic(&self.tally(&self.whole.without(group), members)).filter(|v| v.is_finite()))
            .collect();
        let interval = value.zip(left_out.and_then(|values| jackknife(&values))).map(|(value, (variance, degrees))| {
            let half = student_factor(COVERAGE, degrees) * variance.sqrt();
            [value - half, value + half]
        });
        (value, interval)
    }
}

/// The variance of a statistic from its values with one group of `n` left out each time, and its degrees of freedom.
///
/// # Sources
/// J. W. Tukey 1958; B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 1993, chapter 11 (from memory).
fn jackknife(left_out: &[f64]) -> Option<(f64, f64)> {
    let count = left_out.len() as f64;
    if left_out.len() < 3 {
        return None;
    }
    let mean = left_out.iter().sum::<f64>() / count;
    let squares: f64 = left_out.iter().map(|v| (v - mean).powi(2)).sum();
    Some((squares * (count - 1.0) / count, count - 1.0))
}

fn decibels(power_ratio: f64) -> Option<f64> {
    (power_ratio > 0.0 && power_ratio.is_finite()).then(|| 10.0 * power_ratio.log10())
}

/// Judges bands; the verdicts of all of them together err in at most 5 % of tables.
pub fn couple(judged: &Judged, bands: &[Band]) -> Vec<BandCoupling> {
    let members: Vec<_> = bands.iter().map(|band| judged.within(*band)).collect();
    // Bonferroni over the bins of a band, Holm over the bands.
    let smallest = |members: &[(usize, f64)], with_steady: bool| {
        let chances = members.iter().map(|(k, _)| &judged.bins[*k]).filter(|bin| with_steady || !bin.steady);
        let smallest = chances.map(|bin| bin.chance).fold(1.0, f64::min);
        (smallest * members.len() as f64).min(1.0)
    };
    let told: Vec<f64> = members.iter().map(|m| smallest(m, false)).collect();
    let any: Vec<f64> = members.iter().map(|m| smallest(m, true)).collect();
    let shown = holm(&told, FAMILY_ERROR).into_iter().zip(holm(&any, FAMILY_ERROR));
    bands
        .iter()
        .zip(&members)
        .zip(shown)
        .zip(told)
        .map(|(((band, members), (shown, shown_with_steady)), p_value)| {
            let verdict = match (shown, shown_with_steady) {
                (true, _) => Verdict::Coherent,
                (false, true) => Verdict::SteadyTone,
                (false, false) => Verdict::NotShown,
            };
            band_coupling(judged, *band, members, verdict, p_value)
        })
        .collect()
}

fn band_coupling(
    judged: &Judged,
    band: Band,
    members: &[(usize, f64)],
    verdict: Verdict,
    p_value: f64,
) -> BandCoupling {
    let tally = judged.tally(&judged.whole, members);
    let of_air = |power: f64| if tally.air > 0.0 { (power / tally.air).clamp(0.0, 1.0) } else { 0.0 };
    let (_, share) = judged.with_interval(members, |t| (t.air > 0.0).then(|| stretched(t.explained / t.air)));
    let (gain_db, ci95_db) = judged.with_interval(members, |t| decibels(t.coherent_explained / t.coherent_wire));
    let direction = tally.coherent_cross;
    // The angle from the mean direction, so that no value jumps by a turn.
    let turn = |t: &Tally| (direction.norm() > 0.0).then(|| (t.coherent_cross / direction).arg().to_degrees());
    let (turned, phase) = judged.with_interval(members, turn);
    let phase_deg = turned.map(|turned| direction.arg().to_degrees() + turned);
    let delay = group_delay(judged, members);
    BandCoupling {
        band,
        coherence: of_air(tally.explained + tally.undecided),
        coherent_share: of_air(tally.explained),
        share_ci95: share.map(|ends| ends.map(squeezed)),
        undecided_share: of_air(tally.undecided),
        gain_db,
        ci95_db,
        phase_deg,
        phase_ci95_deg: phase.map(|ends| ends.map(|end| end + direction.arg().to_degrees())),
        group_delay_s: delay.map(|(delay, _)| delay),
        group_delay_ci95_s: delay.map(|(delay, half)| [delay - half, delay + half]),
        verdict,
        p_value,
        air_rms: tally.air.sqrt(),
        explained_rms: tally.explained.max(0.0).sqrt(),
    }
}

/// A share on a scale where its scatter is even: its own near zero, where chance may take it below, then the
/// logarithm of what is left.
fn stretched(share: f64) -> f64 {
    -(1.0 - share).max(1e-12).ln()
}

fn squeezed(stretched: f64) -> f64 {
    (1.0 - (-stretched).exp()).clamp(0.0, 1.0)
}

/// The delay by the slope of the phase over the coherent bins, and half the width of its 95 % interval.
///
/// Each bin weighs by the inverse variance of its phase. Neighbouring bins share a window, so that they are worth
/// fewer than they are: the variance is taken three times as large, the width of a main lobe in bins less one.
fn group_delay(judged: &Judged, members: &[(usize, f64)]) -> Option<(f64, f64)> {
    let coherent: Vec<&Bin> = members.iter().map(|(k, _)| &judged.bins[*k]).filter(|bin| bin.is_coherent).collect();
    if coherent.len() < DELAY_BINS || (coherent.len() as f64) < DELAY_SHARE * members.len() as f64 {
        return None;
    }
    let weight = |bin: &Bin| 1.0 / bin.error.powi(2).max(1e-12);
    // A first slope from neighbours, so that what is left turns by less than half a turn.
    let turns: Complex<f64> = coherent
        .windows(2)
        .filter(|pair| pair[1].frequency_hz - pair[0].frequency_hz < 1.5 * judged.bin_hz)
        .map(|pair| pair[0].transfer.conj() * pair[1].transfer / (pair[0].transfer.norm() * pair[1].transfer.norm()))
        .sum();
    let slope = turns.arg() / judged.bin_hz;
    let total: f64 = coherent.iter().map(|bin| weight(bin)).sum();
    let centre = coherent.iter().map(|bin| weight(bin) * bin.frequency_hz).sum::<f64>() / total;
    let flat =
        |bin: &Bin| bin.transfer * Complex::from_polar(1.0 / bin.transfer.norm(), -slope * (bin.frequency_hz - centre));
    let mean = coherent.iter().map(|bin| flat(bin) * weight(bin)).sum::<Complex<f64>>();
    let (mut spread, mut moment) = (0.0, 0.0);
    for bin in &coherent {
        let (offset, phase) = (bin.frequency_hz - centre, (flat(bin) / mean).arg());
        spread += weight(bin) * offset * offset;
        moment += weight(bin) * offset * phase;
    }
    let rest = moment / spread;
    let scatter: f64 = coherent
        .iter()
        .map(|bin| weight(bin) * ((flat(bin) / mean).arg() - rest * (bin.frequency_hz - centre)).powi(2))
        .sum();
    // A phase that is not straight has no single delay.
    let excess = scatter / (coherent.len() as f64 - 2.0);
    let deviation = (3.0 * excess.max(1.0) / spread).sqrt();
    (excess < STRAIGHT).then_some((-(slope + rest) / TAU, 1.96 * deviation / TAU))
}

/// The lines that stand out in the air and that the wire does not explain, in the order of frequency.
pub fn ambient(judged: &Judged) -> Vec<Ambient> {
    let bins = &judged.bins;
    let count = bins.len();
    let around = |k: usize, reach: usize| k.saturating_sub(reach)..(k + reach + 1).min(count);
    (0..count)
        .filter_map(|k| {
            let power = bins[k].air_density;
            if around(k, LOBE).any(|other| other != k && (bins[other].air_density, k) > (power, other)) {
                return None;
            }
            let mut background: Vec<f64> = around(k, AROUND).map(|other| bins[other].air_density).collect();
            background.sort_by(f64::total_cmp);
            let prominence_db = decibels(power / background[background.len() / 2])?;
            let line = around(k, LOBE);
            let air: f64 = line.clone().map(|other| bins[other].air_density).sum();
            let explained: f64 =
                line.filter(|other| !bins[*other].steady).map(|other| bins[other].explained_density).sum();
            let coherent_share = (explained / air).clamp(0.0, 1.0);
            // As many segments as it takes to say that the wire does not carry most of it.
            let deviation = (2.0 * coherent_share / bins[k].averages).sqrt() * (1.0 - coherent_share);
            (prominence_db >= PROMINENCE_DB && coherent_share + 2.0 * deviation < 0.5).then(|| Ambient {
                frequency_hz: bins[k].frequency_hz,
                rms: (air * judged.bin_hz).sqrt(),
                prominence_db,
                coherent_share,
                cannot_be_told: bins[k].steady,
                note: TIME_SIGNALS_HZ
                    .iter()
                    .any(|carrier| (carrier - bins[k].frequency_hz).abs() <= judged.bin_hz)
                    .then_some("a standard-frequency and time signal is sent here"),
            })
        })
        .collect()
}

/// What may be said of a change in the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Cause {
    /// The change of the wire explains the change in the air, within its interval.
    #[serde(rename = "explained by the wire")]
    Explained,
    /// The change of the wire explains a part of it, or more than there is.
    #[serde(rename = "explained in part")]
    InPart,
    /// The wire's change should have changed nothing in the air that is shown.
    #[serde(rename = "not explained by the wire")]
    NotExplained,
    /// The air did not change, as far as shown, and the wire explains no change.
    #[serde(rename = "no change shown")]
    NoChange,
    /// Without coherence before, nothing can be said.
    #[serde(rename = "cannot be told")]
    Unknown,
}

impl Cause {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Cause::Explained => "explained by the wire",
            Cause::InPart => "explained in part",
            Cause::NotExplained => "not explained by the wire",
            Cause::NoChange => "no change shown",
            Cause::Unknown => "cannot be told",
        }
    }
}

/// A band before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandCause {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// The change on the wire.
    pub wire_change_db: Option<f64>,
    /// Its 95 % interval.
    pub wire_ci95_db: Option<[f64; 2]>,
    /// The change in the air.
    pub air_change_db: Option<f64>,
    /// Its 95 % interval.
    pub air_ci95_db: Option<[f64; 2]>,
    /// The change in the air that the wire's change makes by itself, through the coupling as it was before.
    pub explained_db: Option<f64>,
    /// Its 95 % interval.
    pub explained_ci95_db: Option<[f64; 2]>,
    /// The change in the air beyond that.
    pub remaining_db: Option<f64>,
    /// Its 95 % interval.
    pub remaining_ci95_db: Option<[f64; 2]>,
    /// The share of the air's power before that the wire explained.
    pub coherent_share_before: f64,
    /// The same after.
    pub coherent_share_after: f64,
    /// What may be said.
    pub verdict: Cause,
}

/// Bins with the share of each that lies in a band.
type Members = Vec<(usize, f64)>;

/// Both sides, and their bins in the cells of a band.
struct Sides<'a> {
    before: &'a Judged,
    after: &'a Judged,
    cells: Vec<(Members, Members)>,
}

/// Powers of a band: wire and air before and after, and what the air after would hold if only the wire's part of it
/// had changed.
#[derive(Debug, Clone, Copy, Default)]
struct Powers {
    wire: [f64; 2],
    air: [f64; 2],
    expected: f64,
    /// The same with the part that is coherent after in place of the part that was coherent before.
    coherent_only: f64,
}

/// The width of the cells within which the coupling is taken as one number, so that a source may wander.
const CELL_HZ: f64 = 2e3;

impl<'a> Sides<'a> {
    fn new(before: &'a Judged, after: &'a Judged, band: Band) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and it saturates")]
        let count = (band.width() / CELL_HZ).round().clamp(1.0, 1e5) as usize;
        let edge = |k: usize| band.low() + band.width() * k as f64 / count as f64;
        let cells = (0..count).filter_map(|k| Band::new(edge(k), edge(k + 1)).ok());
        Self { before, after, cells: cells.map(|cell| (before.within(cell), after.within(cell))).collect() }
    }

    fn powers(&self, before: &Sums, after: &Sums) -> Powers {
        let mut powers = Powers::default();
        for (first, second) in &self.cells {
            let (was, is) = (self.before.tally(before, first), self.after.tally(after, second));
            let wire = |judged: &Judged, sums: &Sums, members: &[(usize, f64)]| {
                let scale = judged.bin_hz / sums.segments.max(1) as f64;
                members.iter().map(|(k, share)| sums.wire[*k] * share * scale).sum::<f64>()
            };
            let (wire_was, wire_is) = (wire(self.before, before, first), wire(self.after, after, second));
            powers.wire[0] += wire_was;
            powers.wire[1] += wire_is;
            powers.air[0] += was.air;
            powers.air[1] += is.air;
            let factor = if wire_was > 0.0 { wire_is / wire_was } else { 1.0 };
            powers.expected += was.air + was.explained * (factor - 1.0);
            powers.coherent_only += was.air - was.explained + is.explained;
        }
        powers
    }

    /// A statistic with its interval, by the jackknife over the groups of either side.
    fn with_interval(&self, statistic: impl Fn(&Powers) -> Option<f64>) -> (Option<f64>, Option<[f64; 2]>) {
        let (before, after) = (&self.before.whole, &self.after.whole);
        let value = statistic(&self.powers(before, after));
        let of = |groups: &[Sums], first: bool| {
            let values: Option<Vec<f64>> = groups
                .iter()
                .map(|group| {
                    statistic(&if first {
                        self.powers(&before.without(group), after)
                    } else {
                        self.powers(before, &after.without(group))
                    })
                })
                .collect();
            jackknife(&values?)
        };
        let interval = value.and_then(|value| {
            let terms = [of(&self.before.groups, true)?, of(&self.after.groups, false)?];
            let deviation = (terms[0].0 + terms[1].0).sqrt();
            let degrees = welch_satterthwaite(&terms).min(1e9);
            let half = student_factor(COVERAGE, degrees) * deviation;
            Some([value - half, value + half])
        });
        (value, interval)
    }
}

/// The interval that holds two others.
fn both(first: Option<[f64; 2]>, second: Option<[f64; 2]>) -> Option<[f64; 2]> {
    first.zip(second).map(|([a, b], [c, d])| [a.min(c), b.max(d)])
}

/// Did the air change because the wire changed? Band by band.
///
/// The air after is set beside what it would be if the part of it that the wire explained before had followed the
/// power on the wire, in cells of 2 kHz, and all else had stayed. Noise of the recorder on the wire makes the wire's
/// change look smaller than it is in the air; so the interval also holds that of a second way, in which the part that
/// is coherent after takes the place of the part that was before.
pub fn causes(before: &Judged, after: &Judged, bands: &[Band]) -> Vec<BandCause> {
    let (was, is) = (couple(before, bands), couple(after, bands));
    bands
        .iter()
        .zip(was.iter().zip(&is))
        .map(|(band, (was, is))| {
            let sides = Sides::new(before, after, *band);
            let (wire_change_db, wire_ci95_db) = sides.with_interval(|p| decibels(p.wire[1] / p.wire[0]));
            let (air_change_db, air_ci95_db) = sides.with_interval(|p| decibels(p.air[1] / p.air[0]));
            let (explained_db, first) = sides.with_interval(|p| decibels(p.expected / p.air[0]));
            let (_, second) = sides.with_interval(|p| decibels(p.coherent_only / p.air[0]));
            let explained_ci95_db = both(first, second);
            let (remaining_db, first) = sides.with_interval(|p| decibels(p.air[1] / p.expected));
            let (_, second) = sides.with_interval(|p| decibels(p.air[1] / p.coherent_only));
            let remaining_ci95_db = both(first, second);
            let told = was.verdict == Verdict::Coherent && was.undecided_share.max(is.undecided_share) < UNDECIDED;
            let explained_db = explained_db.filter(|_| told);
            let shown = |interval: Option<[f64; 2]>| interval.is_some_and(|[low, high]| low > 0.0 || high < 0.0);
            let (air, explained, remaining) =
                (shown(air_ci95_db), shown(explained_ci95_db) && told, shown(remaining_ci95_db));
            let verdict = match (air, explained, remaining) {
                _ if air_ci95_db.is_none() => Cause::Unknown,
                (false, false, _) => Cause::NoChange,
                _ if !told => Cause::Unknown,
                (_, true, false) => Cause::Explained,
                (_, true, true) => Cause::InPart,
                (true, false, _) => Cause::NotExplained,
            };
            BandCause {
                band: *band,
                wire_change_db,
                wire_ci95_db,
                air_change_db,
                air_ci95_db,
                explained_db,
                explained_ci95_db: explained_ci95_db.filter(|_| told),
                remaining_db: remaining_db.filter(|_| told),
                remaining_ci95_db: remaining_ci95_db.filter(|_| told),
                coherent_share_before: was.coherent_share,
                coherent_share_after: is.coherent_share,
                verdict,
            }
        })
        .collect()
}
