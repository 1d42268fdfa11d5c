//! The reader: pieces of whole rows, decoded on their own.

use super::dialect::{Dialect, Line};
use super::header::Header;
use super::preamble::Facts;
use super::rows::{self, Role, Rows};
use super::{HEAD, Prepared};
use crate::ingest::layout::Layout;
use crate::ingest::stamps::{self, Axis};
use crate::ingest::{
    ChannelInfo, IngestError, Limits, Piece, Place, RateSource, Receipt, Selection, Source, Stated,
    TraceReader, binary,
};

/// Bytes of a piece; small enough that a single look at a few samples stays cheap.
const PIECE: u64 = 1 << 16;
/// Bytes read beyond a piece in the first place, for its last row.
const OVERLAP: usize = 1 << 10;

/// An opened text.
pub(super) struct TextReader {
    /// The named file.
    pub(super) named: Source,
    /// Its text in lines.
    pub(super) text: Source,
    pub(super) receipt: Receipt,
    pub(super) dialect: Dialect,
    /// Lines of the head.
    pub(super) lines: Vec<Line>,
    /// One value a line.
    pub(super) values: bool,
    /// Columns of the file that are data channels, in order.
    pub(super) columns: Vec<usize>,
    pub(super) channels: Vec<ChannelInfo>,
    pub(super) time: Option<(usize, f64)>,
    pub(super) more_times: Vec<(usize, f64)>,
    pub(super) facts: Facts,
    /// What begins a row that repeats the header.
    pub(super) labels: Vec<String>,
    /// The rows of names and units.
    pub(super) titles: Vec<Vec<String>>,
    pub(super) rate: RateSource,
    pub(super) axis: Axis,
    /// Day of the first time of day.
    pub(super) first_day: Option<i64>,
    pub(super) stated: Stated,
    pub(super) limits: Limits,
    /// How it is written, to be kept.
    pub(super) layout: Layout,
}

/// A piece while its rows are read.
pub(super) struct Decoding<'a> {
    /// The rows as they stand, decimal commas turned to points where `replaced`.
    pub text: &'a [u8],
    /// Place of the first of them in the text.
    pub start: u64,
    /// Decimal commas have been replaced.
    pub replaced: bool,
    /// Roles of the fields.
    pub roles: &'a [Role],
}

impl TextReader {
    pub(super) fn new(
        named: Source,
        prepared: Prepared,
        dialect: Dialect,
        header: Header,
        limits: Limits,
        receipt: Receipt,
    ) -> Self {
        Self {
            named,
            text: prepared.source,
            receipt,
            dialect,
            lines: prepared.lines,
            values: prepared.values,
            columns: header.columns,
            channels: header.channels,
            time: header.time,
            more_times: header.more_times,
            facts: header.facts,
            labels: header.labels,
            titles: header.titles,
            rate: RateSource::Absent,
            axis: Axis::default(),
            first_day: None,
            stated: Stated::default(),
            limits,
            layout: Layout::default(),
        }
    }

    /// Byte range of the data rows of a piece, as far as it can be told before reading.
    fn nominal(&self, piece: usize) -> (u64, u64) {
        let start = self.dialect.data_start + piece as u64 * PIECE;
        (start, (start + PIECE).min(self.text.length()))
    }

    /// Place in the file of the byte at `offset` of the text, and of a field there.
    pub(super) fn place(&self, offset: u64, field: usize) -> Result<Place, IngestError> {
        let line = self.line_at(offset)?;
        Ok(if self.values { Place::Value(line) } else { Place::Line(line, field) })
    }

    /// Line number (from 1) of the byte at `offset`; reads the text from its start.
    fn line_at(&self, offset: u64) -> Result<u64, IngestError> {
        let (mut at, mut lines, mut buffer) = (0, 1, Vec::new());
        while at < offset {
            let length = usize::try_from(offset - at).map_or(HEAD, |left| left.min(HEAD));
            self.text.read(at, length, &mut buffer)?;
            if buffer.is_empty() {
                break;
            }
            lines += memchr::memchr_iter(b'\n', &buffer).count() as u64;
            at += buffer.len() as u64;
        }
        Ok(lines)
    }

    /// What each field of a row is for.
    fn roles(&self, wanted: Selection) -> Vec<Role> {
        let mut roles = vec![Role::Skip; self.dialect.fields];
        let mut give = |column: Option<usize>, role| {
            if let Some(slot) = column.and_then(|column| roles.get_mut(column)) {
                *slot = role;
            }
        };
        give(self.time.map(|(column, _)| column), Role::Time);
        give(wanted.voltage.and_then(|k| self.columns.get(k).copied()), Role::Voltage);
        give(wanted.current.and_then(|k| self.columns.get(k).copied()), Role::Current);
        roles
    }

