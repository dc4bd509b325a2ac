use std::collections::HashSet;
use std::path::{Path, PathBuf};

use clap::Args;

use super::files::source;
use super::mitigate::above_zero;
use super::options::{Mains, OutputOptions, mains, seconds};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file};
use crate::analysis::inspect::inspect;
use crate::analysis::plan::{Checked, Pattern, Plan as Planned, Wanted, check, plan};
use crate::analysis::settings::Settings;
use crate::dsp::window::Window;
use crate::error::{Error, printable};
use crate::measure::bands::Scheme;
use crate::report::plan as report;
use crate::survey::description;
use crate::units::{Band, Hertz, with_prefix};

/// Which sample rate, record length, range and probes does the job need?
///
/// From what is to be shown to what is to be set: sample rate, record length, range, probe, captures and their order, the
/// expected floor, the smallest difference that comparing will show, file sizes, conflicts with their remedies, and a
/// checklist to print. With --check captures are held against the plan.
#[derive(Debug, Args)]
pub(super) struct Plan {
    /// The range of frequencies
    #[arg(long, value_name = "LOW:HIGH", default_value = "2k:150k")]
    range: Band,
    /// The bands that will be compared: 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "2k")]
    bands: Scheme,
    /// The smallest level to be shown on the line in one resolution bandwidth: volts RMS (100u) or dBuV (40dBuV)
    #[arg(long, value_name = "LEVEL", default_value = "100u", value_parser = level)]
    smallest: f64,
    /// The largest noise expected on the line, mains aside: volts RMS or dBuV
    #[arg(long, value_name = "LEVEL", default_value = "100m", value_parser = level)]
    largest: f64,
    /// The mains is still in the signal, with so many volts RMS [default: a coupling network removes it]
    #[arg(long, value_name = "VOLTS", value_parser = volts)]
    mains_present: Option<f64>,
    /// The nominal mains frequency: 50, 60 or auto
    #[arg(long, value_name = "50|60|auto", default_value = "auto", value_parser = mains)]
    mains: Mains,
    /// The bits of the converter
    #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u32).range(4..=24))]
    bits: u32,
    /// The samples that the recorder holds for each channel
    #[arg(long, value_name = "SAMPLES", default_value = "1M", value_parser = samples)]
    memory: f64,
    /// The highest sample rate of the recorder
    #[arg(long, value_name = "HZ", default_value = "10M")]
    highest_rate: Hertz,
    /// The resolution bandwidth
    #[arg(long, value_name = "HZ", default_value = "200")]
    rbw: Hertz,
    /// The window: hann, hft95 (flat top), kaiser:8.6 ...
    #[arg(long, value_name = "NAME", default_value = "hann")]
    window: Window,
    /// Quasi-peak readings are wanted
    #[arg(long)]
    quasi_peak: bool,
    /// The load comes and goes, about every so long, such as 2s or 10m [default: it is steady or in step with the mains]
    #[arg(long, value_name = "TIME", value_parser = seconds)]
    every: Option<f64>,
    /// Captures of each state
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u16).range(1..=1000))]
    captures: u16,
    /// Volts on the line for a volt at the recorder
    #[arg(long, value_name = "RATIO", default_value = "1", value_parser = ratio)]
    probe: f64,
    /// How much the load's power varies from capture to capture by itself, in percent (standard deviation)
    #[arg(long, value_name = "PERCENT", default_value = "0", value_parser = percent)]
    scatter: f64,
    /// Print the checklist only
    #[arg(long, conflicts_with = "json")]
    checklist: bool,
    /// Hold captures against the plan: their files, or the description of a survey that names them
    #[arg(long, num_args = 1.., value_name = "FILE|SURVEY.toml")]
    check: Vec<PathBuf>,
    #[command(flatten)]
    output: OutputOptions,
}

/// The plan as a document holds it.
#[derive(serde::Serialize)]
struct Document<'a> {
    plan: &'a Planned,
    #[serde(skip_serializing_if = "<[Checked]>::is_empty")]
    checked: &'a [Checked],
}

fn level(text: &str) -> Result<f64, Error> {
    let bare = text.trim();
    let units = [("dBuV", 1e-6), ("dBµV", 1e-6), ("dBμV", 1e-6), ("dBmV", 1e-3)];
    let decibels = units.iter().find_map(|(unit, volts)| Some((bare.strip_suffix(unit)?, volts)));
    let value = match decibels {
        Some((number, volts)) => with_prefix(number, "dBµV").map(|db| volts * 10f64.powf(db / 20.0))?,
        None => above_zero(bare, "V")?,
    };
    if (1e-12..=1e6).contains(&value) {
        return Ok(value);
    }
    Err(Error::usage(format!("\"{}\" is no level that a line has", printable(text)))
        .expected("volts such as 100u, or 40dBuV"))
}

