//! The beginning of a job: folder, prepared sheets, check list, and job.toml last.

use super::file::{JobFile, read};
use super::{CAPTURES, Job, JobError, pin};
use crate::files::{UNFINISHED, WriteError, write_whole};
use crate::report::job as report;
use crate::sheet::{self, BenchSheet, JobSheet, LoadKind, LoadSheet, Sheet, SubjectSheet};
use crate::verification::{
    Load, Person, Profile, ReportFacts, Step, UnitFacts, order_of_work, steps,
};
use std::path::{Path, PathBuf};

/// What a job begins with.
#[derive(Clone, Debug, Default)]
pub struct Beginning {
    /// Profile with the plan.
    pub profile: PathBuf,
    /// A capture sheet whose channels, load accuracy, clock, instruments and place every prepared
    /// sheet takes over.
    pub bench: Option<PathBuf>,
    /// `as found` or `as left`.
    pub state: String,
    /// Why the unit is verified.
    pub reason: Option<String>,
    /// Folder of the job before the service, as seen from the new one.
    pub as_found: Option<PathBuf>,
    /// The unit.
    pub unit: UnitFacts,
    /// Day or time of the job, for captures whose sheets do not say.
    pub taken_at: Option<String>,
    /// Where.
    pub place: Option<String>,
    /// People by role.
    pub people: Vec<Person>,
    /// What the report is to state.
    pub report: ReportFacts,
}

/// Writes the folder of a new job.
///
/// # Errors
/// Where there is a job already, profile or bench sheet are wrong, or something can't be written.
pub fn begin(folder: &Path, with: &Beginning) -> Result<Job, JobError> {
    let refuse = |message: String, help: &str| JobError::Folder {
        folder: folder.to_owned(),
        message,
        help: help.into(),
    };
    if folder.join("job.toml").exists() {
        return Err(refuse(
            "this folder already has a job".into(),
            "choose another folder; a job is never overwritten",
        ));
    }
    let text = read(&with.profile)?;
    let profile = Profile::read(&with.profile, &text)?;
    let steps = steps(&profile);
    if steps.is_empty() {
        return Err(refuse(
            format!("{} has nothing to verify", with.profile.display()),
            "add limits to its settings, or [[curve]], [[manual]] and the like; `crestbook job \
             example` prints a plan to start from",
        ));
    }
    files_of(&steps).map_err(|(message, help)| refuse(message, help))?;
    let bench = match &with.bench {
        None => Sheet::default(),
        Some(path) => {
            let mut bench = sheet::read(path, &read(path)?)?;
            // Named beside that sheet, it is to be found from the prepared ones.
            bench.layout = bench.layout.map(|layout| {
                let layout = path.parent().unwrap_or(Path::new("")).join(layout);
                layout.canonicalize().unwrap_or(layout)
            });
            bench
        }
    };
    let plan_sha256 = pin::sha256(&text);
    let unit = UnitFacts {
        model: with.unit.model.clone().or_else(|| profile.unit.model.clone()),
        serial: with.unit.serial.clone().or_else(|| profile.unit.serial.clone()),
        inventory: with.unit.inventory.clone(),
    };
    let of_bench = bench.bench.clone().unwrap_or_default();
    let file = JobFile {
        format: 1,
        profile: PathBuf::from("profile.toml"),
        plan_sha256: plan_sha256.clone(),
        state: with.state.clone(),
        reason: with.reason.clone(),
        as_found: with.as_found.clone(),
        unit: unit.clone(),
        bench: BenchSheet {
            place: with.place.clone().or(of_bench.place),
            taken_at: with.taken_at.clone().or(of_bench.taken_at),
            ..of_bench
        },
        person: with.people.clone(),
        report: with.report.clone(),
        ..JobFile::default()
    };
    let captures = folder.join(CAPTURES);
    let mut laid_out = Vec::new();
    for step in steps.iter().filter(|step| step.to_capture()) {
        let path = captures.join(format!("{}.capture.toml", step.id));
        let sheet = prepared(&bench, step, &unit, &profile);
        let body = toml::to_string(&sheet).map_err(|error| WriteError {
            file: path.clone(),
            source: std::io::Error::other(error),
        })?;
        let head = format!(
            "# {}: {}\n# Save the capture beside this sheet as {}.csv, .wav or another format that \
             is read.\n\n",
            step.kind.facts().title,
            step.what,
            step.id
        );
        laid_out.push((path, format!("{head}{body}")));
    }
    let list = report::checklist(&profile, &order_of_work(&steps), &unit_line(&unit));
    laid_out.push((folder.join("checklist.html"), list));
    laid_out.push((folder.join("profile.toml"), text.clone()));
    if let Some(other) = in_the_way(folder, &captures, &laid_out) {
        return Err(refuse(
            format!("{} is in the way", other.display()),
            "choose another folder; nothing is overwritten",
        ));
    }
    std::fs::create_dir_all(&captures)
        .map_err(|source| WriteError { file: captures.clone(), source })?;
    for (path, content) in &laid_out {
        write_whole(path, content.as_bytes())?;
    }
    pin::keep(folder, &text)?;
    let path = folder.join("job.toml");
    let body = toml::to_string(&file)
        .map_err(|error| WriteError { file: path.clone(), source: std::io::Error::other(error) })?;
    let head = "# One verification of one unit. Fill in what is missing; readings by hand are added \
                by\n# `crestbook job note`, or here as [[reading]] with step, value and unit.\n\n";
    write_whole(&path, format!("{head}{body}").as_bytes())?;
    Job::open(folder)
}