    /// Reads the whole rows of a piece into `out.scratch` and gives the place of the first.
    fn load(&self, piece: usize, buffer: &mut Vec<u8>) -> Result<Option<u64>, IngestError> {
        let (start, end) = self.nominal(piece);
        // A row belongs to the piece in which its first byte lies. One byte more in front tells
        // whether a row starts right at the border; the last row may reach over the end.
        let from = if piece == 0 { start } else { start - 1 };
        let length = usize::try_from(end.saturating_sub(from)).unwrap_or(0);
        // The longest line more, so that the last row is whole; usually far less is needed.
        self.text.read(from, length + OVERLAP, buffer)?;
        let beyond = |buffer: &[u8]| {
            memchr::memchr(b'\n', buffer.get(length.saturating_sub(1)..).unwrap_or_default())
        };
        if buffer.len() > length && beyond(buffer).is_none() {
            self.text.read(from, length + self.limits.line, buffer)?;
        }
        let skip = if piece == 0 {
            0
        } else {
            match memchr::memchr(b'\n', buffer.get(..length).unwrap_or(buffer)) {
                Some(at) => at + 1,
                // No row starts in this piece; one that is too long is told where it starts.
                None => return Ok(None),
            }
        };
        if skip >= length {
            return Ok(None);
        }
        let stop = if buffer.len() <= length {
            buffer.len()
        } else {
            match beyond(buffer) {
                Some(at) => length + at,
                None if end + self.limits.line as u64 > self.text.length() => buffer.len(),
                None => return self.too_long(end),
            }
        };
        buffer.truncate(stop);
        buffer.drain(..skip);
        Ok(Some(from + skip as u64))
    }

    fn too_long(&self, from: u64) -> Result<Option<u64>, IngestError> {
        Err(IngestError::Damaged {
            file: self.named.name().to_owned(),
            place: self.place(from, 0)?,
            message: format!("a line of more than {} bytes", self.limits.line),
            help: "export the capture with one row per sample, or raise --limit-line".into(),
        })
    }

    /// Decodes the rows of a piece; gives their time stamps, s.
    pub(super) fn rows(
        &self,
        piece: usize,
        wanted: Selection,
        out: &mut Piece,
    ) -> Result<Vec<f64>, IngestError> {
        out.clear();
        let mut text = std::mem::take(&mut out.scratch);
        let loaded = self.load(piece, &mut text);
        let result = match loaded {
            Ok(Some(start)) => self.rows_of(&mut text, start, wanted, out),
            Ok(None) => Ok(Vec::new()),
            Err(error) => Err(error),
        };
        out.scratch = text;
        result
    }

    fn rows_of(
        &self,
        text: &mut [u8],
        start: u64,
        wanted: Selection,
        out: &mut Piece,
    ) -> Result<Vec<f64>, IngestError> {
        // Digits in groups have points of their own: such pieces go the slow way.
        let grouped = self.dialect.decimal_comma && memchr::memchr(b'.', text).is_some();
        let replaced = self.dialect.decimal_comma && !grouped && !self.dialect.quoted;
        if replaced {
            for byte in text.iter_mut().filter(|byte| **byte == b',') {
                *byte = b'.';
            }
        }
        let slow = grouped || (self.dialect.decimal_comma && self.dialect.quoted);
        let text: &[u8] = text;
        let roles = self.roles(wanted);
        let mut rows =
            Rows { v: std::mem::take(&mut out.v), i: std::mem::take(&mut out.i), time: Vec::new() };
        let separator = self.dialect.separator;
        let decoding = Decoding { text, start, replaced, roles: &roles };
        let mut at = 0;
        while at < text.len() && out.end.is_none() {
            if !slow {
                at = if self.dialect.quoted {
                    rows::parse_quoted(text, at, separator, &roles, &mut rows)
                } else {
                    rows::parse(text, at, separator, &roles, &mut rows)
                };
            }
            if at < text.len() {
                at = self.odd_row(&decoding, at, &mut rows, out)?;
            }
        }
        out.v = rows.v;
        out.i = rows.i;
        binary::settle_gaps(out);
        let factor = self.time.map_or(1.0, |(_, factor)| factor);
        rows.time.iter_mut().for_each(|stamp| *stamp *= factor);
        Ok(rows.time)
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
        &self.named
    }

    fn stated(&self) -> Stated {
        self.stated
    }

    fn layout(&self) -> Option<&Layout> {
        Some(&self.layout)
    }

    fn pieces(&self) -> usize {
        let bytes = self.text.length().saturating_sub(self.dialect.data_start);
        usize::try_from(bytes.div_ceil(PIECE)).unwrap_or(usize::MAX)
    }

    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError> {
        let time = self.rows(piece, wanted, out)?;
        stamps::describe(&time, self.axis, out);
        Ok(())
    }
}
