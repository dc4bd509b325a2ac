//! Circuits against an independent solver, closed forms, and what is drawn against what was predicted.

use linewake::circuit::supply::{Capacitor, Element, Node, Origin, Place, Supply, Tolerances};
use linewake::circuit::{Impedance, Network, REFERENCE};
use linewake::synth::Random;
use rustfft::num_complex::Complex;
use serde_json::Value;

/// SciPy 1.17.1, modified nodal analysis, by `make_network_vectors.py`.
const NETWORKS: &str = include_str!("../../fixtures/reference/networks.json");

fn series(ohm: f64, henry: f64, farad: Option<f64>) -> Impedance {
    Impedance::series(ohm, henry, farad).unwrap()
}

#[test]
fn networks_have_the_voltages_of_an_independent_solver() {
    let document: Value = serde_json::from_str(NETWORKS).unwrap();
    let cases = document["cases"].as_array().unwrap();
    assert!(cases.len() >= 40);
    let mut worst: f64 = 0.0;
    for case in cases {
        let node = |value: &Value| usize::try_from(value.as_u64().unwrap()).unwrap();
        let mut network = Network::default();
        for element in case["elements"].as_array().unwrap() {
            let (ohm, henry) = (element["ohm"].as_f64().unwrap(), element["henry"].as_f64().unwrap());
            network.connect(
                node(&element["from"]),
                node(&element["to"]),
                series(ohm, henry, element["farad"].as_f64()),
            );
        }
        let source = series(case["source"]["ohm"].as_f64().unwrap(), case["source"]["henry"].as_f64().unwrap(), None);
        let (at, frequency) = (node(&case["source"]["node"]), case["frequency_hz"].as_f64().unwrap());
        let current = source.at(frequency).unwrap().inv();
        network.connect(at, REFERENCE, source);
        let volts = network.voltages(frequency, &[(at, current)]).unwrap();
        let expected: Vec<Complex<f64>> = case["voltages"]
            .as_array()
            .unwrap()
            .iter()
            .map(|pair| Complex::new(pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap()))
            .collect();
        let largest = expected.iter().map(|volt| volt.norm()).fold(0.0, f64::max);
        for (found, expected) in volts[1..].iter().zip(&expected) {
            worst = worst.max((found - expected).norm() / largest);
        }
    }
    println!("worst: {worst:.1e} of the largest voltage");
    assert!(worst < 1e-11, "{worst}");
}

fn supply(source: Impedance, farads: &[f64]) -> Supply {
    let capacitor = |&farad: &f64| Capacitor { farad, esr_ohm: 0.0, esl_henry: 0.0, discharge_ohm: None, at_m: 0.0 };
    Supply {
        source,
        load: Some(series(50.0, 0.0, None)),
        line_m: 0.0,
        line_ohm_per_m: 0.015,
        line_henry_per_m: 0.7e-6,
        capacitors: farads.iter().map(capacitor).collect(),
        elements: Vec::new(),
        origin: Origin::Line,
        place: Place::Load,
    }
}

/// Kilohertz and the two losses.
type Row = (f64, f64, f64);

/// IL = 20 log10 |1 + jωC Zs ZL/(Zs + ZL)|, circuit theory, worked out apart with NumPy and given with five decimals:
/// frequency in kHz, loss behind 0.4 ohm + 50 µH, loss behind 50 ohm; the load is 50 ohm.
const SHUNT: [(f64, [Row; 5]); 5] = [
    (
        1e-6,
        [
            (2.0, -0.06764, 0.40878),
            (9.0, -1.47611, 4.76918),
            (20.0, -11.17846, 10.36214),
            (50.0, 11.46311, 17.97164),
            (150.0, 29.95743, 27.45204),
        ],
    ),
    (
        2.2e-6,
        [
            (2.0, -0.14919, 1.69583),
            (9.0, -3.62900, 10.28295),
            (20.0, -2.44739, 16.88143),
            (50.0, 19.41124, 24.76477),
            (150.0, 36.91267, 34.29429),
        ],
    ),
    (
        4.7e-6,
        [
            (2.0, -0.32045, 5.02454),
            (9.0, -10.42942, 16.54648),
            (20.0, 8.57781, 23.40483),
            (50.0, 26.45682, 31.34694),
            (150.0, 43.55348, 40.88653),
        ],
    ),
    (
        10e-6,
        [
            (2.0, -0.68935, 10.36214),
            (9.0, -3.75749, 23.02892),
            (20.0, 16.66127, 29.94740),
            (50.0, 33.21891, 37.90250),
            (150.0, 50.13358, 47.44430),
        ],
    ),
    (
        20e-6,
        [
            (2.0, -1.40443, 16.07224),
            (9.0, 6.95352, 29.03328),
            (20.0, 23.28462, 35.96470),
            (50.0, 39.32865, 43.92257),
            (150.0, 56.16396, 53.46484),
        ],
    ),
];

