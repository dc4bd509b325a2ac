use std::fs;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use clap::Args;

use super::captures::captures_in;
use super::files::{FileOrigin, source, write_example};
use super::publication::Publication;
use super::temporary::canonical;
use super::terminal::Console;
use super::{Example, Outcome, Run};
use crate::error::Error;
use crate::read::setup::setup;
use crate::read::{Bytes, Source};
use crate::report::document::Document;
use crate::report::survey::{About, Chapter, DataFile, Report, Taken, bind, chapter, package};
use crate::spread;
use crate::survey::description::{self, Candidate, propose};
use crate::survey::fall_off::fall_offs;
use crate::survey::names::Names;
use crate::survey::run::{Captures, Job, prepare};

/// The page that a survey gives where none is named.
pub(super) const PAGE: &str = "report.html";
/// A photograph longer than this is none that a report could carry.
const LONGEST_PHOTOGRAPH: usize = 20 << 20;

/// The whole job: every case, every comparison, one report.
///
/// Reads a description of the job (TOML), analyses all captures that it names, and writes one page that opens
/// offline in any browser, and beside it a folder of the same name with all tables, documents and pictures, described
/// in datapackage.json. Begin with --new: it looks for captures in a folder and proposes a description. What is
/// missing or broken is told at the top and where it would stand, and the rest is made; then the status is 1.
#[derive(Debug, Args)]
pub(super) struct Survey {
    /// The description of the job; names of files in it are relative to it
    #[arg(value_name = "SURVEY.toml", required_unless_present = "new", conflicts_with = "new")]
    description: Option<PathBuf>,
    /// Find the captures in a folder and propose a description by their names and times, to be edited; with -o it is
    /// written, and names of files are relative to where it stands
    #[arg(long, value_name = "DIR")]
    new: Option<PathBuf>,
    /// The measuring chain that the proposal names: a setup, as "calibrate -o chain.toml" writes it
    #[arg(long, value_name = "SETUP.toml", requires = "new")]
    setup: Option<PathBuf>,
    /// Print one JSON document instead of the conclusions, or of the proposal
    #[arg(long, help_heading = "Output")]
    json: bool,
    /// The page, which ends in .html; its data go into the folder of the same name without the ending
    /// [default: report.html beside the description]
    #[arg(short, long, value_name = "FILE", help_heading = "Output")]
    output: Option<PathBuf>,
    /// Replace the page even if something else made it, and its folder even if files were added to it
    #[arg(long, help_heading = "Output")]
    force: bool,
}

impl Run for Survey {
    const EXAMPLES: &'static [Example] = &[
        Example {
            answers: "Which cases do the captures of this folder make? (a proposal, to be edited)",
            line: "linewake survey --new demo/captures -o proposed.toml",
        },
        Example {
            answers: "The same with a chain that was calibrated, so that levels are those of the line",
            line: "linewake survey --new demo/captures --setup chain.toml -o on-the-line.toml",
        },
        Example {
            answers: "What comes out of the whole job? (a page and its data)",
            line: "linewake survey demo/survey.toml -o studio.html",
        },
    ];

    fn run(self, console: &mut Console) -> Result<Outcome, Error> {
        if let Some(folder) = &self.new {
            return self.propose(console, folder);
        }
        let description = self.description.clone().unwrap_or_default();
        let page = self.output.clone().unwrap_or_else(|| description.with_file_name(PAGE));
        let made = make(console, &description, &page, self.force)?;
        if self.json {
            console.print(&made.report.document)?;
        } else {
            console.sentences(&made.report.conclusions)?;
            console.print(&format!(
                "\nThe report is {}, its data are in {}.\n",
                made.page.display(),
                made.folder.display()
            ))?;
        }
        Ok(made.outcome(console))
    }
}

