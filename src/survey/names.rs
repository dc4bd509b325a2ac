//! Names that are not to be shown, and what stands in their place.
//!
//! Replacing is done on texts, wherever they come from: a name within a remark, a path within a message. A name counts
//! where no letter or digit stands at either side of it, in capitals or not.

use std::collections::HashMap;

use super::description::Survey;
use crate::error::printable;

/// Names with their stand-ins.
#[derive(Debug, Clone, Default)]
pub struct Names {
    /// By their first character: the name in small letters, and what stands in its place.
    by_first: HashMap<char, Vec<Pattern>>,
}

#[derive(Debug, Clone)]
struct Pattern {
    name: Vec<char>,
    instead: String,
    /// Whether it counts only before a dot and a letter: the beginning of a file's name.
    before_ending: bool,
}

impl Names {
    /// The names that a description hides. `files` are all files that were read, by the names that they are shown with.
    pub fn hidden<'a>(survey: &Survey, files: impl IntoIterator<Item = &'a str>) -> Self {
        let mut names = Self::default();
        let hide = survey.anonymise;
        if let Some(site) = survey.site.as_deref().filter(|_| hide.site) {
            names.hide(site, "the site");
        }
        if hide.people {
            for (number, person) in (1..).zip(&survey.people) {
                let instead = format!("person {number}");
                names.hide(&person.name, &instead);
                // A remark may have one of the names alone.
                let parts = person.name.split(|c: char| !c.is_alphanumeric());
                parts.filter(|part| part.chars().count() > 2).for_each(|part| names.hide(part, &instead));
            }
        }
        if hide.locations {
            for (number, location) in (1..).zip(&survey.locations) {
                names.hide(&location.name, &format!("location {number}"));
            }
        }
        if hide.paths {
            names.hide_files(survey, files);
        }
        names
    }

    fn hide_files<'a>(&mut self, survey: &Survey, read: impl IntoIterator<Item = &'a str>) {
        let captures: Vec<&str> = survey.captures().into_iter().map(|(_, name)| name).collect();
        let photographs = survey.cases.iter().flat_map(|case| &case.photographs).map(String::as_str);
        let read: Vec<&str> = read.into_iter().collect();
        let kinds: [(&str, Vec<&str>); 3] =
            [("capture", captures), ("photograph", photographs.collect()), ("file", read)];
        let mut seen = std::collections::HashSet::new();
        let mut folders = Vec::new();
        for (kind, files) in kinds {
            let mut number = 0;
            for path in files.into_iter().filter(|path| seen.insert(path.to_owned())) {
                number += 1;
                let (folder, file) = split(path);
                let (stem, ending) = file.split_once('.').unwrap_or((file, ""));
                let instead = format!("{kind}-{number:03}");
                let whole = if ending.is_empty() { instead.clone() } else { format!("{instead}.{ending}") };
                self.hide(path, &whole);
                self.hide(file, &whole);
                if kind != "file" && !stem.is_empty() {
                    // The other half of a record, options beside it.
                    self.push(stem, &instead, true);
                }
                folders
                    .extend(folder.split(['/', '\\']).filter(|part| !part.is_empty() && *part != "." && *part != ".."));
            }
        }
        for (number, folder) in (1..).zip(folders) {
            self.hide(&format!("{folder}/"), &format!("folder-{number}/"));
            self.hide(&format!("{folder}\\"), &format!("folder-{number}\\"));
        }
    }

    fn hide(&mut self, name: &str, instead: &str) {
        self.push(name, instead, false);
    }

    fn push(&mut self, name: &str, instead: &str, before_ending: bool) {
        // As it is, and as messages, JSON, CSV and markup write it.
        let json = serde_json::to_string(name).unwrap_or_default();
        let json = json.strip_prefix('"').and_then(|json| json.strip_suffix('"')).unwrap_or_default().to_owned();
        let markup = name.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
        let both_quoted = markup.replace('"', "&quot;").replace('\'', "&#39;");
        let forms = [name.to_owned(), printable(name), json, name.replace('"', "\"\""), markup, both_quoted];
        for form in forms {
            let name: Vec<char> = form.chars().map(small).collect();
            let Some(&first) = name.first() else { continue };
            let patterns = self.by_first.entry(first).or_default();
            if patterns.iter().any(|pattern| pattern.name == name && pattern.before_ending == before_ending) {
                continue;
            }
            patterns.push(Pattern { name, instead: instead.to_owned(), before_ending });
            // The longest name counts; of two as long the one that came first.
            patterns.sort_by_key(|pattern| std::cmp::Reverse(pattern.name.len()));
        }
    }

    /// Whether nothing is hidden.
    pub fn is_empty(&self) -> bool {
        self.by_first.is_empty()
    }

    /// The text with every name replaced.
    ///
    /// ```
    /// use linewake::read::{Bytes, Source};
    /// use linewake::survey::{description::read, names::Names};
    /// let text = "title = \"Hum\"\nsite = \"Radio Quill\"\n[anonymise]\nsite = true\n[[case]]\nname = \"lamp\"\non = \"on.csv\"\n";
    /// let survey = read(&Source::new(Bytes::new("survey.toml", text.as_bytes().to_vec())))?;
    /// let names = Names::hidden(&survey, []);
    /// assert_eq!(names.replaced("At Radio Quill, in RADIO QUILL's cellar; Radio Quilling stays."),
    ///     "At the site, in the site's cellar; Radio Quilling stays.");
    /// # Ok::<(), linewake::error::Error>(())
    /// ```
    #[must_use]
    pub fn replaced(&self, text: &str) -> String {
        if self.is_empty() {
            return text.to_owned();
        }
        let chars: Vec<char> = text.chars().collect();
        let mut out = String::with_capacity(text.len());
        let mut at = 0;
        while at < chars.len() {
            match self.found_at(&chars, at) {
                Some(pattern) => {
                    out.push_str(&pattern.instead);
                    at += pattern.name.len();
                }
                None => {
                    out.push(chars[at]);
                    at += 1;
                }
            }
        }
        out
    }

    /// The same for a file of text.
    #[must_use]
    pub fn replaced_bytes(&self, bytes: Vec<u8>) -> Vec<u8> {
        if self.is_empty() {
            return bytes;
        }
        self.replaced(&String::from_utf8_lossy(&bytes)).into_bytes()
    }

    fn found_at(&self, text: &[char], at: usize) -> Option<&Pattern> {
        let patterns = self.by_first.get(&small(text[at]))?;
        let is_word = |c: Option<&char>| c.is_some_and(|c| c.is_alphanumeric());
        patterns.iter().find(|pattern| {
            let end = at + pattern.name.len();
            let Some(here) = text.get(at..end) else { return false };
            let (first, last) = (here.first(), here.last());
            let begins = !(is_word(first) && is_word(at.checked_sub(1).and_then(|before| text.get(before))));
            let ends = !(is_word(last) && is_word(text.get(end)));
            let ending = text.get(end) == Some(&'.') && is_word(text.get(end + 1));
            begins
                && ends
                && (ending || !pattern.before_ending)
                && here.iter().map(|&c| small(c)).eq(pattern.name.iter().copied())
        })
    }
}

