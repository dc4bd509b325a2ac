//! Groups of published methods and the mains-phase map against numbers from outside.
//!
//! `fixtures/reference/scipy_groups.json` and `scipy_phase_map.json` were made by `make_scipy_vectors.py` beside them:
//! tones in closed form on the methods' own grids through numpy's transform, and SciPy's spectrogram, folded.

use linewake::dsp::window::{Taper, Window};
use linewake::measure::groups::{Grouping, Groups};
use linewake::measure::mains::{Mains, MainsSource};
use linewake::measure::phase_map::PhaseMap;
use linewake::units::{Band, Hertz};
use serde_json::Value;

use crate::dsp_reference::lcg;

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

fn mains(frequency_hz: f64) -> Mains {
    Mains { frequency_hz, uncertainty_hz: None, nominal_hz: 50.0, source: MainsSource::Option, phase_deg: None }
}

/// Resampling adds no more than this, relative to the strongest tone: 20 log10(1 + 1e-5) is 1e-4 dB.
const RESAMPLED: f64 = 1e-5;

#[test]
fn groups_are_those_of_lines_on_the_methods_own_grid() {
    let fixture: Value = serde_json::from_str(include_str!("../../fixtures/reference/scipy_groups.json")).unwrap();
    let mains = mains(fixture["mains"].as_f64().unwrap());
    let range = Band::new(2e3, 150e3).unwrap();
    for rate in [400e3, 1e6] {
        for grouping in [Grouping::TwoHundredHertz, Grouping::TwoKilohertz] {
            let name = if grouping == Grouping::TwoKilohertz { "tones_2_khz" } else { "tones_200_hz" };
            let tones: Vec<Vec<f64>> = fixture[name].as_array().unwrap().iter().map(numbers).collect();
            let formed = |start_s: f64, samples: u32| {
                let at = |n: u32| {
                    let t = f64::from(n) / rate - start_s;
                    let tone = |tone: &Vec<f64>| {
                        2.0_f64.sqrt() * tone[1] * (std::f64::consts::TAU * (tone[0] * t).fract() + tone[2]).sin()
                    };
                    tones.iter().map(tone).sum::<f64>()
                };
                let signal: Vec<f64> = (0..samples).map(at).collect();
                let one = vec![|_: f64| 1.0];
                let mut groups = Groups::new(grouping, range, Hertz::new(rate).unwrap(), &mains, 0, one).unwrap();
                groups.push(&[&signal], &[&signal]);
                groups.finish().unwrap()
            };
            #[expect(clippy::cast_sign_loss, reason = "a number of samples")]
            let length = |seconds: f64| (seconds * rate) as u32;
            // The first interval begins where the kernel has its samples; the tones are counted from there.
            let start_s = formed(0.0, length(0.21)).1.start_s;
            let (channels, how) = formed(start_s, length(0.605));
            assert_eq!(how.intervals, 3);
            let values = &channels[0].values;
            let check = |name: &str, found: Vec<f64>| {
                let expected = numbers(&fixture[name]);
                assert_eq!(found.len(), expected.len());
                for (k, (found, expected)) in found.iter().zip(&expected).enumerate() {
                    assert!((found - expected).abs() < 2.0 * RESAMPLED, "{rate} {name} {k}: {found} {expected}");
                }
            };
            let rms = values.iter().map(|value| value.mean.sqrt()).collect();
            match grouping {
                Grouping::TwoHundredHertz => check("groups_200_hz", rms),
                Grouping::TwoKilohertz => {
                    check("bands_2_khz_rms", rms);
                    check("bands_2_khz_min", values.iter().map(|v| v.extremes.unwrap().0.sqrt()).collect());
                    check("bands_2_khz_max", values.iter().map(|v| v.extremes.unwrap().1.sqrt()).collect());
                }
            }
        }
    }
}

#[test]
fn the_phase_map_is_scipys_spectrogram_folded() {
    let fixture: Value = serde_json::from_str(include_str!("../../fixtures/reference/scipy_phase_map.json")).unwrap();
    let count = |name: &str| usize::try_from(fixture[name].as_u64().unwrap()).unwrap();
    let (columns, length, burst) = (count("columns"), count("length"), count("burst"));
    let rate = Hertz::new(fixture["rate"].as_f64().unwrap()).unwrap();
    let signal: Vec<f64> = lcg(4, count("samples"))
        .into_iter()
        .enumerate()
        .map(|(n, x)| if n % 240 < burst { 5.0 * x } else { x })
        .collect();
    let range = Band::new(300.0, 6e3).unwrap();
    let taper = Taper::new(&"hann".parse::<Window>().unwrap(), length);
    let one = |_: f64| 1.0;
    let mut map = PhaseMap::new(rate, &mains(50.0), 0, &taper, columns, (range, &[range]), &[one]);
    map.push(&[&signal], &[&signal]);
    let map = map.finish(rate, &[range]).unwrap();
    assert_eq!((map.cycles, map.frequency_hz.len()), (8.0, 16));
    for (column, expected) in fixture["density"].as_array().unwrap().iter().enumerate() {
        // SciPy gives the bin at 0 as well, which lies outside the range.
        for (k, expected) in numbers(expected)[1..].iter().enumerate() {
            let found = map.channels[0].density[[column, k]];
            assert!((found / expected - 1.0).abs() < 1e-9, "{column} {k}: {found} {expected}");
        }
    }
}
