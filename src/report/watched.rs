//! Captures as they come in: a page that is made anew with each of them, and its data.

use serde::Serialize;

use super::document::{Document, made_by};
use super::figure::svg;
use super::page::{Block, Cell, Notice, NoticeKind, Page, Plot, Section, Table, anchor};
use super::survey::DataFile;
use super::table::Column;
use super::{columns, pictures, sentences};
use crate::analysis::batch::{BatchChannel, BatchRow, Status, batch};
use crate::analysis::compare::Comparison;
use crate::analysis::observe::Input;
use crate::analysis::settings::Settings;
use crate::analysis::spectrum::CaptureSpectrum;
use crate::capture::Role;
use crate::compare::before_after::BandChange;
use crate::error::Error;

/// The name of the command in documents and pictures.
const COMMAND: &str = "watch";
/// So many of the latest captures have plots of their own in the page.
pub const PLOTTED: usize = 12;

/// A capture that came in.
#[derive(Debug, Clone)]
pub struct Watched {
    /// The files that make it up.
    pub inputs: Vec<Input>,
    /// Its levels, or why there are none.
    pub row: BatchRow,
    /// Its spectrum; only the latest captures keep theirs.
    pub spectrum: Option<CaptureSpectrum>,
    /// The captures that it is compared with.
    pub references: Vec<String>,
    /// What changed against them, or why that cannot be told; `None` without any.
    pub change: Option<Result<Comparison<BandChange>, String>>,
}

/// A page with the data that belong to it.
#[derive(Debug)]
pub struct WatchedReport {
    /// The page.
    pub page: Page,
    /// The files for the data folder.
    pub files: Vec<DataFile>,
}

#[derive(Serialize)]
struct Body<'a> {
    captures: Vec<Entry<'a>>,
}

#[derive(Serialize)]
struct Entry<'a> {
    #[serde(flatten)]
    row: &'a BatchRow,
    references: &'a [String],
    change: Option<&'a Comparison<BandChange>>,
    change_error: Option<&'a str>,
}

/// The level of a channel, and what changed of it against the references: `62.1 dBµV` and `−9.1 (−9.6 to −8.6)`.
pub fn cells(watched: &Watched, role: Role) -> [Cell; 2] {
    let channel = watched.row.channels.iter().find(|channel| channel.role == role);
    let level = channel.map_or(Cell::text(""), |BatchChannel { unit, total, .. }| {
        let db = total.value.level_db.get();
        Cell::number(db, format!("{db:.1} {}", unit.level_reference()).replace('-', "−"))
    });
    let change = match &watched.change {
        None => Cell::text(""),
        Some(Err(_)) => Cell::text("cannot be compared"),
        Some(Ok(change)) => {
            change.channels.iter().find(|channel| channel.role == role).map_or(Cell::text(""), |channel| {
                match (channel.total.change_db, channel.total.ci95_db) {
                    (Some(db), Some(interval)) => {
                        let words =
                            format!("{} ({})", sentences::signed_within(db, interval), sentences::ends(interval));
                        Cell::number(db, words)
                    }
                    _ => Cell::text(channel.total.verdict.words()),
                }
            })
        }
    };
    [level, change]
}

/// The page and the data of the captures so far, in the order in which they are to stand; the latest comes last.
///
/// # Errors
/// A figure that cannot be drawn.
pub fn report(folder: &str, watched: &[Watched], settings: &Settings) -> Result<WatchedReport, Error> {
    let mut page = Page::new(format!("Captures in {folder}"), made_by(COMMAND));
    let mut table = Table::new(
        "Captures so far",
        vec![
            Column::text("capture"),
            Column::number("wire", ""),
            Column::number("change on the wire", "dB"),
            Column::number("air", ""),
            Column::number("change in the air", "dB"),
            Column::text("compared with"),
        ],
    );
    table.notes.push("Levels and changes over the whole range, with 95 % intervals of the changes.".to_owned());
    let first_plotted = watched.len().saturating_sub(PLOTTED);
    let id =
        |place: usize| format!("capture-{}-{}", place + 1, anchor(sentences::short_name(&watched[place].row.path)));
    let mut failed = Vec::new();
    for (place, one) in watched.iter().enumerate() {
        let name = Cell::text(one.row.path.clone());
        let has_plot = place >= first_plotted && one.row.status == Status::Done;
        let mut cells: Vec<Cell> = vec![if has_plot { name.to(id(place)) } else { name }];
        cells.extend([Role::Wire, Role::Air].into_iter().flat_map(|role| self::cells(one, role)));
        cells.push(Cell::text(sentences::of_files(&one.references)));
        table.rows.push(cells);
        failed.extend(one.row.error.clone());
        failed.extend(one.change.as_ref().and_then(|change| change.as_ref().err()).cloned());
    }
    let done = watched.iter().filter(|one| one.row.status == Status::Done).count();
    page.summary.push(Block::Conclusions(vec![format!("{done} of {} captures are analysed.", watched.len())]));
    if !failed.is_empty() {
        let heading = "What could not be done".to_owned();
        page.summary.push(Block::Notice(Notice { kind: NoticeKind::Missing, heading, lines: failed }));
    }
    page.summary.push(Block::Table(table));
    page.summary.push(Block::Paragraph(
        "An indication from field captures: no conformity assessment, and nothing about health.".to_owned(),
    ));

    let rows: Vec<BatchRow> = watched.iter().map(|one| one.row.clone()).collect();
    let ranked = batch(rows);
    let mut files = vec![DataFile::new("captures.csv", "Levels of all captures", columns::batch(&ranked)?)];
    if done > 0 {
        let figure = pictures::ranking(&ranked, settings);
        files.push(DataFile::new("captures.svg", "All captures by their level", svg(&figure, &made_by(COMMAND))?));
        let plot = Block::Plot(Box::new(Plot::new("plot-captures", figure)));
        page.sections.push(Section::new("ranking", "All captures by their level").with(plot));
    }
    for (place, one) in watched.iter().enumerate() {
        let name = sentences::short_name(&one.row.path);
        let stem = format!("{:04}-{}", place + 1, anchor(name));
        if let Some(Ok(change)) = &one.change {
            let title = format!("{name}: what changed");
            files.push(DataFile::new(format!("{stem}.csv"), title, columns::changes(change)?));
        }
        if place < first_plotted || one.row.status != Status::Done {
            continue;
        }
        let mut section = Section::new(id(place), name);
        let figure = match (&one.change, &one.spectrum) {
            (Some(Ok(change)), _) => Some(pictures::changes(change, settings)),
            (_, Some(spectrum)) => Some(pictures::spectrum(spectrum, settings)),
            _ => None,
        };
        section
            .blocks
            .extend(figure.map(|figure| Block::Plot(Box::new(Plot::new(format!("plot-{}", id(place)), figure)))));
        page.sections.push(section);
    }
    let captures = watched
        .iter()
        .map(|one| Entry {
            row: &one.row,
            references: &one.references,
            change: one.change.as_ref().and_then(|change| change.as_ref().ok()),
            change_error: one.change.as_ref().and_then(|change| change.as_ref().err()).map(String::as_str),
        })
        .collect();
    let inputs: Vec<Input> = watched.iter().flat_map(|one| one.inputs.clone()).collect();
    let document = Document::new(COMMAND, settings, &inputs, Body { captures }).to_text()?;
    files.push(DataFile::new("captures.json", "All captures with their comparisons", document));
    Ok(WatchedReport { page, files })
}
