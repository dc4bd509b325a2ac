//! Drawing into few words: SVG that stands within an HTML page, in a tenth of the bytes of a file of its own.
//!
//! Places are whole pixels and relative to the one before; what looks alike and is drawn in one go is one path. Of
//! restless lines every column of three pixels keeps its lowest and its highest point.

use std::fmt::Write as _;

use super::canvas::{Anchor, Area, Canvas, Setting};
use super::series::GAP;
use super::style::{Ink, Pen};
use super::thin::thin_spans_by;
use super::{Point, Style};
use crate::error::Error;
use crate::report::plain::{base64, escape};

/// Units per pixel.
const FINE: f64 = 1.0;
/// Width of a column of a restless line in pixels.
const COLUMN: f64 = 3.0;
/// Side of a dot of a map in pixels.
const DOT: f64 = 4.0;

/// How a path looks: its ink, its pen where it is a line, and whether that is striped.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Look {
    ink: Ink,
    width: Option<f64>,
    dash: Option<(f64, f64)>,
    striped: bool,
}

impl Look {
    fn area(ink: Ink) -> Self {
        Self { ink, width: None, dash: None, striped: false }
    }

    fn line(ink: Ink, width: f64) -> Self {
        Self { width: Some(width * FINE), ..Self::area(ink) }
    }
}

/// What restless dashed lines of a whole page are painted with: stripes of full strength and pale ones.
pub(in crate::report) fn stripes() -> String {
    let mut out = "<svg class=\"stripes\" width=\"0\" height=\"0\" aria-hidden=\"true\">".to_owned();
    for style in [Style::Air, Style::AirBefore, Style::AirAfter, Style::Floor] {
        let Pen { ink, dash: Some((on, off)), .. } = style.pen() else { continue };
        let (colour, share) = (ink.hex(), on / (on + off));
        let _ = write!(
            out,
            "<linearGradient id=\"stripes_{}\" gradientUnits=\"userSpaceOnUse\" spreadMethod=\"repeat\" x2=\"{:.1}\">\
             <stop stop-color=\"{colour}\"/><stop offset=\"{share:.3}\" stop-color=\"{colour}\"/>\
             <stop offset=\"{share:.3}\" stop-color=\"{colour}\" stop-opacity=\"{GAP}\"/>\
             <stop offset=\"1\" stop-color=\"{colour}\" stop-opacity=\"{GAP}\"/></linearGradient>",
            &colour[1..],
            (on + off) * FINE
        );
    }
    out.push_str("</svg>\n");
    out
}

/// A canvas that writes the inside of an SVG element.
#[derive(Debug, Default)]
pub(super) struct Lean {
    out: String,
    /// Paths of one colour, which may still grow; none covers another of its own colour.
    open: Vec<(Look, String)>,
}

#[expect(clippy::cast_possible_truncation, reason = "the cast saturates, and pictures are far smaller than that")]
fn unit((x, y): Point) -> (i64, i64) {
    ((x * FINE).round() as i64, (y * FINE).round() as i64)
}

impl Lean {
    /// The element, as large as stated in pixels. `attributes` are written by this program.
    pub(super) fn finish(mut self, width: f64, height: f64, attributes: &str) -> String {
        self.flush();
        let Self { out, .. } = self;
        format!("<svg viewBox=\"0 0 {} {}\" {attributes}>{out}</svg>", width * FINE, height * FINE)
    }

    /// The path that looks like this.
    fn path(&mut self, look: Look) -> &mut String {
        if self.open.last().is_some_and(|(last, _)| last.ink.rgb != look.ink.rgb) {
            self.flush();
        }
        let at = self.open.iter().position(|(other, _)| *other == look).unwrap_or_else(|| {
            self.open.push((look, String::new()));
            self.open.len() - 1
        });
        &mut self.open[at].1
    }

    /// A picture of dots over an area.
    fn picture(&mut self, area: Area, png: &[u8]) {
        self.flush();
        let (from, to) = (unit((area.left, area.top)), unit((area.right, area.bottom)));
        let _ = write!(
            self.out,
            "<image x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" preserveAspectRatio=\"none\" \
             href=\"data:image/png;base64,{}\"/>",
            from.0,
            from.1,
            to.0 - from.0,
            to.1 - from.1,
            base64(png)
        );
    }

