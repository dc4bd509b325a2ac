//! Names that are to be hidden, replaced in every text of a page and of a figure.

use crate::report::figure::{Axis, Figure, Panel, Scale};
use crate::report::page::{Block, Cell, Section, Table};
use crate::survey::names::Names;

fn text(text: &mut String, names: &Names) {
    *text = names.replaced(text);
}

/// Every text of a section, its parts included.
pub(super) fn section(section: &mut Section, names: &Names) {
    if names.is_empty() {
        return;
    }
    text(&mut section.heading, names);
    section.blocks.iter_mut().for_each(|one| block(one, names));
    section.subsections.iter_mut().for_each(|one| self::section(one, names));
}

/// Every text of a block.
pub(super) fn block(block: &mut Block, names: &Names) {
    match block {
        Block::Paragraph(one) | Block::Code(one) => text(one, names),
        Block::Conclusions(lines) | Block::List(lines) => lines.iter_mut().for_each(|line| text(line, names)),
        Block::Definitions(pairs) => pairs.iter_mut().for_each(|(word, stands_for)| {
            text(word, names);
            text(stands_for, names);
        }),
        Block::Notice(notice) => {
            text(&mut notice.heading, names);
            notice.lines.iter_mut().for_each(|line| text(line, names));
        }
        Block::Table(one) => table(one, names),
        Block::Plot(plot) => figure(&mut plot.figure, names),
        Block::Pictures(pictures) => pictures.iter_mut().for_each(|picture| {
            figure(&mut picture.figure, names);
            text(&mut picture.label, names);
        }),
        Block::Photograph(photograph) => {
            text(&mut photograph.shows, names);
            text(&mut photograph.caption, names);
        }
    }
}

fn table(table: &mut Table, names: &Names) {
    text(&mut table.caption, names);
    for column in &mut table.columns {
        text(&mut column.name, names);
        text(&mut column.unit, names);
    }
    table.rows.iter_mut().flatten().for_each(|one| cell(one, names));
    table.notes.iter_mut().for_each(|note| text(note, names));
}

/// Every text of a cell.
pub(super) fn cell(cell: &mut Cell, names: &Names) {
    text(&mut cell.text, names);
    if let Some(picture) = &mut cell.picture {
        figure(picture, names);
    }
}

/// Every text of a figure.
pub(super) fn figure(figure: &mut Figure, names: &Names) {
    if names.is_empty() {
        return;
    }
    text(&mut figure.title, names);
    figure.conclusion.iter_mut().chain(&mut figure.caption).for_each(|line| text(line, names));
    figure.rows.iter_mut().flat_map(|row| &mut row.panels).for_each(|one| panel(one, names));
}

fn panel(panel: &mut Panel, names: &Names) {
    text(&mut panel.title, names);
    axis(&mut panel.x, names);
    axis(&mut panel.y, names);
    panel.phase.iter_mut().for_each(|phase| text(&mut phase.label, names));
    panel.map.iter_mut().for_each(|map| text(&mut map.label, names));
    panel.series.iter_mut().filter_map(|series| series.label.as_mut()).for_each(|label| text(label, names));
    panel.marks.iter_mut().for_each(|mark| text(&mut mark.label, names));
    panel.ties.iter_mut().for_each(|tie| text(&mut tie.label, names));
}

fn axis(axis: &mut Axis, names: &Names) {
    text(&mut axis.label, names);
    if let Scale::Names(list) = &mut axis.scale {
        list.iter_mut().for_each(|name| text(name, names));
    }
}
