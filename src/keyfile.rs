//! Hand-written TOML files: every error with its line, and the nearest known key.

use crate::explain::{ErrorCode, Explain, Place};
use serde::de::DeserializeOwned;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Something is wrong in a sheet or a profile.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}{}: {message}", file.display(), shown(*position))]
pub struct KeyfileError {
    /// The file.
    pub file: PathBuf,
    /// Line and column, both from 1, where the fault has a place.
    pub position: Option<(usize, usize)>,
    /// What is wrong.
    pub message: String,
    /// The line at fault as it stands in the file.
    pub line: Option<String>,
    /// What to do.
    pub help: Option<String>,
}

fn shown(position: Option<(usize, usize)>) -> String {
    position.map_or_else(String::new, |(line, column)| format!(":{line}:{column}"))
}

impl KeyfileError {
    /// A fault in the value of the key at `path` in `text`.
    #[must_use]
    pub fn at_key(file: &Path, text: &str, path: &[&str], message: impl Into<String>) -> Self {
        Self::at_span(file, text, locate(text, path), message.into())
    }

    /// Adds what to do.
    #[must_use]
    pub fn with_help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// A fault at a byte range of `text`.
    #[must_use]
    pub fn at_span(file: &Path, text: &str, span: Option<Range<usize>>, message: String) -> Self {
        let position = span.map(|span| {
            let before = text.get(..span.start).unwrap_or(text);
            let line = before.matches('\n').count() + 1;
            let column = before.chars().rev().take_while(|c| *c != '\n').count() + 1;
            (line, column)
        });
        let line = position.and_then(|(line, _)| text.lines().nth(line - 1)).map(str::to_owned);
        Self { file: file.to_owned(), position, message, line, help: None }
    }
}

impl Explain for KeyfileError {
    fn code(&self) -> ErrorCode {
        ErrorCode::WrongKey
    }

    fn file(&self) -> Option<&Path> {
        Some(&self.file)
    }

    fn place(&self) -> Option<Place> {
        self.position.map(|(line, column)| Place::Column(line as u64, column))
    }

    fn excerpt(&self) -> Option<String> {
        let (text, (line, column)) = self.line.as_ref().zip(self.position)?;
        let number = line.to_string();
        let before: String =
            text.chars().take(column - 1).map(|c| if c == '\t' { c } else { ' ' }).collect();
        Some(format!("{number} | {text}\n{} | {before}^", " ".repeat(number.len())))
    }

    fn help(&self) -> Option<String> {
        self.help.clone().or_else(|| Some("correct this value and try again".into()))
    }
}

/// Reads `text` as a `T`; unknown keys are refused where `T` denies them.
///
/// # Errors
/// With line, column, and the nearest known key where a key is unknown.
pub fn parse<T: DeserializeOwned>(file: &Path, text: &str) -> Result<T, KeyfileError> {
    let parsed = toml::from_str(text).map_err(|error| from_toml(file, text, &error))?;
    if let Ok(table) = toml::de::DeTable::parse(text) {
        let values = table.get_ref().values();
        if let Some((span, what)) = values.filter_map(unsound).next() {
            return Err(KeyfileError::at_span(file, text, Some(span), what.to_owned()));
        }
    }
    Ok(parsed)
}

/// The first value that no sheet can mean: a text of several lines or with characters that move the
/// cursor, a number that is none.
fn unsound(value: &toml::Spanned<toml::de::DeValue<'_>>) -> Option<(Range<usize>, &'static str)> {
    use toml::de::DeValue;
    match value.get_ref() {
        DeValue::String(text) if text.chars().any(is_unseen) => {
            Some((value.span(), "a text must be one line without control characters"))
        }
        DeValue::Float(number) => {
            let finite = number.as_str().replace('_', "").parse::<f64>().is_ok_and(f64::is_finite);
            (!finite).then(|| (value.span(), "a number must be finite"))
        }
        DeValue::Array(all) => all.iter().find_map(unsound),
        DeValue::Table(table) => table.values().find_map(unsound),
        _ => None,
    }
}

