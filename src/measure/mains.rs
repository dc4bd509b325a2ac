//! Which mains frequency does the record show, and from what was it read?

use serde::Serialize;

use crate::dsp::sine_fit::{SineFit, fit_fundamental};
use crate::units::Hertz;

/// Where the mains frequency came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MainsSource {
    /// The fundamental, or what the coupling network left of it.
    Fundamental,
    /// The noise swells twice in each mains period.
    NoiseEnvelope,
    /// The user's option; the record does not show it.
    Option,
    /// Nothing shows it and nobody said: 50 Hz is assumed.
    Assumed,
}

/// The mains frequency with its source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Mains {
    /// The frequency.
    pub frequency_hz: f64,
    /// Its standard uncertainty, where it was measured.
    pub uncertainty_hz: Option<f64>,
    /// The nominal frequency, 50 or 60.
    pub nominal_hz: f64,
    /// Where it came from.
    pub source: MainsSource,
    /// The phase at the first sample in degrees, 0 where the fundamental rises through zero; only from a fundamental.
    pub phase_deg: Option<f64>,
}

impl Mains {
    /// The mains period in samples.
    pub fn period_samples(&self, rate: Hertz) -> f64 {
        rate.get() / self.frequency_hz
    }

    /// In words, for tables and captions.
    pub fn words(&self) -> String {
        let from = match self.source {
            MainsSource::Fundamental => "from the fundamental in the record",
            MainsSource::NoiseEnvelope => "from the swelling of the noise, twice a period",
            MainsSource::Option => "as the option says; the record does not show it",
            MainsSource::Assumed => "assumed; the record does not show it",
        };
        format!("{:.2} Hz {from}", self.frequency_hz)
    }
}

/// How far the mains may be from its nominal frequency; public grids stay well within.
const FARTHEST_HZ: f64 = 2.5;
/// A fit that leaves the frequency less certain than this says nothing.
const COARSEST_HZ: f64 = 0.25;
/// The rate to which samples are averaged down before a fit; well above the highest harmonic looked at.
const FIT_RATE: f64 = 4000.0;

/// The beginning of a channel, averaged down to what a search for some ten hertz needs.
#[derive(Debug, Clone)]
pub struct Slow {
    rate: Hertz,
    stretch: usize,
    means: Vec<f64>,
    /// The sum of the stretch in work, and how many samples it has.
    sum: f64,
    count: usize,
}

impl Slow {
    /// Starts with nothing; `rate` is that of the samples.
    pub fn new(rate: Hertz) -> Self {
        Self { rate, stretch: stretch_length(rate), means: Vec::new(), sum: 0.0, count: 0 }
    }

    /// Takes the next samples. A stretch may cross the borders of blocks.
    pub fn push(&mut self, samples: impl Iterator<Item = f64>) {
        for sample in samples {
            self.sum += sample;
            self.count += 1;
            if self.count == self.stretch {
                self.means.push(self.sum / self.stretch as f64);
                (self.sum, self.count) = (0.0, 0);
            }
        }
    }

    /// The means and their rate, where there are enough.
    fn series(&self) -> Option<(&[f64], Hertz)> {
        (self.means.len() >= 64).then_some(())?;
        Some((&self.means, Hertz::new(self.rate.get() / self.stretch as f64).ok()?))
    }
}

/// Reads the mains frequency from the first stretch of a record.
///
/// `raw` are the channels as read; `envelopes` gives the squares of the same with the mains removed and is asked only
/// where needed. The fundamental is tried first, then the envelope of the noise, then the option; see [`MainsSource`].
pub fn find_mains(raw: &[Slow], envelopes: impl FnOnce() -> Vec<Slow>, nominal: Option<f64>) -> Mains {
    let best = |fits: Vec<SineFit>| fits.into_iter().min_by(|a, b| a.uncertainty_hz.total_cmp(&b.uncertainty_hz));
    let nominals = nominal.map_or(vec![50.0, 60.0], |nominal| vec![nominal]);
    let from_fundamental = best(raw.iter().filter_map(|x| search(x, &nominals, 1.0, &[1, 2, 3, 5, 7], 0.5)).collect());
    let found = from_fundamental.map(|fit| (fit, MainsSource::Fundamental, 1.0)).or_else(|| {
        let fits = envelopes().iter().filter_map(|x| search(x, &nominals, 2.0, &[1, 2, 3], 0.3)).collect();
        best(fits).map(|fit| (fit, MainsSource::NoiseEnvelope, 2.0))
    });
    let nearest = |frequency: f64| if (frequency - 60.0).abs() < (frequency - 50.0).abs() { 60.0 } else { 50.0 };
    match found {
        Some((fit, source, multiple)) => Mains {
            frequency_hz: fit.frequency_hz / multiple,
            uncertainty_hz: Some(fit.uncertainty_hz / multiple),
            nominal_hz: nominal.unwrap_or_else(|| nearest(fit.frequency_hz / multiple)),
            source,
            phase_deg: matches!(source, MainsSource::Fundamental).then(|| phase_of(raw, fit.frequency_hz)),
        },
        None => Mains {
            frequency_hz: nominal.unwrap_or(50.0),
            uncertainty_hz: None,
            nominal_hz: nominal.unwrap_or(50.0),
            source: if nominal.is_some() { MainsSource::Option } else { MainsSource::Assumed },
            phase_deg: None,
        },
    }
}

