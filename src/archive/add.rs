//! Adding: entries go to the end, all of a call or none.

use super::checkpoint::Checkpoint;
use super::entry::{Act, Added, Entry, FileRole, KeptFile, Meaning};
use super::error::ArchiveError;
use super::facts::{self, Point};
use super::key::PrivateKey;
use super::merkle::{self, Tree};
use super::parcel::{Document, Parcel};
use super::store::{Access, Value};
use super::{Archive, now, packed};
use crate::digest::Sha256;
use crate::result::Form;
use jiff::Timestamp;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// Who does something, and with which key.
#[derive(Debug, Default)]
pub struct Stamp {
    /// Who.
    pub by: String,
    /// Key that signs the checkpoint, where there is one.
    pub key: Option<PrivateKey>,
    /// The time, where it is not that of now: for tests.
    pub at: Option<Timestamp>,
}

/// How results are added.
#[derive(Debug, Default)]
pub struct AddOptions {
    /// What the adder vouches for.
    pub meaning: Option<Meaning>,
    /// Whether captures are kept, not their hashes alone.
    pub raw: bool,
    /// Entry that is corrected.
    pub replaces: Option<u64>,
    /// Why.
    pub reason: Option<String>,
}

/// What became of a result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It is entry so and so now.
    Added(u64),
    /// It was there already, as this entry.
    Already(u64),
}

/// The end of the log while entries are added.
pub(super) struct End {
    tree: Tree,
    last: Option<Timestamp>,
}

impl Archive {
    /// Begins the log.
    pub(super) fn begin(
        &mut self,
        captures: Option<PathBuf>,
        stamp: &Stamp,
    ) -> Result<(), ArchiveError> {
        let mut name = [0; 8];
        getrandom::fill(&mut name).map_err(|error| ArchiveError::Random(error.to_string()))?;
        let origin = format!("crestbook/{:016x}", u64::from_be_bytes(name));
        let captures = match captures {
            Some(folder) => {
                let whole = std::path::absolute(&folder)
                    .map_err(|error| ArchiveError::io(&folder, "can't be named", error))?;
                whole.display().to_string()
            }
            // By its name alone, so that an archive can be moved with its captures.
            None => self
                .place
                .captures()
                .and_then(|folder| Some(folder.file_name()?.to_string_lossy().into_owned()))
                .unwrap_or_default(),
        };
        self.transaction(Access::Write, |archive| {
            // With the tables, so that nothing half begun is ever there.
            super::store::advance(&mut *archive.db, super::store::FORM)?;
            // Another program may have begun it while this one waited.
            if archive.meta("origin")?.is_some() {
                return Ok(());
            }
            archive.set_meta("origin", &origin)?;
            archive.set_meta("captures", &captures)?;
            archive.origin.clone_from(&origin);
            let mut end = End { tree: Tree::default(), last: None };
            archive.append(&mut end, Act::Begin { origin, captures }, stamp)?;
            archive.close(end, stamp)
        })
    }

    /// The end of the log, checked against its last checkpoint.
    pub(super) fn end(&mut self) -> Result<End, ArchiveError> {
        let sql = "SELECT size, checkpoint, tree FROM head ORDER BY nth DESC LIMIT 1";
        let head = self.db.rows(sql, &[])?.into_iter().next().unwrap_or_default();
        let tree = match head.as_slice() {
            [size, checkpoint, tree] => kept_tree(size, tree).filter(|tree| {
                let checkpoint = checkpoint.text().and_then(Checkpoint::parse);
                checkpoint.is_some_and(|one| one.root == tree.root() && one.size == tree.size())
            }),
            _ => None,
        };
        let last = "SELECT body FROM entry ORDER BY number DESC LIMIT 1";
        let last = self.db.rows(last, &[])?.into_iter().next().unwrap_or_default();
        match (tree, Entry::kept(last.first())) {
            (Some(tree), Some(entry)) if tree.size() == entry.number => {
                Ok(End { tree, last: Some(entry.at) })
            }
            _ => Err(self.altered(
                "the end of its log does not fit the last checkpoint, so nothing is added",
            )),
        }
    }

