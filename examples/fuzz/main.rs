//! Fuzzing on stable Rust: damaged files of every format, read again and again.
//!
//! ```text
//! cargo run --profile fuzz --example fuzz -- --seconds 1800 --threads 2
//! cargo run --profile fuzz --example fuzz -- --executions 1000000 --seed 7 wav npy
//! cargo run --profile fuzz --example fuzz -- --repeat fuzz-failures/wav-panic-0123456789abcdef
//! ```
//!
//! Inputs are made from the cases in `fixtures/corpus/<target>`, the fixtures of the format, and those of its own that
//! the readers answered in a new way. A seed gives the same inputs again, whatever the time; an input that fails is
//! written whole, with the command that repeats it. The status is 1 where anything failed.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program")]
#![allow(clippy::cast_possible_truncation, reason = "random numbers are cut to the width that is wanted")]
#![allow(unreachable_pub, reason = "the suite takes these files as modules")]

pub mod judge;
pub mod mutate;
pub mod targets;

use std::collections::HashSet;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use judge::{Fault, judge};
use mutate::{Random, mutate};
use targets::{TARGETS, Target};

/// No input grows beyond this.
const LONGEST_TEXT: usize = 4096;
const LONGEST_BINARY: usize = 1024;
/// So many inputs that gave something new are kept besides the corpus.
const MOST_KEPT: usize = 2000;
/// Every so many executions one input is read twice.
const TWICE: u64 = 8;
/// How long a target has its turn, so that quick readers see more files than slow ones; looked at every so many
/// executions.
const TURN: Duration = Duration::from_millis(200);
const LOOK: u64 = 64;
/// What does not end within this hangs.
const HANGS: Duration = Duration::from_secs(60);
/// After so many failures of a target and a kind, no more are written.
const MOST_WRITTEN: u64 = 20;

/// A target at work: its inputs and what it has seen.
#[derive(Debug)]
pub struct Fuzz {
    /// What is fuzzed.
    pub target: &'static Target,
    random: Random,
    inputs: Vec<Vec<u8>>,
    seeds: usize,
    kinds: HashSet<u64>,
    input: Vec<u8>,
    /// What was counted.
    pub tally: Tally,
}

/// What was counted.
#[derive(Debug, Clone, Copy, Default)]
pub struct Tally {
    /// How many inputs.
    pub executions: u64,
    /// How many of them were read as a capture.
    pub read: u64,
    /// How many failed.
    pub failed: u64,
    /// The most bytes held at once.
    pub peak: u64,
    /// The longest execution.
    pub longest: Duration,
    /// All executions together, with the making of the inputs.
    pub took: Duration,
    /// How many different answers there were.
    pub kinds: u64,
}

impl Tally {
    fn add(&mut self, other: &Tally) {
        self.executions += other.executions;
        self.read += other.read;
        self.failed += other.failed;
        self.peak = self.peak.max(other.peak);
        self.longest = self.longest.max(other.longest);
        self.took += other.took;
        self.kinds = self.kinds.max(other.kinds);
    }
}

impl Fuzz {
    /// A target with its cases.
    ///
    /// # Panics
    /// Where there is no case.
    pub fn new(target: &'static Target, cases: Vec<Vec<u8>>, seed: u64) -> Self {
        assert!(!cases.is_empty(), "no case for {}", target.name);
        Self {
            target,
            random: Random::new(seed),
            seeds: cases.len(),
            inputs: cases,
            kinds: HashSet::new(),
            input: Vec::new(),
            tally: Tally::default(),
        }
    }

    /// Makes the next input: at first the cases as they are.
    fn next_input(&mut self) {
        let random = &mut self.random;
        self.input.clear();
        if let Some(case) = usize::try_from(self.tally.executions).ok().filter(|at| *at < self.seeds) {
            self.input.extend_from_slice(&self.inputs[case]);
            return;
        }
        let from = random.below(self.inputs.len());
        self.input.extend_from_slice(&self.inputs[from]);
        let longest = if self.target.text { LONGEST_TEXT } else { LONGEST_BINARY };
        mutate(&mut self.input, &self.inputs, self.target.words, self.target.text, longest, random);
    }

