//! From single observations to a gain over frequency with its uncertainty.

use std::f64::consts::LN_10;

use super::seen::{NoiseBand, Seen};
use super::{AgainstNoise, Basis, ChannelCalibration, Delay, Gain, Linearity, Phase, Step};
use crate::capture::Role;
use crate::capture::chain::Uncertainty;
use crate::error::Finding;
use crate::read::calibration::Calibration;
use crate::uncertainty::budget::{Budget, Contribution, Distribution};
use crate::uncertainty::cubic::{Between, between};
use crate::uncertainty::{COVERAGE, regression, student_factor};
use crate::units::engineering;

/// Frequencies that differ by less, relatively, are one step; so are levels.
const SAME: f64 = 1e-3;
/// Readings leave proportion where they are off by so much.
const LINEAR_DB: f64 = 0.1;
/// What is off by so many standard uncertainties is surely off.
const SURE: f64 = 2.0;
/// No gain of a level is taken to be known better.
const LEAST_DB: f64 = 0.005;
/// So many rows are put between two steps.
const BETWEEN: u8 = 3;
/// No repeats scatter so much.
const APART_DB: f64 = 1.0;
/// An interpolation that may be off by more asks for further steps.
const COARSE_DB: f64 = 0.5;
/// A delay explains phases that it meets within this.
const DELAY_LEFT_DEG: f64 = 1.0;

/// What one frequency comes to.
struct Node {
    frequency_hz: f64,
    gain_db: f64,
    scatter_db: f64,
    degrees: f64,
    /// How the generator's level is stated; the largest of the observations.
    generator: Option<Uncertainty>,
    observations: usize,
    /// The ends of a band of noise.
    band: Option<(f64, f64)>,
    /// What the end of a band may hide, as a half-width.
    hidden_db: f64,
}

fn standard(stated: Option<Uncertainty>) -> f64 {
    stated.map_or(0.0, |stated| stated.db / stated.distribution.divisor())
}

fn hertz(value: f64) -> String {
    engineering(value, "Hz")
}

fn mean(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let count = values.clone().count() as f64;
    values.sum::<f64>() / count
}

/// The chain of a role; `None` where nothing was fed into it and no floor was recorded.
pub(super) fn channel(
    role: Role,
    calibration: &Calibration,
    seen: &mut Seen,
    delay: Option<&Delay>,
    findings: &mut Vec<Finding>,
) -> Option<ChannelCalibration> {
    let floor = seen.floors.iter().find(|(of, _)| *of == role).map(|(_, rows)| rows.clone()).unwrap_or_default();
    let mut linearity = Vec::new();
    for place in places(&seen.steps, role) {
        linearity
            .extend(linear(&mut seen.steps, role, place).inspect(|found| findings.extend(compression(role, found))));
    }
    let stated = |signal: usize| calibration.uncertainty_of(&calibration.signals[signal]);
    findings.extend(apart(&seen.steps, role));
    let (sines, repeatability_db) = of_steps(&seen.steps, role, &stated);
    let noise: Vec<&NoiseBand> = seen.noise.iter().filter(|band| band.role == role).collect();
    let bands = of_bands(&noise, &floor, &stated);
    let (nodes, basis) = match (sines.is_empty(), bands.is_empty()) {
        (false, _) => (sines, Some(Basis::Sines)),
        (true, false) => (to_the_ends(bands), Some(Basis::Noise)),
        (true, true) => (Vec::new(), None),
    };
    if nodes.is_empty() && floor.is_empty() {
        return None;
    }
    let mut gains = table(&nodes);
    put_phases(&mut gains, role, &seen.phases, delay, findings);
    findings.extend(of_spacing(role, &nodes, &gains));
    let against_noise =
        (basis == Some(Basis::Sines)).then(|| held_against(&gains, &of_bands(&noise, &floor, &stated))).flatten();
    if let Some(worst) = against_noise.filter(|worst| worst.difference_db.abs() > worst.expanded_db) {
        findings.push(Finding::limit(
            "between_steps",
            format!(
                "at {} noise shows a gain of the {} that is {:+.2} dB (± {:.2} dB) off what the steps lead to; take steps there",
                hertz(worst.frequency_hz),
                role.name(),
                worst.difference_db,
                worst.expanded_db
            )
            .replace("-", "−"),
        ));
    }
    if basis.is_none() {
        findings.push(Finding::note(
            "no_gain",
            format!("the {} has a floor but no gain: it is reported, and the chain has no part for it", role.name()),
        ));
    }
    let input = calibration.input(role);
    Some(ChannelCalibration {
        role,
        about: input.about.clone(),
        port: input.port,
        basis,
        gains,
        linearity,
        repeatability_db,
        against_noise,
        floor,
    })
}

