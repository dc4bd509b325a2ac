//! Pictures of usual mistakes: one channel taken well and taken badly.

use super::figure::{Axis, Figure, Panel, Row, Series, Shape, Style};
use crate::analysis::observe::{Wants, observe_recording};
use crate::analysis::settings::Settings;
use crate::analysis::spectrum::{CaptureSpectrum, of_observed};
use crate::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
use crate::error::Error;
use crate::survey::studio::Studio;
use crate::survey::studio::mistakes::{Mistake, Taken};
use crate::units::Hertz;

/// Samples in a block; any number gives the same result.
const BLOCK: usize = 1 << 15;

/// The spectrum of the channel that shows the mistake, taken well and taken badly, computed as for any capture.
///
/// # Errors
/// Whatever the analysis says of the samples.
pub fn picture(mistake: Mistake, studio: &Studio) -> Result<Figure, Error> {
    let settings = Settings::default();
    let [well, badly] = mistake.taken(studio).map(|taken| spectrum(taken, &settings));
    let (well, badly) = (well?, badly?);
    let (first, second) = mistake.names();
    let (before, after) = match mistake.role() {
        Role::Air => (Style::AirBefore, Style::AirAfter),
        _ => (Style::WireBefore, Style::WireAfter),
    };
    let title = if mistake.role() == Role::Air { "Air" } else { "Wire" };
    let range = settings.range;
    let panel = Panel::new(title, Axis::frequency(range.low(), range.high()), Axis::linear("Level, dBµV"))
        .with(Series::new(second, after, line(&badly, mistake.role())))
        .with(Series::new(first, before, line(&well, mistake.role())));
    Ok(Figure {
        conclusion: vec![mistake.sentence().to_owned()],
        rows: vec![Row::new(vec![panel])],
        caption: vec![format!(
            "Invented captures; noise bandwidth {:.0} Hz, window {}.",
            well.analysis.enbw_hz, settings.window
        )],
        height: 600,
        ..Figure::new(format!("A usual mistake: {}", mistake.slug().replace('-', " ")))
    })
}

fn spectrum(taken: Taken, settings: &Settings) -> Result<CaptureSpectrum, Error> {
    let clock =
        Clock { rate: Hertz::new(taken.rate_hz)?, source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let channel = |name: &str, role| Channel { name: name.into(), quantity: Quantity::Unit("V".into()), role };
    let [wire, air] = taken.channels;
    let channels = vec![(channel("wire", Role::Wire), wire), (channel("air", Role::Air), air)];
    let recording = Memory::new("invented", clock, channels, BLOCK)?;
    Ok(of_observed(&observe_recording(Box::new(recording), settings, Wants::default())?))
}

fn line(spectrum: &CaptureSpectrum, role: Role) -> Shape {
    let channel = spectrum.channels.iter().find(|channel| channel.role == role);
    let points = channel.map(|channel| {
        channel.frequency_hz.iter().copied().zip(channel.level_db.iter().map(|level| level.get())).collect()
    });
    Shape::Line(points.unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level_at(figure: &Figure, series: usize, frequency_hz: f64) -> f64 {
        let Shape::Line(points) = &figure.rows[0].panels[0].series[series].shape else { panic!("a line") };
        points
            .iter()
            .filter(|point| (point.0 - frequency_hz).abs() < 300.0)
            .fold(-200.0, |high, point| high.max(point.1))
    }

    #[test]
    fn every_mistake_shows_what_its_sentence_says() {
        let studio = Studio::new(1);
        let figure = |mistake| picture(mistake, &studio).unwrap();
        // Folding: f − f_s, Oppenheim and Schafer, Discrete-Time Signal Processing, the sampling theorem.
        let aliased = figure(Mistake::Aliased);
        assert!(level_at(&aliased, 0, 57e3) > level_at(&aliased, 1, 57e3) + 20.0);
        // The wire at 16 kHz and below is hardly in the air; the loop brings 0.3 of it, which is −10.5 dB.
        let looped = figure(Mistake::GroundLoop);
        assert!(level_at(&looped, 0, 20e3) > level_at(&looped, 1, 20e3) + 6.0);
        for (mistake, quiet) in [(Mistake::Clipped, 50.5e3), (Mistake::Coarse, 100e3)] {
            let spoiled = figure(mistake);
            assert!(level_at(&spoiled, 0, quiet) > level_at(&spoiled, 1, quiet) + 10.0, "{mistake:?}");
        }
        let without = figure(Mistake::NoBackground);
        assert!(level_at(&without, 0, 68e3) > level_at(&without, 1, 68e3) + 20.0);
    }
}
