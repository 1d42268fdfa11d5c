//! Whether anything in a job's folder moved.

use super::CAPTURES;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Files of a job with size and time of change, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stand(Vec<(PathBuf, u64, Option<SystemTime>)>);

/// The files of a job as they stand now: captures, sheets, job.toml and the plan.
#[must_use]
pub fn stand(folder: &Path) -> Stand {
    let files = |folder: PathBuf| std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut all: Vec<_> = files(folder.join(CAPTURES))
        .chain(files(folder.to_owned()))
        .filter_map(|entry| {
            let facts = entry.metadata().ok().filter(std::fs::Metadata::is_file)?;
            Some((entry.path(), facts.len(), facts.modified().ok()))
        })
        .collect();
    all.sort();
    Stand(all)
}
