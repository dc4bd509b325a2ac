//! The catalogue of hostile files: each is made, read in memory and some by the program, and gives what is written
//! there; and the table in `fixtures/README.md` says the same.

use std::fmt::Write as _;
use std::io::{self, Read, Write as _};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use linewake::error::Error;
use linewake::read::{LEAST_MEMORY, Origin, ReadOptions, Source, decimal_mark, open, separator};
use toml::de::{DeTable, DeValue};

use super::reading_layouts::drain;

/// What one second of a busy machine reads many times over; it catches what does not end.
const PATIENCE: Duration = Duration::from_secs(5);
/// No message is a page.
const LONGEST_MESSAGE: usize = 1000;

const CATALOGUE: &str = "fixtures/hostile/catalogue.toml";

/// A file of the catalogue.
struct Hostile {
    what: String,
    file: String,
    bytes: Vec<u8>,
    /// How the bytes are made, as the catalogue says it.
    made: String,
    beside: Vec<(String, Vec<u8>)>,
    place: Option<String>,
    options: String,
    refused: bool,
    says: Vec<String>,
    program: bool,
}

fn path(name: &str) -> String {
    format!("{}/{name}", env!("CARGO_MANIFEST_DIR"))
}

fn text<'a>(value: &'a DeValue<'_>) -> &'a str {
    value.as_str().unwrap_or_else(|| panic!("{value:?} is no text"))
}

fn number(value: &DeValue<'_>) -> u64 {
    let DeValue::Integer(digits) = value else { panic!("{value:?} is no number") };
    digits.as_str().parse().unwrap()
}

fn hex(digits: &str) -> Vec<u8> {
    digits
        .as_bytes()
        .chunks(2)
        .map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap())
        .collect()
}

/// A sound table: 250 kS/s, two channels.
fn rows(count: u64) -> String {
    let rows = (0..count).map(|k| format!("{:.6},{}.5,0.25\n", k as f64 * 4e-6, k % 7));
    format!("Time (s),CH1 (V),CH2 (V)\n{}", rows.collect::<String>())
}

fn pieces(value: &DeValue<'_>) -> Vec<u8> {
    let list = value.as_array().unwrap_or_else(|| panic!("{value:?} is no list"));
    list.iter().flat_map(|value| piece(value.get_ref())).collect()
}

/// The bytes of a piece.
fn piece(value: &DeValue<'_>) -> Vec<u8> {
    if let Some(text) = value.as_str() {
        return text.as_bytes().to_vec();
    }
    let table = value.as_table().unwrap_or_else(|| panic!("{value:?} is no piece"));
    let get = |key: &str| table.get(key).map(toml::Spanned::get_ref);
    let list = |key: &str| get(key).and_then(|value| value.as_array());
    if let Some(count) = get("times") {
        let one = get("of").map_or_else(|| hex(text(get("hex").unwrap())), |value| text(value).as_bytes().to_vec());
        return one.repeat(usize::try_from(number(count)).unwrap());
    }
    if let Some(digits) = get("hex") {
        return hex(text(digits));
    }
    if let Some(count) = get("cycle") {
        return (0..=255).cycle().take(usize::try_from(number(count)).unwrap()).collect();
    }
    if let Some(value) = get("utf16") {
        return text(value).encode_utf16().flat_map(u16::to_le_bytes).collect();
    }
    if let Some(count) = get("rows") {
        let mut table = rows(number(count));
        if let Some(from) = get("instead_of").map(text) {
            assert!(table.contains(from), "{from:?} is not in the table");
            table = table.replacen(from, text(get("put").unwrap()), 1);
        }
        return table.replace('\n', get("ends").map_or("\n", text)).into_bytes();
    }
    if let Some(fields) = list("wav") {
        let fields: Vec<u32> = fields.iter().map(|field| u32::try_from(number(field.get_ref())).unwrap()).collect();
        let [channels, rate, frame, bits, promised] = fields[..] else { panic!("five numbers for a WAV") };
        let short = |number: u32| u16::try_from(number).unwrap().to_le_bytes();
        let given = |key: &str, usual: u32| get(key).map_or(usual, |value| u32::try_from(number(value)).unwrap());
        let riff = given("riff", 0).to_le_bytes();
        let kind = short(given("kind", 1));
        let speed = rate.wrapping_mul(frame).to_le_bytes();
        let format = [&kind[..], &short(channels), &rate.to_le_bytes(), &speed, &short(frame), &short(bits)].concat();
        let head = [b"RIFF", &riff[..], b"WAVEfmt \x10\0\0\0", &format, b"data", &promised.to_le_bytes()].concat();
        return [head, hex(text(get("data").unwrap()))].concat();
    }
    let npy = |header: &str| {
        let length = u16::try_from(header.len()).unwrap().to_le_bytes();
        [b"\x93NUMPY\x01\0", &length[..], header.as_bytes()].concat()
    };
    if let Some(fields) = list("npy") {
        let [kind, order, shape] = [0, 1, 2].map(|at| text(fields[at].get_ref()));
        return npy(&format!("{{'descr': {kind}, 'fortran_order': {order}, 'shape': {shape}, }}\n"));
    }
    if let Some(header) = get("npy_header") {
        return npy(text(header));
    }
    if let Some(inner) = get("gzip") {
        let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        packed.write_all(&pieces(inner)).unwrap();
        let mut packed = packed.finish().unwrap();
        packed.truncate(packed.len() - get("cut").map_or(0, |cut| usize::try_from(number(cut)).unwrap()));
        return packed;
    }
    panic!("{table:?} is no piece");
}

