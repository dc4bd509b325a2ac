//! TOML to a [`Survey`], with the line and column of whatever is wrong.

use std::collections::HashSet;
use std::ops::Range;
use std::str::FromStr;

use super::{
    Analysis, Anonymise, Ask, Case, FallOff, Indicator, Instrument, Levels, Location, Person, Side, State, Survey,
};
use crate::error::{Error, printable};
use crate::read::Source;
use crate::read::fields::{Fields, FileKind, Text, nearest};
use crate::units::{Band, Hertz};

const FILE: FileKind = FileKind { name: "a survey description", remedy: "see \"survey --new\"" };

/// The longest text that a description may hold in one value; a page of remarks is far below.
const LONGEST: usize = 20_000;

/// Reads a description. Captures, setups and levels that it names are not opened.
///
/// ```
/// use linewake::read::{Bytes, Source};
/// use linewake::survey::description::{State, read};
/// let text = "title = \"Studio\"\n[[case]]\nname = \"LED panel\"\noff = [\"off.csv\"]\non = [\"on-1.csv\", \"on-2.csv\"]\n";
/// let survey = read(&Source::new(Bytes::new("survey.toml", text.as_bytes().to_vec())))?;
/// assert_eq!(survey.cases[0].captures(State::On).len(), 2);
/// # Ok::<(), linewake::error::Error>(())
/// ```
///
/// # Errors
/// What is wrong with the text, with file, line and column; an unknown key with the nearest known one.
pub fn read(source: &Source) -> Result<Survey, Error> {
    let name = source.name().to_owned();
    let text = FILE.text_of(source)?;
    let text = Text { file: &name, text: &text, kind: FILE };
    let document = text.parse()?;
    let top = Fields::new(text, "the description", document.get_ref(), document.span());
    survey(&top)
}

fn survey(top: &Fields<'_>) -> Result<Survey, Error> {
    top.only(&[
        "title",
        "date",
        "language",
        "site",
        "remarks",
        "people",
        "instrument",
        "location",
        "analysis",
        "levels",
        "anonymise",
        "case",
        "fall_off",
    ])?;
    let instruments = named(top, "instrument", instrument)?;
    let locations = named(top, "location", location)?;
    let places = Places { instruments: names(&instruments), locations: names(&locations) };
    let cases = named(top, "case", |fields, name| case(fields, name, &places))?;
    if cases.is_empty() {
        return Err(top.missing("case", "sections [[case]], one for each load or place"));
    }
    let cases: Vec<Case> = cases.into_iter().map(|(_, case)| case).collect();
    let fall_offs = named(top, "fall_off", |fields, name| fall_off(fields, name, &cases))?;
    Ok(Survey {
        title: words(top, "title")?.ok_or_else(|| top.missing("title", "what the survey is about, in a few words"))?,
        date: top.day("date")?.map(|(year, month, day)| format!("{year:04}-{month:02}-{day:02}")),
        language: language(top)?,
        site: words(top, "site")?,
        remarks: words(top, "remarks")?,
        people: people(top)?,
        instruments: instruments.into_iter().map(|(_, instrument)| instrument).collect(),
        locations: locations.into_iter().map(|(_, location)| location).collect(),
        analysis: top.table("analysis")?.map(|fields| analysis(&fields)).transpose()?.unwrap_or_default(),
        levels: top.table("levels")?.map(|fields| levels(&fields)).transpose()?.unwrap_or_default(),
        anonymise: top.table("anonymise")?.map(|fields| anonymise(&fields)).transpose()?.unwrap_or_default(),
        cases,
        fall_offs: fall_offs.into_iter().map(|(_, fall_off)| fall_off).collect(),
    })
}

/// What sections may refer to by name.
struct Places {
    instruments: Vec<String>,
    locations: Vec<String>,
}

fn names<T>(named: &[(String, T)]) -> Vec<String> {
    named.iter().map(|(name, _)| name.clone()).collect()
}

/// Text that says something: not empty, no longer than a page or two.
fn words(fields: &Fields<'_>, key: &str) -> Result<Option<String>, Error> {
    match fields.text(key)? {
        Some(text) if text.trim().is_empty() => {
            Err(fields.wrong(key, "an empty text".into(), "a text, or no such key"))
        }
        Some(text) if text.len() > LONGEST => {
            Err(fields.wrong(key, format!("{} characters", text.len()), &format!("at most {LONGEST}")))
        }
        other => Ok(other.map(|text| text.trim().to_owned())),
    }
}

