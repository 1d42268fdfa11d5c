//! A data file, read at any place from several threads.

use super::error::IngestError;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

/// An open data file.
#[derive(Debug)]
pub struct Source {
    name: PathBuf,
    file: File,
    length: u64,
}

impl Source {
    /// Opens a file; `-` takes standard input, which is first copied to an unnamed temporary file.
    ///
    /// # Errors
    /// Where there is no such file, it is a directory, or it can't be read.
    pub fn open(path: &Path) -> Result<Self, IngestError> {
        let fail = |what, source| IngestError::Io { file: path.to_owned(), what, source };
        let file = if path == Path::new("-") {
            let mut spool = tempfile::tempfile().map_err(|e| fail("can't make a copy", e))?;
            io::copy(&mut io::stdin().lock(), &mut spool)
                .map_err(|e| fail("can't copy standard input", e))?;
            spool
        } else {
            File::open(path).map_err(|e| fail("can't open", e))?
        };
        let meta = file.metadata().map_err(|e| fail("can't look at", e))?;
        if meta.is_dir() {
            return Err(IngestError::Damaged {
                file: path.to_owned(),
                place: super::Place::File,
                message: "is a directory, not a capture".into(),
                help: "name one data file in it".into(),
            });
        }
        if meta.len() == 0 {
            return Err(IngestError::Damaged {
                file: path.to_owned(),
                place: super::Place::File,
                message: "is empty".into(),
                help: "copy the file from the instrument again".into(),
            });
        }
        Ok(Self { name: path.to_owned(), file, length: meta.len() })
    }

    /// The path it was opened by.
    #[must_use]
    pub fn name(&self) -> &Path {
        &self.name
    }

    /// Length in bytes when it was opened.
    #[must_use]
    pub fn length(&self) -> u64 {
        self.length
    }

    /// Fills `buffer` with up to `length` bytes from `offset`; fewer at the end of the file.
    ///
    /// # Errors
    /// Where the operating system can't read.
    pub fn read(
        &self,
        offset: u64,
        length: usize,
        buffer: &mut Vec<u8>,
    ) -> Result<(), IngestError> {
        let left = usize::try_from(self.length.saturating_sub(offset)).unwrap_or(usize::MAX);
        buffer.resize(length.min(left), 0);
        let mut done = 0;
        while done < buffer.len() {
            let count = read_at(&self.file, &mut buffer[done..], offset + done as u64).map_err(
                |source| IngestError::Io { file: self.name.clone(), what: "can't read", source },
            )?;
            if count == 0 {
                // Shorter than it was when it was opened.
                return Err(IngestError::Damaged {
                    file: self.name.clone(),
                    place: super::Place::Byte(offset + done as u64),
                    message: "the file became shorter while it was read".into(),
                    help: "wait until the instrument has saved it, then try again".into(),
                });
            }
            done += count;
        }
        Ok(())
    }

    /// SHA-256 of the whole file in lower-case hexadecimal.
    ///
    /// # Errors
    /// Where the operating system can't read.
    pub fn sha256(&self) -> Result<String, IngestError> {
        use sha2::Digest;
        use std::fmt::Write;
        let mut state = sha2::Sha256::new();
        let mut buffer = Vec::new();
        let mut offset = 0;
        while offset < self.length {
            self.read(offset, 1 << 18, &mut buffer)?;
            state.update(&buffer);
            offset += buffer.len() as u64;
        }
        Ok(state.finalize().iter().fold(String::new(), |mut text, byte| {
            let _ = write!(text, "{byte:02x}");
            text
        }))
    }
}

#[cfg(unix)]
fn read_at(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
    std::os::unix::fs::FileExt::read_at(file, buffer, offset)
}

#[cfg(windows)]
fn read_at(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
    std::os::windows::fs::FileExt::seek_read(file, buffer, offset)
}
