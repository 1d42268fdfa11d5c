//! Exit codes, and which failure has which.

use crate::analysis::AnalysisError;
use crate::convert::ConvertError;
use crate::files::WriteError;
use crate::ingest::IngestError;
use crate::keyfile::KeyfileError;
use crate::recording::RecordingError;
use std::error::Error;
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

impl Termination for Exit {
    fn report(self) -> ExitCode {
        ExitCode::from(match self {
            Self::Done => 0,
            Self::NotAPass => 1,
            Self::Usage => 2,
            Self::Data => 3,
            Self::Write => 4,
            Self::Interrupted => 130,
        })
    }
}

/// A failure as people read it: what, where, what to do.
#[derive(Debug)]
pub(super) struct Failure {
    /// How the program ends.
    pub exit: Exit,
    /// What and where.
    pub message: String,
    /// The line at fault, with a mark under the place.
    pub excerpt: Option<String>,
    /// What to do.
    pub help: Option<String>,
}

impl Failure {
    /// Wrong use.
    pub(super) fn usage(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self { exit: Exit::Usage, message: message.into(), excerpt: None, help: Some(help.into()) }
    }
}

/// The message of an error with those of its causes.
fn chain(error: &dyn Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        text.push_str(&format!(": {inner}"));
        cause = inner.source();
    }
    text
}

impl From<WriteError> for Failure {
    fn from(error: WriteError) -> Self {
        Self {
            exit: Exit::Write,
            message: chain(&error),
            excerpt: None,
            help: Some("check the path, who may write there, and the space left; nothing was left half-written".into()),
        }
    }
}

impl From<KeyfileError> for Failure {
    fn from(error: KeyfileError) -> Self {
        // A merged text of sheet and flags is nobody's file: its lines say nothing.
        let excerpt = error.line.as_ref().zip(error.position).map(|(text, (line, column))| {
            let number = line.to_string();
            let before: String =
                text.chars().take(column - 1).map(|c| if c == '\t' { c } else { ' ' }).collect();
            format!("{number} | {text}\n{} | {before}^", " ".repeat(number.len()))
        });
        let help = error.help.clone().or_else(|| Some("correct this value and try again".into()));
        Self { exit: Exit::Usage, message: error.to_string(), excerpt, help }
    }
}

impl From<IngestError> for Failure {
    fn from(error: IngestError) -> Self {
        let exit = match &error {
            IngestError::Ask { .. } => Exit::Usage,
            IngestError::Io { .. } | IngestError::Damaged { .. } => Exit::Data,
        };
        Self { exit, message: chain(&error), excerpt: None, help: Some(error.help()) }
    }
}

impl Failure {
    fn interrupted() -> Self {
        Self {
            exit: Exit::Interrupted,
            message: "interrupted; nothing was written".into(),
            excerpt: None,
            help: None,
        }
    }

    fn data(error: &dyn Error) -> Self {
        Self { exit: Exit::Data, message: chain(error), excerpt: None, help: None }
    }
}

impl From<RecordingError> for Failure {
    fn from(error: RecordingError) -> Self {
        match error {
            RecordingError::Ingest(error) => error.into(),
            RecordingError::Keyfile(error) => error.into(),
            RecordingError::Capture(error) => Self::usage(error.to_string(), error.help),
            RecordingError::Interrupted => Self::interrupted(),
            RecordingError::Reread(error) => Self::data(&error),
        }
    }
}

impl From<AnalysisError> for Failure {
    fn from(error: AnalysisError) -> Self {
        match error {
            AnalysisError::Recording(error) => error.into(),
            AnalysisError::Several { .. } => {
                Self::usage(error.to_string(), "choose one with --record N, from 1")
            }
            AnalysisError::Interrupted => Self::interrupted(),
            other => Self::data(&other),
        }
    }
}

impl From<ConvertError> for Failure {
    fn from(error: ConvertError) -> Self {
        match error {
            ConvertError::Analysis(error) => error.into(),
            ConvertError::Write(error) => error.into(),
        }
    }
}
