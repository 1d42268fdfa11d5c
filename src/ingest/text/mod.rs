//! Delimited text as bench oscilloscopes and scripts write it.
//!
//! [`encoding`] brings the bytes to lines; [`dialect`] looks at the head of the file and decides
//! how it is written; [`header`] and [`preamble`] read what stands above the numbers; [`rows`]
//! turns plain rows into numbers, [`odd`] deals with every other row, exact in line and field.

mod axis;
mod cell;
mod columns;
mod dialect;
mod encoding;
mod header;
mod number;
mod odd;
mod preamble;
mod reader;
mod rows;
mod title;

pub(super) use encoding::decode;
pub(super) use rows::finite;
#[cfg(feature = "parquet")]
pub(super) use title::name_and_unit;
pub(super) use title::quantity;

use super::{IngestError, Opening, Receipt, Source, TraceReader};
use crate::units::Unit;
use dialect::{Dialect, Line};
use encoding::Encoding;
use reader::TextReader;

/// Bytes at the start that decide the dialect.
const HEAD: usize = 1 << 16;

/// Whether the first bytes can be text: no NUL byte among the first hundred, so that a file that
/// was cut off and padded still is.
pub(super) fn probe(head: &[u8]) -> bool {
    let start = head.get(..100).unwrap_or(head);
    !head.is_empty() && (!start.contains(&0) || encoding::detect(head) != Encoding::Bytes)
}

/// A text brought to lines, with its head.
struct Prepared {
    source: Source,
    lines: Vec<Line>,
    /// One value a line was made of a long line, or of several.
    values: bool,
}

/// Opens a text file.
pub(super) fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let mut receipt = Receipt::new("delimited text");
    let named = source.clone();
    let hints = match &opening.layout {
        Some(layout) => layout.hints(&opening.hints),
        None => opening.hints.clone(),
    };
    let prepared = prepare(source, opening, &mut receipt)?;
    let found = dialect::find(named.name(), &prepared.lines, &hints, opening.limits.columns);
    let (prepared, dialect) = match found {
        Ok(dialect) => wrapped(prepared, dialect, opening, &hints, &mut receipt)?,
        Err(error) => return Err(error),
    };
    opening.limits.check_columns(named.name(), dialect.fields)?;
    receipt.note("separator", dialect.separator.describe());
    receipt.note("decimal mark", if dialect.decimal_comma { "comma" } else { "point" });
    receipt.note("next best reading", dialect.runner_up.as_deref().unwrap_or("none"));
    receipt.note(
        "rows before the data",
        format!("{}, data from line {}", dialect.first_line - 1, dialect.first_line),
    );
    if dialect.data.len() < dialect.fields {
        receipt.note(
            "columns left out",
            format!("{} without numbers", dialect.fields - dialect.data.len()),
        );
    }
    let header = header::read(named.name(), &prepared.lines, &dialect, &hints, &mut receipt)?;
    if header.channels.is_empty() {
        return Err(IngestError::Ask {
            file: named.name().to_owned(),
            message: "there is a time column, but none of samples".into(),
            help: "export the voltage or the current with it; if the column is no time, set \
                   `text.time_column = \"none\"` in the sheet"
                .into(),
        });
    }
    let layout = super::layout::describe(
        &dialect_of(&dialect),
        &header.labels,
        &header.titles.concat(),
        dialect.fields,
    );
    if let Some(kept) = &opening.layout {
        kept.check(named.name(), &layout)?;
        receipt.note("layout", "as kept: its fingerprint agrees");
    }
    let mut reader = TextReader::new(named, prepared, dialect, header, opening.limits, receipt);
    reader.layout = layout;
    axis::settle(&mut reader)?;
    Ok(Box::new(reader))
}

/// The dialect in the words of a sheet.
fn dialect_of(dialect: &Dialect) -> crate::sheet::TextHints {
    use crate::sheet::DecimalName;
    crate::sheet::TextHints {
        separator: Some(dialect.separator.named()),
        decimal: Some(if dialect.decimal_comma { DecimalName::Comma } else { DecimalName::Point }),
        time_column: None,
        time_unit: None,
        first_line: None,
    }
}

/// Brings a text to lines, and looks at its head.
fn prepare(
    source: Source,
    opening: &Opening,
    receipt: &mut Receipt,
) -> Result<Prepared, IngestError> {
    let mut head = Vec::new();
    source.read(0, HEAD, &mut head)?;
    let source = match encoding::detect(&head) {
        Encoding::Utf16 { big_endian } => {
            receipt.note("encoding", "UTF-16, converted to UTF-8");
            let source = encoding::from_utf16(&source, big_endian, &opening.limits)?;
            source.read(0, HEAD, &mut head)?;
            source
        }
        Encoding::Bytes => source,
    };
    let source = if encoding::lone_returns(&head) {
        receipt.note("line ends", "a carriage return alone");
        let source = encoding::to_lines(&source, 0, |byte| byte == b'\r', &opening.limits)?;
        source.read(0, HEAD, &mut head)?;
        source
    } else {
        let crlf = memchr::memmem::find(&head, b"\r\n").is_some();
        receipt.note("line ends", if crlf { "carriage return and line feed" } else { "line feed" });
        source
    };
    let whole = head.len() as u64 == source.length();
    let lines = dialect::lines(&head, whole);
    if let Some((separator, keep)) = long_line(&head, &lines) {
        receipt.note("layout", "one long line of values");
        let source = encoding::to_lines(&source, keep, |byte| byte == separator, &opening.limits)?;
        source.read(0, HEAD, &mut head)?;
        let whole = head.len() as u64 == source.length();
        let lines = dialect::lines(&head, whole);
        return Ok(Prepared { source, lines, values: true });
    }
    Ok(Prepared { source, lines, values: false })
}

