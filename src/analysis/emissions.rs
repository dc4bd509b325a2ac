//! Which narrowband emissions stand out, what are they locked to, and what became of them?

use serde::Serialize;

use super::budget::chain_half_width_at;
use super::observe::{Input, with_inputs};
use super::pipeline::{Pipeline, rows, too_short};
use super::settings::Settings;
use crate::capture::chain::Chain;
use crate::capture::{Channel, Quantity, Recording, Role};
use crate::compare::added::widened;
use crate::compare::emissions::{EmissionChange, Fate, SideEmission, Whereabouts, changes, of_side, whereabouts};
use crate::error::{Error, Finding};
use crate::measure::emissions::{
    BroadRise, Criteria, Emission, Found, Gathering, Manner, Sideband, View, families, fine_length, search,
    signalling_band,
};
use crate::measure::mains::{Mains, MainsSource};
use crate::read::Source;
use crate::spread;
use crate::units::{Band, Level};

/// How the two spectra were made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Looks {
    /// Samples in a segment of the coarser spectrum.
    pub segment_samples: usize,
    /// Its noise bandwidth.
    pub enbw_hz: f64,
    /// How many segments it averages.
    pub segments: u64,
    /// Samples in a segment of the finer spectrum; `None` where the record is too short for one.
    pub fine_segment_samples: Option<usize>,
    /// Its noise bandwidth.
    pub fine_enbw_hz: Option<f64>,
    /// How many segments it averages.
    pub fine_segments: Option<u64>,
    /// The overlap of both.
    pub overlap: f64,
    /// Samples left out at the start while the high-pass settled.
    pub settling_samples: u64,
    /// The range searched.
    pub range_low_hz: f64,
    /// Its upper edge.
    pub range_high_hz: f64,
}

/// One emission as it is reported.
#[derive(Debug, Clone, Serialize)]
pub struct EmissionRow {
    /// Its number in the channel, low to high, from 1.
    pub number: usize,
    /// The frequency.
    pub frequency_hz: f64,
    /// Its 95 % interval.
    pub frequency_ci95_hz: [f64; 2],
    /// The level; of all of it where it is spread.
    pub level_db: Level,
    /// Its 95 % interval, from noise and scatter within the record.
    pub level_ci95_db: [Level; 2],
    /// The RMS value.
    pub rms: f64,
    /// How far it rises over the floor, or over the saddle towards a higher neighbour.
    pub prominence_db: f64,
    /// The width at −6 dB.
    pub bandwidth_hz: f64,
    /// The noise bandwidth at which it was found.
    pub resolution_hz: f64,
    /// The number of its family.
    pub family: Option<u32>,
    /// Which multiple of the family's fundamental it is.
    pub harmonic: Option<u32>,
    /// How it behaves.
    pub manner: Manner,
    /// How far it moves over the record.
    pub drift_hz: Option<f64>,
    /// The swing of its power at twice the mains frequency over the mean power; `None` where it cannot be seen.
    pub mains_modulation: Option<f64>,
    /// Whether that swing is too regular for chance.
    pub mains_locked: bool,
    /// Its sidebands.
    pub sidebands: Vec<Sideband>,
    /// Where it shows, when both channels are there.
    pub whereabouts: Option<Whereabouts>,
    /// The range of mains signalling that it lies in; a name, no statement of who sends.
    pub signalling_band: Option<&'static str>,
    /// What it is, in words.
    pub note: String,
}

/// The emissions of one channel.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelEmissions {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit.
    pub unit: Quantity,
    /// The emissions, low to high.
    pub emissions: Vec<EmissionRow>,
    /// Rises that are no lines.
    pub broad: Vec<BroadRise>,
    /// The frequencies of the bins of the coarser spectrum.
    pub frequency_hz: Vec<f64>,
    /// Its level in one noise bandwidth.
    pub level_db: Vec<Level>,
    /// The floor that prominence is counted from.
    pub floor_level_db: Vec<Level>,
    #[serde(skip)]
    found: Found,
}

