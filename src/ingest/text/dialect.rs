//! How a text file is written: separator, decimal mark, where the numbers start.

use super::rows::finite;
use crate::ingest::sheet::{DecimalName, SeparatorName, TextHints};
use crate::ingest::{IngestError, Place};
use std::path::Path;

/// What stands between fields.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Separator {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// A tab.
    Tab,
    /// Blanks or tabs, any number.
    Space,
}

impl Separator {
    const ALL: [Self; 4] = [Self::Comma, Self::Semicolon, Self::Tab, Self::Space];

    /// Whether a byte is this separator.
    #[inline]
    pub fn matches(self, byte: u8) -> bool {
        match self {
            Self::Space => byte == b' ' || byte == b'\t',
            other => byte == other.byte(),
        }
    }

    /// The byte itself; a blank for [`Self::Space`].
    pub fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
            Self::Tab => b'\t',
            Self::Space => b' ',
        }
    }

    /// Its name for people.
    pub fn describe(self) -> &'static str {
        match self {
            Self::Comma => "comma",
            Self::Semicolon => "semicolon",
            Self::Tab => "tab",
            Self::Space => "blanks",
        }
    }

    /// Fields of a line, trimmed and without quotes around them.
    pub fn split(self, line: &str) -> Vec<String> {
        if self == Self::Space {
            return line.split_whitespace().map(str::to_owned).collect();
        }
        if !line.contains('"') {
            let fields = line.split(char::from(self.byte())).map(|cell| cell.trim().to_owned());
            return fields.collect();
        }
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .delimiter(self.byte())
            .from_reader(line.as_bytes());
        let mut record = csv::ByteRecord::new();
        match reader.read_byte_record(&mut record) {
            Ok(true) => {
                record.iter().map(|cell| String::from_utf8_lossy(cell).into_owned()).collect()
            }
            _ => Vec::new(),
        }
    }
}

/// How a file is written.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// Between fields.
    pub separator: Separator,
    /// Whether numbers have a decimal comma.
    pub decimal_comma: bool,
    /// Whether fields are quoted.
    pub quoted: bool,
    /// Fields of a data row.
    pub fields: usize,
    /// Byte of the first data row.
    pub data_start: u64,
    /// Line of the first data row, from 1.
    pub first_line: usize,
}

impl Dialect {
    /// A number of this dialect.
    pub fn number(&self, cell: &str) -> Option<f64> {
        if self.decimal_comma { finite(&cell.replace(',', ".")) } else { finite(cell) }
    }
}

/// Lines that decide.
const LINES: usize = 400;

/// Decides the dialect from the head of the file; `whole` where the head is all of it.
///
/// # Errors
/// Where there are no numeric rows, or two readings are plausible.
pub fn find(
    file: &Path,
    head: &[u8],
    whole: bool,
    hints: &TextHints,
) -> Result<Dialect, IngestError> {
    let ask = |message: String, help: &str| IngestError::Ask {
        file: file.to_owned(),
        message,
        help: help.to_owned(),
    };
    if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
        return Err(IngestError::Damaged {
            file: file.to_owned(),
            place: Place::Byte(0),
            message: "the text is UTF-16".into(),
            help: "save it as UTF-8 or plain text".into(),
        });
    }
    let bom = if head.starts_with(&[0xef, 0xbb, 0xbf]) { 3 } else { 0 };
    let mut lines = Vec::new();
    let mut at = bom;
    while at < head.len() {
        let end = memchr::memchr(b'\n', &head[at..]).map(|n| at + n);
        // A line that the head cuts in two says nothing.
        if end.is_none() && !whole {
            break;
        }
        // Enough has been seen.
        if lines.len() >= LINES {
            break;
        }
        let stop = end.unwrap_or(head.len());
        lines.push((at, String::from_utf8_lossy(&head[at..stop]).trim_end().to_owned()));
        at = stop + 1;
    }

    let mut candidates: Vec<(usize, Dialect)> = Separator::ALL
        .into_iter()
        .flat_map(|separator| [(separator, false), (separator, true)])
        .filter(|(separator, comma)| {
            let named = match separator {
                Separator::Comma => SeparatorName::Comma,
                Separator::Semicolon => SeparatorName::Semicolon,
                Separator::Tab => SeparatorName::Tab,
                Separator::Space => SeparatorName::Space,
            };
            let decimal = if *comma { DecimalName::Comma } else { DecimalName::Point };
            hints.separator.is_none_or(|hint| hint == named)
                && hints.decimal.is_none_or(|hint| hint == decimal)
        })
        .filter_map(|(separator, comma)| candidate(&lines, separator, comma))
        .collect();
    // Most numeric rows first, then most fields; a decimal point before a comma where both read
    // the same rows alike (no mark occurs in them).
    candidates.sort_by_key(|(rows, dialect)| {
        (std::cmp::Reverse((*rows, dialect.fields)), dialect.decimal_comma)
    });
    let Some((rows, best)) = candidates.first().cloned() else {
        return Err(IngestError::Damaged {
            file: file.to_owned(),
            place: Place::File,
            message: format!("no rows of numbers in the first {} line(s)", lines.len()),
            help: "export the samples themselves as rows of numbers; is this a header only, or \
                   some other kind of file?"
                .into(),
        });
    };
    if rows < 2 {
        return Err(IngestError::Damaged {
            file: file.to_owned(),
            place: Place::Line(best.first_line as u64, 0),
            message: "there is one sample only".into(),
            help: "a capture needs many samples; export the whole record".into(),
        });
    }
    if hints.decimal.is_none() && two_readings(&lines, &best) {
        let line = &lines[best.first_line - 1].1;
        let half: Vec<String> =
            best.separator.split(line).chunks(2).map(|pair| pair.join(",")).collect();
        return Err(ask(
            format!(
                "line {} `{line}` can be read as {} numbers, or with decimal commas as {} ({})",
                best.first_line,
                best.fields,
                half.len(),
                half.join(" and ")
            ),
            "if the first reading is right, set `text.decimal = \"point\"` in the sheet; if the \
             second, export with another separator",
        ));
    }
    Ok(best)
}

