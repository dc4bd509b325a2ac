//! `calibrate`: closed forms, the round trip from known signals to a chain and back, findings, and bad descriptions.

#[path = "../../examples/calibration/simulate.rs"]
mod simulate;

use std::collections::BTreeMap;

use linewake::analysis::calibrate::{Basis, Calibrated, calibrate};
use linewake::analysis::settings::Settings;
use linewake::capture::Role;
use linewake::error::Error;
use linewake::read::calibration::{Input, LevelIs, calibration, share};
use linewake::read::{Bytes, Source};
use linewake::synth::Section;

use crate::signals::{RATE, samples_in, sine, sum, table, white};
use simulate::{CASES, coverage};

/// Captures by name, in memory.
type Captures = BTreeMap<&'static str, Vec<u8>>;

fn source(name: &str, bytes: &[u8]) -> Source {
    Source::new(Bytes::new(name, bytes.to_vec()))
}

fn calibrated(text: &str, captures: &Captures) -> Result<Calibrated, Error> {
    let description = calibration(&source("calibration.toml", text.as_bytes()))?;
    let missing = || Source::new(simulate::missing());
    let open = |name: &str| captures.get(name).map_or_else(missing, |bytes| source(name, bytes));
    calibrate(&description, open, &Settings::default()).map(|(_, found)| found)
}

fn one(samples: &[f64]) -> Vec<u8> {
    table(&["Wire (V)"], &[samples])
}

fn codes(found: &Calibrated) -> Vec<&str> {
    found.findings.iter().map(|warning| warning.finding.code).collect()
}

const GENERATOR: &str =
    "[generator]\nlevel_is = \"at-input\"\nuncertainty_db = 0.1\ndistribution = \"normal\"\ncoverage_factor = 2\n";

/// The share of corrections that hold the truth lies within three standard deviations of the binomial distribution
/// about 95 %, runs counted and not frequencies, because the generator's error is one for all of a run.
#[test]
fn a_chain_made_of_known_signals_corrects_back_to_the_known_level() {
    const RUNS: u32 = 12;
    let slack = 3.0 * (0.95 * 0.05 / f64::from(RUNS)).sqrt();
    for case in CASES {
        let share = coverage(*case, 0..u64::from(RUNS));
        println!("{}: {:.1} %", case.name(), 100.0 * share);
        assert!(share > 0.95 - slack, "{}: {share}", case.name());
    }
}

#[test]
fn a_divider_of_twenty_decibels_is_found_with_its_uncertainty() {
    // 1 V RMS through 10:1; the generator's 0.1 dB at k = 2 is all there is: ± 1.96 · 0.05 dB.
    let frequencies = [2e3, 5e3, 20e3, 50e3, 150e3];
    let names = ["a", "b", "c", "d", "e"];
    let captures: Captures =
        names.iter().zip(frequencies).map(|(name, f)| (*name, one(&sine(f, 0.1, samples_in(0.03))))).collect();
    let text = format!(
        "{GENERATOR}[[sine]]\nchannel = \"wire\"\nlevel_v = 1\nfrequency_hz = {frequencies:?}\ncaptures = {names:?}\n"
    );
    let found = calibrated(&text, &captures).unwrap();
    let wire = &found.channels[0];
    assert_eq!((wire.role, wire.basis, wire.gains.len()), (Role::Wire, Some(Basis::Sines), 5 + 4 * 3));
    for gain in &wire.gains {
        assert!((gain.gain_db + 20.0).abs() < 1e-4, "{}", gain.gain_db);
        assert!((gain.budget.expanded - 1.96 * 0.05).abs() < 1e-3, "{}", gain.budget.expanded);
    }
    assert_eq!(codes(&found), ["interpolated"]);
}

