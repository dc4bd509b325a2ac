//! Levels as colours: from cells to pixels, and from levels to a colour that grows lighter all the way.
//!
//! Pixels that look alike are laid down as one rectangle, so that a map is as sharp in words as in pixels and needs no
//! picture within the picture.

use super::LevelMap;
use super::axis::Map;
use super::canvas::{Area, Canvas};
use super::series::Plot;
use super::style::Ink;
use crate::error::Error;

/// Colours from dark to light: sixteen evenly spaced ones of the map cividis, which is dark blue through grey to yellow.
/// Its lightness rises evenly, and it looks alike to people with and without a colour-vision deficiency (Nuñez, Anderton
/// and Renslow 2018, PLoS ONE 13 (7) e0199239; values as matplotlib has them, dedicated to the public domain).
const COLOURS: [u32; 16] = [
    0x00_224E, 0x00_2E6C, 0x1E_3A6F, 0x35_456C, 0x47_516C, 0x57_5D6D, 0x66_6970, 0x75_7575, 0x84_8279, 0x94_8E77,
    0xA5_9C74, 0xB7_A96E, 0xC8_B866, 0xDB_C75A, 0xEE_D649, 0xFE_E838,
];
/// So many steps from the dark to the light end; more could not be told apart.
const STEPS: f64 = 120.0;

/// The colour at a share of the way from the dark to the light end.
fn colour(share: f64) -> Ink {
    let place = share.clamp(0.0, 1.0) * (COLOURS.len() - 1) as f64;
    let first = whole(place).min(COLOURS.len() - 2);
    let [low, high] = [first, first + 1].map(|at| COLOURS[at].to_be_bytes());
    let mix = |k: usize| {
        let (a, b) = (f64::from(low[k]), f64::from(high[k]));
        byte(a + (place - first as f64) * (b - a))
    };
    Ink { rgb: (mix(1), mix(2), mix(3)), opacity: 1.0 }
}

