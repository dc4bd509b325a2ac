//! Named arrays of numbers as one recording: which one is time, what states the rate, which are channels.
//!
//! A container (NPZ, MAT, Parquet) lists its arrays and opens them as rows of numbers; everything that is
//! common to them is decided here, by the words that text tables use as well. What is taken as what, and what is
//! left out, is said. The samples stay in their file until a block is asked for.

mod dense;

pub(super) use dense::{Dense, Layout};

use std::sync::Arc;

use ndarray::Array2;

use super::csv::named::{Facts, Meaning, Name, Settled, Times, in_full};
use super::{ReadOptions, Source, rows_per_block};
use crate::capture::{Account, Block, Channel, ColumnAccount, Doubt, Header, Quantity, RateSource, Recording, Role};
use crate::error::{Error, Finding, printable};
use crate::units::Hertz;

/// More channels than this are no capture.
pub(super) const MOST_CHANNELS: usize = 64;

/// Numbers of the columns of an array, row by row.
pub(super) trait Rows: Send {
    /// The next numbers, row by row, all columns of a row one behind the other; not a number where one is missing,
    /// or a whole number that a double cannot hold.
    ///
    /// # Errors
    /// What the system answers, or an array that ends too early.
    fn fill(&mut self, numbers: &mut [f64]) -> Result<(), Error>;
}

/// What the numbers of an array are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Kind {
    Floating,
    Whole,
    /// Times by their type; a unit is so many seconds, and the first one lies so many seconds behind the epoch.
    Time {
        seconds: f64,
        epoch_s: f64,
    },
}

type Opener = Arc<dyn Fn() -> Result<Box<dyn Rows>, Error> + Send + Sync>;

/// An array of numbers with a name.
#[derive(Clone)]
pub(super) struct Array {
    pub(super) name: String,
    /// The unit that the array states besides its name, or empty; a key `unit.<name>` of the container counts as well.
    pub(super) unit: String,
    pub(super) kind: Kind,
    pub(super) rows: u64,
    pub(super) columns: usize,
    /// Its type and shape, for people.
    pub(super) about: String,
    pub(super) open: Opener,
}

/// What a container holds.
pub(super) struct Container<'a> {
    pub(super) source: &'a Source,
    pub(super) format: &'static str,
    pub(super) layout: String,
    pub(super) arrays: Vec<Array>,
    /// Keys with values besides the arrays.
    pub(super) remarks: Vec<(String, String)>,
    /// What is in the file and can be no channel, with the reason.
    pub(super) skipped: Vec<String>,
}

/// What an array, or a column of one, was taken for.
struct Part {
    role: &'static str,
    why: String,
}

/// A column that is a channel.
struct Taken {
    array: usize,
    column: usize,
    channel: Channel,
    factor: f64,
}

/// The one recording that the arrays make.
///
/// # Errors
/// No channel, no clock, arrays that contradict each other or the options; what reading the times gives.
pub(super) fn recording(container: Container<'_>, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let file = container.source.name().to_owned();
    Draft::of(container).recording(options).map_err(|error| error.in_file(file))
}

struct Draft<'a> {
    container: Container<'a>,
    facts: Facts,
    /// One for each array; none where it is not decided yet.
    parts: Vec<Option<Part>>,
    reading: Vec<String>,
    findings: Vec<Finding>,
}

/// The times of the record and where they lie.
struct Clocked {
    times: Times,
    array: usize,
    column: usize,
}

impl<'a> Draft<'a> {
    fn of(mut container: Container<'a>) -> Self {
        for array in container.arrays.iter_mut().filter(|array| array.unit.is_empty()) {
            let unit = stated(&container.remarks, "unit", &array.name);
            array.unit = unit.unwrap_or_default().to_owned();
        }
        let parts = container.arrays.iter().map(|_| None).collect();
        Self { container, facts: Facts::default(), parts, reading: Vec::new(), findings: Vec::new() }
    }

    fn recording(mut self, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
        self.take_facts()?;
        for wanted in &options.channels {
            self.find(wanted).ok_or_else(|| self.no_such("--channels", wanted))?;
        }
        let clocked = self.times(options)?;
        let length = self.length(clocked.as_ref(), options)?;
        let mut taken = self.channels(clocked.as_ref(), length, options)?;
        let times = clocked.as_ref().map(|clocked| &clocked.times);
        let mut settled = self.facts.settle(times, options)?;
        self.take_exact_clock(&mut settled);
        self.roles(&mut taken);
        self.remark_on_units(&taken);
        self.opened(taken, length, settled, clocked.as_ref(), options)
    }

