//! Errors that say what, where and what to do: to people, and to programs by a code.

use serde::{Serialize, Serializer};
use std::fmt;
use std::path::Path;

/// Who can mend an error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// Wrong use, or a wrong sheet or profile.
    Use,
    /// Unreadable or damaged data.
    Data,
    /// An output that can't be written.
    Output,
    /// The user broke off.
    Interrupted,
}

macro_rules! error_codes {
    ($($(#[$doc:meta])* $variant:ident $name:literal $cause:ident;)*) => {
        /// What kind of error it is, for programs.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        #[non_exhaustive]
        pub enum ErrorCode { $($(#[$doc])* $variant),* }

        impl ErrorCode {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$variant),*];

            /// The word used in files.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),* }
            }

            /// Who can mend it.
            #[must_use]
            pub fn cause(self) -> Cause {
                match self { $(Self::$variant => Cause::$cause),* }
            }
        }
    };
}

error_codes! {
    /// Wrong use of a command.
    WrongUse "wrong_use" Use;
    /// A sheet, profile or job file is wrong.
    WrongKey "wrong_key" Use;
    /// Only the sheet can tell how the data are to be read.
    NotStated "not_stated" Use;
    /// Sheet and data do not go together.
    WrongCapture "wrong_capture" Use;
    /// Several records, of which one must be chosen.
    SeveralRecords "several_records" Use;
    /// A stretch that the record does not have.
    WrongRange "wrong_range" Data;
    /// A file can't be opened or read.
    Unreadable "unreadable" Data;
    /// The data are damaged or of a kind that is not read.
    Damaged "damaged" Data;
    /// A document is of another kind or form.
    WrongDocument "wrong_document" Data;
    /// The folder holds no job, or one already.
    WrongFolder "wrong_folder" Use;
    /// The plan is not the one that was pinned.
    PlanChanged "plan_changed" Use;
    /// A reading does not fit its step.
    WrongReading "wrong_reading" Use;
    /// A report can't be made.
    NoReport "no_report" Data;
    /// The archive can't be reached.
    NoStore "no_store" Output;
    /// The archive is one of a newer program.
    NewerStore "newer_store" Data;
    /// The archive holds what this program did not write.
    Altered "altered" Data;
    /// A result is not fit to be archived.
    Unfit "unfit" Data;
    /// A file of a key is none, or can't be used.
    WrongKeyFile "wrong_key_file" Use;
    /// An output can't be written.
    Unwritable "unwritable" Output;
    /// The user broke off.
    Interrupted "interrupted" Interrupted;
    /// A fault of this program.
    Internal "internal" Data;
}

impl Serialize for ErrorCode {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
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
