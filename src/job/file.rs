//! job.toml and the plan it pins.

use super::{JobError, pin};
use crate::keyfile::{self, KeyfileError};
use crate::sheet::{BenchSheet, InstrumentSheet};
use crate::verification::{
    Amendment, ManualReading, Person, Profile, ReportFacts, Step, StepKind, UnitFacts, settle,
    steps,
};
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

/// A job that was opened.
#[derive(Clone, Debug)]
pub struct Job {
    /// Its folder.
    pub folder: PathBuf,
    /// job.toml.
    pub file: JobFile,
    /// The plan.
    pub profile: Profile,
    /// Its steps.
    pub steps: Vec<Step>,
}

impl Job {
    /// Opens the job of a folder.
    ///
    /// # Errors
    /// Where there is none, its files are wrong, or the plan is not the pinned one.
    pub fn open(folder: &Path) -> Result<Self, JobError> {
        let job = Self::open_unpinned(folder)?;
        pin::check(&job)?;
        Ok(job)
    }

    /// The same whether or not the plan is the pinned one.
    pub(super) fn open_unpinned(folder: &Path) -> Result<Self, JobError> {
        let path = folder.join("job.toml");
        if !path.is_file() {
            return Err(JobError::Folder {
                folder: folder.to_owned(),
                message: "there is no job.toml here".into(),
                help: "begin a job with `crestbook job init FOLDER --profile PROFILE`".into(),
            });
        }
        let text = read(&path)?;
        let file: JobFile = keyfile::parse(&path, &text)?;
        let fail = |key: &[&str], message: String| KeyfileError::at_key(&path, &text, key, message);
        if file.format != 1 {
            return Err(fail(&["format"], "this program reads jobs of format 1".into()).into());
        }
        if !matches!(file.state.as_str(), "as found" | "as left") {
            let message = "the state is \"as found\" or \"as left\"".into();
            return Err(fail(&["state"], message).into());
        }
        if let Some(taken) = &file.bench.taken_at
            && crate::units::day_of(taken).is_none()
        {
            let message = format!("`{taken}` is not a date; write 2026-03-02 or an RFC 3339 time");
            return Err(fail(&["bench", "taken_at"], message).into());
        }
        let report = &file.report;
        for (key, day) in [("received_on", &report.received_on), ("issued_on", &report.issued_on)] {
            if let Some(day) = day.as_ref().filter(|day| crate::units::day_of(day).is_none()) {
                let message = format!("`{day}` is not a date; write 2026-03-02");
                return Err(fail(&["report", key], message).into());
            }
        }
        let unread =
            |day: &Option<String>| day.clone().filter(|day| crate::units::day_of(day).is_none());
        let of_readings = file.reading.iter().enumerate().flat_map(|(k, reading)| {
            let days = [("taken_at", &reading.taken_at), ("meter_due", &reading.meter_due)];
            days.map(|(key, day)| ("reading", k, key, unread(day)))
        });
        let of_instruments = file.instrument.iter().enumerate().map(|(k, instrument)| {
            ("instrument", k, "calibration_due", unread(&instrument.calibration_due))
        });
        for (table, k, key, day) in of_readings.chain(of_instruments) {
            if let Some(day) = day {
                let message = format!("`{day}` is not a date; write 2026-03-02");
                return Err(fail(&[table, &k.to_string(), key], message).into());
            }
        }
        let profile_path = folder.join(&file.profile);
        let profile = Profile::read(&profile_path, &read(&profile_path)?)?;
        let steps = steps(&profile);
        for (k, reading) in file.reading.iter().enumerate() {
            let at = |key: &'static str| ["reading", &k.to_string(), key].map(str::to_owned);
            let wrong = |key: &'static str, message: String, help: String| {
                let at = at(key);
                let at: Vec<&str> = at.iter().map(String::as_str).collect();
                fail(&at, message).with_help(help)
            };
            if let Err((message, help)) = manual_step(&profile, &steps, &reading.step) {
                return Err(wrong("step", message, help).into());
            }
            let manual = profile.manual.iter().find(|manual| manual.id == reading.step);
            if let Some(Err(fault)) = manual.map(|manual| settle(reading, manual)) {
                return Err(wrong(fault.key, fault.message, fault.help).into());
            }
        }
        Ok(Self { folder: folder.to_owned(), file, profile, steps })
    }

    /// File of the plan.
    #[must_use]
    pub fn profile_path(&self) -> PathBuf {
        self.folder.join(&self.file.profile)
    }
}

/// Whether readings may be given for this step.
pub(super) fn manual_step(
    profile: &Profile,
    steps: &[Step],
    id: &str,
) -> Result<(), (String, String)> {
    if profile.manual.iter().any(|manual| manual.id == id) {
        return Ok(());
    }
    if let Some(step) = steps.iter().find(|step| step.id == id && step.kind != StepKind::Manual) {
        let help = format!("save a capture as captures/{}.csv or another format", step.id);
        return Err((format!("the step `{id}` takes a capture, not a reading"), help));
    }
    let ids: Vec<&str> = profile.manual.iter().map(|manual| manual.id.as_str()).collect();
    let near = keyfile::nearest(id, ids.iter().copied());
    let near = near.map_or(String::new(), |near| format!("did you mean `{near}`? "));
    Err((
        format!("the plan has no step `{id}` to be read by hand"),
        format!("{near}those read by hand: {}", ids.join(", ")),
    ))
}

pub(super) fn read(path: &Path) -> Result<String, JobError> {
    std::fs::read_to_string(path).map_err(|source| JobError::Io {
        file: path.to_owned(),
        what: "can't read it",
        source,
    })
}
