//! Rows that are not plain numbers: marks and units in cells, blank lines, a header again, what
//! comes after the data, and damage.

use super::cell::Cell;
use super::encoding::decode;
use super::reader::{Decoding, TextReader};
use super::rows::{Role, Rows};
use crate::flag::{Code, Flag};
use crate::ingest::{Break, BreakReason, IngestError, Piece};

/// Words that end the data.
const ENDS: [&str; 6] = ["end", "eof", "[end]", "end of data", "end of file", "*end*"];

/// Cells that head a table of another kind.
const FOREIGN: [&str; 7] = ["freq", "fft", "hz", "magnitude", "spectrum", "db", "bin"];

impl TextReader {
    /// Deals with the row at `at`; gives the place after it.
    pub(super) fn odd_row(
        &self,
        decoding: &Decoding<'_>,
        at: usize,
        rows: &mut Rows,
        out: &mut Piece,
    ) -> Result<usize, IngestError> {
        let rest = decoding.text.get(at..).unwrap_or_default();
        let end = memchr::memchr(b'\n', rest);
        let line = rest.get(..end.unwrap_or(rest.len())).unwrap_or_default();
        let next = at + end.map_or(rest.len(), |end| end + 1);
        let place = decoding.start + at as u64;
        let last = decoding.start + next as u64 >= self.text.length();
        if line.iter().all(u8::is_ascii_whitespace) {
            // Rows apart from each other without a time axis to tell: frames.
            if self.time.is_none() && !self.dialect.spaced && rows.count() > 0 && !self.values {
                begin(out, rows.count(), BreakReason::Blank);
            }
            return Ok(next);
        }
        if let Some(nul) = memchr::memchr(0, line) {
            let byte = place + nul as u64;
            return self.cut_off(out, next, format!("NUL bytes begin at byte {byte}"));
        }
        let text = if decoding.replaced {
            // As it stands in the file, with its commas.
            let mut own = Vec::new();
            self.text.read(place, line.len(), &mut own)?;
            decode(&own)
        } else {
            decode(line)
        };
        let trimmed = text.trim_end_matches(['\r', ' ']);
        let fields = self.dialect.separator.split(trimmed);
        let cells: Vec<Cell> = fields.iter().map(|cell| self.dialect.cell(cell)).collect();
        // Separators alone are an empty row.
        if (self.time.is_some() || last) && cells.iter().all(|cell| *cell == Cell::Empty) {
            return Ok(next);
        }
        if self.take_row(&cells, decoding.roles, rows) {
            return Ok(next);
        }
        let first = fields.iter().find(|cell| !cell.is_empty()).map_or("", String::as_str);
        let bare = first.trim_end_matches([':', '=', ' ']);
        let label = bare.split_once([':', '=']).map_or(bare, |(label, _)| label.trim());
        let bare_comment = label.trim_start_matches(['#', '%', ';']).trim();
        if self.labels.iter().any(|known| known == label || known == bare_comment) {
            self.same_titles(place, &fields)?;
            begin(out, rows.count(), BreakReason::Header);
            return Ok(next);
        }
        if fields.len() == 1 && ENDS.contains(&first.to_lowercase().as_str()) {
            out.end = Some(None);
            return Ok(decoding.text.len());
        }
        if trimmed.starts_with(['#', '%']) {
            return Ok(next);
        }
        let foreign = |cell: &String| {
            let cell = cell.to_lowercase();
            FOREIGN.iter().any(|word| cell.contains(word))
        };
        let wordy = cells.iter().all(|cell| matches!(cell, Cell::Text | Cell::Empty));
        if wordy && fields.iter().any(foreign) {
            let line = self.place(place, 0)?.to_string();
            out.end = Some(Some(Flag::new(
                Code::BlockLeftOut,
                format!(
                    "another table begins after the samples (line {} `{trimmed}`): it was left out",
                    line.trim_start_matches(':')
                ),
            )));
            return Ok(decoding.text.len());
        }
        if last && end.is_none() && fields.len() < self.dialect.fields {
            let line = self.place(place, 0)?.to_string();
            return self.cut_off(
                out,
                next,
                format!(
                    "the last row, {}, has {} of {} fields and ends at byte {}",
                    line.trim_start_matches(':'),
                    fields.len(),
                    self.dialect.fields,
                    place + line_length(decoding.text.get(at..next))
                ),
            );
        }
        self.refuse(place, &fields, &cells, decoding.roles)
    }

