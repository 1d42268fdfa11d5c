//! Little-endian numbers in rows of fixed length.

use super::{IngestError, Place, Source};

/// How a number is laid down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Number {
    /// 16 bit, full scale 1.0.
    Int16,
    /// 24 bit, full scale 1.0.
    Int24,
    /// 32 bit, full scale 1.0.
    Int32,
    /// 32-bit float.
    Float32,
    /// 64-bit float.
    Float64,
}

impl Number {
    /// Bytes of one number.
    pub fn bytes(self) -> usize {
        match self {
            Self::Int16 => 2,
            Self::Int24 => 3,
            Self::Int32 | Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }
}

/// Reads one number per row of `stride` bytes, `offset` bytes into each row.
pub fn column(buffer: &[u8], stride: usize, offset: usize, number: Number, out: &mut Vec<f64>) {
    match number {
        Number::Int16 => {
            fill(buffer, stride, offset, out, |b| f64::from(i16::from_le_bytes(b)) / 32768.0)
        }
        Number::Int24 => fill(buffer, stride, offset, out, |[a, b, c]: [u8; 3]| {
            f64::from(i32::from_le_bytes([0, a, b, c])) / 2_147_483_648.0
        }),
        Number::Int32 => {
            fill(buffer, stride, offset, out, |b| {
                f64::from(i32::from_le_bytes(b)) / 2_147_483_648.0
            });
        }
        Number::Float32 => fill(buffer, stride, offset, out, |b| f64::from(f32::from_le_bytes(b))),
        Number::Float64 => fill(buffer, stride, offset, out, f64::from_le_bytes),
    }
}

fn fill<const N: usize>(
    buffer: &[u8],
    stride: usize,
    offset: usize,
    out: &mut Vec<f64>,
    number: impl Fn([u8; N]) -> f64,
) {
    out.resize(buffer.len() / stride, 0.0);
    for (slot, row) in out.iter_mut().zip(buffer.chunks_exact(stride)) {
        // The caller's offset and stride agree; a row too short would read as zeros.
        let bytes =
            row.get(offset..).and_then(|rest| rest.first_chunk()).copied().unwrap_or([0; N]);
        *slot = number(bytes);
    }
}

/// Refuses NaN and infinity, naming the byte of the first.
pub fn refuse_unbounded(
    source: &Source,
    column: &[f64],
    byte_of: impl Fn(u64) -> u64,
) -> Result<(), IngestError> {
    // Zero times a finite number is zero, times anything else NaN: one vector sum tells.
    let mut lanes = [0.0; 8];
    let (chunks, rest) = column.as_chunks::<8>();
    for chunk in chunks {
        for lane in 0..8 {
            lanes[lane] += chunk[lane] * 0.0;
        }
    }
    lanes[0] += rest.iter().map(|value| value * 0.0).sum::<f64>();
    if lanes.iter().all(|lane| lane.is_finite()) {
        return Ok(());
    }
    let Some(k) = column.iter().position(|value| !value.is_finite()) else { return Ok(()) };
    Err(IngestError::Damaged {
        file: source.name().to_owned(),
        place: Place::Byte(byte_of(k as u64)),
        message: format!("sample value {} is not a number that can be measured", column[k]),
        help: "export the capture again; cut out the part that is not valid".into(),
    })
}
