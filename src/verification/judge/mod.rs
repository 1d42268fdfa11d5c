//! From captures and readings to verdicts, entry by entry of the plan.

mod facts;
mod strongest;

use super::entries::Profile;
use super::outcome::{CaptureOutcome, KeptMeasure};
use super::reading::ManualReading;
use super::result::{
    Counts, CurvePoint, GroupKind, GroupResult, JobFacts, JobResult, Line, PlanFacts, Series,
    StepResult, StepState, Waveform,
};
use super::step::{Step, part_of};
use super::unjudged::Unjudged;
use crate::check::{Fault, Finding, FindingCode, Judged, Verdict, WANTED_RATIO};
use crate::digest::Sha256;
use crate::estimate::Estimate;
use crate::measures::Measure;
use crate::profile::{Bounds, Decision};
use crate::result::{Form, Part, Sketch};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What was captured for one step.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// The one capture that counts.
    pub outcome: Option<Arc<CaptureOutcome>>,
    /// Whether several captures claim the step.
    pub repeated: bool,
    /// Why the capture can't be used, where it can't.
    pub unreadable: Option<String>,
    /// What is not as the step says.
    pub findings: Vec<Finding>,
    /// Captures that were set aside, with the reason.
    pub set_aside: Vec<(String, String)>,
}

/// Everything a job has.
#[derive(Debug)]
pub struct Evidence<'a> {
    /// The plan.
    pub profile: &'a Profile,
    /// Its steps.
    pub steps: &'a [Step],
    /// What was captured, by step.
    pub found: BTreeMap<String, Found>,
    /// What the pictures of captures show, by step.
    pub sketches: BTreeMap<String, Sketch>,
    /// What was read by hand; of several of one step the last counts.
    pub readings: &'a [ManualReading],
    /// Unit, people, place.
    pub job: JobFacts,
    /// File, hash and changes of the plan.
    pub plan: PlanFacts,
    /// What is not as it should be with the job as a whole.
    pub findings: Vec<Finding>,
    /// Version of the program.
    pub program: &'a str,
    /// The day on which it is judged.
    pub today: Option<jiff::civil::Date>,
}

/// Judges a job.
#[must_use]
pub fn judge(evidence: Evidence<'_>) -> JobResult {
    let evidence = Evidence { found: once_each(evidence.found, evidence.steps), ..evidence };
    let bench = Bench::new(&evidence);
    let mut groups = bench.groups();
    for group in &mut groups {
        bench.hold_back(group);
        coarse(group);
    }
    let steps: Vec<StepResult> =
        evidence.steps.iter().map(|step| bench.step(step, &groups)).collect();
    for group in &mut groups {
        let own = steps.iter().filter(|step| step.group == group.id).map(|step| step.verdict);
        group.verdict = own.chain([group.verdict]).max().unwrap_or(Verdict::NotMeasured);
    }
    let mut job = evidence.job.clone();
    let mut findings = evidence.findings.clone();
    findings.extend(facts::findings(&mut job, &evidence, &steps));
    let verdict = groups
        .iter()
        .map(|group| group.verdict)
        .chain(findings.iter().filter_map(|finding| finding.at_best))
        .max()
        .unwrap_or(Verdict::NotMeasured);
    job.next_due = facts::due(&job, &evidence, verdict, &findings);
    let waveforms = evidence.steps.iter().filter_map(|step| picture(step, &evidence)).collect();
    JobResult {
        schema: Form::Job,
        seal: None,
        program: evidence.program.to_owned(),
        verdict,
        job,
        plan: PlanFacts {
            rule: evidence.profile.decision.words(),
            guarded: evidence.profile.decision.guard_ratio().is_some(),
            ..evidence.plan.clone()
        },
        counts: counts(&steps),
        groups,
        steps,
        readings: evidence.readings.to_vec(),
        findings,
        as_found: None,
        waveforms,
    }
}

/// Names the lines whose tolerance is not far above their uncertainty.
fn coarse(group: &mut GroupResult) {
    let lines = group.lines.iter();
    let coarse: Vec<&str> = lines
        .filter(|line| line.judged.tolerance_ratio.is_some_and(|ratio| ratio < WANTED_RATIO))
        .map(|line| line.what.as_str())
        .collect();
    if !coarse.is_empty() {
        let note = format!(
            "the tolerance is less than {WANTED_RATIO:.0} times U, so that many values will end in a \
             conditional verdict: {}",
            coarse.join("; ")
        );
        group.notes.push(note);
    }
}

