use std::path::PathBuf;

use clap::Args;

use super::options::{AcceptanceOptions, CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::acceptance;
use crate::analysis::coupling::{Coupling as Coupled, coupling, coupling_change, coupling_together};
use crate::analysis::observe::Input;
use crate::analysis::settings::Settings;
use crate::error::{Error, Finding};
use crate::measure::bands::Scheme;
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};

/// How much of what the antenna hears is what the wire carries?
///
/// Each band with its coherence, the share of the air's power that the wire explains, the gain from wire to air with
/// its 95 % interval, and a verdict: coherent, no coherence shown, or cannot be told (a steady tone). With --before
/// and --after: did the air change because the wire changed? Coherence is not cause: a common source outside both
/// gives it as well.
#[derive(Debug, Args)]
pub(super) struct Coupling {
    /// Captures
    #[arg(value_name = "FILE", required_unless_present = "before", conflicts_with_all = ["before", "after"])]
    files: Vec<PathBuf>,
    /// Captures before, taken together
    #[arg(long, num_args = 1.., value_name = "FILE", requires = "after")]
    before: Vec<PathBuf>,
    /// Captures after, taken together
    #[arg(long, num_args = 1.., value_name = "FILE", requires = "before")]
    after: Vec<PathBuf>,
    /// Take the files as repeats of one case: three or more tell steady tones apart that one capture cannot
    #[arg(long, conflicts_with_all = ["before", "after"])]
    pool: bool,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "wide")]
    bands: Scheme,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    acceptance: AcceptanceOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Coupling {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "How much of what the antenna hears is what the wire carries?",
            line: "linewake coupling demo/captures/led-panel-on-1.csv -o coupling.png",
        },
        Example {
            answers: "The same from repeats of one case, which tell steady tones apart",
            line: "linewake coupling --pool demo/captures/led-panel-on-?.csv",
        },
        Example {
            answers: "Did the air fall because the wire fell?",
            line: "linewake coupling --before demo/captures/led-panel-on-?.csv --after demo/captures/led-panel-on-filter-?.csv -o coupling-change.png",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("coupling", None)?;
        let settings = self.capture.settings()?;
        let delivery = Delivery::prepare("coupling", &self.output, true)?;
        if !self.before.is_empty() {
            return self.change(console, delivery, &settings);
        }
        let (inputs, captures, outcome) = if self.pool {
            let (inputs, together) = coupling_together(&console.captures(&self.files), &settings, &self.bands)?;
            (inputs, vec![together], Outcome::Done)
        } else {
            let (done, outcome) = each_file(console, &self.files, |source| coupling(source, &settings, &self.bands))?;
            let (inputs, captures): (Vec<Vec<Input>>, Vec<Coupled>) = done.into_iter().unzip();
            (inputs.concat(), captures, outcome)
        };
        console.findings(captures.iter().flat_map(warnings));
        let forms = Forms {
            settings: self.settings(&settings)?,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| pictures::coupling(&captures[0], &settings)),
            columns: &|| columns::couplings(&captures),
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.capture(&sentences::of_files(&capture.paths))?;
                console.sentences(&sentences::of_coupling(capture))?;
                console.table(&tables::coupling(capture))?;
                if !capture.ambient.is_empty() {
                    console.table(&tables::ambient(capture))?;
                }
            }
            Ok(())
        })?;
        self.acceptance.judge(console, "coupling", outcome, || acceptance::of_couplings(&captures))
    }
}

impl Coupling {
    fn settings(&self, settings: &Settings) -> Result<serde_json::Map<String, serde_json::Value>, Error> {
        let mut map = super::with(settings, "bands", &self.bands)?;
        map.insert("pool".to_owned(), self.pool.into());
        self.acceptance.put_into(&mut map);
        Ok(map)
    }

    fn change(&self, console: &mut Console, delivery: Delivery, settings: &Settings) -> Result<Outcome, Error> {
        let (inputs, change) =
            coupling_change(&console.captures(&self.before), &console.captures(&self.after), settings, &self.bands)?;
        console.findings([&change.before, &change.after].into_iter().flat_map(warnings));
        let forms = Forms {
            settings: self.settings(settings)?,
            inputs: &inputs,
            body: &change,
            figure: Some(&|| pictures::coupling_change(&change, settings)),
            columns: &|| columns::causes(&change),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&sentences::of_coupling_change(&change))?;
            console.table(&tables::causes(&change))?;
            if change.after.ambient.is_empty() { Ok(()) } else { console.table(&tables::ambient(&change.after)) }
        })?;
        self.acceptance.judge(console, "coupling", Outcome::Done, || acceptance::of_causes(&change))
    }
}

fn warnings(capture: &Coupled) -> impl Iterator<Item = (Option<&str>, &Finding)> {
    capture.warnings.iter().map(|finding| (Some(capture.path.as_str()), finding))
}
