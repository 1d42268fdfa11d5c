//! Delimited text as bench oscilloscopes and scripts write it.
//!
//! [`dialect`] looks at the head of the file and decides how it is written; [`rows`] turns the
//! numeric rows into numbers, exact in line and field where one is at fault.

mod dialect;
mod header;
mod number;
mod rows;

use super::sheet::TextHints;
use super::{
    ChannelInfo, IngestError, Piece, Place, RateSource, Receipt, Selection, Source, Stamps,
    TraceReader,
};
use crate::units::{SampleRate, Unit};
use dialect::Dialect;
use rows::{Role, Rows};

/// Bytes of a piece; small enough that a single look at a few samples stays cheap.
const PIECE: u64 = 1 << 16;
/// Bytes read beyond a piece in the first place, for its last row.
const OVERLAP: usize = 1 << 10;
/// Longest line, in bytes.
const LONGEST_LINE: usize = 1 << 16;
/// Bytes at the start that decide the dialect.
const HEAD: usize = 1 << 16;

/// Whether the first bytes can be text: anything without a NUL byte.
pub fn probe(head: &[u8]) -> bool {
    !head.is_empty()
        && (!head.contains(&0)
            || head.starts_with(&[0xff, 0xfe])
            || head.starts_with(&[0xfe, 0xff]))
}

struct TextReader {
    source: Source,
    receipt: Receipt,
    dialect: Dialect,
    /// Columns of the file that are data channels, in order.
    columns: Vec<usize>,
    channels: Vec<ChannelInfo>,
    time: Option<(usize, f64)>,
    rate: RateSource,
}

/// Opens a text file.
pub fn open(source: Source, hints: &TextHints) -> Result<Box<dyn TraceReader>, IngestError> {
    let mut head = Vec::new();
    source.read(0, HEAD, &mut head)?;
    let whole = head.len() as u64 == source.length();
    let dialect = dialect::find(source.name(), &head, whole, hints)?;
    let mut receipt = Receipt::new("delimited text");
    receipt.note("separator", dialect.separator.describe());
    receipt.note("decimal mark", if dialect.decimal_comma { "comma" } else { "point" });
    receipt.note(
        "rows before the data",
        format!("{}, data from line {}", dialect.first_line - 1, dialect.first_line),
    );
    let header = header::read(source.name(), &head, &dialect, hints, &mut receipt)?;
    let mut reader = TextReader {
        source,
        receipt,
        columns: header.columns,
        channels: header.channels,
        time: header.time,
        rate: RateSource::Absent,
        dialect,
    };
    reader.rate = reader.find_rate(header.interval)?;
    Ok(Box::new(reader))
}

impl TextReader {
    /// Rate from the preamble, or a first idea of it from the first piece's time stamps.
    fn find_rate(&mut self, stated: Option<(f64, String)>) -> Result<RateSource, IngestError> {
        let stated = match stated {
            None => None,
            Some((interval, how)) => {
                let rate = SampleRate::new(1.0 / interval).ok_or_else(|| IngestError::Ask {
                    file: self.source.name().to_owned(),
                    message: format!("the preamble gives an impossible sample interval ({how})"),
                    help: "set `sample_rate_hz` in the sheet".into(),
                })?;
                Some((rate, how))
            }
        };
        if self.time.is_none() {
            return Ok(match stated {
                Some((rate, how)) => {
                    self.receipt.note("sample rate", format!("{} Hz, {how}", rate.hertz()));
                    RateSource::Stated(rate)
                }
                None => RateSource::Absent,
            });
        }
        // With both, the preamble rules, as stamps may be rounded; but the two must agree.
        if let Some((rate, how)) = stated {
            self.receipt.note("sample rate", format!("{} Hz, {how}", rate.hertz()));
            let mut first = Piece::default();
            self.decode(0, Selection { voltage: Some(0), current: None }, &mut first)?;
            if let Some(stamps) = first.stamps {
                let spans = (stamps.last - stamps.first) * rate.hertz();
                let steps = first.len().saturating_sub(1) as f64;
                let slack = 0.01 * steps + 2.0 * stamps.quantum * rate.hertz();
                if (spans - steps).abs() > slack {
                    return Err(IngestError::Ask {
                        file: self.source.name().to_owned(),
                        message: format!(
                            "the preamble states {} Hz, the time column gives {:.6} Hz",
                            rate.hertz(),
                            steps / (stamps.last - stamps.first)
                        ),
                        help: "find out which is right; set `text.time_column = \"none\"` in the \
                               sheet to rely on the preamble"
                            .into(),
                    });
                }
            }
            return Ok(RateSource::Stated(rate));
        }
        let mut first = Piece::default();
        self.decode(0, Selection { voltage: Some(0), current: None }, &mut first)?;
        let idea = first.stamps.and_then(|stamps| {
            let steps = first.len().checked_sub(1)? as f64;
            SampleRate::new(steps / (stamps.last - stamps.first))
        });
        idea.map(RateSource::TimeColumn).ok_or_else(|| IngestError::Ask {
            file: self.source.name().to_owned(),
            message: "the time column does not increase over the first rows".into(),
            help: "set `text.time_column` to the right column, or to \"none\" with \
                   `sample_rate_hz`"
                .into(),
        })
    }

    /// Byte range of the data rows of a piece, as far as it can be told before reading.
    fn nominal(&self, piece: usize) -> (u64, u64) {
        let start = self.dialect.data_start + piece as u64 * PIECE;
        (start, (start + PIECE).min(self.source.length()))
    }