/// What tells two captures apart: their numbers, which no two acquisitions share to nine digits. The same
/// numbers saved in another format are the same capture.
fn content(outcome: &CaptureOutcome) -> String {
    let of = |measure: Measure| {
        let found = outcome.number(measure, Part::Whole).ok();
        found.map_or("-".to_owned(), |found| format!("{:.8e}", found.estimate.value))
    };
    let numbers =
        [Measure::VoltageRms, Measure::CurrentRms, Measure::VoltagePeak, Measure::CurrentPeak];
    let numbers: Vec<String> = numbers.into_iter().map(of).collect();
    if numbers.iter().all(|number| number == "-") {
        return outcome.sha256.iter().map(ToString::to_string).collect();
    }
    format!("{} {}", outcome.samples, numbers.join(" "))
}

/// Marks captures whose data were given for more than one step, by their bytes or by what they hold: they
/// can be the capture of one only. Steps that share a capture by the plan have one in common.
fn once_each(mut found: BTreeMap<String, Found>, steps: &[Step]) -> BTreeMap<String, Found> {
    let hosts: BTreeMap<&str, &str> = steps
        .iter()
        .map(|step| (step.id.as_str(), step.shares.as_deref().unwrap_or(&step.id)))
        .collect();
    let host = |id: &String| hosts.get(id.as_str());
    let mut alike: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (step, found) in &found {
        if let Some(outcome) = found.outcome.as_ref().filter(|outcome| !outcome.sha256.is_empty()) {
            let bytes: String = outcome.sha256.iter().map(ToString::to_string).collect();
            for key in [bytes, content(outcome)] {
                alike.entry(key).or_default().push(step.clone());
            }
        }
    }
    let mut copies: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for of_one in alike.values() {
        for step in of_one {
            let file = |id: &String| found.get(id).and_then(|f| Some(&f.outcome.as_ref()?.file));
            let shared = |other: &&String| host(other) == host(step) && file(other) == file(step);
            let others = of_one.iter().filter(|other| !shared(other)).cloned();
            copies.entry(step.clone()).or_default().extend(others);
        }
    }
    for (step, others) in copies.into_iter().filter(|(_, others)| !others.is_empty()) {
        if let Some(found) = found.get_mut(&step) {
            let others: Vec<String> = others.into_iter().collect();
            found.findings.push(Finding {
                code: Fault::SameCapture.into(),
                message: format!(
                    "this file is a copy of the one for {}: capture each step by itself",
                    others.join(", ")
                ),
                at_best: Some(Verdict::NotMeasured),
            });
        }
    }
    found
}

/// The picture of a step's capture.
fn picture(step: &Step, evidence: &Evidence<'_>) -> Option<Waveform> {
    let sketch = evidence.sketches.get(&step.id)?.clone();
    Some(Waveform { step: step.id.clone(), title: step.what.clone(), sketch })
}

fn counts(steps: &[StepResult]) -> Counts {
    let mut counts = Counts { steps: steps.len(), ..Counts::default() };
    for step in steps {
        match (step.state, step.verdict) {
            (StepState::Missing, _) => counts.missing += 1,
            (_, Verdict::Pass) => counts.pass += 1,
            (_, Verdict::Fail) => counts.fail += 1,
            _ => counts.doubtful += 1,
        }
        counts.repeated += usize::from(step.state == StepState::Repeated);
    }
    counts
}

/// What entries are judged by: plan, captures, readings.
pub(in crate::verification) struct Bench<'a> {
    pub(in crate::verification) evidence: &'a Evidence<'a>,
    /// What is not as each step says.
    findings: BTreeMap<&'a str, Vec<Finding>>,
}

/// The worst verdict; where nothing is judged, nothing passes.
fn worst(lines: &[Line]) -> Verdict {
    lines.iter().map(|line| line.judged.verdict).max().unwrap_or(Verdict::NotMeasured)
}

pub(in crate::verification) fn group(
    id: &str,
    kind: impl Into<GroupKind>,
    title: String,
    lines: Vec<Line>,
    series: Option<Series>,
) -> GroupResult {
    let verdict = worst(&lines);
    let kind = kind.into();
    let nothing = "nothing is judged here: the plan states no limit for it";
    let notes = if lines.is_empty() { vec![nothing.to_owned()] } else { Vec::new() };
    let source = None;
    GroupResult { id: id.to_owned(), kind, title, verdict, lines, series, source, notes }
}

pub(in crate::verification) fn line(
    step: Option<&str>,
    measure: &str,
    what: impl Into<String>,
    unit: &str,
    judged: Judged,
) -> Line {
    let (step, unit) = (step.map(str::to_owned), unit.to_owned());
    let measure = measure.to_owned();
    Line {
        step,
        measure,
        part: None,
        what: what.into(),
        unit,
        text: None,
        remark: false,
        of: Vec::new(),
        judged,
    }
}

