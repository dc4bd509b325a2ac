//! Lays a figure down on a canvas, once everything has its place.

use super::axis::Tick;
use super::canvas::{Anchor, Area, Canvas, Setting};
use super::layout::{
    BRACKET, COLOUR_GAP, COLOUR_WIDTH, Cell, Entry, Layout, NAME_LINE, Placed, SWATCH, SWATCH_GAP, TICK, TICK_GAP,
};
use super::map;
use super::series::{BODY, SHADE, crisp, stroke};
use super::style::{
    CAPTION_FACE, CONCLUSION_FACE, FRAME, GRID, Ink, LABEL_FACE, PANEL_FACE, PAPER, QUIET, TEXT, TICK_FACE, TITLE,
    TITLE_FACE,
};
use super::text::Face;
use super::{Figure, Series, Shape};
use crate::error::Error;
use crate::report::plain::plain;

/// Half the height of a figure in units of its size: what lowers a baseline so that numbers stand level with a line.
const HALF_FIGURE: f64 = 0.36;

/// How strongly the paper under a name at its line covers what is behind it.
const TAG_PAPER: f64 = 0.85;

/// Draws a figure.
pub(super) fn draw(figure: &Figure, canvas: &mut impl Canvas) -> Result<(), Error> {
    canvas.fill(Area::new(0.0, 0.0, f64::from(figure.width), f64::from(figure.height)), PAPER)?;
    let layout = Layout::new(figure);
    for cell in &layout.cells {
        Pencil { canvas, cell }.draw()?;
    }
    for (lines, face, ink) in [
        (&layout.title, TITLE_FACE, TITLE),
        (&layout.conclusion, CONCLUSION_FACE, TEXT),
        (&layout.caption, CAPTION_FACE, QUIET),
    ] {
        for line in lines {
            write(canvas, line, Anchor::Start, face, ink)?;
        }
    }
    Ok(())
}

fn write(canvas: &mut impl Canvas, line: &Placed, anchor: Anchor, face: Face, ink: Ink) -> Result<(), Error> {
    canvas.text(&line.text, Setting { at: (line.x, line.baseline), anchor, face, ink, upwards: false })
}

/// Draws one panel.
struct Pencil<'c, 'a, C> {
    canvas: &'c mut C,
    cell: &'c Cell<'a>,
}

impl<C: Canvas> Pencil<'_, '_, C> {
    fn draw(&mut self) -> Result<(), Error> {
        self.grid()?;
        let cell = self.cell;
        if let Some(levels) = &cell.panel.map {
            map::draw(self.canvas, &cell.plot, levels)?;
            self.colours(levels.range)?;
        }
        cell.panel.series.iter().try_for_each(|series| cell.plot.draw(self.canvas, series))?;
        self.tags()?;
        self.frame()?;
        self.x_axis()?;
        self.y_axis()?;
        self.phase_axis()?;
        self.marks()?;
        self.ties()?;
        self.heading()
    }

    fn text(&mut self, text: &str, at: (f64, f64), anchor: Anchor, face: Face, ink: Ink) -> Result<(), Error> {
        self.canvas.text(text, Setting { at, anchor, face, ink, upwards: false })
    }

    /// Lines of text around a middle height.
    fn lines(&mut self, lines: &[String], (x, middle): (f64, f64), anchor: Anchor, ink: Ink) -> Result<(), Error> {
        let first = middle - (lines.len().max(1) - 1) as f64 * NAME_LINE / 2.0 + HALF_FIGURE * LABEL_FACE.size;
        for (i, line) in lines.iter().enumerate() {
            self.text(line, (x, (first + i as f64 * NAME_LINE).round()), anchor, LABEL_FACE, ink)?;
        }
        Ok(())
    }

    /// A sharp line of one pixel, to the right or downwards.
    fn rule(&mut self, (x0, y0): (f64, f64), (x1, y1): (f64, f64), ink: Ink) -> Result<(), Error> {
        let (x, y) = (x0.floor(), y0.floor());
        let area = if x1 > x0 { Area::new(x, y, x1.floor(), y + 1.0) } else { Area::new(x, y, x + 1.0, y1.floor()) };
        self.canvas.fill(area, ink)
    }

