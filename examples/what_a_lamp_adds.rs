//! What does a lamp add to the line? Captures with it off, captures with it on.
//!
//! `cargo run --example what_a_lamp_adds -- off.csv on.csv`

#![allow(clippy::print_stdout, reason = "an example shows what it found")]

use std::error::Error;
use std::path::Path;

use linewake::analysis::compare::{Order, what_is_added};
use linewake::analysis::settings::Settings;
use linewake::compare::added::Verdict;
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::units::engineering;

fn source(path: &Path) -> Result<Source, std::io::Error> {
    Ok(Source::new(Bytes::new(path.display().to_string(), std::fs::read(path)?)))
}

/// One line for each band in which the lamp adds something.
///
/// # Errors
/// A file that cannot be read, captures that cannot be compared.
pub fn run(off: &Path, on: &Path) -> Result<Vec<String>, Box<dyn Error>> {
    // Three captures a side or more make a stronger case; with one, the mains periods are the observations.
    let sides = [[source(off)?], [source(on)?]];
    let (_, comparison) =
        what_is_added(&sides[0], &sides[1], &Settings::default(), &Scheme::TwoKilohertz, Order::Apart)?;

    let mut said = Vec::new();
    for channel in &comparison.channels {
        let unit = channel.unit.symbol();
        // Verdicts are taken at 5 % over the whole table, so that 74 bands make no claim by luck.
        for band in channel.bands.iter().filter(|band| band.verdict == Verdict::Adds) {
            // Both exist wherever the verdict is that the lamp adds.
            let (Some(rms), Some(rise)) = (band.added_rms, band.rise_db) else { continue };
            let rms = engineering(rms, unit);
            said.push(format!("{} {}: {rms} more, a rise of {rise:.1} dB", channel.role.name(), band.band));
        }
        // A band without a verdict tells what it would have taken.
        let silent = channel.bands.iter().filter_map(|band| band.smallest_shown_rms).fold(f64::NAN, f64::max);
        said.push(format!("{}: elsewhere, at most {} could hide", channel.role.name(), engineering(silent, unit)));
    }
    Ok(said)
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, off, on] = arguments.as_slice() else { return Err("name a capture off and a capture on".into()) };
    for line in run(Path::new(off), Path::new(on))? {
        println!("{line}");
    }
    Ok(())
}
