//! Scenes with lines of known frequency and level in noise of known density, and how well a search finds them.

use linewake::dsp::segment::segment_length;
use linewake::dsp::window::Window;
use linewake::measure::emissions::{Criteria, Gathering, fine_length, search};
use linewake::synth::{Random, Source, Tone, WhiteNoise};
use linewake::units::{Band, Hertz};

/// How a scene is made.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scene {
    /// The sampling rate.
    pub(crate) rate_hz: f64,
    /// The length of the record.
    pub(crate) seconds: f64,
    /// The resolution bandwidth of the search.
    pub(crate) resolution_hz: f64,
    /// The levels over the floor in that bandwidth, drawn evenly between both.
    pub(crate) over_floor_db: (f64, f64),
}

/// What came of a number of scenes.
#[derive(Debug, Clone, Default)]
pub(crate) struct Score {
    /// How many lines were built in.
    pub(crate) built_in: usize,
    /// How many of them were found.
    pub(crate) found: usize,
    /// How many emissions were reported where none is.
    pub(crate) false_finds: usize,
    /// Where these are: frequency in hertz, level over the nearest line in decibels, distance from it in bandwidths.
    pub(crate) false_places: Vec<(f64, f64, f64)>,
    /// Frequency found less built in over the resolution, of each line found.
    pub(crate) frequency_errors: Vec<f64>,
    /// Level found less built in in decibels, of each line found.
    pub(crate) level_errors: Vec<f64>,
    /// How many level intervals hold the level built in.
    pub(crate) level_covered: usize,
    /// How many frequency intervals hold the frequency built in.
    pub(crate) frequency_covered: usize,
    /// The least scatter of the level in decibels that noise allows anybody, of each line found.
    pub(crate) bounds_db: Vec<f64>,
}

/// The density of the floor, in V²/Hz.
const DENSITY: f64 = 1e-12;
/// Lines keep so many resolution bandwidths away from each other.
const APART: f64 = 5.0;

/// Makes and searches scenes of 1 to 12 lines each; one seed gives one score.
pub(crate) fn score(scene: Scene, scenes: u32, seed: u64) -> Score {
    let mut score = Score::default();
    for number in 0..scenes {
        one(scene, &mut Random::new(seed, u64::from(number)), &mut score);
    }
    score
}

fn one(scene: Scene, random: &mut Random, score: &mut Score) {
    let Scene { rate_hz, seconds, resolution_hz, over_floor_db } = scene;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a short record")]
    let mut samples = vec![0.0; (seconds * rate_hz) as usize];
    WhiteNoise { density: DENSITY }.add_to(&mut samples, rate_hz, random);
    let window = Window::default();
    let rate = Hertz::new(rate_hz).expect("above zero");
    let range = Band::new(2e3, 150e3).expect("rises");
    let length = segment_length(&window, rate, Hertz::new(resolution_hz).expect("above zero"));
    let bandwidth = window.noise_bandwidth_bins() * rate_hz / length as f64;
    let lines = lines(random, bandwidth, over_floor_db);
    for tone in &lines {
        tone.add_to(&mut samples, rate_hz);
    }

    let mut coarse = Gathering::new(rate, window, length, range, 1, 50.0);
    let mut fine = fine_length(&window, rate, length, samples.len() as u64)
        .map(|length| Gathering::new(rate, window, length, range, 1, 50.0));
    coarse.push(&[&samples]);
    if let Some(fine) = &mut fine {
        fine.push(&[&samples]);
    }
    let coarse = coarse.finish(|_, _| 1.0).expect("a record of many segments");
    let fine = fine.and_then(|fine| fine.finish(|_, _| 1.0));
    let found = search(&coarse[0], fine.as_ref().map(|views| &views[0]), Criteria::default(), 50.0);

    let mut taken = vec![false; found.emissions.len()];
    score.built_in += lines.len();
    for tone in &lines {
        let near = |i: &usize| (found.emissions[*i].frequency_hz - tone.frequency_hz).abs() < bandwidth / 2.0;
        let Some(i) = (0..taken.len()).filter(|i| !taken[*i]).find(near) else { continue };
        taken[i] = true;
        let emission = &found.emissions[i];
        score.found += 1;
        let off = emission.frequency_hz - tone.frequency_hz;
        score.frequency_errors.push(off / bandwidth);
        score.level_errors.push(20.0 * (emission.rms / tone.rms).log10());
        score.level_covered += usize::from((emission.rms_interval[0]..=emission.rms_interval[1]).contains(&tone.rms));
        score.frequency_covered += usize::from(off.abs() <= emission.frequency_half_hz);
        // Cramér and Rao: the power of a line of P in noise of density N0 over T scatters by √(2 N0 / (P T)) at least.
        let relative = (2.0 * DENSITY / (tone.rms * tone.rms * seconds)).sqrt();
        score.bounds_db.push(10.0 / std::f64::consts::LN_10 * relative);
    }
    for emission in found.emissions.iter().zip(&taken).filter(|(_, taken)| !**taken).map(|(emission, _)| emission) {
        let away = |tone: &Tone| emission.frequency_hz - tone.frequency_hz;
        let nearest = lines.iter().min_by(|a, b| away(a).abs().total_cmp(&away(b).abs()));
        let place =
            |tone: &Tone| (emission.frequency_hz, 20.0 * (emission.rms / tone.rms).log10(), away(tone) / bandwidth);
        score.false_places.extend(nearest.map(place));
    }
    score.false_finds += taken.iter().filter(|taken| !**taken).count();
}

fn lines(random: &mut Random, bandwidth: f64, over_floor_db: (f64, f64)) -> Vec<Tone> {
    let count = 1.0 + (12.0 * random.uniform()).floor();
    let mut lines: Vec<Tone> = Vec::new();
    while (lines.len() as f64) < count {
        let frequency_hz = random.between(2.5e3, 149.5e3);
        if lines.iter().any(|other| (other.frequency_hz - frequency_hz).abs() < APART * bandwidth) {
            continue;
        }
        let over = random.between(over_floor_db.0, over_floor_db.1);
        let rms = (DENSITY * bandwidth * 10f64.powf(over / 10.0)).sqrt();
        lines.push(Tone { frequency_hz, rms, phase_rad: random.phase() });
    }
    lines
}

impl Score {
    /// The root mean square of errors, and the share that lies within a limit.
    pub(crate) fn of(errors: &[f64], limit: f64) -> (f64, f64) {
        let count = errors.len().max(1) as f64;
        let within = errors.iter().filter(|e| e.abs() <= limit).count();
        ((errors.iter().map(|e| e * e).sum::<f64>() / count).sqrt(), within as f64 / count)
    }
}
