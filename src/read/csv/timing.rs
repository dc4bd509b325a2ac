//! From printed times and stated intervals to one clock.
//!
//! The one idea: every printed time stands for a small interval, half a unit of its last digit to either side.
//! A record is uniform when one straight line goes through all of these intervals. [`Ruler`] keeps the range of
//! slopes that are still possible, so the check needs one pass and no memory, and never looks at the difference
//! of neighbours, which in a rounded column is worthless. A stated interval agrees with the column when it lies
//! in that range.

use super::cells::Printed;
use crate::capture::{Clock, RateSource};
use crate::error::{Error, Finding};
use crate::lanes::{Kernel, widest};
use crate::read::ReadOptions;
use crate::units::Hertz;

/// What the arithmetic of whoever wrote the times may have lost, relative to the time: a few units of double
/// precision.
const DOUBLE_NOISE: f64 = 1e-15;

/// The same for times that went through single precision: one unit in the last of 24 binary places, for the
/// product and the rounding.
const SINGLE_NOISE: f64 = 1.2e-7;

/// An exponent without digits behind it, as in `4e-08`, was printed by something that drops trailing zeros after
/// six digits; so at least six digits are taken as meant.
const MEANT_DIGITS: i32 = 6;

/// How finely a column of numbers is printed: fixed decimals or fixed digits, trailing zeros dropped or not.
///
/// The finest decimals and the most digits seen at the beginning of the file say how finely a short `-0.004` was
/// meant in a column whose other times read `-0.003998`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fineness {
    decimals: i32,
    digits: i32,
    /// The whole seconds that were taken off all times: an epoch far away, whose double precision is coarse.
    epoch: f64,
}

impl Fineness {
    /// Looks over a column.
    pub(super) fn of(column: impl Iterator<Item = Printed>) -> Self {
        column.fold(Self { decimals: 0, digits: 1, epoch: 0.0 }, |seen, printed| Self {
            decimals: seen.decimals.max(-printed.last_digit),
            digits: seen.digits.max(printed.significant),
            ..seen
        })
    }

    /// A count is exact and never rounded.
    pub(super) fn of_a_count() -> Self {
        Self { decimals: 6, digits: 15, epoch: 0.0 }
    }

    /// The same for times behind an epoch.
    pub(super) fn behind(self, epoch: f64) -> Self {
        Self { epoch, ..self }
    }

    /// What the arithmetic of whoever wrote a time may have lost.
    #[inline]
    fn noise(self, time: f64) -> f64 {
        // Times behind an epoch were one double each when they were written.
        DOUBLE_NOISE * time.abs() + f64::EPSILON * self.epoch.abs()
    }

    /// Half a unit of the last digit that was meant.
    #[inline]
    fn half_unit(self, printed: Printed) -> f64 {
        if printed.last_digit <= -self.decimals {
            return 0.5 * power_of_ten(printed.last_digit);
        }
        let meant = (-self.decimals).max(printed.last_digit + printed.significant - self.digits);
        0.5 * power_of_ten(printed.last_digit.min(meant))
    }
}

#[inline]
fn power_of_ten(exponent: i32) -> f64 {
    const TABLE: [f64; 25] = [
        1e-18, 1e-17, 1e-16, 1e-15, 1e-14, 1e-13, 1e-12, 1e-11, 1e-10, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2,
        1e-1, 1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6,
    ];
    usize::try_from(exponent + 18).ok().and_then(|at| TABLE.get(at).copied()).unwrap_or_else(|| 10f64.powi(exponent))
}

/// A range of slopes.
#[derive(Debug, Clone, Copy)]
struct Slopes {
    low: f64,
    high: f64,
}

impl Slopes {
    const ANY: Slopes = Slopes { low: f64::NEG_INFINITY, high: f64::INFINITY };

    #[inline]
    fn narrow(&mut self, rise: f64, give: f64, per_step: f64) {
        self.low = self.low.max((rise - give) * per_step);
        self.high = self.high.min((rise + give) * per_step);
    }

    fn exist(self) -> bool {
        self.low <= self.high
    }

