//! Profiles and jobs: what a unit should put out, and its verification.

use crate::errors::Fault;
use crate::results::JobResult;
use crate::watch::away;
use crestbook::explain::ErrorCode;
use crestbook::job::{self, Beginning, RunOptions};
use crestbook::verification::{self, ManualReading, UnitFacts};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What a unit should put out.
#[pyclass(frozen, module = "crestbook._engine")]
pub(crate) struct Profile(pub(crate) Arc<verification::Profile>);

#[pymethods]
impl Profile {
    /// Reads a profile from its text.
    #[staticmethod]
    fn parse(name: PathBuf, text: &str) -> PyResult<Self> {
        let profile = verification::Profile::read(&name, text).map_err(Fault::from)?;
        Ok(Self(Arc::new(profile)))
    }

    /// Model of the unit, where it is stated.
    #[getter]
    fn model(&self) -> Option<&str> {
        self.0.unit.model.as_deref()
    }

    /// Ids of the settings.
    #[getter]
    fn settings(&self) -> Vec<&str> {
        self.0.setting.iter().map(|setting| setting.id.as_str()).collect()
    }

    /// One setting with its limits.
    fn setting<'py>(&self, py: Python<'py>, id: &str) -> PyResult<Option<Bound<'py, PyAny>>> {
        Ok(self.0.setting(id).map(|setting| pythonize::pythonize(py, setting)).transpose()?)
    }

    /// Ids of the steps that the plan asks for.
    fn steps(&self) -> Vec<String> {
        verification::steps(&self.0).into_iter().map(|step| step.id).collect()
    }
}

/// A whole verification in a folder.
#[pyclass(frozen, module = "crestbook._engine")]
pub(crate) struct Job {
    folder: PathBuf,
}

#[pymethods]
impl Job {
    /// Opens the job of a folder.
    #[new]
    fn new(folder: PathBuf) -> PyResult<Self> {
        job::Job::open(&folder).map_err(Fault::from)?;
        Ok(Self { folder })
    }

    #[getter]
    fn folder(&self) -> &Path {
        &self.folder
    }

    /// Each step: id, what, setting, dial, load, in the order of work.
    fn steps<'py>(&self, py: Python<'py>) -> PyResult<Vec<Bound<'py, PyDict>>> {
        let job = job::Job::open(&self.folder).map_err(Fault::from)?;
        let tell = |step: &&verification::Step| {
            let told = PyDict::new(py);
            told.set_item("id", &step.id)?;
            told.set_item("setting", &step.setting)?;
            told.set_item("dial", step.dial)?;
            let load = match step.load {
                Some(verification::Load::Ohm(ohm)) => Some(ohm),
                _ => None,
            };
            told.set_item("load_ohm", load)?;
            told.set_item("open", step.load == Some(verification::Load::Open))?;
            told.set_item("to_capture", step.to_capture())?;
            Ok(told)
        };
        verification::order_of_work(&job.steps).iter().map(tell).collect()
    }

    /// Measures and judges; with `write` the reports are written into the folder.
    #[pyo3(signature = (write=true, jobs=None, rehash=false, against=None, progress=None))]
    fn judge(
        &self,
        py: Python<'_>,
        write: bool,
        jobs: Option<usize>,
        rehash: bool,
        against: Option<PathBuf>,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<JobResult> {
        away(py, progress.as_ref(), |watch| {
            let job = job::Job::open(&self.folder)?;
            let how = RunOptions { jobs, rehash, against, ..RunOptions::default() };
            let ran = job::run(&job, how, watch)?;
            if write {
                job::write(&job, &ran.result)?;
            }
            match ran.not_kept {
                Some(error) if write => Err(error.into()),
                _ => Ok(JobResult(Arc::new(ran.result))),
            }
        })
    }

    /// The result that the last run left in the folder.
    fn result(&self, py: Python<'_>) -> PyResult<JobResult> {
        let result = py.detach(|| job::earlier(&self.folder)).map_err(Fault::from)?;
        Ok(JobResult::sealed(result)?)
    }

    /// Notes a reading by hand.
    fn note(&self, reading: &Bound<'_, PyDict>) -> PyResult<()> {
        let reading: ManualReading = pythonize::depythonize(reading).map_err(|error| {
            Fault::of_use(format!("wrong reading: {error}"), "see help(crestbook.Job.note)")
        })?;
        Ok(job::note(&self.folder, &reading).map_err(Fault::from)?)
    }
}

/// Begins a job: folder, prepared sheets, check list.
#[pyfunction]
#[pyo3(signature = (folder, profile, bench=None, state="as found".to_owned(), model=None, serial=None,
                    inventory=None, reason=None, taken_at=None))]
#[allow(clippy::too_many_arguments)] // keywords of one Python call
pub(crate) fn begin_job(
    py: Python<'_>,
    folder: PathBuf,
    profile: PathBuf,
    bench: Option<PathBuf>,
    state: String,
    model: Option<String>,
    serial: Option<String>,
    inventory: Option<String>,
    reason: Option<String>,
    taken_at: Option<String>,
) -> PyResult<Job> {
    let unit = UnitFacts { model, serial, inventory };
    let with = Beginning { profile, bench, state, reason, unit, taken_at, ..Beginning::default() };
    py.detach(|| job::begin(&folder, &with)).map_err(Fault::from)?;
    Ok(Job { folder })
}

/// Lays out the invented bench.
#[pyfunction]
#[pyo3(signature = (folder, progress=None))]
pub(crate) fn demo(py: Python<'_>, folder: PathBuf, progress: Option<Py<PyAny>>) -> PyResult<()> {
    away(py, progress.as_ref(), |watch| {
        if folder.as_os_str().is_empty() {
            return Err(Fault::new(ErrorCode::WrongUse, "no folder is named", None));
        }
        Ok(crestbook::demo::lay_out(&folder, watch)?)
    })
}
