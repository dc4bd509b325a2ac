//! Two files of one channel each as one capture.
//!
//! The one idea: two files belong together only when interval, start and length agree. What cannot be compared at
//! the start, the length, is compared at the end, and a difference is an error then.

use ndarray::{Array2, Axis, concatenate};

use super::{ReadOptions, Source, open};
use crate::capture::{Account, Block, Channel, Doubt, Header, RateCandidate, Recording, Role};
use crate::error::{Error, printable};

/// Two files that were recognised as the two channels of one capture.
#[derive(Debug, Clone)]
pub struct Pair {
    /// The file with the channel on the line.
    pub wire: Source,
    /// The file with the channel of the antenna.
    pub air: Source,
}

impl Pair {
    /// Opens both as one capture and says that they were recognised.
    ///
    /// # Errors
    /// As [`open_pair`].
    pub fn open(&self, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
        let mut pair = join(&self.wire, &self.air, options)?;
        let sentence = "The two files were recognised as one capture by their names, interval, start and length.";
        pair.header.reading.insert(0, sentence.to_owned());
        Ok(Box::new(pair))
    }
}

/// Opens two files of one channel each as one capture with a wire and an air channel.
///
/// Interval and start are compared at once, the lengths when the shorter file ends.
///
/// # Errors
/// More than one channel in a file, or intervals, starts or lengths that differ: both values are printed.
pub fn open_pair(wire: &Source, air: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    Ok(Box::new(join(wire, air, options)?))
}

/// Looks beside a file of one channel for the file of the other channel.
///
/// The sibling's name differs only in the channel: `CH1` and `CH2`, `wire` and `air`. Both files hold one channel, the
/// same interval, start and length, different samples, and no contradiction in what they name as their source. Names
/// that differ in a bare number (`_1` and `_2`) may as well be two repeats of one channel, so there the files
/// themselves must name different sources. Reads both files to their end.
///
/// # Errors
/// What is wrong with the file itself. A sibling that cannot be read is no partner and no error.
pub fn find_partner(source: &Source, options: &ReadOptions) -> Result<Option<Pair>, Error> {
    let names = partner_names(bare_name(source.name()));
    if names.is_empty() || open(source, options)?.header().channels.len() != 1 {
        return Ok(None);
    }
    for Candidate { name, first, named } in names {
        let Some(sibling) = source.sibling(&name) else { continue };
        let (wire, air) = if first { (source, &sibling) } else { (&sibling, source) };
        if belong_together(wire, air, named, options) {
            return Ok(Some(Pair { wire: wire.clone(), air: air.clone() }));
        }
    }
    Ok(None)
}

/// Whether two files make one capture: they join without an error and are not the same channel twice.
fn belong_together(wire: &Source, air: &Source, named: bool, options: &ReadOptions) -> bool {
    let Ok(mut pair) = join(wire, air, options) else { return false };
    let [first, second] = pair.parts.each_ref().map(|part| part.header().channels[0].name.clone());
    // Names that only count ("channel 1") are not from the file; equal names from the files say that it is one
    // channel twice.
    let counted = |name: &str| name.starts_with("channel ");
    if first == second && !counted(&first) || !named && (counted(&first) || counted(&second)) {
        return false;
    }
    let mut differ = false;
    loop {
        match pair.next_block() {
            Ok(Some(block)) => differ |= block.channel(0) != block.channel(1),
            Ok(None) => return differ,
            Err(_) => return false,
        }
    }
}

fn bare_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// A name that the other channel's file may have.
struct Candidate {
    name: String,
    /// Whether this file is the first channel.
    first: bool,
    /// Whether the name says that it is a channel, and not just a number.
    named: bool,
}