/// The colours from dark to light, as HTML writes them.
pub(super) fn colours() -> Vec<String> {
    COLOURS.iter().map(|colour| format!("#{colour:06x}")).collect()
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a mean of two bytes is a byte")]
fn byte(value: f64) -> u8 {
    value.round() as u8
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and bounded by a picture")]
fn whole(value: f64) -> usize {
    value.max(0.0) as usize
}

/// Draws the scale of colours, the light end on top.
pub(super) fn scale(canvas: &mut impl Canvas, area: Area) -> Result<(), Error> {
    let height = area.height();
    let mut top = area.top;
    while top < area.bottom {
        let middle = (area.bottom - top - 0.5) / height;
        let ink = colour((middle * STEPS).round() / STEPS);
        canvas.fill(Area { top, bottom: (top + 1.0).min(area.bottom), ..area }, ink)?;
        top += 1.0;
    }
    Ok(())
}

/// Neighbouring pixels that show the same cells.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Run {
    from: f64,
    to: f64,
    /// The first cell and the one behind the last.
    cells: (usize, usize),
}

/// The pixels from `low` to `high` with the cells of each: those whose middle falls on it, or else the one it lies in.
fn runs(edges: &[f64], map: &Map, (low, high): (f64, f64)) -> Vec<Run> {
    let mut places: Vec<f64> = edges.iter().map(|edge| map.pixel(*edge)).collect();
    let cells = places.len().saturating_sub(1);
    if cells == 0 || places.iter().any(|place| !place.is_finite()) {
        return Vec::new();
    }
    // On an axis that rises upwards pixels fall; they are counted from below then.
    let falls = places[0] > places[cells];
    let turned = |place: f64| if falls { low + high - place } else { place };
    places.iter_mut().for_each(|place| *place = turned(*place));
    let mut found: Vec<Run> = Vec::new();
    let (mut first, mut from) = (0, low);
    while from < high {
        let to = (from + 1.0).min(high);
        let middle = |k: usize| (places[k] + places[k + 1]) / 2.0;
        while first < cells && middle(first) < from {
            first += 1;
        }
        let behind = (first..cells).find(|&k| middle(k) >= to).unwrap_or(cells);
        let inside = |place: f64| places.partition_point(|edge| *edge <= place).checked_sub(1).filter(|&k| k < cells);
        let shown = if behind > first { Some((first, behind)) } else { inside((from + to) / 2.0).map(|k| (k, k + 1)) };
        match (found.last_mut(), shown) {
            (Some(run), Some(cells)) if run.cells == cells => run.to = to,
            (_, Some(cells)) => found.push(Run { from, to, cells }),
            (_, None) => {}
        }
        from = to;
    }
    for run in &mut found {
        (run.from, run.to) = (turned(run.from).min(turned(run.to)), turned(run.from).max(turned(run.to)));
    }
    found
}

/// Draws a map between the axes of a panel.
pub(super) fn draw(canvas: &mut impl Canvas, plot: &Plot, map: &LevelMap) -> Result<(), Error> {
    let area = plot.area;
    let columns = runs(&map.x_edges, &plot.x, (area.left, area.right));
    let mut tiles = Vec::new();
    for row in runs(&map.y_edges, &plot.y, (area.top, area.bottom)) {
        let mut alike: Option<(Area, f64)> = None;
        for column in &columns {
            let step = step(map, column.cells, row.cells);
            let place = Area::new(column.from, row.from, column.to, row.to);
            match &mut alike {
                Some((area, before)) if step == Some(*before) && area.right >= place.left => area.right = place.right,
                _ => {
                    tiles.extend(alike.take().map(tile));
                    alike = step.map(|step| (place, step));
                }
            }
        }
        tiles.extend(alike.map(tile));
    }
    canvas.tiles(area, &tiles)
}

fn tile((area, step): (Area, f64)) -> (Area, Ink) {
    (area, colour(step / STEPS))
}

/// The step of colour of some cells together: that of the level of their mean power.
fn step(map: &LevelMap, columns: (usize, usize), rows: (usize, usize)) -> Option<f64> {
    let cells = map.levels.get(columns.0..columns.1)?.iter().flat_map(|column| column.get(rows.0..rows.1));
    let levels = cells.flatten().filter(|level| level.is_finite());
    let (count, power) = levels.fold((0.0, 0.0), |(n, power), level| (n + 1.0, power + 10_f64.powf(level / 10.0)));
    let (low, high) = map.range;
    let share = (10.0 * (power / count).log10() - low) / (high - low);
    // One cell or many without a level, or a range without width, leave a blank.
    (count > 0.0 && !share.is_nan()).then(|| (share.clamp(0.0, 1.0) * STEPS).round())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::Scale;
    use crate::report::figure::canvas::{Raster, Vector};

    /// Relative luminance (WCAG 2.2) and from it lightness L* (CIE 1976, ISO/CIE 11664-4).
    fn lightness(ink: Ink) -> f64 {
        let linear = |c: u8| {
            let c = f64::from(c) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        let y = 0.2126 * linear(ink.rgb.0) + 0.7152 * linear(ink.rgb.1) + 0.0722 * linear(ink.rgb.2);
        if y > 216.0 / 24389.0 { 116.0 * y.cbrt() - 16.0 } else { y * 24389.0 / 27.0 }
    }

    #[test]
    fn lightness_rises_evenly() {
        let levels: Vec<f64> = (0..=120).map(|k| lightness(colour(f64::from(k) / 120.0))).collect();
        let whole = levels[120] - levels[0];
        assert!(whole > 75.0, "{whole}");
        for pair in levels.windows(2) {
            let step = (pair[1] - pair[0]) * 120.0 / whole;
            assert!((0.5..1.6).contains(&step), "{step}");
        }
    }

    #[test]
    fn lightness_rises_without_red_or_green_cones_as_well() {
        // Matrices for protanopia and deuteranopia on linear red, green, blue: Machado, Oliveira and Fernandes 2009, IEEE
        // Trans. Visualization and Computer Graphics 15 (6), table for severity 1.0 (from memory).
        let protan = [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ];
        let deutan =
            [[0.367_322, 0.860_646, -0.227_968], [0.280_085, 0.672_501, 0.047_413], [-0.011_820, 0.042_940, 0.968_881]];
        for matrix in [protan, deutan] {
            let luminance = |k: u32| {
                let ink = colour(f64::from(k) / 120.0);
                let linear = [ink.rgb.0, ink.rgb.1, ink.rgb.2].map(|c| (f64::from(c) / 255.0).powf(2.2));
                let seen = matrix.map(|row| row.iter().zip(&linear).map(|(a, b)| a * b).sum::<f64>());
                0.2126 * seen[0] + 0.7152 * seen[1] + 0.0722 * seen[2]
            };
            assert!((0..120).all(|k| luminance(k + 1) > luminance(k)), "{matrix:?}");
        }
    }

    fn plot() -> Plot {
        let scale = (&Scale::Linear, (0.0, 4.0));
        Plot::new(Area::new(10.0, 5.0, 30.0, 25.0), scale, scale)
    }

    fn map(levels: Vec<Vec<f64>>) -> LevelMap {
        let edges = |n: usize| (0..=n).map(|k| 4.0 * k as f64 / n as f64).collect();
        let (x_edges, y_edges) = (edges(levels.len()), edges(levels[0].len()));
        LevelMap { x_edges, y_edges, levels, range: (0.0, 60.0), label: String::new() }
    }

    fn pixels(levels: Vec<Vec<f64>>) -> impl Fn(usize, usize) -> (u8, u8, u8) {
        let mut buffer = vec![255; 3 * 40 * 30];
        draw(&mut Raster::new(&mut buffer, 40, 30), &plot(), &map(levels)).unwrap();
        move |x, y| {
            let at = 3 * (40 * y + x);
            (buffer[at], buffer[at + 1], buffer[at + 2])
        }
    }

    #[test]
    fn every_cell_stands_in_its_place() {
        let at = pixels(vec![vec![0.0, 60.0], vec![f64::NEG_INFINITY, 30.0]]);
        // The first column's lowest cell lies at the bottom left.
        assert_eq!(at(10, 24), colour(0.0).rgb);
        assert_eq!(at(19, 15), colour(0.0).rgb);
        assert_eq!((at(10, 5), at(19, 14)), (colour(1.0).rgb, colour(1.0).rgb));
        assert_eq!((at(20, 5), at(29, 14)), (colour(0.5).rgb, colour(0.5).rgb));
        // What has no level is paper, and nothing leaves the panel.
        for (x, y) in [(25, 20), (9, 10), (30, 10), (15, 4), (15, 25)] {
            assert_eq!(at(x, y), (255, 255, 255), "{x} {y}");
        }
    }

    #[test]
    fn many_cells_on_a_pixel_show_their_mean_power() {
        // Forty cells on 20 pixels, every second one 20 dB: half the power, 3 dB less; rounded to a step of half a decibel.
        let column = |k: usize| vec![if k.is_multiple_of(2) { 20.0 } else { f64::NEG_INFINITY }];
        let levels: Vec<Vec<f64>> =
            (0..40).map(column).map(|c| c.iter().map(|l: &f64| l.max(-200.0)).collect()).collect();
        let at = pixels(levels);
        assert!((10..30).all(|x| at(x, 10) == colour(17.0 / 60.0).rgb));
    }

    #[test]
    fn absurd_maps_leave_a_blank() {
        let good = map(vec![vec![1.0, 2.0]; 3]);
        let cases = [
            LevelMap { range: (5.0, 5.0), ..good.clone() },
            LevelMap { range: (f64::NAN, 5.0), ..good.clone() },
            LevelMap { x_edges: vec![f64::NAN; 4], ..good.clone() },
            LevelMap { x_edges: Vec::new(), ..good.clone() },
            LevelMap { levels: vec![Vec::new(); 9], ..good },
        ];
        for case in cases {
            let mut words = String::new();
            let mut canvas = Vector::new(&mut words, 40, 30);
            draw(&mut canvas, &plot(), &case).unwrap();
            canvas.finish().unwrap();
            assert!(!words.contains("NaN") && !words.contains("inf"), "{words}");
        }
    }
}
