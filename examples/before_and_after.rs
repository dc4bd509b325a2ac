//! What did a filter change? Captures before and after in two folders, a table in text and a picture as SVG.
//!
//! `cargo run --example before_and_after -- before/ after/ change.svg`

#![allow(clippy::print_stdout, reason = "an example shows what it found")]

use std::error::Error;
use std::path::Path;

use linewake::analysis::compare::{Order, what_changed};
use linewake::analysis::settings::Settings;
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::report::figure::svg;
use linewake::report::{columns, pictures, sentences};

/// All files of a folder, sorted by name so that the result does not depend on the file system.
fn sources(folder: &Path) -> Result<Vec<Source>, std::io::Error> {
    let mut paths: Vec<_> =
        std::fs::read_dir(folder)?.map(|entry| Ok(entry?.path())).collect::<std::io::Result<_>>()?;
    paths.sort();
    let read =
        |path: &std::path::PathBuf| Ok(Source::new(Bytes::new(path.display().to_string(), std::fs::read(path)?)));
    paths.iter().map(read).collect()
}

/// Draws the change, and gives the conclusions and all bands as CSV.
///
/// # Errors
/// A file that cannot be read or written, captures that cannot be compared.
pub fn run(before: &Path, after: &Path, picture: &Path) -> Result<(Vec<String>, String), Box<dyn Error>> {
    let settings = Settings::default();
    // From three captures a side on, the capture is the observation, and scatter from one to the next counts.
    let (_, comparison) = what_changed(&sources(before)?, &sources(after)?, &settings, &Scheme::Wide, Order::Apart)?;
    std::fs::write(picture, svg(&pictures::changes(&comparison, &settings), "before_and_after")?)?;
    let table = String::from_utf8(columns::changes(&comparison)?)?;
    Ok((sentences::of_change(&comparison), table))
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, before, after, picture] = arguments.as_slice() else {
        return Err("name a folder before, a folder after, and a picture".into());
    };
    let (said, table) = run(Path::new(before), Path::new(after), Path::new(picture))?;
    println!("{}\n\n{table}", said.join("\n"));
    Ok(())
}
