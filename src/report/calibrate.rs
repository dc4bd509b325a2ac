//! A calibration in sentences, tables, rows, a picture, and as the setup file with its tables that other commands take.

use std::collections::HashSet;

use super::columns::{Columns, number};
use super::document::made_by;
use super::figure::{Axis, Figure, Panel, Row, Series, Shape, Style};
use super::response::figures;
use super::sentences::short_name;
use super::table::{Column, Table};
use crate::analysis::calibrate::{
    Basis, Calibrated, ChannelCalibration, Crosstalk, Delay, Gain, Linearity, STATED_FACTOR, Step,
};
use crate::analysis::observe::Input;
use crate::capture::Role;
use crate::error::{Error, printable};
use crate::units::{Hertz, engineering};

/// What a setup made of a calibration does, and what it leaves.
pub const APPLIED: &str = "A setup made of this applies gain and, where there is one, phase to spectra, and carries the floor; linearity \
                           and crosstalk are reported only, and drift since the calibration is in no interval.";

fn decimals(value: f64, count: usize) -> String {
    let text = format!("{value:.count$}");
    // Rounding leaves no sign on nothing.
    if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') {
        return text.trim_start_matches('-').to_owned();
    }
    text.replace('-', "−")
}

/// An uncertainty in decibels: two digits, and never zero.
fn plus_minus(value: f64) -> String {
    if value > 0.0 && value < 0.001 { "< 0.001".into() } else { decimals(value, if value < 0.1 { 3 } else { 2 }) }
}

fn hertz(value: f64) -> String {
    Hertz::new(value).map_or_else(|_| "0 Hz".into(), |hertz| hertz.to_string())
}

fn capitalised(role: Role) -> &'static str {
    match role {
        Role::Wire => "Wire",
        Role::Air => "Air",
        Role::Other => "Other",
    }
}

/// The gain nearest to a frequency of the trade's usual tables.
fn shown(channel: &ChannelCalibration) -> Option<&Gain> {
    let far = |gain: &&Gain| (gain.frequency_hz / 20e3).ln().abs();
    channel.gains.iter().filter(|gain| gain.observations > 0).min_by(|a, b| far(a).total_cmp(&far(b)))
}

fn of_channel(channel: &ChannelCalibration) -> Vec<String> {
    let mut said = Vec::new();
    let place = capitalised(channel.role);
    if let (Some(gain), Some(basis)) = (shown(channel), channel.basis) {
        let steps = channel.gains.iter().filter(|gain| gain.observations > 0).count();
        let known = match (channel.covers(), basis) {
            (None, _) => "known there only".into(),
            (Some(range), Basis::Sines) => format!("known over {range} by {steps} steps"),
            (Some(range), Basis::Noise) => format!("known over {range} by {steps} bands of noise"),
        };
        let worst = channel.gains.iter().map(|gain| gain.budget.expanded).fold(0.0, f64::max);
        said.push(format!(
            "{place}: gain {} dB at {} (± {} dB at 95 %), {}; ± {} dB where it is known worst.",
            decimals(gain.gain_db, 2),
            engineering(gain.frequency_hz, "Hz"),
            plus_minus(gain.budget.expanded),
            known,
            plus_minus(worst)
        ));
    }
    for found in &channel.linearity {
        said.push(of_linearity(place, found));
    }
    if let Some((deviation, degrees)) = channel.repeatability_db {
        said.push(format!(
            "{place}: repeats of a step scatter by {} dB (standard deviation of one capture, {degrees:.0} degrees of freedom).",
            plus_minus(deviation)
        ));
    }
    if let Some(worst) = channel.against_noise {
        let word = if worst.difference_db.abs() <= worst.expanded_db { "agrees with" } else { "differs from" };
        said.push(format!(
            "{place}: noise {word} the steps; they are farthest apart at {}, by {} dB (± {} dB, all bands taken together).",
            engineering(worst.frequency_hz, "Hz"),
            decimals(worst.difference_db, 2),
            plus_minus(worst.expanded_db)
        ));
    }
    let far = |frequency: f64| (frequency / 20e3).ln().abs();
    let floor = channel.floor.iter().min_by(|a, b| far(a.frequency_hz).total_cmp(&far(b.frequency_hz)));
    if let Some(floor) = floor {
        said.push(format!(
            "{place}: floor {} near {}, at the recorder.",
            engineering(floor.density_v_per_sqrt_hz, "V/√Hz"),
            engineering(floor.frequency_hz, "Hz")
        ));
    }
    said
}

