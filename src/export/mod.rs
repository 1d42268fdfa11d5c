//! Writers: samples out to a data file.

mod csv;
mod npy;
mod wav;

use crate::files::{WholeFile, WriteError};
use crate::trace::{Block, Channels};
use crate::units::SampleRate;
use std::path::Path;

/// How numbers are laid down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Which channels there are.
    pub channels: Channels,
    /// Samples per second.
    pub rate: SampleRate,
    /// Number of samples; some headers come first and must know it.
    pub samples: u64,
    /// Bits of integer formats; floats where it is not given.
    pub bits: Option<u32>,
    /// Volts and amperes at full scale of integer formats.
    pub full_scale: (f64, f64),
}

/// A data file being written.
pub trait TraceWriter {
    /// Adds samples.
    ///
    /// # Errors
    /// Where they can't be written.
    fn push(&mut self, block: &Block) -> Result<(), WriteError>;

    /// Completes the file.
    ///
    /// # Errors
    /// Where the last bytes can't be written.
    fn finish(self: Box<Self>) -> Result<(), WriteError>;
}

type Creator = fn(WholeFile, &Shape) -> Result<Box<dyn TraceWriter>, WriteError>;

/// Formats by the ending of the file's name; whether numbers are shares of full scale.
const FORMATS: [(&str, Creator); 3] =
    [("csv", csv::create), ("wav", wav::create), ("npy", npy::create)];

/// Endings that can be written.
pub fn endings() -> impl Iterator<Item = &'static str> {
    FORMATS.iter().map(|(ending, _)| *ending)
}

/// Whether a path has an ending that can be written.
#[must_use]
pub fn can_write(path: &Path) -> bool {
    creator(path).is_some()
}

fn creator(path: &Path) -> Option<Creator> {
    let ending = path.extension()?.to_str()?.to_ascii_lowercase();
    FORMATS.iter().find(|(known, _)| *known == ending).map(|(_, create)| *create)
}

/// Begins a data file in the format of its ending.
///
/// # Errors
/// Where it can't be written, or the ending is of no format.
pub fn create(path: &Path, shape: &Shape) -> Result<Box<dyn TraceWriter>, WriteError> {
    match creator(path) {
        Some(create) => create(WholeFile::create(path)?, shape),
        None => Err(WriteError {
            file: path.to_owned(),
            source: std::io::Error::other("no format has this ending"),
        }),
    }
}

/// Whether integer numbers in a file of this path are shares of full scale.
#[must_use]
pub fn is_scaled(path: &Path, bits: Option<u32>) -> bool {
    bits.is_some() && path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("wav"))
}
