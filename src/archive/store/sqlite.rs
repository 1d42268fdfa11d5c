//! SQLite: one file, a write-ahead log, every commit on the disk before it is acknowledged.

use super::{Access, Database, Dialect, EachRow, Make, Value};
use crate::archive::ArchiveError;
use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{Connection, OpenFlags, ToSql};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a writer waits for another.
const PATIENCE: Duration = Duration::from_secs(60);

pub(super) struct Sqlite {
    file: PathBuf,
    connection: Connection,
}

impl ToSql for Value {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(match self {
            Self::Null => ValueRef::Null,
            Self::Int(value) => ValueRef::Integer(*value),
            Self::Real(value) => ValueRef::Real(*value),
            Self::Text(value) => ValueRef::Text(value.as_bytes()),
            Self::Bytes(value) => ValueRef::Blob(value),
        }))
    }
}

impl From<ValueRef<'_>> for Value {
    fn from(value: ValueRef<'_>) -> Self {
        match value {
            ValueRef::Null => Self::Null,
            ValueRef::Integer(value) => Self::Int(value),
            ValueRef::Real(value) => Self::Real(value),
            ValueRef::Text(value) => Self::Text(String::from_utf8_lossy(value).into_owned()),
            ValueRef::Blob(value) => Self::Bytes(value.to_vec()),
        }
    }
}

fn fault(file: &Path, error: &rusqlite::Error) -> ArchiveError {
    let message = match error.sqlite_error_code() {
        Some(rusqlite::ErrorCode::NotADatabase) => "this file is not an archive".to_owned(),
        Some(rusqlite::ErrorCode::DatabaseBusy) => {
            "another program has been writing to it for a minute".to_owned()
        }
        Some(rusqlite::ErrorCode::DatabaseCorrupt) => {
            return ArchiveError::Altered {
                store: file.display().to_string(),
                message: format!("the database is damaged: {error}"),
            };
        }
        _ => error.to_string(),
    };
    ArchiveError::Store { store: file.display().to_string(), message }
}

impl Sqlite {
    pub(super) fn open(file: &Path, make: Make) -> Result<Self, ArchiveError> {
        let store = || file.display().to_string();
        if file.is_dir() {
            let message = "this is a folder; an archive is a file, such as archive.db".into();
            return Err(ArchiveError::Store { store: store(), message });
        }
        // An empty file is what a program leaves that was killed before its first commit.
        let empty = std::fs::metadata(file).map_or(true, |facts| facts.len() == 0);
        if empty && make == Make::Never {
            return Err(ArchiveError::None { store: store() });
        }
        let mut flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        if make == Make::IfMissing {
            flags |= OpenFlags::SQLITE_OPEN_CREATE;
        }
        let fail = |error| fault(file, &error);
        let connection = Connection::open_with_flags(file, flags).map_err(fail)?;
        connection.busy_timeout(PATIENCE).map_err(fail)?;
        connection.set_prepared_statement_cache_capacity(64);
        let settings = "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA cell_size_check = ON; \
                        PRAGMA cache_size = -65536; PRAGMA temp_store = MEMORY;";
        connection.execute_batch(settings).map_err(fail)?;
        // The log is a matter of the file, so that it is set where it is begun; a file on a disk that
        // can't be written to is read as it is.
        if make == Make::IfMissing {
            let mode: String = connection
                .query_row("PRAGMA journal_mode = WAL", [], |row| row.get(0))
                .map_err(fail)?;
            if mode != "wal" {
                let message = "no write-ahead log can be kept here; choose a local disk".into();
                return Err(ArchiveError::Store { store: store(), message });
            }
        }
        Ok(Self { file: file.to_owned(), connection })
    }

    /// Terms of the index of words that a search finds in fewer results than the index holds: its own check leaves its
    /// directory out.
    fn words_that_are_not_found(&mut self) -> Result<Vec<String>, ArchiveError> {
        self.batch(
            "CREATE VIRTUAL TABLE IF NOT EXISTS temp.terms USING fts5vocab(main, words, 'row')",
        )?;
        let mut terms = Vec::new();
        let listed = self.query("SELECT term, doc FROM temp.terms", &[], &mut |row| {
            if let (Some(term), Some(count)) = (row[0].text(), row[1].int()) {
                terms.push((format!("\"{}\"", term.replace('"', "\"\"")), count));
            }
            Ok(())
        });
        if let Err(error) = listed {
            return Ok(vec![format!("the index of words can't be read: {error}")]);
        }
        let mut told = Vec::new();
        for (term, count) in terms {
            let sql = "SELECT COUNT(*) FROM words WHERE words MATCH $1";
            let found = (self as &mut dyn Database).value(sql, &[(&term).into()]);
            if !matches!(found, Ok(Some(Value::Int(found))) if found == count) {
                told.push(format!("a search for {term} misses results"));
            }
        }
        Ok(told)
    }

