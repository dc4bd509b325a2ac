//! From the names and times of captures to a description that a person goes on from.
//!
//! Names are cut at blanks, hyphens and underscores. Words such as `off`, `on`, `filter`, `background`, `before` and
//! `after` tell the state, a number at the end the repetition, a length such as `30cm` the distance of the antenna;
//! what is left, with the folder, names the case. Everything is a guess, and the text says so.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::State;

/// A capture that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// The name relative to the description, with `/` between folders.
    pub name: String,
    /// When it was written, in milliseconds of any clock; `None` where that is not known.
    pub written_ms: Option<u64>,
}

/// Captures that were written less than this apart do not tell the order in which they were taken: they were copied.
const COPIED_MS: u64 = 2_000;

/// What a name says.
#[derive(Debug, Clone, PartialEq)]
struct Said {
    folder: String,
    load: String,
    distance: Option<Distance>,
    state: Option<State>,
}

/// A distance as it stands in a name, in millimetres.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Distance(u32);

/// A case on its way: its captures by state, the first of them in natural order.
type Sides<'a> = BTreeMap<State, Vec<&'a Candidate>>;

/// The text of a description for these captures, which come in the order in which they are to be listed.
///
/// Captures of the surroundings that name no load stand for every load of their folder. The measuring chain is that of
/// a setup where there is one, named as the captures are.
///
/// ```
/// use linewake::survey::description::{Candidate, propose};
/// let names = ["background-1.csv", "lamp-on-1.csv", "lamp-on-filter-1.csv"];
/// let found = names.map(|name| Candidate { name: name.into(), written_ms: None });
/// let text = propose("Studio", &found, None);
/// assert!(text.contains("name = \"lamp\"") && text.contains("on_with_filter = [\"lamp-on-filter-1.csv\"]"));
/// ```
pub fn propose(title: &str, captures: &[Candidate], setup: Option<&str>) -> String {
    let mut cases: BTreeMap<(String, String, Option<Distance>), Sides<'_>> = BTreeMap::new();
    let mut shared: BTreeMap<String, Sides<'_>> = BTreeMap::new();
    let mut doubtful = Vec::new();
    for capture in captures {
        let said = said(&capture.name);
        let state = said.state.unwrap_or_else(|| {
            doubtful.push(capture.name.as_str());
            State::On
        });
        let is_surroundings = matches!(state, State::Background | State::Off | State::OffWithFilter);
        if said.load.is_empty() && is_surroundings {
            shared.entry(said.folder).or_default().entry(state).or_default().push(capture);
        } else {
            let key = (said.folder, said.load, said.distance);
            cases.entry(key).or_default().entry(state).or_default().push(capture);
        }
    }
    let mut text = head(title, setup);
    if !doubtful.is_empty() {
        text.push_str("# These names tell no state and were taken for captures with the load on:\n");
        doubtful.iter().for_each(|name| {
            let _ = writeln!(text, "#   {}", one_line(name));
        });
        text.push('\n');
    }
    // A folder tells loads of one name apart; one that holds all captures of a job says nothing.
    let mut folders: Vec<&String> = cases.keys().map(|(folder, _, _)| folder).chain(shared.keys()).collect();
    folders.dedup();
    let place = |folder: &str| if folders.len() > 1 { folder.to_owned() } else { String::new() };
    let mut fall_offs: BTreeMap<(&str, &str), Vec<String>> = BTreeMap::new();
    for ((folder, load, distance), sides) in &cases {
        let name = case_name(&place(folder), load, *distance);
        let mut sides = sides.clone();
        for (state, captures) in shared.get(folder).into_iter().flatten() {
            sides.entry(*state).or_insert_with(|| captures.clone());
        }
        write_case(&mut text, &name, *distance, &sides);
        if distance.is_some() && sides.contains_key(&State::On) {
            fall_offs.entry((folder, load)).or_default().push(name);
        }
    }
    // Surroundings that no load stands beside are a case of their own.
    for (folder, sides) in &shared {
        if !cases.keys().any(|(other, _, _)| other == folder) {
            write_case(&mut text, &case_name(&place(folder), "surroundings", None), None, sides);
        }
    }
    for ((folder, load), names) in fall_offs.into_iter().filter(|(_, names)| names.len() > 1) {
        let name = quoted(&case_name(&place(folder), load, None));
        let _ = writeln!(text, "[[fall_off]]\nname = {name}\ncases = {}\n", list(names.iter().map(String::as_str)));
    }
    text
}

