//! Measures of one interval, and those that can't be had.

use super::catalog::{MEASURES, Measure};
use super::reason::Reason;
use super::stats::IntervalStats;
use crate::estimate::Estimate;
use serde::de::{MapAccess, Visitor};
use serde::ser::{SerializeMap, Serializer};
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::BTreeMap;

/// The measures of one interval by key; what can't be had stands in `missing` with its reason.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MeasureSet {
    values: Vec<(Measure, Estimate)>,
    missing: Vec<(Measure, Reason)>,
}

/// Key under which the reasons stand.
const MISSING: &str = "missing";

impl MeasureSet {
    /// Every measure of the catalogue over `stats`.
    #[must_use]
    pub fn of(stats: &IntervalStats) -> Self {
        let mut set = Self::default();
        for row in MEASURES {
            set.put(row.measure, (row.compute)(stats));
        }
        set.values.shrink_to_fit();
        set.missing.shrink_to_fit();
        set
    }

    /// Sets or replaces one measure.
    pub fn put(&mut self, measure: Measure, found: Result<Estimate, Reason>) {
        self.values.retain(|(known, _)| *known != measure);
        self.missing.retain(|(known, _)| *known != measure);
        match found {
            Ok(estimate) => self.values.push((measure, estimate)),
            Err(reason) => self.missing.push((measure, reason)),
        }
    }

    /// A measure.
    #[must_use]
    pub fn get(&self, measure: Measure) -> Option<&Estimate> {
        self.values.iter().find(|(known, _)| *known == measure).map(|(_, estimate)| estimate)
    }

    /// A measure, or why it can't be had.
    ///
    /// # Errors
    /// The reason.
    pub fn had(&self, measure: Measure) -> Result<&Estimate, Reason> {
        let reason = || self.why_missing(measure).cloned().unwrap_or(Reason::NotTold);
        self.get(measure).ok_or_else(reason)
    }

    /// Why a measure can't be had.
    #[must_use]
    pub fn why_missing(&self, measure: Measure) -> Option<&Reason> {
        self.missing.iter().find(|(known, _)| *known == measure).map(|(_, reason)| reason)
    }

    /// All measures that could be had.
    pub fn iter(&self) -> impl Iterator<Item = (Measure, &Estimate)> + '_ {
        self.values.iter().map(|(measure, estimate)| (*measure, estimate))
    }

    /// All that could not, with the reasons.
    pub fn missing(&self) -> impl Iterator<Item = (Measure, &Reason)> + '_ {
        self.missing.iter().map(|(measure, reason)| (*measure, reason))
    }

    /// What could be had, to add what is known of its uncertainty.
    pub fn iter_mut(&mut self) -> impl Iterator<Item = (Measure, &mut Estimate)> + '_ {
        self.values.iter_mut().map(|(measure, estimate)| (*measure, estimate))
    }
}

impl Serialize for MeasureSet {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        for (measure, estimate) in &self.values {
            map.serialize_entry(measure, estimate)?;
        }
        if !self.missing.is_empty() {
            let missing: BTreeMap<&str, &Reason> =
                self.missing.iter().map(|(measure, reason)| (measure.key(), reason)).collect();
            map.serialize_entry(MISSING, &missing)?;
        }
        map.end()
    }
}

impl<'de> Deserialize<'de> for MeasureSet {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Entries;
        impl<'de> Visitor<'de> for Entries {
            type Value = MeasureSet;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("measures by key")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<MeasureSet, A::Error> {
                let mut set = MeasureSet::default();
                while let Some(key) = map.next_key::<String>()? {
                    if key == MISSING {
                        let missing: BTreeMap<Measure, Reason> = map.next_value()?;
                        set.missing.extend(missing);
                    } else {
                        let measure = Measure::find(&key).map_err(serde::de::Error::custom)?;
                        set.values.push((measure, map.next_value()?));
                    }
                }
                Ok(set)
            }
        }
        deserializer.deserialize_map(Entries)
    }
}