    /// Makes an input and judges it; `before` sees it first.
    ///
    /// # Errors
    /// The input and what must not happen.
    pub fn step(&mut self, before: impl FnOnce(&[u8])) -> Result<(), (Vec<u8>, Fault)> {
        self.next_input();
        before(&self.input);
        self.tally.executions += 1;
        let first = self.tally.executions <= self.seeds as u64;
        match judge(self.target, &self.input, first || self.tally.executions.is_multiple_of(TWICE)) {
            Ok(verdict) => {
                self.tally.read += u64::from(verdict.read);
                self.tally.peak = self.tally.peak.max(verdict.peak);
                self.tally.longest = self.tally.longest.max(verdict.took);
                if self.kinds.len() < MOST_KEPT && self.kinds.insert(verdict.kind) && !first {
                    self.inputs.push(self.input.clone());
                }
                self.tally.kinds = self.kinds.len() as u64;
                Ok(())
            }
            Err(fault) => {
                self.tally.failed += 1;
                Err((self.input.clone(), fault))
            }
        }
    }
}

/// The cases of a target: its corpus and the fixtures of its format, in the order of their names.
pub fn cases(target: &Target) -> Vec<Vec<u8>> {
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    let mut cases = Vec::new();
    let longest = if target.text { LONGEST_TEXT } else { LONGEST_BINARY };
    for path in files_in(&fixtures.join("corpus").join(target.name)) {
        cases.extend(fs::read(path));
    }
    for folder in ["captures", "outside", "arrays"] {
        for path in files_in(&fixtures.join(folder)) {
            let ending = path.extension().unwrap_or_default().to_string_lossy().into_owned();
            if !target.fixtures.contains(&ending.as_str()) {
                continue;
            }
            let mut case = fs::read(&path).unwrap_or_default();
            // The data of a record lie beside its configuration.
            if target.files.len() > 1 {
                let beside = Path::new(target.files[1]).extension().unwrap_or_default();
                case.extend_from_slice(targets::PART);
                case.extend(fs::read(path.with_extension(beside)).unwrap_or_default());
            }
            if case.len() <= longest {
                cases.push(case);
            }
        }
    }
    cases
}

fn files_in(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut files: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    files.sort();
    files
}

/// What the command line asks for.
struct Plan {
    seed: u64,
    seconds: Option<u64>,
    executions: Option<u64>,
    threads: u64,
    failures: PathBuf,
    summary: Option<PathBuf>,
    keep: Option<PathBuf>,
    repeat: Option<PathBuf>,
    targets: Vec<&'static Target>,
}

impl Plan {
    fn read(arguments: impl Iterator<Item = String>) -> Result<Self, String> {
        let mut plan = Plan {
            seed: 1,
            seconds: None,
            executions: None,
            threads: 1,
            failures: "fuzz-failures".into(),
            summary: None,
            keep: None,
            repeat: None,
            targets: Vec::new(),
        };
        let mut arguments = arguments;
        while let Some(argument) = arguments.next() {
            let Some(option) = argument.strip_prefix("--") else {
                plan.targets.push(Target::named(&argument).ok_or_else(|| {
                    let names: Vec<&str> = TARGETS.iter().map(|target| target.name).collect();
                    format!("{argument}: expected one of {}", names.join(", "))
                })?);
                continue;
            };
            let value = arguments.next().ok_or_else(|| format!("--{option} needs a value"))?;
            let number = || value.parse::<u64>().map_err(|_| format!("--{option} {value}: expected a whole number"));
            match option {
                "seed" => plan.seed = number()?,
                "seconds" => plan.seconds = Some(number()?),
                "executions" => plan.executions = Some(number()?),
                "threads" => plan.threads = number()?.max(1),
                "failures" => plan.failures = value.into(),
                "summary" => plan.summary = Some(value.into()),
                "keep" => plan.keep = Some(value.into()),
                "repeat" => plan.repeat = Some(value.into()),
                _ => {
                    return Err(format!(
                        "--{option}: expected seed, seconds, executions, threads, failures, summary, keep or repeat"
                    ));
                }
            }
        }
        if plan.targets.is_empty() {
            plan.targets = TARGETS.iter().collect();
        }
        if plan.seconds.is_none() && plan.executions.is_none() {
            plan.executions = Some(100_000);
        }
        Ok(plan)
    }
}