impl<'a> Bench<'a> {
    fn new(evidence: &'a Evidence<'a>) -> Self {
        let mut bench = Self { evidence, findings: BTreeMap::new() };
        let all = evidence.steps.iter().map(|step| (step.id.as_str(), bench.findings_of(step)));
        bench.findings = all.collect();
        // What is wrong with a capture is wrong with it for every step that takes it.
        let of_capture = [Fault::OtherOutput, Fault::ScaleSuspected].map(FindingCode::from);
        let file = |id: &str| bench.outcome(id).ok().map(|outcome| &outcome.file);
        let mut more: Vec<(&str, Finding)> = Vec::new();
        for (id, findings) in &bench.findings {
            for finding in findings.iter().filter(|f| f.blocks() && of_capture.contains(&f.code)) {
                let others = evidence.steps.iter().map(|step| step.id.as_str());
                let same =
                    |other: &&str| other != id && file(other).is_some() && file(other) == file(id);
                more.extend(others.filter(same).map(|other| (other, finding.clone())));
            }
        }
        for (id, finding) in more {
            let own = bench.findings.entry(id).or_default();
            if !own.iter().any(|known| known.code == finding.code) {
                own.push(finding);
            }
        }
        bench
    }

    /// What is not as a step says: of its files, then of its capture. Several captures of one step have
    /// no outcome that counts.
    fn findings_of(&self, step: &Step) -> Vec<Finding> {
        let Some(found) = self.found(&step.id) else { return Vec::new() };
        let mut findings = found.findings.clone();
        if let Ok(outcome) = self.outcome(&step.id) {
            let own = outcome.findings.iter().cloned();
            findings.extend(own.map(|finding| self.mixed_up(finding, outcome)));
            let fails = outcome.limits.iter().any(|limit| limit.judged.verdict == Verdict::Fail);
            let named = findings.iter().any(Finding::blocks);
            if let Some(other) = self.mistaken_for(outcome).filter(|_| fails && !named) {
                findings.push(Finding {
                    code: Fault::OtherOutput.into(),
                    message: format!(
                        "the capture misses its limits but keeps those of `{other}`, which has no capture \
                         of its own that fits: the file was probably saved under the wrong name"
                    ),
                    at_best: Some(Verdict::NotMeasured),
                });
            }
        }
        findings
    }

    /// A capture that looks like another setting's, where that setting has none that fits, was most
    /// likely saved under the wrong name: a mistake of the bench, no failure of the unit.
    fn mixed_up(&self, finding: Finding, outcome: &CaptureOutcome) -> Finding {
        let wrong = [Fault::SequenceMismatch, Fault::OutputSwapped];
        if !wrong.iter().any(|fault| finding.code == (*fault).into()) {
            return finding;
        }
        let Some(other) = self.mistaken_for(outcome) else { return finding };
        Finding {
            code: Fault::OtherOutput.into(),
            message: format!(
                "{}. Setting `{other}` has no capture of its own that fits, so that the file was probably \
                 saved under the wrong name: capture again; if it is the same then, the unit fails",
                finding.message
            ),
            at_best: Some(Verdict::NotMeasured),
        }
    }

