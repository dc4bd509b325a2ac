//! The measuring chain from setup file to result: what is refused and where, and what a known chain makes of a
//! known signal.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::io::{self, Cursor, Read};
use std::sync::Arc;

use linewake::analysis::bands::{bands, bands_with_budget};
use linewake::analysis::compare::{Order, what_changed, what_is_added};
use linewake::analysis::observe::{Wants, observe_recording};
use linewake::analysis::settings::Settings;
use linewake::analysis::spectrum::of_observed;
use linewake::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
use linewake::measure::bands::Scheme;
use linewake::read::setup::setup;
use linewake::read::{Origin, Source};
use linewake::units::{Band, Hertz};

/// A folder in memory.
#[derive(Clone)]
struct File {
    name: String,
    folder: Arc<BTreeMap<String, Vec<u8>>>,
}

impl Origin for File {
    fn name(&self) -> &str {
        &self.name
    }

    fn byte_count(&self) -> io::Result<u64> {
        self.folder.get(&self.name).map(|bytes| bytes.len() as u64).ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let bytes = self.folder.get(&self.name).ok_or(io::ErrorKind::NotFound)?;
        Ok(Box::new(Cursor::new(bytes.get(position as usize..).unwrap_or_default().to_vec())))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        let folder = Arc::clone(&self.folder);
        self.folder.contains_key(name).then(|| Source::new(File { name: name.into(), folder }))
    }
}

fn file(name: &str, files: &[(&str, &str)]) -> Source {
    let folder = files.iter().map(|(name, text)| ((*name).to_owned(), text.as_bytes().to_vec())).collect();
    Source::new(File { name: name.to_owned(), folder: Arc::new(folder) })
}

fn settings(toml: &str, tables: &[(&str, &str)], range: (f64, f64)) -> Settings {
    let files: Vec<_> = tables.iter().copied().chain([("chain.toml", toml)]).collect();
    let setup = setup(&file("chain.toml", &files)).unwrap();
    Settings { setup: Some(Arc::new(setup)), range: Band::new(range.0, range.1).unwrap(), ..Settings::default() }
}

const PROBE: &str = "[wire]\nparts = [\"probe\"]\n[part.probe]\n";
const RESPONSE: &str = "[wire]\nparts = [\"net\"]\n[part.net]\nkind = \"response\"\ntable = \"net.csv\"\n";

