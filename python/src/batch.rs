//! One capture of many: its key, and its rows whatever happens.

use crate::errors::Fault;
use crate::options::{Options, sheet_of};
use crate::table::Table;
use crate::units::Profile;
use crate::watch::Watch;
use crestbook::Recording;
use crestbook::analysis::{Settings, measure_record};
use crestbook::digest::{Hasher, Sha256};
use crestbook::explain::ErrorCode;
use crestbook::recording::resolve;
use crestbook::report::long::{self, Origin, Row};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

/// SHA-256 over texts and bytes, each with its length, so that no two lists give the same bytes.
#[pyfunction]
pub(crate) fn key_of(py: Python<'_>, parts: Vec<Vec<u8>>) -> String {
    py.detach(|| {
        let mut hasher = Hasher::default();
        for part in &parts {
            // Hashing can't fail.
            let _ = hasher.write_all(&(part.len() as u64).to_le_bytes());
            let _ = hasher.write_all(part);
        }
        hasher.finish().to_string()
    })
}

/// Names of the other files that a sheet names: data, data of the current, layout.
#[pyfunction]
pub(crate) fn parts_of_sheet(text: &str) -> PyResult<Vec<String>> {
    let sheet = sheet_of(Some(text))?;
    let named = [sheet.data, sheet.data_current, sheet.layout].into_iter().flatten();
    Ok(named.map(|path| path.display().to_string()).collect())
}

/// Whether a file may be a capture or a part of one, by the ending of its name.
#[pyfunction]
pub(crate) fn may_hold_data(path: PathBuf) -> bool {
    crestbook::ingest::may_hold_data(&path)
}

/// The row of a capture whose bytes could not be had.
#[pyfunction]
pub(crate) fn fault_row(capture: String, why: String) -> Table {
    let origin = Origin { capture, ..Origin::default() };
    Table::of(vec![long::of_fault(&origin, ErrorCode::Unreadable, why)])
}

/// Measures every record of a capture, with one thread; what goes wrong is a row.
#[pyfunction]
#[pyo3(signature = (path, capture, sha256, key, profile=None, setting=None, options=None))]
#[allow(clippy::too_many_arguments)] // called from one place
pub(crate) fn rows_of_capture(
    py: Python<'_>,
    path: PathBuf,
    capture: String,
    sha256: Option<String>,
    key: String,
    profile: Option<&Profile>,
    setting: Option<String>,
    options: Option<&Bound<'_, PyDict>>,
) -> PyResult<Table> {
    let options = Options::of(options)?;
    let profile = profile.map(|profile| Arc::clone(&profile.0));
    let sha256 = sha256.and_then(|text| Sha256::parse(&text));
    let origin = Origin { capture, sha256, key, ..Origin::default() };
    let rows = py.detach(|| {
        let measured = rows(&path, &origin, profile.as_deref(), setting.as_deref(), &options);
        measured.unwrap_or_else(|fault| {
            // A copy that is gone when the table is read must not be named in it.
            let told = match (path.parent(), origin.capture.rsplit_once('/')) {
                // Only what was fetched from elsewhere is a copy.
                (Some(copy), Some((own, _))) if origin.capture.contains("://") => {
                    fault.told().replace(&copy.display().to_string(), own)
                }
                _ => fault.told(),
            };
            vec![long::of_fault(&origin, fault.code(), told)]
        })
    });
    Ok(Table::of(rows))
}

fn rows(
    path: &std::path::Path,
    origin: &Origin,
    profile: Option<&crestbook::Profile>,
    setting: Option<&str>,
    options: &Options,
) -> Result<Vec<Row>, Fault> {
    let watch = Watch::default();
    let capture = resolve(path, None, &[])?;
    let mut settings = Settings::on_threads(1);
    let wanted = profile.map(|profile| profile.wanted(setting, &capture.sheet)).transpose()?;
    if let Some((profile, setting)) = profile.zip(wanted) {
        settings.expect(profile.expected(), setting);
    }
    let settings = options.over(settings)?;
    let job = capture.sheet.job.clone().unwrap_or_default();
    let origin = &Origin { step: job.step, dial: job.dial, ..origin.clone() };
    let recording = Recording::read(capture, &settings.read, &watch)?;
    let mut all = Vec::new();
    for k in 0..recording.records().len() {
        let run = measure_record(&recording, k, &settings, &watch)?;
        match profile.zip(wanted) {
            None => all.extend(long::of_measurement(origin, &run.measurement)),
            Some((profile, setting)) => {
                let check = crestbook::check(run.measurement, profile.expected(), setting);
                all.extend(long::of_check(origin, &check));
            }
        }
    }
    Ok(all)
}
