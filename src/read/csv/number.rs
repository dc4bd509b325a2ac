//! Numbers in the usual form, their digits taken eight at a time; all others are left to the general parser.
//!
//! Up to 53 bits and a power of ten up to 22 one multiplication or division of exact doubles gives the nearest double,
//! by the very definition of rounding (W. D. Clinger, "How to read floating point numbers accurately", PLDI 1990).

use super::cells::{NO_NUMBER, Printed, leading_number};

/// Numbers beyond this may be the marks of an instrument for samples that are none.
pub(super) const LARGEST_PLAIN: f64 = 0.999 * NO_NUMBER;

/// A number and how it was printed.
#[derive(Debug, Clone, Copy)]
pub(super) struct Number {
    pub(super) value: f64,
    /// All digits as a whole number.
    digits: u64,
    /// The power of ten of the last digit.
    pub(super) last_digit: i32,
}

impl Number {
    /// Reads a cell that is nothing but a sign, at most eight digits, the decimal mark and so many decimals, at most
    /// eight; `None` for all others.
    #[inline]
    pub(super) fn of_decimals(text: &[u8], from: usize, to: usize, decimals: usize, mark: u8) -> Option<Self> {
        let negative = text.get(from) == Some(&b'-');
        let from = from + usize::from(negative || text.get(from) == Some(&b'+'));
        let point = to.checked_sub(decimals + 1)?;
        let whole = point.checked_sub(from)?;
        if text.get(point) != Some(&mark) || whole > 8 || !(1..=8).contains(&decimals) {
            return None;
        }
        let (whole, decimal) = (digits_before(text, point, whole)?, digits_before(text, to, decimals)?);
        let digits = whole * POWERS_OF_TEN[decimals] + decimal;
        let last_digit = -i32::try_from(decimals).ok()?;
        // Without a branch, because signs of samples come in no order.
        let sign = u64::from(negative) << 63;
        let value = f64::from_bits(exact(digits, last_digit)?.to_bits() | sign);
        Some(Self { value, digits, last_digit })
    }

    /// Reads a cell that holds a number in the usual form, between blanks, and nothing else.
    #[inline]
    pub(super) fn alone(cell: &[u8], mark: u8) -> Option<Self> {
        let cell = without_blanks(cell);
        let (number, length) = Self::read(cell, mark)?;
        without_blanks(&cell[length..]).is_empty().then_some(number)
    }

    /// Reads a number in the usual form: sign, digits of which 19 count, decimal mark with digits behind it, exponent.
    ///
    /// `None` for all others, not only for what is no number.
    #[inline]
    pub(super) fn read(text: &[u8], mark: u8) -> Option<(Self, usize)> {
        let negative = text.first() == Some(&b'-');
        let sign = usize::from(negative || text.first() == Some(&b'+'));
        let mut at = sign;
        let mut digits = 0u64;
        while let Some(digit) = text.get(at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10) {
            if digits >= POWERS_OF_TEN[18] {
                return None;
            }
            digits = 10 * digits + u64::from(digit);
            at += 1;
        }
        let whole = at - sign;
        let mut decimals = 0;
        if text.get(at) == Some(&mark) {
            at += 1;
            loop {
                let (value, count) = leading_digits(&text[at..]);
                if digits >= POWERS_OF_TEN[19 - count] {
                    return None;
                }
                digits = digits * POWERS_OF_TEN[count] + value;
                decimals += count;
                at += count;
                if count < 8 {
                    break;
                }
            }
            if decimals == 0 {
                return None;
            }
        }
        if whole + decimals == 0 {
            return None;
        }
        let mut exponent = 0;
        if matches!(text.get(at), Some(b'e' | b'E')) {
            let (value, length) = exponent_of(&text[at + 1..])?;
            exponent = value;
            at += 1 + length;
        }
        // A text longer than this has no line end within the longest line.
        let last_digit = exponent - i32::try_from(decimals).ok()?;
        let size = match exact(digits, last_digit) {
            Some(size) => size,
            None if mark == b'.' => leading_number(&text[sign..at]).filter(|(_, length)| *length == at - sign)?.0,
            None => return None,
        };
        (size <= LARGEST_PLAIN).then(|| (Self { value: if negative { -size } else { size }, digits, last_digit }, at))
    }

