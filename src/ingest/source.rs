//! A data file, or a part of one, read at any place from several threads.

use super::error::{IngestError, Place};
use super::limits::Limits;
use crate::digest::{Hasher, Sha256};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Bytes under a name: a file, a part of a file, or a piece of memory. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Source {
    name: PathBuf,
    store: Store,
    start: u64,
    length: u64,
    /// The file it was unpacked from.
    packed: Option<Arc<Self>>,
}

#[derive(Clone, Debug)]
enum Store {
    File(Arc<File>),
    Memory(Arc<[u8]>),
}

/// Most bytes that are taken from standard input.
const MOST_PIPED: u64 = 1 << 36;

impl Source {
    /// Opens a file; `-` takes standard input, which is first copied to an unnamed temporary file.
    ///
    /// # Errors
    /// Where there is no such file, it is a directory, or it can't be read.
    pub fn open(path: &Path) -> Result<Self, IngestError> {
        let fail = |what, source| IngestError::Io { file: path.to_owned(), what, source };
        let file = if path == Path::new("-") {
            let mut spool = tempfile::tempfile().map_err(|e| fail("can't make a copy", e))?;
            let copied = io::copy(&mut io::stdin().lock().take(MOST_PIPED + 1), &mut spool)
                .map_err(|e| fail("can't copy standard input", e))?;
            if copied > MOST_PIPED {
                let error = io::Error::other("it does not end within 64 GiB");
                return Err(fail("can't copy standard input", error));
            }
            spool
        } else {
            // Opening a pipe would wait for whoever writes into it.
            let kind = std::fs::metadata(path).map_err(|e| fail("can't open", e))?.file_type();
            if !kind.is_file() && !kind.is_dir() {
                return Err(IngestError::Damaged {
                    file: path.to_owned(),
                    place: Place::File,
                    message: "is a pipe or a device, not a file".into(),
                    help: "give `-` to read standard input".into(),
                });
            }
            File::open(path).map_err(|e| fail("can't open", e))?
        };
        let meta = file.metadata().map_err(|e| fail("can't look at", e))?;
        if meta.is_dir() {
            return Err(IngestError::Damaged {
                file: path.to_owned(),
                place: Place::File,
                message: "is a directory, not a capture".into(),
                help: "name one data file in it".into(),
            });
        }
        let length = meta.len();
        let source = Self {
            name: path.to_owned(),
            store: Store::File(Arc::new(file)),
            start: 0,
            length,
            packed: None,
        };
        source.refuse_empty()
    }

    /// Bytes in memory, under a name for messages.
    ///
    /// # Errors
    /// Where there are none.
    pub fn memory(name: &Path, bytes: Vec<u8>) -> Result<Self, IngestError> {
        let length = bytes.len() as u64;
        let store = Store::Memory(bytes.into());
        Self { name: name.to_owned(), store, start: 0, length, packed: None }.refuse_empty()
    }

    /// A name without bytes: what is read is in memory already.
    #[must_use]
    pub fn none(name: &Path) -> Self {
        Self {
            name: name.to_owned(),
            store: Store::Memory(Vec::new().into()),
            start: 0,
            length: 0,
            packed: None,
        }
    }

    fn refuse_empty(self) -> Result<Self, IngestError> {
        if self.length > 0 {
            return Ok(self);
        }
        Err(IngestError::Damaged {
            file: self.name,
            place: Place::File,
            message: "is empty".into(),
            help: "copy the file from the instrument again".into(),
        })
    }

    /// The bytes `[start, start + length)` of this source, cut to it, as a source of their own.
    #[must_use]
    pub fn part(&self, start: u64, length: u64) -> Self {
        let start = start.min(self.length);
        Self {
            name: self.name.clone(),
            store: self.store.clone(),
            start: self.start + start,
            length: length.min(self.length - start),
            packed: None,
        }
    }

    /// What `fill` writes, kept in an unnamed temporary file under this source's name; up to 1 MiB
    /// stays in memory.
    ///
    /// # Errors
    /// Those of `fill`; where there is no room, or more than `limits` allow.
    pub fn derived(
        &self,
        limits: &Limits,
        fill: impl FnOnce(&mut dyn Write) -> Result<(), IngestError>,
    ) -> Result<Self, IngestError> {
        let mut spool = Spool { kept: Vec::new(), file: None, length: 0, most: limits.unpacked };
        fill(&mut spool)?;
        let length = spool.length;
        let store = match spool.file {
            Some(file) => Store::File(Arc::new(file)),
            None => Store::Memory(spool.kept.into()),
        };
        Ok(Self { name: self.name.clone(), store, start: 0, length, packed: None })
    }

