//! What stands around the data: keys with values, above it, left of it or in comments.
//!
//! A key is believed by its name, never because it merely smells of time: scale, delay, position and trigger point
//! are not in these tables.

use super::cells::{Dialect, Printed, Separator, number, split};
use super::structure::Table;
use super::text::decode;
use super::timing::{Column, Stated, six_digits};
use crate::capture::Quantity;
use crate::error::{Error, printable};

const INTERVALS: &[&str] = &[
    "sample spacing",
    "x spacing",
    "time per sample",
    "time resolution",
    "horizontal interval",
    "horiz interval",
    "delta",
    "x delta",
    "tsample",
    "interval between samples",
    "abtastintervall",
    "sample interval",
    "sampling interval",
    "sample period",
    "sampling period",
    "increment",
    "x increment",
    "xincrement",
    "xincr",
    "x incr",
    "delta x",
    "deltax",
    "delta t",
    "\u{3b4}t",
    "deltat",
    "dt",
    "time step",
    "timestep",
    "time interval",
    "time increment",
    "sample time",
    "xinc",
    "x inc",
    "dx",
    "horizontal increment",
    "horizontal sample interval",
    "time per point",
    "point spacing",
    "période d échantillonnage",
    "periode d echantillonnage",
    "intervalle d échantillonnage",
    "intervalo de muestreo",
    "intervallo di campionamento",
    "ts",
    "t s",
    "time pt",
    "horizontal resolution",
    "x resolution",
    "intervalle",
    "every",
    "sample every",
    "one sample every",
];
const RATES: &[&str] = &[
    "sampling",
    "rate",
    "acquisition rate",
    "acq rate",
    "scan rate",
    "sample clock",
    "sampling clock",
    "data rate",
    "samples s",
    "samples sec",
    "sps",
    "adc rate",
    "f s",
    "abtastrate",
    "abtastfrequenz",
    "frequence d echantillonnage",
    "fréquence d échantillonnage",
    "taux d échantillonnage",
    "frecuencia de muestreo",
    "frequenza di campionamento",
    "frequência de amostragem",
    "bemonsteringsfrequentie",
    "samplingsfrekvens",
    "częstotliwość próbkowania",
    "sample rate",
    "sampling rate",
    "samplerate",
    "sample frequency",
    "sampling frequency",
    "sampling freq",
    "fs",
    "samples per second",
    "1 dt",
    "sampled",
    "sampled at",
    "recorded at",
    "digitised at",
    "digitized at",
    "acquired at",
];
const COUNTS: &[&str] = &[
    "rows",
    "number of rows",
    "num samples",
    "data points",
    "total samples",
    "total points",
    "length",
    "record length",
    "memory length",
    "samples",
    "nr of samples",
    "no of samples",
    "number of samples",
    "points",
    "number of points",
    "sample count",
    "record size",
    "segmentsize",
    "segment size",
];
const STARTS: &[&str] = &["start", "x0", "t0", "xzero", "x zero", "start time", "x start"];
const SOURCES: &[&str] = &["source", "channel", "trace source"];
const UNITS: &[&str] = &["vertical units", "vertical unit", "y unit", "y units", "yunit", "y unit label"];
const AXES: &[&str] = &["horizontal units", "horizontal unit", "x unit", "x units", "xunit", "x unit label"];
/// Keys that may mean something else as well; a time column that disagrees with them is believed.
const WEAK: &[&str] = &[
    "sampling",
    "rate",
    "delta",
    "x delta",
    "time resolution",
    "data rate",
    "sample clock",
    "sampling clock",
    "ts",
    "t s",
    "horizontal resolution",
    "x resolution",
    "intervalle",
    "recorded at",
];
/// Keys that are believed only where a unit stands behind the number.
const WITH_UNIT: &[&str] =
    &["ts", "t s", "horizontal resolution", "x resolution", "intervalle", "every", "recorded at"];
