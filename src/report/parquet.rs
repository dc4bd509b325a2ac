//! Rows as a Parquet file: one table, snappy, row groups of bounded size, so that memory does not grow with the rows.

use std::fmt;
use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Compression, ConvertedType, LogicalType, Repetition, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::Type;

use super::rows::{COLUMNS, Cell, ROLE, Row};
use crate::error::Error;

/// Rows gathered before they are written. Readers take a row group at a time.
const GROUP: usize = 1 << 15;

/// Writes the rows of one partition. The role is not among the columns, for the name of the folder says it.
pub struct ParquetRows<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    columns: Vec<(&'static str, Values)>,
    rows: usize,
}

/// The values of a column that wait for their row group, with 1 where there is one and 0 where there is none.
struct Values {
    there: Vec<i16>,
    kind: Kind,
}

enum Kind {
    Texts(for<'a> fn(&'a Row<'_>) -> Option<&'a str>, Vec<ByteArray>),
    Numbers(fn(&Row<'_>) -> Option<f64>, Vec<f64>),
    Counts(fn(&Row<'_>) -> Option<u64>, Vec<i64>),
    Flags(fn(&Row<'_>) -> Option<bool>, Vec<bool>),
}

impl<W: Write + Send> fmt::Debug for ParquetRows<W> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ParquetRows").field("rows", &self.rows).finish_non_exhaustive()
    }
}

impl<W: Write + Send> ParquetRows<W> {
    /// Begins a file.
    ///
    /// # Errors
    /// What the output answers.
    pub fn new(out: W) -> Result<Self, Error> {
        let columns: Vec<_> = COLUMNS
            .iter()
            .filter(|column| column.name != ROLE)
            .map(|column| (column.name, Values::of(column.cell)))
            .collect();
        let fields = columns.iter().map(|(name, values)| field(name, &values.kind).map(Arc::new));
        let schema = fields
            .collect::<Result<Vec<_>, _>>()
            .and_then(|fields| Type::group_type_builder("rows").with_fields(fields).build())
            .map_err(|e| failed(&e))?;
        let maker = format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"));
        let properties = WriterProperties::builder().set_compression(Compression::SNAPPY).set_created_by(maker).build();
        let writer = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties)).map_err(|e| failed(&e))?;
        Ok(Self { writer, columns, rows: 0 })
    }

    /// Takes a row.
    ///
    /// # Errors
    /// What the output answers.
    pub fn push(&mut self, row: &Row<'_>) -> Result<(), Error> {
        self.columns.iter_mut().for_each(|(_, values)| values.push(row));
        self.rows += 1;
        if self.rows >= GROUP { self.write_group().map_err(|e| failed(&e)) } else { Ok(()) }
    }

    /// Writes what waits and the end of the file, and gives the output back.
    ///
    /// # Errors
    /// What the output answers.
    pub fn finish(mut self) -> Result<W, Error> {
        self.write_group().and_then(|()| self.writer.into_inner()).map_err(|e| failed(&e))
    }

    fn write_group(&mut self) -> Result<(), ParquetError> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        let mut columns = self.columns.iter_mut();
        while let (Some(writer), Some((_, values))) = (group.next_column()?, columns.next()) {
            values.write(writer)?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }
}

impl Values {
    fn of(cell: Cell) -> Self {
        let kind = match cell {
            Cell::Text(value) => Kind::Texts(value, Vec::new()),
            Cell::Number(value) => Kind::Numbers(value, Vec::new()),
            Cell::Count(value) => Kind::Counts(value, Vec::new()),
            Cell::Flag(value) => Kind::Flags(value, Vec::new()),
        };
        Self { there: Vec::new(), kind }
    }

    fn push(&mut self, row: &Row<'_>) {
        let there = match &mut self.kind {
            Kind::Texts(value, texts) => value(row).map(|text| {
                // Neighbouring rows mostly say the same.
                let again = texts.last().filter(|last| last.data() == text.as_bytes()).cloned();
                texts.push(again.unwrap_or_else(|| text.into()));
            }),
            Kind::Numbers(value, numbers) => value(row).map(|number| numbers.push(number)),
            Kind::Counts(value, counts) => {
                value(row).map(|count| counts.push(i64::try_from(count).unwrap_or(i64::MAX)))
            }
            Kind::Flags(value, flags) => value(row).map(|flag| flags.push(flag)),
        };
        self.there.push(i16::from(there.is_some()));
    }

    fn write(&mut self, mut writer: SerializedColumnWriter<'_>) -> Result<(), ParquetError> {
        let there = Some(self.there.as_slice());
        match &mut self.kind {
            Kind::Texts(_, values) => {
                writer.typed::<ByteArrayType>().write_batch(values, there, None)?;
                values.clear();
            }
            Kind::Numbers(_, values) => {
                writer.typed::<DoubleType>().write_batch(values, there, None)?;
                values.clear();
            }
            Kind::Counts(_, values) => {
                writer.typed::<Int64Type>().write_batch(values, there, None)?;
                values.clear();
            }
            Kind::Flags(_, values) => {
                writer.typed::<BoolType>().write_batch(values, there, None)?;
                values.clear();
            }
        }
        self.there.clear();
        writer.close()
    }
}

fn field(name: &str, kind: &Kind) -> Result<Type, ParquetError> {
    let (physical, converted, logical) = match kind {
        Kind::Texts(..) => (Physical::BYTE_ARRAY, ConvertedType::UTF8, Some(LogicalType::String)),
        Kind::Numbers(..) => (Physical::DOUBLE, ConvertedType::NONE, None),
        Kind::Counts(..) => (Physical::INT64, ConvertedType::NONE, None),
        Kind::Flags(..) => (Physical::BOOLEAN, ConvertedType::NONE, None),
    };
    Type::primitive_type_builder(name, physical)
        .with_repetition(Repetition::OPTIONAL)
        .with_converted_type(converted)
        .with_logical_type(logical)
        .build()
}

fn failed(error: &ParquetError) -> Error {
    Error::output(format!("the Parquet file cannot be written: {error}"))
        .remedy("check the folder, its permissions and the free space")
}
