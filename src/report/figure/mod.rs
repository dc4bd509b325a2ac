//! Figures: a plain description of what is to be seen, and one drawing of it as PNG or SVG.
//!
//! A [`Figure`] is data: texts, a grid of [`Panel`]s, each with two axes and a list of [`Series`]. It holds no
//! colours and no pixels; a [`Style`] names what a series means, and the engine knows how that looks.
//! Nothing here reads a font, a file or a clock of the machine it runs on.

mod axis;
mod canvas;
mod draw;
mod embed;
mod layout;
mod lean;
mod map;
#[cfg(test)]
mod samples;
mod series;
mod style;
mod tags;
mod text;
mod thin;

pub(super) use embed::{data, small, still};
pub(super) use lean::stripes;

use super::plain::plain;
use crate::error::Error;

/// A point in the units of its panel's axes.
pub type Point = (f64, f64);

/// A whole picture: title, conclusion, a grid of panels, caption.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The question the picture answers, in a few words.
    pub title: String,
    /// What follows from the picture, one sentence each; they stand under the title.
    pub conclusion: Vec<String>,
    /// The rows of panels from top to bottom.
    pub rows: Vec<Row>,
    /// How the picture was made: window, bandwidth, averages, range, file; one line each, wrapped where too long.
    pub caption: Vec<String>,
    /// The width in pixels.
    pub width: u32,
    /// The height in pixels.
    pub height: u32,
}

impl Figure {
    /// The usual size in pixels: readable at 100 % on an ordinary screen.
    pub const SIZE: (u32, u32) = (1400, 900);

    /// A figure of the usual size without panels.
    pub fn new(title: impl Into<String>) -> Self {
        Self {
            title: title.into(),
            conclusion: Vec::new(),
            rows: Vec::new(),
            caption: Vec::new(),
            width: Self::SIZE.0,
            height: Self::SIZE.1,
        }
    }
}

/// Panels side by side.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The share of the height, relative to the other rows.
    pub share: f64,
    /// The panels from left to right.
    pub panels: Vec<Panel>,
}

impl Row {
    /// A row of the usual height.
    pub fn new(panels: Vec<Panel>) -> Self {
        Self { share: 1.0, panels }
    }
}

/// One pair of axes and what is drawn between them.
///
/// Panels of one column whose `x` axes are equal share that axis: one range for all, labelled once at the bottom.
/// In the same way panels of one row share equal `y` axes, and equal phase axes are labelled once at the top.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// What the panel shows, in a few words.
    pub title: String,
    /// The horizontal axis.
    pub x: Axis,
    /// The vertical axis.
    pub y: Axis,
    /// A second horizontal axis on top: the phase of the mains.
    pub phase: Option<PhaseAxis>,
    /// What lies behind all series: levels as colours.
    pub map: Option<LevelMap>,
    /// What is drawn, from back to front.
    pub series: Vec<Series>,
    /// Places on the horizontal axis that carry a name, such as a known emitter; in order of importance.
    pub marks: Vec<Mark>,
    /// Rows of a ranking that cannot be told apart.
    pub ties: Vec<Tie>,
}

impl Panel {
    /// An empty panel between two axes.
    pub fn new(title: impl Into<String>, x: Axis, y: Axis) -> Self {
        Self {
            title: title.into(),
            x,
            y,
            phase: None,
            map: None,
            series: Vec::new(),
            marks: Vec::new(),
            ties: Vec::new(),
        }
    }

    /// The same panel with one more series in front.
    #[must_use]
    pub fn with(mut self, series: Series) -> Self {
        self.series.push(series);
        self
    }
}

/// An axis: its label with the unit, its scale, its range.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// Quantity and unit, such as `Level, dB re 1 µV`.
    pub label: String,
    /// How values become places.
    pub scale: Scale,
    /// The lowest and the highest value; without it, what the data need.
    pub range: Option<(f64, f64)>,
}

impl Axis {
    /// A linear axis over what the data need.
    pub fn linear(label: impl Into<String>) -> Self {
        Self { label: label.into(), scale: Scale::Linear, range: None }
    }

