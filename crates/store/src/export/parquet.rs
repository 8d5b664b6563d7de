//! Apache Parquet, not compressed beyond its own encodings; readers of any kind take it.

use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Encoding, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::Type;

use super::Cursor;
use super::csv::quality_word;
use crate::error::{Error, Result};

/// Samples of a row group.
const GROUP: usize = 1 << 16;

fn of_parquet(error: &ParquetError) -> Error {
    Error::Io { doing: "writing the export", said: error.to_string() }
}

fn schema() -> std::result::Result<Arc<Type>, ParquetError> {
    let text = |name: &str| {
        Type::primitive_type_builder(name, Physical::BYTE_ARRAY)
            .with_repetition(Repetition::REQUIRED)
            .with_logical_type(Some(LogicalType::String))
            .build()
            .map(Arc::new)
    };
    let number = |name: &str, physical| {
        Type::primitive_type_builder(name, physical)
            .with_repetition(Repetition::REQUIRED)
            .build()
            .map(Arc::new)
    };
    let time = Type::primitive_type_builder("time", Physical::INT64)
        .with_repetition(Repetition::REQUIRED)
        .with_logical_type(Some(LogicalType::timestamp(true, TimeUnit::MILLIS)))
        .build()?;
    Type::group_type_builder("samples")
        .with_fields(vec![
            Arc::new(time),
            text("source")?,
            text("series")?,
            number("counts", Physical::INT64)?,
            number("value", Physical::DOUBLE)?,
            text("unit")?,
            text("quality")?,
        ])
        .build()
        .map(Arc::new)
}

#[derive(Default)]
struct Columns {
    time: Vec<i64>,
    source: Vec<ByteArray>,
    series: Vec<ByteArray>,
    counts: Vec<i64>,
    value: Vec<f64>,
    unit: Vec<ByteArray>,
    quality: Vec<ByteArray>,
}

fn column<T: DataType>(
    group: &mut SerializedRowGroupWriter<'_, &mut (dyn Write + Send)>,
    values: &[T::T],
) -> std::result::Result<(), ParquetError> {
    let Some(mut column) = group.next_column()? else { return Ok(()) };
    column.typed::<T>().write_batch(values, None, None)?;
    column.close()
}

impl Columns {
    fn write(
        &mut self,
        file: &mut SerializedFileWriter<&mut (dyn Write + Send)>,
    ) -> std::result::Result<(), ParquetError> {
        if self.time.is_empty() {
            return Ok(());
        }
        let mut group = file.next_row_group()?;
        column::<Int64Type>(&mut group, &self.time)?;
        column::<ByteArrayType>(&mut group, &self.source)?;
        column::<ByteArrayType>(&mut group, &self.series)?;
        column::<Int64Type>(&mut group, &self.counts)?;
        column::<DoubleType>(&mut group, &self.value)?;
        column::<ByteArrayType>(&mut group, &self.unit)?;
        column::<ByteArrayType>(&mut group, &self.quality)?;
        group.close()?;
        *self = Columns::default();
        Ok(())
    }
}

pub(super) fn write(cursors: Vec<Cursor<'_>>, out: &mut (dyn Write + Send)) -> Result<u64> {
    let properties = WriterProperties::builder()
        .set_column_dictionary_enabled("time".into(), false)
        .set_column_encoding("time".into(), Encoding::DELTA_BINARY_PACKED)
        .build();
    let open = || SerializedFileWriter::new(out, schema()?, Arc::new(properties));
    let mut file = open().map_err(|e| of_parquet(&e))?;
    let mut columns = Columns::default();
    let mut n = 0;
    for mut cursor in cursors {
        let spec = cursor.series.spec.clone();
        let text = |text: &str| ByteArray::from(text.as_bytes().to_vec());
        let (source, name, unit) = (text(&spec.source), text(&spec.name), text(&spec.unit));
        while let Some(p) = cursor.next()? {
            columns.time.push(p.time);
            columns.source.push(source.clone());
            columns.series.push(name.clone());
            columns.counts.push(p.value);
            columns.value.push(spec.in_units(p.value));
            columns.unit.push(unit.clone());
            columns.quality.push(text(quality_word(p.quality)));
            n += 1;
            if columns.time.len() == GROUP {
                columns.write(&mut file).map_err(|e| of_parquet(&e))?;
            }
        }
    }
    columns.write(&mut file).map_err(|e| of_parquet(&e))?;
    file.close().map_err(|e| of_parquet(&e))?;
    Ok(n)
}