#[test]
fn what_is_wrong_is_named_with_its_line() {
    let long = format!("{PROBE}kind = \"ratio\"\nratio = 10\nnote = \"{}\"\n", "x".repeat(1 << 20));
    let probe = |rest: &str| format!("{PROBE}{rest}");
    let cases: Vec<(String, &str, &str, &str)> = vec![
        // The setup file itself: syntax, keys, values.
        ("[wire\n".into(), "", "chain.toml:1:", "TOML"),
        (probe("kind = \"ratio\"\nkind = \"ratio\"\n"), "", "chain.toml:5:1", "duplicate"),
        (probe("kind = \"ratio\"\nrato = 10\n"), "", "chain.toml:5:1", "did you mean \"ratio\"?"),
        (probe("kind = \"respons\"\n"), "", "chain.toml:4:8", "did you mean \"response\"?"),
        (probe("ratio = 10\n"), "", "chain.toml:3:1", "has no \"kind\""),
        (probe("kind = \"ratio\"\nratio = nan\n"), "", "chain.toml:5:9", "a finite number"),
        (probe("kind = \"ratio\"\nratio = -inf\n"), "", "chain.toml:5:9", "a finite number"),
        (probe("kind = \"ratio\"\nratio = 0\n"), "", "chain.toml:5:9", "above zero"),
        (probe("kind = \"ratio\"\nratio = 1e300\n"), "", "chain.toml:5:9", "a real part"),
        (probe("kind = \"ratio\"\nratio = \"ten\"\n"), "", "chain.toml:5:9", "a number"),
        (probe("kind = \"ratio\"\n"), "", "chain.toml:3:1", "has no \"ratio\""),
        (probe("kind = \"gain\"\ngain_db = 1e4\n"), "", "chain.toml:5:11", "400 dB"),
        (long, "", "chain.toml:", "a megabyte"),
        (String::new(), "", "chain.toml:", "describes no channel"),
        ("[fire]\n".into(), "", "chain.toml:1:2", "did you mean \"wire\"?"),
        ("wire = 3\n".into(), "", "chain.toml:1:8", "a section [wire]"),
        // Uncertainties.
        (probe("kind = \"ratio\"\nratio = 10\nuncertainty_db = 0.2\n"), "", "chain.toml:3:1", "has no \"distribution\""),
        (
            probe("kind = \"ratio\"\nratio = 10\nuncertainty_db = 0.2\ndistribution = \"normal\"\n"),
            "",
            "chain.toml:3:1",
            "has no \"coverage_factor\"",
        ),
        (
            probe("kind = \"ratio\"\nratio = 10\nuncertainty_db = -1\ndistribution = \"triangular\"\n"),
            "",
            "chain.toml:6:18",
            "0 to 400",
        ),
        (
            probe("kind = \"ratio\"\nratio = 10\nuncertainty_db = 1\ndistribution = \"u-shape\"\n"),
            "",
            "chain.toml:7:16",
            "did you mean \"u-shaped\"?",
        ),
        // References: nobody there, a circle, twice the same.
        ("[wire]\nparts = [\"prob\"]\n[part.probe]\nkind = \"ratio\"\nratio = 1\n".into(), "", "chain.toml:2:10", "did you mean \"probe\"?"),
        (
            "[wire]\nparts = [\"a\"]\n[part.a]\nkind = \"group\"\nparts = [\"b\"]\n[part.b]\nkind = \"group\"\nparts = [\"a\"]\n"
                .into(),
            "",
            "chain.toml:8:10",
            "circle: a → b → a",
        ),
        ("[wire]\nparts = [\"p\", \"p\"]\n[part.p]\nkind = \"ratio\"\nratio = 1\n".into(), "", "chain.toml:2:15", "each part once"),
        ("[wire]\nparts = []\n".into(), "", "chain.toml:2:9", "an empty list"),
        // Roles and units that contradict each other.
        (
            "[wire]\nparts = [\"l\"]\n[part.l]\nkind = \"ideal-loop\"\nturns = 10\narea_m2 = 0.01\n".into(),
            "",
            "chain.toml:2:10",
            "fields belong to [air]",
        ),
        (
            "[air]\nparts = [\"p\", \"l\"]\n[part.p]\nkind = \"ratio\"\nratio = 10\n[part.l]\nkind = \"ideal-loop\"\nturns = 10\narea_m2 = 0.01\n"
                .into(),
            "",
            "chain.toml:2:15",
            "first in the list",
        ),
        (format!("[wire]\nunit = \"A\"\n{}", &probe("kind = \"ratio\"\nratio = 10\n")["[wire]\n".len()..]), "", "chain.toml:2:8", "lead to V"),
        // Tables.
        (RESPONSE.replace("net.csv", "no.csv"), "", "chain.toml:5:9", "no file \"no.csv\""),
        (RESPONSE.replace("net.csv", "../net.csv"), "", "chain.toml:5:9", "another folder"),
        (RESPONSE.into(), "", "net.csv:", "is empty"),
        (RESPONSE.into(), "frequency_hz,gain_db\n", "net.csv: ", "no row"),
        (RESPONSE.into(), "frequency_hz,gain\n1000,1\n", "net.csv:1:14", "frequency_hz, gain_db"),
        (RESPONSE.into(), "frequency_hz,factor_db_per_m\n1000,1\n", "net.csv:1:14", "gain_db"),
        (RESPONSE.into(), "gain_db\n1\n", "net.csv:1: ", "frequency_hz"),
        (RESPONSE.into(), "frequency_hz,gain_db\n1000,1\n1000,2\n", "net.csv:3: ", "increase"),
        (RESPONSE.into(), "# measured\nfrequency_hz,gain_db\n\n1000,1\n900,2\n", "net.csv:5: ", "increase"),
        (RESPONSE.into(), "frequency_hz,gain_db\n1000,NaN\n", "net.csv:2:6", "a finite number"),
        (RESPONSE.into(), "frequency_hz,gain_db\n1000,1 dB\n", "net.csv:2:6", "a finite number"),
        (RESPONSE.into(), "frequency_hz,gain_db\n-1,1\n", "net.csv:2: ", "above zero"),
        (RESPONSE.into(), "frequency_hz,gain_db\n1000,1,2\n", "net.csv:2: ", "2 as in the header"),
        (RESPONSE.into(), "frequency_hz,gain_db\n1000,5000\n", "net.csv:2:6", "a real part"),
        (RESPONSE.into(), "frequency_hz,gain_db,gain_db\n1000,1,1\n", "net.csv:1:22", "a second column"),
        (
            format!("{RESPONSE}uncertainty_db = 1\ndistribution = \"rectangular\"\n"),
            "frequency_hz,gain_db,uncertainty_db\n1000,1,-1\n",
            "net.csv:2: ",
            "zero or more",
        ),
    ];
    for (toml, table, place, words) in &cases {
        let source = file("chain.toml", &[("chain.toml", toml), ("net.csv", table)]);
        let error = setup(&source).unwrap_err().to_string();
        assert!(error.starts_with(place) && error.contains(words), "{place} {words}\n{error}");
    }
    assert!(setup(&file("gone.toml", &[])).unwrap_err().to_string().starts_with("gone.toml: cannot be read"));
    let far = "[wire]\nparts = [\"a\", \"b\"]\n[part.a]\nkind = \"response\"\ntable = \"a.csv\"\n[part.b]\nkind = \"cable-loss\"\ntable = \"b.csv\"\n";
    let tables = [("a.csv", "frequency_hz,gain_db\n1,0\n10,0\n"), ("b.csv", "frequency_khz;loss_db\n1;0,5\n2;0,5\n")];
    let error = setup(&file("far.toml", &[("far.toml", far), tables[0], tables[1]])).unwrap_err().to_string();
    assert!(error.starts_with("far.toml:2:9") && error.contains("share a range"), "{error}");
}

