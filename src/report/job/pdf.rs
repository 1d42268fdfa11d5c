//! The report as PDF/A, set by typst: built-in look, or the lab's own template and letterhead.

use super::{ArchivePart, Look, Paper, ReportError};
use crate::verification::JobResult;
use serde_json::json;
use std::collections::BTreeMap;
use std::io::Write;
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

const TEMPLATE: &str = include_str!("report.typ");
/// For the words in pictures, the same as in those that are rasterised.
const SANS: &[u8] = include_bytes!("../font/DejaVuSans-subset.ttf");

/// Writes the report as PDF.
pub(super) fn write(
    result: &JobResult,
    look: &Look,
    out: &mut dyn Write,
) -> Result<(), ReportError> {
    let bytes = pdf(result, look)?;
    out.write_all(&bytes).map_err(|error| ReportError(error.to_string()))
}

/// The report as PDF.
///
/// # Errors
/// What typst says of the template, or why the standard can't be kept to, such as a sign that no
/// font has.
pub fn pdf(result: &JobResult, look: &Look) -> Result<Vec<u8>, ReportError> {
    let desk = Desk::new(files(result, look)?, look)?;
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
        creator: Smart::Custom(Some(format!("crestbook {}", result.program))),
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

type Files = BTreeMap<String, Vec<u8>>;

/// Everything the template may read, by name: `report.json` with what is on the paper, and under `result`
/// the whole result; pictures under the names that stand there.
fn files(result: &JobResult, look: &Look) -> Result<Files, ReportError> {
    let paper = Paper::new(result)?;
    let mut files = Files::new();
    let mut shown = serde_json::to_value(&paper).map_err(|error| ReportError(error.to_string()))?;
    // In pictures the words take the embedded font.
    let drawn = |svg: &str| svg.replace("sans-serif", "DejaVu Sans").into_bytes();
    for (k, entry) in paper.entries.iter().enumerate() {
        if let Some(plot) = &entry.plot {
            let name = format!("plot-{k}.svg");
            shown["entries"][k]["plot"]["picture"] = json!(name);
            files.insert(name, drawn(&plot.svg));
        }
    }
    for (k, wave) in paper.waveforms.iter().enumerate() {
        let name = format!("wave-{k}.svg");
        shown["waveforms"][k]["picture"] = json!(name);
        files.insert(name, drawn(&wave.svg));
    }
    let letterhead = look.letterhead.as_ref().map(|picture| {
        files.insert(picture.name.clone(), picture.bytes.clone());
        picture.name.clone()
    });
    let mut attachments = Vec::new();
    if look.archive_part == ArchivePart::A3b {
        let (mut json, mut csv) = (Vec::new(), Vec::new());
        super::json(result, &mut json)?;
        super::csv(result, &mut csv)?;
        files.insert("result.json".into(), json);
        files.insert("numbers.csv".into(), csv);
        attachments = vec![
            json!({"path": "result.json", "mime": "application/json", "what": "The whole result"}),
            json!({"path": "numbers.csv", "mime": "text/csv", "what": "All numbers"}),
        ];
    }
    shown["letterhead"] = json!(letterhead);
    shown["attachments"] = json!(attachments);
    shown["bookmarks"] = json!(look.archive_part != ArchivePart::A1b);
    shown["result"] =
        serde_json::to_value(result).map_err(|error| ReportError(error.to_string()))?;
    files.insert("report.json".into(), shown.to_string().into_bytes());
    Ok(files)
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
    fn new(files: Files, look: &Look) -> Result<Self, ReportError> {
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
            template: look.template.clone().unwrap_or_else(|| TEMPLATE.into()),
            files,
            folder: look.folder.clone(),
            today: moment(look.made_at),
        })
    }

    /// Refuses signs that no font has: they would be empty boxes in a file made to be kept.
    fn can_write(&self) -> Result<(), ReportError> {
        let text = self.files.get("report.json").map_or(&[] as &[u8], Vec::as_slice);
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
