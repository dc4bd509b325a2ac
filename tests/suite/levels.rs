//! Published levels and conditions through the real program: what is formed, what is refused, and how it ends.

use serde_json::Value;

use crate::program::{Answer, Bench};
use crate::signals::{samples_in, sine, sum, table, white};

/// The wire between line and neutral, the air behind a calibrated antenna: V/m, 0 dB(1/m).
const CHAIN: &str = "[wire]\nport = \"line-to-neutral\"\nparts = [\"probe\"]\n[air]\nparts = [\"antenna\"]\n\
                     [part.probe]\nkind = \"ratio\"\nratio = 1\n\
                     [part.antenna]\nkind = \"antenna-factor\"\ntable = \"antenna.csv\"\n";
const ANTENNA: &str = "frequency_hz,factor_db_per_m\n1000,0\n250000,0\n";

/// A capture: 2 mV at 68 kHz on the wire, 83 mV/m at 31 kHz, in the middle of a band, in the air, each over 1e-14 U²/Hz.
fn capture(wire_v: f64) -> Vec<u8> {
    let count = samples_in(0.2);
    let wire = sum(&sine(68e3, wire_v, count), &white(1e-14, count, 3));
    let air = sum(&sine(31e3, 83e-3, count), &white(1e-14, count, 4));
    table(&["Wire (V)", "Air (V)"], &[&wire, &air])
}

fn bench() -> Bench {
    let bench = Bench::with(&[
        ("loud.csv", &capture(2e-3)),
        ("calm.csv", &capture(0.5e-3)),
        ("broken.csv", b"Time (s),Wire (V)\n"),
        ("chain.toml", CHAIN.as_bytes()),
        ("antenna.csv", ANTENNA.as_bytes()),
    ]);
    bench.done("levels --new -o own.toml");
    bench
}

/// What a channel of the first capture is against the first level.
fn against<'a>(document: &'a Value, role: &str) -> &'a Value {
    let channels = document["captures"][0]["channels"].as_array().unwrap();
    &channels.iter().find(|channel| channel["role"] == role).unwrap()["against"][0]
}

fn ends(bench: &Bench, arguments: &str, status: i32) -> Answer {
    let answer = bench.run(arguments);
    assert_eq!(answer.status, status, "{arguments}\n{}{}", answer.out, answer.err);
    answer
}

#[test]
fn levels_are_listed_shown_evaluated_and_drawn() {
    let bench = Bench::with(&[]);
    let list = bench.done("levels");
    for word in ["lighting-mains", "CISPR 15", "quasi-peak, 200 Hz", "from memory", "not a conformity assessment"] {
        assert!(list.out.contains(word), "{word}");
    }
    // Names can be copied from the list: none is broken over two lines.
    let document = bench.json("levels");
    for level in document["levels"].as_array().unwrap() {
        assert!(list.out.contains(level["name"].as_str().unwrap()), "{}", level["name"]);
    }
    // IEC 61000-2-2, from memory, interpolated over log f by arithmetic: 128.844 dBµV at 10 kHz, 97.858 at 100 kHz.
    let document = bench.json("levels compatibility-low-voltage --at 10k,100k,1M -o one.png");
    let values = document["levels"][0]["values"].as_array().unwrap();
    for (value, expected) in values.iter().zip([128.844, 97.858]) {
        assert!((value["level_db"].as_f64().unwrap() - expected).abs() < 5e-4, "{value}");
    }
    assert!(values[2]["level_db"].is_null() && values[2]["value"].is_null());
    // 1.4 % of 230 V is 3.22 V.
    let percent = bench.json("levels compatibility-low-voltage-rms --at 2k");
    assert!((percent["levels"][0]["values"][0]["value"].as_f64().unwrap() - 3.22).abs() < 1e-9);
    assert!(bench.done("levels icnirp-public-electric").out.contains("on health"));
    bench.done("levels -o all.svg");
    bench.done("levels -o all.csv");
    let rows = String::from_utf8(bench.read("all.csv")).unwrap();
    assert!(rows.starts_with("name,document,edition,kind,") && rows.contains("lighting-mains,CISPR 15 / EN 55015"));
    let svg = String::from_utf8(bench.read("all.svg")).unwrap();
    assert!(svg.contains(">\nlighting-mains\n<"), "levels are named at their lines");
    let unknown = ends(&bench, "levels lighting-main", 2);
    assert!(unknown.err.contains("did you mean \"lighting-mains\""), "{}", unknown.err);
}

