//! From gathered bins to emissions.

use serde::Serialize;

use super::FLOOR_BINS;
use super::gather::{Shape, View, half_width};
use super::line::{Line, fit};
use crate::dsp::peaks::{median, peaks, running_median};
use crate::uncertainty::{chi_square_factors, student_factor};

/// What counts as an emission.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Criteria {
    /// How far a peak has to rise, in decibels, over the floor or the saddle towards a higher neighbour.
    pub prominence_db: f64,
    /// The chance that noise alone rises so far anywhere in one spectrum.
    pub family_error: f64,
}

impl Default for Criteria {
    /// 6 dB, one in a thousand spectra.
    fn default() -> Self {
        Self { prominence_db: 6.0, family_error: 0.001 }
    }
}

/// How an emission behaves over the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Manner {
    /// One frequency throughout, as far as the record shows.
    Steady,
    /// The frequency moves one way.
    Drifting,
    /// The frequency moves about, or the line is broader than the window: a frequency that wanders, keying, bursts.
    Wandering,
}

impl Manner {
    /// The word for tables.
    pub fn word(self) -> &'static str {
        match self {
            Manner::Steady => "steady",
            Manner::Drifting => "drifting",
            Manner::Wandering => "wandering",
        }
    }
}

/// The swelling of an emission with the mains.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Locked {
    /// The amplitude of the power's swing at twice the mains frequency over its mean: 0 steady, 1.33 for an envelope
    /// 1 + cos, up to 2 for short bursts.
    pub depth: f64,
    /// The chance that anything but the mains makes it so large.
    pub chance: f64,
}

/// A pair of lines to both sides of an emission.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sideband {
    /// Their distance from it in hertz.
    pub offset_hz: f64,
    /// The mean square of the stronger one, relative to the emission's.
    pub relative_db: f64,
    /// The multiple of the mains frequency that the distance is, if it is one.
    pub mains_multiple: Option<u32>,
}

/// One emission.
#[derive(Debug, Clone, PartialEq)]
pub struct Emission {
    /// The frequency.
    pub frequency_hz: f64,
    /// Half its 95 % interval.
    pub frequency_half_hz: f64,
    /// The RMS value; of all of it where it is spread over more than one line.
    pub rms: f64,
    /// The 95 % interval of the RMS value.
    pub rms_interval: [f64; 2],
    /// How far it rises over the floor, or over the saddle towards a higher neighbour, in decibels, at the resolution
    /// it was found at.
    pub prominence_db: f64,
    /// The width where it has fallen by 6 dB; a steady line shows the window's own.
    pub bandwidth_hz: f64,
    /// The noise bandwidth it was found at.
    pub resolution_hz: f64,
    /// How it behaves.
    pub manner: Manner,
    /// The frequency at the end less that at the beginning, as a straight line over the record; `None` where too few
    /// stretches show it.
    pub drift_hz: Option<f64>,
    /// How far the level of stretches of the record scatters, standard deviation over mean power; `None` for one stretch.
    pub level_scatter: Option<f64>,
    /// Its swelling with the mains.
    pub locked: Option<Locked>,
    /// Its sidebands, nearest first.
    pub sidebands: Vec<Sideband>,
}

/// A rise of the floor that is no line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BroadRise {
    /// Where it is highest.
    pub frequency_hz: f64,
    /// Its width at −6 dB.
    pub bandwidth_hz: f64,
    /// Its RMS value above the floor.
    pub rms: f64,
}

/// What was found in one channel.
#[derive(Debug, Clone)]
pub struct Found {
    /// The emissions, low to high.
    pub emissions: Vec<Emission>,
    /// Rises that are no lines.
    pub broad: Vec<BroadRise>,
    /// The floor at the coarser resolution: mean square in one noise bandwidth, bin by bin.
    pub floor: Vec<f64>,
}