/// The frequencies of a role's steps, each once.
fn places(steps: &[Step], role: Role) -> Vec<f64> {
    let mut places: Vec<f64> = steps.iter().filter(|step| step.role == role).map(|step| step.frequency_hz).collect();
    places.sort_by(f64::total_cmp);
    places.dedup_by(|a, b| *a - *b <= SAME * *b);
    places
}

fn is_at(step: &Step, role: Role, place: f64) -> bool {
    step.role == role && (step.frequency_hz - place).abs() <= SAME * place
}

/// What one level shows: in volts at the input, gain and its standard uncertainty in decibels.
struct Level {
    volts: f64,
    gain_db: f64,
    uncertainty_db: f64,
}

/// The levels at a frequency from the smallest on, repeats averaged.
fn levels(steps: &[Step], role: Role, place: f64) -> Vec<Level> {
    let mut own: Vec<&Step> = steps.iter().filter(|step| is_at(step, role, place)).collect();
    own.sort_by(|a, b| a.level_v.total_cmp(&b.level_v));
    let level = |group: &[&Step]| Level {
        volts: mean(group.iter().map(|step| step.level_v)),
        gain_db: mean(group.iter().map(|step| step.gain_db)),
        uncertainty_db: group.iter().map(|step| step.scatter_db.powi(2)).sum::<f64>().sqrt() / group.len() as f64,
    };
    own.chunk_by(|a, b| b.level_v <= a.level_v * (1.0 + SAME)).map(level).collect()
}

/// The gain of some levels, each weighted by what is known of it, and its standard uncertainty.
fn common_gain(levels: &[Level]) -> (f64, f64) {
    let weight = |level: &Level| 1.0 / (level.uncertainty_db.powi(2) + LEAST_DB.powi(2));
    let all: f64 = levels.iter().map(weight).sum();
    (levels.iter().map(|level| weight(level) * level.gain_db).sum::<f64>() / all, all.recip().sqrt())
}

/// Up to where the gain keeps to that of the longest run of levels from the smallest on that agree: none of them is
/// surely off by half of the tolerance.
fn linearity(levels: &[Level], place: f64) -> Option<Linearity> {
    if levels.len() < 3 {
        return None;
    }
    let agree = |run: &[Level]| {
        let (gain, _) = common_gain(run);
        run.iter().all(|level| (level.gain_db - gain).abs() - SURE * level.uncertainty_db <= LINEAR_DB / 2.0)
    };
    let run = (2..=levels.len()).rev().find(|&count| agree(&levels[..count])).unwrap_or(2);
    let (gain, own) = common_gain(&levels[..run]);
    let off = |level: &Level| (level.gain_db - gain).abs();
    let slack = |level: &Level| SURE * level.uncertainty_db.hypot(own);
    // Noise alone may carry a level over the tolerance; only what is surely beyond ends the range.
    let beyond = levels.iter().position(|level| off(level) - slack(level) > LINEAR_DB);
    let end = beyond.map(|beyond| {
        let over =
            (0..beyond).find(|&k| levels[k..beyond].iter().all(|level| off(level) > LINEAR_DB)).unwrap_or(beyond);
        let at = over.checked_sub(1).map_or(levels[0].volts, |below| {
            let (a, b) = (&levels[below], &levels[over]);
            a.volts * (b.volts / a.volts).powf((LINEAR_DB - off(a)) / (off(b) - off(a)))
        });
        let within = levels[..over].iter().rev().find(|level| off(level) + slack(level) <= LINEAR_DB);
        (over, at, [within.map(|level| level.volts), Some(levels[beyond].volts)])
    });
    let last = &levels[levels.len() - 1];
    Some(Linearity {
        frequency_hz: place,
        levels: levels.iter().map(|level| (level.volts, level.gain_db)).collect(),
        linear_up_to_v: end.map(|(_, at, _)| at),
        linear_up_to_interval_v: end.map(|(_, _, interval)| interval),
        linear_through_v: end.map_or(last.volts, |(over, _, _)| levels[over.saturating_sub(1)].volts),
        at_highest_db: last.gain_db - gain,
    })
}

