//! Where the data lies: separator and decimal mark, the columns that hold numbers, the first row.
//!
//! The one idea: the data block is what repeats. The separator is the one under which the most rows have the same
//! cells filled with numbers and nothing else; everything above, and what stands left of it in its first rows, is
//! looked at afterwards.

use std::collections::HashMap;

use super::beginning::Beginning;
use super::cells::{
    Dialect, MOST_COLUMNS, Mark, Separator, cells, has_marks_between_thousands, is_blank, is_date, number, shown, split,
};
use super::text::{Head, decode};
use crate::error::Error;
use crate::read::ReadOptions;

/// How many lines are looked at; where they hold no table, the whole beginning of the file is.
const LINES: usize = 3000;

/// Where the data lies in the lines at the beginning of a file.
#[derive(Debug)]
pub(super) struct Table<'a> {
    /// The lines that were looked at.
    pub(super) beginning: Beginning<'a>,
    pub(super) dialect: Dialect,
    /// The cells that hold numbers, counted from 0, rising.
    pub(super) columns: Vec<usize>,
    /// The index of the first row among the lines.
    pub(super) first: usize,
    /// The indices of the complete rows.
    pub(super) rows: Vec<usize>,
    /// Whether the first column counts rows: 0, 1, 2 ...
    pub(super) counts: bool,
}

impl<'a> Table<'a> {
    /// The lines above the first row.
    pub(super) fn above(&self) -> &[&'a [u8]] {
        &self.beginning.lines[..self.first]
    }

    /// The cells of one of the number columns, from row to row.
    pub(super) fn column(&self, at: usize) -> impl Iterator<Item = &'a [u8]> + Clone {
        let (lines, separator, cell) = (&self.beginning.lines, self.dialect.separator, self.columns[at]);
        self.rows.iter().filter_map(move |&row| cells(lines[row], separator).nth(cell))
    }

    /// The last line above the rows that is not blank.
    fn header(&self) -> Option<&'a [u8]> {
        self.above().iter().rev().find(|line| !is_blank(line, self.dialect.separator)).copied()
    }
}

/// One line under one dialect.
struct Shape {
    numbers: Vec<usize>,
    words: bool,
}

impl Shape {
    fn of(line: &[u8], dialect: Dialect) -> Self {
        let mut shape = Shape { numbers: Vec::new(), words: false };
        for (at, cell) in cells(line, dialect.separator).enumerate() {
            if dialect.is_value(cell) {
                shape.numbers.push(at);
            } else {
                // Words for nothing recorded and dates stand beside numbers in sound rows.
                shape.words |= Mark::read(cell).is_none() && !is_date(cell);
            }
        }
        shape
    }
}

/// Finds the data block.
///
/// # Errors
/// Not even a whole line, no rows of numbers, only one, too many columns, or two ways to read them.
pub(super) fn find<'a>(head: &'a Head, options: &ReadOptions) -> Result<Table<'a>, Error> {
    let skip = usize::try_from(options.skip_lines.unwrap_or(0)).unwrap_or(usize::MAX);
    let most = skip.saturating_add(LINES);
    let mut seen = Beginning::of(head.lines(most)?);
    let mut found = tables(&seen, skip, options)?;
    if found.iter().all(|found| found.count < 2) && seen.lines.len() == most {
        seen = Beginning::of(head.lines(usize::MAX)?);
        found = tables(&seen, skip, options)?;
    }
    let skip = skip.min(seen.lines.len());
    // The first of equals: the candidates stand in the order of preference.
    let Some(best) = found.iter().rev().max_by_key(|found| (found.count, found.columns.len())) else {
        return Err(nothing(&seen.lines[skip..]));
    };
    let Found { count, dialect, ref columns, .. } = *best;
    if columns.last().is_some_and(|&last| last >= MOST_COLUMNS) {
        return Err(
            Error::input(format!("has more than {MOST_COLUMNS} columns")).expected("a capture of a few channels")
        );
    }
    if count < 2 {
        return Err(Error::input("holds one row of numbers").expected("a table with at least two rows of samples"));
    }
    let columns = if best.mixed { columns.clone() } else { widened(&seen, skip, dialect, columns) };
    let first = first_row(&seen.lines, skip, dialect, &columns);
    let complete = seen.ask(|line| is_complete(&split(line, dialect.separator), &columns, dialect));
    let rows: Vec<usize> = (first..seen.lines.len()).filter(|&at| *complete.of(at)).collect();
    let mut table = Table { beginning: seen, dialect, columns, first, rows, counts: false };
    let column: Vec<f64> = table.column(0).take(512).filter_map(|cell| dialect.number(cell)).collect();
    table.counts = column.len() > 1 && column.windows(2).all(|pair| (pair[1] - pair[0] - 1.0).abs() < 1e-9);
    if let Some(other) = found.iter().find(|other| other.count == count && other.dialect.decimal != dialect.decimal)
        && other.columns.len() < table.columns.len()
        && !commas_separate(&table)
    {
        return Err(two_ways(table.beginning.lines[first]));
    }
    commas_in_numbers(&table)?;
    if options.decimal_mark.is_none() {
        marks_between_thousands(&table)?;
    }
    Ok(table)
}