    fn decide(&mut self, array: usize, role: &'static str, why: impl Into<String>) {
        self.parts[array] = Some(Part { role, why: why.into() });
    }

    fn name(&self, array: usize) -> String {
        format!("\"{}\"", printable(&self.container.arrays[array].name))
    }

    /// Remarks and numbers that stand alone: the rate, the interval, the start.
    fn take_facts(&mut self) -> Result<(), Error> {
        for (key, value) in &self.container.remarks {
            self.facts.take(key, value)?;
        }
        for at in 0..self.container.arrays.len() {
            let array = &self.container.arrays[at];
            if array.rows != 1 || array.columns != 1 {
                continue;
            }
            let mut value = [0.0];
            (array.open)()?.fill(&mut value)?;
            let is_clock = self.facts.take(&array.name, &in_full(value[0]))?;
            let role = if is_clock { "clock" } else { "left out" };
            self.decide(at, role, format!("one number, {}", value[0]));
        }
        Ok(())
    }

    /// The clock to the last bit, and how well it is known, where the container has the keys of `write/parquet.rs`.
    fn take_exact_clock(&self, settled: &mut Settled) {
        let clock = &mut settled.clock;
        let key = |wanted: &str| self.container.remarks.iter().find(|(key, _)| key == wanted).map(|(_, value)| value);
        let rate = key("sample_rate_hz").and_then(|value| value.parse().ok()).and_then(|rate| Hertz::new(rate).ok());
        let rate = rate.filter(|rate| (rate.get() / clock.rate.get() - 1.0).abs() < 1e-9);
        let Some(rate) = rate.filter(|_| clock.source == RateSource::Header) else { return };
        clock.rate = rate;
        let source = key("rate_source").and_then(|name| RateSource::ALL.into_iter().find(|s| s.name() == name));
        clock.source = source.unwrap_or(clock.source);
        let uncertainty = key("rate_relative_uncertainty").and_then(|value| value.parse::<f64>().ok());
        let uncertainty = uncertainty.filter(|uncertainty| (0.0..1.0).contains(uncertainty));
        clock.relative_uncertainty = uncertainty.unwrap_or(clock.relative_uncertainty);
    }

    /// The times that the options name, or the names and the types of the arrays.
    fn times(&mut self, options: &ReadOptions) -> Result<Option<Clocked>, Error> {
        let wanted = options.time_column.as_deref();
        if wanted == Some("none") {
            return Ok(None);
        }
        if let Some(wanted) = wanted {
            let (array, column) = self.find(wanted).ok_or_else(|| self.no_such("--time-column", wanted))?;
            return self.laid(array, column).map(Some);
        }
        let arrays = &self.container.arrays;
        let meaning = |at: &usize| match arrays[*at].kind {
            Kind::Time { .. } => Meaning::Time,
            _ if Quantity::named(&arrays[*at].unit).is_some() => Meaning::Signal,
            _ => Name::read(&arrays[*at].name, &arrays[*at].unit).meaning(),
        };
        let open: Vec<usize> = (0..arrays.len())
            .filter(|&at| self.parts[at].is_none() && arrays[at].columns == 1 && arrays[at].rows > 1)
            .collect();
        let sure: Vec<usize> = open.iter().copied().filter(|at| meaning(at) == Meaning::Time).collect();
        let perhaps: Vec<usize> = open.into_iter().filter(|at| meaning(at) == Meaning::Perhaps).collect();
        let mut found: Option<Clocked> = None;
        for at in sure {
            // Of several times the one of the longest arrays is the clock; the names of others are told.
            let longer =
                found.as_ref().is_none_or(|f| self.container.arrays[f.array].rows < self.container.arrays[at].rows);
            if longer {
                if let Some(before) = found.take() {
                    self.decide(before.array, "left out", "a second array of times");
                }
                found = Some(self.laid(at, 0)?);
            } else {
                self.decide(at, "left out", "a second array of times");
            }
        }
        for at in perhaps {
            let even = self.laid(at, 0).ok().filter(|clocked| clocked.times.are_even());
            match even {
                Some(_) if self.container.arrays[at].kind == Kind::Whole => {
                    self.decide(at, "left out", "counts the samples")
                }
                Some(clocked) if found.is_none() => found = Some(clocked),
                Some(_) => self.decide(at, "left out", "a second array of times"),
                None => {}
            }
        }
        if found.is_none() {
            found = self.first_column();
        }
        Ok(found)
    }

