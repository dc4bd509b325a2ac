//! Figures from results: which panels, which series, which words.

use super::figure::{Axis, Bar, Figure, LevelMap, Mark, Panel, PhaseAxis, Row, Series, Shape, Style, Tie};
use super::sentences::{self, short_name};
use crate::analysis::bands::{CaptureBands, ChannelBands, GroupValue};
use crate::analysis::batch::Batch;
use crate::analysis::compare::{ChannelComparison, Comparison, SideSpectrum};
use crate::analysis::coupling::{Coupling, CouplingChange};
use crate::analysis::emissions::{CaptureEmissions, ChangeRow, ChannelEmissions, EmissionComparison, Looks};
use crate::analysis::levels::Listed;
use crate::analysis::over_time::{Interval, OverTime, WholeChannel};
use crate::analysis::phase_map::{CapturePhaseMap, ChannelPhaseMap};
use crate::analysis::pipeline::Spectral;
use crate::analysis::receiver::{CaptureReadings, ChannelReadings, CourseLevels};
use crate::analysis::settings::Settings;
use crate::analysis::setup::{ChannelChain, Correction};
use crate::analysis::spectrum::CaptureSpectrum;
use crate::analysis::transients::{CaptureTransients, ChannelTransients, PHASE_BINS};
use crate::analysis::waveform::CaptureWaveform;
use crate::capture::{Quantity, Role};
use crate::compare::added::BandAddition;
use crate::compare::before_after::BandChange;
use crate::compare::coupling::BandCause;
use crate::compare::emissions::Fate;
use crate::compare::load::BandLoad;
use crate::compare::margin::{Against, INDICATION, NOT_EXPOSURE};
use crate::levels::{Curve, Kind};
use crate::measure::bands::BandValue;
use crate::measure::detector::DETECTORS;
use crate::units::{Band, Level, prefix_of};

/// So many captures of a ranking are drawn at most.
const MOST_BARS: usize = 60;
/// The height in pixels of a ranked row and of what stands around the rows.
const RANKED_ROW: u32 = 30;
const RANKED_FRAME: u32 = 330;
/// The same for panels of levels.
const LEVELS_ROW: u32 = 380;
const LEVELS_FRAME: u32 = 170;
/// What a picture grows by for each level that is told of.
const TOLD: u32 = 100;

fn style(role: Role) -> Style {
    match role {
        Role::Wire => Style::Wire,
        Role::Air => Style::Air,
        Role::Other => Style::Neutral,
    }
}

fn before_style(role: Role) -> Style {
    match role {
        Role::Wire => Style::WireBefore,
        Role::Air => Style::AirBefore,
        Role::Other => Style::Neutral,
    }
}

fn after_style(role: Role) -> Style {
    match role {
        Role::Wire => Style::WireAfter,
        Role::Air => Style::AirAfter,
        Role::Other => Style::Neutral,
    }
}

fn role_title(role: Role) -> &'static str {
    match role {
        Role::Wire => "Wire",
        Role::Air => "Air",
        Role::Other => "Other",
    }
}

/// The role, with the channel's own name where that says something else.
fn channel_title(role: Role, name: &str) -> String {
    let role = role_title(role);
    if name.eq_ignore_ascii_case(role) { role.to_owned() } else { format!("{role}: {name}") }
}

fn level_label(unit: &Quantity) -> String {
    format!("Level, {}", unit.level_reference())
}

/// The panel with the levels that may be drawn in it, named at their lines.
fn with_levels(mut panel: Panel, against: &[Against], range: Band) -> Panel {
    let drawn = against.iter().filter(|against| against.is_drawn());
    for (number, against) in (0u8..).zip(drawn) {
        panel = panel.with(level_line(&against.curve, number, range));
    }
    panel
}

fn level_line(curve: &Curve, number: u8, range: Band) -> Series {
    Series::new(curve.name.clone(), Style::Level(number), Shape::Line(curve.corners(range)))
}

/// What a picture says of levels: margins and sums under the title, where they come from and reasons in the caption.
/// Gives the height that the picture needs for it.
fn told<'a>(
    channels: impl Iterator<Item = (Role, &'a [Against])> + Clone,
    conclusion: &mut Vec<String>,
    caption: &mut Vec<String>,
) -> u32 {
    let all = channels.flat_map(|(role, against)| against.iter().map(move |against| (role, against)));
    let mut held: Vec<Against> = Vec::new();
    let mut reasons: Vec<String> = Vec::new();
    for (role, against) in all {
        // What is not drawn needs no words in a picture.
        if !against.is_drawn() {
            continue;
        }
        match sentences::in_short(role, against) {
            Some(figure) => {
                conclusion.push(figure);
                reasons.push(format!("{}: {}.", against.curve.name, sentences::of_source(&against.curve)));
            }
            None => reasons.push(sentences::of_against(role, against)),
        }
        held.push(against.clone());
    }
    if !held.is_empty() {
        for statement in sentences::of_statements(&held) {
            if !caption.iter().any(|said| said == statement) {
                caption.push(statement.to_owned());
            }
        }
        caption.append(&mut reasons);
    }
    Figure::SIZE.1 + TOLD * u32::try_from(held.len()).unwrap_or(0).min(10)
}

