//! From values to places: ranges, ticks at decent values, and their numbers.

use super::{Axis, PhaseAxis, Scale};

/// A tick: where it stands and what is written there; minor ticks carry no text.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tick {
    pub(super) value: f64,
    pub(super) label: Option<String>,
}

impl Tick {
    fn new(value: f64, label: impl Into<String>) -> Self {
        Self { value, label: Some(label.into()) }
    }
}

/// An axis with its range settled: maps values to pixels.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Map {
    low: f64,
    high: f64,
    logarithmic: bool,
    /// The pixels of the lowest and the highest value.
    pixels: (f64, f64),
}

impl Map {
    pub(super) fn new(scale: &Scale, (low, high): (f64, f64), pixels: (f64, f64)) -> Self {
        Self { low, high, logarithmic: *scale == Scale::LogFrequency, pixels }
    }

    /// The pixel of a value; values beyond the range lie beyond the panel, values without a place give NaN.
    pub(super) fn pixel(&self, value: f64) -> f64 {
        let share = if self.logarithmic {
            if value > 0.0 { (value / self.low).ln() / (self.high / self.low).ln() } else { f64::NAN }
        } else {
            (value - self.low) / (self.high - self.low)
        };
        let pixel = self.pixels.0 + share * (self.pixels.1 - self.pixels.0);
        // Places far outside would only cost precision.
        if pixel.is_finite() { pixel.clamp(-1e6, 1e6) } else { f64::NAN }
    }

    /// The lowest value of the axis.
    pub(super) fn low(&self) -> f64 {
        self.low
    }
}

/// The range of an axis: the one that was asked for, or what the values need. Never empty, always finite.
pub(super) fn range(axis: &Axis, values: impl Iterator<Item = f64>, padded: bool) -> (f64, f64) {
    if let Scale::Names(names) = &axis.scale {
        return (-0.5, names.len().max(1) as f64 - 0.5);
    }
    let logarithmic = axis.scale == Scale::LogFrequency;
    let usable = |v: &f64| v.is_finite() && v.abs() < 1e300 && (!logarithmic || *v > 0.0);
    let asked = axis.range.filter(|(a, b)| usable(a) && usable(b));
    let (low, high) = asked.unwrap_or_else(|| {
        values.filter(usable).fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
    });
    let (low, high) = (low.min(high), low.max(high));
    match (low.is_finite() && high.is_finite(), logarithmic) {
        (false, true) => (2e3, 150e3),
        (false, false) => (0.0, 1.0),
        (true, true) if high / low < 1.0 + 1e-6 => (low / 1.5, high * 1.5),
        (true, true) => (low, high),
        (true, false) if high - low <= 1e-9 * low.abs().max(high.abs()) => {
            let room = if low == 0.0 { 1.0 } else { 0.1 * low.abs() };
            (low - room, high + room)
        }
        (true, false) if asked.is_none() && padded => rounded_out(low, high),
        (true, false) => (low, high),
    }
}

/// A range widened a little and on to half steps of its ticks, so that data keep off the frame.
fn rounded_out(low: f64, high: f64) -> (f64, f64) {
    let pad = 0.03 * (high - low);
    let step = 0.5 * decent_step((high - low) / 5.0);
    (((low - pad) / step).floor() * step, ((high + pad) / step).ceil() * step)
}

/// The smallest of 1, 2, 5 times a power of ten that is no smaller than asked.
fn decent_step(least: f64) -> f64 {
    let power = 10_f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|m| m * power).find(|step| *step >= least * (1.0 - 1e-9)).unwrap_or(10.0 * power)
}

/// Ticks at multiples of a 1-2-5 step, no more than `most`.
pub(super) fn linear_ticks(low: f64, high: f64, most: usize) -> Vec<Tick> {
    let step = decent_step((high - low) / most.max(1) as f64);
    if !(step.is_finite() && step > 0.0) {
        return Vec::new();
    }
    // Values far from zero with a tiny spread can have a step below their own precision.
    let first = (low / step - 1e-9).ceil();
    let count = ((high / step + 1e-9).floor() - first).clamp(-1.0, 1000.0);
    let mut ticks = Vec::new();
    let mut k = 0.0;
    while k <= count {
        let value = (first + k) * step;
        ticks.push(Tick::new(value, number(value, step)));
        k += 1.0;
    }
    ticks
}

