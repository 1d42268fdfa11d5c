//! A capture: its data file and its sheet, from whatever the user named.

use super::PipelineError;
use crate::ingest::sheet::{self, ChannelName, ChannelSheet, LoadKind, Sheet, SheetKey, TextHints};
use crate::ingest::{ChannelInfo, Selection};
use crate::units::Unit;
use std::path::{Path, PathBuf};

/// Sheet and data do not go together.
#[derive(Debug, thiserror::Error)]
#[error("{}: {message}", file.display())]
pub struct CaptureError {
    /// The data file.
    pub file: PathBuf,
    /// What does not fit.
    pub message: String,
    /// What to do.
    pub help: String,
}

/// A data file with its sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Capture {
    /// Data file.
    pub data: PathBuf,
    /// Its sheet; empty where there is none.
    pub sheet: Sheet,
    /// The sheet's file, where there is one.
    pub sheet_file: Option<PathBuf>,
}

impl Capture {
    /// A data file without a sheet.
    #[must_use]
    pub fn bare(data: &Path) -> Self {
        Self { data: data.to_owned(), sheet: Sheet::default(), sheet_file: None }
    }

    /// Nominal resistance of the load, ohm.
    #[must_use]
    pub fn load_ohm(&self) -> Option<f64> {
        self.sheet.load.as_ref()?.nominal_ohm
    }

    /// Kind of load; a resistor where only its resistance is stated.
    #[must_use]
    pub fn load_kind(&self) -> Option<LoadKind> {
        let load = self.sheet.load.as_ref()?;
        load.kind.or(load.nominal_ohm.map(|_| LoadKind::Resistor))
    }

    /// Hints for reading text.
    #[must_use]
    pub fn hints(&self) -> TextHints {
        self.sheet.text.clone().unwrap_or_default()
    }

    /// What the sheet says of a channel; empty where it says nothing.
    #[must_use]
    pub fn channel_sheet(&self, voltage: bool) -> ChannelSheet {
        let side = if voltage { &self.sheet.voltage } else { &self.sheet.current };
        side.clone().unwrap_or_default()
    }

    /// Which channels of the file are the voltage and the current; what was taken without being
    /// told is given to `note`.
    pub(super) fn select(
        &self,
        channels: &[ChannelInfo],
        note: &mut dyn FnMut(String),
    ) -> Result<Selection, CaptureError> {
        let fail = |message: String| {
            let names: Vec<&str> = channels.iter().map(|channel| channel.name.as_str()).collect();
            CaptureError {
                file: self.data.clone(),
                message,
                help: format!(
                    "channels here: {}; set `voltage.channel` and `current.channel` in the sheet",
                    names
                        .iter()
                        .enumerate()
                        .map(|(k, n)| format!("{k} = {n}"))
                        .collect::<Vec<_>>()
                        .join(", ")
                ),
            }
        };
        let find = |name: &ChannelName| match name {
            ChannelName::Number(k) => (*k < channels.len()).then_some(*k),
            ChannelName::Name(name) => {
                let mut fits = (0..channels.len()).filter(|k| channels[*k].name == name.trim());
                // A name that stands twice names nothing.
                fits.next().filter(|_| fits.next().is_none()).or_else(|| {
                    let whole = |k: &usize| {
                        let unit = channels[*k].unit.map_or("", Unit::symbol);
                        name.replace(['(', ')', '[', ']', ' '], "")
                            == format!("{}{unit}", channels[*k].name.replace(' ', ""))
                    };
                    (0..channels.len()).find(whole)
                })
            }
        };
        let stated = |side: &Option<ChannelSheet>,
                      key: &str|
         -> Result<Option<usize>, CaptureError> {
            let Some(name) = side.as_ref().and_then(|side| side.channel.as_ref()) else {
                return Ok(None);
            };
            let shown = match name {
                ChannelName::Number(k) => k.to_string(),
                ChannelName::Name(name) => format!("\"{name}\""),
            };
            find(name).map(Some).ok_or_else(|| {
                fail(format!("the sheet names {key} = {shown}, which is not there, or not once"))
            })
        };
        let (sheet_v, sheet_i) = (&self.sheet.voltage, &self.sheet.current);
        let mut voltage = stated(sheet_v, "voltage.channel")?;
        let mut current = stated(sheet_i, "current.channel")?;
        // A sheet that speaks of one channel only means one channel only.
        let told = sheet_v.is_some() || sheet_i.is_some();
        let (want_v, want_i) = (!told || sheet_v.is_some(), !told || sheet_i.is_some());
        let by_unit = |unit: Unit, taken: Option<usize>| {
            (0..channels.len()).find(|k| Some(*k) != taken && channels[*k].unit == Some(unit))
        };
        let free = |taken: Option<usize>, other: Unit| {
            (0..channels.len()).find(|k| Some(*k) != taken && channels[*k].unit != Some(other))
        };
        let guessed = (want_v && voltage.is_none()) || (want_i && current.is_none());
        if want_v && voltage.is_none() {
            voltage = by_unit(Unit::Volt, current).or_else(|| free(current, Unit::Ampere));
        }
        if want_i && current.is_none() {
            current = by_unit(Unit::Ampere, voltage).or_else(|| free(voltage, Unit::Volt));
        }
        if guessed {
            let name = |k: Option<usize>| k.map_or("none", |k| channels[k].name.as_str());
            note(format!(
                "voltage: {}, current: {} (not told by a sheet)",
                name(voltage),
                name(current)
            ));
        }
        if voltage.is_some() && voltage == current {
            return Err(fail("voltage and current are the same channel".into()));
        }
        let wrong = |channel: Option<usize>, unit: Unit| {
            channel.and_then(|k| channels[k].unit).is_some_and(|found| found != unit)
        };
        if wrong(voltage, Unit::Volt) || wrong(current, Unit::Ampere) {
            return Err(fail("a channel has another unit in the file than its role needs".into()));
        }
        if voltage.is_none() && current.is_none() {
            return Err(fail("there is no channel that could be a voltage or a current".into()));
        }
        Ok(Selection { voltage, current })
    }
}

