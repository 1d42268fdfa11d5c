//! What was measured already, by the content of what went into it.
//!
//! An outcome is found by a hash over the bytes of the data files, the sheet as used, and what the
//! plan asks of the capture. The hash of a data file is taken again only when its size or time of
//! change moved, or lies so close to the last look that a change could hide.

use super::{JobError, MEMORY};
use crate::digest::Sha256;
use crate::files::{UNFINISHED, WriteError, left_over, write_whole};
use crate::ingest::{IngestError, Source};
use crate::verification::CaptureOutcome;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{SystemTime, UNIX_EPOCH};

/// Form of the outcomes kept; another one makes all of them anew.
const FORM: &str = "crestbook outcome 4";
/// A change this close to the last look may have the same time of change, ns.
const RACY_NS: u128 = 2_000_000_000;

/// Times of change before this, 2001-09-09, are no times, ns.
const PLAUSIBLE_NS: u128 = 1_000_000_000_000_000_000;

#[cfg(unix)]
fn identity(facts: &std::fs::Metadata) -> (u64, i64, i64) {
    use std::os::unix::fs::MetadataExt;
    (facts.ino(), facts.ctime(), facts.ctime_nsec())
}

#[cfg(not(unix))]
fn identity(_: &std::fs::Metadata) -> (u64, i64, i64) {
    (0, 0, 0)
}

/// A file as it was when it was hashed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Seen {
    size: u64,
    changed_ns: u128,
    /// Number of the file and time of its last change of state, where the system tells them.
    #[serde(default)]
    identity: (u64, i64, i64),
    looked_ns: u128,
    sha256: Sha256,
}

/// What is known of a job's files and captures.
pub(super) struct Cache {
    folder: PathBuf,
    seen: Mutex<BTreeMap<String, Seen>>,
    used: Mutex<BTreeSet<Sha256>>,
    failed: Mutex<Option<WriteError>>,
    trust: bool,
}

/// What vouches for a kept outcome.
fn seal(key: &Sha256, body: &str) -> String {
    Sha256::of(format!("{FORM}\n{key}\n{body}").as_bytes()).to_string()
}

impl Cache {
    /// The memory of a job; with `trust` files that did not move are not read again.
    #[must_use]
    pub(super) fn open(job: &Path, trust: bool) -> Self {
        let folder = job.join(MEMORY);
        // A memory that can't be read is none: everything is measured anew.
        let seen = std::fs::read(folder.join("seen.json"))
            .ok()
            .and_then(|bytes| serde_json::from_slice(&bytes).ok())
            .unwrap_or_default();
        let (used, failed) = (Mutex::default(), Mutex::default());
        Self { folder, seen: Mutex::new(seen), used, failed, trust }
    }

