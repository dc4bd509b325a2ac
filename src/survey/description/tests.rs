use super::*;
use crate::error::Error;
use crate::read::{Bytes, Source};
use crate::survey::studio::{LOADS, Studio};

fn parse(text: &str) -> Result<Survey, Error> {
    read(&Source::new(Bytes::new("survey.toml", text.as_bytes().to_vec())))
}

const WHOLE: &str = r#"
title = "Hum"
date = 2026-11-14
language = "de-AT"
site = "Quill Radio"
remarks = "a hum"

[people]
measured = ["Ada Fennimore", "Jory Tamsin"]
commissioned = "Wren Oakes"

[[instrument]]
name = "recorder"
about = "12 bits"
serial = 4711
setup = "chain.toml"

[[instrument]]
name = "second recorder"

[[location]]
name = "control room"
about = "by the window"

[analysis]
range = "9k:150k"
rbw = 200
window = "hft95"
high_pass = "off"
mains = 50
bands = "9k,50k,150k"
wire = 1
air = "antenna"
sample_rate = "500k"
unit = "mV"
repeat = true

[levels]
draw = ["lighting-mains"]
files = ["own.toml"]

[anonymise]
people = true
paths = true

[[case]]
name = "near"
location = "control room"
instrument = "second recorder"
background = ["b.csv"]
off = ["off-1.csv", "off-2.csv"]
off_with_filter = "offf.csv"
on = ["on-1.csv", "on-2.csv"]
on_with_filter = ["onf-1.csv", "onf-2.csv"]
order = "alternating"
taken = ["off-1.csv", "on-1.csv"]
filter = "4.7 uF"
antenna_distance_m = 0.3
antenna_orientation = "upright"
photographs = ["p.jpg"]
remarks = "r"
compare = ["added", "filter"]
[case.indicator]
about = "in the next socket"
unit = "counts"
off = 38
on = [400, 410.5]

[[case]]
name = "far"
antenna_distance_m = 1
on = ["far.csv"]

[[fall_off]]
name = "panel"
cases = ["near", "far"]
"#;

#[test]
fn every_key_arrives() {
    let survey = parse(WHOLE).unwrap();
    assert_eq!((survey.date.as_deref(), survey.language.as_str()), (Some("2026-11-14"), "de-AT"));
    let people: Vec<(&str, &str)> = survey.people.iter().map(|p| (p.role.as_str(), p.name.as_str())).collect();
    assert_eq!(people, [("measured", "Ada Fennimore"), ("measured", "Jory Tamsin"), ("commissioned", "Wren Oakes")]);
    assert_eq!(survey.instruments[0].serial.as_deref(), Some("4711"));
    let analysis = &survey.analysis;
    assert_eq!(analysis.range.map(|range| (range.low(), range.high())), Some((9e3, 150e3)));
    assert_eq!((analysis.high_pass, analysis.mains_hz), (Some(None), Some(50.0)));
    assert_eq!((analysis.wire.as_deref(), analysis.air.as_deref()), (Some("1"), Some("antenna")));
    assert_eq!(analysis.bands, Some(Scheme::Edges(vec![9e3, 50e3, 150e3])));
    assert_eq!(survey.levels.draw, ["lighting-mains"]);
    assert!(survey.anonymise.people && survey.anonymise.paths && !survey.anonymise.site);
    let near = &survey.cases[0];
    assert_eq!((near.location, near.instrument, near.alternating), (Some(0), Some(1), true));
    assert_eq!(near.captures(State::OffWithFilter), ["offf.csv"]);
    assert_eq!(near.reference(), Some(State::Off));
    assert!(near.insists(Ask::Added) && !near.asks(Ask::Coupling) && survey.cases[1].asks(Ask::Coupling));
    let readings = &near.indicator.as_ref().unwrap().readings;
    assert_eq!(readings, &[(State::Off, vec![38.0]), (State::On, vec![400.0, 410.5])]);
    assert_eq!(survey.fall_offs[0].cases, [0, 1]);
    // One capture may stand in two cases; it is looked at once.
    assert_eq!(survey.captures().len(), 9);
}

