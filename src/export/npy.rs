//! NumPy array of float64: one row per sample, or one dimension for one channel.

use super::{Shape, TraceWriter};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use std::io::Write;

struct NpyWriter {
    file: WholeFile,
}

pub fn create(mut file: WholeFile, shape: &Shape) -> Result<Box<dyn TraceWriter>, WriteError> {
    let both = shape.channels.voltage && shape.channels.current;
    let dimensions =
        if both { format!("({}, 2)", shape.samples) } else { format!("({},)", shape.samples) };
    let mut header = format!("{{'descr': '<f8', 'fortran_order': False, 'shape': {dimensions}, }}");
    // Version 1.0: the data start at a multiple of 64 bytes, the header ends in a line end.
    let length = (10 + header.len() + 1).next_multiple_of(64) - 10;
    header.push_str(&" ".repeat(length - header.len() - 1));
    header.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend(u16::try_from(length).unwrap_or(u16::MAX).to_le_bytes());
    bytes.extend(header.as_bytes());
    file.write_all(&bytes).map_err(|e| file.fail(e))?;
    Ok(Box::new(NpyWriter { file }))
}

impl TraceWriter for NpyWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        let mut bytes = Vec::with_capacity(block.len() * 16);
        for k in 0..block.len() {
            for value in [&block.v, &block.i].into_iter().filter_map(|x| x.get(k)) {
                bytes.extend(value.to_le_bytes());
            }
        }
        self.file.write_all(&bytes).map_err(|e| self.file.fail(e))
    }

    fn finish(self: Box<Self>) -> Result<(), WriteError> {
        self.file.finish()
    }
}
