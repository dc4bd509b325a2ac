//! A capture of a batch as a source: read from the disk once, and watched while it is read.
//!
//! A small file is held in memory from its first byte asked for to the end of its work, so that recognising, reading
//! and fingerprinting open it once and speak of the same bytes. What was looked for beside it is remembered with size
//! and time, present or not, so that a later run knows whether the answer would be the same.

use std::fs;
use std::io::{self, Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, Weak};
use std::time::{Duration, SystemTime};

use serde::{Deserialize, Serialize};

use super::files::FileOrigin;
use crate::analysis::observe::Input;
use crate::error::Error;
use crate::read::{Origin, Source};

/// Files up to this length are held.
const HELD: u64 = 4 << 20;
/// The time of a file says nothing when it is younger than this: it may change again within one tick of the clock.
const TICK: Duration = Duration::from_secs(2);

/// What a file was when it was read, by its name beside the capture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Stamp {
    name: String,
    /// Its length; `None` where there was no such file.
    bytes: Option<u64>,
    /// When it was last changed; `None` where that is too short ago to tell changes apart.
    modified_ns: Option<u64>,
    sha256: Option<String>,
}

/// What has become of the files of a capture.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Fate {
    /// Nothing.
    Same,
    /// Other times, the same bytes; with the stamps as they are now.
    Touched(Vec<Stamp>),
    /// Other bytes.
    Changed,
    /// The capture itself is not there any more.
    Gone,
}

/// Size and time of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct State {
    bytes: u64,
    modified: Option<SystemTime>,
}

impl State {
    fn of(path: &Path) -> Option<Self> {
        let metadata = fs::metadata(path).ok().filter(fs::Metadata::is_file)?;
        Some(Self { bytes: metadata.len(), modified: metadata.modified().ok() })
    }

    fn modified_ns(&self) -> Option<u64> {
        let since = self.modified?.duration_since(SystemTime::UNIX_EPOCH).ok()?;
        u64::try_from(since.as_nanos()).ok()
    }

    fn age(&self) -> Option<Duration> {
        SystemTime::now().duration_since(self.modified?).ok()
    }
}

/// A capture and all that was looked for beside it.
pub(super) struct Watched {
    pub(super) source: Source,
    watch: Arc<Watch>,
}

struct Watch {
    path: PathBuf,
    state: Option<State>,
    beside: Mutex<Vec<Beside>>,
}

struct Beside {
    name: String,
    state: Option<State>,
    source: Option<Source>,
}

impl Watched {
    /// Begins to watch; nothing is opened yet.
    pub(super) fn new(path: &Path) -> Self {
        let state = State::of(path);
        let watch = Arc::new(Watch { path: path.to_owned(), state, beside: Mutex::new(Vec::new()) });
        Self { source: held(path, &watch), watch }
    }

    /// Whether the capture was changed a moment ago, so that it may not be complete yet.
    pub(super) fn is_younger_than(&self, age: Duration) -> bool {
        self.watch.state.and_then(|state| state.age()).is_some_and(|own| own < age)
    }

    /// The stamps of all files, the capture's first; `None` where one has changed since it was first looked at.
    pub(super) fn stamps(&self, inputs: &[Input]) -> Option<Vec<Stamp>> {
        let beside = self.watch.beside.lock().unwrap_or_else(PoisonError::into_inner);
        let mut stamps = Vec::with_capacity(1 + beside.len());
        let own = self.watch.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let files = beside.iter().map(|file| (file.name.as_str(), file.state, file.source.as_ref()));
        for (name, state, source) in [(own.as_str(), self.watch.state, Some(&self.source))].into_iter().chain(files) {
            if State::of(&self.watch.path.with_file_name(name)) != state {
                return None;
            }
            let known = |source: &Source| inputs.iter().find(|input| input.path == source.name());
            let sha256 = state.and(source).and_then(|source| match known(source) {
                Some(input) => input.sha256.clone(),
                None => source.sha256().ok(),
            });
            stamps.push(stamp(name, state, sha256));
        }
        Some(stamps)
    }
}