fn catalogue() -> Vec<Hostile> {
    let whole = std::fs::read_to_string(path(CATALOGUE)).unwrap();
    let document = DeTable::parse(&whole).unwrap();
    let files = document.get_ref().get("file").unwrap().get_ref().as_array().unwrap();
    let hostile = |value: &toml::Spanned<DeValue<'_>>| {
        let table = value.get_ref().as_table().unwrap();
        let get = |key: &str| table.get(key).map(toml::Spanned::get_ref);
        let word = |key: &str| get(key).map(|value| text(value).to_owned());
        let beside = get("beside").and_then(|value| value.as_array()).into_iter().flatten().map(|file| {
            let file = file.get_ref().as_array().unwrap();
            let bytes = file.iter().skip(1).flat_map(|value| piece(value.get_ref())).collect();
            (text(file[0].get_ref()).to_owned(), bytes)
        });
        let says = get("says").and_then(|value| value.as_array()).into_iter().flatten();
        let gives = word("gives").unwrap();
        assert!(gives == "refused" || gives == "read", "{gives}");
        let span = table.get("made").map(toml::Spanned::span);
        Hostile {
            what: word("what").unwrap(),
            file: word("file").unwrap_or_else(|| "f.csv".to_owned()),
            bytes: get("made").map(pieces).unwrap_or_default(),
            made: span.map_or_else(String::new, |span| whole[span].to_owned()),
            beside: beside.collect(),
            place: word("place"),
            options: word("options").unwrap_or_default(),
            refused: gives == "refused",
            says: says.map(|value| text(value.get_ref()).to_owned()).collect(),
            program: get("program").is_some_and(|value| matches!(value, DeValue::Boolean(true))),
        }
    };
    files.iter().map(hostile).collect()
}

/// The options as the command line has them.
fn options(words: &str) -> ReadOptions {
    let mut options = ReadOptions::default();
    let words: Vec<&str> = words.split_whitespace().collect();
    for pair in words.chunks(2) {
        let [option, value] = pair else { panic!("{words:?}") };
        let owned = Some((*value).to_owned());
        match *option {
            "--sample-rate" => options.sample_rate = Some(value.parse().unwrap()),
            "--separator" => {
                options.separator = Some(separator(value).unwrap_or_else(|_| value.chars().next().unwrap()))
            }
            "--decimal-mark" => {
                options.decimal_mark = Some(decimal_mark(value).unwrap_or_else(|_| value.chars().next().unwrap()));
            }
            "--time-column" => options.time_column = owned,
            "--time-unit" => options.time_unit = owned,
            "--unit" => options.unit = owned,
            "--encoding" => options.encoding = owned,
            "--skip-lines" => options.skip_lines = Some(value.parse().unwrap()),
            "--record" => options.record = Some(value.parse().unwrap()),
            _ => panic!("{option} is not known here"),
        }
    }
    options
}

