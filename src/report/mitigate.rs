//! What a shunt filter would do, in sentences, tables, rows and a picture.

use super::columns::{Columns, number};
use super::figure::{Axis, Figure, Panel, Row, Series, Shape, Style};
use super::response::figures;
use super::sentences::{signed, signed_within};
use super::table::{Column, Table};
use crate::analysis::mitigate::{Agreement, BandPrediction, Kind, Loss, Mitigation, Predicted, Request, Stretch};
use crate::circuit::Impedance;
use crate::circuit::supply::{Origin, Place};
use crate::error::Error;
use crate::units::engineering;

fn hertz(value: f64) -> String {
    engineering(value, "Hz")
}

/// Decibels without a sign.
fn decibels(db: f64) -> String {
    format!("{:.1} dB", db.abs())
}

fn of_stretch(stretch: &Stretch) -> String {
    let (does, verb) = if stretch.amplifies { ("AMPLIFIES", "by up to") } else { ("attenuates", "by up to") };
    format!(
        "From {} to {} the filter {does}, {verb} {}, at {}.",
        hertz(stretch.low_hz),
        hertz(stretch.high_hz),
        decibels(stretch.most_db),
        hertz(stretch.most_hz)
    )
}

/// What it does over the range, what resonates, what it costs, and where prediction and measurement part.
pub fn sentences(found: &Mitigation) -> Vec<String> {
    let mut said: Vec<String> = found.stretches.iter().map(of_stretch).collect();
    if found.stretches.is_empty() {
        said.push("The filter hardly changes anything in this range.".into());
    }
    for resonance in &found.resonances {
        let at = hertz(resonance.frequency_hz);
        let change = if resonance.loss_db < 0.0 { "amplified by" } else { "attenuated by" };
        let db = decibels(resonance.loss_db);
        said.push(match resonance.kind {
            Kind::WithSupply => {
                format!("Resonance of the filter with the inductance of supply and line at {at}: noise there is {change} {db}.")
            }
            Kind::BetweenFilters => format!(
                "Resonance of the filters with one another, over the line between them, at {at}: noise there is {change} {db}."
            ),
            Kind::LargestLoss => format!("Largest loss at {at}: {change} {db}."),
            Kind::LeastLoss => format!("A dip of the loss at {at}: noise there is only {change} {db}."),
            Kind::WithOwnLeads => format!("Largest loss at {at}, where a filter resonates with its own leads: {change} {db}."),
        });
    }
    if let Some(mains) = found.mains {
        said.push(format!(
            "At mains frequency it draws {} and {} var.",
            engineering(mains.current_a, "A"),
            figures(mains.reactive_power_var)
        ));
    }
    if let Some(predicted) = &found.predicted {
        said.extend(of_prediction(predicted));
    }
    said
}

fn of_prediction(predicted: &Predicted) -> Vec<String> {
    let total = &predicted.total;
    let mut said = vec![format!(
        "Applied to the captures: {} in the whole range ({} dB, within {} to {} dB over the tolerances).",
        engineering(total.predicted_rms, predicted.unit.symbol()),
        signed(total.predicted_change_db),
        signed_within(total.predicted_interval_db[0], total.predicted_interval_db),
        signed_within(total.predicted_interval_db[1], total.predicted_interval_db),
    )];
    let judged: Vec<&BandPrediction> =
        predicted.bands.iter().filter(|band| band.agreement != Agreement::NotJudged).collect();
    if !judged.is_empty() {
        let differing: Vec<String> = judged
            .iter()
            .filter(|band| band.agreement == Agreement::Differs)
            .map(|band| band.band.to_string())
            .collect();
        said.push(match differing.as_slice() {
            [] => format!("Predicted and measured change agree in all {} bands that can be judged.", judged.len()),
            some => format!(
                "Predicted and measured change agree in {} of {} bands; they differ at {}: there the circuit is another one than \
                 assumed, the noise comes from elsewhere, or other noise covers what is left.",
                judged.len() - some.len(),
                judged.len(),
                if some.len() > 6 { format!("{} and {} more", some[..6].join(", "), some.len() - 6) } else { some.join(", ") }
            ),
        });
    }
    said
}

