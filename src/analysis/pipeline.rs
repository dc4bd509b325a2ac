//! The way of a capture through the house: read, pick channels, find the mains, take it out, hand on.

use serde::Serialize;

use super::settings::Settings;
use crate::capture::chain::Chain;
use crate::capture::{Block, Channel, Header, Quantity, Recording, Role, between};
use crate::dsp::Complex;
use crate::dsp::segment::segment_length;
use crate::dsp::window::Taper;
use crate::error::{Error, Finding};
use crate::measure::condition::Conditioner;
use crate::measure::mains::{Mains, MainsSource, Slow, find_mains};
use crate::measure::quality::{Quality, Statistics};
use crate::read::{self, Source};
use crate::spread;
use crate::units::{Band, Hertz};

/// The mains frequency is read from at most this many samples of each channel: a second at 500 kS/s.
const PRELUDE: u64 = 1 << 19;
/// A clock should be this many times faster than the highest frequency: room for the recorder's own low-pass.
const COMFORTABLE_RATE: f64 = 2.5;

/// A capture on its way.
pub struct Pipeline {
    recording: Box<dyn Recording>,
    prelude: Vec<Block>,
    ended: bool,
    selected: Vec<usize>,
    channels: Vec<Channel>,
    chains: Vec<Option<Chain>>,
    conditioner: Conditioner,
    /// The range asked for, cut to what the clock and the measuring chains can carry.
    pub range: Band,
    /// The mains as the first stretch shows it.
    pub mains: Mains,
    findings: Vec<Finding>,
    companion: Option<Source>,
}

/// What is known of a capture once its last sample has passed.
#[derive(Debug, Clone)]
pub struct Passed {
    /// The header, with all findings of the reader.
    pub header: Header,
    /// Statistics of all channels as read.
    pub statistics: Statistics,
    /// The analysed channels as recorded, the wire first, with their roles.
    pub channels: Vec<Channel>,
    /// Their numbers within the recording.
    pub selected: Vec<usize>,
    /// The mains as the first stretch shows it.
    pub mains: Mains,
    /// Samples left out at the start while the high-pass settled.
    pub settling_samples: u64,
    /// Findings of the pipeline.
    pub findings: Vec<Finding>,
}

/// Input, output and settings of the spectral estimate of one capture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spectral {
    /// Samples in a segment.
    pub segment_samples: usize,
    /// The distance of bins.
    pub bin_hz: f64,
    /// The noise bandwidth of the window.
    pub enbw_hz: f64,
    /// How many segments were averaged.
    pub segments: u64,
    /// Samples left out at the start while the high-pass settled.
    pub settling_samples: u64,
    /// The range analysed, cut to what the clock can carry.
    pub range_low_hz: f64,
    /// Its upper edge.
    pub range_high_hz: f64,
}

/// Opens a capture: one file, or two of one channel each when the settings name the second or the reader
/// recognises it; the second file is given back. Of the recording only the stretch that the settings name is seen.
///
/// # Errors
/// Whatever the reader finds wrong.
pub fn open(source: &Source, settings: &Settings) -> Result<(Box<dyn Recording>, Option<Source>), Error> {
    let (recording, companion) = open_whole(source, settings)?;
    Ok((between(recording, settings.from_s, settings.to_s)?, companion))
}

fn open_whole(source: &Source, settings: &Settings) -> Result<(Box<dyn Recording>, Option<Source>), Error> {
    if let Some(air) = &settings.air_file {
        return Ok((read::open_pair(source, air, &settings.read)?, Some(air.clone())));
    }
    match read::find_partner(source, &settings.read)? {
        Some(pair) => {
            let partner = if pair.wire.name() == source.name() { pair.air.clone() } else { pair.wire.clone() };
            Ok((pair.open(&settings.read)?, Some(partner)))
        }
        None => Ok((read::open(source, &settings.read)?, None)),
    }
}

/// The part of a range that a sampling rate can carry.
///
/// # Errors
/// When nothing is left of it.
pub fn range_within(range: Band, rate: Hertz, path: &str) -> Result<Band, Error> {
    let nyquist = rate.get() / 2.0;
    Band::new(0.0, nyquist).and_then(|carried| {
        range.within(carried).ok_or_else(|| {
            Error::input(format!(
                "sampled at {rate}, which reaches to {} only",
                Hertz::new(nyquist).map_or_else(|_| "nothing".into(), |n| n.to_string())
            ))
            .in_file(path)
            .expected(format!("a clock that reaches into {range}"))
            .remedy("record with a higher sampling rate, or give another --range")
        })
    })
}

