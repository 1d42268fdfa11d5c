//! A capture while it is read: one pass over the file finds its records, and each is then taken
//! on its own.

use super::arrays::{Arrays, SampleArray};
use super::conditioning::Conditioning;
use super::index::Index;
use super::locate::{Capture, CaptureError};
use super::record::{Filler, Kept, Record, RecordSamples};
use super::roles::{Chosen, choose_roles};
use super::{Observer, ReadSettings, RecordingError, Unobserved, resolve};
use crate::condition::Chain;
use crate::flag::{Code, Flag};
use crate::ingest::{
    self, Beside, IngestError, Opening, Piece, RateSource, Receipt, Selection, Source, Stated,
    TraceReader,
};
use crate::measures::stats::PowerBy;
use crate::result::{FileFacts, RecordFacts};
use crate::sheet::{ChannelName, LoadKind, Sheet};
use crate::trace::{Channel, Gaps, Overview, PerChannel};
use crate::units::SampleRate;
use std::fmt;
use std::ops::{ControlFlow, Range};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// A capture that was read through once.
pub struct Recording {
    capture: Capture,
    reader: Arc<dyn TraceReader>,
    selection: Selection,
    conditioning: Conditioning,
    first_rate: SampleRate,
    clip_at: PerChannel<Option<f64>>,
    power_by: PowerBy,
    index: Index,
    starts: Arc<Vec<u64>>,
    kept: Arc<Kept>,
    records: Vec<Range<u64>>,
    /// The first record, where the first pass has read all of it.
    first: Mutex<Option<(Overview, Gaps, Gaps)>>,
    receipt: Receipt,
    files: Vec<FileFacts>,
}

impl fmt::Debug for Recording {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Recording")
            .field("capture", &self.capture)
            .field("records", &self.records)
            .finish_non_exhaustive()
    }
}

/// Length and time of change of a file.
type State = Option<(u64, std::time::SystemTime)>;

/// The state of every file that is read.
fn states(reader: &dyn TraceReader) -> Vec<(PathBuf, State)> {
    let state = |path: &PathBuf| {
        let facts = std::fs::metadata(path).ok()?;
        Some((facts.len(), facts.modified().ok()?))
    };
    let files = reader.sources().into_iter().map(|source| source.name().to_owned());
    files.map(|path| (path.clone(), state(&path))).collect()
}

/// Opens the data file or files of a capture.
///
/// # Errors
/// Where they can't be read or do not go together.
pub fn open_reader(
    capture: &Capture,
    settings: &ReadSettings,
) -> Result<Box<dyn TraceReader>, IngestError> {
    let opening = |beside: Beside| Opening {
        hints: capture.hints(),
        layout: capture.layout.clone(),
        limits: settings.limits,
        beside,
    };
    let first = ingest::open(&capture.data, &opening(Beside::of(&capture.data)))?;
    match &capture.data_current {
        None => Ok(first),
        Some(current) => {
            let second = ingest::open(current, &opening(Beside::of(current)))?;
            ingest::pair(first, second, settings.threads)
        }
    }
}

impl Recording {
    /// Reads a capture through once.
    ///
    /// # Errors
    /// Where sheet and data do not go together, the data are damaged, or the observer ends the
    /// run.
    pub fn read(
        capture: Capture,
        settings: &ReadSettings,
        observer: &dyn Observer,
    ) -> Result<Self, RecordingError> {
        let reader = open_reader(&capture, settings)?.into();
        Self::of(capture, reader, settings, observer)
    }

    /// A data file or a sheet, with what the sheet beside it states.
    ///
    /// # Errors
    /// As [`Self::read`].
    pub fn open(named: &Path) -> Result<Self, RecordingError> {
        Self::read(resolve(named, None, &[])?, &ReadSettings::default(), &Unobserved)
    }

