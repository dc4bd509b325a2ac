//! COMTRADE: a configuration and its data, in two files (`.cfg`, `.dat`) or in one (`.cff`).
//!
//! Value = a x + b. Whole numbers keep every bit where a is a power of two, which is found from the samples
//! themselves; else the values are written as they are, as floating point of 32 bits or as decimals. What the file does
//! not know is not made up: the day is that of the epoch, the trigger lies where time zero is.
//!
//! # Sources
//! IEEE C37.111-1999 and -2013 (IEC 60255-24), from memory. The standard foresees decimals of at most 13 characters;
//! those that keep all bits of a double have up to 24.

use super::samples::{decimal, power_of_two, put_decimal};
use super::{Blocks, ChannelSurvey, Folder, Job, Samples, Sink, Writer, failed, fill};
use crate::capture::{Channel, Quantity};
use crate::error::{Error, steers};

/// The row of this container.
pub(super) const WRITER: Writer = Writer {
    name: "comtrade",
    about: "COMTRADE, .cfg with .dat or a single .cff: BINARY, FLOAT32, BINARY32 or ASCII",
    extensions: &["cfg", "cff"],
    samples: &[Samples::I16, Samples::F32, Samples::I32, Samples::Text],
    whole: |_| true,
    step: |samples, channel| channel.step(samples),
    largest: f64::INFINITY,
    // As many as the reader takes.
    most_channels: 4096,
    files,
    explains: |_| String::new(),
    write,
};

/// The value that marks one as missing in text.
const MISSING: f64 = 99_999.0;

fn is_single(name: &str) -> bool {
    name.to_ascii_lowercase().ends_with(".cff")
}

fn is_configuration(name: &str) -> bool {
    name.to_ascii_lowercase().ends_with(".cfg")
}

/// The name of the data that belong to a configuration.
fn data_name(name: &str) -> String {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    format!("{stem}.dat")
}

fn files(name: &str) -> Vec<String> {
    // Any other ending is refused as soon as it comes to writing.
    if is_configuration(name) { vec![name.to_owned(), data_name(name)] } else { vec![name.to_owned()] }
}

fn write(job: &Job<'_>, blocks: &mut Blocks<'_>, folder: &mut dyn Folder) -> Result<(), Error> {
    const MOST_ROWS: u64 = u32::MAX as u64 - 1;
    if job.survey.samples > MOST_ROWS {
        return Err(Error::usage(format!("{} samples, where COMTRADE counts to {MOST_ROWS}", job.survey.samples))
            .in_file(job.name)
            .remedy("write wav or npy"));
    }
    let single = is_single(job.name);
    if !single && !is_configuration(job.name) {
        return Err(Error::usage("a COMTRADE record ends in .cfg (with a .dat beside it) or in .cff").in_file(job.name));
    }
    let unit = StampUnit::of(job);
    let kind = kind(job.samples);
    let configuration = configuration(job, unit);
    let put = |sink: &mut dyn Sink, text: &str| sink.write_all(text.as_bytes()).map_err(|e| failed(job.name, &e));
    if !single {
        fill(folder, job.name, |sink| put(sink, &configuration))?;
        return fill(folder, &data_name(job.name), |sink| data(job, unit, blocks, sink));
    }
    fill(folder, job.name, |sink| {
        let size = row_bytes(job).map_or(String::new(), |bytes| format!(": {}", bytes * job.survey.samples));
        put(
            sink,
            &format!(
                "--- file type: CFG ---\r\n{configuration}--- file type: INF ---\r\n--- file type: HDR ---\r\n--- file \
                 type: DAT {kind}{size} ---\r\n"
            ),
        )?;
        data(job, unit, blocks, sink)
    })
}

fn kind(samples: Samples) -> &'static str {
    match samples {
        Samples::I16 => "BINARY",
        Samples::I32 => "BINARY32",
        Samples::F32 => "FLOAT32",
        _ => "ASCII",
    }
}

/// The bytes of a row; none where it is text.
fn row_bytes(job: &Job<'_>) -> Option<u64> {
    let width = u64::from(job.samples.bytes());
    (width > 0).then(|| 8 + width * job.header.channels.len() as u64)
}

/// The unit of the time stamps in microseconds: fine enough for the interval, coarse enough for 32 bits.
#[derive(Debug, Clone, Copy, PartialEq)]
struct StampUnit {
    microseconds: f64,
    /// Units between two samples.
    interval: f64,
}

impl StampUnit {
    fn of(job: &Job<'_>) -> Self {
        const MOST: f64 = 4_294_967_294.0;
        let interval_us = 1e6 * job.header.clock.interval_s();
        let last = job.survey.samples.saturating_sub(1) as f64;
        let at = |exponent: i32| {
            let microseconds = if exponent < 0 { 1.0 / 10f64.powi(-exponent) } else { 10f64.powi(exponent) };
            Self { microseconds, interval: interval_us / microseconds }
        };
        let fits = |unit: &Self| last * unit.interval <= MOST;
        let even = |unit: &Self| {
            let whole = unit.interval.round();
            whole >= 1.0 && (unit.interval - whole).abs() <= 1e-9 * whole
        };
        // From microseconds down to picoseconds where that makes the interval whole, up again where 32 bits end.
        (-6..=0)
            .rev()
            .map(at)
            .find(|unit| even(unit) && fits(unit))
            .or_else(|| (-3..=300).map(at).find(|unit| fits(unit)))
            .unwrap_or_else(|| at(0))
    }

