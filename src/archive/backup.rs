//! Copies of an archive that is in use, and archives made of copies.

use super::store::{self, Access, Database, Dialect, Make, Place};
use super::{Act, Archive, ArchiveError, Captures, FileRole};
use crate::digest::Sha256;
use crate::files::WriteError;
use std::path::{Path, PathBuf};

/// What was copied back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Restored {
    /// Entries.
    pub entries: u64,
    /// Captures.
    pub captures: u64,
}

/// Copies an archive before its tables are changed, beside it.
pub(super) fn before_a_change(
    db: &mut dyn Database,
    file: &Path,
    form: i64,
) -> Result<(), ArchiveError> {
    let mut name = file.file_name().unwrap_or_default().to_owned();
    name.push(format!(".form-{form}"));
    let copy = file.with_file_name(name);
    copy_whole(db, &copy)
}

/// Copies a database to a file that is there whole or not at all.
fn copy_whole(db: &mut dyn Database, file: &Path) -> Result<(), ArchiveError> {
    let folder =
        file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let unwritable = |source| WriteError { file: file.to_owned(), source };
    let draft = tempfile::Builder::new()
        .prefix(crate::files::UNFINISHED)
        .tempfile_in(folder)
        .map_err(unwritable)?;
    match db.dialect() {
        Dialect::Sqlite => db.copy_to(draft.path())?,
        #[cfg(feature = "postgres")]
        Dialect::Postgres => {
            let place = Place::File(draft.path().to_owned());
            let mut copy = store::connect(&place, Make::IfMissing)?;
            copy_rows(db, &mut *copy)?;
        }
    }
    draft.as_file().sync_all().map_err(unwritable)?;
    draft.persist(file).map_err(|error| unwritable(error.error))?;
    Ok(())
}

/// Copies all rows into a database without tables.
fn copy_rows(from: &mut dyn Database, to: &mut dyn Database) -> Result<(), ArchiveError> {
    store::tables(to, store::FORM)?;
    from.begin(Access::Read)?;
    to.begin(Access::Write)?;
    let done = (|| {
        to.execute("DELETE FROM meta", &[])?;
        for (table, columns) in store::TABLES {
            let count = columns.split(", ").count();
            let names: Vec<String> = (1..=count).map(|k| format!("${k}")).collect();
            let insert = format!("INSERT INTO {table} ({columns}) VALUES ({})", names.join(", "));
            from.query(&format!("SELECT {columns} FROM {table}"), &[], &mut |row| {
                to.execute(&insert, row).map(|_| ())
            })?;
        }
        if to.dialect() == Dialect::Sqlite {
            to.execute("INSERT INTO words (words) VALUES ('rebuild')", &[])?;
        }
        Ok(())
    })();
    from.rollback();
    to.settle(done)
}

/// Name of the folder of captures in a copy.
const CAPTURES: &str = "captures";
/// Name of the database in a copy.
const DATABASE: &str = "archive.db";

impl Archive {
    /// Copies the archive into a folder: the database as it is at one moment, and its captures. Captures that a
    /// copy has already are checked, not written again.
    ///
    /// # Errors
    /// Where the folder can't be written, or a capture is missing or altered.
    pub fn back_up(
        &mut self,
        folder: &Path,
        mut step: impl FnMut() -> Result<(), ArchiveError>,
    ) -> Result<Restored, ArchiveError> {
        std::fs::create_dir_all(folder)
            .map_err(|source| WriteError { file: folder.to_owned(), source })?;
        // The database first: captures that are added meanwhile are in the next copy.
        let file = folder.join(DATABASE);
        copy_whole(&mut *self.db, &file)?;
        let mut copy = Self::open(&Place::File(file))?;
        let target = self.captures.is_some().then(|| Captures::new(folder.join(CAPTURES)));
        copy.copy_captures(self.captures.as_ref().zip(target.as_ref()), &mut step)
    }

    /// Copies the captures of this archive from one folder to another; what there is of it.
    fn copy_captures(
        &mut self,
        folders: Option<(&Captures, &Captures)>,
        step: &mut dyn FnMut() -> Result<(), ArchiveError>,
    ) -> Result<Restored, ArchiveError> {
        let mut done = Restored { entries: self.checkpoint()?.size, captures: 0 };
        let Some((from, to)) = folders else { return Ok(done) };
        for sha256 in self.kept_captures()? {
            step()?;
            copy_capture(from, to, &sha256)?;
            done.captures += 1;
        }
        Ok(done)
    }

