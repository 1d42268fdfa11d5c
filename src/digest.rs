//! SHA-256 of what is kept and compared.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::Digest as _;
use std::fmt;
use std::io::{self, Write};

/// A SHA-256 (FIPS 180-4); shown and written as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Sha256([u8; 32]);

impl Sha256 {
    /// Of some bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(sha2::Sha256::digest(bytes).into())
    }

    /// Its 32 bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// Of a value as JSON.
    ///
    /// # Errors
    /// Where it can't be written as JSON.
    pub fn of_json(value: &impl Serialize) -> Result<Self, serde_json::Error> {
        let mut hasher = Hasher::default();
        serde_json::to_writer(&mut hasher, value)?;
        Ok(hasher.finish())
    }

    /// Reads 64 hexadecimal digits.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let digits: Option<Vec<u8>> = text
            .chars()
            .map(|c| c.to_digit(16).and_then(|digit| u8::try_from(digit).ok()))
            .collect();
        let bytes: Vec<u8> =
            digits?.chunks(2).map(|pair| pair.iter().fold(0, |a, b| 16 * a + b)).collect();
        if text.len() == 64 { bytes.try_into().ok().map(Self) } else { None }
    }
}

impl From<[u8; 32]> for Sha256 {
    fn from(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }
}

impl fmt::Display for Sha256 {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Sha256 {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for Sha256 {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Sha256 {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<str>::deserialize(deserializer)?;
        Self::parse(&text)
            .ok_or_else(|| serde::de::Error::custom("a SHA-256 has 64 hexadecimal digits"))
    }
}

/// Hashes what is written to it.
#[derive(Clone, Debug, Default)]
pub struct Hasher(sha2::Sha256);

impl Hasher {
    /// The hash of all that was written.
    #[must_use]
    pub fn finish(self) -> Sha256 {
        Sha256(self.0.finalize().into())
    }
}

impl Write for Hasher {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hash_is_that_of_the_bytes() {
        // The example of FIPS 180: SHA-256 of "abc" (from memory).
        let wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let found = Sha256::of(b"abc");
        assert_eq!(found.to_string(), wanted);
        assert_eq!(Sha256::parse(wanted), Some(found));
        for wrong in ["", &wanted[1..], &wanted.replace('b', "g")] {
            assert_eq!(Sha256::parse(wrong), None);
        }
        let mut hasher = Hasher::default();
        hasher.write_all(b"ab").unwrap();
        hasher.write_all(b"c").unwrap();
        assert_eq!(hasher.finish(), found);
        assert_eq!(Sha256::of_json(&"x").unwrap(), Sha256::of(b"\"x\""));
    }
}
