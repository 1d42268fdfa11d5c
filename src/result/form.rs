//! Forms of the documents that this program writes, and reading them again.

use crate::explain::{ErrorCode, Explain};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;

macro_rules! forms {
    ($($(#[$doc:meta])* $variant:ident $name:literal $version:literal $what:literal;)*) => {
        /// What a document is; written as `crestbook/measurement/1`.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        #[non_exhaustive]
        pub enum Form { $($(#[$doc])* $variant),* }

        impl Form {
            const ALL: &[Self] = &[$(Self::$variant),*];

            /// Name, version of this program, and words for people.
            fn row(self) -> (&'static str, u32, &'static str) {
                match self { $(Self::$variant => ($name, $version, $what)),* }
            }
        }
    };
}

forms! {
    /// One record, measured.
    Measurement "measurement" 1 "a measurement";
    /// The records of a file, measured.
    Measurements "measurements" 1 "the measurements of several records";
    /// One record against a setting.
    Check "check" 1 "a check";
    /// The records of a file against a setting.
    Checks "checks" 1 "the checks of several records";
    /// The delay between two channels.
    Delay "delay" 1 "a delay";
    /// The same of the records of a file.
    Delays "delays" 1 "the delays of several records";
    /// A whole verification.
    Job "job" 1 "the result of a job";
    /// Several verifications.
    Jobs "jobs" 1 "the results of several jobs";
    /// What each setting of a unit puts out.
    Card "card" 1 "a card";
    /// Several of them.
    Cards "cards" 1 "several cards";
    /// Two cards side by side.
    Comparison "comparison" 1 "a comparison of two cards";
    /// Settings that come near to another.
    Nearest "nearest" 1 "a list of nearest settings";
    /// What comes nearest to each setting of a unit.
    Translation "translation" 1 "a table of nearest settings";
    /// An act that an archive keeps.
    Entry "entry" 1 "an entry of an archive";
    /// Entries of an archive that were looked for.
    Entries "entries" 1 "a list of entries of an archive";
    /// What a check of an archive found.
    Verification "verification" 1 "a check of an archive";
    /// A proof that an entry is in an archive.
    Proof "proof" 1 "a proof about an archive";
    /// A measure over the years.
    Trend "trend" 1 "a trend";
    /// What is due.
    Due "due" 1 "a list of what is due";
    /// Why there is no other document.
    Error "error" 1 "an error";
}

impl std::fmt::Display for Form {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (name, version, _) = self.row();
        write!(f, "crestbook/{name}/{version}")
    }
}

impl Serialize for Form {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Form {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = Cow::<str>::deserialize(deserializer)?;
        Self::parse(&text).map_err(serde::de::Error::custom)
    }
}

/// Why a document can't be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FormError {
    /// It says of no form that it is of it.
    #[error("this is not a crestbook document")]
    Unknown,
    /// It is another kind of document.
    #[error("this is {found}, not {wanted}")]
    Other {
        /// What it is.
        found: &'static str,
        /// What was asked for.
        wanted: &'static str,
    },
    /// It was written in another form.
    #[error("this is {what} in form {found}; this program reads form {known}")]
    Version {
        /// What it is.
        what: &'static str,
        /// Its form.
        found: u32,
        /// The form of this program.
        known: u32,
    },
    /// It is something else, or damaged.
    #[error("this is not {wanted}, or it is damaged: {cause}")]
    Damaged {
        /// What was asked for.
        wanted: &'static str,
        /// Where it can't be read.
        cause: serde_json::Error,
    },
}

impl Explain for FormError {
    fn code(&self) -> ErrorCode {
        ErrorCode::WrongDocument
    }

    fn help(&self) -> Option<String> {
        let help = match self {
            Self::Unknown => {
                "give a file that crestbook wrote with --json, or the result.json of a job"
            }
            Self::Other { .. } => "give the file of the kind that is asked for",
            Self::Version { found, known, .. } if found > known => {
                "it was written by a newer crestbook: update this one"
            }
            Self::Version { .. } => "measure the captures again with this crestbook",
            Self::Damaged { .. } => "write it again from the captures",
        };
        Some(help.into())
    }
}

impl Form {
    fn parse(text: &str) -> Result<Self, FormError> {
        let mut parts = text.split('/');
        let (Some("crestbook"), Some(name), Some(version), None) =
            (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return Err(FormError::Unknown);
        };
        let found = Self::ALL.iter().find(|form| form.row().0 == name).ok_or(FormError::Unknown)?;
        let (_, known, what) = found.row();
        match version.parse() {
            Ok(version) if version == known => Ok(*found),
            Ok(version) => Err(FormError::Version { what, found: version, known }),
            Err(_) => Err(FormError::Unknown),
        }
    }

    /// Reads a document of this form.
    ///
    /// # Errors
    /// Where it is none, one of another kind or form, or damaged.
    pub fn read<T: DeserializeOwned>(self, bytes: &[u8]) -> Result<T, FormError> {
        #[derive(Deserialize)]
        struct Head<'a> {
            #[serde(borrow)]
            schema: Option<Cow<'a, str>>,
        }
        let wanted = self.row().2;
        let damaged = |cause| FormError::Damaged { wanted, cause };
        let head: Head<'_> = serde_json::from_slice(bytes).map_err(damaged)?;
        let found = Self::parse(&head.schema.ok_or(FormError::Unknown)?)?;
        if found != self {
            return Err(FormError::Other { found: found.row().2, wanted });
        }
        serde_json::from_slice(bytes).map_err(damaged)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_are_told_apart() {
        for form in Form::ALL {
            assert_eq!(Form::parse(&form.to_string()).unwrap(), *form);
        }
        let read = |text: &str| Form::Job.read::<serde_json::Value>(text.as_bytes());
        assert!(read(r#"{"schema": "crestbook/job/1"}"#).is_ok());
        for (text, wanted) in [
            (r#"{"schema": "crestbook/job/9"}"#, "in form 9"),
            (r#"{"schema": "crestbook/check/1"}"#, "this is a check, not the result of a job"),
            (r#"{"schema": "x"}"#, "not a crestbook document"),
            ("{}", "not a crestbook document"),
            ("{", "damaged"),
        ] {
            let error = read(text).unwrap_err();
            assert!(error.to_string().contains(wanted), "{error}");
            assert!(error.help().is_some_and(|help| !help.is_empty()));
        }
    }
}