/// What only the settings of a spectrum have.
const SPECTRA: &[&str] = &[
    "rbw",
    "resolution bandwidth",
    "vbw",
    "video bandwidth",
    "span",
    "center frequency",
    "centre frequency",
    "start frequency",
    "stop frequency",
    "fft length",
    "fft size",
    "fft window",
];
const DIVISIONS: &[&str] =
    &["vertical scale", "volts div", "v div", "volts per division", "vertical scale per division", "y scale"];
const SEGMENTS: &[&str] = &["segments", "number of segments", "segment count"];

/// What the keys say. Each fact keeps the words of the file.
#[derive(Debug, Default)]
pub(super) struct Preamble {
    pub(super) interval: Option<Stated>,
    pub(super) rate: Option<Stated>,
    pub(super) count: Option<u64>,
    /// Seconds.
    pub(super) start: Option<f64>,
    pub(super) source: Option<String>,
    /// The vertical unit, one for each channel where the file gives several.
    pub(super) units: Vec<String>,
    /// What a division of the screen is worth in the vertical unit, where that is stated.
    pub(super) division: Option<f64>,
    /// The unit of the horizontal axis, which may only be that of the display.
    pub(super) axis: Option<String>,
    pub(super) segments: Option<u64>,
    /// A mode that makes an envelope of the samples.
    pub(super) envelope: Option<String>,
    pub(super) notes: Vec<String>,
    /// A key that only the settings of a spectrum have.
    pub(super) spectral: Option<String>,
    /// The factor of the axis unit to seconds, where it is one of time.
    pub(super) axis_factor: Option<f64>,
    /// Every interval and rate that was understood.
    pub(super) candidates: Vec<Stated>,
    /// A statement such as "250.000 Hz": with a decimal mark, and with a mark between thousands.
    ambiguous: Option<[Stated; 2]>,
}

/// A key, the unit in its brackets, and the cells that follow it.
struct Entry {
    key: String,
    written: String,
    unit: Option<String>,
    values: Vec<String>,
}

impl Preamble {
    /// Collects what stands above the first row and beside the data.
    ///
    /// # Errors
    /// A key that occurs with two values.
    pub(super) fn collect(table: &Table<'_>) -> Result<Self, Error> {
        let mut preamble = Self::of(table.above(), table.dialect)?;
        let (left, right) = (table.columns[0], table.columns.last().map_or(0, |last| last + 1));
        // Every key holds a letter that no number has.
        let letter = |byte: &u8| !byte.is_ascii() || byte.is_ascii_alphabetic() && !b"eEdD".contains(byte);
        let may_hold_keys = table.beginning.ask(|line| line.iter().any(letter));
        for (at, line) in
            table.beginning.lines.iter().enumerate().skip(table.first).filter(|(at, _)| *may_hold_keys.of(*at))
        {
            let mut cells = texts(line, table.dialect.separator);
            let behind = cells.split_off(right.min(cells.len()));
            cells.truncate(left);
            for side in [cells, behind] {
                for entry in pairs(&side, &[], table.dialect.decimal) {
                    preamble.take(&entry, table.dialect).map_err(|error| error.at_line(at as u64 + 1, None))?;
                }
            }
        }
        Ok(preamble)
    }

    /// Collects what stands in lines that are no rows.
    ///
    /// # Errors
    /// A key that occurs with two values.
    pub(super) fn of(lines: &[&[u8]], dialect: Dialect) -> Result<Self, Error> {
        let mut preamble = Preamble::default();
        for (at, line) in lines.iter().enumerate() {
            // A value may stand below its key, but a sample below a column's name is none.
            let below = lines.get(at + 1).map_or_else(Vec::new, |below| texts(below, dialect.separator));
            for entry in entries(line, dialect, &below).into_iter().chain(spoken(line, dialect)) {
                preamble.take(&entry, dialect).map_err(|error| error.at_line(at as u64 + 1, None))?;
            }
        }
        Ok(preamble)
    }