/// A way to read the lines as a table.
struct Found {
    count: usize,
    dialect: Dialect,
    columns: Vec<usize>,
    /// Whether words stand beside the numbers in all rows.
    mixed: bool,
}

/// All tables that the lines can be: of plain numbers, or where those are few, with units or words in the rows.
fn tables(seen: &Beginning<'_>, skip: usize, options: &ReadOptions) -> Result<Vec<Found>, Error> {
    let dialects = candidates(seen, options)?;
    let skip = skip.min(seen.lines.len());
    let plain = |dialect: Dialect| {
        let (count, columns) = most_frequent(seen, skip, dialect)?;
        Some(Found { count, dialect, columns, mixed: false })
    };
    let mut found: Vec<Found> = dialects.iter().filter_map(|&dialect| plain(dialect)).collect();
    let digits = seen.ask(|line| line.iter().any(u8::is_ascii_digit)).counted(skip);
    let digits: usize = digits.filter(|(any, _)| *any).map(|(_, count)| count).sum();
    let enough = |found: &[Found]| found.iter().any(|found| found.count >= 2 && 4 * found.count >= digits);
    if !enough(&found) {
        // Between blanks a unit is a cell of its own.
        let bytes = dialects.iter().filter(|dialect| dialect.separator != Separator::Blanks);
        found.extend(bytes.clone().filter_map(|&dialect| plain(Dialect { united: true, ..dialect })));
    }
    if !enough(&found) {
        found.extend(dialects.iter().filter_map(|&dialect| with_words(&seen.lines[skip..], dialect)));
    }
    Ok(found)
}

/// The columns of numbers in rows that also hold words, all rows alike.
///
/// A list of keys and values is no table: what stands beside numbers in rows is one word, few words, or codes.
fn with_words(lines: &[&[u8]], dialect: Dialect) -> Option<Found> {
    const FEWEST: usize = 8;
    let rows: Vec<Vec<&[u8]>> = lines.iter().map(|line| split(line, dialect.separator)).collect();
    let holds = |row: &&Vec<&[u8]>| row.iter().any(|cell| dialect.is_value(cell));
    let mut lengths: HashMap<usize, usize> = HashMap::new();
    for row in rows.iter().filter(holds) {
        *lengths.entry(row.len()).or_default() += 1;
    }
    let (length, _) = lengths.into_iter().max_by_key(|&(length, count)| (count, length))?;
    let rows: Vec<&Vec<&[u8]>> = rows.iter().filter(holds).filter(|row| row.len() == length).collect();
    if rows.len() < FEWEST || !(2..=MOST_COLUMNS).contains(&length) {
        return None;
    }
    let share = |column: usize, is: &dyn Fn(&[u8]) -> bool| rows.iter().filter(|row| is(row[column])).count();
    let mut columns = Vec::new();
    for column in 0..length {
        let values = share(column, &|cell| dialect.is_value(cell) || Mark::read(cell).is_some());
        let numbers = share(column, &|cell| dialect.is_value(cell));
        if 10 * values >= 9 * rows.len() && 2 * numbers > rows.len() {
            columns.push(column);
            continue;
        }
        // "[0.1, 0.2;" and "12m" hold a number each, and to leave the column out would lose a channel.
        if 10 * share(column, &|cell| hides_a_number(cell, dialect)) >= 9 * rows.len() {
            return None;
        }
        let words: std::collections::HashSet<&[u8]> = rows.iter().map(|row| row[column]).collect();
        let codes = share(column, &|cell| is_word_of_bits(cell) || is_date(cell) || cell.is_empty());
        if words.len() > (rows.len() / 10).max(4) && 10 * codes < 9 * rows.len() {
            return None;
        }
    }
    let count = rows.iter().filter(|row| is_complete(row, &columns, dialect)).count();
    (!columns.is_empty() && count >= FEWEST).then_some(Found { count, dialect, columns, mixed: true })
}

