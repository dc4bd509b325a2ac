//! What usual mistakes make of the studio's captures: the same moment taken well, and taken badly.

use super::{RATE_HZ, State, Studio};
use crate::capture::Role;

/// A usual mistake at a capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mistake {
    /// A range too small: tops are cut off.
    Clipped,
    /// A rate too low, without a filter before it.
    Aliased,
    /// Few codes of the converter in use.
    Coarse,
    /// The wire comes into the air channel through the cable.
    GroundLoop,
    /// A load judged without knowing what is there anyway.
    NoBackground,
}

/// The samples of a capture in volts, wire and air, with their rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// Wire and air.
    pub channels: [Vec<f64>; 2],
    /// Samples a second.
    pub rate_hz: f64,
}

/// The range of the clipped capture, a share of the largest sample.
const CLIPPED_AT: f64 = 0.5;
/// The aliased capture keeps every so many samples: 125 kS/s, so that 68 kHz stand at 57 kHz.
const KEPT: usize = 4;
/// The coarse capture has so many steps up to its largest sample.
const COARSE_STEPS: f64 = 3.0;
/// What of the wire comes through the cable.
const LOOP_GAIN: f64 = 0.3;

impl Mistake {
    /// All of them, in the order of the guide.
    pub const ALL: [Self; 5] = [Self::Clipped, Self::Aliased, Self::Coarse, Self::GroundLoop, Self::NoBackground];

    /// The word in file names.
    pub fn slug(self) -> &'static str {
        match self {
            Self::Clipped => "clipped",
            Self::Aliased => "aliased",
            Self::Coarse => "coarse",
            Self::GroundLoop => "ground-loop",
            Self::NoBackground => "no-background",
        }
    }

    /// The channel that shows it best.
    pub fn role(self) -> Role {
        if self == Self::GroundLoop { Role::Air } else { Role::Wire }
    }

    /// What is taken well, and what is taken badly.
    pub fn names(self) -> (&'static str, &'static str) {
        match self {
            Self::Clipped => ("range large enough", "clipped"),
            Self::Aliased => ("500 kS/s", "125 kS/s without a filter"),
            Self::Coarse => ("12 bits of a fitting range", "three steps up to the peak"),
            Self::GroundLoop => ("antenna alone", "with a ground loop"),
            Self::NoBackground => ("background", "LED panel on"),
        }
    }

    /// What to see in the picture.
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Clipped => {
                "Cut tops make sums and differences of what is there, at frequencies that no load emits: 51 kHz is 68 less 17."
            }
            Self::Aliased => {
                "68 kHz lies above half of 125 kS/s and is shown at 57 kHz: an emission that does not exist, and none \
                 where it is."
            }
            Self::Coarse => "With few codes the floor rises and hides what is small.",
            Self::GroundLoop => {
                "The wire comes through the cable with the same gain at every frequency: low frequencies, that the \
                 antenna hardly hears, are heard loudly."
            }
            Self::NoBackground => {
                "What the neighbour's inverter leaves on the line is there without the panel. Whoever has no capture \
                 of the background counts it as the panel's."
            }
        }
    }

    /// The LED panel's first capture taken well, and with the mistake. Without a background the first one is the
    /// background, which the second cannot be told from.
    ///
    /// # Panics
    /// When the studio had no background or no LED panel, which it always has.
    pub fn taken(self, studio: &Studio) -> [Taken; 2] {
        let captures = studio.captures();
        let first = |slug: Option<&str>, state| {
            let capture = captures
                .iter()
                .find(|capture| capture.load.map(|load| load.slug) == slug && capture.state == state)
                .expect("the studio has a background and an LED panel");
            Taken { channels: studio.render(capture), rate_hz: RATE_HZ }
        };
        let well = first(Some("led-panel"), State::On);
        if self == Self::NoBackground {
            return [first(None, State::Background), well];
        }
        let badly = self.spoiled(&well);
        [well, badly]
    }

    fn spoiled(self, well: &Taken) -> Taken {
        let each = |change: &dyn Fn(&[f64], f64) -> Vec<f64>| {
            well.channels.each_ref().map(|samples| {
                let peak = samples.iter().fold(0.0, |peak: f64, sample| peak.max(sample.abs()));
                change(samples, peak)
            })
        };
        let [wire, air] = &well.channels;
        let channels = match self {
            Self::Clipped => each(&|samples, peak| {
                samples.iter().map(|sample| sample.clamp(-CLIPPED_AT * peak, CLIPPED_AT * peak)).collect()
            }),
            Self::Aliased => each(&|samples, _| samples.iter().step_by(KEPT).copied().collect()),
            Self::Coarse => each(&|samples, peak| {
                let step = peak / COARSE_STEPS;
                samples.iter().map(|sample| (sample / step).round() * step).collect()
            }),
            Self::GroundLoop => {
                [wire.clone(), wire.iter().zip(air).map(|(wire, air)| air + LOOP_GAIN * wire).collect()]
            }
            Self::NoBackground => well.channels.clone(),
        };
        let rate_hz = if self == Self::Aliased { RATE_HZ / KEPT as f64 } else { RATE_HZ };
        Taken { channels, rate_hz }
    }
}
