//! Proofs that leave the archive: that an entry is in it, and that it only ever grew.

use super::checkpoint::Checkpoint;
use super::entry::Entry;
use super::key::PublicKey;
use super::store::{Access, Value};
use super::{Archive, ArchiveError, merkle};
use crate::digest::Sha256;
use crate::result::Form;
use serde::{Deserialize, Serialize};

/// A proof that an entry is in an archive, whole in itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// Form of this document.
    pub schema: Form,
    /// The entry, byte for byte.
    pub entry: String,
    /// Its place among the entries, from 0 as in RFC 6962.
    pub index: u64,
    /// Hashes from its leaf to the root (RFC 6962, 2.1.1).
    pub inclusion: Vec<Sha256>,
    /// The checkpoint that states the root.
    pub checkpoint: String,
    /// An older checkpoint, where one was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub older: Option<String>,
    /// Hashes that show that the archive of the older one only grew (RFC 6962, 2.1.2).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub consistency: Vec<Sha256>,
}

impl Archive {
    /// Proves that an entry is in the archive as its last checkpoint states it, and that the archive of an
    /// older checkpoint is the beginning of it.
    ///
    /// # Errors
    /// Where there is no such entry, or the archive does not fit its checkpoint or the older one.
    pub fn prove(
        &mut self,
        number: u64,
        older: Option<&Checkpoint>,
    ) -> Result<Proof, ArchiveError> {
        self.transaction(Access::Read, |archive| {
            archive.entry(number)?;
            let checkpoint = archive.checkpoint()?;
            let leaves = archive.leaves(checkpoint.size)?;
            if leaves.len() as u64 != checkpoint.size || merkle::root(&leaves) != checkpoint.root {
                return Err(archive.altered("its entries are not those that its checkpoint states"));
            }
            let body =
                archive.db.value("SELECT body FROM entry WHERE number = $1", &[number.into()])?;
            let entry =
                body.as_ref().and_then(Value::bytes).map(<[u8]>::to_vec).unwrap_or_default();
            let entry =
                String::from_utf8(entry).map_err(|_| archive.altered("an entry is damaged"))?;
            let index = number.saturating_sub(1);
            let place = |count: u64| usize::try_from(count).unwrap_or(usize::MAX);
            let mut proof = Proof {
                schema: Form::Proof,
                entry,
                index,
                inclusion: merkle::inclusion(&leaves, place(index)),
                checkpoint: checkpoint.to_string(),
                older: None,
                consistency: Vec::new(),
            };
            if let Some(older) = older {
                let first = leaves.get(..place(older.size));
                let same = first.is_some_and(|first| merkle::root(first) == older.root);
                if !same || older.origin != archive.origin {
                    return Err(
                        archive.altered("the older checkpoint is not one of this archive's past")
                    );
                }
                proof.consistency = merkle::consistency(&leaves, place(older.size));
                proof.older = Some(older.to_string());
            }
            Ok(proof)
        })
    }
}

impl Proof {
    /// Checks it without the archive; the entry it is about.
    ///
    /// # Errors
    /// What does not hold.
    pub fn check(&self, key: Option<&PublicKey>) -> Result<Entry, String> {
        let checkpoint =
            Checkpoint::parse(&self.checkpoint).ok_or("its checkpoint can't be read".to_owned())?;
        let leaf = merkle::leaf(self.entry.as_bytes());
        if !merkle::includes(leaf, self.index, checkpoint.size, &self.inclusion, checkpoint.root) {
            return Err("the entry is not one of the archive that the checkpoint states".into());
        }
        if let Some(key) = key
            && !checkpoint.signed_by(key)
        {
            return Err("its checkpoint is not signed by the key that was given".into());
        }
        if let Some(older) = &self.older {
            let older =
                Checkpoint::parse(older).ok_or("its older checkpoint can't be read".to_owned())?;
            let (old, new) = ((older.size, older.root), (checkpoint.size, checkpoint.root));
            if older.origin != checkpoint.origin || !merkle::begins(old, new, &self.consistency) {
                return Err("the archive is not the one of the older checkpoint, grown".into());
            }
            if let Some(key) = key
                && !older.signed_by(key)
            {
                return Err("its older checkpoint is not signed by the key that was given".into());
            }
        }
        serde_json::from_str(&self.entry)
            .map_err(|error| format!("its entry can't be read: {error}"))
    }
}
