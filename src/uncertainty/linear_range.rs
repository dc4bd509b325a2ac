//! Up to where readings lie on a straight line, and how sure that end is.
//!
//! The line goes through the longest run of settings from the lowest on that agree with it: none of them is surely off
//! by more than a tenth of the tolerance, so that a gentle bend does not bend the line; where fewer than five settings agree
//! so well, by a fifth, and then by half of it. From there on up the readings are held against that line; the range ends
//! where they leave it by the whole tolerance. The end lies between two settings and is interpolated; its interval reaches
//! from the last setting that is surely within the tolerance to the first that is surely beyond it, so it is no narrower
//! than the settings were spaced.

use super::regression::{Fit, LackOfFit, OVER_MEDIAN, Unsolved, lack_of_fit, linear, robust};
use super::{COVERAGE, median_of_two, student_factor};

/// Settings that differ by less, relatively, are the same.
const SAME: f64 = 1e-9;
/// The search for a longer run ends when so many settings in a row have brought none.
const PATIENCE: usize = 3;
/// A setting agrees with a line from which it is off by this fraction of the tolerance; the next where that leaves too few.
const AGREEMENT: [f64; 3] = [0.1, 0.2, 0.5];
/// So many settings make a run that is long enough.
const LONG_ENOUGH: usize = 5;
/// Rounding to a step moves a reading by half of it.
const ROUNDING: f64 = 0.5;

/// How readings are judged.
#[derive(Debug, Clone, Copy)]
pub struct Rules {
    /// The largest deviation from the line, as a fraction of it.
    pub tolerance: f64,
    /// The step of the indicator: so much is no deviation, however small the reading. Zero where it is not known.
    pub step: f64,
    /// A line through zero, with a slope only.
    pub through_zero: bool,
    /// Whether readings that went wrong count less.
    pub robust: bool,
}

/// Where readings leave the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    /// The setting at which they do.
    pub at: f64,
    /// From the last setting surely within the tolerance to the first surely beyond; infinite where none is.
    pub interval: [f64; 2],
    /// What is read there.
    pub reading: f64,
    /// What is read at the ends of the interval, as sure as readings repeat.
    pub reading_interval: [f64; 2],
}

/// The straight part of a course of readings.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearPart {
    /// The line: constant and slope, or the slope alone through zero.
    pub fit: Fit,
    /// How many readings it goes through.
    pub points: usize,
    /// How many settings these are.
    pub settings: usize,
    /// The highest setting that the line goes through.
    pub reaches: f64,
    /// Whether the test for lack of fit finds it bent; `None` without repeats.
    pub lack_of_fit: Option<LackOfFit>,
    /// Where the readings leave it; `None` where they do not, or where too few settings tell.
    pub end: Option<End>,
    /// The highest setting below that end.
    pub through: f64,
    /// Whether there were settings enough to judge, and a run of them that agrees with a line.
    pub is_judged: bool,
}

/// The readings of one setting.
struct Setting {
    x: f64,
    rows: Vec<usize>,
}

/// Groups readings by their setting, from the lowest on; settings that differ by rounding alone are one.
fn settings(x: &[f64]) -> Vec<Setting> {
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by(|&a, &b| x[a].total_cmp(&x[b]));
    let mut settings: Vec<Setting> = Vec::new();
    for row in order {
        match settings.last_mut() {
            Some(last) if x[row] - last.x <= SAME * x[row].abs() => last.rows.push(row),
            _ => settings.push(Setting { x: x[row], rows: vec![row] }),
        }
    }
    settings
}

struct Course<'a> {
    x: &'a [f64],
    y: &'a [f64],
    weights: Option<&'a [f64]>,
    rules: Rules,
    settings: Vec<Setting>,
    /// The variance of a reading of weight 1 with its degrees of freedom; `None` where nothing tells.
    scatter: Option<(f64, f64)>,
}

/// How far the readings of a setting are from the line, and how sure that is, over what is allowed there.
struct Judged {
    off: f64,
    unsure: f64,
    /// The same for half a step of the indicator.
    rounding: f64,
}

