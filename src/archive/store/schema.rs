//! The tables of an archive, and how an older archive becomes one of today.
//!
//! `entry` is the record: each act as the bytes that were hashed. `document` holds what entries name by
//! SHA-256. All else is there to find things fast, and is checked against the entries.

use super::{Access, Database, Dialect, Value};
use crate::archive::ArchiveError;

/// Changes of the tables, one for each form; `{key}`, `{bytes}` and `{clustered}` are written as the database wants.
const FORMS: &[&[Step]] = &[
    &[
        Step::Both("CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL)"),
        Step::Both(
            "CREATE TABLE entry (number {key}, act TEXT NOT NULL, body {bytes} NOT NULL, leaf {bytes} NOT NULL)",
        ),
        Step::Both("CREATE INDEX entry_act ON entry (act, number)"),
        Step::Both(
            "CREATE TABLE head (nth {key}, size BIGINT NOT NULL, checkpoint TEXT NOT NULL, tree {bytes} NOT NULL)",
        ),
        Step::Both("CREATE INDEX head_size ON head (size, nth)"),
        Step::Both(
            "CREATE TABLE document (sha256 {bytes} PRIMARY KEY, size BIGINT NOT NULL, body {bytes} NOT NULL)",
        ),
        Step::Both(
            "CREATE TABLE result (number {key}, sha256 {bytes} NOT NULL, form TEXT NOT NULL, \
             model TEXT NOT NULL, serial TEXT NOT NULL, inventory TEXT NOT NULL, state TEXT NOT NULL, \
             day TEXT NOT NULL, verdict TEXT NOT NULL, report TEXT NOT NULL, place TEXT NOT NULL, \
             department TEXT NOT NULL, next_due TEXT NOT NULL, replaces BIGINT, text TEXT NOT NULL)",
        ),
        Step::Both("CREATE INDEX result_sha256 ON result (sha256)"),
        Step::Both("CREATE INDEX result_serial ON result (serial, day, number)"),
        Step::Both("CREATE INDEX result_model ON result (model, day, number)"),
        Step::Both("CREATE INDEX result_inventory ON result (inventory, day, number)"),
        Step::Both("CREATE INDEX result_day ON result (day, number)"),
        Step::Both("CREATE INDEX result_verdict ON result (verdict, day, number)"),
        Step::Both("CREATE INDEX result_replaces ON result (replaces)"),
        Step::Both(
            "CREATE TABLE person (number BIGINT NOT NULL, role TEXT NOT NULL, name TEXT NOT NULL, \
             PRIMARY KEY (number, role, name)) {clustered}",
        ),
        Step::Both("CREATE INDEX person_name ON person (name, role)"),
        Step::Both(
            "CREATE TABLE mode (number BIGINT NOT NULL, mode TEXT NOT NULL, \
             PRIMARY KEY (number, mode)) {clustered}",
        ),
        Step::Both("CREATE INDEX mode_mode ON mode (mode)"),
        Step::Both(
            "CREATE TABLE series (id {key}, model TEXT NOT NULL, serial TEXT NOT NULL, \
             setting TEXT NOT NULL, dial DOUBLE PRECISION, load TEXT NOT NULL, \
             measure TEXT NOT NULL, part TEXT NOT NULL, unit TEXT NOT NULL)",
        ),
        Step::Both("CREATE INDEX series_serial ON series (serial, setting, measure, part)"),
        Step::Both(
            "CREATE TABLE value (number BIGINT NOT NULL, nth BIGINT NOT NULL, series BIGINT NOT NULL, \
             day TEXT NOT NULL, state TEXT NOT NULL, value DOUBLE PRECISION NOT NULL, \
             expanded DOUBLE PRECISION, at_least BIGINT NOT NULL, lower DOUBLE PRECISION, \
             upper DOUBLE PRECISION, verdict TEXT NOT NULL, doubts TEXT NOT NULL, \
             PRIMARY KEY (number, nth)) {clustered}",
        ),
        Step::Both(
            "CREATE INDEX value_series ON value (series, day, number, nth, state, value, expanded, at_least, \
             lower, upper, verdict, doubts)",
        ),
    ],
    &[
        Step::Sqlite(
            "CREATE VIRTUAL TABLE words USING fts5(text, content='result', content_rowid='number')",
        ),
        Step::Sqlite("INSERT INTO words (words) VALUES ('rebuild')"),
        Step::Postgres(
            "CREATE INDEX result_text ON result USING gin (to_tsvector('simple', text))",
        ),
    ],
];