    /// SHA-256 of a file, from memory where it did not move.
    ///
    /// # Errors
    /// Where it can't be read.
    pub(super) fn hash(&self, path: &Path) -> Result<Sha256, IngestError> {
        let facts = std::fs::metadata(path).map_err(|source| IngestError::Io {
            file: path.to_owned(),
            what: "can't read it",
            source,
        })?;
        let ns = |time: SystemTime| time.duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos());
        let changed_ns = facts.modified().map_or(0, ns);
        let name = path.to_string_lossy().into_owned();
        let known = self.seen.lock().ok().and_then(|seen| seen.get(&name).cloned());
        if self.trust
            && let Some(known) = known
            && known.size == facts.len()
            && known.changed_ns == changed_ns
            && known.identity == identity(&facts)
            // Instruments without a clock stamp the day that their count begins.
            && changed_ns > PLAUSIBLE_NS
            && known.changed_ns + RACY_NS < known.looked_ns
        {
            return Ok(known.sha256);
        }
        let looked_ns = ns(SystemTime::now());
        let sha256 = Source::open(path)?.sha256()?;
        let identity = identity(&facts);
        let entry = Seen { size: facts.len(), changed_ns, identity, looked_ns, sha256 };
        if let Ok(mut seen) = self.seen.lock() {
            seen.insert(name, entry);
        }
        Ok(sha256)
    }

    /// Whether a file is as it was when it was hashed, by its size, times and identity.
    #[must_use]
    pub(super) fn rests(&self, path: &Path) -> bool {
        let Ok(facts) = std::fs::metadata(path) else { return false };
        let changed = facts.modified().ok().and_then(|time| time.duration_since(UNIX_EPOCH).ok());
        let changed_ns = changed.map_or(0, |since| since.as_nanos());
        let name = path.to_string_lossy().into_owned();
        self.seen.lock().is_ok_and(|seen| {
            seen.get(&name).is_some_and(|known| {
                (known.size, known.changed_ns, known.identity)
                    == (facts.len(), changed_ns, identity(&facts))
            })
        })
    }

    /// The key of an outcome: of this version, the data, and everything that was `asked` of them.
    ///
    /// # Errors
    /// Where that can't be written as JSON.
    pub(super) fn key(
        hashes: &[Sha256],
        asked: &impl Serialize,
    ) -> Result<Sha256, serde_json::Error> {
        Sha256::of_json(&(FORM, env!("CARGO_PKG_VERSION"), hashes, asked))
    }

    fn path(&self, key: &Sha256) -> PathBuf {
        self.folder.join("outcomes").join(format!("{key}.json"))
    }

    /// The outcome of this key, where it is known.
    #[must_use]
    pub(super) fn get(&self, key: &Sha256) -> Option<CaptureOutcome> {
        // The first line is the hash of key and rest: what was changed since is measured again.
        let text = std::fs::read_to_string(self.path(key)).ok()?;
        let (hash, body) = text.split_once('\n')?;
        if hash != seal(key, body) {
            return None;
        }
        let outcome = serde_json::from_str(body).ok()?;
        self.use_key(key);
        Some(outcome)
    }

    fn use_key(&self, key: &Sha256) {
        if let Ok(mut used) = self.used.lock() {
            used.insert(*key);
        }
    }

    /// Keeps an outcome. Nothing is synced: what is lost is measured again. That it can't be written
    /// is told when the memory is closed.
    pub(super) fn put(&self, key: &Sha256, outcome: &CaptureOutcome) {
        if let Err(error) = self.try_put(key, outcome)
            && let Ok(mut failed) = self.failed.lock()
        {
            failed.get_or_insert(error);
        }
    }

    fn try_put(&self, key: &Sha256, outcome: &CaptureOutcome) -> Result<(), WriteError> {
        let path = self.path(key);
        let fail = |source| WriteError { file: path.clone(), source };
        let body = serde_json::to_string(outcome).map_err(|e| fail(std::io::Error::other(e)))?;
        let bytes = format!("{}\n{body}", seal(key, &body)).into_bytes();
        let folder = path.parent().unwrap_or(&self.folder);
        std::fs::create_dir_all(folder).map_err(fail)?;
        let unfinished = tempfile::Builder::new().prefix(UNFINISHED).tempfile_in(folder);
        let mut file = unfinished.map_err(fail)?;
        std::io::Write::write_all(&mut file, &bytes).map_err(fail)?;
        file.persist(&path).map_err(|error| fail(error.error))?;
        self.use_key(key);
        Ok(())
    }

    /// Writes down what was seen; after a `whole` run the outcomes that nothing asked for are dropped.
    ///
    /// # Errors
    /// Where it, or an outcome before it, can't be written.
    pub(super) fn close(self, whole: bool) -> Result<(), JobError> {
        if let Some(error) = self.failed.into_inner().unwrap_or_default() {
            return Err(error.into());
        }
        let folder = self.folder.clone();
        let fail = |source| WriteError { file: folder.clone(), source };
        std::fs::create_dir_all(&folder).map_err(fail)?;
        let seen = self.seen.into_inner().unwrap_or_default();
        let seen: BTreeMap<_, _> =
            seen.into_iter().filter(|(path, _)| Path::new(path).exists()).collect();
        let bytes = serde_json::to_vec(&seen).map_err(|e| fail(std::io::Error::other(e)))?;
        write_whole(&self.folder.join("seen.json"), &bytes)?;
        if !whole {
            return Ok(());
        }
        let used = self.used.into_inner().unwrap_or_default();
        let outcomes = self.folder.join("outcomes");
        for entry in std::fs::read_dir(outcomes).into_iter().flatten().flatten() {
            let path = entry.path();
            let key = path.file_stem().and_then(|stem| Sha256::parse(stem.to_str()?));
            let needed = match key {
                Some(key) => used.contains(&key),
                // Another run may be writing it at this moment.
                None => !left_over(&path),
            };
            if !needed {
                // Left over it does no harm.
                let _ = std::fs::remove_file(path);
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome() -> CaptureOutcome {
        CaptureOutcome {
            looks_like: Vec::new(),
            power_by: None,
            file: "a.wav".into(),
            sha256: Vec::new(),
            sheet_sha256: Sha256::of(b""),
            program: String::new(),
            samples: 2,
            sample_rate_hz: 1.0,
            load_ohm: None,
            bench: None,
            instrument: Vec::new(),
            instruments_key: None,
            load_key: None,
            correlated: crate::verification::Correlated::default(),
            numbers: Vec::new(),
            missing: Vec::new(),
            flags: Vec::new(),
            findings: Vec::new(),
            limits: Vec::new(),
            drift: None,
            switch: None,
            sketch: None,
        }
    }

    /// A run that was broken off forgets nothing that it did not come to.
    #[test]
    fn only_a_whole_run_drops_what_it_did_not_ask_for() {
        let folder = tempfile::tempdir().unwrap();
        let open = || Cache::open(folder.path(), true);
        let first = open();
        let (old, new) = (Sha256::of(b"old"), Sha256::of(b"new"));
        first.put(&old, &outcome());
        first.put(&new, &outcome());
        first.close(true).unwrap();
        let broken = open();
        assert!(broken.get(&new).is_some());
        broken.close(false).unwrap();
        assert!(open().get(&old).is_some());
        let whole = open();
        assert!(whole.get(&new).is_some());
        whole.close(true).unwrap();
        assert_eq!((open().get(&old), open().get(&new)), (None, Some(outcome())));
    }
}
