//! What the dsp room has to reach: tones, totals, noise and tones beside the mains, each against its closed form.

use std::f64::consts::{PI, TAU};

use linewake::dsp::filter::HighPass;
use linewake::dsp::segment::{Hop, segment_length};
use linewake::dsp::spectrum::{Density, Spectrum};
use linewake::dsp::welch::Welch;
use linewake::dsp::window::{Taper, Window};
use linewake::units::{Band, Hertz};

const RATE: f64 = 500e3;

fn hertz(value: f64) -> Hertz {
    Hertz::new(value).unwrap()
}

fn band(low: f64, high: f64) -> Band {
    Band::new(low, high).unwrap()
}

/// Mean density at 200 Hz and the recommended overlap.
fn density(window: &str, samples: &[f64]) -> Spectrum<Density> {
    let window: Window = window.parse().unwrap();
    let length = segment_length(&window, hertz(RATE), hertz(200.0));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "part of a length")]
    let hop = (length as f64 * (1.0 - window.recommended_overlap())).round() as usize;
    let mut welch = Welch::new(hertz(RATE), Taper::new(&window, length), Hop::Samples(hop), 1, false);
    welch.push(&[samples]);
    welch.finish().unwrap().channels.swap_remove(0).mean
}

fn sine(frequency: f64, amplitude: f64, phase: f64) -> impl Iterator<Item = f64> {
    (0u32..).map(move |n| amplitude * (TAU * frequency / RATE * f64::from(n) + phase).sin())
}

/// The highest reading within a few bins of a frequency.
fn reading(spectrum: &Spectrum<Density>, frequency: f64) -> f64 {
    let near = |bin: &usize| (spectrum.frequency(*bin) - frequency).abs() < 3.0 * spectrum.bin_width().get();
    (0..spectrum.values().len()).filter(near).map(|bin| spectrum.rms_at(bin)).fold(0.0, f64::max)
}

fn error_db(found: f64, expected: f64) -> f64 {
    20.0 * (found / expected).log10()
}

/// The worst of some errors in dB, with a line that says what was measured.
fn worst(what: &str, errors: impl IntoIterator<Item = f64>, limit: f64) {
    let worst = errors.into_iter().fold(0.0, |worst: f64, error| worst.max(error.abs()));
    println!("{what}: worst error {worst:.5} dB");
    assert!(worst < limit, "{what}: {worst} dB");
}

/// On a bin, half a bin and a third of a bin beside it.
fn tones() -> impl Iterator<Item = f64> {
    let length = segment_length(&"hft95".parse().unwrap(), hertz(RATE), hertz(200.0));
    let width = RATE / length as f64;
    let bins = [2.1e3, 9e3, 31e3, 50e3, 95e3, 125e3, 149.5e3];
    bins.into_iter().flat_map(move |f| [0.0, 0.5, 0.33].map(|beside| ((f / width).round() + beside) * width))
}

#[test]
fn a_flat_top_reads_tones_on_and_between_bins() {
    let error = |frequency| {
        let samples: Vec<f64> = sine(frequency, 1e-3, 0.4).take(50_000).collect();
        error_db(reading(&density("hft95", &samples), frequency), 1e-3 / 2.0_f64.sqrt())
    };
    worst("tones with hft95", tones().map(error), 0.02);
}

#[test]
fn hann_holds_the_total_of_a_tone() {
    let error = |frequency| {
        let samples: Vec<f64> = sine(frequency, 1e-3, 0.4).take(50_000).collect();
        let total = density("hann", &samples).mean_square_in(band(1.5e3, 155e3));
        error_db(total.sqrt(), 1e-3 / 2.0_f64.sqrt())
    };
    worst("total with hann", tones().map(error), 0.05);
}

