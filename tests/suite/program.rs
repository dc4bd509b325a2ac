//! The real program in a folder of its own.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

/// Nothing that a test asks of the program lasts longer, even unoptimised on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// A folder with captures, in which the program is run.
pub(crate) struct Bench {
    folder: TempDir,
    threads: Option<u32>,
    memory: Option<u64>,
}

/// What the program said and how it ended.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: i32,
    pub(crate) out: String,
    pub(crate) err: String,
    pub(crate) took: Duration,
}

impl Bench {
    /// A folder with these files.
    pub(crate) fn with(files: &[(&str, &[u8])]) -> Self {
        let bench = Self { folder: TempDir::new().unwrap(), threads: None, memory: None };
        for (name, bytes) in files {
            bench.put(name, bytes);
        }
        bench
    }

    /// The same folder, the program limited to so many threads.
    pub(crate) fn threads(mut self, threads: u32) -> Self {
        self.threads = Some(threads);
        self
    }

    /// The same folder, the program limited to so many bytes of addresses; only where there is a shell.
    pub(crate) fn memory(mut self, bytes: u64) -> Self {
        self.memory = Some(bytes);
        self
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn put(&self, name: &str, bytes: &[u8]) {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    pub(crate) fn read(&self, name: &str) -> Vec<u8> {
        fs::read(self.path(name)).unwrap()
    }

    /// The names of all files in the folder.
    pub(crate) fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.folder.path()).unwrap();
        let mut names: Vec<String> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    /// Runs the program with arguments parted by blanks, the folder as its working folder.
    pub(crate) fn run(&self, arguments: &str) -> Answer {
        let arguments: Vec<&str> = arguments.split_whitespace().collect();
        self.run_with(&arguments)
    }

    pub(crate) fn run_with(&self, arguments: &[&str]) -> Answer {
        self.run_from(Stdio::null(), arguments)
    }

    /// Runs the program with a file of the folder as its standard input.
    pub(crate) fn run_fed(&self, input: &str, arguments: &str) -> Answer {
        let input = File::open(self.path(input)).unwrap();
        self.run_from(input.into(), &arguments.split_whitespace().collect::<Vec<_>>())
    }

    fn run_from(&self, input: Stdio, arguments: &[&str]) -> Answer {
        // The answers lie outside the folder, so that it holds only what the test and the program put there.
        let answers = TempDir::new().unwrap();
        let stream = |name: &str| Stdio::from(File::create(answers.path().join(name)).unwrap());
        let program = env!("CARGO_BIN_EXE_linewake");
        let mut command = match self.memory {
            None => Command::new(program),
            Some(bytes) => {
                let mut shell = Command::new("sh");
                shell.args(["-c", &format!("ulimit -v {} && exec \"$0\" \"$@\"", bytes / 1024), program]);
                // The system's allocator sets much more aside for each thread than it uses.
                shell.env("MALLOC_ARENA_MAX", "1");
                shell
            }
        };
        command.args(arguments).current_dir(self.folder.path());
        command.stdin(input).stdout(stream("out")).stderr(stream("err"));
        if let Some(threads) = self.threads {
            command.env("RAYON_NUM_THREADS", threads.to_string());
        }
        let start = Instant::now();
        let mut child = command.spawn().unwrap();
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            if start.elapsed() > PATIENCE {
                child.kill().unwrap();
                panic!("{arguments:?} did not end");
            }
            std::thread::sleep(Duration::from_millis(2));
        };
        let text = |name: &str| fs::read_to_string(answers.path().join(name)).unwrap();
        let status = status.code().unwrap_or_else(|| panic!("{arguments:?} ended by a signal: {}", text("err")));
        Answer { status, out: text("out"), err: text("err"), took: start.elapsed() }
    }

    /// Runs the program, which must succeed.
    pub(crate) fn done(&self, arguments: &str) -> Answer {
        let answer = self.run(arguments);
        assert_eq!(answer.status, 0, "{arguments}: {}", answer.err);
        answer
    }

    /// The JSON document of a command that must succeed.
    pub(crate) fn json(&self, arguments: &str) -> Value {
        self.done(&format!("{arguments} --json")).json()
    }
}

impl Answer {
    /// Standard output as one JSON document.
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}: {} {}", self.out, self.err))
    }
}

/// Whether a folder holds what an interrupted output would leave.
pub(crate) fn holds_leavings(folder: &Path) -> bool {
    fs::read_dir(folder).unwrap().any(|entry| entry.unwrap().path().extension().is_some_and(|e| e == "part"))
}