/// What a worker is at, for the watchdog.
#[derive(Default)]
struct AtWork {
    /// Milliseconds since the start of the program; all ones: nothing.
    since: AtomicU64,
    input: Mutex<(&'static str, Vec<u8>)>,
}

/// Counts a worker as done, even where the fuzzing itself panics, and says where.
struct Done<'a>(&'a AtomicU64);

impl Drop for Done<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("the fuzzing itself failed: {}", judge::PANIC.with_borrow(Clone::clone));
        }
        self.0.fetch_add(1, Ordering::Relaxed);
    }
}

/// Writes a failing input and says how to repeat it.
fn write_failure(folder: &Path, target: &str, input: &[u8], fault: &Fault) -> std::io::Result<()> {
    fs::create_dir_all(folder)?;
    let digest = input
        .iter()
        .fold(0xcbf2_9ce4_8422_2325_u64, |digest, byte| (digest ^ u64::from(*byte)).wrapping_mul(0x100_0000_01b3));
    let path = folder.join(format!("{target}-{}-{digest:016x}", fault.word));
    fs::write(&path, input)?;
    eprintln!("{target}: {}: {}", fault.word, fault.what);
    eprintln!("  repeat: cargo run --profile fuzz --example fuzz -- --repeat {} {target}", path.display());
    Ok(())
}

/// Works on all targets by turns until the time or the executions are spent.
fn work(plan: &Plan, number: u64, start: Instant, at_work: &AtWork, all: &Mutex<Vec<Tally>>) {
    let own = |at: usize, target: &'static Target| {
        Fuzz::new(target, cases(target), plan.seed.wrapping_add(number << 32).wrapping_add((at as u64) << 48))
    };
    let mut fuzzes: Vec<Fuzz> = plan.targets.iter().enumerate().map(|(at, target)| own(at, target)).collect();
    let (mut written, mut told) =
        (std::collections::HashMap::<(&str, &str), u64>::new(), vec![Tally::default(); fuzzes.len()]);
    let out_of_time = || plan.seconds.is_some_and(|seconds| start.elapsed() >= Duration::from_secs(seconds));
    let mut busy = true;
    while busy && !out_of_time() {
        busy = false;
        for (at, fuzz) in fuzzes.iter_mut().enumerate() {
            let turn = Instant::now();
            for count in 0u64.. {
                if count % LOOK == LOOK - 1 && turn.elapsed() > TURN {
                    break;
                }
                if plan.executions.is_some_and(|most| fuzz.tally.executions >= most) {
                    break;
                }
                busy = true;
                let name = fuzz.target.name;
                let result = fuzz.step(|input| {
                    let mut place = at_work.input.lock().unwrap_or_else(PoisonError::into_inner);
                    place.0 = name;
                    place.1.clear();
                    place.1.extend_from_slice(input);
                    at_work.since.store(start.elapsed().as_millis() as u64, Ordering::Relaxed);
                });
                if let Err((input, fault)) = result {
                    let count = written.entry((name, fault.word)).or_default();
                    *count += 1;
                    if *count <= MOST_WRITTEN && write_failure(&plan.failures, name, &input, &fault).is_err() {
                        eprintln!("{name}: {fault:?}: cannot be written");
                    }
                }
            }
            fuzz.tally.took += turn.elapsed();
            at_work.since.store(u64::MAX, Ordering::Relaxed);
            // What is new since the last turn goes to the sum of all workers.
            let mut news = fuzz.tally;
            let before = &mut told[at];
            news.executions -= before.executions;
            news.read -= before.read;
            news.failed -= before.failed;
            news.took -= before.took;
            *before = fuzz.tally;
            all.lock().unwrap_or_else(PoisonError::into_inner)[at].add(&news);
            if out_of_time() {
                break;
            }
        }
    }
    if let Some(folder) = plan.keep.as_ref().filter(|_| number == 0) {
        for fuzz in &fuzzes {
            let folder = folder.join(fuzz.target.name);
            let mut kept = fuzz.inputs[fuzz.seeds..].iter().enumerate();
            let written: std::io::Result<()> = fs::create_dir_all(&folder)
                .and_then(|()| kept.try_for_each(|(at, input)| fs::write(folder.join(format!("{at:05}")), input)));
            if let Err(error) = written {
                eprintln!("{}: {error}", folder.display());
            }
        }
    }
}