/// The circuit in words.
fn circuit(request: &Request) -> String {
    let impedance = |impedance: &Impedance| match impedance {
        Impedance::Series { ohm, henry, farad } => {
            let mut parts = vec![engineering(*ohm, "Ω")];
            parts.extend((*henry > 0.0).then(|| engineering(*henry, "H")));
            parts.extend(farad.map(|farad| engineering(farad, "F")));
            parts.join(" + ")
        }
        Impedance::Table(_) => "a measured table".to_owned(),
    };
    let supply = &request.supply;
    let filters = supply.capacitors.iter().map(|c| {
        let mut text = engineering(c.farad, "F");
        if c.esr_ohm > 0.0 || c.esl_henry > 0.0 {
            text += &format!(" ({}, {})", engineering(c.esr_ohm, "Ω"), engineering(c.esl_henry, "H"));
        }
        if supply.line_m > 0.0 { format!("{text} at {} m from the load", figures(c.at_m)) } else { text }
    });
    let mut filters: Vec<String> = filters.collect();
    if !supply.elements.is_empty() {
        filters.push(format!("a network of {} elements", supply.elements.len()));
    }
    let line = if supply.line_m > 0.0 { format!(", line of {} m", figures(supply.line_m)) } else { String::new() };
    format!(
        "{}; source {}, load {}{line}; noise from the {}, seen at the {}.",
        filters.join(", "),
        impedance(&supply.source),
        supply.load.as_ref().map_or("none".into(), impedance),
        match supply.origin {
            Origin::Line => "line",
            Origin::Load => "load",
        },
        match supply.place {
            Place::Load => "load",
            Place::Outlet => "outlet",
        }
    )
}

fn band_said(request: &Request) -> String {
    let t = &request.tolerances;
    let percent = |share: f64| figures(100.0 * share);
    format!(
        "The band holds 95 % of {} circuits drawn within: capacitances ±{} %, series resistance and leads ±{} %, source ±{} %, \
         load ±{} %, line ±{} %.",
        request.draws,
        percent(t.capacitor),
        percent(t.parasitic),
        percent(t.source),
        percent(t.load),
        percent(t.line)
    )
}

/// Loss at round frequencies, cost at the mains, placement, prediction.
pub fn tables(found: &Mitigation, request: &Request) -> Vec<Table> {
    let mut tables = vec![loss_table(found, request)];
    tables.extend(cost_table(found, request));
    tables.extend(placement_table(found, request));
    tables.extend(found.predicted.as_ref().map(prediction_table));
    tables
}

fn loss_table(found: &Mitigation, request: &Request) -> Table {
    let columns = vec![
        Column::number("frequency", ""),
        Column::number("insertion loss", "dB"),
        Column::number("within", "dB"),
        Column::text(""),
    ];
    let mut table = Table::new("Insertion loss; below zero the filter amplifies", columns);
    for loss in &found.shown {
        let word = match loss.interval_db {
            _ if loss.loss_db.abs() < 0.05 => "hardly acts",
            [_, high] if high < 0.0 => "amplifies",
            [low, _] if low > 0.0 => "attenuates",
            _ if loss.loss_db < 0.0 => "amplifies, perhaps not",
            _ => "attenuates, perhaps not",
        };
        let [low, high] = loss.interval_db.map(|db| format!("{db:+.2}").replace('-', "−"));
        table.rows.push(vec![
            hertz(loss.frequency_hz),
            format!("{:+.3}", loss.loss_db).replace('-', "−"),
            format!("{low} to {high}"),
            word.into(),
        ]);
    }
    table.notes = vec![circuit(request), band_said(request)];
    table
}

