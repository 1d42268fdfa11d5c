//! Checking an archive: everything is computed anew from the bytes, and each record that is not as it was
//! written is named.

mod found;
mod results;

pub use found::{Fault, FaultKind, Verification};

use super::add::kept_tree;
use super::checkpoint::Checkpoint;
use super::entry::{Act, Added, Entry};
use super::facts::{self, Series};
use super::key::PublicKey;
use super::merkle::{self, Tree};
use super::retention::Removals;
use super::store::{Access, Value};
use super::{Archive, ArchiveError};
use crate::digest::Sha256;
use crate::result::Form;
use std::collections::{BTreeMap, BTreeSet};

/// Entries that are looked at together.
const PIECE: u64 = 2_000;

/// What is checked beside the archive itself.
#[derive(Clone, Debug, Default)]
pub struct VerifyOptions {
    /// A checkpoint that was kept elsewhere.
    pub checkpoint: Option<Checkpoint>,
    /// The key that must have signed.
    pub key: Option<PublicKey>,
    /// Whether captures are left out.
    pub without_captures: bool,
}

/// What is carried along the log.
struct Walk<'a> {
    options: &'a VerifyOptions,
    tree: Tree,
    last: Option<jiff::Timestamp>,
    keys: Vec<PublicKey>,
    removals: Removals,
    /// Settings that the log states.
    stated: BTreeSet<(String, String)>,
    heads: u64,
    sound: bool,
}

/// A checkpoint as it is kept: its number, its text, and the tree it goes on from.
type Head = (u64, Option<Checkpoint>, Option<Tree>);

fn number(value: Option<&Value>) -> u64 {
    value.and_then(Value::count).unwrap_or(0)
}

impl Archive {
    /// Checks everything; `step` is told how many entries are done, and may end it.
    ///
    /// # Errors
    /// Where the archive can't be read at all, or `step` ends it. What is altered is no error here.
    pub fn verify(
        &mut self,
        options: &VerifyOptions,
        mut step: impl FnMut(u64, u64) -> Result<(), ArchiveError>,
    ) -> Result<Verification, ArchiveError> {
        // Outside of the transaction: it looks at the file, not at a state of it. It takes about as long as the rest,
        // and where that fails or is ended nobody waits for it.
        let beside = self.db.beside()?;
        let beside = beside.map(|mut db| std::thread::spawn(move || db.integrity()));
        let mut found =
            self.transaction(Access::Read, |archive| archive.walk(options, &mut step))?;
        let integrity = match beside.map(std::thread::JoinHandle::join) {
            None => self.db.integrity()?,
            Some(Ok(told)) => told?,
            Some(Err(panic)) => std::panic::resume_unwind(panic),
        };
        for told in integrity {
            found.fault(FaultKind::Database, None, told);
        }
        Ok(found)
    }

    fn walk(
        &mut self,
        options: &VerifyOptions,
        step: &mut dyn FnMut(u64, u64) -> Result<(), ArchiveError>,
    ) -> Result<Verification, ArchiveError> {
        let mut found = Verification {
            schema: Form::Verification,
            intact: true,
            origin: self.origin.clone(),
            entries: 0,
            results: 0,
            captures: 0,
            not_read: 0,
            captures_in: self
                .captures
                .as_ref()
                .map(|captures| captures.folder().display().to_string()),
            hashes_only: 0,
            removed: 0,
            root: Tree::default().root(),
            signed_up_to: 0,
            kept_elsewhere_up_to: None,
            recomputed: None,
            faults: Vec::new(),
        };
        let mut walk = Walk {
            options,
            tree: Tree::default(),
            last: None,
            keys: options.key.into_iter().collect(),
            removals: self.removals()?,
            stated: BTreeSet::new(),
            heads: 0,
            sound: true,
        };
        let bounds = self
            .db
            .rows("SELECT COALESCE(MAX(number), 0), COALESCE(MIN(number), 0) FROM entry", &[])?;
        let last = number(bounds.first().and_then(|row| row.first()));
        let mut at = 0;
        while at < last {
            let to = (at + PIECE).min(last);
            self.piece(&mut walk, at, to, &mut found)?;
            at = to;
            step(at, last)?;
        }
        self.ends(&mut walk, last, &mut found)?;
        found.entries = walk.tree.size();
        found.root = walk.tree.root();
        Ok(found)
    }

