//! Results as documents: read, written, compared, and handed over piece by piece.

use crate::errors::Fault;
use crate::table::Table;
use crestbook::explain::ErrorCode;
use crestbook::measures::catalog::MEASURES;
use crestbook::report::job::{Look, report};
use crestbook::report::long::{self, Origin};
use crestbook::report::{budget, table};
use crestbook::result::{Form, Part};
use crestbook::trace::Kind;
use crestbook::{check, result, verification};
use pyo3::exceptions::PyKeyError;
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyList};
use std::path::PathBuf;
use std::sync::Arc;

fn json(value: &impl serde::Serialize) -> Result<String, Fault> {
    let broken =
        |error: serde_json::Error| Fault::new(ErrorCode::Internal, error.to_string(), None);
    serde_json::to_string_pretty(value).map_err(broken)
}

fn origin_of(measurement: &result::Measurement) -> Origin {
    let facts = &measurement.capture;
    Origin { capture: facts.file.clone(), sha256: facts.sha256, ..Origin::default() }
}

/// The measurement of one record.
#[pyclass(frozen, eq, module = "crestbook._engine")]
#[derive(Clone, PartialEq)]
pub(crate) struct Measurement(pub(crate) Arc<result::Measurement>);

#[pymethods]
impl Measurement {
    /// Reads the document that `to_json` or the command line wrote.
    #[staticmethod]
    fn from_json(text: &str) -> PyResult<Self> {
        let read = Form::Measurement.read(text.as_bytes()).map_err(Fault::from)?;
        Ok(Self(Arc::new(read)))
    }

    fn to_json(&self) -> PyResult<String> {
        Ok(json(self.0.as_ref())?)
    }

    /// What is small: program, capture, settings, flags, receipt.
    fn head<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let told = PyDict::new(py);
        told.set_item("program", pythonize::pythonize(py, &self.0.program)?)?;
        told.set_item("capture", pythonize::pythonize(py, &self.0.capture)?)?;
        told.set_item("settings", pythonize::pythonize(py, &self.0.settings)?)?;
        told.set_item("flags", pythonize::pythonize(py, &self.0.flags)?)?;
        told.set_item("receipt", pythonize::pythonize(py, &self.0.receipt)?)?;
        told.set_item("power_by", self.0.capture.power_by.words())?;
        Ok(told)
    }

    /// The measures of `whole`, `cut`, `coag`, `rest` or `cycle`.
    fn part<'py>(&self, py: Python<'py>, name: &str) -> PyResult<Bound<'py, PyAny>> {
        let all = [Part::Whole, Part::Cut, Part::Coag, Part::Rest, Part::Cycle];
        let part = all.into_iter().find(|part| part.name() == name).ok_or_else(|| {
            Fault::of_use(
                format!("there is no part {name:?}"),
                "a record has whole, cut, coag, rest and cycle",
            )
        })?;
        let set = self.0.part(part).map_err(|reason| PyKeyError::new_err(reason.to_string()))?;
        Ok(pythonize::pythonize(py, set)?)
    }

    /// Number of phases of a kind; all kinds without a name.
    #[pyo3(signature = (kind=None))]
    fn phase_count(&self, kind: Option<&str>) -> usize {
        match kind {
            None => self.0.phases.len(),
            Some(name) => {
                let kind = Kind::ALL.into_iter().find(|kind| kind.name() == name);
                kind.and_then(|kind| self.0.kinds.get(kind)).map_or(0, |result| result.count)
            }
        }
    }

    /// Phase `k`, from 0.
    fn phase<'py>(&self, py: Python<'py>, k: usize) -> PyResult<Option<Bound<'py, PyAny>>> {
        let phase = self.0.phases.get(k);
        Ok(phase.map(|phase| pythonize::pythonize(py, phase)).transpose()?)
    }

    /// The repeating sequence.
    fn cycles<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        Ok(pythonize::pythonize(py, &self.0.cycles)?)
    }

    /// The table that the command line shows.
    #[pyo3(signature = (all=false))]
    fn text(&self, all: bool) -> String {
        table::measurement(&self.0, table::Manner { all, ..table::Manner::default() })
    }

    /// The budgets that the command line shows.
    fn budgets(&self) -> String {
        budget::budgets(&self.0, None, table::Manner::default())
    }

    /// A row for each measure, flag and reason.
    fn table(&self) -> Table {
        Table::of(long::of_measurement(&origin_of(&self.0), &self.0))
    }
}

/// A record held against a setting.
#[pyclass(frozen, eq, module = "crestbook._engine")]
#[derive(Clone, PartialEq)]
pub(crate) struct Check(pub(crate) Arc<check::CheckResult>);

#[pymethods]
impl Check {
    /// Reads the document that `to_json` or the command line wrote.
    #[staticmethod]
    fn from_json(text: &str) -> PyResult<Self> {
        Ok(Self(Arc::new(Form::Check.read(text.as_bytes()).map_err(Fault::from)?)))
    }

    fn to_json(&self) -> PyResult<String> {
        Ok(json(self.0.as_ref())?)
    }

