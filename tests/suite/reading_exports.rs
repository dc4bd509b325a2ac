//! Invented exports as loggers, sound programs, scopes and persons with a spreadsheet leave them: read right, or refused.

use std::f64::consts::TAU;
use std::fmt::Write;

use linewake::capture::{Header, Quantity, Role};
use linewake::error::{Error, Severity};
use linewake::read::{Bytes, ReadOptions, Source, open};

use super::reading_layouts::drain;

const ROWS: u32 = 200;
const STEP: f64 = 4e-6;

/// Sample k of both channels, in tenths of a millivolt.
fn truth(k: u32) -> [f64; 2] {
    let wave = |hertz: f64, peak: f64| (peak * (TAU * hertz * f64::from(k) * STEP).sin()).round() + f64::from(k % 7);
    [wave(20e3, 1000.0), wave(31e3, 500.0)]
}

fn volts(k: u32) -> [String; 2] {
    truth(k).map(|value| format!("{:.4}", value / 1e4))
}

fn rows(form: impl Fn(u32, &str, &str, &str) -> String) -> String {
    let mut text = String::new();
    for k in 0..ROWS {
        let [a, b] = volts(k);
        let _ = writeln!(text, "{}", form(k, &format!("{:.6}", f64::from(k) * STEP), &a, &b));
    }
    text
}

fn plain() -> String {
    rows(|_, t, a, b| format!("{t},{a},{b}"))
}

/// The rows between semicolons, with decimal commas.
fn commas() -> String {
    plain().replace(',', ";").replace('.', ",")
}

fn pairs(separator: &str) -> String {
    rows(|_, _, a, b| format!("{a}{separator}{b}"))
}

fn read_with(bytes: &[u8], options: &ReadOptions) -> Result<(Header, Vec<Vec<f64>>), Error> {
    open(&Source::new(Bytes::new("export.csv", bytes.to_vec())), options).and_then(drain)
}

fn read(text: &str) -> Result<(Header, Vec<Vec<f64>>), Error> {
    read_with(text.as_bytes(), &ReadOptions::default())
}

/// The rate, and wire and air to the last digit.
fn check(what: &str, text: &str) {
    let (header, samples) = read(text).unwrap_or_else(|e| panic!("{what}: {e}"));
    // A time of day next to midnight is held to 1.5e-11 s, which is 2e-8 of a record of 0.8 ms.
    let tolerance = if what.contains("midnight") { 2e-8 } else { 1e-9 };
    assert!((header.clock.rate.get() * STEP - 1.0).abs() < tolerance, "{what}: {} Hz", header.clock.rate.get());
    for (role, at) in [(Role::Wire, 0), (Role::Air, 1)] {
        let channel =
            header.channels.iter().position(|channel| channel.role == role).unwrap_or_else(|| panic!("{what}"));
        let expected: Vec<f64> = (0..ROWS).map(|k| volts(k)[at].parse().unwrap()).collect();
        assert_eq!(samples[channel], expected, "{what}, {}", role.name());
    }
}

