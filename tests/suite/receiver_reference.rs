//! The receiver against the published table of pulses and against a second receiver.
//!
//! The vectors in `fixtures/reference/receiver.json` were made by `make_receiver_vectors.py` beside them, which works
//! sample by sample and knows nothing of this program. The published figures are those of CISPR 16-1-1, band A, pulse
//! response of quasi-peak receivers and absolute calibration; our copy is from memory, corroborated by simulation.

use std::f64::consts::TAU;

use linewake::dsp::Complex;
use linewake::measure::detector::{BANDS, DETECTORS};
use linewake::measure::receiver::{Readings, Receiver, Tuning, repeated};
use linewake::units::{Hertz, Level};
use serde_json::Value;

/// The envelopes of the reference are ten times as close in time.
const MODEL_DB: f64 = 0.02;
/// As the table of simple signals states them: 0.05 dB is asked for.
const SIMPLE_DB: f64 = 0.03;
/// The pulse of calibration may read so much beside 66 dBµV.
const ABSOLUTE_DB: f64 = 1.5;

fn vectors() -> Value {
    serde_json::from_str(include_str!("../../fixtures/reference/receiver.json")).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn one(_: f64) -> Complex<f64> {
    Complex::new(1.0, 0.0)
}

fn tuned(frequencies: &[f64]) -> Tuning {
    Tuning { band: BANDS[0], frequencies: frequencies.to_vec(), course: None }
}

fn receive(rate: f64, frequencies: &[f64], samples: &[f64]) -> Readings {
    let mut receiver = Receiver::new(Hertz::new(rate).unwrap(), &tuned(frequencies), &[one]).unwrap();
    for block in samples.chunks(1 << 17) {
        receiver.push(&[block]);
    }
    receiver.finish().unwrap().remove(0)
}

fn level(readings: &Readings, detector: &str, place: usize) -> f64 {
    Level::of_rms(readings.of(detector).unwrap()[place]).get()
}

/// Pulses of 13.5 µVs, one sample wide.
fn pulses(rate: f64, repetition: Option<f64>) -> Vec<f64> {
    let slow = repetition.is_none_or(|hertz| hertz < 5.0);
    let mut samples = vec![0.0; (rate * if slow { 4.5 } else { 2.5 }) as usize];
    let apart = rate / repetition.unwrap_or(0.1);
    for n in 0..100_000 {
        let place = (0.03 * rate + f64::from(n) * apart).round() as usize;
        let Some(sample) = samples.get_mut(place) else { break };
        *sample = 13.5e-6 * rate;
    }
    samples
}

#[test]
fn the_published_pulse_table_holds_at_two_rates_and_two_frequencies() {
    let vectors = vectors();
    let rows = vectors["pulses"].as_array().unwrap();
    assert_eq!(rows.len(), 8);
    for rate in [400e3, 1e6] {
        let quasi_peak: Vec<[f64; 2]> = rows
            .iter()
            .map(|row| {
                let readings = receive(rate, &[50.0e3, 50.05e3], &pulses(rate, row["repetition_hz"].as_f64()));
                [0, 1].map(|place| level(&readings, "quasi_peak", place))
            })
            .collect();
        for (row, found) in rows.iter().zip(&quasi_peak) {
            for (place, level) in found.iter().enumerate() {
                let relative = quasi_peak[2][place] - level;
                println!("{rate} {} {relative:.3} {level:.3}", row["repetition_hz"]);
                let published = (relative - number(&row["published_db"])).abs();
                assert!(published <= number(&row["tolerance_db"]), "{row}: {relative}");
                // Trains are not always of whole periods of 50.05 kHz, which the model takes them for; so 0.1 dB.
                assert!((relative - number(&row["simulated_db"])).abs() < 0.1, "{row}: {relative}");
                assert!((level - number(&row["quasi_peak_dbuv"])).abs() < 0.05, "{row}: {level}");
            }
        }
        let absolute = quasi_peak[2][0];
        assert!((absolute - 66.0).abs() < ABSOLUTE_DB, "{absolute}");
        assert!((absolute - number(&vectors["absolute_dbuv"])).abs() < MODEL_DB, "{absolute}");
    }
}

/// A carrier of 20 kHz at 100 kS/s: amplitude and turn of phase over time, in the RMS of the carrier.
fn simple(name: &str, t: f64) -> f64 {
    let cosine = |hertz: f64| (TAU * (hertz * t).fract()).cos();
    let tone = |offset: f64| (TAU * ((20e3 + offset) * t).fract()).cos();
    let numbers: Vec<f64> = name.split([' ', '+']).filter_map(|word| word.parse().ok()).collect();
    let amplitude = if name.starts_with("gated") {
        f64::from(u8::from((numbers[0] * t).rem_euclid(1.0) < numbers[1]))
    } else if name.starts_with("rectified") {
        (TAU * 50.0 * t).sin().abs()
    } else if name.starts_with("carrier reversed") {
        (TAU * 50.0 * t).sin()
    } else if name.ends_with("AM 1 Hz") {
        0.5 * (1.0 + cosine(1.0))
    } else if name.ends_with("mean 1") {
        1.0 + cosine(100.0)
    } else {
        1.0
    };
    let sum = if name.starts_with("two equal") {
        tone(0.0) + tone(*numbers.last().unwrap())
    } else if name.starts_with("tone offset") {
        tone(numbers[0])
    } else {
        tone(0.0)
    };
    2f64.sqrt() * amplitude * sum
}

#[test]
fn twenty_simple_signals_read_as_the_model_says() {
    let vectors = vectors();
    let rows = vectors["simple"].as_array().unwrap();
    assert_eq!(rows.len(), 20);
    let rate = 100e3;
    let edge = Receiver::new(Hertz::new(rate).unwrap(), &tuned(&[20e3]), &[one]).unwrap().edge_samples();
    for row in rows {
        let name = row["name"].as_str().unwrap();
        let slow = ["gated 2 Hz", "gated 1 Hz", "AM 1 Hz"].iter().any(|word| name.contains(word));
        // The envelope in use begins as the model's does, and lasts whole periods. Between two samples, so that an edge
        // falls on neither.
        let count = (rate * if slow { 8.0 } else { 2.0 }) as usize + 2 * edge;
        let samples: Vec<f64> = (0..count).map(|n| simple(name, (n as f64 - edge as f64 + 0.5) / rate)).collect();
        let readings = receive(rate, &[20e3], &samples);
        for detector in DETECTORS {
            let expected = number(&row[detector.name]);
            let found = level(&readings, detector.name, 0) - 120.0;
            // The smallest of an envelope that touches nothing lies between two steps.
            if detector.name == "min" && expected < -20.0 && found < -20.0 {
                continue;
            }
            assert!((found - expected).abs() < SIMPLE_DB, "{name}, {}: {found} {expected}", detector.name);
        }
    }
}

/// Knuth's MMIX, its upper 53 bits, from −0.5 to 0.5.
fn noise(count: usize) -> Vec<f64> {
    let mut state = 1u64;
    (0..count)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        })
        .collect()
}