    /// A first column of a table that rises in equal steps all the way down.
    fn first_column(&self) -> Option<Clocked> {
        let arrays = &self.container.arrays;
        let table = |at: &usize| self.parts[*at].is_none() && (2..=MOST_CHANNELS).contains(&arrays[*at].columns);
        let at = (0..arrays.len()).filter(table).max_by_key(|&at| arrays[at].rows)?;
        let clocked = self.laid(at, 0).ok()?;
        (arrays[at].rows > 2 && clocked.times.are_even()).then_some(clocked)
    }

    /// Reads all times of an array.
    fn laid(&self, at: usize, column: usize) -> Result<Clocked, Error> {
        const FIRST: u64 = 1000;
        const CHUNK: u64 = 1 << 13;
        let array = &self.container.arrays[at];
        if array.columns > MOST_CHANNELS {
            return Err(Error::input(format!("{} has {} columns", self.name(at), array.columns)).expected("times"));
        }
        let name = Name::read(&array.name, &array.unit);
        let (seconds, epoch_s) = match array.kind {
            Kind::Time { seconds, epoch_s } => (Some(seconds), epoch_s),
            _ => (name.seconds(), 0.0),
        };
        let mut rows = (array.open)()?;
        let mut times: Option<Times> = None;
        let mut left = array.rows;
        let mut chunk = Vec::new();
        while left > 0 {
            let now = left.min(if times.is_none() { FIRST } else { CHUNK });
            chunk.resize(usize::try_from(now).unwrap_or(usize::MAX) * array.columns, 0.0);
            rows.fill(&mut chunk)?;
            let own = || chunk.iter().skip(column).step_by(array.columns).copied();
            let times = times.get_or_insert_with(|| {
                let first: Vec<f64> = own().collect();
                Times::new(&array.name, seconds, array.kind == Kind::Whole, &first).behind(epoch_s)
            });
            own().try_for_each(|time| times.push(time))?;
            left -= now;
        }
        let times = times.ok_or_else(|| Error::input(format!("\"{}\" is empty", printable(&array.name))))?;
        Ok(Clocked { times, array: at, column })
    }

    /// An array by its name or number, or a column of one.
    fn find(&self, wanted: &str) -> Option<(usize, usize)> {
        let columns = || {
            self.container
                .arrays
                .iter()
                .enumerate()
                .flat_map(|(at, array)| (0..array.columns.min(MOST_CHANNELS)).map(move |c| (at, c)))
        };
        let named = |&(at, column): &(usize, usize)| {
            let array = &self.container.arrays[at];
            column == 0 && array.name == wanted || array.columns > 1 && column_name(array, column) == wanted
        };
        let number = wanted.parse::<usize>().ok().and_then(|number| number.checked_sub(1));
        columns()
            .find(named)
            .or_else(|| {
                let lower = wanted.to_lowercase();
                columns().find(|&(at, column)| column == 0 && self.container.arrays[at].name.to_lowercase() == lower)
            })
            .or_else(|| number.filter(|&at| at < self.container.arrays.len()).map(|at| (at, 0)))
    }

    fn no_such(&self, option: &str, wanted: &str) -> Error {
        let names: Vec<String> = (0..self.container.arrays.len().min(MOST_CHANNELS)).map(|at| self.name(at)).collect();
        Error::usage(format!("{option} {}: there is no such array", printable(wanted)))
            .expected(format!("one of: {}", names.join(", ")))
    }

    /// How long the record is: as long as its times, else as the longest arrays.
    fn length(&mut self, clocked: Option<&Clocked>, options: &ReadOptions) -> Result<u64, Error> {
        if let Some(clocked) = clocked {
            return Ok(self.container.arrays[clocked.array].rows);
        }
        let arrays = &self.container.arrays;
        let mut candidates: Vec<usize> = (0..arrays.len()).filter(|&at| self.parts[at].is_none()).collect();
        if !options.channels.is_empty() {
            let wanted =
                |at: &usize| options.channels.iter().any(|name| self.find(name).is_some_and(|found| found.0 == *at));
            candidates.retain(wanted);
        }
        candidates.into_iter().map(|at| arrays[at].rows).max().filter(|&rows| rows > 1).ok_or_else(|| self.nothing())
    }

