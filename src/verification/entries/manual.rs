//! `[[manual]]`: what is looked at or read from another instrument.

use super::Wiring;
use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table};
use crate::check::{Judged, Verdict};
use crate::estimate::Estimate;
use crate::profile::Decision;
use crate::units::Quantity;
use crate::verification::judge::{Bench, group, line};
use crate::verification::reading::{Settled, settle};
use crate::verification::result::GroupResult;
use crate::verification::step::{CaptureNeed, Expectation, Step};
use crate::verification::unjudged::Unjudged;
use serde::Deserialize;

/// `[[manual]]`: what is looked at or read from another instrument.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manual {
    /// Identifier.
    pub id: String,
    /// What is to be done, in words.
    pub what: String,
    /// Unit of a reading with limits, such as `mohm`, `mA`, `dB(A)`.
    pub unit: Option<String>,
    /// Smallest value that passes.
    pub min: Option<f64>,
    /// Largest value that passes.
    pub max: Option<f64>,
    /// Answer that passes, `yes` or `no`.
    pub answer: Option<String>,
    /// Expanded uncertainty of the reading at 95 %, such as `2 % or 1 mohm`.
    pub uncertainty: Option<String>,
    /// Decision rule, where it is not the profile's.
    pub decision: Option<Decision>,
}

/// What a manual step takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// A number with a unit.
    Number,
    /// yes or no.
    YesNo,
    /// A text; nothing is judged.
    Note,
}

impl Manual {
    /// What is wanted, in words.
    fn wanted(&self) -> String {
        let unit = self.unit.as_deref().unwrap_or_default();
        match (self.takes(), self.min, self.max) {
            (Answer::YesNo, ..) => self.answer.clone().unwrap_or_default(),
            (Answer::Note, ..) => "a note".into(),
            (_, Some(low), Some(high)) => format!("{low} to {high} {unit}"),
            (_, Some(low), None) => format!("at least {low} {unit}"),
            (_, None, Some(high)) => format!("at most {high} {unit}"),
            (_, None, None) => String::new(),
        }
    }

    /// What it takes.
    #[must_use]
    pub fn takes(&self) -> Answer {
        if self.answer.is_some() {
            Answer::YesNo
        } else if self.min.is_some() || self.max.is_some() {
            Answer::Number
        } else {
            Answer::Note
        }
    }
}

pub(super) const FACTS: Facts = Facts {
    title: "manual check",
    wiring: Wiring::None,
    own_sequence: false,
    rated: false,
    shows_output: false,
    ..INTO_LOAD
};

