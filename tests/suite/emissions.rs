//! Emissions: synthetic scenes with known lines, what must not be taken for a line, and the studio's built-in truth.
//!
//! Expected values are closed forms of the signals built here; the floor's median and prominences are held against
//! SciPy (`fixtures/reference/make_peak_vectors.py`).

use std::f64::consts::TAU;

use linewake::analysis::emissions::{CaptureEmissions, EmissionRow, emissions_of_recording};
use linewake::analysis::settings::Settings;
use linewake::capture::Role;
use linewake::compare::emissions::Whereabouts;
use linewake::dsp::peaks::{peaks, running_median};
use linewake::measure::emissions::{Criteria, Manner};
use linewake::survey::studio::{Kind, LOADS, State, Studio};
use linewake::synth::{Envelope, KeyedTone, ModulatedTone, Source, Swing, Tone};
use linewake::units::Band;

use super::signals::{RATE, memory, samples_in, sine, sum, white};

#[path = "../../examples/emissions/scenes.rs"]
mod scenes;

use scenes::{Scene, Score, score};

/// The density of the noise of these tests, in V²/Hz: 14.1 µV in 200 Hz.
const DENSITY: f64 = 1e-12;

fn found(wire: &[f64], settings: &Settings) -> CaptureEmissions {
    emissions_of_recording(memory(&[wire], 1 << 16), settings, Criteria::default()).unwrap()
}

fn wire(capture: &CaptureEmissions) -> &[EmissionRow] {
    &capture.channels[0].emissions
}

fn kilohertz(rows: &[EmissionRow]) -> Vec<f64> {
    rows.iter().map(|row| (row.frequency_hz / 10.0).round() / 100.0).collect()
}

#[test]
fn medians_and_prominences_agree_with_scipy() {
    let reference: serde_json::Value =
        serde_json::from_str(include_str!("../../fixtures/reference/scipy_peaks.json")).unwrap();
    let numbers = |name: &str| -> Vec<f64> {
        reference[name].as_array().unwrap().iter().map(|value| value.as_f64().unwrap()).collect()
    };
    let row = numbers("row");
    let width = usize::try_from(reference["median_width"].as_u64().unwrap()).unwrap();
    assert_eq!(running_median(&row, width), numbers("medians"));
    let found = peaks(&row, 0.0);
    assert_eq!(found.iter().map(|peak| peak.index as f64).collect::<Vec<_>>(), numbers("peaks"));
    assert_eq!(found.iter().map(|peak| peak.prominence).collect::<Vec<_>>(), numbers("prominences"));
    assert!(found.len() > 40);
}

/// The example runs 200 scenes a row; its table stands in DEVELOPERS.md.
#[test]
fn lines_are_found_where_they_are_and_nowhere_else() {
    let scene = Scene { rate_hz: RATE, seconds: 0.2, resolution_hz: 200.0, over_floor_db: (6.0, 40.0) };
    let score = score(scene, 30, 7);
    assert!(score.built_in > 150);
    assert!(score.found as f64 >= 0.99 * score.built_in as f64, "{} of {}", score.found, score.built_in);
    assert!(10 * score.false_finds <= 30, "{} false", score.false_finds);
    assert!(score.frequency_errors.iter().all(|error| error.abs() < 0.05));
    // Nobody can do better than the bound of Cramér and Rao; a fifth more is allowed.
    let (error, _) = Score::of(&score.level_errors, 0.2);
    let (bound, _) = Score::of(&score.bounds_db, 1.0);
    assert!(error < 1.2 * bound, "{error} dB, bound {bound} dB");
    let held = |covered: usize| covered as f64 / score.found as f64;
    assert!(held(score.level_covered) > 0.92 && held(score.frequency_covered) > 0.92);
}

#[test]
fn levels_are_within_a_fifth_of_a_decibel_where_noise_allows_it() {
    let scene = Scene { rate_hz: RATE, seconds: 0.2, resolution_hz: 200.0, over_floor_db: (25.0, 70.0) };
    let score = score(scene, 15, 3);
    assert_eq!((score.found, score.false_finds), (score.built_in, 0), "{:?}", score.false_places);
    assert!(score.level_errors.iter().all(|error| error.abs() < 0.2), "{:?}", Score::of(&score.level_errors, 0.2));
    assert!(score.frequency_errors.iter().all(|error| error.abs() < 0.005));
}

