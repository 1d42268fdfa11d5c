//! What an archive tells: lists, trends, what is due, and a page for each unit.

pub mod calendar;
pub mod plot;
pub mod text;
pub mod trend;
pub mod unit;

use super::long::{self, Row};
use crate::archive::{Archive, ArchiveError, Document};
use crate::result::CaptureFacts;

/// The rows of a result in the long table, under the number of its entry.
///
/// # Errors
/// Where there is no such result, or it is damaged.
pub fn rows(archive: &mut Archive, number: u64) -> Result<Vec<Row>, ArchiveError> {
    let (_, document) = archive.result(number)?;
    let name = format!("entry {number}");
    let read = Document::read(&document)
        .map_err(|error| ArchiveError::Document { name: name.clone(), error })?;
    let origin = |capture: &CaptureFacts| long::Origin {
        capture: capture.file.clone(),
        sha256: capture.sha256,
        key: name.clone(),
        step: None,
        dial: None,
    };
    Ok(match &read {
        Document::Job(job) => long::of_job(&name, job),
        Document::Check(check) => long::of_check(&origin(&check.measurement.capture), check),
        Document::Measurement(one) => long::of_measurement(&origin(&one.capture), one),
    })
}
