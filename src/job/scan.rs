//! What lies in the captures folder, and which step each capture is for.

use super::{CAPTURES, Job, JobError};
use crate::explain::Explain;
use crate::ingest::{Source, is_readable, may_hold_data, numbers_of};
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
    /// Files and sheets that fit no step.
    pub strays: Vec<Stray>,
}

/// A file of the captures folder that fits no step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stray {
    /// Its name.
    pub file: String,
    /// Why.
    pub why: StrayWhy,
}

/// Why a file fits no step.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum StrayWhy {
    /// Its name is that of a step which takes the capture of another one.
    Shared(String),
    /// No sheet goes with it; the step whose name is nearest.
    NoSheet(Option<String>),
    /// Its sheet names a step that the plan does not have.
    NoSuchStep(String),
    /// Its sheet names no step.
    NoStepNamed,
    /// Its content is of no format that is read.
    NotRead,
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
    let (by_stem, unread) = data_by_stem(&files);
    let mut scan = Scan::default();
    let mut used: BTreeSet<PathBuf> = BTreeSet::new();
    for path in files.iter().filter(|path| is_sheet(path)) {
        let stem = stem_of(path);
        let (sheet, data) = look(path, &folder, by_stem.get(&stem), &mut used);
        let named = sheet.as_ref().ok().and_then(|sheet| sheet.job.as_ref()?.step.clone());
        let step = named.clone().unwrap_or_else(|| stem.clone());
        if !job.steps.iter().any(|known| known.id == step && known.setting.is_some()) {
            let why = named.map_or(StrayWhy::NoStepNamed, StrayWhy::NoSuchStep);
            scan.strays.push(Stray { file: file_name(path), why });
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
        let stem = stem_of(path);
        let host =
            job.steps.iter().find(|step| step.id == stem).and_then(|step| step.shares.clone());
        let why = match host {
            Some(host) => StrayWhy::Shared(host),
            None => StrayWhy::NoSheet(near.map(str::to_owned)),
        };
        scan.strays.push(Stray { file: file_name(path), why });
    }
    let unread = unread.into_iter().filter(|path| !used.contains(path));
    scan.strays.extend(unread.map(|path| Stray { file: file_name(&path), why: StrayWhy::NotRead }));
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

/// Data files by their stem, and files that are none.
fn data_by_stem(files: &[PathBuf]) -> (BTreeMap<String, Vec<PathBuf>>, Vec<PathBuf>) {
    let mut found: BTreeMap<String, Vec<PathBuf>> = BTreeMap::new();
    let mut unread = Vec::new();
    for path in files.iter().filter(|path| path.is_file() && !is_beside(path)) {
        if may_hold_data(path) || is_data(path) {
            found.entry(stem_of(path)).or_default().push(path.clone());
        } else {
            unread.push(path.clone());
        }
    }
    (found, unread)
}

/// Whether a file goes with captures and is none: a sheet, a layout, a truth, a hidden file.
fn is_beside(path: &Path) -> bool {
    let name = file_name(path);
    name.starts_with('.') || [".toml", ".json"].iter().any(|ending| name.ends_with(ending))
}

/// Whether the content of a file of an unusual name is of a format that is read.
fn is_data(path: &Path) -> bool {
    Source::open(path).is_ok_and(|source| is_readable(&source))
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
        None => {
            // cut.csv.gz is the packed cut.csv.
            let packed = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("gz"));
            let inner = if packed { path.with_extension("") } else { path.to_owned() };
            inner.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or(name)
        }
    }
}