#[test]
fn a_setup_of_random_bytes_or_cut_anywhere_never_panics() {
    let example = linewake::read::setup::EXAMPLE;
    for end in (0..example.len()).step_by(7).filter(|&end| example.is_char_boundary(end)) {
        let _ = setup(&file("cut.toml", &[("cut.toml", &example[..end])]));
    }
    let table = "frequency_hz,gain_db,phase_deg\n1000,-1.5,3e0\n2000,\"-1\",+4\n";
    for end in 0..table.len() {
        let _ = setup(&file("chain.toml", &[("chain.toml", RESPONSE), ("net.csv", &table[..end])]));
    }
}

fn memory(samples: Vec<f64>, unit: &str) -> Box<Memory> {
    let clock =
        Clock { rate: Hertz::new(400e3).unwrap(), source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let wire = Channel { name: "CH1".into(), quantity: Quantity::Unit(unit.into()), role: Role::Wire };
    Box::new(Memory::new("known", clock, vec![(wire, samples)], 10_000).unwrap())
}

/// Tones of 1 V RMS on the line, as they leave a part with the gains given in dB.
fn tones(gains: &[(f64, f64)]) -> Vec<f64> {
    let tone = |n: u32, (frequency, db): (f64, f64)| {
        2f64.sqrt() * 10f64.powf(db / 20.0) * (TAU * (frequency / 400e3 * f64::from(n)).fract()).sin()
    };
    (0..80_000).map(|n| gains.iter().map(|&gain| tone(n, gain)).sum()).collect()
}

#[test]
fn a_known_signal_through_a_known_chain_has_its_known_level() {
    // The 1500 Ω probe with 10 nF in series loses 44.19 dB at 2 kHz, 33.33 at 9, 29.73 at 50 and 29.56 at 150 kHz
    // (CISPR 16-1-2 probe; elementary circuit). What comes in with these levels was 1 V, 120 dBµV, on the line.
    let ideal =
        format!("{PROBE}kind = \"ideal-voltage-probe\"\ntotal_ohm = 1500\nload_ohm = 50\nseries_farad = 10e-9\n");
    let gains = [(2e3, -44.19), (9e3, -33.33), (50e3, -29.73), (150e3, -29.56)];
    // The same loss as a table with a point at each tone.
    let table = "frequency_hz;gain_db\n2000;-44,19\n9000;-33,33\n50000;-29,73\n150000;-29,56\n";
    for (toml, tables) in [(ideal.as_str(), vec![]), (RESPONSE, vec![("net.csv", table)])] {
        // Bins of 100 Hz: every tone stands on one.
        let settings = Settings { segment: Some(4000), ..settings(toml, &tables, (2e3, 150e3)) };
        let observed = observe_recording(memory(tones(&gains), "V"), &settings, Wants::default()).unwrap();
        let spectrum = of_observed(&observed);
        let channel = &spectrum.channels[0];
        for (frequency, _) in gains {
            let bin = channel.frequency_hz.iter().position(|f| (f - frequency).abs() < 1.0).unwrap();
            let level = channel.level_db[bin].get();
            assert!((level - 120.0).abs() < 0.01, "{frequency}: {level}");
        }
        assert!(spectrum.warnings.iter().all(|finding| finding.code != "outside_chain"));
    }
}

#[test]
fn a_loop_turns_volts_into_teslas() {
    // V = 2πf·N·A·B: 1 µT gives 31.42 mV at 50 kHz with 10 turns and 0.01 m².
    let toml = "[air]\nunit = \"T\"\nparts = [\"l\"]\n[part.l]\nkind = \"ideal-loop\"\nturns = 10\narea_m2 = 0.01\n";
    let settings = settings(toml, &[], (2e3, 150e3));
    let samples = tones(&[(50e3, 20.0 * 31.42e-3f64.log10())]);
    let clock =
        Clock { rate: Hertz::new(400e3).unwrap(), source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let air = Channel { name: "CH1".into(), quantity: Quantity::Unit("V".into()), role: Role::Air };
    let recording = Memory::new("known", clock, vec![(air, samples)], 10_000).unwrap();
    let observed = observe_recording(Box::new(recording), &settings, Wants::default()).unwrap();
    let band = observed.band(0, Band::new(48e3, 52e3).unwrap());
    assert_eq!(observed.channels[0].quantity, Quantity::Unit("T".into()));
    assert!((20.0 * (band.rms / 1e-6).log10()).abs() < 0.01, "{}", band.rms);
}

#[test]
fn what_lies_outside_a_table_is_flagged_and_in_no_total() {
    let table = "frequency_hz,gain_db\n9000,0\n50000,0\n";
    let settings = settings(RESPONSE, &[("net.csv", table)], (2e3, 150e3));
    let samples = tones(&[(5e3, 40.0), (20e3, 0.0), (100e3, 40.0)]);
    let observed = observe_recording(memory(samples, "V"), &settings, Wants::default()).unwrap();
    assert_eq!((observed.range.low(), observed.range.high()), (9e3, 50e3));
    assert!((observed.band(0, observed.range).rms - 1.0).abs() < 1e-3);
    let findings = linewake::analysis::findings::of_observed(&observed);
    let finding = findings.iter().find(|finding| finding.code == "outside_chain").unwrap();
    assert!(finding.message.contains("9 kHz to 50 kHz"), "{}", finding.message);
    // A table that shares nothing with the range, and a channel that is not in volts, are refused.
    let beyond = Settings { range: Band::new(60e3, 150e3).unwrap(), ..settings.clone() };
    let error = observe_recording(memory(tones(&[]), "V"), &beyond, Wants::default()).unwrap_err().to_string();
    assert!(error.contains("share no frequency"), "{error}");
    let error = observe_recording(memory(tones(&[]), "A"), &settings, Wants::default()).unwrap_err().to_string();
    assert!(error.contains("volts at the recorder"), "{error}");
}

/// A capture of noise with its own seed, 0.2 s at 125 kS/s, as text.
fn capture(seed: u64, scale: f64) -> String {
    let mut state = seed;
    let mut text = String::from("Time (s),CH1 (V)\n");
    for n in 0..25_000 {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        let value = ((state >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * scale;
        text += &format!("{:.6},{value:.9}\n", f64::from(n) * 8e-6);
    }
    text
}

#[test]
fn a_common_error_of_three_decibels_leaves_differences_alone() {
    let texts = [capture(1, 0.2), capture(2, 0.2), capture(3, 0.5), capture(4, 0.5)];
    let names = ["off-1.csv", "off-2.csv", "on-1.csv", "on-2.csv"];
    let files: Vec<(&str, &str)> = names.into_iter().zip(texts.iter().map(String::as_str)).collect();
    let sources: Vec<Source> = names.iter().map(|name| file(name, &files)).collect();
    let (off, on) = sources.split_at(2);
    let with = |ratio: f64| {
        let toml =
            format!("{PROBE}kind = \"ratio\"\nratio = {ratio:e}\nuncertainty_db = 1\ndistribution = \"rectangular\"\n");
        settings(&toml, &[], (2e3, 50e3))
    };
    let (right, wrong) = (with(10.0), with(10.0 * 10f64.powf(3.0 / 20.0)));
    let (_, a) = what_changed(off, on, &right, &Scheme::Wide, Order::Apart).unwrap();
    let (_, b) = what_changed(off, on, &wrong, &Scheme::Wide, Order::Apart).unwrap();
    let rows = |c: &linewake::analysis::compare::Comparison<linewake::compare::before_after::BandChange>| {
        c.channels[0].bands.iter().chain([&c.channels[0].total]).cloned().collect::<Vec<_>>()
    };
    for (a, b) in rows(&a).iter().zip(rows(&b)) {
        assert!((a.change_db.unwrap() - b.change_db.unwrap()).abs() < 1e-9);
        for (a, b) in a.ci95_db.unwrap().into_iter().zip(b.ci95_db.unwrap()) {
            assert!((a - b).abs() < 1e-9);
        }
        assert!((20.0 * (b.before_rms / a.before_rms).log10() - 3.0).abs() < 1e-9);
        assert_eq!(a.verdict, b.verdict);
    }
    // The budget of the change shows the probe as cancelled; that of a level, and of what is added, counts it.
    let change = a.channels[0].budget.as_ref().unwrap();
    let probe = change.rows.iter().find(|row| row.quantity == "probe").unwrap();
    assert!(probe.cancelled && change.combined < 0.3, "{change:?}");
    assert!(a.channels[0].added_budget.is_none());
    let (_, added) = what_is_added(off, on, &right, &Scheme::Wide, Order::Apart).unwrap();
    let added = added.channels[0].added_budget.as_ref().unwrap();
    assert!(added.combined > 1.0 / 3f64.sqrt(), "{added:?}");
    let (_, level) = bands_with_budget(&sources[0], &right, &Scheme::Wide).unwrap();
    let level = level.channels[0].budget.as_ref().unwrap();
    assert!(level.rows.iter().any(|row| row.quantity == "probe" && !row.cancelled));
    assert!(level.combined > 1.0 / 3f64.sqrt());
    assert!(bands(&sources[0], &right, &Scheme::Wide).unwrap().1.channels[0].budget.is_none());
    // The document names the setup with the fingerprint of its bytes.
    let document = serde_json::to_value(&right).unwrap();
    assert_eq!(document["setup"][0]["path"], "chain.toml");
    assert_eq!(document["setup"][0]["sha256"].as_str().unwrap().len(), 64);
}

#[test]
fn the_noise_of_a_shorted_input_is_the_floor() {
    // White noise of uniform values, width w: variance w²/12, so density w²/12 over half the sampling rate.
    let toml = format!("{PROBE}kind = \"ratio\"\nratio = 10\n[wire.recorder]\nnoise_capture = \"short.csv\"\n");
    let short = capture(9, 1e-3);
    let settings = settings(&toml, &[("short.csv", &short)], (2e3, 50e3));
    let observed =
        observe_recording(memory(tones(&[(20_123.456_7, -20.0)]), "V"), &settings, Wants::default()).unwrap();
    let found = observed.floor_density(0).unwrap();
    let expected = 100.0 * 1e-6 / 12.0 / 62.5e3;
    assert!((10.0 * (found / expected).log10()).abs() < 0.2, "{found} {expected}");
    // The same noise as a table: √(density) in V/√Hz.
    let toml = toml.replace("noise_capture", "noise");
    let volts = (1e-6f64 / 12.0 / 62.5e3).sqrt();
    let table = format!("frequency_hz,noise_v_per_sqrt_hz\n1000,{volts:e}\n100000,{volts:e}\n");
    let settings = self::settings(&toml, &[("short.csv", &table)], (2e3, 50e3));
    let observed =
        observe_recording(memory(tones(&[(20_123.456_7, -20.0)]), "V"), &settings, Wants::default()).unwrap();
    assert!((observed.floor_density(0).unwrap() / expected - 1.0).abs() < 1e-9);
}

#[test]
fn steps_that_contradict_range_and_bits_are_told() {
    // The capture has steps of 1 mV; 8 bits over 0.256 V make 1 mV, over 2.56 V 10 mV, over 25.6 mV 0.1 mV.
    let samples: Vec<f64> = tones(&[(20_123.456_7, -20.0)]).into_iter().map(|x| (x * 1e3).round() / 1e3).collect();
    let found = |range_v: &str| {
        let recorder = format!("[wire.recorder]\nrange_v = {range_v}\nbits = 8\n");
        let toml = format!("{PROBE}kind = \"ratio\"\nratio = 1\n{recorder}");
        let settings = settings(&toml, &[], (2e3, 150e3));
        let observed = observe_recording(memory(samples.clone(), "V"), &settings, Wants::default()).unwrap();
        let findings = linewake::analysis::findings::of_observed(&observed);
        findings.into_iter().find(|finding| finding.code == "steps_differ").map(|finding| finding.message)
    };
    assert_eq!(found("0.256"), None);
    assert!(found("2.56").unwrap().contains("averages"));
    assert!(found("0.0256").unwrap().contains("the range was larger"));
}

#[test]
fn the_phase_of_a_chain_is_taken_off_the_coupling() {
    // The same noise on both channels, the air behind a first-order high-pass: its phase is +atan(fc/f) and its gain
    // 1/√(1 + (fc/f)²), so what was there before it lags by that and is stronger (elementary circuit).
    let corner = 16e3;
    let toml = format!("[air]\nparts = [\"rc\"]\n[part.rc]\nkind = \"ideal-high-pass\"\ncorner_hz = {corner}\n");
    let settings = settings(&toml, &[], (2e3, 150e3));
    let mut state = 7u64;
    let mut noise = || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    let samples: Vec<f64> = (0..80_000).map(|_| noise()).collect();
    let clock =
        Clock { rate: Hertz::new(400e3).unwrap(), source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let channel = |name: &str, role| Channel { name: name.into(), quantity: Quantity::Unit("V".into()), role };
    let channels = vec![(channel("CH1", Role::Wire), samples.clone()), (channel("CH2", Role::Air), samples)];
    let recording = Box::new(Memory::new("known", clock, channels, 10_000).unwrap());
    let observed = linewake::analysis::coupling::observe_recording(recording, &settings).unwrap();
    let found = linewake::analysis::coupling::of_observed(&[observed], &Scheme::Wide).unwrap();
    for (k, &frequency) in found.frequency_hz.iter().enumerate().step_by(50) {
        let phase = -(corner / frequency).atan().to_degrees();
        let gain = 10.0 * (1.0 + (corner / frequency).powi(2)).log10();
        assert!((found.phase_deg[k] - phase).abs() < 1e-6, "{frequency}: {} {phase}", found.phase_deg[k]);
        assert!((found.gain_db[k] - gain).abs() < 1e-6, "{frequency}: {} {gain}", found.gain_db[k]);
    }
}
