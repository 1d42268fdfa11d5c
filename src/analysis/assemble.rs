//! Statistics to the measurement: kinds, phases, cycles, the whole, each with its uncertainty.

use super::Settings;
use super::edges::Border;
use crate::measures::stats::{EdgeDoubt, IntervalStats, Repeated, Share};
use crate::measures::{Measure, MeasureSet, largest_1s};
use crate::recording::Capture;
use crate::recording::Observer;
use crate::recording::{Offsets, Record};
use crate::result::OffsetSource;
use crate::result::{
    AppliedSettings, CaptureFacts, ChannelPlan, CycleResult, CyclesResult, Form, KindResult, Kinds,
    Measurement, PhaseResult, Program, SimulationPlan,
};
use crate::segment::{Segmentation, cycles};
use crate::trace::{Channel, Kind, Phase};
use crate::uncertainty::{self, Conditions, Draws, Extras};

/// What a measurement is put together from.
pub(super) struct Parts<'a> {
    pub settings: &'a Settings,
    pub record: &'a Record,
    pub segmentation: &'a Segmentation,
    pub phases: &'a [Phase],
    pub stats: &'a [IntervalStats],
    pub borders: &'a [Border],
    pub conditions: &'a Conditions,
    pub offsets: Offsets,
    pub observer: &'a dyn Observer,
}

impl Parts<'_> {
    fn empty(&self) -> IntervalStats {
        let interval = 1.0 / self.conditions.rate_hz;
        IntervalStats::empty(self.record.channels(), self.record.power_by(), interval)
    }

    fn seconds(&self, samples: u64) -> f64 {
        self.record.samples().rate().seconds(samples as f64)
    }

    /// The measures of an interval with their uncertainty, and all that was asked for.
    fn measures(&self, stats: &IntervalStats) -> MeasureSet {
        self.measures_with(stats, self.settings.extras)
    }

    /// The same without simulation: of each phase it would take long and tell little more.
    fn measures_of_one(&self, stats: &IntervalStats) -> MeasureSet {
        self.measures_with(stats, Extras { monte_carlo: None, ..self.settings.extras })
    }

    fn measures_with(&self, stats: &IntervalStats, extras: Extras) -> MeasureSet {
        stated(stats, self.conditions, extras, &|| self.observer.stop())
    }
}

/// The measures of an interval with their uncertainty.
pub(super) fn stated(
    stats: &IntervalStats,
    conditions: &Conditions,
    extras: Extras,
    stop: &(dyn Fn() -> bool + Sync),
) -> MeasureSet {
    let mut set = MeasureSet::of(stats);
    uncertainty::state(&mut set, stats, conditions, extras, stop);
    set
}

