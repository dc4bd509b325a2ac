//! Options that stand beside a capture, so that a folder is read without options on the command line.
//!
//! Two files can hold them: `<file>.toml` beside one capture, in a section `[read]`, and [`FOLDER_FILE`] in the same
//! folder, in sections `[[read]]` that say by patterns which files they are for. The nearest word counts: the command
//! line, then the file's own TOML, then the folder's, of which the last section that fits. A folder's file counts for
//! the captures in that very folder and for none below: a reader sees the siblings of its file, and what holds for a
//! capture is found beside it and nowhere else. A file's own TOML that says
//! `alone = true` keeps the folder's out, as files that were converted do: nothing may scale them a second time.

use super::fields::{Fields, FileKind, Text};
use super::labels::{self, Labels};
use super::options::{ReadOptions, Scale, decimal_mark, separator};
use super::{Source, csv};
use crate::capture::{Account, Block, Header, OptionBeside, Quantity, Recording, Role};
use crate::error::{Error, printable};

/// The file with reading options for all captures of a folder.
pub const FOLDER_FILE: &str = "linewake.toml";

const FILE: FileKind = FileKind {
    name: "reading options",
    remedy: "keys are those of the options: separator = \";\", decimal-mark = \",\", unit = \"mV\"",
};

/// Keeps the folder's file out.
const ALONE: &str = "alone";

/// The keys, one for each option.
const KEYS: [&str; 15] = [
    "separator",
    "decimal-mark",
    "skip-lines",
    "time-column",
    "time-unit",
    "channels",
    "unit",
    "scale",
    "sample-rate",
    "record",
    "encoding",
    "side",
    "resample",
    "wire",
    "air",
];
/// Keys that mean nothing but reading a text, so that they are missed where they stand outside their section.
const TEXT_KEYS: [&str; 5] = ["separator", "decimal-mark", "skip-lines", "time-column", "time-unit"];

/// What the files beside a capture say.
#[derive(Debug, Default)]
pub(super) struct Beside {
    options: ReadOptions,
    labels: Labels,
    wire: Option<Named>,
    air: Option<Named>,
    said: Vec<OptionBeside>,
}

/// A channel by name or number, with the error for one that is not there.
#[derive(Debug)]
struct Named {
    channel: String,
    missing: Error,
}

impl Beside {
    /// Looks beside a capture.
    ///
    /// # Errors
    /// What is wrong with the files there, with line and column.
    pub(super) fn of(source: &Source) -> Result<Self, Error> {
        let mut beside = Self::default();
        let name = bare(source.name());
        let own = source.sibling(&format!("{name}.toml"));
        let alone = own.as_ref().map_or(Ok(false), is_alone)?;
        if let Some(folder) = source.sibling(FOLDER_FILE).filter(|_| name != FOLDER_FILE && !alone) {
            beside.add(&folder, |top| {
                top.only(&["read"])?;
                let mut sections = top.sections("read")?;
                let known = [&["files"], &KEYS[..], &labels::KEYS[..]].concat();
                sections.iter().try_for_each(|section| section.only(&known))?;
                let mut fits = Vec::new();
                for section in &sections {
                    let patterns = section.word_list("files")?;
                    if let Some(pattern) = patterns.iter().find(|pattern| pattern.contains(['/', '\\'])) {
                        let found = format!("\"{}\" reaches into another folder", printable(pattern));
                        let error = section.wrong("files", found, "names of files in the folder of this file");
                        return Err(error.remedy(format!("put a {FOLDER_FILE} into each folder with captures")));
                    }
                    fits.push(patterns.is_empty() || patterns.iter().any(|pattern| matches(pattern, name)));
                }
                let mut fit = fits.into_iter();
                sections.retain(|_| fit.next().unwrap_or(false));
                Ok(sections)
            })?;
        }
        if let Some(own) = own {
            beside.add(&own, |top| {
                // Other sections are for other readers.
                if let Some((key, _)) = top.keys().find(|(key, _)| TEXT_KEYS.contains(key)) {
                    return Err(top.wrong(key, "stands outside of its section".to_owned(), "it below a line [read]"));
                }
                let section = top.table("read")?;
                let known = [&[ALONE], &KEYS[..], &labels::KEYS[..]].concat();
                section.iter().try_for_each(|section| section.only(&known))?;
                Ok(section.into_iter().collect())
            })?;
        }
        Ok(beside)
    }