/// The table of what was done.
fn table(plan: &Plan, tallies: &[Tally], seconds: f64) -> String {
    let mut text = String::from(
        "| target | executions | read | kinds of answers | failed | most held, kB | longest, ms | executions/s a thread |\n|---|---|---|---|---|---|---|---|\n",
    );
    let mut sum = Tally::default();
    let names = plan.targets.iter().map(|target| target.name).chain(["all"]);
    for (at, name) in names.enumerate() {
        let tally = tallies.get(at).copied().unwrap_or(sum);
        sum.add(&tally);
        let _ = writeln!(
            text,
            "| {name} | {} | {} | {} | {} | {} | {:.1} | {:.0} |",
            tally.executions,
            tally.read,
            tally.kinds,
            tally.failed,
            tally.peak / 1000,
            1e3 * tally.longest.as_secs_f64(),
            tally.executions as f64 / tally.took.as_secs_f64().max(1e-9),
        );
    }
    let _ = writeln!(text, "\nseed {}, {} threads, {seconds:.0} s", plan.seed, plan.threads);
    text
}

fn repeat(path: &Path, targets: &[&'static Target]) -> ExitCode {
    let Ok(input) = fs::read(path) else {
        eprintln!("{}: cannot be read", path.display());
        return ExitCode::from(2);
    };
    let mut sound = true;
    for target in targets {
        match judge(target, &input, true) {
            Ok(verdict) => println!("{}: sound: {verdict:?}", target.name),
            Err(fault) => {
                sound = false;
                println!("{}: {}: {}", target.name, fault.word, fault.what);
            }
        }
        let shown = (target.run)(&target.source(&input), &input, judge::MAX_MEMORY);
        println!("{}", shown.map_or_else(|error| error.to_string(), |reading| format!("{reading:?}")));
    }
    if sound { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Runs what the command line asks for.
pub fn main() -> ExitCode {
    let plan = match Plan::read(std::env::args().skip(1)) {
        Ok(plan) => plan,
        Err(message) => {
            eprintln!("{message}");
            return ExitCode::from(2);
        }
    };
    std::panic::set_hook(Box::new(|panic| {
        let place = panic.location().map_or_else(String::new, ToString::to_string);
        judge::PANIC.with_borrow_mut(|last| *last = place);
    }));
    if let Some(path) = &plan.repeat {
        return repeat(path, &plan.targets);
    }
    let start = Instant::now();
    let all = Mutex::new(vec![Tally::default(); plan.targets.len()]);
    let workers: Vec<Arc<AtWork>> = (0..plan.threads).map(|_| Arc::default()).collect();
    let done = AtomicU64::new(0);
    std::thread::scope(|scope| {
        for (number, at_work) in (0..).zip(&workers) {
            let (plan, all, done) = (&plan, &all, &done);
            scope.spawn(move || {
                let _done = Done(done);
                work(plan, number, start, at_work, all);
            });
        }
        let mut last = Instant::now();
        while done.load(Ordering::Relaxed) < plan.threads {
            std::thread::sleep(Duration::from_millis(50));
            let now = start.elapsed().as_millis() as u64;
            for at_work in &workers {
                let since = at_work.since.load(Ordering::Relaxed);
                if since != u64::MAX && now.saturating_sub(since) > HANGS.as_millis() as u64 {
                    let place = at_work.input.lock().unwrap_or_else(PoisonError::into_inner);
                    let fault = Fault { word: "hang", what: format!("no end after {HANGS:?}") };
                    let _ = write_failure(&plan.failures, place.0, &place.1, &fault);
                    // A thread cannot be ended from outside.
                    std::process::exit(1);
                }
            }
            if last.elapsed() > Duration::from_secs(10) {
                last = Instant::now();
                write_summary(&plan, &all, start);
            }
        }
    });
    let text = write_summary(&plan, &all, start);
    println!("{text}");
    let failed: u64 = all.lock().unwrap_or_else(PoisonError::into_inner).iter().map(|tally| tally.failed).sum();
    if failed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn write_summary(plan: &Plan, all: &Mutex<Vec<Tally>>, start: Instant) -> String {
    let text = table(plan, &all.lock().unwrap_or_else(PoisonError::into_inner), start.elapsed().as_secs_f64());
    if let Some(path) = &plan.summary
        && let Err(error) = fs::write(path, &text)
    {
        eprintln!("{}: {error}", path.display());
    }
    text
}
