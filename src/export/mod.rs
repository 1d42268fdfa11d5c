//! Writers: samples out to a data file.

mod comtrade;
mod csv;
mod npy;
mod npz;
#[cfg(feature = "parquet")]
mod parquet;
mod sigmf;
mod wav;

use crate::files::{WholeFile, WriteError};
use crate::trace::{Block, Channels, PerChannel};
use crate::units::SampleRate;
use std::path::Path;

/// How floats are laid down.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Floats {
    /// As the format usually has them.
    #[default]
    Usual,
    /// 32 bit: the values have no more.
    Single,
    /// 64 bit.
    Double,
}

impl Floats {
    /// Whether they take 64 bit, where the format usually does so or not.
    fn double(self, usually: bool) -> bool {
        match self {
            Self::Usual => usually,
            Self::Single => false,
            Self::Double => true,
        }
    }
}

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
    pub full_scale: PerChannel<f64>,
    /// Size of floats.
    pub floats: Floats,
}

impl Shape {
    /// Name, symbol and full scale of each channel that is there.
    fn named(&self) -> Vec<(&'static str, &'static str, f64)> {
        let mut list = Vec::new();
        list.extend(self.channels.voltage.then_some(("voltage", "V", self.full_scale.voltage)));
        list.extend(self.channels.current.then_some(("current", "A", self.full_scale.current)));
        list
    }

    /// Bytes of an integer that holds so many bits, of the sizes a format has.
    fn integer_bytes(&self, sizes: &[u32]) -> Option<u32> {
        let bits = self.bits?;
        let largest = sizes.last().copied()?;
        Some(sizes.iter().copied().find(|size| 8 * size >= bits).unwrap_or(largest))
    }
}

/// A value as a code of `bytes` bytes.
fn code(value: f64, full: f64, bytes: u32) -> i32 {
    let top = 2_f64.powi(8 * i32::try_from(bytes).unwrap_or(4) - 1);
    #[allow(clippy::cast_possible_truncation)]
    let code = (value / full * top).round().clamp(-top, top - 1.0) as i32;
    code
}

/// What a format may say beside the numbers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Notes {
    /// Marked stretches: first sample, number of samples, label, comment.
    pub annotations: Vec<(u64, u64, String, String)>,
    /// What was on the bench, in one line.
    pub description: Option<String>,
    /// When the capture was taken, RFC 3339.
    pub taken_at: Option<String>,
}

/// A data file being written.
pub trait TraceWriter {
    /// Adds samples; one that is not valid is NaN, or infinite where it lay beyond the range, and
    /// is written as the format marks such.
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

type Creator = fn(WholeFile, &Shape, &Notes) -> Result<Box<dyn TraceWriter>, WriteError>;

/// A format that can be written.
#[derive(Debug)]
pub struct Writable {
    /// Ending of the file's name.
    pub ending: &'static str,
    /// Whether integers read back as shares of full scale, so that the sheet must tell it.
    pub shares: bool,
    /// Whether the file tells its sample rate.
    pub tells_rate: bool,
    /// Whether the file names its channels and their units.
    pub tells_units: bool,
    /// Whether it can hold integers.
    pub integers: bool,
    /// Ending of the file beside it that takes the numbers, where that is another.
    pub numbers: Option<&'static str>,
    /// Whether stretches can be marked in it.
    pub marks: bool,
    /// Whether it is usually written as codes of a converter.
    pub codes: bool,
    create: Creator,
}

/// A row of [`FORMATS`].
const fn format(
    ending: &'static str,
    shares: bool,
    (tells_rate, tells_units): (bool, bool),
    integers: bool,
    create: Creator,
) -> Writable {
    Writable {
        ending,
        shares,
        tells_rate,
        tells_units,
        integers,
        numbers: None,
        marks: false,
        codes: false,
        create,
    }
}

impl Writable {
    /// The same with the numbers in a file beside it.
    const fn numbers_in(mut self, ending: &'static str) -> Self {
        self.numbers = Some(ending);
        self
    }

    /// The same with a place for marks.
    const fn with_marks(mut self) -> Self {
        self.marks = true;
        self
    }

    /// The same, usually written as codes.
    const fn in_codes(mut self) -> Self {
        self.codes = true;
        self
    }
}

/// The formats, by the ending of the file's name.
pub const FORMATS: &[Writable] = &[
    format("csv", false, (true, true), false, csv::create),
    format("wav", true, (true, false), true, wav::create).in_codes(),
    format("npy", true, (false, false), true, npy::create),
    format("npz", true, (true, true), true, npz::create),
    format("sigmf-meta", false, (true, true), true, sigmf::create)
        .numbers_in("sigmf-data")
        .with_marks(),
    format("cfg", false, (true, true), true, comtrade::create).numbers_in("dat"),
    format("cff", false, (true, true), true, comtrade::create),
    #[cfg(feature = "parquet")]
    format("parquet", false, (true, true), false, parquet::create),
];

/// Endings that can be written.
pub fn endings() -> impl Iterator<Item = &'static str> {
    FORMATS.iter().map(|format| format.ending)
}

/// The format of a path, by its ending.
#[must_use]
pub fn writable(path: &Path) -> Option<&'static Writable> {
    let ending = path.extension()?.to_str()?.to_ascii_lowercase();
    FORMATS.iter().find(|format| format.ending == ending)
}

/// Begins a data file in the format of its ending.
///
/// # Errors
/// Where it can't be written, or the ending is of no format.
pub fn create(path: &Path, shape: &Shape) -> Result<Box<dyn TraceWriter>, WriteError> {
    create_with(path, shape, &Notes::default())
}

/// The same, with what stands beside the numbers where the format has a place for it.
///
/// # Errors
/// As [`create`].
pub fn create_with(
    path: &Path,
    shape: &Shape,
    notes: &Notes,
) -> Result<Box<dyn TraceWriter>, WriteError> {
    match writable(path) {
        Some(format) => (format.create)(WholeFile::create(path)?, shape, notes),
        None => Err(WriteError {
            file: path.to_owned(),
            source: std::io::Error::other("no format has this ending"),
        }),
    }
}

/// The numbers of a block in rows, as floats or as codes, lowest byte first.
fn rows(block: &Block, shape: &Shape, integer: Option<u32>, double: bool) -> Vec<u8> {
    let scales = [shape.full_scale.voltage, shape.full_scale.current];
    let mut bytes = Vec::with_capacity(block.len() * 16);
    for k in 0..block.len() {
        for (x, full) in [&block.v, &block.i].into_iter().zip(scales) {
            let Some(value) = x.get(k) else { continue };
            put(*value, full, integer, double, &mut bytes);
        }
    }
    bytes
}

/// One number.
fn put(value: f64, full: f64, integer: Option<u32>, double: bool, bytes: &mut Vec<u8>) {
    match integer {
        Some(size) => {
            let code = code(value, full, size).to_le_bytes();
            bytes.extend_from_slice(code.get(..size as usize).unwrap_or(&code));
        }
        None if double => bytes.extend(value.to_le_bytes()),
        #[allow(clippy::cast_possible_truncation)]
        None => bytes.extend((value as f32).to_le_bytes()),
    }
}
