//! `plan`: the floor and the smallest difference that it predicts, against simulated captures; conflicts; the check.

use linewake::analysis::compare::{Order, what_changed};
use linewake::analysis::plan::{floor_db, smallest_difference_db};
use linewake::analysis::settings::Settings;
use linewake::analysis::spectrum::spectrum;
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::synth::Quantiser;
use linewake::units::{Band, Level};

use crate::signals::{RATE, samples_in, table, white};

fn source(name: &str, samples: &[f64]) -> Source {
    Source::new(Bytes::new(name, table(&["Wire (V)"], &[samples])))
}

#[test]
fn the_floor_is_that_of_a_simulated_converter() {
    // The rounding error of a busy signal, at three widths of a step: what is left when the signal is taken off.
    for (bits, full_scale) in [(8, 2.0), (10, 0.4), (12, 10.0)] {
        let step = full_scale / 2f64.powi(bits);
        let converter = Quantiser::new(u32::try_from(bits).unwrap(), step);
        let signal = white((3.0 * step).powi(2) / (RATE / 2.0), samples_in(0.4), 9);
        let error: Vec<f64> = converter.quantised(signal.clone()).iter().zip(&signal).map(|(a, b)| a - b).collect();
        let (_, found) = spectrum(&source("floor.csv", &error), &Settings::default()).unwrap();
        let psd = &found.channels[0].psd;
        let enbw = found.analysis.enbw_hz;
        let measured = Level::of_rms((psd.iter().sum::<f64>() / psd.len() as f64 * enbw).sqrt()).get();
        let planned = floor_db(full_scale, u32::try_from(bits).unwrap(), 1.0, RATE, enbw);
        println!("{bits} bits, {full_scale} V: planned {planned:.2} dBµV, simulated {measured:.2} dBµV");
        assert!((planned - measured).abs() < 0.5);
    }
}

/// The share of bands in which `compare` shows a rise, at the strictest step of its table.
fn share_shown(captures: u64, seconds: f64, rise: f64) -> f64 {
    let settings = Settings { range: Band::new(10e3, 110e3).unwrap(), ..Settings::default() };
    let side = |first: u64, density: f64| -> Vec<Source> {
        (0..captures).map(|k| source(&format!("{k}.csv"), &white(density, samples_in(seconds), first + k))).collect()
    };
    let mut shown = Vec::new();
    for run in 0..2 {
        let (before, after) = (side(1000 * run, 1e-12), side(1000 * run + 500, 1e-12 * (1.0 + rise)));
        let (_, found) = what_changed(&before, &after, &settings, &Scheme::TwoKilohertz, Order::Apart).unwrap();
        shown.extend(found.channels[0].bands.iter().map(|band| band.p_value.unwrap() <= 0.05 / 51.0));
    }
    assert_eq!(shown.len(), 100);
    shown.iter().filter(|shown| **shown).count() as f64 / 100.0
}

#[test]
fn the_smallest_difference_is_that_which_comparing_shows() {
    for (captures, seconds) in [(4, 0.1), (1, 0.4)] {
        let planned = smallest_difference_db(2e3, seconds, usize::try_from(captures).unwrap(), 0.0, 50.0, 51).unwrap();
        let rise = 10f64.powf(planned / 10.0) - 1.0;
        let [less, more] = [0.8, 1.2].map(|factor| share_shown(captures, seconds, factor * rise));
        println!(
            "{captures} captures of {seconds} s: {planned:.2} dB planned; shown {less} a fifth below, {more} a fifth above"
        );
        // Four in five are to be shown at the rise planned: the rise at which they are lies within a fifth of it.
        assert!(less < 0.8 && 0.8 < more, "{captures}: {less} {more}");
    }
}

#[cfg(feature = "cli")]
mod program {
    use crate::program::Bench;
    use crate::signals::{samples_in, table, white};

