//! How much of what the antenna hears is what the wire carries, and did the air change because the wire changed?

use serde::Serialize;

use super::findings;
use super::observe::{Input, hop_of, with_inputs};
use super::pipeline::{Pipeline, Spectral, rows, too_short};
use super::settings::Settings;
use crate::capture::{Channel, Quantity, Recording, Role};
use crate::compare::coupling::{Ambient, BandCause, BandCoupling, Bin, Judged, ambient, causes, couple, judge};
use crate::compare::difference::FAMILY_ERROR;
use crate::dsp::cross::significance_threshold;
use crate::dsp::segment::Hop;
use crate::error::{Error, Finding};
use crate::measure::bands::Scheme;
use crate::measure::coherence::{Joint, JointSpectra};
use crate::read::Source;
use crate::spread;
use crate::units::{Band, Level};

/// Fewer independent segments than this show little.
const FEW_AVERAGES: f64 = 10.0;

/// The joint spectra of one capture.
#[derive(Debug, Clone)]
pub struct Observed {
    path: String,
    sample_rate_hz: f64,
    wire: Channel,
    air: Channel,
    range: Band,
    spectral: Spectral,
    joint: Joint,
    warnings: Vec<Finding>,
}

/// The coupling of a capture, or of captures of the same case taken together.
#[derive(Debug, Clone, Serialize)]
pub struct Coupling {
    /// The file, or the first of those taken together.
    pub path: String,
    /// All files taken together.
    pub paths: Vec<String>,
    /// The sampling rate.
    pub sample_rate_hz: f64,
    /// The unit of the wire.
    pub wire_unit: Quantity,
    /// The unit of the air.
    pub air_unit: Quantity,
    /// How the estimate was made; of the first file.
    pub analysis: Spectral,
    /// How many segments in all.
    pub segments: u64,
    /// How many independent segments they are worth, the overlap allowed for.
    pub effective_segments: f64,
    /// The coherence that unrelated noise exceeds in one of twenty bins.
    pub significance_threshold: f64,
    /// The coherence that unrelated noise exceeds anywhere in the range in one of twenty captures.
    pub family_threshold: f64,
    /// The frequencies of the bins.
    pub frequency_hz: Vec<f64>,
    /// The magnitude-squared coherence.
    pub coherence: Vec<f64>,
    /// The gain H1, air over wire.
    pub gain_db: Vec<f64>,
    /// Its phase, air over wire.
    pub phase_deg: Vec<f64>,
    /// The relative standard deviation of the gain; the same number in radians is that of the phase.
    pub random_error: Vec<f64>,
    /// Whether a bin by itself is coherent, at 5 % over all bins.
    pub coherent: Vec<bool>,
    /// Whether a bin holds a steady tone of which it cannot be told.
    pub steady: Vec<bool>,
    /// The level in the air in one noise bandwidth.
    pub air_level_db: Vec<Level>,
    /// The level of the part that the wire explains.
    pub explained_level_db: Vec<Level>,
    /// The level of the rest.
    pub unexplained_level_db: Vec<Level>,
    /// The bands.
    pub bands: Vec<BandCoupling>,
    /// The whole range.
    pub total: BandCoupling,
    /// What stands out in the air and is not explained.
    pub ambient: Vec<Ambient>,
    /// What to know.
    pub warnings: Vec<Finding>,
}

/// Did the air change because the wire changed?
#[derive(Debug, Clone, Serialize)]
pub struct CouplingChange {
    /// The captures before, taken together.
    pub before: Coupling,
    /// The captures after, taken together.
    pub after: Coupling,
    /// The bands.
    pub bands: Vec<BandCause>,
    /// The whole range.
    pub total: BandCause,
}

/// Reads a capture once.
///
/// # Errors
/// Whatever is wrong with the file, a capture without two channels, a record shorter than one segment.
pub fn observe(source: &Source, settings: &Settings) -> Result<(Vec<Input>, Observed), Error> {
    with_inputs(source, settings, |pipeline| of_pipeline(pipeline, settings))
}

/// The same for a recording that is open already.
///
/// # Errors
/// As [`observe`].
pub fn observe_recording(recording: Box<dyn Recording>, settings: &Settings) -> Result<Observed, Error> {
    of_pipeline(Pipeline::new(recording, settings)?, settings)
}

