//! The few things a figure is drawn with, once in pixels and once in words.
//!
//! Both canvases stand on plotters' backends. Lines and letters of the bitmap are smoothed here and handed over pixel
//! by pixel, because the backend places corners and glyphs on whole pixels only.

use plotters::backend::{BitMapBackend, DrawingBackend, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontStyle, FontTransform, IntoFont, RGBAColor, RGBColor, ShapeStyle, TextStyle};

use super::Point;
use super::style::{Ink, Pen};
use super::text::{FAMILIES, Face};
use crate::error::Error;

/// An upright rectangle in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Area {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) right: f64,
    pub(super) bottom: f64,
}

impl Area {
    pub(super) fn new(left: f64, top: f64, right: f64, bottom: f64) -> Self {
        Self { left, top, right, bottom }
    }

    pub(super) fn width(self) -> f64 {
        self.right - self.left
    }

    pub(super) fn height(self) -> f64 {
        self.bottom - self.top
    }

    pub(super) fn meet(self, other: Area) -> Area {
        Area {
            left: self.left.max(other.left),
            top: self.top.max(other.top),
            right: self.right.min(other.right),
            bottom: self.bottom.min(other.bottom),
        }
    }
}

/// Which part of a text stands at the given point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A text to set: where its baseline is, how it looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Setting {
    pub(super) at: Point,
    pub(super) anchor: Anchor,
    pub(super) face: Face,
    pub(super) ink: Ink,
    /// Whether the text runs upwards instead of to the right.
    pub(super) upwards: bool,
}

/// What a figure is drawn on. All places are in pixels of the finished picture, `y` pointing down.
pub(super) trait Canvas {
    /// Fills a rectangle.
    fn fill(&mut self, area: Area, ink: Ink) -> Result<(), Error>;
    /// Draws a line through points, with round corners.
    fn stroke(&mut self, path: &[Point], width: f64, ink: Ink) -> Result<(), Error>;
    /// Fills what lies between the tops and bottoms of `(x, top, bottom)` at rising `x`.
    fn shade(&mut self, spans: &[(f64, f64, f64)], ink: Ink) -> Result<(), Error>;
    /// Draws a line with its dashes by its own means, if it has some: along the line, or in stripes where the line is
    /// restless. Says whether it did.
    fn dashed(&mut self, _path: &[Point], _pen: Pen, _restless: bool) -> bool {
        false
    }
    /// Fills rectangles that lie side by side within an area.
    fn tiles(&mut self, _area: Area, tiles: &[(Area, Ink)]) -> Result<(), Error> {
        tiles.iter().try_for_each(|(tile, ink)| self.fill(*tile, *ink))
    }
    /// Sets a text.
    fn text(&mut self, text: &str, setting: Setting) -> Result<(), Error>;
}

fn rgba(ink: Ink) -> RGBAColor {
    let (red, green, blue) = ink.rgb;
    RGBColor(red, green, blue).mix(ink.opacity)
}

fn failed(error: impl std::fmt::Display) -> Error {
    Error::output(format!("the figure could not be drawn: {error}"))
}

#[expect(clippy::cast_possible_truncation, reason = "the cast saturates, and pictures are far smaller than that")]
fn whole(value: f64) -> i32 {
    value.round() as i32
}

/// Drawing into pixels.
pub(super) struct Raster<'a> {
    backend: BitMapBackend<'a>,
    width: usize,
    height: usize,
    /// How much of each pixel the present line covers; zero between lines. A line is laid down as a whole, so that it
    /// does not darken where it crosses itself.
    cover: Vec<f32>,
}

impl<'a> Raster<'a> {
    /// A canvas on a buffer of three bytes per pixel.
    pub(super) fn new(buffer: &'a mut [u8], width: u32, height: u32) -> Self {
        let (columns, rows) = (width as usize, height as usize);
        let backend = BitMapBackend::with_buffer(buffer, (width, height));
        Self { backend, width: columns, height: rows, cover: vec![0.0; columns * rows] }
    }

    fn pixel(&mut self, x: i32, y: i32, ink: Ink, cover: f64) -> Result<(), Error> {
        self.backend.draw_pixel((x, y), rgba(ink.faint(cover.min(1.0))).to_backend_color()).map_err(failed)
    }

