//! Where in the mains cycle does the noise sit?

use serde::Serialize;

use super::observe::{Input, with_inputs};
use super::pipeline::{Pipeline, Spectral, raw_rows, rows};
use super::settings::{SEGMENT_LIMITS, Settings};
use crate::capture::{Quantity, Role};
use crate::dsp::window::Taper;
use crate::error::{Error, Finding};
use crate::measure::bands::Scheme;
use crate::measure::mains::{Mains, MainsSource};
use crate::measure::phase_map::{BandPhase, PhaseMap};
use crate::read::Source;
use crate::units::{Band, Level};

/// Fewer cycles than this even out little of what comes and goes by itself.
const FEW_CYCLES: f64 = 5.0;
/// The fewest and the most phases of a map.
pub const PHASE_LIMITS: (u32, u32) = (8, 720);

/// How finely a cycle is cut.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fineness {
    /// The length of the window in seconds, which blurs the phase by about half of it and sets the bandwidth.
    pub window_s: f64,
    /// How many phases of a cycle are looked at.
    pub phases: u32,
}

impl Default for Fineness {
    /// 1 ms, of which Hann's window sees half: 9 degrees at 50 Hz; a phase every 5 degrees.
    fn default() -> Self {
        Self { window_s: 1e-3, phases: 72 }
    }
}

/// What the phase is counted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PhaseReference {
    /// 0 degrees where what is left of the fundamental rises through zero.
    RisingZero,
    /// 0 degrees where the noise of all frequencies together is strongest; which half cycle is not known.
    StrongestNoise,
    /// 0 degrees at the first sample: the record shows nothing of the mains.
    StartOfRecord,
}

impl PhaseReference {
    fn of(mains: &Mains) -> Self {
        match mains.source {
            MainsSource::Fundamental => Self::RisingZero,
            MainsSource::NoiseEnvelope => Self::StrongestNoise,
            MainsSource::Option | MainsSource::Assumed => Self::StartOfRecord,
        }
    }

    /// In words, for captions.
    pub fn words(self) -> &'static str {
        match self {
            Self::RisingZero => {
                "0° where what is left of the fundamental rises through zero; a coupling network turns that phase"
            }
            Self::StrongestNoise => {
                "the record does not show the fundamental, so 0° is where the noise as a whole is strongest, and the two \
                 half cycles cannot be told apart"
            }
            Self::StartOfRecord => {
                "the record shows nothing of the mains, so the phase is counted from its first sample and is relative \
                 only"
            }
        }
    }
}

/// How the power of a band moves with the mains phase.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BandInCycle {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// The RMS value over the whole cycle.
    pub rms: f64,
    /// The level of that.
    pub level_db: Level,
    /// The middle of the part of the cycle that is loudest; where it swells twice, that in the first half.
    pub loudest_phase_deg: f64,
    /// How wide that part is, between the places where the power lies halfway between its maximum and its mean.
    pub loud_width_deg: f64,
    /// How far the largest power lies above the mean.
    pub crest_db: f64,
    /// How far the smallest lies below it; `None` where it is nothing.
    pub dip_db: Option<f64>,
    /// The share of the ups and downs of the power that repeats with the mains phase.
    pub lock_share: Option<f64>,
    /// Whether the maximum stands out of the mean by more than chance does.
    pub shown: bool,
    /// Whether it swells twice in a cycle rather than once.
    pub twice_a_cycle: bool,
    /// The level at each phase.
    pub phase_level_db: Vec<Level>,
}

/// The map of one channel.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelPhaseMap {
    /// The name.
    pub name: String,
    /// The role.
    pub role: Role,
    /// The unit U.
    pub unit: Quantity,
    /// The bands.
    pub bands: Vec<BandInCycle>,
    /// The whole range.
    pub total: BandInCycle,
    /// The level over the whole cycle in one noise bandwidth, by frequency.
    pub mean_level_db: Vec<Level>,
    /// The level in one noise bandwidth: for each phase a row over the frequencies.
    pub map_level_db: Vec<Vec<Level>>,
}

