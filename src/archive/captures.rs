//! Captures as they came from the bench, each once, under the SHA-256 of its content, compressed with zstd.

use super::error::ArchiveError;
use super::packed;
use crate::digest::{Hasher, Sha256};
use crate::files::WholeFile;
use std::fs::File;
use std::io::{self, BufReader, Write};
use std::path::{Path, PathBuf};

/// The folder of captures.
#[derive(Clone, Debug)]
pub struct Captures {
    folder: PathBuf,
}

/// What is wrong with a kept capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CaptureFault {
    /// It is not there.
    Missing,
    /// It is there, with other content.
    Altered,
    /// There is a link or a folder in its place.
    NotAFile,
    /// It can't be read.
    Unreadable(String),
}

impl std::fmt::Display for CaptureFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Missing => f.write_str("is missing"),
            Self::Altered => f.write_str("was altered"),
            Self::NotAFile => f.write_str("was replaced by something that is not a file"),
            Self::Unreadable(why) => write!(f, "can't be read: {why}"),
        }
    }
}

impl Captures {
    pub(super) fn new(folder: PathBuf) -> Self {
        Self { folder }
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// File of a capture: in a folder named after the first two digits.
    #[must_use]
    pub fn file(&self, sha256: &Sha256) -> PathBuf {
        let name = sha256.to_string();
        self.folder.join(&name[..2]).join(format!("{name}.zst"))
    }

    /// Keeps a file that has this hash; nothing where it is kept already.
    ///
    /// # Errors
    /// Where it can't be read or written, or its content is another by now.
    pub(super) fn keep(&self, source: &Path, sha256: &Sha256) -> Result<(), ArchiveError> {
        let target = self.file(sha256);
        if self.check(sha256).is_ok() {
            return Ok(());
        }
        // What stands in its place is not what this program wrote; a link would be written through.
        if target.is_symlink() {
            std::fs::remove_file(&target).map_err(|error| {
                ArchiveError::io(&target, "can't remove the link in the place of a capture", error)
            })?;
        }
        let folder = target.parent().unwrap_or(&self.folder);
        std::fs::create_dir_all(folder).map_err(|error| {
            ArchiveError::io(folder, "can't make the folder of captures", error)
        })?;
        let read = |error| ArchiveError::io(source, "can't read the capture", error);
        let mut input = File::open(source).map_err(read)?;
        let mut out = WholeFile::create(&target)?;
        let packed = packed::pack(&mut input, &mut out).map_err(|error| out.fail(error))?;
        if packed != *sha256 {
            return Err(ArchiveError::Unfit {
                name: source.display().to_string(),
                message: "the capture changed while it was added".into(),
                help: "run `crestbook job` again, then add the job".into(),
            });
        }
        out.finish()?;
        // The name itself must be on the disk before an entry speaks of it.
        sync_folder(folder);
        Ok(())
    }

    /// Opens a kept capture; its size as it is packed.
    fn open(&self, sha256: &Sha256) -> Result<(File, u64), CaptureFault> {
        let path = self.file(sha256);
        let facts = match std::fs::symlink_metadata(&path) {
            Ok(facts) if facts.is_file() => facts,
            Ok(_) => return Err(CaptureFault::NotAFile),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Err(CaptureFault::Missing);
            }
            Err(error) => return Err(CaptureFault::Unreadable(error.to_string())),
        };
        let file =
            File::open(&path).map_err(|error| CaptureFault::Unreadable(error.to_string()))?;
        Ok((file, facts.len()))
    }

    /// Whether a capture is kept as it was.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn check(&self, sha256: &Sha256) -> Result<(), CaptureFault> {
        self.copy_to(sha256, &mut io::sink())
    }

    /// Writes the content of a kept capture.
    ///
    /// # Errors
    /// What is wrong with it; what was written by then is not to be trusted.
    pub fn copy_to(&self, sha256: &Sha256, out: &mut dyn Write) -> Result<(), CaptureFault> {
        let (file, bytes) = self.open(sha256)?;
        let found = packed::unpack(BufReader::new(file), bytes, out).map_err(|error| {
            match error.kind() {
                io::ErrorKind::StorageFull | io::ErrorKind::PermissionDenied => {
                    CaptureFault::Unreadable(error.to_string())
                }
                // What can't be unpacked is not what was packed.
                _ => CaptureFault::Altered,
            }
        })?;
        if found == Some(*sha256) { Ok(()) } else { Err(CaptureFault::Altered) }
    }

    /// Removes a capture.
    pub(super) fn remove(&self, sha256: &Sha256) -> Result<(), ArchiveError> {
        let path = self.file(sha256);
        match std::fs::remove_file(&path) {
            Ok(()) => Ok(()),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(ArchiveError::io(&path, "can't remove the capture", error)),
        }
    }
}

fn sync_folder(folder: &Path) {
    // Systems that can't open a folder have no need of it.
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

/// SHA-256 and size of a file.
///
/// # Errors
/// Where it can't be read.
pub(super) fn hash_file(path: &Path) -> Result<(Sha256, u64), ArchiveError> {
    let read = |error| ArchiveError::io(path, "can't read it", error);
    let mut hasher = Hasher::default();
    let mut file = File::open(path).map_err(read)?;
    let bytes = io::copy(&mut file, &mut hasher).map_err(read)?;
    Ok((hasher.finish(), bytes))
}
