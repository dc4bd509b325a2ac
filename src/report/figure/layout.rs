//! Who gets how much room: texts first, then gutters, and the panels share what is left.
//!
//! All texts are measured before anything is drawn, so that nothing can overlap; what finds no room is cut with an
//! ellipsis or left out.

use super::axis::{Map, Tick, degree_ticks, frequency_ticks, linear_ticks, phase_ticks, range};
use super::canvas::Area;
use super::series::Plot;
use super::style::{CAPTION_FACE, CONCLUSION_FACE, LABEL_FACE, PANEL_FACE, TICK_FACE, TITLE_FACE};
use super::tags::{Tag, is_named_at_its_line, tags};
use super::text::Face;
use super::{Bar, Figure, Panel, Row, Scale, Series, Shape, Tie};
use crate::report::plain::plain;

/// Room at the edges of the picture.
const MARGIN: f64 = 30.0;
/// Room between a panel and its neighbour to the right, and between rows.
const COLUMN_GAP: f64 = 26.0;
const ROW_GAP: f64 = 20.0;
/// Length of a tick, and room between it and its number.
pub(super) const TICK: f64 = 6.0;
pub(super) const TICK_GAP: f64 = 5.0;
/// Room between the numbers at the ticks and the label of the axis.
const LABEL_GAP: f64 = 8.0;
/// The swatch of a legend, the room to its text, and the room to the next entry.
pub(super) const SWATCH: f64 = 32.0;
pub(super) const SWATCH_GAP: f64 = 8.0;
const ENTRY_GAP: f64 = 24.0;
/// Room for the bracket of a tie, up to its label.
pub(super) const BRACKET: f64 = 22.0;
/// Where the scale of colours begins to the right of its panel, and how wide it is.
pub(super) const COLOUR_GAP: f64 = 14.0;
pub(super) const COLOUR_WIDTH: f64 = 16.0;

/// Height of a line of a name that takes more than one, and room for names in units of the width of the picture.
pub(super) const NAME_LINE: f64 = 19.0;
const NAME_SHARE: f64 = 0.27;
/// Room for what is said of ties in units of the width of a panel and its gutters.
const TIE_SHARE: f64 = 0.16;

/// A text with the place where its baseline begins.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placed {
    pub(super) text: String,
    pub(super) x: f64,
    pub(super) baseline: f64,
}

/// An entry of a legend: which series, and where its swatch begins.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Entry {
    pub(super) series: usize,
    pub(super) text: Placed,
}

/// A mark: the place of its line, how far up that reaches, and its name where there is room for it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PlacedMark {
    pub(super) at: f64,
    pub(super) top: f64,
    pub(super) name: Option<Placed>,
}

/// A panel with everything in its place.
#[derive(Debug, Clone)]
pub(super) struct Cell<'a> {
    pub(super) panel: &'a Panel,
    pub(super) plot: Plot,
    pub(super) title: Option<Placed>,
    pub(super) legend: Vec<Entry>,
    /// Names at their lines.
    pub(super) tags: Vec<Tag>,
    /// Ticks of the horizontal axis, and whether their numbers and the label are written here.
    pub(super) x_ticks: Vec<Tick>,
    pub(super) x_written: bool,
    pub(super) y_ticks: Vec<Tick>,
    /// The names of a vertical axis of names in lines, where they are written here.
    pub(super) names: Vec<Vec<String>>,
    pub(super) y_written: bool,
    /// The lines of the vertical axis's label, from left to right, and where the first baseline is.
    pub(super) y_label: Vec<String>,
    pub(super) y_label_at: f64,
    pub(super) phase_ticks: Vec<Tick>,
    pub(super) phase_written: bool,
    pub(super) marks: Vec<PlacedMark>,
    /// Ties with the lines of their labels.
    pub(super) ties: Vec<(Tie, Vec<String>)>,
    /// The ticks of the scale of colours, and its label.
    pub(super) colour_ticks: Vec<Tick>,
    pub(super) colour_label: String,
}

/// A figure with everything in its place.
#[derive(Debug, Clone)]
pub(super) struct Layout<'a> {
    pub(super) title: Vec<Placed>,
    pub(super) conclusion: Vec<Placed>,
    pub(super) caption: Vec<Placed>,
    pub(super) cells: Vec<Cell<'a>>,
}

