//! Times of the receiver: two channels at 1 MS/s, all 1411 frequencies of band A, all detectors.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use linewake::dsp::Complex;
use linewake::measure::detector::BANDS;
use linewake::measure::receiver::{Receiver, Tuning, repeated};
use linewake::synth::{Random, Source as _, Tone, WhiteNoise};
use linewake::units::Hertz;

const RATE: f64 = 1e6;
/// As in the readers.
const BLOCK: usize = 1 << 15;

fn record(seed: u64, seconds: f64) -> Vec<f64> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few million")]
    let mut samples = vec![0.0; (RATE * seconds) as usize];
    Tone { frequency_hz: 68e3, rms: 1e-3, phase_rad: 0.0 }.add_to(&mut samples, RATE);
    WhiteNoise { density: 1e-12 }.add_to(&mut samples, RATE, &mut Random::new(seed, 0));
    samples
}

fn receiver(criterion: &mut Criterion) {
    let rate = Hertz::new(RATE).expect("a rate");
    let frequencies: Vec<f64> = (0..1411).map(|k| 9e3 + 100.0 * f64::from(k)).collect();
    let tuning = Tuning { band: BANDS[0], frequencies, course: None };
    let one = |_: f64| Complex::new(1.0, 0.0);
    let (wire, air) = (record(1, 10.0), record(2, 10.0));
    let mut group = criterion.benchmark_group("receiver, two channels at 1 MS/s, 1411 frequencies");
    group.sample_size(10);
    group.bench_function("ten seconds", |bencher| {
        bencher.iter(|| {
            let mut receiver = Receiver::new(rate, &tuning, &[one, one]).expect("frequencies that fit");
            for (wire, air) in wire.chunks(BLOCK).zip(air.chunks(BLOCK)) {
                receiver.push(&[wire, air]);
            }
            black_box(receiver.finish())
        });
    });
    group.bench_function("a tenth of a second, repeated", |bencher| {
        let short = [&wire[..100_000], &air[..100_000]];
        bencher.iter(|| black_box(repeated(rate, &tuning, &short, &[one, one], 80_000)));
    });
}

criterion_group!(benches, receiver);
criterion_main!(benches);
