//! NumPy `.npy` arrays: one or two channels of `<f4`, `<f8` or `<i2`, format versions 1 to 3.

use super::binary::{self, Number};
use super::sheet::TextHints;
use super::{
    ChannelInfo, IngestError, Piece, Place, RateSource, Receipt, Selection, Source, TraceReader,
};

/// Samples per piece.
const SAMPLES: usize = 1 << 15;
/// Longest header that is read, in bytes.
const LONGEST_HEADER: usize = 1 << 16;

/// Whether the first bytes are of an npy file.
pub fn probe(head: &[u8]) -> bool {
    head.starts_with(b"\x93NUMPY")
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Layout {
    /// One row per sample.
    Rows,
    /// One row per channel.
    Planes,
}

struct NpyReader {
    source: Source,
    receipt: Receipt,
    channels: Vec<ChannelInfo>,
    number: Number,
    layout: Layout,
    data_start: u64,
    samples: u64,
}

/// Opens an npy file.
pub fn open(source: Source, _: &TextHints) -> Result<Box<dyn TraceReader>, IngestError> {
    let damaged = |byte, message: String| IngestError::Damaged {
        file: source.name().to_owned(),
        place: Place::Byte(byte),
        message,
        help: "save one array with numpy.save: length N, N x 2 or 2 x N, of float32, float64 or \
               int16, little endian"
            .into(),
    };
    let mut head = Vec::new();
    source.read(0, 12, &mut head)?;
    let field = |from: usize, to: usize| head.get(from..to).map(<[u8]>::to_vec);
    let (header_start, length) = match (head.get(6), field(8, 10), field(8, 12)) {
        (Some(1), Some(short), _) => (10, usize::from(u16::from_le_bytes([short[0], short[1]]))),
        (Some(2 | 3), _, Some(long)) => {
            let length = u32::from_le_bytes([long[0], long[1], long[2], long[3]]);
            (12, usize::try_from(length).unwrap_or(usize::MAX))
        }
        _ => return Err(damaged(6, "unknown npy version or a header cut off".into())),
    };
    if length > LONGEST_HEADER {
        return Err(damaged(8, format!("a header of {length} bytes can't be right")));
    }
    let mut header = Vec::new();
    source.read(header_start, length, &mut header)?;
    if header.len() < length {
        return Err(damaged(source.length(), "the file ends inside its header".into()));
    }
    let header = String::from_utf8_lossy(&header);
    let number = match value_of(&header, "descr") {
        Some("'<i2'") => Number::Int16,
        Some("'<f4'") => Number::Float32,
        Some("'<f8'") => Number::Float64,
        other => {
            return Err(damaged(
                header_start,
                format!("numbers of type {} are not read", other.unwrap_or("(none stated)")),
            ));
        }
    };
    let fortran = match value_of(&header, "fortran_order") {
        Some("False") => false,
        Some("True") => true,
        other => return Err(damaged(header_start, format!("fortran_order is {other:?}"))),
    };
    let mut shape: Option<Vec<u64>> = value_of(&header, "shape").and_then(|shape| {
        let inner = shape.strip_prefix('(')?.strip_suffix(')')?;
        inner.split(',').map(str::trim).filter(|n| !n.is_empty()).map(|n| n.parse().ok()).collect()
    });
    // Fortran order is C order with the dimensions the other way round.
    if let Some(shape) = shape.as_mut().filter(|_| fortran) {
        shape.reverse();
    }
    let (layout, samples, count) = match shape.as_deref() {
        Some([n]) => (Layout::Planes, *n, 1),
        Some([2, 2]) => {
            return Err(damaged(header_start, "a 2 x 2 array holds two samples".into()));
        }
        Some([n, 2]) => (Layout::Rows, *n, 2),
        Some([2, n]) => (Layout::Planes, *n, 2),
        Some([n, 1]) => (Layout::Rows, *n, 1),
        Some([1, n]) => (Layout::Planes, *n, 1),
        other => {
            return Err(damaged(
                header_start,
                format!("an array of shape {other:?} is no capture"),
            ));
        }
    };
    let data_start = header_start + length as u64;
    let wanted = samples.checked_mul(count as u64 * number.bytes() as u64);
    let there = source.length().saturating_sub(data_start);
    if wanted.is_none_or(|wanted| there < wanted) {
        return Err(damaged(
            source.length(),
            format!(
                "the file is cut off: {samples} x {count} numbers promised, {there} bytes there"
            ),
        ));
    }
    let mut receipt = Receipt::new("NumPy array");
    receipt.note("numbers", format!("{number:?}, full scale 1.0 for integers"));
    receipt.note("layout", format!("{layout:?}, {samples} samples of {count} channel(s)"));
    let channels = (0..count)
        .map(|k| ChannelInfo { name: format!("channel {k}"), unit: None, factor: 1.0 })
        .collect();
    Ok(Box::new(NpyReader { source, receipt, channels, number, layout, data_start, samples }))
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

impl TraceReader for NpyReader {
    fn receipt(&self) -> &Receipt {
        &self.receipt
    }

    fn channels(&self) -> &[ChannelInfo] {
        &self.channels
    }

    fn rate(&self) -> RateSource {
        RateSource::Absent
    }

    fn source(&self) -> &Source {
        &self.source
    }

    fn pieces(&self) -> usize {
        usize::try_from(self.samples.div_ceil(SAMPLES as u64)).unwrap_or(usize::MAX)
    }

    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError> {
        out.clear();
        let first = piece as u64 * SAMPLES as u64;
        let count =
            usize::try_from(self.samples.saturating_sub(first)).map_or(SAMPLES, |n| n.min(SAMPLES));
        let bytes = self.number.bytes();
        let channels = self.channels.len();
        let buffer = &mut out.scratch;
        if self.layout == Layout::Rows {
            let stride = (bytes * channels) as u64;
            self.source.read(self.data_start + first * stride, count * bytes * channels, buffer)?;
        }
        for (channel, column) in [(wanted.voltage, &mut out.v), (wanted.current, &mut out.i)] {
            let Some(channel) = channel else { continue };
            let (start, step) = match self.layout {
                Layout::Rows => (channel * bytes, channels * bytes),
                Layout::Planes => {
                    let plane = channel as u64 * self.samples + first;
                    self.source.read(
                        self.data_start + plane * bytes as u64,
                        count * bytes,
                        buffer,
                    )?;
                    (0, bytes)
                }
            };
            binary::column(buffer, step, start, self.number, column);
            binary::refuse_unbounded(&self.source, column, |k| {
                let index = match self.layout {
                    Layout::Rows => (first + k) * channels as u64 + channel as u64,
                    Layout::Planes => channel as u64 * self.samples + first + k,
                };
                self.data_start + index * bytes as u64
            })?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::value_of;

    #[test]
    fn header_values() {
        let header = "{'descr': '<f8', 'fortran_order': False, 'shape': (2, 5), }";
        assert_eq!(value_of(header, "descr"), Some("'<f8'"));
        assert_eq!(value_of(header, "shape"), Some("(2, 5)"));
        assert_eq!(value_of(header, "none"), None);
    }
}
