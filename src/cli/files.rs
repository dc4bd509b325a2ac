//! Files as sources, and outputs that appear whole or not at all.

use std::fs::{self, File};
use std::io::{self, BufWriter, IsTerminal, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock};

use super::temporary::{self, canonical};
use super::terminal::Reading;
use super::whole::Whole;
use crate::error::Error;
use crate::read::{Origin, Source};
use crate::write::{Folder, Sink};

/// A file on disk as a source.
pub(super) struct FileOrigin {
    path: PathBuf,
    name: String,
    /// Who wants to know how much is read.
    reading: Option<Arc<Reading>>,
}

/// A source for a path. Nothing is opened yet.
pub(super) fn source(path: &Path) -> Source {
    Source::new(FileOrigin::new(path))
}

/// A source for a capture: a path, or `-` for standard input. Nothing is opened or read yet.
pub(super) fn capture(path: &Path) -> Source {
    if path == Path::new(STANDARD_INPUT) { Source::new(StandardInput(OnceLock::new())) } else { source(path) }
}

/// Sources for captures, with who wants to know how much of them is read.
pub(super) fn captures(paths: &[PathBuf], reading: Option<&Arc<Reading>>) -> Vec<Source> {
    let one = |path: &PathBuf| match reading {
        Some(reading) if path != Path::new(STANDARD_INPUT) => {
            reading.expect(fs::metadata(path).map_or(0, |file| file.len()));
            Source::new(FileOrigin { reading: Some(Arc::clone(reading)), ..FileOrigin::new(path) })
        }
        _ => capture(path),
    };
    paths.iter().map(one).collect()
}

/// Sources for many paths.
pub(super) fn sources(paths: &[PathBuf]) -> Vec<Source> {
    paths.iter().map(|path| source(path)).collect()
}

impl FileOrigin {
    pub(super) fn new(path: &Path) -> Self {
        Self { path: path.to_owned(), name: path.display().to_string(), reading: None }
    }

    /// The same file under a name of its own, such as one relative to another file.
    pub(super) fn named(path: &Path, name: &str) -> Self {
        Self { path: path.to_owned(), name: name.to_owned(), reading: None }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    fn regular(&self) -> io::Result<fs::Metadata> {
        let kind = fs::metadata(&self.path)?;
        if kind.is_dir() {
            return Err(io::Error::other("this is a folder, not a file"));
        }
        if !kind.is_file() {
            return Err(io::Error::other("this is no regular file"));
        }
        Ok(kind)
    }
}

impl Origin for FileOrigin {
    fn name(&self) -> &str {
        &self.name
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.regular()?.len())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        self.regular()?;
        let mut file = File::open(&self.path)?;
        file.seek(SeekFrom::Start(position))?;
        Ok(match &self.reading {
            Some(reading) => Box::new(Told { file, reading: Arc::clone(reading) }),
            None => Box::new(file),
        })
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        let bare = Path::new(name).file_name().filter(|bare| *bare == name)?;
        let path = self.path.with_file_name(bare);
        // Named as this file is: a name relative to something stays so.
        let name = Path::new(&self.name).with_file_name(bare).display().to_string();
        path.is_file().then(|| Source::new(Self { path, name, reading: self.reading.clone() }))
    }

    /// A browser takes it faster than its WebAssembly does, and leaves it in the environment (`browser/worker.js`).
    #[cfg(target_family = "wasm")]
    fn sha256(&self) -> Option<String> {
        std::env::var(format!("sha256 {}", self.path.display())).ok()
    }
}

/// A stream that tells how much of it is read.
struct Told {
    file: File,
    reading: Arc<Reading>,
}

impl Read for Told {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.reading.add(count as u64);
        Ok(count)
    }
}

/// The word for standard input in place of a file.
pub(super) const STANDARD_INPUT: &str = "-";

/// Standard input as a source. What comes in is laid into a file without a name at the first look, because a capture
/// is read more than once and may be of any length.
struct StandardInput(OnceLock<Result<Spool, String>>);

/// A file that several readers share, each with its own position.
#[derive(Clone)]
struct Spool(Arc<Mutex<File>>);

struct SpoolReader {
    spool: Spool,
    position: u64,
}

