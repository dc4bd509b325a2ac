use std::path::PathBuf;

use clap::Args;
use serde_json::{Map, Value};

use super::options::{AcceptanceOptions, CaptureOptions, LevelOptions, OutputOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run, each_file, tables};
use crate::analysis::acceptance;
use crate::analysis::receiver::{CaptureReadings, Request, receive};
use crate::analysis::settings::Settings;
use crate::error::Error;
use crate::measure::detector::{BANDS, ReceiverBand};
use crate::report::document::Captures;
use crate::report::{columns, pictures, sentences};
use crate::units::Hertz;

/// What does a measuring receiver read: peak, quasi-peak, average, RMS-average?
///
/// After CISPR 16-1-1, band A: a Gaussian filter 200 Hz wide at every 100 Hz from 9 to 150 kHz. A quasi-peak value
/// takes 1.5 s of record; from a shorter one, --repeat makes it by taking the record for one period of a repeating
/// signal. An indication from a field capture, no conformity assessment. With several files the picture shows the
/// first one.
#[derive(Debug, Args)]
pub(super) struct Receiver {
    /// Captures
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// The band whose constants are used: A (9 to 150 kHz) or B (from 150 kHz, with a --range that reaches there)
    #[arg(long, value_name = "A|B", default_value = "A", value_parser = band)]
    band: &'static ReceiverBand,
    /// The distance of the frequencies [default: half of the bandwidth, 100 Hz in band A]
    #[arg(long, value_name = "HZ")]
    step: Option<Hertz>,
    /// Begin at 2 kHz: what lies below 9 kHz is an extension, not part of band A, and marked as such
    #[arg(long)]
    extend: bool,
    /// Take the record, cut to whole mains cycles, for one period of a repeating signal
    #[arg(long)]
    repeat: bool,
    /// Follow the needles at one frequency; a CSV file then holds that
    #[arg(long, value_name = "HZ")]
    course: Option<Hertz>,
    /// How many of the highest readings the table shows
    #[arg(long, value_name = "N", default_value_t = 12)]
    top: usize,
    /// Show what contributes to the uncertainty of the highest reading; a CSV file then holds that
    #[arg(long, conflicts_with = "course")]
    budget: bool,
    #[command(flatten)]
    capture: CaptureOptions,
    #[command(flatten)]
    levels: LevelOptions,
    #[command(flatten)]
    acceptance: AcceptanceOptions,
    #[command(flatten)]
    output: OutputOptions,
}

fn band(text: &str) -> Result<&'static ReceiverBand, String> {
    let names = || BANDS.iter().map(|band| band.name).collect::<Vec<_>>().join(" or ");
    ReceiverBand::named(text).ok_or_else(|| format!("expected {}", names()))
}

impl Run for Receiver {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "What does a measuring receiver read? (quasi-peak from 1.5 s of record on)",
            line: "linewake receiver demo/captures/led-panel-on-1.csv",
        },
        Example {
            answers: "And quasi-peak, if this short record repeated for ever?",
            line: "linewake receiver demo/captures/led-panel-on-1.csv --repeat -o receiver.png",
        },
        Example {
            answers: "How does the needle move at one frequency?",
            line: "linewake receiver demo/captures/led-panel-on-1.csv --repeat --course 67.9k -o course.csv",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        self.acceptance.check("receiver", Some(&self.levels))?;
        let settings = self.capture.settings()?;
        let curves = self.levels.curves()?;
        let delivery = Delivery::prepare("receiver", &self.output, true)?;
        let request = Request {
            band: self.band,
            step: self.step,
            extend: self.extend,
            repeat: self.repeat,
            course: self.course,
            budget: self.budget,
        };
        let (done, outcome) = each_file(console, &self.files, |source| receive(source, &settings, &request))?;
        let (inputs, mut captures): (Vec<_>, Vec<CaptureReadings>) = done.into_iter().unzip();
        captures.iter_mut().for_each(|capture| capture.hold_against(&curves));
        let inputs = inputs.concat();
        console
            .findings(captures.iter().flat_map(|c| c.warnings.iter().map(|finding| (Some(c.path.as_str()), finding))));
        let forms = Forms {
            settings: self.settings(&settings, &captures[0])?,
            inputs: &inputs,
            body: Captures { captures: &captures },
            figure: Some(&|| pictures::receiver(&captures[0], &settings)),
            columns: &|| {
                if self.budget {
                    columns::receiver_budgets(&captures)
                } else if self.course.is_some() {
                    columns::courses(&captures)
                } else {
                    columns::readings(&captures)
                }
            },
        };
        delivery.deliver(console, forms, |console| {
            for capture in &captures {
                console.capture(&capture.path)?;
                console.sentences(&sentences::of_readings(capture))?;
                for channel in &capture.channels {
                    console.table(&tables::readings(channel, &capture.analysis, self.top))?;
                    console.against(channel.role, &channel.against)?;
                    if let Some(budget) = &channel.budget {
                        console.table(&tables::budget(channel.role, "uncertainty of the highest reading", budget))?;
                    }
                }
            }
            Ok(())
        })?;
        self.acceptance.judge(console, "receiver", outcome, || acceptance::of_readings(&captures))
    }
}

impl Receiver {
    /// The settings in force, and what follows from them for the first capture.
    fn settings(&self, settings: &Settings, first: &CaptureReadings) -> Result<Map<String, Value>, Error> {
        let mut map = super::json_object(settings)?;
        map.extend(super::json_object(&first.analysis)?);
        map.insert("extend".into(), self.extend.into());
        map.insert("repeat".into(), self.repeat.into());
        map.insert("course_hz".into(), self.course.map(Hertz::get).into());
        map.insert("top".into(), self.top.into());
        self.levels.put_into(&mut map)?;
        self.acceptance.put_into(&mut map);
        Ok(map)
    }
}
