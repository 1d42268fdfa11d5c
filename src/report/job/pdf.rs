//! The report as PDF/A, set by typst: built-in look, or the lab's own template and letterhead.

use super::{ArchivePart, Look, ReportError, html::by_hand, plot, words};
use crate::report::CAUTIONS;
use crate::report::picture::compact;
use crate::report::table::why;
use crate::verification::{JobResult, Line};
use serde_json::{Value, json};
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
        ArchivePart::A1b => PdfArchivePart::A_1b,
        ArchivePart::A2b => PdfArchivePart::A_2b,
        ArchivePart::A3b => PdfArchivePart::A_3b,
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

/// Everything the template may read, by name.
fn files(result: &JobResult, look: &Look) -> Result<Files, ReportError> {
    let mut files = Files::new();
    // In pictures the words take the embedded font.
    let drawn = |svg: &str| svg.replace("sans-serif", "DejaVu Sans").into_bytes();
    let mut plots = Vec::new();
    for (k, group) in result.groups.iter().enumerate() {
        let svg = group.series.as_ref().map(plot::svg).transpose()?.flatten();
        plots.push(svg.as_ref().map(|_| format!("plot-{k}.svg")));
        files.extend(svg.map(|svg| (format!("plot-{k}.svg"), drawn(&svg))));
    }
    for (k, wave) in result.waveforms.iter().enumerate() {
        files.insert(format!("wave-{k}.svg"), drawn(&compact(&wave.sketch)?));
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
    let mut shown = shown(result, &plots);
    shown["letterhead"] = json!(letterhead);
    shown["attachments"] = json!(attachments);
    shown["bookmarks"] = json!(look.archive_part != ArchivePart::A1b);
    files.insert("report.json".into(), shown.to_string().into_bytes());
    Ok(files)
}

/// What the built-in template shows, in words.
fn shown(result: &JobResult, plots: &[Option<String>]) -> Value {
    let row = |line: &Line| {
        let judged = &line.judged;
        json!({
            "what": line.what,
            "found": words::found(line),
            "expected": judged.nominal.map_or("-".into(), |x| words::value(x, &line.unit)),
            "limits": words::limits(line),
            "inside": judged.conformance_probability.map_or("-".into(), words::probability),
            "verdict": judged.verdict.words(),
            "reason": why(judged).unwrap_or_default(),
        })
    };
    let groups: Vec<Value> = result
        .groups
        .iter()
        .zip(plots)
        .map(|(group, plot)| {
            let mut notes = group.notes.clone();
            notes.splice(0..0, words::source(group));
            json!({
                "id": group.id, "title": group.title, "verdict": group.verdict.words(),
                "by_hand": by_hand(group), "plot": plot, "notes": notes,
                "lines": group.lines.iter().map(row).collect::<Vec<_>>(),
            })
        })
        .collect();
    let read = result.groups.iter().filter(|group| by_hand(group)).flat_map(|group| &group.lines);
    let troubles: Vec<Value> = words::troubles(result)
        .into_iter()
        .map(|one| {
            json!({"group": one.group, "what": one.what, "found": one.found, "limits": one.limits,
                "why": one.why, "verdict": one.verdict.words()})
        })
        .collect();
    let waves: Vec<Value> = result
        .waveforms
        .iter()
        .enumerate()
        .map(|(k, wave)| {
            json!({"title": wave.title, "step": wave.step, "picture": format!("wave-{k}.svg")})
        })
        .collect();
    let instruments: Vec<Value> = result
        .job
        .instruments
        .iter()
        .map(|one| {
            let text = |x: &Option<String>| x.clone().unwrap_or_else(|| "-".into());
            json!({"role": text(&one.role), "id": text(&one.id), "due": text(&one.calibration_due)})
        })
        .collect();
    json!({
        "unit": words::unit(result),
        "verdict": result.verdict.words(),
        "counts": words::counts(result),
        "state": result.job.state,
        "troubles": troubles,
        "facts": words::facts(result),
        "groups": groups,
        "by_hand": read.map(row).collect::<Vec<_>>(),
        "findings": result.findings.iter().map(|f| f.message.clone()).collect::<Vec<_>>(),
        "as_found": as_found(result),
        "waveforms": waves,
        "steps": steps(result),
        "instruments": instruments,
        "readings": readings(result),
        "cautions": CAUTIONS,
        "release": words::RELEASE,
        "result": result,
    })
}

fn readings(result: &JobResult) -> Vec<Value> {
    let text = |x: &Option<String>| x.clone().unwrap_or_else(|| "-".into());
    let one = |(k, reading): (usize, &crate::verification::ManualReading)| {
        json!({"step": reading.step, "typed": words::typed(reading), "when": text(&reading.taken_at),
            "by": text(&reading.by), "counts": words::counts_still(result, k)})
    };
    result.readings.iter().enumerate().map(one).collect()
}

fn as_found(result: &JobResult) -> Value {
    let Some(change) = &result.as_found else { return Value::Null };
    let shown = |(value, u, verdict): (f64, Option<f64>, crate::check::Verdict), unit: &str| {
        format!("{} {}", words::maybe_doubt(value, u, unit), verdict.words())
    };
    let rows: Vec<Value> = change
        .rows
        .iter()
        .map(|row| {
            json!({
                "what": format!("{}: {}", row.group, row.what),
                "before": shown(row.before, &row.unit),
                "after": shown(row.after, &row.unit),
                "score": words::change(row),
            })
        })
        .collect();
    let day = change.day.as_deref().unwrap_or("day not stated");
    let said = format!(
        "Before: {}, {day}, {} ({}). Now: {}, {}. Above 1 the change is more than its uncertainty.",
        change.state,
        change.verdict.words(),
        change.folder,
        result.job.state,
        result.verdict.words()
    );
    json!({"said": said, "rows": rows})
}

fn steps(result: &JobResult) -> Vec<Value> {
    result
        .steps
        .iter()
        .map(|step| {
            let capture = step.capture.as_ref();
            let flags = capture.iter().flat_map(|capture| &capture.flags);
            let mut doubts: Vec<String> = flags.map(|flag| flag.message.clone()).collect();
            doubts.extend(step.findings.iter().map(|finding| finding.message.clone()));
            doubts.extend(
                step.set_aside.iter().map(|(file, why)| format!("set aside: {file} ({why})")),
            );
            let taken = capture.and_then(|c| c.bench.as_ref()?.taken_at.clone());
            json!({
                "id": step.id,
                "state": words::state(step),
                "file": capture.map_or("-".into(), |capture| capture.file.clone()),
                "sha256": capture.map_or("-".into(), |capture| words::hashes(capture)),
                "taken": taken.unwrap_or_else(|| "-".into()),
                "doubts": doubts.join("; "),
            })
        })
        .collect()
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
