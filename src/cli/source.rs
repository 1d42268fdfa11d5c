//! Where results are read from: a job's folder, a file, or an archive.

use super::exit::Failure;
use crate::digest::Sha256;
use crate::explain::{ErrorCode, Explain as _};
use crate::job::RESULTS;
use crate::report::job::PreviousReport;
use crate::result::Form;
use crate::verification::JobResult;
use std::path::{Path, PathBuf};

#[cfg(feature = "archive")]
use crate::archive::{Archive, Filter, Place};

/// Variable that names the archive where no flag does.
#[cfg(feature = "archive")]
const STORE: &str = "CRESTBOOK_ARCHIVE";

/// Where the archive is.
#[derive(Clone, Debug, Default, clap::Args)]
pub(super) struct StoreArgs {
    /// Archive: a file, or postgres://USER@HOST/DATABASE [default: the variable `CRESTBOOK_ARCHIVE`]
    #[arg(long, global = true, value_name = "STORE")]
    pub(super) store: Option<String>,
}

#[cfg(feature = "archive")]
impl StoreArgs {
    /// The place that is named, by flag or variable.
    pub(super) fn place(&self) -> Option<Place> {
        let named = self.store.clone().or_else(|| std::env::var(STORE).ok());
        named.filter(|text| !text.is_empty()).map(|text| Place::parse(&text))
    }

    /// The same where nothing can be done without one.
    pub(super) fn named(&self) -> Result<Place, Failure> {
        self.place().ok_or_else(|| {
            Failure::usage(
                "no archive is named",
                format!("give --store FILE, or set the variable {STORE} to it"),
            )
        })
    }

    /// Opens the archive.
    pub(super) fn open(&self) -> Result<Archive, Failure> {
        Ok(Archive::open(&self.named()?)?)
    }
}

/// Files and folders, and an archive where one is named.
#[derive(Debug)]
pub(super) struct Sources {
    #[cfg(feature = "archive")]
    archive: Option<Archive>,
}

impl Sources {
    /// Opens the archive that a flag or the variable names; without either there is none.
    #[cfg(feature = "archive")]
    pub(super) fn open(store: &StoreArgs) -> Result<Self, Failure> {
        // A variable that names an archive which is not there yet is no fault of who reads files.
        let archive = match (&store.store, store.place()) {
            (Some(_), Some(place)) => Some(Archive::open(&place)?),
            (None, Some(place)) => Archive::open(&place).ok(),
            _ => None,
        };
        Ok(Self { archive })
    }

    /// There is no archive in this build.
    #[cfg(not(feature = "archive"))]
    pub(super) fn open(store: &StoreArgs) -> Result<Self, Failure> {
        if store.store.is_some() {
            return Err(Failure::usage(
                "this build of the program has no archive",
                "build it with the feature `archive`",
            ));
        }
        Ok(Self {})
    }

    /// The bytes of a result, and its number in the archive where it is from there.
    ///
    /// A file or folder of that name goes first; else the name is a number of an entry, digits of a SHA-256, or a
    /// serial number, whose last result is meant.
    pub(super) fn bytes(&mut self, named: &Path) -> Result<(Vec<u8>, Option<u64>), Failure> {
        let path: PathBuf =
            if named.is_dir() { named.join(RESULTS).join("result.json") } else { named.into() };
        let read = std::fs::read(&path);
        #[cfg(feature = "archive")]
        if let (Some(archive), true) = (&mut self.archive, read.is_err()) {
            let number = entry(archive, &named.to_string_lossy())?;
            return Ok((archive.result(number)?.1, Some(number)));
        }
        let bytes = read.map_err(|error| {
            let message = format!("{}: can't read it: {error}", path.display());
            let help = "name the folder of a job after `crestbook job`, its result.json, or with --store an entry";
            Failure::new(ErrorCode::Unreadable, message, Some(help.into())).about(&path)
        })?;
        Ok((bytes, None))
    }

