//! Exit codes, and which failure has which.

use crate::explain::{Cause, ErrorCode, Explain, Place};
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::process::{ExitCode, Termination};

/// How the program ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// 0: done, and all passes.
    Done,
    /// 1: done, and something is not a pass.
    NotAPass,
    /// 2: wrong use, or a wrong sheet or profile.
    Usage,
    /// 3: unreadable or damaged data.
    Data,
    /// 4: not able to write.
    Write,
    /// 130: broken off by the user.
    Interrupted,
}

impl Exit {
    /// The number the system is given.
    #[must_use]
    pub fn number(self) -> u8 {
        match self {
            Self::Done => 0,
            Self::NotAPass => 1,
            Self::Usage => 2,
            Self::Data => 3,
            Self::Write => 4,
            Self::Interrupted => 130,
        }
    }
}

impl Termination for Exit {
    fn report(self) -> ExitCode {
        ExitCode::from(self.number())
    }
}

impl From<ErrorCode> for Exit {
    fn from(code: ErrorCode) -> Self {
        match code.cause() {
            Cause::Use => Self::Usage,
            Cause::Data => Self::Data,
            Cause::Output => Self::Write,
            Cause::Interrupted => Self::Interrupted,
        }
    }
}

/// A failure as it is shown: what, where, what to do.
#[derive(Debug, Serialize)]
pub(super) struct Failure {
    /// What kind it is.
    pub code: ErrorCode,
    /// What and where.
    pub message: String,
    /// The file it is about.
    #[serde(flatten)]
    pub at: Option<Box<At>>,
    /// The line at fault, with a mark under the place.
    #[serde(skip)]
    pub excerpt: Option<String>,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub help: Option<String>,
}

/// Where a failure is.
#[derive(Debug, Serialize)]
pub(super) struct At {
    /// The file it is about.
    pub file: PathBuf,
    /// Where in that file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<Place>,
}

impl Failure {
    /// One without a file.
    pub(super) fn new(
        code: ErrorCode,
        message: impl Into<String>,
        help: impl Into<Option<String>>,
    ) -> Self {
        let (message, help) = (message.into(), help.into());
        Self { code, message, at: None, excerpt: None, help }
    }

    /// The same about a file.
    pub(super) fn about(mut self, file: &Path) -> Self {
        self.at = Some(Box::new(At { file: file.to_owned(), place: None }));
        self
    }

    /// Wrong use.
    pub(super) fn usage(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::new(ErrorCode::WrongUse, message, Some(help.into()))
    }

    /// How the program ends.
    pub(super) fn exit(&self) -> Exit {
        self.code.into()
    }
}

/// Refuses to write over a file.
pub(super) fn refuse_existing(path: &Path, force: bool) -> Result<(), Failure> {
    if path.exists() && !force {
        return Err(Failure::usage(
            format!("{}: a file of this name already exists", path.display()),
            "choose another name, or overwrite it with --force",
        ));
    }
    Ok(())
}

impl<E: Explain> From<E> for Failure {
    fn from(error: E) -> Self {
        Self {
            code: error.code(),
            message: error.message(),
            at: error.file().map(|file| {
                let place = error.place().filter(|place| *place != Place::File);
                Box::new(At { file: file.to_owned(), place })
            }),
            excerpt: error.excerpt(),
            help: error.help(),
        }
    }
}
