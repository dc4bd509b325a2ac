//! Long recordings: levels over time, and one recording shared among machines.

use std::f64::consts::TAU;

use linewake::analysis::over_time::{OverTime, Part, merged, over_time};
use linewake::analysis::settings::Settings;
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::spread::Shard;
use serde_json::Value;

use crate::program::Bench;

const RATE: u32 = 50_000;
/// Samples in an interval of the tests.
const EVERY: u32 = 20_000;

/// A tone at 10 kHz on the wire that doubles with each interval, half of it in the air; the last interval is shorter.
fn samples() -> Vec<[f64; 2]> {
    let one = |n: u32| {
        let amplitude = 1e-3 * f64::from(1u32 << (n / EVERY));
        let wire = amplitude * (TAU * 0.2 * f64::from(n)).sin() + 1e-8 * f64::from((n * 7919) % 1000);
        [wire, wire / 2.0]
    };
    (0..4 * EVERY + EVERY / 2).map(one).collect()
}

/// 64-bit floats in a WAV file: a recording that can be entered anywhere.
fn wav() -> Vec<u8> {
    let samples: Vec<u8> = samples().iter().flatten().flat_map(|value| value.to_le_bytes()).collect();
    let mut file = b"RIFF".to_vec();
    file.extend((36 + samples.len() as u32).to_le_bytes());
    file.extend(b"WAVEfmt ");
    file.extend(16u32.to_le_bytes());
    file.extend([3u16, 2].iter().flat_map(|word| word.to_le_bytes()));
    file.extend([RATE, 16 * RATE].iter().flat_map(|word| word.to_le_bytes()));
    file.extend([16u16, 64].iter().flat_map(|word| word.to_le_bytes()));
    file.extend(b"data");
    file.extend((samples.len() as u32).to_le_bytes());
    file.extend(samples);
    file
}

/// The same as text, which must be read from its beginning.
fn text() -> Vec<u8> {
    let rows: String = samples().iter().map(|[wire, air]| format!("{wire},{air}\n")).collect();
    format!("wire (V),air (V)\n{rows}").into_bytes()
}

fn found(name: &str, bytes: Vec<u8>, shard: Shard) -> OverTime {
    let source = Source::new(Bytes::new(name, bytes));
    let mut settings = Settings { range: linewake::units::Band::new(2e3, 20e3).unwrap(), ..Settings::default() };
    settings.read.sample_rate =
        name.ends_with("csv").then(|| f64::from(RATE)).map(|rate| linewake::units::Hertz::new(rate).unwrap());
    over_time(&source, &settings, &Scheme::Edges(vec![2e3, 9e3, 11e3, 20e3]), f64::from(EVERY) / f64::from(RATE), shard)
        .unwrap()
}

fn part(found: &OverTime) -> Part {
    serde_json::from_str(&serde_json::to_string(found).unwrap()).unwrap()
}

/// A sine of amplitude a has the RMS value a/√2 (closed form); a tone that is twice as strong lies 6.02 dB higher.
#[test]
fn each_interval_has_its_own_level() {
    let found = found("long.wav", wav(), Shard::WHOLE);
    assert_eq!(found.interval_count, Some(5));
    assert_eq!(found.intervals.len(), 5);
    for interval in &found.intervals {
        let amplitude = 1e-3 * f64::from(1u32 << interval.number);
        let rms = interval.channels[0].bands[1].rms;
        assert!((rms / (amplitude / 2f64.sqrt()) - 1.0).abs() < 2e-3, "interval {}: {rms}", interval.number);
        assert!((interval.channels[1].bands[1].rms / rms - 0.5).abs() < 1e-9);
        assert_eq!(interval.from_s, f64::from(EVERY) / f64::from(RATE) * interval.number as f64);
    }
    assert_eq!(found.intervals[4].to_s, 4.5 * f64::from(EVERY) / f64::from(RATE));
    let tone = &found.channels[0].bands[1];
    assert_eq!((tone.highest_at_s, tone.lowest_at_s), (1.6, 0.0));
    // The mean power, weighted with the segments: the tone of interval k has 4^k times the power of the first.
    let weights: Vec<f64> = found.intervals.iter().map(|interval| interval.segments as f64).collect();
    let power: f64 = weights.iter().enumerate().map(|(k, weight)| weight * 4f64.powi(k as i32)).sum::<f64>()
        / weights.iter().sum::<f64>();
    assert!((tone.mean.rms / (1e-3 / 2f64.sqrt() * power.sqrt()) - 1.0).abs() < 1e-3);
}

#[test]
fn where_a_pass_began_does_not_matter() {
    let entered = found("long.wav", wav(), Shard::WHOLE);
    let in_one_pass = found("long.csv", text(), Shard::WHOLE);
    type Levels = Vec<(f64, Option<[f64; 2]>, Vec<f64>)>;
    let levels = |found: &OverTime| -> Vec<(u64, u64, Levels)> {
        let channel = |channel: &linewake::analysis::over_time::IntervalChannel| {
            (channel.total.rms, channel.ci95_db, channel.bands.iter().map(|band| band.rms).collect())
        };
        let interval = |interval: &linewake::analysis::over_time::Interval| {
            (interval.number, interval.segments, interval.channels.iter().map(channel).collect())
        };
        found.intervals.iter().map(interval).collect()
    };
    assert_eq!(levels(&entered), levels(&in_one_pass));
}

