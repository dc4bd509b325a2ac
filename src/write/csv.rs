//! CSV: a header row, a column of times, a column a channel.
//!
//! ```text
//! Time (s),Wire (V),Air (V)
//! -0.0002,0.0031,-0.00012
//! ```
//!
//! Every number is the shortest decimal that reads back as the same bits. The times are there for other programs; the
//! rate itself stands in the sidecar to the last bit.

use std::collections::HashSet;

use super::samples::put_decimal;
use super::{Blocks, Folder, Job, Samples, Writer, failed, fill, one_file};
use crate::capture::{Channel, Quantity};
use crate::error::Error;

/// The row of this container.
pub(super) const WRITER: Writer = Writer {
    name: "csv",
    about: "text: a column of times, a column a channel, decimals that read back as the same bits",
    extensions: &["csv"],
    samples: &[Samples::Text],
    whole: |_| false,
    step: |_, _| 0,
    // From 9.9e37 on numbers of a text stand for infinity, by the convention of instrument languages (`read/csv`).
    largest: 9.8e37,
    // The reader of text takes 4096 columns, of which one is time.
    most_channels: 4095,
    files: one_file,
    explains,
    write,
};

fn explains(job: &Job<'_>) -> String {
    let columns: Vec<String> = (2..job.header.channels.len() + 2).map(|column| column.to_string()).collect();
    format!(
        "separator = \",\"\ndecimal-mark = \".\"\nencoding = \"utf-8\"\ntime-column = 1\nchannels = [{}]\n",
        columns.join(", ")
    )
}

/// The titles of the channels: names that a table reader can tell from numbers and from each other, else numbered ones.
fn titles(channels: &[Channel]) -> Vec<String> {
    let sound = |name: &str| {
        let first = name.chars().next().is_some_and(char::is_alphabetic);
        first && !name.contains(|letter: char| letter.is_control() || ",;\"\t".contains(letter))
    };
    let distinct: HashSet<String> = channels.iter().map(|channel| channel.name.to_lowercase()).collect();
    let all_sound = distinct.len() == channels.len() && channels.iter().all(|channel| sound(&channel.name));
    let title = |(at, channel): (usize, &Channel)| {
        let name = if all_sound { channel.name.clone() } else { format!("channel {}", at + 1) };
        match &channel.quantity {
            Quantity::Unit(unit) => format!("{name} ({unit})"),
            _ => name,
        }
    };
    channels.iter().enumerate().map(title).collect()
}

fn write(job: &Job<'_>, blocks: &mut Blocks<'_>, folder: &mut dyn Folder) -> Result<(), Error> {
    fill(folder, job.name, |sink| {
        let clock = &job.header.clock;
        let mut text = format!("Time (s),{}\n", titles(&job.header.channels).join(","));
        while let Some(block) = blocks.next()? {
            for (row, instant) in block.samples.columns().into_iter().enumerate() {
                put_decimal(clock.start_s + (block.first + row as u64) as f64 / clock.rate.get(), &mut text);
                for value in instant {
                    text.push(',');
                    put_decimal(*value, &mut text);
                }
                text.push('\n');
            }
            sink.write_all(text.as_bytes()).map_err(|error| failed(job.name, &error))?;
            text.clear();
        }
        Ok(())
    })
}