/// Finds the data file and the sheet of what the user named: a data file or a sheet.
///
/// `replaced` holds sheet keys that were given as flags.
///
/// # Errors
/// Where the sheet can't be read, is wrong, or names no data file that is there.
pub fn resolve(
    named: &Path,
    sheet_file: Option<&Path>,
    replaced: &[(&'static SheetKey, String)],
) -> Result<Capture, PipelineError> {
    let is_sheet = named.to_string_lossy().ends_with(".capture.toml");
    let beside = if is_sheet {
        Some(named.to_owned())
    } else if named == Path::new("-") {
        None
    } else {
        let stem = named.file_stem().map(|stem| stem.to_string_lossy().into_owned());
        stem.map(|stem| named.with_file_name(format!("{stem}.capture.toml"))).filter(|p| p.exists())
    };
    let sheet_file = sheet_file.map(Path::to_owned).or(beside);
    let text = match &sheet_file {
        None => String::new(),
        Some(file) => {
            std::fs::read_to_string(file).map_err(|source| crate::ingest::IngestError::Io {
                file: file.clone(),
                what: "can't read the sheet",
                source,
            })?
        }
    };
    let shown = sheet_file.clone().unwrap_or_else(|| PathBuf::from("flags"));
    let sheet = sheet::read_with(&shown, &text, replaced)?;
    let data = if is_sheet {
        let folder = named.parent().unwrap_or(Path::new(""));
        match &sheet.data {
            Some(data) => folder.join(data),
            None => {
                let stem =
                    named.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
                let stem = stem.trim_end_matches(".capture.toml").to_owned();
                let found = crate::ingest::registry::FORMATS
                    .iter()
                    .flat_map(|format| format.endings)
                    .map(|ending| folder.join(format!("{stem}.{ending}")))
                    .find(|path| path.exists());
                found.ok_or_else(|| CaptureError {
                    file: named.to_owned(),
                    message: format!("there is no data file named {stem} beside this sheet"),
                    help: "name it with `data = \"...\"` in the sheet".into(),
                })?
            }
        }
    } else {
        named.to_owned()
    };
    Ok(Capture { data, sheet, sheet_file })
}
