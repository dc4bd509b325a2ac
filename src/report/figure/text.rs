//! Text without system fonts: DejaVu Sans out of a crate, measured, broken into lines, cut with an ellipsis.

use std::sync::OnceLock;

use ab_glyph::{Font, FontRef, Glyph, OutlinedGlyph, PxScale, ScaleFont, point};

/// The families an SVG asks for. DejaVu runs wide, so that what takes its place on other machines still fits.
pub(super) const FAMILIES: &str = "DejaVu Sans, sans-serif";

/// Height of a line of text in units of its size.
pub(super) const LINE: f64 = 1.38;

/// Size and weight of a text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Face {
    /// The size of the em square in pixels.
    pub(super) size: f64,
    pub(super) bold: bool,
}

impl Face {
    pub(super) const fn regular(size: f64) -> Self {
        Self { size, bold: false }
    }

    pub(super) const fn bold(size: f64) -> Self {
        Self { size, bold: true }
    }

    /// The height of a line in pixels.
    pub(super) fn line(self) -> f64 {
        self.size * LINE
    }

    fn font(self) -> Option<&'static FontRef<'static>> {
        static REGULAR: OnceLock<Option<FontRef<'static>>> = OnceLock::new();
        static BOLD: OnceLock<Option<FontRef<'static>>> = OnceLock::new();
        let load = |bytes| FontRef::try_from_slice(bytes).ok();
        if self.bold { &BOLD } else { &REGULAR }.get_or_init(|| load(face(self.bold))).as_ref()
    }

    /// The scale at which the em square has our size; the library counts from ascent to descent instead.
    #[expect(clippy::cast_possible_truncation, reason = "glyph geometry needs no more than single precision")]
    fn scale(self, font: &FontRef<'_>) -> PxScale {
        let per_em = font.units_per_em().unwrap_or(2048.0);
        PxScale::from(self.size as f32 * font.height_unscaled() / per_em)
    }

    /// The width of a text in pixels.
    pub(super) fn width(self, text: &str) -> f64 {
        let mut end = 0.0;
        self.each_glyph(text, |_, glyph_end| end = glyph_end);
        end
    }

    /// The outlines of a text whose baseline begins at the origin, `y` pointing down.
    pub(super) fn outlines(self, text: &str) -> Vec<OutlinedGlyph> {
        let Some(font) = self.font() else { return Vec::new() };
        let mut outlines = Vec::new();
        self.each_glyph(text, |glyph, _| outlines.extend(font.outline_glyph(glyph)));
        outlines
    }

    fn each_glyph(self, text: &str, mut visit: impl FnMut(Glyph, f64)) {
        let Some(font) = self.font() else { return };
        let scale = self.scale(font);
        let scaled = font.as_scaled(scale);
        let mut pen = 0.0_f32;
        let mut before = None;
        for c in text.chars() {
            let id = scaled.glyph_id(c);
            if let Some(before) = before {
                pen += scaled.kern(before, id);
            }
            let glyph = id.with_scale_and_position(scale, point(pen, 0.0));
            pen += scaled.h_advance(id);
            visit(glyph, f64::from(pen));
            before = Some(id);
        }
    }

    /// The text, or as much of its beginning as fits with an ellipsis at the end.
    pub(super) fn cut(self, text: &str, width: f64) -> String {
        if self.width(text) <= width {
            return text.to_owned();
        }
        let mut kept = self.fitting(text, width - self.width("…"));
        kept.truncate(kept.trim_end().len());
        kept.push('…');
        if self.width(&kept) <= width { kept } else { String::new() }
    }

    /// The text broken into lines no wider than `width` and no more than `most`; what is left out leaves an ellipsis.
    pub(super) fn wrap(self, text: &str, width: f64, most: usize) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        let mut rest = text.trim();
        while !rest.is_empty() {
            if lines.len() + 1 >= most {
                lines.extend(Some(self.cut(rest, width)).filter(|line| most > 0 && !line.is_empty()));
                break;
            }
            let length = self.line_end(rest, width);
            lines.push(rest[..length].trim_end().to_owned());
            rest = rest[length..].trim_start();
        }
        lines
    }

    /// How many bytes of a text go on one line: whole words, or as much of a word as fits where it is too long itself.
    fn line_end(self, text: &str, width: f64) -> usize {
        let fits = self.fitting(text, width).len();
        if fits == text.len() {
            return fits;
        }
        let at_word = if text[fits..].starts_with(' ') { Some(fits) } else { text[..fits].rfind(' ') };
        let first_character = text.chars().next().map_or(0, char::len_utf8);
        at_word.filter(|&at| at > 0).unwrap_or(fits.max(first_character))
    }

    fn fitting(self, text: &str, width: f64) -> String {
        let mut ends = Vec::new();
        self.each_glyph(text, |_, end| ends.push(end));
        text.chars().zip(ends).take_while(|(_, end)| *end <= width).map(|(c, _)| c).collect()
    }
}

/// The letters. Where a page carries them they are those of Europe and the signs only; others show as boxes.
#[cfg(target_family = "wasm")]
fn face(bold: bool) -> &'static [u8] {
    if bold { include_bytes!("fonts/DejaVuSans-Bold.ttf") } else { include_bytes!("fonts/DejaVuSans.ttf") }
}

#[cfg(not(target_family = "wasm"))]
fn face(bold: bool) -> &'static [u8] {
    if bold { dejavu::sans::bold() } else { dejavu::sans::regular() }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FACE: Face = Face::regular(16.0);

    #[test]
    fn widths_follow_the_font() {
        // DejaVu Sans 2.37, horizontal metrics table: "n" advances 1298 of 2048 units, the figures 1303.
        assert!((FACE.width("nnnn") - 4.0 * 16.0 * 1298.0 / 2048.0).abs() < 0.01);
        assert!((FACE.width("0189") - 4.0 * 16.0 * 1303.0 / 2048.0).abs() < 0.01);
        assert_eq!(FACE.width(""), 0.0);
    }

    #[test]
    fn what_is_too_long_ends_in_an_ellipsis_and_fits() {
        let name = "measurement-".repeat(30);
        let cut = FACE.cut(&name, 200.0);
        assert!(cut.ends_with('…') && FACE.width(&cut) <= 200.0 && FACE.width(&cut) > 180.0);
        assert_eq!(FACE.cut("short", 200.0), "short");
        assert_eq!(FACE.cut("short", 1.0), "");
    }

    #[test]
    fn lines_break_between_words_and_lose_nothing() {
        let text = "window hann, resolution bandwidth 200 Hz, 399 averages, high-pass 1 kHz, range 2 V";
        let lines = FACE.wrap(text, 220.0, 9);
        assert!(lines.len() > 2 && lines.iter().all(|line| FACE.width(line) <= 220.0));
        assert_eq!(lines.join(" "), text);
    }

    #[test]
    fn a_word_longer_than_a_line_is_broken_within() {
        let name = "a".repeat(100);
        let lines = FACE.wrap(&name, 200.0, 99);
        assert!(lines.iter().all(|line| FACE.width(line) <= 200.0));
        assert_eq!(lines.concat(), name);
        assert_eq!(FACE.wrap(&name, 0.5, 3).len(), 2, "one character per line, then nothing fits");
        assert!(FACE.wrap(&name, 200.0, 0).is_empty());
    }

    #[test]
    fn the_last_line_says_that_something_is_missing() {
        let lines = FACE.wrap(&"word ".repeat(100), 150.0, 2);
        assert_eq!(lines.len(), 2);
        assert!(lines[1].ends_with('…'));
    }
}
