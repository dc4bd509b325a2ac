//! The options that commands share, and how they become settings.

use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;

use clap::Args;
use serde_json::{Map, Value};

use super::files::sources;
use super::terminal::Console;
use super::{Outcome, json};
use crate::analysis::acceptance::offers_of;
use crate::analysis::observe::Input;
use crate::analysis::settings::Settings;
use crate::compare::acceptance::{self, Condition};
use crate::dsp::window::Window;
use crate::error::Error;
use crate::levels::{Curve, Curves};
use crate::read::setup::setup;
use crate::read::{ReadOptions, Scale, decimal_mark, separator};
use crate::units::{Band, Hertz};

/// How captures are read and analysed.
#[derive(Debug, Clone, Args)]
pub(super) struct CaptureOptions {
    /// The wire channel, by name or number from 1 [default: the first voltage column]
    #[arg(long, value_name = "CHANNEL", help_heading = "Reading")]
    wire: Option<String>,
    /// The air channel, by name or number from 1 [default: the second voltage column]
    #[arg(long, value_name = "CHANNEL", help_heading = "Reading")]
    air: Option<String>,
    /// A second file that holds the air channel, of the same time base
    #[arg(long, value_name = "FILE", help_heading = "Reading")]
    air_file: Option<PathBuf>,
    /// The sampling rate, when the file does not say
    #[arg(long, value_name = "HZ", help_heading = "Reading")]
    sample_rate: Option<Hertz>,
    /// The separator of a text table: comma, semicolon, tab, blank, or the character
    #[arg(long, value_name = "CHARACTER", value_parser = separator, help_heading = "Reading")]
    separator: Option<char>,
    /// The decimal mark of a text table: point, comma, or the character
    #[arg(long, value_name = "CHARACTER", value_parser = decimal_mark, help_heading = "Reading")]
    decimal_mark: Option<char>,
    /// The column that is time, by name or number from 1, or none
    #[arg(long, value_name = "COLUMN", help_heading = "Reading")]
    time_column: Option<String>,
    /// The unit of the time column: s, ms, us, ns
    #[arg(long, value_name = "UNIT", help_heading = "Reading")]
    time_unit: Option<String>,
    /// The unit of channels that state none, such as V or mV
    #[arg(long, value_name = "UNIT", help_heading = "Reading")]
    unit: Option<String>,
    /// Lines to skip at the top of a text file
    #[arg(long, value_name = "N", value_parser = count::<u64>, help_heading = "Reading")]
    skip_lines: Option<u64>,
    /// The columns of a text table that are channels, by name or number from 1, separated by commas
    #[arg(long, value_name = "COLUMNS", value_delimiter = ',', help_heading = "Reading")]
    channels: Vec<String>,
    /// What one of the file's numbers is worth, such as volts for a code: 0.01, or CH1=0.01,CH2=0.02
    #[arg(long, value_name = "FACTORS", value_delimiter = ',', help_heading = "Reading")]
    scale: Vec<Scale>,
    /// Which of several records in one file, counted from 1
    #[arg(long, value_name = "N", value_parser = count::<u64>, help_heading = "Reading")]
    record: Option<u64>,
    /// The encoding of a text file: auto, utf-8, latin-1, utf-16, utf-16le, utf-16be
    #[arg(long, value_name = "NAME", help_heading = "Reading")]
    encoding: Option<String>,
    /// The most memory a reader may take, such as 500M
    #[arg(long, value_name = "SIZE", value_parser = size, help_heading = "Reading")]
    max_memory: Option<u64>,
    /// The nominal mains frequency: 50, 60 or auto
    #[arg(long, value_name = "50|60|auto", default_value = "auto", value_parser = mains, help_heading = "Analysis")]
    mains: Mains,
    /// The measuring chain, from volts at the recorder to the quantity on the line; see "setup"
    #[arg(long, value_name = "FILE.toml", help_heading = "Reading")]
    setup: Option<PathBuf>,
    /// The cutoff of the mains removal, or off
    #[arg(long, value_name = "HZ|off", default_value = "1k", value_parser = high_pass, help_heading = "Analysis")]
    high_pass: HighPassOption,
    /// The range of frequencies
    #[arg(long, value_name = "LOW:HIGH", default_value = "2k:150k", help_heading = "Analysis")]
    range: Band,
    /// The resolution bandwidth
    #[arg(long, value_name = "HZ", default_value = "200", help_heading = "Analysis")]
    rbw: Hertz,
    /// The window: hann, hft95 (flat top), kaiser:8.6 ...
    #[arg(long, value_name = "NAME", default_value = "hann", help_heading = "Analysis")]
    window: Window,
    /// The overlap of segments, a fraction
    #[arg(long, value_name = "FRACTION", default_value_t = 0.5, value_parser = fraction, help_heading = "Analysis")]
    overlap: f64,
    /// Samples in a segment; overrides --rbw
    #[arg(long, value_name = "N", value_parser = count::<usize>, help_heading = "Analysis")]
    segment: Option<usize>,
}

