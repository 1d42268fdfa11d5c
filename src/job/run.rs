//! A run over all captures of a job: parallel, from memory where nothing changed.

use super::cache::Cache;
use super::measure::{Unusable, measure};
use super::scan::{Claim, Scan, Stray, StrayWhy, scan};
use super::{Job, JobError, RESULTS};
use crate::check::{Fault, Finding, Verdict, other_unit};
use crate::explain::Explain;
use crate::files::{WholeFile, WriteError, finish_together, left_over};
use crate::profile::Setting;
use crate::recording::Observer;
use crate::report::job as report;
use crate::result::Form;
use crate::units::day_of;
use crate::verification::{
    CaptureOutcome, Evidence, Found, JobFacts, JobResult, PlanFacts, SettingFacts, Step, changes,
    judge,
};
use rayon::iter::{IntoParallelIterator, ParallelIterator};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// How a run is made.
#[derive(Clone, Debug, Default)]
pub struct RunOptions {
    /// Job to compare with, in place of the one before the service that job.toml names.
    pub against: Option<PathBuf>,
    /// Captures measured at a time; all cores if left out.
    pub jobs: Option<usize>,
    /// Whether every data file is hashed anew, moved or not.
    pub rehash: bool,
    /// Whether links that lead out of the job's folder are followed.
    pub follow_links: bool,
}

/// What a run gave.
#[derive(Debug)]
pub struct Ran {
    /// The result.
    pub result: JobResult,
    /// Why what was measured could not be kept, where it could not.
    pub not_kept: Option<JobError>,
}

/// Measures and judges all captures of a job.
///
/// # Errors
/// Where the captures folder can't be read, or the observer ends the run.
pub fn run(job: &Job, how: RunOptions, observer: &dyn Observer) -> Result<Ran, JobError> {
    sweep(job);
    let Scan { claims, strays } = scan(job)?;
    let cache = Cache::open(&job.folder, !how.rehash);
    let counted: Vec<(Vec<&Step>, &Claim)> = job
        .steps
        .iter()
        .filter_map(|step| Some((step, claims.get(&step.id)?)))
        .flat_map(|(step, all)| all.iter().map(move |claim| (step, claim)))
        .filter(|(_, claim)| aside(claim).is_none() && claim.data.len() == 1)
        .map(|(step, claim)| (takers(job, step, &claims), claim))
        .collect();
    let (done, total) = (AtomicU64::new(0), counted.len() as u64);
    let one = |(steps, claim): (Vec<&Step>, &Claim)| {
        let outcomes = if observer.stop() {
            Err(Unusable::Interrupted)
        } else {
            measure(job, &steps, claim, &cache, how.follow_links, observer)
        };
        observer.progress(done.fetch_add(1, Ordering::Relaxed) + 1, total);
        let ids: Vec<String> = steps.iter().map(|step| step.id.clone()).collect();
        (claim.sheet_file.clone(), ids, outcomes)
    };
    let threads = how.jobs.unwrap_or(0);
    let outcomes: Vec<OfClaim> = match rayon::ThreadPoolBuilder::new().num_threads(threads).build()
    {
        Ok(pool) => pool.install(|| counted.into_par_iter().map(one).collect()),
        // No threads to be had: one after the other.
        Err(_) => counted.into_iter().map(one).collect(),
    };
    let (mut measured, mut sketches) = (BTreeMap::new(), BTreeMap::new());
    for (sheet, steps, outcomes) in outcomes {
        match outcomes {
            Ok(outcomes) => {
                for (step, mut outcome) in steps.into_iter().zip(outcomes) {
                    // Once in the report, not once more beside the numbers.
                    sketches.extend(outcome.sketch.take().map(|sketch| (step.clone(), sketch)));
                    measured.insert((sheet.clone(), step), Ok(Arc::new(outcome)));
                }
            }
            Err(Unusable::Interrupted) => {
                // What was measured is kept for the next run.
                let _ = cache.close(false);
                return Err(JobError::Interrupted);
            }
            Err(unusable) => {
                for step in steps {
                    measured.insert((sheet.clone(), step), Err(unusable.told()));
                }
            }
        }
    }
    let not_kept = cache.close(true).err();
    let found = found(job, &claims, &measured);
    let evidence = Evidence {
        profile: &job.profile,
        steps: &job.steps,
        found,
        sketches,
        readings: &job.file.reading,
        job: facts(job),
        plan: plan(job),
        findings: wide_findings(job, &strays),
        program: env!("CARGO_PKG_VERSION"),
        today: Some(jiff::tz::Offset::UTC.to_datetime(jiff::Timestamp::now()).date()),
    };
    let mut result = judge(evidence);
    let asked_for = how.against.is_some();
    let of_job = job.file.as_found.as_ref().map(|folder| (job.folder.join(folder), folder.clone()));
    let before = how.against.map(|folder| (folder.clone(), folder)).or(of_job);
    if let Some((place, folder)) = before {
        match earlier(&place) {
            Ok(before) => {
                let (a, b) = (&before.job.unit, &job.file.unit);
                let named = (&a.model, &a.serial);
                let findings = other_unit("earlier job", named, "job", (&b.model, &b.serial));
                result
                    .findings
                    .extend(findings.map(|finding| Finding { at_best: None, ..finding }));
                result.as_found = Some(changes(&folder.display().to_string(), &before, &result));
            }
            // One that was asked for by name must be there.
            Err(error) if asked_for => return Err(error),
            Err(error) => result.findings.push(Finding {
                code: Fault::AsFoundUnread.into(),
                message: error.with_help(),
                at_best: None,
            }),
        }
    }
    result.seal().map_err(|error| JobError::Report(error.to_string()))?;
    Ok(Ran { result, not_kept })
}