/// Ticks at 45, 90 or 180 degrees, whichever are no more than `most`.
pub(super) fn degree_ticks(low: f64, high: f64, most: usize) -> Vec<Tick> {
    let step = [45.0, 90.0].into_iter().find(|step| (high - low) / step < most as f64).unwrap_or(180.0);
    let first = (low / step - 1e-9).ceil();
    let count = ((high / step + 1e-9).floor() - first).clamp(-1.0, 1000.0);
    let value = |k: u32| (first + f64::from(k)) * step;
    (0u32..).take_while(|k| f64::from(*k) <= count).map(|k| Tick::new(value(k), number(value(k), step))).collect()
}

/// A value as text with as many places as its step needs, and a true minus sign.
fn number(value: f64, step: f64) -> String {
    let largest = value.abs().max(step);
    let text = if largest < 1e6 && step >= 0.999e-4 {
        let places = [1.0, 1e1, 1e2, 1e3].iter().position(|power| near_whole(step * power));
        format!("{value:.*}", places.unwrap_or(4))
    } else if value == 0.0 {
        "0".to_owned()
    } else {
        scientific(value, step)
    };
    if text.trim_matches(['-', '0', '.']).is_empty() { "0".to_owned() } else { text.replace('-', "−") }
}

fn near_whole(value: f64) -> bool {
    value.round() >= 1.0 && (value - value.round()).abs() < 1e-6
}

/// `2·10⁻⁷`, with as many digits as the step needs.
fn scientific(value: f64, step: f64) -> String {
    let digits = (value.abs() / step).log10().ceil();
    let places = (0..15_u8).find(|p| f64::from(*p) >= digits).unwrap_or(15);
    let text = format!("{value:.*e}", usize::from(places));
    let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    let mantissa = if mantissa.contains('.') { mantissa.trim_end_matches('0').trim_end_matches('.') } else { mantissa };
    let raised: String = exponent
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            digit => char::from_u32(0x2070 + digit.to_digit(10).unwrap_or(0)).unwrap_or(digit),
        })
        .collect();
    format!("{mantissa}·10{raised}")
}

/// Ticks of a logarithmic frequency axis in hertz: 1, 2, 5 in every decade and 150 kHz, numbered in kilohertz;
/// the other whole multiples as minor ticks. A range too narrow for three of them is divided evenly instead.
pub(super) fn frequency_ticks(low: f64, high: f64, most: usize) -> Vec<Tick> {
    let inside = |v: f64| v >= low * (1.0 - 1e-9) && v <= high * (1.0 + 1e-9);
    let named = |value: f64| Tick::new(value, number_khz(value));
    let mut ticks = Vec::new();
    for decade in -3..=12 {
        for multiple in 1..=9 {
            let value = f64::from(multiple) * 10_f64.powi(decade);
            if inside(value) {
                let major = matches!(multiple, 1 | 2 | 5);
                ticks.push(if major { named(value) } else { Tick { value, label: None } });
            }
        }
    }
    if inside(150e3) && !inside(200e3) {
        ticks.push(named(150e3));
    }
    if ticks.iter().filter(|tick| tick.label.is_some()).count() < 3 {
        let even = linear_ticks(low / 1e3, high / 1e3, most);
        return even.into_iter().map(|tick| Tick { value: tick.value * 1e3, ..tick }).collect();
    }
    ticks
}