/// The linearity at a frequency; what lies beyond the linear range is no longer used.
fn linear(steps: &mut [Step], role: Role, place: f64) -> Option<Linearity> {
    let found = linearity(&levels(steps, role, place), place)?;
    if found.linear_up_to_v.is_some() {
        for step in steps.iter_mut().filter(|step| is_at(step, role, place)) {
            step.is_used = step.level_v <= found.linear_through_v * (1.0 + SAME);
        }
    }
    Some(found)
}

/// Repeats that are no repeats: gains at one frequency that are further apart than any scatter.
fn apart(steps: &[Step], role: Role) -> Option<Finding> {
    let used =
        |place: &f64| -> Vec<&Step> { steps.iter().filter(|step| step.is_used && is_at(step, role, *place)).collect() };
    let ends = |group: Vec<&Step>| {
        let of = |a: &&Step, b: &&Step| a.gain_db.total_cmp(&b.gain_db);
        Some((group.iter().copied().min_by(of)?.clone(), group.iter().copied().max_by(of)?.clone()))
    };
    let gap = |(low, high): &(Step, Step)| high.gain_db - low.gain_db;
    let worst =
        places(steps, role).iter().filter_map(|place| ends(used(place))).max_by(|a, b| gap(a).total_cmp(&gap(b)))?;
    let (low, high) = &worst;
    (gap(&worst) > APART_DB).then(|| {
        let message = format!(
            "at {} the gain of the {} is {:+.2} dB by \"{}\" and {:+.2} dB by \"{}\": more than repeats scatter; look at the \
             levels stated for them, and at what else loaded the generator",
            hertz(low.frequency_hz),
            role.name(),
            low.gain_db,
            crate::error::printable(&low.capture),
            high.gain_db,
            crate::error::printable(&high.capture),
        );
        Finding::limit("repeats_apart", message.replace(" -", " −"))
    })
}

fn compression(role: Role, found: &Linearity) -> Option<Finding> {
    let end = found.linear_up_to_v?;
    let word = if found.at_highest_db < 0.0 { "compresses" } else { "expands" };
    let message = format!(
        "at {} the {} {word}: from {} on its reading is more than 0.1 dB off proportion, at the highest level by {:.2} dB (or \
         the generator's levels are); the gain rests on levels up to {}",
        hertz(found.frequency_hz),
        role.name(),
        engineering(end, "V"),
        found.at_highest_db,
        engineering(found.linear_through_v, "V")
    );
    Some(Finding::limit("compression", message.replace('-', "−")))
}

/// The mean gain at each frequency; the pooled standard deviation of repeats with its degrees of freedom.
fn of_steps(
    steps: &[Step],
    role: Role,
    stated: &impl Fn(usize) -> Option<Uncertainty>,
) -> (Vec<Node>, Option<(f64, f64)>) {
    let groups: Vec<Vec<&Step>> = places(steps, role)
        .into_iter()
        .map(|place| steps.iter().filter(|step| step.is_used && is_at(step, role, place)).collect())
        .filter(|group: &Vec<&Step>| !group.is_empty())
        .collect();
    let gain = |group: &[&Step]| mean(group.iter().map(|step| step.gain_db));
    let degrees: f64 = groups.iter().map(|group| group.len() as f64 - 1.0).sum();
    let squares: f64 =
        groups.iter().map(|group| group.iter().map(|step| (step.gain_db - gain(group)).powi(2)).sum::<f64>()).sum();
    let repeats = (degrees > 0.0).then(|| ((squares / degrees).sqrt(), degrees));
    let node = |group: &Vec<&Step>| {
        let count = group.len() as f64;
        let squares: f64 = group.iter().map(|step| step.scatter_db.powi(2)).sum();
        let fourths: f64 = group.iter().map(|step| step.scatter_db.powi(4) / step.degrees).sum();
        let within =
            (squares.sqrt() / count, if fourths > 0.0 { squares * squares / fourths } else { group[0].degrees });
        // Repeats hold what happens from capture to capture as well; the same scatter is taken for every step.
        let (scatter_db, degrees) = repeats
            .map(|(deviation, degrees)| (deviation / count.sqrt(), degrees))
            .filter(|(scatter, _)| *scatter > within.0)
            .unwrap_or(within);
        let generator = group.iter().filter_map(|step| stated(step.signal));
        Node {
            frequency_hz: mean(group.iter().map(|step| step.frequency_hz)),
            gain_db: gain(group),
            scatter_db,
            degrees,
            generator: generator.max_by(|a, b| standard(Some(*a)).total_cmp(&standard(Some(*b)))),
            observations: group.len(),
            band: None,
            hidden_db: 0.0,
        }
    };
    (groups.iter().map(node).collect(), repeats)
}

