//! What was fed into a measuring chain: the description of a calibration, TOML.
//!
//! A section `[generator]` says how far its levels hold and where; `[wire]` and `[air]` say what loads it; the sections
//! `[[sine]]`, `[[comb]]`, `[[noise]]` and `[[shorted]]` name captures and what is in them.

use std::collections::HashSet;
use std::f64::consts::{PI, SQRT_2};

use super::Source;
use super::fields::{Fields, FileKind, Text};
use super::setup::uncertainty;
use crate::capture::chain::Uncertainty;
use crate::capture::{Port, Role};
use crate::dsp::Complex;
use crate::error::{Error, printable};

/// A description to begin with.
pub const EXAMPLE: &str = include_str!("calibration.example.toml");

const FILE: FileKind = FileKind { name: "the description of a calibration", remedy: "see \"calibrate --new\"" };
/// No generator of the trade reaches beyond these.
const MOST_VOLTS: f64 = 1e6;
const MOST_HERTZ: f64 = 1e12;

/// Where the levels of the generator hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LevelIs {
    /// Across the input of the chain.
    AtInput,
    /// At the generator without a load; its output resistance in ohms.
    OpenCircuit(f64),
    /// Across a load equal to the output resistance, which is stated in ohms.
    Matched(f64),
}

/// The generator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Generator {
    /// How far its levels may be off.
    pub uncertainty: Option<Uncertainty>,
    /// Where its levels hold; `None` where the description does not say.
    pub level_is: Option<LevelIs>,
}

/// The beginning of a channel's chain.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Input {
    /// What the chain is, in words.
    pub about: String,
    /// Where the quantity at its beginning is taken on the job.
    pub port: Option<Port>,
    /// The resistance that loads the generator, in ohms.
    pub ohm: Option<f64>,
    /// The capacitance in series with it, in farads.
    pub series_farad: Option<f64>,
}

impl Input {
    /// The admittance with which it loads a generator, in siemens; `None` where it is not known.
    fn admittance(&self, frequency: f64) -> Option<Complex<f64>> {
        let reactance = self.series_farad.map_or(0.0, |farad| -1.0 / (2.0 * PI * frequency * farad));
        Some(Complex::new(self.ohm?, reactance).inv())
    }
}

/// What a generator's level becomes across the inputs that it feeds side by side, at a frequency in hertz; `None` where
/// one of these loads is not known.
///
/// ```
/// use linewake::read::calibration::{Input, LevelIs, share};
/// // 50 Ω that show 1 V into 50 Ω have 2 V across an open input, 1 V across 50 Ω, and 2/3 V across two of these.
/// let input = |ohm| Input { ohm: Some(ohm), ..Input::default() };
/// let share = |inputs: &[&Input]| share(LevelIs::Matched(50.0), inputs, 10e3).unwrap();
/// assert!((share(&[&input(1e12)]) - 2.0).abs() < 1e-9);
/// assert!((share(&[&input(50.0)]) - 1.0).abs() < 1e-12);
/// assert!((share(&[&input(50.0), &input(50.0)]) - 2.0 / 3.0).abs() < 1e-12);
/// ```
///
/// # Sources
/// The voltage divider of output resistance and input impedance.
pub fn share(level_is: LevelIs, inputs: &[&Input], frequency: f64) -> Option<f64> {
    let divided = |output: f64| {
        let load: Option<Complex<f64>> = inputs.iter().map(|input| input.admittance(frequency)).sum();
        Some((Complex::new(1.0, 0.0) + load? * output).inv().norm())
    };
    match level_is {
        LevelIs::AtInput => Some(1.0),
        LevelIs::OpenCircuit(output) => divided(output),
        LevelIs::Matched(output) => divided(output).map(|share| 2.0 * share),
    }
}

/// Which inputs the signal was fed into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fed {
    /// The chain of the wire.
    Wire,
    /// The chain of the air.
    Air,
    /// Both at once.
    Both,
}

