//! Names of published levels, set at their lines where there is room.

use super::canvas::Area;
use super::layout::Placed;
use super::series::Plot;
use super::style::TICK_FACE;
use super::{Bar, Panel, Point, Series, Shape, Style};
use crate::report::plain::plain;

/// So many places along a line are tried.
const PLACES: u32 = 60;
/// Room between a name and its line, and around names.
const GAP: f64 = 4.0;
/// Room between names side by side.
const APART: f64 = 14.0;
/// What it costs a place to lie on another level's line, and on each point of what was measured.
const ON_A_LEVEL: f64 = 100.0;
const ON_DATA: f64 = 1.0;
/// What it costs a name to stand beside the end of its line.
const OFF_ITS_MIDDLE: f64 = 60.0;

/// A name at its line, and the paper that it stands on.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tag {
    pub(super) text: Placed,
    pub(super) area: Area,
}

/// Whether a series is named at its line.
pub(super) fn is_named_at_its_line(series: &Series) -> bool {
    matches!(series.style, Style::Level(_)) && matches!(series.shape, Shape::Line(_))
}

/// A place for the name of every level in a panel; a name without any room is left out.
pub(super) fn tags(panel: &Panel, plot: &Plot) -> Vec<Tag> {
    let lines: Vec<(&str, Vec<Point>)> = panel
        .series
        .iter()
        .filter(|series| is_named_at_its_line(series))
        .filter_map(|series| Some((series.label.as_deref()?, pixels(series, plot))))
        .collect();
    let data: Vec<Area> =
        panel.series.iter().filter(|series| !is_named_at_its_line(series)).flat_map(|s| covered(s, plot)).collect();
    let mut tags: Vec<Tag> = Vec::new();
    for (number, (label, line)) in lines.iter().enumerate() {
        let text = TICK_FACE.cut(&plain(label), 0.6 * plot.area.width());
        if text.is_empty() {
            continue;
        }
        let free = |area: &Area| {
            let wide = Area { left: area.left - APART, right: area.right + APART, ..*area };
            tags.iter().all(|tag| !meet(tag.area, wide))
        };
        let others = || lines.iter().enumerate().filter(|(other, _)| *other != number).map(|(_, (_, line))| line);
        let cost = |area: &Area| {
            let crossed = others().filter(|other| {
                extent(other, area.left, area.right).is_some_and(|(top, bottom)| top < area.bottom && area.top < bottom)
            });
            ON_A_LEVEL * crossed.count() as f64
                + ON_DATA * data.iter().filter(|covered| meet(**covered, *area)).count() as f64
        };
        let places = places(line, &text, plot.area);
        let free = places.into_iter().filter(|(area, _)| free(area)).map(|(area, far)| (cost(&area) + far, area));
        if let Some((_, area)) = free.min_by(|a, b| a.0.total_cmp(&b.0)) {
            let baseline = (area.bottom - 0.25 * TICK_FACE.size).round();
            tags.push(Tag { text: Placed { text, x: area.left + GAP / 2.0, baseline }, area });
        }
    }
    tags
}

/// The places above and below a line where a name fits into the panel, each with how far it strays from its line.
fn places(line: &[Point], text: &str, panel: Area) -> Vec<(Area, f64)> {
    let (width, height) = (TICK_FACE.width(text) + GAP, TICK_FACE.size + GAP);
    let inside = |x: f64| panel.left + GAP <= x && x + width <= panel.right - GAP;
    let step = (panel.width() - width) / f64::from(PLACES);
    let mut places = Vec::new();
    for x in (0..=PLACES).map(|k| panel.left + GAP + f64::from(k) * step).filter(|x| inside(*x)) {
        let Some((top, bottom)) = extent(line, x, x + width) else { continue };
        let middle = extent(line, x + width / 2.0 - 1.0, x + width / 2.0 + 1.0);
        // A name that its line does not reach the middle of may seem to belong to nothing: only where there is no other.
        let off = if middle.is_some() { 0.0 } else { OFF_ITS_MIDDLE };
        let (middle_top, middle_bottom) = middle.unwrap_or((top, bottom));
        let above = Area::new(x, top - GAP - height, x + width, top - GAP);
        let below = Area::new(x, bottom + GAP, x + width, bottom + GAP + height);
        for (area, far) in [(above, off + middle_top - top), (below, off + 1.0 + bottom - middle_bottom)] {
            if area.top >= panel.top && area.bottom <= panel.bottom {
                places.push((area, far));
            }
        }
    }
    places
}

