//! One pass over a capture, and everything that the analyses draw from it.

use ndarray::Array3;
use serde::{Deserialize, Serialize};

use super::pipeline::{Passed, Pipeline, Spectral, raw_rows, rows, too_short};
use super::settings::Settings;
use crate::capture::chain::Chain;
use crate::capture::{Channel, Header, Port, Recording};
use crate::dsp::segment::Hop;
use crate::dsp::slew::Slew;
use crate::dsp::spectrum::{Density, Spectrum};
use crate::dsp::welch::{self, Welch, WelchResult};
use crate::error::Error;
use crate::measure::bands::{BandValue, Scheme};
use crate::measure::groups::{ChannelGroups, Formed, Grouping, Groups, TooShort};
use crate::measure::mains::Mains;
use crate::measure::periods::PeriodPowers;
use crate::measure::quality::ChannelStatistics;
use crate::read::Source;
use crate::spread;
use crate::units::{Band, Hertz};

/// An input as a document names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Input {
    /// The path as given.
    pub path: String,
    /// Its length.
    pub bytes: u64,
    /// The SHA-256 of its bytes; `None` where fingerprints were not asked for.
    pub sha256: Option<String>,
    /// Further files that its reading used, such as the other half of a record or options beside it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<Input>,
}

impl Input {
    /// As [`Input::of`] where the settings ask for fingerprints, else without.
    ///
    /// # Errors
    /// As [`Input::of`].
    pub(super) fn for_settings(source: &Source, settings: &Settings) -> Result<Self, Error> {
        if settings.fingerprints {
            return Self::of(source);
        }
        Self::unread(source)
    }

    /// Takes the fingerprint of a source.
    ///
    /// # Errors
    /// The system's answer, with the file's name.
    pub fn of(source: &Source) -> Result<Self, Error> {
        Ok(Self { sha256: Some(source.sha256()?), ..Self::unread(source)? })
    }

    /// Names a source of which only a part is read.
    ///
    /// # Errors
    /// The system's answer, with the file's name.
    pub fn unread(source: &Source) -> Result<Self, Error> {
        Ok(Self { path: source.name().to_owned(), bytes: source.byte_count()?, sha256: None, files: Vec::new() })
    }
}

/// The bands whose powers are taken in each mains period.
#[derive(Debug, Clone, Copy)]
pub enum Periods<'a> {
    /// These.
    Bands(&'a [Band]),
    /// Those of a scheme within the range of the capture, and that range behind them.
    Scheme(&'a Scheme),
    /// The range of the capture alone.
    Range,
}

impl Periods<'_> {
    fn bands(self, range: Band) -> Result<Vec<Band>, Error> {
        Ok(match self {
            Periods::Bands(bands) => bands.to_vec(),
            Periods::Scheme(scheme) => scheme.bands(range)?.into_iter().chain([range]).collect(),
            Periods::Range => vec![range],
        })
    }
}

/// What is wanted besides the spectrum.
#[derive(Debug, Clone, Copy, Default)]
pub struct Wants<'a> {
    /// The mean absolute slew.
    pub slew: bool,
    /// The powers of bands in each mains period.
    pub periods: Option<Periods<'a>>,
    /// The groups of a published method.
    pub grouping: Option<Grouping>,
}

/// What one pass gave.
#[derive(Debug)]
pub struct Observed {
    /// The header, statistics of the samples as read, findings.
    pub passed: Passed,
    /// The analysed channels, the wire first.
    pub channels: Vec<Channel>,
    /// Their numbers within the recording.
    pub selected: Vec<usize>,
    /// The mains.
    pub mains: Mains,
    /// Their measuring chains.
    pub chains: Vec<Option<Chain>>,
    /// The range, cut to what the clock and the chains can carry.
    pub range: Band,
    /// How the spectral estimate was made.
    pub spectral: Spectral,
    /// The densities, the high-pass divided out: mean, largest and smallest over the segments, by channel.
    pub densities: Vec<Densities>,
    /// Mean absolute slew by channel, where wanted.
    pub slew: Option<Vec<Option<f64>>>,
    /// Mains periods by channels by bands, where wanted; of a long record some neighbouring ones together.
    pub periods: Option<Array3<f64>>,
    /// How many mains periods each of these rows covers.
    pub pooled_periods: u64,
    /// The groups by channel and how they were formed, where wanted.
    pub groups: Option<(Vec<ChannelGroups>, Formed)>,
}

/// From here on the floor is looked at: below, mains harmonics and switching dominate almost everywhere.
const FLOOR_FROM_HZ: f64 = 9e3;

