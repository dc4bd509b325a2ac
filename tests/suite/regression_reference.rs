//! Least squares against certified values of NIST and against statsmodels.

use linewake::uncertainty::regression::{Fit, Unsolved, lack_of_fit, linear, robust};
use serde_json::Value;

/// NIST StRD, linear least squares; where each copy comes from stands in the file and in `fixtures/README.md`.
const CERTIFIED: &str = include_str!("../../fixtures/reference/nist_strd.json");
/// statsmodels 0.15.0 and SciPy 1.17.1, by `make_regression_vectors.py`.
const VECTORS: &str = include_str!("../../fixtures/reference/regression.json");

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

/// The digits in which two numbers agree.
fn digits(found: f64, expected: f64) -> f64 {
    if found == expected { 15.0 } else { (-((found - expected) / expected).abs().log10()).min(15.0) }
}

fn columns(set: &Value) -> Vec<Vec<f64>> {
    let given: Vec<Vec<f64>> = set["columns"].as_array().unwrap().iter().map(numbers).collect();
    match set["design"].as_str().unwrap() {
        "polynomial" => {
            let degree = i32::try_from(set["degree"].as_i64().unwrap()).unwrap();
            (0..=degree).map(|power| given[0].iter().map(|x| x.powi(power)).collect()).collect()
        }
        _ => given,
    }
}

#[test]
fn certified_digits_of_nist_are_met() {
    let document: Value = serde_json::from_str(CERTIFIED).unwrap();
    let sets = document["sets"].as_array().unwrap();
    assert_eq!(sets.len(), 11);
    for set in sets {
        let name = set["name"].as_str().unwrap();
        let fit = linear(&columns(set), &numbers(&set["y"]), None).unwrap();
        let deviations = numbers(&set["deviations"]);
        let mut least: f64 = 15.0;
        for (k, expected) in numbers(&set["estimates"]).into_iter().enumerate() {
            least = least.min(digits(fit.coefficients[k], expected));
            let deviation = fit.coefficient(k).standard_uncertainty.unwrap();
            // Wampler1 and Wampler2 leave nothing; what the rounding of their y leaves is far below any digit.
            match deviations[k] {
                0.0 => assert!(deviation < 1e-9, "{name}: {deviation}"),
                expected => least = least.min(digits(deviation, expected)),
            }
        }
        let residual = set["residual_sum_of_squares"].as_f64().unwrap();
        if residual > 1e-9 {
            least = least.min(digits(fit.residual_sum, residual));
        }
        println!("{name}: {least:.1} digits");
        // Filip's powers as doubles, solved exactly, agree to 7.6 digits; no solver could do better on them.
        assert!(least >= if name == "Filip" { 7.0 } else { 9.0 }, "{name}: {least:.2} digits");
    }
}

#[test]
fn dependent_columns_are_refused_by_number_and_filip_is_not() {
    let ramp: Vec<f64> = (0..20).map(|k| 0.1 + 1.7 * f64::from(k)).collect();
    let ones = vec![1.0; 20];
    let curve: Vec<f64> = ramp.iter().map(|x| x * x / 7.3).collect();
    let sum: Vec<f64> = ramp.iter().zip(&curve).map(|(a, b)| 0.3 * a + b / 3.0 - 4.1).collect();
    let y: Vec<f64> = ramp.iter().map(|x| x.sin()).collect();
    let refused = |design: &[Vec<f64>]| linear(design, &y, None).unwrap_err();
    assert_eq!(refused(&[ones.clone(), ramp.clone(), curve.clone(), sum.clone()]), Unsolved::Dependent { column: 3 });
    assert_eq!(refused(&[ramp.clone(), ramp.clone()]), Unsolved::Dependent { column: 1 });
    assert_eq!(refused(&[ones.clone(), vec![5.0; 20]]), Unsolved::Dependent { column: 1 });
    assert_eq!(refused(&[vec![0.0; 20]]), Unsolved::Dependent { column: 0 });
    // As far from dependent as Filip is, a column is kept.
    let nearly: Vec<f64> = sum.iter().zip(&y).map(|(a, b)| a + 1e-9 * b).collect();
    assert!(linear(&[ones.clone(), ramp.clone(), curve, nearly], &y, None).is_ok());
    assert_eq!(linear(&[ones.clone(), ramp.clone()], &[f64::NAN; 20], None).unwrap_err(), Unsolved::NotFinite);
    assert_eq!(linear(&[vec![1e200; 20]], &y, None).unwrap_err(), Unsolved::NotFinite);
    assert_eq!(linear(&[ones, ramp], &y, Some(&[0.0; 20])).unwrap_err(), Unsolved::NotFinite);
    let short = linear(&[vec![1.0], vec![2.0]], &[3.0], None).unwrap_err();
    assert_eq!(short, Unsolved::TooFew { points: 1, coefficients: 2 });
}