    /// Adds an entry; its number.
    pub(super) fn append(
        &mut self,
        end: &mut End,
        act: Act,
        stamp: &Stamp,
    ) -> Result<u64, ArchiveError> {
        let at = stamp.at.unwrap_or_else(now);
        let behind = end.last.map_or(0, |last| last.as_second() - at.as_second());
        let number = end.tree.size() + 1;
        let entry = Entry {
            schema: Form::Entry,
            number,
            at,
            clock_behind_s: (behind > 0).then_some(behind),
            by: stamp.by.clone(),
            program: env!("CARGO_PKG_VERSION").to_owned(),
            act,
        };
        let body = serde_json::to_vec(&entry).map_err(|error| self.altered(error.to_string()))?;
        let leaf = merkle::leaf(&body);
        let sql = "INSERT INTO entry (number, act, body, leaf) VALUES ($1, $2, $3, $4)";
        let row = [number.into(), entry.act.name().into(), body.as_slice().into(), (&leaf).into()];
        self.db.execute(sql, &row)?;
        end.tree.push(leaf);
        end.last = Some(at);
        Ok(number)
    }

    /// States the new end of the log.
    pub(super) fn close(&mut self, mut end: End, stamp: &Stamp) -> Result<(), ArchiveError> {
        if let Some(key) = &stamp.key {
            let public = key.public();
            let name = format!("key/{public}");
            if self.meta(&name)?.is_none() {
                let number = self.append(&mut end, Act::Key { key: public }, stamp)?;
                self.set_meta(&name, &number.to_string())?;
            }
        }
        let mut checkpoint = Checkpoint::new(&self.origin, end.tree.size(), end.tree.root());
        if let Some(key) = &stamp.key {
            checkpoint = checkpoint.signed(key);
        }
        let tree: Vec<u8> = end.tree.full().iter().flat_map(|hash| *hash.bytes()).collect();
        let sql = "INSERT INTO head (nth, size, checkpoint, tree) VALUES \
                   ((SELECT COALESCE(MAX(nth), 0) + 1 FROM head), $1, $2, $3)";
        let row =
            [end.tree.size().into(), (&checkpoint.to_string()).into(), tree.as_slice().into()];
        self.db.execute(sql, &row).map(|_| ())
    }

    /// Does one act that needs nothing beside its entry.
    pub(super) fn act(&mut self, act: Act, stamp: &Stamp) -> Result<u64, ArchiveError> {
        self.transaction(Access::Write, |archive| {
            let mut end = archive.end()?;
            let number = archive.append(&mut end, act, stamp)?;
            archive.close(end, stamp)?;
            Ok(number)
        })
    }

    /// Signs a result.
    ///
    /// # Errors
    /// Where there is no such result, or the archive can't be written.
    pub fn sign(
        &mut self,
        of: u64,
        meaning: Meaning,
        reason: Option<String>,
        stamp: &Stamp,
    ) -> Result<u64, ArchiveError> {
        self.result(of)?;
        self.act(Act::Sign { of, meaning, reason }, stamp)
    }

    /// States the end of the log once more, signed by the key of the stamp: for results that were added without one.
    ///
    /// # Errors
    /// Where the archive can't be written.
    pub fn sign_checkpoint(&mut self, stamp: &Stamp) -> Result<Checkpoint, ArchiveError> {
        self.transaction(Access::Write, |archive| {
            let end = archive.end()?;
            let known = archive.checkpoint()?;
            match stamp.key.as_ref().map(PrivateKey::public) {
                Some(public) if !known.signed_by(&public) => archive.close(end, stamp),
                _ => Ok(()),
            }
        })?;
        self.checkpoint()
    }

    /// Adds results: all of them, or none.
    ///
    /// # Errors
    /// Where one is not fit, or the archive can't be written.
    pub fn add(
        &mut self,
        parcels: &[Parcel],
        options: &AddOptions,
        stamp: &Stamp,
    ) -> Result<Vec<Outcome>, ArchiveError> {
        // Captures first: an entry never speaks of one that is not on the disk.
        for parcel in parcels {
            self.keep_captures(parcel, options.raw)?;
        }
        self.transaction(Access::Write, |archive| {
            let mut end = archive.end()?;
            let mut outcomes = Vec::with_capacity(parcels.len());
            for parcel in parcels {
                outcomes.push(archive.add_one(parcel, options, &mut end, stamp)?);
            }
            if outcomes.iter().any(|outcome| matches!(outcome, Outcome::Added(_))) {
                archive.close(end, stamp)?;
            }
            Ok(outcomes)
        })
    }

    fn keep_captures(&mut self, parcel: &Parcel, raw: bool) -> Result<(), ArchiveError> {
        let mut captures =
            parcel.files.iter().filter(|(file, _)| file.role == FileRole::Capture).peekable();
        if !raw || captures.peek().is_none() {
            return Ok(());
        }
        let Some(folder) = &self.captures else {
            return Err(ArchiveError::Unfit {
                name: parcel.name.clone(),
                message: "this archive has no place for captures".into(),
                help: "keep their hashes alone with --no-raw".into(),
            });
        };
        captures.try_for_each(|(file, path)| folder.keep(path, &file.sha256))
    }

