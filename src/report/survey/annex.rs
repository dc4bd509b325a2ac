//! What stands behind the cases: fall-off, ranking, files with their hashes, chains, methods, limits.

use super::package::DataFile;
use super::views::settings_of;
use super::{COMMAND, hidden, state_words};
use crate::analysis::batch::Batch;
use crate::analysis::setup::chains as chains_of;
use crate::capture::Role;
use crate::compare::fall_off::Fit;
use crate::error::Error;
use crate::report::document::made_by;
use crate::report::figure::{Axis, Bar, Figure, Mark, Panel, Row, Series, Shape, Style, png, svg};
use crate::report::page::{Block, Cell, Notice, NoticeKind, Plot, Section, Table, anchor};
use crate::report::table::Column;
use crate::report::{columns, pictures, sentences, tables};
use crate::survey::description::Survey;
use crate::survey::fall_off::{BandFall, FallOffResult};
use crate::survey::names::Names;
use crate::survey::run::{Captures, Job, Looked};

/// A section with its files.
pub(super) struct Annex {
    pub(super) section: Section,
    pub(super) data: Vec<DataFile>,
}

/// A figure as plot of the page, as drawing and as picture.
fn plotted(
    stem: &str,
    title: &str,
    mut figure: Figure,
    names: &Names,
    data: &mut Vec<DataFile>,
) -> Result<Block, Error> {
    hidden::figure(&mut figure, names);
    let maker = made_by(COMMAND);
    data.push(DataFile::new(format!("{stem}.svg"), format!("{title}, drawing"), svg(&figure, &maker)?));
    data.push(DataFile::new(format!("{stem}.png"), format!("{title}, picture"), png(&figure, &maker)?));
    Ok(Block::Plot(Box::new(Plot::new(format!("plot-{}", anchor(stem)), figure))))
}

/// How a level falls with the distance of the antenna.
pub(super) fn fall_off(
    number: usize,
    result: &FallOffResult,
    names: &Names,
) -> Result<(Section, Vec<DataFile>), Error> {
    let mut section = Section::new(format!("fall-off-{}", number + 1), format!("{} over the distance", result.name));
    let mut data = Vec::new();
    section.blocks.push(Block::Conclusions(vec![super::conclusions::of_fall_off(result)]));
    if !result.without.is_empty() {
        section.blocks.push(Block::Notice(Notice {
            kind: NoticeKind::Missing,
            heading: "Cases that give nothing to this".to_owned(),
            lines: result
                .without
                .iter()
                .map(|case| format!("{case}: no level in the air that can be set beside the others"))
                .collect(),
        }));
    }
    let drawn: Vec<&BandFall> = result.bands.iter().filter(|band| !band.points.is_empty()).collect();
    if drawn.is_empty() {
        return Ok((section, data));
    }
    let stem = format!("fall-off-{}", number + 1);
    let reference = result.unit.as_ref().map_or(String::new(), |unit| unit.level_reference());
    let figure = fall_off_figure(result, &drawn, &reference);
    section.blocks.push(plotted(
        &stem,
        &format!("{}: fall-off", names.replaced(&result.name)),
        figure,
        names,
        &mut data,
    )?);
    let (table, rows) = fall_off_table(result, &reference)?;
    section.blocks.push(Block::Table(table));
    data.push(DataFile::new(format!("{stem}.csv"), "Levels over the distance with the fitted exponents", rows));
    Ok((section, data))
}

/// Half the width of the dash that a measured level is drawn as, in decibels of distance.
const HALF_DASH_DB: f64 = 0.5;