    /// All but the measurement.
    fn head<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let told = PyDict::new(py);
        told.set_item("verdict", self.0.verdict.words())?;
        told.set_item("setting", &self.0.setting)?;
        told.set_item("rule", &self.0.rule)?;
        told.set_item("limits", pythonize::pythonize(py, &self.0.limits)?)?;
        told.set_item("findings", pythonize::pythonize(py, &self.0.findings)?)?;
        Ok(told)
    }

    #[getter]
    fn measurement(&self) -> Measurement {
        Measurement(Arc::new(self.0.measurement.clone()))
    }

    /// The table that the command line shows.
    fn text(&self) -> String {
        table::check(&self.0, table::Manner::default())
    }

    /// A row for each limit, finding, measure, flag and reason.
    fn table(&self) -> Table {
        Table::of(long::of_check(&origin_of(&self.0.measurement), &self.0))
    }
}

/// The result of a whole verification.
#[pyclass(frozen, eq, module = "crestbook._engine")]
#[derive(Clone, PartialEq)]
pub(crate) struct JobResult(pub(crate) Arc<verification::JobResult>);

impl JobResult {
    /// A result as it was written; one that was changed since is refused.
    pub(crate) fn sealed(mut read: verification::JobResult) -> Result<Self, Fault> {
        let broken =
            |error: serde_json::Error| Fault::new(ErrorCode::Internal, error.to_string(), None);
        if !read.is_unchanged().map_err(broken)? {
            let help = "judge the job again";
            let message = "the result was changed after it was written";
            return Err(Fault::new(ErrorCode::WrongDocument, message, Some(help.into())));
        }
        Ok(Self(Arc::new(read)))
    }
}

#[pymethods]
impl JobResult {
    /// Reads the document that a job wrote; one that was changed since is refused.
    #[staticmethod]
    fn from_json(text: &str) -> PyResult<Self> {
        Ok(Self::sealed(Form::Job.read(text.as_bytes()).map_err(Fault::from)?)?)
    }

    fn to_json(&self) -> PyResult<String> {
        Ok(json(self.0.as_ref())?)
    }

    /// What is small: verdict, unit, plan, counts, findings, and the groups of judged lines.
    fn head<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let told = PyDict::new(py);
        told.set_item("verdict", self.0.verdict.words())?;
        told.set_item("job", pythonize::pythonize(py, &self.0.job)?)?;
        told.set_item("plan", pythonize::pythonize(py, &self.0.plan)?)?;
        told.set_item("counts", pythonize::pythonize(py, &self.0.counts)?)?;
        told.set_item("findings", pythonize::pythonize(py, &self.0.findings)?)?;
        told.set_item("groups", pythonize::pythonize(py, &self.0.groups)?)?;
        Ok(told)
    }

    /// The summary that the command line shows.
    fn text(&self) -> String {
        let order: Vec<&str> = self.0.steps.iter().map(|step| step.id.as_str()).collect();
        crestbook::report::job::text::summary(&self.0, &order, table::Manner::default())
    }

    /// Ids of the steps.
    #[getter]
    fn steps(&self) -> Vec<&str> {
        self.0.steps.iter().map(|step| step.id.as_str()).collect()
    }

    /// One step with its capture.
    fn step<'py>(&self, py: Python<'py>, id: &str) -> PyResult<Option<Bound<'py, PyAny>>> {
        let step = self.0.steps.iter().find(|step| step.id == id);
        Ok(step.map(|step| pythonize::pythonize(py, step)).transpose()?)
    }

    /// Writes a report in the format of the file's ending.
    fn report(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        let ending = path.extension().unwrap_or_default().to_string_lossy().into_owned();
        let Some(report) = report(&ending) else {
            let known: Vec<&str> =
                crestbook::report::job::REPORTS.iter().map(|report| report.ending).collect();
            return Err(Fault::of_use(
                format!("{}: no report has this ending", path.display()),
                format!("end the name in one of: {}", known.join(", ")),
            )
            .into());
        };
        py.detach(|| {
            let mut out = crestbook::files::WholeFile::create(&path)?;
            (report.write)(&self.0, &Look::default(), &mut out)
                .map_err(|error| Fault::new(ErrorCode::NoReport, error.to_string(), None))?;
            Ok(out.finish()?)
        })
        .map_err(|fault: Fault| fault.into())
    }

    /// A row for each judged line, measure, flag, reason and finding.
    #[pyo3(signature = (name=String::new()))]
    fn table(&self, name: String) -> Table {
        Table::of(long::of_job(&name, &self.0))
    }
}

/// Every measure: key, title, unit, formula.
#[pyfunction]
pub(crate) fn measures(py: Python<'_>) -> PyResult<Bound<'_, PyList>> {
    let rows = MEASURES.iter().map(|row| {
        let told = PyDict::new(py);
        told.set_item("key", row.measure.key())?;
        told.set_item("title", row.measure.title())?;
        told.set_item("unit", row.measure.unit().symbol())?;
        Ok(told)
    });
    PyList::new(py, rows.collect::<PyResult<Vec<_>>>()?)
}
