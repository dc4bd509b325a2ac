use std::path::PathBuf;

use clap::Args;

use super::files::{source, write_example};
use super::options::OutputOptions;
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run};
use crate::analysis::response::{ResponseSettings, Weights, response};
use crate::error::{Error, printable};
use crate::read::readings::EXAMPLE;
use crate::report::response as report;

/// Is this indicator linear in voltage and in frequency, and up to where?
///
/// READINGS.csv holds what an indicator (a plug-in meter, a probe, a receiver) showed at set voltages and frequencies of
/// a generator's sine: a header such as voltage_mv,frequency_khz,reading and a row for each reading; the same settings
/// may be read more than once. Straight lines over voltage and over frequency, one gain for all, the end of the linear
/// range, contours of equal reading, and what the same sines are as slew_rms and slew_mean_abs of "bands".
#[derive(Debug, Args)]
pub(super) struct Response {
    /// The table of readings
    #[arg(value_name = "READINGS.csv", required_unless_present = "new", conflicts_with = "new")]
    file: Option<PathBuf>,
    /// Print an invented table of readings to begin with, or write it with -o FILE.csv
    #[arg(long, conflicts_with = "json")]
    new: bool,
    /// The linear range ends where readings leave their line by so many percent of it
    #[arg(long, value_name = "PERCENT", default_value = "5", value_parser = percent)]
    tolerance: f64,
    /// What a reading counts: equal, relative (scatter in proportion to the signal, beside the indicator's steps) or stated (a column uncertainty)
    #[arg(long, value_name = "WORD", default_value = "equal")]
    weights: Weights,
    /// Let readings that went wrong count less (Huber's function)
    #[arg(long)]
    robust: bool,
    #[command(flatten)]
    output: OutputOptions,
}

fn percent(text: &str) -> Result<f64, String> {
    let refuse = || format!("\"{}\" is no tolerance; expected percent from 0.01 to 50, such as 5", printable(text));
    let value: f64 = text.trim_end_matches('%').trim().parse().map_err(|_| refuse())?;
    if (0.01..=50.0).contains(&value) { Ok(value / 100.0) } else { Err(refuse()) }
}

impl Run for Response {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "How are readings written down? (an invented table, to be replaced)",
            line: "linewake response --new -o readings.csv",
        },
        Example {
            answers: "Is the indicator linear, and up to where?",
            line: "linewake response readings.csv --weights relative --tolerance 3 -o response.png",
        },
        Example {
            answers: "The same with readings among them that went wrong",
            line: "linewake response readings.csv --robust",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let Some(file) = &self.file else {
            match &self.output.output {
                None => console.print(EXAMPLE)?,
                Some(path) => {
                    write_example(path, "a table of readings", "csv", EXAMPLE, self.output.force)?;
                    console.print(&format!("Readings, ready to be changed: {}\n", path.display()))?;
                }
            }
            return Ok(Outcome::Done);
        };
        let delivery = Delivery::prepare("response", &self.output, true)?;
        let settings = ResponseSettings { tolerance: self.tolerance, weights: self.weights, robust: self.robust };
        let (input, found) = response(&source(file), settings)?;
        console.findings(found.warnings.iter().map(|finding| (None, finding)));
        let forms = Forms {
            settings,
            inputs: &[input],
            body: &found,
            figure: Some(&|| report::figure(&found)),
            columns: &|| report::columns(&found),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&report::sentences(&found))?;
            report::tables(&found).iter().try_for_each(|table| console.table(table))
        })?;
        Ok(Outcome::Done)
    }
}
