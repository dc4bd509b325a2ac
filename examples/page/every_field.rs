//! A page in which every field that holds text holds a hostile string: what the tests open and look through.

use linewake::report::figure::{Axis, Bar, Figure, LevelMap, Mark, Panel, PhaseAxis, Row, Series, Shape, Style, Tie};
use linewake::report::page::{Block, Cell, Notice, NoticeKind, Page, Photograph, Picture, Plot, Section, Table};
use linewake::report::table::Column;

/// The hostile strings.
pub(crate) fn strings() -> Vec<String> {
    serde_json::from_str(include_str!("../../fixtures/page/hostile.json")).unwrap_or_default()
}

/// A PNG of one pixel.
const DOT: &[u8] = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x01\0\0\0\x01\x08\0\0\0\0:~\x9bU\0\0\0\nIDATx\x9cc`\0\0\0\x02\0\x01H\xaf\xa4q\0\0\0\0IEND\xaeB`\x82";

/// A figure with every series shape, whose every text is one and the same.
fn figure(text: &str) -> Figure {
    let bar = |k: usize| Bar::at(k, 1.0 + k as f64, Some((0.5, f64::INFINITY)));
    let spans = vec![(1.0, 0.0, 1.0), (2.0, 0.5, 2.0), (3.0, 0.0, 1.0)];
    let mut upright = Panel::new(text, Axis::linear(text), Axis::linear(text))
        .with(Series::new(text, Style::Wire, Shape::Line(vec![(1.0, 1.0), (2.0, 3.0), (3.0, 2.0)])))
        .with(Series::new(text, Style::Level(0), Shape::Line(vec![(1.0, 2.0), (3.0, 2.5)])))
        .with(Series::new(text, Style::Air, Shape::Steps(vec![Bar { from: 1.0, to: 2.0, value: 1.0, interval: None }])))
        .with(Series::new(text, Style::Wire, Shape::Points(vec![(1.0, 1.0), (2.0, 1.5)])))
        .with(Series::new(text, Style::WireBefore, Shape::Envelope(spans.clone())))
        .with(Series::new(text, Style::Difference, Shape::Interval(spans)))
        .with(Series::new(text, Style::Floor, Shape::Level(0.5)));
    upright.phase = Some(PhaseAxis { label: text.to_owned(), zero: 1.0, cycle: 1.0 });
    upright.marks = vec![Mark { x: 2.0, label: text.to_owned() }];
    let mut lying = Panel::new(text, Axis::linear(text), Axis::names(vec![text.to_owned(); 2])).with(Series::new(
        text,
        Style::Wire,
        Shape::Bars { bars: vec![bar(0), bar(1)], base: Some(0.0) },
    ));
    lying.ties = vec![Tie { first: 0, last: 1, label: text.to_owned() }];
    let mut map = Panel::new(text, Axis::turn(text), Axis::frequency(2e3, 150e3));
    map.map = Some(LevelMap {
        x_edges: vec![0.0, 180.0, 360.0],
        y_edges: vec![2e3, 9e3, 150e3],
        levels: vec![vec![1.0, 2.0], vec![3.0, f64::NAN]],
        range: (0.0, 3.0),
        label: text.to_owned(),
    });
    Figure {
        conclusion: vec![text.to_owned()],
        rows: vec![Row::new(vec![upright]), Row::new(vec![lying]), Row::new(vec![map])],
        caption: vec![text.to_owned()],
        ..Figure::new(text)
    }
}

/// A section with a block of every kind.
fn section(text: &str, number: usize) -> Section {
    let own = || text.to_owned();
    let id = format!("string-{number}");
    let mut table = Table::new(text, vec![Column::text(text), Column::number(text, text)]);
    table.rows = vec![
        vec![Cell::text(text).to(&id).showing(figure(text)), Cell::number(1.0, text)],
        vec![Cell::text(text), Cell::number(0.0, text)],
    ];
    table.notes = vec![own()];
    let notice = |kind| Block::Notice(Notice { kind, heading: own(), lines: vec![own(), own()] });
    let blocks = vec![
        Block::Paragraph(own()),
        Block::Conclusions(vec![own()]),
        Block::List(vec![own()]),
        Block::Definitions(vec![(own(), own())]),
        notice(NoticeKind::Note),
        notice(NoticeKind::Caution),
        notice(NoticeKind::Missing),
        Block::Code(own()),
        Block::Table(table),
        Block::Plot(Box::new(Plot::new(format!("{id}-plot"), figure(text)))),
        Block::Pictures(vec![Picture { figure: figure(text), label: own(), target: id.clone() }]),
        Block::Photograph(Photograph { bytes: DOT.to_vec(), shows: own(), caption: own() }),
    ];
    let inner = Section::new(format!("{id}-inner"), text).folded().with(Block::Paragraph(own()));
    Section { blocks, subsections: vec![inner], ..Section::new(id, text) }
}

/// A page with a section for each string; the first string stands in the page's own fields as well.
pub(crate) fn page(strings: &[String]) -> Page {
    let first = strings.first().cloned().unwrap_or_default();
    let mut page = Page::new(&first, &first);
    page.date = Some(first.clone());
    page.summary = vec![Block::Paragraph(first)];
    page.sections = strings.iter().enumerate().map(|(number, text)| section(text, number)).collect();
    page
}