/// Lines of text one below the other, from the left margin on; `y` moves below them.
fn lines(texts: &[String], face: Face, width: f64, y: &mut f64, most: usize) -> Vec<Placed> {
    let mut placed: Vec<Placed> = Vec::new();
    for text in texts {
        for line in face.wrap(&plain(text), width, most - placed.len().min(most)) {
            *y += face.line();
            placed.push(Placed { text: line, x: MARGIN, baseline: *y - 0.36 * face.size });
        }
    }
    placed
}

/// How many lines of a face go into a height.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a small count")]
fn fitting(height: f64, each: f64) -> usize {
    (height / each).clamp(0.0, 500.0) as usize
}

impl<'a> Layout<'a> {
    pub(super) fn new(figure: &'a Figure) -> Self {
        let (width, height) = (f64::from(figure.width), f64::from(figure.height));
        let across = width - 2.0 * MARGIN;
        let mut top = MARGIN - 8.0;
        let title = lines(std::slice::from_ref(&figure.title), TITLE_FACE, across, &mut top, 2);
        if !title.is_empty() && !figure.conclusion.is_empty() {
            top += 4.0;
        }
        let most = fitting(0.2 * height, CONCLUSION_FACE.line());
        let conclusion = lines(&figure.conclusion, CONCLUSION_FACE, across, &mut top, most);
        let mut caption_height = 0.0;
        let most = fitting(0.18 * height, CAPTION_FACE.line());
        let mut caption = lines(&figure.caption, CAPTION_FACE, across, &mut caption_height, most);
        let caption_top = height - (MARGIN - 8.0) - caption_height;
        for line in &mut caption {
            line.baseline += caption_top;
        }
        let bottom = if caption.is_empty() { height - MARGIN + 8.0 } else { caption_top - 14.0 };
        let room = Area::new(MARGIN, top + 16.0, width - MARGIN, bottom);
        Self { title, conclusion, caption, cells: grid(&figure.rows, room) }
    }
}

/// What is known of a panel before it has a place.
struct Draft<'a> {
    row: usize,
    column: usize,
    panel: &'a Panel,
    x_range: (f64, f64),
    y_range: (f64, f64),
    written: Written,
    y_ticks: Vec<Tick>,
    names: Vec<Vec<String>>,
    ties: Vec<(Tie, Vec<String>)>,
    colour_ticks: Vec<Tick>,
    label_lines: usize,
    left: f64,
    right: f64,
}

/// The panel at a place, if the row has as many panels as the row that asks.
fn neighbour(rows: &[Row], row: Option<usize>, column: usize, count: usize) -> Option<&Panel> {
    let row = rows.get(row?)?;
    if row.panels.len() == count { row.panels.get(column) } else { None }
}

fn grid<'a>(rows: &'a [Row], room: Area) -> Vec<Cell<'a>> {
    let shares: f64 = rows.iter().map(share).sum();
    let mut drafts = Vec::new();
    for (r, row) in rows.iter().enumerate() {
        let rough = 0.68 * room.height() * share(row) / shares;
        for (c, panel) in row.panels.iter().enumerate() {
            drafts.push(draft(rows, (r, c), panel, rough, room.width() / row.panels.len() as f64));
        }
    }
    let frames = frames(rows, &drafts, room);
    let mut cells = Vec::new();
    let headers: Vec<Header> = drafts.iter().zip(&frames).map(|(draft, frame)| header(draft, *frame)).collect();
    // Heights: per row the tallest header and footer, then the panels share the rest.
    let of_row = |r: usize, of: &dyn Fn(usize) -> f64| {
        drafts.iter().enumerate().filter(|(_, d)| d.row == r).map(|(i, _)| of(i)).fold(0.0, f64::max)
    };
    let tops: Vec<f64> = (0..rows.len()).map(|r| of_row(r, &|i| headers[i].height)).collect();
    let feet: Vec<f64> = (0..rows.len()).map(|r| of_row(r, &|i| foot(&drafts[i]))).collect();
    let taken: f64 = tops.iter().chain(&feet).sum::<f64>() + ROW_GAP * rows.len().saturating_sub(1) as f64;
    let free = (room.height() - taken).max(0.0);
    let mut top = room.top;
    for (r, row) in rows.iter().enumerate() {
        let plot_top = (top + tops[r]).round();
        let plot_bottom = (plot_top + free * share(row) / shares).round();
        for (i, draft) in drafts.iter().enumerate().filter(|(_, draft)| draft.row == r) {
            let Frame { left, right, gutter } = frames[i];
            let area = Area::new(left, plot_top, right, plot_bottom);
            if area.width() >= 20.0 && area.height() >= 10.0 {
                cells.push(cell(draft, &headers[i], area, gutter));
            }
        }
        top = plot_bottom + feet[r] + ROW_GAP;
    }
    cells
}

