//! Files and folders on their way to a place, in the folder that a page gives: it is held in memory, nobody else is in
//! it, and there are no links.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// A name that nothing else has.
fn hidden_in(folder: &Path) -> PathBuf {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    folder.join(format!(".linewake-{}.part", COUNT.fetch_add(1, Ordering::Relaxed)))
}

/// A hidden file.
#[derive(Debug)]
pub(super) struct NamedFile {
    path: PathBuf,
    file: File,
}

impl Write for NamedFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Drop for NamedFile {
    fn drop(&mut self) {
        // One that was put in its place is not there any more.
        let _ = fs::remove_file(&self.path);
    }
}

/// A hidden file in a folder; it goes with its value unless it was put in its place.
pub(super) fn file_in(folder: &Path) -> io::Result<NamedFile> {
    let path = hidden_in(folder);
    Ok(NamedFile { file: File::create_new(&path)?, path })
}

/// Gives a file its name; one that is there already is replaced.
pub(super) fn put(file: NamedFile, path: &Path) -> io::Result<()> {
    fs::rename(&file.path, path)
}

/// A hidden folder.
pub(super) struct Folder(PathBuf);

impl Folder {
    pub(super) fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What stays goes with the memory.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// A hidden folder in a folder; it goes with its value.
pub(super) fn folder_in(folder: &Path) -> io::Result<Folder> {
    let path = hidden_in(folder);
    fs::create_dir(&path)?;
    Ok(Folder(path))
}

/// There is no place for a file without a name.
pub(super) fn unnamed() -> io::Result<File> {
    Err(io::Error::other("a page has no standard input"))
}

/// The one path of what is there, whatever way leads to it; `None` where nothing is.
pub(super) fn canonical(path: &Path) -> Option<PathBuf> {
    path.exists().then(|| {
        path.components().fold(PathBuf::from("/"), |mut whole, part| {
            match part {
                Component::ParentDir => {
                    whole.pop();
                }
                Component::Normal(name) => whole.push(name),
                _ => {}
            }
            whole
        })
    })
}