/// Takes away what a run that was killed has left half written.
fn sweep(job: &Job) {
    let folders = [job.folder.clone(), job.folder.join(RESULTS), job.folder.join(super::CAPTURES)];
    let entries = folders.iter().filter_map(|folder| std::fs::read_dir(folder).ok()).flatten();
    for path in entries.flatten().map(|entry| entry.path()).filter(|path| left_over(path)) {
        // Left over it does no harm.
        let _ = std::fs::remove_file(path);
    }
}

/// The result of another job folder, as its last run left it.
///
/// # Errors
/// Where there is none, or it is of another form.
pub fn earlier(folder: &Path) -> Result<JobResult, JobError> {
    let file = folder.join(RESULTS).join("result.json");
    match std::fs::read(&file) {
        Ok(bytes) => Form::Job.read(&bytes).map_err(|source| JobError::Document { file, source }),
        Err(source) => Err(JobError::NoResult { folder: folder.to_owned(), source }),
    }
}

/// Why a capture does not count.
fn aside(claim: &Claim) -> Option<String> {
    claim.sheet.as_ref().ok()?.job.as_ref()?.set_aside.clone()
}

/// Sheet, steps that take its capture, and what it gave for each.
type OfClaim = (PathBuf, Vec<String>, Result<Vec<CaptureOutcome>, Unusable>);

/// The step and those that take its capture because they have none of their own.
fn takers<'a>(
    job: &'a Job,
    step: &'a Step,
    claims: &BTreeMap<String, Vec<Claim>>,
) -> Vec<&'a Step> {
    let takes = |other: &&Step| {
        other.shares.as_deref() == Some(step.id.as_str()) && !claims.contains_key(&other.id)
    };
    std::iter::once(step).chain(job.steps.iter().filter(takes)).collect()
}

/// Outcomes by sheet and step.
type Measured = BTreeMap<(PathBuf, String), Result<Arc<CaptureOutcome>, String>>;

/// What was captured, by step.
fn found(
    job: &Job,
    claims: &BTreeMap<String, Vec<Claim>>,
    measured: &Measured,
) -> BTreeMap<String, Found> {
    let mut all = BTreeMap::new();
    for step in &job.steps {
        let id = &step.id;
        let host = step.shares.as_ref().filter(|_| !claims.contains_key(id));
        let Some(of_step) = claims.get(host.unwrap_or(id)) else { continue };
        let mut found = Found::default();
        for claim in of_step {
            if let Some(reason) = aside(claim) {
                found.set_aside.push((claim.name(), reason));
            }
        }
        let counted: Vec<&Claim> = of_step.iter().filter(|claim| aside(claim).is_none()).collect();
        match counted.as_slice() {
            [] => {}
            [claim] if claim.data.len() > 1 => {
                let names: Vec<String> = claim
                    .data
                    .iter()
                    .filter_map(|path| Some(path.file_name()?.to_string_lossy().into_owned()))
                    .collect();
                claimed_twice(
                    &mut found,
                    &names,
                    "name the one that counts with `data` in its sheet",
                );
            }
            [claim] => {
                match measured.get(&(claim.sheet_file.clone(), id.clone())) {
                    Some(Ok(outcome)) => found.outcome = Some(Arc::clone(outcome)),
                    Some(Err(reason)) => {
                        found.unreadable = Some(reason.clone());
                        found.findings.push(Finding {
                            code: Fault::Unreadable.into(),
                            message: reason.clone(),
                            at_best: Some(Verdict::NotMeasured),
                        });
                    }
                    None => {}
                }
                found.findings.extend(sheet_findings(job, step, claim));
            }
            several => {
                let names: Vec<String> = several.iter().map(|claim| claim.name()).collect();
                claimed_twice(
                    &mut found,
                    &names,
                    "give the one that does not count a `set_aside = \"reason\"` under [job] in its sheet",
                );
            }
        }
        all.insert(id.clone(), found);
    }
    all
}