/// Two lines of one pair of sidebands differ by no more than this.
const PAIR_DB: f64 = 3.0;
/// A line is this much wider than the window before it counts as spread.
const SPREAD: f64 = 1.5;
/// What lies this far above what the side lobes of a stronger line explain is no side lobe.
const OVER_SKIRT: f64 = 4.0;
/// So much of what stands above the floor has to be in lines for the finer resolution to be believed.
const EXPLAINED: f64 = 0.6;
/// A spread emission has at least this share of its power in narrow lines, segment by segment.
const IN_LINES: f64 = 0.5;
/// A spread emission ends where it has fallen to this share of its height.
const HUMP_END: f64 = 0.05;
/// The scatter of the level between stretches, over its mean, from which on it comes and goes.
const KEYED: f64 = 0.5;
/// A swelling that chance gives more often is none.
const LOCK_CHANCE: f64 = 1e-3;

/// Finds the emissions of one channel in its coarser and its finer view.
///
/// `frequencies` that lie outside the views are not looked for. `mains_hz` names the distances of sidebands.
pub fn search(coarse: &View, fine: Option<&View>, criteria: Criteria, mains_hz: f64) -> Found {
    let spectrum = Judged::new(coarse, criteria);
    let humps = spectrum.humps();
    let fine = fine.map(|view| Judged::new(view, criteria));
    let lines: Vec<Candidate> = fine.iter().flat_map(|fine| fine.narrow()).collect();
    let hertz = |judged: &Judged<'_>, place: f64| judged.view.first_hz + place * judged.view.bin_hz;
    let mut taken = vec![false; lines.len()];
    let mut emissions = Vec::new();
    let mut broad = Vec::new();
    for hump in &humps {
        let inside = |line: &Candidate| {
            let at = fine.as_ref().map_or(f64::NAN, |fine| hertz(fine, line.line.place));
            (hertz(&spectrum, hump.from as f64 - 0.5)..hertz(&spectrum, hump.to as f64 + 0.5)).contains(&at)
        };
        let within: Vec<usize> = (0..lines.len()).filter(|&i| !taken[i] && inside(&lines[i])).collect();
        let resolved: f64 = within.iter().map(|&i| lines[i].line.power).sum();
        if resolved >= EXPLAINED * hump.power {
            continue;
        }
        let is_line = hump.is_narrow || spectrum.share_in_lines(hump) >= IN_LINES;
        if is_line {
            within.iter().for_each(|&i| taken[i] = true);
            emissions.push(spectrum.spread(hump));
        } else {
            broad.push(spectrum.rise(hump));
        }
    }
    if let Some(fine) = &fine {
        let kept = lines.iter().zip(&taken).filter(|(_, taken)| !**taken).map(|(line, _)| line);
        emissions.extend(kept.map(|line| fine.emission(line)));
    }
    for emission in &mut emissions {
        emission.locked = spectrum.locked(emission.frequency_hz);
    }
    emissions.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let emissions = without_keying(fold_sidebands(emissions, mains_hz), coarse.noise_bandwidth_hz);
    Found { emissions, broad, floor: spectrum.floor }
}

/// A view with its floor and what noise would do on it.
struct Judged<'a> {
    view: &'a View,
    criteria: Criteria,
    floor: Vec<f64>,
    /// Power over floor in decibels, not below 0.
    rise_db: Vec<f64>,
    /// Power over floor that noise does not reach.
    threshold: f64,
}

/// A peak with its fit.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    index: usize,
    line: Line,
    prominence_db: f64,
    width_bins: f64,
}

/// A stretch of bins that stands above the floor as one.
#[derive(Debug, Clone, Copy)]
struct Hump {
    peak: Candidate,
    from: usize,
    to: usize,
    /// Its mean square above the floor.
    power: f64,
    /// Whether it is as narrow as the window.
    is_narrow: bool,
}

impl<'a> Judged<'a> {
    fn new(view: &'a View, criteria: Criteria) -> Self {
        let degrees = 2.0 * view.shape.averages;
        // Wilson and Hilferty: the median of chi-square over its mean.
        let median_over_mean = |degrees: f64| (1.0 - 2.0 / (9.0 * degrees)).powi(3);
        let medians = running_median(&view.power, FLOOR_BINS);
        let degrees = degrees.min(observed_degrees(&view.power, &medians));
        let floor: Vec<f64> = medians.iter().map(|m| m / median_over_mean(degrees)).collect();
        let bins = view.power.len().max(1) as f64;
        // Factors for both tails; the upper tail is the one that counts.
        let threshold = 1.0 / chi_square_factors(1.0 - 2.0 * criteria.family_error / bins, degrees).0;
        let rise = |(p, f): (&f64, &f64)| if *f > 0.0 { 10.0 * (p / f).max(1.0).log10() } else { 0.0 };
        let rise_db = view.power.iter().zip(&floor).map(rise).collect();
        Self { view, criteria, floor, rise_db, threshold }
    }

