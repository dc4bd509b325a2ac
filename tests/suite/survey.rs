//! The survey through the program: description, run, page, data folder, and what is left when it is killed.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use linewake::synth::{Random, Source as _, Tone, WhiteNoise};
use serde_json::Value;
use sha2::{Digest, Sha256};
use tempfile::TempDir;

fn linewake(arguments: &[&str], folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_linewake")).args(arguments).current_dir(folder).output().unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A capture of 60 ms at 400 kS/s: noise, mains, and a tone of the load that the air follows at a tenth.
fn capture(path: &Path, seed: u64, load_v: f64, air_gain: f64) {
    const RATE: f64 = 400e3;
    const SAMPLES: usize = 24_000;
    let mut wire = vec![0.0; SAMPLES];
    WhiteNoise { density: 1e-12 }.add_to(&mut wire, RATE, &mut Random::new(seed, 0));
    Tone { frequency_hz: 50.0, rms: 0.02, phase_rad: 0.3 }.add_to(&mut wire, RATE);
    let mut tone = vec![0.0; SAMPLES];
    Tone { frequency_hz: 68e3, rms: load_v, phase_rad: 1.0 + seed as f64 }.add_to(&mut tone, RATE);
    let mut air = vec![0.0; SAMPLES];
    WhiteNoise { density: 1e-14 }.add_to(&mut air, RATE, &mut Random::new(seed, 1));
    let mut text = String::from("Time (s),Wire (V),Air (V)\n");
    for (n, (noise, tone)) in wire.iter().zip(&tone).enumerate() {
        let air = air[n] + air_gain * (noise + tone);
        text.push_str(&format!("{:.7},{:.7},{:.8}\n", n as f64 / RATE, noise + tone, air));
    }
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, text).unwrap();
}

/// A job with two cases: off, on, on with a filter.
fn job() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for n in 1..=2 {
        capture(&folder.path().join(format!("captures/off-{n}.csv")), n, 0.0, 0.1);
        capture(&folder.path().join(format!("captures/lamp-on-{n}.csv")), 10 + n, 2e-3, 0.1);
        capture(&folder.path().join(format!("captures/lamp-on-filter-{n}.csv")), 20 + n, 2e-4, 0.1);
        capture(&folder.path().join(format!("captures/fan-on-{n}.csv")), 30 + n, 1e-3, 0.1);
    }
    fs::write(folder.path().join("survey.toml"), DESCRIPTION).unwrap();
    folder
}

const DESCRIPTION: &str = r#"
title = "Hum"
date = 2026-11-14
site = "Quill Radio"
[people]
measured = "Ada Fennimore"
[[location]]
name = "control room"
[[case]]
name = "lamp"
location = "control room"
remarks = "Ada Fennimore heard it in the control room of Quill Radio."
off = ["captures/off-1.csv", "captures/off-2.csv"]
on = ["captures/lamp-on-1.csv", "captures/lamp-on-2.csv"]
on_with_filter = ["captures/lamp-on-filter-1.csv", "captures/lamp-on-filter-2.csv"]
[case.indicator]
unit = "counts"
on = [400]
[[case]]
name = "fan"
off = ["captures/off-1.csv", "captures/off-2.csv"]
on = ["captures/fan-on-1.csv", "captures/fan-on-2.csv"]
"#;

/// All files of a report by their names.
fn report(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![folder.join("report")];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                files.insert(path.strip_prefix(folder).unwrap().to_owned(), fs::read(&path).unwrap());
            }
        }
    }
    files.insert("report.html".into(), fs::read(folder.join("report.html")).unwrap());
    files
}

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Holds a data folder against its description: every file is named, with its size and its hash, and no other is there.
fn check_package(files: &BTreeMap<PathBuf, Vec<u8>>) -> Value {
    let package: Value = serde_json::from_slice(&files[Path::new("report/datapackage.json")]).unwrap();
    let resources = package["resources"].as_array().unwrap();
    for resource in resources {
        let path = Path::new("report").join(resource["path"].as_str().unwrap());
        let bytes = files.get(&path).unwrap_or_else(|| panic!("{} is missing", path.display()));
        assert_eq!(resource["bytes"], bytes.len());
        assert_eq!(resource["hash"], format!("sha256:{}", sha256(bytes)), "{}", path.display());
    }
    // The description and the page beside the folder are named by none.
    assert_eq!(resources.len() + 2, files.len());
    package
}