/// The gains by noise, the floor's power taken off; several captures of a band are averaged.
fn of_bands(bands: &[&NoiseBand], floor: &[super::Floor], stated: &impl Fn(usize) -> Option<Uncertainty>) -> Vec<Node> {
    let floor_at = |frequency: f64| {
        let near = floor.iter().min_by(|a, b| {
            let far = |row: &super::Floor| (row.frequency_hz / frequency).ln().abs();
            far(a).total_cmp(&far(b))
        });
        near.map_or(0.0, |row| row.density_v_per_sqrt_hz.powi(2))
    };
    let mut nodes: Vec<Node> = Vec::new();
    let mut sorted: Vec<&NoiseBand> = bands.to_vec();
    sorted.sort_by(|a, b| a.band.low().total_cmp(&b.band.low()));
    let same = |a: &NoiseBand, b: &NoiseBand| (a.band.low() / b.band.low() - 1.0).abs() < SAME;
    for group in sorted.chunk_by(|a, b| same(a, b)) {
        let frequency_hz = (group[0].band.low() * group[0].band.high()).sqrt();
        let floor = floor_at(frequency_hz);
        let ratio = mean(group.iter().map(|band| (band.density - floor) / band.fed));
        let measured = mean(group.iter().map(|band| band.density / band.fed));
        if ratio <= 0.0 || ratio < 0.1 * measured {
            continue;
        }
        let count = group.len() as f64;
        nodes.push(Node {
            frequency_hz,
            gain_db: 10.0 * ratio.log10(),
            scatter_db: 10.0 / LN_10 * group[0].relative * measured / ratio / count.sqrt(),
            degrees: count * group[0].degrees,
            generator: group
                .iter()
                .filter_map(|band| stated(band.signal))
                .max_by(|a, b| standard(Some(*a)).total_cmp(&standard(Some(*b)))),
            observations: group.len(),
            band: Some((group[0].band.low(), group[0].band.high())),
            hidden_db: 0.0,
        });
    }
    nodes
}

/// Bands of noise as far as they reach: the outer halves of the first and the last one have the gain of the whole band,
/// uncertain by half of what lies between the two bands at that end.
fn to_the_ends(mut nodes: Vec<Node>) -> Vec<Node> {
    let end = |node: &Node, next: &Node, frequency_hz: f64| Node {
        frequency_hz,
        observations: 0,
        hidden_db: 0.5 * (node.gain_db - next.gain_db).abs(),
        ..*node
    };
    if let [first, second, .., before, last] = nodes.as_slice()
        && let (Some((low, _)), Some((_, high))) = (first.band, last.band)
    {
        let ends = (end(first, second, low), end(last, before, high));
        nodes.insert(0, ends.0);
        nodes.push(ends.1);
    }
    nodes
}

/// The gains at the steps and between them.
fn table(nodes: &[Node]) -> Vec<Gain> {
    let x: Vec<f64> = nodes.iter().map(|node| node.frequency_hz.ln()).collect();
    let y: Vec<f64> = nodes.iter().map(|node| node.gain_db).collect();
    let bends: Vec<f64> = (1..nodes.len()).map(|right| bend(&x, &y, right)).collect();
    let mut gains = Vec::new();
    for (number, node) in nodes.iter().enumerate() {
        let beside = [number.checked_sub(1), Some(number)].into_iter().flatten().filter_map(|k| bends.get(k));
        // A third of what bends between neighbours is what the mean over a band hides.
        let own = match node.band {
            Some(_) => beside.fold(0.0_f64, |most, bend| most.max(*bend)) / 3.0 + node.hidden_db,
            None => 0.0,
        };
        gains.push(Gain {
            frequency_hz: node.frequency_hz,
            gain_db: node.gain_db,
            phase_deg: None,
            observations: node.observations,
            budget: budget(node.scatter_db, node.degrees, standard(node.generator), node.generator, own),
        });
        let Some(right) = nodes.get(number + 1) else { continue };
        for k in 1..=BETWEEN {
            let share = f64::from(k) / f64::from(BETWEEN + 1);
            let place = x[number] + share * (x[number + 1] - x[number]);
            let Some(Between { value, weights, .. }) = between(&x, &y, place) else { continue };
            let scatter =
                weights.iter().zip(nodes).map(|(weight, node)| (weight * node.scatter_db).powi(2)).sum::<f64>();
            let used = weights.iter().zip(nodes).filter(|(weight, _)| weight.abs() > 0.0);
            let degrees = used.map(|(_, node)| node.degrees).fold(f64::INFINITY, f64::min);
            let (a, b) = (standard(node.generator), standard(right.generator));
            let hidden = node.hidden_db.max(right.hidden_db);
            let own = if node.band.is_some() { bends[number] / 3.0 + hidden } else { 0.0 };
            let half = bends[number] * 4.0 * share * (1.0 - share) + own;
            let larger = if a >= b { node.generator } else { right.generator };
            gains.push(Gain {
                frequency_hz: place.exp(),
                gain_db: value,
                phase_deg: None,
                observations: 0,
                budget: budget(scatter.sqrt(), degrees, a + share * (b - a), larger, half),
            });
        }
    }
    gains
}

