//! The README keeps its word: every command line in it runs, and its table is the demo's own. So do the examples in the
//! help of each command.

use std::path::Path;
use std::process::{Command, Output};

use crate::contracts::examples;

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
    // A shell would take the quotes off; no argument here holds a blank.
    let arguments = arguments.split_whitespace().map(|argument| argument.trim_matches('\''));
    let arguments = arguments.flat_map(|argument| named(folder, argument));
    Command::new(env!("CARGO_BIN_EXE_linewake")).current_dir(folder).args(arguments).output().unwrap()
}

/// The files that an argument names: those that differ from it by the one character that a question mark stands for.
fn named(folder: &Path, argument: &str) -> Vec<String> {
    let Some((before, after)) = argument.split_once('?') else { return vec![argument.to_owned()] };
    let names = (1..=9).map(|n| format!("{before}{n}{after}"));
    let found: Vec<String> = names.filter(|name| folder.join(name).is_file()).collect();
    assert!(found.len() >= 2, "{argument}: {found:?}");
    found
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

    let of_readme: Vec<String> = lines.map(str::to_owned).collect();
    assert!(of_readme.len() > 10, "{} commands", of_readme.len());
    // The demo has run, what waits for captures does so, and the page takes a build that carries it.
    let is_run = |line: &[String]| !["demo", "page"].contains(&line[1].as_str()) && !line.contains(&"--for".to_owned());
    let parser = linewake::cli::parser();
    let of_help = parser.get_subcommands().flat_map(examples).filter(|line| is_run(line)).map(|line| line.join(" "));
    let of_help: Vec<String> = of_help.filter(|line| !of_readme.contains(line)).collect();
    for line in of_readme.iter().chain(&of_help) {
        let arguments =
            line.strip_prefix("linewake ").unwrap_or_else(|| panic!("not a command of this program: {line}"));
        let done = linewake(folder.path(), arguments);
        assert!(done.status.success(), "{line}\n{}", String::from_utf8_lossy(&done.stderr));
        assert!(!done.stdout.is_empty(), "{line}");
        if let Some(output) = arguments.split_once("-o ").and_then(|(_, rest)| rest.split_whitespace().next()) {
            assert!(folder.path().join(output).is_file(), "{line}");
        }
    }
}

#[test]
fn the_cautions_stand_at_the_top() {
    let head: String = README.lines().take(12).collect::<Vec<_>>().join(" ");
    for word in ["isolated or differential probes", "never float", "capacitor", "qualified persons", "local codes"] {
        assert!(head.contains(word), "{word}");
    }
}
