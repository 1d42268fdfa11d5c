//! `[[repeat]]`: the same activation several times.

use super::Needs;
use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table};
use crate::check::{Judged, Verdict};
use crate::measures::Measure;
use crate::result::Part;
use crate::units::{Unit, for_people};
use crate::verification::judge::{Bench, group, line, point, series};
use crate::verification::outcome::KeptMeasure;
use crate::verification::result::GroupResult;
use crate::verification::step::{CaptureNeed, Planned, Step};
use crate::verification::unjudged::Unjudged;
use crate::verification::{estimate, spread};
use serde::Deserialize;

/// `[[repeat]]`: the same activation several times.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Repeat {
    /// Identifier.
    pub id: String,
    /// Whether its captures serve no other step, and no other capture serves it.
    #[serde(default)]
    pub own_capture: bool,
    /// Setting of the profile that is activated.
    pub setting: String,
    /// Part of the record the power is taken over.
    #[serde(rename = "in")]
    pub part: Option<Part>,
    /// Load, ohm; the setting's if left out.
    pub load_ohm: Option<f64>,
    /// Number of activations.
    pub count: usize,
    /// Largest relative standard deviation of the power.
    pub spread: Option<f64>,
    /// Largest relative change of the power from the start to the end of one activation.
    pub drift: Option<f64>,
}

pub(super) const FACTS: Facts = Facts {
    title: "repeated activations",
    needs: Needs { drift: true, ..INTO_LOAD.needs },
    ..INTO_LOAD
};

impl Repeat {
    /// The first activation may be any capture of the setting; a drift needs a long one.
    fn need(&self, index: usize) -> CaptureNeed {
        match (self.own_capture || index > 0, self.drift) {
            (true, _) => CaptureNeed::Own,
            (false, None) => CaptureNeed::Any,
            (false, Some(_)) => CaptureNeed::Long,
        }
    }
}

impl Entry for Repeat {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, profile: &Profile) -> Result<(), Fault> {
        at.setting(profile, &self.setting)?;
        at.load(profile, &self.setting, self.load_ohm)?;
        at.positive("spread", self.spread)?;
        at.positive("drift", self.drift)?;
        if !(2..=100).contains(&self.count) {
            return at.fault("count", "a repetition has 2 to 100 activations");
        }
        if self.spread.is_none() && self.drift.is_none() {
            return at.fault("id", "give spread, drift or both");
        }
        Ok(())
    }

    fn steps(&self, profile: &Profile) -> Vec<Step> {
        let load = profile.load_of(&self.setting, self.load_ohm);
        let one = |index: usize| {
            let id = format!("{}-{}", self.id, index + 1);
            let more = format!(", activation {} of {}", index + 1, self.count);
            Planned {
                kind: StepKind::Repeat,
                group: &self.id,
                index,
                id,
                setting: &self.setting,
                dial: None,
                load,
                more: &more,
                capture: self.need(index),
                wanted: String::new(),
                power_w: None,
            }
            .step(profile)
        };
        (0..self.count).map(one).collect()
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        let part = bench.part(&self.setting, self.part);
        let steps: Vec<&Step> = bench.steps_of(&self.id).collect();
        let power =
            |step: &Step| bench.number(&step.id, Measure::Power, bench.output_of(&step.id, part));
        let powers: Result<Vec<&KeptMeasure>, Unjudged> =
            steps.iter().map(|step| power(step)).collect();
        let mut lines = Vec::new();
        if let Some(limit) = self.spread {
            let found = powers.as_ref().map_err(Clone::clone).and_then(|powers| {
                let values: Vec<f64> = powers.iter().map(|n| n.estimate.value).collect();
                spread::spread(&values).ok_or(Unjudged::NoMean)
            });
            let found = found.as_ref().map_err(Clone::clone);
            let judged = Judged::of(found, None, (None, Some(limit)), bench.rule());
            let judged = bench.in_doubt(judged, &steps, Measure::Power, part);
            let what = format!("relative standard deviation of {} activations", steps.len());
            lines.push(line(None, "spread", what, "", judged));
        }
        if let Some(limit) = self.drift {
            for step in &steps {
                let drift = bench.outcome(&step.id).and_then(|outcome| {
                    outcome
                        .drift
                        .filter(|drift| drift.duration_s >= DRIFT_S)
                        .ok_or(Unjudged::TooShortForDrift(DRIFT_S))
                });
                let found = drift.as_ref().map_err(Clone::clone).and_then(|drift| {
                    estimate(drift.relative, drift.standard_uncertainty, drift.degrees_of_freedom)
                        .ok_or(Unjudged::NotFinite)
                });
                let found = found.as_ref().map_err(Clone::clone);
                let judged = Judged::of(found, None, (Some(-limit), Some(limit)), bench.rule());
                let judged = bench.in_doubt(judged, &[step], Measure::Power, part);
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
        let title = format!("{}: repeated activations", bench.mode(&self.setting));
        Some(group(&self.id, StepKind::Repeat, title, lines, Some(series)))
    }
}

/// Least output that tells whether power drifts as the unit warms up, s (common practice, no source).
const DRIFT_S: f64 = 5.0;
