//! Is this indicator linear in voltage and in frequency, and up to where?
//!
//! Readings taken with a generator are looked at three ways: straight lines over voltage at each frequency and over
//! frequency at each voltage; one gain for all, reading = gain · f · V; and contours of equal reading. The gain is set
//! beside what `bands` calls `slew_rms` and `slew_mean_abs`, which for a sine are 2πfV and 4√2·fV.

use std::f64::consts::{PI, SQRT_2};
use std::str::FromStr;

use serde::Serialize;

use super::observe::Input;
use crate::error::{Error, Finding, printable};
use crate::read::Source;
use crate::read::readings::{Reading, Readings, readings};
use crate::uncertainty::linear_range::{LinearPart, Rules, linear_part};
use crate::uncertainty::median_of_two;
use crate::uncertainty::regression::{Fit, Fitted, LackOfFit, OVER_MEDIAN, Unsolved, linear, robust};

/// What a reading counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weights {
    /// All the same: scatter that does not grow with the reading.
    Equal,
    /// The inverse square of voltage times frequency: scatter in proportion to the signal, beside the indicator's steps.
    Relative,
    /// The inverse square of the uncertainty that the table states.
    Stated,
}

impl FromStr for Weights {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self, Error> {
        match text {
            "equal" => Ok(Self::Equal),
            "relative" => Ok(Self::Relative),
            "stated" => Ok(Self::Stated),
            _ => Err(Error::usage(format!("\"{}\" as weights", printable(text)))
                .expected("equal, relative (scatter in proportion to the reading) or stated (a column uncertainty)")),
        }
    }
}

/// How readings are judged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ResponseSettings {
    /// The linear range ends where readings leave their line by this fraction of it.
    pub tolerance: f64,
    /// What a reading counts.
    pub weights: Weights,
    /// Whether readings that went wrong count less (Huber's function).
    pub robust: bool,
}

/// What is held fixed along a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Held {
    /// The frequency: the line is over voltage.
    #[serde(rename = "frequency_hz")]
    Frequency,
    /// The voltage: the line is over frequency.
    #[serde(rename = "voltage_v")]
    Voltage,
}

/// One straight line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// What is held fixed.
    pub fixed: Held,
    /// At which value: hertz, or volts RMS.
    pub value: f64,
    /// How many readings there are, and how many of them the line goes through.
    pub readings: usize,
    /// The readings of its linear part.
    pub points: usize,
    /// Rise of the reading per volt, or per hertz.
    pub slope: f64,
    /// Its 95 % interval; none with two readings.
    pub slope_ci95: Option<[f64; 2]>,
    /// The reading at zero.
    pub intercept: f64,
    /// Its 95 % interval.
    pub intercept_ci95: Option<[f64; 2]>,
    /// The share of the scatter that the line explains, over its linear part.
    pub r_squared: Option<f64>,
    /// The standard deviation of a reading about the line.
    pub residual_deviation: Option<f64>,
    /// The test for lack of fit over the linear part; none without repeats that scatter.
    pub lack_of_fit: Option<LackOfFit>,
    /// Where readings leave the line by the tolerance, in volts or hertz; none where they do not.
    pub linear_up_to: Option<f64>,
    /// From the last setting surely within the tolerance to the first surely beyond it; that one may be missing.
    pub linear_up_to_interval: Option<[Option<f64>; 2]>,
    /// What is read there.
    pub linear_up_to_reading: Option<f64>,
    /// The highest setting within the linear range.
    pub linear_through: f64,
    /// Whether there are settings enough (three) and a run of them that agrees with a line.
    pub is_judged: bool,
}