/// How far the cubic leaves the straight line between a point and the one before it; of two points, half of what lies
/// between them.
fn bend(x: &[f64], y: &[f64], right: usize) -> f64 {
    if x.len() == 2 {
        return 0.5 * (y[1] - y[0]).abs();
    }
    let at = |k: u8| x[right - 1] + f64::from(k) / 8.0 * (x[right] - x[right - 1]);
    let bends = (1..8u8).filter_map(|k| Some(between(x, y, at(k))?.bend.abs()));
    bends.fold(0.0, f64::max)
}

fn budget(scatter: f64, degrees: f64, generator: f64, stated: Option<Uncertainty>, interpolation: f64) -> Budget {
    let distribution = stated.map_or(Distribution::Rectangular, |stated| stated.distribution);
    let rows = vec![
        Contribution::observed("scatter", scatter, degrees),
        Contribution::stated("generator", distribution, generator),
        Contribution::stated(
            "between steps",
            Distribution::Rectangular,
            interpolation / Distribution::Rectangular.divisor(),
        ),
    ];
    Budget::new("dB", rows)
}

/// What to say of the distance of steps.
fn of_spacing(role: Role, nodes: &[Node], gains: &[Gain]) -> Option<Finding> {
    let named = role.name();
    match nodes.len() {
        0 => None,
        1 => Some(Finding::limit(
            "too_few_points",
            format!(
                "the {named} was fed at one frequency only: that is no gain over frequency, and no chain is made of it"
            ),
        )),
        2 => Some(Finding::limit(
            "too_few_points",
            format!(
                "the {named} was fed at two frequencies: what lies between them is taken for a straight line, uncertain by half \
                 of their difference; take four or more"
            ),
        )),
        _ => {
            let part = |gain: &Gain| gain.budget.rows.last().map_or(0.0, Contribution::part);
            let worst = gains.iter().max_by(|a, b| part(a).total_cmp(&part(b)))?;
            let half = part(worst) * Distribution::Rectangular.divisor();
            let said = format!(
                "between steps the gain of the {named} is a cubic through neighbouring steps (decibels over the logarithm of \
                 frequency); its distance to the straight line counts as the half-width of a rectangular distribution, at most \
                 {} dB, near {}; a resonance narrower than the steps stays unseen",
                if half < 0.005 { "0.01".to_owned() } else { format!("{half:.2}") },
                hertz(worst.frequency_hz)
            );
            Some(if half > COARSE_DB {
                Finding::limit("coarse_steps", format!("{said}; take more steps there"))
            } else {
                Finding::note("interpolated", said)
            })
        }
    }
}

/// Where noise and the gain by sines differ most, in units of what is expected.
fn held_against(gains: &[Gain], bands: &[Node]) -> Option<AgainstNoise> {
    let within: Vec<(&Node, &Gain, &Gain)> = bands
        .iter()
        .filter_map(|node| {
            let right = gains.partition_point(|gain| gain.frequency_hz < node.frequency_hz);
            Some((node, gains.get(right.checked_sub(1)?)?, gains.get(right)?))
        })
        .collect();
    // Bonferroni over the bands.
    let factor = student_factor(1.0 - (1.0 - COVERAGE) / within.len().max(1) as f64, 1e6);
    let one = |(node, a, b): &(&Node, &Gain, &Gain)| {
        let share = (node.frequency_hz / a.frequency_hz).ln() / (b.frequency_hz / a.frequency_hz).ln();
        let gain = a.gain_db + share * (b.gain_db - a.gain_db);
        let own = a.budget.combined.max(b.budget.combined);
        let combined = (own * own + node.scatter_db * node.scatter_db + standard(node.generator).powi(2)).sqrt();
        AgainstNoise {
            frequency_hz: node.frequency_hz,
            difference_db: node.gain_db - gain,
            expanded_db: factor * combined,
        }
    };
    let ratio = |found: &AgainstNoise| found.difference_db.abs() / found.expanded_db;
    within.iter().map(one).max_by(|a, b| ratio(a).total_cmp(&ratio(b)))
}