#[derive(Debug, Clone, Copy)]
struct Mains(Option<f64>);

#[derive(Debug, Clone, Copy)]
struct HighPassOption(Option<Hertz>);

impl CaptureOptions {
    /// The settings in force.
    pub(super) fn settings(&self) -> Result<Settings, Error> {
        let settings = Settings {
            wire: self.wire.clone(),
            air: self.air.clone(),
            air_file: self.air_file.as_deref().map(super::files::source),
            mains: self.mains.0,
            high_pass: self.high_pass.0,
            range: self.range,
            resolution: self.rbw,
            window: self.window,
            overlap: self.overlap,
            segment: self.segment,
            setup: self.setup.as_deref().map(|path| setup(&super::files::source(path)).map(Arc::new)).transpose()?,
            read: ReadOptions {
                sample_rate: self.sample_rate,
                separator: self.separator,
                decimal_mark: self.decimal_mark,
                time_column: self.time_column.clone(),
                time_unit: self.time_unit.clone(),
                unit: self.unit.clone(),
                skip_lines: self.skip_lines,
                channels: self.channels.clone(),
                scale: self.scale.clone(),
                record: self.record,
                encoding: self.encoding.clone(),
                max_memory: self.max_memory,
            },
            fingerprints: true,
        };
        settings.check()?;
        Ok(settings)
    }
}

/// Where the result goes.
#[derive(Debug, Clone, Args)]
pub(super) struct OutputOptions {
    /// Print one JSON document instead of a table
    #[arg(long, help_heading = "Output")]
    pub(super) json: bool,
    /// Write the result to a file; its ending picks the kind
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    pub(super) output: Option<PathBuf>,
    /// Replace the output file even if something else made it
    #[arg(long, help_heading = "Output")]
    pub(super) force: bool,
}

/// The published levels that a result is held against.
#[derive(Debug, Clone, Args)]
pub(super) struct LevelOptions {
    /// A level to hold the result against, by name, as "levels" lists them; may be given more than once
    #[arg(long, value_name = "NAME", help_heading = "Levels")]
    against: Vec<String>,
    /// Levels of your own, besides the published ones; see "levels --new"
    #[arg(long, value_name = "FILE.toml", requires = "against", help_heading = "Levels")]
    levels: Vec<PathBuf>,
}

impl LevelOptions {
    /// The levels asked for, each once, in the order in which they are named.
    pub(super) fn curves(&self) -> Result<Vec<Curve>, Error> {
        let known = Curves::with(&sources(&self.levels))?;
        let mut curves: Vec<Curve> = Vec::new();
        for name in &self.against {
            let curve = known.named(name)?;
            if !curves.iter().any(|other| other.name == curve.name) {
                curves.push(curve.clone());
            }
        }
        Ok(curves)
    }

    /// Says what was asked for, among the settings in force.
    pub(super) fn put_into(&self, settings: &mut Map<String, Value>) -> Result<(), Error> {
        settings.insert("against".into(), json(&self.against)?);
        settings.insert("levels".into(), json(&inputs(&self.levels)?)?);
        Ok(())
    }

