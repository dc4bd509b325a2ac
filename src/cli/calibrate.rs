use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Map, Value};

use super::files::{Together, source, write_example};
use super::options::{OutputOptions, ReadingOptions};
use super::output::{Delivery, Forms};
use super::terminal::Console;
use super::{Example, Outcome, Run};
use crate::analysis::calibrate::{Calibrated, calibrate};
use crate::analysis::observe::Input;
use crate::analysis::settings::Settings;
use crate::error::Error;
use crate::read::Source;
use crate::read::calibration::{EXAMPLE, calibration};
use crate::report::calibrate as report;
use crate::report::document::made_by;
use crate::write::Folder;

/// Which measuring chain do these known signals show?
///
/// CALIBRATION.toml names captures of known signals: sine steps of a generator, a comb, white noise of known density,
/// the input shorted. Out of them come gain over frequency with its uncertainty, phase, linearity, floor, delay between
/// the channels and crosstalk. With -o FILE.toml the chain is written as a setup with its tables, which every command
/// takes by --setup. A chain is calibrated on the bench, with nothing of it at the mains.
#[derive(Debug, Args)]
pub(super) struct Calibrate {
    /// The description of what was fed, and which captures hold it
    #[arg(value_name = "CALIBRATION.toml", required_unless_present = "new", conflicts_with = "new")]
    file: Option<PathBuf>,
    /// Print a commented description to begin with, or write it with -o FILE.toml
    #[arg(long, conflicts_with = "json")]
    new: bool,
    #[command(flatten)]
    reading: ReadingOptions,
    #[command(flatten)]
    output: OutputOptions,
}

impl Run for Calibrate {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "How is said what was fed, and which captures hold it? (an example, to be edited)",
            line: "linewake calibrate --new -o calibration.toml",
        },
        Example {
            answers: "Which chain do the known signals show? (a setup for all other commands)",
            line: "linewake calibrate demo/calibration/calibration.toml -o bench.toml",
        },
        Example {
            answers: "How does that look over frequency?",
            line: "linewake calibrate demo/calibration/calibration.toml -o bench.png",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let Some(file) = &self.file else {
            match &self.output.output {
                None => console.print(EXAMPLE)?,
                Some(path) => {
                    write_example(path, "the description of a calibration", "toml", EXAMPLE, self.output.force)?;
                    console.print(&format!("A commented description, ready to be changed: {}\n", path.display()))?;
                }
            }
            return Ok(Outcome::Done);
        };
        let setup = self.output.output.as_deref().filter(|path| ends_in_toml(path));
        let options =
            OutputOptions { output: self.output.output.clone().filter(|_| setup.is_none()), ..self.output.clone() };
        let delivery = Delivery::prepare("calibrate", &options, true)?;
        let described = source(file);
        let description = calibration(&described)?;
        let folder = file.parent().unwrap_or(Path::new("")).to_owned();
        let open = |name: &str| source(&folder.join(name));
        let settings = self.reading.settings();
        let (captures, found) = calibrate(&description, open, &settings)?;
        let inputs: Vec<Input> = [Input::of(&described)?].into_iter().chain(captures).collect();
        console.findings(found.findings.iter().map(|warning| (warning.path.as_deref(), &warning.finding)));
        if let Some(path) = setup {
            if path.canonicalize().is_ok_and(|path| file.canonicalize().is_ok_and(|file| file == path)) {
                let error = Error::usage("is the description itself").in_file(path.display().to_string());
                return Err(error.remedy("name another output"));
            }
            write_setup(path, &found, &inputs, self.output.force)?;
        }
        let forms = Forms {
            settings: in_force(&settings)?,
            inputs: &inputs,
            body: &found,
            figure: Some(&|| report::figure(&found)),
            columns: &|| report::columns(&found),
        };
        delivery.deliver(console, forms, |console| {
            console.sentences(&report::sentences(&found))?;
            report::tables(&found).iter().try_for_each(|table| console.table(table))?;
            match setup {
                Some(path) => console.print(&format!("\nThe chain, ready for --setup: {}\n", path.display())),
                None => Ok(()),
            }
        })?;
        Ok(Outcome::Done)
    }
}

/// The settings in force: those of reading; how a known signal is looked at is not to be set.
fn in_force(settings: &Settings) -> Result<Map<String, Value>, Error> {
    const READING: [&str; 9] =
        ["wire", "air", "air_file", "sample_rate_hz", "from_s", "to_s", "side", "resample", "max_memory_bytes"];
    let mut map = super::json_object(settings)?;
    map.retain(|key, _| READING.contains(&key.as_str()));
    Ok(map)
}

fn ends_in_toml(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("toml"))
}

/// Writes the setup and its tables, all or none; what an earlier calibration made is replaced.
fn write_setup(path: &Path, found: &Calibrated, inputs: &[Input], force: bool) -> Result<(), Error> {
    let stem = path
        .file_stem()
        .and_then(|stem| stem.to_str())
        .ok_or_else(|| Error::usage("the name of a setup is no text in UTF-8").in_file(path.display().to_string()))?;
    let files = report::setup_files(found, inputs, stem)?;
    let names: Vec<String> = files.iter().map(|(name, _)| name.clone()).collect();
    let own = names.iter().map(|name| path.with_file_name(name)).all(|file| !file.exists() || is_own(&source(&file)));
    let mut together = Together::prepare(path, &names, &[], force || own)?;
    for (name, text) in &files {
        let mut folder = together.folder();
        let put = folder.create(name).and_then(|mut sink| {
            sink.write_all(text.as_bytes())?;
            sink.flush()
        });
        put.map_err(|error| super::files::failed(&path.with_file_name(name), &error))?;
    }
    together.put()
}

/// Whether a file was made by this command, whatever its version.
fn is_own(file: &Source) -> bool {
    let maker = made_by("calibrate");
    let (name, _) = maker.split_once(' ').unwrap_or((&maker, ""));
    let head = file.bytes_at(0, 200).unwrap_or_default();
    let head = String::from_utf8_lossy(&head).into_owned();
    let first = head.lines().next().unwrap_or_default();
    first.starts_with(&format!("# {name} ")) && first.ends_with(" calibrate")
}
