use std::path::PathBuf;
use std::sync::Mutex;

use clap::Args;

use super::files::captures;
use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Outcome, Run, each_file, tables};
use crate::analysis::inspect::{Inspection, how_read, inspect};
use crate::analysis::observe::Input;
use crate::capture::Account;
use crate::error::{Error, printable};
use crate::read::Source;
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
    /// Show the data block, each column's part and why, the rates weighed, what was left out and what is doubtful
    #[arg(long, help_heading = "Output")]
    explain: bool,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Inspect {
    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let settings = self.capture.settings()?;
        let delivery = Delivery::prepare("inspect", &self.output, false)?;
        let unfit = Mutex::new(Vec::new());
        let explain_only = self.explain && !self.output.json;
        let failed = |source: &Source, error: Error| {
            // A record too short for any analysis can still be explained.
            if let Ok(how) = how_read(source, &settings)
                && let Ok(mut unfit) = unfit.lock()
            {
                unfit.push((source.name().to_owned(), how));
            }
            Err(error)
        };
        let analysed = each_file(console, captures(&self.files), |source| {
            inspect(source, &settings).or_else(|error| if explain_only { failed(source, error) } else { Err(error) })
        });
        for (path, (reading, account)) in unfit.into_inner().unwrap_or_default() {
            let read: String = reading.iter().map(|sentence| format!("  {:<14}{sentence}\n", "read")).collect();
            console.print(&format!("{}: cannot be analysed\n\n{read}", printable(&path)))?;
            explain(console, &account)?;
        }
        let (captures, outcome) = analysed?;
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
            captures.iter().try_for_each(|capture| {
                details(console, capture)?;
                if self.explain { explain(console, &capture.explanation) } else { Ok(()) }
            })
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
    let hash = |input: &Input| input.sha256.clone().unwrap_or_else(|| "not taken".to_owned());
    text += &line("SHA-256", format!("{} ({} bytes)", hash(&capture.input), capture.input.bytes));
    for file in &capture.input.files {
        text += &line("SHA-256", format!("{} ({} bytes) of {}", hash(file), file.bytes, printable(&file.path)));
    }
    for sentence in &capture.reading {
        text += &line("read", sentence.clone());
    }
    for finding in &capture.warnings {
        text += &line(finding.severity.word(), format!("{} [{}]", finding.message, finding.code));
    }
    console.print(&text)?;
    console.table(&tables::inspection(capture))
}

/// How the file was read and why, with the option that settles each point.
fn explain(console: &mut Console, account: &Account) -> Result<(), Error> {
    let mut text = String::from("\nHow this file was read\n");
    for option in &account.beside {
        let force = if option.in_force { "" } else { ", not in force: something nearer goes first" };
        text += &format!("  beside        {} from {}:{}{force}\n", option.key, printable(&option.file), option.line);
    }
    if let Some(block) = &account.block {
        text += &format!(
            "  data          lines {} to {}, {} rows, {} header lines above; {} between cells, decimal {}; {}, lines end in \
             {}\n                option: {}\n",
            block.first_line,
            block.last_line,
            block.rows,
            block.header_lines,
            block.separator,
            block.decimal_mark,
            block.encoding,
            block.line_ends,
            block.option
        );
    }
    for column in &account.columns {
        let name =
            if column.name.is_empty() { "no name".to_owned() } else { format!("\"{}\"", printable(&column.name)) };
        let scale = if (column.scale - 1.0).abs() > 0.0 { format!(", times {}", column.scale) } else { String::new() };
        let unit = if column.unit.is_empty() { String::new() } else { format!(" in {}", column.unit) };
        text += &format!(
            "  column {:<7}{name}: {}{unit}{scale}; {}\n                option: {}\n",
            column.number, column.role, column.why, column.option
        );
    }
    for rate in &account.rates {
        let verdict = match (rate.used, rate.agrees) {
            (true, _) => "taken",
            (false, true) => "agrees",
            (false, false) => "disagrees",
        };
        text += &format!(
            "  rate          {} Hz \u{b1}{:.2e}, from {} ({}): {verdict}\n                option: --sample-rate\n",
            rate.rate_hz,
            rate.rate_hz * rate.relative_uncertainty,
            rate.source,
            printable(&rate.written)
        );
    }
    for skipped in &account.skipped {
        text += &format!("  left out      {skipped}\n");
    }
    for doubt in &account.doubts {
        text += &format!("  doubtful      {}\n                option: {}\n", doubt.what, doubt.option);
    }
    console.print(&text)
}
