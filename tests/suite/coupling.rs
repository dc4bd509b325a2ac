//! Wire and air: published formulas by simulation, coverage of intervals, steady tones, and the invented studio.

use std::f64::consts::TAU;

use linewake::analysis::coupling::{Observed, change_of, observe_recording, of_observed};
use linewake::analysis::settings::Settings;
use linewake::capture::{Channel, Clock, Memory, Quantity, RateSource, Role};
use linewake::compare::coupling::{BandCoupling, Cause, Judged, Verdict, ambient, causes, couple, judge};
use linewake::dsp::segment::Hop;
use linewake::dsp::window::{Taper, Window};
use linewake::measure::bands::Scheme;
use linewake::measure::coherence::{Joint, JointSpectra};
use linewake::survey::studio::{CaptureSpec, Kind, LOADS, State, Studio};
use linewake::synth::Random;
use linewake::units::{Band, Hertz};

const RATE: f64 = 1000.0;

fn noise(count: usize, random: &mut Random) -> Vec<f64> {
    (0..count).map(|_| random.normal()).collect()
}

fn joint(window: &str, length: usize, hop: usize, wire: &[f64], air: &[f64]) -> Joint {
    let taper = Taper::new(&window.parse::<Window>().unwrap(), length);
    let range = Band::new(2.0 * RATE / length as f64, RATE / 2.0).unwrap();
    let mut joint = JointSpectra::new(Hertz::new(RATE).unwrap(), taper, Hop::Samples(hop), range);
    joint.push(wire, air);
    joint.finish().unwrap()
}

/// Segments of 100 samples, half overlapping; bins of 10 Hz.
fn judged(wire: &[f64], air: &[f64]) -> Judged {
    judge(&joint("hann", 100, 50, wire, air))
}

fn five_bands() -> Vec<Band> {
    (0..5).map(|k| Band::new(40.0 + 80.0 * f64::from(k), 120.0 + 80.0 * f64::from(k)).unwrap()).collect()
}

/// Bendat and Piersol, Random Data, chapter 9 (from memory): bias (1 − γ²)²/L, standard deviation √2 |γ| (1 − γ²)/√L,
/// relative error of |H1| √(1 − γ²)/(|γ| √(2L)).
#[test]
fn random_errors_are_those_of_the_published_formulas() {
    const SEGMENTS: usize = 64;
    for (gamma2, own) in [(0.5_f64, 1.0_f64), (0.8, 0.5)] {
        let mut random = Random::new(11, 0);
        let (mut gammas, mut gains) = (Vec::new(), Vec::new());
        for _ in 0..160 {
            let x = noise(128 * SEGMENTS, &mut random);
            let y: Vec<f64> = x.iter().map(|x| x + own * random.normal()).collect();
            let joint = joint("rectangular", 128, 128, &x, &y);
            assert!((joint.whole.averages - 64.0).abs() < 1e-9);
            gammas.extend(joint.whole.coherence());
            gains.extend(judge(&joint).bins().iter().map(|bin| bin.transfer.norm()));
        }
        let moments = |values: &[f64]| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt())
        };
        let length = SEGMENTS as f64;
        let ((mean, deviation), (gain, spread)) = (moments(&gammas), moments(&gains));
        let expected = (2.0 * gamma2).sqrt() * (1.0 - gamma2) / length.sqrt();
        let error = (1.0 - gamma2).sqrt() / (gamma2.sqrt() * (2.0 * length).sqrt());
        println!("γ² {gamma2}: bias {:.5}, sd {deviation:.5}, e|H1| {:.5}", mean - gamma2, spread / gain);
        // About 10,000 independent bins: four standard deviations of the mean, 3 % of the deviations.
        let count = (gammas.len() as f64).sqrt();
        assert!((mean - gamma2 - (1.0 - gamma2).powi(2) / length).abs() < 4.0 * expected / count);
        assert!((deviation / expected - 1.0).abs() < 0.04, "{deviation} {expected}");
        assert!((spread / gain / error - 1.0).abs() < 0.04, "{spread} {error}");
    }
}

