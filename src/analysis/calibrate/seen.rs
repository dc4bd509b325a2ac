//! What one capture of a known signal shows.

use std::f64::consts::LN_10;

use super::{Crosstalk, Floor, Phase, Step};
use crate::analysis::compare::Warning;
use crate::analysis::observe::{Input, with_inputs};
use crate::analysis::settings::Settings;
use crate::capture::{Quantity, Role};
use crate::dsp::Complex;
use crate::dsp::segment::{Hop, segment_length};
use crate::dsp::sine_fit::fit_fundamental;
use crate::dsp::spectrum::{Density, Spectrum};
use crate::dsp::steady_sine::SteadySine;
use crate::dsp::welch::Welch;
use crate::dsp::window::{Taper, Window};
use crate::error::{Error, Finding, printable};
use crate::read::Source;
use crate::read::calibration::{Calibration, Fed, Kind, LevelIs, Other, Signal, share};
use crate::uncertainty::{COVERAGE, Estimate, median_of_two, student_factor};
use crate::units::{Band, Hertz, engineering};

/// So many samples of a channel are looked at: eight seconds at 500 kS/s.
const MOST_SAMPLES: usize = 1 << 22;
/// A sine is looked for so far from where it is said to be.
const SEARCH: f64 = 0.02;
/// A frequency farther off than this is told: generators and recorders with crystals are ten times better.
const FREQUENCY_OFF: f64 = 5e-4;
/// A step is left out where its sine stands out of the noise of a stretch by less than this, and told below the second.
const LEAST_DB: f64 = 6.0;
const COMFORTABLE_DB: f64 = 20.0;
/// A level that varies by less, from stretch to stretch, is steady.
const STEADY_DB: f64 = 0.05;
/// ... as is one that varies no more than so many times what its noise explains.
const STEADY_TIMES: f64 = 3.0;
/// The resolution of densities in hertz.
const RESOLUTION_HZ: f64 = 200.0;
/// Bands of noise, and of the floor, to an octave.
const NOISE_BANDS: f64 = 6.0;
const FLOOR_BANDS: f64 = 12.0;
/// No more bands are made, however wide a range is stated.
const MOST_BANDS: f64 = 2000.0;
/// The floor is stated from here on, in hertz.
const FLOOR_FROM_HZ: f64 = 500.0;
/// Densities are taken up to this share of half the sampling rate.
const CARRIED: f64 = 0.98;
/// Harmonics that are looked at, and the share of the sine from which on they are no generator's own.
const HARMONICS: [f64; 4] = [2.0, 3.0, 4.0, 5.0];
const DISTORTED: f64 = 0.03;
/// Hann segments with half overlap lose this share of the record's information on a density (Welch 1967).
const WELCH_LOSS: f64 = 1.056;

/// A band of a noise capture, as recorded.
#[derive(Debug, Clone)]
pub(super) struct NoiseBand {
    pub(super) signal: usize,
    pub(super) role: Role,
    pub(super) band: Band,
    /// V²/Hz at the recorder.
    pub(super) density: f64,
    /// V²/Hz at the input.
    pub(super) fed: f64,
    /// The relative standard uncertainty of the density, and its degrees of freedom.
    pub(super) relative: f64,
    pub(super) degrees: f64,
}

/// What a capture shows.
#[derive(Debug, Default)]
pub(super) struct Seen {
    pub(super) inputs: Vec<Input>,
    pub(super) rate_hz: f64,
    pub(super) steps: Vec<Step>,
    pub(super) phases: Vec<Phase>,
    pub(super) crosstalk: Vec<Crosstalk>,
    pub(super) noise: Vec<NoiseBand>,
    pub(super) floors: Vec<(Role, Vec<Floor>)>,
    pub(super) warnings: Vec<Warning>,
}

/// The samples of a capture as read.
struct Record {
    rate: Hertz,
    roles: Vec<Role>,
    samples: Vec<Vec<f64>>,
    clipped: Vec<f64>,
    whole: u64,
}

