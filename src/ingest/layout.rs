//! A text layout that was confirmed once and is kept for later files of its kind.

use super::error::IngestError;
use crate::digest::Sha256;
use crate::keyfile::{self, KeyfileError};
use crate::sheet::{DecimalName, SeparatorName, TextHints};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// How a kind of text file is written, and the fingerprint of what stands above its numbers.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Layout {
    /// Version of the form of this file; 1.
    pub format: u32,
    /// SHA-256 of the keys below.
    pub fingerprint: String,
    /// Between fields.
    pub separator: Option<SeparatorName>,
    /// Decimal mark.
    pub decimal: Option<DecimalName>,
    /// Name or number of the time column, where it had to be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_column: Option<String>,
    /// Unit of the time column, where it had to be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_unit: Option<String>,
    /// Line of the first row of data, where it had to be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_line: Option<usize>,
    /// Fields of a row.
    pub fields: usize,
    /// Labels above the numbers, digits left out.
    pub labels: Vec<String>,
    /// Names and units of the columns, digits left out.
    #[serde(default)]
    pub titles: Vec<String>,
}

/// The layout of a file.
pub(super) fn describe(
    hints: &TextHints,
    labels: &[String],
    titles: &[String],
    fields: usize,
) -> Layout {
    let bare = |texts: &[String]| -> Vec<String> {
        texts
            .iter()
            .map(|text| text.chars().filter(|c| !c.is_ascii_digit()).collect::<String>())
            .map(|text| text.split_whitespace().collect::<Vec<_>>().join(" "))
            .collect()
    };
    let mut layout = Layout {
        format: 1,
        fingerprint: String::new(),
        separator: hints.separator,
        decimal: hints.decimal,
        time_column: hints.time_column.clone(),
        time_unit: hints.time_unit.clone(),
        first_line: hints.first_line,
        fields,
        labels: bare(labels),
        titles: bare(titles),
    };
    layout.fingerprint = layout.own_fingerprint();
    layout
}

impl Layout {
    fn own_fingerprint(&self) -> String {
        let text = format!(
            "{:?}\n{:?}\n{}\n{}\n\n{}",
            self.separator,
            self.decimal,
            self.fields,
            self.labels.join("\n"),
            self.titles.join("\n")
        );
        Sha256::of(text.as_bytes()).to_string()
    }

    /// Reads a kept layout.
    ///
    /// # Errors
    /// Where keys are unknown or missing, or the file was changed by hand.
    pub fn read(file: &Path, text: &str) -> Result<Self, KeyfileError> {
        let layout: Self = keyfile::parse(file, text)?;
        let fail = |key: &str, message: &str| {
            Err(KeyfileError::at_key(file, text, &[key], message)
                .with_help("make it again with `crestbook layout`"))
        };
        if layout.format != 1 {
            return fail("format", "this program reads layouts of format 1");
        }
        if layout.fingerprint != layout.own_fingerprint() {
            return fail(
                "fingerprint",
                "the fingerprint is not that of the keys: something was changed",
            );
        }
        Ok(layout)
    }

    /// The hints of a sheet, filled up by what was kept.
    #[must_use]
    pub fn hints(&self, own: &TextHints) -> TextHints {
        TextHints {
            separator: own.separator.or(self.separator),
            decimal: own.decimal.or(self.decimal),
            time_column: own.time_column.clone().or_else(|| self.time_column.clone()),
            time_unit: own.time_unit.clone().or_else(|| self.time_unit.clone()),
            first_line: own.first_line.or(self.first_line),
        }
    }

    /// Refuses a file that is written otherwise, naming the first difference.
    pub(super) fn check(&self, file: &Path, found: &Self) -> Result<(), IngestError> {
        if self.fingerprint == found.fingerprint {
            return Ok(());
        }
        let here =
            |list: &[String], k: usize| list.get(k).cloned().unwrap_or_else(|| "nothing".into());
        let first_difference = |own: &[String], found: &[String]| {
            (0..own.len().max(found.len())).find(|k| own.get(*k) != found.get(*k))
        };
        let differing = first_difference(&self.labels, &found.labels);
        let titles = first_difference(&self.titles, &found.titles);
        let what = if self.fields != found.fields {
            format!("{} fields in a row, the layout has {}", found.fields, self.fields)
        } else if self.separator != found.separator || self.decimal != found.decimal {
            "another separator or decimal mark than the layout".into()
        } else if let Some(k) = differing {
            format!(
                "label {} above the numbers is `{}`, in the layout `{}`",
                k + 1,
                here(&found.labels, k),
                here(&self.labels, k)
            )
        } else if let Some(k) = titles {
            format!(
                "name or unit {} of the columns is `{}`, in the layout `{}`",
                k + 1,
                here(&found.titles, k),
                here(&self.titles, k)
            )
        } else {
            "another order of labels".into()
        };
        Err(IngestError::Ask {
            file: file.to_owned(),
            message: format!("the file is not of the kept layout: {what}"),
            help: "look at it with `crestbook layout FILE`, and keep a layout of its own if it is \
                   read rightly"
                .into(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_layout_fits_its_kind_only() {
        let hints = TextHints { separator: Some(SeparatorName::Comma), ..TextHints::default() };
        let labels = |list: &[&str]| list.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
        let volts = labels(&["s", "V"]);
        let kept = describe(&hints, &labels(&["Record 17", "Time"]), &volts, 3);
        let same = describe(&hints, &labels(&["Record 18", "Time"]), &volts, 3);
        let other = describe(&hints, &labels(&["Record 18", "t"]), &volts, 3);
        assert!(kept.check(Path::new("a"), &same).is_ok());
        let kilo = describe(&hints, &labels(&["Record 18", "Time"]), &labels(&["s", "kV"]), 3);
        let error = kept.check(Path::new("a"), &kilo).unwrap_err().to_string();
        assert!(
            error.contains("name or unit 2 of the columns is `kV`, in the layout `V`"),
            "{error}"
        );
        let error = kept.check(Path::new("a"), &other).unwrap_err().to_string();
        assert!(
            error.contains("label 2 above the numbers is `t`, in the layout `Time`"),
            "{error}"
        );
        let text = toml::to_string(&kept).unwrap();
        assert_eq!(Layout::read(Path::new("l"), &text).unwrap(), kept);
        let changed = text.replace("fields = 3", "fields = 4");
        assert!(Layout::read(Path::new("l"), &changed).is_err());
    }
}