#[test]
fn unrelated_noise_is_called_coherent_in_at_most_five_percent_of_tables() {
    const TABLES: u32 = 400;
    for swelling in [false, true] {
        let mut wrong = 0;
        for table in 0..TABLES {
            let mut random = Random::new(5, u64::from(table));
            // Noise that swells on both sides at once, as the mains makes it.
            let swell = |n: usize| if swelling { (TAU * n as f64 / 300.0).sin().powi(4) } else { 1.0 };
            let mut one = || -> Vec<f64> { (0..2500).map(|n| swell(n) * random.normal()).collect() };
            let (wire, air) = (one(), one());
            let rows = couple(&judged(&wire, &air), &five_bands());
            wrong += u32::from(rows.iter().any(|row| row.verdict != Verdict::NotShown));
        }
        println!("false coherence in {wrong} of {TABLES} tables, swelling {swelling}");
        // Five percent and three standard deviations of the count.
        assert!(f64::from(wrong) <= 0.05 * f64::from(TABLES) + 3.0 * (0.05 * 0.95 * f64::from(TABLES)).sqrt());
    }
}

#[test]
fn intervals_of_gain_and_share_hold_the_truth_as_often_as_they_say() {
    const RUNS: u32 = 300;
    for own in [0.1_f64, 0.5, 1.0] {
        let (mut gains, mut shares, mut count) = (0, 0, 0);
        let truth = 1.0 / (1.0 + own * own);
        for run in 0..RUNS {
            let mut random = Random::new(17, u64::from(run));
            let wire = noise(5000, &mut random);
            let air: Vec<f64> = wire.iter().map(|x| 0.1 * (x + own * random.normal())).collect();
            for row in couple(&judged(&wire, &air), &five_bands()) {
                let within = |ends: Option<[f64; 2]>, value: f64| {
                    u32::from(ends.is_some_and(|[low, high]| low <= value && value <= high))
                };
                gains += within(row.ci95_db, -20.0);
                shares += within(row.share_ci95, truth);
                count += 1;
                assert_eq!(row.verdict, Verdict::Coherent);
            }
        }
        let percent = |hits: u32| 100.0 * f64::from(hits) / f64::from(count);
        println!("share {truth:.3}: gain covered in {:.1} %, share in {:.1} %", percent(gains), percent(shares));
        assert!((93.0..=97.0).contains(&percent(gains)), "gain at {truth}: {}", percent(gains));
        assert!((92.0..=98.0).contains(&percent(shares)), "share at {truth}: {}", percent(shares));
    }
}

#[test]
fn a_delay_is_found_within_its_interval() {
    let mut hits = 0;
    for run in 0..100 {
        let mut random = Random::new(23, run);
        let all = noise(10_003, &mut random);
        let air: Vec<f64> = (0..10_000).map(|n| all[n] + 0.3 * random.normal()).collect();
        // The wire is three samples earlier than the air.
        let row = couple(&judged(&all[3..], &air), &[Band::new(40.0, 440.0).unwrap()]).remove(0);
        let (delay, [low, high]) = row.group_delay_s.zip(row.group_delay_ci95_s).unwrap();
        assert!((delay - 3e-3).abs() < 3e-4, "{delay}");
        hits += u32::from(low <= 3e-3 && 3e-3 <= high);
    }
    println!("delay covered in {hits} %");
    assert!(hits >= 90, "{hits}");
}

/// A tone of its own phase in noise.
fn tone(phase: f64, random: &mut Random) -> Vec<f64> {
    (0..4000).map(|n| (TAU * 0.2003 * f64::from(n) + phase).sin() + 0.05 * random.normal()).collect()
}

fn tone_row(joint: &Joint) -> BandCoupling {
    couple(&judge(joint), &[Band::new(160.0, 240.0).unwrap()]).remove(0)
}

