//! What is to be added: a result with the files it rests on, read and checked.

use super::captures::hash_file;
use super::entry::{FileRole, KeptFile};
use super::error::ArchiveError;
use super::facts::{self, Extract};
use crate::check::CheckResult;
use crate::digest::Sha256;
use crate::result::{CaptureFacts, Form, FormError, Measurement};
use crate::verification::JobResult;
use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};

/// A result that is to be added.
#[derive(Debug)]
pub struct Parcel {
    /// The file or folder as it was named.
    pub name: String,
    /// Form of the result.
    pub form: Form,
    /// Its document, byte for byte.
    pub document: Vec<u8>,
    /// What it can be found by, and its values.
    pub extract: Extract,
    /// SHA-256 of every data file that it rests on.
    pub captures: BTreeSet<Sha256>,
    /// Files it rests on, with the path of each.
    pub files: Vec<(KeptFile, PathBuf)>,
}

/// Where files of a job lie in its folder.
#[derive(Clone, Copy, Debug)]
pub struct JobLayout {
    /// The result.
    pub result: &'static str,
    /// Folder of captures.
    pub captures: &'static str,
}

/// A document that can be kept.
#[derive(Clone, Debug, PartialEq)]
pub enum Document {
    /// A whole verification.
    Job(Box<JobResult>),
    /// One record against a setting.
    Check(Box<CheckResult>),
    /// One record.
    Measurement(Box<Measurement>),
}

impl Document {
    /// Reads a document of any kind that can be kept.
    ///
    /// # Errors
    /// Where it is none, of another form, or damaged.
    pub fn read(bytes: &[u8]) -> Result<Self, FormError> {
        match Form::Job.read(bytes) {
            Ok(job) => return Ok(Self::Job(Box::new(job))),
            Err(FormError::Other { .. }) => {}
            Err(error) => return Err(error),
        }
        match Form::Check.read(bytes) {
            Ok(check) => Ok(Self::Check(Box::new(check))),
            Err(FormError::Other { .. }) => {
                Form::Measurement.read(bytes).map(|one| Self::Measurement(Box::new(one)))
            }
            Err(error) => Err(error),
        }
    }

    /// Its form.
    #[must_use]
    pub fn form(&self) -> Form {
        match self {
            Self::Job(_) => Form::Job,
            Self::Check(_) => Form::Check,
            Self::Measurement(_) => Form::Measurement,
        }
    }

    /// What it can be found by, and its values.
    #[must_use]
    pub fn extract(&self) -> Extract {
        match self {
            Self::Job(job) => facts::of_job(job),
            Self::Check(check) => facts::of_check(check),
            Self::Measurement(one) => facts::of_measurement(one),
        }
    }

    /// The capture of a single measurement.
    #[must_use]
    pub fn capture(&self) -> Option<&CaptureFacts> {
        match self {
            Self::Job(_) => None,
            Self::Check(check) => Some(&check.measurement.capture),
            Self::Measurement(one) => Some(&one.capture),
        }
    }

    /// SHA-256 of every data file that it rests on.
    #[must_use]
    pub fn captures(&self) -> BTreeSet<Sha256> {
        match self {
            Self::Job(job) => {
                let captures = job.steps.iter().filter_map(|step| step.capture.as_ref());
                captures.flat_map(|capture| capture.sha256.iter().copied()).collect()
            }
            Self::Check(_) | Self::Measurement(_) => {
                let Some(facts) = self.capture() else { return BTreeSet::new() };
                facts
                    .sha256
                    .into_iter()
                    .chain(facts.files.iter().filter_map(|file| file.sha256))
                    .collect()
            }
        }
    }
}

impl Parcel {
    /// A document alone, without the files it rests on.
    ///
    /// # Errors
    /// Where it is none that can be kept.
    pub fn of_document(name: String, document: Vec<u8>) -> Result<Self, ArchiveError> {
        match Document::read(&document) {
            Ok(read) => Ok(Self::of(name, &read, document, Vec::new())),
            Err(error) => Err(ArchiveError::Document { name, error }),
        }
    }

    fn of(
        name: String,
        read: &Document,
        document: Vec<u8>,
        files: Vec<(KeptFile, PathBuf)>,
    ) -> Self {
        let (form, extract, captures) = (read.form(), read.extract(), read.captures());
        Self { name, form, document, extract, captures, files }
    }

