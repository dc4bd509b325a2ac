//! Reading a million rows: the pass for the clock and the pass for the samples.

use std::fmt::Write;
use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use linewake::read::{Bytes, ReadOptions, Source, open};

const ROWS: usize = 1_000_000;

/// An invented capture with a time column and two channels.
fn table() -> String {
    let mut text = String::from("Time (s),CH1 (V),CH2 (V)\n");
    for k in 0..ROWS {
        let (wire, air) = ((7 * k % 11) as f64 * 0.02 - 0.1, (5 * k % 13) as f64 * 0.004 - 0.024);
        writeln!(text, "{:.6},{wire:.5},{air:.5}", k as f64 * 4e-6).expect("strings take everything");
    }
    text
}

fn source(text: String) -> Source {
    Source::new(Bytes::new("million.csv", text.into_bytes()))
}

fn read(source: &Source) -> usize {
    let mut recording = open(source, &ReadOptions::default()).expect("the table is sound");
    let mut count = 0;
    while let Some(block) = recording.next_block().expect("the table is sound") {
        count += black_box(&block).len();
    }
    count
}

fn million_rows(criterion: &mut Criterion) {
    let text = table();
    let other = text.replace(',', ";").replace('.', ",");
    let mut group = criterion.benchmark_group("read a million rows of three columns");
    group.sample_size(10).throughput(Throughput::Elements(ROWS as u64));
    for (name, source) in [("commas and points", source(text)), ("semicolons and decimal commas", source(other))] {
        assert_eq!(read(&source), ROWS);
        group.bench_function(name, |bench| bench.iter(|| read(&source)));
    }
    group.finish();
}

criterion_group!(benches, million_rows);
criterion_main!(benches);
