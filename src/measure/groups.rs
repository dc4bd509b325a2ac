//! Groups of frequencies as two published methods form them: their own window, their own lines, their own aggregation.
//!
//! Beside them stand the [bands](crate::measure::bands) of the same widths that are summed from Welch's density: those
//! read the whole record with a window of choice, these follow the text of the methods as far as it is known here.
//!
//! # Sources
//! The figures of both methods are from memory but for one: the limits of the sum over a 200 Hz group, centre less 95 Hz
//! to centre plus 100 Hz, were seen in an excerpt of IEC 61000-4-7 annex B.

use std::str::FromStr;

use serde::{Serialize, Serializer};

use super::cycles::{Cycles, Stretch};
use super::mains::Mains;
use crate::dsp::resample::Resampler;
use crate::dsp::transform::Transform;
use crate::dsp::window::{Taper, Window};
use crate::error::Error;
use crate::units::{Band, Hertz};

/// Intervals in 150/180 cycles.
pub const INTERVALS_IN_LONG: u64 = 15;
/// A record too short for one interval still gives one if it holds this share of its cycles.
const LEAST_SHARE: f64 = 0.9;

/// The largest error that resampling puts into a level up to 150 kHz, in decibels; held by a test over rates from
/// 250 kS/s to 10 MS/s.
pub const RESAMPLING_ERROR_DB: f64 = 1e-4;

/// From this sampling rate on the 2 kHz bands reach to 150 kHz; below it the highest lines are left out.
pub const LEAST_RATE_HZ: f64 = 151e3 / 0.46;

/// A published way to form groups.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grouping {
    /// 200 Hz groups from 2 to 9 kHz after IEC 61000-4-7 annex B.
    ///
    /// A rectangular window of 10 mains cycles (12 at 60 Hz), lines of nominally 5 Hz, a group the root of the sum of
    /// the squares from its centre less 95 Hz to its centre plus 100 Hz; centres 2.1, 2.3, … 8.9 kHz.
    TwoHundredHertz,
    /// 2 kHz bands from 8 to 150 kHz after the informative annex of IEC 61000-4-30.
    ///
    /// 512 samples at 1.024 MHz through a rectangular window, 0.5 ms and so lines of 2 kHz, 32 times in each 10/12
    /// cycles, evenly spread: 8 % of the time is seen. Of the 32 the smallest, the root mean square and the largest.
    TwoKilohertz,
}

impl Grouping {
    /// The name on the command line: the part of the standard's number that tells them apart.
    pub fn name(self) -> &'static str {
        match self {
            Grouping::TwoHundredHertz => "4-7",
            Grouping::TwoKilohertz => "4-30",
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Grouping::TwoHundredHertz => "200 Hz groups after IEC 61000-4-7 annex B",
            Grouping::TwoKilohertz => "2 kHz bands after IEC 61000-4-30, informative annex",
        }
    }

    /// The groups that lie within a range, at a sampling rate.
    ///
    /// # Errors
    /// When none does.
    pub fn groups(self, range: Band, rate: Hertz) -> Result<Vec<Group>, Error> {
        let (first, last, step) = match self {
            Grouping::TwoHundredHertz => (2100.0, 8900.0, 200.0),
            Grouping::TwoKilohertz => (8e3, 150e3, 2e3),
        };
        let carried = self.pass_hz(rate);
        let centres = (0u32..).map(|k| first + f64::from(k) * step).take_while(|centre| *centre <= last);
        // A band at the end of the range is kept where its line lies within.
        let inside = |centre: f64| match self {
            Grouping::TwoHundredHertz => range.low() <= centre - step / 2.0 && centre + step / 2.0 <= range.high(),
            Grouping::TwoKilohertz => range.low() <= centre && centre <= range.high(),
        };
        let groups: Vec<Group> = centres
            .filter(|centre| inside(*centre) && centre + step / 2.0 <= carried)
            .filter_map(|centre| {
                Some(Group { centre, band: Band::new(centre - step / 2.0, centre + step / 2.0).ok()? })
            })
            .collect();
        if groups.is_empty() {
            return Err(Error::usage(format!("no group of \"{}\" lies within {range} at {rate}", self.name()))
                .expected(format!("a range that reaches into {} to {} kHz", first / 1e3, last / 1e3))
                .remedy("choose another --grouping, another --range, or record with a higher sampling rate"));
        }
        Ok(groups)
    }

    /// The highest frequency that the kernel keeps whole.
    fn pass_hz(self, rate: Hertz) -> f64 {
        let wanted: f64 = match self {
            Grouping::TwoHundredHertz => 9.2e3,
            // A line's main lobe is 2 kHz to either side.
            Grouping::TwoKilohertz => 152e3,
        };
        wanted.min(0.46 * rate.get())
    }

    /// The rate of the grid at the nominal mains frequency, in hertz.
    fn grid_hz(self) -> f64 {
        match self {
            // 10240 samples in 200 ms.
            Grouping::TwoHundredHertz => 51.2e3,
            Grouping::TwoKilohertz => 1.024e6,
        }
    }

    /// From here on nothing is left: images and what would fold back. The method's own low-pass is remembered near
    /// 200 kHz, which is the middle between 152 and 248 kHz.
    fn stop_hz(self, rate: Hertz) -> f64 {
        let pass = self.pass_hz(rate);
        let own = match self {
            Grouping::TwoHundredHertz => self.grid_hz() - pass,
            Grouping::TwoKilohertz => 248e3,
        };
        own.min(rate.get() - pass)
    }
}