/// A number in brackets, before a line's end mark, or with a single letter behind it.
fn hides_a_number(cell: &[u8], dialect: Dialect) -> bool {
    let punctuation = |byte: &u8| matches!(byte, b'[' | b']' | b'(' | b')' | b'{' | b'}' | b';' | b'%' | b'\\' | b'=');
    let from = cell.iter().position(|byte| !punctuation(byte)).unwrap_or(cell.len());
    let to = cell.iter().rposition(|byte| !punctuation(byte)).map_or(from, |last| last + 1);
    let bare = cell[from..to].trim_ascii();
    let bare = bare.strip_suffix(b"m").or_else(|| bare.strip_suffix(b"u")).unwrap_or(bare);
    bare.len() < cell.len() && !bare.is_empty() && dialect.is_value(bare)
}

/// A column where whole numbers below a thousand stand beside numbers of exactly three decimals: the mark stands
/// between thousands.
fn marks_between_thousands(table: &Table<'_>) -> Result<(), Error> {
    const FEW: usize = 8;
    let mark = table.dialect.decimal;
    for at in 0..table.columns.len() {
        let (mut whole, mut groups) = (0, Vec::new());
        let mut other = false;
        for (&row, cell) in table.rows.iter().zip(table.column(at)) {
            let bare = cell.strip_prefix(b"-").unwrap_or(cell);
            let (lead, tail) = match memchr::memchr(mark, bare) {
                Some(at) => (&bare[..at], Some(&bare[at + 1..])),
                None => (bare, None),
            };
            let digits = |part: &[u8]| part.iter().all(u8::is_ascii_digit);
            let short = (1..=3).contains(&lead.len()) && digits(lead);
            match tail {
                None if short => whole += 1,
                Some(tail) if short && lead[0] != b'0' && tail.len() == 3 && digits(tail) => {
                    groups.push((row, cell));
                }
                _ => other = true,
            }
            if other {
                break;
            }
        }
        if !other && whole >= FEW && groups.len() >= FEW {
            let (row, cell) = groups[0];
            return Err(Error::input(format!(
                "the mark in {} seems to stand between thousands: whole numbers below a thousand stand beside it, and no other \
                 decimals",
                shown(cell)
            ))
            .at_line(row as u64 + 1, None)
            .expected("numbers without marks between thousands")
            .remedy("export once more without them; --decimal-mark takes the mark as a decimal mark all the same"));
        }
    }
    Ok(())
}

/// A digital word: hexadecimal or binary digits, with or without a sign that says so.
pub(super) fn is_word_of_bits(cell: &[u8]) -> bool {
    let bare = cell.strip_prefix(b"0x").or_else(|| cell.strip_prefix(b"0X")).or_else(|| cell.strip_prefix(b"0b"));
    let bare = bare.or_else(|| cell.strip_prefix(b"$")).or_else(|| cell.strip_suffix(b"h")).unwrap_or(cell);
    !bare.is_empty() && bare.iter().all(|byte| byte.is_ascii_hexdigit() || matches!(byte, b'X' | b'x' | b'Z' | b'z'))
}

