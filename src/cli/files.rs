//! Files as sources, and outputs that appear whole or not at all.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::whole::Whole;
use crate::error::Error;
use crate::read::{Origin, Source};

/// A file on disk as a source.
pub(super) struct FileOrigin {
    path: PathBuf,
    name: String,
}

/// A source for a path. Nothing is opened yet.
pub(super) fn source(path: &Path) -> Source {
    Source::new(FileOrigin::new(path))
}

/// Sources for many paths.
pub(super) fn sources(paths: &[PathBuf]) -> Vec<Source> {
    paths.iter().map(|path| source(path)).collect()
}

impl FileOrigin {
    pub(super) fn new(path: &Path) -> Self {
        Self { path: path.to_owned(), name: path.display().to_string() }
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
        Ok(Box::new(file))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        let bare = Path::new(name).file_name().filter(|bare| *bare == name)?;
        let path = self.path.with_file_name(bare);
        path.is_file().then(|| source(&path))
    }
}

/// What kind of file the ending of an output's name asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Png,
    Svg,
    Csv,
    Json,
}

impl Kind {
    const ALL: [(Kind, &'static str); 4] =
        [(Kind::Png, "png"), (Kind::Svg, "svg"), (Kind::Csv, "csv"), (Kind::Json, "json")];

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
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        if !folder.is_dir() {
            return Err(Error::output("there is no folder to write it in")
                .in_file(path.display().to_string())
                .remedy("make the folder first, or name another one"));
        }
        let whole = Whole::begin(path).map_err(|e| failed(path, &e))?;
        Ok(Self { path: path.to_owned(), whole, kind })
    }

    /// Writes the whole and puts it in its place.
    pub(super) fn write(mut self, bytes: &[u8]) -> Result<(), Error> {
        self.whole.write_all(bytes).and_then(|()| self.whole.finish()).map_err(|e| failed(&self.path, &e))
    }
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

/// Writes a TOML file for the user to change; one that is there already is replaced only when it is the same or `force`
/// is given.
pub(super) fn write_example(path: &Path, what: &str, text: &str, force: bool) -> Result<(), Error> {
    let name = path.display().to_string();
    if path.extension().is_none_or(|ending| !ending.eq_ignore_ascii_case("toml")) {
        return Err(Error::usage(format!("{what} is a TOML file")).in_file(name).expected("a name that ends in .toml"));
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
fn made_by(path: &Path, kind: Kind, command: &str) -> bool {
    let mut head = Vec::new();
    let read = File::open(path).and_then(|file| file.take(512).read_to_end(&mut head));
    let holds = |needle: &str| head.windows(needle.len()).any(|window| window == needle.as_bytes());
    let starts = |start: &[u8]| head.starts_with(start);
    read.is_ok()
        && match kind {
            Kind::Png => starts(b"\x89PNG") && holds(&crate::report::document::made_by(command)),
            Kind::Svg => starts(b"<") && holds(&crate::report::document::made_by(command)),
            Kind::Json => holds("\"tool\": \"linewake\"") && holds(&format!("\"command\": \"{command}\"")),
            // The budget and the groups of a command, and the course of a reading, go into files of their own kind.
            Kind::Csv => [command, "budget", "groups", "course"]
                .into_iter()
                .filter_map(crate::report::columns::header_of)
                .any(|header| starts(header.as_bytes())),
        }
}