    /// The peaks that pass as lines, strongest first in the tests for side lobes, in order of frequency.
    fn candidates(&self) -> Vec<Candidate> {
        let View { power, shape, .. } = self.view;
        // A line between two bins shows less than it is; what it really has is known after the fit.
        let scalloping = -shape.window.max_amplitude_error_db().min(0.0);
        let least = self.criteria.prominence_db - scalloping;
        let passes = |candidate: &Candidate| {
            let over = (candidate.line.power + self.floor[candidate.index]) / self.floor[candidate.index];
            10.0 * over.log10() >= self.criteria.prominence_db && candidate.prominence_db >= self.criteria.prominence_db
        };
        let mut found: Vec<Candidate> = peaks(&self.rise_db, least)
            .into_iter()
            .filter(|peak| peak.prominence >= least && power[peak.index] >= self.threshold * self.floor[peak.index])
            .filter_map(|peak| {
                let line = fit(power, peak.index, self.floor[peak.index], shape, 1.0)?;
                let interpolated = 10.0 * ((line.power + self.floor[peak.index]) / power[peak.index]).log10();
                Some(Candidate {
                    index: peak.index,
                    line,
                    prominence_db: peak.prominence + interpolated.clamp(0.0, scalloping),
                    width_bins: self.width(peak.index, line.power),
                })
            })
            .filter(passes)
            .collect();
        found.sort_by(|a, b| b.line.power.total_cmp(&a.line.power));
        let mut kept: Vec<Candidate> = Vec::new();
        for candidate in found {
            let skirts: f64 = kept.iter().map(|strong| strong.line.power * side_lobe(shape, strong, &candidate)).sum();
            if candidate.line.power > OVER_SKIRT * skirts {
                kept.push(candidate);
            }
        }
        kept.sort_by_key(|candidate| candidate.index);
        kept
    }

    /// Lines as narrow as the window that stand out of their near neighbourhood as well.
    fn narrow(&self) -> Vec<Candidate> {
        const NEAR: usize = 12;
        let View { power, shape, .. } = self.view;
        let half = half_width(shape.noise_bandwidth_bins);
        let stands_out = |candidate: &Candidate| {
            let at = candidate.index;
            let left = at.saturating_sub(half + NEAR)..at.saturating_sub(half);
            let right = (at + half + 1).min(power.len())..(at + half + 1 + NEAR).min(power.len());
            let mut near: Vec<f64> = power[left].iter().chain(&power[right]).copied().collect();
            let near = median(&mut near);
            near.is_nan() || power[at] >= self.threshold * near
        };
        let limit = SPREAD * window_width(shape);
        self.candidates().into_iter().filter(|c| c.width_bins <= limit && stands_out(c)).collect()
    }

    /// The width at −6 dB in bins below a line of a fitted power, the floor taken off; amplitudes fall in straight lines
    /// between bins, as those of Hann's window about do.
    fn width(&self, peak: usize, fitted: f64) -> f64 {
        let View { power, .. } = self.view;
        let above = |k: usize| (power[k] - self.floor[k]).max(0.0).sqrt();
        let height = above(peak);
        let half = height.max(fitted.sqrt()) / 2.0;
        let crossing = |towards: &mut dyn Iterator<Item = usize>| {
            let mut last = (peak, height);
            for k in towards {
                let now = above(k);
                if now < half {
                    let share = (last.1 - half) / (last.1 - now);
                    return last.0 as f64 + share * (k as f64 - last.0 as f64);
                }
                last = (k, now);
            }
            last.0 as f64
        };
        crossing(&mut (peak + 1..power.len())) - crossing(&mut (0..peak).rev())
    }