/// A folder in memory; what is read may change between two looks.
struct Folder {
    files: Arc<[(String, Vec<u8>)]>,
    this: usize,
    place: Option<String>,
    /// How often it was opened, and how often before it changes.
    looks: Arc<AtomicU64>,
    sound_looks: u64,
}

impl Origin for Folder {
    fn name(&self) -> &str {
        &self.files[self.this].0
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.files[self.this].1.len() as u64)
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let mut bytes = self.files[self.this].1.clone();
        let late = self.looks.fetch_add(1, Ordering::Relaxed) + 1 >= self.sound_looks;
        match self.place.as_deref() {
            Some("shrinks") if late => bytes.truncate(bytes.len() / 2),
            Some("vanishes") if late => return Err(io::Error::other("the stick is gone")),
            _ => {}
        }
        let mut cursor = io::Cursor::new(bytes);
        cursor.set_position(position);
        Ok(Box::new(cursor))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        let this = self.files.iter().position(|(other, _)| other == name)?;
        let (files, looks) = (Arc::clone(&self.files), Arc::default());
        Some(Source::new(Folder { files, this, place: None, looks, sound_looks: 0 }))
    }
}

impl Hostile {
    /// Whether it can be made without a file system.
    fn in_memory(&self) -> bool {
        matches!(self.place.as_deref(), None | Some("shrinks" | "vanishes"))
    }

    fn source(&self) -> Source {
        let own = (self.file.clone(), self.bytes.clone());
        let files: Vec<_> = [own].into_iter().chain(self.beside.iter().cloned()).collect();
        let folder = |place: Option<&String>, looks: &Arc<AtomicU64>, sound_looks| {
            let (files, place, looks) = (files.clone().into(), place.cloned(), Arc::clone(looks));
            Source::new(Folder { files, this: 0, place, looks, sound_looks })
        };
        // The change comes with the last look, the one at the samples.
        let looks = Arc::default();
        if self.place.is_some() {
            open(&folder(None, &looks, 0), &ReadOptions::default()).and_then(drain).unwrap();
        }
        folder(self.place.as_ref(), &Arc::default(), looks.load(Ordering::Relaxed))
    }

    /// What is wrong with what it gives.
    fn faults(&self, result: Result<Vec<String>, Error>) -> Vec<String> {
        let (shown, refused) = match &result {
            Ok(codes) => (codes.join(" "), false),
            Err(error) => (error.to_string(), true),
        };
        let missing = self.says.iter().filter(|word| !shown.contains(word.as_str()));
        let mut faults: Vec<String> = missing.map(|word| format!("no {word:?}")).collect();
        let rules = [
            (refused != self.refused, "read or refused, the other was expected"),
            (refused && shown.len() > LONGEST_MESSAGE, "the message is too long"),
            (refused && shown.chars().any(|c| c.is_control() && c != '\n'), "a terminal would obey the message"),
            (
                result.as_ref().is_err_and(|error| error.place().file.is_none() && !shown.starts_with("--")),
                "no file is named",
            ),
        ];
        faults.extend(rules.into_iter().filter(|(broken, _)| *broken).map(|(_, rule)| rule.to_owned()));
        faults.into_iter().map(|fault| format!("{} ({}): {fault}: {shown}", self.what, self.options)).collect()
    }
}