    /// A logarithmic axis of frequency. Values are in hertz, the numbers at its ticks in kilohertz.
    pub fn frequency(low: f64, high: f64) -> Self {
        Self { label: "Frequency, kHz".to_owned(), scale: Scale::LogFrequency, range: Some((low, high)) }
    }

    /// An axis of angles in degrees, over one turn.
    pub fn turn(label: impl Into<String>) -> Self {
        Self { label: label.into(), scale: Scale::Degrees, range: Some((0.0, 360.0)) }
    }

    /// A vertical axis of names, the first on top; the value of a name is its place in the list, from 0.
    pub fn names(names: Vec<String>) -> Self {
        Self { label: String::new(), scale: Scale::Names(names), range: None }
    }

    /// The same axis over a stated range.
    #[must_use]
    pub fn over(mut self, low: f64, high: f64) -> Self {
        self.range = Some((low, high));
        self
    }
}

/// How values become places on an axis.
#[derive(Debug, Clone, PartialEq)]
pub enum Scale {
    /// Equal steps for equal differences.
    Linear,
    /// Equal steps for equal ratios; values in hertz, ticks in kilohertz.
    LogFrequency,
    /// Angles in degrees: equal steps, ticks at parts of a turn.
    Degrees,
    /// One row per name; for vertical axes only.
    Names(Vec<String>),
}

/// Levels over both axes as colours from dark (low) to light (high), with a scale beside the panel.
///
/// A pixel that holds several cells has the level of their mean power; nothing is smoothed.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelMap {
    /// The edges of the cells on the horizontal axis, rising; one more than there are columns.
    pub x_edges: Vec<f64>,
    /// The edges on the vertical axis, rising; one more than there are levels in a column.
    pub y_edges: Vec<f64>,
    /// Levels in decibels, a list for each column from the lowest edge up. What is not finite is left blank.
    pub levels: Vec<Vec<f64>>,
    /// The levels at the dark and at the light end; beyond them the colour stays.
    pub range: (f64, f64),
    /// Quantity and unit, such as `Level, dB re 1 µV`.
    pub label: String,
}

/// The phase of the mains along a horizontal axis of time.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseAxis {
    /// Quantity and unit, such as `Mains phase, °`.
    pub label: String,
    /// The value on the horizontal axis where the phase is zero.
    pub zero: f64,
    /// The length of one mains cycle in the unit of the horizontal axis, above zero.
    pub cycle: f64,
}

/// Values to draw and what they mean.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// The name in the legend; `None` keeps the series out of it.
    pub label: Option<String>,
    /// What the values mean.
    pub style: Style,
    /// How they are drawn.
    pub shape: Shape,
}

impl Series {
    /// A series with its name in the legend.
    pub fn new(label: impl Into<String>, style: Style, shape: Shape) -> Self {
        Self { label: Some(label.into()), style, shape }
    }

    /// A series that the legend leaves out.
    pub fn unnamed(style: Style, shape: Shape) -> Self {
        Self { label: None, style, shape }
    }
}

/// What a series means. How that looks is decided in one place, so that every figure of the house agrees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// The wire: ochre, solid.
    Wire,
    /// The air: teal, dashed.
    Air,
    /// The wire before a change, or as captured: pale ochre, thin, solid.
    WireBefore,
    /// The wire after a change: dark ochre, solid.
    WireAfter,
    /// The air before a change, or as captured: pale teal, thin, dashed.
    AirBefore,
    /// The air after a change: dark teal, dashed.
    AirAfter,
    /// A difference between two of the others: near black, solid.
    Difference,
    /// What instrument and range cannot see below: grey, dotted, thin.
    Floor,
    /// Anything else: grey, solid, thin.
    Neutral,
    /// A published level, told from others by its number: near black, each with a dash of its own. Its name stands at
    /// the line and not in the legend.
    Level(u8),
}

