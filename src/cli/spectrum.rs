use std::path::PathBuf;

use clap::Args;

use super::options::{AcceptanceOptions, CaptureOptions, LevelOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::acceptance;
use crate::analysis::spectrum::spectrum;
use crate::error::Error;
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};

/// Which frequencies, how strong, on the wire and in the air?
///
/// Welch's method; RMS in one noise bandwidth, so a tone reads its own RMS. Write the picture with -o spectrum.png,
/// all bins with -o spectrum.csv. With several files the picture shows the first one.
#[derive(Debug, Args)]
pub(super) struct Spectrum {
    /// Captures
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    levels: LevelOptions,
    #[command(flatten)]
    acceptance: AcceptanceOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Spectrum {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Which frequencies, how strong?",
            line: "linewake spectrum demo/captures/led-panel-on-1.csv -o spectrum.png",
        },
        Example {
            answers: "What is the level of a tone to a hundredth of a decibel?",
            line: "linewake spectrum demo/captures/led-panel-on-1.csv --window hft95 --rbw 500 -o spectrum.csv",
        },
        Example {
            answers: "How does the spectrum stand beside a published level?",
            line: "linewake spectrum demo/captures/led-panel-on-1.csv --against lighting-mains -o against.png",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("spectrum", Some(&self.levels))?;
        let settings = self.capture.settings()?;
        let curves = self.levels.curves()?;
        let delivery = Delivery::prepare("spectrum", &self.output, true)?;
        let (done, outcome) = each_file(console, &self.files, |source| spectrum(source, &settings))?;
        let (inputs, mut captures): (Vec<_>, Vec<_>) = done.into_iter().unzip();
        captures.iter_mut().for_each(|capture| capture.hold_against(&curves));
        let inputs = inputs.concat();
        console
            .findings(captures.iter().flat_map(|c| c.warnings.iter().map(|finding| (Some(c.path.as_str()), finding))));
        let mut in_force = super::with_spectral(&settings, &captures[0].analysis)?;
        self.levels.put_into(&mut in_force)?;
        self.acceptance.put_into(&mut in_force);
        let forms = Forms {
            settings: in_force,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| pictures::spectrum(&captures[0], &settings)),
            columns: &|| columns::spectra(&captures),
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.capture(&capture.path)?;
                console.sentences(&sentences::of_spectrum(capture))?;
                for channel in &capture.channels {
                    console.table(&tables::spectrum(channel))?;
                    console.against(channel.role, &channel.against)?;
                }
            }
            Ok(())
        })?;
        self.acceptance.judge(console, "spectrum", outcome, || acceptance::of_spectra(&captures))
    }
}