/// One gain for all: reading = gain · f · V.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Joint {
    /// The gain in reading per volt and hertz.
    pub gain: f64,
    /// Its 95 % interval.
    pub gain_ci95: Option<[f64; 2]>,
    /// The share of the sum of squares that the model explains, about zero because it has no constant.
    pub r_squared: Option<f64>,
    /// The readings that it rests on: the longest run that agrees with it; where there is none, those in the linear part of
    /// their lines.
    pub points: usize,
    /// The largest deviation from the model of readings in the linear part of their lines and below the end of the range, in
    /// percent of it; of those where a step of the indicator is no
    /// more than the tolerance, if there are any.
    pub max_deviation_percent: f64,
    /// The voltage and the frequency where that is.
    pub max_deviation_at: [f64; 2],
    /// The test for lack of fit; none without repeats that scatter.
    pub lack_of_fit: Option<LackOfFit>,
    /// Whether readings are in proportion to f · V within the tolerance, up to the end of the range.
    pub is_proportional: bool,
    /// f · V where readings leave proportion by the tolerance, in V·Hz; none where they do not, or never were.
    pub linear_up_to_v_hz: Option<f64>,
    /// The same from the last surely within to the first surely beyond; that one may be missing.
    pub linear_up_to_v_hz_interval: Option<[Option<f64>; 2]>,
    /// What is read there.
    pub linear_up_to_reading: Option<f64>,
    /// What is read at the ends of that interval.
    pub linear_up_to_reading_interval: Option<[Option<f64>; 2]>,
    /// The reading for a slew of 1 V/s RMS; none where readings are not in proportion.
    pub per_slew_rms: Option<f64>,
    /// The reading for a mean absolute slew of 1 V/s; none where readings are not in proportion.
    pub per_slew_mean_abs: Option<f64>,
    /// The exponents of voltage and frequency where reading = a · V^p · f^q is fitted freely; none where only one of the
    /// two was varied, or readings are zero or below.
    pub exponents: Option<[Fitted; 2]>,
}

/// Settings that give the same reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contour {
    /// The reading.
    pub reading: f64,
    /// Frequency and voltage, interpolated between neighbouring readings.
    pub points: Vec<Crossing>,
    /// V = coefficient · (f / 1 kHz)^exponent, in volts; none with a single point.
    pub coefficient: Option<f64>,
    /// The exponent: −1 for an indicator that weighs voltage by frequency.
    pub exponent: Option<Fitted>,
    /// The share of the scatter of ln V that the curve explains.
    pub r_squared: Option<f64>,
}

/// A point of a contour.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Crossing {
    /// The frequency.
    pub frequency_hz: f64,
    /// The voltage that gives the reading there.
    pub voltage_v: f64,
}

/// One reading beside the model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Point {
    /// The RMS voltage.
    pub voltage_v: f64,
    /// The frequency.
    pub frequency_hz: f64,
    /// The reading.
    pub reading: f64,
    /// What the joint model gives.
    pub model: f64,
    /// Reading over model less one; none with the generator off.
    pub deviation_percent: Option<f64>,
    /// Whether it lies in the linear part of its lines.
    pub is_linear: bool,
    /// The RMS slew of the sine, 2πfV, in V/s.
    pub slew_rms: f64,
    /// Its mean absolute slew, 4√2·fV.
    pub slew_mean_abs: f64,
}

/// How well a reading repeats.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Repeatability {
    /// The standard deviation of a single reading at the same settings, all settings taken together.
    pub deviation: f64,
    /// The same as a fraction of the mean reading.
    pub relative: f64,
    /// The degrees of freedom behind it.
    pub degrees: f64,
    /// How many settings were read more than once.
    pub settings: usize,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Response {
    /// The file.
    pub path: String,
    /// The unit of the readings; empty where the table names none.
    pub unit: String,
    /// How it was judged.
    #[serde(skip)]
    pub settings: ResponseSettings,
    /// The lines over voltage, then those over frequency.
    pub lines: Vec<Line>,
    /// One gain for all.
    pub joint: Joint,
    /// Contours of equal reading, the lowest first.
    pub contours: Vec<Contour>,
    /// The coarsest step that all readings are multiples of; none where there is none, or too few readings tell.
    pub resolution: Option<f64>,
    /// Repeatability; none without repeats.
    pub repeatability: Option<Repeatability>,
    /// The readings beside the model.
    pub points: Vec<Point>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// A table of readings judged, with its input.
///
/// # Errors
/// Whatever is wrong with the file; readings that carry no line at all: a single one, or only one voltage and one
/// frequency.
pub fn response(source: &Source, settings: ResponseSettings) -> Result<(Input, Response), Error> {
    let input = Input::of(source)?;
    Ok((input, of_readings(&readings(source)?, settings)?))
}

/// Settings that differ by less, relatively, are the same.
const SAME: f64 = 1e-9;

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= SAME * a.abs().max(b.abs())
}

/// Something of a reading.
type Setting = fn(&Reading) -> f64;

/// Different values from the lowest on.
fn distinct(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values.dedup_by(|a, b| same(*a, *b));
    values
}

