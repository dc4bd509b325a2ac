//! Impulses: damped rings of known onset, frequency and decay, by closed forms; and the studio's built-in commutation.

use std::f64::consts::TAU;

use linewake::analysis::settings::Settings;
use linewake::analysis::transients::{CaptureTransients, transients_of_recording};
use linewake::measure::transients::Criteria;
use linewake::survey::studio::{LOADS, State, Studio};
use linewake::synth::{Random, Ring, WhiteNoise};
use linewake::units::Hertz;

use super::signals::{RATE, memory, samples_in};

/// The frequency of the mains in these records.
const MAINS: f64 = 49.97;
/// The standard deviation of the noise, in volts.
const NOISE: f64 = 1e-3;

/// A record with what is left of the mains, noise, and a ring at given phases of every period. Gives the samples and
/// how many rings lie wholly in the record.
fn rings(ring: Ring, phases_deg: &[f64], seconds: f64, delay_s: f64, seed: u64) -> (Vec<f64>, usize) {
    let count = samples_in(seconds);
    let mut random = Random::new(seed, 0);
    let start_phase = 77.0;
    let mains = |n: usize| 0.05 * (TAU * (MAINS * n as f64 / RATE + start_phase / 360.0)).sin();
    let mut samples: Vec<f64> = (0..count).map(mains).collect();
    WhiteNoise::of_rms(NOISE, RATE).add_to(&mut samples, RATE, &mut random);
    let mut total = 0;
    for phase in phases_deg {
        let first = (phase - start_phase).rem_euclid(360.0) / 360.0 / MAINS;
        let mut at = first;
        while at < seconds - 2e-3 {
            // The first millisecond and a half settle the high-pass.
            let angle = random.phase();
            if at > 5e-3 {
                ring.add_to(&mut samples, RATE, at + delay_s, angle);
                total += 1;
            }
            at += 1.0 / MAINS;
        }
    }
    (samples, total)
}

fn found(channels: &[&[f64]], criteria: Criteria) -> CaptureTransients {
    transients_of_recording(memory(channels, 1 << 15), &Settings::default(), criteria, None).unwrap()
}

/// 15 dB over noise: the amplitude over the noise's standard deviation.
fn ring_at_15_db(frequency_hz: f64, decay_s: f64) -> Ring {
    Ring { amplitude: NOISE * 10f64.powf(15.0 / 20.0), frequency_hz, decay_s, rise_s: 0.0 }
}

#[test]
fn rings_at_15_db_are_counted_timed_and_fitted() {
    for (frequency_hz, decay_s, possible) in [(6e3, 400e-6, 0.95), (12e3, 300e-6, 0.91), (45e3, 200e-6, 0.84)] {
        let (samples, total) = rings(ring_at_15_db(frequency_hz, decay_s), &[30.0, 210.0], 1.0, 0.0, 1);
        let capture = found(&[&samples], Criteria::default());
        let wire = &capture.channels[0];
        assert_eq!(wire.count, total as u64, "{frequency_hz}");
        assert!((wire.per_mains_cycle - 2.0).abs() < 0.05, "{}", wire.per_mains_cycle);
        let mut worst = 0.0f64;
        for event in &wire.events {
            let phase = event.mains_phase_deg.unwrap() % 180.0;
            worst = worst.max((phase - 30.0).abs());
        }
        let off = |value: f64, truth: f64| (value / truth - 1.0).abs();
        let each = |limit: f64, of: &dyn Fn(&linewake::analysis::transients::EventRow) -> f64| {
            wire.events.iter().filter(|e| e.ring_hz.is_some() && of(e) <= limit).count() as f64
                / wire.events.len() as f64
        };
        assert!(worst <= 1.0, "{frequency_hz}: {worst}");
        assert!(off(wire.ring_hz.unwrap(), frequency_hz) < 0.005);
        assert!(off(wire.decay_s.unwrap(), decay_s) < 0.05, "{:?}", wire.decay_s);
        assert!(each(0.02, &|e| off(e.ring_hz.unwrap(), frequency_hz)) > 0.95);
        // What noise allows of single decays: with an energy of E = A²τfs/4 in units of σ² the bound of Cramér and Rao
        // on the decay is 2/√E, which leaves this share within 10 %; four fifths of it are asked for.
        let share = each(0.1, &|e| off(e.decay_s.unwrap(), decay_s));
        assert!(share > 0.8 * possible, "{frequency_hz}: {share}");
        println!("{frequency_hz} Hz: {share:.2} of the decays within 10 %, onsets within {worst:.2} degrees");
        let histogram = wire.phase_histogram.as_ref().unwrap();
        assert_eq!(histogram.iter().sum::<u64>(), wire.count);
        // The onset at 30 degrees scatters by tenths of a degree over the border of two bins.
        assert_eq!(histogram[2] + histogram[3] + histogram[20] + histogram[21], wire.count);
    }
}

