//! How sure is a level, and how sure is a difference? The budget of a band, from scatter, chain and recorder.
//!
//! All rows are in decibels of the level, where every contribution has a sensitivity of one or minus one.

use std::f64::consts::LN_10;

use super::observe::Observed;
use crate::capture::chain::Chain;
use crate::uncertainty::Estimate;
use crate::uncertainty::budget::{Budget, Contribution, Distribution};
use crate::units::Band;

/// The floor is never taken for more than this share of a power: 10 dB.
const LARGEST_FLOOR_SHARE: f64 = 0.9;

/// One side of what is asked: a capture that stands for it, its channel, and the mean power in the band.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// What the side is called; empty where there is but one.
    pub name: &'a str,
    /// The capture.
    pub observed: &'a Observed,
    /// The number of its channel.
    pub channel: usize,
    /// The mean power and how sure it is, as far as the record says.
    pub power: Estimate,
}

/// The budget of a level in a band.
pub fn of_level(seen: &Seen<'_>, band: Band) -> Budget {
    let rows = scatter(seen, 1.0).into_iter().chain(chain_rows(seen, band)).chain(floor(seen, band, 1.0));
    Budget::new("dB", rows.collect())
}

/// The budget of the change of level from one side to the other through the same chain, which cancels.
pub fn of_change(from: &Seen<'_>, to: &Seen<'_>, band: Band) -> Budget {
    let sides = [(from, -1.0), (to, 1.0)];
    let common = chain_rows(to, band).into_iter().map(|row| Contribution { cancelled: true, ..row });
    let scatter = sides.iter().filter_map(|(seen, sign)| scatter(seen, *sign));
    let floors = sides.iter().filter_map(|(seen, sign)| floor(seen, band, *sign));
    Budget::new("dB", scatter.chain(common).chain(floors).collect())
}

/// The budget of the level of what one side has more than the other: a level of its own, so the chain counts.
/// `None` where the second side has no more power.
///
/// The floor is on both sides and cancels in the difference of powers.
pub fn of_addition(from: &Seen<'_>, to: &Seen<'_>, band: Band) -> Option<Budget> {
    let added = to.power.mean - from.power.mean;
    if added <= 0.0 {
        return None;
    }
    // d(10 log10(P_to − P_from))/d(10 log10 P) = ±P/(P_to − P_from).
    let sides = [(from, -from.power.mean / added), (to, to.power.mean / added)];
    let scatter = sides.iter().filter_map(|(seen, sensitivity)| scatter(seen, *sensitivity));
    let floor = floor(to, band, 1.0).map(|row| Contribution { cancelled: true, ..row });
    Some(Budget::new("dB", scatter.chain(chain_rows(to, band)).chain(floor).collect()))
}

/// The budget of a reading of a receiver: its power, the chain at its frequency, the power of the recorder's own noise
/// in its filter, and what the receiver adds.
pub fn of_reading(
    power: f64,
    chain: Option<&Chain>,
    frequency: f64,
    floor: Option<f64>,
    receiver: Vec<Contribution>,
) -> Budget {
    let chain = chain.map_or(Vec::new(), |chain| chain.contributions(frequency));
    let floor = floor.and_then(|floor| floor_row("steps and noise of the recorder".to_owned(), floor / power, 1.0));
    Budget::new("dB", chain.into_iter().chain(floor).chain(receiver).collect())
}

/// Half the width of the 95 % interval that a chain gives to a level in a band, in decibels; zero without a chain.
pub fn chain_half_width(seen: &Seen<'_>, band: Band) -> f64 {
    half_width(chain_rows(seen, band))
}

/// The same at a frequency.
pub fn chain_half_width_at(chain: &Chain, frequency: f64) -> f64 {
    half_width(chain.contributions(frequency))
}

fn half_width(rows: Vec<Contribution>) -> f64 {
    if rows.is_empty() { 0.0 } else { Budget::new("dB", rows).expanded }
}

fn named(what: &str, side: &str) -> String {
    if side.is_empty() { what.to_owned() } else { format!("{what}, {side}") }
}

/// The scatter of the observations as decibels of level: 10/ln 10 times that of the power relative to it.
fn scatter(seen: &Seen<'_>, sensitivity: f64) -> Option<Contribution> {
    let degrees = seen.power.degrees.filter(|_| seen.power.mean > 0.0)?;
    let standard = 10.0 / LN_10 * seen.power.variance.sqrt() / seen.power.mean;
    Some(Contribution::observed(named("scatter", seen.name), standard, degrees).times(sensitivity))
}