    /// The stretches around the candidates, each bin in one of them.
    fn humps(&self) -> Vec<Hump> {
        let candidates = self.candidates();
        let View { power, shape, .. } = self.view;
        let half = half_width(shape.noise_bandwidth_bins);
        let noise = 2.0 / shape.averages.sqrt();
        let bound = |index: usize, k: usize| {
            let above = power[k] - self.floor[k];
            above < (noise * self.floor[k]).max(HUMP_END * (power[index] - self.floor[index]))
        };
        let narrow = SPREAD * window_width(shape);
        let between = |a: &Candidate, b: &Candidate| {
            (a.index..=b.index).min_by(|&i, &j| self.rise_db[i].total_cmp(&self.rise_db[j])).unwrap_or(a.index)
        };
        candidates
            .iter()
            .enumerate()
            .map(|(number, peak)| {
                let lowest = number.checked_sub(1).map_or(0, |before| between(&candidates[before], peak) + 1);
                let highest = candidates.get(number + 1).map_or(power.len() - 1, |next| between(peak, next));
                let at = peak.index;
                let from = (lowest..at).rev().take_while(|&k| at - k <= half || !bound(at, k)).last().unwrap_or(at);
                let to = (at + 1..=highest).take_while(|&k| k - at <= half || !bound(at, k)).last().unwrap_or(at);
                let above: f64 = (from..=to).map(|k| power[k] - self.floor[k]).sum();
                let is_narrow = peak.width_bins <= narrow;
                Hump { peak: *peak, from, to, power: (above / shape.noise_bandwidth_bins).max(0.0), is_narrow }
            })
            .collect()
    }

    /// How much of a hump's power came in narrow lines.
    fn share_in_lines(&self, hump: &Hump) -> f64 {
        let View { power, line_share, .. } = self.view;
        let sum = |of: &dyn Fn(usize) -> f64| (hump.from..=hump.to).map(of).sum::<f64>();
        sum(&|k| line_share[k] * power[k]) / sum(&|k| power[k]).max(f64::MIN_POSITIVE)
    }

    fn rise(&self, hump: &Hump) -> BroadRise {
        BroadRise {
            frequency_hz: self.view.first_hz + hump.peak.line.place * self.view.bin_hz,
            bandwidth_hz: hump.peak.width_bins * self.view.bin_hz,
            rms: hump.power.sqrt(),
        }
    }

    /// A hump as one emission: a line where it is as narrow as one, else its centre and all its power.
    fn spread(&self, hump: &Hump) -> Emission {
        if hump.is_narrow {
            return self.emission(&hump.peak);
        }
        let View { power, shape, stretches, .. } = self.view;
        let above = |powers: &[f64]| -> (f64, f64) {
            let part = |k: usize| (powers[k] - self.floor[k]).max(0.0);
            let sum: f64 = (hump.from..=hump.to).map(part).sum();
            (sum, (hump.from..=hump.to).map(|k| k as f64 * part(k)).sum::<f64>() / sum.max(f64::MIN_POSITIVE))
        };
        let (_, centre) = above(power);
        let series: Vec<Stretched> = stretches
            .iter()
            .map(|stretch| {
                let (sum, place) = above(&stretch.power);
                Stretched { time_s: stretch.centre_s, power: sum / shape.noise_bandwidth_bins, place, error: 0.0 }
            })
            .collect();
        let bins = (hump.to - hump.from + 1) as f64;
        let floor = self.floor[hump.peak.index];
        let noise = floor * (bins + 2.0 * hump.power / floor).sqrt() / shape.averages.sqrt();
        let (scatter, interval) = level_of(hump.power, noise, &series);
        // The centre is known as well as its stretches agree.
        let places: Vec<f64> = series.iter().map(|s| s.place).collect();
        let half = match scatter_of(&places) {
            Some((_, deviation)) => {
                let count = places.len() as f64;
                student_factor(0.95, count - 1.0) * deviation / count.sqrt()
            }
            None => hump.peak.width_bins / 2.0,
        };
        Emission {
            frequency_hz: self.view.first_hz + centre * self.view.bin_hz,
            frequency_half_hz: half * self.view.bin_hz,
            rms: hump.power.sqrt(),
            rms_interval: interval,
            prominence_db: hump.peak.prominence_db,
            bandwidth_hz: hump.peak.width_bins * self.view.bin_hz,
            resolution_hz: self.view.noise_bandwidth_hz,
            manner: Manner::Wandering,
            drift_hz: None,
            level_scatter: scatter,
            locked: None,
            sidebands: Vec::new(),
        }
    }

