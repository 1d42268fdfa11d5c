//! What a check of an archive found.

use crate::digest::Sha256;
use crate::result::Form;
use serde::Serialize;

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum FaultKind {
    /// The database itself is damaged.
    Database,
    /// A setting of the archive is not the one its log states.
    Setting,
    /// An entry is missing.
    EntryMissing,
    /// An entry was altered.
    EntryAltered,
    /// An entry stands in the place of another.
    EntryMoved,
    /// The time of an entry lies before that of the one before, and it does not say so.
    Time,
    /// A checkpoint is missing or damaged.
    Checkpoint,
    /// The entries are not those that a checkpoint states.
    Root,
    /// A signature is not that of a known key.
    Signature,
    /// A document is missing or was altered.
    Document,
    /// The row that a result is found by was altered.
    Row,
    /// Values for trends were altered.
    Values,
    /// There is a row of no result.
    Extra,
    /// A capture is missing or was altered.
    Capture,
    /// The archive is not the one of the checkpoint that was kept elsewhere.
    Elsewhere,
    /// Computing a result anew gives another.
    Recomputed,
}

/// One thing that is not as it was written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// What is wrong.
    pub kind: FaultKind,
    /// Entry it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry: Option<u64>,
    /// In words.
    pub message: String,
}

/// What a check found.
#[derive(Clone, Debug, Serialize)]
pub struct Verification {
    /// Form of this document.
    pub schema: Form,
    /// Whether all is as it was written.
    pub intact: bool,
    /// Name of the archive.
    pub origin: String,
    /// Entries.
    pub entries: u64,
    /// Results among them.
    pub results: u64,
    /// Captures that were read and have their hash.
    pub captures: u64,
    /// Captures that were left out.
    #[serde(skip_serializing_if = "is_none_of_them")]
    pub not_read: u64,
    /// Where captures are.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub captures_in: Option<String>,
    /// Captures of which the hash alone is kept.
    pub hashes_only: u64,
    /// Captures that an entry removed.
    pub removed: u64,
    /// Root of the tree of all entries.
    pub root: Sha256,
    /// Up to which entry a known key signed.
    pub signed_up_to: u64,
    /// Up to which entry a checkpoint kept elsewhere vouches.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept_elsewhere_up_to: Option<u64>,
    /// Results whose captures were measured anew, where that was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recomputed: Option<u64>,
    /// What is not as it was written.
    pub faults: Vec<Fault>,
}

fn is_none_of_them(count: &u64) -> bool {
    *count == 0
}

impl Verification {
    /// Adds what a further check found.
    pub fn add(&mut self, fault: Fault) {
        self.faults.push(fault);
        self.intact = false;
    }

    pub(super) fn fault(
        &mut self,
        kind: FaultKind,
        entry: impl Into<Option<u64>>,
        message: impl Into<String>,
    ) {
        self.add(Fault { kind, entry: entry.into(), message: message.into() });
    }
}
