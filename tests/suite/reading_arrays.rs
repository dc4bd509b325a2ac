//! Containers of named arrays, made by NumPy, SciPy and PyArrow (fixtures/arrays/make_arrays.py), against the numbers
//! that the same script printed in hexadecimal.

use linewake::capture::{Header, Quantity, RateSource, Role};
use linewake::error::Error;
use linewake::read::{Bytes, ReadOptions, Source, open};

use super::reading_layouts::drain;

fn fixture(name: &str) -> Vec<u8> {
    std::fs::read(format!("{}/fixtures/arrays/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn read_with(name: &str, bytes: Vec<u8>, options: &ReadOptions) -> Result<(Header, Vec<Vec<f64>>), Error> {
    open(&Source::new(Bytes::new(name, bytes)), options).and_then(drain)
}

fn read(name: &str) -> Result<(Header, Vec<Vec<f64>>), Error> {
    read_with(name, fixture(name), &ReadOptions::default())
}

/// A double as Python's `float.hex` prints it.
fn from_hex(text: &str) -> f64 {
    let (negative, text) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest));
    let (mantissa, exponent) = text.strip_prefix("0x").unwrap().split_once('p').unwrap();
    let (whole, fraction) = mantissa.split_once('.').unwrap();
    let digits = u64::from_str_radix(&format!("{whole}{fraction}"), 16).unwrap();
    let exponent: i32 = exponent.parse().unwrap();
    let value = digits as f64 * 2f64.powi(exponent - 4 * i32::try_from(fraction.len()).unwrap());
    if negative { -value } else { value }
}

/// Columns of the vectors: wire, air, odd, time.
fn vectors() -> [Vec<f64>; 4] {
    let text = String::from_utf8(fixture("vectors.csv")).unwrap();
    let rows: Vec<Vec<f64>> = text.lines().skip(1).map(|row| row.split(',').map(from_hex).collect()).collect();
    std::array::from_fn(|column| rows.iter().map(|row| row[column]).collect())
}

fn names(header: &Header) -> Vec<&str> {
    header.channels.iter().map(|channel| channel.name.as_str()).collect()
}

fn same_bits(a: &[f64], b: &[f64]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits() || a == b)
}

fn check(name: &str, channels: &[&str], start: f64) {
    let (header, samples) = read(name).unwrap_or_else(|error| panic!("{name}: {error}"));
    assert_eq!(names(&header), channels, "{name}: {:?}", header.reading);
    // Times in single precision (24 bits, IEEE 754) say no more than their rounding: half a unit is 2^-34 s at the first,
    // -1 ms, and 2^-35 s at the last, -0.804 ms, with 49 steps between them.
    let rounding = (2f64.powi(-34) + 2f64.powi(-35)) / (49.0 * 4e-6);
    let precision = if name.contains("single") { rounding } else { 1e-9 };
    let off = (header.clock.rate.get() / 250e3 - 1.0).abs();
    assert!(off < precision, "{name}: {}", header.clock.rate.get());
    assert!(off <= header.clock.relative_uncertainty + 1e-9, "{name}: {:?}", header.clock);
    assert!((header.clock.start_s - start).abs() <= 1e-9 * start.abs().max(1.0), "{name}: {}", header.clock.start_s);
    let vectors = vectors();
    for (at, (channel, expected)) in samples.iter().zip(&vectors).enumerate() {
        assert!(same_bits(channel, expected), "{name}, channel {at}: {channel:?}");
    }
    assert_eq!(header.channels[0].role, Role::Wire, "{name}");
    assert!(channels.len() < 2 || header.channels[1].role == Role::Air, "{name}");
    assert_eq!(header.promised_samples, Some(50), "{name}");
}

#[test]
fn npz_arrays_are_channels_and_numbers_beside_them_the_clock() {
    check("npz-rate.npz", &["wire", "air", "odd"], -1e-3);
    check("npz-table.npz", &["data 1", "data 2"], 0.0);
    check("npz-table-fortran.npz", &["data 1", "data 2"], 0.0);
    check("npz-table-rows.npz", &["data 1", "data 2"], 0.0);
    check("npz-table-with-time.npz", &["data 2", "data 3"], -1e-3);
    check("npz-single-time.npz", &["wire", "air"], -1e-3);
}

