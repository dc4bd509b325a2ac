use std::path::PathBuf;
use std::str::FromStr;

use clap::Args;

use super::files::source;
use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, json};
use crate::analysis::mitigate::{Request, assumed, mitigate};
use crate::analysis::observe::Input;
use crate::circuit::supply::{Capacitor, Element, Node, Origin, Place, Supply, Tolerances};
use crate::circuit::{Impedance, Unfit};
use crate::error::{Error, printable};
use crate::measure::bands::Scheme;
use crate::read::impedance::impedance;
use crate::report::mitigate as report;
use crate::units::with_prefix;

/// What would a shunt filter do here, and what would it cost at mains frequency?
///
/// The insertion loss over frequency: above zero the filter attenuates, below it amplifies, which a capacitor on an
/// inductive line does below and near their resonance. With FILE (captures without the filter) the loss is applied to
/// what is on the wire; with --after (captures with it in place) the change predicted stands beside the one measured.
#[derive(Debug, Args)]
pub(super) struct Mitigate {
    /// Captures without the filter
    #[arg(value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Captures with the filter in place
    #[arg(long, num_args = 1.., value_name = "FILE")]
    after: Vec<PathBuf>,
    /// A capacitor across the line: FARAD[,esr=OHM][,esl=HENRY][,discharge=OHM][,at=METRES from the load]; may be given
    /// more than once
    #[arg(long, value_name = "FARAD,...", help_heading = "Filter", required_unless_present = "elements")]
    capacitor: Vec<CapacitorSpec>,
    /// An element of a network: FROM,TO,ohm=,henry=,farad= (in series where several); nodes are load, neutral, line (before
    /// what is in series with the load) and names of your own; may be given more than once
    #[arg(long = "element", value_name = "FROM,TO,...", help_heading = "Filter")]
    elements: Vec<ElementSpec>,
    /// The resistance of the mains at the outlet [default: 0.4, assumed]
    #[arg(long, value_name = "OHM", help_heading = "Circuit", value_parser = ohm, conflicts_with = "source_impedance")]
    source_ohm: Option<f64>,
    /// The inductance of the mains at the outlet [default: 50u, assumed]
    #[arg(long, value_name = "HENRY", help_heading = "Circuit", value_parser = henry, conflicts_with = "source_impedance")]
    source_henry: Option<f64>,
    /// The measured impedance of the mains: a table with frequency_hz,ohm,phase_deg or frequency_hz,resistance_ohm,
    /// reactance_ohm
    #[arg(long, value_name = "FILE.csv", help_heading = "Circuit")]
    source_impedance: Option<PathBuf>,
    /// The resistance of the load [default: 50, assumed]
    #[arg(long, value_name = "OHM", help_heading = "Circuit", value_parser = ohm, conflicts_with_all = ["load_impedance", "no_load"])]
    load_ohm: Option<f64>,
    /// The inductance of the load, in series with its resistance
    #[arg(long, value_name = "HENRY", help_heading = "Circuit", value_parser = henry, conflicts_with_all = ["load_impedance", "no_load"])]
    load_henry: Option<f64>,
    /// The measured impedance of the load: a table as for the source
    #[arg(long, value_name = "FILE.csv", help_heading = "Circuit", conflicts_with = "no_load")]
    load_impedance: Option<PathBuf>,
    /// There is no load
    #[arg(long, help_heading = "Circuit")]
    no_load: bool,
    /// The length of line from the outlet to the load in metres [default: as far as the farthest filter]
    #[arg(long, value_name = "METRES", help_heading = "Circuit", value_parser = metres)]
    line: Option<f64>,
    /// The resistance of a metre of line, there and back (2.5 mm² copper)
    #[arg(long, value_name = "OHM", help_heading = "Circuit", default_value = "15m", value_parser = ohm)]
    line_ohm: f64,
    /// The inductance of a metre of line, there and back
    #[arg(long, value_name = "HENRY", help_heading = "Circuit", default_value = "0.7u", value_parser = henry)]
    line_henry: f64,
    /// Where the noise comes from: line (from elsewhere) or load
    #[arg(long, value_name = "line|load", help_heading = "Circuit", default_value = "line", value_parser = origin)]
    noise: Origin,
    /// Where it is looked at: load or outlet
    #[arg(long, value_name = "load|outlet", help_heading = "Circuit", default_value = "load", value_parser = place)]
    seen_at: Place,
    /// How far parts may be from what is stated, in percent: capacitor (and elements), parasitic (series resistance and
    /// leads), source, load, line
    #[arg(
        long,
        value_name = "PART=PERCENT,...",
        help_heading = "Circuit",
        default_value = "capacitor=10,parasitic=50,source=30,load=50,line=30"
    )]
    tolerance: ToleranceSpec,
    /// How many circuits are drawn within the tolerances
    #[arg(long, value_name = "N", help_heading = "Circuit", default_value_t = 500, value_parser = clap::value_parser!(u64).range(40..=100_000))]
    draws: u64,
    /// The seed of the draws
    #[arg(long, value_name = "N", help_heading = "Circuit", default_value_t = 1)]
    seed: u64,
    /// The mains voltage, RMS
    #[arg(long, value_name = "VOLTS", help_heading = "Circuit", default_value = "230", value_parser = volts)]
    mains_voltage: f64,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "2k")]
    bands: Scheme,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    output: OutputOptions,
}

