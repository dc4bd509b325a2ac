//! A survey as a page and as data: the conclusions first, then case by case all views, then what they rest on.
//!
//! A case becomes a [`Chapter`] as soon as its results are there, so that they need not be held; [`bind`] puts the
//! chapters together. Every text goes through the names that are to be hidden before it is shown or written.

mod annex;
mod conclusions;
mod hidden;
mod package;
mod views;

use serde::Serialize;
use serde_json::Value;

use super::document::{Document, made_by};
use super::figure::{Figure, png, svg};
use super::page::{Block, Cell, Notice, NoticeKind, Page, Photograph, Plot, Section, Table, anchor, html};
use super::pictures;
use super::sentences;
use super::table::{self, Column};
use crate::analysis::batch::{BatchRow, Status, batch};
use crate::analysis::compare::{ChannelComparison, Comparison};
use crate::analysis::inspect::Fitness;
use crate::analysis::observe::Input;
use crate::capture::Role;
use crate::compare::added::BandAddition;
use crate::compare::before_after::BandChange;
use crate::error::Error;
use crate::spread;
use crate::survey::description::{Case, State, Survey};
use crate::survey::fall_off::{Air, FallOffResult};
use crate::survey::names::Names;
use crate::survey::run::{Captures, CaseResult, Job};
use crate::units::engineering;

pub use package::{About, DataFile, Entry, PACKAGE, package, paths_of_package};

/// The name of the command in documents and pictures.
const COMMAND: &str = "survey";
/// Conclusions on the first screen; more cases than these are in the table below them.
const FIRST: usize = 12;
/// A photograph of at most so many bytes stands in the page, and all together of at most so many.
const PHOTOGRAPH: usize = 500_000;
const PHOTOGRAPHS: usize = 2_000_000;
/// The size of the small pictures in the table of cases.
const SMALL: (u32, u32) = (240, 200);

/// A page may be so large.
const LARGEST_PAGE: usize = 8_000_000;
/// The views whose plots leave a page that would be too large, the least missed first. What a load adds and what the
/// filter changes stays.
const DROPPED: [&str; 11] = [
    "emission-changes",
    "waveform",
    "receiver",
    "coupling",
    "transients",
    "bands",
    "phase-map",
    "emissions",
    "spectrum",
    "standby",
    "coupling-change",
];

/// A photograph that the description names: its bytes, or why they cannot be had.
#[derive(Debug, Clone)]
pub struct Taken {
    /// The name in the description.
    pub name: String,
    /// The file.
    pub bytes: Result<Vec<u8>, String>,
}

/// What a report holds of one case.
#[derive(Debug)]
pub struct Chapter {
    /// The files for the data folder; taken out and written as soon as the chapter is there.
    pub files: Vec<DataFile>,
    /// What the fall-off over several cases needs of this one.
    pub air: Option<Air>,
    section: Section,
    conclusions: Vec<String>,
    row: Vec<Cell>,
    missing: Vec<String>,
    summary: Value,
}

/// A whole report.
#[derive(Debug)]
pub struct Report {
    /// The page.
    pub page: Page,
    /// The files for the data folder that belong to no case.
    pub files: Vec<DataFile>,
    /// The document of the whole.
    pub document: String,
    /// The conclusions.
    pub conclusions: Vec<String>,
    /// What should be here and is not, with all names, for whoever makes the report.
    pub missing: Vec<String>,
}

/// What the document says of a view.
#[derive(Serialize)]
struct ViewSummary<'a> {
    view: &'a str,
    made: bool,
    error: Option<String>,
    document: Option<String>,
}

#[derive(Serialize)]
struct CaseSummary<'a> {
    name: String,
    conclusions: &'a [String],
    shown: Option<&'a str>,
    standby: Option<&'a Comparison<BandAddition>>,
    added: Option<&'a Comparison<BandAddition>>,
    filter: Option<&'a Comparison<BandChange>>,
    views: Vec<ViewSummary<'a>>,
    missing: &'a [String],
}

#[derive(Serialize)]
struct CaptureSummary<'a> {
    name: &'a str,
    states: Vec<String>,
    fitness: Option<Fitness>,
    error: Option<&'a str>,
    row: Option<&'a BatchRow>,
}

