//! One capture of a job: measured for its step, or taken from what is known already.

use super::Job;
use super::cache::Cache;
use super::scan::{Claim, SheetFault};
use crate::analysis::{self, AnalysisError, Detail, Run, Settings};
use crate::check::{Fault, Finding, Verdict, check, findings, looks_like};
use crate::digest::Sha256;
use crate::explain::Explain;
use crate::ingest::layout::Layout;
use crate::measures::Measure;
use crate::profile::{Decision, KindThresholds, Setting, Unit};
use crate::recording::{
    Capture, Observer, ReadSettings, Recording, RecordingError, open_reader, resolve,
};
use crate::segment::Thresholds;
use crate::sheet::{BenchSheet, Sheet};
use crate::uncertainty::Extras;
use crate::units::SampleRate;
use crate::verification::{
    Asked as AskedOf, CaptureOutcome, Correlated, Drift, Load, Step, StepKind, Stretch,
    SwitchTimes, fit, times,
};
use std::path::PathBuf;

/// Why a capture can't be used.
#[derive(Debug, thiserror::Error)]
pub(super) enum Unusable {
    /// The user broke off.
    #[error("interrupted")]
    Interrupted,
    /// Its sheet can't be read.
    #[error("{}", .0.message)]
    Sheet(SheetFault),
    /// It can't be read or measured.
    #[error(transparent)]
    Analysis(AnalysisError),
    /// The plan has lost its setting.
    #[error("the plan has no such setting")]
    NoSetting,
    /// A link out of the folder.
    #[error("{} leads out of the job's folder", .0.display())]
    LeadsOut(PathBuf),
    /// It changed under way: what was read is a mixture.
    #[error("{} changed while it was read", .0.display())]
    Changed(PathBuf),
    /// Several records.
    #[error("the file has {0} records, but a step takes one")]
    Records(usize),
    /// What was asked can't be written down.
    #[error(transparent)]
    Unwritten(#[from] serde_json::Error),
}

impl Unusable {
    /// What, and what to do, for the report.
    pub(super) fn told(&self) -> String {
        let (message, help) = match self {
            Self::Analysis(error) => (error.message(), error.help()),
            Self::Sheet(fault) => (fault.message.clone(), fault.help.clone()),
            Self::LeadsOut(_) => {
                let help = "copy the file into it, or give --follow-links";
                (self.to_string(), Some(help.to_owned()))
            }
            Self::Changed(_) => {
                (self.to_string(), Some("run the job again when it is at rest".to_owned()))
            }
            Self::Records(_) => {
                let help = "save the one that counts in a file of its own";
                (self.to_string(), Some(help.to_owned()))
            }
            Self::Interrupted | Self::NoSetting | Self::Unwritten(_) => (self.to_string(), None),
        };
        help.map_or(message.clone(), |help| format!("{message}: {help}"))
    }
}

impl From<RecordingError> for Unusable {
    fn from(error: RecordingError) -> Self {
        AnalysisError::from(error).into()
    }
}

impl From<AnalysisError> for Unusable {
    fn from(error: AnalysisError) -> Self {
        match error {
            AnalysisError::Interrupted | AnalysisError::Recording(RecordingError::Interrupted) => {
                Self::Interrupted
            }
            other => Self::Analysis(other),
        }
    }
}

/// Measures a capture once for every step that takes it, or takes what is known of it.
pub(super) fn measure(
    job: &Job,
    steps: &[&Step],
    claim: &Claim,
    cache: &Cache,
    follow_links: bool,
    observer: &dyn Observer,
) -> Result<Vec<CaptureOutcome>, Unusable> {
    if let Err(fault) = &claim.sheet {
        return Err(Unusable::Sheet(fault.clone()));
    }
    let mut capture = match claim.data.first() {
        Some(data) => resolve(data, Some(&claim.sheet_file), &[])?,
        None => resolve(&claim.sheet_file, None, &[])?,
    };
    fill(&mut capture.sheet, &job.file.bench);
    let setting = steps.first().and_then(|step| step.setting.as_deref());
    let Some(setting) = setting.and_then(|id| job.profile.setting(id)) else {
        return Err(Unusable::NoSetting);
    };
    // The reader knows every file that holds a part of the capture.
    let files: Vec<PathBuf> = open_reader(&capture, &ReadSettings::default())
        .map_err(RecordingError::from)?
        .sources()
        .into_iter()
        .map(|source| source.name().to_owned())
        .collect();
    if !follow_links && let Some(out) = files.iter().find(|file| leads_out(&job.folder, file)) {
        return Err(Unusable::LeadsOut(relative(job, out).into()));
    }
    let hashes: Result<Vec<Sha256>, Unusable> = files
        .iter()
        .map(|file| cache.hash(file).map_err(|error| RecordingError::from(error).into()))
        .collect();
    let hashes = hashes?;
    let sheet_sha256 = Sha256::of_json(&capture.sheet)?;
    let expected = job.profile.expected();
    let loads = loads(job);
    // Everything that shapes the outcome beside the bytes.
    let key = |step: &Step| {
        let asked = Asked {
            sheet: &capture.sheet,
            layout: capture.layout.as_ref(),
            kind: step.kind,
            load: step.load,
            loads: &loads,
            settings: expected.settings,
            setting: &setting.id,
            kinds: expected.kinds,
            decision: expected.decision,
            unit: expected.unit,
        };
        Cache::key(&hashes, &asked)
    };
    let keys: Vec<Sha256> = steps.iter().map(|step| key(step)).collect::<Result<_, _>>()?;
    let known: Vec<Option<CaptureOutcome>> = keys.iter().map(|key| cache.get(key)).collect();
    if known.iter().all(Option::is_some) {
        let file = relative(job, &capture.data);
        let known = known.into_iter().flatten();
        return Ok(known.map(|one| CaptureOutcome { file: file.clone(), ..one }).collect());
    }
    let settings = Settings {
        thresholds: expected.thresholds(setting, Thresholds::default()),
        read: ReadSettings { threads: 1, ..ReadSettings::default() },
        expected_sequence: setting.sequence.clone(),
        extras: Extras { budget: true, monte_carlo: None },
        ..Settings::default()
    };
    let recording = Recording::read(capture.clone(), &settings.read, &Quiet(observer))?;
    let records = recording.records().len();
    if records > 1 {
        return Err(Unusable::Records(records));
    }
    let run = analysis::measure_record(&recording, 0, &settings, &Quiet(observer))?;
    let mut outcomes = Vec::new();
    for step in steps {
        let of = OfStep { job, step, setting, loads: &loads };
        let outcome = of.outcome(&capture, &settings, &run, observer)?;
        outcomes.push(CaptureOutcome { sha256: hashes.clone(), sheet_sha256, ..outcome });
    }
    // What changed under way gives a mixture of two captures.
    if let Some(file) = files.iter().find(|file| !cache.rests(file)) {
        return Err(Unusable::Changed(file.clone()));
    }
    for (key, outcome) in keys.iter().zip(&outcomes) {
        cache.put(key, outcome);
    }
    Ok(outcomes)
}

/// Every load of the plan, ohm.
fn loads(job: &Job) -> Vec<f64> {
    let ohm = |step: &Step| match step.load {
        Some(Load::Ohm(ohm)) => Some(ohm),
        _ => None,
    };
    let mut loads: Vec<f64> = job.steps.iter().filter_map(ohm).collect();
    loads.sort_by(f64::total_cmp);
    loads.dedup();
    loads
}

/// What a job asks of a capture.
#[derive(serde::Serialize)]
struct Asked<'a> {
    sheet: &'a Sheet,
    layout: Option<&'a Layout>,
    kind: StepKind,
    load: Option<Load>,
    loads: &'a [f64],
    settings: &'a [Setting],
    setting: &'a str,
    kinds: KindThresholds,
    decision: &'a Decision,
    unit: &'a Unit,
}