/// Phases by rising frequency, repeats averaged, each within half a turn of where a delay would put it.
pub(super) fn unwrapped(phases: &[Phase]) -> Vec<(f64, f64, f64)> {
    let mut sorted: Vec<&Phase> = phases.iter().collect();
    sorted.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let mut found: Vec<(f64, f64, f64)> = Vec::new();
    for phase in sorted {
        let products: f64 = found.iter().map(|(f, value, _)| f * value).sum();
        let squares: f64 = found.iter().map(|(f, _, _)| f * f).sum();
        let expected = if squares > 0.0 { phase.frequency_hz * products / squares } else { 0.0 };
        let turns = ((expected - phase.phase_deg) / 360.0).round();
        found.push((phase.frequency_hz, phase.phase_deg + 360.0 * turns, phase.uncertainty_deg));
    }
    found
}

/// The delay that explains the phases best.
pub(super) fn delay(phases: &[Phase]) -> Option<Delay> {
    let points = unwrapped(phases);
    let first = points.first()?;
    if points.len() == 1 {
        return Some(Delay { delay_s: first.1 / 360.0 / first.0, ci95_s: None, left_deg: 0.0, explains: false });
    }
    let (x, y): (Vec<f64>, Vec<f64>) = points.iter().map(|(f, phase, _)| (*f, *phase)).unzip();
    let fit = regression::linear(&[x], &y, None).ok()?;
    let slope = fit.coefficient(0).times(1.0 / 360.0);
    let uncertain = points.iter().map(|point| point.2).fold(0.0, f64::max);
    let left_deg = fit.residuals.iter().map(|left| left.abs()).fold(0.0, f64::max);
    Some(Delay {
        delay_s: slope.value,
        ci95_s: slope.ci95,
        left_deg,
        explains: left_deg <= DELAY_LEFT_DEG.max(4.0 * uncertain),
    })
}

/// Puts the phases against the air into the wire's table, where they are known over all of it.
fn put_phases(gains: &mut [Gain], role: Role, phases: &[Phase], delay: Option<&Delay>, findings: &mut Vec<Finding>) {
    let (Role::Wire, Some(delay)) = (role, delay) else { return };
    let points = unwrapped(phases);
    let known: Vec<(f64, f64)> = points
        .chunk_by(|a, b| b.0 - a.0 <= SAME * a.0)
        .map(|group| (mean(group.iter().map(|point| point.0)), mean(group.iter().map(|point| point.1))))
        .collect();
    let (x, y): (Vec<f64>, Vec<f64>) = known.iter().map(|(f, phase)| (f.ln(), *phase)).unzip();
    let is_known = |gain: &Gain| known.iter().any(|(f, _)| (f - gain.frequency_hz).abs() <= SAME * gain.frequency_hz);
    let everywhere = gains.iter().filter(|gain| gain.observations > 0).all(is_known);
    if delay.explains {
        for gain in gains {
            gain.phase_deg = Some(360.0 * gain.frequency_hz * delay.delay_s);
        }
    } else if everywhere && !gains.is_empty() {
        for gain in gains {
            let place = gain.frequency_hz.ln().clamp(x[0], x[x.len() - 1]);
            gain.phase_deg = between(&x, &y, place).map(|found| found.value);
        }
    } else {
        findings.push(Finding::limit(
            "phase_incomplete",
            format!(
                "{}, and they are not known at all steps, so the chain carries none; feed every step into both inputs, or with \
                 other_input = \"generator\"",
                if known.len() < 2 {
                    "one phase of the wire against the air tells no delay from a network".to_owned()
                } else {
                    format!("the phases of the wire against the air are no plain delay ({:.1}° are left)", delay.left_deg)
                }
            ),
        ));
    }
}