    /// The entries behind `at`, up to `to`.
    fn piece(
        &mut self,
        walk: &mut Walk<'_>,
        at: u64,
        to: u64,
        found: &mut Verification,
    ) -> Result<(), ArchiveError> {
        let range = [at.into(), to.into()];
        let mut heads: BTreeMap<u64, Vec<Head>> = BTreeMap::new();
        let sql = "SELECT nth, size, checkpoint, tree FROM head WHERE size > $1 AND size <= $2 ORDER BY size, nth";
        self.db.query(sql, &range, &mut |row| {
            let checkpoint = row.get(2).and_then(Value::text).and_then(Checkpoint::parse);
            let tree = row.get(1).zip(row.get(3)).and_then(|(size, tree)| kept_tree(size, tree));
            heads.entry(number(row.get(1))).or_default().push((
                number(row.first()),
                checkpoint,
                tree,
            ));
            Ok(())
        })?;
        let sql = "SELECT number, act, body, leaf FROM entry WHERE number > $1 AND number <= $2 ORDER BY number";
        let entries = self.db.rows(sql, &range)?;
        let rows = self.rows_of(&range)?;
        let mut added: BTreeMap<u64, Added> = BTreeMap::new();
        let mut entries = entries.iter().peekable();
        for at in at + 1..=to {
            let row = entries.next_if(|row| number(row.first()) == at);
            let entry = match row {
                None => {
                    found.fault(FaultKind::EntryMissing, at, "the entry is missing");
                    // Something stands in its place, so that the count of the rest fits.
                    walk.tree.push(merkle::leaf(b""));
                    walk.sound = false;
                    None
                }
                Some(row) => self.check_entry(walk, at, row, found),
            };
            for head in heads.remove(&at).unwrap_or_default() {
                self.check_head(walk, at, head, found);
            }
            if let Some(Act::Add(one)) = entry.map(|entry| entry.act) {
                added.insert(at, *one);
            }
        }
        self.check_results(walk, &added, rows, found)
    }

    /// The bytes of an entry against its hash, its number and its time.
    fn check_entry(
        &self,
        walk: &mut Walk<'_>,
        at: u64,
        row: &[Value],
        found: &mut Verification,
    ) -> Option<Entry> {
        let body = row.get(2).and_then(Value::bytes).unwrap_or_default();
        let leaf = merkle::leaf(body);
        walk.tree.push(leaf);
        if row.get(3).and_then(Value::bytes) != Some(leaf.bytes()) {
            found.fault(FaultKind::EntryAltered, at, "the entry or its hash was altered");
            walk.sound = false;
        }
        let Ok(entry) = serde_json::from_slice::<Entry>(body) else {
            found.fault(FaultKind::EntryAltered, at, "the entry can't be read");
            return None;
        };
        if entry.number != at {
            found.fault(
                FaultKind::EntryMoved,
                at,
                format!("entry {} stands in the place of entry {at}", entry.number),
            );
            walk.sound = false;
        }
        if row.get(1).and_then(Value::text) != Some(entry.act.name()) {
            found.fault(FaultKind::Row, at, "the kind of the entry was altered in the table");
        }
        let behind = walk.last.map_or(0, |last| last.as_second() - entry.at.as_second());
        if entry.clock_behind_s != (behind > 0).then_some(behind) {
            found.fault(FaultKind::Time, at, "its time does not follow that of the entry before");
        }
        walk.last = Some(entry.at);
        match &entry.act {
            Act::Begin { origin, captures } => {
                if at != 1 || *origin != self.origin {
                    let told = "the archive bears another name than its log states";
                    found.fault(FaultKind::Setting, at, told);
                }
                walk.stated.insert(("origin".into(), origin.clone()));
                walk.stated.insert(("captures".into(), captures.clone()));
            }
            Act::Key { key } => {
                walk.keys.push(*key);
                walk.stated.insert((format!("key/{key}"), at.to_string()));
            }
            act => {
                if act.of().is_some_and(|of| of == 0 || of >= at) {
                    found.fault(
                        FaultKind::EntryAltered,
                        at,
                        "it is about an entry that was not there yet",
                    );
                }
            }
        }
        Some(entry)
    }

