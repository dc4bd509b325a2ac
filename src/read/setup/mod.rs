//! Setup files: TOML and the tables it names, to the measuring chains of a job.
//!
//! A setup has a section for each channel, `[wire]` and `[air]`, that lists parts by name in the order of the
//! signal, and a section `[part.NAME]` for each part. Tables and captures of the shorted input lie beside it.

mod table;

use std::collections::BTreeMap;
use std::ops::Range;

use super::fields::{Fields, FileKind, Text, nearest};
use super::{ReadOptions, Source};
use crate::capture::chain::{Chain, Kind, Part, Recorder, Row, Setup, SetupFile, Table, Uncertainty};
use crate::capture::{Port, Role};
use crate::dsp::segment::{Hop, segment_length};
use crate::dsp::welch::Welch;
use crate::dsp::window::{Taper, Window};
use crate::error::{Error, printable};
use crate::uncertainty::budget::Distribution;
use crate::units::Hertz;

/// A setup with an example of every kind of part, most of them commented out, that can be used as it stands.
pub const EXAMPLE: &str = include_str!("example.toml");

const FILE: FileKind = FileKind { name: "a setup file", remedy: "see \"setup --new\"" };
/// The keys that every part may have.
const COMMON: [&str; 5] = ["kind", "uncertainty_db", "distribution", "coverage_factor", "note"];
/// The kinds of parts with the keys of their own.
const KINDS: &[(&str, &[&str])] = &[
    ("ratio", &["ratio"]),
    ("gain", &["gain_db"]),
    ("response", &["table"]),
    ("cable-loss", &["table"]),
    ("antenna-factor", &["table"]),
    ("transfer-impedance", &["table"]),
    ("ideal-high-pass", &["corner_hz"]),
    ("ideal-voltage-probe", &["total_ohm", "load_ohm", "series_farad"]),
    ("ideal-v-network", &["quantity"]),
    ("ideal-loop", &["turns", "area_m2"]),
    ("ideal-divider", &["upper_ohm", "lower_ohm"]),
    ("group", &["parts"]),
];
const DISTRIBUTIONS: [&str; 4] = ["normal", "rectangular", "triangular", "u-shaped"];
const UNITS: [&str; 5] = ["V", "A", "V/m", "A/m", "T"];

/// Reads a setup file and the tables that it names.
///
/// # Errors
/// What is wrong with the text, a part, a table or the way they fit together, with file, line and column.
pub fn setup(source: &Source) -> Result<Setup, Error> {
    let name = source.name().to_owned();
    let text = FILE.text_of(source)?;
    let text = Text { file: &name, text: &text, kind: FILE };
    let mut reader = Reader { source, files: vec![file_of(source)?], tables: BTreeMap::new() };
    let document = text.parse()?;
    let top = Fields::new(text, "the setup", document.get_ref(), document.span());
    top.only(&["wire", "air", "part"])?;

    let mut definitions = BTreeMap::new();
    if let Some(parts) = top.table("part")? {
        for (part, fields) in parts.tables()? {
            definitions.insert(part.to_owned(), reader.definition(part, &fields)?);
        }
    }
    let mut chain =
        |key: &str, role: Role| top.table(key)?.map(|fields| reader.chain(&fields, role, &definitions)).transpose();
    let (wire, air) = (chain("wire", Role::Wire)?, chain("air", Role::Air)?);
    if wire.is_none() && air.is_none() {
        return Err(Error::input("describes no channel")
            .in_file(name)
            .expected("a section [wire] or [air]")
            .remedy(FILE.remedy));
    }
    Ok(Setup { files: reader.files, wire, air })
}

fn file_of(source: &Source) -> Result<SetupFile, Error> {
    Ok(SetupFile { path: source.name().to_owned(), sha256: source.sha256()? })
}

/// What a section `[part.NAME]` stands for.
enum Definition<'a> {
    Part(Part),
    Group(Vec<(&'a str, Range<usize>)>),
}

/// Reads sections, and each file they name once.
struct Reader<'s> {
    source: &'s Source,
    files: Vec<SetupFile>,
    tables: BTreeMap<(String, &'static str), (Table, &'static str)>,
}