#[test]
fn where_the_level_holds_is_the_divider_of_generator_and_input() {
    // Closed forms: 50 Ω open-circuit into 50 Ω is a half; through 3.183 nF in series with 1 kΩ at 50 kHz, whose
    // reactance is 1 kΩ, |1000 − j1000| / |1050 − j1000|.
    let input = Input { ohm: Some(50.0), ..Input::default() };
    assert!((share(LevelIs::OpenCircuit(50.0), &[&input], 9e3).unwrap() - 0.5).abs() < 1e-12);
    let farad = 1.0 / (2.0 * std::f64::consts::PI * 50e3 * 1e3);
    let input = Input { ohm: Some(1e3), series_farad: Some(farad), ..Input::default() };
    let expected = 2e6f64.sqrt() / (1050f64 * 1050.0 + 1e6).sqrt();
    assert!((share(LevelIs::OpenCircuit(50.0), &[&input], 50e3).unwrap() - expected).abs() < 1e-12);
    assert!((share(LevelIs::Matched(50.0), &[&input], 50e3).unwrap() - 2.0 * expected).abs() < 1e-12);
    assert_eq!(share(LevelIs::Matched(50.0), &[&Input::default()], 50e3), None);
}

#[test]
fn both_inputs_load_the_generator_side_by_side() {
    // 1 V into 50 Ω out of 50 Ω is 2/3 V across two inputs of 50 Ω: 25/75 of 2 V.
    let seen = sine(20e3, 0.1 * 2.0 / 3.0, samples_in(0.03));
    let both = table(&["Wire (V)", "Air (V)"], &[&seen, &seen]);
    let text = "[generator]\nuncertainty_db = 0.1\ndistribution = \"normal\"\ncoverage_factor = 2\nlevel_is = \"matched\"\noutput_ohm = 50\n[wire]\ninput_ohm = 50\n[air]\ninput_ohm = 50\n\
                [[sine]]\nchannel = \"both\"\nlevel_v = 1\nfrequency_hz = 20e3\ncaptures = [\"a\"]\n";
    let found = calibrated(text, &[("a", both)].into()).unwrap();
    assert_eq!(found.channels.len(), 2);
    for channel in &found.channels {
        assert!((channel.gains[0].gain_db + 20.0).abs() < 1e-4, "{}", channel.gains[0].gain_db);
    }
}

#[test]
fn what_is_not_what_it_is_said_to_be_is_named() {
    let count = samples_in(0.03);
    let limited: Vec<f64> = sine(5e3, 0.1, count).iter().map(|x| 0.1 * (x / 0.1).tanh()).collect();
    let captures: Captures = [
        ("limited", one(&limited)),
        ("loud", one(&sine(20e3, 0.2, count))),
        ("usual", one(&sine(20e3, 0.1, count))),
        ("hum", one(&sine(30e3, 0.1, samples_in(0.2)))),
        ("tone", one(&sine(40e3, 0.1, samples_in(0.2)))),
    ]
    .into();
    let text = format!(
        "{GENERATOR}[[sine]]\nchannel = \"wire\"\nlevel_v = 1\nfrequency_hz = [5e3, 20e3, 20e3]\n\
         captures = [\"limited\", \"loud\", \"usual\"]\n[[shorted]]\nchannel = \"wire\"\ncaptures = [\"hum\"]\n\
         [[noise]]\nchannel = \"wire\"\ndensity_v_per_sqrt_hz = 1e-4\nlow_hz = 9e3\nhigh_hz = 150e3\ncaptures = [\"tone\"]\n"
    );
    let calibrated = calibrated(&text, &captures).unwrap();
    let found = codes(&calibrated);
    for code in ["distorted", "repeats_apart", "line_in_floor", "line_in_noise"] {
        assert_eq!(found.iter().filter(|found| **found == code).count(), 1, "{code}: {found:?}");
    }
}

