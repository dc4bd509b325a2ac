//! The response of an indicator in sentences, tables, rows and a picture.

use super::columns::{Columns, number};
use super::figure::{Axis, Figure, Panel, Row, Series, Shape, Style};
use super::sentences::short_name;
use super::table::{Column, Table};
use crate::analysis::response::{Contour, Held, Line, Response, Weights};
use crate::error::Error;
use crate::uncertainty::median_of_two;
use crate::units::{Hertz, Level, engineering};

/// What a reading of such an indicator does not say.
pub const NOT_SAID: &str = "What such a reading does not say: which frequencies there are (ten times the frequency at a \
                            tenth of the voltage reads the same), the waveform or its peaks (these readings were taken with \
                            a sine), a level in dBµV with a detector and a bandwidth, what is in the air, and nothing about \
                            health.";

/// No more lines are drawn in one panel.
const MOST_LINES: usize = 7;

/// A number with four significant digits, without an exponent where it stays readable.
pub(super) fn figures(value: f64) -> String {
    let size = value.abs();
    if value == 0.0 || !value.is_finite() {
        return if value == 0.0 { "0".into() } else { "none".into() };
    }
    let text = if (1e-4..1e7).contains(&size) {
        let decimals = (0u8..9).find(|&k| size * 10f64.powi(i32::from(k)) >= 999.95).unwrap_or(9);
        format!("{value:.*}", usize::from(decimals))
    } else {
        format!("{value:.3e}")
    };
    let trimmed = if text.contains('.') && !text.contains('e') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    };
    trimmed.replace('-', "−")
}

/// A value with its interval, with digits enough to tell the ends apart.
fn with_ends(value: f64, ends: Option<[f64; 2]>) -> String {
    /// More digits than a double has.
    const ALL: u8 = 15;
    let Some([low, high]) = ends.filter(|[low, high]| low < high) else { return figures(value) };
    let half = 0.5 * (high - low);
    let decimals = (0..ALL).find(|&k| half * 10f64.powi(i32::from(k)) >= 0.95).unwrap_or(ALL);
    let written = |value: f64| {
        let usual = figures(value);
        let longer = format!("{value:.*}", usize::from(decimals)).replace('-', "−");
        if longer.len() > usual.len() && !usual.contains('e') { longer } else { usual }
    };
    if half < 1e-9 * value.abs() {
        return figures(value);
    }
    format!("{} (95 %: {} to {})", written(value), written(low), written(high))
}

fn hertz(value: f64) -> String {
    Hertz::new(value).map_or_else(|_| "0 Hz".into(), |hertz| hertz.to_string())
}

fn unit(response: &Response) -> &str {
    if response.unit.is_empty() { "units" } else { &response.unit }
}

/// The end of a range: `up to 210 (190 to 240)`.
fn interval(ends: [Option<f64>; 2], written: impl Fn(f64) -> String) -> String {
    match ends {
        [Some(low), Some(high)] => format!("{} to {}", written(low), written(high)),
        [Some(low), None] => format!("from {}", written(low)),
        [None, Some(high)] => format!("up to {}", written(high)),
        [None, None] => String::new(),
    }
}