    /// The result of a job.
    pub(super) fn job(&mut self, named: &Path) -> Result<JobResult, Failure> {
        let (bytes, _) = self.bytes(named)?;
        Form::Job.read(&bytes).map_err(|error| {
            let message = format!("{}: {error}", named.display());
            Failure::new(error.code(), message, error.help()).about(named)
        })
    }

    /// A result as the one before another.
    pub(super) fn previous(&mut self, named: &Path) -> Result<PreviousReport, Failure> {
        let (bytes, entry) = self.bytes(named)?;
        let job: JobResult = Form::Job.read(&bytes).map_err(|error| {
            let message = format!("{}: {error}", named.display());
            Failure::new(error.code(), message, error.help()).about(named)
        })?;
        Ok(report_of(&job, &bytes, entry))
    }

    /// The result before this one in the archive, where this one is from there.
    #[cfg(feature = "archive")]
    pub(super) fn before(&mut self, named: &Path) -> Result<Option<PreviousReport>, Failure> {
        if named.exists() {
            return Ok(None);
        }
        let Some(archive) = &mut self.archive else { return Ok(None) };
        let number = entry(archive, &named.to_string_lossy())?;
        let own = archive.found(number)?;
        let filter = Filter { serial: Some(own.facts.serial.clone()), ..Filter::default() };
        let mut earlier = Vec::new();
        archive.list(&filter, |one| {
            earlier.push(one);
            Ok(())
        })?;
        let before = earlier.into_iter().find(|one| {
            let day = (&one.facts.day, one.entry) < (&own.facts.day, number);
            day && one.facts.model == own.facts.model && one.facts.form == Form::Job
        });
        let Some(before) = before else { return Ok(None) };
        let bytes = archive.result(before.entry)?.1;
        let job: JobResult = Form::Job
            .read(&bytes)
            .map_err(|error| Failure::new(error.code(), error.to_string(), error.help()))?;
        Ok(Some(report_of(&job, &bytes, Some(before.entry))))
    }

    /// What took the place of a result in the archive, where something did.
    #[cfg(feature = "archive")]
    pub(super) fn replaced_by(&mut self, named: &Path) -> Result<Option<String>, Failure> {
        if named.exists() {
            return Ok(None);
        }
        let Some(archive) = &mut self.archive else { return Ok(None) };
        let number = entry(archive, &named.to_string_lossy())?;
        Ok(archive.found(number)?.replaced_by.map(|later| format!("entry {later} of the archive")))
    }

    /// There is no archive in this build.
    #[cfg(not(feature = "archive"))]
    pub(super) fn replaced_by(&mut self, _: &Path) -> Result<Option<String>, Failure> {
        Ok(None)
    }

    /// There is no archive in this build.
    #[cfg(not(feature = "archive"))]
    pub(super) fn before(&mut self, _: &Path) -> Result<Option<PreviousReport>, Failure> {
        Ok(None)
    }
}

/// A result by its number or its seal, where it bears no number of its own.
fn report_of(job: &JobResult, bytes: &[u8], entry: Option<u64>) -> PreviousReport {
    let own = job.job.report.number.clone().filter(|number| !number.trim().is_empty());
    let number = own.unwrap_or_else(|| match entry {
        Some(entry) => format!("entry {entry}"),
        None => job.job.last_day.clone().unwrap_or_else(|| "without a number".into()),
    });
    PreviousReport { number, sha256: Sha256::of(bytes) }
}

/// The entry that is meant: by number, by digits of its SHA-256, or the last of a serial number.
#[cfg(feature = "archive")]
fn entry(archive: &mut Archive, named: &str) -> Result<u64, Failure> {
    let models = archive.models(named)?;
    if models.len() > 1 {
        return Err(Failure::usage(
            format!("several models have the serial number {named}: {}", models.join(", ")),
            "name the entry; `crestbook archive list` shows them",
        ));
    }
    let filter = Filter { serial: Some(named.to_owned()), most: Some(1), ..Filter::default() };
    match archive.numbers(&filter)?.first() {
        Some(number) => Ok(*number),
        None => Ok(archive.find(named).map_err(|error| {
            let message = format!("`{named}` is no file or folder, and {}", error.message());
            Failure::new(error.code(), message, error.help())
        })?),
    }
}