    #[inline]
    pub(super) fn printed(self) -> Printed {
        #[expect(clippy::cast_possible_wrap, reason = "at most 20 digits")]
        let significant = self.digits.checked_ilog10().map_or(0, |last| last as i32 + 1);
        Printed { value: self.value, last_digit: self.last_digit, significant }
    }
}

/// Powers of ten that fit.
const POWERS_OF_TEN: [u64; 20] = {
    let mut powers = [1; 20];
    let mut n = 1;
    while n < 20 {
        powers[n] = 10 * powers[n - 1];
        n += 1;
    }
    powers
};

/// The nearest double, where one operation on exact doubles gives it.
#[inline]
fn exact(digits: u64, exponent: i32) -> Option<f64> {
    const EXACT: [f64; 23] = [
        1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19,
        1e20, 1e21, 1e22,
    ];
    if digits > 1 << 53 {
        return None;
    }
    let power = *EXACT.get(exponent.unsigned_abs() as usize)?;
    Some(if exponent < 0 { digits as f64 / power } else { digits as f64 * power })
}

/// The value of so many digits, at most eight, that end before a place at least eight bytes into the text.
#[inline]
fn digits_before(text: &[u8], end: usize, count: usize) -> Option<u64> {
    let eight = u64::from_le_bytes(*text.get(end.checked_sub(8)?..end)?.first_chunk()?);
    // Zeros in place of what stands before the digits.
    let others = u32::try_from(8 * (8 - count)).ok()?;
    let values = (eight ^ 0x3030_3030_3030_3030).checked_shr(others).unwrap_or(0) << (others % 64);
    let digits = (values.wrapping_add(0x7676_7676_7676_7676) | values) & 0x8080_8080_8080_8080 == 0;
    digits.then(|| together(values))
}

/// The value of eight digits, the first in the lowest byte: pairs, fours and all eight are put together.
#[inline]
fn together(values: u64) -> u64 {
    let pairs = values.wrapping_mul(10).wrapping_add(values >> 8) & 0x00ff_00ff_00ff_00ff;
    let fours = pairs.wrapping_mul(100).wrapping_add(pairs >> 16) & 0x0000_ffff_0000_ffff;
    fours.wrapping_mul(10_000).wrapping_add(fours >> 32) & 0xffff_ffff
}

/// The value of the digits at the start of `text`, at most eight, and how many there are.
#[inline]
fn leading_digits(text: &[u8]) -> (u64, usize) {
    let eight = match text.first_chunk::<8>() {
        Some(eight) => u64::from_le_bytes(*eight),
        None => {
            let mut padded = [0; 8];
            padded[..text.len()].copy_from_slice(text);
            u64::from_le_bytes(padded)
        }
    };
    // A digit becomes 0 to 9; the highest bit of the first byte that is none is set, later ones may be wrong.
    let values = eight ^ 0x3030_3030_3030_3030;
    let others = (values.wrapping_add(0x7676_7676_7676_7676) | values) & 0x8080_8080_8080_8080;
    let count = others.trailing_zeros() / 8;
    // Zeros before the digits up to eight of them.
    (together(values.checked_shl(64 - 8 * count).unwrap_or(0)), count as usize)
}

