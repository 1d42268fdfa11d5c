//! What no plan can mean.

use super::plan::{Answer, Manual};
use super::{Decision, Profile, Rule, Tolerance};
use crate::keyfile::KeyfileError;
use crate::units::{Quantity, Unit};
use std::path::Path;

/// No load, dial, power or voltage of a plan is larger.
const LARGEST: f64 = 1e9;

/// A fault: the path of the key, and what is wrong.
type Fault = (Vec<String>, String);

fn fault<T>(path: &[&str], message: impl Into<String>) -> Result<T, Fault> {
    Err((path.iter().map(|part| (*part).to_owned()).collect(), message.into()))
}

/// Refuses what no decision rule can be.
pub(super) fn decision(found: &Decision, path: &[&str]) -> Result<(), Fault> {
    let Some(guard) = found.guard else { return Ok(()) };
    let path = [path, &["guard"]].concat();
    if found.rule == Rule::Simple {
        return fault(&path, "simple acceptance has no guard band: leave guard out");
    }
    if !(guard > 0.0 && guard <= 10.0) {
        return fault(&path, "guard is a multiple of U above 0 and up to 10, mostly 1");
    }
    Ok(())
}

/// Refuses what no plan can mean, with its line.
pub(super) fn check(file: &Path, text: &str, profile: &Profile) -> Result<(), KeyfileError> {
    let all = || -> Result<(), Fault> {
        head(profile)?;
        names(profile)?;
        for (k, curve) in profile.curve.iter().enumerate() {
            let at = Table { name: "curve", index: k.to_string() };
            at.setting(profile, &curve.setting)?;
            at.rising("loads_ohm", &curve.loads_ohm, 0.0)?;
            at.alike("expected_w", &curve.expected_w, curve.loads_ohm.len())?;
            at.tolerance("tolerance", &curve.tolerance, Unit::Watt)?;
            at.positive("applies_from_w", curve.applies_from_w)?;
            at.positive("flatness", curve.flatness)?;
            at.positive("rated_load_ohm", curve.rated_load_ohm)?;
            at.positive("rated_load_tolerance", curve.rated_load_tolerance)?;
            if curve.rated_load_ohm.is_some_and(|ohm| !curve.loads_ohm.contains(&ohm)) {
                return at.fault("rated_load_ohm", "the rated load is not one of loads_ohm");
            }
            if curve.flatness.is_some() {
                let (from, to) = curve.flat_stretch();
                let inside = curve.loads_ohm.iter().filter(|ohm| (from..=to).contains(*ohm));
                if inside.count() < 2 {
                    return at.fault("flatness", "fewer than two loads lie in the flat stretch");
                }
            }
            at.ordered("source_ohm_min", curve.source_ohm_min, curve.source_ohm_max)?;
        }
        for (k, ladder) in profile.ladder.iter().enumerate() {
            let at = Table { name: "ladder", index: k.to_string() };
            at.setting(profile, &ladder.setting)?;
            at.rising("dials", &ladder.dials, f64::NEG_INFINITY)?;
            at.load(profile, &ladder.setting, ladder.load_ohm)?;
            let (expected, tolerance) = (&ladder.expected_w, &ladder.tolerance);
            at.expected("expected_w", expected.as_deref(), tolerance, &ladder.dials, Unit::Watt)?;
            at.positive("lowest_max_w", ladder.lowest_max_w)?;
            at.positive("lowest_share", ladder.lowest_share)?;
            at.positive("rated_w", ladder.rated_w)?;
            if ladder.lowest_share.is_some() != ladder.rated_w.is_some() {
                return at.fault("lowest_share", "give lowest_share and rated_w together");
            }
            if expected.is_none()
                && ladder.monotonic == Some(false)
                && ladder.lowest_limit_w().is_none()
            {
                return at.fault("id", "nothing is judged: give expected_w, a limit, or monotonic");
            }
        }
        for (k, open) in profile.open_circuit.iter().enumerate() {
            let at = Table { name: "open_circuit", index: k.to_string() };
            at.setting(profile, &open.setting)?;
            at.rising("dials", &open.dials, f64::NEG_INFINITY)?;
            let (expected, tolerance) = (&open.expected_v, &open.tolerance);
            at.expected("expected_v", expected.as_deref(), tolerance, &open.dials, Unit::Volt)?;
            at.positive("max_v", open.max_v)?;
            if open.expected_v.is_none() && open.max_v.is_none() {
                return at.fault("id", "give expected_v with a tolerance, or max_v");
            }
        }
        for (k, leakage) in profile.hf_leakage.iter().enumerate() {
            let at = Table { name: "hf_leakage", index: k.to_string() };
            at.setting(profile, &leakage.setting)?;
            at.positive("load_ohm", Some(leakage.load_ohm))?;
            for (key, value) in [
                ("max_a", leakage.max_a),
                ("share_of_rated", leakage.share_of_rated),
                ("rated_w", leakage.rated_w),
            ] {
                at.positive(key, value)?;
            }
            if leakage.share_of_rated.is_some() != leakage.rated_w.is_some()
                || leakage.max_a.is_some() == leakage.rated_w.is_some()
            {
                return at.fault("id", "give either max_a, or share_of_rated and rated_w");
            }
        }
        for (k, repeat) in profile.repeat.iter().enumerate() {
            let at = Table { name: "repeat", index: k.to_string() };
            at.setting(profile, &repeat.setting)?;
            at.load(profile, &repeat.setting, repeat.load_ohm)?;
            at.positive("spread", repeat.spread)?;
            at.positive("drift", repeat.drift)?;
            if !(2..=100).contains(&repeat.count) {
                return at.fault("count", "a repetition has 2 to 100 activations");
            }
            if repeat.spread.is_none() && repeat.drift.is_none() {
                return at.fault("id", "give spread, drift or both");
            }
        }
        for (k, timing) in profile.timing.iter().enumerate() {
            let at = Table { name: "timing", index: k.to_string() };
            at.setting(profile, &timing.setting)?;
            at.load(profile, &timing.setting, timing.load_ohm)?;
            at.positive("start_max_s", timing.start_max_s)?;
            at.positive("end_max_s", timing.end_max_s)?;
            if timing.start_max_s.is_none() && timing.end_max_s.is_none() {
                return at.fault("id", "give start_max_s, end_max_s or both");
            }
        }
        for (k, manual) in profile.manual.iter().enumerate() {
            hand(&Table { name: "manual", index: k.to_string() }, manual)?;
        }
        Ok(())
    };
    all().map_err(|(path, message)| {
        let path: Vec<&str> = path.iter().map(String::as_str).collect();
        KeyfileError::at_key(file, text, &path, message)
    })
}