/// The map of one capture.
#[derive(Debug, Clone, Serialize)]
pub struct CapturePhaseMap {
    /// The file.
    pub path: String,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// How the estimate was made; segments of all phases together.
    pub analysis: Spectral,
    /// The mains.
    pub mains: Mains,
    /// What the phase is counted from.
    pub phase_reference: PhaseReference,
    /// How many mains cycles were folded.
    pub cycles: f64,
    /// The share of the record in which the mains frequency could be read again, rather than carried on.
    pub mains_read_share: f64,
    /// The middles of the phases.
    pub phase_deg: Vec<f64>,
    /// The frequencies of the bins.
    pub frequency_hz: Vec<f64>,
    /// The channels, the wire first.
    pub channels: Vec<ChannelPhaseMap>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// The map of a capture, with its input.
///
/// # Errors
/// Whatever is wrong with the file, a window or a number of phases out of reach, no band within the range, or a record
/// shorter than one mains cycle.
pub fn phase_map(
    source: &Source,
    settings: &Settings,
    scheme: &Scheme,
    fineness: Fineness,
) -> Result<(Vec<Input>, CapturePhaseMap), Error> {
    with_inputs(source, settings, |pipeline| map(pipeline, settings, scheme, fineness))
}

/// The window as long as was asked for, in whole samples, an even number.
fn taper(pipeline: &Pipeline, settings: &Settings, fineness: Fineness) -> Result<Taper, Error> {
    let (fewest, most) = SEGMENT_LIMITS;
    let rate = pipeline.rate();
    let wanted = rate.get() * fineness.window_s;
    let period = pipeline.mains.period_samples(rate);
    let samples = settings.segment.map_or(wanted, |samples| samples as f64);
    if !(samples >= fewest as f64 && samples <= period && samples <= most as f64) {
        return Err(Error::usage(format!("a window of {samples:.0} samples at {rate}"))
            .in_file(pipeline.header().path.clone())
            .expected(format!("{fewest} samples to one mains cycle of {period:.0} samples"))
            .remedy("give another --window-ms, or a sampling rate with more samples in it"));
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked against a cycle above")]
    let length = 2 * (samples / 2.0).round() as usize;
    Ok(Taper::new(&settings.window, length))
}

fn map(pipeline: Pipeline, settings: &Settings, scheme: &Scheme, fineness: Fineness) -> Result<CapturePhaseMap, Error> {
    let (fewest, most) = PHASE_LIMITS;
    if !(fewest..=most).contains(&fineness.phases) {
        return Err(Error::usage(format!("{} phases", fineness.phases)).expected(format!("{fewest} to {most} phases")));
    }
    let taper = taper(&pipeline, settings, fineness)?;
    let (rate, range, mains) = (pipeline.rate(), pipeline.range, pipeline.mains);
    let mut bands = scheme.bands(range)?;
    bands.push(range);
    let channels = pipeline.channels().to_vec();
    let units: Vec<Quantity> = channels
        .iter()
        .zip(pipeline.chains())
        .map(|(channel, chain)| {
            chain.as_ref().map_or_else(|| channel.quantity.clone(), |chain| Quantity::Unit(chain.unit.to_owned()))
        })
        .collect();
    let corrections: Vec<_> = (0..channels.len()).map(|channel| pipeline.correction(channel)).collect();
    let (selected, settling_samples) = (pipeline.selected().to_vec(), pipeline.unsettled());
    let phases = usize::try_from(fineness.phases).unwrap_or(usize::MAX);
    let mut folding = PhaseMap::new(rate, &mains, settling_samples, &taper, phases, (range, &bands), &corrections);
    let mut settled_samples = 0;
    let passed = pipeline.run(|block, settled| {
        let Some(settled) = settled else { return };
        settled_samples += settled.len();
        folding.push(&raw_rows(block, settled, &selected), &rows(settled));
    })?;
    let path = passed.header.path.clone();
    let mapped = folding.finish(rate, &bands).ok_or_else(|| {
        let needed = (mains.period_samples(rate) + taper.len() as f64 + settling_samples as f64) / rate.get();
        Error::input(format!("holds {settled_samples} settled samples, less than one mains cycle and a window"))
            .in_file(path.clone())
            .expected(format!("at least {:.1} ms", 1e3 * needed))
            .remedy("record longer")
    })?;
    let enbw_hz = taper.noise_bandwidth(rate).get();
    let phase = |column: usize| 360.0 * (column as f64 + 0.5) / phases as f64;
    let mut warnings = super::findings::of_samples(&passed);
    if mapped.cycles < FEW_CYCLES {
        warnings.push(Finding::limit(
            "few_cycles",
            format!(
                "{} mains cycles: little of what comes and goes by itself is evened out; record longer",
                mapped.cycles
            ),
        ));
    }
    let level = |density: f64| Level::of_rms((density * enbw_hz).sqrt());
    let channels = channels.into_iter().zip(units).zip(mapped.channels).map(|((channel, unit), map)| {
        let mut bands: Vec<BandInCycle> = map.bands.iter().map(in_cycle).collect();
        // The range itself was put behind the bands.
        let total = bands.pop();
        let mean = |k: usize| map.density.column(k).sum() / phases as f64;
        total.map(|total| ChannelPhaseMap {
            name: channel.name,
            role: channel.role,
            unit,
            bands,
            total,
            mean_level_db: (0..mapped.frequency_hz.len()).map(|k| level(mean(k))).collect(),
            map_level_db: map.density.rows().into_iter().map(|row| row.iter().map(|d| level(*d)).collect()).collect(),
        })
    });
    Ok(CapturePhaseMap {
        path,
        sample_rate_hz: rate.get(),
        analysis: Spectral {
            segment_samples: taper.len(),
            bin_hz: rate.get() / taper.len() as f64,
            enbw_hz,
            segments: mapped.segments,
            settling_samples,
            range_low_hz: range.low(),
            range_high_hz: range.high(),
        },
        mains,
        phase_reference: PhaseReference::of(&mains),
        cycles: mapped.cycles,
        mains_read_share: mapped.read_share,
        phase_deg: (0..phases).map(phase).collect(),
        channels: channels.flatten().collect(),
        frequency_hz: mapped.frequency_hz,
        warnings,
    })
}

fn in_cycle(band: &BandPhase) -> BandInCycle {
    let least = band.columns.iter().copied().fold(f64::INFINITY, f64::min);
    let ratio_db = |power: f64| 10.0 * (power / band.mean_square).log10();
    BandInCycle {
        band: band.band,
        rms: band.mean_square.sqrt(),
        level_db: Level::of_rms(band.mean_square.sqrt()),
        loudest_phase_deg: 360.0 * band.loudest,
        loud_width_deg: 360.0 * band.width,
        crest_db: if band.mean_square > 0.0 { ratio_db(band.largest) } else { 0.0 },
        dip_db: Some(-ratio_db(least)).filter(|db| db.is_finite()),
        lock_share: band.lock_share,
        shown: band.is_shown,
        twice_a_cycle: band.twice,
        phase_level_db: band.columns.iter().map(|power| Level::of_rms(power.sqrt())).collect(),
    }
}
