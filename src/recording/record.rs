//! A record: read once into an overview, and open for a second look.

use super::RecordingError;
use crate::condition::{Chain, Conditioner};
use crate::digest::Sha256;
use crate::ingest::{IngestError, Piece, Receipt, Selection, TraceReader};
use crate::measures::stats::PowerBy;
use crate::numeric::order::median;
use crate::result::OffsetSource;
use crate::segment::Quiet;
use crate::trace::{
    Block, Channel, Channels, Gaps, Overview, PerChannel, Pyramid, ReadFailure, Samples,
};
use crate::units::SampleRate;
use std::collections::VecDeque;
use std::fmt;
use std::ops::Range;
use std::sync::{Arc, Mutex};

/// A record that was read once.
pub struct Record {
    pub(super) samples: RecordSamples,
    pub(super) overview: Overview,
    pub(super) selection: Selection,
    pub(super) gains: PerChannel<f64>,
    pub(super) delays_s: PerChannel<f64>,
    pub(super) clip_at: PerChannel<Option<f64>>,
    pub(super) stated_offsets: PerChannel<Option<f64>>,
    pub(super) power_by: PowerBy,
    pub(super) load_ohm: Option<f64>,
    pub(super) open: bool,
    pub(super) receipt: Receipt,
    pub(super) sha256: Option<Sha256>,
    pub(super) timing: super::index::Timing,
}

impl fmt::Debug for Record {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Record")
            .field("channels", &self.channels())
            .field("samples", &self.overview.samples())
            .finish_non_exhaustive()
    }
}

/// Offsets of voltage and current in file units, and where they come from.
pub type Offsets = PerChannel<(f64, OffsetSource)>;

pub(super) struct RecordSamples {
    pub reader: Arc<dyn TraceReader>,
    pub selection: Selection,
    pub chain: Chain,
    pub rate: SampleRate,
    /// First sample in the file of each piece, and the number of samples at the end.
    pub starts: Arc<Vec<u64>>,
    /// The record's samples in the file.
    pub window: Range<u64>,
    /// Invalid samples as they were read, and those that conditioning makes of them.
    pub raw_gaps: Gaps,
    pub gaps: Gaps,
    /// Pieces that were decoded, where the file is short enough to keep them.
    pub kept: Arc<Kept>,
}

/// Longest file whose pieces are kept once they are decoded, samples: 16 MiB of both channels.
const KEPT_SAMPLES: u64 = 1 << 20;

/// Pieces of a long file that are kept: edges, peaks and bursts of a phase look at the same few.
const RECENT: usize = 8;

/// The decoded pieces of a short file, by number; of a long one the few that were asked for last, so
/// that memory does not grow with the record.
#[derive(Default)]
pub(super) struct Kept {
    pieces: Vec<Arc<Piece>>,
    recent: Mutex<VecDeque<(usize, Arc<Piece>)>>,
    samples: u64,
    full: bool,
}

impl Kept {
    /// Keeps a piece of the first pass, as long as the file is short; pieces come in order.
    pub(super) fn put(&mut self, piece: &Piece) {
        self.samples += piece.len() as u64;
        if self.full || self.samples > KEPT_SAMPLES {
            self.full = true;
            self.pieces.clear();
            return;
        }
        self.pieces.push(Arc::new(Piece { scratch: Vec::new(), ..piece.clone() }));
    }

    /// A piece that is kept, or what `decode` makes of it.
    fn get(
        &self,
        number: usize,
        decode: impl FnOnce() -> Result<Piece, IngestError>,
    ) -> Result<Arc<Piece>, IngestError> {
        if let Some(piece) = self.pieces.get(number) {
            return Ok(Arc::clone(piece));
        }
        if let Ok(recent) = self.recent.lock()
            && let Some((_, piece)) = recent.iter().find(|(known, _)| *known == number)
        {
            return Ok(Arc::clone(piece));
        }
        let piece = Arc::new(Piece { scratch: Vec::new(), ..decode()? });
        if let Ok(mut recent) = self.recent.lock() {
            recent.truncate(RECENT - 1);
            recent.push_front((number, Arc::clone(&piece)));
        }
        Ok(piece)
    }
}

/// Gathers the samples of one record as they come.
pub(super) struct Filler {
    conditioner: Conditioner,
    overview: Overview,
    /// Samples before and after an invalid one that the delay makes invalid too.
    reach: (u64, u64),
    taken: u64,
    raw_gaps: Gaps,
    gaps: Gaps,
}