    fn join(&mut self, other: Slopes) {
        self.low = self.low.max(other.low);
        self.high = self.high.min(other.high);
    }
}

/// A step from one row to the next.
#[derive(Debug, Clone, Copy)]
struct Step {
    size: f64,
    /// How much of it the rounding of its two ends can explain.
    give: f64,
    /// The line that the step leads to.
    line: u64,
}

/// Lays a ruler against a column of times, row by row.
///
/// A part of the rows can be measured apart ([`Ruler::ahead`]) and joined in order; the result is the same to the bit,
/// because nothing but smallest and largest values and the ends of the parts go into it.
#[derive(Debug, Clone)]
pub(super) struct Ruler {
    fineness: Fineness,
    count: u64,
    /// The number of the first row measured here.
    from: u64,
    /// The first time measured here, and its line.
    head: (f64, f64),
    head_line: u64,
    first: (f64, f64),
    last: (f64, f64),
    last_line: u64,
    plain: Slopes,
    noisy: Slopes,
    single: bool,
    backwards: Option<Step>,
    largest: Step,
    second_largest: f64,
    smallest: Step,
    /// Whether every second step is zero and the ones between are not.
    in_pairs: bool,
}

impl Ruler {
    pub(super) fn new(fineness: Fineness) -> Self {
        Self {
            fineness,
            count: 0,
            from: 0,
            head: (0.0, 0.0),
            head_line: 0,
            first: (0.0, 0.0),
            last: (0.0, 0.0),
            last_line: 0,
            plain: Slopes::ANY,
            noisy: Slopes::ANY,
            single: true,
            backwards: None,
            largest: Step { size: f64::NEG_INFINITY, give: 0.0, line: 0 },
            second_largest: f64::NEG_INFINITY,
            smallest: Step { size: f64::INFINITY, give: 0.0, line: 0 },
            in_pairs: true,
        }
    }

    /// How many times were seen.
    pub(super) fn count(&self) -> u64 {
        self.count
    }

    /// Whether a time lies before the last one by more than rounding explains.
    #[inline]
    pub(super) fn goes_back_to(&self, printed: Printed) -> bool {
        self.count > 0 && printed.value < self.last.0 && {
            let half = self.fineness.half_unit(printed) + self.fineness.noise(printed.value);
            self.last.0 - printed.value > half + self.last.1
        }
    }

    /// The first and the last time.
    pub(super) fn ends(&self) -> (f64, f64) {
        (self.first.0, self.last.0)
    }

    /// A ruler for rows that come so many rows later.
    pub(super) fn ahead(&self, rows: u64) -> Self {
        let from = self.count + rows;
        Self { count: from, from, first: self.first, ..Self::new(self.fineness) }
    }

    /// Whether a part that was measured apart begins at the next row.
    pub(super) fn is_followed_by(&self, part: &Self) -> bool {
        part.from == self.count
    }

    /// Whether the time goes back within a part or on the way to it, by more than rounding explains.
    pub(super) fn goes_back_with(&self, part: &Self) -> bool {
        part.backwards.is_some() || (self.count > 0 && part.head.0 - self.last.0 < -(part.head.1 + self.last.1))
    }

    /// Adds the rows of a part that was measured apart and goes on from here.
    pub(super) fn join(&mut self, part: &Self) {
        if self.count == 0 {
            *self = part.clone();
            return;
        }
        self.step(part.head.0 - self.last.0, part.head.1 + self.last.1, part.head_line);
        self.plain.join(part.plain);
        self.noisy.join(part.noisy);
        self.single &= part.single;
        if part.largest.size > self.largest.size {
            self.second_largest = self.largest.size.max(part.second_largest);
            self.largest = part.largest;
        } else {
            self.second_largest = self.second_largest.max(part.largest.size);
        }
        if part.smallest.size < self.smallest.size {
            self.smallest = part.smallest;
        }
        self.backwards = self.backwards.or(part.backwards);
        self.in_pairs &= part.in_pairs;
        (self.count, self.last, self.last_line) = (part.count, part.last, part.last_line);
    }