    /// The whole pixels from `low` to `high`, as far as they lie in a picture of so many.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "both ends are clamped to the picture first"
    )]
    fn pixels(low: f64, high: f64, count: usize) -> std::ops::Range<usize> {
        let clamp = |v: f64| v.clamp(0.0, count as f64) as usize;
        clamp(low.floor())..clamp(high.ceil())
    }

    /// Marks the pixels near one piece of a line with the share of them that it covers.
    fn cover_segment(&mut self, a: Point, b: Point, radius: f64) {
        let reach = radius + 0.5;
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length_squared = dx * dx + dy * dy;
        for row in Self::pixels(a.1.min(b.1) - reach, a.1.max(b.1) + reach, self.height) {
            let y = row as f64 + 0.5;
            let (mut low, mut high) = (a.0.min(b.0) - reach, a.0.max(b.0) + reach);
            if dy.abs() > 1e-9 {
                // The part of this row that the infinite line comes near to.
                let middle = a.0 + (y - a.1) * dx / dy;
                let half = reach * length_squared.sqrt() / dy.abs();
                (low, high) = (low.max(middle - half), high.min(middle + half));
            }
            for column in Self::pixels(low, high, self.width) {
                let (px, py) = (column as f64 + 0.5 - a.0, y - a.1);
                let along =
                    if length_squared > 0.0 { ((px * dx + py * dy) / length_squared).clamp(0.0, 1.0) } else { 0.0 };
                let distance = (px - along * dx).hypot(py - along * dy);
                #[expect(clippy::cast_possible_truncation, reason = "a share of a pixel needs no more precision")]
                let share = (reach - distance).clamp(0.0, 1.0).min(2.0 * radius) as f32;
                let cover = &mut self.cover[row * self.width + column];
                *cover = cover.max(share);
            }
        }
    }

    /// Lays down what is covered within an area, and wipes the cover.
    fn lay_down(&mut self, area: Area, ink: Ink) -> Result<(), Error> {
        for row in Self::pixels(area.top, area.bottom, self.height) {
            for column in Self::pixels(area.left, area.right, self.width) {
                let cover = std::mem::take(&mut self.cover[row * self.width + column]);
                if cover > 0.0 {
                    self.pixel(whole(column as f64), whole(row as f64), ink, f64::from(cover))?;
                }
            }
        }
        Ok(())
    }
}

/// The share of the pixel that begins at `at` which lies between `low` and `high`.
fn share(at: f64, low: f64, high: f64) -> f64 {
    (high.min(at + 1.0) - low.max(at)).max(0.0)
}

impl Canvas for Raster<'_> {
    fn fill(&mut self, area: Area, ink: Ink) -> Result<(), Error> {
        for row in Self::pixels(area.top, area.bottom, self.height) {
            let of_row = share(row as f64, area.top, area.bottom);
            for column in Self::pixels(area.left, area.right, self.width) {
                let of_column = share(column as f64, area.left, area.right);
                self.pixel(whole(column as f64), whole(row as f64), ink, of_row * of_column)?;
            }
        }
        Ok(())
    }

    fn stroke(&mut self, path: &[Point], width: f64, ink: Ink) -> Result<(), Error> {
        let radius = width / 2.0;
        let mut touched = Area::new(f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY);
        for (i, &a) in path.iter().enumerate() {
            let reach = radius + 1.0;
            touched = Area::new(
                touched.left.min(a.0 - reach),
                touched.top.min(a.1 - reach),
                touched.right.max(a.0 + reach),
                touched.bottom.max(a.1 + reach),
            );
            match path.get(i + 1) {
                Some(&b) => self.cover_segment(a, b, radius),
                None if path.len() == 1 => self.cover_segment(a, a, radius),
                None => {}
            }
        }
        if path.is_empty() { Ok(()) } else { self.lay_down(touched, ink) }
    }

    fn shade(&mut self, spans: &[(f64, f64, f64)], ink: Ink) -> Result<(), Error> {
        let (Some(first), Some(last)) = (spans.first(), spans.last()) else { return Ok(()) };
        let mut at = 0;
        for column in Self::pixels(first.0, last.0, self.width) {
            let left = column as f64;
            while at + 1 < spans.len() && spans[at + 1].0 <= left + 0.5 {
                at += 1;
            }
            let (mut top, mut bottom) = between(spans[at], spans.get(at + 1), left + 0.5);
            // An extreme within the column counts in full, wherever in the column it lies.
            for span in &spans[at.saturating_sub(1)..(at + 2).min(spans.len())] {
                if (left..left + 1.0).contains(&span.0) {
                    (top, bottom) = (top.min(span.1), bottom.max(span.2));
                }
            }
            let of_column = share(left, first.0, last.0);
            for row in Self::pixels(top, bottom, self.height) {
                let of_row = share(row as f64, top, bottom);
                self.pixel(whole(left), whole(row as f64), ink, of_row * of_column)?;
            }
        }
        Ok(())
    }

    fn text(&mut self, text: &str, setting: Setting) -> Result<(), Error> {
        let back = match setting.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => setting.face.width(text) / 2.0,
            Anchor::End => setting.face.width(text),
        };
        let (x, y) = setting.at;
        let (x, y) = if setting.upwards { (whole(x), whole(y + back)) } else { (whole(x - back), whole(y)) };
        for glyph in setting.face.outlines(text) {
            let bounds = glyph.px_bounds();
            let (left, top) = (whole(f64::from(bounds.min.x)), whole(f64::from(bounds.min.y)));
            let mut drawn = Ok(());
            glyph.draw(|column, row, cover| {
                let (right, down) = (left + whole(f64::from(column)), top + whole(f64::from(row)));
                let at = if setting.upwards { (x + down, y - right - 1) } else { (x + right, y + down) };
                if cover > 0.0 && drawn.is_ok() {
                    drawn = self.pixel(at.0, at.1, setting.ink, f64::from(cover));
                }
            });
            drawn?;
        }
        Ok(())
    }
}