/// The conclusion, and what the readings do not say.
pub fn sentences(response: &Response) -> Vec<String> {
    let (joint, unit) = (&response.joint, unit(response));
    let percent = 100.0 * response.settings.tolerance;
    let off = format!(
        "{} %, at {} and {}",
        format!("{:+.1}", joint.max_deviation_percent).replace('-', "−"),
        engineering(joint.max_deviation_at[0], "V"),
        hertz(joint.max_deviation_at[1]),
    );
    let mut said = Vec::new();
    if joint.is_proportional {
        said.push(format!(
            "One gain for {} of {} readings: {} {unit} per V·kHz; the largest deviation within the range is {off}.",
            joint.points,
            response.points.len(),
            with_ends(1e3 * joint.gain, joint.gain_ci95.map(|ends| ends.map(|end| 1e3 * end))),
        ));
        said.push(match (joint.linear_up_to_reading, joint.linear_up_to_reading_interval) {
            (Some(end), Some(ends)) => format!(
                "Readings leave proportion by {} % at a reading of {} {unit} (settings tried set this {}).",
                figures(percent),
                figures(end),
                match ends {
                    [Some(_), Some(_)] => format!("between {}", interval(ends, figures).replace(" to ", " and ")),
                    _ => interval(ends, figures),
                }
            ),
            _ => format!("Over the whole range tried, readings stay in proportion within {} %.", figures(percent)),
        });
    } else {
        said.push(format!(
            "Readings are not in proportion to voltage times frequency within {} %: the best gain, {} {unit} per V·kHz, is \
             off by {off}; the lines count.",
            figures(percent),
            figures(1e3 * joint.gain),
        ));
    }
    let at_zero = response.lines.iter().filter(|line| line.fixed == Held::Frequency);
    let is_off_zero = |line: &&Line| line.intercept_ci95.is_some_and(|[low, high]| low * high > 0.0);
    let (off_zero, of) = (at_zero.clone().filter(is_off_zero).count(), at_zero.clone().count());
    if !joint.is_proportional && off_zero > 0 {
        let read = median_of_two(at_zero.filter(is_off_zero).map(|line| line.intercept).collect());
        said.push(format!(
            "In {off_zero} of {of} lines over voltage the reading at zero volts is surely not zero (median {}).",
            figures(read)
        ));
    }
    if let Some([voltage, frequency]) = &joint.exponents {
        let power = |fitted: &crate::uncertainty::regression::Fitted| {
            let ends = fitted.ci95.map_or(String::new(), |[low, high]| format!(" ({low:.3} to {high:.3})"));
            format!("{:.3}{ends}", fitted.value).replace('-', "−")
        };
        said.push(format!(
            "Fitted freely, the reading goes with voltage to the power {} and with frequency to the power {}.",
            power(voltage),
            power(frequency)
        ));
    }
    if let Some(step) = response.resolution {
        said.push(format!("Resolution: all readings are whole multiples of {}.", figures(step)));
    }
    if let Some(repeats) = response.repeatability {
        said.push(format!(
            "Repeatability: a standard deviation of {} {unit} for a single reading, {} % of the mean reading ({} settings read \
             more than once).",
            figures(repeats.deviation),
            figures(100.0 * repeats.relative),
            repeats.settings
        ));
    }
    if let Some((rms, mean_abs)) = joint.per_slew_rms.zip(joint.per_slew_mean_abs) {
        said.push(format!(
            "Beside a capture: a sine with a slew_rms of {} or a slew_mean_abs of {} reads 100 {unit}.",
            engineering(100.0 / rms, "V/s"),
            engineering(100.0 / mean_abs, "V/s"),
        ));
    }
    said.push(NOT_SAID.into());
    said
}

/// The lines over voltage and over frequency.
pub fn tables(response: &Response) -> Vec<Table> {
    [Held::Frequency, Held::Voltage].into_iter().filter_map(|held| lines_table(response, held)).collect()
}

fn lines_table(response: &Response, held: Held) -> Option<Table> {
    let unit = unit(response);
    let (title, fixed, per, scale, varied) = match held {
        Held::Frequency => ("Reading over voltage", "frequency", "V", 1.0, "V"),
        Held::Voltage => ("Reading over frequency", "voltage", "kHz", 1e3, "Hz"),
    };
    let written = |value: f64| engineering(value, varied);
    // What rounding leaves of nothing is nothing.
    let highest = response.points.iter().map(|point| point.reading.abs()).fold(0.0, f64::max);
    let at_zero = |value: f64| if value.abs() < 1e-12 * highest { 0.0 } else { value };
    let columns = vec![
        Column::number(fixed, ""),
        Column::number("readings", ""),
        Column::number("slope", format!("{unit}/{per}")),
        Column::number("95 %", ""),
        Column::number("at zero", unit),
        Column::number("R²", ""),
        Column::number("lack of fit", ""),
        Column::number("linear up to", ""),
        Column::text("between"),
    ];
    let mut table = Table::new(title, columns);
    for line in response.lines.iter().filter(|line| line.fixed == held) {
        table.rows.push(vec![
            if held == Held::Frequency { hertz(line.value) } else { engineering(line.value, "V") },
            format!("{} of {}", line.points, line.readings),
            figures(scale * line.slope),
            line.slope_ci95
                .map_or("none".into(), |[low, high]| format!("{} to {}", figures(scale * low), figures(scale * high))),
            figures(at_zero(line.intercept)),
            line.r_squared.map_or(String::new(), |r| format!("{r:.6}")),
            line.lack_of_fit.map_or(String::new(), |lack| format!("{:.3}", lack.probability)),
            match line.linear_up_to {
                Some(end) => written(end),
                None if line.is_judged => format!("beyond {}", written(line.linear_through)),
                None => "not judged".into(),
            },
            line.linear_up_to_interval.map_or(String::new(), |ends| interval(ends, written)),
        ]);
    }
    table.notes.push("Lack of fit: the probability that chance alone bends the readings so much, from repeats.".into());
    (!table.rows.is_empty()).then_some(table)
}