#[test]
fn two_steady_tones_that_have_nothing_to_do_with_each_other_are_not_called_coherent() {
    for run in 0..50 {
        let mut random = Random::new(29, run);
        let capture = |random: &mut Random| {
            let (wire, air) = (tone(random.phase(), random), tone(random.phase(), random));
            joint("hann", 100, 50, &wire, &air)
        };
        let mut all = capture(&mut random);
        let row = tone_row(&all);
        assert_eq!(row.verdict, Verdict::SteadyTone, "{row:?}");
        assert!(row.coherent_share < 0.01 && row.undecided_share > 0.9);
        assert_eq!(row.gain_db, None);
        for _ in 1..4 {
            all.merge(&capture(&mut random)).unwrap();
        }
        assert_ne!(tone_row(&all).verdict, Verdict::Coherent, "four captures, each at its own phase");
    }
}

/// A steady tone on the wire and a fifth of it in the air; of the noise on the wire the air has a fifth as well, or
/// none.
fn coupled_tone(noise_too: bool, random: &mut Random) -> Joint {
    let phase = random.phase();
    let pure: Vec<f64> = (0..4000).map(|n| (TAU * 0.2003 * f64::from(n) + phase).sin()).collect();
    let wire: Vec<f64> = pure.iter().map(|x| x + 0.05 * random.normal()).collect();
    let source = if noise_too { &wire } else { &pure };
    let air: Vec<f64> = source.iter().map(|x| 0.2 * x + 0.005 * random.normal()).collect();
    joint("hann", 100, 50, &wire, &air)
}

#[test]
fn a_steady_tone_that_one_capture_cannot_tell_is_told_by_four() {
    let mut random = Random::new(31, 0);
    let mut all = coupled_tone(false, &mut random);
    let row = tone_row(&all);
    assert_eq!(row.verdict, Verdict::SteadyTone);
    assert!(row.undecided_share > 0.9);
    for _ in 1..4 {
        all.merge(&coupled_tone(false, &mut random)).unwrap();
    }
    let row = tone_row(&all);
    assert_eq!(row.verdict, Verdict::Coherent);
    assert!(row.coherent_share > 0.99, "{row:?}");
    assert!((row.gain_db.unwrap() - 20.0 * 0.2f64.log10()).abs() < 0.05);
}

#[test]
fn noise_that_takes_the_same_way_tells_a_steady_tone() {
    let row = tone_row(&coupled_tone(true, &mut Random::new(43, 0)));
    assert_eq!(row.verdict, Verdict::Coherent);
    assert!(row.coherent_share > 0.99, "{row:?}");
}

#[test]
fn a_tone_that_changes_is_told_by_one_capture() {
    let mut random = Random::new(37, 0);
    // Wandering by a few hertz, as switching supplies do.
    let wire: Vec<f64> = (0..4000)
        .map(|n| f64::from(n) / RATE)
        .map(|t| (TAU * 200.0 * t + 3.0 * (TAU * 0.7 * t).sin()).sin() + 0.05 * random.normal())
        .collect();
    let air: Vec<f64> = wire.iter().map(|x| 0.2 * x + 0.005 * random.normal()).collect();
    let row = tone_row(&joint("hann", 100, 50, &wire, &air));
    assert_eq!(row.verdict, Verdict::Coherent);
    assert!(row.coherent_share > 0.99, "{row:?}");
}

#[test]
fn a_station_that_falls_silent_is_not_laid_to_the_wire() {
    let mut random = Random::new(41, 0);
    let mut side = |station: f64| {
        let wire = noise(8000, &mut random);
        let air: Vec<f64> = wire
            .iter()
            .enumerate()
            .map(|(n, x)| 0.1 * x + station * (TAU * 0.2 * n as f64).sin() + 0.02 * random.normal())
            .collect();
        judged(&wire, &air)
    };
    let (before, after) = (side(0.3), side(0.0));
    let band = Band::new(160.0, 240.0).unwrap();
    assert!(ambient(&before).iter().any(|line| (line.frequency_hz - 200.0).abs() < 1.0));
    let row = causes(&before, &after, &[band]).remove(0);
    assert_eq!(row.verdict, Cause::NotExplained, "{row:?}");
    assert!(row.air_change_db.unwrap() < -5.0 && row.explained_db.unwrap().abs() < 1.0);
}

