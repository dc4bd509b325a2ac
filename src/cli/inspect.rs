use std::path::PathBuf;
use std::sync::Mutex;

use clap::Args;

use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::inspect::{Inspection, how_read, inspect};
use crate::analysis::observe::Input;
use crate::capture::{Account, ColumnAccount, DataBlock, RateCandidate, RateSource};
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
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Is this capture fit for a result, and how was it read?",
            line: "linewake inspect demo/captures/led-panel-on-1.csv",
        },
        Example {
            answers: "Why was each column taken for what it is?",
            line: "linewake inspect demo/captures/led-panel-on-1.csv --explain",
        },
        Example {
            answers: "Which of these captures are fit?",
            line: "linewake inspect demo/captures/background-?.csv demo/captures/led-panel-on-?.csv",
        },
    ];

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
        let analysed = each_file(console, &self.files, |source| {
            inspect(source, &settings).or_else(|error| if explain_only { failed(source, error) } else { Err(error) })
        });
        for (path, (reading, account)) in unfit.into_inner().unwrap_or_default() {
            let read: String = reading.iter().map(|sentence| line("read", sentence)).collect();
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
    let mut entries: Vec<(String, String)> = Vec::new();
    let mut add = |name: &str, value: String| entries.push((name.to_owned(), value));
    add("format", format!("{}, {}", capture.format, capture.layout));
    add("clock", format!("{} samples a second, from {}", capture.sample_rate_hz, capture.sample_rate_source.words()));
    add("record", format!("{} samples, {:.6} s from {:.6} s on", capture.samples, capture.duration_s, capture.start_s));
    add("mains", capture.mains.words());
    let hash = |input: &Input| input.sha256.clone().unwrap_or_else(|| "not taken".to_owned());
    add("SHA-256", format!("{} ({} bytes)", hash(&capture.input), capture.input.bytes));
    for file in &capture.input.files {
        add("SHA-256", format!("{} ({} bytes) of {}", hash(file), file.bytes, printable(&file.path)));
    }
    for sentence in &capture.reading {
        add("read", sentence.clone());
    }
    for finding in &capture.warnings {
        add(finding.severity.word(), format!("{} [{}]", finding.message, finding.code));
    }
    let lines: String = entries.iter().map(|(name, value)| line(name, value)).collect();
    let text = format!("\n{}\n{lines}", printable(&capture.input.path));
    console.entries(&capture.input.path, entries, &text)?;
    console.table(&tables::inspection(capture))
}

/// How the file was read and why, with the option that settles each point.
fn explain(console: &mut Console, account: &Account) -> Result<(), Error> {
    const HEADING: &str = "How this file was read";
    // An entry without a label belongs to the one before it.
    let mut entries: Vec<(String, String)> = Vec::new();
    let mut add = |label: &str, text: String| entries.push((label.to_owned(), text));
    for option in &account.beside {
        let force = if option.in_force { "" } else { ", not in force: something nearer goes first" };
        add("beside", format!("{} from {}:{}{force}", option.key, printable(&option.file), option.line));
    }
    if let Some(block) = &account.block {
        add("data", data_block(block));
        add("", format!("option: {}", block.option));
    }
    for columns in runs(&account.columns) {
        column(columns, account.block.is_some()).into_iter().for_each(|(label, text)| add(&label, text));
    }
    let taken = account.rates.iter().find(|rate| rate.used).map(|rate| rate.rate_hz);
    for candidate in &account.rates {
        add("rate", rate(candidate, taken, account.rates.len()));
    }
    if !account.rates.is_empty() {
        add("", "option: --sample-rate".to_owned());
    }
    for skipped in &account.skipped {
        add("left out", skipped.clone());
    }
    for doubt in &account.doubts {
        add("doubtful", doubt.what.clone());
        add("", format!("option: {}", doubt.option));
    }
    let lines: String = entries.iter().map(|(label, text)| entry(label, text)).collect();
    let mut joined: Vec<(String, String)> = Vec::new();
    for (label, text) in entries {
        match joined.last_mut() {
            Some((_, words)) if label.is_empty() => *words += &format!("; {text}"),
            _ => joined.push((label, text)),
        }
    }
    console.entries(HEADING, joined, &format!("\n{HEADING}\n{lines}"))
}

/// A line with its label.
fn line(label: &str, text: &str) -> String {
    format!("  {label:<14}{text}\n")
}

