//! Exact synthetic captures.

use crate::errors::Fault;
use crate::watch::away;
use crestbook::explain::ErrorCode;
use crestbook::sheet::SubjectSheet;
use crestbook::synth::{Recipe, Request, truth};
use crestbook::synthetic;
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::PathBuf;

/// A synthetic capture and its true values.
#[pyclass(frozen, module = "crestbook._engine")]
pub(crate) struct Synthetic {
    recipe: Recipe,
}

/// A synthetic capture by shape and flags.
#[pyfunction]
pub(crate) fn synth(given: &Bound<'_, PyDict>) -> PyResult<Synthetic> {
    let request: Request = pythonize::depythonize(given).map_err(|error| {
        Fault::of_use(format!("wrong argument: {error}"), "see help(crestbook.synth)")
    })?;
    Ok(Synthetic { recipe: request.recipe().map_err(Fault::from)? })
}

#[pymethods]
impl Synthetic {
    /// Volts and amperes of all samples.
    #[allow(clippy::type_complexity)] // two arrays
    fn samples<'py>(
        &self,
        py: Python<'py>,
    ) -> PyResult<(Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<f64>>)> {
        let block = away(py, None, |_| Ok(self.recipe.block(0..self.recipe.samples)))?;
        Ok((PyArray1::from_vec(py, block.v), PyArray1::from_vec(py, block.i)))
    }

    #[getter]
    fn sample_rate_hz(&self) -> f64 {
        self.recipe.rate.hertz()
    }

    #[getter]
    fn load_ohm(&self) -> f64 {
        self.recipe.load_ohm
    }

    /// The true values, from closed forms.
    fn truth<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        Ok(pythonize::pythonize(py, &truth(&self.recipe, 0.1))?)
    }

    /// Writes data, sheet and truth.
    #[pyo3(signature = (path, overwrite=false, progress=None))]
    fn save(
        &self,
        py: Python<'_>,
        path: PathBuf,
        overwrite: bool,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<()> {
        away(py, progress.as_ref(), |watch| {
            let subject = SubjectSheet::default();
            let written = synthetic::write(&self.recipe, &path, &subject, overwrite, watch);
            written.map(|_| ()).map_err(|error| match error {
                synthetic::SynthError::Exists { .. } => {
                    let help = "choose another name, or pass overwrite=True";
                    Fault::new(ErrorCode::WrongUse, error.to_string(), Some(help.into()))
                }
                other => other.into(),
            })
        })
    }
}
