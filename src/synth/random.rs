//! Random numbers that are the same everywhere: ChaCha with eight rounds, and normal variates made of it.

use std::f64::consts::TAU;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of random numbers, given by a seed and the number of the stream.
///
/// Streams of one seed are independent of one another, so that what is drawn for one capture never shifts
/// what is drawn for the next.
///
/// ```
/// use linewake::synth::Random;
/// assert_eq!(Random::new(1, 0).uniform(), Random::new(1, 0).uniform());
/// assert_ne!(Random::new(1, 0).uniform(), Random::new(1, 1).uniform());
/// ```
///
/// # Sources
/// D. J. Bernstein, ChaCha, a variant of Salsa20 (2008); G. E. P. Box and M. E. Muller, A note on the
/// generation of random normal deviates, Ann. Math. Stat. 29 (1958) 610.
#[derive(Debug, Clone)]
pub struct Random {
    generator: ChaCha8Rng,
    spare: Option<f64>,
}

impl Random {
    /// Starts a stream at its beginning.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut generator = ChaCha8Rng::from_seed(key);
        generator.set_stream(stream);
        Self { generator, spare: None }
    }

    /// A number of the uniform distribution over [0, 1), with 53 random bits.
    pub fn uniform(&mut self) -> f64 {
        const STEP: f64 = 1.0 / (1_u64 << 53) as f64;
        (self.generator.next_u64() >> 11) as f64 * STEP
    }

    /// A number of the uniform distribution between two ends.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A phase in radians, uniform over the circle.
    pub fn phase(&mut self) -> f64 {
        TAU * self.uniform()
    }

    /// A fair coin.
    pub fn bit(&mut self) -> bool {
        self.generator.next_u32() & 1 == 1
    }

    /// A number of the normal distribution with mean 0 and variance 1.
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        // One minus a number below one is never zero, so that the logarithm stays finite.
        let radius = (-2.0 * libm::log(1.0 - self.uniform())).sqrt();
        let (sine, cosine) = libm::sincos(self.phase());
        self.spare = Some(radius * sine);
        radius * cosine
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_variates_have_the_moments_of_the_normal_distribution() {
        const COUNT: f64 = 200_000.0;
        let mut random = Random::new(7, 0);
        let mut sums = [0.0; 4];
        for _ in 0..200_000 {
            let value = random.normal();
            for (power, sum) in (1..).zip(&mut sums) {
                *sum += value.powi(power);
            }
        }
        // Moments 0, 1, 0, 3, variances of the sums 1, 2, 15, 96 for each sample; five standard deviations.
        for ((sum, moment), variance) in sums.iter().zip([0.0, 1.0, 0.0, 3.0]).zip([1.0, 2.0, 15.0, 96.0]) {
            let deviation = sum / COUNT - moment;
            assert!(deviation.abs() < 5.0 * f64::sqrt(variance / COUNT), "{moment}: {deviation}");
        }
    }
}
