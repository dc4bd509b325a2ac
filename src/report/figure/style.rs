//! How meaning looks: the one place where a [`Style`] becomes colour, width and dash.
//!
//! Ochre and teal differ in hue for every common kind of colour vision, in luminance for a print in grey, and in
//! dash for everyone.

use super::Style;
use super::text::Face;

/// A colour as red, green, blue, with its opacity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ink {
    pub(super) rgb: (u8, u8, u8),
    pub(super) opacity: f64,
}

impl Ink {
    const fn new(hex: u32) -> Self {
        let [_, red, green, blue] = hex.to_be_bytes();
        Self { rgb: (red, green, blue), opacity: 1.0 }
    }

    /// The same colour, weaker.
    pub(super) fn faint(self, opacity: f64) -> Self {
        Self { opacity: self.opacity * opacity, ..self }
    }

    /// The colour as HTML and SVG write it, without its opacity.
    pub(super) fn hex(self) -> String {
        let (red, green, blue) = self.rgb;
        format!("#{red:02x}{green:02x}{blue:02x}")
    }

    /// The colour that this one has at some strength on paper, itself opaque.
    pub(super) fn on_paper(self, strength: f64) -> Self {
        let mix = |colour: u8| blend(colour, strength);
        Self { rgb: (mix(self.rgb.0), mix(self.rgb.1), mix(self.rgb.2)), opacity: self.opacity }
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a mean of two bytes is a byte")]
fn blend(colour: u8, strength: f64) -> u8 {
    (255.0 + strength * (f64::from(colour) - 255.0)).round() as u8
}

/// What a line is drawn with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pen {
    pub(super) ink: Ink,
    /// Width in pixels.
    pub(super) width: f64,
    /// Length of a dash and of the gap after it in pixels.
    pub(super) dash: Option<(f64, f64)>,
}

impl Style {
    pub(super) fn pen(self) -> Pen {
        const DASHES: Option<(f64, f64)> = Some((10.0, 5.0));
        let pen = |hex, width, dash| Pen { ink: Ink::new(hex), width, dash };
        match self {
            Style::Wire => pen(0xB8_780A, 1.8, None),
            Style::Air => pen(0x00_5F66, 1.8, DASHES),
            Style::WireBefore => pen(0xD6_A443, 1.3, None),
            Style::WireAfter => pen(0x94_5A00, 1.9, None),
            Style::AirBefore => pen(0x55_A7AA, 1.3, DASHES),
            Style::AirAfter => pen(0x00_4A50, 1.9, DASHES),
            Style::Difference => pen(0x2B_3340, 1.8, None),
            Style::Floor => pen(0x82_8A93, 1.6, Some((1.6, 3.6))),
            Style::Neutral => pen(0x6B_7480, 1.3, None),
            Style::Level(number) => pen(0x2B_3340, 1.5, LEVEL_DASHES[usize::from(number) % LEVEL_DASHES.len()]),
        }
    }
}

impl Style {
    /// The colour of the pen on dark ground: as far from its neighbours as on paper, and the same hue.
    pub(super) fn in_dark(self) -> Ink {
        Ink::new(match self {
            Style::Wire => 0xE0_A030,
            Style::Air => 0x5F_D4D8,
            Style::WireBefore => 0xA8_7A2A,
            Style::WireAfter => 0xFF_C45C,
            Style::AirBefore => 0x3B_9296,
            Style::AirAfter => 0x8C_EEF0,
            Style::Difference | Style::Level(_) => 0xE6_EAF0,
            Style::Floor => 0x94_9CA6,
            Style::Neutral => 0xA6_AEB8,
        })
    }
}

/// The dashes of published levels: none that a measured line has.
const LEVEL_DASHES: [Option<(f64, f64)>; 4] = [None, Some((24.0, 5.0)), Some((5.0, 4.0)), Some((15.0, 10.0))];

pub(super) const PAPER: Ink = Ink::new(0xFF_FFFF);
pub(super) const TITLE: Ink = Ink::new(0x16_1B22);
pub(super) const TEXT: Ink = Ink::new(0x2E_3640);
pub(super) const QUIET: Ink = Ink::new(0x56_606B);
pub(super) const GRID: Ink = Ink::new(0xE7_EAED);
pub(super) const FRAME: Ink = Ink::new(0x9A_A3AD);

pub(super) const TITLE_FACE: Face = Face::bold(24.0);
pub(super) const CONCLUSION_FACE: Face = Face::regular(18.0);
pub(super) const PANEL_FACE: Face = Face::bold(17.0);
pub(super) const LABEL_FACE: Face = Face::regular(16.0);
pub(super) const TICK_FACE: Face = Face::regular(15.0);
pub(super) const CAPTION_FACE: Face = Face::regular(14.0);

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance of a colour, 0 to 1 (WCAG 2.2, definition of relative luminance).
    fn luminance(ink: Ink) -> f64 {
        let linear = |c: u8| {
            let c = f64::from(c) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * linear(ink.rgb.0) + 0.7152 * linear(ink.rgb.1) + 0.0722 * linear(ink.rgb.2)
    }

    fn contrast(a: Ink, b: Ink) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn lines_stand_out_from_paper() {
        // WCAG 2.2, success criterion 1.4.11: 3 to 1 for parts of graphics that are needed to understand them.
        for style in [
            Style::Wire,
            Style::Air,
            Style::WireAfter,
            Style::AirAfter,
            Style::Difference,
            Style::Floor,
            Style::Neutral,
            Style::Level(0),
        ] {
            assert!(contrast(style.pen().ink, PAPER) >= 3.0, "{style:?}: {}", contrast(style.pen().ink, PAPER));
        }
        // Success criterion 1.4.3: 4.5 to 1 for text.
        for ink in [TITLE, TEXT, QUIET] {
            assert!(contrast(ink, PAPER) >= 4.5);
        }
    }

    #[test]
    fn lines_stand_out_from_dark_ground() {
        // The ground of the page in the dark, `--ground` of page.css.
        let ground = Ink::new(0x16_1B22);
        let styles = [
            Style::Wire,
            Style::Air,
            Style::WireBefore,
            Style::WireAfter,
            Style::AirBefore,
            Style::AirAfter,
            Style::Difference,
            Style::Floor,
            Style::Neutral,
            Style::Level(0),
        ];
        for style in styles {
            assert!(contrast(style.in_dark(), ground) >= 3.0, "{style:?}: {}", contrast(style.in_dark(), ground));
        }
        let pairs = [
            (Style::Wire, Style::Air),
            (Style::WireBefore, Style::WireAfter),
            (Style::AirBefore, Style::AirAfter),
            (Style::WireAfter, Style::AirAfter),
        ];
        for (a, b) in pairs {
            assert!(contrast(a.in_dark(), b.in_dark()) >= 1.25, "{a:?} {b:?}: {}", contrast(a.in_dark(), b.in_dark()));
        }
    }

    #[test]
    fn what_is_compared_differs_in_grey() {
        // Twice the luminance is a clear step of grey; there is no standard for it (common practice, no source).
        for (a, b) in [
            (Style::Wire, Style::Air),
            (Style::WireBefore, Style::WireAfter),
            (Style::AirBefore, Style::AirAfter),
            (Style::WireAfter, Style::AirAfter),
        ] {
            assert!(contrast(a.pen().ink, b.pen().ink) >= 1.6, "{a:?} {b:?}: {}", contrast(a.pen().ink, b.pen().ink));
        }
    }

    #[test]
    fn levels_next_to_each_other_differ_in_dash() {
        let dashes: Vec<_> = (0..4).map(|number| Style::Level(number).pen().dash).collect();
        assert!((0..4).all(|a| (a + 1..4).all(|b| dashes[a] != dashes[b])));
        assert!(!dashes.contains(&Style::Air.pen().dash) && !dashes.contains(&Style::Floor.pen().dash));
        // Near black against ochre and teal: a clear step of grey from the wire, a colour and a dash from the air.
        assert!(contrast(Style::Level(0).pen().ink, Style::Wire.pen().ink) >= 1.6);
    }

    #[test]
    fn wire_is_solid_and_air_is_dashed() {
        assert!([Style::Wire, Style::WireBefore, Style::WireAfter].iter().all(|s| s.pen().dash.is_none()));
        assert!([Style::Air, Style::AirBefore, Style::AirAfter].iter().all(|s| s.pen().dash.is_some()));
    }
}
