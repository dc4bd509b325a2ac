//! What looks like a capture and is none: spectra, responses, envelopes.

use super::super::label::{Label, is_response_unit};
use super::super::preamble::Preamble;
use super::sight::Sight;
use crate::error::{Error, printable};
use crate::read::ReadOptions;

/// The refusal of what is no record in time, with the evidence.
pub(in crate::read::csv) fn refuse_spectrum(evidence: &str) -> Error {
    Error::input(format!("{evidence} means a spectrum or a response, not a capture in time"))
        .expected("samples over time")
        .remedy("export the waveform, not the spectrum")
}

/// Refuses what is no record in time; `time_below` says that a header with a time follows further down, so that
/// these rows may be a table of settings.
pub(super) fn refuse_spectra(
    sight: &Sight<'_>,
    preamble: &Preamble,
    options: &ReadOptions,
    time_below: bool,
) -> Result<(), Error> {
    let refuse = |evidence: String| Err(refuse_spectrum(&evidence));
    let unless_time = |evidence: String| {
        let remedy = "export the waveform, not the spectrum; a column that is time all the same is named by --time-column \
                      with --time-unit";
        Err(refuse_spectrum(&evidence).remedy(remedy))
    };
    let user_knows = options.time_column.is_some() && options.time_unit.is_some();
    if let Some(label) = sight.labels.iter().take(1).find(|label| label.is_frequency() && !user_knows) {
        return unless_time(format!("column \"{}\"", printable(&label.written)));
    }
    if let Some(label) = sight.labels.iter().find(|label| label.is_response()) {
        let unit = label.unit.as_deref().unwrap_or_default();
        return refuse(format!("column \"{}\" in {}", printable(&label.written), printable(unit)));
    }
    if let Some(unit) = preamble.units.iter().find(|unit| is_response_unit(unit)) {
        return refuse(format!("the vertical unit {}", printable(unit)));
    }
    if let Some(axis) = preamble.axis.as_ref().filter(|axis| axis.to_lowercase().ends_with("hz") && !user_knows) {
        return unless_time(format!("the horizontal unit {}", printable(axis)));
    }
    const TRANSFORMS: [&str; 5] = ["fft", "psd", "correlation", "quefrency", "cepstrum"];
    let transform = |label: &&Label| TRANSFORMS.iter().any(|word| label.name.to_lowercase().contains(word));
    if let Some(label) = sight.labels.iter().find(transform).filter(|_| !user_knows) {
        return unless_time(format!("column \"{}\"", printable(&label.written)));
    }
    let clocked = (0..sight.forms.len()).any(|at| sight.is_clock(at));
    let timeless = !sight.labels.iter().any(Label::is_time) && !clocked;
    if let Some(key) = preamble.spectral.as_ref().filter(|_| timeless && !user_knows) {
        return unless_time(format!("\"{}\" without a time column", printable(key)));
    }
    let frequency = sight.labels.iter().find(|label| label.is_frequency() && timeless && !user_knows);
    if let Some(label) = frequency {
        return unless_time(format!("column \"{}\" without a time column", printable(&label.written)));
    }
    let telling = ["magnitude", "phase", "dbm", "spectrum", "gain"];
    let label = sight.labels.iter().find(|l| telling.iter().any(|w| l.name.to_lowercase().contains(w)));
    match label.filter(|label| timeless && !time_below && !label.is_amplitude()) {
        Some(label) => refuse(format!("column \"{}\" without a time column", printable(&label.written))),
        None => Ok(()),
    }
}

/// Refuses rows that take turns between channels: a column without a name that runs 1, 2, 1, 2.
pub(super) fn refuse_turns(sight: &Sight<'_>) -> Result<(), Error> {
    const MOST_TURNS: usize = 16;
    let count = sight.labels.len();
    for at in (0..count.min(2)).filter(|&at| count > 1 && sight.labels[at].written.is_empty() && sight.is_whole(at)) {
        let values: Vec<f64> = sight.sample[at].iter().map(|printed| printed.value).collect();
        let Some(period) = (1..values.len()).find(|&row| values[row] <= values[0]) else { continue };
        let rises = values[..period].windows(2).all(|pair| (pair[1] - pair[0] - 1.0).abs() < 1e-9);
        let repeats = values.iter().zip(&values[period..]).all(|(one, other)| (one - other).abs() < 1e-9);
        let from = values[0].abs() < 1e-9 || (values[0] - 1.0).abs() < 1e-9;
        if (2..=MOST_TURNS).contains(&period) && values.len() >= 4 * period && rises && repeats && from {
            return Err(Error::input(format!(
                "the rows take turns: {} runs through {period} numbers again and again, as if it told the channel",
                sight.name(at)
            ))
            .expected("a column for each channel")
            .remedy("export the channels side by side, or leave the column out with --channels"));
        }
    }
    Ok(())
}

pub(super) fn refuse_pairs(sight: &Sight<'_>) -> Result<(), Error> {
    // The words, and whether the numbers must bear them out because they also occur as plain names.
    const WORDS: [(&str, &str, bool); 7] = [
        ("minimum", "maximum", false),
        ("minimalwert", "maximalwert", false),
        ("min", "max", false),
        ("lower", "upper", true),
        ("low", "high", true),
        ("lo", "hi", true),
        ("neg", "pos", true),
    ];
    let names: Vec<String> = sight.labels.iter().map(|label| label.name.to_lowercase()).collect();
    for (at, name) in names.iter().enumerate() {
        if name.ends_with("peak detect") || name.contains("envelope") {
            return Err(pairs(&[&sight.labels[at].written]));
        }
        for (low, high, uncertain) in WORDS {
            let parts: Vec<&str> = name.split(|c: char| !c.is_alphanumeric()).collect();
            let ends = name.ends_with(low) && !uncertain;
            if !parts.contains(&low) && !ends {
                continue;
            }
            let Some(place) = name.rfind(low) else { continue };
            let other = format!("{}{high}{}", &name[..place], &name[place + low.len()..]);
            let Some(above) = names.iter().position(|name| *name == other) else { continue };
            let never_below =
                sight.sample[at].iter().zip(&sight.sample[above]).all(|(low, high)| low.value <= high.value);
            if !uncertain || never_below {
                return Err(pairs(&[&sight.labels[at].written, &sight.labels[above].written]));
            }
        }
    }
    Ok(())
}

/// The refusal of minimum and maximum pairs that the names of columns give away.
fn pairs(columns: &[&str]) -> Error {
    let columns: Vec<String> = columns.iter().map(|name| format!("\"{}\"", printable(name))).collect();
    Error::input(format!(
        "holds pairs of minimum and maximum (peak detect), as {} shows, not samples: an envelope has no spectrum",
        columns.join(" beside ")
    ))
    .expected("one sample for each instant")
    .remedy("record again with peak detect off")
}
