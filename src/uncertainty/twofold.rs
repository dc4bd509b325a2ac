//! Numbers of about 32 digits: the sum of two doubles, the second below half a unit in the last place of the first.
//!
//! Every operation is made of exact ones on doubles, so that the bits are the same on every machine.
//!
//! # Sources
//! T. J. Dekker, "A floating-point technique for extending the available precision", Numer. Math. 18 (1971) 224-242;
//! D. E. Knuth, The Art of Computer Programming 2, 4.2.2 (two-sum), both from memory.

use std::ops::{Add, Div, Mul, Neg, Sub};

/// A number as the sum of two doubles.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Twofold {
    high: f64,
    low: f64,
}

/// The sum of two doubles and its rounding error.
fn exact_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let part = sum - a;
    (sum, (a - (sum - part)) + (b - part))
}

impl Twofold {
    /// The nearest double.
    pub(super) fn get(self) -> f64 {
        self.high
    }

    /// The square root of a number that is not negative.
    pub(super) fn sqrt(self) -> Self {
        if self.high <= 0.0 {
            return Self::default();
        }
        // One step of Newton's method doubles the digits of the plain root.
        let root = Self::from(self.high.sqrt());
        root + (self - root * root) / (root + root)
    }

    fn renormalised(high: f64, low: f64) -> Self {
        let (high, low) = exact_sum(high, low);
        Self { high, low }
    }
}

impl From<f64> for Twofold {
    fn from(value: f64) -> Self {
        Self { high: value, low: 0.0 }
    }
}

impl Add for Twofold {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        let (high, error) = exact_sum(self.high, other.high);
        let (low, rest) = exact_sum(self.low, other.low);
        let first = Self::renormalised(high, error + low);
        Self::renormalised(first.high, first.low + rest)
    }
}

impl Neg for Twofold {
    type Output = Self;
    fn neg(self) -> Self {
        Self { high: -self.high, low: -self.low }
    }
}

impl Sub for Twofold {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Mul for Twofold {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        let high = self.high * other.high;
        let error = self.high.mul_add(other.high, -high);
        Self::renormalised(high, error + (self.high * other.low + self.low * other.high))
    }
}

impl Div for Twofold {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        // Long division, a double's worth of digits a step.
        let first = Self::from(self.high / other.high);
        let rest = self - first * other;
        let second = Self::from(rest.high / other.high);
        let third = Self::from((rest - second * other).high / other.high);
        first + second + third
    }
}

impl std::iter::Sum for Twofold {
    fn sum<I: Iterator<Item = Self>>(terms: I) -> Self {
        terms.fold(Self::default(), Add::add)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thirty_digits_survive() {
        let third = Twofold::from(1.0) / Twofold::from(3.0);
        let rest = Twofold::from(1.0) - third * Twofold::from(3.0);
        assert!(rest.get().abs() < 1e-31, "{rest:?}");
        let root = Twofold::from(2.0).sqrt();
        assert!((root * root - Twofold::from(2.0)).get().abs() < 1e-30);
        let small = Twofold::from(1.0) + Twofold::from(1e-25) - Twofold::from(1.0);
        assert!((small.get() / 1e-25 - 1.0).abs() < 1e-5);
        assert_eq!(Twofold::from(-1.0).sqrt(), Twofold::default());
    }
}
