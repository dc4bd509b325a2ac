use std::path::PathBuf;

use clap::Args;

use super::options::{AcceptanceOptions, CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, tables};
use crate::analysis::acceptance;
use crate::analysis::compare::{Off, what_changed_of_the_load};
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::report::{columns, pictures, sentences};

/// What did the filter change, on the wire and in the air?
///
/// Each band before and after with the change, its 95 % interval and a verdict: lower, higher, or no change shown.
/// From three captures a side on, the capture is the observation; below that, the mains periods are.
#[derive(Debug, Args)]
pub(super) struct Compare {
    /// Captures before
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    before: Vec<PathBuf>,
    /// Captures after
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    after: Vec<PathBuf>,
    /// Captures with the load off and without the filter: tells the load's own noise from what is there anyway
    #[arg(long, num_args = 1.., value_name = "FILE")]
    off: Vec<PathBuf>,
    /// Captures with the load off and the filter in place, where the filter may act on the line itself
    #[arg(long, num_args = 1.., value_name = "FILE", requires = "off")]
    off_after: Vec<PathBuf>,
    /// The captures were taken alternately, before, after, before, after, and are named in that order: use the differences of pairs
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

impl Run for Compare {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "What did the filter change?",
            line: "linewake compare --before demo/captures/led-panel-on-?.csv --after demo/captures/led-panel-on-filter-?.csv --bands wide -o compare.png",
        },
        Example {
            answers: "What of that is the load's own noise, and not what was on the line anyway?",
            line: "linewake compare --off demo/captures/background-?.csv --off-after demo/captures/background-filter-?.csv --before demo/captures/led-panel-on-?.csv --after demo/captures/led-panel-on-filter-?.csv --bands wide",
        },
        Example {
            answers: "Did the level fall by 20 dB for sure? (status 3 if not)",
            line: "linewake compare --before demo/captures/led-panel-on-?.csv --after demo/captures/led-panel-on-filter-?.csv --bands 50k,95k --fail-on 'wire.change_high>-20'",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("compare", None)?;
        let mut settings = self.capture.settings()?;
        let delivery = Delivery::prepare("compare", &self.output, true)?;
        settings.fingerprints = delivery.has_document();
        let (inputs, comparison) = what_changed_of_the_load(
            Off { before: &console.captures(&self.off), after: &console.captures(&self.off_after) },
            &console.captures(&self.before),
            &console.captures(&self.after),
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
            figure: Some(&|| pictures::changes(&comparison, &settings)),
            columns: &|| {
                if self.budget { columns::comparison_budgets(&comparison) } else { columns::changes(&comparison) }
            },
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&sentences::of_change(&comparison))?;
            for channel in &comparison.channels {
                console.table(&tables::changes(channel))?;
                if let Some(table) = tables::loads(channel) {
                    console.table(&table)?;
                }
                let budgets = tables::budgets(channel, "uncertainty of the change");
                budgets.iter().filter(|_| self.budget).try_for_each(|table| console.table(table))?;
            }
            Ok(())
        })?;
        self.acceptance.judge(console, "compare", Outcome::Done, || acceptance::of_changes(&comparison))
    }
}
