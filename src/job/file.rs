//! job.toml.

use super::JobError;
use crate::sheet::{BenchSheet, InstrumentSheet};
use crate::verification::{Amendment, ManualReading, Person, ReportFacts, UnitFacts};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// job.toml.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JobFile {
    /// Version of the form; 1.
    pub format: u32,
    /// The plan, relative to the folder.
    pub profile: PathBuf,
    /// SHA-256 of the plan when the job began or a change of it was accepted.
    pub plan_sha256: String,
    /// `as found` or `as left`.
    pub state: String,
    /// Why the unit is verified.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Folder of the job before the service, relative to this one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_found: Option<PathBuf>,
    /// The unit.
    #[serde(default)]
    pub unit: UnitFacts,
    /// What the report states beside the results.
    #[serde(default)]
    pub report: ReportFacts,
    /// Where, when and by whom; stands in for what a sheet does not say.
    #[serde(default)]
    pub bench: BenchSheet,
    /// People by role.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub person: Vec<Person>,
    /// Instruments of readings by hand; those of captures stand in their sheets.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instrument: Vec<InstrumentSheet>,
    /// Readings by hand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reading: Vec<ManualReading>,
    /// What was changed after a report was issued.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub amendment: Vec<Amendment>,
    /// Changes of the plan that were accepted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub plan_change: Vec<PlanChange>,
}

/// `[[plan_change]]`: a change of the plan during the job, accepted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanChange {
    /// When, RFC 3339.
    pub at: String,
    /// Why.
    pub reason: String,
    /// Hash of the plan before.
    pub from_sha256: String,
    /// What changed.
    pub what: Vec<String>,
}

pub(super) fn read(path: &Path) -> Result<String, JobError> {
    std::fs::read_to_string(path).map_err(|source| JobError::Io {
        file: path.to_owned(),
        what: "can't read it",
        source,
    })
}