/// All sections of a kind with their names, no name twice.
fn named<T>(
    top: &Fields<'_>,
    kind: &str,
    of: impl Fn(&Fields<'_>, String) -> Result<T, Error>,
) -> Result<Vec<(String, T)>, Error> {
    let mut seen = HashSet::new();
    let section = |fields: Fields<'_>| {
        let name = words(&fields, "name")?.ok_or_else(|| fields.missing("name", "a name in quotes"))?;
        if !seen.insert(name.clone()) {
            return Err(fields.wrong(
                "name",
                format!("\"{}\" is the name of another [[{kind}]]", printable(&name)),
                "a name of its own",
            ));
        }
        Ok((name.clone(), of(&fields, name)?))
    };
    top.sections(kind)?.into_iter().map(section).collect()
}

fn language(top: &Fields<'_>) -> Result<String, Error> {
    let Some(tag) = words(top, "language")? else { return Ok("en".to_owned()) };
    let parts: Vec<&str> = tag.split('-').collect();
    let is_word = |part: &&str| (1..=8).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_alphanumeric());
    let primary = parts[0].bytes().all(|byte| byte.is_ascii_alphabetic()) && (2..=3).contains(&parts[0].len());
    if primary && parts.iter().all(is_word) {
        return Ok(tag);
    }
    Err(top.wrong("language", format!("\"{}\"", printable(&tag)), "a tag of BCP 47 such as en or de-AT"))
}

fn people(top: &Fields<'_>) -> Result<Vec<Person>, Error> {
    let Some(fields) = top.table("people")? else { return Ok(Vec::new()) };
    let mut people = Vec::new();
    let mut roles: Vec<(&str, u64)> = fields.keys().collect();
    // Tables of this kind do not keep the order of the file; lines do.
    roles.sort_by_key(|&(role, line)| (line, role.to_owned()));
    for (role, _) in roles {
        for (name, place) in fields.texts(role)? {
            if name.trim().is_empty() {
                let error = Error::input(format!("{} of [people]: an empty name", printable(role)));
                return Err(fields.text.at(&place, error.expected("a name")));
            }
            people.push(Person { role: role.to_owned(), name: name.trim().to_owned() });
        }
    }
    Ok(people)
}

fn instrument(fields: &Fields<'_>, name: String) -> Result<Instrument, Error> {
    fields.only(&["name", "about", "serial", "setup"])?;
    Ok(Instrument {
        name,
        about: words(fields, "about")?,
        serial: fields.word("serial")?,
        setup: words(fields, "setup")?,
    })
}

fn location(fields: &Fields<'_>, name: String) -> Result<Location, Error> {
    fields.only(&["name", "about"])?;
    Ok(Location { name, about: words(fields, "about")? })
}

/// A value of a type that reads itself from text, or from a number as it is written.
fn parsed<T: FromStr>(fields: &Fields<'_>, key: &str, expected: &str) -> Result<Option<T>, Error> {
    let Some(word) = fields.word(key)? else { return Ok(None) };
    word.parse().map(Some).map_err(|_| fields.wrong(key, format!("\"{}\"", printable(&word)), expected))
}

fn analysis(fields: &Fields<'_>) -> Result<Analysis, Error> {
    fields.only(&[
        "range",
        "rbw",
        "window",
        "high_pass",
        "mains",
        "bands",
        "wire",
        "air",
        "sample_rate",
        "unit",
        "repeat",
    ])?;
    const FREQUENCY: &str = "a frequency such as 200 or \"1k\"";
    let high_pass = match fields.word("high_pass")?.as_deref() {
        Some("off") => Some(None),
        _ => parsed::<Hertz>(fields, "high_pass", "a frequency such as \"1k\", or \"off\"")?.map(Some),
    };
    let mains_hz = match fields.word("mains")?.as_deref() {
        None => None,
        Some("50") => Some(50.0),
        Some("60") => Some(60.0),
        Some(other) => return Err(fields.wrong("mains", format!("\"{}\"", printable(other)), "50 or 60")),
    };
    let (wire, air) = (fields.word("wire")?, fields.word("air")?);
    if wire.is_some() && wire == air {
        return Err(fields.wrong("air", "the same channel as wire".into(), "two channels"));
    }
    Ok(Analysis {
        range: parsed::<Band>(fields, "range", "a range such as \"2k:150k\"")?,
        rbw: parsed(fields, "rbw", FREQUENCY)?,
        window: parsed(fields, "window", "a window such as \"hann\" or \"hft95\"")?,
        high_pass,
        mains_hz,
        bands: parsed(fields, "bands", "\"2k\", \"200\", \"wide\", or edges such as \"2k,9k,30k,150k\"")?,
        wire,
        air,
        sample_rate: parsed(fields, "sample_rate", FREQUENCY)?,
        unit: words(fields, "unit")?,
        repeat: fields.flag("repeat")?,
    })
}