#[derive(Serialize)]
struct Body<'a> {
    survey: &'a Survey,
    conclusions: &'a [String],
    quality: &'a str,
    missing: &'a [String],
    captures: Vec<CaptureSummary<'a>>,
    cases: Vec<&'a Value>,
    fall_offs: &'a [FallOffResult],
}

/// The folder of a case among the data.
fn folder(place: usize, name: &str) -> String {
    format!("{:03}-{}", place + 1, anchor(name).chars().take(40).collect::<String>().trim_end_matches('-'))
}

/// What a report holds of a case.
///
/// # Errors
/// A figure that cannot be drawn.
pub fn chapter(
    job: &Job<'_>,
    captures: &Captures,
    result: &CaseResult,
    photographs: Vec<Taken>,
    names: &Names,
) -> Result<Chapter, Error> {
    let case = &job.survey.cases[result.place];
    let name = names.replaced(&case.name);
    let folder = folder(result.place, &name);
    let conclusions: Vec<String> =
        conclusions::of_case(&capitalised(&case.name), result).iter().map(|line| names.replaced(line)).collect();
    let mut files = Vec::new();
    let mut missing: Vec<String> = result
        .lost
        .iter()
        .map(|(state, capture, why)| {
            format!("{name}: a capture of the state \"{}\" is missing: {}", state.words(), of_capture(capture, why))
        })
        .collect();
    let lost = missing.clone();
    let mut section = Section::new(format!("case-{folder}"), name.clone());
    section.blocks.push(Block::Conclusions(conclusions.clone()));
    section.blocks.push(facts(job, captures, case));
    section.blocks.extend(case.remarks.clone().map(Block::Paragraph));
    section.blocks.extend(case.indicator.as_ref().map(|_| Block::Table(beside_slew(case, captures))));
    section.blocks.extend(notice(NoticeKind::Missing, "Captures of this case", &lost));
    let photographs = photographs_of(job, &name, &folder, photographs, &mut files, &mut missing);
    section.blocks.extend(photographs);
    let mut summaries = Vec::new();
    for part in views::of_case(job, captures, result)? {
        let mut sub = Section::new(format!("{}-{}", section.id, part.slug), part.title);
        let stem = format!("{folder}/{}", part.slug);
        match part.shown {
            Err(why) => {
                let line = format!("{name}, {}: {why}", part.title.to_lowercase());
                sub.blocks.extend(notice(NoticeKind::Missing, part.title, std::slice::from_ref(&why)));
                summaries.push(ViewSummary { view: part.slug, made: false, error: Some(why), document: None });
                missing.push(line);
            }
            Ok(shown) => {
                summaries.push(ViewSummary {
                    view: part.slug,
                    made: true,
                    error: None,
                    document: Some(format!("{stem}.json")),
                });
                put_view(&mut sub, &mut files, &section.id, part.slug, &stem, &name, shown, names)?;
            }
        }
        section.subsections.push(sub);
    }
    let hidden: Vec<String> = missing.iter().map(|line| names.replaced(line)).collect();
    let summary = CaseSummary {
        name: name.clone(),
        conclusions: &conclusions,
        shown: result.shown.as_deref(),
        standby: result.standby.made(),
        added: result.added.made(),
        filter: result.change.made(),
        views: summaries,
        missing: &hidden,
    };
    let summary =
        serde_json::to_value(&summary).map_err(|e| Error::output(format!("a case cannot be put into JSON: {e}")))?;
    let mut row = row(&name, &section.id, result, case);
    row.iter_mut().for_each(|cell| hidden::cell(cell, names));
    hidden::section(&mut section, names);
    Ok(Chapter { files, air: Air::of(result, case, captures), section, conclusions, row, missing, summary })
}