    fn flush(&mut self) {
        for (Look { ink, width, dash, striped }, path) in self.open.drain(..) {
            let (colour, opacity) = (ink.hex(), ink.opacity);
            let _ = match width {
                Some(width) if striped => {
                    let name = &colour[1..];
                    write!(self.out, "<path fill=\"none\" stroke=\"url(#stripes_{name})\" stroke-width=\"{width:.1}\"")
                }
                Some(width) => write!(self.out, "<path fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width:.1}\""),
                None => write!(self.out, "<path fill=\"{colour}\""),
            };
            if let (Some((on, off)), false) = (dash, striped) {
                let _ = write!(self.out, " stroke-dasharray=\"{} {}\"", on * FINE, off * FINE);
            }
            if opacity < 1.0 {
                let _ = write!(self.out, " opacity=\"{opacity:.2}\"");
            }
            let _ = write!(self.out, " d=\"{path}\"/>");
        }
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and bounded by a picture")]
fn count(value: f64) -> usize {
    value.clamp(0.0, 10_000.0) as usize
}

/// Dots of a palette as PNG; the first colour is transparent.
fn packed(
    dots: &[u8],
    (columns, rows): (usize, usize),
    palette: &[(u8, u8, u8)],
) -> Result<Vec<u8>, png::EncodingError> {
    let side = |count: usize| u32::try_from(count).unwrap_or(0);
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, side(columns), side(rows));
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(palette.iter().flat_map(|(r, g, b)| [*r, *g, *b]).collect::<Vec<u8>>());
    encoder.set_trns(vec![0]);
    encoder.set_compression(png::Compression::High);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(dots)?;
    writer.finish()?;
    Ok(bytes)
}

/// A path with the lowest and the highest point of each column only, in their order, if it rises along `x` and is long.
fn extremes(path: &[Point]) -> Vec<Point> {
    if path.len() < 60 || path.windows(2).any(|ends| ends[1].0 < ends[0].0) {
        return path.to_vec();
    }
    let column = |point: &Point| (point.0 / COLUMN).floor();
    let mut kept = Vec::new();
    for column in path.chunk_by(|a, b| column(a).total_cmp(&column(b)).is_eq()) {
        let by_height = |a: &&Point, b: &&Point| a.1.total_cmp(&b.1);
        let ends = [column.iter().min_by(by_height), column.iter().max_by(by_height)];
        if let [Some(&low), Some(&high)] = ends {
            let (first, second) = if low.0 <= high.0 { (low, high) } else { (high, low) };
            kept.push(first);
            if second.1.total_cmp(&first.1).is_ne() {
                kept.push(second);
            }
        }
    }
    kept
}

/// Adds points to a path: the first one absolute, the others as steps.
fn trace(path: &mut String, points: impl Iterator<Item = Point>) {
    let mut last: Option<(i64, i64)> = None;
    for at in points.map(unit) {
        let Some(before) = last else {
            let _ = write!(path, "M{} {}l", at.0, at.1);
            last = Some(at);
            continue;
        };
        if at == before {
            continue;
        }
        let _ = match (at.0 - before.0, at.1 - before.1) {
            (x, y) if y < 0 => write!(path, "{}{x}{y}", gap(path, x)),
            (x, y) => write!(path, "{}{x} {y}", gap(path, x)),
        };
        last = Some(at);
    }
    // A dot is a line without length and with round ends.
    if path.ends_with('l') {
        path.push_str("0 0");
    }
}

/// What parts a number from the one before it: nothing where its sign or a letter does.
fn gap(path: &str, next: i64) -> &'static str {
    if next < 0 || !path.ends_with(|c: char| c.is_ascii_digit()) { "" } else { " " }
}

impl Canvas for Lean {
    fn fill(&mut self, area: Area, ink: Ink) -> Result<(), Error> {
        let (from, to) = (unit((area.left, area.top)), unit((area.right, area.bottom)));
        // A thin rule is a unit wide at least.
        let (width, height) = ((to.0 - from.0).max(1), (to.1 - from.1).max(1));
        if area.right > area.left && area.bottom > area.top {
            let path = self.path(Look::area(ink));
            let _ = write!(path, "M{} {}h{width}v{height}h{}z", from.0, from.1, -width);
        }
        Ok(())
    }

    fn stroke(&mut self, path: &[Point], width: f64, ink: Ink) -> Result<(), Error> {
        if !path.is_empty() {
            let path_of = self.path(Look::line(ink, width));
            trace(path_of, extremes(path).into_iter());
        }
        Ok(())
    }

