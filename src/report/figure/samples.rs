//! Six invented figures to judge the engine by, and to look at: set `LINEWAKE_SAMPLE_FIGURES` to any value and run
//! `cargo test --lib sample_figures`; they appear in the directory for temporary files.

use super::*;

const MADE_BY: &str = "linewake sample figures";

/// Seeded noise from -1 to 1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}

fn level(frequency: f64, lines: &[(f64, f64)], floor: f64, noise: &mut Noise) -> f64 {
    let fall = floor - 14.0 * (frequency / 2e3).log10();
    let power = lines.iter().fold(10_f64.powf(fall / 10.0), |power, (at, level)| {
        let off = (frequency - at) / 250.0;
        power + 10_f64.powf((level - 4.3 * off * off) / 10.0)
    });
    10.0 * power.log10() + 2.2 * noise.next()
}

fn levels(lines: &[(f64, f64)], floor: f64, seed: u64) -> Vec<Point> {
    let mut noise = Noise(seed);
    (0..1481).map(|i| 2e3 + 100.0 * f64::from(i)).map(|f| (f, level(f, lines, floor, &mut noise))).collect()
}

const WIRE: &[(f64, f64)] =
    &[(9.5e3, 71.0), (22.1e3, 82.0), (44.2e3, 66.0), (66.3e3, 58.0), (95.0e3, 77.0), (132e3, 52.0)];
const AIR: &[(f64, f64)] = &[(22.1e3, 47.0), (60.0e3, 40.0), (77.5e3, 55.0), (95.0e3, 31.0), (129e3, 42.0)];

fn frequency() -> Axis {
    Axis::frequency(2e3, 150e3)
}

fn caption() -> Vec<String> {
    vec![
        "Window hann, resolution bandwidth 200 Hz (bins of 133.3 Hz), 399 averages with 50 % overlap, high-pass 1 kHz, \
         range 2 kHz to 150 kHz, mains 50 Hz. Wire: ±2 V, 12 bit, coupling network 1:1. Air: ±50 mV, 12 bit, pickup antenna, \
         uncalibrated, so that levels are in volts at the input."
            .into(),
        "studio-rack/2026-03-14_evening/off-air-rehearsal/led-panel-dimmer-40-percent_plus_charger_capture-0007.csv, \
         sha256 5f0c…91ab".into(),
    ]
}

/// Wire above air on one frequency axis, with the floor and long file names.
fn spectrum() -> Figure {
    let floor =
        |at: f64| Series::new("the recorder's own floor", Style::Floor, Shape::Line(vec![(2e3, at), (150e3, at)]));
    let mut wire = Panel::new("Wire", frequency(), Axis::linear("Level, dB re 1 µV"))
        .with(floor(21.0))
        .with(Series::new("wire, RMS in 200 Hz", Style::Wire, Shape::Line(levels(WIRE, 62.0, 7))));
    let limit = [(9e3, 110.0), (50e3, 110.0), (50e3, 90.0), (150e3, 80.0)];
    for (number, (name, below)) in (0u8..).zip([("lighting-mains", 0.0), ("studio-line", 25.0)]) {
        let points = limit.iter().map(|(frequency, level)| (*frequency, level - below)).collect();
        wire = wire.with(Series::new(name, Style::Level(number), Shape::Line(points)));
    }
    wire.marks = vec![
        Mark { x: 22.1e3, label: "LED dimmer".into() },
        Mark { x: 95e3, label: "meter signalling".into() },
        Mark { x: 44.2e3, label: "2nd harmonic of the dimmer".into() },
        Mark { x: 66.3e3, label: "3rd".into() },
    ];
    let air = Panel::new("Air", frequency(), Axis::linear("Level, dB re 1 µV")).with(floor(2.0)).with(Series::new(
        "air, RMS in 200 Hz",
        Style::Air,
        Shape::Line(levels(AIR, 34.0, 8)),
    ));
    Figure {
        conclusion: vec![
            "The LED panel's dimmer stands out at 22.1 kHz with three harmonics: 82 dB re 1 µV on the wire.".into(),
            "In the air only its fundamental is heard; the strongest line there, 77.5 kHz, is a long-wave station."
                .into(),
        ],
        rows: vec![Row::new(vec![wire]), Row::new(vec![air])],
        caption: caption(),
        ..Figure::new("Spectrum of wire and air, 2 to 150 kHz")
    }
}

