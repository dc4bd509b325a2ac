//! Curves as text: TOML sections `[level.NAME]` to curves and back.

use std::fmt::Write;
use std::ops::Range;

use super::{Confidence, Curve, Detector, Form, Kind, Segment};
use crate::capture::Port;
use crate::error::{Error, printable};
use crate::read::Source;
use crate::read::fields::{Fields, FileKind, Text};

/// A file of levels with an example of every way to write one, that can be used as it stands.
pub const EXAMPLE: &str = include_str!("data/example.toml");

const FILE: FileKind = FileKind { name: "a file of levels", remedy: "see \"levels --new\"" };
/// The units that a level may have: those of chains.
const UNITS: [&str; 5] = ["V", "A", "V/m", "A/m", "T"];
const KEYS: [&str; 16] = [
    "title",
    "document",
    "edition",
    "clause",
    "kind",
    "detector",
    "bandwidth_hz",
    "unit",
    "port",
    "scope",
    "confidence",
    "note",
    "decibels",
    "percent",
    "percent_of",
    "power",
];
/// No level lies further from one millionth of its unit.
const MOST_DECIBELS: f64 = 400.0;
/// Frequencies in hertz that a curve may reach.
const REACH_HZ: (f64, f64) = (1e-3, 1e12);

/// Reads the curves of a file.
///
/// # Errors
/// What is wrong with the text or a curve, with file, line and column: gaps, overlaps, frequencies that do not rise,
/// values that are no finite numbers, a unit that no level has.
pub fn read(source: &Source) -> Result<Vec<Curve>, Error> {
    curves_in(source.name(), &FILE.text_of(source)?)
}

/// Reads the curves of a text by the name of its file.
pub(super) fn curves_in(file: &str, text: &str) -> Result<Vec<Curve>, Error> {
    let text = Text { file, text, kind: FILE };
    let document = text.parse()?;
    let top = Fields::new(text, "the file", document.get_ref(), document.span());
    top.only(&["level"])?;
    let Some(levels) = top.table("level")? else { return Err(empty(file)) };
    // A table knows its keys by name only; the user's order is that of the places.
    let mut sections = levels.tables()?;
    sections.sort_by_key(|(_, fields)| fields.place().start);
    let curves = sections.iter().map(|(name, fields)| curve(file, name, fields)).collect::<Result<Vec<_>, _>>()?;
    if curves.is_empty() { Err(empty(file)) } else { Ok(curves) }
}

fn empty(file: &str) -> Error {
    Error::input("holds no level").in_file(file).expected("sections [level.NAME]").remedy(FILE.remedy)
}

fn curve(file: &str, name: &str, fields: &Fields<'_>) -> Result<Curve, Error> {
    fields.only(&KEYS)?;
    let is_name = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if name.is_empty() || name.len() > 60 || !name.chars().all(is_name) {
        let found = format!("\"{}\" as the name of a level", printable(name));
        return Err(fields
            .text
            .at(&fields.place(), Error::input(found).expected("small letters, digits and hyphens, at most 60")));
    }
    let needed = |key: &str| match fields.text(key)? {
        Some(text) if !text.trim().is_empty() => Ok(text.to_owned()),
        _ => Err(fields.missing(key, "text in quotes")),
    };
    let maybe = |key: &str| Ok::<_, Error>(fields.text(key)?.unwrap_or_default().to_owned());
    let kind = word(fields, "kind", Kind::ALL)?;
    let ports: Vec<(Port, &str)> = Port::all().map(|port| (port, port.word())).collect();
    let unit = fields.choice("unit", &UNITS)?.ok_or_else(|| fields.missing("unit", &UNITS.join(", ")))?;
    let port = word(fields, "port", &ports)?;
    let fits = match port {
        Port::LineToNeutral | Port::VNetwork | Port::VNetworkWithoutResistor => unit == "V",
        Port::Field => matches!(unit, "V/m" | "A/m" | "T"),
        Port::LargeLoop2m | Port::LargeLoop3m | Port::LargeLoop4m | Port::Contact => unit == "A",
    };
    if !fits {
        let expected = match port {
            Port::Field => "V/m, A/m or T",
            port if port.word().starts_with("large") || port == Port::Contact => "A",
            _ => "V",
        };
        return Err(fields.wrong("unit", format!("{unit} at the port {}", port.word()), expected));
    }
    Ok(Curve {
        name: name.to_owned(),
        title: needed("title")?,
        document: needed("document")?,
        edition: needed("edition")?,
        clause: maybe("clause")?,
        kind,
        detector: word(fields, "detector", Detector::ALL)?,
        bandwidth_hz: fields.maybe_positive("bandwidth_hz")?,
        unit,
        port,
        scope: needed("scope")?,
        confidence: word(fields, "confidence", Confidence::ALL)?,
        note: maybe("note")?,
        file: Some(file.to_owned()),
        segments: segments(fields)?,
    })
}