    /// Volts, amperes or both, sampled evenly. A value that is not finite is a gap; the sheet may
    /// state load, accuracy, delays and the like.
    ///
    /// # Errors
    /// Where both are of different lengths, neither is there, or the sheet does not fit them.
    pub fn from_arrays(
        volts: Option<Arc<[f64]>>,
        amperes: Option<Arc<[f64]>>,
        rate: SampleRate,
        sheet: Sheet,
    ) -> Result<Self, RecordingError> {
        let array = |samples: Arc<[f64]>| Arc::new(samples) as Arc<dyn SampleArray>;
        let arrays = PerChannel { voltage: volts.map(array), current: amperes.map(array) };
        Self::of_samples(arrays, rate, sheet, &ReadSettings::default(), &Unobserved)
    }

    /// The same of samples that lie in memory in any way.
    ///
    /// # Errors
    /// As [`Self::from_arrays`]; also where codes have no scale, or the observer ends the run.
    pub fn of_samples(
        arrays: PerChannel<Option<Arc<dyn SampleArray>>>,
        rate: SampleRate,
        mut sheet: Sheet,
        settings: &ReadSettings,
        observer: &dyn Observer,
    ) -> Result<Self, RecordingError> {
        // Which is which is known, whatever the sheet leaves out.
        for (channel, there, own) in [
            (Channel::Voltage, arrays.voltage.is_some(), &mut sheet.voltage),
            (Channel::Current, arrays.current.is_some(), &mut sheet.current),
        ] {
            if there {
                let own = own.get_or_insert_default();
                own.channel.get_or_insert_with(|| ChannelName::Name(channel.name().into()));
            }
        }
        let reader = Arc::new(Arrays::new(arrays, rate)?);
        let capture = Capture { sheet, ..Capture::bare(Path::new("arrays")) };
        Self::of(capture, reader, settings, observer)
    }

    /// Reads the bytes of a data file that is not on the disk; `name` is for messages.
    ///
    /// # Errors
    /// As [`Self::read`]; a format of two files needs both on the disk.
    pub fn of_bytes(
        name: &Path,
        bytes: Vec<u8>,
        sheet: Sheet,
        settings: &ReadSettings,
        observer: &dyn Observer,
    ) -> Result<Self, RecordingError> {
        let capture = Capture { sheet, ..Capture::bare(name) };
        let opening = Opening {
            hints: capture.hints(),
            layout: None,
            limits: settings.limits,
            beside: Beside::Nothing,
        };
        let reader = ingest::open_source(Source::memory(name, bytes)?, &opening)?.into();
        Self::of(capture, reader, settings, observer)
    }

    fn of(
        capture: Capture,
        reader: Arc<dyn TraceReader>,
        settings: &ReadSettings,
        observer: &dyn Observer,
    ) -> Result<Self, RecordingError> {
        let Chosen { selection, doubts } =
            choose_roles(&capture, reader.channels(), &mut |text| observer.note(&text))?;
        let first_rate = first_rate(&capture, reader.as_ref())?;
        let conditioning = Conditioning::of(&capture, reader.channels(), selection);
        let mut recording = Self {
            selection,
            conditioning,
            first_rate,
            clip_at: PerChannel::each(|channel| capture.channel_sheet(channel).clip_at),
            power_by: power_by(&capture, selection),
            capture,
            index: Index::new(),
            starts: Arc::default(),
            kept: Arc::default(),
            records: Vec::new(),
            first: Mutex::default(),
            receipt: reader.receipt().clone(),
            files: Vec::new(),
            reader,
        };
        recording.receipt.doubts.extend(doubts);
        recording.first_pass(settings, observer)?;
        recording.describe()?;
        Ok(recording)
    }

