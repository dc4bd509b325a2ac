//! Do the intervals hold what they promise? Simulated pairs without any change, at the level of band powers.
//!
//! The power of white noise in a band 2 kHz wide, averaged over a mains period of 20 ms, follows a gamma
//! distribution: about 2·B·T = 80 degrees of freedom, chi-squared over 80, which is a gamma distribution of shape 40
//! (Bendat and Piersol, Random Data, chapter 8, from memory). Run with --nocapture to see the figures.

use linewake::compare::before_after::{Pair, Verdict, compare};
use linewake::compare::difference::difference;
use linewake::compare::side::Side;
use linewake::synth::Random;
use linewake::units::Band;
use ndarray::Array2;

/// Shape of the gamma distribution of a period's power.
const SHAPE: u32 = 40;
/// What the methods promise of the coverage of a 95 % interval.
const PROMISED: std::ops::RangeInclusive<f64> = 0.93..=0.97;

/// A gamma variate of whole shape and mean 1: a sum of exponential ones.
fn power(random: &mut Random) -> f64 {
    let mut logarithms = 0.0;
    for _ in 0..SHAPE / 10 {
        // A product of ten stays far above the smallest number.
        logarithms -= (0..10).map(|_| 1.0 - random.uniform()).product::<f64>().ln();
    }
    logarithms / f64::from(SHAPE)
}

/// Mains periods by bands, each band a first-order process driven by gamma variates.
fn capture(periods: usize, bands: usize, correlation: f64, random: &mut Random) -> Array2<f64> {
    const SETTLING: usize = 20;
    let mut powers = Array2::zeros((periods, bands));
    for mut band in powers.columns_mut() {
        let mut value = 1.0;
        let settling = if correlation > 0.0 { SETTLING } else { 0 };
        for period in 0..settling + periods {
            value = correlation * value + (1.0 - correlation) * power(random);
            if period >= settling {
                band[period - settling] = value;
            }
        }
    }
    powers
}

fn side(captures: usize, periods: usize, bands: usize, correlation: f64, random: &mut Random) -> Side {
    let mut side = Side::default();
    for _ in 0..captures {
        side.push(capture(periods, bands, correlation, random));
    }
    side
}

/// The share of pairs without a change whose interval holds 0 dB.
fn coverage(captures: usize, periods: usize, correlation: f64, pairs: u32) -> f64 {
    let mut random = Random::new(1, u64::from(pairs) + periods as u64);
    let held = (0..pairs).filter(|_| {
        let [before, after] = [(); 2].map(|()| side(captures, periods, 1, correlation, &mut random));
        let (before, after) = (before.power(0).unwrap().0, after.power(0).unwrap().0);
        let [low, high] = difference(&before, &after).interval_db.unwrap();
        low <= 0.0 && 0.0 <= high
    });
    held.count() as f64 / f64::from(pairs)
}

/// The share of tables of 74 bands and their total without any change that claim one.
fn false_tables(captures: usize, periods: usize, correlation: f64, tables: u32) -> f64 {
    const BANDS: usize = 75;
    let bands: Vec<Band> = (1u32..).take(BANDS).map(|k| Band::new(2e3 * f64::from(k), 2e3 * f64::from(k + 1)).unwrap()).collect();
    let mut random = Random::new(2, u64::from(tables) + periods as u64);
    let wrong = (0..tables).filter(|_| {
        let [before, after] = [(); 2].map(|()| side(captures, periods, BANDS, correlation, &mut random));
        let pair = Pair { before, after, floor_density: None };
        compare(&[pair], &bands)[0].iter().any(|row| row.verdict != Verdict::NoChangeShown)
    });
    wrong.count() as f64 / f64::from(tables)
}

#[test]
#[ignore = "measure"]
fn measure() {
    for (captures, periods, correlation, pairs) in [
        (1, 9, 0.0, 20000),
        (1, 20, 0.0, 20000), (1, 50, 0.0, 10000), (1, 200, 0.0, 4000), (2, 20, 0.0, 10000), (3, 20, 0.0, 20000), (3,9,0.0,20000), (5, 20, 0.0, 8000),
        (1, 9, 0.3, 20000),
        (1, 20, 0.3, 20000), (1, 50, 0.3, 10000), (1, 200, 0.3, 4000), (2, 20, 0.3, 10000), (3, 20, 0.3, 10000),
    ] {
        println!("coverage {captures} captures {periods} periods rho {correlation}: {:.4}", coverage(captures, periods, correlation, pairs));
    }
    for (captures, periods, correlation, tables) in
        [(1, 9, 0.0, 1000), (1, 20, 0.0, 1000), (1, 50, 0.0, 500), (1, 200, 0.0, 200), (2, 20, 0.0, 500), (3, 20, 0.0, 1000), (1, 9, 0.3, 1000), (1, 20, 0.3, 1000), (1, 50, 0.3, 500), (1,200,0.3,200)]
    {
        println!("tables {captures} captures {periods} periods rho {correlation}: {:.4}", false_tables(captures, periods, correlation, tables));
    }
}