/// Characters that are not seen but change how a text looks: control characters, line breaks, and
/// those that turn the direction of writing.
#[must_use]
pub fn is_unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// A text of others as it may be shown: what is not seen stands as `\u{7}`.
#[must_use]
pub fn shown_plainly(text: &str) -> String {
    written_out(text, |_| false)
}

/// The same where some of what is not seen is `kept`, such as line ends.
#[must_use]
pub fn written_out(text: &str, kept: impl Fn(char) -> bool) -> String {
    let shown = |c: char| {
        if is_unseen(c) && !kept(c) { c.escape_unicode().to_string() } else { c.to_string() }
    };
    text.chars().map(shown).collect()
}

fn from_toml(file: &Path, text: &str, error: &toml::de::Error) -> KeyfileError {
    let message = error.message();
    let mut result = KeyfileError::at_span(file, text, error.span(), message.to_owned());
    // serde words it as: unknown field `x`, expected one of `a`, `b`, ...
    let mut ticked = message.split('`').skip(1).step_by(2);
    if message.starts_with("unknown field")
        && let Some(unknown) = ticked.next()
    {
        let known: Vec<&str> = ticked.collect();
        result.message = format!("unknown key `{unknown}`");
        result.help = Some(match nearest(unknown, known.iter().copied()) {
            Some(near) => format!("did you mean `{near}`? Known here: {}", known.join(", ")),
            None => format!("known here: {}", known.join(", ")),
        });
    }
    result
}

/// The name most like `word`, if one is like it at all.
#[must_use]
pub fn nearest<'a>(word: &str, names: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    names
        .into_iter()
        .map(|name| (strsim::jaro_winkler(word, name), name))
        .filter(|(likeness, _)| *likeness > 0.7)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

/// Byte range of the value at a path of keys and indices (`["setting", "0", "limit"]`).
#[must_use]
pub fn locate(text: &str, path: &[&str]) -> Option<Range<usize>> {
    let table = toml::de::DeTable::parse(text).ok()?;
    let (first, rest) = path.split_first()?;
    let mut value = table.get_ref().get(*first)?;
    for key in rest {
        value = match key.parse::<usize>() {
            Ok(index) => value.get_ref().get(index)?,
            Err(_) => value.get_ref().get(*key)?,
        };
    }
    Some(value.span())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code)]
    struct Sample {
        scale: f64,
        delay_s: Option<f64>,
    }

    #[test]
    fn unknown_key_names_line_and_nearest() {
        let text = "scale = 2.0\ndelay = 1e-9\n";
        let error = parse::<Sample>(Path::new("a.toml"), text).unwrap_err();
        assert_eq!(error.position, Some((2, 1)));
        assert_eq!(error.message, "unknown key `delay`");
        assert!(error.help.unwrap().contains("did you mean `delay_s`"));
        assert_eq!(error.line.as_deref(), Some("delay = 1e-9"));
    }

    #[test]
    fn what_no_sheet_can_mean_is_refused() {
        #[derive(Debug, serde::Deserialize)]
        #[allow(dead_code)]
        struct Free {
            a: toml::Value,
        }
        for text in ["a = \"x\\nPASS\"", "a = nan", "a = [1.0, inf]", "a = { b = \"\\u001b[2J\" }"]
        {
            let error = parse::<Free>(Path::new("a.toml"), text).unwrap_err();
            assert_eq!(error.position.unwrap().0, 1, "{text}: {error}");
        }
        assert!(parse::<Free>(Path::new("a.toml"), "a = \"µs – ok\"").is_ok());
        assert_eq!(shown_plainly("a\u{1b}[2J\n"), "a\\u{1b}[2J\\u{a}");
    }

    #[test]
    fn values_are_located() {
        let text = "[[setting]]\nid = 'a'\n[[setting]]\nid = 'b'\n";
        let span = locate(text, &["setting", "1", "id"]).unwrap();
        assert_eq!(&text[span], "'b'");
        assert_eq!(locate(text, &["setting", "7"]), None);
    }
}
