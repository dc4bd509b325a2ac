//! Times of the dsp room: Welch's method and the high-pass on a million samples, the rate of change, and the
//! search for the mains frequency. The other side of Welch is `benches/peers/welch_scipy.py`.

use std::f64::consts::TAU;
use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use linewake::dsp::filter::HighPass;
use linewake::dsp::segment::{Hop, segment_length};
use linewake::dsp::sine_fit::fit_fundamental;
use linewake::dsp::slew::Slew;
use linewake::dsp::welch::Welch;
use linewake::dsp::window::{Taper, Window};
use linewake::units::{Band, Hertz};

const SAMPLES: u32 = 1_000_000;
const RATE: f64 = 500e3;

/// Mains, a tone and equally spread noise.
fn record(seed: u64) -> Vec<f64> {
    let mut state = seed;
    (0..SAMPLES)
        .map(|n| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
            let time = f64::from(n) / RATE;
            325.0 * (TAU * 50.0 * time).sin() + 1e-2 * (TAU * 31e3 * time).sin() + 1e-2 * noise
        })
        .collect()
}

fn dsp(criterion: &mut Criterion) {
    let rate = Hertz::new(RATE).expect("a rate");
    let (x, y) = (record(1), record(2));

    let window = Window::default();
    let length = segment_length(&window, rate, Hertz::new(200.0).expect("a bandwidth"));
    let taper = Taper::new(&window, length);
    for (name, cross) in [("two channels", false), ("two channels and their cross density", true)] {
        criterion.bench_function(&format!("welch 200 Hz, {name}"), |bencher| {
            bencher.iter(|| {
                let mut welch = Welch::new(rate, taper.clone(), Hop::Samples(length / 2), 2, cross);
                welch.push(&[&x, &y]);
                black_box(welch.finish())
            });
        });
    }

    criterion.bench_function("high-pass 1 kHz", |bencher| {
        let mut samples = x.clone();
        bencher.iter(|| {
            samples.copy_from_slice(&x);
            let mut filter = HighPass::new(Hertz::new(1e3).expect("a cutoff"), rate).expect("a filter");
            filter.process(black_box(&mut samples));
        });
    });

    criterion.bench_function("slew 2 to 150 kHz", |bencher| {
        let band = Band::new(2e3, 150e3).expect("a range");
        bencher.iter(|| {
            let mut slew = Slew::new(rate, band, |_| 1.0, None);
            slew.push(&x);
            black_box(slew.finish())
        });
    });

    criterion.bench_function("mains frequency from 0.2 s", |bencher| {
        bencher.iter(|| fit_fundamental(black_box(&x[..100_000]), rate, (45.0, 65.0), &[3, 5, 7]));
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(20);
    targets = dsp
}
criterion_main!(benches);