/// A capacitor as it is written on the command line.
#[derive(Debug, Clone)]
struct CapacitorSpec(Capacitor);

/// An element likewise.
#[derive(Debug, Clone)]
struct ElementSpec(Element);

/// Tolerances likewise.
#[derive(Debug, Clone)]
struct ToleranceSpec(Tolerances);

/// A value with its prefix that is not below zero.
fn at_least_zero(text: &str, unit: &str) -> Result<f64, Error> {
    with_prefix(text, unit).and_then(|value| {
        if value >= 0.0 {
            return Ok(value);
        }
        Err(Error::usage(format!("\"{}\" is below zero", printable(text)))
            .expected(format!("a value in {unit} that is not")))
    })
}

pub(super) fn above_zero(text: &str, unit: &str) -> Result<f64, Error> {
    at_least_zero(text, unit).and_then(|value| {
        if value > 0.0 {
            return Ok(value);
        }
        Err(Error::usage(format!("\"{}\" is zero", printable(text))).expected(format!("a value in {unit} above zero")))
    })
}

fn ohm(text: &str) -> Result<f64, Error> {
    at_least_zero(text, "ohm")
}

fn henry(text: &str) -> Result<f64, Error> {
    at_least_zero(text, "H")
}

fn volts(text: &str) -> Result<f64, Error> {
    above_zero(text, "V")
}

fn metres(text: &str) -> Result<f64, Error> {
    at_least_zero(text.strip_suffix('m').unwrap_or(text), "metres").and_then(|metres| {
        if metres <= 1e4 {
            return Ok(metres);
        }
        Err(Error::usage(format!("a line of {metres} m"))
            .expected("at most 10000 metres: beyond that it is no lumped circuit"))
    })
}

fn origin(text: &str) -> Result<Origin, String> {
    match text {
        "line" => Ok(Origin::Line),
        "load" => Ok(Origin::Load),
        _ => Err("expected line or load".into()),
    }
}

fn place(text: &str) -> Result<Place, String> {
    match text {
        "load" => Ok(Place::Load),
        "outlet" => Ok(Place::Outlet),
        _ => Err("expected load or outlet".into()),
    }
}

/// A key with its value, both as written.
fn pair(part: &str) -> Result<(&str, &str), Error> {
    part.split_once('=').map(|(key, value)| (key.trim(), value.trim())).ok_or_else(|| {
        Error::usage(format!("\"{}\" says nothing of what it is", printable(part)))
            .expected("a name, = and a value, such as esr=0.05")
    })
}

fn unknown(key: &str, known: &str) -> Error {
    Error::usage(format!("\"{}\" is not known here", printable(key))).expected(known.to_owned())
}

impl FromStr for CapacitorSpec {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self, Error> {
        let (farad, rest) = text.split_once(',').unwrap_or((text, ""));
        let farad = above_zero(farad, "F")?;
        let mut capacitor = Capacitor { farad, esr_ohm: 0.0, esl_henry: 0.0, discharge_ohm: None, at_m: 0.0 };
        for part in rest.split(',').filter(|part| !part.trim().is_empty()) {
            let (key, value) = pair(part)?;
            match key {
                "esr" => capacitor.esr_ohm = ohm(value)?,
                "esl" => capacitor.esl_henry = henry(value)?,
                "discharge" => capacitor.discharge_ohm = Some(above_zero(value, "ohm")?),
                "at" => capacitor.at_m = metres(value)?,
                _ => return Err(unknown(key, "esr, esl, discharge or at")),
            }
        }
        Ok(Self(capacitor))
    }
}