    fn is_asked(&self) -> bool {
        !self.against.is_empty()
    }
}

/// The fingerprints of files.
pub(super) fn inputs(paths: &[PathBuf]) -> Result<Vec<Input>, Error> {
    sources(paths).iter().map(Input::of).collect()
}

/// What a result must not meet.
#[derive(Debug, Clone, Args)]
pub(super) struct AcceptanceOptions {
    /// End with status 3 when a value meets this, such as 'margin<0' or 'wire.change>-3' (quoted for the shell); may be given more than once
    #[arg(long, value_name = "CONDITION", help_heading = "Output")]
    fail_on: Vec<Condition>,
}

impl AcceptanceOptions {
    /// Checks before the work starts that the command offers what the conditions name.
    pub(super) fn check(&self, command: &str, levels: Option<&LevelOptions>) -> Result<(), Error> {
        acceptance::check(&self.fail_on, offers_of(command))?;
        let margin = self.fail_on.iter().any(|condition| condition.quantity() == "margin");
        if margin && !levels.is_some_and(LevelOptions::is_asked) {
            return Err(Error::usage("--fail-on asks for a margin, and no level is named to have one to")
                .remedy("name a level with --against"));
        }
        Ok(())
    }

    /// Says what was asked for, among the settings in force.
    pub(super) fn put_into(&self, settings: &mut Map<String, Value>) {
        let conditions: Vec<Value> = self.fail_on.iter().map(|condition| condition.to_string().into()).collect();
        settings.insert("fail_on".into(), conditions.into());
    }

    /// Names each violation and gives how the command ends.
    pub(super) fn judge(
        &self,
        console: &mut Console,
        command: &str,
        outcome: Outcome,
        values: impl FnOnce() -> Vec<acceptance::Value>,
    ) -> Result<Outcome, Error> {
        if self.fail_on.is_empty() {
            return Ok(outcome);
        }
        let judgement = acceptance::judge(&self.fail_on, offers_of(command), &values())?;
        judgement.violations.iter().for_each(|sentence| console.remark("over", sentence));
        judgement.not_judged.iter().for_each(|sentence| console.remark("not judged", sentence));
        match (judgement.violations.is_empty(), judgement.not_judged.is_empty()) {
            (false, _) => Ok(Outcome::Over),
            (true, true) => Ok(outcome),
            (true, false) => Err(Error::input("--fail-on cannot be judged: values that it asks for do not exist")
                .remedy("see the lines above; a test is not passed for lack of data")),
        }
    }
}

fn fraction(text: &str) -> Result<f64, String> {
    text.parse().map_err(|_| "expected a fraction such as 0.5".into())
}

fn count<T: FromStr>(text: &str) -> Result<T, String> {
    text.parse().map_err(|_| "expected a whole number".into())
}

fn mains(text: &str) -> Result<Mains, String> {
    match text {
        "auto" => Ok(Mains(None)),
        "50" => Ok(Mains(Some(50.0))),
        "60" => Ok(Mains(Some(60.0))),
        _ => Err("expected 50, 60 or auto".into()),
    }
}

fn high_pass(text: &str) -> Result<HighPassOption, String> {
    match text {
        "off" => Ok(HighPassOption(None)),
        _ => text.parse().map(|cutoff| HighPassOption(Some(cutoff))).map_err(|e: Error| e.to_string()),
    }
}

/// Reads a size in bytes with k, M or G.
fn size(text: &str) -> Result<u64, String> {
    let refuse =
        || format!("\"{}\" is no size; expected bytes with k, M or G, such as 500M", crate::error::printable(text));
    let (number, factor) = match text.chars().next_back() {
        Some('k' | 'K') => (&text[..text.len() - 1], 1u64 << 10),
        Some('M') => (&text[..text.len() - 1], 1 << 20),
        Some('G') => (&text[..text.len() - 1], 1 << 30),
        _ => (text, 1),
    };
    let number: u64 = number.parse().map_err(|_| refuse())?;
    number.checked_mul(factor).filter(|&bytes| bytes > 0).ok_or_else(refuse)
}
