//! WAV: 32-bit floats in volts and amperes, or 16, 24 or 32-bit integers as shares of full scale.

use super::{Shape, TraceWriter};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use std::path::PathBuf;

struct WavWriter {
    out: hound::WavWriter<KeptFile>,
    /// hound keeps the file until it has written the lengths in the header; then it is handed on.
    back: std::rc::Rc<std::cell::RefCell<Option<WholeFile>>>,
    path: PathBuf,
    /// Largest integer and what it stands for; `None` for floats.
    integer: Option<(f64, [f64; 2])>,
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

pub fn create(file: WholeFile, shape: &Shape) -> Result<Box<dyn TraceWriter>, WriteError> {
    let path = file.path().to_owned();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let sample_rate = shape.rate.hertz().round() as u32;
    let bits = shape.bits.map(|bits| match bits {
        0..=16 => 16,
        17..=24 => 24,
        _ => 32,
    });
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
    let integer = bits
        .map(|bits| (2_f64.powi(i32::from(bits) - 1), [shape.full_scale.0, shape.full_scale.1]));
    Ok(Box::new(WavWriter { out, back, path, integer }))
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
                    Some((top, full)) => {
                        let code = (value / full[channel] * top).round().clamp(-top, top - 1.0);
                        self.out.write_sample(code as i32)
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
