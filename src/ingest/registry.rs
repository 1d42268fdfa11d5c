//! The formats, and how the right one is found: by content; the file's ending is only a hint.

use super::layout::Layout;
use super::{IngestError, Limits, Place, Source, TraceReader};
use crate::sheet::TextHints;
use std::path::{Path, PathBuf};

/// What a reader is given besides the bytes.
#[derive(Clone, Debug, Default)]
pub struct Opening {
    /// How a text file is to be read, where it can be read in two ways.
    pub hints: TextHints,
    /// A kept layout that a text file must fit.
    pub layout: Option<Layout>,
    /// Bounds on what the file may ask for.
    pub limits: Limits,
    /// Files that stand beside the one being read.
    pub beside: Beside,
}

/// Where a format of several files finds the others.
#[derive(Clone, Debug, Default)]
pub enum Beside {
    /// Nowhere: one file alone.
    #[default]
    Nothing,
    /// In this folder.
    Folder(PathBuf),
    /// In memory, by name.
    Memory(Vec<(String, Source)>),
}

impl Beside {
    /// The folder of a file; nothing for standard input.
    #[must_use]
    pub fn of(path: &Path) -> Self {
        if path == Path::new("-") {
            return Self::Nothing;
        }
        match path.parent() {
            Some(folder) if folder != Path::new("") => Self::Folder(folder.to_owned()),
            _ => Self::Folder(PathBuf::from(".")),
        }
    }

    /// Opens a file by its bare name: a name with a folder in it is refused, so that metadata
    /// can't reach for files elsewhere.
    ///
    /// # Errors
    /// Where the name leaves the folder, or the file can't be opened.
    pub(super) fn open(&self, asking: &Path, name: &str) -> Result<Source, IngestError> {
        let bare = Path::new(name);
        let inside = bare.file_name().is_some_and(|file| Path::new(file) == bare)
            && !name.contains(['/', '\\', '\0']);
        if !inside {
            return Err(IngestError::Damaged {
                file: asking.to_owned(),
                place: Place::File,
                message: format!(
                    "it names the data file `{name}`, which is not in the same folder"
                ),
                help: "put both files in one folder and name the data file without a path".into(),
            });
        }
        let found = match self {
            Self::Nothing => None,
            Self::Folder(folder) => return Source::open(&folder.join(bare)),
            Self::Memory(files) => {
                files.iter().find(|(known, _)| known == name).map(|(_, source)| source.clone())
            }
        };
        found.ok_or_else(|| IngestError::Damaged {
            file: asking.to_owned(),
            place: Place::File,
            message: format!("the file `{name}` that belongs to it is missing"),
            help: "copy both files from the instrument".into(),
        })
    }
}

/// Opens a source as one format.
pub(super) type Opener = fn(Source, &Opening) -> Result<Box<dyn TraceReader>, IngestError>;

/// One format.
#[derive(Debug)]
pub struct Format {
    /// Short name.
    pub id: &'static str,
    /// Name for people.
    pub title: &'static str,
    /// Usual endings of file names.
    pub endings: &'static [&'static str],
    /// Endings of a file that describes and of the one beside it that holds the numbers, where they are
    /// two.
    pub pair: Option<(&'static str, &'static str)>,
    /// Whether the first bytes of a file are of this format.
    pub probe: fn(&[u8]) -> bool,
    /// Opens it.
    pub open: Opener,
}

/// Bytes at the start of a file that probes may look at.
const HEAD: usize = 4096;

const fn format(
    id: &'static str,
    title: &'static str,
    endings: &'static [&'static str],
    probe: fn(&[u8]) -> bool,
    open: Opener,
) -> Format {
    Format { id, title, endings, pair: None, probe, open }
}

impl Format {
    /// The same where a file of one ending describes the numbers in another.
    const fn in_two(mut self, describing: &'static str, numbers: &'static str) -> Self {
        self.pair = Some((describing, numbers));
        self
    }
}

/// The file beside this one whose name ends otherwise, in small letters or capitals.
fn sibling(path: &Path, ending: &str) -> Option<PathBuf> {
    let names = [ending.to_owned(), ending.to_uppercase()];
    names.iter().map(|ending| path.with_extension(ending)).find(|path| path.exists())
}

fn ends_in(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|own| own.eq_ignore_ascii_case(ending))
}

/// The file with the numbers that this one describes.
#[must_use]
pub fn numbers_of(path: &Path) -> Option<PathBuf> {
    let pairs = FORMATS.iter().filter_map(|format| format.pair);
    let (_, numbers) = pairs.into_iter().find(|(describing, _)| ends_in(path, describing))?;
    sibling(path, numbers)
}