    fn grid(&mut self) -> Result<(), Error> {
        let (plot, area) = (&self.cell.plot, self.cell.plot.area);
        for tick in self.cell.x_ticks.iter().filter(|tick| tick.label.is_some()) {
            let x = plot.x.pixel(tick.value);
            self.rule((x, area.top), (x, area.bottom), GRID)?;
        }
        if !plot.lying {
            for tick in self.cell.y_ticks.iter().filter(|tick| tick.label.is_some()) {
                let y = plot.y.pixel(tick.value);
                self.rule((area.left, y), (area.right, y), GRID)?;
            }
        }
        for mark in &self.cell.marks {
            self.rule((mark.at, mark.top), (mark.at, area.bottom), FRAME)?;
        }
        Ok(())
    }

    fn frame(&mut self) -> Result<(), Error> {
        let area = self.cell.plot.area;
        self.rule((area.left, area.bottom), (area.right + 1.0, area.bottom), FRAME)?;
        self.rule((area.left, area.top), (area.left, area.bottom), FRAME)?;
        if self.cell.panel.phase.is_some() {
            self.rule((area.left, area.top), (area.right + 1.0, area.top), FRAME)?;
        }
        Ok(())
    }

    fn x_axis(&mut self) -> Result<(), Error> {
        let (plot, area) = (&self.cell.plot, self.cell.plot.area);
        for tick in &self.cell.x_ticks {
            let x = plot.x.pixel(tick.value);
            let length = if tick.label.is_some() { TICK } else { TICK / 2.0 };
            self.rule((x, area.bottom), (x, area.bottom + 1.0 + length), FRAME)?;
            if let (Some(label), true) = (&tick.label, self.cell.x_written) {
                let baseline = area.bottom + TICK + TICK_GAP + 0.76 * TICK_FACE.size;
                self.text(label, (x, baseline), Anchor::Middle, TICK_FACE, QUIET)?;
            }
        }
        if self.cell.x_written {
            let label = LABEL_FACE.cut(&plain(&self.cell.panel.x.label), area.width());
            let baseline = area.bottom + TICK + TICK_GAP + TICK_FACE.size + LABEL_FACE.size + 3.0;
            self.text(&label, ((area.left + area.right) / 2.0, baseline), Anchor::Middle, LABEL_FACE, TEXT)?;
        }
        Ok(())
    }

    fn y_axis(&mut self) -> Result<(), Error> {
        let (plot, area) = (&self.cell.plot, self.cell.plot.area);
        for Tick { value, label } in self.cell.y_ticks.iter().filter(|_| !plot.lying) {
            let y = plot.y.pixel(*value);
            let length = if label.is_some() { TICK } else { TICK / 2.0 };
            self.rule((area.left - length, y), (area.left, y), FRAME)?;
            if let (Some(label), true) = (label, self.cell.y_written) {
                let at = (area.left - TICK - TICK_GAP, (y + HALF_FIGURE * TICK_FACE.size).round());
                self.text(label, at, Anchor::End, TICK_FACE, QUIET)?;
            }
        }
        for (place, lines) in self.cell.names.iter().enumerate() {
            let at = (area.left - TICK - TICK_GAP, plot.y.pixel(place as f64));
            self.lines(lines, at, Anchor::End, TEXT)?;
        }
        if self.cell.y_written {
            let middle = (area.top + area.bottom) / 2.0;
            for (i, line) in self.cell.y_label.iter().enumerate() {
                let at = (self.cell.y_label_at + i as f64 * LABEL_FACE.line(), middle);
                let setting = Setting { at, anchor: Anchor::Middle, face: LABEL_FACE, ink: TEXT, upwards: true };
                self.canvas.text(line, setting)?;
            }
        }
        Ok(())
    }

    /// The scale of colours to the right of the panel.
    fn colours(&mut self, (low, high): (f64, f64)) -> Result<(), Error> {
        let area = self.cell.plot.area;
        let (left, right) = (area.right + COLOUR_GAP, area.right + COLOUR_GAP + COLOUR_WIDTH);
        map::scale(self.canvas, Area { left, right, ..area })?;
        let mut end = right + TICK + TICK_GAP;
        for Tick { value, label } in &self.cell.colour_ticks {
            let y = area.bottom - (value - low) / (high - low) * area.height();
            self.rule((right, y.min(area.bottom - 1.0)), (right + TICK, y), FRAME)?;
            if let Some(label) = label {
                let at = (right + TICK + TICK_GAP, (y + HALF_FIGURE * TICK_FACE.size).round());
                self.text(label, at, Anchor::Start, TICK_FACE, QUIET)?;
                end = end.max(at.0 + TICK_FACE.width(label));
            }
        }
        let at = (end + LABEL_FACE.line(), (area.top + area.bottom) / 2.0);
        let setting = Setting { at, anchor: Anchor::Middle, face: LABEL_FACE, ink: TEXT, upwards: true };
        self.canvas.text(&self.cell.colour_label, setting)
    }