fn fall_off_figure(result: &FallOffResult, drawn: &[&BandFall], reference: &str) -> Figure {
    let place = |distance: f64| 20.0 * distance.log10();
    let ends = drawn.iter().flat_map(|band| &band.points).map(|point| place(point.distance_m));
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    let panel = |band: &&BandFall| {
        let x = Axis::linear("Distance, dB re 1 m").over(low - 2.0, high + 2.0);
        let mut panel = Panel::new(band.band.to_string(), x, Axis::linear(format!("Level, {reference}")));
        if let Some(fit) = &band.fit {
            let line =
                band.points.iter().map(|point| (place(point.distance_m), fit.level_db(point.distance_m))).collect();
            let label = format!("to the power of {}", exponent(fit));
            panel = panel.with(Series::new(label, Style::Difference, Shape::Line(line)));
        }
        for (number, point) in band.points.iter().enumerate() {
            let x = place(point.distance_m);
            let dash = Bar { from: x - HALF_DASH_DB, to: x + HALF_DASH_DB, value: point.level_db, interval: None };
            let shape = Shape::Steps(vec![dash]);
            panel.series.push(match number {
                0 => Series::new("measured", Style::AirAfter, shape),
                _ => Series::unnamed(Style::AirAfter, shape),
            });
            panel.marks.push(Mark { x, label: format!("{} m", point.distance_m) });
        }
        panel
    };
    let panels: Vec<Panel> = drawn.iter().map(panel).collect();
    let rows: Vec<Row> = panels.chunks(3).map(|row| Row::new(row.to_vec())).collect();
    let what = if result.of_added { "what the load adds in the air" } else { "the air with the load on" };
    Figure {
        conclusion: vec![super::conclusions::of_fall_off(result)],
        caption: vec![format!(
            "Levels of {what}; the line falls by 6.02 dB times its exponent when the distance doubles. Distance in dB: 20 \
             lg(distance / 1 m)."
        )],
        height: if rows.len() > 1 { Figure::SIZE.1 } else { 560 },
        rows,
        ..Figure::new("How does the level fall with the distance?")
    }
}

/// `1.96 (1.83 to 2.08)`.
fn exponent(fit: &Fit) -> String {
    let within = fit.ci95.map_or(String::new(), |[low, high]| format!(" ({low:.2} to {high:.2})"));
    format!("{:.2}{within}", fit.exponent).replace('-', "−")
}

fn fall_off_table(result: &FallOffResult, reference: &str) -> Result<(Table, Vec<u8>), Error> {
    let mut table = Table::new(
        "Fitted exponents",
        vec![
            Column::number("band", "kHz"),
            Column::number("distances", ""),
            Column::number("exponent", ""),
            Column::text("95 % interval"),
            Column::number("level at 1 m", reference),
            Column::number("scatter", "dB"),
        ],
    );
    let failed = |e: csv::Error| Error::output(format!("the rows cannot be written: {e}"));
    let mut rows = csv::Writer::from_writer(Vec::new());
    rows.write_record([
        "low_hz",
        "high_hz",
        "distance_m",
        "level_db",
        "exponent",
        "ci95_low",
        "ci95_high",
        "level_at_1_m_db",
        "scatter_db",
    ])
    .map_err(failed)?;
    let number = |value: Option<f64>| value.map_or(String::new(), |value| value.to_string());
    for BandFall { band, points, fit } in &result.bands {
        let cell = |value: Option<f64>, decimals: usize| {
            value.map_or(Cell::text("none"), |value| {
                Cell::number(value, format!("{value:.decimals$}").replace('-', "−"))
            })
        };
        let interval = fit.and_then(|fit| fit.ci95);
        table.rows.push(vec![
            Cell::number(band.low(), band.to_string().trim_end_matches(" kHz")),
            Cell::number(points.len() as f64, points.len().to_string()),
            cell(fit.map(|fit| fit.exponent), 2),
            Cell::text(
                interval.map_or("none".to_owned(), |[low, high]| format!("{low:.2} to {high:.2}").replace('-', "−")),
            ),
            cell(fit.map(|fit| fit.level_at_1_m_db), 1),
            cell(fit.and_then(|fit| fit.scatter_db), 2),
        ]);
        for point in points {
            let fitted = [
                fit.map(|fit| fit.exponent),
                interval.map(|[low, _]| low),
                interval.map(|[_, high]| high),
                fit.map(|fit| fit.level_at_1_m_db),
                fit.and_then(|fit| fit.scatter_db),
            ];
            let measured = [band.low(), band.high(), point.distance_m, point.level_db].map(Some);
            rows.write_record(measured.into_iter().chain(fitted).map(number)).map_err(failed)?;
        }
    }
    table.notes.push(
        "Least squares of the level over 20 lg(distance); the interval takes the scatter about the line as independent. \
         Near a source the field does not follow one power of the distance."
            .to_owned(),
    );
    let rows = rows.into_inner().map_err(|e| Error::output(format!("the rows cannot be written: {e}")))?;
    Ok((table, rows))
}

/// All captures by their level.
pub(super) fn ranking(job: &Job<'_>, batch: &Batch, names: &Names) -> Result<Annex, Error> {
    let mut section = Section::new("ranking", "All captures by their level");
    let mut data =
        vec![DataFile::new("captures.csv", "Levels of all captures", names.replaced_bytes(columns::batch(batch)?))];
    if !batch.captures.is_empty() {
        let figure = pictures::ranking(batch, job.settings(None));
        section.blocks.push(plotted("captures", "All captures by their level", figure, names, &mut data)?);
    }
    section.blocks.extend(tables::ranking(batch).into_iter().map(|table| Block::Table(table.into())));
    Ok(Annex { section, data })
}