/// Top and bottom at a place between two spans.
fn between(a: (f64, f64, f64), b: Option<&(f64, f64, f64)>, x: f64) -> (f64, f64) {
    match b {
        Some(b) if b.0 > a.0 => {
            let share = ((x - a.0) / (b.0 - a.0)).clamp(0.0, 1.0);
            (a.1 + share * (b.1 - a.1), a.2 + share * (b.2 - a.2))
        }
        _ => (a.1, a.2),
    }
}

/// Drawing into words. The backend knows whole units only, so that a unit is a tenth of a pixel.
pub(super) struct Vector<'a> {
    backend: SVGBackend<'a>,
}

impl<'a> Vector<'a> {
    /// Units per pixel.
    const FINE: f64 = 10.0;

    /// A canvas that writes to a string. What it writes begins with a line for the whole picture in fine units.
    pub(super) fn new(out: &'a mut String, width: u32, height: u32) -> Self {
        Self { backend: SVGBackend::with_string(out, (width * 10, height * 10)) }
    }

    /// Closes the document.
    pub(super) fn finish(mut self) -> Result<(), Error> {
        self.backend.present().map_err(failed)
    }

    fn unit((x, y): Point) -> (i32, i32) {
        (whole(x * Self::FINE), whole(y * Self::FINE))
    }
}

