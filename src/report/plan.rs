//! A plan of captures in sentences, tables, rows and as a checklist.

use super::columns::{Columns, number};
use super::table::{Column, Table};
use crate::analysis::plan::{Checked, CheckedPoint, Plan};
use crate::error::{Error, Severity, printable};
use crate::units::engineering;

fn bytes(count: f64) -> String {
    engineering(count, "B")
}

/// What the plan comes to.
pub fn sentences(plan: &Plan) -> Vec<String> {
    // What cannot be done at all comes first.
    let mut said: Vec<String> = plan
        .conflicts
        .iter()
        .filter(|conflict| conflict.severity == Severity::Unfit)
        .map(|conflict| format!("This cannot be done so: {}", conflict.message))
        .collect();
    said.push(format!(
        "Sample at {} for {} on a range of {} a division, {} captures of each of {} states.",
        engineering(plan.sample_rate_hz, "S/s"),
        engineering(plan.record_s, "s"),
        engineering(plan.volts_per_division, "V"),
        plan.rounds,
        plan.order.len()
    ));
    if plan.conflicts.iter().any(|conflict| conflict.code == "floor_too_high") {
        said.push(format!(
            "The recorder's own floor of {:.1} dBµV hides what is to be shown, {:.1} dBµV; what follows holds for noise well above \
             the floor.",
            plan.floor_db, plan.smallest_db
        ));
    }
    if let Some(db) = plan.smallest_difference_db {
        said.push(format!(
            "A rise of {db:.2} dB of noise in a band as narrow as {} will be shown with a probability of 80 % (5 % over all {} rows \
             of a table).",
            plan.narrowest,
            plan.bands + 1
        ));
    }
    said
}

/// The figures of the plan: name, value, unit, and how they read.
fn figures(plan: &Plan) -> Vec<(&'static str, Option<f64>, &'static str, String)> {
    let difference = plan.smallest_difference_db;
    vec![
        ("sample rate", Some(plan.sample_rate_hz), "Hz", engineering(plan.sample_rate_hz, "S/s")),
        ("record length", Some(plan.record_s), "s", engineering(plan.record_s, "s")),
        ("samples of a channel", Some(plan.samples), "", format!("{:.0}", plan.samples)),
        ("full scale", Some(plan.full_scale_v), "V", engineering(plan.full_scale_v, "V")),
        ("range for a division", Some(plan.volts_per_division), "V", engineering(plan.volts_per_division, "V")),
        ("noise bandwidth", Some(plan.enbw_hz), "Hz", engineering(plan.enbw_hz, "Hz")),
        (
            "expected floor on the line",
            Some(plan.floor_db),
            "dBµV",
            format!("{:.1} dBµV", plan.floor_db).replace('-', "−"),
        ),
        (
            "smallest level to show",
            Some(plan.smallest_db),
            "dBµV",
            format!("{:.1} dBµV", plan.smallest_db).replace('-', "−"),
        ),
        ("smallest rise shown", difference, "dB", difference.map_or("none".into(), |db| format!("{db:.2} dB"))),
        ("all captures as text", Some(plan.text_bytes), "B", bytes(plan.text_bytes)),
        ("all captures in binary", Some(plan.binary_bytes), "B", bytes(plan.binary_bytes)),
    ]
}

/// The plan as a table.
pub fn table(plan: &Plan) -> Table {
    let mut table = Table::new("The plan", vec![Column::text("what"), Column::number("value", "")]);
    table.rows = figures(plan).into_iter().map(|(what, _, _, text)| vec![what.to_owned(), text]).collect();
    let quasi_peak = if plan.quasi_peak_possible { "possible" } else { "not possible with this record" };
    table.rows.push(vec!["quasi-peak readings".into(), quasi_peak.into()]);
    table.notes.push(
        "The floor is that of the converter's steps (q/√12, spread up to half the rate); amplifiers add theirs.".into(),
    );
    table
}

/// The checklist, a line for each box to tick.
pub fn checklist(plan: &Plan) -> Vec<String> {
    [String::new(), "Checklist".to_owned()]
        .into_iter()
        .chain(plan.checklist.iter().map(|item| format!("[ ] {item}")))
        .collect()
}

