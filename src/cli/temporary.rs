//! Files and folders on their way to a place, and where a path leads.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

pub(super) use tempfile::{NamedTempFile as NamedFile, TempDir as Folder};

const PREFIX: &str = ".linewake-";
const SUFFIX: &str = ".part";

/// A hidden file in a folder; it goes with its value unless it was put in its place.
pub(super) fn file_in(folder: &Path) -> io::Result<NamedFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX);
    // A result is as readable as any other file that the user makes.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder)
}

/// Gives a file its name; one that is there already is replaced.
pub(super) fn put(file: NamedFile, path: &Path) -> io::Result<()> {
    file.persist(path).map(|_| ()).map_err(|e| e.error)
}

/// A hidden folder in a folder; it goes with its value.
pub(super) fn folder_in(folder: &Path) -> io::Result<Folder> {
    tempfile::Builder::new().prefix(PREFIX).suffix(SUFFIX).tempdir_in(folder)
}

/// A file without a name.
pub(super) fn unnamed() -> io::Result<File> {
    tempfile::tempfile()
}

/// The one path of what is there, whatever way leads to it; `None` where nothing is.
pub(super) fn canonical(path: &Path) -> Option<PathBuf> {
    path.canonicalize().ok()
}