    /// Line number (from 1) of the byte at `offset`; reads the file from its start.
    fn line_at(&self, offset: u64) -> Result<u64, IngestError> {
        let (mut at, mut lines, mut buffer) = (0, 1, Vec::new());
        while at < offset {
            let length = usize::try_from(offset - at).map_or(HEAD, |left| left.min(HEAD));
            self.source.read(at, length, &mut buffer)?;
            lines += memchr::memchr_iter(b'\n', &buffer).count() as u64;
            at += buffer.len() as u64;
        }
        Ok(lines)
    }
}

impl TraceReader for TextReader {
    fn receipt(&self) -> &Receipt {
        &self.receipt
    }

    fn channels(&self) -> &[ChannelInfo] {
        &self.channels
    }

    fn rate(&self) -> RateSource {
        self.rate
    }

    fn source(&self) -> &Source {
        &self.source
    }

    fn pieces(&self) -> usize {
        let bytes = self.source.length().saturating_sub(self.dialect.data_start);
        usize::try_from(bytes.div_ceil(PIECE)).unwrap_or(usize::MAX)
    }

    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError> {
        out.clear();
        let (start, end) = self.nominal(piece);
        // A row belongs to the piece in which its first byte lies. One byte more in front tells
        // whether a row starts right at the border; the last row may reach over the end.
        let from = if piece == 0 { start } else { start - 1 };
        #[allow(clippy::cast_possible_truncation)]
        let length = (end - from) as usize;
        let buffer = &mut out.scratch;
        // The longest line more, so that the last row is whole; usually far less is needed.
        self.source.read(from, length + OVERLAP, buffer)?;
        if buffer.len() > length && memchr::memchr(b'\n', &buffer[length..]).is_none() {
            self.source.read(from, length + LONGEST_LINE, buffer)?;
        }
        let skip = if piece == 0 {
            0
        } else {
            match memchr::memchr(b'\n', &buffer[..length]) {
                Some(at) => at + 1,
                // No row starts in this piece.
                None if buffer.len() <= length => return Ok(()),
                None => return self.too_long(from),
            }
        };
        if skip >= length {
            return Ok(());
        }
        let stop = if buffer.len() <= length {
            buffer.len()
        } else {
            match memchr::memchr(b'\n', &buffer[length - 1..]) {
                Some(at) => length + at,
                None if end + LONGEST_LINE as u64 > self.source.length() => buffer.len(),
                None => return self.too_long(end),
            }
        };
        let text = &mut buffer[skip..stop];
        if self.dialect.decimal_comma {
            for byte in text.iter_mut().filter(|byte| **byte == b',') {
                *byte = b'.';
            }
        }
        let mut roles = vec![Role::Skip; self.dialect.fields];
        let mut give = |column: Option<usize>, role| {
            if let Some(slot) = column.and_then(|column| roles.get_mut(column)) {
                *slot = role;
            }
        };
        give(self.time.map(|(column, _)| column), Role::Time);
        give(wanted.voltage.and_then(|k| self.columns.get(k).copied()), Role::Voltage);
        give(wanted.current.and_then(|k| self.columns.get(k).copied()), Role::Current);
        let mut rows = Rows { v: &mut out.v, i: &mut out.i, time: Vec::new() };
        let parsed = if self.dialect.quoted {
            rows::parse_quoted(text, &self.dialect, &roles, &mut rows)
        } else {
            rows::parse(text, &self.dialect, &roles, &mut rows)
        };
        if let Err(fault) = parsed {
            let line = self.line_at(from + (skip + fault.offset) as u64)?;
            let at_end = fault.last_row && stop + from as usize >= self.source.length() as usize;
            return Err(IngestError::Damaged {
                file: self.source.name().to_owned(),
                place: Place::Line(line, fault.field),
                message: if at_end {
                    format!("the file ends in the middle of a row: {}", fault.message)
                } else {
                    fault.message
                },
                help: if at_end {
                    "copy the file from the instrument again, or delete the last line".into()
                } else {
                    "correct the line, or export the capture again".into()
                },
            });
        }
        let factor = self.time.map_or(1.0, |(_, factor)| factor);
        out.stamps = stamps_of(&rows.time, factor);
        Ok(())
    }
}

impl TextReader {
    fn too_long(&self, from: u64) -> Result<(), IngestError> {
        Err(IngestError::Damaged {
            file: self.source.name().to_owned(),
            place: Place::Line(self.line_at(from)?, 0),
            message: format!("a line of more than {LONGEST_LINE} bytes"),
            help: "export the capture with one row per sample".into(),
        })
    }
}

fn stamps_of(time: &[f64], factor: f64) -> Option<Stamps> {
    let (first, last) = (*time.first()?, *time.last()?);
    let slope = (last - first) / (time.len().max(2) - 1) as f64;
    let (mut bow, mut quantum, mut backward) = (0.0_f64, f64::INFINITY, 0);
    let mut previous = first;
    for (k, stamp) in time.iter().enumerate() {
        bow = bow.max((stamp - first - slope * k as f64).abs());
        let step = stamp - previous;
        if step < 0.0 {
            backward += 1;
        } else if step > 0.0 && step < quantum {
            quantum = step;
        }
        previous = *stamp;
    }
    let quantum = if quantum.is_finite() { quantum } else { 0.0 };
    Some(Stamps {
        first: first * factor,
        last: last * factor,
        bow: bow * factor,
        quantum: quantum * factor,
        backward,
    })
}

/// Whether a column of this name or unit counts time.
fn is_time(name: &str, unit: Option<Unit>) -> bool {
    const NAMES: [&str; 12] = [
        "t",
        "time",
        "times",
        "zeit",
        "temps",
        "tiempo",
        "tempo",
        "x",
        "x-axis",
        "second",
        "seconds",
        "sample time",
    ];
    unit == Some(Unit::Second) || NAMES.contains(&name.trim().to_lowercase().as_str())
}