/// The range asked for, cut to what the clock of a capture and the chains of its channels can carry.
///
/// All channels share one range, so that wire and air stay comparable.
///
/// # Errors
/// When nothing is left of it, or the channels that the settings name do not exist.
pub fn range_of(header: &Header, settings: &Settings) -> Result<Band, Error> {
    let mut range = range_within(settings.range, header.clock.rate, &header.path)?;
    if let Some(top) = header.faithful_to_hz {
        range = range_within(range, Hertz::new(2.0 * top)?, &header.path)?;
    }
    select(header, settings)?.into_iter().filter_map(|(_, role)| Some((role, chain_of(settings, role)?))).try_fold(
        range,
        |range, (role, chain)| {
            let (low, high) = chain.covers();
            Band::new(low, high.min(f64::MAX)).ok().and_then(|covered| range.within(covered)).ok_or_else(|| {
                Error::input(format!("the tables of the {} channel share no frequency with {range}", role.name()))
                    .in_file(settings.setup.as_ref().map_or("", |setup| setup.files[0].path.as_str()))
                    .expected("tables that reach into the range")
                    .remedy("measure the parts over the whole range, or give another --range")
            })
        },
    )
}

fn chain_of(settings: &Settings, role: Role) -> Option<&Chain> {
    settings.setup.as_ref()?.chain(role)
}

/// What to know where the tables of a chain do not reach over the whole range asked for.
pub fn outside_chain(settings: &Settings, roles: impl Iterator<Item = Role>) -> Option<Finding> {
    let asked = settings.range;
    let short: Vec<String> = roles
        .filter_map(|role| Some((role, chain_of(settings, role)?)))
        .flat_map(|(role, chain)| chain.parts.iter().map(move |part| (role, part)))
        .filter_map(|(role, part)| {
            let (low, high) = part.kind.table()?.covers();
            let within = low <= asked.low() && asked.high() <= high;
            (!within).then(|| format!("{} ({}) reaches from {} to {}", part.name, role.name(), hertz(low), hertz(high)))
        })
        .collect();
    (!short.is_empty()).then(|| {
        Finding::limit(
            "outside_chain",
            format!(
                "the measuring chain is not known over all of {asked}: {}; what lies outside is left out of bands and totals, \
                 on all channels alike",
                short.join("; ")
            ),
        )
    })
}

/// The chains of the channels that are analysed; only volts can pass through one.
fn chains(header: &Header, selected: &[(usize, Role)], settings: &Settings) -> Result<Vec<Option<Chain>>, Error> {
    let chain = |&(index, role): &(usize, Role)| {
        let Some(chain) = chain_of(settings, role) else { return Ok(None) };
        let channel = &header.channels[index];
        if channel.quantity == Quantity::Unit("V".into()) {
            return Ok(Some(chain.clone()));
        }
        Err(Error::input(format!(
            "channel \"{}\" is in {}, but a measuring chain begins with volts at the recorder",
            channel.name,
            channel.quantity.symbol()
        ))
        .in_file(header.path.clone())
        .expected("a channel in V")
        .remedy("give the unit with --unit V where the file states none, or leave --setup out"))
    };
    selected.iter().map(chain).collect()
}

impl std::fmt::Debug for Pipeline {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Pipeline({:?})", self.header().path)
    }
}

impl Pipeline {
    /// Opens a file and gets ready to pass its samples on.
    ///
    /// # Errors
    /// Whatever the reader finds wrong, channels that do not exist, a range that the clock cannot carry.
    pub fn open(source: &Source, settings: &Settings) -> Result<Self, Error> {
        let (recording, companion) = open(source, settings)?;
        Ok(Self { companion, ..Self::new(recording, settings)? })
    }

    /// As [`Pipeline::open`], with the range settled first: to the given one, else to what the capture carries.
    ///
    /// # Errors
    /// As [`Pipeline::open`].
    pub fn open_within(source: &Source, settings: &Settings, range: Option<Band>) -> Result<Self, Error> {
        let (recording, companion) = open(source, settings)?;
        let range = range.map_or_else(|| range_of(recording.header(), settings), Ok)?;
        Ok(Self { companion, ..Self::new(recording, &Settings { range, ..settings.clone() })? })
    }