#[test]
fn a_description_becomes_a_page_and_its_data() {
    let folder = job();
    let output = linewake(&["survey", "survey.toml", "--json"], folder.path());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    // What is built in: 2 mV and 1 mV at 68 kHz; the filter takes 20 dB of the lamp.
    let conclusions: Vec<&str> = document["conclusions"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert!(
        conclusions[0].starts_with("Lamp adds 2.0") && conclusions[0].contains("between 50 and 95 kHz on the wire")
    );
    assert!(conclusions[0].contains("the filter lowers the level there by"), "{conclusions:?}");
    assert!(conclusions[1].starts_with("Fan adds 1.0"), "{conclusions:?}");
    let added = &document["cases"][0]["added"]["channels"][0]["bands"][3];
    assert!((added["added_rms"].as_f64().unwrap() / 2e-3 - 1.0).abs() < 0.02, "{added}");
    assert_eq!(document["captures"].as_array().unwrap().len(), 8);
    assert_eq!(document["inputs"].as_array().unwrap().len(), 8);

    let files = report(folder.path());
    let package = check_package(&files);
    assert_eq!(package["contributors"][0]["title"], "Ada Fennimore");
    assert_eq!(files[Path::new("report.html")], files[Path::new("report/report.html")]);
    assert_eq!(files[Path::new("report/survey.json")], output.stdout);
    let page = String::from_utf8(files[Path::new("report.html")].clone()).unwrap();
    for text in
        ["Hum", "Ada Fennimore", "control room", "captures/lamp-on-1.csv", "linewake survey survey.toml", "2026-11-14"]
    {
        assert!(page.contains(text), "{text}");
    }
    // A document among the data is the one that the command prints, hashes and all.
    let ours: Value = serde_json::from_slice(&files[Path::new("report/002-fan/added.json")]).unwrap();
    let theirs = linewake(
        &[
            "added",
            "--bands",
            "wide",
            "--json",
            "--off",
            "captures/off-1.csv",
            "captures/off-2.csv",
            "--on",
            "captures/fan-on-1.csv",
            "captures/fan-on-2.csv",
        ],
        folder.path(),
    );
    let theirs: Value = serde_json::from_slice(&theirs.stdout).unwrap();
    for key in ["channels", "inputs", "first", "second", "command"] {
        assert_eq!(ours[key], theirs[key], "{key}");
    }
}

#[test]
fn the_same_survey_gives_the_same_bytes() {
    let folder = job();
    let first = linewake(&["survey", "survey.toml"], folder.path());
    assert_eq!(first.status.code(), Some(0), "{}", stderr(&first));
    let before = report(folder.path());
    // Again, over the old one, from another place, with one thread.
    let again = Command::new(env!("CARGO_BIN_EXE_linewake"))
        .args(["survey", folder.path().join("survey.toml").to_str().unwrap()])
        .env("RAYON_NUM_THREADS", "1")
        .output()
        .unwrap();
    assert_eq!(again.status.code(), Some(0), "{}", stderr(&again));
    let after = report(folder.path());
    assert_eq!(before.keys().collect::<Vec<_>>(), after.keys().collect::<Vec<_>>());
    for (name, bytes) in &before {
        assert!(after[name] == *bytes, "{} differs", name.display());
    }
    assert!(!folder.path().join(".report.part").exists());
}

#[test]
fn hidden_names_stand_nowhere() {
    let folder = job();
    let hide = "\n[anonymise]\nsite = true\npeople = true\nlocations = true\npaths = true\n";
    let text = DESCRIPTION.replace("[[location]]", &format!("{hide}[[location]]"));
    fs::write(folder.path().join("survey.toml"), text).unwrap();
    // One capture is missing, so that a message with its path is there as well.
    fs::remove_file(folder.path().join("captures/off-2.csv")).unwrap();
    let output = linewake(&["survey", "survey.toml", "--json"], folder.path());
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    // Whoever makes the report has to know which file is missing.
    assert!(stderr(&output).contains("captures/off-2.csv"), "{}", stderr(&output));
    assert!(!String::from_utf8_lossy(&output.stdout).contains("off-2.csv"));
    let files = report(folder.path());
    check_package(&files);
    for (name, bytes) in &files {
        let text = String::from_utf8_lossy(bytes).to_lowercase();
        for hidden in
            ["quill radio", "fennimore", "control room", "lamp-on", "fan-on", "off-1.csv", "off-2.csv", "captures/"]
        {
            assert!(!text.contains(hidden), "{} tells \"{hidden}\"", name.display());
        }
    }
    let page = String::from_utf8_lossy(&files[Path::new("report.html")]).into_owned();
    assert!(page.contains("capture-001.csv") && page.contains("person 1") && page.contains("location 1"));
    // Hashes stay, so that who has the files can find them.
    let hash = sha256(&fs::read(folder.path().join("captures/lamp-on-1.csv")).unwrap());
    assert!(page.contains(&hash));
}

#[test]
fn what_is_missing_is_told_and_the_rest_is_made() {
    let folder = job();
    fs::remove_file(folder.path().join("captures/off-2.csv")).unwrap();
    fs::write(folder.path().join("captures/fan-on-1.csv"), "Time (s),Wire (V)\n0,1\n1e-6,****\n").unwrap();
    fs::write(folder.path().join("captures/fan-on-2.csv"), b"\x00\xff\x00 no capture").unwrap();
    let output = linewake(&["survey", "survey.toml"], folder.path());
    assert_eq!(output.status.code(), Some(1));
    let told = stderr(&output);
    assert_eq!(told.lines().filter(|line| line.starts_with("missing: ")).count(), 5, "{told}");
    assert!(told.contains("lamp: a capture of the state \"load off\" is missing: captures/off-2.csv"), "{told}");
    assert!(told.contains("fan, what it adds: no capture of the state \"load on\" can be used"), "{told}");
    let files = report(folder.path());
    check_package(&files);
    let page = String::from_utf8_lossy(&files[Path::new("report.html")]).into_owned();
    let first_screen = &page[..page.find("id=\"case-").unwrap()];
    assert!(first_screen.contains("off-2.csv") && first_screen.contains("fan-on-1.csv"));
    assert!(files.contains_key(Path::new("report/001-lamp/added.json")));
    assert!(!files.contains_key(Path::new("report/002-fan/added.json")));
}

#[test]
fn a_broken_description_writes_nothing() {
    let folder = job();
    let text = DESCRIPTION.replace("on = [\"captures/fan", "onn = [\"captures/fan");
    fs::write(folder.path().join("survey.toml"), text).unwrap();
    let output = linewake(&["survey", "survey.toml"], folder.path());
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("survey.toml:22:1: [[case]] has no key \"onn\"; did you mean \"on\"?"),
        "{}",
        stderr(&output)
    );
    assert!(!folder.path().join("report.html").exists() && !folder.path().join("report").exists());
    // No capture at all: nothing to report on.
    fs::write(folder.path().join("none.toml"), "title = \"t\"\n[[case]]\nname = \"x\"\non = [\"nowhere.csv\"]\n")
        .unwrap();
    let output = linewake(&["survey", "none.toml"], folder.path());
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("nowhere.csv") && stderr(&output).contains("none of the captures"),
        "{}",
        stderr(&output)
    );
    // A setup that is not there.
    let setup = format!("{DESCRIPTION}\n[[instrument]]\nname = \"r\"\nsetup = \"chain.toml\"\n");
    fs::write(folder.path().join("survey.toml"), setup).unwrap();
    let output = linewake(&["survey", "survey.toml"], folder.path());
    assert_eq!((output.status.code(), stderr(&output).contains("chain.toml")), (Some(2), true));
    assert!(!folder.path().join("report.html").exists() && !folder.path().join(".report.part").exists());
}

