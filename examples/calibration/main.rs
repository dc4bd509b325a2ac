//! How often does a chain made by `calibrate` correct back to the known level? Prints the figures of DEVELOPERS.md.
//!
//! `cargo run --release --example calibration`, optionally with a number of runs (2000 by default).

#![allow(clippy::print_stdout, reason = "a table of a simulation")]

mod simulate;

use simulate::{CASES, coverage};

fn main() {
    let runs: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(2000);
    println!("| what limits the chain | corrections that hold the truth, % |\n|---|---|");
    for &case in CASES {
        println!("| {} | {:.1} |", case.name(), 100.0 * coverage(case, 1_000_000..1_000_000 + runs));
    }
}
