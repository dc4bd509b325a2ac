//! What is fuzzed: a reader each, the files that one input stands for, and the words of its format.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, Cursor, Read};
use std::sync::Arc;

use linewake::analysis::response::{ResponseSettings, Weights, of_readings};
use linewake::capture::Header;
use linewake::error::Error;
use linewake::levels::read;
use linewake::read::calibration::calibration;
use linewake::read::impedance::impedance;
use linewake::read::readings::readings;
use linewake::read::setup::setup;
use linewake::read::{Origin, ReadOptions, Source, open};
use linewake::units::Hertz;

/// One reader and how an input becomes files for it.
#[derive(Debug, Clone, Copy)]
pub struct Target {
    /// The word for the command line, and the folder of its corpus.
    pub name: &'static str,
    /// The files that the parts of an input make, in their order; the one at `opened` is read.
    pub files: &'static [&'static str],
    /// Which of the files is read.
    pub opened: usize,
    /// Whether rows and cells are damaged as well as bytes.
    pub text: bool,
    /// Words of the format.
    pub words: &'static [&'static str],
    /// Which fixtures are cases too, by the endings of their names.
    pub fixtures: &'static [&'static str],
    /// Reads it.
    pub run: fn(&Source, &[u8], u64) -> Result<Reading, Error>,
}