#[test]
fn every_hostile_file_gives_what_the_catalogue_says() {
    let mut faults = Vec::new();
    let (mut count, mut most) = (0, (0, String::new()));
    for hostile in catalogue().iter().filter(|hostile| hostile.in_memory()) {
        let (source, options) = (hostile.source(), options(&hostile.options));
        let start = Instant::now();
        let mut result = None;
        let held = allocation_counter::measure(|| {
            let read = open(&source, &options).and_then(drain);
            result =
                Some(read.map(|(header, _)| header.findings.iter().map(|finding| finding.code.to_owned()).collect()));
        })
        .bytes_max;
        // What this file's source itself copies, and the samples drained, are not the reader's.
        let own = 3 * hostile.bytes.len() as u64;
        if held > LEAST_MEMORY + own {
            faults.push(format!("{}: {held} bytes were held", hostile.what));
        }
        most = most.max((held.saturating_sub(own), hostile.what.clone()));
        if start.elapsed() > PATIENCE {
            faults.push(format!("{}: took {:?}", hostile.what, start.elapsed()));
        }
        faults.extend(hostile.faults(result.unwrap()));
        count += 1;
    }
    assert!(count >= 80, "{count}");
    assert!(faults.is_empty(), "{} of {count}, most held: {most:?}\n{}", faults.len(), faults.join("\n"));
}

/// Leaves each file in a folder of its own in `LINEWAKE_HOSTILE_FILES`, with the words that it is inspected with, for the
/// test of the build for browsers.
#[test]
fn every_hostile_file_can_be_left_for_others() {
    let Some(folder) = std::env::var_os("LINEWAKE_HOSTILE_FILES").map(std::path::PathBuf::from) else { return };
    for (number, hostile) in catalogue().iter().filter(|hostile| hostile.place.is_none()).enumerate() {
        let folder = folder.join(format!("{number:03}"));
        std::fs::create_dir_all(&folder).unwrap();
        let name = hostile.file.replace('/', "_");
        // Not every system takes every name.
        if std::fs::write(folder.join(&name), &hostile.bytes).is_err() {
            continue;
        }
        for (name, bytes) in &hostile.beside {
            std::fs::write(folder.join(name), bytes).unwrap();
        }
        std::fs::write(folder.join("words.json"), serde_json::json!([hostile.options, name]).to_string()).unwrap();
    }
}

/// The same through the program: status 2, the words and a help on standard error, nothing on standard output.
#[cfg(feature = "cli")]
#[test]
fn the_program_gives_what_the_catalogue_says() {
    let mut faults = Vec::new();
    let mut count = 0;
    for hostile in catalogue().iter().filter(|hostile| hostile.program) {
        let bench = crate::program::Bench::with(&[]);
        if !put(&bench, hostile) {
            continue;
        }
        let words = ["inspect"].into_iter().chain(hostile.options.split_whitespace()).chain([hostile.file.as_str()]);
        let answer = bench.run_with(&words.collect::<Vec<_>>());
        let helps = ["remedy", "expected"].iter().any(|word| answer.err.contains(word));
        let rules = [
            (answer.status != 2, "the wrong exit status"),
            (!answer.out.is_empty(), "something on standard output"),
            (!helps, "no help"),
            (answer.err.contains("panicked"), "a panic"),
            (answer.err.chars().any(|c| c.is_control() && c != '\n'), "a terminal would obey it"),
            (answer.took > 4 * PATIENCE, "too slow"),
        ];
        let missing = hostile.says.iter().filter(|word| !answer.err.contains(word.as_str()));
        let missing = missing.map(|word| format!("no {word:?}"));
        let broken = rules.into_iter().filter(|(broken, _)| *broken).map(|(_, rule)| rule.to_owned());
        faults.extend(missing.chain(broken).map(|fault| format!("{}: {fault}: {}", hostile.what, answer.err)));
        count += 1;
    }
    assert!(count >= 25, "{count}");
    assert!(faults.is_empty(), "{} faults\n{}", faults.len(), faults.join("\n"));
}

/// Puts a file where the program finds it; `false` where this system or this user cannot.
#[cfg(feature = "cli")]
fn put(bench: &crate::program::Bench, hostile: &Hostile) -> bool {
    let path = bench.path(&hostile.file);
    for (name, bytes) in &hostile.beside {
        bench.put(name, bytes);
    }
    match hostile.place.as_deref() {
        None => {
            // Not every system takes every name.
            std::fs::write(&path, &hostile.bytes).is_ok()
        }
        Some("missing") => true,
        Some("folder") => std::fs::create_dir(&path).is_ok(),
        #[cfg(unix)]
        Some("device") => path.exists(),
        #[cfg(unix)]
        Some("loop") => std::os::unix::fs::symlink(&path, &path).is_ok(),
        #[cfg(unix)]
        Some("pipe") => std::process::Command::new("mkfifo").arg(&path).status().is_ok_and(|status| status.success()),
        #[cfg(unix)]
        Some("locked") => {
            use std::os::unix::fs::PermissionsExt;
            bench.put(&hostile.file, &hostile.bytes);
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).unwrap();
            // The first of users may read everything.
            std::fs::File::open(&path).is_err()
        }
        Some(_) => false,
    }
}

