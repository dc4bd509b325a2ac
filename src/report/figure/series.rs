//! One series between the axes: thinned, cut to the panel, dashed, laid down.

use super::axis::Map;
use super::canvas::{Area, Canvas};
use super::style::{Pen, TEXT};
use super::thin::{thin, thin_spans};
use super::{Bar, Point, Scale, Series, Shape};
use crate::error::Error;

/// How strongly a shaded interval and the body of a bar are drawn.
pub(super) const SHADE: f64 = 0.24;
pub(super) const BODY: f64 = 0.55;
/// Half the width of a cross in pixels.
const CROSS: f64 = 4.5;
/// How strongly the gaps of a dense dashed line are drawn.
pub(super) const GAP: f64 = 0.4;

/// The place of a panel with its two axes settled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plot {
    pub(super) area: Area,
    pub(super) x: Map,
    pub(super) y: Map,
    /// Whether the vertical axis is one of names, on which bars lie.
    pub(super) lying: bool,
}

impl Plot {
    pub(super) fn new(area: Area, x: (&Scale, (f64, f64)), y: (&Scale, (f64, f64))) -> Self {
        let lying = matches!(y.0, Scale::Names(_));
        let rising = if lying { (area.top, area.bottom) } else { (area.bottom, area.top) };
        Self { area, x: Map::new(x.0, x.1, (area.left, area.right)), y: Map::new(y.0, y.1, rising), lying }
    }

    fn point(&self, (x, y): Point) -> Point {
        (self.x.pixel(x), self.y.pixel(y))
    }

    /// Draws a series.
    pub(super) fn draw(&self, canvas: &mut impl Canvas, series: &Series) -> Result<(), Error> {
        let pen = series.style.pen();
        match &series.shape {
            Shape::Line(points) if self.is_crowded(points) => {
                self.envelope(canvas, points.iter().map(|&p| self.point(p)).map(|(x, y)| (x, y, y)), pen)
            }
            Shape::Line(points) => self.line(canvas, points.iter().map(|&p| self.point(p)), pen),
            Shape::Points(points) => points.iter().try_for_each(|&point| self.cross(canvas, self.point(point), pen)),
            Shape::Steps(bars) => self.line(canvas, self.steps(bars).into_iter(), pen),
            // Stripes across a filled area would look like a signal that comes and goes.
            Shape::Envelope(spans) => self.envelope(canvas, self.spans(spans), Pen { dash: None, ..pen }),
            Shape::Interval(spans) => self.interval(canvas, spans, pen),
            Shape::Bars { bars, base } => self.bars(canvas, bars, *base, pen),
            Shape::Level(value) => self.level(canvas, *value, pen),
        }
    }

    fn line(&self, canvas: &mut impl Canvas, pixels: impl Iterator<Item = Point>, pen: Pen) -> Result<(), Error> {
        for piece in thin(pixels) {
            for path in cut_to(&piece, self.area) {
                stroke(canvas, &path, pen)?;
            }
        }
        Ok(())
    }

    /// Two short strokes across a point, as far as they lie within the panel.
    fn cross(&self, canvas: &mut impl Canvas, (x, y): Point, pen: Pen) -> Result<(), Error> {
        if !(x.is_finite() && y.is_finite()) {
            return Ok(());
        }
        for path in [[(x - CROSS, y), (x + CROSS, y)], [(x, y - CROSS), (x, y + CROSS)]] {
            for path in cut_to(&path, self.area) {
                canvas.stroke(&path, pen.width, pen.ink)?;
            }
        }
        Ok(())
    }

    fn level(&self, canvas: &mut impl Canvas, value: f64, pen: Pen) -> Result<(), Error> {
        let Area { left, top, right, bottom } = self.area;
        let ends = if self.lying {
            let x = crisp(self.x.pixel(value));
            [(x, top), (x, bottom)]
        } else {
            let y = crisp(self.y.pixel(value));
            [(left, y), (right, y)]
        };
        self.line(canvas, ends.into_iter(), pen)
    }

    /// The corners of a line over spans; spans that do not touch are parted by a gap.
    fn steps(&self, bars: &[Bar]) -> Vec<Point> {
        let mut corners = Vec::new();
        let mut end = f64::NAN;
        for bar in bars {
            if (bar.from - end).abs() > 1e-9 * end.abs() {
                corners.push((f64::NAN, f64::NAN));
            }
            corners.extend([bar.from, bar.to].map(|at| self.point((at, bar.value))));
            end = bar.to;
        }
        corners
    }

