//! Numbers as binary files hold them: whole or floating, one to eight bytes, either end first.

/// The type of a number in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Number {
    U8,
    I8,
    U16,
    I16,
    I24,
    U32,
    I32,
    U64,
    I64,
    F16,
    F32,
    F64,
}

/// All types with the names that a sidecar uses.
pub(super) const NUMBERS: &[(&str, Number)] = &[
    ("u8", Number::U8),
    ("i8", Number::I8),
    ("u16", Number::U16),
    ("i16", Number::I16),
    ("i24", Number::I24),
    ("u32", Number::U32),
    ("i32", Number::I32),
    ("u64", Number::U64),
    ("i64", Number::I64),
    ("f16", Number::F16),
    ("f32", Number::F32),
    ("f64", Number::F64),
];

impl Number {
    /// How many bytes it takes.
    pub(super) fn bytes(self) -> usize {
        match self {
            Number::U8 | Number::I8 => 1,
            Number::U16 | Number::I16 | Number::F16 => 2,
            Number::I24 => 3,
            Number::U32 | Number::I32 | Number::F32 => 4,
            Number::U64 | Number::I64 | Number::F64 => 8,
        }
    }

    /// Whether it is a whole number, such as a converter's code.
    pub(super) fn is_whole(self) -> bool {
        !matches!(self, Number::F16 | Number::F32 | Number::F64)
    }

    /// The number in these bytes, low byte first unless `big_endian`.
    ///
    /// `None` where a double cannot hold a whole number exactly: beyond 2⁵³.
    ///
    /// # Panics
    /// When the slice is shorter than the number.
    pub(super) fn read(self, bytes: &[u8], big_endian: bool) -> Option<f64> {
        const EXACT: u64 = 1 << 53;
        let mut low_first = [0; 8];
        let count = self.bytes();
        low_first[..count].copy_from_slice(&bytes[..count]);
        if big_endian {
            low_first[..count].reverse();
        }
        let word = u64::from_le_bytes(low_first);
        let [a, b, c, d, ..] = low_first;
        let low = u32::from_le_bytes([a, b, c, d]);
        // The sign bit is brought to the top and back, which fills the bytes above it.
        let empty = 64 - 8 * u32::try_from(count).unwrap_or(8);
        let signed = (word << empty).cast_signed() >> empty;
        match self {
            Number::F16 => Some(half(u16::from_le_bytes([a, b]))),
            Number::F32 => Some(f64::from(f32::from_bits(low))),
            Number::F64 => Some(f64::from_bits(word)),
            Number::U8 | Number::U16 | Number::U32 | Number::U64 => (word <= EXACT).then_some(word as f64),
            Number::I8 | Number::I16 | Number::I24 | Number::I32 | Number::I64 => {
                (signed.unsigned_abs() <= EXACT).then_some(signed as f64)
            }
        }
    }
}

/// A number of half precision: a sign, five bits of exponent, ten of mantissa (IEEE 754-2008, binary16).
fn half(bits: u16) -> f64 {
    let (exponent, mantissa) = (i32::from(bits >> 10 & 0x1f), f64::from(bits & 0x3ff));
    let size = match exponent {
        0 => mantissa * 2f64.powi(-24),
        31 if mantissa > 0.0 => f64::NAN,
        31 => f64::INFINITY,
        _ => (1024.0 + mantissa) * 2f64.powi(exponent - 25),
    };
    if bits >> 15 == 1 { -size } else { size }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ends_and_signs() {
        assert_eq!(Number::I16.read(&[0xfe, 0xff], false), Some(-2.0));
        assert_eq!(Number::I16.read(&[0xff, 0xfe], true), Some(-2.0));
        assert_eq!(Number::U16.read(&[0xfe, 0xff], false), Some(65534.0));
        assert_eq!(Number::I24.read(&[0x00, 0x00, 0x80], false), Some(-8_388_608.0));
        assert_eq!(Number::F32.read(&1.5f32.to_be_bytes(), true), Some(1.5));
        assert_eq!(Number::F64.read(&(-0.1f64).to_le_bytes(), false), Some(-0.1));
        assert_eq!(Number::F16.read(&[0x3c, 0x00], true), Some(1.0));
        assert_eq!(Number::F16.read(&[0x00, 0xfc], false), Some(f64::NEG_INFINITY));
        assert_eq!(Number::I64.read(&i64::MIN.to_le_bytes(), false), None);
    }
}
