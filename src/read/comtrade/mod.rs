//! COMTRADE: records of transients, a configuration and its data, in two files (`.cfg`, `.dat`) or in one (`.cff`).
//!
//! ```text
//! station,device,year                       1991 without a year, 1999, 2013
//! 6,4A,2D                                   all, analog, digital channels
//! 1,name,phase,component,unit,a,b,skew,min,max,primary,secondary,P|S     value = a x + b
//! 1,name,phase,component,normal             a digital channel
//! 50                                        mains frequency
//! 1                                         sampling rates, then a line each: rate, number of the last sample
//! 5760,1200
//! 01/02/2031,10:11:12.000000                first sample
//! 01/02/2031,10:11:12.050000                trigger
//! ASCII|BINARY|BINARY32|FLOAT32
//! 1                                         unit of the time stamps, microseconds
//! ```
//!
//! The file is passed twice: once to count its rows and weigh their time stamps, once to give them. Neither holds more
//! than a block, and no count that the configuration states is trusted.
//!
//! # Sources
//! IEEE C37.111-1991, -1999 and -2013 (IEC 60255-24), from memory.

mod config;
mod data;

use std::io::{BufRead, BufReader, Read};

use ndarray::Array2;

use super::numbers::Number;
use super::{Format, ReadOptions, Source, packed, picked, rows_per_block};
use crate::capture::{Account, Block, Channel, Clock, Header, RateCandidate, RateSource, Recording, Role};
use crate::error::{Error, Finding, printable};
use crate::units::Hertz;
use config::{Analog, Config, Rate};
use data::{Place, Row, Rows};

/// The row of this format.
pub(super) const FORMAT: Format = Format {
    name: "comtrade",
    about: "COMTRADE records of 1991, 1999 and 2013, in two files or one, text and binary",
    extensions: &["cfg", "cff"],
    score,
    beside: has_configuration,
    open,
};

/// What the data are coded in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Ascii,
    Binary,
    Binary32,
    Float32,
}