#[test]
fn shunt_capacitors_have_the_loss_of_the_closed_form() {
    for (farad, rows) in SHUNT {
        for (khz, on_the_grid, in_fifty) in rows {
            for origin in [Origin::Line, Origin::Load] {
                for (source, expected) in [(series(0.4, 50e-6, None), on_the_grid), (series(50.0, 0.0, None), in_fifty)]
                {
                    let supply = Supply { origin, ..supply(source, &[farad]) };
                    let found = supply.loss_db(1e3 * khz).unwrap();
                    assert!((found - expected).abs() < 1e-3, "{farad} F at {khz} kHz: {found} for {expected}");
                }
            }
        }
    }
}

/// The closed form for two capacitors with a length of line between them and noise behind the source: a chain of
/// two-ports, multiplied by hand.
fn chained(supply: &Supply, frequency: f64) -> f64 {
    let omega = std::f64::consts::TAU * frequency;
    let one = Complex::new(1.0, 0.0);
    let line = supply.line_m * Complex::new(supply.line_ohm_per_m, omega * supply.line_henry_per_m);
    let source = supply.source.at(frequency).unwrap();
    let load = supply.load.as_ref().unwrap().at(frequency).unwrap().inv();
    // Volts of the source for one volt at the load.
    let needed = |near: Complex<f64>, far: Complex<f64>| {
        let (volts, amperes) = (one, load + near);
        let (volts, amperes) = (volts + line * amperes, amperes);
        volts + source * (amperes + far * volts)
    };
    let admittance = |c: &Capacitor| {
        let reactance = omega * c.esl_henry - 1.0 / (omega * c.farad);
        Complex::new(c.esr_ohm, reactance).inv() + c.discharge_ohm.map_or(0.0, |ohm| 1.0 / ohm)
    };
    let zero = Complex::new(0.0, 0.0);
    let near = supply.capacitors.iter().filter(|c| c.at_m == 0.0).map(admittance).sum();
    let far = supply.capacitors.iter().filter(|c| c.at_m > 0.0).map(admittance).sum();
    20.0 * (needed(near, far).norm() / needed(zero, zero).norm()).log10()
}

fn two_filters() -> Supply {
    let mut both = supply(series(0.6, 20e-6, None), &[1e-6, 2.2e-6]);
    both.line_m = 12.0;
    both.capacitors[0].discharge_ohm = Some(470e3);
    for (capacitor, at_m) in both.capacitors.iter_mut().zip([0.0, 12.0]) {
        *capacitor = Capacitor { esr_ohm: 0.08, esl_henry: 25e-9, at_m, ..*capacitor };
    }
    both
}

#[test]
fn two_filters_on_a_line_are_a_chain_of_two_ports() {
    let both = two_filters();
    let mut resonances = 0;
    let mut before = (f64::NAN, f64::NAN);
    for k in 0..400 {
        let frequency = 2e3 * 75f64.powf(f64::from(k) / 399.0);
        let found = both.loss_db(frequency).unwrap();
        assert!((found - chained(&both, frequency)).abs() < 1e-9, "{frequency}: {found}");
        resonances += usize::from(before.0 > before.1 && before.1 < found);
        before = (before.1, found);
    }
    // One against the source, one between the two over the line.
    assert_eq!(resonances, 2);
}