fn signal(name: &str) -> Vec<f64> {
    let (rate, count) = (200e3, 600_000usize);
    let sine = |hertz: f64, t: f64| (TAU * (hertz * t).fract()).sin();
    let time = (0..count).map(|n| (n, n as f64 / rate));
    match name {
        "pulses at 25 Hz" => (0..count).map(|n| if n % 8000 == 1000 { 13.5e-6 * rate } else { 0.0 }).collect(),
        "keyed tone, 30 Hz off" => {
            time.map(|(n, t)| if n / 7000 % 3 == 0 { 1e-3 } else { 1e-4 } * sine(50.03e3, t)).collect()
        }
        "rings at 100 Hz" => {
            // What is left of a ring when the next one begins is e^−50 of it.
            let ring = |n: usize| n.checked_sub(500).map_or(0.0, |n| 0.1 * (-((n % 2000) as f64) / 40.0).exp());
            time.map(|(n, t)| ring(n) * sine(61e3, t)).collect()
        }
        "sweep of 700 Hz a second" => {
            time.map(|(_, t)| 1e-3 * (TAU * (49e3 * t + 0.5 * 700.0 * t * t).fract()).sin()).collect()
        }
        _ => noise(count),
    }
}

#[test]
fn a_second_receiver_reads_the_same_of_five_signals() {
    let vectors = vectors();
    let rows = vectors["signals"].as_array().unwrap();
    assert_eq!(rows.len(), 5);
    for row in rows {
        let name = row["name"].as_str().unwrap();
        let readings = receive(200e3, &[number(&row["frequency_hz"])], &signal(name));
        for detector in DETECTORS {
            let (found, expected) = (level(&readings, detector.name, 0), number(&row[detector.name]));
            println!("{name}, {}: {found:.4} {expected:.4}", detector.name);
            // The smallest envelope lies between the steps of both, except where it lasts.
            if detector.name != "min" || name.starts_with("keyed") {
                assert!((found - expected).abs() < MODEL_DB, "{name}, {}: {found} {expected}", detector.name);
            }
        }
    }
}