impl FromStr for ElementSpec {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self, Error> {
        let mut parts = text.split(',').map(str::trim);
        let (Some(from), Some(to)) = (parts.next(), parts.next()) else {
            return Err(Error::usage(format!("\"{}\" names no two nodes", printable(text)))
                .expected("FROM,TO and a value, such as load,neutral,farad=1u"));
        };
        let node = |name: &str| match name {
            "neutral" => Ok(Node::Neutral),
            "load" => Ok(Node::Load),
            "line" => Ok(Node::Line),
            "" => Err(Error::usage("a node without a name").expected("load, neutral, line or a name of your own")),
            _ if name.contains('=') => Err(unknown(name, "two nodes before the first value, such as load,neutral")),
            _ => Ok(Node::Own(name.to_owned())),
        };
        let (mut ohms, mut henries, mut farads) = (0.0, 0.0, None);
        let (from, to) = (node(from)?, node(to)?);
        if from == to {
            return Err(
                Error::usage(format!("\"{}\" leads from a node to itself", printable(text))).expected("two nodes")
            );
        }
        for part in parts {
            let (key, value) = pair(part)?;
            match key {
                "ohm" => ohms = ohm(value)?,
                "henry" => henries = henry(value)?,
                "farad" => farads = Some(above_zero(value, "F")?),
                _ => return Err(unknown(key, "ohm, henry or farad")),
            }
        }
        let impedance = Impedance::series(ohms, henries, farads).map_err(|unfit| refused(text, unfit))?;
        Ok(Self(Element { from, to, impedance }))
    }
}

impl FromStr for ToleranceSpec {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self, Error> {
        let mut tolerances = Tolerances { capacitor: 0.1, parasitic: 0.5, source: 0.3, load: 0.5, line: 0.3 };
        for part in text.split(',') {
            let (key, value) = pair(part)?;
            let percent =
                value.trim_end_matches('%').parse::<f64>().ok().filter(|percent| (0.0..=95.0).contains(percent));
            let share = percent.map(|percent| percent / 100.0).ok_or_else(|| {
                Error::usage(format!("\"{}\" is no tolerance", printable(value))).expected("percent from 0 to 95")
            })?;
            match key {
                "capacitor" => tolerances.capacitor = share,
                "parasitic" => tolerances.parasitic = share,
                "source" => tolerances.source = share,
                "load" => tolerances.load = share,
                "line" => tolerances.line = share,
                _ => return Err(unknown(key, "capacitor, parasitic, source, load or line")),
            }
        }
        Ok(Self(tolerances))
    }
}

fn refused(what: &str, (found, expected): Unfit) -> Error {
    Error::usage(format!("\"{}\": {found}", printable(what))).expected(expected)
}

impl Mitigate {
    fn supply(&self) -> Result<Supply, Error> {
        let capacitors: Vec<Capacitor> = self.capacitor.iter().map(|spec| spec.0).collect();
        let farthest = capacitors.iter().map(|c| c.at_m).fold(0.0, f64::max);
        let line_m = self.line.unwrap_or(farthest);
        if farthest > line_m {
            return Err(Error::usage(format!("a filter {farthest} m from the load on a line of {line_m} m"))
                .expected("filters between the load (at=0) and the outlet, where the line begins")
                .remedy(format!("give --line {farthest} or more")));
        }
        if line_m > 0.0 && self.line_ohm == 0.0 && self.line_henry == 0.0 {
            return Err(Error::usage("a line with neither resistance nor inductance").remedy("leave --line out"));
        }
        let source_z = match &self.source_impedance {
            Some(path) => Impedance::Table(impedance(&source(path))?),
            None => {
                let is_stated = self.source_ohm.is_some() || self.source_henry.is_some();
                let assumed = if is_stated { (0.0, 0.0) } else { (0.4, 50e-6) };
                let (ohm, henry) = (self.source_ohm.unwrap_or(assumed.0), self.source_henry.unwrap_or(assumed.1));
                Impedance::series(ohm, henry, None).map_err(|unfit| refused("the source", unfit))?
            }
        };
        let load = match (&self.load_impedance, self.no_load) {
            (Some(path), _) => Some(Impedance::Table(impedance(&source(path))?)),
            (None, true) => None,
            (None, false) => {
                let is_stated = self.load_ohm.is_some() || self.load_henry.is_some();
                let ohm = self.load_ohm.unwrap_or(if is_stated { 0.0 } else { 50.0 });
                let load = Impedance::series(ohm, self.load_henry.unwrap_or(0.0), None);
                Some(load.map_err(|unfit| refused("the load", unfit))?)
            }
        };
        Ok(Supply {
            source: source_z,
            load,
            line_m,
            line_ohm_per_m: self.line_ohm,
            line_henry_per_m: self.line_henry,
            capacitors,
            elements: self.elements.iter().map(|spec| spec.0.clone()).collect(),
            origin: self.noise,
            place: self.seen_at,
        })
    }

