use std::path::PathBuf;

use clap::Args;

use super::options::{AcceptanceOptions, CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, tables};
use crate::analysis::acceptance;
use crate::analysis::compare::what_is_added;
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::report::{columns, pictures, sentences};

/// What does this lamp or appliance add?
///
/// Each band with the load off and on, the rise with its 95 % interval, and what is added where an addition is
/// shown. A load that adds nothing reads "no difference shown", with the smallest addition that would have been.
#[derive(Debug, Args)]
pub(super) struct Added {
    /// Captures with the load off
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    off: Vec<PathBuf>,
    /// Captures with the load on
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    on: Vec<PathBuf>,
    /// The captures were taken alternately, off, on, off, on, and are named in that order: use the differences of pairs
    #[arg(long)]
    paired: bool,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "2k")]
    bands: Scheme,
    /// Show what contributes to the uncertainty of the whole range; a CSV file then holds that
    #[arg(long)]
    budget: bool,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    acceptance: AcceptanceOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Added {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "What does the lamp add?",
            line: "linewake added --off demo/captures/background-?.csv --on demo/captures/led-panel-on-?.csv --bands wide -o added.png",
        },
        Example {
            answers: "The same from captures that were taken alternately",
            line: "linewake added --paired --off demo/captures/background-?.csv --on demo/captures/led-panel-on-?.csv --bands wide",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("added", None)?;
        let mut settings = self.capture.settings()?;
        let delivery = Delivery::prepare("added", &self.output, true)?;
        settings.fingerprints = delivery.has_document();
        let (inputs, comparison) = what_is_added(
            &console.captures(&self.off),
            &console.captures(&self.on),
            &settings,
            &self.bands,
            super::order(self.paired),
        )?;
        console.findings(comparison.warnings.iter().map(|warning| (warning.path.as_deref(), &warning.finding)));
        let mut in_force = super::with(&settings, "bands", &self.bands)?;
        self.acceptance.put_into(&mut in_force);
        let forms = Forms {
            settings: in_force,
            inputs: &inputs,
            body: &comparison,
            figure: Some(&|| pictures::additions(&comparison, &settings)),
            columns: &|| {
                if self.budget { columns::comparison_budgets(&comparison) } else { columns::additions(&comparison) }
            },
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&sentences::of_addition(&comparison))?;
            comparison.channels.iter().try_for_each(|channel| {
                console.table(&tables::additions(channel))?;
                let budgets = tables::budgets(channel, "uncertainty of the rise");
                budgets.iter().filter(|_| self.budget).try_for_each(|table| console.table(table))
            })
        })?;
        self.acceptance.judge(console, "added", Outcome::Done, || acceptance::of_additions(&comparison))
    }
}
