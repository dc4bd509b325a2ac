//! Detectors: what a measuring receiver makes of the envelope behind its filter.
//!
//! Bands and detectors are rows of constants with their source. A detector runs down the envelopes of [`LANES`]
//! frequencies at a time, one step of time after the other, so that the inner loop is the same arithmetic on
//! neighbouring numbers. All of them start from rest, and silence is taken to follow the last step. Envelopes are
//! never negative and every stage rises with what goes in, so a reading is never above what a longer record of the
//! same signal would give.
//!
//! # The quasi-peak detector
//! CISPR 16-1-1 states a quasi-peak detector by two time constants: with a sine switched on the output stands at 63 %
//! after the charge time, with the sine switched off at 37 % after the discharge time. Three circuits fit that
//! statement, more or less: a switch (charging towards the envelope with the charge time, else discharging), a resistor
//! to discharge that is always in parallel, and a diode behind a series resistance that conducts only about the crests
//! of the carrier. This is the diode. Its mean current at the envelope e and the output v is e·g(v/e)/S with
//! g(x) = (√(1 − x²) − x·arccos x)/π, so that
//!
//! dv/dt = e·g(v/e)/(SC) − v/T_D, and the reading is v/r with r the share of the crest at which a sine settles.
//!
//! SC follows from the charge time. Why the diode: it keeps both statements exactly (in parallel, the 63 % come after
//! 41 ms), it lies within 0.4 dB of every row of the published table of pulses (the switch within 1.3, in parallel
//! within 1.0 dB), and it never reads below the mean of the envelope, which the switch does where the envelope stays
//! just below the output. The latter is Jensen's inequality, for e·g(v/e) is a convex function of e and v together.
//! The price is an absolute reading of the pulse of calibration that is 0.6 dB low, of 1.5 dB allowed.
//!
//! # The RMS-average detector
//! RMS above a corner of the repetition rate, average below. Here: the RMS over the last 1/corner, in a window that
//! slides, then the meter. Pulses that come faster than the corner read their RMS (10 dB a decade of repetition),
//! slower ones the mean of windows that hold one pulse or none (20 dB a decade), and the two lines meet at the corner.
//! Where a signal swells so slowly that the window blunts it, the reading is that of the average detector.
//!
//! # Sources
//! CISPR 16-1-1: the constants of [`BANDS`] where its rows say so. The corner and the slopes of the RMS-average
//! detector are from memory of the same standard; that its RMS is taken in a sliding rectangular window is our choice.
//! The diode with a series resistance: classical circuit analysis, the mean of a rectified crest.

use std::f64::consts::FRAC_1_PI;
use std::fmt::Debug;

use crate::lanes::{Kernel, widest};

/// How many frequencies a detector runs down at a time.
pub const LANES: usize = 32;

/// One value for each of [`LANES`] frequencies.
pub type Lanes = [f64; LANES];

/// A record shorter than this, in seconds, gives no settled quasi-peak value: of a steady sine 0.02 dB would be
/// missing, of pulses at 25 Hz 0.1 dB, and soon decibels below that (by simulation of the detector).
pub const QUASI_PEAK_SECONDS: f64 = 1.5;

/// The constants of a receiver in one frequency band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReceiverBand {
    /// The letter of the band.
    pub name: &'static str,
    /// Where it begins, in hertz.
    pub low_hz: f64,
    /// Where it ends, in hertz.
    pub high_hz: f64,
    /// The width of the filter between the two frequencies at which it is 6 dB down, in hertz.
    pub bandwidth_hz: f64,
    /// The distance of the frequencies looked at, in hertz: half of the bandwidth.
    pub spacing_hz: f64,
    /// The electrical charge time of the quasi-peak detector, in seconds.
    pub charge_s: f64,
    /// Its electrical discharge time, in seconds.
    pub discharge_s: f64,
    /// The time constant of the critically damped meter, in seconds.
    pub meter_s: f64,
    /// The repetition rate at which the RMS-average detector turns from average to RMS, in hertz.
    pub corner_hz: f64,
    /// Where the figures come from.
    pub source: &'static str,
}