    fn emission(&self, candidate: &Candidate) -> Emission {
        let View { stretches, shape, bin_hz, segments, .. } = self.view;
        let floor = self.floor[candidate.index];
        let series: Vec<Stretched> = stretches
            .iter()
            .filter_map(|stretch| {
                let share = stretch.segments as f64 / *segments as f64;
                let line = fit(&stretch.power, candidate.index, floor, shape, share)?;
                Some(Stretched {
                    time_s: stretch.centre_s,
                    power: line.power,
                    place: line.place,
                    error: line.place_error,
                })
            })
            .collect();
        let (scatter, interval) = level_of(candidate.line.power, candidate.line.power_error, &series);
        let course = Course::of(&series);
        let manner = match course {
            Some(course) if course.wanders => Manner::Wandering,
            Some(course) if course.drifts => Manner::Drifting,
            _ => Manner::Steady,
        };
        let moving = course.filter(|_| manner != Manner::Steady).map_or(0.0, |course| course.spread);
        Emission {
            frequency_hz: self.view.first_hz + candidate.line.place * bin_hz,
            frequency_half_hz: (1.96 * candidate.line.place_error).hypot(moving) * bin_hz,
            rms: candidate.line.power.sqrt(),
            rms_interval: interval,
            prominence_db: candidate.prominence_db,
            bandwidth_hz: candidate.width_bins * bin_hz,
            resolution_hz: self.view.noise_bandwidth_hz,
            manner,
            drift_hz: course.map(|course| course.drift * bin_hz),
            level_scatter: scatter,
            locked: None,
            sidebands: Vec::new(),
        }
    }

    /// The swelling with the mains of what stands at a frequency.
    fn locked(&self, frequency_hz: f64) -> Option<Locked> {
        let View { shape, swell, first_hz, bin_hz, .. } = self.view;
        let place = ((frequency_hz - first_hz) / bin_hz).round();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked against the ends")]
        let index = if place >= 0.0 { place as usize } else { return None };
        let (swell, floor) = (swell.get(index)?, self.floor.get(index)?);
        let line = swell.mean - 5.0 * floor;
        if line <= 0.0 || shape.swell_response < 0.1 {
            return None;
        }
        let variance = swell.square - swell.mean * swell.mean;
        let share = if variance > 0.0 { (swell.coefficient.norm_sqr() / variance).min(1.0) } else { 0.0 };
        // Of a swelling cosine half the variance is in each of its two lines.
        let chance = (-share * shape.swell_averages).exp();
        Some(Locked { depth: (2.0 * swell.coefficient.norm() / line / shape.swell_response).min(2.0), chance })
    }
}

impl Emission {
    /// Whether the level comes and goes from stretch to stretch of the record.
    pub fn comes_and_goes(&self) -> bool {
        self.level_scatter.is_some_and(|scatter| scatter > KEYED)
    }
}

impl Locked {
    /// Whether the swelling is too regular for chance, and large enough to speak of.
    pub fn is_sure(&self) -> bool {
        self.chance < LOCK_CHANCE && self.depth > 0.05
    }
}

/// An emission in one stretch of the record.
#[derive(Debug, Clone, Copy)]
struct Stretched {
    time_s: f64,
    power: f64,
    place: f64,
    error: f64,
}

/// Mean and standard deviation; `None` of fewer than two.
fn scatter_of(values: &[f64]) -> Option<(f64, f64)> {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    (values.len() > 1).then(|| {
        let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        (mean, (squares / (count - 1.0)).sqrt())
    })
}

