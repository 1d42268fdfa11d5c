//! What a picture of a capture shows, as numbers; reports draw it.

use crate::trace::{Channel, Kind};
use serde::{Deserialize, Serialize};

/// A capture from far and from near.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sketch {
    /// Length of the record, s.
    pub duration_s: f64,
    /// Its phases.
    pub phases: Vec<SketchPhase>,
    /// Each channel over the whole record.
    pub panels: Vec<Panel>,
    /// Where nothing was recorded, s.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<[f64; 2]>,
    /// Each kind of output from near.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub close_ups: Vec<CloseUp>,
}

/// A phase of a sketch.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SketchPhase {
    /// Its kind.
    pub kind: Kind,
    /// Start, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
}

/// One channel over the whole record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Panel {
    /// The channel.
    pub channel: Channel,
    /// Its columns; none where nothing was recorded.
    pub columns: Vec<Column>,
    /// Whether crests are cut off somewhere in the record.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub clipped: bool,
    /// Samples as lines (s, V or A), where the record is short enough to show them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lines: Vec<Vec<(f64, f64)>>,
}

/// A stretch of a channel; written as `[at, low, high, rms]`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "(f64, f32, f32, f64)", into = "(f64, f32, f32, f64)")]
pub struct Column {
    /// Its middle, s.
    pub at_s: f64,
    /// Smallest value, V or A.
    pub low: f32,
    /// Largest value, V or A.
    pub high: f32,
    /// Root mean square, V or A.
    pub rms: f64,
}

impl From<(f64, f32, f32, f64)> for Column {
    fn from((at_s, low, high, rms): (f64, f32, f32, f64)) -> Self {
        Self { at_s, low, high, rms }
    }
}

impl From<Column> for (f64, f32, f32, f64) {
    fn from(column: Column) -> Self {
        (column.at_s, column.low, column.high, column.rms)
    }
}

/// A few bursts or carrier cycles of one kind of output.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CloseUp {
    /// The kind.
    pub kind: Kind,
    /// The channel.
    pub channel: Channel,
    /// Where it begins in the record, s.
    pub start_s: f64,
    /// Its length, s.
    pub length_s: f64,
    /// Samples as lines: s from its start, V or A.
    pub lines: Vec<Vec<(f64, f64)>>,
    /// The same of the other channel, where it was captured and there is room for it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub other: Vec<Vec<(f64, f64)>>,
    /// Peak, RMS and crest factor of this kind of output, as measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub levels: Option<Levels>,
    /// Where nothing was recorded, s from its start.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<[f64; 2]>,
}

/// Peak, RMS and their ratio, V or A.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Levels {
    /// Peak.
    pub peak: f64,
    /// Root mean square.
    pub rms: f64,
    /// Crest factor.
    pub crest_factor: f64,
}
