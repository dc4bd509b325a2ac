//! `response`: against truths built in, through the real program, and with readings that carry nothing.

use linewake::analysis::response::{ResponseSettings, Weights, of_readings};
use linewake::read::readings::{Reading, Readings};
use linewake::synth::Random;

const SETTINGS: ResponseSettings = ResponseSettings { tolerance: 0.05, weights: Weights::Equal, robust: false };

/// Readings of an invented indicator that rises by 0.1 a volt and hertz and stops short at 1750.
fn table(scatter: impl Fn(f64) -> f64, random: &mut Random) -> Readings {
    let mut rows = Vec::new();
    for frequency_hz in [5e3, 10e3, 20e3, 50e3, 100e3, 150e3] {
        for voltage_v in [5e-3, 10e-3, 20e-3, 50e-3, 80e-3, 110e-3, 140e-3, 170e-3, 200e-3] {
            for _ in 0..2 {
                let reading = f64::min(0.1 * frequency_hz * voltage_v, 1750.0);
                let reading = reading + scatter(reading) * random.normal();
                rows.push(Reading { voltage_v, frequency_hz, reading, uncertainty: None, line: 0 });
            }
        }
    }
    Readings { name: "simulated".into(), unit: "units".into(), rows }
}

#[test]
fn gain_and_end_of_range_lie_within_their_intervals() {
    let mut random = Random::new(12, 0);
    let (mut gains, mut ends, mut readings, mut line_ends, mut slopes) = (0, 0, 0, 0, 0);
    const TABLES: usize = 60;
    let holds = |[low, high]: [f64; 2], truth: f64| low <= truth && truth <= high;
    for _ in 0..TABLES {
        let found = of_readings(&table(|_| 6.0, &mut random), SETTINGS).unwrap();
        gains += usize::from(holds(found.joint.gain_ci95.unwrap(), 0.1));
        // 1750 is 5 % below the line where the line reads 1750/0.95.
        let ends_of = |ends: Option<[Option<f64>; 2]>, truth: f64| {
            ends.is_some_and(|[low, high]| holds([low.unwrap_or(0.0), high.unwrap_or(f64::INFINITY)], truth))
        };
        ends += usize::from(ends_of(found.joint.linear_up_to_v_hz_interval, 1750.0 / 0.95 / 0.1));
        readings += usize::from(ends_of(found.joint.linear_up_to_reading_interval, 1750.0));
        let line = found.lines.iter().find(|line| line.value == 100e3).unwrap();
        line_ends += usize::from(ends_of(line.linear_up_to_interval, 1750.0 / 0.95 / 0.1 / 100e3));
        slopes += usize::from(holds(line.slope_ci95.unwrap(), 0.1 * 100e3));
    }
    println!(
        "within: gain {gains}, end {ends}, its reading {readings}, end of a line {line_ends}, slope {slopes} of {TABLES}"
    );
    // 95 % of 60 is 57 ± 1.7; three deviations. The ends are bracketed by settings and hold nearly always.
    assert!(gains >= 52 && slopes >= 52 && ends >= 57 && readings >= 57 && line_ends >= 57);
}

#[test]
fn weights_and_robust_fits_do_what_they_are_for() {
    let mut readings = table(|reading| 0.01 * reading, &mut Random::new(5, 0));
    for row in &mut readings.rows {
        row.uncertainty = Some(0.5 + 0.01 * row.reading.abs());
    }
    for weights in [Weights::Equal, Weights::Relative, Weights::Stated] {
        let found = of_readings(&readings, ResponseSettings { weights, ..SETTINGS }).unwrap();
        assert!((found.joint.gain / 0.1 - 1.0).abs() < 0.01, "{weights:?}: {}", found.joint.gain);
    }
    // A reading written down with a digit too many; of three the median knows better.
    let slip = readings.rows.iter().position(|row| row.frequency_hz == 50e3 && row.voltage_v == 110e-3).unwrap();
    let third = readings.rows[slip];
    readings.rows.push(third);
    readings.rows[slip].reading *= 10.0;
    let joint = |robust| of_readings(&readings, ResponseSettings { robust, ..SETTINGS }).unwrap().joint;
    assert!((joint(true).gain / 0.1 - 1.0).abs() < 0.01, "{}", joint(true).gain);
    // Without it the line ends before the slip.
    assert!(joint(true).points > joint(false).points, "{} {}", joint(true).points, joint(false).points);
}