    /// Takes the options of a file; they go before those taken so far.
    fn add<'t>(
        &mut self,
        file: &Source,
        sections: impl for<'a> FnOnce(&Fields<'a>) -> Result<Vec<Fields<'a>>, Error> + 't,
    ) -> Result<(), Error> {
        let text = FILE.text_of(file)?;
        let text = Text { file: file.name(), text: &text, kind: FILE };
        let document = text.parse()?;
        let top = Fields::new(text, "the file", document.get_ref(), document.span());
        for section in sections(&top)? {
            self.options = options_of(&section)?.or(std::mem::take(&mut self.options));
            self.labels = Labels::of(&section)?.or(std::mem::take(&mut self.labels));
            for (role, key) in [(&mut self.wire, "wire"), (&mut self.air, "air")] {
                if let Some(channel) = section.word(key)? {
                    let found = format!("there is no channel \"{}\"", printable(&channel));
                    let missing = section.wrong(key, found, "the name or the number of a channel");
                    *role = Some(Named { channel, missing });
                }
            }
            for (key, line) in section.keys().filter(|(key, _)| !["files", ALONE].contains(key)) {
                self.said.iter_mut().filter(|said| said.key == key).for_each(|said| said.in_force = false);
                let file = bare(file.name()).to_owned();
                self.said.push(OptionBeside { key: key.to_owned(), file, line, in_force: true });
            }
        }
        Ok(())
    }

    /// The options given, completed by those beside the capture.
    pub(super) fn completed(&mut self, given: &ReadOptions) -> ReadOptions {
        let mut fallen = given.keys();
        for option in fallen.clone() {
            fallen.extend(self.labels.overruled(option));
        }
        self.said.iter_mut().filter(|said| fallen.contains(&said.key.as_str())).for_each(|said| said.in_force = false);
        given.clone().or(self.options.clone())
    }

    /// The recording with the names, units, roles and the clock that are said here.
    ///
    /// # Errors
    /// Lists that do not fit the channels.
    pub(super) fn labelled(&mut self, recording: Box<dyn Recording>) -> Result<Box<dyn Recording>, Error> {
        let stated = self.said.iter().any(|said| said.in_force && labels::KEYS.contains(&said.key.as_str()));
        if stated { std::mem::take(&mut self.labels).put_on(recording) } else { Ok(recording) }
    }

    /// The recording with the roles set and a sentence on where options came from.
    ///
    /// # Errors
    /// A wire or an air channel that does not exist.
    pub(super) fn told(self, recording: Box<dyn Recording>) -> Result<Box<dyn Recording>, Error> {
        if self.said.is_empty() {
            return Ok(recording);
        }
        let mut header = recording.header().clone();
        let find = |named: Option<&Named>| named.map(|named| named.find(&header)).transpose();
        let (wire, air) = (find(self.wire.as_ref())?, find(self.air.as_ref())?);
        if wire.is_some() && wire == air {
            let error = self.air.map_or_else(|| Error::input("one channel in two roles"), |air| air.missing);
            return Err(error.expected("another channel than the wire"));
        }
        set_roles(&mut header, wire, air);
        let mut files: Vec<&str> = Vec::new();
        for said in
            self.said.iter().filter(|said| said.in_force && !files.contains(&said.file.as_str())).collect::<Vec<_>>()
        {
            files.push(&said.file);
        }
        for file in files {
            let keys: Vec<&str> = self
                .said
                .iter()
                .filter(|said| said.in_force && said.file == file)
                .map(|said| said.key.as_str())
                .collect();
            header.reading.push(format!("\"{}\" beside the file sets {}.", printable(file), keys.join(", ")));
        }
        Ok(Box::new(Told { header, said: self.said, inner: recording }))
    }
}

impl Named {
    fn find(&self, header: &Header) -> Result<usize, Error> {
        let channels = &header.channels;
        let by_name = channels.iter().position(|channel| channel.name.eq_ignore_ascii_case(self.channel.trim()));
        let by_number =
            || self.channel.parse::<usize>().ok().filter(|at| (1..=channels.len()).contains(at)).map(|at| at - 1);
        by_name.or_else(by_number).ok_or_else(|| {
            let names: Vec<String> =
                channels.iter().map(|channel| format!("\"{}\"", printable(&channel.name))).collect();
            self.missing
                .clone()
                .expected(format!("one of: {}", names.join(", ")))
                .remedy("--wire and --air go before this file")
        })
    }
}

/// Gives the named channels their roles; the reader's own choice fills what is left.
fn set_roles(header: &mut Header, wire: Option<usize>, air: Option<usize>) {
    if wire.is_none() && air.is_none() {
        return;
    }
    let before = |role: Role| header.channels.iter().position(|channel| channel.role == role);
    let (first, second) = (before(Role::Wire), before(Role::Air));
    let free = |taken: Option<usize>| [first, second].into_iter().flatten().find(|&at| Some(at) != taken);
    let wire = wire.or_else(|| free(air));
    let air = air.or_else(|| second.filter(|&at| Some(at) != wire)).or_else(|| free(wire));
    for (at, channel) in header.channels.iter_mut().enumerate() {
        channel.role = match Some(at) {
            at if at == wire => Role::Wire,
            at if at == air => Role::Air,
            _ => Role::Other,
        };
    }
}

