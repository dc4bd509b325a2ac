//! A file that appears whole or not at all.
//!
//! On Linux it has no name until it is whole, so that whatever ends the program (Ctrl-C, kill -9, loss of power)
//! leaves nothing behind. Elsewhere, and on file systems that know no such files, it is a temporary file.

#[cfg(target_os = "linux")]
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::temporary::{self, NamedFile};

/// A file on its way to its place.
#[derive(Debug)]
pub(super) struct Whole {
    path: PathBuf,
    form: Form,
}

#[derive(Debug)]
enum Form {
    #[cfg(target_os = "linux")]
    Unnamed(File),
    Named(NamedFile),
}

impl Whole {
    /// Begins a file in the folder of its place.
    pub(super) fn begin(path: &Path) -> io::Result<Self> {
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        Ok(Self { path: path.to_owned(), form: form_in(folder)? })
    }

    /// Puts the file in its place; one that is there already is replaced.
    pub(super) fn finish(self) -> io::Result<()> {
        match self.form {
            #[cfg(target_os = "linux")]
            Form::Unnamed(file) => unnamed::give_name(&file, &self.path),
            Form::Named(file) => temporary::put(file, &self.path),
        }
    }
}

impl Write for Whole {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.form {
            #[cfg(target_os = "linux")]
            Form::Unnamed(file) => file.write(bytes),
            Form::Named(file) => file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn form_in(folder: &Path) -> io::Result<Form> {
    #[cfg(target_os = "linux")]
    if let Some(file) = unnamed::in_folder(folder) {
        return Ok(Form::Unnamed(file));
    }
    temporary::file_in(folder).map(Form::Named)
}

#[cfg(target_os = "linux")]
mod unnamed {
    use std::fs::{self, File};
    use std::io;
    use std::os::fd::AsRawFd;
    use std::path::{Path, PathBuf};
    use std::sync::atomic::{AtomicU32, Ordering};

    use rustix::fs::{AtFlags, CWD, Mode, OFlags};

    /// A file without a name; `None` where the file system knows none or there is no way to name it later.
    pub(super) fn in_folder(folder: &Path) -> Option<File> {
        let mode = Mode::from_raw_mode(0o666);
        let file = File::from(rustix::fs::open(folder, OFlags::TMPFILE | OFlags::RDWR | OFlags::CLOEXEC, mode).ok()?);
        handle(&file).exists().then_some(file)
    }

    pub(super) fn give_name(file: &File, path: &Path) -> io::Result<()> {
        match link(file, path) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            other => return other,
        }
        // A link replaces nothing, a new name does.
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let other = path.with_file_name(format!(".linewake-{}-{number}.part", std::process::id()));
        link(file, &other)?;
        fs::rename(&other, path).inspect_err(|_| {
            let _ = fs::remove_file(&other);
        })
    }

    fn link(file: &File, path: &Path) -> io::Result<()> {
        Ok(rustix::fs::linkat(CWD, handle(file), CWD, path, AtFlags::SYMLINK_FOLLOW)?)
    }

    fn handle(file: &File) -> PathBuf {
        format!("/proc/self/fd/{}", file.as_raw_fd()).into()
    }
}
