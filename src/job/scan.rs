//! What lies in the captures folder, and which step each capture is for.

use super::{CAPTURES, Job, JobError};
use crate::explain::Explain;
use crate::ingest::{may_hold_data, numbers_of};
use crate::sheet::{self, Sheet};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A sheet with its data, for one step.
#[derive(Clone, Debug)]
pub struct Claim {
    /// Step it names.
    pub step: String,
    /// Sheet.
    pub sheet_file: PathBuf,
    /// What it says, or why it can't be read.
    pub sheet: Result<Sheet, SheetFault>,
    /// Data files found for it: none where it is only prepared, more than one where that is not
    /// clear.
    pub data: Vec<PathBuf>,
}

impl Claim {
    /// Name of its data file, or of its sheet, for people.
    #[must_use]
    pub fn name(&self) -> String {
        let path = self.data.first().unwrap_or(&self.sheet_file);
        path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
    }
}

/// Why a sheet can't be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SheetFault {
    /// What is wrong, and where.
    pub message: String,
    /// What to do.
    pub help: Option<String>,
}

impl SheetFault {
    fn of(error: &impl Explain) -> Self {
        Self { message: error.message(), help: error.help() }
    }
}

/// All claims, by step, and what fits none.
#[derive(Clone, Debug, Default)]
pub struct Scan {
    /// Captures by step; prepared sheets without data are left out.
    pub claims: BTreeMap<String, Vec<Claim>>,
    /// Files and sheets that fit no step, with what to do.
    pub strays: Vec<String>,
}

/// Looks through the captures folder of a job.
///
/// # Errors
/// Where the folder can't be read.
pub(super) fn scan(job: &Job) -> Result<Scan, JobError> {
    let folder = job.folder.join(CAPTURES);
    let fail = |source| JobError::Io {
        file: folder.clone(),
        what: "can't read the captures folder",
        source,
    };
    let mut files: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(&folder).map_err(fail)? {
        files.push(entry.map_err(fail)?.path());
    }
    files.sort();
    let by_stem = data_by_stem(&files);
    let mut scan = Scan::default();
    let mut used: BTreeSet<PathBuf> = BTreeSet::new();
    for path in files.iter().filter(|path| is_sheet(path)) {
        let stem = stem_of(path);
        let (sheet, data) = look(path, &folder, by_stem.get(&stem), &mut used);
        let named = sheet.as_ref().ok().and_then(|sheet| sheet.job.as_ref()?.step.clone());
        let step = named.clone().unwrap_or_else(|| stem.clone());
        if !job.steps.iter().any(|known| known.id == step && known.setting.is_some()) {
            let what = match named {
                Some(step) => format!("its sheet names the step `{step}`, which the plan has not"),
                None => "its sheet names no step (job.step)".to_owned(),
            };
            scan.strays.push(format!("{}: {what}", file_name(path)));
            continue;
        }
        if !data.is_empty() {
            let claim = Claim { step: step.clone(), sheet_file: path.clone(), sheet, data };
            scan.claims.entry(step).or_default().push(claim);
        }
    }
    for path in by_stem.values().flatten().filter(|path| !used.contains(*path)) {
        let near = job.steps.iter().filter(|step| step.setting.is_some());
        let near = crate::keyfile::nearest(&stem_of(path), near.map(|step| step.id.as_str()));
        let near = near.map_or(String::new(), |near| format!("; is it the step `{near}`?"));
        scan.strays.push(format!("{}: no sheet belongs to it{near}", file_name(path)));
    }
    Ok(scan)
}

/// The sheet at a path and the data files that belong to it.
fn look(
    path: &Path,
    folder: &Path,
    beside: Option<&Vec<PathBuf>>,
    used: &mut BTreeSet<PathBuf>,
) -> (Result<Sheet, SheetFault>, Vec<PathBuf>) {
    let sheet = match std::fs::read_to_string(path) {
        Ok(text) => {
            sheet::read(Path::new(&file_name(path)), &text).map_err(|error| SheetFault::of(&error))
        }
        Err(error) => {
            Err(SheetFault { message: format!("can't read the sheet: {error}"), help: None })
        }
    };
    let named = sheet.as_ref().ok().and_then(|sheet| sheet.data.as_ref());
    let beside = beside.cloned().unwrap_or_default();
    used.extend(beside.iter().cloned());
    let second = sheet.as_ref().ok().and_then(|sheet| sheet.data_current.as_ref());
    used.extend(second.map(|second| folder.join(second)));
    let data = match named {
        Some(name) => {
            let path = folder.join(name);
            used.insert(path.clone());
            used.extend(numbers_of(&path));
            if path.is_file() { vec![path] } else { Vec::new() }
        }
        None => {
            // The bare numbers of a recording that another file describes are no file of their own.
            let bare: BTreeSet<PathBuf> =
                beside.iter().filter_map(|path| numbers_of(path)).collect();
            let second = second.map(|second| folder.join(second));
            let own = |path: &PathBuf| !bare.contains(path) && Some(path) != second.as_ref();
            beside.into_iter().filter(own).collect()
        }
    };
    (sheet, data)
}

fn data_by_stem(files: &[PathBuf]) -> BTreeMap<String, Vec<PathBuf>> {
    let mut found: BTreeMap<String, Vec<PathBuf>> = BTreeMap::new();
    for path in files.iter().filter(|path| path.is_file() && may_hold_data(path)) {
        found.entry(stem_of(path)).or_default().push(path.clone());
    }
    found
}

fn is_sheet(path: &Path) -> bool {
    path.to_string_lossy().ends_with(".capture.toml")
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn stem_of(path: &Path) -> String {
    let name = file_name(path);
    match name.strip_suffix(".capture.toml") {
        Some(stem) => stem.to_owned(),
        None => path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or(name),
    }
}