/// The bands there are; the first one is the usual one.
pub const BANDS: &[ReceiverBand] = &[
    ReceiverBand {
        name: "A",
        low_hz: 9e3,
        high_hz: 150e3,
        bandwidth_hz: 200.0,
        spacing_hz: 100.0,
        charge_s: 45e-3,
        discharge_s: 500e-3,
        meter_s: 160e-3,
        corner_hz: 10.0,
        source: "CISPR 16-1-1, quasi-peak receivers, band A: bandwidth and three time constants (checked against \
                 an encyclopaedia article); corner of the RMS-average detector from memory",
    },
    ReceiverBand {
        name: "B",
        low_hz: 150e3,
        high_hz: 30e6,
        bandwidth_hz: 9e3,
        spacing_hz: 4.5e3,
        charge_s: 1e-3,
        discharge_s: 160e-3,
        meter_s: 160e-3,
        corner_hz: 100.0,
        source: "CISPR 16-1-1, quasi-peak receivers, band B: bandwidth and three time constants (checked against \
                 an encyclopaedia article and a manual); corner of the RMS-average detector from memory",
    },
];

impl ReceiverBand {
    /// The band of a letter, in either case.
    pub fn named(name: &str) -> Option<&'static ReceiverBand> {
        BANDS.iter().find(|band| band.name.eq_ignore_ascii_case(name))
    }
}

/// A detector that runs down envelopes.
///
/// Envelopes are in the RMS of the equivalent sine, at equal steps of time; each stands for the middle of its step.
/// Readings are in the same unit, and an unmodulated sine reads its RMS on every detector.
pub trait Weighting: Send + Debug {
    /// Takes the next steps.
    fn push(&mut self, envelope: &[Lanes]);

    /// What a needle would show now.
    fn indication(&self) -> Lanes;

    /// Forgets what was read, but keeps its charge, so that a later reading is one of the settled state.
    fn restart(&mut self);

    /// The reading, with silence after the last step.
    fn reading(&self) -> Lanes;
}

/// A row of the table of detectors.
#[derive(Debug, Clone, Copy)]
pub struct Detector {
    /// The name in snake_case; with `_db` it is the field of the level.
    pub name: &'static str,
    /// The name in words.
    pub words: &'static str,
    /// The record that a reading takes, in seconds.
    pub needs_s: f64,
    /// What it is, and by which source.
    pub source: &'static str,
    make: fn(&ReceiverBand, f64) -> Box<dyn Weighting>,
}

impl Detector {
    /// One at rest, for a band and steps of so many seconds.
    pub fn at_rest(&self, band: &ReceiverBand, step_s: f64) -> Box<dyn Weighting> {
        (self.make)(band, step_s)
    }

    /// The place of a detector in [`DETECTORS`].
    pub fn place(name: &str) -> Option<usize> {
        DETECTORS.iter().position(|detector| detector.name == name)
    }
}

/// The detectors, in the order in which tables show them.
pub const DETECTORS: &[Detector] = &[
    Detector {
        name: "peak",
        words: "peak",
        needs_s: 0.0,
        source: "CISPR 16-1-1, peak: the largest envelope; a parabola through the logarithms of three steps finds it between them",
        make: |_, _| Box::new(Peak::default()),
    },
    Detector {
        name: "quasi_peak",
        words: "quasi-peak",
        needs_s: QUASI_PEAK_SECONDS,
        source: "CISPR 16-1-1, quasi-peak: charge, discharge and meter of the band; circuit as the module says",
        make: |band, step_s| Box::new(QuasiPeak::new(band, step_s)),
    },
    Detector {
        name: "average",
        words: "average",
        needs_s: 0.0,
        source: "CISPR 16-1-1, average: the highest reading of the meter on the envelope, or the mean where that is more",
        make: |band, step_s| Box::new(Average::new(band, step_s)),
    },
    Detector {
        name: "rms_average",
        words: "RMS-average",
        needs_s: 0.0,
        source: "CISPR 16-1-1, RMS-average: RMS above, average below the corner; form as the module says (memory)",
        make: |band, step_s| Box::new(RmsAverage::new(band, step_s)),
    },
    Detector {
        name: "rms",
        words: "RMS",
        needs_s: 0.0,
        source: "definition: the root of the mean square over the record",
        make: |_, _| Box::new(Rms::default()),
    },
    Detector {
        name: "mean",
        words: "mean",
        needs_s: 0.0,
        source: "definition: the mean over the record, no meter",
        make: |_, _| Box::new(Mean::default()),
    },
    Detector {
        name: "min",
        words: "minimum",
        needs_s: 0.0,
        source: "definition: the smallest envelope at any step",
        make: |_, _| Box::new(Minimum::default()),
    },
];

/// What a detector does down some steps, in a form that becomes wide.
trait Steps: Copy {
    /// To be marked `#[inline(always)]`.
    fn steps(&mut self, envelope: &[Lanes]);
}

/// A detector on its way down.
struct Down<'a, D>(&'a mut D, &'a [Lanes]);

impl<D: Steps> Kernel for Down<'_, D> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        // A copy of its own, so that the compiler sees that nothing else points to it.
        let mut detector = *self.0;
        detector.steps(self.1);
        *self.0 = detector;
    }
}