#[test]
fn a_sine_of_two_millivolts_reads_66_02_at_any_rate_and_the_filter_is_200_hz_wide() {
    for rate in [44.1e3, 96e3, 333_333.0, 1e6] {
        let count = (1.6 * rate) as usize;
        let sine: Vec<f64> =
            (0..count).map(|n| 2e-3 * 2f64.sqrt() * (TAU * (12_345.6 / rate * n as f64).fract()).sin()).collect();
        // 20 log10(2 mV / 1 µV).
        let off = [0.0, 99.5, 100.0, 100.5, 223.3, 315.7];
        let readings = receive(rate, &off.map(|off| 12_345.6 + off), &sine);
        for detector in DETECTORS {
            let found = level(&readings, detector.name, 0);
            assert!((found - 66.0206).abs() < 0.001, "{rate} {}: {found}", detector.name);
        }
        // 6.02 dB down at 100 Hz, so that the width is 200 Hz within 1 Hz; 30 dB at 223.3 Hz, 60 dB at 315.7 Hz.
        let down = |place: usize| 66.0206 - level(&readings, "peak", place);
        assert!(down(1) < 6.0206 && (down(2) - 6.0206).abs() < 0.001 && down(3) > 6.0206, "{rate}");
        assert!((down(4) - 30.0).abs() < 0.05 && (down(5) - 60.0).abs() < 0.05, "{rate} {} {}", down(4), down(5));
    }
}

#[test]
fn a_repeated_period_reads_as_the_endless_signal() {
    // Two rings a mains cycle, 80 ms of them, against three seconds of the same.
    let rate = 200e3;
    let hertz = Hertz::new(rate).unwrap();
    let ring = |n: usize| 0.1 * (-((n % 2000) as f64) / 40.0).exp() * (TAU * (61e3 / rate * (n % 2000) as f64)).sin();
    let endless: Vec<f64> = (0..600_000).map(ring).collect();
    let frequencies = [60.4e3, 58e3];
    let long = receive(rate, &frequencies, &endless);
    for (first, count, period) in [(0, 20_000, 12_000), (137, 4500, 4000), (0, 4000, 4000)] {
        let record = &endless[first..first + count];
        let short = repeated(hertz, &tuned(&frequencies), &[record], &[one], period).unwrap().remove(0);
        for detector in DETECTORS.iter().filter(|detector| detector.name != "min") {
            for place in 0..2 {
                let (found, expected) = (level(&short, detector.name, place), level(&long, detector.name, place));
                assert!((found - expected).abs() < 0.01, "{} {count}: {found} {expected}", detector.name);
            }
        }
    }
}

#[test]
fn blocks_and_channels_change_no_bit() {
    let rate = Hertz::new(250e3).unwrap();
    let samples = noise(200_000);
    let other: Vec<f64> = samples.iter().rev().copied().collect();
    let frequencies: Vec<f64> = (0..19).map(|n| 20e3 + 100.0 * f64::from(n)).collect();
    let tuning = Tuning { course: Some(9), ..tuned(&frequencies) };
    let run = |size: usize| {
        let mut receiver = Receiver::new(rate, &tuning, &[one, one]).unwrap();
        for (a, b) in samples.chunks(size).zip(other.chunks(size)) {
            receiver.push(&[a, b]);
        }
        receiver.finish().unwrap()
    };
    let whole = run(samples.len());
    for size in [777, 32_768, 131_072] {
        assert_eq!(run(size), whole, "{size}");
    }
    let alone = receive(250e3, &frequencies[8..11], &samples);
    for (row, part) in whole[0].rows.iter().zip(&alone.rows) {
        for (a, b) in row[8..11].iter().zip(part) {
            assert!((a / b - 1.0).abs() < 1e-6 || *b < 1e-6, "{a} {b}");
        }
    }
    let course = whole[0].course.as_ref().unwrap();
    assert_eq!(course.frequency_hz, 20_900.0);
    assert!(course.time_s.is_sorted() && course.time_s.len() == course.quasi_peak.len());
    let highest = course.envelope.iter().copied().fold(0.0, f64::max);
    assert!((highest / whole[0].of("peak").unwrap()[9] - 1.0).abs() < 0.01);
}

#[test]
fn what_no_rate_carries_is_refused_and_short_records_give_nothing() {
    let rate = Hertz::new(44.1e3).unwrap();
    for frequencies in [vec![], vec![22e3], vec![300.0], vec![f64::NAN]] {
        assert!(Receiver::new(rate, &tuned(&frequencies), &[one]).is_err(), "{frequencies:?}");
    }
    for count in [0, 1, 500, 960] {
        let mut receiver = Receiver::new(rate, &tuned(&[10e3]), &[one]).unwrap();
        receiver.push(&[&vec![1.0; count]]);
        assert!(receiver.finish().is_none(), "{count}");
    }
}
