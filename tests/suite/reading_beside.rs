//! Options that stand beside a capture, through the real program: precedence, places of errors, batches without options.

use serde_json::Value;
use sha2::Digest;

use crate::program::Bench;

/// 200 ms at 250 kS/s: codes without a rate, in a layout that structure alone leaves open.
fn codes(amplitude: f64) -> String {
    let row = |k: u32| {
        let t = f64::from(k) * 4e-6;
        let value = |hertz: f64| (amplitude * (std::f64::consts::TAU * hertz * t).sin()).round();
        format!("{};{}\n", value(20e3), value(30e3) + 1.0)
    };
    (0..50_000).map(row).collect()
}

const FOLDER: &str =
    "[[read]]\nsample-rate = \"250k\"\nscale = 0.5\n\n[[read]]\nfiles = \"loud*.csv\"\nscale = 0.25\nwire = 2\n";

fn inspected(bench: &Bench, arguments: &str) -> Value {
    bench.json(&format!("inspect {arguments}"))["captures"][0].clone()
}

#[test]
fn a_folder_is_read_without_options() {
    let (quiet, loud) = (codes(100.0), codes(200.0));
    let bench = Bench::with(&[("quiet.csv", quiet.as_bytes()), ("loud.csv", loud.as_bytes())]);
    let refused = bench.run("batch .");
    assert!(refused.err.contains("--sample-rate"), "{}", refused.err);
    bench.put("linewake.toml", FOLDER.as_bytes());
    let batch = bench.json("batch .");
    assert_eq!(batch["captures"].as_array().unwrap().len(), 2);
    let quiet = inspected(&bench, "quiet.csv");
    assert_eq!(quiet["channels"][0]["unit"], "V");
    assert_eq!(quiet["channels"][0]["max"], 50.0);
    assert_eq!(quiet["channels"][0]["role"], "wire");
    let loud = inspected(&bench, "loud.csv");
    assert_eq!(loud["channels"][0]["max"], 50.0);
    assert_eq!((&loud["channels"][0]["role"], &loud["channels"][1]["role"]), (&"air".into(), &"wire".into()));
    // The file with the options counts as read: its hash stands with that of the capture.
    let files = quiet["files"].as_array().unwrap();
    let hash: String = sha2::Sha256::digest(FOLDER).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!((files.len(), &files[0]["sha256"], &files[0]["bytes"]), (1, &hash.into(), &FOLDER.len().into()));
    assert!(files[0]["path"].as_str().unwrap().ends_with("linewake.toml"));
    let said = loud["explanation"]["beside"].as_array().unwrap();
    assert!(said.iter().any(|s| s["key"] == "scale" && s["line"] == 3 && s["in_force"] == false), "{said:?}");
    assert!(said.iter().any(|s| s["key"] == "scale" && s["line"] == 7 && s["in_force"] == true), "{said:?}");
}

#[test]
fn the_nearest_word_counts() {
    let text = codes(200.0);
    let own = "[remarks]\ntext = \"i16\"\n\n[read]\nscale = 0.1\nsample-rate = 500000\n";
    let bench = Bench::with(&[
        ("loud.csv", text.as_bytes()),
        ("linewake.toml", FOLDER.as_bytes()),
        ("loud.csv.toml", own.as_bytes()),
    ]);
    let own = inspected(&bench, "loud.csv");
    assert_eq!((&own["channels"][0]["max"], &own["sample_rate_hz"]), (&20.0.into(), &500_000.0.into()));
    assert_eq!(own["channels"][1]["role"], "wire");
    let given = inspected(&bench, "loud.csv --scale 1 --sample-rate 1M --wire 1");
    assert_eq!((&given["channels"][0]["max"], &given["sample_rate_hz"]), (&200.0.into(), &1e6.into()));
    assert_eq!(given["channels"][0]["role"], "wire");
    let told = bench.done("inspect --explain loud.csv --scale 1").out;
    assert!(told.contains("\"loud.csv.toml\" beside the file sets sample-rate"), "{told}");
    assert!(told.contains("scale from loud.csv.toml:5, not in force"), "{told}");
}

#[test]
fn what_is_wrong_beside_a_file_has_its_place() {
    let text = codes(100.0);
    let cases = [
        ("linewake.toml", "[[read]]\nseperator = \";\"\n", "linewake.toml:2:1", "did you mean \"separator\""),
        ("linewake.toml", "[[read]]\nsample_rate = 1\n", "linewake.toml:2:1", "did you mean \"sample-rate\""),
        ("linewake.toml", "[read]\nunit = \"V\"\n", "linewake.toml:1:1", "[[read]]"),
        ("linewake.toml", "[[read]]\nfiles = \"else*\"\nunti = \"V\"\n", "linewake.toml:3:1", "did you mean \"unit\""),
        ("linewake.toml", "[[read]]\nunit = \"bananas\"\n", "linewake.toml:2:8", "bananas"),
        ("linewake.toml", "[[read]]\ntime-unit = \"mz\"\n", "linewake.toml:2:13", "s, ms, us, ns"),
        ("linewake.toml", "[[read]]\nsample-rate = -1\n", "linewake.toml:2:15", "250k"),
        ("linewake.toml", "[[read]]\nskip-lines = 1.5\n", "linewake.toml:2:14", "whole number"),
        ("linewake.toml", "[[read]]\nscale = [\"CH1\"]\n", "linewake.toml:2:9", "factor"),
        ("linewake.toml", "[[read]]\ndecimal-mark = true\n", "linewake.toml:2:16", "text in quotes"),
        ("linewake.toml", "[[read\n", "linewake.toml:1", "TOML"),
        ("linewake.toml", "[[read]]\nfiles = \"**/*.csv\"\n", "linewake.toml:2:9", "each folder"),
        ("a.csv.toml", "separator = \";\"\n", "a.csv.toml:1:13", "[read]"),
        ("a.csv.toml", "[read]\nfiles = \"a\"\n", "a.csv.toml:2:1", "no key \"files\""),
        ("a.csv.toml", "[read]\nsample-rate = 1e6\nwire = \"CH9\"\n", "a.csv.toml:3:8", "one of: "),
        ("a.csv.toml", "[read]\nsample-rate = 1e6\nwire = 1\nair = 1\n", "a.csv.toml:4:7", "another channel"),
    ];
    for (file, toml, place, words) in cases {
        let bench = Bench::with(&[("a.csv", text.as_bytes()), (file, toml.as_bytes())]);
        let refused = bench.run("inspect a.csv");
        assert!(refused.err.contains(place) && refused.err.contains(words), "{toml}\n{}", refused.err);
    }
}

