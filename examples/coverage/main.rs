//! How often do the 95 % intervals of `compare` and `added` hold the truth? Prints the figures of DEVELOPERS.md.
//!
//! `cargo run --release --example coverage`, optionally with a number of pairs (4000 by default).

#![allow(
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a table of a simulation, whose counts are small"
)]

mod simulate;

use simulate::{LOADS, Tally, outcome, power_of_smallest, tables};

const PERIODS: [usize; 4] = [20, 50, 100, 500];

fn main() {
    let pairs = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(4000);
    println!("| load | periods | change, % | width | left out, % | added, % | width | left out, % |");
    println!("|---|---|---|---|---|---|---|---|");
    let (mut few, mut recognised) = (0, 0);
    for &load in LOADS {
        for periods in PERIODS {
            let outcome = outcome(load, periods, pairs);
            let cells = [outcome.change, outcome.added].map(|tally| cells(tally, pairs)).join(" | ");
            println!("| {} | {periods} | {cells} |", load.name());
            (few, recognised) = (few + outcome.few, recognised + outcome.recognised);
        }
    }
    println!("\nRecords with one to four bursts: {few}, recognised: {:.1} %", percent(recognised, few));
    for (periods, hypotheses) in [(20, 1), (50, 1), (50, 75), (100, 75)] {
        let power = 100.0 * power_of_smallest(periods, hypotheses, pairs);
        println!("The smallest difference, {periods} periods, {hypotheses} rows: shown in {power:.1} %");
    }
    for (bursts, name) in [(false, "white noise"), (true, "bursts")] {
        let (claims, shown) = tables(bursts, pairs / 4);
        println!("{name}, 75 rows: {:.1} % of tables claim; 1 dB shown in {:.1} %", 100.0 * claims, 100.0 * shown);
    }
}

fn percent(part: usize, of: usize) -> f64 {
    100.0 * part as f64 / of as f64
}

fn cells(tally: Tally, pairs: usize) -> String {
    let left_out = percent(pairs - tally.judged, pairs);
    format!("{:.1} | {:.2} | {left_out:.1}", 100.0 * tally.coverage(), tally.width)
}