fn candidate(
    lines: &[(usize, String)],
    separator: Separator,
    comma: bool,
) -> Option<(usize, Dialect)> {
    if comma && separator == Separator::Comma && !lines.iter().any(|(_, line)| line.contains('"')) {
        return None;
    }
    let probe = Dialect {
        separator,
        decimal_comma: comma,
        quoted: false,
        fields: 0,
        data_start: 0,
        first_line: 0,
    };
    let counts: Vec<Option<usize>> = lines
        .iter()
        .map(|(_, line)| {
            let fields = separator.split(line);
            let numeric =
                !fields.is_empty() && fields.iter().all(|cell| probe.number(cell).is_some());
            numeric.then_some(fields.len())
        })
        .collect();
    // The first row that is numeric and is followed by two more of the same length, or by as
    // many as there are.
    let filled: Vec<usize> = (0..lines.len()).filter(|k| !lines[*k].1.is_empty()).collect();
    let start = filled.iter().enumerate().find_map(|(place, row)| {
        let fields = counts[*row]?;
        let follow = filled.iter().skip(place + 1).take(2);
        follow.clone().all(|next| counts[*next] == Some(fields)).then_some(*row)
    })?;
    let fields = counts[start]?;
    let rows = counts[start..].iter().filter(|count| **count == Some(fields)).count();
    let quoted = lines[start].1.contains('"');
    // One blank-separated number is the same as one number in any other dialect.
    if separator == Separator::Space && fields == 1 {
        return None;
    }
    Some((
        rows,
        Dialect {
            quoted,
            fields,
            data_start: lines[start].0 as u64,
            first_line: start + 1,
            ..probe
        },
    ))
}

/// Whether comma-separated whole numbers could as well be pairs with a decimal comma.
fn two_readings(lines: &[(usize, String)], dialect: &Dialect) -> bool {
    if dialect.separator != Separator::Comma || dialect.fields % 2 == 1 || dialect.quoted {
        return false;
    }
    let pairs = lines.iter().skip(dialect.first_line - 1).filter(|(_, line)| !line.is_empty()).all(
        |(_, line)| {
            let fields = dialect.separator.split(line);
            fields.chunks(2).all(|pair| {
                let whole = pair.first().is_some_and(|cell| {
                    let digits = cell.trim_start_matches(['-', '+']);
                    !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit())
                });
                let part = pair.get(1).is_some_and(|cell| {
                    cell.bytes().next().is_some_and(|byte| byte.is_ascii_digit())
                        && !cell.contains('.')
                });
                whole && part
            })
        },
    );
    if !pairs {
        return false;
    }
    // A name row of as many cells as the row has numbers settles it.
    let named = lines[..dialect.first_line - 1].iter().rev().find(|(_, line)| !line.is_empty());
    named.is_none_or(|(_, line)| dialect.separator.split(line).len() != dialect.fields)
}
