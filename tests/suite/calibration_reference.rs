//! What `calibrate` computes with, against NumPy and SciPy: cubics between steps, sines in stretches, and the gains of
//! two networks.
//!
//! The vectors in `fixtures/reference/calibration.json` were made by `make_calibration_vectors.py` beside them.

use std::f64::consts::TAU;

use linewake::analysis::calibrate::calibrate;
use linewake::analysis::settings::Settings;
use linewake::dsp::steady_sine::SteadySine;
use linewake::read::calibration::calibration;
use linewake::read::{Bytes, Source};
use linewake::uncertainty::cubic::between;
use linewake::units::Hertz;
use serde_json::Value;

use crate::signals::{RATE, samples_in, table};

/// Rounding only.
const AGREEMENT: f64 = 1e-11;
/// A sine without noise, read through side lobes of −92 dB.
const GAIN_DB: f64 = 1e-4;
const PHASE_DEG: f64 = 1e-3;

fn vectors() -> Value {
    serde_json::from_str(include_str!("../../fixtures/reference/calibration.json")).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

#[test]
fn cubics_between_steps_are_those_of_scipy() {
    let vectors = vectors();
    let cases = vectors["cubics"].as_array().unwrap();
    assert_eq!(cases.len(), 3);
    for case in cases {
        let [x, y, places, values, bends] = ["x", "y", "places", "values", "bends"].map(|key| numbers(&case[key]));
        for ((place, value), bend) in places.iter().zip(&values).zip(&bends) {
            let found = between(&x, &y, *place).unwrap();
            assert!(
                (found.value - value).abs() < 1e-9 && (found.bend - bend).abs() < 1e-9,
                "{place}: {found:?} {value}"
            );
        }
    }
}

#[test]
fn sines_in_stretches_are_those_of_numpy() {
    let vectors = vectors();
    // The formula that the vectors state.
    let record: Vec<f64> = (0..6000)
        .map(|n| {
            let angle = |hertz: f64| TAU * (hertz / 400e3 * f64::from(n)).fract();
            0.2 * (angle(21.3e3) + 0.7).cos() + 0.05 * angle(60e3).sin() + 0.4 + 0.01 * angle(23.9e3).cos()
        })
        .collect();
    let cases = vectors["sines"].as_array().unwrap();
    assert_eq!(cases.len(), 3);
    for case in cases {
        let rate = Hertz::new(case["rate"].as_f64().unwrap()).unwrap();
        let found = SteadySine::of(&[&record], rate, case["frequency"].as_f64().unwrap(), f64::INFINITY).unwrap();
        let (re, im) = (numbers(&case["re"]), numbers(&case["im"]));
        assert_eq!(found.values[0].len(), re.len());
        for (value, (re, im)) in found.values[0].iter().zip(re.iter().zip(&im)) {
            assert!((value.re - re).abs() < AGREEMENT && (value.im - im).abs() < AGREEMENT, "{value} {re} {im}");
        }
        assert!((found.noise[0] - case["noise"].as_f64().unwrap()).abs() < AGREEMENT);
    }
}

/// Sines that a network has passed, by its response as SciPy has it: gain and phase come back.
#[test]
fn gains_and_phases_of_networks_are_those_of_scipy() {
    for case in vectors()["gains"].as_array().unwrap() {
        let [frequencies, gains, phases] = ["frequency_hz", "gain_db", "phase_deg"].map(|key| numbers(&case[key]));
        let passed = |frequency: f64, db: f64, degrees: f64| -> Vec<f64> {
            let amplitude = 0.1 * 2f64.sqrt() * 10f64.powf(db / 20.0);
            let at = |n: usize| amplitude * (TAU * (frequency / RATE * n as f64).fract() + degrees.to_radians()).cos();
            (0..samples_in(0.03)).map(at).collect()
        };
        let captures: Vec<Source> = (0..frequencies.len())
            .map(|k| {
                let (wire, air) = (passed(frequencies[k], gains[k], phases[k]), passed(frequencies[k], 0.0, 0.0));
                Source::new(Bytes::new(k.to_string(), table(&["Wire (V)", "Air (V)"], &[&wire, &air])))
            })
            .collect();
        let names: Vec<String> = (0..frequencies.len()).map(|k| k.to_string()).collect();
        let text = format!(
            "[[sine]]\nchannel = \"wire\"\nother_input = \"generator\"\nlevel_v = 0.1\nfrequency_hz = {frequencies:?}\n\
             captures = {names:?}\n"
        );
        let description = calibration(&Source::new(Bytes::new("calibration.toml", text.into_bytes()))).unwrap();
        let open = |name: &str| captures[name.parse::<usize>().unwrap()].clone();
        let (_, found) = calibrate(&description, open, &Settings::default()).unwrap();
        let steps: Vec<_> = found.channels[0].gains.iter().filter(|gain| gain.observations > 0).collect();
        assert_eq!(steps.len(), gains.len());
        for ((gain, db), degrees) in steps.iter().zip(&gains).zip(&phases) {
            let phase = gain.phase_deg.unwrap();
            assert!((gain.gain_db - db).abs() < GAIN_DB, "{}: {} {db}", case["name"], gain.gain_db);
            assert!((phase - degrees).abs() < PHASE_DEG, "{}: {phase} {degrees}", case["name"]);
        }
    }
}
