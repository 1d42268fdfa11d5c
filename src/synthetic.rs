//! A synthetic capture as files: data, sheet and true values.

use crate::explain::{ErrorCode, Explain};
use crate::export::{self, Writable};
use crate::files::{WriteError, write_whole};
use crate::recording::Observer;
use crate::sheet::{ChannelName, ChannelSheet, LoadKind, LoadSheet, Sheet, SubjectSheet};
use crate::synth::{Recipe, truth};
use crate::trace::{Channels, PerChannel};
use std::path::{Path, PathBuf};

/// Why a synthetic capture can't be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SynthError {
    /// No format has this ending.
    #[error("{}: no format has this ending", file.display())]
    Ending {
        /// The file.
        file: PathBuf,
    },
    /// A file of this name already exists.
    #[error("{}: a file of this name already exists", file.display())]
    Exists {
        /// The file.
        file: PathBuf,
    },
    /// The disk.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The user broke off.
    #[error("interrupted")]
    Interrupted,
}

impl Explain for SynthError {
    fn code(&self) -> ErrorCode {
        match self {
            Self::Ending { .. } | Self::Exists { .. } => ErrorCode::WrongUse,
            Self::Write(error) => error.code(),
            Self::Interrupted => ErrorCode::Interrupted,
        }
    }

    fn file(&self) -> Option<&Path> {
        match self {
            Self::Write(error) => error.file(),
            _ => None,
        }
    }

    fn help(&self) -> Option<String> {
        match self {
            Self::Ending { .. } => {
                let known: Vec<&str> = export::endings().collect();
                Some(format!("end the name in one of: {}", known.join(", ")))
            }
            Self::Exists { .. } => Some("choose another name, or overwrite it with --force".into()),
            Self::Write(error) => error.help(),
            Self::Interrupted => None,
        }
    }
}

/// Samples written at a time.
const BLOCK: u64 = 1 << 14;

/// Writes a capture, its sheet and its true values; gives the paths of the latter two.
///
/// # Errors
/// Where the ending is of no format, a file is in the way and not to be overwritten, the disk can't
/// take it, or the observer ends it.
pub fn write(
    recipe: &Recipe,
    data: &Path,
    subject: &SubjectSheet,
    overwrite: bool,
    observer: &dyn Observer,
) -> Result<[PathBuf; 2], SynthError> {
    let Some(format) = export::writable(data) else {
        return Err(SynthError::Ending { file: data.to_owned() });
    };
    // Only stated for integer files; floats are volts and amperes.
    let full = PerChannel {
        voltage: recipe.full_scale_v(),
        current: recipe.full_scale_v() / recipe.load_ohm,
    };
    // Only WAV is written as codes of the converter; elsewhere values are rounded to its steps.
    let scaled = recipe.bits.is_some() && format.codes;
    let shape = export::Shape {
        channels: Channels { voltage: true, current: true },
        rate: recipe.rate,
        samples: recipe.samples,
        bits: recipe.bits.filter(|_| scaled),
        full_scale: full,
        floats: export::Floats::Usual,
    };
    if !overwrite {
        let numbers = format.numbers.map(|ending| beside(data, ending));
        let written = [
            Some(data.to_owned()),
            numbers,
            Some(beside(data, "capture.toml")),
            Some(beside(data, "truth.json")),
        ];
        if let Some(file) = written.into_iter().flatten().find(|file| file.is_file()) {
            return Err(SynthError::Exists { file });
        }
    }
    let mut writer = export::create(data, &shape)?;
    let mut at = 0;
    while at < recipe.samples {
        if observer.stop() {
            return Err(SynthError::Interrupted);
        }
        let end = (at + BLOCK).min(recipe.samples);
        writer.push(&recipe.block(at..end))?;
        at = end;
        observer.progress(at, recipe.samples);
    }
    let sheet = sheet(data, subject, recipe, format, scaled.then_some(full));
    let json = |error: serde_json::Error| WriteError {
        file: beside(data, "truth.json"),
        source: std::io::Error::other(error),
    };
    let mut truth = serde_json::to_string_pretty(&truth(recipe, 0.1)).map_err(json)?;
    truth.push('\n');
    let sheet = toml::to_string(&sheet).map_err(|error| WriteError {
        file: beside(data, "capture.toml"),
        source: std::io::Error::other(error),
    })?;
    writer.finish()?;
    write_whole(&beside(data, "capture.toml"), sheet.as_bytes())?;
    write_whole(&beside(data, "truth.json"), truth.as_bytes())?;
    Ok([beside(data, "capture.toml"), beside(data, "truth.json")])
}

/// The file of the same stem with another ending.
#[must_use]
pub fn beside(data: &Path, ending: &str) -> PathBuf {
    let stem = data.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    data.with_file_name(format!("{stem}.{ending}"))
}

/// What the sheet of a synthetic capture states.
fn sheet(
    data: &Path,
    subject: &SubjectSheet,
    recipe: &Recipe,
    format: &Writable,
    full_scale: Option<PerChannel<f64>>,
) -> Sheet {
    let file = data.file_name().map(PathBuf::from);
    let text = format.tells_units;
    let channel = |name: &str, number: usize, scale: Option<f64>| ChannelSheet {
        channel: Some(if text {
            ChannelName::Name(name.into())
        } else {
            ChannelName::Number(number)
        }),
        scale,
        ..ChannelSheet::default()
    };
    // Floats of a format without units are volts and amperes.
    let bare = (!format.tells_units).then_some(1.0);
    let mut current = channel("current", 1, full_scale.map(|full| full.current).or(bare));
    if recipe.skew_s != 0.0 {
        current.delay_s = Some(recipe.skew_s);
    }
    Sheet {
        format: Some(1),
        data: file,
        sample_rate_hz: (!format.tells_rate).then(|| recipe.rate.hertz()),
        voltage: Some(channel("voltage", 0, full_scale.map(|full| full.voltage).or(bare))),
        current: Some(current),
        load: Some(LoadSheet {
            kind: Some(LoadKind::Resistor),
            nominal_ohm: Some(recipe.load_ohm),
            ..LoadSheet::default()
        }),
        subject: Some(subject.clone()).filter(|subject| *subject != SubjectSheet::default()),
        ..Sheet::default()
    }
}
