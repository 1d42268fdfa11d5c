//! Results once more from their captures.

use crate::archive::{Act, Archive, Document, Fault, FaultKind, FileRole, Filter, Verification};
use crate::cli::exit::Failure;
use crate::cli::printer::Printer;
use crate::cli::progress::Watch;
use crate::explain::{ErrorCode, Explain as _};
use crate::job::{self, Job, RunOptions};
use crate::verification::JobResult;
use std::path::Path;

/// Measures every job again whose captures are kept, in a folder of its own, and compares.
pub(super) fn recompute(
    archive: &mut Archive,
    found: &mut Verification,
    watch: &Watch<'_>,
    printer: &Printer,
) -> Result<(), Failure> {
    let mut numbers = archive.numbers(&Filter { replaced: true, ..Filter::default() })?;
    numbers.sort_unstable();
    let (mut done, mut left) = (0, 0);
    for number in numbers {
        if crate::cli::progress::stopped() {
            return Err(Failure::new(ErrorCode::Interrupted, "interrupted", None));
        }
        // What is not as it was written was told.
        let Ok((entry, document)) = archive.result(number) else { continue };
        let Act::Add(added) = &entry.act else { continue };
        let whole = added.files.iter().any(|file| file.role == FileRole::Job)
            && added.files.iter().all(|file| file.kept);
        let (Ok(Document::Job(kept)), true) = (Document::read(&document), whole) else {
            left += 1;
            continue;
        };
        let folder = tempfile::tempdir()
            .map_err(|source| crate::files::WriteError { file: std::env::temp_dir(), source })?;
        if archive.lay_out(number, folder.path()).is_err() {
            // Captures that were removed, or that are not as they were: told already.
            left += 1;
            continue;
        }
        done += 1;
        match again(folder.path(), watch) {
            Err(failure) if failure.code == ErrorCode::Interrupted => return Err(failure),
            Err(failure) => found.add(Fault {
                kind: FaultKind::Recomputed,
                entry: Some(number),
                message: format!("its captures can't be measured again: {}", failure.message),
            }),
            Ok(now) => {
                if let Some(message) = difference(&kept, &now) {
                    found.add(Fault { kind: FaultKind::Recomputed, entry: Some(number), message });
                }
            }
        }
    }
    found.recomputed = Some(done);
    if left > 0 {
        printer.note(&format!("{left} results were not measured anew: their captures are not kept, or they are of one capture"));
    }
    Ok(())
}

fn again(folder: &Path, watch: &Watch<'_>) -> Result<JobResult, Failure> {
    // The job that it was compared with is a result of its own; here it would be missing.
    let path = folder.join("job.toml");
    let text = std::fs::read_to_string(&path).unwrap_or_default();
    if let Ok(mut document) = text.parse::<toml_edit::DocumentMut>()
        && document.remove("as_found").is_some()
    {
        crate::files::write_whole(&path, document.to_string().as_bytes())?;
    }
    let job = Job::open(folder)
        .map_err(|error| Failure::new(error.code(), error.message(), error.help()))?;
    Ok(job::run(&job, RunOptions::default(), watch)?.result)
}

/// What differs, in words; `None` where verdicts and numbers are the same.
fn difference(kept: &JobResult, now: &JobResult) -> Option<String> {
    let by = if kept.program == now.program {
        String::new()
    } else {
        format!(" (it was made by crestbook {}, this is {})", kept.program, now.program)
    };
    if kept.verdict != now.verdict {
        return Some(format!(
            "its verdict was {}, now it is {}{by}",
            kept.verdict.words(),
            now.verdict.words()
        ));
    }
    let lines = |job: &JobResult| {
        job.groups.iter().flat_map(|group| group.lines.clone()).collect::<Vec<_>>()
    };
    let (before, after) = (lines(kept), lines(now));
    let moved = before.iter().zip(&after).find(|(a, b)| a != b);
    if let Some((a, b)) = moved {
        let value = |x: Option<f64>| x.map_or("none".into(), |x| x.to_string());
        return Some(format!(
            "{}: was {}, {}; now {}, {}{by}",
            a.what,
            value(a.judged.value),
            a.judged.verdict.words(),
            value(b.judged.value),
            b.judged.verdict.words()
        ));
    }
    if before.len() != after.len() {
        return Some(format!("it had {} verdicts, now {}{by}", before.len(), after.len()));
    }
    let numbers = |job: &JobResult| {
        let captures = job.steps.iter().filter_map(|step| step.capture.as_ref());
        captures.map(|capture| capture.numbers.clone()).collect::<Vec<_>>()
    };
    (numbers(kept) != numbers(now))
        .then(|| format!("numbers of its captures are not those of today{by}"))
}