fn cost_table(found: &Mitigation, request: &Request) -> Option<Table> {
    let columns = vec![
        Column::number("capacitor", ""),
        Column::number("resonance", ""),
        Column::number("current", ""),
        Column::number("reactive power", "var"),
        Column::number("heat", ""),
        Column::number("discharge to 34 V", ""),
    ];
    let title = format!("At {} and {}", engineering(request.mains_v, "V"), hertz(request.mains_hz));
    let mut table = Table::new(title, columns);
    for row in &found.capacitors {
        table.rows.push(vec![
            engineering(row.capacitor.farad, "F"),
            row.resonance_hz.map_or("not known".into(), hertz),
            engineering(row.current_a, "A"),
            format!("{:.2}", row.reactive_power_var),
            engineering(row.dissipation_w, "W"),
            row.discharge_s.map_or("never".into(), |seconds| engineering(seconds, "s")),
        ]);
    }
    table.notes.push(
        "Resonance: 1/(2π√(LC)) with the inductance of source, line and leads as stated, each capacitor alone.".into(),
    );
    (!table.rows.is_empty()).then_some(table)
}

fn placement_table(found: &Mitigation, request: &Request) -> Option<Table> {
    let columns = vec![
        Column::number("frequency", ""),
        Column::number("at the load: seen there", "dB"),
        Column::number("seen at the outlet", "dB"),
        Column::number("at the outlet: seen at the load", "dB"),
        Column::number("seen there", "dB"),
    ];
    let title = format!("The filter at the load, or at the outlet {} m before it", figures(request.supply.line_m));
    let mut table = Table::new(title, columns);
    for row in &found.placements {
        let values = [row.at_load_db, row.at_outlet_db].into_iter().flatten().map(signed);
        table.rows.push([hertz(row.frequency_hz)].into_iter().chain(values).collect());
    }
    (!table.rows.is_empty()).then_some(table)
}

fn prediction_table(predicted: &Predicted) -> Table {
    let has_after = predicted.total.after_rms.is_some();
    let mut columns = vec![
        Column::number("band", "kHz"),
        Column::number("before", ""),
        Column::number("predicted", ""),
        Column::number("predicted change", "dB"),
        Column::number("within", "dB"),
    ];
    if has_after {
        columns.extend([
            Column::number("measured", ""),
            Column::number("measured change", "dB"),
            Column::number("95 %", "dB"),
            Column::text("predicted and measured"),
        ]);
    }
    let mut table = Table::new("Wire: predicted with the filter", columns);
    let unit = predicted.unit.symbol();
    for row in predicted.bands.iter().chain([&predicted.total]) {
        let mut cells = vec![
            row.band.to_string().trim_end_matches(" kHz").to_owned(),
            engineering(row.before_rms, unit),
            engineering(row.predicted_rms, unit),
            signed(row.predicted_change_db),
            super::sentences::ends(row.predicted_interval_db),
        ];
        if has_after {
            cells.extend([
                row.after_rms.map_or("none".into(), |rms| engineering(rms, unit)),
                row.change_db.map_or("none".into(), signed),
                row.ci95_db.map_or("none".into(), super::sentences::ends),
                row.agreement.words().into(),
            ]);
        }
        table.rows.push(cells);
    }
    table.notes.push("The last row is the whole range. The prediction takes all noise on the wire to come from where it was assumed.".into());
    table
}

/// What to mind, as a list.
pub fn cautions(found: &Mitigation) -> Vec<String> {
    let lines = found.cautions.iter().map(|caution| format!("- {caution}"));
    [String::new(), "Before anything is plugged in:".to_owned()].into_iter().chain(lines).collect()
}

