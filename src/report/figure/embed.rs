//! Figures within a page: a still one for print and for readers without scripts, a small one as a way to it, and its
//! data for the page's script.

use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

use super::canvas::{Area, Canvas};
use super::layout::ranges;
use super::lean::Lean;
use super::series::{BODY, Plot, SHADE};
use super::style::{FRAME, PAPER};
use super::tags::is_named_at_its_line;
use super::thin::{thin_by, thin_spans_by};
use super::{Axis, Bar, Figure, LevelMap, Panel, Row, Scale, Series, Shape, check_size, draw, map};
use crate::error::Error;
use crate::report::plain::{escape, plain};

/// Points that a line is given to the page with at most, unless it holds more extremes; and the columns that it is
/// thinned to else. A screen has fewer.
const MOST_POINTS: usize = 4000;
const COLUMNS: f64 = 1200.0;
/// Decimal digits of the largest value of a series.
const DIGITS: i32 = 5;
/// The same for places on the horizontal axis.
const PLACE_DIGITS: i32 = 7;
/// Size of a small picture in pixels.
const SMALL: (f64, f64) = (200.0, 120.0);

/// The panels of a figure as an element of HTML; its title, conclusion and caption are left to the page.
pub(in crate::report) fn still(figure: &Figure) -> Result<String, Error> {
    check_size(figure)?;
    let texts = 60 + 27 * figure.conclusion.len().min(8) + 24 * figure.caption.len().min(8);
    let less = u32::try_from(texts).unwrap_or(0).min(figure.height / 3);
    let height = (figure.height - less).max(200);
    let bare = Figure { title: String::new(), conclusion: Vec::new(), caption: Vec::new(), height, ..figure.clone() };
    let mut canvas = Lean::default();
    draw::draw(&bare, &mut canvas)?;
    Ok(canvas.finish(f64::from(bare.width), f64::from(height), &described(figure)))
}

/// Attributes of a picture with what it shows.
fn described(figure: &Figure) -> String {
    let words: Vec<String> = std::iter::once(&figure.title).chain(&figure.conclusion).map(|text| plain(text)).collect();
    let mut out = "role=\"img\" aria-label=\"".to_owned();
    escape(&words.join(" "), &mut out);
    out.push('"');
    out
}

/// The first panels of a figure without any text, for the eye only.
pub(in crate::report) fn small(figure: &Figure) -> Result<String, Error> {
    let mut canvas = Lean::default();
    let (width, height) = SMALL;
    canvas.fill(Area::new(0.0, 0.0, width, height), PAPER)?;
    let rows = figure.rows.len().min(2);
    for (r, row) in figure.rows.iter().take(rows).enumerate() {
        let each = (width - 4.0) / row.panels.len().clamp(1, 2) as f64;
        let tall = (height - 4.0) / rows as f64;
        for (c, panel) in row.panels.iter().take(2).enumerate() {
            let (left, top) = (2.0 + c as f64 * each, 2.0 + r as f64 * tall);
            let area = Area::new(left + 2.0, top + 2.0, left + each - 2.0, top + tall - 2.0);
            let (x, y) = ranges(&figure.rows, (r, c), panel);
            let plot = Plot::new(area, (&panel.x.scale, x), (&panel.y.scale, y));
            if let Some(levels) = &panel.map {
                map::draw(&mut canvas, &plot, levels)?;
            }
            panel.series.iter().try_for_each(|series| plot.draw(&mut canvas, series))?;
            canvas.fill(Area::new(area.left, area.bottom, area.right, area.bottom + 1.0), FRAME)?;
            canvas.fill(Area::new(area.left - 1.0, area.top, area.left, area.bottom + 1.0), FRAME)?;
        }
    }
    Ok(canvas.finish(width, height, "class=\"small\" aria-hidden=\"true\""))
}