/// The floor behind a chain is averaged over so many places of a band.
const FLOOR_POINTS: u32 = 64;

/// How many bands of 2 kHz lie near the floor of the converter's steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FloorShare {
    /// How many bands there are.
    pub bands: usize,
    /// How many of them lie within 3 dB of the floor.
    pub within_3_db: usize,
    /// How many of them lie within 6 dB of it.
    pub within_6_db: usize,
}

impl FloorShare {
    /// Whether more than half of the bands lie within 6 dB.
    pub fn is_most(&self) -> bool {
        2 * self.within_6_db > self.bands
    }
}

/// The densities of one channel.
#[derive(Debug, Clone)]
pub struct Densities {
    /// The mean over the segments.
    pub mean: Spectrum<Density>,
    /// The largest of all segments, bin by bin.
    pub max: Spectrum<Density>,
    /// The smallest of all segments, bin by bin.
    pub min: Spectrum<Density>,
}

/// Reads a capture once and gives all that is wanted, with the fingerprint of the file taken at the same time.
///
/// # Errors
/// Whatever is wrong with the file, or a record shorter than one segment.
pub fn observe(source: &Source, settings: &Settings, wants: Wants<'_>) -> Result<(Vec<Input>, Observed), Error> {
    with_inputs(source, settings, |pipeline| observe_pipeline(pipeline, settings, wants))
}

/// As [`observe`], with the range settled first: to the given one, else to what the capture carries.
///
/// # Errors
/// As [`observe`].
pub(super) fn observe_within(
    source: &Source,
    settings: &Settings,
    wants: Wants<'_>,
    range: Option<Band>,
) -> Result<(Vec<Input>, Observed), Error> {
    opened_with_inputs(
        source,
        settings,
        |source, settings| Pipeline::open_within(source, settings, range),
        |pipeline| observe_pipeline(pipeline, settings, wants),
    )
}

/// Opens a capture and works on it while the fingerprint of the file is taken.
///
/// # Errors
/// Whatever is wrong with the file, or what the work answers.
pub(super) fn with_inputs<T: Send>(
    source: &Source,
    settings: &Settings,
    work: impl FnOnce(Pipeline) -> Result<T, Error> + Send,
) -> Result<(Vec<Input>, T), Error> {
    opened_with_inputs(source, settings, Pipeline::open, work)
}

fn opened_with_inputs<T: Send>(
    source: &Source,
    settings: &Settings,
    open: impl FnOnce(&Source, &Settings) -> Result<Pipeline, Error> + Send,
    work: impl FnOnce(Pipeline) -> Result<T, Error> + Send,
) -> Result<(Vec<Input>, T), Error> {
    let whole = || {
        let pipeline = open(source, settings)?;
        let input = |source: &Source| Input::for_settings(source, settings);
        let companion = pipeline.companion().cloned();
        // Names count within the folder of the file that they stand beside.
        let beside = |name: &String| source.sibling(name).or_else(|| companion.as_ref()?.sibling(name));
        let files: Vec<Source> = pipeline.files().iter().filter_map(beside).collect();
        let further = || -> Result<_, Error> {
            let files = files.iter().map(input).collect::<Result<Vec<_>, _>>()?;
            Ok((files, companion.as_ref().map(input).transpose()?))
        };
        let (further, value) = spread::join(further, || work(pipeline));
        Ok::<_, Error>((further?, value?))
    };
    let (input, done) = if settings.fingerprints {
        spread::join(|| Input::of(source), whole)
    } else {
        (Input::for_settings(source, settings), whole())
    };
    let ((files, companion), value) = done?;
    Ok(([Input { files, ..input? }].into_iter().chain(companion).collect(), value))
}

/// The same for a recording that is open already, such as one that lies in memory.
///
/// # Errors
/// Whatever is wrong with the samples, or a record shorter than one segment.
pub fn observe_recording(
    recording: Box<dyn Recording>,
    settings: &Settings,
    wants: Wants<'_>,
) -> Result<Observed, Error> {
    observe_pipeline(Pipeline::new(recording, settings)?, settings, wants)
}

