use std::path::{Path, PathBuf};

use clap::Args;

use super::terminal::Console;
use super::whole::Whole;
use super::{Example, Outcome, Run};
use crate::analysis::self_test::{Installation, self_test};
use crate::error::Error;
use crate::report::document::{Document, made_by};
use crate::report::figure::{Axis, Figure, Panel, Row, Series, Shape, Style, png};
use crate::report::{sentences, tables};
use crate::spread;

/// Is this installation sound?
///
/// Version, machine, cores, memory, fonts, a folder to write in; then a self-test: known sine and noise in, error out.
/// Ends with status 1 when something is not as it must be.
#[derive(Debug, Args)]
pub(super) struct Doctor {
    /// The folder that results are to be written in
    #[arg(value_name = "DIR", default_value = ".")]
    folder: PathBuf,
    /// Print one JSON document instead of tables
    #[arg(long, help_heading = "Output")]
    json: bool,
}

impl Run for Doctor {
    const EXAMPLES: &'static [Example] = &[
        Example { answers: "Is this installation sound, and can results be written here?", line: "linewake doctor" },
        Example { answers: "The same for a program to read", line: "linewake doctor --json" },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let installation = examine(&self.folder)?;
        if self.json {
            let settings = serde_json::json!({ "folder": installation.folder });
            console.print(&Document::new("doctor", settings, &[], &installation).to_text()?)?;
        } else {
            console.sentences(&[sentences::of_installation(&installation)])?;
            console.table(&tables::installation(&installation))?;
            console.table(&tables::self_test(&installation.self_test))?;
        }
        Ok(if installation.sound { Outcome::Done } else { Outcome::Partly })
    }
}

fn examine(folder: &Path) -> Result<Installation, Error> {
    let features = [
        ("parallel", cfg!(feature = "parallel")),
        ("columnar", cfg!(feature = "columnar")),
        ("arrow", cfg!(feature = "arrow")),
    ];
    let can_be_written = Whole::begin(&folder.join("linewake-doctor")).is_ok();
    let self_test = self_test()?;
    let sound = can_be_written && self_test.iter().all(|check| check.passed);
    Ok(Installation {
        version: env!("CARGO_PKG_VERSION"),
        system: std::env::consts::OS,
        processor: std::env::consts::ARCH,
        features: features.into_iter().filter(|(_, there)| *there).map(|(name, _)| name).collect(),
        threads: spread::width(),
        memory_bytes: memory(),
        folder: folder.display().to_string(),
        folder_can_be_written: can_be_written,
        picture_bytes: picture()?,
        self_test,
        sound,
    })
}

/// The memory of the machine where the system tells it in a file.
fn memory() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix("MemTotal:"))?;
    line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok().map(|kilobytes| 1024 * kilobytes)
}

/// Draws a small picture with words in it; the font is part of the program.
fn picture() -> Result<usize, Error> {
    let line = Series::new("a line", Style::Wire, Shape::Line(vec![(2e3, 20.0), (150e3, 60.0)]));
    let panel = Panel::new("Wire", Axis::frequency(2e3, 150e3), Axis::linear("Level, dBµV")).with(line);
    let figure = Figure { rows: vec![Row::new(vec![panel])], width: 600, height: 400, ..Figure::new("Is it drawn?") };
    Ok(png(&figure, &made_by("doctor"))?.len())
}