/// Before and after above, the difference with its interval below; wire left, air right.
fn comparison() -> Figure {
    let quieter: Vec<(f64, f64)> = WIRE.iter().map(|(f, l)| (*f, l - 0.16 * f / 1e3 - 4.0)).collect();
    let column = |name: &str, styles: [Style; 2], before: Vec<Point>, after: Vec<Point>, unit: &str| {
        let difference: Vec<Point> = before.iter().zip(&after).map(|(b, a)| (b.0, a.1 - b.1)).collect();
        let interval = difference.iter().map(|(f, d)| (*f, d - 1.9, d + 1.9)).collect();
        let above = Panel::new(name, frequency(), Axis::linear(unit))
            .with(Series::new("before", styles[0], Shape::Line(before)))
            .with(Series::new("after", styles[1], Shape::Line(after)));
        let below = Panel::new(
            format!("{name}: after minus before"),
            frequency(),
            Axis::linear("Change, dB").over(-40.0, 20.0),
        )
        .with(Series::new("95 % interval", Style::Difference, Shape::Interval(interval)))
        .with(Series::unnamed(Style::Neutral, Shape::Level(0.0)))
        .with(Series::new("change", Style::Difference, Shape::Line(difference)));
        [above, below]
    };
    let wire = column(
        "Wire",
        [Style::WireBefore, Style::WireAfter],
        levels(WIRE, 62.0, 7),
        levels(&quieter, 57.0, 9),
        "Level, dB re 1 µV",
    );
    let air = column(
        "Air",
        [Style::AirBefore, Style::AirAfter],
        levels(AIR, 34.0, 8),
        levels(AIR, 33.0, 5),
        "Level, dB re 1 µV/m",
    );
    let ([wire_above, wire_below], [air_above, air_below]) = (wire, air);
    Figure {
        conclusion: vec![
            "The filter lowers the wire by 9.4 dB in all (95 % interval 8.8 to 10.0 dB); most at 95 kHz.".into(),
            "In the air no change is shown: −0.4 dB (−1.5 to 0.8 dB).".into(),
        ],
        rows: vec![Row { share: 1.35, panels: vec![wire_above, air_above] }, Row::new(vec![wire_below, air_below])],
        caption: caption(),
        ..Figure::new("Before and after the plug-in filter")
    }
}

/// 74 bands on logarithmic frequency, wire above air.
fn bands() -> Figure {
    let bars = |lines: &[(f64, f64)], floor: f64, seed: u64| {
        let mut noise = Noise(seed);
        let bars = (1..75).map(|i| {
            let (from, to) = (2e3 * f64::from(i), 2e3 * f64::from(i + 1));
            let value =
                (0..20).map(|k| level(from + 100.0 * f64::from(k), lines, floor, &mut noise)).fold(-99.0, f64::max);
            let spread = 1.2 + noise.next().abs() * 2.0;
            Bar { from, to, value, interval: Some((value - spread, value + spread)) }
        });
        Shape::Bars { bars: bars.collect(), base: None }
    };
    let wire = Panel::new("Wire", frequency(), Axis::linear("RMS per band, dB re 1 µV").over(20.0, 90.0))
        .with(Series::new("wire, with 95 % interval", Style::Wire, bars(WIRE, 62.0, 3)));
    let air = Panel::new("Air", frequency(), Axis::linear("RMS per band, dB re 1 µV").over(0.0, 60.0))
        .with(Series::new("air, with 95 % interval", Style::Air, bars(AIR, 34.0, 4)));
    Figure {
        conclusion: vec!["Half of the energy on the wire sits between 22 kHz and 24 kHz.".into()],
        rows: vec![Row::new(vec![wire]), Row::new(vec![air])],
        caption: caption(),
        ..Figure::new("Energy in bands of 2 kHz")
    }
}