/// One of a closed set of meanings, which has to be there.
fn word<T: Copy>(fields: &Fields<'_>, key: &str, all: &[(T, &str)]) -> Result<T, Error> {
    let words: Vec<&str> = all.iter().map(|(_, word)| *word).collect();
    let chosen = fields.choice(key, &words)?;
    let found = all.iter().find(|(_, word)| Some(*word) == chosen).map(|(found, _)| *found);
    found.ok_or_else(|| fields.missing(key, &words.join(", ")))
}

/// The stretches of a curve, whichever way they are written.
fn segments(fields: &Fields<'_>) -> Result<Vec<Segment>, Error> {
    const ROW: &str = "[from_hz, to_hz, level at from, level at to]";
    let decibels = fields.rows::<4>("decibels", ROW)?;
    let percent = fields.rows::<4>("percent", ROW)?;
    let power = fields.rows::<4>("power", "[from_hz, to_hz, coefficient, exponent]")?;
    let of = fields.maybe_positive("percent_of")?;
    if of.is_some() != percent.is_some() {
        return Err(match of {
            Some(_) => fields.wrong("percent_of", "a voltage".into(), "one only beside percent = [...]"),
            None => fields.missing("percent_of", "the voltage in V that the levels are percent of, such as 230"),
        });
    }
    let of = of.unwrap_or_default();
    let mut ways = [
        ("decibels", decibels, (|low, high, _| Form::Decibels { low, high }) as fn(f64, f64, f64) -> Form),
        ("percent", percent, |low, high, of| Form::Percent { low, high, of }),
        ("power", power, |coefficient, exponent, _| Form::Power { coefficient, exponent }),
    ]
    .into_iter()
    .filter_map(|(key, rows, form)| Some((key, rows?, form)));
    let one_way = "one of decibels, percent, power";
    let (key, rows, form) = ways.next().ok_or_else(|| fields.missing("decibels", &format!("[{ROW}, ...]")))?;
    if let Some((other, ..)) = ways.next() {
        return Err(fields.wrong(other, format!("stands beside {key}"), one_way));
    }
    let mut segments: Vec<Segment> = Vec::with_capacity(rows.len());
    for (row, place) in &rows {
        let segment = segment(fields, key, (row, place), |low, high| form(low, high, of))?;
        if let Some(before) = segments.last() {
            follows(fields, key, before, &segment, place)?;
        }
        segments.push(segment);
    }
    Ok(segments)
}

fn segment(
    fields: &Fields<'_>,
    key: &str,
    ([low_hz, high_hz, first, second], place): (&[f64; 4], &Range<usize>),
    form: impl Fn(f64, f64) -> Form,
) -> Result<Segment, Error> {
    let refuse = |found: String, expected: &str| {
        let error = Error::input(format!("{key}: {found}")).expected(expected).remedy(FILE.remedy);
        Err(fields.text.at(place, error))
    };
    let known = |hertz: &f64| (REACH_HZ.0..=REACH_HZ.1).contains(hertz);
    if let Some(hertz) = [low_hz, high_hz].into_iter().find(|hertz| !known(hertz)) {
        return refuse(format!("{hertz} Hz"), "frequencies in hertz, above zero");
    }
    if low_hz >= high_hz {
        return refuse(format!("a stretch from {low_hz} Hz to {high_hz} Hz"), "the lower frequency first");
    }
    let segment = Segment { low_hz: *low_hz, high_hz: *high_hz, form: form(*first, *second) };
    let (low, high) = segment.ends_db();
    if [low, high].iter().all(|db| db.abs() <= MOST_DECIBELS) {
        return Ok(segment);
    }
    refuse(format!("a level of {first} to {second}"), "levels above nothing that a real quantity can have")
}

