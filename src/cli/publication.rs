//! A page and the folder of its data, which take the place of an older report as wholes.
//!
//! The folder is filled under a hidden name, holds a copy of the page, and is exchanged with the older one in one step
//! where the system can do that (Linux). The page beside it follows, whole as well. Whatever ends the program, page
//! and folder are each the old or the new one; after an end between the two steps the folder is newer than the page
//! beside it, and holds the page that belongs to it.

use std::collections::HashSet;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use super::files::{Kind, failed, folder_of, made_by, write_whole};
use super::temporary::canonical;
use crate::error::Error;
use crate::report::survey::{DataFile, Entry, PACKAGE, paths_of_package};

/// A report on its way to its place.
pub(super) struct Publication {
    page: PathBuf,
    folder: PathBuf,
    staging: PathBuf,
    /// Held as long as the report is made, so that two runs do not fill one folder.
    _lock: Option<File>,
    entries: Mutex<Vec<Entry>>,
}

impl Publication {
    /// Prepares the places before the long work starts: nothing is replaced that another made, and no input lies in the
    /// folder that is replaced.
    ///
    /// # Errors
    /// A place that cannot be used.
    pub(super) fn prepare(command: &str, page: &Path, inputs: &[PathBuf], force: bool) -> Result<Self, Error> {
        let name = || page.display().to_string();
        let ending = page.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        if !matches!(ending.as_deref(), Some("html" | "htm")) || page.file_stem().is_none() {
            return Err(Error::usage("a report is a page").in_file(name()).expected("a name that ends in .html"));
        }
        if page.is_dir() {
            return Err(Error::output("is a folder").in_file(name()).expected("the name of a file"));
        }
        if page.exists() && !force && !made_by(page, Kind::Html, command) {
            return Err(Error::output(format!(
                "is there already and was not made by \"{} {command}\"",
                env!("CARGO_PKG_NAME")
            ))
            .in_file(name())
            .remedy("choose another name, or give --force to replace it"));
        }
        let parent = folder_of(page)?;
        let folder = page.with_extension("");
        let stem = folder.file_name().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let (staging, aside) = (parent.join(format!(".{stem}.part")), parent.join(format!(".{stem}.old")));
        // Where folders cannot be exchanged in one step, an end between two steps leaves the old one aside.
        if aside.is_dir() && !folder.exists() {
            fs::rename(&aside, &folder).map_err(|e| failed(&folder, &e))?;
        }
        check_folder(&folder, inputs, force)?;
        let lock = stage(&staging)?;
        Ok(Self { page: page.to_owned(), folder, staging, _lock: lock, entries: Mutex::default() })
    }

    /// Takes a file of the data folder. May be called from several threads.
    ///
    /// # Errors
    /// A full disk.
    pub(super) fn put(&self, file: &DataFile) -> Result<(), Error> {
        let path = self.staging.join(&file.path);
        let write = || {
            if let Some(folder) = path.parent() {
                fs::create_dir_all(folder)?;
            }
            fs::write(&path, &file.bytes)
        };
        write().map_err(|e| failed(&self.folder.join(&file.path), &e))?;
        self.entries.lock().unwrap_or_else(PoisonError::into_inner).push(file.entry());
        Ok(())
    }

    /// What is in the folder so far.
    pub(super) fn entries(&self) -> Vec<Entry> {
        self.entries.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The page and its folder, once they are in their places.
    pub(super) fn places(&self) -> (&Path, &Path) {
        (&self.page, &self.folder)
    }

    /// Puts the folder in its place, then the page.
    ///
    /// # Errors
    /// What the disk answers; then the old report is still there.
    pub(super) fn finish(&self, page: &[u8], package: &[u8]) -> Result<(), Error> {
        let description = self.staging.join(PACKAGE);
        fs::write(&description, package).map_err(|e| failed(&self.folder.join(PACKAGE), &e))?;
        swap(&self.staging, &self.folder).map_err(|e| failed(&self.folder, &e))?;
        write_whole(&self.page, page)
    }
}

impl Drop for Publication {
    /// Takes away what is not needed any more: the older report, or what there is of one that could not be made.
    fn drop(&mut self) {
        // What stays is hidden, and the next run takes it away.
        let _ = fs::remove_dir_all(&self.staging);
    }
}

/// An empty folder of a hidden name, locked where folders can be.
fn stage(staging: &Path) -> Result<Option<File>, Error> {
    let refused = |e: io::Error| failed(staging, &e);
    match fs::create_dir(staging) {
        Ok(()) => Ok(lock(staging)?),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            // Of a run that was ended, or of one that is at work.
            let lock = lock(staging)?;
            for entry in fs::read_dir(staging).map_err(refused)?.filter_map(Result::ok) {
                let path = entry.path();
                let gone = if path.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
                gone.map_err(refused)?;
            }
            Ok(lock)
        }
        Err(error) => Err(refused(error)),
    }
}

