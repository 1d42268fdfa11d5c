//! What is judged entry by entry: readings, settings, leakage, repetition, timing, the strongest.

use super::curves::{point, series};
use super::{Bench, group, line};
use crate::check::{Judged, Verdict};
use crate::estimate::Estimate;
use crate::measures::catalog;
use crate::units::{Unit, for_people};
use crate::verification::manual::{Settled, settle};
use crate::verification::outcome::Number;
use crate::verification::result::{GroupKind, GroupResult, JobWide};
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
        let lines = setting.limit.iter().map(|limit| {
            let of = catalog::find(&limit.measure);
            let unit = of.map_or(Unit::One, |measure| measure.unit);
            let kept = outcome.as_ref().ok().and_then(|outcome| {
                let mut kept = outcome.limits.iter();
                kept.find(|kept| kept.measure == limit.measure && kept.part == limit.part)
            });
            let judged = kept.map(|kept| kept.judged.clone()).unwrap_or_else(|| {
                let reason = outcome.as_ref().err().cloned().unwrap_or_else(|| "not told".into());
                let bounds = limit.bounds(unit).unwrap_or((None, None));
                Judged::of(Err(reason), limit.nominal, bounds, self.rule())
            });
            let title = of.map_or(limit.measure.as_str(), |measure| measure.title);
            let what = format!("{title}, {}", limit.part.name());
            let measure = format!("{} in {}", limit.measure, limit.part.name());
            line(Some(&setting.id), &measure, what, unit.symbol(), judged)
        });
        let dial = setting.dial.map_or(String::new(), |dial| format!(" at {dial}"));
        let title = format!("{}{dial}", self.mode(&setting.id));
        group(&setting.id, StepKind::Setting, title, lines.collect(), None)
    }

    pub(super) fn leakage(&self, leakage: &crate::profile::HfLeakage) -> GroupResult {
        let part = self.part(&leakage.setting, None);
        let found = self.outcome(&leakage.id).and_then(|outcome| single::current(outcome, part));
        let found = found.as_ref().map_err(Clone::clone);
        let judged = Judged::of(found, None, (None, leakage.limit_a()), self.rule());
        let what = format!("HF current, {}", leakage.path);
        let row = line(Some(&leakage.id), "current_rms_a", what, "A", judged);
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
        let powers: Result<Vec<&Number>, String> =
            steps.iter().map(|step| self.number(&step.id, "power_w", part)).collect();
        let mut lines = Vec::new();
        if let Some(limit) = repeat.spread {
            let found = powers.as_ref().map_err(Clone::clone).and_then(|powers| {
                let values: Vec<f64> = powers.iter().map(|n| n.estimate.value).collect();
                spread::spread(&values).ok_or_else(|| "the powers have no mean above 0".into())
            });
            let found = found.as_ref().map_err(Clone::clone);
            let judged = Judged::of(found, None, (None, Some(limit)), self.rule());
            let what = format!("relative standard deviation of {} activations", steps.len());
            lines.push(line(None, "spread", what, "", judged));
        }
        if let Some(limit) = repeat.drift {
            for step in &steps {
                let drift = self.outcome(&step.id).and_then(|outcome| {
                    outcome.drift.ok_or_else(|| "the output is too short to tell a drift".into())
                });
                let found = drift.as_ref().map_err(Clone::clone).and_then(|drift| {
                    estimate(drift.relative, drift.standard_uncertainty, drift.degrees_of_freedom)
                        .ok_or_else(|| "the drift is not a finite number".into())
                });
                let found = found.as_ref().map_err(Clone::clone);
                let judged = Judged::of(found, None, (Some(-limit), Some(limit)), self.rule());
                let over = drift.map_or(String::new(), |drift| {
                    format!(" over {}", for_people(drift.duration_s, Unit::Second))
                });
                let what = format!("change of power{over}, activation {}", step.index + 1);
                lines.push(line(Some(&step.id), "drift", what, "", judged));
            }
        }
        let points = steps.iter().filter_map(|step| {
            let number = self.number(&step.id, "power_w", part).ok()?;
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
            let found = outcome.as_ref().map_err(Clone::clone).and_then(|outcome| {
                let Some(times) = outcome.switch else {
                    return Err("the sheet names no switch channel, or it never moved".to_owned());
                };
                let time = if start { times.start_s } else { times.end_s };
                let time = time.ok_or("the switch or the output has no such edge in the record")?;
                estimate(time, times.standard_uncertainty_s, f64::INFINITY)
                    .ok_or_else(|| "the time is not a finite number".into())
            });
            let found = found.as_ref().map_err(Clone::clone);
            let judged = Judged::of(found, None, (None, Some(limit)), self.rule());
            let measure = if start { "start_s" } else { "end_s" };
            lines.push(line(Some(&timing.id), measure, what, "s", judged));
        }
        let title = format!("{}: output against the switch", self.mode(&timing.setting));
        group(&timing.id, StepKind::Timing, title, lines, None)
    }

    /// The largest power averaged over 1 s, over all captures.
    pub(super) fn strongest(&self, limit: f64) -> GroupResult {
        let all = self
            .evidence
            .steps
            .iter()
            .filter_map(|step| Some((step, single::largest_1s(self.outcome(&step.id).ok()?)?)));
        let found: Option<(&Step, (Estimate, bool))> =
            all.max_by(|a, b| a.1.0.value.total_cmp(&b.1.0.value));
        let judged = match &found {
            None => Err("nothing was captured".to_owned()),
            Some((_, (estimate, _))) => Ok(estimate),
        };
        let judged = Judged::of(judged, None, (None, Some(limit)), self.rule());
        let what = found.as_ref().map_or_else(
            || "largest power over 1 s".to_owned(),
            |(step, _)| format!("largest power over 1 s, in {}", step.id),
        );
        let rows = vec![line(None, "power_1s_max_w", what, "W", judged)];
        let title = "Largest power over all captures".to_owned();
        let mut result = group("power-1s", StepKind::Setting, title, rows, None);
        result.kind = GroupKind::Job(JobWide::AllCaptures);
        if found.is_some_and(|(_, (_, short))| short) {
            result.notes.push(
                "that record is shorter than 1 s: its strongest output is taken as if it went on"
                    .into(),
            );
        }
        result
    }
}
