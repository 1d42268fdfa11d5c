//! Files written whole or not at all.

use crate::explain::{ErrorCode, Explain};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// How the names of files begin that are not finished.
pub const UNFINISHED: &str = ".crestbook-";

/// Whether a file was left unfinished by a run that was killed: it has such a name, and is older than
/// any run that still writes.
#[must_use]
pub fn left_over(path: &Path) -> bool {
    const OLD: std::time::Duration = std::time::Duration::from_secs(600);
    let ours = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(UNFINISHED));
    let age = || path.metadata().ok()?.modified().ok()?.elapsed().ok();
    ours && age().is_some_and(|age| age > OLD)
}

/// An output could not be written.
#[derive(Debug, thiserror::Error)]
#[error("{}: can't write", file.display())]
pub struct WriteError {
    /// The file.
    pub file: PathBuf,
    /// The reason given.
    #[source]
    pub source: io::Error,
}

impl Explain for WriteError {
    fn code(&self) -> ErrorCode {
        ErrorCode::Unwritable
    }

    fn file(&self) -> Option<&Path> {
        Some(&self.file)
    }

    fn help(&self) -> Option<String> {
        let help = "check the path, who may write there, and the space left; nothing was left half-written";
        Some(help.into())
    }
}

/// What the system said, without the name of the unfinished file, which says nothing to anyone.
#[must_use]
pub fn without_name(error: io::Error) -> io::Error {
    let text = error.to_string();
    match text.split_once(" at path ") {
        Some((said, _)) => io::Error::new(error.kind(), said.to_owned()),
        None => error,
    }
}

/// A file that appears under its name only when it is complete.
///
/// It is written under another name in the same folder, synced, and renamed; dropped before
/// [`Self::finish`] it leaves nothing behind.
#[derive(Debug)]
pub struct WholeFile {
    path: PathBuf,
    out: BufWriter<tempfile::NamedTempFile>,
}

impl WholeFile {
    /// Begins a file.
    ///
    /// # Errors
    /// Where the folder is not there or can't be written to.
    pub fn create(path: &Path) -> Result<Self, WriteError> {
        // As any newly made file; the umask takes away what it wants.
        Self::with_mode(path, 0o666)
    }

    /// The same that nobody but its owner can ever read.
    ///
    /// # Errors
    /// As [`create`](Self::create).
    pub fn private(path: &Path) -> Result<Self, WriteError> {
        Self::with_mode(path, 0o600)
    }

    #[cfg_attr(not(unix), expect(unused_variables, reason = "only Unix has such rights"))]
    fn with_mode(path: &Path, mode: u32) -> Result<Self, WriteError> {
        let fail = |source| WriteError { file: path.to_owned(), source };
        let folder = match path.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        // A link is written through, so that it still is one; what is no file is left alone.
        let target = if path.is_symlink() { std::fs::canonicalize(path).ok() } else { None };
        let path = target.as_deref().unwrap_or(path);
        let folder = match path.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => folder,
        };
        if path.is_dir() {
            return Err(fail(io::Error::other("is a directory")));
        }
        if path.exists() && !path.is_file() {
            return Err(fail(io::Error::other("is a pipe or a device, not a file")));
        }
        let mut builder = tempfile::Builder::new();
        builder.prefix(UNFINISHED);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(std::fs::Permissions::from_mode(mode));
        }
        let file = builder.tempfile_in(folder).map_err(|error| fail(without_name(error)))?;
        Ok(Self { path: path.to_owned(), out: BufWriter::with_capacity(1 << 16, file) })
    }

    /// The path it will have.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Turns an error of writing into one that names the file.
    pub fn fail(&self, source: io::Error) -> WriteError {
        WriteError { file: self.path.clone(), source }
    }

    /// Completes the file under its name.
    ///
    /// # Errors
    /// Where the last bytes can't be written, synced or renamed.
    pub fn finish(self) -> Result<(), WriteError> {
        finish_together([self])
    }
}

/// Completes several files: all of them, or none where one can't be written. Only then are they
/// renamed, one right after the other.
///
/// # Errors
/// Where the last bytes of one can't be written, synced or renamed.
pub fn finish_together(files: impl IntoIterator<Item = WholeFile>) -> Result<(), WriteError> {
    let written = |WholeFile { path, out }: WholeFile| {
        let file = out.into_inner().map_err(io::IntoInnerError::into_error);
        let synced = file.and_then(|file| file.as_file().sync_all().map(|()| file));
        match synced {
            Ok(file) => Ok((path, file)),
            Err(source) => Err(WriteError { file: path, source }),
        }
    };
    let written: Vec<_> = files.into_iter().map(written).collect::<Result<_, _>>()?;
    for (path, file) in written {
        file.persist(&path).map_err(|error| WriteError { file: path, source: error.error })?;
    }
    Ok(())
}

impl Write for WholeFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.out.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

impl io::Seek for WholeFile {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        self.out.seek(to)
    }
}

/// Writes a whole file at once.
///
/// # Errors
/// Where it can't be written.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    let mut file = WholeFile::create(path)?;
    file.write_all(bytes).map_err(|error| file.fail(error))?;
    file.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_left_of_an_unfinished_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        let mut file = WholeFile::create(&path).unwrap();
        file.write_all(b"half").unwrap();
        drop(file);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        write_whole(&path, b"whole").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"whole");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
