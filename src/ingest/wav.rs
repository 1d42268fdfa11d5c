//! WAV: hound reads the header, the samples are decoded here, piece by piece.

use super::sheet::TextHints;
use super::{
    ChannelInfo, IngestError, Piece, Place, RateSource, Receipt, Selection, Source, TraceReader,
};
use crate::units::SampleRate;
use std::io::{BufReader, Read, Seek};

/// Frames per piece.
const FRAMES: usize = 1 << 15;

/// Whether the first bytes are of a WAV file.
pub fn probe(head: &[u8]) -> bool {
    head.len() >= 12 && &head[..4] == b"RIFF" && &head[8..12] == b"WAVE"
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sample {
    Int16,
    Int24,
    Int32,
    Float32,
}

impl Sample {
    fn bytes(self) -> usize {
        match self {
            Self::Int16 => 2,
            Self::Int24 => 3,
            Self::Int32 | Self::Float32 => 4,
        }
    }
}

struct WavReader {
    source: Source,
    receipt: Receipt,
    channels: Vec<ChannelInfo>,
    rate: SampleRate,
    sample: Sample,
    data_start: u64,
    frames: u64,
}

/// Opens a WAV file.
pub fn open(source: Source, _: &TextHints) -> Result<Box<dyn TraceReader>, IngestError> {
    let damaged = |place, message: String| IngestError::Damaged {
        file: source.name().to_owned(),
        place,
        message,
        help: "export it as WAV with 16, 24 or 32 bit integers or 32 bit floats".into(),
    };
    let head = BufReader::new(SourceCursor { source: &source, at: 0 });
    let header = hound::WavReader::new(head)
        .map_err(|error| damaged(Place::Byte(0), format!("the WAV header is damaged: {error}")))?;
    let (spec, declared) = (header.spec(), u64::from(header.duration()));
    let data_start = header.into_inner().stream_position().unwrap_or(44);
    let sample = match (spec.sample_format, spec.bits_per_sample) {
        (hound::SampleFormat::Int, 16) => Sample::Int16,
        (hound::SampleFormat::Int, 24) => Sample::Int24,
        (hound::SampleFormat::Int, 32) => Sample::Int32,
        (hound::SampleFormat::Float, 32) => Sample::Float32,
        (format, bits) => {
            return Err(damaged(
                Place::Byte(20),
                format!("samples of {bits} bit ({format:?}) are not read"),
            ));
        }
    };
    let frame = sample.bytes() * usize::from(spec.channels);
    if source.length().saturating_sub(data_start) < declared * frame as u64 {
        return Err(IngestError::Damaged {
            file: source.name().to_owned(),
            place: Place::Byte(source.length()),
            message: format!(
                "the file is cut off: the header promises {declared} frames, {} are there",
                source.length().saturating_sub(data_start) / frame as u64
            ),
            help: "copy it from the instrument again".into(),
        });
    }
    let rate = SampleRate::new(f64::from(spec.sample_rate))
        .ok_or_else(|| damaged(Place::Byte(24), "the header gives a sample rate of 0".into()))?;
    let mut receipt = Receipt::new("WAV");
    receipt.note(
        "samples",
        format!("{sample:?}, full scale 1.0 for integers, {} channels, {declared} frames", spec.channels),
    );
    receipt.note("sample rate", format!("{} Hz, stated in the header", spec.sample_rate));
    let channels = (0..spec.channels)
        .map(|k| ChannelInfo { name: format!("channel {k}"), unit: None, factor: 1.0 })
        .collect();
    let reader =
        WavReader { source, receipt, channels, rate, sample, data_start, frames: declared };
    Ok(Box::new(reader))
}

impl TraceReader for WavReader {
    fn receipt(&self) -> &Receipt {
        &self.receipt
    }

    fn channels(&self) -> &[ChannelInfo] {
        &self.channels
    }

    fn rate(&self) -> RateSource {
        RateSource::Stated(self.rate)
    }

    fn source(&self) -> &Source {
        &self.source
    }

    fn pieces(&self) -> usize {
        usize::try_from(self.frames.div_ceil(FRAMES as u64)).unwrap_or(usize::MAX)
    }

    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError> {
        out.clear();
        let first = piece as u64 * FRAMES as u64;
        let frames = usize::try_from(self.frames.saturating_sub(first)).map_or(FRAMES, |n| n.min(FRAMES));
        let bytes = self.sample.bytes();
        let stride = bytes * self.channels.len();
        let mut buffer = Vec::new();
        self.source.read(self.data_start + first * stride as u64, frames * stride, &mut buffer)?;
        for (channel, column) in [(wanted.voltage, &mut out.v), (wanted.current, &mut out.i)] {
            let Some(channel) = channel else { continue };
            let cells = buffer.chunks_exact(stride).filter_map(|frame| {
                frame.get(channel * bytes..(channel + 1) * bytes)
            });
            match self.sample {
                Sample::Int16 => column.extend(cells.filter_map(|c| {
                    Some(f64::from(i16::from_le_bytes(c.try_into().ok()?)) / 32768.0)
                })),
                Sample::Int24 => column.extend(cells.filter_map(|c| {
                    let [a, b, c]: [u8; 3] = c.try_into().ok()?;
                    Some(f64::from(i32::from_le_bytes([0, a, b, c])) / 2_147_483_648.0)
                })),
                Sample::Int32 => column.extend(cells.filter_map(|c| {
                    Some(f64::from(i32::from_le_bytes(c.try_into().ok()?)) / 2_147_483_648.0)
                })),
                Sample::Float32 => column.extend(
                    cells.filter_map(|c| Some(f64::from(f32::from_le_bytes(c.try_into().ok()?)))),
                ),
            }
            super::refuse_unbounded(&self.source, column, |k| {
                self.data_start + (first + k) * stride as u64
            })?;
        }
        Ok(())
    }
}

/// Lets hound read the header through the source.
struct SourceCursor<'a> {
    source: &'a Source,
    at: u64,
}

impl Read for SourceCursor<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let mut buffer = Vec::new();
        self.source.read(self.at, out.len(), &mut buffer).map_err(std::io::Error::other)?;
        out[..buffer.len()].copy_from_slice(&buffer);
        self.at += buffer.len() as u64;
        Ok(buffer.len())
    }
}

impl Seek for SourceCursor<'_> {
    fn seek(&mut self, to: std::io::SeekFrom) -> std::io::Result<u64> {
        let (base, offset) = match to {
            std::io::SeekFrom::Start(at) => (at, 0),
            std::io::SeekFrom::Current(offset) => (self.at, offset),
            std::io::SeekFrom::End(offset) => (self.source.length(), offset),
        };
        self.at = base
            .checked_add_signed(offset)
            .ok_or_else(|| std::io::Error::other("seek before the start"))?;
        Ok(self.at)
    }
}
