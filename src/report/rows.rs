//! The results of a campaign as rows: one a capture, channel and band, one for the total of a channel, and one for a
//! capture that could not be analysed. [`COLUMNS`] is the one list that CSV, JSON lines and Parquet are made from.

use serde::ser::{SerializeMap, Serializer};
use serde::{Deserialize, Serialize};

use crate::analysis::batch::BatchRow;
use crate::analysis::observe::Input;
use crate::error::Error;
use crate::measure::bands::BandValue;

/// One capture as a campaign keeps it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// The file as named.
    pub path: String,
    /// The SHA-256 of its bytes; `None` where it could not be read.
    pub sha256: Option<String>,
    /// Its length.
    pub bytes: Option<u64>,
    /// How long it lasts.
    pub duration_s: Option<f64>,
    /// Its sampling rate.
    pub sample_rate_hz: Option<f64>,
    /// Why it could not be analysed.
    pub error: Option<String>,
    /// The codes of its findings, each once.
    pub warnings: Vec<String>,
    /// The second file, where the capture lies in two.
    pub companion: Option<String>,
    /// The analysed channels.
    pub channels: Vec<RecordChannel>,
}

/// One channel of a record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecordChannel {
    /// The role by its name.
    pub role: String,
    /// The unit.
    pub unit: String,
    /// Whether most of the range is likely the converter's own noise.
    pub mostly_floor: bool,
    /// The ends of the 95 % interval of the level of the total, each where it exists.
    pub ci95_db: [Option<f64>; 2],
    /// The bands, the total of the range last.
    pub bands: Vec<RecordBand>,
}

/// What a band of a record holds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RecordBand {
    /// The lower edge.
    pub low_hz: f64,
    /// The upper edge.
    pub high_hz: f64,
    /// The RMS value in the channel's unit.
    pub rms: f64,
    /// The level of that; `None` where nothing is in the band.
    pub level_db: Option<f64>,
}

impl RecordBand {
    fn of(value: &BandValue) -> Self {
        let level = value.level_db.get();
        Self {
            low_hz: value.band.low(),
            high_hz: value.band.high(),
            rms: value.rms,
            level_db: level.is_finite().then_some(level),
        }
    }
}

/// The ends of an interval that are numbers.
fn ends(interval: Option<[f64; 2]>) -> [Option<f64>; 2] {
    interval.map_or([None; 2], |ends| ends.map(|end| end.is_finite().then_some(end)))
}

impl Record {
    /// From a row of a batch and the fingerprints of its files.
    pub fn of(inputs: &[Input], row: &BatchRow) -> Self {
        let input = inputs.iter().find(|input| input.path == row.path);
        let mut warnings: Vec<String> = Vec::new();
        for finding in &row.warnings {
            if !warnings.iter().any(|code| code == finding.code) {
                warnings.push(finding.code.to_owned());
            }
        }
        let channels = row.channels.iter().map(|channel| RecordChannel {
            role: channel.role.name().to_owned(),
            unit: channel.unit.symbol().to_owned(),
            mostly_floor: channel.mostly_floor,
            ci95_db: ends(channel.total.ci95_db),
            bands: channel.bands.iter().chain([&channel.total.value]).map(RecordBand::of).collect(),
        });
        Self {
            path: row.path.clone(),
            sha256: input.and_then(|input| input.sha256.clone()),
            bytes: input.map(|input| input.bytes),
            duration_s: row.duration_s,
            sample_rate_hz: row.sample_rate_hz,
            error: row.error.clone(),
            warnings,
            companion: row.companion.clone(),
            channels: channels.collect(),
        }
    }

    /// Its rows. `settings` is the fingerprint of the settings in force.
    pub fn rows<'a>(&'a self, settings: &'a str) -> impl Iterator<Item = Row<'a>> {
        let warnings = self.warnings.join(" ");
        let row = move |channel: Option<&'a RecordChannel>, band: Option<&'a RecordBand>, is_total: bool| Row {
            record: self,
            warnings: warnings.clone(),
            channel,
            band,
            is_total,
            settings,
        };
        let bare = self.channels.is_empty().then(|| row(None, None, false));
        let of_channel = move |channel: &'a RecordChannel| {
            let row = row.clone();
            let last = channel.bands.len().saturating_sub(1);
            channel.bands.iter().enumerate().map(move |(at, band)| row(Some(channel), Some(band), at == last))
        };
        bare.into_iter().chain(self.channels.iter().flat_map(of_channel))
    }
}

/// One row.
#[derive(Debug, Clone)]
pub struct Row<'a> {
    record: &'a Record,
    warnings: String,
    channel: Option<&'a RecordChannel>,
    band: Option<&'a RecordBand>,
    is_total: bool,
    settings: &'a str,
}

/// A column: its name, and how to get its value from a row.
#[derive(Debug, Clone, Copy)]
pub struct RowColumn {
    /// The name.
    pub name: &'static str,
    /// The value.
    pub cell: Cell,
}

