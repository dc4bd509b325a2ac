//! What `receiver` answers and what it refuses: short records, repeated ones, rates that do not reach, corrections.

use std::f64::consts::TAU;
use std::sync::Arc;

use linewake::analysis::receiver::{CaptureReadings, Request, receive_recording};
use linewake::analysis::settings::Settings;
use linewake::capture::chain::{Chain, Kind, Part, Recorder, Setup, Uncertainty};
use linewake::capture::{Channel, Clock, Memory, Port, Quantity, RateSource, Role};
use linewake::compare::margin::Status;
use linewake::error::Error;
use linewake::levels::published;
use linewake::measure::detector::{DETECTORS, ReceiverBand};
use linewake::report::figure::svg;
use linewake::report::{columns, pictures, sentences};
use linewake::synth::{Random, Source as _, Tone, WhiteNoise};
use linewake::uncertainty::budget::Distribution;
use linewake::units::{Band, Hertz, Level};

fn hertz(value: f64) -> Hertz {
    Hertz::new(value).unwrap()
}

fn memory(rate: f64, channels: &[&[f64]]) -> Box<Memory> {
    let clock = Clock { rate: hertz(rate), source: RateSource::Option, relative_uncertainty: 0.0, start_s: 0.0 };
    let names = [("wire", Role::Wire), ("air", Role::Air)];
    let channels = channels.iter().zip(names).map(|(samples, (name, role))| {
        (Channel { name: name.into(), quantity: Quantity::Unit("V".into()), role }, samples.to_vec())
    });
    Box::new(Memory::new("record", clock, channels.collect(), 1 << 14).unwrap())
}

/// A tone of 2 mV, a little noise, and what the coupling network leaves of the mains.
fn tone(rate: f64, seconds: f64, frequency: f64) -> Vec<f64> {
    let mut samples = vec![0.0; (rate * seconds).round() as usize];
    Tone { frequency_hz: frequency, rms: 2e-3, phase_rad: 0.3 }.add_to(&mut samples, rate);
    Tone { frequency_hz: 50.0, rms: 0.1, phase_rad: 0.0 }.add_to(&mut samples, rate);
    WhiteNoise { density: 1e-16 }.add_to(&mut samples, rate, &mut Random::new(5, 0));
    samples
}

fn read(rate: f64, samples: &[f64], settings: &Settings, request: &Request) -> Result<CaptureReadings, Error> {
    receive_recording(memory(rate, &[samples]), settings, request)
}

fn has(capture: &CaptureReadings, code: &str) -> bool {
    capture.warnings.iter().any(|finding| finding.code == code)
}

fn around(low: f64, high: f64) -> Settings {
    Settings { range: Band::new(low, high).unwrap(), ..Settings::default() }
}

fn at(capture: &CaptureReadings, detector: &str, frequency: f64) -> f64 {
    let channel = &capture.channels[0];
    let place = channel.frequency_hz.iter().position(|f| (f - frequency).abs() < 1e-6).unwrap();
    channel.of(detector).unwrap()[place].get()
}