    /// The next time, and the line that it stands in.
    #[inline]
    pub(super) fn push(&mut self, printed: Printed, line: u64) {
        let time = printed.value;
        let half = self.fineness.half_unit(printed) + self.fineness.noise(time);
        #[expect(
            clippy::cast_possible_truncation,
            reason = "whether the time survives single precision is the question"
        )]
        let single = f64::from(time as f32);
        self.single &= (single - time).abs() <= half;
        if self.count == 0 {
            self.first = (time, half);
        } else {
            let per_step = 1.0 / self.count as f64;
            let rise = time - self.first.0;
            let give = half + self.first.1;
            self.plain.narrow(rise, give, per_step);
            self.noisy.narrow(rise, give + SINGLE_NOISE * (time.abs() + self.first.0.abs()), per_step);
        }
        if self.count > self.from {
            self.step(time - self.last.0, half + self.last.1, line);
        } else {
            self.head = (time, half);
            self.head_line = line;
        }
        self.count += 1;
        self.last = (time, half);
        self.last_line = line;
    }

    /// Whether a number whose last digit has this power of ten is printed as finely as any, so that nothing but that
    /// power tells how finely it was meant.
    #[inline]
    pub(super) fn is_fine(&self, last_digit: i32) -> bool {
        last_digit <= -self.fineness.decimals
    }

    /// The next times, all printed to this last digit ([`Ruler::is_fine`]) and each in the line behind the one before;
    /// the same as [`Ruler::push`] for each.
    pub(super) fn push_all(&mut self, times: &[f64], last_digit: i32, first_line: u64) {
        const LANES: usize = 8;
        let mut line = first_line;
        let mut one = |ruler: &mut Self, time: f64| {
            ruler.push(Printed { value: time, last_digit, significant: 0 }, line);
            line += 1;
        };
        // The first of a part has nothing before it, and the first of these may have something else.
        let head = if self.count > self.from && self.count > 0 { 1 } else { 2 };
        let (head, rest) = times.split_at(head.min(times.len()));
        head.iter().for_each(|&time| one(self, time));
        let (eights, tail) = rest.as_chunks::<LANES>();
        if !eights.is_empty() {
            let half_unit = 0.5 * power_of_ten(last_digit);
            let before = times[head.len() - 1];
            let seen = widest(Look { eights, before, half_unit, ruler: self });
            self.single &= seen.single;
            self.plain.join(seen.plain);
            self.noisy.join(seen.noisy);
            let half = |time: f64| half_unit + self.fineness.noise(time);
            let last = rest[eights.len() * LANES - 1];
            let (end, end_half) = (last, half(last));
            let news = seen.largest > self.second_largest
                || seen.smallest < self.smallest.size
                || (seen.back && self.backwards.is_none())
                || self.in_pairs;
            if news {
                let mut before = (before, half(before));
                for (&time, line) in eights.as_flattened().iter().zip(first_line + head.len() as u64..) {
                    let half = half_unit + self.fineness.noise(time);
                    self.step(time - before.0, half + before.1, line);
                    self.count += 1;
                    before = (time, half);
                }
            } else {
                self.count += (eights.len() * LANES) as u64;
            }
            self.last = (end, end_half);
            line += (eights.len() * LANES) as u64;
            self.last_line = line - 1;
        }
        for &time in tail {
            self.push(Printed { value: time, last_digit, significant: 0 }, line);
            line += 1;
        }
    }

    #[inline]
    fn step(&mut self, size: f64, give: f64, line: u64) {
        if size > self.largest.size {
            self.second_largest = self.largest.size;
            self.largest = Step { size, give, line };
        } else {
            self.second_largest = self.second_largest.max(size);
        }
        if size < self.smallest.size {
            self.smallest = Step { size, give, line };
        }
        if size < -give && self.backwards.is_none() {
            self.backwards = Some(Step { size, give, line });
        }
        let within_pair = self.count % 2 == 1;
        self.in_pairs &= if within_pair { size == 0.0 } else { size > 1.5 * give };
    }

    /// The line through the end points, where the column is uniform.
    ///
    /// # Errors
    /// Times that run backwards or start over, pairs of equal times, a gap, steps without any order.
    pub(super) fn read(&self) -> Result<Column, Error> {
        let steps = self.count.saturating_sub(1) as f64;
        let interval = (self.last.0 - self.first.0) / steps;
        if self.in_pairs && self.count >= 4 {
            return Err(in_pairs());
        }
        // Noise is granted where the times show that they are single precision, or where it is small beside a step.
        let noise = SINGLE_NOISE * (self.last.0.abs().max(self.first.0.abs()));
        let noisy = !self.plain.exist() && self.noisy.exist() && (self.single || 4.0 * noise < interval);
        let uniform =
            if noisy { self.steps_fit(interval, noise) } else { self.plain.exist() && self.steps_fit(interval, 0.0) };
        if self.count < 2 || !uniform || interval <= 0.0 {
            return Err(self.complaint());
        }
        let slopes = if noisy { self.noisy } else { self.plain };
        let half = self.first.1.max(self.last.1) + if noisy { noise / 2.0 } else { 0.0 };
        Ok(Column { interval, start: self.first.0, relative: half / (interval * steps), slopes, single: noisy })
    }

    /// The mean interval of a column whose steps differ, for samples that are to be laid on an even grid.
    ///
    /// # Errors
    /// Times that run backwards or stand still, and pairs of equal times.
    pub(super) fn uneven(&self) -> Result<(Column, Uneven), Error> {
        let steps = self.count.saturating_sub(1) as f64;
        let interval = (self.last.0 - self.first.0) / steps;
        if self.in_pairs && self.count >= 4 {
            return Err(in_pairs());
        }
        if self.count < 2 || self.backwards.is_some() || interval <= 0.0 {
            return Err(self.complaint());
        }
        if self.smallest.size <= 0.0 {
            return Err(Error::input("the time stands still here, so that --resample cannot tell the samples apart")
                .at_line(self.smallest.line, None)
                .expected("times that rise from row to row")
                .remedy("export the record with finer times"));
        }
        let half_unit = self.first.1.max(self.last.1);
        // A header states its interval in round numbers; whether it is meant in this unit is all that is asked.
        let slopes = Slopes { low: 0.99 * interval, high: 1.01 * interval };
        let relative = half_unit / (interval * steps);
        let (smallest, largest) = (self.smallest.size, self.largest.size);
        let column = Column { interval, start: self.first.0, relative, slopes, single: false };
        Ok((column, Uneven { smallest, largest, half_unit, line: self.largest.line }))
    }

    /// Whether rounding and noise explain the largest and the smallest step.
    ///
    /// A line alone does not see a single missing sample in a long record, as it runs through the middle of the jump.
    fn steps_fit(&self, interval: f64, noise: f64) -> bool {
        let give = |step: &Step| step.give + 2.0 * noise + 1e-9 * interval;
        self.largest.size <= interval + give(&self.largest) && self.smallest.size >= interval - give(&self.smallest)
    }

    /// Why the column gives no clock.
    pub(super) fn complaint(&self) -> Error {
        if self.count < 2 {
            return Error::input("holds one row of samples").expected("at least two");
        }
        if let Some(back) = self.backwards {
            return goes_back(-back.size, back.line);
        }
        if self.largest.size <= 0.0 {
            return Error::input("the time stands still")
                .at_line(self.last_line, None)
                .expected("times that rise in equal steps")
                .remedy("--time-column none leaves the column out, --sample-rate then gives the rate");
        }
        let steps = (self.count - 1) as f64;
        let usual = (self.last.0 - self.first.0 - self.largest.size) / (steps - 1.0).max(1.0);
        let alone = self.smallest.size > 0.5 * usual - 2.0 * self.last.1;
        if self.count > 3
            && alone
            && self.largest.size > 1.5 * usual
            && self.second_largest < 1.5 * usual + 2.0 * self.last.1
        {
            return Error::input(format!(
                "a gap: the time steps by {} here, elsewhere by {} on average",
                six_digits(self.largest.size),
                six_digits(usual)
            ))
            .at_line(self.largest.line, None)
            .expected("times that rise in equal steps")
            .remedy(
                "cut the file at the gap, or export the record once more; --resample bridges a step or two and states the \
                 error",
            );
        }
        let mean = (self.last.0 - self.first.0) / steps;
        let worst = if mean - self.smallest.size > self.largest.size - mean { self.smallest } else { self.largest };
        Error::input(format!(
            "the times do not rise in equal steps: the steps lie between {} and {}, here {}",
            six_digits(self.smallest.size),
            six_digits(self.largest.size),
            six_digits(worst.size)
        ))
        .at_line(worst.line, None)
        .expected("uniform sampling")
        .remedy("export the record with a fixed time step; --resample lays it on an even grid and states the error")
    }
}