/// The emissions of one capture.
#[derive(Debug, Clone, Serialize)]
pub struct CaptureEmissions {
    /// The file.
    pub path: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// The mains.
    pub mains: Mains,
    /// How the spectra were made.
    pub analysis: Looks,
    /// The channels, the wire first.
    pub channels: Vec<ChannelEmissions>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// One side of a change.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideRow {
    /// The mean frequency.
    pub frequency_hz: f64,
    /// The level of the mean power.
    pub level_db: Level,
    /// The RMS value.
    pub rms: f64,
    /// In how many captures it shows.
    pub captures: usize,
    /// How it behaves, in the first capture that shows it.
    pub manner: Manner,
}

/// What became of one emission.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangeRow {
    /// Before.
    pub before: Option<SideRow>,
    /// After.
    pub after: Option<SideRow>,
    /// What became of it.
    pub verdict: Fate,
    /// The change of the level.
    pub change_db: Option<f64>,
    /// Its 95 % interval.
    pub ci95_db: Option<[f64; 2]>,
    /// How far the frequency moved.
    pub moved_hz: Option<f64>,
    /// The same in words.
    pub note: String,
}

/// What became of the emissions of one channel.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelEmissionChange {
    /// The role.
    pub role: Role,
    /// The unit.
    pub unit: Quantity,
    /// The emissions, low to high.
    pub emissions: Vec<ChangeRow>,
}

/// What became of the emissions between two sides of captures.
#[derive(Debug, Clone, Serialize)]
pub struct EmissionComparison {
    /// The captures before.
    pub before: Vec<CaptureEmissions>,
    /// The captures after.
    pub after: Vec<CaptureEmissions>,
    /// The channels that both sides have.
    pub channels: Vec<ChannelEmissionChange>,
}

/// The overlap of the segments.
const OVERLAP: f64 = 0.75;

/// The emissions of a capture, with its input.
///
/// # Errors
/// Whatever is wrong with the file, a record shorter than one segment.
pub fn emissions(
    source: &Source,
    settings: &Settings,
    criteria: Criteria,
) -> Result<(Vec<Input>, CaptureEmissions), Error> {
    with_inputs(source, settings, |pipeline| of_pipeline(pipeline, settings, criteria))
}

/// The same for a recording that is open already.
///
/// # Errors
/// As [`emissions`].
pub fn emissions_of_recording(
    recording: Box<dyn Recording>,
    settings: &Settings,
    criteria: Criteria,
) -> Result<CaptureEmissions, Error> {
    of_pipeline(Pipeline::new(recording, settings)?, settings, criteria)
}

/// What became of the emissions between captures before and captures after.
///
/// # Errors
/// As [`emissions`], and sides without a common channel, in other units.
pub fn emission_changes(
    before: &[Source],
    after: &[Source],
    settings: &Settings,
    criteria: Criteria,
) -> Result<(Vec<Input>, EmissionComparison), Error> {
    let all: Vec<&Source> = before.iter().chain(after).collect();
    let done: Vec<(Vec<Input>, CaptureEmissions)> =
        spread::map(all, |source| emissions(source, settings, criteria)).into_iter().collect::<Result<_, Error>>()?;
    let (inputs, mut captures): (Vec<Vec<Input>>, Vec<CaptureEmissions>) = done.into_iter().unzip();
    let after = captures.split_off(before.len());
    Ok((inputs.concat(), compared(captures, after)?))
}

fn compared(before: Vec<CaptureEmissions>, after: Vec<CaptureEmissions>) -> Result<EmissionComparison, Error> {
    let (Some(first), Some(_)) = (before.first(), after.first()) else {
        return Err(Error::usage("a side has no capture").expected("at least one file a side"));
    };
    let mut channels = Vec::new();
    for channel in &first.channels {
        let of = |captures: &'_ [CaptureEmissions]| -> Option<Vec<ChannelEmissions>> {
            captures.iter().map(|c| c.channels.iter().find(|other| other.role == channel.role).cloned()).collect()
        };
        let (Some(first), Some(second)) = (of(&before), of(&after)) else { continue };
        if let Some(odd) = first.iter().chain(&second).find(|other| other.unit != channel.unit) {
            return Err(Error::input(format!(
                "the {} channel is in {} in one capture and in {} in another",
                channel.role.name(),
                channel.unit.symbol(),
                odd.unit.symbol()
            ))
            .expected("captures in one unit")
            .remedy("name the channels with --wire and --air"));
        }
        channels.push(channel_change(&first, &second, channel));
    }
    if channels.is_empty() {
        return Err(
            Error::input("the sides have no channel in common").remedy("name the channels with --wire and --air")
        );
    }
    Ok(EmissionComparison { before, after, channels })
}