/// A view in the page, and as files.
#[expect(clippy::too_many_arguments, reason = "where it stands, where it is written, what it is")]
fn put_view(
    sub: &mut Section,
    files: &mut Vec<DataFile>,
    case: &str,
    slug: &str,
    stem: &str,
    name: &str,
    shown: views::Shown,
    names: &Names,
) -> Result<(), Error> {
    let views::Shown { sentences, mut figure, tables, budgets, warnings, columns, document } = shown;
    // The page writes the figure's own conclusion beside it.
    let further: Vec<String> = sentences.into_iter().filter(|line| !figure.conclusion.contains(line)).collect();
    if !further.is_empty() {
        sub.blocks.push(Block::List(further));
    }
    hidden::figure(&mut figure, names);
    let title = |what: &str| format!("{name}: {what}");
    let what = sub.heading.to_lowercase();
    let maker = made_by(COMMAND);
    files.push(DataFile::new(format!("{stem}.csv"), title(&what), names.replaced_bytes(columns)));
    files.push(DataFile::new(
        format!("{stem}.json"),
        title(&format!("{what}, all values and settings")),
        names.replaced(&document),
    ));
    files.push(DataFile::new(format!("{stem}.svg"), title(&format!("{what}, drawing")), svg(&figure, &maker)?));
    files.push(DataFile::new(format!("{stem}.png"), title(&format!("{what}, picture")), png(&figure, &maker)?));
    sub.blocks.push(Block::Plot(Box::new(Plot::new(format!("plot-{}-{slug}", &case["case-".len()..]), figure))));
    sub.blocks.extend(notice(NoticeKind::Caution, "What limits this", &warnings));
    let written = |tables: Vec<table::Table>| {
        tables
            .into_iter()
            .filter(|table| !table.rows.is_empty())
            .map(|table| Block::Table(table.into()))
            .collect::<Vec<_>>()
    };
    sub.blocks.extend(written(tables));
    if !budgets.is_empty() {
        let mut folded = Section::new(format!("{}-budget", sub.id), "Uncertainty budget").folded();
        folded.blocks = written(budgets);
        sub.subsections.push(folded);
    }
    Ok(())
}

/// The first letter of a sentence.
fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// A capture with the reason why it is not there, which names the file by itself.
fn of_capture(capture: &str, why: &str) -> String {
    if why.contains(capture) { why.to_owned() } else { format!("{capture}: {why}") }
}

fn notice(kind: NoticeKind, heading: &str, lines: &[String]) -> Option<Block> {
    (!lines.is_empty()).then(|| Block::Notice(Notice { kind, heading: heading.to_owned(), lines: lines.to_vec() }))
}

/// Where, with what and how a case was measured.
fn facts(job: &Job<'_>, captures: &Captures, case: &Case) -> Block {
    let survey = job.survey;
    let mut facts: Vec<(String, String)> = Vec::new();
    let mut fact = |name: &str, value: Option<String>| facts.extend(value.map(|value| (name.to_owned(), value)));
    let with_about =
        |name: &str, about: Option<&String>| about.map_or(name.to_owned(), |about| format!("{name} ({about})"));
    let location = case.location.map(|place| &survey.locations[place]);
    fact("Location", location.map(|location| with_about(&location.name, location.about.as_ref())));
    let instrument = case.instrument.map(|place| &survey.instruments[place]);
    fact("Instrument", instrument.map(|instrument| with_about(&instrument.name, instrument.about.as_ref())));
    fact("Filter", case.filter.clone());
    fact("Distance of the antenna", case.antenna_distance_m.map(|metres| format!("{metres} m")));
    fact("Orientation of the antenna", case.antenna_orientation.clone());
    for side in &case.sides {
        let usable = |name: &&String| captures.of(case, name).is_some_and(|looked| looked.seen.is_ok());
        let used = side.captures.iter().filter(usable).count();
        let all = side.captures.join(", ");
        let count =
            if used == side.captures.len() { format!("{used}") } else { format!("{used} of {}", side.captures.len()) };
        fact(&capitalised(side.state.words()), Some(format!("{count}: {all}")));
    }
    if case.alternating {
        fact("Order", Some("taken alternately; differences are those of pairs".to_owned()));
    }
    fact("Taken in this order", (!case.taken.is_empty()).then(|| case.taken.join(", ")));
    Block::Definitions(facts)
}

