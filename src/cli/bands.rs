use std::path::PathBuf;

use clap::Args;

use super::options::{AcceptanceOptions, CaptureOptions, LevelOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::over_time::{self, TimeOptions};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::acceptance;
use crate::analysis::bands::{bands, bands_with_budget, bands_with_groups};
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::measure::groups::Grouping;
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};

/// How much energy sits in each band?
///
/// RMS and level of each band and of the whole range, and the slew figures. Write bars with -o bands.png. With
/// several files the picture shows the first one.
#[derive(Debug, Args)]
pub(super) struct Bands {
    /// Captures
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "2k")]
    bands: Scheme,
    /// Show what contributes to the uncertainty of the whole range; a CSV file then holds that
    #[arg(long)]
    budget: bool,
    /// Form groups as a published method does: 4-7 (200 Hz groups, 2-9 kHz, after IEC 61000-4-7 annex B) or 4-30 (2 kHz
    /// bands, 8-150 kHz, after IEC 61000-4-30, informative annex); table, picture and CSV file then hold these
    #[arg(long, value_name = "4-7|4-30", conflicts_with = "budget")]
    grouping: Option<Grouping>,
    #[command(flatten)]
    time: TimeOptions,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    levels: LevelOptions,
    #[command(flatten)]
    acceptance: AcceptanceOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Bands {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "How much energy sits in each band of 2 kHz?",
            line: "linewake bands demo/captures/led-panel-on-1.csv",
        },
        Example {
            answers: "The same in five wide bands, as a picture",
            line: "linewake bands demo/captures/led-panel-on-1.csv --bands wide -o bands.png",
        },
        Example {
            answers: "How do the levels move along a long recording?",
            line: "linewake bands demo/captures/led-panel-on-1.csv --every 50ms --bands wide -o over-time.png",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("bands", Some(&self.levels))?;
        let settings = self.capture.settings()?;
        if let Some(every_s) = self.time.every {
            let time = (&self.time, every_s);
            return over_time::run(console, &self.files, &settings, &self.bands, time, &self.output);
        }
        let curves = self.levels.curves()?;
        let delivery = Delivery::prepare("bands", &self.output, true)?;
        let (done, outcome) = each_file(console, &self.files, |source| match self.grouping {
            Some(grouping) => bands_with_groups(source, &settings, &self.bands, grouping),
            None if self.budget => bands_with_budget(source, &settings, &self.bands),
            None => bands(source, &settings, &self.bands),
        })?;
        let (inputs, mut captures): (Vec<_>, Vec<_>) = done.into_iter().unzip();
        captures.iter_mut().for_each(|capture| capture.hold_against(&curves));
        let inputs = inputs.concat();
        console
            .findings(captures.iter().flat_map(|c| c.warnings.iter().map(|finding| (Some(c.path.as_str()), finding))));
        let mut in_force = super::with_spectral(&settings, &captures[0].analysis)?;
        in_force.insert("bands".into(), self.bands.to_string().into());
        in_force.insert("grouping".into(), self.grouping.map(Grouping::name).into());
        self.levels.put_into(&mut in_force)?;
        self.acceptance.put_into(&mut in_force);
        let forms = Forms {
            settings: in_force,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| match self.grouping {
                Some(_) => pictures::groups(&captures[0], &settings),
                None => pictures::bands(&captures[0], &settings),
            }),
            columns: &|| match self.grouping {
                Some(_) => columns::groups(&captures),
                None if self.budget => columns::band_budgets(&captures),
                None => columns::bands(&captures),
            },
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.capture(&capture.path)?;
                if self.grouping.is_some() {
                    console.sentences(&sentences::of_groups(capture))?;
                } else {
                    console.sentences(&sentences::of_bands(capture))?;
                }
                for channel in &capture.channels {
                    console.table(&match &channel.grouped {
                        Some(grouped) => tables::groups(channel, grouped),
                        None => tables::bands(channel),
                    })?;
                    console.against(channel.role, &channel.against)?;
                    if let Some(budget) = &channel.budget {
                        console.table(&tables::budget(channel.role, "uncertainty of the total", budget))?;
                    }
                }
            }
            Ok(())
        })?;
        self.acceptance.judge(console, "bands", outcome, || acceptance::of_bands(&captures))
    }
}
