//! Times of computing alone, samples in memory: `cargo run --release --example in_memory -- welch 10000000 5`.
//!
//! `welch SAMPLES RUNS`: two channels at 500 kS/s, 200 Hz, Hann, half overlap, with their cross density.
//! `receiver SECONDS RUNS`: two channels at 1 MS/s, 1411 frequencies, all detectors.
//! Prints the seconds of the shortest run; `benches/side_by_side.py` sets them beside other programs.

use std::hint::black_box;
use std::time::Instant;

use linewake::dsp::Complex;
use linewake::dsp::segment::{Hop, segment_length};
use linewake::dsp::welch::Welch;
use linewake::dsp::window::{Taper, Window};
use linewake::measure::detector::BANDS;
use linewake::measure::receiver::{Receiver, Tuning};
use linewake::synth::{Random, Source as _, Tone, WhiteNoise};
use linewake::units::Hertz;

/// As in the readers.
const BLOCK: usize = 1 << 15;

fn record(seed: u64, rate: f64, samples: usize) -> Vec<f64> {
    let mut record = vec![0.0; samples];
    Tone { frequency_hz: 68e3, rms: 1e-3, phase_rad: 0.0 }.add_to(&mut record, rate);
    WhiteNoise { density: 1e-12 }.add_to(&mut record, rate, &mut Random::new(seed, 0));
    record
}

fn shortest(runs: usize, mut work: impl FnMut()) -> f64 {
    let once = |()| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64()
    };
    std::iter::repeat_n((), runs).map(once).fold(f64::INFINITY, f64::min)
}

fn welch(samples: usize, runs: usize) -> f64 {
    const RATE: f64 = 500e3;
    let rate = Hertz::new(RATE).expect("a rate");
    let window = Window::default();
    let length = segment_length(&window, rate, Hertz::new(200.0).expect("a bandwidth"));
    let taper = Taper::new(&window, length);
    let (wire, air) = (record(1, RATE, samples), record(2, RATE, samples));
    shortest(runs, || {
        let mut welch = Welch::new(rate, taper.clone(), Hop::Samples(length / 2), 2, true);
        for (wire, air) in wire.chunks(BLOCK).zip(air.chunks(BLOCK)) {
            welch.push(&[wire, air]);
        }
        black_box(welch.finish());
    })
}

fn receiver(seconds: usize, runs: usize) -> f64 {
    const RATE: f64 = 1e6;
    let rate = Hertz::new(RATE).expect("a rate");
    let frequencies: Vec<f64> = (0..1411).map(|k| 9e3 + 100.0 * f64::from(k)).collect();
    let tuning = Tuning { band: BANDS[0], frequencies, course: None };
    let one = |_: f64| Complex::new(1.0, 0.0);
    let samples = seconds * 1_000_000;
    let (wire, air) = (record(1, RATE, samples), record(2, RATE, samples));
    shortest(runs, || {
        let mut receiver = Receiver::new(rate, &tuning, &[one, one]).expect("frequencies that fit");
        for (wire, air) in wire.chunks(BLOCK).zip(air.chunks(BLOCK)) {
            receiver.push(&[wire, air]);
        }
        black_box(receiver.finish());
    })
}

#[expect(clippy::print_stdout, clippy::print_stderr, reason = "an example that prints")]
fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |at: usize, usual| arguments.get(at).and_then(|text| text.parse().ok()).unwrap_or(usual);
    match arguments.first().map(String::as_str) {
        Some("welch") => println!("{:.6}", welch(number(1, 10_000_000), number(2, 3))),
        Some("receiver") => println!("{:.6}", receiver(number(1, 10), number(2, 3))),
        _ => eprintln!("welch SAMPLES RUNS or receiver SECONDS RUNS"),
    }
}
