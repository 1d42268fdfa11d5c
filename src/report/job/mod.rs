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

use crate::verification::JobResult;
use sha2::Digest;

/// A report could not be made.
#[derive(Debug, thiserror::Error)]
#[error("the report can't be made: {0}")]
pub struct ReportError(pub String);

/// The result as JSON.
///
/// # Errors
/// Where it can't be written as JSON.
pub fn json(result: &JobResult) -> Result<Vec<u8>, ReportError> {
    let sealed = JobResult { seal: seal(result)?, ..result.clone() };
    let mut text =
        serde_json::to_vec_pretty(&sealed).map_err(|error| ReportError(error.to_string()))?;
    text.push(b'\n');
    Ok(text)
}

/// SHA-256 of a result without its seal.
///
/// # Errors
/// Where it can't be written as JSON.
pub fn seal(result: &JobResult) -> Result<String, ReportError> {
    let bare = JobResult { seal: String::new(), ..result.clone() };
    let text = serde_json::to_vec(&bare).map_err(|error| ReportError(error.to_string()))?;
    Ok(crate::ingest::hexadecimal(&sha2::Sha256::digest(&text)))
}
