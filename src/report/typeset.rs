//! Papers as PDF/A, set by typst.

use super::job::{ArchivePart, Look, ReportError};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::OnceLock;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

/// For the words in pictures, the same as in those that are rasterised.
const SANS: &[u8] = include_bytes!("font/DejaVuSans-subset.ttf");

/// Files that a template may read, by name.
pub(super) type Files = BTreeMap<String, Vec<u8>>;

/// Name of the file with what is on the paper.
pub(super) const DATA: &str = "report.json";

/// A picture whose words take the embedded font.
pub(super) fn drawn(svg: &str) -> Vec<u8> {
    svg.replace("sans-serif", "DejaVu Sans").into_bytes()
}

/// Sets `template`, or the one that the look has instead, with these files; `program` is the version that
/// made what is on the paper.
///
/// # Errors
/// What typst says of the template, or why the standard can't be kept to, such as a sign that no
/// font has.
pub(super) fn pdf(
    template: &str,
    files: Files,
    program: &str,
    look: &Look,
) -> Result<Vec<u8>, ReportError> {
    let desk = Desk::new(template, files, look)?;
    desk.can_write()?;
    let document = typst::compile::<PagedDocument>(&desk).output;
    let document = document.map_err(|errors| told(&errors))?;
    let standard = match look.archive_part {
        ArchivePart::A1b => PdfStandard::A_1b,
        ArchivePart::A2b => PdfStandard::A_2b,
        ArchivePart::A3b => PdfStandard::A_3b,
    };
    let standards =
        PdfStandards::new(&[standard]).map_err(|error| ReportError(error.message().to_string()))?;
    let options = PdfOptions {
        creator: Smart::Custom(Some(format!("crestbook {}", program))),
        timestamp: moment(look.made_at).map(Timestamp::new_utc),
        standards,
        ..PdfOptions::default()
    };
    typst_pdf::pdf(&document, &options).map_err(|errors| told(&errors))
}

fn told(errors: &[SourceDiagnostic]) -> ReportError {
    let one = |error: &SourceDiagnostic| {
        let hints: Vec<&str> = error.hints.iter().map(|hint| hint.v.as_str()).collect();
        let hints =
            if hints.is_empty() { String::new() } else { format!(" ({})", hints.join("; ")) };
        format!("{}{hints}", error.message)
    };
    ReportError(errors.iter().map(one).collect::<Vec<_>>().join("; "))
}

fn moment(at: jiff::Timestamp) -> Option<Datetime> {
    let at = jiff::tz::Offset::UTC.to_datetime(at);
    let small = |x: i8| u8::try_from(x).unwrap_or(0);
    Datetime::from_ymd_hms(
        i32::from(at.year()),
        small(at.month()),
        small(at.day()),
        small(at.hour()),
        small(at.minute()),
        small(at.second()),
    )
}

/// What typst sees: the files of the report, the template's folder, the embedded fonts.
struct Desk {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    main: FileId,
    template: String,
    files: Files,
    folder: Option<PathBuf>,
    today: Option<Datetime>,
}

impl Desk {
    fn new(template: &str, files: Files, look: &Look) -> Result<Self, ReportError> {
        let mut fonts = embedded().clone();
        for path in look.folder.iter().flat_map(std::fs::read_dir).flatten().flatten() {
            let path = path.path();
            let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
            if matches!(ending.as_deref(), Some("ttf" | "otf"))
                && let Ok(bytes) = std::fs::read(&path)
            {
                fonts.extend(Font::iter(Bytes::new(bytes)));
            }
        }
        let main =
            VirtualPath::new("main.typ").map_err(|error| ReportError(format!("{error:?}")))?;
        Ok(Self {
            library: LazyHash::new(Library::default()),
            book: LazyHash::new(FontBook::from_fonts(&fonts)),
            fonts,
            main: RootedPath::new(VirtualRoot::Project, main).intern(),
            template: look.template.clone().unwrap_or_else(|| template.into()),
            files,
            folder: look.folder.clone(),
            today: moment(look.made_at),
        })
    }

    /// Refuses signs that no font has: they would be empty boxes in a file made to be kept.
    fn can_write(&self) -> Result<(), ReportError> {
        let text = self.files.get(DATA).map_or(&[] as &[u8], Vec::as_slice);
        let text = String::from_utf8_lossy(text);
        let known = |sign: char| {
            let infos = (0..self.fonts.len()).filter_map(|k| self.book.info(k));
            infos.into_iter().any(|info| info.coverage.contains(u32::from(sign)))
        };
        match text.chars().find(|sign| !sign.is_ascii() && !known(*sign)) {
            None => Ok(()),
            Some(sign) => Err(ReportError(format!(
                "no font has the sign `{sign}` (U+{:04X}): write it otherwise, or give a template with \
                 a font for it beside it",
                u32::from(sign)
            ))),
        }
    }

    fn bytes(&self, id: FileId) -> FileResult<Vec<u8>> {
        let path = id.get();
        // Packages would have to be fetched.
        if matches!(path.root(), VirtualRoot::Package(_)) {
            return Err(FileError::Other(Some("packages can't be used here".into())));
        }
        let name = path.vpath().get_without_slash();
        if let Some(bytes) = self.files.get(name) {
            return Ok(bytes.clone());
        }
        let missing = || FileError::NotFound(PathBuf::from(name));
        let folder = self.folder.as_ref().ok_or_else(missing)?;
        let real = path.vpath().realize(folder).map_err(|_| missing())?;
        std::fs::read(&real).map_err(|error| FileError::from_io(error, &real))
    }
}

fn embedded() -> &'static Vec<Font> {
    static FONTS: OnceLock<Vec<Font>> = OnceLock::new();
    FONTS.get_or_init(|| {
        let all = typst_assets::fonts().chain([SANS]);
        all.flat_map(|bytes| Font::iter(Bytes::new(bytes))).collect()
    })
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.book
    }

    fn main(&self) -> FileId {
        self.main
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.main {
            return Ok(Source::new(id, self.template.clone()));
        }
        let text = String::from_utf8(self.bytes(id)?).map_err(|_| FileError::InvalidUtf8)?;
        Ok(Source::new(id, text))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.bytes(id).map(Bytes::new)
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.fonts.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        self.today
    }
}
