//! The examples run, and what they find is what is built into their captures.

#[path = "../../examples/batch_ranking.rs"]
#[allow(dead_code, unreachable_pub, reason = "a program of its own, with a main")]
mod batch_ranking;
#[path = "../../examples/before_and_after.rs"]
#[allow(dead_code, unreachable_pub, reason = "a program of its own, with a main")]
mod before_and_after;
#[path = "../../examples/own_samples.rs"]
#[allow(dead_code, unreachable_pub, reason = "a program of its own, with a main")]
mod own_samples;
#[path = "../../examples/scope_csv_to_spectrum.rs"]
#[allow(dead_code, unreachable_pub, reason = "a program of its own, with a main")]
mod scope_csv_to_spectrum;
#[path = "../../examples/what_a_lamp_adds.rs"]
#[allow(dead_code, unreachable_pub, reason = "a program of its own, with a main")]
mod what_a_lamp_adds;

use std::fs;

use tempfile::TempDir;

use crate::signals::{samples_in, sine, sum, table, white};

/// A line of a level at 68 kHz over noise, on the wire and in the air.
fn capture(rms: f64, seed: u64) -> Vec<u8> {
    let count = samples_in(0.2);
    let [wire, air] = [0, 1].map(|k| white(1e-12, count, 2 * seed + k));
    let tone = sine(68e3, rms, count);
    table(&["Wire (V)", "Air (V)"], &[&sum(&wire, &tone), &air])
}

#[test]
fn a_capture_becomes_a_picture_of_its_spectrum() {
    let folder = TempDir::new().unwrap();
    let [csv, picture] = ["capture.csv", "spectrum.png"].map(|name| folder.path().join(name));
    fs::write(&csv, capture(2e-3, 1)).unwrap();
    let said = scope_csv_to_spectrum::run(&csv, &picture).unwrap();
    assert!(said[0].starts_with("On the wire the strongest line is at 68 kHz: 2.00 mV"), "{said:?}");
    assert!(fs::read(&picture).unwrap().starts_with(b"\x89PNG"));
}

#[test]
fn the_lamp_adds_where_its_line_is() {
    let folder = TempDir::new().unwrap();
    let [off, on] = ["off.csv", "on.csv"].map(|name| folder.path().join(name));
    fs::write(&off, capture(0.0, 1)).unwrap();
    fs::write(&on, capture(2e-3, 2)).unwrap();
    let said = what_a_lamp_adds::run(&off, &on).unwrap();
    assert!(said.iter().any(|line| line.starts_with("wire 68 to 70 kHz: ")), "{said:?}");
    assert!(!said.iter().any(|line| line.starts_with("wire 90 to 92 kHz: ")), "{said:?}");
}

#[test]
fn the_filter_takes_twenty_decibels() {
    let folder = TempDir::new().unwrap();
    for (side, rms) in [("before", 2e-3), ("after", 0.2e-3)] {
        fs::create_dir(folder.path().join(side)).unwrap();
        for seed in 1..=3 {
            let name = folder.path().join(side).join(format!("{seed}.csv"));
            fs::write(name, capture(rms, seed + side.len() as u64)).unwrap();
        }
    }
    let [before, after, picture] = ["before", "after", "change.svg"].map(|name| folder.path().join(name));
    let (said, table) = before_and_after::run(&before, &after, &picture).unwrap();
    assert!(said[0].starts_with("On the wire the level in 2 to 150 kHz falls"), "{said:?}");
    assert!(fs::read_to_string(&picture).unwrap().contains("<svg"));
    // The line and its noise of 45 kHz before and after: (4 + 0.045)/(0.04 + 0.045) mV².
    let row = table.lines().find(|row| row.starts_with("wire,V,50000,95000")).unwrap();
    let change: f64 = row.split(',').nth(6).unwrap().parse().unwrap();
    assert!((change + 10.0 * (4.045f64 / 0.085).log10()).abs() < 0.2, "{row}");
}

#[test]
fn the_loudest_ranks_first() {
    let captures = [("quiet.csv", 0.1e-3), ("loud.csv", 5e-3)].map(|(name, rms)| (name.to_owned(), capture(rms, 3)));
    let broken = ("broken.csv".to_owned(), b"words, only\n".to_vec());
    let said = batch_ranking::run(captures.into_iter().chain([broken]).collect());
    assert!(said[0].starts_with("wire 1: loud.csv at 74.0 dB"), "{said:?}");
    assert!(said[1].starts_with("wire 2: quiet.csv"), "{said:?}");
    assert!(said.last().unwrap().starts_with("not analysed: broken.csv"), "{said:?}");
}

#[test]
fn own_samples_need_no_file() {
    let bands = own_samples::run(own_samples::samples(), 500e3).unwrap();
    let wire = &bands.channels[0];
    assert!((wire.total.rms - 2e-3).abs() < 1e-5, "{}", wire.total.rms);
    let [band] = wire.bands.iter().filter(|band| band.rms > 1e-3).collect::<Vec<_>>()[..] else { panic!() };
    assert_eq!((band.band.low(), band.band.high()), (30e3, 50e3));
}
