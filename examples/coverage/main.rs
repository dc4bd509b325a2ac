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
/// The rules were chosen on the seeds from 0 on, the table is made with others.
const FIRST_SEED: u64 = 2_000_000;

fn main() {
    let pairs: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(4000);
    let seeds = |count: u64| FIRST_SEED..FIRST_SEED + count;
    let columns = ["change", "added", "load's change", "the line under it steady"];
    println!("| load | periods |{} ", columns.map(|name| format!(" {name}, % | width | left out, % |")).join(""));
    println!("|---|---|{}", "---|---|---|".repeat(columns.len()));
    let (mut few, mut recognised) = (0, 0);
    for &load in LOADS {
        for periods in PERIODS {
            let outcome = outcome(load, periods, seeds(pairs));
            let tallies = [Some(outcome.change), Some(outcome.added), outcome.load, outcome.load_alone];
            let cells = tallies.map(|tally| cells(tally, pairs)).join(" | ");
            println!("| {} | {periods} | {cells} |", load.name());
            (few, recognised) = (few + outcome.few, recognised + outcome.recognised);
        }
    }
    println!("\nRecords with one to four bursts: {few}, recognised: {:.1} %", percent(recognised, few));
    for (periods, hypotheses) in [(20, 1), (50, 1), (50, 75), (100, 75)] {
        let power = 100.0 * power_of_smallest(periods, hypotheses, seeds(pairs));
        println!("The smallest difference, {periods} periods, {hypotheses} rows: shown in {power:.1} %");
    }
    for (bursts, name) in [(false, "white noise"), (true, "bursts")] {
        let (claims, shown) = tables(bursts, seeds(pairs / 4));
        println!("{name}, 75 rows: {:.1} % of tables claim; 1 dB shown in {:.1} %", 100.0 * claims, 100.0 * shown);
    }
}

fn percent(part: usize, of: usize) -> f64 {
    100.0 * part as f64 / of as f64
}

fn cells(tally: Option<Tally>, pairs: u64) -> String {
    let Some(tally) = tally else { return "- | - | -".to_owned() };
    let left_out = percent(pairs as usize - tally.judged, pairs as usize);
    format!("{:.1} | {:.2} | {left_out:.1}", 100.0 * tally.coverage(), tally.width)
}