fn head(profile: &Profile) -> Result<(), Fault> {
    let plan = &profile.plan;
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
    for (table, ids) in profile.ids() {
        for (k, id) in ids.into_iter().enumerate() {
            let path = [table, &k.to_string(), "id"];
            let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
            // A setting may be named as it likes unless it becomes a file of a job.
            if table != "setting" && (id.is_empty() || id.starts_with('.') || !id.chars().all(good))
            {
                let message = format!("`{id}` names files: use letters, digits, - and _ only");
                return fault(&path, message);
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
                return fault(&path, format!("`{id}` can't name a file on every system"));
            }
            if seen.contains(&id) {
                return fault(&path, format!("the {table} `{id}` stands here twice"));
            }
            seen.push(id);
        }
    }
    Ok(())
}

/// A table of an array of tables.
struct Table {
    name: &'static str,
    index: String,
}

impl Table {
    fn fault<T>(&self, key: &str, message: impl Into<String>) -> Result<T, Fault> {
        fault(&[self.name, &self.index, key], message)
    }

    fn setting(&self, profile: &Profile, id: &str) -> Result<(), Fault> {
        if profile.setting(id).is_some() {
            return Ok(());
        }
        let known: Vec<&str> = profile.setting.iter().map(|s| s.id.as_str()).collect();
        let message = format!("there is no setting `{id}`; known: {}", known.join(", "));
        self.fault("setting", message)
    }