    /// A checkpoint against the entries up to it.
    fn check_head(
        &self,
        walk: &mut Walk<'_>,
        size: u64,
        (nth, checkpoint, tree): Head,
        found: &mut Verification,
    ) {
        walk.heads += 1;
        if nth != walk.heads {
            found.fault(
                FaultKind::Checkpoint,
                size,
                format!("checkpoint {} is missing or out of order", walk.heads),
            );
            walk.heads = nth;
        }
        let root = walk.tree.root();
        if tree.as_ref() != Some(&walk.tree) {
            // What an altered entry does to every later tree was told once.
            if walk.sound {
                found.fault(
                    FaultKind::Root,
                    size,
                    "what is kept of the tree of hashes is not that of the entries",
                );
            }
        }
        let Some(checkpoint) = checkpoint else {
            found.fault(FaultKind::Checkpoint, size, "the checkpoint is damaged");
            return;
        };
        if checkpoint.origin != self.origin || checkpoint.size != size {
            found.fault(
                FaultKind::Checkpoint,
                size,
                "the checkpoint is one of another archive or size",
            );
        } else if checkpoint.root != root {
            if walk.sound {
                let told =
                    format!("the entries up to {size} are not those that the checkpoint states");
                found.fault(FaultKind::Root, size, told);
            }
            walk.sound = false;
        }
        if checkpoint.is_signed() {
            let wanted = walk.options.key;
            let known = match wanted {
                // The key that was given must have signed; others may have before it.
                Some(key) if checkpoint.signed_by(&key) => true,
                _ => walk.keys.iter().any(|key| checkpoint.signed_by(key)),
            };
            if !known {
                found.fault(
                    FaultKind::Signature,
                    size,
                    "the checkpoint bears no signature of a known key",
                );
            } else if checkpoint.root == root && wanted.is_none_or(|key| checkpoint.signed_by(&key))
            {
                found.signed_up_to = found.signed_up_to.max(size);
            }
        }
        if let Some(kept) = walk.options.checkpoint.as_ref().filter(|kept| kept.size == size) {
            compare_kept(kept, root, found);
        }
    }

    /// What is behind the last entry, and what belongs to none.
    fn ends(
        &mut self,
        walk: &mut Walk<'_>,
        last: u64,
        found: &mut Verification,
    ) -> Result<(), ArchiveError> {
        let size = walk.tree.size();
        let heads = self.db.rows("SELECT COUNT(*), COALESCE(MAX(size), 0) FROM head", &[])?;
        let heads = heads.into_iter().next().unwrap_or_default();
        let (count, most) = (number(heads.first()), number(heads.get(1)));
        if most > size {
            found.fault(
                FaultKind::EntryMissing,
                most,
                format!("a checkpoint states {most} entries, and there are {size}: the last ones are missing"),
            );
        } else if most < size || count == 0 {
            let told = format!("no checkpoint states the entries {} to {size}", most + 1);
            found.fault(FaultKind::Checkpoint, size, told);
        } else if count != walk.heads {
            found.fault(FaultKind::Checkpoint, size, "a checkpoint is missing or out of order");
        }
        if size == 0 {
            found.fault(FaultKind::EntryMissing, None, "the archive has no entries");
        }
        for table in ["result", "value", "person", "mode", "entry"] {
            let sql = format!("SELECT number FROM {table} WHERE number < 1 OR number > $1 LIMIT 1");
            if let Some(at) = self.db.value(&sql, &[last.into()])? {
                found.fault(
                    FaultKind::Extra,
                    at.int().map(i64::unsigned_abs),
                    format!("a row of the table `{table}` is of no entry"),
                );
            }
        }
        self.check_series(found)?;
        self.check_settings(walk, found)?;
        if let Some(kept) = &walk.options.checkpoint {
            if kept.origin != self.origin {
                let told =
                    format!("the checkpoint that was kept is of the archive {}", kept.origin);
                found.fault(FaultKind::Elsewhere, None, told);
            } else if kept.size > size {
                let told = format!(
                    "the checkpoint that was kept states {} entries, and there are {size}: the archive was \
                     taken back to an earlier state",
                    kept.size
                );
                found.fault(FaultKind::Elsewhere, None, told);
            } else if found.kept_elsewhere_up_to.is_none()
                && !found.faults.iter().any(|fault| fault.kind == FaultKind::Elsewhere)
            {
                // The archive has no checkpoint of that size any more: the leaves tell.
                let leaves = self.leaves(kept.size)?;
                compare_kept(kept, merkle::root(&leaves), found);
            }
            if let Some(key) = walk.options.key
                && !kept.signed_by(&key)
            {
                let told = "the checkpoint that was kept is not signed by the key that was given";
                found.fault(FaultKind::Signature, None, told);
            }
        }
        if walk.options.key.is_some() && found.signed_up_to == 0 {
            found.fault(
                FaultKind::Signature,
                None,
                "no checkpoint is signed by the key that was given",
            );
        }
        Ok(())
    }

