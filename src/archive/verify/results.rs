//! Results against their entries: documents, rows, values, captures.

use super::{Fault, FaultKind, Verification, Walk, number};
use crate::archive::captures::CaptureFault;
use crate::archive::entry::{Added, FileRole};
use crate::archive::store::Value;
use crate::archive::{Archive, ArchiveError, facts, unpacked};
use crate::digest::Sha256;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// The rows of a piece of the log.
#[derive(Default)]
pub(super) struct Rows {
    results: BTreeMap<u64, Vec<Value>>,
    values: BTreeMap<u64, Vec<Vec<Value>>>,
    people: BTreeMap<u64, Vec<(String, String)>>,
    modes: BTreeMap<u64, Vec<String>>,
}

impl Archive {
    pub(super) fn rows_of(&mut self, range: &[Value; 2]) -> Result<Rows, ArchiveError> {
        let mut rows = Rows::default();
        let sql = format!(
            "SELECT number, sha256, {} FROM result WHERE number > $1 AND number <= $2 ORDER BY number",
            facts::FACT_COLUMNS
        );
        self.db.query(&sql, range, &mut |row| {
            rows.results.insert(number(row.first()), row[1..].to_vec());
            Ok(())
        })?;
        let sql = format!(
            "SELECT number, nth, {} FROM value WHERE number > $1 AND number <= $2 ORDER BY number, nth",
            facts::VALUE_COLUMNS
        );
        self.db.query(&sql, range, &mut |row| {
            rows.values.entry(number(row.first())).or_default().push(row[1..].to_vec());
            Ok(())
        })?;
        let text =
            |value: Option<&Value>| value.and_then(Value::text).unwrap_or_default().to_owned();
        let sql = "SELECT number, role, name FROM person WHERE number > $1 AND number <= $2";
        self.db.query(sql, range, &mut |row| {
            rows.people
                .entry(number(row.first()))
                .or_default()
                .push((text(row.get(1)), text(row.get(2))));
            Ok(())
        })?;
        let sql = "SELECT number, mode FROM mode WHERE number > $1 AND number <= $2";
        self.db.query(sql, range, &mut |row| {
            rows.modes.entry(number(row.first())).or_default().push(text(row.get(1)));
            Ok(())
        })?;
        Ok(rows)
    }

    /// Results against their entries: document, rows, values, captures.
    pub(super) fn check_results(
        &mut self,
        walk: &Walk<'_>,
        added: &BTreeMap<u64, Added>,
        mut rows: Rows,
        found: &mut Verification,
    ) -> Result<(), ArchiveError> {
        let mut documents: Vec<(u64, Sha256, String, Option<Vec<Value>>)> = Vec::new();
        let mut captures: Vec<(u64, Sha256, &str)> = Vec::new();
        for (at, one) in added {
            found.results += 1;
            let kept = one.files.iter().filter(|file| file.role != FileRole::Capture);
            let wanted = kept.map(|file| (file.sha256, file.name.clone()));
            for (sha256, name) in wanted.chain([(one.sha256, "its result".to_owned())]) {
                let row = self.document_row(&sha256)?;
                documents.push((*at, sha256, name, row));
            }
            for file in one.files.iter().filter(|file| file.role == FileRole::Capture) {
                if !file.kept {
                    found.hashes_only += 1;
                } else if walk.removals.since(&file.sha256, *at) {
                    found.removed += 1;
                } else {
                    captures.push((*at, file.sha256, &file.name));
                }
            }
            self.check_row(*at, one, &mut rows, found);
        }
        let wrong = |(at, sha256, name, row): &(u64, Sha256, String, Option<Vec<Value>>)| {
            let message = match row {
                None => format!("{name} is missing"),
                Some(row) if unpacked(row, sha256).is_some() => return None,
                Some(_) => format!("{name} was altered"),
            };
            Some(Fault { kind: FaultKind::Document, entry: Some(*at), message })
        };
        let faults: Vec<Fault> = documents.par_iter().filter_map(wrong).collect();
        faults.into_iter().for_each(|fault| found.add(fault));
        if walk.options.without_captures {
            found.not_read += captures.len() as u64;
        } else {
            let folder = self.captures.as_ref();
            let wrong = |(at, sha256, name): &(u64, Sha256, &str)| {
                let fault = folder
                    .map_or(Err(CaptureFault::Missing), |folder| folder.check(sha256))
                    .err()?;
                let message = format!("the capture {name} {fault} ({sha256})");
                Some(Fault { kind: FaultKind::Capture, entry: Some(*at), message })
            };
            let faults: Vec<Fault> = captures.par_iter().filter_map(wrong).collect();
            found.captures += (captures.len() - faults.len()) as u64;
            faults.into_iter().for_each(|fault| found.add(fault));
        }
        let left = rows
            .results
            .keys()
            .chain(rows.values.keys())
            .chain(rows.people.keys())
            .chain(rows.modes.keys());
        let left: BTreeSet<u64> = left.copied().collect();
        for at in left {
            found.fault(
                FaultKind::Extra,
                at,
                "there are rows of a result that the entry does not add",
            );
        }
        Ok(())
    }

    /// The rows of a result against the hash of them that its entry states.
    fn check_row(&self, at: u64, one: &Added, rows: &mut Rows, found: &mut Verification) {
        let row = rows.results.remove(&at);
        let values = rows.values.remove(&at).unwrap_or_default();
        let (mut people, mut modes) = (
            rows.people.remove(&at).unwrap_or_default(),
            rows.modes.remove(&at).unwrap_or_default(),
        );
        let Some(row) = row else {
            found.fault(FaultKind::Row, at, "the row that the result is found by is missing");
            return;
        };
        let sha256 = row.first().and_then(Value::bytes);
        let read = row.get(1..).and_then(facts::facts_of);
        let (Some((mut facts, replaces)), true) = (read, sha256 == Some(one.sha256.bytes())) else {
            found.fault(FaultKind::Row, at, "the row that the result is found by was altered");
            return;
        };
        people.sort();
        modes.sort();
        (facts.people, facts.modes) = (people, modes);
        let numbered = values.iter().enumerate();
        let points: Option<Vec<_>> = numbered
            .map(|(nth, row)| {
                let in_place = row.first().and_then(Value::int) == i64::try_from(nth).ok();
                row.get(1..).filter(|_| in_place).and_then(facts::value_of)
            })
            .collect();
        let Some(points) = points else {
            found.fault(
                FaultKind::Values,
                at,
                "values of the result for trends were altered or are missing",
            );
            return;
        };
        let hash = facts::hash(&facts, &points).ok();
        if replaces != one.replaces || hash != Some(one.facts) {
            let told =
                "the row that the result is found by, or its values for trends, were altered";
            found.fault(FaultKind::Row, at, told);
        }
    }
}