/// 1 + m cos at 100 Hz: sidebands 20 log10(m/2), the carrier's power 1/(1 + m²/2) of all, and of the power's swing
/// 2m/(1 + m²/2).
#[test]
fn modulation_at_twice_the_mains_is_one_emission_with_sidebands() {
    let count = samples_in(0.5);
    let m = 0.4;
    let mut samples = sum(&white(DENSITY, count, 1), &sine(50.0, 1e-3, count));
    let tone = Tone { frequency_hz: 23_456.0, rms: 1e-3, phase_rad: 0.3 };
    let envelope = Envelope::Cosines(vec![(100.0, m, 0.7)]);
    ModulatedTone { tone, swings: vec![], envelope }.add_to(&mut samples, RATE);
    let capture = found(&samples, &Settings::default());
    let [row] = wire(&capture) else { panic!("{:?}", kilohertz(wire(&capture))) };
    let all = 1.0 + m * m / 2.0;
    assert!((row.frequency_hz - 23_456.0).abs() < 0.5);
    assert!((row.level_db.get() - (60.0 - 10.0 * all.log10())).abs() < 0.05, "{row:?}");
    assert_eq!(row.sidebands.len(), 1);
    assert!((row.sidebands[0].offset_hz - 100.0).abs() < 0.5 && row.sidebands[0].mains_multiple == Some(2));
    assert!((row.sidebands[0].relative_db - 20.0 * (m / 2.0).log10()).abs() < 0.2);
    assert!(row.mains_locked && (row.mains_modulation.unwrap() - 2.0 * m / all).abs() < 0.02, "{row:?}");
    assert!(row.note.contains("swells") && row.note.contains("±100 Hz"), "{}", row.note);
}

#[test]
fn a_steady_tone_is_not_locked_to_the_mains() {
    let count = samples_in(0.5);
    let samples = sum(&white(DENSITY, count, 2), &sine(40_123.0, 1e-3, count));
    let settings = Settings { mains: Some(50.0), ..Settings::default() };
    let capture = found(&samples, &settings);
    let [row] = wire(&capture) else { panic!("{:?}", kilohertz(wire(&capture))) };
    assert!(!row.mains_locked && row.manner == Manner::Steady && row.sidebands.is_empty(), "{row:?}");
    assert!(row.mains_modulation.unwrap() < 0.05);
    // The window's own width at −6 dB is two bins, 4/3 of its noise bandwidth (Heinzel and others, table of windows).
    assert!((row.bandwidth_hz / row.resolution_hz - 4.0 / 3.0).abs() < 0.1, "{row:?}");
    assert_eq!(row.signalling_band, Some("A"));
    assert_eq!(row.whereabouts, None);
}

#[test]
fn two_close_tones_are_two() {
    let count = samples_in(0.5);
    let tones = sum(&sine(50_000.0, 1e-3, count), &sine(50_150.0, 0.5e-3, count));
    let capture = found(&sum(&white(DENSITY, count, 3), &tones), &Settings::default());
    assert_eq!(kilohertz(wire(&capture)), [50.0, 50.15]);
    assert!((wire(&capture)[1].level_db.get() - 53.98).abs() < 0.2, "{:?}", wire(&capture)[1]);
}

#[test]
fn a_family_is_a_fundamental_with_its_multiples() {
    let count = samples_in(0.3);
    let mut samples = white(DENSITY, count, 4);
    for (factor, rms) in [(1.0, 2e-3), (2.0, 1e-3), (3.0, 0.6e-3)] {
        let tone = Tone { frequency_hz: factor * 31_234.0, rms, phase_rad: factor };
        let swing = Swing { deviation_hz: factor * 150.0, rate_hz: 4.0, phase_rad: 0.2 };
        ModulatedTone { tone, swings: vec![swing], envelope: Envelope::Steady }.add_to(&mut samples, RATE);
    }
    let samples = sum(&samples, &sine(70_000.0, 1e-3, count));
    let capture = found(&samples, &Settings::default());
    let rows: Vec<_> = wire(&capture).iter().map(|row| (row.harmonic, row.manner)).collect();
    let wanders = |n| (Some(n), Manner::Wandering);
    assert_eq!(rows, [wanders(1), wanders(2), (None, Manner::Steady), wanders(3)], "{:?}", kilohertz(wire(&capture)));
    for (row, rms) in [(0, 2e-3), (1, 1e-3), (3, 0.6e-3)] {
        // What wanders is taken whole: the level is that of all its power.
        assert!((20.0 * (wire(&capture)[row].rms / rms).log10()).abs() < 0.3, "{:?}", wire(&capture)[row]);
    }
}

