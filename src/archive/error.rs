//! What can go wrong with an archive.

use crate::explain::{ErrorCode, Explain};
use crate::files::WriteError;
use crate::result::FormError;
use std::path::{Path, PathBuf};

/// Anything that ends work with an archive.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ArchiveError {
    /// The store can't be reached, or says no.
    #[error("{store}: {message}")]
    Store {
        /// The store as it was named, without a password.
        store: String,
        /// What it says.
        message: String,
    },
    /// There is no archive.
    #[error("{store}: there is no archive here")]
    None {
        /// The store as it was named.
        store: String,
    },
    /// It was written by a newer program.
    #[error("{store}: this archive has form {found}; this program knows forms up to {known}")]
    Newer {
        /// The store as it was named.
        store: String,
        /// Its form.
        found: i64,
        /// The newest form of this program.
        known: i64,
    },
    /// What it holds is not what this program wrote.
    #[error("{store}: {message}")]
    Altered {
        /// The store as it was named.
        store: String,
        /// What is wrong.
        message: String,
    },
    /// A file can't be read or written.
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
    /// A file can't be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// A document is not what was asked for.
    #[error("{name}: {error}")]
    Document {
        /// Its file or number.
        name: String,
        /// What is wrong.
        error: FormError,
    },
    /// What was to be added is not fit for it.
    #[error("{name}: {message}")]
    Unfit {
        /// The file or entry.
        name: String,
        /// Why.
        message: String,
        /// What to do.
        help: String,
    },
    /// No entry is meant, or more than one.
    #[error("{message}")]
    NoEntry {
        /// What was looked for.
        message: String,
        /// What to do.
        help: String,
    },
    /// A key can't be used.
    #[error("{}: {message}", file.display())]
    Key {
        /// Its file.
        file: PathBuf,
        /// Why.
        message: String,
    },
    /// The system gives no random numbers.
    #[error("the system gives no random numbers: {0}")]
    Random(String),
    /// The user broke off.
    #[error("interrupted")]
    Interrupted,
}

impl ArchiveError {
    pub(super) fn io(file: &Path, what: &'static str, source: std::io::Error) -> Self {
        Self::Io { file: file.to_owned(), what, source }
    }

    pub(super) fn no_entry(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::NoEntry { message: message.into(), help: help.into() }
    }
}

impl Explain for ArchiveError {
    fn code(&self) -> ErrorCode {
        match self {
            Self::Store { .. } => ErrorCode::NoStore,
            Self::None { .. } => ErrorCode::NoStore,
            Self::Newer { .. } => ErrorCode::NewerStore,
            Self::Altered { .. } => ErrorCode::Altered,
            Self::Io { .. } => ErrorCode::Unreadable,
            Self::Write(error) => error.code(),
            Self::Document { error, .. } => error.code(),
            Self::Unfit { .. } => ErrorCode::Unfit,
            Self::NoEntry { .. } => ErrorCode::WrongUse,
            Self::Key { .. } => ErrorCode::WrongKeyFile,
            Self::Random(_) => ErrorCode::Internal,
            Self::Interrupted => ErrorCode::Interrupted,
        }
    }

    fn file(&self) -> Option<&Path> {
        match self {
            Self::Io { file, .. } | Self::Key { file, .. } => Some(file),
            Self::Write(error) => error.file(),
            _ => None,
        }
    }

    fn help(&self) -> Option<String> {
        let help = match self {
            Self::Store { .. } => {
                "check the path or address, your rights, and the space that is left"
            }
            Self::None { .. } => {
                "name the file of an archive with --store or CRESTBOOK_ARCHIVE; `crestbook archive add` begins one"
            }
            Self::Newer { .. } => "a newer crestbook wrote it: update this one",
            Self::Altered { .. } => {
                "keep it as it is for whoever looks into it, and make an archive of the last copy with `crestbook archive restore`"
            }
            Self::Io { .. } => "check the path and your rights",
            Self::Key { .. } => "`crestbook archive key new FILE` makes a key",
            Self::Unfit { help, .. } | Self::NoEntry { help, .. } => return Some(help.clone()),
            Self::Write(error) => return error.help(),
            Self::Document { error, .. } => return error.help(),
            Self::Random(_) | Self::Interrupted => return None,
        };
        Some(help.into())
    }
}
