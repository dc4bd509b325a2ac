//! Layouts that no catalogue shows, composed from parts: read right, or refused with the option; never wrong.

use linewake::capture::{Header, Quantity};
use linewake::error::Error;
use linewake::read::{Bytes, ReadOptions, Scale, Source, open};

use super::reading_layouts::drain;

const ROWS: i64 = 40;
const STEP: f64 = 4e-6;

/// Sample k of the first and the second channel in millivolts, whole numbers.
fn truth(k: i64) -> [i64; 2] {
    [(7 * k % 11 - 5) * 20, (5 * k % 13 - 6) * 4]
}

fn volts(k: i64) -> [String; 2] {
    truth(k).map(|value| format!("{:.3}", value as f64 / 1e3))
}

fn time(k: i64) -> String {
    format!("{:.6}", k as f64 * STEP)
}

fn rows(form: impl Fn(i64, &str, &str, &str) -> String) -> String {
    (0..ROWS)
        .map(|k| {
            let [a, b] = volts(k);
            form(k, &time(k), &a, &b) + "\n"
        })
        .collect()
}

fn read(bytes: &[u8], options: &ReadOptions) -> Result<(Header, Vec<Vec<f64>>), Error> {
    open(&Source::new(Bytes::new("layout.csv", bytes.to_vec())), options).and_then(drain)
}

/// Rate, unit and every sample.
fn check(what: &str, bytes: &[u8]) {
    check_with(what, bytes, &ReadOptions::default());
}

fn check_with(what: &str, bytes: &[u8], options: &ReadOptions) {
    let (header, samples) = read(bytes, options).unwrap_or_else(|e| panic!("{what}: {e}"));
    assert!((header.clock.rate.get() * STEP - 1.0).abs() < 1e-9, "{what}: {} Hz", header.clock.rate.get());
    assert_eq!(samples.len(), 2, "{what}: {:?}", header.channels);
    for (channel, read) in samples.iter().enumerate() {
        let expected: Vec<f64> = (0..ROWS).map(|k| volts(k)[channel].parse().unwrap()).collect();
        assert_eq!(*read, expected, "{what}, channel {channel}");
        assert_eq!(header.channels[channel].quantity, Quantity::Unit("V".into()), "{what}");
    }
}

fn plain() -> String {
    rows(|_, t, a, b| format!("{t},{a},{b}"))
}

const HEAD: &str = "Time (s),CH1 (V),CH2 (V)\n";

