//! A header that lies apart from its data: a file of the same name with another ending that holds only keys.

use super::cells::{Dialect, Separator};
use super::preamble::Preamble;
use super::structure;
use super::text::Head;
use crate::error::{Error, printable};
use crate::read::{ReadOptions, Source};

/// Endings of files that hold keys and no samples.
const ENDINGS: &[&str] = &["hdr", "inf", "set", "ini", "log", "txt", "header", "meta", "csv"];

/// What a header file says.
pub(super) struct Apart(Preamble);

/// The header of a file of mere samples, where one lies beside it.
///
/// # Errors
/// Two header files that state different intervals.
pub(super) fn header_of(source: &Source) -> Result<Option<(Apart, String)>, Error> {
    let own = source.name().rsplit(['/', '\\']).next().unwrap_or_default().to_owned();
    let stem = own.rsplit_once('.').map_or(own.as_str(), |(stem, _)| stem);
    let mut found: Option<(Preamble, String)> = None;
    for ending in ENDINGS.iter().flat_map(|ending| [(*ending).to_owned(), ending.to_uppercase()]) {
        let name = format!("{stem}.{ending}");
        let sibling = if name == own { None } else { source.sibling(&name) };
        let Some(preamble) = sibling.and_then(|sibling| keys(&sibling)) else { continue };
        match (&found, preamble.stated().ok().flatten()) {
            (_, None) => {}
            (Some((before, first)), Some(now)) => {
                let agrees = before.stated()?.is_some_and(|b| {
                    (b.interval - now.interval).abs() <= b.interval * (b.relative + now.relative + 1e-9)
                });
                if !agrees {
                    return Err(Error::input(format!(
                        "two header files lie beside it and state different intervals: {} and {}",
                        printable(first),
                        printable(&name)
                    ))
                    .remedy("--sample-rate HZ settles it"));
                }
            }
            (None, Some(_)) => found = Some((preamble, name)),
        }
    }
    Ok(found.map(|(preamble, name)| (Apart(preamble), name)))
}

/// The keys of a file that holds no table of samples.
fn keys(source: &Source) -> Option<Preamble> {
    const FEW_ROWS: usize = 8;
    let head = Head::read(source, None).ok()?;
    if structure::find(&head, &ReadOptions::default()).is_ok_and(|table| table.rows.len() > FEW_ROWS) {
        return None;
    }
    let lines = head.lines(usize::MAX).ok()?;
    [b',', b'\t', b';'].into_iter().find_map(|byte| {
        let dialect = Dialect { separator: Separator::Byte(byte), decimal: b'.', united: false };
        let preamble = Preamble::of(&lines, dialect).ok()?;
        preamble.stated().ok()??;
        Some(preamble)
    })
}

impl Apart {
    /// Fills in what the file itself does not say.
    pub(super) fn into_preamble(self, own: &mut Preamble, name: &str) {
        let Preamble { interval, rate, count, start, source, units, axis, axis_factor, candidates, notes, .. } = self.0;
        own.interval = interval;
        own.rate = rate;
        own.candidates = candidates;
        own.count = own.count.or(count);
        own.start = own.start.or(start);
        own.source = own.source.take().or(source);
        if own.units.is_empty() {
            own.units = units;
        }
        own.axis = own.axis.take().or(axis);
        own.axis_factor = own.axis_factor.or(axis_factor);
        own.notes.push(format!("The header lies apart, in {}.", printable(name)));
        own.notes.extend(notes);
    }
}
