//! WAV: floats in volts and amperes, or 16, 24 or 32-bit integers as shares of full scale.
//!
//! hound writes what it can; 64-bit floats and files over 4 GiB (RF64) get their header here.

use super::{Notes, Shape, TraceWriter, code, rows};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use std::path::PathBuf;

struct WavWriter {
    out: hound::WavWriter<KeptFile>,
    /// hound keeps the file until it has written the lengths in the header; then it is handed on.
    back: std::rc::Rc<std::cell::RefCell<Option<WholeFile>>>,
    path: PathBuf,
    /// Bytes of an integer and what full scale stands for; `None` for floats.
    integer: Option<(u32, [f64; 2])>,
}

/// The file while hound writes to it; it comes back when hound drops it.
struct KeptFile {
    file: Option<WholeFile>,
    back: std::rc::Rc<std::cell::RefCell<Option<WholeFile>>>,
}

impl std::io::Write for KeptFile {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.file.as_mut().map_or(Ok(0), |file| file.write(bytes))
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.as_mut().map_or(Ok(()), std::io::Write::flush)
    }
}

impl std::io::Seek for KeptFile {
    fn seek(&mut self, to: std::io::SeekFrom) -> std::io::Result<u64> {
        self.file.as_mut().map_or(Ok(0), |file| file.seek(to))
    }
}

impl Drop for KeptFile {
    fn drop(&mut self) {
        *self.back.borrow_mut() = self.file.take();
    }
}

pub(super) fn create(
    file: WholeFile,
    shape: &Shape,
    _: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    let path = file.path().to_owned();
    let hertz = shape.rate.hertz().round();
    if hertz < 1.0 || hertz > f64::from(u32::MAX) || (hertz / shape.rate.hertz() - 1.0).abs() > 1e-6
    {
        let message = format!(
            "WAV can only store whole-number sample rates up to 4.29 GHz, not {} Hz; write SigMF or npz",
            shape.rate.hertz()
        );
        return Err(WriteError { file: path, source: std::io::Error::other(message) });
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let sample_rate = hertz as u32;
    let integer = shape.integer_bytes(&[2, 3, 4]);
    let double = shape.floats.double(false);
    let frame =
        shape.named().len() as u64 * u64::from(integer.unwrap_or(if double { 8 } else { 4 }));
    // The library multiplies rate and frame in 32 bit.
    let runs_over = u64::from(sample_rate) * frame > u64::from(u32::MAX);
    let long = shape.samples.saturating_mul(frame) > LONGEST;
    if long || runs_over || (integer.is_none() && double) {
        return own(file, shape, sample_rate, integer, double);
    }
    let bits = integer.map(|bytes| u16::try_from(8 * bytes).unwrap_or(32));
    let spec = hound::WavSpec {
        channels: u16::from(shape.channels.voltage) + u16::from(shape.channels.current),
        sample_rate,
        bits_per_sample: bits.unwrap_or(32),
        sample_format: if bits.is_some() {
            hound::SampleFormat::Int
        } else {
            hound::SampleFormat::Float
        },
    };
    let back = std::rc::Rc::default();
    let kept = KeptFile { file: Some(file), back: std::rc::Rc::clone(&back) };
    let out = hound::WavWriter::new(kept, spec).map_err(|error| fail(&path, error))?;
    let integer =
        integer.map(|bytes| (bytes, [shape.full_scale.voltage, shape.full_scale.current]));
    Ok(Box::new(WavWriter { out, back, path, integer }))
}

/// Bytes of data that a 32-bit length can tell, its header included.
const LONGEST: u64 = u32::MAX as u64 - 1024;

/// A file whose header is written here.
struct OwnWriter {
    file: WholeFile,
    shape: Shape,
    integer: Option<u32>,
    double: bool,
}

fn own(
    mut file: WholeFile,
    shape: &Shape,
    sample_rate: u32,
    integer: Option<u32>,
    double: bool,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    use std::io::Write;
    let channels = u16::try_from(shape.named().len()).unwrap_or(1);
    let bytes = u16::try_from(integer.unwrap_or(if double { 8 } else { 4 })).unwrap_or(8);
    let frame = channels * bytes;
    let data = shape.samples.saturating_mul(u64::from(frame));
    let long = data > LONGEST;
    let mut head: Vec<u8> = Vec::new();
    let size = |n: u64| u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes();
    head.extend(if long { b"RF64" } else { b"RIFF" });
    head.extend(if long { u32::MAX.to_le_bytes() } else { size(36 + data) });
    head.extend(b"WAVE");
    if long {
        head.extend(b"ds64");
        head.extend(28_u32.to_le_bytes());
        for n in [data + 72, data, shape.samples] {
            head.extend(n.to_le_bytes());
        }
        head.extend(0_u32.to_le_bytes());
    }
    head.extend(b"fmt ");
    head.extend(16_u32.to_le_bytes());
    head.extend(if integer.is_some() { 1_u16 } else { 3 }.to_le_bytes());
    head.extend(channels.to_le_bytes());
    head.extend(sample_rate.to_le_bytes());
    head.extend(sample_rate.saturating_mul(u32::from(frame)).to_le_bytes());
    head.extend(frame.to_le_bytes());
    head.extend((8 * bytes).to_le_bytes());
    head.extend(b"data");
    head.extend(size(data));
    file.write_all(&head).map_err(|e| file.fail(e))?;
    Ok(Box::new(OwnWriter { file, shape: *shape, integer, double }))
}

impl TraceWriter for OwnWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        use std::io::Write;
        let bytes = rows(block, &self.shape, self.integer, self.double);
        self.file.write_all(&bytes).map_err(|e| self.file.fail(e))
    }

    fn finish(self: Box<Self>) -> Result<(), WriteError> {
        self.file.finish()
    }
}

fn fail(path: &std::path::Path, error: hound::Error) -> WriteError {
    let source = match error {
        hound::Error::IoError(error) => error,
        other => std::io::Error::other(other),
    };
    WriteError { file: path.to_owned(), source }
}

impl TraceWriter for WavWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        for k in 0..block.len() {
            for (channel, x) in [&block.v, &block.i].into_iter().enumerate() {
                let Some(value) = x.get(k) else { continue };
                #[allow(clippy::cast_possible_truncation)]
                let written = match self.integer {
                    None => self.out.write_sample(*value as f32),
                    Some((bytes, full)) => {
                        self.out.write_sample(code(*value, full[channel], bytes))
                    }
                };
                written.map_err(|error| fail(&self.path, error))?;
            }
        }
        Ok(())
    }

    fn finish(self: Box<Self>) -> Result<(), WriteError> {
        let Self { out, back, path, .. } = *self;
        out.finalize().map_err(|error| fail(&path, error))?;
        let file = back.borrow_mut().take();
        match file {
            Some(file) => file.finish(),
            None => Err(WriteError { file: path, source: std::io::Error::other("lost its file") }),
        }
    }
}
