//! What would a shunt filter do here, and what would it cost at mains frequency?
//!
//! The circuit is worked out over the range ([`crate::circuit::supply`]), with the band in which it lies when its parts
//! are anywhere within their tolerances. Where captures are given the loss is applied to their spectrum; where captures
//! with the filter in place are given too, the change predicted stands beside the change measured.

use serde::Serialize;

use super::compare::{Order, Warning, what_changed};
use super::observe::Input;
use super::settings::Settings;
use super::spectrum::spectrum;
use crate::capture::{Quantity, Role};
use crate::circuit::supply::{Capacitor, Place, Supply, Tolerances};
use crate::circuit::{Impedance, Unsolved};
use crate::compare::before_after::BandChange;
use crate::error::{Error, Finding};
use crate::measure::bands::Scheme;
use crate::read::Source;
use crate::units::Band;

/// The grid over the range has so many points, evenly spaced in the logarithm.
const POINTS: u32 = 400;
/// The frequencies in hertz that a table shows.
const SHOWN_HZ: [f64; 9] = [2e3, 5e3, 9e3, 10e3, 20e3, 30e3, 50e3, 100e3, 150e3];
/// A resonance stands out from what is around it by so many decibels.
const STANDS_OUT_DB: f64 = 0.5;
/// A loss smaller than this is none.
const NOTHING_DB: f64 = 0.05;
/// What may be left at the pins of a plug a second after it was drawn.
///
/// Source: IEC 60335-1, 22.5 (from memory).
const LEFT_V: f64 = 34.0;
/// The band holds so much of what is drawn.
const HELD: f64 = 0.95;

/// What is asked.
#[derive(Debug, Clone)]
pub struct Request {
    /// The circuit.
    pub supply: Supply,
    /// How far its parts may be from what is stated.
    pub tolerances: Tolerances,
    /// How many circuits are drawn.
    pub draws: u64,
    /// The seed of the draws.
    pub seed: u64,
    /// The mains voltage, RMS.
    pub mains_v: f64,
    /// The mains frequency.
    pub mains_hz: f64,
}

/// The insertion loss at a frequency; below zero it is an amplification.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Loss {
    /// The frequency.
    pub frequency_hz: f64,
    /// With the parts as stated.
    pub loss_db: f64,
    /// From 2.5 % to 97.5 % of the circuits drawn within the tolerances.
    pub interval_db: [f64; 2],
}

/// A stretch of the range in which the filter acts one way.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stretch {
    /// Where it begins.
    pub low_hz: f64,
    /// Where it ends.
    pub high_hz: f64,
    /// Whether the filter raises the voltage there.
    pub amplifies: bool,
    /// The loss where the filter acts most; below zero where it amplifies.
    pub most_db: f64,
    /// Where that is.
    pub most_hz: f64,
}

/// What resonates.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// The filter with the inductance of supply and line: the loss is least.
    WithSupply,
    /// Filters with one another over the line between them: the loss is least.
    BetweenFilters,
    /// A filter with its own leads: the loss is largest.
    WithOwnLeads,
    /// Filter, line and load among themselves: the loss is largest.
    LargestLoss,
    /// The same: the loss has a dip, and the filter still attenuates.
    LeastLoss,
}

/// A resonance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Resonance {
    /// Where it is.
    pub frequency_hz: f64,
    /// The loss there.
    pub loss_db: f64,
    /// What resonates.
    pub kind: Kind,
}

/// What a capacitor costs at mains frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AtMains {
    /// The capacitor.
    #[serde(flatten)]
    pub capacitor: Capacitor,
    /// 1/(2π√(LC)) with the inductance of source, line up to it and its leads; none where the source is a table or has
    /// no inductance.
    pub resonance_hz: Option<f64>,
    /// The mains current through it, RMS.
    pub current_a: f64,
    /// Its reactive power.
    pub reactive_power_var: f64,
    /// What heats it and its discharge resistor, by the mains alone.
    pub dissipation_w: f64,
    /// How long it takes from the crest of the mains to 34 V when it is unplugged; none where nothing discharges it.
    pub discharge_s: Option<f64>,
}

