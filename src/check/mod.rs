//! Measurement and profile to verdicts; nothing else.

pub mod conformance;
mod doubts;
mod findings;

pub(crate) use doubts::concerns;
pub use findings::{
    Fault, Finding, FindingCode, LOAD_SHARE, WANTED_RATIO, findings, looks_like, other_unit,
    sequence,
};

use crate::estimate::Estimate;
use crate::flag::Code;
use crate::measures::Measure;
use crate::profile::{Bounds, Decision, Expected, Limit, Setting};
use crate::result::{Form, Measurement, Part};
use crate::term::TermSet;
use serde::{Deserialize, Serialize};

/// Verdicts in the words of ILAC-G8:09/2019, best first, and `not measured`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
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
    /// All of them, best first.
    pub const ALL: [Self; 5] =
        [Self::Pass, Self::ConditionalPass, Self::NotMeasured, Self::ConditionalFail, Self::Fail];

    /// The verdict of these words.
    #[must_use]
    pub fn parse(words: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|verdict| verdict.words() == words)
    }

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
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CheckResult {
    /// Form of this document.
    pub schema: Form,
    /// The worst verdict.
    pub verdict: Verdict,
    /// Setting it was compared with.
    pub setting: String,
    /// Decision rule.
    pub rule: String,
    /// Each limit.
    pub limits: Vec<LimitResult>,
    /// What else is not as it should be.
    pub findings: Vec<Finding>,
    /// What was measured.
    pub measurement: Measurement,
}

/// One limit and its verdict.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LimitResult {
    /// The measure.
    pub measure: Measure,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// Value, bounds and verdict.
    #[serde(flatten)]
    pub judged: Judged,
}

/// A value held against its bounds under a decision rule; everything in the unit of the value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Judged {
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
    /// Coverage factor of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coverage_factor: Option<f64>,
    /// Guard band w inside the bounds; left out under simple acceptance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub guard_band: Option<f64>,
    /// Probability that the true value lies between the bounds (JCGM 106, clause 7).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conformance_probability: Option<f64>,
    /// Risk of whoever relies on an acceptance of this value: 1 - that probability (specific
    /// consumer's risk, JCGM 106, 9.3).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub consumer_risk: Option<f64>,
    /// Half of the width between the bounds over the expanded uncertainty, where both bounds are.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tolerance_ratio: Option<f64>,
    /// Whether the uncertainty lacks a scale, the load or the clock, so that it is at least what is told.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub at_least: bool,
    /// Terms that the uncertainty leaves out.
    #[serde(default, skip_serializing_if = "TermSet::is_empty")]
    pub missing_terms: TermSet,
    /// Decision rule.
    pub rule: String,
    /// Verdict.
    pub verdict: Verdict,
    /// Why there is no verdict, or why it does not rest on the bounds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Flags of the capture that put the value in doubt.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub in_doubt: Vec<Code>,
}

/// Compares a measurement with a setting of a profile.
#[must_use]
pub fn check(measurement: Measurement, expected: Expected<'_>, setting: &Setting) -> CheckResult {
    let rule = expected.decision;
    let mut limits: Vec<LimitResult> =
        setting.limit.iter().map(|limit| judge(&measurement, limit, rule)).collect();
    let mut findings = findings(&measurement, expected, setting);
    findings.extend(limits.iter().filter_map(findings::coarse));
    findings.extend(limits.iter().filter_map(|limit| findings::scattered(limit, &measurement)));
    findings.extend(limits.iter().find_map(|limit| findings::wrong_scale(limit, &measurement)));
    // A capture that leaves no ground for a verdict leaves none for any of its lines.
    if let Some(why) = findings.iter().find(|finding| finding.blocks()) {
        limits.iter_mut().for_each(|limit| limit.judged.block(&why.message));
    }
    let verdicts = limits.iter().map(|limit| limit.judged.verdict);
    let worst = verdicts.chain(findings.iter().filter_map(|finding| finding.at_best)).max();
    CheckResult {
        schema: Form::Check,
        // A setting without limits has nothing that could pass; a capture that can't be judged has nothing
        // that could fail.
        verdict: worst
            .filter(|_| !limits.is_empty() && !findings.iter().any(Finding::blocks))
            .unwrap_or(Verdict::NotMeasured),
        setting: setting.id.clone(),
        rule: rule.words(),
        limits,
        findings,
        measurement,
    }
}

