//! How do many captures rank?

use std::collections::HashSet;

use serde::Serialize;

use super::findings;
use super::observe::{Input, Observed, Periods, Wants, observe};
use super::settings::Settings;
use crate::capture::{Quantity, Role};
use crate::compare::difference::difference;
use crate::compare::ranking::{Candidate, Rank, rank};
use crate::compare::side::Side;
use crate::error::{Error, Finding};
use crate::measure::bands::{BandValue, Scheme};
use crate::measure::periods::of_channel;
use crate::read::Source;
use crate::uncertainty::Estimate;

/// Whether a capture could be analysed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// It could.
    Done,
    /// It could not; the row says why.
    Failed,
}

/// The total of a range with its interval.
#[derive(Debug, Clone, Serialize)]
pub struct Total {
    /// The range and what it holds.
    #[serde(flatten)]
    pub value: BandValue,
    /// The 95 % interval of the level from the scatter of the mains periods, where there are two or more.
    pub ci95_db: Option<[f64; 2]>,
}

/// One channel of a row.
#[derive(Debug, Clone, Serialize)]
pub struct BatchChannel {
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// The whole range.
    pub total: Total,
    /// The bands.
    pub bands: Vec<BandValue>,
    /// Whether most of the range is likely the converter's own noise.
    pub mostly_floor: bool,
}

/// One capture of a batch.
#[derive(Debug, Clone, Serialize)]
pub struct BatchRow {
    /// The file.
    pub path: String,
    /// Whether it could be analysed.
    pub status: Status,
    /// Why not.
    pub error: Option<String>,
    /// The second file, where the capture lies in two.
    pub companion: Option<String>,
    /// How long it lasts.
    #[serde(skip)]
    pub duration_s: Option<f64>,
    /// Its sampling rate.
    #[serde(skip)]
    pub sample_rate_hz: Option<f64>,
    /// The channels.
    pub channels: Vec<BatchChannel>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// A whole batch.
#[derive(Debug, Clone, Serialize)]
pub struct Batch {
    /// One row a capture, in the order given.
    pub captures: Vec<BatchRow>,
    /// From the highest total down, role by role.
    pub ranking: Vec<Rank>,
}

/// One capture; a file that cannot be analysed gives a row with its error.
pub fn row(source: &Source, settings: &Settings, scheme: &Scheme) -> (Vec<Input>, BatchRow) {
    match analyse(source, settings, scheme) {
        Ok(done) => done,
        Err(error) => (
            Input::of(source).into_iter().collect(),
            BatchRow {
                path: source.name().to_owned(),
                status: Status::Failed,
                error: Some(error.to_string()),
                companion: None,
                duration_s: None,
                sample_rate_hz: None,
                channels: Vec::new(),
                warnings: Vec::new(),
            },
        ),
    }
}

fn analyse(source: &Source, settings: &Settings, scheme: &Scheme) -> Result<(Vec<Input>, BatchRow), Error> {
    let wants = Wants { periods: Some(Periods::Range), ..Wants::default() };
    let (inputs, observed) = observe(source, settings, wants)?;
    let row = of_observed(&inputs, &observed, scheme)?;
    Ok((inputs, row))
}

/// The row of a capture that has been observed with its whole range in each mains period.
///
/// # Errors
/// A scheme without a band in the range.
pub fn of_observed(inputs: &[Input], observed: &Observed, scheme: &Scheme) -> Result<BatchRow, Error> {
    let channels = (0..observed.channels.len())
        .map(|channel| batch_channel(observed, channel, scheme))
        .collect::<Result<_, _>>()?;
    Ok(BatchRow {
        path: observed.path().to_owned(),
        status: Status::Done,
        error: None,
        companion: inputs.iter().find(|input| input.path != observed.path()).map(|input| input.path.clone()),
        duration_s: Some(observed.passed.statistics.samples as f64 / observed.rate().get()),
        sample_rate_hz: Some(observed.rate().get()),
        channels,
        warnings: findings::of_observed(observed),
    })
}

fn batch_channel(observed: &Observed, channel: usize, scheme: &Scheme) -> Result<BatchChannel, Error> {
    let value = observed.band(channel, observed.range);
    Ok(BatchChannel {
        role: observed.channels[channel].role,
        unit: observed.channels[channel].quantity.clone(),
        bands: scheme.bands(observed.range)?.into_iter().map(|band| observed.band(channel, band)).collect(),
        mostly_floor: observed.floor_share(channel).is_some_and(|share| share.is_most()),
        total: Total { value, ci95_db: level_interval(observed, channel, value.level_db.get()) },
    })
}

/// The interval of a level: that of the change from a power without uncertainty, set at the level.
pub(super) fn level_interval(observed: &Observed, channel: usize, level: f64) -> Option<[f64; 2]> {
    let mut side = Side::default();
    side.push(of_channel(observed.periods.as_ref()?, channel));
    let (power, _) = side.power(0)?;
    let exact = Estimate { mean: power.mean, variance: 0.0, degrees: Some(f64::INFINITY) };
    difference(&exact, &power).interval_db.map(|[low, high]| [level + low, level + high])
}

/// Puts the rows of a batch together and ranks them. A capture that lies in two files is one row, not two.
pub fn batch(mut captures: Vec<BatchRow>) -> Batch {
    let mut seen: HashSet<String> = HashSet::new();
    captures.retain(|row| {
        let Some(companion) = &row.companion else { return true };
        let again = seen.contains(&row.path);
        seen.extend([row.path.clone(), companion.clone()]);
        !again
    });
    let candidates = captures
        .iter()
        .flat_map(|row| {
            row.channels.iter().map(|channel| Candidate {
                path: row.path.clone(),
                role: channel.role,
                total_db: channel.total.value.level_db.get(),
                ci95_db: channel.total.ci95_db,
                mostly_floor: channel.mostly_floor,
            })
        })
        .collect();
    Batch { captures, ranking: rank(candidates) }
}