#[test]
fn layouts_beyond_the_catalogue_read_right() {
    let h = HEAD;
    let cases: Vec<(&str, String)> = vec![
        (
            "metadata at the right",
            h.to_owned()
                + &rows(|k, t, a, b| match k {
                    2 => format!("{t},{a},{b},,Sample Interval,4e-06"),
                    5 => format!("{t},{a},{b},,Model,ANY"),
                    _ => format!("{t},{a},{b}"),
                }),
        ),
        (
            "a comment here and there",
            h.to_owned() + &rows(|k, t, a, b| format!("{t},{a},{b}{}", if k == 7 { ",lamp on" } else { "" })),
        ),
        (
            "a comment in every row",
            "Time (s),CH1 (V),CH2 (V),Note\n".to_owned() + &rows(|_, t, a, b| format!("{t},{a},{b},ok")),
        ),
        (
            "units in the cells",
            "Time,CH1,CH2\n".to_owned()
                + &(0..ROWS)
                    .map(|k| {
                        let [a, b] = truth(k);
                        format!("{} us,{a} mV,{b}mV\n", 4 * k)
                    })
                    .collect::<String>(),
        ),
        (
            "units in cells of their own",
            "Time (s),,CH1 (V),,CH2 (V),\n".to_owned() + &rows(|_, t, a, b| format!("{t},s,{a},V,{b},V")),
        ),
        (
            "clock times",
            "Time,CH1 (V),CH2 (V)\n".to_owned()
                + &(0..ROWS)
                    .map(|k| {
                        let [a, b] = volts(k);
                        format!("12:34:56.{:06},{a},{b}\n", 4 * k)
                    })
                    .collect::<String>(),
        ),
        (
            "date and clock",
            "Timestamp,CH1 (V),CH2 (V)\n".to_owned()
                + &(0..ROWS)
                    .map(|k| {
                        let [a, b] = volts(k);
                        format!("2031-02-03T23:59:59.{:06},{a},{b}\n", 4 * k)
                    })
                    .collect::<String>(),
        ),
        (
            "date in a column of its own",
            "Date,Time,CH1 (V),CH2 (V)\n".to_owned()
                + &(0..ROWS)
                    .map(|k| {
                        let [a, b] = volts(k);
                        format!("2031-02-03,10:00:00.{:06},{a},{b}\n", 4 * k)
                    })
                    .collect::<String>(),
        ),
        (
            "epoch",
            "Time (s),CH1 (V),CH2 (V)\n".to_owned()
                + &(0..ROWS)
                    .map(|k| {
                        let [a, b] = volts(k);
                        format!("1927886400.{:09},{a},{b}\n", 4000 * k)
                    })
                    .collect::<String>(),
        ),
        ("time last", "CH1 (V),CH2 (V),Time (s)\n".to_owned() + &rows(|_, t, a, b| format!("{a},{b},{t}"))),
        ("bars", "Time (s)|CH1 (V)|CH2 (V)\n".to_owned() + &rows(|_, t, a, b| format!("{t}|{a}|{b}"))),
        (
            "bars around",
            "| Time (s) | CH1 (V) | CH2 (V) |\n|---|---|---|\n".to_owned()
                + &rows(|_, t, a, b| format!("| {t} | {a} | {b} |")),
        ),
        ("a separator named", "sep=;\nTime (s);CH1 (V);CH2 (V)\n".to_owned() + &plain().replace(',', ";")),
        (
            "all quoted",
            "\"Time (s)\",\"CH1 (V)\",\"CH2 (V)\"\n".to_owned()
                + &rows(|_, t, a, b| format!("\"{t}\",\"{a}\",\"{b}\"")),
        ),
        (
            "quoted decimal commas between commas",
            "\"Time (s)\",\"CH1 (V)\",\"CH2 (V)\"\n".to_owned()
                + &rows(|_, t, a, b| format!("\"{t}\",\"{a}\",\"{b}\"").replace('.', "@")).replace('@', ","),
        ),
        ("exponents with D", h.to_owned() + &rows(|_, t, a, b| format!("{t}D+00,{a}D+00,{b}D+00"))),
        ("typographic minus", h.to_owned() + &plain().replace('-', "\u{2212}")),
        ("no-break blanks between cells", "Time_s CH1_V CH2_V\n".to_owned() + &plain().replace(',', "\u{a0}")),
        ("slashes before units", "t/s,CH1 / V,CH2/V\n".to_owned() + &plain()),
        ("underscores before units", "time_s,CH1_V,CH2_V\n".to_owned() + &plain()),
        ("names in two rows", "Time,Voltage,Voltage\n,CH1,CH2\n(s),(V),(V)\n".to_owned() + &plain()),
        ("no header unit row in front", "(s),(V),(V)\n".to_owned() + &plain()),
        (
            "an index without a name",
            ",Time (s),CH1 (V),CH2 (V)\n".to_owned() + &rows(|k, t, a, b| format!("{k},{t},{a},{b}")),
        ),
        (
            "a header without the index",
            "Time (s),CH1 (V),CH2 (V)\n".to_owned() + &rows(|k, t, a, b| format!("{k},{t},{a},{b}")),
        ),
        (
            "digital words",
            "Time (s),CH1 (V),CH2 (V),Bus\n".to_owned()
                + &rows(|k, t, a, b| format!("{t},{a},{b},0x{:02X}", 37 * k % 256)),
        ),
        (
            "binary words",
            "Time (s),CH1 (V),CH2 (V),Pod\n".to_owned()
                + &rows(|k, t, a, b| format!("{t},{a},{b},{:08b}", 37 * k % 256)),
        ),
        ("a summary below", h.to_owned() + &plain() + "Min,-0.1,-0.024\nMax,0.1,0.024\n"),
        ("a summary of numbers below", h.to_owned() + &plain() + "Statistics\n-5,0.1\n7,0.2\n"),
        (
            "a header at every page",
            h.to_owned() + &rows(|k, t, a, b| format!("{}{t},{a},{b}", if k % 10 == 9 { h } else { "" })),
        ),
        (
            "pages",
            h.to_owned() + &rows(|k, t, a, b| format!("{}{t},{a},{b}", if k == 20 { "Page 2 of 2\n" } else { "" })),
        ),
        (
            "index and a rate",
            "Sample rate: 250 kHz\nSample,CH1 (V),CH2 (V)\n".to_owned() + &rows(|k, _, a, b| format!("{k},{a},{b}")),
        ),
        (
            "a count called time and a rate",
            "Sample rate: 250000\nTime,CH1 (V),CH2 (V)\n".to_owned() + &rows(|k, _, a, b| format!("{k},{a},{b}")),
        ),
        (
            "a rate with a prefix",
            "Sampling Rate,250 kSa/s\nCH1 (V),CH2 (V)\n".to_owned() + &rows(|_, _, a, b| format!("{a},{b}")),
        ),
        (
            "two time columns",
            "Time (s),CH1 (V),Time (s),CH2 (V)\n".to_owned() + &rows(|_, t, a, b| format!("{t},{a},{t}0,{b}")),
        ),
        (
            "seconds and milliseconds",
            "Time (s),Time (ms),CH1 (V),CH2 (V)\n".to_owned()
                + &rows(|k, t, a, b| format!("{t},{:.3},{a},{b}", k as f64 * 4e-3)),
        ),
        (
            "blocks one below the other",
            "Time (s),CH1 (V)\n".to_owned()
                + &rows(|_, t, a, _| format!("{t},{a}"))
                + "\nTime (s),CH2 (V)\n"
                + &rows(|_, t, _, b| format!("{t},{b}")),
        ),
        ("rows of nothing at the ends", h.to_owned() + "Null,Null,Null\n" + &plain() + "Null,Null,Null\n"),
        (
            "on its side",
            format!(
                "Time (s),{}\nCH1 (V),{}\nCH2 (V),{}\n",
                (0..ROWS).map(time).collect::<Vec<_>>().join(","),
                (0..ROWS).map(|k| volts(k)[0].clone()).collect::<Vec<_>>().join(","),
                (0..ROWS).map(|k| volts(k)[1].clone()).collect::<Vec<_>>().join(",")
            ),
        ),
    ];
    let mut wrong = Vec::new();
    for (what, text) in &cases {
        if let Err(panic) = std::panic::catch_unwind(|| check(what, text.as_bytes())) {
            wrong.push(panic.downcast_ref::<String>().cloned().unwrap_or_default());
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn utf16_without_a_mark_is_read() {
    let text = HEAD.to_owned() + &plain();
    check("low byte first", &text.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>());
    check("high byte first", &text.encode_utf16().flat_map(u16::to_be_bytes).collect::<Vec<u8>>());
}

#[test]
fn what_stays_ambiguous_names_its_option() {
    let records = HEAD.to_owned() + &plain() + &plain();
    let cases: Vec<(&str, String, &str)> = vec![
        ("records", records.clone(), "--record N takes one of them, 1 to 2"),
        ("records with the same header", HEAD.to_owned() + &plain() + HEAD + &plain(), "--record"),
        (
            "slow without a unit",
            "Time,CH1 (V)\n".to_owned() + &rows(|k, _, a, _| format!("{:.3},{a}", k as f64 * 0.004)),
            "--time-unit",
        ),
        (
            "a count with a hole",
            "Sample rate: 250000\nSample,CH1 (V)\n".to_owned()
                + &rows(|k, _, a, _| format!("{},{a}", k + i64::from(k > 20))),
            "count",
        ),
        (
            "decimal commas between commas",
            "Time (s),CH1 (V)\n".to_owned()
                + &rows(|_, t, a, _| format!("{t},{a}").replace('.', ",").replace(",-", ",")),
            "comma",
        ),
        ("minimum and maximum", "Time (s),CH1 min (V),CH1 max (V)\n".to_owned() + &plain(), "minimum and maximum"),
        ("settings only", (0..20).map(|k| format!("Setting {k},{k}.5\n")).collect(), "rows of numbers"),
        ("a transform", "X,FFT(CH1)\n".to_owned() + &rows(|_, t, a, _| format!("{t},{a}")), "spectrum"),
    ];
    for (what, text, wanted) in cases {
        let error = read(text.as_bytes(), &ReadOptions::default()).err().unwrap_or_else(|| panic!("{what} was read"));
        assert!(error.to_string().contains(wanted), "{what}: {error}");
    }
    check_with("a chosen record", records.as_bytes(), &ReadOptions { record: Some(2), ..Default::default() });
}

#[test]
fn clipped_samples_are_told_and_never_dropped() {
    for sign in ["\u{221e}", "-inf", "\u{e2}\u{2c6}\u{17e}", "9.9E+37"] {
        let text = HEAD.to_owned() + &rows(|k, t, a, b| format!("{t},{},{b}", if k == 9 { sign } else { a }));
        let (header, samples) = read(text.as_bytes(), &ReadOptions::default()).unwrap();
        assert_eq!(samples[0].len(), 40, "{sign}");
        assert_eq!(samples[0][9], if sign.starts_with('-') { -0.1 } else { 0.1 }, "{sign}");
        assert!(header.findings.iter().any(|finding| finding.code == "marked_clipped"), "{sign}");
    }
    let lost = HEAD.to_owned() + &rows(|k, t, a, b| format!("{t},{},{b}", if k == 9 { "OVERLOAD" } else { a }));
    assert!(read(lost.as_bytes(), &ReadOptions::default()).unwrap_err().to_string().contains("larger range"));
}

#[test]
fn a_scale_makes_volts_of_codes() {
    let text = "Sample rate: 250000\nCH1,CH2\n".to_owned()
        + &(0..ROWS)
            .map(|k| {
                let [a, b] = truth(k);
                format!("{},{}\n", a / 4, b / 4)
            })
            .collect::<String>();
    let scale = vec![Scale { channel: None, factor: 0.004 }];
    let (header, samples) = read(text.as_bytes(), &ReadOptions { scale, ..Default::default() }).unwrap();
    assert_eq!(header.channels[0].quantity, Quantity::Unit("V".into()));
    assert!((samples[0][0] - -0.1).abs() < 1e-12 && header.findings.is_empty(), "{:?}", header.findings);
}

/// Every preamble with every header, separator, decimal mark, extra column, line end and encoding.
#[test]
fn composed_layouts_read_right_or_are_refused() {
    let mut count = (0, 0);
    for preamble in [
        "",
        "Model,ANY\nSample Interval,4e-06\n\n",
        "# Sample rate: 250000Hz\n# remark\n",
        "Record Length,40\nHorizontal Scale,1e-3\n",
    ] {
        for (names, units) in [
            ("Time (s)@CH1 (V)@CH2 (V)", ""),
            ("Time@CH1@CH2", "s@V@V"),
            ("", "second@Volt@Volt"),
            ("in s@C1 in V@C2 in V", ""),
        ] {
            for (separator, mark) in [(",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", ".")] {
                for extra in ["", "index", "marker", "trailing"] {
                    for end in ["\n", "\r\n", "\r", "\r\r\n"] {
                        for encoding in 0..2 {
                            let lead = if extra == "index" { "@" } else { "" };
                            let tail = match extra {
                                "marker" => "@Event",
                                "trailing" => "@",
                                _ => "",
                            };
                            let mut text = preamble.to_owned();
                            for row in [names, units].iter().filter(|row| !row.is_empty()) {
                                let tail = if *row == units && extra == "marker" { "@" } else { tail };
                                text += &format!("{lead}{row}{tail}\n").replace('@', separator);
                            }
                            text += &rows(|k, t, a, b| {
                                let lead = if extra == "index" { format!("{k}@") } else { String::new() };
                                let tail = match extra {
                                    "marker" => "@0",
                                    "trailing" => "@",
                                    _ => "",
                                };
                                format!("{lead}{t}@{a}@{b}{tail}").replace('.', mark).replace('@', separator)
                            });
                            let text = text.replace('\n', end);
                            let bytes = match encoding {
                                0 => text.into_bytes(),
                                _ => [0xff, 0xfe]
                                    .into_iter()
                                    .chain(text.encode_utf16().flat_map(u16::to_le_bytes))
                                    .collect(),
                            };
                            let what = format!(
                                "{preamble:?} {names:?} {units:?} {separator:?} {mark:?} {extra} {end:?} {encoding}"
                            );
                            if read(&bytes, &ReadOptions::default()).is_err() {
                                count.1 += 1;
                                continue;
                            }
                            // A marker without a name is a channel for all that one can see.
                            if extra == "marker" && names.is_empty() {
                                continue;
                            }
                            check(&what, &bytes);
                            count.0 += 1;
                        }
                    }
                }
            }
        }
    }
    assert!(count.0 > 2000 && count.1 * 50 < count.0, "{count:?}");
}