fn agree(fit: &Fit, expected: &Value, tolerance: f64, what: &str) {
    let (coefficients, errors) = (numbers(&expected["coefficients"]), numbers(&expected["errors"]));
    for k in 0..coefficients.len() {
        let found = fit.coefficient(k);
        assert!((found.value / coefficients[k] - 1.0).abs() < tolerance, "{what} {k}: {found:?}");
        let error = found.standard_uncertainty.unwrap();
        assert!((error / errors[k] - 1.0).abs() < tolerance, "{what} {k}: {error} for {}", errors[k]);
    }
    if let Some(r_squared) = expected["r_squared"].as_f64() {
        assert!((fit.r_squared().unwrap() - r_squared).abs() < 1e-12, "{what}");
    }
}

#[test]
fn plain_weighted_and_robust_lines_are_those_of_statsmodels() {
    let document: Value = serde_json::from_str(VECTORS).unwrap();
    for case in document["cases"].as_array().unwrap() {
        let name = case["name"].as_str().unwrap();
        let (x, y, weights) = (numbers(&case["x"]), numbers(&case["y"]), numbers(&case["weights"]));
        let design = [vec![1.0; x.len()], x.clone()];
        let plain = linear(&design, &y, None).unwrap();
        agree(&plain, &case["plain"], 1e-11, name);
        for (k, ends) in case["plain"]["interval"].as_array().unwrap().iter().enumerate() {
            for (found, expected) in plain.coefficient(k).ci95.unwrap().into_iter().zip(numbers(ends)) {
                assert!((found / expected - 1.0).abs() < 1e-9, "{name}: {found} for {expected}");
            }
        }
        agree(&linear(&design, &y, Some(&weights)).unwrap(), &case["weighted"], 1e-11, name);
        // Both iterate; they stop within some 1e-9 of one another.
        agree(&robust(&design, &y, None).unwrap(), &case["robust"], 1e-7, name);
        let places: Vec<usize> = (0..x.len()).map(|row| row / 3).collect();
        let lack = lack_of_fit(&plain, &places, &y, None).unwrap();
        assert!((lack.f / case["lack_of_fit"]["f"].as_f64().unwrap() - 1.0).abs() < 1e-9, "{name}: {lack:?}");
        assert!((lack.probability / case["lack_of_fit"]["probability"].as_f64().unwrap() - 1.0).abs() < 1e-7);
    }
}

#[test]
fn a_robust_line_hardly_feels_one_reading_that_went_wrong() {
    let x: Vec<f64> = (1..=12).map(f64::from).collect();
    let mut y: Vec<f64> = x.iter().enumerate().map(|(k, x)| 5.0 * x + if k % 2 == 0 { 0.1 } else { -0.1 }).collect();
    y[10] = 5.0;
    let design = [vec![1.0; 12], x];
    let (plain, robust) = (linear(&design, &y, None).unwrap(), robust(&design, &y, None).unwrap());
    assert!((plain.coefficients[1] - 5.0).abs() > 1.0 && (robust.coefficients[1] - 5.0).abs() < 0.05);
}
