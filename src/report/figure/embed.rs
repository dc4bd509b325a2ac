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
use super::thin::thin_by;
use super::{Axis, Bar, Figure, LevelMap, Panel, Row, Scale, Series, Shape, check_size, draw, map};
use crate::error::Error;
use crate::report::plain::{LETTERS, escape, plain};

/// Points that a line is given to the page with at most, unless it holds more extremes; and the columns that lines are
/// thinned to else, and areas always, shared by the panels of a row. A screen has fewer.
const MOST_POINTS: usize = 4000;
const COLUMNS: f64 = 1000.0;
/// Values are rounded to no more than such a part of the largest of a series, levels of a map more, places on an axis
/// finer than any screen.
const PARTS: f64 = 5000.0;
const MAP_PARTS: f64 = 500.0;
const PLACE_PARTS: f64 = 1e6;
/// Width of a still in pixels, and what a row of panels takes of its height: about what paper is wide.
const STILL_WIDTH: u32 = 720;
const STILL_ROW: f64 = 250.0;
/// Size of a small picture in pixels.
const SMALL: (f64, f64) = (200.0, 120.0);

/// The panels of a figure as an element of HTML; its title, conclusion and caption are left to the page.
pub(in crate::report) fn still(figure: &Figure) -> Result<String, Error> {
    check_size(figure)?;
    let shares: f64 = figure.rows.iter().map(|row| row.share).filter(|share| share.is_finite()).sum();
    let rows = 60.0 + STILL_ROW * shares.clamp(1.0, 20.0);
    // Names need their lines.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the heights that can be drawn"
    )]
    let height = if is_ranking(figure) { figure.height } else { rows.clamp(200.0, 10_000.0) as u32 };
    let bare = Figure {
        title: String::new(),
        conclusion: Vec::new(),
        caption: Vec::new(),
        width: figure.width.min(STILL_WIDTH),
        height,
        ..figure.clone()
    };
    let mut canvas = Lean::default();
    draw::draw(&bare, &mut canvas)?;
    Ok(canvas.finish(f64::from(bare.width), f64::from(bare.height), &described(figure)))
}

