//! NumPy array: one row per sample, or one dimension for one channel; floats, or integers as shares
//! of full scale.

use super::{Notes, Shape, TraceWriter, rows};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use std::io::Write;

struct NpyWriter {
    file: WholeFile,
    shape: Shape,
    integer: Option<u32>,
    double: bool,
}

/// The header of an array, format version 1.0: the data start at a multiple of 64 bytes, the header
/// ends in a line end.
pub(super) fn header(descr: &str, dimensions: &str) -> Vec<u8> {
    let mut header =
        format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': {dimensions}, }}");
    let length = (10 + header.len() + 1).next_multiple_of(64) - 10;
    header.push_str(&" ".repeat(length - header.len() - 1));
    header.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend(u16::try_from(length).unwrap_or(u16::MAX).to_le_bytes());
    bytes.extend(header.as_bytes());
    bytes
}

/// NumPy's word for a number.
pub(super) fn descr(integer: Option<u32>, double: bool) -> &'static str {
    match (integer, double) {
        (Some(1), _) => "|i1",
        (Some(2), _) => "<i2",
        (Some(_), _) => "<i4",
        (None, true) => "<f8",
        (None, false) => "<f4",
    }
}

/// Sizes of integers that arrays have, bytes.
pub(super) const SIZES: &[u32] = &[1, 2, 4];

pub(super) fn create(
    mut file: WholeFile,
    shape: &Shape,
    _: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    let both = shape.channels.voltage && shape.channels.current;
    if both && shape.samples == 2 {
        let why =
            "in an array of 2 x 2, samples and channels can't be told apart; choose .npz or .csv";
        return Err(file.fail(std::io::Error::other(why)));
    }
    let dimensions =
        if both { format!("({}, 2)", shape.samples) } else { format!("({},)", shape.samples) };
    let (integer, double) = (shape.integer_bytes(SIZES), shape.floats.double(true));
    file.write_all(&header(descr(integer, double), &dimensions)).map_err(|e| file.fail(e))?;
    Ok(Box::new(NpyWriter { file, shape: *shape, integer, double }))
}

impl TraceWriter for NpyWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        let bytes = rows(block, &self.shape, self.integer, self.double);
        self.file.write_all(&bytes).map_err(|e| self.file.fail(e))
    }

    fn finish(self: Box<Self>) -> Result<(), WriteError> {
        self.file.finish()
    }
}
