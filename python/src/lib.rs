//! The engine as a Python module: it parses, calls and hands over; the classes that people use are
//! written in Python, in `crestbook/`.

mod archive;
mod arrays;
mod batch;
mod capture;
mod cards;
mod errors;
mod options;
mod results;
mod synth;
mod table;
mod units;
mod watch;

use pyo3::prelude::*;

/// The engine of crestbook.
#[pymodule]
mod _engine {
    #[pymodule_export]
    use super::archive::Archive;
    #[pymodule_export]
    use super::batch::{fault_row, key_of, may_hold_data, parts_of_sheet, rows_of_capture};
    #[pymodule_export]
    use super::capture::{Capture, from_arrays, from_bytes, open};
    #[pymodule_export]
    use super::cards::{Card, Comparison, Nearest, compare, nearest, neutral_line, translation};
    #[pymodule_export]
    use super::results::{Check, JobResult, Measurement, measures};
    #[pymodule_export]
    use super::synth::{Synthetic, synth};
    #[pymodule_export]
    use super::table::Table;
    #[pymodule_export]
    use super::units::{Job, Profile, begin_job, demo};
    use super::*;
    use std::ffi::OsString;
    use std::io::Write;

    /// Runs the command line with these arguments, the program's name first; gives the exit code.
    #[pyfunction]
    fn run_cli(py: Python<'_>, arguments: Vec<OsString>) -> u8 {
        py.detach(|| {
            let exit = crestbook::cli::main_with(arguments.into_iter());
            // Nobody else flushes it in a program that is not ours.
            let _ = std::io::stdout().flush();
            exit.number()
        })
    }

    #[pymodule_init]
    fn init(module: &Bound<'_, PyModule>) -> PyResult<()> {
        module.add("TIME_BASE", crestbook::term::Term::Time.name())?;
        module.add("__version__", env!("CARGO_PKG_VERSION"))
    }
}