    /// Gets ready to pass on the samples of an open recording.
    ///
    /// # Errors
    /// As [`Pipeline::open`].
    pub fn new(mut recording: Box<dyn Recording>, settings: &Settings) -> Result<Self, Error> {
        settings.check()?;
        let header = recording.header().clone();
        let rate = header.clock.rate;
        let selected = select(&header, settings)?;
        let range = range_of(&header, settings)?;
        let chains = chains(&header, &selected, settings)?;
        let conditioner =
            Conditioner::new(selected.iter().map(|&(index, _)| index).collect(), settings.high_pass, rate)
                .map_err(|e| e.in_file(header.path.clone()))?;

        let mut prelude = Vec::new();
        let mut ended = false;
        let mut count = 0;
        while count < PRELUDE && !ended {
            match recording.next_block()? {
                Some(block) => {
                    count += block.len() as u64;
                    prelude.push(block);
                }
                None => ended = true,
            }
        }
        if count == 0 {
            return Err(Error::input("holds no samples").in_file(header.path).remedy("record again"));
        }
        let mains = mains_of(&prelude, &selected, &conditioner, rate, settings.mains);
        let mut findings = Vec::new();
        range_findings(settings, range_within(settings.range, rate, &header.path)?, rate, &mut findings);
        findings.extend(outside_chain(settings, selected.iter().map(|&(_, role)| role)));
        if mains.source == MainsSource::Assumed {
            findings.push(Finding::note(
                "mains_assumed",
                "nothing in the record shows the mains frequency, so 50 Hz is assumed; --mains 60 settles it otherwise",
            ));
        }
        let channels =
            selected.iter().map(|&(index, role)| Channel { role, ..header.channels[index].clone() }).collect();
        let selected = selected.into_iter().map(|(index, _)| index).collect();
        Ok(Self {
            recording,
            prelude,
            ended,
            selected,
            channels,
            chains,
            conditioner,
            range,
            mains,
            findings,
            companion: None,
        })
    }

    /// The second file, where the capture lies in two.
    pub fn companion(&self) -> Option<&Source> {
        self.companion.as_ref()
    }

    /// The further files that the reading used, by their bare names.
    pub fn files(&self) -> Vec<String> {
        self.recording.account().files
    }

    /// The header as far as it is known.
    pub fn header(&self) -> &Header {
        self.recording.header()
    }

    /// The sampling rate.
    pub fn rate(&self) -> Hertz {
        self.header().clock.rate
    }

    /// The channels that are analysed, the wire first, with their roles.
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// The same in the units that their measuring chains lead to.
    pub fn channels_behind_chains(&self) -> Vec<Channel> {
        let unit = |chain: &Chain| Quantity::Unit(chain.unit.to_owned());
        let beyond = |(channel, chain): (&Channel, &Option<Chain>)| Channel {
            quantity: chain.as_ref().map_or_else(|| channel.quantity.clone(), unit),
            ..channel.clone()
        };
        self.channels.iter().zip(&self.chains).map(beyond).collect()
    }

    /// The number of each analysed channel within the recording.
    pub fn selected(&self) -> &[usize] {
        &self.selected
    }

    /// The measuring chains of the analysed channels.
    pub fn chains(&self) -> &[Option<Chain>] {
        &self.chains
    }

    /// The factor on a power of an analysed channel that divides the high-pass out again and undoes its chain.
    pub fn correction(&self, channel: usize) -> impl Fn(f64) -> f64 + Send + Sync + use<> {
        let conditioner = self.conditioner.clone();
        let chain = self.chain_correction(channel);
        move |frequency| conditioner.power_correction(frequency) * chain(frequency).norm_sqr()
    }

    /// The factor on an amplitude with its phase that does the same.
    pub fn amplitude_correction(&self, channel: usize) -> impl Fn(f64) -> Complex<f64> + Send + Sync + use<> {
        let conditioner = self.conditioner.clone();
        let chain = self.chain_correction(channel);
        move |frequency| conditioner.amplitude_correction(frequency) * chain(frequency)
    }

    /// The factor that undoes a channel's chain alone; one without a chain.
    ///
    /// Outside the range it stays at its end, so that a bin that straddles an edge is put right; no result looks
    /// farther out.
    pub fn chain_correction(&self, channel: usize) -> impl Fn(f64) -> Complex<f64> + Send + Sync + use<> {
        let (chain, range) = (self.chains[channel].clone(), self.range);
        move |frequency| match &chain {
            Some(chain) => chain.correction(frequency.clamp(range.low(), range.high())).unwrap_or_default(),
            None => Complex::new(1.0, 0.0),
        }
    }