impl Kind {
    const ALL: [(&'static str, Kind); 4] =
        [("ASCII", Kind::Ascii), ("BINARY", Kind::Binary), ("BINARY32", Kind::Binary32), ("FLOAT32", Kind::Float32)];

    fn named(text: &str) -> Option<Kind> {
        Self::ALL.into_iter().find(|(name, _)| name.eq_ignore_ascii_case(text)).map(|(_, kind)| kind)
    }

    fn name(self) -> &'static str {
        Self::ALL.into_iter().find(|(_, kind)| *kind == self).map_or("", |(name, _)| name)
    }

    /// The type of an analog value; none where it is text.
    fn number(self) -> Option<Number> {
        match self {
            Kind::Ascii => None,
            Kind::Binary => Some(Number::I16),
            Kind::Binary32 => Some(Number::I32),
            Kind::Float32 => Some(Number::F32),
        }
    }

    /// The code that marks a missing value.
    fn missing(self) -> Option<f64> {
        match self {
            Kind::Ascii => None,
            Kind::Binary => Some(f64::from(i16::MIN)),
            Kind::Binary32 => Some(f64::from(i32::MIN)),
            Kind::Float32 => Some(f64::from(f32::MIN)),
        }
    }
}

/// The mark before each part of a single file.
const PART: &str = "--- file type:";

/// A configuration is some pages; more than this is none.
const LONGEST_CONFIGURATION: u64 = 1 << 20;

/// The name of the part that a line of a single file opens: `CFG`, `DAT BINARY: 1200`.
fn part(line: &str) -> Option<String> {
    let start = line.get(..PART.len()).filter(|start| start.eq_ignore_ascii_case(PART))?;
    Some(line[start.len()..].trim().trim_end_matches('-').trim().to_ascii_uppercase())
}

fn score(head: &[u8]) -> Option<u8> {
    let text = String::from_utf8_lossy(head);
    let mut lines = text.trim_start_matches('\u{feff}').lines().map(str::trim).filter(|line| !line.is_empty());
    let first = lines.next()?;
    if part(first).is_some() {
        return Some(100);
    }
    let (all, ..) = config::counts(lines.next()?)?;
    (all > 0).then_some(95)
}

/// Another file of the same name with another ending.
fn with_ending(source: &Source, ending: &str) -> Result<Option<Source>, Error> {
    let Some((stem, _)) = bare(source).rsplit_once('.') else { return Ok(None) };
    let title: String = ending[..1].to_uppercase() + &ending[1..];
    for ending in [ending.to_owned(), ending.to_uppercase(), title] {
        if let Some(sibling) = packed::sibling(source, &format!("{stem}.{ending}"))? {
            return Ok(Some(sibling));
        }
    }
    Ok(None)
}

/// The name without its folder and without the ending of its packing.
fn bare(source: &Source) -> &str {
    packed::bare(file_name(source))
}

fn file_name(source: &Source) -> &str {
    source.name().rsplit(['/', '\\']).next().unwrap_or_default()
}

fn has_ending(source: &Source, ending: &str) -> bool {
    bare(source).rsplit_once('.').is_some_and(|(_, own)| own.eq_ignore_ascii_case(ending))
}

/// Whether this is the data of a record: its configuration lies beside it.
fn has_configuration(source: &Source) -> Result<bool, Error> {
    if !has_ending(source, "dat") {
        return Ok(false);
    }
    let Some(configuration) = with_ending(source, "cfg")? else { return Ok(false) };
    Ok(score(&configuration.bytes_at(0, super::FIRST_BYTES)?).is_some())
}

/// The configuration's text and where the data lie.
fn parts(source: &Source) -> Result<(Source, String, Place), Error> {
    let configuration = if has_ending(source, "dat") {
        with_ending(source, "cfg")?.unwrap_or_else(|| source.clone())
    } else {
        source.clone()
    };
    let head = configuration.bytes_at(0, super::FIRST_BYTES)?;
    let first = String::from_utf8_lossy(&head);
    if first.trim_start_matches('\u{feff}').trim_start().lines().next().and_then(part).is_some() {
        return single(source);
    }
    let bytes = configuration.bytes_at(0, usize::try_from(LONGEST_CONFIGURATION).unwrap_or(usize::MAX))?;
    let data = if has_ending(source, "dat") { Some(source.clone()) } else { with_ending(source, "dat")? };
    let data = data.ok_or_else(|| {
        Error::input("is the configuration of a COMTRADE record; its data are not beside it")
            .in_file(source.name())
            .expected("a file of the same name that ends in .dat")
            .remedy("put both files into one folder under one name")
    })?;
    Ok((configuration, text_of(&bytes), Place { source: data, at: 0, line: 0 }))
}

/// Text in UTF-8, else in Latin-1, where each byte is a character.
fn text_of(bytes: &[u8]) -> String {
    let text =
        std::str::from_utf8(bytes).map_or_else(|_| bytes.iter().map(|&byte| char::from(byte)).collect(), str::to_owned);
    text.trim_start_matches('\u{feff}').to_owned()
}

/// The parts of a single file: the lines between their marks.
fn single(source: &Source) -> Result<(Source, String, Place), Error> {
    let mut stream = BufReader::with_capacity(1 << 16, source.open_at(0)?);
    let (mut at, mut number, mut within, mut configuration) = (0, 0, String::new(), Vec::new());
    let mut line = Vec::new();
    while at < LONGEST_CONFIGURATION {
        line.clear();
        let left = LONGEST_CONFIGURATION - at;
        let count = (&mut stream).take(left).read_until(b'\n', &mut line).map_err(|error| source.failed(&error))?;
        if count == 0 {
            break;
        }
        at += count as u64;
        number += 1;
        if let Some(name) = part(text_of(&line).trim()) {
            within = name;
            if within == "CFG" && !configuration.is_empty() {
                return Err(Error::input("holds a second configuration")
                    .in_file(source.name())
                    .at_line(number, None)
                    .expected("one part CFG, then the data")
                    .remedy("put each record into a file of its own"));
            }
            if within.starts_with("DAT") {
                let place = Place { source: source.clone(), at, line: number };
                return Ok((source.clone(), text_of(&configuration), place));
            }
            // Empty lines stand for those before the part, so that errors count the lines of the whole file.
            if within == "CFG" {
                configuration.resize(usize::try_from(number).unwrap_or(0), b'\n');
            }
        } else if within == "CFG" {
            configuration.extend_from_slice(&line);
        }
    }
    Err(Error::input("is a COMTRADE file without a data part")
        .in_file(source.name())
        .expected("a line --- file type: DAT --- and the samples behind it")
        .remedy("export the record once more"))
}

/// The rows that are read: from one number (counted from 0) up to another, at one rate; zero: see the time stamps.
#[derive(Debug, Clone, Copy)]
struct Section {
    first: u64,
    end: u64,
    hz: f64,
    /// Half a unit of the last digit of the rate, relative.
    relative: f64,
}

/// The section that the options pick; all rows where there is one rate.
fn section(source: &Source, config: &Config, place: &Place, options: &ReadOptions) -> Result<Section, Error> {
    let mut sections: Vec<Section> = Vec::new();
    for &Rate { hz, relative, last } in &config.rates {
        match sections.last_mut() {
            Some(section) if section.hz.to_bits() == hz.to_bits() => section.end = last,
            before => {
                let first = before.map_or(0, |section| section.end);
                sections.push(Section { first, end: last, hz, relative });
            }
        }
    }
    if let [only] = sections[..] {
        return Ok(Section { end: u64::MAX, ..only });
    }
    let listed: Vec<String> = sections
        .iter()
        .enumerate()
        .map(|(at, section)| {
            format!("{}: samples {} to {} at {} Hz", at + 1, section.first + 1, section.end, section.hz)
        })
        .collect();
    if let Some(wanted) = options.record {
        let section = usize::try_from(wanted).ok().and_then(|number| sections.get(number.checked_sub(1)?).copied());
        return section.ok_or_else(|| {
            Error::usage(format!("--record {wanted}: there is no such section"))
                .in_file(source.name())
                .expected(format!("one of: {}", listed.join("; ")))
        });
    }
    let rows =
        survey(&mut Rows::open(place, config)?, Section { first: 0, end: u64::MAX, hz: 0.0, relative: 0.0 })?.rows;
    if rows <= sections[0].end {
        return Ok(sections[0]);
    }
    Err(Error::input(format!("was sampled at several rates: {}", listed.join("; ")))
        .in_file(source.name())
        .expected("one rate")
        .remedy("--record N picks one of them"))
}

/// What the first pass over the rows tells.
#[derive(Debug, Clone, Copy, Default)]
struct Survey {
    /// How many rows of the section there are.
    rows: u64,
    /// The first row with a missing value, and the rows up to the last without one.
    missing: Option<u64>,
    sound: u64,
    first: Option<f64>,
    last: Option<f64>,
    /// The number of rows with a time stamp, and their smallest and largest step.
    stamped: u64,
    steps: Option<(f64, f64)>,
    cut: bool,
}

fn survey(rows: &mut Rows, section: Section) -> Result<Survey, Error> {
    let mut found = Survey::default();
    let mut row = Row::default();
    let (mut at, mut numbers): (u64, Vec<f64>) = (0, Vec::new());
    let mut missing = None;
    while at < section.end && rows.next(&mut row)? {
        at += 1;
        if at <= section.first {
            continue;
        }
        found.rows += 1;
        if numbers.len() < 3 {
            numbers.extend(row.number);
            if let [a, b, c] = numbers[..]
                && (b - a).to_bits() != (c - b).to_bits()
            {
                let found = format!("samples numbered {a}, {b}, {c}");
                return Err(rows
                    .wrong(0, found, "numbers in order: the counts of channels and the kind of the data do not fit")
                    .remedy("check that both files are of one record"));
            }
        }
        match row.codes.iter().position(|code| code.is_nan()) {
            None => found.sound = found.rows,
            Some(channel) if missing.is_none() => {
                let what = format!("sample {at} of analog channel {} is marked as missing", channel + 1);
                missing = Some(rows.wrong(channel, what, "a value").remedy("cut the record there and read the parts"));
                found.missing = Some(found.rows - 1);
            }
            Some(_) => {}
        }
        if let Some(stamp) = row.stamp {
            if let Some(last) = found.last {
                let step = stamp - last;
                let (least, most) = found.steps.unwrap_or((step, step));
                found.steps = Some((least.min(step), most.max(step)));
            }
            found.first = found.first.or(Some(stamp));
            found.last = Some(stamp);
            found.stamped += 1;
        }
    }
    found.cut = rows.cut;
    match missing {
        // A gap within the record cannot be filled; at its end it is left out.
        Some(error) if found.missing.is_some_and(|first| first < found.sound || first == 0) => Err(error),
        _ => Ok(found),
    }
}

impl Survey {
    /// The rows before those that are missing at the end.
    fn usable(&self) -> u64 {
        self.missing.unwrap_or(self.rows)
    }

