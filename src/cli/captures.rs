//! Which captures a batch is about: files, folders, lists, and the share of one machine among several.

use std::collections::HashSet;
use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};

use walkdir::WalkDir;

use super::temporary::canonical;
use crate::error::{Error, printable};
use crate::read::FORMATS;

/// The paths of a list, one a line; `-` is the standard input.
///
/// # Errors
/// What cannot be read, with its line.
pub(super) fn listed(list: &Path) -> Result<Vec<PathBuf>, Error> {
    let is_input = list.as_os_str() == "-";
    let name = if is_input { "standard input".to_owned() } else { list.display().to_string() };
    let failed = |error: &io::Error| Error::input(format!("cannot be read: {error}")).in_file(name.clone());
    let lines: Box<dyn BufRead> = if is_input {
        Box::new(io::stdin().lock())
    } else {
        Box::new(BufReader::new(File::open(list).map_err(|e| failed(&e).remedy("check the path"))?))
    };
    let mut paths = Vec::new();
    for (number, line) in lines.split(b'\n').enumerate() {
        let line = line.map_err(|e| failed(&e))?;
        let text = String::from_utf8(line).map_err(|_| {
            failed(&io::Error::other("a path that is no UTF-8"))
                .at_line(number as u64 + 1, None)
                .expected("one path a line")
        })?;
        let text = text.strip_suffix('\r').unwrap_or(&text);
        if !text.trim().is_empty() {
            paths.push(PathBuf::from(text));
        }
    }
    Ok(paths)
}

/// The files named, and those in the folders named whose ending some format knows, in natural order within each
/// folder. What lies in `left_out` is no capture. What could not be looked into comes beside them.
///
/// # Errors
/// A folder without any capture.
pub(super) fn captures_in(paths: &[PathBuf], left_out: Option<&Path>) -> Result<(Vec<PathBuf>, Vec<Error>), Error> {
    let left_out = left_out.and_then(canonical);
    let is_left_out = |path: &Path| left_out.is_some() && canonical(path) == left_out;
    let (mut files, mut unseen) = (Vec::new(), Vec::new());
    for path in paths {
        if path.is_dir() {
            let mut found: Vec<PathBuf> = WalkDir::new(path)
                .into_iter()
                .filter_entry(|entry| !(entry.file_type().is_dir() && is_left_out(entry.path())))
                .filter_map(|entry| entry.map_err(|error| unseen.push(not_looked_into(path, &error))).ok())
                .filter(|entry| entry.file_type().is_file() && has_known_ending(entry.path()))
                .map(walkdir::DirEntry::into_path)
                .collect();
            alphanumeric_sort::sort_path_slice(&mut found);
            if found.is_empty() && unseen.is_empty() {
                return Err(Error::input("holds no capture").in_file(path.display().to_string()).expected(format!(
                    "files that end in {}",
                    FORMATS.iter().flat_map(|f| f.extensions).map(|e| format!(".{e}")).collect::<Vec<_>>().join(", ")
                )));
            }
            files.extend(found);
        } else {
            files.push(path.clone());
        }
    }
    Ok((files, unseen))
}

fn not_looked_into(folder: &Path, error: &walkdir::Error) -> Error {
    let place = error.path().unwrap_or(folder).display().to_string();
    let reason = error.io_error().map_or_else(|| error.to_string(), ToString::to_string);
    Error::input(format!("cannot be looked into, and the captures in it are left out: {reason}"))
        .in_file(place)
        .remedy("check who may read the folder, or name the captures themselves")
}

/// The names of captures, each once, in natural order whatever the order they came in.
pub(super) fn in_order(paths: &[PathBuf]) -> Result<Vec<String>, Error> {
    let mut names = HashSet::new();
    for path in paths {
        // A journal is text, and two names must not become one in it.
        let name = path.to_str().ok_or_else(|| {
            Error::input(format!("the name \"{}\" is no UTF-8", printable(&path.to_string_lossy())))
                .expected("names that can stand in a table")
                .remedy("rename the file")
        })?;
        names.insert(name.strip_prefix("./").unwrap_or(name).to_owned());
    }
    let mut names: Vec<String> = names.into_iter().collect();
    sort(&mut names);
    Ok(names)
}

/// Natural order; names that count alike go by their bytes.
pub(super) fn sort(names: &mut [String]) {
    names.sort_unstable_by(|a, b| alphanumeric_sort::compare_str(a, b).then_with(|| a.cmp(b)));
}

/// Packed files count by the ending before that of the packing. The data of a record in two files are read through
/// its configuration, and so do not count by themselves.
fn has_known_ending(path: &Path) -> bool {
    let Some(ending) = path.extension().map(|ending| ending.to_string_lossy().to_lowercase()) else { return false };
    match ending.as_str() {
        "gz" | "zst" => has_known_ending(&path.with_extension("")),
        "dat" if ["cfg", "CFG", "Cfg"].iter().any(|other| path.with_extension(other).is_file()) => false,
        ending => FORMATS.iter().any(|format| format.extensions.contains(&ending)),
    }
}