    fn phase_axis(&mut self) -> Result<(), Error> {
        let Some(phase) = &self.cell.panel.phase else { return Ok(()) };
        let (plot, area) = (&self.cell.plot, self.cell.plot.area);
        let baseline = area.top - TICK - TICK_GAP;
        if self.cell.phase_written {
            let label = LABEL_FACE.cut(&plain(&phase.label), area.width());
            let at = ((area.left + area.right) / 2.0, baseline - TICK_FACE.line());
            self.text(&label, at, Anchor::Middle, LABEL_FACE, TEXT)?;
        }
        for tick in &self.cell.phase_ticks {
            let x = plot.x.pixel(tick.value);
            self.rule((x, area.top - TICK), (x, area.top), FRAME)?;
            if let (Some(number), true) = (&tick.label, self.cell.phase_written) {
                self.text(number, (x, baseline), Anchor::Middle, TICK_FACE, QUIET)?;
            }
        }
        Ok(())
    }

    fn marks(&mut self) -> Result<(), Error> {
        for mark in &self.cell.marks {
            if let Some(name) = &mark.name {
                write(self.canvas, name, Anchor::Middle, TICK_FACE, QUIET)?;
            }
        }
        Ok(())
    }

    fn tags(&mut self) -> Result<(), Error> {
        for tag in &self.cell.tags {
            self.canvas.fill(tag.area, PAPER.faint(TAG_PAPER))?;
            write(self.canvas, &tag.text, Anchor::Start, TICK_FACE, TEXT)?;
        }
        Ok(())
    }

    fn ties(&mut self) -> Result<(), Error> {
        let (plot, area) = (&self.cell.plot, self.cell.plot.area);
        for (tie, lines) in &self.cell.ties {
            let top = plot.y.pixel(tie.first as f64 - 0.3).max(area.top);
            let bottom = plot.y.pixel(tie.last as f64 + 0.3).min(area.bottom);
            if bottom <= top {
                continue;
            }
            let (near, far) = (area.right + 6.0, area.right + 12.0);
            let bracket = [(near, top), (far, top), (far, bottom), (near, bottom)].map(|p| (crisp(p.0), crisp(p.1)));
            self.canvas.stroke(&bracket, 1.4, QUIET)?;
            self.lines(lines, (area.right + BRACKET, (top + bottom) / 2.0), Anchor::Start, QUIET)?;
        }
        Ok(())
    }

    fn heading(&mut self) -> Result<(), Error> {
        if let Some(title) = &self.cell.title {
            write(self.canvas, title, Anchor::Start, PANEL_FACE, TITLE)?;
        }
        for entry in &self.cell.legend {
            self.swatch(entry)?;
            let text = Placed { x: entry.text.x + SWATCH + SWATCH_GAP, ..entry.text.clone() };
            write(self.canvas, &text, Anchor::Start, TICK_FACE, TEXT)?;
        }
        Ok(())
    }

    fn swatch(&mut self, Entry { series, text }: &Entry) -> Result<(), Error> {
        let Some(Series { style, shape, .. }) = self.cell.panel.series.get(*series) else { return Ok(()) };
        let pen = style.pen();
        let middle = crisp(text.baseline - HALF_FIGURE * TICK_FACE.size);
        let (left, right) = (text.x, text.x + SWATCH);
        let body = Area::new(left, middle.floor() - 5.0, right, middle.floor() + 6.0);
        match shape {
            Shape::Interval(_) => self.canvas.fill(body, pen.ink.on_paper(SHADE)),
            Shape::Bars { .. } => {
                self.canvas.fill(body, pen.ink.on_paper(BODY))?;
                self.canvas.fill(Area { bottom: body.top + pen.width, ..body }, pen.ink)
            }
            Shape::Points(_) => {
                let across = (left + right) / 2.0;
                self.canvas.stroke(&[(across - 5.0, middle), (across + 5.0, middle)], pen.width, pen.ink)?;
                self.canvas.stroke(&[(across, middle - 5.0), (across, middle + 5.0)], pen.width, pen.ink)
            }
            _ => stroke(
                self.canvas,
                &[(left, middle), (right, middle)],
                super::style::Pen { width: pen.width + 0.4, ..pen },
            ),
        }
    }
}
