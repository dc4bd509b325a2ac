//! The journal of a campaign: what is done, line by line, written so that any end of the program leaves it usable.
//!
//! Each line is `{"check":"…","line":…}` with the first 16 digits of the SHA-256 of what stands after `"line":`. The
//! first line says what made it and with which settings; each other holds one capture. Lines are only ever appended.
//! A last line without its end was being written when the program ended, and is cut off; a line that fails its check
//! is passed over, and its capture done again. The last line of a capture counts.

use std::collections::HashMap;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use sha2::{Digest, Sha256};

use super::held::Stamp;
use crate::error::Error;
use crate::report::rows::Record;
use crate::spread::Shard;

/// Lines are written in groups of so many, or when the last group is so long ago.
const GROUP: usize = 32;
const GROUP_AGE: Duration = Duration::from_millis(200);
/// The disk is asked this often to keep what was written, against a loss of power.
const SYNC_AGE: Duration = Duration::from_secs(5);
const DIGITS: usize = 16;
const BEFORE_CHECK: &[u8] = b"{\"check\":\"";
const BEFORE_LINE: &[u8] = b"\",\"line\":";

/// The first line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Head {
    tool: String,
    /// The form of the lines.
    journal: u32,
    version: String,
    shard: u32,
    of: u32,
    /// Which captures belong to the shard and how rows are ordered.
    inputs: String,
    /// The fingerprint of the settings.
    pub(super) fingerprint: String,
    settings: Map<String, Value>,
}

impl Head {
    /// For a shard and the settings in force. `more` holds what decides on the results and is not among the settings.
    pub(super) fn new(shard: Shard, settings: Map<String, Value>, more: &str) -> Self {
        let text = format!("{}\n{more}", Value::Object(settings.clone()));
        Self {
            tool: env!("CARGO_PKG_NAME").to_owned(),
            journal: 1,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            shard: shard.number,
            of: shard.of,
            inputs: "natural order of names; a shard holds the names whose SHA-256, first 8 bytes, leaves K - 1 by N"
                .into(),
            fingerprint: digits(text.as_bytes()),
            settings,
        }
    }

    pub(super) fn shard(&self) -> Shard {
        Shard { number: self.shard, of: self.of }
    }

    /// Why a journal cannot go with this run, where it cannot.
    fn objection(&self, other: &Head) -> Option<String> {
        let differ = |what: &str, theirs: &dyn std::fmt::Display, ours: &dyn std::fmt::Display| {
            Some(format!("was begun with {what} {theirs}, and this run has {ours}"))
        };
        if other.tool != self.tool {
            return Some(format!("is the journal of \"{}\"", crate::error::printable(&other.tool)));
        }
        if (other.journal, &other.version) != (self.journal, &self.version) {
            return differ("version", &other.version, &self.version);
        }
        if other.of != self.of {
            return differ("a number of shards of", &other.of, &self.of);
        }
        if other.fingerprint != self.fingerprint || other.settings != self.settings {
            let other_of = |key: &str| other.settings.get(key).cloned().unwrap_or_default();
            let named = self.settings.iter().find(|(key, value)| other_of(key) != **value);
            return match named {
                Some((key, value)) => differ(&format!("other settings: {key}"), &other_of(key), value),
                None => differ("other settings: fingerprint", &other.fingerprint, &self.fingerprint),
            };
        }
        None
    }
}

/// One line: a capture with the stamps of its files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Entry {
    pub(super) record: Record,
    /// Whether it is the second file of a capture whose row stands at the first.
    pub(super) is_second: bool,
    /// The capture's own first; none where it could not be looked at.
    pub(super) files: Vec<Stamp>,
}

/// What of a line is needed to find it again.
#[derive(Deserialize)]
struct Named {
    record: Whose,
}

#[derive(Deserialize)]
struct Whose {
    path: String,
}

#[derive(Debug, Clone, Copy)]
struct Place {
    offset: u64,
    length: usize,
}

/// An open journal. It is locked as long as it is open.
#[derive(Debug)]
pub(super) struct Journal {
    path: PathBuf,
    pub(super) head: Head,
    file: File,
    /// Where the next line goes, those that wait included.
    end: u64,
    waiting: Vec<u8>,
    lines: usize,
    flushed: Instant,
    synced: Instant,
    places: HashMap<String, Place>,
    /// Lines passed over because their check failed.
    pub(super) damaged: usize,
}

