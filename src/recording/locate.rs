//! A capture: its data file and its sheet, from whatever the user named.

use super::RecordingError;
use crate::explain::{ErrorCode, Explain};
use crate::ingest::layout::Layout;
use crate::ingest::{IngestError, description_of};
use crate::keyfile::KeyfileError;
use crate::sheet::{self, ChannelSheet, LoadKind, Sheet, SheetKey, TextHints};
use crate::trace::{Channel, Samples};
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

impl Explain for CaptureError {
    fn code(&self) -> ErrorCode {
        ErrorCode::WrongCapture
    }

    fn file(&self) -> Option<&Path> {
        Some(&self.file)
    }

    fn help(&self) -> Option<String> {
        Some(self.help.clone())
    }
}

/// A data file with its sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Capture {
    /// Data file.
    pub data: PathBuf,
    /// Data file of the current, where it has its own.
    pub data_current: Option<PathBuf>,
    /// Kept text layout that the data file must fit.
    pub layout: Option<Layout>,
    /// Its sheet; empty where there is none.
    pub sheet: Sheet,
    /// The sheet's file, where there is one.
    pub sheet_file: Option<PathBuf>,
}

impl Capture {
    /// A data file without a sheet.
    #[must_use]
    pub fn bare(data: &Path) -> Self {
        Self {
            data: data.to_owned(),
            data_current: None,
            layout: None,
            sheet: Sheet::default(),
            sheet_file: None,
        }
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

    /// Refuses a delay that is longer than the record: what one channel shows the other does not.
    ///
    /// # Errors
    /// Where there is one.
    pub fn check_delays(&self, samples: &dyn Samples) -> Result<(), RecordingError> {
        let length = samples.rate().seconds(samples.len() as f64);
        for channel in Channel::BOTH {
            let delay = self.channel_sheet(channel).delay_s.unwrap_or(0.0);
            if delay.abs() < length {
                continue;
            }
            let file = self.sheet_file.clone().unwrap_or_else(|| PathBuf::from("flags"));
            let text = std::fs::read_to_string(&file).unwrap_or_default();
            let message = format!(
                "a delay of {delay:e} s is not shorter than the record of {length:e} s: nothing is \
                 left of the channel"
            );
            let error = KeyfileError::at_key(&file, &text, &[channel.name(), "delay_s"], message);
            return Err(error.with_help("delays of probes are nanoseconds; give seconds").into());
        }
        Ok(())
    }

    /// Hints for reading text.
    #[must_use]
    pub fn hints(&self) -> TextHints {
        self.sheet.text.clone().unwrap_or_default()
    }

    /// What the sheet says of a channel; empty where it says nothing.
    #[must_use]
    pub fn channel_sheet(&self, channel: Channel) -> ChannelSheet {
        channel.of((&self.sheet.voltage, &self.sheet.current)).clone().unwrap_or_default()
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
) -> Result<Capture, RecordingError> {
    let is_sheet = named.to_string_lossy().ends_with(".capture.toml");
    let beside = if is_sheet {
        Some(named.to_owned())
    } else if named == Path::new("-") {
        None
    } else {
        // The sheet with the whole name first: `a.wav.capture.toml`, then `a.capture.toml`.
        // Of a packed file that of what it holds: `a.csv.gz` goes with `a.capture.toml`.
        let packed = named.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("gz"));
        let inner = if packed { named.with_extension("") } else { named.to_owned() };
        [named.file_name(), inner.file_name(), inner.file_stem()]
            .into_iter()
            .flatten()
            .map(|name| named.with_file_name(format!("{}.capture.toml", name.to_string_lossy())))
            .find(|sheet| sheet.exists())
    };
    let sheet_file = sheet_file.map(Path::to_owned).or(beside);
    let text = match &sheet_file {
        None => String::new(),
        Some(file) => read_text(file, "can't read the sheet")?,
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
                let endings = crate::ingest::FORMATS.iter().flat_map(|format| format.endings);
                let mut names = endings.flat_map(|ending| {
                    [ending.to_string(), ending.to_uppercase(), format!("{ending}.gz")]
                });
                let found = names.find_map(|ending| {
                    Some(folder.join(format!("{stem}.{ending}"))).filter(|path| path.exists())
                });
                found.ok_or_else(|| CaptureError {
                    file: named.to_owned(),
                    message: format!("no data file named {stem} beside this sheet"),
                    help: "name it with `data = \"...\"` in the sheet".into(),
                })?
            }
        }
    } else {
        let data = description_of(named).unwrap_or_else(|| named.to_owned());
        if let (Some(file), Some(other)) = (&sheet_file, &sheet.data) {
            let told = file.parent().unwrap_or(Path::new("")).join(other);
            if !is_same(&told, named) && !is_same(&told, &data) {
                return Err(CaptureError {
                    file: file.clone(),
                    message: format!(
                        "this sheet is made for {}, not for {}",
                        other.display(),
                        named.display()
                    ),
                    help: "write a sheet for it under another name and give --sheet, or name the data \
                           file that belongs to the sheet"
                        .into(),
                }
                .into());
            }
        }
        data
    };
    // Files named in the sheet stand beside it, those given as flags where the user stands.
    let flagged = |key: &str| replaced.iter().any(|(known, _)| known.path == [key]);
    let folder = |key: &str| match sheet_file.as_ref().filter(|_| !flagged(key)) {
        Some(file) => file.parent().unwrap_or(Path::new("")).to_owned(),
        None => PathBuf::new(),
    };
    let data_current = sheet.data_current.as_ref().map(|name| folder("data_current").join(name));
    let layout = match &sheet.layout {
        None => None,
        Some(name) => {
            let file = folder("layout").join(name);
            Some(Layout::read(&file, &read_text(&file, "can't read the layout")?)?)
        }
    };
    Ok(Capture { data, data_current, layout, sheet, sheet_file })
}

/// Whether two paths name one file; by their names where one is not there.
fn is_same(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a.file_name() == b.file_name(),
    }
}

fn read_text(file: &Path, what: &'static str) -> Result<String, IngestError> {
    std::fs::read_to_string(file).map_err(|source| IngestError::Io {
        file: file.to_owned(),
        what,
        source,
    })
}
