//! Names, units, roles and the clock of a recording as a file beside it states them, for containers that cannot.
//!
//! The keys stand in a section `[read]` (see `beside.rs`): `names`, `units` and `roles` are lists with one entry for
//! each channel; `start` is the time of the first sample in seconds; `rate-source` and `rate-uncertainty` say how well
//! the rate is known. None of them changes a sample.

use super::fields::Fields;
use super::scaled::{retain_open, settle};
use crate::capture::{Account, Block, Header, Quantity, RateSource, Recording, Role};
use crate::error::{Error, printable};

/// The keys.
pub(super) const KEYS: [&str; 6] = ["names", "units", "roles", "start", "rate-source", "rate-uncertainty"];

/// One entry for each channel, with the error for a list of another length.
#[derive(Debug, Clone)]
struct Listed<T> {
    entries: Vec<T>,
    wrong: Error,
}

/// What a section states.
#[derive(Debug, Clone, Default)]
pub(super) struct Labels {
    names: Option<Listed<String>>,
    units: Option<Listed<Quantity>>,
    roles: Option<Listed<Role>>,
    start_s: Option<f64>,
    rate_source: Option<RateSource>,
    rate_uncertainty: Option<f64>,
}

impl Labels {
    /// Reads a section.
    pub(super) fn of(fields: &Fields<'_>) -> Result<Self, Error> {
        const UNITS: &str = "units without prefix such as \"V\" or \"V/m\", or \"unknown\", \"codes\", \"full scale\"";
        let roles = Role::ALL.map(Role::name);
        let sources = RateSource::ALL.map(RateSource::name);
        let source = fields.choice("rate-source", &sources)?;
        let uncertainty = one(fields, "rate-uncertainty", "a relative uncertainty such as 1e-6")?;
        if let Some(negative) = uncertainty.filter(|uncertainty| *uncertainty < 0.0) {
            return Err(fields.wrong("rate-uncertainty", negative.to_string(), "zero or more"));
        }
        Ok(Self {
            names: listed(fields, "names", "a name for each channel", |word| Some(word.to_owned()))?,
            units: listed(fields, "units", UNITS, Quantity::named)?,
            roles: listed(fields, "roles", &format!("roles out of: {}", roles.join(", ")), |word| {
                Role::ALL.into_iter().find(|role| role.name() == word)
            })?,
            start_s: one(fields, "start", "the time of the first sample in seconds")?,
            rate_source: source.and_then(|name| RateSource::ALL.into_iter().find(|source| source.name() == name)),
            rate_uncertainty: uncertainty,
        })
    }

    /// These labels, and others where these say nothing.
    pub(super) fn or(self, others: Self) -> Self {
        Self {
            names: self.names.or(others.names),
            units: self.units.or(others.units),
            roles: self.roles.or(others.roles),
            start_s: self.start_s.or(others.start_s),
            rate_source: self.rate_source.or(others.rate_source),
            rate_uncertainty: self.rate_uncertainty.or(others.rate_uncertainty),
        }
    }

    /// Drops what an option on the command line settles otherwise; gives the keys that fell.
    pub(super) fn overruled(&mut self, option: &str) -> &'static [&'static str] {
        match option {
            // The lists count the channels of the whole file.
            "channels" => {
                (self.names, self.units, self.roles) = (None, None, None);
                &["names", "units", "roles"]
            }
            "unit" => {
                self.units = None;
                &["units"]
            }
            "sample-rate" => {
                (self.rate_source, self.rate_uncertainty) = (None, None);
                &["rate-source", "rate-uncertainty"]
            }
            "time-column" | "record" => {
                self.start_s = None;
                &["start"]
            }
            _ => &[],
        }
    }

    /// The recording with what is said put on it.
    ///
    /// # Errors
    /// A list that is longer or shorter than the channels are.
    pub(super) fn put_on(self, recording: Box<dyn Recording>) -> Result<Box<dyn Recording>, Error> {
        let mut header = recording.header().clone();
        let count = header.channels.len();
        let fits = |length: usize, wrong: &Error| {
            let channels: Vec<String> =
                header.channels.iter().map(|channel| format!("\"{}\"", printable(&channel.name))).collect();
            let expected = format!("{count}, one for each channel: {}", channels.join(", "));
            if length == count { Ok(()) } else { Err(wrong.clone().expected(expected)) }
        };
        self.names.as_ref().map_or(Ok(()), |list| fits(list.entries.len(), &list.wrong))?;
        self.units.as_ref().map_or(Ok(()), |list| fits(list.entries.len(), &list.wrong))?;
        self.roles.as_ref().map_or(Ok(()), |list| fits(list.entries.len(), &list.wrong))?;
        for (channel, name) in header.channels.iter_mut().zip(self.names.into_iter().flat_map(|list| list.entries)) {
            channel.name = name;
        }
        for (channel, unit) in header.channels.iter_mut().zip(self.units.into_iter().flat_map(|list| list.entries)) {
            channel.quantity = unit;
        }
        for (channel, role) in header.channels.iter_mut().zip(self.roles.into_iter().flat_map(|list| list.entries)) {
            channel.role = role;
        }
        let clock = &mut header.clock;
        clock.start_s = self.start_s.unwrap_or(clock.start_s);
        clock.source = self.rate_source.unwrap_or(clock.source);
        clock.relative_uncertainty = self.rate_uncertainty.unwrap_or(clock.relative_uncertainty);
        let mut labelled = Labelled { header, inner: recording };
        labelled.take_findings();
        Ok(Box::new(labelled))
    }
}

/// A list of words, each of which has to be one of its kind.
fn listed<T>(
    fields: &Fields<'_>,
    key: &str,
    expected: &str,
    read: impl Fn(&str) -> Option<T>,
) -> Result<Option<Listed<T>>, Error> {
    let words = fields.word_list(key)?;
    if words.is_empty() {
        return Ok(None);
    }
    let wrong = fields.wrong(key, format!("{} entries", words.len()), "one for each channel");
    let entry =
        |word: &String| read(word).ok_or_else(|| fields.wrong(key, format!("\"{}\"", printable(word)), expected));
    Ok(Some(Listed { entries: words.iter().map(entry).collect::<Result<_, _>>()?, wrong }))
}

/// One number.
fn one(fields: &Fields<'_>, key: &str, expected: &str) -> Result<Option<f64>, Error> {
    match fields.numbers(key)?.as_deref() {
        None => Ok(None),
        Some([number]) => Ok(Some(*number)),
        Some(_) => Err(fields.wrong(key, "several numbers".to_owned(), expected)),
    }
}

struct Labelled {
    header: Header,
    inner: Box<dyn Recording>,
}

impl Labelled {
    fn take_findings(&mut self) {
        self.header.findings.clone_from(&self.inner.header().findings);
        retain_open(&mut self.header);
    }
}

impl Recording for Labelled {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        let mut account = self.inner.account();
        settle(&mut account, self.inner.header(), &self.header);
        account
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let block = self.inner.next_block()?;
        self.take_findings();
        Ok(block)
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        self.inner.seek(sample)
    }
}
