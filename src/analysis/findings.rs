//! What is there to know of the samples of a capture: length, clipping, resolution, floor, folded-back signals.

use super::observe::{FloorShare, Observed};
use super::pipeline::Passed;
use crate::capture::{Channel, Role};
use crate::error::Finding;
use crate::measure::detector::QUASI_PEAK_SECONDS;
use crate::measure::quality::ChannelStatistics;
use crate::units::{Band, Level, engineering};

/// Below this many bits a record counts as coarse.
const FEW_BITS: f64 = 6.0;
/// A mean beyond this share of the half span counts as an offset worth telling.
const OFFSET_SHARE: f64 = 0.25;
/// A comparison of single captures wants at least this many mains periods.
pub const FEWEST_PERIODS: u64 = 8;
/// Steps within this factor of those stated are the same: ranges are named in round figures.
const STEPS_DIFFER: f64 = 1.5;
/// A fiftieth of a period: beyond it a record is not a whole number of periods.
const WHOLE_PERIODS: f64 = 0.02;

/// All findings on a capture: of the reader, of the pipeline, of the samples, of the spectrum.
pub fn of_observed(observed: &Observed) -> Vec<Finding> {
    let mut findings = of_samples(&observed.passed);
    for channel in 0..observed.channels.len() {
        let statistics = observed.statistics(channel);
        if !statistics.is_dead() {
            let name = &observed.channels[channel].name;
            coarse_finding(observed, channel, name, &mut findings);
            steps_finding(observed, channel, name, &mut findings);
            floor_finding(observed, channel, name, &mut findings);
            aliasing_finding(observed, channel, name, &mut findings);
        }
    }
    findings
}

/// The findings on a capture that need no spectrum: of the reader, of the pipeline, of the samples.
pub fn of_samples(passed: &Passed) -> Vec<Finding> {
    let mut findings = passed.header.findings.clone();
    findings.extend(passed.findings.iter().cloned());
    length_findings(passed, &mut findings);
    for (channel, &index) in passed.channels.iter().zip(&passed.selected) {
        channel_findings(channel, &passed.statistics.channels[index], &mut findings);
    }
    let name = |index: usize| passed.header.channels[index].name.as_str();
    let statistics = &passed.statistics;
    for &(a, b) in &statistics.identical {
        if !statistics.channels[a].is_dead() {
            findings.push(Finding::limit(
                "identical_channels",
                format!("channels {} and {} are equal sample by sample: the same signal twice", name(a), name(b)),
            ));
        }
    }
    if let Some((distance, length)) = statistics.repeated {
        findings.push(Finding::limit(
            "repeated_samples",
            format!(
                "at least {length} samples in a row repeat those {distance} samples earlier exactly, which no real signal \
                 with noise does: a buffer written twice, or a synthetic signal"
            ),
        ));
    }
    findings
}

fn length_findings(passed: &Passed, findings: &mut Vec<Finding>) {
    let rate = passed.header.clock.rate.get();
    let duration = passed.statistics.samples as f64 / rate;
    let mains = passed.mains;
    let cycles = duration * mains.frequency_hz;
    let wanted = if mains.nominal_hz > 55.0 { 12.0 } else { 10.0 };
    // A record of 0.2 s at 49.95 Hz is as long as intended though it holds 9.99 periods.
    if cycles < wanted - 0.1 {
        findings.push(Finding::limit(
            "too_short",
            format!(
                "{cycles:.1} mains periods; measurements after IEC 61000-4-7 and 61000-4-30 rest on {wanted} of them"
            ),
        ));
    }
    let settled = duration - passed.settling_samples as f64 / rate;
    let periods = (settled * mains.frequency_hz).floor();
    if periods < FEWEST_PERIODS as f64 {
        findings.push(Finding::limit(
            "few_periods",
            format!(
                "{periods} whole mains {} once the high-pass has settled: a single pair of such captures hardly shows a \
                 difference; take three or more captures a side",
                if periods < 2.0 { "period" } else { "periods" }
            ),
        ));
    }
    let whole = cycles.round();
    if whole >= 1.0 && (cycles - whole).abs() > WHOLE_PERIODS {
        findings.push(Finding::note("not_whole_periods", format!("{cycles:.2} mains periods, not a whole number")));
    }
    if duration < QUASI_PEAK_SECONDS {
        findings.push(Finding::note(
            "no_quasi_peak",
            format!("{duration:.3} s: a settled quasi-peak value takes about {QUASI_PEAK_SECONDS} s"),
        ));
    }
}

