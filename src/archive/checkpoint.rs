//! The checkpoint: size and root of the log, signed; a text of a few lines that is kept elsewhere.
//!
//! The text is a checkpoint of the open specifications tlog-checkpoint and signed-note (C2SP): name of the
//! log, number of entries, root hash in base64, an empty line, and a line for each signature.

use super::key::{PrivateKey, PublicKey};
use crate::digest::Sha256;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

/// Size and root of a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checkpoint {
    /// Name of the log.
    pub origin: String,
    /// Number of entries.
    pub size: u64,
    /// Root of their Merkle tree.
    pub root: Sha256,
    /// Signatures: name of the key, its hint, and the 64 bytes.
    signatures: Vec<(String, [u8; 4], [u8; 64])>,
}

/// The first bytes of SHA-256 over name, line end, kind of signature (1: Ed25519), and key.
fn hint(name: &str, key: &PublicKey) -> [u8; 4] {
    let mut bytes = name.as_bytes().to_vec();
    bytes.extend_from_slice(b"\n\x01");
    bytes.extend_from_slice(key.bytes());
    let hash = Sha256::of(&bytes);
    let mut hint = [0; 4];
    hint.copy_from_slice(&hash.bytes()[..4]);
    hint
}

impl Checkpoint {
    /// One without a signature.
    #[must_use]
    pub fn new(origin: &str, size: u64, root: Sha256) -> Self {
        Self { origin: origin.to_owned(), size, root, signatures: Vec::new() }
    }

    /// What is signed.
    fn body(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.size, BASE64.encode(self.root.bytes()))
    }

    /// The same with a signature by this key, under the name of the log.
    #[must_use]
    pub fn signed(mut self, key: &PrivateKey) -> Self {
        let signature = key.sign(self.body().as_bytes());
        self.signatures.push((self.origin.clone(), hint(&self.origin, &key.public()), signature));
        self
    }

    /// Whether it is signed by anyone.
    #[must_use]
    pub fn is_signed(&self) -> bool {
        !self.signatures.is_empty()
    }

    /// Whether this key signed it.
    #[must_use]
    pub fn signed_by(&self, key: &PublicKey) -> bool {
        let body = self.body();
        self.signatures.iter().any(|(name, found, signature)| {
            *found == hint(name, key) && key.checks(body.as_bytes(), signature)
        })
    }

    /// Reads the text of a checkpoint; `None` where it is none.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let (body, signed) = text.split_once("\n\n")?;
        let mut lines = body.lines();
        let (origin, size, root) = (lines.next()?, lines.next()?, lines.next()?);
        let digits = size.bytes().all(|b| b.is_ascii_digit());
        if origin.is_empty() || !digits || (size.len() > 1 && size.starts_with('0')) {
            return None;
        }
        let root: [u8; 32] = BASE64.decode(root).ok()?.try_into().ok()?;
        let mut found = Self::new(origin, size.parse().ok()?, Sha256::from(root));
        // More lines would be signed with it, and none is known.
        if lines.next().is_some() {
            return None;
        }
        for line in signed.lines() {
            let (name, code) = line.strip_prefix("\u{2014} ")?.split_once(' ')?;
            let bytes = BASE64.decode(code).ok()?;
            // Keys of other kinds sign at other lengths; they are nobody's here.
            if let Ok(bytes) = <[u8; 68]>::try_from(bytes) {
                let (mut hint, mut signature) = ([0; 4], [0; 64]);
                hint.copy_from_slice(&bytes[..4]);
                signature.copy_from_slice(&bytes[4..]);
                found.signatures.push((name.to_owned(), hint, signature));
            }
        }
        Some(found)
    }
}

/// Its text.
impl std::fmt::Display for Checkpoint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "{}", self.body())?;
        for (name, hint, signature) in &self.signatures {
            let mut bytes = hint.to_vec();
            bytes.extend_from_slice(signature);
            writeln!(f, "\u{2014} {name} {}", BASE64.encode(bytes))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_checkpoint_reads_back_and_nobody_else_can_sign_it() {
        let key = PrivateKey::of_seed([1; 32]);
        let one = Checkpoint::new("crestbook/0123", 17, Sha256::of(b"x")).signed(&key);
        let text = one.to_string();
        let back = Checkpoint::parse(&text).unwrap();
        assert_eq!(back, one);
        assert!(back.signed_by(&key.public()));
        assert!(!back.signed_by(&PrivateKey::of_seed([2; 32]).public()));
        let forged = Checkpoint::parse(&text.replace("\n17\n", "\n18\n")).unwrap();
        assert!(!forged.signed_by(&key.public()));
        for wrong in ["", "a\n1\n", "a\n01\nx\n\n", "a\n1\nAAAA\n\n"] {
            assert_eq!(Checkpoint::parse(wrong), None, "{wrong}");
        }
    }

    /// The example key of the specification signed-note (C2SP): name, hint and key (from memory).
    #[test]
    fn hints_are_those_of_the_specification() {
        let coded = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW";
        let mut parts = coded.split('+');
        let (name, id, key) = (parts.next().unwrap(), parts.next().unwrap(), parts.next().unwrap());
        let key = BASE64.decode(key).unwrap();
        assert_eq!(key[0], 1);
        // A public key of our own form around the same 32 bytes.
        let mut file = b"Ed01234567".to_vec();
        file.extend_from_slice(&key[1..]);
        let key = PublicKey::parse(&BASE64.encode(file)).unwrap();
        let found: String = hint(name, &key).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(found, id);
    }
}
