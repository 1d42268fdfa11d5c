//! What one pass over a file tells of its records: where they begin, their stamps, their gaps.

use crate::flag::Flag;
use crate::ingest::{
    BreakReason, IngestError, Piece, Place, RateSource, Stamps, TraceReader, reason, rounding,
};
use crate::numeric::moments::PairMoments;
use crate::trace::Gaps;
use crate::units::SampleRate;
use std::ops::Range;

/// Records shorter than this hold nothing to measure.
const SHORTEST: u64 = 16;
/// Jumps of time up to which a file holds several records; more, and one in so many rows, and it
/// is not evenly sampled.
const JUMPS: usize = 64;
const ROWS_PER_JUMP: u64 = 50;

/// The index of a file.
#[derive(Debug, Default)]
pub(super) struct Index {
    /// First sample of each piece, and the number of samples at the end.
    pub starts: Vec<u64>,
    /// Stamps of each stretch, with the place of its first sample.
    stamps: Vec<(u64, Stamps)>,
    /// First samples of further records.
    breaks: Vec<(u64, BreakReason)>,
    /// Samples that are not valid.
    pub gaps: Gaps,
    /// What ended the data early.
    pub end: Option<Flag>,
}

impl Index {
    /// An index of nothing yet.
    pub(super) fn new() -> Self {
        Self { starts: vec![0], ..Self::default() }
    }

    /// Samples so far.
    pub(super) fn samples(&self) -> u64 {
        self.starts.last().copied().unwrap_or(0)
    }

    /// Place of the first break, where there is one.
    pub(super) fn first_break(&self) -> Option<u64> {
        self.breaks.first().map(|(at, _)| *at)
    }

    /// Takes in the piece that follows.
    pub(super) fn add(&mut self, piece: &Piece, reader: &dyn TraceReader) {
        let start = self.samples();
        let mut found: Vec<(u64, BreakReason)> = Vec::new();
        // Time may jump between two pieces.
        if let (Some((_, last)), Some(next)) = (self.stamps.last(), piece.stamps.first())
            && let Some(rate) = reader.rate().first_idea()
        {
            let interval = 1.0 / rate.hertz();
            let off = rounding(interval, next.quantum, next.repeats).max(rounding(
                interval,
                last.quantum,
                last.repeats,
            ));
            let origin = self.stamps.first().map(|(_, stamps)| stamps.first);
            found.extend(reason(last.last, next.first, interval, off, origin).map(|r| (start, r)));
        }
        found.extend(piece.breaks.iter().map(|known| (start + known.at as u64, known.reason)));
        for (at, reason) in found {
            if at > 0 && self.breaks.last().is_none_or(|(known, _)| *known < at) {
                self.breaks.push((at, reason));
            }
        }
        for (gap, mark) in &piece.gaps {
            self.gaps.push(start + gap.start as u64..start + gap.end as u64, *mark);
        }
        self.stamps.extend(piece.stamps.iter().map(|one| (start + one.start as u64, *one)));
        self.starts.push(start + piece.len() as u64);
        if let Some(end) = &piece.end {
            self.end.clone_from(end);
        }
    }

    /// The records, in samples, and how many stretches were too short to be one.
    ///
    /// # Errors
    /// Where there is nothing to measure, or time jumps too often.
    pub(super) fn records(
        &self,
        reader: &dyn TraceReader,
    ) -> Result<(Vec<Range<u64>>, usize), IngestError> {
        let total = self.samples();
        let file = || reader.source().name().to_owned();
        if total < 2 {
            return Err(IngestError::Damaged {
                file: file(),
                place: Place::File,
                message: format!("there is {total} sample; a capture needs many"),
                help: "export the whole record".into(),
            });
        }
        if self.gaps.count(&(0..total)) == total {
            return Err(IngestError::Damaged {
                file: file(),
                place: Place::File,
                message: "no sample is valid: all are marked as missing or out of range".into(),
                help: "capture again with a wider range".into(),
            });
        }
        let jumps =
            self.breaks.iter().filter(|(_, why)| matches!(why, BreakReason::Jump(_))).count();
        if jumps > JUMPS && jumps as u64 * ROWS_PER_JUMP > total {
            return Err(IngestError::Ask {
                file: file(),
                message: format!("time jumps {jumps} times in {total} rows: not evenly sampled"),
                help: "export evenly sampled data; if the column is no time, set \
                       `text.time_column = \"none\"` and `sample_rate_hz` in the sheet"
                    .into(),
            });
        }
        let mut borders = vec![0];
        borders.extend(self.breaks.iter().map(|(at, _)| *at).filter(|at| *at < total));
        borders.push(total);
        let all: Vec<Range<u64>> = borders.windows(2).map(|pair| pair[0]..pair[1]).collect();
        if all.len() == 1 {
            return Ok((all, 0));
        }
        let (long, short): (Vec<_>, Vec<_>) =
            all.into_iter().partition(|record| record.end - record.start >= SHORTEST);
        if long.is_empty() {
            return Err(IngestError::Damaged {
                file: file(),
                place: Place::File,
                message: format!("{} records of fewer than {SHORTEST} samples", short.len()),
                help: "export the samples of one acquisition".into(),
            });
        }
        Ok((long, short.len()))
    }