    /// The result of a file, or of a job's folder, with all it rests on.
    ///
    /// # Errors
    /// Where it can't be read, was edited since it was made, or its captures are not those it was made from.
    pub fn read(named: &Path, layout: JobLayout, raw: bool) -> Result<Self, ArchiveError> {
        let folder = named.is_dir().then(|| named.to_owned());
        let path =
            folder.as_ref().map_or_else(|| named.to_owned(), |folder| folder.join(layout.result));
        let document = std::fs::read(&path)
            .map_err(|error| ArchiveError::io(&path, "can't read the result", error))?;
        let name = path.display().to_string();
        let mut read = Document::read(&document)
            .map_err(|error| ArchiveError::Document { name: name.clone(), error })?;
        let unfit = |message: &str, help: &str| ArchiveError::Unfit {
            name: name.clone(),
            message: message.to_owned(),
            help: help.to_owned(),
        };
        if let Document::Job(job) = &mut read {
            let unchanged = job.is_unchanged().map_err(|cause| ArchiveError::Document {
                name: name.clone(),
                error: FormError::Damaged { wanted: "the result of a job", cause },
            })?;
            if !unchanged {
                return Err(unfit(
                    "this result was edited since it was made, or an older version made it: its seal does not fit",
                    "run `crestbook job` again and add what it writes",
                ));
            }
        }
        // The result of a job that is named by its file lies in the folder of results of that job.
        let folder = folder.or_else(|| {
            let job =
                matches!(read, Document::Job(_)).then(|| path.parent()?.parent()).flatten()?;
            job.join("job.toml").is_file().then(|| job.to_owned())
        });
        let files = match (&read, folder) {
            (Document::Job(_), Some(folder)) => of_folder(&folder, layout)?,
            (Document::Job(_), None) => Vec::new(),
            (Document::Check(_) | Document::Measurement(_), _) => of_capture(&read, &path)?,
        };
        let found: BTreeSet<Sha256> = files.iter().map(|(file, _)| file.sha256).collect();
        let wanted = read.captures();
        if raw && wanted.iter().any(|sha256| !found.contains(sha256)) {
            return Err(match read {
                Document::Job(_) => unfit(
                    "some captures are not those the result was made from, or are not there",
                    "run `crestbook job` again, or keep the hashes alone with --no-raw",
                ),
                _ => unfit(
                    "its capture is not the one it was made from, or is not there",
                    "measure it again, or keep its hash alone with --no-raw",
                ),
            });
        }
        if raw && wanted.is_empty() && read.capture().is_some() {
            return Err(unfit(
                "it does not say by a SHA-256 which capture it was made from",
                "measure again with --json, or keep it without its capture with --no-raw",
            ));
        }
        Ok(Self::of(name, &read, document, files))
    }
}

/// The files of a job's folder.
fn of_folder(folder: &Path, layout: JobLayout) -> Result<Vec<(KeptFile, PathBuf)>, ArchiveError> {
    let mut paths = vec![(FileRole::Job, folder.join("job.toml"))];
    let tops = std::fs::read_dir(folder)
        .map_err(|error| ArchiveError::io(folder, "can't read it", error))?;
    for path in tops.flatten().map(|entry| entry.path()) {
        let sheet = path.file_name().is_some_and(|name| name.to_string_lossy().ends_with(".toml"));
        if sheet && path.is_file() && !path.ends_with("job.toml") {
            let plan = path.file_name().is_some_and(|name| name != "bench.capture.toml");
            paths.push((if plan { FileRole::Plan } else { FileRole::Sheet }, path));
        }
    }
    let captures = folder.join(layout.captures);
    if captures.is_dir() {
        walk(&captures, &mut paths)?;
    }
    paths.sort_by(|a, b| a.1.cmp(&b.1));
    paths.into_iter().map(|(role, path)| one(role, path, folder)).collect()
}

fn walk(folder: &Path, paths: &mut Vec<(FileRole, PathBuf)>) -> Result<(), ArchiveError> {
    let fail = |error| ArchiveError::io(folder, "can't read the captures", error);
    for entry in std::fs::read_dir(folder).map_err(fail)? {
        let path = entry.map_err(fail)?.path();
        // A link out of the folder is followed for a file, as `job` does, and not for a folder.
        if path.is_dir() {
            if !path.is_symlink() {
                walk(&path, paths)?;
            }
        } else if path.is_file() && !crate::files::left_over(&path) {
            let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
            let sheet =
                name.is_some_and(|name| name.ends_with(".toml") || name.ends_with(".truth.json"));
            paths.push((if sheet { FileRole::Sheet } else { FileRole::Capture }, path));
        }
    }
    Ok(())
}

fn one(role: FileRole, path: PathBuf, folder: &Path) -> Result<(KeptFile, PathBuf), ArchiveError> {
    let (sha256, bytes) = hash_file(&path)?;
    let inside = path.strip_prefix(folder).unwrap_or(&path);
    let parts = inside.components().filter_map(|part| match part {
        Component::Normal(part) => Some(part.to_string_lossy().into_owned()),
        _ => None,
    });
    let name = parts.collect::<Vec<_>>().join("/");
    Ok((KeptFile { role, name, sha256, bytes, kept: false }, path))
}

/// The capture of a measurement: where it says, seen from here or from the result's own folder.
fn of_capture(read: &Document, result: &Path) -> Result<Vec<(KeptFile, PathBuf)>, ArchiveError> {
    let Some(facts) = read.capture() else { return Ok(Vec::new()) };
    let beside = result.parent().unwrap_or(Path::new("."));
    let mut found: Vec<(KeptFile, PathBuf)> = Vec::new();
    let names: BTreeSet<&str> =
        facts.files.iter().map(|file| file.file.as_str()).chain([facts.file.as_str()]).collect();
    for name in names {
        let places = [PathBuf::from(name), beside.join(name)];
        let Some(path) = places.into_iter().find(|path| path.is_file()) else { continue };
        let folder = path.parent().map(Path::to_owned).unwrap_or_default();
        found.push(one(FileRole::Capture, path.clone(), &folder)?);
        let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let sheet = folder.join(format!("{stem}.capture.toml"));
        if sheet.is_file() {
            found.push(one(FileRole::Sheet, sheet, &folder)?);
        }
    }
    Ok(found)
}