/// How far up and down a line goes between two places; `None` where it has nothing there.
fn extent(line: &[Point], from: f64, to: f64) -> Option<(f64, f64)> {
    let mut found: Option<(f64, f64)> = None;
    for ends in line.windows(2) {
        let ((x0, y0), (x1, y1)) = (ends[0], ends[1]);
        let (low, high) = (x0.max(from), x1.min(to));
        if !(low <= high && y0.is_finite() && y1.is_finite()) {
            continue;
        }
        let at = |x: f64| if x1 > x0 { y0 + (x - x0) / (x1 - x0) * (y1 - y0) } else { y1 };
        // A step straight up or down counts from end to end.
        let both = if x1 > x0 { [at(low), at(high)] } else { [y0, y1] };
        for y in both {
            let (top, bottom) = found.unwrap_or((y, y));
            found = Some((top.min(y), bottom.max(y)));
        }
    }
    found
}

fn pixels(series: &Series, plot: &Plot) -> Vec<Point> {
    match &series.shape {
        Shape::Line(points) => points.iter().map(|&(x, y)| (plot.x.pixel(x), plot.y.pixel(y))).collect(),
        _ => Vec::new(),
    }
}

/// Where a measured series covers the paper: its points, or its boxes.
fn covered(series: &Series, plot: &Plot) -> Vec<Area> {
    let point = |&(x, y): &Point| {
        let (x, y) = (plot.x.pixel(x), plot.y.pixel(y));
        Area::new(x, y, x, y)
    };
    let bar = |bar: &Bar| {
        let (left, right) = (plot.x.pixel(bar.from), plot.x.pixel(bar.to));
        Area::new(left, plot.y.pixel(bar.value), right, plot.area.bottom)
    };
    match &series.shape {
        Shape::Line(points) | Shape::Points(points) => points.iter().map(point).collect(),
        Shape::Bars { bars, .. } => bars.iter().map(bar).collect(),
        Shape::Steps(steps) => {
            steps.iter().map(|step| Area { bottom: plot.y.pixel(step.value), ..bar(step) }).collect()
        }
        Shape::Envelope(_) | Shape::Interval(_) | Shape::Level(_) => Vec::new(),
    }
}

fn meet(a: Area, b: Area) -> bool {
    a.left <= b.right && b.left <= a.right && a.top <= b.bottom && b.top <= a.bottom
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::{Axis, Scale};

    fn panel(levels: &[(&str, Vec<Point>)]) -> (Panel, Plot) {
        let mut panel = Panel::new("Wire", Axis::frequency(2e3, 150e3), Axis::linear("Level"));
        for (number, (name, points)) in (0u8..).zip(levels) {
            panel.series.push(Series::new(*name, Style::Level(number), Shape::Line(points.clone())));
        }
        let area = Area::new(100.0, 50.0, 1300.0, 650.0);
        (panel, Plot::new(area, (&Scale::LogFrequency, (2e3, 150e3)), (&Scale::Linear, (0.0, 140.0))))
    }

    #[test]
    fn names_stand_at_their_lines_and_keep_apart() {
        // Two levels of the same figures, and one below them.
        let limit = vec![(9e3, 110.0), (50e3, 110.0), (50e3, 90.0), (150e3, 80.0)];
        let lower = vec![(9e3, 60.0), (150e3, 50.0)];
        let levels = [("lighting-mains", limit.clone()), ("induction", limit), ("own", lower)];
        let (panel, plot) = panel(&levels);
        let tags = tags(&panel, &plot);
        assert_eq!(tags.len(), 3);
        for (number, tag) in tags.iter().enumerate() {
            assert_eq!(tag.text.text, levels[number].0);
            assert!(tags[number + 1..].iter().all(|other| !meet(other.area, tag.area)));
            let line = pixels(&panel.series[number], &plot);
            let (top, bottom) = extent(&line, tag.area.left, tag.area.right).unwrap();
            let near = (top - tag.area.bottom).abs().min((tag.area.top - bottom).abs());
            assert!(near <= GAP + 1e-9, "{number}: {near}");
        }
    }

    #[test]
    fn a_name_gives_way_to_what_was_measured_and_needs_room() {
        let level = [("own", vec![(2e3, 70.0), (150e3, 70.0)])];
        let (mut with_data, plot) = panel(&level);
        let noise = (0..400).map(|k| (2e3 * 75f64.powf(f64::from(k) / 399.0), 75.0)).collect();
        with_data.series.push(Series::new("wire", Style::Wire, Shape::Line(noise)));
        let below = &tags(&with_data, &plot)[0];
        assert!(below.area.top > plot.y.pixel(70.0), "the noise lies above the level");
        let (narrow, mut plot) = panel(&[("a very long name of a level indeed", vec![(2e3, 70.0), (150e3, 70.0)])]);
        plot.area = Area::new(100.0, 50.0, 130.0, 60.0);
        assert!(tags(&narrow, &plot).is_empty());
    }
}