fn of_pipeline(pipeline: Pipeline, settings: &Settings) -> Result<Observed, Error> {
    let rate = pipeline.rate();
    let place = |role| pipeline.channels().iter().position(|channel| channel.role == role);
    let Some((wire, air)) = place(Role::Wire).zip(place(Role::Air)) else {
        return Err(Error::input("holds one channel")
            .in_file(pipeline.header().path.clone())
            .expected("two channels of the same time: wire and air")
            .remedy("name them with --wire and --air, or give the second file with --air-file"));
    };
    let channels = pipeline.channels().to_vec();
    let taper = pipeline.taper(settings)?;
    let (length, enbw, range) = (taper.len(), taper.noise_bandwidth(rate), pipeline.range);
    let corrections = (pipeline.amplitude_correction(wire), pipeline.amplitude_correction(air));
    let settling_samples = pipeline.unsettled();
    let mut joint = JointSpectra::new(rate, taper, Hop::Samples(hop_of(length, settings.overlap)), range);
    let mut settled_samples = 0;
    let passed = pipeline.run(|_, settled| {
        let Some(block) = settled else { return };
        settled_samples += block.len() as u64;
        let rows = rows(block);
        joint.push(rows[wire], rows[air]);
    })?;
    let path = passed.header.path.clone();
    let joint = joint.finish().ok_or_else(|| too_short(&path, settled_samples, length, rate))?;
    let spectral = Spectral {
        segment_samples: length,
        bin_hz: joint.bin_hz,
        enbw_hz: enbw.get(),
        segments: joint.whole.segments,
        settling_samples,
        range_low_hz: range.low(),
        range_high_hz: range.high(),
    };
    let warnings = findings::of_samples(&passed);
    Ok(Observed {
        path,
        sample_rate_hz: rate.get(),
        wire: channels[wire].clone(),
        air: channels[air].clone(),
        range,
        spectral,
        joint: joint.corrected(corrections.0, corrections.1),
        warnings,
    })
}

/// The coupling of one capture.
///
/// # Errors
/// As [`observe`], and bands that do not fit the range.
pub fn coupling(source: &Source, settings: &Settings, scheme: &Scheme) -> Result<(Vec<Input>, Coupling), Error> {
    let (inputs, observed) = observe(source, settings)?;
    Ok((inputs, of_observed(&[observed], scheme)?))
}

/// The coupling of captures of the same case, taken together: each is at its own phase, so that two steady tones
/// that have nothing to do with each other do not look coherent for long.
///
/// # Errors
/// As [`coupling`], and captures that do not fit together.
pub fn coupling_together(
    sources: &[Source],
    settings: &Settings,
    scheme: &Scheme,
) -> Result<(Vec<Input>, Coupling), Error> {
    let (inputs, observed) = observe_all(sources, settings)?;
    Ok((inputs, of_observed(&observed, scheme)?))
}

/// Did the air change because the wire changed?
///
/// # Errors
/// As [`coupling_together`], for either side.
pub fn coupling_change(
    before: &[Source],
    after: &[Source],
    settings: &Settings,
    scheme: &Scheme,
) -> Result<(Vec<Input>, CouplingChange), Error> {
    for (side, name) in [(before, "before"), (after, "after")] {
        if side.is_empty() {
            return Err(Error::usage(format!("no capture is named for --{name}")).expected("at least one file a side"));
        }
    }
    let all: Vec<Source> = before.iter().chain(after).cloned().collect();
    let (inputs, observed) = observe_all(&all, settings)?;
    Ok((inputs, change_of(&observed[..before.len()], &observed[before.len()..], scheme)?))
}

/// The change between observed captures.
///
/// # Errors
/// Captures that do not fit together, bands that do not fit the range.
pub fn change_of(before: &[Observed], after: &[Observed], scheme: &Scheme) -> Result<CouplingChange, Error> {
    let mut bands = scheme.bands(common_range(before.iter().chain(after))?)?;
    bands.push(common_range(before.iter().chain(after))?);
    let (first, second) = (judge(&joined(before)?), judge(&joined(after)?));
    let mut rows = causes(&first, &second, &bands);
    let total = last(&mut rows)?;
    Ok(CouplingChange {
        before: described(before, &first, &bands)?,
        after: described(after, &second, &bands)?,
        bands: rows,
        total,
    })
}

/// The coupling of observed captures, taken together.
///
/// # Errors
/// Captures that do not fit together, bands that do not fit the range.
pub fn of_observed(observed: &[Observed], scheme: &Scheme) -> Result<Coupling, Error> {
    let range = common_range(observed.iter())?;
    let mut bands = scheme.bands(range)?;
    bands.push(range);
    described(observed, &judge(&joined(observed)?), &bands)
}