/// The answer for readings that were read.
///
/// # Errors
/// As [`response`].
pub fn of_readings(table: &Readings, settings: ResponseSettings) -> Result<Response, Error> {
    let rows = &table.rows;
    let refuse = |found: String| {
        Error::input(found)
            .in_file(printable(&table.name))
            .expected("readings at two voltages or at two frequencies at least")
            .remedy("take readings at three or more voltages for each of three or more frequencies")
    };
    if rows.len() < 2 {
        return Err(refuse("one reading alone carries no line".into()));
    }
    if rows.iter().all(|row| row.reading == 0.0) {
        return Err(Error::input("all readings are zero")
            .in_file(printable(&table.name))
            .expected("an indicator that shows something")
            .remedy("take readings at higher voltages, or look whether another column holds them"));
    }
    let voltages = distinct(rows.iter().map(|row| row.voltage_v));
    let frequencies = distinct(rows.iter().map(|row| row.frequency_hz));
    let resolution = resolution(rows);
    let weights = weights(table, settings, resolution.unwrap_or(0.0))?;
    let judge = Judge { rows, weights, resolution: resolution.unwrap_or(0.0), settings };
    let mut lines = Vec::new();
    let mut is_linear = vec![true; rows.len()];
    let fixed = frequencies.iter().map(|&f| (Held::Frequency, f)).chain(voltages.iter().map(|&v| (Held::Voltage, v)));
    for (held, value) in fixed {
        lines.extend(judge.line(held, value, &mut is_linear).map_err(|unsolved| refuse(words(unsolved)))?);
    }
    if lines.is_empty() {
        return Err(refuse(format!("{} readings, none of them at another voltage or frequency", rows.len())));
    }
    let mut warnings = Vec::new();
    let joint = judge.joint(&is_linear, &mut warnings).map_err(|unsolved| refuse(words(unsolved)))?;
    let points = rows.iter().zip(&is_linear).map(|(row, &is_linear)| point(row, is_linear, joint.gain)).collect();
    warnings.extend(findings(&lines, &joint, rows, resolution, settings));
    let top = joint.linear_up_to_reading.unwrap_or(f64::INFINITY);
    Ok(Response {
        path: table.name.clone(),
        unit: table.unit.clone(),
        settings,
        contours: contours(rows, &frequencies, top),
        lines,
        joint,
        resolution,
        repeatability: repeatability(rows),
        points,
        warnings,
    })
}

fn words(unsolved: Unsolved) -> String {
    match unsolved {
        Unsolved::TooFew { points, .. } => format!("{points} readings are too few for a line"),
        Unsolved::Dependent { .. } => "the settings do not settle a line: they are all the same, or all zero".into(),
        Unsolved::NotFinite => "the readings are too large or too small to be fitted".into(),
    }
}

/// The weights of the readings; `None` where all count the same.
fn weights(table: &Readings, settings: ResponseSettings, step: f64) -> Result<Option<Vec<f64>>, Error> {
    match settings.weights {
        Weights::Equal => Ok(None),
        Weights::Relative => {
            // By what is set and not by what is read: a reading that happens to be low must not count more. With the
            // generator off a reading counts as at the lowest setting.
            let least = table.rows.iter().map(product).filter(|p| *p > 0.0).fold(f64::INFINITY, f64::min);
            if !least.is_finite() {
                return Err(Error::input("all voltages are zero")
                    .in_file(printable(&table.name))
                    .expected("readings with the generator on")
                    .remedy("use --weights equal, or take further readings"));
            }
            let stepped = product_of_steps(&table.rows, step, settings.tolerance);
            let variance = |row: &Reading| product(row).max(least).powi(2) + stepped.powi(2);
            Ok(Some(table.rows.iter().map(|row| variance(row).recip()).collect()))
        }
        Weights::Stated => {
            let stated = |row: &Reading| row.uncertainty.map(|u| u.powi(-2));
            table.rows.iter().map(stated).collect::<Option<_>>().map(Some).ok_or_else(|| {
                Error::usage("--weights stated, and the table has no column of uncertainties")
                    .in_file(printable(&table.name))
                    .expected("a column \"uncertainty\" with the standard uncertainty of each reading")
                    .remedy("add that column, or use --weights relative")
            })
        }
    }
}

