//! A recording: a capture from files or from arrays, read through once and open for a second look.
//!
//! [`locate`](resolve) finds data and sheet, `roles` tells voltage from current, `index` finds the
//! records, `read` takes them, `record` is one of them.

mod arrays;
mod conditioning;
mod index;
mod locate;
mod read;
mod record;
mod roles;

pub use arrays::SampleArray;
pub use locate::{Capture, CaptureError, resolve};
pub use read::{Recording, open_reader};
pub use record::{Offsets, Record};
pub use roles::channel_named;

use crate::explain::{ErrorCode, Explain, Place};
use crate::ingest::{IngestError, Limits};
use crate::keyfile::KeyfileError;
use crate::trace::ReadFailure;
use std::path::Path;

/// How a capture is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReadSettings {
    /// Threads; at least 1.
    pub threads: usize,
    /// Whether the data files are hashed.
    pub hash: bool,
    /// Bounds on what a file may ask for.
    pub limits: Limits,
}

impl Default for ReadSettings {
    fn default() -> Self {
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        Self { threads, hash: false, limits: Limits::default() }
    }
}

/// Watches a run, and may end it.
pub trait Observer: Sync {
    /// `done` of `total` pieces have been read.
    fn progress(&self, done: u64, total: u64) {
        let _ = (done, total);
    }

    /// Something a person should know, such as a channel taken without a sheet.
    fn note(&self, text: &str) {
        let _ = text;
    }

    /// Whether the run is to end.
    fn stop(&self) -> bool {
        false
    }
}

/// An observer that sees nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Unobserved;

impl Observer for Unobserved {}

/// Why a capture can't be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RecordingError {
    /// The data can't be read.
    #[error(transparent)]
    Ingest(#[from] IngestError),
    /// The sheet is wrong.
    #[error(transparent)]
    Keyfile(#[from] KeyfileError),
    /// Sheet and data do not go together.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// Data that could be read once can't be read again.
    #[error(transparent)]
    Reread(#[from] ReadFailure),
    /// The user broke off.
    #[error("interrupted")]
    Interrupted,
}

impl Explain for RecordingError {
    fn code(&self) -> ErrorCode {
        match self {
            Self::Ingest(error) => error.code(),
            Self::Keyfile(error) => error.code(),
            Self::Capture(error) => error.code(),
            Self::Reread(_) => ErrorCode::Unreadable,
            Self::Interrupted => ErrorCode::Interrupted,
        }
    }

    fn file(&self) -> Option<&Path> {
        match self {
            Self::Ingest(error) => error.file(),
            Self::Keyfile(error) => error.file(),
            Self::Capture(error) => error.file(),
            _ => None,
        }
    }

    fn place(&self) -> Option<Place> {
        match self {
            Self::Ingest(error) => error.place(),
            Self::Keyfile(error) => error.place(),
            Self::Capture(error) => error.place(),
            _ => None,
        }
    }

    fn excerpt(&self) -> Option<String> {
        match self {
            Self::Ingest(error) => error.excerpt(),
            Self::Keyfile(error) => error.excerpt(),
            Self::Capture(error) => error.excerpt(),
            _ => None,
        }
    }

    fn help(&self) -> Option<String> {
        match self {
            Self::Ingest(error) => error.help(),
            Self::Keyfile(error) => error.help(),
            Self::Capture(error) => error.help(),
            _ => None,
        }
    }
}