const NOTHING: Lanes = [0.0; LANES];

fn larger(a: Lanes, b: Lanes) -> Lanes {
    std::array::from_fn(|lane| a[lane].max(b[lane]))
}

/// The critically damped meter T²y″ + 2Ty′ + y = x as two equal sections of first order, exact for a held input.
#[derive(Debug, Clone, Copy)]
struct Meter {
    decay: f64,
    step: f64,
    first: Lanes,
    second: Lanes,
    highest: Lanes,
}

impl Meter {
    fn new(constant_s: f64, step_s: f64) -> Self {
        let step = step_s / constant_s;
        Self { decay: (-step).exp(), step, first: NOTHING, second: NOTHING, highest: NOTHING }
    }

    #[inline(always)]
    fn push(&mut self, input: &Lanes) {
        for lane in 0..LANES {
            let input = input[lane];
            let (first, second) = (self.first[lane] - input, self.second[lane] - input);
            let second = input + self.decay * (second + self.step * first);
            self.first[lane] = input + self.decay * first;
            self.second[lane] = second;
            self.highest[lane] = if second > self.highest[lane] { second } else { self.highest[lane] };
        }
    }

    /// The highest reading when nothing more comes in: with a and b on the two sections, (b + a·t/T)·exp(−t/T) is
    /// largest at t/T = 1 − b/a, where it is a·exp(b/a − 1).
    fn highest_in_silence(&self) -> Lanes {
        std::array::from_fn(|lane| {
            let (first, second) = (self.first[lane], self.second[lane]);
            let rising = if first > second { first * (second / first - 1.0).exp() } else { 0.0 };
            self.highest[lane].max(rising)
        })
    }
}

/// A sum over steps with their number.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    sum: Lanes,
    steps: u64,
}

impl Sum {
    #[inline(always)]
    fn add(&mut self, now: &Lanes) {
        self.sum.iter_mut().zip(now).for_each(|(sum, now)| *sum += now);
    }

    fn mean(&self) -> Lanes {
        self.sum.map(|sum| if self.steps == 0 { 0.0 } else { sum / self.steps as f64 })
    }
}

#[derive(Debug, Default)]
struct Peak {
    started: bool,
    before: Lanes,
    last: Lanes,
    highest: Lanes,
}

/// Smaller neighbours than this share of a largest step count as this share.
const LEAST_NEIGHBOUR: f64 = 0.5;

/// Where the envelope goes between steps: the vertex of the parabola through the logarithms of three neighbours, of
/// which the middle one is the largest. For a pulse of Gaussian shape that is exact.
#[inline(always)]
fn vertex(before: f64, highest: f64, after: f64) -> f64 {
    let down = |neighbour: f64| (highest / neighbour.max(LEAST_NEIGHBOUR * highest)).ln();
    let (left, right) = (down(before), down(after));
    let bend = left + right;
    let over = if bend > 0.0 { (left - right) * (left - right) / (8.0 * bend) } else { 0.0 };
    (highest * over.exp()).min(most_at_vertex(before, highest, after))
}

/// What a vertex is not above: with p and q the two ways down in logarithms it lies (p − q)²/8(p + q) ≤ (p + q)/8
/// higher; p ≤ (b − a)/a ≤ 2(b − a)/b, and eˣ ≤ 1 + 1.1x up to where both neighbours are half.
#[inline(always)]
fn most_at_vertex(before: f64, highest: f64, after: f64) -> f64 {
    let least = LEAST_NEIGHBOUR * highest;
    let (before, after) = (larger_of(before, least), larger_of(after, least));
    highest + 0.275 * ((highest - before) + (highest - after))
}

#[inline(always)]
fn larger_of(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// The most that any vertex of some steps may be, by lane; the three rows are the steps from the last but one on.
struct MostAtVertices<'a>(&'a [Lanes]);

impl Kernel for MostAtVertices<'_> {
    type Output = Lanes;

    #[inline(always)]
    fn run(self) -> Lanes {
        let mut most = NOTHING;
        for rows in self.0.windows(3) {
            for lane in 0..LANES {
                let (a, b, c) = (rows[0][lane], rows[1][lane], rows[2][lane]);
                let here = if (b >= a) & (b >= c) { most_at_vertex(a, b, c) } else { 0.0 };
                most[lane] = larger_of(here, most[lane]);
            }
        }
        most
    }
}

