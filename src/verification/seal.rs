//! The seal of a result: it tells whether the document was changed since it was made.

use super::JobResult;
use crate::digest::Sha256;

impl JobResult {
    /// Seals it: its seal is then the SHA-256 of all the rest.
    ///
    /// # Errors
    /// Where it can't be written as JSON.
    pub fn seal(&mut self) -> Result<(), serde_json::Error> {
        self.seal = None;
        self.seal = Some(Sha256::of_json(self)?);
        Ok(())
    }

    /// Whether it is as it was when it was sealed.
    ///
    /// # Errors
    /// Where it can't be written as JSON.
    pub fn is_unchanged(&mut self) -> Result<bool, serde_json::Error> {
        let before = self.seal;
        self.seal()?;
        Ok(std::mem::replace(&mut self.seal, before) == before)
    }
}