/// The folder of the journals within the results.
pub(super) fn folder_in(results: &Path) -> PathBuf {
    results.join("journal")
}

/// The journals of a results folder, in natural order.
pub(super) fn all_in(results: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder_in(results)) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|ending| ending == "jsonl"))
        .collect();
    alphanumeric_sort::sort_path_slice(&mut paths);
    paths
}

impl Journal {
    /// Begins the journal of a run, or goes on with it.
    ///
    /// # Errors
    /// A journal of another tool, version, number of shards or of other settings, in this shard or another of the
    /// folder; one that is there although nothing is to be resumed; one that another process writes.
    pub(super) fn open(results: &Path, head: Head, resume: bool) -> Result<Self, Error> {
        let folder = folder_in(results);
        let path = folder.join(format!("{}.jsonl", head.shard()));
        fs::create_dir_all(&folder).map_err(|e| super::files::failed(&folder, &e))?;
        // Before anything is made, and again behind it, for another shard may begin at the same moment.
        agree(results, &head)?;
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| super::files::failed(&path, &e))?;
        lock(&file, &path)?;
        match head_of(&mut file, &path)? {
            Some(_) if !resume => Err(Error::output("holds a campaign already")
                .in_file(results.display().to_string())
                .remedy("give --resume to go on with it, or name another folder")),
            Some(_) => Self::scan(file, path, head),
            None => {
                let mut journal = Self::empty(file, path, head)?;
                let line = json(&journal.head)?;
                journal.put(&line)?;
                journal.sync()?;
                agree(results, &journal.head)?;
                Ok(journal)
            }
        }
    }

    /// Opens a journal as it is, to make its rows again.
    ///
    /// # Errors
    /// A file that is no journal of this version, or one that another process writes.
    pub(super) fn found(path: &Path) -> Result<Self, Error> {
        let mut file =
            OpenOptions::new().read(true).write(true).open(path).map_err(|e| super::files::failed(path, &e))?;
        lock(&file, path)?;
        let head = head_of(&mut file, path)?.ok_or_else(|| not_ours(path))?;
        let ours =
            Head { tool: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into(), ..head.clone() };
        refuse(&ours, &head, path)?;
        Self::scan(file, path.to_owned(), head)
    }

    fn empty(file: File, path: PathBuf, head: Head) -> Result<Self, Error> {
        file.set_len(0).map_err(|e| super::files::failed(&path, &e))?;
        let now = Instant::now();
        Ok(Self {
            path,
            head,
            file,
            end: 0,
            waiting: Vec::new(),
            lines: 0,
            flushed: now,
            synced: now,
            places: HashMap::new(),
            damaged: 0,
        })
    }

    /// Reads where each capture stands, and cuts a torn last line off.
    fn scan(file: File, path: PathBuf, head: Head) -> Result<Self, Error> {
        let failed = |e: io::Error| super::files::failed(&path, &e);
        let (mut places, mut damaged, mut end) = (HashMap::new(), 0, 0);
        let mut lines = BufReader::with_capacity(1 << 16, &file);
        lines.seek(SeekFrom::Start(0)).map_err(failed)?;
        let mut line = Vec::new();
        for number in 0u64.. {
            line.clear();
            let count = lines.read_until(b'\n', &mut line).map_err(failed)?;
            if line.last() != Some(&b'\n') {
                break;
            }
            match checked(&line).and_then(|json| serde_json::from_slice::<Named>(json).ok()) {
                Some(named) => {
                    places.insert(named.record.path, Place { offset: end, length: count });
                }
                None => damaged += usize::from(number > 0),
            }
            end += count as u64;
        }
        drop(lines);
        file.set_len(end).map_err(failed)?;
        let now = Instant::now();
        Ok(Self {
            path: path.clone(),
            head,
            file,
            end,
            waiting: Vec::new(),
            lines: 0,
            flushed: now,
            synced: now,
            places,
            damaged,
        })
    }

    /// Adds a capture.
    ///
    /// # Errors
    /// A full disk, a folder that has vanished.
    pub(super) fn append(&mut self, entry: &Entry) -> Result<(), Error> {
        let line = json(entry)?;
        let offset = self.end;
        let length = self.put(&line)?;
        self.places.insert(entry.record.path.clone(), Place { offset, length });
        if self.lines >= GROUP || self.flushed.elapsed() > GROUP_AGE { self.flush() } else { Ok(()) }
    }

    fn put(&mut self, json: &[u8]) -> Result<usize, Error> {
        let before = self.waiting.len();
        self.waiting.extend_from_slice(BEFORE_CHECK);
        self.waiting.extend_from_slice(digits(json).as_bytes());
        self.waiting.extend_from_slice(BEFORE_LINE);
        self.waiting.extend_from_slice(json);
        self.waiting.extend_from_slice(b"}\n");
        self.lines += 1;
        let length = self.waiting.len() - before;
        self.end += length as u64;
        Ok(length)
    }

    /// Writes the lines that wait.
    ///
    /// # Errors
    /// A full disk, a folder that has vanished.
    pub(super) fn flush(&mut self) -> Result<(), Error> {
        let start = self.end - self.waiting.len() as u64;
        let write = |file: &mut File| {
            file.seek(SeekFrom::Start(start))?;
            file.write_all(&self.waiting)
        };
        if let Err(error) = write(&mut self.file) {
            // What was half written is cut off now, or else when the journal is opened again.
            let _ = self.file.set_len(start);
            return Err(super::files::failed(&self.path, &error)
                .remedy("make room, then give --resume: all captures in the journal are kept"));
        }
        if !self.path.exists() {
            return Err(Error::output("the journal has vanished while captures were analysed")
                .in_file(self.path.display().to_string())
                .remedy("find out who removed the folder of the results; what it held has to be done again"));
        }
        self.waiting.clear();
        self.lines = 0;
        self.flushed = Instant::now();
        if self.synced.elapsed() > SYNC_AGE { self.sync() } else { Ok(()) }
    }

    /// Writes all lines and has the disk keep them.
    ///
    /// # Errors
    /// A full disk, a folder that has vanished.
    pub(super) fn sync(&mut self) -> Result<(), Error> {
        if !self.waiting.is_empty() {
            self.flush()?;
        }
        self.file.sync_data().map_err(|e| super::files::failed(&self.path, &e))?;
        self.synced = Instant::now();
        Ok(())
    }

    /// The line of a capture.
    ///
    /// # Errors
    /// What the disk answers, or a line that changed under our hands.
    pub(super) fn entry(&mut self, name: &str) -> Result<Option<Entry>, Error> {
        let Some(place) = self.places.get(name).copied() else { return Ok(None) };
        if !self.waiting.is_empty() {
            self.flush()?;
        }
        let failed = |e: io::Error| super::files::failed(&self.path, &e);
        let mut line = vec![0; place.length];
        self.file.seek(SeekFrom::Start(place.offset)).and_then(|_| self.file.read_exact(&mut line)).map_err(failed)?;
        let entry = checked(&line).and_then(|json| serde_json::from_slice(json).ok());
        entry.map(Some).ok_or_else(|| failed(io::Error::other("a line changed while the journal was open")))
    }

    /// Whether a capture stands in it.
    pub(super) fn holds(&self, name: &str) -> bool {
        self.places.contains_key(name)
    }

    /// The names of all captures in it, in natural order.
    pub(super) fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = self.places.keys().cloned().collect();
        super::captures::sort(&mut names);
        names
    }
}

