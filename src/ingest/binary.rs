//! Numbers at even distances in bytes: the common floor of all binary formats.

use super::{IngestError, Piece, Selection, Source};
use crate::trace::Mark;
use std::fmt;

/// Size and kind of a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// 8 bit, two's complement.
    Int8,
    /// 8 bit from 0; the middle is zero.
    Unsigned8,
    /// 16 bit, two's complement.
    Int16,
    /// 16 bit from 0; the middle is zero.
    Unsigned16,
    /// 24 bit, two's complement.
    Int24,
    /// 32 bit, two's complement.
    Int32,
    /// 32 bit from 0; the middle is zero.
    Unsigned32,
    /// 32-bit float.
    Float32,
    /// 64-bit float.
    Float64,
}

/// How a number is laid down. Integers read as shares of full scale, from -1 to 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Number {
    /// Size and kind.
    pub form: Form,
    /// The first byte is the highest.
    pub big_endian: bool,
}

impl Number {
    /// A number whose first byte is the lowest.
    #[must_use]
    pub const fn little(form: Form) -> Self {
        Self { form, big_endian: false }
    }

    /// A number whose first byte is the highest.
    #[must_use]
    pub const fn big(form: Form) -> Self {
        Self { form, big_endian: true }
    }

    /// Bytes of one number.
    #[must_use]
    pub fn bytes(self) -> usize {
        match self.form {
            Form::Int8 | Form::Unsigned8 => 1,
            Form::Int16 | Form::Unsigned16 => 2,
            Form::Int24 => 3,
            Form::Int32 | Form::Unsigned32 | Form::Float32 => 4,
            Form::Float64 => 8,
        }
    }

    /// Whether integers count from 0.
    #[must_use]
    pub fn is_unsigned(self) -> bool {
        matches!(self.form, Form::Unsigned8 | Form::Unsigned16 | Form::Unsigned32)
    }

    /// The integer at full scale; `None` for floats.
    #[must_use]
    pub fn full_scale(self) -> Option<f64> {
        match self.form {
            Form::Int8 | Form::Unsigned8 => Some(128.0),
            Form::Int16 | Form::Unsigned16 => Some(32_768.0),
            Form::Int24 => Some(8_388_608.0),
            Form::Int32 | Form::Unsigned32 => Some(2_147_483_648.0),
            Form::Float32 | Form::Float64 => None,
        }
    }
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bits = 8 * self.bytes();
        match self.form {
            Form::Float32 | Form::Float64 => write!(f, "{bits}-bit floats")?,
            Form::Unsigned8 | Form::Unsigned16 | Form::Unsigned32 => {
                write!(f, "{bits}-bit integers from 0, the middle taken as zero, full scale 1.0")?;
            }
            _ => write!(f, "{bits}-bit integers, full scale 1.0")?,
        }
        if self.bytes() > 1 {
            f.write_str(if self.big_endian { ", big-endian" } else { ", little-endian" })?;
        }
        Ok(())
    }
}

/// One channel: numbers at even distances in a source.
#[derive(Clone, Debug)]
pub(super) struct Column {
    /// Where the bytes are.
    pub source: Source,
    /// Byte of the first number.
    pub start: u64,
    /// Bytes from one number to the next.
    pub stride: usize,
    /// How a number is laid down.
    pub number: Number,
    /// Factor and summand from a share of full scale (or a float) to a number of the file.
    pub line: Option<(f64, f64)>,
    /// A share of full scale (or a float) that stands for no value.
    pub missing: Option<f64>,
}

impl Column {
    /// Numbers as they stand.
    pub(super) fn bare(source: &Source, start: u64, stride: usize, number: Number) -> Self {
        Self { source: source.clone(), start, stride, number, line: None, missing: None }
    }
}

/// Channels of equal length.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    /// The channels.
    pub list: Vec<Column>,
    /// Samples of each.
    pub samples: u64,
}