fn share(row: &Row) -> f64 {
    if row.share.is_finite() && row.share > 0.0 { row.share } else { 1.0 }
}

/// The ranges of both axes of a panel: what the panels that share them need together.
pub(super) fn ranges(rows: &[Row], (row, column): (usize, usize), panel: &Panel) -> ((f64, f64), (f64, f64)) {
    let count = rows[row].panels.len();
    let of_column = rows.iter().filter(|r| r.panels.len() == count).filter_map(|r| r.panels.get(column));
    let x_values = of_column.filter(|p| p.x == panel.x).flat_map(|p| p.series.iter().flat_map(|s| x_values(p, s)));
    let x_range = range(&panel.x, x_values, matches!(panel.y.scale, Scale::Names(_)));
    let of_row = rows[row].panels.iter().filter(|p| p.y == panel.y);
    let y_range = range(&panel.y, of_row.flat_map(|p| p.series.iter().flat_map(|s| y_values(p, s))), true);
    (x_range, y_range)
}

/// Settles ranges, ticks of the vertical axis, and the gutters that they need.
fn draft<'a>(rows: &'a [Row], (row, column): (usize, usize), panel: &'a Panel, height: f64, width: f64) -> Draft<'a> {
    let count = rows[row].panels.len();
    let picture = width * count as f64;
    let written = Written::new(rows, (row, column));
    let (x_range, y_range) = ranges(rows, (row, column), panel);
    let y_ticks = match &panel.y.scale {
        Scale::Names(_) => Vec::new(),
        Scale::LogFrequency => frequency_ticks(y_range.0, y_range.1, fitting(height, 30.0)),
        Scale::Degrees => degree_ticks(y_range.0, y_range.1, fitting(height, 30.0)),
        Scale::Linear => linear_ticks(y_range.0, y_range.1, fitting(height, 30.0).clamp(2, 10)),
    };
    let names = match &panel.y.scale {
        Scale::Names(names) => {
            let room = height / names.len().max(1) as f64;
            // Names smaller than their line would run into each other.
            let most = if room < 0.9 * LABEL_FACE.size { 0 } else { fitting(room, NAME_LINE).clamp(1, 2) };
            names.iter().map(|name| LABEL_FACE.wrap(&plain(name), NAME_SHARE * picture, most)).collect()
        }
        _ => Vec::new(),
    };
    let label_lines = match plain(&panel.y.label) {
        label if label.is_empty() => 0,
        label if LABEL_FACE.width(&label) <= height => 1,
        _ => 2,
    };
    let numbers = y_ticks.iter().filter_map(|t| t.label.as_deref()).map(|l| TICK_FACE.width(l));
    let widest = numbers.chain(names.iter().flatten().map(|line| LABEL_FACE.width(line))).fold(0.0, f64::max);
    let label_room = if label_lines > 0 { LABEL_GAP + label_lines as f64 * LABEL_FACE.line() } else { 0.0 };
    let left = if written.y { TICK + TICK_GAP + widest + label_room } else { TICK };
    let ties: Vec<(Tie, Vec<String>)> =
        panel.ties.iter().map(|tie| (tie.clone(), LABEL_FACE.wrap(&plain(&tie.label), TIE_SHARE * width, 2))).collect();
    let tie_widths = ties.iter().flat_map(|(_, lines)| lines).map(|line| BRACKET + LABEL_FACE.width(line));
    let right = tie_widths.fold(if ties.is_empty() { 12.0 } else { BRACKET }, f64::max);
    let colour_ticks: Vec<Tick> = panel
        .map
        .as_ref()
        .map_or(Vec::new(), |map| linear_ticks(map.range.0, map.range.1, fitting(height, 40.0).clamp(2, 8)));
    let widest = colour_ticks.iter().filter_map(|t| t.label.as_deref()).map(|l| TICK_FACE.width(l)).fold(0.0, f64::max);
    let right = if panel.map.is_some() {
        COLOUR_GAP + COLOUR_WIDTH + TICK + TICK_GAP + widest + LABEL_GAP + LABEL_FACE.line()
    } else {
        right
    };
    Draft {
        row,
        column,
        panel,
        x_range,
        y_range,
        y_ticks,
        names,
        ties,
        colour_ticks,
        label_lines,
        written,
        left,
        right,
    }
}