/// The insertion loss over frequency, a row a frequency; then what it makes of the captures, a row a band and one for
/// the whole range.
///
/// # Errors
/// None but for a lack of memory.
pub fn columns(found: &Mitigation) -> Result<Vec<u8>, Error> {
    const OF_LOSS: usize = 4;
    const OF_BAND: usize = 13;
    let mut columns = Columns::of("mitigate")?;
    let row = |name: &str, loss: Vec<String>, band: Vec<String>| [vec![name.to_owned()], loss, band].concat();
    for loss in &found.losses {
        let values = [loss.frequency_hz, loss.loss_db, loss.interval_db[0], loss.interval_db[1]];
        columns.row(row("frequency", values.map(number).to_vec(), vec![String::new(); OF_BAND]))?;
    }
    if let Some(predicted) = &found.predicted {
        let band = |band: &BandPrediction| {
            let ends = band.ci95_db.map_or([None; 2], |ends| ends.map(Some));
            vec![
                number(band.band.low()),
                number(band.band.high()),
                predicted.unit.symbol().to_owned(),
                number(band.before_rms),
                number(band.predicted_rms),
                number(band.predicted_change_db),
                number(band.predicted_interval_db[0]),
                number(band.predicted_interval_db[1]),
                number(band.after_rms),
                number(band.change_db),
                number(ends[0]),
                number(ends[1]),
                band.agreement.words().to_owned(),
            ]
        };
        let bands = predicted.bands.iter().map(|each| ("band", each)).chain([("whole range", &predicted.total)]);
        for (name, each) in bands {
            columns.row(row(name, vec![String::new(); OF_LOSS], band(each)))?;
        }
    }
    columns.finish()
}

/// Insertion loss with its band; below it the wire before, as predicted, and as measured.
pub fn figure(found: &Mitigation, request: &Request) -> Figure {
    let ends = (found.losses[0].frequency_hz, found.losses[found.losses.len() - 1].frequency_hz);
    let mut rows = vec![Row::new(vec![loss_panel(&found.losses, ends)])];
    if let Some(predicted) = &found.predicted {
        rows.push(Row::new(vec![spectrum_panel(predicted, ends)]));
    }
    let mut conclusion: Vec<String> = found.stretches.iter().take(3).map(of_stretch).collect();
    conclusion.extend(found.predicted.as_ref().map(of_prediction).into_iter().flatten());
    Figure {
        conclusion,
        height: if rows.len() > 1 { 1100 } else { 760 },
        rows,
        caption: vec![
            circuit(request),
            band_said(request),
            "Across the line only capacitors of class X1 or X2; they carry mains current and stay charged. Qualified persons, local \
             codes first."
                .into(),
        ],
        ..Figure::new("What would the filter do?")
    }
}

fn loss_panel(losses: &[Loss], ends: (f64, f64)) -> Panel {
    let shade = losses.iter().map(|loss| (loss.frequency_hz, loss.interval_db[0], loss.interval_db[1])).collect();
    let line = losses.iter().map(|loss| (loss.frequency_hz, loss.loss_db)).collect();
    Panel::new(
        "Insertion loss: above zero the filter attenuates, below it amplifies",
        Axis::frequency(ends.0, ends.1),
        Axis::linear("Insertion loss, dB"),
    )
    .with(Series::new("parts within their tolerances", Style::Difference, Shape::Interval(shade)))
    .with(Series::unnamed(Style::Neutral, Shape::Level(0.0)))
    .with(Series::new("parts as stated", Style::Difference, Shape::Line(line)))
}

fn spectrum_panel(predicted: &Predicted, ends: (f64, f64)) -> Panel {
    let points = |levels: &[f64]| -> Vec<(f64, f64)> {
        predicted.frequency_hz.iter().copied().zip(levels.iter().copied()).collect()
    };
    let rows = || predicted.losses.iter().zip(&predicted.before_db);
    let line: Vec<(f64, f64)> = rows().map(|(loss, db)| (loss.frequency_hz, db - loss.loss_db)).collect();
    let shade = rows().map(|(loss, db)| (loss.frequency_hz, db - loss.interval_db[1], db - loss.interval_db[0]));
    let label = format!("Level, {}", predicted.unit.level_reference());
    let mut panel = Panel::new("Wire", Axis::frequency(ends.0, ends.1), Axis::linear(label))
        .with(Series::new("predicted, within the tolerances", Style::Difference, Shape::Interval(shade.collect())))
        .with(Series::new("before", Style::WireBefore, Shape::Line(points(&predicted.before_db))));
    if !predicted.after_db.is_empty() {
        panel = panel.with(Series::new(
            "measured with the filter",
            Style::WireAfter,
            Shape::Line(points(&predicted.after_db)),
        ));
    }
    panel.with(Series::new("predicted with the filter", Style::Difference, Shape::Line(line)))
}