/// Without noise to speak of: the energy of A e^(−t/τ) cos(2πft + φ) is A²τ/4, but for the phase within a cycle; the
/// noise is low and the ring long, so both are near.
#[test]
fn peak_slew_energy_and_amplitude_by_closed_form() {
    let ring = Ring { amplitude: 1.0, frequency_hz: 20e3, decay_s: 500e-6, rise_s: 0.0 };
    let (samples, total) = rings(ring, &[120.0], 0.3, 0.0, 2);
    let capture = found(&[&samples], Criteria::default());
    let wire = &capture.channels[0];
    assert_eq!(wire.count, total as u64);
    for event in &wire.events {
        assert!(
            (event.ring_hz.unwrap() / 20e3 - 1.0).abs() < 1e-3 && (event.decay_s.unwrap() / 5e-4 - 1.0).abs() < 0.01
        );
        assert!((event.ring_amplitude.unwrap() - 1.0).abs() < 0.03, "{event:?}");
        assert!((event.energy / (5e-4 / 4.0) - 1.0).abs() < 0.03, "{event:?}");
        assert!((0.9..1.05).contains(&event.peak));
        // A sine's steepest step between samples is 2A sin(πf/fs) fs; the jump at the onset may be A fs.
        let steepest = 2.0 * (std::f64::consts::PI * 20e3 / RATE).sin() * RATE;
        assert!(event.slew > 0.85 * steepest && event.slew < 1.05 * RATE, "{event:?}");
        // Down to three deviations of the noise: τ ln(A / 3σ).
        let expected = 5e-4 * (1.0 / (3.0 * NOISE)).ln();
        assert!((event.duration_s / expected - 1.0).abs() < 0.15, "{event:?} {expected}");
    }
}

#[test]
fn wire_and_air_are_matched_with_their_delay() {
    let ring = ring_at_15_db(15e3, 300e-6);
    let louder = Ring { amplitude: 4.0 * ring.amplitude, ..ring };
    let (wire, _) = rings(louder, &[45.0], 0.5, 0.0, 3);
    let (air, _) = rings(louder, &[45.0], 0.5, 20e-6, 3);
    let capture = found(&[&wire, &air], Criteria::default());
    let [wire, air] = &capture.channels[..] else { panic!() };
    assert_eq!(wire.matched, Some(wire.events.len()));
    assert!((wire.other_delay_s.unwrap() - 20e-6).abs() < 3e-6, "{:?}", wire.other_delay_s);
    assert!((air.other_delay_s.unwrap() + 20e-6).abs() < 3e-6);
}

#[test]
fn many_impulses_are_counted_and_the_strongest_kept() {
    let ring = Ring { amplitude: 0.05, frequency_hz: 30e3, decay_s: 50e-6, rise_s: 0.0 };
    let phases: Vec<f64> = (0..18).map(|n| 20.0 * f64::from(n) + 5.0).collect();
    let (mut samples, total) = rings(ring, &phases, 0.5, 0.0, 4);
    Ring { amplitude: 0.5, ..ring }.add_to(&mut samples, RATE, 0.2501, 0.0);
    let capture = found(&[&samples], Criteria { keep: 10, ..Criteria::default() });
    let wire = &capture.channels[0];
    assert!(wire.count.abs_diff(total as u64) <= 1, "{} {total}", wire.count);
    assert_eq!(wire.events.len(), 10);
    assert!(wire.events.iter().any(|event| event.peak > 0.3));
    assert!(wire.events.is_sorted_by(|a, b| a.time_s <= b.time_s));
    assert!(capture.warnings.iter().any(|warning| warning.code == "events_capped"));
    assert_eq!(wire.phase_histogram.as_ref().unwrap().iter().sum::<u64>(), wire.count);
}

