//! The answer of one command as a page: what it says, its figure, its tables, and how it was made.
//!
//! Nothing is worded anew here: sentences and tables are those that the command prints, the figure is the one that it
//! draws.

use serde_json::{Map, Value};

use super::document::made_by;
use super::figure::Figure;
use super::page::{Block, Notice, NoticeKind, Page, Plot, Section, Table, anchor};
use super::table::{self, Column};
use crate::analysis::observe::Input;

/// What every answer is, and is not.
const INDICATION: &str = "An indication from a field capture: no conformity assessment, and nothing about health.";

/// Something that a command says.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// What follows is about this capture.
    Of(String),
    /// Sentences.
    Sentences(Vec<String>),
    /// Words and what they stand for, under a heading that may be empty.
    Entries(String, Vec<(String, String)>),
    /// A table.
    Table(table::Table),
}

/// Everything that a command has to say.
#[derive(Debug)]
pub struct Answer<'a> {
    /// The name of the command.
    pub command: &'a str,
    /// Its picture; some make none.
    pub figure: Option<Figure>,
    /// What it says, in order.
    pub said: Vec<Said>,
    /// What could not be done.
    pub failed: Vec<String>,
    /// What limits the result.
    pub limits: Vec<String>,
    /// The settings in force.
    pub settings: Map<String, Value>,
    /// The files that it was made from.
    pub inputs: &'a [Input],
}

/// The page of an answer: the sentences first, then the figure, what limits it, the tables; several captures are a
/// section each, the figure with the first. At the end settings and files.
pub fn page(answer: Answer<'_>) -> Page {
    let Answer { command, figure, said, failed, limits, settings, inputs } = answer;
    let title = figure.as_ref().map_or_else(|| command.to_owned(), |figure| figure.title.clone());
    let mut page = Page::new(title, made_by(command));
    let several = said.iter().filter(|said| matches!(said, Said::Of(_))).count() > 1;
    // The words beside the plot are those that stand above it already.
    let told: Vec<&String> = said
        .iter()
        .filter_map(|said| if let Said::Sentences(all) = said { Some(all) } else { None })
        .flatten()
        .collect();
    let mut plot = figure.map(|mut figure| {
        figure.conclusion.retain(|sentence| !told.contains(&sentence));
        Block::Plot(Box::new(Plot::new(format!("plot-{}", anchor(command)), figure).fine()))
    });
    let notices = [
        notice(NoticeKind::Missing, "What could not be done", failed),
        notice(NoticeKind::Caution, "What limits this", limits),
    ];
    let mut notices: Vec<Block> = notices.into_iter().flatten().collect();
    if several {
        page.summary.append(&mut notices);
    }
    if !matches!(said.iter().find(|said| !matches!(said, Said::Of(_))), Some(Said::Sentences(_))) {
        page.summary.extend(plot.take());
        page.summary.append(&mut notices);
    }
    let mut captures = 0;
    let mut begins = true;
    for said in said {
        let heading = match said {
            Said::Of(path) if several => {
                captures += 1;
                begins = true;
                page.sections.push(Section::new(format!("capture-{captures}"), path));
                continue;
            }
            Said::Of(path) => {
                page.summary.push(Block::Paragraph(path));
                continue;
            }
            Said::Entries(ref heading, _) if !heading.is_empty() => Some(heading.clone()),
            _ => None,
        };
        let blocks = match &mut page.sections[..] {
            [.., section] => &mut section.blocks,
            [] => &mut page.summary,
        };
        blocks.extend(heading.map(Block::Paragraph));
        match said {
            Said::Sentences(sentences) if begins => {
                begins = false;
                blocks.push(Block::Conclusions(sentences));
                blocks.extend(plot.take());
                blocks.append(&mut notices);
            }
            Said::Sentences(sentences) if sentences.len() > 1 => blocks.push(Block::List(sentences)),
            Said::Sentences(sentences) => blocks.extend(sentences.into_iter().map(Block::Paragraph)),
            Said::Entries(_, entries) => blocks.push(Block::Definitions(entries)),
            Said::Table(table) if table.rows.is_empty() => {}
            Said::Table(table) => blocks.push(Block::Table(table.into())),
            Said::Of(_) => {}
        }
    }
    page.summary.push(Block::Paragraph(INDICATION.to_owned()));
    page.sections.push(made(settings, inputs));
    page
}

fn notice(kind: NoticeKind, heading: &str, lines: Vec<String>) -> Option<Block> {
    (!lines.is_empty()).then(|| Block::Notice(Notice { kind, heading: heading.to_owned(), lines }))
}