/// The folder and the bare name of a path.
fn split(path: &str) -> (&str, &str) {
    path.rfind(['/', '\\']).map_or(("", path), |at| (&path[..at], &path[at + 1..]))
}

/// The small letter, as far as it is one.
fn small(c: char) -> char {
    let mut small = c.to_lowercase();
    match (small.next(), small.next()) {
        (Some(one), None) => one,
        _ => c,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::{Bytes, Source};
    use crate::survey::description::read;

    fn survey(text: &str) -> Survey {
        read(&Source::new(Bytes::new("survey.toml", text.as_bytes().to_vec()))).unwrap()
    }

    const TEXT: &str = r#"
        title = "Hum"
        site = "Radio \"Quill\" & Co"
        [people]
        measured = "Anna Ferrow"
        [[location]]
        name = "cellar 3"
        [anonymise]
        site = true
        people = true
        locations = true
        paths = true
        [[case]]
        name = "lamp"
        on = ["ferrow/lamp-on.cfg", "on.csv"]
        photographs = ["house.jpg"]
    "#;

    #[test]
    fn every_name_is_replaced_in_whatever_form_it_stands() {
        let names = Names::hidden(&survey(TEXT), ["ferrow/lamp-on.cfg", "ferrow/linewake.toml"]);
        for (text, expected) in [
            ("Radio \"Quill\" & Co", "the site"),
            (r#"{"site":"Radio \"Quill\" & Co"}"#, r#"{"site":"the site"}"#),
            ("a,\"Radio \"\"Quill\"\" & Co\",b", "a,\"the site\",b"),
            ("<p>Radio \"Quill\" &amp; Co</p>", "<p>the site</p>"),
            ("measured by Ferrow.", "measured by person 1."),
            ("Cellar 3, cellar 33", "location 1, cellar 33"),
            ("ferrow/lamp-on.cfg:3: bad", "capture-001.cfg:3: bad"),
            ("lamp-on.dat beside it, on.csv", "capture-001.dat beside it, capture-002.csv"),
            ("the load is on. Then on it goes", "the load is on. Then on it goes"),
            ("see ferrow/linewake.toml and house.jpg", "see file-001.toml and photograph-001.jpg"),
        ] {
            assert_eq!(names.replaced(text), expected);
        }
    }

    #[test]
    fn what_is_not_hidden_stays() {
        let names = Names::hidden(&survey(&TEXT.replace("= true", "= false")), ["ferrow/lamp-on.cfg"]);
        assert!(names.is_empty());
        assert_eq!(names.replaced("Anna Ferrow, cellar 3"), "Anna Ferrow, cellar 3");
    }

    #[test]
    fn a_name_too_long_for_a_message_is_replaced_as_the_message_has_it() {
        let long = format!("{}.csv", "ferrow-".repeat(40));
        let text = TEXT.replace("\"on.csv\"", &format!("\"{long}\""));
        let names = Names::hidden(&survey(&text), []);
        assert_eq!(
            names.replaced(&format!("\"{}\" cannot be read", printable(&long))),
            "\"capture-002.csv\" cannot be read"
        );
    }
}
