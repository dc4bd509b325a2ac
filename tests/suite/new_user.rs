//! A new user's path, from the plan to the report: the very lines of the guide's chapter, in an empty folder, and what
//! must come out of them, which is what is built into the invented studio.

use linewake::guide::chapters;
use serde_json::Value;

use crate::program::Bench;

/// The command lines of the chapter, in order, without the program's name.
fn lines() -> Vec<&'static str> {
    let chapter = chapters().find(|chapter| chapter.heading == "One job from end to end").unwrap();
    chapter.text.lines().filter_map(|line| line.strip_prefix("linewake ")).collect()
}

/// The row of a band of the wire.
fn row(document: &Value, low_hz: f64) -> Value {
    let wire = document["channels"].as_array().unwrap().iter().find(|channel| channel["role"] == "wire").unwrap();
    wire["bands"].as_array().unwrap().iter().find(|row| row["low_hz"] == low_hz).unwrap().clone()
}

#[test]
fn the_path_of_the_guide_leads_from_the_plan_to_the_report() {
    let bench = Bench::with(&[]);
    let lines = lines();
    let order: Vec<&str> = lines.iter().filter_map(|line| line.split_whitespace().next()).collect();
    let path =
        ["plan", "plan", "demo", "plan", "inspect", "waveform", "calibrate", "setup", "added", "compare", "coupling"];
    assert_eq!(order, [&path[..], &["survey", "survey"]].concat());
    let answers: Vec<String> = lines.iter().map(|line| bench.done(line).out).collect();
    for (line, answer) in lines.iter().zip(&answers) {
        assert!(!answer.is_empty(), "{line}");
        if let Some((_, output)) = line.split_once("-o ") {
            assert!(bench.path(output.trim()).is_file(), "{line}");
        }
    }
    // The plan is kept by what was captured.
    assert!(answers[1].contains("[ ] Sample rate 500 kS/s, record 200 ms"), "{}", answers[1]);
    assert!(answers[3].starts_with("All 3 captures keep to the plan."), "{}", answers[3]);
    assert!(!answers[4].contains("not fit"), "{}", answers[4]);
    // The chain built in takes a tenth of the line at 20 kHz (`survey::studio::bench`).
    let chain = bench.json("calibrate demo/calibration/calibration.toml");
    let wire = chain["channels"].as_array().unwrap().iter().find(|channel| channel["role"] == "wire").unwrap();
    let gains = wire["gains"].as_array().unwrap();
    let gain = gains.iter().find(|point| point["frequency_hz"] == 20e3).unwrap()["gain_db"].as_f64().unwrap();
    assert!((gain - linewake::survey::studio::bench::gain_db(20e3)).abs() < 0.2, "{gain}");
    // The panel's tone of 3 mV at 68 kHz at the recorder (`survey::studio`) is more by the network's gain on the line; of it
    // the filter, built in with its circuit, takes 25.4 dB. Intervals hold both.
    let json = |at: usize| bench.json(lines[at].split(" -o ").next().unwrap());
    let (added, compared) = (json(8), json(9));
    let on_the_line = 3e-3 * 10f64.powf(-linewake::survey::studio::bench::gain_db(68e3) / 20.0);
    let adds = row(&added, 50e3);
    let [low, high] = [0, 1].map(|end| adds["added_ci95_rms"][end].as_f64().unwrap());
    assert_eq!(adds["verdict"], "adds");
    assert!(low < on_the_line && on_the_line < high && high - low < 5e-3, "{on_the_line}: {adds}");
    let change = row(&compared, 50e3);
    let [low, high] = [0, 1].map(|end| change["ci95_db"][end].as_f64().unwrap());
    assert_eq!(change["verdict"], "lower");
    assert!(low < -25.4 && -25.4 < high && high - low < 2.0, "{change}");
    // The page says it on the line, and every figure lies beside it.
    let conclusion = answers[12].lines().find(|line| line.starts_with("Led panel adds")).unwrap_or_default();
    assert!(conclusion.contains("mV") && conclusion.contains("between 50 and 95 kHz on the wire"), "{}", answers[12]);
    let said: f64 = conclusion.split_whitespace().nth(3).unwrap().parse().unwrap();
    assert!((said * 1e-3 / on_the_line - 1.0).abs() < 0.1, "{conclusion}");
    let page = String::from_utf8(bench.read("studio.html")).unwrap();
    assert!(page.contains(conclusion) && bench.path("studio/datapackage.json").is_file());
}
