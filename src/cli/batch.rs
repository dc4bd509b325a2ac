use std::collections::HashSet;
use std::path::{Path, PathBuf};

use clap::Args;
use walkdir::WalkDir;

use super::files::capture;
use super::options::{AcceptanceOptions, CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Outcome, Run, tables};
use crate::analysis::acceptance;
use crate::analysis::batch::{Status, batch, row};
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::read::{FORMATS, Source};
use crate::report::{columns, pictures, sentences};
use crate::spread;

/// How do many captures rank?
///
/// Files and folders (with all folders within, in natural order); one row a capture, ranked by the total in the
/// range. Captures whose intervals overlap share a rank. A broken file is a row with its error.
#[derive(Debug, Args)]
pub(super) struct Batch {
    /// Captures and folders of captures
    #[arg(required = true, value_name = "FILE|DIR")]
    paths: Vec<PathBuf>,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "wide")]
    bands: Scheme,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    acceptance: AcceptanceOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Batch {
    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("batch", None)?;
        let settings = self.capture.settings()?;
        let delivery = Delivery::prepare("batch", &self.output, true)?;
        let sources = captures_in(&self.paths)?;
        let progress = console.progress(sources.len());
        let done = spread::map(sources, |source| {
            let done = row(&source, &settings, &self.bands);
            progress.inc(1);
            done
        });
        progress.finish_and_clear();
        let (inputs, rows): (Vec<_>, Vec<_>) = done.into_iter().unzip();
        let mut inputs = inputs.concat();
        // Both files of a pair name each other.
        let mut named = HashSet::new();
        inputs.retain(|input| named.insert(input.path.clone()));
        let result = batch(rows);
        let captures = result.captures.iter();
        console
            .findings(captures.flat_map(|row| row.warnings.iter().map(|finding| (Some(row.path.as_str()), finding))));
        let failed = result.captures.iter().filter(|row| row.status == Status::Failed).count();
        for row in result.captures.iter().filter(|row| row.status == Status::Failed) {
            console.failed(&row.path, row.error.as_deref().unwrap_or_default());
        }
        if failed == result.captures.len() {
            return Err(Error::input("none of the captures could be analysed").remedy("see the reasons above"));
        }
        let mut in_force = super::with(&settings, "bands", &self.bands)?;
        self.acceptance.put_into(&mut in_force);
        let forms = Forms {
            settings: in_force,
            inputs: &inputs,
            body: &result,
            figure: Some(&|| pictures::ranking(&result, &settings)),
            columns: &|| columns::batch(&result),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&sentences::of_batch(&result))?;
            tables::ranking(&result).iter().try_for_each(|table| console.table(table))
        })?;
        let outcome = if failed == 0 { Outcome::Done } else { Outcome::Partly };
        self.acceptance.judge(console, "batch", outcome, || acceptance::of_batch(&result))
    }
}

/// The files named, and those in the folders named whose ending some format knows, in natural order.
fn captures_in(paths: &[PathBuf]) -> Result<Vec<Source>, Error> {
    let mut files = Vec::new();
    for path in paths {
        if path.is_dir() {
            let mut found: Vec<PathBuf> = WalkDir::new(path)
                .into_iter()
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
    Ok(files.iter().map(|path| capture(path)).collect())
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
