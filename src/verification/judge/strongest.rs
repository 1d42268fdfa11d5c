//! The largest power averaged over 1 s, over all captures of a job.

use super::{Bench, group, line};
use crate::check::{Judged, Verdict};
use crate::verification::result::{GroupResult, JobWide};
use crate::verification::single::{self, OverOneSecond};
use crate::verification::step::Step;
use crate::verification::unjudged::Unjudged;

impl Bench<'_> {
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
            let mut judged =
                Judged::of(Ok::<_, Unjudged>(&estimate), None, (None, Some(limit)), self.rule());
            // Of a part of what repeats only a pass tells anything.
            if how == How::AtMost && judged.verdict != Verdict::Pass {
                judged.verdict = Verdict::NotMeasured;
                judged.reason = Some(
                    "the record covers only part of what the setting repeats: capture 1 s or a whole cycle"
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
            .filter(|step| step.kind.facts().rated && self.blocked(&step.id).is_none())
            .filter_map(rated)
            .map(judged)
            .max_by(|a, b| a.1.verdict.cmp(&b.1.verdict).then(a.3.total_cmp(&b.3)));
        let what = worst.as_ref().map_or_else(
            || "largest power over 1 s".to_owned(),
            |(step, ..)| format!("power over 1 s, nearest to the limit in {step}"),
        );
        let goes_on = worst.as_ref().is_some_and(|(_, _, how, _)| *how != How::Measured);
        let none = match self.evidence.found.values().any(|found| found.outcome.is_some()) {
            true => Unjudged::NoneUsable,
            false => Unjudged::NotCaptured,
        };
        let judged = worst.map_or_else(
            || Judged::of(Err(none), None, (None, Some(limit)), self.rule()),
            |(_, judged, ..)| judged,
        );
        let rows = vec![line(None, "power_1s_max_w", what, "W", judged)];
        let title = "Largest power over all captures".to_owned();
        let mut result = group("power-1s", JobWide::AllCaptures, title, rows, None);
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
