//! `[[setting]]`: one setting against its limits.

use super::Needs;
use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table};
use crate::check::Judged;
use crate::profile::{Limit, Setting};
use crate::units::for_people;
use crate::verification::judge::{Bench, group, line};
use crate::verification::result::{GroupResult, Line};
use crate::verification::step::{CaptureNeed, Planned, Step};
use crate::verification::unjudged::Unjudged;

pub(super) const FACTS: Facts = Facts {
    title: "setting",
    needs: Needs { limits: true, picture: true, ..INTO_LOAD.needs },
    own_sequence: false,
    ..INTO_LOAD
};

impl Entry for Setting {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, _: &Profile) -> Result<(), Fault> {
        if self.load_ohm.is_some_and(|ohm| !(ohm.is_finite() && ohm > 0.0)) {
            return at.fault("load_ohm", "a load is above 0 ohm");
        }
        if let Some((key, message)) = self.kinds.fault() {
            return at.fault_in("kinds", key, message);
        }
        for (place, limit) in self.limit.iter().enumerate() {
            if let Err((key, message)) = limit.bounds(limit.measure.unit()) {
                return at.inner(("limit", place), key, message);
            }
        }
        Ok(())
    }

    fn steps(&self, profile: &Profile) -> Vec<Step> {
        if self.limit.is_empty() {
            return Vec::new();
        }
        let load = profile.load_of(&self.id, None);
        vec![
            Planned {
                kind: StepKind::Setting,
                group: &self.id,
                index: 0,
                id: self.id.clone(),
                setting: &self.id,
                dial: None,
                load,
                more: "",
                capture: CaptureNeed::Any,
                wanted: wanted(self),
                power_w: None,
            }
            .step(profile),
        ]
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        if self.limit.is_empty() {
            return None;
        }
        let outcome = bench.outcome(&self.id);
        let lines = self.limit.iter().enumerate().map(|(k, limit)| {
            let unit = limit.measure.unit();
            // They were judged in the order of the plan; one measure may have several limits.
            let kept = outcome.as_ref().ok().and_then(|outcome| {
                let kept = outcome.limits.get(k)?;
                (kept.measure == limit.measure && kept.part == limit.part).then_some(kept)
            });
            let judged = kept.map(|kept| kept.judged.clone()).unwrap_or_else(|| {
                let reason = outcome.as_ref().err().cloned().unwrap_or(Unjudged::NotCompared);
                let bounds = limit.bounds(unit).unwrap_or((None, None));
                Judged::of(Err(reason), limit.nominal, bounds, bench.rule())
            });
            let what = format!("{}, {}", limit.measure.title(), limit.part.name());
            let measure = limit.measure.key();
            let row = line(Some(&self.id), measure, what, unit.symbol(), judged);
            Line { part: Some(limit.part), ..row }
        });
        let dial = self.dial.map_or(String::new(), |dial| format!(" at {dial}"));
        let title = format!("{}{dial}", bench.mode(&self.id));
        Some(group(&self.id, StepKind::Setting, title, lines.collect(), None))
    }
}

/// What is wanted, in words.
fn wanted(setting: &Setting) -> String {
    let one = |limit: &Limit| {
        let unit = limit.measure.unit();
        let shown = |x: f64| for_people(x, unit);
        let what = format!("{}, {}", limit.measure.title(), limit.part.name());
        match (limit.nominal, &limit.tolerance, limit.min, limit.max) {
            (Some(nominal), Some(tolerance), ..) => {
                format!("{what}: {} ± {tolerance}", shown(nominal))
            }
            (_, _, Some(low), Some(high)) => format!("{what}: {} to {}", shown(low), shown(high)),
            (_, _, Some(low), None) => format!("{what}: at least {}", shown(low)),
            (_, _, None, Some(high)) => format!("{what}: at most {}", shown(high)),
            _ => what,
        }
    };
    setting.limit.iter().map(one).collect::<Vec<_>>().join("; ")
}
