//! An entry of the log: one act, who did it and when. Its bytes are what is hashed and signed.

use super::key::PublicKey;
use super::store::Value;
use crate::digest::Sha256;
use crate::result::Form;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// One entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Form of this document.
    pub schema: Form,
    /// Its number, from 1.
    pub number: u64,
    /// When it was made, UTC.
    pub at: Timestamp,
    /// By how much the clock lay behind that of the entry before, s, where it did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_behind_s: Option<i64>,
    /// Who did it.
    pub by: String,
    /// Version of the program.
    pub program: String,
    /// What was done.
    #[serde(flatten)]
    pub act: Act,
}

/// What was done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Act {
    /// The archive was begun.
    Begin {
        /// Its name, which every checkpoint bears.
        origin: String,
        /// Where captures are kept.
        captures: String,
    },
    /// A result was added.
    Add(Box<Added>),
    /// A result was signed.
    Sign {
        /// Number of its entry.
        of: u64,
        /// What the signature means.
        meaning: Meaning,
        /// Remark.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
    },
    /// Captures of a result are to be kept whatever their age.
    Hold {
        /// Number of its entry.
        of: u64,
        /// Why.
        reason: String,
    },
    /// They need no longer be.
    Release {
        /// Number of its entry.
        of: u64,
        /// Why.
        reason: String,
    },
    /// Captures were removed; results never are.
    Remove {
        /// Captures of results before this day.
        before: String,
        /// Which.
        captures: Vec<Sha256>,
        /// Why.
        reason: String,
    },
    /// A key signs from now on.
    Key {
        /// The key that checks its signatures.
        key: PublicKey,
    },
}

impl Entry {
    /// An entry from the column of its bytes; `None` where they are none.
    pub(super) fn kept(body: Option<&Value>) -> Option<Self> {
        serde_json::from_slice(body?.bytes()?).ok()
    }
}

impl Act {
    /// The word used in files.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Begin { .. } => "begin",
            Self::Add(_) => "add",
            Self::Sign { .. } => "sign",
            Self::Hold { .. } => "hold",
            Self::Release { .. } => "release",
            Self::Remove { .. } => "remove",
            Self::Key { .. } => "key",
        }
    }

    /// The entry that it is about.
    #[must_use]
    pub fn of(&self) -> Option<u64> {
        match self {
            Self::Add(added) => added.replaces,
            Self::Sign { of, .. } | Self::Hold { of, .. } | Self::Release { of, .. } => Some(*of),
            Self::Begin { .. } | Self::Remove { .. } | Self::Key { .. } => None,
        }
    }
}

/// What was added.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Added {
    /// Form of the result.
    pub form: Form,
    /// SHA-256 of its document.
    pub sha256: Sha256,
    /// SHA-256 of all that it can be found by, and of its values for trends.
    pub facts: Sha256,
    /// What the adder vouches for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meaning: Option<Meaning>,
    /// Number of the entry that it corrects.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaces: Option<u64>,
    /// Why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Files it rests on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<KeptFile>,
}

/// A file that a result rests on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptFile {
    /// What it is.
    pub role: FileRole,
    /// Its path in the job's folder.
    pub name: String,
    /// SHA-256 of its content.
    pub sha256: Sha256,
    /// Its size, bytes.
    pub bytes: u64,
    /// Whether its content is in the archive, not its hash alone.
    pub kept: bool,
}

/// What a file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FileRole {
    /// job.toml.
    Job,
    /// The plan: the unit's profile.
    Plan,
    /// What the bench states: sheets and layouts.
    Sheet,
    /// Samples.
    Capture,
}

impl FileRole {
    /// The word used in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Job => "job",
            Self::Plan => "plan",
            Self::Sheet => "sheet",
            Self::Capture => "capture",
        }
    }
}

/// What a signature means (21 CFR 11.50, from memory: name, time and meaning stand with a signature).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Meaning {
    /// The signer did the work.
    Performed,
    /// The signer looked it through.
    Reviewed,
    /// The signer approves it.
    Approved,
}

impl Meaning {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Performed, Self::Reviewed, Self::Approved];

    /// The word used in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Performed => "performed",
            Self::Reviewed => "reviewed",
            Self::Approved => "approved",
        }
    }
}