impl StandardInput {
    fn spool(&self) -> io::Result<Spool> {
        let fill = || {
            let mut input = io::stdin().lock();
            if input.is_terminal() {
                return Err(io::Error::other("nothing is piped into it"));
            }
            let mut file = temporary::unnamed()?;
            io::copy(&mut input, &mut file)?;
            Ok(Spool(Arc::new(Mutex::new(file))))
        };
        let spool = self.0.get_or_init(|| fill().map_err(|error| error.to_string()));
        spool.clone().map_err(io::Error::other)
    }
}

impl Spool {
    fn file(&self) -> io::Result<MutexGuard<'_, File>> {
        self.0.lock().map_err(|_| io::Error::other("a reader of it failed"))
    }
}

impl Read for SpoolReader {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut file = self.spool.file()?;
        file.seek(SeekFrom::Start(self.position))?;
        let count = file.read(buffer)?;
        self.position += count as u64;
        Ok(count)
    }
}

impl Origin for StandardInput {
    fn name(&self) -> &str {
        "standard input"
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.spool()?.file()?.metadata()?.len())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        Ok(Box::new(SpoolReader { spool: self.spool()?, position }))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}

/// What kind of file the ending of an output's name asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Png,
    Svg,
    Csv,
    Json,
    Html,
}

impl Kind {
    const ALL: [(Kind, &'static str); 5] =
        [(Kind::Png, "png"), (Kind::Svg, "svg"), (Kind::Csv, "csv"), (Kind::Json, "json"), (Kind::Html, "html")];

    fn of(path: &Path) -> Result<Self, Error> {
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
        Self::ALL.into_iter().find(|(_, name)| ending.as_deref() == Some(name)).map(|(kind, _)| kind).ok_or_else(|| {
            Error::usage("the ending of the output's name picks its kind")
                .in_file(path.display().to_string())
                .expected(Self::ALL.map(|(_, name)| format!(".{name}")).join(", "))
                .remedy("name the output with one of these endings")
        })
    }
}

/// An output that has its place, but is not there yet.
pub(super) struct Output {
    path: PathBuf,
    whole: Whole,
    pub(super) kind: Kind,
}

impl Output {
    /// Prepares an output before the long work starts: right ending, writable folder, nothing overwritten.
    ///
    /// A file that is there already is replaced only when the same command made it or `force` is given.
    pub(super) fn prepare(path: &Path, command: &str, force: bool) -> Result<Self, Error> {
        let kind = Kind::of(path)?;
        if path.exists() && !force && !made_by(path, kind, command) {
            return Err(Error::output(format!(
                "is there already and was not made by \"{} {command}\"",
                env!("CARGO_PKG_NAME")
            ))
            .in_file(path.display().to_string())
            .remedy("choose another name, or give --force to replace it"));
        }
        folder_of(path)?;
        let whole = Whole::begin(path).map_err(|e| failed(path, &e))?;
        Ok(Self { path: path.to_owned(), whole, kind })
    }

    /// Writes the whole and puts it in its place.
    pub(super) fn write(mut self, bytes: &[u8]) -> Result<(), Error> {
        self.whole.write_all(bytes).and_then(|()| self.whole.finish()).map_err(|e| failed(&self.path, &e))
    }
}

/// Files that come into being together: all of them or none.
///
/// They are written into a folder of their own beside their target, where they can be read back, and moved from there.
pub(super) struct Together {
    target: PathBuf,
    staging: temporary::Folder,
    names: Vec<String>,
}

impl Together {
    /// Prepares files of these names beside a path before the long work starts: no input among them, nothing
    /// overwritten unless `force` is given.
    pub(super) fn prepare(path: &Path, names: &[String], inputs: &[&Path], force: bool) -> Result<Self, Error> {
        let target = folder_of(path)?;
        let inputs: Vec<PathBuf> = inputs.iter().filter_map(|input| canonical(input)).collect();
        for file in names.iter().map(|name| path.with_file_name(name)) {
            let named = |error: Error| Err(error.in_file(file.display().to_string()));
            if canonical(&file).is_some_and(|same| inputs.contains(&same)) {
                return named(Error::usage("is the capture itself").remedy("name another output"));
            }
            if file.is_dir() {
                return named(Error::output("is a folder").expected("the name of a file"));
            }
            if file.exists() && !force {
                let error = Error::output("is there already, and captures are not replaced unasked");
                return named(error.remedy("choose another name, or give --force to replace it"));
            }
        }
        let staging = temporary::folder_in(&target).map_err(|error| failed(path, &error))?;
        Ok(Self { target, staging, names: Vec::new() })
    }

    /// Where a file lies until all are put in their places.
    pub(super) fn staged(&self, name: &str) -> PathBuf {
        self.staging.path().join(name)
    }

    /// A folder for the files.
    pub(super) fn folder(&mut self) -> impl Folder {
        struct Staging<'a>(&'a mut Together);
        impl Folder for Staging<'_> {
            fn create(&mut self, name: &str) -> io::Result<Box<dyn Sink>> {
                let file = File::create_new(self.0.staged(name))?;
                self.0.names.push(name.to_owned());
                Ok(Box::new(BufWriter::with_capacity(1 << 17, file)))
            }
        }
        Staging(self)
    }