    /// The stamp of a row counted from 0.
    fn stamp(self, row: u64) -> u32 {
        #[expect(clippy::cast_possible_truncation, reason = "the unit is chosen so that it fits")]
        let stamp = (row as f64 * self.interval).round() as u32;
        stamp
    }
}

fn configuration(job: &Job<'_>, unit: StampUnit) -> String {
    let channels = &job.header.channels;
    let old = job.samples == Samples::I16;
    let station = job.history.origins.first().map_or("", |origin| bare(&origin.name));
    let mut lines = vec![
        format!("{},{},{}", cell(station), env!("CARGO_PKG_NAME"), if old { 1999 } else { 2013 }),
        format!("{count},{count}A,0D", count = channels.len()),
    ];
    lines.extend(
        channels
            .iter()
            .zip(&job.survey.channels)
            .enumerate()
            .map(|(at, (channel, survey))| analog(at, channel, survey, job.samples)),
    );
    // Zero: not known.
    lines.push(decimal(job.mains_hz.unwrap_or(0.0)));
    lines.push("1".to_owned());
    lines.push(format!("{},{}", decimal(job.header.clock.rate.get()), job.survey.samples));
    let trigger = Some(-job.header.clock.start_s).filter(|after| (0.0..86_400.0).contains(after)).unwrap_or(0.0);
    lines.push(stamp_of_day(0.0));
    lines.push(stamp_of_day(trigger));
    lines.push(kind(job.samples).to_owned());
    lines.push(decimal(unit.microseconds));
    if !old {
        // No time code, no quality of the clock, no leap second.
        lines.extend(["0,0".to_owned(), "0,0".to_owned()]);
    }
    lines.iter().map(|line| format!("{line}\r\n")).collect()
}

/// The line of a channel: number, name, phase, component, unit, a, b, skew, min, max, primary, secondary, P or S.
fn analog(at: usize, channel: &Channel, survey: &ChannelSurvey, samples: Samples) -> String {
    let name = cell(&channel.name);
    let unit = match &channel.quantity {
        Quantity::Unit(unit) => cell(unit),
        _ => String::new(),
    };
    let whole = samples.bits().is_some();
    let a = if whole { power_of_two(survey.step(samples)) } else { 1.0 };
    // Minus zero changes nothing when it is added, not even the sign of a zero.
    let b = if survey.has_negative_zero() && !whole { -0.0 } else { 0.0 };
    let (least, most) = match samples {
        Samples::I16 | Samples::I32 => (-samples.largest(), samples.largest()),
        Samples::F32 => (f64::from(f32::MIN), f64::from(f32::MAX)),
        // A range that reaches 99999 says that it is a value there and marks nothing as missing.
        _ if survey.most >= MISSING - 1.0 => (survey.least.min(-MISSING), survey.most.ceil().max(MISSING)),
        _ => (survey.least, survey.most),
    };
    let [a, b, least, most] = [a, b, least, most].map(decimal);
    format!("{},{name},,,{unit},{a},{b},0,{least},{most},1,1,P", at + 1)
}

/// A text within a cell: no comma, no line end.
fn cell(text: &str) -> String {
    const LONGEST: usize = 64;
    text.chars().take(LONGEST).map(|letter| if letter == ',' || steers(letter) { ' ' } else { letter }).collect()
}

fn bare(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// A time on the day that stands for one that is not known.
fn stamp_of_day(seconds: f64) -> String {
    #[expect(clippy::cast_possible_truncation, reason = "within a day")]
    let micros = ((seconds * 1e6).round() as u64).min(86_399_999_999);
    let (whole, micros) = (micros / 1_000_000, micros % 1_000_000);
    format!("01/01/1970,{:02}:{:02}:{:02}.{micros:06}", whole / 3600, whole / 60 % 60, whole % 60)
}

fn data(job: &Job<'_>, unit: StampUnit, blocks: &mut Blocks<'_>, sink: &mut dyn Sink) -> Result<(), Error> {
    let steps: Vec<i32> = job.survey.channels.iter().map(|channel| channel.step(job.samples)).collect();
    let (mut bytes, mut text) = (Vec::new(), String::new());
    while let Some(block) = blocks.next()? {
        bytes.clear();
        text.clear();
        for (row, instant) in block.samples.columns().into_iter().enumerate() {
            let row = block.first + row as u64;
            let (number, stamp) = (u32::try_from(row + 1).unwrap_or(u32::MAX), unit.stamp(row));
            if job.samples == Samples::Text {
                text += &format!("{number},{stamp}");
                for value in instant {
                    text.push(',');
                    put_decimal(*value, &mut text);
                }
                text += "\r\n";
            } else {
                bytes.extend(number.to_le_bytes());
                bytes.extend(stamp.to_le_bytes());
                instant.iter().zip(&steps).for_each(|(value, step)| job.samples.put(*value, *step, &mut bytes));
            }
        }
        let all = if job.samples == Samples::Text { text.as_bytes() } else { &bytes };
        sink.write_all(all).map_err(|error| failed(job.name, &error))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_break_a_line() {
        assert_eq!(cell("a,b\nc\u{202e}"), "a b c ");
        assert_eq!(data_name("hum.v2.cfg"), "hum.v2.dat");
        assert_eq!(stamp_of_day(3661.25), "01/01/1970,01:01:01.250000");
    }
}