/// One option: a file that leaves it open, options that are given in any case, the option, and its line in TOML.
struct Case {
    file: Vec<u8>,
    always: &'static str,
    option: &'static str,
    toml: &'static str,
}

/// 20 ms at 250 kS/s; a row from its time in microseconds and its two values.
fn rows(row: impl Fn(u32, f64, f64) -> String) -> String {
    let value = |k: u32, turn: u32| 3.0 * (f64::from(k % turn) / f64::from(turn) - 0.5);
    (0..5000).map(|k| row(4 * k, value(k, 13) + 0.01 * value(k, 997), value(k, 17))).collect()
}

/// One case for each option on how a table is read.
fn cases() -> Vec<Case> {
    let seconds = |micro: u32| format!("{:.6}", f64::from(micro) * 1e-6);
    let timed = || rows(|t, a, b| format!("{},{a:.4},{b:.4}\n", seconds(t)));
    let bare = || rows(|_, a, b| format!("{a:.4},{b:.4}\n"));
    let whole = || rows(|_, a, b| format!("{:.0},{:02.0}\n", 100.0 * (a + 2.0), 10.0 * (b + 2.0)));
    let rate = "--sample-rate 250k";
    let case = |file: String, always, option, toml| Case { file: file.into_bytes(), always, option, toml };
    vec![
        case(rows(|t, a, b| format!("{}!{a:.4}!{b:.4}\n", seconds(t))), "", "--separator !", "separator = \"!\""),
        case(whole(), rate, "--decimal-mark comma", "decimal-mark = \"comma\""),
        case(bare(), rate, "--skip-lines 7", "skip-lines = 7"),
        case(timed(), rate, "--time-column none", "time-column = \"none\""),
        case(
            rows(|t, a, _| format!("{}.0,{a:.4},{t}.0\n", 2 * t)),
            "--time-unit us",
            "--time-column 3",
            "time-column = 3",
        ),
        case(rows(|t, a, b| format!("{t},{a:.4},{b:.4}\n")), "", "--time-unit us", "time-unit = \"us\""),
        case(timed(), "", "--channels 3", "channels = 3"),
        case(timed(), "", "--unit mV", "unit = \"mV\""),
        case(timed(), "", "--scale 1=0.5,2=0.25", "scale = [\"1=0.5\", \"2=0.25\"]"),
        case(bare(), "", rate, "sample-rate = \"250k\""),
        case(format!("{}{}", timed(), timed()), "", "--record 2", "record = 2"),
        case(format!("time (s),W\u{e4}rme (V),b (V)\n{}", timed()), "", "--encoding latin-1", "encoding = \"latin-1\""),
    ]
}

/// What a reading comes to: its clock, its length, its channels; or the refusal.
fn outcome(bench: &Bench, arguments: &str) -> Result<Value, String> {
    let answer = bench.run(&format!("inspect a.csv --json {arguments}"));
    if answer.status != 0 {
        return Err(answer.err);
    }
    let document: Value = serde_json::from_str(&answer.out).unwrap();
    let capture = &document["captures"][0];
    let keys = ["sample_rate_hz", "samples", "start_s", "channels"];
    Ok(keys.iter().map(|key| capture[*key].clone()).collect())
}

#[test]
fn every_option_works_on_the_command_line_and_beside_the_file_and_in_the_folder() {
    for Case { file, always, option, toml } in cases() {
        let bench = Bench::with(&[("a.csv", &file)]);
        let without = outcome(&bench, always);
        let given = outcome(&bench, &format!("{always} {option}")).unwrap_or_else(|error| panic!("{option}: {error}"));
        assert_ne!(without.as_ref().ok(), Some(&given), "{option} changes nothing");
        let own = Bench::with(&[("a.csv", &file), ("a.csv.toml", format!("[read]\n{toml}\n").as_bytes())]);
        assert_eq!(outcome(&own, always).as_ref(), Ok(&given), "{toml} beside the file");
        let folder = format!("[[read]]\nfiles = \"*.csv\"\n{toml}\n\n[[read]]\nfiles = \"b*\"\nscale = 9\n");
        let folder = Bench::with(&[("a.csv", &file), ("linewake.toml", folder.as_bytes())]);
        assert_eq!(outcome(&folder, always).as_ref(), Ok(&given), "{toml} in the folder");
    }
}