#[test]
fn delay_and_crosstalk_are_those_built_in() {
    // The air 1.5 samples later: 3 µs at 500 kS/s; half of it is in the samples, half in the phase of the sine.
    let late = |f: f64| -> Vec<f64> {
        let phase = -std::f64::consts::TAU * f * 3e-6 + 0.4;
        let at = |n: usize| 0.1 * 2f64.sqrt() * (std::f64::consts::TAU * (f / RATE * n as f64).fract() + phase).sin();
        (0..samples_in(0.03)).map(at).collect()
    };
    let both = |f: f64| table(&["Wire (V)", "Air (V)"], &[&sine(f, 0.1, samples_in(0.03)), &late(f)]);
    let quiet: Vec<f64> = sine(30e3, 0.1, samples_in(0.03)).iter().map(|x| 1e-3 * x).collect();
    let captures: Captures = [
        ("a", both(10e3)),
        ("b", both(40e3)),
        ("c", both(100e3)),
        ("d", table(&["Wire (V)", "Air (V)"], &[&sine(30e3, 0.1, samples_in(0.03)), &quiet])),
    ]
    .into();
    let text = format!(
        "{GENERATOR}[[sine]]\nchannel = \"both\"\nlevel_v = 0.1\nfrequency_hz = [10e3, 40e3, 100e3]\ncaptures = [\"a\", \"b\", \"c\"]\n\
         [[sine]]\nchannel = \"wire\"\nother_input = \"terminated\"\nlevel_v = 0.1\nfrequency_hz = 30e3\ncaptures = \"d\"\n"
    );
    let found = calibrated(&text, &captures).unwrap();
    let delay = found.delay.as_ref().unwrap();
    assert!(delay.explains && (delay.delay_s - 3e-6).abs() < 1e-11, "{delay:?}");
    // The chain carries it at all frequencies: 360° · f · τ.
    let wire = &found.channels[0];
    assert!(wire.gains.iter().all(|g| (g.phase_deg.unwrap() - 360.0 * g.frequency_hz * 3e-6).abs() < 1e-4));
    assert!((found.crosstalk[0].crosstalk_db + 60.0).abs() < 1e-3 && !found.crosstalk[0].is_bound);
}

#[test]
fn compression_is_seen_and_left_out() {
    // A soft limiter of third order: x − k x³ lowers the fundamental of amplitude A by 3/4 k A².
    let limited =
        |rms: f64| -> Vec<f64> { sine(20e3, rms, samples_in(0.03)).iter().map(|x| x - 0.05 * x.powi(3)).collect() };
    let levels = [0.05, 0.1, 0.2, 0.4, 0.8];
    let names = ["a", "b", "c", "d", "e"];
    let mut captures: Captures = names.iter().zip(levels).map(|(name, v)| (*name, one(&limited(v)))).collect();
    captures.insert("f", one(&sine(50e3, 0.1, samples_in(0.03))));
    let text = format!(
        "{GENERATOR}[[sine]]\nchannel = \"wire\"\nfrequency_hz = 20e3\nlevel_v = {levels:?}\ncaptures = {names:?}\n\
         [[sine]]\nchannel = \"wire\"\nfrequency_hz = 50e3\nlevel_v = 0.1\ncaptures = \"f\"\n"
    );
    let found = calibrated(&text, &captures).unwrap();
    assert!(codes(&found).contains(&"compression"));
    let linearity = &found.channels[0].linearity[0];
    // 0.1 dB is 1.158 %: 0.75 · 0.05 · 2 V² = 0.01158, V = 0.393 V.
    let end = linearity.linear_up_to_v.unwrap();
    assert!((0.3..0.5).contains(&end), "{end}");
    let highest = 20.0 * (1.0f64 - 0.075 * 0.64).log10();
    assert!((linearity.at_highest_db - highest).abs() < 0.05, "{} {highest}", linearity.at_highest_db);
    assert!(found.steps.iter().filter(|step| step.level_v > 0.5).all(|step| !step.is_used));
}

