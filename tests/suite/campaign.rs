//! Campaigns through the real program: killed and resumed, with the same bytes in the end; shards; what is refused.
//!
//! What is held against is an undisturbed run of the same program, and for Parquet the reader of the crate `parquet`.

use std::collections::BTreeMap;
use std::fs::{self, File, FileTimes};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime};

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::program::{Answer, Bench, holds_leavings};

const RATE: u32 = 250_000;

/// A wave of two channels, 20 ms: a tone and some noise.
fn capture(number: u32) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    let spec =
        hound::WavSpec { channels: 2, sample_rate: RATE, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
    let mut wave = hound::WavWriter::new(&mut bytes, spec).unwrap();
    let mut state = number.wrapping_mul(2_654_435_761) | 1;
    for n in 0..RATE / 50 {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = f64::from(state >> 16) / 65_536.0 - 0.5;
        let tone = (std::f64::consts::TAU * 20e3 * f64::from(n) / f64::from(RATE)).sin();
        let sample = 100.0 * f64::from(number + 1) * tone + 40.0 * noise;
        wave.write_sample(sample as i16).unwrap();
        wave.write_sample((0.3 * sample) as i16).unwrap();
    }
    wave.finalize().unwrap();
    bytes.into_inner()
}

/// Makes a file older, as captures of a campaign are.
fn age(path: &Path, seconds: u64) {
    let then = SystemTime::now() - Duration::from_secs(seconds);
    File::options().write(true).open(path).unwrap().set_times(FileTimes::new().set_modified(then)).unwrap();
}

/// Captures, one of them broken, an hour old.
fn campaign(count: u32) -> Bench {
    let bench = Bench::with(&[("day/broken.csv", b"words, only\n")]);
    for number in 0..count {
        bench.put(&format!("day/{number}.wav"), &capture(number));
    }
    for entry in fs::read_dir(bench.path("day")).unwrap() {
        age(&entry.unwrap().path(), 3600);
    }
    bench
}

/// All files of a folder but the journals, with their bytes.
fn results(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(inner) = folders.pop() {
        for entry in fs::read_dir(inner).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().display().to_string().replace('\\', "/");
                assert!(!name.ends_with(".part"), "{name}");
                if !name.starts_with("journal/") {
                    files.insert(name, fs::read(path).unwrap());
                }
            }
        }
    }
    files
}

fn same(bench: &Bench, one: &str, other: &str) {
    let [one, other] = [one, other].map(|name| results(&bench.path(name)));
    assert_eq!(one.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>());
    for (name, bytes) in &one {
        assert!(bytes == &other[name], "{name} differs");
    }
}

/// Ends with one failed capture among others.
fn partly(bench: &Bench, arguments: &str) -> Answer {
    let answer = bench.run(arguments);
    assert_eq!(answer.status, 1, "{arguments}: {}", answer.err);
    answer
}

fn rows(bench: &Bench, name: &str) -> Vec<Value> {
    let text = String::from_utf8(bench.read(name)).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn spawn(bench: &Bench, arguments: &str) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_linewake"));
    command.args(arguments.split_whitespace()).current_dir(bench.path("."));
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).env("RAYON_NUM_THREADS", "1");
    command.spawn().unwrap()
}

/// A line of a journal with its check.
fn line(json: &str) -> String {
    let check: String = Sha256::digest(json.as_bytes()).iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    format!("{{\"check\":\"{check}\",\"line\":{json}}}\n")
}

const JOURNAL: &str = "journal/1-of-1.jsonl";