/// Which axes of a panel are written at it, rather than at a neighbour that shares them.
#[derive(Debug, Clone, Copy)]
struct Written {
    x: bool,
    y: bool,
    phase: bool,
}

impl Written {
    /// A whole row writes its axes, or a whole column, if one of its panels has to: the room is taken anyway.
    fn new(rows: &[Row], (row, column): (usize, usize)) -> Self {
        let count = rows[row].panels.len();
        let differs = |at: (Option<usize>, usize), panel: &Panel, same: fn(&Panel, &Panel) -> bool| {
            neighbour(rows, at.0, at.1, count).is_none_or(|other| !same(panel, other))
        };
        let in_row = || rows[row].panels.iter().enumerate();
        let in_column = rows.iter().enumerate().filter(|(_, r)| r.panels.len() == count);
        Self {
            x: in_row().any(|(c, panel)| differs((Some(row + 1), c), panel, |a, b| a.x == b.x)),
            y: in_column
                .filter_map(|(r, all)| Some((r, all.panels.get(column)?)))
                .any(|(r, panel)| differs((Some(r), column.wrapping_sub(1)), panel, |a, b| a.y == b.y)),
            phase: in_row()
                .any(|(c, panel)| differs((row.checked_sub(1), c), panel, |a, b| a.x == b.x && a.phase == b.phase)),
        }
    }
}

/// Where a panel begins and ends, and the room to the left of it.
#[derive(Debug, Clone, Copy)]
struct Frame {
    left: f64,
    right: f64,
    gutter: f64,
}

/// Left and right end of every panel, and the room to the left of it. Panels of a row are equally wide; rows of as many panels stand in line.
fn frames(rows: &[Row], drafts: &[Draft<'_>], room: Area) -> Vec<Frame> {
    let gutter = |count: usize, column: usize, of: fn(&Draft<'_>) -> f64| {
        let same = drafts.iter().filter(|d| d.column == column && rows[d.row].panels.len() == count);
        same.map(of).fold(0.0, f64::max)
    };
    let frame = |draft: &Draft<'_>| {
        let count = rows[draft.row].panels.len();
        let gutters: Vec<(f64, f64)> =
            (0..count).map(|c| (gutter(count, c, |d| d.left), gutter(count, c, |d| d.right))).collect();
        let taken: f64 = gutters.iter().map(|(l, r)| l + r).sum::<f64>() + COLUMN_GAP * (count - 1) as f64;
        let each = (room.width() - taken) / count as f64;
        let before: f64 = gutters[..draft.column].iter().map(|(l, r)| l + each + r + COLUMN_GAP).sum();
        let left = room.left + before + gutters[draft.column].0;
        Frame { left: left.round(), right: (left + each).round(), gutter: gutters[draft.column].0 }
    };
    drafts.iter().map(frame).collect()
}

/// What stands above a panel, with baselines counted upwards from the panel's upper edge.
struct Header {
    height: f64,
    title: Option<Placed>,
    legend: Vec<Entry>,
    marks: Vec<PlacedMark>,
}

