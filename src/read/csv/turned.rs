//! Tables on their side: a line for each channel, and a cell for each sample.
//!
//! Such a text is turned in memory, cell by cell as it is written, and read like any other.

use std::io::Read;

use super::cells::{Dialect, Mark, Separator};
use super::text::Head;
use crate::error::Error;
use crate::read::{Bytes, ReadOptions, Source};

/// A table on its side has at most so many lines.
const MOST_LINES: usize = 80;
/// And without labels at least so many samples in each.
const FEWEST_SAMPLES: usize = 64;

/// The text turned, where it is a table on its side.
///
/// # Errors
/// More than may be held, or what the system answers.
pub(super) fn turned(source: &Source, head: &Head, options: &ReadOptions) -> Result<Option<Upright>, Error> {
    if !head.may_be_turned(MOST_LINES) {
        return Ok(None);
    }
    let most = options.memory();
    let mut text = Vec::new();
    head.open(source)?.take(most / 8 + 1).read_to_end(&mut text).map_err(|error| source.failed(&error))?;
    // The text may have grown to twice its length, and is held once more upright; each cell is a place in it as well,
    // in a list that grows the same way.
    let places = text.iter().filter(|byte| matches!(byte, b',' | b';' | b'\t' | b'|' | b' ')).count();
    if 4 * text.len() + 2 * size_of::<&[u8]>() * places > usize::try_from(most).unwrap_or(usize::MAX) {
        return Ok(None);
    }
    let lines: Vec<&[u8]> = head.split(&text);
    let dialects = [(b',', b'.'), (b';', b','), (b';', b'.'), (b'\t', b'.'), (b'\t', b','), (b'|', b'.')];
    let dialects = dialects
        .map(|(separator, decimal)| Dialect { separator: Separator::Byte(separator), decimal, united: false })
        .into_iter()
        .chain([Dialect { separator: Separator::Blanks, decimal: b'.', united: false }]);
    let best = dialects.filter_map(|dialect| Sideways::find(&lines, dialect)).max_by_key(|found| found.samples);
    Ok(best.map(|found| Upright {
        source: Source::new(Bytes::new(source.name(), found.upright(&lines))),
        above: found.first as u64,
    }))
}

/// A table that was turned.
pub(super) struct Upright {
    pub(super) source: Source,
    /// Lines above it, which stand where they stood.
    above: u64,
}

impl Upright {
    /// How places in it are told: a line of it is a cell in each line of the file.
    pub(super) fn placed(&self) -> impl Fn(Error) -> Error + Send + use<> {
        let above = self.above;
        move |error| match error.place().line.filter(|&line| line > above) {
            Some(line) => error.in_cell(above + 1, line - above),
            None => error,
        }
    }
}

/// Where a table on its side lies.
struct Sideways {
    dialect: Dialect,
    /// The lines of channels.
    first: usize,
    count: usize,
    /// The cells before the first sample: name and perhaps unit.
    labels: usize,
    samples: usize,
}

/// All cells of a line, however many.
fn cells(line: &[u8], dialect: Dialect) -> Vec<&[u8]> {
    match dialect.separator {
        Separator::Byte(byte) => {
            line.split(|&other| other == byte).map(|cell| cell.trim_ascii()).map(unquoted).collect()
        }
        Separator::Blanks => line.split(|byte| matches!(byte, b' ' | b'\t')).filter(|cell| !cell.is_empty()).collect(),
    }
}

fn unquoted(cell: &[u8]) -> &[u8] {
    cell.strip_prefix(b"\"").and_then(|cell| cell.strip_suffix(b"\"")).unwrap_or(cell).trim_ascii()
}

impl Sideways {
    /// The last lines of a text, when each is a label or two and then as many numbers as the others.
    fn find(lines: &[&[u8]], dialect: Dialect) -> Option<Self> {
        let is_number =
            |cell: &&[u8]| dialect.number(cell).is_some() || Mark::read(cell).is_some_and(|_| !cell.is_empty());
        let shape = |line: &[u8]| -> Option<(usize, usize)> {
            let mut cells = cells(line, dialect);
            while cells.last().is_some_and(|cell| cell.is_empty()) {
                cells.pop();
            }
            let labels = cells.iter().position(|cell| dialect.number(cell).is_some())?;
            (labels <= 3 && cells[labels..].iter().all(is_number)).then(|| (labels, cells.len() - labels))
        };
        let last = lines.iter().rposition(|line| !line.trim_ascii().is_empty())?;
        let (labels, samples) = shape(lines[last])?;
        let mut first = last;
        while first > 0 && shape(lines[first - 1]) == Some((labels, samples)) {
            first -= 1;
        }
        let count = last + 1 - first;
        let wide = samples > 4 * count && samples >= 8;
        // Without labels the first line must be a time that rises.
        let times: Vec<f64> =
            cells(lines[first], dialect).iter().skip(labels).take(64).filter_map(|c| dialect.number(c)).collect();
        let rises = times.windows(2).all(|pair| pair[1] > pair[0]);
        let sure = if labels > 0 {
            wide
        } else {
            rises && (2..=16).contains(&count) && samples >= FEWEST_SAMPLES && samples > 16 * count
        };
        (sure && count <= MOST_LINES).then_some(Self { dialect, first, count, labels, samples })
    }

    /// The same table upright: lines above as they are, then a row of names, perhaps one of units, then the samples.
    fn upright(&self, lines: &[&[u8]]) -> Vec<u8> {
        // Commas do for decimal points, semicolons for decimal commas.
        let separator = if self.dialect.decimal == b',' { b';' } else { b',' };
        let rows: Vec<Vec<&[u8]>> =
            lines[self.first..self.first + self.count].iter().map(|line| cells(line, self.dialect)).collect();
        let mut text = Vec::new();
        for line in &lines[..self.first] {
            text.extend_from_slice(line);
            text.push(b'\n');
        }
        for cell in 0..self.labels + self.samples {
            for (at, row) in rows.iter().enumerate() {
                if at > 0 {
                    text.push(separator);
                }
                let label = cell < self.labels;
                if label {
                    text.push(b'"');
                }
                text.extend_from_slice(row.get(cell).copied().unwrap_or_default());
                if label {
                    text.push(b'"');
                }
            }
            text.push(b'\n');
        }
        text
    }
}