impl Fed {
    /// Whether the chain of a role was fed.
    pub fn holds(self, role: Role) -> bool {
        match self {
            Fed::Wire => role == Role::Wire,
            Fed::Air => role == Role::Air,
            Fed::Both => true,
        }
    }
}

/// What the other input saw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Other {
    /// Nothing: shorted, or terminated.
    Terminated,
    /// The same signal without a chain.
    Generator,
}

/// A known signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// One sine.
    Sine {
        /// Its frequency in hertz.
        frequency_hz: f64,
        /// Its RMS value in volts.
        rms_v: f64,
    },
    /// Sines at all multiples of a spacing.
    Comb {
        /// The spacing in hertz.
        spacing_hz: f64,
        /// Up to where, in hertz.
        highest_hz: f64,
        /// The RMS value of each, in volts.
        rms_v: f64,
    },
    /// White noise.
    Noise {
        /// Its one-sided density in V/√Hz.
        density: f64,
        /// From where on it is flat, in hertz.
        low_hz: f64,
        /// Up to where.
        high_hz: f64,
    },
    /// Nothing: the input shorted.
    Shorted,
}

impl Kind {
    /// The word of the section.
    pub fn word(&self) -> &'static str {
        match self {
            Kind::Sine { .. } => "sine",
            Kind::Comb { .. } => "comb",
            Kind::Noise { .. } => "noise",
            Kind::Shorted => "shorted",
        }
    }
}

/// A capture of a known signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// The capture, as the description names it.
    pub capture: String,
    /// Line and column of that name.
    pub place: (u64, u64),
    /// What was fed.
    pub kind: Kind,
    /// Into which inputs.
    pub fed: Fed,
    /// What the other input saw, where that is of use.
    pub other: Option<Other>,
    /// How far its level may be off, where that differs from what is stated for the generator.
    pub uncertainty: Option<Uncertainty>,
}

/// A whole description.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The file.
    pub name: String,
    /// What was calibrated, in words.
    pub about: String,
    /// The generator.
    pub generator: Generator,
    /// The wire's chain.
    pub wire: Input,
    /// The air's chain.
    pub air: Input,
    /// The captures in the order of kinds: sines, combs, noise, shorted.
    pub signals: Vec<Signal>,
}

impl Calibration {
    /// The beginning of the chain of a role.
    pub fn input(&self, role: Role) -> &Input {
        if role == Role::Air { &self.air } else { &self.wire }
    }

    /// How far the level of a signal may be off.
    pub fn uncertainty_of(&self, signal: &Signal) -> Option<Uncertainty> {
        signal.uncertainty.or(self.generator.uncertainty)
    }

    /// An error at the name of a capture in the description.
    pub fn at(&self, signal: &Signal, error: Error) -> Error {
        error.in_file(self.name.clone()).at_line(signal.place.0, Some(signal.place.1))
    }
}

/// Reads a description. Captures that it names are not opened.
///
/// ```
/// use linewake::read::calibration::{EXAMPLE, calibration};
/// use linewake::read::{Bytes, Source};
/// let read = calibration(&Source::new(Bytes::new("calibration.toml", EXAMPLE.as_bytes().to_vec())))?;
/// assert_eq!(read.signals.len(), 15);
/// # Ok::<(), linewake::error::Error>(())
/// ```
///
/// # Errors
/// What is wrong with the text, with file, line and column; an unknown key with the nearest known one.
pub fn calibration(source: &Source) -> Result<Calibration, Error> {
    let name = source.name().to_owned();
    let text = FILE.text_of(source)?;
    let text = Text { file: &name, text: &text, kind: FILE };
    let document = text.parse()?;
    let top = Fields::new(text, "the description", document.get_ref(), document.span());
    top.only(&["about", "generator", "wire", "air", "sine", "comb", "noise", "shorted"])?;
    let input = |key: &str, role| top.table(key)?.map(|fields| input(&fields, role)).transpose();
    let mut signals = Vec::new();
    for kind in ["sine", "comb", "noise", "shorted"] {
        for fields in top.sections(kind)? {
            section(&fields, kind, &mut signals)?;
        }
    }
    let read = Calibration {
        about: top.text("about")?.unwrap_or_default().to_owned(),
        generator: top
            .table("generator")?
            .map(|fields| generator(&fields))
            .transpose()?
            .unwrap_or(Generator { uncertainty: None, level_is: None }),
        wire: input("wire", Role::Wire)?.unwrap_or_default(),
        air: input("air", Role::Air)?.unwrap_or_default(),
        signals,
        name,
    };
    if read.signals.is_empty() {
        return Err(Error::input("names no capture")
            .in_file(read.name)
            .expected("sections [[sine]], [[comb]], [[noise]] or [[shorted]]")
            .remedy(FILE.remedy));
    }
    let mut seen = HashSet::new();
    if let Some(twice) = read.signals.iter().find(|signal| !seen.insert(signal.capture.as_str())) {
        let error = Error::input(format!("the capture \"{}\" is named twice", printable(&twice.capture)));
        return Err(read.at(twice, error.expected("each capture once").remedy("name the other capture that is meant")));
    }
    Ok(read)
}

