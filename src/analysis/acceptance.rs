//! What each command offers to conditions of `--fail-on`: quantities by name, and their values with their places.
//!
//! The plain name is the value found; `_low` and `_high` are the ends of its 95 % interval, so that a test can ask for
//! what is surely so. `total_` is the whole range. An end that the captures do not set is infinite.

use super::bands::CaptureBands;
use super::batch::Batch;
use super::compare::Comparison;
use super::coupling::{Coupling, CouplingChange};
use super::receiver::CaptureReadings;
use super::spectrum::CaptureSpectrum;
use crate::capture::Role;
use crate::compare::acceptance::{Offer, Value};
use crate::compare::added::BandAddition;
use crate::compare::before_after::BandChange;
use crate::compare::coupling::{BandCause, BandCoupling};
use crate::compare::margin::{Against, Status};
use crate::units::{Band, Level};

const fn offer(name: &'static str, unit: &'static str, about: &'static str) -> Offer {
    Offer { name, unit, about }
}

const LEVEL: Offer = offer("level", "dB", "the level of each band, or of each bin of a spectrum");
const TOTAL: Offer = offer("total", "dB", "the level of the whole range");
const MARGIN: Offer = offer("margin", "dB", "the smallest margin to each level of --against");

/// The commands with what they offer.
pub const OFFERS: &[(&str, &[Offer])] = &[
    ("spectrum", &[LEVEL, MARGIN]),
    ("bands", &[LEVEL, TOTAL, MARGIN]),
    (
        "receiver",
        &[
            offer("peak", "dB", "the peak reading at each frequency, above 1e-6 U"),
            offer("quasi_peak", "dB", "the quasi-peak reading at each frequency"),
            offer("average", "dB", "the average reading at each frequency"),
            offer("rms_average", "dB", "the RMS-average reading at each frequency"),
            MARGIN,
        ],
    ),
    (
        "compare",
        &[
            offer("change", "dB", "the change of each band"),
            offer("change_low", "dB", "the lower end of its interval"),
            offer("change_high", "dB", "the upper end of its interval"),
            offer("total_change", "dB", "the change of the whole range"),
            offer("total_change_low", "dB", "the lower end of its interval"),
            offer("total_change_high", "dB", "the upper end of its interval"),
        ],
    ),
    (
        "added",
        &[
            offer("rise", "dB", "the rise of each band"),
            offer("rise_low", "dB", "the lower end of its interval"),
            offer("rise_high", "dB", "the upper end of its interval"),
            offer("total_rise", "dB", "the rise of the whole range"),
            offer("total_rise_low", "dB", "the lower end of its interval"),
            offer("total_rise_high", "dB", "the upper end of its interval"),
        ],
    ),
    (
        "coupling",
        &[
            offer("coherence", "", "the coherence of each band, 0 to 1"),
            offer("share", "", "the share of the air's power in each band that the wire explains, 0 to 1"),
            offer("wire_change", "dB", "with --before and --after: the change on the wire in each band"),
            offer("air_change", "dB", "with --before and --after: the change in the air in each band"),
        ],
    ),
    (
        "batch",
        &[
            LEVEL,
            TOTAL,
            offer("total_low", "dB", "the lower end of its interval"),
            offer("total_high", "dB", "the upper end of its interval"),
        ],
    ),
];

/// What a command offers; nothing where it is not in the table.
pub fn offers_of(command: &str) -> &'static [Offer] {
    OFFERS.iter().find(|(name, _)| *name == command).map_or(&[], |(_, offers)| offers)
}

/// A level that says something: a channel of zeros has none, and is no pass.
fn level_of(level: Level) -> Option<f64> {
    Some(level.get()).filter(|db| db.is_finite())
}

/// Values of one channel, in the order in which they are named.
struct Values {
    role: Option<Role>,
    /// The capture, or nothing where the values are of several.
    path: String,
    values: Vec<Value>,
}

impl Values {
    fn new(path: &str, role: Option<Role>) -> Self {
        Self { role, path: path.to_owned(), values: Vec::new() }
    }

    fn put(&mut self, quantity: &'static str, place: &str, value: Option<f64>) {
        let channel = self.role.map_or("", Role::name);
        let parts = [self.path.as_str(), channel, place];
        let place = parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ");
        self.values.push(Value { quantity, role: self.role, place, value, reason: None });
    }

