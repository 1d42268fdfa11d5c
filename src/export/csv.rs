//! Delimited text: time, voltage, current, with names and units in the first row.

use super::{Notes, Shape, TraceWriter};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use std::io::Write;

struct CsvWriter {
    file: WholeFile,
    shape: Shape,
}

pub(super) fn create(
    file: WholeFile,
    shape: &Shape,
    _: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    let mut writer = CsvWriter { file, shape: *shape };
    let mut names = vec!["time (s)"];
    names.extend(shape.channels.voltage.then_some("voltage (V)"));
    names.extend(shape.channels.current.then_some("current (A)"));
    writeln!(writer.file, "{}", names.join(",")).map_err(|e| writer.file.fail(e))?;
    Ok(Box::new(writer))
}

impl TraceWriter for CsvWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        let rate = self.shape.rate.hertz();
        let mut rows = String::new();
        for k in 0..block.len() {
            use std::fmt::Write;
            // The shortest text that reads back as the same number; writing to a string can't fail.
            let _ = write!(rows, "{}", (block.start + k as u64) as f64 / rate);
            for x in [&block.v, &block.i] {
                if let Some(value) = x.get(k) {
                    let _ = write!(rows, ",{value}");
                }
            }
            rows.push('\n');
        }
        self.file.write_all(rows.as_bytes()).map_err(|e| self.file.fail(e))
    }

    fn finish(self: Box<Self>) -> Result<(), WriteError> {
        self.file.finish()
    }
}