fn generator(fields: &Fields<'_>) -> Result<Generator, Error> {
    fields.only(&["uncertainty_db", "distribution", "coverage_factor", "level_is", "output_ohm"])?;
    let word = fields.choice("level_is", &["at-input", "open-circuit", "matched"])?;
    let output = fields.maybe_positive("output_ohm")?;
    let resistance =
        || output.ok_or_else(|| fields.missing("output_ohm", "the generator's output resistance, such as 50"));
    let level_is = match word {
        Some("open-circuit") => Some(LevelIs::OpenCircuit(resistance()?)),
        Some("matched") => Some(LevelIs::Matched(resistance()?)),
        Some(_) => Some(LevelIs::AtInput),
        None => None,
    };
    Ok(Generator { uncertainty: uncertainty(fields, false)?, level_is })
}

fn input(fields: &Fields<'_>, role: Role) -> Result<Input, Error> {
    fields.only(&["about", "port", "input_ohm", "input_series_farad"])?;
    // What is fed on a bench is volts; a field begins at an antenna.
    let words: Vec<&str> =
        Port::all().filter(|port| port.role() == role && *port != Port::Field).map(Port::word).collect();
    Ok(Input {
        about: fields.text("about")?.unwrap_or_default().to_owned(),
        port: fields.choice("port", &words)?.and_then(Port::named),
        ohm: fields.maybe_positive("input_ohm")?,
        series_farad: fields.maybe_positive("input_series_farad")?,
    })
}

/// Numbers of a key: one for all captures, or one for each; all above zero.
fn each(fields: &Fields<'_>, key: &str, captures: usize, most: f64) -> Result<Option<Vec<f64>>, Error> {
    let Some(numbers) = fields.numbers(key)? else { return Ok(None) };
    if let Some(wrong) = numbers.iter().find(|number| !(**number > 0.0 && **number <= most)) {
        return Err(fields.wrong(key, wrong.to_string(), "numbers above zero that a generator can have"));
    }
    match numbers.len() {
        1 => Ok(Some(vec![numbers[0]; captures])),
        count if count == captures => Ok(Some(numbers)),
        count => {
            let expected = format!("one number for all {captures} captures, or one for each");
            Err(fields.wrong(key, format!("{count} numbers for {captures} captures"), &expected))
        }
    }
}

/// The RMS values of the levels, whichever way they are stated.
fn levels(fields: &Fields<'_>, captures: usize) -> Result<Vec<f64>, Error> {
    const FORMS: [(&str, f64); 3] = [("level_v", 1.0), ("peak_v", 1.0 / SQRT_2), ("peak_to_peak_v", 0.5 / SQRT_2)];
    let mut found: Option<(&str, Vec<f64>)> = None;
    for (key, factor) in FORMS {
        let Some(volts) = each(fields, key, captures, MOST_VOLTS)? else { continue };
        if let Some((other, _)) = found {
            return Err(fields.wrong(key, format!("stands beside {other}"), "the level once"));
        }
        found = Some((key, volts.into_iter().map(|volts| factor * volts).collect()));
    }
    found
        .map(|(_, volts)| volts)
        .ok_or_else(|| fields.missing("level_v", "the level in volts RMS (or peak_v, or peak_to_peak_v)"))
}