    /// The rate that the end points of the time stamps give, its relative uncertainty, and whether steps are even.
    ///
    /// `unit_rate` is the number of time stamp units in a second. Stamps are rounded to it, so that steps differ by
    /// one unit.
    fn rate(&self, unit_rate: f64) -> Option<(f64, f64, bool)> {
        let steps = self.stamped.checked_sub(1).filter(|_| self.stamped == self.rows)? as f64;
        let span = self.last? - self.first?;
        let (least, most) = self.steps?;
        let even = most - least <= (0.01 * span / steps).max(1.5);
        (span > 0.0 && least >= 0.0).then(|| (steps / span * unit_rate, 1.0 / span, even))
    }
}

fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let (configuration, text, place) = parts(source)?;
    let mut config = config::parse(configuration.name(), &text)?;
    // A channel that is left out may miss values, and its skew does not matter.
    let wanted = picked::wanted(config.analog.iter().map(|channel| channel.name.as_str()), options)?;
    for (at, channel) in config.analog.iter_mut().enumerate() {
        channel.wanted = wanted.contains(&at);
    }
    if let Some(side) = options.side {
        config
            .analog
            .iter_mut()
            .filter(|channel| channel.wanted)
            .try_for_each(|channel| channel.turn_to(side).map_err(|error| error.in_file(configuration.name())))?;
    }
    let section = section(source, &config, &place, options)?;
    let survey = survey(&mut Rows::open(&place, &config)?, section)?;
    if survey.rows == 0 {
        return Err(Error::input("holds no whole sample of its record")
            .in_file(place.source.name())
            .expected("samples"));
    }
    let mut findings = config.findings.clone();
    let (clock, rates) = clock(source, &config, section, &survey, options, &mut findings)?;
    remarks(&config, section, &survey, &mut findings);
    let header = header(source, &config, section, clock, findings);
    let mut account = Account::of(&header);
    account.rates = rates;
    let halves = [&configuration, &place.source].into_iter().filter(|half| half.name() != source.name());
    account.files = halves.map(|half| file_name(half).to_owned()).collect();
    for (column, channel) in account.columns.iter_mut().zip(&config.analog) {
        column.scale = channel.a * channel.unit_factor;
        column.why = format!("analog channel: {}", formula(channel));
        if channel.rating.is_some() {
            column.option.push_str(", --side");
        }
    }
    if config.digital > 0 {
        let channels = if config.digital == 1 { "channel" } else { "channels" };
        account.skipped.push(format!("{} digital {channels}: on and off, and no samples.", config.digital));
    }
    let mut rows = Rows::open(&place, &config)?;
    let mut row = Row::default();
    for _ in 0..section.first {
        rows.next(&mut row)?;
    }
    let block = rows_per_block(config.analog.len(), options);
    let recording =
        Comtrade { header, account, channels: config.analog, rows, row, left: survey.usable(), given: 0, block };
    Ok(Box::new(recording))
}