/// The scatter of the level and the 95 % interval of the RMS value: from the noise, or from the scatter of the
/// stretches where that says more.
fn level_of(power: f64, error: f64, series: &[Stretched]) -> (Option<f64>, [f64; 2]) {
    let powers: Vec<f64> = series.iter().map(|s| s.power).collect();
    let scatter = scatter_of(&powers);
    let from_noise = 1.96 * error;
    let from_scatter = scatter.filter(|_| powers.len() >= 4).map_or(0.0, |(mean, deviation)| {
        let count = powers.len() as f64;
        student_factor(0.95, count - 1.0) * deviation / count.sqrt() * power / mean.max(f64::MIN_POSITIVE)
    });
    let half = from_noise.max(from_scatter);
    let interval = [(power - half).max(0.0).sqrt(), (power + half).sqrt()];
    (scatter.map(|(mean, deviation)| deviation / mean.max(f64::MIN_POSITIVE)), interval)
}

/// How the place of a line changes from stretch to stretch, in bins.
#[derive(Debug, Clone, Copy)]
struct Course {
    drift: f64,
    drifts: bool,
    wanders: bool,
    /// How far the places lie apart, standard deviation.
    spread: f64,
}

impl Course {
    /// A straight line through the places, weighted by their uncertainties.
    fn of(series: &[Stretched]) -> Option<Self> {
        /// A line that a straight one does not explain by this factor wanders ...
        const UNEXPLAINED: f64 = 4.0;
        /// ... if it moves by so many bins; less is nobody's concern.
        const LEAST: f64 = 0.05;
        let mean_power = series.iter().map(|s| s.power).sum::<f64>() / series.len().max(1) as f64;
        // Where the emission is silent its place is noise.
        let series: Vec<&Stretched> = series.iter().filter(|s| s.power > 0.2 * mean_power).collect();
        if series.len() < 3 {
            return None;
        }
        let weight = |s: &Stretched| 1.0 / s.error.max(1e-3).powi(2);
        let sum = |of: &dyn Fn(&Stretched) -> f64| series.iter().map(|s| weight(s) * of(s)).sum::<f64>();
        let total = sum(&|_| 1.0);
        let (time, place) = (sum(&|s| s.time_s) / total, sum(&|s| s.place) / total);
        let spread_s = sum(&|s| (s.time_s - time).powi(2));
        let slope = sum(&|s| (s.time_s - time) * (s.place - place)) / spread_s;
        let misfit = sum(&|s| (s.place - place - slope * (s.time_s - time)).powi(2)) / (series.len() as f64 - 2.0);
        let span = series.last()?.time_s - series.first()?.time_s;
        let span = span * series.len() as f64 / (series.len() as f64 - 1.0);
        let drift = slope * span;
        let drift_error = span * (misfit.max(1.0) / spread_s).sqrt();
        let places: Vec<f64> = series.iter().map(|s| s.place).collect();
        let spread = scatter_of(&places)?.1;
        let drifts = drift.abs() > 3.5 * drift_error && drift.abs() > LEAST;
        let wanders = misfit > UNEXPLAINED && spread > LEAST && (!drifts || misfit > UNEXPLAINED * UNEXPLAINED);
        Some(Self { drift, drifts, wanders, spread })
    }
}

/// The width of the window's own shape at −6 dB, in bins.
fn window_width(shape: &Shape) -> f64 {
    let centre = shape.window.kernel(0.0);
    let half = (1..2000).map(|n| f64::from(n) * 5e-3).find(|x| shape.window.kernel(*x) < 0.5 * centre);
    2.0 * half.unwrap_or(1.0)
}

/// How much of a strong line's power its side lobes put at the place of another peak, at most.
fn side_lobe(shape: &Shape, strong: &Candidate, other: &Candidate) -> f64 {
    let distance = (strong.line.place - other.line.place).abs();
    let scale = shape.window.kernel(0.0);
    // The highest within half a bin: a side lobe's top is somewhere near.
    let near = [-0.5, -0.25, 0.0, 0.25, 0.5].map(|step| shape.window.kernel(distance + step) / scale);
    near.iter().fold(0.0, |most: f64, response| most.max(response * response))
}