fn partner_names(name: &str) -> Vec<Candidate> {
    let mut names = Vec::new();
    let bytes = name.as_bytes();
    for (at, &byte) in bytes.iter().enumerate() {
        let (other, first) = match byte {
            b'1' => ('2', true),
            b'2' => ('1', false),
            _ => continue,
        };
        let before = name[..at].to_lowercase();
        let alone = !bytes.get(at + 1).is_some_and(u8::is_ascii_alphanumeric);
        let named = before == "c"
            || ["ch", "channel", "channel ", "channel_", "_c", "-c"].iter().any(|word| before.ends_with(word));
        if alone && (named || before.ends_with(['_', '-'])) {
            names.push(Candidate { name: format!("{}{other}{}", &name[..at], &name[at + 1..]), first, named });
        }
    }
    for (own, other, first) in
        [("wire", "air", true), ("WIRE", "AIR", true), ("air", "wire", false), ("AIR", "WIRE", false)]
    {
        if let Some(at) = name.rfind(own) {
            let name = format!("{}{other}{}", &name[..at], &name[at + own.len()..]);
            names.push(Candidate { name, first, named: true });
        }
    }
    names
}

struct Joined {
    header: Header,
    parts: [Box<dyn Recording>; 2],
    /// What of each part was read and not yet given, one row each.
    waiting: [Array2<f64>; 2],
    given: u64,
}

fn join(wire: &Source, air: &Source, options: &ReadOptions) -> Result<Joined, Error> {
    let parts = [open(wire, options)?, open(air, options)?];
    let [first, second] = parts.each_ref().map(|part| part.header());
    for header in [first, second] {
        if header.channels.len() != 1 {
            return Err(Error::input(format!("holds {} channels", header.channels.len()))
                .in_file(&header.path)
                .expected("one channel in each file of a pair"));
        }
    }
    let (a, b) = (first.clock.interval_s(), second.clock.interval_s());
    let rounding = first.clock.relative_uncertainty + second.clock.relative_uncertainty + 1e-9;
    if (a - b).abs() > a * rounding {
        return Err(differ(second, "interval", &format!("{a:e} s"), &format!("{b:e} s")));
    }
    let (from, to) = (first.clock.start_s, second.clock.start_s);
    if (from - to).abs() > 0.5 * a {
        return Err(differ(second, "start", &format!("{from:e} s"), &format!("{to:e} s")));
    }
    let header = joined_header(first, second);
    Ok(Joined { header, parts, waiting: [Array2::zeros((1, 0)), Array2::zeros((1, 0))], given: 0 })
}

fn differ(second: &Header, what: &str, a: &str, b: &str) -> Error {
    Error::input(format!("the two files differ in their {what}: {a} and {b}"))
        .in_file(&second.path)
        .expected("two channels of one recording")
        .remedy("take the two files of the same recording, or analyse each by itself")
}

fn joined_header(first: &Header, second: &Header) -> Header {
    let channel = |header: &Header, role: Role| Channel { role, ..header.channels[0].clone() };
    let mut channels = vec![channel(first, Role::Wire), channel(second, Role::Air)];
    if channels[0].name == channels[1].name {
        channels[0].name.push_str(" (wire)");
        channels[1].name.push_str(" (air)");
    }
    let both = |header: &Header| format!("{}: {}", printable(bare_name(&header.path)), header.layout);
    let told = |header: &Header| -> Vec<String> {
        let file = printable(bare_name(&header.path));
        header.reading.iter().map(|sentence| format!("{file}: {sentence}")).collect()
    };
    let sentence = format!(
        "Two files make this capture: {} is the wire channel, {} the air channel.",
        printable(&first.path),
        printable(&second.path)
    );
    Header {
        path: first.path.clone(),
        format: first.format,
        layout: format!("two files; {}; {}", both(first), both(second)),
        channels,
        clock: first.clock,
        faithful_to_hz: [first, second].iter().filter_map(|header| header.faithful_to_hz).reduce(f64::min),
        promised_samples: first.promised_samples,
        reading: std::iter::once(sentence).chain(told(first)).chain(told(second)).collect(),
        findings: findings(first, second),
    }
}

