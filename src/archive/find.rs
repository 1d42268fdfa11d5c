//! Finding results.

use super::store::{Database, Dialect, Value};
use super::{Archive, ArchiveError, facts};
use crate::check::Verdict;
use crate::digest::Sha256;
use serde::Serialize;

/// Which results are looked for; what is `None` or empty does not matter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filter {
    /// Model, serial or inventory number of the unit.
    pub unit: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Setting, or the unit's own label of one, in any letters.
    pub mode: Option<String>,
    /// From this day on.
    pub from: Option<String>,
    /// Up to this day.
    pub to: Option<String>,
    /// One of these verdicts.
    pub verdicts: Vec<Verdict>,
    /// `as found` or `as left`.
    pub state: Option<String>,
    /// Someone who took part.
    pub person: Option<String>,
    /// In this role.
    pub role: Option<String>,
    /// Where it was measured.
    pub place: Option<String>,
    /// Words, all of which occur.
    pub words: Option<String>,
    /// Results that were replaced by a correction, too.
    pub replaced: bool,
    /// The most results.
    pub most: Option<usize>,
}

/// A result that was found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Found {
    /// Number of its entry.
    pub entry: u64,
    /// SHA-256 of its document.
    pub sha256: Sha256,
    /// What it can be found by.
    #[serde(flatten)]
    pub facts: facts::Facts,
    /// Entry that it corrects.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replaces: Option<u64>,
    /// Entry that corrects it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replaced_by: Option<u64>,
}

/// A set of so many results or fewer is looked up, one by one; of a larger one, each result on the way is asked whether it
/// belongs to it: the first page is then found without listing the set.
const FEW: usize = 2_000;

/// A condition under way: its text and the values of its parameters.
#[derive(Default)]
struct Where {
    parts: Vec<String>,
    values: Vec<Value>,
}

impl Where {
    /// Adds a condition; `?` stands for the value.
    fn and(&mut self, part: &str, value: impl Into<Value>) {
        self.values.push(value.into());
        self.parts.push(part.replace('?', &format!("${}", self.values.len())));
    }

    /// Adds that a result belongs to a set: its numbers are `SELECT number FROM table WHERE all`, each of these a column
    /// and its value.
    fn belongs(
        &mut self,
        db: &mut dyn Database,
        table: &str,
        all: &[(&str, &String)],
    ) -> Result<(), ArchiveError> {
        let wanted: Vec<Value> = all.iter().map(|(_, value)| Value::from(*value)).collect();
        let named = |first: usize, sign: &str| {
            let parts: Vec<String> = all
                .iter()
                .enumerate()
                .map(|(k, (column, _))| format!("{sign}{column} = ${}", first + k))
                .collect();
            parts.join(" AND ")
        };
        let first = self.values.len() + 1;
        let set = format!("SELECT number FROM {table} WHERE {}", named(first, ""));
        // PostgreSQL chooses by what it knows of the tables; SQLite is told. The sign keeps it from the index of names.
        let listed = format!("SELECT number FROM {table} WHERE {}", named(1, ""));
        let each = db.dialect() == Dialect::Sqlite && !is_few(db, &listed, &wanted)?;
        self.parts.push(if each {
            let named = named(first, "+");
            format!(
                "EXISTS (SELECT 1 FROM {table} WHERE {table}.number = result.number AND {named})"
            )
        } else {
            format!("number IN ({set})")
        });
        self.values.extend(wanted);
        Ok(())
    }
}

fn is_few(db: &mut dyn Database, set: &str, values: &[Value]) -> Result<bool, ArchiveError> {
    let sql = format!("SELECT COUNT(*) FROM ({set} LIMIT {})", FEW + 1);
    let count = db.value(&sql, values)?.and_then(|count| count.count());
    Ok(count.is_none_or(|count| count <= FEW as u64))
}