/// The degrees of freedom that the scatter of the bins over their floor shows; infinite where it is as expected or
/// less.
///
/// Noise that swells or bursts scatters more than steady noise. The upper quartile of the powers over their running
/// median tells: lines take few bins only. Its logarithm is 0.6745 √(2/ν) for chi-square with many degrees of freedom.
fn observed_degrees(power: &[f64], medians: &[f64]) -> f64 {
    let mut logs: Vec<f64> =
        power.iter().zip(medians).filter(|(p, m)| **p > 0.0 && **m > 0.0).map(|(p, m)| (p / m).ln()).collect();
    if logs.len() < 100 {
        return f64::INFINITY;
    }
    // Below the median there are no lines: the lower quartile is the safer one.
    let at = logs.len() / 4;
    let (_, lower, _) = logs.select_nth_unstable_by(at, f64::total_cmp);
    let deviation = -*lower / 0.6745;
    // The allowance: an estimate from a quarter of some hundred correlated bins scatters by some percent, and the
    // median itself follows the bins.
    let degrees = 2.0 / (deviation * 0.9).powi(2);
    degrees.max(1.0)
}

/// Leaves out the weak lines beside an emission whose level comes and goes: switching spreads a part of it to both
/// sides, and what is sent decides which lines that makes.
fn without_keying(emissions: Vec<Emission>, resolution_hz: f64) -> Vec<Emission> {
    /// They lie within so many resolution bandwidths, and this much lower.
    const REACH: f64 = 2.0;
    const LOWER_DB: f64 = 8.0;
    let is_part = |line: &Emission| {
        emissions.iter().any(|strong| {
            strong.comes_and_goes()
                && (strong.frequency_hz - line.frequency_hz).abs() <= REACH * resolution_hz
                && 20.0 * (strong.rms / line.rms).log10() >= LOWER_DB
        })
    };
    emissions.iter().filter(|line| !is_part(line)).cloned().collect()
}

/// Takes pairs of lines at equal distances from a stronger one as its sidebands.
fn fold_sidebands(mut emissions: Vec<Emission>, mains_hz: f64) -> Vec<Emission> {
    /// Sidebands lie within so many hertz of their line.
    const REACH_HZ: f64 = 2e3;
    let mut order: Vec<usize> = (0..emissions.len()).collect();
    order.sort_by(|&a, &b| emissions[b].rms.total_cmp(&emissions[a].rms));
    let mut folded = vec![false; emissions.len()];
    for &carrier in &order {
        if folded[carrier] {
            continue;
        }
        let (at, rms, half) =
            (emissions[carrier].frequency_hz, emissions[carrier].rms, emissions[carrier].frequency_half_hz);
        let free = |i: usize| i != carrier && !folded[i] && emissions[i].rms < rms;
        let mut pairs = Vec::new();
        for above in (carrier + 1..emissions.len()).take_while(|&i| emissions[i].frequency_hz - at <= REACH_HZ) {
            let (offset, error) = (emissions[above].frequency_hz - at, emissions[above].frequency_half_hz);
            let matches = |&below: &usize| {
                let tolerance = 3.0 * half + 1.5 * (error + emissions[below].frequency_half_hz);
                let tolerance =
                    tolerance.min(0.25 * emissions[above].resolution_hz).max(0.02 * emissions[above].resolution_hz);
                let ratio = 20.0 * (emissions[above].rms / emissions[below].rms).log10();
                free(below)
                    && ((at - emissions[below].frequency_hz) - offset).abs() <= tolerance
                    && ratio.abs() <= PAIR_DB
            };
            if let Some(below) = (0..carrier).rev().find(matches).filter(|_| free(above)) {
                pairs.push((below, above, offset, error));
            }
        }
        for (below, above, offset_hz, error) in pairs {
            folded[below] = true;
            folded[above] = true;
            let multiple = (offset_hz / mains_hz).round();
            let is_multiple =
                multiple >= 1.0 && (offset_hz - multiple * mains_hz).abs() <= (3.0 * error).clamp(0.3, 5.0);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "two kilohertz over the mains")]
            let mains_multiple = is_multiple.then_some(multiple as u32);
            let strongest = emissions[below].rms.max(emissions[above].rms);
            let relative_db = 20.0 * (strongest / rms).log10();
            emissions[carrier].sidebands.push(Sideband { offset_hz, relative_db, mains_multiple });
        }
    }
    emissions.into_iter().zip(folded).filter(|(_, folded)| !folded).map(|(emission, _)| emission).collect()
}
