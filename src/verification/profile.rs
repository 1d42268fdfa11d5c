//! A whole profile: read, checked, and asked for its settings.

use super::entries::{Fault, Profile, decision, fault};
use super::step::Load;
use crate::explain::{ErrorCode, Explain};
use crate::keyfile::{self, KeyfileError};
use crate::profile::{Expected, Setting};
use crate::sheet::Sheet;
use serde::Deserialize;
use std::path::Path;

/// `[plan]`: what holds for the whole verification.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanHead {
    /// Where loads and limits come from, as it is to stand in the report.
    pub basis: Option<String>,
    /// Longest activation, s; 10 if left out.
    pub on_s: Option<f64>,
    /// Shortest pause after it, s; 30 if left out.
    pub off_s: Option<f64>,
    /// Months until the next verification is due.
    pub interval_months: Option<u32>,
    /// Largest power averaged over any 1 s, over all captures, W.
    pub power_1s_max_w: Option<f64>,
}

impl PlanHead {
    /// Longest activation and shortest pause, s: 10 and 30 (common practice, no source) unless
    /// stated.
    #[must_use]
    pub fn duty_s(&self) -> (f64, f64) {
        (self.on_s.unwrap_or(10.0), self.off_s.unwrap_or(30.0))
    }
}

impl Profile {
    /// Reads a profile and checks it.
    ///
    /// # Errors
    /// Unknown keys, unknown measures, absurd limits, plans that can't be meant: with their line.
    pub fn read(file: &Path, text: &str) -> Result<Self, KeyfileError> {
        let profile: Self = keyfile::parse(file, text)?;
        profile.check().map_err(|Fault { path, message }| {
            let path: Vec<&str> = path.iter().map(String::as_str).collect();
            KeyfileError::at_key(file, text, &path, message)
        })?;
        Ok(profile)
    }

    fn check(&self) -> Result<(), Fault> {
        if self.format != 1 {
            return fault(&["format"], "this program reads profiles of format 1");
        }
        decision(&self.decision, &["decision"])?;
        if let Some((key, message)) = self.kinds.fault() {
            return fault(&["kinds", key], message);
        }
        head(&self.plan)?;
        names(self)?;
        self.entries().try_for_each(|(at, entry)| entry.check(&at, self))
    }

    /// What its settings should put out.
    #[must_use]
    pub fn expected(&self) -> Expected<'_> {
        Expected {
            unit: &self.unit,
            decision: &self.decision,
            kinds: self.kinds,
            settings: &self.setting,
        }
    }

    /// The setting of this id.
    #[must_use]
    pub fn setting(&self, id: &str) -> Option<&Setting> {
        self.setting.iter().find(|setting| setting.id == id)
    }

    /// The setting of this id, or else the one that the capture's sheet names.
    ///
    /// # Errors
    /// Where neither names one, or the profile has none of that name.
    pub fn wanted(&self, asked: Option<&str>, sheet: &Sheet) -> Result<&Setting, NoSetting> {
        let stated = sheet.subject.as_ref().and_then(|subject| subject.setting.as_deref());
        let known = || self.setting.iter().map(|setting| setting.id.clone()).collect();
        match asked.or(stated) {
            None => Err(NoSetting { asked: None, known: known() }),
            Some(id) => self
                .setting(id)
                .ok_or_else(|| NoSetting { asked: Some(id.to_owned()), known: known() }),
        }
    }

    /// The load of an entry: its own, or that of its setting.
    pub(super) fn load_of(&self, setting: &str, own: Option<f64>) -> Option<Load> {
        own.or_else(|| self.setting(setting)?.load_ohm).map(Load::Ohm)
    }
}

/// No setting to compare a capture with.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}", match asked {
    None => "neither --setting nor the sheet's subject.setting names a setting".to_owned(),
    Some(id) => format!("the profile has no setting `{id}`"),
})]
pub struct NoSetting {
    /// What was asked for.
    pub asked: Option<String>,
    /// The settings there are.
    pub known: Vec<String>,
}

impl Explain for NoSetting {
    fn code(&self) -> ErrorCode {
        ErrorCode::WrongUse
    }

    fn help(&self) -> Option<String> {
        let known = self.known.iter().map(String::as_str);
        let near = self.asked.as_ref().and_then(|id| keyfile::nearest(id, known));
        let near = near.map_or(String::new(), |near| format!("did you mean `{near}`? "));
        Some(format!("{near}settings of the profile: {}", self.known.join(", ")))
    }
}

fn head(plan: &PlanHead) -> Result<(), Fault> {
    for (key, value) in
        [("on_s", plan.on_s), ("off_s", plan.off_s), ("power_1s_max_w", plan.power_1s_max_w)]
    {
        if value.is_some_and(|value| !(value.is_finite() && value > 0.0)) {
            return fault(&["plan", key], format!("{key} must be above 0"));
        }
    }
    if plan.interval_months.is_some_and(|months| !(1..=1200).contains(&months)) {
        return fault(&["plan", "interval_months"], "an interval is 1 to 1200 months");
    }
    Ok(())
}

/// Every id is a file name, and there once.
fn names(profile: &Profile) -> Result<(), Fault> {
    // The entry that the program makes of its own.
    let mut seen: Vec<&str> = vec!["power-1s"];
    for (at, entry) in profile.entries() {
        let (table, id) = (at.name, entry.id());
        let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        // A setting may be named as it likes unless it becomes a file of a job.
        if table != "setting" && (id.is_empty() || id.starts_with('.') || !id.chars().all(good)) {
            let message = format!("`{id}` names files: use letters, digits, - and _ only");
            return at.fault("id", message);
        }
        // Names that one system or another keeps for its devices.
        let stem = id.split('.').next().unwrap_or_default().to_lowercase();
        let device = ["con", "prn", "aux", "nul"].contains(&stem.as_str())
            || ["com", "lpt"].iter().any(|kind| {
                stem.strip_prefix(kind).is_some_and(|rest| {
                    rest.len() == 1 && rest.bytes().all(|byte| byte.is_ascii_digit())
                })
            });
        if device || id.is_empty() {
            return at.fault("id", format!("`{id}` can't name a file on every system"));
        }
        if seen.contains(&id) {
            return at.fault("id", format!("the {table} `{id}` appears twice"));
        }
        seen.push(id);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Rule;
    use crate::trace::Kind;

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
            ("power_w", "powr_w", 7, "unknown measure"),
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