#[test]
fn one_row_a_capture_channel_and_band() {
    let bench = campaign(3);
    let answer = partly(&bench, "batch day --into results");
    assert!(answer.out.contains("4 captures; 1 could not be analysed."), "{}", answer.out);
    let rows = rows(&bench, "results/jsonl/rows-1-of-1.jsonl");
    // Five bands to 125 kHz and the total, two channels, three captures; the broken one.
    assert_eq!(rows.len(), 6 * 2 * 3 + 1);
    let first = &rows[0];
    let bytes = bench.read("day/0.wav");
    let sha256: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(first["path"].as_str().unwrap().ends_with("0.wav") && first["sha256"] == sha256, "{first}");
    assert_eq!((first["bytes"].as_u64(), first["duration_s"].as_f64()), (Some(bytes.len() as u64), Some(0.02)));
    assert_eq!((first["sample_rate_hz"].as_f64(), first["status"].as_str()), (Some(250e3), Some("done")));
    let total = rows.iter().find(|row| row["whole_range"] == true).unwrap();
    assert_eq!((total["low_hz"].as_f64(), total["high_hz"].as_f64()), (Some(2e3), Some(125e3)));
    // The same numbers as the plain command gives.
    let plain = &bench.json("batch day/0.wav")["captures"][0]["channels"][0]["total"];
    assert_eq!((&total["rms"], &total["level_db"]), (&plain["rms"], &plain["level_db"]));
    let broken = rows.last().unwrap();
    assert!(broken["status"] == "failed" && broken["role"] == "none" && broken["error"].is_string(), "{broken}");

    let table = String::from_utf8(bench.read("results/csv/rows-1-of-1.csv")).unwrap();
    let mut table = csv::Reader::from_reader(table.as_bytes());
    let names = table.headers().unwrap().clone();
    for (record, row) in table.records().map(Result::unwrap).zip(&rows) {
        for (name, text) in names.iter().zip(&record) {
            let expected = match &row[name] {
                Value::Null => String::new(),
                Value::String(text) => text.clone(),
                Value::Number(number) if number.is_f64() => number.as_f64().unwrap().to_string(),
                other => other.to_string(),
            };
            assert_eq!(text, expected, "{name}");
        }
    }
}

#[cfg(feature = "columnar")]
#[test]
fn parquet_holds_the_same_rows() {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::Field;

    let bench = campaign(3);
    partly(&bench, "batch day --into results");
    let rows = rows(&bench, "results/jsonl/rows-1-of-1.jsonl");
    let mut seen = 0;
    for role in ["wire", "air", "none"] {
        let path = bench.path(&format!("results/parquet/role={role}/rows-1-of-1.parquet"));
        let file = SerializedFileReader::new(File::open(path).unwrap()).unwrap();
        let expected: Vec<&Value> = rows.iter().filter(|row| row["role"] == role).collect();
        let read: Vec<_> = file.get_row_iter(None).unwrap().map(Result::unwrap).collect();
        assert_eq!(read.len(), expected.len());
        for (read, expected) in read.iter().zip(expected) {
            for (name, field) in read.get_column_iter() {
                let value = match field {
                    Field::Null => Value::Null,
                    Field::Str(text) => text.as_str().into(),
                    Field::Double(number) => (*number).into(),
                    Field::Long(count) => u64::try_from(*count).unwrap().into(),
                    Field::Bool(flag) => (*flag).into(),
                    other => panic!("{name}: {other}"),
                };
                assert_eq!(value, expected[name], "{name}");
            }
            seen += 1;
        }
    }
    assert_eq!(seen, rows.len());
}

#[test]
fn killed_at_any_moment_it_ends_with_the_same_bytes() {
    let bench = campaign(60).threads(1);
    let took = partly(&bench, "batch day --into whole").took;
    let mut held = Vec::new();
    for part in [1, 3, 5, 7, 9] {
        let mut child = spawn(&bench, "batch day --into killed --resume");
        std::thread::sleep(took * part / 10);
        child.kill().unwrap();
        child.wait().unwrap();
        held.push(fs::metadata(bench.path("killed").join(JOURNAL)).map_or(0, |journal| journal.len()));
    }
    assert!(held.is_sorted(), "a journal only grows: {held:?}");
    partly(&bench, "batch day --into killed --resume");
    same(&bench, "whole", "killed");
    // Resumed again there is nothing to do, and the same results.
    let again = partly(&bench, "batch day --into killed --resume");
    assert!(again.out.contains("0 captures analysed now; 61 were in the journal already."), "{}", again.out);
    same(&bench, "whole", "killed");
}

