//! What each setting of a unit should put out, and by which rule that is decided.

mod limit;

pub use limit::{Bounds, Limit, Tolerance};

use crate::trace::Kind;
use serde::{Deserialize, Serialize};

/// What the settings of a unit should put out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected<'a> {
    /// The unit.
    pub unit: &'a Unit,
    /// How verdicts are given.
    pub decision: &'a Decision,
    /// The settings.
    pub settings: &'a [Setting],
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
    /// Expected phases, repeating.
    #[serde(default)]
    pub sequence: Vec<Kind>,
    /// Limits.
    #[serde(default)]
    pub limit: Vec<Limit>,
}
