//! A job that is opened: job.toml and its plan, checked.

use super::file::{JobFile, read};
use super::{JobError, pin};
use crate::keyfile::{self, KeyfileError};
use crate::verification::{Profile, Step, StepKind, settle, steps};
use std::path::{Path, PathBuf};

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
        pin::check(&job.folder, &job.file)?;
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
        let two_letters =
            |text: &String| text.len() == 2 && text.bytes().all(|b| b.is_ascii_uppercase());
        if let Some(country) = report.country.as_ref().filter(|text| !two_letters(text)) {
            let message =
                format!("`{country}` is not a country; write two letters of ISO 3166-1, as GB");
            return Err(fail(&["report", "country"], message).into());
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