/// Readings of an indicator beside the slew of the captures of the same state.
fn beside_slew(case: &Case, captures: &Captures) -> Table {
    let indicator = case.indicator.as_ref();
    let unit = indicator.and_then(|indicator| indicator.unit.as_deref()).unwrap_or_default();
    let columns = vec![
        Column::text("state"),
        Column::number("indicator", unit),
        Column::number("mean absolute slew on the wire", ""),
        Column::number("RMS slew on the wire", ""),
    ];
    let about = indicator.and_then(|indicator| indicator.about.as_deref()).unwrap_or("A plug-in indicator");
    let mut table = Table::new(format!("{about}, beside the slew"), columns);
    for (state, readings) in indicator.into_iter().flat_map(|indicator| &indicator.readings) {
        let slews: Vec<_> = case
            .captures(*state)
            .iter()
            .filter_map(|name| captures.of(case, name)?.seen.as_ref().ok())
            .filter_map(|seen| {
                let slew = seen.slews.as_ref()?.iter().find(|slew| slew.role == Role::Wire)?;
                let channel = seen.row.channels.iter().find(|channel| channel.role == Role::Wire)?;
                Some((*slew, format!("{}/s", channel.unit.symbol())))
            })
            .collect();
        let unit = slews.first().map_or(String::new(), |(_, unit)| unit.clone());
        let mean = |values: Vec<f64>| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            if values.is_empty() { Cell::text("none") } else { Cell::number(mean, engineering(mean, &unit)) }
        };
        let written: Vec<String> = readings.iter().map(f64::to_string).collect();
        table.rows.push(vec![
            Cell::text(state.words()),
            Cell { text: written.join(", "), sort: readings.first().copied(), ..Cell::default() },
            mean(slews.iter().filter_map(|(slew, _)| slew.mean_abs).collect()),
            mean(slews.iter().map(|(slew, _)| slew.rms).collect()),
        ]);
    }
    table.notes.push(
        "Set side by side, not equated: what the indicator responds to is known only to its maker, and a slew says \
         nothing on health."
            .to_owned(),
    );
    table
}

/// The photographs of a case: in the page where they are small, among the data in any case, nowhere where names are
/// hidden, because a picture can show what a name would tell.
fn photographs_of(
    job: &Job<'_>,
    name: &str,
    folder: &str,
    photographs: Vec<Taken>,
    files: &mut Vec<DataFile>,
    missing: &mut Vec<String>,
) -> Vec<Block> {
    if photographs.is_empty() {
        return Vec::new();
    }
    if job.survey.anonymise.any() {
        return vec![Block::Paragraph("Photographs are left out, because names are hidden in this report.".to_owned())];
    }
    let cases = job.survey.cases.iter().filter(|case| !case.photographs.is_empty()).count().max(1);
    let mut room = PHOTOGRAPHS / cases;
    let mut blocks = Vec::new();
    for (number, Taken { name: file, bytes }) in (1..).zip(photographs) {
        let bytes = match bytes {
            Ok(bytes) => bytes,
            Err(why) => {
                missing.push(format!("{name}: a photograph is missing: {}", of_capture(&file, &why)));
                blocks.extend(notice(NoticeKind::Missing, "A photograph", &[of_capture(&file, &why)]));
                continue;
            }
        };
        let Some(ending) = kind_of_picture(&bytes) else {
            let why = format!("{file}: found no PNG, JPEG or WebP");
            missing.push(format!("{name}: a photograph is missing: {why}"));
            blocks.extend(notice(NoticeKind::Missing, "A photograph", &[why]));
            continue;
        };
        let path = format!("{folder}/photograph-{number}.{ending}");
        let caption = format!("{} (among the data: {path})", sentences::short_name(&file));
        if bytes.len() <= PHOTOGRAPH.min(room) {
            room -= bytes.len();
            let shows = format!("Photograph {number} of the case {name}");
            blocks.push(Block::Photograph(Photograph { bytes: bytes.clone(), shows, caption }));
        } else {
            blocks.push(Block::Paragraph(format!("Photograph {number}: {caption}; too large for the page.")));
        }
        files.push(DataFile::new(path, format!("{name}: photograph"), bytes));
    }
    blocks
}

/// The ending of a picture's file by its first bytes.
fn kind_of_picture(bytes: &[u8]) -> Option<&'static str> {
    match bytes {
        [0x89, b'P', b'N', b'G', ..] => Some("png"),
        [0xff, 0xd8, 0xff, ..] => Some("jpg"),
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some("webp"),
        _ => None,
    }
}

/// The columns of the table of cases.
fn case_columns() -> Vec<Column> {
    vec![
        Column::text("case"),
        Column::text("wire"),
        Column::number("adds most on the wire", ""),
        Column::text("between"),
        Column::number("filter there", "dB"),
        Column::text("air follows the wire there"),
        Column::number("adds most in the air", ""),
        Column::number("captures", ""),
    ]
}

