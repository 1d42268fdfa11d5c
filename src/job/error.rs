//! What can end a job.

use crate::explain::{ErrorCode, Explain, Place};
use crate::files::WriteError;
use crate::keyfile::KeyfileError;
use crate::result::FormError;
use std::path::{Path, PathBuf};

/// Anything that can end a job.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JobError {
    /// job.toml or the profile is wrong.
    #[error(transparent)]
    Keyfile(#[from] KeyfileError),
    /// A result can't be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// A file of the job can't be read.
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
    /// The folder holds no job, or one already.
    #[error("{}: {message}", folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// What is wrong.
        message: String,
        /// What to do.
        help: String,
    },
    /// The plan is not the one that was pinned.
    #[error("{}: the plan has been changed since the job began:\n{}", file.display(), listed(changes))]
    PlanChanged {
        /// The profile.
        file: PathBuf,
        /// What changed.
        changes: Vec<String>,
        /// Folder of the job.
        folder: PathBuf,
    },
    /// A reading does not fit its step.
    #[error("{message}")]
    Reading {
        /// What does not fit.
        message: String,
        /// What to do.
        help: String,
    },
    /// Another job has no result that can be read.
    #[error("{}: the job has no result", folder.display())]
    NoResult {
        /// Its folder.
        folder: PathBuf,
        /// The reason given.
        #[source]
        source: std::io::Error,
    },
    /// The result of another job is none that this program reads.
    #[error("{}", file.display())]
    Document {
        /// The file.
        file: PathBuf,
        /// Why.
        #[source]
        source: FormError,
    },
    /// The result can't be written as a document.
    #[error("{0}")]
    Report(String),
    /// The user broke off.
    #[error("interrupted; what was measured so far is kept")]
    Interrupted,
}

impl Explain for JobError {
    fn code(&self) -> ErrorCode {
        match self {
            Self::Keyfile(error) => error.code(),
            Self::Write(error) => error.code(),
            Self::Io { .. } => ErrorCode::WrongFolder,
            Self::Folder { .. } => ErrorCode::WrongFolder,
            Self::PlanChanged { .. } => ErrorCode::PlanChanged,
            Self::Reading { .. } => ErrorCode::WrongReading,
            Self::NoResult { .. } => ErrorCode::Unreadable,
            Self::Document { source, .. } => source.code(),
            Self::Report(_) => ErrorCode::NoReport,
            Self::Interrupted => ErrorCode::Interrupted,
        }
    }

    fn file(&self) -> Option<&Path> {
        match self {
            Self::Keyfile(error) => error.file(),
            Self::Write(error) => error.file(),
            Self::Io { file, .. } | Self::PlanChanged { file, .. } => Some(file),
            Self::Folder { folder, .. } | Self::NoResult { folder, .. } => Some(folder),
            Self::Document { file, .. } => Some(file),
            Self::Reading { .. } | Self::Report(_) | Self::Interrupted => None,
        }
    }

    fn place(&self) -> Option<Place> {
        match self {
            Self::Keyfile(error) => error.place(),
            _ => None,
        }
    }

    fn excerpt(&self) -> Option<String> {
        match self {
            Self::Keyfile(error) => error.excerpt(),
            _ => None,
        }
    }

    fn help(&self) -> Option<String> {
        match self {
            Self::Keyfile(error) => error.help(),
            Self::Write(error) => error.help(),
            Self::Io { .. } => Some("check the path and who may read there".into()),
            Self::Folder { help, .. } | Self::Reading { help, .. } => Some(help.clone()),
            Self::PlanChanged { folder, .. } => Some(format!(
                "put the plan back as it was, or accept the change with `crestbook job {} \
                 --accept-plan \"REASON\"`: the report will say so",
                folder.display()
            )),
            Self::NoResult { folder, .. } => {
                Some(format!("run `crestbook job {}` first", folder.display()))
            }
            Self::Document { source, .. } => source.help(),
            Self::Report(_) | Self::Interrupted => None,
        }
    }
}

fn listed(changes: &[String]) -> String {
    changes.iter().map(|change| format!("  {change}")).collect::<Vec<_>>().join("\n")
}