/// What a capture is in the cases that name it.
pub(super) fn states(survey: &Survey, looked: &Looked) -> Vec<String> {
    let of = |case: &crate::survey::description::Case| {
        let state = (case.instrument == looked.instrument).then(|| state_words(case, &looked.name)).flatten()?;
        Some(format!("{}: {}", case.name, state.words()))
    };
    survey.cases.iter().filter_map(of).collect()
}

/// Every file that was read, with its hash.
pub(super) fn files(job: &Job<'_>, captures: &Captures, names: &Names) -> Result<Annex, Error> {
    let mut table = Table::new(
        "Files that were read",
        vec![
            Column::text("file"),
            Column::text("what it is"),
            Column::text("fitness"),
            Column::number("bytes", ""),
            Column::text("SHA-256"),
        ],
    );
    let failed = |e: csv::Error| Error::output(format!("the rows cannot be written: {e}"));
    let mut rows = csv::Writer::from_writer(Vec::new());
    rows.write_record(["file", "what", "fitness", "bytes", "sha256"]).map_err(failed)?;
    let mut row = |path: &str, what: String, fitness: String, bytes: Option<u64>, hash: Option<&str>| {
        let texts = [
            names.replaced(path),
            names.replaced(&what),
            names.replaced(&fitness),
            bytes.map_or(String::new(), |bytes| bytes.to_string()),
            hash.unwrap_or_default().to_owned(),
        ];
        rows.write_record(&texts).map_err(failed)?;
        let [path, what, fitness, written, hash] = texts;
        let bytes = bytes.map_or(Cell::text(""), |bytes| Cell::number(bytes as f64, written));
        table.rows.push(vec![Cell::text(path), Cell::text(what), Cell::text(fitness), bytes, Cell::text(hash)]);
        Ok::<(), Error>(())
    };
    for looked in &captures.all {
        let fitness = match &looked.seen {
            Ok(seen) => seen.inspection.summary.clone(),
            Err(why) => why.clone(),
        };
        let what = states(job.survey, looked).join("; ");
        if looked.inputs.is_empty() {
            row(&looked.name, what.clone(), fitness.clone(), None, None)?;
        }
        for input in &looked.inputs {
            row(&input.path, what.clone(), fitness.clone(), Some(input.bytes), input.sha256.as_deref())?;
            for file in &input.files {
                row(
                    &file.path,
                    format!("read beside {}", input.path),
                    String::new(),
                    Some(file.bytes),
                    file.sha256.as_deref(),
                )?;
            }
        }
    }
    for file in &job.files {
        row(&file.path, "setup or levels".to_owned(), String::new(), Some(file.bytes), file.sha256.as_deref())?;
    }
    let rows = rows.into_inner().map_err(|e| Error::output(format!("the rows cannot be written: {e}")))?;
    let section = Section::new("files", "Files").folded().with(Block::Table(table));
    Ok(Annex { section, data: vec![DataFile::new("files.csv", "Files that were read, with their hashes", rows)] })
}

/// The measuring chains.
pub(super) fn chains(job: &Job<'_>) -> Result<Section, Error> {
    let mut section = Section::new("chain", "Measuring chain");
    let mut described = false;
    for (place, instrument) in job.survey.instruments.iter().enumerate() {
        let Some(setup) = &job.settings(Some(place)).setup else { continue };
        described = true;
        let channels = chains_of(setup, job.settings(Some(place)).range);
        let mut sub = Section::new(format!("chain-{}", place + 1), instrument.name.clone());
        sub.blocks.push(Block::List(sentences::of_chains(&channels)));
        let figure = pictures::chains(&channels, instrument.setup.as_deref().unwrap_or_default());
        sub.blocks.push(Block::Plot(Box::new(Plot::new(format!("plot-chain-{}", place + 1), figure))));
        for channel in &channels {
            sub.blocks.push(Block::Table(tables::parts(channel).into()));
            sub.blocks.push(Block::Table(tables::corrections(channel).into()));
        }
        section.subsections.push(sub);
    }
    if !described {
        section.blocks.push(Block::Paragraph(
            "No measuring chain is described: levels are those at the recorder's input. Differences through one chain \
             do not depend on it."
                .to_owned(),
        ));
    }
    if !job.curves.is_empty() {
        let mut sub = Section::new("levels", "Levels drawn").folded();
        job.curves.iter().for_each(|curve| sub.blocks.push(Block::List(sentences::of_level(curve))));
        section.subsections.push(sub);
    }
    Ok(section)
}