fn channel_findings(channel: &Channel, statistics: &ChannelStatistics, findings: &mut Vec<Finding>) {
    let (name, unit) = (&channel.name, channel.quantity.symbol());
    if statistics.is_dead() {
        let severity = if channel.role == Role::Wire { Finding::unfit } else { Finding::limit };
        findings.push(severity(
            "dead_channel",
            format!("channel {name} carries nothing: {} all along", engineering(statistics.max, unit)),
        ));
        return;
    }
    if statistics.clipped_fraction > 0.0 {
        findings.push(Finding::limit(
            "clipped",
            format!(
                "channel {name}: {:.2} % of the samples stand at the limit of the range ({} to {}); cut tops make harmonics \
                 that are not on the line, so record again on a larger range",
                100.0 * statistics.clipped_fraction,
                engineering(statistics.min, unit),
                engineering(statistics.max, unit)
            ),
        ));
    }
    let half_span = (statistics.max - statistics.min) / 2.0;
    if statistics.mean.abs() > OFFSET_SHARE * half_span {
        findings.push(Finding::note(
            "offset",
            format!(
                "channel {name}: a mean of {} beside a half span of {}",
                engineering(statistics.mean, unit),
                engineering(half_span, unit)
            ),
        ));
    }
}

fn coarse_finding(observed: &Observed, channel: usize, name: &str, findings: &mut Vec<Finding>) {
    let (statistics, unit) = (observed.statistics(channel), observed.recorded_unit(channel));
    let (Some(step), Some(codes), Some(bits)) =
        (statistics.resolution, statistics.codes_spanned, statistics.effective_bits())
    else {
        return;
    };
    if bits < FEW_BITS {
        let enbw = observed.spectral.enbw_hz;
        let floor =
            observed.floor_density(channel).map_or(f64::NAN, |density| Level::of_rms((density * enbw).sqrt()).get());
        findings.push(Finding::limit(
            "coarse",
            format!(
                "channel {name} spans {codes} codes of the converter ({bits:.1} bits): steps of {} make a floor of {floor:.1} {} \
                 in {enbw:.0} Hz, q/√12 spread over half the sampling rate",
                engineering(step, unit),
                observed.channels[channel].quantity.level_reference()
            ),
        ));
    }
}

/// Range and bits of a setup file that the steps of the record contradict.
fn steps_finding(observed: &Observed, channel: usize, name: &str, findings: &mut Vec<Finding>) {
    let stated = observed.chains[channel].as_ref().and_then(|chain| chain.recorder.step_v());
    let Some((stated, seen)) = stated.zip(observed.statistics(channel).resolution) else { return };
    let unit = observed.recorded_unit(channel);
    let meaning = if seen > STEPS_DIFFER * stated {
        "the range was larger or the bits were fewer than stated"
    } else if stated > STEPS_DIFFER * seen {
        "the range was smaller, the bits were more, or the recorder averages"
    } else {
        return;
    };
    findings.push(Finding::limit(
        "steps_differ",
        format!(
            "channel {name}: the record has steps of {}, range and bits of the setup make {}: {meaning}; the floor is taken \
             from the record",
            engineering(seen, unit),
            engineering(stated, unit)
        ),
    ));
}

fn floor_finding(observed: &Observed, channel: usize, name: &str, findings: &mut Vec<Finding>) {
    let Some(share) = observed.floor_share(channel).filter(FloorShare::is_most) else { return };
    let statistics = observed.statistics(channel);
    let unit = observed.recorded_unit(channel);
    let is_measured = observed.chains[channel].as_ref().is_some_and(|chain| chain.recorder.noise.is_some());
    let made_by = match (statistics.resolution, statistics.rounding_mean_square()) {
        _ if is_measured => "what the recorder showed with its input shorted (setup)".to_owned(),
        (Some(step), Some(square)) => format!(
            "what the converter's steps alone make ({}, {} RMS over 0 to half the sampling rate), and converters are commonly \
             somewhat worse than their steps (common practice, no source)",
            engineering(step, unit),
            engineering(square.sqrt(), unit)
        ),
        _ => "what range and bits of the setup make".to_owned(),
    };
    findings.push(Finding::limit(
        "at_floor",
        format!(
            "channel {name}: above 9 kHz the level in {} of {} bands of 2 kHz lies within 6 dB ({} within 3 dB) of {made_by}: \
             what is seen there is most likely the \
             recorder's own, and a ranking by it would rank noise",
            share.within_6_db,
            share.bands,
            share.within_3_db
        ),
    ));
}

/// Energy that rises towards half the sampling rate has not been taken out before sampling.
fn aliasing_finding(observed: &Observed, channel: usize, name: &str, findings: &mut Vec<Finding>) {
    let nyquist = observed.rate().get() / 2.0;
    let density = |from: f64, to: f64| {
        let band = Band::new(from * nyquist, to * nyquist).ok()?;
        Some(observed.densities[channel].mean.mean_square_in(band) / band.width())
    };
    let (Some(top), Some(below)) = (density(0.9, 1.0), density(0.6, 0.8)) else { return };
    let floor = observed.floor_density(channel).unwrap_or(0.0);
    // A factor of two is 3 dB; ten times the rounding floor cannot be the converter.
    if top > 2.0 * below && top > 10.0 * floor {
        findings.push(Finding::limit(
            "aliasing_suspected",
            format!(
                "channel {name}: the density in the last tenth below half the sampling rate is {:.0} dB above that further down; \
                 a recorder with a low-pass shows a fall there, so signals beyond {:.0} kHz may have folded back into the range",
                10.0 * (top / below).log10(),
                nyquist / 1e3
            ),
        ));
    }
}
