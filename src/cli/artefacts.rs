//! What a campaign leaves for data tools: its rows as CSV, JSON lines and Parquet, made from the journal in one pass.
//!
//! Each file appears whole or not at all, and the names carry the shard, so that several machines write into one
//! folder without touching each other's files.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use super::files::failed;
use super::whole::Whole;
use crate::error::Error;
use crate::report::rows::{Record, csv_header, push_csv, push_json};
use crate::spread::Shard;

/// Bytes gathered before they are written.
const BUFFER: usize = 1 << 17;

/// The rows of a shard on their way.
pub(super) struct Artefacts {
    csv: Lines,
    json: Lines,
    parquet: partitions::Partitions,
    settings: String,
}

/// A text file of rows.
struct Lines {
    path: PathBuf,
    out: Whole,
    waiting: Vec<u8>,
}

impl Lines {
    fn begin(results: &Path, kind: &str, shard: Shard, ending: &str) -> Result<Self, Error> {
        let folder = results.join(kind);
        let path = folder.join(format!("rows-{shard}.{ending}"));
        let out = fs::create_dir_all(&folder).and_then(|()| Whole::begin(&path)).map_err(|e| failed(&path, &e))?;
        Ok(Self { path, out, waiting: Vec::new() })
    }

    fn flush(&mut self) -> Result<(), Error> {
        self.out.write_all(&self.waiting).map_err(|e| failed(&self.path, &e))?;
        self.waiting.clear();
        Ok(())
    }

    fn flush_when_full(&mut self) -> Result<(), Error> {
        if self.waiting.len() >= BUFFER { self.flush() } else { Ok(()) }
    }

    fn finish(self) -> Result<PathBuf, Error> {
        self.out.finish().map_err(|e| failed(&self.path, &e))?;
        Ok(self.path)
    }
}

impl Artefacts {
    /// Begins all files of a shard. `settings` is the fingerprint that each row carries.
    ///
    /// # Errors
    /// What the disk answers.
    pub(super) fn begin(results: &Path, shard: Shard, settings: &str) -> Result<Self, Error> {
        let mut csv = Lines::begin(results, "csv", shard, "csv")?;
        csv.waiting.extend_from_slice(csv_header().as_bytes());
        Ok(Self {
            csv,
            json: Lines::begin(results, "jsonl", shard, "jsonl")?,
            parquet: partitions::Partitions::new(results, shard),
            settings: settings.to_owned(),
        })
    }

    /// Takes the rows of a capture.
    ///
    /// # Errors
    /// A full disk.
    pub(super) fn push(&mut self, record: &Record) -> Result<(), Error> {
        for row in record.rows(&self.settings) {
            push_csv(&row, &mut self.csv.waiting)?;
            push_json(&row, &mut self.json.waiting)?;
            self.parquet.push(&row)?;
        }
        self.csv.flush_when_full()?;
        self.json.flush_when_full()
    }

    /// Puts all files in their places, and takes away parts of an earlier run that are empty now.
    ///
    /// # Errors
    /// A full disk, a folder that has vanished.
    pub(super) fn finish(mut self) -> Result<Vec<PathBuf>, Error> {
        // Whatever may fill the disk comes before the first file is replaced.
        self.csv.flush()?;
        self.json.flush()?;
        self.parquet.end()?;
        let mut paths = vec![self.csv.finish()?, self.json.finish()?];
        paths.extend(self.parquet.finish()?);
        Ok(paths)
    }
}

#[cfg(feature = "columnar")]
mod partitions {
    use std::collections::BTreeMap;
    use std::io::{self, BufWriter};
    use std::path::{Path, PathBuf};

    use super::{Shard, Whole, failed};
    use crate::error::Error;
    use crate::report::parquet::ParquetRows;
    use crate::report::rows::{ROLE, Row};

    /// Parquet files by role, each in a folder `role=wire` and so on: wire and air are never taken together, and a
    /// query about one of them does not open the files of the other.
    pub(super) struct Partitions {
        folder: PathBuf,
        file: String,
        open: BTreeMap<String, ParquetRows<BufWriter<Whole>>>,
        ended: Vec<(PathBuf, Whole)>,
    }

    /// A file that fills in large steps.
    fn buffered(path: &Path) -> io::Result<BufWriter<Whole>> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder)?;
        }
        Ok(BufWriter::with_capacity(super::BUFFER, Whole::begin(path)?))
    }

    impl Partitions {
        pub(super) fn new(results: &Path, shard: Shard) -> Self {
            Self {
                folder: results.join("parquet"),
                file: format!("rows-{shard}.parquet"),
                open: BTreeMap::new(),
                ended: Vec::new(),
            }
        }

        fn path(&self, role: &str) -> PathBuf {
            self.folder.join(format!("{ROLE}={role}")).join(&self.file)
        }

        pub(super) fn push(&mut self, row: &Row<'_>) -> Result<(), Error> {
            let role = row.role();
            if !self.open.contains_key(role) {
                let path = self.path(role);
                let rows = ParquetRows::new(buffered(&path).map_err(|e| failed(&path, &e))?)?;
                self.open.insert(role.to_owned(), rows);
            }
            self.open.get_mut(role).map_or(Ok(()), |rows| rows.push(row))
        }

        /// Writes all there is; nothing is in its place yet.
        pub(super) fn end(&mut self) -> Result<(), Error> {
            for (role, rows) in std::mem::take(&mut self.open) {
                let path = self.path(&role);
                let whole = rows.finish()?.into_inner().map_err(|e| failed(&path, e.error()))?;
                self.ended.push((path, whole));
            }
            Ok(())
        }

        pub(super) fn finish(self) -> Result<Vec<PathBuf>, Error> {
            let mut paths = Vec::new();
            for (path, whole) in self.ended {
                whole.finish().map_err(|e| failed(&path, &e))?;
                paths.push(path);
            }
            let Ok(folders) = std::fs::read_dir(&self.folder) else { return Ok(paths) };
            for folder in folders.filter_map(Result::ok) {
                let old = folder.path().join(&self.file);
                if !paths.contains(&old) && old.exists() {
                    std::fs::remove_file(&old).map_err(|e| failed(&old, &e))?;
                }
            }
            Ok(paths)
        }
    }
}

#[cfg(not(feature = "columnar"))]
mod partitions {
    use std::path::{Path, PathBuf};

    use super::Shard;
    use crate::error::Error;
    use crate::report::rows::Row;

    /// Built without Parquet: no such files.
    pub(super) struct Partitions;

    impl Partitions {
        pub(super) fn new(_results: &Path, _shard: Shard) -> Self {
            Self
        }

        pub(super) fn push(&mut self, _row: &Row<'_>) -> Result<(), Error> {
            Ok(())
        }

        pub(super) fn end(&mut self) -> Result<(), Error> {
            Ok(())
        }

        pub(super) fn finish(self) -> Result<Vec<PathBuf>, Error> {
            Ok(Vec::new())
        }
    }
}