fn channel_change(
    before: &[ChannelEmissions],
    after: &[ChannelEmissions],
    channel: &ChannelEmissions,
) -> ChannelEmissionChange {
    let side = |channels: &[ChannelEmissions]| {
        of_side(&channels.iter().map(|c| c.found.emissions.as_slice()).collect::<Vec<_>>())
    };
    let floor = |channels: &'_ [ChannelEmissions], frequency: f64| {
        channels.iter().map(|channel| channel.floor_at(frequency)).fold(0.0, f64::max)
    };
    let rows = changes(&side(before), &side(after), |f| floor(before, f), |f| floor(after, f));
    ChannelEmissionChange {
        role: channel.role,
        unit: channel.unit.clone(),
        emissions: rows.into_iter().map(change_row).collect(),
    }
}

fn change_row(change: EmissionChange) -> ChangeRow {
    let side = |side: &SideEmission| SideRow {
        frequency_hz: side.frequency_hz,
        level_db: Level::of_rms(side.power.mean.sqrt()),
        rms: side.power.mean.sqrt(),
        captures: side.captures,
        manner: side.example.manner,
    };
    let (before, after) = (change.before.as_ref().map(side), change.after.as_ref().map(side));
    let moved_hz = before.as_ref().zip(after.as_ref()).map(|(b, a)| a.frequency_hz - b.frequency_hz);
    let note = match (change.fate, moved_hz) {
        (Fate::New, _) => "not there before".into(),
        (Fate::Gone, _) => "not there any more".into(),
        (Fate::CannotTell, _) => "the floor of the other side would hide it".into(),
        (Fate::Moved, Some(hz)) => format!("{:.2} kHz {}", hz.abs() / 1e3, if hz > 0.0 { "higher" } else { "lower" }),
        _ => String::new(),
    };
    ChangeRow {
        before,
        after,
        verdict: change.fate,
        change_db: change.change_db,
        ci95_db: change.ci95_db,
        moved_hz: moved_hz.filter(|_| change.fate == Fate::Moved),
        note,
    }
}

impl ChannelEmissions {
    /// The floor in one noise bandwidth of the coarser spectrum at a frequency, as a mean square.
    fn floor_at(&self, frequency: f64) -> f64 {
        let nearest = (0..self.frequency_hz.len()).min_by(|&a, &b| {
            (self.frequency_hz[a] - frequency).abs().total_cmp(&(self.frequency_hz[b] - frequency).abs())
        });
        nearest.map_or(0.0, |k| self.found.floor[k])
    }
}