/// The clock: the option, else the rate line, else the time stamps; and all that were weighed.
fn clock(
    source: &Source,
    config: &Config,
    section: Section,
    survey: &Survey,
    options: &ReadOptions,
    findings: &mut Vec<Finding>,
) -> Result<(Clock, Vec<RateCandidate>), Error> {
    let unit = 1e-6 * config.time_multiplier;
    let stamps = survey.rate(1e6 / config.time_multiplier);
    let line = Hertz::new(section.hz).ok();
    let from_stamps = |(rate, uncertainty, even): (f64, f64, bool)| {
        let rate = Hertz::new(rate).ok().filter(|_| even)?;
        Some((rate, RateSource::TimeColumn, uncertainty))
    };
    let chosen = options
        .sample_rate
        .map(|rate| (rate, RateSource::Option, 0.0))
        .or(line.map(|rate| (rate, RateSource::Header, section.relative)))
        .or(stamps.and_then(from_stamps));
    let (rate, from, relative_uncertainty) = chosen.ok_or_else(|| {
        let found = match (stamps, survey.steps) {
            (Some(_), Some((least, most))) => {
                format!("states no rate, and its time stamps are uneven: steps of {least} to {most} units")
            }
            _ => "states no rate, and its time stamps cannot be used".to_owned(),
        };
        Error::input(found)
            .in_file(source.name())
            .expected("a sampling rate, or time stamps in even steps")
            .remedy("--sample-rate HZ gives it")
    })?;
    if let (RateSource::Option, Some(stated)) = (from, line)
        && (stated.get() - rate.get()).abs() > 0.0
    {
        let message = format!(
            "The option sets {} Hz, the rate line states {} Hz; the option was taken.",
            rate.get(),
            stated.get()
        );
        findings.push(Finding::limit("rate_overridden", message));
    }
    // Rounded steps may have been added up by the recorder: half a unit a step.
    let near = |hz: f64, uncertainty: f64| (hz / rate.get() - 1.0).abs() <= (0.5 * unit * rate.get()).max(uncertainty);
    let mut rates: Vec<RateCandidate> = Vec::new();
    let mut candidate = |source: RateSource, name: &str, hz: f64, uncertainty: f64| {
        rates.push(RateCandidate {
            source: name.to_owned(),
            written: format!("{hz} Hz"),
            rate_hz: hz,
            relative_uncertainty: uncertainty,
            agrees: near(hz, uncertainty),
            used: source == from,
        });
    };
    if let Some(rate) = options.sample_rate {
        candidate(RateSource::Option, "the option given", rate.get(), 0.0);
    }
    if let Some(rate) = line {
        candidate(RateSource::Header, "the rate line", rate.get(), section.relative);
    }
    match stamps {
        Some((hz, uncertainty, even)) => {
            candidate(RateSource::TimeColumn, "the end points of the time stamps", hz, uncertainty);
            if !near(hz, uncertainty) {
                let message = format!(
                    "The rate is {} Hz by {}, {hz} Hz by the time stamps, which is more than their rounding; the first \
                     was taken.",
                    rate.get(),
                    from.words()
                );
                findings.push(Finding::limit("time_stamps_disagree", message));
            } else if !even {
                let message = "The time stamps are uneven: samples may be missing, or the stamps are no clock.";
                findings.push(Finding::limit("time_stamps_uneven", message));
            }
        }
        None => findings.push(Finding::note(
            "time_stamps_unusable",
            "The time stamps are missing or do not rise, so that they cannot confirm the rate.",
        )),
    }
    let start_s = survey.first.filter(|_| stamps.is_some()).map_or(0.0, |first| first * unit);
    Ok((Clock { rate, source: from, relative_uncertainty, start_s }, rates))
}