impl Filler {
    pub(super) fn new(chain: &Chain, rate: SampleRate) -> Self {
        Self {
            conditioner: Conditioner::new(chain.clone()),
            overview: Overview::at(rate),
            reach: chain.reaches(),
            taken: 0,
            raw_gaps: Gaps::default(),
            gaps: Gaps::default(),
        }
    }

    /// Takes the samples `part` of a piece, which follow those taken before.
    pub(super) fn take(&mut self, piece: &mut Piece, part: Range<usize>) {
        for (gap, mark) in &piece.gaps {
            let (from, to) = (gap.start.max(part.start), gap.end.min(part.end));
            if from < to {
                let at = |k: usize| self.taken + (k - part.start) as u64;
                self.raw_gaps.push(at(from)..at(to), *mark);
                // What a sample out of the filter needs lies up to so far behind and before it.
                let (before, after) = self.reach;
                let range = at(from).saturating_sub(after)..at(to) + before;
                self.gaps.push(range, *mark);
            }
        }
        let cut = |x: &'_ mut Vec<f64>| -> Range<usize> {
            part.start.min(x.len())..part.end.min(x.len())
        };
        let (v, i) = (cut(&mut piece.v), cut(&mut piece.i));
        let (overview, gaps) = (&mut self.overview, &self.gaps);
        self.conditioner.push(&mut piece.v[v], &mut piece.i[i], |v, i| {
            overview.push_valid(v, i, gaps);
        });
        self.taken += part.len() as u64;
    }

    /// The overview, and the gaps before and after conditioning.
    pub(super) fn finish(mut self) -> (Overview, Gaps, Gaps) {
        let (overview, gaps) = (&mut self.overview, &self.gaps);
        self.conditioner.finish(|v, i| overview.push_valid(v, i, gaps));
        self.overview.finish_valid(&self.gaps);
        // Beyond the end nothing was widened to.
        let gaps = self.gaps.cut(self.taken);
        (self.overview, self.raw_gaps, gaps)
    }
}

impl Record {
    /// The record in cells.
    #[must_use]
    pub fn overview(&self) -> &Overview {
        &self.overview
    }

    /// The record at any zoom.
    #[must_use]
    pub fn pyramid(&self) -> Pyramid<'_> {
        Pyramid::new(&self.overview, self.samples())
    }

    /// The samples themselves.
    #[must_use]
    pub fn samples(&self) -> &dyn Samples {
        &self.samples
    }

    /// Which channels there are.
    #[must_use]
    pub fn channels(&self) -> Channels {
        Channels {
            voltage: self.selection.voltage.is_some(),
            current: self.selection.current.is_some(),
        }
    }

    /// How power is had.
    #[must_use]
    pub fn power_by(&self) -> PowerBy {
        self.power_by
    }

    /// How the file was read.
    #[must_use]
    pub fn receipt(&self) -> &Receipt {
        &self.receipt
    }

    /// SHA-256 of the data file, where it was hashed.
    #[must_use]
    pub fn sha256(&self) -> Option<Sha256> {
        self.sha256
    }

    /// Sample intervals by which the time stamps leave an even grid.
    #[must_use]
    pub fn unevenness(&self) -> f64 {
        self.timing.unevenness
    }

    /// Invalid samples as they stand in the file, counted from the start of the record.
    #[must_use]
    pub fn raw_gaps(&self) -> &Gaps {
        &self.samples.raw_gaps
    }

    /// Time stamp of the first sample, s, where the file has stamps.
    #[must_use]
    pub fn first_stamp_s(&self) -> Option<f64> {
        self.timing.first_stamp_s
    }

    /// Adds a line to the receipt.
    pub fn note(&mut self, about: &str, found: String) {
        self.receipt.note(about, found);
    }

    /// Raw numbers of both channels as they stand in the file, a stretch of the record.
    ///
    /// # Errors
    /// Where it can't be read again.
    pub fn raw(&self, range: &Range<u64>) -> Result<Block, RecordingError> {
        Ok(self.samples.raw(range)?)
    }

    /// Whether nothing is connected, as the sheet states.
    pub fn is_open(&self) -> bool {
        self.open
    }

    /// Nominal resistance of the load, ohm.
    #[must_use]
    pub fn load_ohm(&self) -> Option<f64> {
        self.load_ohm
    }

    /// Known rails in volts or amperes.
    pub fn rail(&self, channel: Channel) -> Option<f64> {
        channel.of(self.clip_at).map(|at| (at * channel.of(self.gains)).abs())
    }

    /// Name, scale and delay of a channel.
    pub fn channel(&self, channel: Channel) -> Option<(String, f64, f64)> {
        let column = channel.of((self.selection.voltage, self.selection.current))?;
        let info = self.samples.reader.channels().get(column)?;
        Some((info.name.clone(), channel.of(self.gains), channel.of(self.delays_s)))
    }

    /// Takes away the offsets that the sheet does not state: the means over rest, in volts and
    /// amperes.
    pub fn settle_offsets(&mut self, rest: Option<PerChannel<f64>>) -> Offsets {
        let side = |stated: Option<f64>, rest: Option<f64>, gain: f64| match (stated, rest) {
            (Some(offset), _) => (0.0, (offset, OffsetSource::Sheet)),
            (None, Some(rest)) => (rest, (rest / gain, OffsetSource::Rest)),
            (None, None) => (0.0, (0.0, OffsetSource::Nothing)),
        };
        let (v, voltage) =
            side(self.stated_offsets.voltage, rest.map(|rest| rest.voltage), self.gains.voltage);
        let (i, current) =
            side(self.stated_offsets.current, rest.map(|rest| rest.current), self.gains.current);
        let v = if self.selection.voltage.is_some() { v } else { 0.0 };
        let i = if self.selection.current.is_some() { i } else { 0.0 };
        self.overview.remove_offset(v, i);
        self.samples.chain = std::mem::take(&mut self.samples.chain).less_offset(v, i);
        PerChannel { voltage, current }
    }

    /// Standard deviation of the noise of both channels: of the cells in stretches without output, or else
    /// as segmentation found it.
    pub fn noise(&self, silent: &[Range<u64>], found: &Quiet) -> PerChannel<f64> {
        PerChannel::each(|channel| {
            let mut variances = self.quiet_variances(silent, channel);
            // Clicks in a rest are no noise; most of its cells are.
            let middle = median(&mut variances).map(f64::sqrt);
            let sigma = channel.of(found.sigma);
            match middle {
                // What such a stretch holds is weak output.
                Some(middle) if channel.of(found.under_output) => middle.min(sigma),
                middle => middle.unwrap_or(sigma),
            }
        })
    }

    /// Spread of each cell there about its own mean: drift is no noise.
    fn quiet_variances(&self, silent: &[Range<u64>], channel: Channel) -> Vec<f64> {
        let mut all = Vec::new();
        for range in silent {
            let (_, cells, _) = self.overview.inside(range);
            // Cells at the borders may hold the edges.
            let spare = (cells.len() / 8).min(24);
            let inner = cells.start + spare..cells.end - spare;
            all.extend(self.overview.cells()[inner].iter().map(|cell| cell.variance(channel)));
        }
        all
    }
}

