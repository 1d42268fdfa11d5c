//! A measured value with all that is known of its uncertainty.

use crate::term::{Term, TermSet};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// One measured value, with what is known of its spread and uncertainty, in the measure's unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value; always finite.
    pub value: f64,
    /// Standard uncertainty, where it is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standard_uncertainty: Option<f64>,
    /// Standard deviation over the repetitions that the value is the mean of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standard_deviation: Option<f64>,
    /// Expanded uncertainty, where the standard uncertainty is known.
    #[serde(flatten)]
    pub coverage: Option<Coverage>,
    /// Terms the uncertainty leaves out because nothing is known of them.
    #[serde(default, skip_serializing_if = "TermSet::is_empty")]
    pub missing_terms: TermSet,
    /// Whether one of those is a scale or load, so that the uncertainty is only a lower bound.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub partial: bool,
    /// The terms of the uncertainty, where they were asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub budget: Option<Box<[BudgetLine]>>,
    /// The same by simulation, where it was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub monte_carlo: Option<Box<Simulated>>,
}

/// Half-width of the interval that holds the value in 95 of 100 cases.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Coverage {
    /// U = k u, in the measure's unit.
    pub expanded_uncertainty: f64,
    /// k.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; left out where there is no end to them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
}

/// One term of an uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// Which term of the model it is; none where it is of second order.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub term: Option<Term>,
    /// What it stands for here.
    pub input: Cow<'static, str>,
    /// Unit of the input.
    pub unit: Cow<'static, str>,
    /// Best estimate of the input.
    pub estimate: f64,
    /// How it is distributed.
    pub distribution: Cow<'static, str>,
    /// Standard uncertainty of the input.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; left out where there is no end to them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Partial derivative of the value by the input.
    pub sensitivity: f64,
    /// Contribution to the standard uncertainty of the value: |sensitivity| times u.
    pub contribution: f64,
    /// Share of the variance, correlations shared out evenly; the shares add up to 1.
    pub share: f64,
}

/// Result of propagating the distributions by simulation (JCGM 101).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Simulated {
    /// Number of draws.
    pub draws: u64,
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub standard_uncertainty: f64,
    /// Lower end of the shortest interval that holds 95 %.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Numerical tolerance: half a unit of the second significant digit of the uncertainty.
    pub tolerance: f64,
    /// Whether the simulation itself settled to within that tolerance.
    pub settled: bool,
    /// Whether value -+ U agrees with both ends within the tolerance (JCGM 101, clause 8).
    pub validates_linear: bool,
}

impl Estimate {
    /// A bare value; `None` where it is not finite, so that NaN and infinity end here.
    #[must_use]
    pub fn new(value: f64) -> Option<Self> {
        value.is_finite().then_some(Self {
            value,
            standard_uncertainty: None,
            standard_deviation: None,
            coverage: None,
            missing_terms: TermSet::default(),
            partial: false,
            budget: None,
            monte_carlo: None,
        })
    }

    /// The same with the standard deviation of what it is the mean of.
    #[must_use]
    pub fn with_deviation(mut self, deviation: Option<f64>) -> Self {
        self.standard_deviation = deviation.filter(|d| d.is_finite());
        self
    }

    /// Whether the uncertainty is only a lower bound: it lacks a scale, the load or the clock.
    #[must_use]
    pub fn at_least(&self) -> bool {
        self.partial || self.missing_terms.contains(Term::Time)
    }

    /// Expanded uncertainty, 95 %.
    #[must_use]
    pub fn expanded(&self) -> Option<f64> {
        self.coverage.map(|coverage| coverage.expanded_uncertainty)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn estimates_are_finite() {
        assert!(Estimate::new(f64::INFINITY).is_none());
        assert!(Estimate::new(f64::NAN).is_none());
        let bare = serde_json::to_string(&Estimate::new(1.5)).unwrap();
        assert_eq!(bare, r#"{"value":1.5}"#);
    }
}