impl Entry for Manual {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, _: &Profile) -> Result<(), Fault> {
        at.ordered("min", self.min, self.max)?;
        match self.takes() {
            Answer::Number => {
                let Some(unit) = &self.unit else {
                    return at.fault("id", "a reading with limits needs its unit");
                };
                if let Some(text) = &self.uncertainty
                    && let Err(error) = Quantity::share_or_amount(text, unit)
                {
                    return at.fault("uncertainty", error.to_string());
                }
            }
            Answer::YesNo => {
                if self.min.is_some() || self.max.is_some() || self.unit.is_some() {
                    return at.fault("answer", "an answer of yes or no has no unit and no limits");
                }
                if !matches!(self.answer.as_deref(), Some("yes" | "no")) {
                    return at.fault("answer", "the answer that passes is \"yes\" or \"no\"");
                }
            }
            Answer::Note => {
                if self.unit.is_some() || self.uncertainty.is_some() {
                    return at
                        .fault("id", "a unit or uncertainty without min or max judges nothing");
                }
            }
        }
        at.decision(self.decision.as_ref())?;
        Ok(())
    }

    fn steps(&self, _: &Profile) -> Vec<Step> {
        vec![Step {
            id: self.id.clone(),
            group: self.id.clone(),
            kind: StepKind::Manual,
            index: 0,
            setting: None,
            dial: None,
            load: None,
            what: self.what.clone(),
            answer: Some(self.takes()),
            capture: CaptureNeed::Own,
            shares: None,
            wanted: self.wanted(),
            expected: Expectation::default(),
        }]
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        let rule = self.decision.as_ref().unwrap_or_else(|| bench.rule());
        let reading = bench.evidence.readings.iter().rev().find(|reading| reading.step == self.id);
        let settled = reading.map(|reading| settle(reading, self));
        let bounds = (self.min, self.max);
        let mut text = None;
        let judged = match settled {
            None => Judged::of(Err(Unjudged::NotRead), None, bounds, rule),
            Some(Err(fault)) => Judged::of(Err(Unjudged::Reading(fault)), None, bounds, rule),
            Some(Ok(Settled::Number(found))) => {
                Judged::of(Ok::<_, Unjudged>(&found), None, bounds, rule)
            }
            Some(Ok(Settled::Above(bound))) => {
                text =
                    Some(format!("> {} {}", bound.value, self.unit.as_deref().unwrap_or_default()));
                one_sided(self, true, &bound, rule)
            }
            Some(Ok(Settled::Below(bound))) => {
                text =
                    Some(format!("< {} {}", bound.value, self.unit.as_deref().unwrap_or_default()));
                one_sided(self, false, &bound, rule)
            }
            Some(Ok(Settled::Overflow)) => {
                text = Some("OL".to_owned());
                Judged::of(Err(Unjudged::Overflow), None, bounds, rule)
            }
            Some(Ok(Settled::YesNo(yes))) => {
                let (said, wanted) = (if yes { "yes" } else { "no" }, self.answer.as_deref());
                text = Some(said.to_owned());
                let good = wanted == Some(said);
                Judged::answered(if good { Verdict::Pass } else { Verdict::Fail })
            }
            Some(Ok(Settled::Note(note))) => {
                text = Some(note);
                Judged::answered(Verdict::Pass)
            }
        };
        let unit = self.unit.clone().unwrap_or_default();
        let mut row = line(Some(&self.id), "reading", self.what.clone(), &unit, judged);
        row.text = text;
        row.remark = self.takes() == Answer::Note;
        Some(group(&self.id, StepKind::Manual, self.what.clone(), vec![row], None))
    }
}

/// A value that is only known to lie above or below a number: judged where even that number, with its
/// uncertainty, tells the verdict.
fn one_sided(manual: &Manual, above: bool, bound: &Estimate, rule: &Decision) -> Judged {
    let side = if above { "above" } else { "below" };
    let unknown = Unjudged::OneSided { side, bound: bound.value };
    let bounds = (manual.min, manual.max);
    let open = Judged::of(Err(unknown), None, bounds, rule);
    // The limit that the value may have passed already, and the one that it may be well away from.
    let ((passed, other), fails) = match above {
        true => (((None, manual.max), (manual.min, None)), manual.max.is_some()),
        false => (((manual.min, None), (None, manual.max)), manual.min.is_some()),
    };
    let bad = [Verdict::Fail, Verdict::ConditionalFail];
    let good = [Verdict::Pass, Verdict::ConditionalPass];
    let (against, wanted) = if fails { (passed, bad) } else { (other, good) };
    let mut judged = Judged::of(Ok::<_, Unjudged>(bound), None, against, rule);
    let beyond = match above {
        true => manual.max.is_some_and(|high| bound.value >= high),
        false => manual.min.is_some_and(|low| bound.value <= low),
    };
    // A value beyond a limit lies outside, if only just.
    if fails && beyond && judged.verdict != Verdict::NotMeasured {
        judged.verdict = judged.verdict.max(Verdict::ConditionalFail);
    }
    if !wanted.contains(&judged.verdict) {
        // Without a known uncertainty there is no guarded verdict either.
        return if judged.reason.is_some() { Judged { value: None, ..judged } } else { open };
    }
    Judged { verdict: judged.verdict, reason: judged.reason, ..open }
}