#[test]
fn a_torn_or_damaged_line_costs_one_capture() {
    let bench = campaign(2);
    partly(&bench, "batch day --into whole");
    let journal = bench.read(&format!("whole/{JOURNAL}"));
    let lines: Vec<&[u8]> = journal.split_inclusive(|&byte| byte == b'\n').collect();
    let last = journal.len() - lines.last().unwrap().len();
    let mut cases: Vec<Vec<u8>> = (last..journal.len()).step_by(211).map(|cut| journal[..cut].to_vec()).collect();
    cases.push(journal[..journal.len() - 1].to_vec());
    // The first line torn: nothing was done yet.
    cases.push(journal[..1].to_vec());
    cases.push(journal[..lines[0].len() - 1].to_vec());
    // A digit turned over within a line.
    let mut damaged = journal.clone();
    let place = lines[0].len() + lines[1].len() / 2;
    damaged[place] ^= 1;
    cases.push(damaged);
    // A loss of power can leave zeros.
    cases.push([&journal[..last], &[0; 700]].concat());
    for (number, case) in cases.iter().enumerate() {
        bench.put(&format!("torn/{JOURNAL}"), case);
        partly(&bench, "batch day --into torn --resume");
        same(&bench, "whole", "torn");
        let lines = bench.read(&format!("torn/{JOURNAL}"));
        assert!(lines.ends_with(b"}\n"), "case {number}");
    }
}

#[test]
fn changed_captures_are_done_again_and_touched_ones_are_not() {
    let bench = campaign(3);
    partly(&bench, "batch day --into results");
    let before = results(&bench.path("results"));
    // Another time, the same bytes.
    age(&bench.path("day/1.wav"), 60);
    let answer = partly(&bench, "batch day --into results --resume");
    assert!(answer.out.contains("0 captures analysed now; 4 were in the journal already."), "{}", answer.out);
    assert!(results(&bench.path("results")) == before);
    // The same length and other bytes, and one more.
    bench.put("day/1.wav", &capture(7));
    bench.put("day/3.wav", &capture(3));
    let answer = partly(&bench, "batch day --into results --resume");
    assert!(answer.out.contains("2 captures analysed now; 1 of them again"), "{}", answer.out);
    partly(&bench, "batch day --into fresh");
    same(&bench, "fresh", "results");
    // Reading options that come to stand beside a capture change what it says.
    bench.put("day/2.wav.toml", b"[read]\nwire = 2\n");
    let answer = partly(&bench, "batch day --into results --resume");
    assert!(answer.out.contains("1 capture analysed now; 1 of them again"), "{}", answer.out);
    partly(&bench, "batch day --into turned");
    same(&bench, "turned", "results");
    // A capture that is gone keeps its rows, and they can be made again without any capture.
    let before = results(&bench.path("results"));
    fs::remove_file(bench.path("day/0.wav")).unwrap();
    fs::remove_dir_all(bench.path("results/csv")).unwrap();
    fs::remove_dir_all(bench.path("results/parquet")).unwrap();
    partly(&bench, "batch --into results");
    assert!(results(&bench.path("results")) == before);
}

