//! Lines to cells, cells to numbers. Strict: what is not plainly a number is not a number.

use super::number::Number;
use super::preamble::time_unit;
use super::text::decode;
use crate::capture::Quantity;
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
    /// Whether units stand behind the numbers, as in "12.5 mV".
    pub(super) united: bool,
}

impl Dialect {
    /// The cell as a number; with a unit behind it, in the basic unit.
    #[inline]
    pub(super) fn number(self, cell: &[u8]) -> Option<f64> {
        let plain = number(cell, self.decimal);
        if plain.is_some() || !self.united {
            return plain;
        }
        united(cell, self.decimal).map(|(printed, _)| printed.value)
    }

    /// The cell as a number that knows how finely it was printed.
    #[inline]
    pub(super) fn printed(self, cell: &[u8]) -> Option<Printed> {
        let plain = Printed::read(cell, self.decimal);
        if plain.is_some() || !self.united {
            return plain;
        }
        united(cell, self.decimal).map(|(printed, _)| printed)
    }

    /// The unit behind the number of a cell, where numbers have units.
    pub(super) fn unit(self, cell: &[u8]) -> Option<CellUnit> {
        if !self.united || number(cell, self.decimal).is_some() {
            return None;
        }
        united(cell, self.decimal).map(|(_, unit)| unit)
    }

    /// Whether a cell holds a value: a number or a time of day.
    pub(super) fn is_value(self, cell: &[u8]) -> bool {
        self.number(cell).is_some() || TimeOfDay::read(cell).is_some()
    }

    /// In words.
    pub(super) fn words(self) -> String {
        let units = if self.united { ", units in the cells" } else { "" };
        format!("{} separated, decimal {}{units}", self.separator_word(), self.decimal_word())
    }

    /// The word for the separator.
    pub(super) fn separator_word(self) -> String {
        match self.separator {
            Separator::Byte(b',') => "comma".to_owned(),
            Separator::Byte(b';') => "semicolon".to_owned(),
            Separator::Byte(b'\t') => "tab".to_owned(),
            Separator::Byte(other) => format!("\"{}\"", char::from(other)),
            Separator::Blanks => "blank".to_owned(),
        }
    }

    /// The word for the decimal mark.
    pub(super) fn decimal_word(self) -> &'static str {
        if self.decimal == b',' { "comma" } else { "point" }
    }
}

/// Whether a line holds nothing but blanks, quotes and separators.
#[inline]
pub(super) fn is_blank(line: &[u8], separator: Separator) -> bool {
    // A data row shows a digit among its first bytes, so this ends early.
    line.iter().all(|&byte| byte.is_ascii_whitespace() || byte == b'"' || Separator::Byte(byte) == separator)
}

/// The cells of a line, trimmed and without quotes; at most one more than [`MOST_COLUMNS`].
#[inline]
pub(super) fn cells(line: &[u8], separator: Separator) -> impl Iterator<Item = &[u8]> + Clone {
    let mut rest = row_in_quotes(line, separator).unwrap_or(line);
    if separator == Separator::Blanks {
        rest = rest.trim_ascii();
    }
    let mut rest = Some(rest);
    let next = move || {
        let (cell, next) = first_cell(rest?, separator);
        rest = next;
        Some(cell)
    };
    std::iter::from_fn(next).take(MOST_COLUMNS + 1)
}

/// The same as a list.
pub(super) fn split(line: &[u8], separator: Separator) -> Vec<&[u8]> {
    cells(line, separator).collect()
}

/// A whole row between two quotes, as a spreadsheet leaves it that took the row for one cell.
fn row_in_quotes(line: &[u8], separator: Separator) -> Option<&[u8]> {
    let (Some(b'"'), Separator::Byte(byte)) = (line.first(), separator) else { return None };
    let inner = line.trim_ascii_end().strip_prefix(b"\"")?.strip_suffix(b"\"")?;
    let last = memchr::memrchr(byte, inner)?;
    if memchr::memchr(b'"', inner).is_some() {
        return None;
    }
    // A comma may also be a mark within the one number of a cell.
    let is_number = inner.first().is_some_and(|first| first.is_ascii_digit() || matches!(first, b'+' | b'-' | b'.'));
    let several = memchr::memchr(byte, inner) < Some(last) && inner.contains(&b'.');
    let separates = (several || inner[last..].contains(&b'.')) && !has_marks_between_thousands(inner);
    (byte != b',' || !is_number || separates).then_some(inner)
}