/// What many times say at once: smallest and largest values only, so that their order is of no account.
struct Look<'a> {
    eights: &'a [[f64; 8]],
    /// The time before them.
    before: f64,
    half_unit: f64,
    ruler: &'a Ruler,
}

/// What [`Look`] saw.
struct Seen {
    plain: Slopes,
    noisy: Slopes,
    single: bool,
    largest: f64,
    smallest: f64,
    /// Whether a step goes back by more than rounding explains.
    back: bool,
}

#[inline(always)]
fn larger(a: f64, b: f64) -> f64 {
    if b > a { b } else { a }
}

#[inline(always)]
fn smaller(a: f64, b: f64) -> f64 {
    if b < a { b } else { a }
}

impl Kernel for Look<'_> {
    type Output = Seen;

    #[inline(always)]
    fn run(self) -> Seen {
        let Self { eights, mut before, half_unit, ruler } = self;
        let (first, fineness) = (ruler.first, ruler.fineness);
        let (mut low, mut high) = ([f64::NEG_INFINITY; 8], [f64::INFINITY; 8]);
        let (mut noisy_low, mut noisy_high) = (low, high);
        let (mut largest, mut smallest) = (low, high);
        let (mut coarse, mut back) = ([false; 8], [false; 8]);
        // Counts are exact as doubles.
        let mut count = ruler.count as f64;
        for times in eights {
            let mut earlier = [before; 8];
            earlier[1..].copy_from_slice(&times[..7]);
            before = times[7];
            for n in 0..8 {
                let time = times[n];
                let half = half_unit + fineness.noise(time);
                #[expect(clippy::cast_possible_truncation, reason = "as in `Ruler::push`")]
                let single = f64::from(time as f32);
                coarse[n] |= (single - time).abs() > half;
                let per_step = 1.0 / (count + n as f64);
                let (rise, give) = (time - first.0, half + first.1);
                low[n] = larger(low[n], (rise - give) * per_step);
                high[n] = smaller(high[n], (rise + give) * per_step);
                let noise = give + SINGLE_NOISE * (time.abs() + first.0.abs());
                noisy_low[n] = larger(noisy_low[n], (rise - noise) * per_step);
                noisy_high[n] = smaller(noisy_high[n], (rise + noise) * per_step);
                let size = time - earlier[n];
                largest[n] = larger(largest[n], size);
                smallest[n] = smaller(smallest[n], size);
                back[n] |= size < -(half + (half_unit + fineness.noise(earlier[n])));
            }
            count += 8.0;
        }
        let most = |values: [f64; 8]| values.into_iter().fold(f64::NEG_INFINITY, larger);
        let least = |values: [f64; 8]| values.into_iter().fold(f64::INFINITY, smaller);
        Seen {
            plain: Slopes { low: most(low), high: least(high) },
            noisy: Slopes { low: most(noisy_low), high: least(noisy_high) },
            single: !coarse.contains(&true),
            largest: most(largest),
            smallest: least(smallest),
            back: back.contains(&true),
        }
    }
}