/// A recording that was read with options from files beside it.
struct Told {
    header: Header,
    said: Vec<OptionBeside>,
    inner: Box<dyn Recording>,
}

impl Recording for Told {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        let inner = self.inner.account();
        let mut files = inner.files.clone();
        for said in self.said.iter().filter(|said| said.in_force) {
            if !files.contains(&said.file) {
                files.push(said.file.clone());
            }
        }
        Account { beside: self.said.clone(), files, ..inner }
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let block = self.inner.next_block()?;
        self.header.findings.clone_from(&self.inner.header().findings);
        Ok(block)
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        self.inner.seek(sample)
    }
}

/// Whether a file's own TOML keeps the folder's out.
fn is_alone(own: &Source) -> Result<bool, Error> {
    let text = FILE.text_of(own)?;
    let text = Text { file: own.name(), text: &text, kind: FILE };
    let document = text.parse()?;
    let top = Fields::new(text, "the file", document.get_ref(), document.span());
    top.table("read")?.map_or(Ok(false), |section| section.flag(ALONE))
}

/// The options of a section.
fn options_of(fields: &Fields<'_>) -> Result<ReadOptions, Error> {
    const UNITS: [&str; 4] = ["s", "ms", "us", "ns"];
    let shown = |text: &str| format!("\"{}\"", printable(text));
    let character = |key: &str, read: fn(&str) -> Result<char, String>| -> Result<Option<char>, Error> {
        let Some(text) = fields.text(key)? else { return Ok(None) };
        let expected = |why: String| fields.wrong(key, shown(text), why.trim_start_matches("expected "));
        read(text).map(Some).map_err(expected)
    };
    let count = |key: &str, least: u32| fields.whole(key, least..=1_000_000).map(|count| count.map(u64::from));
    let unit = fields.text("unit")?;
    if let Some(unit) = unit.filter(|unit| Quantity::parse(unit).is_none()) {
        return Err(fields.wrong("unit", shown(unit), "a unit such as \"V\" or \"mV\""));
    }
    Ok(ReadOptions {
        sample_rate: fields.rate("sample-rate")?,
        separator: character("separator", separator)?,
        decimal_mark: character("decimal-mark", decimal_mark)?,
        time_column: fields.word("time-column")?,
        time_unit: fields.choice("time-unit", &UNITS)?.map(str::to_owned),
        unit: unit.map(str::to_owned),
        skip_lines: count("skip-lines", 0)?,
        channels: fields.word_list("channels")?,
        scale: scales(fields)?,
        record: count("record", 1)?,
        encoding: fields.choice("encoding", &csv::ENCODINGS)?.map(str::to_owned),
        side: fields.choice("side", &["primary", "secondary"])?.and_then(|word| word.parse().ok()),
        resample: fields.flag("resample")?,
        max_memory: None,
    })
}

/// A factor for all channels, or a list of `"CH1=0.01"`.
fn scales(fields: &Fields<'_>) -> Result<Vec<Scale>, Error> {
    let read = |text: String| {
        let expected = "a factor such as 0.01, or factors such as [\"CH1=0.01\", \"CH2=0.02\"]";
        text.parse().map_err(|_| fields.wrong("scale", format!("\"{}\"", printable(&text)), expected))
    };
    fields.word_list("scale")?.into_iter().map(read).collect()
}

fn bare(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// Whether a name fits a pattern with `*` for any characters and `?` for one; upper and lower case are the same.
fn matches(pattern: &str, name: &str) -> bool {
    let letters = |text: &str| text.to_lowercase().chars().collect::<Vec<char>>();
    let (pattern, name) = (letters(pattern), letters(name));
    // Where the last star stood, and what it has eaten so far: going back to it is enough, and linear in memory.
    let (mut at, mut of, mut star) = (0, 0, None);
    while of < name.len() {
        match pattern.get(at) {
            Some('*') => {
                star = Some((at, of));
                at += 1;
            }
            Some(&letter) if letter == '?' || letter == name[of] => (at, of) = (at + 1, of + 1),
            _ => match star {
                Some((stood, eaten)) => {
                    star = Some((stood, eaten + 1));
                    (at, of) = (stood + 1, eaten + 1);
                }
                None => return false,
            },
        }
    }
    pattern[at..].iter().all(|&letter| letter == '*')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_fit_whole_names() {
        for (pattern, name, fits) in [
            ("*.csv", "lamp.CSV", true),
            ("*", "", true),
            ("lamp-?.csv", "lamp-1.csv", true),
            ("lamp-?.csv", "lamp-12.csv", false),
            ("*a*b", "xaybab", true),
            ("*a*b", "xayba", false),
            ("lamp", "lamp.csv", false),
            ("", "lamp.csv", false),
        ] {
            assert_eq!(matches(pattern, name), fits, "{pattern} {name}");
        }
    }
}
