//! How a text file is written: separator, decimal mark, which columns hold numbers, where they
//! start.

use super::cell::{self, Cell};
use crate::ingest::{IngestError, Place};
use crate::sheet::{DecimalName, SeparatorName, TextHints};
use crate::units::Unit;
use csv_core::ReadFieldResult;
use std::cell::RefCell;
use std::path::Path;

/// What stands between fields.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Separator {
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
    pub(super) fn matches(self, byte: u8) -> bool {
        match self {
            Self::Space => byte == b' ' || byte == b'\t',
            other => byte == other.byte(),
        }
    }

    /// The byte itself; a blank for [`Self::Space`].
    pub(super) fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
            Self::Tab => b'\t',
            Self::Space => b' ',
        }
    }

    /// Its name for people.
    pub(super) fn describe(self) -> &'static str {
        match self {
            Self::Comma => "comma",
            Self::Semicolon => "semicolon",
            Self::Tab => "tab",
            Self::Space => "blanks",
        }
    }

    /// Its name in a sheet.
    pub(super) fn named(self) -> SeparatorName {
        match self {
            Self::Comma => SeparatorName::Comma,
            Self::Semicolon => SeparatorName::Semicolon,
            Self::Tab => SeparatorName::Tab,
            Self::Space => SeparatorName::Space,
        }
    }

    /// Fields of a line, trimmed and without quotes around them.
    pub(super) fn split(self, line: &str) -> Vec<String> {
        if self == Self::Space {
            return line.split_whitespace().map(|cell| cell.trim_matches('"').to_owned()).collect();
        }
        if !line.contains('"') {
            let fields = line.split(char::from(self.byte())).map(|cell| cell.trim().to_owned());
            return fields.collect();
        }
        quoted(line, self.byte())
    }
}

thread_local! {
    /// The table of a reader takes long to build; one for each separator is kept.
    static READERS: RefCell<Vec<(u8, csv_core::Reader)>> = const { RefCell::new(Vec::new()) };
}

/// Fields of a line in which some are quoted.
fn quoted(line: &str, separator: u8) -> Vec<String> {
    READERS.with_borrow_mut(|readers| {
        if !readers.iter().any(|(known, _)| *known == separator) {
            let reader = csv_core::ReaderBuilder::new().delimiter(separator).build();
            readers.push((separator, reader));
        }
        let mut fields = Vec::new();
        let Some((_, reader)) = readers.iter_mut().find(|(known, _)| *known == separator) else {
            return fields;
        };
        reader.reset();
        let (mut rest, mut field) = (line.trim_end().as_bytes(), Vec::new());
        let mut room = [0; 256];
        loop {
            let (result, read, written) = reader.read_field(rest, &mut room);
            rest = rest.get(read..).unwrap_or_default();
            field.extend_from_slice(room.get(..written).unwrap_or_default());
            match result {
                // Nothing is left: an empty rest tells the reader so.
                ReadFieldResult::InputEmpty | ReadFieldResult::OutputFull => {}
                ReadFieldResult::Field { .. } => {
                    fields.push(String::from_utf8_lossy(&field).trim().to_owned());
                    field.clear();
                }
                ReadFieldResult::End => return fields,
            }
        }
    })
}

/// How a file is written.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Dialect {
    /// Between fields.
    pub separator: Separator,
    /// Whether numbers have a decimal comma.
    pub decimal_comma: bool,
    /// Whether fields are quoted.
    pub quoted: bool,
    /// Fields of a data row.
    pub fields: usize,
    /// Which of them hold numbers or times in every row.
    pub data: Vec<usize>,
    /// Byte of the first data row.
    pub data_start: u64,
    /// Line of the first data row, from 1.
    pub first_line: usize,
    /// Every data row is followed by an empty one.
    pub spaced: bool,
    /// What else the head could be read as, for people.
    pub runner_up: Option<String>,
}

impl Dialect {
    /// A number of this dialect, a unit behind it ignored.
    pub(super) fn number(&self, text: &str) -> Option<f64> {
        match cell::read(text, self.decimal_comma) {
            Cell::Number(value, _) => Some(value),
            _ => None,
        }
    }

    /// A cell of this dialect.
    pub(super) fn cell(&self, text: &str) -> Cell {
        cell::read(text, self.decimal_comma)
    }

    fn describe(&self) -> String {
        format!(
            "{} column(s) of numbers, {} between them, decimal {}",
            self.data.len(),
            self.separator.describe(),
            if self.decimal_comma { "comma" } else { "point" }
        )
    }
}