/// What all that is plugged in costs at mains frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WholeAtMains {
    /// The mains current, RMS.
    pub current_a: f64,
    /// The reactive power, above zero where it leads, as a capacitor's does.
    pub reactive_power_var: f64,
}

/// The losses at a frequency for a filter at either end of the line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Placement {
    /// The frequency.
    pub frequency_hz: f64,
    /// The filter at the load: the loss seen at the load, and at the outlet.
    pub at_load_db: [f64; 2],
    /// The filter at the outlet: the same.
    pub at_outlet_db: [f64; 2],
}

/// How a prediction stands to what was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Agreement {
    /// The intervals meet.
    #[serde(rename = "agrees")]
    Agrees,
    /// They do not.
    #[serde(rename = "differs")]
    Differs,
    /// Nothing was measured, or it says too little.
    #[serde(rename = "cannot be judged")]
    NotJudged,
}

impl Agreement {
    /// The words of tables and JSON.
    pub fn words(self) -> &'static str {
        match self {
            Agreement::Agrees => "agrees",
            Agreement::Differs => "differs",
            Agreement::NotJudged => "cannot be judged",
        }
    }
}

/// A band of the wire, predicted and measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandPrediction {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// RMS before.
    pub before_rms: f64,
    /// RMS with the filter, as predicted.
    pub predicted_rms: f64,
    /// The change predicted.
    pub predicted_change_db: f64,
    /// From 2.5 % to 97.5 % of the circuits drawn.
    pub predicted_interval_db: [f64; 2],
    /// RMS with the filter, as measured.
    pub after_rms: Option<f64>,
    /// The change measured.
    pub change_db: Option<f64>,
    /// Its 95 % interval; an end is infinite (null in JSON) where the captures set none.
    pub ci95_db: Option<[f64; 2]>,
    /// How the two stand to each other.
    pub agreement: Agreement,
}

/// The wire's spectrum before and with the filter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Predicted {
    /// The unit U of the wire.
    pub unit: Quantity,
    /// The bands.
    pub bands: Vec<BandPrediction>,
    /// The whole range.
    pub total: BandPrediction,
    /// The frequencies of the bins.
    #[serde(skip)]
    pub frequency_hz: Vec<f64>,
    /// The levels before, in one noise bandwidth.
    #[serde(skip)]
    pub before_db: Vec<f64>,
    /// The loss predicted at each bin, with its band, as the recorder would show it over its own noise.
    #[serde(skip)]
    pub losses: Vec<Loss>,
    /// The levels measured with the filter in place; empty without such captures.
    #[serde(skip)]
    pub after_db: Vec<f64>,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mitigation {
    /// The insertion loss over the range.
    pub losses: Vec<Loss>,
    /// The same at round frequencies.
    pub shown: Vec<Loss>,
    /// Where the filter attenuates and where it amplifies.
    pub stretches: Vec<Stretch>,
    /// Resonances, from the lowest frequency on.
    pub resonances: Vec<Resonance>,
    /// The capacitors at mains frequency.
    pub capacitors: Vec<AtMains>,
    /// All that is plugged in; none where nothing leads to the neutral.
    pub mains: Option<WholeAtMains>,
    /// A single capacitor at either end of the line; empty without a line.
    pub placements: Vec<Placement>,
    /// The spectrum of captures, where there are any.
    pub predicted: Option<Predicted>,
    /// What to mind before anything is plugged in.
    pub cautions: Vec<String>,
    /// What to know.
    #[serde(skip)]
    pub warnings: Vec<Warning>,
}

/// The what-if over a range, with captures before and after where there are any.
///
/// # Errors
/// A circuit without answer (a node that hangs in the air, an impedance table that does not cover the range), captures
/// that cannot be read or compared, captures with the filter but none without, captures without a wire.
pub fn mitigate(
    request: &Request,
    before: &[Source],
    after: &[Source],
    settings: &Settings,
    scheme: &Scheme,
) -> Result<(Vec<Input>, Mitigation), Error> {
    if before.is_empty() && !after.is_empty() {
        return Err(Error::usage("captures with the filter in place are named (--after), none without it")
            .remedy("name the captures without the filter as FILE"));
    }
    let (mut found, drawn) = worked_out(request, settings.range)?;
    if before.is_empty() {
        return Ok((Vec::new(), found));
    }
    let (inputs, measured) = measured(before, after, settings, scheme)?;
    found.warnings.extend(measured.warnings.clone());
    found.predicted = Some(predicted(request, measured, &found.losses, &drawn)?);
    Ok((inputs, found))
}

