//! A reading by hand, written behind what job.toml holds already.

use super::file::{manual_step, read};
use super::{Job, JobError};
use crate::files::write_whole;
use crate::verification::{Reading, settle};
use serde::Serialize;
use std::path::Path;

/// Adds a reading to the job of a folder.
///
/// # Errors
/// Where the step takes none, value or unit do not fit it, or job.toml can't be written.
pub fn note(folder: &Path, reading: &Reading) -> Result<(), JobError> {
    let job = Job::open(folder)?;
    manual_step(&job.profile, &job.steps, &reading.step)
        .map_err(|(message, help)| JobError::Reading { message, help })?;
    let manual = job.profile.manual.iter().find(|manual| manual.id == reading.step);
    if let Some(Err(fault)) = manual.map(|manual| settle(reading, manual)) {
        return Err(JobError::Reading { message: fault.message, help: fault.help });
    }
    let path = folder.join("job.toml");
    let mut text = read(&path)?;
    append(&mut text, "reading", reading)?;
    Ok(write_whole(&path, text.as_bytes())?)
}

/// Writes an entry of a list of tables behind a text; what stands there stays as it is.
pub(super) fn append(
    text: &mut String,
    list: &str,
    entry: &impl Serialize,
) -> Result<(), JobError> {
    let body = toml::to_string(entry).map_err(|error| JobError::Reading {
        message: format!("the entry can't be written: {error}"),
        help: "leave out what is no plain text".into(),
    })?;
    if !text.ends_with('\n') {
        text.push('\n');
    }
    text.push_str(&format!("\n[[{list}]]\n{body}"));
    Ok(())
}
