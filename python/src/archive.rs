//! The archive: lists, values, trends, and whether all is as it was written.

use crate::errors::Fault;
use crate::results::JobResult;
use crate::table::Table;
use crestbook::archive::trend::Asked;
use crestbook::archive::{
    self, ArchiveError, Checkpoint, Document, Filter, Place, PublicKey, VerifyOptions,
};
use crestbook::check::Verdict;
use crestbook::explain::ErrorCode;
use crestbook::report::archive::{plot, rows, trend};
use crestbook::report::table::Manner;
use pyo3::prelude::*;
use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// An archive that was opened.
#[pyclass(frozen, module = "crestbook._engine")]
pub(crate) struct Archive(Mutex<archive::Archive>);

fn broken(error: &dyn std::fmt::Display) -> Fault {
    Fault::new(ErrorCode::Internal, error.to_string(), None)
}

/// What is looked for, by keyword.
#[derive(Default, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Wanted {
    unit: Option<String>,
    serial: Option<String>,
    mode: Option<String>,
    since: Option<String>,
    until: Option<String>,
    verdict: Vec<Verdict>,
    state: Option<String>,
    person: Option<String>,
    role: Option<String>,
    place: Option<String>,
    words: Option<String>,
    replaced: bool,
    most: Option<usize>,
}

fn filter(wanted: &str) -> Result<Filter, Fault> {
    let wanted: Wanted = serde_json::from_str(wanted)
        .map_err(|error| Fault::of_use(error.to_string(), "see help(crestbook.Archive.results)"))?;
    Ok(Filter {
        unit: wanted.unit,
        serial: wanted.serial,
        mode: wanted.mode,
        from: wanted.since,
        to: wanted.until,
        verdicts: wanted.verdict,
        state: wanted.state,
        person: wanted.person,
        role: wanted.role,
        place: wanted.place,
        words: wanted.words,
        replaced: wanted.replaced,
        most: wanted.most,
    })
}

fn json(value: &impl serde::Serialize) -> Result<String, Fault> {
    serde_json::to_string(value).map_err(|error| broken(&error))
}

impl Archive {
    fn lock(&self) -> MutexGuard<'_, archive::Archive> {
        // Whoever broke off has rolled back.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[pymethods]
impl Archive {
    /// Opens an archive that is there.
    #[staticmethod]
    fn open(py: Python<'_>, store: &str) -> PyResult<Self> {
        let open = || archive::Archive::open(&Place::parse(store)).map_err(Fault::from);
        Ok(Self(Mutex::new(py.detach(open)?)))
    }

    fn origin(&self) -> String {
        self.lock().origin().to_owned()
    }

    /// Results as JSON, the newest day first.
    fn list(&self, py: Python<'_>, wanted: &str) -> PyResult<String> {
        let filter = filter(wanted)?;
        let list = || {
            let mut all = Vec::new();
            self.lock().list(&filter, |one| {
                all.push(one);
                Ok(())
            })?;
            Ok::<_, Fault>(all)
        };
        Ok(json(&py.detach(list)?)?)
    }

    /// Rows of the long table, the oldest day first.
    fn table(&self, py: Python<'_>, wanted: &str) -> PyResult<Table> {
        let filter = filter(wanted)?;
        let table = || {
            let mut archive = self.lock();
            let mut all = Vec::new();
            for number in archive.numbers(&filter)?.into_iter().rev() {
                all.extend(rows(&mut archive, number)?);
            }
            Ok::<_, Fault>(Table::of(all))
        };
        Ok(py.detach(table)?)
    }

    /// The document of a result, byte for byte.
    fn document(&self, py: Python<'_>, entry: &str) -> PyResult<Vec<u8>> {
        let read = || {
            let mut archive = self.lock();
            let number = archive.find(entry)?;
            Ok::<_, Fault>(archive.result(number)?.1)
        };
        Ok(py.detach(read)?)
    }

    /// The result of a job.
    fn job(&self, py: Python<'_>, entry: &str) -> PyResult<JobResult> {
        let document = self.document(py, entry)?;
        match Document::read(&document).map_err(Fault::from)? {
            Document::Job(job) => Ok(JobResult::sealed(*job)?),
            _ => Err(Fault::of_use(
                format!("{entry} is the result of one capture, not of a job"),
                "read its document",
            )
            .into()),
        }
    }

    /// A trend: as JSON, in words, and drawn.
    #[allow(clippy::too_many_arguments)]
    #[pyo3(signature = (serial, measure, setting=None, dial=None, load=None, part=None, model=None))]
    fn trend(
        &self,
        py: Python<'_>,
        serial: String,
        measure: String,
        setting: Option<String>,
        dial: Option<f64>,
        load: Option<String>,
        part: Option<String>,
        model: Option<String>,
    ) -> PyResult<(String, String, Option<String>)> {
        let asked = Asked { serial, model, measure, setting, dial, load, part };
        let found = py.detach(|| self.lock().trend(&asked).map_err(Fault::from))?;
        let svg = plot::svg(&found).map_err(|error| broken(&error))?;
        Ok((json(&found)?, trend::text(&found, true, Manner::default()), svg))
    }

    /// What a check of everything finds, as JSON.
    #[pyo3(signature = (checkpoint=None, key=None, captures=true))]
    fn verify(
        &self,
        py: Python<'_>,
        checkpoint: Option<&str>,
        key: Option<PathBuf>,
        captures: bool,
    ) -> PyResult<String> {
        let checkpoint = checkpoint
            .map(|text| {
                let help = "give the text that `crestbook archive checkpoint` wrote";
                Checkpoint::parse(text).ok_or_else(|| Fault::of_use("this is no checkpoint", help))
            })
            .transpose()?;
        let key = key.as_deref().map(PublicKey::read).transpose().map_err(Fault::from)?;
        let options = VerifyOptions { checkpoint, key, without_captures: !captures };
        let watch = || {
            self.lock()
                .verify(&options, |_, _| {
                    Python::attach(|py| py.check_signals()).map_err(|_| ArchiveError::Interrupted)
                })
                .map_err(Fault::from)
        };
        Ok(json(&py.detach(watch)?)?)
    }
}
