//! The configuration of a record: stations, channels, rates, times, the kind of the data.

use super::super::options::Winding;
use super::Kind;
use crate::capture::Quantity;
use crate::error::{Error, Finding, printable};

/// More channels than this are no capture; the standard allows 999999, recorders have hundreds.
const MOST_CHANNELS: usize = 4096;

/// More sections of different rates than this are no capture.
const MOST_RATES: usize = 1024;

/// An analog channel as its line states it.
#[derive(Debug, Clone)]
pub(super) struct Analog {
    pub(super) name: String,
    pub(super) quantity: Quantity,
    /// The unit as written, where it is none that is known.
    pub(super) foreign_unit: Option<String>,
    /// Value = a x + b, then times `unit_factor`.
    pub(super) a: f64,
    pub(super) b: f64,
    pub(super) unit_factor: f64,
    pub(super) skew_us: f64,
    /// The largest code that the line allows.
    pub(super) largest: Option<f64>,
    /// Primary and secondary rating of the transformer, and which of both the values are.
    pub(super) rating: Option<(f64, f64)>,
    pub(super) side: Option<Winding>,
    /// Whether the ratio of the ratings is within `unit_factor`, to bring the values to that side.
    pub(super) turned: bool,
    /// Whether the channel is read; else its values are of no account.
    pub(super) wanted: bool,
    /// The line that it stands in.
    line: u64,
}

impl Analog {
    /// Brings the values to a side of the transformer.
    ///
    /// # Errors
    /// The line states no ratings or not the side of its values.
    pub(super) fn turn_to(&mut self, wanted: Winding) -> Result<(), Error> {
        let (Some((primary, secondary)), Some(side)) = (self.rating, self.side) else {
            let what = format!("channel \"{}\" states no ratings of a transformer", printable(&self.name));
            let what = if self.rating.is_some() {
                what.replace("no ratings", "not the side of its values, only ratings")
            } else {
                what
            };
            return Err(Error::input(what)
                .at_line(self.line, None)
                .expected("primary and secondary rating, then P or S")
                .remedy("leave --side out, or the channel with --channels; --scale gives a factor of your own"));
        };
        if side != wanted {
            self.unit_factor *= if wanted == Winding::Primary { primary / secondary } else { secondary / primary };
            (self.side, self.turned) = (Some(wanted), true);
        }
        Ok(())
    }
}

/// A section of one rate: samples a second (zero: see the time stamps), and the number of its last sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rate {
    pub(super) hz: f64,
    /// Half a unit of the last digit, relative; six digits are taken as meant, as trailing zeros may be dropped.
    pub(super) relative: f64,
    pub(super) last: u64,
}

/// All that the configuration says.
#[derive(Debug, Clone)]
pub(super) struct Config {
    pub(super) station: String,
    pub(super) year: Option<u16>,
    pub(super) analog: Vec<Analog>,
    pub(super) digital: usize,
    pub(super) rates: Vec<Rate>,
    pub(super) start: String,
    pub(super) trigger: String,
    pub(super) kind: Kind,
    pub(super) time_multiplier: f64,
    pub(super) findings: Vec<Finding>,
}

/// The counts of the second line: all, analog, digital.
pub(super) fn counts(line: &str) -> Option<(usize, usize, usize)> {
    let cells: Vec<&str> = line.trim_end_matches([',', ' ', '\t']).split(',').map(str::trim).collect();
    let [all, rest @ ..] = cells.as_slice() else { return None };
    let (mut analog, mut digital) = (None, None);
    for cell in rest {
        let count = |letters: [char; 2]| cell.strip_suffix(letters)?.trim().parse::<usize>().ok();
        if let (None, Some(count)) = (analog, count(['A', 'a'])) {
            analog = Some(count);
        } else if let (None, Some(count)) = (digital, count(['D', 'd'])) {
            digital = Some(count);
        } else {
            return None;
        }
    }
    if analog.is_none() && digital.is_none() {
        return None;
    }
    Some((all.parse().ok()?, analog.unwrap_or(0), digital.unwrap_or(0)))
}

/// The lines of a configuration, with errors that name them.
struct Lines<'a> {
    name: &'a str,
    lines: Vec<&'a str>,
    next: usize,
}