#[test]
fn all_of_band_a_is_read_and_a_short_record_has_no_quasi_peak() {
    let samples = tone(400e3, 0.1, 50e3);
    let capture = read(400e3, &samples, &Settings::default(), &Request::default()).unwrap();
    let channel = &capture.channels[0];
    // 9 to 150 kHz in steps of 100 Hz, both ends included.
    assert_eq!(channel.frequency_hz.len(), 1411);
    assert_eq!((channel.frequency_hz[0], channel.frequency_hz[1410]), (9e3, 150e3));
    let json = serde_json::to_value(&capture).unwrap();
    let json = &json["channels"][0];
    assert!(json["quasi_peak_db"].is_null());
    assert!(json["quasi_peak_reason"].as_str().unwrap().contains("1.5 s"), "{}", json["quasi_peak_reason"]);
    for detector in DETECTORS.iter().filter(|detector| detector.name != "quasi_peak") {
        let levels = json[format!("{}_db", detector.name)].as_array().unwrap();
        assert_eq!(levels.len(), 1411, "{}", detector.name);
        // 2 mV are 66.02 dBµV.
        assert!((levels[410].as_f64().unwrap() - 66.02).abs() < 0.02, "{} {}", detector.name, levels[410]);
    }
    assert!(has(&capture, "no_quasi_peak") && !has(&capture, "repeated"));
    assert!(sentences::of_readings(&capture).iter().any(|sentence| sentence.contains("No quasi-peak")));
    assert_eq!(channel.highest(3, 200.0)[0], 410);
    // From a second and a half on there is one.
    let settings = around(49.9e3, 50.1e3);
    let long = read(400e3, &tone(400e3, 1.5, 50e3), &settings, &Request::default()).unwrap();
    assert_eq!(long.channels[0].frequency_hz, [49.9e3, 50e3, 50.1e3]);
    assert!((at(&long, "quasi_peak", 50e3) - 66.02).abs() < 0.02);
    assert!(!has(&long, "no_quasi_peak"));
}

#[test]
fn a_repeated_record_says_so_everywhere() {
    let samples = tone(400e3, 0.1, 50e3);
    let (settings, request) = (around(40e3, 60e3), Request { repeat: true, ..Request::default() });
    let capture = read(400e3, &samples, &settings, &request).unwrap();
    assert!((at(&capture, "quasi_peak", 50e3) - 66.02).abs() < 0.02);
    // A steady tone stays as narrow as the filter, for the seam lies where no filter sees it.
    assert!(at(&capture, "peak", 52e3) < 10.0, "{}", at(&capture, "peak", 52e3));
    let period = capture.analysis.repeated.unwrap();
    // Some milliseconds for the high-pass and 11.3 ms of filter on both sides leave three cycles of five.
    assert!(period.mains_cycles == 3 && (period.period_s - 0.06).abs() < 1e-4, "{period:?}");
    assert!(has(&capture, "repeated") && !has(&capture, "repeated_across"));
    let said = "one period of a signal that repeats for ever";
    assert!(sentences::of_readings(&capture).iter().any(|sentence| sentence.contains(said)));
    assert!(sentences::of_reception(&capture.analysis).iter().any(|sentence| sentence.contains(said)));
    let picture = pictures::receiver(&capture, &settings);
    assert!(picture.caption.iter().any(|line| line.contains(said)));
    assert!(svg(&picture, "test").unwrap().contains("quasi-peak"));
    let rows = String::from_utf8(columns::readings(&[capture]).unwrap()).unwrap();
    assert!(rows.lines().skip(1).all(|row| row.ends_with(",true")));
    // Two cycles: one is left, and the filter sees the seam.
    let short = read(400e3, &samples[..16_000], &settings, &request).unwrap();
    assert!(short.analysis.repeated.unwrap().mains_cycles == 1 && has(&short, "repeated_across"));
}

#[test]
fn what_cannot_be_repeated_is_refused_with_a_remedy() {
    let request = Request { repeat: true, ..Request::default() };
    let refused = |settings: &Settings, samples: &[f64], remedy: &str| {
        let error = read(400e3, samples, settings, &request).unwrap_err();
        assert!(error.to_string().contains(remedy), "{error}");
    };
    let mut noise = vec![0.0; 40_000];
    WhiteNoise { density: 1e-12 }.add_to(&mut noise, 400e3, &mut Random::new(1, 0));
    refused(&Settings::default(), &noise, "--mains 50");
    let told = Settings { mains: Some(50.0), ..around(40e3, 41e3) };
    refused(&told, &tone(400e3, 0.022, 50e3), "record longer");
    assert!(read(400e3, &noise, &told, &request).is_ok());
    // Without repeating, the filter needs its reach on both sides.
    let error = read(400e3, &tone(400e3, 0.02, 50e3), &told, &Request::default()).unwrap_err();
    assert!(error.to_string().contains("record longer"), "{error}");
}