fn row(name: &str, id: &str, result: &CaseResult, case: &Case) -> Vec<Cell> {
    fn of<Row>(comparison: &Comparison<Row>, role: Role) -> Option<&ChannelComparison<Row>> {
        comparison.channels.iter().find(|channel| channel.role == role)
    }
    let added = |role| result.added.made().and_then(|added| of(added, role));
    let amount = |role| {
        added(role).map_or(Cell::text(""), |channel| {
            let strongest = conclusions::strongest(channel);
            strongest.map_or(Cell::number(0.0, "no addition shown"), |row| {
                Cell::number(row.added_rms.unwrap_or(0.0), conclusions::amount(row, channel.unit.symbol()))
            })
        })
    };
    let band = added(Role::Wire).and_then(conclusions::strongest).map(|row| row.band);
    let change = result.change.made().and_then(|change| of(change, Role::Wire));
    let filter = change.and_then(|wire| {
        wire.bands.iter().chain([&wire.total]).rev().find(|row| band.is_none_or(|band| row.band == band))
    });
    let filter = filter.map_or(Cell::text(""), |row| match row.change_db {
        Some(db) => Cell::number(db, sentences::signed(db)),
        None => Cell::text(row.verdict.words()),
    });
    let causes = result.coupling_change.made();
    let follows = causes.map(|change| change.bands.iter().find(|row| Some(row.band) == band).unwrap_or(&change.total));
    let count: usize = case.sides.iter().map(|side| side.captures.len()).sum();
    let picture = small_picture(result).map_or(Cell::text(""), |(words, figure)| Cell::text(words).showing(figure));
    vec![
        Cell::text(name).to(id),
        picture,
        amount(Role::Wire),
        band.map_or(Cell::text(""), |band| Cell::number(band.low(), band.to_string())),
        filter,
        Cell::text(follows.map(|row| row.verdict.words()).unwrap_or_default()),
        amount(Role::Air),
        Cell::number(count as f64, count.to_string()),
    ]
}

/// The wire in little, and what of it is drawn.
fn small_picture(result: &CaseResult) -> Option<(&'static str, Figure)> {
    let settings = crate::analysis::settings::Settings::default();
    let (words, mut figure) = match (result.added.made(), result.spectrum.made()) {
        (Some(added), _) => ("off and on", pictures::additions(added, &settings)),
        (None, Some(spectrum)) => ("spectrum", pictures::spectrum(spectrum, &settings)),
        (None, None) => return None,
    };
    figure.rows.truncate(1);
    figure.rows.iter_mut().for_each(|row| row.panels.truncate(1));
    (figure.width, figure.height) = SMALL;
    figure.conclusion.clear();
    figure.caption.clear();
    Some((words, figure))
}

/// How fit the captures are, in one line.
fn quality(captures: &Captures) -> String {
    let fitness = |wanted: Fitness| {
        captures
            .all
            .iter()
            .filter(|looked| looked.seen.as_ref().is_ok_and(|seen| seen.inspection.fitness == wanted))
            .count()
    };
    let plural = if captures.all.len() == 1 { "" } else { "s" };
    let mut parts = vec![format!("{} fit", fitness(Fitness::Fit))];
    for (count, words) in [
        (fitness(Fitness::FitWithLimits), "fit with limits"),
        (fitness(Fitness::NotFit), "not fit"),
        (captures.all.len() - captures.usable(), "missing or not readable"),
    ] {
        if count > 0 {
            parts.push(format!("{count} {words}"));
        }
    }
    let mut codes: Vec<&str> = captures
        .all
        .iter()
        .filter_map(|looked| looked.seen.as_ref().ok())
        .flat_map(|seen| &seen.inspection.warnings)
        .filter(|finding| finding.severity != crate::error::Severity::Note)
        .map(|finding| finding.code)
        .collect();
    codes.sort_unstable();
    codes.dedup();
    let why = if codes.is_empty() {
        String::new()
    } else {
        format!(
            "; {}",
            codes.iter().map(|code| crate::analysis::inspect::in_short(code)).collect::<Vec<_>>().join(", ")
        )
    };
    format!("{} capture{plural}: {}{why}.", captures.all.len(), parts.join(", "))
}