    fn nothing(&self) -> Error {
        let found = match self.container.skipped.first() {
            Some(reason) => format!("holds no array that could be a channel: {reason}"),
            None => "holds no array that could be a channel".to_owned(),
        };
        Error::input(found)
            .expected("one array of numbers for each channel, or one with a column for each")
            .remedy("save each channel as an array of floating point numbers with a name")
    }

    /// Every column that is left and as long as the record.
    fn channels(&mut self, clocked: Option<&Clocked>, length: u64, options: &ReadOptions) -> Result<Vec<Taken>, Error> {
        let wanted: Vec<(usize, usize)> = options.channels.iter().filter_map(|name| self.find(name)).collect();
        for &(at, _) in &wanted {
            let rows = self.container.arrays[at].rows;
            if rows != length {
                return Err(Error::input(format!("{} has {rows} samples, the record {length}", self.name(at)))
                    .expected("channels of one length, and times of the same")
                    .remedy("--channels names arrays of one length, --time-column none leaves the times out"));
            }
        }
        let given = options.unit.as_deref().map(|text| {
            Quantity::parse(text).ok_or_else(|| {
                Error::usage(format!("--unit {}: no unit that is known here", printable(text)))
                    .expected("V, mV, A, V/m, A/m, T or another unit of amplitude")
            })
        });
        let given = given.transpose()?;
        let mut taken = Vec::new();
        for at in 0..self.container.arrays.len() {
            let array = &self.container.arrays[at];
            let name = Name::read(&array.name, &array.unit);
            let is_wanted = |column| {
                wanted.is_empty()
                    || wanted.iter().any(|&(a, c)| {
                        a == at
                            && (c == column || array.columns > 1 && c == 0 && !names_a_column(&options.channels, array))
                    })
            };
            if let Some(clocked) = clocked.filter(|clocked| clocked.array == at && array.columns == 1) {
                let even = if clocked.times.are_even() { "rises in equal steps" } else { "named for time" };
                self.decide(at, "time", even);
                continue;
            }
            if self.parts[at].is_some() && wanted.iter().all(|&(a, _)| a != at) {
                continue;
            }
            if array.rows != length {
                let why = format!("{} rows, the record has {length}", array.rows);
                self.decide(at, "left out", why);
                continue;
            }
            if array.columns > MOST_CHANNELS {
                let why = format!("{} columns, more than a capture has channels", array.columns);
                self.decide(at, "left out", why);
                continue;
            }
            let exact = Quantity::named(&array.unit);
            if exact.is_none() && name.is_frequency() {
                return Err(Error::input(format!("{} is a frequency: a spectrum, not samples", self.name(at)))
                    .expected("samples over time")
                    .remedy("export the waveform"));
            }
            for column in 0..array.columns {
                if clocked.is_some_and(|clocked| clocked.array == at && clocked.column == column) || !is_wanted(column)
                {
                    continue;
                }
                let unstated = if array.kind == Kind::Whole { Quantity::Codes } else { Quantity::Unknown };
                // A unit without prefix needs no look at the name; "wire_mV" in V is called so.
                let amplitude = match &exact {
                    Some(quantity) => Some((quantity.clone(), 1.0, array.name.as_str())),
                    None => name.amplitude(),
                };
                let bare = amplitude.as_ref().map(|(_, _, bare)| (*bare).to_owned()).filter(|bare| !bare.is_empty());
                let bare = bare.unwrap_or_else(|| array.name.clone());
                let (quantity, factor) =
                    amplitude.map(|(q, f, _)| (q, f)).or_else(|| given.clone()).unwrap_or((unstated, 1.0));
                let name = if array.columns > 1 { format!("{bare} {}", column + 1) } else { bare };
                let channel = Channel { name: printable(&name), quantity, role: Role::Other };
                taken.push(Taken { array: at, column, channel, factor });
            }
            let why = format!("a number for every sample of the record ({})", array.about);
            let is_channel = taken.last().is_some_and(|taken| taken.array == at);
            self.decide(
                at,
                if is_channel { "channel" } else { "left out" },
                if is_channel { why } else { "not among the channels asked for".into() },
            );
        }
        match taken.len() {
            0 => Err(self.nothing()),
            count if count > MOST_CHANNELS => Err(Error::input(format!("holds {count} channels"))
                .expected(format!("at most {MOST_CHANNELS}"))
                .remedy("--channels names those to read")),
            _ => Ok(taken),
        }
    }

