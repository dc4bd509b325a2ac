//! The columns of a table as arrays with names.

use std::sync::Arc;

use parquet::basic::{ConvertedType, LogicalType, Type};
use parquet::column::reader::{ColumnReader, ColumnReaderImpl, get_column_reader};
use parquet::data_type::DataType;
use parquet::errors::ParquetError;
use parquet::file::metadata::{ParquetMetaData, ParquetMetaDataReader, RowGroupMetaData};
use parquet::schema::types::ColumnDescriptor;

use super::FORMAT;
use super::pages::Pages;
use super::thrift::has_sound_tree;
use crate::capture::Recording;
use crate::error::{Error, printable};
use crate::read::arrays::{Array, Container, Kind, Rows, recording};
use crate::read::{ReadOptions, Source};

/// A description beyond this is none of a capture.
const LONGEST_DESCRIPTION: u64 = 1 << 26;
/// A file has at most so many rows a byte (`read/packed.rs` has the same bound), and so many more: a dictionary packs
/// equal values without end, and no capture is made of them.
const MOST_GROWTH: u64 = 2000;
const SMALL: u64 = 1 << 10;
/// The largest page that is unpacked, unless `--max-memory` says less.
const LARGEST_PAGE: u64 = 1 << 28;

fn refuse(source: &Source, found: impl Into<String>) -> Error {
    Error::input(found)
        .in_file(source.name())
        .expected("a Parquet file of plain columns")
        .remedy("save or copy the file once more")
}

fn damaged(source: &Source, error: &ParquetError) -> Error {
    let text = match error {
        ParquetError::General(text) => text.clone(),
        other => other.to_string(),
    };
    refuse(source, format!("is not sound: {}", printable(&text)))
}

pub(super) fn open(source: &Source, options: &ReadOptions) -> Result<Box<dyn Recording>, Error> {
    let description = Arc::new(description(source)?);
    let file = description.file_metadata();
    let groups = description.row_groups();
    let rows = groups.iter().try_fold(0u64, |sum, group| sum.checked_add(u64::try_from(group.num_rows()).ok()?));
    let rows = rows.ok_or_else(|| refuse(source, "counts rows below zero"))?;
    let length = source.byte_count()?;
    if rows / MOST_GROWTH > length + SMALL {
        return Err(refuse(source, format!("claims {rows} rows in {length} bytes")));
    }
    let most = (options.memory() / 4).min(LARGEST_PAGE);
    let table = Arc::new(Table { source: source.clone(), description: description.clone(), most, length });
    let (mut arrays, mut skipped) = (Vec::new(), Vec::new());
    for (at, column) in file.schema_descr().columns().iter().enumerate() {
        let name = column.path().string();
        match form(column) {
            Ok((form, kind)) if rows > 0 => arrays.push(table.array(at, name, form, kind, rows)?),
            Ok(_) => skipped.push(format!("\"{}\" is empty", printable(&name))),
            Err(why) => skipped.push(format!("\"{}\" {why}", printable(&name))),
        }
    }
    let keys = file.key_value_metadata().into_iter().flatten();
    let mut remarks: Vec<(String, String)> =
        keys.filter_map(|pair| Some((pair.key.clone(), pair.value.clone()?))).collect();
    // What programs keep of their own types is no remark.
    remarks.retain(|(key, value)| !key.starts_with("ARROW:") && key != "pandas" && value.len() < 1000);
    let layout = format!("Parquet, {} columns in {} groups of rows", arrays.len(), groups.len());
    recording(Container { source, format: FORMAT.name, layout, arrays, remarks, skipped }, options)
}

/// The description at the end of the file, checked before the decoder sees it.
fn description(source: &Source) -> Result<ParquetMetaData, Error> {
    let length = source.byte_count()?;
    let end = source.bytes_at(length.saturating_sub(8), 8)?;
    let size = match end[..] {
        [a, b, c, d, b'P', b'A', b'R', b'1'] => u64::from(u32::from_le_bytes([a, b, c, d])),
        [.., b'P', b'A', b'R', b'E'] => return Err(refuse(source, "is encrypted")),
        _ => return Err(refuse(source, "has no description at its end: it was cut short")),
    };
    if size + 12 > length || size > LONGEST_DESCRIPTION {
        return Err(refuse(source, format!("claims a description of {size} bytes at its end")));
    }
    let bytes = source.bytes_at(length - 8 - size, usize::try_from(size).unwrap_or(usize::MAX))?;
    has_sound_tree(&bytes).ok_or_else(|| refuse(source, "has no sound description of its columns"))?;
    ParquetMetaDataReader::decode_metadata(&bytes).map_err(|error| damaged(source, &error))
}

/// How the values of a column become numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Single,
    Double,
    Int32,
    Unsigned32,
    Int64,
    Unsigned64,
}

impl Form {
    fn bytes(self) -> usize {
        if matches!(self, Form::Single | Form::Int32 | Form::Unsigned32) { 4 } else { 8 }
    }
}