fn claimed_twice(found: &mut Found, names: &[String], help: &str) {
    found.repeated = true;
    found.findings.push(Finding {
        code: Fault::ClaimedTwice.into(),
        message: format!("{} all claim this step: {help}", names.join(", ")),
        at_best: Some(Verdict::NotMeasured),
    });
}

/// What a sheet says against the job: another unit, an older plan, another dial.
fn sheet_findings(job: &Job, step: &Step, claim: &Claim) -> Vec<Finding> {
    let Ok(sheet) = &claim.sheet else { return Vec::new() };
    let mut found = Vec::new();
    let subject = sheet.subject.clone().unwrap_or_default();
    let unit = &job.file.unit;
    let got = (&subject.model, &subject.serial);
    found.extend(other_unit("job", (&unit.model, &unit.serial), "capture", got));
    if let (Some(setting), Some(got)) = (&step.setting, &subject.setting)
        && setting != got
    {
        found.push(Finding {
            code: Fault::OtherSetting.into(),
            message: format!("the step is of setting `{setting}`, the capture of `{got}`"),
            at_best: Some(Verdict::NotMeasured),
        });
    }
    let of_job = sheet.job.clone().unwrap_or_default();
    if let (Some(wanted), Some(got)) = (step.dial, of_job.dial)
        && wanted != got
    {
        found.push(Finding {
            code: Fault::OtherDial.into(),
            message: format!("the step is at {wanted} on the dial, the capture at {got}"),
            at_best: Some(Verdict::NotMeasured),
        });
    }
    let now = step.fingerprint(&job.profile).map(|hash| hash.to_string());
    if of_job.plan.is_some_and(|plan| Some(plan) != now) {
        found.push(Finding {
            code: Fault::OlderPlan.into(),
            message:
                "the plan now asks for another setting, dial or load at this step than when the \
                      sheet was prepared: capture again, or see that they are still right and take \
                      the `plan` line out of the sheet"
                    .into(),
            at_best: Some(Verdict::ConditionalPass),
        });
    }
    found
}

/// Names told of each kind of stray; the rest is counted.
const NAMED: usize = 3;

/// Files that fit no step, one finding for each kind of them.
fn stray_findings(strays: &[Stray]) -> Vec<Finding> {
    let kind = |why: &StrayWhy| match why {
        StrayWhy::Shared(_) => {
            "its step takes the capture of another one, so that this file does not count: give it a sheet \
             (job.step) to judge it, or remove it"
        }
        StrayWhy::NoSheet(_) => "no prepared sheet has this name: name the file as its step",
        StrayWhy::NoSuchStep(_) => "the plan has no such step: correct job.step in the sheet",
        StrayWhy::NoStepNamed => "the sheet names no step: add job.step",
        StrayWhy::NotRead => {
            "the content is of no format that is read: export it as text, WAV or .npy"
        }
    };
    // A capture of a step that is left out must not go unseen.
    let held =
        |why: &StrayWhy| matches!(why, StrayWhy::Shared(_)).then_some(Verdict::ConditionalPass);
    let mut of_kind: BTreeMap<(&str, Option<Verdict>), Vec<String>> = BTreeMap::new();
    for stray in strays {
        let told = match &stray.why {
            StrayWhy::Shared(host) => format!("{} (takes {host})", stray.file),
            StrayWhy::NoSheet(Some(near)) => format!("{} (the step `{near}`?)", stray.file),
            StrayWhy::NoSuchStep(step) => format!("{} (step `{step}`)", stray.file),
            _ => stray.file.clone(),
        };
        of_kind.entry((kind(&stray.why), held(&stray.why))).or_default().push(told);
    }
    let finding = |((why, at_best), files): ((&str, Option<Verdict>), Vec<String>)| {
        let more = match files.len().checked_sub(NAMED) {
            Some(more) if more > 0 => format!(" and {more} more"),
            _ => String::new(),
        };
        let named = files.iter().take(NAMED).cloned().collect::<Vec<_>>().join(", ");
        let message = format!("{named}{more}: {why}");
        Finding { code: Fault::Stray.into(), message, at_best }
    };
    of_kind.into_iter().map(finding).collect()
}