    fn add_one(
        &mut self,
        parcel: &Parcel,
        options: &AddOptions,
        end: &mut End,
        stamp: &Stamp,
    ) -> Result<Outcome, ArchiveError> {
        let sha256 = Sha256::of(&parcel.document);
        let sql = "SELECT MIN(number) FROM result WHERE sha256 = $1";
        if let Some(already) =
            self.db.value(sql, &[(&sha256).into()])?.and_then(|number| number.count())
        {
            let own = match self.entry(already)?.act {
                Act::Add(added) => added.replaces,
                _ => None,
            };
            if options.replaces.is_some() && options.replaces != own {
                return Err(ArchiveError::Unfit {
                    name: parcel.name.clone(),
                    message: format!(
                        "it is there already, as entry {already}, which can't become a correction"
                    ),
                    help: "correct with a result that was made anew".into(),
                });
            }
            return Ok(Outcome::Already(already));
        }
        self.check_replaced(parcel, options)?;
        let facts = &parcel.extract.facts;
        let mut values: Vec<(i64, Point)> = Vec::with_capacity(parcel.extract.values.len());
        for (series, point) in &parcel.extract.values {
            let id = series.id().map_err(|error| self.altered(error.to_string()))?;
            self.keep_series(id, series)?;
            values.push((id, point.clone()));
        }
        let hash = facts::hash(facts, &values).map_err(|error| self.altered(error.to_string()))?;
        let mut files = Vec::with_capacity(parcel.files.len());
        for (file, path) in &parcel.files {
            let capture = file.role == FileRole::Capture;
            if !capture {
                let content = std::fs::read(path)
                    .map_err(|error| ArchiveError::io(path, "can't read it", error))?;
                if Sha256::of(&content) != file.sha256 {
                    return Err(ArchiveError::Unfit {
                        name: path.display().to_string(),
                        message: "the file changed while it was added".into(),
                        help: "add it again".into(),
                    });
                }
                self.keep_document(&file.sha256, &content)?;
            }
            files.push(KeptFile { kept: !capture || options.raw, ..file.clone() });
        }
        self.keep_document(&sha256, &parcel.document)?;
        let added = Added {
            form: parcel.form,
            sha256,
            facts: hash,
            meaning: options.meaning,
            replaces: options.replaces,
            reason: options.reason.clone(),
            files,
        };
        let number = self.append(end, Act::Add(Box::new(added)), stamp)?;
        self.index(number, &sha256, facts, options.replaces, &values)?;
        Ok(Outcome::Added(number))
    }

    /// A correction points at what it corrects; the same captures are not judged twice without one.
    fn check_replaced(
        &mut self,
        parcel: &Parcel,
        options: &AddOptions,
    ) -> Result<(), ArchiveError> {
        let facts = &parcel.extract.facts;
        let unfit = |message: String, help: String| ArchiveError::Unfit {
            name: parcel.name.clone(),
            message,
            help,
        };
        if let Some(replaces) = options.replaces {
            if options.reason.as_ref().is_none_or(|reason| reason.trim().is_empty()) {
                return Err(unfit(
                    "it is not said why the entry is corrected".into(),
                    "give the reason with --reason".into(),
                ));
            }
            let Act::Add(_) = self.entry(replaces)?.act else {
                return Err(unfit(
                    format!("entry {replaces} holds no result that could be replaced"),
                    "`crestbook archive list` shows results".into(),
                ));
            };
            if let Some(later) = self.replaced_by(replaces)? {
                return Err(unfit(
                    format!("entry {replaces} was replaced by entry {later} already"),
                    format!("replace that one: --replaces {later}"),
                ));
            }
            let old = self.found(replaces)?.facts;
            if (&old.model, &old.serial) != (&facts.model, &facts.serial) {
                return Err(unfit(
                    format!(
                        "entry {replaces} is of another unit: {}, serial {}",
                        old.model, old.serial
                    ),
                    "a correction is of the same unit".into(),
                ));
            }
            if old.day != facts.day && !self.of_the_same(replaces, &parcel.captures)? {
                return Err(unfit(
                    format!("entry {replaces} is of {} and shares no capture with this result of {}", old.day, facts.day),
                    "a correction is of the same verification; another one is added without --replaces".into(),
                ));
            }
            return Ok(());
        }
        // By serial number: a model may have thousands of results of one day, so its index is kept out.
        let sql = "SELECT number FROM result WHERE serial = $1 AND day = $2 AND model || '' = $3 AND NOT \
                   EXISTS (SELECT 1 FROM result AS later WHERE later.replaces = result.number) ORDER BY number";
        let alike = [&facts.serial, &facts.day, &facts.model].map(Value::from);
        for row in self.db.rows(sql, &alike)? {
            let Some(number) = row.first().and_then(Value::count) else { continue };
            if self.of_the_same(number, &parcel.captures)? {
                return Err(unfit(
                    format!("entry {number} is a result of the same captures"),
                    format!(
                        "to correct it, add this one with --replaces {number} --reason \"...\""
                    ),
                ));
            }
        }
        Ok(())
    }

