//! A server that speaks PostgreSQL's protocol.

use super::{Access, Database, Dialect, EachRow, Place, Value};
use crate::archive::ArchiveError;
use ::postgres::fallible_iterator::FallibleIterator;
use ::postgres::types::{FromSql, IsNull, ToSql, Type, private::BytesMut, to_sql_checked};
use ::postgres::{Client, NoTls};
use std::collections::HashMap;
use std::path::Path;

pub(super) struct Postgres {
    store: String,
    client: Client,
    prepared: HashMap<String, ::postgres::Statement>,
}

type Cause = Box<dyn std::error::Error + Sync + Send>;

impl ToSql for Value {
    fn to_sql(&self, kind: &Type, out: &mut BytesMut) -> Result<IsNull, Cause> {
        match self {
            Self::Null => Ok(IsNull::Yes),
            Self::Int(value) => value.to_sql(kind, out),
            Self::Real(value) => value.to_sql(kind, out),
            Self::Text(value) => value.to_sql(kind, out),
            Self::Bytes(value) => value.to_sql(kind, out),
        }
    }

    fn accepts(kind: &Type) -> bool {
        [Type::INT8, Type::FLOAT8, Type::TEXT, Type::BYTEA].contains(kind)
    }

    to_sql_checked!();
}

impl<'a> FromSql<'a> for Value {
    fn from_sql(kind: &Type, raw: &'a [u8]) -> Result<Self, Cause> {
        Ok(match *kind {
            Type::INT8 => Self::Int(i64::from_sql(kind, raw)?),
            Type::FLOAT8 => Self::Real(f64::from_sql(kind, raw)?),
            Type::BYTEA => Self::Bytes(<&[u8]>::from_sql(kind, raw)?.to_vec()),
            _ => Self::Text(String::from_sql(kind, raw)?),
        })
    }

    fn from_sql_null(_: &Type) -> Result<Self, Cause> {
        Ok(Self::Null)
    }

    fn accepts(kind: &Type) -> bool {
        *kind == Type::INT8
            || *kind == Type::FLOAT8
            || *kind == Type::BYTEA
            || <String as FromSql>::accepts(kind)
    }
}

fn fault(store: &str, error: &::postgres::Error) -> ArchiveError {
    let message = error.as_db_error().map_or_else(
        || {
            let cause = std::error::Error::source(error);
            cause.map_or_else(|| error.to_string(), |cause| format!("{error}: {cause}"))
        },
        |told| told.message().to_owned(),
    );
    ArchiveError::Store { store: store.to_owned(), message }
}

impl Postgres {
    pub(super) fn connect(place: &Place, address: &str) -> Result<Self, ArchiveError> {
        let store = place.to_string();
        let mut client = Client::connect(address, NoTls).map_err(|error| fault(&store, &error))?;
        let settings = "SET client_min_messages = warning; SET synchronous_commit = on";
        client.batch_execute(settings).map_err(|error| fault(&store, &error))?;
        Ok(Self { store, client, prepared: HashMap::new() })
    }

    fn prepared(&mut self, sql: &str) -> Result<::postgres::Statement, ArchiveError> {
        if let Some(known) = self.prepared.get(sql) {
            return Ok(known.clone());
        }
        let made = self.client.prepare(sql).map_err(|error| fault(&self.store, &error))?;
        self.prepared.insert(sql.to_owned(), made.clone());
        Ok(made)
    }

    fn batch(&mut self, sql: &str) -> Result<(), ArchiveError> {
        self.client.batch_execute(sql).map_err(|error| fault(&self.store, &error))
    }
}

impl Database for Postgres {
    fn dialect(&self) -> Dialect {
        Dialect::Postgres
    }

    fn execute(&mut self, sql: &str, values: &[Value]) -> Result<u64, ArchiveError> {
        let statement = self.prepared(sql)?;
        let values: Vec<&(dyn ToSql + Sync)> = values.iter().map(|value| value as _).collect();
        self.client.execute(&statement, &values).map_err(|error| fault(&self.store, &error))
    }

    fn query(
        &mut self,
        sql: &str,
        values: &[Value],
        each: EachRow<'_>,
    ) -> Result<(), ArchiveError> {
        let statement = self.prepared(sql)?;
        let store = &self.store;
        let fail = |error| fault(store, &error);
        let mut rows = self.client.query_raw(&statement, values.iter()).map_err(fail)?;
        let mut found = Vec::new();
        while let Some(row) = rows.next().map_err(fail)? {
            found.clear();
            for k in 0..row.len() {
                found.push(row.try_get::<_, Value>(k).map_err(fail)?);
            }
            each(&found)?;
        }
        Ok(())
    }

    fn begin(&mut self, access: Access) -> Result<(), ArchiveError> {
        self.batch(match access {
            Access::Read => "BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY",
            // One after the other; numbers have no gaps. The number is this program's own.
            Access::Write => "BEGIN; SELECT pg_advisory_xact_lock(7165921093)",
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
        let names: Vec<String> =
            super::TABLES.iter().map(|(name, _)| format!("'{name}'")).collect();
        let sql = format!(
            "SELECT c.relname::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace \
             WHERE n.nspname = CURRENT_SCHEMA() AND c.relname IN ({}) AND (c.relkind NOT IN ('r', 'p') OR \
             c.relhastriggers OR c.relhasrules OR c.relrowsecurity)",
            names.join(", ")
        );
        let rows = (self as &mut dyn Database).rows(&sql, &[])?;
        Ok(rows.iter().filter_map(|row| row.first()?.text().map(str::to_owned)).collect())
    }

    fn beside(&self) -> Result<Option<Box<dyn Database>>, ArchiveError> {
        Ok(None)
    }

    fn integrity(&mut self) -> Result<Vec<String>, ArchiveError> {
        // The server checks its own pages; what they say is checked against the entries.
        Ok(Vec::new())
    }

    fn copy_to(&mut self, _: &Path) -> Result<(), ArchiveError> {
        Err(ArchiveError::Store {
            store: self.store.clone(),
            message: "a database on a server is copied by the server's own tools, such as pg_dump"
                .into(),
        })
    }
}