/// The refusal of a time that runs backwards.
pub(super) fn goes_back(by: f64, line: u64) -> Error {
    Error::input(format!("the time goes back by {} here", six_digits(by)))
        .at_line(line, None)
        .expected("times that rise in equal steps")
        .remedy("mend the file, or export the record once more")
}

/// The refusal of minimum and maximum pairs, wherever they show.
pub(super) fn in_pairs() -> Error {
    Error::input("holds pairs of minimum and maximum (peak detect), not samples: an envelope has no spectrum")
        .expected("one sample for each instant")
        .remedy("record again with peak detect off")
}

/// What a column of uneven times says besides. In the unit of the column, or in seconds once it is scaled.
#[derive(Debug, Clone, Copy)]
pub(super) struct Uneven {
    pub(super) smallest: f64,
    pub(super) largest: f64,
    /// How finely a time is printed: half a unit of its last digit.
    pub(super) half_unit: f64,
    /// The line that the largest step leads to.
    pub(super) line: u64,
}

impl Uneven {
    /// The same in another unit.
    pub(super) fn scaled(self, factor: f64) -> Self {
        let [smallest, largest, half_unit] = [self.smallest, self.largest, self.half_unit].map(|time| time * factor);
        Self { smallest, largest, half_unit, ..self }
    }
}