fn of_linearity(place: &str, found: &Linearity) -> String {
    let at = hertz(found.frequency_hz);
    match found.linear_up_to_v {
        None => format!(
            "{place}: linear within 0.1 dB up to the highest level, {} at {at}.",
            engineering(found.linear_through_v, "V")
        ),
        Some(end) => {
            let volts = |volts: f64| engineering(volts, "V");
            let between = match found.linear_up_to_interval_v {
                Some([Some(low), Some(high)]) => {
                    format!(
                        "{} at least and less than {}, about {} by interpolation,",
                        volts(low),
                        volts(high),
                        volts(end)
                    )
                }
                Some([None, Some(high)]) => format!("less than {}", volts(high)),
                _ => volts(end),
            };
            format!(
                "{place}: linear within 0.1 dB up to {between} at {at}; at the highest level the gain is {} dB off.",
                decimals(found.at_highest_db, 2)
            )
        }
    }
}

fn of_delay(found: &Calibrated, delay: &Delay) -> String {
    let written = |seconds: f64| engineering(seconds, "s");
    let carried = found.channels.iter().any(|channel| channel.gains.iter().any(|gain| gain.phase_deg.is_some()));
    if delay.explains {
        let later = if delay.delay_s < 0.0 { "earlier" } else { "later" };
        let ends =
            delay.ci95_s.map_or(String::new(), |[low, high]| format!(" (± {} at 95 %)", written(0.5 * (high - low))));
        let carried = if carried { ", and the chain carries it as a phase" } else { "" };
        return format!(
            "The air comes {}{ends} {later} than the wire; that explains the phases within {}°{carried}.",
            written(delay.delay_s.abs()),
            decimals(delay.left_deg, 1)
        );
    }
    let carried = if carried { "the chain carries them" } else { "the chain carries none" };
    match found.phases.as_slice() {
        [first, .., last] => format!(
            "The phase of the wire against the air goes from {}° at {} to {}° at {}; no delay explains that ({}° are left), and {carried}.",
            decimals(first.phase_deg, 1),
            hertz(first.frequency_hz),
            decimals(last.phase_deg, 1),
            hertz(last.frequency_hz),
            decimals(delay.left_deg, 1)
        ),
        _ => format!(
            "One phase between the channels: as a delay the air came {} later, but a single frequency does not tell.",
            written(delay.delay_s).replace('-', "−")
        ),
    }
}

fn of_crosstalk(rows: &[Crosstalk]) -> Option<String> {
    let worst = rows.iter().max_by(|a, b| a.crosstalk_db.total_cmp(&b.crosstalk_db))?;
    let to = if worst.from == Role::Wire { Role::Air } else { Role::Wire };
    let bound = if worst.is_bound { "below " } else { "" };
    Some(format!(
        "Crosstalk from {} to {}: {bound}{} dB at the most, at {} (both as recorded).",
        worst.from.name(),
        to.name(),
        decimals(worst.crosstalk_db, 1),
        hertz(worst.frequency_hz)
    ))
}

/// The conclusion, and what is applied of it.
pub fn sentences(found: &Calibrated) -> Vec<String> {
    let mut said: Vec<String> = found.channels.iter().flat_map(of_channel).collect();
    said.extend(found.delay.as_ref().map(|delay| of_delay(found, delay)));
    said.extend(of_crosstalk(&found.crosstalk));
    said.push(APPLIED.into());
    said
}

/// Gains, levels, crosstalk.
pub fn tables(found: &Calibrated) -> Vec<Table> {
    let mut tables: Vec<Table> = found.channels.iter().filter_map(gains).collect();
    tables.extend(found.channels.iter().filter_map(levels));
    tables.extend(crosstalk(&found.crosstalk));
    tables
}