#[test]
fn noise_has_no_impulses_and_without_mains_there_is_no_phase() {
    let mut samples = vec![0.0; samples_in(1.0)];
    WhiteNoise::of_rms(NOISE, RATE).add_to(&mut samples, RATE, &mut Random::new(5, 0));
    let capture = found(&[&samples], Criteria::default());
    assert_eq!(capture.channels[0].count, 0);
    assert!((capture.channels[0].noise_rms / NOISE - 1.0).abs() < 0.02, "{}", capture.channels[0].noise_rms);
    Ring { amplitude: 0.1, frequency_hz: 20e3, decay_s: 1e-4, rise_s: 0.0 }.add_to(&mut samples, RATE, 0.5, 0.0);
    let capture = found(&[&samples], Criteria::default());
    let wire = &capture.channels[0];
    assert_eq!((wire.count, wire.events[0].mains_phase_deg), (1, None));
    assert!((wire.events[0].time_s - 0.5).abs() < 5e-6);
    assert!(capture.no_phase.is_some() && wire.phase_histogram.is_none());
}

#[test]
fn blocks_of_any_size_give_the_same_impulses() {
    let (samples, _) = rings(ring_at_15_db(12e3, 300e-6), &[30.0, 150.0], 0.5, 0.0, 6);
    let of = |block| {
        let capture =
            transients_of_recording(memory(&[&samples], block), &Settings::default(), Criteria::default(), None);
        serde_json::to_string(&capture.unwrap()).unwrap()
    };
    let whole = of(samples.len());
    // The texts are long: a failure does not print them.
    assert!(of(1_001) == whole);
    assert!(of(60_000) == whole);
}

#[test]
fn the_phase_follows_a_mains_that_the_first_stretch_did_not_show() {
    // The frequency rises by 0.02 Hz a second: after four seconds a phase from the first second alone is 29° off.
    let count = samples_in(4.0);
    let turn = |t: f64| 50.0 * t + 0.02 * t * t / 2.0;
    let mut samples: Vec<f64> = (0..count).map(|n| 0.05 * (TAU * turn(n as f64 / RATE).fract()).sin()).collect();
    WhiteNoise::of_rms(NOISE, RATE).add_to(&mut samples, RATE, &mut Random::new(7, 0));
    let ring = Ring { amplitude: 0.05, frequency_hz: 20e3, decay_s: 1e-4, rise_s: 0.0 };
    let at = 3.7;
    ring.add_to(&mut samples, RATE, at, 0.0);
    let capture = found(&[&samples], Criteria::default());
    let phase = capture.channels[0].events[0].mains_phase_deg.unwrap();
    let expected = 360.0 * turn(at).fract();
    assert!((phase - expected).abs() < 1.0, "{phase} {expected}");
}

#[test]
fn records_too_short_for_the_noise_are_refused() {
    let error = transients_of_recording(memory(&[&[0.1; 1500]], 500), &Settings::default(), Criteria::default(), None);
    let error = error.unwrap_err().to_string();
    assert!(error.contains("too short") && error.contains("record longer"), "{error}");
    // Silence has no impulses and no noise.
    let capture = found(&[&vec![0.0; 50_000]], Criteria::default());
    assert_eq!((capture.channels[0].count, capture.channels[0].noise_rms), (0, 0.0));
}

/// The fan's commutation: a ring of 6 kHz, decaying with 0.3 ms, 0.6 rad behind each zero of the mains.
#[test]
fn the_studio_has_the_commutation_that_is_built_in() {
    let studio = Studio::new(1);
    let fan = LOADS.iter().find(|load| load.slug == "heat-pump-fan").unwrap();
    let captures = studio.captures();
    let spec = captures.iter().find(|c| c.load == Some(fan) && c.state == State::On && c.replicate == 1).unwrap();
    let [wire, air] = studio.render(spec);
    let low_pass = Some(Hertz::new(9e3).unwrap());
    let recording = memory(&[&wire, &air], 1 << 15);
    let capture = transients_of_recording(recording, &Settings::default(), Criteria::default(), low_pass).unwrap();
    let wire = &capture.channels[0];
    assert!((wire.per_mains_cycle - 2.0).abs() < 0.15, "{}", wire.per_mains_cycle);
    // 0.6 rad are 34.4°; the ring rises with 50 µs, 0.9°, where the fit begins at once.
    for event in &wire.events {
        let behind = event.mains_phase_deg.unwrap() % 180.0;
        assert!((behind - 0.6f64.to_degrees()).abs() < 1.5, "{behind}");
    }
    assert!((wire.ring_hz.unwrap() / 6e3 - 1.0).abs() < 0.02, "{:?}", wire.ring_hz);
    // For the same reason the decay seems longer: e^(−t/τ) − e^(−t/rise) falls late.
    assert!((0.95..1.25).contains(&(wire.decay_s.unwrap() / 3e-4)), "{:?}", wire.decay_s);
    assert_eq!(wire.matched, Some(wire.events.len()));
}