    /// Puts all files in their places; when one cannot be put there, those before it are taken back.
    pub(super) fn put(self) -> Result<(), Error> {
        let aside = |name: &str| self.staging.path().join(format!("replaced {name}"));
        for (at, name) in self.names.iter().enumerate() {
            let place = self.target.join(name);
            let put = || {
                if place.exists() {
                    fs::rename(&place, aside(name))?;
                }
                fs::rename(self.staged(name), &place)
            };
            if let Err(error) = put() {
                // What cannot be taken back stays; the first error is the one to tell.
                for name in &self.names[..=at] {
                    let place = self.target.join(name);
                    let _ = fs::rename(&place, self.staged(name));
                    let _ = fs::rename(aside(name), &place);
                }
                return Err(failed(&place, &error));
            }
        }
        Ok(())
    }
}

/// The folder that a file is to be written in.
pub(super) fn folder_of(path: &Path) -> Result<PathBuf, Error> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    if folder.is_dir() {
        return Ok(folder.to_owned());
    }
    Err(Error::output("there is no folder to write it in")
        .in_file(path.display().to_string())
        .remedy("make the folder first, or name another one"))
}

/// Writes a file whole or not at all; one that is there already is replaced.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let put = || {
        let mut whole = Whole::begin(path)?;
        whole.write_all(bytes)?;
        whole.finish()
    };
    put().map_err(|e| failed(path, &e))
}

/// Writes a text file for the user to change; one that is there already is replaced only when it is the same or `force`
/// is given.
pub(super) fn write_example(path: &Path, what: &str, ending: &str, text: &str, force: bool) -> Result<(), Error> {
    let name = path.display().to_string();
    if path.extension().is_none_or(|found| !found.eq_ignore_ascii_case(ending)) {
        let error = Error::usage(format!("{what} is a {} file", ending.to_uppercase()));
        return Err(error.in_file(name).expected(format!("a name that ends in .{ending}")));
    }
    let same = || fs::read(path).is_ok_and(|bytes| bytes == text.as_bytes());
    if path.exists() && !force && !same() {
        return Err(Error::output("is there already")
            .in_file(name)
            .remedy("choose another name, or give --force to replace it"));
    }
    write_whole(path, text.as_bytes())
}

/// The error for a file that cannot be written.
pub(super) fn failed(path: &Path, error: &io::Error) -> Error {
    Error::output(format!("cannot be written: {error}"))
        .in_file(path.display().to_string())
        .remedy("check the folder, its permissions and the free space")
}

/// Whether the head of an existing file says that the same command made it.
pub(super) fn made_by(path: &Path, kind: Kind, command: &str) -> bool {
    // A page states its policy first.
    let length = if kind == Kind::Html { 8192 } else { 512 };
    let mut head = Vec::new();
    let read = File::open(path).and_then(|file| file.take(length).read_to_end(&mut head));
    let holds = |needle: &str| head.windows(needle.len()).any(|window| window == needle.as_bytes());
    let starts = |start: &[u8]| head.starts_with(start);
    read.is_ok()
        && match kind {
            Kind::Png => starts(b"\x89PNG") && holds(&crate::report::document::made_by(command)),
            Kind::Svg => starts(b"<") && holds(&crate::report::document::made_by(command)),
            Kind::Html => starts(b"<!") && holds(&crate::report::document::made_by(command)),
            Kind::Json => holds("\"tool\": \"linewake\"") && holds(&format!("\"command\": \"{command}\"")),
            // The budget and the groups of a command, and the course of a reading, go into files of their own kind.
            Kind::Csv => [command, "budget", "groups", "course", "over_time"]
                .into_iter()
                .filter_map(crate::report::columns::header_of)
                .any(|header| starts(header.as_bytes())),
        }
}