fn part(gain: &Gain, number: usize) -> f64 {
    gain.budget.rows.get(number).map_or(0.0, crate::uncertainty::budget::Contribution::part)
}

fn gains(channel: &ChannelCalibration) -> Option<Table> {
    let columns = vec![
        Column::number("frequency", "kHz"),
        Column::number("captures", ""),
        Column::number("gain", "dB"),
        Column::number("± 95 %", "dB"),
        Column::number("scatter", "dB"),
        Column::number("generator", "dB"),
        Column::number("± above", "dB"),
        Column::number("phase", "°"),
    ];
    let about = if channel.about.is_empty() { String::new() } else { format!(" ({})", printable(&channel.about)) };
    let mut table = Table::new(format!("{}{about}: gain, recorder over input", capitalised(channel.role)), columns);
    let steps = channel.gains.chunk_by(|_, next| next.observations == 0).filter(|rows| rows[0].observations > 0);
    for (step, between) in steps.filter_map(<[Gain]>::split_first) {
        let above = between.iter().map(|gain| gain.budget.expanded).reduce(f64::max);
        table.rows.push(vec![
            figures(step.frequency_hz / 1e3),
            step.observations.to_string(),
            decimals(step.gain_db, 3),
            plus_minus(step.budget.expanded),
            plus_minus(part(step, 0)),
            plus_minus(part(step, 1)),
            above.map_or(String::new(), plus_minus),
            step.phase_deg.map_or(String::new(), |phase| decimals(phase, 1)),
        ]);
    }
    table.notes.push(
        "Scatter and generator are standard uncertainties; \"± above\" is the 95 % interval at its widest up to the next row."
            .into(),
    );
    (!table.rows.is_empty()).then_some(table)
}

fn levels(channel: &ChannelCalibration) -> Option<Table> {
    let columns = vec![Column::number("frequency", "kHz"), Column::number("level", ""), Column::number("gain", "dB")];
    let mut table = Table::new(format!("{}: gain over level", capitalised(channel.role)), columns);
    for found in &channel.linearity {
        for (level, gain) in &found.levels {
            table.rows.push(vec![figures(found.frequency_hz / 1e3), engineering(*level, "V"), decimals(*gain, 3)]);
        }
    }
    (!table.rows.is_empty()).then_some(table)
}

fn crosstalk(rows: &[Crosstalk]) -> Option<Table> {
    let columns = vec![Column::number("frequency", "kHz"), Column::text("from"), Column::number("crosstalk", "dB")];
    let mut table = Table::new("Crosstalk into the other channel, both as recorded", columns);
    for row in rows {
        let bound = if row.is_bound { "< " } else { "" };
        table.rows.push(vec![
            figures(row.frequency_hz / 1e3),
            row.from.name().into(),
            format!("{bound}{}", decimals(row.crosstalk_db, 1)),
        ]);
    }
    (!table.rows.is_empty()).then_some(table)
}

/// The gains, then the steps that they rest on, the floor, the phases and the crosstalk, a row each.
///
/// # Errors
/// None but for a lack of memory.
pub fn columns(found: &Calibrated) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("calibrate")?;
    let mut row = |part: &str, role: &str, frequency: f64, value: f64, unit: &str, more: [String; 4]| {
        let [half, phase, level, capture] = more;
        let head = [part.to_owned(), role.to_owned(), number(frequency), number(value), unit.to_owned()];
        columns.row(head.into_iter().chain([half, phase, level, capture]))
    };
    let none = String::new;
    for channel in &found.channels {
        let role = channel.role.name();
        for gain in &channel.gains {
            let part = if gain.observations > 0 { "gain" } else { "between_steps" };
            let more = [number(gain.budget.expanded), number(gain.phase_deg), none(), none()];
            row(part, role, gain.frequency_hz, gain.gain_db, "dB", more)?;
        }
        for floor in &channel.floor {
            let more = [none(), none(), none(), none()];
            row("floor", role, floor.frequency_hz, floor.density_v_per_sqrt_hz, "V/√Hz", more)?;
        }
    }
    for step in &found.steps {
        let part = if step.is_used { "capture" } else { "capture_left_out" };
        let more = [none(), none(), number(step.level_v), step.capture.clone()];
        row(part, step.role.name(), step.frequency_hz, step.gain_db, "dB", more)?;
    }
    for phase in &found.phases {
        let more = [number(phase.expanded_deg), number(phase.phase_deg), none(), phase.capture.clone()];
        row("phase", "wire", phase.frequency_hz, phase.phase_deg, "°", more)?;
    }
    for crosstalk in &found.crosstalk {
        let part = if crosstalk.is_bound { "crosstalk_below" } else { "crosstalk" };
        let more = [none(), none(), none(), crosstalk.capture.clone()];
        row(part, crosstalk.from.name(), crosstalk.frequency_hz, crosstalk.crosstalk_db, "dB", more)?;
    }
    columns.finish()
}