fn observed(seed: u64, spec: &CaptureSpec) -> Observed {
    let [wire, air] = Studio::new(seed).render(spec);
    let clock =
        Clock { rate: Hertz::new(500e3).unwrap(), source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let channel = |name: &str, role| Channel { name: name.into(), quantity: Quantity::Unit("V".into()), role };
    let channels = vec![(channel("wire", Role::Wire), wire), (channel("air", Role::Air), air)];
    let memory = Memory::new(&spec.file_name(), clock, channels, 1 << 16).unwrap();
    observe_recording(Box::new(memory), &Settings::default()).unwrap()
}

fn case(seed: u64, state: State, load: usize) -> Vec<Observed> {
    (1..=3).map(|replicate| observed(seed, &CaptureSpec { load: Some(&LOADS[load]), state, replicate })).collect()
}

#[test]
fn the_studio_couples_as_it_was_built_and_its_stations_are_in_the_air_alone() {
    let truths = Studio::new(1).truths();
    for (number, load) in LOADS.iter().enumerate() {
        let truth = truths.iter().find(|t| t.kind == Kind::CouplingGainDb && t.load == load.name).unwrap();
        let (hz, gain) = (load.main_hz, truth.value);
        let scheme = Scheme::Edges(vec![hz - 800.0, hz + 800.0]);
        for capture in case(1, State::On, number) {
            let one = of_observed(std::slice::from_ref(&capture), &Scheme::Wide).unwrap();
            let narrow = of_observed(&[capture], &scheme).unwrap();
            let row = &narrow.bands[0];
            let [low, high] = row.ci95_db.unwrap();
            println!("{} {}: {low:.3} to {high:.3}, built in {gain:.3}: {}", one.path, hz, row.verdict.words());
            assert_eq!(row.verdict, Verdict::Coherent, "{}", one.path);
            assert!(low - 0.02 <= gain && gain <= high + 0.02, "{} {low} {high} {gain}", one.path);
            for station in [120e3, 138e3] {
                assert!(
                    one.ambient.iter().any(|a| (a.frequency_hz - station).abs() < 200.0 && !a.cannot_be_told),
                    "{}: {station}",
                    one.path
                );
            }
            assert!(one.ambient.iter().all(|a| (a.frequency_hz - hz).abs() > 1e3), "{}", one.path);
        }
    }
}

#[test]
fn what_the_filter_did_in_the_air_is_laid_to_the_wire() {
    let truths = Studio::new(1).truths();
    let (mut hits, mut count) = (0, 0);
    for (number, load) in LOADS.iter().enumerate() {
        let (before, after) = (case(1, State::On, number), case(1, State::OnWithFilter, number));
        let change = change_of(&before, &after, &Scheme::Wide).unwrap();
        for row in change.bands.iter().chain([&change.total]) {
            let truth = truths.iter().find(|t| {
                t.kind == Kind::FilterChangeDb && t.load == load.name && t.role == Role::Air && t.band == row.band
            });
            let truth = truth.unwrap().value;
            let Some([low, high]) = row.explained_ci95_db else { continue };
            println!("{} {}: explained {low:.2} to {high:.2}, built in {truth:.2}", load.name, row.band);
            count += 1;
            hits += u32::from(low <= truth && truth <= high);
        }
    }
    println!("{hits} of {count}");
    assert!(count >= 18 && 10 * hits >= 9 * count, "{hits} of {count}");
}

#[test]
fn the_document_has_its_fields_and_no_number_that_is_none() {
    let one =
        of_observed(&[observed(1, &CaptureSpec { load: None, state: State::Background, replicate: 1 })], &Scheme::Wide)
            .unwrap();
    let json = serde_json::to_value(&one).unwrap();
    for key in ["frequency_hz", "coherence", "gain_db", "phase_deg", "significance_threshold", "bands", "total"] {
        assert!(!json[key].is_null(), "{key}");
    }
    for key in ["low_hz", "high_hz", "coherence", "coherent_share", "gain_db", "ci95_db", "verdict"] {
        assert!(!json["total"][key].is_null(), "{key}");
    }
    let count = json["frequency_hz"].as_array().unwrap().len();
    assert!(
        ["coherence", "gain_db", "phase_deg", "random_error"]
            .iter()
            .all(|key| json[key].as_array().unwrap().len() == count)
    );
}