fn observe_all(sources: &[Source], settings: &Settings) -> Result<(Vec<Input>, Vec<Observed>), Error> {
    let work: Vec<&Source> = sources.iter().collect();
    let done: Vec<_> =
        spread::map(work, |source| observe(source, settings)).into_iter().collect::<Result<_, Error>>()?;
    let (inputs, observed): (Vec<Vec<Input>>, Vec<Observed>) = done.into_iter().unzip();
    Ok((inputs.concat(), observed))
}

fn common_range<'a>(mut observed: impl Iterator<Item = &'a Observed>) -> Result<Band, Error> {
    let nothing = || Error::usage("no capture is named").expected("at least one file");
    let first = observed.next().ok_or_else(nothing)?;
    Ok(observed.fold(first.range, |range, o| range.within(o.range).unwrap_or(range)))
}

fn joined(observed: &[Observed]) -> Result<Joint, Error> {
    let (first, others) = observed.split_first().ok_or_else(|| Error::usage("no capture is named"))?;
    let mut joint = first.joint.clone();
    for other in others {
        if (&other.wire.quantity, &other.air.quantity) != (&first.wire.quantity, &first.air.quantity) {
            return Err(Error::input("the channels are in other units")
                .in_file(other.path.clone())
                .expected(format!(
                    "{} on the wire and {} in the air, as in {}",
                    first.wire.quantity.symbol(),
                    first.air.quantity.symbol(),
                    first.path
                ))
                .remedy("name the channels with --wire and --air"));
        }
        joint.merge(&other.joint).map_err(|e| e.in_file(other.path.clone()))?;
    }
    Ok(joint)
}

fn last<T>(rows: &mut Vec<T>) -> Result<T, Error> {
    rows.pop().ok_or_else(|| Error::usage("there is no band in the range"))
}

fn described(observed: &[Observed], judged: &Judged, bands: &[Band]) -> Result<Coupling, Error> {
    let first = observed.first().ok_or_else(|| Error::usage("no capture is named"))?;
    let bins = judged.bins();
    let mut rows = couple(judged, bands);
    let total = last(&mut rows)?;
    let averages = judged.averages();
    let each = |of: &dyn Fn(&Bin) -> f64| bins.iter().map(of).collect::<Vec<f64>>();
    let level = |density: f64| Level::of_rms((density.max(0.0) * first.spectral.enbw_hz).sqrt());
    let explained = |bin: &Bin| if bin.steady { 0.0 } else { bin.explained_density.max(0.0) };
    let mut warnings: Vec<Finding> = Vec::new();
    for finding in observed.iter().flat_map(|o| &o.warnings) {
        if !warnings.contains(finding) {
            warnings.push(finding.clone());
        }
    }
    if averages < FEW_AVERAGES {
        warnings.push(Finding::limit(
            "few_segments",
            format!(
                "{averages:.1} independent segments: coherence below {:.2} shows nothing; record longer, or give a \
                 larger --rbw",
                significance_threshold(FAMILY_ERROR, averages)
            ),
        ));
    }
    Ok(Coupling {
        path: first.path.clone(),
        paths: observed.iter().map(|o| o.path.clone()).collect(),
        sample_rate_hz: first.sample_rate_hz,
        wire_unit: first.wire.quantity.clone(),
        air_unit: first.air.quantity.clone(),
        analysis: first.spectral,
        segments: judged.segments(),
        effective_segments: averages,
        significance_threshold: significance_threshold(FAMILY_ERROR, averages),
        family_threshold: significance_threshold(FAMILY_ERROR / bins.len().max(1) as f64, averages),
        frequency_hz: each(&|bin| bin.frequency_hz),
        coherence: each(&|bin| bin.coherence),
        gain_db: each(&|bin| 20.0 * bin.transfer.norm().log10()),
        phase_deg: each(&|bin| bin.transfer.arg().to_degrees()),
        random_error: each(&|bin| bin.error),
        coherent: bins.iter().map(|bin| bin.is_coherent).collect(),
        steady: bins.iter().map(|bin| bin.steady).collect(),
        air_level_db: bins.iter().map(|bin| level(bin.air_density)).collect(),
        explained_level_db: bins.iter().map(|bin| level(explained(bin))).collect(),
        unexplained_level_db: bins.iter().map(|bin| level(bin.air_density - explained(bin))).collect(),
        bands: rows,
        total,
        ambient: ambient(judged),
        warnings,
    })
}