/// All targets. A new reader is a row here and a folder of small files in `fixtures/corpus`.
pub const TARGETS: &[Target] = &[
    Target {
        name: "text",
        files: &["f.csv"],
        opened: 0,
        text: true,
        words: &[
            "Time (s)",
            "Sample Interval,",
            "Sample Rate,",
            "Record Length,",
            "Segments,2\n",
            "CH1 (V)",
            "(dB)",
            "Hz",
            "s",
            "ms",
            "V",
            "mV",
            "# ",
            "; ",
            "// ",
            "Frequency",
            "Min",
            "Max",
            "Delta(second)",
            "\u{feff}",
            "\u{2212}",
            "\u{a0}",
        ],
        fixtures: &["csv", "txt", "tsv", "dat"],
        run: recording,
    },
    Target {
        name: "comtrade",
        files: &["f.cfg", "f.dat"],
        opened: 0,
        text: true,
        words: &[
            "ASCII",
            "BINARY",
            "BINARY32",
            "FLOAT32",
            "1999",
            "1991",
            "2013",
            "2A",
            "0D",
            "65535A",
            "999999999A",
            "1e308",
            ",P",
            ",S",
            "01/01/2031,00:00:00.000000",
            "99999",
        ],
        fixtures: &["cfg"],
        run: recording,
    },
    Target {
        name: "comtrade-single",
        files: &["f.cff"],
        opened: 0,
        text: true,
        words: &[
            "--- file type: CFG ---\n",
            "--- file type: DAT ASCII ---\n",
            "--- file type: DAT BINARY: 40 ---\n",
            "--- file type: INF ---\n",
            "--- file type: HDR ---\n",
            "2A",
            "0D",
            "65535A",
            "BINARY32",
        ],
        fixtures: &["cff"],
        run: recording,
    },
    Target {
        name: "npy",
        files: &["f.npy"],
        opened: 0,
        text: false,
        words: &[
            "<f8",
            ">f4",
            "<i2",
            "|O",
            "|u1",
            "(2,)",
            "(1, 9999999999)",
            "True",
            "False",
            "'descr'",
            "(((((",
            "-1",
        ],
        fixtures: &["npy"],
        run: recording,
    },
    Target {
        name: "raw",
        files: &["f.raw.toml", "f.raw"],
        opened: 1,
        text: true,
        words: &[
            "[raw]\n",
            "type = \"i16\"\n",
            "rate = 1e308\n",
            "channels = 64\n",
            "skip = 1048576\n",
            "order = \"planar\"\n",
            "scale = [1e308, -1e308]\n",
            "\"f64\"",
            "\"i24\"",
            "\"big\"",
            "offset = 1e308\n",
        ],
        fixtures: &[],
        run: recording,
    },
    Target {
        name: "wav",
        files: &["f.wav"],
        opened: 0,
        text: false,
        words: &["RIFF", "RIFX", "RF64", "BW64", "WAVE", "fmt ", "data", "ds64", "LIST", "JUNK", "fact"],
        fixtures: &["wav"],
        run: recording,
    },
    Target {
        name: "npz",
        files: &["f.npz"],
        opened: 0,
        text: false,
        words: &[
            "PK\x01\x02",
            "PK\x03\x04",
            "PK\x05\x06",
            "PK\x06\x06",
            "fs.npy",
            "t.npy",
            "<f8",
            "<i8",
            "<M8[us]",
            "(2,)",
        ],
        fixtures: &["npz"],
        run: recording,
    },
    Target {
        name: "mat",
        files: &["f.mat"],
        opened: 0,
        text: false,
        words: &["IM", "MI", "\x0e\0\0\0", "\x0f\0\0\0", "\x09\0\0\0", "\x06\0\0\0\x08\0\0\0", "fs", "dt", "x\u{9c}"],
        fixtures: &["mat"],
        run: recording,
    },
    #[cfg(feature = "columnar")]
    Target {
        name: "parquet",
        files: &["f.parquet"],
        opened: 0,
        text: false,
        words: &["PAR1", "\x15\0\x15", "\x19", "\x1c", "sample_rate", "unit.wire", "\u{1f}"],
        fixtures: &["parquet"],
        run: recording,
    },
    #[cfg(feature = "arrow")]
    Target {
        name: "arrow",
        files: &["f.arrow"],
        opened: 0,
        text: false,
        words: &["ARROW1", "\x10\0\0\0", "\x04\0\0\0", "sample_rate", "unit", "\x04\"M\x18"],
        fixtures: &["arrow", "arrows"],
        run: recording,
    },
    Target {
        name: "gzip",
        files: &["f.csv.gz"],
        opened: 0,
        text: false,
        words: &["\x1f"],
        fixtures: &["gz"],
        run: recording,
    },
    Target {
        name: "zstd",
        files: &["f.csv.zst"],
        opened: 0,
        text: false,
        words: &["(", "P*M\x18"],
        fixtures: &["zst"],
        run: recording,
    },
    Target {
        name: "beside",
        files: &["f.csv.toml", "linewake.toml", "f.csv"],
        opened: 2,
        text: true,
        words: &[
            "[read]\n",
            "[[read]]\n",
            "files = [\"*\"]\n",
            "separator = \",\"\n",
            "scale = 1e308\n",
            "channels = [1, 2]\n",
            "sample-rate = 1e9\n",
            "skip-lines = 1000000\n",
            "record = 2\n",
            "encoding = \"utf-16\"\n",
            "wire = 2\n",
            "air = 1\n",
        ],
        fixtures: &[],
        run: recording,
    },
    Target {
        name: "setup",
        files: &["f.toml", "table.csv"],
        opened: 0,
        text: true,
        words: &[
            "[wire]\n",
            "[air]\n",
            "[part.a]\n",
            "kind = \"group\"\n",
            "parts = [\"a\"]\n",
            "kind = \"probe\"\n",
            "ratio = 0\n",
            "gain_db = 1e308\n",
            "table = \"table.csv\"\n",
            "frequency,magnitude_db\n",
        ],
        fixtures: &[],
        run: chain,
    },
    Target {
        name: "levels",
        files: &["f.toml"],
        opened: 0,
        text: true,
        words: &[
            "[level.a]\n",
            "[[level.a.stretch]]\n",
            "unit = \"dBuV\"\n",
            "detector = \"qp\"\n",
            "port = \"v-network\"\n",
            "percent",
            "power = -1\n",
            "1e308",
        ],
        fixtures: &[],
        run: levels,
    },
    Target {
        name: "readings",
        files: &["f.csv"],
        opened: 0,
        text: true,
        words: &[
            "voltage_mv",
            "Voltage (V pp)",
            "u_peak_v",
            "frequency_khz",
            "f_mhz",
            "reading",
            "Display (units)",
            "uncertainty",
            "# ",
            ";",
            "\t",
            "0,5",
            "-1",
            "1e308",
            "1e-308",
            "nan",
            "\u{feff}",
        ],
        fixtures: &[],
        run: of_an_indicator,
    },
    Target {
        name: "impedance",
        files: &["f.csv"],
        opened: 0,
        text: true,
        words: &[
            "frequency_hz",
            "frequency_khz",
            "ohm",
            "phase_deg",
            "resistance_ohm",
            "reactance_ohm",
            "# ",
            ";",
            "\t",
            "0,5",
            "-90",
            "1e308",
            "1e-308",
            "inf",
            "\u{feff}",
        ],
        fixtures: &[],
        run: of_a_supply,
    },
    Target {
        name: "calibration",
        files: &["f.toml"],
        opened: 0,
        text: true,
        words: &[
            "[wire]\n",
            "[air]\n",
            "[generator]\n",
            "[[sine]]\n",
            "[[comb]]\n",
            "[[noise]]\n",
            "[[shorted]]\n",
            "channel = \"both\"\n",
            "captures = [\"f.csv\"]\n",
            "frequency_hz = 1e308\n",
            "level_v = -1\n",
            "spacing_hz = 1e-300\n",
        ],
        fixtures: &[],
        run: known_signals,
    },
];