/// How values are drawn. Values that are not finite leave a gap.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A line through points with rising `x`; more points than pixels keep the extremes of every pixel column.
    Line(Vec<Point>),
    /// A cross at each point, for single readings.
    Points(Vec<Point>),
    /// A line that stays level over each span, such as a value per band.
    Steps(Vec<Bar>),
    /// The area from the lowest to the highest value at rising `x`: `(x, low, high)`, drawn at full strength.
    Envelope(Vec<(f64, f64, f64)>),
    /// The same area as a pale shade, for an interval around a line.
    Interval(Vec<(f64, f64, f64)>),
    /// Boxes from `base` to each value, with whiskers. On a vertical axis of names they lie, otherwise they stand.
    Bars {
        /// The boxes.
        bars: Vec<Bar>,
        /// Where the boxes begin; `None` begins at the lower end of the axis.
        base: Option<f64>,
    },
    /// A level line across the whole panel.
    Level(f64),
}

/// A value over a span, with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// Where the span begins, on the axis that the bars stand on.
    pub from: f64,
    /// Where the span ends.
    pub to: f64,
    /// The value.
    pub value: f64,
    /// The lowest and the highest value that the data allow.
    pub interval: Option<(f64, f64)>,
}

impl Bar {
    /// The bar of the name at a place in an axis of names, counted from 0.
    pub fn at(place: usize, value: f64, interval: Option<(f64, f64)>) -> Self {
        let middle = place as f64;
        Self { from: middle - 0.5, to: middle + 0.5, value, interval }
    }
}

/// A named place on the horizontal axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// The place in the unit of the horizontal axis.
    pub x: f64,
    /// The name; it stands inside the panel at the top, and gives way where there is no room.
    pub label: String,
}

/// Neighbours in an axis of names that belong together.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// The first of them, counted from 0.
    pub first: usize,
    /// The last of them, itself included.
    pub last: usize,
    /// What is said of them, in a word or two.
    pub label: String,
}

/// The figure as PNG, with the name of its maker in the text chunk `Software`.
///
/// # Errors
/// Width and height must lie between 200 and 10,000 pixels.
pub fn png(figure: &Figure, made_by: &str) -> Result<Vec<u8>, Error> {
    check_size(figure)?;
    let (width, height) = (figure.width, figure.height);
    let mut pixels = vec![u8::MAX; 3 * width as usize * height as usize];
    draw::draw(figure, &mut canvas::Raster::new(&mut pixels, width, height))?;
    let mut bytes = Vec::new();
    encode(&mut bytes, figure, &pixels, made_by)
        .map_err(|error| Error::output(format!("the figure could not be written as PNG: {error}")))?;
    Ok(bytes)
}

fn encode(bytes: &mut Vec<u8>, figure: &Figure, pixels: &[u8], made_by: &str) -> Result<(), png::EncodingError> {
    let mut encoder = png::Encoder::new(bytes, figure.width, figure.height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    // A text chunk holds Latin-1 only (PNG specification, third edition, 11.3.3.2).
    let latin: String = plain(made_by).chars().map(|c| if u32::from(c) < 256 { c } else { '?' }).collect();
    encoder.add_text_chunk("Software".to_owned(), latin)?;
    let mut writer = encoder.write_header()?;
    writer.write_image_data(pixels)?;
    writer.finish()
}

/// The figure as SVG, with the name of its maker in a comment after the first line.
///
/// ```
/// use linewake::report::figure::{Axis, Figure, Panel, Row, Series, Shape, Style, svg};
/// let line = Series::new("wire", Style::Wire, Shape::Line(vec![(2e3, 61.0), (22.1e3, 82.0), (150e3, 34.0)]));
/// let panel = Panel::new("Wire", Axis::frequency(2e3, 150e3), Axis::linear("Level, dB re 1 µV")).with(line);
/// let figure = Figure { rows: vec![Row::new(vec![panel])], ..Figure::new("Spectrum") };
/// let text = svg(&figure, "linewake 0.1.0")?;
/// assert!(text.starts_with("<?xml") && text.contains("Level, dB re 1 µV"));
/// # Ok::<(), linewake::error::Error>(())
/// ```
///
/// # Errors
/// Width and height must lie between 200 and 10,000 pixels.
pub fn svg(figure: &Figure, made_by: &str) -> Result<String, Error> {
    check_size(figure)?;
    let (width, height) = (figure.width, figure.height);
    let mut drawn = String::new();
    let mut canvas = canvas::Vector::new(&mut drawn, width, height);
    draw::draw(figure, &mut canvas)?;
    canvas.finish()?;
    // The backend's own first line would make the picture as large as its fine units.
    let body = drawn.split_once('\n').map_or("", |(_, body)| body);
    // Two hyphens would end a comment.
    let comment = plain(made_by).split("--").collect::<Vec<_>>().join("- -").replace("--", "- -");
    Ok(format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<!-- {comment} -->\n\
         <svg width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width}0 {height}0\" \
         stroke-linejoin=\"round\" role=\"img\" xmlns=\"http://www.w3.org/2000/svg\">\n{body}"
    ))
}