/// Twelve captures by level, with intervals and ties.
fn ranking() -> Figure {
    let names: Vec<String> = [
        "e-bike charger, first hour",
        "LED panel, dimmer at 40 %",
        "LED panel, dimmer at 100 %",
        "heat-pump fan inverter",
        "laptop adapter on the mixing desk, screen on, battery at 12 %, charging",
        "neighbour's solar inverter, noon",
        "neighbour's solar inverter, evening",
        "laptop adapter, idle",
        "mixing desk",
        "monitor loudspeakers",
        "kettle",
        "nothing (background)",
    ]
    .map(String::from)
    .to_vec();
    let values = [31.2, 28.9, 28.1, 24.0, 17.3, 16.6, 15.9, 11.2, 6.0, 2.1, 0.4, -0.2];
    let side = |shift: f64, scale: f64| {
        let bars = values.iter().enumerate().map(|(i, v)| {
            let (value, half) = (v * scale + shift, 0.8 + 0.3 * (i % 4) as f64);
            Bar::at(i, value, Some((value - half, value + half)))
        });
        Shape::Bars { bars: bars.collect(), base: Some(0.0) }
    };
    let panel = |title: &str, style, shape| {
        Panel::new(title, Axis::linear("Added level, dB over background"), Axis::names(names.clone()))
            .with(Series::new("with 95 % interval", style, shape))
            .with(Series::unnamed(Style::Neutral, Shape::Level(0.0)))
    };
    let mut wire = panel("Wire, 2 kHz to 150 kHz", Style::Wire, side(0.0, 1.0));
    wire.ties = vec![
        Tie { first: 1, last: 2, label: "tie".into() },
        Tie { first: 4, last: 6, label: "tie".into() },
        Tie { first: 10, last: 11, label: "not above background".into() },
    ];
    let air = panel("Air, 2 kHz to 150 kHz", Style::Air, side(-1.0, 0.5));
    Figure {
        conclusion: vec!["The e-bike charger adds most; the two dimmer settings cannot be told apart.".into()],
        rows: vec![Row::new(vec![wire, air])],
        caption: caption(),
        ..Figure::new("Which load adds how much")
    }
}

/// Two captures side by side, wire above air, as captured and after the high-pass, phase on top.
fn waveform() -> Figure {
    let rate = 500e3;
    let samples = |high_passed: bool, scale: f64, ripple: f64, seed: u64| -> Vec<Point> {
        let mut noise = Noise(seed);
        (0..20_000)
            .map(|i| {
                let t = f64::from(i) / rate;
                let angle = std::f64::consts::TAU * 50.0 * (t - 0.003);
                let mains = if high_passed { 0.0 } else { 0.5 * angle.sin() + 0.12 * (5.0 * angle).sin() };
                let burst = if angle.sin().abs() > 0.8 { 1.0 } else { 0.25 };
                let tone = ripple * burst * (std::f64::consts::TAU * 22.1e3 * t).sin();
                let impulse = if i == 7313 || i == 14_800 { 0.7 } else { 0.0 };
                (t * 1e3, scale * (mains + tone + impulse + 0.02 * noise.next()))
            })
            .collect()
    };
    let cell = |place: &str, title: &str, styles: [Style; 2], scale: f64, ripple: f64, label: &str| {
        let mut panel =
            Panel::new(format!("{place}, {title}"), Axis::linear("Time, ms").over(0.0, 40.0), Axis::linear(label))
                .with(Series::new("as captured", styles[0], Shape::Line(samples(false, scale, ripple, 11))))
                .with(Series::new("after the high-pass", styles[1], Shape::Line(samples(true, scale, ripple, 11))));
        panel.phase = Some(PhaseAxis { label: "mains phase, °".into(), zero: 3.0, cycle: 20.0 });
        panel
    };
    let wire = [Style::WireBefore, Style::Wire];
    let air = [Style::AirBefore, Style::Air];
    Figure {
        conclusion: vec![
            "The dimmer's ripple comes in bursts around the crests of the mains, with the load on only.".into(),
        ],
        rows: vec![
            Row::new(vec![
                cell("Wire", "load off", wire, 1.0, 0.02, "Voltage, V"),
                cell("Wire", "load on", wire, 1.0, 0.22, "Voltage, V"),
            ]),
            Row::new(vec![
                cell("Air", "load off", air, 8.0, 0.01, "Voltage, mV"),
                cell("Air", "load on", air, 8.0, 0.1, "Voltage, mV"),
            ]),
        ],
        caption: caption(),
        ..Figure::new("Two mains cycles of wire and air")
    }
}