/// Settings and files.
fn made(settings: Map<String, Value>, inputs: &[Input]) -> Section {
    let worded = |value: Value| match value {
        Value::Null => None,
        Value::String(text) => Some(text),
        other => Some(other.to_string()),
    };
    let settings: Vec<(String, String)> =
        settings.into_iter().filter_map(|(key, value)| Some((key.replace('_', " "), worded(value)?))).collect();
    let columns = vec![Column::text("file"), Column::number("bytes", ""), Column::text("SHA-256")];
    let mut files = Table::from(table::Table::new("Files", columns));
    let all = inputs.iter().flat_map(|input| [input].into_iter().chain(&input.files));
    files.rows = all
        .map(|input| {
            let hash = input.sha256.clone().unwrap_or_else(|| "not taken".to_owned());
            [input.path.clone(), input.bytes.to_string(), hash].map(super::page::Cell::text).to_vec()
        })
        .collect();
    let mut section = Section::new("made", "Settings and files").folded();
    if !settings.is_empty() {
        section.blocks.push(Block::Definitions(settings));
    }
    if !files.rows.is_empty() {
        section.blocks.push(Block::Table(files));
    }
    section
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::{Axis, Panel, Row, Series, Shape, Style};

    fn figure() -> Figure {
        let line = Shape::Line(vec![(0.0, 1.0), (1.0, 2.0)]);
        let panel = Panel::new("Wire", Axis::linear("Time, ms"), Axis::linear("Wire, V")).with(Series::new(
            "wire",
            Style::Wire,
            line,
        ));
        let conclusion = vec!["Said above.".to_owned(), "Said by the picture alone.".to_owned()];
        Figure { conclusion, rows: vec![Row::new(vec![panel])], ..Figure::new("The studio's line") }
    }

    fn answer(said: Vec<Said>) -> Answer<'static> {
        let settings = Map::from_iter([("mains".to_owned(), Value::Null), ("high_pass".to_owned(), 1000.into())]);
        let (failed, limits) = (vec!["b.csv: broken".to_owned()], vec!["a.csv: clipped".to_owned()]);
        Answer { command: "bands", figure: Some(figure()), said, failed, limits, settings, inputs: &[] }
    }

    fn kinds(blocks: &[Block]) -> Vec<&'static str> {
        let kind = |block: &Block| match block {
            Block::Paragraph(_) => "paragraph",
            Block::Conclusions(_) => "conclusions",
            Block::List(_) => "list",
            Block::Definitions(_) => "definitions",
            Block::Notice(_) => "notice",
            Block::Table(_) => "table",
            Block::Plot(_) => "plot",
            _ => "other",
        };
        blocks.iter().map(kind).collect()
    }

    fn table() -> Said {
        let mut table = table::Table::new("Bands", vec![Column::text("band"), Column::number("level", "dB")]);
        table.rows.push(vec!["2 to 9".to_owned(), "−3.5".to_owned()]);
        Said::Table(table)
    }

    #[test]
    fn of_one_capture_the_sentences_stand_above_the_picture() {
        let said = vec![Said::Of("a.csv".to_owned()), Said::Sentences(vec!["Said above.".to_owned()]), table()];
        let page = page(answer(said));
        let expected = ["paragraph", "conclusions", "plot", "notice", "notice", "table", "paragraph"];
        assert_eq!(kinds(&page.summary), expected);
        let plot = page.summary.iter().find_map(|block| if let Block::Plot(plot) = block { Some(plot) } else { None });
        assert_eq!(plot.unwrap().figure.conclusion, ["Said by the picture alone."]);
        assert_eq!(page.sections.len(), 1);
        let settings = vec![("high pass".to_owned(), "1000".to_owned())];
        assert_eq!(page.sections[0].blocks, [Block::Definitions(settings)]);
        assert!(super::super::page::html(&page).is_ok());
    }

    #[test]
    fn several_captures_are_a_section_each() {
        let of = |path: &str| [Said::Of(path.to_owned()), Said::Sentences(vec![format!("{path} hums.")]), table()];
        let page = page(answer([of("a.csv"), of("b.csv")].concat()));
        assert_eq!(kinds(&page.summary), ["notice", "notice", "paragraph"]);
        assert_eq!(kinds(&page.sections[0].blocks), ["conclusions", "plot", "table"]);
        assert_eq!(kinds(&page.sections[1].blocks), ["conclusions", "table"]);
        assert_eq!(page.sections[2].id, "made");
    }
}