/// Whether a stretch begins where the one before ends.
fn follows(
    fields: &Fields<'_>,
    key: &str,
    before: &Segment,
    segment: &Segment,
    place: &Range<usize>,
) -> Result<(), Error> {
    let (end, begin) = (before.high_hz, segment.low_hz);
    let (found, remedy) = if begin > end {
        (format!("a gap from {end} Hz to {begin} Hz"), "close the gap, or make two levels of it")
    } else if begin >= before.low_hz && begin < end {
        (
            format!("two stretches for {begin} Hz to {} Hz", end.min(segment.high_hz)),
            "let one begin where the other ends",
        )
    } else if begin < before.low_hz {
        (format!("{begin} Hz after {} Hz", before.low_hz), "write the stretches from low to high")
    } else {
        return Ok(());
    };
    let error = Error::input(format!("{key}: {found}"));
    Err(fields.text.at(place, error.expected("stretches that follow one another").remedy(remedy)))
}

/// A curve as the section of a file, to be changed and read again.
///
/// ```
/// use linewake::levels::{published, read, to_toml};
/// use linewake::read::{Bytes, Source};
/// let text = to_toml(&published()[0], "mine");
/// let curves = read(&Source::new(Bytes::new("mine.toml", text.into_bytes())))?;
/// assert_eq!((curves[0].name.as_str(), &curves[0].segments), ("mine", &published()[0].segments));
/// # Ok::<(), linewake::error::Error>(())
/// ```
pub fn to_toml(curve: &Curve, name: &str) -> String {
    let mut text = format!("[level.{name}]\n");
    // Writing to a string cannot fail.
    let mut put = |key: &str, value: &str| {
        if !value.is_empty() {
            let _ = writeln!(text, "{key} = \"{}\"", value.replace('\\', "\\\\").replace('"', "\\\""));
        }
    };
    put("title", &curve.title);
    put("document", &curve.document);
    put("edition", &curve.edition);
    put("clause", &curve.clause);
    put("kind", curve.kind.word());
    put("detector", curve.detector.word());
    put("unit", curve.unit);
    put("port", curve.port.word());
    put("scope", &curve.scope);
    put("confidence", curve.confidence.word());
    put("note", &curve.note);
    if let Some(bandwidth) = curve.bandwidth_hz {
        let _ = writeln!(text, "bandwidth_hz = {bandwidth}");
    }
    if let Some(Segment { form: Form::Percent { of, .. }, .. }) = curve.segments.first() {
        let _ = writeln!(text, "percent_of = {of}");
    }
    let rows = curve.segments.iter().map(|segment| {
        let (key, first, second) = match segment.form {
            Form::Decibels { low, high } => ("decibels", low, high),
            Form::Percent { low, high, .. } => ("percent", low, high),
            Form::Power { coefficient, exponent } => ("power", coefficient, exponent),
        };
        (key, format!("    [{}, {}, {first}, {second}],\n", segment.low_hz, segment.high_hz))
    });
    let (keys, rows): (Vec<&str>, Vec<String>) = rows.unzip();
    let _ = writeln!(text, "{} = [\n{}]", keys.first().unwrap_or(&"decibels"), rows.concat());
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::levels::published;

    const HEAD: &str = "[level.mine]\ntitle = \"t\"\ndocument = \"d\"\nedition = \"1\"\nkind = \"own level\"\n\
                        detector = \"rms\"\nbandwidth_hz = 200\nunit = \"V\"\nport = \"v-network\"\nscope = \"s\"\n\
                        confidence = \"own\"\n";

    fn error(text: &str) -> String {
        curves_in("own.toml", text).unwrap_err().to_string()
    }

    #[test]
    fn the_example_can_be_used_as_it_stands() {
        let curves = curves_in("example.toml", EXAMPLE).unwrap();
        assert!(curves.len() >= 2 && curves.iter().all(|curve| curve.kind == Kind::Own));
        for key in KEYS {
            assert!(EXAMPLE.contains(&format!("{key} =")), "{key}");
        }
        let said = |word: &str| EXAMPLE.contains(&format!("\"{word}\""));
        assert!(Kind::ALL.iter().all(|(_, word)| said(word)) && Detector::ALL.iter().all(|(_, word)| said(word)));
        assert!(Port::all().all(|port| said(port.word())) && UNITS.iter().all(|unit| said(unit)));
        assert!(Confidence::ALL.iter().all(|(_, word)| said(word)));
    }

    #[test]
    fn every_published_curve_survives_being_written_and_read() {
        for curve in published() {
            let back = curves_in("back.toml", &to_toml(curve, &curve.name)).unwrap();
            assert_eq!(back, [Curve { file: Some("back.toml".into()), ..curve.clone() }]);
        }
    }

    #[test]
    fn what_is_wrong_is_named_with_line_and_remedy() {
        // The rows stand on line 12 and after; each case is checked for its place, what was found, and advice.
        let cases: &[(&str, &str, &[&str])] = &[
            (
                "decibels = [[9e3, 50e3, 80, 80], [60e3, 150e3, 70, 60]]",
                "12:34",
                &["gap from 50000 Hz to 60000 Hz", "close"],
            ),
            (
                "decibels = [\n[9e3, 50e3, 80, 80],\n[40e3, 150e3, 70, 60]]",
                "14:1",
                &["two stretches for 40000 Hz to 50000 Hz"],
            ),
            (
                "decibels = [[50e3, 90e3, 80, 80], [9e3, 50e3, 70, 60]]",
                "12:35",
                &["9000 Hz after 50000 Hz", "from low to high"],
            ),
            ("decibels = [[50e3, 9e3, 80, 80]]", "12:13", &["from 50000 Hz to 9000 Hz", "lower frequency first"]),
            ("decibels = [[9e3, 50e3, nan, 80]]", "12:25", &["nan", "finite"]),
            ("decibels = [[9e3, inf, 80, 80]]", "12:19", &["inf", "finite"]),
            ("decibels = [[9e3, 50e3, 80]]", "12:13", &["a row of 3", "4 numbers"]),
            ("decibels = [[9e3, 50e3, \"80\", 80]]", "12:25", &["\"80\"", "finite"]),
            ("decibels = [[0, 50e3, 80, 80]]", "12:13", &["0 Hz", "above zero"]),
            ("decibels = [[-9e3, 50e3, 80, 80]]", "12:13", &["-9000 Hz"]),
            ("decibels = [[9e3, 50e3, 900, 80]]", "12:13", &["a level of 900"]),
            ("decibels = []", "12:12", &["an empty list"]),
            ("decibels = 80", "12:12", &["integer", "rows of 4 numbers"]),
            ("percent = [[9e3, 50e3, 0, 1]]\npercent_of = 230", "12:12", &["a level of 0 to 1"]),
            ("percent = [[9e3, 50e3, 1, 1]]", "1:1", &["no \"percent_of\""]),
            ("decibels = [[9e3, 50e3, 80, 80]]\npercent_of = 230", "13:14", &["only beside percent"]),
            ("decibels = [[9e3, 50e3, 80, 80]]\npower = [[9e3, 50e3, 1, 0]]", "13:9", &["stands beside decibels"]),
            ("", "1:1", &["no \"decibels\""]),
            ("decibles = [[9e3, 50e3, 80, 80]]", "12:1", &["did you mean \"decibels\""]),
        ];
        for (rows, place, words) in cases {
            let error = error(&format!("{HEAD}{rows}\n"));
            assert!(error.starts_with(&format!("own.toml:{place}: ")), "{rows}: {error}");
            assert!(words.iter().all(|word| error.contains(word)), "{rows}: {error}");
        }
    }

    #[test]
    fn a_wrong_unit_or_name_is_named() {
        let whole = format!("{HEAD}decibels = [[9e3, 50e3, 80, 80]]\n");
        assert!(curves_in("own.toml", &whole).is_ok());
        for (from, to, words) in [
            ("unit = \"V\"", "unit = \"W\"", "\"W\""),
            ("unit = \"V\"", "unit = \"T\"", "T at the port v-network"),
            ("unit = \"V\"", "unit = 3", "integer"),
            ("port = \"v-network\"", "port = \"field\"", "V at the port field"),
            ("port = \"v-network\"\n", "", "no \"port\""),
            ("edition = \"1\"", "edition = \" \"", "no \"edition\""),
            ("detector = \"rms\"", "detector = \"quasi peak\"", "did you mean \"quasi-peak\""),
            ("[level.mine]", "[level.\"My level\"]", "as the name of a level"),
            ("[level.mine]", "[levels.mine]", "did you mean \"level\""),
        ] {
            assert!(whole.contains(from), "{from}");
            let error = error(&whole.replace(from, to));
            assert!(error.contains(words) && error.starts_with("own.toml:"), "{to}: {error}");
        }
        assert!(error("").contains("holds no level") && error("level = 3").contains("[level]"));
        assert!(error("[level]\n").contains("holds no level") && error("[level").contains("in TOML"));
    }
}