/// The captures that one is to be compared with, by their names: one with a filter with those of the same load without
/// it, one with the load on with those with it off, else with the background of its folder. None for captures of the
/// load off.
///
/// ```
/// use linewake::survey::description::compared_with;
/// let names = ["background-1.csv", "lamp-on-1.csv", "fan-on-1.csv", "lamp-after-1.csv"].map(str::to_owned);
/// assert_eq!(compared_with("lamp-after-1.csv", &names), ["lamp-on-1.csv"]);
/// assert_eq!(compared_with("fan-on-1.csv", &names), ["background-1.csv"]);
/// assert!(compared_with("background-1.csv", &names).is_empty());
/// ```
pub fn compared_with<'a>(name: &str, names: &'a [String]) -> Vec<&'a str> {
    let this = said(name);
    let of = |load: &str, states: &[State]| -> Vec<&'a str> {
        let same = |other: &&'a String| {
            let other = said(other);
            other.folder == this.folder
                && other.load == load
                && (load.is_empty() || other.distance == this.distance)
                && other.state.is_some_and(|state| states.contains(&state))
        };
        names.iter().filter(same).map(String::as_str).collect()
    };
    let own = match this.state.unwrap_or(State::On) {
        State::Background | State::Off | State::OffWithFilter => return Vec::new(),
        State::On => of(&this.load, &[State::Off]),
        State::OnWithFilter => of(&this.load, &[State::On]),
    };
    if own.is_empty() { of("", &[State::Off, State::Background]) } else { own }
}

fn head(title: &str, setup: Option<&str>) -> String {
    // What is not known is shown as it would be written.
    let mark = if setup.is_some() { "" } else { "# " };
    let setup = quoted(setup.unwrap_or("chain.toml"));
    format!(
        "# A survey, as far as the names of the captures tell. Check every line, and fill in what only you know.\n\
         # Then: linewake survey THIS-FILE. Names of files are relative to this one.\n\
         \n\
         title = {}\n\
         # date = 2026-11-25\n\
         # language = \"en\"                 # of what you write here\n\
         # site = \"community radio studio\"\n\
         # remarks = \"\"\n\
         \n\
         # [people]                        # any role = a name, or a list of names\n\
         # measured = \"\"\n\
         \n\
         {mark}[[instrument]]\n\
         {mark}name = \"recorder\"\n\
         # about = \"two channels, 12 bits\"\n\
         {mark}setup = {setup}            # the measuring chain; begin with \"calibrate\" or \"setup --new\"\n\
         \n\
         # [[location]]\n\
         # name = \"control room\"\n\
         \n\
         # [analysis]                      # only what is not as usual\n\
         # range = \"2k:150k\"\n\
         # rbw = 200\n\
         # bands = \"wide\"\n\
         # mains = 50\n\
         # repeat = true                   # receiver: take a short record for one period of a repeating signal\n\
         \n\
         # [levels]                        # drawn where they can be; see \"levels\"\n\
         # draw = [\"lighting-mains\"]\n\
         \n\
         # [anonymise]                     # replaced in the page and in the data\n\
         # site = true\n\
         # people = true\n\
         # locations = true\n\
         # paths = true\n\
         \n\
         # More keys of a case: location, instrument, filter, antenna_distance_m, antenna_orientation, photographs,\n\
         # remarks, order = \"alternating\" (off, on, off, on ...), taken (the captures in the order of taking),\n\
         # compare = [\"standby\", \"added\", \"filter\", \"coupling\"] (without it, all that make sense), and\n\
         # [case.indicator] with about, unit and readings by state, such as on = [120, 130].\n\
         \n",
        quoted(title)
    )
}

fn write_case(text: &mut String, name: &str, distance: Option<Distance>, sides: &Sides<'_>) {
    let _ = writeln!(text, "[[case]]\nname = {}", quoted(name));
    if let Some(Distance(millimetres)) = distance {
        let _ = writeln!(text, "antenna_distance_m = {}", f64::from(millimetres) / 1e3);
    }
    for (state, captures) in sides {
        let _ = writeln!(text, "{} = {}", state.key(), list(captures.iter().map(|capture| capture.name.as_str())));
    }
    if let Some(taken) = alternating(sides) {
        let _ = writeln!(text, "order = \"alternating\"             # as the times of the files tell");
        let _ = writeln!(text, "taken = {}", list(taken.into_iter()));
    }
    text.push('\n');
}

