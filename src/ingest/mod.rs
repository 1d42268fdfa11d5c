//! Readers: from a data file to raw numbers per channel.
//!
//! A format is one file here and one row in [`registry::FORMATS`]. A reader cuts its file in
//! pieces that can be decoded on their own, by any thread, in any order; [`stream()`] puts them in
//! order again.
//!
//! Whatever a file holds must end in numbers or in an error: indexing and unwrapping are denied
//! throughout.

#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)
)]

mod archive;
mod binary;
mod bytes;
mod comtrade;
mod error;
#[cfg(feature = "parquet")]
mod guard;
mod gzip;
pub mod layout;
mod limits;
mod npy;
mod npz;
mod pair;
#[cfg(feature = "parquet")]
mod parquet;
mod registry;
pub mod sigmf;
mod sigrok;
mod source;
mod stamps;
mod stream;
mod table;
mod text;
mod wav;

pub use binary::{Form, Number};
pub use error::{IngestError, Place};
#[cfg(feature = "parquet")]
pub use guard::guarded;
pub use limits::Limits;
pub use pair::pair;
pub use registry::{
    Beside, FORMATS, Format, Opening, description_of, is_readable, may_hold_data, numbers_of, open,
    open_source, recognise,
};
pub use source::Source;
pub use stamps::{reason, rounding};
pub use stream::stream;

use crate::flag::Flag;
use crate::numeric::moments::PairMoments;
use crate::trace::Mark;
use crate::units::{SampleRate, Unit};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// A data channel as the file describes it; time columns are not data channels.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelInfo {
    /// Name in the file, or `column 2` and the like where it has none.
    pub name: String,
    /// Unit, where the file tells it.
    pub unit: Option<Unit>,
    /// Factor from a number in the file to that unit in SI (1e-3 for mV).
    pub factor: f64,
    /// Number in the file that stands for zero.
    pub offset: f64,
    /// How the file lays its numbers down; `None` for text.
    pub number: Option<Number>,
    /// Why this channel is not a measured one, such as a trace computed by the instrument.
    pub not_measured: Option<&'static str>,
    /// Why the numbers can't be taken as volts or amperes unless the sheet gives a scale.
    pub needs_scale: Option<String>,
    /// Probe factor that the instrument was set to and has applied, where the file tells it.
    pub probe_factor: Option<f64>,
}

impl ChannelInfo {
    /// A channel of which no more is known.
    #[must_use]
    pub fn named(name: impl Into<String>) -> Self {
        Self {
            name: crate::keyfile::shown_plainly(&name.into()),
            unit: None,
            factor: 1.0,
            offset: 0.0,
            number: None,
            not_measured: None,
            needs_scale: None,
            probe_factor: None,
        }
    }

    /// The same with the way its numbers are laid down.
    #[must_use]
    pub fn laid(mut self, number: Number) -> Self {
        self.number = Some(number);
        self
    }
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
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Selection {
    /// Channel that holds the voltage.
    pub voltage: Option<usize>,
    /// Channel that holds the current.
    pub current: Option<usize>,
}

/// Time stamps of one stretch of a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stamps {
    /// First sample of the stretch, in the piece.
    pub start: usize,
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
    /// Steps of zero: stamps that repeat.
    pub repeats: u64,
    /// Place in the piece and stamp (s), for a line through them; only where stamps repeat.
    pub line: PairMoments,
}

/// Why a new record begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BreakReason {
    /// Time jumps ahead by so many seconds.
    Jump(f64),
    /// Time starts again.
    Restart,
    /// The header stands again.
    Header,
    /// A blank line stands between the rows.
    Blank,
    /// The file says so.
    Stated,
}

/// The first sample of a new record, in a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Break {
    /// Its place in the piece.
    pub at: usize,
    /// Why.
    pub reason: BreakReason,
}

/// Raw numbers of one piece, as they stand in the file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Piece {
    /// Numbers of the voltage channel; empty if not wanted.
    pub v: Vec<f64>,
    /// Numbers of the current channel; empty if not wanted.
    pub i: Vec<f64>,
    /// Time stamps by stretch, where the file has any.
    pub stamps: Vec<Stamps>,
    /// Samples that are not valid, in order; a neighbour's value stands in their place.
    pub gaps: Vec<(Range<usize>, Mark)>,
    /// New records that begin in this piece.
    pub breaks: Vec<Break>,
    /// The data end in this piece, and pieces after it hold none; `None` inside: nothing to tell.
    pub end: Option<Option<Flag>>,
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
        self.stamps.clear();
        self.gaps.clear();
        self.breaks.clear();
        self.end = None;
    }

    /// Marks one sample as not valid; samples come in order.
    pub fn mark(&mut self, at: usize, mark: Mark) {
        match self.gaps.last_mut() {
            Some((last, kind)) if *kind == mark && last.end >= at => {
                last.end = last.end.max(at + 1)
            }
            _ => self.gaps.push((at..at + 1, mark)),
        }
    }
}

/// What a file says of how it was taken, to be held against what it holds.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stated {
    /// Number of samples of a channel.
    pub samples: Option<u64>,
    /// Rate of the acquisition, which an export may have thinned out or filled up.
    pub acquisition: Option<SampleRate>,
    /// Samples that the instrument took.
    pub memory: Option<u64>,
    /// The file says that it holds segments: time between them was never to be recorded.
    pub segments: bool,
}

/// What was decided about a file, for people and for the result.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Receipt {
    /// Format, such as `delimited text`.
    pub format: String,
    /// Decisions in the order they were made: what, and how it was found.
    pub decisions: Vec<Decision>,
    /// What is in doubt about the file, though it can be read; it goes with the result.
    #[serde(skip)]
    pub doubts: Vec<Flag>,
}

/// One line of a [`Receipt`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
        Self { format: format.to_owned(), decisions: Vec::new(), doubts: Vec::new() }
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

    /// Every file that was read, the named one first.
    fn sources(&self) -> Vec<&Source> {
        vec![self.source()]
    }

    /// What the file says of how it was taken.
    fn stated(&self) -> Stated {
        Stated::default()
    }

    /// How a text is written, to be kept for later files of its kind.
    fn layout(&self) -> Option<&layout::Layout> {
        None
    }

    /// Number of pieces; pieces follow each other without gap or overlap.
    fn pieces(&self) -> usize;

    /// Decodes piece `piece` (from 0) into `out`, which is cleared first.
    ///
    /// # Errors
    /// Where the bytes can't be read or aren't what the format says.
    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError>;
}