    /// Samples left out at the start.
    pub fn unsettled(&self) -> u64 {
        self.conditioner.unsettled()
    }

    /// How many settled samples there will be, where it is known before the end.
    pub fn expected_samples(&self) -> Option<u64> {
        let seen: u64 = self.prelude.iter().map(|block| block.len() as u64).sum();
        let all = if self.ended { Some(seen) } else { self.header().promised_samples };
        all.map(|all| all.saturating_sub(self.unsettled()))
    }

    /// How many settled samples there will be at least: all, where that is known, else those read so far.
    pub fn samples_at_least(&self) -> u64 {
        let seen: u64 = self.prelude.iter().map(|block| block.len() as u64).sum();
        self.expected_samples().unwrap_or_else(|| seen.saturating_sub(self.unsettled()))
    }

    /// The window with its length for this clock and these settings.
    ///
    /// # Errors
    /// When the resolution bandwidth needs a segment longer than is sensible.
    pub fn taper(&self, settings: &Settings) -> Result<Taper, Error> {
        let rate = self.rate();
        let (fewest, most) = super::settings::SEGMENT_LIMITS;
        if rate.get() / settings.resolution.get() * settings.window.noise_bandwidth_bins() > most as f64 {
            return Err(Error::usage(format!("a resolution bandwidth of {} at {rate}", settings.resolution))
                .expected(format!("a segment of at most {most} samples"))
                .remedy("give a larger --rbw"));
        }
        let length =
            settings.segment.unwrap_or_else(|| segment_length(&settings.window, rate, settings.resolution)).max(fewest);
        Ok(Taper::new(&settings.window, length))
    }

    /// Passes all samples on: each block as read, and its settled part with the mains removed. The next block is read
    /// meanwhile.
    ///
    /// # Errors
    /// What is wrong with the data, with its place.
    pub fn run(mut self, mut each: impl FnMut(&Block, Option<&Block>) + Send) -> Result<Passed, Error> {
        let mut quality = Quality::default();
        let (recording, conditioner) = (&mut self.recording, &mut self.conditioner);
        let mut prelude = std::mem::take(&mut self.prelude).into_iter();
        let next = || match prelude.next() {
            None if self.ended => Ok(None),
            None => recording.next_block(),
            block => Ok(block),
        };
        spread::ahead(next, |block| {
            quality.push(&block);
            let settled = conditioner.apply(&block);
            each(&block, settled.as_ref());
        })?;
        let header = self.recording.header().clone();
        let statistics =
            quality.finish().ok_or_else(|| Error::input("holds no samples").in_file(header.path.clone()))?;
        Ok(Passed {
            header,
            statistics,
            channels: self.channels,
            selected: self.selected,
            mains: self.mains,
            settling_samples: self.conditioner.unsettled(),
            findings: self.findings,
        })
    }
}

/// The rows of a block as slices, in the form that signal processing takes.
pub fn rows(block: &Block) -> Vec<&[f64]> {
    (0..block.samples.nrows()).map(|number| block.channel(number)).collect()
}

/// The rows of a block as read that belong to its settled part, in the order of the channels selected.
///
/// # Panics
/// When the recording has no channel of a number.
pub fn raw_rows<'a>(block: &'a Block, settled: &Block, selected: &[usize]) -> Vec<&'a [f64]> {
    let unsettled = block.len() - settled.len();
    selected.iter().map(|&number| &block.channel(number)[unsettled..]).collect()
}

/// The error for a record that is shorter than one segment.
pub fn too_short(path: &str, samples: u64, segment: usize, rate: Hertz) -> Error {
    let needed = segment as f64 / rate.get();
    Error::input(format!("holds {samples} settled samples, less than one segment of {segment}"))
        .in_file(path)
        .expected(format!("at least {:.1} ms", needed * 1e3))
        .remedy(
            "record longer, or give a larger --rbw or a shorter --segment; look whether the file was cut in copying",
        )
}