    #[test]
    fn a_plan_says_what_to_set_and_what_it_will_show() {
        let bench = Bench::with(&[]);
        let text = bench.done("plan --smallest 100u --largest 10m --bits 12 --memory 1M").out;
        for said in
            ["500 kS/s", "Checklist", "[ ] ", "load on with the filter", "smallest rise shown", "Mains can kill"]
        {
            assert!(text.contains(said), "{said}: {text}");
        }
        let document = bench.json("plan --smallest 40dBuV --largest 10m --bits 12 --memory 1M -o plan.csv");
        let plan = &document["plan"];
        assert_eq!(plan["sample_rate_hz"], 500e3);
        assert!(
            plan["floor_db"].as_f64().unwrap() < 37.0 && plan["conflicts"].as_array().unwrap().is_empty(),
            "{plan}"
        );
        assert!(String::from_utf8(bench.read("plan.csv")).unwrap().starts_with("what,value,unit\n"));
        let narrow = plan["smallest_difference_db"].as_f64().unwrap();
        let wide =
            bench.json("plan --smallest 40dBuV --largest 10m --bits 12 --memory 1M --bands wide")["plan"].clone();
        // The narrowest of the wide bands is 7 kHz, and the table has 6 rows for 75.
        assert_eq!((wide["narrowest"]["high_hz"].as_f64(), wide["bands"].as_u64()), (Some(9e3), Some(5)));
        assert!(wide["smallest_difference_db"].as_f64().unwrap() < 0.5 * narrow, "{wide}");
        assert!(bench.done("plan --checklist").out.starts_with("Checklist\n[ ] Mains can kill"));
    }

    #[test]
    fn conflicts_come_with_a_remedy() {
        let bench = Bench::with(&[]);
        for (arguments, said) in [
            (
                "--smallest 100u --mains-present 230 --probe 100 --bits 8",
                "take a coupling network that removes the mains",
            ),
            ("--quasi-peak --memory 100k", "Quasi-peak readings need 1.5 s"),
            ("--mains-present 230", "isolated or differential probe"),
            ("--highest-rate 200k", "end the range at 80.0 kHz"),
            ("--every 60s --memory 1M", "take more memory"),
            ("--captures 1", "take three or more"),
            ("--captures 3 --scatter 150", "take 4 captures of each state"),
            ("--captures 3 --bands 200 --range 2k:9k --scatter 180", "2 to 2.2 kHz alone"),
        ] {
            let answer = bench.run(&format!("plan {arguments}"));
            assert!(answer.status == 0 && answer.err.contains(said), "{arguments}: {}", answer.err);
        }
        for (arguments, said) in [
            ("--smallest 1 --largest 10m", "the smallest below the largest"),
            ("--smallest -3", ""),
            ("--smallest 0", "zero"),
            ("--bits 99", "4..=24"),
            ("--probe 0", "above zero"),
            ("--every 0s", "above zero"),
            ("--rbw 1M", "narrower than the range"),
            ("--memory 5", "1000 or more"),
        ] {
            let answer = bench.run(&format!("plan {arguments}"));
            assert!(answer.status == 2 && answer.err.contains(said), "{arguments}: {}", answer.err);
        }
    }

    #[test]
    fn captures_are_held_against_the_plan() {
        let rounded = |step: f64, seconds: f64| {
            let samples = white(1e-9, samples_in(seconds), 4);
            let samples: Vec<f64> = samples.iter().map(|v| (v / step).round() * step).collect();
            table(&["Wire (V)"], &[&samples])
        };
        let bench = Bench::with(&[("good.csv", &rounded(1e-4, 0.3)), ("short.csv", &rounded(5e-3, 0.1))]);
        // What does not keep to the plan is in the status as well.
        let answer = bench.run("plan --smallest 30u --largest 10m --bits 12 --check good.csv short.csv --json");
        assert_eq!(answer.status, 1);
        let document = answer.json();
        bench.done("plan --smallest 30u --largest 10m --bits 12 --check good.csv");
        let met = |k: usize| -> Vec<(String, bool)> {
            let points = document["checked"][k]["points"].as_array().unwrap();
            points.iter().map(|p| (p["what"].as_str().unwrap().to_owned(), p["met"].as_bool().unwrap())).collect()
        };
        assert!(met(0).len() >= 4 && met(0).iter().all(|(_, met)| *met), "{:?}", met(0));
        let failed: Vec<String> = met(1).into_iter().filter(|(_, met)| !met).map(|(what, _)| what).collect();
        assert!(
            failed.contains(&"record".to_owned()) && failed.iter().any(|what| what.starts_with("floor")),
            "{failed:?}"
        );
        assert!(bench.run("plan --smallest 100u --check short.csv").out.contains("DOES NOT DO"));
        // A survey's description names the captures, relative to itself.
        bench.put(
            "job/survey.toml",
            b"title = \"x\"\n[[case]]\nname = \"a\"\noff = [\"../good.csv\"]\non = [\"../short.csv\"]\n",
        );
        let said = bench.run("plan --smallest 30u --largest 10m --bits 12 --check job/survey.toml").out;
        assert!(said.starts_with("1 of 2 captures do not keep to the plan: job/../short.csv (record; "), "{said}");
    }
}