#[test]
fn a_keyed_pair_is_two_emissions() {
    let mut samples = white(DENSITY, samples_in(0.4), 5);
    let bits = (0..64u32).map(|n| (n * n / 3) % 2 == 0).collect();
    KeyedTone { frequencies_hz: [59e3, 63e3], rms: 1e-3, bit_s: 10e-3, passed_s: 2e-3, phase_rad: 1.0, bits }
        .add_to(&mut samples, RATE);
    let capture = found(&samples, &Settings::default());
    let near = |hz: f64| wire(&capture).iter().filter(|row| (row.frequency_hz - hz).abs() < 100.0).count();
    assert_eq!((wire(&capture).len(), near(59e3), near(63e3)), (2, 1, 1), "{:?}", kilohertz(wire(&capture)));
}

#[test]
fn side_lobes_of_a_strong_tone_are_no_emissions() {
    let count = samples_in(0.3);
    // 100 dB above the floor in 200 Hz, between two bins.
    let samples = sum(&white(DENSITY, count, 6), &sine(61_733.3, 1.4, count));
    for window in ["hann", "hft95", "rectangular", "blackman_harris"] {
        let settings = Settings { window: window.parse().unwrap(), ..Settings::default() };
        let capture = found(&samples, &settings);
        assert_eq!(kilohertz(wire(&capture)), [61.73], "{window}");
        assert!((20.0 * (wire(&capture)[0].rms / 1.4).log10()).abs() < 0.01, "{window}");
    }
}

#[test]
fn a_broad_rise_of_the_noise_is_no_emission() {
    let count = samples_in(0.5);
    let base = white(DENSITY, count, 8);
    // A resonance at 40 kHz, 1.5 kHz wide: two poles of radius exp(−πB/fs).
    let radius = (-std::f64::consts::PI * 1.5e3 / RATE).exp();
    let (a, b) = (2.0 * radius * (TAU * 40e3 / RATE).cos(), radius * radius);
    let (mut last, mut before) = (0.0, 0.0);
    let hump: Vec<f64> = white(4e-14, count, 9)
        .into_iter()
        .map(|x| {
            let y = x + a * last - b * before;
            (before, last) = (last, y);
            y
        })
        .collect();
    let capture = found(&sum(&base, &hump), &Settings::default());
    assert!(wire(&capture).is_empty(), "{:?}", kilohertz(wire(&capture)));
    assert!(capture.channels[0].broad.iter().any(|rise| (rise.frequency_hz - 40e3).abs() < 1e3));
}

#[test]
fn a_drift_is_measured() {
    let count = samples_in(1.0);
    // A phase of 2π(f t + D t²/2) sweeps by D in one second.
    let sweep: Vec<f64> = (0..count)
        .map(|n| n as f64 / RATE)
        .map(|t| 1e-3 * 2f64.sqrt() * (TAU * (80e3 * t + 20.0 * t * t / 2.0).fract()).sin())
        .collect();
    let capture = found(&sum(&white(DENSITY, count, 10), &sweep), &Settings::default());
    let [row] = wire(&capture) else { panic!("{:?}", kilohertz(wire(&capture))) };
    assert_eq!(row.manner, Manner::Drifting);
    assert!((row.drift_hz.unwrap() - 20.0).abs() < 2.0, "{row:?}");
    assert!((row.frequency_hz - 80_010.0).abs() < 2.0);
}

#[test]
fn blocks_of_any_size_give_the_same_emissions() {
    let count = samples_in(0.1);
    let samples = sum(&white(DENSITY, count, 11), &sine(33_333.0, 1e-3, count));
    let of = |block| {
        let capture = emissions_of_recording(memory(&[&samples], block), &Settings::default(), Criteria::default());
        serde_json::to_string(&capture.unwrap()).unwrap()
    };
    let whole = of(count);
    assert_eq!(of(777), whole);
    assert_eq!(of(50_000), whole);
}

