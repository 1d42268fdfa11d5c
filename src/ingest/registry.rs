//! The formats, and how the right one is found: by content; the file's ending is only a hint.

use super::sheet::TextHints;
use super::{IngestError, Place, Source, TraceReader};
use std::path::Path;

/// Opens a source as one format.
pub type Opener = fn(Source, &TextHints) -> Result<Box<dyn TraceReader>, IngestError>;

/// One format.
pub struct Format {
    /// Short name.
    pub id: &'static str,
    /// Name for people.
    pub title: &'static str,
    /// Usual endings of file names.
    pub endings: &'static [&'static str],
    /// Whether the first bytes of a file are of this format.
    pub probe: fn(&[u8]) -> bool,
    /// Opens it.
    pub open: Opener,
}

/// Bytes at the start of a file that probes may look at.
const HEAD: usize = 4096;

/// All formats; the first whose probe accepts a file reads it, so text comes last.
pub const FORMATS: &[Format] = &[
    Format {
        id: "wav",
        title: "WAV",
        endings: &["wav"],
        probe: super::wav::probe,
        open: super::wav::open,
    },
    Format {
        id: "npy",
        title: "NumPy array",
        endings: &["npy"],
        probe: super::npy::probe,
        open: super::npy::open,
    },
    Format {
        id: "text",
        title: "delimited text",
        endings: &["csv", "txt", "tsv", "dat"],
        probe: super::text::probe,
        open: super::text::open,
    },
];

/// Opens a data file in whatever format its content shows.
///
/// # Errors
/// Where it can't be read, is damaged, is of no known format, or would have to be guessed at.
pub fn open(path: &Path, hints: &TextHints) -> Result<Box<dyn TraceReader>, IngestError> {
    let source = Source::open(path)?;
    let mut head = Vec::new();
    source.read(0, HEAD, &mut head)?;
    match FORMATS.iter().find(|format| (format.probe)(&head)) {
        Some(format) => (format.open)(source, hints),
        None => {
            let known: Vec<&str> = FORMATS.iter().map(|format| format.title).collect();
            Err(IngestError::Damaged {
                file: path.to_owned(),
                place: Place::Byte(0),
                message: "the content is of no format known here".into(),
                help: format!(
                    "formats read: {}; export the capture as one of them",
                    known.join(", ")
                ),
            })
        }
    }
}
