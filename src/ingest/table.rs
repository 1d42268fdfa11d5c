//! A reader over [`Columns`]: what every binary format becomes once its header is understood.

use super::binary::{Column, Columns, is_value};
use super::stamps::{self, Axis};
use super::{
    Break, BreakReason, ChannelInfo, IngestError, Piece, RateSource, Receipt, Selection, Source,
    Stated, TraceReader,
};
use crate::units::SampleRate;

/// Channels at even distances, with what their header says.
pub(super) struct Table {
    /// The named file.
    pub source: Source,
    /// Further files that were read.
    pub others: Vec<Source>,
    /// How it was read.
    pub receipt: Receipt,
    /// The data channels, one per column.
    pub channels: Vec<ChannelInfo>,
    /// Their numbers.
    pub columns: Columns,
    /// Where the rate comes from.
    pub rate: RateSource,
    /// Time stamps and the factor to seconds, where there are any.
    pub time: Option<(Column, f64)>,
    /// What is known of them.
    pub axis: Axis,
    /// What the file says of how it was taken.
    pub stated: Stated,
    /// First samples of further records, in order.
    pub breaks: Vec<u64>,
}

impl Table {
    /// A table without time stamps.
    pub(super) fn new(
        source: Source,
        receipt: Receipt,
        channels: Vec<ChannelInfo>,
        columns: Columns,
        rate: RateSource,
    ) -> Self {
        Self {
            source,
            others: Vec::new(),
            receipt,
            channels,
            columns,
            rate,
            time: None,
            axis: Axis::default(),
            stated: Stated::default(),
            breaks: Vec::new(),
        }
    }

    /// Takes a column as time stamps; the rate follows from them unless it is stated.
    ///
    /// # Errors
    /// Where it can't be read, or time does not run evenly.
    pub(super) fn stamped(mut self, time: Column, factor: f64) -> Result<Self, IngestError> {
        let name = self.source.name().to_owned();
        let first = stamps_of(&time, factor, 0, self.columns.samples.min(4096))?;
        let look = stamps::first_look(&first).filter(|look| look.uneven < 0.05);
        let look = look.ok_or_else(|| IngestError::Ask {
            file: name,
            message: "the time stamps do not run evenly".into(),
            help: "leave the time out of the file and set `sample_rate_hz` in the sheet".into(),
        })?;
        if self.rate == RateSource::Absent
            && let Some(rate) = SampleRate::new(1.0 / look.interval)
        {
            self.rate = RateSource::TimeColumn(rate);
        }
        self.axis = Axis { interval: Some(look.interval), origin: Some(look.origin) };
        self.time = Some((time, factor));
        Ok(self)
    }
}

/// Stamps in seconds of `count` samples from `first` on.
fn stamps_of(time: &Column, factor: f64, first: u64, count: u64) -> Result<Vec<f64>, IngestError> {
    let column = Column {
        start: time.start.saturating_add(first.saturating_mul(time.stride as u64)),
        ..time.clone()
    };
    let one = Columns { list: vec![column], samples: count };
    let mut piece = Piece::default();
    one.decode(0, Selection { voltage: Some(0), current: None }, &mut piece)?;
    // Integer stamps read as shares of full scale, those from 0 with the middle taken away.
    let full = time.number.full_scale().unwrap_or(1.0);
    let middle = if time.number.is_unsigned() { 1.0 } else { 0.0 };
    let stamps = piece.v.iter().filter(|t| is_value(**t));
    Ok(stamps.map(|t| (t + middle) * full * factor).collect())
}

impl TraceReader for Table {
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

    fn sources(&self) -> Vec<&Source> {
        std::iter::once(&self.source).chain(&self.others).collect()
    }

    fn stated(&self) -> Stated {
        self.stated
    }

    fn pieces(&self) -> usize {
        self.columns.pieces()
    }

    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError> {
        self.columns.decode(piece, wanted, out)?;
        let (first, count) = self.columns.span(piece);
        for start in &self.breaks {
            let at = start.checked_sub(first).and_then(|at| usize::try_from(at).ok());
            if let Some(at) = at.filter(|at| *at < count) {
                out.breaks.push(Break { at, reason: BreakReason::Stated });
            }
        }
        if let Some((time, factor)) = &self.time {
            let time = stamps_of(time, *factor, first, count as u64)?;
            stamps::describe(&time, self.axis, out);
        }
        Ok(())
    }
}
