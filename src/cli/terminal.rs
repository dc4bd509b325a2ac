//! Standard output, standard error, progress: everything that reaches a terminal goes through here.

use std::collections::HashMap;
use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Weak};
use std::time::Instant;

use super::screen::{self, Bar};
use super::{files, tables};
use crate::capture::Role;
use crate::compare::margin::Against;
use crate::error::{Error, Finding, Severity};
use crate::read::Source;
use crate::report::answer::Said;
use crate::report::table::Table;

/// Tables are no wider than this when they go to a file or a pipe.
const PLAIN_WIDTH: u16 = 160;

/// The way to the terminal.
pub(super) struct Console {
    out: io::Stdout,
    err: io::Stderr,
    /// The captures that are being read, as long as there are any.
    reading: Weak<Reading>,
    /// What is being said, where it goes into a page and not to the terminal.
    kept: Option<Vec<Said>>,
    /// What failed and what limits the result, as said so far.
    remarks: Remarks,
}

/// What a command had to say beside its result.
#[derive(Debug, Clone, Default)]
pub(super) struct Remarks {
    pub(super) failed: Vec<String>,
    pub(super) limits: Vec<String>,
}

/// What limits some captures, all in the same way.
struct Remark<'a> {
    finding: &'a Finding,
    paths: Vec<&'a str>,
    /// Whether the numbers in it are others for some.
    varies: bool,
}

/// A sentence without its numbers; digits within names stay.
fn without_numbers(sentence: &str) -> String {
    let mut in_name = false;
    let is_word = |c: &char| {
        in_name = c.is_alphabetic() || (in_name && c.is_ascii_digit());
        in_name || !c.is_ascii_digit()
    };
    sentence.chars().filter(is_word).collect()
}

/// How much of some captures has been read. It goes from the terminal with the last of them.
///
/// A text is passed twice, a fingerprint is one pass more, and nobody knows before how many there will be. So what is
/// shown is how far the present one has come.
pub(super) struct Reading {
    bar: Bar,
    begun: Instant,
    /// Bytes of all captures, and bytes read.
    whole: AtomicU64,
    read: AtomicU64,
}

impl Reading {
    fn new() -> Self {
        let (whole, read) = (AtomicU64::new(0), AtomicU64::new(0));
        Self { bar: Bar::of_passes(), begun: Instant::now(), whole, read }
    }

    /// So many bytes are to be read.
    pub(super) fn expect(&self, bytes: u64) {
        self.whole.fetch_add(bytes, Ordering::Relaxed);
    }

    /// So many bytes more have been read.
    pub(super) fn add(&self, bytes: u64) {
        let read = self.read.fetch_add(bytes, Ordering::Relaxed) + bytes;
        let took = self.begun.elapsed();
        if took < screen::LONG {
            return;
        }
        let whole = self.whole.load(Ordering::Relaxed).max(1);
        let (pass, position) = (read.saturating_sub(1) / whole, read.saturating_sub(1) % whole);
        let left = took.mul_f64((whole - position) as f64 / read.max(1) as f64);
        self.bar.pass(pass + 1, position, whole, left);
    }
}

impl Console {
    pub(super) fn new() -> Self {
        Self { out: io::stdout(), err: io::stderr(), reading: Weak::new(), kept: None, remarks: Remarks::default() }
    }

    /// Sources for captures, which show on a terminal how far they are read.
    pub(super) fn captures(&mut self, paths: &[PathBuf]) -> Vec<Source> {
        if !screen::shows_progress() {
            return files::captures(paths, None);
        }
        let reading = self.reading.upgrade().unwrap_or_else(|| Arc::new(Reading::new()));
        self.reading = Arc::downgrade(&reading);
        files::captures(paths, Some(&reading))
    }

    /// What would be printed, for a page.
    pub(super) fn kept(&mut self, print: impl FnOnce(&mut Self) -> Result<(), Error>) -> Result<Vec<Said>, Error> {
        self.kept = Some(Vec::new());
        let printed = print(self);
        let kept = self.kept.take().unwrap_or_default();
        printed.map(|()| kept)
    }

    /// What has been said so far beside results.
    pub(super) fn remarks(&self) -> &Remarks {
        &self.remarks
    }

