//! Readers: from a data file to raw numbers per channel.
//!
//! A format is one file here and one row in [`registry::FORMATS`]. A reader cuts its file in
//! pieces that can be decoded on their own, by any thread, in any order; [`stream()`] puts them in
//! order again.

mod binary;
mod error;
mod npy;
pub mod registry;
pub mod sheet;
mod source;
mod stream;
mod text;
mod wav;

pub use error::{IngestError, Place};
pub use registry::open;
pub use source::Source;
pub use stream::stream;

use crate::units::{SampleRate, Unit};
use serde::Serialize;

/// A data channel as the file describes it; time columns are not data channels.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelInfo {
    /// Name in the file, or `column 2` and the like where it has none.
    pub name: String,
    /// Unit, where the file tells it.
    pub unit: Option<Unit>,
    /// Factor from a number in the file to that unit in SI (1e-3 for mV).
    pub factor: f64,
}

/// Where the sample rate of a file comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RateSource {
    /// The file states it.
    Stated(SampleRate),
    /// It follows from a time column; this is a first idea from the first rows.
    TimeColumn(SampleRate),
    /// The file does not tell.
    Absent,
}

impl RateSource {
    /// The rate as far as it is known before the file has been read.
    #[must_use]
    pub fn first_idea(self) -> Option<SampleRate> {
        match self {
            Self::Stated(rate) | Self::TimeColumn(rate) => Some(rate),
            Self::Absent => None,
        }
    }
}

/// Which data channels are wanted, by their number among the data channels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Selection {
    /// Channel that holds the voltage.
    pub voltage: Option<usize>,
    /// Channel that holds the current.
    pub current: Option<usize>,
}

/// Time stamps of one piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stamps {
    /// First stamp, s.
    pub first: f64,
    /// Last stamp, s.
    pub last: f64,
    /// Largest distance of a stamp from the straight line through first and last, s.
    pub bow: f64,
    /// Smallest step above zero, s: the resolution of the stamps or the sample interval.
    pub quantum: f64,
    /// Steps that went backwards.
    pub backward: u64,
}

/// Raw numbers of one piece, as they stand in the file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Piece {
    /// Numbers of the voltage channel; empty if not wanted.
    pub v: Vec<f64>,
    /// Numbers of the current channel; empty if not wanted.
    pub i: Vec<f64>,
    /// Time stamps, where the file has any.
    pub stamps: Option<Stamps>,
    /// Bytes of the file while they are decoded; of no meaning outside of readers.
    pub scratch: Vec<u8>,
}

impl Piece {
    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        self.v.len().max(self.i.len())
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Makes it empty but keeps its memory.
    pub fn clear(&mut self) {
        self.v.clear();
        self.i.clear();
        self.stamps = None;
    }
}

/// What was decided about a file, for people and for the result.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Receipt {
    /// Format, such as `delimited text`.
    pub format: String,
    /// Decisions in the order they were made: what, and how it was found.
    pub decisions: Vec<Decision>,
}

/// One line of a [`Receipt`].
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Decision {
    /// What was decided.
    pub about: String,
    /// The decision, and how it was found.
    pub found: String,
}

impl Receipt {
    /// An empty receipt for a format.
    #[must_use]
    pub fn new(format: &str) -> Self {
        Self { format: format.to_owned(), decisions: Vec::new() }
    }

    /// Adds a line.
    pub fn note(&mut self, about: &str, found: impl Into<String>) {
        self.decisions.push(Decision { about: about.to_owned(), found: found.into() });
    }
}

/// An opened data file of any format.
pub trait TraceReader: Send + Sync {
    /// What was decided about the file when it was opened.
    fn receipt(&self) -> &Receipt;

    /// The data channels.
    fn channels(&self) -> &[ChannelInfo];

    /// Where the sample rate comes from.
    fn rate(&self) -> RateSource;

    /// The file.
    fn source(&self) -> &Source;

    /// Number of pieces; pieces follow each other without gap or overlap.
    fn pieces(&self) -> usize;

    /// Decodes piece `piece` (from 0) into `out`, which is cleared first.
    ///
    /// # Errors
    /// Where the bytes can't be read or aren't what the format says.
    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError>;
}