    /// Makes an archive of such a copy where there is none.
    ///
    /// # Errors
    /// Where there is an archive already, the copy is none, or it can't be written.
    pub fn restore(
        folder: &Path,
        place: &Place,
        mut step: impl FnMut() -> Result<(), ArchiveError>,
    ) -> Result<Restored, ArchiveError> {
        let mut copy = Self::open(&Place::File(folder.join(DATABASE)))?;
        let mut server = match place {
            Place::File(_) => None,
            Place::Server(_) => Some(store::connect(place, Make::IfMissing)?),
        };
        let taken = match (place, &mut server) {
            (Place::File(file), _) => file.exists(),
            (_, Some(server)) => store::form(&mut **server)? != 0,
            _ => false,
        };
        if taken {
            return Err(ArchiveError::Unfit {
                name: place.to_string(),
                message: "there is an archive already".into(),
                help: "restore to another place; an archive is never overwritten".into(),
            });
        }
        // Captures first: an archive that is there is whole, and a restore that was broken off can be run again.
        let target = copy.meta("captures")?.and_then(|named| place.captures_named(&named));
        let (kept, target) = (Captures::new(folder.join(CAPTURES)), target.map(Captures::new));
        let done = copy.copy_captures(target.as_ref().map(|target| (&kept, target)), &mut step)?;
        match (place, server) {
            (Place::File(file), _) => copy_whole(&mut *copy.db, file)?,
            (_, Some(mut server)) => copy_rows(&mut *copy.db, &mut *server)?,
            _ => {}
        }
        Self::open(place)?;
        Ok(done)
    }
}

fn copy_capture(from: &Captures, to: &Captures, sha256: &Sha256) -> Result<(), ArchiveError> {
    if to.check(sha256).is_ok() {
        return Ok(());
    }
    let unfit = |what: String| ArchiveError::Altered {
        store: from.file(sha256).display().to_string(),
        message: what,
    };
    from.check(sha256).map_err(|fault| unfit(format!("the capture {fault}")))?;
    let mut content = tempfile::NamedTempFile::new()
        .map_err(|source| WriteError { file: std::env::temp_dir(), source })?;
    from.copy_to(sha256, content.as_file_mut())
        .map_err(|fault| unfit(format!("the capture {fault}")))?;
    to.keep(content.path(), sha256)
}

impl Archive {
    /// Lays out the files that a result rests on in an empty folder, as they were.
    ///
    /// # Errors
    /// Where a file is not kept, missing or altered, or the folder can't be written.
    pub fn lay_out(&mut self, number: u64, folder: &Path) -> Result<Vec<PathBuf>, ArchiveError> {
        let (entry, document) = self.result(number)?;
        let Act::Add(added) = entry.act else { return Ok(Vec::new()) };
        let mut written = Vec::new();
        let result = match added.form {
            crate::result::Form::Job => "results/result.json",
            _ => "result.json",
        };
        let mut put = |name: &str,
                       content: &mut dyn FnMut(
            &mut crate::files::WholeFile,
        ) -> Result<(), ArchiveError>| {
            // A name out of the log never leads out of the folder.
            let inside = Path::new(name)
                .components()
                .all(|part| matches!(part, std::path::Component::Normal(_)));
            if !inside {
                return Err(ArchiveError::no_entry(
                    format!("the file name `{name}` is not one of this folder"),
                    "run `crestbook archive verify`",
                ));
            }
            let path = folder.join(name);
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)
                    .map_err(|source| WriteError { file: parent.to_owned(), source })?;
            }
            let mut out = crate::files::WholeFile::create(&path)?;
            content(&mut out)?;
            out.finish()?;
            written.push(path);
            Ok::<(), ArchiveError>(())
        };
        put(result, &mut |out| write(out, &document))?;
        for file in &added.files {
            if file.role == FileRole::Capture {
                if !file.kept {
                    continue;
                }
                let captures = self.captures.as_ref();
                put(&file.name, &mut |out| {
                    let fault = captures.map_or(Err(super::CaptureFault::Missing), |folder| {
                        folder.copy_to(&file.sha256, out)
                    });
                    fault.map_err(|fault| ArchiveError::Altered {
                        store: file.name.clone(),
                        message: format!("the capture {fault}"),
                    })
                })?;
            } else {
                let content = self.document(&file.sha256)?;
                put(&file.name, &mut |out| write(out, &content))?;
            }
        }
        Ok(written)
    }
}

fn write(out: &mut crate::files::WholeFile, content: &[u8]) -> Result<(), ArchiveError> {
    use std::io::Write as _;
    out.write_all(content).map_err(|error| out.fail(error).into())
}
