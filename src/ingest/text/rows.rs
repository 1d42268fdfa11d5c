//! Numeric rows: a plain splitter for the common case, the csv crate for quoted fields.

use super::dialect::Separator;
use super::number;
use crate::ingest::binary::is_value;

/// What a field of a row is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
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
#[derive(Debug, Default)]
pub(super) struct Rows {
    /// Voltage column.
    pub v: Vec<f64>,
    /// Current column.
    pub i: Vec<f64>,
    /// Time column.
    pub time: Vec<f64>,
}

impl Rows {
    /// Rows so far.
    pub(super) fn count(&self) -> usize {
        self.v.len().max(self.i.len()).max(self.time.len())
    }

    /// Adds one number.
    pub(super) fn put(&mut self, role: Role, value: f64) {
        match role {
            Role::Skip => {}
            Role::Time => self.time.push(value),
            Role::Voltage => self.v.push(value),
            Role::Current => self.i.push(value),
        }
    }
}

/// Parses plain rows from `start` on. Gives the place of the first row that is not plain, or the
/// end of the text.
pub(super) fn parse(
    text: &[u8],
    start: usize,
    separator: Separator,
    roles: &[Role],
    rows: &mut Rows,
) -> usize {
    let mut at = start;
    while at < text.len() {
        // The common layouts first, for as long as they hold; then one row of any kind.
        at = match roles.len() {
            1 => tight_rows::<1>(text, at, separator, roles, rows),
            2 => tight_rows::<2>(text, at, separator, roles, rows),
            3 => tight_rows::<3>(text, at, separator, roles, rows),
            4 => tight_rows::<4>(text, at, separator, roles, rows),
            5 => tight_rows::<5>(text, at, separator, roles, rows),
            _ => at,
        };
        if at >= text.len() {
            break;
        }
        match plain_row(text, at, separator, roles, rows) {
            Some(next) => at = next,
            None => return at,
        }
    }
    at
}

/// Rows of `N` plain numbers without blanks, for as long as they come; gives the place after them.
fn tight_rows<const N: usize>(
    text: &[u8],
    start: usize,
    separator: Separator,
    roles: &[Role],
    rows: &mut Rows,
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
    rows: &mut Rows,
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
            if !is_value(value) {
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

/// Parses rows with quoted fields through the csv crate; as [`parse`].
pub(super) fn parse_quoted(
    text: &[u8],
    start: usize,
    separator: Separator,
    roles: &[Role],
    rows: &mut Rows,
) -> usize {
    let rest = text.get(start..).unwrap_or_default();
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator.byte())
        .from_reader(rest);
    let mut record = csv::ByteRecord::new();
    let mut values = Vec::with_capacity(roles.len());
    loop {
        #[allow(clippy::cast_possible_truncation)]
        let at = start + reader.position().byte() as usize;
        if !matches!(reader.read_byte_record(&mut record), Ok(true)) {
            return if reader.is_done() { text.len() } else { at };
        }
        values.clear();
        values.extend(record.iter().zip(roles).filter(|(_, role)| **role != Role::Skip).map_while(
            |(cell, role)| {
                let value = fast_float2::parse::<f64, _>(cell.trim_ascii()).ok();
                value.filter(|value| is_value(*value)).map(|value| (*role, value))
            },
        ));
        let wanted = roles.iter().filter(|role| **role != Role::Skip).count();
        // A record over several lines is a quote that was left open.
        let lines = reader.position().line();
        let one_line = lines <= record.position().map_or(0, csv::Position::line) + 1;
        if record.len() != roles.len() || values.len() != wanted || !one_line {
            return at;
        }
        for (role, value) in &values {
            rows.put(*role, *value);
        }
    }
}

/// A finite number, or nothing.
pub(crate) fn finite(cell: &str) -> Option<f64> {
    fast_float2::parse::<f64, _>(cell.trim()).ok().filter(|value| value.is_finite())
}