#[test]
fn parts_of_the_work_give_the_bits_of_the_whole() {
    for (name, bytes) in [("long.wav", wav()), ("long.csv", text())] {
        let whole = found(name, bytes.clone(), Shard::WHOLE);
        for of in [1, 2, 3, 7] {
            let parts: Vec<(String, Part)> = (1..=of)
                .map(|number| (format!("part {number}"), part(&found(name, bytes.clone(), Shard { number, of }))))
                .collect();
            let mut joined = merged(parts).unwrap();
            // A recording of unknown length is only counted by whoever sees its end.
            joined.interval_count = joined.interval_count.or(whole.interval_count);
            assert_eq!(joined, whole, "{name} in {of} parts");
            assert_eq!(joined.missing(), Vec::<u64>::new());
        }
    }
}

#[test]
fn parts_that_do_not_belong_together_are_refused() {
    let first = part(&found("long.wav", wav(), Shard { number: 1, of: 2 }));
    let mut other = first.clone();
    other.identity.bytes += 1;
    let error = merged(vec![("a".into(), first.clone()), ("b".into(), other)]).unwrap_err().to_string();
    assert!(error.starts_with("b: is a part of another work: its length is"), "{error}");
    let mut changed = first.clone();
    changed.intervals[1].channels[0].total.rms *= 2.0;
    let error = merged(vec![("a".into(), first.clone()), ("b".into(), changed)]).unwrap_err().to_string();
    assert!(error.contains("interval 2 with other values than a"), "{error}");
    // The same part twice is counted once.
    let once = merged(vec![("a".into(), first.clone())]).unwrap();
    assert_eq!(merged(vec![("a".into(), first.clone()), ("b".into(), first)]).unwrap(), once);
    assert_eq!(once.missing(), [1, 3]);
}

#[test]
fn the_program_merges_what_its_parts_wrote() {
    let bench = Bench::with(&[("long.wav", &wav())]);
    let bands = ["bands", "long.wav", "--range", "2k:20k", "--bands", "2k,9k,11k,20k", "--every", "400ms"];
    let whole = bench.run_with(&[&bands[..], &["--json"]].concat());
    assert_eq!(whole.status, 0, "{}", whole.err);
    for number in ["1", "2"] {
        let (shard, file) = (format!("{number}/2"), format!("part-{number}.json"));
        let answer = bench.run_with(&[&bands[..], &["--shard", &shard, "--partial", &file]].concat());
        assert_eq!(answer.status, 0, "{}", answer.err);
    }
    let joined = bench.run_with(&["merge", "part-2.json", "part-1.json", "--json"]);
    assert_eq!(joined.status, 0, "{}", joined.err);
    let value = |text: &str, key: &str| serde_json::from_str::<Value>(text).unwrap()[key].clone();
    assert_eq!(value(&joined.out, "captures"), value(&whole.out, "captures"));
    assert_eq!(value(&joined.out, "settings"), value(&whole.out, "settings"));
    let captures = |text: &str| text[text.find("\"captures\"").unwrap()..].to_owned();
    assert_eq!(captures(&joined.out), captures(&whole.out));

    let half = bench.run_with(&["merge", "part-1.json"]);
    assert_eq!(half.status, 1);
    assert!(half.err.contains("2 intervals are missing, the first of them number 1"), "{}", half.err);
    let other = bench.run_with(&[
        "bands",
        "long.wav",
        "--every",
        "400ms",
        "--shard",
        "2/2",
        "--partial",
        "other.json",
        "--range",
        "2k:19k",
    ]);
    assert_eq!(other.status, 0, "{}", other.err);
    let refused = bench.run_with(&["merge", "part-1.json", "other.json"]);
    assert_eq!(refused.status, 2);
    assert!(refused.err.contains("other.json: was made with bands = "), "{}", refused.err);
    bench.put("old.json", &aged(&bench.read("part-1.json")));
    let refused = bench.run_with(&["merge", "old.json", "part-2.json"]);
    assert!(refused.err.contains("old.json: was made by version 0.0.1"), "{}", refused.err);
    bench.put("cut.json", &bench.read("part-1.json")[..500]);
    let refused = bench.run_with(&["merge", "cut.json"]);
    assert_eq!(refused.status, 2);
    assert!(refused.err.contains("cut.json") && refused.err.contains("line"), "{}", refused.err);
}

#[test]
fn a_stretch_is_what_it_says() {
    let bench = Bench::with(&[("long.wav", &wav())]);
    let answer = bench.run_with(&["inspect", "long.wav", "--from", "400ms", "--to", "0.5s", "--json"]);
    assert_eq!(answer.status, 0, "{}", answer.err);
    let capture = &serde_json::from_str::<Value>(&answer.out).unwrap()["captures"][0];
    assert_eq!(capture["samples"], 5000);
    let answer = bench.run_with(&["bands", "long.wav", "--from", "2s"]);
    assert_eq!(answer.status, 2);
    assert!(answer.err.contains("nothing of the recording lies from 2 s on"), "{}", answer.err);
    for wrong in [["--from", "x"], ["--to", "0s"], ["--every", "0s"], ["--shard", "3/2"]] {
        let answer = bench.run_with(&[&["bands", "long.wav"], &wrong[..]].concat());
        assert_eq!(answer.status, 2, "{wrong:?}: {}", answer.err);
    }
}

/// A document as another version would have made it.
fn aged(document: &[u8]) -> Vec<u8> {
    let own = format!("\"version\": \"{}\"", env!("CARGO_PKG_VERSION"));
    String::from_utf8(document.to_vec()).unwrap().replacen(&own, "\"version\": \"0.0.1\"", 1).into_bytes()
}