    /// The roles that the container states; else the channels named wire and air, else the first two.
    fn roles(&mut self, taken: &mut [Taken]) {
        let role = |name: &str| Role::ALL.into_iter().find(|role| role.name() == name);
        let keys = &self.container.remarks;
        let stated = |taken: &Taken| stated(keys, "role", &self.container.arrays[taken.array].name).and_then(role);
        let roles: Vec<Option<Role>> = taken.iter().map(stated).collect();
        if roles.iter().any(Option::is_some) {
            for (taken, role) in taken.iter_mut().zip(roles) {
                taken.channel.role = role.unwrap_or(Role::Other);
                let (name, role) = (&taken.channel.name, taken.channel.role.name());
                self.reading.push(format!("\"{name}\" has the role {role}, as the file states."));
            }
            return;
        }
        let named = |word: &str| taken.iter().position(|taken| taken.channel.name.eq_ignore_ascii_case(word));
        let pair = match (named("wire"), named("air")) {
            (Some(wire), Some(air)) => [wire, air],
            _ => [0, 1],
        };
        for (at, role) in pair.into_iter().zip([Role::Wire, Role::Air]) {
            if let Some(taken) = taken.get_mut(at) {
                taken.channel.role = role;
                self.reading.push(format!("\"{}\" is the {} channel.", taken.channel.name, role.name()));
            }
        }
    }

    fn remark_on_units(&mut self, taken: &[Taken]) {
        let names = |wanted: &Quantity| {
            let names = taken.iter().filter(|taken| taken.channel.quantity == *wanted);
            let names: Vec<String> = names.map(|taken| format!("\"{}\"", taken.channel.name)).collect();
            (!names.is_empty()).then(|| names.join(", "))
        };
        if let Some(names) = names(&Quantity::Unknown) {
            let message = format!("The file states no unit for {names}; --unit V sets it.");
            self.findings.push(Finding::limit("unit_unknown", message));
        }
        if let Some(names) = names(&Quantity::Codes) {
            let message =
                format!("{names}: whole numbers without a unit, taken as codes; --scale gives the volts of a code.");
            self.findings.push(Finding::limit("codes_without_volts", message));
        }
    }

    fn account(&self, taken: &[Taken], clocked: Option<&Clocked>, settled: &Settled) -> Account {
        let mut columns = Vec::new();
        for (at, array) in self.container.arrays.iter().enumerate() {
            let (role, why) = match &self.parts[at] {
                Some(part) => (part.role, part.why.clone()),
                None => ("left out", "not needed".to_owned()),
            };
            let own = taken.iter().find(|taken| taken.array == at);
            columns.push(ColumnAccount {
                number: at + 1,
                name: array.name.clone(),
                role: role.to_owned(),
                unit: own.map_or("", |taken| taken.channel.quantity.symbol()).to_owned(),
                scale: own.map_or(1.0, |taken| taken.factor),
                why,
                option: match own {
                    _ if role == "time" => "--time-column, --time-unit",
                    None => "--channels, --time-column",
                    Some(taken) if matches!(taken.channel.quantity, Quantity::Unit(_)) => {
                        "--channels, --scale, --wire, --air"
                    }
                    Some(_) => "--unit, --scale, --channels, --wire, --air",
                }
                .to_owned(),
            });
            if clocked.is_some_and(|clocked| clocked.array == at && array.columns > 1) {
                let why = "its first column rises in equal steps and is the time".to_owned();
                columns.push(ColumnAccount {
                    number: at + 1,
                    name: column_name(array, 0),
                    role: "time".into(),
                    unit: String::new(),
                    scale: 1.0,
                    why,
                    option: "--time-column, --time-unit".into(),
                });
            }
        }
        let findings = self.findings.iter().chain(&settled.findings);
        let doubts = findings.filter_map(Doubt::of);
        Account {
            beside: Vec::new(),
            files: Vec::new(),
            block: None,
            columns,
            rates: settled.rates.clone(),
            skipped: self.container.skipped.clone(),
            doubts: doubts.collect(),
        }
    }