/// A line with its label; words that find no place on it go on below.
fn entry(label: &str, text: &str) -> String {
    const WIDTH: usize = 100;
    let mut lines = vec![format!("  {label:<13}")];
    for word in text.split(' ') {
        let line = lines.last().map_or(0, |line| line.chars().count());
        if line > 15 && line + 1 + word.chars().count() > WIDTH {
            lines.push(" ".repeat(15));
        }
        if let Some(line) = lines.last_mut() {
            line.push(' ');
            line.push_str(word);
        }
    }
    lines.join("\n") + "\n"
}

fn counted(count: u64, one: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {one}{plural}")
}

fn data_block(block: &DataBlock) -> String {
    let above = match block.header_lines {
        0 => "no line above names the columns".to_owned(),
        1 => "one line above names the columns".to_owned(),
        count => format!("{count} lines above name the columns"),
    };
    format!(
        "lines {} to {}, {}; {above}; {} between cells, decimal {}; {}, lines end in {}",
        block.first_line,
        block.last_line,
        counted(block.rows, "row"),
        block.separator,
        block.decimal_mark,
        block.encoding,
        block.line_ends
    )
}

/// Columns one after the other of which the same is to be said, where they are many; else each by itself.
fn runs(columns: &[ColumnAccount]) -> Vec<&[ColumnAccount]> {
    const MANY: usize = 4;
    let alike = |a: &ColumnAccount, b: &ColumnAccount| {
        let rest = |column: &ColumnAccount| ColumnAccount { number: 0, name: String::new(), ..column.clone() };
        b.number == a.number + 1 && rest(a) == rest(b)
    };
    let each = |run| if <[_]>::len(run) < MANY { run.chunks(1).collect() } else { vec![run] };
    columns.chunk_by(alike).flat_map(each).collect()
}

/// Columns of which the same is to be said: names, part and unit, why, and the options.
fn column(columns: &[ColumnAccount], is_table: bool) -> Vec<(String, String)> {
    let [column, ..] = columns else { return Vec::new() };
    let named = |column: &ColumnAccount| {
        if column.name.is_empty() { "no name".to_owned() } else { format!("\"{}\"", printable(&column.name)) }
    };
    let word = match column.role.as_str() {
        _ if is_table => "column",
        role if role.starts_with("channel") => "channel",
        _ => "array",
    };
    let (label, name) = match columns {
        [.., last] if columns.len() > 1 => {
            (format!("{}-{}", column.number, last.number), format!("{} to {}", named(column), named(last)))
        }
        _ => (column.number.to_string(), named(column)),
    };
    let scale = if (column.scale - 1.0).abs() > 1e-12 {
        format!(", number times {}", digits(column.scale))
    } else {
        String::new()
    };
    let unit = match column.unit.as_str() {
        "" => String::new(),
        "unknown" => ", unit unknown".to_owned(),
        "full scale" => ", in fractions of full scale".to_owned(),
        unit => format!(", in {unit}"),
    };
    vec![
        (format!("{word} {label}"), format!("{name}: {}{unit}{scale}", column.role)),
        (String::new(), format!("why: {}", column.why)),
        (String::new(), format!("option: {}", column.option)),
    ]
}

/// A candidate for the sampling rate, and how it stands to the one that was taken.
fn rate(rate: &RateCandidate, taken: Option<f64>, candidates: usize) -> String {
    let off = taken.map_or(0.0, |taken| rate.rate_hz / taken - 1.0);
    let off = if off.abs() < 1e-12 { String::new() } else { format!(", {:+.2e} relative to the rate taken", off) };
    let verdict = match (rate.used, rate.agrees) {
        (true, _) if rate.source == RateSource::Option.words() => "taken, as an option goes before the file".to_owned(),
        (true, _) if candidates > 1 && rate.source != RateSource::TimeColumn.words() => {
            "taken, as a stated rate goes before printed times".to_owned()
        }
        (true, _) => "taken".to_owned(),
        (false, true) => format!("agrees within its rounding{off}"),
        (false, false) => format!("disagrees by more than its rounding{off}"),
    };
    let half = rate.rate_hz * rate.relative_uncertainty;
    let half = if half > 0.0 { format!(" \u{b1} {half:.1e} Hz") } else { " exactly".to_owned() };
    format!("{} Hz{half}, from {} ({}): {verdict}", digits(rate.rate_hz), rate.source, printable(&rate.written))
}

/// A number without the noise of its last bits.
fn digits(number: f64) -> String {
    format!("{number:.11e}").parse::<f64>().unwrap_or(number).to_string()
}