/// What the page's script draws a figure from.
pub(in crate::report) fn data(figure: &Figure) -> impl Serialize + use<> {
    let rows = figure.rows.iter().enumerate().map(|(r, row)| RowData {
        share: row.share,
        panels: row.panels.iter().enumerate().map(|(c, panel)| PanelData::new(&figure.rows, (r, c), panel)).collect(),
    });
    Data { title: plain(&figure.title), height: figure.height, rows: rows.collect() }
}

#[derive(Serialize)]
struct Data {
    title: String,
    height: u32,
    rows: Vec<RowData>,
}

#[derive(Serialize)]
struct RowData {
    share: f64,
    panels: Vec<PanelData>,
}

#[derive(Serialize)]
struct PanelData {
    title: String,
    x: AxisData,
    y: AxisData,
    /// Panels with the same number move together along the axis.
    x_group: usize,
    y_group: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    phase: Option<PhaseData>,
    #[serde(skip_serializing_if = "Option::is_none")]
    map: Option<MapData>,
    series: Vec<SeriesData>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    marks: Vec<(f64, String)>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    ties: Vec<(usize, usize, String)>,
}

#[derive(Serialize)]
struct AxisData {
    label: String,
    scale: &'static str,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    names: Vec<String>,
    range: (f64, f64),
}

#[derive(Serialize)]
struct PhaseData {
    label: String,
    zero: f64,
    cycle: f64,
}

#[derive(Serialize)]
struct MapData {
    label: String,
    range: (f64, f64),
    x_edges: Numbers,
    y_edges: Numbers,
    /// Column by column from the lowest edge up.
    levels: Numbers,
    /// Colours from dark to light.
    colours: Vec<String>,
}

#[derive(Serialize)]
struct SeriesData {
    label: Option<String>,
    /// Whether the name stands at the line and not in the legend.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    at_line: bool,
    shape: &'static str,
    /// Colours on paper and on dark ground.
    ink: (String, String),
    width: f64,
    dash: Option<(f64, f64)>,
    /// How strongly areas are filled.
    fill: f64,
    /// Whether points were left out between the extremes.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    thinned: bool,
    /// Columns of numbers by name: `x`, `y`; `x`, `low`, `high`; `from`, `to`, `value`, `low`, `high`; or `value`.
    columns: Columns,
    #[serde(skip_serializing_if = "Option::is_none")]
    base: Option<f64>,
}