/// All tables but for the index of words, with their columns.
pub(in crate::archive) const TABLES: [(&str, &str); 9] = [
    ("meta", "key, value"),
    ("entry", "number, act, body, leaf"),
    ("head", "nth, size, checkpoint, tree"),
    ("document", "sha256, size, body"),
    (
        "result",
        "number, sha256, form, model, serial, inventory, state, day, verdict, report, place, department, next_due, \
         replaces, text",
    ),
    ("person", "number, role, name"),
    ("mode", "number, mode"),
    ("series", "id, model, serial, setting, dial, load, measure, part, unit"),
    (
        "value",
        "number, nth, series, day, state, value, expanded, at_least, lower, upper, verdict, doubts",
    ),
];

/// The newest form.
pub(in crate::archive) const FORM: i64 = FORMS.len() as i64;

enum Step {
    Both(&'static str),
    Sqlite(&'static str),
    #[cfg_attr(
        not(feature = "postgres"),
        expect(dead_code, reason = "only the other database reads it")
    )]
    Postgres(&'static str),
}

impl Step {
    fn sql(&self, dialect: Dialect) -> Option<String> {
        let sql = match (self, dialect) {
            (Self::Both(sql), _) | (Self::Sqlite(sql), Dialect::Sqlite) => sql,
            #[cfg(feature = "postgres")]
            (Self::Postgres(sql), Dialect::Postgres) => sql,
            _ => return None,
        };
        let (key, bytes, clustered) = match dialect {
            Dialect::Sqlite => ("INTEGER PRIMARY KEY", "BLOB", "WITHOUT ROWID"),
            #[cfg(feature = "postgres")]
            Dialect::Postgres => ("BIGINT PRIMARY KEY", "BYTEA", ""),
        };
        Some(sql.replace("{key}", key).replace("{bytes}", bytes).replace("{clustered}", clustered))
    }
}

/// The form of the tables that are there; 0 where there are none.
pub(in crate::archive) fn form(db: &mut dyn Database) -> Result<i64, ArchiveError> {
    let there = match db.dialect() {
        Dialect::Sqlite => "SELECT COUNT(*) FROM sqlite_master WHERE name = 'meta'",
        #[cfg(feature = "postgres")]
        Dialect::Postgres => {
            "SELECT COUNT(*) FROM pg_tables WHERE tablename = 'meta' AND schemaname = CURRENT_SCHEMA()"
        }
    };
    if db.value(there, &[])?.and_then(|count| count.int()) == Some(0) {
        return Ok(0);
    }
    let form = db.value("SELECT value FROM meta WHERE key = 'form'", &[])?;
    Ok(form.and_then(|form| form.text()?.parse().ok()).unwrap_or(0))
}

/// Brings the tables from a form to that of today (or to `to`, for tests), in one transaction.
pub(in crate::archive) fn tables(db: &mut dyn Database, to: i64) -> Result<(), ArchiveError> {
    db.begin(Access::Write)?;
    let done = advance(db, to);
    db.settle(done)
}

/// The same inside of a transaction.
pub(in crate::archive) fn advance(db: &mut dyn Database, to: i64) -> Result<(), ArchiveError> {
    // Another program may have done it while this one waited.
    let from = form(db)?;
    let dialect = db.dialect();
    let wanted = FORMS.iter().enumerate().filter(|(k, _)| (from..to).contains(&(*k as i64)));
    for sql in wanted.flat_map(|(_, steps)| *steps).filter_map(|step| step.sql(dialect)) {
        db.execute(&sql, &[])?;
    }
    if from < to {
        db.execute("DELETE FROM meta WHERE key = 'form'", &[])?;
        let form = Value::from(to.to_string().as_str());
        db.execute("INSERT INTO meta (key, value) VALUES ('form', $1)", &[form])?;
    }
    Ok(())
}