/// Refuses a folder with journals that do not go with this run.
fn agree(results: &Path, head: &Head) -> Result<(), Error> {
    for path in all_in(results) {
        let mut file = File::open(&path).map_err(|e| super::files::failed(&path, &e))?;
        if let Some(other) = head_of(&mut file, &path)? {
            refuse(head, &other, &path)?;
        }
    }
    Ok(())
}

fn refuse(head: &Head, other: &Head, path: &Path) -> Result<(), Error> {
    head.objection(other).map_or(Ok(()), |why| {
        Err(Error::output(why)
            .in_file(path.display().to_string())
            .remedy("give the same options and version, or name another folder"))
    })
}

/// The first line; `None` where the program ended before it was written.
fn head_of(file: &mut File, path: &Path) -> Result<Option<Head>, Error> {
    const LONGEST: u64 = 1 << 20;
    let mut line = Vec::new();
    file.seek(SeekFrom::Start(0))
        .and_then(|_| BufReader::new(&mut *file).take(LONGEST).read_until(b'\n', &mut line))
        .map_err(|e| super::files::failed(path, &e))?;
    if line.last() != Some(&b'\n') {
        // Only what begins as a first line does was being written by us.
        let begun = line.len() <= BEFORE_CHECK.len() && BEFORE_CHECK.starts_with(&line);
        return if begun || line.starts_with(BEFORE_CHECK) { Ok(None) } else { Err(not_ours(path)) };
    }
    checked(&line).and_then(|json| serde_json::from_slice(json).ok()).map(Some).ok_or_else(|| not_ours(path))
}