/// Puts the chapters together. `description` is the name of the file that was read, `text` what stands in it.
///
/// # Errors
/// A figure that cannot be drawn.
pub fn bind(
    job: &Job<'_>,
    captures: &Captures,
    chapters: Vec<Chapter>,
    fall_offs: &[FallOffResult],
    (description, text): (&str, &str),
    names: &Names,
) -> Result<Report, Error> {
    let survey = job.survey;
    let mut conclusions: Vec<String> =
        chapters.iter().filter_map(|chapter| chapter.conclusions.first().cloned()).collect();
    conclusions.extend(fall_offs.iter().map(|result| names.replaced(&conclusions::of_fall_off(result))));
    let missing: Vec<String> = chapters.iter().flat_map(|chapter| chapter.missing.clone()).collect();
    let told: Vec<String> = missing.iter().map(|line| names.replaced(line)).collect();
    let quality = quality(captures);
    let files = annex::files(job, captures, names)?;
    let ranking = batch(rows(captures));
    let mut data = files.data;
    let document = document(job, captures, &chapters, fall_offs, (&conclusions, &quality, &told))?;
    let document = names.replaced(&document);
    data.push(DataFile::new("survey.json", "The whole survey: conclusions, cases, captures", document.clone()));
    data.push(DataFile::new("survey.toml", "The description that the report was made from", names.replaced(text)));

    let mut page = Page::new(names.replaced(&survey.title), made_by(COMMAND));
    page.language.clone_from(&survey.language);
    page.date.clone_from(&survey.date);
    page.summary = summary(survey, &chapters, (&conclusions, &quality, &told), names);
    page.sections.extend(chapters.into_iter().map(|chapter| chapter.section));
    for (number, result) in fall_offs.iter().enumerate() {
        let (mut section, files) = annex::fall_off(number, result, names)?;
        hidden::section(&mut section, names);
        page.sections.push(section);
        data.extend(files);
    }
    let mut ranked = annex::ranking(job, &ranking, names)?;
    data.append(&mut ranked.data);
    for mut section in [ranked.section, files.section, annex::chains(job)?, annex::methods(job, description)]
        .into_iter()
        .chain([annex::limits(job)])
    {
        hidden::section(&mut section, names);
        page.sections.push(section);
    }
    Ok(Report { page, files: data, document, conclusions, missing })
}

impl Report {
    /// The page as HTML. Of a page that would be too large, plots of the views that are least missed are left out for
    /// all cases alike; where each stood the page says where it is among the data.
    ///
    /// # Errors
    /// A figure that cannot be drawn.
    pub fn html(&mut self) -> Result<Vec<u8>, Error> {
        let bytes = html(&self.page)?;
        if bytes.len() <= LARGEST_PAGE {
            return Ok(bytes);
        }
        let empty = html(&Page::new("", ""))?.len();
        let views: Vec<(&Section, &'static str)> = self
            .page
            .sections
            .iter()
            .flat_map(|case| &case.subsections)
            .filter_map(|section| Some((section, DROPPED.into_iter().find(|slug| is_view(section, slug))?)))
            .collect();
        let sizes: Vec<(&'static str, usize)> = spread::map(views, |(section, slug)| {
            let mut alone = Page::new("", "");
            alone.summary = section.blocks.iter().filter(|block| matches!(block, Block::Plot(_))).cloned().collect();
            Ok((slug, html(&alone)?.len().saturating_sub(empty)))
        })
        .into_iter()
        .collect::<Result<_, Error>>()?;
        let mut size = bytes.len();
        for slug in DROPPED {
            if size <= LARGEST_PAGE {
                break;
            }
            size -= sizes.iter().filter(|(other, _)| *other == slug).map(|(_, size)| size).sum::<usize>();
            let sections = self.page.sections.iter_mut().flat_map(|case| &mut case.subsections);
            sections.filter(|section| is_view(section, slug)).for_each(|section| without_plots(section, slug));
        }
        html(&self.page)
    }
}

/// Whether a section is the view of this name of a case.
fn is_view(section: &Section, slug: &str) -> bool {
    folder_of(section, slug).is_some()
}

/// The folder of the case that a section shows this view of.
fn folder_of<'a>(section: &'a Section, slug: &str) -> Option<&'a str> {
    section.id.strip_prefix("case-")?.strip_suffix(slug)?.strip_suffix('-')
}

