use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::terminal::Console;
use super::whole::Whole;
use super::{Outcome, Run};
use crate::analysis::self_test::{Check, self_test};
use crate::error::Error;
use crate::report::document::{Document, made_by};
use crate::report::figure::{Axis, Figure, Panel, Row, Series, Shape, Style, png};
use crate::report::table::{Column, Table};
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

/// What is known of the program and the machine.
#[derive(Debug, Serialize)]
struct Findings {
    system: &'static str,
    processor: &'static str,
    features: Vec<&'static str>,
    threads: usize,
    memory_bytes: Option<u64>,
    folder: String,
    folder_can_be_written: bool,
    picture_bytes: usize,
    self_test: Vec<Check>,
    sound: bool,
}

impl Run for Doctor {
    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let findings = examine(&self.folder)?;
        if self.json {
            let settings = serde_json::json!({ "folder": findings.folder });
            console.print(&Document::new("doctor", settings, &[], &findings).to_text()?)?;
        } else {
            console.sentences(&[verdict(&findings)])?;
            console.table(&installation(&findings))?;
            console.table(&checks(&findings.self_test))?;
        }
        Ok(if findings.sound { Outcome::Done } else { Outcome::Partly })
    }
}

fn examine(folder: &Path) -> Result<Findings, Error> {
    let features = [
        ("parallel", cfg!(feature = "parallel")),
        ("columnar", cfg!(feature = "columnar")),
        ("arrow", cfg!(feature = "arrow")),
    ];
    let can_be_written = Whole::begin(&folder.join("linewake-doctor")).is_ok();
    let self_test = self_test()?;
    let sound = can_be_written && self_test.iter().all(|check| check.passed);
    Ok(Findings {
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

fn verdict(findings: &Findings) -> String {
    if findings.sound {
        return "This installation is sound: known signals come out as they must.".to_owned();
    }
    let failed = findings.self_test.iter().filter(|check| !check.passed).map(|check| check.what);
    let folder = (!findings.folder_can_be_written).then_some("the folder cannot be written");
    format!("This installation is not sound: {}.", failed.chain(folder).collect::<Vec<_>>().join("; "))
}

fn installation(findings: &Findings) -> Table {
    let mut table = Table::new("Installation", vec![Column::text("what"), Column::text("found")]);
    let memory = findings.memory_bytes.map_or("not known".to_owned(), |bytes| format!("{:.1} GB", bytes as f64 / 1e9));
    let writable = if findings.folder_can_be_written { "can be written" } else { "cannot be written" };
    let rows = [
        ("version", env!("CARGO_PKG_VERSION").to_owned()),
        ("system", format!("{}, {}", findings.system, findings.processor)),
        ("built with", findings.features.join(", ")),
        ("threads", findings.threads.to_string()),
        ("memory", memory),
        ("fonts", format!("in the program; a test picture has {} bytes", findings.picture_bytes)),
        ("folder", format!("{}: {writable}", findings.folder)),
    ];
    table.rows = rows.into_iter().map(|(what, found)| vec![what.to_owned(), found]).collect();
    table
}

fn checks(checks: &[Check]) -> Table {
    let columns = vec![
        Column::text("known signal"),
        Column::number("must be", "dB"),
        Column::number("found", "dB"),
        Column::number("error", "dB"),
        Column::number("allowed", "dB"),
        Column::text("verdict"),
    ];
    let mut table = Table::new("Self-test", columns);
    let row = |check: &Check| {
        vec![
            check.what.to_owned(),
            format!("{:.3}", check.expected),
            format!("{:.3}", check.found),
            format!("{:+.3}", check.found - check.expected),
            format!("±{:.2}", check.allowed),
            if check.passed { "as it must be" } else { "wrong" }.to_owned(),
        ]
    };
    table.rows = checks.iter().map(row).collect();
    table
}
