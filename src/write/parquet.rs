//! Parquet: a column of doubles for each channel, no column of times; the file's metadata say what else there is.
//!
//! The reader (`read/arrays/`) takes up these keys, so that the file stands without its sidecar as well.
//!
//! | key | value |
//! |---|---|
//! | `sample_rate_hz`, `start_s` | shortest decimals that read back as the same bits |
//! | `rate_source`, `rate_relative_uncertainty` | how well the rate is known |
//! | `unit.<name>`, `role.<name>` | of the channel of this name; a word such as `codes` where there is no unit |
//! | `history` | the section of the sidecar, as TOML |
//!
//! # Sources
//! Apache Parquet format specification, through the crate `parquet`.

use std::io;
use std::sync::Arc;

use parquet::basic::{Compression, Repetition, Type as Physical};
use parquet::data_type::DoubleType;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use super::samples::decimal;
use super::sidecar::history;
use super::{Blocks, Folder, Job, Samples, Sink, Writer, failed, fill, one_file};
use crate::error::Error;

/// The row of this container.
pub(super) const WRITER: Writer = Writer {
    name: "parquet",
    about: "Parquet, a column of doubles for each channel",
    extensions: &["parquet", "pq"],
    samples: &[Samples::F64],
    whole: |_| false,
    step: |_, _| 0,
    largest: f64::INFINITY,
    most_channels: 4096,
    files: one_file,
    explains: |_| String::new(),
    write,
};

/// A row group holds as many samples of all channels together.
const GROUP: usize = 1 << 20;

fn write(job: &Job<'_>, blocks: &mut Blocks<'_>, folder: &mut dyn Folder) -> Result<(), Error> {
    fill(folder, job.name, |sink| {
        let refuse = |error: parquet::errors::ParquetError| failed(job.name, &io::Error::other(error));
        let properties = WriterProperties::builder()
            // Samples of noise repeat too little for packing or a dictionary, and nobody looks up ranges of them.
            .set_compression(Compression::UNCOMPRESSED)
            .set_dictionary_enabled(false)
            .set_statistics_enabled(EnabledStatistics::None)
            .set_key_value_metadata(Some(metadata(job)))
            .build();
        let schema = schema(job).map_err(refuse)?;
        let mut file = SerializedFileWriter::new(sink, schema, Arc::new(properties)).map_err(refuse)?;
        let channels = job.header.channels.len();
        let mut columns: Vec<Vec<f64>> = vec![Vec::new(); channels];
        loop {
            let block = blocks.next()?;
            for (at, column) in columns.iter_mut().enumerate() {
                column.extend(block.iter().flat_map(|block| block.channel(at)));
            }
            let full = columns[0].len() * channels >= GROUP;
            if full || block.is_none() && !columns[0].is_empty() {
                group(&mut file, &columns).map_err(refuse)?;
                columns.iter_mut().for_each(Vec::clear);
            }
            if block.is_none() {
                file.close().map_err(refuse)?;
                return Ok(());
            }
        }
    })
}

fn group(
    file: &mut SerializedFileWriter<&mut dyn Sink>,
    columns: &[Vec<f64>],
) -> Result<(), parquet::errors::ParquetError> {
    let mut group = file.next_row_group()?;
    for column in columns {
        if let Some(mut writer) = group.next_column()? {
            writer.typed::<DoubleType>().write_batch(column, None, None)?;
            writer.close()?;
        }
    }
    group.close().map(|_| ())
}

/// The names of the columns: those of the channels, numbered where two are the same.
fn names(job: &Job<'_>) -> Vec<String> {
    let channels = &job.header.channels;
    let twice = |name: &str| channels.iter().filter(|channel| channel.name == name).count() > 1;
    let name = |(at, name): (usize, &str)| if twice(name) { format!("{name} {}", at + 1) } else { name.to_owned() };
    channels.iter().map(|channel| channel.name.as_str()).enumerate().map(name).collect()
}

fn schema(job: &Job<'_>) -> Result<Arc<Type>, parquet::errors::ParquetError> {
    let column = |name: &String| {
        let column = Type::primitive_type_builder(name, Physical::DOUBLE).with_repetition(Repetition::REQUIRED);
        column.build().map(Arc::new)
    };
    let columns = names(job).iter().map(column).collect::<Result<_, _>>()?;
    Type::group_type_builder("capture").with_fields(columns).build().map(Arc::new)
}

fn metadata(job: &Job<'_>) -> Vec<KeyValue> {
    let clock = &job.header.clock;
    let mut pairs = vec![
        KeyValue::new("sample_rate_hz".to_owned(), decimal(clock.rate.get())),
        KeyValue::new("start_s".to_owned(), decimal(clock.start_s)),
        KeyValue::new("rate_source".to_owned(), clock.source.name().to_owned()),
        KeyValue::new("rate_relative_uncertainty".to_owned(), decimal(clock.relative_uncertainty)),
    ];
    for (name, channel) in names(job).iter().zip(&job.header.channels) {
        pairs.push(KeyValue::new(format!("unit.{name}"), channel.quantity.symbol().to_owned()));
        pairs.push(KeyValue::new(format!("role.{name}"), channel.role.name().to_owned()));
    }
    pairs.push(KeyValue::new("history".to_owned(), history(job)));
    pairs
}