/// The captures in the order of their times, where captures off and on follow each other in turns.
fn alternating<'a>(sides: &Sides<'a>) -> Option<Vec<&'a str>> {
    let reference = [State::Off, State::Background].into_iter().find(|state| sides.contains_key(state))?;
    let of =
        |state: State| sides.get(&state).into_iter().flatten().map(move |capture| (capture.written_ms, state, capture));
    let mut taken: Vec<_> = of(reference).chain(of(State::On)).collect();
    let pairs_with_filter = sides.get(&State::OnWithFilter).is_none_or(|filter| filter.len() * 2 == taken.len());
    if taken.len() < 4 || !pairs_with_filter || taken.iter().any(|(written, ..)| written.is_none()) {
        return None;
    }
    taken.sort_by_key(|&(written, ..)| written);
    let in_turns = taken.windows(2).all(|pair| pair[0].1 != pair[1].1)
        && taken.windows(2).all(|pair| pair[0].0.zip(pair[1].0).is_some_and(|(a, b)| b - a >= COPIED_MS));
    // Pairs are formed by the order of the lists, so that order has to be the one of time.
    let in_order = |state: State| {
        let by_time = taken.iter().filter(|entry| entry.1 == state).map(|entry| &entry.2.name);
        by_time.eq(sides[&state].iter().map(|capture| &capture.name))
    };
    (in_turns && taken.len() % 2 == 0 && in_order(reference) && in_order(State::On))
        .then(|| taken.into_iter().map(|(_, _, capture)| capture.name.as_str()).collect())
}

fn said(name: &str) -> Said {
    let (folder, file) = name.rsplit_once('/').unwrap_or(("", name));
    let stem = stem(file);
    let words: Vec<&str> = stem.split(['-', '_', ' ', ',', '(', ')', '+']).filter(|word| !word.is_empty()).collect();
    let mut load = Vec::new();
    let (mut off, mut on, mut filter, mut background) = (false, false, false, false);
    let mut distance = None;
    for (place, word) in words.iter().enumerate() {
        let lower = word.to_lowercase();
        match lower.as_str() {
            "off" => off = true,
            "on" | "before" => on = true,
            "after" => (on, filter) = (true, true),
            "filter" | "filtered" => filter = true,
            "background" | "ambient" | "surroundings" | "empty" => background = true,
            // Small words that only join others.
            "with" | "and" | "the" if !load.is_empty() || place + 1 < words.len() => {}
            number if place > 0 && place + 1 == words.len() && number.bytes().all(|byte| byte.is_ascii_digit()) => {}
            length if distance.is_none() && millimetres(length).is_some() => distance = millimetres(length),
            _ => load.push(*word),
        }
    }
    let state = match (background, off, on, filter) {
        (true, _, _, true) | (_, true, _, true) => Some(State::OffWithFilter),
        (true, ..) => Some(State::Background),
        (_, true, ..) => Some(State::Off),
        (_, _, _, true) => Some(State::OnWithFilter),
        (_, _, true, _) => Some(State::On),
        _ => None,
    };
    Said { folder: folder.to_owned(), load: load.join(" "), distance, state }
}

/// The name without its ending, and without that of a packing.
fn stem(file: &str) -> &str {
    let without = |name: &'_ str| name.rfind('.').filter(|&at| at > 0).unwrap_or(name.len());
    let lower = file.to_lowercase();
    let packed = lower.ends_with(".gz") || lower.ends_with(".zst");
    let file = if packed { &file[..without(file)] } else { file };
    &file[..without(file)]
}

/// A length such as `30cm`, `1m`, `0.5m`.
fn millimetres(word: &str) -> Option<Distance> {
    let units = [("cm", 10.0), ("mm", 1.0), ("m", 1000.0)];
    let (number, factor) = units.into_iter().find_map(|(unit, factor)| Some((word.strip_suffix(unit)?, factor)))?;
    let starts_well = number.bytes().next().is_some_and(|byte| byte.is_ascii_digit());
    let value = number.parse::<f64>().ok().filter(|_| starts_well)? * factor;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 1 and 1e6")]
    (1.0..=1e6).contains(&value).then_some(Distance(value.round() as u32))
}

fn case_name(folder: &str, load: &str, distance: Option<Distance>) -> String {
    let load = if load.is_empty() { "load" } else { load };
    let place = match folder {
        "" | "captures" => String::new(),
        folder => format!("{folder}: "),
    };
    let at = distance.map_or(String::new(), |Distance(mm)| format!(" at {} m", f64::from(mm) / 1e3));
    format!("{place}{load}{at}")
}

/// A text as TOML writes it.
pub(super) fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// A name within a remark: nothing in it ends the line.
fn one_line(name: &str) -> String {
    name.chars().map(|c| if c.is_control() { '?' } else { c }).collect()
}

fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let quoted: Vec<String> = names.map(quoted).collect();
    let line = format!("[{}]", quoted.join(", "));
    if line.chars().count() <= 100 { line } else { format!("[\n    {},\n]", quoted.join(",\n    ")) }
}
