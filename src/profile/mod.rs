//! The expected profile of a unit: what each setting should put out, and the plan by which a whole
//! unit is verified.

mod checks;
mod limit;
mod plan;

pub use limit::{Bounds, Limit, Tolerance};
pub use plan::{Answer, Curve, HfLeakage, Ladder, Manual, OpenCircuit, PlanHead, Repeat, Timing};

use crate::keyfile::{self, KeyfileError};
use crate::trace::Kind;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A profile.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// Version of the profile's form; 1.
    pub format: u32,
    /// The unit.
    #[serde(default)]
    pub unit: Unit,
    /// How verdicts are given.
    #[serde(default)]
    pub decision: Decision,
    /// What holds for a whole verification.
    #[serde(default)]
    pub plan: PlanHead,
    /// The settings.
    #[serde(default)]
    pub setting: Vec<Setting>,
    /// Power over load.
    #[serde(default)]
    pub curve: Vec<Curve>,
    /// Power over the dial.
    #[serde(default)]
    pub ladder: Vec<Ladder>,
    /// Highest voltage over the dial.
    #[serde(default)]
    pub open_circuit: Vec<OpenCircuit>,
    /// HF current to earth.
    #[serde(default)]
    pub hf_leakage: Vec<HfLeakage>,
    /// Repeated activations.
    #[serde(default)]
    pub repeat: Vec<Repeat>,
    /// Output against the switch.
    #[serde(default)]
    pub timing: Vec<Timing>,
    /// What is looked at or read from another instrument.
    #[serde(default)]
    pub manual: Vec<Manual>,
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

impl Profile {
    /// Reads a profile and checks it.
    ///
    /// # Errors
    /// Unknown keys, unknown measures, absurd limits: with their line.
    pub fn read(file: &Path, text: &str) -> Result<Self, KeyfileError> {
        let profile: Self = keyfile::parse(file, text)?;
        let fail =
            |path: &[&str], message: String| Err(KeyfileError::at_key(file, text, path, message));
        if profile.format != 1 {
            return fail(&["format"], "this program reads profiles of format 1".into());
        }
        checks::decision(&profile.decision, &["decision"]).map_err(|(path, message)| {
            let path: Vec<&str> = path.iter().map(String::as_str).collect();
            KeyfileError::at_key(file, text, &path, message)
        })?;
        for (s, setting) in profile.setting.iter().enumerate() {
            let s_text = s.to_string();
            if setting.load_ohm.is_some_and(|ohm| !(ohm.is_finite() && ohm > 0.0)) {
                return fail(&["setting", &s_text, "load_ohm"], "a load is above 0 ohm".into());
            }
            for (l, limit) in setting.limit.iter().enumerate() {
                let l_text = l.to_string();
                let at = |key| ["setting", &s_text, "limit", &l_text, key].map(str::to_owned);
                if let Err((key, message)) = limit.bounds(limit.measure.unit()) {
                    let path = at(key);
                    let path: Vec<&str> = path.iter().map(String::as_str).collect();
                    return fail(&path, message);
                }
            }
        }
        checks::check(file, text, &profile)?;
        Ok(profile)
    }

    /// The ids of everything that is judged, by table.
    fn ids(&self) -> [(&'static str, Vec<&str>); 8] {
        macro_rules! ids {
            ($table:ident) => {
                (stringify!($table), self.$table.iter().map(|one| one.id.as_str()).collect())
            };
        }
        [
            ids!(setting),
            ids!(curve),
            ids!(ladder),
            ids!(open_circuit),
            ids!(hf_leakage),
            ids!(repeat),
            ids!(timing),
            ids!(manual),
        ]
    }

    /// The setting of this id.
    #[must_use]
    pub fn setting(&self, id: &str) -> Option<&Setting> {
        self.setting.iter().find(|setting| setting.id == id)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
format = 1
[[setting]]
id = "cut-100"
sequence = ["cut"]
[[setting.limit]]
measure = "power_w"
in = "cut"
nominal = 100.0
tolerance = "15 % or 10 W"
"#;

    #[test]
    fn reads_and_defaults_to_guarded() {
        let profile = Profile::read(Path::new("p.toml"), GOOD).unwrap();
        assert_eq!(profile.decision.rule, Rule::Guarded);
        assert_eq!(profile.setting("cut-100").unwrap().sequence, [Kind::Cut]);
        assert!(profile.setting("cut-10").is_none());
    }

    #[test]
    fn faults_are_named_with_their_line() {
        for (from, to, line, said) in [
            ("id =", "idd =", 4, "unknown key"),
            ("power_w", "powr_w", 7, "no measure"),
            ("tolerance", "tollerance", 10, "unknown key"),
            ("15 % or 10 W", "15 % or 10 V", 10, "W"),
            ("nominal = 100.0", "min = 100.0", 10, "nominal"),
            ("\"cut\"\nnominal", "\"cutt\"\nnominal", 8, "unknown variant"),
            ("format = 1", "format = 3", 2, "format 1"),
            ("format = 1", "format = 1\n[decision]\nguard = -1.0", 4, "multiple of U"),
            ("format = 1", "format = 1\n[decision]\nrule = \"simple\"\nguard = 1.0", 5, "no guard"),
        ] {
            let text = GOOD.replace(from, to);
            let error = Profile::read(Path::new("p.toml"), &text).unwrap_err();
            assert_eq!(error.position.unwrap().0, line, "{to}: {error}");
            assert!(error.message.contains(said), "{to}: {error}");
        }
    }
}