/// Equally spread numbers with standard deviation 1, each independent of the others.
fn noise(seed: u64) -> impl Iterator<Item = f64> {
    // Seeds lie far apart in the sequence: multiples of the increment below would give the same noise, shifted.
    let mut state = seed << 40;
    std::iter::from_fn(move || {
        // SplitMix64 (Steele, Lea, Flood 2014, from memory).
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        Some((((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 12.0_f64.sqrt())
    })
}

/// Mean square in a range over 200 runs of noise w[n] + a·w[n−1], and its closed form: the one-sided density is
/// 2/fs·(1 + a² + 2a cos(2πf/fs)).
fn noise_bias_db(a: f64, low: f64, high: f64) -> f64 {
    const RUNS: u64 = 200;
    let mean = (0..RUNS)
        .map(|seed| {
            let mut before = 0.0;
            let shaped = noise(seed).take(20_000).map(|now| {
                let out = now + a * before;
                before = now;
                out
            });
            density("hann", &shaped.collect::<Vec<_>>()).mean_square_in(band(low, high))
        })
        .sum::<f64>()
        / RUNS as f64;
    let integral = |f: f64| 2.0 / RATE * ((1.0 + a * a) * f + 2.0 * a * RATE / TAU * (TAU * f / RATE).sin());
    10.0 * (mean / (integral(high) - integral(low))).log10()
}

/// 200 runs of 40 ms hold the mean square of 2 to 150 kHz to 0.004 dB, so 0.02 dB are five standard deviations.
#[test]
fn white_and_shaped_noise_have_their_density() {
    for (name, a) in [("white noise", 0.0), ("rising noise", -0.9), ("falling noise", 0.9)] {
        worst(name, [noise_bias_db(a, 2e3, 150e3)], 0.02);
    }
}

/// 325 V at 50 Hz with odd harmonics, an offset and four tones behind the high-pass; its gain divided out again.
fn tones_beside_mains_db(window: &str, amplitude: f64) -> Vec<f64> {
    const TONES: [f64; 4] = [2.5e3, 9e3, 50e3, 140e3];
    const HARMONICS: [(f64, f64); 7] =
        [(1.0, 325.0), (3.0, 8.0), (5.0, 10.0), (7.0, 6.0), (9.0, 1.5), (11.0, 3.0), (13.0, 2.0)];
    let mains = HARMONICS.map(|(order, size)| sine(50.0 * order, size, 0.3 * order));
    let tones = TONES.map(|frequency| sine(frequency, amplitude, 1.0));
    let mut samples = vec![5.0; 100_000];
    for part in mains.into_iter().chain(tones) {
        samples.iter_mut().zip(part).for_each(|(sample, part)| *sample += part);
    }
    let mut filter = HighPass::new(hertz(1e3), hertz(RATE)).unwrap();
    filter.process(&mut samples);
    let spectrum = density(window, &samples[filter.settling()..]);
    let spectrum = spectrum.map(|f, value| if f < 1e3 { value } else { value / filter.power_response(f) });
    let expected = amplitude / 2.0_f64.sqrt();
    TONES.iter().map(|frequency| error_db(reading(&spectrum, *frequency), expected)).collect()
}

#[test]
fn tones_stay_exact_beside_the_mains() {
    for window in ["hft144d", "hft95"] {
        for amplitude in [1e-3, 1e-4] {
            let errors = tones_beside_mains_db(window, amplitude);
            println!("{window}, {amplitude} V: {errors:.4?} dB");
            worst("beside mains", errors, 0.05);
        }
    }
}

/// The same tone as rate of change: 2πfV of a sine of RMS value V.
#[test]
fn the_rate_of_change_of_a_tone_is_its_closed_form() {
    for frequency in [2.5e3, 31e3, 149e3] {
        let samples: Vec<f64> = sine(frequency, 1.0, 0.2).take(50_000).collect();
        let found = density("hann", &samples).slew_rms_in(band(2e3, 150e3));
        let expected = 2.0 * PI * frequency / 2.0_f64.sqrt();
        assert!((found / expected - 1.0).abs() < 2e-3, "{frequency}: {found} {expected}");
    }
}
