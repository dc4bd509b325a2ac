//! What the filter changes of a load's own noise, on the invented studio, whose filter acts on the line as well.

use linewake::analysis::compare::{Off, Order, what_changed_of_the_load};
use linewake::analysis::settings::Settings;
use linewake::capture::Role;
use linewake::measure::bands::Scheme;
use linewake::read::{Bytes, Source};
use linewake::survey::studio::{CaptureSpec, LOADS, Load, State, Studio, shunt_gain};

fn captures(studio: &Studio, load: Option<&'static Load>, state: State) -> Vec<Source> {
    let capture = |replicate| {
        let spec = CaptureSpec { load, state, replicate };
        Source::new(Bytes::new(spec.file_name(), studio.csv(&spec)))
    };
    (1..=3).map(capture).collect()
}

/// The filter's gain at the main emission is built in: the scene computes it from the circuit of the shunt and applies
/// it to the emission, so it is known without measuring anything.
#[test]
fn captures_with_the_load_off_on_both_sides_of_the_filter_tell_the_load_apart() {
    let studio = Studio::new(5);
    let (off, off_after) = (captures(&studio, None, State::Background), captures(&studio, None, State::OnWithFilter));
    for load in &LOADS {
        let (before, after) =
            (captures(&studio, Some(load), State::On), captures(&studio, Some(load), State::OnWithFilter));
        let off = Off { before: &off, after: &off_after };
        let (_, found) =
            what_changed_of_the_load(off, &before, &after, &Settings::default(), &Scheme::Wide, Order::Apart).unwrap();
        assert!(found.off_after.is_some() && found.warnings.iter().all(|w| w.finding.code != "line_taken_as_constant"));
        let wire = found.channels.iter().find(|channel| channel.role == Role::Wire).unwrap();
        let bands = &wire.load.as_ref().unwrap().bands;
        let row = bands.iter().find(|row| row.before.band.contains(load.main_hz)).unwrap();
        let built_in = 20.0 * shunt_gain(load.main_hz).log10();
        let [low, high] = row.ci95_db.unwrap();
        // 0.1 dB for what else the load has in the band: sidebands, of which each has its own gain.
        assert!(low - 0.1 <= built_in && built_in <= high + 0.1, "{}: {built_in} not in {low} to {high}", load.name);
    }
}
