//! The one place that joins the stages: a capture and settings go in, a measurement comes out.

mod capture;
mod convert;
mod flags;
mod index;
mod names;
mod quality;
mod reading;
mod record;
mod select;

pub use capture::{Capture, CaptureError, resolve};
pub use convert::{Converted, convert};
pub use reading::{Reading, open_reader};
pub use record::Record;

use crate::ingest::{IngestError, Limits};
use crate::keyfile::KeyfileError;
use crate::measures::stats::{IntervalStats, PowerBy};
use crate::measures::{Budget, MeasureSet, SurveyInput, largest_1s, survey};
use crate::result::{
    CaptureFacts, ChannelPlan, CycleResult, CyclesResult, KindResult, Kinds, Measurement,
    PhaseResult, Plan, Program,
};
use crate::segment::{self, Segmentation, Thresholds, cycles};
use crate::trace::{Kind, Phase, ReadFailure, check_tiling};
use crate::units::Estimate;
use std::sync::atomic::{AtomicUsize, Ordering};

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
    let segmentation = segment::segment(
        record.overview(),
        record.samples(),
        record.volts_per_unit(),
        &settings.thresholds,
    )?;
    let offsets = record.settle_offsets(segmentation.quiet.offset);
    let mut phases = segmentation.phases.clone();
    names::apply(&mut phases, &settings.expected_sequence);
    check_tiling(&phases, record.overview().samples()).map_err(PipelineError::Tiling)?;
    let noise = record.noise(&phases, segmentation.quiet.sigma)?;
    let stats = survey_all(&record, settings, &phases, noise, observer)?;
    let quality = quality::look(reading, k, &mut record, &phases)?;
    let mut measurement =
        assemble(capture, settings, &record, &segmentation, &phases, &stats, noise, offsets);
    measurement.capture.describe(reading, k, &record);
    measurement.flags = flags::find(&measurement, &record, &phases, &stats, noise)?;
    measurement.flags.extend(quality);
    Ok(Run { measurement, phases, record })
}

/// Surveys the phases with several threads; the result is in the order of the phases.
fn survey_all(
    record: &Record,
    settings: &Settings,
    phases: &[Phase],
    sigma: (f64, f64),
    observer: &dyn Observer,
) -> Result<Vec<IntervalStats>, PipelineError> {
    let input = SurveyInput {
        overview: record.overview(),
        samples: record.samples(),
        channels: record.channels(),
        power_by: record.power_by(),
        sigma,
        duty_threshold: settings.duty_threshold,
        budget: settings.budget,
    };
    let next = AtomicUsize::new(0);
    let work = || {
        let mut done = Vec::new();
        loop {
            let k = next.fetch_add(1, Ordering::Relaxed);
            if k >= phases.len() || observer.stop() {
                return done;
            }
            let after_rest = k > 0 && phases[k - 1].kind == Kind::Rest;
            done.push((k, survey(&input, &phases[k], after_rest)));
        }
    };
    let mut found: Vec<(usize, Result<IntervalStats, ReadFailure>)> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..settings.threads.clamp(1, phases.len().max(1)))
            .map(|_| scope.spawn(work))
            .collect();
        workers.into_iter().filter_map(|worker| worker.join().ok()).flatten().collect()
    });
    if observer.stop() {
        return Err(PipelineError::Interrupted);
    }
    found.sort_by_key(|(k, _)| *k);
    found.into_iter().map(|(_, stats)| stats.map_err(PipelineError::from)).collect()
}