    fn load(&self, profile: &Profile, setting: &str, own: Option<f64>) -> Result<(), Fault> {
        self.positive("load_ohm", own)?;
        if own.is_none() && profile.setting(setting).is_none_or(|s| s.load_ohm.is_none()) {
            return self.fault("setting", "neither here nor in the setting is there a load_ohm");
        }
        Ok(())
    }

    fn positive(&self, key: &str, value: Option<f64>) -> Result<(), Fault> {
        match value {
            Some(value) if !(value > 0.0 && value <= LARGEST) => {
                self.fault(key, format!("{key} lies above 0 and up to {LARGEST:e}"))
            }
            _ => Ok(()),
        }
    }

    fn rising(&self, key: &str, values: &[f64], above: f64) -> Result<(), Fault> {
        let mut last = above;
        for value in values {
            if value.abs() > LARGEST {
                return self.fault(key, format!("{value:e} can't be meant"));
            }
            if !value.is_finite() || *value <= last {
                return self.fault(key, format!("{key} must rise from one to the next"));
            }
            last = *value;
        }
        if values.is_empty() {
            return self.fault(key, format!("{key} is empty"));
        }
        Ok(())
    }

    fn alike(&self, key: &str, values: &[f64], count: usize) -> Result<(), Fault> {
        if values.len() != count {
            return self.fault(key, format!("{} values stand against {count}", values.len()));
        }
        if values.iter().any(|value| !(*value > 0.0 && *value <= LARGEST)) {
            return self
                .fault(key, format!("every value of {key} lies above 0 and up to {LARGEST:e}"));
        }
        Ok(())
    }

    fn expected(
        &self,
        key: &str,
        values: Option<&[f64]>,
        tolerance: &Option<String>,
        beside: &[f64],
        unit: Unit,
    ) -> Result<(), Fault> {
        match (values, tolerance) {
            (None, None) => Ok(()),
            (Some(values), Some(text)) => {
                self.alike(key, values, beside.len())?;
                self.tolerance("tolerance", text, unit)
            }
            (Some(_), None) => self.fault(key, format!("{key} needs a tolerance")),
            (None, Some(_)) => self.fault("tolerance", format!("a tolerance needs {key}")),
        }
    }

    fn tolerance(&self, key: &str, text: &str, unit: Unit) -> Result<(), Fault> {
        match Tolerance::parse(text, unit) {
            Ok(_) => Ok(()),
            Err(message) => self.fault(key, message),
        }
    }

    fn ordered(&self, key: &str, low: Option<f64>, high: Option<f64>) -> Result<(), Fault> {
        for value in [low, high] {
            if value.is_some_and(|value| !value.is_finite()) {
                return self.fault(key, "bounds must be finite numbers");
            }
        }
        match (low, high) {
            (Some(low), Some(high)) if low > high => {
                self.fault(key, "the lower bound lies above the upper one: nothing could pass")
            }
            _ => Ok(()),
        }
    }
}

fn hand(at: &Table, manual: &Manual) -> Result<(), Fault> {
    at.ordered("min", manual.min, manual.max)?;
    match manual.takes() {
        Answer::Number => {
            let Some(unit) = &manual.unit else {
                return at.fault("id", "a reading with limits needs its unit");
            };
            if let Some(text) = &manual.uncertainty
                && let Err(message) = Quantity::share_or_amount(text, unit)
            {
                return at.fault("uncertainty", message);
            }
        }
        Answer::YesNo => {
            if manual.min.is_some() || manual.max.is_some() || manual.unit.is_some() {
                return at.fault("answer", "an answer of yes or no has no unit and no limits");
            }
            if !matches!(manual.answer.as_deref(), Some("yes" | "no")) {
                return at.fault("answer", "the answer that passes is \"yes\" or \"no\"");
            }
        }
        Answer::Note => {
            if manual.unit.is_some() || manual.uncertainty.is_some() {
                return at.fault("id", "a unit or uncertainty without min or max judges nothing");
            }
        }
    }
    match &manual.decision {
        Some(found) => decision(found, &["manual", &at.index, "decision"]),
        None => Ok(()),
    }
}