/// What a uniform column of times says. In the unit of the column.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    pub(super) interval: f64,
    pub(super) start: f64,
    /// The relative uncertainty of the interval.
    pub(super) relative: f64,
    slopes: Slopes,
    /// Whether it is uniform only within the noise of single precision.
    pub(super) single: bool,
}

impl Column {
    /// The same column in another unit.
    pub(super) fn scaled(self, factor: f64) -> Self {
        let slopes = Slopes { low: self.slopes.low * factor, high: self.slopes.high * factor };
        Self { interval: self.interval * factor, start: self.start * factor, slopes, ..self }
    }

    /// Whether a stated interval can be the one behind this column.
    pub(super) fn agrees(&self, stated: &Stated) -> bool {
        // Quotients of decimal numbers carry the noise of double precision.
        let give = stated.interval * (stated.relative + 1e-12);
        self.slopes.low <= stated.interval + give && stated.interval - give <= self.slopes.high
    }
}

/// An interval or a rate that the header states.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stated {
    /// Seconds.
    pub(super) interval: f64,
    /// Half a unit of the last digit that was meant, relative.
    pub(super) relative: f64,
    /// Whether it is stated as a rate, which is often rounded.
    pub(super) is_rate: bool,
    /// As the file writes it.
    pub(super) written: String,
    /// Whether its name may mean something else as well.
    pub(super) weak: bool,
}

impl Stated {
    /// Takes a printed number with the factor to seconds or hertz; `None` for what no clock can have.
    pub(super) fn new(printed: Printed, factor: f64, is_rate: bool, written: String) -> Option<Self> {
        let value = printed.value * factor;
        let interval = if is_rate { 1.0 / value } else { value };
        let plausible = value.is_finite() && value > 0.0 && interval.is_finite() && interval > 0.0;
        let spare = (MEANT_DIGITS - printed.significant).max(0);
        let relative = 0.5 * power_of_ten(printed.last_digit - spare) / printed.value.abs();
        plausible.then_some(Self { interval, relative, is_rate, written, weak: false })
    }

    /// The rate that the user gives.
    pub(super) fn given(rate: Hertz) -> Self {
        let written = per_second(rate);
        Self { interval: 1.0 / rate.get(), relative: 1e-9, is_rate: true, written, weak: false }
    }
}

/// The clock, and how it was found, a sentence each.
#[derive(Debug)]
pub(super) struct Timing {
    pub(super) clock: Clock,
    /// The factor of the time column to seconds.
    pub(super) unit: f64,
    /// Set where the times are uneven and the options ask for an even grid.
    pub(super) uneven: Option<Uneven>,
    pub(super) reading: Vec<String>,
    pub(super) findings: Vec<Finding>,
}