fn of_pipeline(pipeline: Pipeline, settings: &Settings, criteria: Criteria) -> Result<CaptureEmissions, Error> {
    let rate = pipeline.rate();
    let length = pipeline.taper(settings)?.len();
    let (range, mains) = (pipeline.range, pipeline.mains);
    let count = pipeline.channels().len();
    let unit = |chain: &Chain| Quantity::Unit(chain.unit.to_owned());
    let channels: Vec<Channel> = pipeline
        .channels()
        .iter()
        .zip(pipeline.chains())
        .map(|(channel, chain)| Channel {
            quantity: chain.as_ref().map_or_else(|| channel.quantity.clone(), unit),
            ..channel.clone()
        })
        .collect();
    let chains = pipeline.chains().to_vec();
    let corrections: Vec<_> = (0..count).map(|channel| pipeline.correction(channel)).collect();
    let settling_samples = pipeline.unsettled();
    let gathering = |length| Gathering::new(rate, settings.window, length, range, count, mains.frequency_hz);
    let mut coarse = gathering(length);
    let mut fine = fine_length(&settings.window, rate, length, pipeline.samples_at_least()).map(gathering);
    let mut settled_samples = 0;
    let passed = pipeline.run(|_, settled| {
        let Some(block) = settled else { return };
        settled_samples += block.len() as u64;
        let rows = rows(block);
        coarse.push(&rows);
        if let Some(fine) = &mut fine {
            fine.push(&rows);
        }
    })?;
    let path = passed.header.path.clone();
    let correct = |channel: usize, frequency: f64| corrections[channel](frequency);
    let fine_samples = fine.as_ref().map(Gathering::length);
    let coarse = coarse.finish(correct).ok_or_else(|| too_short(&path, settled_samples, length, rate))?;
    let fine = fine.and_then(|fine| fine.finish(correct));
    let fine_samples = fine_samples.filter(|_| fine.is_some());
    let first_fine = fine.as_ref().and_then(|views| views.first());
    let analysis = Looks {
        segment_samples: length,
        enbw_hz: coarse[0].noise_bandwidth_hz,
        segments: coarse[0].segments,
        fine_segment_samples: fine_samples,
        fine_enbw_hz: first_fine.map(|view| view.noise_bandwidth_hz),
        fine_segments: first_fine.map(|view| view.segments),
        overlap: OVERLAP,
        settling_samples,
        range_low_hz: range.low(),
        range_high_hz: range.high(),
    };
    let found: Vec<Found> = coarse
        .iter()
        .enumerate()
        .map(|(channel, view)| {
            let fine = fine.as_ref().map(|views| &views[channel]);
            within(search(view, fine, criteria, mains.frequency_hz), range)
        })
        .collect();
    let mut warnings = super::findings::of_samples(&passed);
    warnings.extend(findings(&analysis, mains, settings));
    Ok(CaptureEmissions {
        path,
        sample_rate_hz: rate.get(),
        mains,
        analysis,
        channels: reported(channels, found, &coarse, &chains, mains),
        warnings,
    })
}

/// What lies on an edge of the range is left to those who look there.
fn within(mut found: Found, range: Band) -> Found {
    found.emissions.retain(|emission| range.contains(emission.frequency_hz));
    found
}

fn findings(analysis: &Looks, mains: Mains, settings: &Settings) -> Vec<Finding> {
    let mut findings = Vec::new();
    if analysis.fine_segments.is_none() {
        findings.push(Finding::limit(
            "one_resolution",
            format!(
                "the record is too short for a resolution finer than {:.0} Hz: lines closer than about twice that are \
                 taken as one",
                analysis.enbw_hz
            ),
        ));
    }
    if analysis.segments < 8 {
        findings.push(Finding::limit(
            "few_segments",
            format!(
                "{} segments: only what stands far above the floor can be told from noise; record longer, or give a \
                 larger --rbw",
                analysis.segments
            ),
        ));
    }
    if mains.source == MainsSource::Assumed {
        findings.push(Finding::note(
            "swelling_at_assumed_mains",
            format!(
                "the swelling of emissions is looked for at twice the assumed {} Hz; give --mains where that is wrong",
                settings.mains.unwrap_or(mains.frequency_hz)
            ),
        ));
    }
    findings
}

