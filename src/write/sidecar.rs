//! The file beside a capture with what its container cannot say: names, units, roles, clock, history.
//!
//! Its section `[read]` is what the reader takes up (`read/beside.rs`), so that the capture reads as it was written.
//! `[history]` is for people and scripts.

use std::fmt::Write as _;

use super::Job;
use super::samples::decimal;
use crate::capture::Channel;
use crate::error::{printable, steers};

/// The text of the sidecar; `besides` follows the keys of `[read]` that all containers share.
pub fn sidecar(job: &Job<'_>, besides: &str) -> String {
    let clock = &job.header.clock;
    let channels = &job.header.channels;
    let list = |of: &dyn Fn(&Channel) -> String| channels.iter().map(of).collect::<Vec<_>>().join(", ");
    let mut text = format!(
        "# What {name} cannot say by itself, written with it by {program}.\n# It is read together with {name}; keep \
         both in one folder.\n\n",
        name = printable(job.name),
        program = program(),
    );
    // Nothing of the folder's own options may be put on what is here once more.
    text += "[read]\nalone = true\n";
    text += &format!("sample-rate = {}\n", float(clock.rate.get()));
    text += &format!("rate-source = {}\n", quoted(clock.source.name()));
    text += &format!("rate-uncertainty = {}\n", float(clock.relative_uncertainty));
    text += &format!("start = {}\n", float(clock.start_s));
    text += &format!("names = [{}]\n", list(&|channel| quoted(&channel.name)));
    text += &format!("units = [{}]\n", list(&|channel| quoted(channel.quantity.symbol())));
    text += &format!("roles = [{}]\n", list(&|channel| quoted(channel.role.name())));
    text += besides;
    text += "\n";
    text += &history(job);
    text
}

/// The section `[history]`: what the capture was made of, and how.
pub(super) fn history(job: &Job<'_>) -> String {
    let (header, history) = (job.header, job.history);
    let sentences: Vec<String> = header.reading.iter().map(|sentence| format!("  {},\n", quoted(sentence))).collect();
    let mut text = String::from("[history]\n");
    text += &format!("program = {}\n", quoted(&program()));
    text += &format!("command = {}\n", quoted(&history.command));
    text += &format!("format = {}\nlayout = {}\n", quoted(header.format), quoted(&header.layout));
    text += &format!("samples = {}\nsample-type = {}\n", job.survey.samples, quoted(job.samples.name()));
    text += &format!("reading = [\n{}]\n", sentences.concat());
    for origin in &history.origins {
        text += &format!(
            "\n[[history.source]]\nname = {}\nbytes = {}\nsha256 = {}\n",
            quoted(&origin.name),
            origin.bytes,
            quoted(&origin.sha256)
        );
    }
    text
}

fn program() -> String {
    format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"))
}

/// A number as TOML writes it: with a point or an exponent.
fn float(value: f64) -> String {
    let text = decimal(value);
    if text.contains(['.', 'e']) { text } else { text + ".0" }
}

/// A text as TOML writes it, on one line.
pub(super) fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for letter in text.chars() {
        match letter {
            '"' | '\\' => quoted.extend(['\\', letter]),
            // Writing into a string does not fail.
            letter if steers(letter) => {
                let _ = write!(quoted, "\\U{:08X}", u32::from(letter));
            }
            letter => quoted.push(letter),
        }
    }
    quoted.push('"');
    quoted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_and_numbers_are_toml() {
        for name in ["wire", "a \"b\" \\ c", "line\nbreak\u{7f}\u{202e}", "µV Ω"] {
            let text = format!("x = {}", quoted(name));
            let table = toml::de::DeTable::parse(&text).unwrap();
            let value = table.get_ref().get("x").unwrap().get_ref().as_str().unwrap().to_owned();
            assert_eq!(value, name);
        }
        assert_eq!([250e3, -0.0, 1e-7, 5e-324, 1e300].map(float), ["250000.0", "-0.0", "1e-7", "5e-324", "1e300"]);
    }
}
