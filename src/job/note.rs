//! A reading by hand, written behind what job.toml holds already.

use super::edit::append;
use super::file::read;
use super::open::manual_step;
use super::{Job, JobError, MEMORY};
use crate::files::{WriteError, write_whole};
use crate::verification::{ManualReading, settle};
use std::path::Path;

/// Adds a reading to the job of a folder.
///
/// # Errors
/// Where the step takes none, value or unit do not fit it, or job.toml can't be written.
pub fn note(folder: &Path, reading: &ManualReading) -> Result<(), JobError> {
    // Nothing is written to a folder without a job.
    let _alone = match folder.join("job.toml").is_file() {
        true => Some(alone(folder)?),
        false => None,
    };
    let job = Job::open(folder)?;
    manual_step(&job.profile, &job.steps, &reading.step)
        .map_err(|(message, help)| JobError::Reading { message, help })?;
    let manual = job.profile.manual.iter().find(|manual| manual.id == reading.step);
    if let Some(Err(fault)) = manual.map(|manual| settle(reading, manual)) {
        return Err(JobError::Reading { message: fault.message, help: fault.help });
    }
    let path = folder.join("job.toml");
    let mut text = read(&path)?;
    append(&path, &mut text, "reading", reading)?;
    Ok(write_whole(&path, text.as_bytes())?)
}

/// How long another run may hold job.toml.
const PATIENCE: std::time::Duration = std::time::Duration::from_secs(10);

/// Waits until no other program writes to this job.
fn alone(folder: &Path) -> Result<std::fs::File, JobError> {
    let path = folder.join(MEMORY).join("lock");
    let fail = |source| WriteError { file: path.clone(), source };
    if folder.is_dir() {
        std::fs::create_dir_all(folder.join(MEMORY)).map_err(fail)?;
    }
    let file = std::fs::File::create(&path).map_err(fail)?;
    let begun = std::time::Instant::now();
    loop {
        match file.try_lock() {
            Ok(()) => return Ok(file),
            Err(std::fs::TryLockError::WouldBlock) if begun.elapsed() < PATIENCE => {
                std::thread::sleep(std::time::Duration::from_millis(20));
            }
            Err(std::fs::TryLockError::WouldBlock) => {
                return Err(JobError::Folder {
                    folder: folder.to_owned(),
                    message: "another crestbook has been writing to this job for 10 s".into(),
                    help: "wait until it is done, and try again".into(),
                });
            }
            // A file system without locks: as before.
            Err(std::fs::TryLockError::Error(_)) => return Ok(file),
        }
    }
}
