use std::path::PathBuf;

use clap::Args;

use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file};
use crate::analysis::waveform::{COLUMNS, Stretch, waveform};
use crate::error::Error;
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};

/// What do wire and air look like in time, with the mains removed?
///
/// Wire above air, as captured and with the mains removed, on a mains-phase axis; several captures stand side by
/// side on the same scales. Write the picture with -o waveform.png.
#[derive(Debug, Args)]
pub(super) struct Waveform {
    /// Captures, such as off, on, on with a filter
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// How many whole mains periods to show
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=1000))]
    cycles: u32,
    /// How finely: so many columns at least, each with its lowest and highest sample; a page can be looked into so far
    #[arg(long, value_name = "N", default_value_t = COLUMNS, value_parser = columns)]
    columns: usize,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Waveform {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "What do wire and air look like, off, on, and on with the filter?",
            line: "linewake waveform demo/captures/background-1.csv demo/captures/led-panel-on-1.csv demo/captures/led-panel-on-filter-1.csv -o waveform.png",
        },
        Example {
            answers: "What happens within one mains cycle?",
            line: "linewake waveform demo/captures/led-panel-on-1.csv --cycles 1 -o cycle.svg",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let mut settings = self.capture.settings()?;
        // The high-pass settles on what lies before the stretch shown, so all is read from the first sample on.
        let stretch =
            Stretch { cycles: self.cycles, from_s: std::mem::take(&mut settings.from_s), columns: self.columns };
        let delivery = Delivery::prepare("waveform", &self.output, true)?;
        let (done, outcome) = each_file(console, &self.files, |source| waveform(source, &settings, stretch))?;
        let (inputs, captures): (Vec<_>, Vec<_>) = done.into_iter().unzip();
        let inputs = inputs.concat();
        console
            .findings(captures.iter().flat_map(|c| c.warnings.iter().map(|finding| (Some(c.path.as_str()), finding))));
        let forms = Forms {
            settings: super::with(&settings, "stretch", &stretch)?,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| pictures::waveform(&captures, &settings)),
            columns: &|| columns::waveforms(&captures),
        };
        delivery.deliver(console, forms, |console| console.sentences(&sentences::of_waveform(&captures)))?;
        Ok(outcome)
    }
}

fn columns(text: &str) -> Result<usize, String> {
    let count = text.parse().ok().filter(|count| (100..=100_000).contains(count));
    count.ok_or_else(|| "expected a whole number from 100 to 100000".into())
}