    /// A row of names or units that comes again must be the same: its samples are read by the first.
    fn same_titles(&self, place: u64, fields: &[String]) -> Result<(), IngestError> {
        let told = |row: &[String]| -> Vec<String> {
            row.iter()
                .map(|cell| cell.trim_start_matches(['#', '%', ';', ' ']).to_owned())
                .collect()
        };
        let again = told(fields);
        let alike = |row: &&Vec<String>| {
            again.len() > 1 && row.len() > 1 && told(row).first() == again.first()
        };
        let mut rows = self.titles.iter().filter(alike).peekable();
        let Some(first) = rows.peek().copied() else { return Ok(()) };
        let bare = |row: &[String]| {
            let mut row = told(row);
            while row.last().is_some_and(String::is_empty) {
                row.pop();
            }
            row
        };
        if rows.any(|row| bare(row) == bare(fields)) {
            return Ok(());
        }
        Err(IngestError::Damaged {
            file: self.named.name().to_owned(),
            place: self.place(place, 0)?,
            message: format!(
                "the header comes again, but otherwise: `{}`, before `{}`",
                fields.join(" "),
                first.join(" ")
            ),
            help: "save each record in a file of its own".into(),
        })
    }

    /// Takes a row whose cells are numbers or marks where they must be.
    fn take_row(&self, cells: &[Cell], roles: &[Role], rows: &mut Rows) -> bool {
        // Fields may be missing only where they would be empty: at the end, of columns not needed.
        let needed = roles.iter().rposition(|role| *role != Role::Skip).map_or(0, |last| last + 1);
        if cells.len() > roles.len() || cells.len() < needed {
            return false;
        }
        let some = self.columns.iter().any(|k| cells.get(*k).is_some_and(|cell| cell.is_data()));
        let mut values = Vec::with_capacity(3);
        for (cell, role) in cells.iter().zip(roles) {
            let value = match (role, cell) {
                (Role::Skip, _) => continue,
                (Role::Time, Cell::Number(value, unit)) => Some(match (unit, self.time) {
                    (Some(_), Some((_, factor))) => value / factor,
                    _ => *value,
                }),
                (Role::Time, Cell::Clock(seconds, day)) => {
                    let days = day.zip(self.first_day).map_or(0, |(day, first)| day - first);
                    Some(seconds + 86_400.0 * days as f64)
                }
                (Role::Time, _) => None,
                (role, Cell::Number(value, Some(_))) => Some(value / self.factor(*role, roles)),
                // A stamp without a value is a gap; without a stamp nothing tells where.
                (_, Cell::Empty) if !some && self.time.is_none() => None,
                (_, cell) => cell.value(),
            };
            let Some(value) = value else { return false };
            values.push((*role, value));
        }
        for (role, value) in values {
            rows.put(role, value);
        }
        true
    }

    /// Factor of the column that has this role: cells with a unit of their own are SI already.
    fn factor(&self, role: Role, roles: &[Role]) -> f64 {
        let field = roles.iter().position(|known| *known == role);
        let channel =
            field.and_then(|field| self.columns.iter().position(|column| *column == field));
        channel.and_then(|k| self.channels.get(k)).map_or(1.0, |info| info.factor)
    }

    fn cut_off(&self, out: &mut Piece, next: usize, what: String) -> Result<usize, IngestError> {
        out.end = Some(Some(Flag::new(
            Code::Truncated,
            format!(
                "the file is cut off: {what}; read up to there. Copy it from the instrument again"
            ),
        )));
        Ok(next)
    }

    fn refuse(
        &self,
        place: u64,
        fields: &[String],
        cells: &[Cell],
        roles: &[Role],
    ) -> Result<usize, IngestError> {
        let at_fault = cells.iter().zip(roles).position(|(cell, role)| {
            let fits = match role {
                Role::Skip => true,
                Role::Time => matches!(cell, Cell::Number(..) | Cell::Clock(..)),
                _ => cell.value().is_some(),
            };
            !fits
        });
        let (field, message) = match at_fault.filter(|_| fields.len() == roles.len()) {
            Some(k) => {
                let shown: String =
                    fields.get(k).map_or("", String::as_str).chars().take(30).collect();
                (k + 1, format!("`{}` is not a number", shown.escape_debug()))
            }
            None => {
                (0, format!("{} field(s) where the rows before have {}", fields.len(), roles.len()))
            }
        };
        Err(IngestError::Damaged {
            file: self.named.name().to_owned(),
            place: self.place(place, field)?,
            message,
            help: "correct the line, or export the capture again".into(),
        })
    }
}

fn line_length(line: Option<&[u8]>) -> u64 {
    line.map_or(0, <[u8]>::len) as u64
}

/// A new record begins with the row that comes next.
fn begin(out: &mut Piece, at: usize, reason: BreakReason) {
    if out.breaks.last().is_none_or(|known| known.at != at) {
        out.breaks.push(Break { at, reason });
    }
}