    /// Whether a result rests on any of these captures.
    fn of_the_same(
        &mut self,
        number: u64,
        captures: &BTreeSet<Sha256>,
    ) -> Result<bool, ArchiveError> {
        let (_, document) = self.result(number)?;
        let old = Document::read(&document).map(|read| read.captures()).unwrap_or_default();
        Ok(!old.is_disjoint(captures))
    }

    fn keep_series(&mut self, id: i64, series: &facts::Series) -> Result<(), ArchiveError> {
        let row = [
            id.into(),
            (&series.model).into(),
            (&series.serial).into(),
            (&series.setting).into(),
            series.dial.into(),
            (&series.load).into(),
            (&series.measure).into(),
            (&series.part).into(),
            (&series.unit).into(),
        ];
        let sql = "INSERT INTO series (id, model, serial, setting, dial, load, measure, part, unit) VALUES \
                   ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT (id) DO NOTHING";
        self.db.execute(sql, &row).map(|_| ())
    }

    /// Keeps a document, once.
    fn keep_document(&mut self, sha256: &Sha256, content: &[u8]) -> Result<(), ArchiveError> {
        let size = content.len() as u64;
        let (mut content, mut packed) = (content, Vec::new());
        packed::pack(&mut content, &mut packed)
            .map_err(|error| self.altered(format!("a document can't be compressed: {error}")))?;
        let sql = "INSERT INTO document (sha256, size, body) VALUES ($1, $2, $3) ON CONFLICT (sha256) DO NOTHING";
        self.db.execute(sql, &[sha256.into(), size.into(), packed.as_slice().into()]).map(|_| ())
    }

    /// Fills the tables that a result is found by.
    fn index(
        &mut self,
        number: u64,
        sha256: &Sha256,
        facts: &facts::Facts,
        replaces: Option<u64>,
        values: &[(i64, Point)],
    ) -> Result<(), ArchiveError> {
        let sql = format!(
            "INSERT INTO result (number, sha256, {}) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, \
             $13, $14, $15)",
            facts::FACT_COLUMNS
        );
        let mut row = vec![number.into(), sha256.into()];
        row.extend(facts::fact_row(facts, replaces));
        self.db.execute(&sql, &row)?;
        if self.db.dialect() == super::store::Dialect::Sqlite {
            let sql = "INSERT INTO words (rowid, text) VALUES ($1, $2)";
            self.db.execute(sql, &[number.into(), (&facts.text).into()])?;
        }
        for (role, name) in &facts.people {
            let sql = "INSERT INTO person (number, role, name) VALUES ($1, $2, $3)";
            self.db.execute(sql, &[number.into(), role.into(), name.into()])?;
        }
        for mode in &facts.modes {
            let sql = "INSERT INTO mode (number, mode) VALUES ($1, $2)";
            self.db.execute(sql, &[number.into(), mode.into()])?;
        }
        let sql = format!(
            "INSERT INTO value (number, nth, {}) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
            facts::VALUE_COLUMNS
        );
        for (nth, (series, point)) in values.iter().enumerate() {
            let mut row = vec![number.into(), (nth as u64).into()];
            row.extend(facts::value_row(*series, point));
            self.db.execute(&sql, &row)?;
        }
        Ok(())
    }
}

/// A tree from its size and the hashes that are kept of it.
pub(super) fn kept_tree(size: &Value, tree: &Value) -> Option<Tree> {
    let size = size.count()?;
    let bytes = tree.bytes()?;
    if bytes.len() % 32 != 0 {
        return None;
    }
    let hash = |piece: &[u8]| <[u8; 32]>::try_from(piece).ok().map(Sha256::from);
    Tree::kept(size, bytes.chunks(32).map(hash).collect::<Option<_>>()?)
}