impl<'a> Lines<'a> {
    /// The cells of the next line.
    fn next(&mut self, expected: &str) -> Result<Vec<&'a str>, Error> {
        let line = self.lines.get(self.next).copied();
        self.next += 1;
        match line {
            Some(line) => Ok(line.split(',').map(str::trim).collect()),
            None => Err(self.wrong(0, "the configuration ends too early".to_owned(), expected)),
        }
    }

    /// The next line where it holds something.
    fn optional(&mut self) -> Option<&'a str> {
        let line = self.lines.get(self.next).map(|line| line.trim())?;
        self.next += 1;
        (!line.is_empty()).then_some(line)
    }

    /// An error at a cell (counted from 0) of the line given last.
    fn wrong(&self, cell: usize, found: String, expected: &str) -> Error {
        let line = self.lines.get(self.next - 1).copied().unwrap_or_default();
        let before: usize = line.split(',').take(cell).map(|cell| cell.chars().count() + 1).sum();
        Error::input(found)
            .in_file(self.name)
            .at_line(self.next as u64, Some(before as u64 + 1))
            .expected(expected)
            .remedy("export the record once more, or put the line right")
    }

    /// A finite number in a cell.
    fn number(&self, cells: &[&str], at: usize, expected: &str) -> Result<f64, Error> {
        let text = cells.get(at).copied().unwrap_or_default();
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(self.wrong(at, format!("found \"{}\"", printable(text)), expected)),
        }
    }
}

/// Reads a configuration.
pub(super) fn parse(name: &str, text: &str) -> Result<Config, Error> {
    let lines: Vec<&str> = text.split('\n').map(|line| line.trim_end_matches('\r')).collect();
    // Empty lines at the head are skipped; further down an empty line may stand for something.
    let first = lines.iter().position(|line| !line.trim().is_empty()).unwrap_or(0);
    let mut lines = Lines { name, lines, next: first };
    let mut findings = Vec::new();

    let head = lines.next("station, device, year of the standard")?;
    let written = head.get(2).copied().unwrap_or_default();
    let year = written.parse().ok().filter(|year| [1991, 1999, 2013].contains(year));
    // The first edition had no such cell.
    if year.is_none() && !written.is_empty() {
        findings.push(Finding::note(
            "revision_unknown",
            format!(
                "The first line states no known edition of the standard (\"{}\"); all are read alike.",
                printable(written)
            ),
        ));
    }
    let (analog, digital) = channels(&mut lines, &mut findings)?;
    lines.next("the mains frequency")?;
    let rates = rates(&mut lines)?;
    let mut stamp = || lines.next("a date and a time").map(|cells| cells.join(" "));
    let (start, trigger) = (stamp()?, stamp()?);
    let kinds = "ASCII, BINARY, BINARY32 or FLOAT32";
    let kind = lines.next(kinds)?;
    let kind = Kind::named(kind[0])
        .ok_or_else(|| lines.wrong(0, format!("the data are of the kind \"{}\"", printable(kind[0])), kinds))?;
    let multiplier = "a factor for the time stamps, above zero";
    let time_multiplier = match lines.optional() {
        None => 1.0,
        Some(text) => {
            let cells: Vec<&str> = text.split(',').map(str::trim).collect();
            match lines.number(&cells, 0, multiplier)? {
                factor if factor > 0.0 => factor,
                factor => return Err(lines.wrong(0, format!("found {factor}"), multiplier)),
            }
        }
    };
    let station = format!("{} {}", head[0], head.get(1).copied().unwrap_or_default()).trim().to_owned();
    Ok(Config { station, year, analog, digital, rates, start, trigger, kind, time_multiplier, findings })
}

fn channels(lines: &mut Lines<'_>, findings: &mut Vec<Finding>) -> Result<(Vec<Analog>, usize), Error> {
    const COUNTS: &str = "counts of channels such as 6,4A,2D";
    let written = lines.next(COUNTS)?.join(",");
    let (all, analog, digital) =
        counts(&written).ok_or_else(|| lines.wrong(0, format!("found \"{}\"", printable(&written)), COUNTS))?;
    if analog > MOST_CHANNELS || digital > MOST_CHANNELS {
        return Err(lines.wrong(0, format!("{analog} analog and {digital} digital channels"), "a few hundred at most"));
    }
    if all != analog + digital {
        findings.push(Finding::note(
            "counts_differ",
            format!("The configuration counts {all} channels, of which {analog} analog and {digital} digital."),
        ));
    }
    if analog == 0 {
        return Err(lines.wrong(0, "no analog channel".to_owned(), "at least one analog channel"));
    }
    let analog = (0..analog).map(|number| channel(lines, number)).collect::<Result<_, _>>()?;
    for _ in 0..digital {
        lines.next("the line of a digital channel")?;
    }
    Ok((analog, digital))
}

