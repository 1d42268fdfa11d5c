//! Files written by hand are changed without losing what stands in them.

use super::JobError;
use crate::keyfile::KeyfileError;
use serde::Serialize;
use std::path::Path;
use toml_edit::{ArrayOfTables, DocumentMut, Item};

/// Changes a TOML text and leaves the rest of it as it stands.
pub(super) fn edit(
    file: &Path,
    text: &str,
    change: impl FnOnce(&mut DocumentMut),
) -> Result<String, JobError> {
    let mut document: DocumentMut = text.parse().map_err(|error: toml_edit::TomlError| {
        KeyfileError::at_span(file, text, error.span(), error.message().to_owned())
    })?;
    change(&mut document);
    Ok(document.to_string())
}

/// Writes an entry of a list of tables behind a text; what stands there stays as it is.
pub(super) fn append(
    file: &Path,
    text: &mut String,
    list: &str,
    entry: &impl Serialize,
) -> Result<(), JobError> {
    // An inline list is taken apart into tables first.
    *text = edit(file, text, |document| {
        if let Some(inline) = document.get(list).and_then(|item| item.as_array()) {
            let tables = inline.iter().filter_map(|one| one.as_inline_table());
            let tables: ArrayOfTables = tables.map(|one| one.clone().into_table()).collect();
            document.remove(list);
            document.insert(list, Item::ArrayOfTables(tables));
        }
    })?;
    let body = toml::to_string(entry).map_err(|error| JobError::Reading {
        message: format!("the entry can't be written: {error}"),
        help: "use plain text only".into(),
    })?;
    if !text.ends_with('\n') {
        text.push('\n');
    }
    text.push_str(&format!("\n[[{list}]]\n{body}"));
    Ok(())
}