fn levels(fields: &Fields<'_>) -> Result<Levels, Error> {
    fields.only(&["draw", "files"])?;
    let list = |key| Ok::<_, Error>(fields.texts(key)?.into_iter().map(|(text, _)| text.to_owned()).collect());
    Ok(Levels { draw: list("draw")?, files: list("files")? })
}

fn anonymise(fields: &Fields<'_>) -> Result<Anonymise, Error> {
    fields.only(&["site", "people", "locations", "paths"])?;
    Ok(Anonymise {
        site: fields.flag("site")?,
        people: fields.flag("people")?,
        locations: fields.flag("locations")?,
        paths: fields.flag("paths")?,
    })
}

/// The place in a list that a name stands for.
fn reference(fields: &Fields<'_>, key: &str, kind: &str, known: &[String]) -> Result<Option<usize>, Error> {
    let Some(name) = words(fields, key)? else { return Ok(None) };
    let place = known.iter().position(|other| *other == name);
    place.map(Some).ok_or_else(|| fields.wrong(key, unknown(&name, known), &format!("the name of {kind}")))
}

/// Says that a name is not known, with the nearest one.
fn unknown(name: &str, known: &[String]) -> String {
    let known: Vec<&str> = known.iter().map(String::as_str).collect();
    let hint = nearest(name, &known).map_or(String::new(), |near| format!("; did you mean \"{}\"?", printable(near)));
    format!("\"{}\" is not described{hint}", printable(name))
}

fn case(fields: &Fields<'_>, name: String, places: &Places) -> Result<Case, Error> {
    let states = State::ALL.map(State::key);
    fields.only(
        &[
            &["name", "location", "instrument"][..],
            &states[..],
            &["order", "taken", "filter", "antenna_distance_m", "antenna_orientation", "photographs"][..],
            &["indicator", "remarks", "compare"][..],
        ]
        .concat(),
    )?;
    let sides = sides(fields, &name)?;
    let alternating = fields.choice("order", &["apart", "alternating"])? == Some("alternating");
    // With one instrument there is nothing to tell apart.
    let only = (places.instruments.len() == 1).then_some(0);
    let case = Case {
        location: reference(fields, "location", "a [[location]]", &places.locations)?,
        instrument: reference(fields, "instrument", "an [[instrument]]", &places.instruments)?.or(only),
        taken: taken(fields, &sides)?,
        sides,
        alternating,
        filter: words(fields, "filter")?,
        antenna_distance_m: fields.maybe_positive("antenna_distance_m")?,
        antenna_orientation: words(fields, "antenna_orientation")?,
        photographs: files(fields, "photographs")?.into_iter().map(|(name, _)| name.to_owned()).collect(),
        indicator: fields.table("indicator")?.map(|fields| indicator(&fields)).transpose()?,
        remarks: words(fields, "remarks")?,
        compare: compare(fields)?,
        name,
    };
    if case.alternating {
        in_pairs(fields, &case)?;
    }
    Ok(case)
}

/// Names of files, none of them empty or given twice.
fn files<'a>(fields: &Fields<'a>, key: &str) -> Result<Vec<(&'a str, Range<usize>)>, Error> {
    let files = fields.texts(key)?;
    let mut seen = HashSet::new();
    for (name, place) in &files {
        let found = match name.trim().is_empty() {
            true => Some("an empty name".to_owned()),
            false if !seen.insert(*name) => Some(format!("\"{}\" is named twice", printable(name))),
            false => None,
        };
        if let Some(found) = found {
            let error = Error::input(format!("{key}: {found}")).expected("names of files, each once");
            return Err(fields.text.at(place, error));
        }
    }
    Ok(files)
}

fn sides(fields: &Fields<'_>, case: &str) -> Result<Vec<Side>, Error> {
    let mut sides = Vec::new();
    let mut seen: Vec<(&str, State)> = Vec::new();
    for state in State::ALL {
        let captures = files(fields, state.key())?;
        for (name, place) in &captures {
            if let Some((_, other)) = seen.iter().find(|(known, _)| known == name) {
                let found = format!("\"{}\" is a capture of \"{}\" as well", printable(name), other.key());
                let error = Error::input(found).expected("each capture of a case in one state");
                return Err(fields.text.at(place, error));
            }
            seen.push((name, state));
        }
        if !captures.is_empty() {
            sides.push(Side { state, captures: captures.into_iter().map(|(name, _)| name.to_owned()).collect() });
        }
    }
    if sides.is_empty() {
        let keys = State::ALL.map(State::key).join(", ");
        let error = Error::input(format!("[[case]] \"{}\" names no capture", printable(case)));
        return Err(fields.text.at(&fields.place(), error.expected(format!("at least one of: {keys}"))));
    }
    Ok(sides)
}