/// What a column holds, or why it can be no channel.
fn form(column: &ColumnDescriptor) -> Result<(Form, Kind), &'static str> {
    if column.max_rep_level() > 0 || column.path().parts().len() != 1 || column.max_def_level() > 1 {
        return Err("is a list or lies within a structure");
    }
    let time = |seconds| Ok((Form::Int64, Kind::Time { seconds, epoch_s: 0.0 }));
    let logical = column.logical_type_ref();
    match (column.physical_type(), logical, column.converted_type()) {
        (Type::FLOAT, None, _) => Ok((Form::Single, Kind::Floating)),
        (Type::DOUBLE, None, _) => Ok((Form::Double, Kind::Floating)),
        (Type::INT64, Some(LogicalType::Timestamp(form)), _) => time(match format!("{:?}", form.unit) {
            unit if unit.starts_with("MILLIS") => 1e-3,
            unit if unit.starts_with("MICROS") => 1e-6,
            _ => 1e-9,
        }),
        (Type::INT64, None, ConvertedType::TIMESTAMP_MILLIS) => time(1e-3),
        (Type::INT64, None, ConvertedType::TIMESTAMP_MICROS) => time(1e-6),
        (Type::INT32, Some(LogicalType::Integer(form)), _) if !form.is_signed => Ok((Form::Unsigned32, Kind::Whole)),
        (Type::INT64, Some(LogicalType::Integer(form)), _) if !form.is_signed => Ok((Form::Unsigned64, Kind::Whole)),
        (
            Type::INT32,
            None | Some(LogicalType::Integer(_)),
            ConvertedType::NONE | ConvertedType::INT_8 | ConvertedType::INT_16 | ConvertedType::INT_32,
        ) => Ok((Form::Int32, Kind::Whole)),
        (Type::INT64, None | Some(LogicalType::Integer(_)), ConvertedType::NONE | ConvertedType::INT_64) => {
            Ok((Form::Int64, Kind::Whole))
        }
        (Type::BOOLEAN, ..) => Err("holds true and false only"),
        (Type::BYTE_ARRAY | Type::FIXED_LEN_BYTE_ARRAY, ..) => Err("holds no plain numbers"),
        _ => Err("holds numbers of a kind that is not read here, such as dates or decimals"),
    }
}

struct Table {
    source: Source,
    description: Arc<ParquetMetaData>,
    /// The largest page.
    most: u64,
    length: u64,
}

impl Table {
    fn array(self: &Arc<Self>, at: usize, name: String, form: Form, kind: Kind, rows: u64) -> Result<Array, Error> {
        let about = format!("{form:?}, {rows} rows").to_lowercase();
        let mut epoch = 0;
        let mut kind = kind;
        if let Kind::Time { seconds, .. } = kind {
            epoch = Column { epoch: None, ..self.column(at, form) }.first()?;
            kind = Kind::Time { seconds, epoch_s: epoch as f64 * seconds };
        }
        let table = Arc::clone(self);
        let epoch = matches!(kind, Kind::Time { .. }).then_some(epoch);
        let open = move || Ok(Box::new(Column { epoch, ..table.column(at, form) }) as Box<dyn Rows>);
        Ok(Array { name, unit: String::new(), kind, rows, columns: 1, about, open: Arc::new(open) })
    }

    fn column(self: &Arc<Self>, at: usize, form: Form) -> Column {
        Column { table: Arc::clone(self), at, form, epoch: None, group: 0, left: 0, reader: None, levels: Vec::new() }
    }

    /// The reader of a column in a group of rows, its pages held against the file.
    fn reader(&self, group: &RowGroupMetaData, at: usize, form: Form) -> Result<ColumnReader, Error> {
        let chunk = group.columns().get(at).ok_or_else(|| refuse(&self.source, "has a group with too few columns"))?;
        if chunk.num_values() != group.num_rows() || chunk.file_path().is_some() {
            return Err(refuse(
                &self.source,
                format!("has a column of {} values in a group of {} rows", chunk.num_values(), group.num_rows()),
            ));
        }
        let begin = chunk.dictionary_page_offset().filter(|&at| at > 0).unwrap_or(chunk.data_page_offset());
        let begin = u64::try_from(begin.min(chunk.data_page_offset())).ok();
        let size = u64::try_from(chunk.compressed_size()).ok();
        let end = begin.zip(size).and_then(|(begin, size)| begin.checked_add(size)).filter(|&end| end <= self.length);
        let (Some(begin), Some(end)) = (begin, end) else {
            return Err(refuse(&self.source, "has a column that lies outside the file"));
        };
        let pages = Pages {
            source: self.source.clone(),
            codec: chunk.compression(),
            at: begin,
            end,
            most: usize::try_from(self.most).unwrap_or(usize::MAX),
            width: form.bytes(),
            left: u64::try_from(chunk.num_values()).unwrap_or(0),
            has_gaps: chunk.column_descr().max_def_level() > 0,
            has_dictionary: false,
        };
        Ok(get_column_reader(chunk.column_descr_ptr(), Box::new(pages)))
    }
}

