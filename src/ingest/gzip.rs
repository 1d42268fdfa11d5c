//! Files packed with gzip (RFC 1952), such as `cut.csv.gz`: unpacked, then read as what they hold.

use super::error::damaged;
use super::{IngestError, Limits, Source};
use std::io::Read;

/// Whether the first bytes are those of a packed file.
pub(super) fn probe(head: &[u8]) -> bool {
    head.starts_with(&[0x1f, 0x8b, 8])
}

/// The content, within the limits on what may be unpacked.
///
/// # Errors
/// Where it is damaged, or grows beyond the limits.
pub(super) fn unpack(source: &Source, limits: &Limits) -> Result<Source, IngestError> {
    let fail = |error: std::io::Error| {
        damaged(source, format!("can't be unpacked: {error}"), "copy it from the instrument again")
    };
    let most = limits.most_unpacked(source.length());
    let inner = source.derived(limits, |out| {
        let mut unpacked =
            flate2::read::MultiGzDecoder::new(source.cursor()).take(most.saturating_add(1));
        let copied = std::io::copy(&mut unpacked, out).map_err(fail)?;
        if copied > most {
            limits.check_unpacked(source.name(), "the content", source.length(), copied)?;
        }
        Ok(())
    })?;
    Ok(inner.packed_in(source))
}
