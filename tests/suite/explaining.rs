//! `inspect --explain` through the real program: parts with their reasons, and options that exist.

use crate::program::Bench;

/// A file of each family and container, and what its explanation says, blanks taken as one.
const SAID: &[(&str, &[&str])] = &[
    ("captures/a-left-metadata.csv", &["no name: time, in s why: it is not named as a time, but rises in equal steps"]),
    ("captures/b-index-start-increment.csv", &["\"X\": count why: a count of rows", "2 lines above name the columns"]),
    ("captures/c-start-increment.csv", &["why: its unit \"Volt\" is that of a signal; as the second voltage the air"]),
    ("captures/d-bare-numbers.csv", &["\"x-axis\": time, in s why: its unit \"second\" is one of time"]),
    ("captures/e-single-precision.csv", &["\"Source\": time, in s"]),
    ("captures/f-preamble.csv", &["taken, as a stated rate goes before printed times", "agrees within its rounding"]),
    ("captures/g-codes.csv", &["channel, in codes", "called \"CH1\" from here on", "option: --scale, --unit"]),
    ("captures/h-comment-preamble.csv", &["one line above names the columns"]),
    ("captures/i-semicolon-comments.csv", &["channel, not analysed, in V why: a math or reference trace"]),
    (
        "captures/j-long-preamble.csv",
        &["\"TIME\": time, in s why: it is named as a time", "the unit stands above the table"],
    ),
    ("captures/l-segment.csv", &["channel, unit unknown"]),
    ("captures/m-in-units.csv", &["\"C1 in V\": channel, in V"]),
    ("captures/n-units-row.csv", &["time, in s, number times 0.001"]),
    ("captures/o-sections.txt", &["by its name the wire channel, unless an option says otherwise"]),
    (
        "captures/odd-cut-short.csv",
        &["doubtful The file ends in the middle of a row", "option: none; look at the file"],
    ),
    ("captures/p-quoted.csv", &["\"Event\": left out why: an event marker option: --channels"]),
    ("captures/q-no-header.csv", &["doubtful No unit is named for the time", "option: --time-unit, --sample-rate"]),
    ("captures/q-wide.csv", &["column 4-101 \"CH3 (V)\" to \"CH100 (V)\": channel, in V"]),
    ("captures/pair-CH1.csv", &["pair-CH2.csv holds the air channel of the two files option: --air-file"]),
    ("captures/packed-h-comment-preamble.csv.gz", &["\"Channel 1 (V)\": channel, in V"]),
    ("captures/comtrade-1999-ascii.cfg", &["left out 2 digital channels: on and off", "value = 0.004 x + 0.5 in V"]),
    ("captures/wave-rf64-i2.wav", &["in fractions of full scale why: channel 1 of 2 in the file"]),
    ("arrays/npz-time.npz", &["\"t\": time", "\"wire_mV\": channel, in V, number times 0.001"]),
    ("arrays/mat-table-with-time.mat", &["its first column rises in equal steps and is the time"]),
    ("arrays/parquet-time-none.parquet", &["a number for every sample of the record"]),
];

/// The explanation of a fixture.
fn explained(path: &str, options: &str) -> String {
    let fixture = |name: &str| std::fs::read(format!("{}/fixtures/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap();
    let name = path.rsplit('/').next().unwrap();
    let bench = Bench::with(&[(name, &fixture(path))]);
    for (one, other) in [(".cfg", ".dat"), ("CH1", "CH2")].into_iter().filter(|(one, _)| path.contains(one)) {
        bench.put(&name.replace(one, other), &fixture(&path.replace(one, other)));
    }
    let answer = bench.run(&format!("inspect --explain {name} {options}"));
    let at = answer.out.find("How this file was read").unwrap_or_else(|| panic!("{path}: {}", answer.err));
    answer.out[at..].to_owned()
}

#[test]
fn every_part_has_its_reason_and_options_that_exist() {
    let help = Bench::with(&[]).run("inspect --help").out;
    let exists = |option: &str| help.split_whitespace().any(|word| word.trim_end_matches(',') == option);
    for (path, sentences) in SAID {
        let text = explained(path, "");
        let words: Vec<&str> = text.split_whitespace().collect();
        let flat = words.join(" ");
        assert!(sentences.iter().all(|sentence| flat.contains(sentence)), "{path}\n{text}");
        assert!(text.lines().all(|line| line.chars().count() <= 100), "{path}\n{text}");
        for option in words.iter().filter(|word| word.starts_with("--")) {
            let option = option.trim_end_matches([',', ';', '.', ')']).trim_end_matches(':');
            assert!(exists(option), "{path}: {option} is no option");
        }
        let lines =
            |begins: &[&str]| text.lines().filter(|line| begins.iter().any(|word| line.starts_with(word))).count();
        let reasons = text.lines().filter(|line| line.trim_start().starts_with("why: ")).count();
        assert_eq!(lines(&["  column ", "  channel ", "  array "]), reasons, "{path}\n{text}");
    }
}

/// Doubts, and an option that each of them names: with it the doubt is gone.
const DOUBTS: &[(&str, &str, &str)] = &[
    ("captures/g-codes.csv", "codes of the converter; how many volts", "--scale 0.01"),
    ("captures/g-codes.csv", "codes of the converter; how many volts", "--unit V"),
    ("captures/l-segment.csv", "states no unit for", "--unit mV"),
    ("captures/q-no-header.csv", "No unit is named for the time", "--time-unit s"),
    ("captures/q-rounded-times.csv", "printed so coarsely", "--sample-rate 320k"),
    ("arrays/npz-rate.npz", "states no unit for", "--unit V"),
];

#[test]
fn options_settle_the_doubts_that_name_them() {
    for (path, doubt, option) in DOUBTS {
        let flat = |options: &str| explained(path, options).split_whitespace().collect::<Vec<_>>().join(" ");
        let open = flat("");
        let at = open.find(doubt).unwrap_or_else(|| panic!("{path}: {open}"));
        let named = open[at..].split("option: ").nth(1).and_then(|rest| rest.split("doubtful").next()).unwrap();
        assert!(named.contains(option.split(' ').next().unwrap()), "{path}: {named}");
        let settled = flat(option);
        assert!(!settled.contains(doubt), "{path} {option}: {settled}");
    }
}