fn lock(staging: &Path) -> Result<Option<File>, Error> {
    // Not every system opens folders, and not every file system knows locks.
    let Ok(folder) = File::open(staging) else { return Ok(None) };
    match folder.try_lock() {
        Err(fs::TryLockError::WouldBlock) => Err(Error::output("another run is making this report")
            .in_file(staging.display().to_string())
            .remedy("wait for it, or name another page with -o")),
        Ok(()) => Ok(Some(folder)),
        Err(fs::TryLockError::Error(_)) => Ok(None),
    }
}

/// Refuses a folder that is not this program's own, that holds more than it made, or that holds an input.
fn check_folder(folder: &Path, inputs: &[PathBuf], force: bool) -> Result<(), Error> {
    let refuse = |found: String, remedy: &str| {
        Err(Error::output(found).in_file(folder.display().to_string()).remedy(remedy.to_owned()))
    };
    const ELSEWHERE: &str = "name another page with -o: its data go into a folder of the same name";
    if folder.is_file() {
        return refuse("is a file, and the data of the report are a folder".into(), ELSEWHERE);
    }
    let Ok(mut entries) = fs::read_dir(folder) else { return Ok(()) };
    if entries.next().is_none() {
        return Ok(());
    }
    let whole = canonical(folder);
    let within = |input: &&PathBuf| canonical(input).zip(whole.as_ref()).is_some_and(|(i, f)| i.starts_with(f));
    if let Some(input) = inputs.iter().find(within) {
        return refuse(format!("would be replaced, and \"{}\" lies in it", input.display()), ELSEWHERE);
    }
    let Some(known) = fs::read(folder.join(PACKAGE)).ok().and_then(|text| paths_of_package(&text)) else {
        return refuse("holds something that is no report of this program".into(), ELSEWHERE);
    };
    let known: HashSet<PathBuf> = known.iter().map(|path| folder.join(path)).chain([folder.join(PACKAGE)]).collect();
    let foreign = walkdir::WalkDir::new(folder)
        .into_iter()
        .filter_map(Result::ok)
        .find(|entry| entry.file_type().is_file() && !known.contains(entry.path()));
    match foreign {
        Some(entry) if !force => refuse(
            format!("holds \"{}\", which the report did not make", entry.path().display()),
            "move that file away, or give --force to replace the folder with all that is in it",
        ),
        _ => Ok(()),
    }
}

/// Puts a folder in the place of another, which then lies where the first one was.
fn swap(new: &Path, place: &Path) -> io::Result<()> {
    if !place.exists() {
        return fs::rename(new, place);
    }
    #[cfg(target_os = "linux")]
    {
        use rustix::fs::{CWD, RenameFlags, renameat_with};
        if renameat_with(CWD, new, CWD, place, RenameFlags::EXCHANGE).is_ok() {
            return Ok(());
        }
    }
    // Systems without such a step: between these two there is no folder, and the next run finds the old one aside.
    let stem = place.file_name().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let aside = place.with_file_name(format!(".{stem}.old"));
    let _ = fs::remove_dir_all(&aside);
    fs::rename(place, &aside)?;
    fs::rename(new, place).inspect_err(|_| {
        let _ = fs::rename(&aside, place);
    })?;
    fs::remove_dir_all(&aside)
}