/// "1,234.5", "1'234" or "1 234" whose blanks did not break before `text` made them plain.
pub(super) fn has_marks_between_thousands(cell: &[u8]) -> bool {
    if cell.len() > LONGEST_NUMBER {
        return false;
    }
    let text = decode(cell);
    let bare = text.trim_start_matches(['-', '+']);
    let Some(mark) = bare.chars().find(|c| !c.is_ascii_digit()) else { return false };
    if !matches!(mark, ',' | '\'' | ' ') {
        return false;
    }
    let whole = bare.split_once(['.', ',']).filter(|_| mark != ',').map_or(bare, |(whole, _)| whole);
    let whole = whole.split_once('.').map_or(whole, |(whole, _)| whole);
    let mut groups = whole.split(mark);
    let digits = |group: &str| group.bytes().all(|byte| byte.is_ascii_digit());
    groups.next().is_some_and(|first| (1..=3).contains(&first.len()) && digits(first))
        && groups.all(|group| group.len() == 3 && digits(group))
}

/// The first cell and what follows its separator.
fn first_cell(line: &[u8], separator: Separator) -> (&[u8], Option<&[u8]>) {
    let line = match separator {
        // A tab may be the separator itself, so only blanks go.
        Separator::Byte(b'\t') => line.trim_ascii_start_of(b' '),
        _ => line.trim_ascii_start(),
    };
    // A spreadsheet writes ="0.1" for a number that it shall not touch.
    let line = line.strip_prefix(b"=").filter(|behind| behind.starts_with(b"\"")).unwrap_or(line);
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
    strict_number(cell, decimal).or_else(|| {
        let (tidy, length) = tidied(cell)?;
        strict_number(&tidy[..length], decimal)
    })
}

/// A typographic minus sign and the exponent of double precision, `1.0D-03`, as the plain characters they stand for.
fn tidied(cell: &[u8]) -> Option<([u8; LONGEST_NUMBER], usize)> {
    const MINUS: [&[u8]; 2] = ["\u{2212}".as_bytes(), "\u{2013}".as_bytes()];
    const NO_WIDTH: &[u8] = "\u{200b}".as_bytes();
    let mut tidy = [0; LONGEST_NUMBER];
    let (mut length, mut rest, mut mark, mut changed) = (0, cell, false, false);
    let mut grouped = false;
    while let [byte, more @ ..] = rest {
        let put;
        // An apostrophe before a number marks it as text.
        let text = rest.strip_prefix(b"'").filter(|_| rest.len() == cell.len());
        let thousands = thousands_follow(rest).filter(|_| !mark && ends_in_group(&tidy[..length], grouped));
        grouped |= thousands.is_some();
        if let Some(behind) = rest.strip_prefix(NO_WIDTH).or(text).or(thousands) {
            (rest, changed) = (behind, true);
            continue;
        }
        if let Some(behind) = MINUS.iter().find_map(|minus| rest.strip_prefix(*minus)) {
            (put, rest, changed) = (b'-', behind, true);
        } else {
            // Only behind a decimal mark, because 1D5 may be a hexadecimal word.
            let exponent = mark && matches!(byte, b'D' | b'd');
            (put, rest, changed) = (if exponent { b'E' } else { *byte }, more, changed || exponent);
        }
        mark |= matches!(put, b'.' | b',');
        *tidy.get_mut(length)? = put;
        length += 1;
    }
    changed.then_some((tidy, length))
}

