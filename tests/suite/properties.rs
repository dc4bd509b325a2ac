//! What must hold for any samples: power is kept, scale and shift, the size of blocks, before and after.

use linewake::analysis::bands::{self, CaptureBands};
use linewake::analysis::observe::{Observed, Wants, observe_recording};
use linewake::analysis::settings::Settings;
use linewake::analysis::spectrum;
use linewake::compare::before_after::{Pair, Verdict, compare};
use linewake::compare::side::Side;
use linewake::measure::bands::Scheme;
use linewake::units::Band;
use ndarray::Array2;
use proptest::prelude::*;

use crate::signals::{memory, samples_in, sine, sum, white};

fn observed(channels: &[&[f64]], block: usize) -> Observed {
    observe_recording(memory(channels, block), &Settings::default(), Wants { slew: true, ..Wants::default() }).unwrap()
}

fn bands_of(samples: &[f64]) -> CaptureBands {
    bands::of_observed(&observed(&[samples], samples.len()), &Scheme::Wide).unwrap()
}

/// Levels of all bands and of the whole range.
fn levels(samples: &[f64]) -> Vec<f64> {
    let capture = bands_of(samples);
    let channel = &capture.channels[0];
    channel.bands.iter().chain([&channel.total]).map(|value| value.level_db.get()).collect()
}

fn few(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(1),
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(few(6))]

    /// Parseval through the whole pipeline. The noise is made of tones 1 kHz apart, wider than the main lobe of a
    /// Hann window of 133 Hz bins, so that its mean square is the sum of theirs in every segment.
    #[test]
    fn the_total_is_the_mean_square_of_band_limited_noise(
        rms in prop::collection::vec(0.1e-3..3e-3, 40), from in 4.0e3..100.0e3,
    ) {
        let count = samples_in(0.04);
        let mut samples = vec![0.0; count];
        for (k, rms) in rms.iter().enumerate() {
            samples = sum(&samples, &sine(from + 1e3 * k as f64, *rms, count));
        }
        let expected: f64 = rms.iter().map(|v| v * v).sum();
        let found = bands_of(&samples).channels[0].total.rms.powi(2);
        prop_assert!((10.0 * (found / expected).log10()).abs() < 0.01, "{found} {expected}");
    }

    #[test]
    fn a_factor_on_the_samples_is_a_shift_of_the_levels(seed in 0u64..1000, exponent in -3.0..3.0f64) {
        let samples = white(1e-12, samples_in(0.03), seed);
        let factor = 10f64.powf(exponent);
        let scaled: Vec<f64> = samples.iter().map(|v| factor * v).collect();
        for (scaled, plain) in levels(&scaled).iter().zip(levels(&samples)) {
            prop_assert!((scaled - plain - 20.0 * exponent).abs() < 1e-9, "{scaled} {plain}");
        }
    }

    #[test]
    fn an_offset_changes_nothing(seed in 0u64..1000, offset in -10.0..10.0f64) {
        let samples = white(1e-12, samples_in(0.03), seed);
        let shifted: Vec<f64> = samples.iter().map(|v| v + offset).collect();
        for (shifted, plain) in levels(&shifted).iter().zip(levels(&samples)) {
            // A millivolt beside ten volts keeps twelve of its sixteen digits.
            prop_assert!((shifted - plain).abs() < 1e-6, "{shifted} {plain}");
        }
    }

    #[test]
    fn blocks_of_any_size_give_the_same_result(seed in 0u64..1000) {
        let count = samples_in(0.05);
        let wire = sum(&sine(50.0, 1.0, count), &white(1e-12, count, seed));
        let air = white(1e-14, count, seed + 1);
        let result = |block: usize| {
            let observed = observed(&[&wire, &air], block);
            let bands = bands::of_observed(&observed, &Scheme::TwoKilohertz).unwrap();
            serde_json::to_string(&(bands, spectrum::of_observed(&observed))).unwrap()
        };
        let whole = result(count);
        for block in [1000, 4096] {
            prop_assert!(result(block) == whole, "blocks of {block}");
        }
    }
}

fn side(powers: &[Vec<f64>]) -> Side {
    let mut side = Side::default();
    for capture in powers {
        side.push(Array2::from_shape_vec((capture.len() / 2, 2), capture.clone()).unwrap());
    }
    side
}

/// Captures of ten periods and two bands.
fn captures() -> impl Strategy<Value = Vec<Vec<f64>>> {
    prop::collection::vec(prop::collection::vec(1e-9..1e-6f64, 20), 1..5)
}

proptest! {
    #![proptest_config(few(200))]

    #[test]
    fn swapping_before_and_after_turns_the_sign(first in captures(), second in captures()) {
        let bands = [Band::new(2e3, 4e3).unwrap(), Band::new(4e3, 6e3).unwrap()];
        let rows = |before: &[Vec<f64>], after: &[Vec<f64>]| {
            compare(&[Pair { before: side(before), after: side(after), ..Pair::default() }], &bands).remove(0)
        };
        for (there, back) in rows(&first, &second).iter().zip(rows(&second, &first)) {
            let (change, interval) = (there.change_db.unwrap(), there.ci95_db.unwrap());
            prop_assert!((change + back.change_db.unwrap()).abs() < 1e-9);
            let [low, high] = back.ci95_db.unwrap();
            // An end that the captures do not set is infinite, and stays so the other way round.
            for (end, turned) in [(interval[0], -high), (interval[1], -low)] {
                prop_assert!(end.to_bits() == turned.to_bits() || (end - turned).abs() < 1e-9, "{end} {turned}");
            }
            prop_assert!(interval[0] <= change && change <= interval[1]);
            let turned = match there.verdict {
                Verdict::Lower => Verdict::Higher,
                Verdict::Higher => Verdict::Lower,
                Verdict::NoChangeShown => Verdict::NoChangeShown,
            };
            prop_assert_eq!(back.verdict, turned);
        }
    }
}
