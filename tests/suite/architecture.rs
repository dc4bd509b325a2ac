//! The ranks of the rooms: every `crate::` path in `src/` leads down, and only the command line touches the world.

use std::fs;
use std::path::{Path, PathBuf};

/// A room uses rooms of lower rank, or itself; never its own rank's neighbour.
const RANKS: &[(&str, u32)] = &[
    ("error", 0),
    ("guide", 0),
    ("units", 1),
    ("spread", 1),
    ("lanes", 1),
    ("uncertainty", 2),
    ("synth", 2),
    ("dsp", 3),
    ("capture", 3),
    ("circuit", 3),
    ("read", 4),
    ("write", 4),
    ("measure", 4),
    ("levels", 5),
    ("compare", 6),
    ("analysis", 7),
    ("survey", 8),
    ("report", 9),
    ("browser", 10),
    ("cli", 11),
    ("main", 12),
];

/// What only the command line and the program itself may do.
const OUTSIDE_WORLD: &[&str] = &[
    "println!",
    "print!",
    "eprintln!",
    "eprint!",
    "dbg!",
    "std::fs",
    "fs::",
    "File::",
    "std::net",
    "std::process",
    "std::thread",
    "thread::spawn",
    "rayon",
    "Instant",
    "SystemTime",
    "std::env",
    "env::",
    "stdout()",
    "stderr()",
    "stdin()",
];

/// A source file without its tests and comments.
struct Code {
    path: PathBuf,
    /// The room, then the modules within it.
    module: Vec<String>,
    lines: Vec<(usize, String)>,
}

impl Code {
    fn room(&self) -> &str {
        &self.module[0]
    }

    fn place(&self, line: usize) -> String {
        format!("{}:{line}", self.path.display())
    }
}

fn rank(room: &str) -> Option<u32> {
    RANKS.iter().find(|(name, _)| *name == room).map(|(_, rank)| *rank)
}

/// Every file of the library and the program that is not a test, `lib.rs` left out because it only lists the rooms.
fn sources() -> Vec<Code> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    collect(&root, &mut files);
    let tests: Vec<PathBuf> = files.iter().flat_map(|path| test_files(path)).collect();
    files.retain(|path| !tests.contains(path) && path.file_name().is_some_and(|name| name != "lib.rs"));
    files.iter().map(|path| code_of(&root, path)).collect()
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
}

/// The files that a file declares as modules under `#[cfg(test)]`.
fn test_files(path: &Path) -> Vec<PathBuf> {
    let text = fs::read_to_string(path).unwrap();
    let lines: Vec<&str> = text.lines().map(str::trim).collect();
    let declared = lines.windows(2).filter(|pair| pair[0] == "#[cfg(test)]");
    let names = declared.filter_map(|pair| pair[1].strip_prefix("mod ")?.strip_suffix(';'));
    names.map(|name| path.with_file_name(format!("{name}.rs"))).collect()
}

fn code_of(root: &Path, path: &Path) -> Code {
    let inside = path.strip_prefix(root).unwrap().with_extension("");
    let mut module: Vec<String> = inside.iter().map(|part| part.to_str().unwrap().to_owned()).collect();
    if module.last().is_some_and(|last| last == "mod") {
        module.pop();
    }
    let text = fs::read_to_string(path).unwrap();
    let end = text.find("#[cfg(test)]\nmod tests {").unwrap_or(text.len());
    let lines = text[..end].lines().enumerate().map(|(number, line)| (number + 1, line.trim()));
    let lines = lines.filter(|(_, line)| !line.starts_with("//")).map(|(n, line)| (n, line.to_owned())).collect();
    Code { path: path.strip_prefix(root.parent().unwrap()).unwrap().to_owned(), module, lines }
}

/// The first word of a text, as identifiers are written.
fn word(text: &str) -> &str {
    let end = text.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(text.len());
    &text[..end]
}

/// The rooms that a line names: `crate::room`, `crate::{room, ...}`, `linewake::room`, and `super::` up to the root.
fn rooms_named(line: &str, depth: usize) -> Vec<String> {
    let mut rooms = Vec::new();
    let root_by_super = "super::".repeat(depth);
    for prefix in ["crate::", "linewake::", root_by_super.as_str()] {
        for (at, _) in line.match_indices(prefix) {
            let before = line[..at].chars().next_back();
            if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':') {
                continue;
            }
            let rest = &line[at + prefix.len()..];
            let named: Vec<&str> = match rest.strip_prefix('{') {
                Some(group) => group.split(',').map(|part| word(part.trim())).collect(),
                None => vec![word(rest)],
            };
            rooms.extend(named.into_iter().filter(|name| rank(name).is_some()).map(str::to_owned));
        }
    }
    rooms
}

/// Whether code stands in a line as a word of its own, so that `env!` or `profile::` are not taken for it.
fn holds(line: &str, code: &str) -> bool {
    line.match_indices(code).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        !before.is_some_and(|c| c.is_alphanumeric() || c == '_')
    })
}

#[test]
fn every_room_has_a_rank() {
    for code in sources() {
        assert!(rank(code.room()).is_some(), "{}: no rank for the room {}", code.path.display(), code.room());
    }
}

#[test]
fn rooms_use_rooms_of_lower_rank_only() {
    let mut wrong = Vec::new();
    let mut paths = 0;
    for code in sources() {
        let own = rank(code.room()).unwrap();
        for (line, text) in &code.lines {
            for room in rooms_named(text, code.module.len()) {
                paths += 1;
                if room != code.room() && rank(&room).unwrap() >= own {
                    wrong.push(format!("{}: {} uses {room}", code.place(*line), code.room()));
                }
            }
        }
    }
    // A check that finds no path at all would hold whatever the code does.
    assert!(paths > 100, "only {paths} paths found");
    assert!(wrong.is_empty(), "paths that lead up:\n{}", wrong.join("\n"));
}

#[test]
fn only_the_command_line_touches_the_world() {
    let mut wrong = Vec::new();
    let mut at_the_rim = 0;
    for code in sources() {
        let rim = matches!(code.room(), "cli" | "main" | "spread");
        for (line, text) in &code.lines {
            let found: Vec<&&str> = OUTSIDE_WORLD.iter().filter(|word| holds(text, word)).collect();
            match found.first() {
                Some(_) if rim => at_the_rim += 1,
                Some(word) => wrong.push(format!("{}: {word}", code.place(*line))),
                None => {}
            }
        }
    }
    assert!(at_the_rim > 5, "only {at_the_rim} uses found where they are allowed");
    assert!(wrong.is_empty(), "outside the command line:\n{}", wrong.join("\n"));
}

#[test]
fn paths_are_recognised() {
    assert_eq!(rooms_named("use crate::units::Hertz;", 2), ["units"]);
    assert_eq!(rooms_named("use crate::{read, report::table};", 2), ["read", "report"]);
    assert_eq!(rooms_named("let x = super::super::cli::main();", 2), ["cli"]);
    assert_eq!(rooms_named("use super::table::Table;", 2), Vec::<String>::new());
    assert!(holds("let x = std::env::var(name)", "std::env") && !holds("env!(\"CARGO_PKG_NAME\")", "env::"));
}
