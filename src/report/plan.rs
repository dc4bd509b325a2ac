//! A plan of captures in sentences, tables, rows and as a checklist.

use super::columns::{Columns, number};
use super::table::{Column, Table};
use crate::analysis::plan::{Checked, Plan};
use crate::error::Error;
use crate::units::engineering;

fn bytes(count: f64) -> String {
    engineering(count, "B")
}

/// What the plan comes to.
pub fn sentences(plan: &Plan) -> Vec<String> {
    let mut said = vec![format!(
        "Sample at {} for {} on a range of {} a division, {} captures of each of {} states.",
        engineering(plan.sample_rate_hz, "S/s"),
        engineering(plan.record_s, "s"),
        engineering(plan.volts_per_division, "V"),
        plan.rounds,
        plan.order.len()
    )];
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

/// How many captures keep to the plan, and which do not, in what.
pub fn of_checked(captures: &[Checked]) -> String {
    let count = captures.len();
    let failed: Vec<String> = captures
        .iter()
        .filter(|capture| !capture.is_met())
        .map(|capture| {
            let points = capture.points.iter().filter(|point| !point.met).map(|point| point.what.as_str());
            format!("{} ({})", crate::error::printable(&capture.path), points.collect::<Vec<_>>().join("; "))
        })
        .collect();
    match (failed.is_empty(), count) {
        (true, 1) => "The capture keeps to the plan.".to_owned(),
        (true, _) => format!("All {count} captures keep to the plan."),
        (false, _) => format!("{} of {count} captures do not keep to the plan: {}.", failed.len(), failed.join(", ")),
    }
}

/// Captures held against the plan.
pub fn checked(capture: &Checked) -> Table {
    let columns = vec![Column::text("what"), Column::text("planned"), Column::text("found"), Column::text("")];
    let mut table = Table::new(format!("{} against the plan", crate::error::printable(&capture.path)), columns);
    table.rows = capture
        .points
        .iter()
        .map(|point| {
            let word = if point.met { "will do" } else { "DOES NOT DO" };
            vec![point.what.clone(), point.planned.clone(), point.found.clone(), word.into()]
        })
        .collect();
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