/// Whether a file is a link to somewhere outside of a folder.
fn leads_out(folder: &std::path::Path, file: &std::path::Path) -> bool {
    match (folder.canonicalize(), file.canonicalize()) {
        (Ok(folder), Ok(real)) => file.is_symlink() && !real.starts_with(folder),
        _ => false,
    }
}

fn relative(job: &Job, path: &std::path::Path) -> String {
    let inside = path.strip_prefix(&job.folder).map_or(path, |inside| inside);
    inside.display().to_string()
}

/// What the sheet does not say of place and time stands in the job.
fn fill(sheet: &mut Sheet, of_job: &BenchSheet) {
    let bench = sheet.bench.get_or_insert_default();
    macro_rules! fill {
        ($($key:ident),*) => {
            $(if bench.$key.is_none() {
                bench.$key.clone_from(&of_job.$key);
            })*
        };
    }
    fill!(operator, place, taken_at, temperature_c, humidity_percent);
}

/// A step that takes a capture.
struct OfStep<'a> {
    job: &'a Job,
    step: &'a Step,
    setting: &'a Setting,
    loads: &'a [f64],
}

impl OfStep<'_> {
    fn outcome(
        &self,
        capture: &Capture,
        settings: &Settings,
        run: &Run,
        observer: &dyn Observer,
    ) -> Result<CaptureOutcome, Unusable> {
        let Self { job, step, setting, loads } = *self;
        let measurement = &run.measurement;
        let (expected, needs) = (job.profile.expected(), step.kind.facts().needs);
        let (findings, limits) = if needs.limits {
            let result = check(measurement.clone(), expected, setting);
            (result.findings, result.limits)
        } else {
            let own = Setting {
                load_ohm: None,
                sequence: Vec::new(),
                limit: Vec::new(),
                ..setting.clone()
            };
            (findings(measurement, expected, &own), Vec::new())
        };
        let own = fit(&AskedOf { step, setting, expected, loads }, measurement, &capture.sheet);
        let findings = [findings, own].concat();
        let mixed = |finding: &Finding| {
            [Fault::SequenceMismatch, Fault::OutputSwapped, Fault::OtherOutput]
                .iter()
                .any(|fault| finding.code == (*fault).into())
        };
        let fails = limits.iter().any(|limit| limit.judged.verdict == Verdict::Fail);
        let looks_like = match fails || findings.iter().any(mixed) {
            true => {
                looks_like(measurement, expected, setting).into_iter().map(str::to_owned).collect()
            }
            false => Vec::new(),
        };
        let drift = if needs.drift { run.drift() } else { None };
        let drift =
            drift.map(|([relative, standard_uncertainty, degrees_of_freedom], duration_s)| Drift {
                relative,
                standard_uncertainty,
                degrees_of_freedom,
                duration_s,
            });
        let switch = match needs.switch {
            true => switch(capture, settings, run, &Quiet(observer))?,
            false => None,
        };
        let sketch = match needs.picture {
            true => Some(run.sketch(Detail::Small).map_err(AnalysisError::from)?),
            false => None,
        };
        let (numbers, missing) = CaptureOutcome::numbers_of(measurement);
        let facts = &measurement.capture;
        Ok(CaptureOutcome {
            file: relative(job, &capture.data),
            sha256: Vec::new(),
            sheet_sha256: Sha256::of(b""),
            program: measurement.program.version.to_string(),
            samples: facts.samples,
            sample_rate_hz: facts.sample_rate_hz,
            load_ohm: facts.load_ohm,
            bench: facts.bench.clone(),
            instrument: facts.instrument.clone(),
            instruments_key: instruments_key(&capture.sheet),
            load_key: Sha256::of_json(&capture.sheet.load).ok(),
            correlated: correlated(&capture.sheet),
            numbers,
            missing,
            flags: measurement.flags.clone(),
            findings,
            looks_like,
            power_by: Some(measurement.capture.power_by),
            limits,
            drift,
            switch,
            sketch,
        })
    }
}