#[test]
fn shards_together_are_the_whole() {
    let bench = campaign(20);
    bench.put("list.txt", b"day\n\nhum_CH2.csv\r\nhum_CH1.csv\n");
    // A capture in two files is one row, whichever shard has which file.
    let samples = |number: u32| (0..6000u32).map(move |n| f64::from((n * n + 7 * n * number) % 101) * 1e-3);
    for number in [1, 2] {
        let rows: String = samples(number).enumerate().map(|(n, v)| format!("{:.6},{v}\n", n as f64 * 4e-6)).collect();
        bench.put(&format!("hum_CH{number}.csv"), format!("Time (s),CH{number} (V)\n{rows}").as_bytes());
    }
    partly(&bench, "batch --files-from list.txt --into whole");
    for shard in 1..=3 {
        let answer = bench.run(&format!("batch --files-from list.txt --shard {shard}/3 --into parts"));
        assert!(answer.status < 2, "{}", answer.err);
    }
    let mut joined: Vec<Value> =
        (1..=3).flat_map(|shard| rows(&bench, &format!("parts/jsonl/rows-{shard}-of-3.jsonl"))).collect();
    let whole = rows(&bench, "whole/jsonl/rows-1-of-1.jsonl");
    let place = |row: &Value| whole.iter().position(|other| other["path"] == row["path"]);
    joined.sort_by_key(place);
    assert_eq!(joined, whole);
    assert_eq!(whole.iter().filter(|row| row["path"] == "hum_CH2.csv").count(), 0);
    // Rows made again from the journals alone are the same in each shard.
    let before = results(&bench.path("parts"));
    partly(&bench, "batch --into parts");
    assert!(results(&bench.path("parts")) == before);
}

#[test]
fn what_does_not_go_together_is_refused() {
    let bench = campaign(1);
    partly(&bench, "batch day --into results");
    let journal = String::from_utf8(bench.read(&format!("results/{JOURNAL}"))).unwrap();
    let head = journal.lines().next().unwrap();
    let json = head.split_once("\"line\":").unwrap().1.strip_suffix('}').unwrap();
    assert_eq!(line(json), format!("{head}\n"), "the test writes lines as the program does");
    let version = format!("\"version\":\"{}\"", env!("CARGO_PKG_VERSION"));
    bench.put("older/journal/1-of-1.jsonl", line(&json.replace(&version, "\"version\":\"0.0.1\"")).as_bytes());
    bench.put("foreign/journal/1-of-1.jsonl", line(&json.replace("\"linewake\"", "\"other\"")).as_bytes());
    bench.put("words/journal/1-of-1.jsonl", b"words\n");
    bench.put("torn/journal/1-of-1.jsonl", b"words");
    for (arguments, words) in [
        ("--into results", "holds a campaign already"),
        ("--into results --resume --rbw 400", "other settings: rbw_hz 200"),
        ("--into results --resume --bands 2k", "other settings: bands \"wide\""),
        ("--into results --resume --unit mV", "other settings"),
        ("--into results --resume --shard 1/2", "a number of shards of 1"),
        ("--into older --resume", "version 0.0.1"),
        ("--into foreign --resume", "is the journal of \"other\""),
        ("--into words --resume", "is no journal"),
        ("--into torn --resume", "is no journal"),
        ("--into results --resume --shard 4/3", "K from 1 to N"),
        ("--into results --resume --shard 0/3", "K from 1 to N"),
        ("--into list --json", "cannot be used with"),
        ("--resume", "--into"),
        ("--files-from missing.txt", "missing.txt"),
        ("--into day/0.wav", "day/0.wav"),
    ] {
        let before = bench.names();
        let answer = bench.run(&format!("batch day {arguments}"));
        assert_eq!(answer.status, 2, "{arguments}: {}", answer.err);
        assert!(answer.err.contains(words), "{arguments}: {}", answer.err);
        assert_eq!(bench.names(), before, "{arguments}");
    }
    assert_eq!(String::from_utf8(bench.read(&format!("results/{JOURNAL}"))).unwrap(), journal);
    let answer = bench.run("batch --into nowhere");
    assert!(answer.status == 2 && answer.err.contains("holds no journal"), "{}", answer.err);
    // Two shards that were begun with other settings.
    bench.run("batch day --shard 1/2 --into shards");
    let answer = bench.run("batch day --shard 2/2 --into shards --rbw 400");
    assert!(answer.status == 2 && answer.err.contains("other settings"), "{}", answer.err);
}

