//! What is judged entry by entry: readings, settings, leakage, repetition, timing, the strongest.

use super::curves::{point, series};
use super::{Bench, group, line};
use crate::check::{Judged, Verdict};
use crate::measures::Measure;
use crate::result::Part;
use crate::units::{Unit, for_people};
use crate::verification::manual::{Settled, settle};
use crate::verification::outcome::KeptMeasure;
use crate::verification::result::{GroupKind, GroupResult, JobWide, Line};
use crate::verification::single::OverOneSecond;
use crate::verification::step::{Step, StepKind};
use crate::verification::{estimate, single, spread};

impl Bench<'_> {
    pub(super) fn manual(&self, manual: &crate::profile::Manual) -> GroupResult {
        let rule = manual.decision.as_ref().unwrap_or_else(|| self.rule());
        let reading = self.evidence.readings.iter().rev().find(|reading| reading.step == manual.id);
        let settled = reading.map(|reading| settle(reading, manual));
        let bounds = (manual.min, manual.max);
        let mut text = None;
        let judged = match settled {
            None => Judged::of(Err("nothing was read".into()), None, bounds, rule),
            Some(Err(fault)) => Judged::of(Err(fault.message), None, bounds, rule),
            Some(Ok(Settled::Number(found))) => Judged::of(Ok(&found), None, bounds, rule),
            Some(Ok(Settled::YesNo(yes))) => {
                let (said, wanted) = (if yes { "yes" } else { "no" }, manual.answer.as_deref());
                text = Some(said.to_owned());
                let good = wanted == Some(said);
                Judged::answered(if good { Verdict::Pass } else { Verdict::Fail })
            }
            Some(Ok(Settled::Note(note))) => {
                text = Some(note);
                Judged::answered(Verdict::Pass)
            }
        };
        let unit = manual.unit.clone().unwrap_or_default();
        let mut row = line(Some(&manual.id), "reading", manual.what.clone(), &unit, judged);
        row.text = text;
        group(&manual.id, StepKind::Manual, manual.what.clone(), vec![row], None)
    }

    pub(super) fn setting(&self, setting: &crate::profile::Setting) -> GroupResult {
        let outcome = self.outcome(&setting.id);
        let lines = setting.limit.iter().enumerate().map(|(k, limit)| {
            let unit = limit.measure.unit();
            // They were judged in the order of the plan; one measure may have several limits.
            let kept = outcome.as_ref().ok().and_then(|outcome| {
                let kept = outcome.limits.get(k)?;
                (kept.measure == limit.measure && kept.part == limit.part).then_some(kept)
            });
            let judged = kept.map(|kept| kept.judged.clone()).unwrap_or_else(|| {
                let reason = outcome.as_ref().err().cloned().unwrap_or_else(|| "not told".into());
                let bounds = limit.bounds(unit).unwrap_or((None, None));
                Judged::of(Err(reason), limit.nominal, bounds, self.rule())
            });
            let what = format!("{}, {}", limit.measure.title(), limit.part.name());
            let measure = limit.measure.key();
            let row = line(Some(&setting.id), measure, what, unit.symbol(), judged);
            Line { part: Some(limit.part), ..row }
        });
        let dial = setting.dial.map_or(String::new(), |dial| format!(" at {dial}"));
        let title = format!("{}{dial}", self.mode(&setting.id));
        group(&setting.id, StepKind::Setting, title, lines.collect(), None)
    }

    pub(super) fn leakage(&self, leakage: &crate::profile::HfLeakage) -> GroupResult {
        // The largest current while there is output: rest between would water it down.
        let outcome = self.outcome(&leakage.id);
        let parts = [Part::Cut, Part::Coag, Part::Whole];
        let of = |part: Part| {
            let outcome = outcome.clone()?;
            single::current(outcome, part)
                .map(|found| (found, part))
                .map_err(|reason| reason.to_string())
        };
        let largest = parts[..2]
            .iter()
            .filter_map(|part| of(*part).ok())
            .max_by(|a, b| a.0.value.total_cmp(&b.0.value));
        let found = largest.map_or_else(|| of(Part::Whole), Ok);
        let part = found.as_ref().map_or(Part::Whole, |(_, part)| *part);
        let found = found.as_ref().map(|(found, _)| found).map_err(Clone::clone);
        let judged = Judged::of(found, None, (None, leakage.limit_a()), self.rule());
        let judged = match &outcome {
            Ok(outcome) => judged.doubted(Measure::CurrentRms, part, &outcome.flags),
            Err(_) => judged,
        };
        let what = format!("HF current, {}", leakage.path);
        let row = line(Some(&leakage.id), Measure::CurrentRms.key(), what, "A", judged);
        let title = format!("HF leakage, {}", leakage.path);
        let mut found = group(&leakage.id, StepKind::HfLeakage, title, vec![row], None);
        if let (Some(share), Some(rated)) = (leakage.share_of_rated, leakage.rated_w) {
            found.notes.push(format!(
                "limit: {} % of the rated {rated} W into {} Ω",
                100.0 * share,
                leakage.load_ohm
            ));
        }
        found
    }

    pub(super) fn repeat(&self, repeat: &crate::profile::Repeat) -> GroupResult {
        let part = self.part(&repeat.setting, repeat.part);
        let steps: Vec<&Step> = self.steps_of(&repeat.id).collect();
        let power =
            |step: &Step| self.number(&step.id, Measure::Power, self.output_of(&step.id, part));
        let powers: Result<Vec<&KeptMeasure>, String> =
            steps.iter().map(|step| power(step)).collect();
        let mut lines = Vec::new();
        if let Some(limit) = repeat.spread {
            let found = powers.as_ref().map_err(Clone::clone).and_then(|powers| {
                let values: Vec<f64> = powers.iter().map(|n| n.estimate.value).collect();
                spread::spread(&values).ok_or_else(|| "the powers have no mean above 0".into())
            });
            let found = found.as_ref().map_err(Clone::clone);
            let judged = Judged::of(found, None, (None, Some(limit)), self.rule());
            let judged = self.in_doubt(judged, &steps, Measure::Power, part);
            let what = format!("relative standard deviation of {} activations", steps.len());
            lines.push(line(None, "spread", what, "", judged));
        }
        if let Some(limit) = repeat.drift {
            for step in &steps {
                let drift = self.outcome(&step.id).and_then(|outcome| {
                    outcome.drift.filter(|drift| drift.duration_s >= DRIFT_S).ok_or_else(|| {
                        format!("{DRIFT_S} s of output at least tell a drift, as the unit warms up")
                    })
                });
                let found = drift.as_ref().map_err(Clone::clone).and_then(|drift| {
                    estimate(drift.relative, drift.standard_uncertainty, drift.degrees_of_freedom)
                        .ok_or_else(|| "the drift is not a finite number".into())
                });
                let found = found.as_ref().map_err(Clone::clone);
                let judged = Judged::of(found, None, (Some(-limit), Some(limit)), self.rule());
                let judged = self.in_doubt(judged, &[step], Measure::Power, part);
                let over = drift.map_or(String::new(), |drift| {
                    format!(" over {}", for_people(drift.duration_s, Unit::Second))
                });
                let what = format!("change of power{over}, activation {}", step.index + 1);
                lines.push(line(Some(&step.id), "drift", what, "", judged));
            }
        }
        let points = steps.iter().filter_map(|step| {
            let number = power(step).ok()?;
            Some(point(step.index as f64 + 1.0, &number.estimate, Verdict::Pass, &step.id))
        });
        let series = series(("activation", ""), ("power", "W"), Vec::new(), None, points.collect());
        let title = format!("{}: repeated activations", self.mode(&repeat.setting));
        group(&repeat.id, StepKind::Repeat, title, lines, Some(series))
    }

    pub(super) fn timing(&self, timing: &crate::profile::Timing) -> GroupResult {
        let outcome = self.outcome(&timing.id);
        let mut lines = Vec::new();
        for (limit, start, what) in [
            (timing.start_max_s, true, "from pressing to output"),
            (timing.end_max_s, false, "from letting go to the end of output"),
        ] {
            let Some(limit) = limit else { continue };
            // Output before the press is as wrong as output long after it.
            let mut bounds = (None, Some(limit));
            let found = outcome.as_ref().map_err(Clone::clone).and_then(|outcome| {
                let Some(times) = outcome.switch else {
                    return Err("the sheet names no switch channel, or it never moved".to_owned());
                };
                if times.unpaired > 0 {
                    return Err(format!(
                        "a press has no output of its own, or an output no press ({} in all): is the \
                         threshold of the switch right?",
                        times.unpaired
                    ));
                }
                let mut time = if start { times.start_s } else { times.end_s };
                let u = times.standard_uncertainty_s;
                if let Some(early) = times.earliest_s.filter(|early| start && *early < -3.0 * u) {
                    (time, bounds.0) = (Some(early), Some(0.0));
                }
                let time = time.ok_or("the switch or the output has no such edge in the record")?;
                estimate(time, u, f64::INFINITY)
                    .ok_or_else(|| "the time is not a finite number".into())
            });
            let found = found.as_ref().map_err(Clone::clone);
            let judged = Judged::of(found, None, bounds, self.rule());
            let measure = if start { "start_s" } else { "end_s" };
            lines.push(line(Some(&timing.id), measure, what, "s", judged));
        }
        let title = format!("{}: output against the switch", self.mode(&timing.setting));
        group(&timing.id, StepKind::Timing, title, lines, None)
    }

    /// The largest power averaged over 1 s, over all captures.
    pub(super) fn strongest(&self, limit: f64) -> GroupResult {
        let rated = |step: &Step| {
            let setting = self.evidence.profile.setting(step.setting.as_deref()?)?;
            let mixed = setting.sequence.len() > 1;
            let found = single::over_1s(self.outcome(&step.id).ok()?, mixed)?;
            Some((step.id.clone(), found))
        };
        // Each capture is judged; the one that is nearest to failing stands for all.
        let judged = |(step, found): (String, OverOneSecond)| {
            let (estimate, how) = match found {
                OverOneSecond::Measured(estimate) => (estimate, How::Measured),
                OverOneSecond::GoesOn(estimate) => (estimate, How::GoesOn),
                OverOneSecond::AtMost(estimate) => (estimate, How::AtMost),
            };
            let mut judged = Judged::of(Ok(&estimate), None, (None, Some(limit)), self.rule());
            // Of a part of what repeats only a pass tells anything.
            if how == How::AtMost && judged.verdict != Verdict::Pass {
                judged.verdict = Verdict::NotMeasured;
                judged.reason = Some(
                    "the record holds a part of what the setting repeats: capture 1 s or a cycle"
                        .into(),
                );
            }
            let reach = estimate.value + estimate.expanded().unwrap_or(0.0);
            (step, judged, how, reach)
        };
        let worst = self
            .evidence
            .steps
            .iter()
            .filter(|step| step.kind != StepKind::HfLeakage && step.kind != StepKind::OpenCircuit)
            .filter_map(rated)
            .map(judged)
            .max_by(|a, b| a.1.verdict.cmp(&b.1.verdict).then(a.3.total_cmp(&b.3)));
        let what = worst.as_ref().map_or_else(
            || "largest power over 1 s".to_owned(),
            |(step, ..)| format!("power over 1 s, nearest to the limit in {step}"),
        );
        let goes_on = worst.as_ref().is_some_and(|(_, _, how, _)| *how != How::Measured);
        let judged = worst.map_or_else(
            || {
                let nothing = Err("nothing was captured".to_owned());
                Judged::of(nothing, None, (None, Some(limit)), self.rule())
            },
            |(_, judged, ..)| judged,
        );
        let rows = vec![line(None, "power_1s_max_w", what, "W", judged)];
        let title = "Largest power over all captures".to_owned();
        let mut result = group("power-1s", StepKind::Setting, title, rows, None);
        result.kind = GroupKind::Job(JobWide::AllCaptures);
        if goes_on {
            result.notes.push(
                "that record is shorter than 1 s: its output is taken as if it went on".into(),
            );
        }
        result
    }
}

/// Where a power over 1 s comes from.
#[derive(Clone, Copy, PartialEq)]
enum How {
    Measured,
    GoesOn,
    AtMost,
}

/// Least output that tells whether power drifts as the unit warms up, s (common practice, no source).
const DRIFT_S: f64 = 5.0;