impl RecordSamples {
    /// Raw samples of a stretch of the record.
    fn raw(&self, range: &Range<u64>) -> Result<Block, IngestError> {
        let mut block = Block { start: range.start, ..Block::default() };
        #[allow(clippy::cast_possible_truncation)]
        let length = (range.end - range.start) as usize;
        for (channel, all) in
            [(self.selection.voltage, &mut block.v), (self.selection.current, &mut block.i)]
        {
            all.reserve_exact(if channel.is_some() { length } else { 0 });
        }
        let range = range.start + self.window.start..range.end + self.window.start;
        let first = self.starts.partition_point(|start| *start <= range.start).saturating_sub(1);
        for number in first..self.starts.len().saturating_sub(1) {
            let (from, to) = (self.starts[number], self.starts[number + 1]);
            if from >= range.end {
                break;
            }
            let piece = self.kept.get(number, || {
                let mut piece = Piece::default();
                self.reader.decode(number, self.selection, &mut piece)?;
                Ok(piece)
            })?;
            #[allow(clippy::cast_possible_truncation)]
            let part = (range.start.max(from) - from) as usize..(range.end.min(to) - from) as usize;
            for (x, all) in [(&piece.v, &mut block.v), (&piece.i, &mut block.i)] {
                all.extend_from_slice(x.get(part.clone()).unwrap_or_default());
            }
        }
        Ok(block)
    }
}

impl Samples for RecordSamples {
    fn len(&self) -> u64 {
        self.window.end - self.window.start
    }

    fn gaps(&self) -> &Gaps {
        &self.gaps
    }

    fn rate(&self) -> SampleRate {
        self.rate
    }

    fn read(&self, range: Range<u64>) -> Result<Block, ReadFailure> {
        let end = range.end.min(self.len());
        let wanted = range.start.min(end)..end;
        let needs = self.chain.needs(&wanted, self.len());
        let raw = self.raw(&needs).map_err(|cause| ReadFailure {
            start: wanted.start,
            end: wanted.end,
            cause: Box::new(cause),
        })?;
        Ok(self.chain.apply(raw, wanted))
    }
}
