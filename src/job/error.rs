//! What can end a job.

use crate::files::WriteError;
use crate::keyfile::KeyfileError;
use std::path::PathBuf;

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
    /// The result can't be written as a document.
    #[error("{0}")]
    Report(String),
    /// The user broke off.
    #[error("interrupted; what was measured so far is kept")]
    Interrupted,
}

fn listed(changes: &[String]) -> String {
    changes.iter().map(|change| format!("  {change}")).collect::<Vec<_>>().join("\n")
}
