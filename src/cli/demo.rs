use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::files::{self, source};
use super::terminal::Console;
use super::{Example, Outcome, Run, tables};
use crate::analysis::bands::bands;
use crate::analysis::batch::{batch, row};
use crate::analysis::observe::Input;
use crate::analysis::phase_map::{Fineness, phase_map};
use crate::analysis::settings::Settings;
use crate::analysis::spectrum::spectrum;
use crate::analysis::waveform::{Stretch, waveform};
use crate::error::Error;
use crate::measure::bands::Scheme;
use crate::report::document::{Document, made_by};
use crate::report::figure::{Figure, png};
use crate::report::{columns, pictures, sentences};
use crate::spread;
use crate::survey::studio::check::{Checked, Found, LoadResult, check};
use crate::survey::studio::{CaptureSpec, State, Studio};

/// The files by which a folder is known as a demo's own.
const SUMMARY: &str = "demo.json";
const DESCRIPTION: &str = "survey.toml";

/// The invented example survey, made and run from nothing.
///
/// A small community radio studio with a hum problem: captures of the background, of four loads, and of each load
/// with a shunt filter. Writes a survey description for them, survey.toml, and makes its report, report.html with the
/// data in the folder report. The folder calibration holds captures of known signals for "calibrate". Ends with a table of
/// what is built in beside what was found.
#[derive(Debug, Args)]
pub(super) struct Demo {
    /// The folder to make it in
    #[arg(value_name = "DIR", default_value = "demo")]
    folder: PathBuf,
    /// The seed of noise, phases and wander; the same seed gives the same bytes
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Make the captures and their description only, to be looked at by hand
    #[arg(long, conflicts_with = "json")]
    captures_only: bool,
    /// Print one JSON document instead of tables
    #[arg(long, help_heading = "Output")]
    json: bool,
    /// Use the folder even if something else is in it
    #[arg(long, help_heading = "Output")]
    force: bool,
}

#[derive(Serialize)]
struct Body<'a> {
    agreeing: usize,
    judged: usize,
    figures: usize,
    built_in: &'a [Found],
}

impl Run for Demo {
    const EXAMPLES: &'static [Example] = &[
        Example { answers: "How does all of this look, without a measurement?", line: "linewake demo" },
        Example { answers: "The same studio on another day", line: "linewake demo another-day --seed 2" },
        Example { answers: "Captures to try the commands on", line: "linewake demo --captures-only" },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        let studio = Studio::new(self.seed);
        let (captures, plots) = self.folders(&studio)?;
        let settings = Settings::default();
        let path = |capture: &CaptureSpec| captures.join(capture.file_name());

        let specs = studio.captures();
        let progress = console.progress(specs.len());
        let written = spread::map(specs.clone(), |capture| {
            let done = files::write_whole(&path(&capture), &studio.csv(&capture));
            progress.step();
            done
        });
        drop(progress);
        written.into_iter().collect::<Result<(), _>>()?;
        let bench = self.folder.join("calibration");
        studio.bench().iter().try_for_each(|(name, bytes)| files::write_whole(&bench.join(name), bytes))?;
        if !self.json {
            console.print(&studio.describe())?;
            console.table(&tables::built_in(&studio.built_in()))?;
            console.print(&format!(
                "\n{} captures are in {}; known signals for \"calibrate\" are in {}.\n",
                specs.len(),
                captures.display(),
                bench.display()
            ))?;
        }

        let description = self.folder.join(DESCRIPTION);
        files::write_whole(&description, studio.survey_toml().as_bytes())?;
        if self.captures_only {
            return Ok(Outcome::Done);
        }
        let checked = check(&studio, |capture| source(&path(capture)), &settings)?;
        let inputs = self.draw(&specs, &path, &plots, &settings, &checked)?;
        let body = Body {
            agreeing: checked.agreeing(),
            judged: checked.judged(),
            figures: checked.rows.len(),
            built_in: &checked.rows,
        };
        let document = Document::new("demo", super::with(&settings, "seed", &self.seed)?, &inputs, body).to_text()?;
        files::write_whole(&self.folder.join("built-in-and-found.csv"), &columns::found(&checked.rows)?)?;
        files::write_whole(&self.folder.join(SUMMARY), document.as_bytes())?;
        let made = super::survey::make(console, &description, &self.folder.join("report.html"), self.force)?;
        if self.json {
            console.print(&document)?;
        } else {
            report(console, &checked)?;
            console.print(&format!(
                "\nPictures are in {}, everything as data in {}.\nThe report of the survey {} is {}, its data are in {}.\n",
                plots.display(),
                self.folder.display(),
                description.display(),
                made.page.display(),
                made.folder.display()
            ))?;
        }
        Ok(made.outcome(console))
    }
}

