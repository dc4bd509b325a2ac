//! Conclusions in sentences, as they stand above tables and beside pictures.

use crate::analysis::bands::CaptureBands;
use crate::analysis::batch::{Batch, Status};
use crate::analysis::compare::{Comparison, LoadChange, SideSummary};
use crate::analysis::coupling::{Coupling, CouplingChange};
use crate::analysis::emissions::{CaptureEmissions, EmissionComparison, EmissionRow};
use crate::analysis::over_time::{OverTime, WholeChannel};
use crate::analysis::phase_map::{BandInCycle, CapturePhaseMap, ChannelPhaseMap, PhaseReference};
use crate::analysis::receiver::{CaptureReadings, Period, Reception};
use crate::analysis::self_test::Installation;
use crate::analysis::setup::ChannelChain;
use crate::analysis::spectrum::CaptureSpectrum;
use crate::analysis::transients::{CaptureTransients, ChannelTransients, PHASE_BINS};
use crate::analysis::waveform::CaptureWaveform;
use crate::capture::{Quantity, Role};
use crate::compare::added::{BandAddition, Verdict as Added};
use crate::compare::before_after::{BandChange, Verdict as Changed};
use crate::compare::coupling::{Ambient, BandCause, Cause, Verdict as Coupled};
use crate::compare::emissions::{Fate, Whereabouts};
use crate::compare::load::BandLoad;
use crate::compare::margin::{Against, INDICATION, NOT_EXPOSURE, SUM_OF_BANDS, Status as Stands};
use crate::levels::{Curve, Kind};
use crate::measure::detector::{DETECTORS, Detector};
use crate::measure::groups::{Formed, Grouping};
use crate::units::{Hertz, engineering};

/// How many bands a sentence names.
const NAMED: usize = 3;

/// "on the wire", "in the air".
pub fn place(role: Role) -> &'static str {
    match role {
        Role::Wire => "on the wire",
        Role::Air => "in the air",
        Role::Other => "in the other channel",
    }
}

/// The same at the head of a sentence.
pub fn place_first(role: Role) -> &'static str {
    match role {
        Role::Wire => "On the wire",
        Role::Air => "In the air",
        Role::Other => "In the other channel",
    }
}

/// An RMS value with its level: `3.10 mV (69.8 dBµV)`.
fn value(rms: f64, unit: &Quantity) -> String {
    let level = crate::units::Level::of_rms(rms).get();
    format!("{} ({} {})", engineering(rms, unit.symbol()), minus(level), unit.level_reference())
}

/// A level with one decimal; minus is a minus.
fn minus(level: f64) -> String {
    format!("{level:.1}").replace('-', "−")
}

fn list(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// The strongest frequency of each channel.
pub fn of_spectrum(capture: &CaptureSpectrum) -> Vec<String> {
    capture
        .channels
        .iter()
        .filter_map(|channel| {
            let strongest = (0..channel.rms.len()).max_by(|&a, &b| channel.rms[a].total_cmp(&channel.rms[b]))?;
            let frequency = Hertz::new(channel.frequency_hz[strongest]).ok()?;
            let floor = channel.floor_level_db.map_or(String::new(), |floor| {
                format!("; the recorder's own floor is at {} {}", minus(floor.get()), channel.unit.level_reference())
            });
            Some(format!(
                "{} the strongest line is at {frequency}: {} in {:.0} Hz{floor}.",
                place_first(channel.role),
                value(channel.rms[strongest], &channel.unit),
                capture.analysis.enbw_hz
            ))
        })
        .collect()
}

/// A level with document, edition and how sure our copy is.
fn cited(curve: &Curve) -> String {
    let file = curve.file.as_ref().map_or(String::new(), |file| format!(", file {}", short_name(file)));
    format!("{} ({}, {}; our copy: {}{file})", curve.name, curve.document, curve.edition, curve.confidence.word())
}

/// Where a level comes from, and what it is stated for.
pub fn of_source(curve: &Curve) -> String {
    let clause = if curve.clause.is_empty() { String::new() } else { format!(", {}", curve.clause) };
    let file = curve.file.as_ref().map_or(String::new(), |file| format!(", file {}", short_name(file)));
    format!(
        "{}, {}{clause}; {}, {}; for {}; our copy: {}{file}",
        curve.document,
        curve.edition,
        stated_for(curve),
        curve.port.about(),
        curve.scope,
        curve.confidence.word()
    )
}

/// Detector and bandwidth of a level: `quasi-peak, 200 Hz`.
pub fn stated_for(curve: &Curve) -> String {
    match (curve.detector, curve.bandwidth_hz.and_then(|hertz| Hertz::new(hertz).ok()), curve.kind) {
        (detector, Some(bandwidth), _) => format!("{}, {bandwidth}", detector.word()),
        (detector, None, Kind::ExposureReference) => format!("{}, each frequency", detector.word()),
        (detector, None, _) => detector.word().into(),
    }
}

/// Kilohertz in as few digits as it takes.
fn khz(hertz: f64) -> String {
    let text = format!("{:.3}", hertz / 1e3);
    format!("{} kHz", text.trim_end_matches('0').trim_end_matches('.'))
}

/// What a channel is against a level, with where that comes from and what it applies to.
pub fn of_against(role: Role, against: &Against) -> String {
    let (place, curve) = (place(role), &against.curve);
    let reason = against.reason.as_deref().unwrap_or_default();
    match (against.status, in_short(role, against)) {
        (_, Some(figure)) => format!("{figure} {}: {}.", curve.name, of_source(curve)),
        (Stands::Refused, None) => format!("{} is not held against what is {place}: {reason}.", cited(curve)),
        _ => format!("No margin is formed to {} {place}: {reason}.", cited(curve)),
    }
}

/// The smallest margin or the sum of ratios; `None` where there is neither.
pub fn in_short(role: Role, against: &Against) -> Option<String> {
    let (first, name) = (place_first(role), &against.curve.name);
    if let Some(sum) = against.sum_of_ratios {
        return Some(format!("{first} the ratios to {name} add up to {} over the bands.", digits(sum)));
    }
    Some(format!(
        "{first} the smallest margin to {name} is {} dB, at {}; readings from {} to {}.",
        signed(against.margin_db?),
        khz(against.frequency_hz?),
        khz(against.margins_from_hz?),
        khz(against.margins_to_hz?)
    ))
}

/// A ratio with three digits: `0.000885`.
fn digits(ratio: f64) -> String {
    let decimals = (0u8..12).find(|&k| ratio * 10f64.powi(i32::from(k)) >= 99.5).unwrap_or(12);
    format!("{ratio:.*}", usize::from(decimals))
}

/// What is said of the figures beside published levels.
pub fn of_statements(against: &[Against]) -> Vec<&'static str> {
    let mut statements = vec![INDICATION];
    if against.iter().any(|against| against.curve.kind == Kind::ExposureReference) {
        statements.push(NOT_EXPOSURE);
    }
    if against.iter().any(|against| against.status == Stands::Sum) {
        statements.push(SUM_OF_BANDS);
    }
    statements
}