/// Finds the straight part of readings over their setting.
///
/// ```
/// use linewake::uncertainty::linear_range::{Rules, linear_part};
/// let x: Vec<f64> = (1..=10).map(f64::from).collect();
/// let y: Vec<f64> = x.iter().map(|x| (3.0 * x).min(21.0)).collect();
/// let rules = Rules { tolerance: 0.05, step: 0.0, through_zero: false, robust: false };
/// let end = linear_part(&x, &y, None, rules).unwrap().end.unwrap();
/// // The line is left by 5 % between 7, where it still holds, and 8, where 24 reads 21.
/// assert!(end.interval == [7.0, 8.0] && 7.0 < end.at && end.at < 8.0);
/// ```
///
/// # Errors
/// As [`linear`]: one setting alone, numbers that are not finite.
///
/// # Panics
/// As [`linear`].
pub fn linear_part(x: &[f64], y: &[f64], weights: Option<&[f64]>, rules: Rules) -> Result<LinearPart, Unsolved> {
    let mut course = Course { x, y, weights, rules, settings: settings(x), scatter: None };
    course.scatter = course.scatter();
    let coefficients = if rules.through_zero { 1 } else { 2 };
    let mut found = None;
    for fraction in AGREEMENT {
        let run = course.run((coefficients + 1).min(course.settings.len()), fraction)?;
        let is_long = run.agrees && run.settings >= LONG_ENOUGH.min(course.settings.len());
        found = Some(run);
        if is_long {
            break;
        }
    }
    let Some(Run { settings: run, fit, agrees }) = found else { return Err(Unsolved::NotFinite) };
    let is_judged = agrees && course.settings.len() > coefficients;
    let (end, through) = if is_judged { course.end(&fit, run) } else { (None, course.settings.len() - 1) };
    let rows = course.rows(run);
    let places: Vec<usize> =
        course.settings[..run].iter().enumerate().flat_map(|(k, s)| s.rows.iter().map(move |_| k)).collect();
    let lack_of_fit = lack_of_fit(&fit, &places, &of(y, &rows), weights.map(|w| of(w, &rows)).as_deref());
    Ok(LinearPart {
        lack_of_fit,
        points: rows.len(),
        settings: run,
        reaches: course.settings[run - 1].x,
        end,
        through: course.settings[through].x,
        is_judged,
        fit,
    })
}

/// The longest run of settings that agrees with its line.
struct Run {
    settings: usize,
    fit: Fit,
    agrees: bool,
}

fn of(values: &[f64], rows: &[usize]) -> Vec<f64> {
    rows.iter().map(|&row| values[row]).collect()
}