/// What stands between the parts of an input.
pub const PART: &[u8] = b"\n--8<--\n";

/// What a reading came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// How it was understood, without what differs from file to file.
    pub kind: String,
    /// Sentences that people will see.
    pub said: Vec<String>,
    /// Samples in all channels together.
    pub samples: u64,
    /// A digest of the samples and of the rate.
    pub digest: u64,
    /// What is wrong with the samples, where something is.
    pub fault: Option<String>,
}

/// A file by its name.
type File = (&'static str, Arc<[u8]>);

/// The files of an input, one of which is read and the others lie beside it.
struct Folder {
    files: Arc<[File]>,
    this: usize,
}

impl Origin for Folder {
    fn name(&self) -> &str {
        self.files[self.this].0
    }

    fn byte_count(&self) -> io::Result<u64> {
        Ok(self.files[self.this].1.len() as u64)
    }

    fn open_at(&self, position: u64) -> io::Result<Box<dyn Read + Send>> {
        let mut cursor = Cursor::new(Arc::clone(&self.files[self.this].1));
        cursor.set_position(position);
        Ok(Box::new(cursor))
    }

    fn sibling(&self, name: &str) -> Option<Source> {
        let this = self.files.iter().position(|(other, _)| *other == name)?;
        Some(Source::new(Folder { files: Arc::clone(&self.files), this }))
    }
}

impl Target {
    /// The target of a name.
    pub fn named(name: &str) -> Option<&'static Target> {
        TARGETS.iter().find(|target| target.name == name)
    }

    /// The files of an input.
    pub fn source(&self, input: &[u8]) -> Source {
        let mut parts = vec![input];
        while parts.len() < self.files.len() {
            let last = parts[parts.len() - 1];
            let Some(at) = last.windows(PART.len()).position(|window| window == PART) else { break };
            parts.pop();
            parts.extend([&last[..at], &last[at + PART.len()..]]);
        }
        // An empty part is no file, so that what lies beside may be missing as well.
        let present = |(at, part): &(usize, &[u8])| !part.is_empty() || *at == self.opened;
        let mut parts: Vec<(usize, &[u8])> = parts.into_iter().enumerate().collect();
        if parts.len() <= self.opened {
            parts.push((self.opened, &[]));
        }
        let files: Vec<(usize, Arc<[u8]>)> =
            parts.into_iter().filter(present).map(|(at, part)| (at, Arc::from(part))).collect();
        let this = files.iter().position(|(at, _)| *at == self.opened).unwrap_or(0);
        let files = files.into_iter().map(|(at, bytes)| (self.files[at], bytes)).collect();
        Source::new(Folder { files, this })
    }
}

/// Options that the bytes decide, so that an input alone repeats what was seen.
fn options(input: &[u8], max_memory: u64) -> ReadOptions {
    let sum = input.iter().fold(0u32, |sum, byte| sum.wrapping_mul(31).wrapping_add(u32::from(*byte)));
    let rate = Hertz::new(1e6).ok();
    let base = ReadOptions { max_memory: Some(max_memory), ..ReadOptions::default() };
    match sum % 16 {
        0..=5 => base,
        6..=10 => ReadOptions { sample_rate: rate, ..base },
        11 => ReadOptions { sample_rate: rate, time_column: Some("none".into()), unit: Some("mV".into()), ..base },
        12 => ReadOptions { separator: Some(';'), decimal_mark: Some(','), ..base },
        13 => ReadOptions { skip_lines: Some(2), record: Some(2), sample_rate: rate, ..base },
        14 => ReadOptions {
            channels: vec!["1".into(), "2".into()],
            scale: "2=1e300".parse().into_iter().collect(),
            ..base
        },
        _ => ReadOptions { encoding: Some("utf-16".into()), time_unit: Some("us".into()), ..base },
    }
}

