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
    /// Reads a number of this layout at a place in the text, and where it ends; `None` for all others, and close to either
    /// end of the text. What follows is not looked at: it may be a further digit.
    #[inline(always)]
    pub(super) fn of_layout(text: &[u8], at: usize, layout: &Layout, mark: u8) -> Option<(Self, usize)> {
        /// Before a number its digits are loaded with; with those behind it more than any number of a layout takes.
        const BEFORE: usize = 8;
        const ROOM: usize = 40;
        // One look at the bounds; offsets below are masked so that they need none.
        let window: &[u8; ROOM] = text.get(at.wrapping_sub(BEFORE)..)?.first_chunk()?;
        let byte = |place: usize| window[place & 31];
        let eight_before = |place: usize| {
            let from = (place - BEFORE) & 31;
            u64::from_le_bytes(*window[from..from + 8].first_chunk().expect("eight bytes")) ^ ZEROS
        };
        // Without a branch, because signs of samples come in no order.
        let negative = byte(BEFORE) == b'-';
        let point = BEFORE + usize::from(negative | (byte(BEFORE) == b'+')) + layout.whole;
        let (mut end, mut digits, mut others) = if layout.whole == 1 {
            // As most samples are.
            let digit = byte(point - 1) ^ b'0';
            (point, u64::from(digit), u64::from(digit > 9))
        } else {
            let whole = eight_before(point) >> layout.whole_shift << layout.whole_shift;
            (point, together(whole), not_digits(whole))
        };
        if layout.decimals > 0 {
            end += 1 + layout.decimals;
            let decimals = eight_before(end) >> layout.decimals_shift << layout.decimals_shift;
            digits = digits * layout.power + together(decimals);
            others |= not_digits(decimals) | u64::from(byte(point) ^ mark);
        }
        let (mut size, mut last_digit) = (as_double(digits) / layout.divisor, layout.last_digit);
        if layout.exponent > 0 {
            let (letter, sign) = (byte(end), byte(end + 1));
            end += 2 + layout.exponent;
            let power = eight_before(end) >> layout.exponent_shift << layout.exponent_shift;
            others |= not_digits(power) | u64::from((letter | 0x20) ^ b'e');
            // At most three digits.
            let power = i32::try_from(together(power)).ok().filter(|_| matches!(sign, b'+' | b'-'))?;
            last_digit += if sign == b'-' { -power } else { power };
            size = exact(digits, last_digit).filter(|size| *size <= LARGEST_PLAIN)?;
        }
        let value = f64::from_bits(size.to_bits() | u64::from(negative) << 63);
        (others == 0).then_some((Self { value, digits, last_digit }, at + end - BEFORE))
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

/// How a number is laid out behind its sign; the next one in its column is most likely laid out alike.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    /// Digits before the decimal mark, at least one.
    whole: usize,
    /// Digits behind it; without any there is no mark.
    decimals: usize,
    /// Digits of the exponent, which has a sign; without any there is none.
    exponent: usize,
    /// What shifts other characters out of eight, for each of these.
    whole_shift: u32,
    decimals_shift: u32,
    exponent_shift: u32,
    /// Ten to the power of the decimals.
    power: u64,
    divisor: f64,
    last_digit: i32,
}

impl Layout {
    /// The layout of a number in the usual form, if all its digits fit into a double; `None` for all others.
    pub(super) fn of(number: &[u8], mark: u8) -> Option<Self> {
        let digits = |text: &[u8]| text.iter().take_while(|byte| byte.is_ascii_digit()).count();
        let number = number.strip_prefix(b"-").or(number.strip_prefix(b"+")).unwrap_or(number);
        let whole = digits(number);
        let mut rest = &number[whole..];
        let (mut decimals, mut exponent) = (0, 0);
        if let Some(behind) = rest.strip_prefix(&[mark]) {
            decimals = digits(behind);
            rest = &behind[decimals..];
        }
        if let [b'e' | b'E', b'+' | b'-', behind @ ..] = rest {
            exponent = digits(behind);
            rest = &behind[exponent..];
        }
        (rest.is_empty() && (1..=7).contains(&whole) && decimals <= 8 && exponent <= 3)
            .then(|| Self::new(whole, decimals, exponent))
    }

    fn new(whole: usize, decimals: usize, exponent: usize) -> Self {
        // Eight digits at most.
        let size = |count: usize| u32::try_from(count).unwrap_or(8);
        let shift = |count: usize| 64 - 8 * size(count);
        let power = POWERS_OF_TEN[decimals];
        Self {
            whole,
            decimals,
            exponent,
            whole_shift: shift(whole),
            decimals_shift: shift(decimals) % 64,
            exponent_shift: shift(exponent) % 64,
            power,
            divisor: as_double(power),
            last_digit: -size(decimals).cast_signed(),
        }
    }
}

impl Default for Layout {
    /// One digit, which none is longer than.
    fn default() -> Self {
        Self::new(1, 0, 0)
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

/// Eight zeros as text.
const ZEROS: u64 = 0x3030_3030_3030_3030;

/// A whole number below 2⁶³ as the nearest double.
#[inline]
#[expect(clippy::cast_precision_loss, reason = "of all but the largest it is exact")]
fn as_double(whole: u64) -> f64 {
    whole.cast_signed() as f64
}

/// A bit for each of eight bytes less the character zero, or nearly: none where all are digits.
#[inline]
fn not_digits(values: u64) -> u64 {
    (values.wrapping_add(0x7676_7676_7676_7676) | values) & 0x8080_8080_8080_8080
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
    let values = eight ^ ZEROS;
    let count = not_digits(values).trailing_zeros() / 8;
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
        let mut before = None;
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
            // The same by its layout, and by that of another number.
            let cell = format!("12345678;{text};{:30}", "");
            let layout = Layout::of(text.as_bytes(), b'.');
            for layout in [layout.clone(), std::mem::replace(&mut before, layout)].into_iter().flatten() {
                let Some((number, end)) = Number::of_layout(cell.as_bytes(), 9, &layout, b'.') else { continue };
                if cell.as_bytes().get(end) == Some(&b';') {
                    assert_eq!(number.value.to_bits(), careful.value.to_bits(), "{text}");
                    assert_eq!(number.printed().significant, careful.significant, "{text}");
                    assert_eq!(number.last_digit, careful.last_digit, "{text}");
                    fixed += 1;
                }
            }
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