    /// Time that is missing before a record, s, where it jumps ahead.
    pub(super) fn jump(&self, record: &Range<u64>) -> Option<f64> {
        match self.breaks.iter().find(|(at, _)| *at == record.start)? {
            (_, BreakReason::Jump(by)) => Some(*by),
            _ => None,
        }
    }

    /// Why a record begins where it does, for people.
    pub(super) fn why(&self, record: &Range<u64>) -> Option<String> {
        let (_, why) = self.breaks.iter().find(|(at, _)| *at == record.start)?;
        Some(match why {
            BreakReason::Jump(by) => format!("time jumps ahead by {by:.4e} s"),
            BreakReason::Restart => "time starts again".into(),
            BreakReason::Header => "the header is repeated".into(),
            BreakReason::Blank => "a blank line comes before it".into(),
            BreakReason::Stated => "the file says so".into(),
        })
    }

    /// Rate of a record over its whole span, how far its stamps leave the even grid in samples,
    /// and its first stamp.
    ///
    /// # Errors
    /// Where time runs backwards or stands still.
    pub(super) fn timing(
        &self,
        reader: &dyn TraceReader,
        first: SampleRate,
        record: &Range<u64>,
    ) -> Result<Timing, IngestError> {
        let stamps: Vec<&(u64, Stamps)> =
            self.stamps.iter().filter(|(start, _)| record.contains(start)).collect();
        let (Some((_, head)), Some((_, tail))) = (stamps.first(), stamps.last()) else {
            return Ok(Timing { rate: first, unevenness: 0.0, first_stamp_s: None, rounded: None });
        };
        let impossible = |message: String, help: &str| IngestError::Damaged {
            file: reader.source().name().to_owned(),
            place: Place::File,
            message,
            help: help.to_owned(),
        };
        if let Some((start, piece)) = stamps.iter().find(|(_, piece)| piece.backward > 0) {
            return Err(impossible(
                format!(
                    "time runs backwards {} time(s) after row {start} of the data: unsorted rows, \
                     a counter that ran over, or a unit that changes",
                    piece.backward
                ),
                "sort the rows; if their order is right and the time is not, set \
                 `text.time_column = \"none\"` and `sample_rate_hz` in the sheet",
            ));
        }
        let backward =
            stamps.windows(2).find(|pair| matches!(pair, [(_, a), (_, b)] if b.first < a.last));
        if let Some([_, (start, _)]) = backward {
            return Err(impossible(
                format!("time runs backwards at row {start} of the data"),
                "sort the rows; if their order is right and the time is not, set \
                 `text.time_column = \"none\"` and `sample_rate_hz` in the sheet",
            ));
        }
        let count = record.end - record.start;
        let line = fitted(&stamps);
        let own = match (reader.rate(), line) {
            (RateSource::Stated(rate), _) => Some(rate),
            (_, Some(interval)) => SampleRate::new(1.0 / interval),
            _ => SampleRate::new((count - 1) as f64 / (tail.last - head.first)),
        };
        let rate = own.ok_or_else(|| {
            impossible(
                "the time column does not increase".into(),
                "set `text.time_column = \"none\"` and `sample_rate_hz` in the sheet",
            )
        })?;
        // Rounded stamps may be off by what they were rounded to without any sample being off.
        let mut worst = 0.0_f64;
        for (start, piece) in &stamps {
            let expected = head.first + (start - record.start) as f64 / rate.hertz();
            let away = (piece.first - expected).abs().max(piece.bow);
            let rounding =
                if piece.quantum > 1.5 / rate.hertz() { 1.01 * piece.quantum } else { 0.0 };
            worst = worst.max((away - rounding).max(0.0) * rate.hertz());
        }
        let rounded = line.map(|_| {
            let repeats: u64 = stamps.iter().map(|(_, piece)| piece.repeats).sum();
            let step = stamps.iter().map(|(_, piece)| piece.quantum).fold(0.0, f64::max);
            Rounded { repeats: repeats as f64 / (count - 1).max(1) as f64, step_s: step }
        });
        Ok(Timing { rate, unevenness: worst, first_stamp_s: Some(head.first), rounded })
    }
}

/// The time axis of a record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Timing {
    /// Samples per second.
    pub rate: SampleRate,
    /// Largest departure of the stamps from an even grid, in samples.
    pub unevenness: f64,
    /// First stamp, s.
    pub first_stamp_s: Option<f64>,
    /// How coarsely the stamps were rounded, where some repeat.
    pub rounded: Option<Rounded>,
}

/// Stamps too coarse to tell neighbours apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rounded {
    /// Share of stamps that repeat the one before.
    pub repeats: f64,
    /// Step to which they were rounded, s.
    pub step_s: f64,
}

/// Sample interval by a straight line through all stamps, where they repeat: the ends alone would
/// be off by their rounding.
fn fitted(stamps: &[&(u64, Stamps)]) -> Option<f64> {
    let mut all = PairMoments::default();
    for (start, piece) in stamps {
        let mut line = piece.line;
        // From the place in the piece to that in the file.
        line.mean_v += *start as f64 - piece.start as f64;
        all.merge(&line);
    }
    let repeats: u64 = stamps.iter().map(|(_, piece)| piece.repeats).sum();
    (repeats > 0 && all.n > 2 && all.m2_v > 0.0).then(|| all.c_vi / all.m2_v)
}