    /// Reads all of the file: the index, and the first record on the way.
    fn first_pass(
        &mut self,
        settings: &ReadSettings,
        observer: &dyn Observer,
    ) -> Result<(), RecordingError> {
        let reader = Arc::clone(&self.reader);
        let mut filler = Filler::new(&self.conditioning.at(self.first_rate), self.first_rate);
        let mut index = Index::new();
        let mut kept = Kept::default();
        let total = reader.pieces();
        let mut stopped = false;
        let before = states(reader.as_ref());
        let (hashes, passed) = std::thread::scope(|scope| {
            let hashing: Vec<_> = reader
                .sources()
                .into_iter()
                .map(|source| {
                    let hash = settings.hash.then(|| scope.spawn(|| source.sha256()));
                    (source.name().display().to_string(), hash)
                })
                .collect();
            let passed = ingest::stream(
                reader.as_ref(),
                0..total,
                self.selection,
                settings.threads,
                |number, piece| {
                    let (before, start) = (index.first_break(), index.samples());
                    index.add(piece, reader.as_ref());
                    kept.put(piece);
                    if before.is_none() {
                        let end = index.first_break().unwrap_or(u64::MAX);
                        let own = usize::try_from(end - start).unwrap_or(usize::MAX);
                        filler.take(piece, 0..own.min(piece.len()));
                    }
                    observer.progress(number as u64 + 1, total as u64);
                    stopped = observer.stop();
                    let over = stopped || piece.end.is_some();
                    if over { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
                },
            );
            let hashes: Vec<_> = hashing
                .into_iter()
                .map(|(file, hash)| match hash.map(std::thread::ScopedJoinHandle::join) {
                    None => Ok(FileFacts { file, sha256: None }),
                    Some(Ok(done)) => done.map(|hash| FileFacts { file, sha256: Some(hash) }),
                    // A fault of this program must not end in a file without a hash.
                    Some(Err(panic)) => std::panic::resume_unwind(panic),
                })
                .collect();
            (hashes, passed)
        });
        passed?;
        if stopped {
            return Err(RecordingError::Interrupted);
        }
        if let Some((file, _)) = before
            .iter()
            .zip(states(reader.as_ref()))
            .find(|(was, is)| *was != is)
            .map(|(was, _)| was)
        {
            return Err(CaptureError {
                file: file.clone(),
                message: "it changed while it was read, so that it may be a mixture of two".into(),
                help: "measure again when it rests".into(),
            }
            .into());
        }
        self.kept = Arc::new(kept);
        self.files = hashes.into_iter().collect::<Result<_, _>>()?;
        let (records, short) = index.records(reader.as_ref())?;
        if short > 0 {
            self.receipt.doubts.push(Flag::new(
                Code::ShortRecord,
                format!("{short} record(s) of fewer than 16 samples were left out"),
            ));
        }
        if records.first().is_some_and(|record| record.start == 0) {
            self.first = Mutex::new(Some(filler.finish()));
        }
        self.starts = Arc::new(std::mem::take(&mut index.starts));
        self.records = records;
        self.index = index;
        Ok(())
    }

    /// Completes the receipt by what the pass has shown.
    fn describe(&mut self) -> Result<(), RecordingError> {
        let total = self.starts.last().copied().unwrap_or(0);
        let invalid = self.index.gaps.count(&(0..total));
        let invalid =
            if invalid == 0 { "none refused".into() } else { format!("{invalid} not valid") };
        self.receipt.note("samples", format!("{total} rows read, {invalid}"));
        if self.records.len() > 1 {
            self.receipt.note("records", format!("{}", self.records.len()));
        }
        self.receipt.doubts.extend(self.index.end.take());
        Ok(())
    }

    /// The capture: data file and sheet.
    #[must_use]
    pub fn capture(&self) -> &Capture {
        &self.capture
    }

    /// Every file that was read.
    #[must_use]
    pub fn files(&self) -> &[FileFacts] {
        &self.files
    }

    /// The records, in samples of the file.
    #[must_use]
    pub fn records(&self) -> &[Range<u64>] {
        &self.records
    }

    /// The reader.
    #[must_use]
    pub fn reader(&self) -> &dyn TraceReader {
        self.reader.as_ref()
    }

    /// What the file says of how it was taken.
    #[must_use]
    pub fn stated(&self) -> Stated {
        self.reader.stated()
    }

    /// Which channels are the voltage and the current.
    #[must_use]
    pub fn selection(&self) -> Selection {
        self.selection
    }

    /// How the file was read.
    #[must_use]
    pub fn receipt(&self) -> &Receipt {
        &self.receipt
    }

    /// Time that is missing before record `k`, s.
    pub fn jump_before(&self, k: usize) -> Option<f64> {
        self.index.jump(self.records.get(k)?)
    }

    /// First sample of each piece, and the number of samples at the end.
    pub(super) fn starts(&self) -> &[u64] {
        &self.starts
    }

    /// Invalid samples of the file.
    pub fn gaps(&self) -> &Gaps {
        &self.index.gaps
    }

    /// Time axis of a record.
    pub(super) fn timing(&self, k: usize) -> Result<super::index::Timing, RecordingError> {
        let window = self.records.get(k).cloned().unwrap_or(0..0);
        Ok(self.index.timing(self.reader.as_ref(), self.first_rate, &window)?)
    }

    /// Takes record `k` (from 0).
    ///
    /// # Errors
    /// Where its time axis is not sound, or the data can't be read again.
    pub fn record(
        &self,
        k: usize,
        settings: &ReadSettings,
        observer: &dyn Observer,
    ) -> Result<Record, RecordingError> {
        let window = self.records.get(k).cloned().unwrap_or(0..0);
        let timing = self.timing(k)?;
        let rate = timing.rate;
        // The rate of a time column is known for certain only at its end; where a delay hangs on
        // it the samples are gone through again.
        let held = self.first.lock().ok().and_then(|mut first| first.take_if(|_| k == 0));
        let held = held.filter(|_| self.conditioning.shift(rate, self.first_rate) < 1e-4);
        let chain = self.conditioning.at(rate);
        let (overview, raw_gaps, gaps) = match held {
            Some(done) => done,
            None => self.pass(&window, &chain, rate, settings, observer)?,
        };
        let mut receipt = self.receipt.clone();
        if self.records.len() > 1 {
            let why = self.index.why(&window).map_or(String::new(), |why| format!(": {why}"));
            let found = format!(
                "{} from row {}, {} rows{why}",
                k + 1,
                window.start,
                window.end - window.start
            );
            receipt.note("record", found);
        }
        self.note_rate(&mut receipt, &timing);
        Ok(Record {
            samples: RecordSamples {
                reader: Arc::clone(&self.reader),
                selection: self.selection,
                chain,
                rate,
                starts: Arc::clone(&self.starts),
                kept: Arc::clone(&self.kept),
                window,
                raw_gaps,
                gaps,
            },
            overview,
            selection: self.selection,
            gains: self.conditioning.gains,
            delays_s: self.conditioning.delays_s,
            clip_at: self.clip_at,
            stated_offsets: self.conditioning.stated_offsets,
            power_by: self.power_by,
            load_ohm: self.capture.load_ohm(),
            open: self.capture.load_kind() == Some(LoadKind::Open),
            receipt,
            sha256: self.files.first().and_then(|facts| facts.sha256),
            timing,
        })
    }

    fn pass(
        &self,
        window: &Range<u64>,
        chain: &Chain,
        rate: SampleRate,
        settings: &ReadSettings,
        observer: &dyn Observer,
    ) -> Result<(Overview, Gaps, Gaps), RecordingError> {
        let pieces = self.pieces_of(window);
        let mut filler = Filler::new(chain, rate);
        let total = pieces.len() as u64;
        let mut stopped = false;
        ingest::stream(
            self.reader.as_ref(),
            pieces.clone(),
            self.selection,
            settings.threads,
            |number, piece| {
                let start = self.starts.get(number).copied().unwrap_or(0);
                #[allow(clippy::cast_possible_truncation)]
                let cut = |at: u64| at.saturating_sub(start).min(piece.len() as u64) as usize;
                let part = cut(window.start)..cut(window.end);
                filler.take(piece, part);
                observer.progress((number - pieces.start) as u64 + 1, total);
                stopped = observer.stop();
                if stopped { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
            },
        )?;
        if stopped { Err(RecordingError::Interrupted) } else { Ok(filler.finish()) }
    }

    fn note_rate(&self, receipt: &mut Receipt, timing: &super::index::Timing) {
        let hertz = timing.rate.hertz();
        // Ten digits: what lies beyond is the rounding of the stamps.
        let shown = format!("{hertz:.9e}").parse().unwrap_or(hertz);
        let how = match (self.reader.rate(), timing.rounded) {
            (RateSource::TimeColumn(_), None) => {
                "from the whole span of the time column: (n - 1) / (last - first)".to_owned()
            }
            (RateSource::TimeColumn(_), Some(_)) => {
                "from a straight line through all time stamps".to_owned()
            }
            (RateSource::Absent, _) => "from the sheet or a flag".to_owned(),
            (RateSource::Stated(_), _) => String::new(),
        };
        if !how.is_empty() {
            receipt.note("sample rate", format!("{shown} Hz, {how}"));
        }
        if let Some(rounded) = timing.rounded {
            receipt.note(
                "time stamps",
                format!(
                    "rounded to {:.3e} s, {:.1} sample intervals: {:.0} % repeat the one before; \
                     they leave an even grid by {:.2} intervals beyond that",
                    rounded.step_s,
                    rounded.step_s * hertz,
                    100.0 * rounded.repeats,
                    timing.unevenness
                ),
            );
        }
    }
}

impl Recording {
    /// Which record of the file record `k` is, where the file holds several.
    #[must_use]
    pub fn place(&self, k: usize) -> Option<RecordFacts> {
        let first_sample = self.records.get(k)?.start;
        let of = self.records.len();
        (of > 1).then_some(RecordFacts { number: k + 1, of, first_sample })
    }

    /// Sample rate of record `k`.
    ///
    /// # Errors
    /// Where its time axis is not sound.
    pub fn rate_of(&self, k: usize) -> Result<SampleRate, RecordingError> {
        Ok(self.timing(k)?.rate)
    }
}

impl Recording {
    /// Pieces that hold samples of `window`.
    pub fn pieces_of(&self, window: &Range<u64>) -> Range<usize> {
        let starts = self.starts();
        let first = starts.partition_point(|start| *start <= window.start).saturating_sub(1);
        let last = starts.partition_point(|start| *start < window.end);
        first..last.min(starts.len().saturating_sub(1)).max(first)
    }

    /// Decodes a piece; gives the place in the file of its first sample inside `window`, and
    /// which of its samples are.
    ///
    /// # Errors
    /// Where the bytes can't be read or are not what the format says.
    pub fn decode(
        &self,
        number: usize,
        window: &Range<u64>,
        piece: &mut Piece,
    ) -> Result<(u64, Range<usize>), RecordingError> {
        self.reader().decode(number, self.selection(), piece)?;
        let start = self.starts().get(number).copied().unwrap_or(0);
        #[allow(clippy::cast_possible_truncation)]
        let cut = |at: u64| at.saturating_sub(start).min(piece.len() as u64) as usize;
        let part = cut(window.start)..cut(window.end);
        Ok((start + part.start as u64, part))
    }
}

fn power_by(capture: &Capture, selection: Selection) -> PowerBy {
    match (selection.voltage, selection.current, capture.load_kind(), capture.load_ohm()) {
        (Some(_), Some(_), _, _) => PowerBy::Product,
        (_, _, Some(LoadKind::Open), _) => PowerBy::OpenCircuit,
        (Some(_), None, _, Some(ohm)) => PowerBy::Voltage(ohm),
        (None, Some(_), _, Some(ohm)) => PowerBy::Current(ohm),
        _ => PowerBy::NoLoad,
    }
}

/// The rate with which the pass begins.
fn first_rate(capture: &Capture, reader: &dyn TraceReader) -> Result<SampleRate, RecordingError> {
    let sheet = capture.sheet.sample_rate_hz.and_then(SampleRate::new);
    match (reader.rate().first_idea(), sheet) {
        (None, Some(rate)) => Ok(rate),
        (None, None) => Err(IngestError::Ask {
            file: capture.data.clone(),
            message: "the file does not state its sample rate".into(),
            help: "set `sample_rate_hz` in the sheet, or give --set sample_rate_hz=1e7".into(),
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