    /// Whether so many points share a pixel column that a line through them would be one solid area.
    fn is_crowded(&self, points: &[Point]) -> bool {
        let shown = points.iter().map(|p| self.x.pixel(p.0)).filter(|x| self.area.left <= *x && *x <= self.area.right);
        shown.count() as f64 > 3.0 * self.area.width()
    }

    /// Spans in pixels.
    fn spans(&self, spans: &[(f64, f64, f64)]) -> impl Iterator<Item = (f64, f64, f64)> {
        spans.iter().map(|&(x, low, high)| (self.x.pixel(x), self.y.pixel(low), self.y.pixel(high)))
    }

    fn interval(&self, canvas: &mut impl Canvas, spans: &[(f64, f64, f64)], pen: Pen) -> Result<(), Error> {
        for piece in thin_spans(self.spans(spans)) {
            canvas.shade(&cut_spans(&piece, self.area), pen.ink.faint(SHADE))?;
        }
        Ok(())
    }

    fn envelope(
        &self,
        canvas: &mut impl Canvas,
        pixels: impl Iterator<Item = (f64, f64, f64)>,
        pen: Pen,
    ) -> Result<(), Error> {
        for piece in thin_spans(pixels) {
            let piece = cut_spans(&columns(&piece, pen.width), self.area);
            if piece.is_empty() {
                continue;
            }
            let Some(dash) = pen.dash else {
                canvas.shade(&piece, pen.ink)?;
                continue;
            };
            let strokes: Vec<Point> = piece.iter().flat_map(|s| [(s.0, s.1), (s.0, s.2)]).collect();
            if canvas.dashed(&strokes, pen, true) {
                continue;
            }
            let ends = (piece[0].0, piece[piece.len() - 1].0);
            let cut = |from, to| vec![cut_spans(&piece, Area { left: from, right: to, ..self.area })];
            let height = |spans: &Vec<(f64, f64, f64)>| extent(spans.iter().flat_map(|s| [s.1, s.2]));
            for (span, strength) in dense_dashes(ends, dash, cut, height) {
                canvas.shade(&span, pen.ink.faint(strength))?;
            }
        }
        Ok(())
    }

    /// Boxes, then their ends, then whiskers: what looks alike is drawn in one go.
    fn bars(&self, canvas: &mut impl Canvas, bars: &[Bar], base: Option<f64>, pen: Pen) -> Result<(), Error> {
        let placed: Vec<PlacedBar> = bars.iter().filter_map(|bar| self.placed(bar, base)).collect();
        let box_at = |bar: &PlacedBar, a: f64, b: f64| {
            let (a, b, low, high) = (a.min(b), a.max(b), bar.low, bar.high);
            let area = if self.lying { Area::new(a, low, b, high) } else { Area::new(low, a, high, b) };
            area.meet(self.area)
        };
        for bar in &placed {
            canvas.fill(box_at(bar, bar.start, bar.end), pen.ink.on_paper(BODY))?;
        }
        for bar in &placed {
            let edge = if bar.end < bar.start { bar.end } else { bar.end - pen.width };
            canvas.fill(box_at(bar, edge, edge + pen.width), pen.ink)?;
        }
        for bar in &placed {
            if let Some(ends) = bar.ends {
                self.whisker(canvas, ((bar.low + bar.high) / 2.0, (bar.high - bar.low) / 2.0), ends)?;
            }
        }
        Ok(())
    }

    fn placed(&self, bar: &Bar, base: Option<f64>) -> Option<PlacedBar> {
        let (along, across) = if self.lying { (&self.x, &self.y) } else { (&self.y, &self.x) };
        let (from, to) = (across.pixel(bar.from), across.pixel(bar.to));
        let start = along.pixel(base.unwrap_or(along.low()));
        let end = along.pixel(bar.value);
        if !(from.is_finite() && to.is_finite() && end.is_finite() && start.is_finite()) {
            return None;
        }
        let (low, high) = (from.min(to), from.max(to));
        let gap = if self.lying { 0.18 * (high - low) } else { (0.12 * (high - low)).clamp(0.4, 2.0) };
        let (low, high) =
            if self.lying { ((low + gap).round(), (high - gap).round()) } else { (low + gap, high - gap) };
        // An interval without an end runs out of the panel.
        let place = |value: f64| along.pixel(if value.is_infinite() { 1e100_f64.copysign(value) } else { value });
        let ends = bar.interval.map(|(least, most)| (place(least), place(most)));
        Some(PlacedBar { low, high, start, end, ends })
    }

