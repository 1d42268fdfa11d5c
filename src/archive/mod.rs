//! The archive: every result over the years, as it was, in a log that nobody can quietly change.
//!
//! An archive is a list of entries. Each is one act (a result added, a signature, a hold, ...) as a small JSON
//! document; the Merkle tree of RFC 6962 over their bytes gives one hash, the root, that stands for all of them, and
//! a signed checkpoint states it. Entries name results and captures by their SHA-256. Nothing is updated or deleted: a
//! correction is a new entry that points at the old one. Tables to find results by are checked against the entries.

mod add;
mod backup;
mod captures;
mod checkpoint;
mod due;
mod entry;
mod error;
mod facts;
mod find;
mod key;
pub mod merkle;
mod packed;
mod parcel;
mod proof;
mod retention;
mod store;
pub mod trend;
mod verify;

pub use add::{AddOptions, Outcome, Stamp};
pub use backup::Restored;
pub use captures::{CaptureFault, Captures};
pub use checkpoint::Checkpoint;
pub use due::{Due, DueState, Known, inventory};
pub use entry::{Act, Added, Entry, FileRole, KeptFile, Meaning};
pub use error::ArchiveError;
pub use facts::{Extract, Facts, Point, Series};
pub use find::{Filter, Found};
pub use key::{PrivateKey, PublicKey};
pub use parcel::{Document, JobLayout, Parcel};
pub use proof::Proof;
pub use retention::Removal;
pub use store::Place;
pub use verify::{Fault, FaultKind, Verification, VerifyOptions};

use crate::digest::Sha256;
use jiff::Timestamp;
use std::path::PathBuf;
use store::{Access, Database, Make, Value};

/// The largest document that is unpacked, bytes: the result of a job of 20,000 captures has 700 MB.
const LARGEST: usize = 4 << 30;
/// Documents of so many bytes are unpacked at once.
const SMALL: usize = 1 << 20;

/// An open archive.
pub struct Archive {
    place: Place,
    db: Box<dyn Database>,
    origin: String,
    captures: Option<Captures>,
}

impl std::fmt::Debug for Archive {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Archive").field("place", &self.place).field("origin", &self.origin).finish()
    }
}

impl Archive {
    /// Opens an archive; one of an older form is copied, then brought to that of this program.
    ///
    /// # Errors
    /// Where there is none, it can't be reached, or a newer program wrote it.
    pub fn open(place: &Place) -> Result<Self, ArchiveError> {
        let mut db = store::connect(place, Make::Never)?;
        let form = store::form(&mut *db)?;
        if form == 0 {
            return Err(ArchiveError::None { store: place.to_string() });
        }
        Self::ready(place, db, form)
    }

    /// Opens an archive, or begins one where there is none; captures are kept in the folder that is named, or
    /// beside the file.
    ///
    /// # Errors
    /// As [`open`](Self::open), and where it can't be begun.
    pub fn open_or_begin(
        place: &Place,
        captures: Option<PathBuf>,
        stamp: &Stamp,
    ) -> Result<Self, ArchiveError> {
        let mut db = store::connect(place, Make::IfMissing)?;
        let form = store::form(&mut *db)?;
        if form != 0 {
            return Self::ready(place, db, form);
        }
        if let Place::File(_) = place
            && db.value("SELECT COUNT(*) FROM sqlite_master", &[])?.and_then(|count| count.int())
                != Some(0)
        {
            return Err(ArchiveError::Unfit {
                name: place.to_string(),
                message: "this is the database of another program".into(),
                help: "name a file of its own for the archive".into(),
            });
        }
        let mut archive = Self { place: place.clone(), db, origin: String::new(), captures: None };
        archive.begin(captures, stamp)?;
        archive.settle()?;
        Ok(archive)
    }

    fn ready(place: &Place, mut db: Box<dyn Database>, form: i64) -> Result<Self, ArchiveError> {
        let store = place.to_string();
        if form > store::FORM {
            return Err(ArchiveError::Newer { store, found: form, known: store::FORM });
        }
        if form < store::FORM {
            if let Place::File(file) = place {
                backup::before_a_change(&mut *db, file, form)?;
            }
            store::tables(&mut *db, store::FORM)?;
        }
        let foreign = db.foreign()?;
        if !foreign.is_empty() {
            let message = format!(
                "its tables are not those that this program makes: {}; what they show can't be trusted",
                foreign.join(", ")
            );
            return Err(ArchiveError::Altered { store, message });
        }
        let mut archive = Self { place: place.clone(), db, origin: String::new(), captures: None };
        archive.settle()?;
        Ok(archive)
    }