/// Values in one long line.
const MANY: usize = 32;

/// Separator of a single long line of values, and the byte at which the line begins.
fn long_line(head: &[u8], lines: &[Line]) -> Option<(u8, u64)> {
    // The line that the head cuts in two, or the last one.
    let cut = memchr::memrchr(b'\n', head).map_or(0, |at| at + 1);
    let (start, text) = match lines.last() {
        Some((at, line)) if cut >= head.len() || *at == cut => (*at, line.clone()),
        _ => (cut, decode(head.get(cut..).unwrap_or_default())),
    };
    for separator in [b',', b';', b'\t'] {
        let cells: Vec<&str> = text.split(char::from(separator)).take(MANY + 1).collect();
        // The last of them may be cut in two.
        let inner = cells.get(..MANY)?;
        let numbers = inner.iter().all(|cell| finite(cell).is_some());
        // Rows before it of the same kind make it a table.
        let before = lines.iter().filter(|(at, _)| *at < start).any(|(_, line)| {
            line.split(char::from(separator)).filter(|cell| finite(cell).is_some()).count() >= MANY
        });
        if numbers && !before {
            return Some((separator, start as u64));
        }
    }
    None
}

/// Values of one channel that run on over rows of several: only where the file states a count and
/// it is that of all values, not of rows.
fn wrapped(
    prepared: Prepared,
    dialect: Dialect,
    opening: &Opening,
    hints: &crate::sheet::TextHints,
    receipt: &mut Receipt,
) -> Result<(Prepared, Dialect), IngestError> {
    let same = |prepared, dialect| Ok((prepared, dialect));
    if prepared.values || dialect.data.len() < 2 || dialect.data.len() != dialect.fields {
        return same(prepared, dialect);
    }
    let mut quiet = Receipt::default();
    let file = prepared.source.name().to_owned();
    let header = header::read(&file, &prepared.lines, &dialect, hints, &mut quiet)?;
    let Some(stated) = header.facts.samples.filter(|_| !header.named && header.time.is_none())
    else {
        return same(prepared, dialect);
    };
    let separator = dialect.separator;
    let (mut values, mut rows) = (0_u64, 0_u64);
    let (mut at, mut buffer) = (dialect.data_start, Vec::new());
    let mut in_value = false;
    let mut in_row = false;
    while at < prepared.source.length() {
        prepared.source.read(at, HEAD, &mut buffer)?;
        at += buffer.len() as u64;
        for byte in &buffer {
            let ends = separator.matches(*byte) || matches!(*byte, b'\n' | b'\r');
            values += u64::from(!ends && !in_value && *byte != b' ');
            in_value = !ends && (in_value || *byte != b' ');
            rows += u64::from(*byte != b'\n' && !in_row);
            in_row = *byte != b'\n';
        }
    }
    if values != stated || rows == stated {
        return same(prepared, dialect);
    }
    receipt.note("layout", format!("{values} values of one channel over {rows} lines, as stated"));
    let source = encoding::to_lines(
        &prepared.source,
        dialect.data_start,
        |byte| separator.matches(byte),
        &opening.limits,
    )?;
    let mut head = Vec::new();
    source.read(0, HEAD, &mut head)?;
    let lines = dialect::lines(&head, head.len() as u64 == source.length());
    let dialect = dialect::find(&file, &lines, hints, opening.limits.columns)?;
    Ok((Prepared { source, lines, values: true }, dialect))
}

/// Whether a column of this name or unit counts time.
pub(super) fn is_time(name: &str, unit: Option<Unit>) -> bool {
    const NAMES: [&str; 24] = [
        "t",
        "time",
        "times",
        "zeit",
        "temps",
        "tiempo",
        "tempo",
        "x",
        "xaxis",
        "xvalue",
        "xvalues",
        "sampletime",
        "timestamp",
        "date",
        "datetime",
        "date/time",
        "clock",
        "时间",
        "時間",
        "время",
        "durée",
        "hora",
        "uhrzeit",
        "elapsed",
    ];
    let bare = name.trim();
    let name: String =
        bare.to_lowercase().chars().filter(|c| !matches!(c, ' ' | '_' | '-')).collect();
    // `t1, CH1, t2, CH2`
    let numbered = name.strip_prefix(['t']).is_some_and(|rest| {
        !rest.is_empty() && rest.len() <= 2 && rest.bytes().all(|byte| byte.is_ascii_digit())
    });
    // A unit as a name: `sec`, `Sekunden`; a capital S alone may be anything.
    let by_unit = bare != "S" && Unit::parse(bare).is_some_and(|(unit, _)| unit == Unit::Second);
    unit == Some(Unit::Second) || NAMES.contains(&name.as_str()) || numbered || by_unit
}
