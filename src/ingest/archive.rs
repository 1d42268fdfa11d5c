//! ZIP archives: members by name, as sources of their own. Nothing is ever written under a name
//! that the archive gives.

use super::{IngestError, Limits, Source};
use std::io::Read;
use zip::{CompressionMethod, ZipArchive};

/// An opened archive.
pub(super) struct Archive {
    source: Source,
    zip: ZipArchive<super::source::Cursor>,
}

/// Members an archive may have.
const MEMBERS: usize = 1 << 16;

fn damaged(source: &Source, message: String) -> IngestError {
    super::error::damaged(source, message, "save the archive again")
}

impl Archive {
    /// Reads the list of members.
    ///
    /// # Errors
    /// Where it is no archive, or is damaged.
    pub(super) fn open(source: &Source) -> Result<Self, IngestError> {
        let zip = ZipArchive::new(source.cursor())
            .map_err(|error| damaged(source, format!("the archive is damaged: {error}")))?;
        if zip.len() > MEMBERS {
            return Err(damaged(source, format!("{} members are too many", zip.len())));
        }
        Ok(Self { source: source.clone(), zip })
    }

    /// Names of the members.
    pub(super) fn names(&self) -> Vec<String> {
        self.zip.file_names().filter_map(|name| Some(name.ok()?.into_owned())).collect()
    }

    /// The bytes of a member: in place where it is stored, unpacked within `limits` where it is
    /// packed.
    ///
    /// # Errors
    /// Where there is no such member, it is damaged, encrypted, or grows beyond the limits.
    pub(super) fn member(&mut self, name: &str, limits: &Limits) -> Result<Source, IngestError> {
        let source = self.source.clone();
        let fail = |what: String| damaged(&source, format!("`{name}`: {what}"));
        let mut member = self.zip.by_name(name).map_err(|error| fail(error.to_string()))?;
        if member.encrypted() {
            return Err(fail("is encrypted".into()));
        }
        let (packed, unpacked) = (member.compressed_size(), member.size());
        if member.compression() == CompressionMethod::Stored {
            let start = member.data_start().unwrap_or(u64::MAX);
            if start.checked_add(packed).is_none_or(|end| end > source.length()) {
                return Err(fail("reaches beyond the end of the archive".into()));
            }
            return Ok(source.part(start, packed));
        }
        limits.check_unpacked(source.name(), name, packed, unpacked)?;
        source.derived(limits, |out| {
            // One byte more than promised tells a wrong promise.
            let mut bounded = (&mut member).take(unpacked.saturating_add(1));
            let copied = std::io::copy(&mut bounded, out)
                .map_err(|error| fail(format!("can't be unpacked: {error}")))?;
            if copied == unpacked {
                Ok(())
            } else {
                Err(fail(format!("{unpacked} bytes announced, {copied} or more found")))
            }
        })
    }
}

/// Reads a whole small text, such as metadata.
///
/// # Errors
/// Where it is longer than a header may be, or can't be read.
pub(super) fn text(source: &Source, limits: &Limits) -> Result<String, IngestError> {
    let length = limits.check_header(source.name(), source.length())?;
    let mut bytes = Vec::new();
    source.read(0, length, &mut bytes)?;
    Ok(super::text::decode(&bytes))
}
