//! The columns of a table as arrays with names.

use std::io::{ErrorKind, Read};
use std::sync::Arc;

use arrow_ipc::{Endianness, Field, KeyValue, Precision, Schema, TimeUnit, Type};

use super::FORMAT;
use super::batches::{Batch, Stream, Values, message, refuse};
use crate::capture::Recording;
use crate::error::{Error, printable};
use crate::read::arrays::{Array, Container, Kind, Rows, recording};
use crate::read::numbers::Number;
use crate::read::{ReadOptions, Source};

/// A table of more columns, and columns within them, is no capture.
const MOST_FIELDS: usize = 4096;

pub(super) fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let Stream { schema, batches, is_file } = Stream::of(source)?;
    let rows = batches.iter().try_fold(0u64, |sum, batch| sum.checked_add(batch.rows));
    let rows = rows.ok_or_else(|| refuse(source, "counts rows beyond all bounds"))?;
    let schema = message(&schema).and_then(|message| message.header_as_schema());
    let schema = schema.ok_or_else(|| refuse(source, "has no schema"))?;
    let remarks = pairs(schema.custom_metadata().into_iter().flatten());
    let count = batches.len();
    let memory = options.memory();
    let big_endian = schema.endianness() == Endianness::Big;
    let table = Arc::new(Table { source: source.clone(), batches, big_endian, memory });
    let (arrays, skipped) = arrays(&schema, &table, rows)?;
    let form = if is_file { "file" } else { "stream" };
    let layout = format!("Arrow IPC {form}, {} columns in {count} batches of rows", arrays.len());
    recording(Container { source, format: FORMAT.name, layout, arrays, remarks, skipped }, options)
}

/// Keys with their values, without those that programs keep for themselves.
fn pairs<'a>(pairs: impl Iterator<Item = KeyValue<'a>>) -> Vec<(String, String)> {
    let pairs = pairs.filter_map(|pair| Some((pair.key()?.to_owned(), pair.value()?.to_owned())));
    pairs.filter(|(key, value)| key != "pandas" && value.len() < 1000).collect()
}

/// The columns of numbers, and why others are none.
fn arrays(schema: &Schema<'_>, table: &Arc<Table>, rows: u64) -> Result<(Vec<Array>, Vec<String>), Error> {
    let (mut arrays, mut skipped) = (Vec::new(), Vec::new());
    // Where the nodes and buffers of the next column begin, as long as that can be told.
    let mut place = Some([0, 0]);
    for (at, field) in schema.fields().into_iter().flatten().enumerate() {
        if at == MOST_FIELDS {
            return Err(refuse(&table.source, format!("has more than {MOST_FIELDS} columns")));
        }
        let name = field.name().unwrap_or_default();
        match (form(&field), place) {
            (Err(why), _) => skipped.push(format!("\"{}\" {why}", printable(name))),
            (Ok(_), None) => {
                skipped.push(format!("\"{}\" lies behind columns that are not read here", printable(name)))
            }
            (Ok(_), _) if rows == 0 => skipped.push(format!("\"{}\" is empty", printable(name))),
            (Ok((number, kind)), Some(place)) => {
                let own = pairs(field.custom_metadata().into_iter().flatten());
                let unit = own.into_iter().find(|(key, _)| key == "unit").map(|(_, unit)| unit).unwrap_or_default();
                arrays.push(table.array(Plan { place, number, epoch: None }, kind, name, unit, rows)?);
            }
        }
        place = place.zip(taken(field)).map(|(place, own)| [place[0] + own[0], place[1] + own[1]]);
    }
    Ok((arrays, skipped))
}

