//! The types that a sample can have in a file.

use std::fmt::Write as _;
use std::str::FromStr;

/// The type of the samples in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Samples {
    /// Whole numbers of 16 bits.
    I16,
    /// Whole numbers of 24 bits.
    I24,
    /// Whole numbers of 32 bits.
    I32,
    /// Floating point of 32 bits.
    F32,
    /// Floating point of 64 bits.
    F64,
    /// Decimal digits, as many as it takes.
    Text,
}

impl Samples {
    /// All of them.
    pub const ALL: [Samples; 6] = [Samples::I16, Samples::I24, Samples::I32, Samples::F32, Samples::F64, Samples::Text];

    /// The word for options, sidecars and JSON.
    pub fn name(self) -> &'static str {
        match self {
            Samples::I16 => "i16",
            Samples::I24 => "i24",
            Samples::I32 => "i32",
            Samples::F32 => "f32",
            Samples::F64 => "f64",
            Samples::Text => "text",
        }
    }

    /// How many bits a whole number has; none for the others.
    pub fn bits(self) -> Option<u8> {
        match self {
            Samples::I16 => Some(16),
            Samples::I24 => Some(24),
            Samples::I32 => Some(32),
            Samples::F32 | Samples::F64 | Samples::Text => None,
        }
    }

    /// How many bytes a number takes; zero for text, which takes as many as it needs.
    pub(super) fn bytes(self) -> u8 {
        match self {
            Samples::F32 => 4,
            Samples::F64 => 8,
            other => other.bits().unwrap_or(0) / 8,
        }
    }

    /// The largest whole number.
    pub(super) fn largest(self) -> f64 {
        self.bits().map_or(f64::INFINITY, |bits| f64::from((1u32 << (bits - 1)) - 1))
    }

    /// The whole number that stands for a value in steps of a power of two; the nearest where there is none.
    pub(super) fn code(self, value: f64, step: i32) -> i32 {
        let most = self.largest();
        #[expect(clippy::cast_possible_truncation, reason = "rounded and held within 32 bits")]
        let code = (value / power_of_two(step)).round_ties_even().clamp(-most - 1.0, most) as i32;
        code
    }

    /// Adds the bytes of a value, low byte first; steps count for whole numbers only.
    pub(super) fn put(self, value: f64, step: i32, bytes: &mut Vec<u8>) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "the survey has shown that it fits, or rounding is asked for"
        )]
        match self {
            Samples::F32 => bytes.extend((value as f32).to_le_bytes()),
            Samples::F64 => bytes.extend(value.to_le_bytes()),
            Samples::Text => bytes.extend(decimal(value).bytes()),
            whole => bytes.extend(&whole.code(value, step).to_le_bytes()[..usize::from(whole.bytes())]),
        }
    }
}

impl FromStr for Samples {
    type Err = String;

    /// Reads a name: `i16`, `f32`.
    fn from_str(text: &str) -> Result<Self, String> {
        let names = Samples::ALL.map(Samples::name).join(", ");
        Samples::ALL.into_iter().find(|samples| samples.name() == text).ok_or(format!("expected one of: {names}"))
    }
}

/// Two to a power, down to the smallest number there is.
pub(super) fn power_of_two(exponent: i32) -> f64 {
    const LEAST_NORMAL: i32 = -1022;
    let bits = |at: i32| u64::try_from(at).unwrap_or(0);
    match exponent {
        ..=-1075 => 0.0,
        -1074..LEAST_NORMAL => f64::from_bits(1 << bits(exponent + 1074)),
        LEAST_NORMAL..=1023 => f64::from_bits(bits(exponent + 1023) << 52),
        _ => f64::INFINITY,
    }
}

/// The shortest decimal that reads back as the same bits, with an exponent where zeros would fill the line.
pub(super) fn decimal(value: f64) -> String {
    let mut text = String::new();
    put_decimal(value, &mut text);
    text
}

/// Adds the shortest decimal that reads back as the same bits.
pub(super) fn put_decimal(value: f64, text: &mut String) {
    let size = value.abs();
    let plain = size.to_bits() == 0 || (1e-5..1e16).contains(&size);
    // Writing into a string does not fail.
    let _ = if plain { write!(text, "{value}") } else { write!(text, "{value:e}") };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_read_back_and_stay_short() {
        for (value, text) in [
            (0.0, "0"),
            (-0.0, "-0"),
            (0.1, "0.1"),
            (-123.456, "-123.456"),
            (1e308, "1e308"),
            (5e-324, "5e-324"),
            (1e-5, "0.00001"),
            (1e16, "1e16"),
        ] {
            assert_eq!(decimal(value), text);
            assert_eq!(text.parse::<f64>().unwrap().to_bits(), value.to_bits());
        }
    }

    #[test]
    fn powers_of_two_reach_to_the_smallest_number() {
        assert_eq!(power_of_two(-1074).to_bits(), 1);
        assert_eq!(power_of_two(-1022), f64::MIN_POSITIVE);
        assert_eq!((power_of_two(0), power_of_two(-3), power_of_two(10)), (1.0, 0.125, 1024.0));
        assert_eq!(power_of_two(1023) * 1.5, 1.5 * 2f64.powi(1023));
    }

    #[test]
    fn whole_numbers_are_the_nearest_low_byte_first() {
        let mut bytes = Vec::new();
        Samples::I16.put(-2.0, 0, &mut bytes);
        Samples::I24.put(-0.5, -23, &mut bytes);
        Samples::I32.put(1.5, 0, &mut bytes);
        assert_eq!(bytes, [0xfe, 0xff, 0, 0, 0xc0, 2, 0, 0, 0]);
    }
}
