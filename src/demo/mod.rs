//! The invented bench: a whole job of an invented generator, ready to be judged.
//!
//! Two steps fail (power into 2000 ohm, earth resistance), one is in doubt (blend, close to its
//! limit), one is missing (leakage of the neutral electrode). Three further units, judged already, stand in
//! `others` to compare with. Hospital, generators and every number are made up.

mod others;
mod unit;
mod years;

use crate::export::{self, Floats, Shape};
use crate::files::{UNFINISHED, WriteError, without_name, write_whole};
use crate::job::{self, Beginning, CAPTURES, JobError, RunOptions};
use crate::recording::Observer;
use crate::synth::Recipe;
use crate::trace::{Channels, PerChannel};
use crate::verification::{ManualReading, Person, Step, StepKind, UnitFacts};
use std::path::{Path, PathBuf};
use unit::{FULL_SCALE_A, FULL_SCALE_V, RATE_HZ};

/// A plan to begin from, with loads and limits recalled from the published standard.
pub const EXAMPLE_PLAN: &str = include_str!("example-plan.toml");
/// The demo's own plan.
const PLAN: &str = include_str!("plan.toml");
/// The demo's sheet of the bench.
const BENCH: &str = include_str!("bench.capture.toml");

/// Lays out the demo: the job after the service in `folder`, the one before it in
/// `folder/as-found` and those of other units in `folder/others`, judged already.
///
/// # Errors
/// Where the folder is not empty, or something can't be written.
pub fn lay_out(folder: &Path, observer: &dyn Observer) -> Result<(), JobError> {
    whole(folder, &|folder| write(folder, observer))
}

/// Lays out five invented years of two units in `folder`: a job for each half year, judged.
///
/// # Errors
/// As [`lay_out`].
pub fn lay_out_years(folder: &Path, observer: &dyn Observer) -> Result<(), JobError> {
    whole(folder, &|folder| years::lay_out(folder, observer))
}

/// Writes a folder that is there as a whole or not at all.
fn whole(folder: &Path, write: &dyn Fn(&Path) -> Result<(), JobError>) -> Result<(), JobError> {
    if std::fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(JobError::Folder {
            folder: folder.to_owned(),
            message: "the folder is not empty".into(),
            help: "choose another one; nothing is overwritten".into(),
        });
    }
    let fail = |source| WriteError { file: folder.to_owned(), source };
    if folder.exists() && !folder.is_dir() {
        return Err(fail(std::io::Error::other("is a file")).into());
    }
    // Under another name until it is complete: the demo is there as a whole or not at all.
    let parent = match folder.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    };
    std::fs::create_dir_all(parent).map_err(fail)?;
    let unfinished = tempfile::Builder::new()
        .prefix(UNFINISHED)
        .tempdir_in(parent)
        .map_err(|error| fail(without_name(error)))?;
    let whole = unfinished.path().join("demo");
    write(&whole)?;
    if folder.exists() {
        std::fs::remove_dir(folder).map_err(fail)?;
    }
    Ok(std::fs::rename(&whole, folder).map_err(fail)?)
}

fn write(folder: &Path, observer: &dyn Observer) -> Result<(), JobError> {
    let fail = |file: PathBuf| move |source| WriteError { file, source };
    std::fs::create_dir_all(folder).map_err(fail(folder.to_owned()))?;
    let (plan, bench) = (folder.join("plan.toml"), folder.join("bench.capture.toml"));
    write_whole(&plan, PLAN.as_bytes())?;
    write_whole(&bench, BENCH.as_bytes())?;
    let before = folder.join("as-found");
    let beginning = |state: &str, day: &str, reason: &str| Beginning {
        profile: plan.clone(),
        bench: Some(bench.clone()),
        state: state.into(),
        reason: Some(reason.into()),
        unit: UnitFacts {
            model: None,
            serial: Some("TB-0417".into()),
            inventory: Some("HFH-2207".into()),
        },
        taken_at: Some(day.into()),
        people: vec![
            Person { role: "measured by".into(), name: "bench engineer 1".into() },
            Person { role: "reviewed by".into(), name: "bench engineer 2".into() },
        ],
        ..Beginning::default()
    };
    let reason = "output too weak, reported by the theatre";
    let found = job::begin(&before, &beginning("as found", "2026-03-02", reason))?;
    let wanted = |step: &&Step| step.group == "cut-80" || step.group == "cut-full";
    for step in found.steps.iter().filter(wanted) {
        capture(&before, step, true, observer)?;
    }
    let ran = job::run(&found, RunOptions::default(), observer)?;
    job::write(&found, &ran.result)?;

    let after = Beginning {
        as_found: Some("as-found".into()),
        ..beginning("as left", "2026-03-09", "after repair of the output stage")
    };
    let left = job::begin(folder, &after)?;
    for step in &left.steps {
        capture(folder, step, false, observer)?;
    }
    // The load in hand was not the planned one: the sheet says so, the curve is read there.
    let sheet = folder.join(CAPTURES).join("cut-full-500ohm.capture.toml");
    let text = std::fs::read_to_string(&sheet).map_err(fail(sheet.clone()))?;
    write_whole(&sheet, text.replace("nominal_ohm = 500.0", "nominal_ohm = 487.0").as_bytes())?;
    for (step, value, unit) in [
        ("visual", "yes", None),
        ("earth", "331", Some("mohm")),
        ("pedals", "yes", None),
        ("tone", "62", Some("dB(A)")),
        ("contact-trip", "112", Some("ohm")),
        ("contact-reset", "86", Some("ohm")),
        ("remarks", "earth pin of the plug shows wear", None),
    ] {
        let reading = ManualReading {
            step: step.into(),
            value: value.into(),
            unit: unit.map(str::to_owned),
            uncertainty: None,
            comment: None,
            meter: unit.map(|_| "HF-M03".to_owned()),
            meter_due: unit.map(|_| "2027-01-31".to_owned()),
            taken_at: Some("2026-03-09T10:20:00+00:00".into()),
            by: Some("bench engineer 1".into()),
        };
        job::note(folder, &reading)?;
    }
    for other in &others::OTHERS {
        lay_out_other(&folder.join("others").join(other.folder), other, &bench, observer)?;
    }
    Ok(())
}