/// What the joint model is over.
fn product(row: &Reading) -> f64 {
    row.frequency_hz * row.voltage_v
}

/// Where the scatter of the indicator's steps, q/√12, is as large as that in proportion to the signal, which repeats in
/// the upper half of the settings tell; without them a step is taken to be as much as the tolerance there.
fn product_of_steps(rows: &[Reading], step: f64, tolerance: f64) -> f64 {
    let signals: Vec<&Reading> = rows.iter().filter(|row| product(row) > 0.0).collect();
    let gain = median_of_two(signals.iter().map(|row| row.reading.abs() / product(row)).collect());
    let middle = median_of_two(signals.iter().map(|row| product(row)).collect());
    let upper: Vec<Reading> = signals.into_iter().filter(|row| product(row) >= middle).cloned().collect();
    let least = step / (tolerance * gain);
    let found = repeatability(&upper).filter(|found| found.relative > 0.0);
    let stepped = found.map_or(least, |found| step / 12f64.sqrt() / (found.relative * gain));
    // Also where nothing was read at all.
    if stepped.is_finite() { stepped } else { 0.0 }
}

struct Judge<'a> {
    rows: &'a [Reading],
    weights: Option<Vec<f64>>,
    resolution: f64,
    settings: ResponseSettings,
}

impl Judge<'_> {
    fn rules(&self, through_zero: bool) -> Rules {
        let ResponseSettings { tolerance, robust, .. } = self.settings;
        Rules { tolerance, step: self.resolution, through_zero, robust }
    }

    /// The straight part over some rows.
    fn part(&self, chosen: &[usize], x: &dyn Fn(&Reading) -> f64, through_zero: bool) -> Result<LinearPart, Unsolved> {
        let x: Vec<f64> = chosen.iter().map(|&row| x(&self.rows[row])).collect();
        let y: Vec<f64> = chosen.iter().map(|&row| self.rows[row].reading).collect();
        linear_part(&x, &y, self.weights_of(chosen).as_deref(), self.rules(through_zero))
    }

    fn of(&self, chosen: &[usize], value: Setting) -> Vec<f64> {
        chosen.iter().map(|&row| value(&self.rows[row])).collect()
    }

    fn weights_of(&self, chosen: &[usize]) -> Option<Vec<f64>> {
        self.weights.as_ref().map(|weights| chosen.iter().map(|&row| weights[row]).collect())
    }

    /// The line with something held fixed; `None` where nothing else was varied there. Rows beyond its linear part are
    /// marked.
    fn line(&self, fixed: Held, value: f64, is_linear: &mut [bool]) -> Result<Option<Line>, Unsolved> {
        let (held, varied): (Setting, Setting) = match fixed {
            Held::Frequency => (|row| row.frequency_hz, |row| row.voltage_v),
            Held::Voltage => (|row| row.voltage_v, |row| row.frequency_hz),
        };
        let chosen: Vec<usize> = (0..self.rows.len()).filter(|&row| same(held(&self.rows[row]), value)).collect();
        let settings = distinct(chosen.iter().map(|&row| varied(&self.rows[row])));
        // With the generator off nothing rises with frequency.
        if settings.len() < 2 || (fixed == Held::Voltage && value == 0.0) {
            return Ok(None);
        }
        let part = self.part(&chosen, &varied, false)?;
        for &row in &chosen {
            let setting = varied(&self.rows[row]);
            is_linear[row] &= setting <= part.through || same(setting, part.through);
        }
        let [intercept, slope] = [0, 1].map(|number| part.fit.coefficient(number));
        Ok(Some(Line {
            fixed,
            value,
            readings: chosen.len(),
            points: part.points,
            slope: slope.value,
            slope_ci95: slope.ci95,
            intercept: intercept.value,
            intercept_ci95: intercept.ci95,
            r_squared: part.fit.r_squared(),
            residual_deviation: part.fit.variance.map(f64::sqrt),
            lack_of_fit: part.lack_of_fit,
            linear_up_to: part.end.map(|end| end.at),
            linear_up_to_interval: part.end.map(|end| bounded(end.interval)),
            linear_up_to_reading: part.end.map(|end| end.reading),
            linear_through: part.through,
            is_judged: part.is_judged,
        }))
    }

    fn joint(&self, is_linear: &[bool], warnings: &mut Vec<Finding>) -> Result<Joint, Unsolved> {
        let all: Vec<usize> = (0..self.rows.len()).collect();
        let mut chosen: Vec<usize> = all.iter().copied().filter(|&row| is_linear[row]).collect();
        if chosen.iter().filter(|&&row| self.rows[row].voltage_v > 0.0).count() < 2 {
            warnings.push(Finding::limit(
                "no_linear_part",
                "Hardly any reading lies in the linear part of its lines; the joint model goes through all of them.",
            ));
            chosen = all.clone();
        }
        let part = self.part(&all, &product, true)?;
        let mut fitted = chosen.clone();
        let fit = if part.is_judged {
            // The gain is that of the run that agrees with it, so that the beginning of a bend does not lower it.
            let is_below = |row: &usize, end: f64| product(&self.rows[*row]) <= end * (1.0 + SAME);
            fitted = all.iter().copied().filter(|row| is_below(row, part.reaches)).collect();
            chosen.retain(|row| is_below(row, part.through));
            part.fit
        } else {
            let [x, y] = [product, |row: &Reading| row.reading].map(|of| self.of(&chosen, of));
            let solve = if self.settings.robust { robust } else { linear };
            solve(&[x], &y, self.weights_of(&chosen).as_deref())?
        };
        let gain = fit.coefficient(0);
        let deviation = |&row: &usize| {
            let row = &self.rows[row];
            (100.0 * (row.reading / (gain.value * product(row)) - 1.0), [row.voltage_v, row.frequency_hz])
        };
        let above = |least: f64| -> Vec<usize> {
            let is_above = |row: &Reading| row.voltage_v > 0.0 && (gain.value * product(row)).abs() >= least;
            chosen.iter().copied().filter(|&row| is_above(&self.rows[row])).collect()
        };
        let looked_at = Some(above(self.resolution / self.settings.tolerance)).filter(|rows| !rows.is_empty());
        let looked_at = looked_at.unwrap_or_else(|| above(0.0));
        let largest = looked_at.iter().map(deviation).max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let (max_deviation_percent, max_deviation_at) = largest.unwrap_or((0.0, [0.0; 2]));
        // Three in four of the readings tell whether one gain holds, whatever a stray or two may be.
        let mut off: Vec<f64> = looked_at.iter().map(|row| deviation(row).0.abs()).collect();
        off.sort_by(f64::total_cmp);
        let holds = off.get(off.len() * 3 / 4).is_none_or(|percent| *percent <= 100.0 * self.settings.tolerance);
        let is_proportional = part.is_judged && gain.value > 0.0 && holds;
        let per = |reading: f64| is_proportional.then_some(reading);
        let (y, weights) = (self.of(&fitted, |row| row.reading), self.weights_of(&fitted));
        Ok(Joint {
            gain: gain.value,
            gain_ci95: gain.ci95,
            r_squared: fit.r_squared_about_zero(),
            points: fitted.len(),
            max_deviation_percent,
            max_deviation_at,
            lack_of_fit: self.joint_lack_of_fit(&fit, &fitted, &y, weights.as_deref()),
            is_proportional,
            linear_up_to_v_hz: part.end.map(|end| end.at),
            linear_up_to_v_hz_interval: part.end.map(|end| bounded(end.interval)),
            linear_up_to_reading: part.end.map(|end| end.reading),
            linear_up_to_reading_interval: part.end.map(|end| bounded(end.reading_interval)),
            per_slew_rms: per(gain.value / (2.0 * PI)),
            per_slew_mean_abs: per(gain.value / (4.0 * SQRT_2)),
            exponents: self.exponents(&chosen, self.weights_of(&chosen).as_deref()),
        })
    }

    fn joint_lack_of_fit(&self, fit: &Fit, chosen: &[usize], y: &[f64], weights: Option<&[f64]>) -> Option<LackOfFit> {
        let rows: Vec<Reading> = chosen.iter().map(|&row| self.rows[row]).collect();
        crate::uncertainty::regression::lack_of_fit(fit, &places(&rows), y, weights)
    }

    /// ln reading = ln a + p ln V + q ln f. Readings in proportion to their size scatter evenly in the logarithm.
    fn exponents(&self, chosen: &[usize], weights: Option<&[f64]>) -> Option<[Fitted; 2]> {
        let rows = chosen.iter().map(|&row| self.rows[row]);
        let weight = |number: usize| weights.map_or(1.0, |weights| weights[number]);
        let usable: Vec<(usize, Reading)> =
            rows.enumerate().filter(|(_, row)| row.voltage_v > 0.0 && row.reading > 0.0).collect();
        if usable.len() < chosen.iter().filter(|&&row| self.rows[row].voltage_v > 0.0).count() {
            return None;
        }
        let column = |value: &dyn Fn(&Reading) -> f64| usable.iter().map(|(_, row)| value(row)).collect::<Vec<f64>>();
        let columns = [column(&|_| 1.0), column(&|row| row.voltage_v.ln()), column(&|row| row.frequency_hz.ln())];
        // The variance of a logarithm is that of the reading over its square.
        let weights: Vec<f64> = usable.iter().map(|(number, row)| weight(*number) * row.reading.powi(2)).collect();
        let solve = if self.settings.robust { robust } else { linear };
        let fit = solve(&columns, &column(&|row| row.reading.ln()), Some(&weights)).ok()?;
        Some([fit.coefficient(1), fit.coefficient(2)])
    }
}