fn style(role: Role) -> Style {
    if role == Role::Air { Style::Air } else { Style::Wire }
}

/// Gain, floor, what is left about the gain, phase.
pub fn figure(found: &Calibrated) -> Figure {
    let frequencies = found.channels.iter().flat_map(|channel| channel.gains.iter().map(|gain| gain.frequency_hz));
    let floors = found.channels.iter().flat_map(|channel| channel.floor.iter().map(|row| row.frequency_hz));
    let covered = |low: f64, high: f64| Axis::frequency(low / 1.1, high * 1.1);
    let (low, high) = ends(frequencies).or_else(|| ends(floors)).unwrap_or((2e3, 150e3));
    let axis = || covered(low, high);
    let has_gain = found.channels.iter().any(|channel| !channel.gains.is_empty());
    let mut top = Vec::new();
    let mut bottom = Vec::new();
    if has_gain {
        top.push(gain_panel(found, axis()));
        bottom.push(about_panel(found, axis()));
    }
    if found.channels.iter().any(|channel| !channel.floor.is_empty()) {
        top.push(floor_panel(found, axis(), low, high));
    }
    if found.channels.iter().any(|channel| channel.gains.iter().any(|gain| gain.phase_deg.is_some()))
        || !found.phases.is_empty()
    {
        bottom.push(phase_panel(found, axis()));
    }
    let rows = [top, bottom].into_iter().filter(|panels| !panels.is_empty()).map(Row::new).collect();
    let of_channels = found.channels.iter().filter_map(|channel| of_channel(channel).into_iter().next());
    let between =
        found.delay.as_ref().map(|delay| of_delay(found, delay)).into_iter().chain(of_crosstalk(&found.crosstalk));
    Figure {
        conclusion: of_channels.chain(between).collect(),
        rows,
        caption: vec![
            format!(
                "Crosses are single captures, lines the gain that a setup carries, shades its 95 % interval. File {}.",
                short_name(&found.path)
            ),
            APPLIED.into(),
        ],
        height: 1050,
        ..Figure::new("Which measuring chain do these known signals show?")
    }
}

fn ends(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |ends: Option<(f64, f64)>, value| {
        Some(ends.map_or((value, value), |(low, high)| (low.min(value), high.max(value))))
    })
}

fn with_gain(channel: &&ChannelCalibration) -> bool {
    !channel.gains.is_empty()
}

fn steps_of(found: &Calibrated, role: Role) -> impl Iterator<Item = &Step> {
    found.steps.iter().filter(move |step| step.role == role)
}

fn gain_panel(found: &Calibrated, axis: Axis) -> Panel {
    let mut panel = Panel::new("Gain", axis, Axis::linear("Gain, recorder over input, dB"));
    for channel in found.channels.iter().filter(with_gain) {
        let shade = channel.gains.iter().map(|gain| {
            let half = gain.budget.expanded;
            (gain.frequency_hz, gain.gain_db - half, gain.gain_db + half)
        });
        let line = channel.gains.iter().map(|gain| (gain.frequency_hz, gain.gain_db)).collect();
        let points: Vec<(f64, f64)> =
            steps_of(found, channel.role).map(|step| (step.frequency_hz, step.gain_db)).collect();
        panel = panel.with(Series::unnamed(style(channel.role), Shape::Interval(shade.collect())));
        panel = panel.with(Series::new(channel.role.name(), style(channel.role), Shape::Line(line)));
        if !points.is_empty() {
            panel = panel.with(Series::unnamed(Style::Difference, Shape::Points(points)));
        }
    }
    panel
}

