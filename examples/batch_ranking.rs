//! Which of many captures is loudest? A broken file is a row with its error and stops nobody.
//!
//! `cargo run --example batch_ranking -- *.csv`

#![allow(clippy::print_stdout, reason = "an example shows what it found")]

use std::error::Error;

use linewake::analysis::batch::{batch, row};
use linewake::analysis::settings::Settings;
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::spread;

/// Names with their bytes in, one line a rank out, then one for each capture that could not be analysed.
pub fn run(captures: Vec<(String, Vec<u8>)>) -> Vec<String> {
    let settings = Settings::default();
    // The helper uses all cores and keeps the order, so the result is the same on any machine.
    let rows = spread::map(captures, |(name, bytes)| {
        let (_inputs, row) = row(&Source::new(Bytes::new(name, bytes)), &settings, &Scheme::Wide);
        row
    });
    let result = batch(rows);
    let ranked = result.ranking.iter().map(|rank| {
        // Captures whose intervals overlap cannot be told apart: they share a rank.
        let tie = if rank.tied { " (tie)" } else { "" };
        format!("{} {}{tie}: {} at {:.1} dB", rank.role.name(), rank.rank, rank.path, rank.total_db)
    });
    let failed = result.captures.iter().filter_map(|row| Some(format!("not analysed: {}", row.error.as_ref()?)));
    ranked.chain(failed).collect()
}

fn main() -> Result<(), Box<dyn Error>> {
    let read = |name: String| Ok::<_, std::io::Error>((name.clone(), std::fs::read(name)?));
    let captures = std::env::args().skip(1).map(read).collect::<Result<Vec<_>, _>>()?;
    if captures.is_empty() {
        return Err("name some captures".into());
    }
    for line in run(captures) {
        println!("{line}");
    }
    Ok(())
}