impl Canvas for Vector<'_> {
    fn fill(&mut self, area: Area, ink: Ink) -> Result<(), Error> {
        let (from, to) = (Self::unit((area.left, area.top)), Self::unit((area.right, area.bottom)));
        let empty = to.0 <= from.0 || to.1 <= from.1;
        if empty { Ok(()) } else { self.backend.draw_rect(from, to, &rgba(ink).filled(), true).map_err(failed) }
    }

    fn stroke(&mut self, path: &[Point], width: f64, ink: Ink) -> Result<(), Error> {
        let stroke_width = whole(width * Self::FINE).max(1).unsigned_abs();
        let style = ShapeStyle { color: rgba(ink), filled: false, stroke_width };
        match path {
            [] => Ok(()),
            [dot] => self.backend.draw_circle(Self::unit(*dot), stroke_width / 2, &style, true).map_err(failed),
            path => self.backend.draw_path(path.iter().map(|&p| Self::unit(p)), &style).map_err(failed),
        }
    }

    fn shade(&mut self, spans: &[(f64, f64, f64)], ink: Ink) -> Result<(), Error> {
        let tops = spans.iter().map(|span| (span.0, span.1));
        let bottoms = spans.iter().rev().map(|span| (span.0, span.2));
        let outline = tops.chain(bottoms).map(Self::unit);
        if spans.len() < 2 { Ok(()) } else { self.backend.fill_polygon(outline, &rgba(ink).filled()).map_err(failed) }
    }

    fn text(&mut self, text: &str, setting: Setting) -> Result<(), Error> {
        // The backend writes the size divided by 1.24 and moves a text hung by its top 0.76 of its size down.
        let size = setting.face.size * Self::FINE;
        let (lift, transform) = (0.76 * setting.face.size, FontTransform::Rotate270);
        let (at, transform) = match (setting.at, setting.upwards) {
            ((x, y), true) => ((x - lift, y), transform),
            ((x, y), false) => ((x, y - lift), FontTransform::None),
        };
        let weight = if setting.face.bold { FontStyle::Bold } else { FontStyle::Normal };
        let across = match setting.anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        let color = rgba(setting.ink);
        let style = TextStyle::from((FAMILIES, size * 1.24, weight).into_font().transform(transform))
            .color(&color)
            .pos(Pos::new(across, VPos::Top));
        self.backend.draw_text(text, &style, Self::unit(at)).map_err(failed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::style::{PAPER, TITLE};

    const BLACK: Ink = Ink { rgb: (0, 0, 0), opacity: 1.0 };

    fn drawn(draw: impl FnOnce(&mut Raster<'_>)) -> Vec<u8> {
        let mut buffer = vec![255; 3 * 40 * 30];
        draw(&mut Raster::new(&mut buffer, 40, 30));
        buffer.chunks_exact(3).map(|pixel| 255 - pixel[0]).collect()
    }

    /// How much ink is on the paper, in pixels.
    fn ink(pixels: &[u8]) -> f64 {
        pixels.iter().map(|p| f64::from(*p) / 255.0).sum()
    }

    #[test]
    fn a_line_has_its_length_times_its_width_of_ink() {
        for to in [(30.0, 10.0), (10.0, 25.0), (28.3, 24.7)] {
            let pixels = drawn(|canvas| canvas.stroke(&[(10.0, 10.0), to], 2.0, BLACK).unwrap());
            // Round ends add one disc of the line's width.
            let expected = 2.0 * f64::hypot(to.0 - 10.0, to.1 - 10.0) + std::f64::consts::PI;
            assert!((ink(&pixels) / expected - 1.0).abs() < 0.05, "{} {expected}", ink(&pixels));
        }
    }

    #[test]
    fn a_line_that_crosses_itself_is_no_darker_there() {
        let half = Ink { opacity: 0.5, ..BLACK };
        let path = [(5.0, 5.0), (30.0, 25.0), (5.0, 25.0), (30.0, 5.0)];
        let pixels = drawn(|canvas| canvas.stroke(&path, 3.0, half).unwrap());
        assert!(pixels.iter().all(|p| *p <= 128));
    }

    #[test]
    fn areas_cover_parts_of_pixels_in_proportion() {
        let pixels = drawn(|canvas| canvas.fill(Area::new(1.5, 2.0, 4.0, 3.25), BLACK).unwrap());
        assert!((ink(&pixels) - 2.5 * 1.25).abs() < 0.03);
        let pixels = drawn(|canvas| canvas.shade(&[(5.0, 10.0, 20.0), (15.0, 5.0, 25.0)], BLACK).unwrap());
        assert!((ink(&pixels) - 150.0).abs() < 1.5, "{}", ink(&pixels));
    }

    #[test]
    fn an_extreme_of_one_column_reaches_its_height() {
        let spans = [(5.0, 15.0, 16.0), (9.9, 15.0, 16.0), (10.1, 3.0, 16.0), (11.2, 15.0, 16.0), (20.0, 15.0, 16.0)];
        let pixels = drawn(|canvas| canvas.shade(&spans, BLACK).unwrap());
        assert_eq!(pixels[3 * 40 + 10], 255);
    }

    #[test]
    fn what_lies_outside_the_picture_is_left_out() {
        let far = [(-1e6, -1e6), (1e6, 1e6)];
        let pixels = drawn(|canvas| {
            canvas.stroke(&far, 2.0, BLACK).unwrap();
            canvas.fill(Area::new(-5.0, -5.0, 1.0, 1.0), BLACK).unwrap();
            let setting =
                Setting { at: (35.0, 0.0), anchor: Anchor::End, face: Face::bold(20.0), ink: TITLE, upwards: true };
            canvas.text("WWWWWW", setting).unwrap();
        });
        assert!(ink(&pixels) > 30.0);
    }

    #[test]
    fn text_upwards_has_the_same_ink_as_text_along() {
        let of = |upwards| {
            let face = Face::regular(12.0);
            let setting = Setting { at: (20.0, 15.0), anchor: Anchor::Middle, face, ink: BLACK, upwards };
            ink(&drawn(|canvas| canvas.text("dB", setting).unwrap()))
        };
        assert!(of(false) > 20.0);
        assert!((of(false) / of(true) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn words_are_escaped_and_in_tenths_of_pixels() {
        let mut out = String::new();
        let mut canvas = Vector::new(&mut out, 40, 30);
        canvas.fill(Area::new(0.0, 0.0, 40.0, 30.0), PAPER).unwrap();
        let setting =
            Setting { at: (1.0, 20.0), anchor: Anchor::Start, face: Face::regular(10.0), ink: BLACK, upwards: false };
        canvas.text("a<b> & \"c\"", setting).unwrap();
        canvas.finish().unwrap();
        assert!(out.contains("a&lt;b&gt; &amp; &quot;c&quot;") && out.contains("width=\"400\""), "{out}");
        assert!(out.trim_end().ends_with("</svg>"));
    }
}