    /// The line from the lowest to the highest value that the data allow, with a stroke across each end.
    fn whisker(&self, canvas: &mut impl Canvas, (middle, room): (f64, f64), ends: (f64, f64)) -> Result<(), Error> {
        let half = (room - 1.0).clamp(0.0, 5.0);
        let turn = |along: f64, across: f64| if self.lying { (along, across) } else { (across, along) };
        let mut paths = vec![vec![turn(ends.0, middle), turn(ends.1, middle)]];
        if half >= 1.0 {
            paths.extend([ends.0, ends.1].map(|end| vec![turn(end, middle - half), turn(end, middle + half)]));
        }
        for path in paths.iter().filter(|path| path.iter().all(|p| p.0.is_finite() && p.1.is_finite())) {
            for path in cut_to(path, self.area) {
                canvas.stroke(&path, 1.2, TEXT)?;
            }
        }
        Ok(())
    }
}

/// A bar in pixels: its sides, where it begins and ends, and the ends of its whisker.
struct PlacedBar {
    low: f64,
    high: f64,
    start: f64,
    end: f64,
    ends: Option<(f64, f64)>,
}

/// The middle of the pixel that a place lies in, so that a thin upright or level line stays sharp.
pub(super) fn crisp(at: f64) -> f64 {
    at.floor() + 0.5
}

/// Draws a path with its dashes.
///
/// Dashes of a calm line follow its length. A dense line would drown them in its ups and downs; its dashes follow the
/// axis instead, and in the gaps it stays visible, but pale.
pub(super) fn stroke(canvas: &mut impl Canvas, path: &[Point], pen: Pen) -> Result<(), Error> {
    let Some(dash) = pen.dash else { return canvas.stroke(path, pen.width, pen.ink) };
    let (Some(first), Some(last)) = (path.first(), path.last()) else { return Ok(()) };
    let length: f64 = path.windows(2).map(|w| (w[1].0 - w[0].0).hypot(w[1].1 - w[0].1)).sum();
    let calm = length <= 1.5 * (last.0 - first.0).abs() || path.len() <= 20;
    if canvas.dashed(path, pen, !calm) {
        return Ok(());
    }
    if calm {
        return dashes(path, dash).iter().try_for_each(|piece| canvas.stroke(piece, pen.width, pen.ink));
    }
    let cut = |from, to| cut_to(path, Area::new(from, f64::NEG_INFINITY, to, f64::INFINITY));
    let height = |piece: &Vec<Point>| extent(piece.iter().map(|p| p.1));
    for (piece, strength) in dense_dashes((first.0, last.0), dash, cut, height) {
        canvas.stroke(&piece, pen.width, pen.ink.faint(strength))?;
    }
    Ok(())
}

/// From the smallest to the largest of some values.
fn extent(values: impl Iterator<Item = f64>) -> f64 {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    high - low
}

/// The pieces of something dense with the strength of each: dashes in full, gaps pale.
///
/// A gap that falls on a peak, much higher than what is usual along the line, is drawn in full as well: a single
/// impulse must stand out wherever it happens to lie.
fn dense_dashes<T>(
    (from, to): (f64, f64),
    (on, off): (f64, f64),
    cut: impl Fn(f64, f64) -> Vec<T>,
    height: impl Fn(&T) -> f64,
) -> Vec<(T, f64)> {
    let mut pieces = Vec::new();
    // The dashes stand at the same places for every line of a figure.
    let mut start = (from / (on + off)).floor() * (on + off);
    while start < to && pieces.len() < 100_000 {
        for (a, b, dash) in [(start, start + on, true), (start + on, start + on + off, false)] {
            let (a, b) = (a.max(from), b.min(to));
            if a < b {
                pieces.extend(cut(a, b).into_iter().map(|piece| (piece, dash)));
            }
        }
        start += on + off;
    }
    let mut heights: Vec<f64> = pieces.iter().map(|(piece, _)| height(piece)).collect();
    heights.sort_by(f64::total_cmp);
    let usual = heights.get(heights.len() / 2).copied().unwrap_or(0.0);
    let strength = |piece: &T, dash| if dash || height(piece) > 2.0 * usual + 12.0 { 1.0 } else { GAP };
    pieces.into_iter().map(|(piece, dash)| (strength(&piece, dash), piece)).map(|(s, piece)| (piece, s)).collect()
}