/// Levels by mains phase and frequency, wire above air: noise in bursts around the crests, a steady line, a gap.
fn phase_map() -> Figure {
    let map = |lines: &[(f64, f64)], floor: f64, seed: u64, range: (f64, f64)| {
        let mut noise = Noise(seed);
        let column = |k: u32| {
            let crest = (std::f64::consts::TAU * (f64::from(k) + 0.5) / 72.0).sin().powi(2);
            (2..=150)
                .map(|b| f64::from(b) * 1e3)
                .map(|f| level(f, lines, floor, &mut noise) + if f > 30e3 { 18.0 * crest } else { 0.0 })
                .collect()
        };
        LevelMap {
            x_edges: (0..=72).map(|k| 5.0 * f64::from(k)).collect(),
            y_edges: (2..=151).map(|b| f64::from(b) * 1e3 - 500.0).collect(),
            levels: (0..72).map(column).collect(),
            range,
            label: "Level, dB re 1 µV".into(),
        }
    };
    let panel = |title: &str, map| {
        let mut panel = Panel::new(title, Axis::turn("Mains phase, °"), frequency());
        panel.map = Some(map);
        Row::new(vec![panel])
    };
    Figure {
        conclusion: vec!["Above 30 kHz the noise swells at both crests.".into()],
        rows: vec![panel("Wire", map(WIRE, 62.0, 7, (30.0, 85.0))), panel("Air", map(AIR, 34.0, 8, (0.0, 60.0)))],
        caption: caption(),
        ..Figure::new("Where in the mains cycle does the noise sit?")
    }
}

pub(super) fn all() -> Vec<(&'static str, Figure)> {
    vec![
        ("spectrum", spectrum()),
        ("comparison", comparison()),
        ("bands", bands()),
        ("ranking", ranking()),
        ("waveform", waveform()),
        ("phase-map", phase_map()),
    ]
}

/// Writes a figure to the directory for temporary files, if the environment asks for it.
pub(super) fn save(name: &str, bytes: &[u8], words: &str) -> bool {
    let asked = std::env::var_os("LINEWAKE_SAMPLE_FIGURES").is_some();
    if asked {
        let path = std::env::temp_dir().join(format!("linewake-{name}"));
        std::fs::write(path.with_extension("png"), bytes).unwrap();
        std::fs::write(path.with_extension("svg"), words).unwrap();
    }
    asked
}

#[test]
fn sample_figures_come_out_whole() {
    for (name, figure) in all() {
        let start = std::time::Instant::now();
        let bytes = png(&figure, MADE_BY).unwrap();
        let taken = start.elapsed();
        let words = svg(&figure, MADE_BY).unwrap();
        if save(name, &bytes, &words) {
            println!(
                "{name}: {} kB in {taken:?}, SVG {} kB in {:?}",
                bytes.len() / 1000,
                words.len() / 1000,
                start.elapsed() - taken
            );
        }
        assert!(!words.contains("NaN") && !words.contains("inf"), "{name}");
    }
}
