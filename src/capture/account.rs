//! How a file was read: the data block, each column's part and why, the rates that were weighed, what was skipped,
//! what stayed doubtful, and the option that settles each.

use serde::Serialize;

use super::block::Header;
use super::channel::Quantity;
use crate::error::{Finding, Severity};

/// The account of a reading, for people who ask why. All of it is also in [`Header::reading`] as sentences.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Account {
    /// Further files of the same folder that the reading used, by their bare names: the other half of a record, a
    /// header apart from its data, options beside the capture.
    pub files: Vec<String>,
    /// Options from files beside the capture.
    pub beside: Vec<OptionBeside>,
    /// The block of data, in text files.
    pub block: Option<DataBlock>,
    /// The columns or channels, in the order of the file.
    pub columns: Vec<ColumnAccount>,
    /// The sampling rates that were weighed.
    pub rates: Vec<RateCandidate>,
    /// What was left out.
    pub skipped: Vec<String>,
    /// What the file leaves open, and how it was taken.
    pub doubts: Vec<Doubt>,
}

/// An option that a file beside the capture sets.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OptionBeside {
    /// Its key.
    pub key: String,
    /// Which file.
    pub file: String,
    /// The line, counted from 1.
    pub line: u64,
    /// Whether it is in force; what the command line or a nearer file says goes first.
    pub in_force: bool,
}

/// Where the data of a text file lies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DataBlock {
    /// How the characters are coded.
    pub encoding: String,
    /// What ends the lines.
    pub line_ends: String,
    /// What stands between cells.
    pub separator: String,
    /// The decimal mark.
    pub decimal_mark: String,
    /// Lines with names and units.
    pub header_lines: u64,
    /// The first line of data, counted from 1.
    pub first_line: u64,
    /// The last line of data.
    pub last_line: u64,
    /// How many rows there are.
    pub rows: u64,
    /// The options that settle this otherwise.
    pub option: String,
}

/// A column and what it was taken for.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ColumnAccount {
    /// The number within the file, counted from 1.
    pub number: usize,
    /// The name as the file gives it.
    pub name: String,
    /// What it was taken for: `time`, `channel`, `count` and so on.
    pub role: String,
    /// The unit that numbers have after reading; empty where there is none.
    pub unit: String,
    /// The factor from the file's numbers to that unit.
    pub scale: f64,
    /// Why.
    pub why: String,
    /// The option that settles it otherwise.
    pub option: String,
}

/// A sampling rate that something in the file, or the user, states.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RateCandidate {
    /// Who says so.
    pub source: String,
    /// As it is written there.
    pub written: String,
    /// The rate.
    pub rate_hz: f64,
    /// Half a unit of the last digit, relative.
    pub relative_uncertainty: f64,
    /// Whether it agrees with the rate that was taken, within the uncertainty of both.
    pub agrees: bool,
    /// Whether it was taken.
    pub used: bool,
}

/// Something that the file leaves open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Doubt {
    /// What, and how it was taken.
    pub what: String,
    /// The options that settle it, or what else does.
    pub option: String,
}

impl Doubt {
    /// What a remark leaves open, with what settles it; nothing where it is a mere note.
    pub fn of(finding: &Finding) -> Option<Self> {
        let option = match finding.code {
            "unit_unknown" => "--unit",
            "codes_without_volts" => "--scale, --unit",
            "rate_overridden"
            | "rate_uncertain"
            | "count_in_steps"
            | "single_precision_times"
            | "time_stamps_disagree"
            | "time_stamps_uneven"
            | "time_stamps_unusable" => "--sample-rate",
            _ => "none; look at the file, or export the record once more",
        };
        let what = finding.message.clone();
        // A rate that nothing confirms is a doubt, even where it limits no result.
        let is_open = finding.severity > Severity::Note || finding.code.starts_with("time_stamps");
        is_open.then(|| Self { what, option: option.to_owned() })
    }
}

impl Account {
    /// What a header by itself tells: its channels and its clock.
    pub fn of(header: &Header) -> Self {
        let open = |quantity: &Quantity| !matches!(quantity, Quantity::Unit(_));
        let count = header.channels.len();
        let column = |(at, channel): (usize, &super::Channel)| ColumnAccount {
            number: at + 1,
            name: channel.name.clone(),
            role: "channel".to_owned(),
            unit: channel.quantity.symbol().to_owned(),
            scale: 1.0,
            why: format!("channel {} of {count} in the file", at + 1),
            option: format!(
                "{}--channels, --wire, --air",
                if open(&channel.quantity) { "--scale, --unit, " } else { "--scale, " }
            ),
        };
        let clock = &header.clock;
        Self {
            files: Vec::new(),
            beside: Vec::new(),
            block: None,
            columns: header.channels.iter().enumerate().map(column).collect(),
            rates: vec![RateCandidate {
                source: clock.source.words().to_owned(),
                written: format!("{} Hz", clock.rate.get()),
                rate_hz: clock.rate.get(),
                relative_uncertainty: clock.relative_uncertainty,
                agrees: true,
                used: true,
            }],
            skipped: Vec::new(),
            doubts: header.findings.iter().filter_map(Doubt::of).collect(),
        }
    }
}