fn header(draft: &Draft<'_>, Frame { left, right, .. }: Frame) -> Header {
    let panel = draft.panel;
    let width = right - left;
    let mut height = 0.0;
    if panel.phase.is_some() {
        height += if draft.written.phase { TICK + TICK_GAP + 2.0 * TICK_FACE.line() } else { TICK };
    }
    let (marks, mark_rows) = marks(draft, (left, right), height);
    height += mark_rows;
    let title = PANEL_FACE.cut(&plain(&panel.title), width);
    let title_width = PANEL_FACE.width(&title);
    let mut rows = legend_rows(panel, width);
    let row_width = |row: &Vec<(usize, String, f64)>| {
        row.iter().map(|(_, _, w)| w).sum::<f64>() + ENTRY_GAP * (row.len().max(1) - 1) as f64
    };
    let beside = rows.len() == 1 && row_width(&rows[0]) + title_width + 2.0 * ENTRY_GAP <= width;
    if !title.is_empty() || !rows.is_empty() {
        height += 9.0;
    }
    let mut legend = Vec::new();
    let line = PANEL_FACE.line();
    // From the panel upwards: rows of the legend, the last one lowest; then the title.
    let mut place = |row: Vec<(usize, String, f64)>, mut x: f64, rise: f64| {
        for (series, text, w) in row {
            legend.push(Entry { series, text: Placed { text, x, baseline: rise } });
            x += w + ENTRY_GAP;
        }
    };
    if beside {
        let row = rows.remove(0);
        let x = right - row_width(&row);
        place(row, x, height);
    } else {
        for row in rows.into_iter().rev() {
            place(row, left, height);
            height += line;
        }
    }
    let title = Some(Placed { text: title, x: left, baseline: height }).filter(|title| !title.text.is_empty());
    if title.is_some() || beside {
        height += line - 0.3 * PANEL_FACE.size;
    }
    Header { height, title, legend, marks }
}

/// The named series in rows no wider than the panel: which series, its text, the width of swatch and text.
fn legend_rows(panel: &Panel, width: f64) -> Vec<Vec<(usize, String, f64)>> {
    let mut rows: Vec<Vec<(usize, String, f64)>> = Vec::new();
    let mut used = f64::INFINITY;
    let in_legend = panel.series.iter().enumerate().filter(|(_, series)| !is_named_at_its_line(series));
    for (i, label) in in_legend.filter_map(|(i, series)| Some((i, series.label.as_deref()?))) {
        let text = TICK_FACE.cut(&plain(label), width - SWATCH - SWATCH_GAP);
        let entry = SWATCH + SWATCH_GAP + TICK_FACE.width(&text);
        if used + ENTRY_GAP + entry > width {
            // More than three rows would leave no room for what they explain.
            if rows.len() == 3 {
                break;
            }
            rows.push(Vec::new());
            used = -ENTRY_GAP;
        }
        used += ENTRY_GAP + entry;
        if let Some(row) = rows.last_mut() {
            row.push((i, text, entry));
        }
    }
    rows
}

/// Marks with their names in up to two rows, the important ones first. Also the height they take.
///
/// A name in the upper row needs a free way down for its line; a name without room is left out, its line stays.
fn marks(draft: &Draft<'_>, (left, right): (f64, f64), base: f64) -> (Vec<PlacedMark>, f64) {
    let map = Map::new(&draft.panel.x.scale, draft.x_range, (left, right));
    let mut taken: [Vec<(f64, f64)>; 2] = [Vec::new(), Vec::new()];
    let mut placed = Vec::new();
    for mark in &draft.panel.marks {
        let at = map.pixel(mark.x);
        if !(left..=right).contains(&at) {
            continue;
        }
        let text = TICK_FACE.cut(&plain(&mark.label), 0.4 * (right - left));
        let half = TICK_FACE.width(&text) / 2.0;
        let middle = at.clamp(left + half, (right - half).max(left + half));
        let (from, to) = (middle - half - 6.0, middle + half + 6.0);
        let free = |row: &[(f64, f64)], from, to| row.iter().all(|(a, b)| to < *a || *b < from);
        let row = if free(&taken[0], from, to) && free(&taken[1], at - 4.0, at + 4.0) {
            Some(0)
        } else if free(&taken[1], from, to) && free(&taken[0], at - 4.0, at + 4.0) {
            // The line of this mark keeps later names out of the lower row.
            taken[0].push((at - 4.0, at + 4.0));
            Some(1)
        } else {
            None
        };
        let rise = |row: usize| base + 8.0 + row as f64 * TICK_FACE.line();
        if let Some(row) = row {
            taken[row].push((from, to));
        }
        let name = row.map(|row| Placed { text, x: middle, baseline: rise(row) });
        placed.push(PlacedMark { at, top: row.map_or(base, |row| rise(row) - 4.0), name });
    }
    let rows = taken.iter().filter(|row| !row.is_empty()).count();
    (placed, if rows > 0 { 8.0 + rows as f64 * TICK_FACE.line() - 4.0 } else { 0.0 })
}

