//! NumPy `.npy` arrays, format versions 1 to 3: integers up to 32 bit and floats, of either byte
//! order, in C or Fortran order. Pickled objects are refused.

use super::binary::{Columns, Form, Number};
use super::bytes::{u16_at, u32_at};
use super::table::Table;
use super::{
    ChannelInfo, IngestError, Limits, Opening, Place, RateSource, Receipt, Source, TraceReader,
};

/// Whether the first bytes are of an npy file.
pub(super) fn probe(head: &[u8]) -> bool {
    head.starts_with(b"\x93NUMPY")
}

/// What the header of an array says.
pub(super) struct Header {
    /// How a number is laid down.
    pub number: Number,
    /// Dimensions, those of C order.
    pub shape: Vec<u64>,
    /// First byte of the numbers.
    pub start: u64,
}

impl Header {
    /// Numbers in all.
    pub(super) fn count(&self) -> Option<u64> {
        self.shape.iter().try_fold(1_u64, |all, n| all.checked_mul(*n))
    }
}

fn damaged(source: &Source, byte: u64, message: String) -> IngestError {
    const HELP: &str = "save one array with numpy.save: length N, N x channels or channels x N, of \
               float32, float64, or integers of up to 32 bit";
    super::error::damaged_at(source, Place::Byte(byte), message, HELP)
}

/// Reads the header of an array, and checks that its numbers are there.
pub(super) fn header(source: &Source, limits: &Limits) -> Result<Header, IngestError> {
    let fail = |byte: u64, message: String| Err(damaged(source, byte, message));
    let mut head = Vec::new();
    source.read(0, 12, &mut head)?;
    let found = match head.get(6) {
        Some(1) => u16_at(&head, 8, false).map(|length| (10, u64::from(length))),
        Some(2 | 3) => u32_at(&head, 8, false).map(|length| (12, u64::from(length))),
        _ => None,
    };
    let Some((header_start, length)) = found else {
        return fail(6, "unknown npy version or a header cut off".into());
    };
    let length = limits.check_header(source.name(), length)?;
    let mut text = Vec::new();
    source.read(header_start, length, &mut text)?;
    if text.len() < length {
        return fail(source.length(), "the file ends inside its header".into());
    }
    let text = String::from_utf8_lossy(&text);
    let descr = value_of(&text, "descr").unwrap_or("(none stated)");
    let Some(number) = number_of(descr) else {
        let message = if descr.contains('O') {
            format!(
                "numbers of type {descr} are not read: Python objects (a pickle) could run code"
            )
        } else {
            format!("numbers of type {descr} are not read")
        };
        return fail(header_start, message);
    };
    let fortran = match value_of(&text, "fortran_order") {
        Some("False") => false,
        Some("True") => true,
        other => return fail(header_start, format!("fortran_order is {other:?}")),
    };
    let shape: Option<Vec<u64>> = value_of(&text, "shape").and_then(|shape| {
        let inner = shape.strip_prefix('(')?.strip_suffix(')')?;
        inner.split(',').map(str::trim).filter(|n| !n.is_empty()).map(|n| n.parse().ok()).collect()
    });
    let Some(mut shape) = shape else { return fail(header_start, "the shape is damaged".into()) };
    // Fortran order is C order with the dimensions the other way round.
    if fortran {
        shape.reverse();
    }
    let header = Header { number, shape, start: header_start + length as u64 };
    let wanted = header.count().and_then(|count| count.checked_mul(number.bytes() as u64));
    let there = source.length().saturating_sub(header.start);
    if wanted.is_none_or(|wanted| there < wanted) {
        return fail(
            source.length(),
            format!(
                "the file is cut off: an array of {:?} promised, {there} bytes there",
                header.shape
            ),
        );
    }
    Ok(header)
}

fn number_of(descr: &str) -> Option<Number> {
    let inner = descr.strip_prefix('\'')?.strip_suffix('\'')?;
    let (order, kind) = inner.split_at_checked(1)?;
    let form = match kind {
        "i1" => Form::Int8,
        "u1" => Form::Unsigned8,
        "i2" => Form::Int16,
        "u2" => Form::Unsigned16,
        "i4" => Form::Int32,
        "u4" => Form::Unsigned32,
        "f4" => Form::Float32,
        "f8" => Form::Float64,
        _ => return None,
    };
    match order {
        "<" | "|" => Some(Number::little(form)),
        ">" => Some(Number::big(form)),
        _ => None,
    }
}

/// The text behind `'key':` in the header's Python dictionary, up to the comma that ends it.
fn value_of<'a>(header: &'a str, key: &str) -> Option<&'a str> {
    let at = header.find(&format!("'{key}'"))?;
    let value = header.get(at + key.len() + 2..)?.trim_start().strip_prefix(':')?.trim_start();
    let mut depth = 0_i32;
    let end = value.find(|c| {
        match c {
            '(' => depth += 1,
            ')' => depth -= 1,
            _ => {}
        }
        depth == 0 && matches!(c, ',' | '}')
    })?;
    Some(value.get(..end)?.trim())
}

/// The channels of an array: of two dimensions the shorter one counts channels.
pub(super) fn columns(
    source: &Source,
    header: &Header,
    limits: &Limits,
) -> Result<Columns, IngestError> {
    let (number, start) = (header.number, header.start);
    let fail = |message: &str| {
        Err(damaged(source, start, format!("an array of {:?} {message}", header.shape)))
    };
    let narrow = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
    match header.shape.as_slice() {
        [n] if *n > 0 => Ok(Columns::planes(source, start, 1, number, *n)),
        [a, b] if a == b => fail("leaves open which axis is samples and which channels"),
        [n, channels] if *channels > 0 && channels < n => {
            limits.check_columns(source.name(), narrow(*channels))?;
            Ok(Columns::rows(source, start, narrow(*channels), number, *n))
        }
        [channels, n] if *channels > 0 && channels < n => {
            limits.check_columns(source.name(), narrow(*channels))?;
            Ok(Columns::planes(source, start, narrow(*channels), number, *n))
        }
        _ => fail("is no capture"),
    }
}

/// Opens an npy file.
pub(super) fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let header = header(&source, &opening.limits)?;
    let columns = columns(&source, &header, &opening.limits)?;
    let mut receipt = Receipt::new("NumPy array");
    receipt.note("numbers", header.number.to_string());
    receipt.note(
        "layout",
        format!("{} samples of {} channel(s)", columns.samples, columns.list.len()),
    );
    let channels = (0..columns.list.len())
        .map(|k| ChannelInfo::named(format!("channel {k}")).laid(header.number))
        .collect();
    Ok(Box::new(Table::new(source, receipt, channels, columns, RateSource::Absent)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn header_values() {
        let header = "{'descr': '<f8', 'fortran_order': False, 'shape': (2, 5), }";
        assert_eq!(value_of(header, "descr"), Some("'<f8'"));
        assert_eq!(value_of(header, "shape"), Some("(2, 5)"));
        assert_eq!(value_of(header, "none"), None);
        assert_eq!(number_of("'>i2'"), Some(Number::big(Form::Int16)));
        assert_eq!(number_of("'|u1'"), Some(Number::little(Form::Unsigned8)));
        assert_eq!(number_of("'|O'"), None);
        assert_eq!(number_of("'µf8'"), None);
    }
}
