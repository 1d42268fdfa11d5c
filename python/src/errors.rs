//! Errors of the engine as exceptions, with code, file, place and help.

use crestbook::explain::{Cause, ErrorCode, Explain, Place};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::PathBuf;

/// An error with all that an exception tells of it; free of borrows, to leave a thread.
#[derive(Debug)]
pub(crate) struct Fault(Box<Told>);

#[derive(Debug)]
struct Told {
    code: ErrorCode,
    message: String,
    file: Option<PathBuf>,
    place: Option<Place>,
    excerpt: Option<String>,
    help: Option<String>,
}

impl Fault {
    /// Wrong use of a function.
    pub(crate) fn of_use(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::new(ErrorCode::WrongUse, message, Some(help.into()))
    }

    /// One without a file.
    pub(crate) fn new(code: ErrorCode, message: impl Into<String>, help: Option<String>) -> Self {
        Self(Box::new(Told {
            code,
            message: message.into(),
            file: None,
            place: None,
            excerpt: None,
            help,
        }))
    }

    /// Its kind.
    pub(crate) fn code(&self) -> ErrorCode {
        self.0.code
    }

    /// Message and help in one line.
    pub(crate) fn told(&self) -> String {
        let help = self.0.help.as_ref().map(|help| format!("; {help}"));
        format!("{}{}", self.0.message, help.unwrap_or_default())
    }

    fn raised(self, py: Python<'_>) -> PyResult<PyErr> {
        let fault = *self.0;
        let class = match fault.code.cause() {
            Cause::Use => "UseError",
            Cause::Data => "DataError",
            Cause::Output => "OutputError",
            Cause::Interrupted => "Interrupted",
        };
        let told = PyDict::new(py);
        told.set_item("code", fault.code.name())?;
        told.set_item("file", fault.file)?;
        let place = fault.place.filter(|place| *place != Place::File);
        told.set_item("place", place.map(|place| pythonize::pythonize(py, &place)).transpose()?)?;
        told.set_item("excerpt", fault.excerpt)?;
        told.set_item("help", fault.help)?;
        let class = py.import("crestbook.errors")?.getattr(class)?;
        Ok(PyErr::from_value(class.call((fault.message,), Some(&told))?))
    }
}

impl<E: Explain> From<E> for Fault {
    fn from(error: E) -> Self {
        Self(Box::new(Told {
            code: error.code(),
            message: error.message(),
            file: error.file().map(ToOwned::to_owned),
            place: error.place(),
            excerpt: error.excerpt(),
            help: error.help(),
        }))
    }
}

impl From<Fault> for PyErr {
    fn from(fault: Fault) -> Self {
        Python::attach(|py| fault.raised(py).unwrap_or_else(|error| error))
    }
}
