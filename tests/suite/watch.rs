//! `watch` through the program: what comes in is analysed when it is complete, compared, and stands in the report.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use linewake::synth::{Random, Source as _, Tone, WhiteNoise};
use serde_json::Value;

/// A capture of the wire, 60 ms at 400 kS/s.
fn capture(seed: u64, load_v: f64) -> String {
    let mut samples = vec![0.0; 24_000];
    WhiteNoise { density: 1e-12 }.add_to(&mut samples, 400e3, &mut Random::new(seed, 0));
    Tone { frequency_hz: 68e3, rms: load_v, phase_rad: 1.0 }.add_to(&mut samples, 400e3);
    let rows = samples.iter().enumerate().map(|(n, volt)| format!("{:.7},{volt:.8}\n", n as f64 / 400e3));
    format!("Time (s),Wire (V)\n{}", rows.collect::<String>())
}

fn watch(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_linewake"));
    command.arg("watch").arg(folder).args(arguments);
    command
}

fn document(folder: &Path) -> Value {
    serde_json::from_slice(&fs::read(folder.join("report/captures.json")).unwrap()).unwrap()
}

#[test]
fn captures_are_compared_with_those_that_their_names_belong_to() {
    let folder = tempfile::tempdir().unwrap();
    for (name, seed, load) in [("off-1", 1, 0.0), ("lamp-on-1", 2, 2e-3), ("lamp-on-filter-1", 3, 2e-4)] {
        fs::write(folder.path().join(format!("{name}.csv")), capture(seed, load)).unwrap();
    }
    fs::write(folder.path().join("broken.csv"), "no capture").unwrap();
    let output = watch(folder.path(), &["--once", "--every", "100ms"]).output().unwrap();
    let (told, rows) = (String::from_utf8_lossy(&output.stderr), String::from_utf8_lossy(&output.stdout));
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(told.contains("broken.csv"), "{told}");
    assert_eq!(rows.lines().count(), 5, "{rows}");
    let document = document(folder.path());
    let row =
        |name: &str| document["captures"].as_array().unwrap().iter().find(|row| row["path"] == name).unwrap().clone();
    assert_eq!(row("lamp-on-1.csv")["references"][0], "off-1.csv");
    let filter = row("lamp-on-filter-1.csv");
    assert_eq!(filter["references"][0], "lamp-on-1.csv");
    // 2 mV to 0.2 mV at 68 kHz: -20 dB, less what the noise of some 0.2 mV in this band holds back.
    let change = filter["change"]["channels"][0]["bands"][3]["change_db"].as_f64().unwrap();
    assert!((-20.0..-16.0).contains(&change), "{change}");
    assert_eq!(row("off-1.csv")["change"], Value::Null);
    let page = fs::read_to_string(folder.path().join("report.html")).unwrap();
    assert!(page.contains("lamp-on-filter-1.csv") && page.contains("3 of 4 captures are analysed"));
}

#[test]
fn a_capture_that_is_still_being_written_waits() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("before.csv"), capture(1, 2e-3)).unwrap();
    let mut run = watch(
        folder.path(),
        &["--for", "60s", "--every", "700ms", "--reference", folder.path().join("before.csv").to_str().unwrap()],
    )
    .stdout(Stdio::null())
    .stderr(Stdio::null())
    .spawn()
    .unwrap();
    let text = capture(2, 2e-4);
    let path = folder.path().join("growing.csv");
    let row = || {
        let document: Value =
            serde_json::from_slice(&fs::read(folder.path().join("report/captures.json")).ok()?).ok()?;
        document["captures"].as_array()?.iter().find(|row| row["path"] == "growing.csv").cloned()
    };
    // It grows from one look to the next, for three of them; what there is of it could be analysed at any time.
    for part in 20..=60 {
        let end = text.len() * part / 80;
        let end = text[..end].rfind('\n').unwrap() + 1;
        fs::write(&path, &text[..end]).unwrap();
        std::thread::sleep(Duration::from_millis(50));
        assert_eq!(row(), None, "a part of a capture was taken for the whole");
    }
    fs::write(&path, &text).unwrap();
    let until = Instant::now() + Duration::from_secs(30);
    let found = loop {
        let found = row();
        if found.is_some() || Instant::now() > until {
            break found;
        }
        std::thread::sleep(Duration::from_millis(100));
    };
    run.kill().unwrap();
    run.wait().unwrap();
    let row = found.expect("the capture is in the report within 30 s");
    let inputs = document(folder.path())["inputs"].clone();
    let bytes =
        inputs.as_array().unwrap().iter().find(|input| input["path"] == "growing.csv").unwrap()["bytes"].clone();
    assert_eq!(bytes, text.len(), "the whole of it was read");
    assert_eq!(row["status"], "done");
    assert!(row["references"][0].as_str().unwrap().ends_with("before.csv"));
}

#[test]
fn what_cannot_be_watched_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let refused = |arguments: &[&str], found: &str| {
        let output = watch(folder.path(), arguments).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!((output.status.code(), told.contains(found)), (Some(2), true), "{told}");
    };
    refused(&["--once"], "holds no capture");
    refused(&["--once", "-o", "page.txt"], "ends in .html");
    fs::write(folder.path().join("report.html"), "mine").unwrap();
    refused(&["--once"], "was not made by");
    let output = Command::new(env!("CARGO_BIN_EXE_linewake")).args(["watch", "nowhere"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
}