/// An interval whose end may be missing.
fn bounded(interval: [f64; 2]) -> [Option<f64>; 2] {
    interval.map(|end| Some(end).filter(|end| end.is_finite()))
}

/// Numbers of the settings at which readings were taken.
fn places(rows: &[Reading]) -> Vec<usize> {
    let mut known: Vec<(f64, f64)> = Vec::new();
    let place = |row: &Reading, known: &mut Vec<(f64, f64)>| {
        let is_it = |&(v, f): &(f64, f64)| same(v, row.voltage_v) && same(f, row.frequency_hz);
        known.iter().position(is_it).unwrap_or_else(|| {
            known.push((row.voltage_v, row.frequency_hz));
            known.len() - 1
        })
    };
    rows.iter().map(|row| place(row, &mut known)).collect()
}

fn point(row: &Reading, is_linear: bool, gain: f64) -> Point {
    let product = row.frequency_hz * row.voltage_v;
    let model = gain * product;
    Point {
        voltage_v: row.voltage_v,
        frequency_hz: row.frequency_hz,
        reading: row.reading,
        model,
        deviation_percent: Some(100.0 * (row.reading / model - 1.0)).filter(|percent| percent.is_finite()),
        is_linear,
        slew_rms: 2.0 * PI * product,
        slew_mean_abs: 4.0 * SQRT_2 * product,
    }
}