impl Filter {
    fn conditions(&self, db: &mut dyn Database) -> Result<Where, ArchiveError> {
        let mut all = Where::default();
        let pairs = [
            ("serial = ?", &self.serial),
            ("day >= ?", &self.from),
            ("day <= ?", &self.to),
            ("state = ?", &self.state),
            ("place = ?", &self.place),
            ("(serial = ? OR model = ? OR inventory = ?)", &self.unit),
        ];
        for (part, value) in pairs {
            if let Some(value) = value {
                all.and(part, value);
            }
        }
        if self.to.is_some() && self.from.is_none() {
            // A day that is not known is before no other.
            all.and("day > ?", "");
        }
        if let Some(mode) = &self.mode {
            all.belongs(db, "mode", &[("mode", &mode.to_lowercase())])?;
        }
        let person = self.person.as_ref().map(|name| ("name", name));
        let role = self.role.as_ref().map(|role| ("role", role));
        let named: Vec<_> = person.into_iter().chain(role).collect();
        if !named.is_empty() {
            all.belongs(db, "person", &named)?;
        }
        if !self.verdicts.is_empty() {
            let first = all.values.len();
            all.values.extend(self.verdicts.iter().map(|verdict| Value::from(verdict.words())));
            let names: Vec<String> =
                (first + 1..=all.values.len()).map(|k| format!("${k}")).collect();
            // A unit has few results, a verdict may have a million: its index is kept out.
            let column = if self.serial.is_some() || self.unit.is_some() {
                "verdict || ''"
            } else {
                "verdict"
            };
            all.parts.push(format!("{column} IN ({})", names.join(", ")));
        }
        if let Some(words) = &self.words {
            match db.dialect() {
                Dialect::Sqlite => {
                    // Each word as it is: nothing in it is part of a query.
                    let quoted: Vec<String> = words
                        .split_whitespace()
                        .map(|word| format!("\"{}\"", word.replace('"', "\"\"")))
                        .collect();
                    let wanted = Value::from(&quoted.join(" "));
                    let set = "SELECT rowid FROM words WHERE words MATCH ";
                    // With the sign, results are gone through by day, not in the order of the words.
                    let few = is_few(db, &format!("{set}$1"), std::slice::from_ref(&wanted))?;
                    let sign = if few { "" } else { "+" };
                    all.and(&format!("{sign}number IN ({set}?)"), wanted);
                }
                #[cfg(feature = "postgres")]
                Dialect::Postgres => {
                    all.and("to_tsvector('simple', text) @@ plainto_tsquery('simple', ?)", words);
                }
            }
        }
        if !self.replaced {
            let part =
                "NOT EXISTS (SELECT 1 FROM result AS later WHERE later.replaces = result.number)";
            all.parts.push(part.into());
        }
        Ok(all)
    }
}

impl Archive {
    /// Takes each result that is looked for, the newest day first; its number, as they are found.
    ///
    /// # Errors
    /// Where the archive can't be read, or `each` ends it.
    pub fn list(
        &mut self,
        filter: &Filter,
        mut each: impl FnMut(Found) -> Result<(), ArchiveError>,
    ) -> Result<(), ArchiveError> {
        let found = self.numbers(filter)?;
        for number in found {
            each(self.found(number)?)?;
        }
        Ok(())
    }

    /// Numbers of the results that are looked for, the newest day first.
    ///
    /// # Errors
    /// Where the archive can't be read.
    pub fn numbers(&mut self, filter: &Filter) -> Result<Vec<u64>, ArchiveError> {
        let conditions = filter.conditions(self.db.as_mut())?;
        let parts = if conditions.parts.is_empty() {
            "1 = 1".into()
        } else {
            conditions.parts.join(" AND ")
        };
        let limit = filter.most.map_or(String::new(), |most| format!(" LIMIT {most}"));
        let sql = format!(
            "SELECT number FROM result WHERE {parts} ORDER BY day DESC, number DESC{limit}"
        );
        let mut numbers = Vec::new();
        self.db.query(&sql, &conditions.values, &mut |row| {
            numbers.extend(row.first().and_then(Value::count));
            Ok(())
        })?;
        Ok(numbers)
    }

    /// What is known of a result.
    ///
    /// # Errors
    /// Where there is none, or its row is damaged.
    pub fn found(&mut self, number: u64) -> Result<Found, ArchiveError> {
        let sql = format!("SELECT sha256, {} FROM result WHERE number = $1", facts::FACT_COLUMNS);
        let row = self.db.rows(&sql, &[number.into()])?.into_iter().next().unwrap_or_default();
        let sha256 =
            row.first().and_then(Value::bytes).and_then(|bytes| <[u8; 32]>::try_from(bytes).ok());
        let read = row.get(1..).and_then(facts::facts_of);
        let (Some(sha256), Some((mut facts, replaces))) = (sha256, read) else {
            return Err(self.altered(format!("the row of result {number} is missing or damaged")));
        };
        facts.people = self.people(number)?;
        facts.modes = self.modes(number)?;
        let replaced_by = self.replaced_by(number)?;
        Ok(Found { entry: number, sha256: sha256.into(), facts, replaces, replaced_by })
    }

    /// The entry that corrects a result.
    pub(super) fn replaced_by(&mut self, number: u64) -> Result<Option<u64>, ArchiveError> {
        let sql = "SELECT MIN(number) FROM result WHERE replaces = $1";
        Ok(self.db.value(sql, &[number.into()])?.and_then(|later| later.count()))
    }

    pub(super) fn people(&mut self, number: u64) -> Result<Vec<(String, String)>, ArchiveError> {
        let sql = "SELECT role, name FROM person WHERE number = $1";
        let rows = self.db.rows(sql, &[number.into()])?;
        let pair = |row: Vec<Value>| {
            Some((row.first()?.text()?.to_owned(), row.get(1)?.text()?.to_owned()))
        };
        let mut people: Vec<_> = rows.into_iter().filter_map(pair).collect();
        // Servers may sort by the rules of a language.
        people.sort();
        Ok(people)
    }

    pub(super) fn modes(&mut self, number: u64) -> Result<Vec<String>, ArchiveError> {
        let rows = self.db.rows("SELECT mode FROM mode WHERE number = $1", &[number.into()])?;
        let mut modes: Vec<String> =
            rows.iter().filter_map(|row| row.first()?.text().map(str::to_owned)).collect();
        modes.sort();
        Ok(modes)
    }
}