    /// Takes the interval or the rate that stands below the rows, where nothing else tells it.
    ///
    /// # Errors
    /// Two statements that contradict each other.
    pub(super) fn take_below(&mut self, lines: &[Vec<u8>], dialect: Dialect) -> Result<(), Error> {
        for line in lines {
            for entry in entries(line, dialect, &[]).into_iter().chain(spoken(line, dialect)) {
                if let Some(is_rate) = key_kind(&entry) {
                    self.time(&entry, dialect, is_rate)?;
                }
            }
        }
        Ok(())
    }

    /// Settles a statement such as "250.000 Hz" by what else tells the interval: a column of times, or nothing.
    ///
    /// # Errors
    /// No reading agrees with the column, or there is no column to tell.
    pub(super) fn settled<'a>(&'a self, column: Option<&Column>) -> Result<Option<&'a Stated>, Error> {
        let Some(readings) = &self.ambiguous else { return Ok(None) };
        if let Some(stated) = readings.iter().find(|stated| column.is_some_and(|column| column.agrees(stated))) {
            return Ok(Some(stated));
        }
        let [decimal, grouped] = readings;
        if decimal.weak && column.is_some() {
            return Ok(None);
        }
        Err(Error::input(format!(
            "{} may be {} s or {} s between samples: its mark may be a decimal mark or stand between thousands",
            decimal.written,
            six_digits(decimal.interval),
            six_digits(grouped.interval)
        ))
        .expected("a rate without a mark between thousands, or a time column that confirms it")
        .remedy("--sample-rate HZ settles it"))
    }

    fn take(&mut self, entry: &Entry, dialect: Dialect) -> Result<(), Error> {
        let known = |keys: &[&str]| is_one_of(&entry.key, keys);
        self.spectral = self.spectral.take().or_else(|| known(SPECTRA).then(|| entry.written.clone()));
        if let Some(is_rate) = key_kind(entry) {
            return self.time(entry, dialect, is_rate);
        }
        let first = entry.values.iter().find(|value| !value.is_empty());
        let whole = || first.and_then(|value| quantity(value, dialect.decimal)).map(|(printed, _)| printed.value);
        if known(COUNTS) {
            self.count = self.count.or(whole().and_then(count_of));
        } else if known(SEGMENTS) {
            self.segments = self.segments.or(whole().and_then(count_of));
        } else if known(STARTS) {
            let start = first.and_then(|value| quantity(value, dialect.decimal));
            let start = start.and_then(|(printed, unit)| {
                Some(printed.value * if unit.is_empty() { 1.0 } else { time_unit(&unit)? })
            });
            self.start = self.start.or(start);
        } else if known(SOURCES) && !self.is_time_header(entry) {
            self.source = self.source.take().or_else(|| first.cloned());
        } else if known(DIVISIONS) {
            let stated = first.and_then(|value| quantity(value, dialect.decimal));
            self.division =
                self.division.or(stated.filter(|(_, unit)| unit.is_empty()).map(|(printed, _)| printed.value));
        } else if known(UNITS) {
            let units = entry.values.iter().filter(|value| !value.is_empty());
            self.units.extend(units.map(|value| after_colon(value).to_owned()));
        } else if known(AXES) {
            self.axis = self.axis.take().or_else(|| first.cloned());
            self.axis_factor = self.axis.as_deref().and_then(time_unit);
        } else if entry.key.ends_with("mode") && first.is_some_and(|value| is_envelope(value)) {
            self.envelope = first.map(|value| format!("{} {value}", entry.written));
        }
        Ok(())
    }

    /// Takes one key, as the file writes it and in the words of the tables, with its value.
    ///
    /// # Errors
    /// A key that occurs with two values.
    pub(super) fn take_pair(&mut self, words: &str, written: &str, value: &str) -> Result<(), Error> {
        let entry = Entry { written: written.to_owned(), ..Entry::new(words, vec![value.to_owned()]) };
        self.take(&entry, Dialect { separator: Separator::Byte(b','), decimal: b'.', united: false })
    }

    /// "Source,CH1,CH2" is a header row of names, "Source,CH1" in front of a preamble names the channel; both may
    /// be taken, as the name is only used where the columns have none.
    fn is_time_header(&self, entry: &Entry) -> bool {
        entry.values.iter().filter(|value| !value.is_empty()).count() > 1
    }

    fn time(&mut self, entry: &Entry, dialect: Dialect, is_rate: bool) -> Result<(), Error> {
        let mut values = entry.values.iter().enumerate().filter_map(|(at, value)| {
            let (printed, unit) = quantity(value, dialect.decimal)?;
            // The unit may stand behind the number, in the key's brackets or in the next cell.
            let next = entry.values.get(at + 1).filter(|next| factor(next, is_rate).is_some());
            let unit = if unit.is_empty() { entry.unit.clone().or(next.cloned()).unwrap_or_default() } else { unit };
            Some((printed, unit, value))
        });
        let needs_unit = WITH_UNIT.contains(&entry.key.as_str());
        let Some((printed, unit, value)) = values.next() else { return Ok(()) };
        let written = format!("\"{}: {}\"", printable(&entry.written), printable(value));
        let factor =
            factor(&unit, is_rate).filter(|_| !(needs_unit && unit.is_empty()) || is_sampling_time(entry, printed));
        if let (Some(factor), Some(grouped)) = (factor, one_group(value)) {
            let plain_hertz = is_rate && factor.to_bits() == 1f64.to_bits();
            let weak = WEAK.contains(&entry.key.as_str());
            let reading = |printed| {
                Stated::new(printed, factor, is_rate, written.clone()).map(|stated| Stated { weak, ..stated })
            };
            match (grouped.mark == dialect.decimal, plain_hertz) {
                // The rows have decimal points, so the comma between hertz is no decimal mark.
                (false, true) if grouped.mark == b',' && dialect.separator != Separator::Byte(b';') => {
                    return self.state(reading(grouped.joined), entry, written, is_rate);
                }
                // The same mark as in the rows; but a rate below a kilohertz to three decimals is a rare thing.
                (true, false) => {}
                _ => {
                    let readings = reading(grouped.decimal).zip(reading(grouped.joined));
                    self.ambiguous = readings.map(<[Stated; 2]>::from).or(self.ambiguous.take());
                    return Ok(());
                }
            }
        }
        let stated = factor.and_then(|f| Stated::new(printed, f, is_rate, written.clone()));
        let other = values.find(|(other, _, _)| (other.value - printed.value).abs() > 0.0);
        if let Some((_, _, other)) = other.filter(|_| stated.is_some()) {
            return Err(Error::input(format!("{written} and \"{}\" are two sampling intervals", printable(other)))
                .expected("one time base for all channels")
                .remedy("export each channel to a file of its own, or --sample-rate HZ"));
        }
        self.state(stated, entry, written, is_rate)
    }

    /// Takes an interval or a rate that was read, beside those read before.
    fn state(&mut self, stated: Option<Stated>, entry: &Entry, written: String, is_rate: bool) -> Result<(), Error> {
        let stated = stated.map(|stated| Stated { weak: WEAK.contains(&entry.key.as_str()), ..stated });
        let Some(stated) = stated else {
            self.notes.push(format!("{written} was not understood and not used."));
            return Ok(());
        };
        self.candidates.push(stated.clone());
        let place = if is_rate { &mut self.rate } else { &mut self.interval };
        match place {
            Some(before)
                if (before.interval - stated.interval).abs()
                    > before.interval * (before.relative + stated.relative) =>
            {
                Err(Error::input(format!("{} and {written} contradict each other", before.written))
                    .expected("one time base for all channels")
                    .remedy("--sample-rate HZ settles it"))
            }
            Some(_) => Ok(()),
            None => {
                *place = Some(stated);
                Ok(())
            }
        }
    }

    /// The interval that the file states: the finer one where it states an interval and a rate.
    ///
    /// # Errors
    /// Interval and rate contradict each other.
    pub(super) fn stated(&self) -> Result<Option<&Stated>, Error> {
        let (Some(interval), Some(rate)) = (&self.interval, &self.rate) else {
            return Ok(self.interval.as_ref().or(self.rate.as_ref()));
        };
        let apart = (interval.interval - rate.interval).abs() / interval.interval;
        if apart > interval.relative + rate.relative + 1e-12 {
            return Err(Error::input(format!("{} and {} contradict each other", interval.written, rate.written))
                .remedy("--sample-rate HZ settles it"));
        }
        Ok(Some(if rate.relative < interval.relative { rate } else { interval }))
    }
}

