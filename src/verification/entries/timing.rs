//! `[[timing]]`: output against the switch.

use super::Needs;
use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table};
use crate::check::Judged;
use crate::units::{Unit, for_people};
use crate::verification::estimate;
use crate::verification::judge::{Bench, group, line};
use crate::verification::result::GroupResult;
use crate::verification::step::{CaptureNeed, Planned, Step};
use crate::verification::unjudged::Unjudged;
use serde::Deserialize;

/// `[[timing]]`: output against the switch.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Timing {
    /// Identifier.
    pub id: String,
    /// Setting of the profile that is activated.
    pub setting: String,
    /// Load, ohm; the setting's if left out.
    pub load_ohm: Option<f64>,
    /// Longest time from pressing to output, s.
    pub start_max_s: Option<f64>,
    /// Longest time from letting go to the end of output, s.
    pub end_max_s: Option<f64>,
}

pub(super) const FACTS: Facts = Facts {
    title: "output against switch",
    needs: Needs { switch: true, ..INTO_LOAD.needs },
    shows_output: false,
    ..INTO_LOAD
};

impl Timing {
    /// What is wanted, in words.
    fn wanted(&self) -> String {
        let of = |limit: Option<f64>, what: &str| {
            limit.map(|s| format!("{what} within {}", for_people(s, Unit::Second)))
        };
        let both = [of(self.start_max_s, "starts"), of(self.end_max_s, "ends")];
        both.into_iter().flatten().collect::<Vec<_>>().join("; ")
    }
}

impl Entry for Timing {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, profile: &Profile) -> Result<(), Fault> {
        at.setting(profile, &self.setting)?;
        at.load(profile, &self.setting, self.load_ohm)?;
        at.positive("start_max_s", self.start_max_s)?;
        at.positive("end_max_s", self.end_max_s)?;
        if self.start_max_s.is_none() && self.end_max_s.is_none() {
            return at.fault("id", "give start_max_s, end_max_s or both");
        }
        Ok(())
    }

    fn steps(&self, profile: &Profile) -> Vec<Step> {
        let load = profile.load_of(&self.setting, self.load_ohm);
        let more = ", with the switch on a third channel";
        vec![
            Planned {
                kind: StepKind::Timing,
                group: &self.id,
                index: 0,
                id: self.id.clone(),
                setting: &self.setting,
                dial: None,
                load,
                more,
                capture: CaptureNeed::Own,
                wanted: self.wanted(),
                power_w: None,
            }
            .step(profile),
        ]
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        let outcome = bench.outcome(&self.id);
        let mut lines = Vec::new();
        for (limit, start, what) in [
            (self.start_max_s, true, "from pressing to output"),
            (self.end_max_s, false, "from letting go to the end of output"),
        ] {
            let Some(limit) = limit else { continue };
            // Output before the press is as wrong as output long after it.
            let mut bounds = (None, Some(limit));
            let found = outcome.as_ref().map_err(Clone::clone).and_then(|outcome| {
                let Some(times) = outcome.switch else {
                    return Err(Unjudged::NoSwitch);
                };
                if times.unpaired > 0 {
                    return Err(Unjudged::Unpaired(times.unpaired));
                }
                let mut time = if start { times.start_s } else { times.end_s };
                let u = times.standard_uncertainty_s;
                if let Some(early) = times.earliest_s.filter(|early| start && *early < -3.0 * u) {
                    (time, bounds.0) = (Some(early), Some(0.0));
                }
                let time = time.ok_or(Unjudged::NoEdge)?;
                estimate(time, u, f64::INFINITY).ok_or(Unjudged::NotFinite)
            });
            let found = found.as_ref().map_err(Clone::clone);
            let judged = Judged::of(found, None, bounds, bench.rule());
            let measure = if start { "start_s" } else { "end_s" };
            lines.push(line(Some(&self.id), measure, what, "s", judged));
        }
        let title = format!("{}: output against the switch", bench.mode(&self.setting));
        Some(group(&self.id, StepKind::Timing, title, lines, None))
    }
}