/// What single captures leave about the gain, with its interval.
fn about_panel(found: &Calibrated, axis: Axis) -> Panel {
    let mut panel =
        Panel::new("About the gain: its interval, and single captures", axis, Axis::linear("Difference, dB"));
    for channel in found.channels.iter().filter(with_gain) {
        let half = |gain: &Gain| (gain.frequency_hz, -gain.budget.expanded, gain.budget.expanded);
        let edges = |sign: f64| channel.gains.iter().map(|g| (g.frequency_hz, sign * g.budget.expanded)).collect();
        let label = format!("± 95 %, {}", channel.role.name());
        panel =
            panel.with(Series::unnamed(style(channel.role), Shape::Interval(channel.gains.iter().map(half).collect())));
        panel = panel.with(Series::new(label, style(channel.role), Shape::Line(edges(1.0))));
        panel = panel.with(Series::unnamed(style(channel.role), Shape::Line(edges(-1.0))));
        let left = steps_of(found, channel.role).filter(|step| step.is_used).filter_map(|step| {
            let own = channel.gains.iter().filter(|gain| gain.observations > 0);
            let near = own.min_by(|a, b| {
                let far = |gain: &&Gain| (gain.frequency_hz / step.frequency_hz).ln().abs();
                far(a).total_cmp(&far(b))
            })?;
            Some((step.frequency_hz, step.gain_db - near.gain_db))
        });
        let left: Vec<(f64, f64)> = left.collect();
        if !left.is_empty() {
            panel = panel.with(Series::unnamed(Style::Difference, Shape::Points(left)));
        }
    }
    panel
}

fn floor_panel(found: &Calibrated, axis: Axis, low: f64, high: f64) -> Panel {
    let mut panel = Panel::new("Floor at the recorder, input shorted", axis, Axis::linear("Density, dB re 1 µV/√Hz"));
    for channel in found.channels.iter().filter(|channel| !channel.floor.is_empty()) {
        let rows = channel.floor.iter().filter(|row| (low / 1.1..=high * 1.1).contains(&row.frequency_hz));
        let line = rows.map(|row| (row.frequency_hz, 20.0 * row.density_v_per_sqrt_hz.log10() + 120.0)).collect();
        panel = panel.with(Series::new(channel.role.name(), style(channel.role), Shape::Line(line)));
    }
    panel
}

fn phase_panel(found: &Calibrated, axis: Axis) -> Panel {
    let mut panel = Panel::new("Phase of the wire against the air", axis, Axis::linear("Phase, °"));
    for channel in &found.channels {
        let known = channel.gains.iter().filter_map(|gain| Some((gain.frequency_hz, gain.phase_deg?)));
        let line: Vec<(f64, f64)> = known.collect();
        if !line.is_empty() {
            panel = panel.with(Series::new("carried by the chain", style(channel.role), Shape::Line(line)));
        }
    }
    let points = found.phases.iter().map(|phase| (phase.frequency_hz, phase.phase_deg)).collect();
    panel.with(Series::unnamed(Style::Difference, Shape::Points(points)))
}

