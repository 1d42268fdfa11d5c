//! A recording and settings to a measurement: phases, measures, uncertainty, flags.
//!
//! [`run`](measure_record) is the way through; `assemble` puts the result together, `edges` and
//! `conditions` say what the record leaves open, `flags` what is in doubt, `range` measures between
//! any two samples.

mod assemble;
mod choices;
mod conditions;
mod delay;
mod drift;
mod edges;
mod expected;
mod flags;
mod quality;
mod range;
mod run;
mod sketch;
mod switch;

pub use choices::{ChoiceError, Choices};
pub use delay::{DelayRefusal, estimate_delay};
pub use run::{Run, measure_record};
pub use sketch::Detail;
pub use switch::{Press, presses};

use crate::explain::{ErrorCode, Explain, Place};
use crate::measures::ReadBudget;
use crate::profile::{Expected, Setting};
use crate::recording::{Capture, CaptureError, Observer, ReadSettings, Recording, RecordingError};
use crate::segment::Thresholds;
use crate::trace::{Kind, ReadFailure};
use crate::uncertainty::Extras;
use std::path::Path;

/// What a user may choose.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Share of a burst's peak above which it is on.
    pub duty_threshold: f64,
    /// Thresholds of the segmentation.
    pub thresholds: Thresholds,
    /// How much is read a second time.
    pub budget: ReadBudget,
    /// How the capture is read.
    pub read: ReadSettings,
    /// Sequence by which phases are named; empty: by the waveform alone.
    pub expected_sequence: Vec<Kind>,
    /// What is wanted beside the uncertainty itself.
    pub extras: Extras,
}

impl Settings {
    /// The usual settings with so many threads.
    #[must_use]
    pub fn on_threads(threads: usize) -> Self {
        Self { read: ReadSettings { threads, ..ReadSettings::default() }, ..Self::default() }
    }
}

impl Settings {
    /// Takes what a setting of a profile says of the phases: their order and how kinds are told apart.
    pub fn expect(&mut self, profile: Expected<'_>, setting: &Setting) {
        self.expected_sequence.clone_from(&setting.sequence);
        self.thresholds = profile.thresholds(setting, Thresholds::default());
    }
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            duty_threshold: 0.1,
            thresholds: Thresholds::default(),
            budget: ReadBudget::default(),
            read: ReadSettings::default(),
            expected_sequence: Vec::new(),
            extras: Extras::default(),
        }
    }
}

/// Anything that can end a measurement.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AnalysisError {
    /// The capture can't be read.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// The sheet's correlations can't hold together.
    #[error(transparent)]
    Correlation(#[from] crate::uncertainty::correlation::CorrelationError),
    /// One record was asked for and there are several.
    #[error("{}: the file has {records} records", file.display())]
    Several {
        /// The data file.
        file: std::path::PathBuf,
        /// Number of records.
        records: usize,
    },
    /// A range that is empty or reaches beyond the record.
    #[error("samples {start} to {end} are not within a record of {total} samples")]
    Range {
        /// First sample.
        start: u64,
        /// End.
        end: u64,
        /// Samples of the record.
        total: u64,
    },
    /// The user broke off.
    #[error("interrupted")]
    Interrupted,
    /// The phases do not tile the record: a fault of this program.
    #[error("the phases found do not cover the record: {0}; please report this with the capture")]
    Tiling(#[from] crate::trace::TilingFault),
}

impl Explain for AnalysisError {
    fn code(&self) -> ErrorCode {
        match self {
            Self::Recording(error) => error.code(),
            Self::Correlation(_) => ErrorCode::WrongKey,
            Self::Several { .. } => ErrorCode::SeveralRecords,
            Self::Range { .. } => ErrorCode::WrongRange,
            Self::Interrupted => ErrorCode::Interrupted,
            Self::Tiling(_) => ErrorCode::Internal,
        }
    }

    fn file(&self) -> Option<&Path> {
        match self {
            Self::Recording(error) => error.file(),
            Self::Several { file, .. } => Some(file),
            _ => None,
        }
    }

    fn place(&self) -> Option<Place> {
        match self {
            Self::Recording(error) => error.place(),
            _ => None,
        }
    }

    fn excerpt(&self) -> Option<String> {
        match self {
            Self::Recording(error) => error.excerpt(),
            _ => None,
        }
    }

    fn help(&self) -> Option<String> {
        match self {
            Self::Recording(error) => error.help(),
            Self::Several { .. } => Some("choose one by its number, from 1 (--record N)".into()),
            Self::Correlation(_) => Some("correct [correlation] in the sheet".into()),
            _ => None,
        }
    }
}

impl From<ReadFailure> for AnalysisError {
    fn from(error: ReadFailure) -> Self {
        Self::Recording(error.into())
    }
}

impl From<CaptureError> for AnalysisError {
    fn from(error: CaptureError) -> Self {
        Self::Recording(error.into())
    }
}

impl From<crate::keyfile::KeyfileError> for AnalysisError {
    fn from(error: crate::keyfile::KeyfileError) -> Self {
        Self::Recording(error.into())
    }
}

/// Measures a recording of one record.
///
/// # Errors
/// Where it holds several records, its time axis is not sound, or the observer ends the run.
pub fn measure(
    recording: &Recording,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Run, AnalysisError> {
    let records = recording.records().len();
    if records > 1 {
        let file = recording.capture().data.clone();
        return Err(AnalysisError::Several { file, records });
    }
    measure_record(recording, 0, settings, observer)
}

/// Reads and measures a capture of one record.
///
/// # Errors
/// As [`Recording::read`] and [`measure`].
pub fn measure_capture(
    capture: Capture,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Run, AnalysisError> {
    measure(&Recording::read(capture, &settings.read, observer)?, settings, observer)
}