/// So many captures that do not keep to the plan are named in the sentence; of more, the points are counted.
const MOST_NAMED: usize = 3;

/// How many captures keep to the plan, and which do not, in what.
pub fn of_checked(captures: &[Checked]) -> String {
    let count = captures.len();
    let failed: Vec<&Checked> = captures.iter().filter(|capture| !capture.is_met()).collect();
    if failed.is_empty() {
        return match count {
            1 => "The capture keeps to the plan.".to_owned(),
            _ => format!("All {count} captures keep to the plan."),
        };
    }
    let in_what: Vec<String> = if failed.len() <= MOST_NAMED {
        failed.iter().map(|capture| format!("{} ({})", printable(&capture.path), missed(capture).join("; "))).collect()
    } else {
        let missed: Vec<&str> = failed.iter().flat_map(|capture| missed(capture)).collect();
        let times = |point: &str| missed.iter().filter(|other| **other == point).count();
        distinct(missed.iter().copied())
            .into_iter()
            .map(|point| format!("{point} ({} captures)", times(point)))
            .collect()
    };
    format!("{} of {count} captures do not keep to the plan: {}.", failed.len(), in_what.join(", "))
}

/// The points of the plan that a capture does not keep to.
fn missed(capture: &Checked) -> Vec<&str> {
    capture.points.iter().filter(|point| !point.met).map(|point| point.what.as_str()).collect()
}

/// Each once, in the order in which they come first.
fn distinct<'a>(words: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    words.fold(Vec::new(), |mut found, word| {
        if !found.contains(&word) {
            found.push(word);
        }
        found
    })
}

/// Captures held against the plan: of one a row a point, of more a row a capture.
pub fn checked(captures: &[Checked]) -> Table {
    let word = |met: bool| if met { "will do" } else { "DOES NOT DO" }.to_owned();
    let [capture] = captures else { return checked_together(captures) };
    let columns = vec![Column::text("what"), Column::text("planned"), Column::text("found"), Column::text("")];
    let mut table = Table::new(format!("{} against the plan", printable(&capture.path)), columns);
    let row =
        |point: &CheckedPoint| vec![point.what.clone(), point.planned.clone(), point.found.clone(), word(point.met)];
    table.rows = capture.points.iter().map(row).collect();
    table
}

fn checked_together(captures: &[Checked]) -> Table {
    let whats = distinct(captures.iter().flat_map(|capture| &capture.points).map(|point| point.what.as_str()));
    let ends = |first, last| {
        [Column::text(first)].into_iter().chain(whats.iter().map(|w| Column::text(*w))).chain([Column::text(last)])
    };
    let mut table = Table::new("Captures against the plan", ends("capture", "").collect());
    let cells = |capture: &Checked, text: &dyn Fn(&CheckedPoint) -> String| -> Vec<String> {
        let cell = |what: &&str| capture.points.iter().find(|point| point.what == *what).map_or_else(String::new, text);
        whats.iter().map(cell).collect()
    };
    let row = |name: String, cells: Vec<String>, verdict: String| [vec![name], cells, vec![verdict]].concat();
    let planned = |first: &Checked| row("planned".into(), cells(first, &|point| point.planned.clone()), String::new());
    table.rows.extend(captures.first().map(planned));
    table.rows.extend(captures.iter().map(|capture| {
        let verdict =
            if capture.is_met() { "will do".into() } else { format!("DOES NOT DO: {}", missed(capture).join("; ")) };
        row(printable(&capture.path), cells(capture, &|point| point.found.clone()), verdict)
    }));
    table
}

/// The figures as rows.
///
/// # Errors
/// None but for a lack of memory.
pub fn columns(plan: &Plan) -> Result<Vec<u8>, Error> {
    let mut columns = Columns::of("plan")?;
    for (what, value, unit, _) in figures(plan) {
        columns.row([what.to_owned(), number(value), unit.to_owned()])?;
    }
    columns.finish()
}