impl Peak {
    /// Steps, of which the first two were seen before. Logarithms are taken only where they may matter.
    fn follow(&mut self, steps: &[Lanes]) {
        let most = widest(MostAtVertices(steps));
        for lane in 0..LANES {
            if most[lane] <= self.highest[lane] {
                continue;
            }
            for rows in steps.windows(3) {
                let (a, b, c) = (rows[0][lane], rows[1][lane], rows[2][lane]);
                if b >= a && b >= c && most_at_vertex(a, b, c) > self.highest[lane] {
                    self.highest[lane] = self.highest[lane].max(vertex(a, b, c));
                }
            }
        }
    }
}

impl Weighting for Peak {
    fn push(&mut self, envelope: &[Lanes]) {
        let Some(first) = envelope.first() else { return };
        let mut steps = envelope;
        if !self.started {
            // Nothing is known before the first step, so no vertex may lie beside it.
            (self.started, self.before, self.last, self.highest) = (true, [f64::INFINITY; LANES], *first, *first);
            steps = &envelope[1..];
        }
        let Some(second) = steps.first() else { return };
        // The two steps before stand in front of a few, then the rest by itself.
        match steps.get(1) {
            Some(third) => self.follow(&[self.before, self.last, *second, *third]),
            None => self.follow(&[self.before, self.last, *second]),
        }
        self.follow(steps);
        (self.before, self.last) = match steps {
            [.., before, last] => (*before, *last),
            [last] => (self.last, *last),
            [] => (self.before, self.last),
        };
    }

    fn indication(&self) -> Lanes {
        self.last
    }

    fn restart(&mut self) {
        self.highest = NOTHING;
    }

    fn reading(&self) -> Lanes {
        larger(self.highest, self.last)
    }
}

#[derive(Debug, Clone, Copy)]
struct QuasiPeak {
    circuit: Diode,
    /// The share of the crest at which a sine settles.
    settled: f64,
    step_s: f64,
    charge: Lanes,
    meter: Meter,
    sum: Sum,
}

/// The rates of the diode circuit, in 1/s.
#[derive(Debug, Clone, Copy)]
struct Diode {
    charge: f64,
    discharge: f64,
}

/// g(x) and arccos(x) for x from 0 to 1, the first within 6e-10, the second, which only steers the length of a step,
/// within 7e-5. Both are exactly 0 at 1.
///
/// # Sources
/// arccos x = √(1 − x)·P(x): Abramowitz and Stegun, 4.4.45. In the same form π·g(x) = √(1 − x)·H(x) with the smooth
/// H(x) = √(1 + x) − x·arccos(x)/√(1 − x), here the polynomial of eighth degree through Chebyshev's points.
#[inline(always)]
fn conduction(x: f64) -> (f64, f64) {
    const H: [f64; 9] = [
        0.999_999_999_359_58,
        -1.070_796_219_298,
        0.089_598_836_148_25,
        -0.026_515_891_481_85,
        0.011_547_229_929_46,
        -0.005_739_605_600_37,
        0.002_637_649_919_41,
        -0.000_876_454_154_64,
        0.000_144_455_670_57,
    ];
    const P: [f64; 4] = [1.570_728_8, -0.212_114_4, 0.074_261_0, -0.018_729_3];
    let root = (1.0 - x).max(0.0).sqrt();
    // In pairs rather than one behind the other: the chain from step to step is what takes the time.
    let (x2, x4) = (x * x, (x * x) * (x * x));
    let low = (H[0] + H[1] * x) + x2 * (H[2] + H[3] * x);
    let high = (H[4] + H[5] * x) + x2 * (H[6] + H[7] * x) + x4 * H[8];
    let angle = (P[0] + P[1] * x) + x2 * (P[2] + P[3] * x);
    (FRAC_1_PI * root * (low + x4 * high), root * angle)
}

impl Diode {
    /// The circuit that keeps both times.
    fn new(charge_s: f64, discharge_s: f64) -> Self {
        const SECANTS: u32 = 20;
        let discharge = 1.0 / discharge_s;
        // The time to 63 % falls with the rate of charge; over their logarithms nearly by a straight line, so that the
        // secant through the last two guesses is there after a few steps.
        let off = |log_rate: f64| {
            let circuit = Self { charge: log_rate.exp(), discharge };
            (circuit.time_to(1.0 - (-1f64).exp()) / charge_s).ln()
        };
        let (mut before, mut guess) = ((2.0 / charge_s).ln(), (4.0 / charge_s).ln());
        let (mut off_before, mut off_guess) = (off(before), off(guess));
        for _ in 0..SECANTS {
            if off_guess.abs() < 1e-14 || (off_guess - off_before).abs() < f64::MIN_POSITIVE {
                break;
            }
            let next = guess - off_guess * (guess - before) / (off_guess - off_before);
            (before, off_before) = (guess, off_guess);
            (guess, off_guess) = (next, off(next));
        }
        Self { charge: guess.exp(), discharge }
    }