fn refused(unsolved: Unsolved, request: &Request) -> Error {
    match unsolved {
        Unsolved::Floating { .. } => {
            Error::usage("a node of the network hangs in the air: nothing ties it to the neutral")
                .expected("elements that lead from \"load\" or \"line\" to \"neutral\", or on to the load")
                .remedy("look for a name that is written in two ways")
        }
        Unsolved::OutsideTable => {
            let tables = [Some(&request.supply.source), request.supply.load.as_ref()];
            let covers = tables.into_iter().flatten().filter_map(|impedance| match impedance {
                Impedance::Table(table) => Some(table.covers()),
                Impedance::Series { .. } => None,
            });
            let (low, high) =
                covers.fold((0.0, f64::INFINITY), |(low, high): (f64, f64), c| (low.max(c.0), high.min(c.1)));
            Error::usage("the impedance table does not cover the range, and nothing is extended beyond it")
                .expected(format!("a range within {low} Hz to {high} Hz"))
                .remedy(format!("add --range {low}:{high}, or a longer table"))
        }
    }
}

/// Evenly spaced in the logarithm, both ends included.
fn grid(range: Band, points: u32) -> Vec<f64> {
    let low = range.low().max(1.0);
    let ratio = range.high() / low;
    (0..points).map(|k| low * ratio.powf(f64::from(k) / f64::from(points - 1))).collect()
}

/// The circuit alone.
///
/// # Errors
/// As [`mitigate`].
pub fn what_if(request: &Request, range: Band) -> Result<Mitigation, Error> {
    worked_out(request, range).map(|(found, _)| found)
}

/// The same with the losses of each circuit drawn.
fn worked_out(request: &Request, range: Band) -> Result<(Mitigation, Vec<Vec<f64>>), Error> {
    let refuse = |unsolved| refused(unsolved, request);
    let frequencies = grid(range, POINTS);
    let drawn = request
        .supply
        .drawn_losses_db(&request.tolerances, &frequencies, request.draws, request.seed)
        .map_err(refuse)?;
    let losses = with_band(&request.supply, &frequencies, &drawn).map_err(refuse)?;
    let low = range.low().max(1.0);
    let round: Vec<f64> = SHOWN_HZ.into_iter().filter(|f| (low..=range.high()).contains(f)).collect();
    let shown = request
        .supply
        .drawn_losses_db(&request.tolerances, &round, request.draws, request.seed)
        .and_then(|drawn| with_band(&request.supply, &round, &drawn))
        .map_err(refuse)?;
    let resonances = resonances(&request.supply, &losses).map_err(refuse)?;
    let found = Mitigation {
        stretches: stretches(&losses, &resonances),
        placements: placements(&request.supply, &round).map_err(refuse)?,
        capacitors: request.supply.capacitors.iter().map(|c| at_mains(c, request)).collect(),
        mains: whole_at_mains(request),
        predicted: None,
        cautions: cautions(request),
        warnings: unlikely(request, &resonances).into_iter().map(|finding| Warning { path: None, finding }).collect(),
        losses,
        shown,
        resonances,
    };
    Ok((found, drawn))
}

/// The nominal losses with the band of those drawn.
fn with_band(supply: &Supply, frequencies: &[f64], drawn: &[Vec<f64>]) -> Result<Vec<Loss>, Unsolved> {
    let nominal = supply.losses_db(frequencies)?;
    let loss = |(number, &frequency_hz): (usize, &f64)| {
        let interval_db = held(drawn.iter().map(|row| row[number]).collect()).unwrap_or([nominal[number]; 2]);
        Loss { frequency_hz, loss_db: nominal[number], interval_db }
    };
    Ok(frequencies.iter().enumerate().map(loss).collect())
}

