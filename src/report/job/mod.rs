//! A job's result for people and programs: one model, and renderers that return bytes.

mod checklist;
mod csv;
mod html;
#[cfg(feature = "pdf")]
pub mod pdf;
pub mod plot;
pub mod text;
mod words;

pub use checklist::checklist;
pub use csv::csv;
pub use html::html;

use crate::digest::Sha256;
use crate::report::picture::PictureError;
use crate::verification::JobResult;
use std::io::Write;

/// A report could not be made.
#[derive(Debug, thiserror::Error)]
#[error("the report can't be made: {0}")]
pub struct ReportError(pub String);

impl From<PictureError> for ReportError {
    fn from(error: PictureError) -> Self {
        Self(error.to_string())
    }
}

/// Writes the result as JSON.
///
/// # Errors
/// Where it can't be written.
pub fn json(result: &JobResult, mut out: impl Write) -> Result<(), ReportError> {
    let fail = |error: &dyn std::fmt::Display| ReportError(error.to_string());
    serde_json::to_writer_pretty(&mut out, result).map_err(|error| fail(&error))?;
    out.write_all(b"\n").map_err(|error| fail(&error))
}

/// Seals a result: its seal is then the SHA-256 of all the rest.
///
/// # Errors
/// Where it can't be written as JSON.
pub fn seal(result: &mut JobResult) -> Result<(), ReportError> {
    result.seal = None;
    let sealed = Sha256::of_json(result).map_err(|error| ReportError(error.to_string()))?;
    result.seal = Some(sealed);
    Ok(())
}

/// Whether a result is as it was when it was sealed.
///
/// # Errors
/// Where it can't be written as JSON.
pub fn unchanged(result: &mut JobResult) -> Result<bool, ReportError> {
    let before = result.seal;
    seal(result)?;
    Ok(std::mem::replace(&mut result.seal, before) == before)
}