/// A path cut into dashes along its length.
fn dashes(path: &[Point], (on, off): (f64, f64)) -> Vec<Vec<Point>> {
    let mut pieces = Vec::new();
    let mut piece: Vec<Point> = path.first().copied().into_iter().collect();
    let (mut drawing, mut left) = (true, on);
    for ends in path.windows(2) {
        let (mut a, b) = (ends[0], ends[1]);
        let mut length = (b.0 - a.0).hypot(b.1 - a.1);
        while length > left {
            let share = left / length;
            a = (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1));
            length -= left;
            piece.push(a);
            if drawing {
                pieces.push(std::mem::take(&mut piece));
            }
            piece = vec![a];
            drawing = !drawing;
            left = if drawing { on } else { off };
        }
        left -= length;
        piece.push(b);
    }
    if drawing && piece.len() > 1 || path.len() == 1 {
        pieces.push(piece);
    }
    pieces
}

/// The parts of a path that lie within an area.
fn cut_to(path: &[Point], area: Area) -> Vec<Vec<Point>> {
    let inside = |p: Point| area.left <= p.0 && p.0 <= area.right && area.top <= p.1 && p.1 <= area.bottom;
    if let [dot] = path {
        return if inside(*dot) { vec![vec![*dot]] } else { Vec::new() };
    }
    let mut parts: Vec<Vec<Point>> = Vec::new();
    let mut end = None;
    for ends in path.windows(2) {
        let Some((a, b)) = cut_segment(ends[0], ends[1], area) else {
            end = None;
            continue;
        };
        match parts.last_mut() {
            Some(part) if end == Some(a) => part.push(b),
            _ => parts.push(vec![a, b]),
        }
        end = Some(b);
    }
    parts
}

/// The part of a straight line within an area (Liang and Barsky 1984, "A new concept and method for line clipping").
fn cut_segment(a: Point, b: Point, area: Area) -> Option<(Point, Point)> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    let edges = [(-dx, a.0 - area.left), (dx, area.right - a.0), (-dy, a.1 - area.top), (dy, area.bottom - a.1)];
    for (towards, room) in edges {
        if towards == 0.0 {
            if room < 0.0 {
                return None;
            }
        } else if towards < 0.0 {
            enter = enter.max(room / towards);
        } else {
            leave = leave.min(room / towards);
        }
    }
    let at = |share: f64| (a.0 + share * dx, a.1 + share * dy);
    let start = if enter > 0.0 { at(enter) } else { a };
    let end = if leave < 1.0 { at(leave) } else { b };
    (enter <= leave).then_some((start, end))
}

/// Spans of one pixel column each, made as wide as their column, so that an extreme is a stroke and not a point.
///
/// Neighbouring columns that would not touch are drawn out until they meet, and where the signal is quiet a line of
/// the pen's width remains.
fn columns(piece: &[(f64, f64, f64)], width: f64) -> Vec<(f64, f64, f64)> {
    let mut columns = Vec::with_capacity(2 * piece.len());
    for (i, &(x, low, high)) in piece.iter().enumerate() {
        let (mut top, mut bottom) = (low, high);
        let before = i.checked_sub(1).and_then(|i| piece.get(i));
        for near in before.into_iter().chain(piece.get(i + 1)).filter(|near| (near.0 - x).abs() < 2.0) {
            top = top.min((near.2 + low) / 2.0);
            bottom = bottom.max((near.1 + high) / 2.0);
        }
        let missing = (width - (bottom - top)).max(0.0) / 2.0;
        // Just short of the next column, to which its own span belongs.
        columns.extend([0.0, 0.999].map(|end| (x.floor() + end, top - missing, bottom + missing)));
    }
    columns
}

/// The spans within an area, `(x, top, bottom)`, with the ends added where the area cuts between two.
fn cut_spans(spans: &[(f64, f64, f64)], area: Area) -> Vec<(f64, f64, f64)> {
    let level =
        |(x, a, b): (f64, f64, f64)| (x, a.min(b).clamp(area.top, area.bottom), a.max(b).clamp(area.top, area.bottom));
    let mut cut = Vec::new();
    for (i, &span) in spans.iter().enumerate() {
        if let Some(&before) = i.checked_sub(1).and_then(|i| spans.get(i)) {
            for edge in [area.left, area.right] {
                if before.0 < edge && edge < span.0 {
                    let share = (edge - before.0) / (span.0 - before.0);
                    let mix = |a: f64, b: f64| a + share * (b - a);
                    cut.push(level((edge, mix(before.1, span.1), mix(before.2, span.2))));
                }
            }
        }
        if area.left <= span.0 && span.0 <= area.right {
            cut.push(level(span));
        }
    }
    if let [(x, top, bottom)] = cut[..] {
        cut = vec![(x - 0.5, top, bottom), (x + 0.5, top, bottom)];
    }
    cut
}