struct Columns(Vec<(&'static str, Numbers)>);

impl Serialize for Columns {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        self.0.iter().try_for_each(|(name, numbers)| map.serialize_entry(name, numbers))?;
        map.end()
    }
}

impl PanelData {
    fn new(rows: &[Row], (r, c): (usize, usize), panel: &Panel) -> Self {
        let (x, y) = ranges(rows, (r, c), panel);
        let all = || rows.iter().flat_map(|row| &row.panels);
        let x_group = all().position(|other| other.x == panel.x).unwrap_or(0);
        let before: usize = rows[..r].iter().map(|row| row.panels.len()).sum();
        let y_group = before + rows[r].panels.iter().position(|other| other.y == panel.y).unwrap_or(c);
        Self {
            title: plain(&panel.title),
            x: AxisData::new(&panel.x, x),
            y: AxisData::new(&panel.y, y),
            x_group,
            y_group,
            phase: panel
                .phase
                .as_ref()
                .filter(|phase| phase.zero.is_finite() && phase.cycle > 0.0)
                .map(|phase| PhaseData { label: plain(&phase.label), zero: phase.zero, cycle: phase.cycle }),
            map: panel.map.as_ref().map(MapData::new),
            series: panel.series.iter().map(|series| SeriesData::new(series, &panel.x, x)).collect(),
            marks: panel.marks.iter().filter(|m| m.x.is_finite()).map(|m| (m.x, plain(&m.label))).collect(),
            ties: panel.ties.iter().map(|tie| (tie.first, tie.last, plain(&tie.label))).collect(),
        }
    }
}

impl AxisData {
    fn new(axis: &Axis, range: (f64, f64)) -> Self {
        let (scale, names) = match &axis.scale {
            Scale::Linear => ("linear", Vec::new()),
            Scale::LogFrequency => ("frequency", Vec::new()),
            Scale::Degrees => ("degrees", Vec::new()),
            Scale::Names(names) => ("names", names.iter().map(|name| plain(name)).collect()),
        };
        Self { label: plain(&axis.label), scale, names, range }
    }
}

impl MapData {
    fn new(map: &LevelMap) -> Self {
        let places = map.x_edges.len().saturating_sub(1).min(map.levels.len());
        let rows = map.y_edges.len().saturating_sub(1);
        let cell = |column: &Vec<f64>, k: usize| column.get(k).copied().unwrap_or(f64::NAN);
        let levels = map.levels[..places].iter().flat_map(|column| (0..rows).map(move |k| cell(column, k)));
        Self {
            label: plain(&map.label),
            range: map.range,
            x_edges: Numbers::new(map.x_edges.iter().copied(), PLACE_DIGITS),
            y_edges: Numbers::new(map.y_edges.iter().copied(), PLACE_DIGITS),
            // Two places behind the point of a level in decibels.
            levels: Numbers::new(levels, DIGITS - 1),
            colours: map::colours(),
        }
    }
}

impl SeriesData {
    fn new(series: &Series, axis: &Axis, x: (f64, f64)) -> Self {
        let pen = series.style.pen();
        // Columns of the whole panel, in the axis's own scale.
        let area = Area::new(0.0, 0.0, COLUMNS, 1.0);
        let places = Plot::new(area, (&axis.scale, x), (&Scale::Linear, (0.0, 1.0))).x;
        let column = |x: f64| places.pixel(x);
        let mut thinned = false;
        let of_spans = |spans: &[(f64, f64, f64)], thinned: &mut bool| {
            *thinned = spans.len() > MOST_POINTS;
            let kept =
                if *thinned { joined(thin_spans_by(spans.iter().copied(), column), GAP) } else { spans.to_vec() };
            let of = |pick: fn(&(f64, f64, f64)) -> f64, digits| Numbers::new(kept.iter().map(pick), digits);
            vec![("x", of(|s| s.0, PLACE_DIGITS)), ("low", of(|s| s.1, DIGITS)), ("high", of(|s| s.2, DIGITS))]
        };
        let (shape, columns, fill, base) = match &series.shape {
            Shape::Line(points) => {
                thinned = points.len() > MOST_POINTS;
                let gap = (f64::NAN, f64::NAN);
                let kept = if thinned { joined(thin_by(points.iter().copied(), column), gap) } else { points.clone() };
                let columns = vec![
                    ("x", Numbers::new(kept.iter().map(|p| p.0), PLACE_DIGITS)),
                    ("y", Numbers::new(kept.iter().map(|p| p.1), DIGITS)),
                ];
                ("line", columns, 1.0, None)
            }
            Shape::Steps(bars) => ("steps", of_bars(bars), 1.0, None),
            Shape::Envelope(spans) => ("envelope", of_spans(spans, &mut thinned), 1.0, None),
            Shape::Interval(spans) => ("interval", of_spans(spans, &mut thinned), SHADE, None),
            Shape::Bars { bars, base } => ("bars", of_bars(bars), BODY, *base),
            Shape::Level(value) => {
                ("level", vec![("value", Numbers::new(std::iter::once(*value), PLACE_DIGITS))], 1.0, None)
            }
        };
        Self {
            label: series.label.as_deref().map(plain),
            at_line: is_named_at_its_line(series),
            shape,
            ink: (pen.ink.hex(), series.style.in_dark().hex()),
            width: pen.width,
            dash: pen.dash,
            fill,
            thinned,
            columns: Columns(columns),
            base,
        }
    }
}

const GAP: (f64, f64, f64) = (f64::NAN, f64::NAN, f64::NAN);

/// Pieces as one list, with a gap between each and the next.
fn joined<T: Copy>(pieces: Vec<Vec<T>>, gap: T) -> Vec<T> {
    pieces.join(&[gap][..])
}

fn of_bars(bars: &[Bar]) -> Vec<(&'static str, Numbers)> {
    let of = |pick: fn(&Bar) -> f64, digits| Numbers::new(bars.iter().map(pick), digits);
    let mut columns = vec![
        ("from", of(|bar| bar.from, PLACE_DIGITS)),
        ("to", of(|bar| bar.to, PLACE_DIGITS)),
        ("value", of(|bar| bar.value, DIGITS)),
    ];
    if bars.iter().any(|bar| bar.interval.is_some()) {
        columns.push(("low", of(|bar| bar.interval.map_or(f64::NAN, |ends| ends.0), DIGITS)));
        columns.push(("high", of(|bar| bar.interval.map_or(f64::NAN, |ends| ends.1), DIGITS)));
    }
    columns
}

/// Numbers in few letters, rounded to decimal places.
///
/// Evenly spaced ones are where they begin, the step, and how many. Others are whole multiples of a power of ten: each
/// as its difference from the one before, in groups of five bits with the lowest first, one letter of base 64 a group;
/// the sixth bit of a letter says that the number goes on, the lowest bit of a number is its sign. `!` is a gap, `>`
/// and `<` have no end.
#[derive(Debug, PartialEq, Serialize)]
#[serde(untagged)]
enum Numbers {
    Even { start: f64, step: f64, count: usize },
    Packed { places: i32, text: String },
}

impl Numbers {
    fn new(values: impl Iterator<Item = f64>, digits: i32) -> Self {
        let values: Vec<f64> = values.collect();
        Self::even(&values).unwrap_or_else(|| Self::packed(&values, digits))
    }

    /// The numbers as a start and steps, if no two ways of writing them could be told apart.
    fn even(values: &[f64]) -> Option<Self> {
        let (&start, &last) = (values.first()?, values.last()?);
        let step = (last - start) / (values.len().checked_sub(1).filter(|steps| *steps > 1)? as f64);
        let largest = start.abs().max(last.abs());
        let fits = |(k, value): (usize, &f64)| (start + k as f64 * step - value).abs() <= 1e-12 * largest;
        let even = step > 0.0 && step.is_finite() && values.iter().enumerate().all(fits);
        even.then_some(Self::Even { start, step, count: values.len() })
    }

    fn packed(values: &[f64], digits: i32) -> Self {
        let places = places(values, digits);
        let mut text = String::new();
        let mut last = 0;
        for &value in values {
            match rounded(value, places) {
                Some(whole) => {
                    letters(whole - last, &mut text);
                    last = whole;
                }
                None if value == f64::INFINITY => text.push('>'),
                None if value == f64::NEG_INFINITY => text.push('<'),
                None => text.push('!'),
            }
        }
        Self::Packed { places, text }
    }
}

/// So many decimal places that the largest value has the digits, fewer where nothing is lost.
fn places(values: &[f64], digits: i32) -> i32 {
    let largest = values.iter().filter(|v| v.is_finite()).fold(0.0_f64, |most, v| most.max(v.abs()));
    if largest < 1e-290 {
        return 0;
    }
    #[expect(clippy::cast_possible_truncation, reason = "the logarithm of a double is small")]
    let most = digits - 1 - largest.log10().floor() as i32;
    let exact = |places: i32| {
        values.iter().filter(|v| v.is_finite()).all(|v| {
            let scaled = v * 10_f64.powi(places);
            (scaled - scaled.round()).abs() <= 1e-9 * scaled.abs().max(1e-3)
        })
    };
    (most - digits..most).find(|places| exact(*places)).unwrap_or(most)
}

#[expect(clippy::cast_possible_truncation, reason = "bounded by the digits that are kept")]
fn rounded(value: f64, places: i32) -> Option<i64> {
    let scaled = value * 10_f64.powi(places);
    (scaled.is_finite() && scaled.abs() < 1e15).then(|| scaled.round() as i64)
}

fn letters(difference: i64, text: &mut String) {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut left = difference.unsigned_abs() << 1 | u64::from(difference < 0);
    loop {
        let group = (left & 31) as usize;
        left >>= 5;
        text.push(char::from(LETTERS[if left > 0 { group | 32 } else { group }]));
        if left == 0 {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::samples;

    /// What the page's script does, in the order of its words.
    fn unpacked(numbers: &Numbers) -> Vec<f64> {
        let (places, text) = match numbers {
            Numbers::Even { start, step, count } => return (0..*count).map(|k| start + k as f64 * step).collect(),
            Numbers::Packed { places, text } => (*places, text),
        };
        let letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
        let (mut all, mut sum, mut value, mut shift) = (Vec::new(), 0_i64, 0_u64, 0);
        for c in text.chars() {
            match c {
                '!' => all.push(f64::NAN),
                '>' => all.push(f64::INFINITY),
                '<' => all.push(f64::NEG_INFINITY),
                c => {
                    let group = letters.find(c).unwrap() as u64;
                    value |= (group & 31) << shift;
                    shift += 5;
                    if group < 32 {
                        let size = i64::try_from(value >> 1).unwrap();
                        sum += if value & 1 == 1 { -size } else { size };
                        all.push(sum as f64 / 10_f64.powi(places));
                        (value, shift) = (0, 0);
                    }
                }
            }
        }
        all
    }

    #[test]
    fn numbers_come_back_within_their_digits() {
        let values = [61.234_567, -3.2, f64::NAN, 0.0, f64::INFINITY, 82.0, f64::NEG_INFINITY, 1e-7];
        let numbers = Numbers::new(values.into_iter(), 5);
        let back = unpacked(&numbers);
        for (value, back) in values.iter().zip(&back) {
            assert!(
                value.is_nan() && back.is_nan() || value == back || (value - back).abs() <= 0.000_5,
                "{value} {back}"
            );
        }
        assert_eq!(back[0], 61.235);
        // Base 64 digits of source maps (Source Map Revision 3, ECMA-426): 16 is gB, -1 is D.
        let mut text = String::new();
        letters(16, &mut text);
        letters(-1, &mut text);
        assert_eq!(text, "gBD");
    }

    #[test]
    fn what_is_even_stays_exact() {
        let grid: Vec<f64> = (0..1481).map(|k| 2e3 + 133.333_333 * f64::from(k)).collect();
        let numbers = Numbers::new(grid.iter().copied(), 7);
        assert!(matches!(numbers, Numbers::Even { count: 1481, .. }));
        assert!(unpacked(&numbers).iter().zip(&grid).all(|(a, b)| (a - b).abs() < 1e-6));
        assert!(matches!(Numbers::new([1.0, 2.0, 4.0].into_iter(), 7), Numbers::Packed { places: 0, .. }));
    }

    #[test]
    fn extremes_of_a_long_line_stay() {
        let points: Vec<_> = (0..100_000).map(|k| (f64::from(k), if k == 61_728 { 9.0 } else { 0.0 })).collect();
        let series = Series::unnamed(crate::report::figure::Style::Wire, Shape::Line(points));
        let data = SeriesData::new(&series, &Axis::linear("Time, s"), (0.0, 100_000.0));
        assert!(data.thinned);
        let column = |name| unpacked(&data.columns.0.iter().find(|(n, _)| *n == name).unwrap().1);
        let (x, y) = (column("x"), column("y"));
        assert!(x.len() < 6000);
        assert!(x.iter().zip(&y).any(|point| point == (&61_728.0, &9.0)));
    }

    #[test]
    fn sample_figures_are_small() {
        for (name, figure) in samples::all() {
            let still = still(&figure).unwrap();
            let data = serde_json::to_string(&data(&figure)).unwrap();
            let small = small(&figure).unwrap();
            println!("{name}: still {}, data {}, small {}", still.len(), data.len(), small.len());
            assert!(!still.contains("NaN") && !still.contains("inf"), "{name}");
            assert!(still.len() < 110_000 && small.len() < 20_000, "{name}: {} {}", still.len(), small.len());
        }
    }
}