/// What stands behind a mark that can only be one between thousands, with three digits behind it and no more.
fn thousands_follow(text: &[u8]) -> Option<&[u8]> {
    let behind = text.strip_prefix(b"'")?;
    (behind.iter().take_while(|byte| byte.is_ascii_digit()).count() == 3).then_some(behind)
}

/// Whether a number so far ends in one to three digits behind its sign, or in a group of three behind others.
fn ends_in_group(number: &[u8], grouped: bool) -> bool {
    let digits = number.strip_prefix(b"-").or(number.strip_prefix(b"+")).unwrap_or(number);
    !digits.is_empty() && (grouped || digits.len() <= 3) && digits.iter().all(u8::is_ascii_digit) && digits[0] != b'0'
}

/// The cell as a number with a decimal comma.
#[inline]
pub(super) fn comma_number(cell: &[u8]) -> Option<f64> {
    // On the stack, because this is done for every cell of such a file.
    let mut pointed = [0; LONGEST_NUMBER];
    let pointed = pointed.get_mut(..cell.len())?;
    for (to, &from) in pointed.iter_mut().zip(cell) {
        match from {
            b'.' => return None,
            b',' => *to = b'.',
            other => *to = other,
        }
    }
    if cell.last() == Some(&b',') {
        return None;
    }
    leading_number(pointed).filter(|&(_, length)| length == cell.len()).map(|(value, _)| value)
}

