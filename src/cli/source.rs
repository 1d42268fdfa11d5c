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
    store: StoreArgs,
    #[cfg(feature = "archive")]
    archive: Option<Archive>,
}

/// A document, and the entry of the archive where it is from there.
pub(super) struct Read<T> {
    /// The document.
    pub document: T,
    /// Number of its entry.
    pub entry: Option<u64>,
}

impl Sources {
    /// The archive that the flag names is opened at once, the one of the variable where a name is no file.
    #[cfg(feature = "archive")]
    pub(super) fn open(store: &StoreArgs) -> Result<Self, Failure> {
        let archive = store.store.is_some().then(|| store.open()).transpose()?;
        Ok(Self { store: store.clone(), archive })
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

    /// The bytes of a result.
    ///
    /// A file or folder of that name goes first; else the name is a number of an entry, digits of a SHA-256, or a
    /// serial number, whose last result is meant.
    pub(super) fn bytes(&mut self, named: &Path) -> Result<Read<Vec<u8>>, Failure> {
        let path = result_file(named);
        let read = std::fs::read(&path);
        #[cfg(feature = "archive")]
        if read.is_err() && !named.exists() && self.store.place().is_some() {
            let archive = match &mut self.archive {
                Some(archive) => archive,
                none => none.insert(self.store.open()?),
            };
            let entry = entry(archive, &named.to_string_lossy())?;
            return Ok(Read { document: archive.result(entry)?.1, entry: Some(entry) });
        }
        let document = read.map_err(|error| {
            let message = format!("{}: can't read it: {error}", path.display());
            let help = "name the folder of a job after `crestbook job`, its result.json, or with --store an entry";
            Failure::new(ErrorCode::Unreadable, message, Some(help.into())).about(&path)
        })?;
        Ok(Read { document, entry: None })
    }

    /// The result of a job.
    pub(super) fn job(&mut self, named: &Path) -> Result<Read<JobResult>, Failure> {
        let Read { document, entry } = self.bytes(named)?;
        Ok(Read { document: job(&document, &result_file(named))?, entry })
    }

    /// A result as the one before another.
    pub(super) fn previous(&mut self, named: &Path) -> Result<PreviousReport, Failure> {
        let Read { document, entry } = self.bytes(named)?;
        Ok(report_of(&job(&document, &result_file(named))?, &document, entry))
    }

    /// The result before an entry of the archive.
    #[cfg(feature = "archive")]
    pub(super) fn before(&mut self, entry: Option<u64>) -> Result<Option<PreviousReport>, Failure> {
        let (Some(archive), Some(number)) = (&mut self.archive, entry) else { return Ok(None) };
        let own = archive.found(number)?;
        let filter = Filter {
            serial: Some(own.facts.serial),
            to: Some(own.facts.day.clone()),
            ..Filter::default()
        };
        // The newest first, so that the first one that is older is meant.
        for other in archive.numbers(&filter)? {
            let one = archive.found(other)?;
            let older = (&one.facts.day, other) < (&own.facts.day, number);
            if older && one.facts.model == own.facts.model && one.facts.form == Form::Job {
                let bytes = archive.result(other)?.1;
                let job = job(&bytes, Path::new(&format!("entry {other}")))?;
                return Ok(Some(report_of(&job, &bytes, Some(other))));
            }
        }
        Ok(None)
    }

    /// What took the place of an entry of the archive, where something did.
    #[cfg(feature = "archive")]
    pub(super) fn replaced_by(&mut self, entry: Option<u64>) -> Result<Option<String>, Failure> {
        let (Some(archive), Some(number)) = (&mut self.archive, entry) else { return Ok(None) };
        Ok(archive.found(number)?.replaced_by.map(|later| format!("entry {later} of the archive")))
    }

    /// There is no archive in this build.
    #[cfg(not(feature = "archive"))]
    pub(super) fn replaced_by(&mut self, _: Option<u64>) -> Result<Option<String>, Failure> {
        Ok(None)
    }

    /// There is no archive in this build.
    #[cfg(not(feature = "archive"))]
    pub(super) fn before(&mut self, _: Option<u64>) -> Result<Option<PreviousReport>, Failure> {
        Ok(None)
    }
}

/// The file of a result: of a folder that of its job.
pub(super) fn result_file(named: &Path) -> PathBuf {
    if named.is_dir() { named.join(RESULTS).join("result.json") } else { named.into() }
}

fn job(document: &[u8], named: &Path) -> Result<JobResult, Failure> {
    Form::Job.read(document).map_err(|error| {
        let message = format!("{}: {error}", named.display());
        Failure::new(error.code(), message, error.help()).about(named)
    })
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
