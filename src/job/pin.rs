//! The plan a job is judged by is pinned by its hash; what changed is told, and accepted with a
//! reason or not at all.

use super::file::{PlanChange, read};
use super::{Job, JobError, MEMORY};
use crate::digest::Sha256;
use crate::files::write_whole;
use crate::keyfile::KeyfileError;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use toml_edit::{DocumentMut, Item};

/// SHA-256 of a text, in hex.
pub(super) fn sha256(text: &str) -> String {
    Sha256::of(text.as_bytes()).to_string()
}

/// The plan as it was pinned.
fn pinned(folder: &Path) -> PathBuf {
    folder.join(MEMORY).join("plan.toml")
}

/// Keeps the plan's text, to tell later what changed.
pub(super) fn keep(folder: &Path, text: &str) -> Result<(), JobError> {
    let path = pinned(folder);
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent)
            .map_err(|source| crate::files::WriteError { file: parent.to_owned(), source })?;
    }
    Ok(write_whole(&path, text.as_bytes())?)
}

/// Refuses a plan that is not the pinned one, and says what changed.
pub(super) fn check(job: &Job) -> Result<(), JobError> {
    let text = read(&job.profile_path())?;
    if sha256(&text) == job.file.plan_sha256 {
        return Ok(());
    }
    Err(JobError::PlanChanged {
        file: job.profile_path(),
        changes: changed(job, &text),
        folder: job.folder.clone(),
    })
}

fn changed(job: &Job, now: &str) -> Vec<String> {
    let Ok(before) = std::fs::read_to_string(pinned(&job.folder)) else {
        return vec!["the plan as it was pinned is not kept any more".into()];
    };
    if sha256(&before) != job.file.plan_sha256 {
        return vec!["the kept copy of the plan is not the pinned one either".into()];
    }
    let found = differences(&before, now);
    if found.is_empty() { vec!["only comments or layout".into()] } else { found }
}

/// Keys that differ between two TOML texts, with both values. Entries of lists of tables are told
/// by their id.
fn differences(before: &str, now: &str) -> Vec<String> {
    let flat = |text: &str| {
        let mut all = BTreeMap::new();
        if let Ok(table) = text.parse::<toml::Table>() {
            flatten("", &toml::Value::Table(table), &mut all);
        }
        all
    };
    let (a, b) = (flat(before), flat(now));
    let mut found = Vec::new();
    for (key, value) in &a {
        match b.get(key) {
            None => found.push(format!("{key}: {value} is gone")),
            Some(new) if new != value => found.push(format!("{key}: {value} is now {new}")),
            Some(_) => {}
        }
    }
    let new = b.iter().filter(|(key, _)| !a.contains_key(*key));
    found.extend(new.map(|(key, value)| format!("{key}: {value} is new")));
    found
}

fn flatten(path: &str, value: &toml::Value, all: &mut BTreeMap<String, String>) {
    let join = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
    match value {
        toml::Value::Table(table) => {
            for (key, value) in table {
                flatten(&join(key), value, all);
            }
        }
        toml::Value::Array(entries) if entries.iter().any(toml::Value::is_table) => {
            for (k, entry) in entries.iter().enumerate() {
                let name =
                    ["id", "measure", "role"].iter().find_map(|key| entry.get(key)?.as_str());
                flatten(&join(name.unwrap_or(&k.to_string())), entry, all);
            }
        }
        other => _ = all.insert(path.to_owned(), other.to_string()),
    }
}

/// Changes a TOML text and leaves the rest of it as it stands.
pub(super) fn edit(
    file: &Path,
    text: &str,
    change: impl FnOnce(&mut DocumentMut),
) -> Result<String, JobError> {
    let mut document: DocumentMut = text.parse().map_err(|error: toml_edit::TomlError| {
        KeyfileError::at_span(file, text, error.span(), error.message().to_owned())
    })?;
    change(&mut document);
    Ok(document.to_string())
}

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
    let what = changed(&job, &text);
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
    super::note::append(&path, &mut new, "plan_change", &change)?;
    keep(folder, &text)?;
    write_whole(&path, new.as_bytes())?;
    Ok(what)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_are_told_by_name() {
        let before =
            "[[curve]]\nid = 'a'\ntolerance = '20 %'\nloads_ohm = [1.0]\n[plan]\non_s = 5.0\n";
        let now =
            "[[curve]]\nid = 'a'\ntolerance = '25 %'\nloads_ohm = [1.0]\n[plan]\noff_s = 5.0\n";
        assert_eq!(
            differences(before, now),
            [
                "curve.a.tolerance: \"20 %\" is now \"25 %\"",
                "plan.on_s: 5.0 is gone",
                "plan.off_s: 5.0 is new"
            ]
        );
    }
}