#[test]
fn a_slow_clock_cuts_the_range_and_says_so() {
    let samples = tone(250e3, 0.06, 50e3);
    let capture = read(250e3, &samples, &Settings::default(), &Request::default()).unwrap();
    let last = capture.analysis.last_hz;
    // Half the rate, less six times 84.93 Hz.
    assert!((124.4e3..=125e3 - 509.0).contains(&last), "{last}");
    assert!(has(&capture, "too_slow") && has(&capture, "receiver_range"));
    let error = read(16e3, &tone(16e3, 0.1, 3e3), &Settings::default(), &Request::default()).unwrap_err();
    assert!(error.to_string().contains("higher sampling rate"), "{error}");
}

#[test]
fn steps_and_bands_that_do_not_fit_are_refused() {
    let samples = tone(400e3, 0.06, 50e3);
    let run = |request: Request| read(400e3, &samples, &Settings::default(), &request);
    let band_b = ReceiverBand::named("b").unwrap();
    for request in [
        Request { step: Some(hertz(1.0)), ..Request::default() },
        Request { step: Some(hertz(1e6)), ..Request::default() },
        Request { band: band_b, extend: true, ..Request::default() },
    ] {
        assert!(run(request.clone()).is_err(), "{request:?}");
    }
    let coarse = run(Request { step: Some(hertz(1e3)), ..Request::default() }).unwrap();
    assert_eq!(coarse.channels[0].frequency_hz.len(), 142);
    // Band B, where the rate allows it: a filter of 9 kHz.
    let wide = tone(2e6, 0.06, 300e3);
    let request = Request { band: band_b, ..Request::default() };
    let capture = read(2e6, &wide, &around(150e3, 500e3), &request).unwrap();
    assert_eq!(capture.analysis.bandwidth_hz, 9e3);
    let peak = capture.channels[0].of("peak").unwrap().iter().map(|level| level.get()).fold(f64::MIN, f64::max);
    // 300 kHz is a third of a step of 4.5 kHz beside 298.5 kHz, which takes off 80 log10(2)·(1.5 kHz/9 kHz)² dB.
    assert!((peak - (66.02 - 80.0 * 2f64.log10() * (1.5f64 / 9.0).powi(2))).abs() < 0.02, "{peak}");
}

#[test]
fn high_pass_and_chain_are_divided_out_and_the_extension_is_marked() {
    let uncertainty = Some(Uncertainty { db: 3f64.sqrt() * 0.3, distribution: Distribution::Rectangular });
    let probe = Part { name: "probe".into(), kind: Kind::Ratio(10.0), uncertainty, note: String::new() };
    let wire = Chain::new(Role::Wire, String::new(), vec![probe], Recorder::default()).unwrap();
    let setup = Arc::new(Setup { files: Vec::new(), wire: Some(wire), air: None });
    let settings = Settings { setup: Some(setup), ..around(2e3, 12e3) };
    let request = Request { extend: true, budget: true, course: Some(hertz(2.5e3)), ..Request::default() };
    let capture = read(100e3, &tone(100e3, 1.6, 2.5e3), &settings, &request).unwrap();
    // Of 2.5 kHz the high-pass takes 0.0028 dB, of 2 kHz 0.017 dB; the probe took 20 dB.
    assert!((at(&capture, "peak", 2.5e3) - 86.02).abs() < 0.002, "{}", at(&capture, "peak", 2.5e3));
    assert_eq!(capture.channels[0].frequency_hz[0], 2e3);
    assert_eq!(capture.analysis.extension_below_hz, Some(9e3));
    assert!(has(&capture, "extension"));
    let rows = String::from_utf8(columns::readings(std::slice::from_ref(&capture)).unwrap()).unwrap();
    assert_eq!(rows.lines().filter(|row| row.contains(",true,false")).count(), 70);
    let budget = capture.channels[0].budget.as_ref().unwrap();
    let row = |name: &str| budget.rows.iter().find(|row| row.quantity.contains(name)).unwrap().standard_uncertainty;
    assert!((row("probe") - 0.3).abs() < 1e-12);
    // Bounds of 0.03 and 0.6 dB, rectangular.
    assert!((row("filter and steps") - 0.03 / 3f64.sqrt()).abs() < 1e-12);
    assert!((row("circuit") - 0.6 / 3f64.sqrt()).abs() < 1e-12);
    assert!(budget.combined > 0.45 && budget.combined < 0.48, "{}", budget.combined);
    // The needles reach the level of the sine from below.
    let course = capture.channels[0].course.as_ref().unwrap();
    let last = Level::of_rms(*course.quasi_peak.last().unwrap()).get();
    assert!((last - 86.02).abs() < 0.05 && course.quasi_peak[0] < 0.01 * course.quasi_peak[150], "{last}");
    let picture = pictures::receiver(&capture, &settings);
    assert_eq!(picture.rows.len(), 3);
    let rows = String::from_utf8(columns::courses(&[capture]).unwrap()).unwrap();
    assert!(rows.lines().count() > 100);
}