    /// The share of the crest at which a sine settles: charge and discharge are equal.
    fn settled(self) -> f64 {
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.charge * conduction(middle).0 > self.discharge * middle { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    /// The time in seconds in which a sine brings the output from nothing to a share of where it settles, by
    /// Simpson's rule over the output.
    fn time_to(self, share: f64) -> f64 {
        const PARTS: u32 = 256;
        let width = share * self.settled() / f64::from(PARTS);
        let slowness = |part: u32| {
            let x = f64::from(part) * width;
            let weight = if part == 0 || part == PARTS { 1.0 } else { f64::from(2 + 2 * (part % 2)) };
            weight / (self.charge * conduction(x).0 - self.discharge * x)
        };
        width / 3.0 * (0..=PARTS).map(slowness).sum::<f64>()
    }

    /// The output after a step at an envelope, by the exponential of the slope where it stands: exact while nothing
    /// is charged, and of second order otherwise.
    #[inline(always)]
    fn step(self, output: f64, envelope: f64, step_s: f64) -> f64 {
        let over = 1.0 / envelope;
        let x = if output < envelope { output * over } else { 1.0 };
        let (current, angle) = conduction(x);
        let rate = self.charge * envelope * current - self.discharge * output;
        let decay = step_s * (self.charge * FRAC_1_PI * angle + self.discharge);
        // (1 − e^−z)/z for the small z of a step that is short against the times.
        let share = 1.0 - decay * (0.5 - decay * (1.0 / 6.0 - decay * (1.0 / 24.0)));
        output + step_s * share * rate
    }
}

impl QuasiPeak {
    fn new(band: &ReceiverBand, step_s: f64) -> Self {
        let circuit = Diode::new(band.charge_s, band.discharge_s);
        Self {
            circuit,
            settled: circuit.settled(),
            step_s,
            charge: NOTHING,
            meter: Meter::new(band.meter_s, step_s),
            sum: Sum::default(),
        }
    }
}

impl Steps for QuasiPeak {
    #[inline(always)]
    fn steps(&mut self, envelope: &[Lanes]) {
        for &now in envelope {
            let mut between = NOTHING;
            for lane in 0..LANES {
                let charge = self.circuit.step(self.charge[lane], now[lane], self.step_s);
                between[lane] = 0.5 * (self.charge[lane] + charge);
                self.charge[lane] = charge;
                self.sum.sum[lane] += now[lane];
            }
            self.meter.push(&between);
        }
        self.sum.steps += envelope.len() as u64;
    }
}

impl Weighting for QuasiPeak {
    fn push(&mut self, envelope: &[Lanes]) {
        widest(Down(self, envelope));
    }

    fn indication(&self) -> Lanes {
        self.meter.second.map(|needle| needle / self.settled)
    }

    fn restart(&mut self) {
        self.meter.highest = NOTHING;
        self.sum = Sum::default();
    }

    /// A settled meter never stays below the mean, so the mean is the reading where the record was too short for it.
    fn reading(&self) -> Lanes {
        let mut meter = self.meter;
        let mut charge = self.charge;
        // The needle has turned within some times of the slower of charge and meter.
        let decay = (-self.step_s * self.circuit.discharge).exp();
        let mut left = 3.0 / self.circuit.discharge;
        let rises = |meter: &Meter, charge: &Lanes| {
            (0..LANES).any(|lane| charge[lane].max(meter.first[lane]) > meter.second[lane])
        };
        while left > 0.0 && rises(&meter, &charge) {
            meter.push(&charge.map(|charge| 0.5 * (1.0 + decay) * charge));
            charge = charge.map(|charge| decay * charge);
            left -= self.step_s;
        }
        larger(meter.highest.map(|needle| needle / self.settled), self.sum.mean())
    }
}

#[derive(Debug, Clone, Copy)]
struct Average {
    meter: Meter,
    sum: Sum,
}

impl Average {
    fn new(band: &ReceiverBand, step_s: f64) -> Self {
        Self { meter: Meter::new(band.meter_s, step_s), sum: Sum::default() }
    }
}

impl Steps for Average {
    #[inline(always)]
    fn steps(&mut self, envelope: &[Lanes]) {
        for &now in envelope {
            self.meter.push(&now);
            self.sum.add(&now);
        }
        self.sum.steps += envelope.len() as u64;
    }
}

impl Weighting for Average {
    fn push(&mut self, envelope: &[Lanes]) {
        widest(Down(self, envelope));
    }

    fn indication(&self) -> Lanes {
        self.meter.second
    }

    fn restart(&mut self) {
        self.meter.highest = NOTHING;
        self.sum = Sum::default();
    }

    fn reading(&self) -> Lanes {
        larger(self.meter.highest_in_silence(), self.sum.mean())
    }
}

#[derive(Debug)]
struct RmsAverage {
    /// The squares of this lap so far, and behind them, from the last lap, each the sum of all from it on: the sum of
    /// a window without ever taking one square off another.
    lap: Vec<Lanes>,
    place: usize,
    filled: bool,
    windows: Windows,
    whole: Rms,
    average: Average,
}

/// What the root of the mean of a window is made of, and where it goes.
#[derive(Debug, Clone, Copy)]
struct Windows {
    /// The sum of the squares of this lap.
    square: Lanes,
    /// One over the steps of a window.
    share: f64,
    meter: Meter,
    full: Sum,
}

impl RmsAverage {
    fn new(band: &ReceiverBand, step_s: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and it saturates")]
        let window = (1.0 / (band.corner_hz * step_s)).round().clamp(1.0, 1e6) as usize;
        Self {
            lap: vec![NOTHING; window],
            place: 0,
            filled: false,
            windows: Windows {
                square: NOTHING,
                share: 1.0 / window as f64,
                meter: Meter::new(band.meter_s, step_s),
                full: Sum::default(),
            },
            whole: Rms::default(),
            average: Average::new(band, step_s),
        }
    }

    /// A lap is full: what it holds becomes the sums of the last lap.
    fn turn(&mut self) {
        widest(FromHereOn(&mut self.lap));
        (self.place, self.windows.square) = (0, NOTHING);
    }
}

/// Each value becomes the sum of itself and all later ones.
struct FromHereOn<'a>(&'a mut [Lanes]);

impl Kernel for FromHereOn<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let mut sum = NOTHING;
        for row in self.0.iter_mut().rev() {
            for lane in 0..LANES {
                sum[lane] += row[lane];
            }
            *row = sum;
        }
    }
}

