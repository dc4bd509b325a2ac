use std::path::PathBuf;

use clap::Args;

use super::files::sources;
use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Outcome, Run, each_file, tables};
use crate::analysis::inspect::{Inspection, inspect};
use crate::error::Error;
use crate::report::columns;
use crate::report::document::Captures;

/// What is in this capture, and can it carry a 2 to 150 kHz result?
///
/// Answers first, in one line a file: fit, fit with limits, or not fit, and why. Then how the file was read, its
/// channels, and what to know of them.
#[derive(Debug, Args)]
pub(super) struct Inspect {
    /// Captures
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Inspect {
    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let settings = self.capture.settings()?;
        let delivery = Delivery::prepare("inspect", &self.output, false)?;
        let (captures, outcome) = each_file(console, sources(&self.files), |source| inspect(source, &settings))?;
        let inputs: Vec<_> = captures.iter().flat_map(|capture: &Inspection| capture.inputs()).collect();
        let forms = Forms {
            settings: &settings,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: None,
            columns: &|| columns::inspections(&captures),
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.print(&format!("{}: {}\n", crate::error::printable(&capture.input.path), capture.summary))?;
            }
            captures.iter().try_for_each(|capture| details(console, capture))
        })?;
        Ok(outcome)
    }
}

fn details(console: &mut Console, capture: &Inspection) -> Result<(), Error> {
    let line = |name: &str, value: String| format!("  {name:<14}{value}\n");
    let mut text = format!("\n{}\n", crate::error::printable(&capture.input.path));
    text += &line("format", format!("{}, {}", capture.format, capture.layout));
    text += &line(
        "clock",
        format!("{} samples a second, from {}", capture.sample_rate_hz, capture.sample_rate_source.words()),
    );
    text += &line(
        "record",
        format!("{} samples, {:.6} s from {:.6} s on", capture.samples, capture.duration_s, capture.start_s),
    );
    text += &line("mains", capture.mains.words());
    text += &line("SHA-256", format!("{} ({} bytes)", capture.input.sha256, capture.input.bytes));
    for sentence in &capture.reading {
        text += &line("read", sentence.clone());
    }
    for finding in &capture.warnings {
        text += &line(finding.severity.word(), format!("{} [{}]", finding.message, finding.code));
    }
    console.print(&text)?;
    console.table(&tables::inspection(capture))
}