/// The measurement of a record.
pub(super) fn assemble(capture: &Capture, parts: &Parts<'_>) -> Measurement {
    let Parts { settings, record, segmentation, phases, stats, conditions, .. } = *parts;
    let rate = record.samples().rate();
    let samples = record.overview().samples();
    let interval = 1.0 / rate.hertz();
    let seconds = |sample: u64| parts.seconds(sample);

    let mut whole = parts.empty();
    for one in stats {
        whole.merge(one);
    }
    whole.duration_s = Repeated::of(&[seconds(samples)]);
    // The record begins and ends where it does.
    whole.edges = EdgeDoubt::default();
    whole.close();
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
        let mut all = parts.empty();
        for k in &members {
            all.merge(&stats[*k]);
        }
        // Phases cut off by the record say nothing about how long a phase lasts.
        let inner = |k: &&usize| **k > 0 && **k + 1 < phases.len();
        let lengths: Vec<f64> =
            members.iter().filter(inner).map(|k| seconds(phases[*k].len())).collect();
        if !lengths.is_empty() {
            all.duration_s = Repeated::of(&lengths);
        }
        all.share = parts.share(kind, &cycles);
        let measures = parts.measures(&all);
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
                measures: parts.measures_of_one(&stats[k]),
            }
        })
        .collect();

    let channel_plan = |channel: Channel, offset: (f64, OffsetSource), noise: f64| {
        record.channel(channel).map(|(channel, scale, delay_s)| ChannelPlan {
            channel,
            scale,
            offset: offset.0,
            offset_from: offset.1,
            delay_s,
            noise,
        })
    };
    let sheet = &capture.sheet;
    let (noise, offsets) = (conditions.noise, parts.offsets);
    Measurement {
        schema: Form::Measurement,
        program: Program { version: env!("CARGO_PKG_VERSION").into() },
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
            load_kind: capture.load_kind().into(),
            power_by: record.power_by().into(),
            subject: sheet.subject.clone(),
            bench: sheet.bench.clone(),
            instrument: sheet.instrument.clone(),
        },
        settings: AppliedSettings {
            duty_threshold: settings.duty_threshold,
            thresholds: settings.thresholds,
            budget: settings.budget,
            voltage: channel_plan(Channel::Voltage, offsets.voltage, noise.voltage),
            current: channel_plan(Channel::Current, offsets.current, noise.current),
            expected_sequence: (!settings.expected_sequence.is_empty())
                .then(|| settings.expected_sequence.clone()),
            correlation: sheet.correlation,
            coverage_probability: uncertainty::budget::PROBABILITY,
            monte_carlo: settings.extras.monte_carlo.map(|(draws, seed)| SimulationPlan {
                draws: match draws {
                    Draws::Count(count) => Some(count),
                    Draws::Auto => None,
                },
                seed,
            }),
        },
        whole: parts.measures(&whole),
        kinds,
        phases: results,
        cycles: cycles_result(&cycles, parts),
        flags: Vec::new(),
        receipt: record.receipt().clone(),
    }
}

impl Parts<'_> {
    /// The share of a kind in the whole cycles, known as well as its edges are.
    fn share(&self, kind: Kind, cycles: &cycles::Cycles) -> Option<Share> {
        let members = || cycles.whole.iter().flat_map(Clone::clone);
        let own = || members().filter(|k| self.phases[*k].kind == kind);
        let total: u64 = members().map(|k| self.phases[k].len()).sum();
        let part: u64 = own().map(|k| self.phases[k].len()).sum();
        let square: f64 = own()
            .map(|k| self.stats[k].edges.time_square + self.stats[k].edges.silence_square)
            .sum();
        (total > 0).then(|| Share {
            value: part as f64 / total as f64,
            u: square.sqrt() / self.seconds(total),
        })
    }
}

fn cycles_result(cycles: &cycles::Cycles, parts: &Parts<'_>) -> CyclesResult {
    let Parts { phases, stats, borders, .. } = *parts;
    let mut all = parts.empty();
    let each: Vec<CycleResult> = cycles
        .whole
        .iter()
        .map(|range| {
            let mut one = parts.empty();
            for k in range.clone() {
                one.merge(&stats[k]);
            }
            let (start, end) = (phases[range.start].start, phases[range.end - 1].end);
            let length = parts.seconds(end - start);
            one.duration_s = Repeated::of(&[length]);
            // What one phase loses at a border inside, its neighbour has.
            let outer = [range.start.checked_sub(1), Some(range.end - 1)];
            one.edges = EdgeDoubt::default();
            for border in outer.into_iter().flatten().filter_map(|k| borders.get(k)) {
                border.add_to(&mut one.edges);
            }
            one.close();
            all.merge(&one);
            CycleResult {
                start_s: parts.seconds(start),
                end_s: parts.seconds(end),
                measures: parts.measures_of_one(&one),
            }
        })
        .collect();
    let measures = (!each.is_empty()).then(|| parts.measures(&all));
    CyclesResult {
        count: cycles.whole.len(),
        // Its length with the uncertainty of the cycles' duration.
        period_s: measures.as_ref().and_then(|set| set.get(Measure::Duration)).cloned(),
        sequence: cycles.sequence.clone(),
        measures,
        each,
    }
}
