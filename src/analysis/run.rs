//! One record: from its samples to its measurement.

use super::assemble::{Parts, assemble};
use super::edges::{self, Border};
use super::{AnalysisError, Settings, conditions, expected, flags, quality};
use crate::measures::oddities::Oddities;
use crate::measures::stats::IntervalStats;
use crate::measures::{Neighbours, SurveyInput, Surveyed, survey};
use crate::recording::{Capture, CaptureError, Observer, Record, Recording};
use crate::result::Measurement;
use crate::segment;
use crate::trace::{PerChannel, Phase, ReadFailure, check_tiling};
use crate::uncertainty::Conditions;
use rayon::iter::{IntoParallelIterator, ParallelIterator};
use std::fmt;
use std::ops::Range;

/// A measurement together with what a picture or a closer look needs.
pub struct Run {
    /// The result.
    pub measurement: Measurement,
    /// Phases in samples.
    pub phases: Vec<Phase>,
    /// The record, offsets taken away.
    pub record: Record,
    pub(super) ground: Ground,
}

impl fmt::Debug for Run {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Run").field("measurement", &self.measurement).finish_non_exhaustive()
    }
}

/// What measures of other stretches of the record rest on.
pub(super) struct Ground {
    pub settings: Settings,
    pub conditions: Conditions,
    pub borders: Vec<Border>,
    pub stats: Vec<IntervalStats>,
    pub silent: Vec<Range<u64>>,
}

/// No bench sees more, V and A: what is above is damage, or a scale that is far off.
const MOST: f64 = 1e9;

/// Refuses samples that no bench can have seen.
fn bounded(capture: &Capture, record: &Record) -> Result<(), AnalysisError> {
    for channel in record.channels().present() {
        let cells = record.overview().cells();
        let largest = cells
            .iter()
            // Beyond single precision a sample reads as infinite.
            .filter(|cell| cell.moments.n > 0)
            .flat_map(|cell| cell.extremes(channel))
            .map(f64::abs)
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
    recording: &Recording,
    k: usize,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Run, AnalysisError> {
    let capture = recording.capture();
    let mut record = recording.record(k, &settings.read, observer)?;
    capture.check_delays(record.samples())?;
    bounded(capture, &record)?;
    let step = quality::steps(&record)?;
    let segmentation = segment::segment(&segment::SegmentInput {
        overview: record.overview(),
        samples: record.samples(),
        channels: record.channels(),
        load_ohm: record.load_ohm(),
        step,
        thresholds: &settings.thresholds,
    })?;
    let offsets = record.settle_offsets(segmentation.quiet.offset);
    let mut phases = segmentation.phases.clone();
    expected::name_phases(&mut phases, &settings.expected_sequence);
    check_tiling(&phases, record.overview().samples()).map_err(AnalysisError::Tiling)?;
    let noise = record.noise(&segmentation.silent, &segmentation.quiet);
    let quality = quality::assess(recording, k, &mut record, &phases, step)?;
    let surveyed =
        survey_all(&record, settings, &phases, &segmentation.silent, (noise, step), observer)?;
    let oddities: Vec<Oddities> = surveyed.iter().map(|one| one.oddities).collect();
    let mut stats: Vec<IntervalStats> = surveyed.into_iter().map(|one| one.stats).collect();
    let borders = edges::borders(&stats, record.samples().rate());
    edges::settle(&mut stats, &borders);
    let threshold = settings.duty_threshold;
    let conditions =
        conditions::conditions_of(capture, &record, &phases, noise, step, &offsets, threshold)?;
    let parts = Parts {
        settings,
        record: &record,
        segmentation: &segmentation,
        phases: &phases,
        stats: &stats,
        borders: &borders,
        conditions: &conditions,
        offsets,
        observer,
    };
    let simulated = settings.extras.monte_carlo.is_some();
    let pool = if simulated { pool(settings.read.threads) } else { None };
    let mut measurement = match pool {
        Some(pool) => pool.install(|| assemble(capture, &parts)),
        None => assemble(capture, &parts),
    };
    if observer.stop() {
        return Err(AnalysisError::Interrupted);
    }
    measurement.capture.record = recording.place(k);
    if recording.files().len() > 1 {
        measurement.capture.files = recording.files().to_vec();
    }
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
    let silent = segmentation.silent;
    let ground = Ground { settings: settings.clone(), conditions, borders, stats, silent };
    Ok(Run { measurement, phases, record, ground })
}

/// Surveys the phases with several threads; the result is in the order of the phases.
fn survey_all(
    record: &Record,
    settings: &Settings,
    phases: &[Phase],
    silent: &[Range<u64>],
    (sigma, step): (PerChannel<f64>, PerChannel<f64>),
    observer: &dyn Observer,
) -> Result<Vec<Surveyed>, AnalysisError> {
    let quiet = quiet(record, silent);
    let input = survey_input(record, settings, (sigma, step), quiet.as_ref());
    let kind = |k: usize| phases.get(k).map(|phase| phase.kind);
    let one = |k: usize| {
        let neighbours = Neighbours { before: k.checked_sub(1).and_then(kind), after: kind(k + 1) };
        let stopped = observer.stop();
        (!stopped).then(|| survey(&input, &phases[k], neighbours)).transpose()
    };
    let all = || (0..phases.len()).into_par_iter().map(one).collect();
    // A pool is not worth its start for a few phases.
    let several = phases.len() > 1 && settings.read.threads > 1;
    let pool = if several { pool(settings.read.threads) } else { None };
    let found: Result<Vec<Option<Surveyed>>, ReadFailure> = match pool {
        Some(pool) => pool.install(all),
        None => (0..phases.len()).map(one).collect(),
    };
    let found: Option<Vec<Surveyed>> = found?.into_iter().collect();
    let mut found = found.ok_or(AnalysisError::Interrupted)?;
    for k in 1..found.len() {
        let (before, after) = found.split_at_mut(k);
        if let (Some(before), Some(after)) = (before.last_mut(), after.first_mut()) {
            Surveyed::settle(before, after);
        }
    }
    Ok(found)
}

/// The longest valid stretch of the longest one without output.
pub(super) fn quiet(record: &Record, silent: &[Range<u64>]) -> Option<Range<u64>> {
    silent
        .iter()
        .max_by_key(|range| range.end - range.start)
        .map(|range| record.samples().gaps().longest_valid(&inner(range)))
        .filter(|range| !range.is_empty())
}

/// What a survey of the phases of a record looks at.
pub(super) fn survey_input<'a>(
    record: &'a Record,
    settings: &Settings,
    (sigma, step): (PerChannel<f64>, PerChannel<f64>),
    quiet: Option<&'a Range<u64>>,
) -> SurveyInput<'a> {
    SurveyInput {
        overview: record.overview(),
        samples: record.samples(),
        channels: record.channels(),
        power_by: record.power_by(),
        sigma,
        step,
        quiet,
        duty_threshold: settings.duty_threshold,
        budget: settings.budget,
    }
}

/// A pool of so many threads; `None` where none are to be had.
fn pool(threads: usize) -> Option<rayon::ThreadPool> {
    rayon::ThreadPoolBuilder::new().num_threads(threads).build().ok()
}

/// A stretch without an eighth of it at either end.
fn inner(range: &Range<u64>) -> Range<u64> {
    let spare = (range.end - range.start) / 8;
    range.start + spare..range.end - spare
}
