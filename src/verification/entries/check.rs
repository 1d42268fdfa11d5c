//! What no entry of a plan can mean, and where in the file it stands.

use super::Profile;
use crate::profile::{Decision, Rule, Tolerance};
use crate::units::Unit;

/// No load, dial, power or voltage of a plan is larger.
const LARGEST: f64 = 1e9;

/// Something that can't be meant: the path of the key, and what is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::verification) struct Fault {
    /// Table, place, key.
    pub path: Vec<String>,
    /// What is wrong.
    pub message: String,
}

pub(in crate::verification) fn fault<T>(
    path: &[&str],
    message: impl Into<String>,
) -> Result<T, Fault> {
    let path = path.iter().map(|part| (*part).to_owned()).collect();
    Err(Fault { path, message: message.into() })
}

/// Refuses what no decision rule can be.
pub(in crate::verification) fn decision(found: &Decision, path: &[&str]) -> Result<(), Fault> {
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

/// A table of an array of tables.
#[derive(Clone, Debug)]
pub(in crate::verification) struct Table {
    /// Name of the array.
    pub name: &'static str,
    index: String,
}

impl Table {
    pub(in crate::verification) fn new(name: &'static str, index: usize) -> Self {
        Self { name, index: index.to_string() }
    }

    pub(in crate::verification) fn fault<T>(
        &self,
        key: &str,
        message: impl Into<String>,
    ) -> Result<T, Fault> {
        fault(&[self.name, &self.index, key], message)
    }

    /// A fault in a table inside of this one.
    pub(super) fn inner<T>(
        &self,
        (list, place): (&str, usize),
        key: &str,
        message: impl Into<String>,
    ) -> Result<T, Fault> {
        fault(&[self.name, &self.index, list, &place.to_string(), key], message)
    }

    /// A fault in a table of this one.
    pub(super) fn fault_in<T>(
        &self,
        table: &str,
        key: &str,
        message: impl Into<String>,
    ) -> Result<T, Fault> {
        fault(&[self.name, &self.index, table, key], message)
    }

    pub(super) fn decision(&self, found: Option<&Decision>) -> Result<(), Fault> {
        found.map_or(Ok(()), |found| decision(found, &[self.name, &self.index, "decision"]))
    }

    pub(super) fn setting(&self, profile: &Profile, id: &str) -> Result<(), Fault> {
        if profile.setting(id).is_some() {
            return Ok(());
        }
        let known: Vec<&str> = profile.setting.iter().map(|s| s.id.as_str()).collect();
        let message = format!("unknown setting `{id}`; the profile has: {}", known.join(", "));
        self.fault("setting", message)
    }

    pub(super) fn load(
        &self,
        profile: &Profile,
        setting: &str,
        own: Option<f64>,
    ) -> Result<(), Fault> {
        self.positive("load_ohm", own)?;
        if own.is_none() && profile.setting(setting).is_none_or(|s| s.load_ohm.is_none()) {
            return self.fault("setting", "no load_ohm, neither here nor in the setting");
        }
        Ok(())
    }

    pub(super) fn positive(&self, key: &str, value: Option<f64>) -> Result<(), Fault> {
        match value {
            Some(value) if !(value > 0.0 && value <= LARGEST) => {
                self.fault(key, format!("{key} lies above 0 and up to {LARGEST:e}"))
            }
            _ => Ok(()),
        }
    }

    pub(super) fn rising(&self, key: &str, values: &[f64], above: f64) -> Result<(), Fault> {
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

    pub(super) fn alike(&self, key: &str, values: &[f64], count: usize) -> Result<(), Fault> {
        if values.len() != count {
            return self.fault(key, format!("expected {count} values, found {}", values.len()));
        }
        if values.iter().any(|value| !(*value > 0.0 && *value <= LARGEST)) {
            return self
                .fault(key, format!("every value of {key} lies above 0 and up to {LARGEST:e}"));
        }
        Ok(())
    }

    pub(super) fn expected(
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

    pub(super) fn tolerance(&self, key: &str, text: &str, unit: Unit) -> Result<(), Fault> {
        match Tolerance::parse(text, unit) {
            Ok(_) => Ok(()),
            Err(error) => self.fault(key, error.to_string()),
        }
    }

    pub(super) fn ordered(
        &self,
        key: &str,
        low: Option<f64>,
        high: Option<f64>,
    ) -> Result<(), Fault> {
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
