//! Reads captures and prints their rows and the seconds this took: the way from bytes to samples alone.
//!
//! `cargo run --release --example read_rows -- capture.csv`; `benches/side_by_side.py` sets it beside other readers.

use std::fs::File;
use std::hint::black_box;
use std::io::{self, Read, Seek, SeekFrom};
use std::time::Instant;

use linewake::error::Error;
use linewake::read::{Origin, ReadOptions, Source, open};

/// A file as it lies on disk, without anything beside it.
struct Path(String);

impl Origin for Path {
    fn name(&self) -> &str {
        &self.0
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(std::fs::metadata(&self.0)?.len())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let mut file = File::open(&self.0)?;
        file.seek(SeekFrom::Start(position))?;
        Ok(Box::new(file))
    }

    fn sibling(&self, _name: &str) -> Option<Source> {
        None
    }
}

#[expect(clippy::print_stdout, reason = "an example that prints")]
fn main() -> Result<(), Error> {
    for name in std::env::args().skip(1) {
        let start = Instant::now();
        let mut recording = open(&Source::new(Path(name)), &ReadOptions::default())?;
        let mut rows = 0;
        while let Some(block) = recording.next_block()? {
            rows += black_box(&block).len();
        }
        println!("{rows} {:.6}", start.elapsed().as_secs_f64());
    }
    Ok(())
}
