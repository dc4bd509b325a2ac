//! Containers: records in two files, rarer waves, packed files. Layouts from memory of the standards that
//! fixtures/reference/make_container_captures.py names; all of its files follow one rule, which stands here again.

use linewake::capture::{Header, Quantity, RateSource};
use linewake::error::Error;
use linewake::read::{Bytes, Origin, ReadOptions, Source, Winding, open};
use linewake::units::Hertz;

use super::reading_layouts::drain;

/// Files in memory that are beside each other.
#[derive(Clone)]
struct Folder {
    own: Bytes,
    others: Vec<(String, Vec<u8>)>,
}

impl Origin for Folder {
    fn name(&self) -> &str {
        self.own.name()
    }
    fn byte_count(&self) -> std::io::Result<u64> {
        self.own.byte_count()
    }
    fn open_at(&self, position: u64) -> std::io::Result<Box<dyn std::io::Read + Send>> {
        self.own.open_at(position)
    }
    fn sibling(&self, name: &str) -> Option<Source> {
        let (_, bytes) = self.others.iter().find(|(other, _)| other == name)?;
        Some(Source::new(Folder { own: Bytes::new(name, bytes.clone()), others: self.others.clone() }))
    }
}

fn fixture(name: &str) -> Vec<u8> {
    std::fs::read(format!("{}/fixtures/captures/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

/// The first file, with all of them in one folder.
fn folder(files: &[(&str, Vec<u8>)]) -> Source {
    let others: Vec<_> = files.iter().map(|(name, bytes)| ((*name).to_owned(), bytes.clone())).collect();
    Source::new(Folder { own: Bytes::new(files[0].0, files[0].1.clone()), others })
}

fn read(source: &Source, options: &ReadOptions) -> Result<(Header, Vec<Vec<f64>>), Error> {
    open(source, options).and_then(drain)
}

/// Both files of a record; the first one named is opened.
fn record(name: &str, endings: [&str; 2], options: &ReadOptions) -> Result<(Header, Vec<Vec<f64>>), Error> {
    let names = endings.map(|ending| format!("{name}.{ending}"));
    let files: Vec<_> = names.iter().map(|name| (name.as_str(), fixture(name))).collect();
    read(&folder(&files), options)
}

fn codes() -> [Vec<f64>; 2] {
    [(0..20).map(|k| f64::from(7 * k % 11 - 5)).collect(), (0..20).map(|k| f64::from(5 * k % 13 - 6)).collect()]
}

fn has(header: &Header, code: &str) -> bool {
    header.findings.iter().any(|finding| finding.code == code)
}

/// Value = a x + b, then the prefix of the unit: IEEE C37.111-1999, clause 5.3.4 (from memory).
fn expected() -> [Vec<f64>; 2] {
    let [wire, air] = codes();
    [wire.iter().map(|x| (20.0 * x) * 1e-3).collect(), air.iter().map(|x| 0.004 * x + 0.5).collect()]
}

#[test]
fn records_of_each_edition_and_kind_give_the_same_values() {
    let names = ["1991-ascii", "1999-ascii", "1999-binary", "2013-binary32", "2013-float32"];
    for name in names.map(|name| format!("comtrade-{name}")) {
        for endings in [["cfg", "dat"], ["dat", "cfg"]] {
            let (header, samples) = record(&name, endings, &ReadOptions::default()).unwrap();
            assert_eq!(header.format, "comtrade", "{name}");
            assert_eq!(samples, expected(), "{name}");
            assert_eq!(header.clock.rate.get(), 250e3, "{name}");
            assert_eq!(header.clock.source, RateSource::Header, "{name}");
            let names: Vec<&str> = header.channels.iter().map(|channel| channel.name.as_str()).collect();
            assert_eq!(names, ["Wire", "Air"], "{name}");
            assert!(header.channels.iter().all(|channel| channel.quantity == Quantity::Unit("V".into())), "{name}");
            assert!(header.findings.is_empty(), "{name}: {:?}", header.findings);
            let told = header.reading.join(" ");
            assert!(name.ends_with("float32") || told.contains("2 digital channels were left out"), "{told}");
            assert!(name.contains("1991") || told.contains("transformer 10 to 1; values are those of the secondary"));
        }
    }
}

#[test]
fn a_single_file_holds_both_parts() {
    for name in ["comtrade-single-ascii.cff", "comtrade-single-binary.cff"] {
        let (header, samples) = read(&folder(&[(name, fixture(name))]), &ReadOptions::default()).unwrap();
        assert_eq!(samples, expected(), "{name}");
        assert!(header.findings.is_empty(), "{name}: {:?}", header.findings);
    }
}

#[test]
fn time_stamps_give_the_rate_where_no_line_does() {
    let (header, samples) = record("comtrade-no-rate", ["cfg", "dat"], &ReadOptions::default()).unwrap();
    assert_eq!((header.clock.rate.get(), header.clock.source), (250e3, RateSource::TimeColumn));
    assert_eq!(samples, expected());
    // Stamps that are no even clock give none.
    let uneven = String::from_utf8(fixture("comtrade-no-rate.dat")).unwrap().replace("\n5,16,", "\n5,13,");
    let files = [("r.cfg", fixture("comtrade-no-rate.cfg")), ("r.dat", uneven.into_bytes())];
    let error = read(&folder(&files), &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.contains("uneven") && error.contains("--sample-rate"), "{error}");
}

#[test]
fn time_stamps_that_contradict_the_rate_are_told() {
    let config = String::from_utf8(fixture("comtrade-1999-ascii.cfg")).unwrap();
    for (from, to, code) in [
        ("250000,20", "200000,20", Some("time_stamps_disagree")),
        // Rounding to whole microseconds lets 4 stand for 3.9.
        ("250000,20", "256410,20", None),
    ] {
        let files = [("r.cfg", config.replace(from, to).into_bytes()), ("r.dat", fixture("comtrade-1999-ascii.dat"))];
        let (header, _) = read(&folder(&files), &ReadOptions::default()).unwrap();
        assert_eq!(header.findings.first().map(|finding| finding.code), code, "{:?}", header.findings);
    }
    // A factor of ten for the stamps makes 25 kHz of them.
    let slower = config.replace("ASCII\r\n1\r\n", "ASCII\r\n10\r\n").replace("250000,20", "25000,20");
    let files = [("r.cfg", slower.into_bytes()), ("r.dat", fixture("comtrade-1999-ascii.dat"))];
    let (header, _) = read(&folder(&files), &ReadOptions::default()).unwrap();
    assert!(header.findings.is_empty(), "{:?}", header.findings);
}

#[test]
fn several_rates_are_listed_and_one_is_taken_when_asked() {
    let error = record("comtrade-several-rates", ["cfg", "dat"], &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.contains("1 to 12 at 250000 Hz") && error.contains("13 to 20 at 125000 Hz"), "{error}");
    assert!(error.contains("--record"), "{error}");
    for (record_number, rate, rows) in [(1, 250e3, 0..12), (2, 125e3, 12..20)] {
        let options = ReadOptions { record: Some(record_number), ..Default::default() };
        let (header, samples) = record("comtrade-several-rates", ["cfg", "dat"], &options).unwrap();
        assert_eq!(header.clock.rate.get(), rate);
        assert_eq!(samples, expected().map(|channel| channel[rows.clone()].to_vec()));
    }
    let options = ReadOptions { record: Some(3), ..Default::default() };
    assert!(record("comtrade-several-rates", ["cfg", "dat"], &options).is_err());
    // A first section that covers all samples needs no choice.
    let config = String::from_utf8(fixture("comtrade-several-rates.cfg")).unwrap();
    let config = config.replace("250000,12", "250000,20").replace("125000,20", "125000,30");
    let files = [("r.cfg", config.into_bytes()), ("r.dat", fixture("comtrade-several-rates.dat"))];
    assert_eq!(read(&folder(&files), &ReadOptions::default()).unwrap().1, expected());
}

#[test]
fn missing_values_are_refused_within_and_left_out_at_the_end() {
    let error = record("comtrade-missing-inside", ["cfg", "dat"], &ReadOptions::default()).unwrap_err().to_string();
    // Seven frames of 14 bytes, then number and time stamp.
    assert!(error.contains("sample 8 of analog channel 1") && error.contains("byte 106"), "{error}");
    let (header, samples) = record("comtrade-missing-at-the-end", ["cfg", "dat"], &ReadOptions::default()).unwrap();
    assert!(has(&header, "missing_at_the_end"));
    assert_eq!(samples, expected().map(|channel| channel[..18].to_vec()));
}

#[test]
fn channels_are_picked_and_the_others_may_miss_values() {
    for (channels, wanted) in [(vec!["Air"], vec![1]), (vec!["2"], vec![1]), (vec!["air", "wire"], vec![1, 0])] {
        let channels: Vec<String> = channels.into_iter().map(str::to_owned).collect();
        let options = ReadOptions { channels, ..Default::default() };
        let (header, samples) = record("comtrade-1999-ascii", ["cfg", "dat"], &options).unwrap();
        assert_eq!(samples, wanted.iter().map(|&at| expected()[at].clone()).collect::<Vec<_>>());
        assert_eq!(header.channels[0].name, "Air");
        assert_eq!(header.channels[0].role, linewake::capture::Role::Wire);
    }
    // Only the first channel misses a value.
    let options = ReadOptions { channels: vec!["Air".into()], ..Default::default() };
    let (_, samples) = record("comtrade-missing-inside", ["cfg", "dat"], &options).unwrap();
    assert_eq!(samples[0].len(), 20);
    for (name, reason) in [("earth", "no such channel"), ("3", "no such channel")] {
        let options = ReadOptions { channels: vec![name.into()], ..Default::default() };
        let error = record("comtrade-1999-ascii", ["cfg", "dat"], &options).unwrap_err().to_string();
        assert!(error.contains(reason) && error.contains("Wire"), "{error}");
    }
    // The same in a wave.
    let wave = [("w.wav", fixture("wave-by-scipy-i2.wav"))];
    let options = ReadOptions { channels: vec!["2".into()], ..Default::default() };
    assert_eq!(read(&folder(&wave), &options).unwrap().1.len(), 1);
}

/// The ratings of the transformers are 10 and 1, the values those of the secondary side.
#[test]
fn values_turn_to_the_side_that_is_asked_for() {
    let turned = |side, ratings: &str| {
        let config = fixture_text("comtrade-1999-ascii.cfg").replace(",10,1,S", ratings);
        let files = [("r.cfg", config.into_bytes()), ("r.dat", fixture("comtrade-1999-ascii.dat"))];
        read(&folder(&files), &ReadOptions { side, ..Default::default() })
    };
    let (header, samples) = turned(Some(Winding::Primary), ",10,1,S").unwrap();
    for (samples, recorded) in samples.iter().zip(expected()) {
        let off = samples.iter().zip(&recorded).map(|(a, b)| (a - 10.0 * b).abs()).fold(0.0, f64::max);
        assert!(off < 1e-14, "{off}");
    }
    let told = header.reading.join(" ");
    assert!(told.contains("turned to those of the primary side, as the option says"), "{told}");
    assert_eq!(turned(Some(Winding::Secondary), ",10,1,S").unwrap().1, expected());
    assert_eq!(turned(None, "").unwrap().1, expected());
    for (ratings, reason) in [("", "states no ratings"), (",10,1", "not the side"), (",0,1,P", "states no ratings")] {
        let error = turned(Some(Winding::Primary), ratings).unwrap_err().to_string();
        assert!(error.contains(reason) && error.contains("r.cfg:3") && error.contains("--scale"), "{error}");
    }
}

#[test]
fn packed_halves_of_a_record_find_each_other() {
    use std::io::Write;
    let packed = |name: &str| {
        let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        writer.write_all(&fixture(name)).unwrap();
        writer.finish().unwrap()
    };
    let (cfg, dat) = ("comtrade-1999-binary.cfg", "comtrade-1999-binary.dat");
    for files in [
        [("r.cfg.gz", packed(cfg)), ("r.dat.gz", packed(dat))],
        [("r.dat.gz", packed(dat)), ("r.cfg.gz", packed(cfg))],
        [("r.cfg", fixture(cfg)), ("r.dat.gz", packed(dat))],
        [("r.DAT.GZ", packed(dat)), ("r.cfg", fixture(cfg))],
    ] {
        let recording = open(&folder(&files), &ReadOptions::default()).unwrap();
        assert_eq!(recording.account().files, [files[1].0]);
        assert_eq!(drain(recording).unwrap().1, expected(), "{}", files[0].0);
    }
}

/// Half a unit of the last digit: six digits are meant at least; a stamp is a whole microsecond over 19 steps of four.
#[test]
fn rates_state_their_uncertainty() {
    for (written, relative) in [("250000,20", 2e-6), ("250000.000,20", 2e-9), ("2.5e5,20", 2e-6)] {
        let config = fixture_text("comtrade-1999-ascii.cfg").replace("250000,20", written);
        let files = [("r.cfg", config.into_bytes()), ("r.dat", fixture("comtrade-1999-ascii.dat"))];
        let (header, _) = read(&folder(&files), &ReadOptions::default()).unwrap();
        assert!((header.clock.relative_uncertainty / relative - 1.0).abs() < 1e-9, "{written}");
    }
    let (header, _) = record("comtrade-no-rate", ["cfg", "dat"], &ReadOptions::default()).unwrap();
    assert!((header.clock.relative_uncertainty * 76.0 - 1.0).abs() < 1e-9);
    let (header, _) = read(&folder(&[("w.wav", fixture("wave-by-scipy-i2.wav"))]), &ReadOptions::default()).unwrap();
    assert!((header.clock.relative_uncertainty / 2e-6 - 1.0).abs() < 1e-9);
}

#[test]
fn records_that_are_not_whole_say_what_is_missing() {
    let config = fixture("comtrade-1999-binary.cfg");
    let error = read(&folder(&[("lamp.cfg", config.clone())]), &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.contains("lamp.cfg") && error.contains(".dat"), "{error}");
    let data = fixture("comtrade-1999-binary.dat");
    let cut = [("lamp.cfg", config.clone()), ("lamp.dat", data[..100].to_vec())];
    let (header, samples) = read(&folder(&cut), &ReadOptions::default()).unwrap();
    assert_eq!(samples[0].len(), 7);
    assert!(has(&header, "cut_short"));
    // Counts that do not fit the data would shift every value.
    let wrong = String::from_utf8(config)
        .unwrap()
        .replace("4,2A,2D", "2,2A,0D")
        .replace("1,Lamp 1,,,0\r\n2,Lamp 2,,,0\r\n", "");
    let error =
        read(&folder(&[("lamp.cfg", wrong.into_bytes()), ("lamp.dat", data)]), &ReadOptions::default()).unwrap_err();
    assert!(error.to_string().contains("numbered"), "{error}");
    // Counts and lengths of any size are no memory.
    for (from, to) in [("4,2A,2D", "999999999,999999997A,2D"), ("250000,20", "250000,99999999999999999")] {
        let config = String::from_utf8(fixture("comtrade-1999-binary.cfg")).unwrap().replace(from, to);
        let files = [("r.cfg", config.into_bytes()), ("r.dat", fixture("comtrade-1999-binary.dat"))];
        if let Ok((header, samples)) = read(&folder(&files), &ReadOptions::default()) {
            assert!(has(&header, "cut_short") && samples[0].len() == 20);
        }
    }
}

#[test]
fn the_configuration_may_be_odd() {
    let config = String::from_utf8(fixture("comtrade-1999-ascii.cfg")).unwrap();
    let data = fixture("comtrade-1999-ascii.dat");
    for (from, to) in [
        (",1999\r\n", "\r\n"),
        (",1999\r\n", ",2001\r\n"),
        ("ASCII\r\n1\r\n", "ascii\r\n"),
        ("ASCII\r\n1\r\n", "ASCII\r\n1\r\n\r\n\r\n"),
        ("\r\n", "\n"),
        ("4,2A,2D", " 4 , 2a , 2d , "),
    ] {
        let config = config.replace(from, to);
        assert!(config != fixture_text("comtrade-1999-ascii.cfg"), "{from}");
        let files = [("R.CFG", config.into_bytes()), ("R.DAT", data.clone())];
        assert_eq!(read(&folder(&files), &ReadOptions::default()).unwrap().1, expected(), "{to}");
    }
    for (from, to, place) in [
        ("ASCII", "MORSE", ":12:1"),
        (",20,0,0.0", ",x,0,0.0", ":3:19"),
        ("250000,20", "fast,20", ":9:1"),
        ("50\r\n1\r\n", "50\r\nmany\r\n", ":8:1"),
    ] {
        let files = [("r.cfg", config.replace(from, to).into_bytes()), ("r.dat", data.clone())];
        let error = read(&folder(&files), &ReadOptions::default()).unwrap_err().to_string();
        assert!(error.contains(&format!("r.cfg{place}")), "{to}: {error}");
    }
}

fn fixture_text(name: &str) -> String {
    String::from_utf8(fixture(name)).unwrap()
}

#[test]
fn records_survive_being_cut_at_any_byte() {
    for name in ["comtrade-1999-ascii", "comtrade-1999-binary"] {
        let [config, data] = ["cfg", "dat"].map(|ending| fixture(&format!("{name}.{ending}")));
        for length in 0..config.len() {
            let files = [("r.cfg", config[..length].to_vec()), ("r.dat", data.clone())];
            let _ = read(&folder(&files), &ReadOptions::default());
        }
        for length in 0..data.len() {
            let files = [("r.cfg", config.clone()), ("r.dat", data[..length].to_vec())];
            let Ok((_, samples)) = read(&folder(&files), &ReadOptions::default()) else { continue };
            for (read, whole) in samples.iter().zip(expected()) {
                let sure = read.len().saturating_sub(1);
                assert_eq!(read[..sure], whole[..sure], "{name} cut at {length}");
            }
        }
    }
}

/// Sizes of 64 bits by EBU Tech 3306 and ITU-R BS.2088 (from memory); the samples are the rule's sixteenths.
#[test]
fn waves_with_wide_sizes_and_without_any_are_read() {
    for (name, scale) in
        [("rf64-double", 16.0), ("bw64-double", 16.0), ("unfinished", 128.0), ("unfinished-stream", 128.0)]
    {
        let name = format!("wave-{name}.wav");
        let (header, samples) = read(&folder(&[(&name, fixture(&name))]), &ReadOptions::default()).unwrap();
        assert_eq!(
            samples,
            codes().map(|channel| channel.iter().map(|code| code / scale).collect::<Vec<_>>()),
            "{name}"
        );
        assert_eq!(header.clock.rate.get(), 250e3);
        assert_eq!(has(&header, "unfinished"), name.contains("unfinished"), "{:?}", header.findings);
    }
    // An empty recording that ends with another chunk holds no samples.
    let mut empty = fixture("wave-unfinished-stream.wav");
    empty.truncate(44);
    empty.splice(40..44, 0u32.to_le_bytes());
    empty.extend(b"LIST\x04\0\0\0INFO");
    let error = read(&folder(&[("empty.wav", empty)]), &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.contains("no whole frame"), "{error}");
}

#[test]
fn a_wave_with_the_high_byte_first_is_read() {
    let mut bytes =
        b"RIFX\0\0\0\0WAVEfmt \0\0\0\x10\0\x01\0\x01\0\0\x03\xe8\0\0\x07\xd0\0\x02\0\x10data\0\0\0\x04".to_vec();
    bytes.extend([0x40, 0, 0xc0, 0]);
    let (header, samples) = read(&folder(&[("t.wav", bytes)]), &ReadOptions::default()).unwrap();
    assert_eq!((header.clock.rate, samples), (Hertz::new(1000.0).unwrap(), vec![vec![0.5, -0.5]]));
}

/// Packed by Python's gzip module and by the zstd program's library; what is in them is another fixture, byte by byte.
#[test]
fn packed_files_read_as_what_is_in_them() {
    let plain = read(&folder(&[("h.csv", fixture("h-comment-preamble.csv"))]), &ReadOptions::default()).unwrap();
    for ending in ["gz", "zst"] {
        let name = format!("packed-h-comment-preamble.csv.{ending}");
        let bytes = fixture(&name);
        let (header, samples) = read(&folder(&[(&name, bytes.clone())]), &ReadOptions::default()).unwrap();
        assert_eq!((header.clock, &samples), (plain.0.clock, &plain.1), "{name}");
        // Two parts one behind the other are one text.
        let twice = [bytes.clone(), bytes.clone()].concat();
        let source = folder(&[(&name, twice)]);
        let error = read(&source, &ReadOptions::default()).unwrap_err().to_string();
        let unpacked = [fixture("h-comment-preamble.csv"), fixture("h-comment-preamble.csv")].concat();
        let expected = read(&folder(&[(&name, unpacked)]), &ReadOptions::default()).unwrap_err().to_string();
        assert_eq!(error, expected, "{name}");
        // A cut file is refused by name, never read as a shorter one.
        for length in (4..bytes.len()).step_by(7) {
            let error = read(&folder(&[(&name, bytes[..length].to_vec())]), &ReadOptions::default()).unwrap_err();
            assert!(error.to_string().contains(&name), "{length}: {error}");
        }
    }
}

#[test]
fn a_file_made_to_unpack_without_end_is_refused() {
    use std::io::Write;
    // Zeros squeezed twice: what unpacks is gzip again, and that is no capture; within it the growth is bounded.
    let mut inner = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    inner.write_all(b"Time (s),CH1 (V)\n").unwrap();
    for _ in 0..64 {
        inner.write_all(&[b' '; 1 << 16]).unwrap();
    }
    let error = read(&folder(&[("bomb.gz", inner.finish().unwrap())]), &ReadOptions::default()).unwrap_err();
    assert!(error.to_string().contains("bomb.gz"), "{error}");
    // A run of one byte in zstd: blocks of 128 KiB in four bytes each (RFC 8878, 3.1.1.2), more than gzip can.
    let mut bomb = vec![0x28, 0xb5, 0x2f, 0xfd, 0x00, 0x58];
    for last in (0..2000).map(|n| u32::from(n == 1999)) {
        bomb.extend(&(last | 1 << 1 | (1 << 17) << 3).to_le_bytes()[..3]);
        bomb.push(b'1');
    }
    let error = read(&folder(&[("bomb.zst", bomb)]), &ReadOptions::default()).unwrap_err().to_string();
    assert!(error.contains("times its size"), "{error}");
}

/// The layout is this project's own; the numbers are packed here by the rule.
#[test]
fn raw_samples_are_read_as_their_sidecar_says() {
    let [wire, air] = codes();
    let pairs = || wire.iter().zip(&air).flat_map(|(a, b)| [*a, *b]);
    let le16: Vec<u8> = pairs().flat_map(|code| (code as i16).to_le_bytes()).collect();
    let be24: Vec<u8> = pairs().flat_map(|code| (code as i32).to_be_bytes()[1..].to_vec()).collect();
    let planar: Vec<u8> = wire.iter().chain(&air).flat_map(|code| code.to_le_bytes()).collect();
    let skipped = [&[7; 10][..], &le16].concat();
    let common = "channels = 2\nrate = \"250k\"\nunit = \"mV\"\nscale = [20.0, 4.0]\noffset = 1.5\n";
    let value = |scale: f64, offset: f64| move |code: &f64| code * scale + offset;
    let expected: Vec<Vec<f64>> = vec![
        wire.iter().map(value(20.0 * 1e-3, 1.5 * 1e-3)).collect(),
        air.iter().map(value(4.0 * 1e-3, 1.5 * 1e-3)).collect(),
    ];
    for (bytes, own) in [
        (le16.clone(), "type = \"i16\"\n"),
        (be24, "type = \"i24\"\nbyte_order = \"big\"\n"),
        (planar.clone(), "type = \"f64\"\norder = \"planar\"\n"),
        (skipped, "type = \"i16\"\nskip = 10\n"),
    ] {
        let sidecar = format!("[raw]\n{own}{common}").into_bytes();
        let source = folder(&[("lamp.bin", bytes), ("lamp.bin.toml", sidecar)]);
        let (header, samples) = read(&source, &ReadOptions::default()).unwrap();
        assert_eq!(samples, expected, "{own}");
        assert_eq!((header.format, header.clock.rate.get()), ("raw", 250e3));
        assert_eq!(header.channels[1].quantity, Quantity::Unit("V".into()));
        assert!(header.findings.is_empty(), "{own}: {:?}", header.findings);
    }
    // Cut at any byte: whole samples are read, the rest is told; a channel behind the other cannot be cut.
    for length in 0..le16.len() {
        let sidecar = format!("[raw]\ntype = \"i16\"\n{common}").into_bytes();
        let source = folder(&[("lamp.bin", le16[..length].to_vec()), ("lamp.bin.toml", sidecar)]);
        match read(&source, &ReadOptions::default()) {
            Ok((header, samples)) => {
                assert_eq!(samples[0], expected[0][..length / 4]);
                assert_eq!(has(&header, "cut_short"), length % 4 != 0);
            }
            Err(error) => assert!(length < 4 && error.to_string().contains("lamp.bin"), "{error}"),
        }
    }
    for (text, wanted) in [
        ("type = \"i17\"\n", ":2:8"),
        ("channels = 2\n", "type"),
        ("type = \"i16\"\n", "--sample-rate"),
        ("type = \"i16\"\nrate = 1000\nscale = [1, 2, 3]\n", "3 factors"),
        ("type = \"i16\"\nrate = \"fast\"\n", "samples a second, such as 250000 or \"250k\""),
        ("type = \"i16\"\nrate = -1\n", "rate"),
        ("type = \"i16\"\nrate = 1000\nrats = 1\n", "did you mean"),
        ("type = \"f64\"\nrate = 1000\norder = \"planar\"\nchannels = 7\n", "no multiple"),
    ] {
        let sidecar = format!("[raw]\n{text}").into_bytes();
        let source = folder(&[("lamp.bin", planar.clone()), ("lamp.bin.toml", sidecar)]);
        let error = read(&source, &ReadOptions::default()).err().unwrap_or_else(|| panic!("read: {text}")).to_string();
        assert!(error.contains(wanted), "{text}: {error}");
    }
    // A sidecar of another kind leaves the file to its own bytes.
    let text = fixture("h-comment-preamble.csv");
    let source = folder(&[("lamp.csv", text), ("lamp.csv.toml", b"[reading]\n".to_vec())]);
    assert_eq!(read(&source, &ReadOptions::default()).unwrap().0.format, "csv");
}
