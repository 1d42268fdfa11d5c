//! Errors that say what, where and what to do: to people, and to programs by a code.

use serde::{Serialize, Serializer};
use std::fmt;
use std::path::Path;

/// What kind of error it is, for programs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ErrorCode {
    /// Wrong use of a command.
    WrongUse,
    /// A sheet, profile or job file is wrong.
    WrongKey,
    /// Only the sheet can tell how the data are to be read.
    NotStated,
    /// Sheet and data do not go together.
    WrongCapture,
    /// Several records, of which one must be chosen.
    SeveralRecords,
    /// A stretch that the record does not have.
    WrongRange,
    /// A file can't be opened or read.
    Unreadable,
    /// The data are damaged or of a kind that is not read.
    Damaged,
    /// A document is of another kind or form.
    WrongDocument,
    /// The folder holds no job, or one already.
    WrongFolder,
    /// The plan is not the one that was pinned.
    PlanChanged,
    /// A reading does not fit its step.
    WrongReading,
    /// A report can't be made.
    NoReport,
    /// An output can't be written.
    Unwritable,
    /// The user broke off.
    Interrupted,
    /// A fault of this program.
    Internal,
}

/// Where in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// The file as a whole.
    File,
    /// A line, counted from 1, and a field in it, counted from 1 (0: the whole line).
    Line(u64, usize),
    /// A line and a column, both counted from 1.
    Column(u64, usize),
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
            Self::Column(line, column) => write!(f, ":{line}:{column}"),
            Self::Byte(byte) => write!(f, ": byte {byte}"),
            Self::Value(value) => write!(f, ": value {value}"),
        }
    }
}

impl Serialize for Place {
    /// As an object with `line` and `field` or `column`, `byte`, or `value`; empty for a whole file.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let pairs: Vec<(&str, u64)> = match *self {
            Self::File => Vec::new(),
            Self::Line(line, 0) => vec![("line", line)],
            Self::Line(line, field) => vec![("line", line), ("field", field as u64)],
            Self::Column(line, column) => vec![("line", line), ("column", column as u64)],
            Self::Byte(byte) => vec![("byte", byte)],
            Self::Value(value) => vec![("value", value)],
        };
        serializer.collect_map(pairs)
    }
}

/// An error that says what kind it is, where, and what to do.
pub trait Explain: std::error::Error {
    /// Its kind.
    fn code(&self) -> ErrorCode;

    /// The file it is about.
    fn file(&self) -> Option<&Path> {
        None
    }

    /// Where in that file.
    fn place(&self) -> Option<Place> {
        None
    }

    /// The line at fault, with a mark under the place.
    fn excerpt(&self) -> Option<String> {
        None
    }

    /// What to do.
    fn help(&self) -> Option<String> {
        None
    }

    /// Message and help in one line.
    fn with_help(&self) -> String {
        let message = self.message();
        self.help().map_or(message.clone(), |help| format!("{message}; {help}"))
    }

    /// The message with those of its causes, each once.
    fn message(&self) -> String {
        let mut text = self.to_string();
        let mut cause = self.source();
        while let Some(inner) = cause {
            let inner_text = inner.to_string();
            // An error that only hands on another says the same twice.
            if !text.contains(&inner_text) {
                text.push_str(&format!(": {inner_text}"));
            }
            cause = inner.source();
        }
        text
    }
}