impl Survey {
    fn propose(&self, console: &mut Console, folder: &Path) -> Result<Outcome, Error> {
        if !folder.is_dir() {
            return Err(Error::input("is no folder")
                .in_file(folder.display().to_string())
                .expected("a folder with captures")
                .remedy("check the path"));
        }
        let here = |parent: &Path| if parent.as_os_str().is_empty() { PathBuf::from(".") } else { parent.to_owned() };
        let beside = self.output.as_deref().and_then(Path::parent).map_or_else(|| folder.to_owned(), here);
        let (mut found, unseen) = captures_in(&[folder.to_owned()], Some(&folder.join("report")))?;
        // What is hidden is some program's own, such as a report that was not finished.
        found.retain(|path| {
            let inside = path.strip_prefix(folder).unwrap_or(path);
            !inside.components().any(|part| part.as_os_str().to_string_lossy().starts_with('.'))
        });
        for error in &unseen {
            console.error(error);
        }
        let candidates: Vec<Candidate> = found.iter().map(|path| candidate(path, folder, &beside)).collect();
        let title = canonical(folder).and_then(|whole| Some(whole.file_name()?.to_string_lossy().into_owned()));
        let setup =
            self.setup.as_ref().map(|path| setup(&source(path)).map(|_| named(path, folder, &beside))).transpose()?;
        let title = format!("Survey of {}", title.unwrap_or_else(|| "captures".to_owned()));
        let text = propose(&title, &candidates, setup.as_deref());
        if self.json {
            let proposed = description::read(&Source::new(Bytes::new("the proposal", text.as_bytes())))?;
            let cases = serde_json::json!({ "cases": proposed.cases });
            console.print(&Document::new("survey", serde_json::json!({}), &[], cases).to_text()?)?;
        }
        match &self.output {
            None if self.json => {}
            None => console.print(&text)?,
            Some(path) => {
                write_example(path, "a description", "toml", &text, self.force)?;
                if !self.json {
                    console.print(&format!(
                        "A description of {} captures, to be edited: {}\n",
                        found.len(),
                        path.display()
                    ))?;
                }
            }
        }
        Ok(if unseen.is_empty() { Outcome::Done } else { Outcome::Partly })
    }
}

/// A capture as a description beside it names it, with the time it was written.
fn candidate(path: &Path, folder: &Path, beside: &Path) -> Candidate {
    let written = fs::metadata(path).and_then(|about| about.modified()).ok();
    let since = written.and_then(|time| time.duration_since(UNIX_EPOCH).ok());
    Candidate {
        name: named(path, folder, beside),
        written_ms: since.and_then(|since| u64::try_from(since.as_millis()).ok()),
    }
}

/// A file as a description beside it names it: relative where it can be.
fn named(path: &Path, folder: &Path, beside: &Path) -> String {
    let inside = |base: &Path| path.strip_prefix(base).ok().map(Path::to_owned);
    let whole = || canonical(path)?.strip_prefix(canonical(beside)?).ok().map(Path::to_owned);
    let relative = if beside == folder { inside(folder) } else { whole() };
    let name = relative.or_else(|| canonical(path)).unwrap_or_else(|| path.to_owned());
    let parts = name.components().map(|part| part.as_os_str().to_string_lossy());
    parts.collect::<Vec<_>>().join("/").replace("//", "/")
}

/// A report that is in its place.
pub(super) struct Made {
    pub(super) report: Report,
    pub(super) page: PathBuf,
    pub(super) folder: PathBuf,
}

impl Made {
    /// Names what is missing on standard error; then the work was done in part.
    pub(super) fn outcome(&self, console: &mut Console) -> Outcome {
        // Whole lines, but nothing in them steers the terminal.
        let safe =
            |line: &String| line.chars().map(|c| if crate::error::steers(c) { '?' } else { c }).collect::<String>();
        self.report.missing.iter().for_each(|line| console.remark("missing", &safe(line)));
        if self.report.missing.is_empty() { Outcome::Done } else { Outcome::Partly }
    }
}