#[cfg(test)]
mod tests {
    use super::*;

    const AREA: Area = Area { left: 0.0, top: 0.0, right: 10.0, bottom: 10.0 };

    #[test]
    fn lines_are_cut_at_the_frame() {
        let path = [(-5.0, 5.0), (5.0, 5.0), (5.0, 20.0), (8.0, 20.0), (8.0, 8.0)];
        assert_eq!(cut_to(&path, AREA), vec![vec![(0.0, 5.0), (5.0, 5.0), (5.0, 10.0)], vec![(8.0, 10.0), (8.0, 8.0)]]);
        assert!(cut_to(&[(11.0, 11.0)], AREA).is_empty());
        assert_eq!(cut_to(&[(1.0, 1.0)], AREA), vec![vec![(1.0, 1.0)]]);
    }

    #[test]
    fn spans_are_cut_at_the_frame() {
        let spans = [(-10.0, 2.0, 4.0), (10.0, 4.0, 40.0), (30.0, 0.0, 0.0)];
        assert_eq!(cut_spans(&spans, AREA), vec![(0.0, 3.0, 10.0), (10.0, 4.0, 10.0)]);
        assert_eq!(cut_spans(&[(4.0, 1.0, 2.0)], AREA), vec![(3.5, 1.0, 2.0), (4.5, 1.0, 2.0)]);
    }

    #[test]
    fn dashes_follow_the_line_around_corners() {
        let pieces = dashes(&[(0.0, 0.0), (6.0, 0.0), (6.0, 9.0)], (10.0, 2.0));
        assert_eq!(pieces, vec![vec![(0.0, 0.0), (6.0, 0.0), (6.0, 4.0)], vec![(6.0, 6.0), (6.0, 9.0)]]);
    }

    #[test]
    fn a_peak_in_a_gap_of_a_dense_line_keeps_its_strength() {
        let calm = |i: i32| if i % 2 == 0 { 5.0 } else { 8.0 };
        // The first gap lies from 10 to 15; 12 is within.
        let path: Vec<Point> = (0..60).map(|i| (f64::from(i), if i == 12 { 90.0 } else { calm(i) })).collect();
        let cut = |from, to| cut_to(&path, Area::new(from, f64::NEG_INFINITY, to, f64::INFINITY));
        let pieces = dense_dashes((0.0, 59.0), (10.0, 5.0), cut, |piece| extent(piece.iter().map(|p| p.1)));
        let strengths: Vec<f64> = pieces.iter().map(|(_, strength)| *strength).collect();
        assert_eq!(strengths, [1.0, 1.0, 1.0, GAP, 1.0, GAP, 1.0, GAP]);
        assert!(pieces[1].0.contains(&(12.0, 90.0)));
    }

    #[test]
    fn columns_of_an_envelope_meet() {
        let piece = [(0.2, 5.0, 6.0), (1.7, 9.0, 9.5), (40.0, 2.0, 2.0)];
        let expected = [
            (0.0, 5.0, 7.5),
            (0.999, 5.0, 7.5),
            (1.0, 7.5, 9.5),
            (1.999, 7.5, 9.5),
            (40.0, 1.0, 3.0),
            (40.999, 1.0, 3.0),
        ];
        assert_eq!(columns(&piece, 2.0), expected);
    }

    #[test]
    fn steps_part_where_bands_do_not_touch() {
        let bar = |from, to, value| Bar { from, to, value, interval: None };
        let scale = (&Scale::Linear, (0.0, 10.0));
        let plot = Plot::new(AREA, scale, scale);
        let pieces = thin(plot.steps(&[bar(0.0, 2.0, 5.0), bar(2.0, 4.0, 7.0), bar(6.0, 8.0, 1.0)]));
        assert_eq!(pieces, vec![vec![(0.0, 5.0), (2.0, 5.0), (2.0, 3.0), (4.0, 3.0)], vec![(6.0, 9.0), (8.0, 9.0)]]);
    }
}