/// Looks at one capture.
pub(super) fn seen(
    source: &Source,
    number: usize,
    calibration: &Calibration,
    settings: &Settings,
) -> Result<Seen, Error> {
    let signal = &calibration.signals[number];
    let (inputs, record) = with_inputs(source, settings, |pipeline| {
        let rate = pipeline.rate();
        let volts = Quantity::Unit("V".into());
        if let Some(channel) = pipeline.channels().iter().find(|channel| channel.quantity != volts) {
            let found = format!("channel \"{}\" is in {}", printable(&channel.name), channel.quantity.symbol());
            return Err(Error::input(found)
                .in_file(pipeline.header().path.clone())
                .expected("channels in V: a measuring chain ends with volts at the recorder")
                .remedy("give the unit with --unit V where the file states none"));
        }
        let mut samples: Vec<Vec<f64>> = vec![Vec::new(); pipeline.channels().len()];
        let passed = pipeline.run(|_, settled| {
            let Some(block) = settled else { return };
            for (number, kept) in samples.iter_mut().enumerate() {
                let free = MOST_SAMPLES - kept.len();
                kept.extend_from_slice(&block.channel(number)[..free.min(block.len())]);
            }
        })?;
        let roles = passed.channels.iter().map(|channel| channel.role).collect();
        let clipped =
            passed.selected.iter().map(|&number| passed.statistics.channels[number].clipped_fraction).collect();
        Ok(Record { rate, roles, samples, clipped, whole: passed.statistics.samples })
    })?;
    let mut view = View { number, signal, calibration, record, found: Seen { inputs, ..Seen::default() } };
    view.found.rate_hz = view.record.rate.get();
    view.channels_are_there()?;
    if view.record.whole > MOST_SAMPLES as u64 {
        let most = engineering(MOST_SAMPLES as f64 / view.found.rate_hz, "s");
        view.tell(Finding::note("beginning_only", format!("only the first {most} are looked at")));
    }
    match signal.kind {
        Kind::Sine { frequency_hz, rms_v } => view.sine(frequency_hz, rms_v),
        Kind::Comb { spacing_hz, highest_hz, rms_v } => view.comb(spacing_hz, highest_hz, rms_v),
        Kind::Noise { density, low_hz, high_hz } => view.noise(density, low_hz, high_hz)?,
        Kind::Shorted => view.shorted()?,
    }
    Ok(view.found)
}

struct View<'a> {
    number: usize,
    signal: &'a Signal,
    calibration: &'a Calibration,
    record: Record,
    found: Seen,
}

/// The line that stands out most of the density beside it, if any does by far: its frequency, and its share of the power.
fn line_in(density: &Spectrum<Density>, low: f64, high: f64) -> Option<(f64, f64)> {
    /// Averaged noise is never so many times the median of what lies beside it.
    const FAR: f64 = 30.0;
    /// From so many bins off, beyond the window's own width, over so many.
    const BESIDE: (usize, usize) = (6, 20);
    let values = density.values();
    let is_within = |bin: &usize| (low..=high).contains(&density.frequency(*bin));
    let first = (0..values.len()).find(is_within)?;
    let last = (0..values.len()).rfind(is_within)?;
    let beside = |bin: usize| {
        let below = bin.saturating_sub(BESIDE.0 + BESIDE.1)..bin.saturating_sub(BESIDE.0);
        let above = (bin + BESIDE.0).min(last)..(bin + BESIDE.0 + BESIDE.1).min(last);
        let beside: Vec<f64> = below.chain(above).map(|bin| values[bin]).collect();
        (!beside.is_empty()).then(|| median_of_two(beside))
    };
    let highest = (first..last).max_by(|a, b| values[*a].total_cmp(&values[*b]))?;
    let stands_out = beside(highest).is_some_and(|beside| values[highest] > FAR * beside);
    let own: f64 = values[highest.saturating_sub(BESIDE.0)..(highest + BESIDE.0).min(values.len())].iter().sum();
    let whole: f64 = values[first..=last].iter().sum();
    stands_out.then(|| (density.frequency(highest), own / whole))
}

fn decibels(power: f64) -> f64 {
    10.0 * power.log10()
}

fn hertz(value: f64) -> String {
    engineering(value, "Hz")
}