/// The coarsest of 1, 2, 5 times a power of ten that all readings are whole multiples of.
fn resolution(rows: &[Reading]) -> Option<f64> {
    /// Fewer different readings are multiples of something by chance.
    const FEWEST: usize = 5;
    let values = distinct(rows.iter().map(|row| row.reading.abs()).filter(|size| *size > 0.0));
    if values.len() < FEWEST {
        return None;
    }
    let largest = values.last()?.log10().floor();
    let steps = (0i8..16).flat_map(|down| [5.0, 2.0, 1.0].map(|m| m * 10f64.powf(largest - f64::from(down))));
    let fits = |step: f64| values.iter().all(|v| (v / step - (v / step).round()).abs() < 1e-6 * (v / step).max(1.0));
    // Beyond some digits everything is a multiple.
    steps.take_while(|step| values[values.len() - 1] / step < 1e5).find(|&step| fits(step))
}

fn repeatability(rows: &[Reading]) -> Option<Repeatability> {
    let places = places(rows);
    let count = places.iter().max()? + 1;
    let (mut squares, mut degrees, mut settings) = (0.0, 0.0, 0);
    for place in 0..count {
        let of: Vec<f64> = rows.iter().zip(&places).filter(|(_, p)| **p == place).map(|(row, _)| row.reading).collect();
        if of.len() > 1 {
            let mean = of.iter().sum::<f64>() / of.len() as f64;
            squares += of.iter().map(|reading| (reading - mean).powi(2)).sum::<f64>();
            degrees += of.len() as f64 - 1.0;
            settings += 1;
        }
    }
    let mean = rows.iter().map(|row| row.reading.abs()).sum::<f64>() / rows.len() as f64;
    (degrees > 0.0).then(|| {
        let deviation = (squares / degrees).sqrt();
        Repeatability { deviation, relative: if mean > 0.0 { deviation / mean } else { 0.0 }, degrees, settings }
    })
}

