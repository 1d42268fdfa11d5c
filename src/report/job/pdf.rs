//! The report as PDF/A, set by typst: built-in look, or the lab's own template and letterhead.

use super::{ArchivePart, Look, Paper, ReportError};
use crate::report::typeset::{self, DATA, Files, drawn};
use crate::verification::JobResult;
use serde_json::json;
use std::io::Write;

const TEMPLATE: &str = include_str!("report.typ");

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
    typeset::pdf(TEMPLATE, files(result, look)?, &result.program, look)
}

/// Everything the template may read, by name: `report.json` with what is on the paper, and under `result`
/// the whole result; pictures under the names that stand there.
fn files(result: &JobResult, look: &Look) -> Result<Files, ReportError> {
    let mut paper = Paper::new(result)?;
    paper.complete(result, look);
    let mut files = Files::new();
    let mut shown = serde_json::to_value(&paper).map_err(|error| ReportError(error.to_string()))?;
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
        if super::dcc::absent(result).is_empty() {
            let xml = super::dcc::dcc(result, look)?;
            files.insert("certificate.xml".into(), xml);
            let what = "Digital calibration certificate";
            attachments
                .push(json!({"path": "certificate.xml", "mime": "application/xml", "what": what}));
        }
    }
    shown["letterhead"] = json!(letterhead);
    shown["attachments"] = json!(attachments);
    shown["bookmarks"] = json!(look.archive_part != ArchivePart::A1b);
    shown["result"] =
        serde_json::to_value(result).map_err(|error| ReportError(error.to_string()))?;
    files.insert(DATA.into(), shown.to_string().into_bytes());
    Ok(files)
}
