//! Windows: what weighs the samples of a segment before it is transformed.
//!
//! All windows are rows of one table, [`WINDOWS`], with the figures that their source publishes; a test
//! computes every figure again from the samples. Windows are periodic ("DFT-even"): the sample that would
//! close the period is left out.

use std::cell::RefCell;
use std::f64::consts::PI;
use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use serde::{Serialize, Serializer};

use crate::error::{Error, printable};
use crate::units::Hertz;

/// How the samples of a window come about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// A sum of cosines with alternating signs: a₀ − a₁ cos z + a₂ cos 2z − …, z = 2πj/n.
    Cosines(&'static [f64]),
    /// Kaiser's window I₀(β√(1 − x²))/I₀(β), x = 2j/n − 1, with the parameter β that holds unless another is given.
    Kaiser {
        /// The parameter taken when none is given.
        default_beta: f64,
    },
}

/// The figures of merit of a window as they are published, for the default parameter where it has one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Equivalent noise bandwidth in bins.
    pub noise_bandwidth_bins: f64,
    /// Width of the main lobe in bins where the response is down by exactly 3.000 dB.
    pub width_3db_bins: f64,
    /// Largest amplitude error of a sine between bins in dB. Published signs follow no one rule: compare magnitudes.
    pub max_amplitude_error_db: f64,
    /// Highest side lobe in dB below the main lobe.
    pub side_lobe_db: f64,
    /// Recommended overlap in percent: where amplitude flatness less overlap correlation is largest.
    pub overlap_percent: f64,
}

/// A row of the table of windows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WindowKind {
    /// The name.
    pub name: &'static str,
    /// Other names it is known by.
    pub aliases: &'static [&'static str],
    /// How its samples come about.
    pub shape: Shape,
    /// Its published figures.
    pub figures: Figures,
    /// Where terms and figures come from.
    pub source: &'static str,
}

const HEINZEL: &str = "Heinzel, Ruediger, Schilling, Spectrum and spectral density estimation by the DFT, 2002";

const fn row(
    name: &'static str,
    aliases: &'static [&'static str],
    terms: &'static [f64],
    [noise_bandwidth_bins, width_3db_bins, max_amplitude_error_db, side_lobe_db, overlap_percent]: [f64; 5],
    source: &'static str,
) -> WindowKind {
    let figures =
        Figures { noise_bandwidth_bins, width_3db_bins, max_amplitude_error_db, side_lobe_db, overlap_percent };
    WindowKind { name, aliases, shape: Shape::Cosines(terms), figures, source }
}