/// The smallest description, with a case's lines and what stands after it.
fn small(case: &str, after: &str) -> String {
    format!("title = \"t\"\n[[case]]\nname = \"lamp\"\n{case}\n{after}")
}

#[test]
fn every_fault_has_its_place_and_a_hint() {
    let on = "on = [\"on.csv\"]";
    let mut differing = Vec::new();
    for (text, message) in [
        (
            "tittle = \"x\"\n".to_owned(),
            "survey.toml:1:1: the description has no key \"tittle\"; did you mean \"title\"?; expected one of: title, date, \
             language, site, remarks, people, instrument, location, analysis, levels, anonymise, case, fall_off",
        ),
        (
            "title = \"x\"\n".to_owned(),
            "survey.toml:1:1: the description has no \"case\"; expected case = sections [[case]], one for each load or place",
        ),
        (
            small("off = [\"a.csv\"]\nbackgruond = [\"b.csv\"]", ""),
            "survey.toml:5:1: [[case]] has no key \"backgruond\"; did you mean \"background\"?; expected one of: name, \
             location, instrument, background, off, off_with_filter, on, on_with_filter, order, taken, filter, \
             antenna_distance_m, antenna_orientation, photographs, indicator, remarks, compare",
        ),
        (
            small("", ""),
            "survey.toml:2:1: [[case]] \"lamp\" names no capture; expected at least one of: background, off, \
             off_with_filter, on, on_with_filter",
        ),
        (
            small("off = [\"a.csv\"]\non = [\"b.csv\", \"a.csv\"]", ""),
            "survey.toml:5:16: \"a.csv\" is a capture of \"off\" as well; expected each capture of a case in one state",
        ),
        (
            small("on = [\"a.csv\", \"a.csv\"]", ""),
            "survey.toml:4:16: on: \"a.csv\" is named twice; expected names of files, each once",
        ),
        (
            small("on = [\"a.csv\", 3]", ""),
            "survey.toml:4:16: on of [[case]]: a value of the kind integer; expected text in quotes, or a list of such texts",
        ),
        (
            small(&format!("{on}\nlocation = \"cellar\""), "[[location]]\nname = \"celler\""),
            "survey.toml:5:12: location of [[case]]: \"cellar\" is not described; did you mean \"celler\"?; expected the name of a [[location]]",
        ),
        (
            small(&format!("{on}\nantenna_distance_m = -1"), ""),
            "survey.toml:5:22: antenna_distance_m of [[case]]: -1; expected a number above zero that a real part can have",
        ),
        (
            small(&format!("{on}\ncompare = [\"filtr\"]"), ""),
            "survey.toml:5:12: compare: \"filtr\"; did you mean \"filter\"?; expected some of: standby, added, filter, coupling",
        ),
        (
            small("off = [\"a.csv\"]\non = [\"b.csv\", \"c.csv\"]\norder = \"alternating\"", ""),
            "survey.toml:6:9: order of [[case]]: alternating, but 1 captures of \"off\" and 2 of \"on\"; expected as many \
             captures on both sides, in the order in which they were taken",
        ),
        (
            small(&format!("{on}\ntaken = [\"om.csv\"]"), ""),
            "survey.toml:5:10: taken: \"om.csv\" is not described; did you mean \"on.csv\"?; expected captures of this case",
        ),
        (
            small(on, "[case.indicator]\nabout = \"x\""),
            "survey.toml:5:1: [case.indicator] has no \"on\"; expected on = a reading, or a list of readings",
        ),
        (
            small(on, "[[case]]\nname = \"lamp\"\non = [\"b.csv\"]"),
            "survey.toml:6:8: name of [[case]]: \"lamp\" is the name of another [[case]]; expected a name of its own",
        ),
        (
            small(on, "[[fall_off]]\nname = \"f\"\ncases = [\"lamp\"]"),
            "survey.toml:7:10: cases: \"lamp\" has no antenna_distance_m; expected cases that tell the distance of the antenna",
        ),
        (
            small(&format!("{on}\nantenna_distance_m = 1"), "[[fall_off]]\nname = \"f\"\ncases = [\"lamp\"]"),
            "survey.toml:8:9: cases of [[fall_off]]: all at one distance; expected cases at two distances or more",
        ),
        (
            small(on, "[analysis]\nrange = \"150k:2k\""),
            "survey.toml:6:9: range of [analysis]: \"150k:2k\"; expected a range such as \"2k:150k\"",
        ),
        (small(on, "[analysis]\nmains = 16"), "survey.toml:6:9: mains of [analysis]: \"16\"; expected 50 or 60"),
        (
            format!("date = \"2026-02-30\"\n{}", small(on, "")),
            "survey.toml:1:8: date of the description: \"2026-02-30\"; expected a day such as 2026-11-25",
        ),
        (
            format!("language = \"e\u{202e}\"\n{}", small(on, "")),
            "survey.toml:1:12: language of the description: \"e?\"; expected a tag of BCP 47 such as en or de-AT",
        ),
        (
            small(on, "[people]\nmeasured = \" \""),
            "survey.toml:6:12: measured of [people]: an empty name; expected a name",
        ),
    ] {
        let error = parse(&text).expect_err(&text).to_string();
        let line = error.lines().next().unwrap();
        if line != message {
            differing.push(format!("{text}\n  found    {line}\n  expected {message}"));
        }
    }
    assert!(differing.is_empty(), "{}", differing.join("\n"));
}

