//! The README keeps its word: every command line in it runs, and its table is the demo's own.

use std::path::Path;
use std::process::{Command, Output};

const README: &str = include_str!("../../README.md");

/// The lines of all fenced blocks of a kind.
fn blocks(kind: &str) -> Vec<&'static str> {
    let mut inside = false;
    let opening = format!("```{kind}");
    README
        .lines()
        .filter(|line| {
            let fence = line.starts_with("```");
            inside = if fence { *line == opening } else { inside };
            inside && !fence
        })
        .collect()
}

fn linewake(folder: &Path, arguments: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_linewake"))
        .current_dir(folder)
        // A shell would take the quotes off; no argument here holds a blank.
        .args(arguments.split_whitespace().map(|argument| argument.trim_matches('\'')))
        .output()
        .unwrap()
}

#[test]
fn every_command_line_runs_and_the_table_is_the_demos_own() {
    let folder = tempfile::tempdir().unwrap();
    let mut lines = blocks("sh").into_iter();
    // The first command is the demo through cargo; the second is the one that runs this test.
    let demo = lines.next().unwrap().strip_prefix("cargo run --release -- ").unwrap();
    assert_eq!(lines.next(), Some("cargo test"));
    let made = linewake(folder.path(), demo);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let printed = String::from_utf8(made.stdout).unwrap();
    let table = blocks("text").join("\n");
    assert!(printed.contains(&table), "the README's table is not what the demo prints; renew it from its output");

    let mut count = 0;
    for line in lines {
        let arguments =
            line.strip_prefix("linewake ").unwrap_or_else(|| panic!("not a command of this program: {line}"));
        let done = linewake(folder.path(), arguments);
        assert!(done.status.success(), "{line}\n{}", String::from_utf8_lossy(&done.stderr));
        assert!(!done.stdout.is_empty(), "{line}");
        if let Some(output) = arguments.split_once("-o ").and_then(|(_, rest)| rest.split_whitespace().next()) {
            assert!(folder.path().join(output).is_file(), "{line}");
        }
        count += 1;
    }
    assert!(count > 10, "{count} commands");
}

#[test]
fn the_cautions_stand_at_the_top() {
    let head: String = README.lines().take(12).collect::<Vec<_>>().join(" ");
    for word in ["isolated or differential probes", "never float", "capacitor", "qualified persons", "local codes"] {
        assert!(head.contains(word), "{word}");
    }
}
