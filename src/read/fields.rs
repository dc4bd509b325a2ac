//! The sections of a TOML file: keys with their places, and errors that name them.

use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::Source;
use crate::error::{Error, printable};
use crate::units::Hertz;

/// The text of a TOML file with its name.
#[derive(Clone, Copy)]
pub(crate) struct Text<'a> {
    pub(crate) file: &'a str,
    pub(crate) text: &'a str,
    pub(crate) kind: FileKind,
}

/// What a TOML file is for, as errors say it.
#[derive(Clone, Copy)]
pub(crate) struct FileKind {
    /// What it is: `a setup file`.
    pub(crate) name: &'static str,
    /// Where an example is to be seen.
    pub(crate) remedy: &'static str,
}

/// A file is a page or two; more than this is none.
const LONGEST: usize = 1 << 20;

impl FileKind {
    /// The text of a source.
    pub(crate) fn text_of(self, source: &Source) -> Result<String, Error> {
        let bytes = source.bytes_at(0, LONGEST + 1)?;
        let refuse = |found: &str| Err(Error::input(found).in_file(source.name()).expected(self.name));
        if bytes.len() > LONGEST {
            return refuse("is longer than a megabyte");
        }
        String::from_utf8(bytes).or_else(|_| refuse("is no text in UTF-8").map_err(|e: Error| e.remedy(self.remedy)))
    }
}

impl<'a> Text<'a> {
    pub(crate) fn parse(self) -> Result<Spanned<DeTable<'a>>, Error> {
        DeTable::parse(self.text).map_err(|error| {
            let place = error.span().unwrap_or_default();
            let found = printable(&error.message().replace('\n', "; "));
            self.at(
                &place,
                Error::input(found).expected(format!("{} in TOML", self.kind.name)).remedy(self.kind.remedy),
            )
        })
    }

    /// Names the line and the column of a place.
    pub(crate) fn at(self, place: &Range<usize>, error: Error) -> Error {
        let (line, column) = self.place(place);
        error.in_file(self.file).at_line(line, Some(column))
    }

    /// Line and column of a place, both counted from 1.
    pub(crate) fn place(self, place: &Range<usize>) -> (u64, u64) {
        let before = self.text.get(..place.start).unwrap_or(self.text);
        let line = before.bytes().filter(|&byte| byte == b'\n').count() as u64 + 1;
        let column = before.rsplit('\n').next().map_or(0, |last| last.chars().count()) as u64 + 1;
        (line, column)
    }
}

/// A section: what it is called, its keys and values.
pub(crate) struct Fields<'a> {
    pub(crate) text: Text<'a>,
    name: String,
    table: &'a DeTable<'a>,
    place: Range<usize>,
}

impl<'a> Fields<'a> {
    pub(crate) fn new(text: Text<'a>, name: impl Into<String>, table: &'a DeTable<'a>, place: Range<usize>) -> Self {
        Self { text, name: name.into(), table, place }
    }

    /// Where the section stands in the text.
    pub(crate) fn place(&self) -> Range<usize> {
        self.place.clone()
    }

    /// Refuses every key but these.
    pub(crate) fn only(&self, known: &[&str]) -> Result<(), Error> {
        match self.table.keys().find(|key| !known.contains(&key.get_ref().as_ref())) {
            None => Ok(()),
            Some(key) => {
                let hint =
                    nearest(key.get_ref(), known).map_or(String::new(), |near| format!("; did you mean \"{near}\"?"));
                let found = format!("{} has no key \"{}\"{hint}", self.name, printable(key.get_ref()));
                Err(self.text.at(&key.span(), Error::input(found).expected(format!("one of: {}", known.join(", ")))))
            }
        }
    }

    fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table.get(key)
    }

    /// The error for a value that is not right.
    pub(crate) fn wrong(&self, key: &str, found: String, expected: &str) -> Error {
        let place = self.get(key).map_or_else(|| self.place.clone(), Spanned::span);
        self.text.at(&place, Error::input(format!("{key} of {}: {found}", self.name)).expected(expected))
    }

    /// The error for a key that should be there.
    pub(crate) fn missing(&self, key: &str, expected: &str) -> Error {
        let error = Error::input(format!("{} has no \"{key}\"", self.name)).expected(format!("{key} = {expected}"));
        self.text.at(&self.place, error)
    }

    fn wrong_kind(&self, key: &str, value: &DeValue<'_>, expected: &str) -> Error {
        self.wrong(key, format!("a value of the kind {}", value.type_str()), expected)
    }

    /// A section within this one.
    pub(crate) fn table(&self, key: &str) -> Result<Option<Fields<'a>>, Error> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let name = if self.name.starts_with('[') {
            format!("[{}.{key}]", self.name.trim_matches(['[', ']']))
        } else {
            format!("[{key}]")
        };
        match value.get_ref() {
            DeValue::Table(table) => Ok(Some(Fields::new(self.text, name, table, value.span()))),
            other => Err(self.wrong_kind(key, other, &format!("a section {name}"))),
        }
    }

    /// All sections within this one, by name.
    pub(crate) fn tables(&self) -> Result<Vec<(&'a str, Fields<'a>)>, Error> {
        let section = |key: &'a str| Ok(self.table(key)?.map(|fields| (key, fields)));
        self.table.keys().filter_map(|key| section(key.get_ref()).transpose()).collect()
    }

    pub(crate) fn text(&self, key: &str) -> Result<Option<&'a str>, Error> {
        match self.get(key).map(Spanned::get_ref) {
            None => Ok(None),
            Some(DeValue::String(text)) => Ok(Some(text)),
            Some(other) => Err(self.wrong_kind(key, other, "text in quotes")),
        }
    }

    /// `true` or `false`; false without the key.
    pub(crate) fn flag(&self, key: &str) -> Result<bool, Error> {
        match self.get(key).map(Spanned::get_ref) {
            None => Ok(false),
            Some(DeValue::Boolean(flag)) => Ok(*flag),
            Some(other) => Err(self.wrong_kind(key, other, "true or false")),
        }
    }

    /// Text, or a number as it is written.
    pub(crate) fn word(&self, key: &str) -> Result<Option<String>, Error> {
        let Some(value) = self.get(key) else { return Ok(None) };
        word_in(value.get_ref())
            .map(Some)
            .ok_or_else(|| self.wrong_kind(key, value.get_ref(), "text in quotes, or a number"))
    }

    /// Samples a second: a number, or text such as "250k".
    pub(crate) fn rate(&self, key: &str) -> Result<Option<Hertz>, Error> {
        let Some(text) = self.word(key)? else { return Ok(None) };
        let wrong =
            |_| self.wrong(key, format!("\"{}\"", printable(&text)), "samples a second, such as 250000 or \"250k\"");
        text.parse().map(Some).map_err(wrong)
    }

    /// One word, or a list of them; empty without the key.
    pub(crate) fn word_list(&self, key: &str) -> Result<Vec<String>, Error> {
        const EXPECTED: &str = "a name in quotes or a number, or a list of them";
        let Some(value) = self.get(key) else { return Ok(Vec::new()) };
        let words = match value.get_ref() {
            DeValue::Array(list) => list.iter().map(|value| word_in(value.get_ref())).collect(),
            other => word_in(other).map(|word| vec![word]),
        };
        words.ok_or_else(|| self.wrong_kind(key, value.get_ref(), EXPECTED))
    }

    /// All sections `[[key]]`, in the order of the file.
    pub(crate) fn sections(&self, key: &str) -> Result<Vec<Fields<'a>>, Error> {
        let Some(value) = self.get(key) else { return Ok(Vec::new()) };
        let expected = format!("sections [[{key}]], with two brackets on each side");
        let DeValue::Array(list) = value.get_ref() else {
            return Err(self.wrong_kind(key, value.get_ref(), &expected));
        };
        let section = |value: &'a Spanned<DeValue<'a>>| match value.get_ref() {
            DeValue::Table(table) => Ok(Fields::new(self.text, format!("[[{key}]]"), table, value.span())),
            other => Err(self.wrong_kind(key, other, &expected)),
        };
        list.iter().map(section).collect()
    }

    /// The keys with the lines that they stand on.
    pub(crate) fn keys(&self) -> impl Iterator<Item = (&'a str, u64)> {
        let line = |place: usize| {
            let before = self.text.text.get(..place).unwrap_or_default();
            before.bytes().filter(|&byte| byte == b'\n').count() as u64 + 1
        };
        self.table.keys().map(move |key| (key.get_ref().as_ref(), line(key.span().start)))
    }

    pub(crate) fn note(&self) -> Result<String, Error> {
        Ok(self.text("note")?.unwrap_or_default().to_owned())
    }

    /// One of some words.
    pub(crate) fn choice<'w>(&self, key: &str, words: &[&'w str]) -> Result<Option<&'w str>, Error> {
        let Some(text) = self.text(key)? else { return Ok(None) };
        words.iter().copied().find(|word| *word == text).map(Some).ok_or_else(|| {
            let hint = nearest(text, words).map_or(String::new(), |near| format!("; did you mean \"{near}\"?"));
            self.wrong(key, format!("\"{}\"{hint}", printable(text)), &format!("one of: {}", words.join(", ")))
        })
    }

    /// A list of names, at least one.
    pub(crate) fn names(&self, key: &str) -> Result<Vec<(&'a str, Range<usize>)>, Error> {
        const EXPECTED: &str = "a list of names such as [\"network\", \"probe\"]";
        let list = match self.get(key).map(Spanned::get_ref) {
            None => return Err(self.missing(key, EXPECTED)),
            Some(DeValue::Array(list)) if !list.is_empty() => list,
            Some(DeValue::Array(_)) => return Err(self.wrong(key, "an empty list".into(), EXPECTED)),
            Some(other) => return Err(self.wrong_kind(key, other, EXPECTED)),
        };
        let name = |value: &'a Spanned<DeValue<'a>>| match value.get_ref() {
            DeValue::String(name) => Ok((name.as_ref(), value.span())),
            other => Err(self.wrong_kind(key, other, EXPECTED)),
        };
        list.iter().map(name).collect()
    }

    /// A list of texts with their places, or one text; empty without the key.
    pub(crate) fn texts(&self, key: &str) -> Result<Vec<(&'a str, Range<usize>)>, Error> {
        const EXPECTED: &str = "text in quotes, or a list of such texts";
        let Some(value) = self.get(key) else { return Ok(Vec::new()) };
        let text = |value: &'a Spanned<DeValue<'a>>| match value.get_ref() {
            DeValue::String(text) => Ok((text.as_ref(), value.span())),
            other => {
                let found = format!("{key} of {}: a value of the kind {}", self.name, other.type_str());
                Err(self.text.at(&value.span(), Error::input(found).expected(EXPECTED)))
            }
        };
        match value.get_ref() {
            DeValue::Array(list) => list.iter().map(text).collect(),
            _ => Ok(vec![text(value)?]),
        }
    }

    /// A day, as a date of TOML or in quotes: year, month, day.
    pub(crate) fn day(&self, key: &str) -> Result<Option<(u16, u8, u8)>, Error> {
        const EXPECTED: &str = "a day such as 2026-11-25";
        let Some(value) = self.get(key) else { return Ok(None) };
        let day = match value.get_ref() {
            DeValue::Datetime(moment) => moment.date.map(|date| (date.year, date.month, date.day)),
            DeValue::String(text) => day_in(text),
            other => return Err(self.wrong_kind(key, other, EXPECTED)),
        };
        let written = || printable(self.text.text.get(value.span()).unwrap_or_default());
        day.map(Some).ok_or_else(|| self.wrong(key, written(), EXPECTED))
    }

    fn number(&self, key: &str) -> Result<Option<f64>, Error> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let written = || printable(self.text.text.get(value.span()).unwrap_or_default());
        if !matches!(value.get_ref(), DeValue::Integer(_) | DeValue::Float(_)) {
            return Err(self.wrong_kind(key, value.get_ref(), "a number"));
        }
        match number_in(value.get_ref()) {
            Some(number) if number.is_finite() => Ok(Some(number)),
            _ => Err(self.wrong(key, written(), "a finite number")),
        }
    }

    /// A finite number, or a list of at least one.
    pub(crate) fn numbers(&self, key: &str) -> Result<Option<Vec<f64>>, Error> {
        let Some(DeValue::Array(list)) = self.get(key).map(Spanned::get_ref) else {
            return Ok(self.number(key)?.map(|number| vec![number]));
        };
        let finite = |value: &Spanned<DeValue<'_>>| number_in(value.get_ref()).filter(|number| number.is_finite());
        let numbers: Option<Vec<f64>> = list.iter().map(finite).collect();
        numbers.filter(|numbers| !numbers.is_empty()).map(Some).ok_or_else(|| {
            self.wrong(key, "a list that holds something else".to_owned(), "finite numbers, at least one")
        })
    }

    pub(crate) fn decibels(&self, key: &str) -> Result<f64, Error> {
        let db = self.number(key)?.ok_or_else(|| self.missing(key, "a number of decibels"))?;
        if db.abs() <= MOST_DECIBELS {
            return Ok(db);
        }
        Err(self.wrong(key, format!("{db} dB"), &format!("at most {MOST_DECIBELS} dB either way")))
    }

    pub(crate) fn maybe_positive(&self, key: &str) -> Result<Option<f64>, Error> {
        match self.number(key)? {
            Some(number) if !(1.0 / LARGEST..=LARGEST).contains(&number) => {
                Err(self.wrong(key, number.to_string(), "a number above zero that a real part can have"))
            }
            number => Ok(number),
        }
    }

    pub(crate) fn positive(&self, key: &str) -> Result<f64, Error> {
        self.maybe_positive(key)?.ok_or_else(|| self.missing(key, "a number above zero"))
    }

    pub(crate) fn maybe_not_negative(&self, key: &str) -> Result<Option<f64>, Error> {
        match self.number(key)? {
            Some(number) if !(0.0..=MOST_DECIBELS).contains(&number) => {
                Err(self.wrong(key, number.to_string(), &format!("0 to {MOST_DECIBELS}")))
            }
            number => Ok(number),
        }
    }

    /// Rows of so many numbers each, with the place of every row; `None` without the key.
    pub(crate) fn rows<const WIDTH: usize>(&self, key: &str, row: &str) -> Result<Option<Vec<Row<WIDTH>>>, Error> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let expected = format!("rows of {WIDTH} numbers, {row}");
        let DeValue::Array(list) = value.get_ref() else {
            return Err(self.wrong_kind(key, value.get_ref(), &expected));
        };
        if list.is_empty() {
            return Err(self.wrong(key, "an empty list".into(), &expected));
        }
        let refuse = |place: Range<usize>, found: String, expected: &str| {
            let found = format!("{key} of {}: {found}", self.name);
            Err(self.text.at(&place, Error::input(found).expected(expected).remedy(self.text.kind.remedy)))
        };
        let mut rows = Vec::with_capacity(list.len());
        for cells in list {
            let DeValue::Array(numbers) = cells.get_ref() else {
                return refuse(cells.span(), format!("a value of the kind {}", cells.get_ref().type_str()), &expected);
            };
            if numbers.len() != WIDTH {
                return refuse(cells.span(), format!("a row of {}", numbers.len()), &expected);
            }
            let mut row = [0.0; WIDTH];
            for (cell, number) in row.iter_mut().zip(numbers) {
                match number_in(number.get_ref()) {
                    Some(value) if value.is_finite() => *cell = value,
                    _ => {
                        let written = printable(self.text.text.get(number.span()).unwrap_or_default());
                        return refuse(number.span(), written, "a finite number");
                    }
                }
            }
            rows.push((row, cells.span()));
        }
        Ok(Some(rows))
    }

    pub(crate) fn whole(&self, key: &str, within: RangeInclusive<u32>) -> Result<Option<u32>, Error> {
        let Some(number) = self.number(key)? else { return Ok(None) };
        within.clone().find(|&whole| (f64::from(whole) - number).abs() < 1e-9).map(Some).ok_or_else(|| {
            self.wrong(key, number.to_string(), &format!("a whole number from {} to {}", within.start(), within.end()))
        })
    }
}

