//! How a report is to look, where whoever writes it has a choice.

use std::path::PathBuf;

/// Part of ISO 19005 that a PDF keeps to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ArchivePart {
    /// PDF/A-1b.
    #[default]
    A1b,
    /// PDF/A-2b.
    A2b,
    /// PDF/A-3b; the result and all numbers are attached.
    A3b,
}

/// A picture at the head of the first page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letterhead {
    /// Name of its file.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// How a report is to look.
#[derive(Clone, Debug, Default)]
pub struct Look {
    /// Archival standard of a PDF.
    pub archive_part: ArchivePart,
    /// Typst text that sets a PDF, instead of the built-in one.
    pub template: Option<String>,
    /// Folder whose pictures and fonts that text may use.
    pub folder: Option<PathBuf>,
    /// Picture at the head of the first page.
    pub letterhead: Option<Letterhead>,
    /// What took the place of this result, where something did.
    pub replaced_by: Option<String>,
    /// The report before this one, as a digital certificate names it.
    pub previous: Option<super::PreviousReport>,
    /// When the report is made.
    pub made_at: jiff::Timestamp,
}