impl FromStr for Grouping {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self, Error> {
        [Grouping::TwoHundredHertz, Grouping::TwoKilohertz]
            .into_iter()
            .find(|grouping| grouping.name() == text.trim())
            .ok_or_else(|| {
                Error::usage(format!("\"{}\" names no grouping", crate::error::printable(text)))
                    .expected("4-7 (200 Hz groups, 2-9 kHz) or 4-30 (2 kHz bands, 8-150 kHz)")
            })
    }
}

impl Serialize for Grouping {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// One group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Group {
    /// Its centre, or the frequency of its line.
    pub centre: f64,
    /// What it stands for.
    pub band: Band,
}

/// The mean squares of the groups of one interval and channel: smallest, mean and largest within the interval. The
/// 200 Hz groups have one window an interval, so all three are the same.
#[derive(Debug, Clone, PartialEq)]
struct Within {
    least: Vec<f64>,
    mean: Vec<f64>,
    most: Vec<f64>,
}

/// What a channel's intervals add up to.
#[derive(Debug, Clone, PartialEq)]
struct Sums {
    least: Vec<f64>,
    mean: Vec<f64>,
    most: Vec<f64>,
    /// The smallest and largest 10/12-cycle mean square.
    lowest: Vec<f64>,
    highest: Vec<f64>,
    /// The mean squares of the 150/180 cycles in work, and of those complete.
    in_work: Vec<f64>,
    long: Vec<Vec<f64>>,
}

/// Accumulates groups from a recording, in the memory of one interval.
#[derive(Debug)]
pub struct Groups<C> {
    cycles: Cycles,
    worker: Worker<C>,
}

#[derive(Debug)]
struct Worker<C> {
    grouping: Grouping,
    groups: Vec<Group>,
    rate: Hertz,
    nominal: f64,
    resampler: Resampler,
    transform: Transform,
    grid: Vec<f64>,
    corrections: Vec<C>,
    sums: Vec<Sums>,
    intervals: u64,
    cycles: u32,
    read: u64,
    start: f64,
    frequencies: (f64, f64),
}

/// The levels of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelGroups {
    /// One for each group.
    pub values: Vec<GroupSquares>,
    /// The root mean squares of each complete 150/180 cycles, group by group.
    pub long_rms: Vec<Vec<f64>>,
}

/// The mean squares of a group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupSquares {
    /// Which.
    pub group: Group,
    /// Over all intervals.
    pub mean: f64,
    /// The smallest and the largest of the windows within an interval, aggregated over the intervals; only where an
    /// interval holds several.
    pub extremes: Option<(f64, f64)>,
    /// The smallest and the largest interval.
    pub intervals: (f64, f64),
    /// The largest 150/180 cycles.
    pub highest_long: Option<f64>,
}

/// How the groups of a recording were formed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Formed {
    /// The method.
    pub grouping: Grouping,
    /// How many cycles an interval has.
    pub interval_cycles: u32,
    /// Where the first interval begins, in seconds after the first settled sample; the others follow without a gap.
    pub start_s: f64,
    /// How many intervals were measured.
    pub intervals: u64,
    /// Whether they have the length that the method asks for; a record just too short gives one that is shorter.
    pub full_intervals: bool,
    /// How many 150/180-cycle intervals there were.
    pub long_intervals: u64,
    /// In how many intervals the mains frequency was read, rather than carried on.
    pub intervals_read: u64,
    /// The lowest mains frequency that an interval was cut by.
    pub mains_low_hz: f64,
    /// The highest.
    pub mains_high_hz: f64,
    /// The rate of the grid that samples are brought to, at the nominal mains frequency.
    pub grid_hz: f64,
    /// The largest error that this puts into a level.
    pub resampling_error_db: f64,
    /// The share of the time that the windows see.
    pub seen_share: f64,
}

/// 32 windows of 512 samples.
const WINDOWS: usize = 32;
const WINDOW_SAMPLES: usize = 512;