/// The clock from what the user, the header and the time column say.
///
/// # Errors
/// Nobody says anything, or header and column contradict each other.
pub(super) fn settle(
    options: &ReadOptions,
    stated: Option<&Stated>,
    column: Option<&Column>,
    start: f64,
) -> Result<Timing, Error> {
    let (mut reading, mut findings) = (Vec::new(), Vec::new());
    let weak = stated.filter(|stated| stated.weak && column.is_some_and(|column| !column.agrees(stated)));
    if let Some(weak) = weak {
        reading.push(format!("{} is not the interval of the rows and was not used.", weak.written));
    }
    let stated = stated.filter(|_| weak.is_none());
    if column.is_some_and(|column| column.single) {
        findings.push(Finding::note(
            "single_precision_times",
            "the time column went through single precision: its steps differ in the last digits, and the record is uniform \
             all the same",
        ));
    }
    let clock = if let Some(rate) = options.sample_rate {
        overridden(rate, stated, column).into_iter().for_each(|finding| findings.push(finding));
        reading.push(format!("The rate of {} is the option given.", per_second(rate)));
        Clock { rate, source: RateSource::Option, relative_uncertainty: 0.0, start_s: start }
    } else {
        if let (Some(stated), Some(column)) = (stated, column)
            && !column.agrees(stated)
        {
            return Err(contradiction(stated, column));
        }
        // An interval in the header beats the column; a rate, which is often rounded, beats it only when it is finer.
        let header = stated.filter(|stated| column.is_none_or(|c| !stated.is_rate || stated.relative <= c.relative));
        let (interval, relative, source) = match (header, column) {
            (Some(stated), _) => (stated.interval, stated.relative, RateSource::Header),
            (None, Some(column)) => (column.interval, column.relative, RateSource::TimeColumn),
            (None, None) => return Err(no_rate()),
        };
        let rate = Hertz::new(twelve_digits(1.0 / interval)).map_err(|_| absurd(interval))?;
        reading.push(match (header, stated) {
            (Some(stated), _) => format!("The rate of {} is stated: {}.", per_second(rate), stated.written),
            (None, Some(stated)) => {
                format!("The rate of {} is from {}, finer than {}.", per_second(rate), source.words(), stated.written)
            }
            (None, None) => format!("The rate of {} is from {}.", per_second(rate), source.words()),
        });
        Clock { rate, source, relative_uncertainty: relative, start_s: start }
    };
    Ok(Timing { clock, unit: 1.0, uneven: None, reading, findings })
}

/// The rate for people.
pub(super) fn per_second(rate: Hertz) -> String {
    format!("{} samples a second", rate.get())
}

/// Binary noise taken off a quotient of decimal numbers: 250000 rather than 249999.99999999997. Twelve digits are
/// far finer than any printed time.
pub(super) fn twelve_digits(value: f64) -> f64 {
    format!("{value:.11e}").parse().unwrap_or(value)
}

/// An interval for people: six digits are enough to compare two by eye.
pub(super) fn six_digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}").parse().unwrap_or(value);
    format!("{rounded:e}")
}

fn overridden(rate: Hertz, stated: Option<&Stated>, column: Option<&Column>) -> Option<Finding> {
    let given = 1.0 / rate.get();
    let away = |interval: f64, relative: f64| (given - interval).abs() > interval * (relative + 1e-9);
    let file = match (stated, column) {
        (Some(stated), _) if away(stated.interval, stated.relative) => &stated.written,
        (_, Some(column)) if away(column.interval, column.relative) => {
            &format!("a time column with {} samples a second", twelve_digits(1.0 / column.interval))
        }
        _ => return None,
    };
    Some(Finding::limit(
        "rate_overridden",
        format!("The option sets {}, the file holds {file}; the option was taken.", per_second(rate)),
    ))
}

fn contradiction(stated: &Stated, column: &Column) -> Error {
    Error::input(format!(
        "the header states {} ({} s), the time column steps by {} s ({} samples a second)",
        stated.written,
        six_digits(stated.interval),
        six_digits(column.interval),
        twelve_digits(1.0 / column.interval)
    ))
    .expected("header and time column to agree within their rounding")
    .remedy("--sample-rate HZ settles it")
}