fn judge(measurement: &Measurement, limit: &Limit, rule: &Decision) -> LimitResult {
    // The profile was checked when it was read.
    let bounds = limit.bounds(limit.measure.unit()).unwrap_or((None, None));
    let found = measurement.part(limit.part).and_then(|set| set.had(limit.measure));
    LimitResult {
        measure: limit.measure,
        part: limit.part,
        judged: Judged::of(found, limit.nominal, bounds, rule).doubted(
            limit.measure,
            limit.part,
            &measurement.flags,
        ),
    }
}

impl Judged {
    /// Holds a value, or the reason why there is none, against bounds.
    #[must_use]
    pub fn of(
        found: Result<&Estimate, impl std::fmt::Display>,
        nominal: Option<f64>,
        (lower, upper): Bounds,
        rule: &Decision,
    ) -> Self {
        let mut judged = Self {
            value: None,
            nominal,
            lower,
            upper,
            expanded_uncertainty: None,
            coverage_factor: None,
            guard_band: None,
            conformance_probability: None,
            consumer_risk: None,
            tolerance_ratio: None,
            at_least: false,
            missing_terms: TermSet::default(),
            rule: rule.words(),
            verdict: Verdict::NotMeasured,
            reason: None,
            in_doubt: Vec::new(),
        };
        match found {
            Err(reason) => judged.reason = Some(reason.to_string()),
            Ok(estimate) => judged.settle(estimate, rule),
        }
        judged
    }

    /// What was answered in words: no number, no uncertainty.
    #[must_use]
    pub fn answered(verdict: Verdict) -> Self {
        let rule = Decision { rule: crate::profile::Rule::Simple, guard: None };
        let mut judged = Self::of(Err(""), None, (None, None), &rule);
        judged.rule = "as answered".into();
        judged.verdict = verdict;
        judged.reason = None;
        judged
    }

    /// Takes the verdict away: what was measured is not what was to be measured.
    pub fn block(&mut self, why: &str) {
        if self.verdict != Verdict::NotMeasured || self.reason.is_none() {
            self.verdict = Verdict::NotMeasured;
            self.reason = Some(why.to_owned());
        }
    }

    fn settle(&mut self, estimate: &Estimate, rule: &Decision) {
        self.weigh(estimate);
        let guard = match rule.guard_ratio() {
            None => 0.0,
            Some(ratio) => match usable(estimate) {
                Ok(expanded) => ratio * expanded,
                Err(reason) => {
                    self.reason = Some(reason.to_string());
                    return;
                }
            },
        };
        self.guard_band = rule.guard_ratio().map(|_| guard);
        self.verdict = decide(estimate.value, self.lower, self.upper, guard);
    }

    /// Value, uncertainty and what follows from both.
    fn weigh(&mut self, estimate: &Estimate) {
        self.value = Some(estimate.value);
        self.missing_terms = estimate.missing_terms;
        self.at_least = estimate.at_least();
        let (Some(coverage), Some(u)) = (estimate.coverage, estimate.standard_uncertainty) else {
            return;
        };
        let expanded = coverage.expanded_uncertainty;
        self.expanded_uncertainty = Some(expanded);
        self.coverage_factor = Some(coverage.coverage_factor);
        // Of an uncertainty that is a lower bound no ratio and no probability follows.
        if !estimate.partial {
            if let (Some(lower), Some(upper)) = (self.lower, self.upper) {
                self.tolerance_ratio =
                    Some((upper - lower) / 2.0 / expanded).filter(|ratio| ratio.is_finite());
            }
            let freedom = coverage.degrees_of_freedom.unwrap_or(f64::INFINITY);
            let bounds = (self.lower, self.upper);
            let probability = conformance::probability(estimate.value, u, freedom, bounds);
            self.conformance_probability = Some(probability);
            self.consumer_risk = Some(1.0 - probability);
        }
    }
}