/// An exponent of at most four digits, and how many bytes it takes.
#[inline]
fn exponent_of(text: &[u8]) -> Option<(i32, usize)> {
    let sign = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let digits = text[sign..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    if !(1..=4).contains(&digits) {
        return None;
    }
    let size = text[sign..sign + digits].iter().fold(0, |sum, digit| 10 * sum + i32::from(digit - b'0'));
    Some((if text[0] == b'-' { -size } else { size }, sign + digits))
}

/// A text without the blanks before it.
#[inline]
pub(super) fn without_blanks(mut text: &[u8]) -> &[u8] {
    while let [b' ', rest @ ..] = text {
        text = rest;
    }
    text
}

#[cfg(test)]
pub(super) mod tests {
    use std::fmt::Write;

    use super::*;

    /// Numbers below a bound, the same in every run.
    pub(in super::super) struct Dice(pub(in super::super) u64);

    impl Dice {
        pub(in super::super) fn below(&mut self, bound: u64) -> u64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 33) % bound
        }

        fn digits(&mut self, most: u64) -> String {
            (0..self.below(most + 1)).map(|_| char::from(b'0' + u8::try_from(self.below(10)).unwrap())).collect()
        }

        /// What a program may print for a number, and some that none does.
        fn number(&mut self) -> String {
            let most = [3, 6, 9, 20][usize::try_from(self.below(4)).unwrap()];
            let mut text = ["", "-", "+", ""][usize::try_from(self.below(4)).unwrap()].to_owned();
            text += &self.digits(most);
            if self.below(5) > 0 {
                text += ".";
                text += &self.digits(most);
            }
            if self.below(3) == 0 {
                let mark = ["e", "E", "e-", "E+", "D-"][usize::try_from(self.below(5)).unwrap()];
                write!(text, "{mark}{}", self.digits(3)).unwrap();
            }
            text
        }
    }

    fn numbers_agree(seed: u64, count: u32) {
        let mut dice = Dice(seed);
        let (mut read, mut fixed) = (0, 0);
        for _ in 0..count {
            let text = dice.number();
            let ended = format!("{text},");
            let Some((number, length)) = Number::read(ended.as_bytes(), b'.') else { continue };
            if length < text.len() {
                // Not the whole cell: the row is left to the careful way.
                continue;
            }
            read += 1;
            let careful = Printed::with_care(text.as_bytes(), b'.').unwrap();
            assert_eq!(number.value.to_bits(), careful.value.to_bits(), "{text}");
            let printed = number.printed();
            assert_eq!((printed.last_digit, printed.significant), (careful.last_digit, careful.significant), "{text}");
            // The same as a cell whose end is known.
            let cell = format!("12345678;{text};");
            let decimals = usize::try_from(-careful.last_digit).unwrap_or(0);
            let apart = Number::of_decimals(cell.as_bytes(), 9, 9 + text.len(), decimals, b'.');
            for number in apart.into_iter().chain(Number::alone(text.as_bytes(), b'.')) {
                assert_eq!(number.value.to_bits(), careful.value.to_bits(), "{text}");
                assert_eq!(number.printed().significant, careful.significant, "{text}");
                assert_eq!(number.last_digit, careful.last_digit, "{text}");
            }
            fixed += u32::from(apart.is_some());
            let comma = ended.replace(',', ";").replace('.', ",");
            if let Some((number, _)) = Number::read(comma.as_bytes(), b',') {
                assert_eq!(number.value.to_bits(), careful.value.to_bits(), "{comma}");
            }
        }
        assert!(read > count / 3 && fixed > count / 9, "{read} and {fixed} of {count}");
    }

    #[test]
    fn numbers_are_those_of_the_general_parser_to_the_bit() {
        numbers_agree(1, 100_000);
    }

    #[test]
    #[ignore = "ten million numbers, by hand"]
    fn ten_million_numbers_are_those_of_the_general_parser() {
        numbers_agree(2, 10_000_000);
    }

    #[test]
    fn digits_are_counted_and_weighed() {
        for (text, value, count) in [
            ("", 0, 0),
            ("7", 7, 1),
            ("0123x5678", 123, 4),
            ("12345678", 12_345_678, 8),
            ("999999999", 99_999_999, 8),
            ("12\u{fc}45678", 12, 2),
            (",1234567", 0, 0),
            ("1:2", 1, 1),
            ("1/2", 1, 1),
        ] {
            assert_eq!(leading_digits(text.as_bytes()), (value, count), "{text}");
        }
    }
}