    /// The same as what was unpacked from a file: its hash is that of the file.
    #[must_use]
    pub(super) fn packed_in(mut self, file: &Self) -> Self {
        self.packed = Some(Arc::new(file.clone()));
        self
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

    /// Whether both read the same bytes.
    #[must_use]
    pub fn is_same(&self, other: &Self) -> bool {
        let same = match (&self.store, &other.store) {
            (Store::File(a), Store::File(b)) => Arc::ptr_eq(a, b),
            (Store::Memory(a), Store::Memory(b)) => Arc::ptr_eq(a, b),
            _ => false,
        };
        same && self.start == other.start
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
        let wanted = length.min(left);
        let from = self.start + offset.min(self.length);
        match &self.store {
            Store::Memory(bytes) => {
                buffer.clear();
                let from = usize::try_from(from).unwrap_or(usize::MAX);
                let part = bytes.get(from..).and_then(|rest| rest.get(..wanted));
                buffer.extend_from_slice(part.unwrap_or_default());
                Ok(())
            }
            Store::File(file) => {
                buffer.resize(wanted, 0);
                self.fill(file, from, buffer)
            }
        }
    }

    fn fill(&self, file: &File, from: u64, mut rest: &mut [u8]) -> Result<(), IngestError> {
        let mut at = from;
        while !rest.is_empty() {
            let count = read_at(file, rest, at).map_err(|source| IngestError::Io {
                file: self.name.clone(),
                what: "can't read",
                source,
            })?;
            if count == 0 {
                // Shorter than it was when it was opened.
                return Err(IngestError::Damaged {
                    file: self.name.clone(),
                    place: Place::Byte(at),
                    message: "the file became shorter while it was read".into(),
                    help: "wait until the instrument has saved it, then try again".into(),
                });
            }
            at += count as u64;
            rest = std::mem::take(&mut rest).split_at_mut(count).1;
        }
        Ok(())
    }

    /// A cursor for libraries that read and seek.
    #[must_use]
    pub fn cursor(&self) -> Cursor {
        Cursor { source: self.clone(), at: 0, kept: Vec::new(), kept_at: 0 }
    }

    /// SHA-256 of all bytes; where they were unpacked, of those of the packed file.
    ///
    /// # Errors
    /// Where the operating system can't read.
    pub fn sha256(&self) -> Result<Sha256, IngestError> {
        if let Some(file) = &self.packed {
            return file.sha256();
        }
        let mut state = Hasher::default();
        let mut buffer = Vec::new();
        let mut offset = 0;
        while offset < self.length {
            self.read(offset, 1 << 18, &mut buffer)?;
            // Hashing can't fail.
            let _ = state.write_all(&buffer);
            offset += buffer.len() as u64;
        }
        Ok(state.finish())
    }
}

/// Reads and seeks in a [`Source`].
#[derive(Debug)]
pub struct Cursor {
    source: Source,
    at: u64,
    kept: Vec<u8>,
    kept_at: u64,
}

/// Bytes a cursor reads at once.
const AHEAD: usize = 1 << 13;

impl Read for Cursor {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let inside = self.kept_at..self.kept_at + self.kept.len() as u64;
        if !inside.contains(&self.at) {
            self.kept_at = self.at;
            self.source
                .read(self.at, AHEAD.max(out.len()), &mut self.kept)
                .map_err(io::Error::other)?;
        }
        let from = usize::try_from(self.at - self.kept_at).unwrap_or(usize::MAX);
        let there = self.kept.get(from..).unwrap_or_default();
        let count = there.len().min(out.len());
        for (slot, byte) in out.iter_mut().zip(there) {
            *slot = *byte;
        }
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for Cursor {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let (base, offset) = match to {
            SeekFrom::Start(at) => (at, 0),
            SeekFrom::Current(offset) => (self.at, offset),
            SeekFrom::End(offset) => (self.source.length(), offset),
        };
        self.at = base
            .checked_add_signed(offset)
            .ok_or_else(|| io::Error::other("seek before the start"))?;
        Ok(self.at)
    }
}

/// Memory first, then an unnamed temporary file; refuses to grow beyond `most`.
struct Spool {
    kept: Vec<u8>,
    file: Option<File>,
    length: u64,
    most: u64,
}

/// Bytes that a spool keeps in memory.
const KEPT: usize = 1 << 20;

impl Write for Spool {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.length + bytes.len() as u64 > self.most {
            return Err(io::Error::other(format!(
                "it unpacks to more than the allowed {} bytes",
                self.most
            )));
        }
        if self.file.is_none() && self.kept.len() + bytes.len() > KEPT {
            let mut file = tempfile::tempfile()?;
            file.write_all(&self.kept)?;
            self.kept = Vec::new();
            self.file = Some(file);
        }
        match &mut self.file {
            Some(file) => file.write_all(bytes)?,
            None => self.kept.extend_from_slice(bytes),
        }
        self.length += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_and_cursors_see_their_own_bytes() {
        let whole = Source::memory(Path::new("a"), (0..100).collect()).unwrap();
        let part = whole.part(10, 20);
        let mut cursor = part.cursor();
        cursor.seek(SeekFrom::End(-5)).unwrap();
        let mut read = Vec::new();
        cursor.read_to_end(&mut read).unwrap();
        assert_eq!(read, [25, 26, 27, 28, 29]);
        assert_eq!(part.part(15, 100).length(), 5);
        let mut buffer = Vec::new();
        part.read(18, 10, &mut buffer).unwrap();
        assert_eq!(buffer, [28, 29]);
    }

    #[test]
    fn derived_bytes_are_bounded() {
        let whole = Source::memory(Path::new("a"), vec![1]).unwrap();
        let limits = Limits { unpacked: 3 << 20, ..Limits::default() };
        let write = |count: usize| {
            whole.derived(&limits, |out| {
                for _ in 0..count {
                    out.write_all(&[7; 1 << 18]).map_err(|source| IngestError::Io {
                        file: "a".into(),
                        what: "can't unpack",
                        source,
                    })?;
                }
                Ok(())
            })
        };
        for count in [1, 4, 12] {
            let made = write(count).unwrap();
            assert_eq!(made.length(), (count as u64) << 18);
            let mut buffer = Vec::new();
            made.read(made.length() - 3, 10, &mut buffer).unwrap();
            assert_eq!(buffer, [7, 7, 7]);
        }
        assert!(write(13).is_err());
    }
}