/// The keys of a line, as cells or as a remark with a colon or an equals sign.
fn entries(line: &[u8], dialect: Dialect, below: &[String]) -> Vec<Entry> {
    let text = decode(line.trim_ascii_start());
    let bare = uncommented(&text);
    let colon = bare.find([':', '=']);
    let separator = match dialect.separator {
        Separator::Byte(byte) => bare.find(char::from(byte)),
        Separator::Blanks => None,
    };
    if let Some(at) = colon.filter(|&at| separator.is_none_or(|s| at < s)) {
        let value = bare[at + 1..].trim().trim_end_matches([',', ';', '\t', '"', ' ']);
        let entry = Entry::new(&bare[..at], vec![value.to_owned()]);
        return vec![entry];
    }
    let cells = texts(bare.as_bytes(), dialect.separator);
    if cells.len() > 1 && dialect.separator != Separator::Blanks {
        return pairs(&cells, below, dialect.decimal);
    }
    // A preamble may use another separator than its data.
    let other = [b'\t', b',', b';'].into_iter().find(|&byte| bare.as_bytes().contains(&byte));
    other.map(|byte| pairs(&texts(bare.as_bytes(), Separator::Byte(byte)), below, dialect.decimal)).unwrap_or_default()
}

/// A line without what marks it as a remark.
fn uncommented(text: &str) -> &str {
    let text = text.trim_start_matches(['#', ';', '%', '/', '*', '!', '\'', ' ', '\u{feff}']);
    let text = text.strip_prefix("--").unwrap_or(text).trim_start();
    match text.split_at_checked(4) {
        Some((word, rest)) if word.eq_ignore_ascii_case("rem ") => rest.trim_start(),
        _ => text,
    }
}