fn observe_pipeline(pipeline: Pipeline, settings: &Settings, wants: Wants<'_>) -> Result<Observed, Error> {
    let rate = pipeline.rate();
    let taper = pipeline.taper(settings)?;
    let length = taper.len();
    let chains = pipeline.chains().to_vec();
    let channels = pipeline.channels_behind_chains();
    let (selected, range, mains) = (pipeline.selected().to_vec(), pipeline.range, pipeline.mains);
    let corrections: Vec<_> = (0..channels.len()).map(|channel| pipeline.correction(channel)).collect();
    let settling_samples = pipeline.unsettled();
    let (enbw, hop) = (taper.noise_bandwidth(rate), hop_of(length, settings.overlap));

    let bands = wants.periods.map(|periods| periods.bands(range)).transpose()?;
    let mut periods = bands.map(|bands| {
        let correction = |channel: usize, frequency| corrections[channel](frequency);
        PeriodPowers::new(rate, taper.clone(), mains.period_samples(rate), channels.len(), &bands, correction)
    });
    let mut slews: Vec<Slew> = Vec::new();
    if wants.slew {
        let expected = pipeline.expected_samples();
        for channel in 0..channels.len() {
            slews.push(Slew::new(rate, range, pipeline.amplitude_correction(channel), expected));
        }
    }
    let forming = |grouping: Grouping| {
        let corrections: Vec<_> = (0..channels.len()).map(|channel| pipeline.correction(channel)).collect();
        Groups::new(grouping, range, rate, &mains, settling_samples, corrections)
            .map_err(|e| e.in_file(pipeline.header().path.clone()))
    };
    let mut groups = wants.grouping.map(forming).transpose()?;
    let mut welch = Welch::new(rate, taper, Hop::Samples(hop), channels.len(), false);
    let mut settled_samples = 0;
    let passed = pipeline.run(|block, settled| {
        let Some(settled) = settled else { return };
        settled_samples += settled.len() as u64;
        let rows = rows(settled);
        welch.push(&rows);
        if let Some(periods) = &mut periods {
            periods.push(&rows);
        }
        if let Some(groups) = &mut groups {
            groups.push(&raw_rows(block, settled, &selected), &rows);
        }
        for (slew, row) in slews.iter_mut().zip(&rows) {
            slew.push(row);
        }
    })?;
    let segments = welch.segments();
    let result = welch.finish().ok_or_else(|| too_short(&passed.header.path, settled_samples, length, rate))?;
    let spectral = Spectral {
        segment_samples: length,
        bin_hz: rate.get() / length as f64,
        enbw_hz: enbw.get(),
        segments,
        settling_samples,
        range_low_hz: range.low(),
        range_high_hz: range.high(),
    };
    let densities = corrected(result, &corrections);
    let slew = wants.slew.then(|| slews.iter().map(Slew::finish).collect());
    let pooled_periods = periods.as_ref().map_or(1, PeriodPowers::pooled);
    let periods = periods.map(|periods| periods.finish());
    let groups = groups
        .map(Groups::finish)
        .transpose()
        .map_err(|e| no_interval(&passed.header.path, settling_samples, rate, e))?;
    Ok(Observed {
        passed,
        channels,
        selected,
        chains,
        mains,
        range,
        spectral,
        densities,
        slew,
        periods,
        pooled_periods,
        groups,
    })
}