#[test]
fn a_steep_indicator_shows_its_own_exponents_and_contours() {
    let mut readings = table(|_| 0.0, &mut Random::new(5, 0));
    for row in &mut readings.rows {
        row.reading = 3e-3 * row.voltage_v * row.frequency_hz.powf(1.5);
    }
    let found = of_readings(&readings, SETTINGS).unwrap();
    let [voltage, frequency] = found.joint.exponents.unwrap();
    assert!((voltage.value - 1.0).abs() < 1e-6 && (frequency.value - 1.5).abs() < 1e-6, "{voltage:?} {frequency:?}");
    assert!(found.joint.max_deviation_percent.abs() > 5.0);
    assert!(found.contours.len() > 2);
    for contour in &found.contours {
        assert!((contour.exponent.unwrap().value + 1.5).abs() < 1e-9, "{contour:?}");
        // reading = 3e-3 V f^1.5, solved for the voltage at 1 kHz.
        let expected = contour.reading / 3e-3 / 1e3f64.powf(1.5);
        assert!((contour.coefficient.unwrap() / expected - 1.0).abs() < 1e-9);
    }
}

#[test]
fn a_sine_has_the_slew_that_calculus_gives() {
    let found = of_readings(&table(|_| 0.0, &mut Random::new(1, 0)), SETTINGS).unwrap();
    let point = found.points.iter().find(|p| p.frequency_hz == 50e3 && p.voltage_v == 20e-3).unwrap();
    // 2π·50 kHz·20 mV and 4·50 kHz·28.28 mV.
    assert!((point.slew_rms - 6_283.185_307_179_586).abs() < 1e-8);
    assert!((point.slew_mean_abs - 4.0 * 50e3 * 0.028_284_271_247_461_9).abs() < 1e-8);
    assert!((found.joint.per_slew_rms.unwrap() * point.slew_rms / 100.0 - 1.0).abs() < 1e-9);
    assert!((found.joint.per_slew_mean_abs.unwrap() * point.slew_mean_abs / 100.0 - 1.0).abs() < 1e-9);
}

#[test]
fn readings_out_of_proportion_have_no_slew_beside_them_and_strays_are_named() {
    let with = |of: &dyn Fn(f64, f64) -> f64| {
        let mut readings = table(|_| 0.0, &mut Random::new(5, 0));
        for (line, row) in (2..).zip(&mut readings.rows) {
            (row.reading, row.line) = (of(row.voltage_v, row.frequency_hz), line);
        }
        readings
    };
    // A constant beside the gain, and readings that do not know the frequency.
    for readings in [with(&|v, f| 25.0 + 0.1 * v * f), with(&|v, _| 500.0 * v)] {
        let found = of_readings(&readings, SETTINGS).unwrap();
        assert!(!found.joint.is_proportional && found.joint.per_slew_rms.is_none());
        let said = linewake::report::response::sentences(&found).join(" ");
        assert!(said.contains("not in proportion") && !said.contains("stay in proportion"), "{said}");
    }
    assert!(of_readings(&with(&|_, _| 0.0), SETTINGS).unwrap_err().to_string().contains("all readings are zero"));
    let mut random = Random::new(6, 0);
    let mut readings = table(|reading| 0.01 * reading, &mut random);
    for (line, row) in (2..).zip(&mut readings.rows) {
        row.line = line;
    }
    let strays = |readings: &Readings| {
        let found = of_readings(readings, SETTINGS).unwrap();
        found.warnings.into_iter().find(|finding| finding.code == "stray_readings").map(|finding| finding.message)
    };
    assert_eq!(strays(&readings), None);
    readings.rows[40].reading *= 3.0;
    let said = strays(&readings).unwrap();
    // Of two readings either may be the stray.
    assert!(said.contains("in line 42 ") && said.contains("--robust"), "{said}");
}