/// What else there is to know of the rows and the channels.
fn remarks(config: &Config, section: Section, survey: &Survey, findings: &mut Vec<Finding>) {
    let promised = promised(config, section);
    if survey.rows != promised || survey.cut {
        let code = if survey.rows < promised || survey.cut { "cut_short" } else { "more_than_promised" };
        let message = format!(
            "The configuration promises {promised} samples a channel, the data hold {}; these were read.",
            survey.rows
        );
        findings.push(Finding::limit(code, message));
    }
    if survey.usable() < survey.rows {
        let message =
            format!("The last {} samples are marked as missing and were left out.", survey.rows - survey.usable());
        findings.push(Finding::limit("missing_at_the_end", message));
    }
    let skewed: Vec<&str> = config
        .analog
        .iter()
        .filter(|channel| channel.wanted && channel.skew_us != 0.0)
        .map(|channel| channel.name.as_str())
        .collect();
    if !skewed.is_empty() {
        let message = format!(
            "Channels were sampled at other instants than the time stamp says, and are left so: {}.",
            printable(&skewed.join(", "))
        );
        findings.push(Finding::limit("skew", message));
    }
    let foreign: Vec<String> = config
        .analog
        .iter()
        .filter(|channel| channel.wanted)
        .filter_map(|channel| Some(format!("{} in \"{}\"", channel.name, channel.foreign_unit.as_ref()?)))
        .collect();
    if !foreign.is_empty() {
        let message = format!("Units that are not known here count as none: {}.", printable(&foreign.join(", ")));
        findings.push(Finding::limit("unit_unknown", message));
    }
}