/// What a column holds, or why it can be no channel.
fn form(field: &Field<'_>) -> Result<(Number, Kind), &'static str> {
    const OTHER: &str = "holds numbers of a kind that is not read here, such as dates or decimals";
    let seconds = |unit: TimeUnit| match unit {
        TimeUnit::SECOND => 1.0,
        TimeUnit::MILLISECOND => 1e-3,
        TimeUnit::MICROSECOND => 1e-6,
        _ => 1e-9,
    };
    let time = |unit: TimeUnit| Ok((Number::I64, Kind::Time { seconds: seconds(unit), epoch_s: 0.0 }));
    if field.dictionary().is_some() {
        return Err("is packed by a dictionary; save it as plain numbers");
    }
    if let Some(int) = field.type_as_int() {
        return Ok((
            match (int.bitWidth(), int.is_signed()) {
                (8, true) => Number::I8,
                (8, false) => Number::U8,
                (16, true) => Number::I16,
                (16, false) => Number::U16,
                (32, true) => Number::I32,
                (32, false) => Number::U32,
                (64, true) => Number::I64,
                (64, false) => Number::U64,
                _ => return Err(OTHER),
            },
            Kind::Whole,
        ));
    }
    if let Some(float) = field.type_as_floating_point() {
        return Ok((
            match float.precision() {
                Precision::HALF => Number::F16,
                Precision::SINGLE => Number::F32,
                Precision::DOUBLE => Number::F64,
                _ => return Err(OTHER),
            },
            Kind::Floating,
        ));
    }
    if let Some(stamp) = field.type_as_timestamp() {
        return time(stamp.unit());
    }
    if let Some(duration) = field.type_as_duration() {
        return time(duration.unit());
    }
    Err(match field.type_type() {
        Type::Bool => "holds true and false only",
        Type::Null | Type::Utf8 | Type::LargeUtf8 | Type::Utf8View | Type::Binary | Type::LargeBinary => {
            "holds no plain numbers"
        }
        Type::Date | Type::Time | Type::Decimal | Type::Interval => OTHER,
        _ => "is a list or lies within a structure",
    })
}

/// How many nodes and buffers of a batch a column takes, with all that lies within it; `None` where a batch says it.
fn taken(field: Field<'_>) -> Option<[usize; 2]> {
    let (mut nodes, mut buffers) = (0, 0);
    let mut open = vec![field];
    while let Some(field) = open.pop() {
        nodes += 1;
        if field.dictionary().is_some() {
            buffers += 2;
            continue;
        }
        buffers += match field.type_type() {
            Type::Null | Type::RunEndEncoded => 0,
            Type::Struct_ | Type::FixedSizeList => 1,
            Type::Utf8 | Type::LargeUtf8 | Type::Binary | Type::LargeBinary => 3,
            Type::Int | Type::FloatingPoint | Type::Bool | Type::Decimal | Type::Date | Type::Time => 2,
            Type::Timestamp | Type::Duration | Type::Interval | Type::FixedSizeBinary => 2,
            Type::List | Type::LargeList | Type::Map => 2,
            _ => return None,
        };
        let children = field.children();
        let count = children.map_or(0, |children| children.len());
        if nodes + open.len() + count > MOST_FIELDS {
            return None;
        }
        open.extend(children.into_iter().flatten());
    }
    Some([nodes, buffers])
}

struct Table {
    source: Source,
    batches: Vec<Batch>,
    big_endian: bool,
    memory: u64,
}

/// Where a column lies in each batch, and what its numbers are.
#[derive(Debug, Clone, Copy)]
struct Plan {
    place: [usize; 2],
    number: Number,
    /// What is taken off times: a double could not hold them.
    epoch: Option<i64>,
}

impl Table {
    fn array(self: &Arc<Self>, plan: Plan, kind: Kind, name: &str, unit: String, rows: u64) -> Result<Array, Error> {
        let about = format!("{:?}, {rows} rows", plan.number).to_lowercase();
        let (mut plan, mut kind) = (plan, kind);
        if let Kind::Time { seconds, .. } = kind {
            let mut column = self.column(plan);
            column.next_batch()?;
            let first = column.whole()?;
            plan.epoch = Some(first);
            kind = Kind::Time { seconds, epoch_s: first as f64 * seconds };
        }
        let table = Arc::clone(self);
        let open = move || Ok(Box::new(table.column(plan)) as Box<dyn Rows>);
        Ok(Array { name: name.to_owned(), unit, kind, rows, columns: 1, about, open: Arc::new(open) })
    }

    fn column(self: &Arc<Self>, plan: Plan) -> Column {
        Column { table: Arc::clone(self), plan, batch: 0, left: 0, at: 0, values: None, bits: 0, bytes: Vec::new() }
    }
}

/// A column on its way through the batches.
struct Column {
    table: Arc<Table>,
    plan: Plan,
    /// The next batch, the rows that are left in the current one, and those that are behind.
    batch: usize,
    left: u64,
    at: u64,
    values: Option<Values>,
    /// The current eight of the bits that say where there is a value.
    bits: u8,
    bytes: Vec<u8>,
}

fn read(source: &Source, stream: &mut dyn Read, bytes: &mut [u8]) -> Result<(), Error> {
    stream.read_exact(bytes).map_err(|error| match error.kind() {
        ErrorKind::UnexpectedEof => refuse(source, "holds fewer values than it states"),
        _ => refuse(source, format!("is not sound: {}", printable(&error.to_string()))),
    })
}

impl Column {
    fn short(&self) -> Error {
        refuse(&self.table.source, "holds fewer rows than it states")
    }

    fn next_batch(&mut self) -> Result<(), Error> {
        while self.left == 0 {
            let table = Arc::clone(&self.table);
            let batch = table.batches.get(self.batch).ok_or_else(|| self.short())?;
            self.batch += 1;
            (self.left, self.at) = (batch.rows, 0);
            if batch.rows > 0 {
                let width = self.plan.number.bytes();
                self.values = Some(batch.open(&table.source, self.plan.place, width, table.memory)?);
            }
        }
        Ok(())
    }

    /// The first time, which is not to be missing.
    fn whole(&mut self) -> Result<i64, Error> {
        let mut bytes = [0; 8];
        let missing = self.values.as_ref().is_some_and(|values| values.present.is_some()) && !self.is_there()?;
        let values = self.values.as_mut().filter(|_| !missing);
        let values = values.ok_or_else(|| refuse(&self.table.source, "has a time missing in its first row"))?;
        read(&self.table.source, &mut values.numbers, &mut bytes)?;
        Ok(if self.table.big_endian { i64::from_be_bytes(bytes) } else { i64::from_le_bytes(bytes) })
    }

    /// Whether the next row has a value.
    fn is_there(&mut self) -> Result<bool, Error> {
        let Some(present) = self.values.as_mut().and_then(|values| values.present.as_mut()) else { return Ok(true) };
        if self.at.is_multiple_of(8) {
            let mut bits = [0];
            read(&self.table.source, present, &mut bits)?;
            [self.bits] = bits;
        }
        let is_there = self.bits >> (self.at % 8) & 1 == 1;
        self.at += 1;
        Ok(is_there)
    }

    fn number(&self, bytes: &[u8]) -> f64 {
        let value = match (self.plan.epoch, <[u8; 8]>::try_from(bytes)) {
            (Some(epoch), Ok(bytes)) => {
                let time = if self.table.big_endian { i64::from_be_bytes(bytes) } else { i64::from_le_bytes(bytes) };
                time.checked_sub(epoch).map(|since| since as f64)
            }
            _ => self.plan.number.read(bytes, self.table.big_endian),
        };
        value.unwrap_or(f64::NAN)
    }
}

impl Rows for Column {
    fn fill(&mut self, numbers: &mut [f64]) -> Result<(), Error> {
        let width = self.plan.number.bytes();
        let mut given = 0;
        while given < numbers.len() {
            self.next_batch()?;
            let count = usize::try_from(self.left).unwrap_or(usize::MAX).min(numbers.len() - given);
            let mut bytes = std::mem::take(&mut self.bytes);
            bytes.resize(count * width, 0);
            let values = self.values.as_mut().ok_or_else(|| refuse(&self.table.source, "has no values"))?;
            let has_gaps = values.present.is_some();
            read(&self.table.source, &mut values.numbers, &mut bytes)?;
            for (number, bytes) in numbers[given..].iter_mut().zip(bytes.chunks_exact(width)) {
                *number = if has_gaps && !self.is_there()? { f64::NAN } else { self.number(bytes) };
            }
            self.bytes = bytes;
            given += count;
            self.left -= count as u64;
        }
        Ok(())
    }
}
