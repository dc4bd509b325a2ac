//! An invented survey with a known answer: a small community radio studio with a hum problem.
//!
//! [`Studio`] lists the captures that somebody with a two-channel recorder of 12 bits would have brought home,
//! makes them from a seed, and says what is built in ([`Studio::truths`]), so that whatever is found can be set
//! beside it. Nothing here measures anything: the truths come from the model, not from its samples.
//!
//! ```
//! use linewake::survey::studio::Studio;
//! let studio = Studio::new(1);
//! let captures = studio.captures();
//! assert_eq!(captures.len(), 30);
//! let [wire, air] = studio.render(&captures[0]);
//! assert_eq!((wire.len(), air.len()), (100_000, 100_000));
//! ```

pub mod bench;
pub mod check;
mod description;
pub mod mistakes;
mod paper;
mod scene;
mod table;
#[cfg(test)]
mod tests;
mod truth;

pub use description::BuiltIn;
pub use scene::{
    LOADS, Load, MAINS_HZ, RATE_HZ, REPLICATES, SAMPLES, SHUNT, Shunt, TELEGRAM_REPLICATE, air_gain, shunt_gain,
};
pub use truth::{Kind, Truth};

use crate::capture::Role;
use crate::synth::{Random, Source, WhiteNoise};

/// Samples that settle the filters of the noise and are thrown away: 4 ms, many times their slowest constant.
const SETTLING: usize = 2_000;

/// What was switched on during a capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum State {
    /// The studio as it is, every load off.
    Background,
    /// One load on.
    On,
    /// The same load on, and the shunt filter plugged in; without a load, the filter alone.
    OnWithFilter,
}

impl State {
    /// The word in file names.
    pub fn slug(self) -> &'static str {
        match self {
            State::Background => "background",
            State::On => "on",
            State::OnWithFilter => "on-filter",
        }
    }
}

/// One capture of the survey.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CaptureSpec {
    /// The load that is on; `None` for the background.
    pub load: Option<&'static Load>,
    /// What was switched on.
    pub state: State,
    /// The number of the repetition, from 1.
    pub replicate: u32,
}

impl CaptureSpec {
    /// The name of its file, such as `led-panel-on-2.csv`.
    pub fn file_name(&self) -> String {
        let Self { state, replicate, .. } = self;
        match self.load {
            None if *state == State::OnWithFilter => format!("background-filter-{replicate}.csv"),
            None => format!("{}-{replicate}.csv", state.slug()),
            Some(load) => format!("{}-{}-{replicate}.csv", load.slug, state.slug()),
        }
    }

    /// Which stream of random numbers is its own.
    fn stream(&self) -> u64 {
        let load = self.load.and_then(|load| LOADS.iter().position(|l| l == load)).map_or(0, |index| index + 1);
        let case = (load as u64) * 3 + self.state as u64;
        case * 1_000 + u64::from(self.replicate)
    }
}

/// The studio, made from a seed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Studio {
    seed: u64,
}

impl Studio {
    /// A studio whose noise, phases and wander come from a seed; what is built in is the same for every seed.
    pub fn new(seed: u64) -> Self {
        Self { seed }
    }

    /// The captures: the background without and with the filter, then every load on and on with the filter, three
    /// of each.
    pub fn captures(&self) -> Vec<CaptureSpec> {
        let cases = LOADS.iter().flat_map(|load| [(Some(load), State::On), (Some(load), State::OnWithFilter)]);
        [(None, State::Background), (None, State::OnWithFilter)]
            .into_iter()
            .chain(cases)
            .flat_map(|(load, state)| (1..=REPLICATES).map(move |replicate| CaptureSpec { load, state, replicate }))
            .collect()
    }

    /// The samples of a capture in volts, wire and air, as the converter leaves them.
    ///
    /// The first sample lies at a random phase of the mains. The same capture of the same seed gives the same
    /// samples on every platform.
    pub fn render(&self, capture: &CaptureSpec) -> [Vec<f64>; 2] {
        let [wire, air] = self.analogue(capture);
        let [wire_converter, air_converter] = scene::converters();
        [wire_converter.quantised(wire), air_converter.quantised(air)]
    }

