//! A record: read once into an overview, and open for a second look.

use super::capture::{Capture, CaptureError};
use super::{Observer, PipelineError, Settings};
use crate::condition::{Chain, ChannelChain, Conditioner};
use crate::ingest::sheet::LoadKind;
use crate::ingest::{
    self, IngestError, Piece, RateSource, Receipt, Selection, Stamps, TraceReader,
};
use crate::measures::stats::PowerBy;
use crate::numeric::moments::PairMoments;
use crate::numeric::spectrum::Fourier;
use crate::trace::{Block, Channels, Overview, Phase, ReadFailure, Samples};
use crate::units::SampleRate;
use std::ops::{ControlFlow, Range};

/// Length of an overview cell: several cells to a burst period, a few carrier cycles at least.
const CELL_S: f64 = 31e-6;
/// Fewest samples of a cell.
const CELL_LEAST: usize = 16;

/// A record that was read once.
pub struct Record {
    samples: RecordSamples,
    overview: Overview,
    selection: Selection,
    gains: (f64, f64),
    delays_s: (f64, f64),
    clip_at: (Option<f64>, Option<f64>),
    stated_offsets: (Option<f64>, Option<f64>),
    power_by: PowerBy,
    load_ohm: Option<f64>,
    receipt: Receipt,
    sha256: Option<String>,
    /// Largest departure of the time stamps from an even grid, in samples.
    unevenness: f64,
}