/// An analog channel: number, name, phase, component, unit, a, b, skew, min, max, primary, secondary, P or S.
fn channel(lines: &mut Lines<'_>, number: usize) -> Result<Analog, Error> {
    let cells = lines.next("the line of an analog channel")?;
    if cells.len() < 7 {
        let found = format!("a line of {} cells", cells.len());
        return Err(lines.wrong(0, found, "an analog channel: number, name, phase, component, unit, a, b, ..."));
    }
    if cells[0].parse::<usize>().is_ok_and(|stated| stated != number + 1) {
        let found = format!("channel {} in the place of analog channel {}", printable(cells[0]), number + 1);
        return Err(lines.wrong(0, found, "as many channels as the counts say"));
    }
    let a = lines.number(&cells, 5, "the factor a of value = a x + b")?;
    let b = lines.number(&cells, 6, "the offset b of value = a x + b")?;
    let optional = |at: usize| cells.get(at).and_then(|text| text.parse::<f64>().ok()).filter(|n| n.is_finite());
    let known = Quantity::parse(cells[4]);
    let foreign = known.is_none() && !cells[4].is_empty();
    let (quantity, unit_factor) = known.unwrap_or((Quantity::Unknown, 1.0));
    let name = if cells[1].is_empty() { format!("channel {}", number + 1) } else { cells[1].to_owned() };
    let side = match cells.get(12).and_then(|text| text.chars().next()).map(|c| c.to_ascii_uppercase()) {
        Some('P') => Some(Winding::Primary),
        Some('S') => Some(Winding::Secondary),
        _ => None,
    };
    Ok(Analog {
        name,
        quantity,
        foreign_unit: foreign.then(|| cells[4].to_owned()),
        a,
        b,
        unit_factor,
        skew_us: optional(7).unwrap_or(0.0),
        largest: optional(9),
        rating: optional(10).zip(optional(11)).filter(|(primary, secondary)| *primary > 0.0 && *secondary > 0.0),
        side,
        turned: false,
        wanted: true,
        line: lines.next as u64,
    })
}

/// Half a unit of the last digit of a printed rate, relative; of at least six digits.
fn rounding(text: &str, hz: f64) -> f64 {
    const MEANT: i32 = 6;
    if hz <= 0.0 {
        return 0.0;
    }
    let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let decimals = mantissa.split_once('.').map_or(0, |(_, decimals)| i32::try_from(decimals.len()).unwrap_or(0));
    let last = exponent.parse().unwrap_or(0).clamp(-300, 300) - decimals.min(300);
    #[expect(clippy::cast_possible_truncation, reason = "the logarithm of a double is below 309")]
    let meant = hz.log10().floor() as i32 + 1 - MEANT;
    0.5 * 10f64.powi(last.min(meant)) / hz
}

fn rates(lines: &mut Lines<'_>) -> Result<Vec<Rate>, Error> {
    const COUNT: &str = "the number of sampling rates";
    const LINE: &str = "a sampling rate and the number of its last sample";
    let cells = lines.next(COUNT)?;
    let count: usize =
        cells[0].parse().map_err(|_| lines.wrong(0, format!("found \"{}\"", printable(cells[0])), COUNT))?;
    if count > MOST_RATES {
        return Err(lines.wrong(0, format!("{count} sampling rates"), "a few"));
    }
    let mut rates: Vec<Rate> = Vec::new();
    // A count of zero is followed by one line as well: rate zero and the last sample.
    for _ in 0..count.max(1) {
        let cells = lines.next(LINE)?;
        let hz = lines.number(&cells, 0, LINE)?;
        if hz < 0.0 {
            return Err(lines.wrong(0, format!("a sampling rate of {hz}"), "samples a second"));
        }
        let text = cells.get(1).copied().unwrap_or_default();
        let last = text.parse().map_err(|_| lines.wrong(1, format!("found \"{}\"", printable(text)), LINE))?;
        if rates.last().is_some_and(|before| before.last >= last) {
            return Err(lines.wrong(1, format!("a last sample of {last}"), "a number above that of the line before"));
        }
        rates.push(Rate { hz, relative: rounding(cells[0], hz), last });
    }
    Ok(rates)
}
