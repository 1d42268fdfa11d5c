//! A changed plan, accepted for a reason.

use super::edit::{append, edit};
use super::file::{PlanChange, read};
use super::pin::{changed, keep, sha256};
use super::{Job, JobError};
use crate::files::write_whole;
use std::path::Path;
use toml_edit::Item;

/// Accepts the plan as it stands now for a reason; the change is written into job.toml.
///
/// # Errors
/// Where the plan was not changed, or job.toml can't be written.
pub fn accept(folder: &Path, reason: &str, at: &str) -> Result<Vec<String>, JobError> {
    let job = Job::open_unpinned(folder)?;
    let text = read(&job.profile_path())?;
    let now = sha256(&text);
    if now == job.file.plan_sha256 {
        return Err(JobError::Folder {
            folder: folder.to_owned(),
            message: "the plan has not been changed".into(),
            help: "run the job without --accept-plan".into(),
        });
    }
    let what = changed(&job.folder, &job.file, &text);
    let change = PlanChange {
        at: at.to_owned(),
        reason: reason.to_owned(),
        from_sha256: job.file.plan_sha256.clone(),
        what: what.clone(),
    };
    let path = folder.join("job.toml");
    let old = read(&path)?;
    // Comments and order stay as they are.
    let mut new = edit(&path, &old, |document| {
        if let Some(pin) = document.get_mut("plan_sha256").and_then(Item::as_value_mut) {
            let around = pin.decor().clone();
            *pin = now.as_str().into();
            *pin.decor_mut() = around;
        }
    })?;
    append(&path, &mut new, "plan_change", &change)?;
    keep(folder, &text)?;
    write_whole(&path, new.as_bytes())?;
    Ok(what)
}