fn no_rate() -> Error {
    Error::input("states no sampling rate and has no time column that gives one")
        .expected("a time column, or a sampling interval or rate in the header")
        .remedy("--sample-rate HZ gives the rate, --time-column NAME names the column that is time")
}

/// A time unit that cannot be told.
pub(super) fn no_time_unit(name: &str) -> Error {
    Error::input(format!("the times in {name} are whole numbers without a unit"))
        .expected("a unit such as \"Time (us)\"")
        .remedy("--time-unit s|ms|us|ns names it")
}

/// Times in a unit that is none of those known.
pub(super) fn other_time_unit(name: &str) -> Error {
    Error::input(format!("the times in {name} are in a unit that is not known here"))
        .expected("seconds, milliseconds, microseconds or nanoseconds")
        .remedy("--time-unit s|ms|us|ns names it, --sample-rate HZ with --time-column none goes without")
}

/// Times without a unit that would be very slow as seconds.
pub(super) fn doubtful_time_unit(name: &str, rate: f64) -> Error {
    Error::input(format!(
        "the times in {name} name no unit, and as seconds they would be {} samples a second only",
        six_digits(rate)
    ))
    .expected("a unit such as \"Time (ms)\"")
    .remedy("--time-unit s|ms|us|ns names it")
}

fn absurd(interval: f64) -> Error {
    Error::input(format!("a sampling interval of {interval:e} s is none")).remedy("--sample-rate HZ gives the rate")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(times: &[&str]) -> Result<Column, Error> {
        let printed: Vec<Printed> = times.iter().map(|t| Printed::read(t.as_bytes(), b'.').unwrap()).collect();
        let mut ruler = Ruler::new(Fineness::of(printed.iter().copied()));
        for (line, time) in (1..).zip(printed) {
            ruler.push(time, line);
        }
        ruler.read()
    }

    #[test]
    fn rounded_times_are_uniform() {
        let column = measure(&["0.00000", "0.00000", "0.00000", "0.00001", "0.00001", "0.00001", "0.00002", "0.00002"]);
        assert!((column.unwrap().interval - 2e-5 / 7.0).abs() < 1e-18);
        // Trailing zeros dropped: the first time is as fine as the others.
        assert!(measure(&["-0.004", "-0.003998", "-0.003996", "-0.003994"]).is_ok());
    }

    #[test]
    fn a_missing_sample_is_a_gap() {
        let error = measure(&["-0.004", "-0.003998", "-0.003996", "-0.003992", "-0.00399"]).unwrap_err();
        assert!(error.to_string().contains("gap"), "{error}");
        assert_eq!(error.place().line, Some(4));
    }

    #[test]
    fn a_missing_sample_in_a_long_record_is_a_gap() {
        // Steps of two units of the last digit: the jump of four bends no line by more than half a unit.
        let times: Vec<String> =
            (0..1000).map(|k| format!("{:.6}", 2e-6 * f64::from(k + i32::from(k >= 500)))).collect();
        let error = measure(&times.iter().map(String::as_str).collect::<Vec<_>>()).unwrap_err();
        assert_eq!(error.place().line, Some(501), "{error}");
    }

    #[test]
    fn single_precision_times_are_uniform() {
        let column =
            measure(&["-0.01999999955", "-0.01999600045", "-0.01999199949", "-0.01998800039", "-0.01998399943"]);
        assert!(column.unwrap().single);
    }

    #[test]
    fn pairs_and_steps_backwards_are_refused() {
        let pairs = measure(&["0.0", "0.0", "1.0", "1.0", "2.0", "2.0"]).unwrap_err();
        assert!(pairs.to_string().contains("minimum and maximum"), "{pairs}");
        let back = measure(&["0.0", "1.0", "2.0", "0.0", "1.0", "2.0"]).unwrap_err();
        assert_eq!(back.place().line, Some(4));
    }

    #[test]
    fn binary_noise_is_taken_off() {
        assert_eq!(twelve_digits(249_999.999_999_999_97), 250_000.0);
        assert_eq!(twelve_digits(45_146.25), 45_146.25);
    }
}