/// A statement in free words, alone on its line: "sampled at 250 kHz", "every 4 us", "250 kS/s".
fn spoken(line: &[u8], dialect: Dialect) -> Option<Entry> {
    const LONGEST: usize = 200;
    if line.len() > LONGEST || line.iter().any(|byte| matches!(byte, b':' | b'=')) {
        return None;
    }
    let text = decode(line.trim_ascii());
    let bare = uncommented(&text).trim_end_matches([',', ';', '\t', '"', ' ']).trim_start_matches(['"', ' ']);
    let Separator::Byte(separator) = dialect.separator else { return spoken_words(bare) };
    if bare.as_bytes().contains(&separator)
        && one_group(bare.trim_start_matches(|c: char| !c.is_ascii_digit())).is_none()
    {
        return None;
    }
    spoken_words(bare)
}

fn spoken_words(text: &str) -> Option<Entry> {
    let starts_number =
        |(at, c): &(usize, char)| c.is_ascii_digit() && (*at == 0 || text[..*at].ends_with(char::is_whitespace));
    let (at, _) = text.char_indices().find(starts_number)?;
    let (words, rest) = text.split_at(at);
    let entry = Entry::new(words, vec![rest.trim().to_owned()]);
    if key_kind(&entry).is_some() {
        return Some(entry);
    }
    // Nothing but a number of samples a second needs no key.
    let (_, unit) = quantity(rest, b'.')?;
    let sampling = ["s/s", "sa/s", "sps", "samples/s", "s/sec", "sa/sec", "scans/s", "samples per second"];
    let alone = words.trim().is_empty()
        && sampling.iter().any(|word| unit.to_lowercase().ends_with(word))
        && rate_unit(&unit).is_some();
    alone.then(|| Entry::new("sample rate", vec![rest.trim().to_owned()]))
}