    /// Reads name and captures from the table that has them.
    fn settle(&mut self) -> Result<(), ArchiveError> {
        let Some(origin) = self.meta("origin")? else {
            return Err(self.altered("its name is missing"));
        };
        self.origin = origin;
        let captures = self.meta("captures")?.unwrap_or_default();
        self.captures = self.place.captures_named(&captures).map(Captures::new);
        Ok(())
    }

    fn meta(&mut self, key: &str) -> Result<Option<String>, ArchiveError> {
        let value = self.db.value("SELECT value FROM meta WHERE key = $1", &[key.into()])?;
        Ok(value.and_then(|value| value.text().map(str::to_owned)))
    }

    fn set_meta(&mut self, key: &str, value: &str) -> Result<(), ArchiveError> {
        let sql = "INSERT INTO meta (key, value) VALUES ($1, $2)";
        self.db.execute(sql, &[key.into(), value.into()]).map(|_| ())
    }

    fn altered(&self, message: impl Into<String>) -> ArchiveError {
        ArchiveError::Altered { store: self.place.to_string(), message: message.into() }
    }

    /// Does all of it, or nothing.
    fn transaction<T>(
        &mut self,
        access: Access,
        act: impl FnOnce(&mut Self) -> Result<T, ArchiveError>,
    ) -> Result<T, ArchiveError> {
        self.db.begin(access)?;
        let done = act(self);
        self.db.settle(done)
    }

    /// Where it is.
    #[must_use]
    pub fn place(&self) -> &Place {
        &self.place
    }

    /// Its name, which every checkpoint bears.
    #[must_use]
    pub fn origin(&self) -> &str {
        &self.origin
    }

    /// Where captures are kept; `None` where hashes alone are.
    #[must_use]
    pub fn captures(&self) -> Option<&Captures> {
        self.captures.as_ref()
    }

    /// The last checkpoint; none of an archive without entries.
    ///
    /// # Errors
    /// Where it can't be read, or is none.
    pub fn checkpoint(&mut self) -> Result<Checkpoint, ArchiveError> {
        let sql = "SELECT checkpoint FROM head ORDER BY nth DESC LIMIT 1";
        let text = self.db.value(sql, &[])?;
        let text = text.as_ref().and_then(Value::text).unwrap_or_default();
        Checkpoint::parse(text).ok_or_else(|| self.altered("its last checkpoint is damaged"))
    }

    /// An entry by its number.
    ///
    /// # Errors
    /// Where there is none, or it is damaged.
    pub fn entry(&mut self, number: u64) -> Result<Entry, ArchiveError> {
        let body = self.db.value("SELECT body FROM entry WHERE number = $1", &[number.into()])?;
        let Some(body) = body else {
            let last = self.db.value("SELECT COUNT(*) FROM entry", &[])?;
            let last = last.and_then(|last| last.int()).unwrap_or(0);
            return Err(ArchiveError::no_entry(
                format!("the archive has no entry {number}"),
                format!("its entries are 1 to {last}; `crestbook archive list` shows results"),
            ));
        };
        Entry::kept(Some(&body)).ok_or_else(|| self.altered(format!("entry {number} is damaged")))
    }

    /// The result that an entry added, byte for byte, and the entry.
    ///
    /// # Errors
    /// Where the entry added none, or it is damaged.
    pub fn result(&mut self, number: u64) -> Result<(Entry, Vec<u8>), ArchiveError> {
        let entry = self.entry(number)?;
        let Act::Add(added) = &entry.act else {
            return Err(ArchiveError::no_entry(
                format!("entry {number} holds no result: it is of the kind `{}`", entry.act.name()),
                "`crestbook archive list` shows results",
            ));
        };
        let sha256 = added.sha256;
        let document = self.document(&sha256)?;
        Ok((entry, document))
    }

    /// A document by its SHA-256.
    ///
    /// # Errors
    /// Where it is missing or altered.
    pub fn document(&mut self, sha256: &Sha256) -> Result<Vec<u8>, ArchiveError> {
        let Some(row) = self.document_row(sha256)? else {
            return Err(self.altered(format!("the document {sha256} is missing")));
        };
        unpacked(&row, sha256)
            .ok_or_else(|| self.altered(format!("the document {sha256} was altered")))
    }

    /// Size and packed bytes of a document.
    fn document_row(&mut self, sha256: &Sha256) -> Result<Option<Vec<Value>>, ArchiveError> {
        let sql = "SELECT size, body FROM document WHERE sha256 = $1";
        Ok(self.db.rows(sql, &[sha256.into()])?.into_iter().next())
    }

