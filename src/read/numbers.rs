//! Numbers as binary files hold them: whole or floating, one to eight bytes, either end first.

use crate::lanes::{Kernel, widest};

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

/// What a number in a file is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Worth {
    /// A unit of the channel a code.
    pub(super) scale: f64,
    /// What is added after that. Minus zero changes nothing when it is added, not even the sign of a zero.
    pub(super) offset: f64,
}

impl Worth {
    /// So much for each code, and nothing added.
    pub(super) fn of(scale: f64) -> Self {
        Self { scale, offset: -0.0 }
    }
}

/// So many samples of a channel are decoded before the next: few enough for the fastest memory.
const TILE: usize = 1 << 9;

impl Number {
    /// Decodes frames of one number of each channel, so many channels as there are `worths`, and lays the samples down
    /// channel after channel. Says whether all of them are finite; a whole number that a double cannot hold is none.
    ///
    /// The samples are those of [`Number::read`] times the scale, and the offset added. The bytes may be turned round.
    pub(super) fn decode(self, big_endian: bool, bytes: &mut [u8], worths: &[Worth], samples: &mut Vec<f64>) -> bool {
        if big_endian {
            bytes.chunks_exact_mut(self.bytes()).for_each(<[u8]>::reverse);
        }
        let bytes = &*bytes;
        #[expect(clippy::cast_possible_wrap, reason = "what is beyond 2^53 is told by its size")]
        match self {
            Number::U8 => spread_out(bytes, worths, samples, |[byte]: [u8; 1]| f64::from(byte)),
            Number::I8 => spread_out(bytes, worths, samples, |word| f64::from(i8::from_le_bytes(word))),
            Number::U16 => spread_out(bytes, worths, samples, |word| f64::from(u16::from_le_bytes(word))),
            Number::I16 => spread_out(bytes, worths, samples, |word| f64::from(i16::from_le_bytes(word))),
            Number::I24 => spread_out(bytes, worths, samples, |[a, b, c]: [u8; 3]| {
                f64::from(i32::from_le_bytes([0, a, b, c]) >> 8)
            }),
            Number::U32 => spread_out(bytes, worths, samples, |word| f64::from(u32::from_le_bytes(word))),
            Number::I32 => spread_out(bytes, worths, samples, |word| f64::from(i32::from_le_bytes(word))),
            Number::U64 => spread_out(bytes, worths, samples, |word| {
                let number = u64::from_le_bytes(word);
                if number <= EXACT { number as i64 as f64 } else { f64::NAN }
            }),
            Number::I64 => spread_out(bytes, worths, samples, |word| {
                let number = i64::from_le_bytes(word);
                if number.unsigned_abs() <= EXACT { number as f64 } else { f64::NAN }
            }),
            Number::F16 => spread_out(bytes, worths, samples, |word| half(u16::from_le_bytes(word))),
            Number::F32 => spread_out(bytes, worths, samples, |word| f64::from(f32::from_le_bytes(word))),
            Number::F64 => spread_out(bytes, worths, samples, f64::from_le_bytes),
        }
    }
}

/// Lays the numbers of frames down channel after channel; whether all are finite.
fn spread_out<const WIDTH: usize>(
    bytes: &[u8],
    worths: &[Worth],
    samples: &mut Vec<f64>,
    read: impl Fn([u8; WIDTH]) -> f64 + Copy,
) -> bool {
    let (words, _) = bytes.as_chunks::<WIDTH>();
    let mut finite = true;
    for (channel, &worth) in worths.iter().enumerate() {
        for words in words.chunks(TILE * worths.len()) {
            let mut tile = [0.0; TILE];
            let tile = &mut tile[..words.len() / worths.len()];
            finite &= widest(Column { words, channels: worths.len(), channel, worth, read, out: &mut *tile });
            samples.extend_from_slice(tile);
        }
    }
    finite
}

/// The numbers of one channel in a few frames.
struct Column<'a, const WIDTH: usize, R> {
    words: &'a [[u8; WIDTH]],
    channels: usize,
    channel: usize,
    worth: Worth,
    read: R,
    out: &'a mut [f64],
}

impl<const WIDTH: usize, R: Fn([u8; WIDTH]) -> f64> Kernel for Column<'_, WIDTH, R> {
    type Output = bool;

    #[inline(always)]
    fn run(self) -> bool {
        let Self { words, channels, channel, worth: Worth { scale, offset }, read, out } = self;
        let value = |word: &[u8; WIDTH]| read(*word) * scale + offset;
        // With the distance of neighbours known, the loops become wide.
        match (channels, channel) {
            (1, _) => out.iter_mut().zip(words).for_each(|(out, word)| *out = value(word)),
            (2, 0) => out.iter_mut().zip(words.as_chunks().0).for_each(|(out, [word, _])| *out = value(word)),
            (2, _) => out.iter_mut().zip(words.as_chunks().0).for_each(|(out, [_, word])| *out = value(word)),
            _ => {
                let own = words.iter().skip(channel).step_by(channels);
                out.iter_mut().zip(own).for_each(|(out, word)| *out = value(word));
            }
        }
        out.iter().fold(true, |finite, value| finite & value.is_finite())
    }
}

/// Whole numbers up to here are doubles.
const EXACT: u64 = 1 << 53;

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
    fn frames_are_decoded_number_by_number() {
        let mut state = 1u64;
        let mut byte = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            u8::try_from(state >> 56).unwrap()
        };
        for (name, number) in NUMBERS {
            for (channels, rows) in [(1, 3), (1, 1300), (2, 1), (2, 1030), (3, 700), (5, 513)] {
                // Whole numbers of 64 bits are mostly beyond what a double holds; these are not.
                let wide = number.is_whole() && number.bytes() == 8;
                let mut bytes: Vec<u8> = (0..channels * rows * number.bytes()).map(|_| byte()).collect();
                let scales = (0..channels).map(|n| [1.0, 0.1, -3.0][n % 3]);
                let worths: Vec<_> = scales.map(|scale| Worth { scale, offset: -0.0 }).collect();
                for big_endian in [false, true] {
                    if wide {
                        let small = if big_endian { [0, 3] } else { [4, 7] };
                        for word in bytes.chunks_exact_mut(8) {
                            word[small[0]..=small[1]].fill(0);
                        }
                    }
                    let codes = bytes.chunks_exact(number.bytes());
                    let codes: Vec<f64> = codes.map(|code| number.read(code, big_endian).unwrap()).collect();
                    let mut samples = Vec::new();
                    let finite = number.decode(big_endian, &mut bytes.clone(), &worths, &mut samples);
                    assert_eq!(finite, samples.iter().all(|sample| sample.is_finite()), "{name}");
                    for (at, sample) in samples.iter().enumerate() {
                        let (channel, row) = (at / rows, at % rows);
                        let expected = codes[row * channels + channel] * worths[channel].scale;
                        assert!(
                            sample.to_bits() == expected.to_bits() || sample.is_nan() && expected.is_nan(),
                            "{name}"
                        );
                    }
                    assert_eq!(samples.len(), channels * rows);
                }
            }
        }
        let mut samples = Vec::new();
        assert!(!Number::I64.decode(false, &mut i64::MIN.to_le_bytes(), &[Worth::of(1.0)], &mut samples));
        assert!(!Number::U64.decode(true, &mut u64::MAX.to_be_bytes(), &[Worth::of(1.0)], &mut samples));
        assert!(samples.iter().all(|sample| sample.is_nan()));
    }

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