/// How many times the scatter of repeats is larger in the upper half of the settings, where that is much; none where both
/// halves do not tell.
fn growth(rows: &[Reading]) -> Option<f64> {
    /// Less is no reason for other weights.
    const MUCH: f64 = 3.0;
    let middle = median_of_two(rows.iter().map(product).collect());
    let deviation = |is_upper: bool| {
        let half: Vec<Reading> = rows.iter().filter(|row| (product(row) > middle) == is_upper).copied().collect();
        repeatability(&half).filter(|found| found.degrees >= 5.0 && found.deviation > 0.0).map(|found| found.deviation)
    };
    deviation(true).zip(deviation(false)).map(|(upper, lower)| upper / lower).filter(|growth| *growth >= MUCH)
}

/// Readings far from others at the same settings, by their lines; none without repeats that tell.
fn strays(rows: &[Reading], tolerance: f64) -> Option<Finding> {
    /// So many robust standard deviations are no scatter.
    const FAR: f64 = 8.0;
    /// More lines are not named.
    const MOST: usize = 5;
    let places = places(rows);
    let off = |row: usize| {
        let here: Vec<usize> = (0..rows.len()).filter(|&other| places[other] == places[row]).collect();
        // Of two either may be the stray; of three and more it is the one far from their median.
        let beside = |other: &usize| here.len() > 2 || *other != row;
        let beside: Vec<f64> = here.iter().copied().filter(beside).map(|other| rows[other].reading).collect();
        let middle = (!beside.is_empty()).then(|| median_of_two(beside))?;
        let scale = rows[row].reading.abs().max(middle.abs());
        Some((row, (rows[row].reading - middle) / if scale > 0.0 { scale } else { 1.0 }, middle))
    };
    let off: Vec<(usize, f64, f64)> = (0..rows.len()).filter_map(off).collect();
    if off.is_empty() {
        return None;
    }
    let usual = OVER_MEDIAN * median_of_two(off.iter().map(|row| row.1.abs()).collect());
    // A step of the indicator is no stray.
    let step = resolution(rows).unwrap_or(0.0);
    let is_far = |&&(row, off, middle): &&(usize, f64, f64)| {
        off.abs() > (FAR * usual).max(tolerance) && (rows[row].reading - middle).abs() > 2.0 * step
    };
    let far: Vec<&(usize, f64, f64)> = off.iter().filter(is_far).collect();
    let named = far.iter().take(MOST).map(|(row, _, middle)| {
        format!("{} in line {} (beside {})", rows[*row].reading, rows[*row].line, (1e6 * middle).round() / 1e6)
    });
    let named = named.collect::<Vec<_>>().join(", ");
    let rest = if far.len() > MOST { format!(" and {} more", far.len() - MOST) } else { String::new() };
    (!far.is_empty()).then(|| {
        Finding::limit(
            "stray_readings",
            format!(
                "Readings far from others at the same settings: {named}{rest}; look whether they were written down wrong, \
                 and let readings that went wrong count less with --robust."
            ),
        )
    })
}

/// Contours at round readings, as far as two frequencies reach them below the end of the linear range.
fn contours(rows: &[Reading], frequencies: &[f64], top: f64) -> Vec<Contour> {
    /// More would hide one another in a picture.
    const MOST: usize = 5;
    let courses: Vec<(f64, Vec<(f64, f64)>)> = frequencies.iter().map(|&f| (f, course(rows, f))).collect();
    let readings = || rows.iter().map(|row| row.reading).filter(|reading| *reading > 0.0);
    let (least, most) = (readings().fold(f64::INFINITY, f64::min), readings().fold(0.0, f64::max).min(top));
    // Also where no reading is above zero.
    if least >= most {
        return Vec::new();
    }
    let mut found: Vec<Contour> = Vec::new();
    let mut power = 10f64.powf(least.log10().floor());
    while power <= most {
        let round = [1.0, 2.0, 5.0].map(|m| m * power);
        let within = round.into_iter().filter(|reading| (least..=most).contains(reading));
        found.extend(within.map(|reading| contour(reading, &courses)).filter(|contour| contour.points.len() > 1));
        power *= 10.0;
    }
    // The ones that most frequencies reach tell most; they are shown from the lowest on.
    found.sort_by(|a, b| b.points.len().cmp(&a.points.len()).then(b.reading.total_cmp(&a.reading)));
    found.truncate(MOST);
    found.sort_by(|a, b| a.reading.total_cmp(&b.reading));
    found
}