impl Demo {
    /// The folders for captures and pictures, made where they are missing.
    fn folders(&self, studio: &Studio) -> Result<(PathBuf, PathBuf), Error> {
        let name = || self.folder.display().to_string();
        let failed = |e: std::io::Error| {
            Error::output(format!("cannot be used: {e}")).in_file(name()).remedy("name a folder that can be written")
        };
        let described =
            || fs::read(self.folder.join(DESCRIPTION)).is_ok_and(|text| text == studio.survey_toml().as_bytes());
        let is_own = || self.folder.join(SUMMARY).is_file() || described();
        let foreign = match fs::read_dir(&self.folder) {
            Ok(mut entries) => entries.next().is_some() && !is_own(),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => false,
            Err(error) => return Err(failed(error)),
        };
        if foreign && !self.force {
            return Err(Error::output("holds something that the demo did not make")
                .in_file(name())
                .remedy("name another folder, or give --force"));
        }
        let (captures, plots) = (self.folder.join("captures"), self.folder.join("pictures"));
        let bench = self.folder.join("calibration");
        let pictures = (!self.captures_only).then_some(&plots);
        [&captures, &bench].into_iter().chain(pictures).try_for_each(fs::create_dir_all).map_err(failed)?;
        Ok((captures, plots))
    }

    /// Draws the pictures of the survey; gives the inputs with their fingerprints.
    fn draw(
        &self,
        specs: &[CaptureSpec],
        path: &(impl Fn(&CaptureSpec) -> PathBuf + Sync),
        plots: &Path,
        settings: &Settings,
        checked: &Checked,
    ) -> Result<Vec<Input>, Error> {
        let rows = spread::map(specs.to_vec(), |capture| row(&source(&path(&capture)), settings, &Scheme::Wide));
        let (inputs, rows): (Vec<_>, Vec<_>) = rows.into_iter().unzip();
        let ranking = batch(rows);
        let put = |name: &str, figure: &Figure| files::write_whole(&plots.join(name), &png(figure, &made_by("demo"))?);
        put("ranking.png", &pictures::ranking(&ranking, settings))?;
        for LoadResult { load, added, filter } in &checked.loads {
            put(&format!("{}-added.png", load.slug), &pictures::additions(added, settings))?;
            put(&format!("{}-filter.png", load.slug), &pictures::changes(filter, settings))?;
        }
        let first = |state| {
            let with_load = state != State::Background;
            let is_first = |c: &&CaptureSpec| c.state == state && c.load.is_some() == with_load && c.replicate == 1;
            specs.iter().find(is_first).map(|c| source(&path(c)))
        };
        let shown: Vec<_> = [State::Background, State::On, State::OnWithFilter].into_iter().filter_map(first).collect();
        let stretch = Stretch::default();
        let waveforms =
            shown.iter().map(|file| Ok(waveform(file, settings, stretch)?.1)).collect::<Result<Vec<_>, Error>>()?;
        put("waveform.png", &pictures::waveform(&waveforms, settings))?;
        for file in shown.iter().skip(1).take(1) {
            put("spectrum.png", &pictures::spectrum(&spectrum(file, settings)?.1, settings))?;
            let map = phase_map(file, settings, &Scheme::Wide, Fineness::default())?.1;
            put("phase-map.png", &pictures::phase_map(&map, settings))?;
            put("bands.png", &pictures::bands(&bands(file, settings, &Scheme::TwoKilohertz)?.1, settings))?;
        }
        Ok(inputs.concat())
    }
}

fn report(console: &mut Console, checked: &Checked) -> Result<(), Error> {
    for LoadResult { load, added, filter } in &checked.loads {
        console.print(&format!("\n{}\n", load.name))?;
        console.sentences(&sentences::of_addition(added))?;
        console.print("With the filter:\n")?;
        console.sentences(&sentences::of_change(filter))?;
    }
    console.table(&tables::found(&checked.rows))?;
    console.print(&format!(
        "\n{} of {} figures built in lie within the interval stated (a frequency that wanders: with its wander), or nothing was \
         rightly found where nothing is; {} more cannot be judged from these captures.\n",
        checked.agreeing(),
        checked.judged(),
        checked.rows.len() - checked.judged()
    ))
}