/// Lines that decide.
const LINES: usize = 400;

/// A line of the head: its first byte, and its text.
pub(super) type Line = (usize, String);

/// The lines of the head that are whole; `whole` where the head is all of the file.
pub(super) fn lines(head: &[u8], whole: bool) -> Vec<Line> {
    let bom = if head.starts_with(&[0xef, 0xbb, 0xbf]) { 3 } else { 0 };
    let mut lines = Vec::new();
    let mut at = bom;
    while let Some(rest) = head.get(at..).filter(|rest| !rest.is_empty()) {
        let end = memchr::memchr(b'\n', rest);
        // A line that the head cuts in two says nothing; and enough has been seen some time.
        if (end.is_none() && !whole) || lines.len() >= LINES {
            break;
        }
        let line = rest.get(..end.unwrap_or(rest.len())).unwrap_or_default();
        // A tab at the end is a separator, as a comma there is.
        let text = super::encoding::decode(line);
        lines
            .push((at, text.trim_end_matches(|c: char| c.is_whitespace() && c != '\t').to_owned()));
        at += end.unwrap_or(rest.len()) + 1;
    }
    lines
}

/// Decides the dialect from the head of the file; `whole` where the head is all of it.
///
/// # Errors
/// Where there are no numeric rows, or two readings are plausible.
pub(super) fn find(
    file: &Path,
    lines: &[Line],
    hints: &TextHints,
    columns: usize,
) -> Result<Dialect, IngestError> {
    let ask = |message: String, help: &str| IngestError::Ask {
        file: file.to_owned(),
        message,
        help: help.to_owned(),
    };
    let from = hints.first_line.unwrap_or(1).saturating_sub(1);
    let mut candidates: Vec<(usize, Dialect)> = Separator::ALL
        .into_iter()
        .flat_map(|separator| [(separator, false), (separator, true)])
        .filter(|(separator, comma)| {
            let decimal = if *comma { DecimalName::Comma } else { DecimalName::Point };
            hints.separator.is_none_or(|hint| hint == separator.named())
                && hints.decimal.is_none_or(|hint| hint == decimal)
        })
        .filter_map(|(separator, comma)| candidate(lines, separator, comma, columns, from))
        .collect();
    // Most numbers first, then most rows, then fewest cells between them that are none; a decimal point before a comma where both read the same
    // rows alike (no mark occurs in them).
    candidates.sort_by_key(|(rows, dialect)| {
        let numbers = rows * dialect.data.len();
        let left_out = dialect.fields - dialect.data.len();
        // One column alone is read by any separator: one that stands in the head cuts its labels.
        let occurs = |(_, line): &Line| line.contains(char::from(dialect.separator.byte()));
        let unused = !lines.iter().any(occurs);
        (std::cmp::Reverse((numbers, *rows)), unused, left_out, dialect.decimal_comma)
    });
    let Some((rows, mut best)) = candidates.first().cloned() else {
        let message = match lines.len() {
            0 => "its first line is too long to be a row of numbers".to_owned(),
            count => format!("no rows of numbers in the first {count} line(s)"),
        };
        return Err(IngestError::Damaged {
            file: file.to_owned(),
            place: Place::File,
            message,
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
    if let Some((field, text)) = fault_above(lines, &best) {
        return Err(IngestError::Damaged {
            file: file.to_owned(),
            place: Place::Line(best.first_line as u64 - 1, field),
            message: format!(
                "`{}` is not a number, in what looks like the first row",
                text.escape_debug()
            ),
            help: "correct the line, or export the capture again".into(),
        });
    }
    let line = lines.get(best.first_line - 1).map_or("", |(_, line)| line.as_str());
    if hints.decimal.is_none() && two_readings(lines, &best) {
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
    if hints.decimal.is_none()
        && let Some(cell) = thousands_or_decimals(lines, &best)
    {
        let shown = |comma| match cell::read(&cell, comma) {
            Cell::Number(value, _) => value.to_string(),
            _ => "nothing".into(),
        };
        return Err(ask(
            format!(
                "line {}: `{cell}` can be read as {} (digits in groups) or as {} (decimal comma)",
                best.first_line,
                shown(false),
                shown(true)
            ),
            "set `text.decimal = \"point\"` or `text.decimal = \"comma\"` in the sheet",
        ));
    }
    best.runner_up = candidates.get(1).map(|(rows, second)| {
        format!("{}, in {rows} row(s) of the first {}", second.describe(), lines.len())
    });
    Ok(best)
}

/// What the cells of a line are.
fn cells(line: &str, separator: Separator, comma: bool) -> Vec<Cell> {
    separator.split(line).iter().map(|text| cell::read(text, comma)).collect()
}

/// Whether a cell counts for a column of numbers.
fn counts(cell: Cell) -> bool {
    cell.is_data() || matches!(cell, Cell::Clock(..))
}

fn candidate(
    lines: &[Line],
    separator: Separator,
    comma: bool,
    most: usize,
    from: usize,
) -> Option<(usize, Dialect)> {
    if comma && separator == Separator::Comma && !lines.iter().any(|(_, line)| line.contains('"')) {
        return None;
    }
    // Where rows end in a tab, or have any, a comma in them is a decimal one.
    let tabbed = lines.iter().rev().take(8).filter(|(_, line)| line.contains('\t')).count();
    if separator == Separator::Comma && 2 * tabbed > lines.len().min(8) {
        return None;
    }
    let filled: Vec<(usize, Vec<Cell>)> = lines
        .iter()
        .enumerate()
        .filter(|(k, (_, line))| *k >= from && !line.is_empty())
        .map(|(k, (_, line))| (k, cells(line, separator, comma)))
        .collect();
    // Preambles may have rows alike too: the largest block holds the data.
    let mut blocks: Vec<Block> = Vec::new();
    let mut place = 0;
    while place < filled.len() {
        match block_at(&filled, place, most) {
            Some(block) => {
                place += block.length;
                blocks.push(block);
            }
            None => place += 1,
        }
    }
    let size = |block: &Block| block.usable.len() * block.data.len();
    let largest =
        blocks.iter().max_by_key(|block| (size(block), std::cmp::Reverse(block.place)))?;
    // They begin with the first block of that kind: a row at fault between two blocks must not
    // hide the rows before it.
    let first_of_kind =
        blocks.iter().find(|block| block.fields == largest.fields && block.data == largest.data)?;
    let Block { fields, mut data, usable, .. } = first_of_kind.clone();
    let rows = blocks.iter().filter(|block| block.fields == fields && block.data == data);
    let rows: usize = rows.map(|block| block.usable.len()).sum();
    let first = *usable.first()?;
    let late = titled_but_empty(&filled, lines.get(..first)?, separator, fields, first);
    data.extend(late.into_iter().filter(|_| separator != Separator::Space));
    data.sort_unstable();
    data.dedup();
    // One blank-separated number is the same as one number in any other dialect.
    if separator == Separator::Space && fields == 1 {
        return None;
    }
    let spaced =
        usable.len() >= 4 && usable.array_windows().all(|[before, next]| next - before == 2);
    let quoted = lines.get(first).is_some_and(|(_, line)| line.contains('"'));
    let dialect = Dialect {
        separator,
        decimal_comma: comma,
        quoted,
        fields,
        data,
        data_start: lines.get(first)?.0 as u64,
        first_line: first + 1,
        spaced,
        runner_up: None,
    };
    Some((rows, dialect))
}

/// Rows of one number of fields, with the columns that hold numbers in all of them.
#[derive(Clone, Debug)]
struct Block {
    /// Place of its first row among the rows that are not empty.
    place: usize,
    /// Rows.
    length: usize,
    fields: usize,
    data: Vec<usize>,
    /// Lines of its rows that hold data.
    usable: Vec<usize>,
}

/// The block that begins at a row: a row with a number that is followed by two more of the same
/// kind, or by as many as there are.
fn block_at(filled: &[(usize, Vec<Cell>)], place: usize, most: usize) -> Option<Block> {
    let same = |a: &[Cell], b: &[Cell]| {
        a.len() == b.len() && a.iter().zip(b).any(|(a, b)| counts(*a) && counts(*b))
    };
    let rest = filled.get(place..)?;
    let (_, row) = rest.first()?;
    let fields = row.len();
    let numbers = row.iter().filter(|cell| counts(**cell)).count();
    let mut follow = rest.iter().skip(1).take(2);
    if numbers == 0 || fields > most || !follow.all(|(_, next)| same(row, next)) {
        return None;
    }
    let rows: Vec<&(usize, Vec<Cell>)> =
        rest.iter().take_while(|(_, row)| row.len() == fields).collect();
    // A column of numbers has one in most rows, and is left empty where nothing was recorded; a
    // column of metadata has texts, or runs dry. A text among numbers is a fault, told later.
    let of = |row: &(usize, Vec<Cell>), column: usize| row.1.get(column).copied();
    let data: Vec<usize> = (0..fields)
        .filter(|column| {
            let numbers = rows.iter().filter(|row| of(row, *column).is_some_and(counts)).count();
            2 * numbers > rows.len()
        })
        .collect();
    if data.is_empty() {
        return None;
    }
    let usable = rows
        .iter()
        .filter(|row| data.iter().all(|column| of(row, *column) != Some(Cell::Text)))
        .map(|(line, _)| *line)
        .collect();
    Some(Block { place, length: rows.len(), fields, data, usable })
}

/// Columns that have a title and stay empty all over the head: their channel begins later.
fn titled_but_empty(
    filled: &[(usize, Vec<Cell>)],
    above: &[Line],
    separator: Separator,
    fields: usize,
    first: usize,
) -> Vec<usize> {
    let rows = || filled.iter().filter(|(line, row)| *line >= first && row.len() == fields);
    let titles: Vec<Vec<String>> = above
        .iter()
        .rev()
        .take(3)
        .map(|(_, line)| separator.split(line))
        .filter(|titles| titles.len() >= fields)
        .collect();
    let stem = |title: &str| title.trim_end_matches(|c: char| c.is_ascii_digit()).to_owned();
    // A channel has a unit, or is named like another one; `Start` over a separator at the end is none.
    let titled = |column: usize| {
        titles.iter().any(|row| {
            let Some(title) = row.get(column).filter(|title| !title.is_empty()) else {
                return false;
            };
            let (_, unit) = super::title::name_and_unit(title);
            let alike = (0..fields)
                .filter(|other| *other != column)
                .filter_map(|other| row.get(other))
                .any(|other| stem(other) == stem(title));
            let electrical = |unit: Unit| [Unit::Volt, Unit::Ampere].contains(&unit);
            unit.or_else(|| Unit::parse(title)).is_some_and(|(unit, _)| electrical(unit))
                || (alike && cell::read(title, false) == Cell::Text)
        })
    };
    let empty = |column: &usize| rows().all(|(_, row)| row.get(*column) == Some(&Cell::Empty));
    (0..fields).filter(empty).filter(|column| titled(*column)).collect()
}

/// The field at fault in a row right above the data that begins like one of them: it must not pass
/// for a header.
fn fault_above(lines: &[Line], dialect: &Dialect) -> Option<(usize, String)> {
    let (_, line) = lines.get(dialect.first_line.checked_sub(2)?)?;
    let fields = dialect.separator.split(line);
    let cell = |column: &usize| fields.get(*column).map(|text| dialect.cell(text));
    let begins = dialect.data.first().and_then(cell).is_some_and(counts);
    if fields.len() != dialect.fields || !begins || dialect.data.len() < 2 {
        return None;
    }
    let fault = dialect.data.iter().find(|column| cell(column) == Some(Cell::Text))?;
    Some((fault + 1, fields.get(*fault)?.chars().take(30).collect()))
}

/// Whether comma-separated whole numbers could as well be pairs with a decimal comma.
fn two_readings(lines: &[Line], dialect: &Dialect) -> bool {
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
    let above = lines.get(..dialect.first_line - 1).unwrap_or_default();
    let named = above.iter().rev().find(|(_, line)| !line.is_empty());
    named.is_none_or(|(_, line)| dialect.separator.split(line).len() != dialect.fields)
}

/// A cell such as `1,234` that has digits in groups or decimals, where no cell tells which.
fn thousands_or_decimals(lines: &[Line], dialect: &Dialect) -> Option<String> {
    if dialect.separator == Separator::Comma && !dialect.quoted {
        return None;
    }
    let mut doubtful = None;
    for (_, line) in lines.iter().skip(dialect.first_line - 1) {
        let fields = dialect.separator.split(line);
        for cell in dialect.data.iter().filter_map(|k| fields.get(*k)) {
            if !cell.contains(',') {
                continue;
            }
            let (point, comma) = (cell::read(cell, false), cell::read(cell, true));
            match (point, comma) {
                (Cell::Number(..), Cell::Number(..)) => {
                    // `0,125` is never a group.
                    let leading_zero = cell.trim_start_matches(['-', '+']).starts_with("0,");
                    if leading_zero {
                        return None;
                    }
                    doubtful.get_or_insert_with(|| cell.clone());
                }
                // This one can be read in one way only.
                _ => return None,
            }
        }
    }
    doubtful
}