#[allow(clippy::too_many_arguments)]
fn assemble(
    capture: &Capture,
    settings: &Settings,
    record: &Record,
    segmentation: &Segmentation,
    phases: &[Phase],
    stats: &[IntervalStats],
    noise: (f64, f64),
    offsets: record::Offsets,
) -> Measurement {
    let rate = record.samples().rate();
    let samples = record.overview().samples();
    let interval = 1.0 / rate.hertz();
    let empty = || IntervalStats::empty(record.channels(), record.power_by(), interval);
    let seconds = |sample: u64| rate.seconds(sample as f64);

    let mut whole = empty();
    for one in stats {
        whole.merge(one);
    }
    whole.duration_s = crate::measures::stats::Repeated::of(&[seconds(samples)]);
    whole.largest_1s_w = (whole.invalid.0 == 0)
        .then(|| largest_1s(record.overview().cells(), record.power_by(), interval))
        .flatten();

    let cycles = cycles::find(phases);
    let mut kinds = Kinds::default();
    for kind in Kind::ALL {
        let members: Vec<usize> = (0..phases.len()).filter(|k| phases[*k].kind == kind).collect();
        if members.is_empty() {
            continue;
        }
        let mut all = empty();
        for k in &members {
            all.merge(&stats[*k]);
        }
        // Phases cut off by the record say nothing about how long a phase lasts.
        let inner = |k: &&usize| **k > 0 && **k + 1 < phases.len();
        let lengths: Vec<f64> =
            members.iter().filter(inner).map(|k| seconds(phases[*k].len())).collect();
        if !lengths.is_empty() {
            all.duration_s = crate::measures::stats::Repeated::of(&lengths);
        }
        let mut measures = MeasureSet::of(&all);
        measures.put("phase_share", phase_share(kind, phases, &cycles));
        kinds.0.push(KindResult { kind, count: members.len(), measures });
    }

    let results = (0..phases.len())
        .map(|k| {
            let phase = &phases[k];
            PhaseResult {
                kind: phase.kind,
                measured_kind: (phase.kind != phase.measured_kind).then_some(phase.measured_kind),
                start_s: seconds(phase.start),
                end_s: seconds(phase.end),
                cut_off: k == 0 || k + 1 == phases.len(),
                decided_by: segmentation.evidence.get(k).copied().flatten(),
                invalid_share: Some(stats[k].invalid_share()).filter(|share| *share > 0.0),
                measures: MeasureSet::of(&stats[k]),
            }
        })
        .collect();

    let channel_plan = |voltage: bool, offset: (f64, &'static str), noise: f64| {
        record.channel(voltage).map(|(channel, scale, delay_s)| ChannelPlan {
            channel,
            scale,
            offset: offset.0,
            offset_from: offset.1,
            delay_s,
            noise,
        })
    };
    let sheet = &capture.sheet;
    Measurement {
        schema: "crestbook/measurement/1",
        program: Program { version: env!("CARGO_PKG_VERSION") },
        capture: CaptureFacts {
            file: capture.data.display().to_string(),
            sha256: record.sha256(),
            samples,
            sample_rate_hz: rate.hertz(),
            duration_s: seconds(samples),
            load_ohm: capture.load_ohm(),
            files: Vec::new(),
            record: None,
            first_stamp_s: record.first_stamp_s(),
            load_kind: capture.load_kind().map_or("unknown", |kind| kind.name()),
            power_by: match record.power_by() {
                PowerBy::Product => "mean(v*i)",
                PowerBy::Voltage(_) => "Vrms^2/R with the nominal load: no current channel",
                PowerBy::Current(_) => "Irms^2*R with the nominal load: no voltage channel",
                PowerBy::Unknown(reason) => reason,
            },
            subject: sheet.subject.clone(),
            bench: sheet.bench.clone(),
            instrument: sheet.instrument.clone(),
        },
        settings: Plan {
            duty_threshold: settings.duty_threshold,
            thresholds: settings.thresholds,
            budget: settings.budget,
            voltage: channel_plan(true, offsets.voltage, noise.0),
            current: channel_plan(false, offsets.current, noise.1),
            expected_sequence: (!settings.expected_sequence.is_empty())
                .then(|| settings.expected_sequence.clone()),
        },
        whole: MeasureSet::of(&whole),
        kinds,
        phases: results,
        cycles: cycles_result(&cycles, phases, stats, &empty, &seconds),
        flags: Vec::new(),
        receipt: record.receipt().clone(),
    }
}

fn phase_share(kind: Kind, phases: &[Phase], cycles: &cycles::Cycles) -> Result<Estimate, String> {
    let all: u64 = cycles.whole.iter().flat_map(|c| &phases[c.clone()]).map(Phase::len).sum();
    let own: u64 = cycles
        .whole
        .iter()
        .flat_map(|c| &phases[c.clone()])
        .filter(|phase| phase.kind == kind)
        .map(Phase::len)
        .sum();
    if all == 0 {
        return Err("no whole cycle was found".into());
    }
    Estimate::new(own as f64 / all as f64).ok_or_else(|| "no whole cycle was found".into())
}

fn cycles_result(
    cycles: &cycles::Cycles,
    phases: &[Phase],
    stats: &[IntervalStats],
    empty: &dyn Fn() -> IntervalStats,
    seconds: &dyn Fn(u64) -> f64,
) -> CyclesResult {
    let mut all = empty();
    let mut lengths = Vec::new();
    let each: Vec<CycleResult> = cycles
        .whole
        .iter()
        .map(|range| {
            let mut one = empty();
            for k in range.clone() {
                one.merge(&stats[k]);
            }
            let (start, end) = (phases[range.start].start, phases[range.end - 1].end);
            let length = seconds(end - start);
            lengths.push(length);
            one.duration_s = crate::measures::stats::Repeated::of(&[length]);
            all.merge(&one);
            CycleResult {
                start_s: seconds(start),
                end_s: seconds(end),
                measures: MeasureSet::of(&one),
            }
        })
        .collect();
    let lengths = crate::measures::stats::Repeated::of(&lengths);
    let mean = lengths.mean().and_then(Estimate::new);
    CyclesResult {
        count: cycles.whole.len(),
        period_s: mean.map(|mean| mean.with_deviation(lengths.deviation())),
        sequence: cycles.sequence.clone(),
        measures: (!each.is_empty()).then(|| MeasureSet::of(&all)),
        each,
    }
}