#[test]
fn pulses_that_come_with_the_mains_read_alike_repeated_and_long() {
    let rate = 400e3;
    let ring = |n: usize| {
        let n = n % 4000;
        0.05 * (-(n as f64) / 60.0).exp() * (TAU * 61e3 / rate * n as f64).sin()
    };
    let record = |seconds: f64| {
        let mut samples: Vec<f64> = (0..(rate * seconds) as usize).map(ring).collect();
        Tone { frequency_hz: 50.0, rms: 0.1, phase_rad: 0.0 }.add_to(&mut samples, rate);
        samples
    };
    let settings = around(60e3, 62e3);
    let long = read(rate, &record(2.5), &settings, &Request::default()).unwrap();
    let request = Request { repeat: true, ..Request::default() };
    let short = read(rate, &record(0.1), &settings, &request).unwrap();
    for detector in ["peak", "quasi_peak", "average", "rms_average", "rms", "mean"] {
        let (found, expected) = (at(&short, detector, 61e3), at(&long, detector, 61e3));
        assert!((found - expected).abs() < 0.05, "{detector} {found} {expected}");
    }
}

/// 47 CFR 18.307(a) (read in four yearly editions): 110 dBµV at 50 kHz, 90 falling to 80 dBµV from 50 to 150 kHz, straight
/// over the logarithm of the frequency, quasi-peak, behind a network 50 Ω ∥ 50 µH.
#[test]
fn a_margin_is_formed_only_behind_the_network_that_the_level_is_stated_for() {
    let curve = published().iter().find(|curve| curve.name == "induction-us").unwrap().clone();
    let samples = tone(400e3, 0.4, 100e3);
    let margin = |port: Option<Port>| {
        let part = Part { name: "network".into(), kind: Kind::Ratio(1.0), uncertainty: None, note: String::new() };
        let chain = Chain::new(Role::Wire, String::new(), vec![part], Recorder::default()).unwrap();
        let setup = Setup { files: Vec::new(), wire: Some(Chain { port, ..chain }), air: None };
        let settings = Settings { setup: Some(Arc::new(setup)), ..around(95e3, 105e3) };
        let request = Request { repeat: true, ..Request::default() };
        let mut capture = read(400e3, &samples, &settings, &request).unwrap();
        capture.hold_against(std::slice::from_ref(&curve));
        capture.channels[0].against[0].clone()
    };
    let formed = margin(Some(Port::VNetworkWithoutResistor));
    assert_eq!(formed.status, Status::Margin);
    // 2 mV read 66.02 dBµV on every detector; 90 − 10·log(2)/log(3) = 83.691 dBµV are published for 100 kHz.
    assert!((formed.margin_db.unwrap() - (83.691 - 66.021)).abs() < 0.05, "{:?}", formed.margin_db);
    assert_eq!(formed.frequency_hz, Some(100e3));
    for port in [None, Some(Port::LineToNeutral)] {
        let drawn = margin(port);
        assert!(drawn.status == Status::Drawn && drawn.margin_db.is_none() && drawn.reason.is_some());
    }
}