    /// The setting that a capture was most likely taken at, where it looks like another one that has no
    /// capture of its own that fits.
    fn mistaken_for<'b>(&self, outcome: &'b CaptureOutcome) -> Option<&'b String> {
        let wrong = [Fault::SequenceMismatch, Fault::OutputSwapped];
        let misses = |other: &CaptureOutcome| {
            let by_kind =
                other.findings.iter().any(|f| wrong.iter().any(|code| f.code == (*code).into()));
            by_kind || other.limits.iter().any(|limit| limit.judged.verdict == Verdict::Fail)
        };
        let without = |setting: &&String| {
            let steps = self.evidence.steps.iter();
            let mut own = steps.filter(|step| {
                step.setting.as_ref() == Some(*setting) && step.kind.facts().needs.limits
            });
            own.all(|step| self.outcome(&step.id).map_or(true, misses))
        };
        outcome.looks_like.iter().find(without)
    }

    /// Why the capture of a step leaves no ground for a verdict.
    pub(in crate::verification) fn blocked(&self, step: &str) -> Option<&Finding> {
        self.findings.get(step)?.iter().find(|finding| finding.blocks())
    }

    /// Lines of captures that don't count are not measured; others are no better than their capture.
    /// What follows from several is no better than the worst of them.
    fn hold_back(&self, group: &mut GroupResult) {
        let own: Vec<&str> = self.steps_of(&group.id).map(|step| step.id.as_str()).collect();
        for line in &mut group.lines {
            // A line of several captures names them, or rests on all of the entry.
            let of_line = |id: &&&str| match line.step.as_deref() {
                Some(step) => step == **id,
                None => line.of.is_empty() || line.of.iter().any(|step| step == **id),
            };
            let ids: Vec<&str> = own.iter().filter(of_line).copied().collect();
            let blocked = ids.iter().find_map(|id| Some((id, self.blocked(id)?)));
            if let Some((id, why)) = blocked {
                let what = if line.step.is_some() { String::new() } else { format!("{id}: ") };
                line.judged.block(&format!("{what}{}", why.message));
                continue;
            }
            let worst = ids
                .iter()
                .flat_map(|id| self.findings.get(id).into_iter().flatten())
                .filter_map(|finding| Some((finding.at_best?, finding)))
                .max_by_key(|(at_best, _)| *at_best);
            if let Some((at_best, finding)) = worst.filter(|(at, _)| *at > line.judged.verdict) {
                line.judged.verdict = at_best;
                line.judged.reason.get_or_insert_with(|| finding.message.clone());
            }
        }
        if !group.lines.is_empty() {
            group.verdict = worst(&group.lines);
        }
        // Pictures and what follows from all points show no more than the lines do.
        for point in group.series.iter_mut().flat_map(|series| &mut series.points) {
            let own = group.lines.iter().filter(|line| line.step.as_ref() == Some(&point.step));
            let lines = own.map(|line| line.judged.verdict).max();
            let blocked = self.blocked(&point.step).map(|_| Verdict::NotMeasured);
            point.verdict = blocked.or(lines).unwrap_or(point.verdict).max(point.verdict);
        }
        if own.iter().any(|id| self.blocked(id).is_some()) {
            group.source = None;
        }
    }

    pub(in crate::verification) fn rule(&self) -> &'a Decision {
        &self.evidence.profile.decision
    }

    fn found(&self, step: &str) -> Option<&'a Found> {
        self.evidence.found.get(step)
    }

    /// The capture of a step.
    pub(in crate::verification) fn outcome(
        &self,
        step: &str,
    ) -> Result<&'a CaptureOutcome, Unjudged> {
        let Some(found) = self.found(step) else { return Err(Unjudged::NotCaptured) };
        if found.repeated {
            return Err(Unjudged::ClaimedTwice);
        }
        match (&found.outcome, &found.unreadable) {
            (Some(outcome), _) => Ok(outcome),
            (None, Some(reason)) => Err(Unjudged::Unreadable(reason.clone())),
            (None, None) => Err(Unjudged::NotCaptured),
        }
    }

    pub(in crate::verification) fn steps_of(&self, group: &str) -> impl Iterator<Item = &'a Step> {
        let steps: &'a [Step] = self.evidence.steps;
        let group = group.to_owned();
        steps.iter().filter(move |step| step.group == group)
    }

    pub(in crate::verification) fn part(&self, setting: &str, stated: Option<Part>) -> Part {
        self.evidence.profile.setting(setting).map_or(Part::Whole, |s| part_of(s, stated))
    }

    /// The part of a step's record that holds its output: as the plan says; else the only kind of
    /// output that is in it, or its cycles. A whole record holds rest as well, which waters a power down.
    pub(in crate::verification) fn output_of(&self, step: &str, planned: Part) -> Part {
        let Some(outcome) = self.outcome(step).ok().filter(|_| planned == Part::Whole) else {
            return planned;
        };
        let has = |part: Part| outcome.number(Measure::Power, part).is_ok();
        match (has(Part::Cut), has(Part::Coag)) {
            (true, false) => Part::Cut,
            (false, true) => Part::Coag,
            _ if has(Part::Cycle) => Part::Cycle,
            _ => planned,
        }
    }

    /// Whether the captures of all steps were taken with the same instruments, so that they share the
    /// errors of their scales; and whether into the same load.
    pub(in crate::verification) fn shared(&self, steps: &[&Step]) -> (bool, bool) {
        let keys = |key: fn(&CaptureOutcome) -> Option<Sha256>| {
            let mut keys = steps.iter().filter_map(|step| self.outcome(&step.id).ok().map(key));
            let first = keys.next();
            first.flatten().is_some_and(|first| keys.all(|key| key == Some(first)))
        };
        (keys(|outcome| outcome.instruments_key), keys(|outcome| outcome.load_key))
    }

    /// A line with what is in doubt about a measure of some steps' captures, from which it follows.
    pub(in crate::verification) fn in_doubt(
        &self,
        mut judged: Judged,
        steps: &[&Step],
        measure: Measure,
        part: Part,
    ) -> Judged {
        for step in steps {
            if let Ok(outcome) = self.outcome(&step.id) {
                judged = judged.doubted_from(measure, part, &outcome.flags);
            }
        }
        judged
    }

    /// A measure of one step between bounds, with what is in doubt about it.
    pub(in crate::verification) fn judge_one(
        &self,
        step: &str,
        (measure, part): (Measure, Part),
        nominal: Option<f64>,
        bounds: Bounds,
    ) -> Judged {
        let found = self.number(step, measure, part).map(|number| &number.estimate);
        let judged = Judged::of(found, nominal, bounds, self.rule());
        match self.outcome(step) {
            Ok(outcome) => judged.doubted(measure, part, &outcome.flags),
            Err(_) => judged,
        }
    }

    pub(in crate::verification) fn mode(&self, setting: &str) -> String {
        let of = self.evidence.profile.setting(setting);
        of.and_then(|setting| setting.mode.clone()).unwrap_or_else(|| setting.to_owned())
    }

    fn groups(&self) -> Vec<GroupResult> {
        let profile = self.evidence.profile;
        let entries = profile.entries().filter_map(|(_, entry)| entry.judge(self));
        entries.chain(profile.plan.power_1s_max_w.map(|limit| self.strongest(limit))).collect()
    }

    /// A step and the worst of its own lines and findings.
    fn step(&self, step: &Step, groups: &[GroupResult]) -> StepResult {
        let lines = groups
            .iter()
            .filter(|group| group.id == step.group)
            .flat_map(|group| &group.lines)
            .filter(|line| line.step.as_ref() == Some(&step.id));
        let found = self.found(&step.id);
        let read = self.evidence.readings.iter().any(|reading| reading.step == step.id);
        let state = match found {
            Some(found) if found.repeated => StepState::Repeated,
            Some(found) if found.outcome.is_some() => StepState::Done,
            Some(found) if found.unreadable.is_some() => StepState::Unreadable,
            _ if read => StepState::Done,
            _ => StepState::Missing,
        };
        let outcome = found.and_then(|found| found.outcome.as_ref()).filter(|_| {
            // Where several claim a step none of them counts.
            state == StepState::Done
        });
        let findings = self.findings.get(step.id.as_str()).cloned().unwrap_or_default();
        let start = if state == StepState::Done { Verdict::Pass } else { Verdict::NotMeasured };
        let verdict = lines
            .map(|line| line.judged.verdict)
            .chain(findings.iter().filter_map(|finding| finding.at_best))
            .fold(start, Verdict::max);
        // A mistake of the bench is no failure of the unit.
        let verdict =
            if findings.iter().any(Finding::blocks) { Verdict::NotMeasured } else { verdict };
        StepResult {
            id: step.id.clone(),
            group: step.group.clone(),
            kind: step.kind,
            what: step.what.clone(),
            setting: step.setting.clone(),
            dial: step.dial,
            load: step.load,
            shares: step.shares.clone().filter(|host| {
                let file = |id: &str| Some(&self.outcome(id).ok()?.file);
                outcome.is_some_and(|own| file(host) == Some(&own.file))
            }),
            state,
            verdict,
            findings,
            capture: outcome.map(Arc::clone),
            set_aside: found.map(|found| found.set_aside.clone()).unwrap_or_default(),
        }
    }

    /// A number of a step, or why there is none.
    pub(in crate::verification) fn number(
        &self,
        step: &str,
        measure: Measure,
        part: Part,
    ) -> Result<&'a KeptMeasure, Unjudged> {
        Ok(self.outcome(step)?.number(measure, part)?)
    }
}

pub(in crate::verification) fn point(
    x: f64,
    found: &Estimate,
    verdict: Verdict,
    step: &str,
) -> CurvePoint {
    let expanded_uncertainty = found.expanded();
    CurvePoint { x, y: found.value, expanded_uncertainty, verdict, step: step.to_owned() }
}

pub(in crate::verification) fn series(
    x: (&str, &str),
    y: (&str, &str),
    expected: Vec<[f64; 4]>,
    limit: Option<f64>,
    points: Vec<CurvePoint>,
) -> Series {
    Series {
        x: x.0.into(),
        x_unit: x.1.into(),
        y: y.0.into(),
        y_unit: y.1.into(),
        expected,
        limit,
        points,
    }
}