fn stamp(name: &str, state: Option<State>, sha256: Option<String>) -> Stamp {
    let settled = state.filter(|state| state.age().is_some_and(|age| age > TICK));
    Stamp {
        name: name.to_owned(),
        bytes: state.map(|state| state.bytes),
        modified_ns: settled.and_then(|state| state.modified_ns()),
        sha256,
    }
}

/// Compares the files of a capture with their stamps: by size and time, and by their bytes where the time differs.
///
/// # Errors
/// A file that cannot be read though it is there.
pub(super) fn fate(path: &Path, stamps: &[Stamp]) -> Result<Fate, Error> {
    let Some((own, _)) = stamps.split_first() else { return Ok(Fate::Changed) };
    if own.bytes.is_some() && own.sha256.is_none() {
        // It could not be read then; now it may.
        return Ok(Fate::Changed);
    }
    if State::of(path).is_none() {
        return Ok(if own.bytes.is_some() { Fate::Gone } else { Fate::Changed });
    }
    let mut now = Vec::with_capacity(stamps.len());
    for old in stamps {
        let path = path.with_file_name(&old.name);
        let state = State::of(&path);
        if state.map(|state| state.bytes) != old.bytes {
            return Ok(Fate::Changed);
        }
        let same_time = old.modified_ns.is_some() && state.and_then(|state| state.modified_ns()) == old.modified_ns;
        if state.is_none() || same_time {
            now.push(old.clone());
            continue;
        }
        let sha256 = Some(super::files::source(&path).sha256()?);
        if sha256 != old.sha256 {
            return Ok(Fate::Changed);
        }
        now.push(stamp(&old.name, state, sha256));
    }
    Ok(if now == stamps { Fate::Same } else { Fate::Touched(now) })
}

/// A file that is held in memory where it is small.
struct Held {
    file: FileOrigin,
    bytes: OnceLock<Option<Arc<Vec<u8>>>>,
    watch: Weak<Watch>,
}

fn held(path: &Path, watch: &Arc<Watch>) -> Source {
    Source::new(Held { file: FileOrigin::new(path), bytes: OnceLock::new(), watch: Arc::downgrade(watch) })
}

impl Held {
    /// Its bytes; `None` where it is long or cannot be read, which is then said by reading it directly.
    fn bytes(&self) -> Option<&Arc<Vec<u8>>> {
        let read = || {
            let bytes = self.file.byte_count().ok().filter(|&bytes| bytes <= HELD)?;
            let mut held = Vec::with_capacity(usize::try_from(bytes).ok()? + 1);
            // One that grows while it is read is not held without end.
            self.file.open_at(0).ok()?.take(HELD + 1).read_to_end(&mut held).ok()?;
            (held.len() as u64 <= HELD).then(|| Arc::new(held))
        };
        self.bytes.get_or_init(read).as_ref()
    }
}

/// Shared bytes as a cursor takes them.
struct Shared(Arc<Vec<u8>>);

impl AsRef<[u8]> for Shared {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

impl Origin for Held {
    fn name(&self) -> &str {
        self.file.name()
    }

    fn byte_count(&self) -> io::Result<u64> {
        self.bytes().map_or_else(|| self.file.byte_count(), |bytes| Ok(bytes.len() as u64))
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let Some(bytes) = self.bytes() else { return self.file.open_at(position) };
        let mut cursor = Cursor::new(Shared(Arc::clone(bytes)));
        cursor.set_position(position);
        Ok(Box::new(cursor))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        let watch = self.watch.upgrade()?;
        let bare = Path::new(name).file_name().filter(|bare| *bare == name)?;
        let path = self.file.path().with_file_name(bare);
        if path == watch.path {
            return Some(held(&path, &watch));
        }
        let mut beside = watch.beside.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = beside.iter().find(|known| known.name == name) {
            return known.source.clone();
        }
        let state = State::of(&path);
        let source = state.map(|_| held(&path, &watch));
        beside.push(Beside { name: name.to_owned(), state, source: source.clone() });
        source
    }
}
