//! The one place that joins the stages: a capture and settings go in, a measurement comes out.

mod assemble;
mod capture;
mod convert;
mod delay;
mod doubt;
mod flags;
mod index;
mod look;
mod names;
mod quality;
mod reading;
mod record;
mod select;
mod switch;

pub use capture::{Capture, CaptureError, resolve};
pub use convert::{Converted, convert};
pub use delay::{DelayRefusal, estimate_delay};
pub use reading::{Reading, open_reader};
pub use record::Record;
pub use switch::{Press, presses};

use crate::ingest::{IngestError, Limits};
use crate::keyfile::KeyfileError;
use crate::measures::oddities::Oddities;
use crate::measures::stats::IntervalStats;
use crate::measures::{Budget, Neighbours, SurveyInput, Surveyed, survey};
use crate::result::Measurement;
use crate::segment::{self, Thresholds};
use crate::trace::{Kind, Phase, ReadFailure, check_tiling};
use crate::uncertainty::Wish;
use assemble::{Parts, assemble};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

/// What a user may choose.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Share of a burst's peak above which it is on.
    pub duty_threshold: f64,
    /// Thresholds of the segmentation.
    pub thresholds: Thresholds,
    /// How much is read a second time.
    pub budget: Budget,
    /// Threads.
    pub threads: usize,
    /// Whether the data file is hashed.
    pub hash: bool,
    /// Bounds on what a file may ask for.
    pub limits: Limits,
    /// Sequence by which phases are named; empty: by the waveform alone.
    pub expected_sequence: Vec<Kind>,
    /// What is wanted beside the uncertainty itself.
    pub wish: Wish,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            duty_threshold: 0.1,
            thresholds: Thresholds::default(),
            budget: Budget::default(),
            threads: std::thread::available_parallelism().map_or(1, usize::from),
            hash: false,
            limits: Limits::default(),
            expected_sequence: Vec::new(),
            wish: Wish::default(),
        }
    }
}

/// Watches a run, and may end it.
pub trait Observer: Sync {
    /// `done` of `total` pieces have been read.
    fn progress(&self, done: u64, total: u64) {
        let _ = (done, total);
    }

    /// Something a person should know, such as a channel taken without a sheet.
    fn note(&self, text: &str) {
        let _ = text;
    }

    /// Whether the run is to end.
    fn stop(&self) -> bool {
        false
    }
}

/// An observer that sees nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Unobserved;

impl Observer for Unobserved {}

