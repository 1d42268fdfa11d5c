//! NumPy archive: one named array per channel, and the sample rate.

use super::npy::{SIZES, descr, header};
use super::{Notes, Shape, TraceWriter, put};
use crate::files::{WholeFile, WriteError};
use crate::trace::Block;
use std::io::{self, Read, Seek, SeekFrom, Write};
use zip::write::SimpleFileOptions;

struct NpzWriter {
    file: WholeFile,
    shape: Shape,
    integer: Option<u32>,
    double: bool,
    /// Channels until they are put into the archive one after the other.
    kept: Vec<std::fs::File>,
}

pub(super) fn create(
    file: WholeFile,
    shape: &Shape,
    _: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    let count = shape.named().len();
    let kept = (0..count)
        .map(|_| tempfile::tempfile())
        .collect::<io::Result<Vec<_>>>()
        .map_err(|e| file.fail(e))?;
    let (integer, double) = (shape.integer_bytes(SIZES), shape.floats.double(true));
    Ok(Box::new(NpzWriter { file, shape: *shape, integer, double, kept }))
}

impl TraceWriter for NpzWriter {
    fn push(&mut self, block: &Block) -> Result<(), WriteError> {
        let channels = [&block.v, &block.i].into_iter().filter(|x| !x.is_empty());
        for ((x, kept), (_, _, full)) in channels.zip(&mut self.kept).zip(self.shape.named()) {
            let mut bytes = Vec::with_capacity(x.len() * 8);
            x.iter().for_each(|x| put(*x, full, self.integer, self.double, &mut bytes));
            kept.write_all(&bytes).map_err(|e| self.file.fail(e))?;
        }
        Ok(())
    }

    fn finish(mut self: Box<Self>) -> Result<(), WriteError> {
        let path = self.file.path().to_owned();
        let fail = |source: io::Error| WriteError { file: path.clone(), source };
        let wrong = |error: zip::result::ZipError| fail(io::Error::other(error));
        // No time stamp: the same samples give the same bytes.
        let options = SimpleFileOptions::default()
            .compression_method(zip::CompressionMethod::Stored)
            .last_modified_time(zip::DateTime::default())
            .large_file(true);
        let mut archive = zip::ZipWriter::new(Once::new(self.file));
        let dimensions = format!("({},)", self.shape.samples);
        for ((name, ..), kept) in self.shape.named().into_iter().zip(&mut self.kept) {
            archive.start_file(format!("{name}.npy"), options).map_err(wrong)?;
            archive
                .write_all(&header(descr(self.integer, self.double), &dimensions))
                .map_err(fail)?;
            kept.seek(SeekFrom::Start(0)).map_err(fail)?;
            io::copy(&mut kept.take(u64::MAX), &mut archive).map_err(fail)?;
        }
        archive.start_file("sample_rate_hz.npy", options).map_err(wrong)?;
        archive.write_all(&header("<f8", "()")).map_err(fail)?;
        archive.write_all(&self.shape.rate.hertz().to_le_bytes()).map_err(fail)?;
        archive.finish().map_err(wrong)?.file.finish()
    }
}

/// Fails once and only counts from then on: an archive that is given up tries to complete itself,
/// and would tell people that it can't.
struct Once {
    file: WholeFile,
    failed: bool,
    /// Place of the next byte, and the end.
    at: u64,
    end: u64,
}

impl Once {
    fn new(file: WholeFile) -> Self {
        Self { file, failed: false, at: 0, end: 0 }
    }
}

impl Write for Once {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let count = if self.failed {
            bytes.len()
        } else {
            self.file.write(bytes).inspect_err(|_| self.failed = true)?
        };
        self.at += count as u64;
        self.end = self.end.max(self.at);
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.failed { Ok(()) } else { self.file.flush().inspect_err(|_| self.failed = true) }
    }
}

impl Seek for Once {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.at = if self.failed {
            match to {
                SeekFrom::Start(at) => at,
                SeekFrom::Current(by) => self.at.saturating_add_signed(by),
                SeekFrom::End(by) => self.end.saturating_add_signed(by),
            }
        } else {
            self.file.seek(to).inspect_err(|_| self.failed = true)?
        };
        Ok(self.at)
    }
}