/// The lines as rows, one for each; the joint model last, its gain as the slope over voltage times frequency.
///
/// # Errors
/// None but for a lack of memory.
pub fn columns(response: &Response) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("response")?;
    let end = |ends: Option<[Option<f64>; 2]>, k: usize| number(ends.and_then(|ends| ends[k]));
    let of = |ci: Option<[f64; 2]>, k: usize| number(ci.map(|ci| ci[k]));
    for line in &response.lines {
        columns.row([
            match line.fixed {
                Held::Frequency => "frequency_hz".into(),
                Held::Voltage => "voltage_v".into(),
            },
            number(line.value),
            line.readings.to_string(),
            line.points.to_string(),
            number(line.slope),
            of(line.slope_ci95, 0),
            of(line.slope_ci95, 1),
            number(line.intercept),
            of(line.intercept_ci95, 0),
            of(line.intercept_ci95, 1),
            number(line.r_squared),
            number(line.residual_deviation),
            number(line.lack_of_fit.map(|lack| lack.probability)),
            number(line.linear_up_to),
            end(line.linear_up_to_interval, 0),
            end(line.linear_up_to_interval, 1),
            number(line.linear_through),
        ])?;
    }
    let joint = &response.joint;
    let ends = joint.linear_up_to_v_hz_interval.unwrap_or([None; 2]);
    columns.row([
        "none".into(),
        String::new(),
        response.points.len().to_string(),
        joint.points.to_string(),
        number(joint.gain),
        of(joint.gain_ci95, 0),
        of(joint.gain_ci95, 1),
        number(0.0),
        String::new(),
        String::new(),
        number(joint.r_squared),
        String::new(),
        number(joint.lack_of_fit.map(|lack| lack.probability)),
        number(joint.linear_up_to_v_hz),
        number(ends[0]),
        number(ends[1]),
        String::new(),
    ])?;
    columns.finish()
}

/// Reading over voltage, reading over frequency, contours of equal reading.
pub fn figure(response: &Response) -> Figure {
    let over = |held: Held| lines_panel(response, held);
    let mut first: Vec<Panel> = [Held::Frequency, Held::Voltage].into_iter().filter_map(over).collect();
    let mut rows = Vec::new();
    if response.contours.is_empty() {
        rows.push(Row::new(first));
    } else {
        rows.push(Row::new(std::mem::take(&mut first)));
        rows.push(Row::new(vec![contours_panel(response)]));
    }
    let weights = match response.settings.weights {
        Weights::Equal => "all readings count the same",
        Weights::Relative => "readings count by the inverse square of voltage times frequency",
        Weights::Stated => "readings count by the uncertainty stated",
    };
    let robust = if response.settings.robust { ", Huber's function" } else { "" };
    let mut conclusion = sentences(response);
    conclusion.truncate(2);
    Figure {
        conclusion,
        rows,
        caption: vec![
            format!(
                "Crosses are readings, lines the least squares through their linear part ({weights}{robust}; tolerance {} %). File {}.",
                figures(100.0 * response.settings.tolerance),
                short_name(&response.path)
            ),
            NOT_SAID.into(),
        ],
        height: 1150,
        ..Figure::new("Is this indicator linear, in voltage and in frequency?")
    }
}