/// How many cycles the method's interval holds: 10 at 50 Hz, 12 at 60 Hz.
fn interval_cycles(nominal: f64) -> u32 {
    if nominal > 55.0 { 12 } else { 10 }
}

impl<C: Fn(f64) -> f64> Groups<C> {
    /// Starts with nothing. `corrections` give for each channel the factor on a power at a frequency in hertz.
    ///
    /// `unsettled` is how many samples of the recording went before the first one pushed.
    ///
    /// # Errors
    /// When no group lies within the range at this rate.
    pub fn new(
        grouping: Grouping,
        range: Band,
        rate: Hertz,
        mains: &Mains,
        unsettled: u64,
        corrections: Vec<C>,
    ) -> Result<Self, Error> {
        let groups = grouping.groups(range, rate)?;
        let resampler = Resampler::new(rate, grouping.pass_hz(rate), grouping.stop_hz(rate))?;
        let count = match grouping {
            Grouping::TwoHundredHertz => 10_240,
            Grouping::TwoKilohertz => WINDOW_SAMPLES,
        };
        let rectangular = "rectangular".parse::<Window>()?;
        let none = vec![0.0; groups.len()];
        let sums = Sums {
            least: none.clone(),
            mean: none.clone(),
            most: none.clone(),
            lowest: vec![f64::INFINITY; groups.len()],
            highest: none.clone(),
            in_work: none,
            long: Vec::new(),
        };
        let cycles = interval_cycles(mains.nominal_hz);
        Ok(Self {
            cycles: Cycles::new(rate, mains, unsettled, corrections.len(), cycles, resampler.reach() + 1),
            worker: Worker {
                grouping,
                groups,
                rate,
                nominal: mains.nominal_hz,
                resampler,
                transform: Transform::new(&Taper::new(&rectangular, count)),
                grid: vec![0.0; count],
                sums: vec![sums; corrections.len()],
                corrections,
                intervals: 0,
                cycles,
                read: 0,
                start: 0.0,
                frequencies: (f64::INFINITY, 0.0),
            },
        })
    }

    /// Takes the next samples of all channels, as read and settled.
    ///
    /// # Panics
    /// When there are not as many channels as corrections, or not of equal length.
    pub fn push(&mut self, raw: &[&[f64]], settled: &[&[f64]]) {
        let Self { cycles, worker } = self;
        cycles.push(raw, settled, |stretch| worker.add(stretch));
    }

    /// The groups by channel and how they were formed.
    ///
    /// A record that holds no whole interval but nine tenths of its cycles gives one of fewer cycles.
    ///
    /// # Errors
    /// A record shorter than that: how long it is and how long it must be, in seconds.
    pub fn finish(mut self) -> Result<(Vec<ChannelGroups>, Formed), TooShort> {
        let Self { cycles, worker } = &mut self;
        let full = worker.cycles;
        if worker.intervals == 0 {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a number of cycles")]
            let least = (LEAST_SHARE * f64::from(full)).ceil() as u32;
            cycles.rest(least, |stretch| worker.add(stretch));
        }
        if worker.intervals == 0 {
            let margin = 2.0 * (worker.resampler.reach() + 1) as f64 / worker.rate.get();
            return Err(TooShort {
                cycles: full,
                settled_s: cycles.seen() as f64 / worker.rate.get(),
                needed_s: f64::from(full) / worker.nominal + margin,
            });
        }
        let formed = worker.formed(full);
        Ok((worker.sums.iter().map(|sums| worker.channel(sums)).collect(), formed))
    }
}

/// A record that holds no interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TooShort {
    /// The cycles of an interval.
    pub cycles: u32,
    /// How long the settled record is.
    pub settled_s: f64,
    /// How long it must be.
    pub needed_s: f64,
}

impl<C: Fn(f64) -> f64> Worker<C> {
    fn add(&mut self, stretch: &Stretch<'_>) {
        self.cycles = stretch.cycles;
        if stretch.number == 0 {
            self.start = stretch.start;
        }
        self.read += u64::from(stretch.is_read);
        let frequency = self.rate.get() / stretch.period;
        self.frequencies = (self.frequencies.0.min(frequency), self.frequencies.1.max(frequency));
        self.intervals += 1;
        let long = self.intervals.is_multiple_of(INTERVALS_IN_LONG);
        for channel in 0..self.sums.len() {
            let within = match self.grouping {
                Grouping::TwoHundredHertz => self.lines(stretch, channel),
                Grouping::TwoKilohertz => self.windows(stretch, channel),
            };
            self.sums[channel].add(&within, long);
        }
    }