/// The error for a record that holds no interval of a published method.
fn no_interval(path: &str, settling: u64, rate: Hertz, found: TooShort) -> Error {
    let settling_s = settling as f64 / rate.get();
    Error::input(format!("holds {:.1} ms behind the settling of the high-pass", 1e3 * found.settled_s))
        .in_file(path)
        .expected(format!(
            "an interval of {} mains cycles, or at least nine tenths of it: a record of {:.0} ms",
            found.cycles,
            (1e3 * (found.needed_s + settling_s)).ceil()
        ))
        .remedy("record longer, or leave --grouping out: --bands 200 and --bands 2k read any length")
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a fraction of a length that fits")]
pub(super) fn hop_of(length: usize, overlap: f64) -> usize {
    // As scipy counts: the overlap is rounded down to whole samples, the hop is what is left.
    (length - (length as f64 * overlap) as usize).max(1)
}

fn corrected<F: Fn(f64) -> f64>(result: WelchResult, corrections: &[F]) -> Vec<Densities> {
    let one = |(channel, correction): (welch::Densities, &F)| {
        let mut factors = Vec::new();
        let mean = channel.mean.map(|frequency, value| {
            let factor = correction(frequency);
            factors.push(factor);
            value * factor
        });
        let put_right = |density: Spectrum<Density>| {
            let mut factors = factors.iter();
            density.map(|_, value| factors.next().map_or(value, |factor| value * factor))
        };
        Densities { mean, max: put_right(channel.max_hold), min: put_right(channel.min_hold) }
    };
    result.channels.into_iter().zip(corrections).map(one).collect()
}

/// The density of the recorder's own noise as [`Observed::floor_density_at`] states it, from the mean square of the
/// rounding as the samples show it and from the chain.
pub(super) fn floor_density(
    seen: Option<f64>,
    chain: Option<&Chain>,
    rate: Hertz,
    range: Band,
    frequency: f64,
) -> Option<f64> {
    let seen = seen.map(|square| square / (rate.get() / 2.0));
    let Some(chain) = chain else { return seen };
    let recorder = &chain.recorder;
    let rounding = seen.or_else(|| recorder.rounding_density(rate.get()));
    let floor = [rounding, recorder.noise_density(frequency)].into_iter().flatten().reduce(f64::max)?;
    Some(floor * chain.correction(frequency.clamp(range.low(), range.high()))?.norm_sqr())
}

impl Observed {
    /// How many whole mains periods the rows of [`Observed::periods`] cover.
    pub fn mains_periods(&self) -> u64 {
        self.periods.as_ref().map_or(0, |periods| periods.shape()[0] as u64 * self.pooled_periods)
    }

    /// The header.
    pub fn header(&self) -> &Header {
        &self.passed.header
    }

    /// The file as the user named it.
    pub fn path(&self) -> &str {
        &self.header().path
    }

    /// The sampling rate.
    pub fn rate(&self) -> Hertz {
        self.header().clock.rate
    }

    /// The statistics of an analysed channel's samples as read.
    pub fn statistics(&self, channel: usize) -> &ChannelStatistics {
        &self.passed.statistics.channels[self.selected[channel]]
    }

    /// The unit of an analysed channel's samples as read, before its chain.
    pub fn recorded_unit(&self, channel: usize) -> &str {
        self.header().channels[self.selected[channel]].quantity.symbol()
    }

    /// The density of the recorder's own noise in a channel at a frequency in hertz, in U²/Hz: the converter's
    /// rounding, from its steps as seen or else as stated, or the noise of the shorted input where that is more, as they
    /// look at the beginning of the chain.
    pub fn floor_density_at(&self, channel: usize, frequency: f64) -> Option<f64> {
        let seen = self.statistics(channel).rounding_mean_square();
        floor_density(seen, self.chains[channel].as_ref(), self.rate(), self.range, frequency)
    }

    /// Its mean over a band.
    pub fn floor_density_in(&self, channel: usize, band: Band) -> Option<f64> {
        if self.chains[channel].is_none() {
            return self.floor_density_at(channel, band.low());
        }
        let middle = |k: u32| band.low() + (f64::from(k) + 0.5) / f64::from(FLOOR_POINTS) * band.width();
        let sum: f64 = (0..FLOOR_POINTS).map(|k| self.floor_density_at(channel, middle(k))).sum::<Option<f64>>()?;
        Some(sum / f64::from(FLOOR_POINTS))
    }

    /// Its mean over the range.
    pub fn floor_density(&self, channel: usize) -> Option<f64> {
        self.floor_density_in(channel, self.range)
    }

    /// Where a channel's quantity is taken, as far as its chain says.
    pub fn port(&self, channel: usize) -> Option<Port> {
        self.chains[channel].as_ref()?.port
    }

    /// What a band of a channel holds.
    pub fn band(&self, channel: usize, band: Band) -> BandValue {
        self.value(channel, band, self.densities[channel].mean.mean_square_in(band))
    }

    /// A mean square in a band of a channel, beside the recorder's own noise there.
    pub fn value(&self, channel: usize, band: Band, mean_square: f64) -> BandValue {
        BandValue::new(band, mean_square, self.floor_density_in(channel, band))
    }

    /// How much of the range above 9 kHz lies at the floor of the converter's steps; `None` where those are not seen
    /// or the range does not reach there.
    pub fn floor_share(&self, channel: usize) -> Option<FloorShare> {
        self.floor_density(channel)?;
        let above = Band::new(FLOOR_FROM_HZ, f64::MAX).ok()?.within(self.range)?;
        let bands = Scheme::TwoKilohertz.bands(above).ok()?;
        let values: Vec<BandValue> = bands.iter().map(|band| self.band(channel, *band)).collect();
        let within = |factor: f64| {
            let near = |value: &&BandValue| value.floor_rms.is_some_and(|floor| value.rms <= factor * floor);
            values.iter().filter(near).count()
        };
        Some(FloorShare { bands: bands.len(), within_3_db: within(2f64.sqrt()), within_6_db: within(2.0) })
    }
}
