//! WAV of any kind: RIFF and RIFX, and RF64 and BW64 for more than 4 GiB (EBU Tech 3306, ITU-R
//! BS.2088, both from memory). The chunks are walked here, as the audio library reads neither of
//! the long kinds nor 64-bit floats, and takes a wrong length for damage.

use super::binary::{Columns, Form, Number};
use super::bytes::{array, u16_at, u32_at, u64_at};
use super::table::Table;
use super::{ChannelInfo, IngestError, Opening, Place, RateSource, Receipt, Source, TraceReader};
use crate::flag::{Code, Flag};
use crate::units::SampleRate;

/// Whether the first bytes are of a WAV file.
pub(super) fn probe(head: &[u8]) -> bool {
    let kind: Option<[u8; 4]> = array(head, 0);
    kind.is_some_and(|kind| [*b"RIFF", *b"RIFX", *b"RF64", *b"BW64"].contains(&kind))
        && array(head, 8) == Some(*b"WAVE")
}

/// Chunks walked before the data at most.
const CHUNKS: usize = 1000;

/// What the chunk `fmt ` says.
struct Shape {
    number: Number,
    channels: usize,
    rate: SampleRate,
}

/// The data chunk: first byte, and length as it is stated.
struct Data {
    start: u64,
    stated: u64,
}

/// Opens a WAV file.
pub(super) fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let (kind, shape, data) = walk(&source)?;
    opening.limits.check_columns(source.name(), shape.channels)?;
    let frame = (shape.number.bytes() * shape.channels) as u64;
    let there = source.length().saturating_sub(data.start);
    let mut receipt = Receipt::new("WAV");
    let unknown = data.stated == 0 || data.stated == u64::from(u32::MAX);
    // A length field of 32 bits that ran over: what is missing is a multiple of 4 GiB.
    let wrapped = there.checked_sub(data.stated).is_some_and(|over| over >= 1 << 32);
    let length = if data.stated > there || unknown || wrapped {
        let cause = if unknown {
            "was never filled in: the recording was broken off".to_owned()
        } else if wrapped {
            format!("says {} bytes and has run over its 32 bits", data.stated)
        } else {
            format!("announces {} bytes but has {there}: the file is cut off", data.stated)
        };
        receipt.doubts.push(Flag::new(
            Code::Truncated,
            format!(
                "the length field of the WAV data {cause}; read as far as the data go, {} frames",
                there / frame
            ),
        ));
        there
    } else {
        data.stated
    };
    let frames = length / frame;
    if frames == 0 {
        return Err(damaged(&source, data.start, "it has no samples".into()));
    }
    receipt.note("header", kind);
    receipt
        .note("samples", format!("{}, {} channels, {frames} frames", shape.number, shape.channels));
    receipt.note("sample rate", format!("{} Hz, stated in the header", shape.rate.hertz()));
    let channels = (0..shape.channels)
        .map(|k| ChannelInfo::named(format!("channel {k}")).laid(shape.number))
        .collect();
    let columns = Columns::rows(&source, data.start, shape.channels, shape.number, frames);
    let rate = RateSource::Stated(shape.rate);
    Ok(Box::new(Table::new(source, receipt, channels, columns, rate)))
}

fn damaged(source: &Source, byte: u64, message: String) -> IngestError {
    const HELP: &str = "export it as WAV with 8 to 32 bit integers or 32 or 64 bit floats";
    super::error::damaged_at(source, Place::Byte(byte), message, HELP)
}

fn walk(source: &Source) -> Result<(&'static str, Shape, Data), IngestError> {
    let cut = |at: u64| damaged(source, at, "the WAV header is cut off".into());
    let mut head = Vec::new();
    source.read(0, 12, &mut head)?;
    let (title, big) = match array(&head, 0) {
        Some([b'R', b'I', b'F', b'X']) => ("RIFX, big-endian", true),
        Some([b'R', b'F', b'6', b'4']) => ("RF64", false),
        Some([b'B', b'W', b'6', b'4']) => ("BW64", false),
        _ => ("RIFF", false),
    };
    let (mut at, mut shape, mut long) = (12, None, None);
    for _ in 0..CHUNKS {
        source.read(at, 8, &mut head)?;
        let (Some(id), Some(size)) = (array(&head, 0), u32_at(&head, 4, big)) else {
            return Err(cut(at));
        };
        let id: [u8; 4] = id;
        let body = at + 8;
        match &id {
            b"ds64" => {
                source.read(body, 24, &mut head)?;
                long = u64_at(&head, 8);
            }
            b"fmt " => {
                source.read(body, usize::try_from(size).unwrap_or(40).min(40), &mut head)?;
                shape = Some(shape_of(source, &head, body, big)?);
            }
            b"data" => {
                let Some(shape) = shape else {
                    return Err(damaged(source, at, "the data come before their format".into()));
                };
                let stated = match long {
                    Some(long) if size == u32::MAX => long,
                    _ => u64::from(size),
                };
                return Ok((title, shape, Data { start: body, stated }));
            }
            _ => {}
        }
        // Chunks begin at even places.
        at = body + u64::from(size) + u64::from(size % 2);
        if at >= source.length() {
            return Err(damaged(
                source,
                at.min(source.length()),
                "the WAV header ends without data".into(),
            ));
        }
    }
    Err(damaged(source, at, format!("more than {CHUNKS} chunks before the data")))
}

fn shape_of(source: &Source, format: &[u8], at: u64, big: bool) -> Result<Shape, IngestError> {
    let cut = || damaged(source, at, "the WAV header is cut off".into());
    let mut tag = u16_at(format, 0, big).ok_or_else(cut)?;
    let channels = usize::from(u16_at(format, 2, big).ok_or_else(cut)?);
    let rate = u32_at(format, 4, big).ok_or_else(cut)?;
    let bits = u16_at(format, 14, big).ok_or_else(cut)?;
    // The extensible kind holds the tag of the numbers at the start of its sub-format.
    if tag == 0xfffe {
        tag = u16_at(format, 24, big).ok_or_else(cut)?;
    }
    let form = match (tag, bits) {
        (1, 8) => Form::Unsigned8,
        (1, 16) => Form::Int16,
        (1, 24) => Form::Int24,
        (1, 32) => Form::Int32,
        (3, 32) => Form::Float32,
        (3, 64) => Form::Float64,
        _ => {
            let message = format!("samples of {bits} bit and kind {tag} are not read");
            return Err(damaged(source, at, message));
        }
    };
    if channels == 0 {
        return Err(damaged(source, at + 2, "the header gives no channel".into()));
    }
    let rate = SampleRate::new(f64::from(rate))
        .ok_or_else(|| damaged(source, at + 4, "the header gives a sample rate of 0".into()))?;
    Ok(Shape { number: Number { form, big_endian: big }, channels, rate })
}