/// A column on its way through the groups of rows.
struct Column {
    table: Arc<Table>,
    at: usize,
    form: Form,
    /// What is taken off times.
    epoch: Option<i64>,
    /// The next group, and the rows that are left in the current one.
    group: usize,
    left: u64,
    reader: Option<ColumnReader>,
    levels: Vec<i16>,
}

impl Column {
    fn failed(&self, error: &ParquetError) -> Error {
        damaged(&self.table.source, error)
    }

    fn short(&self) -> Error {
        refuse(&self.table.source, "holds fewer values than it states")
    }

    /// The first value of a column of times.
    fn first(mut self) -> Result<i64, Error> {
        self.next_group()?;
        let Some(ColumnReader::Int64ColumnReader(reader)) = &mut self.reader else { return Err(self.short()) };
        let mut values = Vec::new();
        let read = reader.read_records(1, Some(&mut self.levels), None, &mut values);
        read.map_err(|error| damaged(&self.table.source, &error))?;
        values.first().copied().ok_or_else(|| refuse(&self.table.source, "has a time missing in its first row"))
    }

    fn next_group(&mut self) -> Result<(), Error> {
        while self.left == 0 {
            let table = Arc::clone(&self.table);
            let group = table.description.row_groups().get(self.group).ok_or_else(|| self.short())?;
            self.group += 1;
            self.left = u64::try_from(group.num_rows()).unwrap_or(0);
            if self.left > 0 {
                self.reader = Some(table.reader(group, self.at, self.form)?);
            }
        }
        Ok(())
    }
}

impl Rows for Column {
    fn fill(&mut self, numbers: &mut [f64]) -> Result<(), Error> {
        let mut given = 0;
        while given < numbers.len() {
            self.next_group()?;
            let most = usize::try_from(self.left).unwrap_or(usize::MAX).min(numbers.len() - given);
            let out = &mut numbers[given..given + most];
            let levels = &mut self.levels;
            let since = |epoch: i64, value: i64| value.checked_sub(epoch).map_or(f64::NAN, |since| since as f64);
            let read = match (&mut self.reader, self.form, self.epoch) {
                (Some(ColumnReader::FloatColumnReader(reader)), _, _) => values(reader, levels, out, |&v| f64::from(v)),
                (Some(ColumnReader::DoubleColumnReader(reader)), _, _) => values(reader, levels, out, |&v| v),
                (Some(ColumnReader::Int32ColumnReader(reader)), Form::Unsigned32, _) => {
                    values(reader, levels, out, |&v| f64::from(v.cast_unsigned()))
                }
                (Some(ColumnReader::Int32ColumnReader(reader)), _, _) => values(reader, levels, out, |&v| f64::from(v)),
                (Some(ColumnReader::Int64ColumnReader(reader)), _, Some(epoch)) => {
                    values(reader, levels, out, |&v| since(epoch, v))
                }
                (Some(ColumnReader::Int64ColumnReader(reader)), Form::Unsigned64, _) => {
                    values(reader, levels, out, |&v| exact(v < 0, v.cast_unsigned()))
                }
                (Some(ColumnReader::Int64ColumnReader(reader)), _, _) => {
                    values(reader, levels, out, |&v| exact(false, v.unsigned_abs()).copysign(v as f64))
                }
                _ => Ok(0),
            };
            let count = read.map_err(|error| self.failed(&error))?;
            if count == 0 {
                return Err(self.short());
            }
            given += count;
            self.left -= count as u64;
        }
        Ok(())
    }
}

/// A whole number where a double holds it exactly.
fn exact(too_large: bool, size: u64) -> f64 {
    const EXACT: u64 = 1 << 53;
    if too_large || size > EXACT { f64::NAN } else { size as f64 }
}

/// The next values, not a number where one is missing; gives how many rows were read.
fn values<T: DataType>(
    reader: &mut ColumnReaderImpl<T>,
    levels: &mut Vec<i16>,
    out: &mut [f64],
    convert: impl Fn(&T::T) -> f64,
) -> Result<usize, ParquetError> {
    levels.clear();
    let mut values = Vec::with_capacity(out.len());
    let (rows, _, _) = reader.read_records(out.len(), Some(levels), None, &mut values)?;
    let rows = rows.min(out.len());
    // Columns that may have gaps tell for each row whether there is a value; others tell nothing.
    let is_there = |row: usize| levels.is_empty() || levels.get(row) == Some(&1);
    let mut next = values.iter();
    for (row, number) in out[..rows].iter_mut().enumerate() {
        *number = if is_there(row) { next.next().map_or(f64::NAN, &convert) } else { f64::NAN };
    }
    Ok(rows)
}
