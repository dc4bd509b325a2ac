//! NPY: one array, time by channel, numbers of one type, low byte first.
//!
//! ```text
//! "\x93NUMPY" 1 0   header length (2 bytes)
//! {'descr': '<f8', 'fortran_order': False, 'shape': (20000, 2), }   padded with blanks to 64 bytes
//! the numbers
//! ```

use super::{Blocks, Folder, Job, Samples, Writer, failed, fill, interleaved, is_codes, one_file};
use crate::error::Error;

/// The row of this container.
pub(super) const WRITER: Writer = Writer {
    name: "npy",
    about: "an NPY array of the shape (samples, channels)",
    extensions: &["npy"],
    samples: &[Samples::I16, Samples::I32, Samples::F32, Samples::F64],
    whole: is_codes,
    step: |_, _| 0,
    largest: f64::INFINITY,
    // As many as the reader takes.
    most_channels: 64,
    files: one_file,
    explains: |_| String::new(),
    write,
};

/// The header, whose whole length is a multiple of 64 bytes.
fn header(samples: Samples, count: u64, channels: usize) -> Vec<u8> {
    const BEFORE: usize = 10;
    let kind = if samples.bits().is_some() { 'i' } else { 'f' };
    let shape = if channels == 1 { format!("({count},)") } else { format!("({count}, {channels})") };
    let descr = format!("<{kind}{}", samples.bytes());
    let text = format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': {shape}, }}");
    let whole = (BEFORE + text.len() + 1).next_multiple_of(64);
    let text = format!("{text:<width$}\n", width = whole - BEFORE - 1);
    let length = u16::try_from(text.len()).unwrap_or(u16::MAX);
    [&b"\x93NUMPY\x01\x00"[..], &length.to_le_bytes(), text.as_bytes()].concat()
}

fn write(job: &Job<'_>, blocks: &mut Blocks<'_>, folder: &mut dyn Folder) -> Result<(), Error> {
    let channels = job.header.channels.len();
    if channels as u64 > job.survey.samples {
        return Err(Error::usage(format!("{} samples of {channels} channels", job.survey.samples))
            .in_file(job.name)
            .expected("more samples than channels: the longer axis of an array is taken for time")
            .remedy("write csv"));
    }
    fill(folder, job.name, |sink| {
        let header = header(job.samples, job.survey.samples, channels);
        sink.write_all(&header).map_err(|error| failed(job.name, &error))?;
        interleaved(job, &WRITER, blocks, sink)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_header_is_padded_to_64_bytes() {
        let header = header(Samples::F64, 20_000, 2);
        assert_eq!(header.len(), 128);
        assert_eq!(header[8..10], [118, 0]);
        assert!(header[10..].starts_with(b"{'descr': '<f8', 'fortran_order': False, 'shape': (20000, 2), }  "));
        assert_eq!(header.last(), Some(&b'\n'));
    }
}
