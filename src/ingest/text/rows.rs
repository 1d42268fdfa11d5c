//! Numeric rows: a plain splitter for the common case, the csv crate for quoted fields.

use super::dialect::{Dialect, Separator};
use super::number;

/// What a field of a row is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Not needed.
    Skip,
    /// Time stamp.
    Time,
    /// Voltage.
    Voltage,
    /// Current.
    Current,
}

/// Where the numbers go.
pub struct Rows<'a> {
    /// Voltage column.
    pub v: &'a mut Vec<f64>,
    /// Current column.
    pub i: &'a mut Vec<f64>,
    /// Time column.
    pub time: Vec<f64>,
}

impl Rows<'_> {
    fn put(&mut self, role: Role, value: f64) {
        match role {
            Role::Skip => {}
            Role::Time => self.time.push(value),
            Role::Voltage => self.v.push(value),
            Role::Current => self.i.push(value),
        }
    }
}

/// A row that is not as the others.
pub struct Fault {
    /// Byte in the text where the row starts.
    pub offset: usize,
    /// Field, from 1; 0 for the whole row.
    pub field: usize,
    /// What is wrong.
    pub message: String,
    /// Whether it is the last row of the text.
    pub last_row: bool,
}

/// Parses plain rows. Blank lines are passed over.
///
/// # Errors
/// The first row with another number of fields, or with a field that is no finite number.
pub fn parse(
    text: &[u8],
    dialect: &Dialect,
    roles: &[Role],
    rows: &mut Rows<'_>,
) -> Result<(), Fault> {
    let mut at = 0;
    while at < text.len() {
        // The common layouts first, for as long as they hold; then one row of any kind.
        at = match roles.len() {
            1 => tight_rows::<1>(text, at, dialect.separator, roles, rows),
            2 => tight_rows::<2>(text, at, dialect.separator, roles, rows),
            3 => tight_rows::<3>(text, at, dialect.separator, roles, rows),
            4 => tight_rows::<4>(text, at, dialect.separator, roles, rows),
            5 => tight_rows::<5>(text, at, dialect.separator, roles, rows),
            _ => at,
        };
        if at >= text.len() {
            break;
        }
        let end = plain_row(text, at, dialect.separator, roles, rows);
        at = match end {
            Some(next) => next,
            None => explain(text, at, dialect, roles)?,
        };
    }
    Ok(())
}

/// Rows of `N` plain numbers without blanks, for as long as they come; gives the place after them.
fn tight_rows<const N: usize>(
    text: &[u8],
    start: usize,
    separator: Separator,
    roles: &[Role],
    rows: &mut Rows<'_>,
) -> usize {
    let place = |role| roles.iter().position(|found| *found == role);
    let (v, i, time) = (place(Role::Voltage), place(Role::Current), place(Role::Time));
    let mut at = start;
    while let Some((values, next)) = tight_row::<N>(text, at, separator.byte()) {
        // A place lies below N, as there are N roles.
        let value = |place: usize| values.get(place).copied().unwrap_or(0.0);
        if let Some(v) = v {
            rows.v.push(value(v));
        }
        if let Some(i) = i {
            rows.i.push(value(i));
        }
        if let Some(time) = time {
            rows.time.push(value(time));
        }
        at = next;
    }
    at
}

#[inline]
fn tight_row<const N: usize>(
    text: &[u8],
    start: usize,
    separator: u8,
) -> Option<([f64; N], usize)> {
    let mut values = [0.0; N];
    let mut at = start;
    for (field, slot) in values.iter_mut().enumerate() {
        if field > 0 {
            if *text.get(at)? != separator {
                return None;
            }
            at += 1;
        }
        let (value, length) = number::plain(text.get(at..)?)?;
        *slot = value;
        at += length;
    }
    if *text.get(at)? == b'\r' {
        at += 1;
    }
    (*text.get(at)? == b'\n').then_some((values, at + 1))
}

