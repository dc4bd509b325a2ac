//! A recorder's text export to a picture of its spectrum.
//!
//! `cargo run --example scope_csv_to_spectrum -- capture.csv spectrum.png`

#![allow(clippy::print_stdout, reason = "an example shows what it found")]

use std::error::Error;
use std::path::Path;

use linewake::analysis::settings::Settings;
use linewake::analysis::spectrum::spectrum;
use linewake::read::{Bytes, Source};
use linewake::report::figure::png;
use linewake::report::{pictures, sentences};

/// Reads one capture, draws its spectrum, and gives the conclusions.
///
/// # Errors
/// A file that cannot be read or written, or that holds no capture.
pub fn run(capture: &Path, picture: &Path) -> Result<Vec<String>, Box<dyn Error>> {
    // The library never opens a file by itself: it takes bytes with a name.
    let source = Source::new(Bytes::new(capture.display().to_string(), std::fs::read(capture)?));

    // 2 to 150 kHz in 200 Hz, a Hann window, half overlap. Everything that is not said keeps its default.
    let settings = Settings::default();

    // The inputs carry length and SHA-256, so that a result can be traced back to its file.
    let (inputs, result) = spectrum(&source, &settings)?;

    std::fs::write(picture, png(&pictures::spectrum(&result, &settings), "scope_csv_to_spectrum")?)?;

    let mut said = sentences::of_spectrum(&result);
    said.push(format!(
        "{} segments; SHA-256 of the capture {}.",
        result.analysis.segments,
        inputs[0].sha256.as_deref().unwrap_or("not taken")
    ));
    // What to know of the capture travels with the result.
    said.extend(result.warnings.iter().map(|finding| format!("{}: {}", finding.severity.word(), finding.message)));
    Ok(said)
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, capture, picture] = arguments.as_slice() else { return Err("name a capture and a picture".into()) };
    for sentence in run(Path::new(capture), Path::new(picture))? {
        println!("{sentence}");
    }
    Ok(())
}