fn recording(source: &Source, input: &[u8], max_memory: u64) -> Result<Reading, Error> {
    let mut recording = open(source, &options(input, max_memory))?;
    // What `inspect --explain` asks for.
    let _ = recording.account();
    let channels = recording.header().channels.len();
    let mut sums = vec![0u64; channels];
    let (mut samples, mut count, mut fault) = (0, 0, None);
    while let Some(block) = recording.next_block()? {
        if block.first != count || block.is_empty() || block.samples.nrows() != channels {
            fault = Some(format!("a block of {} samples at {} behind {count}", block.len(), block.first));
        }
        if block.samples.iter().any(|sample| !sample.is_finite()) {
            fault = Some("samples that are not finite".to_owned());
        }
        count += block.len() as u64;
        samples += block.samples.len() as u64;
        for (channel, sum) in sums.iter_mut().enumerate() {
            // A sum over bits and places does not depend on where blocks end.
            for (sample, at) in block.channel(channel).iter().zip(block.first..) {
                *sum = sum.wrapping_add((sample.to_bits() ^ at.rotate_left(40)).wrapping_mul(0x9e37_79b9_7f4a_7c15));
            }
        }
    }
    let header = recording.header();
    let clock = &header.clock;
    let sound = clock.rate.get().is_finite() && clock.start_s.is_finite() && clock.relative_uncertainty.is_finite();
    if !sound {
        fault = Some(format!("a clock of {clock:?}"));
    }
    Ok(Reading { kind: kind_of(header), said: said(header), samples, digest: digest(header, &sums), fault })
}

fn digest(header: &Header, samples: &[u64]) -> u64 {
    let mut hash = DefaultHasher::new();
    samples.hash(&mut hash);
    header.clock.rate.get().to_bits().hash(&mut hash);
    header.clock.start_s.to_bits().hash(&mut hash);
    hash.finish()
}

/// The layout and the findings, without what they count.
fn kind_of(header: &Header) -> String {
    let codes: Vec<&str> = header.findings.iter().map(|finding| finding.code).collect();
    format!("read {} {} {}", header.format, header.layout, codes.join(" "))
}

fn said(header: &Header) -> Vec<String> {
    let findings = header.findings.iter().map(|finding| finding.message.clone());
    header.reading.iter().cloned().chain(findings).chain([header.layout.clone()]).collect()
}

fn plain(kind: String, what: impl Hash) -> Reading {
    let mut hash = DefaultHasher::new();
    what.hash(&mut hash);
    Reading { kind, said: Vec::new(), samples: 0, digest: hash.finish(), fault: None }
}

fn chain(source: &Source, _input: &[u8], _max_memory: u64) -> Result<Reading, Error> {
    let setup = setup(source)?;
    Ok(plain("a chain".to_owned(), format!("{setup:?}")))
}

fn levels(source: &Source, _input: &[u8], _max_memory: u64) -> Result<Reading, Error> {
    let curves = read(source)?;
    Ok(plain("levels".to_owned(), format!("{curves:?}")))
}

fn of_an_indicator(source: &Source, input: &[u8], _max_memory: u64) -> Result<Reading, Error> {
    let readings = readings(source)?;
    // What is made of them must not fall over either; that it may refuse is its own affair.
    let settings = ResponseSettings { tolerance: 0.05, weights: Weights::Equal, robust: input.len().is_multiple_of(2) };
    let made = of_readings(&readings, settings).is_ok();
    let finite = |row: &linewake::read::readings::Reading| {
        row.voltage_v.is_finite() && row.frequency_hz.is_finite() && row.reading.is_finite()
    };
    let fault = (!readings.rows.iter().all(finite)).then(|| "readings that are not finite".to_owned());
    let stated = readings.rows.iter().any(|row| row.uncertainty.is_some());
    let kind = format!("readings, uncertainty: {stated}, answered: {made}");
    Ok(Reading { fault, said: vec![readings.unit.clone()], ..plain(kind, format!("{readings:?}")) })
}

fn of_a_supply(source: &Source, _input: &[u8], _max_memory: u64) -> Result<Reading, Error> {
    let table = impedance(source)?;
    Ok(plain("an impedance".to_owned(), format!("{table:?}")))
}

fn known_signals(source: &Source, _input: &[u8], _max_memory: u64) -> Result<Reading, Error> {
    let described = calibration(source)?;
    Ok(plain("a calibration".to_owned(), format!("{described:?}")))
}
