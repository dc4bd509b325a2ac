//! Which captures a batch is about: files, folders, lists, and the share of one machine among several.

use std::collections::HashSet;
use std::fmt;
use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use sha2::{Digest, Sha256};
use walkdir::WalkDir;

use crate::error::{Error, printable};
use crate::read::FORMATS;

/// One of several shares of the captures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Shard {
    /// Counted from 1.
    pub(super) number: u32,
    pub(super) of: u32,
}

impl Default for Shard {
    fn default() -> Self {
        Self { number: 1, of: 1 }
    }
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let expected = || "expected K/N with K from 1 to N, such as 3/8".to_owned();
        let (number, of) = text.split_once('/').ok_or_else(expected)?;
        let (Ok(number), Ok(of)) = (number.trim().parse(), of.trim().parse()) else { return Err(expected()) };
        if (1..=of).contains(&number) { Ok(Self { number, of }) } else { Err(expected()) }
    }
}

impl fmt::Display for Shard {
    /// As names of files carry it: `3-of-8`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-of-{}", self.number, self.of)
    }
}

impl Shard {
    /// Whether a capture belongs to this share. Its name alone decides, so that captures that come later move none of
    /// the others.
    pub(super) fn holds(self, name: &str) -> bool {
        let hash = Sha256::digest(name.as_bytes());
        let number = hash.iter().take(8).fold(0u64, |number, &byte| number << 8 | u64::from(byte));
        number % u64::from(self.of) == u64::from(self.number - 1)
    }
}

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
/// folder. What lies in `left_out` is no capture.
///
/// # Errors
/// A folder without any capture.
pub(super) fn captures_in(paths: &[PathBuf], left_out: Option<&Path>) -> Result<Vec<PathBuf>, Error> {
    let left_out = left_out.and_then(|folder| folder.canonicalize().ok());
    let is_left_out = |path: &Path| left_out.is_some() && path.canonicalize().ok() == left_out;
    let mut files = Vec::new();
    for path in paths {
        if path.is_dir() {
            let mut found: Vec<PathBuf> = WalkDir::new(path)
                .into_iter()
                .filter_entry(|entry| !(entry.file_type().is_dir() && is_left_out(entry.path())))
                .filter_map(Result::ok)
                .filter(|entry| entry.file_type().is_file() && has_known_ending(entry.path()))
                .map(walkdir::DirEntry::into_path)
                .collect();
            alphanumeric_sort::sort_path_slice(&mut found);
            if found.is_empty() {
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
    Ok(files)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_capture_is_in_one_shard() {
        let names: Vec<String> = (0..1000).map(|n| format!("street/{n}.csv")).collect();
        for of in [1, 2, 3, 7] {
            let shares: Vec<usize> =
                (1..=of).map(|number| names.iter().filter(|name| Shard { number, of }.holds(name)).count()).collect();
            assert_eq!(shares.iter().sum::<usize>(), names.len());
            // Five standard deviations of a share.
            let mean = 1000.0 / f64::from(of);
            assert!(shares.iter().all(|&share| (share as f64 - mean).abs() < 5.0 * mean.sqrt()), "{shares:?}");
        }
    }

    #[test]
    fn shards_out_of_range_are_refused() {
        assert_eq!("2/3".parse(), Ok(Shard { number: 2, of: 3 }));
        for text in ["0/3", "4/3", "1/0", "1", "a/b", "-1/3", "1/3/5", ""] {
            assert!(text.parse::<Shard>().is_err(), "{text}");
        }
    }
}