/// Whether a key is one of these; blanks between words do not count.
fn is_one_of(key: &str, keys: &[&str]) -> bool {
    fn letters(key: &str) -> impl Iterator<Item = u8> {
        key.bytes().filter(|byte| *byte != b' ')
    }
    keys.iter().any(|known| letters(known).eq(letters(key)))
}

/// Whether a key means a rate (`true`) or an interval (`false`), with a channel's name before it or without.
fn key_kind(entry: &Entry) -> Option<bool> {
    let kind = |key: &str| {
        if is_one_of(key, INTERVALS) { Some(false) } else { is_one_of(key, RATES).then_some(true) }
    };
    kind(&entry.key).or_else(|| {
        let compact = entry.key.replace(' ', "");
        let rest = compact.strip_prefix("channel").or_else(|| compact.strip_prefix("ch"))?;
        let rest = rest.strip_prefix(|c: char| c.is_ascii_digit())?;
        kind(rest).filter(|_| rest.len() > 4)
    })
}

/// "Ts = 4e-6": without a unit only where the number is that of an interval.
fn is_sampling_time(entry: &Entry, printed: Printed) -> bool {
    matches!(entry.key.as_str(), "ts" | "t s") && printed.value < 1e-2
}

/// A number such as "250.000" or "4,000", which may be one with three decimals or one of thousands.
struct Group {
    mark: u8,
    decimal: Printed,
    joined: Printed,
}

/// One to three digits, a mark, three digits, and no more of the number.
fn one_group(value: &str) -> Option<Group> {
    let text = after_colon(value).as_bytes();
    let lead = text.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let mark = *text.get(lead)?;
    let tail = text.get(lead + 1..)?.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let next = text.get(lead + 4);
    let goes_on = next.is_some_and(|byte| matches!(byte, b'.' | b',' | b'e' | b'E'));
    if !(1..=3).contains(&lead) || text[0] == b'0' || tail != 3 || !matches!(mark, b'.' | b',') || goes_on {
        return None;
    }
    let joined = [&text[..lead], &text[lead + 1..lead + 4]].concat();
    Some(Group { mark, decimal: Printed::read(&text[..lead + 4], mark)?, joined: Printed::read(&joined, b'.')? })
}

/// A number whose digits stand in groups that can be nothing else: "250 000", "1'000'000", "1,000,000".
fn grouped(text: &str) -> Option<(Printed, &str)> {
    let lead = text.bytes().take_while(u8::is_ascii_digit).count();
    let (mut digits, mut rest) = (text[..lead].to_owned(), &text[lead..]);
    let mark = rest.chars().next().filter(|c| matches!(c, ' ' | '\'' | '.' | ','))?;
    let mut groups = 0;
    while let Some(behind) = rest.strip_prefix(mark)
        && behind.bytes().take_while(u8::is_ascii_digit).count() == 3
    {
        digits.push_str(&behind[..3]);
        rest = &behind[3..];
        groups += 1;
    }
    let sure = groups > usize::from(matches!(mark, '.' | ','));
    let ends = !rest.starts_with(|c: char| matches!(c, '.' | ',' | 'e' | 'E') || c.is_ascii_digit());
    let leads = (1..=3).contains(&lead) && !text.starts_with('0');
    (sure && ends && leads).then(|| Printed::read(digits.as_bytes(), b'.').map(|printed| (printed, rest)))?
}

/// Every word of a row with what follows it, up to the next word that is a key of its own; a word with nothing
/// behind it takes the cell below.
fn pairs(cells: &[String], below: &[String], decimal: u8) -> Vec<Entry> {
    let is_word = |cell: &String| !cell.is_empty() && number(cell.as_bytes(), decimal).is_none();
    let mut entries = Vec::new();
    for (at, cell) in cells.iter().enumerate().filter(|(_, cell)| is_word(cell)) {
        let mut values: Vec<String> = cells[at + 1..].to_vec();
        let under = below.get(at).filter(|under| number(under.as_bytes(), decimal).is_some());
        if let Some(under) = under.filter(|_| values.first().is_none_or(|value| is_word(value) || value.is_empty())) {
            values = vec![under.clone()];
        }
        entries.push(Entry::new(cell, values));
    }
    entries
}

