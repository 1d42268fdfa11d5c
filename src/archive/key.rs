//! Keys that sign the archive: Ed25519 (RFC 8032), in the files of the open tool minisign, so that anybody
//! can check a signature without this program.

use super::error::ArchiveError;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use blake2::{Blake2b512, Digest as _};
use ed25519_dalek::{Signature, Signer as _, SigningKey, Verifier as _, VerifyingKey};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::path::Path;

/// The algorithm of keys, and of signatures over a whole file.
const PLAIN: &[u8; 2] = b"Ed";
/// The algorithm of signatures over a file's BLAKE2b-512.
const HASHED: &[u8; 2] = b"ED";

/// A key that checks signatures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PublicKey {
    key: VerifyingKey,
    number: [u8; 8],
}

/// A key that signs. It is never written into an archive.
pub struct PrivateKey {
    key: SigningKey,
    number: [u8; 8],
}

impl std::fmt::Debug for PrivateKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "PrivateKey({})", self.public())
    }
}

fn checksum(number: &[u8; 8], pair: &[u8; 64]) -> [u8; 32] {
    let mut hash = blake2::Blake2b::<blake2::digest::consts::U32>::new();
    hash.update(PLAIN);
    hash.update(number);
    hash.update(pair);
    hash.finalize().into()
}

/// The line of base64 after a comment.
fn decoded(text: &str) -> Option<Vec<u8>> {
    let line = text
        .lines()
        .map(str::trim)
        .find(|line| !line.is_empty() && !line.starts_with("untrusted comment:"))?;
    BASE64.decode(line).ok()
}

fn number_text(number: &[u8; 8]) -> String {
    format!("{:016X}", u64::from_le_bytes(*number))
}

impl PrivateKey {
    /// A new one from the system's random numbers.
    ///
    /// # Errors
    /// Where the system gives none.
    pub fn new() -> Result<Self, ArchiveError> {
        let mut bytes = [0; 32];
        getrandom::fill(&mut bytes).map_err(|error| ArchiveError::Random(error.to_string()))?;
        Ok(Self::of_seed(bytes))
    }

    /// That of a seed: the private key of RFC 8032.
    #[must_use]
    pub fn of_seed(seed: [u8; 32]) -> Self {
        let key = SigningKey::from_bytes(&seed);
        let hash = crate::digest::Sha256::of(key.verifying_key().as_bytes());
        let mut number = [0; 8];
        number.copy_from_slice(&hash.bytes()[..8]);
        Self { key, number }
    }

    /// Reads the file of a key that has no password.
    ///
    /// # Errors
    /// Where it is none.
    pub fn read(file: &Path) -> Result<Self, ArchiveError> {
        let text = std::fs::read_to_string(file)
            .map_err(|source| ArchiveError::io(file, "can't read the key", source))?;
        let wrong = |message: &str| ArchiveError::Key {
            file: file.to_owned(),
            message: message.to_owned(),
        };
        let bytes = decoded(&text).ok_or_else(|| wrong("this is no private key"))?;
        let bytes: [u8; 158] = bytes.try_into().map_err(|_| wrong("this is no private key"))?;
        if bytes[..2] != *PLAIN {
            return Err(wrong("this is no private key"));
        }
        if bytes[2..4] != [0, 0] {
            return Err(wrong("this key has a password; crestbook signs with keys without one"));
        }
        let (mut number, mut pair) = ([0; 8], [0; 64]);
        number.copy_from_slice(&bytes[54..62]);
        pair.copy_from_slice(&bytes[62..126]);
        if bytes[126..] != checksum(&number, &pair) {
            return Err(wrong("this key is damaged"));
        }
        let key =
            SigningKey::from_keypair_bytes(&pair).map_err(|_| wrong("this key is damaged"))?;
        Ok(Self { key, number })
    }

    /// The text of its file.
    #[must_use]
    pub fn file(&self) -> String {
        let pair = self.key.to_keypair_bytes();
        let mut bytes = Vec::with_capacity(158);
        bytes.extend_from_slice(PLAIN);
        bytes.extend_from_slice(&[0, 0]);
        bytes.extend_from_slice(b"B2");
        bytes.extend_from_slice(&[0; 48]);
        bytes.extend_from_slice(&self.number);
        bytes.extend_from_slice(&pair);
        bytes.extend_from_slice(&checksum(&self.number, &pair));
        format!(
            "untrusted comment: crestbook private key {}: keep it secret\n{}\n",
            number_text(&self.number),
            BASE64.encode(bytes)
        )
    }

    /// The key that checks its signatures.
    #[must_use]
    pub fn public(&self) -> PublicKey {
        PublicKey { key: self.key.verifying_key(), number: self.number }
    }

