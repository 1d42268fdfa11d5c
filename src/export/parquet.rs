//! Parquet: one column per channel, floats split by byte and packed, which suits waveforms; no
//! dictionary, which would make them larger.

use super::{Notes, Shape, TraceWriter};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use parquet::basic::{Compression, Encoding, Repetition, Type as Physical, ZstdLevel};
use parquet::data_type::{DoubleType, FloatType};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::path::PathBuf;
use std::sync::Arc;

/// Rows of a group.
const GROUP: usize = 1 << 20;

struct ParquetWriter {
    path: PathBuf,
    out: SerializedFileWriter<WholeFile>,
    double: bool,
    held: Block,
}

fn fail(path: &std::path::Path, error: ParquetError) -> WriteError {
    WriteError { file: path.to_owned(), source: std::io::Error::other(error) }
}

pub(super) fn create(
    file: WholeFile,
    shape: &Shape,
    notes: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    let path = file.path().to_owned();
    let double = shape.floats.double(true);
    let wrong = |error: ParquetError| fail(&path, error);
    let kind = if double { Physical::DOUBLE } else { Physical::FLOAT };
    let fields = shape
        .named()
        .into_iter()
        .map(|(name, unit, _)| {
            let title = format!("{name} ({unit})");
            let field =
                Type::primitive_type_builder(&title, kind).with_repetition(Repetition::REQUIRED);
            field.build().map(Arc::new)
        })
        .collect::<Result<Vec<_>, _>>()
        .map_err(wrong)?;
    let schema = Type::group_type_builder("capture").with_fields(fields).build().map_err(wrong)?;
    let mut keys = vec![KeyValue::new("sample_rate_hz".into(), shape.rate.hertz().to_string())];
    keys.extend(notes.description.clone().map(|text| KeyValue::new("description".into(), text)));
    let properties = WriterProperties::builder()
        .set_dictionary_enabled(false)
        .set_encoding(Encoding::BYTE_STREAM_SPLIT)
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_key_value_metadata(Some(keys))
        .build();
    let out =
        SerializedFileWriter::new(file, Arc::new(schema), Arc::new(properties)).map_err(wrong)?;
    Ok(Box::new(ParquetWriter { path, out, double, held: Block::default() }))
}

impl ParquetWriter {
    fn group(&mut self) -> Result<(), ParquetError> {
        let mut group = self.out.next_row_group()?;
        for x in [&self.held.v, &self.held.i].into_iter().filter(|x| !x.is_empty()) {
            let Some(mut column) = group.next_column()? else { break };
            if self.double {
                column.typed::<DoubleType>().write_batch(x, None, None)?;
            } else {
                #[allow(clippy::cast_possible_truncation)]
                let single: Vec<f32> = x.iter().map(|x| *x as f32).collect();
                column.typed::<FloatType>().write_batch(&single, None, None)?;
            }
            column.close()?;
        }
        group.close()?;
        self.held = Block::default();
        Ok(())
    }
}

impl TraceWriter for ParquetWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        self.held.v.extend_from_slice(&block.v);
        self.held.i.extend_from_slice(&block.i);
        if self.held.len() < GROUP {
            return Ok(());
        }
        self.group().map_err(|error| fail(&self.path, error))
    }

    fn finish(mut self: Box<Self>) -> Result<(), WriteError> {
        if !self.held.is_empty() {
            self.group().map_err(|error| fail(&self.path, error))?;
        }
        let path = self.path.clone();
        self.out.into_inner().map_err(|error| fail(&path, error))?.finish()
    }
}
