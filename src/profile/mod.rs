//! What each setting of a unit should put out, and by which rule that is decided.

mod limit;

pub use limit::{Bounds, Limit, Tolerance};

use crate::segment::Thresholds;
use crate::trace::Kind;
use serde::{Deserialize, Serialize};

/// What the settings of a unit should put out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected<'a> {
    /// The unit.
    pub unit: &'a Unit,
    /// How verdicts are given.
    pub decision: &'a Decision,
    /// What tells cut from coag.
    pub kinds: KindThresholds,
    /// The settings.
    pub settings: &'a [Setting],
}

impl Expected<'_> {
    /// What tells cut from coag at a setting.
    #[must_use]
    pub fn thresholds(&self, setting: &Setting, usual: Thresholds) -> Thresholds {
        setting.kinds.over(self.kinds.over(usual))
    }
}

/// `[unit]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unit {
    /// Model.
    pub model: Option<String>,
    /// Serial number, where the profile is of one unit only.
    pub serial: Option<String>,
}

/// `[decision]`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Decision {
    /// The rule.
    #[serde(default)]
    pub rule: Rule,
    /// Guard band as a multiple r of the expanded uncertainty: w = r U. 1 if left out.
    pub guard: Option<f64>,
}

impl Decision {
    /// Guard band over expanded uncertainty; `None` where there is none.
    #[must_use]
    pub fn guard_ratio(&self) -> Option<f64> {
        match self.rule {
            Rule::Guarded => Some(self.guard.unwrap_or(1.0)),
            Rule::Simple => None,
        }
    }

    /// The rule in words.
    #[must_use]
    pub fn words(&self) -> String {
        match self.guard_ratio() {
            Some(1.0) => "guarded: guard band w = U at 95 % (ILAC-G8:09/2019)".into(),
            Some(r) => format!("guarded: guard band w = {r} U at 95 % (ILAC-G8:09/2019)"),
            None => "simple acceptance (ILAC-G8:09/2019)".into(),
        }
    }
}

/// `[kinds]` of a profile or of one setting: what tells cut from coag there, where it is not the usual
/// (common practice, no source).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KindThresholds {
    /// Crest factor at or above which output is coag.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coag_crest_factor: Option<f64>,
    /// Crest factor below which output is continuous.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub continuous_crest_factor: Option<f64>,
    /// Peak voltage below which continuous output is coag, V; 0: never.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arc_peak_v: Option<f64>,
}

impl KindThresholds {
    /// The usual thresholds with these in their place.
    #[must_use]
    pub fn over(self, usual: Thresholds) -> Thresholds {
        Thresholds {
            coag_crest_factor: self.coag_crest_factor.unwrap_or(usual.coag_crest_factor),
            continuous_crest_factor: self
                .continuous_crest_factor
                .unwrap_or(usual.continuous_crest_factor),
            arc_peak_v: self.arc_peak_v.unwrap_or(usual.arc_peak_v),
            ..usual
        }
    }

    /// Whether nothing is stated.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// The key that can't be meant, and why.
    #[must_use]
    pub fn fault(&self) -> Option<(&'static str, &'static str)> {
        let (coag, continuous, arc) =
            (self.coag_crest_factor, self.continuous_crest_factor, self.arc_peak_v);
        let off =
            |x: Option<f64>, low: f64, high: f64| x.is_some_and(|x| !(low..=high).contains(&x));
        if off(coag, 1.5, 20.0) {
            return Some((
                "coag_crest_factor",
                "the crest factor at which coag begins is between 1.5 and 20",
            ));
        }
        if off(continuous, 1.42, 3.0) {
            return Some((
                "continuous_crest_factor",
                "continuous output has a crest factor of 1.42 to 3",
            ));
        }
        off(arc, 0.0, 10_000.0).then_some(("arc_peak_v", "a peak voltage is 0 to 10000 V"))
    }
}

/// Decision rule, in the words of ILAC-G8:09/2019.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// Guard band of the expanded uncertainty; four verdicts.
    #[default]
    Guarded,
    /// Simple acceptance; pass or fail.
    Simple,
}

/// `[[setting]]`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setting {
    /// Identifier, unique in the profile.
    pub id: String,
    /// The unit's own label.
    pub mode: Option<String>,
    /// Number on the dial.
    pub dial: Option<f64>,
    /// Load at which the limits hold, ohm.
    pub load_ohm: Option<f64>,
    /// Whether it is a bipolar output, for which other reference loads are usual.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub bipolar: bool,
    /// Expected phases, repeating.
    #[serde(default)]
    pub sequence: Vec<Kind>,
    /// What tells cut from coag at this setting, where it is not as in the rest of the profile.
    #[serde(default, skip_serializing_if = "KindThresholds::is_empty")]
    pub kinds: KindThresholds,
    /// Limits.
    #[serde(default)]
    pub limit: Vec<Limit>,
}