fn volts(text: &str) -> Result<f64, Error> {
    above_zero(text, "V")
}

fn samples(text: &str) -> Result<f64, Error> {
    above_zero(text, "S").map(f64::round).and_then(|count| {
        if count >= 1000.0 {
            return Ok(count);
        }
        Err(Error::usage(format!("a memory of {count} samples")).expected("1000 or more, such as 1M"))
    })
}

fn ratio(text: &str) -> Result<f64, Error> {
    above_zero(text.strip_suffix(":1").unwrap_or(text), "V/V")
}

fn percent(text: &str) -> Result<f64, String> {
    let value = text.trim_end_matches('%').trim().parse::<f64>().ok().filter(|value| (0.0..=200.0).contains(value));
    value.map(|value| value / 100.0).ok_or_else(|| "expected percent from 0 to 200, such as 10".into())
}

impl Plan {
    /// The captures that are to be held against the plan, each once.
    fn captures(&self) -> Result<Vec<PathBuf>, Error> {
        let mut captures: Vec<PathBuf> = Vec::new();
        for path in &self.check {
            if path.extension().is_none_or(|ending| ending != "toml") {
                captures.push(path.clone());
                continue;
            }
            let survey = description::read(&source(path))?;
            let folder = path.parent().unwrap_or(Path::new(""));
            captures.extend(survey.captures().into_iter().map(|(_, name)| folder.join(name)));
        }
        let mut seen = HashSet::new();
        captures.retain(|path| seen.insert(path.clone()));
        Ok(captures)
    }

    fn wanted(&self) -> Wanted {
        Wanted {
            range: self.range,
            bands: self.bands.clone(),
            smallest_v: self.smallest,
            largest_v: self.largest,
            mains_v: self.mains_present,
            mains_hz: self.mains.0.unwrap_or(50.0),
            bits: self.bits,
            memory: self.memory,
            highest_rate_hz: self.highest_rate.get(),
            resolution: self.rbw,
            window: self.window,
            quasi_peak: self.quasi_peak,
            pattern: self
                .every
                .filter(|every| *every > 0.0)
                .map_or(Pattern::Steady, |every_s| Pattern::ComesAndGoes { every_s }),
            captures: usize::from(self.captures),
            probe: self.probe,
            scatter: self.scatter,
        }
    }
}

impl Run for Plan {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "What must be set so that 100 µV can be shown?",
            line: "linewake plan --smallest 100u --largest 10m --bits 12 --memory 1M",
        },
        Example {
            answers: "What if the mains stays in the signal?",
            line: "linewake plan --smallest 40dBuV --mains-present 230 --probe 100 --bits 8 --checklist",
        },
        Example {
            answers: "Do these captures keep to the plan?",
            line: "linewake plan --smallest 100u --largest 10m --bits 12 --check demo/captures/led-panel-on-1.csv",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let delivery = Delivery::prepare("plan", &self.output, false)?;
        if self.every.is_some_and(|every| every <= 0.0) {
            return Err(Error::usage("a load that comes and goes every 0 s")
                .expected("a time above zero, such as --every 2s")
                .remedy("leave --every out for a load that is steady"));
        }
        if self.rbw.get() > self.range.width() {
            return Err(Error::usage(format!("a resolution of {} in a range of {}", self.rbw, self.range))
                .expected("a resolution narrower than the range, such as --rbw 200"));
        }
        let planned = plan(self.wanted())?;
        let settings = Settings {
            range: self.range,
            resolution: self.rbw,
            window: self.window,
            mains: self.mains.0,
            fingerprints: delivery.has_document(),
            ..Settings::default()
        };
        let (held, outcome) = if self.check.is_empty() {
            (Vec::new(), Outcome::Done)
        } else {
            each_file(console, &self.captures()?, |source| inspect(source, &settings))?
        };
        let checked: Vec<Checked> = held.iter().map(|capture| check(&planned, capture)).collect();
        let inputs: Vec<_> = held.iter().flat_map(|capture| capture.inputs()).collect();
        console.findings(planned.conflicts.iter().map(|finding| (None, finding)));
        let forms = Forms {
            settings: serde_json::json!({ "window": self.window.name() }),
            inputs: &inputs,
            body: Document { plan: &planned, checked: &checked },
            figure: None,
            columns: &|| report::columns(&planned),
        };
        let outcome = if checked.iter().all(Checked::is_met) { outcome } else { Outcome::Partly };
        delivery.deliver(console, forms, |console| {
            if self.checklist {
                return console.sentences(&report::checklist(&planned)[1..]);
            }
            if checked.is_empty() {
                console.sentences(&report::sentences(&planned))?;
                console.table(&report::table(&planned))?;
                return console.sentences(&report::checklist(&planned));
            }
            console.sentences(&[report::of_checked(&checked)])?;
            console.table(&report::checked(&checked))
        })?;
        Ok(outcome)
    }
}
