//! Measures of one interval, and those that can't be had.

use super::catalog::MEASURES;
use super::stats::IntervalStats;
use crate::estimate::Estimate;
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::collections::BTreeMap;

/// The measures of one interval by key; what can't be had stands in `missing` with its reason.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeasureSet {
    values: Vec<(&'static str, Estimate)>,
    missing: BTreeMap<&'static str, String>,
}

impl MeasureSet {
    /// Every measure of the catalogue over `stats`.
    #[must_use]
    pub fn of(stats: &IntervalStats) -> Self {
        let mut set = Self::default();
        for measure in MEASURES {
            set.put(measure.key, (measure.compute)(stats));
        }
        set
    }

    /// Sets or replaces one measure.
    pub fn put(&mut self, key: &'static str, found: Result<Estimate, String>) {
        self.values.retain(|(known, _)| *known != key);
        self.missing.remove(key);
        match found {
            Ok(estimate) if estimate.value.is_finite() => self.values.push((key, estimate)),
            Ok(_) => _ = self.missing.insert(key, "the result is not a finite number".into()),
            Err(reason) => _ = self.missing.insert(key, reason),
        }
    }

    /// The measure of this key.
    #[must_use]
    pub fn get(&self, key: &str) -> Option<&Estimate> {
        self.values.iter().find(|(known, _)| *known == key).map(|(_, estimate)| estimate)
    }

    /// Why the measure of this key can't be had.
    #[must_use]
    pub fn why_missing(&self, key: &str) -> Option<&str> {
        self.missing.get(key).map(String::as_str)
    }

    /// All measures that could be had.
    pub fn iter(&self) -> impl Iterator<Item = (&'static str, &Estimate)> + '_ {
        self.values.iter().map(|(key, estimate)| (*key, estimate))
    }

    /// The same, to add to them what is known of their uncertainty.
    pub fn iter_mut(&mut self) -> impl Iterator<Item = (&'static str, &mut Estimate)> + '_ {
        self.values.iter_mut().map(|(key, estimate)| (*key, estimate))
    }
}

impl Serialize for MeasureSet {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        for (key, estimate) in &self.values {
            map.serialize_entry(key, estimate)?;
        }
        if !self.missing.is_empty() {
            map.serialize_entry("missing", &self.missing)?;
        }
        map.end()
    }
}