/// The job of another unit, judged.
fn lay_out_other(
    folder: &Path,
    other: &others::Other,
    bench: &Path,
    observer: &dyn Observer,
) -> Result<(), JobError> {
    std::fs::create_dir_all(folder)
        .map_err(|source| WriteError { file: folder.to_owned(), source })?;
    let plan = folder.join("plan.toml");
    write_whole(&plan, other.plan.as_bytes())?;
    let with = Beginning {
        profile: plan,
        bench: Some(bench.to_owned()),
        state: "as found".into(),
        reason: Some("yearly verification".into()),
        unit: UnitFacts { model: None, serial: Some(other.serial.into()), inventory: None },
        taken_at: Some("2026-03-10".into()),
        people: vec![Person { role: "measured by".into(), name: "bench engineer 1".into() }],
        ..Beginning::default()
    };
    let job = job::begin(folder, &with)?;
    for step in job.steps.iter().filter(|step| step.to_capture()) {
        if observer.stop() {
            return Err(JobError::Interrupted);
        }
        write_capture(folder, step, &others::recipe(other, step))?;
    }
    job::note(folder, &looked_at("2026-03-10"))?;
    let job = job::Job::open(folder)?;
    let ran = job::run(&job, RunOptions::default(), observer)?;
    job::write(&job, &ran.result)?;
    Ok(())
}

/// That the unit was looked at, and nothing was seen.
fn looked_at(day: &str) -> ManualReading {
    ManualReading {
        step: "visual".into(),
        value: "yes".into(),
        unit: None,
        uncertainty: None,
        comment: None,
        meter: None,
        meter_due: None,
        taken_at: Some(format!("{day}T09:00:00+00:00")),
        by: Some("bench engineer 1".into()),
    }
}

/// Writes the capture of a step, where it has one; the leakage of the neutral electrode was
/// forgotten.
fn capture(
    folder: &Path,
    step: &Step,
    weak: bool,
    observer: &dyn Observer,
) -> Result<(), JobError> {
    if !step.to_capture() || step.id == "leak-neutral" {
        return Ok(());
    }
    if observer.stop() {
        return Err(JobError::Interrupted);
    }
    let recipe = unit::recipe(step, weak);
    if step.kind == StepKind::Timing {
        return Ok(with_switch(&capture_path(folder, step), &recipe)?);
    }
    write_capture(folder, step, &recipe)
}

fn capture_path(folder: &Path, step: &Step) -> PathBuf {
    folder.join(CAPTURES).join(format!("{}.wav", step.id))
}

fn write_capture(folder: &Path, step: &Step, recipe: &Recipe) -> Result<(), JobError> {
    let shape = Shape {
        channels: Channels { voltage: true, current: true },
        rate: recipe.rate,
        samples: recipe.samples,
        bits: Some(16),
        full_scale: PerChannel { voltage: FULL_SCALE_V, current: FULL_SCALE_A },
        floats: Floats::Usual,
    };
    let mut writer = export::create(&capture_path(folder, step), &shape)?;
    writer.push(&recipe.block(0..recipe.samples))?;
    Ok(writer.finish()?)
}

/// A capture with a third channel that is high while the switch is pressed.
fn with_switch(path: &Path, recipe: &Recipe) -> Result<(), WriteError> {
    let fail = |source| WriteError { file: path.to_owned(), source };
    let broken = |error: hound::Error| fail(std::io::Error::other(error));
    let block = recipe.block(0..recipe.samples);
    let mut bytes = std::io::Cursor::new(Vec::new());
    let spec = hound::WavSpec {
        channels: 3,
        sample_rate: RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut out = hound::WavWriter::new(&mut bytes, spec).map_err(broken)?;
    #[allow(clippy::cast_possible_truncation)]
    let code = |share: f64| (share * 32768.0).round().clamp(-32768.0, 32767.0) as i16;
    let (pressed, released) = unit::PRESSED_S;
    for (k, (v, i)) in block.v.iter().zip(&block.i).enumerate() {
        let time = k as f64 / f64::from(RATE_HZ);
        let switch = if (pressed..released).contains(&time) { 0.9 } else { 0.05 };
        for share in [v / FULL_SCALE_V, i / FULL_SCALE_A, switch] {
            out.write_sample(code(share)).map_err(broken)?;
        }
    }
    out.finalize().map_err(broken)?;
    write_whole(path, &bytes.into_inner())
}