/// Steps of one lap: as many places of the lap, and the sums of the last lap from one place further on.
struct Lap<'a> {
    windows: &'a mut Windows,
    lap: &'a mut [Lanes],
    envelope: &'a [Lanes],
    filled: bool,
}

impl Kernel for Lap<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let mut windows = *self.windows;
        for (step, &now) in self.envelope.iter().enumerate() {
            let older = if step + 1 < self.lap.len() { self.lap[step + 1] } else { NOTHING };
            let (mut squares, mut rms) = (NOTHING, NOTHING);
            for lane in 0..LANES {
                squares[lane] = now[lane] * now[lane];
                windows.square[lane] += squares[lane];
                rms[lane] = ((windows.square[lane] + older[lane]) * windows.share).sqrt();
            }
            self.lap[step] = squares;
            windows.meter.push(&rms);
            if self.filled {
                windows.full.add(&rms);
                windows.full.steps += 1;
            }
        }
        *self.windows = windows;
    }
}

impl Weighting for RmsAverage {
    fn push(&mut self, envelope: &[Lanes]) {
        let mut left = envelope;
        while !left.is_empty() {
            let (now, later) = left.split_at(left.len().min(self.lap.len() - self.place));
            let (windows, lap) = (&mut self.windows, &mut self.lap[self.place..]);
            // The step that fills a lap completes a window.
            let (within, last) = now.split_at(now.len().min(lap.len() - 1));
            widest(Lap { windows, lap, envelope: within, filled: self.filled });
            self.place += within.len();
            if !last.is_empty() {
                self.filled = true;
                widest(Lap { windows, lap: &mut lap[within.len()..], envelope: last, filled: true });
                self.turn();
            }
            left = later;
        }
        self.whole.push(envelope);
        self.average.push(envelope);
    }

    fn indication(&self) -> Lanes {
        self.windows.meter.second
    }

    fn restart(&mut self) {
        self.windows.meter.highest = NOTHING;
        self.windows.full = Sum::default();
        self.whole.restart();
        self.average.restart();
    }

