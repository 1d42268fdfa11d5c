//! Two files, one channel each, read as one capture: only where they are of one length, one rate
//! and one start.

use super::{
    ChannelInfo, IngestError, Piece, RateSource, Receipt, Selection, Source, TraceReader, stream,
};
use std::ops::ControlFlow;

struct Pair {
    first: Box<dyn TraceReader>,
    second: Box<dyn TraceReader>,
    receipt: Receipt,
    channels: Vec<ChannelInfo>,
    /// First sample of each piece of both, and the number of samples at the end.
    starts: [Vec<u64>; 2],
}

/// What one file holds, read through once.
struct Outline {
    starts: Vec<u64>,
    first: Option<f64>,
    last: Option<f64>,
}

fn outline(reader: &dyn TraceReader, threads: usize) -> Result<Outline, IngestError> {
    let mut found = Outline { starts: vec![0], first: None, last: None };
    let mut several = false;
    let wanted = Selection { voltage: Some(0), current: None };
    stream(reader, 0..reader.pieces(), wanted, threads, |_, piece| {
        let count = found.starts.last().copied().unwrap_or(0) + piece.len() as u64;
        found.starts.push(count);
        found.first = found.first.or(piece.stamps.first().map(|stamps| stamps.first));
        found.last = piece.stamps.last().map(|stamps| stamps.last).or(found.last);
        several |= !piece.breaks.is_empty();
        if piece.end.is_some() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    if several {
        return Err(IngestError::Ask {
            file: reader.source().name().to_owned(),
            message: "it has several records; two files can only be paired if each has one".into(),
            help: "export each record to a file of its own".into(),
        });
    }
    Ok(found)
}

/// Joins two files: the channels of the first, then those of the second.
///
/// # Errors
/// Where they differ in length, rate or start by more than a tenth of a sample.
pub fn pair(
    first: Box<dyn TraceReader>,
    second: Box<dyn TraceReader>,
    threads: usize,
) -> Result<Box<dyn TraceReader>, IngestError> {
    let outlines = [outline(first.as_ref(), threads)?, outline(second.as_ref(), threads)?];
    let [a, b] = &outlines;
    let name = |reader: &dyn TraceReader| reader.source().name().display().to_string();
    let differ = |what: String| IngestError::Ask {
        file: second.source().name().to_owned(),
        message: format!("it does not go with {}: {what}", name(first.as_ref())),
        help: "export both channels of one acquisition; a shift between the channels is set as \
               `current.delay_s`, it is not found in the files"
            .into(),
    };
    let (count_a, count_b) =
        (a.starts.last().copied().unwrap_or(0), b.starts.last().copied().unwrap_or(0));
    if count_a != count_b {
        return Err(differ(format!("{count_b} samples against {count_a}")));
    }
    let rate = |reader: &dyn TraceReader, outline: &Outline| match (reader.rate(), outline) {
        (RateSource::Stated(rate), _) => Some(rate.hertz()),
        (_, Outline { first: Some(first), last: Some(last), .. }) if last > first => {
            Some((count_a.saturating_sub(1)) as f64 / (last - first))
        }
        _ => None,
    };
    let (rate_a, rate_b) = (rate(first.as_ref(), a), rate(second.as_ref(), b));
    if let (Some(rate_a), Some(rate_b)) = (rate_a, rate_b) {
        // A tenth of a sample over the record.
        if (rate_a / rate_b - 1.0).abs() * count_a as f64 > 0.1 {
            return Err(differ(format!("{rate_b} Hz against {rate_a} Hz")));
        }
        if let (Some(start_a), Some(start_b)) = (a.first, b.first)
            && (start_a - start_b).abs() * rate_a > 0.1
        {
            return Err(differ(format!(
                "it starts at {start_b:.9} s against {start_a:.9} s, {:.2} samples apart",
                (start_a - start_b).abs() * rate_a
            )));
        }
    }
    let mut receipt = first.receipt().clone();
    receipt.note("second file", name(second.as_ref()));
    let other = second.receipt().clone();
    receipt.decisions.extend(other.decisions);
    receipt.doubts.extend(other.doubts);
    let mut channels = first.channels().to_vec();
    channels.extend(second.channels().iter().cloned());
    let [a, b] = outlines;
    Ok(Box::new(Pair { first, second, receipt, channels, starts: [a.starts, b.starts] }))
}

impl TraceReader for Pair {
    fn receipt(&self) -> &Receipt {
        &self.receipt
    }

    fn channels(&self) -> &[ChannelInfo] {
        &self.channels
    }

    fn rate(&self) -> RateSource {
        match self.first.rate() {
            RateSource::Absent => self.second.rate(),
            known => known,
        }
    }

    fn source(&self) -> &Source {
        self.first.source()
    }

    fn sources(&self) -> Vec<&Source> {
        let mut all = self.first.sources();
        all.extend(self.second.sources());
        all
    }

    fn stated(&self) -> super::Stated {
        self.first.stated()
    }

    fn pieces(&self) -> usize {
        self.starts[0].len().saturating_sub(1)
    }

    fn decode(&self, piece: usize, wanted: Selection, out: &mut Piece) -> Result<(), IngestError> {
        let own = self.first.channels().len();
        let of = |channel: Option<usize>, second: bool| match channel {
            Some(k) if second => k.checked_sub(own),
            Some(k) if k < own => Some(k),
            _ => None,
        };
        // The first file gives the piece its length and its stamps, whatever is wanted of it.
        let from_first =
            Selection { voltage: of(wanted.voltage, false), current: of(wanted.current, false) };
        let from_second =
            Selection { voltage: of(wanted.voltage, true), current: of(wanted.current, true) };
        let needed = if from_first == Selection::default() {
            Selection { voltage: Some(0), current: None }
        } else {
            from_first
        };
        self.first.decode(piece, needed, out)?;
        if from_first.voltage.is_none() {
            out.v.clear();
        }
        out.breaks.clear();
        if from_second == Selection::default() {
            return Ok(());
        }
        let starts = &self.starts[0];
        let span =
            starts.get(piece).copied().unwrap_or(0)..starts.get(piece + 1).copied().unwrap_or(0);
        let mut other = Piece::default();
        let mut gaps = std::mem::take(&mut out.gaps);
        let theirs = &self.starts[1];
        let begin = theirs.partition_point(|start| *start <= span.start).saturating_sub(1);
        for number in begin..theirs.len().saturating_sub(1) {
            let (Some(from), Some(to)) = (theirs.get(number), theirs.get(number + 1)) else {
                break;
            };
            if *from >= span.end {
                break;
            }
            self.second.decode(number, from_second, &mut other)?;
            let part = span.start.max(*from)..span.end.min(*to);
            #[allow(clippy::cast_possible_truncation)]
            let cut = (part.start.saturating_sub(*from)) as usize
                ..(part.end.saturating_sub(*from)) as usize;
            for (theirs, ours) in [(&other.v, &mut out.v), (&other.i, &mut out.i)] {
                if !theirs.is_empty() {
                    ours.extend_from_slice(theirs.get(cut.clone()).unwrap_or_default());
                }
            }
            #[allow(clippy::cast_possible_truncation)]
            let at = (part.start - span.start) as usize;
            for (gap, mark) in &other.gaps {
                let start = gap.start.max(cut.start);
                let end = gap.end.min(cut.end);
                if start < end {
                    gaps.push((start - cut.start + at..end - cut.start + at, *mark));
                }
            }
        }
        gaps.sort_by_key(|(gap, _)| gap.start);
        out.gaps = gaps;
        Ok(())
    }
}