/// The remarks of both; what both say alike is said once.
fn findings(first: &Header, second: &Header) -> Vec<crate::error::Finding> {
    let mut all = first.findings.clone();
    all.extend(second.findings.iter().filter(|finding| !first.findings.contains(finding)).cloned());
    all
}

impl Joined {
    /// Reads on where nothing waits; `false` when that part is at its end.
    fn refill(&mut self, part: usize) -> Result<bool, Error> {
        if self.waiting[part].ncols() > 0 {
            return Ok(true);
        }
        match self.parts[part].next_block()? {
            Some(block) => {
                self.waiting[part] = block.samples;
                Ok(true)
            }
            None => Ok(false),
        }
    }

    /// Lengths differ: counts the rest of the longer file, so that both lengths can be told.
    fn lengths_differ(&mut self) -> Error {
        let mut lengths = [self.given; 2];
        for ((length, part), waiting) in lengths.iter_mut().zip(&mut self.parts).zip(&self.waiting) {
            *length += waiting.ncols() as u64;
            while let Ok(Some(block)) = part.next_block() {
                *length += block.len() as u64;
            }
        }
        let [a, b] = lengths.map(|length| format!("{length} samples"));
        differ(self.parts[1].header(), "length", &a, &b)
    }

    fn take(&mut self, part: usize, count: usize) -> Array2<f64> {
        let waiting = std::mem::take(&mut self.waiting[part]);
        let (now, later) = waiting.view().split_at(Axis(1), count);
        self.waiting[part] = later.to_owned();
        now.to_owned()
    }
}

impl Recording for Joined {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        let mut whole = Account { rates: Vec::new(), doubts: Vec::new(), ..Account::of(&self.header) };
        for (part, (column, role)) in self.parts.iter().zip(whole.columns.iter_mut().zip([Role::Wire, Role::Air])) {
            let (account, file) = (part.account(), printable(bare_name(&part.header().path)));
            if let Some(own) = account.columns.iter().find(|own| own.role == "channel") {
                column.scale = own.scale;
            }
            column.why = format!("{file} holds the {} channel of the two files", role.name());
            column.option = "--air-file, --scale, --wire, --air".to_owned();
            whole.files.extend(account.files);
            whole.skipped.extend(account.skipped.iter().map(|skipped| format!("{file}: {skipped}")));
            let doubts = account.doubts.into_iter();
            whole.doubts.extend(doubts.map(|doubt| Doubt { what: format!("{file}: {}", doubt.what), ..doubt }));
            // The clock of the first file is that of both.
            whole.rates.extend(account.rates.into_iter().map(|rate| RateCandidate {
                written: format!("{} in {file}", rate.written),
                used: rate.used && role == Role::Wire,
                ..rate
            }));
        }
        whole
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let more = [self.refill(0)?, self.refill(1)?];
        self.header.findings = findings(self.parts[0].header(), self.parts[1].header());
        match more {
            [true, true] => {}
            [false, false] => return Ok(None),
            _ => return Err(self.lengths_differ()),
        }
        let count = self.waiting[0].ncols().min(self.waiting[1].ncols());
        let (wire, air) = (self.take(0, count), self.take(1, count));
        let samples = concatenate(Axis(0), &[wire.view(), air.view()]).expect("both have one row of the same length");
        let first = self.given;
        self.given += count as u64;
        Ok(Some(Block { first, samples: samples.as_standard_layout().into_owned() }))
    }

    fn seek(&mut self, sample: u64) -> Result<bool, Error> {
        if !self.parts[0].seek(sample)? {
            return Ok(false);
        }
        if !self.parts[1].seek(sample)? {
            // What waits of the first part was read already.
            self.parts[0].seek(self.given + self.waiting[0].ncols() as u64)?;
            return Ok(false);
        }
        self.waiting = [Array2::zeros((1, 0)), Array2::zeros((1, 0))];
        self.given = sample;
        Ok(true)
    }
}