    /// Prints a result. A reader that has gone away (a closed pipe) is no error.
    pub(super) fn print(&mut self, text: &str) -> Result<(), Error> {
        if let Some(kept) = &mut self.kept {
            let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
            kept.push(Said::Sentences(lines.map(str::to_owned).collect()));
            return Ok(());
        }
        match self.out.write_all(text.as_bytes()).and_then(|()| self.out.flush()) {
            Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
                Err(Error::output(format!("standard output cannot be written: {error}")))
            }
            _ => Ok(()),
        }
    }

    /// Says which capture the following is about.
    pub(super) fn capture(&mut self, path: &str) -> Result<(), Error> {
        match &mut self.kept {
            Some(kept) => {
                kept.push(Said::Of(path.to_owned()));
                Ok(())
            }
            None => self.print(&format!("{}\n", crate::error::printable(path))),
        }
    }

    /// Prints words and what they stand for: as a page has them, and as the terminal has them.
    pub(super) fn entries(&mut self, heading: &str, entries: Vec<(String, String)>, text: &str) -> Result<(), Error> {
        match &mut self.kept {
            Some(kept) => {
                kept.push(Said::Entries(heading.to_owned(), entries));
                Ok(())
            }
            None => self.print(text),
        }
    }

    /// Prints sentences, one a line.
    pub(super) fn sentences(&mut self, sentences: &[String]) -> Result<(), Error> {
        if let Some(kept) = &mut self.kept {
            // An empty line parts what is said on a terminal only.
            let said: Vec<String> = sentences.iter().filter(|sentence| !sentence.is_empty()).cloned().collect();
            kept.extend((!said.is_empty()).then_some(Said::Sentences(said)));
            return Ok(());
        }
        self.print(&sentences.iter().map(|sentence| format!("{sentence}\n")).collect::<String>())
    }

    /// Prints a table with an empty line before it.
    pub(super) fn table(&mut self, table: &Table) -> Result<(), Error> {
        if let Some(kept) = &mut self.kept {
            kept.push(Said::Table(table.clone()));
            return Ok(());
        }
        let width = screen::width().unwrap_or(PLAIN_WIDTH);
        self.print(&format!("\n{}", table.to_text(Some(width))))
    }

    /// Prints what a channel is against published levels; nothing where none was asked for.
    pub(super) fn against(&mut self, role: Role, against: &[Against]) -> Result<(), Error> {
        if against.is_empty() {
            return Ok(());
        }
        self.table(&tables::against(role, against))
    }

    /// Says what went wrong. When even that cannot be said there is nobody left to tell.
    pub(super) fn error(&mut self, error: &Error) {
        self.remarks.failed.push(error.to_string().replace("\n  remedy: ", ". Remedy: "));
        let _ = writeln!(self.err, "error: {error}");
    }

    /// Says something that bears on how the command ends.
    pub(super) fn remark(&mut self, word: &str, sentence: &str) {
        self.remarks.limits.push(format!("{word}: {sentence}"));
        let _ = writeln!(self.err, "{word}: {sentence}");
    }

    /// Says why one of many inputs failed; its error names the file already.
    pub(super) fn failed(&mut self, path: &str, error: &str) {
        let named = error.starts_with(&*crate::error::printable(path));
        let place = if named { String::new() } else { format!("{}: ", crate::error::printable(path)) };
        let _ = writeln!(self.err, "error: {place}{error}");
    }

    /// Says what limits the captures; what several of them share is said once. What is merely worth knowing of a
    /// capture stands in `inspect`; a finding without a path belongs to the whole and is always said.
    pub(super) fn findings<'a>(&mut self, findings: impl Iterator<Item = (Option<&'a str>, &'a Finding)>) {
        let mut said: Vec<Remark<'_>> = Vec::new();
        let mut places: HashMap<(&str, String), usize> = HashMap::new();
        for (path, finding) in findings {
            let Some(path) = path else {
                self.finding("", finding);
                continue;
            };
            if finding.severity == Severity::Note {
                continue;
            }
            let place = *places.entry((finding.code, without_numbers(&finding.message))).or_insert(said.len());
            match said.get_mut(place) {
                Some(remark) => {
                    remark.paths.push(path);
                    remark.varies |= remark.finding != finding;
                }
                None => said.push(Remark { finding, paths: vec![path], varies: false }),
            }
        }
        for Remark { finding, paths, varies } in said {
            let numbers = if varies { " (the numbers are those of the first)" } else { "" };
            let place = match paths.as_slice() {
                [first, others @ ..] if !others.is_empty() => {
                    format!("{} and {} more{numbers}: ", crate::error::printable(first), others.len())
                }
                first => format!("{}: ", crate::error::printable(first[0])),
            };
            self.finding(&place, finding);
        }
    }

    fn finding(&mut self, place: &str, finding: &Finding) {
        let word = finding.severity.word();
        self.remarks.limits.push(format!("{word}: {place}{}", finding.message));
        let _ = writeln!(self.err, "{word}: {place}{} [{}]", finding.message, finding.code);
    }

    /// For the samples of one long capture.
    pub(super) fn samples(&self) -> Bar {
        Bar::of_samples()
    }

    /// For work on many captures.
    pub(super) fn progress(&self, captures: usize) -> Bar {
        Bar::of_steps(captures, "captures")
    }

    /// For the cases of a survey.
    pub(super) fn cases(&self, cases: usize) -> Bar {
        Bar::of_steps(cases, "cases")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_go_and_names_stay() {
        assert_eq!(without_numbers("channel CH2: 55 of 59 bands, 20.0 mV"), "channel CH2:  of  bands, . mV");
        assert_eq!(without_numbers("3b 4"), "b ");
    }
}