#[test]
fn a_capture_that_is_still_being_written_is_waited_for() {
    let bench = campaign(1);
    let whole = capture(5);
    bench.put("day/growing.wav", &whole[..30]);
    let child = spawn(&bench, "batch day --into results");
    std::thread::sleep(Duration::from_millis(400));
    bench.put("day/growing.wav", &whole);
    assert_eq!(child.wait_with_output().unwrap().status.code(), Some(1));
    let rows = rows(&bench, "results/jsonl/rows-1-of-1.jsonl");
    let failed: Vec<_> = rows.iter().filter(|row| row["status"] == "failed").collect();
    assert!(failed.len() == 1 && failed[0]["path"].as_str().unwrap().contains("broken"), "{failed:?}");
    // Not waited for: a row with its error, and done again once it is complete.
    bench.put("day/growing.wav", &whole[..30]);
    partly(&bench, "batch day --into hasty --retries 0");
    bench.put("day/growing.wav", &whole);
    partly(&bench, "batch day --into hasty --resume");
    same(&bench, "results", "hasty");
}

#[cfg(unix)]
#[test]
fn a_full_disk_loses_nothing() {
    let bench = campaign(40);
    partly(&bench, "batch day --into whole");
    // A limit on the size of files answers as a full disk does; blocks are of 512 or 1024 bytes.
    let script = format!("trap '' XFSZ; ulimit -f 16; exec {} batch day --into full", env!("CARGO_BIN_EXE_linewake"));
    let full = Command::new("sh").args(["-c", &script]).current_dir(bench.path(".")).output().unwrap();
    let said = String::from_utf8_lossy(&full.stderr).into_owned();
    assert_eq!(full.status.code(), Some(2), "{said}");
    assert!(said.contains("cannot be written") && said.contains("--resume"), "{said}");
    assert!(results(&bench.path("full")).is_empty(), "rows come whole or not at all");
    partly(&bench, "batch day --into full --resume");
    same(&bench, "whole", "full");
}

#[cfg(unix)]
#[test]
fn an_interrupt_leaves_nothing_half_written() {
    let bench = campaign(40).threads(1);
    let took = partly(&bench, "batch day --into whole").took;
    for part in [2, 5, 8] {
        let child = spawn(&bench, "batch day -o ranking.csv");
        let mut campaign = spawn(&bench, "batch day --into stopped --resume");
        std::thread::sleep(took * part / 10);
        for child in [&child, &campaign] {
            Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
        }
        child.wait_with_output().unwrap();
        campaign.wait().unwrap();
        if cfg!(target_os = "linux") {
            assert!(!holds_leavings(&bench.path(".")), "{part}");
        }
    }
    partly(&bench, "batch day --into stopped --resume");
    same(&bench, "whole", "stopped");
}

/// A path may be no longer than 4096 bytes (Linux, PATH_MAX), so that folders put into each other end in one that
/// nobody can open by its name, not even the first of users.
#[cfg(target_os = "linux")]
#[test]
fn a_folder_that_cannot_be_looked_into_is_named() {
    let bench = campaign(2);
    fs::remove_file(bench.path("day/broken.csv")).unwrap();
    let deep = vec!["d".repeat(250); 9].join("/");
    fs::create_dir_all(bench.path("day").join(&deep)).unwrap();
    fs::create_dir_all(bench.path("below").join(&deep)).unwrap();
    let whole = bench.run("batch day");
    assert_eq!(whole.status, 0, "{}", whole.err);
    fs::rename(bench.path("below"), bench.path("day").join(&deep).join("below")).unwrap();
    for arguments in ["batch day", "batch day --into results"] {
        let answer = bench.run(arguments);
        assert_eq!(answer.status, 1, "{}", answer.err);
        assert!(answer.err.contains("cannot be looked into"), "{}", answer.err);
        // The others are analysed all the same.
        assert!(answer.out.contains("2 captures"), "{}", answer.out);
    }
}