#[test]
fn what_is_no_description_is_refused_with_its_place() {
    for text in ["", "[[case]", "title = ", "case = 3", "title = \"t\"\n[case]\non = \"a\"", "\u{feff}x", "a = \"\\x\""]
    {
        let error = parse(text).unwrap_err();
        assert!(error.place().line.is_some(), "{text}: {error}");
    }
    let bytes = Source::new(Bytes::new("survey.toml", vec![0xff, 0xfe, 0x00]));
    assert!(read(&bytes).unwrap_err().to_string().contains("UTF-8"));
}

fn found(names: &[&str]) -> Vec<Candidate> {
    names.iter().map(|name| Candidate { name: (*name).to_owned(), written_ms: None }).collect()
}

#[test]
fn the_proposal_for_the_demos_captures_gives_the_demos_cases() {
    let studio = Studio::new(1);
    let names: Vec<String> = studio.captures().iter().map(|c| format!("captures/{}", c.file_name())).collect();
    let mut names: Vec<&str> = names.iter().map(String::as_str).collect();
    names.sort_unstable();
    let proposed = parse(&propose("Studio", &found(&names), None)).unwrap();
    let written = parse(&studio.survey_toml()).unwrap();
    assert_eq!(proposed.cases.len(), LOADS.len());
    for case in &written.cases {
        // A proposal has the words of the file names.
        let slug = LOADS.iter().find(|load| load.name == case.name).unwrap().slug;
        let same = proposed.cases.iter().find(|other| other.name == slug.replace('-', " ")).unwrap();
        assert_eq!(same.sides, case.sides, "{}", case.name);
    }
    assert_eq!(proposed.captures().len(), written.captures().len());
}

