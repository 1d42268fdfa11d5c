//! WAV: hound reads the header, the samples are decoded here, piece by piece.

use super::binary::{self, Number};
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

struct WavReader {
    source: Source,
    receipt: Receipt,
    channels: Vec<ChannelInfo>,
    rate: SampleRate,
    sample: Number,
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
        (hound::SampleFormat::Int, 16) => Number::Int16,
        (hound::SampleFormat::Int, 24) => Number::Int24,
        (hound::SampleFormat::Int, 32) => Number::Int32,
        (hound::SampleFormat::Float, 32) => Number::Float32,
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
        format!(
            "{sample:?}, full scale 1.0 for integers, {} channels, {declared} frames",
            spec.channels
        ),
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
        let frames =
            usize::try_from(self.frames.saturating_sub(first)).map_or(FRAMES, |n| n.min(FRAMES));
        let bytes = self.sample.bytes();
        let stride = bytes * self.channels.len();
        self.source.read(
            self.data_start + first * stride as u64,
            frames * stride,
            &mut out.scratch,
        )?;
        for (channel, column) in [(wanted.voltage, &mut out.v), (wanted.current, &mut out.i)] {
            let Some(channel) = channel else { continue };
            binary::column(&out.scratch, stride, channel * bytes, self.sample, column);
            binary::refuse_unbounded(&self.source, column, |k| {
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