#[cfg(feature = "cli")]
mod program {
    use crate::program::Bench;

    #[test]
    fn a_table_gives_lines_document_rows_and_picture() {
        let bench = Bench::with(&[]);
        bench.done("response --new -o readings.csv");
        let text = bench.done("response readings.csv").out;
        for said in ["units per V·kHz", "leave proportion by 5 %", "does not say", "Reading over voltage", "slew_rms"]
        {
            assert!(text.contains(said), "{said}: {text}");
        }
        let document = bench.json("response readings.csv --weights relative --robust -o response.svg");
        assert_eq!(document["settings"]["weights"], "relative");
        let lines = document["lines"].as_array().unwrap();
        assert_eq!(lines.len(), 12);
        for line in lines {
            assert!(line["fixed"] == "frequency_hz" || line["fixed"] == "voltage_v", "{line}");
            for key in ["value", "slope", "intercept", "r_squared"] {
                assert!(line[key].is_f64(), "{key}: {line}");
            }
            assert!(line.get("linear_up_to").is_some());
        }
        assert!((document["joint"]["gain"].as_f64().unwrap() / 0.1 - 1.0).abs() < 0.01);
        let ends: Vec<f64> = lines.iter().filter_map(|line| line["linear_up_to_reading"].as_f64()).collect();
        assert!(!ends.is_empty() && ends.iter().all(|end| (1400.0..2000.0).contains(end)), "{ends:?}");
        // Whatever readings count: settings at 1500 units hold the line, those at 2000 do not (the table's own rule).
        for words in ["response readings.csv", "response readings.csv --weights relative"] {
            let end = bench.json(words)["joint"]["linear_up_to_reading"].as_f64().unwrap();
            assert!((1500.0..2000.0).contains(&end), "{words}: {end}");
        }
        let svg = String::from_utf8(bench.read("response.svg")).unwrap();
        for said in ["Over voltage, at each frequency", "Over frequency, at each voltage", "equal reading", "150 kHz"] {
            assert!(svg.contains(said), "{said}");
        }
        bench.done("response readings.csv -o lines.csv");
        let rows = String::from_utf8(bench.read("lines.csv")).unwrap();
        assert_eq!(rows.lines().count(), 14);
        assert!(rows.starts_with("fixed,value,readings,points,slope,"));
    }

    #[test]
    fn readings_that_carry_no_line_are_refused_with_a_remedy() {
        let head = "voltage_mv,frequency_khz,reading\n";
        for (rows, said) in [
            ("20,50,OL\n", "bad.csv:2:7: \"OL\"; expected a reading as a number"),
            ("20,50,100\n", "one reading alone carries no line"),
            ("20,50,100\n20,50,101\n", "none of them at another voltage or frequency"),
            ("0,50,1\n0,60,1\n", "none of them at another"),
            ("-20,50,100\n", "bad.csv:2:1: \"-20\"; expected a voltage, not below zero"),
            ("", "no reading"),
        ] {
            let bench = Bench::with(&[("bad.csv", format!("{head}{rows}").as_bytes())]);
            let answer = bench.run("response bad.csv");
            assert_eq!(answer.status, 2, "{rows}: {}", answer.out);
            assert!(answer.err.contains(said) && answer.err.contains("remedy"), "{rows}: {}", answer.err);
        }
        let bench = Bench::with(&[("good.csv", format!("{head}20,50,100\n40,50,200\n").as_bytes())]);
        // Two readings carry a line, and nothing is claimed of its end.
        let document = bench.json("response good.csv");
        assert!(document["lines"][0]["slope_ci95"].is_null() && document["lines"][0]["is_judged"] == false);
        for (options, said) in [
            ("--weights stated", "add that column"),
            ("--weights heavy", "equal, relative"),
            ("--tolerance 0", "expected percent"),
        ] {
            let answer = bench.run(&format!("response good.csv {options}"));
            assert!(answer.status == 2 && answer.err.contains(said), "{options}: {}", answer.err);
        }
    }
}
