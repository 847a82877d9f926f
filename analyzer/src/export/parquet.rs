//! A day as Apache Parquet, compressed with Zstandard.
//!
//! Owes its reader: plain columns that every reader knows (text, a UTC timestamp of milliseconds, a double, text), and
//! row groups by which a reader finds a channel without unpacking the others: a channel that is large begins a group
//! of its own, and the statistics of a group say which channels and times are in it.

use super::DayFile;
use crate::report::atomic::Draft;
use ampwake_store::ChannelInfo;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::column::writer::ColumnWriterImpl;
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::SortingColumn;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;
use parquet::schema::types::ColumnPath;
use std::io;
use std::sync::Arc;

/// The columns.
const SCHEMA: &str = "message samples {
    REQUIRED BINARY channel (STRING);
    REQUIRED BINARY unit (STRING);
    REQUIRED INT64 time (TIMESTAMP(MILLIS, true));
    OPTIONAL DOUBLE value;
    OPTIONAL BINARY status (STRING);
}";
/// Rows of a group at most: what a reader unpacks at once, and 3 MB of memory here. Common readers take 100,000 to 1,000,000.
const MOST_ROWS: usize = 131_072;
/// A channel begins a new group where the present one has this many.
const ENOUGH_ROWS: usize = 16_384;
/// Equal texts are handed over in pieces of this many.
const PIECE: usize = 4096;

pub(super) struct ParquetDay {
    writer: SerializedFileWriter<Draft>,
    group: Group,
}

/// Rows that wait.
#[derive(Default)]
struct Group {
    /// Address, unit and number of rows.
    channels: Vec<(ByteArray, ByteArray, usize)>,
    times: Vec<i64>,
    /// Of the rows that have one.
    values: Vec<f64>,
    /// Of the rows that have no value.
    statuses: Vec<ByteArray>,
    /// 1 where the row has a value.
    has_value: Vec<i16>,
}

fn failed(error: ParquetError) -> io::Error {
    io::Error::other(error)
}

fn properties() -> Result<WriterProperties, ParquetError> {
    let by = |column| SortingColumn { column_idx: column, descending: false, nulls_first: false };
    let [time, value] = ["time", "value"].map(ColumnPath::from);
    Ok(WriterProperties::builder()
        .set_created_by(format!("ampwake {}", env!("CARGO_PKG_VERSION")))
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
        // Texts go through a dictionary; times are nearly evenly spaced; values are measured in steps, so that a
        // dictionary is small, and where it is not their bytes are sorted by place.
        .set_column_dictionary_enabled(time.clone(), false)
        .set_column_encoding(time, Encoding::DELTA_BINARY_PACKED)
        .set_column_encoding(value, Encoding::BYTE_STREAM_SPLIT)
        // An address is longer than what is kept by default, and a cut one tells channels apart less well.
        .set_statistics_truncate_length(None)
        .set_column_index_truncate_length(None)
        .set_sorting_columns(Some(vec![by(0), by(2)]))
        .build())
}

impl ParquetDay {
    pub(super) fn begin(draft: Draft) -> io::Result<Self> {
        let begin = || {
            let schema = Arc::new(parse_message_type(SCHEMA)?);
            SerializedFileWriter::new(draft, schema, Arc::new(properties()?))
        };
        Ok(Self { writer: begin().map_err(failed)?, group: Group::default() })
    }

    fn write_group(&mut self) -> Result<(), ParquetError> {
        let group = &mut self.group;
        let mut out = self.writer.next_row_group()?;
        column::<ByteArrayType>(&mut out, |c| {
            group.channels.iter().try_for_each(|(address, _, n)| fill(c, address, *n))
        })?;
        column::<ByteArrayType>(&mut out, |c| group.channels.iter().try_for_each(|(_, unit, n)| fill(c, unit, *n)))?;
        column::<Int64Type>(&mut out, |c| c.write_batch(&group.times, None, None).map(drop))?;
        column::<DoubleType>(&mut out, |c| c.write_batch(&group.values, Some(&group.has_value), None).map(drop))?;
        group.has_value.iter_mut().for_each(|has| *has = 1 - *has);
        column::<ByteArrayType>(&mut out, |c| c.write_batch(&group.statuses, Some(&group.has_value), None).map(drop))?;
        out.close()?;
        group.clear();
        Ok(())
    }
}

/// Writes the next column of a group.
fn column<T: DataType>(
    out: &mut SerializedRowGroupWriter<'_, Draft>,
    fill: impl FnOnce(&mut ColumnWriterImpl<'_, T>) -> Result<(), ParquetError>,
) -> Result<(), ParquetError> {
    let missing = || ParquetError::General("the schema has fewer columns than are written".to_owned());
    let mut column = out.next_column()?.ok_or_else(missing)?;
    fill(column.typed::<T>())?;
    column.close()
}

/// The same text in `n` rows.
fn fill(column: &mut ColumnWriterImpl<'_, ByteArrayType>, text: &ByteArray, n: usize) -> Result<(), ParquetError> {
    let piece = vec![text.clone(); n.min(PIECE)];
    let mut left = n;
    while left > 0 {
        let now = left.min(PIECE);
        column.write_batch(&piece[..now], None, None)?;
        left -= now;
    }
    Ok(())
}

impl Group {
    fn rows(&self) -> usize {
        self.times.len()
    }

    /// Empties it; the last channel goes on.
    fn clear(&mut self) {
        let last = self.channels.pop().map(|(address, unit, _)| (address, unit, 0));
        self.channels.clear();
        self.channels.extend(last);
        self.times.clear();
        self.values.clear();
        self.statuses.clear();
        self.has_value.clear();
    }
}

impl DayFile for ParquetDay {
    fn begin(&mut self, channel: &ChannelInfo) -> io::Result<()> {
        if self.group.rows() >= ENOUGH_ROWS {
            self.write_group().map_err(failed)?;
        }
        let text = |text: &str| ByteArray::from(text);
        self.group.channels.push((text(&channel.address.to_string()), text(channel.unit.text()), 0));
        Ok(())
    }

    fn add(&mut self, time_ms: i64, value: Option<f64>, status: Option<&'static str>) -> io::Result<()> {
        if self.group.rows() >= MOST_ROWS {
            self.write_group().map_err(failed)?;
        }
        let group = &mut self.group;
        if let Some(channel) = group.channels.last_mut() {
            channel.2 += 1;
        }
        group.times.push(time_ms);
        group.has_value.push(i16::from(value.is_some()));
        match value {
            Some(value) => group.values.push(value),
            None => group.statuses.push(ByteArray::from(status.unwrap_or_default())),
        }
        Ok(())
    }

    fn finish(mut self: Box<Self>) -> io::Result<Draft> {
        if self.group.rows() > 0 {
            self.write_group().map_err(failed)?;
        }
        self.writer.into_inner().map_err(failed)
    }
}