/// Makes the report of a description.
///
/// # Errors
/// A description that is wrong, a survey without any capture that can be read, an output that cannot be written.
pub(super) fn make(console: &mut Console, description: &Path, page: &Path, force: bool) -> Result<Made, Error> {
    let described = source(description);
    let survey = description::read(&described)?;
    let folder = description.parent().unwrap_or(Path::new(""));
    let open = |name: &str| Source::new(FileOrigin::named(&folder.join(name), name));
    let job = prepare(&survey, &open)?;
    let publication = Publication::prepare("survey", page, &inputs(&job, description, folder), force)?;

    let progress = console.progress(survey.captures().len());
    let captures = job.look(&|| progress.step());
    drop(progress);
    if captures.usable() == 0 {
        captures.all.iter().for_each(|looked| {
            let why = looked.seen.as_ref().err().map_or("", String::as_str);
            console.failed(&looked.name, why);
        });
        return Err(Error::input("none of the captures can be used")
            .in_file(description.display().to_string())
            .remedy("see the reasons above"));
    }
    let read =
        captures.all.iter().flat_map(|looked| &looked.inputs).flat_map(|input| [input].into_iter().chain(&input.files));
    let name = description.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let paths = read.chain(&job.files).map(|input| input.path.as_str()).chain([name.as_str()]);
    let names = Names::hidden(&survey, paths);

    let progress = console.cases(survey.cases.len());
    let chapters = spread::map((0..survey.cases.len()).collect(), |place| {
        let chapter = one_case(&job, &captures, place, &open, &names, &publication);
        progress.step();
        chapter
    });
    drop(progress);
    let chapters: Vec<Chapter> = chapters.into_iter().collect::<Result<_, _>>()?;
    let air: Vec<_> = chapters.iter().filter_map(|chapter| chapter.air.clone()).collect();
    let falls = fall_offs(&survey, &air);
    let text = String::from_utf8_lossy(&described.bytes_at(0, 1 << 20)?).into_owned();
    let mut report = bind(&job, &captures, chapters, &falls, (&name, &text), &names)?;
    let bytes = report.html()?;
    let files = std::mem::take(&mut report.files);
    files.iter().try_for_each(|file| publication.put(file))?;
    publication.put(&DataFile { path: PAGE.to_owned(), title: "The page".to_owned(), bytes: bytes.clone() })?;
    publication.finish(&bytes, &package(&About::survey(&survey, &names), &publication.entries())?)?;
    let (page, folder) = publication.places();
    Ok(Made { page: page.to_owned(), folder: folder.to_owned(), report })
}

/// One case, its files written at once, so that nothing but its page is held.
fn one_case(
    job: &Job<'_>,
    captures: &Captures,
    place: usize,
    open: &(impl Fn(&str) -> Source + Sync),
    names: &Names,
    publication: &Publication,
) -> Result<Chapter, Error> {
    let photographs = job.survey.cases[place]
        .photographs
        .iter()
        .map(|name| Taken { name: name.clone(), bytes: photograph(&open(name)) });
    let result = job.case(place, captures);
    let mut chapter = chapter(job, captures, &result, photographs.collect(), names)?;
    for file in std::mem::take(&mut chapter.files) {
        publication.put(&file)?;
    }
    Ok(chapter)
}

fn photograph(source: &Source) -> Result<Vec<u8>, String> {
    let bytes = source.bytes_at(0, LONGEST_PHOTOGRAPH + 1).map_err(|error| error.to_string())?;
    if bytes.len() > LONGEST_PHOTOGRAPH { Err("is longer than 20 megabytes".to_owned()) } else { Ok(bytes) }
}

/// Every file that the report is made from, none of which may be replaced by it.
fn inputs(job: &Job<'_>, description: &Path, folder: &Path) -> Vec<PathBuf> {
    let survey = job.survey;
    let captures = survey.captures().into_iter().map(|(_, name)| name);
    let photographs = survey.cases.iter().flat_map(|case| &case.photographs).map(String::as_str);
    let others = job.files.iter().map(|input| input.path.as_str());
    let named = captures.chain(photographs).chain(others).map(|name| folder.join(name));
    std::iter::once(description.to_owned()).chain(named).collect()
}