/// How to get a value from a row, by its kind; `None` where it does not exist.
#[derive(Debug, Clone, Copy)]
pub enum Cell {
    /// A word or a sentence.
    Text(for<'a> fn(&'a Row<'_>) -> Option<&'a str>),
    /// A number.
    Number(fn(&Row<'_>) -> Option<f64>),
    /// A whole number.
    Count(fn(&Row<'_>) -> Option<u64>),
    /// Yes or no.
    Flag(fn(&Row<'_>) -> Option<bool>),
}

const fn column(name: &'static str, cell: Cell) -> RowColumn {
    RowColumn { name, cell }
}

/// The column by which Parquet files are parted into folders.
pub const ROLE: &str = "role";

/// All columns in their order.
pub const COLUMNS: &[RowColumn] = &[
    column("path", Cell::Text(|row| Some(&row.record.path))),
    column("sha256", Cell::Text(|row| row.record.sha256.as_deref())),
    column("bytes", Cell::Count(|row| row.record.bytes)),
    column("duration_s", Cell::Number(|row| row.record.duration_s)),
    column("sample_rate_hz", Cell::Number(|row| row.record.sample_rate_hz)),
    column(ROLE, Cell::Text(|row| Some(row.role()))),
    column("unit", Cell::Text(|row| row.channel.map(|channel| channel.unit.as_str()))),
    column("low_hz", Cell::Number(|row| row.band.map(|band| band.low_hz))),
    column("high_hz", Cell::Number(|row| row.band.map(|band| band.high_hz))),
    column("whole_range", Cell::Flag(|row| row.band.map(|_| row.is_total))),
    column("rms", Cell::Number(|row| row.band.map(|band| band.rms))),
    column("level_db", Cell::Number(|row| row.band.and_then(|band| band.level_db))),
    column("ci95_low_db", Cell::Number(|row| row.interval()[0])),
    column("ci95_high_db", Cell::Number(|row| row.interval()[1])),
    column("status", Cell::Text(|row| Some(if row.record.error.is_none() { "done" } else { "failed" }))),
    column("error", Cell::Text(|row| row.record.error.as_deref())),
    column("warnings", Cell::Text(|row| Some(&row.warnings))),
    column("settings", Cell::Text(|row| Some(row.settings))),
    column("version", Cell::Text(|_| Some(env!("CARGO_PKG_VERSION")))),
];

impl Row<'_> {
    /// The role of its channel; "none" for a capture without any, because not all tools take a partition without a
    /// value.
    pub fn role(&self) -> &str {
        self.channel.map_or("none", |channel| channel.role.as_str())
    }

    fn interval(&self) -> [Option<f64>; 2] {
        self.channel.filter(|_| self.is_total).map_or([None; 2], |channel| channel.ci95_db)
    }
}

impl Serialize for Row<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(COLUMNS.len()))?;
        for column in COLUMNS {
            match column.cell {
                Cell::Text(value) => map.serialize_entry(column.name, &value(self))?,
                Cell::Number(value) => map.serialize_entry(column.name, &value(self))?,
                Cell::Count(value) => map.serialize_entry(column.name, &value(self))?,
                Cell::Flag(value) => map.serialize_entry(column.name, &value(self))?,
            }
        }
        map.end()
    }
}

/// The header line of the CSV form, with its line break.
pub fn csv_header() -> String {
    let names: Vec<&str> = COLUMNS.iter().map(|column| column.name).collect();
    format!("{}\n", names.join(","))
}

/// Adds a row in the CSV form; what does not exist stays empty.
///
/// # Errors
/// None but for a lack of memory.
pub fn push_csv(row: &Row<'_>, out: &mut Vec<u8>) -> Result<(), Error> {
    let mut line = csv::Writer::from_writer(out);
    let fields = COLUMNS.iter().map(|column| match column.cell {
        Cell::Text(value) => value(row).unwrap_or_default().to_owned(),
        Cell::Number(value) => value(row).map(|value| value.to_string()).unwrap_or_default(),
        Cell::Count(value) => value(row).map(|value| value.to_string()).unwrap_or_default(),
        Cell::Flag(value) => value(row).map(|value| value.to_string()).unwrap_or_default(),
    });
    line.write_record(fields)
        .map_err(csv::Error::into)
        .and_then(|()| line.flush())
        .map_err(|e| Error::output(format!("a row cannot be put into CSV: {e}")))
}

/// Adds a row as a line of JSON; what does not exist is null.
///
/// # Errors
/// None but for a lack of memory.
pub fn push_json(row: &Row<'_>, out: &mut Vec<u8>) -> Result<(), Error> {
    serde_json::to_writer(&mut *out, row).map_err(|e| Error::output(format!("a row cannot be put into JSON: {e}")))?;
    out.push(b'\n');
    Ok(())
}