/// All that a level is stated for.
pub fn of_level(curve: &Curve) -> Vec<String> {
    let mut lines = vec![
        format!("{}: {}.", curve.name, curve.title),
        format!("Document:   {}", curve.document),
        format!("Edition:    {}", curve.edition),
    ];
    let maybe = [("Clause", &curve.clause)].into_iter().filter(|(_, text)| !text.is_empty());
    lines.extend(maybe.map(|(name, text)| format!("{name}:     {text}")));
    lines.extend([
        format!("Kind:       {}", curve.kind.word()),
        format!("Stated for: {}", stated_for(curve)),
        format!("Port:       {}: {}", curve.port.word(), curve.port.about()),
        format!("Unit:       {} (levels in {})", curve.unit, curve.level_reference()),
        format!("Scope:      {}", curve.scope),
        format!("Our copy:   {}", curve.confidence.word()),
    ]);
    lines.extend(Some(&curve.note).filter(|note| !note.is_empty()).map(|note| format!("Note:       {note}")));
    lines.extend(curve.file.as_ref().map(|file| format!("File:       {file}")));
    lines
}

/// The total and the strongest band of each channel.
pub fn of_bands(capture: &CaptureBands) -> Vec<String> {
    capture
        .channels
        .iter()
        .map(|channel| {
            let strongest = channel.bands.iter().max_by(|a, b| a.rms.total_cmp(&b.rms));
            let strongest = strongest.map_or(String::new(), |band| {
                let share = 100.0 * (band.rms / channel.total.rms).powi(2);
                format!("; the strongest band is {} with {share:.0} % of the power", band.band)
            });
            let floor =
                if channel.total.near_floor { "; all of it within 3 dB of the recorder's own floor" } else { "" };
            format!(
                "{} {} in {}{strongest}{floor}.",
                place_first(channel.role),
                value(channel.total.rms, &channel.unit),
                channel.total.band
            )
        })
        .collect()
}

/// The level of each channel over a long recording, and when it was highest and lowest.
pub fn of_over_time(capture: &OverTime) -> Vec<String> {
    let (from_s, to_s) = match capture.intervals.as_slice() {
        [] => return Vec::new(),
        [first, ..] => (first.from_s, capture.intervals.last().map_or(first.to_s, |last| last.to_s)),
    };
    let count = capture.intervals.len();
    let sentence = |channel: &WholeChannel| {
        let total = &channel.total;
        let reference = channel.unit.level_reference();
        let at = |db: Option<f64>, at_s: f64| match db {
            Some(db) => format!("{} {reference} at {}", minus(db), time_of(at_s)),
            None => format!("nothing at {}", time_of(at_s)),
        };
        format!(
            "{} {} over {}; of {count} intervals of {} the highest is {}, the lowest {}.",
            place_first(channel.role),
            value(total.mean.rms, &channel.unit),
            duration(to_s - from_s),
            duration(capture.identity.every_s),
            at(total.highest_db, total.highest_at_s),
            at(total.lowest_db, total.lowest_at_s)
        )
    };
    capture.channels.iter().map(sentence).collect()
}