#[test]
fn exports_read_right() {
    let h = "Time (s),CH1 (V),CH2 (V)\n";
    let cases = [
        (
            "a logger's scan",
            "Scan Sweep Time (Sec),Channel 101 <Wire> (VDC),Channel 102 <Air> (VDC)\n".to_owned() + &plain(),
        ),
        (
            "a sound program's preamble",
            "Start time,00:00:00.000\nSampling frequency [Hz],250000\nNumber of channels,2\nLeft;Right\n".to_owned()
                + &pairs(";"),
        ),
        (
            "a sound program's remarks",
            "; Sample Rate: 250000 Hz\n; Length: 200 samples\n; Left\tRight\n".to_owned() + &pairs("\t"),
        ),
        ("German", "Zeit [s];Kanal 1 [V];Kanal 2 [V]\n".to_owned() + &commas()),
        ("French", "Temps (s);Voie 1 (V);Voie 2 (V)\n".to_owned() + &commas()),
        ("translated by a machine", "Hora (segundos);Canal A (voltios);Canal B (voltios)\n".to_owned() + &commas()),
        ("another script", "時間 (s),チャンネル1 (V),チャンネル2 (V)\n".to_owned() + &plain()),
        ("title rows of a person", "Studio lamp,,\n,,\nOperator: N.N.,,3 Feb 2031\n,,\n".to_owned() + h + &plain()),
        (
            "figures of a person at the right",
            "Time (s),CH1 (V),CH2 (V),,Max CH1,0.1\n".to_owned()
                + &rows(|k, t, a, b| format!("{t},{a},{b},,{}", if k == 0 { "Min CH1,-0.1" } else { "," })),
        ),
        (
            "a computed column",
            "Time (s),CH1 (V),CH2 (V),CH1-CH2 (V)\n".to_owned() + &rows(|_, t, a, b| format!("{t},{a},{b},0.1")),
        ),
        (
            "scales per division above",
            "Time/div,200us\nVolts/div,50mV\nSample rate,250kS/s\nTime,CH1,CH2\n".to_owned() + &plain(),
        ),
        ("mega samples", "Rate: 0.25 MS/s\nCH1 [V]\tCH2 [V]\n".to_owned() + &pairs("\t")),
        ("names of one letter", "delta t = 4.0 us\nA,B\n".to_owned() + &pairs(",")),
        ("an increment", "XInc: 4e-6\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        ("a rate with its unit in the key", "sample_rate_hz: 250000\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        (
            "decimal comma and exponent",
            "Samples per second;2,5E+05\nCH1 (V);CH2 (V)\n".to_owned() + &pairs(";").replace('.', ","),
        ),
        ("fs", "fs = 250000\nwire,air\n".to_owned() + &pairs(",")),
        (
            "pairs of time and channel",
            "Time CH1,CH1,Time CH2,CH2\n".to_owned() + &rows(|_, t, a, b| format!("{t},{a},{t},{b}")),
        ),
        ("header and units twice", "Time,CH1,CH2\ns,V,V\nTime,CH1,CH2\ns,V,V\n".to_owned() + &plain()),
        ("nanoseconds", "time_ns,ch1,ch2\n".to_owned() + &rows(|k, _, a, b| format!("{},{a},{b}", 4000 * k))),
        (
            "row numbers that start over",
            "#,Time (s),CH1 (V),CH2 (V)\n".to_owned() + &rows(|k, t, a, b| format!("{},{t},{a},{b}", k % 50)),
        ),
        (
            "a temperature between",
            "Time (s),CH1 (V),Temp (C),CH2 (V)\n".to_owned() + &rows(|_, t, a, b| format!("{t},{a},21.5,{b}")),
        ),
        (
            "an index, decimal commas and a rate",
            "Abtastrate;250000 Hz\nNr;CH1 (V);CH2 (V)\n".to_owned()
                + &rows(|k, _, a, b| format!("{k};{a};{b}").replace('.', ",")),
        ),
        (
            "power before the channels",
            "Time (s),Power (W),CH1 (V),CH2 (V)\n".to_owned() + &rows(|_, t, a, b| format!("{t},0.5,{a},{b}")),
        ),
        (
            "midnight and halves of the day",
            "Time,CH1 (V),CH2 (V)\n".to_owned()
                + &rows(|k, _, a, b| {
                    let us = 999_600 + 4 * k;
                    let clock = if us < 1_000_000 {
                        format!("11:59:59.{us} PM")
                    } else {
                        format!("12:00:00.{:06} AM", us - 1_000_000)
                    };
                    format!("{clock},{a},{b}")
                }),
        ),
        (
            "a rate below the rows",
            "CH1 (V),CH2 (V)\n".to_owned() + &pairs(",") + "\nSample rate,250000 Hz\nOperator,N.N.\n",
        ),
        ("an interval in a remark below the rows", "CH1 (V),CH2 (V)\n".to_owned() + &pairs(",") + "# dt = 4 us\n"),
        ("a rate in free words", "Sampled at 250 kS/s with the small box\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        ("an interval in free words", "# sample every 4 \u{b5}s\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        ("nothing but a rate", "250 kSa/s\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        ("a remark behind two dashes", "-- fs 250 kHz\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        ("a remark behind a word", "REM fs = 250 kHz\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        ("a remark in quotes", "\" fs = 250 kHz\"\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        (
            "apostrophes between thousands",
            "Time (ns);CH1 (V);CH2 (V)\n".to_owned() + &rows(|k, _, a, b| format!("1'{:03}'000;{a};{b}", 4 * k)),
        ),
        ("numbers as text", h.to_owned() + &rows(|_, t, a, b| format!("=\"{t}\",'{a},'{b}"))),
        (
            "a table of settings above",
            "No,Gain,Offset\n".to_owned()
                + &(0..40).map(|k| format!("{k},1.{k:02},0.{k:02}\n")).collect::<String>()
                + "\n"
                + h
                + &plain(),
        ),
        ("rows in quotes", format!("{h}{}", plain()).lines().map(|line| format!("\"{line}\"\n")).collect()),
        ("groups of digits", "Sample rate: 250 000 Hz\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        ("groups of digits and a narrow blank", "Fs: 250\u{202f}000 Hz\nCH1 (V);CH2 (V)\n".to_owned() + &pairs(";")),
        ("a comma between thousands", "Sample rate (Hz),\"250,000\"\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        (
            "a point between thousands that the time confirms",
            "Abtastrate;250.000 Hz\nZeit (s);CH1 (V);CH2 (V)\n".to_owned() + &commas(),
        ),
        (
            "three decimals that the time confirms",
            "Sample interval;4.000 us\nZeit (s);CH1 (V);CH2 (V)\n".to_owned() + &commas(),
        ),
        ("three decimals", "Sample interval: 4.000 us\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(",")),
        (
            "a rate for each channel",
            "CH1 Sample rate,250000\nCH2 Sample rate,250000\nA (V),B (V)\n".to_owned() + &pairs(","),
        ),
        ("carets", "Time (s)^CH1 (V)^CH2 (V)\n".to_owned() + &plain().replace(',', "^")),
        ("a dash for the minus sign", h.to_owned() + &plain().replace('-', "\u{2013}")),
        ("marks without width", h.to_owned() + &plain().replace(',', ",\u{200b}")),
        (
            "the micro sign in a wrong encoding",
            "Time (\u{c2}\u{b5}s),CH1 (V),CH2 (V)\n".to_owned() + &rows(|k, _, a, b| format!("{},{a},{b}", 4 * k)),
        ),
        ("a preamble of thousands of lines", "Setting: off\n".repeat(4000) + h + &plain()),
        (
            "a table of gains above",
            "Calibration\nNo,Gain,Offset\n1,1.01,0.02\n2,1.02,0.03\n3,1.03,0.04\n\n".to_owned() + h + &plain(),
        ),
        (
            "day, then time with decimal commas",
            "Datum;Zeit;CH1 (V);CH2 (V)\n".to_owned()
                + &rows(|k, _, a, b| {
                    format!("03.02.2031;10:00:00,{:06};{};{}", 4 * k, a.replace('.', ","), b.replace('.', ","))
                }),
        ),
    ];
    let mut wrong = Vec::new();
    for (what, text) in &cases {
        if let Err(panic) = std::panic::catch_unwind(|| check(what, text)) {
            wrong.push(panic.downcast_ref::<String>().cloned().unwrap_or_default());
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn what_cannot_be_told_is_refused() {
    let cases = [
        (
            "minutes",
            "Time (min),CH1 (V)\n".to_owned() + &rows(|k, _, a, _| format!("{:.3},{a}", f64::from(k) * 1e-3)),
            "--time-unit",
        ),
        (
            "hours",
            "Time (h),CH1 (V)\n".to_owned() + &rows(|k, _, a, _| format!("{:.3},{a}", f64::from(k) * 1e-3)),
            "--time-unit",
        ),
        (
            "tens of microseconds",
            "Time (x10 us),CH1 (V)\n".to_owned() + &rows(|k, _, a, _| format!("{:.4},{a}", f64::from(k) * 4e-4)),
            "--time-unit",
        ),
        (
            "a date in a cell",
            "Time (s),CH1 (V)\n".to_owned()
                + &rows(|k, t, a, _| format!("{},{a}", if k == 9 { "01.02.2031" } else { t })),
            "01.02.2031",
        ),
        (
            "a histogram",
            "Bin (V),Count\n".to_owned() + &rows(|k, _, _, _| format!("{:.3},{}", f64::from(k) * 1e-3, k % 17)),
            "--sample-rate",
        ),
        ("one channel over the other", "CH1 (V),CH2 (V)\n".to_owned() + &pairs(","), "--sample-rate"),
        ("a spectrum in kilohertz", "Frequency [kHz],CH1 [V]\n".to_owned() + &plain(), "spectrum"),
        ("a key before each number", rows(|_, t, a, b| format!("t={t} a={a} b={b}")), "rows of numbers"),
        ("objects in lines", rows(|_, t, a, b| format!("{{\"t\": {t}, \"a\": {a}, \"b\": {b}}}")), "rows of numbers"),
        (
            "hexadecimal codes",
            "Sample rate: 250000\nCH1\n".to_owned() + &rows(|k, _, _, _| format!("{:02X}", 37 * k % 256)),
            "found",
        ),
        (
            "the whole time called sampling time",
            "Sampling Time,0.0008\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(","),
            "--sample-rate",
        ),
        (
            "a point that may stand between thousands",
            "Abtastrate;250.000 Hz\nCH1 (V);CH2 (V)\n".to_owned() + &pairs(";").replace('.', ","),
            "--sample-rate",
        ),
        (
            "a rate of three decimals in hertz",
            "Fs: 250.000 Hz\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(","),
            "--sample-rate",
        ),
        (
            "points between thousands beside smaller numbers",
            "Zeit (us);CH1 (mV)\n".to_owned()
                + &rows(
                    |k, _, _, _| if k % 2 == 0 { format!("{};{}", 4 * k, k) } else { format!("{};1.{:03}", 4 * k, k) },
                ),
            "between thousands",
        ),
        (
            "channels that take turns",
            "fs,250000\n".to_owned() + &rows(|k, _, a, _| format!("{},{a}", 1 + k % 2)),
            "take turns",
        ),
        ("a reference clock", "Clock: 10 MHz\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(","), "--sample-rate"),
        (
            "a bandwidth in free words",
            "Recorded at 20 MHz bandwidth\nMax 1 GS/s\nCH1 (V),CH2 (V)\n".to_owned() + &pairs(","),
            "--sample-rate",
        ),
        (
            "one column of thousands in quotes",
            "Sample rate: 250000\nCH1 (V)\n".to_owned() + &rows(|k, _, _, _| format!("\"1,{:03}.5\"", 4 * k)),
            "marks between thousands",
        ),
        (
            "commas between thousands",
            "Time (us),CH1 (mV)\n".to_owned() + &rows(|k, _, _, _| format!("\"1,{:03}.0\",\"2,{k:03}.5\"", 4 * k)),
            "marks between thousands",
        ),
        (
            "a matrix in brackets",
            "x = [\n".to_owned() + &rows(|_, t, a, b| format!("  {t}, {a}, {b};")) + "];\n",
            "found",
        ),
        ("thousands", "Time (us),CH1 (V)\n".to_owned() + &rows(|k, _, a, _| format!("\"1,{:03}\",{a}", 4 * k)), "--"),
    ];
    for (what, text, wanted) in cases {
        let error = read(&text).err().unwrap_or_else(|| panic!("{what} was read"));
        assert!(error.to_string().contains(wanted), "{what}: {error}");
    }
}

#[test]
fn readings_of_a_meter_are_no_samples() {
    for name in ["CH1 RMS", "CH1 Vpp", "Peak to peak CH1", "THD"] {
        let (header, _) = read(&(format!("Time (s),{name} (V),CH2 (V)\n") + &plain())).unwrap();
        let found = header.findings.iter().any(|f| f.code == "envelope" && f.severity == Severity::Unfit);
        assert!(found, "{name}: {:?}", header.findings);
    }
    let (header, _) = read(&("Time (s),CH1 (V),Forms (V)\n".to_owned() + &plain())).unwrap();
    assert!(header.findings.iter().all(|finding| finding.code != "envelope"));
}

#[test]
fn logic_lines_and_one_channel_over_the_other_are_told() {
    let text = "Time (s),a,b\n".to_owned() + &rows(|k, t, _, _| format!("{t},{},{}", k & 1, k >> 1 & 1));
    let (header, _) = read(&text).unwrap();
    assert!(
        header.findings.iter().any(|f| f.code == "logic" && f.severity == Severity::Unfit),
        "{:?}",
        header.findings
    );
    let (header, _) = read(&("Sample rate: 250 kS/s\nX (V),Y (V)\n".to_owned() + &pairs(","))).unwrap();
    assert!(header.findings.iter().any(|finding| finding.code == "one_over_the_other"), "{:?}", header.findings);
}

#[test]
fn units_in_unusual_dress_are_units() {
    for (one, two) in [("CH1 <V>", "CH2 <V>"), ("CH1 (V DC)", "CH2 (V DC)"), ("CH1.V", "CH2.V"), ("V(CH1)", "V(CH2)")] {
        let (header, _) = read(&(format!("Time (s),{one},{two}\n") + &plain())).unwrap();
        assert!(header.channels.iter().all(|channel| channel.quantity == Quantity::Unit("V".into())), "{one}");
        assert_eq!(header.channels[0].name, "CH1");
    }
    // A reading of an alternating voltage may be its RMS value, so it is no plain volt.
    let (header, _) = read(&("Time (s),CH1 (VAC),CH2 (VAC)\n".to_owned() + &plain())).unwrap();
    assert!(header.channels.iter().all(|channel| channel.quantity == Quantity::Unknown));
}

#[test]
fn one_channel_in_two_units_is_one_channel() {
    let text =
        "Time (s),CH1 (V),CH1 (mV)\n".to_owned() + &rows(|k, t, a, _| format!("{t},{a},{:.1}", truth(k)[0] / 10.0));
    let (header, _) = read(&text).unwrap();
    assert_eq!(header.channels.iter().map(|channel| channel.role).collect::<Vec<_>>(), [Role::Wire, Role::Other]);
}

#[test]
fn single_letters_alone_are_units() {
    let (header, _) = read(&("s,V,A\n".to_owned() + &plain())).unwrap();
    let units: Vec<&Quantity> = header.channels.iter().map(|channel| &channel.quantity).collect();
    assert_eq!(units, [&Quantity::Unit("V".into()), &Quantity::Unit("A".into())]);
}

#[test]
fn the_encoding_can_be_named() {
    let text = "Zeit (\u{b5}s),CH1 (V),CH2 (V)\n".to_owned() + &rows(|k, _, a, b| format!("{},{a},{b}", 4 * k));
    let utf16 = |bytes: fn(u16) -> [u8; 2]| text.encode_utf16().flat_map(bytes).collect::<Vec<u8>>();
    let latin: Vec<u8> = text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    let named = |name: &str| ReadOptions { encoding: Some(name.into()), ..ReadOptions::default() };
    for (name, bytes) in [
        ("utf-8", text.clone().into_bytes()),
        ("latin-1", latin),
        ("utf-16le", utf16(u16::to_le_bytes)),
        ("utf-16be", utf16(u16::to_be_bytes)),
        ("auto", utf16(u16::to_be_bytes)),
    ] {
        let (header, samples) = read_with(&bytes, &named(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!((header.clock.rate.get() * STEP - 1.0).abs() < 1e-9 && samples[0].len() == 200, "{name}");
    }
    for (name, wanted) in [("utf-16be", "expected"), ("runes", "one of: auto, utf-8")] {
        let error = read_with(text.as_bytes(), &named(name)).err().unwrap_or_else(|| panic!("{name} was read"));
        assert!(error.to_string().contains(wanted), "{name}: {error}");
    }
}

#[test]
fn leading_rows_of_words_and_blocks_of_different_height_are_cut_and_told() {
    let text = "Time (s),CH1 (V),CH2 (V)\n".to_owned()
        + &rows(|k, t, a, b| if k < 3 { format!("{t},Null,Null") } else { format!("{t},{a},{b}") });
    let (header, samples) = read(&text).unwrap();
    assert!((header.clock.start_s - 3.0 * STEP).abs() < 1e-12 && samples[0].len() == 197);
    assert!(header.findings.iter().any(|finding| finding.code == "rows_cut"));
    let short: String = rows(|_, t, _, b| format!("{t},{b}")).split_inclusive('\n').take(150).collect();
    let text =
        "Time (s),CH1 (V)\n".to_owned() + &rows(|_, t, a, _| format!("{t},{a}")) + "\nTime (s),CH2 (V)\n" + &short;
    let (header, samples) = read(&text).unwrap();
    assert_eq!((samples[0].len(), samples[1].len()), (150, 150));
    assert!(header.findings.iter().any(|finding| finding.code == "rows_cut"), "{:?}", header.findings);
}
