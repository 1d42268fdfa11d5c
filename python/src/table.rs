//! Rows of the long table: to Arrow through its C interface, to files, and joined.

use crate::errors::Fault;
use arrow_array::ffi_stream::FFI_ArrowArrayStream;
use arrow_array::{ArrayRef, Float64Array, RecordBatch, RecordBatchIterator, StringArray};
use arrow_schema::{ArrowError, DataType, Field, Schema};
use crestbook::explain::ErrorCode;
use crestbook::files::WholeFile;
use crestbook::report::job::ReportError;
use crestbook::report::long::{self, COLUMNS, Cell, Row};
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyCapsule, PyDict, PyList};
use std::path::PathBuf;
use std::sync::Arc;

/// Rows of the long table.
#[pyclass(frozen, eq, module = "crestbook._engine")]
#[derive(Clone, PartialEq)]
pub(crate) struct Table(Arc<Vec<Row>>);

fn broken(error: &dyn std::fmt::Display) -> Fault {
    Fault::new(ErrorCode::Internal, error.to_string(), None)
}

impl Table {
    pub(crate) fn of(rows: Vec<Row>) -> Self {
        Self(Arc::new(rows))
    }

    fn batch(&self) -> Result<RecordBatch, ArrowError> {
        let field = |column: &long::Column| match column.cell {
            Cell::Text(_) => Field::new(column.name, DataType::Utf8, false),
            Cell::Number(_) => Field::new(column.name, DataType::Float64, true),
        };
        let array = |column: &long::Column| -> ArrayRef {
            match column.cell {
                Cell::Text(of) => Arc::new(StringArray::from_iter_values(self.0.iter().map(of))),
                Cell::Number(of) => Arc::new(self.0.iter().map(of).collect::<Float64Array>()),
            }
        };
        let schema = Schema::new(COLUMNS.iter().map(field).collect::<Vec<_>>());
        RecordBatch::try_new(Arc::new(schema), COLUMNS.iter().map(array).collect())
    }
}

#[pymethods]
impl Table {
    /// Rows of several tables, one after the other.
    #[staticmethod]
    fn joined(tables: Vec<PyRef<'_, Self>>) -> Self {
        Self::of(tables.iter().flat_map(|table| table.0.iter().cloned()).collect())
    }

    fn __len__(&self) -> usize {
        self.0.len()
    }

    /// Names of the columns.
    #[classattr]
    fn columns() -> Vec<&'static str> {
        COLUMNS.iter().map(|column| column.name).collect()
    }

    /// One column as a list.
    fn column<'py>(&self, py: Python<'py>, name: &str) -> PyResult<Bound<'py, PyList>> {
        let Some(column) = COLUMNS.iter().find(|column| column.name == name) else {
            let known: Vec<&str> = COLUMNS.iter().map(|column| column.name).collect();
            let help = format!("it has: {}", known.join(", "));
            return Err(Fault::of_use(format!("the table has no column {name:?}"), help).into());
        };
        match column.cell {
            Cell::Text(of) => PyList::new(py, self.0.iter().map(of)),
            Cell::Number(of) => PyList::new(py, self.0.iter().map(of)),
        }
    }

    /// Row `k` as a dict.
    fn row<'py>(&self, py: Python<'py>, k: usize) -> PyResult<Option<Bound<'py, PyDict>>> {
        let Some(row) = self.0.get(k) else { return Ok(None) };
        let told = PyDict::new(py);
        for column in COLUMNS {
            match column.cell {
                Cell::Text(of) => told.set_item(column.name, of(row))?,
                Cell::Number(of) => told.set_item(column.name, of(row))?,
            }
        }
        Ok(Some(told))
    }

    /// The rows for whoever speaks Arrow's C stream interface.
    #[pyo3(signature = (requested_schema=None))]
    fn __arrow_c_stream__<'py>(
        &self,
        py: Python<'py>,
        requested_schema: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyCapsule>> {
        // The interface lets a producer that knows one schema only give that one.
        let _ = requested_schema;
        let batch = self.batch().map_err(|error| broken(&error))?;
        let schema = batch.schema();
        let batches = RecordBatchIterator::new([Ok(batch)], schema);
        let stream = FFI_ArrowArrayStream::new(Box::new(batches));
        PyCapsule::new_with_value(py, stream, c"arrow_array_stream")
    }

    /// The rows as the bytes of a Parquet file; the same rows give the same bytes.
    fn parquet<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyBytes>> {
        let bytes = py.detach(|| {
            let mut bytes = Vec::new();
            let rows = self.0.as_ref().clone();
            long::parquet([rows], &mut bytes).map_err(|error| broken(&error))?;
            Ok::<_, Fault>(bytes)
        })?;
        Ok(PyBytes::new(py, &bytes))
    }

    /// Writes the rows to a .parquet or .csv file: whole, or not at all.
    fn write(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        let ending = path.extension().unwrap_or_default().to_string_lossy().to_lowercase();
        let write = |out: &mut WholeFile| -> Result<(), ReportError> {
            match ending.as_str() {
                "parquet" => long::parquet([self.0.as_ref().clone()], out),
                _ => long::csv(self.0.iter(), true, out),
            }
        };
        if !matches!(ending.as_str(), "parquet" | "csv") {
            let message = format!("{}: no table has this ending", path.display());
            return Err(Fault::of_use(message, "end the name in .csv or .parquet").into());
        }
        py.detach(|| {
            let mut out = WholeFile::create(&path)?;
            write(&mut out).map_err(|error| broken(&error))?;
            Ok(out.finish()?)
        })
        .map_err(|fault: Fault| fault.into())
    }
}