    /// All that a result depends on, besides how captures are read.
    fn in_force(&self, request: &Request) -> serde_json::Value {
        let stated = |impedance: &Impedance| match impedance {
            Impedance::Series { ohm, henry, farad } => {
                serde_json::json!({ "ohm": ohm, "henry": henry, "farad": farad })
            }
            Impedance::Table(table) => serde_json::json!({ "table_covers_hz": table.covers() }),
        };
        let node = |node: &Node| match node {
            Node::Neutral => "neutral".to_owned(),
            Node::Load => "load".to_owned(),
            Node::Line => "line".to_owned(),
            Node::Own(name) => name.clone(),
        };
        let supply = &request.supply;
        let elements: Vec<serde_json::Value> = supply
            .elements
            .iter()
            .map(|e| serde_json::json!({ "from": node(&e.from), "to": node(&e.to), "impedance": stated(&e.impedance) }))
            .collect();
        serde_json::json!({
            "source": stated(&supply.source),
            "load": supply.load.as_ref().map(stated),
            "line_m": supply.line_m,
            "line_ohm_per_m": supply.line_ohm_per_m,
            "line_henry_per_m": supply.line_henry_per_m,
            "capacitors": supply.capacitors,
            "elements": elements,
            "noise": supply.origin,
            "seen_at": supply.place,
            "tolerances": request.tolerances,
            "draws": request.draws,
            "seed": request.seed,
            "mains_v": request.mains_v,
            "mains_hz": request.mains_hz,
        })
    }
}

impl Run for Mitigate {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "What would 1 µF do on this line?",
            line: "linewake mitigate --capacitor 1u,esr=0.05,discharge=390k --source-ohm 0.4 --source-henry 50u --load-ohm 50 -o loss.png",
        },
        Example {
            answers: "At the load or at the outlet 8 m away?",
            line: "linewake mitigate --line 8 --capacitor 1u --capacitor 1u,at=8 --noise load",
        },
        Example {
            answers: "Did the filter do what its circuit predicts?",
            line: "linewake mitigate demo/captures/led-panel-on-1.csv --after demo/captures/led-panel-on-filter-1.csv --capacitor 4.7u,esr=1 --no-load --bands wide -o filter.png",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let mut settings = self.capture.settings()?;
        let delivery = Delivery::prepare("mitigate", &self.output, true)?;
        settings.fingerprints = delivery.has_document();
        let request = Request {
            supply: self.supply()?,
            tolerances: self.tolerance.0,
            draws: self.draws,
            seed: self.seed,
            mains_v: self.mains_voltage,
            mains_hz: settings.mains.unwrap_or(50.0),
        };
        let (mut inputs, found) =
            mitigate(&request, &console.captures(&self.files), &console.captures(&self.after), &settings, &self.bands)?;
        for path in [&self.source_impedance, &self.load_impedance].into_iter().flatten() {
            inputs.push(Input::of(&source(path))?);
        }
        let source_assumed =
            self.source_impedance.is_none() && self.source_ohm.is_none() && self.source_henry.is_none();
        let load_assumed =
            !self.no_load && self.load_impedance.is_none() && self.load_ohm.is_none() && self.load_henry.is_none();
        let assumed = assumed(source_assumed, load_assumed);
        console.findings(
            found
                .warnings
                .iter()
                .map(|warning| (warning.path.as_deref(), &warning.finding))
                .chain(assumed.iter().map(|finding| (None, finding))),
        );
        let mut in_force = super::with(&settings, "bands", &self.bands)?;
        in_force.insert("circuit".into(), json(&self.in_force(&request))?);
        let forms = Forms {
            settings: in_force,
            inputs: &inputs,
            body: &found,
            figure: Some(&|| report::figure(&found, &request)),
            columns: &|| report::columns(&found),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&report::sentences(&found))?;
            report::tables(&found, &request).iter().try_for_each(|table| console.table(table))?;
            console.sentences(&report::cautions(&found))
        })?;
        Ok(Outcome::Done)
    }
}