/// Samples per piece.
const SAMPLES: usize = 1 << 15;

impl Columns {
    /// Channels side by side: one row of numbers of one kind per sample.
    pub(super) fn rows(
        source: &Source,
        start: u64,
        channels: usize,
        number: Number,
        samples: u64,
    ) -> Self {
        let stride = channels * number.bytes();
        let list = (0..channels)
            .map(|k| Column::bare(source, start + (k * number.bytes()) as u64, stride, number))
            .collect();
        Self { list, samples }
    }

    /// Channels one after the other.
    pub(super) fn planes(
        source: &Source,
        start: u64,
        channels: usize,
        number: Number,
        samples: u64,
    ) -> Self {
        let length = samples.saturating_mul(number.bytes() as u64);
        let list = (0..channels as u64)
            .map(|k| start.saturating_add(k.saturating_mul(length)))
            .map(|start| Column::bare(source, start, number.bytes(), number))
            .collect();
        Self { list, samples }
    }

    /// Number of pieces.
    pub(super) fn pieces(&self) -> usize {
        usize::try_from(self.samples.div_ceil(SAMPLES as u64)).unwrap_or(usize::MAX)
    }

    /// First sample of a piece, and how many it has.
    pub(super) fn span(&self, piece: usize) -> (u64, usize) {
        let first = piece as u64 * SAMPLES as u64;
        let left = self.samples.saturating_sub(first);
        (first, usize::try_from(left).map_or(SAMPLES, |left| left.min(SAMPLES)))
    }

    /// Decodes a piece.
    pub(super) fn decode(
        &self,
        piece: usize,
        wanted: Selection,
        out: &mut Piece,
    ) -> Result<(), IngestError> {
        out.clear();
        let (first, count) = self.span(piece);
        let voltage = wanted.voltage.and_then(|k| self.list.get(k));
        let current = wanted.current.and_then(|k| self.list.get(k));
        // Both in one row: the bytes are read once.
        let mut held: Option<(u64, usize)> = None;
        let row = voltage.zip(current).filter(|(v, i)| {
            v.stride == i.stride
                && v.start.abs_diff(i.start) < v.stride as u64
                && v.source.is_same(&i.source)
        });
        for (column, slot) in [(voltage, &mut out.v), (current, &mut out.i)] {
            let Some(column) = column else { continue };
            let base = match row {
                Some((v, i)) => v.start.min(i.start),
                None => column.start,
            };
            let from = base.saturating_add(first.saturating_mul(column.stride as u64));
            #[allow(clippy::cast_possible_truncation)]
            let shift = (column.start - base) as usize;
            // The last row may end behind its last number.
            let length = (count.saturating_sub(1)) * column.stride
                + if row.is_some() { column.stride } else { column.number.bytes() };
            if held != Some((from, length)) {
                column.source.read(from, length, &mut out.scratch)?;
                held = row.is_some().then_some((from, length));
            }
            numbers(&out.scratch, column.stride, shift, column.number, count, slot);
            if column.line.is_some() || column.missing.is_some() {
                let (factor, summand) = column.line.unwrap_or((1.0, 0.0));
                // Beyond full scale nothing is missing.
                let missing = column.missing.unwrap_or(f64::INFINITY);
                for value in slot.iter_mut() {
                    let line = *value * factor + summand;
                    *value = if *value == missing { f64::NAN } else { line };
                }
            }
        }
        settle_gaps(out);
        Ok(())
    }
}