/// The channels that are analysed, with their parts: those that the settings name, else the reader's choice.
pub(super) fn select(header: &Header, settings: &Settings) -> Result<Vec<(usize, Role)>, Error> {
    let by_role = |role| header.channels.iter().position(|channel| channel.role == role);
    let find = |name: &String| find_channel(header, name);
    let wire = settings.wire.as_ref().map(find).transpose()?.or_else(|| by_role(Role::Wire));
    let named_air = settings.air.as_ref().map(find).transpose()?;
    if wire.is_some() && wire == named_air {
        let free = (0..header.channels.len()).find(|&other| named_air != Some(other));
        if settings.wire.is_some() {
            return Err(Error::usage("the same channel is named as wire and as air")
                .in_file(header.path.clone())
                .remedy("name two channels"));
        }
        return Ok(free
            .map(|index| (index, Role::Wire))
            .into_iter()
            .chain(named_air.map(|i| (i, Role::Air)))
            .collect());
    }
    let air = named_air.or_else(|| by_role(Role::Air).filter(|&index| Some(index) != wire));
    // A channel named as wire leaves the place of the reader's wire free for the air.
    let air = air.or_else(|| by_role(Role::Wire).filter(|&index| Some(index) != wire));
    let selected: Vec<_> =
        wire.map(|index| (index, Role::Wire)).into_iter().chain(air.map(|index| (index, Role::Air))).collect();
    if selected.is_empty() {
        return Err(Error::input("holds no channel to analyse")
            .in_file(header.path.clone())
            .remedy("name one with --wire"));
    }
    Ok(selected)
}

fn find_channel(header: &Header, name: &str) -> Result<usize, Error> {
    let by_name = header.channels.iter().position(|channel| channel.name.eq_ignore_ascii_case(name));
    let by_number = || name.parse::<usize>().ok()?.checked_sub(1).filter(|&index| index < header.channels.len());
    by_name.or_else(by_number).ok_or_else(|| {
        let names: Vec<_> = header.channels.iter().map(|channel| format!("\"{}\"", channel.name)).collect();
        Error::usage(format!("there is no channel \"{}\"", crate::error::printable(name)))
            .in_file(header.path.clone())
            .expected(format!("one of {}, or a number from 1 to {}", names.join(", "), names.len()))
    })
}

fn mains_of(
    prelude: &[Block],
    selected: &[(usize, Role)],
    conditioner: &Conditioner,
    rate: Hertz,
    nominal: Option<f64>,
) -> Mains {
    // A fixed number of samples, so that the result does not depend on where blocks end.
    let used =
        |block: &Block| usize::try_from(PRELUDE.saturating_sub(block.first)).map_or(0, |left| left.min(block.len()));
    let mut raw = vec![Slow::new(rate); selected.len()];
    for block in prelude {
        for (slow, (index, _)) in raw.iter_mut().zip(selected) {
            slow.push(block.channel(*index)[..used(block)].iter().copied());
        }
    }
    let envelopes = || {
        let mut conditioner = conditioner.clone();
        let mut envelopes = vec![Slow::new(rate); selected.len()];
        let unsettled = conditioner.unsettled();
        for block in prelude {
            let Some(settled) = conditioner.apply(block) else { continue };
            let past = (settled.first + unsettled + settled.len() as u64).saturating_sub(PRELUDE);
            let used = settled.len() - usize::try_from(past).unwrap_or(usize::MAX).min(settled.len());
            for (number, slow) in envelopes.iter_mut().enumerate() {
                slow.push(settled.channel(number)[..used].iter().map(|x| x * x));
            }
        }
        envelopes
    };
    find_mains(&raw, envelopes, nominal)
}

fn range_findings(settings: &Settings, range: Band, rate: Hertz, findings: &mut Vec<Finding>) {
    let comfortable = rate.get() / COMFORTABLE_RATE;
    if range.high() < settings.range.high() {
        findings.push(Finding::limit(
            "too_slow",
            format!(
                "sampled at {rate}: the range {} stops at {}; reaching {} takes at least {}",
                settings.range,
                hertz(range.high()),
                hertz(settings.range.high()),
                hertz(settings.range.high() * COMFORTABLE_RATE)
            ),
        ));
    } else if comfortable < range.high() {
        findings.push(Finding::limit(
            "too_slow",
            format!(
                "sampled at {rate}: above {} little room is left for the recorder's low-pass, so what lies beyond half \
                 the sampling rate may fold back into the range",
                hertz(comfortable)
            ),
        ));
    }
    if let Some(cutoff) = settings.high_pass
        && range.low() < cutoff.get()
    {
        findings.push(Finding::limit(
            "below_high_pass",
            format!(
                "the range begins below the high-pass at {cutoff}; levels below it are lowered by it (--high-pass off)"
            ),
        ));
    }
}

fn hertz(value: f64) -> String {
    Hertz::new(value).map_or_else(|_| format!("{value} Hz"), |hertz| hertz.to_string())
}