const METHODS: [&str; 11] = [
    "Mains removal: a fourth-order Butterworth high-pass, the same on both channels; its settling is left out, and its \
     response is divided out again, so that levels from 2 kHz on stay exact.",
    "Spectra: Welch's method; RMS in one noise bandwidth, so that a tone reads its own RMS.",
    "Bands: the integral of the density over the band.",
    "Differences: the observation is a mains period, or the capture itself from three captures a side on. Each band has \
     a 95 % interval (Fieller's theorem on the mean powers, Welch and Satterthwaite's degrees of freedom, Student's t; up to seven captures a side their levels are asked as well). \
     Verdicts over all rows of a table together err in at most 5 % of tables (Holm).",
    "What a load adds: the power with the load on less the power with it off; told only where it is shown.",
    "Wire and air: the magnitude-squared coherence less its bias; the share of the air's power that the wire explains. \
     Coherence is not cause: a common source outside both gives it as well.",
    "Mains phase: windows of 1 ms centred on 72 phases of every cycle, averaged over all cycles.",
    "Emissions: peaks above a running median, fitted with the window's own shape; intervals hold noise and scatter \
     within the record and, in levels, the chain.",
    "Impulses: what exceeds six robust standard deviations of the high-passed samples.",
    "Receiver: CISPR 16-1-1 band A, a Gaussian filter 200 Hz wide at 6 dB every 100 Hz from 9 to 150 kHz. Below 1.5 s of \
     record there is no quasi-peak reading, unless the record is taken for one period of a repeating signal, which is \
     then said at every reading.",
    "Budgets: what contributes to the uncertainty of the whole range stands below each difference, as the GUM (JCGM \
     100) adds it up; a chain that is the same on both sides cancels. What a load adds in volts carries it.",
];

/// How it was done, and how to do it again.
pub(super) fn methods(job: &Job<'_>, description: &str) -> Section {
    let mut section = Section::new("methods", "Methods and settings").folded();
    section.blocks.push(Block::List(METHODS.map(str::to_owned).to_vec()));
    let settings = settings_of(job.settings(None)).unwrap_or_default();
    let mut facts: Vec<(String, String)> = settings
        .into_iter()
        .filter(|(_, value)| !value.is_null())
        .map(|(key, value)| (key, value.to_string()))
        .collect();
    facts.push(("bands".to_owned(), job.scheme.to_string()));
    facts.push(("version".to_owned(), made_by(COMMAND)));
    section.blocks.push(Block::Definitions(facts));
    section.blocks.push(Block::Paragraph("The command that makes this report again:".to_owned()));
    section.blocks.push(Block::Code(format!("{} {COMMAND} {}", env!("CARGO_PKG_NAME"), shell(description))));
    section
}

/// A word as a shell takes it for one.
fn shell(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

/// What the figures do not say.
pub(super) fn limits(job: &Job<'_>) -> Section {
    let caution = Notice {
        kind: NoticeKind::Caution,
        heading: "Mains can kill".to_owned(),
        lines: vec![
            "Isolated or differential probes of the right measurement category; never float the scope. A plug-in \
             capacitor carries mains current and stays charged. This is work for qualified persons; local codes come \
             first."
                .to_owned(),
        ],
    };
    let mut limits = vec![
        "An indication from field captures: no conformity assessment, and nothing about health.".to_owned(),
        "One capture a side cannot tell a load from the time of day. Three or more of each, taken alternately, can."
            .to_owned(),
        "The range ends at half the sampling rate; what folds back below that cannot be told from a real signal."
            .to_owned(),
        "Near 9 kHz and below, the air channel is in the near field: electric and magnetic field are two quantities, \
         and neither is worked out from the other."
            .to_owned(),
        "That wire and air rise together does not prove that one causes the other.".to_owned(),
        "Levels are set beside published ones only where detector, bandwidth, unit and port are the same.".to_owned(),
        "A receiver reading is of the record, not of the line before and after it.".to_owned(),
    ];
    let has_air = job.survey.cases.iter().any(|case| case.antenna_distance_m.is_some());
    if has_air {
        limits.push(format!(
            "Levels {} hold for the distance and the orientation of the antenna that are told.",
            sentences::place(Role::Air)
        ));
    }
    Section::new("limits", "Cautions and limits").with(Block::Notice(caution)).with(Block::List(limits))
}