/// The numbers of a row with its place in the text.
pub(crate) type Row<const WIDTH: usize> = ([f64; WIDTH], Range<usize>);

/// A text, or a number as it is written.
fn word_in(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::String(text) => Some(text.to_string()),
        DeValue::Integer(number) if number.radix() == 10 => Some(number.as_str().to_owned()),
        DeValue::Float(number) => Some(number.as_str().to_owned()),
        _ => None,
    }
}

/// A day of the calendar as `2026-11-25`.
fn day_in(text: &str) -> Option<(u16, u8, u8)> {
    let mut parts = text.split('-');
    let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
    if parts.next().is_some() || (year.len(), month.len(), day.len()) != (4, 2, 2) {
        return None;
    }
    let (year, month, day): (u16, u8, u8) = (year.parse().ok()?, month.parse().ok()?, day.parse().ok()?);
    let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let days = match month {
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        1..=12 => 31,
        _ => return None,
    };
    (1..=days).contains(&day).then_some((year, month, day))
}

/// The number that a value holds, finite or not.
fn number_in(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok(),
        DeValue::Float(number) => number.as_str().parse().ok(),
        _ => None,
    }
}

/// No part of a chain changes a signal by more than this.
pub(crate) const MOST_DECIBELS: f64 = 400.0;
/// No figure of a part, in its basic unit, is larger than this or smaller than its inverse.
const LARGEST: f64 = 1e15;

/// The known word that is nearest to one that is not known, if it is near at all.
pub(crate) fn nearest<'w>(word: &str, known: &[&'w str]) -> Option<&'w str> {
    // Beyond this length nothing is near, and the work would grow with the square of it.
    if word.len() > 64 {
        return None;
    }
    let (distance, near) = known.iter().map(|&other| (edits(word, other), other)).min()?;
    (distance <= 1 + near.len() / 3).then_some(near)
}

/// How many letters have to be changed, put in or taken out to make one word of another (Levenshtein).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, y) in b.iter().enumerate() {
            let changed = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = changed.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_found_and_nonsense_has_none() {
        assert_eq!((edits("kitten", "sitting"), edits("", "abc"), edits("ab", "ab")), (3, 3, 0));
        assert_eq!(nearest("rato", &["ratio", "table"]), Some("ratio"));
        assert_eq!(nearest("zzzzzz", &["ratio", "table"]), None);
    }
}
