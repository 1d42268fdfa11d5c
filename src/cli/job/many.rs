//! Several jobs at once, and the long table of their numbers.

use super::order;
use crate::check::Verdict;
use crate::cli::exit::{Exit, Failure};
use crate::cli::printer::{JsonList, Printer};
use crate::cli::progress::Watch;
use crate::cli::synth::refuse_existing;
use crate::explain::ErrorCode;
use crate::files::WholeFile;
use crate::job::{self, Job, JobError, RunOptions};
use crate::report::job::text;
use crate::report::long;
use crate::result::Form;
use crate::verification::JobResult;
use std::path::{Path, PathBuf};

/// A long table to be written.
pub(super) struct Table<'a> {
    path: &'a Path,
    parquet: bool,
}

impl<'a> Table<'a> {
    pub(super) fn of(path: &'a Path, force: bool) -> Result<Self, Failure> {
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        let parquet = match ending.as_deref() {
            Some("csv") => false,
            Some("parquet") if cfg!(feature = "parquet") => true,
            Some("parquet") => {
                return Err(Failure::usage(
                    "this build of the program writes no Parquet",
                    "build it with `cargo build --release --features parquet`, or write .csv",
                ));
            }
            _ => {
                let message = format!("{}: no table has this ending", path.display());
                return Err(Failure::usage(message, "end the name in .csv or .parquet"));
            }
        };
        if !force {
            refuse_existing([&path.to_owned()])?;
        }
        Ok(Self { path, parquet })
    }

    fn write(&self, jobs: &[(String, JobResult)]) -> Result<(), Failure> {
        let rows = jobs.iter().map(|(name, job)| long::of_job(name, job));
        let mut out = WholeFile::create(self.path)?;
        let written = match self.parquet {
            #[cfg(feature = "parquet")]
            true => long::parquet(rows, &mut out),
            _ => rows.enumerate().try_for_each(|(k, rows)| long::csv(&rows, k == 0, &mut out)),
        };
        written.map_err(|error| Failure::new(ErrorCode::NoReport, error.to_string(), None))?;
        Ok(out.finish()?)
    }
}

/// Judges several jobs, one after the other; one that can't be judged does not end the others.
pub(super) fn several(
    folders: &[PathBuf],
    how: RunOptions,
    table: Option<Table<'_>>,
    printer: &Printer,
) -> Result<Exit, Failure> {
    let mut list = JsonList::new(Form::Jobs);
    let mut worst = Verdict::Pass;
    let (mut kept, mut broken) = (Vec::new(), None);
    let mut fail = |failure: Failure| {
        printer.problem(&failure);
        broken.get_or_insert(failure);
    };
    for folder in folders {
        let judged = Job::open(folder).and_then(|job| {
            let ran = job::run(&job, how.clone(), &Watch::new(printer))?;
            Ok((job, ran))
        });
        let (job, ran) = match judged {
            Ok(judged) => judged,
            Err(error) => {
                let interrupted = matches!(error, JobError::Interrupted);
                fail(error.into());
                if interrupted {
                    // What is done so far is written all the same.
                    break;
                }
                continue;
            }
        };
        worst = worst.max(ran.result.verdict);
        if printer.json() {
            list.push(&ran.result)?;
        } else {
            printer.out(&format!("{}\n", folder.display()))?;
            printer.out(&text::summary(&ran.result, &order(&job), printer.manner(false)))?;
            printer.out("\n")?;
        }
        // What was judged is shown even where it can't be kept.
        if let Some(error) = job::write(&job, &ran.result).err().or(ran.not_kept) {
            fail(error.into());
        }
        if table.is_some() {
            kept.push((folder.display().to_string(), ran.result));
        }
    }
    if let Some(table) = table {
        table.write(&kept)?;
        printer.note(&format!("table in {}", table.path.display()));
    }
    if broken.is_some() {
        worst = worst.max(Verdict::NotMeasured);
    }
    if printer.json() {
        printer.out_records(list, Some(worst))?;
    }
    match broken {
        Some(failure) => Ok(failure.exit()),
        None if worst == Verdict::Pass => Ok(Exit::Done),
        None => Ok(Exit::NotAPass),
    }
}