/// Two blocks side by side of which one is shorter: the full rows come first, and only then those with fewer cells.
fn widened(seen: &Beginning<'_>, skip: usize, dialect: Dialect, columns: &[usize]) -> Vec<usize> {
    const FEWEST: usize = 4;
    let mut wide: Option<(&Vec<usize>, usize)> = None;
    let mut narrow = 0;
    let shapes = seen.ask(|line| Shape::of(line, dialect));
    for shape in (skip..seen.lines.len()).map(|at| shapes.of(at)) {
        if shape.words || shape.numbers.is_empty() {
            continue;
        }
        let more = shape.numbers.len() > columns.len() && columns.iter().all(|column| shape.numbers.contains(column));
        match &mut wide {
            _ if !more => narrow += 1,
            // What comes back after narrow rows is a marker here and there and no block.
            _ if narrow > 0 => return columns.to_vec(),
            Some((numbers, count)) if **numbers == shape.numbers => *count += 1,
            Some(_) => return columns.to_vec(),
            None => wide = Some((&shape.numbers, 1)),
        }
    }
    wide.filter(|(_, count)| *count >= FEWEST).map_or_else(|| columns.to_vec(), |(numbers, _)| numbers.clone())
}

/// Rows with twice the cells that the header has names, whole numbers all: decimal commas between commas.
fn commas_in_numbers(table: &Table<'_>) -> Result<(), Error> {
    if table.dialect.separator != Separator::Byte(b',') || table.dialect.decimal != b'.' {
        return Ok(());
    }
    let Some(header) = table.header() else { return Ok(()) };
    let names = split(header, table.dialect.separator);
    let named = names.iter().filter(|name| !name.is_empty()).count();
    let words = names.iter().all(|name| !table.dialect.is_value(name));
    let whole = |&row: &usize| {
        let line = table.beginning.lines[row];
        !line.contains(&b'.')
            && split(line, table.dialect.separator).iter().skip(1).step_by(2).all(|c| !c.starts_with(b"-"))
    };
    if words && named >= 2 && table.columns.len() == 2 * named && table.rows.iter().all(whole) {
        return Err(Error::input(format!(
            "the rows hold {} whole numbers under {named} names, as if the comma were separator and decimal mark at once",
            table.columns.len()
        ))
        .at_line(table.first as u64 + 1, None)
        .expected("a cell for each name")
        .remedy("export once more with decimal points, or with semicolons between cells"));
    }
    Ok(())
}

/// The dialects that are worth a look, in the order of preference.
fn candidates(seen: &Beginning<'_>, options: &ReadOptions) -> Result<Vec<Dialect>, Error> {
    let holds = |byte: u8| seen.holds(byte);
    let stated = StatedDialect::of(&seen.lines);
    let separators = match options.separator {
        Some(given) => vec![given_separator(given)?],
        None if stated.separator.is_some() => stated.separator.into_iter().collect(),
        None => [b',', b';', b'\t', b'|', b'^', b'~']
            .map(Separator::Byte)
            .into_iter()
            .chain([Separator::Blanks])
            .filter(|separator| match separator {
                Separator::Byte(byte) => holds(*byte) || *byte == b',',
                Separator::Blanks => holds(b' '),
            })
            .collect(),
    };
    let decimals: &[u8] = match options.decimal_mark {
        Some('.') => b".",
        Some(',') => b",",
        Some(other) => {
            return Err(
                Error::usage(format!("{other:?} is no decimal mark")).remedy("--decimal-mark . or --decimal-mark ,")
            );
        }
        None if stated.decimal == Some(b',') => b",",
        None if stated.decimal == Some(b'.') => b".",
        None if holds(b',') => b".,",
        None => b".",
    };
    let mut dialects = Vec::new();
    for &separator in &separators {
        for &decimal in decimals {
            // Without other separators, decimal commas in a single column are a semicolon table of one column.
            if separator != Separator::Byte(decimal) {
                dialects.push(Dialect { separator, decimal, united: false });
            }
        }
    }
    if options.separator.is_none() && stated.separator.is_none() && decimals.contains(&b',') && !holds(b';') {
        dialects.push(Dialect { separator: Separator::Byte(b';'), decimal: b',', united: false });
    }
    // Where all cells stand in quotes, the comma may be both.
    if separators.contains(&Separator::Byte(b',')) && decimals.contains(&b',') && holds(b'"') {
        dialects.push(Dialect { separator: Separator::Byte(b','), decimal: b',', united: false });
    }
    if dialects.is_empty() {
        return Err(Error::usage("separator and decimal mark are the same character")
            .remedy("--separator ';' --decimal-mark ,"));
    }
    Ok(dialects)
}

/// Separator and decimal mark as the file itself names them.
#[derive(Debug, Default)]
struct StatedDialect {
    separator: Option<Separator>,
    decimal: Option<u8>,
}