/// What holds 95 % of some values, as many beyond either end.
fn held(mut values: Vec<f64>) -> Option<[f64; 2]> {
    let last = values.len().checked_sub(1)?;
    values.sort_by(f64::total_cmp);
    // Interpolated between neighbouring values.
    let at = |share: f64| {
        let place = share * last as f64;
        let below = (0..=last).rev().find(|&k| k as f64 <= place).unwrap_or(0);
        let above = (below + 1).min(last);
        values[below] + (place - below as f64) * (values[above] - values[below])
    };
    Some([at((1.0 - HELD) / 2.0), at((1.0 + HELD) / 2.0)])
}

fn resonances(supply: &Supply, losses: &[Loss]) -> Result<Vec<Resonance>, Unsolved> {
    let turns = losses.windows(3).filter_map(|three| {
        let [a, b, c] = [three[0].loss_db, three[1].loss_db, three[2].loss_db];
        let is_least = b < a && b <= c;
        (is_least || b > a && b >= c).then_some((three[0].frequency_hz, three[2].frequency_hz, is_least))
    });
    let mut found: Vec<(Resonance, bool)> = Vec::new();
    for (low, high, is_least) in turns {
        let fine: Vec<f64> = (0..=200).map(|k| low * (high / low).powf(f64::from(k) / 200.0)).collect();
        let sign = if is_least { 1.0 } else { -1.0 };
        let values = supply.losses_db(&fine)?;
        let at = (0..fine.len()).min_by(|&a, &b| (sign * values[a]).total_cmp(&(sign * values[b]))).unwrap_or(0);
        let kind = match (is_least, values[at] < 0.0) {
            (true, true) => Kind::WithSupply,
            (true, false) => Kind::LeastLoss,
            (false, _) if is_of_leads(supply, fine[at]) => Kind::WithOwnLeads,
            (false, _) => Kind::LargestLoss,
        };
        found.push((Resonance { frequency_hz: fine[at], loss_db: values[at], kind }, is_least));
    }
    // A turn that hardly stands out from its neighbours, or from the ends of the range, is none.
    let ends = [losses.first(), losses.last()].map(|loss| loss.map_or(0.0, |loss| loss.loss_db));
    let around = |k: usize| {
        let before = k.checked_sub(1).map_or(ends[0], |k| found[k].0.loss_db);
        let after = found.get(k + 1).map_or(ends[1], |next| next.0.loss_db);
        let own = found[k].0.loss_db;
        (own - before).abs().min((own - after).abs())
    };
    let places: Vec<f64> = supply.capacitors.iter().map(|c| c.at_m).collect();
    let apart = places.iter().any(|place| (place - places[0]).abs() > 0.0);
    let mut kept: Vec<Resonance> =
        (0..found.len()).filter(|&k| around(k) > STANDS_OUT_DB).map(|k| found[k].0).collect();
    // The lowest is that of all filters together with the supply; further ones lie between filters that are apart.
    let least = kept.iter_mut().filter(|resonance| resonance.kind == Kind::WithSupply);
    least.skip(1).filter(|_| apart).for_each(|resonance| resonance.kind = Kind::BetweenFilters);
    Ok(kept)
}

/// Whether a capacitor resonates with its own leads near a frequency, or a network of elements is there that may hold one.
fn is_of_leads(supply: &Supply, frequency: f64) -> bool {
    /// Line and load shift the place where the loss is largest by less.
    const NEAR: f64 = 0.1;
    let own = |c: &Capacitor| 1.0 / (std::f64::consts::TAU * (c.esl_henry * c.farad).sqrt());
    let mut leads = supply.capacitors.iter().filter(|c| c.esl_henry > 0.0);
    leads.any(|c| (own(c) / frequency).ln().abs() < NEAR)
}