/// The height of what stands below a panel.
fn foot(draft: &Draft<'_>) -> f64 {
    if !draft.written.x {
        return TICK;
    }
    let label = if draft.panel.x.label.trim().is_empty() { 0.0 } else { LABEL_FACE.line() + 1.0 };
    TICK + TICK_GAP + TICK_FACE.size + label
}

fn cell<'a>(draft: &Draft<'a>, header: &Header, area: Area, gutter: f64) -> Cell<'a> {
    let panel = draft.panel;
    let plot = Plot::new(area, (&panel.x.scale, draft.x_range), (&panel.y.scale, draft.y_range));
    let settle = |placed: &Placed| Placed { baseline: area.top - placed.baseline, ..placed.clone() };
    let legend = header.legend.iter().map(|e| Entry { series: e.series, text: settle(&e.text) }).collect();
    let (low, high) = draft.x_range;
    let most = fitting(area.width(), 72.0).clamp(2, 14);
    let x_ticks = match panel.x.scale {
        Scale::LogFrequency => frequency_ticks(low, high, most),
        Scale::Degrees => degree_ticks(low, high, most),
        _ => linear_ticks(low, high, most),
    };
    let phase = panel.phase.as_ref();
    Cell {
        panel,
        title: header.title.as_ref().map(settle),
        legend,
        x_ticks: without_collisions(x_ticks, &plot.x, TICK_FACE),
        x_written: draft.written.x,
        y_ticks: apart(draft.y_ticks.clone(), &plot.y),
        names: if draft.written.y { draft.names.clone() } else { Vec::new() },
        y_written: draft.written.y,
        y_label: LABEL_FACE.wrap(&plain(&panel.y.label), area.height(), draft.label_lines),
        y_label_at: area.left - gutter + LABEL_FACE.size,
        phase_ticks: phase
            .map(|phase| {
                let ticks = phase_ticks(phase, low, high, fitting(area.width(), 44.0).clamp(2, 17));
                without_collisions(ticks, &plot.x, TICK_FACE)
            })
            .unwrap_or_default(),
        phase_written: draft.written.phase,
        marks: header
            .marks
            .iter()
            .map(|mark| PlacedMark { top: area.top - mark.top, at: mark.at, name: mark.name.as_ref().map(settle) })
            .collect(),
        ties: draft.ties.clone(),
        colour_ticks: draft.colour_ticks.clone(),
        colour_label: panel.map.as_ref().map_or(String::new(), |map| LABEL_FACE.cut(&plain(&map.label), area.height())),
        tags: tags(panel, &plot),
        plot,
    }
}

/// Takes the number from every tick that would come too close to the one before.
fn without_collisions(mut ticks: Vec<Tick>, map: &Map, face: Face) -> Vec<Tick> {
    ticks.sort_by(|a, b| a.value.total_cmp(&b.value));
    let mut end = f64::NEG_INFINITY;
    for tick in &mut ticks {
        let Some(label) = &tick.label else { continue };
        let (middle, half) = (map.pixel(tick.value), face.width(label) / 2.0);
        if middle - half < end + 6.0 {
            tick.label = None;
        } else {
            end = middle + half;
        }
    }
    ticks
}

/// The same for ticks one above the other, which come from the lowest up.
fn apart(mut ticks: Vec<Tick>, map: &Map) -> Vec<Tick> {
    let mut last = f64::INFINITY;
    for tick in &mut ticks {
        let place = map.pixel(tick.value);
        if tick.label.is_some() && last - place < TICK_FACE.size {
            tick.label = None;
        } else if tick.label.is_some() {
            last = place;
        }
    }
    ticks
}

