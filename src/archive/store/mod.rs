//! The database under an archive: SQLite in one file, or a server that speaks PostgreSQL's protocol. One set of
//! statements serves both.

#[cfg(feature = "postgres")]
mod postgres;
mod schema;
mod sqlite;

pub(super) use schema::{FORM, TABLES, advance, form, tables};

use super::error::ArchiveError;
use std::path::{Path, PathBuf};

/// Where an archive is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// A file of SQLite.
    File(PathBuf),
    /// A server, by `postgres://user@host/database`.
    Server(String),
}

impl Place {
    /// The place that a path or an address names.
    #[must_use]
    pub fn parse(text: &str) -> Self {
        let server = ["postgres://", "postgresql://"].iter().any(|start| text.starts_with(start));
        if server { Self::Server(text.to_owned()) } else { Self::File(text.into()) }
    }

    /// Where captures are kept unless it is stated: beside the file; beside a server there is no such place.
    #[must_use]
    pub fn captures(&self) -> Option<PathBuf> {
        match self {
            Self::File(file) => {
                let mut name = file.file_name().unwrap_or_default().to_owned();
                name.push(".captures");
                Some(file.with_file_name(name))
            }
            Self::Server(_) => None,
        }
    }

    /// The folder that an archive names; one without a path lies beside the file.
    pub(super) fn captures_named(&self, named: &str) -> Option<PathBuf> {
        let beside = match self {
            Self::File(file) => file.parent(),
            Self::Server(_) => None,
        };
        (!named.is_empty())
            .then(|| beside.map_or_else(|| named.into(), |folder| folder.join(named)))
    }
}

/// Its name without a password.
impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::File(file) => write!(f, "{}", file.display()),
            Self::Server(address) => match (address.split_once("://"), address.rsplit_once('@')) {
                (Some((scheme, rest)), Some((_, host))) => {
                    let user = rest.split(['@', ':']).next().unwrap_or_default();
                    write!(f, "{scheme}://{user}@{host}")
                }
                _ => f.write_str(address),
            },
        }
    }
}

/// A value of a column.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    Null,
    Int(i64),
    Real(f64),
    Text(String),
    Bytes(Vec<u8>),
}

impl Value {
    pub(super) fn int(&self) -> Option<i64> {
        if let Self::Int(value) = self { Some(*value) } else { None }
    }

    /// A number of an entry, or a count of them.
    pub(super) fn count(&self) -> Option<u64> {
        self.int().and_then(|value| u64::try_from(value).ok())
    }

    pub(super) fn real(&self) -> Option<f64> {
        match self {
            Self::Real(value) => Some(*value),
            // What SQLite keeps of 1.0 in a column of numbers.
            Self::Int(value) => Some(*value as f64),
            _ => None,
        }
    }

    pub(super) fn text(&self) -> Option<&str> {
        if let Self::Text(value) = self { Some(value) } else { None }
    }

    pub(super) fn bytes(&self) -> Option<&[u8]> {
        if let Self::Bytes(value) = self { Some(value) } else { None }
    }
}

impl From<i64> for Value {
    fn from(value: i64) -> Self {
        Self::Int(value)
    }
}

impl From<u64> for Value {
    fn from(value: u64) -> Self {
        i64::try_from(value).map_or(Self::Null, Self::Int)
    }
}

impl From<f64> for Value {
    fn from(value: f64) -> Self {
        Self::Real(value)
    }
}

impl From<&str> for Value {
    fn from(value: &str) -> Self {
        Self::Text(value.to_owned())
    }
}

impl From<&String> for Value {
    fn from(value: &String) -> Self {
        value.as_str().into()
    }
}

impl From<&[u8]> for Value {
    fn from(value: &[u8]) -> Self {
        Self::Bytes(value.to_vec())
    }
}

impl From<&crate::digest::Sha256> for Value {
    fn from(value: &crate::digest::Sha256) -> Self {
        Self::Bytes(value.bytes().to_vec())
    }
}

impl<T: Into<Self>> From<Option<T>> for Value {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Null, Into::into)
    }
}

/// Takes each row in turn; an error ends the query.
pub(super) type EachRow<'a> = &'a mut dyn FnMut(&[Value]) -> Result<(), ArchiveError>;

/// How a transaction is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Access {
    /// It sees one state of the archive, whatever others add.
    Read,
    /// Nobody else adds at the same time.
    Write,
}

/// Which SQL it speaks where the two differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Dialect {
    Sqlite,
    #[cfg(feature = "postgres")]
    Postgres,
}

/// A database. Statements name their parameters `$1`, `$2`, ... in the order of their first use.
pub(super) trait Database: Send {
    fn dialect(&self) -> Dialect;

    fn execute(&mut self, sql: &str, values: &[Value]) -> Result<u64, ArchiveError>;

    fn query(&mut self, sql: &str, values: &[Value], each: EachRow<'_>)
    -> Result<(), ArchiveError>;

    fn begin(&mut self, access: Access) -> Result<(), ArchiveError>;

    fn commit(&mut self) -> Result<(), ArchiveError>;

    fn rollback(&mut self);

    /// What stands in the database beside the tables of this program, or is another table than it makes; a view or a trigger
    /// could tell each reader something else.
    fn foreign(&mut self) -> Result<Vec<String>, ArchiveError>;

    /// Another connection to the same database; `None` where [`Self::integrity`] takes no time.
    fn beside(&self) -> Result<Option<Box<dyn Database>>, ArchiveError>;

    /// What the database says of its own state; empty where all is well.
    fn integrity(&mut self) -> Result<Vec<String>, ArchiveError>;

    /// A copy of a database that may be in use, as a file.
    fn copy_to(&mut self, file: &Path) -> Result<(), ArchiveError>;
}

impl dyn Database + '_ {
    /// Commits, or takes all of it back.
    pub(super) fn settle<T>(&mut self, done: Result<T, ArchiveError>) -> Result<T, ArchiveError> {
        let done = done.and_then(|done| self.commit().map(|()| done));
        if done.is_err() {
            self.rollback();
        }
        done
    }

    /// The rows of a query, all at once: for those that are few.
    pub(super) fn rows(
        &mut self,
        sql: &str,
        values: &[Value],
    ) -> Result<Vec<Vec<Value>>, ArchiveError> {
        let mut rows = Vec::new();
        self.query(sql, values, &mut |row| {
            rows.push(row.to_vec());
            Ok(())
        })?;
        Ok(rows)
    }

    /// The first value of the first row.
    pub(super) fn value(
        &mut self,
        sql: &str,
        values: &[Value],
    ) -> Result<Option<Value>, ArchiveError> {
        Ok(self.rows(sql, values)?.into_iter().next().and_then(|row| row.into_iter().next()))
    }
}

/// Whether a database may be made where there is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Make {
    IfMissing,
    Never,
}

/// Opens a database.
pub(super) fn connect(place: &Place, make: Make) -> Result<Box<dyn Database>, ArchiveError> {
    match place {
        Place::File(file) => Ok(Box::new(sqlite::Sqlite::open(file, make)?)),
        #[cfg(feature = "postgres")]
        Place::Server(address) => Ok(Box::new(postgres::Postgres::connect(place, address)?)),
        #[cfg(not(feature = "postgres"))]
        Place::Server(_) => Err(ArchiveError::Store {
            store: place.to_string(),
            message:
                "this build of the program has no client for it; build with --features postgres"
                    .into(),
        }),
    }
}