fn stretches(losses: &[Loss], resonances: &[Resonance]) -> Vec<Stretch> {
    let mut found: Vec<Stretch> = Vec::new();
    let mut before: Option<&Loss> = None;
    for loss in losses {
        let amplifies = loss.loss_db < 0.0;
        match found.last_mut() {
            Some(last) if last.amplifies == amplifies => {
                last.high_hz = loss.frequency_hz;
                if loss.loss_db.abs() > last.most_db.abs() {
                    (last.most_db, last.most_hz) = (loss.loss_db, loss.frequency_hz);
                }
            }
            last => {
                // Where the loss is zero, on a straight line between neighbours.
                let crossing = before.map_or(loss.frequency_hz, |before| {
                    let share = before.loss_db / (before.loss_db - loss.loss_db);
                    before.frequency_hz * (loss.frequency_hz / before.frequency_hz).powf(share)
                });
                if let Some(last) = last {
                    last.high_hz = crossing;
                }
                let (low_hz, high_hz, most_hz) = (crossing, loss.frequency_hz, loss.frequency_hz);
                found.push(Stretch { low_hz, high_hz, amplifies, most_db: loss.loss_db, most_hz });
            }
        }
        before = Some(loss);
    }
    for stretch in &mut found {
        let inside = resonances.iter().filter(|r| (stretch.low_hz..=stretch.high_hz).contains(&r.frequency_hz));
        for resonance in inside.filter(|r| (r.loss_db < 0.0) == stretch.amplifies) {
            if resonance.loss_db.abs() > stretch.most_db.abs() {
                (stretch.most_db, stretch.most_hz) = (resonance.loss_db, resonance.frequency_hz);
            }
        }
    }
    found.retain(|stretch| stretch.most_db.abs() > NOTHING_DB);
    found
}

fn placements(supply: &Supply, frequencies: &[f64]) -> Result<Vec<Placement>, Unsolved> {
    if supply.line_m == 0.0 || supply.capacitors.len() != 1 || !supply.elements.is_empty() {
        return Ok(Vec::new());
    }
    let at = |at_m: f64, place: Place| {
        let capacitors = vec![Capacitor { at_m, ..supply.capacitors[0] }];
        Supply { capacitors, place, ..supply.clone() }.losses_db(frequencies)
    };
    let far = supply.line_m;
    let [a, b, c, d] =
        [(0.0, Place::Load), (0.0, Place::Outlet), (far, Place::Load), (far, Place::Outlet)].map(|(m, p)| at(m, p));
    let (a, b, c, d) = (a?, b?, c?, d?);
    let row = |(k, &frequency_hz): (usize, &f64)| Placement {
        frequency_hz,
        at_load_db: [a[k], b[k]],
        at_outlet_db: [c[k], d[k]],
    };
    Ok(frequencies.iter().enumerate().map(row).collect())
}

fn at_mains(capacitor: &Capacitor, request: &Request) -> AtMains {
    let volts = request.mains_v;
    // Elements in series always have an impedance.
    let impedance = capacitor.impedance().at(request.mains_hz).unwrap_or_default();
    let current_a = volts / impedance.norm();
    let bled = capacitor.discharge_ohm.map_or(0.0, |ohm| volts * volts / ohm);
    let inductance = match request.supply.source {
        Impedance::Series { henry, .. } => {
            let line = (request.supply.line_m - capacitor.at_m) * request.supply.line_henry_per_m;
            Some(henry + line + capacitor.esl_henry).filter(|henry| *henry > 0.0)
        }
        Impedance::Table(_) => None,
    };
    AtMains {
        capacitor: *capacitor,
        resonance_hz: inductance.map(|henry| 1.0 / (std::f64::consts::TAU * (henry * capacitor.farad).sqrt())),
        current_a,
        reactive_power_var: -current_a * current_a * impedance.im,
        dissipation_w: current_a * current_a * capacitor.esr_ohm + bled,
        discharge_s: capacitor.discharge_ohm.map(|ohm| {
            let crest = std::f64::consts::SQRT_2 * volts;
            (ohm * capacitor.farad * (crest / LEFT_V).ln()).max(0.0)
        }),
    }
}

fn whole_at_mains(request: &Request) -> Option<WholeAtMains> {
    let admittance = request.supply.plugged_in(request.mains_hz).ok()?.inv();
    let volts = request.mains_v;
    Some(WholeAtMains { current_a: volts * admittance.norm(), reactive_power_var: volts * volts * admittance.im })
}

