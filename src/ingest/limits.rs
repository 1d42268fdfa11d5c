//! How much a reader may take in: a damaged or hostile file must not exhaust the machine.

use super::error::{IngestError, Place};
use std::path::Path;

/// Bounds on what a file may ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Longest header or metadata, bytes.
    pub header: usize,
    /// Longest line of text, bytes.
    pub line: usize,
    /// Most columns or channels.
    pub columns: usize,
    /// Most bytes unpacked from an archive, or written anew to be read.
    pub unpacked: u64,
    /// Most times that unpacked data may be larger than what they were packed to.
    pub ratio: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self { header: 1 << 20, line: 1 << 16, columns: 1024, unpacked: 1 << 36, ratio: 200 }
    }
}

impl Limits {
    /// Refuses more columns or channels than allowed.
    pub(super) fn check_columns(&self, file: &Path, count: usize) -> Result<(), IngestError> {
        if count <= self.columns {
            return Ok(());
        }
        Err(IngestError::Damaged {
            file: file.to_owned(),
            place: Place::File,
            message: format!("{count} channels, more than the {} that are read", self.columns),
            help: "export the voltage and the current alone, or raise --limit-columns".into(),
        })
    }

    /// Refuses a header longer than allowed.
    pub(super) fn check_header(&self, file: &Path, length: u64) -> Result<usize, IngestError> {
        match usize::try_from(length).ok().filter(|length| *length <= self.header) {
            Some(length) => Ok(length),
            None => Err(IngestError::Damaged {
                file: file.to_owned(),
                place: Place::File,
                message: format!(
                    "a header of {length} bytes, more than the {} that are read",
                    self.header
                ),
                help: "the file is damaged, or raise --limit-header".into(),
            }),
        }
    }

    /// Most bytes that may come out of so many packed ones.
    pub(super) fn most_unpacked(&self, packed: u64) -> u64 {
        // Idle channels pack well without being a threat.
        packed.saturating_mul(self.ratio).max(1 << 23).min(self.unpacked)
    }

    /// Refuses packed data that would grow beyond all measure.
    pub(super) fn check_unpacked(
        &self,
        file: &Path,
        name: &str,
        packed: u64,
        unpacked: u64,
    ) -> Result<(), IngestError> {
        if unpacked <= self.most_unpacked(packed) {
            return Ok(());
        }
        let (bound, key) = if unpacked > self.unpacked {
            (format!("more than {} bytes", self.unpacked), "--limit-unpacked")
        } else {
            (format!("more than {} times its size", self.ratio), "--limit-ratio")
        };
        Err(IngestError::Damaged {
            file: file.to_owned(),
            place: Place::File,
            message: format!("`{name}` would unpack {packed} bytes to {unpacked}, {bound}"),
            help: format!("save it without compression; raise {key} if it is really so large"),
        })
    }
}
