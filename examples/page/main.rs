//! A page to look at: `cargo run --example page -- FILE [CASES]` makes one of invented cases, four loads of the studio in
//! turn, each with every kind of picture. `cargo run --example page -- --hostile FILE` makes one in which every text is
//! one of the hostile strings of `fixtures/page/hostile.json`. The browser tests open both.

#![allow(clippy::print_stdout, reason = "an example says what it made")]

mod every_field;

use std::error::Error;
use std::path::Path;
use std::time::Instant;

use linewake::analysis::bands::bands;
use linewake::analysis::compare::{Order, what_changed, what_is_added};
use linewake::analysis::coupling::coupling;
use linewake::analysis::emissions::emissions;
use linewake::analysis::phase_map::{Fineness, phase_map};
use linewake::analysis::receiver::{Request, receive};
use linewake::analysis::settings::Settings;
use linewake::analysis::spectrum::spectrum;
use linewake::analysis::transients::transients;
use linewake::analysis::waveform::{Stretch, waveform};
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::report::figure::Figure;
use linewake::report::page::{Block, Cell, Notice, NoticeKind, Page, Picture, Plot, Section, Table, html};
use linewake::report::table::Column;
use linewake::report::{pictures, sentences};
use linewake::survey::studio::{LOADS, Load, State, Studio};

type Done<T> = Result<T, Box<dyn Error>>;

/// What a load's pictures show, and what is said of them.
struct Case {
    load: &'static Load,
    said: Vec<String>,
    figures: Vec<(&'static str, Figure)>,
}

fn case(studio: &Studio, load: &'static Load) -> Done<Case> {
    let of = |wanted: Option<&'static Load>, state| -> Vec<Source> {
        let specs = studio.captures().into_iter().filter(|c| c.load == wanted && c.state == state).take(3);
        specs.map(|spec| Source::new(Bytes::new(spec.file_name(), studio.csv(&spec)))).collect()
    };
    let (off, on) = (of(None, State::Background), of(Some(load), State::On));
    let filtered = of(Some(load), State::OnWithFilter);
    let settings = Settings::default();
    let scheme = Scheme::TwoKilohertz;
    let added = what_is_added(&off, &on, &settings, &scheme, Order::Apart)?.1;
    let change = what_changed(&on, &filtered, &settings, &scheme, Order::Apart)?.1;
    let waves = [&off[0], &on[0], &filtered[0]]
        .map(|source| waveform(source, &settings, Stretch::default()).map(|done| done.1))
        .into_iter()
        .collect::<Result<Vec<_>, _>>()?;
    let map = phase_map(&on[0], &settings, &Scheme::Wide, Fineness::default())?.1;
    let said = sentences::of_addition(&added).into_iter().chain(sentences::of_change(&change)).take(3).collect();
    let figures = vec![
        ("added", pictures::additions(&added, &settings)),
        ("filter", pictures::changes(&change, &settings)),
        ("waveform", pictures::waveform(&waves, &settings)),
        ("spectrum", pictures::spectrum(&spectrum(&on[0], &settings)?.1, &settings)),
        ("bands", pictures::bands(&bands(&on[0], &settings, &scheme)?.1, &settings)),
        ("receiver", pictures::receiver(&receive(&on[0], &settings, &Request::default())?.1, &settings)),
        ("coupling", pictures::coupling(&coupling(&on[0], &settings, &scheme)?.1, &settings)),
        ("phase-map", pictures::phase_map(&map, &settings)),
        ("emissions", pictures::emissions(&emissions(&on[0], &settings, Default::default())?.1, &settings)),
        ("transients", pictures::transients(&transients(&on[0], &settings, Default::default(), None)?.1, &settings)),
    ];
    Ok(Case { load, said, figures })
}

fn section(case: &Case, number: usize) -> Section {
    let id = format!("case-{number}");
    let mut section = Section::new(&id, format!("Case {number}: {}", case.load.name))
        .with(Block::Conclusions(case.said.iter().take(2).cloned().collect()));
    for (kind, figure) in &case.figures {
        let plot = Block::Plot(Box::new(Plot::new(format!("{id}-{kind}"), figure.clone())));
        section.subsections.push(Section::new(format!("{id}-part-{kind}"), figure.title.clone()).with(plot));
    }
    section
}

fn survey(count: usize) -> Done<Page> {
    let studio = Studio::new(1);
    let cases = LOADS.iter().map(|load| case(&studio, load)).collect::<Done<Vec<_>>>()?;
    let mut page = Page::new("What hums in the studio", "linewake, example page");
    page.date = Some("2026-03-14".to_owned());
    let shown: Vec<(usize, &Case)> = (1..=count).zip(cases.iter().cycle()).collect();
    let mut table = Table::new(
        "The cases",
        vec![
            Column::text("Case"),
            Column::number("Number", ""),
            Column::number("Pictures", ""),
            Column::text("What was found"),
        ],
    );
    for (number, case) in &shown {
        let name = Cell::text(format!("{} {number}", case.load.name)).to(format!("case-{number}"));
        let row = [
            name.showing(case.figures[0].1.clone()),
            Cell::number(*number as f64, number.to_string()),
            Cell::number(case.figures.len() as f64, case.figures.len().to_string()),
            Cell::text(case.said.first().cloned().unwrap_or_default()),
        ];
        table.rows.push(row.to_vec());
    }
    let picture = |(number, case): &(usize, &Case)| Picture {
        figure: case.figures[3].1.clone(),
        label: format!("Case {number}: spectrum"),
        target: format!("case-{number}"),
    };
    page.summary = vec![
        Block::Conclusions(cases.iter().filter_map(|case| case.said.first().cloned()).collect()),
        Block::Notice(Notice {
            kind: NoticeKind::Caution,
            heading: "What the numbers are".to_owned(),
            lines: vec!["Levels are at the recorder's input; no verdict of safety or conformity follows.".to_owned()],
        }),
        Block::Table(table),
        Block::Pictures(shown.iter().take(4).map(picture).collect()),
    ];
    page.sections = shown.iter().map(|(number, case)| section(case, *number)).collect();
    page.sections.push(
        Section::new("methods", "How to make it again")
            .folded()
            .with(Block::Paragraph("The invented studio, seed 1.".to_owned()))
            .with(Block::Code("cargo run --example page -- page.html 30".to_owned())),
    );
    Ok(page)
}

fn main() -> Done<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let start = Instant::now();
    let (page, file) = match arguments.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["--hostile", file] => (every_field::page(&every_field::strings()), Path::new(file).to_owned()),
        [file] => (survey(30)?, Path::new(file).to_owned()),
        [file, cases] => (survey(cases.parse()?)?, Path::new(file).to_owned()),
        _ => return Err("name a file, and how many cases; or --hostile and a file".into()),
    };
    let (made, writing) = (start.elapsed(), Instant::now());
    let bytes = html(&page)?;
    std::fs::write(&file, &bytes)?;
    println!(
        "{}: {} bytes, {:.1} s of computing, {:.2} s of writing",
        file.display(),
        bytes.len(),
        made.as_secs_f64(),
        writing.elapsed().as_secs_f64()
    );
    Ok(())
}