#[test]
fn what_went_wrong_at_the_bench_is_told() {
    let long = samples_in(0.03);
    let clipped: Vec<f64> = sine(10e3, 0.1, long).iter().map(|x| x.clamp(-0.1, 0.1)).collect();
    let unsteady: Vec<f64> =
        sine(20e3, 0.1, long).iter().enumerate().map(|(n, x)| x * (1.0 + 2e-5 * n as f64)).collect();
    let captures: Captures = [
        ("clipped", one(&clipped)),
        ("unsteady", one(&unsteady)),
        ("off", one(&sine(50_100.0, 0.1, long))),
        ("nothing", one(&white(1e-12, long, 1))),
        ("short", one(&sine(2e3, 0.1, 2_000))),
        ("weak", one(&sum(&sine(100e3, 1e-5, long), &white(1e-14, long, 2)))),
        ("fine", one(&sine(5e3, 0.1, long))),
    ]
    .into();
    let text = "[[sine]]\nchannel = \"wire\"\nlevel_v = 0.1\nfrequency_hz = [10e3, 20e3, 50e3, 80e3, 2e3, 100e3, 5e3, 300e3]\n\
                captures = [\"clipped\", \"unsteady\", \"off\", \"nothing\", \"short\", \"weak\", \"fine\", \"beyond\"]\n";
    let captures: Captures = captures.into_iter().chain([("beyond", one(&sine(5e3, 0.1, long)))]).collect();
    let found = calibrated(text, &captures).unwrap();
    let told = |capture: &str| -> Vec<&str> {
        let own = found.findings.iter().filter(|warning| warning.path.as_deref() == Some(capture));
        own.map(|warning| warning.finding.code).collect()
    };
    assert_eq!(told("clipped"), ["clipped_step"]);
    assert_eq!(told("unsteady"), ["level_unsteady"]);
    assert_eq!(told("off"), ["frequency_off"]);
    assert_eq!(told("nothing"), ["no_sine"]);
    assert_eq!(told("short"), ["too_short"]);
    assert_eq!(told("fine"), [""; 0]);
    assert_eq!(told("beyond"), ["beyond_nyquist"]);
    let of_all = codes(&found);
    assert!(of_all.contains(&"generator_impedance") && of_all.contains(&"generator_uncertainty"));
    // What was found counts where the frequency is not as stated.
    assert!(found.steps.iter().any(|step| (step.frequency_hz - 50_100.0).abs() < 0.1));
}

#[test]
fn noise_shows_the_resonance_that_the_steps_missed() {
    // A resonance of 60 kHz, quality 5, in a parallel way of gain one: 20 log10(10/5) = 6 dB between steps that are flat.
    let resonance = 1.0 / (std::f64::consts::TAU * 60e3);
    let square = resonance * resonance;
    let section = Section::of_circuit([1.0, resonance / 5.0, square], [1.0, resonance / 10.0, square], RATE);
    let mut noise = white(1e-8, samples_in(0.1), 5);
    section.apply(&mut noise);
    let frequencies = [2e3, 8e3, 20e3, 150e3];
    let names = ["a", "b", "c", "d"];
    let step = |f: f64| sine(f, 0.1 * section.power_gain(f, RATE).sqrt(), samples_in(0.03));
    let mut captures: Captures = names.iter().zip(frequencies).map(|(name, f)| (*name, one(&step(f)))).collect();
    captures.insert("noise", one(&noise));
    let text = format!(
        "{GENERATOR}[[sine]]\nchannel = \"wire\"\nlevel_v = 0.1\nfrequency_hz = {frequencies:?}\ncaptures = {names:?}\n\
         [[noise]]\nchannel = \"wire\"\ndensity_v_per_sqrt_hz = 1e-4\nlow_hz = 2e3\nhigh_hz = 150e3\ncaptures = \"noise\"\n"
    );
    let found = calibrated(&text, &captures).unwrap();
    assert!(codes(&found).contains(&"between_steps"));
    let worst = found.channels[0].against_noise.unwrap();
    // The trapezoidal rule puts the resonance of the circuit at (rate/π) atan(π f/rate): 57.3 kHz.
    assert!((50e3..65e3).contains(&worst.frequency_hz) && worst.difference_db > 2.0, "{worst:?}");

    // Noise alone reaches from end to end of what it is stated for.
    let alone = text.split("[[noise]]").nth(1).map(|noise| format!("{GENERATOR}[[noise]]{noise}")).unwrap();
    let found = calibrated(&alone, &captures).unwrap();
    let wire = &found.channels[0];
    assert_eq!(wire.basis, Some(Basis::Noise));
    let covers = wire.covers().unwrap();
    assert!((covers.low() - 2e3).abs() < 1.0 && (covers.high() - 150e3).abs() < 1.0, "{covers}");
}