/// The expanded uncertainty, where a guard band can rest on it.
fn usable(estimate: &Estimate) -> Result<f64, NoGuard> {
    let missing = NoGuard::NotStated(estimate.missing_terms);
    match estimate.expanded() {
        Some(expanded) if !estimate.partial => Ok(expanded),
        Some(_) => Err(missing),
        None if !estimate.missing_terms.is_empty() => Err(missing),
        None => Err(NoGuard::NotKnown),
    }
}

/// Why there is no guard band.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
enum NoGuard {
    #[error("the guarded rule needs the uncertainty; the sheet does not state: {}", named(*.0))]
    NotStated(TermSet),
    #[error("the guarded rule needs the uncertainty, which is not known")]
    NotKnown,
}

fn named(missing: TermSet) -> String {
    if missing.is_empty() { "scales or load".into() } else { missing.names(", ") }
}

/// The verdict on a value between bounds with a guard band inside (and outside) of each; 0 for
/// simple acceptance (4.2 of ILAC-G8:09/2019).
fn decide(value: f64, lower: Option<f64>, upper: Option<f64>, guard: f64) -> Verdict {
    // Distance to the nearer bound, above zero inside.
    let below = upper.map_or(f64::INFINITY, |upper| upper - value);
    let above = lower.map_or(f64::INFINITY, |lower| value - lower);
    // What the arithmetic itself loses decides nothing: 80 - 78.4 is 1.5999999999999943.
    let dust = 1e-12
        * [Some(value), lower, upper].into_iter().flatten().fold(0.0, |a: f64, x| a.max(x.abs()));
    let room = below.min(above) + dust;
    if room >= guard {
        Verdict::Pass
    } else if room >= 0.0 {
        Verdict::ConditionalPass
    } else if room >= -guard && guard > 0.0 {
        Verdict::ConditionalFail
    } else {
        Verdict::Fail
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn simple_acceptance() {
        let simple = |value| decide(value, Some(80.0), Some(120.0), 0.0);
        assert_eq!(simple(80.0), Verdict::Pass);
        assert_eq!(simple(120.0), Verdict::Pass);
        assert_eq!(simple(120.1), Verdict::Fail);
        assert_eq!(decide(5.0, None, Some(4.0), 0.0), Verdict::Fail);
        // Exactly at the guard band, and a limit that was converted from another unit.
        assert_eq!(decide(78.4, None, Some(80.0), 1.6), Verdict::Pass);
        assert_eq!(decide(16_100.0 * 1e-3, None, Some(16.1), 0.0), Verdict::Pass);
    }

    #[test]
    fn guard_band_gives_four_verdicts() {
        let guarded = |value| decide(value, Some(80.0), Some(120.0), 5.0);
        assert_eq!(guarded(100.0), Verdict::Pass);
        assert_eq!(guarded(115.0), Verdict::Pass);
        assert_eq!(guarded(117.0), Verdict::ConditionalPass);
        assert_eq!(guarded(124.0), Verdict::ConditionalFail);
        assert_eq!(guarded(126.0), Verdict::Fail);
        assert_eq!(guarded(77.0), Verdict::ConditionalFail);
    }

    #[test]
    fn no_guard_band_rests_on_half_an_uncertainty() {
        let mut estimate = Estimate::new(100.0).unwrap();
        assert!(usable(&estimate).is_err());
        estimate.missing_terms = [crate::term::Term::GainV].into_iter().collect();
        assert!(usable(&estimate).unwrap_err().to_string().contains("scale of the voltage"));
        estimate.coverage = Some(crate::estimate::Coverage {
            expanded_uncertainty: 2.0,
            coverage_factor: 2.0,
            degrees_of_freedom: None,
        });
        estimate.partial = true;
        assert!(usable(&estimate).is_err());
        estimate.partial = false;
        assert_eq!(usable(&estimate), Ok(2.0));
    }

    #[test]
    fn worst_is_worst() {
        assert!(Verdict::Fail > Verdict::ConditionalFail);
        assert!(Verdict::NotMeasured > Verdict::ConditionalPass);
    }
}
