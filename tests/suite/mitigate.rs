//! `mitigate`: the what-if against closed forms, and beside captures whose filter is known, through the real program.

use serde_json::Value;

use crate::program::Bench;
use crate::signals::{samples_in, sine, sum, table, white};

const GRID: &str = "--source-ohm 0.4 --source-henry 50u --load-ohm 50 --draws 60";

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn a_capacitor_on_an_inductive_line_is_said_to_amplify() {
    let bench = Bench::with(&[]);
    let text = bench.done(&format!("mitigate --capacitor 1u {GRID} -o loss.svg")).out;
    for said in [
        "AMPLIFIES, by up to 14.2 dB, at 22.4 kHz",
        "Resonance of the filter with the inductance of supply and line",
        "IEC 60384-14",
        "residual-current",
        "stays charged",
        "local codes",
        "72.3 mA",
        "16.62",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    let row = text.lines().find(|line| line.trim_start().starts_with("20.0 kHz")).unwrap();
    assert!(row.contains("−11.178") && row.contains("amplifies"), "{row}");
    let svg = String::from_utf8(bench.read("loss.svg")).unwrap();
    assert!(svg.contains("below it amplifies") && svg.contains("parts as stated"));
    bench.done(&format!("mitigate --capacitor 1u {GRID} -o loss.csv"));
    let rows = String::from_utf8(bench.read("loss.csv")).unwrap();
    assert!(
        rows.starts_with("row,frequency_hz,loss_db,loss_low_db,loss_high_db,low_hz,") && rows.lines().count() == 401
    );
    assert!(rows.lines().skip(1).all(|row| row.starts_with("frequency,")));
}

/// Closed forms: I = 2πfCU, Q = 2πfCU², f0 = 1/(2π√(LC)), with 50 µH, 100 µH, and the inductance of 0.25 ohm at 50 Hz
/// (IEC TR 60725), worked out apart with NumPy.
#[test]
fn current_power_and_resonance_are_those_of_circuit_theory() {
    let bench = Bench::with(&[]);
    let henries = [("50u", 50e-6), ("100u", 100e-6), ("795.7747u", 795.774_7e-6)];
    let published = [
        ("1u", [(230.0, 50, 0.072257, 16.619025), (120.0, 60, 0.045239, 5.428672)], [22507.908, 15915.494, 5641.896]),
        (
            "2.2u",
            [(230.0, 50, 0.158965, 36.561855), (120.0, 60, 0.099526, 11.943079)],
            [15174.828, 10730.224, 3803.765],
        ),
        ("4.7u", [(230.0, 50, 0.339606, 78.109418), (120.0, 60, 0.212623, 25.514759)], [10382.124, 7341.270, 2602.412]),
        ("10u", [(230.0, 50, 0.722566, 166.190251), (120.0, 60, 0.452389, 54.286721)], [7117.625, 5032.921, 1784.124]),
        ("20u", [(230.0, 50, 1.445133, 332.380503), (120.0, 60, 0.904779, 108.573442)], [5032.921, 3558.813, 1261.566]),
    ];
    for (farad, mains, resonances) in published {
        for (k, (written, _)) in henries.iter().enumerate() {
            let (volts, hertz, amperes, reactive) = mains[k % 2];
            let document = bench.json(&format!(
                "mitigate --capacitor {farad} --source-henry {written} --no-load --draws 40 --mains-voltage {volts} --mains {hertz}"
            ));
            let row = &document["capacitors"][0];
            assert!((number(&row["current_a"]) - amperes).abs() < 1e-6, "{row}");
            assert!((number(&row["reactive_power_var"]) - reactive).abs() < 1e-5, "{row}");
            assert!((number(&row["resonance_hz"]) - resonances[k]).abs() < 2e-3, "{row}");
            assert!((number(&document["mains"]["reactive_power_var"]) - reactive).abs() < 1e-5);
        }
    }
    // 470 kohm across 1 µF from 325.27 V to 34 V: 0.47 s · ln(9.5667) = 1.0613 s.
    let document = bench.json(&format!("mitigate --capacitor 1u,discharge=470k,esr=0.1 {GRID}"));
    let row = &document["capacitors"][0];
    assert!((number(&row["discharge_s"]) - 1.06132).abs() < 1e-4, "{row}");
    // 230² / 470 kohm and (72.26 mA)² · 0.1 ohm.
    assert!((number(&row["dissipation_w"]) - (0.112_553 + 0.000_522)).abs() < 1e-5, "{row}");
}

#[test]
fn draws_are_the_same_each_time_and_others_with_another_seed() {
    let bench = Bench::with(&[]);
    let run =
        |seed: u32| bench.json(&format!("mitigate --capacitor 1u,esr=0.05 {GRID} --seed {seed}"))["losses"].clone();
    assert_eq!(run(1), run(1));
    assert_ne!(run(1), run(2));
    let losses = run(1);
    let fits = |row: &Value| {
        let [low, high] = [0, 1].map(|k| number(&row["interval_db"][k]));
        low <= high && number(&row["loss_db"]) > low - 3.0 && number(&row["loss_db"]) < high + 3.0
    };
    assert!(losses.as_array().unwrap().iter().all(fits));
}

#[test]
fn parts_that_nobody_plugs_in_are_named_and_dips_are_no_resonance_with_leads() {
    let bench = Bench::with(&[]);
    for (circuit, code) in [
        ("--capacitor 1,esr=0.1", "current_too_large"),
        ("--capacitor 1u,discharge=1k", "resistor_too_hot"),
        ("--capacitor 1u --source-ohm 0 --source-henry 50u --no-load", "hardly_a_loss"),
    ] {
        let answer = bench.run(&format!("mitigate {circuit} --draws 40"));
        assert!(answer.status == 0 && answer.err.contains(code), "{circuit}: {}", answer.err);
    }
    let usual =
        bench.done("mitigate --capacitor 1u,esr=0.05,discharge=390k --source-ohm 0.4 --source-henry 50u --load-ohm 50");
    assert!(!usual.err.contains("warning"), "{}", usual.err);
    // 1/(2π√(20 nH · 1 µF)) = 1.1254 MHz.
    let text = bench.done("mitigate --capacitor 1u,esl=20n --range 2k:2M --draws 40").out;
    assert!(text.contains("Largest loss at 1.13 MHz, where a filter resonates with its own leads"), "{text}");
    // Without leads there is none, whatever line lies between.
    let text = bench.done("mitigate --capacitor 1u,at=300 --line 300 --load-ohm 1 --draws 40").out;
    assert!(!text.contains("own leads"), "{text}");
}

#[test]
fn two_filters_resonate_with_one_another_and_placement_is_shown() {
    let bench = Bench::with(&[]);
    let text = bench
        .done("mitigate --capacitor 1u --capacitor 2.2u,at=12 --source-ohm 0.6 --source-henry 20u --load-ohm 50 --draws 60")
        .out;
    assert!(text.contains("Resonance of the filters with one another"), "{text}");
    let text = bench.done(&format!("mitigate --capacitor 1u --line 8 --noise load --seen-at outlet {GRID}")).out;
    assert!(text.contains("The filter at the load, or at the outlet 8 m before it"), "{text}");
}

/// Tones of 1 mV, and what is left of them behind 50 ohm with 100 nF and no load: |1/(1 + jωRC)|.
fn captures() -> [Vec<u8>; 2] {
    let count = samples_in(0.3);
    let capture = |filtered: bool, seed: u64| {
        let tones = [5e3f64, 21e3, 61e3, 121e3].map(|f| {
            let gain = 1.0 / (1.0 + (std::f64::consts::TAU * f * 50.0 * 100e-9).powi(2)).sqrt();
            sine(f, if filtered { 1e-3 * gain } else { 1e-3 }, count)
        });
        let tones = tones.iter().fold(white(1e-16, count, seed), |sum_of, tone| sum(&sum_of, tone));
        table(&["Wire (V)"], &[&tones])
    };
    [capture(false, 1), capture(true, 2)]
}

#[test]
fn a_known_filter_is_predicted_and_another_one_is_told() {
    let [before, after] = captures();
    let bench = Bench::with(&[("before.csv", &before), ("after.csv", &after)]);
    let circuit = "--source-ohm 50 --no-load --draws 60 --tolerance source=10,capacitor=5 --bands 2k,10k,30k,90k,150k";
    let command = format!("mitigate before.csv --after after.csv {circuit}");
    let document = bench.json(&format!("{command} --capacitor 100n -o filter.svg"));
    let bands = document["predicted"]["bands"].as_array().unwrap();
    assert_eq!(bands.len(), 4);
    for (band, hertz) in bands.iter().zip([5e3f64, 21e3, 61e3, 121e3]) {
        let expected = -10.0 * (1.0 + (std::f64::consts::TAU * hertz * 50.0 * 100e-9).powi(2)).log10();
        assert!((number(&band["predicted_change_db"]) - expected).abs() < 0.05, "{band} for {expected}");
        assert!((number(&band["change_db"]) - expected).abs() < 0.05, "{band}");
        assert_eq!(band["agreement"], "agrees", "{band}");
    }
    let svg = String::from_utf8(bench.read("filter.svg")).unwrap();
    assert!(svg.contains("predicted with the filter") && svg.contains("measured with the filter"));
    // The same in the file: the losses, then a row a band and one for the whole range.
    bench.done(&format!("{command} --capacitor 100n -o filter.csv"));
    let file = bench.read("filter.csv");
    let mut rows = csv::Reader::from_reader(file.as_slice());
    let header = rows.headers().unwrap().clone();
    let place = |name: &str| header.iter().position(|cell| cell == name).unwrap();
    let rows: Vec<_> = rows.records().map(Result::unwrap).filter(|row| &row[0] != "frequency").collect();
    assert_eq!(
        rows.iter().map(|row| row[0].to_owned()).collect::<Vec<_>>(),
        ["band", "band", "band", "band", "whole range"]
    );
    for (row, band) in rows.iter().zip(bands.iter().chain([&document["predicted"]["total"]])) {
        for (name, value) in [
            ("low_hz", &band["low_hz"]),
            ("predicted_change_db", &band["predicted_change_db"]),
            ("predicted_high_db", &band["predicted_interval_db"][1]),
            ("ci95_low_db", &band["ci95_db"][0]),
        ] {
            assert_eq!(row[place(name)].parse::<f64>().unwrap(), number(value), "{name}: {row:?}");
        }
        assert_eq!((&row[place("agreement")], &row[place("loss_db")]), (band["agreement"].as_str().unwrap(), ""));
    }
    let text = bench.done(&format!("{command} --capacitor 1u")).out;
    assert!(text.contains("they differ at") && text.contains("differs"), "{text}");
    // Without captures of afterwards nothing is claimed of agreement.
    let alone = bench.json(&format!("mitigate before.csv {circuit} --capacitor 100n"));
    assert_eq!(alone["predicted"]["total"]["agreement"], "cannot be judged");
    assert!(alone["predicted"]["total"]["after_rms"].is_null());
    let (a, b) = (&alone["predicted"]["bands"][1], &document["predicted"]["bands"][1]);
    assert!((number(&a["predicted_change_db"]) - number(&b["predicted_change_db"])).abs() < 0.01, "{a} {b}");
}

#[test]
fn a_measured_impedance_is_used_and_never_extended() {
    let omega = |f: f64| std::f64::consts::TAU * f;
    let rows = (0..200).map(|k| 1e3 * 1.03f64.powi(k)).map(|f| format!("{f},0.4,{}\n", omega(f) * 50e-6));
    let text = format!("frequency_hz,resistance_ohm,reactance_ohm\n{}", rows.collect::<String>());
    let short = "frequency_hz,ohm,phase_deg\n9000,3,60\n150000,47,85\n";
    let bench = Bench::with(&[("mains.csv", text.as_bytes()), ("short.csv", short.as_bytes())]);
    let document = bench.json("mitigate --capacitor 1u --source-impedance mains.csv --load-ohm 50 --draws 40");
    let at = |hertz: f64| {
        document["shown"].as_array().unwrap().iter().find(|row| number(&row["frequency_hz"]) == hertz).unwrap()
    };
    // Interpolated between steps of 3 %.
    assert!((number(&at(20e3)["loss_db"]) + 11.178).abs() < 0.02, "{}", at(20e3));
    assert!(document["inputs"][0]["path"].as_str().unwrap().contains("mains.csv"));
    let answer = bench.run("mitigate --capacitor 1u --source-impedance short.csv --load-ohm 50");
    assert!(answer.status == 2 && answer.err.contains("--range 9000:150000"), "{}", answer.err);
    bench.done("mitigate --capacitor 1u --source-impedance short.csv --load-ohm 50 --range 9k:150k --draws 40");
}

#[test]
fn what_cannot_be_built_is_refused_with_its_place() {
    let bench = Bench::with(&[("zero.csv", b"frequency_hz,ohm,phase_deg\n2000,0,0\n")]);
    for (arguments, said) in [
        ("--capacitor=-1u", "below zero"),
        ("--capacitor 0", "zero"),
        ("--capacitor 1x", "no value in F"),
        ("--capacitor 1u,esr=-1", "below zero"),
        ("--capacitor 1u,colour=red", "esr, esl, discharge or at"),
        ("--capacitor 1u,discharge=0", "above zero"),
        ("--capacitor 1u --source-ohm 0 --source-henry 0", "an impedance of zero"),
        ("--capacitor 1u --load-ohm 0", "an impedance of zero"),
        ("--capacitor 1u --source-impedance zero.csv", "zero.csv:2: an impedance of 0 ohm"),
        ("--capacitor 1u,at=5 --line 3", "give --line 5"),
        ("--capacitor 1u --tolerance source=200", "percent from 0 to 95"),
        ("--capacitor 1u --after zero.csv", "without the filter as FILE"),
        ("--element load,neutral", "an impedance of zero"),
        ("--element load,load,ohm=1", "from a node to itself"),
        ("--element a,b,ohm=1", "hangs in the air"),
        ("", "--capacitor"),
    ] {
        let answer = bench.run(&format!("mitigate {arguments}"));
        assert!(answer.status == 2 && answer.err.contains(said), "{arguments}: {}{}", answer.out, answer.err);
    }
}
