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
/// What the methods promise: 95 % ± 2 % of the intervals hold the truth ...
const COVERED: (f64, f64) = (0.93, 0.97);
/// ... and at most one table in twenty claims a change that is not there.
const FAMILY: f64 = 0.05;

/// Two standard deviations of a share found in so many trials, which is what a simulation leaves open.
fn scatter(share: f64, trials: u32) -> f64 {
    2.0 * (share * (1.0 - share) / f64::from(trials)).sqrt()
}

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
    let bands: Vec<Band> =
        (1u32..).take(BANDS).map(|k| Band::new(2e3 * f64::from(k), 2e3 * f64::from(k + 1)).unwrap()).collect();
    let mut random = Random::new(2, u64::from(tables) + periods as u64);
    let wrong = (0..tables).filter(|_| {
        let [before, after] = [(); 2].map(|()| side(captures, periods, BANDS, correlation, &mut random));
        let pair = Pair { before, after, ..Pair::default() };
        compare(&[pair], &bands)[0].iter().any(|row| row.verdict != Verdict::NoChangeShown)
    });
    wrong.count() as f64 / f64::from(tables)
}

/// How many pairs and how many tables are simulated.
const PAIRS: u32 = 3_000;
const TABLES: u32 = 200;

#[test]
fn intervals_hold_the_truth_as_often_as_they_promise() {
    for (captures, periods, correlation) in
        [(1, 20, 0.0), (1, 20, 0.3), (1, 50, 0.0), (1, 50, 0.3), (1, 200, 0.3), (3, 20, 0.0), (3, 20, 0.3)]
    {
        let pairs = if periods > 50 { PAIRS / 3 } else { PAIRS };
        let held = coverage(captures, periods, correlation, pairs);
        let sides = format!("{captures} a side, {periods} periods, correlation {correlation}");
        println!("{sides}: {:.1} % of {pairs} intervals hold the truth", 100.0 * held);
        let (fewest, most) = COVERED;
        assert!(held >= fewest - scatter(fewest, pairs) && held <= most + scatter(most, pairs), "{sides}: {held}");
    }
}

/// Two captures are judged by the wider of two intervals, so theirs may hold more than they promise, never less.
#[test]
fn two_captures_a_side_promise_too_little_rather_than_too_much() {
    for correlation in [0.0, 0.3] {
        let held = coverage(2, 20, correlation, PAIRS);
        println!("2 a side, 20 periods, correlation {correlation}: {:.1} %", 100.0 * held);
        assert!(held >= COVERED.0 - scatter(COVERED.0, PAIRS), "correlation {correlation}: {held}");
    }
}

#[test]
fn tables_without_a_change_seldom_claim_one() {
    for (captures, periods) in [(1, 9), (1, 20), (1, 50), (3, 20)] {
        let wrong = false_tables(captures, periods, 0.0, TABLES);
        println!("{captures} a side, {periods} periods: {:.1} % of {TABLES} tables are wrong", 100.0 * wrong);
        assert!(wrong <= FAMILY + scatter(FAMILY, TABLES), "{captures} a side, {periods} periods: {wrong}");
    }
}