    /// The groups of 5 Hz lines of one interval.
    fn lines(&mut self, stretch: &Stretch<'_>, channel: usize) -> Within {
        let step = stretch.length() / self.grid.len() as f64;
        self.resampler.fill(stretch.channels[channel], stretch.within(stretch.start), step, &mut self.grid);
        let bins = self.transform.run(&self.grid);
        // One-sided mean square of a line from its transform: 2|X|²/N².
        let scale = 2.0 / (self.grid.len() as f64).powi(2);
        let per_cycle = 1.0 / f64::from(stretch.cycles);
        let (nominal, actual) = (self.nominal * per_cycle, self.rate.get() / stretch.period * per_cycle);
        let square = |line: usize| scale * bins[line].norm_sqr() * (self.corrections[channel])(line as f64 * actual);
        let sum = |group: &Group| group_lines(group.band, nominal).map(square).sum();
        let mean: Vec<f64> = self.groups.iter().map(sum).collect();
        Within { least: mean.clone(), mean: mean.clone(), most: mean }
    }

    /// Smallest, mean and largest of the 32 windows of one interval.
    fn windows(&mut self, stretch: &Stretch<'_>, channel: usize) -> Within {
        let count = self.groups.len();
        let mut within = Within { least: vec![f64::INFINITY; count], mean: vec![0.0; count], most: vec![0.0; count] };
        let step = self.rate.get() / self.grouping.grid_hz();
        let scale = 2.0 / (WINDOW_SAMPLES as f64).powi(2);
        let lines: Vec<(usize, f64)> = self
            .groups
            .iter()
            .map(|group| (line_of(group.centre), scale * (self.corrections[channel])(group.centre)))
            .collect();
        for window in 0..WINDOWS {
            let start = stretch.start + window as f64 / WINDOWS as f64 * stretch.length();
            self.resampler.fill(stretch.channels[channel], stretch.within(start), step, &mut self.grid);
            let bins = self.transform.run(&self.grid);
            for (k, (line, factor)) in lines.iter().enumerate() {
                let square = factor * bins[*line].norm_sqr();
                within.least[k] = within.least[k].min(square);
                within.most[k] = within.most[k].max(square);
                within.mean[k] += square / WINDOWS as f64;
            }
        }
        within
    }

    fn formed(&self, full: u32) -> Formed {
        let windows = WINDOWS as f64 * WINDOW_SAMPLES as f64 / self.grouping.grid_hz();
        Formed {
            grouping: self.grouping,
            interval_cycles: self.cycles,
            start_s: self.start / self.rate.get(),
            intervals: self.intervals,
            full_intervals: self.cycles == full,
            long_intervals: self.intervals / INTERVALS_IN_LONG,
            intervals_read: self.read,
            mains_low_hz: self.frequencies.0,
            mains_high_hz: self.frequencies.1,
            grid_hz: self.grouping.grid_hz(),
            resampling_error_db: RESAMPLING_ERROR_DB,
            seen_share: match self.grouping {
                Grouping::TwoHundredHertz => 1.0,
                Grouping::TwoKilohertz => windows / (f64::from(self.cycles) / self.nominal),
            },
        }
    }

    fn channel(&self, sums: &Sums) -> ChannelGroups {
        let mean = |sum: f64| sum / self.intervals as f64;
        let several = self.grouping == Grouping::TwoKilohertz;
        let value = |k: usize| GroupSquares {
            group: self.groups[k],
            mean: mean(sums.mean[k]),
            extremes: several.then(|| (mean(sums.least[k]), mean(sums.most[k]))),
            intervals: (sums.lowest[k], sums.highest[k]),
            highest_long: sums.long.iter().map(|long| long[k]).reduce(f64::max).map(|rms| rms * rms),
        };
        ChannelGroups { values: (0..self.groups.len()).map(value).collect(), long_rms: sums.long.clone() }
    }
}

impl Sums {
    /// Adds an interval; `long` says that 150/180 cycles are complete with it.
    fn add(&mut self, within: &Within, long: bool) {
        for k in 0..within.mean.len() {
            self.least[k] += within.least[k];
            self.mean[k] += within.mean[k];
            self.most[k] += within.most[k];
            self.lowest[k] = self.lowest[k].min(within.mean[k]);
            self.highest[k] = self.highest[k].max(within.mean[k]);
            self.in_work[k] += within.mean[k];
        }
        if long {
            let rms = self.in_work.iter().map(|sum| (sum / INTERVALS_IN_LONG as f64).sqrt()).collect();
            self.long.push(rms);
            self.in_work.fill(0.0);
        }
    }
}

/// The lines whose nominal frequency lies above the low edge and not above the high edge of a group: with lines of 5 Hz
/// those from its centre less 95 Hz to its centre plus 100 Hz.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a line number from a positive frequency")]
fn group_lines(band: Band, spacing: f64) -> std::ops::RangeInclusive<usize> {
    // An edge that falls on a line must not miss it by rounding.
    let upto = |edge: f64| (edge / spacing + 1e-6).floor() as usize;
    upto(band.low()) + 1..=upto(band.high())
}