fn strict_number(cell: &[u8], decimal: u8) -> Option<f64> {
    if decimal == b',' {
        return comma_number(cell);
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
        match Number::read(cell, decimal) {
            Some((number, length)) if length == cell.len() => Some(number.printed()),
            _ => Self::with_care(cell, decimal),
        }
    }

    /// The same for a number in any form.
    pub(super) fn with_care(cell: &[u8], decimal: u8) -> Option<Self> {
        let value = number(cell, decimal)?;
        let (mut decimals, mut significant, mut exponent) = (0, 0, 0);
        let mut fraction = false;
        for (at, &byte) in cell.iter().enumerate() {
            match byte {
                b'0'..=b'9' => {
                    decimals += i32::from(fraction);
                    significant += i32::from(significant > 0 || byte != b'0');
                }
                b'e' | b'E' | b'd' | b'D' => {
                    exponent = small_integer(&cell[at + 1..]);
                    break;
                }
                b'.' | b',' => fraction = true,
                _ => {}
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

/// A number with its unit in the cell, both in the basic unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum CellUnit {
    /// Seconds.
    Time,
    /// A unit of amplitude without prefix.
    Amplitude(String),
}

/// Reads "12.5 mV" or "2us"; the value comes in volts or seconds.
fn united(cell: &[u8], decimal: u8) -> Option<(Printed, CellUnit)> {
    let digit = |byte: &u8| byte.is_ascii_digit() || matches!(byte, b'+' | b'-' | b'.' | b',');
    let exponent = |at: usize| {
        matches!(cell[at], b'e' | b'E')
            && at > 0
            && cell.get(at + 1).is_some_and(|next| next.is_ascii_digit() || matches!(next, b'+' | b'-'))
    };
    let end = (0..cell.len()).find(|&at| !digit(&cell[at]) && !exponent(at))?;
    let printed = Printed::read(&cell[..end], decimal)?;
    let unit = decode(cell[end..].trim_ascii());
    let (unit, factor) = match time_unit(&unit) {
        Some(factor) => (CellUnit::Time, factor),
        None => match Quantity::parse(&unit)? {
            (Quantity::Unit(symbol), factor) => (CellUnit::Amplitude(symbol), factor),
            _ => return None,
        },
    };
    #[expect(clippy::cast_possible_truncation, reason = "factors are powers of ten between 1e-12 and 1e9")]
    let power = factor.log10().round() as i32;
    let value = scaled(printed.value, factor);
    Some((Printed { value, last_digit: printed.last_digit + power, ..printed }, unit))
}

/// The way from the file's number to the basic unit: a division where the prefix is small, because 1/1000 is no
/// double but 1000 is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    divides: bool,
    by: f64,
}

impl Scale {
    /// The scale of a factor.
    pub(super) fn of(factor: f64) -> Self {
        let inverse = (1.0 / factor).round();
        // A scale of the user's own need not be a power of ten.
        let divides = factor > 0.0 && factor < 1.0 && (inverse * factor - 1.0).abs() < 1e-15;
        Self { divides, by: if divides { inverse } else { factor } }
    }

    /// Scales a number.
    #[inline]
    pub(super) fn of_number(self, value: f64) -> f64 {
        if self.divides { value / self.by } else { value * self.by }
    }
}

/// A number times a factor, as [`Scale`] does it.
pub(super) fn scaled(value: f64, factor: f64) -> f64 {
    Scale::of(factor).of_number(value)
}

/// What stands in place of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    /// Nothing was recorded.
    Missing,
    /// Above the recorder's range.
    Above,
    /// Below it.
    Below,
    /// Outside it, nobody says on which side.
    Outside,
}

/// Numbers from here on stand for infinity or for nothing recorded, by the convention of instrument languages
/// (9.9E37 and 9.91E37: SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5; from memory).
pub(super) const NO_NUMBER: f64 = 9.9e37;

impl Mark {
    /// The words and signs that stand for samples that are none.
    pub(super) fn read(cell: &[u8]) -> Option<Self> {
        const MISSING: &[&str] = &[
            "nan",
            "null",
            "none",
            "nil",
            "n/a",
            "na",
            "#n/a",
            "#nv",
            "no data",
            "nodata",
            "missing",
            "void",
            "invalid",
            "qnan",
            "1.#qnan",
            "1.#ind",
            "1.#snan",
            "nan(ind)",
            "undefined",
            "undef",
            "empty",
            "blank",
        ];
        const OUTSIDE: &[&str] = &[
            "ol",
            "o.l",
            "o.l.",
            "ovl",
            "ovld",
            "ovr",
            "ovf",
            "over",
            "overload",
            "overflow",
            "over range",
            "overrange",
            "over-range",
            "out of range",
            "clip",
            "clipped",
            "clipping",
            "sat",
            "saturated",
        ];
        // The infinity sign, also as what becomes of its bytes when they are read in another encoding.
        const INFINITE: &[&str] = &[
            "inf",
            "infinity",
            "infinite",
            "1.#inf",
            "1.#io",
            "\u{221e}",
            "\u{e2}\u{2c6}\u{17e}",
            "\u{e2}\u{88}\u{9e}",
            "\u{b0}",
            "\u{ec}",
            "\u{e2}??",
        ];
        if cell.len() > 24 {
            return None;
        }
        let text = decode(cell).trim().to_lowercase();
        let below = text.starts_with(['-', '\u{2212}']);
        let bare = text.trim_start_matches(['+', '-', '\u{2212}']).trim();
        let signed = bare.len() < text.len();
        let is = |words: &[&str]| words.contains(&bare);
        if bare.is_empty() || is(MISSING) {
            Some(Mark::Missing)
        } else if is(INFINITE) || (signed && is(OUTSIDE)) {
            Some(if below { Mark::Below } else { Mark::Above })
        } else if is(OUTSIDE) || bare.bytes().all(|byte| byte == b'*') {
            Some(Mark::Outside)
        } else if matches!(bare, "under" | "underrange" | "under range") {
            Some(Mark::Below)
        } else {
            None
        }
    }

    /// The same for numbers that stand for none.
    pub(super) fn of_number(value: f64) -> Option<Self> {
        if value.abs() < 0.999 * NO_NUMBER {
            None
        } else if value.abs() > 1.0005 * NO_NUMBER {
            Some(Mark::Missing)
        } else {
            Some(if value < 0.0 { Mark::Below } else { Mark::Above })
        }
    }
}

/// A time of day, such as 10:11:12.131, with or without a date before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TimeOfDay {
    /// Seconds since the last full second.
    pub(super) printed: Printed,
    /// Full seconds since midnight.
    pub(super) second: f64,
}