fn search(samples: &Slow, nominals: &[f64], multiple: f64, harmonics: &[u32], least_explained: f64) -> Option<SineFit> {
    let (series, rate) = samples.series()?;
    nominals
        .iter()
        .filter_map(|nominal| {
            let range = ((nominal - FARTHEST_HZ) * multiple, (nominal + FARTHEST_HZ) * multiple);
            let fit = fit_fundamental(series, rate, range, harmonics)?;
            let inside = fit.frequency_hz > range.0 * 1.001 && fit.frequency_hz < range.1 * 0.999;
            (inside && fit.explained >= least_explained && fit.uncertainty_hz <= COARSEST_HZ * multiple).then_some(fit)
        })
        .max_by(|a, b| a.explained.total_cmp(&b.explained))
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a float cast saturates; the ratio is positive"
)]
fn stretch_length(rate: Hertz) -> usize {
    ((rate.get() / FIT_RATE) as usize).max(1)
}

/// The phase of the strongest channel's fundamental at the first sample, from its projection over whole periods.
fn phase_of(raw: &[Slow], frequency: f64) -> f64 {
    let projection = |samples: &Slow| {
        let Some((series, slow)) = samples.series() else { return (0.0, 0.0) };
        let period = slow.get() / frequency;
        let whole = ((series.len() as f64 / period).floor() * period).round();
        let mean = series.iter().sum::<f64>() / series.len() as f64;
        // The mean over a stretch belongs to its middle, half a stretch after its first sample.
        let offset = (samples.stretch as f64 - 1.0) / 2.0 / samples.rate.get();
        series.iter().enumerate().take_while(|(n, _)| (*n as f64) < whole).fold((0.0, 0.0), |(s, c), (n, x)| {
            let angle = std::f64::consts::TAU * frequency * (n as f64 / slow.get() + offset);
            (s + (x - mean) * angle.sin(), c + (x - mean) * angle.cos())
        })
    };
    let (sine, cosine) =
        raw.iter().map(projection).max_by(|a, b| a.0.hypot(a.1).total_cmp(&b.0.hypot(b.1))).unwrap_or((0.0, 0.0));
    cosine.atan2(sine).to_degrees().rem_euclid(360.0)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    fn mains_at(frequency: f64, phase_deg: f64, seconds: f64) -> Vec<f64> {
        (0..250_000u32)
            .take_while(|&n| f64::from(n) < 250e3 * seconds)
            .map(|n| {
                let angle = TAU * frequency * f64::from(n) / 250e3 + phase_deg.to_radians();
                325.0 * (angle.sin() + 0.03 * (3.0 * angle).sin() + 0.02 * (5.0 * angle).cos())
            })
            .collect()
    }

    /// What the record and the squares of what is left without the mains show.
    fn find(raw: &[f64], conditioned: &[f64], nominal: Option<f64>) -> Mains {
        let slow = |samples: &mut dyn Iterator<Item = f64>| {
            let mut slow = Slow::new(Hertz::new(250e3).unwrap());
            slow.push(samples);
            vec![slow]
        };
        find_mains(&slow(&mut raw.iter().copied()), || slow(&mut conditioned.iter().map(|x| x * x)), nominal)
    }

    #[test]
    fn two_periods_are_enough_for_a_hundredth_of_a_hertz() {
        for (frequency, phase) in [(49.97, 0.0), (50.03, 77.0), (60.01, 200.0)] {
            let wire = mains_at(frequency, phase, 0.04);
            let found = find(&wire, &[], None);
            assert_eq!(found.source, MainsSource::Fundamental);
            assert!((found.frequency_hz - frequency).abs() < 0.01, "{found:?}");
            assert!((found.phase_deg.unwrap() - phase + 540.0).rem_euclid(360.0) - 180.0 < 2.0, "{found:?}");
        }
    }

    #[test]
    fn noise_that_swells_twice_a_period_shows_the_mains() {
        let mut state = 7u64;
        let noise: Vec<f64> = (0..100_000)
            .map(|n| {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                let white = (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
                white * (1.0 + (TAU * 2.0 * 59.9 * f64::from(n) / 250e3).sin())
            })
            .collect();
        let found = find(&noise, &noise, None);
        assert_eq!(found.source, MainsSource::NoiseEnvelope);
        assert!((found.frequency_hz - 59.9).abs() < 0.1, "{found:?}");
        assert_eq!(found.nominal_hz, 60.0);
    }

    #[test]
    fn nothing_to_see_is_said() {
        let silence = vec![0.0; 50_000];
        assert_eq!(find(&silence, &silence, None).source, MainsSource::Assumed);
        let told = find(&silence, &silence, Some(60.0));
        assert_eq!((told.source, told.frequency_hz), (MainsSource::Option, 60.0));
    }
}