/// What two captures must have in common to share the errors of their instruments.
fn instruments_key(sheet: &Sheet) -> Option<Sha256> {
    let Sheet { voltage, current, timebase, instrument, correlation, .. } = sheet;
    Sha256::of_json(&(voltage, current, timebase, instrument, correlation)).ok()
}

fn correlated(sheet: &Sheet) -> Correlated {
    let Some(stated) = &sheet.correlation else { return Correlated::default() };
    Correlated {
        voltage_current: stated.voltage_current.unwrap_or(0.0),
        voltage_load: stated.voltage_load.unwrap_or(0.0),
        current_load: stated.current_load.unwrap_or(0.0),
    }
}

/// Hands on the extras to stop, and nothing else: notes and progress are those of the job.
struct Quiet<'a>(&'a dyn Observer);

impl Observer for Quiet<'_> {
    fn stop(&self) -> bool {
        self.0.stop()
    }
}

/// Times between each press and its output.
fn switch(
    capture: &Capture,
    settings: &Settings,
    run: &Run,
    observer: &dyn Observer,
) -> Result<Option<SwitchTimes>, Unusable> {
    let hertz = run.measurement.capture.sample_rate_hz;
    let Some(rate) = SampleRate::new(hertz) else { return Ok(None) };
    let presses = analysis::presses(capture, rate, &settings.read, observer)?;
    if presses.is_empty() {
        return Ok(None);
    }
    let phases = &run.measurement.phases;
    let last = phases.last().map_or(0.0, |phase| phase.end_s);
    // Output of several kinds without a rest between is one activation; where the record begins or
    // ends in it, it has no edge there.
    let mut outputs: Vec<Stretch> = Vec::new();
    for (k, phase) in phases.iter().enumerate().filter(|(_, phase)| phase.kind.powered()) {
        let end_s = Some(phase.end_s).filter(|end| *end < last);
        match outputs.last_mut() {
            Some(before) if k > 0 && phases[k - 1].kind.powered() => before.end_s = end_s,
            _ => {
                let start_s = Some(phase.start_s).filter(|start| *start > 0.0);
                outputs.push(Stretch { start_s, end_s });
            }
        }
    }
    let edge = phases
        .iter()
        .filter(|phase| phase.kind.powered())
        .filter_map(|phase| phase.measures.get(Measure::Duration)?.standard_uncertainty)
        .fold(0.0, f64::max)
        / std::f64::consts::SQRT_2;
    let presses: Vec<Stretch> = presses
        .iter()
        .map(|press| Stretch {
            start_s: Some(press.pressed / hertz),
            end_s: press.released.map(|released| released / hertz),
        })
        .collect();
    // The edge of the output, and the switch between two samples (rectangular).
    Ok(Some(times(&presses, &outputs, edge.hypot(1.0 / hertz / 12_f64.sqrt()))))
}