impl Reader<'_> {
    fn definition<'a>(&mut self, name: &str, fields: &Fields<'a>) -> Result<Definition<'a>, Error> {
        let words: Vec<&str> = KINDS.iter().map(|(word, _)| *word).collect();
        let word = fields.choice("kind", &words)?.ok_or_else(|| fields.missing("kind", &words.join(", ")))?;
        let own = KINDS.iter().find(|(kind, _)| *kind == word).map_or(&[][..], |(_, own)| own);
        if word == "group" {
            fields.only(&["kind", "parts"])?;
            return Ok(Definition::Group(fields.names("parts")?));
        }
        fields.only(&[&COMMON, own].concat())?;
        let kind = match word {
            "ratio" => Kind::Ratio(fields.positive("ratio")?),
            "gain" => Kind::Gain(fields.decibels("gain_db")?),
            "response" => Kind::Response(self.table(fields, "response")?.0),
            "cable-loss" => Kind::CableLoss(self.table(fields, "cable-loss")?.0),
            "antenna-factor" => {
                let (table, unit) = self.table(fields, "antenna-factor")?;
                Kind::AntennaFactor { table, unit }
            }
            "transfer-impedance" => Kind::TransferImpedance(self.table(fields, "transfer-impedance")?.0),
            "ideal-high-pass" => Kind::HighPass { corner_hz: fields.positive("corner_hz")? },
            "ideal-voltage-probe" => {
                let (total_ohm, load_ohm) = (fields.positive("total_ohm")?, fields.positive("load_ohm")?);
                if load_ohm > total_ohm {
                    return Err(fields.wrong(
                        "load_ohm",
                        format!("{load_ohm} ohm of {total_ohm} ohm in all"),
                        "a load that is part of the whole",
                    ));
                }
                Kind::VoltageProbe { total_ohm, load_ohm, series_farad: fields.maybe_positive("series_farad")? }
            }
            "ideal-v-network" => Kind::VNetwork { as_current: fields.choice("quantity", &["V", "A"])? == Some("A") },
            "ideal-loop" => Kind::Loop { turns: fields.positive("turns")?, area_m2: fields.positive("area_m2")? },
            _ => Kind::Divider { upper_ohm: fields.positive("upper_ohm")?, lower_ohm: fields.positive("lower_ohm")? },
        };
        let by_row = kind.table().is_some_and(Table::states_uncertainty);
        let uncertainty = uncertainty(fields, by_row)?;
        Ok(Definition::Part(Part { name: name.to_owned(), kind, uncertainty, note: fields.note()? }))
    }

    fn table(&mut self, fields: &Fields<'_>, kind: &'static str) -> Result<(Table, &'static str), Error> {
        let (name, source) = self.sibling(fields, "table")?.ok_or_else(|| fields.missing("table", "a CSV file"))?;
        if let Some(known) = self.tables.get(&(name.clone(), kind)) {
            return Ok(known.clone());
        }
        let read = table::read(&source, kind)?;
        self.tables.insert((name, kind), read.clone());
        Ok(read)
    }

    /// The file beside the setup that a key names.
    fn sibling(&mut self, fields: &Fields<'_>, key: &str) -> Result<Option<(String, Source)>, Error> {
        let Some(name) = fields.text(key)? else { return Ok(None) };
        let source = self.source.sibling(name).ok_or_else(|| {
            let found = if name.contains(['/', '\\']) {
                format!("\"{}\" lies in another folder", printable(name))
            } else {
                format!("there is no file \"{}\" beside the setup file", printable(name))
            };
            fields.wrong(key, found, "the bare name of a file in the same folder")
        })?;
        let file = file_of(&source)?;
        if !self.files.contains(&file) {
            self.files.push(file);
        }
        Ok(Some((name.to_owned(), source)))
    }

    fn chain(
        &mut self,
        fields: &Fields<'_>,
        role: Role,
        definitions: &BTreeMap<String, Definition<'_>>,
    ) -> Result<Chain, Error> {
        fields.only(&["about", "unit", "port", "parts", "recorder"])?;
        let mut parts = Vec::new();
        expand(fields, &fields.names("parts")?, definitions, &mut Vec::new(), &mut parts)?;
        let recorder = fields.table("recorder")?.map(|fields| self.recorder(&fields, role)).transpose()?;
        let about = fields.text("about")?.unwrap_or_default().to_owned();
        let (parts, places): (Vec<Part>, Vec<Range<usize>>) = parts.into_iter().unzip();
        let mut chain = Chain::new(role, about, parts, recorder.unwrap_or_default())
            .map_err(|(number, error)| fields.text.at(&places[number], error))?;
        chain.port = port(fields, role, &chain)?;
        if let Some(unit) = fields.choice("unit", &UNITS)?.filter(|unit| *unit != chain.unit) {
            return Err(fields.wrong("unit", format!("{unit}, but the parts lead to {}", chain.unit), chain.unit));
        }
        let (low, high) = chain.covers();
        if low >= high {
            return Err(fields.wrong(
                "parts",
                format!("one table begins at {low} Hz, another one ends at {high} Hz"),
                "tables that share a range of frequencies",
            ));
        }
        Ok(chain)
    }

    fn recorder(&mut self, fields: &Fields<'_>, role: Role) -> Result<Recorder, Error> {
        fields.only(&[
            "range_v",
            "bits",
            "noise",
            "noise_capture",
            "uncertainty_db",
            "distribution",
            "coverage_factor",
            "note",
        ])?;
        let noise = match (self.sibling(fields, "noise")?, self.sibling(fields, "noise_capture")?) {
            (Some(_), Some(_)) => {
                return Err(fields.wrong("noise_capture", "stands beside noise".into(), "a table or a capture"));
            }
            (Some((_, source)), None) => Some(table::read(&source, "noise")?.0),
            (None, Some((_, source))) => Some(shorted(&source, role)?),
            (None, None) => None,
        };
        Ok(Recorder {
            range_v: fields.maybe_positive("range_v")?,
            bits: fields.whole("bits", 1..=32)?,
            uncertainty: uncertainty(fields, false)?,
            noise,
            note: fields.note()?,
        })
    }
}