/// The program ends by itself where the system gives it no more addresses than it said it would need.
#[cfg(all(feature = "cli", target_os = "linux"))]
#[test]
fn the_program_keeps_to_its_memory() {
    /// The program, its threads and its libraries.
    const PROGRAM: u64 = 64 << 20;
    let numbers = |count: usize| (0..count).map(|k| format!("{k}.5,")).collect::<String>();
    let sideways = format!("Time (s),{0}\nCH1 (V),{0}\n", numbers(2_000_000));
    let npy = |shape: &str| {
        [
            b"\x93NUMPY\x01\0\x60\0",
            format!("{:<95}\n", format!("{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}")).as_bytes(),
        ]
        .concat()
    };
    let files: [(&str, Vec<u8>); 4] = [
        ("lines.csv", vec![b'\n'; 100_000_000]),
        ("sideways.csv", sideways.into_bytes()),
        ("giant.npy", npy("(999999999999, 2)")),
        ("window.csv.zst", hex("28b52ffd00a0010000")),
    ];
    for (name, bytes) in files {
        let bench = crate::program::Bench::with(&[(name, &bytes)]).threads(1).memory(LEAST_MEMORY + PROGRAM);
        let answer = bench.run(&format!("inspect --sample-rate 1k --max-memory 1M {name}"));
        assert!(answer.status == 2 && answer.err.contains(name), "{name}: {}: {}", answer.status, answer.err);
    }
}

/// The rows of the table.
fn table() -> String {
    let cell = |text: &str| text.replace('|', "\\|").replace(['\n', '\u{202e}'], " ");
    let clipped = |text: &str| {
        let text: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let text = text.trim_start_matches('[').trim_end_matches(']').to_owned();
        if text.chars().count() > 60 { text.chars().take(57).chain("...".chars()).collect() } else { text }
    };
    let code = |text: &str| if text.is_empty() { String::new() } else { format!("`{}`", text.replace('`', "'")) };
    let mut rows = String::from("| file | made of | options | gives |\n|---|---|---|---|\n");
    for hostile in catalogue() {
        let made = hostile.place.clone().unwrap_or_else(|| code(&clipped(&hostile.made)));
        let says: Vec<String> = hostile.says.iter().map(|word| code(word)).collect();
        let gives = if hostile.refused { "refused" } else { "read" };
        let gives = if says.is_empty() { gives.to_owned() } else { format!("{gives}: {}", says.join(", ")) };
        writeln!(
            rows,
            "| {} | {} | {} | {} |",
            cell(&hostile.what),
            cell(&made),
            cell(&code(&hostile.options)),
            cell(&gives)
        )
        .unwrap();
    }
    rows
}

#[test]
fn the_table_of_hostile_files_is_the_catalogue() {
    const MARK: &str = "<!-- made from hostile/catalogue.toml -->\n";
    let file = path("fixtures/README.md");
    let readme = std::fs::read_to_string(&file).unwrap();
    let (before, rest) = readme.split_once(MARK).expect("the table has its mark");
    let (shown, after) = rest.split_at(rest.find("\n## ").unwrap_or(rest.len()));
    let table = table();
    if shown == table {
        return;
    }
    if std::env::var_os("LINEWAKE_WRITE_TABLES").is_some() {
        std::fs::write(&file, format!("{before}{MARK}{table}{after}")).unwrap();
        return;
    }
    panic!("fixtures/README.md is stale; LINEWAKE_WRITE_TABLES=1 cargo test --test suite hostile makes it again");
}