fn wide_findings(job: &Job, strays: &[Stray]) -> Vec<Finding> {
    let mut found = stray_findings(strays);
    found.extend(overdue(job));
    let (unit, plan) = (&job.file.unit, &job.profile.unit);
    let wanted = (&plan.model, &plan.serial);
    found.extend(other_unit("plan", wanted, "job", (&unit.model, &unit.serial)));
    found
}

/// Instruments of readings by hand whose calibration had run out at the last reading.
fn overdue(job: &Job) -> Option<Finding> {
    let all = &job.file.reading;
    // Of several readings of one step the last counts.
    let counts = |k: usize| all[k + 1..].iter().all(|later| later.step != all[k].step);
    let read = (0..all.len()).filter(|k| counts(*k));
    let last = read.filter_map(|k| day_of(all[k].taken_at.as_deref()?)).max()?;
    let old: Vec<&str> = job
        .file
        .instrument
        .iter()
        .filter(|one| one.calibration_due.as_deref().and_then(day_of).is_some_and(|due| due < last))
        .filter_map(|one| one.id.as_deref().or(one.role.as_deref()))
        .collect();
    (!old.is_empty()).then(|| Finding {
        code: Fault::CalibrationOverdue.into(),
        message: format!(
            "the calibration of {} had ended when readings were taken by hand on {last}: they can't be \
             relied on",
            old.join(", ")
        ),
        at_best: Some(Verdict::ConditionalPass),
    })
}

fn facts(job: &Job) -> JobFacts {
    JobFacts {
        unit: job.file.unit.clone(),
        state: job.file.state.clone(),
        reason: job.file.reason.clone(),
        report: job.file.report.clone(),
        amendments: job.file.amendment.clone(),
        people: job.file.person.clone(),
        bench: job.file.bench.clone(),
        instruments: job.file.instrument.clone(),
        ..JobFacts::default()
    }
}

fn setting_facts(setting: &Setting) -> SettingFacts {
    SettingFacts {
        id: setting.id.clone(),
        mode: setting.mode.clone(),
        dial: setting.dial,
        load_ohm: setting.load_ohm,
        bipolar: setting.bipolar,
        sequence: setting.sequence.clone(),
    }
}

fn plan(job: &Job) -> PlanFacts {
    let changes = job
        .file
        .plan_change
        .iter()
        .map(|change| format!("{}: {} ({})", change.at, change.reason, change.what.join("; ")));
    PlanFacts {
        file: job.file.profile.display().to_string(),
        sha256: job.file.plan_sha256.clone(),
        rule: String::new(),
        guarded: false,
        basis: job.profile.plan.basis.clone(),
        settings: job.profile.setting.iter().map(setting_facts).collect(),
        changes: changes.collect(),
    }
}

/// Writes the result of a run and its reports into the job's folder; gives the report's path.
///
/// # Errors
/// Where they can't be written.
pub fn write(job: &Job, result: &JobResult) -> Result<PathBuf, JobError> {
    let folder = job.folder.join(RESULTS);
    let fail = |source| WriteError { file: folder.clone(), source };
    std::fs::create_dir_all(&folder).map_err(fail)?;
    let other = |error| fail(std::io::Error::other(error));
    let look = report::Look::default();
    let mut files = Vec::new();
    for report in report::REPORTS {
        let Some(name) = report.kept_as else { continue };
        let mut file = WholeFile::create(&folder.join(name))?;
        (report.write)(result, &look, &mut file).map_err(other)?;
        files.push(file);
    }
    // All of one run, or none of it.
    finish_together(files)?;
    Ok(folder.join("report.html"))
}