/// A duration in the unit that suits it: `0.2 s`, `10 min`, `24 h`.
pub fn duration(seconds: f64) -> String {
    let (value, unit) = match seconds {
        s if s < 120.0 => (s, "s"),
        s if s < 7200.0 => (s / 60.0, "min"),
        s => (s / 3600.0, "h"),
    };
    let text = format!("{value:.3}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A time from the beginning of a recording: `0:00:12.5`.
pub fn time_of(seconds: f64) -> String {
    let minutes = (seconds / 60.0).floor();
    let text = format!("{:06.3}", seconds - 60.0 * minutes);
    let rest = text.trim_end_matches('0').trim_end_matches('.');
    format!("{:.0}:{:02.0}:{rest}", (minutes / 60.0).floor(), minutes % 60.0)
}

/// The sum of the groups and the strongest group of each channel, then how they were formed.
pub fn of_groups(capture: &CaptureBands) -> Vec<String> {
    let Some(formed) = &capture.grouping else { return Vec::new() };
    let mut sentences = vec![format!("{}: {}.", capitalised(formed.grouping.words()), formed_words(formed))];
    for channel in &capture.channels {
        let Some(grouped) = &channel.grouped else { continue };
        let strongest = grouped.groups.iter().max_by(|a, b| a.value.rms.total_cmp(&b.value.rms));
        sentences.extend(strongest.map(|group| {
            let spread = group.min_level_db.zip(group.max_level_db).map_or(String::new(), |(least, most)| {
                format!(", {:.1} to {:.1} from window to window", least.get(), most.get()).replace('-', "−")
            });
            format!(
                "{} {} in all groups together; the strongest is at {} kHz with {}{spread}.",
                place_first(channel.role),
                value(grouped.sum_rms, &channel.unit),
                group.centre_hz / 1e3,
                value(group.value.rms, &channel.unit)
            )
        }));
    }
    sentences
}

/// How groups were formed: window, intervals, synchronisation.
pub fn formed_words(formed: &Formed) -> String {
    let plural = if formed.intervals == 1 { "" } else { "s" };
    let window = match formed.grouping {
        Grouping::TwoHundredHertz => "rectangular window".to_owned(),
        Grouping::TwoKilohertz => {
            format!("32 windows of 0.5 ms in each, {:.1} % of the time", 100.0 * formed.seen_share)
        }
    };
    let (low, high) = (formed.mains_low_hz, formed.mains_high_hz);
    let mains = if high - low < 0.005 { format!("{low:.2} Hz") } else { format!("{low:.2} to {high:.2} Hz") };
    let read = match formed.intervals_read {
        0 => "not read again in any".to_owned(),
        all if all == formed.intervals => "read from each".to_owned(),
        some => format!("read from {some} and carried on in the others"),
    };
    format!(
        "{} interval{plural} of {} cycles of a mains of {mains}, {read}; {window}",
        formed.intervals, formed.interval_cycles
    )
}

fn capitalised(text: &str) -> String {
    let mut characters = text.chars();
    characters.next().map_or(String::new(), |first| first.to_uppercase().chain(characters).collect())
}

/// Where in the mains cycle the noise of each channel sits.
pub fn of_phase_map(capture: &CapturePhaseMap) -> Vec<String> {
    capture.channels.iter().flat_map(|channel| of_cycle(channel, capture.phase_reference)).collect()
}

/// So much of the ups and downs must follow the mains for a band to be named.
const WORTH_NAMING: f64 = 0.1;
/// A maximum closer to the mean than this many decibels is not worth a phase, however sure it is.
const LEAST_CREST_DB: f64 = 1.0;

/// Whether the phase of the maximum of a band says something.
pub fn stands_out(band: &BandInCycle) -> bool {
    band.shown && band.crest_db >= LEAST_CREST_DB
}

fn of_cycle(channel: &ChannelPhaseMap, reference: PhaseReference) -> Vec<String> {
    let place_first = place_first(channel.role);
    let total = &channel.total;
    let follows = |value| format!("; {} of its ups and downs follow the mains", share(value, None));
    let mut sentences = vec![if stands_out(total) {
        format!(
            "{place_first} the noise in {} is strongest {}, {:.1} dB over its mean{}.",
            total.band,
            where_in_cycle(total, reference),
            total.crest_db,
            total.lock_share.map_or(String::new(), follows)
        )
    } else {
        format!("{place_first} no phase of the mains stands out in {} as a whole.", total.band)
    }];
    let mut named: Vec<&BandInCycle> = channel
        .bands
        .iter()
        .filter(|band| stands_out(band) && band.lock_share.is_some_and(|share| share >= WORTH_NAMING))
        .collect();
    named.sort_by(|a, b| b.crest_db.total_cmp(&a.crest_db));
    let count = named.len();
    let words: Vec<String> = named
        .iter()
        .take(NAMED)
        .map(|band| format!("{} {} ({} dB)", band.band, where_in_cycle(band, reference), signed(band.crest_db)))
        .collect();
    if !words.is_empty() {
        let most = if count > words.len() { "; most" } else { "" };
        sentences.push(format!(
            "{place_first} {count} of {} bands swell with the mains{most}: {}.",
            channel.bands.len(),
            list(&words)
        ));
    }
    sentences
}

/// `at 93°`, or both places where it swells twice in a cycle.
pub fn where_in_cycle(band: &BandInCycle, reference: PhaseReference) -> String {
    let phase = band.loudest_phase_deg;
    let relative = if reference == PhaseReference::StartOfRecord { " from the start" } else { "" };
    if band.twice_a_cycle {
        let other = (phase + 180.0).rem_euclid(360.0);
        format!("around {:.0}° and {:.0}°{relative}", phase.min(other), phase.max(other))
    } else {
        format!("around {phase:.0}°{relative}")
    }
}

/// Where no difference would have been shown, however large.
pub(super) const NONE_SHOWN: &str = "captures like these can show none, more of them can";

/// What a load adds.
pub fn of_addition(comparison: &Comparison<BandAddition>) -> Vec<String> {
    let mut sentences = Vec::new();
    for channel in &comparison.channels {
        let unit = channel.unit.symbol();
        let total = &channel.total;
        let place_first = place_first(channel.role);
        sentences.push(match (total.verdict, total.added_rms, total.added_ci95_rms) {
            (Added::Adds, Some(added), Some([low, high])) => format!(
                "{place_first} the load adds {} ({} to {}) in {}.",
                engineering(added, unit),
                engineering(low, unit),
                engineering(high, unit),
                total.band
            ),
            (Added::Adds, _, _) => format!("{place_first} the load adds in {}.", total.band),
            (Added::Lower, _, _) => format!(
                "{place_first} there is less with the load on in {}: {}.",
                total.band,
                change(total.rise_db, total.ci95_db)
            ),
            (Added::NoDifferenceShown, _, _) => format!(
                "{place_first} no difference shown in {} as a whole{}.",
                total.band,
                total.smallest_shown_rms.map_or(format!("; {NONE_SHOWN}"), |rms| format!(
                    "; an addition of {} or more would have been",
                    engineering(rms, unit)
                ))
            ),
        });
        let mut adding: Vec<&BandAddition> = channel.bands.iter().filter(|b| b.verdict == Added::Adds).collect();
        adding.sort_by(|a, b| b.added_rms.unwrap_or(0.0).total_cmp(&a.added_rms.unwrap_or(0.0)));
        let named: Vec<String> = adding
            .iter()
            .take(NAMED)
            .map(|b| format!("{} ({})", b.band, engineering(b.added_rms.unwrap_or(0.0), unit)))
            .collect();
        sentences.push(bands_sentence(place_first, "adds", adding.len(), channel.bands.len(), &named));
    }
    sentences
}

/// The highest reading of each channel, and what the readings rest on.
pub fn of_readings(capture: &CaptureReadings) -> Vec<String> {
    let mut sentences: Vec<String> = capture
        .channels
        .iter()
        .filter_map(|channel| {
            let place = *channel.highest(1, 0.0).first()?;
            let frequency = Hertz::new(channel.frequency_hz[place]).ok()?;
            let (leading, levels) = channel.leading();
            let others: Vec<String> = ["peak", "rms_average", "average"]
                .into_iter()
                .filter(|name| *name != leading.name)
                .filter_map(|name| {
                    let words = DETECTORS[Detector::place(name)?].words;
                    Some(format!("{words} {}", minus(channel.of(name)?[place].get())))
                })
                .collect();
            let extension = capture.analysis.extension_below_hz.is_some_and(|low| frequency.get() < low);
            Some(format!(
                "{} the highest {} reading is {} {} at {frequency}{} ({}).",
                place_first(channel.role),
                leading.words,
                minus(levels[place].get()),
                channel.unit.level_reference(),
                if extension { ", which is below the band" } else { "" },
                others.join(", ")
            ))
        })
        .collect();
    sentences.extend(of_period(&capture.analysis));
    if let Some(reason) = capture.channels.iter().find_map(|channel| channel.reason.as_ref()) {
        sentences.push(format!("No quasi-peak reading: {reason}."));
    }
    sentences
}

/// That a record was taken for one period, where it was.
fn of_period(analysis: &Reception) -> Option<String> {
    let Period { period_s, mains_cycles } = analysis.repeated?;
    let cycles = if mains_cycles == 1 { "1 mains cycle".to_owned() } else { format!("{mains_cycles} mains cycles") };
    Some(format!(
        "All readings take {cycles} of the record ({:.2} ms) for one period of a signal that repeats for ever.",
        1e3 * period_s
    ))
}

/// How a receiver was set, for notes and captions.
pub fn of_reception(analysis: &Reception) -> Vec<String> {
    let ms = |seconds: f64| 1e3 * seconds;
    let mut sentences = vec![format!(
        "CISPR 16-1-1 band {}: Gaussian filter {} Hz wide at 6 dB, every {} Hz from {} to {} kHz; quasi-peak charge {} ms, \
         discharge {} ms, meter {} ms; RMS-average corner {} Hz; envelopes every {:.3} ms.",
        analysis.band,
        analysis.bandwidth_hz,
        analysis.step_hz,
        analysis.first_hz / 1e3,
        analysis.last_hz / 1e3,
        ms(analysis.charge_s),
        ms(analysis.discharge_s),
        ms(analysis.meter_s),
        analysis.corner_hz,
        ms(analysis.envelope_step_s)
    )];
    sentences.extend(of_period(analysis));
    if let Some(low) = analysis.extension_below_hz {
        sentences.push(format!("Below {} kHz: an extension, no part of band {}.", low / 1e3, analysis.band));
    }
    sentences.push(INDICATION.to_owned());
    sentences
}

/// What changed.
pub fn of_change(comparison: &Comparison<BandChange>) -> Vec<String> {
    let mut sentences = Vec::new();
    for channel in &comparison.channels {
        let total = &channel.total;
        let place_first = place_first(channel.role);
        let amount = change(total.change_db, total.ci95_db);
        sentences.push(match total.verdict {
            Changed::Lower => format!("{place_first} the level in {} falls: {amount}.", total.band),
            Changed::Higher => format!("{place_first} the level in {} rises: {amount}.", total.band),
            Changed::NoChangeShown => format!(
                "{place_first} no change shown in {} as a whole, {amount}{}.",
                total.band,
                total.smallest_shown_db.map_or(format!("; {NONE_SHOWN}"), |db| format!(
                    "; a change of {db:.1} dB or more would have been"
                ))
            ),
        });
        for (verdict, word) in [(Changed::Lower, "falls"), (Changed::Higher, "rises")] {
            let mut changed: Vec<&BandChange> = channel.bands.iter().filter(|b| b.verdict == verdict).collect();
            changed.sort_by(|a, b| b.change_db.unwrap_or(0.0).abs().total_cmp(&a.change_db.unwrap_or(0.0).abs()));
            if changed.is_empty() && verdict == Changed::Higher {
                continue;
            }
            let named: Vec<String> = changed
                .iter()
                .take(NAMED)
                .map(|b| format!("{} ({} dB)", b.band, signed(b.change_db.unwrap_or(0.0))))
                .collect();
            sentences.push(bands_sentence(place_first, word, changed.len(), channel.bands.len(), &named));
        }
        sentences.extend(channel.load.as_ref().map(|load| of_load_change(channel.role, load)));
    }
    sentences
}

/// What the filter changes of the load's own noise, over the whole range or in the strongest band that tells.
fn of_load_change(role: Role, load: &LoadChange) -> String {
    let place_first = place_first(role);
    let told = |row: &&BandLoad| row.ci95_db.is_some_and(|ends| ends.iter().any(|end| end.is_finite()));
    let strength = |row: &BandLoad| row.before.added_rms.unwrap_or(0.0);
    let strongest = load.bands.iter().filter(told).max_by(|a, b| strength(a).total_cmp(&strength(b)));
    let row = Some(&load.total).filter(told).or(strongest);
    match row {
        Some(row) => {
            let amount = match (row.change_db, row.ci95_db) {
                (None, Some(interval)) => format!("{} dB", ends(interval)),
                (db, interval) => change(db, interval),
            };
            format!(
                "{place_first} what the load itself adds in {} changes by {amount} with the filter.",
                row.before.band
            )
        }
        None if load.total.below_off => format!(
            "{place_first} there is less after the filter than with the load off: what it does to the load's own noise cannot be told."
        ),
        None => format!("{place_first} the filter's effect on what the load itself adds cannot be told in any band."),
    }
}

/// What every statement on coupling is to be read with.
pub const NOT_CAUSE: &str = "Coherence is not cause: a common source outside both gives it as well.";

/// The names of files, the first one and how many more.
pub fn of_files(paths: &[String]) -> String {
    match paths {
        [first, others @ ..] if !others.is_empty() => format!("{first} and {} more, taken together", others.len()),
        _ => paths.concat(),
    }
}

/// `62 % (58 to 66)`; as many decimals as shares close to nothing or to all deserve.
pub fn share(value: f64, interval: Option<[f64; 2]>) -> String {
    let percent = |value: f64| {
        let percent = 100.0 * value;
        if (2.0..=98.0).contains(&percent) || percent < 0.05 {
            format!("{percent:.0}")
        } else {
            format!("{percent:.1}")
        }
    };
    match interval {
        Some([low, high]) => format!("{} % ({} to {})", percent(value), percent(low), percent(high)),
        None => format!("{} %", percent(value)),
    }
}

/// How much of the air is the wire's, where it is strongest, and what else is in the air.
pub fn of_coupling(capture: &Coupling) -> Vec<String> {
    let total = &capture.total;
    let mut sentences = vec![match total.verdict {
        Coupled::Coherent => format!(
            "The wire explains {} of the air's power in {}.",
            share(total.coherent_share, total.share_ci95),
            total.band
        ),
        Coupled::SteadyTone => format!(
            "Wire and air hold the same steady tones in {}; whether one has to do with the other cannot be told from \
             this record.",
            total.band
        ),
        Coupled::NotShown => format!(
            "No coherence shown between wire and air in {}; a line would have to reach {:.2}.",
            total.band, capture.family_threshold
        ),
    }];
    let mut coherent: Vec<_> = capture.bands.iter().filter(|row| row.verdict == Coupled::Coherent).collect();
    coherent.sort_by(|a, b| b.explained_rms.total_cmp(&a.explained_rms));
    let named: Vec<String> = coherent
        .iter()
        .take(NAMED)
        .filter_map(|row| Some(format!("{} ({} dB)", row.band, signed_within(row.gain_db?, row.ci95_db?))))
        .collect();
    if !named.is_empty() {
        let most = if coherent.len() > named.len() { ", most in " } else { ": " };
        sentences.push(format!(
            "Coherent in {} of {} bands, with the gain from wire to air{most}{}.",
            coherent.len(),
            capture.bands.len(),
            list(&named)
        ));
    }
    sentences.extend(of_ambient(capture, false, "In the air, and not carried by the wire"));
    sentences.extend(of_ambient(capture, true, "Steady tones of which it cannot be told"));
    sentences.push(NOT_CAUSE.to_owned());
    sentences
}

fn of_ambient(capture: &Coupling, cannot_be_told: bool, what: &str) -> Option<String> {
    let mut lines: Vec<&Ambient> =
        capture.ambient.iter().filter(|line| line.cannot_be_told == cannot_be_told).collect();
    lines.sort_by(|a, b| b.rms.total_cmp(&a.rms));
    let named: Vec<String> = lines
        .iter()
        .take(NAMED)
        .filter_map(|line| {
            Some(format!(
                "{} ({})",
                Hertz::new(line.frequency_hz).ok()?,
                engineering(line.rms, capture.air_unit.symbol())
            ))
        })
        .collect();
    let more = lines.len() - named.len();
    let more = if more == 0 { String::new() } else { format!("; {more} weaker") };
    (!named.is_empty()).then(|| format!("{what}: {}{more}.", list(&named)))
}

/// Did the air change because the wire changed?
pub fn of_coupling_change(change: &CouplingChange) -> Vec<String> {
    let mut sentences = vec![of_cause(&change.total, &change.after)];
    let mut told: Vec<&BandCause> =
        change.bands.iter().filter(|row| matches!(row.verdict, Cause::Explained | Cause::InPart)).collect();
    told.sort_by(|a, b| b.explained_db.unwrap_or(0.0).abs().total_cmp(&a.explained_db.unwrap_or(0.0).abs()));
    sentences.extend(told.into_iter().take(NAMED).map(|row| of_cause(row, &change.after)));
    sentences.push(NOT_CAUSE.to_owned());
    sentences
}

fn of_cause(row: &BandCause, after: &Coupling) -> String {
    let band = row.band;
    let amount = |db: f64| format!("{:.1} dB", db.abs());
    let moved = |db: f64| if db < 0.0 { "fell" } else { "rose" };
    let Some((air, interval)) = row.air_change_db.zip(row.air_ci95_db) else {
        return format!("In {band} the captures say nothing of scatter, so nothing can be said of the air.");
    };
    let explained = || {
        let [low, high] = row.explained_ci95_db?;
        let falls = air < 0.0;
        // The size of a fall is stated without its sign, the smaller end first.
        let (low, high) = if falls { (-high, -low) } else { (low, high) };
        let decimals = if high - low < 0.25 { 2 } else { 1 };
        Some(format!("{low:.decimals$} to {high:.decimals$} dB").replace('-', "−"))
    };
    let left = || {
        let strongest = after.ambient.iter().filter(|line| band.contains(line.frequency_hz));
        let strongest = strongest.max_by(|a, b| a.rms.total_cmp(&b.rms))?;
        let level = engineering(strongest.rms, after.air_unit.symbol());
        let at = Hertz::new(strongest.frequency_hz).ok()?;
        Some(format!("; the strongest line left that the wire does not carry is at {at} ({level})"))
    };
    let wire = row.wire_change_db.map_or(String::new(), |db| format!(" The wire {} by {}.", moved(db), amount(db)));
    match row.verdict {
        Cause::NoChange => format!(
            "In {band} no change of the air is shown ({} dB), and the wire explains none.{wire}",
            ends(interval)
        ),
        Cause::Unknown => format!(
            "In {band} the air {} by {}; without coherence before, what the wire has to do with it cannot be told.{wire}",
            moved(air),
            amount(air)
        ),
        Cause::NotExplained => format!(
            "In {band} the air {} by {}, and the wire's change explains none of it{}.{wire}",
            moved(air),
            amount(air),
            left().unwrap_or_default()
        ),
        Cause::Explained | Cause::InPart => format!(
            "In {band} the air {} by {}, of which the wire explains {}{}.{wire}",
            moved(air),
            amount(air),
            explained().unwrap_or_else(|| "an unknown part".into()),
            left().unwrap_or_default()
        ),
    }
}

fn bands_sentence(place_first: &str, verb: &str, count: usize, of: usize, named: &[String]) -> String {
    let subject = if verb == "adds" { "the load adds" } else { "the level" };
    let verb = if verb == "adds" { String::new() } else { format!(" {verb}") };
    if count == 0 {
        return format!("{place_first} {subject}{verb} in none of {of} bands, as far as shown.");
    }
    let most = if count > named.len() { ", most in " } else { ": " };
    format!("{place_first} {subject}{verb} in {count} of {of} bands{most}{}.", list(named))
}

/// `−9.1 dB (−9.6 to −8.6)`.
fn change(db: Option<f64>, interval: Option<[f64; 2]>) -> String {
    match (db, interval) {
        (Some(db), Some(interval)) => format!("{} dB ({})", signed_within(db, interval), ends(interval)),
        (Some(db), None) => format!("{} dB, without an interval", signed(db)),
        _ => "a level of nothing on one side".into(),
    }
}

/// `−9.6 to −8.6`, or `at least +7.2` where the captures set no other end.
pub fn ends(interval: [f64; 2]) -> String {
    let [low, high] = interval;
    let written = |db| signed_within(db, interval);
    match (low.is_finite(), high.is_finite()) {
        (true, true) => format!("{} to {}", written(low), written(high)),
        (true, false) => format!("at least {}", written(low)),
        (false, true) => format!("at most {}", written(high)),
        (false, false) => "any".to_owned(),
    }
}

/// A number of decibels with its sign, one decimal.
pub fn signed(db: f64) -> String {
    with_sign(db, 1)
}

/// Zero has no sign; minus is a minus.
fn with_sign(db: f64, decimals: usize) -> String {
    let written = format!("{db:+.decimals$}");
    let is_zero = !written.contains(|c: char| ('1'..='9').contains(&c)) && db.is_finite();
    if is_zero { written[1..].to_owned() } else { written.replace('-', "−") }
}

/// The same with a second decimal where the interval is narrower than a quarter of a decibel.
pub fn signed_within(db: f64, [low, high]: [f64; 2]) -> String {
    with_sign(db, if high - low < 0.25 { 2 } else { 1 })
}

/// What the two sides are.
pub fn sides(first: &SideSummary, second: &SideSummary, names: (&str, &str)) -> String {
    let side = |name: &str, side: &SideSummary| {
        let plural = if side.captures == 1 { "" } else { "s" };
        format!("{name}: {} capture{plural}, {} mains periods", side.captures, side.mains_periods)
    };
    format!("{}; {}", side(names.0, first), side(names.1, second))
}

/// How a batch ranks.
pub fn of_batch(batch: &Batch) -> Vec<String> {
    let failed = batch.captures.iter().filter(|row| row.status == Status::Failed).count();
    let mut sentences = vec![match failed {
        0 if batch.captures.len() == 1 => "1 capture analysed.".to_owned(),
        0 => format!("{} captures analysed.", batch.captures.len()),
        _ => {
            format!("{} of {} captures analysed; {failed} failed.", batch.captures.len() - failed, batch.captures.len())
        }
    }];
    for role in [Role::Wire, Role::Air] {
        let ranked: Vec<_> = batch.ranking.iter().filter(|rank| rank.role == role).collect();
        let Some(first) = ranked.first() else { continue };
        let shared = ranked.iter().filter(|rank| rank.rank == first.rank).count();
        let floor = ranked.iter().filter(|rank| rank.mostly_floor).count();
        let who = if shared == 1 {
            format!("{} is highest", first.path)
        } else {
            format!("{} and {} more cannot be told apart at the top", first.path, shared - 1)
        };
        let noise = match floor {
            0 => String::new(),
            all if all == ranked.len() => {
                "; all of them are mostly the converter's own noise, so this ranks noise".into()
            }
            some => format!("; {some} are mostly the converter's own noise"),
        };
        sentences.push(format!("{} {who}{noise}.", place_first(role)));
    }
    sentences
}

/// The unit of the correction of a chain that leads from volts to a unit.
pub fn correction_unit(unit: &str) -> &'static str {
    match unit {
        "A" => "dB(S)",
        "V/m" => "dB(1/m)",
        "A/m" => "dB(S/m)",
        "T" => "dB(T/V)",
        _ => "dB",
    }
}

/// What the chains of a setup lead to, and how far.
pub fn of_chains(chains: &[ChannelChain]) -> Vec<String> {
    let one = |chain: &ChannelChain| {
        let reach = match (chain.low_hz, chain.high_hz) {
            (Some(low), Some(high)) => format!(", known from {} to {} kHz", low / 1e3, high / 1e3),
            _ => String::new(),
        };
        let port = chain.port.map_or(String::new(), |port| format!(" ({})", port.about()));
        let ideal = chain.parts.iter().filter(|part| part.kind.is_ideal()).count();
        let ideal = match ideal {
            0 => String::new(),
            count => format!("; {count} of {} parts ideal, by formula only", chain.parts.len()),
        };
        format!(
            "{} the chain leads from volts at the recorder to {}{port}{reach}{ideal}.",
            place_first(chain.role),
            chain.unit
        )
    };
    chains.iter().map(one).collect()
}

/// The largest excursions of each channel.
pub fn of_waveform(captures: &[CaptureWaveform]) -> Vec<String> {
    let mut sentences = Vec::new();
    for role in [Role::Wire, Role::Air] {
        let parts: Vec<String> = captures
            .iter()
            .filter_map(|capture| {
                let channel = capture.channels.iter().find(|channel| channel.role == role)?;
                let peak =
                    channel.settled_min.iter().chain(&channel.settled_max).fold(0.0f64, |peak, x| peak.max(x.abs()));
                let name =
                    if captures.len() == 1 { String::new() } else { format!(" ({})", short_name(&capture.path)) };
                Some(format!("{}{name}", engineering(peak, channel.unit.symbol())))
            })
            .collect();
        if !parts.is_empty() {
            sentences.push(format!("{} the peak with the mains removed is {}.", place_first(role), list(&parts)));
        }
    }
    sentences
}

/// How many emissions each channel shows, the strongest, the families, and what is in the air only.
pub fn of_emissions(capture: &CaptureEmissions) -> Vec<String> {
    let mut sentences = Vec::new();
    for channel in &capture.channels {
        let rows = &channel.emissions;
        let strongest = rows.iter().max_by(|a, b| a.rms.total_cmp(&b.rms));
        let what = match (rows.len(), strongest) {
            (0, _) | (_, None) => "no narrowband emission stands out".to_owned(),
            (1, Some(row)) => format!("one narrowband emission stands out, at {}", at(row, &channel.unit)),
            (count, Some(row)) => {
                format!("{count} narrowband emissions stand out, the strongest at {}", at(row, &channel.unit))
            }
        };
        sentences.push(format!("{} {what}.", place_first(channel.role)));
        let locked: Vec<String> = rows.iter().filter(|r| r.mains_locked).map(|r| kilohertz(r.frequency_hz)).collect();
        if !locked.is_empty() {
            let verb = if locked.len() == 1 { "swells" } else { "swell" };
            sentences.push(format!("{} {} kHz {verb} with the mains.", place_first(channel.role), named(&locked)));
        }
        let alone: Vec<String> = rows
            .iter()
            .filter(|r| r.whereabouts == Some(Whereabouts::AirOnly))
            .map(|r| kilohertz(r.frequency_hz))
            .collect();
        if !alone.is_empty() {
            sentences.push(format!("In the air only, and not on the wire: {} kHz.", named(&alone)));
        }
        if !channel.broad.is_empty() {
            let places: Vec<String> = channel.broad.iter().map(|rise| kilohertz(rise.frequency_hz)).collect();
            sentences.push(format!(
                "{} the floor also rises broadly, not as a line, around {} kHz.",
                place_first(channel.role),
                named(&places)
            ));
        }
    }
    sentences
}

fn kilohertz(frequency_hz: f64) -> String {
    format!("{:.2}", frequency_hz / 1e3)
}

fn at(row: &EmissionRow, unit: &Quantity) -> String {
    format!("{} kHz with {}", kilohertz(row.frequency_hz), value(row.rms, unit))
}

/// The first few of many.
fn named(parts: &[String]) -> String {
    const MANY: usize = 6;
    match parts.len().checked_sub(MANY) {
        Some(more) if more > 0 => format!("{} and {more} more", parts[..MANY].join(", ")),
        _ => list(parts),
    }
}

/// What became of the emissions of each channel.
pub fn of_emission_changes(comparison: &EmissionComparison) -> Vec<String> {
    comparison
        .channels
        .iter()
        .map(|channel| {
            let count = |fate| channel.emissions.iter().filter(|row| row.verdict == fate).count();
            let fates = [
                (Fate::Gone, "gone"),
                (Fate::New, "new"),
                (Fate::Moved, "moved"),
                (Fate::Lower, "lower"),
                (Fate::Higher, "higher"),
                (Fate::NoChangeShown, "without a change that shows"),
                (Fate::CannotTell, "of which it cannot be told"),
            ];
            let parts: Vec<String> = fates
                .into_iter()
                .map(|(fate, words)| (count(fate), words))
                .filter(|(count, _)| *count > 0)
                .map(|(count, words)| format!("{count} {words}"))
                .collect();
            let what = if parts.is_empty() { "no emission on either side".to_owned() } else { list(&parts) };
            format!("{}, of {} emissions: {what}.", place_first(channel.role), channel.emissions.len())
        })
        .collect()
}

/// How many impulses, where in the cycle, how they ring, and what wire and air have in common.
pub fn of_transients(capture: &CaptureTransients) -> Vec<String> {
    let mut sentences = Vec::new();
    for channel in &capture.channels {
        let place = place_first(channel.role);
        if channel.count == 0 {
            sentences.push(format!(
                "{place} no impulse stands out of the noise of {}.",
                engineering(channel.noise_rms, channel.unit.symbol())
            ));
            continue;
        }
        let plural = if channel.count == 1 { "" } else { "s" };
        let phases = phases(channel).map_or(String::new(), |phases| {
            let most = if channel.count > 1 { "most of them " } else { "" };
            format!(", {most}at {phases} of the mains")
        });
        let largest = channel.events.iter().map(|event| event.peak).fold(0.0, f64::max);
        sentences.push(format!(
            "{place} {} impulse{plural} in {:.3} s, {:.2} in a mains cycle{phases}; the largest is {}.",
            channel.count,
            capture.duration_s,
            channel.per_mains_cycle,
            engineering(largest, channel.unit.symbol())
        ));
        if let (Some(ring), Some(decay)) = (channel.ring_hz, channel.decay_s) {
            sentences.push(format!(
                "{place} {} of the {} listed ring, at {:.2} kHz with a decay of {} in the middle.",
                channel.ringing,
                channel.events.len(),
                ring / 1e3,
                engineering(decay, "s")
            ));
        }
    }
    let wire = capture.channels.iter().find(|channel| channel.role == Role::Wire);
    if let Some((wire, matched)) = wire.and_then(|wire| Some((wire, wire.matched?))).filter(|(wire, _)| wire.count > 0)
    {
        let delay = wire.other_delay_s.map_or(String::new(), |delay| match delay {
            d if d.abs() < 0.5 / capture.sample_rate_hz => ", at the same sample in the middle".to_owned(),
            d if d > 0.0 => format!(", in the middle {} later", engineering(d, "s")),
            d => format!(", in the middle {} earlier", engineering(-d, "s")),
        });
        sentences.push(format!(
            "{matched} of the {} listed on the wire begin in the air as well{delay}.",
            wire.events.len()
        ));
    }
    if let Some(reason) = capture.no_phase {
        sentences.push(format!("No mains phase is given: {reason}."));
    }
    sentences
}

/// The phases that hold most of the impulses: runs of bins until two thirds are told, if a third of the cycle does.
fn phases(channel: &ChannelTransients) -> Option<String> {
    let histogram = channel.phase_histogram.as_ref()?;
    let mut order: Vec<usize> = (0..histogram.len()).collect();
    order.sort_by_key(|&bin| std::cmp::Reverse(histogram[bin]));
    let mut told = 0;
    let mut bins: Vec<usize> = Vec::new();
    for bin in order {
        if 3 * told >= 2 * channel.count {
            break;
        }
        told += histogram[bin];
        bins.push(bin);
    }
    bins.sort_unstable();
    let width = 360 / PHASE_BINS;
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for bin in bins.iter().copied() {
        match runs.last_mut() {
            Some((_, end)) if *end == bin => *end = bin + 1,
            _ => runs.push((bin, bin + 1)),
        }
    }
    let words: Vec<String> = runs.iter().map(|(from, to)| format!("{}° to {}°", from * width, to * width)).collect();
    (3 * bins.len() <= PHASE_BINS && runs.len() <= 4).then(|| list(&words))
}

/// The last part of a path.
pub fn short_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// Whether an installation is sound, and what is not.
pub fn of_installation(installation: &Installation) -> String {
    if installation.sound {
        return "This installation is sound: known signals come out as they must.".to_owned();
    }
    let failed = installation.self_test.iter().filter(|check| !check.passed).map(|check| check.what);
    let folder = (!installation.folder_can_be_written).then_some("the folder cannot be written");
    format!("This installation is not sound: {}.", failed.chain(folder).collect::<Vec<_>>().join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decibels_carry_a_sign_and_as_many_decimals_as_they_deserve() {
        for (db, interval, text) in [
            (-9.14, [-9.6, -8.6], "−9.1"),
            (-9.14, [-9.2, -9.1], "−9.14"),
            (-0.001, [-0.1, 0.1], "0.00"),
            (0.04, [-1.0, 1.0], "0.0"),
        ] {
            assert_eq!(signed_within(db, interval), text);
        }
        assert_eq!(ends([7.23, f64::INFINITY]), "at least +7.2");
        assert_eq!(ends([f64::NEG_INFINITY, -1.0]), "at most −1.0");
    }
}