/// The line of a 0.5 ms window at a multiple of 2 kHz.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small whole number")]
fn line_of(centre: f64) -> usize {
    (centre / 2e3).round() as usize
}

#[cfg(test)]
mod tests {
    use std::f64::consts::{PI, TAU};

    use super::*;
    use crate::measure::mains::MainsSource;

    fn hertz(value: f64) -> Hertz {
        Hertz::new(value).unwrap()
    }

    fn range() -> Band {
        Band::new(2e3, 150e3).unwrap()
    }

    fn mains(frequency_hz: f64, source: MainsSource) -> Mains {
        let nominal_hz = if frequency_hz > 55.0 { 60.0 } else { 50.0 };
        Mains { frequency_hz, uncertainty_hz: None, nominal_hz, source, phase_deg: None }
    }

    type Done = Result<(Vec<ChannelGroups>, Formed), TooShort>;

    /// The groups of samples without a sign of the mains in them.
    fn formed(grouping: Grouping, rate: f64, mains_hz: f64, samples: &[f64]) -> Done {
        let mains = mains(mains_hz, MainsSource::Option);
        let mut groups = Groups::new(grouping, range(), hertz(rate), &mains, 0, vec![|_: f64| 1.0]).unwrap();
        groups.push(&[samples], &[samples]);
        groups.finish()
    }

    /// RMS by centre.
    fn levels(grouping: Grouping, rate: f64, mains_hz: f64, samples: &[f64]) -> Vec<(f64, f64)> {
        let (channels, _) = formed(grouping, rate, mains_hz, samples).unwrap();
        channels[0].values.iter().map(|value| (value.group.centre, value.mean.sqrt())).collect()
    }

    fn at(levels: &[(f64, f64)], centre: f64) -> f64 {
        levels.iter().find(|level| level.0 == centre).unwrap().1
    }

    /// Tones by frequency and RMS value.
    fn tones(parts: &[(f64, f64)], rate: f64, seconds: f64) -> Vec<f64> {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a short record")]
        let count = (rate * seconds) as usize;
        let mut samples = vec![0.0; count];
        for (number, (frequency, rms)) in parts.iter().enumerate() {
            for (n, sample) in samples.iter_mut().enumerate() {
                let cycles = (frequency / rate * n as f64).fract();
                *sample += rms * 2.0_f64.sqrt() * (TAU * cycles + 0.7 * number as f64).sin();
            }
        }
        samples
    }