    /// The number of a result: as a number, or by the first digits of its SHA-256.
    ///
    /// # Errors
    /// Where there is none, or several.
    pub fn find(&mut self, named: &str) -> Result<u64, ArchiveError> {
        let digits = named.strip_prefix('#').unwrap_or(named);
        if let Ok(number) = digits.parse::<u64>()
            && digits.len() < 12
        {
            return self.entry(number).map(|_| number);
        }
        let help = "give the number of an entry, or six and more digits of a result's SHA-256";
        let hex =
            named.len() >= 6 && named.len() <= 64 && named.chars().all(|c| c.is_ascii_hexdigit());
        if !hex {
            return Err(ArchiveError::no_entry(format!("`{named}` names no entry"), help));
        }
        let bound = |fill: char| {
            let digits: String =
                named.to_lowercase().chars().chain(std::iter::repeat(fill)).take(64).collect();
            Sha256::parse(&digits)
        };
        let (Some(low), Some(high)) = (bound('0'), bound('f')) else {
            return Err(ArchiveError::no_entry(format!("`{named}` names no entry"), help));
        };
        let sql =
            "SELECT number FROM result WHERE sha256 >= $1 AND sha256 <= $2 ORDER BY number LIMIT 2";
        let rows = self.db.rows(sql, &[(&low).into(), (&high).into()])?;
        match rows.as_slice() {
            [row] => row
                .first()
                .and_then(Value::count)
                .ok_or_else(|| self.altered("a number in the table of results is damaged")),
            [] => Err(ArchiveError::no_entry(
                format!("no result has a SHA-256 that begins with {named}"),
                help,
            )),
            _ => Err(ArchiveError::no_entry(
                format!("several results have a SHA-256 that begins with {named}"),
                "give more digits",
            )),
        }
    }

    /// Entries about a result, the oldest first: signatures, holds, corrections.
    ///
    /// # Errors
    /// Where one is damaged.
    pub fn about(&mut self, number: u64) -> Result<Vec<Entry>, ArchiveError> {
        let mut about = self.acts(&["sign", "hold", "release"])?;
        about.retain(|entry| entry.act.of() == Some(number));
        let later = self.replaced_by(number)?;
        about.extend(later.map(|later| self.entry(later)).transpose()?);
        about.sort_by_key(|entry| entry.number);
        Ok(about)
    }

    /// Models of the units that have a serial number.
    ///
    /// # Errors
    /// Where the archive can't be read.
    pub fn models(&mut self, serial: &str) -> Result<Vec<String>, ArchiveError> {
        let sql = "SELECT DISTINCT model FROM result WHERE serial = $1 ORDER BY model";
        let rows = self.db.rows(sql, &[serial.into()])?;
        Ok(rows.iter().filter_map(|row| row.first()?.text().map(str::to_owned)).collect())
    }

    /// Takes each entry in turn, the oldest first.
    ///
    /// # Errors
    /// Where one is damaged, or `each` ends it.
    pub fn log(
        &mut self,
        mut each: impl FnMut(Entry) -> Result<(), ArchiveError>,
    ) -> Result<(), ArchiveError> {
        let store = self.place.to_string();
        self.db.query("SELECT number, body FROM entry ORDER BY number", &[], &mut |row| {
            each(Entry::kept(row.get(1)).ok_or_else(|| ArchiveError::Altered {
                store: store.clone(),
                message: format!(
                    "entry {} is damaged",
                    row.first().and_then(Value::int).unwrap_or(0)
                ),
            })?)
        })
    }
}

/// A document from its size and its packed bytes; `None` where it is not the one of this hash.
fn unpacked(row: &[Value], sha256: &Sha256) -> Option<Vec<u8>> {
    let size = usize::try_from(row.first()?.int()?).ok().filter(|size| *size <= LARGEST)?;
    let body = row.get(1)?.bytes()?;
    if size <= SMALL {
        let (document, found) = packed::unpack_small(body, size)?;
        return (document.len() == size && found == *sha256).then_some(document);
    }
    let mut document = Bounded { bytes: Vec::new(), most: size };
    let found = packed::unpack(body, body.len() as u64, &mut document).ok()??;
    (document.bytes.len() == size && found == *sha256).then_some(document.bytes)
}

/// Takes so many bytes and no more: what says that it is small does not unpack to something large.
struct Bounded {
    bytes: Vec<u8>,
    most: usize,
}

impl std::io::Write for Bounded {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if self.bytes.len() + bytes.len() > self.most {
            return Err(std::io::ErrorKind::FileTooLarge.into());
        }
        self.bytes.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// The time of now, to the second.
fn now() -> Timestamp {
    let now = Timestamp::now();
    Timestamp::from_second(now.as_second()).unwrap_or(now)
}