/// Published levels over frequency: one panel for each unit and kind.
pub fn levels(levels: &[Listed]) -> Figure {
    let usual = Settings::default().range;
    let one = if let [level] = levels { Some(&level.curve) } else { None };
    let range = one.and_then(|curve| Band::new(curve.covers().0, curve.covers().1).ok()).unwrap_or(usual);
    let mut groups: Vec<(&Curve, Vec<&Curve>)> = Vec::new();
    for Listed { curve, .. } in levels.iter().filter(|level| !level.curve.corners(range).is_empty()) {
        match groups.iter_mut().find(|(first, _)| first.unit == curve.unit && first.kind == curve.kind) {
            Some((_, group)) => group.push(curve),
            None => groups.push((curve, vec![curve])),
        }
    }
    let panel = |(first, group): &(&Curve, Vec<&Curve>)| {
        let title = if one.is_some() { first.title.clone() } else { format!("{}s", capital(first.kind.word())) };
        let label = format!("Level, {}", first.level_reference());
        let levels = || group.iter().flat_map(|curve| curve.corners(range)).map(|corner| corner.1);
        let (low, high) = (levels().fold(f64::INFINITY, f64::min), levels().fold(f64::NEG_INFINITY, f64::max));
        // Room above and below for the names.
        let axis = Axis::linear(label).over(((low - 5.0) / 10.0).floor() * 10.0, ((high + 5.0) / 10.0).ceil() * 10.0);
        let panel = Panel::new(title, frequency_axis(range), axis);
        (0u8..).zip(group).fold(panel, |panel, (number, curve)| panel.with(level_line(curve, number, range)))
    };
    let panels: Vec<Panel> = groups.iter().map(panel).collect();
    let across = if panels.len() > 3 { 2 } else { 1 };
    let rows: Vec<Row> = panels.chunks(across).map(|panels| Row::new(panels.to_vec())).collect();
    let height = LEVELS_FRAME + LEVELS_ROW * u32::try_from(rows.len()).unwrap_or(1);
    let mut caption = match one {
        Some(curve) => vec![format!("{}.", sentences::of_source(curve))],
        None => Vec::new(),
    };
    caption.push(INDICATION.to_owned());
    if groups.iter().any(|(first, _)| first.kind == Kind::ExposureReference) {
        caption.push(NOT_EXPOSURE.to_owned());
    }
    Figure {
        rows,
        caption,
        height: height.max(Figure::SIZE.1),
        ..Figure::new(one.map_or("Which reference levels are known?".to_owned(), |curve| curve.name.clone()))
    }
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

fn frequency_axis(range: Band) -> Axis {
    Axis::frequency(range.low().max(1.0), range.high())
}

/// What took the mains out, for captions.
fn high_pass(settings: &Settings) -> String {
    settings.high_pass.map_or("no high-pass".to_owned(), |cutoff| {
        format!("4th-order high-pass at {cutoff}, divided out again above it")
    })
}

/// How the estimate was made, for captions.
fn method(settings: &Settings, enbw_hz: f64, segments: Option<u64>) -> String {
    let averages = segments.map_or(String::new(), |n| format!(", {n} segments averaged"));
    let high_pass = high_pass(settings);
    format!(
        "Window {}, noise bandwidth {enbw_hz:.1} Hz, overlap {:.0} %{averages}; {high_pass}.",
        settings.window,
        100.0 * settings.overlap
    )
}

fn range_of(spectral: &Spectral) -> Band {
    Band::new(spectral.range_low_hz, spectral.range_high_hz).unwrap_or_else(|_| Settings::default().range)
}

/// Wire above air, level over frequency, with the converter's floor.
pub fn spectrum(capture: &CaptureSpectrum, settings: &Settings) -> Figure {
    let range = range_of(&capture.analysis);
    let rows = capture
        .channels
        .iter()
        .map(|channel| {
            let points = |levels: &[Level]| {
                channel.frequency_hz.iter().copied().zip(levels.iter().map(|level| level.get())).collect::<Vec<_>>()
            };
            let title = channel_title(channel.role, &channel.name);
            let mut panel = Panel::new(title, frequency_axis(range), Axis::linear(level_label(&channel.unit)))
                .with(Series::new(
                    "largest segment",
                    before_style(channel.role),
                    Shape::Line(points(&channel.max_level_db)),
                ))
                .with(Series::new("mean", style(channel.role), Shape::Line(points(&channel.level_db))));
            if !channel.floor_levels_db.is_empty() {
                let floor = Shape::Line(points(&channel.floor_levels_db));
                panel = panel.with(Series::new("the recorder's own floor", Style::Floor, floor));
            }
            Row::new(vec![with_levels(panel, &channel.against, range)])
        })
        .collect();
    let mut conclusion = sentences::of_spectrum(capture);
    let mut caption = vec![
        method(settings, capture.analysis.enbw_hz, Some(capture.analysis.segments)),
        format!(
            "File {}, {:.0} samples a second; mains {}.",
            capture.path,
            capture.sample_rate_hz,
            capture.mains.words()
        ),
    ];
    let against = capture.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
    let height = told(against, &mut conclusion, &mut caption);
    Figure { conclusion, rows, caption, height, ..Figure::new("Which frequencies, how strong?") }
}

/// How the spectra of a search for emissions were made.
fn looks(looks: &Looks, settings: &Settings) -> String {
    let fine = match (looks.fine_enbw_hz, looks.fine_segments) {
        (Some(width), Some(segments)) => format!(" and {width:.1} Hz ({segments} segments)"),
        _ => String::new(),
    };
    format!(
        "Window {}, noise bandwidth {:.1} Hz ({} segments){fine}, overlap {:.0} %; the spectrum drawn is the first. \
         Emissions are numbered low to high, as in the table.",
        settings.window,
        looks.enbw_hz,
        looks.segments,
        100.0 * looks.overlap
    )
}

fn emission_panel(channel: &ChannelEmissions, title: String, range: Band, style: Style) -> Panel {
    let points = |levels: &[Level]| {
        channel.frequency_hz.iter().copied().zip(levels.iter().map(|level| level.get())).collect::<Vec<_>>()
    };
    Panel::new(title, frequency_axis(range), Axis::linear(level_label(&channel.unit)))
        .with(Series::new("spectrum", style, Shape::Line(points(&channel.level_db))))
        .with(Series::new("floor, running median", Style::Floor, Shape::Line(points(&channel.floor_level_db))))
}

/// Wire above air with the floor and a number at each emission.
pub fn emissions(capture: &CaptureEmissions, settings: &Settings) -> Figure {
    let range = Band::new(capture.analysis.range_low_hz, capture.analysis.range_high_hz).unwrap_or(settings.range);
    let rows = capture
        .channels
        .iter()
        .map(|channel| {
            let title = channel_title(channel.role, &channel.name);
            let mut panel = emission_panel(channel, title, range, style(channel.role));
            // The strongest keep their numbers where there is no room for all.
            let mut marked: Vec<_> = channel.emissions.iter().collect();
            marked.sort_by(|a, b| b.rms.total_cmp(&a.rms));
            panel.marks =
                marked.iter().map(|row| Mark { x: row.frequency_hz, label: row.number.to_string() }).collect();
            Row::new(vec![panel])
        })
        .collect();
    Figure {
        conclusion: sentences::of_emissions(capture),
        rows,
        caption: vec![
            looks(&capture.analysis, settings),
            format!(
                "File {}, {:.0} samples a second; mains {}.",
                short_name(&capture.path),
                capture.sample_rate_hz,
                capture.mains.words()
            ),
        ],
        ..Figure::new("Which narrowband emissions stand out?")
    }
}

/// Before and after side by side, wire above air; marked is what is new, gone or moved.
pub fn emission_changes(comparison: &EmissionComparison, settings: &Settings) -> Figure {
    let (Some(before), Some(after)) = (comparison.before.first(), comparison.after.first()) else {
        return Figure::new("What became of the emissions?");
    };
    let range = Band::new(before.analysis.range_low_hz, before.analysis.range_high_hz).unwrap_or(settings.range);
    let rows = comparison
        .channels
        .iter()
        .map(|change| {
            let panel = |capture: &CaptureEmissions, title: &str, is_after: bool| {
                let channel = capture.channels.iter().find(|channel| channel.role == change.role)?;
                let title = format!("{} {title}", role_title(change.role));
                let mut panel = emission_panel(channel, title, range, style(change.role));
                let side = |row: &'_ ChangeRow| if is_after { row.after.clone() } else { row.before.clone() };
                let mark = |row: &ChangeRow| {
                    let label = match row.verdict {
                        Fate::NoChangeShown => return None,
                        Fate::CannotTell => "?",
                        verdict => verdict.words(),
                    };
                    Some(Mark { x: side(row)?.frequency_hz, label: label.to_owned() })
                };
                panel.marks = change.emissions.iter().filter_map(mark).collect();
                Some(panel)
            };
            Row::new([panel(before, "before", false), panel(after, "after", true)].into_iter().flatten().collect())
        })
        .collect();
    let names = |captures: &[CaptureEmissions]| {
        sentences::of_files(&captures.iter().map(|capture| capture.path.clone()).collect::<Vec<_>>())
    };
    Figure {
        conclusion: sentences::of_emission_changes(comparison),
        rows,
        caption: vec![
            looks(&before.analysis, settings),
            format!(
                "before: {}. after: {}. Drawn is the first of each.",
                names(&comparison.before),
                names(&comparison.after)
            ),
        ],
        ..Figure::new("What became of the emissions?")
    }
}

/// Impulses over the mains phase, each impulse with its peak, and the strongest with its ring; wire left, air right.
pub fn transients(capture: &CaptureTransients, settings: &Settings) -> Figure {
    let row = |share: f64, panel: &dyn Fn(&ChannelTransients) -> Panel| Row {
        share,
        panels: capture.channels.iter().map(panel).collect(),
    };
    let phase_axis = || Axis::turn("Mains phase, °");
    let mut rows = Vec::new();
    if capture.no_phase.is_none() {
        rows.push(row(0.8, &|channel| {
            let width = 360.0 / PHASE_BINS as f64;
            let bars = channel.phase_histogram.iter().flatten().enumerate().map(|(bin, count)| Bar {
                from: bin as f64 * width,
                to: (bin + 1) as f64 * width,
                value: *count as f64,
                interval: None,
            });
            let bars = Shape::Bars { bars: bars.collect(), base: Some(0.0) };
            let most = channel.phase_histogram.iter().flatten().max().map_or(1.0, |most| (*most).max(1) as f64);
            Panel::new(
                channel_title(channel.role, &channel.name),
                phase_axis(),
                Axis::linear("Impulses").over(0.0, 1.1 * most),
            )
            .with(Series::unnamed(style(channel.role), bars))
        }));
        rows.push(row(0.8, &|channel| {
            let largest = channel.events.iter().map(|event| event.peak).fold(0.0, f64::max);
            let (factor, prefix) = readable(&channel.unit, largest);
            let mut points: Vec<(f64, f64)> =
                channel.events.iter().filter_map(|e| Some((e.mains_phase_deg?, e.peak / factor))).collect();
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            // A stem for each; the gaps keep them apart.
            let stems =
                points.into_iter().flat_map(|(phase, peak)| [(phase, 0.0), (phase, peak), (phase, f64::NAN)]).collect();
            let label = format!("Peak, {prefix}{}", channel.unit.symbol());
            let top = if largest > 0.0 { 1.1 * largest / factor } else { 1.0 };
            Panel::new("Peak of each impulse", phase_axis(), Axis::linear(label).over(0.0, top))
                .with(Series::unnamed(style(channel.role), Shape::Line(stems)))
        }));
    }
    rows.push(row(1.0, &strongest_panel));
    let high_pass =
        settings.high_pass.map_or("no high-pass".to_owned(), |cutoff| format!("4th-order high-pass at {cutoff}"));
    let low_pass = capture.low_pass_hz.map_or(String::new(), |cutoff| format!(", 4th-order low-pass at {cutoff}"));
    let phase = if capture.no_phase.is_none() {
        " Mains phase: 0° where what is left of the fundamental rises through zero; a coupling network turns that phase."
    } else {
        ""
    };
    Figure {
        conclusion: sentences::of_transients(capture),
        rows,
        caption: vec![
            format!(
                "High-passed samples ({high_pass}{low_pass}), threshold over the robust noise of each five mains periods.{phase}"
            ),
            format!(
                "File {}, {:.0} samples a second; mains {}.",
                short_name(&capture.path),
                capture.sample_rate_hz,
                capture.mains.words()
            ),
        ],
        height: 1000,
        ..Figure::new("Which impulses, how often, where in the mains cycle?")
    }
}

fn readable(unit: &Quantity, largest: f64) -> (f64, &'static str) {
    match unit {
        Quantity::Unit(_) => prefix_of(largest),
        _ => (1.0, ""),
    }
}

fn strongest_panel(channel: &ChannelTransients) -> Panel {
    let shown = channel.strongest.as_ref();
    let largest = shown.iter().flat_map(|s| &s.samples).fold(0.0f64, |most, x| most.max(x.abs()));
    let (factor, prefix) = readable(&channel.unit, largest);
    let label = format!("{}, {prefix}{}", channel_title(channel.role, &channel.name), channel.unit.symbol());
    let line = |values: &[f64]| {
        let times = shown.iter().flat_map(|s| &s.time_s);
        Shape::Line(times.zip(values).map(|(t, x)| (1e3 * t, x / factor)).collect())
    };
    let title = if shown.is_some() { "The strongest impulse" } else { "No impulse" };
    let mut panel = Panel::new(title, Axis::linear("Time after the onset, ms"), Axis::linear(label));
    if let Some(strongest) = shown {
        panel = panel.with(Series::new("samples", style(channel.role), line(&strongest.samples)));
        if !strongest.ring.is_empty() {
            panel = panel.with(Series::new("fitted ring", Style::Difference, line(&strongest.ring)));
        }
    }
    panel
}

/// The total correction of each chain over frequency, with its standard uncertainty as a shade.
pub fn chains(chains: &[ChannelChain], file: &str) -> Figure {
    let panel = |chain: &ChannelChain| {
        let known = |row: &Correction| Some((row.frequency_hz, row.correction_db?, row.standard_uncertainty_db?));
        let known: Vec<(f64, f64, f64)> = chain.curve.iter().filter_map(known).collect();
        let label = format!("Correction, {}", sentences::correction_unit(chain.unit));
        let shade = known.iter().map(|&(frequency, db, u)| (frequency, db - 2.0 * u, db + 2.0 * u)).collect();
        let line = known.iter().map(|&(frequency, db, _)| (frequency, db)).collect();
        let range = Settings::default().range;
        let mut panel = Panel::new(channel_title(chain.role, &chain.about), frequency_axis(range), Axis::linear(label));
        if known.iter().any(|&(_, _, u)| u > 0.0) {
            panel = panel.with(Series::new("two standard uncertainties", style(chain.role), Shape::Interval(shade)));
        }
        panel.with(Series::new("total correction", style(chain.role), Shape::Line(line)))
    };
    Figure {
        conclusion: sentences::of_chains(chains),
        rows: chains.iter().map(|chain| Row::new(vec![panel(chain)])).collect(),
        caption: vec![format!("What is added to a level in dBµV at the recorder. File {file}.")],
        ..Figure::new("What does this measuring chain correct?")
    }
}

fn band_bars(bands: &[BandValue]) -> Vec<Bar> {
    bands
        .iter()
        .map(|value| Bar { from: value.band.low(), to: value.band.high(), value: value.level_db.get(), interval: None })
        .collect()
}

/// Wire above air, level of each band.
pub fn bands(capture: &CaptureBands, settings: &Settings) -> Figure {
    let range = range_of(&capture.analysis);
    let rows = capture
        .channels
        .iter()
        .map(|channel| {
            let title = channel_title(channel.role, &channel.name);
            let mut panel =
                Panel::new(title, frequency_axis(range), Axis::linear(level_label(&channel.unit))).with(Series::new(
                    "level in the band",
                    style(channel.role),
                    Shape::Bars { bars: band_bars(&channel.bands), base: None },
                ));
            let floor: Vec<Bar> = channel
                .bands
                .iter()
                .filter_map(|value| {
                    let level = Level::of_rms(value.floor_rms?).get();
                    Some(Bar { from: value.band.low(), to: value.band.high(), value: level, interval: None })
                })
                .collect();
            if !floor.is_empty() {
                panel = panel.with(Series::new("the recorder's own floor", Style::Floor, Shape::Steps(floor)));
            }
            Row::new(vec![with_levels(panel, &channel.against, range)])
        })
        .collect();
    let mut conclusion = sentences::of_bands(capture);
    let mut caption = vec![
        method(settings, capture.analysis.enbw_hz, Some(capture.analysis.segments)),
        format!("File {}, {:.0} samples a second.", capture.path, capture.sample_rate_hz),
    ];
    let against = capture.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
    let height = told(against, &mut conclusion, &mut caption);
    Figure { conclusion, rows, caption, height, ..Figure::new("How much energy sits in each band?") }
}

/// A row a channel: the level of the range over time, and beside it the levels of the bands as colours.
pub fn over_time(capture: &OverTime) -> Figure {
    let begin = capture.intervals.first().map_or(0.0, |first| first.from_s);
    let end = capture.intervals.last().map_or(1.0, |last| last.to_s);
    let (unit_s, word) = match end {
        end if end < 120.0 => (1.0, "s"),
        end if end < 7200.0 => (60.0, "min"),
        _ => (3600.0, "h"),
    };
    let range = Some((begin / unit_s, end / unit_s));
    let time = || Axis { range, ..Axis::linear(format!("Time, {word}")) };
    let row = |(number, channel): (usize, &WholeChannel)| {
        let title = channel_title(channel.role, &channel.name);
        let level = |interval: &Interval| {
            let found = interval.channels.get(number)?;
            Some(Bar {
                from: interval.from_s / unit_s,
                to: interval.to_s / unit_s,
                value: found.total.level_db?,
                interval: found.ci95_db.map(|[low, high]| (low, high)),
            })
        };
        let levels = capture.intervals.iter().filter_map(level).collect();
        let steps = Panel::new(format!("{title}: the whole range"), time(), Axis::linear(level_label(&channel.unit)))
            .with(Series::new("level of each interval", style(channel.role), Shape::Steps(levels)));
        let bands = &channel.bands;
        let edges = |first: f64, last: f64| Band::new(first, last).ok();
        let range = bands.first().zip(bands.last()).and_then(|(a, b)| edges(a.mean.low_hz, b.mean.high_hz));
        let Some(range) = range.filter(|_| bands.len() > 1) else { return Row::new(vec![steps]) };
        let mut map = Panel::new(format!("{title}: by band"), time(), frequency_axis(range));
        map.map = Some(time_map(capture, number, unit_s, &channel.unit));
        Row::new(vec![steps, map])
    };
    let identity = &capture.identity;
    Figure {
        conclusion: sentences::of_over_time(capture),
        rows: capture.channels.iter().enumerate().map(row).collect(),
        caption: vec![format!(
            "File {}, {:.0} samples a second. Each interval of {} is looked at by itself.",
            identity.path,
            identity.sample_rate_hz,
            sentences::duration(identity.every_s)
        )],
        height: 1000,
        ..Figure::new("How do the levels move over time?")
    }
}

/// The levels of all bands over time; what was not looked at is left blank.
fn time_map(capture: &OverTime, channel: usize, unit_s: f64, unit: &Quantity) -> LevelMap {
    let bands = |interval: &Interval| -> Vec<f64> {
        let found = interval.channels.get(channel);
        found.iter().flat_map(|found| &found.bands).map(|band| band.level_db.unwrap_or(f64::NAN)).collect()
    };
    let (mut x_edges, mut levels) = (Vec::new(), Vec::new());
    for interval in &capture.intervals {
        let from = interval.from_s / unit_s;
        match x_edges.last() {
            // Intervals between were not looked at.
            Some(&last) if from > last + 1e-9 * from.abs() => levels.push(Vec::new()),
            Some(_) => drop(x_edges.pop()),
            None => {}
        }
        x_edges.extend([from, interval.to_s / unit_s]);
        levels.push(bands(interval));
    }
    let first = capture.intervals.iter().flat_map(|interval| interval.channels.get(channel)).next();
    let bands = first.map_or(&[][..], |channel| &channel.bands);
    let mut y_edges: Vec<f64> = bands.iter().map(|band| band.low_hz).collect();
    y_edges.extend(bands.last().map(|band| band.high_hz));
    LevelMap { x_edges, y_edges, range: map_range(&levels), levels, label: level_label(unit) }
}

/// Wire above air, level of each group of a published method, with its spread from window to window or interval to
/// interval.
pub fn groups(capture: &CaptureBands, settings: &Settings) -> Figure {
    let groups = capture.channels.iter().flat_map(|channel| &channel.grouped).flat_map(|grouped| &grouped.groups);
    let ends = groups.fold((f64::INFINITY, 0.0_f64), |(low, high), group| {
        (low.min(group.value.band.low()), high.max(group.value.band.high()))
    });
    let range = Band::new(ends.0, ends.1).unwrap_or(settings.range);
    let several = capture.grouping.is_some_and(|formed| formed.intervals > 1);
    let row = |channel: &ChannelBands| {
        let groups = channel.grouped.as_ref().map_or(&[][..], |grouped| &grouped.groups);
        let windows = groups.iter().any(|group| group.min_rms.is_some());
        let bar = |group: &GroupValue| Bar {
            from: group.value.band.low(),
            to: group.value.band.high(),
            value: group.value.level_db.get(),
            interval: match (group.min_level_db, group.max_level_db) {
                (Some(least), Some(most)) => Some((least.get(), most.get())),
                _ => several.then(|| {
                    let level = |rms| Level::of_rms(rms).get();
                    (level(group.lowest_interval_rms), level(group.highest_interval_rms))
                }),
            },
        };
        let name = match (windows, several) {
            (true, _) => "level of the group, smallest to largest window",
            (false, true) => "level of the group, smallest to largest interval",
            (false, false) => "level of the group",
        };
        let bars = groups.iter().map(bar).collect();
        let title = channel_title(channel.role, &channel.name);
        let panel = Panel::new(title, frequency_axis(range), Axis::linear(level_label(&channel.unit)))
            .with(Series::new(name, style(channel.role), Shape::Bars { bars, base: None }));
        Row::new(vec![panel])
    };
    let formed = capture.grouping.as_ref().map_or(String::new(), |formed| {
        format!(
            "{}: {}. Resampled band-limited, within {} dB; {}.",
            formed.grouping.words(),
            sentences::formed_words(formed),
            formed.resampling_error_db,
            high_pass(settings)
        )
    });
    Figure {
        conclusion: sentences::of_groups(capture).into_iter().skip(1).collect(),
        rows: capture.channels.iter().map(row).collect(),
        caption: vec![formed, format!("File {}, {:.0} samples a second.", capture.path, capture.sample_rate_hz)],
        ..Figure::new("How much energy sits in each group?")
    }
}

/// The dark end of a map lies no further below its largest level than this.
const MAP_DEPTH_DB: f64 = 60.0;

/// Wire above air, level by mains phase and frequency.
pub fn phase_map(capture: &CapturePhaseMap, settings: &Settings) -> Figure {
    let range = range_of(&capture.analysis);
    let row = |channel: &ChannelPhaseMap| {
        let title = channel_title(channel.role, &channel.name);
        let mut panel = Panel::new(title, Axis::turn("Mains phase, °"), frequency_axis(range));
        panel.map = Some(level_map(capture, channel));
        Row::new(vec![panel])
    };
    Figure {
        conclusion: sentences::of_phase_map(capture),
        rows: capture.channels.iter().map(row).collect(),
        caption: vec![
            format!(
                "Mean of {:.0} mains cycles; phase: {}. Mains {}.",
                capture.cycles,
                capture.phase_reference.words(),
                capture.mains.words()
            ),
            format!(
                "Window {} of {:.2} ms, noise bandwidth {:.0} Hz, {} phases; file {}, {:.0} samples a second.",
                settings.window,
                1e3 * capture.analysis.segment_samples as f64 / capture.sample_rate_hz,
                capture.analysis.enbw_hz,
                capture.phase_deg.len(),
                capture.path,
                capture.sample_rate_hz
            ),
        ],
        height: 1000,
        ..Figure::new("Where in the mains cycle does the noise sit?")
    }
}

fn level_map(capture: &CapturePhaseMap, channel: &ChannelPhaseMap) -> LevelMap {
    let phases = capture.phase_deg.len();
    let half = capture.analysis.bin_hz / 2.0;
    let first = capture.frequency_hz.first().map(|frequency| (frequency - half).max(half / 2.0));
    let levels: Vec<Vec<f64>> =
        channel.map_level_db.iter().map(|column| column.iter().map(|level| level.get()).collect()).collect();
    LevelMap {
        x_edges: (0..=phases).map(|k| 360.0 * k as f64 / phases as f64).collect(),
        y_edges: first.into_iter().chain(capture.frequency_hz.iter().map(|frequency| frequency + half)).collect(),
        range: map_range(&levels),
        levels,
        label: level_label(&channel.unit),
    }
}

/// The levels at the dark and at the light end of a map.
fn map_range(levels: &[Vec<f64>]) -> (f64, f64) {
    let mut sorted: Vec<f64> = levels.iter().flatten().copied().filter(|level| level.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let highest = sorted.last().copied().unwrap_or(0.0);
    // A hundredth of the cells may lie below the dark end.
    let lowest = sorted.get(sorted.len() / 100).copied().unwrap_or(0.0).max(highest - MAP_DEPTH_DB);
    let (low, high) = ((lowest / 5.0).floor() * 5.0, (highest / 5.0).ceil() * 5.0);
    (low, if high > low { high } else { low + 5.0 })
}

/// Wire left, air right; above peak and quasi-peak, below RMS-average and average, and the course of time where it
/// was asked for.
pub fn receiver(capture: &CaptureReadings, settings: &Settings) -> Figure {
    let analysis = &capture.analysis;
    let upper = capture.channels.iter().map(|channel| {
        let title = format!("{}: peak and quasi-peak", channel_title(channel.role, &channel.name));
        readings_panel(
            title,
            channel,
            [("peak", before_style(channel.role)), ("quasi_peak", after_style(channel.role))],
        )
    });
    let upper = upper.zip(&capture.channels).map(|(panel, channel)| {
        let range = Band::new(analysis.first_hz, analysis.last_hz).unwrap_or(settings.range);
        with_levels(panel, &channel.against, range)
    });
    let lower = capture.channels.iter().map(|channel| {
        let title = "RMS-average and average".to_owned();
        let detectors = [("rms_average", before_style(channel.role)), ("average", after_style(channel.role))];
        let panel = readings_panel(title, channel, detectors);
        let Some(floor) = &channel.floor_db else { return panel };
        let floor = Shape::Line(level_points(&channel.frequency_hz, floor));
        panel.with(Series::new("RMS of the recorder's own floor", Style::Floor, floor))
    });
    let mut rows = vec![Row::new(upper.collect()), Row::new(lower.collect())];
    let courses: Vec<Panel> = capture.channels.iter().filter_map(course_panel).collect();
    if !courses.is_empty() {
        rows.push(Row { share: 0.9, panels: courses });
    }
    let high_pass = settings.high_pass.map_or("No high-pass".to_owned(), |cutoff| {
        format!("4th-order high-pass at {cutoff}, divided out again above it")
    });
    let mut caption = sentences::of_reception(analysis);
    caption.push(format!(
        "{high_pass}. File {}, {:.0} samples a second, {:.3} s; mains {}.",
        capture.path,
        capture.sample_rate_hz,
        analysis.duration_s,
        capture.mains.words()
    ));
    let mut conclusion = sentences::of_readings(capture);
    let against = capture.channels.iter().map(|channel| (channel.role, channel.against.as_slice()));
    let words = told(against, &mut conclusion, &mut caption) - Figure::SIZE.1;
    let height = if rows.len() > 2 { 1350 } else { 1050 } + words;
    Figure { conclusion, height, rows, caption, ..Figure::new("What does a measuring receiver read?") }
}

fn level_points(frequencies: &[f64], levels: &[Level]) -> Vec<(f64, f64)> {
    frequencies.iter().copied().zip(levels.iter().map(|level| level.get())).collect()
}

fn readings_panel(title: String, channel: &ChannelReadings, detectors: [(&str, Style); 2]) -> Panel {
    let (first, last) = (channel.frequency_hz.first(), channel.frequency_hz.last());
    let range = Axis::frequency(first.copied().unwrap_or(1.0), last.copied().unwrap_or(2.0));
    let mut panel = Panel::new(title, range, Axis::linear(level_label(&channel.unit)));
    for (name, style) in detectors {
        let words = DETECTORS.iter().find(|detector| detector.name == name).map_or(name, |detector| detector.words);
        if let Some(levels) = channel.of(name) {
            panel = panel.with(Series::new(words, style, Shape::Line(level_points(&channel.frequency_hz, levels))));
        }
    }
    panel
}

fn course_panel(channel: &ChannelReadings) -> Option<Panel> {
    let course = CourseLevels::of(channel.course.as_ref()?);
    let line = |levels: &[Level]| Shape::Line(level_points(&course.time_s, levels));
    let title = format!("{} at {} kHz over time", role_title(channel.role), course.frequency_hz / 1e3);
    Some(
        Panel::new(title, Axis::linear("Time, s"), Axis::linear(level_label(&channel.unit)))
            .with(Series::new("envelope", before_style(channel.role), line(&course.envelope_db)))
            .with(Series::new("quasi-peak needle", after_style(channel.role), line(&course.quasi_peak_db)))
            .with(Series::new("average needle", Style::Neutral, line(&course.average_db))),
    )
}

fn line(spectrum: &SideSpectrum) -> Shape {
    Shape::Line(spectrum.frequency_hz.iter().copied().zip(spectrum.level_db.iter().map(|level| level.get())).collect())
}

/// A change of a band as the lower panels show it.
struct Change {
    band: Band,
    db: Option<f64>,
    interval: Option<[f64; 2]>,
}

impl Change {
    fn bar(self) -> Option<Bar> {
        let interval = self.interval.map(|[low, high]| (low, high));
        Some(Bar { from: self.band.low(), to: self.band.high(), value: self.db?, interval })
    }
}

/// Changes as bars about zero.
fn changes_panel(title: &str, range: Band, label: &str, changes: impl Iterator<Item = Change>) -> Panel {
    let bars = changes.filter_map(Change::bar).collect();
    Panel::new(title, frequency_axis(range), Axis::linear(label.to_owned()))
        .with(Series::unnamed(Style::Neutral, Shape::Level(0.0)))
        .with(Series::new("each band with its 95 % interval", Style::Difference, Shape::Bars { bars, base: Some(0.0) }))
}

fn spectra_panel<Row_>(channel: &ChannelComparison<Row_>, range: Band, names: (&str, &str)) -> Panel {
    let panel = Panel::new(role_title(channel.role), frequency_axis(range), Axis::linear(level_label(&channel.unit)))
        .with(Series::new(names.0, before_style(channel.role), line(&channel.first)))
        .with(Series::new(names.1, after_style(channel.role), line(&channel.second)));
    match &channel.floor {
        Some(floor) => panel.with(Series::new("the recorder's own floor", Style::Floor, line(floor))),
        None => panel,
    }
}

fn comparison_figure<Row_>(
    title: &str,
    comparison: &Comparison<Row_>,
    settings: &Settings,
    names: (&str, &str),
    label: &str,
    conclusion: Vec<String>,
    change: impl Fn(&Row_) -> Change,
) -> Figure {
    let range = Band::new(comparison.range_low_hz, comparison.range_high_hz).unwrap_or(settings.range);
    let above = comparison.channels.iter().map(|channel| spectra_panel(channel, range, names)).collect();
    let changes =
        |channel: &ChannelComparison<Row_>| changes_panel("", range, label, channel.bands.iter().map(&change));
    let below = comparison.channels.iter().map(changes).collect();
    let files = |paths: &[String]| paths.iter().map(|path| short_name(path)).collect::<Vec<_>>().join(", ");
    Figure {
        conclusion,
        rows: vec![Row::new(above), Row { share: 0.7, panels: below }],
        caption: vec![
            method(settings, comparison.enbw_hz, None),
            format!("{}.", sentences::sides(&comparison.first, &comparison.second, names)),
            format!(
                "{}: {}. {}: {}.",
                names.0,
                files(&comparison.first.paths),
                names.1,
                files(&comparison.second.paths)
            ),
        ],
        ..Figure::new(title)
    }
}

/// Before and after above, the change with its interval below, that of the load's own noise under it where captures
/// with the load off tell; wire left, air right.
pub fn changes(comparison: &Comparison<BandChange>, settings: &Settings) -> Figure {
    let change = |row: &BandChange| Change { band: row.band, db: row.change_db, interval: row.ci95_db };
    let conclusion = sentences::of_change(comparison);
    let names = ("before", "after");
    let mut figure = comparison_figure("What changed?", comparison, settings, names, "Change, dB", conclusion, change);
    let of_load = |row: &BandLoad| Change { band: row.before.band, db: row.change_db, interval: row.ci95_db };
    let range = Band::new(comparison.range_low_hz, comparison.range_high_hz).unwrap_or(settings.range);
    let loads: Vec<Panel> = comparison
        .channels
        .iter()
        .filter_map(|channel| channel.load.as_ref())
        .map(|load| changes_panel("What the load itself adds", range, "Change, dB", load.bands.iter().map(of_load)))
        .collect();
    if !loads.is_empty() {
        figure.rows.push(Row { share: 0.7, panels: loads });
        figure.height = figure.height * 4 / 3;
    }
    figure
}

/// Off and on above, the rise with its interval below; wire left, air right.
pub fn additions(comparison: &Comparison<BandAddition>, settings: &Settings) -> Figure {
    let change = |row: &BandAddition| Change { band: row.band, db: row.rise_db, interval: row.ci95_db };
    let conclusion = sentences::of_addition(comparison);
    comparison_figure("What does the load add?", comparison, settings, ("off", "on"), "Rise, dB", conclusion, change)
}

/// A line through some of the bins, with gaps where the others are.
fn through(capture: &Coupling, keep: impl Fn(usize) -> bool, value: impl Fn(usize) -> f64) -> Shape {
    let points =
        (0..capture.frequency_hz.len()).map(|k| (capture.frequency_hz[k], if keep(k) { value(k) } else { f64::NAN }));
    Shape::Line(points.collect())
}

/// The 95 % interval about a value in some of the bins.
fn about(capture: &Coupling, keep: impl Fn(usize) -> bool, ends: impl Fn(usize) -> (f64, f64)) -> Shape {
    let spans = (0..capture.frequency_hz.len()).map(|k| {
        let (low, high) = if keep(k) { ends(k) } else { (f64::NAN, f64::NAN) };
        (capture.frequency_hz[k], low, high)
    });
    Shape::Interval(spans.collect())
}

fn air_split(title: &str, capture: &Coupling, range: Band) -> Panel {
    let all = |_: usize| true;
    let panel = Panel::new(title, frequency_axis(range), Axis::linear(level_label(&capture.air_unit))).with(
        Series::new("not explained", Style::Air, through(capture, all, |k| capture.unexplained_level_db[k].get())),
    );
    if !capture.coherent.contains(&true) {
        return panel;
    }
    panel.with(Series::new(
        "explained by the wire",
        Style::WireAfter,
        through(capture, |k| capture.coherent[k], |k| capture.explained_level_db[k].get()),
    ))
}

/// Coherence with its threshold, gain and phase with their intervals, the air split into explained and not explained.
pub fn coupling(capture: &Coupling, settings: &Settings) -> Figure {
    let range = range_of(&capture.analysis);
    let all = |_: usize| true;
    let coherent = |k: usize| capture.coherent[k];
    let mut coherence = Panel::new("Coherence", frequency_axis(range), Axis::linear("Coherence γ²").over(0.0, 1.0))
        .with(Series::new("coherence", Style::Neutral, through(capture, all, |k| capture.coherence[k])))
        .with(Series::new(
            "chance exceeds it anywhere in 5 % of captures",
            Style::Floor,
            Shape::Level(capture.family_threshold),
        ));
    if capture.steady.contains(&true) {
        let steady = through(capture, |k| capture.steady[k], |k| capture.coherence[k]);
        coherence = coherence.with(Series::new("steady tone: cannot be told", Style::Difference, steady));
    }
    let error_db = |k: usize| 20.0 * (1.96 * capture.random_error[k]).ln_1p() / std::f64::consts::LN_10;
    let gain_label = if capture.air_unit == capture.wire_unit {
        "Gain, dB".to_owned()
    } else {
        format!("Gain, dB re 1 {}/{}", capture.air_unit.symbol(), capture.wire_unit.symbol())
    };
    let gain = Panel::new("Gain from wire to air, where coherent", frequency_axis(range), Axis::linear(gain_label))
        .with(Series::new(
            "95 % interval",
            Style::Difference,
            about(capture, coherent, |k| (capture.gain_db[k] - error_db(k), capture.gain_db[k] + error_db(k))),
        ))
        .with(Series::new("gain", Style::Difference, through(capture, coherent, |k| capture.gain_db[k])));
    let error_deg = |k: usize| (1.96 * capture.random_error[k]).to_degrees().min(180.0);
    let phase =
        Panel::new("Phase, where coherent", frequency_axis(range), Axis::linear("Phase, °").over(-180.0, 180.0))
            .with(Series::new(
                "95 % interval",
                Style::Difference,
                about(capture, coherent, |k| {
                    (capture.phase_deg[k] - error_deg(k), capture.phase_deg[k] + error_deg(k))
                }),
            ))
            .with(Series::new(
                "air over wire",
                Style::Difference,
                through(capture, coherent, |k| capture.phase_deg[k]),
            ));
    let files = capture.paths.iter().map(|path| short_name(path)).collect::<Vec<_>>().join(", ");
    let mut rows = vec![Row { share: 0.9, panels: vec![coherence] }];
    let any = capture.coherent.contains(&true);
    if any {
        rows.extend([Row { share: 0.8, panels: vec![gain] }, Row { share: 0.8, panels: vec![phase] }]);
    }
    rows.push(Row::new(vec![air_split("Air", capture, range)]));
    Figure {
        conclusion: sentences::of_coupling(capture),
        rows,
        caption: vec![
            method(settings, capture.analysis.enbw_hz, Some(capture.segments)),
            format!("{:.1} independent segments. File {files}.", capture.effective_segments),
        ],
        height: if any { 1200 } else { Figure::SIZE.1 },
        ..Figure::new("How much of the air is the wire's?")
    }
}

/// The air before and after, split into explained and not explained; below, the change in the air beside what the
/// wire explains.
pub fn coupling_change(change: &CouplingChange, settings: &Settings) -> Figure {
    let range = range_of(&change.before.analysis);
    let bars = |value: &dyn Fn(&BandCause) -> Change| -> Vec<Bar> {
        let bar = |row: &BandCause| {
            let Change { band, db, interval } = value(row);
            let interval = interval.map(|[low, high]| (low, high));
            Some(Bar { from: band.low(), to: band.high(), value: db?, interval })
        };
        change.bands.iter().filter_map(bar).collect()
    };
    let panel = |title: &str, style, bars| {
        Panel::new(title, frequency_axis(range), Axis::linear("Change, dB"))
            .with(Series::unnamed(Style::Neutral, Shape::Level(0.0)))
            .with(Series::new("each band with its 95 % interval", style, Shape::Bars { bars, base: Some(0.0) }))
    };
    let of_air = |row: &BandCause| Change { band: row.band, db: row.air_change_db, interval: row.air_ci95_db };
    let of_wire = |row: &BandCause| Change { band: row.band, db: row.explained_db, interval: row.explained_ci95_db };
    let air = panel("Change in the air", Style::Air, bars(&of_air));
    let explained = panel("of which the wire explains", Style::Wire, bars(&of_wire));
    Figure {
        conclusion: sentences::of_coupling_change(change),
        rows: vec![
            Row::new(vec![
                air_split("Air before", &change.before, range),
                air_split("Air after", &change.after, range),
            ]),
            Row { share: 0.8, panels: vec![air, explained] },
        ],
        caption: vec![
            method(settings, change.before.analysis.enbw_hz, None),
            format!(
                "before: {}. after: {}.",
                sentences::of_files(&change.before.paths),
                sentences::of_files(&change.after.paths)
            ),
        ],
        height: 1000,
        ..Figure::new("Did the air change because the wire changed?")
    }
}

/// Totals from the highest down; wire left, air right.
pub fn ranking(batch: &Batch, settings: &Settings) -> Figure {
    let mut panels = Vec::new();
    let mut most = 1;
    let mut more = Vec::new();
    for role in [Role::Wire, Role::Air] {
        let ranked: Vec<_> = batch.ranking.iter().filter(|rank| rank.role == role).collect();
        if ranked.is_empty() {
            continue;
        }
        let all = ranked.len();
        let ranked = &ranked[..all.min(MOST_BARS)];
        if all > MOST_BARS {
            more.push(format!("{} more in {}", all - MOST_BARS, role.name()));
        }
        most = most.max(ranked.len());
        let unit = batch.captures.iter().flat_map(|row| &row.channels).find(|channel| channel.role == role);
        let label = unit.map_or("Level".to_owned(), |channel| level_label(&channel.unit));
        let names = ranked.iter().map(|rank| format!("{}. {}", rank.rank, short_name(&rank.path))).collect();
        let bars = ranked
            .iter()
            .enumerate()
            .map(|(place, rank)| Bar::at(place, rank.total_db, rank.ci95_db.map(|[low, high]| (low, high))))
            .collect();
        let mut panel = Panel::new(role_title(role), Axis::linear(label), Axis::names(names))
            .with(Series::unnamed(style(role), Shape::Bars { bars, base: None }));
        panel.ties = ties(&ranked.iter().map(|rank| rank.rank).collect::<Vec<_>>());
        panels.push(panel);
    }
    let rows = u32::try_from(most).unwrap_or(u32::MAX).clamp(6, 400);
    let shown = if more.is_empty() {
        String::new()
    } else {
        format!(" The {MOST_BARS} highest are drawn; {}.", more.join(", "))
    };
    Figure {
        conclusion: sentences::of_batch(batch),
        rows: vec![Row::new(panels)],
        caption: vec![
            format!("Total in {} with its 95 % interval from the scatter of the mains periods.{shown}", settings.range),
            method(settings, settings.resolution.get(), None),
        ],
        height: RANKED_FRAME + rows * RANKED_ROW,
        ..Figure::new("How do the captures rank?")
    }
}

/// Runs of equal ranks.
fn ties(ranks: &[usize]) -> Vec<Tie> {
    let mut ties = Vec::new();
    let mut first = 0;
    for end in 1..=ranks.len() {
        if end == ranks.len() || ranks[end] != ranks[first] {
            if end - first > 1 {
                ties.push(Tie { first, last: end - 1, label: "tie".to_owned() });
            }
            first = end;
        }
    }
    ties
}

/// Wire above air, as captured and with the mains removed, captures side by side on the same scales.
pub fn waveform(captures: &[CaptureWaveform], settings: &Settings) -> Figure {
    let mut rows = Vec::new();
    for role in [Role::Wire, Role::Air] {
        let channels = || captures.iter().flat_map(|capture| &capture.channels).filter(|channel| channel.role == role);
        let largest = channels().flat_map(|c| c.min.iter().chain(&c.max)).fold(0.0f64, |most, x| most.max(x.abs()));
        for settled in [false, true] {
            let shown = |capture| waveform_panel(capture, role, settled, largest, rows.is_empty());
            let panels: Vec<Panel> = captures.iter().filter_map(shown).collect();
            if !panels.is_empty() {
                rows.push(Row::new(panels));
            }
        }
    }
    let high_pass =
        settings.high_pass.map_or("no high-pass".to_owned(), |cutoff| format!("4th-order high-pass at {cutoff}"));
    let phase = if captures.iter().any(|capture| capture.phase_known) {
        "Mains phase: 0° where what is left of the fundamental rises through zero; a coupling network turns that phase."
    } else {
        "The record does not show the mains phase; 0° is where the picture begins."
    };
    Figure {
        conclusion: sentences::of_waveform(captures),
        rows,
        caption: vec![
            format!(
                "Smallest to largest sample of each column of the picture; mains removed by a {high_pass}. {phase}"
            ),
            format!("Files: {}.", captures.iter().map(|c| short_name(&c.path)).collect::<Vec<_>>().join(", ")),
        ],
        height: 1000,
        ..Figure::new("What do wire and air look like in time?")
    }
}

/// One channel of one capture; `largest` is the largest sample of the role in all captures and sets the prefix of
/// the unit, `named` puts the file's name above.
fn waveform_panel(capture: &CaptureWaveform, role: Role, settled: bool, largest: f64, named: bool) -> Option<Panel> {
    let channel = capture.channels.iter().find(|channel| channel.role == role)?;
    let (min, max) = if settled { (&channel.settled_min, &channel.settled_max) } else { (&channel.min, &channel.max) };
    let time_ms = |k: usize| 1e3 * (capture.start_s + k as f64 * capture.column_s);
    let (factor, prefix) = match channel.unit {
        Quantity::Unit(_) => prefix_of(largest),
        _ => (1.0, ""),
    };
    let scaled = |value: f64| value / factor;
    let columns =
        min.iter().zip(max).enumerate().map(|(k, (min, max))| (time_ms(k), scaled(*min), scaled(*max))).collect();
    let how = if settled { "mains removed" } else { "as captured" };
    let title = if named { format!("{how}: {}", short_name(&capture.path)) } else { how.to_owned() };
    let x = Axis::linear("Time, ms").over(time_ms(0), time_ms(min.len()));
    let y = Axis::linear(format!("{}, {prefix}{}", channel_title(role, &channel.name), channel.unit.symbol()));
    let mut panel = Panel::new(title, x, y)
        .with(Series::unnamed(if settled { style(role) } else { before_style(role) }, Shape::Envelope(columns)));
    let cycle = 1e3 / capture.mains.frequency_hz;
    panel.phase = Some(PhaseAxis {
        label: "Mains phase, °".to_owned(),
        zero: time_ms(0) - capture.start_phase_deg / 360.0 * cycle,
        cycle,
    });
    Some(panel)
}