    fn noise(count: usize, seed: u64) -> Vec<f64> {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 12.0_f64.sqrt()
        };
        (0..count).map(|_| next()).collect()
    }

    /// The kernel's ripple of 3e-6 of the strongest tone may fall on any line.
    const RIPPLE: f64 = 1e-5;

    #[test]
    fn the_200_hz_groups_tile_2_to_9_khz() {
        // IEC 61000-4-7 annex B: sum from centre - 95 Hz to centre + 100 Hz over 5 Hz lines (excerpt of the standard),
        // centres 2.1, 2.3, ... 8.9 kHz (from memory).
        let groups = Grouping::TwoHundredHertz.groups(range(), hertz(500e3)).unwrap();
        assert_eq!(groups.len(), 35);
        let lines: Vec<usize> = groups.iter().flat_map(|group| group_lines(group.band, 5.0)).collect();
        assert_eq!(lines, (401..=1800).collect::<Vec<_>>());
        assert_eq!(group_lines(groups[0].band, 5.0), 401..=440);
        assert_eq!((groups[0].centre, groups[34].centre), (2100.0, 8900.0));
        // Nine cycles: 36 lines of 50/9 Hz a group, none missed and none twice.
        let lines: Vec<usize> = groups.iter().flat_map(|group| group_lines(group.band, 50.0 / 9.0)).collect();
        assert_eq!(lines, (361..=1620).collect::<Vec<_>>());
    }

    #[test]
    fn the_worked_vector_of_lines_gives_its_groups() {
        // Arithmetic on the published sum: sqrt(1 + 0.25 + 0.09) and sqrt(0.04 + 0.01) V; the line at 2000 Hz is outside.
        let parts = [(2000.0, 9.0), (2005.0, 1.0), (2100.0, 0.5), (2200.0, 0.3), (2205.0, 0.2), (2400.0, 0.1)];
        for rate in [250e3, 400e3, 1e6] {
            let levels = levels(Grouping::TwoHundredHertz, rate, 50.0, &tones(&parts, rate, 0.21));
            assert!((at(&levels, 2100.0) - 1.157_583_690_279_022_8).abs() < 9.0 * RIPPLE, "{levels:?}");
            assert!((at(&levels, 2300.0) - 0.223_606_797_749_978_97).abs() < 9.0 * RIPPLE, "{levels:?}");
            assert!(levels[2..].iter().all(|level| level.1 < 9.0 * RIPPLE), "{levels:?}");
        }
    }

    #[test]
    fn a_line_on_an_edge_belongs_to_the_group_below_it() {
        // b - 100 < f <= b + 100 (follows from the limits of the sum).
        for (frequency, centre) in [(4200.0, 4100.0), (4000.0, 3900.0), (4005.0, 4100.0), (9000.0, 8900.0)] {
            let levels = levels(Grouping::TwoHundredHertz, 200e3, 50.0, &tones(&[(frequency, 1.0)], 200e3, 0.21));
            for (other, rms) in &levels {
                let expected = if *other == centre { 1.0 } else { 0.0 };
                assert!((rms - expected).abs() < RIPPLE, "{frequency} Hz in {other}: {rms}");
            }
        }
    }

    #[test]
    fn tones_locked_to_an_asynchronous_mains_stay_on_their_lines() {
        // 49.9 Hz: harmonic 42 lies at 2095.8 Hz, on line 420 of 10 cycles; 60 Hz: harmonic 35 on line 420 of 12.
        for (mains_hz, order) in [(49.9, 42.0), (50.1, 42.0), (60.0, 35.0), (59.9, 35.0)] {
            let samples = tones(&[(order * mains_hz, 1.0)], 200e3, 0.41);
            let (channels, formed) = formed(Grouping::TwoHundredHertz, 200e3, mains_hz, &samples).unwrap();
            assert_eq!((formed.interval_cycles, formed.intervals), (if mains_hz > 55.0 { 12 } else { 10 }, 2));
            let values = &channels[0].values;
            assert!((values[0].mean - 1.0).abs() < RIPPLE, "{mains_hz}: {}", values[0].mean);
            assert!(values[1..].iter().all(|value| value.mean < RIPPLE * RIPPLE), "{mains_hz}");
        }
        // Cut as if it were 50 Hz, the same tone of 49.9 Hz leaks: the synchronisation is what keeps it in place.
        let levels = levels(Grouping::TwoHundredHertz, 200e3, 50.0, &tones(&[(84.0 * 49.9, 1.0)], 200e3, 0.41));
        assert!(levels.iter().filter(|level| level.1 > 1e-3).count() > 2, "{levels:?}");
    }

    #[test]
    fn a_mains_that_drifts_is_followed() {
        // 49.9 Hz and a tenth of a hertz a second up, with its 62nd harmonic (3.1 kHz, the middle of a group) on it.
        let turns = |n: u32| {
            let t = f64::from(n) / 100e3;
            49.9 * t + 0.05 * t * t
        };
        let raw: Vec<f64> = (0..150_000).map(|n| 300.0 * (TAU * turns(n)).sin()).collect();
        let settled: Vec<f64> = (0..150_000).map(|n| 2.0_f64.sqrt() * (TAU * 62.0 * turns(n)).sin()).collect();
        let found = mains(49.9, MainsSource::Fundamental);
        let mut groups =
            Groups::new(Grouping::TwoHundredHertz, range(), hertz(100e3), &found, 0, vec![|_: f64| 1.0]).unwrap();
        groups.push(&[&raw], &[&settled]);
        let (channels, formed) = groups.finish().unwrap();
        assert_eq!((formed.intervals, formed.intervals_read), (7, 7));
        assert!(
            formed.mains_low_hz > 49.9 && formed.mains_high_hz < 50.05 && formed.mains_high_hz > 50.0,
            "{formed:?}"
        );
        let group = channels[0].values.iter().find(|value| value.group.centre == 3100.0).unwrap();
        assert!((10.0 * group.mean.log10()).abs() < 0.01, "{}", group.mean);
    }

    #[test]
    fn white_noise_gives_its_density_times_the_width() {
        // sqrt(200 S) and sqrt(2000 S) (arithmetic). Density of unit white noise: 2 / rate.
        let (rate, count) = (400e3, 1_640_000);
        let samples = noise(count, 3);
        for (grouping, width) in [(Grouping::TwoHundredHertz, 200.0), (Grouping::TwoKilohertz, 2000.0)] {
            let (channels, formed) = formed(grouping, rate, 50.0, &samples).unwrap();
            assert_eq!((formed.intervals, formed.long_intervals), (20, 1));
            let expected = width * 2.0 / rate;
            let values = &channels[0].values;
            let ratio = values.iter().map(|value| value.mean / expected).sum::<f64>() / values.len() as f64;
            // 35 groups of 40 lines in 20 intervals, or 72 lines in 640 windows: a standard deviation of 0.6 % or 0.5 %.
            assert!((ratio - 1.0).abs() < 0.02, "{grouping:?}: {ratio}");
            let long =
                channels[0].long_rms[0].iter().map(|rms| rms * rms / expected).sum::<f64>() / values.len() as f64;
            assert!((long - 1.0).abs() < 0.02, "{grouping:?}: {long}");
            for value in values {
                assert!(value.intervals.0 <= value.mean && value.mean <= value.intervals.1);
                if let Some((least, most)) = value.extremes {
                    // The smallest and largest of 32 exponential values: 1/32 and the 32nd harmonic number, 4.06.
                    assert!(
                        (least * 32.0 / expected / 1.0).ln().abs() < 1.2 && (most / expected / 4.06).ln().abs() < 0.4
                    );
                }
            }
        }
    }

    #[test]
    fn the_lines_of_an_interval_hold_its_mean_square() {
        // Parseval: a tone half a line beside a line is spread over lines, its square kept. Group 5100 is 5000 to 5200 Hz;
        // what leaks out of 2 to 9 kHz is 2/pi^2 of a line's share, here below 1e-3.
        let levels = levels(Grouping::TwoHundredHertz, 250e3, 50.0, &tones(&[(5102.5, 1.0)], 250e3, 0.21));
        let all: f64 = levels.iter().map(|level| level.1 * level.1).sum();
        assert!((all - 1.0).abs() < 2e-3, "{all}");
        assert!(at(&levels, 5100.0).powi(2) > 0.97 && at(&levels, 5100.0).powi(2) < 0.999);
    }

    #[test]
    fn windows_of_half_a_millisecond_have_lines_of_2_khz() {
        // 512 samples at 1.024 MHz (from memory): 0.5 ms, 2000.0 Hz (arithmetic); 32 of them in 200 ms see 8.0 %.
        assert_eq!(1.024e6 / WINDOW_SAMPLES as f64, 2000.0);
        let groups = Grouping::TwoKilohertz.groups(range(), hertz(500e3)).unwrap();
        assert_eq!((groups.len(), groups[0].centre, groups[71].centre), (72, 8e3, 150e3));
        assert_eq!((groups[0].band.low(), groups[0].band.high()), (7e3, 9e3));
        let samples = tones(&[(20e3, 1.0), (76e3, 0.5)], 500e3, 0.21);
        let (channels, formed) = formed(Grouping::TwoKilohertz, 500e3, 50.0, &samples).unwrap();
        assert!((formed.seen_share - 0.08).abs() < 1e-12);
        for value in &channels[0].values {
            let expected = [(20e3, 1.0), (76e3, 0.25)].iter().find(|t| t.0 == value.group.centre).map_or(0.0, |t| t.1);
            let (least, most) = value.extremes.unwrap();
            for square in [least, value.mean, most] {
                assert!((square - expected).abs() < 3.0 * RIPPLE, "{} Hz: {square}", value.group.centre);
            }
        }
        // Between two lines a rectangular window reads 3.92 dB low: 20 log10(2/pi) (textbook).
        let levels = levels(Grouping::TwoKilohertz, 500e3, 50.0, &tones(&[(41e3, 1.0)], 500e3, 0.21));
        for centre in [40e3, 42e3] {
            assert!((20.0 * (at(&levels, centre) * PI / 2.0).log10()).abs() < 0.2, "{}", at(&levels, centre));
        }
    }

    #[test]
    fn a_burst_shows_in_the_largest_and_not_in_the_smallest() {
        // On for a quarter of every half cycle: of 32 windows in 10 cycles some fall within and some without.
        let tone = tones(&[(60e3, 1.0)], 400e3, 0.21);
        let gated = tone.iter().enumerate().map(|(n, v)| if n % 4000 < 1000 { *v } else { 0.0 }).collect::<Vec<_>>();
        let (channels, _) = formed(Grouping::TwoKilohertz, 400e3, 50.0, &gated).unwrap();
        let value = channels[0].values.iter().find(|value| value.group.centre == 60e3).unwrap();
        let (least, most) = value.extremes.unwrap();
        assert!(least < RIPPLE && (most - 1.0).abs() < 1e-4 && (0.15..0.35).contains(&value.mean), "{value:?}");
    }

    #[test]
    fn resampling_keeps_levels() {
        // Tones on lines at rates that share nothing with 1.024 MHz; the largest error is what the documents state.
        for rate in [250e3, 320e3, 400e3, 500e3, 1e6, 1.024e6, 2.5e6, 10e6] {
            let mut worst: f64 = 0.0;
            for frequency in [8e3, 30e3, 74e3, 110e3, 130e3, 150e3] {
                let resampler = Grouping::TwoKilohertz;
                let groups = resampler.groups(range(), hertz(rate)).unwrap();
                if groups.iter().all(|group| group.centre < frequency) {
                    continue;
                }
                let kernel =
                    Resampler::new(hertz(rate), resampler.pass_hz(hertz(rate)), resampler.stop_hz(hertz(rate)));
                let kernel = kernel.unwrap();
                let mut grid = vec![0.0; WINDOW_SAMPLES];
                let mut transform =
                    Transform::new(&Taper::new(&"rectangular".parse::<Window>().unwrap(), WINDOW_SAMPLES));
                let tone = tones(&[(frequency, 1.0)], rate, 0.0007 + 2.0 * kernel.reach() as f64 / rate);
                for offset in [0.0, 0.31, 0.62] {
                    kernel.fill(&tone, kernel.reach() as f64 + offset, rate / 1.024e6, &mut grid);
                    let square = 2.0 * transform.run(&grid)[line_of(frequency)].norm_sqr() / 512.0_f64.powi(2);
                    worst = worst.max((10.0 * square.log10()).abs());
                }
            }
            println!("{rate} S/s: {worst:.1e} dB");
            assert!(worst < RESAMPLING_ERROR_DB, "{rate}: {worst}");
        }
        // 200 Hz groups, with 10240 samples in ten cycles.
        for rate in [20e3, 48e3, 100e3, 250e3, 1e6, 2.5e6] {
            let levels =
                levels(Grouping::TwoHundredHertz, rate, 50.0, &tones(&[(2100.0, 1.0), (8.8e3, 1.0)], rate, 0.21));
            for centre in [2100.0, 8700.0] {
                let error = 20.0 * at(&levels, centre).log10();
                println!("{rate} S/s, {centre} Hz: {error:.1e} dB");
                assert!(error.abs() < RESAMPLING_ERROR_DB, "{rate}: {error}");
            }
        }
    }

    #[test]
    fn a_clock_too_slow_carries_fewer_bands() {
        let highest = |rate| Grouping::TwoKilohertz.groups(range(), hertz(rate)).unwrap().last().unwrap().centre;
        assert_eq!((highest(330e3), highest(250e3), highest(100e3)), (150e3, 114e3, 44e3));
        assert!(Grouping::TwoKilohertz.groups(range(), hertz(15e3)).is_err());
        let cut = Band::new(20e3, 30e3).unwrap();
        assert!(Grouping::TwoHundredHertz.groups(cut, hertz(1e6)).is_err());
        assert_eq!(Grouping::TwoKilohertz.groups(cut, hertz(1e6)).unwrap().len(), 6);
    }

    #[test]
    fn a_record_just_too_short_gives_one_shorter_interval() {
        let tone = |seconds: f64| tones(&[(2100.0, 1.0)], 100e3, seconds);
        let (channels, short) = formed(Grouping::TwoHundredHertz, 100e3, 50.0, &tone(0.195)).unwrap();
        assert_eq!((short.interval_cycles, short.intervals, short.full_intervals), (9, 1, false));
        assert!((channels[0].values[0].mean - 1.0).abs() < RIPPLE);
        assert!(formed(Grouping::TwoHundredHertz, 100e3, 50.0, &tone(0.205)).unwrap().1.full_intervals);
        let refused = formed(Grouping::TwoHundredHertz, 100e3, 50.0, &tone(0.15)).unwrap_err();
        assert!(refused.cycles == 10 && refused.needed_s > 0.2 && refused.needed_s < 0.21, "{refused:?}");
    }

    #[test]
    fn blocks_of_any_size_give_the_same_groups() {
        let samples = noise(90_000, 8);
        for grouping in [Grouping::TwoHundredHertz, Grouping::TwoKilohertz] {
            let run = |block: usize| {
                let mains = mains(50.02, MainsSource::Option);
                let corrections: Vec<fn(f64) -> f64> = vec![|_| 1.0, |f| 1.0 + f];
                let mut groups = Groups::new(grouping, range(), hertz(200e3), &mains, 0, corrections);
                for chunk in samples.chunks(block) {
                    groups.as_mut().unwrap().push(&[chunk, chunk], &[chunk, chunk]);
                }
                groups.unwrap().finish().unwrap()
            };
            let whole = run(90_000);
            assert_eq!(whole.1.intervals, 2);
            for block in [331, 40_000] {
                assert_eq!(run(block), whole, "{block}");
            }
        }
    }

    #[test]
    fn groupings_are_read_from_their_names() {
        assert_eq!("4-30".parse::<Grouping>().unwrap(), Grouping::TwoKilohertz);
        for text in ["", "200", "2k", "4-7 "] {
            assert_eq!(text.parse::<Grouping>().is_ok(), text.trim() == "4-7", "{text}");
        }
    }
}