fn taken(fields: &Fields<'_>, sides: &[Side]) -> Result<Vec<String>, Error> {
    let known: Vec<String> = sides.iter().flat_map(|side| side.captures.clone()).collect();
    let taken = files(fields, "taken")?;
    for (name, place) in &taken {
        if !known.iter().any(|other| other == name) {
            let error = Error::input(format!("taken: {}", unknown(name, &known))).expected("captures of this case");
            return Err(fields.text.at(place, error));
        }
    }
    Ok(taken.into_iter().map(|(name, _)| name.to_owned()).collect())
}

/// Captures that were taken alternately are as many on both sides of whatever is compared.
fn in_pairs(fields: &Fields<'_>, case: &Case) -> Result<(), Error> {
    let count = |state| case.captures(state).len();
    let pairs = [(case.reference().unwrap_or(State::Off), State::On), (State::On, State::OnWithFilter)];
    for (first, second) in pairs {
        let (before, after) = (count(first), count(second));
        if before > 0 && after > 0 && before != after {
            return Err(fields.wrong(
                "order",
                format!(
                    "alternating, but {before} captures of \"{}\" and {after} of \"{}\"",
                    first.key(),
                    second.key()
                ),
                "as many captures on both sides, in the order in which they were taken",
            ));
        }
    }
    Ok(())
}

fn indicator(fields: &Fields<'_>) -> Result<Indicator, Error> {
    let states = State::ALL.map(State::key);
    fields.only(&[&["about", "unit"][..], &states[..]].concat())?;
    let mut readings = Vec::new();
    for state in State::ALL {
        if let Some(values) = fields.numbers(state.key())? {
            readings.push((state, values));
        }
    }
    if readings.is_empty() {
        return Err(fields.missing("on", "a reading, or a list of readings"));
    }
    Ok(Indicator { about: words(fields, "about")?, unit: words(fields, "unit")?, readings })
}

fn compare(fields: &Fields<'_>) -> Result<Option<Vec<Ask>>, Error> {
    if !fields.keys().any(|(key, _)| key == "compare") {
        return Ok(None);
    }
    let words = Ask::ALL.map(Ask::word);
    let ask = |(word, place): (&str, Range<usize>)| {
        Ask::ALL.into_iter().find(|ask| ask.word() == word).ok_or_else(|| {
            let hint = nearest(word, &words).map_or(String::new(), |near| format!("; did you mean \"{near}\"?"));
            let error = Error::input(format!("compare: \"{}\"{hint}", printable(word)));
            fields.text.at(&place, error.expected(format!("some of: {}", words.join(", "))))
        })
    };
    fields.texts("compare")?.into_iter().map(ask).collect::<Result<_, _>>().map(Some)
}

fn fall_off(fields: &Fields<'_>, name: String, cases: &[Case]) -> Result<FallOff, Error> {
    fields.only(&["name", "cases"])?;
    let known: Vec<String> = cases.iter().map(|case| case.name.clone()).collect();
    let mut members = Vec::new();
    for (word, place) in fields.names("cases")? {
        let refuse = |found: String, expected: &str| {
            Err(fields.text.at(&place, Error::input(format!("cases: {found}")).expected(expected)))
        };
        let Some(member) = known.iter().position(|other| other == word) else {
            return refuse(unknown(word, &known), "the name of a [[case]]");
        };
        if cases[member].antenna_distance_m.is_none() {
            return refuse(
                format!("\"{}\" has no antenna_distance_m", printable(word)),
                "cases that tell the distance of the antenna",
            );
        }
        if members.contains(&member) {
            return refuse(format!("\"{}\" is named twice", printable(word)), "each case once");
        }
        members.push(member);
    }
    let distances = members.iter().filter_map(|&member| cases[member].antenna_distance_m);
    let (low, high) = distances.fold((f64::INFINITY, 0.0_f64), |(low, high), d| (low.min(d), high.max(d)));
    if low >= high {
        return Err(fields.wrong("cases", "all at one distance".into(), "cases at two distances or more"));
    }
    Ok(FallOff { name, cases: members })
}