/// Where the quantity at the beginning of a chain is taken: what the parts say, or else the setup.
fn port(fields: &Fields<'_>, role: Role, chain: &Chain) -> Result<Option<Port>, Error> {
    let words: Vec<&str> = Port::all().filter(|port| port.role() == role).map(Port::word).collect();
    let stated = fields.choice("port", &words)?.and_then(Port::named);
    match (stated, chain.port) {
        (Some(stated), Some(found)) if stated != found => Err(fields.wrong(
            "port",
            format!("{}, but the parts begin at {}", stated.word(), found.about()),
            found.word(),
        )),
        (Some(stated), None) if stated == Port::Field => Err(fields.wrong(
            "port",
            format!("{}, but the parts lead to {}", stated.word(), chain.unit),
            "a part that leads to a field, such as an antenna factor",
        )),
        (Some(stated), None) if chain.unit != "V" => {
            Err(fields.wrong("port", format!("{} with a chain that leads to {}", stated.word(), chain.unit), "volts"))
        }
        (stated, found) => Ok(found.or(stated)),
    }
}

/// The parts behind names, groups opened; each with the place of the name that led to it.
fn expand(
    fields: &Fields<'_>,
    names: &[(&str, Range<usize>)],
    definitions: &BTreeMap<String, Definition<'_>>,
    within: &mut Vec<String>,
    parts: &mut Vec<(Part, Range<usize>)>,
) -> Result<(), Error> {
    for (name, place) in names {
        let refuse = |found: String, expected: &str| fields.text.at(place, Error::input(found).expected(expected));
        let Some(definition) = definitions.get(*name) else {
            let known: Vec<&str> = definitions.keys().map(String::as_str).collect();
            let hint = nearest(name, &known).map_or(String::new(), |near| format!("; did you mean \"{near}\"?"));
            let found = format!("there is no part \"{}\"{hint}", printable(name));
            return Err(refuse(found, "the name of a section [part.NAME]"));
        };
        match definition {
            Definition::Part(part) => {
                if parts.iter().any(|(other, _)| other.name == part.name) {
                    let found = format!("part \"{}\" is in the chain already", printable(name));
                    return Err(refuse(found, "each part once"));
                }
                parts.push((part.clone(), place.clone()));
            }
            Definition::Group(inner) => {
                if within.iter().any(|other| other == name) {
                    let way = within.iter().map(String::as_str).chain([*name]).collect::<Vec<_>>().join(" → ");
                    return Err(refuse(format!("the groups lead in a circle: {}", printable(&way)), "groups of parts"));
                }
                within.push((*name).to_owned());
                expand(fields, inner, definitions, within, parts)?;
                within.pop();
            }
        }
    }
    Ok(())
}

/// The statement of an uncertainty; a table may carry its size row by row.
pub(super) fn uncertainty(fields: &Fields<'_>, by_row: bool) -> Result<Option<Uncertainty>, Error> {
    let db = fields.maybe_not_negative("uncertainty_db")?;
    let word = fields.choice("distribution", &DISTRIBUTIONS)?;
    let factor = fields.maybe_positive("coverage_factor")?;
    let distribution = match word {
        Some("normal") => Distribution::Normal {
            coverage_factor: factor
                .ok_or_else(|| fields.missing("coverage_factor", "the k of the statement, such as 2"))?,
        },
        _ if factor.is_some() => {
            return Err(fields.wrong(
                "coverage_factor",
                "a coverage factor".into(),
                "one only where distribution = \"normal\"",
            ));
        }
        Some("rectangular") => Distribution::Rectangular,
        Some("triangular") => Distribution::Triangular,
        Some(_) => Distribution::UShaped,
        None if db.is_some() || by_row => return Err(fields.missing("distribution", &DISTRIBUTIONS.join(", "))),
        None => return Ok(None),
    };
    match db {
        Some(db) => Ok(Some(Uncertainty { db, distribution })),
        None if by_row => Ok(Some(Uncertainty { db: 0.0, distribution })),
        None => Err(fields.missing("uncertainty_db", "a number of decibels")),
    }
}