#[test]
fn levels_of_ones_own_are_read_and_their_faults_named() {
    let bench = bench();
    assert_eq!(bench.json("levels studio-line --levels own.toml --at 20k")["levels"][0]["values"][0]["level_db"], 60.0);
    // A published level in the same format, to be changed.
    bench.done("levels lighting-mains --new -o mine.toml");
    let mine = bench.json("levels my-lighting-mains --levels mine.toml");
    assert_eq!(mine["levels"][0]["segments"][1]["high_level_db"], 80.0);
    assert_eq!(mine["levels"][0]["file"], "mine.toml");
    let example = String::from_utf8(bench.read("own.toml")).unwrap();
    for (from, to, words) in [
        ("[20e3, 150e3, 60, 60]", "[30e3, 150e3, 60, 60]", "a gap from 20000 Hz to 30000 Hz"),
        ("[2e3, 20e3, 90, 70]", "[2e3, 20e3, nan, 70]", "a finite number"),
        ("\nunit = \"V\"", "\nunit = \"dBuV\"", "one of: V, A, V/m, A/m, T"),
        ("studio-line]", "lighting-mains]", "is taken already"),
    ] {
        assert!(example.contains(from), "{from}");
        bench.put("bad.toml", example.replacen(from, to, 1).as_bytes());
        let answer = ends(&bench, "bands loud.csv --levels bad.toml --against studio-line", 2);
        assert!(answer.err.contains("bad.toml") && answer.err.contains(words), "{to}: {}", answer.err);
    }
    // Whatever is cut off is read or refused.
    for end in (0..example.len()).step_by(97).filter(|end| example.is_char_boundary(*end)) {
        bench.put("cut.toml", &example.as_bytes()[..end]);
        let answer = bench.run("levels --levels cut.toml");
        assert!(answer.status == 0 || answer.err.contains("cut.toml"), "{end}: {}", answer.err);
    }
}

#[test]
fn a_margin_is_formed_between_like_and_like_only() {
    let bench = bench();
    let like = "spectrum loud.csv --setup chain.toml --levels own.toml --against studio-line";
    let document = bench.json(like);
    let wire = against(&document, "wire");
    // 2 mV RMS is 66.02 dBµV (arithmetic); the level is 60 there.
    assert_eq!(wire["status"], "margin");
    assert!((wire["margin_db"].as_f64().unwrap() + 6.02).abs() < 0.05, "{wire}");
    assert!((wire["frequency_hz"].as_f64().unwrap() - 68e3).abs() < 100.0);
    assert_eq!((&wire["document"], &wire["edition"]), (&"notes of the studio's technician".into(), &"March".into()));
    assert!(wire["statement"].as_str().unwrap().contains("not a conformity assessment"));
    assert_eq!(against(&document, "air")["status"], "refused");
    assert_eq!(document["settings"]["against"][0], "studio-line");
    assert_eq!(document["settings"]["levels"][0]["path"], "own.toml");

    for (arguments, status, words) in [
        // Nothing says where the wire was measured.
        ("spectrum loud.csv --levels own.toml --against studio-line", "no margin", "the line as it is"),
        ("spectrum loud.csv --setup chain.toml --against compatibility-low-voltage", "no margin", "quasi-peak"),
        ("spectrum loud.csv --setup chain.toml --against lighting-mains", "no margin", "V-network"),
        (
            "spectrum loud.csv --setup chain.toml --levels own.toml --against studio-line --rbw 500",
            "no margin",
            "500.0 Hz",
        ),
        ("bands loud.csv --setup chain.toml --levels own.toml --against studio-line", "no margin", "2000.0 Hz"),
        (
            "bands loud.csv --setup chain.toml --against compatibility-low-voltage-rms --bands 200",
            "no margin",
            "--rbw 50",
        ),
        ("spectrum loud.csv --against icnirp-public-electric", "refused", "the channel on the wire"),
    ] {
        let document = bench.json(arguments);
        let wire = against(&document, "wire");
        assert!(wire["status"] == status && wire["margin_db"].is_null(), "{arguments}: {wire}");
        assert!(wire["reason"].as_str().unwrap().contains(words), "{arguments}: {wire}");
        let said = bench.done(arguments).out;
        assert!(said.contains(words) && said.contains("not a conformity assessment"), "{arguments}: {said}");
    }
    // The same bands with a resolution that fits have a margin.
    let fine =
        bench.json("bands loud.csv --setup chain.toml --against compatibility-low-voltage-rms --bands 200 --rbw 50");
    assert_eq!(against(&fine, "wire")["status"], "margin");
    bench.done(&format!("{like} -o spectrum.svg"));
    let svg = String::from_utf8(bench.read("spectrum.svg")).unwrap();
    assert!(svg.contains(">\nstudio-line\n<") && svg.contains("not a conformity assessment"));
}

