//! How often do the 95 % intervals of `compare` and `added` hold the truth? Prints the table of DEVELOPERS.md.
//!
//! `cargo run --release --example coverage`, optionally with a number of pairs (4000 by default).

#![allow(
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a table of a simulation"
)]

mod simulate;

use simulate::{LOADS, Tally, outcome};

const PERIODS: [usize; 4] = [20, 50, 100, 500];

fn main() {
    let pairs = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(4000);
    println!("| load | periods | change, % | width | not judged, % | added, % | width | not judged, % |");
    println!("|---|---|---|---|---|---|---|---|");
    for &load in LOADS {
        for periods in PERIODS {
            let outcome = outcome(load, periods, pairs);
            println!("| {} | {periods} | {} | {} |", load.name(), cells(outcome.change), cells(outcome.added));
        }
    }
}

fn cells(tally: Tally) -> String {
    let silent = 100.0 * (tally.pairs - tally.judged) as f64 / tally.pairs as f64;
    format!("{:.1} | {:.2} | {silent:.1}", 100.0 * tally.coverage(), tally.width)
}