#[test]
fn npz_units_stamps_and_codes() {
    let (header, samples) = read("npz-time.npz").unwrap();
    assert_eq!(names(&header), ["wire", "air"]);
    assert_eq!((header.clock.rate.get(), header.clock.source), (250e3, RateSource::TimeColumn));
    assert_eq!(header.channels[0].quantity, Quantity::Unit("V".into()));
    for (channel, expected) in samples.iter().zip(vectors()) {
        assert!(channel.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-15), "{channel:?}");
    }
    // 2026-03-01T12:00:00 UTC.
    check("npz-stamps.npz", &["wire", "air"], 1_772_366_400.0);
    let (header, samples) = read("npz-codes.npz").unwrap();
    assert_eq!(names(&header), ["wire"]);
    assert_eq!((header.clock.rate.get(), header.channels[0].quantity.clone()), (250e3, Quantity::Codes));
    let codes: Vec<f64> = vectors()[0].iter().map(|volts| volts * 8.0).collect();
    assert!(same_bits(&samples[0], &codes));
    let told = header.reading.join(" ");
    assert!(told.contains("\"calibration\" (3 rows") && told.contains("Python objects"), "{told}");
}

#[test]
fn mat_variables_are_channels_and_scalars_the_clock() {
    for name in ["mat-rows.mat", "mat-columns-packed.mat"] {
        check(name, &["wire", "air", "odd"], -1e-3);
    }
    check("mat-high-byte-first.mat", &["wire", "air", "odd"], 0.0);
    check("mat-table.mat", &["data 1", "data 2"], 0.0);
    check("mat-table-rows-packed.mat", &["data 1", "data 2"], 0.0);
    check("mat-table-with-time.mat", &["data 2", "data 3"], -1e-3);
}

#[test]
fn mat_structures_cells_text_and_complex_are_left_out_or_refused() {
    let (header, _) = read("mat-codes.mat").unwrap();
    assert_eq!((names(&header), header.clock.rate.get()), (vec!["wire"], 250e3));
    assert_eq!(header.channels[0].quantity, Quantity::Codes);
    let told = header.reading.join(" ");
    for word in ["\"info\" is a structure", "\"cells\" is a cell array", "\"note\" is text", "\"complex\" is complex"] {
        assert!(told.contains(word), "{word}: {told}");
    }
    let error = read("mat-structure-only.mat").unwrap_err().to_string();
    assert!(error.contains("\"record\" is a structure") && error.contains("-struct"), "{error}");
    // HDF5, as level 7.3 has it behind 512 bytes.
    let mut bytes = b"MATLAB 7.3 MAT-file".to_vec();
    bytes.resize(512, 0);
    bytes.extend(b"\x89HDF\r\n\x1a\n");
    let error = read_with("new.mat", bytes, &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.contains("HDF5") && error.contains("-v7"), "{error}");
}

#[test]
fn options_choose_times_channels_and_rate() {
    let with = |options: ReadOptions| read_with("npz-rate.npz", fixture("npz-rate.npz"), &options);
    let channels =
        |list: &[&str]| ReadOptions { channels: list.iter().map(|&c| c.to_owned()).collect(), ..Default::default() };
    let (header, samples) = with(channels(&["odd"])).unwrap();
    assert_eq!(names(&header), ["odd"]);
    assert!(same_bits(&samples[0], &vectors()[2]));
    let error = with(channels(&["missing"])).unwrap_err().to_string();
    assert!(error.contains("\"wire\"") && error.contains("--channels missing"), "{error}");
    let rate = linewake::units::Hertz::new(100e3).unwrap();
    let (header, _) = with(ReadOptions { sample_rate: Some(rate), ..Default::default() }).unwrap();
    assert!(header.clock.rate == rate && header.findings.iter().any(|finding| finding.code == "rate_overridden"));
    let table = fixture("npz-table-with-time.npz");
    let (header, _) = read_with("t.npz", table.clone(), &channels(&["data 3"])).unwrap();
    assert_eq!(names(&header), ["data 3"]);
    let without = ReadOptions { time_column: Some("none".into()), sample_rate: Some(rate), ..Default::default() };
    assert_eq!(names(&read_with("t.npz", table, &without).unwrap().0).len(), 3);
}

/// A text within a file, put in another's place.
fn replaced(bytes: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    let at = bytes.windows(from.len()).position(|window| window == from).unwrap();
    [&bytes[..at], to, &bytes[at + from.len()..]].concat()
}

/// A file of an archive: its name, its bytes, the sizes that it claims.
type Member<'a> = (&'a str, Vec<u8>, Option<[u32; 2]>);