#[test]
fn nothing_of_others_is_replaced() {
    let folder = job();
    let refused = |arguments: &[&str], found: &str| {
        let output = linewake(arguments, folder.path());
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(stderr(&output).contains(found), "{}", stderr(&output));
    };
    fs::write(folder.path().join("report.html"), "<!DOCTYPE html>mine").unwrap();
    refused(&["survey", "survey.toml"], "was not made by");
    fs::remove_file(folder.path().join("report.html")).unwrap();
    fs::create_dir(folder.path().join("report")).unwrap();
    fs::write(folder.path().join("report/mine.txt"), "mine").unwrap();
    refused(&["survey", "survey.toml", "--force"], "holds something that is no report");
    refused(&["survey", "survey.toml", "-o", "captures.html", "--force"], "lies in it");
    refused(&["survey", "survey.toml", "-o", "report.pdf"], "ends in .html");
    fs::remove_dir_all(folder.path().join("report")).unwrap();
    assert_eq!(linewake(&["survey", "survey.toml"], folder.path()).status.code(), Some(0));
    fs::write(folder.path().join("report/mine.txt"), "mine").unwrap();
    refused(&["survey", "survey.toml"], "which the report did not make");
    assert_eq!(fs::read(folder.path().join("report/mine.txt")).unwrap(), b"mine");
}

