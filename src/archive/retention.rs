//! How long captures are kept: holds, and removal by an entry that says who and why.
//!
//! Results, their hashes and the log are never removed. Captures of old results may be, unless a hold is on
//! them.

use super::add::Stamp;
use super::entry::{Act, Added, Entry, FileRole};
use super::store::{Access, Value};
use super::{Archive, ArchiveError};
use crate::digest::Sha256;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Captures that were removed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Removal {
    /// The entry that says so; none where there was nothing to remove.
    pub entry: Option<u64>,
    /// Which.
    pub captures: Vec<Sha256>,
    /// Captures old enough that a hold keeps.
    pub held: usize,
}

/// When captures were removed last.
#[derive(Default)]
pub(super) struct Removals(BTreeMap<Sha256, u64>);

impl Removals {
    /// Whether a capture that entry `number` added was removed since; one that was added again is there again.
    pub(super) fn since(&self, sha256: &Sha256, number: u64) -> bool {
        self.0.get(sha256).is_some_and(|removed| *removed > number)
    }
}

/// Hashes of the captures that an entry keeps.
fn kept(added: &Added) -> impl Iterator<Item = Sha256> {
    let kept = added.files.iter().filter(|file| file.role == FileRole::Capture && file.kept);
    kept.map(|file| file.sha256)
}

impl Archive {
    /// Removals of captures by the log.
    pub(super) fn removals(&mut self) -> Result<Removals, ArchiveError> {
        let mut removals = Removals::default();
        for entry in self.acts(&["remove"])? {
            if let Act::Remove { captures, .. } = entry.act {
                removals.0.extend(captures.into_iter().map(|sha256| (sha256, entry.number)));
            }
        }
        Ok(removals)
    }

    /// Captures that are in the archive.
    pub(super) fn kept_captures(&mut self) -> Result<BTreeSet<Sha256>, ArchiveError> {
        let removals = self.removals()?;
        let mut all = BTreeSet::new();
        self.db.query("SELECT body FROM entry WHERE act = 'add'", &[], &mut |row| {
            if let Some(Entry { number, act: Act::Add(added), .. }) = Entry::kept(row.first()) {
                all.extend(kept(&added).filter(|sha256| !removals.since(sha256, number)));
            }
            Ok(())
        })?;
        Ok(all)
    }

    /// Keeps the captures of a result whatever their age.
    ///
    /// # Errors
    /// Where there is no such result, it is held already, or the archive can't be written.
    pub fn hold(&mut self, of: u64, reason: String, stamp: &Stamp) -> Result<u64, ArchiveError> {
        self.result(of)?;
        if self.held()?.contains(&of) {
            return Err(ArchiveError::no_entry(
                format!("entry {of} is on hold already"),
                "`crestbook archive log` shows holds",
            ));
        }
        self.act(Act::Hold { of, reason }, stamp)
    }

    /// Ends a hold.
    ///
    /// # Errors
    /// Where there is none, or the archive can't be written.
    pub fn release(&mut self, of: u64, reason: String, stamp: &Stamp) -> Result<u64, ArchiveError> {
        if !self.held()?.contains(&of) {
            return Err(ArchiveError::no_entry(
                format!("entry {of} is not on hold"),
                "`crestbook archive log` shows holds",
            ));
        }
        self.act(Act::Release { of, reason }, stamp)
    }

    /// Entries of one kind, the oldest first.
    pub(super) fn acts(&mut self, acts: &[&str]) -> Result<Vec<Entry>, ArchiveError> {
        let mut all = Vec::new();
        for act in acts {
            let sql = "SELECT body FROM entry WHERE act = $1 ORDER BY number";
            self.db.query(sql, &[(*act).into()], &mut |row| {
                all.extend(Entry::kept(row.first()));
                Ok(())
            })?;
        }
        all.sort_by_key(|entry| entry.number);
        Ok(all)
    }

    /// Results whose captures are on hold.
    fn held(&mut self) -> Result<BTreeSet<u64>, ArchiveError> {
        let mut held = BTreeSet::new();
        for entry in self.acts(&["hold", "release"])? {
            match entry.act {
                Act::Hold { of, .. } => held.insert(of),
                Act::Release { of, .. } => held.remove(&of),
                _ => false,
            };
        }
        Ok(held)
    }

    /// Removes captures of results before a day, but for those on hold and those that a newer result rests on.
    ///
    /// The entry comes first: what is gone without one is a fault, what is left in spite of one is none.
    ///
    /// # Errors
    /// Where the archive can't be written.
    pub fn remove_captures(
        &mut self,
        before: &str,
        reason: String,
        dry: bool,
        stamp: &Stamp,
    ) -> Result<Removal, ArchiveError> {
        let Some(folder) = self.captures.clone() else {
            return Ok(Removal { entry: None, captures: Vec::new(), held: 0 });
        };
        let done = self.transaction(Access::Write, |archive| {
            let held = archive.held()?;
            let removals = archive.removals()?;
            let (mut old, mut newer, mut on_hold) =
                (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
            let sql = "SELECT entry.body, result.day FROM entry JOIN result ON result.number = \
                       entry.number WHERE entry.act = 'add' ORDER BY entry.number";
            archive.db.query(sql, &[], &mut |row| {
                let Some(Entry { number, at, act: Act::Add(added), .. }) = Entry::kept(row.first())
                else {
                    return Ok(());
                };
                // Without a day of its own, a result is as old as its entry.
                let day = row.get(1).and_then(Value::text).filter(|day| !day.is_empty());
                let day =
                    day.map_or_else(|| at.to_string().chars().take(10).collect(), str::to_owned);
                let hashes = kept(&added).filter(|sha256| !removals.since(sha256, number));
                if held.contains(&number) {
                    on_hold.extend(hashes);
                } else if day.as_str() < before {
                    old.extend(hashes);
                } else {
                    newer.extend(hashes);
                }
                Ok(())
            })?;
            let stays = |sha256: &&Sha256| on_hold.contains(sha256) || newer.contains(sha256);
            let captures: Vec<Sha256> = old.iter().filter(|one| !stays(one)).copied().collect();
            let mut removal = Removal { entry: None, captures, held: on_hold.len() };
            if !dry && !removal.captures.is_empty() {
                let act = Act::Remove {
                    before: before.to_owned(),
                    captures: removal.captures.clone(),
                    reason,
                };
                let mut end = archive.end()?;
                removal.entry = Some(archive.append(&mut end, act, stamp)?);
                archive.close(end, stamp)?;
            }
            Ok(removal)
        })?;
        if done.entry.is_some() {
            done.captures.iter().try_for_each(|sha256| folder.remove(sha256))?;
        }
        Ok(done)
    }
}