    /// Hashes of the first entries.
    pub(super) fn leaves(&mut self, size: u64) -> Result<Vec<Sha256>, ArchiveError> {
        let mut leaves = Vec::new();
        let sql = "SELECT body FROM entry WHERE number <= $1 ORDER BY number";
        self.db.query(sql, &[size.into()], &mut |row| {
            leaves.push(merkle::leaf(row.first().and_then(Value::bytes).unwrap_or_default()));
            Ok(())
        })?;
        Ok(leaves)
    }

    /// Each series against the number that stands for it, and each value against its series.
    fn check_series(&mut self, found: &mut Verification) -> Result<(), ArchiveError> {
        let mut altered = Vec::new();
        let sql = format!("SELECT id, {} FROM series", facts::SERIES_COLUMNS);
        self.db.query(&sql, &[], &mut |row| {
            let series = row.get(1..).and_then(Series::of_row);
            let id = series.as_ref().and_then(|series| series.id().ok());
            if id.is_none() || id != row.first().and_then(Value::int) {
                altered.push(match series {
                    Some(Series { measure, model, serial, .. }) => {
                        format!("the series of {measure} of {model} {serial} was altered")
                    }
                    None => "a series was altered".to_owned(),
                });
            }
            Ok(())
        })?;
        for told in altered {
            found.fault(FaultKind::Values, None, told);
        }
        let sql = "SELECT number FROM value WHERE NOT EXISTS \
                   (SELECT 1 FROM series WHERE series.id = value.series) LIMIT 20";
        for row in self.db.rows(sql, &[])? {
            let at = number(row.first());
            found.fault(FaultKind::Values, at, "what a value is of is missing");
        }
        Ok(())
    }

    /// Settings that the log states, too.
    fn check_settings(
        &mut self,
        walk: &Walk<'_>,
        found: &mut Verification,
    ) -> Result<(), ArchiveError> {
        let mut stated: BTreeSet<(String, String)> = walk.stated.clone();
        stated.insert(("form".into(), super::store::FORM.to_string()));
        let rows = self.db.rows("SELECT key, value FROM meta", &[])?;
        let pair = |row: &Vec<Value>| {
            Some((row.first()?.text()?.to_owned(), row.get(1)?.text()?.to_owned()))
        };
        let there: BTreeSet<(String, String)> = rows.iter().filter_map(pair).collect();
        for (key, _) in stated.symmetric_difference(&there) {
            found.fault(
                FaultKind::Setting,
                None,
                format!("the setting `{key}` is not the one its log states"),
            );
        }
        Ok(())
    }
}

fn compare_kept(kept: &Checkpoint, root: Sha256, found: &mut Verification) {
    if found.kept_elsewhere_up_to.is_some() {
        return;
    }
    if kept.root == root {
        found.kept_elsewhere_up_to = Some(kept.size);
    } else {
        let told = format!(
            "the first {} entries are not those of the checkpoint that was kept: the archive was rewritten",
            kept.size
        );
        found.fault(FaultKind::Elsewhere, None, told);
    }
}
