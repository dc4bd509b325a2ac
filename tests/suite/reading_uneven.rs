//! Samples at uneven times, refused or laid on an even grid. The truth is a closed form: tones at the times printed
//! against the same tones at the times of the grid.

use std::f64::consts::TAU;

use linewake::capture::{Header, RateSource};
use linewake::error::Error;
use linewake::read::{Bytes, ReadOptions, Source, open};
use linewake::synth::Random;

use super::reading_layouts::drain;

const STEP: f64 = 4e-6;
/// Frequency in hertz and amplitude in volts.
const TONES: [(f64, f64); 4] = [(50.0, 2.0), (2_100.0, 0.5), (31_700.0, 0.3), (74_300.0, 0.1)];

fn wave(time: f64) -> f64 {
    TONES.iter().map(|(hertz, volts)| volts * (TAU * hertz * time + 0.5).sin()).sum()
}

/// Times to `decimals`, values to nine.
fn table(times: &[f64], decimals: usize) -> String {
    let mut text = String::from("Time (s),CH1 (V),CH2 (V)\n");
    for time in times {
        let printed: f64 = format!("{time:.decimals$}").parse().unwrap();
        // The signal is that of the true time; printing loses the rest.
        text += &format!("{printed:.decimals$},{:.9},{:.9}\n", wave(*time), -0.5 * wave(*time));
    }
    text
}

fn jittered(count: usize, jitter: f64) -> Vec<f64> {
    let mut random = Random::new(11, 0);
    (0..count).map(|k| STEP * (k as f64 + random.between(-jitter, jitter))).collect()
}

fn read(text: &str, options: &ReadOptions) -> Result<(Header, Vec<Vec<f64>>), Error> {
    open(&Source::new(Bytes::new("uneven.csv", text.as_bytes().to_vec())), options).and_then(drain)
}

fn resample() -> ReadOptions {
    ReadOptions { resample: true, ..Default::default() }
}

/// The root mean square of what is off, as a fraction of that of the signal.
fn off(header: &Header, samples: &[f64]) -> f64 {
    let time = |k: usize| header.clock.start_s + k as f64 / header.clock.rate.get();
    let truth: Vec<f64> = (0..samples.len()).map(|k| wave(time(k))).collect();
    let square: f64 = truth.iter().zip(samples).map(|(a, b)| (a - b).powi(2)).sum();
    (square / truth.iter().map(|a| a * a).sum::<f64>()).sqrt()
}

#[test]
fn uneven_times_are_refused_with_the_way_out() {
    let error = read(&table(&jittered(2000, 0.3), 10), &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.contains("equal steps") && error.contains("--resample"), "{error}");
}

#[test]
fn jitter_drift_and_missing_samples_come_onto_the_grid() {
    let missing: Vec<f64> =
        jittered(3000, 0.1).into_iter().enumerate().filter(|(k, _)| k % 700 != 350).map(|(_, time)| time).collect();
    // A clock that runs up to 0.1 % fast and slow: it is off by more than a step, and no step by much.
    let drifting: Vec<f64> =
        (0..3000).map(|k| STEP * (f64::from(k) + 2.0 * (f64::from(k) * TAU / 3000.0).sin())).collect();
    for (name, times, least) in
        [("jitter", jittered(3000, 0.3), 0.4), ("missing", missing, 0.3), ("drift", drifting, 0.4)]
    {
        let (header, samples) = read(&table(&times, 10), &resample()).unwrap();
        let rate = header.clock.rate.get();
        let mean = (times.len() - 1) as f64 / (times[times.len() - 1] - times[0]);
        assert!((rate / mean - 1.0).abs() < 1e-6, "{name}: {rate}");
        assert_eq!(header.clock.source, RateSource::TimeColumn);
        let reach = header.faithful_to_hz.unwrap();
        assert!(reach >= (least - 1e-9) * rate && reach <= 0.4 * rate, "{name}: {reach}");
        let found = &header.findings[0];
        assert_eq!(found.code, "resampled");
        println!("{name}: {}", found.message);
        let off = off(&header, &samples[0]);
        println!("{name}: off by {off:.2e}");
        assert!(off < 1e-3, "{name}: {off}");
        let mirrored = samples[0].iter().zip(&samples[1]).all(|(a, b)| (b + 0.5 * a).abs() < 1e-8);
        assert!(mirrored && samples[0].len() > times.len() - 40, "{name}");
    }
}

#[test]
fn an_even_column_stays_as_it_is() {
    let times: Vec<f64> = (0..500).map(|k| f64::from(k) * STEP).collect();
    let text = table(&times, 7);
    let (header, samples) = read(&text, &resample()).unwrap();
    assert_eq!((header.faithful_to_hz, samples), (None, read(&text, &ReadOptions::default()).unwrap().1));
}

#[test]
fn what_cannot_be_sound_is_refused() {
    let even = jittered(2000, 0.2);
    let holed: Vec<f64> = even.iter().enumerate().filter(|(k, _)| !(1000..1012).contains(k)).map(|(_, t)| *t).collect();
    let mut still = even.clone();
    still[700] = still[699];
    let mut back = even.clone();
    back.swap(900, 903);
    for (what, text, parts) in [
        ("a gap of a dozen steps", table(&holed, 10), &["uneven.csv:1002", "cut the file"][..]),
        ("coarse times", table(&even, 7), &["finer times", "5e-8"]),
        ("a time that stands still", table(&still, 10), &["uneven.csv:702", "stands still"]),
        ("a time that goes back", table(&back, 10), &[]),
        ("few samples", table(&even[..50], 10), &["at least 64"]),
    ] {
        let error = read(&text, &resample()).expect_err(what).to_string();
        assert!(parts.iter().all(|part| error.contains(part)), "{what}: {error}");
    }
    let small = ReadOptions { max_memory: Some(50_000), ..resample() };
    let error = read(&table(&even, 10), &small).unwrap_err().to_string();
    assert!(error.contains("96000 bytes") && error.contains("--max-memory"), "{error}");
    let both = ReadOptions { sample_rate: Some(linewake::units::Hertz::new(250e3).unwrap()), ..resample() };
    let error = read(&table(&even, 10), &both).unwrap_err().to_string();
    assert!(error.contains("--sample-rate"), "{error}");
}

#[cfg(feature = "cli")]
#[test]
fn the_range_ends_where_the_grid_is_faithful() {
    let text = table(&jittered(30_000, 0.3), 10);
    let bench = super::program::Bench::with(&[
        ("uneven.csv", text.as_bytes()),
        ("uneven.csv.toml", b"[read]\nresample = true\n"),
    ]);
    let spectrum = bench.json("spectrum uneven.csv");
    let high = spectrum["captures"][0]["analysis"]["range_high_hz"].as_f64().unwrap();
    assert!((high / 100e3 - 1.0).abs() < 1e-3, "{high}");
    let told = bench.done("inspect --explain uneven.csv").out;
    assert!(told.contains("[resampled]") && told.contains("of uneven.csv.toml"), "{told}");
}