/// Reads `count` numbers, one per row of `stride` bytes, `offset` bytes into each row; a number
/// that the buffer does not hold reads as not a number.
fn numbers(
    buffer: &[u8],
    stride: usize,
    offset: usize,
    number: Number,
    count: usize,
    out: &mut Vec<f64>,
) {
    macro_rules! integers {
        ($type:ty, $scale:expr, $middle:expr) => {
            if number.big_endian {
                fill(buffer, stride, offset, count, out, |b| {
                    (f64::from(<$type>::from_be_bytes(b)) - $middle) / $scale
                });
            } else {
                fill(buffer, stride, offset, count, out, |b| {
                    (f64::from(<$type>::from_le_bytes(b)) - $middle) / $scale
                });
            }
        };
    }
    match number.form {
        Form::Int8 => integers!(i8, 128.0, 0.0),
        Form::Unsigned8 => integers!(u8, 128.0, 128.0),
        Form::Int16 => integers!(i16, 32_768.0, 0.0),
        Form::Unsigned16 => integers!(u16, 32_768.0, 32_768.0),
        Form::Int24 => {
            let big = number.big_endian;
            fill(buffer, stride, offset, count, out, |[a, b, c]: [u8; 3]| {
                let bytes = if big { [0, c, b, a] } else { [0, a, b, c] };
                f64::from(i32::from_le_bytes(bytes)) / 2_147_483_648.0
            });
        }
        Form::Int32 => integers!(i32, 2_147_483_648.0, 0.0),
        Form::Unsigned32 => integers!(u32, 2_147_483_648.0, 2_147_483_648.0),
        Form::Float32 => integers!(f32, 1.0, 0.0),
        Form::Float64 => {
            if number.big_endian {
                fill(buffer, stride, offset, count, out, f64::from_be_bytes);
            } else {
                fill(buffer, stride, offset, count, out, f64::from_le_bytes);
            }
        }
    }
}

#[inline]
fn fill<const N: usize>(
    buffer: &[u8],
    stride: usize,
    offset: usize,
    count: usize,
    out: &mut Vec<f64>,
    number: impl Fn([u8; N]) -> f64,
) {
    out.clear();
    out.resize(count, f64::NAN);
    let from = buffer.get(offset..).unwrap_or_default();
    if stride == N {
        let (rows, _) = from.as_chunks::<N>();
        for (slot, bytes) in out.iter_mut().zip(rows) {
            *slot = number(*bytes);
        }
        return;
    }
    let rows = from.chunks_exact(stride.max(1));
    // The last row may end behind its last number.
    let last = (rows.len(), rows.remainder().first_chunk::<N>());
    for (slot, row) in out.iter_mut().zip(rows) {
        // Rows are no shorter than a number.
        if let Some(bytes) = row.first_chunk::<N>() {
            *slot = number(*bytes);
        }
    }
    if let (place, Some(bytes)) = last
        && let Some(slot) = out.get_mut(place)
    {
        *slot = number(*bytes);
    }
}

/// From here on a number stands for no value: IEEE 488.2 / SCPI instruments write 9.9E+37 for
/// infinity and 9.91E+37 for not a number (from memory).
const NO_VALUE: f64 = 9.8e37;
/// At and beyond this it is not a number rather than infinity.
const NOT_A_NUMBER: f64 = 9.905e37;

/// Whether a number stands for a value.
#[inline]
pub(super) fn is_value(x: f64) -> bool {
    x.abs() < NO_VALUE
}

fn mark_of(x: f64) -> Option<Mark> {
    if is_value(x) {
        None
    } else if x.is_infinite() || x.abs() < NOT_A_NUMBER {
        Some(Mark::Overrange)
    } else {
        Some(Mark::Missing)
    }
}

/// Whether all numbers stand for values; eight at a time, as this is asked of every sample.
fn clean(x: &[f64]) -> bool {
    let (chunks, rest) = x.as_chunks::<8>();
    let mut fine = [true; 8];
    for chunk in chunks {
        for (fine, x) in fine.iter_mut().zip(chunk) {
            *fine &= x.abs() < NO_VALUE;
        }
    }
    fine.iter().all(|fine| *fine) && rest.iter().all(|x| is_value(*x))
}