/// Whether names stand along an axis.
fn is_ranking(figure: &Figure) -> bool {
    figure.rows.iter().flat_map(|row| &row.panels).any(|panel| matches!(panel.y.scale, Scale::Names(_)))
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
    // Rows side by side in two columns would be too small to tell anything.
    let single = figure.rows.iter().take(2).all(|row| row.panels.len() == 1);
    let rows = figure.rows.len().min(if single { 2 } else { 1 });
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

/// What the page's script draws a figure from, `fine` times as finely as a screen shows it.
pub(in crate::report) fn data(figure: &Figure, fine: usize) -> impl Serialize + use<> {
    let rows = figure.rows.iter().enumerate().map(|(r, row)| RowData {
        share: row.share,
        panels: row
            .panels
            .iter()
            .enumerate()
            .map(|(c, panel)| PanelData::new(&figure.rows, (r, c), panel, fine))
            .collect(),
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
    /// Row by row from the lowest edge up.
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
    fn new(rows: &[Row], (r, c): (usize, usize), panel: &Panel, fine: usize) -> Self {
        let (x, y) = ranges(rows, (r, c), panel);
        let columns = COLUMNS * fine as f64 / rows[r].panels.len() as f64;
        let most_points = MOST_POINTS * fine;
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
            series: panel
                .series
                .iter()
                .map(|series| SeriesData::new(series, panel, x, (columns, most_points)))
                .collect(),
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
        let [columns, rows] = [&map.x_edges, &map.y_edges].map(|edges| edges.len().saturating_sub(1));
        let cell = |row: usize, column: usize| map.levels.get(column).and_then(|column| column.get(row)).copied();
        let of_row = |row: usize| (0..columns).map(move |column| cell(row, column).unwrap_or(f64::NAN));
        let levels = (0..rows).flat_map(of_row);
        Self {
            label: plain(&map.label),
            range: map.range,
            x_edges: Numbers::new(map.x_edges.iter().copied(), PLACE_PARTS),
            y_edges: Numbers::new(map.y_edges.iter().copied(), PLACE_PARTS),
            levels: Numbers::rounded(levels, MAP_PARTS, finest(&map.label).map(|places| places - 1)),
            colours: map::colours(),
        }
    }
}

impl SeriesData {
    fn new(series: &Series, panel: &Panel, x: (f64, f64), (columns, most_points): (f64, usize)) -> Self {
        let pen = series.style.pen();
        // Columns of the whole panel, in the axis's own scale.
        let area = Area::new(0.0, 0.0, columns, 1.0);
        let places = Plot::new(area, (&panel.x.scale, x), (&Scale::Linear, (0.0, 1.0))).x;
        let column = |x: f64| places.pixel(x);
        let values = if matches!(panel.y.scale, Scale::Names(_)) { &panel.x } else { &panel.y };
        let finest = finest(&values.label);
        let mut thinned = false;
        let of_spans = |spans: &[(f64, f64, f64)], thinned: &mut bool| {
            let kept = in_groups(spans, columns);
            *thinned = kept.len() < spans.len();
            let of = |pick: fn(&(f64, f64, f64)) -> f64| Numbers::rounded(kept.iter().map(pick), PARTS, finest);
            let x = Numbers::new(kept.iter().map(|span| span.0), PLACE_PARTS);
            vec![("x", x), ("low", of(|span| span.1)), ("high", of(|span| span.2))]
        };
        let (shape, columns, fill, base) = match &series.shape {
            Shape::Line(points) => {
                thinned = points.len() > most_points;
                let gap = (f64::NAN, f64::NAN);
                let kept = if thinned { joined(thin_by(points.iter().copied(), column), gap) } else { points.clone() };
                let columns = vec![
                    ("x", Numbers::new(kept.iter().map(|p| p.0), PLACE_PARTS)),
                    ("y", Numbers::rounded(kept.iter().map(|p| p.1), PARTS, finest)),
                ];
                ("line", columns, 1.0, None)
            }
            Shape::Points(points) => {
                let columns = vec![
                    ("x", Numbers::new(points.iter().map(|p| p.0), PLACE_PARTS)),
                    ("y", Numbers::rounded(points.iter().map(|p| p.1), PARTS, finest)),
                ];
                ("points", columns, 1.0, None)
            }
            Shape::Steps(bars) => ("steps", of_bars(bars, finest), 1.0, None),
            Shape::Envelope(spans) => ("envelope", of_spans(spans, &mut thinned), 1.0, None),
            Shape::Interval(spans) => ("interval", of_spans(spans, &mut thinned), SHADE, None),
            Shape::Bars { bars, base } => ("bars", of_bars(bars, finest), BODY, *base),
            Shape::Level(value) => {
                ("level", vec![("value", Numbers::new(std::iter::once(*value), PLACE_PARTS))], 1.0, None)
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

/// Spans in no more groups than there are columns, all as large: from the lowest to the highest of each, at its first
/// place, so that even spans stay even.
fn in_groups(spans: &[(f64, f64, f64)], columns: f64) -> Vec<(f64, f64, f64)> {
    let mut each = 1;
    while spans.len() as f64 > columns * each as f64 {
        each += 1;
    }
    let join = |group: &[(f64, f64, f64)]| {
        let ends = |(low, high): (f64, f64), span: &(f64, f64, f64)| (low.min(span.1), high.max(span.2));
        let (low, high) = group.iter().fold((f64::NAN, f64::NAN), ends);
        (group[0].0, low, high)
    };
    spans.chunks(each).map(join).collect()
}

/// Pieces as one list, with a gap between each and the next.
fn joined<T: Copy>(pieces: Vec<Vec<T>>, gap: T) -> Vec<T> {
    pieces.join(&[gap][..])
}

fn of_bars(bars: &[Bar], finest: Option<i32>) -> Vec<(&'static str, Numbers)> {
    let of = |pick: fn(&Bar) -> f64| Numbers::rounded(bars.iter().map(pick), PARTS, finest);
    let mut columns = vec![
        ("from", Numbers::new(bars.iter().map(|bar| bar.from), PLACE_PARTS)),
        ("to", Numbers::new(bars.iter().map(|bar| bar.to), PLACE_PARTS)),
        ("value", of(|bar| bar.value)),
    ];
    if bars.iter().any(|bar| bar.interval.is_some()) {
        columns.push(("low", of(|bar| bar.interval.map_or(f64::NAN, |ends| ends.0))));
        columns.push(("high", of(|bar| bar.interval.map_or(f64::NAN, |ends| ends.1))));
    }
    columns
}

/// Numbers in few letters, rounded to decimal places.
///
/// Evenly spaced ones are where they begin, the step, and how many. Others are whole multiples of a power of ten, each
/// as its difference from the one before, in the code of Rice: the difference `d` as `2d`, or `-2d - 1` below zero, and
/// three more, because 1 and 2 have no end upwards and downwards, and 0 is a gap, after which stands how many; of that the higher bits as so many ones
/// and a zero, then the lower `bits` bits. Twenty ones without a zero are followed by all fifty bits. Six bits are a letter
/// of base 64, the first ones highest.
///
/// # Sources
/// R. F. Rice, "Some practical universal noiseless coding techniques", JPL Publication 79-22, 1979.
#[derive(Debug, PartialEq, Serialize)]
#[serde(untagged)]
enum Numbers {
    Even { start: f64, step: f64, count: usize },
    Packed { places: i32, bits: u32, count: usize, text: String },
}

impl Numbers {
    fn new(values: impl Iterator<Item = f64>, parts: f64) -> Self {
        Self::rounded(values, parts, None)
    }

    /// The same with no more than so many decimal places.
    fn rounded(values: impl Iterator<Item = f64>, parts: f64, finest: Option<i32>) -> Self {
        let values: Vec<f64> = values.collect();
        Self::even(&values).unwrap_or_else(|| Self::packed(&values, parts, finest))
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

    fn packed(values: &[f64], parts: f64, finest: Option<i32>) -> Self {
        let places = places(values, parts).min(finest.unwrap_or(i32::MAX));
        let mut last = 0;
        let mut symbol = |value: f64| match rounded(value, places) {
            Some(whole) => {
                let difference = whole - last;
                last = whole;
                3 + (difference.unsigned_abs() << 1) - u64::from(difference < 0)
            }
            None if value == f64::INFINITY => 1,
            None if value == f64::NEG_INFINITY => 2,
            None => 0,
        };
        let mut symbols = Vec::new();
        for run in values.chunk_by(|a, b| a.is_nan() && b.is_nan()) {
            symbols.extend(run.iter().take(if run[0].is_nan() { 1 } else { run.len() }).map(|value| symbol(*value)));
            if run[0].is_nan() {
                symbols.push(run.len() as u64);
            }
        }
        let cost = |bits: u32| symbols.iter().map(|s| u64::from(length(*s, bits))).sum::<u64>();
        let bits = (0..40).min_by_key(|bits| cost(*bits)).unwrap_or(0);
        let mut letters = Letters::default();
        symbols.iter().for_each(|s| letters.put(*s, bits));
        Self::Packed { places, bits, count: values.len(), text: letters.finish() }
    }
}

/// The decimal places that values of a quantity have at most, by the unit in its label: hundredths of a decibel, tenths of
/// a degree.
fn finest(label: &str) -> Option<i32> {
    if label.contains("dB") {
        Some(2)
    } else if label.contains('°') {
        Some(1)
    } else {
        None
    }
}

/// So many decimal places that a step is no more than the stated part of the largest value, fewer where nothing is lost.
fn places(values: &[f64], parts: f64) -> i32 {
    let largest = values.iter().filter(|v| v.is_finite()).fold(0.0_f64, |most, v| most.max(v.abs()));
    if largest < 1e-290 {
        return 0;
    }
    #[expect(clippy::cast_possible_truncation, reason = "the logarithm of a double is small")]
    let most = -(largest / parts).log10().floor() as i32;
    let exact = |places: i32| {
        values.iter().filter(|v| v.is_finite()).all(|v| {
            let scaled = v * 10_f64.powi(places);
            (scaled - scaled.round()).abs() <= 1e-9 * scaled.abs().max(1e-3)
        })
    };
    (most - 8..most).find(|places| exact(*places)).unwrap_or(most)
}

#[expect(clippy::cast_possible_truncation, reason = "bounded by the digits that are kept")]
fn rounded(value: f64, places: i32) -> Option<i64> {
    let scaled = value * 10_f64.powi(places);
    (scaled.is_finite() && scaled.abs() < 1e14).then(|| scaled.round() as i64)
}

/// Ones after which a number is written out, and its bits then.
const MOST_ONES: u32 = 20;
const WHOLE_BITS: u32 = 50;

fn length(symbol: u64, bits: u32) -> u32 {
    match symbol >> bits {
        ones if ones < u64::from(MOST_ONES) => u32::try_from(ones).unwrap_or(MOST_ONES) + 1 + bits,
        _ => MOST_ONES + WHOLE_BITS,
    }
}

/// Bits on their way into letters.
#[derive(Debug, Default)]
struct Letters {
    text: String,
    group: u8,
    filled: u32,
}

impl Letters {
    fn put(&mut self, symbol: u64, bits: u32) {
        let ones = symbol >> bits;
        let written_out = ones >= u64::from(MOST_ONES);
        (0..ones.min(u64::from(MOST_ONES))).for_each(|_| self.bit(true));
        if !written_out {
            self.bit(false);
        }
        let bits = if written_out { WHOLE_BITS } else { bits };
        (0..bits).rev().for_each(|k| self.bit(symbol >> k & 1 == 1));
    }

    fn bit(&mut self, bit: bool) {
        self.group = self.group << 1 | u8::from(bit);
        self.filled += 1;
        if self.filled == 6 {
            self.text.push(char::from(LETTERS[usize::from(self.group)]));
            (self.group, self.filled) = (0, 0);
        }
    }

    fn finish(mut self) -> String {
        while self.filled > 0 {
            self.bit(false);
        }
        self.text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::samples;

    /// What the page's script does, in the order of its words.
    fn unpacked(numbers: &Numbers) -> Vec<f64> {
        let (places, low, count, text) = match numbers {
            Numbers::Even { start, step, count } => return (0..*count).map(|k| start + k as f64 * step).collect(),
            Numbers::Packed { places, bits, count, text } => (*places, *bits, *count, text),
        };
        let value = |letter: u8| LETTERS.iter().position(|l| *l == letter).unwrap();
        let mut bits = text.bytes().flat_map(|letter| (0..6).rev().map(move |k| value(letter) >> k & 1 == 1));
        let mut next = || {
            let mut ones = 0;
            while ones < MOST_ONES && bits.next().unwrap() {
                ones += 1;
            }
            let (start, more) = if ones == MOST_ONES { (0, WHOLE_BITS) } else { (u64::from(ones), low) };
            (0..more).fold(start, |value, _| value << 1 | u64::from(bits.next().unwrap()))
        };
        let (mut all, mut sum) = (Vec::new(), 0_i64);
        while all.len() < count {
            match next() {
                0 => all.resize(all.len() + usize::try_from(next()).unwrap(), f64::NAN),
                1 => all.push(f64::INFINITY),
                2 => all.push(f64::NEG_INFINITY),
                symbol => {
                    let size = i64::try_from((symbol - 2) / 2).unwrap();
                    sum += if symbol % 2 == 0 { -size } else { size };
                    all.push(sum as f64 / 10_f64.powi(places));
                }
            }
        }
        all
    }

    #[test]
    fn numbers_come_back_within_their_digits() {
        let values = [61.234_567, -3.2, f64::NAN, f64::NAN, 0.0, f64::INFINITY, 82.0, f64::NEG_INFINITY, 1e-7];
        let numbers = Numbers::new(values.into_iter(), PARTS);
        let back = unpacked(&numbers);
        for (value, back) in values.iter().zip(&back) {
            assert!(
                value.is_nan() && back.is_nan() || value == back || (value - back).abs() <= 0.005,
                "{value} {back}"
            );
        }
        assert_eq!(back[0], 61.23);
    }

    #[test]
    fn the_code_is_that_of_rice() {
        // By hand with two low bits: 5 less 0 is 10 and 3 more, 13: three ones, a zero, 01; then 4 less 5 is 1 and 3 more, 4:
        // a one, a zero, 00. The ten bits 1110 0110 00 are the letters 111001 and 100000.
        let mut letters = Letters::default();
        letters.put(13, 2);
        letters.put(4, 2);
        assert_eq!(letters.finish(), "5g");
    }

    #[test]
    fn what_is_even_stays_exact() {
        let grid: Vec<f64> = (0..1481).map(|k| 2e3 + 133.333_333 * f64::from(k)).collect();
        let numbers = Numbers::new(grid.iter().copied(), PLACE_PARTS);
        assert!(matches!(numbers, Numbers::Even { count: 1481, .. }));
        assert!(unpacked(&numbers).iter().zip(&grid).all(|(a, b)| (a - b).abs() < 1e-6));
        assert!(matches!(Numbers::new([1.0, 2.0, 4.0].into_iter(), PLACE_PARTS), Numbers::Packed { places: 0, .. }));
    }

    #[test]
    fn extremes_of_a_long_line_stay() {
        let points: Vec<_> = (0..100_000).map(|k| (f64::from(k), if k == 61_728 { 9.0 } else { 0.0 })).collect();
        let series = Series::unnamed(crate::report::figure::Style::Wire, Shape::Line(points));
        let panel = Panel::new("", Axis::linear("Time, s"), Axis::linear("Voltage, V"));
        let data = SeriesData::new(&series, &panel, (0.0, 100_000.0), (COLUMNS, MOST_POINTS));
        assert!(data.thinned);
        let column = |name| unpacked(&data.columns.0.iter().find(|(n, _)| *n == name).unwrap().1);
        let (x, y) = (column("x"), column("y"));
        assert!(x.len() <= 6000);
        assert!(x.iter().zip(&y).any(|point| point == (&61_728.0, &9.0)));
    }

    #[test]
    fn sample_figures_are_small() {
        for (name, figure) in samples::all() {
            let still = still(&figure).unwrap();
            let data = serde_json::to_string(&data(&figure, 1)).unwrap();
            let small = small(&figure).unwrap();
            println!("{name}: still {}, data {}, small {}", still.len(), data.len(), small.len());
            assert!(!still.contains("NaN") && !still.contains("inf"), "{name}");
            assert!(still.len() < 60_000 && small.len() < 12_000, "{name}: {} {}", still.len(), small.len());
        }
    }
}