#[test]
fn names_tell_state_repeat_and_distance() {
    let text = propose(
        "x",
        &found(&[
            "lamp_30cm_on_1.csv",
            "lamp_30cm_on_2.csv",
            "lamp_1m_ON_1.csv",
            "Lamp 2m on.csv.gz",
            "lamp_30cm_off_1.csv",
            "ambient.csv",
            "kitchen/fan before.wav",
            "kitchen/fan after.wav",
            "mystery.csv",
            "weird \"name\" \\ on.csv",
        ]),
        None,
    );
    let survey = parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    let case =
        |name: &str| survey.cases.iter().find(|case| case.name == name).unwrap_or_else(|| panic!("{name}: {text}"));
    let near = case("lamp at 0.3 m");
    assert_eq!(near.antenna_distance_m, Some(0.3));
    assert_eq!(near.captures(State::On), ["lamp_30cm_on_1.csv", "lamp_30cm_on_2.csv"]);
    assert_eq!(
        (near.captures(State::Off).len(), near.captures(State::Background)),
        (1, &["ambient.csv".to_owned()][..])
    );
    assert_eq!(case("lamp at 1 m").captures(State::On), ["lamp_1m_ON_1.csv"]);
    assert_eq!(case("Lamp at 2 m").captures(State::On), ["Lamp 2m on.csv.gz"]);
    let fan = case("kitchen: fan");
    assert_eq!((fan.captures(State::On).len(), fan.captures(State::OnWithFilter).len()), (1, 1));
    assert!(fan.captures(State::Background).is_empty(), "the surroundings of another folder are none of its own");
    assert_eq!(case("mystery").captures(State::On), ["mystery.csv"]);
    assert!(text.contains("tell no state") && text.contains("#   mystery.csv"));
    assert_eq!(case("weird \"name\" \\").captures(State::On).len(), 1);
    assert_eq!(survey.fall_offs.len(), 1);
    assert_eq!(survey.fall_offs[0].cases.len(), 2);
}

#[test]
fn captures_taken_in_turns_are_seen_by_their_times() {
    let at = |name: &str, seconds: u64| Candidate { name: name.to_owned(), written_ms: Some(1000 * seconds) };
    let turns = [at("lamp-off-1.csv", 0), at("lamp-off-2.csv", 60), at("lamp-on-1.csv", 30), at("lamp-on-2.csv", 90)];
    let survey = parse(&propose("x", &turns, None)).unwrap();
    assert!(survey.cases[0].alternating);
    assert_eq!(survey.cases[0].taken, ["lamp-off-1.csv", "lamp-on-1.csv", "lamp-off-2.csv", "lamp-on-2.csv"]);
    // Copied at once, or all off before all on: no pairs.
    let copied = turns.clone().map(|one| Candidate { written_ms: one.written_ms.map(|ms| ms / 100), ..one });
    assert!(!parse(&propose("x", &copied, None)).unwrap().cases[0].alternating);
    let apart = [at("lamp-off-1.csv", 0), at("lamp-off-2.csv", 30), at("lamp-on-1.csv", 60), at("lamp-on-2.csv", 90)];
    assert!(!parse(&propose("x", &apart, None)).unwrap().cases[0].alternating);
}

#[test]
fn hostile_names_stay_within_their_quotes() {
    let names = ["a\"]\n[[case]]\nname=\"x-on.csv", "b\u{0}\u{7f}\u{1b}-on.csv", "c\r\n# -on.csv", "'''\"\"\"-on.csv"];
    let text = propose("t\"\n[people]\n", &found(&names), None);
    let survey = parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    let read: Vec<&str> = survey.captures().into_iter().map(|(_, name)| name).collect();
    assert!(names.iter().all(|name| read.contains(name)), "{read:?}");
    assert_eq!(survey.people, []);
}

#[test]
fn a_folder_that_holds_all_names_no_case_and_a_chain_is_named() {
    let names = ["job/raw/background-1.csv", "job/raw/lamp-on-1.csv"];
    let survey = parse(&propose("x", &found(&names), Some("chain \"a\".toml"))).unwrap();
    assert_eq!(survey.cases[0].name, "lamp");
    assert_eq!(survey.instruments[0].setup.as_deref(), Some("chain \"a\".toml"));
    assert_eq!(survey.cases[0].instrument, Some(0));
    let survey = parse(&propose("x", &found(&["a/lamp-on-1.csv", "b/lamp-on-1.csv"]), None)).unwrap();
    assert_eq!(survey.cases.iter().map(|case| case.name.as_str()).collect::<Vec<_>>(), ["a: lamp", "b: lamp"]);
    assert!(survey.instruments.is_empty());
}
