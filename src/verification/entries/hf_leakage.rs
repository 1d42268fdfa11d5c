//! `[[hf_leakage]]`: HF current through a resistance to earth.

use super::Wiring;
use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table};
use crate::check::Judged;
use crate::measures::Measure;
use crate::result::Part;
use crate::units::{Unit, for_people};
use crate::verification::judge::{Bench, group, line};
use crate::verification::result::GroupResult;
use crate::verification::single;
use crate::verification::step::{CaptureNeed, Load, Planned, Step};
use crate::verification::unjudged::Unjudged;
use serde::Deserialize;

/// `[[hf_leakage]]`: HF current through a resistance to earth.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HfLeakage {
    /// Identifier.
    pub id: String,
    /// Setting of the profile that is activated.
    pub setting: String,
    /// From where to where, in words.
    pub path: String,
    /// Number on the dial, where it is not the setting's.
    pub dial: Option<f64>,
    /// Resistance it flows through, ohm.
    pub load_ohm: f64,
    /// Largest current (RMS), A.
    pub max_a: Option<f64>,
    /// Or: largest share of the rated power into that resistance.
    pub share_of_rated: Option<f64>,
    /// Rated power, W, that goes with it.
    pub rated_w: Option<f64>,
}

impl HfLeakage {
    /// Largest current, A: stated, or that of a share of the rated power, sqrt(share P / R).
    #[must_use]
    pub fn limit_a(&self) -> Option<f64> {
        self.max_a.or_else(|| {
            let power = self.share_of_rated? * self.rated_w?;
            Some((power / self.load_ohm).sqrt())
        })
    }
}

pub(super) const FACTS: Facts = Facts {
    title: "HF leakage",
    wiring: Wiring::Earth,
    own_sequence: false,
    rated: false,
    shows_output: false,
    ..INTO_LOAD
};

impl Entry for HfLeakage {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, profile: &Profile) -> Result<(), Fault> {
        at.setting(profile, &self.setting)?;
        at.positive("load_ohm", Some(self.load_ohm))?;
        for (key, value) in [
            ("max_a", self.max_a),
            ("share_of_rated", self.share_of_rated),
            ("rated_w", self.rated_w),
        ] {
            at.positive(key, value)?;
        }
        if self.share_of_rated.is_some() != self.rated_w.is_some()
            || self.max_a.is_some() == self.rated_w.is_some()
        {
            return at.fault("id", "give either max_a, or share_of_rated and rated_w");
        }
        Ok(())
    }

    fn steps(&self, profile: &Profile) -> Vec<Step> {
        let (load, more) = (Some(Load::Ohm(self.load_ohm)), format!(", {}", self.path));
        vec![
            Planned {
                kind: StepKind::HfLeakage,
                group: &self.id,
                index: 0,
                id: self.id.clone(),
                setting: &self.setting,
                dial: self.dial,
                load,
                more: &more,
                capture: CaptureNeed::Own,
                wanted: self
                    .limit_a()
                    .map_or(String::new(), |a| format!("at most {}", for_people(a, Unit::Ampere))),
                power_w: None,
            }
            .step(profile),
        ]
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        // The largest current while there is output: rest between would water it down.
        let outcome = bench.outcome(&self.id);
        let parts = [Part::Cut, Part::Coag, Part::Whole];
        let of = |part: Part| {
            let outcome = outcome.clone()?;
            single::current(outcome, part).map(|found| (found, part)).map_err(Unjudged::from)
        };
        let largest = parts[..2]
            .iter()
            .filter_map(|part| of(*part).ok())
            .max_by(|a, b| a.0.value.total_cmp(&b.0.value));
        let found = largest.map_or_else(|| of(Part::Whole), Ok);
        let part = found.as_ref().map_or(Part::Whole, |(_, part)| *part);
        let found = found.as_ref().map(|(found, _)| found).map_err(Clone::clone);
        let judged = Judged::of(found, None, (None, self.limit_a()), bench.rule());
        let judged = match &outcome {
            Ok(outcome) => judged.doubted(Measure::CurrentRms, part, &outcome.flags),
            Err(_) => judged,
        };
        let what = format!("HF current, {}", self.path);
        let row = line(Some(&self.id), Measure::CurrentRms.key(), what, "A", judged);
        let title = format!("HF leakage, {}", self.path);
        let mut found = group(&self.id, StepKind::HfLeakage, title, vec![row], None);
        if let (Some(share), Some(rated)) = (self.share_of_rated, self.rated_w) {
            found.notes.push(format!(
                "limit: {} % of the rated {rated} W into {} Ω",
                100.0 * share,
                self.load_ohm
            ));
        }
        Some(found)
    }
}