/// The parts of the chain and the recorder, each as the mean over the band weighted with the power that lies there.
fn chain_rows(seen: &Seen<'_>, band: Band) -> Vec<Contribution> {
    let Some(chain) = &seen.observed.chains[seen.channel] else { return Vec::new() };
    let density = &seen.observed.densities[seen.channel].mean;
    let within = |frequency: f64| frequency.clamp(band.low(), band.high());
    let total = density.mean_square_in(band);
    let mut rows = chain.contributions(within(0.5 * (band.low() + band.high())));
    if total > 0.0 {
        for (place, row) in rows.iter_mut().enumerate() {
            let at = |frequency| chain.contributions(within(frequency)).get(place).map_or(0.0, |row| row.part());
            row.standard_uncertainty = density.weighted_mean_square_in(band, at) / total;
        }
    }
    rows
}

/// The recorder's own noise is part of the power and not taken off: the level may be too high by as much.
fn floor(seen: &Seen<'_>, band: Band, sensitivity: f64) -> Option<Contribution> {
    let floor = seen.observed.floor_density_in(seen.channel, band)? * band.width();
    floor_row(named("steps and noise of the recorder", seen.name), floor / seen.power.mean, sensitivity)
}

fn floor_row(quantity: String, share: f64, sensitivity: f64) -> Option<Contribution> {
    let share = share.min(LARGEST_FLOOR_SHARE);
    let bound = -10.0 * (-share).ln_1p() / LN_10;
    let distribution = Distribution::Rectangular;
    let row = Contribution::stated(quantity, distribution, bound / distribution.divisor());
    (share > 0.0).then(|| row.times(sensitivity))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::analysis::observe::{Wants, observe_recording};
    use crate::analysis::settings::Settings;
    use crate::capture::chain::{Kind, Part, Recorder, Setup, Uncertainty};
    use crate::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
    use crate::units::Hertz;

    fn observed(range: Band) -> Observed {
        let part = Part {
            name: "probe".into(),
            kind: Kind::Ratio(10.0),
            uncertainty: Some(Uncertainty { db: 3f64.sqrt() * 0.3, distribution: Distribution::Rectangular }),
            note: String::new(),
        };
        let wire = Chain::new(Role::Wire, String::new(), vec![part], Recorder::default()).unwrap();
        let setup = Setup { files: Vec::new(), wire: Some(wire), air: None };
        let settings = Settings { range, setup: Some(Arc::new(setup)), ..Settings::default() };
        let clock = Clock {
            rate: Hertz::new(125e3).unwrap(),
            source: RateSource::Option,
            relative_uncertainty: 0.0,
            start_s: 0.0,
        };
        let sine = (0..25_000).map(|n| (std::f64::consts::TAU * 0.162_347_1 * f64::from(n)).sin()).collect();
        let channel = Channel { name: "wire".into(), quantity: Quantity::Unit("V".into()), role: Role::Wire };
        let recording = Memory::new("sine", clock, vec![(channel, sine)], 4096).unwrap();
        observe_recording(Box::new(recording), &settings, Wants::default()).unwrap()
    }

    #[test]
    fn a_level_carries_its_chain_and_a_change_does_not() {
        let range = Band::new(2e3, 50e3).unwrap();
        let observed = observed(range);
        let seen = |mean: f64, variance: f64| Seen {
            name: "",
            observed: &observed,
            channel: 0,
            power: Estimate { mean, variance, degrees: Some(9.0) },
        };
        let (off, on) = (seen(50.0, 0.0), seen(100.0, 1.0));
        // The standard uncertainty of the power is a hundredth: 10/ln 10 · 0.01 dB; that of the probe 0.3 dB.
        let scatter = 10.0 / LN_10 * 0.01;
        let close = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        close(of_level(&on, range).combined, scatter.hypot(0.3));
        let change = of_change(&off, &on, range);
        close(change.combined, scatter);
        assert_eq!(
            change.rows.iter().filter(|row| row.cancelled).map(|row| row.quantity.as_str()).next(),
            Some("probe")
        );
        assert_eq!(change.effective_degrees_of_freedom, 9.0);
        // What is added is half of the power, so that its scatter in decibels is doubled; the probe counts.
        close(of_addition(&off, &on, range).unwrap().combined, (2.0 * scatter).hypot(0.3));
        assert!(of_addition(&on, &off, range).is_none());
    }
}