/// An archive as NumPy writes it, of stored members; sizes as claimed, or the true ones.
fn archive(members: &[Member<'_>]) -> Vec<u8> {
    let (mut out, mut directory) = (Vec::new(), Vec::new());
    for (name, bytes, claimed) in members {
        let own = u32::try_from(bytes.len()).unwrap();
        let mut crc = flate2::Crc::new();
        crc.update(bytes);
        let at = u32::try_from(out.len()).unwrap();
        let length = u16::try_from(name.len()).unwrap();
        let method = if claimed.is_some() { 8u16 } else { 0 };
        let [packed, size] = claimed.unwrap_or([own; 2]);
        let mut common = Vec::new();
        for word in [20, 0, method, 0, 0] {
            common.extend(word.to_le_bytes());
        }
        for long in [crc.sum(), packed, size] {
            common.extend(long.to_le_bytes());
        }
        out.extend(b"PK\x03\x04");
        out.extend(&common);
        out.extend([length, 0].map(u16::to_le_bytes).concat());
        out.extend(name.as_bytes());
        out.extend(bytes);
        directory.extend(b"PK\x01\x02\x14\x00");
        directory.extend(&common);
        directory.extend([length, 0, 0, 0, 0, 0, 0].map(u16::to_le_bytes).concat());
        directory.extend(at.to_le_bytes());
        directory.extend(name.as_bytes());
    }
    let (begin, size) = (u32::try_from(out.len()).unwrap(), u32::try_from(directory.len()).unwrap());
    let count = u16::try_from(members.len()).unwrap();
    out.extend(directory);
    out.extend(b"PK\x05\x06\0\0\0\0");
    out.extend([count, count].map(u16::to_le_bytes).concat());
    out.extend(size.to_le_bytes());
    out.extend(begin.to_le_bytes());
    out.extend([0, 0]);
    out
}

fn npy(descr: &str, shape: &str, data: &[u8]) -> Vec<u8> {
    let mut text = format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': {shape}, }}");
    text.push_str(&" ".repeat((64 - (11 + text.len()) % 64) % 64));
    text.push('\n');
    let length = u16::try_from(text.len()).unwrap();
    [b"\x93NUMPY\x01\x00".as_slice(), &length.to_le_bytes(), text.as_bytes(), data].concat()
}

fn doubles(values: impl IntoIterator<Item = f64>) -> Vec<u8> {
    values.into_iter().flat_map(f64::to_le_bytes).collect()
}

fn ramp(count: u32, step: f64) -> Vec<u8> {
    doubles((0..count).map(|k| f64::from(k) * step))
}

fn refused(what: &str, bytes: Vec<u8>, words: &[&str]) {
    let error = read_with("hostile.bin", bytes, &ReadOptions::default()).map(|(header, _)| header.reading);
    let error = error.expect_err(what).to_string();
    assert!(error.contains("hostile.bin"), "{what}: {error}");
    assert!(!error.contains(|c: char| c.is_control() && c != '\n'), "{what}: {error:?}");
    for word in words {
        assert!(error.contains(word), "{what}: no \"{word}\" in {error}");
    }
}

#[test]
fn hostile_archives_are_refused() {
    let good = || npy("<f8", "(100,)", &ramp(100, 0.1));
    let time = |t: &dyn Fn(u32) -> f64| npy("<f8", "(100,)", &doubles((0..100).map(t)));
    let with = |t: &dyn Fn(u32) -> f64| archive(&[("wire.npy", good(), None), ("t.npy", time(t), None)]);
    let at = |k: u32| 4e-6 * f64::from(k);
    assert!(read_with("good.npz", with(&at), &ReadOptions::default()).is_ok());
    let cases: Vec<(&str, Vec<u8>, &[&str])> = vec![
        ("no arrays", archive(&[]), &["no known format"]),
        ("no arrays, other files", archive(&[("sheet.xml", vec![b'x'; 9], None)]), &["no array", "sheet.xml"]),
        ("no rate", archive(&[("wire.npy", good(), None)]), &["--sample-rate"]),
        ("objects", archive(&[("wire.npy", npy("|O", "(9,)", &[0; 72]), None)]), &["Python objects"]),
        (
            "control characters in a header",
            archive(&[("wire.npy", npy("<f8'\u{1b}[31m\0", "(9,)", &[0; 72]), None)]),
            &["NPY header"],
        ),
        ("complex", archive(&[("wire.npy", npy("<c16", "(9,)", &[0; 144]), None)]), &["<c16"]),
        ("a cube", archive(&[("wire.npy", npy("<f8", "(2, 2, 2)", &[0; 64]), None)]), &["3 axes"]),
        (
            "a shape beyond its bytes",
            archive(&[("wire.npy", npy("<f8", "(1000000000000,)", &[0; 80]), None)]),
            &["1000000000000", "80 bytes"],
        ),
        (
            "a shape beyond all",
            archive(&[("wire.npy", npy("<f8", "(9223372036854775807, 9)", &[0; 80]), None)]),
            &["beyond all bounds"],
        ),
        ("an empty array", archive(&[("wire.npy", npy("<f8", "(0,)", &[]), None)]), &["is empty"]),
        ("a bomb's claim", archive(&[("wire.npy", vec![0; 50], Some([50, 4_000_000_000]))]), &["4000000000 unpacked"]),
        ("bytes that do not unpack", archive(&[("wire.npy", vec![0xff; 50], Some([50, 900]))]), &[]),
        ("a gap", with(&|k| at(k + u32::from(k > 50))), &["row 52", "\"t\"", "gap"]),
        ("times backwards", with(&|k| at(if k == 50 { 3 } else { k })), &["row 51", "\"t\""]),
        ("uneven times", with(&|k| at(k) + f64::from(k * k % 7) * 1e-6), &["\"t\"", "equal steps"]),
        ("times that are none", with(&|k| if k == 7 { f64::NAN } else { at(k) }), &["row 8", "\"t\""]),
        ("times that stand still", with(&|_| 1.0), &["\"t\""]),
        (
            "nan",
            archive(&[
                ("wire.npy", npy("<f8", "(3,)", &doubles([0.0, f64::NAN, 1.0])), None),
                ("fs.npy", npy("<f8", "()", &doubles([1e5])), None),
            ]),
            &["sample 1 of \"wire\""],
        ),
        (
            "two rates",
            archive(&[
                ("wire.npy", good(), None),
                ("fs.npy", npy("<f8", "()", &doubles([1e5])), None),
                ("dt.npy", npy("<f8", "()", &doubles([1e-6])), None),
            ]),
            &["contradict", "--sample-rate"],
        ),
        (
            "times against the rate",
            archive(&[
                ("wire.npy", good(), None),
                ("t.npy", time(&at), None),
                ("fs.npy", npy("<f8", "()", &doubles([1e5])), None),
            ]),
            &["--sample-rate"],
        ),
        (
            "a rate of zero",
            archive(&[("wire.npy", good(), None), ("fs.npy", npy("<f8", "()", &doubles([0.0])), None)]),
            &["--sample-rate"],
        ),
    ];
    for (what, bytes, words) in cases {
        refused(what, bytes, words);
    }
    let mut damaged = with(&at);
    damaged[150] ^= 1;
    refused("a wrong checksum", damaged, &["checksum"]);
}

#[test]
fn hostile_matrices_are_refused() {
    let good = fixture("mat-rows.mat");
    refused("cut", good[..600].to_vec(), &["cut short"]);
    refused("a header only", good[..128].to_vec(), &["no array"]);
    refused("another version", replaced(&good, b"\x00\x01IM", b"\x00\x02IM"), &["version 2.0"]);
    // The first variable: 1 by 50.
    let axes = [1u32, 50].map(u32::to_le_bytes).concat();
    let larger = |a: u32, b: u32| replaced(&good, &axes, &[a, b].map(u32::to_le_bytes).concat());
    refused("axes beyond the numbers", larger(1, 51), &["51]", "400 bytes"]);
    refused("axes beyond all", larger(u32::MAX, u32::MAX), &["4294967295"]);
    let tag = [14u32, 448].map(u32::to_le_bytes).concat();
    refused(
        "a length beyond the file",
        replaced(&good, &tag, &[14u32, 0xffff_ff00].map(u32::to_le_bytes).concat()),
        &["cut short", "byte 128"],
    );
    refused("a length beyond its numbers", replaced(&good, &tag, &[14u32, 64].map(u32::to_le_bytes).concat()), &[]);
    let packed = fixture("mat-columns-packed.mat");
    let mut damaged = packed.clone();
    damaged[160..200].fill(0xff);
    refused("packed data that are damaged", damaged, &[]);
    refused("packed data cut", packed[..300].to_vec(), &["cut short"]);
}

#[cfg(feature = "columnar")]
mod columnar {
    use super::*;

    #[test]
    fn parquet_of_each_codec_gives_the_same_numbers() {
        for codec in ["none", "snappy", "gzip", "lz4", "zstd"] {
            let (header, samples) =
                read(&format!("parquet-time-{codec}.parquet")).unwrap_or_else(|e| panic!("{codec}: {e}"));
            assert_eq!((names(&header), header.clock.rate.get()), (vec!["wire", "air"], 250e3), "{codec}");
            let [wire, air, ..] = vectors();
            assert!(same_bits(&samples[0], &wire), "{codec}");
            // Single precision, a thousand times as large.
            let milli: Vec<f64> = air.iter().map(|v| v * 1000.0).collect();
            assert!(same_bits(&samples[1], &milli), "{codec}: {:?}", samples[1]);
        }
    }

    #[test]
    fn parquet_keys_and_stamps_are_the_clock() {
        check("parquet-rate.parquet", &["wire", "air", "odd"], -1e-3);
        check("parquet-stamps.parquet", &["wire", "air"], 1_772_366_400.0);
    }

    #[test]
    fn parquet_without_a_value_lists_and_words() {
        let options =
            ReadOptions { sample_rate: Some(linewake::units::Hertz::new(1e5).unwrap()), ..Default::default() };
        let bytes = fixture("parquet-missing.parquet");
        let error = read_with("hole.parquet", bytes.clone(), &options).unwrap_err().to_string();
        assert!(error.contains("sample 49 of \"air\" is missing"), "{error}");
        let wire = ReadOptions { channels: vec!["wire".into()], ..options };
        let (header, samples) = read_with("hole.parquet", bytes, &wire).unwrap();
        let codes: Vec<f64> = vectors()[0].iter().map(|volts| volts * 8.0).collect();
        assert!(same_bits(&samples[0], &codes));
        let told = header.reading.join(" ");
        assert!(told.contains("lists") && told.contains("\"words\" holds no plain numbers"), "{told}");
    }

    #[test]
    fn hostile_tables_are_refused() {
        let good = fixture("parquet-time-none.parquet");
        let end = good.len();
        refused("cut", good[..end - 1].to_vec(), &["cut short"]);
        let mut claimed = good.clone();
        claimed[end - 8..end - 4].copy_from_slice(&u32::MAX.to_le_bytes());
        refused("a description without end", claimed, &["4294967295"]);
        let mut encrypted = good.clone();
        encrypted[end - 4..].copy_from_slice(b"PARE");
        refused("encrypted", encrypted, &["encrypted"]);
        // A description that nests a group within a group without end: field 2, a list of nodes with one child each.
        let mut nested = vec![0x29, 0xfc, 0xa0, 0x1f];
        for _ in 0..4000 {
            nested.extend([0x48, 1, b'a', 0x15, 2, 0]);
        }
        nested.push(0);
        let length = u32::try_from(nested.len()).unwrap().to_le_bytes();
        let bytes = [b"PAR1".as_slice(), &nested, &length, b"PAR1"].concat();
        refused("nested", bytes, &["no sound description"]);
        // The first page's header begins behind the first magic: field 1 (kind), then field 2, its size unpacked.
        let mut grown = fixture("parquet-time-zstd.parquet");
        assert_eq!((grown[4], grown[6]), (0x15, 0x15));
        let long = grown[7..].iter().position(|byte| byte & 0x80 == 0).unwrap();
        grown[7..7 + long].fill(0xff);
        grown[7 + long] = 0x7e;
        refused("a page that grows", grown, &[]);
    }
}

/// Arrow IPC as PyArrow 26 writes it.
#[cfg(feature = "arrow")]
mod arrow {
    use super::*;

    #[test]
    fn arrow_files_and_streams_give_the_same_numbers() {
        for name in ["time.arrow", "time-lz4.arrow", "time-zstd.arrow", "time-stream.arrows"] {
            let name = format!("arrow-{name}");
            let (header, samples) = read(&name).unwrap_or_else(|e| panic!("{name}: {e}"));
            assert_eq!((names(&header), header.clock.rate.get()), (vec!["wire", "air"], 250e3), "{name}");
            // The fields state V and mV.
            assert!(header.channels.iter().all(|channel| channel.quantity == Quantity::Unit("V".into())), "{name}");
            let [wire, air, ..] = vectors();
            assert!(same_bits(&samples[0], &wire), "{name}");
            assert!(samples[1].iter().zip(air).all(|(a, b)| (a - b).abs() < 1e-15), "{name}: {:?}", samples[1]);
        }
    }

    #[test]
    fn arrow_keys_and_stamps_are_the_clock() {
        check("arrow-rate.arrows", &["wire", "air", "odd"], -1e-3);
        check("arrow-stamps.arrow", &["wire", "air"], 1_772_366_400.0);
    }

    #[test]
    fn arrow_without_a_value_and_with_other_columns() {
        let options =
            ReadOptions { sample_rate: Some(linewake::units::Hertz::new(1e5).unwrap()), ..Default::default() };
        let bytes = fixture("arrow-missing.arrow");
        let error = read_with("hole.arrow", bytes.clone(), &options).unwrap_err().to_string();
        assert!(error.contains("sample 49 of \"air\" is missing"), "{error}");
        let wire = ReadOptions { channels: vec!["wire".into()], ..options };
        let (header, samples) = read_with("hole.arrow", bytes, &wire).unwrap();
        let codes: Vec<f64> = vectors()[0].iter().map(|volts| volts * 8.0).collect();
        assert!(same_bits(&samples[0], &codes));
        let told = header.reading.join(" ");
        assert!(told.contains("\"views\" holds no plain numbers") && told.contains("\"behind\" lies behind"), "{told}");
    }

    #[test]
    fn hostile_messages_are_refused() {
        let file = fixture("arrow-time.arrow");
        refused("cut", file[..file.len() - 1].to_vec(), &["cut short"]);
        refused("the magic alone", b"ARROW1\0\0".to_vec(), &["cut short"]);
        let stream = fixture("arrow-time-stream.arrows");
        refused("a stream cut in a batch", stream[..stream.len() - 100].to_vec(), &["cut short"]);
        let mut claimed = stream.clone();
        claimed[4..8].copy_from_slice(&0x00ff_fff8u32.to_le_bytes());
        refused("a header beyond the file", claimed, &["16777208 bytes", "byte 0"]);
        let size = usize::try_from(u32::from_le_bytes(stream[4..8].try_into().unwrap())).unwrap();
        let mut unsound = stream.clone();
        unsound[8..8 + size].fill(0x7f);
        unsound[8..12].copy_from_slice(&16u32.to_le_bytes());
        refused("a header that is none", unsound, &["sound header"]);
        refused("no schema in front", stream[8 + size..].to_vec(), &["neither a schema"]);
        refused("a schema alone", stream[..8 + size].to_vec(), &["is empty"]);
    }
}

#[cfg(not(feature = "arrow"))]
#[test]
fn arrow_is_recognised_without_its_feature() {
    for name in ["arrow-time.arrow", "arrow-time-stream.arrows"] {
        let error = read(name).unwrap_err().to_string();
        assert!(error.contains("Arrow IPC") && error.contains("--features arrow"), "{error}");
    }
}

/// Every container cut short and damaged, byte by byte: read or refused, never a panic.
#[test]
fn damaged_containers_are_read_or_refused() {
    let folder = format!("{}/fixtures/arrays", env!("CARGO_MANIFEST_DIR"));
    let mut random = 0x9e37_79b9_7f4a_7c15u64;
    let mut next = |below: usize| {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        usize::try_from(random % below as u64).unwrap()
    };
    let rounds = std::env::var("LINEWAKE_DAMAGED_CONTAINERS").map_or(60, |text| text.parse().unwrap());
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if name.ends_with(".py") || name.ends_with(".csv") {
            continue;
        }
        let bytes = std::fs::read(&path).unwrap();
        for round in 0..rounds {
            let mut bytes = bytes.clone();
            if round % 4 == 0 {
                bytes.truncate(next(bytes.len()));
            }
            for _ in 0..1 + round % 5 {
                if !bytes.is_empty() {
                    let at = next(bytes.len());
                    bytes[at] = [0, 0xff, 0x7f, 0x80, u8::try_from(next(256)).unwrap()][next(5)];
                }
            }
            let options = ReadOptions { max_memory: Some(1 << 24), ..Default::default() };
            if let Ok((_, samples)) = read_with(&name, bytes, &options) {
                assert!(samples.iter().flatten().all(|sample| sample.is_finite()), "{name}");
            }
        }
    }
}