    /// Signs bytes as they are.
    #[must_use]
    pub fn sign(&self, bytes: &[u8]) -> [u8; 64] {
        self.key.sign(bytes).to_bytes()
    }

    /// The signature file of a file, as minisign checks it; `trusted` is signed with it, one line.
    #[must_use]
    pub fn sign_file(&self, content: &[u8], trusted: &str) -> String {
        let signature = self.sign(&Blake2b512::digest(content));
        let mut bytes = HASHED.to_vec();
        bytes.extend_from_slice(&self.number);
        bytes.extend_from_slice(&signature);
        let mut all = signature.to_vec();
        all.extend_from_slice(trusted.as_bytes());
        format!(
            "untrusted comment: signature by the crestbook key {}\n{}\ntrusted comment: {trusted}\n{}\n",
            number_text(&self.number),
            BASE64.encode(bytes),
            BASE64.encode(self.sign(&all))
        )
    }
}

impl PublicKey {
    /// Reads the text of a public key's file, or its base64 alone.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let bytes: [u8; 42] = decoded(text)?.try_into().ok()?;
        if bytes[..2] != *PLAIN {
            return None;
        }
        let (mut number, mut key) = ([0; 8], [0; 32]);
        number.copy_from_slice(&bytes[2..10]);
        key.copy_from_slice(&bytes[10..]);
        Some(Self { key: VerifyingKey::from_bytes(&key).ok()?, number })
    }

    /// Reads a public key's file.
    ///
    /// # Errors
    /// Where it is none.
    pub fn read(file: &Path) -> Result<Self, ArchiveError> {
        let text = std::fs::read_to_string(file)
            .map_err(|source| ArchiveError::io(file, "can't read the key", source))?;
        Self::parse(&text).ok_or_else(|| ArchiveError::Key {
            file: file.to_owned(),
            message: "this is no public key".into(),
        })
    }

    /// The text of its file.
    #[must_use]
    pub fn file(&self) -> String {
        format!("untrusted comment: crestbook public key {}\n{self}\n", number_text(&self.number))
    }

    /// Its 32 bytes, as in RFC 8032.
    #[must_use]
    pub fn bytes(&self) -> &[u8; 32] {
        self.key.as_bytes()
    }

    /// Whether a signature is one of these bytes.
    #[must_use]
    pub fn checks(&self, bytes: &[u8], signature: &[u8; 64]) -> bool {
        self.key.verify(bytes, &Signature::from_bytes(signature)).is_ok()
    }
}

/// Its base64, as it stands in its file.
impl std::fmt::Display for PublicKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mut bytes = PLAIN.to_vec();
        bytes.extend_from_slice(&self.number);
        bytes.extend_from_slice(self.bytes());
        f.write_str(&BASE64.encode(bytes))
    }
}

impl Serialize for PublicKey {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for PublicKey {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).ok_or_else(|| serde::de::Error::custom("this is no public key"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes<const N: usize>(hex: &str) -> [u8; N] {
        let digit = |k: usize| u8::from_str_radix(&hex[2 * k..2 * k + 2], 16).unwrap();
        std::array::from_fn(digit)
    }

    /// RFC 8032, section 7.1, test 2.
    #[test]
    fn signatures_are_those_of_the_standard() {
        let seed = bytes("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb");
        let key = PrivateKey::of_seed(seed);
        let public: [u8; 32] =
            bytes("3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c");
        assert_eq!(key.public().bytes(), &public);
        let wanted: [u8; 64] = bytes(
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da\
             085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
        );
        assert_eq!(key.sign(&[0x72]), wanted);
        assert!(key.public().checks(&[0x72], &wanted));
        assert!(!key.public().checks(&[0x73], &wanted));
    }

    #[test]
    fn keys_read_back_and_damage_is_found() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("key");
        let key = PrivateKey::of_seed([7; 32]);
        std::fs::write(&path, key.file()).unwrap();
        assert_eq!(PrivateKey::read(&path).unwrap().public(), key.public());
        assert_eq!(PublicKey::parse(&key.public().file()), Some(key.public()));
        assert_eq!(PublicKey::parse(&key.public().to_string()), Some(key.public()));
        std::fs::write(&path, key.file().replace("RWQAA", "RWQBA")).unwrap();
        assert!(PrivateKey::read(&path).is_err());
        std::fs::write(&path, key.public().file()).unwrap();
        assert!(PrivateKey::read(&path).is_err());
        assert_eq!(PublicKey::parse(&key.file()), None);
        assert_eq!(PublicKey::parse(""), None);
    }
}