/// Every window there is. A new one is one row.
pub const WINDOWS: &[WindowKind] = &[
    row("rectangular", &["boxcar", "rect"], &[1.0], [1.0, 0.8845, -3.9224, 13.3, 0.0], HEINZEL),
    row("hann", &["hanning"], &[0.5, 0.5], [1.5, 1.4382, -1.4236, 31.5, 50.0], HEINZEL),
    row("hamming", &[], &[0.54, 0.46], [1.3628, 1.3008, -1.7514, 42.7, 50.0], HEINZEL),
    row(
        "blackman",
        &[],
        &[0.42, 0.5, 0.08],
        [1.7268, 1.6409, -1.0989, 58.1, 60.0],
        "Harris, Proc. IEEE 66 (1978) 51-83, gives 1.73, 1.68, 1.10, 58; the digits here are computed",
    ),
    row(
        "blackman_harris",
        &["blackmanharris", "bh92"],
        &[0.35875, 0.48829, 0.14128, 0.01168],
        [2.0044, 1.8962, -0.8256, 92.0, 66.1],
        HEINZEL,
    ),
    row("nuttall4b", &[], &[0.355768, 0.487396, 0.144232, 0.012604], [2.0212, 1.9122, -0.8118, 93.3, 66.3], HEINZEL),
    row(
        "nuttall4c",
        &["nuttall"],
        &[0.3635819, 0.4891775, 0.1365995, 0.0106411],
        [1.9761, 1.8687, -0.8506, 98.1, 65.6],
        HEINZEL,
    ),
    row(
        "sft5m",
        &[],
        &[0.209671, 0.407331, 0.281225, 0.092669, 0.0091036],
        [3.8852, 3.834, 0.0039, 89.9, 76.0],
        HEINZEL,
    ),
    row("hft70", &[], &[1.0, 1.90796, 1.07349, 0.18199], [3.4129, 3.372, -0.0065, 70.4, 72.2], HEINZEL),
    row("hft90d", &[], &[1.0, 1.942604, 1.340318, 0.440811, 0.043097], [3.8832, 3.832, -0.0039, 90.2, 76.0], HEINZEL),
    row(
        "hft95",
        &["flattop", "flat_top"],
        &[1.0, 1.9383379, 1.3045202, 0.4028270, 0.0350665],
        [3.8112, 3.759, 0.0044, 95.0, 75.6],
        HEINZEL,
    ),
    row(
        "hft116d",
        &[],
        &[1.0, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288],
        [4.2186, 4.1579, -0.0028, 116.8, 78.2],
        HEINZEL,
    ),
    row(
        "hft144d",
        &[],
        &[1.0, 1.96760033, 1.57983607, 0.81123644, 0.22583558, 0.02773848, 0.00090360],
        [4.5386, 4.4697, 0.0021, 144.1, 79.9],
        HEINZEL,
    ),
    row(
        "hft248d",
        &[],
        &[
            1.0,
            1.985844164102,
            1.791176438506,
            1.282075284005,
            0.667777530266,
            0.240160796576,
            0.056656381764,
            0.008134974479,
            0.000624544650,
            0.000019808998,
            0.000000132974,
        ],
        [5.6512, 5.5567, 0.0009, 248.4, 84.1],
        HEINZEL,
    ),
    WindowKind {
        name: "kaiser",
        aliases: &[],
        shape: Shape::Kaiser { default_beta: 8.6 },
        figures: Figures {
            noise_bandwidth_bins: 1.7214,
            width_3db_bins: 1.6342,
            max_amplitude_error_db: -1.1092,
            side_lobe_db: 63.2,
            overlap_percent: 60.1,
        },
        source: "Kaiser and Schafer, IEEE Trans. ASSP 28 (1980) 105-107 (from memory); the figures are computed for the default",
    },
];

/// The largest parameter that [`Window`] takes: its side lobes lie far below what a number can hold.
const LARGEST_BETA: f64 = 100.0;

/// A window: a row of [`WINDOWS`] and, where it takes one, its parameter.
///
/// ```
/// use linewake::dsp::window::Window;
/// let hann: Window = "hann".parse()?;
/// assert!(hann.coefficients(4).iter().zip([0.0, 0.5, 1.0, 0.5]).all(|(w, expected)| (w - expected).abs() < 1e-15));
/// assert_eq!(hann.noise_bandwidth_bins(), 1.5);
/// assert_eq!("kaiser:8.6".parse::<Window>()?.to_string(), "kaiser:8.6");
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    kind: &'static WindowKind,
    /// β of Kaiser's window; 0 for windows without a parameter.
    parameter: f64,
}

