//! Lines to cells, cells to numbers. Strict: what is not plainly a number is not a number.

use super::text::decode;
use crate::error::printable;

/// More columns than this are no capture.
pub(super) const MOST_COLUMNS: usize = 4096;

/// No recorder prints a number with more characters; the bound holds for decimal commas only.
const LONGEST_NUMBER: usize = 64;

/// What stands between cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Separator {
    /// One byte.
    Byte(u8),
    /// Any run of blanks and tabs.
    Blanks,
}

/// Separator and decimal mark, always found together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dialect {
    pub(super) separator: Separator,
    pub(super) decimal: u8,
}

impl Dialect {
    /// In words.
    pub(super) fn words(self) -> String {
        let separator = match self.separator {
            Separator::Byte(b',') => "comma".to_owned(),
            Separator::Byte(b';') => "semicolon".to_owned(),
            Separator::Byte(b'\t') => "tab".to_owned(),
            Separator::Byte(other) => format!("\"{}\"", char::from(other)),
            Separator::Blanks => "blank".to_owned(),
        };
        let decimal = if self.decimal == b',' { "comma" } else { "point" };
        format!("{separator} separated, decimal {decimal}")
    }
}

/// Whether a line holds nothing but blanks, quotes and separators.
#[inline]
pub(super) fn is_blank(line: &[u8], separator: Separator) -> bool {
    // A data row shows a digit among its first bytes, so this ends early.
    line.iter().all(|&byte| byte.is_ascii_whitespace() || byte == b'"' || Separator::Byte(byte) == separator)
}

/// The cells of a line, trimmed and without quotes; at most one more than [`MOST_COLUMNS`].
pub(super) fn split(line: &[u8], separator: Separator) -> Vec<&[u8]> {
    let mut cells = Vec::new();
    let mut rest = line;
    if separator == Separator::Blanks {
        rest = rest.trim_ascii();
    }
    while cells.len() <= MOST_COLUMNS {
        let (cell, next) = first_cell(rest, separator);
        cells.push(cell);
        match next {
            Some(next) => rest = next,
            None => break,
        }
    }
    cells
}

/// The first cell and what follows its separator.
fn first_cell(line: &[u8], separator: Separator) -> (&[u8], Option<&[u8]>) {
    let line = match separator {
        // A tab may be the separator itself, so only blanks go.
        Separator::Byte(b'\t') => line.trim_ascii_start_of(b' '),
        _ => line.trim_ascii_start(),
    };
    if let [b'"', inner @ ..] = line
        && let Some(close) = closing_quote(inner)
    {
        let (_, next) = plain_cell(&inner[close + 1..], separator);
        return (inner[..close].trim_ascii(), next);
    }
    plain_cell(line, separator)
}

fn plain_cell(line: &[u8], separator: Separator) -> (&[u8], Option<&[u8]>) {
    let end = match separator {
        Separator::Byte(byte) => memchr::memchr(byte, line),
        Separator::Blanks => memchr::memchr2(b' ', b'\t', line),
    };
    match (end, separator) {
        (None, _) => (line.trim_ascii(), None),
        (Some(end), Separator::Byte(_)) => (line[..end].trim_ascii(), Some(&line[end + 1..])),
        (Some(end), Separator::Blanks) => (&line[..end], Some(line[end..].trim_ascii_start())),
    }
}

/// Where a quoted cell ends; two quotes in a row stand for one inside.
fn closing_quote(inner: &[u8]) -> Option<usize> {
    let mut from = 0;
    loop {
        let at = from + memchr::memchr(b'"', &inner[from..])?;
        if inner.get(at + 1) != Some(&b'"') {
            return Some(at);
        }
        from = at + 2;
    }
}

trait TrimOne {
    fn trim_ascii_start_of(&self, byte: u8) -> &Self;
}

impl TrimOne for [u8] {
    fn trim_ascii_start_of(&self, byte: u8) -> &Self {
        let blanks = self.iter().take_while(|&&b| b == byte).count();
        &self[blanks..]
    }
}

/// A number at the start of `text` with a decimal point, and how many bytes it takes.
///
/// Only digits, sign, point and exponent make a number: no words for infinity, no thousands, no units. Numbers
/// beyond the range of double precision are none.
#[inline]
pub(super) fn leading_number(text: &[u8]) -> Option<(f64, usize)> {
    let plus = usize::from(text.first() == Some(&b'+'));
    let bare = &text[plus..];
    let digits = &bare[usize::from(plus == 0 && bare.first() == Some(&b'-'))..];
    // The parser behind this also knows the words for infinity and not-a-number.
    if !matches!(digits.first(), Some(b'0'..=b'9' | b'.')) {
        return None;
    }
    let (value, length) = fast_float2::parse_partial::<f64, _>(bare).ok()?;
    value.is_finite().then_some((value, plus + length))
}

