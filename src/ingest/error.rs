//! What can go wrong while reading data.

use super::Source;
use std::fmt;
use std::path::PathBuf;

/// Place of a fault in a data file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// The file as a whole.
    File,
    /// A line, counted from 1, and a field in it, counted from 1 (0: the whole line).
    Line(u64, usize),
    /// A byte, counted from 0.
    Byte(u64),
    /// A value of a file that holds nothing but values, counted from 1.
    Value(u64),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File => Ok(()),
            Self::Line(line, 0) => write!(f, ":{line}"),
            Self::Line(line, field) => write!(f, ":{line}: field {field}"),
            Self::Byte(byte) => write!(f, ": byte {byte}"),
            Self::Value(value) => write!(f, ": value {value}"),
        }
    }
}

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

impl IngestError {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> String {
        match self {
            Self::Io { source, .. } => match source.kind() {
                std::io::ErrorKind::NotFound => "check the path and its spelling".into(),
                std::io::ErrorKind::PermissionDenied => "check who may read the file".into(),
                _ => "check the disk and try again".into(),
            },
            Self::Damaged { help, .. } | Self::Ask { help, .. } => help.clone(),
        }
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
