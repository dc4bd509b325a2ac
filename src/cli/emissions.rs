use std::path::PathBuf;

use clap::Args;

use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::emissions::{CaptureEmissions, emission_changes, emissions};
use crate::analysis::settings::Settings;
use crate::error::{Error, Finding};
use crate::measure::emissions::Criteria;
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};

/// Which narrowband emissions and families stand out, and what are they locked to?
///
/// One row an emission: frequency, level with its 95 % interval, width, the family it is a multiple of, whether it
/// swells with the mains, whether it wanders, and whether it shows on the wire, in the air, or both. With --before and
/// --after: which are new, gone, moved, changed? Segments overlap by three quarters whatever --overlap says, and long
/// records are looked at with a finer resolution as well.
#[derive(Debug, Args)]
pub(super) struct Emissions {
    /// Captures
    #[arg(value_name = "FILE", required_unless_present = "before", conflicts_with_all = ["before", "after"])]
    files: Vec<PathBuf>,
    /// Captures before, taken together: an emission counts when more than half of them show it
    #[arg(long, num_args = 1.., value_name = "FILE", requires = "after")]
    before: Vec<PathBuf>,
    /// Captures after, taken together
    #[arg(long, num_args = 1.., value_name = "FILE", requires = "before")]
    after: Vec<PathBuf>,
    /// How far an emission rises over the floor, or over the saddle to a higher neighbour, in decibels
    #[arg(long, value_name = "DB", default_value_t = Criteria::default().prominence_db, value_parser = prominence)]
    prominence: f64,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Emissions {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Which lines stand out, and what are they locked to?",
            line: "linewake emissions demo/captures/heat-pump-fan-on-2.csv -o emissions.png",
        },
        Example {
            answers: "Only those that rise by 20 dB",
            line: "linewake emissions demo/captures/led-panel-on-1.csv --prominence 20",
        },
        Example {
            answers: "What became of them with the filter?",
            line: "linewake emissions --before demo/captures/led-panel-on-?.csv --after demo/captures/led-panel-on-filter-?.csv -o emission-changes.png",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let settings = self.capture.settings()?;
        let criteria = Criteria { prominence_db: self.prominence, ..Criteria::default() };
        let delivery = Delivery::prepare("emissions", &self.output, true)?;
        if !self.before.is_empty() {
            return self.changes(console, delivery, &settings, criteria);
        }
        let (done, outcome) = each_file(console, &self.files, |source| emissions(source, &settings, criteria))?;
        let (inputs, captures): (Vec<_>, Vec<CaptureEmissions>) = done.into_iter().unzip();
        let inputs = inputs.concat();
        console.findings(captures.iter().flat_map(warnings));
        let forms = Forms {
            settings: super::with(&settings, "criteria", &criteria)?,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| pictures::emissions(&captures[0], &settings)),
            columns: &|| columns::emissions(&captures),
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.capture(&capture.path)?;
                console.sentences(&sentences::of_emissions(capture))?;
                for channel in &capture.channels {
                    console.table(&tables::emissions(channel))?;
                }
            }
            Ok(())
        })?;
        Ok(outcome)
    }
}

impl Emissions {
    fn changes(
        &self,
        console: &mut Console,
        delivery: Delivery,
        settings: &Settings,
        criteria: Criteria,
    ) -> Result<Outcome, Error> {
        let (inputs, comparison) =
            emission_changes(&console.captures(&self.before), &console.captures(&self.after), settings, criteria)?;
        console.findings(comparison.before.iter().chain(&comparison.after).flat_map(warnings));
        let forms = Forms {
            settings: super::with(settings, "criteria", &criteria)?,
            inputs: &inputs,
            body: &comparison,
            figure: Some(&|| pictures::emission_changes(&comparison, settings)),
            columns: &|| columns::emission_changes(&comparison),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&sentences::of_emission_changes(&comparison))?;
            comparison.channels.iter().try_for_each(|channel| console.table(&tables::emission_changes(channel)))
        })?;
        Ok(Outcome::Done)
    }
}

fn warnings(capture: &CaptureEmissions) -> impl Iterator<Item = (Option<&str>, &Finding)> {
    capture.warnings.iter().map(|finding| (Some(capture.path.as_str()), finding))
}

fn prominence(text: &str) -> Result<f64, String> {
    let db = text.parse().ok().filter(|db: &f64| (1.0..=100.0).contains(db));
    db.ok_or_else(|| "expected decibels from 1 to 100, such as 6".into())
}