/// One row, fast; `None` where anything is unusual. Pushes nothing unless the row is whole.
#[inline]
fn plain_row(
    text: &[u8],
    start: usize,
    separator: Separator,
    roles: &[Role],
    rows: &mut Rows<'_>,
) -> Option<usize> {
    let mut at = start;
    // Voltage, current and time of this row, kept until it is known to be whole.
    let (mut v, mut i, mut time) = (0.0, 0.0, 0.0);
    let last = roles.len() - 1;
    for (field, role) in roles.iter().enumerate() {
        while matches!(text.get(at), Some(b' ')) {
            at += 1;
        }
        if *role == Role::Skip {
            let rest = text.get(at..)?;
            at += rest
                .iter()
                .position(|byte| separator.matches(*byte) || *byte == b'\n')
                .unwrap_or(rest.len());
        } else {
            let (value, length) = number::leading(text.get(at..)?)?;
            if !value.is_finite() {
                return None;
            }
            at += length;
            match role {
                Role::Time => time = value,
                Role::Voltage => v = value,
                _ => i = value,
            }
        }
        let before = at;
        while matches!(text.get(at), Some(b' ')) {
            at += 1;
        }
        if field < last {
            match text.get(at) {
                Some(byte) if separator.matches(*byte) && *byte != b' ' => at += 1,
                Some(_) if separator == Separator::Space && at > before => {}
                _ => return None,
            }
        }
    }
    while matches!(text.get(at), Some(b'\r' | b' ' | b'\t')) {
        at += 1;
    }
    match text.get(at) {
        None => {}
        Some(b'\n') => at += 1,
        Some(_) => return None,
    }
    for role in roles {
        let value = match role {
            Role::Skip => continue,
            Role::Time => time,
            Role::Voltage => v,
            Role::Current => i,
        };
        rows.put(*role, value);
    }
    Some(at)
}

/// Says what is wrong with the row at `start`, or passes over a blank line.
fn explain(text: &[u8], start: usize, dialect: &Dialect, roles: &[Role]) -> Result<usize, Fault> {
    let end = memchr::memchr(b'\n', &text[start..]).map_or(text.len(), |at| start + at);
    let line = &text[start..end];
    if line.iter().all(u8::is_ascii_whitespace) {
        return Ok(end + 1);
    }
    let line = String::from_utf8_lossy(line);
    let fields = dialect.separator.split(line.trim_end_matches(['\r', ' ']));
    let fault =
        |field, message| Fault { offset: start, field, message, last_row: end >= text.len() };
    if fields.len() != roles.len() {
        return Err(fault(
            0,
            format!("{} field(s) where the rows before have {}", fields.len(), roles.len()),
        ));
    }
    for (k, (cell, role)) in fields.iter().zip(roles).enumerate() {
        if *role != Role::Skip && finite(cell).is_none() {
            let shown: String = cell.chars().take(30).collect();
            return Err(fault(k + 1, format!("`{}` is not a number", shown.escape_default())));
        }
    }
    Err(fault(0, "the row can't be read".into()))
}

/// Parses rows with quoted fields through the csv crate.
///
/// # Errors
/// As [`parse`].
pub fn parse_quoted(
    text: &[u8],
    dialect: &Dialect,
    roles: &[Role],
    rows: &mut Rows<'_>,
) -> Result<(), Fault> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(dialect.separator.byte())
        .from_reader(text);
    let mut record = csv::ByteRecord::new();
    loop {
        #[allow(clippy::cast_possible_truncation)]
        let offset = reader.position().byte() as usize;
        let more = reader.read_byte_record(&mut record).map_err(|error| Fault {
            offset,
            field: 0,
            message: error.to_string(),
            last_row: false,
        })?;
        if !more {
            return Ok(());
        }
        let last_row = reader.is_done();
        let fault = |field, message| Fault { offset, field, message, last_row };
        if record.len() != roles.len() {
            return Err(fault(
                0,
                format!("{} field(s) where the rows before have {}", record.len(), roles.len()),
            ));
        }
        for (k, (cell, role)) in record.iter().zip(roles).enumerate() {
            if *role == Role::Skip {
                continue;
            }
            let cell = String::from_utf8_lossy(cell);
            let Some(value) = finite(&cell) else {
                return Err(fault(k + 1, format!("`{}` is not a number", cell.escape_default())));
            };
            rows.put(*role, value);
        }
    }
}

/// A finite number, or nothing.
pub fn finite(cell: &str) -> Option<f64> {
    fast_float2::parse::<f64, _>(cell.trim()).ok().filter(|value| value.is_finite())
}
