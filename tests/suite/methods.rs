//! Groups of published methods and the mains-phase map, through the whole program.

use linewake::analysis::observe::{Wants, observe_recording};
use linewake::analysis::settings::Settings;
use linewake::measure::groups::Grouping;
use linewake::report::columns::header_of;
use linewake::survey::studio::{State, Studio};

use crate::program::Bench;
use crate::signals::{memory, samples_in, sine, sum, table, white};

fn led_panel() -> Vec<u8> {
    let studio = Studio::new(7);
    let captures = studio.captures();
    let found = captures.iter().find(|c| c.state == State::On && c.load.is_some_and(|load| load.slug == "led-panel"));
    studio.csv(found.unwrap())
}

/// The RMS value of the groups of the first channel whose centres lie between two frequencies, themselves included.
fn rms(settings: &Settings, grouping: Grouping, samples: &[f64], (low, high): (f64, f64)) -> f64 {
    let wants = Wants { grouping: Some(grouping), ..Wants::default() };
    let observed = observe_recording(memory(&[samples], 50_000), settings, wants).unwrap();
    let (channels, _) = observed.groups.unwrap();
    let inside = channels[0].values.iter().filter(|value| (low..=high).contains(&value.group.centre));
    inside.map(|value| value.mean).sum::<f64>().sqrt()
}

#[test]
fn the_high_pass_is_divided_out_line_by_line() {
    let count = samples_in(0.25);
    for (grouping, frequency, centre) in [
        (Grouping::TwoHundredHertz, 2005.0, 2100.0),
        (Grouping::TwoHundredHertz, 8900.0, 8900.0),
        (Grouping::TwoKilohertz, 8e3, 8e3),
        (Grouping::TwoKilohertz, 150e3, 150e3),
    ] {
        let samples = sine(frequency, 2e-3, count);
        let with = Settings { mains: Some(50.0), ..Settings::default() };
        let without = Settings { high_pass: None, ..with.clone() };
        for settings in [with, without] {
            let error = 20.0 * (rms(&settings, grouping, &samples, (centre, centre)) / 2e-3).log10();
            assert!(error.abs() < 2e-4, "{frequency} Hz: {error} dB");
        }
    }
}

/// Mains in the record behind the high-pass: the synchronised window keeps its harmonics on their own lines.
#[test]
fn mains_in_the_record_leaves_the_groups_alone() {
    let count = samples_in(0.45);
    let noise = white(1e-12, count, 4);
    let fundamental = sine(49.93, 230.0, count);
    let distorted = sum(&fundamental, &sine(49.93 * 5.0, 8.0, count));
    // Alone the noise is cut at 50 Hz, so other stretches of it are seen: all groups together even that out.
    let rise_db = |settings: &Settings, grouping, mains: &[f64], range| {
        let alone = rms(settings, grouping, &noise, range);
        20.0 * (rms(settings, grouping, &sum(&noise, mains), range) / alone).log10()
    };
    let settings = Settings::default();
    let (low, high) = ((2100.0, 8900.0), (20e3, 150e3));
    let rise = rise_db(&settings, Grouping::TwoHundredHertz, &distorted, low);
    assert!(rise.abs() < 0.3, "{rise} dB");
    let rise = rise_db(&settings, Grouping::TwoKilohertz, &fundamental, high);
    assert!(rise.abs() < 0.3, "{rise} dB");
    // Windows of 0.5 ms are not synchronised: what the high-pass leaves of 8 V at 250 Hz, 31 mV, is a ramp of some
    // 30 mV in each of them and stands far above 45 uV of noise. A higher cutoff takes it away.
    assert!(rise_db(&settings, Grouping::TwoKilohertz, &distorted, high) > 10.0);
    let steep = Settings { high_pass: Some(linewake::units::Hertz::new(4e3).unwrap()), ..Settings::default() };
    let rise = rise_db(&steep, Grouping::TwoKilohertz, &distorted, high);
    assert!(rise.abs() < 0.3, "{rise} dB");
}