impl StatedDialect {
    /// A first line `sep=;`, or keys named so in a preamble. A name that no line bears out is dropped.
    fn of(lines: &[&[u8]]) -> Self {
        const FAR: usize = 60;
        let mut stated = Self::default();
        if let Some([b's', b'e', b'p', b'=', rest @ ..]) = lines.first().map(|line| line.trim_ascii_start_of_quotes())
            && let Some(&byte) = rest.first()
        {
            stated.separator = given_separator(char::from(byte)).ok();
        }
        for line in lines.iter().take(FAR) {
            let Some(at) = line.iter().position(|byte| matches!(byte, b'\t' | b',' | b';' | b':' | b'=')) else {
                continue;
            };
            let key = decode(&line[..at]).to_lowercase().replace(['_', ' ', '#', '"'], "");
            let value = decode(line[at + 1..].trim_ascii_start_of_quotes()).trim_end().to_lowercase();
            match (key.as_str(), value.as_str()) {
                ("separator" | "delimiter", _) => {
                    stated.separator = match value.trim_matches('"') {
                        "tab" => Some(Separator::Byte(b'\t')),
                        "comma" | "," => Some(Separator::Byte(b',')),
                        "semicolon" | ";" => Some(Separator::Byte(b';')),
                        "space" | "blank" => Some(Separator::Blanks),
                        _ => None,
                    };
                }
                ("decimalseparator" | "decimalmark" | "decimalpoint" | "decimalsymbol", mark) => {
                    stated.decimal = match mark.trim_matches('"').bytes().next() {
                        Some(b'.') => Some(b'.'),
                        Some(b',') => Some(b','),
                        _ if mark.starts_with("point") => Some(b'.'),
                        _ if mark.starts_with("comma") => Some(b','),
                        _ => None,
                    };
                }
                _ => {}
            }
        }
        let holds = |separator: Separator| match separator {
            Separator::Byte(byte) => lines.iter().skip(1).any(|line| memchr::memchr(byte, line).is_some()),
            Separator::Blanks => true,
        };
        stated.separator = stated.separator.filter(|&separator| holds(separator));
        stated
    }
}

trait TrimQuotes {
    fn trim_ascii_start_of_quotes(&self) -> &Self;
}

impl TrimQuotes for [u8] {
    fn trim_ascii_start_of_quotes(&self) -> &Self {
        let blank = self.iter().take_while(|byte| matches!(byte, b' ' | b'"')).count();
        &self[blank..]
    }
}

fn given_separator(given: char) -> Result<Separator, Error> {
    match u8::try_from(given) {
        Ok(b' ') => Ok(Separator::Blanks),
        Ok(byte @ (b'\t' | b'!'..=b'~')) if !byte.is_ascii_alphanumeric() && !b"+-.\"".contains(&byte) => {
            Ok(Separator::Byte(byte))
        }
        _ => Err(Error::usage(format!("{given:?} is no separator"))
            .expected("one character that no number holds: a comma, a semicolon, a tab, a blank, a bar")
            .remedy("--separator ';'")),
    }
}

/// The set of number columns that most lines share, among lines that hold nothing but numbers.
fn most_frequent(seen: &Beginning<'_>, skip: usize, dialect: Dialect) -> Option<(usize, Vec<usize>)> {
    let mut counts: HashMap<Vec<usize>, usize> = HashMap::new();
    for (shape, count) in seen.ask(|line| Shape::of(line, dialect)).counted(skip) {
        if !shape.words && !shape.numbers.is_empty() {
            *counts.entry(shape.numbers).or_default() += count;
        }
    }
    // Equal counts happen in tiny files: then the wider rows, then the leftmost, so that the answer is one.
    counts
        .into_iter()
        .map(|(columns, count)| (count, columns))
        .max_by(|a, b| (a.0, a.1.len()).cmp(&(b.0, b.1.len())).then_with(|| b.1.cmp(&a.1)))
}