fn reported(
    channels: Vec<Channel>,
    found: Vec<Found>,
    views: &[View],
    chains: &[Option<Chain>],
    mains: Mains,
) -> Vec<ChannelEmissions> {
    let of = |role| channels.iter().position(|channel| channel.role == role);
    let mut places: Vec<Vec<Option<Whereabouts>>> = found.iter().map(|f| vec![None; f.emissions.len()]).collect();
    if let (Some(wire), Some(air)) = (of(Role::Wire), of(Role::Air)) {
        let (on_wire, in_air) = whereabouts(&found[wire].emissions, &found[air].emissions);
        places[wire] = on_wire.into_iter().map(Some).collect();
        places[air] = in_air.into_iter().map(Some).collect();
    }
    channels
        .into_iter()
        .zip(found)
        .zip(views)
        .zip(places)
        .zip(chains)
        .map(|((((channel, found), view), places), chain)| {
            let members = families(&found.emissions);
            let fundamentals: Vec<f64> = members
                .iter()
                .zip(&found.emissions)
                .filter(|(member, _)| member.is_some_and(|m| m.harmonic == 1))
                .map(|(_, emission)| emission.frequency_hz)
                .collect();
            let rows = found.emissions.iter().zip(members).zip(places).enumerate();
            let rows = rows.map(|(index, ((emission, member), place))| {
                let fundamental = member.and_then(|m| fundamentals.get(m.family as usize - 1)).copied();
                let chain_db = chain.as_ref().map_or(0.0, |chain| chain_half_width_at(chain, emission.frequency_hz));
                let row = EmissionRow {
                    number: index + 1,
                    frequency_hz: emission.frequency_hz,
                    frequency_ci95_hz: [-1.0, 1.0]
                        .map(|sign| emission.frequency_hz + sign * emission.frequency_half_hz),
                    level_db: Level::of_rms(emission.rms),
                    level_ci95_db: widened(emission.rms_interval, emission.rms, chain_db).map(Level::of_rms),
                    rms: emission.rms,
                    prominence_db: emission.prominence_db,
                    bandwidth_hz: emission.bandwidth_hz,
                    resolution_hz: emission.resolution_hz,
                    family: member.map(|m| m.family),
                    harmonic: member.map(|m| m.harmonic),
                    manner: emission.manner,
                    drift_hz: emission.drift_hz,
                    mains_modulation: emission.locked.map(|locked| locked.depth),
                    mains_locked: emission.locked.is_some_and(|locked| locked.is_sure()),
                    sidebands: emission.sidebands.clone(),
                    whereabouts: place,
                    signalling_band: signalling_band(emission.frequency_hz).map(|band| band.name),
                    note: String::new(),
                };
                EmissionRow { note: note(&row, emission, fundamental, mains), ..row }
            });
            ChannelEmissions {
                emissions: rows.collect(),
                broad: found.broad.clone(),
                frequency_hz: (0..view.power.len()).map(|k| view.first_hz + k as f64 * view.bin_hz).collect(),
                level_db: view.power.iter().map(|p| Level::of_rms(p.sqrt())).collect(),
                floor_level_db: found.floor.iter().map(|p| Level::of_rms(p.sqrt())).collect(),
                name: channel.name,
                role: channel.role,
                unit: channel.quantity,
                found,
            }
        })
        .collect()
}

/// What an emission is, in words.
fn note(row: &EmissionRow, emission: &Emission, fundamental: Option<f64>, mains: Mains) -> String {
    let mut parts: Vec<String> = Vec::new();
    match (row.harmonic, fundamental) {
        (Some(1), _) => parts.push(format!("fundamental of family {}", row.family.unwrap_or(0))),
        (Some(n), Some(hz)) => parts.push(format!("{n} times {:.2} kHz", hz / 1e3)),
        _ => {}
    }
    match (row.manner, row.drift_hz) {
        (Manner::Wandering, _) => parts.push(format!("wanders or is keyed, {:.0} Hz wide", row.bandwidth_hz)),
        (Manner::Drifting, Some(hz)) => {
            parts.push(format!("drifts by {:.1} Hz over the record", hz).replace('-', "−"));
        }
        _ => parts.push("steady".into()),
    }
    if row.mains_locked {
        let depth = row.mains_modulation.unwrap_or(0.0);
        let how = match depth {
            d if d > 1.5 => "comes in bursts",
            d if d > 0.5 => "swells strongly",
            _ => "swells",
        };
        parts.push(format!("{how} at {:.0} Hz with the mains", 2.0 * mains.frequency_hz));
    }
    if let Some(first) = row.sidebands.first() {
        let more =
            if row.sidebands.len() > 1 { format!(" and {} more", row.sidebands.len() - 1) } else { String::new() };
        let multiple = first.mains_multiple.map_or(String::new(), |n| format!(", {n} times the mains"));
        parts.push(format!("sidebands at ±{:.0} Hz{multiple}{more}", first.offset_hz));
    }
    if emission.comes_and_goes() && !row.mains_locked {
        parts.push("its level comes and goes".into());
    }
    if let Some(band) = signalling_band(row.frequency_hz) {
        parts.push(format!("in the range of mains signalling {}", band.name));
    }
    parts.join("; ")
}
