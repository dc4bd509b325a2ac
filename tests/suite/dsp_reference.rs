//! The dsp room against numbers from outside: SciPy, and the published table of windows.
//!
//! The vectors in `fixtures/reference/scipy_*.json` were made by `make_scipy_vectors.py` beside them.

use std::f64::consts::TAU;

use linewake::dsp::cross::{coherence, transfer};
use linewake::dsp::filter::HighPass;
use linewake::dsp::segment::Hop;
use linewake::dsp::welch::Welch;
use linewake::dsp::window::{Taper, WINDOWS, Window};
use linewake::units::Hertz;
use serde_json::Value;

/// Both sides compute in doubles and differ by rounding only.
const AGREEMENT: f64 = 1e-9;

fn fixture(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

fn hertz(value: &Value) -> Hertz {
    Hertz::new(value.as_f64().unwrap()).unwrap()
}

fn window(value: &Value) -> Window {
    value.as_str().unwrap().parse().unwrap()
}

fn count(value: &Value) -> usize {
    usize::try_from(value.as_u64().unwrap()).unwrap()
}

/// The generator of `make_scipy_vectors.py`.
pub(crate) fn lcg(seed: u64, count: usize) -> Vec<f64> {
    let next =
        |state: &u64| Some(state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407));
    std::iter::successors(Some(seed), next)
        .skip(1)
        .map(|state| (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5)
        .take(count)
        .collect()
}

/// The two channels of `make_scipy_vectors.py`.
fn channels(count: usize) -> (Vec<f64>, Vec<f64>) {
    let (common, own) = (lcg(1, count), lcg(2, count));
    let x = common.iter().map(|common| 3.0 + common).collect();
    let y = own.iter().enumerate().map(|(n, own)| if n < 2 { -1.0 + own } else { -1.0 + own + 0.5 * common[n - 2] });
    (x, y.collect())
}

/// Every value agrees within [`AGREEMENT`] of the scale that belongs to it.
fn check(what: &str, found: &[f64], expected: &[f64], scale: &[f64]) {
    assert_eq!(found.len(), expected.len(), "{what}");
    for (n, ((found, expected), scale)) in found.iter().zip(expected).zip(scale).enumerate() {
        assert!((found - expected).abs() <= AGREEMENT * scale, "{what}, value {n}: {found}, expected {expected}");
    }
}

#[test]
fn windows_are_those_of_scipy() {
    let fixture = fixture(include_str!("../../fixtures/reference/scipy_windows.json"));
    let rows = fixture["windows"].as_array().unwrap();
    for row in rows {
        let expected = numbers(&row["values"]);
        let found = window(&row["window"]).coefficients(expected.len());
        let peak = expected.iter().fold(0.0, |peak: f64, value| peak.max(value.abs()));
        check(&row["window"].to_string(), &found, &expected, &vec![peak; expected.len()]);
    }
    let named = |name: &str| rows.iter().any(|row| window(&row["window"]).name() == name);
    assert!(WINDOWS.iter().all(|kind| named(kind.name)));
}

#[test]
fn spectra_are_those_of_scipy() {
    let fixture = fixture(include_str!("../../fixtures/reference/scipy_spectra.json"));
    let (x, y) = channels(count(&fixture["samples"]));
    for case in fixture["cases"].as_array().unwrap() {
        let taper = Taper::new(&window(&case["window"]), count(&case["length"]));
        let mut welch = Welch::new(hertz(&fixture["rate"]), taper, Hop::Samples(count(&case["hop"])), 2, true);
        welch.push(&[&x, &y]);
        let result = welch.finish().unwrap();
        let (gxx, gyy) = (result.channels[0].mean.values(), result.channels[1].mean.values());
        let gxy = &result.cross[0].values;
        let (expected_x, expected_y) = (numbers(&case["gxx"]), numbers(&case["gyy"]));
        check("Gxx", gxx, &expected_x, &expected_x);
        check("Gyy", gyy, &expected_y, &expected_y);

        let (re, im) = (numbers(&case["gxy_re"]), numbers(&case["gxy_im"]));
        let size: Vec<f64> = re.iter().zip(&im).map(|(re, im)| re.hypot(*im)).collect();
        check("Re Gxy", &gxy.iter().map(|g| g.re).collect::<Vec<_>>(), &re, &size);
        check("Im Gxy", &gxy.iter().map(|g| g.im).collect::<Vec<_>>(), &im, &size);

        let expected = numbers(&case["coherence"]);
        check("coherence", &coherence(gxx, gyy, gxy), &expected, &expected);
        let gain: Vec<f64> = transfer(gxx, gxy).iter().map(|h| h.norm()).collect();
        let expected: Vec<f64> = size.iter().zip(&expected_x).map(|(size, gxx)| size / gxx).collect();
        check("H1", &gain, &expected, &expected);
    }
}

#[test]
fn the_high_pass_is_that_of_scipy() {
    let fixture = fixture(include_str!("../../fixtures/reference/scipy_highpass.json"));
    for case in fixture["cases"].as_array().unwrap() {
        let mut filter = HighPass::new(hertz(&case["cutoff"]), hertz(&case["rate"])).unwrap();
        let expected = numbers(&case["output"]);
        let mut samples: Vec<f64> = lcg(3, expected.len()).iter().map(|x| 325.0 + x).collect();
        filter.process(&mut samples);
        // The offset of 325 is what both sides round against.
        check("output", &samples, &expected, &vec![1.0; expected.len()]);
        let expected = numbers(&case["power_response"]);
        let found: Vec<f64> = numbers(&case["frequencies"]).iter().map(|f| filter.power_response(*f)).collect();
        // At 1 Hz the coefficients themselves, rounded to doubles, hold the pole pair to eight digits.
        for (found, expected) in found.iter().zip(&expected) {
            assert!((found / expected - 1.0).abs() < 1e-7, "{found} {expected}");
        }
    }
}

/// The response of a window to a sine so many bins from the middle of a bin, over that in the middle, in dB.
fn response_db(window: &[f64], bins: f64) -> f64 {
    let n = window.len() as f64;
    let sum: f64 = window.iter().sum();
    let response: f64 = window.iter().enumerate().map(|(j, w)| w * (TAU * bins * (j as f64 / n - 0.5)).cos()).sum();
    20.0 * (response / sum).abs().log10()
}

fn noise_bandwidth(window: &[f64]) -> f64 {
    let (sum, squares) = window.iter().fold((0.0, 0.0), |(sum, squares), w| (sum + w, squares + w * w));
    window.len() as f64 * squares / (sum * sum)
}

/// Twice the distance where the response is down by exactly 3 dB.
fn width_3db(window: &[f64]) -> f64 {
    let (mut inside, mut outside) = (0.0, 4.0);
    for _ in 0..40 {
        let middle = 0.5 * (inside + outside);
        *(if response_db(window, middle) > -3.0 { &mut inside } else { &mut outside }) = middle;
    }
    2.0 * inside
}

fn amplitude_error_db(window: &[f64]) -> f64 {
    (0..=100).map(|step| response_db(window, 0.005 * f64::from(step)).abs()).fold(0.0, f64::max)
}

/// How far the highest response behind the first null lies below the middle.
fn side_lobe_db(window: &[f64]) -> f64 {
    let start = 0.5 * width_3db(window);
    let along: Vec<f64> = (0..1600).map(|step| response_db(window, start + 0.01 * f64::from(step))).collect();
    let null = along.windows(2).position(|pair| pair[1] > pair[0]).unwrap();
    -along[null..].iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// The overlap in percent where amplitude flatness less overlap correlation is largest, on the grid of the samples.
fn best_overlap_percent(window: &[f64]) -> f64 {
    let n = window.len();
    let merit = |overlap: usize| {
        let hop = n - overlap;
        let mut sums = vec![0.0; hop];
        window.iter().enumerate().for_each(|(j, w)| sums[j % hop] += w);
        let low = sums.iter().copied().fold(f64::INFINITY, f64::min);
        let high = sums.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let shifted: f64 = (hop..n).map(|j| window[j] * window[j - hop]).sum();
        low / high - shifted / window.iter().map(|w| w * w).sum::<f64>()
    };
    let best = (0..9 * n / 10).max_by(|a, b| merit(*a).total_cmp(&merit(*b))).unwrap();
    100.0 * best as f64 / n as f64
}

/// Heinzel, Ruediger, Schilling 2002, table of windows: each figure within about one unit of its last digit. One
/// stands out: the 3 dB width of hft95 is published as 3.7590 and comes out as 3.7592 from its terms.
#[test]
fn windows_have_their_published_figures() {
    for kind in WINDOWS {
        let window: Window = kind.name.parse().unwrap();
        let samples = window.coefficients(1000);
        let figures = kind.figures;
        let error_db = figures.max_amplitude_error_db.abs();
        let width_unit = if kind.name == "hft95" { 2e-4 } else { 1.2e-4 };
        for (what, found, published, last_digit) in [
            ("noise bandwidth", noise_bandwidth(&samples), figures.noise_bandwidth_bins, 1e-4),
            ("noise bandwidth of the room", window.noise_bandwidth_bins(), figures.noise_bandwidth_bins, 1e-4),
            ("3 dB width", width_3db(&samples), figures.width_3db_bins, width_unit),
            ("amplitude error", amplitude_error_db(&samples), error_db, 1e-4),
            ("amplitude error of the room", window.max_amplitude_error_db().abs(), error_db, 1e-4),
            ("side lobe", side_lobe_db(&samples), figures.side_lobe_db, 0.1),
            ("overlap", best_overlap_percent(&samples), figures.overlap_percent, 0.1),
            ("overlap of the room", 100.0 * window.recommended_overlap(), figures.overlap_percent, 0.1),
        ] {
            assert!((found - published).abs() < 1.01 * last_digit, "{window} {what}: {found}, published {published}");
        }
    }
}

/// Harris, Proc. IEEE 66 (1978) 51-83, table 1, rows "Kaiser-Bessel": noise bandwidth and side lobe, rounded as
/// there (from memory). His α is β/π.
#[test]
fn kaiser_windows_have_the_figures_of_harris() {
    for (alpha, bandwidth, side_lobe) in [(2.0, 1.50, 46.0), (2.5, 1.65, 57.0), (3.0, 1.80, 69.0), (3.5, 1.93, 82.0)] {
        let window: Window = format!("kaiser:{}", alpha * std::f64::consts::PI).parse().unwrap();
        assert!((window.noise_bandwidth_bins() - bandwidth).abs() < 0.006, "{window}");
        assert!((side_lobe_db(&window.coefficients(1000)) - side_lobe).abs() < 1.0, "{window}");
    }
}