#[test]
fn documents_hold_the_groups_beside_the_bands() {
    let bench = Bench::with(&[("on.csv", &led_panel())]);
    for (name, count) in [("4-7", 35), ("4-30", 72)] {
        let document = bench.json(&format!("bands on.csv --grouping {name}"));
        assert_eq!(document["settings"]["grouping"], name);
        let capture = &document["captures"][0];
        let grouping = &capture["grouping"];
        // 200 ms less the settling of the high-pass: nine whole cycles, and a warning that says so.
        assert_eq!((&grouping["interval_cycles"], &grouping["intervals"]), (&9.into(), &1.into()));
        assert_eq!(grouping["full_intervals"], false);
        let codes: Vec<&str> =
            capture["warnings"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap()).collect();
        assert!(codes.contains(&"short_interval"), "{codes:?}");
        for channel in capture["channels"].as_array().unwrap() {
            assert_eq!(channel["bands"].as_array().unwrap().len(), 74);
            let groups = channel["groups"].as_array().unwrap();
            assert_eq!(groups.len(), count);
            for group in groups {
                let number = |field: &str| group[field].as_f64();
                for field in ["centre_hz", "low_hz", "high_hz", "rms", "level_db", "lowest_interval_rms"] {
                    assert!(number(field).is_some(), "{field}: {group}");
                }
                assert_eq!(number("min_rms").is_some(), name == "4-30");
                assert!(number("min_rms") <= number("rms") && group["highest_long_rms"].is_null());
            }
        }
    }
    let plain = bench.json("bands on.csv");
    assert!(plain["captures"][0].get("grouping").is_none() && plain["settings"]["grouping"].is_null());
    // What is built in: 3 mV at 68 kHz, all of it in one line of 2 kHz and its neighbours.
    let document = bench.json("bands on.csv --grouping 4-30");
    let wire = &document["captures"][0]["channels"][0]["groups"];
    let at = wire.as_array().unwrap().iter().find(|group| group["centre_hz"] == 68e3).unwrap();
    assert!((at["rms"].as_f64().unwrap() / 3e-3 - 1.0).abs() < 0.1, "{at}");
}

#[test]
fn a_file_of_groups_is_the_commands_own() {
    let bench = Bench::with(&[("on.csv", &led_panel())]);
    for _ in 0..2 {
        bench.done("bands on.csv --grouping 4-7 -o groups.csv");
    }
    let text = String::from_utf8(bench.read("groups.csv")).unwrap();
    assert_eq!(text.lines().next().map(str::to_owned), header_of("groups"));
    assert_eq!(text.lines().count(), 1 + 2 * 35);
}

#[test]
fn what_carries_no_group_is_refused_with_a_remedy() {
    let count = samples_in(0.1);
    let short = table(&["Wire (V)"], &[&white(1e-12, count, 2)]);
    let bench = Bench::with(&[("short.csv", &short), ("on.csv", &led_panel())]);
    for (arguments, words) in [
        ("bands short.csv --grouping 4-7 --mains 50", &["short.csv", "10 mains cycles", "206 ms", "--bands 200"][..]),
        ("bands short.csv --grouping 4-30 --mains 60", &["12 mains cycles", "record longer"]),
        ("bands on.csv --grouping 4-7 --range 20k:30k", &["no group of \"4-7\"", "on.csv", "--range"]),
        ("bands on.csv --grouping 2k", &["names no grouping", "4-7 (200 Hz groups"]),
        ("bands on.csv --grouping 4-7 --budget", &["cannot be used with"]),
        ("phase-map on.csv --window-ms 40", &["a window of 20000 samples", "one mains cycle", "--window-ms"]),
        ("phase-map on.csv --window-ms 0.001", &["16 samples"]),
        ("phase-map on.csv --window-ms=-1", &["expected milliseconds above 0"]),
        ("phase-map on.csv --phases 3", &["8..=720"]),
    ] {
        let answer = bench.run(arguments);
        assert_eq!(answer.status, 2, "{arguments}");
        for word in words {
            assert!(answer.err.contains(word), "{arguments}: no \"{word}\" in {}", answer.err);
        }
    }
}

#[test]
fn the_phase_map_finds_the_dimmer_at_the_crests() {
    // The LED panel is built with a level that follows the rectified sine of the mains.
    let bench = Bench::with(&[("on.csv", &led_panel())]);
    let document = bench.json("phase-map on.csv --phases 36");
    let capture = &document["captures"][0];
    assert_eq!((&document["settings"]["phases"], &document["settings"]["window_s"]), (&36.into(), &1e-3.into()));
    assert_eq!((&capture["phase_reference"], &capture["cycles"]), (&"rising_zero".into(), &9.0.into()));
    let bins = capture["frequency_hz"].as_array().unwrap().len();
    assert_eq!((capture["phase_deg"].as_array().unwrap().len(), bins), (36, 149));
    for channel in capture["channels"].as_array().unwrap() {
        let map = channel["map_level_db"].as_array().unwrap();
        assert!(map.len() == 36 && map.iter().all(|row| row.as_array().unwrap().len() == bins));
        assert_eq!(channel["mean_level_db"].as_array().unwrap().len(), bins);
        let band = channel["bands"].as_array().unwrap().iter().find(|band| band["low_hz"] == 50e3).unwrap();
        assert!(band["shown"] == true && band["twice_a_cycle"] == true, "{band}");
        let crest = band["loudest_phase_deg"].as_f64().unwrap().rem_euclid(180.0);
        assert!((crest - 90.0).abs() < 16.0, "{crest}");
        assert!(band["lock_share"].as_f64().unwrap() > 0.95);
    }
    // Without the mains in the record there is no absolute phase, and the output says so.
    let noise = table(&["Wire (V)"], &[&white(1e-12, samples_in(0.1), 3)]);
    let bench = Bench::with(&[("noise.csv", &noise)]);
    let answer = bench.done("phase-map noise.csv");
    for word in ["no phase of the mains stands out", "relative only"] {
        assert!(answer.out.contains(word), "{word}: {}", answer.out);
    }
}