fn section(fields: &Fields<'_>, kind: &str, signals: &mut Vec<Signal>) -> Result<(), Error> {
    const COMMON: [&str; 6] =
        ["channel", "captures", "other_input", "uncertainty_db", "distribution", "coverage_factor"];
    let own: &[&str] = match kind {
        "sine" => &["frequency_hz", "level_v", "peak_v", "peak_to_peak_v"],
        "comb" => &["spacing_hz", "highest_hz", "level_v", "peak_v", "peak_to_peak_v"],
        "noise" => &["density_v_per_sqrt_hz", "low_hz", "high_hz"],
        _ => &[],
    };
    fields.only(&[&COMMON, own].concat())?;
    let fed = match fields.choice("channel", &["wire", "air", "both"])? {
        Some("wire") => Fed::Wire,
        Some("air") => Fed::Air,
        Some(_) => Fed::Both,
        None => return Err(fields.missing("channel", "\"wire\", \"air\" or \"both\"")),
    };
    let other = match fields.choice("other_input", &["terminated", "generator"])? {
        Some(word) if fed == Fed::Both || kind == "shorted" => {
            return Err(fields.wrong(
                "other_input",
                format!("\"{word}\""),
                "no such key: here no input is the other one",
            ));
        }
        Some("generator") => Some(Other::Generator),
        word => word.map(|_| Other::Terminated),
    };
    let captures = fields.texts("captures")?;
    if captures.is_empty() {
        return Err(fields.missing("captures", "[\"a.csv\", \"b.csv\"], the captures of this signal"));
    }
    let count = captures.len();
    let needed = |key: &str, what: &str| each(fields, key, count, MOST_HERTZ)?.ok_or_else(|| fields.missing(key, what));
    let kinds: Vec<Kind> = match kind {
        "sine" => {
            let frequencies = needed("frequency_hz", "the frequency in hertz, or a list")?;
            let levels = levels(fields, count)?;
            let sine = |(frequency_hz, rms_v)| Kind::Sine { frequency_hz, rms_v };
            frequencies.into_iter().zip(levels).map(sine).collect()
        }
        "comb" => {
            let spacings = needed("spacing_hz", "the distance of the lines in hertz")?;
            let highest = needed("highest_hz", "up to where there are lines, in hertz")?;
            let levels = levels(fields, count)?;
            if let Some((spacing, _)) = spacings.iter().zip(&highest).find(|(spacing, highest)| highest < spacing) {
                return Err(fields.wrong(
                    "highest_hz",
                    format!("below the spacing of {spacing} Hz"),
                    "at least one line",
                ));
            }
            let comb = |((spacing_hz, highest_hz), rms_v)| Kind::Comb { spacing_hz, highest_hz, rms_v };
            spacings.into_iter().zip(highest).zip(levels).map(comb).collect()
        }
        "noise" => {
            let densities = each(fields, "density_v_per_sqrt_hz", count, MOST_VOLTS)?
                .ok_or_else(|| fields.missing("density_v_per_sqrt_hz", "the density, such as 50e-6"))?;
            let (low_hz, high_hz) = (fields.positive("low_hz")?, fields.positive("high_hz")?);
            if high_hz <= low_hz {
                return Err(fields.wrong("high_hz", format!("{high_hz} Hz, not above low_hz"), "a range that rises"));
            }
            densities.into_iter().map(|density| Kind::Noise { density, low_hz, high_hz }).collect()
        }
        _ => vec![Kind::Shorted; count],
    };
    let uncertainty = uncertainty(fields, false)?;
    signals.extend(captures.into_iter().zip(kinds).map(|((capture, place), kind)| Signal {
        capture: capture.to_owned(),
        place: fields.text.place(&place),
        kind,
        fed,
        other,
        uncertainty,
    }));
    Ok(())
}