#[test]
fn bad_descriptions_are_refused_with_their_place() {
    let section = |line: &str| format!("[[sine]]\nchannel = \"wire\"\ncaptures = [\"a\", \"b\"]\n{line}\n");
    let both = "frequency_hz = 1e3\nlevel_v = 1\n";
    for (text, words) in [
        (
            section("frequency_hz = 1e3\nlevel_v = -1"),
            "calibration.toml:5:11: level_v of [[sine]]: -1; expected numbers above zero",
        ),
        (
            section("frequency_hz = [0, 1e3]\nlevel_v = 1"),
            ":4:16: frequency_hz of [[sine]]: 0; expected numbers above zero",
        ),
        (
            section("frequency_hz = [\"fast\", 1e3]\nlevel_v = 1"),
            ":4:16: frequency_hz of [[sine]]: a list that holds something else",
        ),
        (section("frequency_hz = [1e3, 2e3, 3e3]\nlevel_v = 1"), "3 numbers for 2 captures"),
        (section("frequency_hz = 1e3"), "has no \"level_v\""),
        (section("frequency_hz = 1e3\nlevel_v = 1\npeak_v = 1"), "peak_v of [[sine]]: stands beside level_v"),
        (section("frequenzy_hz = 1e3\nlevel_v = 1"), "did you mean \"frequency_hz\"?"),
        (section(both).replace("\"b\"", "\"a\""), ":3:18: the capture \"a\" is named twice"),
        (section(both).replace("\"wire\"", "\"wires\""), "did you mean \"wire\"?"),
        (section(&format!("{both}other_input = \"open\"")), "expected one of: terminated, generator"),
        (section(both).replace("captures", "#"), "has no \"captures\""),
        ("about = \"nothing\"\n".into(), "names no capture"),
        (
            "[generator]\nlevel_is = \"matched\"\n[[shorted]]\nchannel = \"wire\"\ncaptures = \"a\"\n".into(),
            "has no \"output_ohm\"",
        ),
        (
            "[[comb]]\nchannel=\"wire\"\ncaptures=\"a\"\nspacing_hz=5e3\nhighest_hz=1e3\nlevel_v=1\n".into(),
            "below the spacing",
        ),
        (
            "[[noise]]\nchannel=\"wire\"\ncaptures=\"a\"\nlow_hz=5e3\nhigh_hz=1e3\ndensity_v_per_sqrt_hz=1\n".into(),
            "not above low_hz",
        ),
        ("[[shorted]]\nchannel = \"both\"\nother_input = \"terminated\"\ncaptures = \"a\"\n".into(), "no such key"),
        ("[wire]\nport = \"field\"\n".into(), "one of: line-to-neutral"),
        ("[[sine]\n".into(), "calibration.toml:1:"),
        (section(both), ":3:13: the capture \"a\" cannot be read"),
    ] {
        let error = calibrated(&text, &Captures::new()).unwrap_err().to_string();
        assert!(error.contains(words), "{text}\n{error}");
    }
}

/// The demo's chain on the bench, through the real program.
#[cfg(feature = "cli")]
mod through_the_program {
    use linewake::survey::studio::Studio;
    use linewake::survey::studio::bench::{CROSSTALK_DB, gain_db};
    use serde_json::Value;

    use super::*;
    use crate::program::Bench;

    fn number(value: &Value) -> f64 {
        value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
    }

    #[test]
    fn the_bench_of_the_studio_gives_back_what_is_built_in() {
        let bench = Bench::with(&[]);
        for (name, bytes) in Studio::new(3).bench() {
            bench.put(&format!("calibration/{name}"), &bytes);
        }
        let text = bench.done("calibrate calibration/calibration.toml -o chain.toml").out;
        for said in ["Wire: gain −20.", "noise agrees with the steps", "Crosstalk from wire to air", "reported only"]
        {
            assert!(text.contains(said), "{said}: {text}");
        }
        assert_eq!(
            bench.names(),
            [
                "calibration",
                "chain-air-gain.csv",
                "chain-air-noise.csv",
                "chain-wire-gain.csv",
                "chain-wire-noise.csv",
                "chain.toml"
            ]
        );
        let json: Value =
            serde_json::from_str(&bench.done("calibrate calibration/calibration.toml --json").out).unwrap();
        assert_eq!(json["inputs"].as_array().unwrap().len(), 1 + 23);
        let wire = &json["channels"][0];
        let gains = wire["gains"].as_array().unwrap();
        assert_eq!(gains.len(), 9 + 8 * 3);
        for gain in gains {
            let [frequency, db] = ["frequency_hz", "gain_db"].map(|key| number(&gain[key]));
            // Three times the stated interval: one seed, and steps that share the generator's error.
            let half = number(&gain["budget"]["expanded"]);
            assert!((db - gain_db(frequency)).abs() < 1.5 * half, "{frequency}: {db} {} {half}", gain_db(frequency));
        }
        for crosstalk in json["crosstalk"].as_array().unwrap() {
            assert!((number(&crosstalk["crosstalk_db"]) - CROSSTALK_DB).abs() < 2.0, "{crosstalk}");
        }

        // A tone of 1 mV on the line, as the recorder sees it, is read as 1 mV again.
        let rms = 1e-3 * 10f64.powf(gain_db(35e3) / 20.0);
        bench.put("tone.csv", &one(&sine(35e3, rms, samples_in(0.1))));
        let json: Value = serde_json::from_str(&bench.done("bands tone.csv --setup chain.toml --json").out).unwrap();
        let level = number(&json["captures"][0]["channels"][0]["total"]["level_db"]);
        assert!((level - 60.0).abs() < 0.15, "{level}");
        assert!(bench.done("setup chain.toml").out.contains("known from 2 to 150 kHz"));
    }