impl View<'_> {
    fn tell(&mut self, finding: Finding) {
        self.found.warnings.push(Warning { path: Some(self.signal.capture.clone()), finding });
    }

    fn channels_are_there(&self) -> Result<(), Error> {
        for role in [Role::Wire, Role::Air] {
            if self.signal.fed.holds(role) && !self.record.roles.contains(&role) {
                let error = Error::input(format!(
                    "the capture \"{}\" holds no {} channel",
                    printable(&self.signal.capture),
                    role.name()
                ));
                let error = error
                    .expected("a capture of the input that was fed")
                    .remedy("name its column with --wire or --air");
                return Err(self.calibration.at(self.signal, error));
            }
        }
        Ok(())
    }

    /// The channels that were fed, by their number, those that clipped left out.
    fn fed(&mut self) -> Vec<usize> {
        let all: Vec<usize> =
            (0..self.record.roles.len()).filter(|&n| self.signal.fed.holds(self.record.roles[n])).collect();
        let (clipped, fit): (Vec<usize>, Vec<usize>) = all.into_iter().partition(|&n| self.record.clipped[n] > 0.0);
        for number in clipped {
            let role = self.record.roles[number].name();
            self.tell(Finding::limit(
                "clipped_step",
                format!("the {role} clips, so it is left out; take a larger range or a smaller level"),
            ));
        }
        fit
    }

    /// The RMS value at the input of a channel.
    fn at_input(&self, channel: usize, frequency: f64, rms_v: f64) -> f64 {
        let level_is = self.calibration.generator.level_is.unwrap_or(LevelIs::AtInput);
        // Inputs that are fed at once load the generator side by side.
        let roles = match self.signal.fed {
            Fed::Both => vec![Role::Wire, Role::Air],
            Fed::Wire | Fed::Air => vec![self.record.roles[channel]],
        };
        let inputs: Vec<&crate::read::calibration::Input> =
            roles.into_iter().map(|role| self.calibration.input(role)).collect();
        // That the load is stated where it is needed has been checked before.
        rms_v * share(level_is, &inputs, frequency).unwrap_or(1.0)
    }

    fn is_beyond(&mut self, frequency: f64) -> bool {
        let nyquist = self.record.rate.get() / 2.0;
        let beyond = frequency >= nyquist;
        if beyond {
            self.tell(Finding::limit(
                "beyond_nyquist",
                format!(
                    "{} lies beyond half the sampling rate of {}, so it is left out; record it with a higher rate",
                    hertz(frequency),
                    self.record.rate
                ),
            ));
        }
        beyond
    }

    fn sine(&mut self, frequency: f64, rms_v: f64) {
        let fed = self.fed();
        let (Some(&first), false) = (fed.first(), self.is_beyond(frequency)) else { return };
        let rate = self.record.rate;
        let highest = (frequency * (1.0 + SEARCH)).min(0.4999 * rate.get());
        let range = (frequency * (1.0 - SEARCH), highest);
        let Some(fit) = fit_fundamental(&self.record.samples[first], rate, range, &[]) else {
            let percent = 100.0 * SEARCH;
            self.tell(Finding::limit(
                "no_sine",
                format!(
                    "no sine stands out within {percent} % of {}, so it is left out; check the frequency stated, the level and \
                     the length of the capture",
                    hertz(frequency)
                ),
            ));
            return;
        };
        let Some(sine) = self.refined(first, fit.frequency_hz, f64::INFINITY) else {
            self.tell(Finding::limit(
                "too_short",
                format!("too short for {}: 48 periods are needed, so it is left out", hertz(frequency)),
            ));
            return;
        };
        let off = sine.frequency_hz / frequency - 1.0;
        let place = if off.abs() > FREQUENCY_OFF {
            self.tell(Finding::limit(
                "frequency_off",
                format!(
                    "the sine is at {:.1} Hz and not at {:.1} Hz as stated; what was found counts",
                    sine.frequency_hz, frequency
                ),
            ));
            sine.frequency_hz
        } else {
            frequency
        };
        self.is_a_sine(&sine, &fed, place);
        self.line(&sine, &fed, place, rms_v);
    }

    /// Whether harmonics tell that something on the way limits.
    fn is_a_sine(&mut self, sine: &SteadySine, fed: &[usize], place: f64) {
        let all: Vec<&[f64]> = self.record.samples.iter().map(Vec::as_slice).collect();
        let (rate, base) = (self.record.rate, sine.frequency_hz);
        let harmonics: Vec<SteadySine> = HARMONICS
            .into_iter()
            .filter(|order| order * base < CARRIED * rate.get() / 2.0)
            .filter_map(|order| SteadySine::of(&all, rate, order * base, base))
            .collect();
        let mean = |sine: &SteadySine, channel| Estimate::of_independent(&sine.powers(channel)).mean;
        let distortion = |channel: usize| {
            let above = |harmonic: &SteadySine| (mean(harmonic, channel) - harmonic.noise[channel]).max(0.0);
            (harmonics.iter().map(above).sum::<f64>() / mean(sine, channel)).sqrt()
        };
        for (channel, distortion) in fed.iter().map(|&channel| (channel, distortion(channel))).collect::<Vec<_>>() {
            if distortion > DISTORTED {
                let role = self.record.roles[channel].name();
                self.tell(Finding::limit(
                    "distorted",
                    format!(
                        "at {} the {role} shows harmonics of {:.0} % of the sine: generator, network or probe limits, or it is \
                         no sine; take a smaller level",
                        hertz(place),
                        100.0 * distortion
                    ),
                ));
            }
        }
    }

    /// The sine of a channel at its own frequency, with all channels.
    fn refined(&self, channel: usize, near: f64, apart: f64) -> Option<SteadySine> {
        let (rate, samples) = (self.record.rate, &self.record.samples);
        let found = SteadySine::frequency_hz(&samples[channel], rate, near, apart)?;
        let all: Vec<&[f64]> = samples.iter().map(Vec::as_slice).collect();
        SteadySine::of(&all, rate, found, apart)
    }

    fn comb(&mut self, spacing: f64, highest: f64, rms_v: f64) {
        let fed = self.fed();
        let Some(&first) = fed.first() else { return };
        let nyquist = self.record.rate.get() / 2.0;
        if highest >= nyquist {
            self.tell(Finding::limit(
                "beyond_nyquist",
                format!("lines of the comb beyond {}, half the sampling rate, are left out", hertz(nyquist)),
            ));
        }
        let lines = (1u32..).map(|order| spacing * f64::from(order));
        let lines: Vec<f64> = lines.take_while(|line| *line <= highest * (1.0 + 1e-9) && *line < nyquist).collect();
        let mut missed = 0;
        for line in &lines {
            match self.refined(first, *line, spacing) {
                Some(sine) => self.line(&sine, &fed, *line, rms_v),
                None => missed += 1,
            }
        }
        if missed > 0 {
            self.tell(Finding::limit(
                "too_short",
                format!(
                    "too short to tell {missed} of {} lines of the comb from their neighbours: 48 times the inverse of their \
                     spacing is needed",
                    lines.len()
                ),
            ));
        }
    }

    /// Takes a line: gains of the channels that were fed, phase, crosstalk.
    fn line(&mut self, sine: &SteadySine, fed: &[usize], place: f64, rms_v: f64) {
        let mut clear = Vec::new();
        for &channel in fed {
            if self.step(sine, channel, place, rms_v) {
                clear.push(channel);
            }
        }
        let of = |role| self.record.roles.iter().position(|&other| other == role);
        let (Some(wire), Some(air)) = (of(Role::Wire), of(Role::Air)) else { return };
        let Some(&driven) = clear.first() else { return };
        let other = if driven == wire { air } else { wire };
        match self.signal.other {
            Some(Other::Terminated) => self.crosstalk(sine, driven, other, place),
            Some(Other::Generator) => self.phase(sine, wire, air, place),
            None if self.signal.fed == Fed::Both && clear.len() == 2 => self.phase(sine, wire, air, place),
            None => {}
        }
    }

    fn step(&mut self, sine: &SteadySine, channel: usize, place: f64, rms_v: f64) -> bool {
        let role = self.record.roles[channel];
        let (powers, noise) = (sine.powers(channel), sine.noise[channel]);
        let power = Estimate::of_independent(&powers);
        // Rounding leaves something even beside a sine without noise.
        let noise = noise.max(f64::EPSILON.powi(2) * power.mean.abs());
        let above_floor_db = decibels(power.mean / noise);
        if above_floor_db.is_nan() || above_floor_db < LEAST_DB {
            self.tell(Finding::limit(
                "floor_above_step",
                format!(
                    "at {} the {} does not stand out of its floor, so it is left out; take a larger level or a longer capture",
                    hertz(place),
                    role.name()
                ),
            ));
            return false;
        }
        if above_floor_db < COMFORTABLE_DB {
            self.tell(Finding::limit(
                "near_floor",
                format!(
                    "at {} the {} stands only {above_floor_db:.0} dB out of its floor; its gain is uncertain by that",
                    hertz(place),
                    role.name()
                ),
            ));
        }
        let count = powers.len() as f64;
        let spread = (power.variance * count).sqrt();
        let explained = (2.0 * power.mean * noise + noise * noise).sqrt();
        let spread_db = 10.0 / LN_10 * spread / power.mean;
        if spread_db > STEADY_DB && spread > STEADY_TIMES * explained {
            self.tell(Finding::limit(
                "level_unsteady",
                format!(
                    "at {} the level of the {} varies by {spread_db:.2} dB (standard deviation of {count} stretches), more than \
                     its noise explains; is the generator settled and the contact firm?",
                    hertz(place),
                    role.name()
                ),
            ));
        }
        let level_v = self.at_input(channel, place, rms_v);
        self.found.steps.push(Step {
            signal: self.number,
            capture: self.signal.capture.clone(),
            kind: self.signal.kind.word(),
            role,
            frequency_hz: place,
            found_hz: sine.frequency_hz,
            level_v,
            recorded_v: power.mean.sqrt(),
            gain_db: decibels(power.mean / (level_v * level_v)),
            scatter_db: 10.0 / LN_10 * power.variance.sqrt() / power.mean,
            degrees: power.degrees.unwrap_or(1.0),
            above_floor_db,
            is_used: true,
        });
        true
    }

    /// The phase of the wire against the air.
    fn phase(&mut self, sine: &SteadySine, wire: usize, air: usize, place: f64) {
        let products: Vec<Complex<f64>> =
            sine.values[wire].iter().zip(&sine.values[air]).map(|(wire, air)| wire * air.conj()).collect();
        let mean: Complex<f64> = products.iter().sum();
        if mean.norm() <= 0.0 {
            return;
        }
        let about: Vec<f64> = products.iter().map(|product| (product * mean.conj()).arg().to_degrees()).collect();
        let scatter = Estimate::of_independent(&about);
        self.found.phases.push(Phase {
            capture: self.signal.capture.clone(),
            frequency_hz: place,
            phase_deg: mean.arg().to_degrees(),
            uncertainty_deg: scatter.variance.sqrt(),
            expanded_deg: scatter.variance.sqrt() * student_factor(COVERAGE, scatter.degrees.unwrap_or(1.0)),
        });
    }

    fn crosstalk(&mut self, sine: &SteadySine, driven: usize, other: usize, place: f64) {
        let values = || sine.values[other].iter().zip(&sine.values[driven]);
        let product: Complex<f64> = values().map(|(other, driven)| other * driven.conj()).sum();
        let power: f64 = values().map(|(_, driven)| driven.norm_sqr()).sum();
        let ratio = product.norm() / power;
        // Noise alone stays below √(−ln 0.05) of its RMS value in 95 %.
        let noise = (sine.noise[other] / power).sqrt() * (-(1.0 - COVERAGE).ln()).sqrt();
        let is_bound = ratio <= noise;
        let bound = if is_bound { ratio + noise } else { ratio };
        if bound > 0.0 {
            self.found.crosstalk.push(Crosstalk {
                capture: self.signal.capture.clone(),
                from: self.record.roles[driven],
                frequency_hz: place,
                crosstalk_db: 20.0 * bound.log10(),
                is_bound,
            });
        }
    }

    /// The mean densities of the channels, with the averages in the whole.
    fn densities(&self) -> Result<Vec<Spectrum<Density>>, Error> {
        let rate = self.record.rate;
        let window = Window::default();
        let taper = Taper::new(&window, segment_length(&window, rate, Hertz::new(RESOLUTION_HZ)?));
        let length = taper.len();
        let mut welch = Welch::new(rate, taper, Hop::Samples(length.div_ceil(2)), self.record.samples.len(), false);
        let rows: Vec<&[f64]> = self.record.samples.iter().map(Vec::as_slice).collect();
        welch.push(&rows);
        let result = welch.finish().ok_or_else(|| {
            let found = format!("the capture \"{}\" is shorter than one segment", printable(&self.signal.capture));
            let error =
                Error::input(found).expected(format!("at least {}", engineering(length as f64 / rate.get(), "s")));
            self.calibration.at(self.signal, error.remedy("record longer"))
        })?;
        Ok(result.channels.into_iter().map(|densities| densities.mean).collect())
    }

    /// Bands of equal ratio over a range, as far as the clock carries, about so many to an octave.
    fn bands(&self, low: f64, high: f64, to_an_octave: f64) -> Vec<Band> {
        let high = high.min(CARRIED * self.record.rate.get() / 2.0);
        if high <= low {
            return Vec::new();
        }
        let wanted = ((high / low).log2() * to_an_octave).round().clamp(1.0, MOST_BANDS);
        let edge = |k: f64| if k < wanted { low * (high / low).powf(k / wanted) } else { high };
        let starts = std::iter::successors(Some(0.0), |k| Some(k + 1.0)).take_while(|k| *k < wanted);
        starts.filter_map(|k| Band::new(edge(k), edge(k + 1.0)).ok()).collect()
    }

    fn noise(&mut self, density: f64, low: f64, high: f64) -> Result<(), Error> {
        let fed = self.fed();
        if self.record.rate.get() / 2.0 < high {
            let nyquist = hertz(self.record.rate.get() / 2.0);
            self.tell(Finding::limit(
                "beyond_nyquist",
                format!("noise beyond {nyquist}, half the sampling rate, is left out"),
            ));
        }
        let densities = self.densities()?;
        for &channel in &fed {
            if let Some((frequency, _)) = line_in(&densities[channel], low, high) {
                let role = self.record.roles[channel].name();
                self.tell(Finding::limit(
                    "line_in_noise",
                    format!("the {role} shows a line at {} far above the noise beside it; is this capture the one of the noise?", hertz(frequency)),
                ));
            }
        }
        let seconds = self.record.samples.first().map_or(0, Vec::len) as f64 / self.record.rate.get();
        for channel in fed {
            for band in self.bands(low, high, NOISE_BANDS) {
                let measured = densities[channel].mean_square_in(band) / band.width();
                let independent = band.width() * seconds / WELCH_LOSS;
                let level = self.at_input(channel, (band.low() * band.high()).sqrt(), density);
                self.found.noise.push(NoiseBand {
                    signal: self.number,
                    role: self.record.roles[channel],
                    band,
                    density: measured,
                    fed: level * level,
                    relative: independent.max(1.0).recip().sqrt(),
                    degrees: (2.0 * independent).max(1.0),
                });
            }
        }
        Ok(())
    }

    fn shorted(&mut self) -> Result<(), Error> {
        let densities = self.densities()?;
        for channel in self.fed() {
            let floor = |band: Band| Floor {
                frequency_hz: (band.low() * band.high()).sqrt(),
                density_v_per_sqrt_hz: (densities[channel].mean_square_in(band) / band.width()).sqrt(),
            };
            let bands = self.bands(FLOOR_FROM_HZ, f64::INFINITY, FLOOR_BANDS);
            let rows: Vec<Floor> = bands.into_iter().map(floor).filter(|row| row.density_v_per_sqrt_hz > 0.0).collect();
            let role = self.record.roles[channel];
            let high = self.record.rate.get() / 2.0;
            if let Some((frequency, _)) =
                line_in(&densities[channel], FLOOR_FROM_HZ, high).filter(|(_, share)| *share > 0.5)
            {
                self.tell(Finding::limit(
                    "line_in_floor",
                    format!(
                        "most of what the {} shows with its input shorted is a line at {}; is it shorted, and the generator off?",
                        role.name(),
                        hertz(frequency)
                    ),
                ));
            }
            if rows.is_empty() {
                self.tell(Finding::limit(
                    "no_floor",
                    format!("the {} shows nothing at all: its floor lies below the converter's steps", role.name()),
                ));
            } else {
                self.found.floors.push((role, rows));
            }
        }
        Ok(())
    }
}