/// Parts that nobody plugs in, and circuits that no supply is.
fn unlikely(request: &Request, resonances: &[Resonance]) -> Vec<Finding> {
    /// What a plug of households carries, in amperes (IEC 60884-1, from memory).
    const PLUG_A: f64 = 16.0;
    /// What the resistors of plug-in filters bear, in watts; common practice, no source.
    const RESISTOR_W: f64 = 2.0;
    /// No line amplifies so much: something in it takes energy.
    const MOST_DB: f64 = 40.0;
    use crate::units::engineering;
    let mut findings = Vec::new();
    if let Some(mains) = whole_at_mains(request).filter(|mains| mains.current_a > PLUG_A) {
        findings.push(Finding::limit(
            "current_too_large",
            format!(
                "All that is plugged in would draw {} at mains frequency, and a plug carries {PLUG_A} A; are the values in farads \
                 (1u is a microfarad)?",
                engineering(mains.current_a, "A")
            ),
        ));
    }
    for capacitor in &request.supply.capacitors {
        let heat = capacitor.discharge_ohm.map_or(0.0, |ohm| request.mains_v * request.mains_v / ohm);
        if let Some(ohm) = capacitor.discharge_ohm.filter(|_| heat > RESISTOR_W) {
            findings.push(Finding::limit(
                "resistor_too_hot",
                format!(
                    "A discharge resistor of {} turns {} of the mains into heat; take hundreds of kilohms.",
                    engineering(ohm, "Ω"),
                    engineering(heat, "W")
                ),
            ));
        }
    }
    if let Some(worst) = resonances.iter().find(|resonance| resonance.loss_db < -MOST_DB) {
        findings.push(Finding::limit(
            "hardly_a_loss",
            format!(
                "At {} noise would be amplified by {:.0} dB: next to nothing in this circuit takes energy; state the resistance of \
                 the source, of the capacitor (esr) and of the load.",
                engineering(worst.frequency_hz, "Hz"),
                -worst.loss_db
            ),
        ));
    }
    findings
}

/// What to mind; the usual electrical cautions, common practice, with the document where one rules it (from memory).
fn cautions(request: &Request) -> Vec<String> {
    let mut cautions = vec![
        "Across the line only capacitors of class X1 or X2 to IEC 60384-14, rated for this mains voltage: others may \
         catch fire when they fail."
            .to_owned(),
    ];
    if let Some(mains) = whole_at_mains(request) {
        cautions.push(format!(
            "All that is plugged in carries {} of mains current day and night; fuse, plug and cable have to bear it, and \
             supplies on batteries or generators may not like the reactive power.",
            crate::units::engineering(mains.current_a, "A")
        ));
    }
    cautions.push(
        "Noise current and series resistance heat a capacitor besides the mains; near a resonance the noise current is \
         largest."
            .into(),
    );
    let charged = request.supply.capacitors.iter().any(|c| at_mains(c, request).discharge_s.is_none_or(|s| s > 1.0));
    if charged {
        // R C ln(crest / 34 V) is a second; the largest capacitor decides.
        let farad = request.supply.capacitors.iter().map(|c| c.farad).fold(0.0, f64::max);
        let fall = (std::f64::consts::SQRT_2 * request.mains_v / LEFT_V).ln();
        let largest = Some(1.0 / (farad * fall)).filter(|ohm| *ohm > 0.0 && ohm.is_finite());
        cautions.push(format!(
            "Unplugged, it stays charged to the crest of the mains: no more than 34 V may be left after a second \
                 (IEC 60335-1, from memory), which takes a discharge resistor{}.",
            largest.map_or(String::new(), |ohm| format!(" of at most {}", crate::units::engineering(ohm, "Ω")))
        ));
    }
    cautions.push(
        "From line or neutral to earth a capacitor leaks into the residual-current device, and several add up; this \
         what-if is for line to neutral only."
            .into(),
    );
    cautions.push("Work on the mains is for qualified persons; local codes come first.".into());
    cautions
}

/// What captures say: the spectrum before, and bands with what was measured of their change.
struct Measured {
    unit: Quantity,
    frequency_hz: Vec<f64>,
    before_db: Vec<f64>,
    after_db: Vec<f64>,
    /// The recorder's own noise at each bin, as far as it is known; no filter takes that away.
    floor_db: Vec<f64>,
    bands: Vec<(Band, f64, Option<BandChange>)>,
    total: (Band, f64, Option<BandChange>),
    warnings: Vec<Warning>,
}

fn no_wire() -> Error {
    Error::input("no capture has a wire channel")
        .expected("what is on the line, which is what a filter acts on")
        .remedy("name it with --wire")
}