impl Window {
    /// The name of its row in [`WINDOWS`], without the parameter.
    pub fn name(&self) -> &'static str {
        self.kind.name
    }

    /// Its row in [`WINDOWS`].
    pub fn kind(&self) -> &'static WindowKind {
        self.kind
    }

    /// The `n` samples of the periodic window; a single sample is 1.
    ///
    /// Flat-top windows of the HFT family peak far above 1: they are published with a₀ = 1. Nothing depends
    /// on the scale of a window, because every result is divided by its sums.
    pub fn coefficients(&self, n: usize) -> Vec<f64> {
        if n <= 1 {
            return vec![1.0; n];
        }
        match self.kind.shape {
            Shape::Cosines(terms) => (0..n).map(|j| cosine_sample(terms, j, n)).collect(),
            Shape::Kaiser { .. } => {
                let scale = bessel_i0(self.parameter);
                (0..n).map(|j| bessel_i0(self.parameter * kaiser_root(j, n)) / scale).collect()
            }
        }
    }

    /// The equivalent noise bandwidth in bins, N·S2/S1², in the limit of many samples.
    ///
    /// For sums of cosines the limit is reached exactly as soon as the window has more than twice as many
    /// samples as its highest term has periods.
    pub fn noise_bandwidth_bins(&self) -> f64 {
        match self.kind.shape {
            Shape::Cosines(terms) => {
                let others: f64 = terms[1..].iter().map(|a| a * a).sum();
                1.0 + 0.5 * others / (terms[0] * terms[0])
            }
            Shape::Kaiser { .. } => kaiser_noise_bandwidth(self.parameter),
        }
    }

    /// The largest amplitude error in dB of a sine that lies up to half a bin from the nearest bin.
    ///
    /// Negative where the sine reads low, as it does with every window that is not a flat-top.
    pub fn max_amplitude_error_db(&self) -> f64 {
        const STEPS: u32 = 500;
        let centre = self.kernel(0.0);
        (1..=STEPS)
            .map(|step| 20.0 * (self.kernel(0.5 * f64::from(step) / f64::from(STEPS)) / centre).abs().log10())
            .fold(0.0, |worst: f64, error| if error.abs() > worst.abs() { error } else { worst })
    }

    /// The overlap that uses the samples well, as a fraction of the segment: 0.5 for Hann.
    ///
    /// It is where amplitude flatness less overlap correlation is largest.
    ///
    /// # Sources
    /// Heinzel, Ruediger, Schilling 2002.
    pub fn recommended_overlap(&self) -> f64 {
        match self.kind.shape {
            Shape::Cosines(_) => self.kind.figures.overlap_percent / 100.0,
            Shape::Kaiser { .. } => best_overlap(&self.coefficients(1000)),
        }
    }

    /// The response to a sine `offset` bins from the centre of a bin, in the limit of many samples.
    ///
    /// Not scaled: a sine on the bin gives `kernel(0.0)`. Its phase is counted from the middle of the segment, which
    /// makes it real.
    pub fn kernel(&self, offset: f64) -> f64 {
        match self.kind.shape {
            Shape::Cosines(terms) => {
                let sinc = |x: f64| if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) };
                let term = |(k, a): (f64, &f64)| 0.5 * a * (sinc(offset - k) + sinc(offset + k));
                (0u32..).map(f64::from).zip(terms).map(term).sum()
            }
            Shape::Kaiser { .. } => {
                let square = self.parameter * self.parameter - (PI * offset).powi(2);
                let root = square.abs().sqrt();
                if root == 0.0 {
                    1.0
                } else if square > 0.0 {
                    root.sinh() / root
                } else {
                    root.sin() / root
                }
            }
        }
    }

    /// The shortest segment that still shows the window: shorter ones alias its cosine terms.
    pub(super) fn shortest(&self) -> usize {
        match self.kind.shape {
            Shape::Cosines(terms) => 2 * terms.len(),
            Shape::Kaiser { .. } => 4,
        }
    }

    /// The noise bandwidth in bins of a window of `n` samples.
    pub(super) fn noise_bandwidth_bins_at(&self, n: usize) -> f64 {
        /// From here on the finite Kaiser window differs from its limit by less than one part in 10⁸.
        const MANY: usize = 1 << 15;
        match self.kind.shape {
            Shape::Kaiser { .. } if n < MANY => {
                let taper = Taper::new(self, n);
                n as f64 * taper.sum_of_squares() / (taper.sum() * taper.sum())
            }
            _ => self.noise_bandwidth_bins(),
        }
    }
}

impl Default for Window {
    /// Hann.
    fn default() -> Self {
        let kind = WINDOWS.iter().find(|kind| kind.name == "hann").expect("the table has a row for hann");
        Self { kind, parameter: 0.0 }
    }
}

impl FromStr for Window {
    type Err = Error;

    /// Reads a name or an alias; case does not matter, and `-` may stand for `_`. Kaiser's parameter follows
    /// a colon: `kaiser:8.6`.
    fn from_str(text: &str) -> Result<Self, Error> {
        let lower = text.trim().to_ascii_lowercase().replace('-', "_");
        let (name, parameter) = match lower.split_once(':') {
            Some((name, parameter)) => (name, Some(parameter)),
            None => (lower.as_str(), None),
        };
        let kind = WINDOWS
            .iter()
            .find(|kind| kind.name == name || kind.aliases.contains(&name))
            .ok_or_else(|| Error::usage(format!("\"{}\" is no window", printable(text))).expected(accepted_names()))?;
        let parameter = match (kind.shape, parameter) {
            (Shape::Cosines(_), None) => 0.0,
            (Shape::Kaiser { default_beta }, None) => default_beta,
            (Shape::Kaiser { .. }, Some(beta)) => parse_beta(beta, text)?,
            (Shape::Cosines(_), Some(_)) => {
                return Err(Error::usage(format!("\"{}\": {} takes no parameter", printable(text), kind.name))
                    .remedy(format!("write {}", kind.name)));
            }
        };
        Ok(Self { kind, parameter })
    }
}