/// Anything that can end a run.
#[derive(Debug, thiserror::Error)]
pub enum PipelineError {
    /// The data can't be read.
    #[error(transparent)]
    Ingest(#[from] IngestError),
    /// The sheet or the profile is wrong.
    #[error(transparent)]
    Keyfile(#[from] KeyfileError),
    /// Sheet and data do not go together.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// The sheet's correlations can't hold together.
    #[error(transparent)]
    Correlation(#[from] crate::uncertainty::correlation::CorrelationError),
    /// Data that could be read once can't be read again.
    #[error(transparent)]
    Reread(#[from] ReadFailure),
    /// A converted file can't be written.
    #[error(transparent)]
    Write(#[from] crate::files::WriteError),
    /// One record was asked for and there are several.
    #[error("{}: it holds {records} records", file.display())]
    Several {
        /// The data file.
        file: std::path::PathBuf,
        /// Number of records.
        records: usize,
    },
    /// The user broke off.
    #[error("interrupted")]
    Interrupted,
    /// The phases do not tile the record: a fault of this program.
    #[error("the phases found do not cover the record: {0}; please report this with the capture")]
    Tiling(String),
}

/// A measurement together with what a picture of it needs.
pub struct Run {
    /// The result.
    pub measurement: Measurement,
    /// Phases in samples.
    pub phases: Vec<Phase>,
    /// The record, offsets taken away.
    pub record: Record,
}

/// Measures a capture of one record.
///
/// # Errors
/// Where sheet or data are wrong, the capture holds several records, or the observer ends the run.
pub fn measure(
    capture: &Capture,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Run, PipelineError> {
    let mut reading = Reading::open(capture, settings, observer)?;
    if reading.records().len() > 1 {
        return Err(PipelineError::Several {
            file: capture.data.clone(),
            records: reading.records().len(),
        });
    }
    measure_record(capture, &mut reading, 0, settings, observer)
}

/// No bench sees more, V and A: what is above is damage, or a scale that is far off.
const MOST: f64 = 1e9;

/// Refuses samples that no bench can have seen.
fn bounded(capture: &Capture, record: &Record) -> Result<(), PipelineError> {
    for channel in record.channels().present() {
        let cells = record.overview().cells();
        let largest = cells
            .iter()
            .flat_map(|cell| cell.extremes(channel))
            .map(f64::abs)
            .filter(|size| size.is_finite())
            .fold(0.0, f64::max);
        if largest > MOST {
            let unit = channel.of(("volts", "amperes"));
            return Err(CaptureError {
                file: capture.data.clone(),
                message: format!(
                    "a sample of the {} is {largest:.1e} {unit}, which no bench sees",
                    channel.name()
                ),
                help: format!(
                    "check `{}.scale` in the sheet, and export the capture again",
                    channel.name()
                ),
            }
            .into());
        }
    }
    Ok(())
}

/// Measures record `k` (from 0) of a capture that was read.
///
/// # Errors
/// Where the record's time axis is not sound, or the observer ends the run.
pub fn measure_record(
    capture: &Capture,
    reading: &mut Reading,
    k: usize,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Run, PipelineError> {
    let mut record = reading.record(k, settings, observer)?;
    capture.check_delays(record.samples())?;
    bounded(capture, &record)?;
    let step = quality::steps(&record)?;
    let segmentation = segment::segment(&segment::Question {
        overview: record.overview(),
        samples: record.samples(),
        channels: record.channels(),
        load_ohm: record.load_ohm(),
        step,
        thresholds: &settings.thresholds,
    })?;
    let offsets = record.settle_offsets(segmentation.quiet.offset);
    let mut phases = segmentation.phases.clone();
    names::apply(&mut phases, &settings.expected_sequence);
    check_tiling(&phases, record.overview().samples()).map_err(PipelineError::Tiling)?;
    let noise = record.noise(&phases, segmentation.quiet.sigma);
    let quality = quality::look(reading, k, &mut record, &phases, step)?;
    let surveyed = survey_all(&record, settings, &phases, (noise, step), observer)?;
    let oddities: Vec<Oddities> = surveyed.iter().map(|one| one.oddities).collect();
    let mut stats: Vec<IntervalStats> = surveyed.into_iter().map(|one| one.stats).collect();
    let borders = doubt::borders(&stats, record.samples().rate());
    doubt::settle_edges(&mut stats, &borders);
    let threshold = settings.duty_threshold;
    let scene = doubt::scene(capture, &record, &phases, noise, step, &offsets, threshold)?;
    let parts = Parts {
        settings,
        record: &record,
        segmentation: &segmentation,
        phases: &phases,
        stats: &stats,
        borders: &borders,
        scene: &scene,
        offsets,
        observer,
    };
    let mut measurement = assemble(capture, &parts);
    if observer.stop() {
        return Err(PipelineError::Interrupted);
    }
    measurement.capture.describe(reading, k, &record);
    measurement.flags = flags::find(&flags::Case {
        measurement: &measurement,
        record: &record,
        segmentation: &segmentation,
        phases: &phases,
        stats: &stats,
        oddities: &oddities,
        noise,
        named: !settings.expected_sequence.is_empty(),
    })?;
    measurement.flags.extend(quality.flags);
    Ok(Run { measurement, phases, record })
}

/// Surveys the phases with several threads; the result is in the order of the phases.
fn survey_all(
    record: &Record,
    settings: &Settings,
    phases: &[Phase],
    (sigma, step): ((f64, f64), (f64, f64)),
    observer: &dyn Observer,
) -> Result<Vec<Surveyed>, PipelineError> {
    let quiet = phases
        .iter()
        .filter(|phase| !phase.kind.powered())
        .max_by_key(|phase| phase.len())
        .map(|phase| record.samples().gaps().longest_valid(&inner(phase)))
        .filter(|range| !range.is_empty());
    let input = SurveyInput {
        overview: record.overview(),
        samples: record.samples(),
        channels: record.channels(),
        power_by: record.power_by(),
        sigma,
        step,
        quiet: quiet.as_ref(),
        duty_threshold: settings.duty_threshold,
        budget: settings.budget,
    };
    let kind = |k: usize| phases.get(k).map(|phase| phase.kind);
    let one = |k: usize| {
        let neighbours = Neighbours { before: k.checked_sub(1).and_then(kind), after: kind(k + 1) };
        let stopped = observer.stop();
        (!stopped).then(|| survey(&input, &phases[k], neighbours)).transpose()
    };
    let all = || (0..phases.len()).into_par_iter().map(one).collect();
    // A pool is not worth its start for a few phases.
    let found: Result<Vec<Option<Surveyed>>, ReadFailure> = match pool(settings.threads) {
        Some(pool) if phases.len() > 1 => pool.install(all),
        _ => (0..phases.len()).map(one).collect(),
    };
    let found: Option<Vec<Surveyed>> = found?.into_iter().collect();
    let mut found = found.ok_or(PipelineError::Interrupted)?;
    for k in 1..found.len() {
        let (before, after) = found.split_at_mut(k);
        if let (Some(before), Some(after)) = (before.last_mut(), after.first_mut()) {
            Surveyed::settle(before, after);
        }
    }
    Ok(found)
}

/// A pool of so many threads; `None` where one is enough, or no more are to be had.
fn pool(threads: usize) -> Option<rayon::ThreadPool> {
    if threads < 2 {
        return None;
    }
    rayon::ThreadPoolBuilder::new().num_threads(threads).build().ok()
}

/// A phase without an eighth of it at either end.
fn inner(phase: &Phase) -> std::ops::Range<u64> {
    let spare = phase.len() / 8;
    phase.start + spare..phase.end - spare
}
