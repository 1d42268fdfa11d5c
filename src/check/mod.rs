//! Measurement and profile to verdicts; nothing else.

mod findings;

pub use findings::{Finding, findings};

use crate::measures::catalog;
use crate::profile::{Limit, Profile, Rule, Setting};
use crate::result::{Measurement, Part};
use serde::Serialize;

/// Verdicts in the words of ILAC-G8:09/2019, best first, and `not measured`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub enum Verdict {
    /// Inside the limits, and inside the guard band where there is one.
    #[serde(rename = "pass")]
    Pass,
    /// Inside the limits, but closer than the uncertainty.
    #[serde(rename = "conditional pass")]
    ConditionalPass,
    /// There is no value, or no uncertainty where the rule needs one.
    #[serde(rename = "not measured")]
    NotMeasured,
    /// Outside the limits, but closer than the uncertainty.
    #[serde(rename = "conditional fail")]
    ConditionalFail,
    /// Outside.
    #[serde(rename = "fail")]
    Fail,
}

impl Verdict {
    /// The words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::ConditionalPass => "conditional pass",
            Self::NotMeasured => "not measured",
            Self::ConditionalFail => "conditional fail",
            Self::Fail => "fail",
        }
    }
}

/// Result of comparing one capture with one setting.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CheckResult {
    /// Form of this document.
    pub schema: &'static str,
    /// The worst verdict.
    pub verdict: Verdict,
    /// Setting it was compared with.
    pub setting: String,
    /// Decision rule.
    pub rule: &'static str,
    /// Each limit.
    pub limits: Vec<LimitResult>,
    /// What else is not as it should be.
    pub findings: Vec<Finding>,
    /// What was measured.
    pub measurement: Measurement,
}

/// One limit and its verdict.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LimitResult {
    /// Key of the measure.
    pub measure: String,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// Measured value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Expected value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nominal: Option<f64>,
    /// Smallest value that passes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower: Option<f64>,
    /// Largest value that passes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper: Option<f64>,
    /// Expanded uncertainty, 95 %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expanded_uncertainty: Option<f64>,
    /// Verdict.
    pub verdict: Verdict,
    /// Why there is none, where it is `not measured`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Coverage factor of a 95 % interval of a normal distribution.
const COVERAGE_95: f64 = 1.96;

/// Compares a measurement with a setting of a profile.
#[must_use]
pub fn check(measurement: Measurement, profile: &Profile, setting: &Setting) -> CheckResult {
    let rule = profile.decision.rule;
    let limits: Vec<LimitResult> =
        setting.limit.iter().map(|limit| judge(&measurement, limit, rule)).collect();
    let findings = findings(&measurement, profile, setting);
    let verdicts = limits.iter().map(|limit| limit.verdict);
    let worst = verdicts.chain(findings.iter().filter_map(|finding| finding.at_best)).max();
    CheckResult {
        schema: "crestbook/check/1",
        // A setting without limits has nothing that could pass.
        verdict: worst.filter(|_| !limits.is_empty()).unwrap_or(Verdict::NotMeasured),
        setting: setting.id.clone(),
        rule: match rule {
            Rule::Guarded => "guarded: guard band w = U at 95 % (ILAC-G8:09/2019)",
            Rule::Simple => "simple acceptance (ILAC-G8:09/2019)",
        },
        limits,
        findings,
        measurement,
    }
}

fn judge(measurement: &Measurement, limit: &Limit, rule: Rule) -> LimitResult {
    let unit = catalog::find(&limit.measure).map_or(crate::units::Unit::One, |m| m.unit);
    // The profile was checked when it was read.
    let (lower, upper) = limit.bounds(unit).unwrap_or((None, None));
    let mut result = LimitResult {
        measure: limit.measure.clone(),
        part: limit.part,
        value: None,
        nominal: limit.nominal,
        lower,
        upper,
        expanded_uncertainty: None,
        verdict: Verdict::NotMeasured,
        reason: None,
    };
    let set = match measurement.part(limit.part) {
        Ok(set) => set,
        Err(reason) => {
            result.reason = Some(reason);
            return result;
        }
    };
    let Some(estimate) = set.get(&limit.measure) else {
        let reason = set.why_missing(&limit.measure).unwrap_or("not told of this part");
        result.reason = Some(reason.to_owned());
        return result;
    };
    result.value = Some(estimate.value);
    result.expanded_uncertainty = estimate.standard_uncertainty.map(|u| COVERAGE_95 * u);
    (result.verdict, result.reason) =
        decide(estimate.value, lower, upper, result.expanded_uncertainty, rule);
    result
}

/// The verdict on a value between bounds (4.2 of ILAC-G8:09/2019, guard band w = U).
fn decide(
    value: f64,
    lower: Option<f64>,
    upper: Option<f64>,
    expanded: Option<f64>,
    rule: Rule,
) -> (Verdict, Option<String>) {
    // Distance to the nearer bound, above zero inside.
    let below = upper.map_or(f64::INFINITY, |upper| upper - value);
    let above = lower.map_or(f64::INFINITY, |lower| value - lower);
    let room = below.min(above);
    match (rule, expanded) {
        (Rule::Simple, _) => (if room >= 0.0 { Verdict::Pass } else { Verdict::Fail }, None),
        (Rule::Guarded, None) => {
            let reason = "the guarded rule needs the uncertainty, which is not known";
            (Verdict::NotMeasured, Some(reason.to_owned()))
        }
        (Rule::Guarded, Some(guard)) => {
            let verdict = if room >= guard {
                Verdict::Pass
            } else if room >= 0.0 {
                Verdict::ConditionalPass
            } else if room >= -guard {
                Verdict::ConditionalFail
            } else {
                Verdict::Fail
            };
            (verdict, None)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn simple_acceptance() {
        let simple = |value| decide(value, Some(80.0), Some(120.0), None, Rule::Simple).0;
        assert_eq!(simple(80.0), Verdict::Pass);
        assert_eq!(simple(120.0), Verdict::Pass);
        assert_eq!(simple(120.1), Verdict::Fail);
        assert_eq!(decide(5.0, None, Some(4.0), None, Rule::Simple).0, Verdict::Fail);
    }

    #[test]
    fn guard_band_gives_four_verdicts() {
        let guarded = |value| decide(value, Some(80.0), Some(120.0), Some(5.0), Rule::Guarded).0;
        assert_eq!(guarded(100.0), Verdict::Pass);
        assert_eq!(guarded(115.0), Verdict::Pass);
        assert_eq!(guarded(117.0), Verdict::ConditionalPass);
        assert_eq!(guarded(124.0), Verdict::ConditionalFail);
        assert_eq!(guarded(126.0), Verdict::Fail);
        assert_eq!(guarded(77.0), Verdict::ConditionalFail);
        let (verdict, reason) = decide(100.0, Some(80.0), None, None, Rule::Guarded);
        assert_eq!(verdict, Verdict::NotMeasured);
        assert!(reason.is_some());
    }

    #[test]
    fn worst_is_worst() {
        assert!(Verdict::Fail > Verdict::ConditionalFail);
        assert!(Verdict::NotMeasured > Verdict::ConditionalPass);
    }
}