/// Offsets in file units, and where they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offsets {
    /// Of the voltage.
    pub voltage: (f64, &'static str),
    /// Of the current.
    pub current: (f64, &'static str),
}

struct RecordSamples {
    reader: Box<dyn TraceReader>,
    selection: Selection,
    chain: Chain,
    rate: SampleRate,
    /// First sample of each piece, and the number of samples at the end.
    starts: Vec<u64>,
}

/// Reads a capture through once.
///
/// # Errors
/// Where sheet and data do not go together, the data are damaged, or the observer ends the run.
pub fn open(
    capture: &Capture,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Record, PipelineError> {
    let reader = ingest::open(&capture.data, &capture.hints())?;
    let selection = capture.select(reader.channels(), &mut |text| observer.note(&text))?;
    let first_rate = first_rate(capture, reader.as_ref())?;
    let (v, i) = (capture.channel_sheet(true), capture.channel_sheet(false));
    let gain = |channel: Option<usize>, scale: Option<f64>| {
        let factor = channel.map_or(1.0, |k| reader.channels()[k].factor);
        factor * scale.unwrap_or(1.0)
    };
    let gains = (gain(selection.voltage, v.scale), gain(selection.current, i.scale));
    let delays_s = (v.delay_s.unwrap_or(0.0), i.delay_s.unwrap_or(0.0));
    let stated_offsets = (v.offset, i.offset);
    let chain_at = |rate: SampleRate| {
        let side = |channel: Option<usize>, gain: f64, offset: Option<f64>, delay: f64| {
            channel.map(|_| ChannelChain {
                gain,
                offset: offset.unwrap_or(0.0),
                lag: rate.samples(delay),
            })
        };
        Chain::new(
            side(selection.voltage, gains.0, stated_offsets.0, delays_s.0),
            side(selection.current, gains.1, stated_offsets.1, delays_s.1),
        )
    };
    let load_ohm = capture.load_ohm();
    let power_by = power_by(capture, selection);
    let hash = settings.hash;
    let (passed, sha256) = std::thread::scope(|scope| {
        let source = reader.source();
        let hashing = hash.then(|| scope.spawn(|| source.sha256()));
        let mut passed =
            pass(reader.as_ref(), selection, &chain_at(first_rate), first_rate, settings, observer);
        // The rate of a time column is known for certain only at its end; where a delay hangs on
        // it the pass is made again.
        if let Ok(first) = &passed {
            let shift = (delays_s.0.abs() + delays_s.1.abs())
                * (first.rate.hertz() - first_rate.hertz()).abs();
            if shift > 1e-4 {
                let rate = first.rate;
                passed =
                    pass(reader.as_ref(), selection, &chain_at(rate), rate, settings, observer);
            }
        }
        let sha256 = match hashing.map(std::thread::ScopedJoinHandle::join) {
            None | Some(Err(_)) => Ok(None),
            Some(Ok(done)) => done.map(Some),
        };
        (passed, sha256)
    });
    let passed = passed?;
    let sha256 = sha256?;
    let mut receipt = reader.receipt().clone();
    receipt.note("samples", format!("{} rows read, none refused", passed.overview.samples()));
    if matches!(reader.rate(), RateSource::TimeColumn(_)) {
        receipt.note(
            "sample rate",
            format!(
                "{} Hz, from the whole span of the time column: (n - 1) / (last - first)",
                passed.rate.hertz()
            ),
        );
    } else if matches!(reader.rate(), RateSource::Absent) {
        receipt
            .note("sample rate", format!("{} Hz, from the sheet or a flag", passed.rate.hertz()));
    }
    let chain = chain_at(passed.rate);
    Ok(Record {
        samples: RecordSamples {
            reader,
            selection,
            chain,
            rate: passed.rate,
            starts: passed.starts,
        },
        overview: passed.overview,
        selection,
        gains,
        delays_s,
        clip_at: (v.clip_at, i.clip_at),
        stated_offsets,
        power_by,
        load_ohm,
        receipt,
        sha256,
        unevenness: passed.unevenness,
    })
}

fn power_by(capture: &Capture, selection: Selection) -> PowerBy {
    match (selection.voltage, selection.current, capture.load_kind(), capture.load_ohm()) {
        (Some(_), Some(_), _, _) => PowerBy::Product,
        (_, _, Some(LoadKind::Open), _) => PowerBy::Unknown("open circuit: no power is drawn"),
        (Some(_), None, _, Some(ohm)) => PowerBy::Voltage(ohm),
        (None, Some(_), _, Some(ohm)) => PowerBy::Current(ohm),
        _ => PowerBy::Unknown("one channel and no load resistance: set load.nominal_ohm"),
    }
}

/// The rate with which the pass begins.
fn first_rate(capture: &Capture, reader: &dyn TraceReader) -> Result<SampleRate, PipelineError> {
    let sheet = capture.sheet.sample_rate_hz.and_then(SampleRate::new);
    match (reader.rate().first_idea(), sheet) {
        (None, Some(rate)) => Ok(rate),
        (None, None) => Err(IngestError::Ask {
            file: capture.data.clone(),
            message: "the file does not tell its sample rate".into(),
            help: "set `sample_rate_hz` in the sheet, or give --sample-rate-hz".into(),
        }
        .into()),
        (Some(own), None) => Ok(own),
        (Some(own), Some(sheet)) => {
            if (sheet.hertz() / own.hertz() - 1.0).abs() > 1e-3 {
                return Err(CaptureError {
                    file: capture.data.clone(),
                    message: format!(
                        "the sheet says {} Hz, the data file {} Hz",
                        sheet.hertz(),
                        own.hertz()
                    ),
                    help: "leave `sample_rate_hz` out where the file has its own, or correct it"
                        .into(),
                }
                .into());
            }
            Ok(own)
        }
    }
}

struct Passed {
    overview: Overview,
    starts: Vec<u64>,
    rate: SampleRate,
    unevenness: f64,
}

fn pass(
    reader: &dyn TraceReader,
    selection: Selection,
    chain: &Chain,
    rate: SampleRate,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Passed, PipelineError> {
    let mut overview = Overview::new(rate.count(CELL_S, CELL_LEAST));
    let mut conditioner = Conditioner::new(chain.clone());
    let mut starts = vec![0];
    let mut stamps: Vec<(u64, Stamps)> = Vec::new();
    let mut count = 0;
    let total = reader.pieces() as u64;
    let mut stopped = false;
    ingest::stream(reader, selection, settings.threads, |number, piece| {
        count += piece.len() as u64;
        starts.push(count);
        if let Some(stamp) = piece.stamps {
            stamps.push((count - piece.len() as u64, stamp));
        }
        conditioner.push(&mut piece.v, &mut piece.i, |v, i| overview.push(v, i));
        observer.progress(number as u64 + 1, total);
        stopped = observer.stop();
        if stopped { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    if stopped {
        return Err(PipelineError::Interrupted);
    }
    conditioner.finish(|v, i| overview.push(v, i));
    overview.finish();
    if count < 2 {
        return Err(IngestError::Damaged {
            file: reader.source().name().to_owned(),
            place: ingest::Place::File,
            message: format!("there is {count} sample; a capture needs many"),
            help: "export the whole record".into(),
        }
        .into());
    }
    let (rate, unevenness) = settle_rate(reader, rate, &stamps, count)?;
    Ok(Passed { overview, starts, rate, unevenness })
}

/// The rate over the whole span, and how far the stamps leave the even grid, in samples.
fn settle_rate(
    reader: &dyn TraceReader,
    first: SampleRate,
    stamps: &[(u64, Stamps)],
    count: u64,
) -> Result<(SampleRate, f64), PipelineError> {
    let (Some((_, head)), Some((_, tail))) = (stamps.first(), stamps.last()) else {
        return Ok((first, 0.0));
    };
    let impossible = |message: String| IngestError::Damaged {
        file: reader.source().name().to_owned(),
        place: ingest::Place::File,
        message,
        help: "sort out which rows belong together; set `text.time_column = \"none\"` and \
               `sample_rate_hz` if the time column is of no use"
            .into(),
    };
    if let Some((start, piece)) = stamps.iter().find(|(_, piece)| piece.backward > 0) {
        return Err(impossible(format!(
            "time runs backwards {} time(s) after row {start} of the data",
            piece.backward
        ))
        .into());
    }
    let own = match reader.rate() {
        RateSource::Stated(rate) => Some(rate),
        _ => SampleRate::new((count - 1) as f64 / (tail.last - head.first)),
    };
    let rate = own.ok_or_else(|| impossible("the time column does not increase".into()))?;
    // Rounded stamps may be off by what they were rounded to without any sample being off.
    let mut worst = 0.0_f64;
    for (start, piece) in stamps {
        let expected = head.first + *start as f64 / rate.hertz();
        let away = (piece.first - expected).abs().max(piece.bow);
        let rounding = if piece.quantum > 1.5 / rate.hertz() { 1.01 * piece.quantum } else { 0.0 };
        worst = worst.max((away - rounding).max(0.0) * rate.hertz());
    }
    Ok((rate, worst))
}

impl Record {
    /// The record in cells.
    #[must_use]
    pub fn overview(&self) -> &Overview {
        &self.overview
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

    pub(super) fn sha256(&self) -> Option<String> {
        self.sha256.clone()
    }

    pub(super) fn unevenness(&self) -> f64 {
        self.unevenness
    }

    pub(super) fn load_ohm(&self) -> Option<f64> {
        self.load_ohm
    }

    /// Volts across the load per unit of the leading channel, where known.
    pub(super) fn volts_per_unit(&self) -> Option<f64> {
        if self.selection.voltage.is_some() { Some(1.0) } else { self.load_ohm }
    }

    /// Known rails in volts or amperes.
    pub(super) fn rail(&self, voltage: bool) -> Option<f64> {
        let (at, gain) =
            if voltage { (self.clip_at.0, self.gains.0) } else { (self.clip_at.1, self.gains.1) };
        at.map(|at| (at * gain).abs())
    }

    /// Name, scale and delay of a channel.
    pub(super) fn channel(&self, voltage: bool) -> Option<(String, f64, f64)> {
        let (channel, gain, delay) = if voltage {
            (self.selection.voltage, self.gains.0, self.delays_s.0)
        } else {
            (self.selection.current, self.gains.1, self.delays_s.1)
        };
        let info = self.samples.reader.channels().get(channel?)?;
        Some((info.name.clone(), gain, delay))
    }

    /// Takes away the offsets that the sheet does not state: the means over rest, in volts and
    /// amperes.
    pub(super) fn settle_offsets(&mut self, rest: Option<(f64, f64)>) -> Offsets {
        let side = |stated: Option<f64>, rest: Option<f64>, gain: f64| match (stated, rest) {
            (Some(offset), _) => (0.0, (offset, "sheet")),
            (None, Some(rest)) => (rest, (rest / gain, "mean over rest")),
            (None, None) => (0.0, (0.0, "taken as 0: no rest in the record")),
        };
        let (v, voltage) = side(self.stated_offsets.0, rest.map(|(v, _)| v), self.gains.0);
        let (i, current) = side(self.stated_offsets.1, rest.map(|(_, i)| i), self.gains.1);
        let v = if self.selection.voltage.is_some() { v } else { 0.0 };
        let i = if self.selection.current.is_some() { i } else { 0.0 };
        self.overview.remove_offset(v, i);
        self.samples.chain = std::mem::take(&mut self.samples.chain).less_offset(v, i);
        Offsets { voltage, current }
    }

    /// Standard deviation of the noise of both channels: over rest, or else the floor between the
    /// lines of the spectrum; `leading` is what segmentation found.
    pub(super) fn noise(&self, phases: &[Phase], leading: f64) -> Result<(f64, f64), ReadFailure> {
        let mut quiet = PairMoments::default();
        for phase in phases.iter().filter(|phase| !phase.kind.powered()) {
            let (_, cells, _) = self.overview.inside(&(phase.start..phase.end));
            // A few cells at the borders may hold the edges.
            let inner =
                (cells.start + 3).min(cells.end)..cells.end.saturating_sub(3).max(cells.start);
            if inner.start >= inner.end {
                continue;
            }
            for cell in &self.overview.cells()[inner] {
                // Spread about each cell's own mean: drift is no noise.
                let mut own = cell.moments;
                (own.mean_v, own.mean_i) = (0.0, 0.0);
                quiet.merge(&own);
            }
        }
        if quiet.n > 0 {
            let n = quiet.n as f64;
            return Ok(((quiet.m2_v / n).sqrt(), (quiet.m2_i / n).sqrt()));
        }
        if !(self.channels().voltage && self.channels().current) {
            return Ok((leading, leading));
        }
        let Some(phase) = phases.iter().max_by_key(|phase| phase.len()) else {
            return Ok((leading, 0.0));
        };
        let middle = phase.start + phase.len() / 2;
        let block = self.samples.read(middle.saturating_sub(1 << 12)..middle + (1 << 12))?;
        let floor = |x: &[f64]| Fourier::new().spectrum(x).and_then(|s| s.floor_deviation());
        // The current's noise stands to the voltage's as their floors do.
        let ratio = match (floor(&block.v), floor(&block.i)) {
            (Some(v), Some(i)) if v > 0.0 => i / v,
            _ => 0.0,
        };
        Ok((leading, leading * ratio))
    }
}

impl RecordSamples {
    fn raw(&self, range: &Range<u64>) -> Result<Block, IngestError> {
        let mut block = Block { start: range.start, ..Block::default() };
        let mut piece = Piece::default();
        let first = self.starts.partition_point(|start| *start <= range.start).saturating_sub(1);
        for number in first..self.starts.len().saturating_sub(1) {
            let (from, to) = (self.starts[number], self.starts[number + 1]);
            if from >= range.end {
                break;
            }
            self.reader.decode(number, self.selection, &mut piece)?;
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
        self.starts.last().copied().unwrap_or(0)
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