#[test]
fn exposure_levels_give_a_sum_for_calibrated_fields_only() {
    let bench = bench();
    // 83 mV/m against 83 V/m (ICNIRP 2010, public, 3 kHz to 10 MHz): one thousandth; noise of 1e-14 adds a few parts in
    // a hundred thousand: 74 bands of √(1e-14 · 2000) = 4.5 µV/m.
    let sum = bench.json("bands loud.csv --setup chain.toml --against icnirp-public-electric");
    let air = against(&sum, "air");
    assert_eq!(air["status"], "sum of ratios");
    assert!((air["sum_of_ratios"].as_f64().unwrap() / 1e-3 - 1.0).abs() < 0.01, "{air}");
    assert!(air["margin_db"].is_null());
    let said = bench.done("bands loud.csv --setup chain.toml --against icnirp-public-electric").out;
    assert!(said.contains("nothing here says anything on health") && said.contains("the mains frequency"));
    let bare = bench.json("bands loud.csv --against icnirp-public-electric");
    assert!(against(&bare, "air")["reason"].as_str().unwrap().contains("--setup"));
    assert_eq!(against(&bare, "air")["status"], "refused");
    let magnetic = bench.json("bands loud.csv --setup chain.toml --against icnirp-public-magnetic");
    assert_eq!(against(&magnetic, "air")["status"], "refused");
    // No margin is offered, so a test that asks for one cannot be passed.
    ends(&bench, "bands loud.csv --setup chain.toml --against icnirp-public-electric --fail-on margin<0", 2);
}

#[test]
fn conditions_end_with_status_3_and_name_what_is_over() {
    let bench = bench();
    let margin = "spectrum loud.csv --setup chain.toml --levels own.toml --against studio-line --fail-on";
    let over = ends(&bench, &format!("{margin} margin<0 -o kept.csv"), 3);
    let expected = "over: loud.csv, wire, 68.000 kHz, studio-line: margin is −6.0";
    assert!(over.err.contains(expected) && over.err.contains("allowed is at least 0 dB"), "{}", over.err);
    assert!(!over.out.is_empty() && !bench.read("kept.csv").is_empty(), "the result is there all the same");
    ends(&bench, &format!("{margin} margin<-7"), 0);
    for (arguments, status) in [
        ("bands loud.csv --fail-on wire.level>60", 3),
        ("bands loud.csv --fail-on wire.level>70", 0),
        ("bands loud.csv --fail-on wire.total>66 --fail-on wire.total>90", 3),
        ("spectrum loud.csv --fail-on wire.level>65", 3),
        ("spectrum loud.csv --fail-on wire.level>70", 0),
        // 2 mV to 0.5 mV is −12.04 dB (arithmetic).
        ("compare --before loud.csv --after calm.csv --bands 60k,80k --fail-on wire.change>-12", 0),
        ("compare --before loud.csv --after calm.csv --bands 60k,80k --fail-on wire.change>-13", 3),
        ("compare --before loud.csv --after calm.csv --bands 60k,80k --fail-on wire.change_high>-11", 0),
        ("compare --before loud.csv --after calm.csv --bands 60k,80k --fail-on wire.change_low<-13", 0),
        ("compare --before loud.csv --after calm.csv --fail-on air.total_change>3", 0),
        ("added --off calm.csv --on loud.csv --bands 60k,80k --fail-on rise>3", 3),
        ("added --off calm.csv --on loud.csv --bands 60k,80k --fail-on wire.rise_high>13", 0),
        ("batch loud.csv calm.csv --fail-on wire.total>60", 3),
        ("batch loud.csv calm.csv --fail-on wire.total>70", 0),
        ("coupling loud.csv --fail-on share>0.9", 0),
        ("coupling --before loud.csv --after calm.csv --bands 60k,80k --fail-on wire_change<-6", 3),
        // Some inputs failed: no pass, and a value that is over says so first.
        ("batch loud.csv broken.csv --fail-on wire.total>70", 1),
        ("batch loud.csv broken.csv --fail-on wire.total>60", 3),
    ] {
        let answer = ends(&bench, arguments, status);
        assert_eq!(answer.err.contains("over: "), status == 3, "{arguments}: {}", answer.err);
    }
    let document = bench.run("bands loud.csv --fail-on wire.level>60 --json").json();
    assert_eq!(document["settings"]["fail_on"][0], "wire.level>60");
}

#[test]
fn a_test_is_never_passed_for_lack_of_data() {
    let bench = bench();
    // A probe that came off: zeros, the wire among a second channel that is alive.
    let count = samples_in(0.2);
    bench.put("dead.csv", &table(&["Wire (V)", "Air (V)"], &[&vec![0.0; count], &white(1e-14, count, 5)]));
    for (arguments, words) in [
        ("bands loud.csv --fail-on margin<0", "--against"),
        ("bands dead.csv --fail-on wire.level>60", "there is no level"),
        ("bands loud.csv --against lighting-mains --fail-on margin<0", "not judged: loud.csv, wire, lighting-mains"),
        ("spectrum loud.csv --against icnirp-public-electric --fail-on margin<0", "not judged: "),
        ("bands loud.csv --wire 1 --fail-on loudness>3", "one of: level, total, margin"),
        ("bands loud.csv --fail-on level", "is no condition"),
        ("coupling loud.csv --fail-on air_change>3", "there is no air_change in this result"),
        ("compare --before loud.csv --after calm.csv --fail-on margin<0", "one of: change"),
    ] {
        let answer = ends(&bench, arguments, 2);
        assert!(answer.err.contains(words), "{arguments}: {}", answer.err);
    }
}