fn not_ours(path: &Path) -> Error {
    Error::output(format!("is no journal of {}, or its first line is damaged", env!("CARGO_PKG_NAME")))
        .in_file(path.display().to_string())
        .remedy("name another folder")
}

fn lock(file: &File, path: &Path) -> Result<(), Error> {
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => Err(Error::output("another process writes this journal")
            .in_file(path.display().to_string())
            .remedy("wait for it to end, or give each process a --shard of its own")),
        // A file system without locks: nothing better to be had.
        Ok(()) | Err(TryLockError::Error(_)) => Ok(()),
    }
}

/// What a line holds, where its check is right.
fn checked(line: &[u8]) -> Option<&[u8]> {
    let rest = line.strip_prefix(BEFORE_CHECK)?;
    let (check, rest) = rest.split_at_checked(DIGITS)?;
    let json = rest.strip_prefix(BEFORE_LINE)?.strip_suffix(b"}\n")?;
    (digits(json).as_bytes() == check).then_some(json)
}

/// The first digits of a SHA-256.
fn digits(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().take(DIGITS / 2).map(|byte| format!("{byte:02x}")).collect()
}

fn json(value: &impl Serialize) -> Result<Vec<u8>, Error> {
    serde_json::to_vec(value).map_err(|e| Error::output(format!("a line of the journal cannot be made: {e}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(name: &str) -> Entry {
        let record = Record {
            path: name.to_owned(),
            sha256: Some("00".repeat(32)),
            bytes: Some(12),
            duration_s: Some(0.1),
            sample_rate_hz: Some(1e6 / 3.0),
            error: Some("a sentence of \"two\"\nlines".to_owned()),
            warnings: vec!["clipped".to_owned()],
            companion: None,
            channels: Vec::new(),
        };
        Entry { record, is_second: false, files: Vec::new() }
    }

    fn head() -> Head {
        Head::new(Shard::WHOLE, Map::new(), "")
    }

    #[test]
    fn torn_at_any_byte_of_the_last_line_the_others_are_kept() {
        let results = tempfile::tempdir().unwrap();
        let path = folder_in(results.path()).join("1-of-1.jsonl");
        let names = ["a", "b", "c"];
        let mut journal = Journal::open(results.path(), head(), false).unwrap();
        names.iter().for_each(|name| journal.append(&entry(name)).unwrap());
        journal.sync().unwrap();
        let busy = Journal::open(results.path(), head(), true).unwrap_err();
        assert!(busy.to_string().contains("another process"), "{busy}");
        drop(journal);
        let whole = fs::read(&path).unwrap();
        let last = whole.trim_ascii_end().iter().rposition(|&byte| byte == b'\n').unwrap() + 1;
        for cut in last..whole.len() {
            fs::write(&path, &whole[..cut]).unwrap();
            let mut journal = Journal::open(results.path(), head(), true).unwrap();
            assert_eq!(journal.names(), names[..2], "{cut}");
            assert_eq!(journal.entry("a").unwrap(), Some(entry("a")), "{cut}");
            journal.append(&entry("c")).unwrap();
            journal.flush().unwrap();
            assert!(fs::read(&path).unwrap() == whole, "{cut}");
        }
    }

    #[test]
    fn the_last_line_of_a_capture_counts() {
        let results = tempfile::tempdir().unwrap();
        let mut journal = Journal::open(results.path(), head(), false).unwrap();
        journal.append(&entry("a")).unwrap();
        let mut later = entry("a");
        later.record.bytes = Some(13);
        journal.append(&later).unwrap();
        journal.sync().unwrap();
        assert_eq!(journal.entry("a").unwrap(), Some(later.clone()));
        drop(journal);
        let mut journal = Journal::open(results.path(), head(), true).unwrap();
        assert_eq!((journal.names().len(), journal.entry("a").unwrap()), (1, Some(later)));
    }

    #[test]
    fn a_folder_that_vanishes_is_said() {
        let results = tempfile::tempdir().unwrap();
        let mut journal = Journal::open(results.path(), head(), false).unwrap();
        fs::remove_dir_all(results.path()).unwrap();
        journal.append(&entry("a")).unwrap();
        let error = journal.sync().unwrap_err();
        assert!(error.to_string().contains("vanished"), "{error}");
    }
}