fn promised(config: &Config, section: Section) -> u64 {
    let last = config.rates.last().map_or(0, |rate| rate.last);
    section.end.min(last).saturating_sub(section.first)
}

/// What makes a value of a code, in words.
fn formula(channel: &Analog) -> String {
    let unit = channel.foreign_unit.as_deref().unwrap_or(channel.quantity.symbol());
    let factor = if (channel.unit_factor - 1.0).abs() < f64::EPSILON {
        String::new()
    } else {
        format!(", times {}", channel.unit_factor)
    };
    format!("value = {} x + {}{factor} in {}", channel.a, channel.b, printable(unit))
}

fn header(source: &Source, config: &Config, section: Section, clock: Clock, findings: Vec<Finding>) -> Header {
    let role = |at: usize| [Role::Wire, Role::Air].get(at).copied().unwrap_or(Role::Other);
    let channel = |(at, channel): (usize, &Analog)| Channel {
        name: channel.name.clone(),
        quantity: channel.quantity.clone(),
        role: role(at),
    };
    let year = config.year.map_or_else(|| "no edition stated".to_owned(), |year| year.to_string());
    let (analog, digital) = (config.analog.len(), config.digital);
    let mut reading = vec![
        format!(
            "The record is of \"{}\", {} to trigger {}.",
            printable(&config.station),
            printable(&config.start),
            printable(&config.trigger)
        ),
        format!("The rate of {} samples a second is from {}.", clock.rate.get(), clock.source.words()),
    ];
    for channel in &config.analog {
        let rating = channel
            .rating
            .map_or(String::new(), |(primary, secondary)| format!("; transformer {primary} to {secondary}"));
        let side = channel.side.map_or(String::new(), |side| match channel.turned {
            true => format!("; turned to those of the {} side, as the option says", side.word()),
            false => format!("; values are those of the {} side", side.word()),
        });
        reading.push(format!("\"{}\": {}{rating}{side}.", printable(&channel.name), formula(channel)));
    }
    if digital > 0 {
        reading.push(format!("{digital} digital channels were left out."));
    }
    if config.rates.len() > 1 {
        let rows = if section.end == u64::MAX {
            "all samples".to_owned()
        } else {
            format!("samples {} to {}", section.first + 1, section.end)
        };
        reading.push(format!("Of {} lines of rates, {rows} were read.", config.rates.len()));
    }
    for sentence in &mut reading {
        *sentence = sentence.chars().map(|c| if crate::error::steers(c) { '?' } else { c }).collect();
    }
    Header {
        path: source.name().to_owned(),
        format: FORMAT.name,
        layout: format!("COMTRADE, {year}, {}, {analog} analog and {digital} digital channels", config.kind.name()),
        channels: config.analog.iter().enumerate().map(channel).collect(),
        clock,
        faithful_to_hz: None,
        promised_samples: Some(promised(config, section)),
        reading,
        findings,
    }
}

struct Comtrade {
    header: Header,
    account: Account,
    channels: Vec<Analog>,
    rows: Rows,
    row: Row,
    left: u64,
    given: u64,
    block: usize,
}

impl Recording for Comtrade {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        self.account.clone()
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let count = self.block.min(usize::try_from(self.left).unwrap_or(usize::MAX));
        if count == 0 {
            return Ok(None);
        }
        let mut samples = Array2::zeros((self.channels.len(), count));
        for at in 0..count {
            if !self.rows.next(&mut self.row)? {
                return Err(self.rows.wrong(0, "the data became shorter while they were read".to_owned(), "samples"));
            }
            for (channel, (form, code)) in self.channels.iter().zip(&self.row.codes).enumerate() {
                let value = (form.a * code + form.b) * form.unit_factor;
                if !value.is_finite() {
                    return Err(self.rows.wrong(channel, format!("the value {value}"), "a finite number"));
                }
                samples[[channel, at]] = value;
            }
        }
        let first = self.given;
        self.given += count as u64;
        self.left -= count as u64;
        Ok(Some(Block { first, samples }))
    }
}