    /// The file of a capture: a preamble, a row of names with units, then time, wire and air.
    ///
    /// Time is printed to 10 µs as recorders do that keep few digits, so that five rows share one value; the
    /// interval stands in the preamble. Voltages are in millivolts and exact.
    pub fn csv(&self, capture: &CaptureSpec) -> Vec<u8> {
        table::write(&self.analogue(capture), scene::converters())
    }

    /// The samples before the converter.
    fn analogue(&self, capture: &CaptureSpec) -> [Vec<f64>; 2] {
        let mut random = Random::new(self.seed, capture.stream());
        let random = &mut random;
        let mains_phase = random.phase();
        let filtered = capture.state == State::OnWithFilter;
        let mut channels = wire_noise(filtered, random);
        for (index, samples) in channels.iter_mut().enumerate() {
            let residue = scene::residue(index, mains_phase, random);
            residue.add_to(samples, RATE_HZ);
            WhiteNoise::of_rms(scene::RECORDER_NOISE_V[index], RATE_HZ).add_to(samples, RATE_HZ, random);
        }
        let mut scratch = vec![0.0; SAMPLES];
        for emission in emissions(capture.load, capture.replicate == TELEGRAM_REPLICATE) {
            for source in emission.sound.sources(mains_phase, random) {
                scratch.fill(0.0);
                source.add_to(&mut scratch, RATE_HZ);
                for (role, samples) in [Role::Wire, Role::Air].into_iter().zip(&mut channels) {
                    let gain = emission.gain(source.frequency_hz(), role, filtered);
                    samples.iter_mut().zip(&scratch).for_each(|(sample, value)| *sample += gain * value);
                }
            }
        }
        channels
    }
}

/// The noise of the wire and what of it reaches the air, with the noise of the surroundings.
fn wire_noise(filtered: bool, random: &mut Random) -> [Vec<f64>; 2] {
    let filters = scene::NoiseFilters::new();
    let [wire_noise, air_noise] = scene::noises();
    let mut wire = vec![0.0; SETTLING + SAMPLES];
    wire_noise.add_to(&mut wire, RATE_HZ, random);
    filters.colour.apply(&mut wire);
    if filtered {
        filters.shunt.apply(&mut wire);
    }
    let mut air = wire.clone();
    filters.transfer.apply(&mut air);
    let mut channels = [wire.split_off(SETTLING), air.split_off(SETTLING)];
    air_noise.add_to(&mut channels[1], RATE_HZ, random);
    channels
}

/// An emission and the way it takes.
#[derive(Debug, Clone, Copy)]
struct Emission {
    sound: scene::Sound,
    /// From the wire, or in the air alone.
    from_wire: bool,
}

impl Emission {
    /// The factor on its voltage at a channel.
    fn gain(&self, frequency_hz: f64, role: Role, filtered: bool) -> f64 {
        let filter = if filtered { shunt_gain(frequency_hz) } else { 1.0 };
        match (self.from_wire, role) {
            (true, Role::Air) => filter * air_gain(frequency_hz),
            (true, _) => filter,
            (false, Role::Air) => 1.0,
            (false, _) => 0.0,
        }
    }
}

/// Everything that sounds while a load is on, with or without a telegram of the meters.
fn emissions(load: Option<&Load>, telegram: bool) -> Vec<Emission> {
    let wire = |sound| Emission { sound, from_wire: true };
    let air = |sound| Emission { sound, from_wire: false };
    let own = load.map_or(&[][..], |load| load.sounds);
    let always = [wire(scene::SOLAR)].into_iter().chain(scene::STATIONS.map(air));
    let meters = telegram.then_some(wire(scene::METER));
    own.iter().copied().map(wire).chain(always).chain(meters).collect()
}
