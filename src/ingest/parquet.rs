//! Parquet: flat columns of numbers, any encoding the library reads. They are written anew as
//! 64-bit floats, column by column, to be read at any place.

use super::binary::{Column, Columns, Form, Number};
use super::source::Cursor;
use super::table::Table;
use super::{ChannelInfo, IngestError, Opening, RateSource, Receipt, Source, TraceReader};
use crate::units::{SampleRate, Unit};
use bytes::Bytes;
use parquet::column::reader::ColumnReader;
use parquet::errors::ParquetError;
use parquet::file::reader::{ChunkReader, FileReader, Length, SerializedFileReader};
use std::io::{Seek, SeekFrom, Write};

/// Whether the first bytes are of a Parquet file.
pub(super) fn probe(head: &[u8]) -> bool {
    head.starts_with(b"PAR1")
}

struct Chunks(Source);

impl Length for Chunks {
    fn len(&self) -> u64 {
        self.0.length()
    }
}

impl ChunkReader for Chunks {
    type T = Cursor;

    fn get_read(&self, start: u64) -> Result<Cursor, ParquetError> {
        let mut cursor = self.0.cursor();
        cursor.seek(SeekFrom::Start(start))?;
        Ok(cursor)
    }

    fn get_bytes(&self, start: u64, length: usize) -> Result<Bytes, ParquetError> {
        let mut bytes = Vec::new();
        self.0
            .read(start, length, &mut bytes)
            .map_err(|error| ParquetError::General(error.to_string()))?;
        if bytes.len() < length {
            return Err(ParquetError::EOF("the file ends inside a page".into()));
        }
        Ok(bytes.into())
    }
}

fn damaged(source: &Source, message: String) -> IngestError {
    super::error::damaged(
        source,
        message,
        "write voltage and current as flat columns of floats or integers",
    )
}

/// Opens a Parquet file. The library panics on some damaged pages (found by fuzzing its version
/// 60.1), which is told as damage.
pub(super) fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let named = source.clone();
    super::guard::guard(|| read(source, opening))
        .unwrap_or_else(|| Err(damaged(&named, "a page of it is damaged".into())))
}

fn read(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let fail = |error: ParquetError| damaged(&source, format!("the file can't be read: {error}"));
    let file = SerializedFileReader::new(Chunks(source.clone())).map_err(fail)?;
    let meta = file.metadata().file_metadata();
    let schema = meta.schema_descr();
    opening.limits.check_columns(source.name(), schema.num_columns())?;
    let rows = u64::try_from(meta.num_rows()).unwrap_or(0);
    let unpacked = rows.saturating_mul(8).saturating_mul(schema.num_columns() as u64);
    opening.limits.check_unpacked(source.name(), "the columns", source.length(), unpacked)?;
    let mut receipt = Receipt::new("Parquet");
    receipt.note("rows", format!("{rows} in {} row group(s)", file.num_row_groups()));
    let keys = meta.key_value_metadata();
    let stated = keys.and_then(|keys| keys.iter().find(|pair| pair.key == "sample_rate_hz"));
    let stated = stated.and_then(|pair| super::text::finite(pair.value.as_deref()?));
    let rate = match stated.and_then(SampleRate::new) {
        Some(rate) => {
            receipt.note("sample rate", format!("{} Hz, from the metadata", rate.hertz()));
            RateSource::Stated(rate)
        }
        None => RateSource::Absent,
    };
    let number = Number::little(Form::Float64);
    let (mut channels, mut list, mut time) = (Vec::new(), Vec::new(), None);
    for k in 0..schema.num_columns() {
        let column = schema.column(k);
        let flat = column.max_rep_level() == 0 && column.max_def_level() <= 1;
        let (name, unit) = super::text::name_and_unit(column.name());
        let mut values = 0;
        let kept = source.derived(&opening.limits, |out| {
            for group in 0..file.num_row_groups() {
                let reader = file
                    .get_row_group(group)
                    .and_then(|group| group.get_column_reader(k))
                    .map_err(fail)?;
                values += copy(reader, out).map_err(fail)?.unwrap_or(0);
            }
            Ok(())
        })?;
        if !flat || values != rows || rows == 0 {
            receipt.note("column left out", format!("{}: not flat numbers", column.name()));
            continue;
        }
        let column = Column::bare(&kept, 0, number.bytes(), number);
        let factor = unit.map_or(1.0, |(_, factor)| factor);
        if super::text::is_time(&name, unit.map(|(unit, _)| unit)) && time.is_none() {
            receipt.note("time column", name);
            time = Some((column, factor));
            continue;
        }
        let mut info = ChannelInfo::named(name);
        info.unit = unit.map(|(unit, _)| unit);
        info.factor = factor;
        receipt.note(
            "channel",
            format!("{} ({})", info.name, info.unit.map_or("unit not stated", Unit::symbol)),
        );
        channels.push(info);
        list.push(column);
    }
    if list.is_empty() {
        return Err(damaged(&source, "there is no column of numbers".into()));
    }
    let columns = Columns { list, samples: rows };
    let table = Table::new(source.clone(), receipt, channels, columns, rate);
    match time {
        Some((column, factor)) => Ok(Box::new(table.stamped(column, factor)?)),
        None => Ok(Box::new(table)),
    }
}

/// Values read at once.
const BATCH: usize = 1 << 13;

/// Copies a column as floats, what is null as not a number; `None` where it holds no numbers.
fn copy(reader: ColumnReader, out: &mut dyn Write) -> Result<Option<u64>, ParquetError> {
    macro_rules! numbers {
        ($reader:expr, $to:expr) => {{
            let mut reader = $reader;
            let mut total = 0_u64;
            let (mut levels, mut values) = (Vec::new(), Vec::new());
            loop {
                levels.clear();
                values.clear();
                let (records, _, _) =
                    reader.read_records(BATCH, Some(&mut levels), None, &mut values)?;
                if records == 0 {
                    break;
                }
                total += records as u64;
                let mut next = values.iter();
                for k in 0..records {
                    // Columns that can't be null have no levels.
                    let there = levels.get(k).is_none_or(|level| *level > 0);
                    let value = if there { next.next().map($to) } else { None };
                    out.write_all(&value.unwrap_or(f64::NAN).to_le_bytes())?;
                }
            }
            Ok(Some(total))
        }};
    }
    match reader {
        ColumnReader::FloatColumnReader(reader) => numbers!(reader, |x: &f32| f64::from(*x)),
        ColumnReader::DoubleColumnReader(reader) => numbers!(reader, |x: &f64| *x),
        ColumnReader::Int32ColumnReader(reader) => numbers!(reader, |x: &i32| f64::from(*x)),
        ColumnReader::Int64ColumnReader(reader) => numbers!(reader, |x: &i64| *x as f64),
        _ => Ok(None),
    }
}
