//! The plan a job is judged by is pinned by its hash; what changed is told, and accepted with a
//! reason or not at all.

use super::file::{JobFile, read};
use super::{JobError, MEMORY};
use crate::digest::Sha256;
use crate::files::write_whole;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

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
pub(super) fn check(folder: &Path, job: &JobFile) -> Result<(), JobError> {
    let file = folder.join(&job.profile);
    let text = read(&file)?;
    if sha256(&text) == job.plan_sha256 {
        return Ok(());
    }
    let changes = changed(folder, job, &text);
    Err(JobError::PlanChanged { file, changes, folder: folder.to_owned() })
}

/// What differs from the plan as it was pinned.
pub(super) fn changed(folder: &Path, job: &JobFile, now: &str) -> Vec<String> {
    let Ok(before) = std::fs::read_to_string(pinned(folder)) else {
        return vec!["the plan as it was pinned is not kept any more".into()];
    };
    if sha256(&before) != job.plan_sha256 {
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