impl Entry {
    fn new(written: &str, values: Vec<String>) -> Self {
        // "Samples per second" is a key, and its last word is no unit.
        let is_key = RATES.contains(&key_of(written).as_str()) || key_of(written) == "t s";
        let (name, unit) = if is_key { (written, None) } else { split_unit(written) };
        let (name, unit) = match name.rsplit_once([' ', '_']) {
            Some((bare, last)) if unit.is_none() && last.len() > 1 && rate_unit(last).is_some() => {
                (bare, Some(last.to_owned()))
            }
            _ => (name, unit),
        };
        Self { key: key_of(name), written: written.trim().to_owned(), unit, values }
    }
}

/// A key without what people put between its words.
fn key_of(name: &str) -> String {
    let key = name.to_lowercase().replace(['_', '-', '.', ':', '"', '#', '/', '\'', '\u{2019}'], " ");
    key.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn texts(line: &[u8], separator: Separator) -> Vec<String> {
    split(line, separator).into_iter().map(|cell| decode(cell).into_owned()).collect()
}

/// What stands behind the last colon: "CH1:0.000001" gives the number for channel 1.
fn after_colon(value: &str) -> &str {
    value.rsplit(':').next().unwrap_or(value).trim()
}

/// A number with a unit right behind it.
fn quantity(value: &str, decimal: u8) -> Option<(Printed, String)> {
    let text = after_colon(value);
    if let Some((printed, unit)) = grouped(text) {
        return Some((printed, unit.trim().to_owned()));
    }
    let end = text
        .char_indices()
        .find(|&(at, c)| {
            let exponent = matches!(c, 'e' | 'E')
                && at > 0
                && text[at + 1..].starts_with(|c: char| c.is_ascii_digit() || matches!(c, '+' | '-'));
            !(c.is_ascii_digit() || matches!(c, '+' | '-' | '.' | ',') || exponent)
        })
        .map_or(text.len(), |(at, _)| at);
    let printed =
        Printed::read(&text.as_bytes()[..end], b'.').or_else(|| Printed::read(&text.as_bytes()[..end], decimal));
    // A comma that is no decimal mark stands between thousands.
    let printed = printed.or_else(|| one_group(text).map(|group| group.joined))?;
    Some((printed, text[end..].trim().to_owned()))
}

fn count_of(value: f64) -> Option<u64> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the range is checked before")]
    (value.fract().abs() < f64::EPSILON && (0.0..=1e15).contains(&value)).then_some(value as u64)
}

fn is_envelope(value: &str) -> bool {
    let value = value.to_lowercase();
    value.contains("peak") || value.contains("envelope")
}

/// The factor of a unit to seconds or hertz; no unit is the unit itself.
fn factor(unit: &str, is_rate: bool) -> Option<f64> {
    if unit.is_empty() {
        return Some(1.0);
    }
    let known = |unit: &str| if is_rate { rate_unit(unit) } else { time_unit(unit) };
    // Words may follow the unit, where they say with what or by whom: "20 MHz bandwidth" is no rate.
    let aside = |rest: &str| {
        let next = rest.split_whitespace().next().unwrap_or_default();
        next.starts_with(['(', ',', ';']) || ["with", "by", "on", "for", "in", "from", "per"].contains(&next)
    };
    let first = unit.split_once(char::is_whitespace).filter(|(first, rest)| first.len() > 1 && aside(rest));
    known(unit).or_else(|| known(first?.0))
}

