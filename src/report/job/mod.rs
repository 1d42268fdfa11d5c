//! A job's result for people and programs: one model, and renderers that return bytes.

mod checklist;
mod csv;
pub mod dcc;
mod html;
mod look;
mod paper;
#[cfg(feature = "pdf")]
pub mod pdf;
pub mod plot;
pub mod text;
mod words;
mod xml;

pub use checklist::checklist;
pub use csv::csv;
pub(crate) use csv::quoted;
pub use dcc::PreviousReport;
pub use html::html;
pub(in crate::report) use html::page;
pub use look::{ArchivePart, Letterhead, Look};
pub use paper::Paper;
pub(in crate::report) use words::reasons;

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

impl From<serde_json::Error> for ReportError {
    fn from(error: serde_json::Error) -> Self {
        Self(error.to_string())
    }
}

/// A kind of report.
#[derive(Debug)]
pub struct Report {
    /// Ending of its file.
    pub ending: &'static str,
    /// Name of the file that every run of a job writes, where it writes one.
    pub kept_as: Option<&'static str>,
    /// Writes it.
    pub write: fn(&JobResult, &Look, &mut dyn Write) -> Result<(), ReportError>,
}

/// All kinds of reports.
pub const REPORTS: &[Report] = &[
    Report { ending: "html", kept_as: Some("report.html"), write: html::write },
    #[cfg(feature = "pdf")]
    Report { ending: "pdf", kept_as: None, write: pdf::write },
    Report { ending: "xml", kept_as: None, write: dcc::write },
    Report {
        ending: "json",
        kept_as: Some("result.json"),
        write: |result, _, out| json(result, out),
    },
    Report {
        ending: "csv",
        kept_as: Some("numbers.csv"),
        write: |result, _, out| csv(result, out),
    },
];

/// The kind of report that a file of this ending is.
#[must_use]
pub fn report(ending: &str) -> Option<&'static Report> {
    REPORTS.iter().find(|report| report.ending.eq_ignore_ascii_case(ending))
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