fn number_khz(hertz: f64) -> String {
    let text = format!("{:.6}", hertz / 1e3);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Ticks of the phase of the mains at 45°, 90°, 180°, 360° or whole cycles, whichever are no more than `most`.
pub(super) fn phase_ticks(axis: &PhaseAxis, low: f64, high: f64, most: usize) -> Vec<Tick> {
    if !(axis.zero.is_finite() && axis.cycle.is_finite() && axis.cycle > 0.0) {
        return Vec::new();
    }
    let cycles = (high - low) / axis.cycle;
    let turn = [0.125, 0.25, 0.5, 1.0]
        .into_iter()
        .find(|turn| cycles / turn <= most as f64)
        .unwrap_or_else(|| decent_step(cycles / most.max(1) as f64));
    let first = ((low - axis.zero) / axis.cycle / turn - 1e-9).ceil();
    let last = ((high - axis.zero) / axis.cycle / turn + 1e-9).floor();
    let mut ticks = Vec::new();
    let mut k = first;
    while k <= last && ticks.len() < 1000 {
        // Adding zero turns minus zero into zero.
        let degrees = (k * turn * 360.0).rem_euclid(360.0).round() + 0.0;
        ticks.push(Tick::new(axis.zero + k * turn * axis.cycle, format!("{degrees:.0}")));
        k += 1.0;
    }
    ticks
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().filter_map(|tick| tick.label.as_deref()).collect()
    }

    #[test]
    fn the_frequency_axis_is_ticked_as_the_field_reads_it() {
        assert_eq!(labels(&frequency_ticks(2e3, 150e3, 9)), ["2", "5", "10", "20", "50", "100", "150"]);
        assert_eq!(labels(&frequency_ticks(1e3, 500e3, 9)), ["1", "2", "5", "10", "20", "50", "100", "200", "500"]);
        assert_eq!(labels(&frequency_ticks(9e3, 12e3, 7)), ["9.0", "9.5", "10.0", "10.5", "11.0", "11.5", "12.0"]);
    }

    #[test]
    fn linear_ticks_stand_at_decent_values() {
        assert_eq!(labels(&linear_ticks(-12.0, 31.0, 6)), ["−10", "0", "10", "20", "30"]);
        assert_eq!(labels(&linear_ticks(0.0, 1.0, 5)), ["0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert_eq!(labels(&linear_ticks(-4e-7, 4e-7, 4)), ["−4·10⁻⁷", "−2·10⁻⁷", "0", "2·10⁻⁷", "4·10⁻⁷"]);
        assert_eq!(labels(&linear_ticks(0.0, 3e9, 3)), ["0", "1·10⁹", "2·10⁹", "3·10⁹"]);
        assert!(linear_ticks(1.0, 1.0, 5).is_empty());
        assert!(linear_ticks(1e17, 1e17 + 64.0, 5).len() < 20);
    }

    #[test]
    fn a_turn_is_ticked_at_its_parts() {
        assert_eq!(labels(&degree_ticks(0.0, 360.0, 9)), ["0", "45", "90", "135", "180", "225", "270", "315", "360"]);
        assert_eq!(labels(&degree_ticks(0.0, 360.0, 5)), ["0", "90", "180", "270", "360"]);
        assert_eq!(labels(&degree_ticks(0.0, 360.0, 0)), ["0", "180", "360"]);
    }

    #[test]
    fn phase_comes_back_to_zero() {
        let axis = PhaseAxis { label: String::new(), zero: 5.0, cycle: 20.0 };
        assert_eq!(
            labels(&phase_ticks(&axis, 0.0, 40.0, 9)),
            ["270", "0", "90", "180", "270", "0", "90", "180", "270"]
        );
        assert_eq!(labels(&phase_ticks(&axis, 0.0, 40.0, 2)), ["0", "0"]);
        assert_eq!(labels(&phase_ticks(&axis, 4.0, 16.0, 9)), ["0", "45", "90", "135", "180"]);
        assert!(phase_ticks(&PhaseAxis { cycle: 0.0, ..axis }, 0.0, 40.0, 9).is_empty());
    }

    #[test]
    fn a_range_is_never_empty() {
        let axis = Axis::linear("");
        let of = |values: &[f64]| range(&axis, values.iter().copied(), true);
        assert_eq!(of(&[]), (0.0, 1.0));
        assert_eq!(of(&[f64::NAN, f64::NEG_INFINITY]), (0.0, 1.0));
        assert_eq!(of(&[0.0]), (-1.0, 1.0));
        assert_eq!(of(&[-50.0, -50.0]), (-55.0, -45.0));
        assert_eq!(of(&[1.0, 99.0]), (-10.0, 110.0));
        assert_eq!(range(&axis.clone().over(3.0, 3.0), [].into_iter(), true), (2.7, 3.3));
        assert_eq!(range(&axis.over(f64::NAN, 3.0), [7.0, 8.0].into_iter(), false), (7.0, 8.0));
        assert_eq!(range(&Axis::frequency(0.0, 10.0), [].into_iter(), false), (2e3, 150e3));
    }

    #[test]
    fn values_find_their_pixels() {
        let map = Map::new(&Scale::LogFrequency, (2e3, 200e3), (100.0, 300.0));
        assert!((map.pixel(20e3) - 200.0).abs() < 1e-9);
        assert!(map.pixel(0.0).is_nan() && map.pixel(f64::NEG_INFINITY).is_nan());
        let map = Map::new(&Scale::Linear, (0.0, 10.0), (300.0, 100.0));
        assert_eq!((map.pixel(0.0), map.pixel(10.0)), (300.0, 100.0));
        assert!(map.pixel(f64::NEG_INFINITY).is_nan());
    }
}