impl Course<'_> {
    /// The rows of the lowest settings.
    fn rows(&self, run: usize) -> Vec<usize> {
        self.settings[..run].iter().flat_map(|setting| setting.rows.iter().copied()).collect()
    }

    fn design(&self, x: f64) -> Vec<f64> {
        if self.rules.through_zero { vec![x] } else { vec![1.0, x] }
    }

    fn fit(&self, run: usize) -> Result<Fit, Unsolved> {
        let rows = self.rows(run);
        let x = of(self.x, &rows);
        let columns = if self.rules.through_zero { vec![x] } else { vec![vec![1.0; rows.len()], x] };
        let weights = self.weights.map(|weights| of(weights, &rows));
        let solve = if self.rules.robust { robust } else { linear };
        solve(&columns, &of(self.y, &rows), weights.as_deref())
    }

    /// The longest run, of the least length at least, whose settings are off its line by a fraction of the tolerance at most.
    fn run(&self, least: usize, fraction: f64) -> Result<Run, Unsolved> {
        let fit = self.fit(least)?;
        let mut run = Run { settings: least, agrees: self.agrees(&fit, least, fraction), fit };
        let mut missed = 0;
        for settings in least + 1..=self.settings.len() {
            let fit = self.fit(settings)?;
            if self.agrees(&fit, settings, fraction) {
                (run, missed) = (Run { settings, fit, agrees: true }, 0);
            } else if run.agrees {
                missed += 1;
                if missed == PATIENCE {
                    break;
                }
            }
        }
        Ok(run)
    }

    fn weight(&self, row: usize) -> f64 {
        self.weights.map_or(1.0, |weights| weights[row])
    }

    /// The mean of a setting, and the weight of that; the median where readings may have gone wrong.
    fn mean(&self, setting: &Setting) -> (f64, f64) {
        let whole: f64 = setting.rows.iter().map(|&row| self.weight(row)).sum();
        let sum: f64 = setting.rows.iter().map(|&row| self.weight(row) * self.y[row]).sum();
        let mean = if self.rules.robust { median_of_two(of(self.y, &setting.rows)) } else { sum / whole };
        (mean, whole)
    }

    /// The variance of a reading of weight 1 with its degrees of freedom: of repeats, else by the median of how far each
    /// reading is off the line between its two neighbours, which a bend moves in few places only.
    ///
    /// Source: T. Gasser, L. Sroka, C. Jennen-Steinmetz, Biometrika 73 (1986) 625-633, with a median for the mean (from
    /// memory). Neighbouring differences share readings; they count as half as many degrees of freedom.
    fn scatter(&self) -> Option<(f64, f64)> {
        let repeated = self.settings.iter().filter(|setting| setting.rows.len() > 1);
        let (mut squares, mut degrees) = (0.0, 0.0);
        for setting in repeated {
            let (mean, _) = self.mean(setting);
            squares += setting.rows.iter().map(|&row| self.weight(row) * (self.y[row] - mean).powi(2)).sum::<f64>();
            degrees += setting.rows.len() as f64 - 1.0;
        }
        if degrees > 0.0 {
            return Some((squares / degrees, degrees));
        }
        let off = |three: &[Setting]| {
            let [(low, low_weight), (middle, weight), (high, high_weight)] = [0, 1, 2].map(|k| self.mean(&three[k]));
            let share = (three[1].x - three[0].x) / (three[2].x - three[0].x);
            let scale = 1.0 / weight + (1.0 - share).powi(2) / low_weight + share * share / high_weight;
            (middle - (1.0 - share) * low - share * high).abs() / scale.sqrt()
        };
        let off: Vec<f64> = self.settings.windows(3).map(off).collect();
        let degrees = (0.5 * off.len() as f64).max(1.0);
        (!off.is_empty()).then(|| ((OVER_MEDIAN * median_of_two(off)).powi(2), degrees))
    }

    /// `coverage`: how sure "unsure" is.
    fn judged(&self, fit: &Fit, setting: &Setting, coverage: f64) -> Judged {
        // With the generator off there is nothing to be proportional to.
        if setting.x == 0.0 {
            return Judged { off: 0.0, unsure: 0.0, rounding: 0.0 };
        }
        let row = self.design(setting.x);
        let line = fit.value(&row);
        let allowed = (self.rules.tolerance * line.abs()).max(self.rules.step).max(f64::MIN_POSITIVE);
        let (mean, weight) = self.mean(setting);
        let unsure = self.scatter.map_or(0.0, |(variance, degrees)| {
            let of_mean = variance * (1.0 / weight + fit.leverage(&row));
            student_factor(coverage, degrees) * of_mean.sqrt()
        });
        let rounding = ROUNDING * self.rules.step / allowed;
        Judged { off: (mean - line).abs() / allowed, unsure: unsure / allowed, rounding }
    }

    fn agrees(&self, fit: &Fit, run: usize, fraction: f64) -> bool {
        // So that of many settings that agree none is thrown out by chance (Bonferroni).
        let coverage = 1.0 - (1.0 - COVERAGE) / run as f64;
        let judged = |setting| self.judged(fit, setting, coverage);
        self.settings[..run]
            .iter()
            .map(judged)
            .all(|judged| judged.off - judged.unsure <= judged.rounding.max(fraction))
    }

    /// Where the readings leave the line, and the number of the last setting below that.
    fn end(&self, fit: &Fit, run: usize) -> (Option<End>, usize) {
        let judged: Vec<Judged> = self.settings.iter().map(|setting| self.judged(fit, setting, COVERAGE)).collect();
        let last = judged.len() - 1;
        let Some(beyond) = (run..judged.len()).find(|&k| judged[k].off > 1.0) else { return (None, last) };
        let (below, above) = (&judged[beyond - 1], &judged[beyond]);
        let (from, to) = (self.settings[beyond - 1].x, self.settings[beyond].x);
        // Scatter may put the last setting of the run itself beyond.
        let share = ((1.0 - below.off) / (above.off - below.off)).clamp(0.0, 1.0);
        let share = if below.off < 1.0 { share } else { 0.0 };
        let within = (0..beyond).rev().find(|&k| judged[k].off + judged[k].unsure <= 1.0).unwrap_or(0);
        let surely = (beyond..judged.len()).find(|&k| judged[k].off - judged[k].unsure > 1.0);
        let high = surely.map_or(f64::INFINITY, |k| self.settings[k].x);
        let read = |k: usize| self.mean(&self.settings[k]).0;
        let (lower, upper) = (read(within), surely.map_or(f64::INFINITY, read));
        let end = End {
            at: from + share * (to - from),
            interval: [self.settings[within].x, high],
            reading: read(beyond - 1) + share * (read(beyond) - read(beyond - 1)),
            // A reading may fall again beyond the end.
            reading_interval: [
                (lower.min(upper) - self.unsure_of_mean(within)).max(0.0f64.min(lower)),
                lower.max(upper) + surely.map_or(0.0, |k| self.unsure_of_mean(k)),
            ],
        };
        (Some(end), beyond - 1)
    }

    /// The half width of the 95 % interval of a setting's mean reading.
    fn unsure_of_mean(&self, setting: usize) -> f64 {
        let (_, weight) = self.mean(&self.settings[setting]);
        self.scatter.map_or(0.0, |(variance, degrees)| student_factor(COVERAGE, degrees) * (variance / weight).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::Error;

    const RULES: Rules = Rules { tolerance: 0.05, step: 0.0, through_zero: false, robust: false };

    fn part(x: &[f64], y: &[f64], rules: Rules) -> LinearPart {
        linear_part(x, y, None, rules).map_err(|e| Error::input(format!("{e:?}"))).unwrap()
    }

    #[test]
    fn a_straight_course_has_no_end() {
        let x = [1.0, 2.0, 5.0, 10.0, 20.0];
        let found = part(&x, &x.map(|x| 7.0 * x + 1.0), RULES);
        assert!(found.end.is_none() && found.is_judged && found.settings == 5 && found.through == 20.0);
        assert!((found.fit.coefficients[1] - 7.0).abs() < 1e-12 && (found.fit.coefficients[0] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_gentle_bend_does_not_bend_the_line() {
        // 300 (1 - exp(-12 x / 300)) is 5 % below 12 x where u = 12 x / 300 solves (1 - exp(-u)) / u = 0.95: u = 0.10352,
        // x = 2.588, and the reading there is 29.51 (by hand).
        let x: Vec<f64> = (1..=60).map(|k| 0.1 * f64::from(k)).collect();
        let y: Vec<f64> = x.iter().map(|x| 300.0 * (1.0 - (-12.0 * x / 300.0).exp())).collect();
        let end = part(&x, &y, Rules { through_zero: true, ..RULES }).end.unwrap();
        // The line itself is off by a tenth of the tolerance, so the end is late by a quarter at most.
        assert!((2.588..3.235).contains(&end.at) && (29.5..36.9).contains(&end.reading), "{end:?}");
    }

    #[test]
    fn the_reading_at_the_end_is_what_is_read_there() {
        let x: Vec<f64> = (1..=40).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| (12.0 * x).min(240.0)).collect();
        let end = part(&x, &y, RULES).end.unwrap();
        assert!(end.reading == 240.0 && end.reading_interval == [240.0, 240.0], "{end:?}");
    }

    #[test]
    fn two_settings_tell_nothing_and_one_is_no_line() {
        let found = part(&[1.0, 2.0], &[1.0, 2.0], RULES);
        assert!(!found.is_judged && found.end.is_none() && found.fit.variance.is_none());
        assert_eq!(linear_part(&[1.0, 1.0], &[1.0, 1.1], None, RULES), Err(Unsolved::Dependent { column: 1 }));
        assert!(matches!(linear_part(&[1.0], &[1.0], None, RULES), Err(Unsolved::TooFew { .. })));
    }

    #[test]
    fn the_step_of_an_indicator_is_no_deviation() {
        // Readings in whole units of 0.7 x: the low ones are off by a fifth and more.
        let x: Vec<f64> = (1..=30).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| (0.7 * x).round()).collect();
        let found = part(&x, &y, Rules { step: 1.0, through_zero: true, ..RULES });
        assert!(found.end.is_none() && found.is_judged, "{:?}", found.end);
    }
}