/// The first row: the first line with numbers in all columns, then up over rows with empty cells or damaged ones.
///
/// Not the longest run: a remark or a damaged line in the middle of the data must not hide the rows above it.
fn first_row(lines: &[&[u8]], skip: usize, dialect: Dialect, columns: &[usize]) -> usize {
    let cells = |at: usize| split(lines[at], dialect.separator);
    let mut first = (skip..lines.len()).find(|&at| is_complete(&cells(at), columns, dialect)).unwrap_or(skip);
    for at in (skip..first).rev() {
        if is_row(&cells(at), columns, dialect) {
            first = at;
        } else if !is_blank(lines[at], dialect.separator) {
            break;
        }
    }
    first
}

/// Whether a line that lacks numbers is still a row: its first number is there, or all that is there are numbers.
/// A header line starts with a word.
fn is_row(cells: &[&[u8]], columns: &[usize], dialect: Dialect) -> bool {
    let is_number = |&column: &usize| cells.get(column).is_some_and(|cell| dialect.is_value(cell));
    let is_word = |&column: &usize| {
        cells.get(column).is_some_and(|cell| !cell.is_empty() && Mark::read(cell).is_none()) && !is_number(&column)
    };
    // Words left of the data are metadata; beside a row with holes they are a preamble line.
    let left = cells.iter().take(columns[0]).any(|cell| !cell.is_empty());
    !left && columns.iter().any(is_number) && (is_number(&columns[0]) || !columns.iter().any(is_word))
}

fn is_complete(cells: &[&[u8]], columns: &[usize], dialect: Dialect) -> bool {
    columns.iter().all(|&column| cells.get(column).is_some_and(|cell| dialect.is_value(cell)))
}

/// Whether commas in a table of whole numbers stand between cells: a header with a comma says so, or a first
/// column that counts.
fn commas_separate(table: &Table<'_>) -> bool {
    let header = table.header();
    let header = header.is_some_and(|line| cells(line, table.dialect.separator).count() >= table.columns.len());
    let column: Vec<f64> = table.column(0).filter_map(|cell| table.dialect.number(cell)).collect();
    let step = column.get(1).zip(column.first()).map(|(second, first)| second - first);
    header
        || step.is_some_and(|step| step > 0.0 && column.windows(2).all(|pair| (pair[1] - pair[0] - step).abs() < 0.5))
}

fn two_ways(row: &[u8]) -> Error {
    Error::input(format!("the comma in {} may separate two columns or be a decimal mark", shown(row)))
        .remedy("--separator , or --decimal-mark , settles it")
}

/// Why there is no table: the words that most often stand among numbers say it best.
fn nothing(lines: &[&[u8]]) -> Error {
    let grouped = lines.iter().enumerate().rev().take(16).find_map(|(at, line)| {
        let separators = [b',', b';', b'\t'].map(Separator::Byte);
        let cells = separators.into_iter().map(|separator| split(line, separator));
        cells.flatten().find(|cell| has_marks_between_thousands(cell)).map(|cell| (at as u64 + 1, shown(cell)))
    });
    if let Some((line, cell)) = grouped {
        return Error::input(format!("{cell} has marks between thousands"))
            .at_line(line, None)
            .expected("numbers without marks between thousands")
            .remedy("export once more without them");
    }
    let comma = Separator::Byte(b',');
    let mixed = lines.iter().enumerate().rev().find_map(|(at, line)| {
        let cells = split(line, comma);
        let has_number = cells.iter().any(|cell| number(cell, b'.').is_some());
        let word = cells.iter().position(|cell| !cell.is_empty() && number(cell, b'.').is_none())?;
        (has_number && cells.len() > 1).then(|| (at as u64 + 1, word as u64 + 1, shown(cells[word])))
    });
    if let Some((line, _, word)) = mixed.as_ref().filter(|(_, _, word)| is_response(word)) {
        return super::labels::refuse_spectrum(word).at_line(*line, None);
    }
    let error = match mixed {
        Some((line, cell, word)) => {
            Error::input(format!("found {word} in cell {cell} among numbers")).at_line(line, None)
        }
        None => Error::input(format!("no table of numbers in the first {} lines", lines.len())),
    };
    error
        .expected("rows of numbers, a cell for each channel")
        .remedy("--separator, --decimal-mark and --skip-lines help where the layout is unusual")
}

/// Units that only spectra and responses have.
fn is_response(word: &str) -> bool {
    let word = word.trim_matches('"').to_lowercase();
    word.starts_with("db") || word.ends_with("hz")
}
