use std::path::PathBuf;

use clap::Args;

use super::options::{CaptureOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::phase_map::{Fineness, phase_map};
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};

/// Where in the mains cycle does the noise sit?
///
/// Mean power by frequency and mains phase, many cycles laid over each other; for each band the phase where it is
/// strongest, how far that lies over the mean, and how much of its ups and downs follows the mains. Draw the map with
/// -o map.png. The window sets the bandwidth here, and --rbw has no effect. With several files the picture shows the
/// first one.
#[derive(Debug, Args)]
pub(super) struct PhaseMap {
    /// Captures
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// The length of the window in milliseconds: shorter tells phases apart, longer tells frequencies apart
    #[arg(long, value_name = "MS", default_value_t = 1.0, value_parser = milliseconds)]
    window_ms: f64,
    /// How many phases of the cycle to look at
    #[arg(long, value_name = "N", default_value_t = 72, value_parser = clap::value_parser!(u32).range(8..=720))]
    phases: u32,
    /// 2k (2 kHz wide), 200 (200 Hz groups, 2-9 kHz), wide, or edges such as 2k,9k,30k,150k
    #[arg(long, value_name = "BANDS", default_value = "wide")]
    bands: Scheme,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for PhaseMap {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Where in the mains cycle does the noise sit?",
            line: "linewake phase-map demo/captures/led-panel-on-1.csv -o phase-map.png",
        },
        Example {
            answers: "Finer in time, and by bands of 2 kHz",
            line: "linewake phase-map demo/captures/heat-pump-fan-on-1.csv --window-ms 0.5 --bands 2k -o phase-map.csv",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let settings = self.capture.settings()?;
        let fineness = Fineness { window_s: self.window_ms / 1e3, phases: self.phases };
        let delivery = Delivery::prepare("phase-map", &self.output, true)?;
        let (done, outcome) =
            each_file(console, &self.files, |source| phase_map(source, &settings, &self.bands, fineness))?;
        let (inputs, captures): (Vec<_>, Vec<_>) = done.into_iter().unzip();
        let inputs = inputs.concat();
        console
            .findings(captures.iter().flat_map(|c| c.warnings.iter().map(|finding| (Some(c.path.as_str()), finding))));
        let mut in_force = super::with_spectral(&settings, &captures[0].analysis)?;
        in_force.insert("bands".into(), self.bands.to_string().into());
        in_force.insert("window_s".into(), fineness.window_s.into());
        in_force.insert("phases".into(), fineness.phases.into());
        let forms = Forms {
            settings: in_force,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| pictures::phase_map(&captures[0], &settings)),
            columns: &|| columns::phase_maps(&captures),
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.capture(&capture.path)?;
                console.sentences(&sentences::of_phase_map(capture))?;
                console.sentences(&[format!(
                    "{:.0} mains cycles; phase: {}.",
                    capture.cycles,
                    capture.phase_reference.words()
                )])?;
                for channel in &capture.channels {
                    console.table(&tables::cycle(channel, capture.phase_reference))?;
                }
            }
            Ok(())
        })?;
        Ok(outcome)
    }
}

fn milliseconds(text: &str) -> Result<f64, String> {
    let milliseconds = text.parse().ok().filter(|ms: &f64| ms.is_finite() && *ms > 0.0);
    milliseconds.ok_or_else(|| "expected milliseconds above 0, such as 1 or 0.5".into())
}