/// The noise of a shorted input from a capture of it, by the channel of the role.
fn shorted(source: &Source, role: Role) -> Result<Table, Error> {
    const RESOLUTION_HZ: f64 = 200.0;
    let mut recording = super::open(source, &ReadOptions::default())?;
    let header = recording.header().clone();
    let channel = header.channels.iter().position(|channel| channel.role == role);
    let channel = channel.filter(|&at| header.channels[at].quantity.symbol() == "V").ok_or_else(|| {
        Error::input(format!("holds no {} channel in V", role.name()))
            .in_file(source.name())
            .expected("a capture with the input shorted, laid out as the captures of the job")
    })?;
    let rate = header.clock.rate;
    let window = Window::default();
    let taper = Taper::new(&window, segment_length(&window, rate, Hertz::new(RESOLUTION_HZ)?));
    let hop = Hop::Samples(taper.len().div_ceil(2));
    let mut welch = Welch::new(rate, taper, hop, 1, false);
    while let Some(block) = recording.next_block()? {
        welch.push(&[block.channel(channel)]);
    }
    let short = || Error::input("is shorter than one segment").in_file(source.name()).expected("10 ms or more");
    let mean = &welch.finish().ok_or_else(short)?.channels[0].mean;
    // A dead input has no noise at all; what a double can hold stands in for its logarithm.
    let row = |k: usize| Row {
        frequency_hz: mean.frequency(k),
        value_db: 10.0 * mean.values()[k].max(f64::MIN_POSITIVE).log10(),
        phase_deg: None,
        uncertainty_db: None,
    };
    let rows = (1..mean.values().len()).map(row).collect();
    Table::new(source.name(), rows).map_err(|(_, error)| error.in_file(source.name()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::Bytes;

    #[test]
    fn the_example_is_a_setup_as_it_stands() {
        let setup = setup(&Source::new(Bytes::new("example.toml", EXAMPLE.as_bytes().to_vec()))).unwrap();
        let wire = setup.wire.unwrap();
        assert!(wire.correction(9e3).is_some() && wire.unit == "V");
        assert_eq!(setup.air.unwrap().unit, "T");
    }

    #[test]
    fn the_port_is_what_parts_or_setup_say() {
        let read = |text: &str| setup(&Source::new(Bytes::new("chain.toml", text.as_bytes().to_vec())));
        let port = |text: &str| read(text).unwrap().wire.unwrap().port;
        let ratio = "[part.p]\nkind = \"ratio\"\nratio = 1\n";
        let network = "[part.p]\nkind = \"ideal-v-network\"\n";
        let stated = |word: &str| format!("[wire]\nparts = [\"p\"]\nport = \"{word}\"\n");
        assert_eq!(port(&format!("[wire]\nparts = [\"p\"]\n{ratio}")), None);
        assert_eq!(port(&format!("[wire]\nparts = [\"p\"]\n{network}")), Some(Port::VNetwork));
        assert_eq!(port(&format!("{}{ratio}", stated("line-to-neutral"))), Some(Port::LineToNeutral));
        assert_eq!(port(&format!("{}{network}", stated("v-network"))), Some(Port::VNetwork));
        for (text, words) in [
            (format!("{}{network}", stated("line-to-neutral")), "chain.toml:3:8: port of [wire]: line-to-neutral"),
            (format!("{}{network}quantity = \"A\"\n", stated("v-network")), "leads to A"),
            (format!("{}{ratio}", stated("field")), "one of: line-to-neutral, v-network"),
            (format!("{}{ratio}", stated("field")).replace("[wire]", "[air]"), "leads to a field"),
        ] {
            let error = read(&text).unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
        }
    }

    #[test]
    fn the_example_names_every_kind_and_every_key() {
        for (kind, keys) in KINDS {
            assert!(EXAMPLE.contains(&format!("\"{kind}\"")), "{kind}");
            assert!(keys.iter().chain(&COMMON).all(|key| EXAMPLE.contains(&format!("{key} ="))), "{kind}");
        }
    }
}