impl fmt::Display for Window {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.kind.shape {
            Shape::Cosines(_) => write!(f, "{}", self.kind.name),
            Shape::Kaiser { .. } => write!(f, "{}:{}", self.kind.name, self.parameter),
        }
    }
}

impl Serialize for Window {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// The samples of a window with the two sums that scale every spectrum.
///
/// ```
/// use linewake::dsp::window::{Taper, Window};
/// use linewake::units::Hertz;
/// let taper = Taper::new(&Window::default(), 3750);
/// assert!((taper.sum() - 1875.0).abs() < 1e-9);
/// assert!((taper.noise_bandwidth(Hertz::new(500e3)?).get() - 200.0).abs() < 1e-9);
/// # Ok::<(), linewake::error::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Taper {
    /// Shared, so that a copy costs nothing.
    values: Arc<[f64]>,
    sum: f64,
    sum_of_squares: f64,
}

/// Longer tapers are not kept.
const MOST_KEPT: usize = 1 << 16;

thread_local! {
    /// The taper made last: captures of a batch mostly ask for the same one. It decides nothing but the time taken.
    static LAST: RefCell<Option<(Window, Taper)>> = const { RefCell::new(None) };
}

impl Taper {
    /// The window over `n` samples.
    ///
    /// # Panics
    /// When `n` is zero.
    pub fn new(window: &Window, n: usize) -> Self {
        assert!(n > 0, "a taper has at least one sample");
        let last = LAST.with_borrow(|last| {
            last.as_ref().filter(|(of, taper)| of == window && taper.len() == n).map(|(_, taper)| taper.clone())
        });
        last.unwrap_or_else(|| {
            let taper = Self::of(window.coefficients(n));
            if n <= MOST_KEPT {
                LAST.set(Some((*window, taper.clone())));
            }
            taper
        })
    }

    /// Weights of any origin, at least one.
    pub(super) fn of(values: Vec<f64>) -> Self {
        let sum = values.iter().sum();
        let sum_of_squares = values.iter().map(|w| w * w).sum();
        Self { values: values.into(), sum, sum_of_squares }
    }

    /// The weights.
    pub fn values(&self) -> &[f64] {
        &self.values
    }

    /// S1, the sum of the weights.
    pub fn sum(&self) -> f64 {
        self.sum
    }

    /// S2, the sum of their squares.
    pub fn sum_of_squares(&self) -> f64 {
        self.sum_of_squares
    }

    /// How many samples a segment has.
    #[expect(clippy::len_without_is_empty, reason = "a taper is never empty")]
    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// The equivalent noise bandwidth fs·S2/S1² at a sample rate.
    ///
    /// # Panics
    /// When the rate is so extreme that the bandwidth is no finite number above zero.
    pub fn noise_bandwidth(&self, rate: Hertz) -> Hertz {
        let bandwidth = rate.get() * self.sum_of_squares / (self.sum * self.sum);
        Hertz::new(bandwidth).expect("a window has weights, so its noise bandwidth is above zero")
    }
}

fn accepted_names() -> String {
    let names: Vec<_> = WINDOWS
        .iter()
        .map(|kind| match kind.shape {
            Shape::Cosines(_) => kind.name.to_owned(),
            Shape::Kaiser { default_beta } => format!("{name} ({name}:{default_beta})", name = kind.name),
        })
        .collect();
    format!("one of {}", names.join(", "))
}

fn parse_beta(beta: &str, text: &str) -> Result<f64, Error> {
    let value = beta.trim().parse().ok().filter(|beta| (0.0..=LARGEST_BETA).contains(beta));
    value.ok_or_else(|| {
        Error::usage(format!("\"{}\" has no usable parameter", printable(text)))
            .expected(format!("a number from 0 to {LARGEST_BETA} behind the colon"))
            .remedy("write kaiser:8.6")
    })
}

/// One sample of a₀ − a₁ cos z + a₂ cos 2z − …
fn cosine_sample(terms: &[f64], j: usize, n: usize) -> f64 {
    // The angle is reduced in integers, so that high terms lose no digits.
    let angle = |k: usize| 2.0 * PI * ((k * j) % n) as f64 / n as f64;
    let term = |(k, a): (usize, &f64)| if k % 2 == 0 { a * angle(k).cos() } else { -a * angle(k).cos() };
    terms.iter().enumerate().map(term).sum()
}