/// Turns NaN, infinity and the marks of instruments into gaps; the nearest valid neighbour's value
/// takes their place, so that nothing but finite numbers leaves a reader.
pub(super) fn settle_gaps(piece: &mut Piece) {
    if clean(&piece.v) && clean(&piece.i) {
        return;
    }
    for k in 0..piece.len() {
        let of = |x: &[f64]| x.get(k).copied().and_then(mark_of);
        if let Some(mark) = of(&piece.v).max(of(&piece.i)) {
            piece.mark(k, mark);
        }
    }
    for x in [&mut piece.v, &mut piece.i] {
        let mut last = x.iter().copied().find(|x| is_value(*x)).unwrap_or(0.0);
        for value in x.iter_mut() {
            if is_value(*value) {
                last = *value;
            } else {
                *value = last;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn read(number: Number, bytes: &[u8]) -> Vec<f64> {
        let mut out = Vec::new();
        let count = bytes.len() / number.bytes();
        numbers(bytes, number.bytes(), 0, number, count, &mut out);
        out
    }

    #[test]
    fn integers_are_shares_of_full_scale() {
        assert_eq!(
            read(Number::little(Form::Int8), &[0x80, 0x40, 0xff]),
            [-1.0, 0.5, -1.0 / 128.0]
        );
        assert_eq!(read(Number::little(Form::Unsigned8), &[0, 128, 192]), [-1.0, 0.0, 0.5]);
        assert_eq!(read(Number::big(Form::Int16), &[0x40, 0, 0x80, 0]), [0.5, -1.0]);
        assert_eq!(read(Number::little(Form::Int24), &[0, 0, 0x40]), [0.5]);
        assert_eq!(read(Number::big(Form::Int24), &[0xc0, 0, 0]), [-0.5]);
        assert_eq!(read(Number::big(Form::Unsigned32), &[0xc0, 0, 0, 0]), [0.5]);
        assert_eq!(read(Number::big(Form::Float64), &1.5_f64.to_be_bytes()), [1.5]);
    }

    #[test]
    fn marks_become_gaps() {
        let mut piece = Piece {
            v: vec![f64::NAN, 1.0, f64::INFINITY, 9.9e37, 9.91e37, 2.0],
            i: vec![1.0, 2.0, 3.0, 4.0, 5.0, f64::NAN],
            ..Piece::default()
        };
        settle_gaps(&mut piece);
        assert_eq!(piece.v, [1.0, 1.0, 1.0, 1.0, 1.0, 2.0]);
        assert_eq!(piece.i, [1.0, 2.0, 3.0, 4.0, 5.0, 5.0]);
        let (missing, over) = (Mark::Missing, Mark::Overrange);
        assert_eq!(piece.gaps, [(0..1, missing), (2..4, over), (4..6, missing)]);
    }

    #[test]
    fn rows_planes_and_short_ends() {
        let bytes: Vec<u8> = (0..12_i16).flat_map(i16::to_le_bytes).collect();
        let source = Source::memory(Path::new("a"), bytes).unwrap();
        let number = Number::little(Form::Int16);
        let wanted = Selection { voltage: Some(1), current: Some(0) };
        let mut piece = Piece::default();
        let scaled = |x: &[f64]| x.iter().map(|x| x * 32_768.0).collect::<Vec<_>>();
        Columns::rows(&source, 0, 2, number, 6).decode(0, wanted, &mut piece).unwrap();
        assert_eq!(scaled(&piece.v), [1.0, 3.0, 5.0, 7.0, 9.0, 11.0]);
        assert_eq!(scaled(&piece.i), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        Columns::planes(&source, 0, 2, number, 6).decode(0, wanted, &mut piece).unwrap();
        assert_eq!(scaled(&piece.v), [6.0, 7.0, 8.0, 9.0, 10.0, 11.0]);
        // One sample more than there are bytes for: a gap, not a zero.
        Columns::planes(&source, 0, 1, number, 13)
            .decode(0, Selection { voltage: Some(0), current: None }, &mut piece)
            .unwrap();
        assert_eq!(piece.gaps, [(12..13, Mark::Missing)]);
    }
}