fn x_values<'a>(panel: &'a Panel, series: &'a Series) -> Box<dyn Iterator<Item = f64> + 'a> {
    let lying = matches!(panel.y.scale, Scale::Names(_));
    match &series.shape {
        Shape::Bars { bars, base } if lying => Box::new(bars.iter().flat_map(bar_values).chain(*base)),
        Shape::Level(value) if lying => Box::new(std::iter::once(*value)),
        Shape::Level(_) => Box::new(std::iter::empty()),
        Shape::Line(points) | Shape::Points(points) => Box::new(points.iter().map(|p| p.0)),
        Shape::Steps(bars) | Shape::Bars { bars, .. } => Box::new(bars.iter().flat_map(|bar| [bar.from, bar.to])),
        Shape::Envelope(spans) | Shape::Interval(spans) => Box::new(spans.iter().map(|span| span.0)),
    }
}

fn y_values<'a>(panel: &'a Panel, series: &'a Series) -> Box<dyn Iterator<Item = f64> + 'a> {
    if matches!(panel.y.scale, Scale::Names(_)) {
        return Box::new(std::iter::empty());
    }
    match &series.shape {
        Shape::Bars { bars, base } => Box::new(bars.iter().flat_map(bar_values).chain(*base)),
        Shape::Level(value) => Box::new(std::iter::once(*value)),
        Shape::Line(points) | Shape::Points(points) => Box::new(points.iter().map(|p| p.1)),
        Shape::Steps(bars) => Box::new(bars.iter().map(|bar| bar.value)),
        Shape::Envelope(spans) | Shape::Interval(spans) => Box::new(spans.iter().flat_map(|s| [s.1, s.2])),
    }
}

fn bar_values(bar: &Bar) -> impl Iterator<Item = f64> + use<> {
    std::iter::once(bar.value).chain(bar.interval.map(|(low, _)| low)).chain(bar.interval.map(|(_, high)| high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::{Axis, Mark, PhaseAxis, Style};

    fn panel(x: Axis, y: Axis) -> Panel {
        Panel::new("Wire", x, y)
    }

    #[test]
    fn equal_axes_are_shared_and_written_once() {
        let line = |low: f64, high: f64| Series::new("line", Style::Wire, Shape::Line(vec![(low, low), (high, high)]));
        let axis = || Axis::linear("Time, ms");
        let rows = vec![
            Row::new(vec![panel(axis(), axis()).with(line(0.0, 5.0)), panel(axis(), axis()).with(line(2.0, 20.0))]),
            Row::new(vec![panel(axis(), axis()).with(line(3.0, 9.0)), panel(axis(), axis())]),
        ];
        let figure = Figure { rows, ..Figure::new("shared") };
        let cells = Layout::new(&figure).cells;
        assert_eq!(cells.iter().map(|c| c.x_written).collect::<Vec<_>>(), [false, false, true, true]);
        assert_eq!(cells.iter().map(|c| c.y_written).collect::<Vec<_>>(), [true, false, true, false]);
        assert_eq!(cells[0].plot.x, cells[2].plot.x);
        assert_eq!(cells[0].plot.y, cells[1].plot.y);
        assert_eq!(cells[0].plot.area.width(), cells[1].plot.area.width());
    }

    #[test]
    fn marks_give_way_to_more_important_ones() {
        let mut panel = panel(Axis::frequency(2e3, 150e3), Axis::linear("Level"));
        panel.marks = [40e3, 40.1e3, 43e3, 44e3, 80e3]
            .into_iter()
            .map(|x| Mark { x, label: format!("emitter at {} kHz", x / 1e3) })
            .collect();
        panel.marks.push(Mark { x: 1e9, label: "outside".into() });
        let figure = Figure { rows: vec![Row::new(vec![panel])], ..Figure::new("marks") };
        let texts: Vec<String> =
            Layout::new(&figure).cells[0].marks.iter().filter_map(|m| Some(m.name.as_ref()?.text.clone())).collect();
        assert_eq!(texts, ["emitter at 40 kHz", "emitter at 80 kHz"]);
        assert_eq!(Layout::new(&figure).cells[0].marks.len(), 5, "every line within the axis is drawn");
    }

    #[test]
    fn without_room_there_are_no_panels_rather_than_torn_ones() {
        let mut tiny = panel(Axis::linear("x"), Axis::linear("y"));
        tiny.phase = Some(PhaseAxis { label: "phase".into(), zero: 0.0, cycle: 20.0 });
        let rows = vec![Row::new(vec![tiny; 40]); 40];
        let figure = Figure { rows, width: 200, height: 150, ..Figure::new("tiny") };
        assert!(Layout::new(&figure).cells.is_empty());
    }
}