fn measured(
    before: &[Source],
    after: &[Source],
    settings: &Settings,
    scheme: &Scheme,
) -> Result<(Vec<Input>, Measured), Error> {
    if !after.is_empty() {
        let (inputs, comparison) = what_changed(before, after, settings, scheme, Order::Apart)?;
        let channel = comparison.channels.into_iter().find(|c| c.role == Role::Wire).ok_or_else(no_wire)?;
        let row = |change: BandChange| (change.band, change.before_rms, Some(change));
        let level = |spectrum: &super::compare::SideSpectrum| spectrum.level_db.iter().map(|db| db.get()).collect();
        let measured = Measured {
            unit: channel.unit,
            before_db: level(&channel.first),
            after_db: level(&channel.second),
            floor_db: channel.floor.as_ref().map_or(Vec::new(), level),
            frequency_hz: channel.first.frequency_hz,
            bands: channel.bands.into_iter().map(row).collect(),
            total: row(channel.total),
            warnings: comparison.warnings,
        };
        return Ok((inputs, measured));
    }
    let mut inputs = Vec::new();
    let (mut mean, mut first): (Vec<f64>, Option<(Quantity, Vec<f64>)>) = (Vec::new(), None);
    let (mut enbw, mut warnings, mut floor_db) = (1.0, Vec::new(), Vec::new());
    for source in before {
        let (input, found) = spectrum(source, settings)?;
        inputs.extend(input);
        let path = found.path.clone();
        warnings.extend(found.warnings.into_iter().map(|finding| Warning { path: Some(path.clone()), finding }));
        enbw = found.analysis.enbw_hz;
        let channel = found.channels.into_iter().find(|channel| channel.role == Role::Wire).ok_or_else(no_wire)?;
        floor_db = channel.floor_levels_db.iter().map(|level| level.get()).collect();
        match &first {
            None => (mean, first) = (channel.psd, Some((channel.unit, channel.frequency_hz))),
            Some((unit, frequency)) if *unit == channel.unit && *frequency == channel.frequency_hz => {
                mean.iter_mut().zip(&channel.psd).for_each(|(sum, psd)| *sum += psd);
            }
            Some(_) => {
                return Err(Error::input("has another unit, rate or range than the first capture")
                    .in_file(crate::error::printable(&path))
                    .expected("captures that can be taken together")
                    .remedy("predict for them one by one"));
            }
        }
    }
    let (unit, frequency_hz) = first.ok_or_else(no_wire)?;
    mean.iter_mut().for_each(|sum| *sum /= before.len() as f64);
    let range = match (frequency_hz.first(), frequency_hz.last()) {
        (Some(&low), Some(&high)) => settings.range.within(Band::new(low, high)?).unwrap_or(settings.range),
        _ => settings.range,
    };
    let rms = |band: Band| powers(&frequency_hz, &mean, band).iter().map(|(_, power)| power).sum::<f64>().sqrt();
    let bands = scheme.bands(range)?.into_iter().map(|band| (band, rms(band), None)).collect();
    let total = (range, rms(range), None);
    let before_db = mean.iter().map(|psd| crate::units::Level::of_rms((psd * enbw).sqrt()).get()).collect();
    Ok((inputs, Measured { unit, bands, total, before_db, frequency_hz, after_db: Vec::new(), floor_db, warnings }))
}

/// The power that each bin brings into a band, with the number of the bin; a bin on an edge is shared out.
fn powers(frequency_hz: &[f64], density: &[f64], band: Band) -> Vec<(usize, f64)> {
    let step = if frequency_hz.len() > 1 { frequency_hz[1] - frequency_hz[0] } else { 1.0 };
    let share = |frequency: f64| {
        let (low, high) = (frequency - step / 2.0, frequency + step / 2.0);
        (high.min(band.high()) - low.max(band.low())).max(0.0)
    };
    let rows = frequency_hz.iter().zip(density).enumerate();
    rows.map(|(k, (&f, psd))| (k, share(f) * psd)).filter(|(_, power)| *power > 0.0).collect()
}