    #[test]
    fn outputs_are_whole_and_nothing_foreign_is_replaced() {
        let long = samples_in(0.03);
        let text = format!(
            "{GENERATOR}[[sine]]\nchannel = \"wire\"\nlevel_v = 0.1\nfrequency_hz = [5e3, 20e3, 90e3]\n\
             captures = [\"a.csv\", \"b.csv\", \"c.csv\"]\n"
        );
        let bench = Bench::with(&[
            ("a.csv", &one(&sine(5e3, 0.1, long))),
            ("b.csv", &one(&sine(20e3, 0.1, long))),
            ("c.csv", &one(&sine(90e3, 0.1, long))),
            ("calibration.toml", text.as_bytes()),
        ]);
        bench.done("calibrate calibration.toml -o chain.toml");
        bench.done("calibrate calibration.toml -o chain.toml");
        bench.put("other.toml", b"mine = true\n");
        let refused = bench.run("calibrate calibration.toml -o other.toml");
        assert!(refused.status == 2 && refused.err.contains("is there already"), "{}", refused.err);
        assert_eq!(bench.read("other.toml"), b"mine = true\n");
        bench.done("calibrate calibration.toml -o other.toml --force");
        let own = bench.run("calibrate calibration.toml -o calibration.toml --force");
        assert!(own.status == 2 && own.err.contains("is the description itself"), "{}", own.err);
        assert_eq!(bench.read("calibration.toml"), text.as_bytes());

        bench.done("calibrate calibration.toml -o chain.csv");
        let rows = String::from_utf8(bench.read("chain.csv")).unwrap();
        assert!(
            rows.starts_with("part,channel,frequency_hz,value,unit,expanded_uncertainty,phase_deg,level_v,capture\n")
        );
        assert_eq!(rows.lines().count(), 1 + 3 + 2 * 3 + 3);
        bench.done("calibrate calibration.toml -o chain.svg");
        let svg = String::from_utf8(bench.read("chain.svg")).unwrap();
        assert!(svg.contains("Gain, recorder over input, dB") && svg.contains("About the gain"));

        std::fs::remove_file(bench.path("b.csv")).unwrap();
        let missing = bench.run("calibrate calibration.toml");
        assert!(missing.status == 2 && missing.err.contains("calibration.toml:10:22: "), "{}", missing.err);
        assert!(
            missing.err.contains("the capture \"b.csv\" cannot be read") && missing.err.contains("from the folder"),
            "{}",
            missing.err
        );

        let one_only =
            format!("{GENERATOR}[[sine]]\nchannel=\"wire\"\nlevel_v=0.1\nfrequency_hz=5e3\ncaptures=\"a.csv\"\n");
        bench.put("one.toml", one_only.as_bytes());
        assert!(bench.run("calibrate one.toml").status == 0);
        let refused = bench.run("calibrate one.toml -o one-chain.toml");
        assert!(refused.status == 2 && refused.err.contains("two frequencies or more"), "{}", refused.err);

        bench.done("calibrate --new -o new.toml");
        assert!(bench.done("calibrate --new").out.contains("[[shorted]]"));
    }
}
