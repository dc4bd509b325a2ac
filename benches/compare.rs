//! Times of whole jobs: two captures of a million rows from text to table and picture, and the analysis alone.

use std::fmt::Write as _;
use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use linewake::analysis::compare::{Order, what_changed};
use linewake::analysis::observe::{Periods, Wants, observe_recording};
use linewake::analysis::settings::Settings;
use linewake::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::report::figure::png;
use linewake::report::{columns, pictures};
use linewake::synth::{Random, Source as _, Tone, WhiteNoise};
use linewake::units::{Band, Hertz};

const SAMPLES: usize = 1_000_000;
const RATE: f64 = 500e3;
/// As in the readers.
const BLOCK: usize = 1 << 15;

/// Wire and air: mains, a tone, noise.
fn channels(seed: u64, tone_v: f64) -> [Vec<f64>; 2] {
    [0, 1].map(|stream| {
        let mut samples = vec![0.0; SAMPLES];
        Tone { frequency_hz: 50.0, rms: 0.1, phase_rad: 0.0 }.add_to(&mut samples, RATE);
        Tone { frequency_hz: 68e3, rms: tone_v, phase_rad: 0.0 }.add_to(&mut samples, RATE);
        WhiteNoise { density: 1e-12 }.add_to(&mut samples, RATE, &mut Random::new(seed, stream));
        samples
    })
}

/// A text table such as recorders export.
fn text(name: &str, seed: u64, tone_v: f64) -> Source {
    let [wire, air] = channels(seed, tone_v);
    let mut text = String::from("Time (s),Wire (V),Air (V)\n");
    for (n, (wire, air)) in wire.iter().zip(&air).enumerate() {
        writeln!(text, "{:.6},{wire:.6},{air:.6}", n as f64 / RATE).expect("memory");
    }
    Source::new(Bytes::new(name, text.into_bytes()))
}

fn memory([wire, air]: [Vec<f64>; 2]) -> Memory {
    let rate = Hertz::new(RATE).expect("a rate");
    let clock = Clock { rate, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let channel = |name: &str, role| Channel { name: name.into(), quantity: Quantity::Unit("V".into()), role };
    let channels = vec![(channel("wire", Role::Wire), wire), (channel("air", Role::Air), air)];
    Memory::new("own samples", clock, channels, BLOCK).expect("channels of equal length")
}

fn jobs(criterion: &mut Criterion) {
    let settings = Settings::default();
    let (before, after) = ([text("before.csv", 1, 3e-3)], [text("after.csv", 2, 1e-3)]);
    let mut group = criterion.benchmark_group("a million rows of two channels");
    group.sample_size(10);
    group.bench_function("compare two captures, text to table and PNG", |bencher| {
        bencher.iter(|| {
            let (_, comparison) = what_changed(&before, &after, &settings, &Scheme::TwoKilohertz, Order::Apart)
                .expect("captures that compare");
            let picture = png(&pictures::changes(&comparison, &settings), "bench").expect("a picture");
            black_box((columns::changes(&comparison).expect("rows"), picture))
        });
    });

    let range = Band::new(2e3, 150e3).expect("a range");
    let bands = Scheme::TwoKilohertz.bands(range).expect("bands");
    let recording = memory(channels(1, 3e-3));
    group.bench_function("high-pass, Welch and mains periods from memory", |bencher| {
        bencher.iter(|| {
            let wants = Wants { periods: Some(Periods::Bands(&bands)), ..Wants::default() };
            black_box(observe_recording(Box::new(recording.clone()), &settings, wants).expect("a capture"))
        });
    });
}

criterion_group!(benches, jobs);
criterion_main!(benches);