#[test]
fn short_and_slow_records_say_so() {
    let codes = |capture: &CaptureEmissions| capture.warnings.iter().map(|w| w.code).collect::<Vec<_>>();
    // One mains period and a half: a line is still found, at one resolution.
    let count = samples_in(0.03);
    let capture = found(&sum(&white(DENSITY, count, 12), &sine(42e3, 1e-3, count)), &Settings::default());
    assert_eq!(kilohertz(wire(&capture)), [42.0]);
    assert!(codes(&capture).contains(&"one_resolution"), "{:?}", codes(&capture));
    // Nothing but a few samples is an error with a remedy.
    let error = emissions_of_recording(memory(&[&[0.1; 2000]], 500), &Settings::default(), Criteria::default());
    let error = error.unwrap_err().to_string();
    assert!(error.contains("less than one segment") && error.contains("remedy"), "{error}");
    // Silence has no emissions.
    let capture = found(&vec![0.0; samples_in(0.1)], &Settings::default());
    assert!(wire(&capture).is_empty());
    let range = Settings { range: Band::new(2e3, 400e3).unwrap(), ..Settings::default() };
    assert!(codes(&found(&white(DENSITY, count, 13), &range)).contains(&"too_slow"));
}

/// Every frequency that the studio builds in is found, on the channel and with the behaviour built in.
#[test]
fn the_studio_has_the_emissions_that_are_built_in() {
    let studio = Studio::new(1);
    let captures = studio.captures();
    let of = |load: Option<usize>, replicate: u32| {
        let state = if load.is_some() { State::On } else { State::Background };
        let wanted = load.map(|index| LOADS[index].slug);
        let spec = captures
            .iter()
            .find(|c| c.load.map(|l| l.slug) == wanted && c.state == state && c.replicate == replicate)
            .unwrap();
        let [wire, air] = studio.render(spec);
        emissions_of_recording(memory(&[&wire, &air], 1 << 15), &Settings::default(), Criteria::default()).unwrap()
    };
    let rows = |capture: &CaptureEmissions, role: Role| {
        capture.channels.iter().find(|c| c.role == role).unwrap().emissions.clone()
    };
    let has = |rows: &[EmissionRow], hz: f64, wander: f64| {
        rows.iter().filter(|row| (row.frequency_hz - hz).abs() <= wander + 15.0).cloned().collect::<Vec<_>>()
    };
    let truths = studio.truths();
    let frequencies = truths.iter().filter(|t| t.kind == Kind::EmissionFrequency);
    let mut told = 0;
    let loads: Vec<CaptureEmissions> = (0..LOADS.len()).map(|index| of(Some(index), 1)).collect();
    let background = of(None, 1);
    for truth in frequencies {
        let capture = LOADS.iter().position(|l| l.name == truth.load).map_or(&background, |index| &loads[index]);
        let found = has(&rows(capture, truth.role), truth.value, truth.wander);
        assert_eq!(found.len(), 1, "{}", truth.what);
        told += 1;
    }
    assert!(told >= 9, "{told}");
    // The background holds the inverter on the wire, and in the air the two stations besides; nothing else.
    assert_eq!(rows(&background, Role::Wire).len(), 1);
    let air = rows(&background, Role::Air);
    let places: Vec<_> = air.iter().map(|row| row.whereabouts.unwrap()).collect();
    assert_eq!(places, [Whereabouts::Both, Whereabouts::AirOnly, Whereabouts::AirOnly]);
    // Meter signalling goes through the second capture of each case.
    let signalling = of(None, 2);
    for hz in [59e3, 63e3] {
        assert_eq!(has(&rows(&signalling, Role::Wire), hz, 50.0).len(), 1, "{hz}");
    }
    assert_eq!(rows(&signalling, Role::Wire).len(), 3);
    // The dimmer follows 1 + cos: its power swings by 4/3; the bursts of the adapter by nearly 2; all of the mains'.
    let locked = |load: usize, hz: f64, wander: f64| {
        let row = has(&rows(&loads[load], Role::Wire), hz, wander).pop().unwrap();
        assert!(row.mains_locked, "{hz}");
        row.mains_modulation.unwrap()
    };
    assert!((locked(0, 68e3, 120.0) - 4.0 / 3.0).abs() < 0.05);
    assert!(locked(2, 113e3, 150.0) > 1.8);
    // 3 mV in all, wherever its frequency is.
    let dimmer = has(&rows(&loads[0], Role::Wire), 68e3, 120.0).pop().unwrap();
    assert!((20.0 * (dimmer.rms / 3e-3).log10()).abs() < 0.8, "{dimmer:?}");
    assert_eq!((dimmer.harmonic, dimmer.manner), (Some(1), Manner::Wandering));
    // The ring of the heat pump is a broad rise, no line.
    let fan = &loads[3].channels[0];
    assert!(fan.broad.iter().any(|rise| (rise.frequency_hz - 6e3).abs() < 500.0));
    assert_eq!(kilohertz(&fan.emissions).len(), 3, "{:?}", kilohertz(&fan.emissions));
}
