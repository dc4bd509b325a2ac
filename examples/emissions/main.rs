//! How well emissions are found: 200 scenes with 1 to 12 lines a row, as DEVELOPERS.md lists it.
//!
//! `cargo run --release --example emissions`

#![allow(clippy::print_stdout, reason = "a table")]

mod scenes;

use scenes::{Scene, Score, score};

fn main() {
    println!(
        "| record, s | level over the floor in 200 Hz, dB | found, % | false in 200 scenes | frequency, RMS and largest error in bandwidths | level: RMS error, dB | least possible, dB | within 0.2 dB, % | level intervals that hold, % | frequency intervals, % |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|");
    for seconds in [0.2, 1.0, 2.0] {
        for over_floor_db in [(6.0, 6.0), (6.0, 40.0), (15.0, 60.0)] {
            let scene = Scene { rate_hz: 500e3, seconds, resolution_hz: 200.0, over_floor_db };
            let s = score(scene, 200, 1);
            let count = s.found as f64 / 100.0;
            let (frequency, _) = Score::of(&s.frequency_errors, 0.05);
            let largest = s.frequency_errors.iter().fold(0.0f64, |m, e| m.max(e.abs()));
            let (level, within) = Score::of(&s.level_errors, 0.2);
            println!(
                "| {seconds} | {} to {} | {:.2} | {} | {frequency:.4}, {largest:.4} | {level:.3} | {:.3} | {:.1} | {:.1} | {:.1} |",
                over_floor_db.0,
                over_floor_db.1,
                100.0 * s.found as f64 / s.built_in as f64,
                s.false_finds,
                Score::of(&s.bounds_db, 1.0).0,
                100.0 * within,
                s.level_covered as f64 / count,
                s.frequency_covered as f64 / count,
            );
        }
    }
}