/// The cell as a number.
pub(super) fn number(cell: &[u8], decimal: u8) -> Option<f64> {
    if decimal == b',' {
        if memchr::memchr(b'.', cell).is_some() || cell.last() == Some(&b',') {
            return None;
        }
        // On the stack, because this is done for every cell of such a file.
        let mut pointed = [0; LONGEST_NUMBER];
        let pointed = pointed.get_mut(..cell.len())?;
        for (to, &from) in pointed.iter_mut().zip(cell) {
            *to = if from == b',' { b'.' } else { from };
        }
        return number(pointed, b'.');
    }
    leading_number(cell).filter(|&(_, length)| length == cell.len()).map(|(value, _)| value)
}

/// A number as it was printed: its value and how finely it was printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Printed {
    pub(super) value: f64,
    /// The power of ten of the last digit: -3 for 1.234, -7 for 1.234E-04, 0 for 12.
    pub(super) last_digit: i32,
    /// Significant digits, trailing zeros counted; 0 for zero itself.
    pub(super) significant: i32,
}

impl Printed {
    /// Reads the cell.
    #[inline]
    pub(super) fn read(cell: &[u8], decimal: u8) -> Option<Self> {
        let value = number(cell, decimal)?;
        let (mut decimals, mut significant, mut exponent) = (0, 0, 0);
        let mut fraction = false;
        for (at, &byte) in cell.iter().enumerate() {
            match byte {
                b'0'..=b'9' => {
                    decimals += i32::from(fraction);
                    significant += i32::from(significant > 0 || byte != b'0');
                }
                b'e' | b'E' => {
                    exponent = small_integer(&cell[at + 1..]);
                    break;
                }
                b'+' | b'-' => {}
                _ => fraction = true,
            }
        }
        Some(Self { value, last_digit: exponent - decimals, significant })
    }

    /// Whether it was printed as a whole number.
    pub(super) fn is_whole(self) -> bool {
        self.last_digit >= 0
    }
}

/// The exponent's digits; what no double could hold saturates.
fn small_integer(text: &[u8]) -> i32 {
    let size = text
        .iter()
        .filter(|byte| byte.is_ascii_digit())
        .fold(0i32, |sum, &digit| sum.saturating_mul(10).saturating_add(i32::from(digit - b'0')).min(9999));
    if text.first() == Some(&b'-') { -size } else { size }
}

/// A cell for a message: decoded, made safe, in quotes.
pub(super) fn shown(cell: &[u8]) -> String {
    format!("\"{}\"", printable(&decode(cell)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_plain_numbers_are_numbers() {
        for (text, value) in [
            ("1", 1.0),
            ("+12.5125E-03", 12.5125e-3),
            ("-998.490E-03", -0.99849),
            (".5", 0.5),
            ("1.", 1.0),
            ("00.018", 0.018),
            ("1e+001", 10.0),
        ] {
            assert_eq!(number(text.as_bytes(), b'.'), Some(value), "{text}");
        }
        for text in [
            "", "-", "+", ".", "nan", "inf", "-inf", "infinity", "****", "+-1", "1,5", "1e", "0x10", "1e999", "1 2",
            "12mV",
        ] {
            assert_eq!(number(text.as_bytes(), b'.'), None, "{text}");
        }
        assert_eq!(number(b"-1,5", b','), Some(-1.5));
        assert_eq!(number(b"1.5", b','), None);
        assert_eq!(number(b"1,", b','), None);
    }

    #[test]
    fn the_last_printed_digit_is_known() {
        for (text, last_digit, significant) in [
            ("1.234", -3, 4),
            ("-250.0000E-06", -10, 7),
            ("0.0020", -4, 2),
            ("12", 0, 2),
            ("0.000", -3, 0),
            ("4e-08", -8, 1),
        ] {
            let printed = Printed::read(text.as_bytes(), b'.').unwrap();
            assert_eq!((printed.last_digit, printed.significant), (last_digit, significant), "{text}");
        }
    }

    #[test]
    fn lines_fall_into_cells() {
        let cells = |line: &str, separator| -> Vec<String> {
            split(line.as_bytes(), separator).into_iter().map(|cell| decode(cell).into_owned()).collect()
        };
        assert_eq!(cells(" 1, 2 ,,", Separator::Byte(b',')), ["1", "2", "", ""]);
        assert_eq!(cells("\"a, b\",2", Separator::Byte(b',')), ["a, b", "2"]);
        assert_eq!(cells("  1   2\t3 ", Separator::Blanks), ["1", "2", "3"]);
        assert_eq!(cells("1\t\t 3", Separator::Byte(b'\t')), ["1", "", "3"]);
        assert_eq!(split(&vec![b','; 100_000], Separator::Byte(b',')).len(), MOST_COLUMNS + 1);
    }
}