    fn opened(
        mut self,
        taken: Vec<Taken>,
        length: u64,
        settled: Settled,
        clocked: Option<&Clocked>,
        options: &ReadOptions,
    ) -> Result<Box<dyn Recording>, Error> {
        let account = self.account(&taken, clocked, &settled);
        if let Some(clocked) = clocked.filter(|clocked| self.container.arrays[clocked.array].columns > 1) {
            let name = column_name(&self.container.arrays[clocked.array], clocked.column);
            self.reading.push(format!("\"{}\" rises in equal steps and is the time.", printable(&name)));
        }
        let left_out =
            (0..self.parts.len()).filter(|&at| self.parts[at].as_ref().is_some_and(|part| part.role == "left out"));
        let left_out: Vec<String> = left_out
            .map(|at| format!("{} ({})", self.name(at), self.parts[at].as_ref().map_or("", |part| &part.why)))
            .collect();
        if !left_out.is_empty() {
            self.reading.push(format!("Left out: {}.", left_out.join(", ")));
        }
        self.reading.extend(settled.reading);
        self.reading.extend(self.container.skipped.iter().map(|reason| format!("Left out: {reason}.")));
        self.findings.extend(settled.findings);
        let mut sets: Vec<Set> = Vec::new();
        for (channel, taken) in taken.iter().enumerate() {
            let array = &self.container.arrays[taken.array];
            if sets.last().is_none_or(|set| set.array != taken.array) {
                sets.push(Set { array: taken.array, rows: (array.open)()?, width: array.columns, goals: Vec::new() });
            }
            if let Some(set) = sets.last_mut() {
                set.goals.push(Goal { column: taken.column, channel, factor: taken.factor });
            }
        }
        let widest = sets.iter().map(|set| set.width).max().unwrap_or(1);
        let channels: Vec<Channel> = taken.into_iter().map(|taken| taken.channel).collect();
        let block = rows_per_block(channels.len() + widest, options);
        let header = Header {
            path: self.container.source.name().to_owned(),
            format: self.container.format,
            layout: self.container.layout,
            channels,
            clock: settled.clock,
            faithful_to_hz: None,
            promised_samples: Some(length),
            reading: self.reading,
            findings: self.findings,
        };
        Ok(Box::new(Arrays { header, account, sets, left: length, given: 0, block, numbers: Vec::new() }))
    }
}

/// What a key of the container says of an array, such as `unit.<name>`.
fn stated<'a>(remarks: &'a [(String, String)], what: &str, name: &str) -> Option<&'a str> {
    let of = |key: &str| key.strip_prefix(what).and_then(|rest| rest.strip_prefix('.')) == Some(name);
    remarks.iter().find(|(key, _)| of(key)).map(|(_, value)| value.as_str())
}

/// The name of one column of a table.
fn column_name(array: &Array, column: usize) -> String {
    format!("{} {}", array.name, column + 1)
}

/// Whether single columns of this table are asked for.
fn names_a_column(channels: &[String], array: &Array) -> bool {
    (0..array.columns.min(MOST_CHANNELS)).any(|column| channels.contains(&column_name(array, column)))
}

/// An array on its way, and where its columns go.
struct Set {
    array: usize,
    rows: Box<dyn Rows>,
    width: usize,
    goals: Vec<Goal>,
}

struct Goal {
    column: usize,
    channel: usize,
    factor: f64,
}

struct Arrays {
    header: Header,
    account: Account,
    sets: Vec<Set>,
    left: u64,
    given: u64,
    block: usize,
    numbers: Vec<f64>,
}

impl Recording for Arrays {
    fn header(&self) -> &Header {
        &self.header
    }

    fn account(&self) -> Account {
        self.account.clone()
    }

    fn next_block(&mut self) -> Result<Option<Block>, Error> {
        let rows = self.block.min(usize::try_from(self.left).unwrap_or(usize::MAX));
        if rows == 0 {
            return Ok(None);
        }
        let mut samples = Array2::zeros((self.header.channels.len(), rows));
        for set in &mut self.sets {
            self.numbers.resize(rows * set.width, 0.0);
            set.rows.fill(&mut self.numbers).map_err(|error| error.in_file(self.header.path.as_str()))?;
            for goal in &set.goals {
                let own = self.numbers.iter().skip(goal.column).step_by(set.width);
                for (row, (sample, number)) in samples.row_mut(goal.channel).iter_mut().zip(own).enumerate() {
                    *sample = number * goal.factor;
                    if !sample.is_finite() {
                        return Err(no_number(&self.header, goal.channel, self.given + row as u64));
                    }
                }
            }
        }
        let first = self.given;
        self.given += rows as u64;
        self.left -= rows as u64;
        Ok(Some(Block { first, samples }))
    }
}

fn no_number(header: &Header, channel: usize, sample: u64) -> Error {
    let name = &header.channels[channel].name;
    Error::input(format!("sample {sample} of \"{name}\" is missing, no finite number, or a whole one beyond 2^53"))
        .in_file(header.path.as_str())
        .expected("finite numbers")
        .remedy("cut the record there, or record again on a larger range")
}