    /// A value with the ends of its interval.
    fn interval(&mut self, names: [&'static str; 3], band: Band, value: Option<f64>, ends: Option<[f64; 2]>) {
        let place = band.to_string();
        self.put(names[0], &place, value);
        self.put(names[1], &place, ends.map(|ends| ends[0]));
        self.put(names[2], &place, ends.map(|ends| ends[1]));
    }
}

/// The values of spectra.
pub fn of_spectra(captures: &[CaptureSpectrum]) -> Vec<Value> {
    let mut all = Vec::new();
    for capture in captures {
        for channel in &capture.channels {
            let mut values = Values::new(&capture.path, Some(channel.role));
            for (frequency, level) in channel.frequency_hz.iter().zip(&channel.level_db) {
                values.put("level", &format!("{:.3} kHz", frequency / 1e3), level_of(*level));
            }
            all.append(&mut values.values);
        }
        let channels = capture.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
        all.extend(margins(&capture.path, &channels.collect::<Vec<_>>()));
    }
    all
}

/// The values of bands.
pub fn of_bands(captures: &[CaptureBands]) -> Vec<Value> {
    let mut all = Vec::new();
    for capture in captures {
        for channel in &capture.channels {
            let mut values = Values::new(&capture.path, Some(channel.role));
            for value in &channel.bands {
                values.put("level", &value.band.to_string(), level_of(value.level_db));
            }
            values.put("total", &channel.total.band.to_string(), level_of(channel.total.level_db));
            all.append(&mut values.values);
        }
        let channels = capture.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
        all.extend(margins(&capture.path, &channels.collect::<Vec<_>>()));
    }
    all
}

/// The values of a receiver.
pub fn of_readings(captures: &[CaptureReadings]) -> Vec<Value> {
    let mut all = Vec::new();
    for capture in captures {
        for channel in &capture.channels {
            let mut values = Values::new(&capture.path, Some(channel.role));
            for detector in ["peak", "quasi_peak", "average", "rms_average"] {
                match channel.of(detector) {
                    Some(levels) => channel.frequency_hz.iter().zip(levels).for_each(|(frequency, level)| {
                        values.put(detector, &format!("{:.3} kHz", frequency / 1e3), level_of(*level));
                    }),
                    None => values.put(detector, "", None),
                }
            }
            all.append(&mut values.values);
        }
        let channels = capture.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
        all.extend(margins(&capture.path, &channels.collect::<Vec<_>>()));
    }
    all
}

/// The smallest margin of each channel to each level of a capture.
///
/// A channel that a level does not concern has none and needs none; a level that concerns no channel is a value that
/// does not exist.
pub fn margins(path: &str, channels: &[(Role, &[Against])]) -> Vec<Value> {
    let mut values = Vec::new();
    let count = channels.iter().map(|(_, against)| against.len()).max().unwrap_or(0);
    for number in 0..count {
        let of_channel = |(role, against): &(Role, &[Against])| Some((*role, against.get(number)?.clone()));
        let all: Vec<(Role, Against)> = channels.iter().filter_map(of_channel).collect();
        let concerned = all.iter().any(|(_, against)| against.status != Status::Refused);
        for (role, against) in all.iter().filter(|(_, a)| !concerned || a.status != Status::Refused) {
            let at = against.frequency_hz.map_or(String::new(), |hertz| format!(", {:.3} kHz", hertz / 1e3));
            let no_margin = || match against.status {
                Status::Sum => Some("levels on exposure know a sum of ratios and no margin".to_owned()),
                _ => against.reason.clone(),
            };
            values.push(Value {
                quantity: "margin",
                role: Some(*role),
                place: format!("{path}, {}{at}, {}", role.name(), against.curve.name),
                value: against.margin_db,
                reason: if against.margin_db.is_none() { no_margin() } else { None },
            });
        }
    }
    values
}

/// The values of a comparison before and after.
pub fn of_changes(comparison: &Comparison<BandChange>) -> Vec<Value> {
    let mut all = Vec::new();
    for channel in &comparison.channels {
        let mut values = Values::new("", Some(channel.role));
        for row in &channel.bands {
            values.interval(["change", "change_low", "change_high"], row.band, row.change_db, row.ci95_db);
        }
        let (names, row) = (["total_change", "total_change_low", "total_change_high"], &channel.total);
        values.interval(names, row.band, row.change_db, row.ci95_db);
        all.append(&mut values.values);
    }
    all
}

/// The values of what a load adds.
pub fn of_additions(comparison: &Comparison<BandAddition>) -> Vec<Value> {
    let mut all = Vec::new();
    for channel in &comparison.channels {
        let mut values = Values::new("", Some(channel.role));
        for row in &channel.bands {
            values.interval(["rise", "rise_low", "rise_high"], row.band, row.rise_db, row.ci95_db);
        }
        let (names, row) = (["total_rise", "total_rise_low", "total_rise_high"], &channel.total);
        values.interval(names, row.band, row.rise_db, row.ci95_db);
        all.append(&mut values.values);
    }
    all
}

/// The values of what wire and air have in common.
pub fn of_couplings(captures: &[Coupling]) -> Vec<Value> {
    let mut all = Vec::new();
    for capture in captures {
        let mut values = Values::new(&capture.path, None);
        let mut row = |row: &BandCoupling| {
            values.put("coherence", &row.band.to_string(), Some(row.coherence));
            values.put("share", &row.band.to_string(), Some(row.coherent_share));
        };
        capture.bands.iter().for_each(&mut row);
        row(&capture.total);
        all.append(&mut values.values);
    }
    all
}

/// The values of a change of wire and air.
pub fn of_causes(change: &CouplingChange) -> Vec<Value> {
    let mut values = Values::new("", None);
    let mut row = |row: &BandCause| {
        values.put("wire_change", &row.band.to_string(), row.wire_change_db);
        values.put("air_change", &row.band.to_string(), row.air_change_db);
    };
    change.bands.iter().for_each(&mut row);
    row(&change.total);
    values.values
}

/// The values of a batch; a capture that failed has none.
pub fn of_batch(batch: &Batch) -> Vec<Value> {
    let mut all = Vec::new();
    for capture in &batch.captures {
        for channel in &capture.channels {
            let mut values = Values::new(&capture.path, Some(channel.role));
            for value in &channel.bands {
                values.put("level", &value.band.to_string(), level_of(value.level_db));
            }
            let total = &channel.total;
            let names = ["total", "total_low", "total_high"];
            values.interval(names, total.value.band, level_of(total.value.level_db), total.ci95_db);
            all.append(&mut values.values);
        }
    }
    all
}