    /// Over less than a window all there is to know is the RMS; a settled meter never stays below the mean of the
    /// windows.
    fn reading(&self) -> Lanes {
        let mean = if self.windows.full.steps > 0 { self.windows.full.mean() } else { self.whole.reading() };
        larger(larger(self.windows.meter.highest_in_silence(), mean), self.average.reading())
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Rms {
    squares: Sum,
}

impl Steps for Rms {
    #[inline(always)]
    fn steps(&mut self, envelope: &[Lanes]) {
        for &now in envelope {
            self.squares.sum.iter_mut().zip(now).for_each(|(sum, now)| *sum += now * now);
        }
        self.squares.steps += envelope.len() as u64;
    }
}

impl Weighting for Rms {
    fn push(&mut self, envelope: &[Lanes]) {
        widest(Down(self, envelope));
    }

    fn indication(&self) -> Lanes {
        self.reading()
    }

    fn restart(&mut self) {
        self.squares = Sum::default();
    }

    fn reading(&self) -> Lanes {
        self.squares.mean().map(f64::sqrt)
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Mean {
    sum: Sum,
}

impl Steps for Mean {
    #[inline(always)]
    fn steps(&mut self, envelope: &[Lanes]) {
        for &now in envelope {
            self.sum.add(&now);
        }
        self.sum.steps += envelope.len() as u64;
    }
}

impl Weighting for Mean {
    fn push(&mut self, envelope: &[Lanes]) {
        widest(Down(self, envelope));
    }

    fn indication(&self) -> Lanes {
        self.reading()
    }

    fn restart(&mut self) {
        self.sum = Sum::default();
    }

    fn reading(&self) -> Lanes {
        self.sum.mean()
    }
}

#[derive(Debug, Clone, Copy)]
struct Minimum {
    lowest: Lanes,
}

impl Default for Minimum {
    fn default() -> Self {
        Self { lowest: [f64::INFINITY; LANES] }
    }
}

impl Steps for Minimum {
    #[inline(always)]
    fn steps(&mut self, envelope: &[Lanes]) {
        for &now in envelope {
            for (lowest, now) in self.lowest.iter_mut().zip(now) {
                *lowest = if now < *lowest { now } else { *lowest };
            }
        }
    }
}

impl Weighting for Minimum {
    fn push(&mut self, envelope: &[Lanes]) {
        widest(Down(self, envelope));
    }

    fn indication(&self) -> Lanes {
        self.lowest
    }

    fn restart(&mut self) {
        *self = Self::default();
    }

    /// Nothing where there was no step.
    fn reading(&self) -> Lanes {
        self.lowest.map(|lowest| if lowest.is_finite() { lowest } else { 0.0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synth::Random;

    const STEP_S: f64 = 0.5e-3;

    fn band() -> &'static ReceiverBand {
        ReceiverBand::named("a").unwrap()
    }

    fn run(name: &str, envelope: impl Iterator<Item = f64>) -> (Vec<f64>, f64) {
        let mut detector = DETECTORS[Detector::place(name).unwrap()].at_rest(band(), STEP_S);
        let needle = envelope
            .map(|value| {
                detector.push(&[[value; LANES]]);
                detector.indication()[0]
            })
            .collect();
        (needle, detector.reading()[0])
    }

    fn steps(seconds: f64) -> usize {
        steps_of(seconds, STEP_S)
    }

    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "seconds in steps")]
    fn steps_of(seconds: f64, step_s: f64) -> usize {
        (seconds / step_s).round() as usize
    }

    /// CISPR 16-1-1: 63 % after the charge time, 37 % after the discharge time, before the meter.
    #[test]
    fn the_quasi_peak_detector_keeps_its_two_times() {
        for band in BANDS {
            let step_s = STEP_S * 200.0 / band.bandwidth_hz;
            let mut detector = QuasiPeak::new(band, step_s);
            let steps = |seconds: f64| steps_of(seconds, step_s);
            detector.push(&vec![[1.0; LANES]; steps(band.charge_s)]);
            let charged = detector.charge[0] / detector.settled;
            assert!((charged - 0.632_12).abs() < 2e-4, "{} {charged}", band.name);
            detector.push(&vec![[1.0; LANES]; steps(20.0 * band.discharge_s)]);
            assert!((detector.charge[0] / detector.settled - 1.0).abs() < 1e-9);
            let top = detector.charge[0];
            detector.push(&vec![NOTHING; steps(band.discharge_s)]);
            assert!((detector.charge[0] / top - 0.367_88).abs() < 1e-4);
        }
        // As an independent solution of the same circuit gives it: scipy's quadrature and root (receiver.json).
        let circuit = Diode::new(45e-3, 500e-3);
        assert!((1e3 / circuit.charge - 15.12745).abs() < 1e-4, "{}", 1e3 / circuit.charge);
        assert!((circuit.settled() - 0.812_583_4).abs() < 1e-6, "{}", circuit.settled());
    }

    /// Of a critically damped movement: 1 − (1 + t/T)·exp(−t/T), 26.42 % after T and 59.40 % after 2T.
    #[test]
    fn the_meter_is_critically_damped() {
        let (needle, reading) = run("average", std::iter::repeat_n(1.0, steps(2.0)));
        for (seconds, share) in [(0.16, 0.264_241), (0.32, 0.593_994)] {
            let found = needle[steps(seconds) - 1];
            assert!((found - share).abs() < 1e-6, "{found} {share}");
        }
        assert!((reading - 1.0).abs() < 1e-12);
    }

    /// The needle turns after the end: for an impulse into the average meter at t = T, where it stands at 1/(e·T).
    #[test]
    fn a_pulse_at_the_end_is_read_in_full() {
        let envelope = |at: usize| (0..steps(2.0)).map(move |n| if n == at { 1.0 } else { 0.0 });
        for name in ["average", "quasi_peak"] {
            let (_, early) = run(name, envelope(10));
            let (_, late) = run(name, envelope(steps(2.0) - 2));
            assert!((late / early - 1.0).abs() < 2e-3, "{name} {early} {late}");
        }
        let (_, found) = run("average", envelope(100));
        let expected = STEP_S / 0.16 * (-1f64).exp();
        assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");
    }

    /// RMS above the corner (10 dB a decade of repetition), average below (20 dB a decade), corner at 10 Hz.
    #[test]
    fn the_rms_average_detector_turns_at_its_corner() {
        let reading = |per_second: usize| {
            let apart = steps(1.0) / per_second;
            let mut detector = RmsAverage::new(band(), STEP_S);
            let train: Vec<Lanes> =
                (0..steps(4.0)).map(|n| [f64::from(u8::from(n % apart == apart / 2)); LANES]).collect();
            detector.push(&train);
            detector.windows.full.mean()[0]
        };
        let decibels = |ratio: f64| 20.0 * ratio.log10();
        assert!((decibels(reading(100) / reading(10)) - 10.0).abs() < 0.01);
        assert!((decibels(reading(10) / reading(1)) - 20.0).abs() < 0.3);
    }

    #[test]
    fn readings_keep_their_order() {
        let mut random = Random::new(16, 0);
        let mut last = 0.0f64;
        for case in 0..40 {
            // Noise through a slow section, keyed at random, with a swell and a pulse here and there.
            let (slow, duty, swell) = (random.uniform() * 0.5 + 0.02, random.uniform(), 0.05 + 8.0 * random.uniform());
            let mut on = true;
            let envelope: Vec<f64> = (0..steps(1.5 + 2.0 * random.uniform()))
                .map(|n| {
                    last += slow * (random.normal() - last);
                    if random.uniform() < 0.01 {
                        on = random.uniform() < duty;
                    }
                    let pulse = if case % 3 == 0 && random.uniform() < 1e-3 { 20.0 } else { 0.0 };
                    let swell = 1.0 + (std::f64::consts::TAU * swell * n as f64 * STEP_S).sin();
                    last.abs() * swell * if on { 1.0 } else { 0.01 } + pulse
                })
                .collect();
            let read = |name| run(name, envelope.iter().copied()).1;
            let [min, mean, rms, peak] = ["min", "mean", "rms", "peak"].map(read);
            let [average, quasi_peak, rms_average] = ["average", "quasi_peak", "rms_average"].map(read);
            let rising = [
                [min, mean, rms, peak],
                [min, mean, quasi_peak, peak],
                [mean, average, rms_average, peak],
                [mean, average, quasi_peak, peak],
            ];
            for row in rising {
                assert!(row.is_sorted(), "{case}: {row:?}");
            }
        }
    }

    #[test]
    fn a_sine_reads_its_rms_on_every_detector_and_silence_nothing() {
        for detector in DETECTORS {
            let (_, found) = run(detector.name, std::iter::repeat_n(2e-3, steps(1.5)));
            assert!((found / 2e-3 - 1.0).abs() < 1e-9, "{} {found}", detector.name);
            assert_eq!(run(detector.name, std::iter::repeat_n(0.0, 100)).1, 0.0);
            assert_eq!(run(detector.name, std::iter::empty()).1, 0.0);
        }
    }

    #[test]
    fn blocks_of_any_size_give_the_same_bits() {
        let mut random = Random::new(7, 0);
        let envelope: Vec<Lanes> = (0..5000).map(|_| std::array::from_fn(|_| random.uniform())).collect();
        for detector in DETECTORS {
            let reading = |size: usize| {
                let mut detector = detector.at_rest(band(), STEP_S);
                envelope.chunks(size).for_each(|steps| detector.push(steps));
                detector.reading()
            };
            let whole = reading(5000);
            for size in [1, 7, 200, 4999] {
                assert_eq!(reading(size), whole, "{} {size}", detector.name);
            }
        }
    }
}