/// Whatever moment a run is killed at, page and folder are each whole: the old ones or the new ones.
#[cfg(unix)]
#[test]
fn a_kill_leaves_the_old_report_or_the_new_one() {
    // One case is enough, and a run is short.
    let description = |title: &str| {
        let case = &DESCRIPTION[DESCRIPTION.rfind("[[case]]").unwrap()..];
        format!("title = \"{title}\"\n{case}")
    };
    let made = |title: &str| {
        let folder = job();
        fs::write(folder.path().join("survey.toml"), description(title)).unwrap();
        let begin = Instant::now();
        assert_eq!(linewake(&["survey", "survey.toml"], folder.path()).status.code(), Some(0));
        (folder, begin.elapsed())
    };
    let (folder, lasts) = made("Hum");
    let old = report(folder.path());
    // A page tells neither its own name nor its place, so that the new one can be made elsewhere.
    let (other, _) = made("Hum again");
    let new = report(other.path());
    fs::write(folder.path().join("survey.toml"), description("Hum again")).unwrap();
    let (mut olds, mut news) = (0, 0);
    // Later and later, until the new report is there; how long a run lasts depends on what else the machine does.
    for step in 0..40 {
        let mut run = Command::new(env!("CARGO_BIN_EXE_linewake"))
            .args(["survey", "survey.toml"])
            .current_dir(folder.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(lasts.mul_f64(0.17 * f64::from(step)) + Duration::from_millis(5));
        // It may have ended by itself.
        let _ = run.kill();
        run.wait().unwrap();
        let found = report(folder.path());
        check_package(&found);
        for name in ["report.html", "report/report.html"] {
            let page = &found[Path::new(name)];
            assert!(*page == old[Path::new(name)] || *page == new[Path::new(name)], "{name}, step {step}");
        }
        let is_new = found[Path::new("report/report.html")] == new[Path::new("report/report.html")];
        let whole = if is_new { &new } else { &old };
        assert!(
            found.iter().filter(|(name, _)| name.starts_with("report/")).all(|(name, bytes)| whole[name] == *bytes)
        );
        (olds, news) = if is_new { (olds, news + 1) } else { (olds + 1, news) };
        if news > 1 {
            break;
        }
    }
    assert!(olds > 2 && news > 0, "killed {olds} times before the new report and {news} times after it");
    // What a killed run left is taken away by the next one.
    assert_eq!(linewake(&["survey", "survey.toml"], folder.path()).status.code(), Some(0));
    assert!(!folder.path().join(".report.part").exists());
    assert!(report(folder.path()) == new);
}

#[test]
fn a_proposal_becomes_a_report_and_replaces_nothing() {
    let folder = job();
    fs::remove_file(folder.path().join("survey.toml")).unwrap();
    let printed = linewake(&["survey", "--new", "."], folder.path());
    assert_eq!(printed.status.code(), Some(0), "{}", stderr(&printed));
    let text = String::from_utf8(printed.stdout).unwrap();
    assert!(
        text.contains("name = \"lamp\"") && text.contains("off = [\"captures/off-1.csv\", \"captures/off-2.csv\"]"),
        "{text}"
    );
    let write = |force: &[&str]| {
        linewake(&[&["survey", "--new", "captures", "-o", "survey.toml"], force].concat(), folder.path())
    };
    assert_eq!(write(&[]).status.code(), Some(0));
    assert_eq!(fs::read_to_string(folder.path().join("survey.toml")).unwrap().matches("captures/off-1.csv").count(), 2);
    fs::write(folder.path().join("survey.toml"), "edited").unwrap();
    let refused = write(&[]);
    assert_eq!((refused.status.code(), stderr(&refused).contains("is there already")), (Some(2), true));
    assert_eq!(fs::read(folder.path().join("survey.toml")).unwrap(), b"edited");
    assert_eq!(write(&["--force"]).status.code(), Some(0));
    let output = linewake(&["survey", "survey.toml"], folder.path());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    check_package(&report(folder.path()));
}

/// The air falls with the square of the distance: 0.1, 0.025 and 0.00625 at 0.5, 1 and 2 m.
#[test]
fn the_fall_off_of_a_square_law_is_two() {
    let folder = tempfile::tempdir().unwrap();
    let mut text = String::from("title = \"t\"\n");
    let mut names = Vec::new();
    for (n, (distance, gain)) in [(0.5, 0.1), (1.0, 0.025), (2.0, 0.00625)].into_iter().enumerate() {
        for (state, load) in [("off", 0.0), ("on", 20e-3)] {
            for repeat in 0..2u64 {
                let name = format!("{state}-{n}-{repeat}.csv");
                capture(&folder.path().join(&name), 100 * n as u64 + 10 * repeat + u64::from(load > 0.0), load, gain);
            }
        }
        text.push_str(&format!(
            "[[case]]\nname = \"at {distance} m\"\nantenna_distance_m = {distance}\noff = [\"off-{n}-0.csv\", \"off-{n}-1.csv\"]\n\
             on = [\"on-{n}-0.csv\", \"on-{n}-1.csv\"]\n"
        ));
        names.push(format!("\"at {distance} m\""));
    }
    text.push_str(&format!("[[fall_off]]\nname = \"lamp\"\ncases = [{}]\n", names.join(", ")));
    fs::write(folder.path().join("survey.toml"), text).unwrap();
    let output = linewake(&["survey", "survey.toml", "--json"], folder.path());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let band =
        document["fall_offs"][0]["bands"].as_array().unwrap().iter().find(|band| band["low_hz"] == 50e3).unwrap();
    let fit = &band["fit"];
    let exponent = fit["exponent"].as_f64().unwrap();
    assert!((exponent - 2.0).abs() < 0.02, "{band}");
    let [low, high] = [0, 1].map(|end| fit["ci95"][end].as_f64().unwrap());
    assert!(low < exponent && exponent < high && high - low < 0.2, "{fit}");
    assert!(report(folder.path()).contains_key(Path::new("report/fall-off-1.csv")));
}

/// Strings that would steer a page, a terminal, a table or a path, in every place that takes one.
#[test]
fn hostile_strings_are_data() {
    let folder = job();
    let nasty = [
        "<script>alert(1)</script>",
        "\\\"><img src=x onerror=alert(1)>",
        "../../../etc/passwd",
        "=1+1|cmd",
        "\\u202egpj.exe",
    ];
    let [name, remark, path, person, place] = nasty;
    let text = format!(
        "title = \"{name}\"\nsite = \"{remark}\"\nremarks = \"{person}\"\n[people]\n\"{remark}\" = \"{name}\"\n\
         [[location]]\nname = \"{place}\"\n[[case]]\nname = \"{path}\"\nlocation = \"{place}\"\nremarks = \"{remark}{name}\"\n\
         off = [\"captures/off-1.csv\"]\non = [\"captures/lamp-on-1.csv\"]\n[[case]]\nname = \"{remark}\"\non = [\"{name}.csv\"]\n"
    );
    fs::write(folder.path().join("survey.toml"), text).unwrap();
    let output = linewake(&["survey", "survey.toml"], folder.path());
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let printed = [output.stdout, output.stderr].concat();
    assert!(!String::from_utf8_lossy(&printed).contains('\u{202e}'));
    let files = report(folder.path());
    check_package(&files);
    assert!(files.keys().all(|name| name.starts_with("report") || name == Path::new("report.html")));
    let page = String::from_utf8_lossy(&files[Path::new("report.html")]).into_owned();
    assert!(!page.contains("<script>alert") && !page.contains("<img src=x"));
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
}