impl TimeOfDay {
    /// Reads hours, minutes and seconds, or minutes and seconds where the seconds have a fraction; a date, AM or PM
    /// and a zone may stand around them.
    pub(super) fn read(cell: &[u8]) -> Option<Self> {
        // Nearly all cells are plain numbers, and this ends early for them.
        memchr::memchr(b':', cell)?;
        if cell.len() > 48 {
            return None;
        }
        let text = std::str::from_utf8(cell).ok()?.trim();
        let halves = text.strip_suffix("a.m.").map(|clock| format!("{clock}am"));
        let halves = halves.or_else(|| text.strip_suffix("p.m.").map(|clock| format!("{clock}pm")));
        let text = halves.as_deref().unwrap_or(text);
        let (clock, half) = match text.len().checked_sub(2).and_then(|at| text.split_at_checked(at)) {
            Some((front, end)) if end.eq_ignore_ascii_case("am") => (front.trim_end(), Some(0.0)),
            Some((front, end)) if end.eq_ignore_ascii_case("pm") => (front.trim_end(), Some(12.0)),
            _ => (text.strip_suffix(['Z', 'z']).unwrap_or(text), None),
        };
        let clock = match clock.split_once(['T', ' ']) {
            Some((date, clock)) if is_date(date.as_bytes()) => clock.trim(),
            Some(_) => return None,
            None => clock,
        };
        let clock = match clock.rfind(['+', '-']) {
            Some(zone)
                if clock[zone + 1..].len() >= 2
                    && clock[zone + 1..].bytes().all(|b| b.is_ascii_digit() || b == b':') =>
            {
                &clock[..zone]
            }
            Some(_) => return None,
            None => clock,
        };
        let parts: Vec<&str> = clock.split(':').collect();
        let whole = |part: &str, most: f64| -> Option<f64> {
            let digits = (1..=2).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit());
            part.parse().ok().filter(|&value: &f64| digits && value < most)
        };
        let fraction = |part: &str| part.contains(['.', ',']);
        let (hours, minutes, seconds) = match parts[..] {
            [hours, minutes, seconds] => (whole(hours, 25.0)?, whole(minutes, 60.0)?, seconds.to_owned()),
            [minutes, seconds] if fraction(seconds) => (0.0, whole(minutes, 60.0)?, seconds.to_owned()),
            // Some write the fraction behind a fourth colon.
            [hours, minutes, seconds, fraction] => {
                (whole(hours, 25.0)?, whole(minutes, 60.0)?, format!("{seconds}.{fraction}"))
            }
            _ => return None,
        };
        let digits = seconds.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b','));
        let text = seconds.replace(',', ".");
        let seconds = Printed::read(text.as_bytes(), b'.').filter(|_| digits)?;
        if seconds.value >= 61.0 {
            return None;
        }
        let hours = half.map_or(hours, |half| hours % 12.0 + half);
        let (whole, fraction) =
            text.split_once('.').map_or((text.as_str(), "0".to_owned()), |(w, f)| (w, format!("0.{f}")));
        let value: f64 = fraction.parse().ok()?;
        let second = (hours * 60.0 + minutes) * 60.0 + whole.parse::<f64>().ok()?;
        Some(Self { printed: Printed { value, ..seconds }, second })
    }
}

/// A calendar date in digits, or with the month in letters.
pub(super) fn is_date(cell: &[u8]) -> bool {
    let parts: Vec<&[u8]> = cell.split(|byte| matches!(byte, b'-' | b'/' | b'.')).collect();
    let digits = |part: &&[u8]| !part.is_empty() && part.iter().all(u8::is_ascii_digit);
    let month = |part: &[u8]| part.len() == 3 && part.iter().all(u8::is_ascii_alphabetic);
    match parts[..] {
        [a, b, c] => {
            let long = a.len() == 4 || c.len() == 4 || (c.len() == 2 && !cell.contains(&b'.'));
            digits(&a) && digits(&c) && (digits(&b) || month(b)) && long && cell.len() <= 11
        }
        _ => false,
    }
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