fn rate_unit(unit: &str) -> Option<f64> {
    let bare = unit.trim_matches(|c: char| matches!(c, '(' | ')' | '[' | ']' | '"') || c.is_whitespace());
    let (rest, factor) = match bare.chars().next()? {
        'k' | 'K' => (&bare[1..], 1e3),
        'M' => (&bare[1..], 1e6),
        'G' => (&bare[1..], 1e9),
        _ => (bare, 1.0),
    };
    let word = rest.trim().to_lowercase();
    let known = [
        "hz",
        "hertz",
        "s/s",
        "sa/s",
        "sps",
        "samples/s",
        "samples/sec",
        "samples/second",
        "samples per second",
        "s/sec",
        "sa/sec",
        "pts/s",
        "points/s",
        "1/s",
        "scans/s",
        "scan/s",
        "\u{e9}ch/s",
    ];
    (known.contains(&word.as_str()) || word.is_empty() && factor > 1.0).then_some(factor)
}

/// The factor of a time unit to seconds, in words or letters, with or without brackets.
pub(super) fn time_unit(unit: &str) -> Option<f64> {
    let bare = unit.trim_matches(|c: char| matches!(c, '(' | ')' | '[' | ']' | '{' | '}' | '"') || c.is_whitespace());
    Some(match bare.to_lowercase().as_str() {
        "s" | "sec" | "secs" | "second" | "seconds" | "second(s)" | "sekunden" | "secondes" | "segundos" => 1.0,
        "ms" | "msec" | "millisecond" | "milliseconds" => 1e-3,
        // Two characters look alike: the micro sign and the Greek letter.
        "us" | "\u{b5}s" | "\u{3bc}s" | "usec" | "\u{b5}sec" | "\u{3bc}sec" | "microsecond" | "microseconds" => 1e-6,
        // What becomes of the micro sign when its bytes are read in another encoding.
        "\u{e2}\u{b5}s" | "\u{ee}\u{bc}s" | "\u{e6}s" => 1e-6,
        "ns" | "nsec" | "nanosecond" | "nanoseconds" => 1e-9,
        "ps" | "psec" | "picosecond" | "picoseconds" => 1e-12,
        _ => return None,
    })
}

/// A label split into its name and the unit in its last brackets or behind "in".
pub(super) fn split_unit(label: &str) -> (&str, Option<String>) {
    let label = label.trim();
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}'), ('<', '>')] {
        if let Some(inner) = label.strip_suffix(close)
            && let Some(at) = inner.rfind(open)
        {
            return (label[..at].trim_end(), Some(inner[at + 1..].trim().to_owned()));
        }
    }
    if let Some((name, unit)) = label.rsplit_once(" in ") {
        return (name.trim(), Some(unit.trim().to_owned()));
    }
    if let Some(unit) = label.strip_prefix("in ") {
        return ("", Some(unit.trim().to_owned()));
    }
    // The slash of quantity calculus: "U/mV" is a voltage over its unit.
    if let Some((name, unit)) = label.rsplit_once('/')
        && !name.trim().is_empty()
        && (time_unit(unit).is_some() || Quantity::parse(unit).is_some())
        && !unit.trim().eq_ignore_ascii_case("m")
    {
        return (name.trim(), Some(unit.trim().to_owned()));
    }
    for separator in ['_', ',', ':', '-', ' ', '.'] {
        if let Some((name, unit)) = label.rsplit_once(separator)
            && !name.trim().is_empty()
            && (is_plain_unit(unit.trim()) || (separator, unit) == ('_', "v") && name.to_lowercase().contains("volt"))
        {
            return (name.trim().trim_end_matches([',', ':', '_', '-']).trim_end(), Some(unit.trim().to_owned()));
        }
    }
    (label, None)
}

/// A unit that is no name of a channel: "CH1 mV", but not "Channel A".
fn is_plain_unit(text: &str) -> bool {
    let letters = text.chars().count();
    let amplitude = Quantity::parse(text).is_some() && (letters > 1 || text == "V");
    let time = time_unit(text).is_some() && text.chars().all(|c| !c.is_uppercase());
    amplitude || time
}
