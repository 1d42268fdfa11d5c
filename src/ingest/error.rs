//! What can go wrong while reading data.

use super::Source;
use crate::explain::{ErrorCode, Explain};
use std::path::{Path, PathBuf};

pub use crate::explain::Place;

/// A data file can't be read, or can't be read without guessing.
#[derive(Debug, thiserror::Error)]
pub enum IngestError {
    /// The operating system refused.
    #[error("{}: {what}", file.display())]
    Io {
        /// The file.
        file: PathBuf,
        /// What was tried.
        what: &'static str,
        /// The reason given.
        #[source]
        source: std::io::Error,
    },
    /// The data are damaged or of a kind that is not read.
    #[error("{}{place}: {message}", file.display())]
    Damaged {
        /// The file.
        file: PathBuf,
        /// Where in it.
        place: Place,
        /// What was expected and found.
        message: String,
        /// What to do.
        help: String,
    },
    /// Two readings are plausible, or something is missing that only the sheet can tell.
    #[error("{}: {message}", file.display())]
    Ask {
        /// The file.
        file: PathBuf,
        /// What is not known.
        message: String,
        /// The sheet key or flag that settles it.
        help: String,
    },
}

impl Explain for IngestError {
    fn code(&self) -> ErrorCode {
        match self {
            Self::Io { .. } => ErrorCode::Unreadable,
            Self::Damaged { .. } => ErrorCode::Damaged,
            Self::Ask { .. } => ErrorCode::NotStated,
        }
    }

    fn file(&self) -> Option<&Path> {
        match self {
            Self::Io { file, .. } | Self::Damaged { file, .. } | Self::Ask { file, .. } => {
                Some(file)
            }
        }
    }

    fn place(&self) -> Option<Place> {
        match self {
            Self::Damaged { place, .. } => Some(*place),
            Self::Io { .. } | Self::Ask { .. } => None,
        }
    }

    fn help(&self) -> Option<String> {
        Some(match self {
            Self::Io { source, .. } => match source.kind() {
                std::io::ErrorKind::NotFound => "check the path and its spelling".into(),
                std::io::ErrorKind::PermissionDenied => "check who may read the file".into(),
                _ => "check the disk and try again".into(),
            },
            Self::Damaged { help, .. } | Self::Ask { help, .. } => help.clone(),
        })
    }
}

/// Damage at a place of a file.
pub(super) fn damaged_at(
    source: &Source,
    place: Place,
    message: impl Into<String>,
    help: &str,
) -> IngestError {
    IngestError::Damaged {
        file: source.name().to_owned(),
        place,
        message: message.into(),
        help: help.to_owned(),
    }
}

/// Damage of a file as a whole.
pub(super) fn damaged(source: &Source, message: impl Into<String>, help: &str) -> IngestError {
    damaged_at(source, Place::File, message, help)
}