/// Puts the words of each plot in its place, and where the plot is to be found.
fn without_plots(section: &mut Section, slug: &str) {
    let place = folder_of(section, slug).map(|folder| format!("{folder}/{slug}"));
    for block in &mut section.blocks {
        if let (Block::Plot(plot), Some(place)) = (&mut *block, &place) {
            let mut lines = std::mem::take(&mut plot.figure.conclusion);
            lines.push(format!(
                "The plot is left out, because the page would be too large; it is among the data: {place}.svg, .png, .csv."
            ));
            *block = Block::List(lines);
        }
    }
}

/// The rows of all captures that were seen, for a ranking.
fn rows(captures: &Captures) -> Vec<BatchRow> {
    let seen = captures.all.iter().filter_map(|looked| looked.seen.as_ref().ok());
    seen.map(|seen| seen.row.clone()).filter(|row| row.status == Status::Done).collect()
}

/// The first screen.
fn summary(
    survey: &Survey,
    chapters: &[Chapter],
    (conclusions, quality, missing): (&[String], &str, &[String]),
    names: &Names,
) -> Vec<Block> {
    let mut first: Vec<String> = conclusions.iter().take(FIRST).cloned().collect();
    if conclusions.len() > FIRST {
        first.push(format!("{} more conclusions stand with their cases.", conclusions.len() - FIRST));
    }
    let mut table = Table::new("Cases", case_columns());
    table.rows = chapters.iter().map(|chapter| chapter.row.clone()).collect();
    table.notes.push(
        "The band in which the load adds most on the wire, with the 95 % interval; there, what the filter changes of the \
         level on the wire with the load on. All bands stand with their case."
            .to_owned(),
    );
    let mut about: Vec<(String, String)> = Vec::new();
    about.extend(survey.site.clone().map(|site| ("Site".to_owned(), site)));
    about.extend(survey.people.iter().map(|person| (capitalised(&person.role), person.name.clone())));
    let mut blocks = vec![Block::Conclusions(first)];
    blocks.extend(notice(NoticeKind::Missing, "What is missing", missing));
    blocks.push(Block::Table(table));
    blocks.push(Block::Paragraph(format!("Data: {quality}")));
    blocks.push(Block::Paragraph(
        "An indication from field captures: no conformity assessment, and nothing about health.".to_owned(),
    ));
    if !about.is_empty() {
        blocks.push(Block::Definitions(about));
    }
    blocks.extend(survey.remarks.clone().map(Block::Paragraph));
    blocks.iter_mut().for_each(|block| hidden::block(block, names));
    blocks
}

fn document(
    job: &Job<'_>,
    captures: &Captures,
    chapters: &[Chapter],
    fall_offs: &[FallOffResult],
    (conclusions, quality, missing): (&[String], &str, &[String]),
) -> Result<String, Error> {
    let of_captures = captures.all.iter().map(|looked| CaptureSummary {
        name: &looked.name,
        states: annex::states(job.survey, looked),
        fitness: looked.seen.as_ref().ok().map(|seen| seen.inspection.fitness),
        error: looked.seen.as_ref().err().map(String::as_str),
        row: looked.seen.as_ref().ok().map(|seen| &seen.row),
    });
    let body = Body {
        survey: job.survey,
        conclusions,
        quality,
        missing,
        captures: of_captures.collect(),
        cases: chapters.iter().map(|chapter| &chapter.summary).collect(),
        fall_offs,
    };
    let mut settings = views::settings_of(job.settings(None))?;
    settings.insert("bands".to_owned(), job.scheme.to_string().into());
    let inputs: Vec<Input> =
        captures.all.iter().flat_map(|looked| looked.inputs.clone()).chain(job.files.clone()).collect();
    Document::new(COMMAND, settings, &inputs, body).to_text()
}

/// The states in which cases use a capture.
fn state_words(case: &Case, name: &str) -> Option<State> {
    case.sides.iter().find(|side| side.captures.iter().any(|other| other == name)).map(|side| side.state)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_are_known_by_their_bytes() {
        assert_eq!(kind_of_picture(b"\x89PNG\r\n"), Some("png"));
        assert_eq!(kind_of_picture(b"\xff\xd8\xff\xe0"), Some("jpg"));
        assert_eq!(kind_of_picture(b"RIFF\x00\x00\x00\x00WEBPVP8 "), Some("webp"));
        assert_eq!(kind_of_picture(b"<svg onload=alert(1)>"), None);
    }
}