/// The setup that a calibration makes, and its tables: names and texts.
///
/// # Errors
/// A calibration that knows no gain over a range of frequencies.
pub fn setup_files(found: &Calibrated, inputs: &[Input], stem: &str) -> Result<Vec<(String, String)>, Error> {
    let chains: Vec<&ChannelCalibration> = found.channels.iter().filter(|channel| channel.covers().is_some()).collect();
    if chains.is_empty() {
        return Err(Error::input("no channel has a gain at two frequencies or more, so there is no chain to write")
            .in_file(found.path.clone())
            .expected("sines, combs or noise over the range of the job")
            .remedy("feed more frequencies; --json and -o FILE.csv hold what there is"));
    }
    let maker = made_by("calibrate");
    let mut files = vec![(format!("{stem}.toml"), setup_text(found, &chains, inputs, stem))];
    for channel in chains {
        let role = channel.role.name();
        let has_phase = channel.gains.iter().all(|gain| gain.phase_deg.is_some());
        let phase = if has_phase { ",phase_deg" } else { "" };
        let mut text = format!(
            "# {maker}\n# Gain of the {role}, recorder over input; the uncertainty is the half-width of a 95 % interval.\n\
             frequency_hz,gain_db{phase},uncertainty_db\n"
        );
        for gain in &channel.gains {
            let phase = gain.phase_deg.filter(|_| has_phase).map_or(String::new(), |phase| format!(",{phase}"));
            text.push_str(&format!("{},{}{phase},{}\n", gain.frequency_hz, gain.gain_db, gain.budget.expanded));
        }
        files.push((format!("{stem}-{role}-gain.csv"), text));
        if channel.floor.len() > 1 {
            let mut text = format!(
                "# {maker}\n# Noise of the {role} at the recorder with the input shorted.\nfrequency_hz,noise_v_per_sqrt_hz\n"
            );
            for row in &channel.floor {
                text.push_str(&format!("{},{:e}\n", row.frequency_hz, row.density_v_per_sqrt_hz));
            }
            files.push((format!("{stem}-{role}-noise.csv"), text));
        }
    }
    Ok(files)
}

/// Text as TOML has it between quotes.
fn quoted(text: &str) -> String {
    let safe: String = text.chars().map(|c| if c.is_control() { '?' } else { c }).collect();
    format!("\"{}\"", safe.replace('\\', "\\\\").replace('"', "\\\""))
}

fn setup_text(found: &Calibrated, chains: &[&ChannelCalibration], inputs: &[Input], stem: &str) -> String {
    let mut text = format!("# {}\n", made_by("calibrate"));
    let mut lines = vec![
        format!("A measuring chain out of captures of known signals, by {}.", printable(&found.path)),
        String::new(),
    ];
    lines.extend(sentences(found));
    lines.push(String::new());
    lines.push("Captures (SHA-256, name):".into());
    lines.extend(
        inputs
            .iter()
            .map(|input| format!("  {}  {}", input.sha256.as_deref().unwrap_or("not taken"), printable(&input.path))),
    );
    for line in lines {
        let line = line.replace(['\n', '\r'], " ");
        text.push_str(format!("# {line}").trim_end());
        text.push('\n');
    }
    for channel in chains {
        let role = channel.role.name();
        let about = if channel.about.is_empty() { &found.about } else { &channel.about };
        text.push_str(&format!("\n[{role}]\n"));
        if !about.is_empty() {
            text.push_str(&format!("about = {}\n", quoted(about)));
        }
        if let Some(port) = channel.port {
            text.push_str(&format!("port = \"{}\"\n", port.word()));
        }
        if channel.role == Role::Air {
            text.push_str(
                "# An antenna's own factor goes before the part: parts = [\"antenna\", \"air-calibrated\"].\n",
            );
        }
        text.push_str(&format!("parts = [\"{role}-calibrated\"]\n"));
        if channel.floor.len() > 1 {
            let name = quoted(&format!("{stem}-{role}-noise.csv"));
            text.push_str(&format!("\n[{role}.recorder]\nnoise = {name}\nnote = \"input shorted, by calibrate\"\n"));
        }
        let own: HashSet<&str> =
            found.steps.iter().filter(|step| step.role == channel.role).map(|step| step.capture.as_str()).collect();
        let basis = match (channel.basis, own.len()) {
            (Some(Basis::Noise), _) => "white noise".to_owned(),
            (_, 1) => "the sines of a capture".to_owned(),
            (_, count) => format!("sines, {count} captures"),
        };
        text.push_str(&format!(
            "\n[part.{role}-calibrated]\nkind = \"response\"\ntable = {}\ndistribution = \"normal\"\n\
             coverage_factor = {STATED_FACTOR}\nnote = {}\n",
            quoted(&format!("{stem}-{role}-gain.csv")),
            quoted(&format!("measured with {basis}, by calibrate"))
        ));
    }
    text
}