/// So many of a list, evenly spread, the first and the last among them.
fn spread<T>(all: &[T], most: usize) -> Vec<&T> {
    if all.len() <= most {
        return all.iter().collect();
    }
    (0..most).map(|k| &all[k * (all.len() - 1) / (most - 1)]).collect()
}

fn lines_panel(response: &Response, held: Held) -> Option<Panel> {
    let lines: Vec<&Line> = response.lines.iter().filter(|line| line.fixed == held).collect();
    if lines.is_empty() {
        return None;
    }
    // On both axes numbers near one: volts in their prefix, kilohertz.
    let highest = response.points.iter().map(|point| point.voltage_v).fold(0.0, f64::max);
    let (volt, prefix) = crate::units::prefix_of(highest);
    let (title, label, scale) = match held {
        Held::Frequency => ("Over voltage, at each frequency", format!("Voltage, {prefix}V RMS"), 1.0 / volt),
        Held::Voltage => ("Over frequency, at each voltage", "Frequency, kHz".to_owned(), 1e-3),
    };
    let points = response.points.iter().map(|point| match held {
        Held::Frequency => (scale * point.voltage_v, point.reading),
        Held::Voltage => (scale * point.frequency_hz, point.reading),
    });
    let points: Vec<(f64, f64)> = points.collect();
    let farthest = points.iter().map(|point| point.0).fold(0.0, f64::max);
    // A little more than the data need, so that no cross is cut.
    let across = Axis::linear(label).over(0.0, 1.03 * farthest);
    let mut panel = Panel::new(title, across, Axis::linear(format!("Reading, {}", unit(response))));
    panel = panel.with(Series::new("readings", Style::Neutral, Shape::Points(points)));
    for (style, line) in (0u8..).zip(spread(&lines, MOST_LINES)) {
        let name = if held == Held::Frequency { hertz(line.value) } else { engineering(line.value, "V") };
        let end = line.linear_up_to.unwrap_or(line.linear_through);
        let course = (0..=40u8).map(|k| end * f64::from(k) / 40.0);
        let course = course.map(|x| (scale * x, line.intercept + line.slope * x)).collect();
        panel = panel.with(Series::new(name, Style::Level(style), Shape::Line(course)));
    }
    if let Some(end) = response.joint.linear_up_to_reading {
        panel = panel.with(Series::new("end of the linear range", Style::Floor, Shape::Level(end)));
    }
    Some(panel)
}

fn contours_panel(response: &Response) -> Panel {
    let all = response.contours.iter().flat_map(|contour| &contour.points).map(|point| point.frequency_hz);
    let (low, high) = all.fold((f64::INFINITY, 0.0_f64), |(low, high), f| (low.min(f), high.max(f)));
    let level = |volts: f64| Level::of_rms(volts).get();
    let mut panel = Panel::new(
        "Voltage and frequency of equal reading",
        Axis::frequency(low / 1.1, high * 1.1),
        Axis::linear("Voltage, dB re 1 µV"),
    );
    let points = response.contours.iter().flat_map(|contour| &contour.points);
    let points = points.map(|point| (point.frequency_hz, level(point.voltage_v))).collect();
    panel = panel.with(Series::new("interpolated from readings", Style::Neutral, Shape::Points(points)));
    for (style, contour) in (0u8..).zip(&response.contours) {
        panel = panel.with(Series::new(
            format!("{} {}", figures(contour.reading), unit(response)),
            Style::Level(style),
            Shape::Line(curve(contour, level)),
        ));
    }
    panel
}

/// The fitted curve between the lowest and the highest frequency of a contour.
fn curve(contour: &Contour, level: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
    let (Some(coefficient), Some(exponent)) = (contour.coefficient, contour.exponent) else { return Vec::new() };
    let (Some(first), Some(last)) = (contour.points.first(), contour.points.last()) else { return Vec::new() };
    let ratio = last.frequency_hz / first.frequency_hz;
    let at = |k: u8| first.frequency_hz * ratio.powf(f64::from(k) / 60.0);
    (0..=60u8).map(at).map(|f| (f, level(coefficient * (f / 1e3).powf(exponent.value)))).collect()
}
