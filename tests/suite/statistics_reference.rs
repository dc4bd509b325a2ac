//! The statistics of comparisons against SciPy: Welch's and the paired t test, the ends of a ratio, moments.
//!
//! The vectors in `fixtures/reference/statistics.json` were made by `make_statistics_vectors.py` beside them.

use linewake::compare::difference::{Difference, difference, difference_of_pairs};
use linewake::uncertainty::{Estimate, effective_count};
use serde_json::Value;

/// Ends in decibels: both sides search, brentq to 1e-13, we by halving.
const ENDS_DB: f64 = 1e-7;
/// Probabilities and differences: rounding only.
const AGREEMENT: f64 = 1e-8;

fn vectors() -> Value {
    serde_json::from_str(include_str!("../../fixtures/reference/statistics.json")).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

fn found(case: &Value) -> Difference {
    let (from, to) = (numbers(&case["from"]), numbers(&case["to"]));
    match case["kind"].as_str().unwrap() {
        "paired" => difference_of_pairs(&from, &to),
        _ => difference(&Estimate::of_independent(&from), &Estimate::of_independent(&to)),
    }
}

#[test]
fn probabilities_and_intervals_are_those_of_scipy() {
    let vectors = vectors();
    let cases = vectors["cases"].as_array().unwrap();
    assert!(cases.len() >= 8);
    for case in cases {
        let found = found(case);
        let probability = case["probability"].as_f64().unwrap();
        assert!((found.probability / probability - 1.0).abs() < AGREEMENT, "{} {probability}", found.probability);
        for (end, expected) in found.interval_power.unwrap().into_iter().zip(numbers(&case["difference"])) {
            assert!((end - expected).abs() < AGREEMENT, "{end} {expected}");
        }
        for (end, expected) in found.interval_db.unwrap().into_iter().zip(case["ratio_db"].as_array().unwrap()) {
            match expected.as_f64() {
                Some(expected) => assert!((end - expected).abs() < ENDS_DB, "{end} {expected}"),
                None => assert!(end.is_infinite(), "{end}"),
            }
        }
    }
}

#[test]
fn levels_count_as_scipy_judges_them() {
    let vectors = vectors();
    let (mut counted, mut left) = (0, 0);
    for case in vectors["cases"].as_array().unwrap() {
        let (from, to) = (numbers(&case["from"]), numbers(&case["to"]));
        let level = |side: &[f64]| Estimate::of_independent(&side.iter().map(|power| power.ln()).collect::<Vec<f64>>());
        let found = match case["kind"].as_str().unwrap() {
            "paired" => found(case).and_levels_of_pairs(&from, &to),
            _ => found(case).and_levels_of_captures(&level(&from), &level(&to)),
        };
        let powers = case["probability"].as_f64().unwrap();
        let levels = case["probability_of_levels"].as_f64().unwrap();
        let expected = if powers <= 0.05 { powers.min(levels) } else { powers };
        counted += usize::from(expected < powers);
        left += usize::from(expected > levels);
        assert!((found.probability / expected - 1.0).abs() < AGREEMENT, "{} {expected}", found.probability);
    }
    assert!(counted >= 2 && left >= 1, "{counted} {left}");
}

#[test]
fn the_scatter_of_a_series_has_the_moments_of_scipy() {
    for case in vectors()["moments"].as_array().unwrap() {
        let series = numbers(&case["series"]);
        let (kurtosis, square) = (case["kurtosis"].as_f64().unwrap(), case["square"].as_f64().unwrap());
        let found = Estimate::of_series(&series);
        let effective = effective_count(&series);
        // The rules of `of_series`, written with SciPy's moments; the last one is that correlation is estimated too.
        let degrees = (effective - 2.0).min(2.0 * effective / (kurtosis - 1.0)).max(1.0);
        let degrees = 1.0 / (1.0 / degrees + 0.4 / series.len() as f64);
        assert!((found.degrees.unwrap() - degrees).abs() < 1e-9, "{found:?} {degrees}");
        let variance = square / (1.0 - 2.0 / effective).max(0.3) / effective;
        assert!((found.variance / variance - 1.0).abs() < 1e-9, "{found:?} {variance}");
    }
}
