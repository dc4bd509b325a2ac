use std::path::PathBuf;

use clap::Args;

use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::transients::{CaptureTransients, transients};
use crate::error::Error;
use crate::measure::transients::Criteria;
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};
use crate::units::Hertz;

/// Which impulses, how often, where in the mains cycle?
///
/// Impulses over a robust estimate of the noise of the high-passed samples: onset, peak, slew, ring frequency and decay
/// by a fit, energy, mains phase, the count in a mains cycle, and which of them wire and air have in common. Long
/// records run in constant memory.
#[derive(Debug, Args)]
pub(super) struct Transients {
    /// Captures
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// How many robust standard deviations of the noise an impulse exceeds
    #[arg(long, value_name = "FACTOR", default_value_t = Criteria::default().threshold, value_parser = factor)]
    threshold: f64,
    /// Impulses closer than this are one, in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = Criteria::default().quiet_s, value_parser = quiet)]
    quiet: f64,
    /// How many impulses of a channel are listed, the strongest; all are counted
    #[arg(long, value_name = "N", default_value_t = Criteria::default().keep, value_parser = keep)]
    keep: usize,
    /// A low-pass, so that a tone above it does not hide slower rings
    #[arg(long, value_name = "HZ")]
    low_pass: Option<Hertz>,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Transients {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Which impulses, how often, where in the mains cycle?",
            line: "linewake transients demo/captures/laptop-adapter-on-1.csv -o transients.png",
        },
        Example {
            answers: "Which rings below 9 kHz, where a stronger tone above hides them?",
            line: "linewake transients demo/captures/heat-pump-fan-on-1.csv --low-pass 9k",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let settings = self.capture.settings()?;
        let criteria = Criteria { threshold: self.threshold, quiet_s: self.quiet, keep: self.keep };
        let delivery = Delivery::prepare("transients", &self.output, true)?;
        let (done, outcome) =
            each_file(console, &self.files, |source| transients(source, &settings, criteria, self.low_pass))?;
        let (inputs, captures): (Vec<_>, Vec<CaptureTransients>) = done.into_iter().unzip();
        let inputs = inputs.concat();
        console
            .findings(captures.iter().flat_map(|c| c.warnings.iter().map(|finding| (Some(c.path.as_str()), finding))));
        let mut map = super::with(&settings, "criteria", &criteria)?;
        map.insert("low_pass_hz".to_owned(), super::json(&self.low_pass)?);
        let forms = Forms {
            settings: map,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| pictures::transients(&captures[0], &settings)),
            columns: &|| columns::transients(&captures),
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.capture(&capture.path)?;
                console.sentences(&sentences::of_transients(capture))?;
                for channel in capture.channels.iter().filter(|channel| channel.count > 0) {
                    console.table(&tables::transients(channel))?;
                }
            }
            Ok(())
        })?;
        Ok(outcome)
    }
}

fn factor(text: &str) -> Result<f64, String> {
    let factor = text.parse().ok().filter(|factor: &f64| (3.0..=1000.0).contains(factor));
    factor.ok_or_else(|| "expected a factor from 3 to 1000, such as 6".into())
}

fn quiet(text: &str) -> Result<f64, String> {
    let seconds = text.parse().ok().filter(|seconds: &f64| (0.0..=0.1).contains(seconds));
    seconds.ok_or_else(|| "expected seconds from 0 to 0.1, such as 0.0003".into())
}

fn keep(text: &str) -> Result<usize, String> {
    let count = text.parse().ok().filter(|count: &usize| (1..=1_000_000).contains(count));
    count.ok_or_else(|| "expected a count from 1 to 1000000".into())
}