fn predicted(request: &Request, measured: Measured, losses: &[Loss], drawn: &[Vec<f64>]) -> Result<Predicted, Error> {
    let refuse = |unsolved| refused(unsolved, request);
    let frequencies = &measured.frequency_hz;
    let at_bins: Vec<Vec<f64>> = drawn.iter().map(|row| interpolated(losses, row, frequencies)).collect();
    let nominal = with_band(&request.supply, frequencies, &at_bins).map_err(refuse)?;
    let density: Vec<f64> = measured.before_db.iter().map(|db| 10f64.powf(db / 10.0)).collect();
    // The share of each bin that is the recorder's own.
    let own_share = |(k, before): (usize, &f64)| {
        measured.floor_db.get(k).map_or(0.0, |floor| 10f64.powf((floor - before) / 10.0).min(1.0))
    };
    let own: Vec<f64> = measured.before_db.iter().enumerate().map(own_share).collect();
    let row = |(band, before_rms, change): (Band, f64, Option<BandChange>)| {
        let powers = powers(frequencies, &density, band);
        let whole: f64 = powers.iter().map(|(_, power)| power).sum();
        let changed = |loss: &dyn Fn(usize) -> f64| {
            let left: f64 = powers.iter().map(|&(k, power)| power * left_of(own[k], loss(k))).sum();
            10.0 * (left / whole).log10()
        };
        let predicted_change_db = changed(&|k| nominal[k].loss_db);
        let draws = at_bins.iter().map(|row| changed(&|k| row[k])).collect();
        let predicted_interval_db = held(draws).unwrap_or([predicted_change_db; 2]);
        BandPrediction {
            band,
            before_rms,
            predicted_rms: before_rms * 10f64.powf(predicted_change_db / 20.0),
            predicted_change_db,
            predicted_interval_db,
            after_rms: change.as_ref().map(|change| change.after_rms),
            change_db: change.as_ref().and_then(|change| change.change_db),
            ci95_db: change.as_ref().and_then(|change| change.ci95_db),
            agreement: agreement(predicted_interval_db, change.and_then(|change| change.ci95_db)),
        }
    };
    let losses = nominal
        .iter()
        .zip(&own)
        .map(|(loss, &own)| {
            let seen = |db: f64| -10.0 * left_of(own, db).log10();
            Loss { loss_db: seen(loss.loss_db), interval_db: loss.interval_db.map(seen), ..*loss }
        })
        .collect();
    Ok(Predicted {
        unit: measured.unit,
        bands: measured.bands.into_iter().map(row).collect(),
        total: row(measured.total),
        before_db: measured.before_db,
        after_db: measured.after_db,
        losses,
        frequency_hz: frequencies.clone(),
    })
}

/// What is left of a power of which a share is the recorder's own, when the rest is attenuated.
fn left_of(own: f64, loss_db: f64) -> f64 {
    own + (1.0 - own) * 10f64.powf(-loss_db / 10.0)
}

fn agreement(predicted: [f64; 2], measured: Option<[f64; 2]>) -> Agreement {
    match measured {
        None => Agreement::NotJudged,
        Some([low, high]) if predicted[0] <= high && low <= predicted[1] => Agreement::Agrees,
        Some(_) => Agreement::Differs,
    }
}

/// The losses of a row at other frequencies, on straight lines over the logarithm between the points of the grid.
fn interpolated(grid: &[Loss], row: &[f64], frequencies: &[f64]) -> Vec<f64> {
    let at = |&frequency: &f64| {
        let above = grid.partition_point(|loss| loss.frequency_hz < frequency).clamp(1, grid.len() - 1);
        let (low, high) = (grid[above - 1].frequency_hz, grid[above].frequency_hz);
        let share = ((frequency / low).ln() / (high / low).ln()).clamp(0.0, 1.0);
        row[above - 1] + share * (row[above] - row[above - 1])
    };
    frequencies.iter().map(at).collect()
}

/// What to know of a circuit whose impedances were not stated.
pub fn assumed(source: bool, load: bool) -> Vec<Finding> {
    let mut findings = Vec::new();
    if source {
        findings.push(Finding::limit(
            "source_assumed",
            "The impedance of the mains is assumed (0.4 ohm + 50 µH); it decides where the filter amplifies. State it with --source-ohm and --source-henry, or a measured table with --source-impedance.",
        ));
    }
    if load {
        findings.push(Finding::note(
            "load_assumed",
            "The load is assumed as 50 ohm; state it with --load-ohm or --load-impedance, or --no-load.",
        ));
    }
    findings
}
