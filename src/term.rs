//! What an uncertainty can hang on: one input quantity of the measurement each.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::fmt;

macro_rules! terms {
    ($($variant:ident $name:literal;)*) => {
        /// An input quantity of a measure.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        #[non_exhaustive]
        pub enum Term { $(#[doc = $name] $variant),* }

        impl Term {
            /// All terms, in the order of the inputs.
            pub const ALL: [Self; TERM_COUNT] = [$(Self::$variant),*];

            /// Its name for people and in files.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),* }
            }
        }
    };
}

/// Number of inputs of a measure.
pub const TERM_COUNT: usize = 24;

terms! {
    GainV "scale of the voltage";
    GainI "scale of the current";
    Load "resistance of the load";
    Skew "delay between the channels";
    Time "time base";
    ResponseV "bandwidth of the voltage channel";
    ResponseI "bandwidth of the current channel";
    TemperatureV "temperature of the voltage channel";
    TemperatureI "temperature of the current channel";
    TemperatureLoad "temperature of the load";
    OffsetV "offset of the voltage";
    OffsetI "offset of the current";
    NoiseV "noise in the mean square of the voltage";
    NoiseI "noise in the mean square of the current";
    NoiseP "noise in the mean power";
    BiasV "noise and zero line counted as voltage";
    BiasI "noise and zero line counted as current";
    PeakV "noise and steps at the highest voltage";
    PeakI "noise and steps at the highest current";
    Between "interpolation between samples";
    Edges "edges of the phase";
    Repeat "spread over repetitions";
    Own "spread of the measure itself";
    Limit "limit of the method";
}

/// Some terms, each once.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
pub struct TermSet(u32);

impl TermSet {
    /// Adds a term.
    pub fn insert(&mut self, term: Term) {
        self.0 |= 1 << term as u32;
    }

    /// Whether a term is among them.
    #[must_use]
    pub fn contains(self, term: Term) -> bool {
        self.0 & (1 << term as u32) != 0
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0 == 0
    }

    /// All of them in order.
    pub fn iter(self) -> impl Iterator<Item = Term> {
        Term::ALL.into_iter().filter(move |term| self.contains(*term))
    }

    /// Their names, with `between` them.
    #[must_use]
    pub fn names(self, between: &str) -> String {
        self.iter().map(Term::name).collect::<Vec<_>>().join(between)
    }
}

impl FromIterator<Term> for TermSet {
    fn from_iter<I: IntoIterator<Item = Term>>(terms: I) -> Self {
        let mut set = Self::default();
        terms.into_iter().for_each(|term| set.insert(term));
        set
    }
}

impl fmt::Debug for TermSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.iter()).finish()
    }
}

impl Serialize for TermSet {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.iter().map(Term::name))
    }
}

impl<'de> Deserialize<'de> for TermSet {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let names = Vec::<Cow<'_, str>>::deserialize(deserializer)?;
        let term = |name: Cow<'_, str>| {
            let found = Term::ALL.into_iter().find(|term| term.name() == name);
            found.ok_or_else(|| serde::de::Error::custom(format!("unknown term `{name}`")))
        };
        names.into_iter().map(term).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sets_read_back() {
        for (k, term) in Term::ALL.into_iter().enumerate() {
            assert_eq!(term as usize, k);
        }
        let set: TermSet = [Term::Time, Term::GainV, Term::Time].into_iter().collect();
        let text = serde_json::to_string(&set).unwrap();
        assert_eq!(text, r#"["scale of the voltage","time base"]"#);
        assert_eq!(serde_json::from_str::<TermSet>(&text).unwrap(), set);
        assert_eq!(set.names("; "), "scale of the voltage; time base");
        assert!(TermSet::default().is_empty());
    }
}