#[test]
fn a_network_of_ones_own_is_the_capacitor_that_it_describes() {
    let own = |name: &str| Node::Own(name.into());
    let element = |from, to, impedance| Element { from, to, impedance };
    let mut described = supply(series(0.4, 50e-6, None), &[]);
    described.elements = vec![
        element(Node::Load, own("a"), series(0.05, 0.0, None)),
        element(own("a"), own("b"), series(0.0, 20e-9, None)),
        element(own("b"), Node::Neutral, series(0.0, 0.0, Some(1e-6))),
    ];
    let mut known = supply(series(0.4, 50e-6, None), &[1e-6]);
    known.capacitors[0] = Capacitor { esr_ohm: 0.05, esl_henry: 20e-9, ..known.capacitors[0] };
    for frequency in [2e3, 22.5e3, 140e3] {
        let (a, b) = (described.loss_db(frequency).unwrap(), known.loss_db(frequency).unwrap());
        assert!((a - b).abs() < 1e-9, "{frequency}: {a} {b}");
        let (a, b) = (described.plugged_in(frequency).unwrap(), known.plugged_in(frequency).unwrap());
        assert!((a - b).norm() < 1e-9 * b.norm());
    }
    // A choke of 200 µH in series before the load: |Zs + jωL + ZL| / |Zs + ZL|.
    let mut choke = supply(series(0.4, 50e-6, None), &[]);
    choke.elements = vec![element(Node::Line, Node::Load, series(0.0, 200e-6, None))];
    let omega = std::f64::consts::TAU * 50e3;
    let whole = |henry: f64| Complex::new(50.4, omega * henry).norm();
    let expected = 20.0 * (whole(250e-6) / whole(50e-6)).log10();
    assert!((choke.loss_db(50e3).unwrap() - expected).abs() < 1e-9);
    assert!(choke.plugged_in(50.0).is_err(), "nothing leads to the neutral");
}

#[test]
fn circuits_within_their_tolerances_lie_within_the_band_that_is_predicted() {
    let tolerances = Tolerances { capacitor: 0.1, parasitic: 0.5, source: 0.3, load: 0.5, line: 0.3 };
    let frequencies = [3e3, 9e3, 15e3, 22e3, 50e3, 120e3];
    let nominal = two_filters();
    let rows = nominal.drawn_losses_db(&tolerances, &frequencies, 1000, 1).unwrap();
    let band = |k: usize| {
        let mut losses: Vec<f64> = rows.iter().map(|row| row[k]).collect();
        losses.sort_by(f64::total_cmp);
        (losses[25], losses[974])
    };
    // The truths are drawn here and worked out by hand, not by the solver.
    let mut random = Random::new(99, 0);
    let mut inside = [0; 6];
    for _ in 0..200 {
        let mut within = |tolerance: f64| random.between(1.0 - tolerance, 1.0 + tolerance);
        let mut truth = nominal.clone();
        truth.source = series(0.6 * within(0.3), 20e-6 * within(0.3), None);
        truth.load = Some(series(50.0 * within(0.5), 0.0, None));
        truth.line_ohm_per_m *= within(0.3);
        truth.line_henry_per_m *= within(0.3);
        for capacitor in &mut truth.capacitors {
            capacitor.farad *= within(0.1);
            capacitor.esr_ohm *= within(0.5);
            capacitor.esl_henry *= within(0.5);
        }
        for (k, &frequency) in frequencies.iter().enumerate() {
            let (low, high) = band(k);
            inside[k] += usize::from((low..=high).contains(&chained(&truth, frequency)));
        }
    }
    println!("of 200 circuits within the band: {inside:?}");
    // 95 % of 200 is 190 ± 3.1, and the band itself is known to some 0.7 %.
    assert!(inside.iter().all(|count| *count >= 180), "{inside:?}");
    assert!((185..=196).contains(&(inside.iter().sum::<usize>() / 6)), "{inside:?}");
}