/// A file that a new job would write over or take for one of its captures. What a run that was killed
/// has laid out already is none: it is written again as it is.
fn in_the_way(folder: &Path, captures: &Path, laid_out: &[(PathBuf, String)]) -> Option<PathBuf> {
    let same = |path: &Path| {
        let wanted = laid_out.iter().find(|(known, _)| known == path);
        wanted.is_some_and(|(_, content)| {
            std::fs::read(path).is_ok_and(|found| found == content.as_bytes())
        })
    };
    let of_captures = std::fs::read_dir(captures).into_iter().flatten().flatten();
    let unfinished = |path: &Path| {
        path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(UNFINISHED))
    };
    let of_folder = laid_out.iter().map(|(path, _)| path.clone());
    of_captures
        .map(|entry| entry.path())
        .chain(of_folder.filter(|path| path.parent() == Some(folder) && path.exists()))
        .find(|path| !unfinished(path) && !same(path))
}

/// Every step becomes a file of its own.
fn files_of(steps: &[Step]) -> Result<(), (String, &'static str)> {
    for (k, step) in steps.iter().enumerate() {
        let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        if step.id.starts_with('.') || !step.id.chars().all(good) {
            let message = format!("the step `{}` can't be the name of a file", step.id);
            return Err((message, "name settings by letters, digits, - and _ only"));
        }
        if steps[..k].iter().any(|other| other.id.eq_ignore_ascii_case(&step.id)) {
            let message = format!("two steps would be named `{}`", step.id);
            return Err((message, "give the entries of the plan ids that do not run into another"));
        }
    }
    Ok(())
}

/// Unit in one line.
fn unit_line(unit: &UnitFacts) -> String {
    let parts = [("", &unit.model), ("serial ", &unit.serial), ("inventory ", &unit.inventory)];
    let known =
        parts.iter().filter_map(|(name, value)| Some(format!("{name}{}", (*value).as_ref()?)));
    known.collect::<Vec<_>>().join(", ")
}

/// The sheet of a step, from that of the bench.
fn prepared(bench: &Sheet, step: &Step, unit: &UnitFacts, profile: &Profile) -> Sheet {
    let load = match step.load {
        Some(Load::Ohm(ohm)) => LoadSheet {
            kind: Some(LoadKind::Resistor),
            nominal_ohm: Some(ohm),
            ..bench.load.clone().unwrap_or_default()
        },
        Some(Load::Open) => LoadSheet { kind: Some(LoadKind::Open), ..LoadSheet::default() },
        None => LoadSheet::default(),
    };
    Sheet {
        format: Some(1),
        data: None,
        data_current: None,
        load: Some(load),
        switch: bench.switch.clone().filter(|_| step.kind.facts().needs.switch),
        subject: Some(SubjectSheet {
            model: unit.model.clone(),
            serial: unit.serial.clone(),
            setting: step.setting.clone(),
        }),
        job: Some(JobSheet {
            step: Some(step.id.clone()),
            dial: step.dial,
            plan: step.fingerprint(profile).map(|hash| hash.to_string()),
            set_aside: None,
        }),
        // When a capture is taken is not known yet.
        bench: None,
        ..bench.clone()
    }
}