/// Voltage and mean reading at a frequency, from the lowest voltage on.
fn course(rows: &[Reading], frequency: f64) -> Vec<(f64, f64)> {
    let of: Vec<&Reading> = rows.iter().filter(|row| same(row.frequency_hz, frequency)).collect();
    let mean = |voltage: f64| {
        let at = of.iter().filter(|row| same(row.voltage_v, voltage));
        let (sum, count) = at.fold((0.0, 0.0), |(sum, count), row| (sum + row.reading, count + 1.0));
        (voltage, sum / count)
    };
    distinct(of.iter().map(|row| row.voltage_v)).into_iter().map(mean).collect()
}

fn contour(reading: f64, courses: &[(f64, Vec<(f64, f64)>)]) -> Contour {
    let crossing = |(frequency, course): &(f64, Vec<(f64, f64)>)| {
        let pair =
            course.windows(2).find(|pair| pair[0].1 <= reading && reading <= pair[1].1 && pair[0].1 < pair[1].1)?;
        let share = (reading - pair[0].1) / (pair[1].1 - pair[0].1);
        let voltage_v = pair[0].0 + share * (pair[1].0 - pair[0].0);
        (voltage_v > 0.0).then_some(Crossing { frequency_hz: *frequency, voltage_v })
    };
    let points: Vec<Crossing> = courses.iter().filter_map(crossing).collect();
    let column = |value: &dyn Fn(&Crossing) -> f64| points.iter().map(value).collect::<Vec<f64>>();
    let columns = [column(&|_| 1.0), column(&|point| (point.frequency_hz / 1e3).ln())];
    let fit = linear(&columns, &column(&|point| point.voltage_v.ln()), None).ok();
    Contour {
        reading,
        coefficient: fit.as_ref().map(|fit| fit.coefficients[0].exp()),
        exponent: fit.as_ref().map(|fit| fit.coefficient(1)),
        r_squared: fit.as_ref().and_then(Fit::r_squared),
        points,
    }
}

fn findings(
    lines: &[Line],
    joint: &Joint,
    rows: &[Reading],
    resolution: Option<f64>,
    settings: ResponseSettings,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    let short = lines.iter().filter(|line| !line.is_judged).count();
    if short > 0 {
        findings.push(Finding::limit(
            "line_not_judged",
            format!("{short} of {} lines have fewer than three settings, or no run of them that lies on a line within the tolerance; where their range ends is not judged.", lines.len()),
        ));
    }
    let bent = lines.iter().filter(|line| line.lack_of_fit.is_some_and(|lack| lack.probability < 0.01)).count();
    if bent > 0 {
        findings.push(Finding::note(
            "bent_within_tolerance",
            format!("{bent} of {} lines miss their readings by more than the repeats scatter (lack of fit, below 1 %), though within the tolerance.", lines.len()),
        ));
    }
    if let Some(strays) = strays(rows, settings.tolerance).filter(|_| !settings.robust) {
        findings.push(strays);
    }
    if let Some(growth) = growth(rows).filter(|_| settings.weights == Weights::Equal) {
        findings.push(Finding::note(
            "scatter_grows",
            format!("Large readings repeat {growth:.0} times less well than small ones, and all count the same here: --weights relative lets the small ones count more."),
        ));
    }
    if joint.max_deviation_percent.abs() > 100.0 * settings.tolerance {
        findings.push(Finding::limit(
            "not_one_gain",
            format!(
                "One gain for all does not hold within {:.3} %: at {} V and {} Hz the reading is {:+.1} % off; use the lines.",
                100.0 * settings.tolerance, joint.max_deviation_at[0], joint.max_deviation_at[1], joint.max_deviation_percent
            ),
        ));
    }
    let smallest =
        rows.iter().filter(|row| row.voltage_v > 0.0).map(|row| row.reading.abs()).fold(f64::INFINITY, f64::min);
    if let Some(step) = resolution
        && smallest < step / settings.tolerance
    {
        findings.push(Finding::note(
            "coarse_readings",
            format!("The smallest readings are coarse: below a reading of {} a step of {step} is more than the tolerance; the largest deviation is looked for above.", (1e6 * step / settings.tolerance).round() / 1e6),
        ));
    }
    findings
}