    fn batch(&mut self, sql: &str) -> Result<(), ArchiveError> {
        self.connection.execute_batch(sql).map_err(|error| fault(&self.file, &error))
    }
}

impl Database for Sqlite {
    fn dialect(&self) -> Dialect {
        Dialect::Sqlite
    }

    fn execute(&mut self, sql: &str, values: &[Value]) -> Result<u64, ArchiveError> {
        let fail = |error| fault(&self.file, &error);
        let mut statement = self.connection.prepare_cached(sql).map_err(fail)?;
        let count = statement.execute(rusqlite::params_from_iter(values)).map_err(fail)?;
        Ok(count as u64)
    }

    fn query(
        &mut self,
        sql: &str,
        values: &[Value],
        each: EachRow<'_>,
    ) -> Result<(), ArchiveError> {
        let fail = |error| fault(&self.file, &error);
        let mut statement = self.connection.prepare_cached(sql).map_err(fail)?;
        let columns = statement.column_count();
        let mut rows = statement.query(rusqlite::params_from_iter(values)).map_err(fail)?;
        let mut values = Vec::with_capacity(columns);
        while let Some(row) = rows.next().map_err(fail)? {
            values.clear();
            for k in 0..columns {
                values.push(row.get_ref(k).map_err(fail)?.into());
            }
            each(&values)?;
        }
        Ok(())
    }

    fn begin(&mut self, access: Access) -> Result<(), ArchiveError> {
        self.batch(match access {
            Access::Read => "BEGIN",
            Access::Write => "BEGIN IMMEDIATE",
        })
    }

    fn commit(&mut self) -> Result<(), ArchiveError> {
        self.batch("COMMIT")
    }

    fn rollback(&mut self) {
        // Where there is nothing to take back, nothing is lost.
        let _ = self.batch("ROLLBACK");
    }

    fn foreign(&mut self) -> Result<Vec<String>, ArchiveError> {
        let listed = "SELECT type, name, tbl_name, COALESCE(sql, '') FROM sqlite_master";
        let there = (self as &mut dyn Database).rows(listed, &[])?;
        // What this program makes where there is nothing.
        let memory = Connection::open_in_memory().map_err(|error| fault(&self.file, &error))?;
        let mut fresh = Self { file: self.file.clone(), connection: memory };
        super::tables(&mut fresh, super::FORM)?;
        let made = (&mut fresh as &mut dyn Database).rows(listed, &[])?;
        let name =
            |row: &Vec<Value>| row.get(1).and_then(Value::text).unwrap_or_default().to_owned();
        let extra = there.iter().filter(|row| !made.contains(row));
        let missing = made.iter().filter(|row| !there.contains(row));
        Ok(extra.chain(missing).map(name).collect())
    }

    fn beside(&self) -> Result<Option<Box<dyn Database>>, ArchiveError> {
        Ok(Some(Box::new(Self::open(&self.file, Make::Never)?)))
    }

    fn integrity(&mut self) -> Result<Vec<String>, ArchiveError> {
        let mut told = Vec::new();
        self.query("PRAGMA integrity_check(100)", &[], &mut |row| {
            told.extend(
                row.iter().filter_map(Value::text).filter(|text| *text != "ok").map(str::to_owned),
            );
            Ok(())
        })?;
        // The index of words against the texts it was made of.
        let words =
            self.execute("INSERT INTO words (words, rank) VALUES ('integrity-check', 1)", &[]);
        if let Err(error) = words {
            told.push(format!("the index of words does not fit the results: {error}"));
        }
        told.extend(self.words_that_are_not_found()?);
        Ok(told)
    }

    fn copy_to(&mut self, file: &Path) -> Result<(), ArchiveError> {
        let fail = |error| fault(file, &error);
        let mut copy = Connection::open(file).map_err(fail)?;
        {
            let backup =
                rusqlite::backup::Backup::new(&self.connection, &mut copy).map_err(fail)?;
            backup.run_to_completion(1024, Duration::ZERO, None).map_err(fail)?;
        }
        // One file, nothing beside it.
        copy.execute_batch("PRAGMA journal_mode = DELETE; PRAGMA synchronous = FULL;")
            .map_err(fail)?;
        copy.close().map_err(|(_, error)| fail(error))
    }
}