    fn shade(&mut self, spans: &[(f64, f64, f64)], ink: Ink) -> Result<(), Error> {
        if spans.len() > 1 {
            let kept: Vec<_> = thin_spans_by(spans.iter().copied(), |x| x / COLUMN).concat();
            // The right end stays, so that a single column has a width.
            let end = spans.last().filter(|end| kept.last().is_none_or(|last| last.0 < end.0)).copied();
            let kept: Vec<_> = kept.into_iter().chain(end).collect();
            let tops = kept.iter().map(|span| (span.0, span.1));
            let bottoms = kept.iter().rev().map(|span| (span.0, span.2));
            let path = self.path(Look::area(ink));
            trace(path, tops.chain(bottoms));
            path.push('z');
        }
        Ok(())
    }

    fn dashed(&mut self, path: &[Point], pen: Pen, restless: bool) -> bool {
        let look = Look { dash: pen.dash, striped: restless, ..Look::line(pen.ink, pen.width) };
        trace(self.path(look), extremes(path).into_iter());
        true
    }

    /// Many small tiles are fewer bytes as a picture of dots of a few pixels each.
    fn tiles(&mut self, area: Area, tiles: &[(Area, Ink)]) -> Result<(), Error> {
        let (columns, rows) = (count(area.width() / DOT), count(area.height() / DOT));
        // Transparent first.
        let mut palette: Vec<(u8, u8, u8)> = vec![(255, 255, 255)];
        let mut dots = vec![0_u8; columns * rows];
        for (tile, ink) in tiles {
            let place = palette.iter().skip(1).position(|colour| *colour == ink.rgb).map_or(palette.len(), |k| k + 1);
            let Ok(index) = u8::try_from(place) else { continue };
            if place == palette.len() {
                palette.push(ink.rgb);
            }
            // The dots whose middles lie within the tile.
            let within = |from: f64, to: f64, most: usize| {
                count((from / DOT + 0.5).floor()).min(most)..count((to / DOT + 0.5).floor()).min(most)
            };
            for row in within(tile.top - area.top, tile.bottom - area.top, rows) {
                let of_row = within(tile.left - area.left, tile.right - area.left, columns);
                dots[row * columns + of_row.start..row * columns + of_row.end].fill(index);
            }
        }
        let png = packed(&dots, (columns, rows), &palette)
            .map_err(|error| Error::output(format!("a map could not be written as PNG: {error}")))?;
        self.picture(area, &png);
        Ok(())
    }

    fn text(&mut self, text: &str, setting: Setting) -> Result<(), Error> {
        self.flush();
        let (x, y) = unit(setting.at);
        let _ = write!(self.out, "<text");
        let _ = if setting.upwards {
            write!(self.out, " transform=\"translate({x} {y})rotate(-90)\"")
        } else {
            write!(self.out, " x=\"{x}\" y=\"{y}\"")
        };
        let _ = write!(self.out, " font-size=\"{}\" fill=\"{}\"", setting.face.size * FINE, setting.ink.hex());
        self.out.push_str(match setting.anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        });
        self.out.push_str(if setting.face.bold { " font-weight=\"bold\">" } else { ">" });
        escape(text, &mut self.out);
        self.out.push_str("</text>");
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::text::Face;

    const BLACK: Ink = Ink { rgb: (0, 0, 0), opacity: 1.0 };

    #[test]
    fn lines_are_steps_and_alike_lines_are_one_path() {
        let mut canvas = Lean::default();
        canvas.stroke(&[(1.0, 1.0), (2.0, 3.0), (1.0, 2.0), (4.0, 2.0)], 1.5, BLACK).unwrap();
        canvas.stroke(&[(5.0, 5.0)], 1.5, BLACK).unwrap();
        canvas.fill(Area::new(0.0, 0.0, 2.0, 1.0), Ink { rgb: (255, 0, 0), opacity: 0.5 }).unwrap();
        assert_eq!(
            canvas.finish(10.0, 20.0, "class=\"a\""),
            "<svg viewBox=\"0 0 10 20\" class=\"a\"><path fill=\"none\" stroke=\"#000000\" stroke-width=\"1.5\" \
             d=\"M1 1l1 2-1-1 3 0M5 5l0 0\"/><path fill=\"#ff0000\" opacity=\"0.50\" d=\"M0 0h2v1h-2z\"/></svg>"
        );
    }

    #[test]
    fn texts_are_escaped() {
        let mut canvas = Lean::default();
        let setting =
            Setting { at: (1.0, 2.0), anchor: Anchor::End, face: Face::regular(10.0), ink: BLACK, upwards: true };
        canvas.text("</text><script>", setting).unwrap();
        let out = canvas.finish(1.0, 1.0, "");
        assert!(out.contains(">&lt;/text&gt;&lt;script&gt;</text>"), "{out}");
    }
}
