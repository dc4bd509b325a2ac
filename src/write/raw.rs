//! Raw samples: numbers without a header, interleaved, low byte first; the sidecar explains them.

use super::{Blocks, Folder, Job, Samples, Writer, fill, interleaved, is_codes, one_file};
use crate::error::Error;

/// The row of this container.
pub(super) const WRITER: Writer = Writer {
    name: "raw",
    about: "the bare numbers, interleaved, low byte first; the sidecar explains them",
    extensions: &["raw", "bin"],
    samples: &[Samples::I16, Samples::I24, Samples::I32, Samples::F32, Samples::F64],
    whole: is_codes,
    step: |_, _| 0,
    largest: f64::INFINITY,
    // As many as the reader takes.
    most_channels: 64,
    files: one_file,
    explains,
    write,
};

fn explains(job: &Job<'_>) -> String {
    format!(
        "\n[raw]\ntype = \"{}\"\nchannels = {}\nbyte_order = \"little\"\norder = \"interleaved\"\n",
        job.samples.name(),
        job.header.channels.len()
    )
}

fn write(job: &Job<'_>, blocks: &mut Blocks<'_>, folder: &mut dyn Folder) -> Result<(), Error> {
    fill(folder, job.name, |sink| interleaved(job, &WRITER, blocks, sink))
}