/// The file that describes this one, which holds bare numbers.
#[must_use]
pub fn description_of(path: &Path) -> Option<PathBuf> {
    let pairs = FORMATS.iter().filter_map(|format| format.pair);
    let (describing, _) = pairs.into_iter().find(|(_, numbers)| ends_in(path, numbers))?;
    sibling(path, describing)
}

/// Whether a file may be a capture or a part of one, by the ending of its name.
#[must_use]
pub fn may_hold_data(path: &Path) -> bool {
    if ends_in(path, "gz") {
        return may_hold_data(&path.with_extension(""));
    }
    FORMATS.iter().any(|format| {
        format
            .endings
            .iter()
            .chain(format.pair.as_ref().map(|(_, numbers)| numbers))
            .any(|ending| ends_in(path, ending))
    })
}

/// All formats; the first whose probe accepts a file reads it, so text comes last.
pub const FORMATS: &[Format] = &[
    format("wav", "WAV", &["wav", "rf64", "bw64"], super::wav::probe, super::wav::open),
    format("npy", "NumPy array", &["npy"], super::npy::probe, super::npy::open),
    format("npz", "NumPy archive", &["npz"], super::npz::probe, super::npz::open),
    format("sr", "session archive (.sr)", &["sr"], super::sigrok::probe, super::sigrok::open),
    format("sigmf", "SigMF", &["sigmf-meta", "sigmf"], super::sigmf::probe, super::sigmf::open)
        .in_two("sigmf-meta", "sigmf-data"),
    format("comtrade", "COMTRADE", &["cfg", "cff"], super::comtrade::probe, super::comtrade::open)
        .in_two("cfg", "dat"),
    #[cfg(feature = "parquet")]
    format("parquet", "Parquet", &["parquet"], super::parquet::probe, super::parquet::open),
    format(
        "text",
        "delimited text",
        &["csv", "txt", "tsv", "dat"],
        super::text::probe,
        super::text::open,
    ),
];

/// Formats that are known by their first bytes but not read, and what to do.
const NOT_READ: &[(&[u8], &str, &str)] = &[
    #[cfg(not(feature = "parquet"))]
    (
        b"PAR1",
        "Parquet, which this program was built without",
        "build it with `cargo build --release --features parquet`",
    ),
    (
        b"MATLAB 5.0 MAT-file",
        "a MAT file of level 5, which is not read",
        "save the arrays with numpy.save or numpy.savez, or as text",
    ),
    (b"\x89HDF\r\n", "HDF5, which is not read", "save the arrays with numpy.save, or as text"),
    (b"TDSm", "TDMS, which is not read", "export the channels as text or WAV"),
];

/// The format of a file, by its first bytes.
#[must_use]
pub fn recognise(head: &[u8]) -> Option<&'static Format> {
    let not_read = NOT_READ.iter().any(|(start, ..)| head.starts_with(start));
    FORMATS.iter().find(|format| (format.probe)(head)).filter(|_| !not_read)
}

/// Whether the content of a file is of a format that is read.
#[must_use]
pub fn is_readable(source: &Source) -> bool {
    let mut head = Vec::new();
    source.read(0, HEAD, &mut head).is_ok()
        && (super::gzip::probe(&head) || recognise(&head).is_some())
}

/// Opens a data file in whatever format its content shows.
///
/// # Errors
/// Where it can't be read, is damaged, is of no known format, or would have to be guessed at.
pub fn open(path: &Path, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    open_source(Source::open(path)?, opening)
}

/// The same of bytes that are open already.
///
/// # Errors
/// As [`open`].
pub fn open_source(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let mut head = Vec::new();
    source.read(0, HEAD, &mut head)?;
    if super::gzip::probe(&head) {
        let inner = super::gzip::unpack(&source, &opening.limits)?;
        inner.read(0, HEAD, &mut head)?;
        // Packed once, not again and again.
        if !super::gzip::probe(&head) {
            return open_source(inner, opening);
        }
    }
    if let Some(format) = recognise(&head) {
        return (format.open)(source, opening);
    }
    let damaged = |message: String, help: String| {
        let file = source.name().to_owned();
        Err(IngestError::Damaged { file, place: Place::Byte(0), message, help })
    };
    if let Some((_, title, help)) = NOT_READ.iter().find(|(start, ..)| head.starts_with(start)) {
        return damaged(format!("this is {title}"), (*help).to_owned());
    }
    let known: Vec<&str> = FORMATS.iter().map(|format| format.title).collect();
    damaged(
        "the content is not in a known format".into(),
        format!("formats read: {}; export the capture as one of them", known.join(", ")),
    )
}