/// √(1 − x²) with x = 2j/n − 1, in a form that does not cancel at the ends.
fn kaiser_root(j: usize, n: usize) -> f64 {
    2.0 * ((j as f64) * ((n - j) as f64)).sqrt() / n as f64
}

/// The modified Bessel function of the first kind and order zero by its power series, all terms positive.
///
/// # Sources
/// Abramowitz and Stegun, Handbook of Mathematical Functions, 9.6.12 (from memory).
pub(super) fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * f64::EPSILON * 0.1 {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

/// The mean of the squared window over the square of its mean, as integrals by Simpson's rule.
fn kaiser_noise_bandwidth(beta: f64) -> f64 {
    const INTERVALS: usize = 4096;
    let (mut first, mut second) = (0.0, 0.0);
    for j in 0..=INTERVALS {
        let weight = if j == 0 || j == INTERVALS { 1.0 } else { 2.0 + 2.0 * (j % 2) as f64 };
        let value = bessel_i0(beta * kaiser_root(j, INTERVALS));
        first += weight * value;
        second += weight * value * value;
    }
    3.0 * INTERVALS as f64 * second / (first * first)
}

/// The overlap, in steps of one sample, where amplitude flatness less overlap correlation is largest.
fn best_overlap(window: &[f64]) -> f64 {
    let n = window.len();
    let squares: f64 = window.iter().map(|w| w * w).sum();
    let merit = |hop: usize| {
        let correlation: f64 = window[hop..].iter().zip(window).map(|(a, b)| a * b).sum::<f64>() / squares;
        let sums = (0..hop).map(|start| window[start..].iter().step_by(hop).sum::<f64>());
        let (low, high) = sums.fold((f64::INFINITY, 0.0_f64), |(low, high), sum| (low.min(sum), high.max(sum)));
        low / high - correlation
    };
    let best = (n / 10..=n).map(|hop| (hop, merit(hop))).max_by(|a, b| a.1.total_cmp(&b.1));
    best.map_or(0.0, |(hop, _)| (n - hop) as f64 / n as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn every_window() -> impl Iterator<Item = Window> {
        WINDOWS.iter().map(|kind| kind.name.parse().unwrap())
    }

    #[test]
    fn sums_of_hann_by_hand() {
        let taper = Taper::new(&Window::default(), 8);
        assert!((taper.sum() - 4.0).abs() < 1e-14);
        assert!((taper.sum_of_squares() - 3.0).abs() < 1e-14);
        assert_eq!(taper.len(), 8);
    }

    #[test]
    fn names_are_read_back() {
        for window in every_window() {
            assert_eq!(window.to_string().parse::<Window>().unwrap(), window);
            for alias in window.kind().aliases {
                assert_eq!(alias.parse::<Window>().unwrap(), window);
            }
        }
        assert_eq!("Blackman-Harris".parse::<Window>().unwrap().name(), "blackman_harris");
        assert_eq!(serde_json::to_string(&"kaiser:5".parse::<Window>().unwrap()).unwrap(), "\"kaiser:5\"");
    }

    #[test]
    fn refusals_list_the_table() {
        let message = "triangle".parse::<Window>().unwrap_err().to_string();
        assert!(WINDOWS.iter().all(|kind| message.contains(kind.name)), "{message}");
        for text in ["", "hann:2", "kaiser:", "kaiser:-1", "kaiser:nan", "kaiser:1e9"] {
            assert!(text.parse::<Window>().is_err(), "{text}");
        }
    }

    #[test]
    fn periodic_windows_are_even_about_their_middle() {
        for window in every_window() {
            let values = window.coefficients(30);
            for j in 1..30 {
                assert!((values[j] - values[30 - j]).abs() < 1e-13, "{window} {j}");
            }
            assert_eq!(window.coefficients(1), [1.0]);
        }
    }

    #[test]
    fn noise_bandwidth_of_the_samples_is_the_closed_form() {
        for window in every_window() {
            let taper = Taper::new(&window, 40_000);
            let bins = taper.noise_bandwidth(Hertz::new(40_000.0).unwrap()).get();
            assert!((bins / window.noise_bandwidth_bins() - 1.0).abs() < 1e-8, "{window} {bins}");
        }
    }
}