fn check_size(figure: &Figure) -> Result<(), Error> {
    let fits = |pixels| (200..=10_000).contains(&pixels);
    if fits(figure.width) && fits(figure.height) {
        Ok(())
    } else {
        Err(Error::usage(format!("a figure of {} by {} pixels", figure.width, figure.height))
            .expected("200 to 10000 pixels each way"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(points: Vec<Point>) -> Figure {
        let panel = Panel::new("Wire", Axis::frequency(2e3, 150e3), Axis::linear("Level, dB re 1 µV"))
            .with(Series::new("wire", Style::Wire, Shape::Line(points.clone())))
            .with(Series::new("air", Style::Air, Shape::Line(points)));
        Figure { rows: vec![Row::new(vec![panel])], ..Figure::new("A line") }
    }

    /// Width, height and pixels of a PNG, and the text of its chunk `Software`.
    fn decoded(bytes: &[u8]) -> (u32, u32, Vec<u8>, String) {
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        let info = reader.info();
        let software = info.uncompressed_latin1_text.iter().find(|text| text.keyword == "Software").unwrap();
        (info.width, info.height, pixels, software.text.clone())
    }

    fn luminance(pixel: &[u8]) -> f64 {
        0.2126 * f64::from(pixel[0]) + 0.7152 * f64::from(pixel[1]) + 0.0722 * f64::from(pixel[2])
    }

    #[test]
    fn a_png_has_its_size_and_names_its_maker() {
        let figure = Figure { width: 640, height: 480, ..line(vec![(2e3, 1.0), (150e3, 2.0)]) };
        let (width, height, pixels, software) = decoded(&png(&figure, "linewake 0.1.0 spectrum → ä").unwrap());
        assert_eq!((width, height, software.as_str()), (640, 480, "linewake 0.1.0 spectrum ? ä"));
        assert!(pixels.chunks_exact(3).any(|pixel| luminance(pixel) < 60.0), "there is text");
        assert!(pixels[..640 * 3].iter().all(|byte| *byte == 255), "the margin is free");
    }

    #[test]
    fn an_svg_names_its_maker_first_and_holds_its_texts() {
        let text = svg(&line(vec![(2e3, 1.0), (150e3, 2.0)]), "linewake --> spectrum").unwrap();
        let mut lines = text.lines();
        assert_eq!(lines.next(), Some("<?xml version=\"1.0\" encoding=\"UTF-8\"?>"));
        assert_eq!(lines.next(), Some("<!-- linewake - -> spectrum -->"));
        assert!(lines.next().unwrap().starts_with("<svg width=\"1400\" height=\"900\" viewBox=\"0 0 14000 9000\""));
        for label in ["2", "5", "10", "20", "50", "100", "150", "Frequency, kHz", "Level, dB re 1 µV", "A line"] {
            assert!(text.contains(&format!(">\n{label}\n</text>")), "{label}");
        }
        assert!(text.contains("font-family=\"DejaVu Sans, sans-serif\"") && !text.contains(" id="));
        assert!(text.trim_end().ends_with("</svg>"));
    }

    /// The texts of an SVG with the pixels they take: left, top, right, bottom.
    fn texts(svg: &str) -> Vec<(String, [f64; 4])> {
        let of = |tag: &str, name: &str| -> String {
            let start = tag.find(&format!(" {name}=\"")).map(|at| at + name.len() + 3);
            start.map_or(String::new(), |at| tag[at..].split('"').next().unwrap_or_default().to_owned())
        };
        let number = |tag: &str, name: &str| of(tag, name).parse::<f64>().unwrap() / 10.0;
        let names = [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&apos;", "'"), ("&amp;", "&")];
        let unescape = |text: &str| names.iter().fold(text.to_owned(), |text, (name, c)| text.replace(name, c));
        svg.split("<text")
            .skip(1)
            .map(|part| {
                let (tag, rest) = part.split_once(">\n").unwrap();
                let content = unescape(rest.split_once("\n</text>").unwrap().0);
                let size = number(tag, "font-size");
                let face = text::Face { size, bold: of(tag, "font-weight") == "bold" };
                let width = face.width(&content);
                let share = match of(tag, "text-anchor").as_str() {
                    "start" => 0.0,
                    "middle" => 0.5,
                    _ => 1.0,
                };
                let (x, y) = (number(tag, "x"), number(tag, "y"));
                // The box of capitals and figures, which hang 0.76 of the size below the given point and rise 0.73.
                let place = if of(tag, "transform").is_empty() {
                    [x - share * width, y + 0.03 * size, x + (1.0 - share) * width, y + 0.76 * size]
                } else {
                    [x + 0.03 * size, y - (1.0 - share) * width, x + 0.76 * size, y + share * width]
                };
                (content, place)
            })
            .collect()
    }

    /// No text leaves the picture, and none touches another.
    fn check_texts(figure: &Figure) {
        let all = texts(&svg(figure, "test").unwrap());
        let (width, height) = (f64::from(figure.width), f64::from(figure.height));
        for (i, (text, [left, top, right, bottom])) in all.iter().enumerate() {
            let inside = *left >= 0.0 && *top >= 0.0 && *right <= width && *bottom <= height;
            assert!(inside, "{text:?} leaves the picture: {left} {top} {right} {bottom}");
            for (other, place) in &all[i + 1..] {
                let apart = place[0] > *right || place[2] < *left || place[1] > *bottom || place[3] < *top;
                assert!(apart || text.is_empty() || other.is_empty(), "{text:?} and {other:?} overlap");
            }
        }
    }

    #[test]
    fn texts_keep_apart_in_every_sample() {
        for (name, figure) in samples::all() {
            println!("{name}");
            check_texts(&figure);
            for (width, height) in [(800, 600), (2000, 700), (600, 1200), (400, 300), (200, 200)] {
                check_texts(&Figure { width, height, ..figure.clone() });
            }
        }
    }

    #[test]
    fn absurd_texts_neither_overlap_nor_leave_the_picture() {
        let absurd = [
            "x".repeat(700),
            "wide words ".repeat(300),
            "<script>&\"'</script> \u{202e}\u{0}\n\n\t".repeat(40),
            "電磁雑音".repeat(200),
            String::new(),
        ];
        for (i, text) in absurd.iter().enumerate() {
            for (name, mut figure) in samples::all() {
                figure.title.clone_from(text);
                figure.conclusion = vec![text.clone(); 9];
                figure.caption = vec![text.clone(); 30];
                for panel in figure.rows.iter_mut().flat_map(|row| &mut row.panels) {
                    panel.title.clone_from(text);
                    panel.x.label.clone_from(text);
                    panel.y.label.clone_from(text);
                    panel.phase.iter_mut().for_each(|phase| phase.label.clone_from(text));
                    panel.marks.iter_mut().for_each(|mark| mark.label.clone_from(text));
                    panel.ties.iter_mut().for_each(|tie| tie.label.clone_from(text));
                    panel.series.iter_mut().for_each(|series| series.label = Some(text.clone()));
                    if let Scale::Names(names) = &mut panel.y.scale {
                        names.iter_mut().for_each(|name| name.clone_from(text));
                    }
                }
                check_texts(&figure);
                let words = svg(&figure, text).unwrap();
                // A comment may hold anything but its own end.
                let (head, body) = words.split_once(" -->\n").unwrap();
                assert!(!body.contains("<script") && !head.contains("-->"));
                if i < 3 {
                    samples::save(&format!("absurd-{i}-{name}"), &png(&figure, text).unwrap(), &words);
                }
            }
        }
    }

    #[test]
    fn values_without_a_place_are_left_out() {
        let bad = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN, 0.0, -1.0, 1e-320];
        let points: Vec<Point> = bad.iter().flat_map(|x| bad.iter().map(move |y| (*x, *y))).collect();
        let spans = points.iter().map(|(x, y)| (*x, *y, -*y)).collect::<Vec<_>>();
        let bars: Vec<Bar> =
            points.iter().map(|(x, y)| Bar { from: *x, to: *y, value: *x, interval: Some((*y, *x)) }).collect();
        let mut shapes: Vec<Shape> = bad.iter().map(|y| Shape::Level(*y)).collect();
        shapes.extend([Shape::Line(points.clone()), Shape::Line(Vec::new()), Shape::Line(vec![(2e4, 5.0)])]);
        shapes.extend([
            Shape::Points(points.clone()),
            Shape::Steps(bars.clone()),
            Shape::Interval(spans.clone()),
            Shape::Envelope(spans),
        ]);
        shapes.extend(bad.iter().map(|base| Shape::Bars { bars: bars.clone(), base: Some(*base) }));
        let axes = [
            Axis::linear("y"),
            Axis::linear("y").over(5.0, 5.0),
            Axis::linear("y").over(f64::NAN, 0.0),
            Axis::names(vec!["a".into(), "b".into()]),
            Axis::names(Vec::new()),
        ];
        let panels = axes.into_iter().map(|y| Panel {
            series: shapes.iter().map(|shape| Series::new("s", Style::Air, shape.clone())).collect(),
            marks: bad.iter().map(|x| Mark { x: *x, label: "m".into() }).collect(),
            ties: vec![
                Tie { first: 7, last: 2, label: "t".into() },
                Tie { first: 0, last: usize::MAX, label: "t".into() },
            ],
            phase: Some(PhaseAxis { label: "p".into(), zero: f64::NAN, cycle: 1e-300 }),
            ..Panel::new("p", Axis::frequency(2e3, 150e3), y)
        });
        let rows = panels.map(|panel| Row { share: f64::NAN, panels: vec![panel] }).collect();
        let figure = Figure { rows, ..Figure::new("bad values") };
        let text = svg(&figure, "test").unwrap();
        assert!(!text.contains("NaN") && !text.contains("inf"));
        png(&figure, "test").unwrap();
    }

    #[test]
    fn one_impulse_reaches_the_picture_wherever_it_lies() {
        for at in (0..1400).step_by(7) {
            let samples = (0..140_000).map(|i| (f64::from(i), if i == at * 100 + 3 { 1.0 } else { 0.0 })).collect();
            let panel = Panel::new("Air", Axis::linear("Time, ms"), Axis::linear("Voltage, V").over(-0.5, 1.5))
                .with(Series::unnamed(Style::Air, Shape::Line(samples)));
            let figure = Figure { rows: vec![Row::new(vec![panel])], width: 400, height: 200, ..Figure::new("") };
            let text = svg(&figure, "test").unwrap();
            // What is drawn in full strength: lines and areas alike have corners.
            let full =
                text.lines().filter(|line| line.contains("opacity=\"1\"")).filter_map(|l| l.split("points=\"").nth(1));
            let corners: Vec<i32> = full
                .flat_map(|list| list.split(['"', ' ']))
                .filter_map(|p| p.split_once(',')?.1.parse().ok())
                .collect();
            let (highest, lowest) = (corners.iter().min().unwrap(), corners.iter().max().unwrap());
            // Half of the axis, which is some 60 pixels tall; without the impulse the line is 2 pixels thick.
            assert!(lowest - highest > 300, "impulse at {at} of 1400: {highest} to {lowest}");
        }
    }

    #[test]
    fn sizes_out_of_reach_are_refused() {
        for (width, height) in [(0, 900), (1400, 199), (10_001, 900), (u32::MAX, u32::MAX)] {
            let figure = Figure { width, height, ..Figure::new("size") };
            assert!(png(&figure, "test").is_err() && svg(&figure, "test").is_err());
        }
    }
}
